"""Price series that arrived, kept beside what was known of other times."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime

from adapters.types import PriceSeries

PRICES_KEPT_S = 8 * 86_400.0


def kept(
    before: tuple[PriceSeries, ...], arrived: tuple[PriceSeries, ...], now: datetime
) -> tuple[PriceSeries, ...]:
    """One series of each kind: what arrives goes before what was known of the same time."""
    if not arrived:
        return before
    known = {series.of: series for series in before}
    for new in sorted(arrived, key=lambda series: series.fetched_s):
        last = known.get(new.of)
        known[new.of] = new if last is None else _followed(last, new, now)
    return tuple(known.values())


def _followed(before: PriceSeries, new: PriceSeries, now: datetime) -> PriceSeries:
    """The newer series, with what the older one knows of times outside it, for some days."""
    oldest_s = now.timestamp() - PRICES_KEPT_S
    first_s, last_s = (new.start_s[0], new.end_s[-1]) if new.start_s else (math.inf, -math.inf)
    rows = [
        row
        for row in zip(before.start_s, before.end_s, before.per_kwh, strict=True)
        if row[1] > oldest_s and (row[1] <= first_s or row[0] >= last_s)
    ]
    rows = sorted([*rows, *zip(new.start_s, new.end_s, new.per_kwh, strict=True)])
    starts, ends, prices = zip(*rows, strict=True) if rows else ((), (), ())
    return replace(new, start_s=starts, end_s=ends, per_kwh=prices)
