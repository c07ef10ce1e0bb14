"""A web server that never stops answering."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from http.server import BaseHTTPRequestHandler

from tests.answering import serving


@contextmanager
def trickling(line: bytes) -> Iterator[str]:
    """The address of a server that sends ``line``, of the heading or the body, every 50 ms."""
    ended = threading.Event()

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            with suppress(OSError):
                self.wfile.write(b"HTTP/1.1 200 OK\r\n" + (b"" if b":" in line else b"\r\n"))
                while not ended.wait(0.05):
                    self.wfile.write(line)

        def do_POST(self) -> None:
            self.do_GET()

    with serving(Handler) as address:
        try:
            yield address
        finally:
            ended.set()
