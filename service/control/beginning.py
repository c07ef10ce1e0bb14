"""How a memory begins: of a home nothing is known of, or from a snapshot in a new process.

Over the years a home gets another cylinder, heat pump, heater or probe. What was learned of the
old one misleads the new one and is dropped; what is known of the people stays.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from functools import partial

from adapters.wiring import Quantity
from service.control import believe, observe, watching
from service.control import plant as plants
from service.control.plant import Plant
from service.control.state import NEVER, Clock, Heard, HygieneClock, Performance, State, shifted
from service.settings import HomeSettings

STALE = 1e9  # the age, s, of what was heard before the process began


def start(settings: HomeSettings, now: datetime, elapsed_s: float = 0.0) -> State:
    """The memory of a home nothing is known of.

    Args:
        settings: the home's settings.
        now: aware UTC.
        elapsed_s: the elapsed clock's reading.
    """
    return State(
        home=settings.wiring.id,
        at=now,
        elapsed_s=elapsed_s,
        clock=Clock(began_mark_s=elapsed_s),
        fitted=fitted(settings),
    )


def fitted(settings: HomeSettings) -> dict[str, str]:
    """What memory is learned of, part by part, in words that change when it is another one."""
    wiring = settings.wiring
    built, pump, element = wiring.cylinder, wiring.heat_pump, wiring.immersion
    probes = ((s.name, s.height_m) for s in wiring.signals_of(Quantity.PROBE))
    since = "" if built.since is None else f", since {built.since:%Y-%m-%d}"
    parts = {
        "cylinder": f"{built.volume_l:g} L, {built.height_m:g} m{since}",
        "probes": ", ".join(sorted(f"{name} at {height:g} m" for name, height in probes)),
    }
    if pump is not None:
        rated = "".join(
            f", {r.capacity_w:g} W at {r.outdoor_c:g}/{r.flow_c:g} degC" for r in pump.ratings
        )
        fixed = pump.charging_pump_l_per_min
        charges = pump.layout if fixed is None else f"{pump.layout} at {fixed:g} L/min"
        parts["heat_pump"] = f"{charges}, {pump.capacity_w:g} W{rated}"
    if element is not None:
        parts["immersion"] = f"{element.power_w:g} W"
    return parts


def refitted(state: State, settings: HomeSettings) -> tuple[str, ...]:
    """Which parts are others than those that the memory was learned of."""
    if not state.fitted:
        return ()  # it does not say
    now = fitted(settings)
    return tuple(p for p in {**state.fitted, **now} if state.fitted.get(p) != now.get(p))


def _unlearned(state: State, settings: HomeSettings) -> State:
    """The memory without what was learned of plant that is gone."""
    plant, parts = plants.of(settings), refitted(state, settings)
    levels = {p.name: plant.level(p.height_m) for p in plant.probes}
    known = state.belief.estimator
    fits = known is None or (known.cylinder, dict(known.probes)) == (plant.believed, levels)
    if not fits or "cylinder" in parts:
        state = replace(state, belief=replace(believe.forgotten(state.belief), estimator=None))
    if not parts:
        return state
    watch, book = state.watch, state.book
    column = "cylinder" in parts or "probes" in parts
    kept = {n: r for n, r in watch.reheats.items() if not column and n not in parts}
    suspicions = {k: x for k, x in watch.suspicions.items() if k.split("/")[-1] not in parts}
    faults = tuple(
        replace(f, cleared_at=state.at) if f.subject in parts else f for f in state.faults
    )
    if "cylinder" in parts or "immersion" not in state.fitted:  # it is not fitted into a full one
        book = replace(book, drained=_proves_full(plant), refilled_l=0.0, hold_heat_kwh=None)
    return replace(
        state,
        book=book,
        performance=Performance() if "heat_pump" in parts else state.performance,
        hygiene=HygieneClock(mark_s=state.elapsed_s) if "cylinder" in parts else state.hygiene,
        watch=replace(watch, reheats=kept, suspicions=suspicions),
        faults=faults,
        plan=None,
    )


def _proves_full(plant: Plant) -> bool:
    """Whether there is a heater that burns out in an empty cylinder, and a meter that shows it."""
    return "immersion" in plant.sources and bool(plant.of(Quantity.DRAW_FLOW))


def resume(state: State, settings: HomeSettings, now: datetime, elapsed_s: float) -> State:
    """A snapshot's memory in a new process, whose elapsed clock began anew.

    All marks move along so that no time seems to have passed: rests and starts per hour count
    on from where they were. Nothing heard before is fresh, leases are no longer held, and all
    plant is released once: what was sent last need not be remembered. A maintenance hold
    stays. A clock that is behind what was lived was set back: the next step finds that it jumped.
    How long nobody watched is counted where the clock can be believed, see ``unwatched``.
    """
    state = _unlearned(state, settings)
    shift_s = elapsed_s - state.elapsed_s
    moved = partial(shifted, shift_s=shift_s)
    runs = {
        name: replace(
            run,
            started_mark_s=None,
            stopped_mark_s=elapsed_s
            if run.started_mark_s is not None
            else moved(run.stopped_mark_s),
            starts=tuple(moved(m) for m in run.starts),
        )
        for name, run in state.book.runs.items()
    }
    cycle = state.hygiene
    attempt = cycle.attempt
    clock = replace(
        state.clock,
        jumped_at_mark_s=moved(state.clock.jumped_at_mark_s),
        wrong=now.year not in observe.PLAUSIBLE_YEARS,
        began_mark_s=elapsed_s,
        away_s=max(0.0, (now - state.at).total_seconds()),
    )
    resumed = replace(
        state,
        at=max(now, state.at),
        elapsed_s=elapsed_s,
        connected=None,
        clock=clock,
        fitted=fitted(settings),
        heard={
            name: Heard(h.value, h.measured_s, elapsed_s, STALE) for name, h in state.heard.items()
        },
        belief=replace(
            state.belief,
            mark_s=moved(state.belief.mark_s),
            astray_mark_s=None,
            contradict_mark_s=None
            if state.belief.contradict_mark_s is None
            else moved(state.belief.contradict_mark_s),
            heard_mark_s=None,
        ),
        draws=replace(
            state.draws,
            rate_l_per_min=0.0,
            heat_mark_s=NEVER,
            heat_kwh=None,
            held=tuple(replace(h, mark_s=moved(h.mark_s)) for h in state.draws.held),
        ),
        book=replace(
            state.book,
            leases={},
            runs=runs,
            hold_mark_s=moved(state.book.hold_mark_s),
            blocked_mark_s=moved(state.book.blocked_mark_s),
        ),
        hygiene=replace(
            cycle,
            hold=None,
            attempt=None if attempt is None else replace(attempt, mark_s=elapsed_s, rise=None),
            failed_mark_s=moved(cycle.failed_mark_s),
            mark_s=elapsed_s,
        ),
        around=replace(state.around, mark_s=NEVER),
        watch=watching.moved(state.watch, shift_s),
        planning=replace(
            state.planning,
            asked={},
            asked_mark_s={},
            failed={},
            failed_mark_s={},
            learned_mark_s=NEVER,
            forecast_slot_s=-1,
            planned_mark_s=moved(state.planning.planned_mark_s),
            plan_stale="restarted",
        ),
    )
    return unwatched(owing(resumed, settings), observe.away_s(clock))


def owing(state: State, settings: HomeSettings) -> State:
    """The memory of a new process: what the one before it sent last need not be remembered."""
    everything = tuple(a.name for a in settings.wiring.actuators)
    return replace(state, book=replace(state.book, owed=everything))


def unwatched(state: State, more_s: float) -> State:
    """The memory once it is known that nobody watched for so much longer before it was resumed.

    The time since the last disinfection grows by it, and water that stood, was drawn and heated
    for long is not what it was.

    Args:
        state: of a process that began from a snapshot.
        more_s: what is known of by now beyond what was counted; below 0 where that was too much.
    """
    cycle, belief = state.hygiene, state.belief
    since_s = state.elapsed_s - state.clock.began_mark_s
    if cycle.since_pass_s >= since_s:  # it was not passed since
        cycle = replace(cycle, since_pass_s=max(since_s, cycle.since_pass_s + more_s))
    if more_s > believe.UNWATCHED_S:
        belief = believe.forgotten(belief)
    elif more_s > 0.0:
        belief = replace(belief, mark_s=belief.mark_s - more_s)
    return replace(state, hygiene=cycle, belief=belief)
