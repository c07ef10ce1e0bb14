"""Every error as a problem detail (RFC 9457): what, where, and how to mend it."""

from __future__ import annotations

import json
import logging
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import Response
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.control.overrides import WishRefused
from service.records.errors import RecordsError
from service.settings_check import SettingsRefused, plainly

log = logging.getLogger(__name__)

MEDIA_TYPE = "application/problem+json"
TYPES = "/api/v1/problems/"
MOST_BODY_BYTES = 65_536


class Kind(NamedTuple):
    """A type of problem; what it says is served at the type's address."""

    status: int
    title: str
    where: str  # what a refusal of this kind concerns, unless it names its own
    mend: str


_TOKEN = "header Authorization"

KINDS: dict[str, Kind] = {
    "bad-json": Kind(
        400, "The body is not JSON", "body", "Send one JSON object, encoded as UTF-8."
    ),
    "no-token": Kind(
        401,
        "A token is needed",
        _TOKEN,
        "Send the header 'Authorization: Bearer <token>'. Tokens are made with 'ladle token make'.",
    ),
    "token-unknown": Kind(
        401,
        "This token is not in force",
        _TOKEN,
        "It was mistyped, or somebody ended it. Make a new one with 'ladle token make'.",
    ),
    "role": Kind(403, "This token may not do that", _TOKEN, "Use a token whose role allows it."),
    "not-from-here": Kind(
        403,
        "Only programs on the same machine may ask without a token",
        _TOKEN,
        "Make a token with 'ladle token make' and send it; then other machines may ask too.",
    ),
    "not-found": Kind(
        404, "There is nothing here", "path", "See /api/v1/openapi.json for what there is."
    ),
    "unknown-home": Kind(
        404,
        "No such home for you",
        "path home",
        "See /api/v1/homes for those that the token opens.",
    ),
    "not-known-yet": Kind(
        404,
        "Not known yet",
        "path",
        "The home has not been observed for long enough since its start. Ask again shortly.",
    ),
    "method": Kind(
        405, "This cannot be done here", "method", "The Allow header lists what can be done."
    ),
    "changed-meanwhile": Kind(
        412,
        "Somebody changed it meanwhile",
        "header If-Match",
        "Read it again, look at the difference, and send If-Match with the new ETag.",
    ),
    "too-large": Kind(
        413, "The body is too large", "body", f"At most {MOST_BODY_BYTES} bytes are read."
    ),
    "invalid": Kind(
        422, "The request cannot be used", "request", "See 'errors' for each part that is wrong."
    ),
    "wish-refused": Kind(
        422, "This override cannot be made", "body", "See 'errors' for how to mend it."
    ),
    "settings-refused": Kind(
        422, "These settings cannot be used", "body", "See 'errors', one for each key."
    ),
    "key-reused": Kind(
        422,
        "This Idempotency-Key belongs to another request",
        "header Idempotency-Key",
        "A key names one request with one body. Take a new one for a new request.",
    ),
    "if-match-needed": Kind(
        428,
        "If-Match is needed",
        "header If-Match",
        "Read the settings, then send If-Match with their ETag, so that nobody's change is lost.",
    ),
    "records": Kind(
        503,
        "The records cannot be written or read",
        "database",
        "See 'detail'. Charging goes on as planned, or on the cylinder's own thermostats.",
    ),
    "internal": Kind(
        500, "Something went wrong here", "service", "The log has the details. Please report it."
    ),
    "other": Kind(400, "The request was refused", "request", "See 'detail'."),
}


@dataclass
class Problem(Exception):  # noqa: N818 - RFC 9457's own word
    """A refusal on its way to the caller."""

    code: str
    detail: str
    errors: list[dict[str, str]] = field(default_factory=list)
    headers: Mapping[str, str] = field(default_factory=dict)


class ErrorOut(BaseModel):
    """One thing that is wrong."""

    where: str = Field(description="The key, parameter or header it concerns.")
    what: str
    mend: str = Field(description="How to put it right; empty where 'what' says it all.")


class ProblemOut(BaseModel):
    """A problem detail (RFC 9457), with ``errors`` as an extension."""

    model_config = ConfigDict(
        json_schema_extra={
            "example": {
                "type": "/api/v1/problems/unknown-home",
                "title": "No such home for you",
                "status": 404,
                "detail": "There is no home 'annexe' here, or this token does not open it.",
                "instance": "/api/v1/homes/annexe/state",
                "errors": [
                    {
                        "where": "path home",
                        "what": "There is no home 'annexe' here, or this token does not open it.",
                        "mend": "See /api/v1/homes for those that the token opens.",
                    }
                ],
            }
        }
    )
    type: str
    title: str
    status: int
    detail: str
    instance: str
    errors: list[ErrorOut]


def answer(request: Request, problem: Problem) -> Response:
    """The problem as a response."""
    return _answer(request, problem, KINDS[problem.code].status)


def _answer(request: Request, problem: Problem, status: int) -> Response:
    kind = KINDS[problem.code]
    line = {"where": kind.where, "what": problem.detail, "mend": kind.mend}
    body = {
        "type": TYPES + problem.code,
        "title": kind.title,
        "status": status,
        "detail": problem.detail,
        "instance": request.url.path,
        "errors": problem.errors or [line],
    }
    # A name that a caller made up may hold half a character, which no answer can.
    said = json.dumps(body, ensure_ascii=False, separators=(",", ":"))
    return Response(
        said.encode("utf-8", "replace"),
        status,
        headers=dict(problem.headers),
        media_type=MEDIA_TYPE,
    )


