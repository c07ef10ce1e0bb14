"""Conduction between segments and standing loss to ambient, for a step of any length.

With u the segments' temperatures above ambient, C du/dt = -(K + L) u: K couples neighbours, L
holds the losses per surface. Its solution is exp(-A t) u with A = C^-1 (K + L), of which a
rational function is taken: one tridiagonal system for each of its poles.

What a step loses is the sum of L times the integral of u over the step, which the same systems
give; what each segment keeps comes from u at the end. The two agree to rounding, so that the
balance of a step checks the conduction and not itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from service.cylinder.geometry import Cylinder
from service.cylinder.segments import (
    Column,
    heat_kj,
    mass_kg,
    merged_into_neighbour,
    segment,
)
from service.cylinder.water import capacities_kj_per_k

_STIFF = 20.0  # decays of a segment in a step above which it is looked at as a crumb
_CRUMB_SHARE = 0.1  # of a nominal segment
_CRUMB_KJ_PER_KG = 0.1  # a merge that changes its neighbour by less than 0.025 K is no harm
_FINEST_SHARE = 1 / 8  # of a nominal segment: distance left inside water that is kept mixed
_VISIBLE = 0.05  # of a nominal segment's diffusion time: as far as one trapezoidal step goes
_MOST_STEPS = 4  # trapezoidal steps that cost less than the poles below

# Poles p and weights c of phi(z) = (1 - exp(-z)) / z, taken with their conjugates, chosen so that
# 1 - z phi(z) is within 1.2e-6 of exp(-z) on all of 0 .. infinity, exact at 0 and 0 at infinity:
# the best rational approximation of Cody, Meinardus, Varga (J. Approx. Theory 2, 50, 1969) with
# that one condition more, fitted by reweighted least squares.
_POLES = (
    (-2.396217858602704 - 1.1852503839802702j, 0.9043692424625248 + 1.3208742114413115j),
    (-1.156530750552391 - 3.5903976172328287j, -0.41599273558339966 + 0.05807729620949741j),
    (1.7785593940083673 - 6.152582688572982j, 0.011623493120874408 - 0.01763764634229661j),
)


def relaxed(
    cylinder: Cylinder,
    column: Column,
    ambient_c: float,
    step_s: float,
    stirred: tuple[int, int] | None = None,
) -> tuple[Column, float]:
    """Let heat spread and leak for ``step_s`` seconds: (column, heat lost in kJ).

    ``stirred`` names a run of segments (first, one past the last) that a heater's plume keeps
    mixed meanwhile: they act as one, with hardly a distance inside, so that the plume goes on
    taking heat from what it touches.
    """
    if stirred is None:
        if step_s > 0:
            column = without_crumbs(cylinder, column, step_s)
        rises, lost_kj = _spread(cylinder, column, ambient_c, step_s, None)
    else:
        first, end = stirred
        run = column[first:end]
        kg = mass_kg(run)
        pool = segment(kg, heat_kj(run) / kg)
        whole = [*column[:first], pool, *column[end:]]
        rises, lost_kj = _spread(cylinder, whole, ambient_c, step_s, first)
        rises[first : first + 1] = [rises[first]] * (end - first)
    return [
        segment(part[0], part[1] + rise) for part, rise in zip(column, rises, strict=True)
    ], lost_kj


def without_crumbs(cylinder: Cylinder, column: Column, step_s: float) -> Column:
    """Merge segments so small that they would only stiffen the conduction of a step."""
    piece_kg = cylinder.volume_l / cylinder.segments
    while len(column) > 2:
        crumb = min(column)
        if crumb[0] > _CRUMB_SHARE * piece_kg:
            return column
        k = column.index(crumb)
        beside = [column[j] for j in (k - 1, k + 1) if 0 <= j < len(column)]
        passed = sum([_conductance(cylinder) / (crumb[2] + other[2]) for other in beside])
        if step_s * passed < _STIFF * capacities_kj_per_k((crumb,))[0]:
            return column
        nearest = min([abs(crumb[1] - other[1]) for other in beside])
        if crumb[0] * nearest > _CRUMB_KJ_PER_KG * piece_kg:
            return column
        column = merged_into_neighbour(column, k)
    return column


def _conductance(cylinder: Cylinder) -> float:
    """kW/K between two segments times the sum of their volumes in L.

    k A / distance between centres, with distance = volume / (1000 A).
    """
    return cylinder.conductivity_w_per_mk * cylinder.area_m2**2 * 2.0


def _spread(
    cylinder: Cylinder,
    column: Column,
    ambient_c: float,
    step_s: float,
    stirred: int | None,
) -> tuple[list[float], float]:
    """Rise of each segment's enthalpy in kJ/kg, and heat lost in kJ."""
    capacity = capacities_kj_per_k(column)
    excess = [part[3] - ambient_c for part in column]
    distance = [part[2] for part in column]
    bottom, side, top = cylinder.losses_w_per_k
    side_kw = side / (1000.0 * cylinder.volume_l)
    loss = [side_kw * volume_l for volume_l in distance]
    loss[0] += bottom / 1000.0
    loss[-1] += top / 1000.0
    nominal_l = cylinder.volume_l / cylinder.segments
    if stirred is not None:
        distance[stirred] = _FINEST_SHARE * nominal_l
    coupling = _conductance(cylinder)
    between = [coupling / (a + b) for a, b in pairwise(distance)]
    between.append(0.0)
    worst = 0.0
    below = 0.0
    for g, leak, c in zip(between, loss, capacity, strict=True):
        rate = (below + g + leak) / c
        worst = max(worst, rate)
        below = g
    visible = coupling / (2 * nominal_l) / (4.18 * nominal_l)
    parts = step_s * max(worst / 2, visible / _VISIBLE)
    if parts <= _MOST_STEPS:
        after, integral = _trapezoidal(capacity, between, loss, excess, step_s, 1 + int(parts))
    else:
        after, integral = _by_poles(capacity, between, loss, excess, step_s)
    lost_kj = sum([leak * x for leak, x in zip(loss, integral, strict=True)])
    rises = [
        c * (new - old) / part[0]
        for c, new, old, part in zip(capacity, after, excess, column, strict=True)
    ]
    return rises, lost_kj


