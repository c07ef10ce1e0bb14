"""What heat goes into the cylinder: metered, by electricity and COP, or only assumed."""

from __future__ import annotations

import math
from typing import NamedTuple

from adapters.wiring import Quantity
from service.control import observe
from service.control.arrival import USED_W
from service.control.detectors import without_heat
from service.control.effect import gained_unasked
from service.control.metering import Metered
from service.control.plant import COIL_FROM_C, LAYERS, Plant, SourcePlant
from service.control.situation import FULL_WITHIN_K, METERED_AS
from service.control.state import State
from service.cylinder.sources import Duty
from service.scheduling.types import SourceName

# What the probes must gain until somebody is taken to heat the water: that much, and that share of
# what the heat pump would have given. Where a front creeps past a probe it warms by itself.
GAINS_KWH, GAINS_SHARE = 0.12, 0.25


class Put(NamedTuple):
    """Heat put in since the estimator's last stride.

    kwh            by source
    measured       whether all of it was
    assumed_of     sources that nothing meters at all
    unclaimed_kwh  what the heat pump made unasked besides, for the rooms or for the water
    """

    kwh: dict[str, float]
    measured: bool
    assumed_of: tuple[str, ...]
    unclaimed_kwh: float


def since_stride(
    state: State,
    plant: Plant,
    meter: Metered,
    fresh: dict[str, float],
    outdoor_c: float | None,
    lived_s: float,
) -> Put:
    """Add what was put in over ``lived_s`` to what the estimator has not lived through yet.

    A heat pump also warms rooms: its heat counts only while it is run for hot water, or while
    the cylinder gains heat that nothing we ran gave, as when its own control heats it.
    What is only assumed ends when all water that the source heats is as hot as it can make it, and
    when the source is known not to heat.
    """
    before = state.belief
    heat, measured, unclaimed_kwh = before.heat_kwh, before.metered, before.unclaimed_kwh
    if lived_s <= 0:
        return Put(heat, measured, (), unclaimed_kwh)
    assumed_of: list[str] = []
    failed = without_heat(state.faults)
    rests = _rests(state)
    warms_water = not rests and _warms_unasked(state, plant, meter, outdoor_c)
    usual = plant.duty(outdoor_c, _following_flow_c(state, plant, fresh, outdoor_c))
    for name, source in plant.sources.items():
        running = state.book.run_of(name) is not None
        kwh, was_measured = _of_source(
            name,
            source,
            running,
            usual,
            meter,
            lived_s,
            warms_water,
        )
        if not was_measured and kwh > 0:
            lowest_c = _lowest_heated_c(state, plant, source, fresh)
            if lowest_c is not None and lowest_c >= source.limit_c - FULL_WITHIN_K:
                kwh = 0.0
            if running and name in failed:
                kwh = 0.0
        if kwh > 0:
            heat = {**heat, name: heat.get(name, 0.0) + kwh}
            measured = measured and was_measured
            if not was_measured and METERED_AS[name] not in meter.watts:
                assumed_of.append(name)
        elif name == "heat_pump" and not (running or rests):
            unclaimed_kwh += _unclaimed_kwh(plant, meter, fresh, usual)
    return Put(heat, measured, tuple(assumed_of), unclaimed_kwh)


def _lowest_heated_c(
    state: State, plant: Plant, source: SourcePlant, fresh: dict[str, float]
) -> float | None:
    """The coldest of the water that a source heats, degC; None where no probe tells.

    What the lowest probe shows that it reaches; where that sits far above the source's foot, the
    coldest water that is believed in between, if that is colder: a top that stands hot since the
    last charge says nothing of what is heated below it. Where no flow meter counts what came in
    there, what is believed of it is a guess, and it is rather taken for heated.
    """
    lowest = next((p for p in plant.reached_by(source) if p.name in fresh), None)
    if lowest is None:
        return None
    shown_c, estimate = fresh[lowest.name], state.belief.estimate
    counted = plant.of(Quantity.DRAW_FLOW)
    if estimate is None or not counted or plant.near_foot(source, lowest):
        return shown_c
    edges = (source.foot, plant.level(lowest.height_m))
    first, end = (math.ceil(level * LAYERS) for level in edges)
    return min(shown_c, float(estimate.profile_c[first:end].min()))


def _warms_unasked(state: State, plant: Plant, meter: Metered, outdoor_c: float | None) -> bool:
    """Whether the probes gain what only the heat pump's own control can have given."""
    source = plant.sources.get("heat_pump")
    gained_kwh, hours = gained_unasked(state.watch, state.book.runs.values())
    if source is None or gained_kwh <= GAINS_KWH:
        return False
    if meter.watts.get(Quantity.IMMERSION_ELECTRICITY, 0.0) > USED_W:
        return False  # nobody asked that to run either, but its heat is metered
    return gained_kwh > GAINS_SHARE * plant.heat_w(source, outdoor_c) / 1000.0 * hours


