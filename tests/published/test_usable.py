"""Usable water against V40 as EN 16147 and Regulation 812/2013 define it.

The wording of the definition is from memory; the figures for sharp stores are computed with
CoolProp from that definition.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import gammaincc

from service.cylinder.geometry import Cylinder
from service.cylinder.stratification import mix_number
from service.cylinder.usable import (
    hot_volume_l,
    lukewarm_kwh,
    mixed_l,
    reference_l40,
    sharp_profile_c,
    usable_l,
    v40_l,
)


@pytest.mark.parametrize(
    ("volume_l", "hot_c", "simple_l", "expected_l", "kwh"),
    [
        (150, 50, 200.00, 199.12, 6.887),
        (200, 50, 266.67, 265.49, 9.183),
        (200, 55, 300.00, 297.97, 10.307),
        (200, 60, 333.33, 330.25, 11.423),
        (200, 65, 366.67, 362.33, 12.533),
        (300, 60, 500.00, 495.38, 17.135),
    ],
)
def test_v40_of_a_full_store(
    volume_l: float, hot_c: float, simple_l: float, expected_l: float, kwh: float
) -> None:
    """Cold inlet 10 degC: with real water (CoolProp), and V (T - Tc) / 30 within 1.5 %."""
    profile = np.full(40, float(hot_c))
    volumes = np.full(40, volume_l / 40)
    v40 = float(v40_l(profile, volumes, 10.0))
    assert v40 == pytest.approx(expected_l, rel=2e-4)
    assert v40 == pytest.approx(simple_l, rel=1.5e-2)
    assert v40 == pytest.approx(mixed_l(volume_l, hot_c, 10.0))
    assert lukewarm_kwh(profile, volumes, 10.0) == pytest.approx(0.0, abs=1e-9)


def test_water_too_cool_for_a_home_does_not_count() -> None:
    """Half of 200 L at 60 degC, half at 43: below 45 degC that is no more use than cold water."""
    profile, volumes = np.r_[np.full(20, 43.0), np.full(20, 60.0)], np.full(40, 5.0)
    assert v40_l(profile, volumes, 10.0, 45.0) == pytest.approx(0.5 * 330.25, rel=2e-4)
    assert v40_l(profile, volumes, 10.0, 43.0) == pytest.approx(v40_l(profile, volumes, 10.0))
    below = lukewarm_kwh(profile, volumes, 10.0, 45.0)
    assert below == pytest.approx(100.0 * 33.0 * 4.18 / 3600.0, rel=0.01)


@pytest.mark.parametrize("hot_share", [0.25, 0.5, 0.8])
def test_a_sharp_store_gives_its_hot_part_only(hot_share: float) -> None:
    layers = 40
    hot = round(hot_share * layers)
    profile = np.r_[np.full(layers - hot, 10.0), np.full(hot, 60.0)]
    volumes = np.full(layers, 200.0 / layers)
    assert v40_l(profile, volumes, 10.0) == pytest.approx(hot_share * 330.25, rel=2e-4)


def test_a_mixed_store_below_40_degrees_holds_heat_and_no_usable_water() -> None:
    """200 L at 39 degC: 6.7 kWh above a 10 degC inlet, no V40 (arithmetic)."""
    profile, volumes = np.full(40, 39.0), np.full(40, 5.0)
    assert v40_l(profile, volumes, 10.0) == 0.0
    assert lukewarm_kwh(profile, volumes, 10.0) == pytest.approx(6.7, abs=0.02)


@pytest.mark.parametrize("layers", [10, 40, 100])
def test_v40_of_a_graded_store_is_the_integral(layers: int) -> None:
    """From 10 degC at the bottom to 70 at the top: the upper half counts, at 55 on average.

    With constant properties V40 = V/2 (55 - 10)/30 = 0.75 V; real water gives about 1 % less.
    """
    faces = np.linspace(10.0, 70.0, layers + 1)
    profile = 0.5 * (faces[1:] + faces[:-1])
    v40 = float(v40_l(profile, np.full(layers, 200.0 / layers), 10.0))
    assert v40 == pytest.approx(150.0, rel=1.3e-2)
    fine = np.linspace(40.0, 70.0, 20001)
    exact = float(np.mean([mixed_l(100.0, t, 10.0) for t in fine[::200]]))
    assert v40 == pytest.approx(exact, rel=2e-3)


def test_a_mixing_valve_above_40_degrees_leaves_fewer_litres() -> None:
    """A valve at 48 degC (the bath limit of English building rules) needs 48 degC water."""
    profile = np.r_[np.full(20, 10.0), np.full(10, 45.0), np.full(10, 60.0)]
    volumes = np.full(40, 5.0)
    at_48 = float(usable_l(profile, volumes, 10.0, 48.0))
    assert at_48 == pytest.approx(50.0 * 50 / 38, rel=1e-2)
    assert float(v40_l(profile, volumes, 10.0)) == pytest.approx(50 * 35 / 30 + 50 * 50 / 30, 1e-2)


def test_the_inverse_and_the_reference() -> None:
    cylinder = Cylinder(200.0, 1.5)
    assert reference_l40(cylinder, 60.0) == pytest.approx(330.25, rel=2e-4)
    hot_l = hot_volume_l(150.0, 55.0, 12.0)
    assert mixed_l(hot_l, 55.0, 12.0) == pytest.approx(150.0)
    for wanted in (0.0, 60.0, 180.0):
        profile = sharp_profile_c(cylinder, wanted, 55.0, 12.0, layers=400)
        v40 = v40_l(profile, cylinder.layer_volumes_l(400), 12.0)
        assert v40 == pytest.approx(wanted, abs=1.1 * mixed_l(0.5, 55.0, 12.0))


@pytest.mark.parametrize(
    ("tanks", "v40_per_l", "delivered_share"),
    [
        (1, 0.66667, 0.40000),
        (2, 0.95627, 0.57376),
        (4, 1.17184, 0.70311),
        (10, 1.36167, 0.81700),
        (20, 1.45473, 0.87284),
    ],
)
def test_v40_drawn_from_tanks_in_series(
    tanks: int, v40_per_l: float, delivered_share: float
) -> None:
    """60 degC store, 10 degC feed, N mixed tanks: T = 10 + 50 Q(N, N x), Q the upper gamma.

    Closed form (scipy.special.gammaincc): the plugs that leave are a profile, and its V40 per
    litre and the share of the heat that comes at 40 degC or hotter follow, with constant
    properties; real water is within 1.2 %.
    """
    x = (np.arange(6000) + 0.5) / 2000
    outlet_c = 10.0 + 50.0 * gammaincc(tanks, tanks * x)
    volumes = np.full(len(x), 1 / 2000)
    v40 = float(v40_l(outlet_c[::-1], volumes, 10.0))
    assert v40 == pytest.approx(v40_per_l, rel=1.2e-2)
    assert v40 * 30 / 50 == pytest.approx(delivered_share, rel=1.2e-2)


@pytest.mark.parametrize(
    ("profile_c", "mix"),
    [((10, 10, 60, 60), 0.0), ((10, 30, 40, 60), 0.2), ((35, 35, 35, 35), 1.0)],
)
def test_mix_number(profile_c: tuple[float, ...], mix: float) -> None:
    """MIX number (Davidson, Adams, Miller 1994); four equal layers, closed form by hand."""
    assert math.isclose(mix_number(np.array(profile_c, float), 10.0, 60.0), mix, abs_tol=1e-12)