_OBJECT = ("expected a JSON object", "Send one, with the header Content-Type: application/json.")
_MOMENT = ("expected a moment with its offset", "Write it like 2026-03-02T12:00:00Z.")
_PLAINLY = {  # what pydantic calls by Python's words, and how to mend it
    "dict_type": _OBJECT,
    "model_attributes_type": _OBJECT,
    "datetime_from_date_parsing": _MOMENT,
    "datetime_parsing": _MOMENT,
    "timezone_aware": _MOMENT,
    "bool_parsing": ("expected true or false", "Write true or false."),
    "int_parsing": ("expected a whole number", "Write it in digits, such as 20."),
    "int_parsing_size": ("is too large a number", "Send a smaller one."),
    "string_too_long": ("is too long", ""),
    "too_short": ("must not be empty", "Name what is to change."),
    "string_type": ("expected text", "Write it in quotation marks."),
    "string_unicode": ("expected text", "Leave out what is no whole character."),
}


_BOUNDS = {
    "greater_than_equal": ("ge", "Send {} or more."),
    "less_than_equal": ("le", "Send {} or less."),
    "string_too_long": ("max_length", "Send at most {} characters."),
}


def _invalid(error: RequestValidationError) -> Problem:
    found = error.errors()
    broken = next((e for e in found if e["type"] == "json_invalid"), None)
    if broken is not None:
        where, what = broken["loc"][-1], broken["ctx"]["error"]
        said = f"The body could not be read as JSON: {what}, at character {where}."
        return Problem("bad-json", said)
    lines = []
    for e in found:
        place, *path = (str(part) for part in e["loc"])
        names = {"query": "parameter", "header": "header", "path": "path", "body": "body"}
        where = f"{names.get(place, place)} {'.'.join(path)}".strip()
        if e["type"] == "extra_forbidden":
            lines.append({"where": where, "what": "is not known here", "mend": "Leave it out."})
        elif e["type"] == "missing":
            lines.append({"where": where, "what": "is missing", "mend": "Send it."})
        else:
            what, mend = _PLAINLY.get(e["type"], (e["msg"].removeprefix("Value error, "), ""))
            what = plainly(what)
            limit, bounded = _BOUNDS.get(e["type"], ("", ""))
            mend = mend or (bounded.format(e["ctx"][limit]) if limit else "")
            lines.append({"where": where, "what": what, "mend": mend})
    return Problem("invalid", "; ".join(f"{x['where']}: {x['what']}" for x in lines), lines)


def of(error: Exception) -> Problem:
    """The problem that an error is, for a caller."""
    if isinstance(error, Problem):
        return error
    if isinstance(error, RequestValidationError):
        return _invalid(error)
    if isinstance(error, WishRefused):
        line = {"where": error.where, "what": error.what, "mend": error.mend}
        return Problem("wish-refused", str(error), [line])
    if isinstance(error, SettingsRefused):
        lines = [
            {
                "where": w.where,
                "what": w.expected if w.value is None else f"{w.value}: {w.expected}",
                "mend": w.suggestion,
            }
            for w in error.lines
        ]
        return Problem("settings-refused", str(error), lines)
    if isinstance(error, RecordsError):
        line = {"where": "database", "what": error.what, "mend": error.mend}
        return Problem("records", f"{error.what}. {error.mend}", [line], {"Retry-After": "30"})
    return Problem("internal", "An error that nobody foresaw; it is in the log.")


def install(app: FastAPI) -> None:
    """Answer every error of the API with a problem detail."""

    async def _known(request: Request, error: Exception) -> Response:
        problem = of(error)
        if problem.code == "records":
            log.error("%s %s: %s", request.method, request.url.path, error)
        return answer(request, problem)

    async def _http(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        path = request.url.path
        codes = {404: "not-found", 405: "method", 413: "too-large"}
        if path.startswith("/api/"):
            codes[400] = "bad-json"  # nested too deeply, or a number of too many digits
        code = codes.get(error.status_code, "other")
        details = {
            "bad-json": "The body could not be read as JSON.",
            "not-found": f"There is nothing at {path}.",
            "method": f"{request.method} is not possible at {path}.",
            "too-large": f"The body is larger than {MOST_BODY_BYTES} bytes.",
        }
        problem = Problem(code, details.get(code, str(error.detail)), headers=error.headers or {})
        return _answer(request, problem, error.status_code)

    async def _unforeseen(request: Request, error: Exception) -> Response:
        log.error("%s %s failed", request.method, request.url.path, exc_info=error)
        return answer(request, of(error))

    for kind in (Problem, RequestValidationError, WishRefused, SettingsRefused, RecordsError):
        app.add_exception_handler(kind, _known)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(Exception, _unforeseen)
    app.add_middleware(BodyLimit)


class BodyLimit:
    """Reads no more than ``MOST_BODY_BYTES`` of a body, whatever it claims to be."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, and count what it sends."""
        taken = 0

        async def _receive() -> Message:
            nonlocal taken
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > MOST_BODY_BYTES:
                raise HTTPException(413)
            return message

        plain = scope["type"] != "http" or scope["method"] in ("GET", "HEAD")
        await self._app(scope, receive if plain else _receive, send)


def responses(*codes: str) -> dict[int | str, dict[str, Any]]:
    """For OpenAPI: the problems that an operation may answer with."""
    told: dict[int | str, dict[str, Any]] = {}
    for code in codes:
        status, title = KINDS[code].status, KINDS[code].title
        before = told.get(status, {}).get("description")
        told[status] = {
            "description": f"{before}, or: {title}" if before else title,
            "content": {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/ProblemOut"}}},
        }
    return told
