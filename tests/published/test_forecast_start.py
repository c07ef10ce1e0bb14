"""What a new home starts from, against the published figures it rests on."""

from zoneinfo import ZoneInfo

import numpy as np
import pytest

from forecasting import draws, profiles, surroundings
from forecasting.types import DrawHistory, Household, Measured

ZONE = ZoneInfo("Europe/London")
NOW = 1_704_067_200  # 2024-01-01


@pytest.mark.parametrize(("area", "people"), [(50, 1.690), (70, 2.246), (100, 2.740), (150, 2.934)])
def test_occupancy_from_floor_area(area, people):
    """SAP 2012, assumed occupancy N of a floor area A:

    N = 1 + 1.76 (1 - exp(-0.000349 (A - 13.9)^2)) + 0.0013 (A - 13.9)
    """
    assert profiles.occupancy(area) == pytest.approx(people, abs=6e-4)


@pytest.mark.parametrize(("people", "litres"), [(1, 61), (2, 86), (3, 111), (4, 136)])
def test_daily_volume(people, litres):
    """SAP 2012: 25 N + 36 litres of hot water a day."""
    assert profiles.daily_litres_hot(people) == litres


@pytest.mark.parametrize(("people", "kwh"), [(1, 959.77), (2, 1353.11), (3, 1746.46), (4, 2139.81)])
def test_a_year_of_the_starting_profile_carries_the_published_energy(people, kwh):
    """SAP 2012 / BREDEM energy content of hot water, monthly factors and rises summed.

    Ours holds the daily energy constant (annual mean rise 37.0 K), so it agrees within 2 %.
    """
    litres = profiles.daily_litres_40c(Household(occupants=people))
    assert litres * 365 * 1.153e-3 * (40 - 15) == pytest.approx(kwh, rel=0.02)


def test_the_days_shape_is_that_of_profile_m():
    """EN 16147 / Regulation 812/2013 profile M: 5.845 kWh in 23 draws, by part of the day."""
    energies = np.array([kwh for _, kwh in profiles.PROFILE_M])
    hours = np.array([hour for hour, _ in profiles.PROFILE_M])
    assert len(energies) == 23
    assert energies.sum() == pytest.approx(5.845)
    shape = profiles.shape()
    assert shape.sum() == pytest.approx(1)
    for begin, end in ((5, 11), (11, 17), (17, 24)):
        of = (hours >= begin) & (hours < end)
        assert shape[2 * begin : 2 * end].sum() == pytest.approx(
            energies[of].sum() / 5.845, abs=0.04
        )


def test_draw_sizes_are_those_of_task_26():
    """IEA SHC Task 26 (Jordan and Vajen): 1 L/min x 1 min, 6 x 1, 8 x 5, 14 x 10; 14/36/40/10 %."""
    sizes = {name: (litres, share) for name, litres, _, share in profiles.DRAW_CATEGORIES}
    assert sizes == {
        "short": (1, 0.14), "medium": (6, 0.36), "shower": (8 * 5, 0.40), "bath": (14 * 10, 0.10),
    }  # fmt: skip


def test_an_unmeasured_home_draws_the_published_volume():
    """SAP 2012 at 3 people: 111 litres at a rise of 37 K, as litres at 40 degC above 15 degC."""
    none = np.zeros(0)
    empty = DrawHistory(np.zeros(0, np.int64), none, none, none, NOW, NOW)
    model = draws.learn(empty, Household(occupants=3), ZONE, NOW)
    assert draws.typical_week(model).sum(1) == pytest.approx(111 * 37 / 25, rel=0.03)
    assert model.learned_weight == 0


VDI_4655 = (8.0, 7.5, 8.0, 9.5, 11.0, 13.0, 14.5, 15.0, 14.0, 12.5, 10.5, 9.0)


def test_the_inlet_learns_another_published_year():
    """Started from SAP 10.2 Table J1, shown VDI 4655's monthly cold water (secondary source)."""
    from forecasting import calendar

    start = np.arange(NOW, NOW + 365 * 86_400, 1800, dtype=np.int64)
    middle = (np.arange(14) - 0.5) * 365 / 12
    inlet = np.interp((start - NOW) / 86_400, middle, (VDI_4655[-1], *VDI_4655, VDI_4655[0]))
    nothing = np.full(len(start), np.nan)
    measured = Measured(start, inlet, nothing, nothing)
    end = NOW + 365 * 86_400
    model = surroundings.learn(measured, ZONE, end)
    for ahead_d in (0, 90, 180, 270):
        at = end + ahead_d * 86_400
        found = surroundings.forecast(model, calendar.grid(at, ZONE, 60, 24), end).cold_inlet_c
        truth = np.interp(ahead_d % 365, middle, (VDI_4655[-1], *VDI_4655, VDI_4655[0]))
        assert found.mean() == pytest.approx(truth, abs=1.0)
