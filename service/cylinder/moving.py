"""Water that moves in a step: draws, the plate exchanger's loop, circulation, expansion.

Every function takes the column of water from the bottom up, gives the one after it, and adds to the
tally what crossed the boundary.
"""

from __future__ import annotations

import math

from service.cylinder.drive import Drive, PlateCharge, SecondaryReturn
from service.cylinder.flows import Tally
from service.cylinder.geometry import Cylinder
from service.cylinder.segments import (
    Column,
    cut_at,
    entered_under,
    heat_kj,
    joined_alike,
    laid_under,
    litres,
    mass_kg,
    mixed,
    overturned,
    segment,
    split_mass,
    split_volume,
)
from service.cylinder.sources import effectiveness
from service.cylinder.water import density_kg_per_l, enthalpy_kj_per_kg, specific_heat_kj_per_kgk

# So many tanks in series widen a front like dispersion: its variance grows by the volume of one
# tank times the volume that flows (Levenspiel: Chemical Reaction Engineering, 3rd ed., ch. 14).
MANY_TANKS = 32

_DROP_SHARE = 0.02  # of a nominal segment: what fills up contracted water and is less is mixed in
_FULL_SHARE = 1e-6  # of the volume: nearer than that the cylinder is full
_LEAST_KG_PER_S = 1e-9  # a flow below it moves nothing


def drawn(cylinder: Cylinder, water: Column, drive: Drive, step_s: float, tally: Tally) -> Column:
    """Cold water enters at the bottom and pushes the same volume out of the top."""
    drawn_l = drive.draw_l_per_min / 60 * step_s
    kg, cold = drawn_l * density_kg_per_l(drive.cold_c), enthalpy_kj_per_kg(drive.cold_c)
    tally.inflow_kj += kg * cold
    water = entered_under(
        water,
        (segment(kg, cold),),
        _zone_kg(cylinder, cylinder.inlet_mixing_l, cylinder.inlet_tanks, water),
        cylinder.inlet_tanks,
        cylinder.segment_kg,
    )
    out, rest = split_volume(water[::-1], drawn_l)
    tally.parts += out
    return rest[::-1]


def _zone_kg(cylinder: Cylinder, mixing_l: float, tanks: int, water: Column) -> float:
    """Mass of a mixing zone; none when its tanks are so many that they act by dispersion."""
    return 0.0 if tanks >= MANY_TANKS else mixing_l / cylinder.volume_l * mass_kg(water)


def charged(
    cylinder: Cylinder,
    water: Column,
    loop: Column,
    plate: PlateCharge,
    step_s: float,
    tally: Tally,
) -> tuple[Column, Column]:
    """Water goes from the bottom through exchanger and loop to the top: (water, loop)."""
    left_s, came_kg = step_s, 0.0
    outlets: list[float] = []
    for kg, enthalpy, volume_l, t_c in water:
        outlet, flow_kg_s = _exchanged(plate, enthalpy, volume_l / kg, t_c)
        if flow_kg_s <= _LEAST_KG_PER_S or left_s <= 0:
            break
        outlets.append(outlet)
        came_kg += min(kg, left_s * flow_kg_s)
        left_s -= kg / flow_kg_s
    came, rest = split_mass(water, came_kg)
    if not came:
        return water, loop
    went: Column = [segment(part[0], h) for part, h in zip(came, outlets, strict=False)]
    tally.plate_kj += heat_kj(went) - heat_kj(came)
    kg = mass_kg(came)
    tally.circulated_kg += kg
    if loop:
        went, loop = split_mass([*loop, *went], kg)
        loop = joined_alike(loop)
    rest = entered_under(
        rest[::-1],
        joined_alike(went),
        _zone_kg(cylinder, cylinder.plate_mixing_l, cylinder.plate_tanks, water),
        cylinder.plate_tanks,
        cylinder.segment_kg,
    )
    return rest[::-1], loop


def _exchanged(
    plate: PlateCharge, enthalpy: float, l_per_kg: float, t_c: float
) -> tuple[float, float]:
    """Outlet enthalpy in kJ/kg and flow in kg/s for water at the inlet."""
    flow = plate.flow_l_per_min / 60 / l_per_kg
    rise = max(enthalpy_kj_per_kg(plate.outlet_c) - enthalpy, 0.0)
    heat_kw = plate.heat_w / 1000
    if plate.controlled:
        flow = min(heat_kw / rise, flow) if rise > 1e-3 else 0.0
    else:
        rise = min(rise, heat_kw / flow)
    if plate.primary_c is not None and flow > _LEAST_KG_PER_S:
        if plate.controlled and plate.outlet_c < plate.primary_c:
            flow = _throttled_kg_per_s(plate, plate.primary_c, t_c, rise, flow)
        rise = min(rise, _exchanger_limit_kw(plate, plate.primary_c, t_c, flow) / flow)
    return enthalpy + rise, flow


