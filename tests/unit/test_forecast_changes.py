"""Telling a lasting change of habits from chance, an odd week, a season and a guest."""

import numpy as np
import pytest

from forecasting import changes

DAYS = 84
SMALL = np.interp(np.arange(48), [0, 12, 15, 30, 38, 46, 47], [0.02, 0.1, 0.8, 0.3, 0.7, 0.2, 0.05])
LARGE = np.interp(np.arange(48), [0, 11, 14, 20, 36, 40, 47], [0.0, 0.01, 0.14, 0.01, 0.04, 0.1, 0])
SEEN = np.ones((DAYS, 48))


def home(seed: int, days: int = DAYS, large: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """Days of draws by chance, about 18 small and 1.8 (times ``large``) large ones a day."""
    rng = np.random.default_rng(seed)
    small, many = rng.poisson(SMALL, (days, 48)), rng.poisson(large * LARGE, (days, 48))
    return small.astype(float), many.astype(float)


def thinned(counts: np.ndarray, days: slice, keep: float, seed: int) -> np.ndarray:
    out = counts.copy()
    out[days] = np.random.default_rng(seed).binomial(out[days].astype(int), keep)
    return out


def moved(large: np.ndarray, days: slice, share: float, seed: int) -> np.ndarray:
    """So many of the large draws before noon come at about half past eight in the evening."""
    rng = np.random.default_rng(seed)
    out = large.copy()
    for day in range(*days.indices(len(large))):
        for slot in range(24):
            gone = rng.binomial(int(large[day, slot]), share)
            out[day, slot] -= gone
            for _ in range(gone):
                out[day, int(np.clip(rng.normal(41, 1.3), 24, 47))] += 1
    return out


def test_the_ratio_is_the_poisson_likelihoods():
    """Where counts vary by chance alone: the sum of Poisson log probabilities (scipy.stats) of a
    fortnight under 0.65 times the usual draws, over those under the usual ones."""
    small, large = np.zeros((DAYS, 48)), np.zeros((DAYS, 48))
    small[:, [14, 20, 26, 36, 42]] = 4.0  # like clockwork, so no more spread than chance
    small[-14:] = np.where(small[-14:] > 0, 2.0, 0.0)
    usual, last = 20.0 * 7 + 0.05 * 5, 10.0 * 7
    from scipy import stats  # loaded where it is used: it takes a second

    one = stats.poisson.logpmf(last, changes.FEWER * usual) - stats.poisson.logpmf(last, usual)
    by_chance = usual * np.log(changes.FEWER) ** 2
    wandered = 2.0 * (changes.WANDER * usual * np.log(changes.FEWER)) ** 2 / by_chance
    expected = 2.0 * one / (1.0 + wandered) / (1.0 + 2.0 / 10.0)
    assert changes.departure(small, large, SEEN) == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize("seed", range(8))
def test_a_lasting_change_is_told_within_two_weeks(seed):
    small, large = home(seed)
    last = slice(-14, None)
    assert changes.lasting_change(
        thinned(small, last, 0.5, seed), thinned(large, last, 0.5, seed), SEEN
    )
    last_two = np.arange(DAYS)[:, None] >= DAYS - 14
    guests = [thinned(x, slice(None), 0.45, 9) for x in home(100 + seed)]
    added = [x + last_two * y for x, y in zip((small, large), guests, strict=True)]
    assert changes.lasting_change(*added, SEEN)


def test_showers_moved_to_the_evening_are_told():
    """Of one and a half a morning; a fortnight of half as many holds too few to be sure."""
    told = 0
    for seed in range(20):
        small, large = home(seed, large=2.0)
        told += changes.lasting_change(small, moved(large, slice(-14, None), 0.8, seed), SEEN)
    assert told >= 18


@pytest.mark.parametrize("seed", range(8))
def test_one_odd_week_is_no_change(seed):
    small, large = home(seed)
    for week in (slice(-7, None), slice(-14, -7)):
        odd = [thinned(x, week, 0.3, seed) for x in (small, large)]
        assert not changes.lasting_change(*odd, SEEN)


def test_chance_is_seldom_taken_for_a_change():
    """Twenty home-years without a change: at most one told for every two of them."""
    told = 0
    for seed in range(20):
        small, large = home(seed, 365)
        last = -99
        for day in range(42, 365):
            use = slice(max(0, day - DAYS), day)
            if changes.lasting_change(small[use], large[use], np.ones((day - use.start, 48))):
                told += day - last > 14
                last = day
    assert told <= 10


def test_days_nobody_was_at_home_say_nothing():
    small, large = home(3)
    small[-10:], large[-10:] = 0.0, 0.0
    seen = SEEN.copy()
    seen[-10:] = 0.0
    assert not changes.lasting_change(small, large, seen)
