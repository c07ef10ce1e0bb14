"""Prices, weather and calendars: fetched on time, handed to the homes that asked for them."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import UTC, datetime

import numpy as np

from adapters.calendar import fetch_calendar
from adapters.prices import fetch_prices, read_prices, refusal
from adapters.types import CalendarSpan, Message, PriceSeries, Refusal, Unusable, WeatherSeries
from adapters.weather import fetch_weather
from adapters.wiring import CalendarFeed, PriceFeed, WeatherFeed
from forecasting.types import SlotGrid, Surroundings
from service.control.overrides import WishRefused
from service.control.types import Wish
from service.records.records import Records
from service.running import RunningHouse
from service.settings import HomeWiring

log = logging.getLogger(__name__)

CALENDAR = "calendar"  # author of what a calendar asks for
MOST_TIMES_THE_BANDS = 30.0  # a factor of 100 or 1000 was forgotten; no market's usual hour is so

Errand = tuple[str, str, float, Callable[[], None]]  # kind, home, every_s, what to do


def price_topics(homes: Iterable[HomeWiring]) -> dict[str, list[tuple[str, PriceFeed]]]:
    """Which homes take prices from which topic."""
    found: dict[str, list[tuple[str, PriceFeed]]] = {}
    for home in homes:
        for feed in home.price_feeds:
            if feed.kind == "mqtt":
                found.setdefault(feed.address, []).append((home.id, feed))
    return found


def errands(houses: Mapping[str, RunningHouse], records: Records) -> Iterator[Errand]:
    """Everything that must be fetched, and how often."""
    for house in houses.values():
        home = house.settings.wiring
        for feed in home.price_feeds:
            if feed.kind != "mqtt":
                yield "prices", home.id, feed.every_minutes * 60.0, _prices(house, records, feed)
        if home.weather_feed is not None:
            every_s = home.weather_feed.every_minutes * 60.0
            yield "weather", home.id, every_s, _weather(house, home.weather_feed)
        if home.calendar_feed is not None:
            every_s = home.calendar_feed.every_minutes * 60.0
            yield "calendar", home.id, every_s, _calendar(house, home.calendar_feed)


def take_mqtt(house: RunningHouse, records: Records, feed: PriceFeed, message: Message) -> None:
    """Take a price series that arrived on a topic; a retained one serves as well as a new one."""
    _take(house, records, feed, read_prices(house.id, feed, message.payload, message.received_s))


def _take(
    house: RunningHouse, records: Records, feed: PriceFeed, got: PriceSeries | Refusal
) -> None:
    if isinstance(got, PriceSeries):
        got = _of_one_scale(house, feed, got)
    if isinstance(got, Refusal):
        house.refuse(got)
        return
    house.offer_prices(got)  # first: a full disk leaves no plan without prices
    records.add_prices(house.id, got)


def _of_one_scale(house: RunningHouse, feed: PriceFeed, got: PriceSeries) -> PriceSeries | Refusal:
    """The series, or why its prices cannot be money per kWh as the bands are."""
    dearest = max(abs(b.import_per_kwh) for b in house.settings.tunables.tariff.bands)
    usual = float(np.median(np.abs(got.per_kwh)))
    if got.of != "import" or not dearest or usual <= MOST_TIMES_THE_BANDS * dearest:
        return got
    why = Unusable(
        "out_of_range",
        f"{usual:g} per kWh is {usual / dearest:.0f} times the dearest band's {dearest:g}",
        "check per_kwh_factor (0.001 for prices per MWh) and the bands' currency",
    )
    return refusal(house.id, feed, why)


def _prices(house: RunningHouse, records: Records, feed: PriceFeed) -> Callable[[], None]:
    return lambda: _take(
        house, records, feed, fetch_prices(house.id, feed, house.now().timestamp())
    )


def _weather(house: RunningHouse, feed: WeatherFeed) -> Callable[[], None]:
    def fetch() -> None:
        got = fetch_weather(house.id, feed, house.now().timestamp())
        if isinstance(got, Refusal):
            house.refuse(got)
        else:
            house.offer_weather(as_surroundings(got))

    return fetch


def as_surroundings(series: WeatherSeries) -> Surroundings:
    """The series on slots of its own; NaN where it says nothing."""
    start = np.array(series.start_s, np.int64)
    last_s = int(start[-1] - start[-2]) if len(start) > 1 else 3600
    end = np.append(start[1:], start[-1] + last_s)
    unknown = np.full(len(start), np.nan)
    return Surroundings(
        grid=SlotGrid(start, end),
        cold_inlet_c=unknown,
        outdoor_c=unknown if series.outdoor_c is None else np.array(series.outdoor_c),
        surplus_w=unknown if series.surplus_w is None else np.array(series.surplus_w),
        sources=tuple(
            (name, "feed")
            for name, values in (("outdoor", series.outdoor_c), ("surplus", series.surplus_w))
            if values is not None
        ),
    )


def _calendar(house: RunningHouse, feed: CalendarFeed) -> Callable[[], None]:
    def fetch() -> None:
        zone = house.settings.wiring.zone_info
        got = fetch_calendar(house.id, feed, zone, house.now().timestamp())
        if isinstance(got, Refusal):
            house.refuse(got)
        else:
            follow_calendar(house, got)

    return fetch


def follow_calendar(house: RunningHouse, spans: Iterable[CalendarSpan]) -> None:
    """Make the overrides that a calendar asks for, end those it asks for no more."""
    wanted = {(Wish(s.kind), s.from_s, s.until_s): s for s in spans}
    for override in house.live_overrides():
        if override.author != CALENDAR or override.until is None:
            continue
        key = (override.wish, int(override.since.timestamp()), int(override.until.timestamp()))
        # What has begun was asked for with its beginning cut off at the moment of asking.
        same = next(
            (k for k in wanted if k == key or ((k[0], k[2]) == (key[0], key[2]) and k[1] < key[1])),
            None,
        )
        if same is None:
            house.end_wish(override.id, CALENDAR)
        else:
            del wanted[same]
    for span in wanted.values():
        fields: dict[str, object] = {
            "wish": span.kind,
            "from": datetime.fromtimestamp(span.from_s, UTC).isoformat(),
            "until": datetime.fromtimestamp(span.until_s, UTC).isoformat(),
            "note": span.summary,
        }
        if span.kind == "guests":
            fields["people"] = span.people
        try:
            house.wish(fields, CALENDAR)
        except WishRefused as refused:
            where = f"event {span.summary}"
            house.refuse(Refusal(house.id, "calendar_event", where, refused.what, refused.mend))
