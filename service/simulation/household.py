"""Invented households: who draws hot water when. For the demo and for replays, never for checks.

The kinds of draw and their flows, durations and numbers a day follow the draw categories of
IEA SHC Task 26 (Jordan and Vajen 2001): short, medium, shower, bath, as litres at 45 degC there,
used here as litres at the tap's 40 degC.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np

WORKDAYS = (0, 1, 2, 3, 4)
WEEKEND = (5, 6)
EVERY_DAY = (*WORKDAYS, *WEEKEND)


@dataclass(frozen=True)
class Kind:
    """A kind of draw: mixed flow at 40 degC in L/min and its duration in minutes."""

    flow_l_per_min: float
    minutes: float
    minutes_sd: float


SHORT = Kind(1.0, 1.0, 0.4)
MEDIUM = Kind(6.0, 1.0, 0.4)
SHOWER = Kind(8.0, 5.0, 1.5)
BATH = Kind(14.0, 10.0, 1.0)


@dataclass(frozen=True)
class Habit:
    """Something that happens on some weekdays around a local time with some probability."""

    kind: Kind
    weekdays: tuple[int, ...]
    at: time
    sd_minutes: float
    chance: float


@dataclass(frozen=True)
class Household:
    """An invented household: people, habits, and short draws scattered over the waking day."""

    name: str
    people: float
    habits: tuple[Habit, ...]
    scattered_per_day: float = 14.0
    absences: tuple[tuple[date, date], ...] = ()  # local days [from, until)


@dataclass(frozen=True)
class TapDraw:
    """One draw at the tap: mixed water at 40 degC."""

    start_s: float
    flow_l_per_min: float
    duration_s: float

    @property
    def litres_40c(self) -> float:
        """Mixed litres at 40 degC."""
        return self.flow_l_per_min * self.duration_s / 60.0


SCHOOL_FAMILY = Household(
    "four people, two at school",
    4,
    (
        Habit(SHOWER, WORKDAYS, time(6, 40), 8, 0.95),
        Habit(SHOWER, WORKDAYS, time(7, 5), 8, 0.85),
        Habit(SHOWER, (0, 2, 4), time(19, 30), 20, 0.8),
        Habit(SHOWER, WEEKEND, time(9, 15), 35, 0.9),
        Habit(SHOWER, WEEKEND, time(10, 10), 40, 0.7),
        Habit(BATH, (6,), time(18, 30), 25, 0.95),
        Habit(BATH, (2,), time(18, 45), 25, 0.5),
        Habit(MEDIUM, EVERY_DAY, time(7, 30), 12, 0.9),
        Habit(MEDIUM, EVERY_DAY, time(12, 40), 25, 0.6),
        Habit(MEDIUM, EVERY_DAY, time(18, 20), 20, 0.95),
        Habit(MEDIUM, EVERY_DAY, time(19, 0), 20, 0.9),
    ),
)
EARLY_SHIFT = Household(
    "two people, one on early shifts",
    2,
    (
        Habit(SHOWER, WORKDAYS, time(4, 50), 6, 0.95),
        Habit(SHOWER, (1, 3, 5), time(21, 10), 20, 0.85),
        Habit(SHOWER, WEEKEND, time(11, 0), 40, 0.9),
        Habit(BATH, (5,), time(20, 30), 30, 0.7),
        Habit(MEDIUM, EVERY_DAY, time(15, 20), 25, 0.9),
        Habit(MEDIUM, EVERY_DAY, time(19, 30), 25, 0.9),
    ),
    10.0,
)
HOUSEHOLDS = {"school_family": SCHOOL_FAMILY, "early_shift": EARLY_SHIFT}


def shifted(household: Household, hours: float) -> Household:
    """The same household with every habit ``hours`` later: for tests that swap the history."""
    moved = tuple(
        replace(h, at=(datetime.combine(date.min, h.at) + timedelta(hours=hours)).time())
        for h in household.habits
    )
    return replace(household, habits=moved)


def _one(kind: Kind, start_s: float, rng: np.random.Generator) -> TapDraw:
    minutes = max(0.25, rng.normal(kind.minutes, kind.minutes_sd))
    return TapDraw(start_s, kind.flow_l_per_min, minutes * 60.0)


def draws_of_day(
    household: Household, day: date, zone: ZoneInfo, rng: np.random.Generator
) -> list[TapDraw]:
    """The draws of one local day in order, none overlapping another."""
    if any(start <= day < end for start, end in household.absences):
        return []
    found: list[TapDraw] = []
    midnight = datetime.combine(day, time(), zone).timestamp()
    for habit in household.habits:
        if day.weekday() in habit.weekdays and rng.random() < habit.chance:
            at = datetime.combine(day, habit.at, zone).timestamp()
            found.append(_one(habit.kind, at + rng.normal(0, habit.sd_minutes) * 60.0, rng))
    for _ in range(rng.poisson(household.scattered_per_day)):
        at = midnight + rng.uniform(6.5, 22.5) * 3600.0
        found.append(_one(SHORT, at, rng))
    found.sort(key=lambda d: d.start_s)
    apart: list[TapDraw] = []
    free_s = midnight
    for draw in found:
        start_s = max(draw.start_s, free_s)
        apart.append(replace(draw, start_s=start_s))
        free_s = start_s + draw.duration_s + 5.0
    return apart


def draws(
    household: Household, first: date, days: int, zone: ZoneInfo, seed: int
) -> Iterator[TapDraw]:
    """The draws of ``days`` local days from ``first``; each day has a random stream of its own."""
    for offset in range(days):
        day = first + timedelta(days=offset)
        rng = np.random.default_rng([seed, day.toordinal()])
        yield from draws_of_day(household, day, zone, rng)
