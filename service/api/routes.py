"""The resources of a home, all under ``/api/v1/homes/{home}``."""

from __future__ import annotations

import io
import re
from datetime import UTC, datetime
from functools import cache
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Header, Query, Request
from fastapi.responses import PlainTextResponse, Response
from fastapi.routing import APIRoute
from pydantic import BaseModel
from starlette.routing import compile_path

from service import warmth
from service.api import schemas
from service.api.answers import (
    all_of,
    as_json,
    from_text,
    is_tag,
    listed,
    names_tag,
    once,
    tagged,
)
from service.api.asking import (
    Asker,
    Asks,
    Faults,
    IdempotencyKey,
    Number,
    Part,
    Readings,
    Span,
    in_order,
    not_yet,
)
from service.api.problems import KINDS, Problem, responses
from service.control.overrides import held_by
from service.house import ChangedMeanwhile
from service.pages.local import Local
from service.records.values import Role
from service.scheduling.types import Reason


def _list(item: type[BaseModel]) -> Any:
    """For OpenAPI: an answer with ``items``."""
    name = item.__name__.removesuffix("Out") + "ListOut"
    return type(
        name,
        (BaseModel,),
        {"__annotations__": {"items": list[item]}, "__doc__": "A page of a list."},  # type: ignore[valid-type]
    )


Told = dict[int | str, dict[str, Any]]


def _headers(**described: str) -> dict[str, Any]:
    """For OpenAPI: the headers of an answer, an underscore for each hyphen."""
    return {
        "headers": {
            name.replace("_", "-"): {"description": what, "schema": {"type": "string"}}
            for name, what in described.items()
        }
    }


_ASKING = responses("no-token", "token-unknown", "not-from-here")
_UNCHANGED: Told = {
    200: _headers(ETag="Of this representation; send it as If-None-Match (RFC 9110)."),
    304: {"description": "As If-None-Match knows it."},
}
_AT_HOME = {**_ASKING, **responses("unknown-home", "invalid", "records")}
_READING = {**_AT_HOME, **_UNCHANGED}
_LISTING: Told = {
    **_READING,
    200: _headers(
        ETag="Of this page; send it as If-None-Match (RFC 9110).",
        Link="The next page, as rel=next (RFC 8288); left out by the last.",
    ),
}
_EARLY = {**_READING, **responses("unknown-home", "not-known-yet")}
_CHANGING = {**_AT_HOME, **responses("role", "not-from-here")}
_SENDING = {**_CHANGING, **responses("bad-json", "too-large")}
_REPLAYED = "true where the Idempotency-Key was used before; this is the answer of then."

router = APIRouter(prefix="/api/v1")
at_home = APIRouter(prefix="/homes/{home}")


@router.get(
    "/homes",
    tags=["homes"],
    response_model=_list(schemas.HomeOut),
    responses={**_ASKING, **_UNCHANGED},
)
async def list_homes(request: Request, caller: Asker) -> Response:
    """The homes that the caller may look at."""
    return all_of(
        request,
        (
            schemas.HomeOut.of(house.settings.wiring, caller.role.value)
            for home, house in request.app.state.houses.items()
            if caller.may_enter(home)
        ),
    )


# now


@at_home.get("/state", tags=["now"], response_model=schemas.StateOut, responses=_EARLY)
async def read_state(request: Request, visit: Asks) -> Response:
    """Charge, temperatures, what runs and what matters next. Made to be polled."""
    home = visit.home
    body, tag = visit.kept.json(
        f"state {home}", visit.view(), lambda view: schemas.StateOut.of(home, view)
    )
    return tagged(request, body, tag)


@at_home.get("/plan", tags=["now"], response_model=schemas.PlanOut, responses=_EARLY)
def read_plan(request: Request, visit: Asks) -> Response:
    """The plan in force: windows with their reasons, and what it expects in each slot."""
    home, plan = visit.home, visit.view().plan
    if plan is None:
        raise not_yet("No plan has been made.")
    currency = visit.house.settings.wiring.currency
    body, tag = visit.kept.json(
        f"plan {home}", plan, lambda p: schemas.PlanOut.of(home, currency, p)
    )
    return tagged(request, body, tag)


