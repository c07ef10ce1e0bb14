"""Weather and calendar feeds, and getting them from a real HTTP server on loopback."""

from __future__ import annotations

import functools
import gzip
import json
import threading
import time
import tracemalloc
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from adapters.calendar import fetch_calendar, read_calendar
from adapters.fetch import LARGEST_BYTES
from adapters.notify import call_webhook
from adapters.prices import fetch_prices
from adapters.types import CalendarSpan, PriceSeries, Refusal, WeatherSeries
from adapters.weather import fetch_weather, read_weather
from adapters.wiring import CalendarFeed, PriceFeed, WeatherFeed
from tests.answering import serving
from tests.trickling import trickling

NOW = 1_767_225_600.0  # Thursday 2026-01-01T00:00:00Z
PARIS = ZoneInfo("Europe/Paris")
HOUR = 3600


@contextmanager
def server(
    status: int = 200, body: bytes = b"", delay_s: float = 0.0, packed: str = ""
) -> Iterator[tuple[str, list[bytes]]]:
    posted: list[bytes] = []

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            time.sleep(delay_s)
            self.send_response(status)
            self.send_header("Content-Length", str(len(body)))
            if packed:
                self.send_header("Content-Encoding", packed)
            self.end_headers()
            self.wfile.write(body)

        def do_POST(self) -> None:
            posted.append(self.rfile.read(int(self.headers["Content-Length"])))
            self.do_GET()

    with serving(Handler) as address:
        yield f"{address}secret/feed?key=secret", posted


def test_feeds_over_http() -> None:
    rows = json.dumps(
        [{"start": "2026-01-01T00:00:00Z", "end": "2026-01-01T01:00:00Z", "price": 0.2, "t": 3}]
    ).encode()
    with server(body=rows) as (address, _):
        prices = fetch_prices("home", PriceFeed(kind="http", address=address), NOW)
        assert isinstance(prices, PriceSeries)
        weather = fetch_weather("home", WeatherFeed(address=address, outdoor_c="t"), NOW)
        assert weather == WeatherSeries((int(NOW),), (3.0,), None, NOW)
    with server(body=ics("SUMMARY:away", "DTSTART:20260102T120000Z", "DTEND:20260103T120000Z")) as (
        address,
        _,
    ):
        spans = fetch_calendar("home", CalendarFeed(address=address), PARIS, NOW)
        assert isinstance(spans, tuple)
        assert len(spans) == 1


def test_servers_that_fail_are_refusals_without_secrets() -> None:
    def attempt(address: str, timeout_s: float = 2.0) -> Refusal:
        got = fetch_prices("home", PriceFeed(kind="http", address=address), NOW, timeout_s)
        assert isinstance(got, Refusal)
        assert "secret" not in got.where + got.message
        return got

    with server(status=403) as (address, _):
        refusal = attempt(address)
        assert refusal.code == "bad_status"
        assert "403" in refusal.message
    assert attempt(address).code == "unreachable"  # it is closed by now
    with server(body=b"[]", delay_s=0.6) as (address, _):
        assert attempt(address, 0.2).code == "unreachable"
    with server(body=b"x" * (LARGEST_BYTES + 1)) as (address, _):
        assert attempt(address).code == "too_long"
    assert attempt("http://").code == "unreachable"


@pytest.mark.parametrize("line", [b"X-Wait: a\r\n", b"wait\r\n"], ids=["heading", "body"])
def test_a_server_that_sends_a_little_for_ever_is_given_up(line: bytes) -> None:
    got: list[object] = []
    with trickling(line) as address:
        feed = PriceFeed(kind="http", address=address)
        caller = threading.Thread(
            target=lambda: got.append(fetch_prices("home", feed, NOW, 0.5)), daemon=True
        )
        caller.start()
        caller.join(2.0)
        assert got, "it waits on"
    assert isinstance(got[0], Refusal)
    assert got[0].code == "unreachable"


