"""A plain MQTT client that reports a 300 L cylinder's past and present, for integration tests.

The past is four weeks of EN 16147 profile L drawn from a column of thirty layers moved by plug
flow, charged each night; every value carries its stamp. Nothing of the product is imported.
"""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from datetime import time as clock
from typing import Any
from zoneinfo import ZoneInfo

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

LAYERS, LAYER_L, HEIGHT_M = 30, 10.0, 1.6
COLD_C, HOT_C = 10.0, 55.0
PROBES_M = (0.1, 0.3, 0.5, 0.7, 0.9, 1.1, 1.3, 1.5)

# EN 16147 / Regulation (EU) 812/2013 Annex VII, profile L: time, kWh, L/min. Two independent
# public implementations agree on it; the second bath at 21:00 as in both.
PROFILE_L = (
    ("07:00", 0.105, 3), ("07:05", 1.4, 6), ("07:30", 0.105, 3), ("07:45", 0.105, 3),
    ("08:05", 3.605, 10), ("08:25", 0.105, 3), ("08:30", 0.105, 3), ("08:45", 0.105, 3),
    ("09:00", 0.105, 3), ("09:30", 0.105, 3), ("10:30", 0.105, 3), ("11:30", 0.105, 3),
    ("11:45", 0.105, 3), ("12:45", 0.315, 4), ("14:30", 0.105, 3), ("15:30", 0.105, 3),
    ("16:30", 0.105, 3), ("18:00", 0.105, 3), ("18:15", 0.105, 3), ("18:30", 0.105, 3),
    ("19:00", 0.105, 3), ("20:30", 0.735, 4), ("21:00", 3.605, 10), ("21:30", 0.105, 3),
)  # fmt: skip
PROFILE_L_L40_PER_DAY = 11.655 / (1.163e-3 * 30.0)  # 334 L of mixed water at 40 degC


class Column:
    """Thirty layers, bottom first, moved by plug flow."""

    def __init__(self) -> None:
        self.layers_c = [HOT_C] * LAYERS
        self._moved_l = 0.0

    def draw(self, kwh: float) -> float:
        """Draw so much heat above the cold inlet; the litres that left."""
        litres = kwh / (1.163e-3 * (self.layers_c[-1] - COLD_C))
        self._moved_l += litres
        while self._moved_l >= LAYER_L:
            self.layers_c = [COLD_C, *self.layers_c[:-1]]
            self._moved_l -= LAYER_L
        return litres

    def charge(self) -> None:
        """Full again."""
        self.layers_c = [HOT_C] * LAYERS

    def probe_c(self, height_m: float) -> float:
        """What a probe at that height shows."""
        return self.layers_c[min(int(height_m / HEIGHT_M * LAYERS), LAYERS - 1)]


@dataclass(frozen=True)
class Said:
    """One message: topic below the plant's prefix and what it says."""

    topic: str
    body: dict[str, Any]


def past(until: datetime, weeks: int, zone: ZoneInfo) -> Iterator[Said]:
    """Stamped messages of the last ``weeks`` weeks, in order, up to ``until``."""
    column, total_l = Column(), 0.0
    first = until.astimezone(zone).date() - timedelta(weeks=weeks)
    yield from _probes(column, datetime.combine(first, clock(), zone).timestamp())
    for offset in range(7 * weeks + 1):
        day = first + timedelta(days=offset)
        night = datetime.combine(day, clock(3, 0), zone)
        if night < until:
            column.charge()
            yield from _probes(column, night.timestamp())
        for at, kwh, flow in PROFILE_L:
            hour, minute = map(int, at.split(":"))
            began = datetime.combine(day, clock(hour, minute), zone)
            litres = column.draw(kwh)
            ended = began + timedelta(minutes=litres / flow)
            if ended >= until:
                return
            yield Said("draw", {"total_l": round(total_l, 3), "t": began.timestamp()})
            total_l += litres
            yield Said("draw", {"total_l": round(total_l, 3), "t": ended.timestamp()})
            yield from _probes(column, ended.timestamp() + 1)


def _probes(column: Column, at_s: float) -> Iterator[Said]:
    for number, height_m in enumerate(PROBES_M, 1):
        yield Said(f"probe/{number}", {"c": column.probe_c(height_m), "t": at_s})


class Plant:
    """The plain client: publishes under ``plant/`` and notes the commands it gets."""

    def __init__(
        self,
        port: int,
        user: str | None = None,
        password: str | None = None,
        client_id: str = "plain-plant",
    ) -> None:
        self.commands: list[tuple[float, str, str, bool]] = []
        self.heard: dict[str, list[bytes]] = {}
        self._ready = threading.Event()
        self.client = paho.Client(CallbackAPIVersion.VERSION2, client_id=client_id)
        self.client.max_inflight_messages_set(1000)
        if user is not None:
            self.client.username_pw_set(user, password)
        self.client.on_connect = lambda client, *_: client.subscribe(
            [("plant/+/set", 1), ("ladle/#", 1)]
        )
        self.client.on_subscribe = lambda *_: self._ready.set()
        self.client.on_message = self._on_message
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert self._ready.wait(10)

    def _on_message(self, _client: Any, _data: Any, message: paho.MQTTMessage) -> None:
        if message.topic.startswith("plant/"):
            payload = message.payload.decode()
            self.commands.append((time.monotonic(), message.topic, payload, message.retain))
        else:
            self.heard.setdefault(message.topic, []).append(message.payload)

    def say(self, topic: str, body: Any, retain: bool = False) -> paho.MQTTMessageInfo:
        """Publish one value; dicts as JSON, numbers bare."""
        text = json.dumps(body) if isinstance(body, dict) else f"{body}"
        return self.client.publish(f"plant/{topic}", text, qos=1, retain=retain)

    def say_all(self, said: Iterator[Said]) -> int:
        """Publish many and wait until the broker has them all."""
        infos = [self.say(one.topic, one.body) for one in said]
        for info in infos[-1:]:
            info.wait_for_publish(60)
        return len(infos)

    def close(self) -> None:
        """Disconnect."""
        self.client.disconnect()
        self.client.loop_stop()