@at_home.get("/forecast", tags=["now"], response_model=schemas.ForecastOut, responses=_EARLY)
def read_forecast(request: Request, visit: Asks) -> Response:
    """What the household will probably draw, slot by slot and added up."""
    home, demand = visit.home, visit.view().demand
    if demand is None:
        raise not_yet("No forecast has been made.")
    body, tag = visit.kept.json(
        f"forecast {home}", demand, lambda d: schemas.ForecastOut.of(home, d)
    )
    return tagged(request, body, tag)


@at_home.get("/typical-week", tags=["now"], response_model=schemas.TypicalWeekOut, responses=_EARLY)
def read_typical_week(request: Request, visit: Asks) -> Response:
    """Expected use by weekday and half hour, in the home's own time."""
    view = visit.view()
    week = schemas.TypicalWeekOut(
        home=visit.home,
        zone=visit.house.settings.wiring.zone,
        learned_weight=round(view.learned_weight, 3),
        half_hours_l40=[[round(float(v), 2) for v in day] for day in view.typical_week_l40],
    )
    return tagged(request, as_json(week))


@at_home.get("/health", tags=["now"], response_model=schemas.HealthOut, responses=_READING)
def read_health(request: Request, visit: Asks) -> Response:
    """Whether readings come in, commits and plans are made; what was refused."""
    size, written = visit.records.size_bytes(), visit.records.bytes_written()
    health = schemas.HealthOut.of(visit.home, visit.house.health(), size, written)
    if visit.caller.token_id is None:
        health.notes.append("no_token_loopback_only")
    return tagged(request, as_json(health))


# overrides


@at_home.get(
    "/overrides", tags=["overrides"], response_model=_list(schemas.OverrideOut),
    responses=_LISTING,
)  # fmt: skip
def list_overrides(request: Request, visit: Asks, part: Annotated[Part, Query()]) -> Response:
    """Every override ever made, newest first; those in force are in the state."""
    after = from_text(part.cursor)
    return listed(
        request,
        lambda: visit.records.overrides(visit.home, after, part.limit),
        schemas.OverrideOut.of,
    )


@at_home.get(
    "/overrides/{override_id}",
    tags=["overrides"],
    response_model=schemas.TracedOverrideOut,
    responses=_READING,
)
def read_override(request: Request, visit: Asks, override_id: Number) -> Response:
    """One override with its trace."""
    try:
        found = visit.records.override(visit.home, override_id)
    except KeyError:
        raise _no_override(override_id) from None
    return tagged(request, as_json(schemas.TracedOverrideOut.traced(*found)))


@at_home.post(
    "/overrides",
    status_code=201,
    tags=["overrides"],
    response_model=schemas.MadeOverrideOut,
    responses={
        **_SENDING,
        **responses("wish-refused", "key-reused", "invalid"),
        201: _headers(Location="Where the override is.", Idempotency_Replayed=_REPLAYED),
    },
)
def make_override(
    request: Request,
    visit: Asks,
    wish: schemas.WishIn,
    idempotency_key: IdempotencyKey = None,
) -> Response:
    """Ask for more, less, a charge by a time, guests, an absence, or a maintenance hold."""
    visit.needs(Role.HOUSEHOLD, "Making an override")

    def _act() -> tuple[int, BaseModel, dict[str, str]]:
        with visit.records.together():  # answered as it was kept, or neither
            made = visit.house.wish(wish.root, visit.caller.name)
            live = visit.records.live_overrides(visit.home, visit.house.now())
        zone = visit.house.settings.wiring.zone_info
        told = schemas.MadeOverrideOut.made(made, held_by(made, live), zone)
        return 201, told, {"Location": f"{request.url.path}/{made.id}"}

    return once(request, visit.records, visit.caller, visit.home, wish.root, _act)