def _throttled_kg_per_s(
    plate: PlateCharge, primary_c: float, t_c: float, rise: float, flow: float
) -> float:
    """The flow, kg/s, at most ``flow``, of which the exchanger warms each kg by ``rise`` kJ.

    The less flows, the hotter it gets, so halving the range finds it.
    """
    if _exchanger_limit_kw(plate, primary_c, t_c, flow) >= rise * flow:
        return flow
    low, high = _LEAST_KG_PER_S, flow
    while high - low > 1e-6 * flow:
        middle = 0.5 * (low + high)
        if _exchanger_limit_kw(plate, primary_c, t_c, middle) >= rise * middle:
            low = middle
        else:
            high = middle
    return low


def _exchanger_limit_kw(
    plate: PlateCharge, primary_c: float, t_c: float, flow_kg_s: float
) -> float:
    """Heat that the exchanger passes on with its source at ``primary_c``, by NTU."""
    store = flow_kg_s * specific_heat_kj_per_kgk(t_c)  # kW/K
    difference = max(primary_c - t_c, 0.0)
    if plate.ua_w_per_k is None:
        return store * difference
    least, ratio = store, 0.0
    if plate.primary_l_per_min is not None:
        primary = (
            plate.primary_l_per_min
            / 60
            * density_kg_per_l(primary_c)
            * specific_heat_kj_per_kgk(primary_c)
        )
        least = min(store, primary)
        ratio = least / max(store, primary)
    return float(effectiveness(plate.ua_w_per_k / 1000 / least, ratio)) * least * difference


def circulated(
    cylinder: Cylinder,
    water: Column,
    circuit: SecondaryReturn,
    ambient_c: float,
    step_s: float,
    tally: Tally,
) -> Column:
    """Water leaves at the top and comes back cooler at a level."""
    out, rest = split_volume(water[::-1], circuit.flow_l_per_min / 60 * step_s)
    if not out:
        return water
    rest = rest[::-1]
    kg = mass_kg(out)
    returned = enthalpy_kj_per_kg(circuit.return_c)
    lost, ambient = circuit.loss_share, enthalpy_kj_per_kg(max(ambient_c, 0.0))
    back_kj = sum([kg * min(h - lost * max(h - ambient, 0.0), returned) for kg, h, _, _ in out])
    tally.return_loss_kj += heat_kj(out) - back_kj
    rest, at = cut_at(rest, circuit.level * cylinder.volume_l)
    # It sinks through warmer water and mixes with it, as far as that makes the column stable.
    pool_kg, pool_kj, foot = kg, back_kj, at
    while foot > 0 and rest[foot - 1][1] * pool_kg > pool_kj:
        foot -= 1
        pool_kg += rest[foot][0]
        pool_kj += rest[foot][0] * rest[foot][1]
    upper = entered_under(
        rest[foot:],
        (segment(kg, back_kj / kg),),
        pool_kg - kg,
        1,
        cylinder.segment_kg,
    )
    return [*rest[:foot], *upper]


def filled(cylinder: Cylinder, water: Column, cold_c: float, tally: Tally) -> Column:
    """Let water that expanded leave at the bottom, or cold water in where it contracted."""
    surplus_l = litres(water) - cylinder.volume_l
    if abs(surplus_l) < _FULL_SHARE * cylinder.volume_l:
        return water
    if surplus_l > 0:
        out, water = split_volume(water, surplus_l)
        tally.expansion_kg += mass_kg(out)
        tally.expansion_kj += heat_kj(out)
        return water
    kg, cold = -surplus_l * density_kg_per_l(cold_c), enthalpy_kj_per_kg(cold_c)
    tally.expansion_kg -= kg
    tally.expansion_kj -= kg * cold
    piece_kg = cylinder.segment_kg
    if kg < _DROP_SHARE * piece_kg:
        # A drop is mixed with the lowest layer before long: it is not worth a segment.
        layer, above = split_mass(water, min(piece_kg, water[0][0]))
        filled: Column = [mixed(layer[0], kg, cold), *above]
    else:
        filled = laid_under(water, kg, cold, piece_kg)
    return filled if filled[0][1] <= filled[1][1] else overturned(filled)


def loop_cooled(
    cylinder: Cylinder, loop: Column, ambient_c: float, step_s: float, tally: Tally
) -> Column:
    """The loop's water nears the ambient temperature exponentially."""
    ambient = enthalpy_kj_per_kg(ambient_c)
    kj_per_k = mass_kg(loop) * specific_heat_kj_per_kgk(ambient_c)
    kept = math.exp(-cylinder.loop_loss_w_per_k * step_s / 1000 / kj_per_k)
    cooled = [segment(part[0], ambient + (part[1] - ambient) * kept) for part in loop]
    tally.loop_loss_kj += heat_kj(loop) - heat_kj(cooled)
    return cooled
