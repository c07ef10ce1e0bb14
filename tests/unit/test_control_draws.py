"""Draw-off events from every kind of flow meter, from a stored past, and from the profile."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from adapters.types import Reading
from service.control import draw_history
from service.control.beginning import start
from service.control.draws import HELD_AT_MOST_S, by_profile, vouched_for
from service.control.state import DrawWatch, Held
from service.control.step import step
from service.control.types import Draw, Inputs
from service.settings import HomeSettings
from service.simulation.sources import from_records
from tests.control_plant import MONDAY, LittleHome, settings, wiring

CALM: dict[str, Any] = {
    "hygiene": {"longest_interval_days": 31, "lowered_confirmed_by": "A"},
    "reserve_tenths": 0,
}


def _settings(
    unit: str = "L/min", place: str = "cold_feed", valve_c: float | None = 48.0, **more: Any
) -> HomeSettings:
    signals = [s for s in wiring()["signals"] if s["name"] != "draw"]
    flow = {"name": "draw", "measures": "draw_flow", "unit": unit, "topic": "t", "place": place}
    cylinder = {"mixing_valve_c": valve_c}
    return settings(CALM, signals=[*signals, flow | more], cylinder=cylinder)


def _live(home: HomeSettings, flows: list[tuple[float, float]]) -> list[Draw]:
    """Fresh readings at so many seconds after the start, with a hot cylinder behind them."""
    state = start(home, MONDAY, 0.0)
    found: list[Draw] = []
    for at, value in [*flows, (flows[-1][0] + 300.0, flows[-1][1] if flows[-1][1] > 50 else 0.0)]:
        now = MONDAY + timedelta(seconds=at)
        s = now.timestamp()

        def read(signal: str, v: float, s: float = s) -> Reading:
            return Reading("home", signal, v, s, s, False, True)

        readings = (
            read("probe_1", 55.0),
            read("probe_2", 55.0),
            read("probe_3", 55.0),
            read("cold", 10.0),
            read("draw", value),
        )
        state, out = step(state, home, Inputs(readings=readings), now, at)
        found.extend(out.draws)
    return found


def test_a_rate_is_summed_until_it_ends() -> None:
    flows = [(float(t), 8.0) for t in range(0, 300, 10)] + [(300.0, 0.0), (310.0, 0.0)]
    (draw,) = _live(_settings(), flows)
    assert draw.litres == pytest.approx(40.0, rel=0.01)
    # 40 L of 55 degC water above 10 degC give 60 L at 40 degC, and 51.53 Wh a litre counted hot
    assert draw.litres_40c == pytest.approx(60.0, rel=0.01)
    assert draw.kwh == pytest.approx(40 * 51.533e-3, rel=0.01)
    assert draw.measured_by == "flow_meter"


def test_a_counter_that_tells_every_five_minutes_shows_water_that_runs_on() -> None:
    """Slower ones cut it up, as the README says: what runs for 90 min at 8 L/min is 720 L."""
    for every_s, pieces in ((60, 1), (300, 1), (600, 9)):
        flows = [(float(t), 1000.0 + t * 8 / 60) for t in range(0, 5401, every_s)]
        flows += [(5400.0 + n * every_s, 1720.0) for n in (1, 2)]
        found = _live(_settings("L"), flows)
        assert len(found) == pieces, every_s
        assert sum(d.litres for d in found) == pytest.approx(720.0, rel=0.01)


def test_a_running_total_and_pulses_give_the_same_draw() -> None:
    for unit, more in (("L", {}), ("pulse", {"litres_per_pulse": 0.5})):
        flows = [(float(t), 1000.0 + t * 8 / 60) for t in range(0, 301, 10)]
        flows += [(310.0, 1040.0), (400.0, 1040.0)]
        (draw,) = _live(_settings(unit, **more), flows)
        assert draw.litres == pytest.approx(40.0, rel=0.01)
        assert (draw.end - draw.start).total_seconds() == pytest.approx(300, abs=20)


@pytest.mark.parametrize(("valve_c", "line_c"), [(None, 40.0), (48.0, 48.0), (60.0, 55.0)])
def test_a_meter_on_the_mixed_line_counts_the_hot_share(
    valve_c: float | None, line_c: float
) -> None:
    """Behind a mixing valve it is as hot as that lets it, and no hotter than the 55 degC stored."""
    flows = [(float(t), 8.0) for t in range(0, 300, 10)] + [(300.0, 0.0)]
    (draw,) = _live(_settings(place="mixed_line", valve_c=valve_c), flows)
    # Of the 40 L behind it the rest is cold water that was mixed in, so that heat and litres tell
    # how warm it left the cylinder, not the valve.
    assert draw.litres == pytest.approx(40.0 * (line_c - 10.0) / 45.0, rel=0.02)
    assert draw.kwh / draw.litres == pytest.approx(51.533e-3, rel=0.01)  # 55 degC above 10
    assert draw.litres_40c == pytest.approx(40.0 * (line_c - 10.0) / 30.0, rel=0.02)


def test_a_short_pause_does_not_end_a_draw_and_a_twitch_is_none() -> None:
    flows = [(0.0, 8.0), (60.0, 0.0), (100.0, 8.0), (160.0, 0.0), (300.0, 0.0)]
    assert len(_live(_settings(), flows)) == 1
    assert _live(_settings(), [(0.0, 0.1), (10.0, 0.0), (100.0, 0.0)]) == []


def _metered(
    home: HomeSettings, minutes: float, l_per_min: float, hours: float, every_s: float | None
) -> LittleHome:
    """One draw; the meter reports every so often, or, with None, when it shows something new."""
    made = LittleHome(home, plans=False, profile_c=55.0, every_s=10.0)
    real, begin = made.readings, made.now + timedelta(minutes=10)
    end, said = begin + timedelta(minutes=minutes), [(-1e9, -1.0)]
    made.draws = lambda at: l_per_min if begin <= at < end else 0.0

    def seldom() -> tuple[Reading, ...]:
        told = {r.signal: r for r in real()}
        at_s, value = said[0]
        news = told["draw"].value != value if every_s is None else made.elapsed_s - at_s >= every_s
        if news:
            said[0] = (made.elapsed_s, told["draw"].value)
        else:
            del told["draw"]
        return tuple(told.values())

    made.readings = seldom  # type: ignore[method-assign]
    made.live(hours * 3600)
    return made


@pytest.mark.parametrize("every_s", [70.0, 130.0, 300.0])
def test_a_counter_that_reports_every_few_minutes_cuts_no_draw(every_s: float) -> None:
    """Nor hides a tap that was left open: whether water paused nobody sees between two reports."""
    counter = _settings("L", stale_after_s=900.0)
    home = _metered(counter, 12, 8.0, 1.0, every_s)
    assert sum(d.litres for d in home.history) == pytest.approx(96.0)
    longest = max(home.history, key=lambda d: d.litres)
    assert longest.litres > 80.0
    home = _metered(counter, 65, 6.0, 1.2, every_s)
    told = [(f.code, o.view.at) for o in home.outputs for f in o.faults]
    (at,) = (at for code, at in told if code == "tap_left_open")
    assert at - MONDAY < timedelta(minutes=10) + timedelta(hours=1)


def test_single_pulses_an_evening_through_are_no_water_that_keeps_running() -> None:
    """A litre every two minutes, by a counter of litres that speaks when it turns."""
    home = _metered(_settings("pulse", litres_per_pulse=1.0), 180, 0.5, 3.5, 120.0)
    assert not [f for o in home.outputs for f in o.faults if f.code == "water_keeps_running"]


@pytest.mark.parametrize("every_s", [None, 600.0])
@pytest.mark.parametrize("minutes", [5, 10])
def test_a_rate_counts_for_as_long_as_its_value_does(minutes: int, every_s: float | None) -> None:
    """One that reports a change only, and one that is read every ten minutes."""
    home = _metered(_settings(stale_after_s=900.0), minutes, 8.0, 1.0, every_s)
    (draw,) = home.history
    seen_min = minutes if every_s is None else 10.0  # read once while water ran
    assert draw.litres == pytest.approx(8.0 * seen_min, rel=0.04)


def test_a_rate_whose_end_was_lost_does_not_run_for_ever() -> None:
    home = LittleHome(_settings(stale_after_s=86_400.0), plans=False, profile_c=55.0)
    home.draws = lambda at: 8.0
    home.live(60.0)
    home.silent, home.draws = {"draw"}, lambda at: 0.0
    home.live(3600.0)
    (draw,) = home.history
    assert draw.litres == pytest.approx(8.0 * 15.0, rel=0.1)


def _past(at: datetime, value: float, now: datetime) -> Reading:
    return Reading("home", "draw", value, at.timestamp(), now.timestamp(), True, False)


@pytest.mark.parametrize("batch", [1, 7, 10_000])
def test_a_stored_past_gives_its_draws_however_it_arrives(batch: int) -> None:
    """Stamped readings of three days, told in an hour's time: nothing is commanded by them."""
    home = _settings()
    told: list[Reading] = []
    at = MONDAY - timedelta(days=3)
    while at < MONDAY:
        minute = at.hour * 60 + at.minute
        told.append(_past(at, 8.0 if 420 <= minute < 426 else 0.0, MONDAY))
        at += timedelta(minutes=1) if 415 <= minute < 430 else timedelta(minutes=15)
    state = start(home, MONDAY, 0.0)
    found: list[Draw] = []
    elapsed = 0.0
    for i in range(0, len(told), batch):
        elapsed += 0.2
        now = MONDAY + timedelta(seconds=elapsed)
        state, out = step(state, home, Inputs(readings=tuple(told[i : i + batch])), now, elapsed)
        found.extend(out.draws)
        assert out.commands == ()
    assert [d.start.hour * 60 + d.start.minute for d in found] == [420, 420, 420]
    assert all(d.litres == pytest.approx(48.0, rel=0.05) for d in found)
    # Once the past has been told, it is learned from.
    state, out = step(state, home, Inputs(), MONDAY + timedelta(seconds=60), elapsed + 60)
    assert state.draws.past_mark_s > 0