@at_home.delete(
    "/overrides/{override_id}",
    tags=["overrides"],
    response_model=schemas.OverrideOut,
    responses=_CHANGING,
)
def end_override(visit: Asks, override_id: Number) -> Response:
    """End an override before its time. Ending it twice changes nothing."""
    visit.needs(Role.HOUSEHOLD, "Ending an override")
    try:
        ended = visit.house.end_wish(override_id, visit.caller.name)
    except KeyError:
        raise _no_override(override_id) from None
    return Response(as_json(schemas.OverrideOut.of(ended)), media_type="application/json")


# settings


@at_home.get("/settings", tags=["settings"], response_model=schemas.SettingsOut, responses=_READING)
def read_settings(request: Request, visit: Asks) -> Response:
    """The settings in force. Their ETag goes into the If-Match of a change."""
    held = visit.house.settings
    return tagged(request, as_json(schemas.SettingsOut.of(held)), _settings_tag(held.version))


@at_home.get(
    "/settings/versions",
    tags=["settings"],
    response_model=_list(schemas.SettingsVersionOut),
    responses=_LISTING,
)
def list_settings(request: Request, visit: Asks, part: Annotated[Part, Query()]) -> Response:
    """Every version with its author, time of effect and reason, newest first."""
    after = from_text(part.cursor)
    return listed(
        request,
        lambda: visit.records.settings_versions(visit.home, after, part.limit),
        schemas.SettingsVersionOut.of,
    )


@at_home.patch(
    "/settings",
    tags=["settings"],
    response_model=schemas.SettingsOut,
    responses={
        **_SENDING,
        **responses("changed-meanwhile", "settings-refused", "if-match-needed"),
        200: _headers(ETag="Of the settings as they are now."),
    },
)
def change_settings(
    visit: Asks,
    change: schemas.SettingsIn,
    if_match: Annotated[
        str | None,
        Header(alias="If-Match", description="Needed: the ETag of the settings that were read."),
    ] = None,
) -> Response:
    """Change settings; all that is wrong is told at once, and then nothing is changed."""
    visit.needs(Role.INSTALLER, "Changing settings")
    version = visit.house.settings.version
    if if_match is None:
        raise Problem(
            "if-match-needed",
            "The header If-Match is missing; its value is the ETag of the settings that were read.",
        )
    if not is_tag(if_match):
        line = {
            "where": "header If-Match",
            "what": "is no entity tag",
            "mend": f"Send the ETag as it came, with its quotation marks, such as "
            f"{_settings_tag(version)}.",
        }
        raise Problem("invalid", f"{line['where']}: {line['what']}", [line])
    try:
        if not names_tag(if_match, _settings_tag(version)):
            raise ChangedMeanwhile(version)
        held = visit.house.change(change.changes, visit.caller.name, change.reason, version)
    except ChangedMeanwhile as moved:
        raise Problem("changed-meanwhile", str(moved)) from None
    return Response(
        as_json(schemas.SettingsOut.of(held)),
        headers={"ETag": _settings_tag(held.version)},
        media_type="application/json",
    )


# what was


@at_home.get("/draws", tags=["records"], response_model=_list(schemas.DrawOut), responses=_LISTING)
def list_draws(request: Request, visit: Asks, part: Annotated[Span, Query()]) -> Response:
    """Draw-offs, newest first."""
    in_order(part)
    after = from_text(part.cursor)
    return listed(
        request,
        lambda: visit.records.draws(visit.home, part.since, part.until, after, part.limit),
        schemas.DrawOut.of,
    )


@at_home.get(
    "/warmth", tags=["records"], response_model=_list(schemas.WarmthOut), responses=_LISTING
)
def list_warmth(request: Request, visit: Asks, part: Annotated[Span, Query()]) -> Response:
    """How warm each draw-off came and why one came colder than wanted, newest first.

    The smallest, which mostly empty the pipe, are left out. Causes are looked for anew each time:
    a probe that is found to be wrong later may explain it then.
    """
    in_order(part)
    after = from_text(part.cursor)
    settings = visit.house.settings
    local = Local(settings.wiring.zone_info, settings.wiring.currency, visit.house.now())
    return listed(
        request,
        lambda: warmth.of_draws(settings, visit.records, part.since, part.until, after, part.limit),
        lambda found: schemas.WarmthOut.found(found, local),
    )


