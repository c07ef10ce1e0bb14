"""The one function at the centre: what is known, what arrived and what time it is, to what to do.

Pure: it reads no clock, socket, file or chance. Live service, replay of a year and a test drive
this same function.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

from adapters.wiring import Quantity
from service.control import (
    around,
    beginning,
    believe,
    circulation,
    disinfecting,
    draws,
    heat_input,
    hygiene,
    leases,
    metering,
    observe,
    overrides,
    performance,
    planning,
    precedence,
    price_series,
    refill,
    rules,
    supervision,
    view,
)
from service.control import plant as plants
from service.control.detectors import without_heat
from service.control.plant import Plant
from service.control.situation import Situation, upside_down
from service.control.state import State, changed
from service.control.types import Decision, Draw, Inputs, Outputs
from service.cylinder.usable import heat_above_cold_kwh
from service.scheduling import plan as scheduling
from service.settings import HomeSettings

LONGEST_SLEEP_S = 300.0
LONGEST_PAUSE_S = 1800.0  # of the step, while readings keep coming
LONGEST_LIVED_S = 6 * 3600.0  # a longer pause between steps was no life at all
DRAWS_KEPT = 400
PAST = timedelta(hours=12)  # a draw-off that ended longer ago came from a stored past


def step(
    state: State, settings: HomeSettings, inputs: Inputs, now: datetime, elapsed_s: float
) -> tuple[State, Outputs]:
    """Live from the last step to now.

    Args:
        state: from ``start``, ``snapshot.from_plain`` or the last step.
        settings: the home's settings at ``now``.
        inputs: what arrived since the last step.
        now: aware UTC wall time; it may jump.
        elapsed_s: monotonic seconds; never less than before (a smaller value counts as no time).

    Returns:
        The new state, and what this step asks of the world.
    """
    elapsed_s = max(elapsed_s, state.elapsed_s)
    plant = plants.of(settings)
    before = state.overrides
    lived_s = min(elapsed_s - state.elapsed_s, LONGEST_LIVED_S)
    was = state.clock
    clock = observe.clock(was, state.at, state.elapsed_s, now, elapsed_s)
    jumped = clock.jumps != was.jumps
    observed = observe.take(state, plant, inputs.readings, elapsed_s)
    fresh = observed.fresh
    unheard = bool(observed.news) and observe.unheard(state, plant, elapsed_s, believe.UNWATCHED_S)
    state = changed(
        state,
        clock=clock,
        connected=state.connected if inputs.broker_connected is None else inputs.broker_connected,
        heard=observed.heard,
        overrides=state.overrides
        if inputs.overrides is None
        else overrides.receive(state.overrides, inputs.overrides),
        weather=inputs.weather or state.weather,
        prices=price_series.kept(state.prices, inputs.prices, now),
    )
    news_in = inputs.overrides is not None or bool(inputs.prices) or inputs.weather is not None
    if news_in or jumped:
        state = changed(
            state,
            planning=changed(
                state.planning,
                plan_stale="inputs" if news_in else "clock",
                forecast_slot_s=-1
                if inputs.overrides is not None or jumped
                else state.planning.forecast_slot_s,
            ),
        )
    if jumped:
        meters = {name: m.not_after(now.timestamp()) for name, m in state.meters.items()}
        state = changed(state, meters=meters)
        more_s = observe.away_s(clock) - observe.away_s(was)
        if more_s:
            state = beginning.unwatched(state, more_s)

    meter = metering.live(
        state.meters, state.rates, plant, inputs.readings, fresh, elapsed_s, lived_s
    )
    cold_c, cold_measured = believe.cold_inlet_c(state, plant, fresh, now)
    stood = state.belief.estimate
    drawn = draws.metered(
        state.draws,
        meter.meters,
        plant,
        observed,
        now.timestamp(),
        elapsed_s,
        jumped,
        plant.set_c if stood is None else float(stood.profile_c[-1]),
        cold_c,
    )
    finished = drawn.finished
    outdoor_c = around.outdoor_c(state, plant, fresh, now.timestamp())
    put = heat_input.since_stride(state, plant, meter, fresh, outdoor_c, lived_s)
    known = performance.follow(state, plant, meter, fresh, outdoor_c, lived_s)
    added_kwh = sum(put.kwh.values()) - sum(state.belief.heat_kwh.values())
    state = changed(
        state,
        meters=drawn.meters,
        rates=meter.rates,
        performance=known,
        draws=drawn.watch,
        belief=changed(
            state.belief,
            drawn_l=state.belief.drawn_l + drawn.live_l,
            heat_kwh=put.kwh,
            metered=put.measured,
            unclaimed_kwh=put.unclaimed_kwh,
        ),
    )
    probes_c = {p.name: fresh[p.name] for p in plant.probes if p.name in fresh}
    ambient = observe.first_fresh(plant, fresh, Quantity.AMBIENT_TEMPERATURE)
    flow = plant.of(Quantity.DRAW_FLOW)
    if unheard:
        state = changed(state, belief=believe.forgotten(state.belief))
    # By the faults told until now; those that this step tells speak in the situation's.
    contradict = upside_down(probes_c, state.faults) is not None
    circulated_s = circulation.ran_s(plant, fresh, now, lived_s)
    belief = believe.advance(
        circulation.lived(state.belief, circulated_s, lived_s),
        plant,
        probes_c,
        cold_c,
        settings.wiring.cylinder.ambient_c if ambient is None else ambient,
        bool(flow) and flow[0].name in fresh,
        any(p.name in observed.news for p in plant.probes),
        elapsed_s,
        heat_input.returned_c(state, plant, fresh, outdoor_c),
        heat_input.moved_l_per_kwh(state, plant, fresh, outdoor_c),
        cold_measured=cold_measured,
        contradict=contradict,
        expected_l40_per_s=believe.expected_l40_per_s(state, now),
    )
    state = changed(state, belief=belief)
    if contradict:  # what seems to come and go meanwhile is no water
        state = changed(state, draws=changed(state.draws, heat_kwh=None))
    elif not flow and belief.estimate is not None and probes_c:
        state, more = _draws_by_profile(
            state, plant, added_kwh, put.assumed_of, cold_c, now, elapsed_s, circulated_s > 0.0
        )
        finished = (*finished, *more)
    state = _count_draws(state, plant, finished, now, elapsed_s)

    situation = Situation(
        state=state,
        settings=settings,
        plant=plant,
        now=now,
        elapsed_s=elapsed_s,
        fresh=fresh,
        standing=overrides.standing(state.overrides, now),
        estimate=belief.estimate if probes_c else None,
        watts=meter.watts,
        stopping=inputs.stopping,
    )
    cycle, evidence = hygiene.advance(situation, drawn.live_l, lived_s)
    state = changed(state, hygiene=cycle)
    situation = situation.with_state(state)
    book = refill.follow(
        state,
        before,
        plant,
        situation.heat_by_probes_kwh if state.overrides is not before else None,
        drawn.live_l,
        elapsed_s,
    )
    state = changed(state, book=book)
    situation = situation.with_state(state)
    surround = around.follow(
        state.around,
        plant,
        fresh,
        state.draws.cold_c if state.draws.runs else None,
        situation.surplus_w,
        now,
        elapsed_s,
    )
    state = changed(state, around=surround)
    situation = situation.with_state(state)
    gone = tuple(f for f in state.faults if f.cleared_at is not None)  # with the plant they were of
    watch, faults, news = supervision.advance(
        situation, observed.nonsense, inputs.acknowledged_faults
    )
    state = changed(state, watch=watch, faults=faults)
    state, demand_made, plan_made = planning.accept(state, inputs.work_done, elapsed_s)
    situation = situation.with_state(state)
    if any(e.passed for e in evidence):
        state = changed(state, planning=changed(state.planning, plan_stale="disinfected"))
        situation = situation.with_state(state)
    stronger = any(rules.JUDGES[rule](situation) for rule in hygiene.SUSPENDED_BY)
    cycle, failed = (
        (disinfecting.suspended(situation), ())
        if stronger
        else disinfecting.begin_or_end(situation)
    )
    if cycle is not state.hygiene:
        state = changed(state, hygiene=cycle)
        situation = situation.with_state(state)

    ruling = precedence.decide(rules.JUDGES, situation)
    carried = leases.carry_out(situation, ruling)
    state = changed(state, book=carried.book)
    situation = situation.with_state(state)
    after, work = planning.due(situation)
    decision = _decision(situation, ruling, carried)
    made = _is_news(state.decision, decision)
    if not made and state.decision is not None:  # as old and with the same commands, on new figures
        decision = replace(decision, at=state.decision.at, commands=state.decision.commands)
    state = changed(
        state,
        at=now,
        elapsed_s=elapsed_s,
        steps=state.steps + 1,
        planning=after,
        decision=decision,
    )
    situation = situation.with_state(state)
    due_s, silent_s = _due_in_s(situation), _silent_in_s(situation)
    return state, Outputs(
        commands=carried.commands,
        decision=decision if made else None,
        wake_at=now + timedelta(seconds=max(1.0, min(due_s, silent_s))),
        due_at=now + timedelta(seconds=max(1.0, due_s)),
        work=work,
        draws=finished,
        faults=(*gone, *news),
        evidence=(*evidence, *failed),
        forecast_made=demand_made,
        plan_made=plan_made,
        view=view.make(situation, state.decision, state.week_l40),
    )


def _draws_by_profile(
    state: State,
    plant: Plant,
    added_kwh: float,
    assumed_of: tuple[str, ...],
    cold_c: float,
    now: datetime,
    elapsed_s: float,
    circulates: bool,
) -> tuple[State, tuple[Draw, ...]]:
    found = state.belief.estimate
    assert found is not None
    volumes = plant.cylinder.layer_volumes_l(len(found.profile_c))
    heat = float(heat_above_cold_kwh(found.shown_c, volumes, cold_c))
    ambient = plant.settings.wiring.cylinder.ambient_c
    loss_kw = float(found.loss_w_per_k) * (float(found.shown_c.mean()) - ambient) / 1000.0
    if circulates:
        loss_w_per_k = circulation.loss_w_per_k(found, plant)
        loss_kw += loss_w_per_k * (float(found.shown_c[-1]) - ambient) / 1000.0
    watch, done = draws.by_profile(
        state.draws, heat, loss_kw, added_kwh, cold_c, now, elapsed_s, assumed_of
    )
    watch, told = draws.vouched_for(
        watch, state.watch.heats_mark_s, without_heat(state.faults), elapsed_s
    )
    return changed(state, draws=watch), (*done, *told)


def _count_draws(
    state: State, plant: Plant, finished: tuple[Draw, ...], now: datetime, elapsed_s: float
) -> State:
    today = now.astimezone(plant.zone).date().isoformat()
    if not finished and today == state.today:
        return state
    total = state.drawn_today_l40 if today == state.today else 0.0
    for draw in finished:
        if draw.measured_by == "doubtful":
            continue
        if draw.end.astimezone(plant.zone).date().isoformat() == today:
            total += draw.litres_40c
    if any(d.end < now - PAST for d in finished):
        state = changed(state, draws=changed(state.draws, past_mark_s=elapsed_s))
    recent = (*state.recent_draws, *finished)
    if len(recent) > DRAWS_KEPT or today != state.today:
        oldest = now - timedelta(days=planning.RECENT_DAYS)
        recent = tuple(d for d in recent if d.end >= oldest)[-DRAWS_KEPT:]
    return changed(state, today=today, drawn_today_l40=total, recent_draws=recent)


def _decision(s: Situation, ruling: precedence.Ruling, carried: leases.Carried) -> Decision:
    held = {name: lease for name, lease in carried.book.leases.items() if lease.action == "run"}
    inputs: dict[str, float | int | str | None] = {
        "charge_l40": None if s.charge_l40 is None else round(s.charge_l40),
        "sure_l40": None if s.sure_l40 is None else round(s.sure_l40),
        "hottest_c": None if s.hottest_c is None else round(s.hottest_c, 1),
        "running": ", ".join(sorted(held)) or None,
        "waits_for": ", ".join(sorted(set(carried.notes))) or None,
        "plan_made_at": s.state.plan.made_at_s if s.state.plan is not None else None,
    }
    return Decision(s.now, ruling.rule, ruling.reason, carried.commands, inputs)


def _is_news(last: Decision | None, decision: Decision) -> bool:
    """Whether a decision differs from the last one in rule, reason, running plant or waiting."""
    if last is None:
        return True
    same = (
        last.rule is decision.rule
        and last.reason.code == decision.reason.code
        and last.inputs.get("running") == decision.inputs.get("running")
        and last.inputs.get("waits_for") == decision.inputs.get("waits_for")
    )
    return not same


def _due_in_s(s: Situation) -> float:
    """How long the step has nothing to do of itself as long as readings keep coming, s."""
    state, plant = s.state, s.plant
    waits = [LONGEST_PAUSE_S, leases.next_due_s(state.book, s.elapsed_s)]
    if state.hygiene.attempt is not None:  # a hold is watched closely
        waits.append(LONGEST_SLEEP_S)
    made, slot = state.plan, s.slot_now
    if made is not None and slot is not None:
        edges = [edge for w in made.windows for edge in (w.start_s, w.end_s)]
        waits.append(min((e - s.now_s for e in edges if e > s.now_s), default=LONGEST_PAUSE_S))
        charge_l40 = s.charge_l40 or 0.0
        begins_in_s = scheduling.next_start_s(made, s.now_s, charge_l40) - s.now_s
        waits.append(begins_in_s if begins_in_s > 0 else LONGEST_SLEEP_S)  # something holds it back
        below = charge_l40 < float(made.base_stock_l40[slot].max(initial=0.0))
        if below and made.cover_stock_l40.size:  # surplus comes and goes
            waits.append(LONGEST_SLEEP_S)
    slot_s = s.settings.tunables.slot_minutes * 60
    if state.planning.forecast_slot_s > 0:
        into_s = (s.now_s - state.planning.forecast_slot_s) % slot_s
        waits.append(slot_s - into_s)
    edge = overrides.next_edge(state.overrides, s.now)
    if edge is not None:
        waits.append((edge - s.now).total_seconds())
    if state.book.leases:
        for name, run in state.book.runs.items():
            source = plant.sources.get(name)  # type: ignore[call-overload]
            if source is not None and run.started_mark_s is not None:
                waits.append(run.started_mark_s + source.min_run_s - s.elapsed_s)
    return min(w for w in waits if w > 0)


def _silent_in_s(s: Situation) -> float:
    """How long the step may sleep when nothing is heard, s."""
    waits = [LONGEST_SLEEP_S]
    if s.state.book.leases:
        for probe in s.plant.probes:  # a reading that goes stale ends what runs
            if probe.name in s.fresh:
                age = s.state.heard[probe.name].age_at(s.elapsed_s)
                waits.append(probe.stale_after_s - age + 0.1)
    return min(w for w in waits if w > 0)
