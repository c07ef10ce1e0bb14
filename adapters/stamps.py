"""Moments of time as payloads and feeds carry them, read without guessing."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime, tzinfo
from typing import Literal

from adapters.types import Unusable

StampUnit = Literal["s", "ms", "iso8601"]

EARLIEST_S = 946_684_800.0  # 2000-01-01: an earlier stamp is a clock that was never set
LATEST_S = 4_102_444_800.0  # 2100-01-01
_NUMBER = re.compile(r"[+-]?\d{1,20}(\.\d{1,20})?", re.ASCII)
_ISO_8601 = "a time by ISO 8601, such as 2026-01-31T18:30:00Z"


def read_stamp(value: object, unit: StampUnit, zone: tzinfo | None = None, fold: int = 0) -> float:
    """Seconds since 1970-01-01 UTC of a stamp.

    Args:
        value: a number or its text for ``s`` and ``ms``; text for ``iso8601``.
        unit: how the stamp is written.
        zone: the zone of ISO 8601 times without an offset; None refuses them.
        fold: 1 for the second pass through an hour that the clock repeats.

    Raises:
        Unusable: not a stamp, without zone, or outside the years 2000 to 2100.
    """
    seconds = _iso(value, zone, fold) if unit == "iso8601" else _number(value, unit)
    if not EARLIEST_S <= seconds < LATEST_S:
        raise Unusable(
            "impossible_stamp",
            "the stamp is not between the years 2000 and 2100",
            "check the sender's clock and whether the stamp counts seconds or milliseconds",
        )
    return seconds


def _number(value: object, unit: StampUnit) -> float:
    if isinstance(value, str) and _NUMBER.fullmatch(value.strip()):
        value = float(value)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise _no_stamp(f"a number of {unit} since 1970")
    try:
        seconds = float(value)
    except OverflowError:
        seconds = math.inf
    if not math.isfinite(seconds):
        raise _no_stamp(f"a finite number of {unit} since 1970")
    return seconds / 1000.0 if unit == "ms" else seconds


def _iso(value: object, zone: tzinfo | None, fold: int) -> float:
    if not isinstance(value, str) or not 10 <= len(value) <= 40:
        raise _no_stamp(_ISO_8601)
    try:
        moment = datetime.fromisoformat(value.strip())
    except ValueError:
        raise _no_stamp(_ISO_8601) from None
    if moment.tzinfo is None:
        if zone is None:
            raise Unusable(
                "no_zone", "the stamp has no zone", "let the sender add Z or an offset as +01:00"
            )
        moment = moment.replace(tzinfo=zone, fold=fold)
    try:
        return moment.astimezone(UTC).timestamp()
    except (OverflowError, ValueError):
        raise Unusable(
            "impossible_stamp", "the stamp is outside all calendars", "check the sender's clock"
        ) from None


def _no_stamp(expected: str) -> Unusable:
    return Unusable(
        "no_stamp",
        f"the stamp is not {expected}",
        "set stamp_unit (of a feed: time_unit) to how the sender writes it",
    )