def test_late_readings_are_left_out() -> None:
    home = _settings()
    state = start(home, MONDAY, 0.0)
    for k, at in enumerate((MONDAY, MONDAY - timedelta(minutes=5))):
        reading = Reading("home", "draw", 8.0, at.timestamp(), MONDAY.timestamp(), True, True)
        state, _ = step(state, home, Inputs(readings=(reading,)), MONDAY, float(k))
    assert state.draws.late == 1


def test_without_a_flow_meter_the_profile_tells_a_draw() -> None:
    signals = [s for s in wiring()["signals"] if s["name"] != "draw"]
    home = LittleHome(settings(CALM, signals=signals), profile_c=[52.0] * 40, plans=False)
    home.live(3600)
    assert home.history == []
    begin = home.now
    home.draws = lambda at: 8.0 if at < begin + timedelta(minutes=10) else 0.0
    home.live(3600)
    assert home.history
    assert all(d.measured_by == "profile" for d in home.history)
    total = sum(d.litres_40c for d in home.history)
    assert total == pytest.approx(80 * 42 / 30, rel=0.35)  # three probes see it only roughly


def _read_from_heat(taken_kwh: Callable[[int], float]) -> float:
    """kWh of the draws read over four hours in which, every five minutes, so much is taken."""
    watch, heat_kwh, told = DrawWatch(), 10.0, 0.0
    for n in range(48):
        at = MONDAY + timedelta(minutes=5 * n)
        heat_kwh -= taken_kwh(n) + 0.1 / 12.0
        watch, found = by_profile(watch, heat_kwh, 0.1, 0.0, 10.0, at, 300.0 * n)
        told += sum(d.kwh for d in found)
    return told


