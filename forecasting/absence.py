"""Nobody at home: told from a quiet spell by the draws that failed to come.

Waiting is measured in draws expected since the last one. If draws came by chance alone, waits
would be exponential with mean 1; a household's own are longer, and their tail beyond a few draws
is taken as exponential with a mean of its own, learned day by day. Nobody seems to be at home when
a wait is longer than an ordinary year would bring, or when a whole local day went by without a
draw and an ordinary year has hardly one such day.

References:
    S. Coles 2001, An Introduction to Statistical Modeling of Extreme Values, chapter 4: excesses
    over a threshold, their rate and mean, return levels.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from forecasting.calendar import SLOTS_PER_DAY
from forecasting.types import Floats

OVER = 2.0  # expected draws from which on a wait counts as long
FALSE_A_YEAR = 0.7  # waits taken for an absence that were none, a year
SILENT_A_YEAR = 1.0  # whole days without a draw in an ordinary year from which on one says nothing
SHORTEST = 5.0  # draws that must have failed to come at least
USUAL_EXCESS, USUAL_RATE = 1.2, 1.5  # of a household not yet known
WORTH = 20.0  # long waits that what is usual is worth
KEEP = 0.98  # of what was seen, from day to day


@dataclass(frozen=True)
class Waits:
    """A household's waits for the next draw, in draws expected.

    missed   draws expected since the last one
    number   long waits seen, faded, and their summed excess over OVER
    a_day    long waits a day
    away     whether nobody seemed to be at home at the end of the last day
    """

    missed: float = 0.0
    number: float = WORTH
    excess: float = WORTH * USUAL_EXCESS
    a_day: float = USUAL_RATE
    away: bool = False

    def limit(self) -> float:
        """Draws that must have failed to come before nobody seems to be at home."""
        seldom = max(self.a_day * 365.0 / FALSE_A_YEAR, 1.5)
        return max(OVER + self.excess / self.number * float(np.log(seldom)), SHORTEST)

    def silent_days_a_year(self, expected_a_day: float) -> float:
        """Days without a draw in an ordinary year, were each to bring so many.

        A day is silent if a long wait lies across it: as often as such waits begin, times how
        much longer than the day they last on average.
        """
        mean = self.excess / self.number
        begin = self.a_day / max(expected_a_day, 1e-6)
        return 365.0 * begin * mean * float(np.exp((OVER - expected_a_day) / mean))

    def to_plain(self) -> dict[str, Any]:
        """Plain data for JSON."""
        return asdict(self)


def after_day(waits: Waits, draws: Floats, expected: Floats, trust: bool) -> tuple[Waits, Floats]:
    """The waits after one more day, and in which half hours somebody was at home, shape (48,).

    Args:
        waits: before the day.
        draws: draws in each half hour, shape (48,).
        expected: draws expected in each half hour that was watched, shape (48,).
        trust: whether enough is known to believe in an absence.
    """
    limit = waits.limit() if trust else np.inf
    present = np.ones(SLOTS_PER_DAY)
    missed = waits.missed + np.cumsum(expected)
    at = np.flatnonzero(draws)
    if len(at) == 0:
        silent = trust and waits.silent_days_a_year(float(expected.sum())) < SILENT_A_YEAR
        away = bool(waits.away or silent or missed[-1] > limit)
        if away:
            present[:] = 0.0
        return replace(waits, missed=float(missed[-1]), away=away), present
    lengths = np.concatenate([missed[at[:1]], np.diff(missed[at])])
    end = float(missed[-1] - missed[at[-1]])
    if waits.away or lengths[0] > limit:
        present[: at[0]] = 0.0
    if end > limit:
        present[at[-1] + 1 :] = 0.0
    long = np.minimum(lengths[lengths > OVER], limit)  # what was taken for an absence counts too
    number = KEEP * (waits.number - WORTH) + WORTH + len(long)
    excess = (
        KEEP * (waits.excess - WORTH * USUAL_EXCESS)
        + WORTH * USUAL_EXCESS
        + float((long - OVER).sum())
    )
    a_day = KEEP * waits.a_day + (1.0 - KEEP) * len(long)
    return Waits(end, number, excess, a_day, end > limit), present
