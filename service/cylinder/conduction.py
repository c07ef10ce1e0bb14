"""Conduction between segments and standing loss to ambient, for a step of any length.

With u the segments' enthalpies above that of water at ambient temperature and M their masses,
M du/dt = -(K + L) u: K couples neighbours, L holds the losses per surface, both divided by the
specific heat of water, which is taken as one number here. The solution is exp(-A t) u with
A = M^-1 (K + L), of which a rational function is taken: one tridiagonal system for each of its
poles.

What a step loses is the sum of L times the integral of u over the step, which the same systems
give; what each segment keeps comes from u at the end. The two agree to rounding, so that the
balance of a step checks the conduction and not itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate
from operator import add, truediv

import numpy as np

from service.cylinder.geometry import Cylinder
from service.cylinder.segments import (
    Column,
    Segment,
    merged_into_neighbour,
    segment,
)
from service.cylinder.water import TYPICAL_KJ_PER_KGK, Floats, enthalpy_kj_per_kg

_STIFF = 2.0  # decays of a segment in a step above which it is looked at as a crumb
_CRUMB_SHARE = 0.1  # of a nominal segment
_CRUMB_KJ_PER_KG = 0.1  # a merge that changes its neighbour by less than 0.025 K is no harm
_FINEST_SHARE = 1 / 8  # of a nominal segment: distance left inside water that is kept mixed
_VISIBLE = 0.1  # of a nominal segment's diffusion time: as far as one trapezoidal step goes
_MOST_STEPS = 8  # trapezoidal steps that cost less than the poles below

_MILD_C = 20.0
_KG_PER_L = 0.993  # of water at 35 to 40 degC

# By how much flow widens a front, L2 of variance, and between which levels, L from the bottom.
Dispersion = tuple[float, float, float]

# Poles p and weights c of phi(z) = (1 - exp(-z)) / z, taken with their conjugates, chosen so that
# 1 - z phi(z) is within 1.2e-6 of exp(-z) on all of 0 .. infinity, exact at 0 and 0 at infinity:
# the best rational approximation of Cody, Meinardus, Varga (J. Approx. Theory 2, 50, 1969) with
# that one condition more, fitted by reweighted least squares.
_POLES = (
    (-2.396217858602704 - 1.1852503839802702j, 0.9043692424625248 + 1.3208742114413115j),
    (-1.156530750552391 - 3.5903976172328287j, -0.41599273558339966 + 0.05807729620949741j),
    (1.7785593940083673 - 6.152582688572982j, 0.011623493120874408 - 0.01763764634229661j),
)
_POLE = np.array(_POLES)[:, :1]
# What the systems' solutions count for: in the enthalpies after a step, and in their mean.
_READ = 2.0 * np.array([[-p * c for p, c in _POLES], [c for _, c in _POLES]])


def relaxed(
    cylinder: Cylinder,
    column: Column,
    ambient_c: float,
    step_s: float,
    stirred: int | None = None,
    dispersed: Sequence[Dispersion] = (),
) -> tuple[Column, float]:
    """Let heat spread and leak for ``step_s`` seconds: (column, heat lost in kJ).

    ``stirred`` names a segment that a heater's plume keeps mixed meanwhile: there is hardly a
    distance inside it, so that the plume goes on taking heat from what it touches.
    ``dispersed`` is what flow has mixed in the step.
    """
    # Cold surroundings count as water of that one specific heat, also below freezing.
    warmer_c = max(ambient_c, _MILD_C)
    ambient = enthalpy_kj_per_kg(warmer_c) - TYPICAL_KJ_PER_KGK * (warmer_c - ambient_c)
    masses, enthalpies, litres, _ = zip(*column, strict=True)
    w_s_per_kgk = 1000.0 * TYPICAL_KJ_PER_KGK
    bottom, side, top = [w_per_k / w_s_per_kgk for w_per_k in cylinder.losses_w_per_k]
    side_per_l = side / cylinder.volume_l
    nominal_l = cylinder.volume_l / cylinder.segments
    distance = litres
    if stirred is not None:
        distance = (*litres[:stirred], _FINEST_SHARE * nominal_l, *litres[stirred + 1 :])
    coupling = everywhere = _conductance(cylinder)
    partly = []
    for square_l2, low_l, high_l in dispersed:
        kept = _KG_PER_L * square_l2 / step_s
        if low_l <= 0 and high_l >= cylinder.volume_l:
            everywhere += kept
        else:
            partly.append((kept, low_l, high_l))
    between = [everywhere / both_l for both_l in map(add, distance, distance[1:])]
    for kept, low_l, high_l in partly:
        for k, face_l in enumerate(accumulate(distance[:-1])):
            if low_l < face_l < high_l:
                between[k] += kept / (distance[k] + distance[k + 1])
    # Below the lowest segment and above the highest one comes the ambient.
    passed = [bottom, *between, top]
    # The fastest rate in 1/s at which a segment alone would decay.
    fastest = max(map(truediv, map(add, passed, passed[1:]), masses))
    visible = coupling / (2 * nominal_l) / nominal_l
    parts = 1 + int(step_s * max(fastest / 2, visible / _VISIBLE))
    if parts > _MOST_STEPS:
        excess = np.array(enthalpies) - ambient
        after, lost_kj = _by_poles(excess, masses, litres, passed, side_per_l, step_s)
        return list(map(segment, masses, (ambient + after).tolist())), lost_kj
    lost_kj = 0.0
    for _ in range(parts):
        column, part_kj = _trapezoidal(column, ambient, passed, side_per_l, step_s / parts)
        lost_kj += part_kj
    return column, lost_kj


def without_crumbs(cylinder: Cylinder, column: Column, step_s: float) -> Column:
    """Merge segments so small that they would only stiffen the conduction of a step."""
    piece_kg = cylinder.segment_kg
    while len(column) > 2:
        crumb = min(column)
        if crumb[0] > _CRUMB_SHARE * piece_kg:
            return column
        k = column.index(crumb)
        beside = [column[j] for j in (k - 1, k + 1) if 0 <= j < len(column)]
        passed = sum([_conductance(cylinder) / (crumb[2] + other[2]) for other in beside])
        if step_s * passed < _STIFF * crumb[0]:
            return column
        nearest = min([abs(crumb[1] - other[1]) for other in beside])
        if crumb[0] * nearest > _CRUMB_KJ_PER_KG * piece_kg:
            return column
        column = merged_into_neighbour(column, k)
    return column


def _conductance(cylinder: Cylinder) -> float:
    """Kg/s that two segments exchange as it were, times the sum of their volumes in L.

    k A / (c distance between centres), with distance = volume / (1000 A).
    """
    return cylinder.conductivity_w_per_mk * cylinder.area_m2**2 * 2.0 / TYPICAL_KJ_PER_KGK


def _trapezoidal(
    column: Column, ambient: float, passed: list[float], side_per_l: float, step_s: float
) -> tuple[list[Segment], float]:
    """One step by the trapezoidal rule: (column, heat lost in kJ).

    ``passed`` is what each face passes on, from that to the ambient below to that above, and
    ``side_per_l`` what the side of a litre does, in kg/s. The rule's first half, explicit, keeps
    between the extremes as long as no segment decays more than twice in a step; its second,
    implicit, always does. What is solved for is the mean of both ends above ambient, from the
    bottom up and back.
    """
    half_s = 0.5 * step_s
    side = half_s * side_per_l
    below, share, carried = half_s * passed[0], 0.0, 0.0
    solved = []
    for (kg, enthalpy, part_l, _), face in zip(column, passed[1:], strict=True):
        above = half_s * face
        pivot = 1.0 / (kg + side * part_l + above + below * (1.0 - share))
        share = above * pivot
        carried = (kg * (enthalpy - ambient) + below * carried) * pivot
        below = above
        solved.append((kg, enthalpy, part_l, carried, share))
    lost = passed[-1] * carried
    mean = 0.0
    after = []
    for kg, enthalpy, part_l, carried, share in reversed(solved):
        mean = carried + share * mean
        lost += side_per_l * part_l * mean
        after.append(segment(kg, 2.0 * (ambient + mean) - enthalpy))
    after.reverse()
    return after, step_s * (lost + passed[0] * mean)


def _by_poles(
    excess: Floats,
    masses: Sequence[float],
    litres: Sequence[float],
    passed: list[float],
    side_per_l: float,
    step_s: float,
) -> tuple[Floats, float]:
    """One step of any length by the poles: enthalpies above ambient after it, heat lost in kJ.

    The systems are small enough that solving all of them at once, full, costs less than going
    through their diagonals one number at a time.
    """
    n = len(excess)
    mass, faces, leaks = np.array(masses), np.array(passed), side_per_l * np.array(litres)
    rates = np.zeros(n * n)
    rates[1 :: n + 1] = rates[n :: n + 1] = -step_s * faces[1:-1]
    rates[:: n + 1] = step_s * (leaks + faces[:-1] + faces[1:])
    systems = np.empty((len(_POLES), n * n), complex)
    systems[:] = rates
    systems[:, :: n + 1] -= _POLE * mass
    begin = (mass * excess)[:, None]
    solved = np.linalg.solve(systems.reshape(-1, n, n), begin)[:, :, 0]
    after, means = (_READ @ solved).real
    leaks[0] += faces[0]
    leaks[-1] += faces[-1]
    return after, step_s * float(means @ leaks)
