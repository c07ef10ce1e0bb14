"""Where pages and API are served: a socket, taken before anything else is begun."""

from __future__ import annotations

import errno
import ipaddress
import logging
import socket

from service.settings import Http

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
