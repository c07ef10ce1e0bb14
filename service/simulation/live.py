"""A simulated home on a real broker: it publishes its instruments and obeys commands."""

from __future__ import annotations

import json
import logging
import threading
from collections.abc import Callable

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from adapters.types import Command
from adapters.wiring import Actuator, Broker, Form
from service.clock import Clock
from service.settings import HomeWiring
from service.simulation.home import SimulatedHome

log = logging.getLogger(__name__)


def understood(home: str, actuator: Actuator, payload: str) -> Command:
    """What plant with this wiring makes of a payload; it knows ``release`` and else runs."""
    if payload == actuator.release:
        return Command(home, actuator.name, "release")
    set_c = None
    if actuator.form is Form.SET_TEMPERATURE:
        try:
            set_c = float(payload)
        except ValueError:
            set_c = float(json.loads(payload)["set_c"])
        if actuator.rest_c is not None and set_c <= actuator.rest_c:
            return Command(home, actuator.name, "block", set_c=set_c, lease_s=actuator.lease_s)
    return Command(home, actuator.name, "run", set_c=set_c, lease_s=actuator.lease_s)


class LiveHome:
    """Lives the home along a clock and speaks MQTT like plant and meters do.

    every_s is how often instruments report, by the clock; a tap that opens or closes reports
    at once, as a meter with a pulse output would.
    """

    def __init__(
        self,
        home: SimulatedHome,
        wiring: HomeWiring,
        broker: Broker,
        clock: Clock,
        every_s: float = 60.0,
    ) -> None:
        self._home = home
        self._wiring = wiring
        self._broker = broker
        self._clock = clock
        self._every_s = every_s
        self._lock = threading.Lock()
        self._stopping = threading.Event()
        self._by_topic = {a.topic: a for a in wiring.actuators}
        self._client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id=f"plant-{wiring.id}", protocol=paho.MQTTv311
        )
        self._client.on_connect = self._connected
        self._client.on_message = self._commanded
        self._thread = threading.Thread(target=self._run, name="simulated-home", daemon=True)

    def start(self) -> None:
        """Connect and begin to live."""
        self._client.connect(self._broker.host, self._broker.port)
        self._client.loop_start()
        self._thread.start()

    def stop(self) -> None:
        """End."""
        self._stopping.set()
        self._thread.join(5)
        self._client.disconnect()
        self._client.loop_stop()

    def look(self, read: Callable[[SimulatedHome], float]) -> float:
        """Read something of the home while nobody moves it."""
        with self._lock:
            return read(self._home)

    def _connected(self, client: paho.Client, *_: object) -> None:
        for topic in self._by_topic:
            client.subscribe(topic, 1)

    def _commanded(self, _client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        actuator = self._by_topic[message.topic]
        try:
            command = understood(self._wiring.id, actuator, message.payload.decode())
        except (ValueError, KeyError, TypeError):
            log.warning("The simulated plant does not understand %r", message.payload[:40])
            return
        with self._lock:
            self._home.command(actuator.source, command)

    def _run(self) -> None:
        while not self._stopping.is_set():
            with self._lock:
                now_s = self._clock.now_s()
                event_s = self._home.next_event_s()
                self._home.advance(min(now_s, event_s) if event_s > self._home.now_s else now_s)
                self._report()
                behind = self._home.now_s < now_s - 1.0
                next_s = min(self._home.now_s + self._every_s, self._home.next_event_s())
            if not behind:
                wait_s = self._clock.real_s(max(next_s - self._clock.now_s(), 0.0))
                self._stopping.wait(max(wait_s, 0.02))

    def _report(self) -> None:
        for signal in self._wiring.signals:
            self._client.publish(signal.topic, f"{self._home.value(signal):.4f}", qos=1)
