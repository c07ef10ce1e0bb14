"""The one source of time. Service, demo and replay differ only in which clock they hold."""

from __future__ import annotations

import re
import time
from datetime import UTC, datetime
from functools import cache
from typing import Any, Protocol

_CLOCK = re.compile(r"([01][0-9]|2[0-3]):([0-5][0-9])")


class Clock(Protocol):
    """Wall time and monotonic time of one service."""

    def now_s(self) -> float:
        """Wall time, seconds since 1970-01-01 UTC."""
        ...

    def elapsed_s(self) -> float:
        """Monotonic seconds since the clock was made; never jumps."""
        ...

    def real_s(self, clock_s: float) -> float:
        """How long ``clock_s`` seconds of this clock take in the real world, s."""
        ...


def utc(seconds: float) -> datetime:
    """Aware UTC of seconds since 1970-01-01 UTC."""
    return datetime.fromtimestamp(seconds, UTC)


@cache
def second_of(clock: str) -> int:
    """Seconds from midnight of a local time, written HH:MM; 24:00 is the day's end.

    Raises ValueError for what is no such time.
    """
    if clock == "24:00":
        return 86_400
    found = _CLOCK.fullmatch(clock)
    if found is None:
        raise ValueError(f"{clock!r} is no local time; write 22:30, or 24:00 for the day's end")
    hour, minute = found.groups()
    return int(hour) * 3600 + int(minute) * 60


def in_span(second: Any, since: str | None, until: str | None) -> Any:
    """Whether seconds of the local day, an int or an array, lie in a daily span.

    It may run past midnight. Without both ends, or with equal ones, there is no such span.
    """
    if not since or not until or since == until:
        return second < 0
    begin, end = second_of(since), second_of(until)
    after, before = second >= begin, second < end
    return after & before if begin < end else after | before


def second_of_day(local: datetime) -> float:
    """Seconds from midnight of a local time, as its clock shows it; ``in_span`` takes them."""
    return local.hour * 3600 + local.minute * 60 + local.second + local.microsecond / 1e6


class SystemClock:
    """The machine's own time."""

    def __init__(self) -> None:
        self._began = time.monotonic()

    def now_s(self) -> float:
        """Wall time of the machine, s."""
        return time.time()

    def elapsed_s(self) -> float:
        """Monotonic seconds since the clock was made."""
        return time.monotonic() - self._began

    def real_s(self, clock_s: float) -> float:
        """The same number: this clock is not sped up."""
        return clock_s


class FastClock:
    """Time that runs ``speed`` times as fast from ``start_s`` on, for the demo."""

    def __init__(self, start_s: float, speed: float) -> None:
        self._start_s = start_s
        self._speed = speed
        self._began = time.monotonic()

    def now_s(self) -> float:
        """The invented wall time, s."""
        return self._start_s + self.elapsed_s()

    def elapsed_s(self) -> float:
        """Sped-up monotonic seconds since the clock was made."""
        return (time.monotonic() - self._began) * self._speed

    def real_s(self, clock_s: float) -> float:
        """Real seconds that ``clock_s`` sped-up seconds take."""
        return clock_s / self._speed


class HandClock:
    """Time that somebody sets: a replay, a test."""

    def __init__(self, start_s: float) -> None:
        self._start_s = start_s
        self._now_s = start_s

    def set(self, now_s: float) -> None:
        """Move to ``now_s``; monotonic time moves along and never back."""
        self._now_s = max(self._now_s, now_s)

    def now_s(self) -> float:
        """The time set, s."""
        return self._now_s

    def elapsed_s(self) -> float:
        """Seconds since the clock was made."""
        return self._now_s - self._start_s

    def real_s(self, clock_s: float) -> float:
        """Nothing has to wait for this clock."""
        return 0.0 * clock_s
