"""A web server that never stops answering."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


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

        def log_message(self, *_: object) -> None:
            pass

    http = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=http.serve_forever, args=(0.02,))
    thread.start()
    try:
        yield f"http://127.0.0.1:{http.server_port}/"
    finally:
        ended.set()
        http.shutdown()
        thread.join()
        http.server_close()
