"""Rates by weekday and half hour: how often something happens, shrunk as far as data demand.

Each rate leans on its parent: a weekday on its kind of day (working or free), that on all days,
all days on the published profile. How hard it leans is learned by leaving one day out, and how
far the level of a weekday's stretch of hours departs from its kind of day by empirical Bayes
(``levels``), so a weekday effect is believed exactly as far as this household shows one.

Beside this slow estimate run a few quick ones (the last days' level and the last days' hours).
What weeks take turns in (``rota``) is in the slow rates they are handed.
Their weights follow how well each foretold the days gone by, with a fixed share [1] that lets a
quick one take over when habits change.

Arrays carry two channels in front: small draws (a Poisson count in a half hour) and large ones
(whether a half hour holds any, a chance).

References:
    [1] Herbster and Warmuth 1998, Tracking the best expert (fixed share).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecasting import levels
from forecasting.calendar import SLOTS_PER_DAY
from forecasting.types import CHANNELS, Floats, Ints

STRENGTHS = np.array([0.03, 0.1, 0.3, 1.0, 3.0, 8.0, 20.0, 60.0, 1e5])
LOWEST = 2e-4  # rate of a half hour in which nothing was ever drawn
PRIOR_D = 6.0  # days of evidence the published profile is worth
STRETCH = np.repeat(np.arange(6), 8)  # four-hour stretches that share a level
STRETCH_SUM: Floats = (STRETCH[:, None] == np.arange(6)[None, :]).astype(np.float64)
LEVEL_HALF_LIVES_D = (3.0, 10.0, 35.0)  # quick estimates of a stretch's level
HOURS_HALF_LIVES_D = (4.0, 12.0)  # quick estimates of each half hour
LEVELS, QUICK = len(LEVEL_HALF_LIVES_D), len(LEVEL_HALF_LIVES_D) + len(HOURS_HALF_LIVES_D)
EXPERTS = 1 + QUICK
TEMPER = 0.5  # half hours of a day are no independent witnesses: a busy day is busy throughout
SHARE = 0.01  # of an estimate's weight handed round each day
LEVEL_DRAWS = 16.0  # draws of evidence a wider level is worth to a narrower one
HOURS_D = 2.0  # days of evidence the slow hours are worth to quick ones
_KEEP: Floats = 0.5 ** (1.0 / np.array([LEVEL_HALF_LIVES_D + HOURS_HALF_LIVES_D]).T)
_ONE: Floats = np.eye(SLOTS_PER_DAY)
_BESIDE: Floats = 0.5 * np.roll(_ONE, 1, 1) + 0.5 * np.roll(_ONE, -1, 1)
SPREAD: Floats = 0.6 * _ONE + 0.4 * _BESIDE


@dataclass(frozen=True)
class Strengths:
    """How hard each estimate leans on its parent, for each channel, shape (2,).

    Counted in happenings: a parent of strength 8 is worth as much as 8 draws seen in that half
    hour (the shape of a gamma prior with the parent's rate as its mean), so that a seldom used
    half hour leans for long and a busy one soon speaks for itself.

    neighbours  the half hours beside it, to each half hour
    kind        all days, to working or free days
    weekdays    working or free days, to each weekday
    levels      log of how likely each of levels.STRENGTHS is to be the one with which a weekday's
                stretch leans on the level of its kind of day, shape (2, g)
    """

    neighbours: Floats
    kind: Floats
    weekdays: Floats
    levels: Floats

    @classmethod
    def usual(cls) -> Strengths:
        """Before a household has shown what its weekdays are worth."""
        return cls(
            np.full(CHANNELS, 1.0), np.full(CHANNELS, 3.0), np.full(CHANNELS, 20.0), levels.usual()
        )

    @classmethod
    def for_sharing(cls, sharing: float, neighbours: Floats) -> Strengths:
        """For an installer's setting: 0 each weekday alone, 1 all days alike.

        A share s of a weekday's estimate then comes from its parents once ten draws were seen
        on that weekday in that half hour: the parents are worth 10 s / (1 - s) draws.
        """
        part = min(max(sharing, 0.0), 1.0)
        worth = np.full(CHANNELS, 10.0 * part / max(1.0 - part, 1e-5))
        return cls(neighbours, worth, worth, levels.exactly(worth))


def weekday_sums(values: Floats, weights: Floats, like: Ints) -> tuple[Floats, Floats]:
    """Weighted sums by weekday, (2, 7, 48), of values (2, d, 48), and of weights, (7, 48)."""
    belongs = (np.arange(7)[:, None] == like[None, :]).astype(np.float64)
    return belongs @ (weights * values), belongs @ weights


def _lean(count: Floats, seen: Floats, parent: Floats, strength: Floats | float) -> Floats:
    """Rate from happenings and days watched, leaning on a parent's rate."""
    return np.asarray((count + strength) / (seen + strength / np.maximum(parent, LOWEST)))


def _overall(count: Floats, seen: Floats, prior: Floats, strengths: Strengths) -> Floats:
    """Rate of all days alike, shape (2, 48)."""
    return _all_days(count.sum(1), seen.sum(0), prior, strengths.neighbours[:, None])


def _all_days(n: Floats, m: Floats, prior: Floats, strength: Floats) -> Floats:
    """Rate from draws and days, leaning on the profile and on the half hours beside."""
    n, m = n + PRIOR_D * prior, m + PRIOR_D
    return _lean(n, m, (n / m) @ _BESIDE, strength)


def _kind(count: Floats, seen: Floats, base: Floats, strengths: Strengths, days: slice) -> Floats:
    """Rate of working or of free days, shape (2, 48)."""
    return _lean(count[:, days].sum(1), seen[days].sum(0), base, strengths.kind[:, None])


WORKING, FREE = slice(0, 5), slice(5, 7)


def by_weekday(count: Floats, seen: Floats, prior: Floats, strengths: Strengths) -> Floats:
    """Shrunk rates by day of the week (``calendar.like_day``) and half hour, shape (2, 7, 48).

    Args:
        count: weighted happenings by weekday, shape (2, 7, 48).
        seen: weighted days watched by weekday, shape (7, 48).
        prior: the published profile's rates, shape (2, 48).
        strengths: how hard weekdays lean on their parents.
    """
    base = _overall(count, seen, prior, strengths)
    parent, others = _parents(count, seen, base, prior, strengths)
    parent = parent * _level(count, seen, parent, others, strengths)
    return _lean(count, seen, parent, strengths.weekdays[:, None, None])


def _parents(
    count: Floats, seen: Floats, base: Floats, prior: Floats, strengths: Strengths
) -> Floats:
    """Rates of each weekday's kind of day, with it and without it, shape (2, 2, 7, 48)."""
    of_kind = [
        np.repeat(part[..., kind, :].sum(-2, keepdims=True), kind.stop - kind.start, axis=-2)
        for part in (count, seen)
        for kind in (WORKING, FREE)
    ]
    counts, days = np.concatenate(of_kind[:2], axis=-2), np.concatenate(of_kind[2:], axis=-2)
    strength = strengths.kind[:, None, None]
    elsewhere = _all_days(
        count.sum(1, keepdims=True) - count,
        seen.sum(0) - seen,
        prior[:, None],
        strengths.neighbours[:, None, None],
    )
    return np.stack(
        [
            _lean(counts, days, base[:, None], strength),
            _lean(counts - count, days - seen, elsewhere, strength),
        ]
    )


def _level(own: Floats, days: Floats, parent: Floats, others: Floats, found: Strengths) -> Floats:
    """How many times its kind of day's rate a weekday draws in each stretch, shape as ``own``.

    Whether it departs is judged against the kind's other days, so that it is no part of what it
    is compared with; if it does not, its own days count like theirs.
    """
    happened = own @ STRETCH_SUM
    alike, expected = (days * parent) @ STRETCH_SUM, (days * others) @ STRETCH_SUM
    return levels.ratio(happened, expected, alike, found.levels)[..., STRETCH]


def log_likelihood(values: Floats, rate: Floats) -> Floats:
    """Log likelihood of what happened, channel in front: a Poisson count, a chance."""
    rate = np.maximum(rate, LOWEST)
    chance = np.minimum(rate[1], 1.0 - LOWEST)
    count = values[0] * np.log(rate[0]) - rate[0]
    either = np.log(np.where(values[1] > 0, chance, 1.0 - chance))
    return np.stack([count, either])


def _left_out(values: Floats, weights: Floats, group: Ints, parent: Floats) -> Floats:
    """For each channel the strength that foretells each day best from its group's other days.

    values (2, d, 48), weights (d, 48), group (d,), parent by group (2, g, 48).
    """
    groups = parent.shape[1]
    belongs = (np.arange(groups)[:, None] == group[None, :]).astype(np.float64)
    weighted = weights * values
    others = (belongs @ weighted)[:, group] - weighted
    rest = (belongs @ weights)[group] - weights
    towards = parent[:, group]
    scores = []
    for strength in STRENGTHS:
        rate = _lean(others, rest, towards, float(strength))
        scores.append((weights * log_likelihood(values, rate)).sum((1, 2)))
    return np.asarray(STRENGTHS[np.argmax(scores, axis=0)])


def learn_strengths(values: Floats, weights: Floats, like: Ints, prior: Floats) -> Strengths:
    """How far weekdays lean on each other, by leaving one day out.

    Args:
        values: happenings, shape (2, d, 48).
        weights: how much each half hour of each day counts, shape (d, 48).
        like: the weekday each day behaves like, shape (d,).
        prior: the published profile's rates, shape (2, 48).
    """
    count, seen = weekday_sums(values, weights, like)
    n, m = count.sum(1) + PRIOR_D * prior, seen.sum(0) + PRIOR_D
    all_alike = np.zeros(len(like), np.int64)
    neighbours = _left_out(values, weights, all_alike, ((n / m) @ _BESIDE)[:, None])
    none = levels.usual()
    found = Strengths(neighbours, neighbours, neighbours, none)
    base = _overall(count, seen, prior, found)
    free = (like >= 5).astype(np.int64)
    kind = _left_out(values, weights, free, np.stack([base, base], axis=1))
    found = Strengths(neighbours, kind, kind, none)
    parent, others = _parents(count, seen, base, prior, found)
    level = levels.learn(count @ STRETCH_SUM, (seen * others) @ STRETCH_SUM)
    found = Strengths(neighbours, kind, kind, level)
    parent = parent * _level(count, seen, parent, others, found)
    return Strengths(neighbours, kind, _left_out(values, weights, like, parent), level)


@dataclass(frozen=True)
class Pace:
    """What the quick estimates remember: decayed sums, and every estimate's weight.

    happened, expected: shape (2, quick, 48); seen: (quick, 48); log_weight: (2, experts).
    """

    happened: Floats
    expected: Floats
    seen: Floats
    log_weight: Floats

    @classmethod
    def new(cls) -> Pace:
        """A fresh memory that trusts the slow estimate most."""
        zero = np.zeros((CHANNELS, QUICK, SLOTS_PER_DAY))
        weight = np.array([[0.96] + [0.04 / QUICK] * QUICK] * CHANNELS)
        return cls(zero, zero, zero[0], np.log(weight))


def estimates(slow: Floats, pace: Pace) -> Floats:
    """Every estimate of one day's rates, shape (2, experts, 48), from the slow one, (2, 48)."""
    level = _quick_level(pace.happened[:, :LEVELS], pace.expected[:, :LEVELS])
    slow = slow[:, None, :]
    seen = pace.seen[LEVELS:]
    beyond = ((pace.happened[:, LEVELS:] - seen * slow) @ SPREAD) / (seen + HOURS_D)
    hours = np.maximum(slow + beyond, 0.02 * slow)
    return np.concatenate([slow, slow * level[..., STRETCH], hours], axis=1)


def _quick_level(happened: Floats, expected: Floats) -> Floats:
    """How many times as many draws as expected come lately in each stretch, shape (2, levels, 6).

    A stretch leans on its channel, large draws and small ones both on all draws together, these on
    what was expected: when somebody has left, the many small draws soon say so of the few large.
    """
    came, alike = happened @ STRETCH_SUM, expected @ STRETCH_SUM
    level: Floats | float = 1.0
    for axes in ((0, 2), (2,), ()):
        n, e = came.sum(axes, keepdims=True), alike.sum(axes, keepdims=True)
        level = (n + LEVEL_DRAWS * level) / (e + LEVEL_DRAWS)
    return np.asarray(level)


def blend(every: Floats, pace: Pace) -> Floats:
    """The estimates, shape (2, experts, 48), weighed, shape (2, 48)."""
    return np.asarray((np.exp(pace.log_weight)[:, None, :] @ every)[:, 0])


def after_day(pace: Pace, every: Floats, values: Floats, seen: Floats) -> Pace:
    """The memory after one more day.

    Args:
        pace: the memory before it.
        every: what each estimate expected of it, shape (2, experts, 48).
        values: what happened, shape (2, 48).
        seen: how much of each half hour was watched, shape (48,).
    """
    if not seen.any():
        return pace
    score = TEMPER * (seen * log_likelihood(values[:, None, :], every)).sum(-1)
    weight = np.exp(pace.log_weight + score - score.max(1, keepdims=True))
    weight = (1.0 - SHARE) * weight / weight.sum(1, keepdims=True) + SHARE / EXPERTS
    return Pace(
        _KEEP * pace.happened + (seen * values)[:, None, :],
        _KEEP * pace.expected + seen * every[:, :1],
        _KEEP * pace.seen + seen,
        np.log(weight),
    )
