"""Tariffs: what a kWh costs and earns in each slot of the plan.

Two kinds: fixed bands by weekday, season and local time, and prices that arrive as a series
(hourly, half-hourly or quarter-hourly, from a feed), with what tax and grid add. Bands follow the
clock of the home's own zone, on days of 23 and 25 hours as on others. A slot that straddles a
change of price gets the mean over its length.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo
from itertools import pairwise
from typing import Annotated

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from adapters.wiring import Part
from forecasting.types import Floats, Ints, SlotGrid
from service.clock import second_of
from service.scheduling.types import Prices

MonthDay = Annotated[str, Field(pattern=r"^(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])$")]
Weekday = Annotated[int, Field(ge=0, le=6)]  # 0 is Monday

DAY_S = 86400
COVERED = 0.999  # a slot is known when this share of it has a price
RECENT_DAYS = 21  # looked back for days of the same kind
ENOUGH_DAYS = 5  # of which the last so many count
LAST_KNOWN_DAYS = 7.0  # so long a lost feed's last days serve
OTHERWISE_PER_KWH = 0.30  # where no band says


class Band(Part):
    """One price band in local time.

    It belongs to the day on which it starts, so it may run past midnight; equal times mean the
    whole day. ``from_day`` and ``until_day`` (MM-DD) are both included; a season may run past New
    Year.
    """

    import_per_kwh: float
    export_per_kwh: float | None = None
    from_time: str = "00:00"
    until_time: str = "24:00"
    weekdays: Annotated[tuple[Weekday, ...], Field(min_length=1)] = (0, 1, 2, 3, 4, 5, 6)
    from_day: MonthDay = "01-01"
    until_day: MonthDay = "12-31"

    @property
    def clocks(self) -> tuple[time, time]:
        """Local times at which it begins and ends. Raises ValueError for what is no time."""
        begins, ends = (second_of(t) // 60 % 1440 for t in (self.from_time, self.until_time))
        return time(*divmod(begins, 60)), time(*divmod(ends, 60))

    def holds(self, local: datetime) -> bool:
        """Does the band hold at a moment, given in the home's local time?"""
        clock, day = local.time().replace(tzinfo=None), local.date()
        starts, ends = self.clocks
        if starts == ends:
            return self._on(day)
        if starts < ends:
            return starts <= clock < ends and self._on(day)
        if clock >= starts:
            return self._on(day)
        return clock < ends and self._on(day - timedelta(days=1))

    def _on(self, day: date) -> bool:
        if day.weekday() not in self.weekdays:
            return False
        month_day = day.strftime("%m-%d")
        if self.from_day <= self.until_day:
            return self.from_day <= month_day <= self.until_day
        return month_day >= self.from_day or month_day <= self.until_day


class Tariff(Part):
    """What a kWh costs, earns and emits.

    bands               the first that holds counts; outside all of them the last one's price
    export_per_kwh      what export earns where neither a band nor a feed says
    carbon_price_per_kg weighs a feed of carbon intensity; so high that money hardly counts, it
                        makes carbon the objective
    feed_times          an import feed's prices are taken times this (value-added tax and the like)
    feed_plus_per_kwh   and this is added (grid charges, levies)

    A feed of import prices goes before the bands, which hold when it is lost.
    """

    bands: tuple[Band, ...] = (Band(import_per_kwh=OTHERWISE_PER_KWH),)
    export_per_kwh: float = 0.0
    carbon_price_per_kg: Annotated[float, Field(ge=0)] = 0.0
    feed_times: Annotated[float, Field(gt=0)] = 1.0
    feed_plus_per_kwh: float = 0.0

    def gap(self) -> datetime | None:
        """A local moment for which no band says a price, None when all are covered.

        Looked for on every day of a year of 366 days, where bands begin and end.
        """
        clocks = {time(0)} | {t for band in self.bands for t in band.clocks}
        first = datetime(2024, 1, 1)  # noqa: DTZ001 - local, wherever the home is
        for day in range(366):
            for clock in sorted(clocks):
                local = datetime.combine(first + timedelta(days=day), clock)
                if not any(band.holds(local) for band in self.bands):
                    return local
        return None

    def paid(self, feed_per_kwh: Floats) -> Floats:
        """What is paid for a kWh at these prices of a feed."""
        return feed_per_kwh * self.feed_times + self.feed_plus_per_kwh


@dataclass(frozen=True)
class Series:
    """Money or g CO2 per kWh as it arrived: each value holds in [start, end), seconds UTC.

    Order, gaps and repeats do not matter; of two for one moment the later row counts.
    """

    start_s: Ints
    end_s: Ints
    per_kwh: Floats


