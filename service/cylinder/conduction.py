"""Conduction between segments and standing loss to ambient, exact in time.

With u the segments' temperatures above ambient, C du/dt = -(K + L) u: K couples neighbours, L
holds the losses per surface. Its solution is a matrix exponential, so a night costs about as
much as an hour and no step is too long. The heat lost is carried as one more unknown: the
balance of a step then checks the conduction and not itself.
"""

from __future__ import annotations

import math

import numpy as np

from service.cylinder.geometry import Cylinder
from service.cylinder.segments import Column
from service.cylinder.water import Floats, enthalpy_slope_kj_per_kgk

_SERIES_UP_TO = 6.0  # norm of the exponent up to which its plain series is cheaper


def relaxed(
    cylinder: Cylinder, column: Column, ambient_c: float, step_s: float
) -> tuple[Column, float]:
    """Let heat spread and leak for ``step_s`` seconds: (column, heat lost in kJ)."""
    mass, enthalpy = column
    n = len(mass)
    temperatures = column.temperatures()
    volumes = column.volumes()
    capacity = 1000 * mass * enthalpy_slope_kj_per_kgk(enthalpy)  # J/K
    bottom, side, top = cylinder.losses_w_per_k
    loss = volumes * (side / cylinder.volume_l)  # W/K
    loss[0] += bottom
    loss[-1] += top
    # Conductance between centres: k A / distance, with distance = volume / (1000 A).
    conductance = cylinder.conductivity_w_per_mk * cylinder.area_m2**2 * 2000
    between = conductance / (volumes[1:] + volumes[:-1])  # W/K
    leaving = loss.copy()
    leaving[:-1] += between
    leaving[1:] += between
    matrix = np.zeros((n + 1, n + 1))
    flat = matrix.ravel()
    diagonal = n + 2
    flat[: n * diagonal : diagonal] = -leaving / capacity
    flat[1 : 1 + (n - 1) * diagonal : diagonal] = between / capacity[:-1]
    flat[n + 1 : n + 1 + (n - 1) * diagonal : diagonal] = between / capacity[1:]
    # In kJ per K of a segment's mean capacity, so that the last row is no larger than others.
    unit = float(capacity.mean())
    matrix[n, :n] = loss / unit
    u = np.zeros(n + 1)
    u[:n] = temperatures - ambient_c
    norm = 2 * step_s * float((leaving / capacity).max())
    u = _exponential_times(matrix, u, step_s, norm)
    change = capacity * (u[:n] + ambient_c - temperatures) / (1000 * mass)
    return Column(mass, enthalpy + change), float(u[n]) * unit / 1000


def _exponential_times(matrix: Floats, u: Floats, step_s: float, norm: float) -> Floats:
    """exp(matrix * step) u, by its series when that is short, else by scaling and squaring.

    Moler, Van Loan: Nineteen Dubious Ways to Compute the Exponential of a Matrix, SIAM Review
    45 (2003), methods 1 and 3. The truncated series keeps the balance exactly, because the
    columns of the generator do.
    """
    if norm < _SERIES_UP_TO:
        scaled = matrix * step_s
        total = u.copy()
        term = u
        size = 1.0
        for k in range(1, 80):
            term = scaled @ term
            term /= k
            total += term
            size *= norm / k
            if size < 1e-9 and k > norm:
                break
        return total
    squarings = math.ceil(math.log2(norm / 0.25))
    x = matrix * (step_s / 2**squarings)
    x2 = x @ x
    x3 = x2 @ x
    one = np.eye(len(u))
    power = one + x + x2 / 2 + x3 @ (one / 6 + x / 24 + x2 / 120 + x3 / 720)
    for _ in range(squarings):
        power = power @ power
    result: Floats = power @ u
    return result