def test_packed_answers_are_unpacked_as_far_as_they_may_be_large() -> None:
    """RFC 9110, 8.4: codings are applied in the order they are listed, here one on the other."""
    rows = b'[{"start": "2026-01-01T00:00:00Z", "end": "2026-01-01T01:00:00Z", "price": 0.2}]'
    bomb = gzip.compress(gzip.compress(bytes(100_000_000)))

    def attempt(body: bytes, packed: str) -> PriceSeries | Refusal:
        with server(body=body, packed=packed) as (address, _):
            return fetch_prices("home", PriceFeed(kind="http", address=address), NOW)

    assert isinstance(attempt(gzip.compress(rows), "gzip"), PriceSeries)
    tracemalloc.start()
    try:
        for body, packed, code in (
            (bomb, "gzip, gzip", "bad_encoding"),
            (gzip.decompress(bomb), "gzip", "too_long"),
            (gzip.compress(rows)[:-9], "gzip", "bad_encoding"),
            (rows, "gzip", "bad_encoding"),
        ):
            refusal = attempt(body, packed)
            assert isinstance(refusal, Refusal)
            assert refusal.code == code
        assert tracemalloc.get_traced_memory()[1] < 20e6
    finally:
        tracemalloc.stop()


def test_a_webhook_that_answers_for_ever_keeps_nobody_waiting() -> None:
    got: list[Refusal | None] = []
    for line, timeout_s, code in (
        (b"X-Wait: a\r\n", 0.5, "unreachable"),
        (b"wait\r\n", 20.0, None),
    ):
        with trickling(line) as address:
            call = functools.partial(call_webhook, "home", address, {}, timeout_s)
            caller = threading.Thread(target=lambda call=call: got.append(call()), daemon=True)
            caller.start()
            caller.join(15.0)
            assert got, "it waits on"
        refusal = got.pop()
        assert (refusal and refusal.code) == code


def test_a_webhook_hears_json_and_failures_are_told() -> None:
    with server(status=204) as (address, posted):
        assert call_webhook("home", address, {"fault": "stuck_probe"}) is None
        assert [json.loads(p) for p in posted] == [{"fault": "stuck_probe"}]
    refusal = call_webhook("home", address, {})
    assert refusal is not None
    assert (refusal.code, "secret" in refusal.where) == ("unreachable", False)
    with server(status=500) as (address, _):
        refusal = call_webhook("home", address, {})
        assert refusal is not None
        assert refusal.code == "bad_status"


def test_weather_values_are_checked() -> None:
    feed = WeatherFeed(address="http://x", rows="list", outdoor_c="main.t", surplus_w="w")
    row = {"start": "2026-01-01T00:00:00Z", "main": {"t": -3.5}, "w": 120}

    def read(*rows: dict[str, object]) -> WeatherSeries | Refusal:
        return read_weather("home", feed, json.dumps({"list": rows}).encode(), NOW)

    later = row | {"start": "2026-01-01T01:00:00Z"}
    assert read(row, later) == WeatherSeries(
        (int(NOW), int(NOW) + HOUR), (-3.5, -3.5), (120.0, 120.0), NOW
    )
    for bad, code in (
        (row | {"main": {"t": 270.0}}, "out_of_range"),  # kelvins
        (row | {"w": -5}, "out_of_range"),
        (row | {"main": {}}, "no_such_field"),
        (row | {"start": "2026-01-01"}, "no_zone"),
    ):
        got = read(bad)
        assert isinstance(got, Refusal)
        assert (got.code, "row 1" in got.message) == (code, True)
    got = read(later, row)
    assert isinstance(got, Refusal)
    assert got.code == "not_in_order"
    with pytest.raises(ValidationError, match="outdoor_c or surplus_w"):
        WeatherFeed(address="http://x")


def ics(*events: str, **_: object) -> bytes:
    """A calendar with one event of these lines, or several separated by an empty line."""
    text = "BEGIN:VCALENDAR\nVERSION:2.0\nPRODID:-//test//EN\n"
    body: list[str] = []
    number = 0
    for line in (*events, ""):
        if line:
            body.append(line)
        elif body:
            number += 1
            lines = "\n".join(body)
            text += f"BEGIN:VEVENT\nUID:{number}\nDTSTAMP:20260101T000000Z\n{lines}\nEND:VEVENT\n"
            body = []
    return (text + "END:VCALENDAR\n").replace("\n", "\r\n").encode()