@at_home.get(
    "/decisions", tags=["records"], response_model=_list(schemas.DecisionOut),
    responses=_LISTING,
)  # fmt: skip
def list_decisions(request: Request, visit: Asks, part: Annotated[Span, Query()]) -> Response:
    """Changes of mind with the rule that made them, newest first."""
    in_order(part)
    after = from_text(part.cursor)
    return listed(
        request,
        lambda: visit.records.decisions(visit.home, part.since, part.until, after, part.limit),
        schemas.DecisionOut.of,
    )


@at_home.get(
    "/faults", tags=["records"], response_model=_list(schemas.FaultOut), responses=_LISTING
)
def list_faults(request: Request, visit: Asks, part: Annotated[Faults, Query()]) -> Response:
    """Faults with their evidence, newest first."""
    after = from_text(part.cursor)
    return listed(
        request,
        lambda: visit.records.faults(visit.home, part.lasting, after, part.limit),
        schemas.FaultOut.kept,
    )


@at_home.post(
    "/faults/acknowledgements",
    status_code=201,
    tags=["records"],
    response_model=schemas.AcknowledgementIn,
    responses={
        **_SENDING,
        **responses("key-reused", "invalid"),
        201: _headers(Idempotency_Replayed=_REPLAYED),
    },
)
def acknowledge_fault(
    request: Request,
    visit: Asks,
    seen: schemas.AcknowledgementIn,
    idempotency_key: IdempotencyKey = None,
) -> Response:
    """Note that a person has seen a fault: nobody is reminded of it any more.

    Should it come back after it was over, that is told as news. What asks for flushing after an
    absence is over once it is acknowledged.
    """
    visit.needs(Role.HOUSEHOLD, "Acknowledging a fault")

    def _act() -> tuple[int, BaseModel, dict[str, str]]:
        try:
            visit.house.acknowledge(seen.code, seen.subject, visit.caller.name)
        except KeyError:
            raise _none_such(
                "body", f"There is no fault {seen.code!r} of {seen.subject!r}.", "faults"
            ) from None
        return 201, seen, {}

    sent = seen.model_dump()
    return once(request, visit.records, visit.caller, visit.home, sent, _act)


@at_home.get("/hygiene", tags=["records"], response_model=schemas.HygieneOut, responses=_LISTING)
def read_hygiene(request: Request, visit: Asks, part: Annotated[Part, Query()]) -> Response:
    """How hygiene stands, and every thermal disinfection with what was measured."""
    view = visit.house.view
    now = schemas.ReasonOut.of(Reason("", view.hygiene if view else {})).facts
    caution = view.caution if view else None
    after = from_text(part.cursor)
    return listed(
        request,
        lambda: visit.records.evidence(visit.home, after, part.limit),
        schemas.EvidenceOut.of,
        {"home": visit.home, "now": now, "caution": caution},
    )


@at_home.get(
    "/scores", tags=["records"], response_model=_list(schemas.ScoreOut), responses=_LISTING
)
def list_scores(request: Request, visit: Asks, part: Annotated[Part, Query()]) -> Response:
    """How good the forecasts were, newest day first."""
    after = from_text(part.cursor)
    return listed(
        request,
        lambda: visit.records.scores(visit.home, after, part.limit),
        schemas.ScoreOut.of,
    )


@at_home.get(
    "/readings", tags=["records"], response_model=_list(schemas.ReadingOut),
    responses=_LISTING,
)  # fmt: skip
def list_readings(request: Request, visit: Asks, part: Annotated[Readings, Query()]) -> Response:
    """What the signals measured, oldest first."""
    in_order(part)
    after = from_text(part.cursor)
    spans: dict[str, Literal[300, 1800] | None] = {"0": None, "300": 300, "1800": 1800}
    return listed(
        request,
        lambda: visit.records.stretches(
            visit.home,
            part.since,
            part.until,
            span_s=spans[part.span_s],
            signals=part.signal or None,
            after=after,
            limit=part.limit,
        ),
        schemas.ReadingOut.of,
    )


