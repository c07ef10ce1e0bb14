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
from itertools import accumulate, pairwise

from service.cylinder.geometry import Cylinder
from service.cylinder.segments import (
    Column,
    Segment,
    heat_kj,
    mass_kg,
    merged_into_neighbour,
    segment,
)
from service.cylinder.water import capacities_kj_per_k, segments_of

_STIFF = 20.0  # decays of a segment in a step above which it is looked at as a crumb
_CRUMB_SHARE = 0.1  # of a nominal segment
_CRUMB_KJ_PER_KG = 0.1  # a merge that changes its neighbour by less than 0.025 K is no harm
_FINEST_SHARE = 1 / 8  # of a nominal segment: distance left inside water that is kept mixed
_VISIBLE = 0.1  # of a nominal segment's diffusion time: as far as one trapezoidal step goes
_MOST_STEPS = 4  # trapezoidal steps that cost less than the poles below

_KJ_PER_LK = 4.15  # of water at 40 to 50 degC

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


def relaxed(
    cylinder: Cylinder,
    column: Column,
    ambient_c: float,
    step_s: float,
    stirred: tuple[int, int] | None = None,
    dispersed: Sequence[Dispersion] = (),
) -> tuple[Column, float]:
    """Let heat spread and leak for ``step_s`` seconds: (column, heat lost in kJ).

    ``stirred`` names a run of segments (first, one past the last) that a heater's plume keeps
    mixed meanwhile: they act as one, with hardly a distance inside, so that the plume goes on
    taking heat from what it touches. ``dispersed`` is what flow has mixed in the step.
    """
    if stirred is None:
        column = without_crumbs(cylinder, column, step_s)
        return _spread(cylinder, column, ambient_c, step_s, dispersed=dispersed)
    first, end = stirred
    run = column[first:end]
    kg = mass_kg(run)
    pool = segment(kg, heat_kj(run) / kg)
    spread, lost_kj = _spread(
        cylinder, [*column[:first], pool, *column[end:]], ambient_c, step_s, first
    )
    rise = spread[first][1] - pool[1]
    warmer = [segment(part[0], part[1] + rise) for part in run]
    return [*spread[:first], *warmer, *spread[first + 1 :]], lost_kj


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
    stirred: int | None = None,
    dispersed: Sequence[Dispersion] = (),
) -> tuple[list[Segment], float]:
    """The column after a step, and heat lost in kJ."""
    bottom, side, top = cylinder.losses_w_per_k
    side_kw = side / (1000.0 * cylinder.volume_l)
    loss = [side_kw * part[2] for part in column]
    loss[0] += bottom / 1000.0
    loss[-1] += top / 1000.0
    capacity = capacities_kj_per_k(column)
    distance = [part[2] for part in column]
    nominal_l = cylinder.volume_l / cylinder.segments
    if stirred is not None:
        distance[stirred] = _FINEST_SHARE * nominal_l
    coupling = _conductance(cylinder)
    between = [coupling / (a + b) for a, b in pairwise(distance)]
    for square_l2, low_l, high_l in dispersed:
        kept_kj = _KJ_PER_LK * square_l2 / step_s
        for k, face_l in enumerate(accumulate(distance[:-1])):
            if low_l < face_l < high_l:
                between[k] += kept_kj / (distance[k] + distance[k + 1])
    between.append(0.0)
    fastest = _fastest(capacity, between, loss)
    visible = coupling / (2 * nominal_l) / (4.18 * nominal_l)
    parts = int(step_s * max(fastest / 2, visible / _VISIBLE))
    lost_kj = 0.0
    if parts >= _MOST_STEPS:
        return _by_poles(column, capacity, between, loss, ambient_c, step_s)
    for _ in range(1 + parts):
        column, part_kj = _trapezoidal(
            column, capacity, between, loss, ambient_c, step_s / (1 + parts)
        )
        lost_kj += part_kj
    return list(column), lost_kj


def _fastest(capacity: Sequence[float], between: Sequence[float], loss: Sequence[float]) -> float:
    """Highest rate in 1/s at which a segment alone would decay."""
    below = 0.0
    rates = []
    for g, leak, c in zip(between, loss, capacity, strict=True):
        rates.append((below + g + leak) / c)
        below = g
    return max(rates)


def _trapezoidal(
    column: Column,
    capacity: Sequence[float],
    between: Sequence[float],
    loss: Sequence[float],
    ambient_c: float,
    step_s: float,
) -> tuple[list[Segment], float]:
    """One step of the trapezoidal rule: the column, and heat lost in kJ.

    Its first half, explicit, keeps between the extremes as long as no segment decays more than
    twice in a step; its second, implicit, always does. What is solved for is the mean of both
    ends, in kelvin above ambient.
    """
    half_s = 0.5 * step_s
    solved: list[tuple[float, float]] = []
    below = share = carried = 0.0
    for part, g, leak, c in zip(column, between, loss, capacity, strict=True):
        up = half_s * g
        pivot = 1.0 / (c + half_s * leak + below + up - below * share)
        carried = (c * (part[3] - ambient_c) + below * carried) * pivot
        share = up * pivot
        solved.append((carried, share))
        below = up
    lost = middle = 0.0
    enthalpies = []
    solved.reverse()
    for (carried, share), part, leak, c in zip(
        solved, reversed(column), reversed(loss), reversed(capacity), strict=True
    ):
        middle = carried + share * middle
        lost += leak * middle
        enthalpies.append(part[1] + 2.0 * c * (middle + ambient_c - part[3]) / part[0])
    enthalpies.reverse()
    return segments_of([part[0] for part in column], enthalpies), lost * step_s


def _by_poles(
    column: Column,
    capacity: Sequence[float],
    between: Sequence[float],
    loss: Sequence[float],
    ambient_c: float,
    step_s: float,
) -> tuple[list[Segment], float]:
    """One step of any length by the poles above: the column, and heat lost in kJ."""
    excess = [part[3] - ambient_c for part in column]
    after = [0.0] * len(excess)
    lost = 0.0
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
        carried = leaked = 0j
        k = len(solved)
        while k:
            k -= 1
            carried = solved[k] + passed[k] * carried
            after[k] -= 2.0 * (weight * pole * carried).real
            leaked += loss[k] * carried
        lost += 2.0 * (weight * leaked).real
    new = [
        segment(part[0], part[1] + c * (end - u) / part[0])
        for part, c, end, u in zip(column, capacity, after, excess, strict=True)
    ]
    return new, lost * step_s
