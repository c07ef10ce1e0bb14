"""What is believed to be in the cylinder: the estimator's profile, its band, the tenths to show.

The estimator lives on in strides: what was drawn and heated meanwhile is summed up and handed to
it together with the probes' readings.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime

from adapters.wiring import Quantity
from forecasting.surroundings import usual_inlet_c
from service.control import circulation, observe
from service.control.plant import LAYERS, Plant
from service.control.state import Belief, State, changed
from service.cylinder import estimator, tenths, usable
from service.cylinder.estimator import Estimate, EstimatorState, Heat, Observation
from service.scheduling.types import Layout

STRIDE_S = 10.0  # readings closer together are taken together
IDLE_STRIDE_S = 60.0  # without news the estimator need not live more often
COLD_STEP_K = 0.2
COLD_LASTS_S = 3 * 86_400.0  # what the inlet showed while water ran counts for so long
ALL_PROBES_WITHIN_S = 60.0  # a first estimate waits so long for the last probe
ASTRAY_K = 8.0
ASTRAY_FOR_S = 300.0
TOO_HOT_K = 8.0  # an estimate this far above the ceiling has gone astray
FREEZING_C = 0.0
UNCLAIMED_LEAST_KWH = 0.01  # less is what a heat pump takes while it waits
UNWATCHED_S = 3600.0  # in a longer time more can have been drawn or heated than a belief survives


def cold_inlet_c(
    state: State, plant: Plant, fresh: dict[str, float], now: datetime
) -> tuple[float, bool]:
    """Today's cold inlet, degC, and whether it was measured.

    It is what was measured while water ran, what was learned, or the season's.

    A sensor on a standing cold pipe shows the room; its reading counts only as far as it is
    below what is expected otherwise.
    """
    expected = _expected_cold_c(state, plant, now)
    measured = observe.first_fresh(plant, fresh, Quantity.COLD_INLET_TEMPERATURE)
    ran_s = now.timestamp() - state.draws.cold_s
    if state.draws.cold_c is not None and 0 <= ran_s < COLD_LASTS_S:
        return state.draws.cold_c, True
    if measured is not None:
        return min(measured, expected + 3.0), False
    return expected, False


def _expected_cold_c(state: State, plant: Plant, now: datetime) -> float:
    around = state.surroundings
    if around is not None and len(around.cold_inlet_c):
        at = int(now.timestamp())
        i = int(around.grid.start_s.searchsorted(at, side="right")) - 1
        return float(around.cold_inlet_c[min(max(i, 0), len(around.cold_inlet_c) - 1)])
    return usual_inlet_c(int(now.timestamp()), plant.settings.wiring.where)


def expected_l40_per_s(state: State, now: datetime) -> float:
    """What the forecast expects the household to draw now, litres at 40 degC a second."""
    demand, at_s = state.demand, now.timestamp()
    slot = None if demand is None else demand.grid.slot_at(at_s)
    if demand is None or slot is None:
        return 0.0
    lasts_s = int(demand.grid.end_s[slot]) - int(demand.grid.start_s[slot])
    return float(demand.expected_l40[slot]) / lasts_s


def _hot_l(l40: float, lived: EstimatorState, cold_c: float) -> float:
    """How much of the cylinder's top is drawn for litres at 40 degC, L."""
    return usable.hot_volume_l(l40, max(float(lived.cells_c[-1]), usable.USE_C), cold_c)


def forgotten(belief: Belief) -> Belief:
    """The belief when nobody watched for long: the probes alone say what is in the cylinder."""
    return changed(belief, estimate=None, shown_tenths=None, unwatched=True, heard_mark_s=None)


