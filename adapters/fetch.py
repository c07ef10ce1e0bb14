"""Getting a document from an address: a web address or a file. Bounded in time and size."""

from __future__ import annotations

import asyncio
import zlib
from collections.abc import Coroutine
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import urlsplit

import httpx

from adapters.types import Unusable

LARGEST_BYTES = 4 << 20
TIMEOUT_S = 20.0

T = TypeVar("T")


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


def fetch(address: str, timeout_s: float = TIMEOUT_S) -> bytes:
    """The bytes at a web address (http, https) or in a file, within ``timeout_s`` all told.

    Raises:
        Unusable: unreachable, too slow, an error status, too large, or not readable.
    """
    if not address.startswith(("http://", "https://")):
        return _read_file(Path(address.removeprefix("file://")))
    try:
        body, encoding = waited_for(_get(address, timeout_s))
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
    return _plain(body, encoding)


def waited_for(work: Coroutine[Any, Any, T]) -> T:
    """What a coroutine comes to, from any thread: one of its own runs it."""
    with ThreadPoolExecutor(1, "fetch") as thread:
        return thread.submit(asyncio.run, work).result()


async def _get(address: str, timeout_s: float) -> tuple[bytes, str]:
    """The body as it was sent, and how it is packed.

    The library bounds each wait alone, and a server that sends a byte now and then would hold its
    caller for days; and it unpacks whatever comes, at a thousand times the size, before its size
    can be looked at.
    """
    async with (
        asyncio.timeout(timeout_s),
        httpx.AsyncClient(timeout=timeout_s, follow_redirects=True) as client,
        client.stream("GET", address, headers={"Accept-Encoding": "gzip"}) as answer,
    ):
        answer.raise_for_status()
        body = bytearray()
        async for chunk in answer.aiter_raw():
            body += chunk
            if len(body) > LARGEST_BYTES:
                raise _too_long("sends")
        return bytes(body), answer.headers.get("Content-Encoding", "").strip().lower()


def _plain(body: bytes, encoding: str) -> bytes:
    if encoding in ("", "identity"):
        return body
    if encoding == "gzip":
        inflater = zlib.decompressobj(wbits=31)
        with suppress(zlib.error):
            plain = inflater.decompress(body, LARGEST_BYTES + 1)
            if len(plain) > LARGEST_BYTES:
                raise _too_long("sends")
            if inflater.eof:
                return plain
    raise Unusable(
        "bad_encoding",
        f"is packed as {encoding[:20]!r} and cannot be unpacked",
        "let the server send it plain, or as gzip",
    )


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