def test_hands_washed_now_and_again_are_read_from_the_profile_as_well() -> None:
    """A litre each five minutes: too little to show at once, and 14 L in an hour."""
    assert _read_from_heat(lambda n: 0.04) == pytest.approx(47 * 0.04, abs=0.12)
    assert _read_from_heat(lambda n: 0.05 * (-1) ** n) == 0.0, "noise comes to nothing"


PROBES = [x for x in wiring()["signals"] if x["measures"] == "probe"]
HALF_HOT = [14.0] * 16 + [45.0] * 24


def _unmetered(**more: Any) -> LittleHome:
    """Nothing meters water or plant; the heat pump is wanted at once, and at any time."""
    wired = settings(CALM | {"reserve_tenths": 9}, signals=PROBES)
    return LittleHome(wired, profile_c=HALF_HOT, plans=False, every_s=200.0, **more)


def test_heat_that_a_dead_source_never_gave_is_no_draw() -> None:
    """It looks like heat drawn as fast as it was thought to be made: 90 L an hour by 5 kW."""
    home = _unmetered(dead={"pump", "element"})
    home.live(8 * 3600)
    assert any(f.code == "command_without_effect" for f in home.last.view.faults)
    shown_l40 = sum(d.litres_40c for d in home.history if d.measured_by != "doubtful")
    assert shown_l40 < 20.0
    assert home.last.view.drawn_today_l40 < 20.0
    doubtful = [d for d in home.history if d.measured_by == "doubtful"]
    assert sum(d.litres_40c for d in doubtful) > 50.0
    learned = draw_history.between(home.history, home.watched_from_s(), int(home.now.timestamp()))
    assert learned.litres_40c.sum() == pytest.approx(shown_l40)
    unknown_s = (learned.gaps_s[:, 1] - learned.gaps_s[:, 0]).sum()
    assert unknown_s == sum((d.end - d.start).total_seconds() for d in doubtful)