def advance(
    belief: Belief,
    plant: Plant,
    probes_c: dict[str, float],
    cold_c: float,
    ambient_c: float,
    flow_known: bool,
    news: bool,
    elapsed_s: float,
    returned_c: float | None = None,
    moved_l_per_kwh: float | None = None,
    *,
    cold_measured: bool = True,
    contradict: bool = False,
    expected_l40_per_s: float = 0.0,
) -> Belief:
    """Let the estimator live up to now when there is reason to.

    Args:
        belief: with litres and heat since the last stride added already.
        plant: the home's plant.
        probes_c: fresh probe readings by name.
        cold_c: today's cold inlet, degC.
        ambient_c: around the cylinder, degC.
        flow_known: whether a flow meter says what was drawn.
        news: whether a probe was heard in this step.
        elapsed_s: elapsed clock.
        returned_c: what a plate exchanger is believed to return, degC; None without one.
        moved_l_per_kwh: water that goes through it for its heat where its pump's flow is fixed,
            L/kWh; None where it is not.
        cold_measured: whether ``cold_c`` was measured or is only believed.
        contradict: whether the probes show what water cannot be. A few minutes of it are left out;
            what goes on is followed, so that the probe that errs is found, and begun anew from when
            it ends.
        expected_l40_per_s: what the household is expected to draw, litres at 40 degC a second.
    """
    if contradict:
        began_s = elapsed_s if belief.contradict_mark_s is None else belief.contradict_mark_s
        misled = elapsed_s - began_s >= ASTRAY_FOR_S
        belief = changed(belief, contradict_mark_s=began_s, misled=belief.misled or misled)
        if not misled:
            probes_c, news = {}, False
    elif belief.contradict_mark_s is not None and probes_c:
        begin_anew = belief.misled
        belief = changed(belief, contradict_mark_s=None, misled=False)
        if begin_anew and belief.estimator is not None:
            watch = belief.estimator.watch
            belief = _begin(belief, plant, probes_c, cold_c, ambient_c, flow_known, elapsed_s)
            assert belief.estimator is not None
            return changed(belief, estimator=replace(belief.estimator, watch=watch))
    if belief.estimator is None or belief.unwatched:
        if not probes_c:
            return belief
        if belief.heard_mark_s is None:
            belief = changed(belief, heard_mark_s=elapsed_s)
        # One probe of many says little: the others are on their way, or are missed after a while.
        waited_s = elapsed_s - (belief.heard_mark_s or 0.0)
        if len(probes_c) < len(plant.probes) and waited_s < ALL_PROBES_WITHIN_S:
            return belief
        return _begin(belief, plant, probes_c, cold_c, ambient_c, flow_known, elapsed_s)
    expected_c = cold_c
    if not cold_measured:  # the probes have seen what came in
        cold_c = max(cold_c + estimator.inlet_error_k(belief.estimator), FREEZING_C)
    lived_s = elapsed_s - belief.mark_s
    moving = belief.drawn_l > 0.5 or bool(belief.heat_kwh)
    due = lived_s >= STRIDE_S if (news or moving) else lived_s >= IDLE_STRIDE_S
    if not due:
        if belief.estimate is None or abs(cold_c - belief.cold_c) > COLD_STEP_K:
            return _estimated(belief, plant, cold_c)
        return belief
    went_round, waits_s = circulation.since_stride(belief, plant)
    seen = Observation(
        probes_c if news else {},
        belief.drawn_l if flow_known else None,
        cold_c=expected_c,
        ambient_c=ambient_c,
        heat=tuple(_heat(belief.heat_kwh, belief, plant, returned_c, moved_l_per_kwh)),
        cold_measured=cold_measured,
        perhaps=tuple(_perhaps(belief, plant, returned_c, moved_l_per_kwh)),
        heat_known="heat_pump" not in plant.sources or bool(plant.of(Quantity.HEAT_PUMP_HEAT)),
        expected_l=0.0
        if flow_known
        else _hot_l(expected_l40_per_s * lived_s, belief.estimator, cold_c),
        circulation=went_round,
    )
    lived = estimator.advance(belief.estimator, seen, lived_s)
    belief = _estimated(_lived(belief, lived, elapsed_s, waits_s), plant, cold_c)
    if not probes_c:
        return belief
    if _cannot_be(belief, plant, probes_c):
        return _begin(belief, plant, probes_c, cold_c, ambient_c, flow_known, elapsed_s)
    if not _astray(belief, plant, probes_c, flow_known):
        return changed(belief, astray_mark_s=None) if belief.astray_mark_s is not None else belief
    since = belief.astray_mark_s
    if since is None:
        return changed(belief, astray_mark_s=elapsed_s)
    if elapsed_s - since >= ASTRAY_FOR_S:
        return _begin(belief, plant, probes_c, cold_c, ambient_c, flow_known, elapsed_s)
    return belief


def _begin(
    belief: Belief,
    plant: Plant,
    probes_c: dict[str, float],
    cold_c: float,
    ambient_c: float,
    flow_known: bool,
    elapsed_s: float,
) -> Belief:
    seen = Observation(probes_c, 0.0 if flow_known else None, cold_c=cold_c, ambient_c=ambient_c)
    levels = {p.name: plant.level(p.height_m) for p in plant.probes}
    started = estimator.start(plant.believed, levels, seen)
    if belief.unwatched and belief.estimator is not None:
        started = estimator.knowing(started, belief.estimator)
    belief = changed(belief, astray_mark_s=None, unwatched=False)
    return _estimated(_lived(belief, started, elapsed_s), plant, cold_c)


