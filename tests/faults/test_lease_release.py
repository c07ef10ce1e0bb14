"""Broker and service die together: the actuator's own timer hands the plant back."""

import threading
import time
from pathlib import Path

from tests import config_text, mosquitto
from tests.plain_publisher import PROBES_M, Plant
from tests.serving import Serving

LEASE_S = 30.0


class TimedActuator:
    """A relay with a timer of its own: each "1" holds it for the lease, nothing else does."""

    def __init__(self) -> None:
        self._until = 0.0
        self._lock = threading.Lock()
        self.heard_at = 0.0

    def hear(self, payload: str) -> None:
        with self._lock:
            self.heard_at = time.monotonic()
            self._until = self.heard_at + LEASE_S if payload == "1" else 0.0

    @property
    def closed(self) -> bool:
        with self._lock:
            return time.monotonic() < self._until


def test_the_plant_is_released_within_the_lease(tmp_path: Path) -> None:
    relay = TimedActuator()
    broker = mosquitto.start()
    try:
        config = config_text.write(tmp_path, broker.port)
        with Serving(config) as serving:
            plant = Plant(broker.port)
            try:
                until = time.monotonic() + 60
                seen = 0
                repeats = 0
                while time.monotonic() < until and repeats < 3:
                    now = round(time.time(), 2)
                    for n in range(1, len(PROBES_M) + 1):
                        plant.say(f"probe/{n}", {"c": 20.0, "t": now})
                    time.sleep(1)
                    for _, topic, payload, _ in plant.commands[seen:]:
                        if topic == "plant/pump/set":
                            relay.hear(payload)
                            repeats += payload == "1"
                    seen = len(plant.commands)
                assert repeats >= 3, "the lease was never repeated"
                assert relay.closed
                broker.kill()
                serving.kill()
                died_at = time.monotonic()
            finally:
                plant.close()
        while relay.closed:
            time.sleep(0.1)
            assert time.monotonic() < died_at + LEASE_S + 1
        assert time.monotonic() - relay.heard_at <= LEASE_S + 0.5
    finally:
        broker.close()