def _trapezoidal(
    capacity: Sequence[float],
    between: Sequence[float],
    loss: Sequence[float],
    excess: list[float],
    step_s: float,
    steps: int,
) -> tuple[list[float], list[float]]:
    """The state u at the end of equal steps of the trapezoidal rule, and its integral.

    Its first half, explicit, keeps between the extremes as long as no segment decays more than
    twice in a step; its second, implicit, always does.
    """
    half_s = 0.5 * step_s / steps
    kept, passed = [], []  # of the elimination
    below = carried = 0.0
    for g, leak, c in zip(between, loss, capacity, strict=True):
        up = half_s * g
        pivot = 1.0 / (c + half_s * leak + below + up - below * carried)
        carried = up * pivot
        kept.append(pivot)
        passed.append(carried)
        below = up
    integral = [0.0] * len(excess)
    for _ in range(steps):
        solved = []
        below = carried = 0.0
        for g, c, u, pivot in zip(between, capacity, excess, kept, strict=True):
            carried = (c * u + below * carried) * pivot
            solved.append(carried)
            below = half_s * g
        carried = 0.0
        middle = []
        for y, share in zip(reversed(solved), reversed(passed), strict=True):
            carried = y + share * carried
            middle.append(carried)
        middle.reverse()
        excess = [2.0 * w - u for w, u in zip(middle, excess, strict=True)]
        integral = [s + 2.0 * half_s * w for s, w in zip(integral, middle, strict=True)]
    return excess, integral


def _by_poles(
    capacity: Sequence[float],
    between: Sequence[float],
    loss: Sequence[float],
    excess: Sequence[float],
    step_s: float,
) -> tuple[list[float], list[float]]:
    """The state u at the end of one step of any length, and its integral, by the poles above."""
    after = [0.0] * len(excess)
    integral = [0.0] * len(excess)
    for pole, weight in _POLES:
        below, share, carried = 0.0, 0j, 0j
        solved, passed = [], []
        for g, leak, c, u in zip(between, loss, capacity, excess, strict=True):
            up = step_s * g
            pivot = 1.0 / (step_s * leak + below + up - c * pole - below * share)
            carried = (c * u + below * carried) * pivot
            share = up * pivot
            solved.append(carried)
            passed.append(share)
            below = up
        carried = 0j
        k = len(solved)
        ends, lasts = -2.0 * weight * pole, 2.0 * step_s * weight
        for y, share in zip(reversed(solved), reversed(passed), strict=True):
            k -= 1
            carried = y + share * carried
            after[k] += (ends * carried).real
            integral[k] += (lasts * carried).real
    return after, integral