def test_a_draw_while_an_unmetered_source_heats_counts_once_its_heat_was_seen() -> None:
    home = _unmetered()
    home.live(600)
    begin = home.now
    home.draws = lambda at: 8.0 if at < begin + timedelta(minutes=6) else 0.0
    home.live(6 * 3600)
    assert not home.state.draws.held
    assert all(d.measured_by == "profile" for d in home.history)
    assert sum(d.litres_40c for d in home.history) > 20.0


def _held(mark_s: float, *sources: str) -> Held:
    at = MONDAY + timedelta(seconds=mark_s)
    return Held(Draw(at - timedelta(minutes=5), at, 10, 0.5, 10, "profile"), sources, mark_s)


def test_a_held_draw_waits_for_every_source_that_was_thought_to_heat() -> None:
    watch = DrawWatch(held=(_held(1000, "heat_pump"), _held(2000, "heat_pump", "immersion")))
    waiting, told = vouched_for(watch, {"heat_pump": 999.0}, (), 3000.0)
    assert waiting is watch
    assert told == ()
    waiting, told = vouched_for(watch, {"heat_pump": 2500.0}, (), 3000.0)
    assert [d.measured_by for d in told] == ["profile"]
    assert waiting.held == watch.held[1:]
    _, told = vouched_for(waiting, {"heat_pump": 2500.0}, {"immersion"}, 3000.0)
    assert [d.measured_by for d in told] == ["doubtful"]
    _, told = vouched_for(waiting, {}, (), 2001.0 + HELD_AT_MOST_S)
    assert [d.measured_by for d in told] == ["doubtful"]


def test_held_draws_outlast_a_restart() -> None:
    home = _unmetered()
    home.live(600)
    begin = home.now
    home.draws = lambda at: 8.0 if at < begin + timedelta(minutes=6) else 0.0
    assert home.until(lambda h: bool(h.state.draws.held), 1800)
    held = [h.draw for h in home.state.draws.held]
    home.restart(down_s=60.0)
    home.live(6 * 3600)
    assert all(draw in home.history for draw in held)


