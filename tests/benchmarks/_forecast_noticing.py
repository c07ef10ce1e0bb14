"""What of a household's year is noticed, and how much of it anybody could have noticed.

An absence is to be told within a day and a lasting change of habits within two weeks, by the draws
alone. Not every household shows either so soon: one that draws five times a day is silent for a
day now and then, and a fortnight after somebody moved in may look like the fortnight before. So
beside what the forecaster notices stands what one would who is told what to look for.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecasting import calendar, changes, draws
from forecasting.rates import STRETCH_SUM
from forecasting.slots import large_from_litres, tabulate
from tests.benchmarks import _forecast_households as households
from tests.benchmarks._forecast_walk import (
    BEGIN_S,
    DAY_S,
    HALF_HOUR_S,
    ZONE,
    Home,
    Walk,
    load,
)
from tests.benchmarks.frame import Figure, at_least, at_most

NOTICED_WITHIN_D = 14

ABSENT_D = 14
ALONGSIDE_D = 84  # a change stays in the learning window for so long; notices in it are no mistake


@dataclass(frozen=True)
class Noticed:
    """What was noticed over one household's year."""

    absence_after_d: float | None  # from the first day away on; None: never
    false_absences: int
    change_after_d: int | None
    false_changes: int


def spells(moments: list[float], apart_d: float) -> int:
    """How many times something happened, counting again what lies so far from the last one."""
    gaps = np.diff(moments)
    return 0 if not moments else 1 + int((gaps > apart_d).sum())


def notice(home: Home) -> Noticed:
    """Look for absences every three hours and for changes every night, as the service would."""
    walker, away, changed = Walk(home), [], []
    for day in range(14, households.DAYS - 1):
        model = walker.midnight(day)
        midnight = int(home.start_s[0][day])
        for hour in range(0, 24, 3):
            now = midnight + hour * 3600
            grid = calendar.grid(now, ZONE, 30, 1)
            made = draws.forecast(
                model, grid, now, (), home.upto(now, midnight), np.full(len(grid), 10.0)
            )
            if "absence_noticed" in made.notes:
                away.append(day + hour / 24)
        if model.habits_changed:
            changed.append(float(day))
    first = home.plan.absence_from
    there = [t for t in away if first >= 0 and first <= t <= first + ABSENT_D + 1]
    since = households.CHANGE_DAY
    after = [t for t in changed if home.plan.change and since < t <= since + ALONGSIDE_D]
    return Noticed(
        there[0] - first if there else None,
        spells([t for t in away if t not in there], 1.0),
        int(after[0]) - since if after else None,
        spells([t for t in changed if t not in after], 14.0),
    )


def silence_tells(home: Home) -> bool:
    """Whether its first day away is a longer silence than all but one of its ordinary year.

    Silences are counted in draws that fail to come, at the hours at which this household draws.
    """
    h, first = home.history, home.plan.absence_from
    day = np.sort((h.start_s - BEGIN_S) / DAY_S)
    away = (day >= first) & (day < first + ABSENT_D)
    ordinary = day[~away]
    per_slot = DAY_S // HALF_HOUR_S
    usual = np.bincount((ordinary % 1 * per_slot).astype(int), minlength=per_slot)
    usual = usual / (households.DAYS - ABSENT_D)
    edges = np.arange(households.DAYS * per_slot + 1) / per_slot
    expected = np.concatenate([[0.0], np.cumsum(np.tile(usual, households.DAYS))])
    missed = np.interp(ordinary, edges, expected)
    silences = np.diff(missed)[np.diff(ordinary) < ABSENT_D]
    last = missed[np.searchsorted(ordinary, first) - 1]
    one_day = np.interp(first + 1.0, edges, expected) - last
    return bool((silences >= one_day).sum() <= 1)


def change_tells(home: Home) -> bool:
    """Whether a fortnight after the change speaks for it as clearly as a notice asks.

    Told is the day, and the mean of the weeks before and of the weeks after that fortnight: the
    likelihood ratio of the two, overdispersed as the days before it are (``forecasting.changes``).
    """
    h, change, first = home.history, households.CHANGE_DAY, home.plan.absence_from
    table = tabulate(h, ZONE, large_from_litres(h.litres_40c))
    large = np.zeros_like(table.small)
    np.add.at(large, (table.large_day, table.large_slot), 1.0)
    counts = np.concatenate([table.small @ STRETCH_SUM, large @ STRETCH_SUM], axis=1)
    day = np.arange(len(counts))
    there = ~((day >= first) & (day < first + ABSENT_D)) if first >= 0 else day >= 0

    def some(begin: int, end: int) -> np.ndarray:
        return counts[there & (day >= begin) & (day < end)]

    before = some(change - ALONGSIDE_D, change)
    lately = some(change, change + NOTICED_WITHIN_D)
    after = some(change + NOTICED_WITHIN_D, change + ALONGSIDE_D)
    was, becomes = before.mean(0) + 0.01, after.mean(0) + 0.01
    weight = np.log(becomes / was)
    varied = max(float((before @ weight).var(ddof=1) / (was @ weight**2)), 1.0)
    ratio = lately.sum(0) @ weight - len(lately) * (becomes - was).sum()
    return bool(ratio / varied > changes.LEAST)


def noticing(numbers: tuple[int, ...], whose: str) -> tuple[list[Figure], list[str]]:
    """Figures of what was noticed in some households' years."""
    found = {n: notice(load(n)) for n in numbers}
    plans = {n: households.plan(n) for n in numbers}
    away = [found[n].absence_after_d for n in numbers if plans[n].absence_from >= 0]
    changed = [n for n in numbers if plans[n].change]
    in_time = [n for n in changed if (found[n].change_after_d or 99) <= NOTICED_WITHIN_D]
    figures = [
        at_most(
            f"absence noticed after, longest of {len(away)}, {whose}",
            max(99.0 if d is None else d for d in away),
            1.0,
            "days",
        ),
        Figure(
            f"  of as many, told by a day's silence at all, {whose}",
            sum(silence_tells(load(n)) for n in numbers if plans[n].absence_from >= 0),
        ),
        at_most(
            f"false absences in a home-year, most of {len(numbers)}, {whose}",
            max(f.false_absences for f in found.values()),
            1,
        ),
        Figure(
            f"false absences in {len(numbers)} home-years, {whose}",
            sum(f.false_absences for f in found.values()),
        ),
        at_least(
            f"lasting changes noticed within two weeks, of {len(changed)}, {whose}",
            len(in_time),
            len(changed),
        ),
        Figure(
            f"  of as many, plain after two weeks to one who is told of them, {whose}",
            sum(change_tells(load(n)) for n in changed),
        ),
        Figure(
            f"changes noticed in {len(numbers)} home-years where there were none, {whose}",
            sum(f.false_changes for f in found.values()),
        ),
    ]
    each = ", ".join(
        f"{n} ({plans[n].change or 'no change'}): absence {f.absence_after_d} d, false"
        f" {f.false_absences}, change {f.change_after_d} d, false {f.false_changes}"
        for n, f in found.items()
    )
    return figures, [f"noticed, {whose}: {each}"]