# whose it is


@at_home.get(
    "/access",
    tags=["access"],
    response_model=_list(schemas.TokenOut),
    responses={**_CHANGING, **_UNCHANGED},
)
def list_access(request: Request, visit: Asks) -> Response:
    """Who can look at this home: every token that opens it, and when it was last used."""
    visit.needs(Role.HOUSEHOLD, "Seeing who has access")
    tokens = visit.records.tokens.all(visit.home)
    return all_of(request, (schemas.TokenOut.of(token) for token in tokens))


@at_home.delete(
    "/access/{token_id}",
    tags=["access"],
    response_model=schemas.TokenOut,
    responses=_CHANGING,
)
def end_access(visit: Asks, token_id: Number) -> Response:
    """End a token for good: the household decides who looks at its draws."""
    visit.needs(Role.HOUSEHOLD, "Ending someone's access")
    try:
        ended = visit.access.end(visit.caller, visit.home, token_id)
    except KeyError:
        what = f"No token {token_id} in force opens it."
        raise _none_such("path token_id", what, "access") from None
    except PermissionError:
        what = "That token opens other homes too, which yours does not."
        raise Problem("role", what) from None
    return Response(as_json(schemas.TokenOut.of(ended)), media_type="application/json")


@at_home.get(
    "/export",
    tags=["access"],
    response_class=Response,
    responses={**_CHANGING, 200: {"content": {"application/zip": {}}}},
)
def export(visit: Asks) -> Response:
    """Everything that is kept about this home, as CSV files in a zip archive."""
    visit.needs(Role.HOUSEHOLD, "Taking an export")
    archive = io.BytesIO()  # some megabytes for years; the files themselves would fill a small /tmp
    visit.records.export_zip(visit.home, archive)
    name = f"{visit.home}-{datetime.now(UTC):%Y-%m-%d}.zip"
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(archive.getvalue(), headers=headers, media_type="application/zip")


# what remains


@router.get(
    "/problems/{code}",
    tags=["problems"],
    response_class=PlainTextResponse,
    responses=responses("not-found", "invalid"),
)
async def explain_problem(code: str) -> PlainTextResponse:
    """What a type of problem means and how to mend it."""
    if code not in KINDS:
        raise Problem("not-found", f"There is no problem type {code!r}.")
    kind = KINDS[code]
    return PlainTextResponse(f"{kind.title} (status {kind.status})\n\n{kind.mend}\n")


router.include_router(at_home)


async def nothing(request: Request) -> Response:
    """The last route below ``/api``: there is nothing, or not with this method."""
    path = request.url.path
    allowed = {m for known, methods in _known_paths() if known.match(path) for m in methods}
    if "GET" in allowed:
        allowed.add("HEAD")
    if allowed:
        raise Problem(
            "method",
            f"{request.method} is not possible at {path}.",
            headers={"Allow": ", ".join(sorted(allowed))},
        )
    raise Problem("not-found", f"There is nothing at {path}.")


@cache
def _known_paths() -> list[tuple[re.Pattern[str], set[str]]]:
    at_homes = [(r, router.prefix) for r in at_home.routes]
    return [
        (compile_path(prefix + r.path)[0], r.methods)
        for r, prefix in [*at_homes, *((r, "") for r in router.routes)]
        if isinstance(r, APIRoute) and r.methods
    ]


def _settings_tag(version: int) -> str:
    return f'"settings-{version}"'


def _no_override(override_id: int) -> Problem:
    return _none_such("path override_id", f"This home has no override {override_id}.", "overrides")


def _none_such(where: str, what: str, listed_at: str) -> Problem:
    """Nothing has this name, and where those that there are can be read."""
    line = {"where": where, "what": what, "mend": f"GET .../{listed_at} lists those there are."}
    return Problem("not-found", what, [line])
