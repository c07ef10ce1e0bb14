"""Forecasts of outdoor temperature and PV surplus over HTTP, mapped by JMESPath."""

from __future__ import annotations

from itertools import pairwise

from adapters.fetch import TIMEOUT_S, fetch, shown
from adapters.rows import Moments, find, json_rows, number, there
from adapters.types import Refusal, Unusable, WeatherSeries
from adapters.wiring import WeatherFeed

OUTDOOR_C = (-60.0, 60.0)
SURPLUS_W = (0.0, 100_000.0)


def fetch_weather(
    home: str,
    feed: WeatherFeed,
    fetched_s: float,
    timeout_s: float = TIMEOUT_S,
) -> WeatherSeries | Refusal:
    """The forecast of a feed. Blocks for at most about ``timeout_s``."""
    try:
        return read_weather(home, feed, fetch(feed.address, timeout_s), fetched_s)
    except Unusable as why:
        return Refusal.of(home, f"weather feed {shown(feed.address)}", why)


def read_weather(
    home: str, feed: WeatherFeed, document: bytes, fetched_s: float
) -> WeatherSeries | Refusal:
    """The forecast in a JSON document."""
    try:
        return _read(feed, document, fetched_s)
    except Unusable as why:
        return Refusal.of(home, f"weather feed {shown(feed.address)}", why)


def _read(feed: WeatherFeed, document: bytes, fetched_s: float) -> WeatherSeries:
    moments = Moments(feed.time_unit, feed.zone)
    starts: list[int] = []
    outdoor: list[float] = []
    surplus: list[float] = []
    for line, row in enumerate(json_rows(document, feed.rows), start=1):
        try:
            starts.append(moments.read(there(find(row, feed.start), feed.start, "start")))
            if feed.outdoor_c is not None:
                outdoor.append(_within(row, feed.outdoor_c, "outdoor_c", OUTDOOR_C))
            if feed.surplus_w is not None:
                surplus.append(_within(row, feed.surplus_w, "surplus_w", SURPLUS_W))
        except Unusable as bad:
            raise Unusable(bad.code, f"row {line}: {bad.what}", bad.mend) from None
    if any(b <= a for a, b in pairwise(starts)):
        raise Unusable(
            "not_in_order",
            "the rows are not in order of time, or one comes twice",
            "let 'rows' find them in order, sorted by time",
        )
    return WeatherSeries(
        tuple(starts),
        tuple(outdoor) if feed.outdoor_c is not None else None,
        tuple(surplus) if feed.surplus_w is not None else None,
        fetched_s,
    )


def _within(row: object, name: str, key: str, limits: tuple[float, float]) -> float:
    got = number(there(find(row, name), name, key), repr(name))
    if not limits[0] <= got <= limits[1]:
        raise Unusable(
            "out_of_range",
            f"{name!r} is {got:g}, outside {limits[0]:g} to {limits[1]:g}",
            "check its unit: outdoor_c in degC, surplus_w in W",
        )
    return got
