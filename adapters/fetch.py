"""Getting a document from an address: a web address or a file. Bounded in time and size."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import urlsplit

import httpx

LARGEST_BYTES = 4 << 20
TIMEOUT_S = 10.0


class FetchFailed(Exception):  # noqa: N818  what came of an attempt, told to the caller
    """A document that could not be had. ``code`` is for counting, the text says how to mend it."""

    def __init__(self, code: str, message: str) -> None:
        super().__init__(message)
        self.code = code


def shown(address: str) -> str:
    """An address fit for a log: without user, password and query, where secrets travel."""
    parts = urlsplit(address)
    if parts.scheme not in ("http", "https"):
        return address
    host = parts.hostname or ""
    port = f":{parts.port}" if parts.port else ""
    return f"{parts.scheme}://{host}{port}{parts.path}"


def fetch(address: str, timeout_s: float = TIMEOUT_S, client: httpx.Client | None = None) -> bytes:
    """The bytes at a web address (http, https) or in a file.

    Raises:
        FetchFailed: unreachable, an error status, too large, or not readable.
    """
    if not address.startswith(("http://", "https://")):
        return _read_file(Path(address.removeprefix("file://")))
    try:
        if client is not None:
            return _get(client, address)
        with httpx.Client(timeout=timeout_s, follow_redirects=True) as own:
            return _get(own, address)
    except httpx.HTTPStatusError as error:
        raise FetchFailed(
            "bad_status",
            f"answered {error.response.status_code} {error.response.reason_phrase}; check the "
            "address and whether it needs a key",
        ) from None
    except (httpx.HTTPError, httpx.InvalidURL, OSError, ValueError) as error:
        kind = type(error).__name__
        raise FetchFailed(
            "unreachable", f"could not be fetched ({kind}); it is tried again later"
        ) from None


def _get(client: httpx.Client, address: str) -> bytes:
    with client.stream("GET", address) as answer:
        answer.raise_for_status()
        body = bytearray()
        for chunk in answer.iter_bytes():
            body += chunk
            if len(body) > LARGEST_BYTES:
                raise FetchFailed("too_long", f"sends more than {LARGEST_BYTES >> 20} MiB")
        return bytes(body)


def _read_file(path: Path) -> bytes:
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise FetchFailed("too_long", f"is larger than {LARGEST_BYTES >> 20} MiB")
        return path.read_bytes()
    except OSError as error:
        raise FetchFailed(
            "unreachable", f"cannot be read ({error.strerror}); check the path and its rights"
        ) from None
