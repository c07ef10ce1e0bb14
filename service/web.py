"""Pages and API in one HTTP server, in a thread of its own."""

from __future__ import annotations

import ipaddress
import logging
import socket
import threading
from typing import TYPE_CHECKING

import uvicorn

from service.api.app import make_app
from service.pages.router import make_router

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


class Web:
    """The server. Without a token it listens on loopback only, whatever the file says."""

    def __init__(self, service: Service) -> None:
        records, http = service.records, service.wiring.http
        self.open_on_loopback = records.tokens.none_in_force()
        host = http.host
        if self.open_on_loopback and not is_loopback(host):
            log.warning("No token is configured: listening on %s, not on %s", LOOPBACK, host)
            host = LOOPBACK
        if self.open_on_loopback:
            for house in service.houses.values():
                house.notes += ("no_token_loopback_only",)
        app = make_app(service.houses, records, self.open_on_loopback)
        app.include_router(make_router(service.houses, records, app.state.access))
        # Bound here, so that a port in use is one clear message and port 0 has a number.
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        # With the protocol named, asyncio turns Nagle's algorithm off; else answers wait 40 ms.
        self._socket = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            self._socket.bind((host, http.port))
        except OSError as error:
            raise SystemExit(
                f"ladle: cannot listen on {host}:{http.port} ([http] host, port): "
                f"{error.strerror}. Choose another port, or 0 for a free one"
            ) from error
        shown = f"[{host}]" if ":" in host else host
        self.address = f"http://{shown}:{self._socket.getsockname()[1]}/"
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
