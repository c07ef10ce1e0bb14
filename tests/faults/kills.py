"""The service is killed with SIGKILL at random moments while readings stream in.

Nothing that was acknowledged to the broker may be missing, and no plant may be left under a
command: the actuator here has a timer of its own, as a real one has, and it must be found
released within its lease after the last kill.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

from tests import config_text, mosquitto
from tests.faults._world import LEASE_S, stored
from tests.faults.frame import Line, Outcome
from tests.plain_publisher import Plant

PROBES = 8


def run(long: bool) -> Outcome:
    """Two hundred kills, or fifty."""
    return killed(200 if long else int(os.environ.get("LADLE_KILLS", "50")))


def killed(kills: int) -> Outcome:
    """Kill the service so many times and look what is missing."""
    with tempfile.TemporaryDirectory() as folder:
        return _killed(kills, Path(folder))


def _killed(kills: int, folder: Path) -> Outcome:
    rng = random.Random(20)
    lines = ("max_inflight_messages 200", "max_queued_messages 0", "persistence true")
    with mosquitto.start(lines) as broker, (folder / "service.log").open("wb") as log:
        config = config_text.write(folder, broker.port)
        host = subprocess.Popen(
            [sys.executable, "-m", "tests.faults._ingesting", str(config)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=log,
            text=True,
        )
        plant = Plant(broker.port)
        published: set[tuple[str, int]] = set()
        stop = threading.Event()

        def publish() -> None:
            count = 0
            while not stop.wait(0.01):
                probe, at_ms = count % PROBES + 1, int(time.time() * 1000) - 1000
                plant.say(f"probe/{probe}", {"c": 20 + count % 3, "t": at_ms / 1000})
                published.add((f"probe_{probe}", at_ms))
                count += 1

        thread = threading.Thread(target=publish)
        try:
            _start(host)  # first of all a subscription, so that everything is queued
            time.sleep(3)
            thread.start()
            _kill(host)
            for _ in range(kills - 1):
                _start(host)
                time.sleep(rng.uniform(0.1, 1.6))
                _kill(host)
            stop.set()
            thread.join()
            _start(host)
            began = time.monotonic()
            missing = published
            while missing and time.monotonic() - began < 90:
                time.sleep(1)
                missing = published - stored(folder / "ladle.sqlite")
            caught_up_s = time.monotonic() - began
            _kill(host)
            killed_at = time.monotonic()
            time.sleep(1.0)  # what was on its way to the plant is there
            stuck_s = _held_for(plant, killed_at)
            late = Plant(broker.port, client_id="another-plant")
            time.sleep(1.0)
            kept_commands = len(late.commands)  # a plant that comes back must be told nothing old
            late.close()
        finally:
            stop.set()
            plant.close()
            assert host.stdin is not None
            host.stdin.close()
            host.wait(10)
    enough = len(published) > kills * 20
    return Outcome(
        (
            Line(
                f"kill -9 at {kills} random moments",
                f"{len(published)} readings were published meanwhile; all that the broker held was "
                f"in the database {caught_up_s:.0f} s after the last start",
                f"plant held by its own timer for {stuck_s:.0f} s after the last kill, "
                f"lease {LEASE_S:.0f} s",
                f"{len(missing)} of {len(published)} readings; {kept_commands} commands were kept "
                "for a plant that came back later",
                enough and not missing and stuck_s <= LEASE_S and not kept_commands,
            ),
        ),
        {
            "commands to run": sum(c[2] == "1" for c in plant.commands),
            "commands to release": sum(c[2] == "0" for c in plant.commands),
            "readings": len(published),
        },
        {"kills": kills},
    )


def _held_for(plant: Plant, killed_at: float) -> float:
    """How long after the kill an actuator's own timer still holds, s; 0 when it was released."""
    held = 0.0
    last: dict[str, tuple[float, str]] = {}
    for at, topic, payload, _ in plant.commands:
        last[topic] = (at, payload)
    for at, payload in last.values():
        if payload == "1":
            held = max(held, at + LEASE_S - killed_at)
    return held


def _start(host: subprocess.Popen[str]) -> None:
    assert host.stdin is not None
    assert host.stdout is not None
    host.stdin.write("go\n")
    host.stdin.flush()
    host.child = int(host.stdout.readline())  # type: ignore[attr-defined]


def _kill(host: subprocess.Popen[str]) -> None:
    assert host.stdout is not None
    os.kill(host.child, signal.SIGKILL)  # type: ignore[attr-defined]
    assert host.stdout.readline() == "gone\n"