@pytest.mark.parametrize("restarted", [True, False])
@pytest.mark.parametrize(("hours", "litres"), [(72.0, 600.0), (8.0, 150.0)])
def test_what_a_counter_counted_in_a_long_silence_is_no_draw_of_its_end(
    restarted: bool, hours: float, litres: float
) -> None:
    home = LittleHome(_settings("L"), plans=False, profile_c=50.0, every_s=20.0)
    home.live(600.0)
    before = home.state.draws.total_l40
    if restarted:
        home.restart(hours * 3600.0)
    else:
        home.silent, home.every_s = {s.name for s in home.settings.wiring.signals}, 300.0
        home.live(hours * 3600.0)
        home.silent, home.every_s = set(), 20.0
    home.drawn_l += litres
    home.live(600.0)
    (unseen,) = home.history
    assert unseen.measured_by == "doubtful", "it is neither learned nor shown as use"
    assert unseen.litres == pytest.approx(litres)
    assert (unseen.end - unseen.start).total_seconds() == pytest.approx(hours * 3600.0, abs=60.0)
    assert home.state.draws.total_l40 == before
    assert home.last.view.drawn_today_l40 == 0.0
    assert (home.last.view.shown_tenths or 0) >= 4, "the probes show that the water is there"


def test_a_counter_that_reports_when_it_turns_may_be_silent_for_the_night() -> None:
    home = LittleHome(_settings("L"), plans=False, profile_c=50.0)
    home.live(600.0)
    home.silent = {"draw"}
    home.live(8 * 3600.0)
    home.silent, home.draws = set(), lambda at: 8.0
    home.live(300.0)
    home.draws = lambda at: 0.0
    home.live(300.0)
    (shower,) = home.history
    assert shower.measured_by == "flow_meter"
    assert shower.litres == pytest.approx(40.0)


@pytest.mark.parametrize("heights_m", [(0.4,), (0.2, 0.8), (0.2, 0.8, 1.4)])
def test_what_is_drawn_from_above_the_highest_probe_counts_as_hot_as_it_is(
    heights_m: tuple[float, ...],
) -> None:
    """A charge of some tenths on top: the highest probe still stands in cold water."""
    probe = {"measures": "probe", "unit": "Cel"}
    signals = [
        *(probe | {"name": f"p{h}".replace(".", "_"), "topic": f"p/{h}", "height_m": h}
          for h in heights_m),
        *(s for s in wiring()["signals"] if s["measures"] != "probe"),
    ]  # fmt: skip
    home = LittleHome(
        settings(CALM | {"reserve_tenths": 2}, signals=signals), profile_c=[12.0] * 40,
        plans=False, every_s=20.0,
    )  # fmt: skip
    assert home.until(lambda h: h.kwh.get("pump", 0.0) > 4.0, 2 * 3600)
    home.dead = {"pump", "element"}
    home.live(300.0)
    hot_c, begin = home.water.top_c, home.now
    assert hot_c > 45.0
    home.draws = lambda at: 6.0 if at < begin + timedelta(minutes=4) else 0.0
    home.live(600.0)
    litres_40c = sum(d.litres_40c for d in home.history)
    litres = sum(d.litres for d in home.history)
    assert litres_40c / litres == pytest.approx((hot_c - 10.0) / 30.0, rel=0.12)


def test_a_draw_that_came_cold_teaches_what_was_wanted() -> None:
    """Else who ran out of hot water would be learned as one who needs little, and run out again."""
    begin = datetime(2026, 1, 5, 7, tzinfo=UTC)

    def drawn(litres: float, litres_40c: float) -> Draw:
        end = begin + timedelta(minutes=10)
        return Draw(begin, end, litres, 1.0, litres_40c, "flow_meter")

    hot, cold, burst = drawn(60.0, 90.0), drawn(80.0, 16.0), drawn(5000.0, 300.0)
    spilt = drawn(900.0, 20.0)
    begin_s = int(begin.timestamp())
    for draw, wanted in ((hot, 90.0), (cold, 80.0), (burst, 300.0), (spilt, 200.0)):
        learned = draw_history.of([draw], begin_s - 1, begin_s + 3600)
        assert learned.litres_40c.tolist() == [wanted]
        (lived,) = from_records([draw])
        assert lived.litres_40c == pytest.approx(wanted)
