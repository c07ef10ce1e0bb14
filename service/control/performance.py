"""What meters teach about a heat pump: how far its capacity and COP lie from what was typed in.

Each run for hot water has an account: the heat that the rating points expect while it heats, and
what its meters count meanwhile. A run that is over corrects both, as far as meters tell.
"""

from __future__ import annotations

from adapters.wiring import Quantity
from service.control import observe
from service.control.metering import Metered
from service.control.plant import Plant
from service.control.state import Performance, State, changed
from service.cylinder.sources import Duty

HEATS_SHARE = 0.5  # of the power expected: less is no heating, or only its beginning or end
LEAST_KWH = 0.5  # of heat expected: a shorter run teaches nothing


def follow(
    state: State,
    plant: Plant,
    meter: Metered,
    fresh: dict[str, float],
    outdoor_c: float | None,
    lived_s: float,
) -> Performance:
    """Follow the account of a run over ``lived_s``, and learn from one that has ended."""
    was, lease = state.performance, state.book.run_of("heat_pump")
    if lease is None:
        return _ended(was) if was.expected_kwh > 0.0 else was
    if lived_s <= 0 or observe.first_fresh(plant, fresh, Quantity.SPACE_HEATING):
        return was
    set_c = plant.set_c if lease.set_c is None else lease.set_c
    flow_c = observe.first_fresh(plant, fresh, Quantity.HEAT_PUMP_FLOW_TEMPERATURE)
    rated = plant.duty(outdoor_c, plant.charging_flow_c(set_c) if flow_c is None else flow_c)
    if rated is None or not _heats(meter, rated):
        return was
    heat_kwh = meter.kwh.get(Quantity.HEAT_PUMP_HEAT)
    electricity_kwh = meter.kwh.get(Quantity.HEAT_PUMP_ELECTRICITY)
    by_electricity_kwh = None if electricity_kwh is None else electricity_kwh * rated.cop
    made_kwh = by_electricity_kwh if heat_kwh is None else heat_kwh
    if made_kwh is None:
        return was
    after = changed(
        was,
        expected_kwh=was.expected_kwh + rated.heat_w / 1000.0 * lived_s / 3600.0,
        made_kwh=was.made_kwh + made_kwh,
    )
    if heat_kwh is None or by_electricity_kwh is None:
        return after
    return changed(
        after,
        rated_kwh=was.rated_kwh + by_electricity_kwh,
        counted_kwh=was.counted_kwh + heat_kwh,
    )


def applied(known: Performance, rated: Duty) -> Duty:
    """What the heat pump does where its rating points say ``rated``."""
    heat_w = rated.heat_w * known.heat.scale
    cop = max(rated.cop * known.cop.scale, 1.0)
    return Duty(heat_w, heat_w / cop, cop)


def _heats(meter: Metered, rated: Duty) -> bool:
    """Whether its meters show that it heats; a run may wait for it, or have nothing more to do."""
    usual_w = {
        Quantity.HEAT_PUMP_ELECTRICITY: rated.electricity_w,
        Quantity.HEAT_PUMP_HEAT: rated.heat_w,
    }
    shown = [meter.watts[q] >= HEATS_SHARE * w for q, w in usual_w.items() if q in meter.watts]
    return bool(shown) and all(shown)


def _ended(was: Performance) -> Performance:
    """With what the run that is over teaches, and an account of nothing."""
    heat, cop = was.heat, was.cop
    if was.expected_kwh >= LEAST_KWH:
        heat = heat.seen(was.expected_kwh, was.made_kwh)
        cop = cop.seen(was.rated_kwh, was.counted_kwh)
    return Performance(heat, cop)
