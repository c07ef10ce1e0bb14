"""The checks of everything but the heat sources: signals, clock, probes, water, hygiene.

Each yields what it sees now; how long that must last before it is told is for ``supervision``.
"""

from __future__ import annotations

from collections.abc import Iterator

from adapters.wiring import Quantity
from service.control import disinfecting, hygiene, observe
from service.control.detectors import BY_CODE, FLUSH, HOUR_S, Finding
from service.control.situation import Situation
from service.control.state import Facts, Watch
from service.control.types import Rule
from service.control.watching import MOMENT_EVERY_S, NONSENSE_PER_HOUR

TAP_S = 2700.0
TAP_L_PER_MIN = 3.0
LEAK_S = 7200.0
DRIP_QUIET_S = 3600.0  # a household leaves its taps alone for an hour at least once a day
JUMPS_TOLD = 5.0
STUCK_TRAVEL_K = 6.0
STUCK_FOR_S = 43_200.0
RETURN_TENTHS = 1.5
RETURN_HEATED_TENTHS = 2.0
FAILURES_TOLD = 1
FLUSH_ASKED_S = 7 * 86_400.0  # by then the household has used its taps


def signals(s: Situation, watch: Watch) -> Iterator[Finding]:
    """Signals that report too rarely, that are silent, and that say what cannot be."""
    began_s = s.elapsed_s - s.state.clock.began_mark_s
    # While the broker is gone, which is told, no signal is to blame that was not silent before.
    cut_off = s.state.connected is False
    before = {f.subject for f in s.state.faults if f.code == "signal_stale"}
    for name, signal in s.plant.signals.items():
        heard, awaited = s.state.heard.get(name), False
        facts: Facts = {"stale_after_s": signal.stale_after_s}
        if heard is not None and heard.apart_s > 0.0:
            yield Finding("signal_rare", name, {"apart_s": round(heard.apart_s), **facts})
            awaited = heard.age_at(s.elapsed_s) < 2.0 * heard.apart_s
        to_blame = not cut_off or name in before
        if name not in s.fresh and not awaited and began_s > signal.stale_after_s and to_blame:
            yield Finding("signal_stale", name, facts)
    for name, marks in watch.nonsense_marks.items():
        if len(marks) == NONSENSE_PER_HOUR and s.elapsed_s - marks[0] <= HOUR_S:
            yield Finding("nonsense_readings", name, {"within_an_hour": len(marks)})


def clock_and_work(s: Situation) -> Iterator[Finding]:
    """A clock that cannot be right or jumped; learning, forecasting or planning that failed."""
    state = s.state
    if state.clock.wrong:
        yield Finding("clock_cannot_be_right", "clock", {"year": s.now.year})
    if observe.just_jumped(state.clock, s.elapsed_s):
        yield Finding("clock_jumped", "clock", {"by_s": round(state.clock.jumped_by_s)})
    for kind, message in state.planning.failed.items():
        yield Finding("work_failed", kind, {"message": message})


def probes(s: Situation) -> Iterator[Finding]:
    """Probes that the estimator distrusts, and has for long enough to tell people."""
    believed = s.state.belief.estimate  # also while no probe is heard: none is well again by that
    if believed is None:
        return
    for fault in believed.probe_faults:
        code, seen = f"probe_{fault.code}", fault.evidence
        # The estimator distrusts a probe sooner than people should be told of it.
        if fault.code == "jumping" and float(seen["jumps"]) < JUMPS_TOLD:
            continue
        if fault.code == "stuck":
            travel_k = float(seen["expected_to_c"]) - float(seen["expected_from_c"])
            if travel_k < STUCK_TRAVEL_K or float(seen["same_s"]) < STUCK_FOR_S:
                continue
        if code in BY_CODE:
            yield Finding(code, fault.probe, dict(seen))


def water(s: Situation, watch: Watch) -> Iterator[Finding]:
    """Water that runs on and on, and a day without an hour in which none ran."""
    draw = s.state.draws
    if draw.start_s is not None and draw.live:
        lasts = s.now_s - draw.start_s
        mean = draw.litres / max(lasts / 60.0, 1e-6)
        facts: Facts = {"minutes": round(lasts / 60.0), "litres": round(draw.litres, 1)}
        if lasts > TAP_S and mean >= TAP_L_PER_MIN:
            yield Finding("tap_left_open", "draw", facts)
        elif lasts > LEAK_S:
            yield Finding("water_keeps_running", "draw", facts)
    quiet = watch.yesterday_quiet_s
    if quiet is not None and quiet < DRIP_QUIET_S:
        yield Finding("water_keeps_running", "day", {"longest_pause_min": round(quiet / 60.0)})


def secondary_return(s: Situation, watch: Watch) -> Iterator[Finding]:
    """Usable water that goes while the secondary return's pump runs, and that nobody drew."""
    if not s.plant.of(Quantity.SECONDARY_RETURN) or len(watch.moments) < 2:
        return
    last = watch.moments[-1]
    window = [m for m in watch.moments if m.mark_s >= last.mark_s - 7200.0]
    first = window[0]
    heated = any(s.running(n) for n in s.plant.sources) or any(
        s.elapsed_s - r.stopped_mark_s < 7200.0 for r in s.state.book.runs.values()
    )
    if first.charge_l40 is None or last.charge_l40 is None:
        return
    circulated = sum(m.circulating for m in window) * MOMENT_EVERY_S
    lost = first.charge_l40 - last.charge_l40 - (last.drawn_l40 - first.drawn_l40)
    # Heating hides a part of it, and stirs a little itself.
    least = (RETURN_HEATED_TENTHS if heated else RETURN_TENTHS) * s.plant.tenth_l40
    if circulated >= 1800.0 and lost > least:
        facts: Facts = {"lost_l40": round(lost), "pump_ran_min": round(circulated / 60.0)}
        yield Finding("secondary_return_mixes", "secondary_return", facts)


def disinfection(s: Situation) -> Iterator[Finding]:
    """A disinfection that cannot be done, is overdue, or failed."""
    when = hygiene.due(s)
    if when.refused is not None:
        facts: Facts = {"because": when.refused.code, **when.refused.facts}
        yield Finding("disinfection_refused", "hygiene", facts)
    if when.overdue:
        # The moment, for a fault keeps the facts it was told with, however long it stands.
        facts = {"due_s": round(s.now_s + when.in_s), "because": when.why}
        reaches_c = disinfecting.out_of_reach_c(s) if when.ours else None
        if reaches_c is not None:
            disinfect_c = s.settings.tunables.hygiene.disinfect_c
            reaches_c = round(min(reaches_c, disinfect_c), 1)
            facts |= {"reaches_c": reaches_c, "disinfect_c": disinfect_c}
        yield Finding("disinfection_overdue", "hygiene", facts)
    if s.state.hygiene.failures >= FAILURES_TOLD:
        yield Finding("disinfection_failed", "hygiene", {"attempts": s.state.hygiene.failures})


def left_to_itself(s: Situation) -> Iterator[Finding]:
    """A home that Ladle has let go."""
    last = s.state.decision
    if last is not None and last.rule is Rule.FAIL_SAFE and last.reason.code != "stopping":
        yield Finding("left_to_itself", "home", {"because": last.reason.code, **last.reason.facts})


def unflushed(s: Situation, watch: Watch) -> Iterator[Finding]:
    """Outlets that stood unused through a long absence."""
    if s.elapsed_s - watch.flush_mark_s < FLUSH_ASKED_S:
        yield Finding(*FLUSH, {"empty_for_s": round(watch.empty_for_s)})
