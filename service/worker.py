"""Where slow work is done: learning, forecasting and planning, in a process of its own.

The control step asks, the worker performs the same pure function that a replay runs inline, and
the result comes back to the step as an input. One process is enough for many homes.
"""

from __future__ import annotations

import logging
import multiprocessing
import os
import threading
from collections.abc import Callable
from concurrent.futures import Future, ProcessPoolExecutor
from typing import Protocol

from forecasting.types import DrawHistory
from service.control.types import Work, WorkDone
from service.control.work import perform

log = logging.getLogger(__name__)


class Worker(Protocol):
    """Something that performs work and hands the result on."""

    def submit(self, work: Work, history: DrawHistory, done: Callable[[WorkDone], None]) -> None:
        """Perform ``work`` and hand the result to ``done``. Never raises."""
        ...

    def close(self) -> None:
        """No more work follows."""
        ...


class InlineWorker:
    """Performs work at once in the caller's thread.

    For sped-up time, where hours would go by while another process thinks.
    """

    def submit(self, work: Work, history: DrawHistory, done: Callable[[WorkDone], None]) -> None:
        """Perform ``work`` now."""
        done(perform(work, history))

    def close(self) -> None:
        """Nothing to end."""


def _end_with_the_service() -> None:
    """In the worker's process: end it when the service is gone, however that came about.

    A service killed at once can tell its worker nothing, and the pool's own pipe stays open as
    long as the worker does: idle, it would wait for work for ever.
    """
    service = multiprocessing.parent_process()
    assert service is not None

    def wait() -> None:
        service.join()  # sleeps on a pipe that the system closes with the service
        os._exit(1)

    threading.Thread(target=wait, name="service-gone", daemon=True).start()


class ProcessWorker:
    """A pool of one process that is made anew when it dies."""

    def __init__(self) -> None:
        # Spawned, not forked: the service has threads, and a fork would copy their locks.
        self._context = multiprocessing.get_context("spawn")
        self._lock = threading.Lock()
        self._pool: ProcessPoolExecutor | None = None

    def submit(self, work: Work, history: DrawHistory, done: Callable[[WorkDone], None]) -> None:
        """Perform ``work`` and hand the result to ``done``, which is called from another thread.

        A failure comes back as ``WorkDone.failed``; this never raises.
        """

        def finish(future: Future[WorkDone]) -> None:
            if future.cancelled():
                return
            error = future.exception()
            if error is None:
                done(future.result())
                return
            log.error("%s failed: %s", work.kind, error)
            self._forget(broken_pool)
            done(WorkDone(work.kind, work.number, failed=f"{type(error).__name__}: {error}"))

        with self._lock:
            if self._pool is None:
                self._pool = ProcessPoolExecutor(
                    1, mp_context=self._context, initializer=_end_with_the_service
                )
            broken_pool = self._pool
            try:
                future = self._pool.submit(perform, work, history)
            except RuntimeError as error:  # the process died, or the interpreter is going down
                self._pool = None
                failed = f"{type(error).__name__}: {error}"
                done(WorkDone(work.kind, work.number, failed=failed))
                return
        future.add_done_callback(finish)

    def _forget(self, pool: ProcessPoolExecutor) -> None:
        with self._lock:
            if self._pool is pool and getattr(pool, "_broken", False):
                self._pool = None

    def close(self) -> None:
        """Let the process end; unfinished work is dropped."""
        with self._lock:
            pool, self._pool = self._pool, None
        if pool is not None:
            pool.shutdown(wait=True, cancel_futures=True)
