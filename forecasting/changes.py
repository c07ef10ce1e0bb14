"""A lasting change of habits: two weeks in a row that do not look like the ones before.

One odd week is no change; a rotating shift is none either, because the weeks before then differ
among themselves just as much.
"""

from __future__ import annotations

import numpy as np

from forecasting.rates import STRETCH_SUM
from forecasting.types import Floats

WEEKS_BEFORE = 5
WATCHED = 0.7  # share of a week that must have been watched, somebody being at home
EACH_WEEK = 1.8  # standard deviations of a week's count, each of the two weeks
TOGETHER = 3.9  # and their mean, against the mean of the weeks before


def lasting_change(small: Floats, large: Floats, seen: Floats) -> bool:
    """Whether the last two weeks both depart, the same way, from the weeks before.

    Args:
        small: small draws by day and half hour, shape (d, 48), the last day last.
        large: large draws likewise.
        seen: share of each half hour that was watched with somebody at home, shape (d, 48).
    """
    weeks = len(small) // 7
    if weeks < WEEKS_BEFORE + 2:
        return False
    rows = slice(len(small) - 7 * weeks, None)

    def by_week(values: Floats) -> Floats:
        return np.asarray((values[rows] @ STRETCH_SUM).reshape(weeks, 7, 6).sum(1))

    watched = by_week(seen) / (7.0 * 8.0)
    share = np.maximum(watched, WATCHED)
    parts = [by_week(small * seen) / share, by_week(large * seen) / share]
    counts = np.concatenate([*parts, *(p.sum(1, keepdims=True) for p in parts)], axis=1)
    whole = watched.min(1) >= WATCHED
    if not whole[-2:].all():
        return False
    before = counts[:-2][whole[:-2]]
    n = len(before)
    if n < WEEKS_BEFORE:
        return False
    mean = before.mean(0)
    # never less spread than chance alone would give, and some for the spread being estimated
    spread = np.sqrt(np.maximum(before.var(0, ddof=1), mean) + 1.0) * (1.0 + 2.0 / n)
    away = (counts[-2:] - mean) / spread
    same_way = np.sign(away[0]) == np.sign(away[1])
    each = np.abs(away).min(0) > EACH_WEEK
    together = np.abs(away.mean(0)) * np.sqrt(2.0 / (1.0 + 2.0 / n)) > TOGETHER
    return bool((same_way & each & together).any())
