"""Rates by weekday and half hour: how often something happens, shrunk as far as data demand.

Each rate leans on its parent: a weekday on its kind of day (working or free), that on all days,
all days on the published profile. How hard it leans is learned by leaving one day out
(empirical Bayes), so a weekday effect is believed exactly as far as this household shows one.

Beside this slow estimate run a few quick ones (the last days' level and the last days' hours).
Their weights follow how well each foretold the days gone by, with a fixed share [1] that lets a
quick one take over when habits change.

References:
    [1] Herbster and Warmuth 1998, Tracking the best expert (fixed share).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecasting.calendar import SLOTS_PER_DAY
from forecasting.types import Floats, Ints

STRENGTHS_D = np.array([1.0, 3.0, 8.0, 20.0, 60.0, 200.0, 1e6])
PRIOR_D = 4.0  # days of evidence the published profile is worth
NEIGHBOUR_D = 6.0  # days of evidence the neighbouring half hours are worth
FREE_DAYS = slice(5, 7)
LEVEL_BLOCK = np.repeat(np.arange(6), 8)  # four-hour stretches that share a level
# quick estimates: (half-life in days, True for level of a stretch, False for each half hour)
QUICK = ((3.0, True), (10.0, True), (4.0, False), (12.0, False))
EXPERTS = 1 + len(QUICK)
SHARE = 0.03


@dataclass(frozen=True)
class Strengths:
    """Days of evidence each parent is worth: kind of day on all days, weekday on kind of day."""

    kind_d: float = 8.0
    weekday_d: float = 20.0


def _smooth(rate: Floats) -> Floats:
    return np.asarray(0.5 * rate + 0.25 * (np.roll(rate, 1, -1) + np.roll(rate, -1, -1)))


def overall(count: Floats, seen: Floats, prior: Floats) -> Floats:
    """Rate of all days alike, shape (48,), from counts by weekday, shape (7, 48)."""
    n, m = count.sum(0), seen.sum(0)
    first = (n + PRIOR_D * prior) / (m + PRIOR_D)
    near = n + PRIOR_D * prior + NEIGHBOUR_D * _smooth(first)
    return np.asarray(near / (m + PRIOR_D + NEIGHBOUR_D))


def kinds(count: Floats, seen: Floats, base: Floats, strengths: Strengths) -> Floats:
    """Rate of working and free days, shape (2, 48)."""
    n = np.stack([count[:5].sum(0), count[FREE_DAYS].sum(0)])
    m = np.stack([seen[:5].sum(0), seen[FREE_DAYS].sum(0)])
    return (n + strengths.kind_d * base) / (m + strengths.kind_d)


def by_weekday(count: Floats, seen: Floats, prior: Floats, strengths: Strengths) -> Floats:
    """Shrunk rate for each weekday and half hour, shape (7, 48)."""
    kind = kinds(count, seen, overall(count, seen, prior), strengths)
    parent = np.repeat(kind, (5, 2), axis=0)
    return (count + strengths.weekday_d * parent) / (seen + strengths.weekday_d)


def _left_out(
    values: Floats, weights: Floats, group: Ints, parent: Floats, groups: int, bernoulli: bool
) -> int:
    """Index of the strength that foretells each day best from the other days of its group."""
    total = np.zeros((groups, SLOTS_PER_DAY))
    mass = np.zeros((groups, SLOTS_PER_DAY))
    np.add.at(total, group, weights * values)
    np.add.at(mass, group, weights)
    others, rest = total[group] - weights * values, mass[group] - weights
    best, best_score = len(STRENGTHS_D) - 1, -np.inf
    for i, strength in enumerate(STRENGTHS_D):
        rate = (others + strength * parent[group]) / (rest + strength)
        score = float((weights * log_likelihood(values, rate, bernoulli)).sum())
        if score > best_score:
            best, best_score = i, score
    return best


def learn_strengths(
    values: Floats, weights: Floats, like: Ints, prior: Floats, bernoulli: bool
) -> Strengths:
    """Strengths from days (rows) of values and weights, shape (d, 48), by leaving one day out."""
    count, seen = weekday_sums(values, weights, like)
    base = overall(count, seen, prior)
    free = (like >= 5).astype(np.int64)
    i = _left_out(values, weights, free, np.stack([base, base]), 2, bernoulli)
    kind = kinds(count, seen, base, Strengths(kind_d=float(STRENGTHS_D[i])))
    j = _left_out(values, weights, like, np.repeat(kind, (5, 2), axis=0), 7, bernoulli)
    return Strengths(float(STRENGTHS_D[i]), float(STRENGTHS_D[j]))


def weekday_sums(values: Floats, weights: Floats, like: Ints) -> tuple[Floats, Floats]:
    """Weighted sums of values and of weights by weekday, both shape (7, 48)."""
    belongs = (np.arange(7)[:, None] == like[None, :]).astype(float)
    return belongs @ (weights * values), belongs @ weights


def log_likelihood(values: Floats, rate: Floats, bernoulli: bool) -> Floats:
    """Log likelihood of what happened: yes or no with a chance, or a Poisson count."""
    if bernoulli:
        chance = np.clip(rate, 1e-4, 1.0 - 1e-4)
        return values * np.log(chance) + (1.0 - values) * np.log1p(-chance)
    rate = np.maximum(rate, 1e-4)
    return values * np.log(rate) - rate


_PACE_FIELDS = ("happened", "expected", "seen", "log_weight")


@dataclass
class Pace:
    """What the quick estimates remember: decayed counts, and each estimate's weight.

    happened, expected, seen have shape (quick, 48); log_weight has shape (experts,).
    """

    happened: Floats
    expected: Floats
    seen: Floats
    log_weight: Floats

    @classmethod
    def new(cls) -> Pace:
        """A fresh memory that trusts the slow estimate most."""
        zero = np.zeros((len(QUICK), SLOTS_PER_DAY))
        weight = np.array([0.8] + [0.2 / len(QUICK)] * len(QUICK))
        return cls(zero, zero.copy(), zero.copy(), np.log(weight))

    def to_plain(self) -> dict[str, list[float]]:
        """Plain lists for JSON."""
        return {name: getattr(self, name).ravel().tolist() for name in _PACE_FIELDS}

    @classmethod
    def from_plain(cls, plain: dict[str, list[float]]) -> Pace:
        """From ``to_plain``'s lists."""
        rows = (len(QUICK), SLOTS_PER_DAY)
        happened, expected, seen = (np.array(plain[n]).reshape(rows) for n in _PACE_FIELDS[:3])
        return cls(happened, expected, seen, np.array(plain["log_weight"]))

    def copy(self) -> Pace:
        """An independent copy."""
        return Pace(
            self.happened.copy(), self.expected.copy(), self.seen.copy(), self.log_weight.copy()
        )


