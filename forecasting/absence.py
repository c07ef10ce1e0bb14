"""Nobody at home: told from a quiet spell by the draws that failed to come.

Waiting is measured in draws expected since the last one. If draws came by chance alone, waits
would be exponential with mean 1; a household's own are longer, and their tail beyond a few draws
is taken as exponential with a mean of its own, learned day by day. Nobody seems to be at home when
a wait is longer than an ordinary year would bring, or when a whole local day and what has passed of
the next went by without a draw and an ordinary year has hardly one such silence.

References:
    S. Coles 2001, An Introduction to Statistical Modeling of Extreme Values, chapter 4: excesses
    over a threshold, their rate and mean, return levels.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from forecasting.calendar import SLOTS_PER_DAY
from forecasting.types import Floats

OVER = 2.0  # expected draws from which on a wait counts as long
FALSE_A_YEAR = 0.7  # waits taken for an absence that were none, a year
SILENT_A_YEAR = 1.0  # silences from midnight on in an ordinary year from which on one says nothing
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
    silent   draws expected on the whole days since the last one
    """

    missed: float = 0.0
    number: float = WORTH
    excess: float = WORTH * USUAL_EXCESS
    a_day: float = USUAL_RATE
    silent: float = 0.0

    def limit(self) -> float:
        """Draws that must have failed to come before nobody seems to be at home."""
        seldom = max(self.a_day * 365.0 / FALSE_A_YEAR, 1.5)
        return max(OVER + self.excess / self.number * float(np.log(seldom)), SHORTEST)

    def silences_a_year(self, silent: float, a_day: float) -> float:
        """Midnights of an ordinary year after which as many expected draws fail to come.

        A long wait must lie across them: as many as such waits begin among so many draws, times
        how many draws longer they last on average.

        Args:
            silent: draws expected since midnight.
            a_day: draws expected of a whole day.
        """
        mean = self.excess / self.number
        begin = self.a_day / max(a_day, 1e-6)
        return 365.0 * begin * mean * float(np.exp((OVER - silent) / mean))

    def nobody(self, missed: float, silent: float, a_day: float) -> bool:
        """Whether nobody seems to be at home.

        Args:
            missed: draws expected since the last one.
            silent: those expected since the midnight after it, 0 before a whole day has passed.
            a_day: draws expected of a whole day.
        """
        if missed > self.limit():
            return True
        return silent > 0.0 and self.silences_a_year(silent, a_day) < SILENT_A_YEAR


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
    a_day = float(expected.sum())
    missed = waits.missed + np.cumsum(expected)
    at = np.flatnonzero(draws)
    if len(at) == 0:
        later = replace(waits, missed=float(missed[-1]), silent=waits.silent + a_day)
        if trust and later.nobody(later.missed, later.silent, a_day):
            present[:] = 0.0
        return later, present
    lengths = np.concatenate([missed[at[:1]], np.diff(missed[at])])
    end = float(missed[-1] - missed[at[-1]])
    silent = waits.silent + float(expected[: at[0]].sum()) if waits.silent else 0.0
    if trust and waits.nobody(float(lengths[0]), silent, a_day):
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
    often = KEEP * waits.a_day + (1.0 - KEEP) * len(long)
    return Waits(end, number, excess, often), present
