"""A web server on loopback that answers as a test wants it to."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


@contextmanager
def serving(handler: type[BaseHTTPRequestHandler]) -> Iterator[str]:
    """The address of a server with this handler, a slash at its end; silent on the console."""
    quiet = type("Quiet", (handler,), {"log_message": lambda *_: None})
    http = ThreadingHTTPServer(("127.0.0.1", 0), quiet)
    thread = threading.Thread(target=http.serve_forever, args=(0.02,))
    thread.start()
    try:
        yield f"http://127.0.0.1:{http.server_port}/"
    finally:
        http.shutdown()
        thread.join()
        http.server_close()
