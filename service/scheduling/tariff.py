"""Tariffs: what a kWh costs and earns in each slot of the plan.

Two kinds: fixed bands by weekday, season and local time, and prices that arrive as a series
(hourly, half-hourly or quarter-hourly, from a feed). Bands follow the clock of the home's own
zone, on days of 23 and 25 hours as on others. A slot that straddles a change of price gets the
mean over its length.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo
from itertools import pairwise
from typing import Annotated, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, model_validator

from forecasting.types import Floats, Ints, SlotGrid
from service.scheduling.types import Prices

Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
WEEKDAYS: tuple[Weekday, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
MonthDay = Annotated[str, Field(pattern=r"^(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])$")]
Currency = Annotated[str, Field(pattern=r"^[A-Z]{3}$", description="ISO 4217 code")]

DAY_S = 86400
COVERED = 0.999  # a slot is known when this share of it has a price


class _Settings(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Band(_Settings):
    """One price band. It belongs to the day on which it starts, so it may run past midnight.

    ``starts`` and ``ends`` are local times; equal times mean the whole day. ``season_starts`` and
    ``season_ends`` are days of the year (MM-DD, both included); a season may run past New Year.
    """

    name: str = ""
    days: tuple[Weekday, ...] = WEEKDAYS
    starts: time = time(0)
    ends: time = time(0)
    season_starts: MonthDay | None = None
    season_ends: MonthDay | None = None
    import_per_kwh: float
    export_per_kwh: float | None = None

    @model_validator(mode="after")
    def _whole_season(self) -> Band:
        if (self.season_starts is None) != (self.season_ends is None):
            raise ValueError("season_starts and season_ends go together: give both or neither")
        if not self.days:
            raise ValueError("days: name at least one weekday, such as mon")
        if self.starts.tzinfo or self.ends.tzinfo:
            raise ValueError("starts and ends are local times of the home: leave the offset out")
        return self

    def holds(self, local: datetime) -> bool:
        """Does the band hold at a moment, given in the home's local time?"""
        clock = local.time().replace(tzinfo=None)
        day = local.date()
        if self.starts == self.ends:
            return self._on(day)
        if self.starts < self.ends:
            return self.starts <= clock < self.ends and self._on(day)
        if clock >= self.starts:
            return self._on(day)
        return clock < self.ends and self._on(day - timedelta(days=1))

    def _on(self, day: date) -> bool:
        if WEEKDAYS[day.weekday()] not in self.days:
            return False
        if self.season_starts is None or self.season_ends is None:
            return True
        month_day = day.strftime("%m-%d")
        if self.season_starts <= self.season_ends:
            return self.season_starts <= month_day <= self.season_ends
        return month_day >= self.season_starts or month_day <= self.season_ends


class BandTariff(_Settings):
    """Fixed bands: the first that holds counts; outside all of them the tariff's own prices."""

    kind: Literal["bands"] = "bands"
    currency: Currency
    import_per_kwh: float
    export_per_kwh: float = 0.0
    bands: tuple[Band, ...] = ()
    carbon_price_per_kg: Annotated[float, Field(ge=0)] = 0.0


class SeriesTariff(_Settings):
    """Prices that arrive as a series: ``series x times + plus_per_kwh``.

    ``times`` carries value-added tax and the like, ``plus_per_kwh`` levies and network charges.
    ``export_per_kwh`` is what surplus earns unless the feed says so. When the feed fails, its
    last known days serve for ``last_known_days``, then the ``fallback`` bands.
    """

    kind: Literal["series"] = "series"
    currency: Currency
    times: Annotated[float, Field(gt=0)] = 1.0
    plus_per_kwh: float = 0.0
    export_per_kwh: float = 0.0
    last_known_days: Annotated[float, Field(ge=0, le=60)] = 7.0
    import_per_kwh: float
    bands: tuple[Band, ...] = ()
    carbon_price_per_kg: Annotated[float, Field(ge=0)] = 0.0

    @property
    def fallback(self) -> BandTariff:
        """The bands that hold when the feed is lost."""
        return BandTariff(
            currency=self.currency,
            import_per_kwh=self.import_per_kwh,
            export_per_kwh=self.export_per_kwh,
            bands=self.bands,
        )


Tariff = Annotated[BandTariff | SeriesTariff, Field(discriminator="kind")]


@dataclass(frozen=True)
class PriceSeries:
    """Prices (or g CO2 per kWh) as they arrived: each holds in [start, end), seconds UTC.

    Order, gaps and repeats do not matter; of two for one moment the later row counts.
    """

    start_s: Ints
    end_s: Ints
    per_kwh: Floats
    export_per_kwh: Floats | None = None


