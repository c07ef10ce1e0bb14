"""Getting a document from an address: a web address or a file. Bounded in time and size."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import urlsplit

import httpx

from adapters.types import Unusable

LARGEST_BYTES = 4 << 20
TIMEOUT_S = 10.0


def shown(address: str) -> str:
    """An address fit for a log: a web address by its host alone.

    Secrets travel in all the rest: as a password, in the query, and, with webhooks and private
    calendars, in the path.
    """
    parts = urlsplit(address)
    if parts.scheme not in ("http", "https"):
        return address
    host = parts.hostname or ""
    port = f":{parts.port}" if parts.port else ""
    return f"{parts.scheme}://{host}{port}"


def fetch(address: str, timeout_s: float = TIMEOUT_S, client: httpx.Client | None = None) -> bytes:
    """The bytes at a web address (http, https) or in a file.

    Raises:
        Unusable: unreachable, an error status, too large, or not readable.
    """
    if not address.startswith(("http://", "https://")):
        return _read_file(Path(address.removeprefix("file://")))
    try:
        if client is not None:
            return _get(client, address)
        with httpx.Client(timeout=timeout_s, follow_redirects=True) as own:
            return _get(own, address)
    except httpx.HTTPStatusError as error:
        raise Unusable(
            "bad_status",
            f"answered {error.response.status_code} {error.response.reason_phrase}",
            "check the address and whether it needs a key",
        ) from None
    except (httpx.HTTPError, httpx.InvalidURL, OSError, ValueError) as error:
        kind = type(error).__name__
        raise Unusable(
            "unreachable",
            f"could not be fetched ({kind})",
            "check the address and the network; it is tried again later",
        ) from None


def _get(client: httpx.Client, address: str) -> bytes:
    with client.stream("GET", address) as answer:
        answer.raise_for_status()
        body = bytearray()
        for chunk in answer.iter_bytes():
            body += chunk
            if len(body) > LARGEST_BYTES:
                raise _too_long("sends")
        return bytes(body)


def _read_file(path: Path) -> bytes:
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise _too_long("holds")
        return path.read_bytes()
    except OSError as error:
        raise Unusable(
            "unreachable", f"cannot be read ({error.strerror})", "check the path and its rights"
        ) from None


def _too_long(does: str) -> Unusable:
    return Unusable(
        "too_long", f"{does} more than {LARGEST_BYTES >> 20} MiB", "ask for fewer days of it"
    )
