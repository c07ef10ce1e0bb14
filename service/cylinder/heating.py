"""Heat that coils and immersion heaters give the water in a step, and what their plumes mix."""

from __future__ import annotations

import math

from service.cylinder.drive import HIGHEST_C, CoilCharge, Drive
from service.cylinder.flows import Tally
from service.cylinder.geometry import Cylinder
from service.cylinder.segments import Column, cut_at, joined, overturned, poured, warmed
from service.cylinder.water import TYPICAL_KJ_PER_KGK, enthalpy_kj_per_kg

CRUMB_SHARE = 0.1  # of a nominal segment: standing water under a heater is cut no finer
_STIRRED_KJ_PER_KG = 0.1  # 25 mK: a plume's water is no more alike than that


def heated(cylinder: Cylinder, water: Column, drive: Drive, step_s: float, tally: Tally) -> Column:
    """Coil and immersion heaters warm the water at them; the plume mixes what is cooler above."""
    if drive.coil is not None and drive.coil.heat_w > 0:
        water = _coil_heated(cylinder, water, drive.coil, step_s, tally)
    for element in drive.immersion:
        if element.heat_w <= 0:
            continue
        water, foot = cut_at(water, element.level * cylinder.volume_l)
        highest_c = HIGHEST_C if element.thermostat_c is None else element.thermostat_c
        water, put_kj = poured(
            water,
            min(foot, len(water) - 1),
            element.heat_w * step_s / 1000,
            enthalpy_kj_per_kg(highest_c),
        )
        tally.immersion_kj += put_kj
    return water


def stirred(cylinder: Cylinder, water: Column, drive: Drive) -> tuple[Column, int | None]:
    """What the lowest heater at work keeps mixed, just after it heated, as one segment: which."""
    levels = [element.level for element in drive.immersion if element.heat_w > 0]
    if drive.coil is not None and drive.coil.heat_w > 0:
        levels.append(drive.coil.bottom)
    if not levels:
        return water, None
    below_l, foot = min(levels) * cylinder.volume_l, 0
    for part in water:
        if 0.5 * part[2] >= below_l:
            break
        below_l -= part[2]
        foot += 1
    last = len(water) - 1
    foot = min(foot, last)
    # A crumb at the foot that is not yet mixed in is passed over.
    if foot < last and water[foot][1] < water[foot + 1][1] - _STIRRED_KJ_PER_KG:
        crumb_kg = CRUMB_SHARE * cylinder.segment_kg
        foot += water[foot][0] < crumb_kg
    level, end = water[foot][1] + _STIRRED_KJ_PER_KG, foot + 1
    while end <= last and water[end][1] < level:
        end += 1
    return [*water[:foot], joined(water[foot:end]), *water[end:]], foot


def _coil_heated(
    cylinder: Cylinder, water: Column, coil: CoilCharge, step_s: float, tally: Tally
) -> Column:
    """The coil warms the water along it, colder water more when its own temperature is known."""
    water, foot = cut_at(water, coil.bottom * cylinder.volume_l)
    shares = _along(water, foot, (coil.top - coil.bottom) * cylinder.volume_l)
    end = foot + len(shares)
    left_kj = coil.heat_w * step_s / 1000
    highest = enthalpy_kj_per_kg(HIGHEST_C if coil.flow_c is None else coil.flow_c)
    most = math.inf if coil.ua_w_per_k is None else coil.ua_w_per_k * step_s / 1000
    enough_kj = 1e-3 * left_kj
    for _ in range(10):
        along = water[foot:end]
        room = [part[0] * max(highest - part[1], 0.0) for part in along]
        if coil.flow_c is None:
            heat = [
                min(left_kj * share, most_kj) for share, most_kj in zip(shares, room, strict=True)
            ]
        else:
            pull = [
                share / (TYPICAL_KJ_PER_KGK * part[0])
                for share, part in zip(shares, along, strict=True)
            ]
            heat = _nearing(room, pull, most, left_kj)
        put_kj = sum(heat)
        tally.coil_kj += put_kj
        left_kj -= put_kj
        water = overturned([*water[:foot], *warmed(along, heat), *water[end:]])
        # Without a UA the coil may give more once the water it warmed has risen.
        if coil.ua_w_per_k is not None or left_kj < enough_kj or put_kj < enough_kj:
            break
    return water


def _along(water: Column, foot: int, length_l: float) -> list[float]:
    """Shares of a coil that lie in each segment from ``foot`` up; they add up to 1."""
    parts: list[float] = []
    for part in water[foot:]:
        if length_l <= 0:
            break
        parts.append(min(part[2], length_l))
        length_l -= part[2]
    whole_l = max(sum(parts), 1e-12)
    return [part / whole_l for part in parts]


def _nearing(room: list[float], pull: list[float], most: float, most_kj: float) -> list[float]:
    """Heat in kJ with which each segment nears the coil's temperature exponentially.

    The coil's UA times the time, kJ/K, is ``most`` or what gives ``most_kj`` in all if that is
    less. The sum grows ever slower with it, so Newton's steps reach it from below. They start
    from what water of one temperature would take, which is exact when there is but one segment
    and otherwise too little.
    """
    reachable_kj = sum(room)
    if reachable_kj > most_kj:
        mean_pull = sum([kj * k for kj, k in zip(room, pull, strict=True)]) / reachable_kj
        x = min(most, -math.log1p(-most_kj / reachable_kj) / mean_pull)
    elif math.isinf(most):
        return room
    else:
        x = most
    for _ in range(50):
        left = [kj * math.exp(-k * x) for kj, k in zip(room, pull, strict=True)]
        missing = most_kj - (reachable_kj - sum(left))
        if x >= most or missing < 1e-6 * most_kj:
            break
        x = min(most, x + missing / sum([kj * k for kj, k in zip(left, pull, strict=True)]))
    return [kj - kept for kj, kept in zip(room, left, strict=True)]
