"""A lasting change of habits: two weeks in a row that another habit explains better.

Each of a few other habits says how many draws of each four hours there would be: a third fewer or
more of all (somebody left or moved in), or most large draws of one half of the day moved to four
hours of the other (showers in the evening now). The last two weeks are judged by the log
likelihood ratio of each against the mean of the weeks before. Counts are Poisson, but vary more
from day to day, and with the season; the ratio is divided by how many times more (quasi-likelihood
[1]). Each of the two weeks must speak for the new habit, so one odd week is no change.

References:
    [1] P. McCullagh, J. A. Nelder 1989, Generalized Linear Models, 2nd edition, chapter 9.
"""

from __future__ import annotations

import numpy as np

from forecasting.rates import STRETCH_SUM
from forecasting.types import Floats

WEEKS_BEFORE = 10
WEEKS_NEEDED = 4
WATCHED = 0.7  # share of a week that must have been watched, somebody being at home
FEWER, MORE = 0.65, 1.3  # draws of a household of one fewer or one more, over before
MOVED = 0.6  # share of a half day's large draws that come at another time
WANDER = 0.03  # by which a season changes a household's level within a few weeks, as a share
LEAST = 4.4  # log likelihood ratio: odds of 80 to 1
STRETCHES = STRETCH_SUM.shape[1]
MORNING, EVENING = (1, 2), (3, 4, 5)  # four-hour stretches from 04:00 to noon, and after it


def lasting_change(small: Floats, large: Floats, seen: Floats) -> bool:
    """Whether the last two weeks both speak for another habit than the weeks before.

    Args:
        small: small draws by day and half hour, shape (d, 48), the last day last.
        large: large draws likewise.
        seen: share of each half hour that was watched with somebody at home, shape (d, 48).
    """
    return departure(small, large, seen) > LEAST


def departure(small: Floats, large: Floats, seen: Floats) -> float:
    """Log likelihood ratio of the best other habit over two weeks, 0 when nothing can be said."""
    weeks = min(len(small) // 7, WEEKS_BEFORE + 2)
    if weeks < WEEKS_NEEDED + 2:
        return 0.0
    rows = slice(-7 * weeks, None)
    stretches = [(part[rows] * seen[rows]) @ STRETCH_SUM for part in (small, large)]
    counts = np.concatenate(stretches, axis=1).reshape(weeks, 7, 2 * STRETCHES)
    watched = seen[rows].reshape(weeks, -1).mean(1)
    counts /= np.maximum(watched, WATCHED)[:, None, None]
    whole = watched >= WATCHED
    before, last = counts[:-2][whole[:-2]], counts[-2:].sum(1)
    n = len(before)
    if n < WEEKS_NEEDED or not whole[-2:].all():
        return 0.0
    usual = before.sum(1).mean(0) + 0.05
    times = _other_habits(usual)
    weight = np.log(times)
    by_chance = usual @ weight**2  # variance of a week's log likelihood ratio, were counts Poisson
    days = before @ weight
    varied = ((days - days.mean(0)) ** 2).sum((0, 1)) / (n - 1) / by_chance
    wandered = 2.0 * (WANDER * (usual @ weight)) ** 2 / by_chance  # both weeks alike
    ratio = (last @ weight - usual @ (times - 1.0)) / (np.maximum(varied, 1.0) + wandered)
    known = 1.0 + 2.0 / n  # the mean of the weeks before is itself uncertain
    return float(np.where((ratio > 0.0).all(0), ratio.sum(0) / known, 0.0).max())


def _other_habits(usual: Floats) -> Floats:
    """Times as many draws as before, of small and of large ones by stretch, shape (12, habits).

    usual: a week's draws likewise, shape (12,).
    """
    habits = [np.full(2 * STRETCHES, FEWER), np.full(2 * STRETCHES, MORE)]
    large = usual[STRETCHES:]
    for begin, end in ((MORNING, EVENING), (EVENING, MORNING)):
        moved = MOVED * large[list(begin)].sum()
        for to in end:
            times = np.ones(2 * STRETCHES)
            times[[STRETCHES + s for s in begin]] = 1.0 - MOVED
            times[STRETCHES + to] = 1.0 + moved / max(large[to], 0.14)
            habits.append(times)
    return np.stack(habits, axis=1)
