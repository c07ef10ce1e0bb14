"""Local clocks, weekdays and holidays: which half hour of which kind of day a moment belongs to.

A planning grid is cut on the home's own wall clock, so that a tariff which changes at 00:30
local time changes at a slot's edge in Kathmandu (+05:45) and on Lord Howe Island (+10:30, and
a shift of half an hour in summer) as well. Days of 23 and 25 hours simply have fewer or more
slots.
"""

from __future__ import annotations

import datetime as dt
from functools import lru_cache
from zoneinfo import ZoneInfo

import holidays
import numpy as np

from forecasting.types import Household, Ints, SlotGrid

DAY_S = 86_400
HALF_HOUR_S = 1_800
SLOTS_PER_DAY = 48
SUNDAY = 6
_EPOCH_ORDINAL = dt.date(1970, 1, 1).toordinal()


@lru_cache(maxsize=256)
def _offset_steps(zone: ZoneInfo, first_day: int, last_day: int) -> tuple[Ints, Ints]:
    """Moments (s) from which an offset (s) holds, the first one at the start of first_day (UTC)."""

    def offset(at_s: int) -> int:
        delta = dt.datetime.fromtimestamp(at_s, zone).utcoffset()
        return 0 if delta is None else int(delta.total_seconds())

    moments, values = [first_day * DAY_S], [offset(first_day * DAY_S)]
    for day in range(first_day, last_day + 1):
        low, high = day * DAY_S, (day + 1) * DAY_S
        after = offset(high)
        if after == values[-1]:
            continue
        while high - low > 1:
            middle = (low + high) // 2
            if offset(middle) == values[-1]:
                low = middle
            else:
                high = middle
        moments.append(high)
        values.append(after)
    return np.array(moments, np.int64), np.array(values, np.int64)


def offset_s(at_s: Ints, zone: ZoneInfo) -> Ints:
    """Seconds to add to each moment (any shape) to get the home's wall clock."""
    at = np.asarray(at_s, np.int64)
    if at.size == 0:
        return np.zeros(at.shape, np.int64)
    moments, values = _offset_steps(zone, int(at.min()) // DAY_S, int(at.max()) // DAY_S)
    return values[np.searchsorted(moments, at, side="right") - 1]


def local_days(at_s: Ints, zone: ZoneInfo) -> tuple[Ints, Ints]:
    """Local day (days since 1970-01-01) and second of the local day for each moment."""
    at = np.asarray(at_s, np.int64)
    local = at + offset_s(at, zone)
    return local // DAY_S, local % DAY_S


def epoch_day(date: dt.date) -> int:
    """A date as the number of days since 1970-01-01."""
    return date.toordinal() - _EPOCH_ORDINAL


def day_start_s(day: int, zone: ZoneInfo) -> int:
    """The moment (s) at which a local day (days since 1970-01-01) begins."""
    date = dt.date.fromordinal(_EPOCH_ORDINAL + day)
    return int(dt.datetime.combine(date, dt.time(), zone).timestamp())


def grid(now_s: int, zone: ZoneInfo, slot_minutes: int, hours: float) -> SlotGrid:
    """Planning slots cut on the local clock, the first one holding ``now_s``.

    Args:
        now_s: seconds since 1970 UTC.
        zone: the home's zone.
        slot_minutes: slot length on the wall clock; it must divide a day.
        hours: how much time the slots cover at least, from ``now_s`` on.

    Raises:
        ValueError: when slot_minutes does not divide 1440 or hours is not above 0.
    """
    if slot_minutes < 1 or 1440 % slot_minutes:
        raise ValueError(
            f"slot_minutes is {slot_minutes}; it must divide a day of 1440 minutes (15, 30, 60 ...)"
        )
    if not hours > 0:
        raise ValueError(f"hours is {hours}; a planning grid must cover more than 0 hours")
    slot_s = slot_minutes * 60
    until_s = now_s + round(hours * 3600)
    low, high = now_s - 2 * slot_s - 7200, until_s + 2 * slot_s + 7200
    moments, values = _offset_steps(zone, low // DAY_S, high // DAY_S)
    bounds = np.append(moments, np.iinfo(np.int64).max)
    edges = []
    for i, offset in enumerate(values):
        begin, end = max(int(bounds[i]), low), min(int(bounds[i + 1]), high)
        first = begin + (-(begin + int(offset))) % slot_s
        edges.append(np.arange(first, end, slot_s, dtype=np.int64))
    cuts = np.concatenate(edges)
    start = int(np.searchsorted(cuts, now_s, side="right")) - 1
    stop = int(np.searchsorted(cuts, until_s, side="left"))
    return SlotGrid(cuts[start:stop], cuts[start + 1 : stop + 1])


def holidays_known(country: str, subdivision: str = "") -> bool:
    """Whether a country's public holidays, or those of a part of it, are known."""
    try:
        holidays.country_holidays(country, subdiv=subdivision or None)
    except NotImplementedError:
        return False
    return True


def subdivisions(country: str) -> tuple[str, ...]:
    """The parts of a country, by their codes, that have public holidays of their own."""
    return tuple(holidays.country_holidays(country).subdivisions)


@lru_cache(maxsize=64)
def _holiday_ordinals(country: str, subdivision: str, year: int) -> frozenset[int]:
    found = holidays.country_holidays(country, subdiv=subdivision or None, years=year)
    return frozenset(epoch_day(date) for date in found)


def is_holiday(day: int, household: Household) -> bool:
    """Whether a local day is a public holiday where the home stands (never, without a country).

    Raises:
        NotImplementedError: when the `holidays` package does not know country or subdivision.
    """
    if not household.country:
        return False
    year = dt.date.fromordinal(_EPOCH_ORDINAL + day).year
    return day in _holiday_ordinals(household.country, household.subdivision, year)


@lru_cache(maxsize=64)
def week_turn(country: str) -> int:
    """By how many days a week that begins on Monday is turned to end with a country's weekend.

    1 where that is Friday and Saturday, 0 where it is Saturday and Sunday or nothing is known.

    Raises:
        NotImplementedError: when the `holidays` package does not know the country.
    """
    weekend = holidays.country_holidays(country).weekend if country else set()
    return SUNDAY - max((d for d in weekend if (d + 1) % 7 not in weekend), default=SUNDAY)


def like_day(days: Ints, household: Household) -> Ints:
    """The day of the week each local day behaves like, 0 the first after the weekend .. 6 its last.

    Monday .. Sunday, but where the weekend is another one (``week_turn``). A day that somebody
    marked behaves as marked; a public holiday behaves like the weekend's last day.
    """
    days = np.asarray(days, np.int64)
    turn = week_turn(household.country)
    like = (days + 3 + turn) % 7  # 1970-01-01 was a Thursday
    marked = {epoch_day(day): like_a + turn for day, like_a in household.marked_days}
    if not household.country and not marked:
        return like
    for i, day in enumerate(days.tolist()):
        if day in marked:
            like[i] = marked[day] % 7
        elif is_holiday(day, household):
            like[i] = SUNDAY
    return like
