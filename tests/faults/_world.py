"""A real broker, a real ``ladle serve`` and a plant that keeps publishing: for faults to befall."""

from __future__ import annotations

import socket
import sqlite3
import threading
import time
from contextlib import suppress
from pathlib import Path

import httpx

from tests import config_text, mosquitto
from tests.plain_publisher import PROBES_M, Plant
from tests.serving import Serving

LEASE_S = 30.0  # of the actuators in ``config_text``
KEEP = (
    "max_inflight_messages 1000",
    "max_queued_messages 0",
    "persistence true",
    "autosave_on_changes true",
    "autosave_interval 1",
)


class Proxy:
    """A TCP proxy in front of the broker that can stop forwarding without closing anything."""

    def __init__(self, target: int) -> None:
        self._target = target
        self._cut = threading.Event()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        threading.Thread(target=self._accept, daemon=True).start()

    def cut(self) -> None:
        """From now on nothing passes, in either direction; connections stay open."""
        self._cut.set()

    def mend(self) -> None:
        """Everything passes again; what waited in the sockets goes on."""
        self._cut.clear()

    def close(self) -> None:
        """No more connections."""
        self._listener.close()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            if self._cut.is_set():
                threading.Thread(target=self._hold, args=(near,), daemon=True).start()
                continue
            self._join(near)

    def _hold(self, near: socket.socket) -> None:
        """A connection made while cut off: accepted by the network, answered by nobody."""
        while self._cut.is_set():
            time.sleep(0.05)
        near.close()

    def _join(self, near: socket.socket) -> None:
        try:
            far = socket.create_connection(("127.0.0.1", self._target), 2)
            far.settimeout(None)
        except OSError:
            near.close()
            return
        for a, b in ((near, far), (far, near)):
            threading.Thread(target=self._pump, args=(a, b), daemon=True).start()

    def _pump(self, source: socket.socket, sink: socket.socket) -> None:
        with suppress(OSError):
            while True:
                data = source.recv(65536)
                while self._cut.is_set():
                    time.sleep(0.02)
                if not data:
                    break
                sink.sendall(data)
        with suppress(OSError):
            sink.shutdown(socket.SHUT_WR)


class World:
    """Everything running. ``published`` holds (signal, stamp in ms) of every probe reading."""

    def __init__(
        self, folder: Path, records: Path | None = None, behind_proxy: bool = False
    ) -> None:
        self.broker = mosquitto.start(KEEP)
        self.proxy = Proxy(self.broker.port) if behind_proxy else None
        port = self.proxy.port if self.proxy else self.broker.port
        config = config_text.write(folder, port, broker="keepalive_s = 5")
        self.database = (records or folder) / "ladle.sqlite"
        if records is not None:
            text = config.read_text(encoding="utf-8")
            config.write_text(text.replace(f"///{folder}/", f"///{records}/"), encoding="utf-8")
        self.serving = Serving(config)
        self.published: set[tuple[str, int]] = set()
        self.every_s = 1.0
        self._stop = threading.Event()
        self.plant = Plant(self.broker.port)
        self._thread = threading.Thread(target=self._publish)

    def __enter__(self) -> World:
        self.serving.run()
        self._thread.start()
        assert self.until(self.commanded, 90), self.serving.text()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        self.serving.__exit__(None, None, None)
        self.plant.close()
        if self.proxy:
            self.proxy.close()
        self.broker.close()

    def _publish(self) -> None:
        while not self._stop.wait(self.every_s):
            at_ms = int(time.time() * 1000)
            for n in range(1, len(PROBES_M) + 1):
                self.plant.say(f"probe/{n}", {"c": 20.0, "t": at_ms / 1000})
                self.published.add((f"probe_{n}", at_ms))

    @staticmethod
    def until(condition: object, seconds: float) -> float | None:
        """How long until it holds, s; None when it never did."""
        assert callable(condition)
        began = time.monotonic()
        while time.monotonic() - began < seconds:
            if condition():
                return time.monotonic() - began
            time.sleep(0.05)
        return None

    def commanded(self, since: float = 0.0) -> bool:
        """Whether plant was asked to run after the monotonic moment ``since``."""
        return any(at > since and payload == "1" for at, _, payload, _ in list(self.plant.commands))

    def held_until(self) -> float:
        """The monotonic moment up to which an actuator with its own timer still runs."""
        ends: dict[str, float] = {}
        for at, topic, payload, _ in list(self.plant.commands):
            ends[topic] = at + LEASE_S if payload == "1" else at
        return max(ends.values(), default=0.0)

    def state(self) -> dict[str, object] | None:
        """The state over the API, None when it does not answer."""
        try:
            answer = httpx.get(f"{self.serving.address}/api/v1/homes/home/state", timeout=5)
        except httpx.HTTPError:
            return None
        found: dict[str, object] = answer.json()
        return found if answer.status_code == 200 else None

    def missing(self, until_ms: int | None = None) -> set[tuple[str, int]]:
        """What was published (before ``until_ms``) and is not in the database."""
        wanted = {p for p in set(self.published) if until_ms is None or p[1] < until_ms}
        return wanted - stored(self.database)

    def all_stored(self, seconds: float) -> float | None:
        """How long until all that was published up to now is in the database, s."""
        now_ms = int(time.time() * 1000) - 100
        return self.until(lambda: not self.missing(now_ms), seconds)


def stored(database: Path) -> set[tuple[str, int]]:
    """(signal, stamp in ms) of every reading in the database."""
    with sqlite3.connect(f"file:{database}?mode=ro", uri=True, timeout=10) as reader:
        rows = reader.execute(
            "select s.name, round(r.measured_us / 1000.0) from readings r "
            "join signals s on s.id = r.signal_id"
        ).fetchall()
    reader.close()
    return {(name, int(stamp)) for name, stamp in rows}
