"""Spreading what was stated: means and the chance of nothing stay, the variance follows."""

import datetime as dt
from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from forecasting import calendar, calibration, draws, trials
from forecasting.types import DrawHistory, Household
from forecasting.volumes import SUPPORT_L40

ZONE = ZoneInfo("Europe/Berlin")
NOW = int(dt.datetime(2024, 3, 4, tzinfo=ZONE).timestamp())
DAY = 86_400
GRID = calendar.grid(NOW, ZONE, 30, 48)


def record(above: float, expected: float = 200.0, days: float = 200.0) -> trials.Record:
    scores = {"above": np.array([above, above]), "expected": np.array([expected, expected])}
    return replace(trials.Record.new(), days=days, **scores)


def some_use() -> np.ndarray:
    pmf = np.exp(-SUPPORT_L40 / 30.0) * np.ones((len(GRID), 2, 1))
    pmf[..., 0] += 2.0
    return pmf / pmf.sum(-1, keepdims=True)


def moments(pmf: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    mean = pmf @ SUPPORT_L40
    return mean, pmf @ SUPPORT_L40**2 - mean**2


def test_nothing_shown_changes_nothing():
    assert calibration.factors(trials.Record.new()) == (1.0, 1.0)
    out = calibration.calibrated(some_use(), GRID, NOW, trials.Record.new())
    np.testing.assert_array_equal(out, some_use())


@pytest.mark.parametrize("above", [150.0, 190.0, 210.0, 300.0])
def test_use_is_spread_as_the_days_gone_by_demand(above):
    before, after = some_use(), calibration.calibrated(some_use(), GRID, NOW, record(above))
    assert after.min() >= 0
    np.testing.assert_allclose(after.sum(-1), 1.0, atol=1e-12)
    (mean, variance), (mean_after, variance_after) = moments(before), moments(after)
    np.testing.assert_allclose(mean_after, mean, rtol=1e-6)
    factor = calibration.factors(record(above))[0]
    assert (factor > 1) == (above > 200)
    added = (variance_after - variance) / (before @ SUPPORT_L40**2)  # what a factor's variance adds
    np.testing.assert_allclose(added, factor - 1.0, atol=0.01)


def test_few_days_are_believed_less_than_many():
    few, many = calibration.factors(record(12, 10))[0], calibration.factors(record(240, 200))[0]
    assert 1.0 < few < many <= calibration.WIDEST


def test_the_published_profile_is_not_corrected():
    """Before what is learned is trusted, what it got wrong says nothing of the profile."""
    assert calibration.factors(record(300.0, days=0.0)) == (1.0, 1.0)


def overdrawing(days: int, times: float) -> DrawHistory:
    """Days of twelve draws; on one day in five everything is so many times larger."""
    rng = np.random.default_rng(3)
    rows = []
    for day in range(days):
        size = times if rng.random() < 0.2 else 1.0
        for _ in range(12):
            rows.append(
                (NOW + day * DAY + int(rng.uniform(6, 23) * 3600), size * rng.normal(25, 2))
            )
    rows.sort()
    start, litres = (np.array(column) for column in zip(*rows, strict=True))
    return DrawHistory(
        start.astype(np.int64), litres * 5, litres, litres * 0.03, NOW, NOW + days * DAY
    )


def test_a_household_whose_busy_days_stay_busy_is_forecast_wider():
    """Draws of one day hang together, which the chain of half hours does not know."""
    end = NOW + 84 * DAY
    steady, bursts = (
        draws.learn(overdrawing(84, times), Household(occupants=3), ZONE, end).record
        for times in (1.0, 3.0)
    )
    assert calibration.factors(bursts)[1] > 1.05
    assert calibration.factors(bursts)[1] > calibration.factors(steady)[1]
