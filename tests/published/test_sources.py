"""Heat sources against published heat-pump data; plate exchangers are in test_model_charging."""

from __future__ import annotations

import numpy as np
import pytest

from service.cylinder.sources import (
    Correction,
    HeatPump,
    RatingPoint,
    default_heat_pump,
)

# Medians of fits to the declared points of 366 regulated air/water heat pumps, tenth and
# ninetieth percentile beside them (package hplib 1.9, hplib_database.csv, group 1).
FITS = {
    (7, 35): (4.46, 5.08, 5.58),
    (2, 35): (3.84, 4.33, 4.63),
    (-7, 35): (2.45, 2.91, 3.28),
    (12, 55): (3.33, 4.05, 4.73),
    (7, 50): (3.25, 3.75, 4.17),
    (7, 55): (2.73, 3.30, 3.77),
    (7, 60): (2.21, 2.84, 3.41),
    (2, 55): (2.10, 2.50, 2.86),
}
# Declared COP at A-7/W52 in the same data set: 1.80, 2.02, 2.27. The fits fall too low there.
COLD = (1.80, 2.02, 2.27)


def typical() -> HeatPump:
    """A heat pump as an installer types it in: the EN 14511 points of a data sheet."""
    points = [RatingPoint(a, w, 7000.0, FITS[a, w][1]) for a, w in ((7, 35), (7, 55), (2, 35))]
    points.append(RatingPoint(-7, 52, 5500.0, COLD[1]))
    return HeatPump(tuple(points))


@pytest.mark.parametrize("point", [(7, 50), (7, 60), (2, 55), (12, 55), (-7, 35)])
def test_cop_between_and_beyond_the_points_typed_in(point: tuple[int, int]) -> None:
    """From four points, the other points of the published median come back within 20 %."""
    outdoor_c, flow_c = point
    assert float(typical().cop(outdoor_c, flow_c)) == pytest.approx(FITS[point][1], rel=0.2)


def test_the_points_typed_in_come_back() -> None:
    odd = HeatPump((RatingPoint(12, 45, 7000.0, 8.3), RatingPoint(20, 45, 7500.0, 1.1)))
    for pump, point in [(p, point) for p in (typical(), odd) for point in p.points]:
        duty = pump.at(point.outdoor_c, point.flow_c)
        assert duty.cop == pytest.approx(point.cop, rel=1e-4)
        assert duty.heat_w == pytest.approx(point.heat_w, rel=1e-4)
        assert duty.electricity_w == pytest.approx(point.heat_w / point.cop, rel=2e-4)


def test_sensitivity_to_flow_temperature() -> None:
    """At A7/W55 a kelvin of flow costs 2 to 2.7 % of COP (hplib 1.9, groups 4 and 1)."""
    pump = typical()
    per_k = float(pump.cop(7, 55) / pump.cop(7, 54)) - 1
    assert -0.035 < per_k < -0.015


@pytest.mark.parametrize("point", FITS)
def test_the_default_is_cautious(point: tuple[int, int]) -> None:
    """Never above the published median, and not below two thirds of the tenth percentile."""
    low, median, _ = FITS[point]
    cop = float(default_heat_pump(8000.0).cop(*point))
    assert 0.67 * low <= cop <= median
    cold = float(default_heat_pump(8000.0).cop(-7, 52))
    assert cold == pytest.approx(COLD[0], rel=1e-4)


def test_cop_stays_possible_everywhere() -> None:
    """Between 1 and Carnot's limit (T / lift), and falling with flow temperature."""
    outdoor, flow = np.meshgrid(np.arange(-20.0, 36.0), np.arange(30.0, 71.0))
    for pump in (typical(), default_heat_pump(8000.0)):
        cop = pump.cop(outdoor, flow)
        carnot = (flow + 273.15) / np.maximum(flow - outdoor, 5.0)
        assert np.all(cop >= 1)
        assert np.all(cop <= np.maximum(0.75 * carnot, 1.0))
        heat = pump.heat_w(outdoor, flow)
        assert np.all(heat > 0)
        assert np.all(heat <= max(p.heat_w for p in pump.points) + 1e-6)


def test_meters_correct_the_rating_slowly() -> None:
    seen = Correction()
    for _ in range(30):
        seen = seen.seen(expected_kwh=10.0, metered_kwh=8.5)
    assert seen.scale == pytest.approx(0.86, abs=0.015)
    assert Correction().seen(1.0, 0.85).scale > 0.99
    assert Correction().seen(1.0, 0.0).scale == 1.0  # a meter that stands still teaches nothing
    pump = typical().corrected(heat=Correction(), cop=seen)
    assert float(pump.cop(7, 55)) == pytest.approx(3.30 * seen.scale, rel=1e-3)


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"cop": 0.5}, "COP 1 to 15"),
        ({"cop": 14.0}, "thermodynamics"),
        ({"heat_w": 0.0}, "above 0 W"),
        ({"flow_c": 5.0}, "warmer than outdoors"),
    ],
)
def test_impossible_rating_points_are_refused(change: dict[str, float], match: str) -> None:
    values = {"outdoor_c": 7.0, "flow_c": 55.0, "heat_w": 7000.0, "cop": 3.0} | change
    with pytest.raises(ValueError, match=match):
        HeatPump((RatingPoint(**values),))
