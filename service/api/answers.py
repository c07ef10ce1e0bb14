"""How answers are given: HEAD, entity tags, pages with links, and POSTs that act once."""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
import re
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime
from typing import Any, TypeVar

from fastapi import Request
from fastapi.responses import Response
from pydantic import BaseModel
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.api.access import Caller
from service.api.problems import Problem
from service.records.idempotency import KeptAnswer
from service.records.records import Records
from service.records.values import Cursor, Page

JSON = "application/json"
LONGEST_KEY = 200
T = TypeVar("T")


class HeadAsGet:
    """Answers HEAD as GET, without the body (RFC 9110, 9.3.2): monitors ask so, of any address."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on as a GET, and keep what that would send."""

        async def _send(message: Message) -> None:
            if message["type"] == "http.response.body":
                message = {**message, "body": b""}
            await send(message)

        if scope["type"] == "http" and scope["method"] == "HEAD":
            await self._app({**scope, "method": "GET"}, receive, _send)
        else:
            await self._app(scope, receive, send)


def tag_of(body: bytes) -> str:
    """A strong entity tag (RFC 9110) of a representation."""
    return f'"{hashlib.blake2b(body, digest_size=12).hexdigest()}"'


def names_tag(header: str, tag: str) -> bool:
    """Whether an If-Match or If-None-Match header names ``tag``; ``*`` names any."""
    named = [part.strip().removeprefix("W/") for part in header.split(",")]
    return "*" in named or tag in named


def is_tag(header: str) -> bool:
    """Whether an If-Match header holds an entity tag at all, which is quoted, or ``*``."""
    return header.strip() == "*" or re.search(r'"[^"]*"', header) is not None


def tagged(
    request: Request, body: bytes, tag: str | None = None, headers: Mapping[str, str] | None = None
) -> Response:
    """The body with its entity tag, or 304 when the caller has it already."""
    tag = tag or tag_of(body)
    told = {"ETag": tag, "Cache-Control": "private, no-cache", **(headers or {})}
    have = request.headers.get("if-none-match")
    if have is not None and names_tag(have, tag):
        return Response(status_code=304, headers=told)
    return Response(body, media_type=JSON, headers=told)


def as_json(value: BaseModel) -> bytes:
    """A schema as JSON."""
    return value.model_dump_json().encode()


class Kept:
    """The JSON of each home's last view, plan or forecast, made once and served many times."""

    def __init__(self) -> None:
        self._last: dict[str, tuple[object, bytes, str]] = {}

    def json(self, name: str, source: T, make: Callable[[T], BaseModel]) -> tuple[bytes, str]:
        """JSON and entity tag of what ``make`` gives for ``source``; made anew for a new source."""
        last = self._last.get(name)
        if last is not None and last[0] is source:
            return last[1], last[2]
        body = as_json(make(source))
        tag = tag_of(body)
        self._last[name] = (source, body, tag)
        return body, tag


def to_text(cursor: Cursor) -> str:
    """A cursor as the opaque text of a link."""
    raw = json.dumps(list(cursor), separators=(",", ":")).encode()
    return base64.urlsafe_b64encode(raw).decode().rstrip("=")


def from_text(text: str | None) -> Cursor | None:
    """A cursor from a link. Raises Problem when it is none of ours."""
    if text is None:
        return None
    try:
        raw = json.loads(base64.urlsafe_b64decode(text + "=" * (-len(text) % 4)))
    except (ValueError, binascii.Error):
        raw = None
    good = isinstance(raw, list) and raw and all(map(_fits_a_cursor, raw))
    if not good:
        raise _bad_cursor()
    return tuple(raw)


def _fits_a_cursor(part: object) -> bool:
    """Text or a number that a database can hold."""
    if type(part) is str:
        return "\0" not in part
    return type(part) is int and abs(part) < 2**63


def _bad_cursor() -> Problem:
    line = {
        "where": "parameter cursor",
        "what": "is no cursor of this list",
        "mend": "Follow the Link header with rel=next, or leave the cursor out.",
    }
    return Problem("invalid", "parameter cursor: is no cursor of this list", [line])


def listed(
    request: Request,
    fetch: Callable[[], Page[T]],
    make: Callable[[T], BaseModel],
    before: Mapping[str, Any] | None = None,
) -> Response:
    """One page of a list: ``{"items": [...]}``, with a Link to the next (RFC 8288)."""
    try:
        page = fetch()
    except ValueError as error:
        raise _bad_cursor() from error
    parts = [*(f'"{k}":{json.dumps(v)}' for k, v in (before or {}).items())]
    items = ",".join(make(item).model_dump_json() for item in page.items)
    body = "{" + ",".join([*parts, f'"items":[{items}]']) + "}"
    headers = {}
    if page.next is not None:
        onward = request.url.include_query_params(cursor=to_text(page.next))
        headers["Link"] = f'<{onward.path}?{onward.query}>; rel="next"'
    return tagged(request, body.encode(), headers=headers)


def all_of(request: Request, items: Iterable[BaseModel]) -> Response:
    """A list that fits into one answer."""
    inside = ",".join(item.model_dump_json() for item in items)
    return tagged(request, f'{{"items":[{inside}]}}'.encode())


def once(
    request: Request,
    records: Records,
    caller: Caller,
    home: str,
    sent: Any,
    act: Callable[[], tuple[int, BaseModel, dict[str, str]]],
) -> Response:
    """Do what a POST asks, once for each Idempotency-Key; a repeat gets the first answer again.

    Raises:
        Problem: 422 when the key came with another body.
    """
    key = request.headers.get("idempotency-key")
    if key is None:
        status, value, headers = act()
        return Response(as_json(value), status, headers, JSON)
    key = key.strip().strip('"')
    if not 1 <= len(key) <= LONGEST_KEY or not key.isprintable():
        line = {
            "where": "header Idempotency-Key",
            "what": f"is not 1 to {LONGEST_KEY} printable characters",
            "mend": "Send a UUID.",
        }
        raise Problem("invalid", f"{line['where']}: {line['what']}", [line])
    whole = json.dumps([request.method, request.url.path, sent], sort_keys=True, default=str)
    digest = hashlib.sha256(whole.encode()).hexdigest()
    now = datetime.now(UTC)
    with records.together():  # a process that dies leaves the deed with its answer, or neither
        before = records.idempotency.find(home, caller.key, key, now)
        if before is not None:
            if before.digest != digest:
                raise Problem("key-reused", f"The key {key!r} came with another request before.")
            kept = json.loads(before.answer)
            headers = {**kept["headers"], "Idempotency-Replayed": "true"}
            return Response(kept["body"], before.status, headers, JSON)
        status, value, headers = act()
        body = as_json(value).decode()
        answer = json.dumps({"headers": headers, "body": body})
        records.idempotency.keep(home, caller.key, key, KeptAnswer(digest, status, answer), now)
    return Response(body, status, headers, JSON)
