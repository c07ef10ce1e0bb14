"""Stale, impossible and contradictory readings, wrong clocks, nothing known, no tariff, no broker.

Each befalls a home whose heat pump Ladle is running. "Until safe" is how long the actuator, with a
timer of its own, runs on; a wrong clock by an hour must change nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

from adapters.types import PriceSeries, Reading
from tests.control_plant import MONDAY, LittleHome, settings, with_habits
from tests.faults.frame import Line, Outcome

CALM: dict[str, Any] = {
    "hygiene": {"longest_interval_days": 31, "lowered_confirmed_by": "A"},
    "reserve_tenths": 6,
}
STEP_S = 20.0
STALE_S = 300.0  # of the probes
LEASE_S = 600.0
LASTS_S = 1800.0
SLACK_S = 2 * STEP_S
PROBES = ("probe_1", "probe_2", "probe_3")

Change = Callable[[LittleHome], None]


def run(long: bool) -> Outcome:
    """All of them; the long form is the same, since it takes seconds."""
    return Outcome(
        (
            _released("all probes silent", _silent, _sound, STALE_S),
            _released("all probes say -127 degC", _says(-127.0), _sound, STALE_S),
            _released("all probes say NaN", _says(float("nan")), _sound, STALE_S),
            _released("probes contradict each other", _contradict, _sound, 2 * STEP_S),
            _released(
                "the clock jumps to 1970",
                _clock(datetime(1970, 1, 1, 0, 5, tzinfo=UTC)),
                _right,
                0.0,
            ),
            _released(
                "the clock jumps to 2119", _clock(datetime(2119, 5, 1, tzinfo=UTC)), _right, 0.0
            ),
            _released("the broker is gone", _gone, _back, LEASE_S),
            _unmoved("the clock jumps forward by an hour", timedelta(hours=1)),
            _unmoved("the clock jumps back by an hour", timedelta(hours=-1)),
            _boots_in_1970(),
            _knows_nothing(),
            _night("the night of 25 hours", datetime(2026, 10, 24, 21, 0, tzinfo=UTC)),
            _night("the night of 23 hours", datetime(2026, 3, 28, 21, 0, tzinfo=UTC)),
            _lost_tariff(),
        )
    )


def _running() -> LittleHome:
    """A home whose heat pump has been commanded for a while, and has much left to heat."""
    home = LittleHome(settings(CALM), plans=False, profile_c=[11.0] * 40, every_s=STEP_S)
    home.live(400)
    assert home.on("pump")
    return home


def _released(fault: str, begin: Change, end: Change, within_s: float) -> Line:
    """Plant must be let go within the time stated, and commanded again when the fault is over."""
    home = _running()
    home.__dict__["right"] = home.now - timedelta(seconds=home.elapsed_s)
    begin(home)
    began_s, held_s = home.elapsed_s, 0.0
    seen: set[str] = set()
    while home.elapsed_s - began_s < LASTS_S:
        home.live(STEP_S)
        decision = home.last.view.decision
        assert decision is not None
        if not home.on("pump") and not home.on("element"):
            seen.add(f"{decision.rule.value}, {decision.reason.code}")
        else:
            held_s = home.elapsed_s - began_s
    told = sorted(
        {f.code for o in home.outputs for f in o.faults if f.cleared_at is None} - {"work_failed"}
    )
    end(home)
    over_s = home.elapsed_s
    home.until(lambda h: h.on("pump") or h.on("element"), 3600)
    again = home.on("pump") or home.on("element")
    return Line(
        fault,
        f"{'; '.join(sorted(seen)) or 'NOT RELEASED'}; told: {', '.join(told) or 'by its reason'}; "
        f"commanded again {home.elapsed_s - over_s:.0f} s after it was over",
        f"{held_s:.0f} s (stated: {within_s:.0f} s)",
        "nothing; the cylinder was on its own thermostats meanwhile",
        held_s <= within_s + SLACK_S and again and bool(seen),
    )


def _silent(home: LittleHome) -> None:
    home.silent = set(PROBES)


def _sound(home: LittleHome) -> None:
    home.silent = set()
    if "real" in home.__dict__:
        home.readings = home.__dict__.pop("real")  # type: ignore[method-assign]


def _shows(home: LittleHome, values: Callable[[], dict[str, float]]) -> None:
    real = home.readings
    home.__dict__["real"] = real

    def readings() -> tuple[Reading, ...]:
        others = tuple(r for r in real() if r.signal not in PROBES)
        return (*others, *(home.reading(n, v) for n, v in values().items()))

    home.readings = readings  # type: ignore[method-assign]


def _says(value: float) -> Change:
    return lambda home: _shows(home, lambda: dict.fromkeys(PROBES, value))


def _contradict(home: LittleHome) -> None:
    _shows(home, lambda: {"probe_1": 55.0, "probe_2": 20.0, "probe_3": 15.0})


def _clock(to: datetime) -> Change:
    def jump(home: LittleHome) -> None:
        home.now = to
        home.step(home.readings())

    return jump


def _right(home: LittleHome) -> None:
    home.now = home.__dict__["right"] + timedelta(seconds=home.elapsed_s)


def _gone(home: LittleHome) -> None:
    home.connected = False
    home.step(home.readings())


def _back(home: LittleHome) -> None:
    home.connected = True


def _unmoved(fault: str, jump: timedelta) -> Line:
    home = _running()
    starts = home.state.book.runs["heat_pump"].starts
    home.now += jump
    on = True
    for _ in range(int(LASTS_S / STEP_S)):
        home.live(STEP_S)
        on &= home.on("pump")
    same = home.state.book.runs["heat_pump"].starts == starts
    told = any(f.code == "clock_jumped" for f in home.last.view.faults)
    return Line(
        fault,
        "the run went on without another start; told: clock_jumped" if on and same else "DISTURBED",
        "at no time unsafe: leases and rests count elapsed time",
        "nothing",
        on and same and told,
    )


def _boots_in_1970() -> Line:
    home = LittleHome(
        settings(CALM),
        plans=False,
        profile_c=[11.0] * 40,
        every_s=STEP_S,
        now=datetime(1970, 1, 1, tzinfo=UTC),
    )
    home.live(1800)
    quiet = not home.sent
    home.now = MONDAY
    began_s = home.elapsed_s
    ran = home.until(lambda h: h.on("pump"), 3600)
    return Line(
        "starts with a clock in 1970 that is set half an hour later",
        "nothing was commanded until the clock was right, the heat pump was commanded "
        f"{home.elapsed_s - began_s:.0f} s after",
        "0 s",
        "nothing",
        quiet and ran,
    )


def _knows_nothing() -> Line:
    home = LittleHome(settings(CALM), plans=False, profile_c=[11.0] * 40, every_s=STEP_S)
    began_s = home.elapsed_s
    ran = home.until(lambda h: h.on("pump"), 3600)
    took_s = home.elapsed_s - began_s
    reached = home.until(lambda h: (h.last.view.shown_tenths or 0) >= 6, 8 * 3600)
    return Line(
        "an empty database, and nobody learns or plans",
        f"the reserve of 6 tenths was charged without a plan, begun after {took_s:.0f} s",
        "0 s",
        "nothing but cheap hours",
        ran and reached,
    )


def _night(fault: str, before: datetime) -> Line:
    home = with_habits(before, days=21, replan_every_slots=6)
    home.live(9 * 3600)
    jumped = any(f.code == "clock_jumped" for o in home.outputs for f in o.faults)
    plans = [o.plan_made for o in home.outputs if o.plan_made is not None]
    whole = bool(plans) and all((p.grid.end_s[:-1] == p.grid.start_s[1:]).all() for p in plans)
    return Line(
        fault,
        f"{len(plans)} plans without a gap or a doubled slot; nobody took it for a jump",
        "at no time unsafe",
        "nothing",
        whole and not jumped,
    )


def _lost_tariff() -> Line:
    home = with_habits(
        MONDAY,
        days=14,
        replan_every_slots=12,
        price_feeds=[{"kind": "mqtt", "address": "prices/today"}],
    )
    home.step(home.readings(), prices=(PriceSeries((), (), (), MONDAY.timestamp()),))
    home.live(900)
    note = home.state.plan.price_note if home.state.plan is not None else "no plan"
    return Line(
        "the tariff's feed is lost",
        f"planned with the fixed bands of the settings ({note})",
        "at no time unsafe",
        "nothing but the feed's prices",
        note == "feed_lost_bands",
    )
