"""Weeks that take turns: early shift, late shift, the days in between, and round again.

A household whose people work by a rota draws at other hours each week and comes back to the same
hours after two, three or four of them. Whether it does, after how many weeks and on which weekday
the turn changes is found by comparing how likely the draws of each turn are, were its level in each
stretch of hours its own, with how likely they are were all weeks alike (``levels``). Counts vary
more than by chance; the log likelihood ratio is divided by how many times more [1].

References:
    [1] P. McCullagh, J. A. Nelder 1989, Generalized Linear Models, 2nd edition, chapter 9.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from forecasting import levels
from forecasting.calendar import SLOTS_PER_DAY
from forecasting.rates import SPREAD
from forecasting.types import CHANNELS, Floats, Ints

ROUNDS = (2, 3, 4)  # weeks after which the turns come round again
ENOUGH = 2  # whole rounds that must have been seen
LEAST = 6.0  # log likelihood ratio from which on weeks take turns: odds of 400 to 1
WORTH = 2.0  # draws that all weeks together are worth to a turn's half hour
KEEP = 0.5 ** (1.0 / 140.0)  # of what a turn held, from day to day


@dataclass(frozen=True)
class Rota:
    """Which weeks take turns, and what each turn's half hours held.

    weeks     that come round again, 0 when all weeks are alike
    begins    a local day on which the first turn began, days since 1970-01-01
    happened, expected  draws by channel, turn and half hour, faded: those that came, and those that
              would have come were all weeks alike; shape (2, weeks, 48)
    """

    weeks: int
    begins: int
    happened: Floats
    expected: Floats

    @classmethod
    def new(cls, weeks: int = 0, begins: int = 0) -> Rota:
        """Before any day of a rota was seen."""
        zero = np.zeros((CHANNELS, weeks, SLOTS_PER_DAY))
        return cls(weeks, begins, zero, zero)

    def turn(self, days: Ints | int) -> Ints:
        """Whose turn it is on local days: 0 .. weeks - 1."""
        return np.asarray((np.asarray(days, np.int64) - self.begins) // 7 % self.weeks)

    def on(self, day: int, usual: Floats) -> Floats:
        """Rates of a local day, shape (2, 48), from those were all weeks alike."""
        if not self.weeks:
            return usual
        turn = self.turn(day)
        came, alike = self.happened[:, turn] @ SPREAD, self.expected[:, turn] @ SPREAD
        return np.asarray(usual * (came + WORTH) / (alike + WORTH))

    def after_day(self, day: int, usual: Floats, values: Floats, seen: Floats) -> Rota:
        """The rota after one more day: what was usual and what happened, (2, 48); seen (48,)."""
        if not self.weeks:
            return self
        happened, expected = KEEP * self.happened, KEEP * self.expected
        turn = self.turn(day)
        happened[:, turn] += seen * values
        expected[:, turn] += seen * usual
        return replace(self, happened=happened, expected=expected)


def find(happened: Floats, expected: Floats, first_day: int) -> Rota:
    """The rota that explains a household's draws, if one does.

    Args:
        happened: draws by channel, day and stretch of hours, shape (2, d, s).
        expected: draws if all weeks were alike, 0 where nobody was at home, likewise.
        first_day: local day of the first row, days since 1970-01-01.
    """
    days = np.arange(first_day, first_day + happened.shape[1])
    alike = expected * (happened.sum(1) + 1.0)[:, None] / (expected.sum(1) + 1.0)[:, None]
    by_week = [_by_week(happened, alike, days, begins) for begins in range(7)]
    best, found = LEAST, (0, 0)
    for weeks in ROUNDS:
        if len(days) < 7 * weeks * ENOUGH:
            break
        for begins, (counts, means, numbers) in enumerate(by_week):
            score = _evidence(counts, means, numbers % weeks, weeks)
            if score > best:
                best, found = score, (weeks, begins)
    return Rota.new(*found)


def _by_week(
    happened: Floats, expected: Floats, days: Ints, begins: int
) -> tuple[Floats, Floats, Ints]:
    """Sums over the weeks that begin like a day, (2, w, s) both, and the weeks' numbers, (w,)."""
    week = (days - begins) // 7
    numbers = np.unique(week)
    of_week = (numbers[:, None] == week).astype(np.float64)
    return of_week @ happened, of_week @ expected, numbers


def _evidence(counts: Floats, means: Floats, turn: Ints, weeks: int) -> float:
    """Log likelihood ratio of turns against weeks alike; ``turn`` of each week, (w,)."""
    of_turn = (np.arange(weeks)[:, None] == turn).astype(np.float64)
    n, e = of_turn @ counts, of_turn @ means  # (2, turns, s)
    own = ((n + 1.0) / (e + 1.0))[:, turn] * means
    varied = ((counts - own) ** 2).sum((1, 2)) / np.maximum(own.sum((1, 2)), 1.0)
    varied *= counts.shape[1] / (counts.shape[1] - weeks)
    score = levels.evidence(n, e)
    score -= score[..., -1:]
    usual = levels.usual()[:, None, None]
    top = score.max(-1, keepdims=True)
    each = top[..., 0] + np.log(np.exp(score - top + usual).sum(-1))
    return float((each.sum((1, 2)) / np.maximum(varied, 1.0)).sum())
