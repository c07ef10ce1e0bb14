"""A lasting change of habits: two weeks in a row that do not look like the ones before.

Counted are small draws, large draws, both, large draws before and after noon, and by how many
more of them come before noon than after: somebody moves in, somebody leaves, showers move to the
evening. A week's spread is estimated from the weeks before, leaning on what the counts share and
never below chance. One odd week is no change; a rotating shift is none either, because the weeks
before then differ among themselves just as much.
"""

from __future__ import annotations

import numpy as np

from forecasting.calendar import SLOTS_PER_DAY
from forecasting.types import Floats

WEEKS_BEFORE = 10
WEEKS_NEEDED = 4
WATCHED = 0.7  # share of a week that must have been watched, somebody being at home
EACH_WEEK = 0.8  # standard deviations of a week's count, each of the two weeks
TOGETHER = 3.4  # and of their mean, against the mean of the weeks before
SHARED = 6.0  # weeks that the spread common to all counts is worth
# counts: small and large draws before and after noon, shape (4, 6)
_COUNTS: Floats = np.array(
    [[1, 0, 1, 0, 0, 0], [1, 0, 1, 0, 0, 0], [0, 1, 1, 1, 0, 1], [0, 1, 1, 0, 1, -1]], np.float64
)


def lasting_change(small: Floats, large: Floats, seen: Floats) -> bool:
    """Whether the last two weeks both depart, the same way, from the weeks before.

    Args:
        small: small draws by day and half hour, shape (d, 48), the last day last.
        large: large draws likewise.
        seen: share of each half hour that was watched with somebody at home, shape (d, 48).
    """
    return departure(small, large, seen) > TOGETHER


def departure(small: Floats, large: Floats, seen: Floats) -> float:
    """How many standard deviations the last two weeks lie apart, 0 when nothing can be said."""
    weeks = min(len(small) // 7, WEEKS_BEFORE + 2)
    if weeks < WEEKS_NEEDED + 2:
        return 0.0
    halves = [
        (part[-7 * weeks :] * seen[-7 * weeks :]).reshape(weeks, 7, 2, SLOTS_PER_DAY // 2)
        for part in (small, large)
    ]
    parts = np.concatenate([h.sum((1, 3)) for h in halves], axis=1)  # (weeks, 4)
    watched = seen[-7 * weeks :].reshape(weeks, -1).mean(1)
    parts /= np.maximum(watched, WATCHED)[:, None]
    whole = watched >= WATCHED
    earlier = parts[:-2][whole[:-2]]
    n = len(earlier)
    if n < WEEKS_NEEDED or not whole[-2:].all():
        return 0.0
    counts = earlier @ _COUNTS
    by_chance = np.maximum((earlier @ np.abs(_COUNTS)).mean(0), 0.5)  # a Poisson count's variance
    spread = counts.var(0, ddof=1) / by_chance
    common = max(float(spread.mean()), 1.0)
    spread = np.maximum((spread * (n - 1) + common * SHARED) / (n - 1 + SHARED), 1.0)
    away = (parts[-2:] @ _COUNTS - counts.mean(0)) / np.sqrt(spread * by_chance + 1.0)
    same_way = np.sign(away[0]) == np.sign(away[1])
    each = np.abs(away).min(0) > EACH_WEEK
    together = np.abs(away.mean(0)) * np.sqrt(2.0 / (1.0 + 2.0 / n))
    return float(np.where(same_way & each, together, 0.0).max())
