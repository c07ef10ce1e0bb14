"""How pages sign in: a token against a signed cookie, and forms that were meant."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi import Request, Response
from fastapi.testclient import TestClient

from service.api.access import COOKIE
from service.records.records import Records
from tests.integration.test_api import BASE, FAR, LOCAL, Place
from tests.records_samples import NOW


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Place]:
    made = Place(tmp_path)
    access = made.app.state.access

    @made.app.post("/in")
    def sign_in(request: Request, response: Response, token: str) -> bool:
        return bool(access.sign_in(token, response))

    @made.app.post("/out")
    def sign_out(request: Request, response: Response) -> None:
        access.sign_out(request, response)

    @made.app.get("/who")
    def who(request: Request) -> dict[str, Any] | None:
        visitor = access.visitor(request, "home")
        more = ("may_set", "signed_in")
        return visitor and vars(visitor) | {name: getattr(visitor, name) for name in more}

    @made.app.post("/form")
    def form(request: Request, csrf: str) -> bool:
        return bool(access.genuine(request, csrf))

    yield made
    made.records.close()


def browser(place: Place) -> TestClient:
    return TestClient(place.app, "http://ladle.lan", client=FAR)


def test_a_token_opens_a_session_with_its_own_rights(place: Place) -> None:
    client = browser(place)
    secret = place.token("household")
    assert client.get("/who").json() is None
    answer = client.post(f"/in?token={secret}")
    assert answer.json() is True
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert secret.lower() not in cookie
    who = client.get("/who").json()
    assert (who["role"], who["name"], who["may_set"]) == ("household", "a household", False)
    assert client.get(f"{BASE}/state").status_code == 200, "a page may poll with its session"
    client.post("/out")
    assert client.get("/who").json() is None


def test_an_unknown_token_opens_nothing(place: Place) -> None:
    client = browser(place)
    place.token("household")
    answer = client.post("/in?token=ladle_wrong")
    assert answer.json() is False
    assert "set-cookie" not in answer.headers


def test_a_form_needs_the_value_of_its_own_session(place: Place) -> None:
    one, other = browser(place), browser(place)
    secret = place.token("household")
    one.post(f"/in?token={secret}")
    other.post(f"/in?token={secret}")
    mine, theirs = (c.get("/who").json()["csrf"] for c in (one, other))
    assert mine != theirs
    assert one.post(f"/form?csrf={mine}").json() is True
    for wrong in (theirs, "", "x" * 64, "é"):
        assert one.post("/form", params={"csrf": wrong}).json() is False
    assert browser(place).post(f"/form?csrf={mine}").json() is False


def test_a_change_through_the_api_with_a_session_needs_that_value_too(place: Place) -> None:
    client = browser(place)
    client.post(f"/in?token={place.token('household')}")
    refused = client.post(f"{BASE}/overrides", json={"wish": "more"})
    assert refused.status_code == 403
    (line,) = refused.json()["errors"]
    assert (line["where"], "csrf value" in line["mend"]) == ("header X-CSRF-Token", True)
    sent = {"X-CSRF-Token": client.get("/who").json()["csrf"]}
    made = client.post(f"{BASE}/overrides", json={"wish": "more"}, headers=sent)
    assert made.status_code == 201


def test_a_cookie_that_was_touched_or_signed_elsewhere_is_worth_nothing(
    place: Place, tmp_path: Path
) -> None:
    client = browser(place)
    secret = place.token("household")
    client.post(f"/in?token={secret}")
    good = client.cookies[COOKIE]
    other = Place(tmp_path / "other")
    stranger, _ = other.records.tokens.make("x", "installer", ["home"], NOW)
    answer = Response()
    assert other.app.state.access.sign_in(stranger, answer)
    foreign = answer.headers["set-cookie"].split(";")[0].partition("=")[2]
    other.records.close()
    for cookie in (good[:-2] + "xx", good[1:], "x", "", foreign):
        request = TestClient(place.app, "http://ladle.lan", client=FAR, cookies={COOKIE: cookie})
        assert request.get("/who").json() is None, cookie


def test_ending_the_token_ends_its_sessions(place: Place) -> None:
    client = browser(place)
    client.post(f"/in?token={place.token('installer')}")
    place.token("household")  # so that ending the first does not open the door to everybody here
    token = next(t for t in place.records.tokens.all("home") if t.role == "installer")
    place.records.tokens.end(token.id, "household", NOW)
    place.app.state.access.forget()
    assert client.get("/who").json() is None


def test_without_tokens_a_local_page_is_let_in_and_its_forms_are_checked(place: Place) -> None:
    local = TestClient(place.app, "http://localhost:8480", client=LOCAL)
    who = local.get("/who").json()
    assert (who["role"], who["signed_in"]) == ("installer", False)
    assert local.post(f"/form?csrf={who['csrf']}").json() is True
    assert local.post("/form?csrf=").json() is False
    elsewhere = {"Origin": "https://elsewhere.example"}
    assert local.post(f"/form?csrf={who['csrf']}", headers=elsewhere).json() is False


def test_sessions_survive_a_restart(place: Place, tmp_path: Path) -> None:
    client = browser(place)
    client.post(f"/in?token={place.token('reader')}")
    cookie = client.cookies[COOKIE]
    again = Records.open(f"sqlite:///{tmp_path}/ladle.sqlite")
    try:
        assert again.tokens.signing_key() == place.records.tokens.signing_key()
    finally:
        again.close()
    assert cookie


def test_a_household_takes_its_export_from_the_page(place: Place) -> None:
    client = browser(place)
    client.post(f"/in?token={place.token('household')}")
    taken = client.get("/api/v1/homes/home/export")
    assert taken.status_code == 200
    assert taken.headers["content-type"] == "application/zip"
    assert taken.headers["content-disposition"].startswith("attachment")