@dataclass(frozen=True)
class Feeds:
    """What feeds have delivered, past days included; None where one never did or there is none.

    ``tell_imports`` says that the import price is expected from a feed.
    """

    tell_imports: bool = False
    imports: Series | None = None
    exports: Series | None = None
    carbon: Series | None = None


def prices(
    tariff: Tariff, feeds: Feeds, grid: SlotGrid, zone: tzinfo, now_s: int, surplus_w: Floats
) -> Prices:
    """Prices of every slot, with what is not published yet estimated and marked.

    Beyond the published horizon a slot costs what the same local time cost on recent days of the
    same kind (working days or weekends). When the feed has nothing from now on, its last known
    days serve the same way, then the bands; ``note`` says which.

    Args:
        tariff: the home's tariff.
        feeds: what has arrived.
        grid: the planning slots, n of them.
        zone: the home's zone.
        now_s: the moment of planning.
        surplus_w: expected PV surplus, W, shape (n,).
    """
    by_band, exports = _from_bands(tariff, grid, zone)
    imports, estimated, note = _imports(tariff, feeds, grid, zone, now_s, by_band)
    earned = _lately(feeds.exports, now_s)
    if earned is not None:
        exports = _completed(earned, grid, zone, exports)[0]
    grams = None
    if feeds.carbon is not None and tariff.carbon_price_per_kg > 0:
        usual = np.full(
            len(grid), np.mean(feeds.carbon.per_kwh) if len(feeds.carbon.per_kwh) else 0
        )
        grams = _completed(feeds.carbon, grid, zone, usual)[0]
    return Prices(
        import_per_kwh=imports,
        export_per_kwh=exports,
        surplus_w=np.asarray(surplus_w, np.float64),
        estimated=estimated,
        carbon_g_per_kwh=grams,
        carbon_price_per_kg=tariff.carbon_price_per_kg,
        note=note,
    )


def _imports(
    tariff: Tariff, feeds: Feeds, grid: SlotGrid, zone: tzinfo, now_s: int, by_band: Floats
) -> tuple[Floats, NDArray[np.bool_], str]:
    """Import prices, which of them are estimated, and from where they come."""
    n = len(grid)
    if not feeds.tell_imports:
        return by_band, np.zeros(n, bool), "bands"
    known = _lately(feeds.imports, now_s)
    if known is None:
        return by_band, np.ones(n, bool), "feed_lost_bands"
    paid = Series(known.start_s, known.end_s, tariff.paid(known.per_kwh))
    note = "feed" if _Steps(known).until_s > now_s else "feed_lost_last_known"
    return *_completed(paid, grid, zone, by_band), note


def _lately(series: Series | None, now_s: int) -> Series | None:
    """A series that says something of the last days or the coming ones, None when it is lost."""
    if series is None:
        return None
    steps = _Steps(series)
    oldest_s = now_s - LAST_KNOWN_DAYS * DAY_S
    return series if steps.until_s > max(oldest_s, steps.since_s) else None


def _completed(
    series: Series, grid: SlotGrid, zone: tzinfo, otherwise: Floats
) -> tuple[Floats, NDArray[np.bool_]]:
    """A series on the grid, and which slots hold a guess.

    What it doesn't cover is guessed from recent days, else from ``otherwise``.
    """
    steps = _Steps(series)
    mean, known = steps.means(grid.start_s, grid.end_s)
    guessed = known < COVERED
    recent = _recent(steps, grid, zone, guessed)
    guess = np.where(np.isfinite(recent), recent, otherwise)
    return np.where(guessed, known * mean + (1.0 - known) * guess, mean), guessed


class _Steps:
    """A piecewise constant series, integrated exactly over any spans."""

    def __init__(self, series: Series) -> None:
        good = np.isfinite(series.per_kwh) & (series.end_s > series.start_s)
        start, end, value = series.start_s[good], series.end_s[good], series.per_kwh[good]
        edges = np.unique(np.concatenate([start, end])).astype(np.int64)
        held = np.full(max(len(edges) - 1, 0), np.nan)
        first, last = np.searchsorted(edges, start), np.searchsorted(edges, end)
        for a, b, v in zip(first.tolist(), last.tolist(), value.tolist(), strict=True):
            held[a:b] = v
        lengths = np.diff(edges).astype(np.float64)
        has = np.isfinite(held)
        self._edges = edges.astype(np.float64)
        self._sum = np.append(0.0, np.cumsum(np.where(has, held, 0.0) * lengths))
        self._time = np.append(0.0, np.cumsum(np.where(has, lengths, 0.0)))
        self.since_s = int(edges[0]) if len(edges) else 0
        self.until_s = int(edges[-1]) if len(edges) else 0

    def means(self, start_s: Ints | Floats, end_s: Ints | Floats) -> tuple[Floats, Floats]:
        """Mean over what is known of each span, 0 where nothing is, and how much of it is."""
        if len(self._edges) == 0:
            return np.zeros(len(start_s)), np.zeros(len(start_s))
        start, end = np.asarray(start_s, np.float64), np.asarray(end_s, np.float64)
        total = np.interp(end, self._edges, self._sum) - np.interp(start, self._edges, self._sum)
        time_s = np.interp(end, self._edges, self._time) - np.interp(start, self._edges, self._time)
        mean = np.divide(total, time_s, out=np.zeros_like(total), where=time_s > 0)
        return mean, time_s / (end - start)


