"""A broker in this process, for the demo: amqtt on a loopback port, MQTT 3.1.1.

It keeps nothing when a client leaves, and waits five seconds for an acknowledgement before it
gives a delivery up, so a service that uses it commits every two seconds. A real home has a real
broker.
"""

from __future__ import annotations

import asyncio
import logging
import socket
import threading

from adapters.wiring import Broker

log = logging.getLogger(__name__)

COMMIT_EVERY_S = 2.0


class BrokerFailed(Exception):  # noqa: N818 - it names what happened
    """The embedded broker cannot be started; the message says why and how to mend it."""


class EmbeddedBroker:
    """Start it, use ``port``, stop it. Only loopback clients can connect, without a password.

    Raises:
        BrokerFailed: on ``start``, when the package amqtt is missing or the port is taken.
    """

    def __init__(self, port: int = 0, host: str = "127.0.0.1") -> None:
        self.host = host
        self.port = port
        self._thread: threading.Thread | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._end: asyncio.Event | None = None
        self._ready = threading.Event()
        self._failure: Exception | None = None

    def start(self, timeout_s: float = 10.0) -> None:
        """Start the broker's thread and wait until it listens."""
        try:
            import amqtt.broker  # noqa: F401, PLC0415  an extra: only the demo needs it
        except ImportError as error:
            raise BrokerFailed(
                "The embedded broker needs the package amqtt, which is not installed. "
                "'python3 -m service demo' installs it first."
            ) from error
        if self.port == 0:
            self.port = _free_port(self.host)
        self._thread = threading.Thread(target=self._run, name="embedded-broker", daemon=True)
        self._thread.start()
        self._ready.wait(timeout_s)
        if self._failure is not None or not self._ready.is_set():
            failed = self._failure
            why = (failed and failed.__cause__) or failed or f"it took more than {timeout_s:g} s"
            raise BrokerFailed(
                f"The embedded broker cannot listen on {self.host}:{self.port}: {why}. Start it "
                "again, and it takes another free port."
            )

    def stop(self, timeout_s: float = 10.0) -> None:
        """Stop the broker and wait for its thread."""
        loop, end = self._loop, self._end
        if loop is not None and end is not None and not loop.is_closed():
            loop.call_soon_threadsafe(end.set)
        if self._thread is not None:
            self._thread.join(timeout_s)
            self._thread = None

    @property
    def wiring(self) -> Broker:
        """How to connect to it."""
        return Broker(host=self.host, port=self.port, version="3.1.1")

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
        except Exception as error:
            if self._ready.is_set():
                log.error("The embedded broker ended: %s", error)
            self._failure = error  # told by ``start``, which waits
            self._ready.set()

    async def _serve(self) -> None:
        from amqtt.broker import Broker as Server  # noqa: PLC0415

        # Its own log tells of every packet and of each acknowledgement that is a little late.
        logging.getLogger("amqtt").setLevel(logging.CRITICAL)
        logging.getLogger("transitions").setLevel(logging.ERROR)
        self._loop = asyncio.get_running_loop()
        self._end = asyncio.Event()
        server = Server(
            {
                "listeners": {
                    "default": {"type": "tcp", "bind": f"{self.host}:{self.port}"},
                },
                "plugins": {
                    "amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True},
                },
            }
        )
        await server.start()
        self._ready.set()
        try:
            await self._end.wait()
        finally:
            await server.shutdown()


def _free_port(host: str) -> int:
    with socket.socket() as probe:
        probe.bind((host, 0))
        return int(probe.getsockname()[1])