def prices(
    tariff: BandTariff | SeriesTariff,
    series: PriceSeries | None,
    grid: SlotGrid,
    zone: tzinfo,
    now_s: int,
    surplus_w: Floats,
    carbon: PriceSeries | None = None,
) -> Prices:
    """Prices of every slot, with what is not published yet estimated and marked.

    Beyond the published horizon a slot costs what the same local time cost on recent days of the
    same kind (working days or weekends). When the feed has nothing from now on, its last known
    days serve the same way, then the bands; ``note`` says which.

    Args:
        tariff: the home's tariff.
        series: what the feed has delivered, past days included; None when it never did.
        grid: the planning slots, n of them.
        zone: the home's zone.
        now_s: the moment of planning.
        surplus_w: expected PV surplus, W, shape (n,).
        carbon: grams of CO2 per kWh as a series, if known; counted at the tariff's carbon price.
    """
    bands = tariff if isinstance(tariff, BandTariff) else tariff.fallback
    grams = None
    if carbon is not None and tariff.carbon_price_per_kg > 0:
        grams = _carbon(carbon, grid, zone)
    band_import, band_export = _from_bands(bands, grid, zone)
    n = len(grid)

    def made(imports: Floats, exports: Floats, estimated: NDArray[np.bool_], note: str) -> Prices:
        return Prices(
            import_per_kwh=imports,
            export_per_kwh=exports,
            surplus_w=np.asarray(surplus_w, np.float64),
            estimated=estimated,
            carbon_g_per_kwh=grams,
            carbon_price_per_kg=tariff.carbon_price_per_kg,
            note=note,
        )

    if isinstance(tariff, BandTariff):
        return made(band_import, band_export, np.zeros(n, bool), "bands")
    steps = _Steps(series.start_s, series.end_s, series.per_kwh) if series is not None else None
    oldest_s = now_s - tariff.last_known_days * DAY_S
    if series is None or steps is None or steps.until_s <= max(oldest_s, steps.since_s):
        return made(band_import, band_export, np.ones(n, bool), "feed_lost_bands")
    note = "feed" if steps.until_s > now_s else "feed_lost_last_known"
    raw, known = steps.means(grid.start_s, grid.end_s)
    guessed = known < COVERED
    imports = raw * tariff.times + tariff.plus_per_kwh
    recent = _recent(steps, grid, zone, guessed)
    found = np.isfinite(recent)
    estimate = np.where(found, recent * tariff.times + tariff.plus_per_kwh, band_import)
    imports = np.where(guessed, known * imports + (1.0 - known) * estimate, imports)
    exports = np.full(n, tariff.export_per_kwh)
    if series.export_per_kwh is not None:
        earns = _Steps(series.start_s, series.end_s, series.export_per_kwh)
        own, share = earns.means(grid.start_s, grid.end_s)
        unknown = share < COVERED
        past = _recent(earns, grid, zone, unknown)
        past = np.where(np.isfinite(past), past, tariff.export_per_kwh)
        exports = np.where(unknown, share * own + (1.0 - share) * past, own)
    return made(imports, exports, guessed, note)


class _Steps:
    """A piecewise constant series, integrated exactly over any spans."""

    def __init__(self, start_s: Ints, end_s: Ints, values: Floats) -> None:
        good = np.isfinite(values) & (end_s > start_s)
        start, end, value = start_s[good], end_s[good], values[good]
        edges = np.unique(np.concatenate([start, end])).astype(np.int64)
        held = np.full(max(len(edges) - 1, 0), np.nan)
        for a, b, v in zip(start, end, value, strict=True):
            held[np.searchsorted(edges, a) : np.searchsorted(edges, b)] = v
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
    found = np.full(len(grid), np.nan)
    for slot in np.flatnonzero(wanted):
        local = datetime.fromtimestamp(int(grid.start_s[slot]), zone)
        length = int(grid.end_s[slot] - grid.start_s[slot])
        alike: list[float] = []
        other: list[float] = []
        for back in range(1, 22):
            # Wall-clock arithmetic: the same local time, whatever the clocks did in between.
            then = local - timedelta(days=back)
            start = then.timestamp()
            if start + length <= steps.since_s:
                break
            mean, share = steps.means(np.array([start]), np.array([start + length]))
            if share[0] < COVERED:
                continue
            same = (then.weekday() >= 5) == (local.weekday() >= 5)
            (alike if same else other).append(float(mean[0]))
            if len(alike) == 5:
                break
        if alike or other:
            found[slot] = float(np.mean(alike or other[:5]))
    return found


def _carbon(carbon: PriceSeries, grid: SlotGrid, zone: tzinfo) -> Floats:
    steps = _Steps(carbon.start_s, carbon.end_s, carbon.per_kwh)
    mean, share = steps.means(grid.start_s, grid.end_s)
    recent = _recent(steps, grid, zone, share < COVERED)
    usual = float(np.mean(carbon.per_kwh)) if len(carbon.per_kwh) else 0.0
    recent = np.where(np.isfinite(recent), recent, usual)
    return np.asarray(np.where(share < COVERED, share * mean + (1 - share) * recent, mean))


def _from_bands(tariff: BandTariff, grid: SlotGrid, zone: tzinfo) -> tuple[Floats, Floats]:
    """Import and export price of each slot from the bands."""
    first, last = int(grid.start_s[0]), int(grid.end_s[-1])
    edges = band_edges_s(tariff, first, last, zone)
    imports, exports = [], []
    for a, b in pairwise(edges):
        local = datetime.fromtimestamp((a + b) / 2, zone)
        band = next((x for x in tariff.bands if x.holds(local)), None)
        imports.append(tariff.import_per_kwh if band is None else band.import_per_kwh)
        own = None if band is None else band.export_per_kwh
        exports.append(tariff.export_per_kwh if own is None else own)
    starts, ends = np.array(edges[:-1], np.int64), np.array(edges[1:], np.int64)
    spans = grid.start_s, grid.end_s
    return (
        _Steps(starts, ends, np.array(imports)).means(*spans)[0],
        _Steps(starts, ends, np.array(exports)).means(*spans)[0],
    )


def band_edges_s(tariff: BandTariff, first_s: int, last_s: int, zone: tzinfo) -> list[int]:
    """Moments between which no band begins or ends, from ``first_s`` to ``last_s``.

    They hold each band's times on every local day, midnights, and the moments at which the
    zone's clocks change.
    """
    clocks = {time(0)} | {t for b in tariff.bands for t in (b.starts, b.ends)}
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
