"""Readings stored durably per second, against a bare subscriber on the same broker."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from tests import config_text, mosquitto
from tests.benchmarks.frame import Figure, Result
from tests.serving import Serving

MESSAGES = 12_000
PROBES = 8


def run() -> Result:
    """Publish as fast as the broker takes it; the last row in the database stops the clock."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        lines = ("max_inflight_messages 1000", "max_queued_messages 0")
        with mosquitto.start(lines) as broker:
            bare = subprocess.Popen(
                [sys.executable, "-m", "tests.benchmarks._drain", str(broker.port), str(MESSAGES)],
                stdout=subprocess.PIPE,
                text=True,
            )
            assert bare.stdout is not None
            bare.stdout.readline()
            _publish(broker.port)
            bare_s, seen = bare.stdout.readline().split()
            bare.wait(10)
        assert int(seen) == MESSAGES
        with mosquitto.start(lines) as broker:
            config = config_text.write(folder, broker.port)
            with Serving(config) as serving:
                time.sleep(2.0)  # connected and drained
                began = time.perf_counter()
                _publish(broker.port)
                stored = _wait_for(folder / "ladle.sqlite", MESSAGES)
                ladle_s = time.perf_counter() - began
                serving.stop()
    return Result(
        "a paho client that counts the same messages and keeps nothing",
        (
            Figure("stored durably", stored / ladle_s, "messages/s"),
            Figure("bare subscriber", MESSAGES / float(bare_s), "messages/s"),
            Figure("time against the bare subscriber", ladle_s / float(bare_s), "times"),
        ),
        ("every message is decoded, lived by the control step, committed, then acknowledged",),
        {"messages": MESSAGES, "qos": 1, "commit_every_s": 1},
    )


def _publish(port: int) -> None:
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id="source", protocol=paho.MQTTv5)
    client.max_inflight_messages_set(1000)
    client.connect("127.0.0.1", port)
    client.loop_start()
    start_s = time.time() - MESSAGES
    info = None
    for i in range(MESSAGES):
        body = f'{{"c": {40 + i % 10}, "t": {start_s + i:.0f}}}'
        info = client.publish(f"plant/probe/{i % PROBES + 1}", body, qos=1)
    assert info is not None
    info.wait_for_publish(120)
    client.disconnect()
    client.loop_stop()


def _wait_for(database: Path, rows: int) -> int:
    until = time.monotonic() + 180
    found = 0
    while time.monotonic() < until and found < rows:
        time.sleep(0.1)
        with sqlite3.connect(f"file:{database}?mode=ro", uri=True) as reader:
            found = reader.execute("select count(*) from readings").fetchone()[0]
        reader.close()
    return int(found)
