"""Column types: times as aware UTC, and small JSON facts."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import BigInteger, Dialect, Text
from sqlalchemy.types import TypeDecorator

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


def to_us(moment: datetime) -> int:
    """Microseconds since 1970-01-01 UTC. Raises ValueError for a naive datetime."""
    if moment.tzinfo is None or moment.utcoffset() is None:
        raise ValueError(f"naive datetime {moment.isoformat()}: records take aware times only")
    return (moment - EPOCH) // _MICROSECOND


def from_us(us: int) -> datetime:
    """The aware UTC moment ``us`` microseconds after 1970-01-01 UTC."""
    return EPOCH + timedelta(microseconds=us)


def plain(value: Any) -> Any:
    """The same value with nothing in it that JSON lacks: numpy scalars, NaN, infinities."""
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, str):
        return str(value)
    if isinstance(value, Sequence):
        return [plain(v) for v in value]
    if isinstance(value, datetime):
        return value.isoformat()
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


class UtcTime(TypeDecorator[datetime]):
    """An aware moment, stored as integer microseconds since 1970-01-01 UTC.

    A naive datetime is refused, whatever zone it meant; what comes back is in UTC.
    """

    impl = BigInteger
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> int | None:
        """To the integer that is stored."""
        return None if value is None else to_us(value)

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:
        """Back to an aware moment in UTC."""
        return None if value is None else from_us(int(value))


class Facts(TypeDecorator[Any]):
    """Small JSON as compact text, the same bytes in every database."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Dialect) -> str | None:
        """To compact JSON."""
        if value is None:
            return None
        return json.dumps(plain(value), separators=(",", ":"), ensure_ascii=False, allow_nan=False)

    def process_result_value(self, value: Any, dialect: Dialect) -> Any:
        """Back to dicts and lists."""
        return None if value is None else json.loads(value)
