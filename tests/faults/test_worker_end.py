"""A service that is killed leaves no worker behind."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests import config_text, mosquitto
from tests.serving import Serving

WITHIN_S = 10.0


def _children(pid: int) -> set[int]:
    """The processes started by ``pid``, as Linux tells."""
    found = Path(f"/proc/{pid}/task").glob("*/children")
    return {int(child) for task in found for child in task.read_text().split()}


def _runs(pid: int) -> bool:
    """Whether a process is there and not merely waiting to be collected."""
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state not in ("Z", "X")


def _cpu_ticks(pid: int) -> int:
    """Processor time it has used, in the system's ticks."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return int(fields[11]) + int(fields[12])


def _within(seconds: float, true: Callable[[], bool]) -> bool:
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        if true():
            return True
        time.sleep(0.05)
    return true()


def _idle(pids: set[int]) -> bool:
    before = {pid: _cpu_ticks(pid) for pid in pids}
    time.sleep(1.0)
    return all(_cpu_ticks(pid) == ticks for pid, ticks in before.items())


@pytest.mark.parametrize("sign", [signal.SIGKILL, signal.SIGTERM])
def test_the_idle_worker_ends_with_the_service(tmp_path: Path, sign: signal.Signals) -> None:
    with mosquitto.start() as broker, Serving(config_text.write(tmp_path, broker.port)) as serving:
        # The first forecast and plan are made without any reading: the worker has been asked.
        assert _within(60, lambda: bool(_children(serving.pid))), "no worker was started"
        assert _within(60, lambda: _idle(_children(serving.pid))), "the worker never comes to rest"
        workers = _children(serving.pid)
        try:
            serving.end(sign)
            gone = _within(WITHIN_S, lambda: not any(map(_runs, workers)))
        finally:
            for pid in filter(_runs, workers):
                os.kill(pid, signal.SIGKILL)
        assert gone, "a worker outlived the service"
