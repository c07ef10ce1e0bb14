"""The pages' answers, over HTTP and without a browser: statuses, and what a refusal says."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from service.api import problems
from service.records.errors import RecordsError
from service.records.records import Records
from tests.browser import fake_house
from tests.browser.pages_app import app_for

LOCAL = ("127.0.0.1", 50000)


@pytest.fixture
def records(tmp_path: Path) -> Iterator[Records]:
    opened = Records.open(f"sqlite:///{tmp_path}/ladle.sqlite")
    yield opened
    opened.close()


def house(home: str) -> fake_house.FakeHouse:
    return fake_house.FakeHouse(fake_house.settings(home, id=home), fake_house.lived_in([]))


def said(page: str) -> str:
    """A page's main part without tags."""
    main = page.partition("<main")[2].partition("</main>")[0]
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", main))


def test_whether_a_home_exists_is_told_to_nobody_it_is_closed_to(records: Records) -> None:
    houses = {name: house(name) for name in ("mill-lane", "forge-cottage")}
    token, _ = records.tokens.make("hall tablet", "household", ["mill-lane"], fake_house.NOW)
    client = TestClient(app_for(houses, records, locked=True), "http://ladle.lan")
    client.headers["Authorization"] = f"Bearer {token}"
    assert client.get("/homes/mill-lane").status_code == 200
    for method, page in (("GET", ""), ("GET", "/plant"), ("POST", "/wishes")):
        closed, absent = (
            client.request(method, f"/homes/{home}{page}") for home in ("forge-cottage", "no-such")
        )
        assert (closed.status_code, said(closed.text)) == (404, said(absent.text))
        assert absent.status_code == 404


def test_a_way_to_other_homes_is_shown_to_those_who_may_enter_them(records: Records) -> None:
    houses = {name: house(name) for name in ("mill-lane", "forge-cottage")}
    for homes, shown in ((["mill-lane"], False), (list(houses), True)):
        token, _ = records.tokens.make("tablet", "household", homes, fake_house.NOW)
        client = TestClient(app_for(houses, records, locked=True), "http://ladle.lan")
        client.headers["Authorization"] = f"Bearer {token}"
        assert (">Homes</a>" in client.get("/homes/mill-lane").text) is shown
        refused = client.post("/homes/mill-lane/wishes", data={"wish": "more"})
        assert (">Homes</a>" in refused.text) is shown


def test_trouble_with_the_records_is_told_in_whole_sentences(
    records: Records, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise RecordsError(
            "full", "the disk is full", "sqlite:///x", "Free some space; nothing was lost."
        )

    monkeypatch.setattr(records, "draws", full)
    client = TestClient(
        app_for({"mill-lane": house("mill-lane")}, records), "http://127.0.0.1", client=LOCAL
    )
    answer = client.get("/homes/mill-lane/habits")
    assert answer.status_code == 503
    assert (
        "The disk is full. Free some space; nothing was lost. Charging goes on as planned"
        in said(answer.text)
    )


def test_who_looks_at_a_page_is_answered_with_one_whatever_happens(
    records: Records, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Also by a bug, by a form beyond all bounds and by an address that was typed by hand."""
    home = house("mill-lane")
    app = app_for({"mill-lane": home}, records)
    problems.install(app)
    client = TestClient(app, "http://127.0.0.1", client=LOCAL, raise_server_exceptions=False)
    csrf = re.search(r'name="csrf" value="(\w+)"', client.get("/homes/mill-lane").text)
    assert csrf is not None
    long = client.post(
        "/homes/mill-lane/wishes", data={"csrf": csrf[1], "wish": "more", "note": "x" * 70_000}
    )
    typed = client.post("/homes/mill-lane/wishes/first/end", data={"csrf": csrf[1]})

    def broken() -> None:
        raise RuntimeError("inner matter")

    monkeypatch.setattr(home, "health", broken)
    bug = client.get("/homes/mill-lane")
    for answer, status, heading in (
        (long, 413, "That was too much at once"),
        (typed, 404, "There is no such page"),
        (bug, 500, "This page could not be made"),
    ):
        assert answer.status_code == status
        assert answer.headers["content-type"].startswith("text/html")
        assert heading in said(answer.text)
        assert "content-security-policy" in answer.headers
    assert "inner matter" not in bug.text
    assert "inner matter" in caplog.text
    assert home.asked == []
