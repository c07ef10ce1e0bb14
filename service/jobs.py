"""All that happens by the clock, in one table. Due work of control is decided in its step."""

from __future__ import annotations

import logging
from datetime import UTC, datetime
from typing import TYPE_CHECKING, NamedTuple

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler

from service import feeds

if TYPE_CHECKING:
    from collections.abc import Callable

    from service.assembly import Service

log = logging.getLogger(__name__)


class Job(NamedTuple):
    """One line of the table: what, how often by the service's clock, and what for."""

    name: str
    every_s: float
    run: Callable[[], object]
    at_once: bool = False  # also when the service starts, not only an interval later


class Jobs:
    """The table, and the scheduler that walks it."""

    HEARTBEAT_S = 30.0

    def __init__(self, service: Service) -> None:
        keeping = service.wiring.keeping
        self._clock = service.clock
        self._carefully = service.carefully
        self.table = (
            Job("wake", 1.0, service.wake),
            Job("commit", keeping.commit_every_s, service.flush),
            Job("heartbeat", self.HEARTBEAT_S, service.beat),
            Job("thin", 6 * 3600.0, service.thin),
            Job("tell", 60.0, service.tell_people),
            Job("score", 3600.0, service.score),
            *(
                Job(f"{kind} {home}", every_s, run, at_once=True)
                for kind, home, every_s, run in feeds.errands(service.houses, service.records)
            ),
        )
        self._scheduler = BackgroundScheduler(
            executors={"default": ThreadPoolExecutor(4)},
            job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": None},
            timezone="UTC",
        )
        logging.getLogger("apscheduler").setLevel(logging.ERROR)

    def start(self) -> None:
        """Begin to walk the table."""
        for job in self.table:
            # Sped-up time never asks for more than a few runs a second.
            seconds = max(self._clock.real_s(job.every_s), 0.25)
            first = {"next_run_time": datetime.now(UTC)} if job.at_once else {}
            self._scheduler.add_job(
                self._carefully, "interval", (job.run,), seconds=seconds, name=job.name, **first
            )
        self._scheduler.start()

    def stop(self) -> None:
        """End; a run under way is waited for."""
        if self._scheduler.running:
            self._scheduler.shutdown(wait=True)
