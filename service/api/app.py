"""The application: the API under ``/api/v1``; pages are added by whoever builds the service."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from importlib.metadata import version
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from service.api import problems
from service.api.access import COOKIE, Access
from service.api.answers import HeadAsGet, Kept
from service.api.routes import nothing, router
from service.hide import HideTokens
from service.house import House
from service.records.records import Records

DESCRIPTION = """Reads and changes homes whose hot-water cylinder Ladle looks after.

Ladle controls comfort and cost only. Stored hot water can scald, and water kept too cool can grow
Legionella: the cylinder's own thermostats, cut-outs, relief and mixing valves stay in charge.

* Send a token as `Authorization: Bearer ...`; without any token made, only this machine may ask.
* GET answers carry an `ETag`; send it back as `If-None-Match` and get 304 while nothing changed.
* Lists come in pages; the next one stands in the `Link` header as `rel="next"`.
* A POST with an `Idempotency-Key` acts once, however often it is sent.
* Errors are problem details (RFC 9457), with a line in `errors` for each thing that is wrong.
"""


def make_app(
    houses: Mapping[str, House], records: Records, open_on_loopback: bool = False
) -> FastAPI:
    """The API over ``houses``.

    Args:
        houses: by home id; may be filled while the application runs.
        records: what was kept.
        open_on_loopback: with no token in the database, serve callers on this machine without.

    Returns:
        The application, with its ``Access`` under ``app.state.access`` for the pages.
    """
    app = FastAPI(
        title="Ladle",
        version=version("ladle"),
        description=DESCRIPTION,
        openapi_url="/api/v1/openapi.json",
        docs_url=None,  # its pages would load scripts from elsewhere
        redoc_url=None,
        generate_unique_id_function=lambda route: route.name,  # what a made client calls it
    )
    access = Access(records, open_on_loopback)
    app.state.access = access
    problems.install(app)
    app.add_middleware(HeadAsGet)
    app.state.houses, app.state.records, app.state.kept = houses, records, Kept()
    app.include_router(router)
    app.router.add_route(
        "/api/{rest:path}",
        nothing,
        methods=["GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"],
        include_in_schema=False,
    )
    app.openapi = lambda: _openapi(app)  # type: ignore[method-assign]
    for name in ("uvicorn.access", "uvicorn.error", "service"):
        logging.getLogger(name).addFilter(HideTokens())
    return app


def _openapi(app: FastAPI) -> dict[str, Any]:
    """FastAPI's own description, with problem details and the two ways to be known."""
    if app.openapi_schema is None:
        told = get_openapi(
            title=app.title,
            version=app.version,
            description=app.description,
            routes=app.routes,
        )
        parts = told.setdefault("components", {})
        template = "#/components/schemas/{model}"
        problem = problems.ProblemOut.model_json_schema(ref_template=template)
        shapes = parts.setdefault("schemas", {})
        shapes.update(problem.pop("$defs", {}))
        shapes["ProblemOut"] = problem
        for unused in ("HTTPValidationError", "ValidationError"):
            shapes.pop(unused, None)
        parts["securitySchemes"] = {
            "token": {"type": "http", "scheme": "bearer"},
            "session": {"type": "apiKey", "in": "cookie", "name": COOKIE},
        }
        told["security"] = [{"token": []}, {"session": []}, {}]
        app.openapi_schema = told
    return app.openapi_schema
