"""The pages on invented homes, behind a door whose key is in the test's hand."""

from __future__ import annotations

from collections.abc import Mapping

from fastapi import FastAPI, Request, Response

from service.pages.door import Visitor
from service.pages.router import make_router
from service.records.records import Records
from tests.browser.fake_house import FakeHouse

COOKIE = "test-session"


class FakeDoor:
    """Tokens are the roles' names; without ``locked`` everybody on this computer may do all."""

    def __init__(self, locked: bool) -> None:
        self.locked = locked

    def visitor(self, request: Request, home: str) -> Visitor | None:
        role = request.cookies.get(COOKIE, "") if self.locked else "installer"
        if role not in ("reader", "household", "installer"):
            return None
        if role == "reader" and home != "mill-lane":
            return None
        return Visitor("Ines", role, f"csrf-{role}", self.locked)  # type: ignore[arg-type]

    def signed_in(self, request: Request) -> bool:
        return not self.locked or COOKIE in request.cookies

    def sign_in(self, token: str, response: Response) -> bool:
        if token not in ("reader", "household", "installer"):
            return False
        response.set_cookie(COOKIE, token, httponly=True, samesite="strict")
        return True

    def sign_out(self, request: Request, response: Response) -> None:
        response.delete_cookie(COOKIE)

    def genuine(self, request: Request, csrf: str) -> bool:
        role = request.cookies.get(COOKIE, "") if self.locked else "installer"
        return csrf == f"csrf-{role}"


def app_for(houses: Mapping[str, FakeHouse], records: Records, locked: bool = False) -> FastAPI:
    """An application with nothing but pages."""
    app = FastAPI(openapi_url=None)
    app.include_router(make_router(houses, records, FakeDoor(locked)))
    return app
