"""How far a weekday's own draws are believed, against textbook posteriors and a weekly bath."""

import datetime as dt
import math
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from forecasting import draws, levels
from forecasting.types import DrawHistory, Household

ZONE = ZoneInfo("Europe/Berlin")
START = int(dt.datetime(2024, 1, 1, tzinfo=ZONE).timestamp())  # a Monday
DAY = 86_400


@pytest.mark.parametrize("x", [0.03, 0.5, 1.0, 4.75, 30.0, 400.0])
def test_log_gamma(x):
    """The C library's own lgamma."""
    assert levels.log_gamma(np.array([x]))[0] == pytest.approx(math.lgamma(x), abs=1e-9)


@pytest.mark.parametrize(("n", "e"), [(0.0, 3.0), (5.0, 0.5), (4.0, 4.0), (11.0, 6.0)])
@pytest.mark.parametrize("strength", range(len(levels.STRENGTHS) - 1))
def test_one_strength_is_the_conjugate_posterior(n, e, strength):
    """Gelman et al., Bayesian Data Analysis, section 2.6: Gamma(s, s) on a Poisson rate ratio
    has posterior mean (s + n) / (s + e)."""
    only = np.where(np.arange(len(levels.STRENGTHS)) == strength, 0.0, -1e4)
    of = np.full((2, 1), n), np.full((2, 1), e)
    s = levels.STRENGTHS[strength]
    found = levels.ratio(*of, of[1], np.stack([only, only]))
    assert found[0, 0] == pytest.approx((s + n) / (s + e))


@pytest.mark.parametrize(("n", "e"), [(0, 3.0), (5, 0.5), (4, 4.0), (11, 6.0)])
def test_a_mixture_of_strengths_is_the_exact_posterior(n, e):
    """Bayes' rule summed over a fine grid of ratios, for a prior that mixes gamma densities."""
    log_ratio = np.linspace(-700.0, math.log(60.0), 400_001)
    ratio = np.exp(log_ratio)
    prior = np.exp(levels.usual()[0])
    mass = np.zeros(len(ratio))
    for weight, s in zip(prior[:-1], levels.STRENGTHS[:-1], strict=True):
        density = s * math.log(s) - math.lgamma(s) + s * log_ratio - s * ratio
        mass += weight * np.exp(density) * (log_ratio[1] - log_ratio[0])
    poisson = np.exp(n * log_ratio - e * ratio)
    alike = prior[-1] * math.exp(-e)  # the last strength: ratio 1, no departure
    mean = ((mass * poisson * ratio).sum() + alike) / ((mass * poisson).sum() + alike)
    found = levels.ratio(
        np.full((2, 1), float(n)), np.full((2, 1), e), np.full((2, 1), e), levels.usual()
    )
    assert found[0, 0] == pytest.approx(mean, rel=1e-3)


def weekly_bath(weeks: int, seed: int, bath_on: tuple[int, ...]) -> DrawHistory:
    """Two showers each morning, basins, and a bath of 140 L at about 18:30 on some weekdays."""
    rng = np.random.default_rng(seed)
    rows = []
    for day in range(7 * weeks):
        midnight = START + day * DAY
        rows += [
            (midnight + int(rng.uniform(6.5, 22.5) * 3600), rng.uniform(1, 7)) for _ in "12345678"
        ]
        rows += [(midnight + int(rng.normal(7.5, 0.5) * 3600), rng.normal(40, 5)) for _ in "12"]
        if day % 7 in bath_on:
            rows.append((midnight + int(rng.normal(18.5, 0.3) * 3600), rng.normal(140, 8)))
    rows.sort()
    begin, litres = (np.array(column) for column in zip(*rows, strict=True))
    return DrawHistory(
        begin.astype(np.int64), litres * 6.0, litres, litres * 0.035, START, START + 7 * weeks * DAY
    )


def evening(weeks: int, seed: int, bath_on: tuple[int, ...]) -> np.ndarray:
    """Expected litres between 17 and 20 o'clock by weekday, shape (7,)."""
    end = START + 7 * weeks * DAY
    model = draws.learn(weekly_bath(weeks, seed, bath_on), Household(occupants=2), ZONE, end)
    return draws.typical_week(model)[:, 34:40].sum(1)


@pytest.mark.parametrize("seed", range(4))
def test_a_weekly_bath_is_believed_after_six_weeks(seed):
    """Six Sundays out of six with a bath: most of it is expected, and on Sundays alone."""
    litres = evening(6, seed, (6,))
    assert litres[6] > 0.6 * 140
    assert litres[:6].max() < 0.25 * 140


@pytest.mark.parametrize("seed", range(4))
def test_no_weekday_is_believed_where_there_is_none(seed):
    """Bath on every day: weekdays differ by chance alone and are held alike."""
    litres = evening(6, seed, tuple(range(7)))
    assert litres.max() < 1.25 * litres.min()
