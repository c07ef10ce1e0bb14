"""Killed at fifty random moments: nothing that was acknowledged is missing."""

import os
import random
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from pathlib import Path

from tests import config_text, mosquitto
from tests.plain_publisher import Plant

KILLS = int(os.environ.get("LADLE_KILLS", "50"))
PROBES = 8


def _stored(database: Path) -> set[tuple[str, int]]:
    """(signal, stamp in ms) of every reading in the database."""
    with sqlite3.connect(f"file:{database}?mode=ro", uri=True) as reader:
        rows = reader.execute(
            "select s.name, round(r.measured_us / 1000.0) from readings r "
            "join signals s on s.id = r.signal_id"
        ).fetchall()
    reader.close()
    return {(name, int(stamp)) for name, stamp in rows}


def test_nothing_acknowledged_is_lost_over_fifty_kills(tmp_path: Path) -> None:
    rng = random.Random(20)
    lines = ("max_inflight_messages 200", "max_queued_messages 0", "persistence true")
    with mosquitto.start(lines) as broker:
        config = config_text.write(tmp_path, broker.port)
        host = subprocess.Popen(
            [sys.executable, "-m", "tests.faults._ingesting", str(config)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=(tmp_path / "service.log").open("wb"),
            text=True,
        )
        assert host.stdin is not None
        assert host.stdout is not None
        plant = Plant(broker.port)
        published: set[tuple[str, int]] = set()
        stop = threading.Event()

        def publish() -> None:
            count = 0
            while not stop.wait(0.01):
                probe, at_ms = count % PROBES + 1, int(time.time() * 1000) - 1000
                plant.say(f"probe/{probe}", {"c": 40 + count % 7, "t": at_ms / 1000})
                published.add((f"probe_{probe}", at_ms))
                count += 1

        thread = threading.Thread(target=publish)
        try:
            _start(host)  # first of all a subscription, so that everything is queued
            time.sleep(3)
            thread.start()
            _kill(host)
            for _ in range(KILLS - 1):
                _start(host)
                time.sleep(rng.uniform(0.1, 1.6))
                _kill(host)
            stop.set()
            thread.join()
            _start(host)
            until = time.monotonic() + 90
            missing = published
            while missing and time.monotonic() < until:
                time.sleep(1)
                missing = published - _stored(tmp_path / "ladle.sqlite")
            _kill(host)
        finally:
            stop.set()
            plant.close()
            host.stdin.close()
            host.wait(10)
        assert len(published) > KILLS * 20
        assert not missing, f"{len(missing)} of {len(published)} messages are missing"


def _start(host: "subprocess.Popen[str]") -> None:
    assert host.stdin is not None
    assert host.stdout is not None
    host.stdin.write("go\n")
    host.stdin.flush()
    host.child = int(host.stdout.readline())  # type: ignore[attr-defined]


def _kill(host: "subprocess.Popen[str]") -> None:
    assert host.stdout is not None
    os.kill(host.child, signal.SIGKILL)  # type: ignore[attr-defined]
    assert host.stdout.readline() == "gone\n"
