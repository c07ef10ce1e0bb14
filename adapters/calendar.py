"""Guests and absences from an iCalendar file or address (RFC 5545), recurrences expanded."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import icalendar
import recurring_ical_events

from adapters.fetch import TIMEOUT_S, fetch, shown
from adapters.types import CalendarSpan, Refusal, Unusable
from adapters.wiring import CalendarFeed

HORIZON_DAYS = 60
MOST_SPANS = 500
MOST_PEOPLE = 50.0
# Frequencies (RFC 5545, 3.3.10) that no visit has and whose expansion would take for ever.
_TOO_OFTEN = re.compile(rb"FREQ=(SECONDLY|MINUTELY|HOURLY)", re.IGNORECASE)
_COUNT = re.compile(r"\d{1,2}([.,]5)?")


def fetch_calendar(
    home: str,
    feed: CalendarFeed,
    zone: ZoneInfo,
    now_s: float,
    timeout_s: float = TIMEOUT_S,
) -> tuple[CalendarSpan, ...] | Refusal:
    """The visits and absences of a calendar that are not over, for the next 60 days."""
    try:
        document = fetch(feed.address, timeout_s)
    except Unusable as why:
        return Refusal.of(home, f"calendar {shown(feed.address)}", why)
    return read_calendar(home, feed, zone, document, now_s)


def read_calendar(
    home: str, feed: CalendarFeed, zone: ZoneInfo, document: bytes, now_s: float
) -> tuple[CalendarSpan, ...] | Refusal:
    """The spans in an iCalendar document, in order of their start.

    An event counts when its summary holds ``away_word`` or ``guests_word`` as a word; a number in
    the summary counts the guests, otherwise one is expected. Days without a time and floating
    times are the home's own (``zone``). Cancelled events and other events are left out.
    """

    def refuse(code: str, what: str, mend: str) -> Refusal:
        return Refusal(home, code, f"calendar {shown(feed.address)}", what, mend)

    if _TOO_OFTEN.search(document.replace(b"\r\n ", b"")):
        return refuse("too_often", "an event recurs hourly or more often", "leave it out")
    now = datetime.fromtimestamp(now_s, UTC)
    try:
        calendar = icalendar.Calendar.from_ical(document)
        events = recurring_ical_events.of(calendar).between(now, now + timedelta(days=HORIZON_DAYS))
        spans = [span for event in events if (span := _span(feed, zone, event)) is not None]
    except Exception as error:  # the libraries raise many kinds for what a file can hold
        return refuse(
            "not_a_calendar",
            f"is not iCalendar as by RFC 5545 ({type(error).__name__})",
            "export it again",
        )
    if len(spans) > MOST_SPANS:
        return refuse(
            "too_long",
            f"holds more than {MOST_SPANS} visits and absences",
            "keep them in a calendar of their own",
        )
    return tuple(sorted(spans, key=lambda span: (span.from_s, span.until_s, span.kind)))


def _span(feed: CalendarFeed, zone: ZoneInfo, event: icalendar.Event) -> CalendarSpan | None:
    summary = str(event.get("SUMMARY", ""))
    if str(event.get("STATUS", "")).upper() == "CANCELLED":
        return None
    away, guests = _holds(summary, feed.away_word), _holds(summary, feed.guests_word)
    if not away and not guests:
        return None
    start = _moment(event.start, zone)
    end = _moment(event.end, zone)
    if end <= start:
        return None
    people = 0.0
    if not away:
        number = _COUNT.search(summary)
        people = float(number.group().replace(",", ".")) if number else 1.0
        people = min(people, MOST_PEOPLE)
    return CalendarSpan("away" if away else "guests", start, end, people, summary[:80])


def _holds(summary: str, word: str) -> bool:
    return re.search(rf"(?<!\w){re.escape(word)}(?!\w)", summary, re.IGNORECASE) is not None


def _moment(value: date, zone: ZoneInfo) -> int:
    if not isinstance(value, datetime):
        value = datetime.combine(value, time(), zone)
    elif value.tzinfo is None:
        value = value.replace(tzinfo=zone)
    return int(value.timestamp())
