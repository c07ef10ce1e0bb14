"""What a person or a machine sees of a home now."""

from __future__ import annotations

from adapters.wiring import Quantity
from service.control import disinfecting, hygiene, observe, overrides
from service.control.detectors import FLUSH
from service.control.situation import Situation
from service.control.state import Facts
from service.control.types import Decision, Rule, View
from service.scheduling.types import Reason

EVENING_H = 12.0
UNSURE_TENTHS = 2.0  # from so many between sure and likely on, the difference is said


def make(s: Situation, decision: Decision | None, week: tuple[tuple[float, ...], ...]) -> View:
    """The view of this moment."""
    state, plant, found = s.state, s.plant, s.estimate
    if s.upside_down is not None:
        found = None  # nobody is promised water on the word of probes that contradict each other
    when, pump = hygiene.due(s), state.performance
    return View(
        at=s.now,
        v40_l=None if found is None else float(found.v40_l),
        v40_low_l=None if found is None else float(found.v40_low_l),
        v40_high_l=None if found is None else float(found.v40_high_l),
        reference_l40=plant.reference_l40,
        shown_tenths=None if found is None else state.belief.shown_tenths,
        lukewarm_kwh=None if found is None else float(found.lukewarm_kwh),
        profile_c=() if found is None else tuple(found.profile_c.tolist()),
        probes_c={p.name: s.fresh.get(p.name) for p in plant.probes},
        ages_s={
            name: state.heard[name].age_at(s.elapsed_s) if name in state.heard else None
            for name in plant.signals
        },
        cold_inlet_c=state.belief.cold_c,
        outdoor_c=observe.first_fresh(plant, s.fresh, Quantity.OUTDOOR_TEMPERATURE),
        drawn_today_l40=state.drawn_today_l40,
        running=tuple(n for n, lease in state.book.leases.items() if lease.action == "run"),
        mode=decision.rule if decision is not None else Rule.FAIL_SAFE,
        lead=lead(s, decision),
        decision=decision,
        plan=disinfecting.still_planned(s),
        demand=state.demand,
        surroundings=state.surroundings,
        overrides=tuple(o for o in state.overrides if overrides.still_to_come(o, s.now)),
        faults=tuple(f for f in state.faults if f.cleared_at is None),
        loses=loses(s),
        typical_week_l40=week,
        learned_weight=state.demand.learned_weight if state.demand is not None else 0.0,
        hygiene=hygiene.facts(s, when),
        caution=caution(s),
        profile_sd_c=() if found is None else tuple(found.profile_sd_c.tolist()),
        values={name: s.fresh.get(name) for name in plant.signals},
        tally=state.hygiene.tally,
        capacity_share=pump.heat.scale if pump.heat.known else None,
        cop_share=pump.cop.scale if pump.cop.known else None,
    )


def caution(s: Situation) -> str | None:
    """What somebody at a tap must know now; the graver one of two."""
    if hygiene.hotter_than_usual(s):
        return "hotter_than_usual"
    flush = any(f.code == FLUSH[0] and f.cleared_at is None for f in s.state.faults)
    return FLUSH[0] if flush else None


def loses(s: Situation) -> tuple[str, ...]:
    """What each missing instrument costs, as codes."""
    plant, lost = s.plant, []
    if not plant.probes:
        lost.append("no_probe_no_charge")
    elif len(plant.probes) == 1:
        lost.append("one_probe_wide_band")
    if not plant.of(Quantity.DRAW_FLOW):
        lost.append("no_flow_meter_draws_from_profile")
    if not plant.of(Quantity.COLD_INLET_TEMPERATURE):
        lost.append("no_cold_inlet_seasonal_guess")
    if "heat_pump" in plant.sources and not (
        plant.of(Quantity.HEAT_PUMP_ELECTRICITY) or plant.of(Quantity.HEAT_PUMP_HEAT)
    ):
        lost.append("no_heat_pump_meter_effect_from_temperatures")
    if "immersion" in plant.sources and not plant.of(Quantity.IMMERSION_ELECTRICITY):
        lost.append("no_immersion_meter_effect_from_temperatures")
    if "heat_pump" in plant.sources and not plant.of(Quantity.OUTDOOR_TEMPERATURE):
        lost.append("no_outdoor_seasonal_guess")
    if not plant.tells_surplus:
        lost.append("no_export_no_surplus")
    if plant.settings.wiring.cylinder.mixing_valve_c is None:
        lost.append("no_mixing_valve_no_disinfection")
    return tuple(lost)


def lead(s: Situation, decision: Decision | None) -> Reason:
    """What matters next, as code and facts."""
    if decision is not None and decision.rule in (
        Rule.HARD_LIMITS,
        Rule.FAIL_SAFE,
        Rule.MAINTENANCE_HOLD,
        Rule.HYGIENE,
    ):
        return decision.reason
    sure, demand, tenth_l40 = s.sure_l40, s.state.demand, s.plant.tenth_l40
    if sure is None:
        return Reason("nothing_known_yet", {})
    if demand is None:
        return Reason("charge_known_habits_not_yet", {"usable_l40": round(sure)})
    at = s.now_s
    slot = max(int(demand.grid.start_s.searchsorted(at, side="right")) - 1, 0)
    expected = demand.expected_l40
    ends = demand.grid.end_s
    # The next use that matters: the slot with most use within half a day.
    until = int(ends.searchsorted(at + EVENING_H * 3600.0, side="left")) + 1
    ahead = expected[slot:until]
    if not len(ahead):
        return Reason("charge_known_habits_not_yet", {"usable_l40": round(sure)})
    peak = slot + int(ahead.argmax())
    needed = float(expected[slot : peak + 1].sum()) + _spread_l40(s, slot, peak)
    spare = sure - needed
    facts: Facts = {
        "at": int(demand.grid.start_s[peak]),
        "expected_l40": round(float(expected[slot : peak + 1].sum())),
        "usable_l40": round(sure),
        "spare_l40": round(spare),
    }
    made = s.state.plan
    window = None
    if made is not None:
        window = next((w for w in made.windows if w.end_s > at), None)
    if spare >= 0:
        return Reason("enough_for_next", facts)
    if window is not None and window.start_s < int(demand.grid.start_s[peak]):
        facts |= {
            "window_start": window.start_s,
            "window_end": window.end_s,
            "target_tenths": window.target_tenths,
            "running": decision.inputs.get("running") if decision is not None else None,
            "waits_for": decision.inputs.get("waits_for") if decision is not None else None,
        }
        return Reason("charging_before_next", facts)
    likely = s.charge_l40
    if likely is not None and likely - needed >= 0 and likely - sure >= UNSURE_TENTHS * tenth_l40:
        return Reason("probably_enough_for_next", facts | {"likely_l40": round(likely)})
    return Reason("short_for_next", facts)


def _spread_l40(s: Situation, first: int, last: int) -> float:
    """How much more than expected may well be drawn in these slots: a standard deviation."""
    demand = s.state.demand
    assert demand is not None
    return float(demand.variance_l40[first : last + 1].sum() ** 0.5)