_KEEP = np.array([0.5 ** (1.0 / half_life) for half_life, _ in QUICK])[:, None]
_LEVEL = np.array([level for _, level in QUICK])
_BLOCK_SUM = (LEVEL_BLOCK[:, None] == np.arange(6)[None, :]).astype(float)
LEVEL_C = 3.0
SLOT_D = 2.0


def estimates(slow: Floats, pace: Pace) -> Floats:
    """Every estimate of one day's rates, shape (experts, 48), from the slow one, shape (48,)."""
    out = np.empty((EXPERTS, SLOTS_PER_DAY))
    out[0] = slow
    ratio = (pace.happened[_LEVEL] @ _BLOCK_SUM + LEVEL_C) / (
        pace.expected[_LEVEL] @ _BLOCK_SUM + LEVEL_C
    )
    out[1:][_LEVEL] = slow * ratio[:, LEVEL_BLOCK]
    hours = (pace.happened[~_LEVEL] + SLOT_D * slow) / (pace.seen[~_LEVEL] + SLOT_D)
    out[1:][~_LEVEL] = 0.5 * hours + 0.5 * _smooth(hours)
    return out


def blend(every: Floats, pace: Pace) -> Floats:
    """The estimates weighed, shape (48,)."""
    return np.asarray(np.exp(pace.log_weight) @ every)


def after_day(
    pace: Pace, slow: Floats, values: Floats, seen: Floats, bernoulli: bool
) -> tuple[Pace, Floats]:
    """The memory after one more day, and each estimate's log likelihood of that day."""
    every = estimates(slow, pace)
    score = (seen * log_likelihood(values, every, bernoulli)).sum(1)
    weight = np.exp(pace.log_weight + score - score.max())
    weight = (1.0 - SHARE) * weight / weight.sum() + SHARE / EXPERTS
    watched = seen.sum() > 0
    keep = _KEEP if watched else 1.0
    return (
        Pace(
            keep * pace.happened + seen * values,
            keep * pace.expected + seen * slow,
            keep * pace.seen + seen,
            np.log(weight),
        ),
        score,
    )


def strengths_for_sharing(sharing: float) -> Strengths:
    """Strengths for an installer's setting: 0 each weekday alone, 1 all days alike.

    A share s of a weekday's estimate comes from its parents when four weeks have been seen, so
    the parents are worth 4 s / (1 - s) days.
    """
    part = min(max(sharing, 0.0), 1.0)
    worth = 4.0 * part / max(1.0 - part, 1e-6)
    return Strengths(kind_d=worth, weekday_d=worth)
