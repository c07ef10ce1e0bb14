"""Draw-off events on the half hours of the home's own days.

A *large* draw is one that empties a noticeable part of a cylinder by itself (a shower, a bath);
a *small* one is a basin, a sink, a rinse. They are kept apart because small draws come one by one
all day, while large ones follow habits: "once every morning" is not a rate.
"""

from __future__ import annotations

from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from forecasting.calendar import (
    DAY_S,
    HALF_HOUR_S,
    SLOTS_PER_DAY,
    day_start_s,
    local_days,
    offset_s,
)
from forecasting.types import DrawHistory, Floats, Ints

COUNTED = 2.0 / 3.0  # share of the volume, in order of draw size


@dataclass(frozen=True)
class DayTable:
    """Draws counted per local day (rows) and local half hour (48 columns).

    first_day     days since 1970-01-01 of row 0
    small         number of small draws begun, shape (d, 48)
    large         number of large draws begun, shape (d, 48)
    seen          share of the half hour that was watched, shape (d, 48)
    litres        litres of the draws begun in it, shape (d, 48)
    large_day, large_slot, large_litres   each large draw, shape (k,)
    small_litres  each small draw's litres, shape (j,), with its row in small_day
    """

    first_day: int
    small: Floats
    large: Floats
    seen: Floats
    litres: Floats
    large_day: Ints
    large_slot: Ints
    large_litres: Floats
    small_day: Ints
    small_litres: Floats


def large_from_litres(litres: Floats) -> float:
    """Litres from which on a draw counts as large in this household.

    Half the draw size at which two thirds of the volume has been counted, kept between a long hand
    wash (8 L) and a short shower (20 L), the gap between the medium and the shower category of
    IEA SHC Task 26 (6 and 40 L); the latter until 400 draws have been seen. Two thirds, because in
    that source the categories below the gap hold half of the volume: at half of it chance would
    decide from week to week on which side a home lies.
    """
    if len(litres) < 400:
        return 20.0
    ordered = np.sort(litres)
    below = np.cumsum(ordered)
    middle = ordered[int(np.searchsorted(below, COUNTED * below[-1]))]
    return float(np.clip(0.5 * middle, 8.0, 20.0))


def tabulate(history: DrawHistory, zone: ZoneInfo, large_from_l: float) -> DayTable:
    """Count a history's events by local day and half hour, shape (days, 48) each."""
    first = int(local_days(np.array([history.watched_from_s]), zone)[0][0])
    last = int(
        local_days(np.array([max(history.watched_to_s - 1, history.watched_from_s)]), zone)[0][0]
    )
    rows = last - first + 1
    use = (
        (history.start_s >= history.watched_from_s)
        & (history.start_s < history.watched_to_s)
        & np.isfinite(history.litres_40c)
        & (history.litres_40c > 0)
    )
    litres = history.litres_40c[use]
    days, seconds = local_days(history.start_s[use], zone)
    row, slot = days - first, seconds // HALF_HOUR_S
    big = litres >= large_from_l
    cell = row * SLOTS_PER_DAY + slot
    size = rows * SLOTS_PER_DAY
    shape = (rows, SLOTS_PER_DAY)
    return DayTable(
        first_day=first,
        small=np.bincount(cell[~big], minlength=size).reshape(shape).astype(float),
        large=np.bincount(cell[big], minlength=size).reshape(shape).astype(float),
        seen=watched_share(history, zone, first, rows),
        litres=np.asarray(np.bincount(cell, litres, size), np.float64).reshape(shape),
        large_day=row[big],
        large_slot=slot[big],
        large_litres=litres[big],
        small_day=row[~big],
        small_litres=litres[~big],
    )


def watched_share(history: DrawHistory, zone: ZoneInfo, first: int, rows: int) -> Floats:
    """Share of each local half hour in which the absence of a draw means that nobody drew.

    Args:
        history: what was watched.
        zone: the home's zone.
        first: the first local day, days since 1970-01-01.
        rows: how many days.

    Returns:
        Shares, shape (rows, 48); those of an hour that comes twice add up.
    """
    start = day_start_s(first, zone)
    stop = day_start_s(first + rows, zone)
    step = HALF_HOUR_S
    # cut on the wall clock: shift the start so that offset + start is a multiple of 30 minutes
    edges = np.arange(start, stop, step, dtype=np.int64)
    local = edges + offset_s(edges, zone)
    begin, end = (
        np.clip(x, history.watched_from_s, history.watched_to_s) for x in (edges, edges + step)
    )
    watched = (end - begin) - (_unseen_s(history.gaps_s, end) - _unseen_s(history.gaps_s, begin))
    cell = (local // DAY_S - first) * SLOTS_PER_DAY + (local % DAY_S) // step
    inside = (cell >= 0) & (cell < rows * SLOTS_PER_DAY)
    total = np.bincount(cell[inside], weights=watched[inside], minlength=rows * SLOTS_PER_DAY)
    return (total / step).reshape(rows, SLOTS_PER_DAY)


def _unseen_s(gaps_s: Ints, until_s: Ints) -> Floats:
    """Seconds in any of the gaps, shape (m, 2), up to each moment; gaps may overlap."""
    if len(gaps_s) == 0:
        return np.zeros(len(until_s))
    begin, end = gaps_s[np.argsort(gaps_s[:, 0], kind="stable")].T
    reached = np.maximum.accumulate(end)
    begin = np.maximum(begin, np.append(begin[0], reached[:-1]))
    length = np.maximum(end - begin, 0)
    edges = np.stack([begin, begin + length], axis=1).ravel()
    total = np.cumsum(np.stack([np.zeros(len(length)), length], axis=1).ravel())
    return np.asarray(np.interp(until_s, edges, total))


def litres_in_slots(history: DrawHistory, start_s: Ints, end_s: Ints) -> Floats:
    """Litres drawn in each slot, shape (n,); a draw across an edge is shared by time."""
    order = np.argsort(history.start_s, kind="stable")
    begin = history.start_s[order].astype(float)
    duration = np.maximum(history.duration_s[order], 1.0)
    litres = history.litres_40c[order]
    # cumulative litres by any moment, each draw spread evenly over its duration
    moments = np.concatenate([begin, begin + duration])
    slopes = np.concatenate([litres / duration, -litres / duration])
    sequence = np.argsort(moments, kind="stable")
    moments, slopes = moments[sequence], np.cumsum(slopes[sequence])
    if len(moments) == 0:
        return np.zeros(len(start_s))
    reached = np.concatenate([[0.0], np.cumsum(slopes[:-1] * np.diff(moments))])

    def by(at: Ints) -> Floats:
        return np.asarray(np.interp(at.astype(float), moments, reached))

    return np.maximum(by(end_s) - by(start_s), 0.0)