def _lived(
    belief: Belief, now: EstimatorState, elapsed_s: float, circulated_s: float = 0.0
) -> Belief:
    """The belief with an estimator that has lived up to now.

    Nothing waits to be lived through, but what is too little of a circulation to be moved.
    """
    return changed(
        belief,
        estimator=now,
        mark_s=elapsed_s,
        drawn_l=0.0,
        heat_kwh={},
        metered=True,
        unclaimed_kwh=0.0,
        circulated_s=circulated_s,
    )


def _cannot_be(belief: Belief, plant: Plant, probes_c: dict[str, float]) -> bool:
    """Whether the estimate says what no thermostat would allow while no probe shows it."""
    assert belief.estimate is not None
    hottest = float(belief.estimate.profile_c.max())
    return hottest > plant.ceiling_c + TOO_HOT_K and max(probes_c.values()) < plant.ceiling_c


def _astray(belief: Belief, plant: Plant, probes_c: dict[str, float], flow_known: bool) -> bool:
    """Whether probes show something quite different from what is believed where they sit.

    Water that left or came unseen (a drained cylinder, a draw that nothing metered) looks to a
    filter like probes that fail. Where a flow meter is fitted most of them must disagree before
    they are believed; without one a single colder probe is enough, when none above it is colder.
    """
    assert belief.estimate is not None
    profile = belief.estimate.shown_c
    shown = [
        (probes_c[p.name], float(profile[min(int(plant.level(p.height_m) * LAYERS), LAYERS - 1)]))
        for p in plant.probes
        if p.name in probes_c
    ]
    off = sum(abs(value - believed) > ASTRAY_K for value, believed in shown)
    if 2 * off > len(shown):
        return True
    if flow_known or plant.of(Quantity.DRAW_FLOW):
        return False
    return any(
        believed - value > ASTRAY_K and all(v >= value - 1.0 for v, _ in shown[i:])
        for i, (value, believed) in enumerate(shown)
    )


def _perhaps(
    belief: Belief, plant: Plant, returned_c: float | None, moved_l_per_kwh: float | None
) -> list[Heat]:
    """What may have gone into the water: the heat pump's unasked heat."""
    if belief.unclaimed_kwh <= UNCLAIMED_LEAST_KWH:
        return []
    unclaimed = {"heat_pump": belief.unclaimed_kwh}
    return _heat(unclaimed, belief, plant, returned_c, moved_l_per_kwh)


def _heat(
    kwh_by_source: Mapping[str, float],
    belief: Belief,
    plant: Plant,
    returned_c: float | None,
    moved_l_per_kwh: float | None,
) -> list[Heat]:
    heat = []
    for name, kwh in kwh_by_source.items():
        source = plant.sources.get(name)  # type: ignore[call-overload]
        if source is None or kwh <= 0:
            continue
        if source.charging_l_per_min is not None and moved_l_per_kwh is not None:
            heat.append(
                Heat(
                    kwh,
                    "plate",
                    outlet_c=None if belief.metered else returned_c,
                    moved_l=kwh * moved_l_per_kwh,
                    metered=belief.metered,
                    outlet_measured=False,
                )
            )
        elif source.layout is Layout.PLATE:
            heat.append(
                Heat(
                    kwh,
                    "plate",
                    outlet_c=returned_c,
                    metered=belief.metered,
                    outlet_measured=False,
                )
            )
        else:
            top = source.foot  # an element heats where it sits, and its plume does the rest
            built = plant.settings.wiring.cylinder
            if source.layout is Layout.COIL:
                head_m = built.coil_head_m
                top = 1.0 if head_m is None else max(plant.level(head_m), source.foot)
            heat.append(Heat(kwh, "direct", source.foot, top, metered=belief.metered))
    return heat


def _estimated(belief: Belief, plant: Plant, cold_c: float) -> Belief:
    assert belief.estimator is not None
    use_c = plant.settings.wiring.cylinder.use_c
    found: Estimate = estimator.estimate(belief.estimator, cold_c, use_c)
    shown = tenths.shown_tenths(found.v40_low_l, plant.reference_l40, belief.shown_tenths)
    return changed(belief, estimate=found, cold_c=cold_c, shown_tenths=shown)
