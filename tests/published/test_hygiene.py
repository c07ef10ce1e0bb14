"""Hygiene numbers against published thermal-death data."""

from __future__ import annotations

import math

import numpy as np
import pytest

from service.cylinder.hygiene import HygieneTally, decimal_reduction_min, lethality


@pytest.mark.parametrize(
    ("t_c", "decades"),
    [(50, 0.386), (52, 0.922), (55, 3.404), (57, 8.129), (58, 12.56), (60, 30.0), (65, 264.4)],
)
def test_an_hour_at_a_temperature(t_c: float, decades: float) -> None:
    """Closed form with D60 2 min and z 5.29 K (Schulze-Roebbecke and Buchholtz 1992)."""
    assert float(lethality(t_c, 3600.0)) == pytest.approx(decades, rel=2e-3)
    tally = HygieneTally.empty(1).advanced(np.array([float(t_c)]), 3600.0)
    assert tally.decades[0] == pytest.approx(decades, rel=2e-3)


@pytest.mark.parametrize(("t_c", "minutes"), [(50, 155.4), (55, 17.63), (65, 0.227), (70, 0.026)])
def test_decimal_reduction_times(t_c: float, minutes: float) -> None:
    assert decimal_reduction_min(t_c) == pytest.approx(minutes, rel=2e-2)


def test_three_decades_in_six_minutes_at_60_degrees() -> None:
    """As the handbook states for the same D and z (Schulze-Roebbecke and Buchholtz 1992)."""
    assert float(lethality(60.0, 360.0)) == pytest.approx(3.0)


@pytest.mark.parametrize(("t_c", "minutes"), [(50, 380.0), (55, 13.93), (60, 0.74)])
def test_other_measured_values_can_be_given(t_c: float, minutes: float) -> None:
    """Sanden et al. 1989 (Curr. Microbiol.): their fit over 50 to 60 degC, z 3.69, D60 0.70."""
    found = decimal_reduction_min(t_c, d60_min=0.70, z_k=3.69)
    assert found == pytest.approx(minutes, rel=0.25)
    # The default is the more cautious one where disinfection happens.
    assert t_c < 55 or decimal_reduction_min(t_c) > found


def test_eight_decades_at_60_degrees_are_not_promised_early() -> None:
    """Stout 1986: 8 decades take 25 min at 60 degC; ours says 16 min or more."""
    assert float(lethality(60.0, 15 * 60.0)) < 8.0


def test_the_coldest_layer_decides_for_itself() -> None:
    profile = np.array([15.0, 35.0, 47.0, 52.0, 57.0, 62.0])
    tally = HygieneTally.empty(6).advanced(profile, 7200.0, drawn_l=30.0)
    assert tally.growth_h.tolist() == [0, 2, 0, 0, 0, 0]
    assert (tally.above_50_s / 3600).tolist() == [0, 0, 0, 2, 2, 2]
    assert (tally.above_55_s / 3600).tolist() == [0, 0, 0, 0, 2, 2]
    assert (tally.above_60_s / 3600).tolist() == [0, 0, 0, 0, 0, 2]
    # Below 50 degC nothing counts, whatever the exponential says.
    assert tally.decades[:3].tolist() == [0, 0, 0]
    assert np.all(np.diff(tally.decades[3:]) > 0)


def test_an_even_warming_is_integrated_exactly() -> None:
    """From 40 to 60 degC in an hour against ten thousand short steps (numerical integration)."""
    begin, end = np.array([40.0]), np.array([60.0])
    once = HygieneTally.empty(1).advanced(end, 3600.0, profile_before_c=begin)
    fine = np.linspace(40.0, 60.0, 10_001)
    middles = 0.5 * (fine[1:] + fine[:-1])
    summed = float(np.sum(lethality(middles[middles >= 50.0], 0.36)))
    assert once.decades[0] == pytest.approx(summed, rel=1e-4)
    assert once.above_50_s[0] == pytest.approx(1800.0)
    assert once.above_55_s[0] == pytest.approx(900.0)
    assert once.growth_s[0] == pytest.approx(900.0)


def test_turnover_by_layer() -> None:
    """150 L drawn from 300 L: through the lowest tenth five times, the whole half."""
    tally = HygieneTally.empty(10).advanced(np.full(10, 30.0), 60.0, drawn_l=150.0)
    turnover = tally.turnover(300.0)
    assert turnover[0] == pytest.approx(5.0)
    assert turnover[-1] == pytest.approx(0.5)


def test_a_tally_can_be_stored() -> None:
    tally = HygieneTally.empty(4).advanced(np.array([10.0, 30.0, 51.0, 61.0]), 600.0, 12.0)
    again = HygieneTally.from_plain(tally.to_plain())
    assert again.to_plain() == tally.to_plain()
    assert math.isclose(again.elapsed_s, 600.0)
    with pytest.raises(ValueError, match="shape"):
        tally.advanced(np.zeros(5), 60.0)
