"""Conduction of a step of any length, and mixing by flow taken as dispersion."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.linalg import expm

from service.cylinder import conduction
from service.cylinder.geometry import Cylinder
from service.cylinder.segments import heat_kj, segment
from service.cylinder.water import enthalpy_kj_per_kg

CYLINDER = Cylinder(200.0, 1.5, loss_w_per_k=2.0)


def test_the_poles_give_the_exponential() -> None:
    z = np.r_[0.0, np.logspace(-4, 6, 4000)]
    after = np.zeros_like(z)
    for pole, weight in conduction._POLES:
        after -= 2 * np.real(weight * pole / (z - pole))
    assert np.abs(after - np.exp(-z)).max() < 1.2e-6
    assert after[0] == pytest.approx(1.0, abs=1e-14)


@pytest.mark.parametrize("step_s", [15.0, 300.0, 1800.0, 7200.0])
def test_a_step_is_the_exponential_of_the_heat_equation(step_s: float) -> None:
    """Against scipy's matrix exponential, constants of water at 30 degC for all segments."""
    litres = np.array([20.0, 5.0, 5.0, 2.0, 1.0, 2.0, 5.0, 40.0, 120.0])
    begin_c = np.array([29.0, 29.0, 29.0, 29.2, 30.0, 30.8, 31.0, 31.0, 31.0])
    column = [
        segment(v / segment(1.0, float(enthalpy_kj_per_kg(t)))[2], float(enthalpy_kj_per_kg(t)))
        for v, t in zip(litres.tolist(), begin_c.tolist(), strict=True)
    ]
    found, lost_kj = conduction.relaxed(CYLINDER, column, 20.0, step_s)
    bottom, side, top = CYLINDER.losses_w_per_k
    loss = side * litres / 200.0
    loss[0] += bottom
    loss[-1] += top
    coupling = 0.63 * CYLINDER.area_m2**2 * 2000 / (litres[1:] + litres[:-1])
    capacity = litres * 0.99565 * 4179.8
    spread = np.diag(loss)
    for k, g in enumerate(coupling):
        spread[k : k + 2, k : k + 2] += g * np.array([[1, -1], [-1, 1]])
    expected = 20.0 + expm(-step_s * spread / capacity[:, None]) @ (begin_c - 20.0)
    assert [part[3] for part in found] == pytest.approx(expected, abs=6e-3)
    assert heat_kj(column) - heat_kj(found) == pytest.approx(lost_kj, abs=1e-9)


def test_dispersion_widens_a_front_by_its_variance() -> None:
    """Variance grows by what was said: the temperatures' second moment about the front."""
    still = replace(CYLINDER, loss_w_per_k=0.0, conductivity_w_per_mk=0.0)
    low, high = (segment(1.0, float(enthalpy_kj_per_kg(t))) for t in (29.0, 31.0))
    column = [segment(1.0 / part[2], part[1]) for part in [low] * 100 + [high] * 100]
    square_l2 = 150.0
    found, _ = conduction.relaxed(still, column, 20.0, 60.0, dispersed=[(square_l2, 0.0, 200.0)])
    slope = np.diff([part[3] for part in found]) / 2.0
    faces = np.arange(-99.0, 100.0)
    assert float(slope.sum()) == pytest.approx(1.0, abs=1e-3)
    assert float((slope * faces**2).sum()) == pytest.approx(square_l2, rel=0.01)
