"""When learning, forecasting and planning are due, and what becomes of their results.

All three are asked for as ``Work`` and come back as inputs; nothing here computes them. The plan
is a policy: for whatever charge there is it holds the level to charge up to, so an old plan stays
useful until its horizon ends, and a missing one is replaced by keeping the reserve.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from zoneinfo import ZoneInfo

import numpy as np

from adapters.types import PriceSeries
from adapters.wiring import Quantity
from forecasting import calendar
from forecasting.draws import DrawModel, typical_week
from forecasting.surroundings import AroundModel
from forecasting.types import DemandForecast, Floats, Household, Measured, Surroundings, Visit
from service.control import around, circulation, hygiene, rules
from service.control.draw_history import failed_after_s
from service.control.situation import Situation
from service.control.state import Performance, Planning, State, changed
from service.control.types import Draw, Wish, Work, WorkDone, WorkKind
from service.scheduling.types import Now, Plan, SourceName
from service.settings import HomeSettings, marked_day

LEARN_EVERY_S = 86_400.0
ANSWER_WITHIN_S = 180.0  # a worker that says nothing for this long is asked again
RETRY_S = 300.0
DEPARTED_TENTHS = 1.5
DEPARTED_EVERY_S = 900.0
RECENT_DAYS = 3
PAST_TOLD_S = 30.0


@dataclass(frozen=True)
class LearnArguments:
    """What learning needs besides the history."""

    household: Household
    zone: ZoneInfo
    now_s: int


@dataclass(frozen=True)
class ForecastArguments:
    """What a forecast needs."""

    model: DrawModel
    zone: ZoneInfo
    now_s: int
    slot_minutes: int
    horizon_h: int
    visits: tuple[Visit, ...]
    drawn: tuple[Draw, ...]
    watched_from_s: int
    watched_to_s: int
    around: AroundModel
    weather: Surroundings | None
    recent: Measured
    settings: HomeSettings


@dataclass(frozen=True)
class PlanArguments:
    """What a plan needs. ``reserve_l40`` is the charge that must still be there in each slot."""

    settings: HomeSettings
    now_s: int
    demand: DemandForecast
    surroundings: Surroundings
    prices: tuple[PriceSeries, ...]
    state_now: Now
    reserve_l40: Floats
    reserve_why: tuple[str, ...]
    charge_to: tuple[tuple[int, float], ...]  # (by when, litres at 40 degC)
    disinfect_by_s: int | None
    disinfect_from_s: int
    disinfect_to_c: float
    disinfect_least_c: float
    disinfect_hold_s: float
    unavailable: tuple[SourceName, ...]
    loss_w_per_k: float
    ambient_c: float
    performance: Performance


def household(settings: HomeSettings) -> Household:
    """What forecasting is told about the people."""
    t, w = settings.tunables, settings.wiring
    return Household(
        occupants=t.occupants,
        floor_area_m2=t.floor_area_m2,
        country=w.country,
        subdivision=w.subdivision,
        learning_window_weeks=t.learning.window_weeks,
        half_life_weeks=t.learning.half_life_weeks,
        weekday_sharing=t.learning.weekday_sharing,
        since=t.learning.since,
        marked_days=tuple(marked_day(x) for x in t.learning.marked_days),
    )


def accept(
    state: State, done: tuple[WorkDone, ...], elapsed_s: float
) -> tuple[State, DemandForecast | None, Plan | None]:
    """Take results in; those nobody waits for any more are ignored."""
    made_demand: DemandForecast | None = None
    made_plan: Plan | None = None
    for result in done:
        p = state.planning
        if p.asked.get(result.kind) != result.number:
            continue
        asked = {k: v for k, v in p.asked.items() if k != result.kind}
        failed = {k: v for k, v in p.failed.items() if k != result.kind}
        p = changed(p, asked=asked, failed=failed)
        if result.failed is not None:
            p = changed(
                p,
                failed={**failed, result.kind: result.failed[:200]},
                failed_mark_s={**p.failed_mark_s, result.kind: elapsed_s},
            )
            state = changed(state, planning=p)
            continue
        if result.kind == "learn" and result.model is not None:
            week = tuple(tuple(row) for row in typical_week(result.model).tolist())
            state = changed(state, model=result.model, week_l40=week)
            # It knows what was stored when it was asked for, not what came meanwhile.
            mark_s = p.asked_mark_s.get("learn", elapsed_s)
            p = changed(p, learned_mark_s=mark_s, forecast_slot_s=-1)
        elif result.kind == "forecast" and result.demand is not None:
            made_demand = result.demand
            state = changed(
                state, demand=made_demand, surroundings=result.surroundings or state.surroundings
            )
            p = changed(p, plan_stale=p.plan_stale or "new_forecast")
        elif result.kind == "plan" and result.plan is not None:
            made_plan = result.plan
            state = changed(state, plan=made_plan)
            p = changed(p, planned_mark_s=elapsed_s)
        state = changed(state, planning=p)
    return state, made_demand, made_plan


def due(s: Situation) -> tuple[Planning, tuple[Work, ...]]:
    """Which work to ask for now."""
    state, p = s.state, s.state.planning
    if s.state.clock.wrong or s.stopping:
        return p, ()
    work: list[Work] = []

    def ask(kind: WorkKind, arguments: object, history_from_weeks: float | None = None) -> None:
        nonlocal p
        number = p.number + 1
        since = None if history_from_weeks is None else s.now - timedelta(weeks=history_from_weeks)
        work.append(Work(kind, number, s.now, since, arguments))
        p = changed(
            p,
            number=number,
            asked={**p.asked, kind: number},
            asked_mark_s={**p.asked_mark_s, kind: s.elapsed_s},
        )

    def free(kind: WorkKind) -> bool:
        out = kind in p.asked and s.elapsed_s - p.asked_mark_s[kind] < ANSWER_WITHIN_S
        lately = kind in p.failed and s.elapsed_s - p.failed_mark_s[kind] < RETRY_S
        return not out and not lately

    if s.settings.version != p.settings_version:
        p = changed(
            p,
            settings_version=s.settings.version,
            plan_stale="settings",
            forecast_slot_s=-1,
            learned_mark_s=p.learned_mark_s
            if state.model is not None and state.model.household == household(s.settings)
            else -1e12,
        )
    past = (
        p.learned_mark_s < state.draws.past_mark_s < s.elapsed_s - PAST_TOLD_S
    )  # a stored past has been told to its end
    learn_due = state.model is None or s.elapsed_s - p.learned_mark_s >= LEARN_EVERY_S or past
    if learn_due and free("learn"):
        ask(
            "learn",
            LearnArguments(household(s.settings), s.plant.zone, int(s.now_s)),
            s.settings.tunables.learning.window_weeks,
        )
    slot_s = s.settings.tunables.slot_minutes * 60
    stride_s = slot_s * s.settings.tunables.replan_every_slots
    slot_due = p.forecast_slot_s < 0 or not (
        p.forecast_slot_s <= s.now_s < p.forecast_slot_s + stride_s
    )
    known = state.model is not None and state.around.model is not None
    # What was drawn since is no longer to come: a plan made anew begins with a new forecast, and
    # in the slot that holds now.
    lately = s.elapsed_s - p.planned_mark_s <= DEPARTED_EVERY_S
    gone = not p.plan_stale and not lately and departed(s)
    old = bool(p.plan_stale) and s.now_s >= p.forecast_slot_s + slot_s
    if known and (slot_due or gone or old or state.demand is None) and free("forecast"):
        grid_start = calendar.grid(int(s.now_s), s.plant.zone, s.settings.tunables.slot_minutes, 1)
        p = changed(p, forecast_slot_s=int(grid_start.start_s[0]))
        ask("forecast", forecast_arguments(s))
    waiting = "forecast" in p.asked
    if gone:
        p = changed(p, plan_stale="departed")
    if (
        p.plan_stale
        and not waiting
        and state.demand is not None
        and state.surroundings is not None
        and s.estimate is not None
        and free("plan")
        and not _all_left_alone(s)
    ):
        ask("plan", plan_arguments(s, state.demand, state.surroundings))
        p = changed(p, plan_stale="")
    return p, tuple(work)


def departed(s: Situation) -> bool:
    """Whether the charge is far from what the plan expected."""
    made, slot = s.state.plan, s.slot_now
    if made is None or slot is None or s.charge_l40 is None:
        return False
    begin, end = int(made.grid.start_s[slot]), int(made.grid.end_s[slot])
    share = (s.now_s - begin) / max(end - begin, 1)
    expected = (1 - share) * made.expected_l40[slot] + share * made.expected_l40[slot + 1]
    return abs(s.charge_l40 - float(expected)) > DEPARTED_TENTHS * s.plant.tenth_l40


def visits(s: Situation) -> tuple[Visit, ...]:
    """Guests and absences that somebody announced."""
    return tuple(
        Visit(
            int(o.since.timestamp()),
            int(o.until.timestamp()),
            o.people or 0.0,
            o.wish is Wish.AWAY,
        )
        for o in s.state.overrides
        if o.wish in (Wish.GUESTS, Wish.AWAY) and o.ended_at is None and o.until is not None
    )


def forecast_arguments(s: Situation) -> ForecastArguments:
    """Everything a forecast is made from."""
    t = s.settings.tunables
    return ForecastArguments(
        model=s.state.model,  # type: ignore[arg-type]
        zone=s.plant.zone,
        now_s=int(s.now_s),
        slot_minutes=t.slot_minutes,
        horizon_h=t.horizon_h,
        visits=visits(s),
        drawn=s.state.recent_draws,
        watched_from_s=int(s.now_s) - RECENT_DAYS * 86_400,
        watched_to_s=_watched_to_s(s),
        around=s.state.around.model,  # type: ignore[arg-type]
        weather=s.state.weather,
        recent=around.measured(s.state.around.rows),
        settings=s.settings,
    )


def _watched_to_s(s: Situation) -> int:
    """Until when a draw would have been seen: not since a flow meter failed, s since 1970."""
    meters, heard = s.plant.of(Quantity.DRAW_FLOW), s.state.heard
    if not meters:
        return int(s.now_s)
    known = [heard[m.name].measured_s for m in meters if m.name in heard]
    known += [d.end.timestamp() for d in s.state.recent_draws[-1:]]
    last_s = max(known, default=0.0)
    silent_s = failed_after_s(m.stale_after_s for m in meters)
    return int(s.now_s if s.now_s - last_s <= silent_s else last_s)


def plan_arguments(
    s: Situation, demand: DemandForecast, surroundings: Surroundings
) -> PlanArguments:
    """Everything a plan is made from."""
    from service.control.leases import resting_for_s  # noqa: PLC0415

    reserve, why, charge_to = wanted_l40(s, demand)
    when = hygiene.due(s)
    disinfect_by = None
    if when.ours and when.in_s < s.settings.tunables.horizon_h * 3600.0:
        disinfect_by = int(s.now_s + max(when.in_s - hygiene.PLANNED_EARLY_S, 0.0))
    running = next((n for n in s.plant.sources if s.running(n)), None)
    run = s.state.book.runs.get(running) if running else None
    pump = s.state.book.runs.get("heat_pump")
    return PlanArguments(
        settings=s.settings,
        now_s=int(s.now_s),
        demand=demand,
        surroundings=surroundings,
        prices=s.state.prices,
        state_now=Now(
            usable_l40=s.charge_l40 or 0.0,
            lukewarm_kwh=float(s.estimate.lukewarm_kwh) if s.estimate is not None else 0.0,
            running=running,
            running_for_s=s.elapsed_s - run.started_mark_s
            if run is not None and run.started_mark_s is not None
            else 0.0,
            resting_for_s=resting_for_s(pump, s.elapsed_s),
        ),
        reserve_l40=reserve,
        reserve_why=why,
        charge_to=charge_to,
        disinfect_by_s=disinfect_by,
        disinfect_from_s=disinfect_by - int(hygiene.RETURN_WINDOW_S)
        if disinfect_by is not None and when.why == "return"
        else 0,
        disinfect_to_c=hygiene.target_c(s.plant),
        disinfect_least_c=hygiene.least_c(s.plant),
        disinfect_hold_s=s.settings.tunables.hygiene.hold_s,
        unavailable=tuple(n for n in s.plant.sources if _lost(s, n)),
        loss_w_per_k=float(s.estimate.loss_w_per_k)
        + circulation.mean_loss_w_per_k(s.state.belief, s.plant)
        if s.estimate is not None
        else s.plant.cylinder.loss_w_per_k,
        ambient_c=s.settings.wiring.cylinder.ambient_c,
        performance=s.state.performance,
    )


def _all_left_alone(s: Situation) -> bool:
    """Whether nothing is left to plan with: no actuator is wired, or faults, which are told.

    After a fault it waits until a source is tried.
    """
    commanded = [name for name, source in s.plant.sources.items() if source.actuators]
    return all(s.left_alone(name) for name in commanded)


def _lost(s: Situation, name: SourceName) -> bool:
    """Whether a source cannot be counted on: quiet hours end, a fault may not."""
    source = s.plant.sources[name]
    return not source.actuators or s.left_alone(name)


def wanted_l40(
    s: Situation, demand: DemandForecast
) -> tuple[Floats, tuple[str, ...], tuple[tuple[int, float], ...]]:
    """The reserve in each slot as people changed it, why, and charges wanted by a time."""
    grid = demand.grid
    reserve = np.full(len(grid), s.reserve_l40)
    why = ["reserve"] * len(grid)
    most = s.plant.litres(s.settings.tunables.highest_tenths)
    charge_to: list[tuple[int, float]] = []
    # An absence takes the household's own reserve, whatever else is asked for and in what order.
    for o in sorted(s.state.overrides, key=lambda o: o.wish is not Wish.AWAY):
        if o.ended_at is not None or o.until is None:
            continue
        begin, end = o.since.timestamp(), o.until.timestamp()
        within = (grid.end_s > begin) & (grid.start_s < end)
        if o.wish in (Wish.MORE, Wish.LESS):
            sign = 1.0 if o.wish is Wish.MORE else -1.0
            reserve[within] += sign * s.plant.tenth_l40
            _say(why, within, "override")
        elif o.wish is Wish.GUESTS:
            reserve[within] += (o.people or 0.0) * rules.draw_per_person_l40(s) / 2.0
            _say(why, within, "guests")
        elif o.wish is Wish.AWAY:
            reserve[(grid.start_s >= begin) & (grid.end_s <= end)] = 0.0
        elif o.wish is Wish.CHARGE_TO and o.tenths is not None:
            charge_to.append((int(end), min(s.plant.litres(o.tenths), most)))
    return np.clip(reserve, 0.0, most), tuple(why), tuple(charge_to)


def _say(why: list[str], within: np.ndarray, word: str) -> None:
    for i in np.flatnonzero(within).tolist():
        why[i] = word