def _unclaimed_kwh(
    plant: Plant, meter: Metered, fresh: dict[str, float], usual: Duty | None
) -> float:
    """Heat that the heat pump made in a step by its meters and that nothing says went where, kWh.

    None while a contact says that the rooms call for it.
    """
    if observe.first_fresh(plant, fresh, Quantity.SPACE_HEATING):
        return 0.0
    return _made_kwh(usual, meter) or 0.0


def _made_kwh(usual: Duty | None, meter: Metered) -> float | None:
    """Heat that the heat pump made in a step by its meters, kWh; None where none tells it.

    By electricity the usual COP says how much it is, where it is counted finely enough to tell the
    power: whole tenths of a kWh come too late and too much at once to follow the water by.
    """
    if Quantity.HEAT_PUMP_HEAT in meter.kwh:
        return meter.kwh[Quantity.HEAT_PUMP_HEAT]
    if Quantity.HEAT_PUMP_ELECTRICITY not in meter.watts or usual is None:
        return None
    return meter.kwh[Quantity.HEAT_PUMP_ELECTRICITY] * usual.cop


def returned_c(
    state: State, plant: Plant, fresh: dict[str, float], outdoor_c: float | None
) -> float | None:
    """What the heat pump returns, run by us or by its own control; None without one."""
    lease = state.book.run_of("heat_pump")
    asked_c = plant.own_set_c if lease is None else lease.set_c
    return plant.returned_c(
        plant.set_c if asked_c is None else asked_c,
        outdoor_c,
        observe.first_fresh(plant, fresh, Quantity.HEAT_PUMP_FLOW_TEMPERATURE),
    )


def moved_l_per_kwh(
    state: State, plant: Plant, fresh: dict[str, float], outdoor_c: float | None
) -> float | None:
    """Water that a charging pump of fixed flow moves for a kWh of heat; None without one, L/kWh.

    By what the heat pump usually gives, so for heat that is only assumed it is what the pump moves
    in the time; a counter that tells heat late does no harm.
    """
    source = plant.sources.get("heat_pump")
    if source is None or source.charging_l_per_min is None:
        return None
    duty = plant.duty(outdoor_c, _following_flow_c(state, plant, fresh, outdoor_c))
    return None if duty is None else source.charging_l_per_min * 60.0 / (duty.heat_w / 1000.0)


def _following_flow_c(
    state: State, plant: Plant, fresh: dict[str, float], outdoor_c: float | None
) -> float | None:
    """The heat pump's flow where it follows what a charging pump of fixed flow brings, degC.

    Measured while it is that of a running one, or by the water that is believed at the bottom. None
    where the flow does not follow.
    """
    source, estimate = plant.sources.get("heat_pump"), state.belief.estimate
    if source is None or source.charging_l_per_min is None:
        return None
    measured = observe.first_fresh(plant, fresh, Quantity.HEAT_PUMP_FLOW_TEMPERATURE)
    if measured is not None:
        return max(measured, COIL_FROM_C)
    if estimate is None:
        return None
    return plant.following_flow_c(source, float(estimate.profile_c[0]), outdoor_c)


def _rests(state: State) -> bool:
    """Whether the heat pump is asked not to heat by its own control, and obeys."""
    if any((f.code, f.subject) == ("uncommanded_running", "heat_pump") for f in state.faults):
        return False
    leases = state.book.leases.values()
    return any(x.action == "block" and x.source == "heat_pump" for x in leases)


def _of_source(
    name: SourceName,
    source: SourcePlant,
    running: bool,
    usual: Duty | None,
    meter: Metered,
    lived_s: float,
    warms_water: bool,
) -> tuple[float, bool]:
    """Heat of one source in ``lived_s``, kWh, and whether a heat meter counted it."""
    hours = lived_s / 3600.0
    if name == "immersion":
        if Quantity.IMMERSION_ELECTRICITY in meter.kwh:
            return meter.kwh[Quantity.IMMERSION_ELECTRICITY], True
        return (source.heat_w / 1000.0 * hours if running else 0.0), False
    if not running and not warms_water:
        return 0.0, True
    made_kwh = _made_kwh(usual, meter)
    if made_kwh is not None:
        return made_kwh, Quantity.HEAT_PUMP_HEAT in meter.kwh
    heat_w = source.heat_w if usual is None else usual.heat_w
    return heat_w / 1000.0 * hours, False
