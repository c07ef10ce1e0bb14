"""Conduction between segments and standing loss to ambient, exact in time.

With u the segments' temperatures above ambient, C du/dt = -(K + L) u: K couples neighbours, L
holds the losses per surface. Its solution is a matrix exponential, so a step may have any
length. The heat lost is carried as one more unknown: the balance of a step then checks the
conduction and not itself.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from service.cylinder.geometry import Cylinder
from service.cylinder.segments import Column, merged_into_neighbour
from service.cylinder.water import Floats, heat_capacity_kj_per_kgk

_STIFF = 40.0  # spectral radius times step above which crumbs are looked for
_CRUMB_SHARE = 0.1  # of a mean segment
_CRUMB_KJ_PER_KG = 0.1  # a merge that changes its neighbour by less than 0.025 K is no harm
_FINEST_SHARE = 1 / 8  # of a nominal segment: distance left inside water that is kept mixed
_ACCURACY = 1e-7  # of the temperatures above ambient

_Coefficients = tuple[Floats, Floats, Floats, Floats]


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
    if stirred is not None and stirred[1] - stirred[0] > 1:
        first, end = stirred
        whole = column
        column = Column(
            np.concatenate((whole.mass[:first], [whole.mass[first:end].sum()], whole.mass[end:])),
            np.concatenate((whole.enthalpy[: first + 1], whole.enthalpy[end:])),
        )
        before = column.enthalpy
        coefficients = _coefficients(cylinder, column, first)
        column, lost_kj = _spread(column, coefficients, ambient_c, step_s)
        change = column.enthalpy - before
        counts = np.ones(len(change), np.int64)
        counts[first] = end - first
        return Column(whole.mass, whole.enthalpy + np.repeat(change, counts)), lost_kj
    column, coefficients = _without_crumbs(cylinder, column, step_s)
    return _spread(column, coefficients, ambient_c, step_s)


def without_crumbs(cylinder: Cylinder, column: Column, step_s: float) -> Column:
    """Merge segments so small that they would only stiffen the conduction of a step."""
    return _without_crumbs(cylinder, column, step_s)[0]


def _without_crumbs(
    cylinder: Cylinder, column: Column, step_s: float
) -> tuple[Column, _Coefficients]:
    while True:
        coefficients = _coefficients(cylinder, column)
        rate = coefficients[3]
        crumb = int(rate.argmax())
        if 2 * step_s * float(rate[crumb]) < _STIFF or not _is_crumb(column, crumb):
            return column, coefficients
        column = merged_into_neighbour(column, crumb)


def _spread(
    column: Column, coefficients: _Coefficients, ambient_c: float, step_s: float
) -> tuple[Column, float]:
    """One exponential of the heat equation: (column, heat lost in kJ)."""
    capacity, loss, between, rate = coefficients
    radius = 2 * step_s * float(rate.max())
    mass, enthalpy = column
    n = len(mass)
    # In units of a mean segment, so that the row of losses is no larger than the others.
    unit = float(capacity.sum()) / n
    terms, radius = _chebyshev(radius)
    # Twice the generator, moved and scaled so that its eigenvalues lie between -2 and 2.
    scale = 4 * step_s / radius
    doubled = np.zeros((n + 1, n + 1))
    flat = doubled.ravel()
    diagonal = n + 2
    flat[::diagonal] = 2.0
    flat[: n * diagonal : diagonal] -= rate * scale
    between = between * scale
    flat[1 : 1 + (n - 1) * diagonal : diagonal] = between / capacity[:-1]
    flat[n + 1 : n + 1 + (n - 1) * diagonal : diagonal] = between / capacity[1:]
    doubled[n, :n] = loss * (scale / unit)
    before = np.zeros(n + 1)
    before[:n] = column.temperatures()
    before[:n] -= ambient_c
    after = _exponential_times(doubled, before, terms)
    change = (after[:n] - before[:n]) * capacity / (1000 * mass)
    return Column(mass, enthalpy + change), float(after[n]) * unit / 1000


def _coefficients(cylinder: Cylinder, column: Column, stirred: int | None = None) -> _Coefficients:
    """Heat capacity in J/K, loss in W/K, conductance to the next in W/K, rate of decay in 1/s."""
    volumes = column.volumes()
    capacity = 1000 * column.mass * heat_capacity_kj_per_kgk(column.enthalpy)
    bottom, side, top = cylinder.losses_w_per_k
    loss = volumes * (side / cylinder.volume_l)
    loss[0] += bottom
    loss[-1] += top
    if stirred is not None:
        volumes[stirred] = _FINEST_SHARE * cylinder.volume_l / cylinder.segments
    # k A / distance between centres, with distance = volume / (1000 A).
    conductance = cylinder.conductivity_w_per_mk * cylinder.area_m2**2 * 2000
    between = conductance / (volumes[1:] + volumes[:-1])
    leaving = loss.copy()
    leaving[:-1] += between
    leaving[1:] += between
    return capacity, loss, between, leaving / capacity


def _is_crumb(column: Column, k: int) -> bool:
    """Whether segment ``k`` is so small that merging it does its neighbour no harm."""
    mass, enthalpy = column
    mean_kg = float(mass.mean())
    if len(mass) < 3 or mass[k] > _CRUMB_SHARE * mean_kg:
        return False
    nearest = min(abs(enthalpy[k] - enthalpy[j]) for j in (k - 1, k + 1) if 0 <= j < len(mass))
    return bool(mass[k] * nearest < _CRUMB_KJ_PER_KG * mean_kg)


def _exponential_times(doubled: Floats, u: Floats, series: Floats) -> Floats:
    """exp(A) u by a Chebyshev series in A, given as twice A moved to the interval -1 .. 1.

    About sqrt(radius) products with a vector and none with a matrix (Tal-Ezer, Kosloff: J.
    Chem. Phys. 81, 3967, 1984, with decay in place of oscillation).
    """
    n = len(series)
    terms = np.empty((n, len(u)))
    terms[0] = u
    rows = list(terms)
    np.dot(doubled, u, rows[1])
    rows[1] *= 0.5
    for k in range(2, n):
        np.dot(doubled, rows[k - 1], rows[k])
        np.subtract(rows[k], rows[k - 2], rows[k])
    result: Floats = series @ terms
    return result


def _chebyshev(radius: float) -> tuple[Floats, float]:
    """Series of exp on the interval -radius .. 0, and the interval, which may be a bit longer."""
    step = math.ceil(math.log2(max(radius, 1e-3)) * 3)
    return _chebyshev_of(step), 2.0 ** (step / 3)


@lru_cache(maxsize=256)
def _chebyshev_of(step: int) -> Floats:
    """Coefficients of exp((x - 1) radius / 2) on -1 .. 1, as many as matter; 2^(step/3) long."""
    radius = 2.0 ** (step / 3)
    points = 16 << max(0, math.ceil(math.log2(max(radius, 1.0)) / 2))
    x = np.cos(np.pi / points * np.arange(points + 1))
    values = np.exp((x - 1.0) * (0.5 * radius))
    # A cosine transform by way of the FFT of the even continuation.
    spectrum = np.fft.rfft(np.concatenate((values, values[-2:0:-1]))).real / points
    spectrum[0] *= 0.5
    spectrum[-1] *= 0.5
    large = np.flatnonzero(np.abs(spectrum) > _ACCURACY)
    series: Floats = spectrum[: max(int(large[-1]) + 1, 2)].copy()
    series[0] += 1.0 - series.sum()  # exactly 1 for an eigenvalue of 0: nothing is lost
    return series
