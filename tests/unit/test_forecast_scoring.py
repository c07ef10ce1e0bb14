"""Scores of a known distribution, and the verdict on many of them."""

import json
from dataclasses import replace

import numpy as np
import pytest

from forecasting import scoring
from forecasting.sums import accumulated, quantiles
from forecasting.types import DemandForecast, DrawHistory, SlotGrid

HOUR = 3600


def certain(litres: float, slots: int = 24) -> DemandForecast:
    """An hourly forecast that is sure of ``litres`` in its first slot and of nothing after."""
    volumes = np.array([0.0, litres])
    pmf = np.zeros((slots, 1, 2))
    pmf[:, 0, 0] = 1.0
    pmf[0, 0] = 0.0, 1.0
    edges = np.arange(slots + 1, dtype=np.int64) * HOUR
    return DemandForecast(
        SlotGrid(edges[:-1], edges[1:]),
        volumes,
        pmf,
        np.ones(1),
        np.ones((slots, 1, 1)),
        pmf[:, 0] @ volumes,
        np.zeros(slots),
        1.0,
        0,
    )


def drawn(litres: float, until: int = 24 * HOUR, at: int = 600) -> DrawHistory:
    return DrawHistory(
        np.array([at]), np.array([60.0]), np.array([litres]), np.array([0.0]), at - 600, until
    )


def test_a_certain_forecast_scores_its_absolute_error():
    # Gneiting and Raftery 2007: the CRPS of a point forecast is its absolute error
    found = scoring.score(certain(100.0), drawn(130.0))
    assert found.hours == (3, 6, 12, 24)
    assert found.crps_l40 == pytest.approx((30.0,) * 4, abs=2.0)
    assert found.pinball_l40[-1] == pytest.approx((15.0, 24.0, 28.5, 29.7))
    assert not any(found.covered[-1])
    assert found.bias_l40 == pytest.approx(-30)


def test_crps_of_a_uniform_distribution():
    # closed form for U(0, b) at y: y^2/b - y + b/3
    pmf = np.zeros(1024)
    pmf[:100] = 0.01
    for happened in (0.0, 60.0, 150.0):
        inside = min(happened, 200.0)
        exact = inside**2 / 200 - inside + 200 / 3 + (happened - inside)
        assert scoring.crps(pmf, happened) == pytest.approx(exact, abs=1.2)


def test_only_windows_that_are_over_count():
    found = scoring.score(certain(10.0), drawn(10.0, until=7 * HOUR))
    assert found.hours == (3, 6)
    with pytest.raises(ValueError, match="before 3 hours"):
        scoring.score(certain(10.0), drawn(10.0, until=HOUR))


def test_a_score_survives_json():
    found = scoring.score(certain(100.0), drawn(130.0), drawn(90.0, 0, 600 - 7 * 86_400))
    assert found.last_week_l40 == pytest.approx((90.0,) * 4)
    assert scoring.Score.from_plain(json.loads(json.dumps(found.to_plain()))) == found


def scores(days: int, covered: float, ours: float, theirs: float) -> tuple[scoring.Score, ...]:
    base = scoring.score(certain(100.0), drawn(100.0), drawn(90.0, 0, 600 - 7 * 86_400))
    held = round(days * covered)
    return tuple(
        replace(
            base,
            covered=((i < held,) * 4,) * 4,
            crps_l40=(ours,) * 4,
            last_week_l40=(100.0 - theirs,) * 4,
        )
        for i in range(days)
    )


@pytest.mark.parametrize(
    ("given", "code"),
    [
        (scores(0, 1, 1, 1), "too_early"),
        (scores(13, 1, 5, 20), "too_early"),
        (scores(60, 1, 5, 20), "trusted"),
        (scores(60, 0.8, 5, 20), "too_sure"),
        (scores(60, 1, 20, 20), "no_better_than_last_week"),
    ],
)
def test_the_verdict(given, code):
    found = scoring.verdict(given)
    assert found.code == code
    assert found.facts["days"] == len(given)


def test_sums_carry_the_regimes():
    # two slots that are both dry or both 40 L, by a regime that stays: the sum is 0 or 80
    pmf = np.array([[[1.0, 0.0], [0.0, 1.0]]] * 2)
    edges = np.arange(3, dtype=np.int64) * HOUR
    made = DemandForecast(
        SlotGrid(edges[:-1], edges[1:]),
        np.array([0.0, 40.0]),
        pmf,
        np.array([0.7, 0.3]),
        np.repeat(np.eye(2)[None], 2, axis=0),
        np.array([12.0, 12.0]),
        np.zeros(2),
        1.0,
        0,
    )
    total = accumulated(made, (2,))[0]
    assert total[0] == pytest.approx(0.7)
    assert total[40] == pytest.approx(0.3)
    assert quantiles(total, (0.5, 0.95)).tolist() == [0.0, 80.0]
