"""What accumulates: the quick way through characteristic functions against plain convolution."""

import datetime as dt
from zoneinfo import ZoneInfo

import numpy as np

from forecasting import calendar, draws, sums
from forecasting.types import DrawHistory, Household

ZONE = ZoneInfo("Europe/Berlin")
NOW = int(dt.datetime(2024, 3, 4, 6, tzinfo=ZONE).timestamp())
NONE = np.zeros(0)
NOTHING = DrawHistory(np.zeros(0, np.int64), NONE, NONE, NONE, NOW, NOW)


def test_sums_are_those_of_plain_convolution():
    grid = calendar.grid(NOW, ZONE, 60, 8)
    model = draws.learn(NOTHING, Household(occupants=3), ZONE, NOW)
    made = draws.forecast(model, grid, NOW, (), NOTHING, np.full(len(grid), 10.0))
    steps = (made.volumes_l40 / sums.STEP_L).astype(int)
    carried = made.regime_now[:, None] * np.eye(1, 4096)
    ends = (2, 8)
    for slot in range(8):
        onward = np.zeros_like(carried)
        for regime, pmf in enumerate(made.pmf[slot]):
            for step, chance in zip(steps, pmf, strict=True):
                onward[regime, step:] += chance * carried[regime, : 4096 - step]
        if slot + 1 in ends:
            found = sums.accumulated(made, ends)[ends.index(slot + 1)]
            np.testing.assert_allclose(found, onward.sum(0)[: len(found)], atol=1e-9)
        carried = made.transition[slot].T @ onward
    later = sums.accumulated(made, (8,), first=3)[0]
    np.testing.assert_allclose(
        later @ (2.0 * np.arange(len(later))), made.expected_l40[3:].sum(), rtol=1e-6
    )


def test_quantiles_of_many_sums_are_those_of_each():
    pmf = np.random.default_rng(1).dirichlet(np.ones(50), 7)
    levels = (0.5, 0.8, 0.95, 0.99)
    many = sums.quantiles(pmf, levels)
    for row, found in zip(pmf, many, strict=True):
        for level, litres in zip(levels, found, strict=True):
            k = int(litres / sums.STEP_L)
            assert row[: k + 1].sum() >= level - 1e-12
            assert row[:k].sum() < level
