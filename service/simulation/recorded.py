"""What a home's records tell a replay: its draws, settings, prices and outdoor air."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from typing import TypeVar, get_args

from adapters.types import PriceSeries, SeriesOf
from adapters.wiring import Quantity
from service.control.types import Draw
from service.records.readings import Span
from service.records.records import Records
from service.records.values import Page
from service.settings import HomeSettings, HomeWiring, Wiring
from service.simulation.sources import BadDraws
from service.simulation.weather import Told

# Of the days around the draws too: prices that nobody told are guessed from those before.
BEFORE, AFTER = timedelta(days=8), timedelta(days=2)
MEAN_S = 1800.0  # temperatures are means over so long
ROWS = 1000  # read at once

T = TypeVar("T")


@dataclass(frozen=True)
class Recorded:
    """``settings`` are those in force, ``outdoor`` is None where no sensor told it.

    ``draws`` are in order; in ``unwatched`` spans, s since 1970, nobody would have seen one.
    """

    draws: tuple[Draw, ...]
    unwatched: tuple[tuple[int, int], ...]
    settings: HomeSettings
    series: tuple[PriceSeries, ...]
    outdoor: Told | None


def read(wiring: Wiring, home: HomeWiring) -> Recorded:
    """Everything on record of a home that a replay can use.

    Raises:
        BadDraws: when no draw is recorded.
    """
    records = Records.open(wiring.database.url, make=False)
    try:
        draws = sorted(_every(partial(records.draws, home.id)), key=lambda d: d.start)
        if not draws:
            raise BadDraws(
                "no draw is recorded for this home yet; name a profile, a household or a CSV file "
                "with --draws"
            )
        span = draws[0].start - BEFORE, draws[-1].start + AFTER
        told = (records.series(home.id, of, *span) for of in get_args(SeriesOf))
        gaps = records.unwatched(home.id, draws[0].start, draws[-1].start)
        return Recorded(
            tuple(draws),
            tuple((int(a.timestamp()), int(b.timestamp())) for a, b in gaps),
            records.in_force(home),
            tuple(s for s in told if s),
            _outdoor(records, home, *span),
        )
    finally:
        records.close()


def _outdoor(records: Records, home: HomeWiring, since: datetime, until: datetime) -> Told | None:
    """Half-hourly means of what the outdoor sensor told, from raw readings and thinned ones."""
    names = [s.name for s in home.signals_of(Quantity.OUTDOOR_TEMPERATURE)[:1]]
    sums: dict[float, float] = {}
    counts: dict[float, int] = {}
    for span_s in (None, *get_args(Span)) if names else ():
        stretches = partial(records.stretches, home.id, since, until, span_s=span_s, signals=names)
        for s in _every(stretches):
            middle_s = ((s.start_s + s.span_s / 2) // MEAN_S + 0.5) * MEAN_S
            sums[middle_s] = sums.get(middle_s, 0.0) + s.mean * s.count
            counts[middle_s] = counts.get(middle_s, 0) + s.count
    at_s = sorted(sums)
    return Told(tuple(at_s), tuple(sums[s] / counts[s] for s in at_s)) if at_s else None


def _every(pages: Callable[..., Page[T]]) -> Iterator[T]:
    """What stands on all pages of a list, in its order."""
    page = pages(limit=ROWS)
    yield from page.items
    while page.next is not None:
        page = pages(after=page.next, limit=ROWS)
        yield from page.items
