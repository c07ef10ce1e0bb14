"""Pages and API in one HTTP server, in a thread of its own."""

from __future__ import annotations

import errno
import ipaddress
import logging
import socket
import threading
from typing import TYPE_CHECKING

import uvicorn

from service.api.app import make_app
from service.pages.router import make_router
from service.settings import Http

if TYPE_CHECKING:
    from service.assembly import Service

log = logging.getLogger(__name__)

LOOPBACK = "127.0.0.1"


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach a server on ``host``."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


class CannotListen(Exception):  # noqa: N818 - it names what happened
    """Pages and API cannot be served where they should be; the message says how to mend it."""


def listen(http: Http, everybody: bool, mend: str) -> socket.socket:
    """A socket bound to where pages and API shall be; nobody is answered there yet.

    Taken before anything else is begun, so that an address in use is one clear message, and
    port 0 has a number.

    Args:
        http: the host and port wanted.
        everybody: whether callers are served without a token; then it is loopback, whatever
            ``http`` says.
        mend: what a person changes to get another port, for the message.

    Raises:
        CannotListen: with where and why.
    """
    host = http.host
    if everybody and not is_loopback(host):
        log.warning("No token is configured: listening on %s, not on %s", LOOPBACK, host)
        host = LOOPBACK
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    # With the protocol named, asyncio turns Nagle's algorithm off; else answers wait 40 ms.
    listening = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((host, http.port))
    except OSError as error:
        listening.close()
        why = error.strerror or str(error)
        if error.errno == errno.EADDRINUSE:
            why = "another program listens there, perhaps another Ladle"
        raise CannotListen(
            f"Cannot serve pages and API on {host}:{http.port}: {why}. {mend}."
        ) from (error)
    return listening


class Web:
    """The server, on a socket of ``listen``."""

    def __init__(
        self, service: Service, listening: socket.socket, everybody: bool, make_token: str
    ) -> None:
        """Ready to start.

        Args:
            service: whose homes are shown.
            listening: from ``listen``.
            everybody: as given to ``listen``.
            make_token: the command that makes a token here; "" where none can be made.
        """
        host, port = listening.getsockname()[:2]
        if is_loopback(host) and not is_loopback(service.wiring.http.host):
            for house in service.houses.values():
                house.notes += ("loopback_until_restart",)
        app = make_app(service.houses, service.records, everybody)
        app.include_router(
            make_router(service.houses, service.records, app.state.access, make_token)
        )
        self._socket = listening
        self.everywhere = ipaddress.ip_address(host).is_unspecified
        shown = f"[{host}]" if ":" in host else host
        self.address = f"http://{shown}:{port}/"
        self._server = uvicorn.Server(
            uvicorn.Config(app, log_level="warning", access_log=False, lifespan="off")
        )
        self._thread = threading.Thread(target=self._run, name="web", daemon=True)

    def start(self) -> None:
        """Begin to serve; from here on a caller is answered, or waits a moment."""
        self._socket.listen(128)
        self._thread.start()

    def _run(self) -> None:
        self._server.run(sockets=[self._socket])

    def stop(self) -> None:
        """End; requests under way are finished."""
        self._server.should_exit = True
        self._thread.join(10)
        self._socket.close()
