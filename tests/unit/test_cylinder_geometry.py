"""Geometry and tenths."""

from __future__ import annotations

import math

import pytest

from service.cylinder.geometry import Cylinder
from service.cylinder.tenths import litres, shown_tenths, tenths


def test_height_and_diameter_go_together() -> None:
    tall = Cylinder(210.0, 1.5)
    again = Cylinder.of_diameter(210.0, tall.diameter_m)
    assert again.height_m == pytest.approx(1.5)
    assert math.pi / 4 * tall.diameter_m**2 * 1.5 == pytest.approx(0.210)
    assert tall.level(0.375) == pytest.approx(0.25)
    assert sum(tall.losses_w_per_k) == pytest.approx(tall.loss_w_per_k)


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"volume_l": 0.0}, "volume_l is 0"),
        ({"height_m": -1.0}, "height_m is -1"),
        ({"loss_w_per_k": math.nan}, "loss_w_per_k"),
        ({"inlet_mixing_l": 300.0}, "more than the cylinder's"),
        ({"loss_shares": (0.5, 0.5, 0.5)}, "add up to 1"),
        ({"loss_shares": (math.nan, 0.5, 0.5)}, "add up to 1"),
        ({"segments": 2}, "segments"),
        ({"inlet_tanks": 0}, "inlet_tanks"),
    ],
)
def test_impossible_cylinders_are_refused(change: dict[str, object], match: str) -> None:
    values = {"volume_l": 200.0, "height_m": 1.5} | change
    with pytest.raises(ValueError, match=match):
        Cylinder(**values)  # type: ignore[arg-type]


def test_a_probe_outside_the_cylinder_is_refused() -> None:
    with pytest.raises(ValueError, match="not within the cylinder"):
        Cylinder(200.0, 1.5).level(1.6)


def test_tenths_and_litres_are_each_other_s_inverse() -> None:
    assert tenths(150.0, 300.0) == pytest.approx(5.0)
    assert litres(5.0, 300.0) == pytest.approx(150.0)
    assert tenths(-3.0, 300.0) == 0.0
    with pytest.raises(ValueError, match="reference"):
        tenths(1.0, 0.0)


def test_shown_tenths_fall_at_once_and_rise_with_a_margin() -> None:
    shown = shown_tenths(159.0, 300.0, None)
    assert shown == 5
    # Noise around a whole tenth settles on the lower one.
    seen = []
    for lower in (151.0, 149.0, 151.0, 149.5, 150.5, 156.5, 151.0):
        shown = shown_tenths(lower, 300.0, shown)
        seen.append(shown)
    assert seen == [5, 4, 4, 4, 4, 5, 5]
    assert shown_tenths(300.0, 300.0, 9) == 10
    assert shown_tenths(330.0, 300.0, 9) == 10
    assert shown_tenths(0.0, 300.0, 9) == 0
