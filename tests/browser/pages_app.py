"""The pages on invented homes, with real records and real tokens."""

from __future__ import annotations

from collections.abc import Mapping

from fastapi import FastAPI

from service.api.access import Access
from service.pages.router import make_router
from service.records.records import Records
from tests.browser.fake_house import FakeHouse


def app_for(houses: Mapping[str, FakeHouse], records: Records, locked: bool = False) -> FastAPI:
    """An application with nothing but pages; ``locked``: nobody enters without a token."""
    app = FastAPI(openapi_url=None)
    app.include_router(make_router(houses, records, Access(records, not locked)))
    return app
