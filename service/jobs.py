"""Walks the table of what happens by the clock. Due work of control is decided in its step."""

from __future__ import annotations

import logging
import time
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, NamedTuple

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.base import BaseTrigger

if TYPE_CHECKING:
    from collections.abc import Callable

    from service.clock import Clock

log = logging.getLogger(__name__)

CLOCK_MOVED_S = 1.0  # the wall clock was set, or was trimmed for long


class Job(NamedTuple):
    """One line of the table: what, how often by the service's clock, and what for."""

    name: str
    every_s: float
    run: Callable[[], object]
    at_once: bool = False  # also when the service starts, not only an interval later
    outside: bool = False  # waits for others, and must keep nothing of our own waiting


class Every(BaseTrigger):  # type: ignore[misc]
    """Every so many seconds; what was missed is not made up for.

    The library's own trigger lists each time that was missed: years of seconds, when the clock of
    a machine that booted in the past is put right.
    """

    def __init__(self, seconds: float) -> None:
        self.interval = timedelta(seconds=seconds)

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime:
        """The next time; both are aware UTC."""
        following = (previous_fire_time or now) + self.interval
        return following if following > now else now + self.interval


class Jobs:
    """The scheduler that walks a table, with ``carefully`` around each run."""

    def __init__(
        self,
        clock: Clock,
        carefully: Callable[[Callable[[], object]], None],
        table: tuple[Job, ...],
    ) -> None:
        self._clock = clock
        self._carefully = carefully
        self.table = table
        self._scheduler = BackgroundScheduler(
            executors={"inside": ThreadPoolExecutor(5), "outside": ThreadPoolExecutor(4)},
            job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": None},
            timezone="UTC",
        )
        logging.getLogger("apscheduler").setLevel(logging.ERROR)
        self._ahead_s = time.time() - time.monotonic()

    def start(self) -> None:
        """Begin to walk the table."""
        for job in self.table:
            # Sped-up time never asks for more than a few runs a second.
            seconds = max(self._clock.real_s(job.every_s), 0.25)
            first = {"next_run_time": datetime.now(UTC)} if job.at_once else {}
            self._scheduler.add_job(
                self._carefully,
                Every(seconds),
                (job.run,),
                name=job.name,
                executor="outside" if job.outside else "inside",
                **first,
            )
        self._scheduler.start()

    def follow_clock(self) -> None:
        """Begin all intervals anew where the machine's wall clock was set.

        The scheduler goes by it: set back by a day it would wake nobody for a day.
        """
        ahead_s = time.time() - time.monotonic()
        if abs(ahead_s - self._ahead_s) < CLOCK_MOVED_S or not self._scheduler.running:
            return
        self._ahead_s = ahead_s
        now = datetime.now(UTC)
        for job in self._scheduler.get_jobs():
            job.modify(next_run_time=now + job.trigger.interval)

    def stop(self) -> None:
        """End; a run under way is waited for."""
        if self._scheduler.running:
            self._scheduler.shutdown(wait=True)
