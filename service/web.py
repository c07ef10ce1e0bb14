"""Pages and API in one HTTP server, in a thread of its own."""

from __future__ import annotations

import ipaddress
import socket
import threading
from typing import TYPE_CHECKING

import uvicorn

from service.api.app import make_app
from service.listening import is_loopback
from service.pages.router import make_router

if TYPE_CHECKING:
    from service.assembly import Service


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