def spans(*lines: str, now: float = NOW) -> tuple[CalendarSpan, ...]:
    got = read_calendar("home", CalendarFeed(address="x.ics"), PARIS, ics(*lines), now)
    assert isinstance(got, tuple), got
    return got


def test_guests_and_absences_by_word_with_their_number() -> None:
    got = spans(
        "SUMMARY:Three guests: 3 guests from abroad",
        "DTSTART:20260103T150000Z",
        "DTEND:20260105T100000Z",
        "",
        "SUMMARY:We are AWAY",
        "DTSTART:20260110T080000Z",
        "DURATION:P2D",
        "",
        "SUMMARY:Awayday at work",
        "DTSTART:20260111T080000Z",
        "DTEND:20260111T090000Z",
        "",
        "SUMMARY:guests",
        "STATUS:CANCELLED",
        "DTSTART:20260112T080000Z",
        "DTEND:20260112T090000Z",
    )
    assert [(s.kind, s.people, s.until_s - s.from_s) for s in got] == [
        ("guests", 3.0, 43 * HOUR),
        ("away", 0.0, 48 * HOUR),
    ]


def test_whole_days_are_the_homes_own_and_may_have_23_hours() -> None:
    (span,) = spans(
        "SUMMARY:away",
        "DTSTART;VALUE=DATE:20260329",
        "DTEND;VALUE=DATE:20260330",
        now=1_774_600_000.0,
    )
    assert span.until_s - span.from_s == 23 * HOUR
    assert span.from_s == 1_774_738_800  # 2026-03-28T23:00:00Z


def test_recurrence_exceptions_and_zones_by_rfc_5545() -> None:
    got = spans(
        "SUMMARY:guests 2",
        "DTSTART;TZID=Europe/Paris:20260102T180000",
        "DTEND;TZID=Europe/Paris:20260104T120000",
        "RRULE:FREQ=WEEKLY;COUNT=4",
        "EXDATE;TZID=Europe/Paris:20260109T180000",
    )
    friday = 1_767_373_200  # 2026-01-02T17:00:00Z
    assert [s.from_s for s in got] == [friday, friday + 14 * 86400, friday + 21 * 86400]
    assert {s.people for s in got} == {2.0}


def test_what_began_and_lasts_is_found_and_what_is_over_is_not() -> None:
    got = spans(
        "SUMMARY:away",
        "DTSTART:20251220T000000Z",
        "DTEND:20260103T000000Z",
        "",
        "SUMMARY:away",
        "DTSTART:20251201T000000Z",
        "DTEND:20251203T000000Z",
    )
    assert [s.until_s for s in got] == [int(NOW) + 2 * 86400]


@pytest.mark.parametrize(
    "document", [b"", b"hello", b"BEGIN:VCALENDAR\r\nBEGIN:VEVENT\r\n", b"\xff"]
)
def test_other_documents_are_refused_or_hold_nothing(document: bytes) -> None:
    got = read_calendar("home", CalendarFeed(address="x.ics"), PARIS, document, NOW)
    assert got == () or isinstance(got, Refusal)


def test_endless_recurrence_is_refused_at_once() -> None:
    document = ics("SUMMARY:guests", "DTSTART:20000101T000000Z", "RRULE:FREQ=SECONDLY")
    got = read_calendar("home", CalendarFeed(address="x.ics"), PARIS, document, NOW)
    assert isinstance(got, Refusal)
    assert got.code == "too_often"


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=30), max_size=6)
)
def test_any_lines_are_answered(lines: list[str]) -> None:
    document = ics("SUMMARY:away", "DTSTART:20260102T120000Z", *[line or "X:1" for line in lines])
    got = read_calendar("home", CalendarFeed(address="x.ics"), PARIS, document, NOW)
    assert isinstance(got, tuple | Refusal)