def _recent(steps: _Steps, grid: SlotGrid, zone: tzinfo, wanted: NDArray[np.bool_]) -> Floats:
    """Mean price at the same local time on recent days of the same kind; NaN where unknown."""
    local = [datetime.fromtimestamp(int(s), zone) for s in grid.start_s[wanted]]
    length = (grid.end_s - grid.start_s)[wanted]
    slots = np.arange(len(local))
    # Of days of the same kind, then of the other: the sum of at most ENOUGH_DAYS and how many.
    total, count = np.zeros((2, len(local))), np.zeros((2, len(local)), np.intp)
    for back in range(1, RECENT_DAYS + 1):
        # Wall-clock arithmetic: the same local time, whatever the clocks did in between.
        then = [x - timedelta(days=back) for x in local]
        start = np.array([x.timestamp() for x in then])
        if np.all((start + length <= steps.since_s) | (count[0] == ENOUGH_DAYS)):
            break
        mean, share = steps.means(start, start + length)
        pairs = zip(then, local, strict=True)
        kind = np.array([(a.weekday() >= 5) != (b.weekday() >= 5) for a, b in pairs], np.intp)
        counts = (share >= COVERED) & (count[kind, slots] < ENOUGH_DAYS)
        total[kind, slots] += np.where(counts, mean, 0.0)
        count[kind, slots] += counts
    kind = np.where(count[0] > 0, 0, 1)
    found = np.full(len(grid), np.nan)
    total, count = total[kind, slots], count[kind, slots]
    found[wanted] = np.divide(total, count, out=np.full(len(local), np.nan), where=count > 0)
    return found


def _from_bands(tariff: Tariff, grid: SlotGrid, zone: tzinfo) -> tuple[Floats, Floats]:
    """Import and export price of each slot from the bands."""
    first, last = int(grid.start_s[0]), int(grid.end_s[-1])
    edges = _edges_s(tariff, first, last, zone)
    otherwise = tariff.bands[-1].import_per_kwh if tariff.bands else OTHERWISE_PER_KWH
    imports, exports = [], []
    for a, b in pairwise(edges):
        local = datetime.fromtimestamp((a + b) / 2, zone)
        band = next((x for x in tariff.bands if x.holds(local)), None)
        imports.append(otherwise if band is None else band.import_per_kwh)
        own = None if band is None else band.export_per_kwh
        exports.append(tariff.export_per_kwh if own is None else own)
    starts, ends = np.array(edges[:-1], np.int64), np.array(edges[1:], np.int64)
    spans = grid.start_s, grid.end_s
    return (
        _Steps(Series(starts, ends, np.array(imports))).means(*spans)[0],
        _Steps(Series(starts, ends, np.array(exports))).means(*spans)[0],
    )


def _edges_s(tariff: Tariff, first_s: int, last_s: int, zone: tzinfo) -> list[int]:
    """Moments between which no band begins or ends, from ``first_s`` to ``last_s``.

    They hold each band's times on every local day, midnights, and the moments at which the
    zone's clocks change.
    """
    clocks = {time(0)} | {t for b in tariff.bands for t in b.clocks}
    edges = {first_s, last_s}
    day = datetime.fromtimestamp(first_s, zone).date() - timedelta(days=1)
    end = datetime.fromtimestamp(last_s, zone).date() + timedelta(days=1)

    def offset(moment_s: int) -> timedelta | None:
        return datetime.fromtimestamp(moment_s, zone).utcoffset()

    while day <= end:
        for clock in clocks:
            for fold in (0, 1):  # a time that comes twice is an edge twice
                local = datetime.combine(day, clock, tzinfo=zone).replace(fold=fold)
                edges.add(int(local.timestamp()))
        noon = int(datetime.combine(day, time(12), tzinfo=zone).timestamp())
        if offset(noon) != offset(noon + DAY_S):
            edges.add(_change_s(offset, noon, noon + DAY_S))
        day += timedelta(days=1)
    ordered = sorted(edges)
    return ordered[bisect_right(ordered, first_s - 1) : bisect_right(ordered, last_s)]


def _change_s(offset: Callable[[int], timedelta | None], low: int, high: int) -> int:
    """The second at which the zone's clocks change between two moments."""
    before = offset(low)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if offset(middle) == before else (low, middle)
    return high
