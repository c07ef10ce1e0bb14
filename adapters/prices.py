"""Series from the web, a file or a message: what a kWh costs, earns or emits, in order."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from adapters.fetch import TIMEOUT_S, fetch, shown
from adapters.rows import Moments, csv_rows, find, json_rows, number, there
from adapters.types import PriceSeries, Refusal, Unusable
from adapters.wiring import PriceFeed

HIGHEST_PER_KWH = 10_000.0  # of any currency; beyond it a factor is missing
LONGEST_SLOT_S = 24 * 3600


def fetch_prices(
    home: str,
    feed: PriceFeed,
    fetched_s: float,
    timeout_s: float = TIMEOUT_S,
) -> PriceSeries | Refusal:
    """The series of an ``http`` or ``csv`` feed. Blocks for at most about ``timeout_s``.

    A refused feed leaves what was known before in force; the caller marks the plan.
    """
    try:
        document = fetch(feed.address, timeout_s)
    except Unusable as why:
        return refusal(home, feed, why)
    return read_prices(home, feed, document, fetched_s)


def read_prices(
    home: str, feed: PriceFeed, document: bytes, fetched_s: float
) -> PriceSeries | Refusal:
    """The series in a document: an MQTT payload, a web answer or the bytes of a CSV file."""
    try:
        return _read(feed, document, fetched_s)
    except Unusable as why:
        return refusal(home, feed, why)


def _read(feed: PriceFeed, document: bytes, fetched_s: float) -> PriceSeries:
    is_csv = feed.kind == "csv"
    rows: list[Any]
    if is_csv:
        rows = list(csv_rows(document, {"start": feed.start, "price": feed.price}))
    else:
        rows = json_rows(document, feed.rows)

    def cell(row: Any, name: str) -> object:
        return row.get(name) if is_csv else find(row, name)

    begins, finishes = Moments(feed.time_unit, feed.zone), Moments(feed.time_unit, feed.zone)
    found: list[tuple[int, int | None, float]] = []
    for line, row in enumerate(rows, start=1):
        try:
            start = begins.read(there(cell(row, feed.start), feed.start, "start"))
            end = None
            if feed.end is not None and feed.slot_minutes is None:
                end_value = cell(row, feed.end)
                end = finishes.read(end_value) if end_value not in (None, "") else None
            found_price = there(cell(row, feed.price), feed.price, "price")
            price = number(found_price, f"the price {feed.price!r}")
        except Unusable as bad:
            raise Unusable(bad.code, f"row {line}: {bad.what}", bad.mend) from None
        found.append((start, end, price * feed.per_kwh_factor))
    found.sort(key=lambda row: row[0])
    return _series(feed, found, fetched_s)


def _series(
    feed: PriceFeed, found: list[tuple[int, int | None, float]], fetched_s: float
) -> PriceSeries:
    starts = [start for start, _, _ in found]
    ends: list[int] = []
    for i, (start, given, price) in enumerate(found):
        following = starts[i + 1] if i + 1 < len(starts) else None
        end = given
        if feed.slot_minutes is not None:
            end = start + 60 * feed.slot_minutes
        elif end is None:
            # Without ends each price holds until the next; the last as long as the one before.
            if following is None and i == 0:
                raise Unusable("no_end", "one row without an end", "set end or slot_minutes")
            end = following if following is not None else start + ends[-1] - starts[i - 1]
        if following is not None and following == start:
            raise Unusable(
                "overlap",
                f"two prices begin at {_told(start)}",
                "let 'rows' find one price for each moment",
            )
        if not start < end <= start + LONGEST_SLOT_S or (following or end) < end:
            raise Unusable(
                "overlap",
                f"the interval that begins at {_told(start)} overlaps the next, ends before it "
                "begins or is longer than a day",
                "check end and slot_minutes",
            )
        if abs(price) > HIGHEST_PER_KWH:
            raise Unusable("out_of_range", f"{price:g} per kWh cannot be", "check per_kwh_factor")
        ends.append(end)
    prices = tuple(price for _, _, price in found)
    return PriceSeries(tuple(starts), tuple(ends), prices, fetched_s, feed.of)


def _told(second: int) -> str:
    return f"{datetime.fromtimestamp(second, UTC):%Y-%m-%dT%H:%MZ}"


def refusal(home: str, feed: PriceFeed, why: Unusable) -> Refusal:
    """Why a home cannot use what a feed sent."""
    return Refusal.of(home, f"price feed {shown(feed.address)}", why)
