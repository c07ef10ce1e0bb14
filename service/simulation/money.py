"""What electricity costs at any moment of a replay: the home's own tariff, with what feeds told."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime, time, timedelta
from itertools import groupby
from zoneinfo import ZoneInfo

import numpy as np

from adapters.types import PriceSeries
from forecasting.types import SlotGrid
from service.clock import utc
from service.control import problem
from service.scheduling import tariff
from service.settings import HomeSettings

SLOT_S = 900
TOLD_AT = time(13)  # day-ahead prices are out by then on the day before (common practice)


def price_at(
    settings: HomeSettings, from_s: float, until_s: float, series: Sequence[PriceSeries] = ()
) -> Callable[[float], tuple[float, float]]:
    """Import and export price per kWh at a moment in [from_s, until_s), s since 1970.

    ``series`` is what feeds have delivered, one for each kind; what they leave out costs what the
    tariff makes of it: recent days, else its bands.
    """
    first_s = int(from_s) // SLOT_S * SLOT_S
    starts = np.arange(first_s, int(until_s) + 2 * SLOT_S, SLOT_S, dtype=np.int64)
    grid = SlotGrid(starts, starts + SLOT_S)
    found = tariff.prices(
        settings.tunables.tariff,
        problem.feeds(settings.wiring, series),
        grid,
        settings.wiring.zone_info,
        first_s,
        np.zeros(len(starts)),
    )
    imports, exports = found.import_per_kwh.tolist(), found.export_per_kwh.tolist()

    def look(at_s: float) -> tuple[float, float]:
        slot = min(max(int(at_s - first_s) // SLOT_S, 0), len(imports) - 1)
        return imports[slot], exports[slot]

    return look


def as_told(series: Sequence[PriceSeries], zone: ZoneInfo) -> list[tuple[float, PriceSeries]]:
    """Each local day's part of the series, by the moment at which it became known, in order.

    When a value was first known is not kept: it is taken to be the early afternoon before.
    """
    told = []
    for one in series:
        rows = zip(one.start_s, one.end_s, one.per_kwh, strict=True)
        for day, part in groupby(rows, lambda row: utc(row[0]).astimezone(zone).date()):
            start_s, end_s, per_kwh = zip(*part, strict=True)
            known = datetime.combine(day - timedelta(days=1), TOLD_AT, zone).timestamp()
            piece = replace(one, start_s=start_s, end_s=end_s, per_kwh=per_kwh, fetched_s=known)
            told.append((known, piece))
    return sorted(told, key=lambda item: item[0])
