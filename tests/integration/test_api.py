"""The API over a small home in process: what it says, what it refuses, and to whom."""

from __future__ import annotations

import io
import logging
import tempfile
import threading
import time
import zipfile
from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from fastapi import FastAPI
from fastapi.routing import APIRoute
from fastapi.testclient import TestClient
from pydantic import TypeAdapter

from service.api.access import Access
from service.api.answers import Kept, to_text
from service.api.app import make_app
from service.api.problems import KINDS, MOST_BODY_BYTES
from service.api.routes import at_home, router
from service.control.overrides import check_wish
from service.control.state import Lease
from service.control.types import Draw, Fault, Override, View
from service.house import ChangedMeanwhile, Health
from service.pages import cold, fault_words, sentences
from service.pages.local import Local
from service.records.errors import RecordsError
from service.records.records import Records
from service.records.values import Score
from service.scheduling.reasons import FACTS as REASONS
from service.settings import HomeSettings, HomeWiring, Tunables
from service.settings_check import changed_tunables
from service.warmth import KWH_PER_LITRE_KELVIN
from tests import records_samples as samples
from tests.records_samples import NOW, NOW_S, reading

LOCAL = ("127.0.0.1", 50000)
FAR = ("192.0.2.7", 50000)
BASE = "/api/v1/homes/home"
NEEDED = {
    "/api/v1/homes/{home}/readings": {
        "since": "2026-03-01T00:00:00Z",
        "until": "2026-03-02T00:00:00Z",
    }
}


class SmallHouse:
    """A home without plant: wishes and changes are checked and stored, nothing is controlled."""

    def __init__(self, records: Records, name: str) -> None:
        self.records = records
        self.view: View | None = samples.view()
        self.wished = 0
        wiring = HomeWiring.model_validate(
            {
                "id": name,
                "title": "Orchard House",
                "zone": "Europe/Paris",
                "cylinder": {
                    "volume_l": 300,
                    "height_m": 1.6,
                    "thermostat_c": 60,
                    "cutout_c": 80,
                },
                "signals": [
                    {
                        "name": "probe_top",
                        "measures": "probe",
                        "topic": "plant/top",
                        "unit": "Cel",
                        "height_m": 1.4,
                    }
                ],
            }
        )
        records.add_settings(name, Tunables(), "first values", NOW)
        self.settings = HomeSettings(wiring=wiring, tunables=Tunables(), version=1)

    def now(self) -> datetime:
        return NOW

    def leases(self) -> Mapping[str, Lease]:
        return {}

    def health(self) -> Health:
        return Health(NOW, True, NOW, NOW, NOW, NOW, {"out_of_range": 2}, ())

    def wish(self, fields: Mapping[str, Any], author: str) -> Override:
        draft = check_wish(fields, author, NOW, self.settings, self.view)
        self.wished += 1
        return self.records.add_override(self.settings.wiring.id, draft)

    def end_wish(self, override_id: int, author: str) -> Override:
        return self.records.end_override(self.settings.wiring.id, override_id, NOW, author)

    def change(
        self,
        changes: Mapping[str, Any],
        author: str,
        reason: str = "",
        version: int | None = None,
    ) -> HomeSettings:
        if version is not None and version != self.settings.version:
            raise ChangedMeanwhile(self.settings.version)
        tunables = changed_tunables(self.settings, changes)
        made = self.records.add_settings(
            self.settings.wiring.id, tunables, author, NOW, reason=reason
        )
        self.settings = HomeSettings(
            wiring=self.settings.wiring, tunables=tunables, version=made.version
        )
        return self.settings

    def acknowledge(self, fault_code: str, subject: str, author: str) -> None:
        self.records.acknowledge_fault(
            self.settings.wiring.id, fault_code, subject, author, self.now()
        )


class Place:
    """Records, two homes, an application, and clients near and far."""

    def __init__(self, folder: Path, app: FastAPI | None = None) -> None:
        self.records = Records.open(samples.fresh(folder / "ladle.sqlite"))
        self.houses = {name: SmallHouse(self.records, name) for name in ("home", "annexe")}
        if app is None:
            app = make_app(self.houses, self.records, open_on_loopback=True)
        else:  # one application serves many tests: building its routes takes longest
            app.state.houses, app.state.records = self.houses, self.records
            app.state.access, app.state.kept = Access(self.records, True), Kept()
        self.app = app
        self.near = TestClient(self.app, "http://127.0.0.1:8480", client=LOCAL)
        self.tokens: dict[str, str] = {}

    def token(self, role: str, *homes: str) -> str:
        secret, _ = self.records.tokens.make(f"a {role}", role, homes or ("home",), NOW)
        self.app.state.access.forget()
        return secret

    def client(self, role: str, *homes: str) -> TestClient:
        headers = {"Authorization": f"Bearer {self.token(role, *homes)}"}
        return TestClient(self.app, "http://ladle.lan", client=FAR, headers=headers)


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FastAPI]:
    made = Place(tmp_path_factory.mktemp("first"))
    yield made.app
    made.records.close()


@pytest.fixture
def place(app: FastAPI, tmp_path: Path) -> Iterator[Place]:
    made = Place(tmp_path, app)
    yield made
    made.records.close()


def problem(answer: Any, status: int, kind: str) -> dict[str, Any]:
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    told: dict[str, Any] = answer.json()
    assert told["type"] == f"/api/v1/problems/{kind}"
    assert told["status"] == status
    assert told["title"]
    assert told["detail"]
    assert told["instance"].startswith("/api")
    for line in told["errors"] or [{}]:
        assert line["where"]
        assert line["what"]
        assert line["mend"] or "expected" in line["what"]
    return told


def test_state_tells_charge_in_tenths_and_litres(place: Place) -> None:
    answer = place.near.get(f"{BASE}/state")
    assert answer.status_code == 200
    told = answer.json()
    assert (told["charge_tenths"], told["usable_l40"], told["reference_l40"]) == (4, 182.4, 352.0)
    assert told["at"] == "2026-03-02T12:00:00Z"
    assert told["lead"] == {"code": "enough_for_next", "facts": {"spare_l40": 42.0}}
    assert told["probes_c"]["probe_3"] is None
    assert told["decision"]["commands"][0]["lease_s"] == 600


def test_an_answer_is_sent_again_only_when_it_changed(place: Place) -> None:
    first = place.near.get(f"{BASE}/state")
    tag = first.headers["etag"]
    again = place.near.get(f"{BASE}/state", headers={"If-None-Match": f'"x", {tag}'})
    assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", tag)
    house = place.houses["home"]
    assert house.view is not None
    house.view = replace(house.view, v40_l=150.0)
    changed = place.near.get(f"{BASE}/state", headers={"If-None-Match": tag})
    assert changed.status_code == 200
    assert changed.json()["usable_l40"] == 150.0


@pytest.mark.parametrize(
    "path",
    [
        "/plan", "/forecast", "/typical-week", "/draws", "/warmth", "/overrides", "/settings",
        "/health",
        "/settings/versions", "/decisions", "/faults", "/hygiene", "/scores", "/access",
        "/readings?since=2026-03-01T00:00:00Z&until=2026-03-03T00:00:00Z",
    ],
)  # fmt: skip
def test_every_resource_has_an_entity_tag(place: Place, path: str) -> None:
    first = place.near.get(BASE + path)
    assert first.status_code == 200, first.text
    again = place.near.get(BASE + path, headers={"If-None-Match": first.headers["etag"]})
    if path != "/health":  # its figures may move between two looks
        assert again.status_code == 304


def test_the_plan_gives_windows_with_reasons_and_what_it_expects(place: Place) -> None:
    told = place.near.get(f"{BASE}/plan").json()
    (window,) = told["windows"]
    assert (window["source"], window["target_tenths"], window["cost"]) == ("heat_pump", 8, 0.29)
    assert window["start"] == "2026-03-02T13:00:00Z"
    assert window["reason"]["code"] == "cheapest_before_use"
    assert len(told["slots"]) == 96
    assert told["slots"][61]["price_estimated"] is True
    assert told["currency"] == "EUR"


def test_the_forecast_gives_slots_and_sums(place: Place) -> None:
    slots = place.near.get(f"{BASE}/forecast").json()["slots"]
    assert len(slots) == 96
    for slot in slots[:5]:
        levels = [slot["use"][f"p{p}_l40"] for p in (50, 80, 95, 99)]
        assert levels == sorted(levels)
    # The first sum is the first slot; a later one is less than its slots' quantiles added up,
    # since they seldom come together.
    assert slots[0]["use_until_end"] == pytest.approx(slots[0]["use"], abs=8)
    assert slots[9]["use_until_end"]["p95_l40"] < sum(s["use"]["p95_l40"] for s in slots[:10])


def test_before_the_first_step_the_state_is_not_known_yet(place: Place) -> None:
    place.houses["home"].view = None
    told = problem(place.near.get(f"{BASE}/state"), 404, "not-known-yet")
    assert "first step" in told["detail"]


def test_lists_come_in_pages_that_link_to_the_next(place: Place) -> None:
    draws = tuple(samples.draw(NOW + timedelta(minutes=10 * k)) for k in range(7))
    place.records.store("home", samples.outputs(draws=draws))
    url, starts = f"{BASE}/draws?limit=3&since=2026-03-02T12:00:00Z", []
    for _ in range(3):
        answer = place.near.get(url)
        starts += [item["start"] for item in answer.json()["items"]]
        if "next" not in answer.links:
            break
        url = answer.links["next"]["url"]
        assert "since=" in url
    assert len(starts) == 7
    assert starts == sorted(starts, reverse=True)
    assert "next" not in answer.links
    told = problem(place.near.get(f"{BASE}/draws?cursor=nonsense"), 422, "invalid")
    assert told["errors"][0]["where"] == "parameter cursor"
    foreign = place.near.get(f"{BASE}/faults?cursor=WzFd")
    problem(foreign, 422, "invalid")


@pytest.mark.parametrize("moment", ["yesterday", "2026-03-02T11:00:00", "2026-03-02", "x"])
def test_a_moment_that_cannot_be_used_is_told_in_plain_words(place: Place, moment: str) -> None:
    asked = f"{BASE}/readings?since={moment}&until=2026-03-02T13:00:00Z"
    told = problem(place.near.get(asked), 422, "invalid")
    assert told["errors"] == [
        {
            "where": "parameter since",
            "what": "expected a moment with its offset",
            "mend": "Write it like 2026-03-02T12:00:00Z.",
        }
    ]


def test_an_offset_is_understood_as_it_is_typed_into_an_address(place: Place) -> None:
    """A plus sign in a query means a space (WHATWG URL, application/x-www-form-urlencoded)."""
    place.records.store("home", samples.outputs(draws=(samples.draw(NOW),)))
    for since, count in (("13:00:00+01:00", 1), ("13:00:01+01:00", 0), ("13:00:00+0100", 1)):
        for sign in ("+", "%2B"):
            asked = f"{BASE}/draws?since=2026-03-02T{since.replace('+', sign)}"
            answer = place.near.get(asked)
            assert answer.status_code == 200, (asked, answer.text)
            assert len(answer.json()["items"]) == count, asked
    problem(place.near.get(f"{BASE}/draws?since=2026-03-02+12:00"), 422, "invalid")


@pytest.mark.parametrize("path", ["draws", "warmth", "decisions", "readings"])
def test_a_span_that_ends_before_it_begins_is_refused(place: Place, path: str) -> None:
    """An empty list would pass for a home in which nothing happened."""
    asked = f"{BASE}/{path}?since=2026-03-02T12:00:00Z&until=2026-03-02T12:00:00%2B01:00"
    assert problem(place.near.get(asked), 422, "invalid")["errors"] == [
        {
            "where": "parameter until",
            "what": "lies before since",
            "mend": "Send an until later than since.",
        }
    ]
    same = f"{BASE}/{path}?since=2026-03-02T12:00:00Z&until=2026-03-02T13:00:00%2B01:00"
    assert place.near.get(same).json() == {"items": []}, "no time at all holds nothing"


def test_a_last_page_that_is_exactly_full_links_nowhere(place: Place) -> None:
    draws = tuple(samples.draw(NOW + timedelta(minutes=10 * k)) for k in range(4))
    place.records.store("home", samples.outputs(draws=draws))
    first = place.near.get(f"{BASE}/draws?limit=2")
    last = place.near.get(first.links["next"]["url"])
    assert (len(last.json()["items"]), last.links) == (2, {})
    empty = place.near.get(f"{BASE}/draws?until=2020-01-01T00:00:00Z")
    assert (empty.json(), empty.links) == ({"items": []}, {})


def test_readings_come_raw_and_thinned(place: Place) -> None:
    place.records.add_readings("home", [reading("probe_top", NOW_S + k, 50.0) for k in range(5)])
    span = "since=2026-03-02T11:00:00Z&until=2026-03-02T13:00:00%2B00:00"
    raw = place.near.get(f"{BASE}/readings?{span}&signal=probe_top&limit=2")
    assert [r["mean"] for r in raw.json()["items"]] == [50.0, 50.0]
    rest = place.near.get(raw.links["next"]["url"])
    assert [r["start"][17:19] for r in rest.json()["items"]] == ["02", "03"]
    assert place.near.get(f"{BASE}/readings?{span}&signal=other").json() == {"items": []}
    assert place.near.get(f"{BASE}/readings?{span}&span_s=300").json() == {"items": []}
    told = problem(
        place.near.get(f"{BASE}/readings?since=2020-01-01T00:00:00Z&until=2026-01-01T00:00:00Z"),
        422,
        "invalid",
    )
    assert "shorter span" in told["errors"][0]["mend"]


def test_an_override_is_made_shown_with_its_trace_and_ended(place: Place) -> None:
    made = place.near.post(f"{BASE}/overrides", json={"wish": "more", "note": "bath night"})
    assert made.status_code == 201, made.text
    where = made.headers["location"]
    assert where == f"{BASE}/overrides/{made.json()['id']}"
    assert made.json()["author"] == "local"
    shown = place.near.get(where).json()
    assert [line["event"] for line in shown["trace"]] == ["made"]
    ended = place.near.delete(where)
    assert ended.json()["ended_by"] == "local"
    assert place.near.delete(where).json() == ended.json()
    assert [o["id"] for o in place.near.get(f"{BASE}/overrides").json()["items"]] == [shown["id"]]
    problem(place.near.delete(f"{BASE}/overrides/999"), 404, "not-found")
    problem(place.near.get("/api/v1/homes/annexe/overrides/1"), 404, "not-found")


def test_a_wish_during_a_hold_is_answered_with_whose_hold_it_waits_for(place: Place) -> None:
    free = place.near.post(f"{BASE}/overrides", json={"wish": "more"}).json()
    assert (free["message"], free["held_by"]) == ("accepted", None)
    hold = place.near.post(f"{BASE}/overrides", json={"wish": "hold", "note": "new valve"}).json()
    assert (hold["message"], hold["held_by"]) == ("accepted", None)
    held = place.near.post(f"{BASE}/overrides", json={"wish": "more"}).json()
    assert held["held_by"]["id"] == hold["id"]
    assert held["held_by"]["note"] == "new valve"
    since = datetime.fromisoformat(hold["since"]).astimezone(ZoneInfo("Europe/Paris"))
    assert held["message"] == (
        "accepted; nothing is commanded until a person ends the maintenance hold "
        f"made by local at {since:%Y-%m-%d %H:%M}"
    )
    place.near.delete(f"{BASE}/overrides/{hold['id']}")
    over = place.near.post(f"{BASE}/overrides", json={"wish": "more"}).json()
    assert (over["message"], over["held_by"]) == ("accepted", None)


def test_a_wish_that_cannot_be_is_refused_with_how_to_mend_it(place: Place) -> None:
    answer = place.near.post(
        f"{BASE}/overrides", json={"wish": "charge_to", "until": "18:00", "tenths": 14}
    )
    told = problem(answer, 422, "wish-refused")
    (line,) = told["errors"]
    assert line["where"] == "tenths"
    assert line["what"]
    assert line["mend"]
    assert place.houses["home"].wished == 0


def test_the_same_key_acts_once(place: Place) -> None:
    key = {"Idempotency-Key": "b6a8f1de"}
    first = place.near.post(f"{BASE}/overrides", json={"wish": "more"}, headers=key)
    again = place.near.post(f"{BASE}/overrides", json={"wish": "more"}, headers=key)
    assert again.status_code == first.status_code == 201
    assert again.content == first.content
    assert again.headers["location"] == first.headers["location"]
    assert again.headers["idempotency-replayed"] == "true"
    assert place.houses["home"].wished == 1
    other = place.near.post(f"{BASE}/overrides", json={"wish": "less"}, headers=key)
    problem(other, 422, "key-reused")
    elsewhere = place.near.post(
        "/api/v1/homes/annexe/overrides", json={"wish": "more"}, headers=key
    )
    assert elsewhere.status_code == 201
    problem(
        place.near.post(
            f"{BASE}/overrides", json={"wish": "more"}, headers={"Idempotency-Key": "x" * 201}
        ),
        422,
        "invalid",
    )


def test_a_key_whose_request_was_refused_may_be_used_again(place: Place) -> None:
    key = {"Idempotency-Key": "c1"}
    refused = place.near.post(f"{BASE}/overrides", json={"wish": "charge_to"}, headers=key)
    problem(refused, 422, "wish-refused")
    good = place.near.post(f"{BASE}/overrides", json={"wish": "more"}, headers=key)
    assert good.status_code == 201


def test_a_repeat_waits_for_the_request_under_way_and_gets_its_answer(place: Place) -> None:
    house, inside, go = place.houses["home"], threading.Event(), threading.Event()
    wish = house.wish

    def _slow(fields: Mapping[str, Any], author: str) -> Override:
        inside.set()
        assert go.wait(10)
        return wish(fields, author)

    house.wish = _slow  # type: ignore[method-assign]
    key = {"Idempotency-Key": "slow"}
    answers: list[Any] = []
    sender = threading.Thread(
        target=lambda: answers.append(
            place.near.post(f"{BASE}/overrides", json={"wish": "more"}, headers=key)
        )
    )
    sender.start()
    try:
        assert inside.wait(10)
        threading.Timer(0.2, go.set).start()
        meanwhile = place.near.post(f"{BASE}/overrides", json={"wish": "more"}, headers=key)
    finally:
        go.set()
        sender.join()
    assert answers[0].status_code == 201
    assert meanwhile.content == answers[0].content
    assert meanwhile.headers["idempotency-replayed"] == "true"
    assert house.wished == 1


def test_a_deed_and_the_answer_kept_under_its_key_are_stored_as_one(
    place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What happens when the process dies between the two: neither is there, a repeat acts once."""
    key = {"Idempotency-Key": "d1"}
    with monkeypatch.context() as dying:

        def _dies(*_: Any) -> None:
            raise RuntimeError("killed here")

        dying.setattr(type(place.records.idempotency), "keep", _dies)
        with pytest.raises(RuntimeError):
            place.near.post(f"{BASE}/overrides", json={"wish": "more"}, headers=key)
    assert place.records.overrides("home").items == ()
    again = place.near.post(f"{BASE}/overrides", json={"wish": "more"}, headers=key)
    assert again.status_code == 201
    assert "idempotency-replayed" not in again.headers
    assert len(place.records.overrides("home").items) == 1


def test_a_change_between_the_check_and_the_change_is_noticed(place: Place) -> None:
    """Somebody else's version comes into force after If-Match was compared."""
    house = place.houses["home"]
    held = place.near.get(f"{BASE}/settings")
    change = house.change

    def _later(changes: Any, author: str, reason: str = "", version: int | None = None) -> Any:
        change({"occupants": 4}, "somebody else")
        return change(changes, author, reason, version)

    house.change = _later  # type: ignore[method-assign]
    answer = place.near.patch(
        f"{BASE}/settings",
        json={"changes": {"occupants": 3}},
        headers={"If-Match": held.headers["etag"]},
    )
    problem(answer, 412, "changed-meanwhile")
    assert house.settings.tunables.occupants == 4


def test_settings_change_only_against_the_version_that_was_read(place: Place) -> None:
    held = place.near.get(f"{BASE}/settings")
    assert held.json()["settings"]["occupants"] == 2.5
    change = {"changes": {"learning": {"window_weeks": 6}}, "reason": "school has begun"}
    told = problem(place.near.patch(f"{BASE}/settings", json=change), 428, "if-match-needed")
    assert "ETag" in told["detail"], "it says where the value comes from"
    told = problem(place.near.patch(f"{BASE}/settings", json={"changes": []}), 422, "invalid")
    assert told["detail"] == "body changes: expected a JSON object"
    match = {"If-Match": held.headers["etag"]}
    changed = place.near.patch(f"{BASE}/settings", json=change, headers=match)
    assert changed.status_code == 200, changed.text
    assert changed.json()["settings"]["learning"]["window_weeks"] == 6
    assert changed.json()["version"] == 2
    problem(
        place.near.patch(f"{BASE}/settings", json=change, headers=match), 412, "changed-meanwhile"
    )
    now = place.near.get(f"{BASE}/settings", headers={"If-None-Match": changed.headers["etag"]})
    assert now.status_code == 304
    versions = place.near.get(f"{BASE}/settings/versions").json()["items"]
    assert [(v["version"], v["author"], v["reason"]) for v in versions] == [
        (2, "local", "school has begun"),
        (1, "first values", ""),
    ]


@pytest.mark.parametrize("sent", ["settings-1", "1", "", "'settings-1'"])
def test_a_tag_without_its_quotation_marks_is_not_called_somebodys_change(
    place: Place, sent: str
) -> None:
    """RFC 9110, 8.8.3: an entity tag is quoted; nobody changed anything meanwhile."""
    change = {"changes": {"occupants": 4}}
    answer = place.near.patch(f"{BASE}/settings", json=change, headers={"If-Match": sent})
    told = problem(answer, 422, "invalid")
    assert [e["where"] for e in told["errors"]] == ["header If-Match"]
    assert 'such as "settings-1"' in told["errors"][0]["mend"]
    assert place.houses["home"].settings.version == 1


def test_wrong_settings_are_refused_whole_with_a_line_each(place: Place) -> None:
    change = {"changes": {"occupants": 4, "comfort": "amplr", "hygiene": {"hold": 60}}}
    told = problem(
        place.near.patch(f"{BASE}/settings", json=change, headers={"If-Match": "*"}),
        422,
        "settings-refused",
    )
    assert {e["where"]: e["mend"] for e in told["errors"]} == {
        "comfort": "Did you mean ample?",
        "hygiene.hold": "Did you mean hold_s?",
    }
    assert place.near.get(f"{BASE}/settings").json()["settings"]["occupants"] == 2.5


@pytest.mark.parametrize(
    ("method", "path", "sent", "status", "kind", "where"),
    [
        ("GET", "/nowhere", {}, 404, "not-found", None),
        ("PUT", "/state", {}, 405, "method", None),
        ("DELETE", "/settings", {}, 405, "method", None),
        ("GET", "/draws?limit=0", {}, 422, "invalid", "parameter limit"),
        ("GET", "/draws?limt=3", {}, 422, "invalid", "parameter limt"),
        ("GET", "/draws?since=2026-03-02T12:00:00", {}, 422, "invalid", "parameter since"),
        ("GET", "/draws?since=2026", {}, 422, "invalid", "parameter since"),
        ("GET", "/draws?until=1772452800", {}, 422, "invalid", "parameter until"),
        ("GET", "/readings", {}, 422, "invalid", "parameter since"),
        ("GET", "/overrides/first", {}, 422, "invalid", "path override_id"),
        ("POST", "/overrides", {"content": b"{", "headers": {"Content-Type": "application/json"}},
         400, "bad-json", None),
        ("POST", "/overrides", {"json": [1]}, 422, "invalid", "body"),
        ("POST", "/overrides", {"content": b'{"wish":"more"}'}, 422, "invalid", "body"),
        ("POST", "/overrides", {"json": {"wish": "more", "note": "x" * 70000}},
         413, "too-large", None),
        ("PATCH", "/settings", {"json": {"change": {}}}, 422, "invalid", "body changes"),
        ("POST", "/faults/acknowledgements", {"json": {"code": "a", "subject": "b"}},
         404, "not-found", None),
    ],
)  # fmt: skip
def test_bad_requests_are_told_what_where_and_how_to_mend(
    place: Place, method: str, path: str, sent: Any, status: int, kind: str, where: str | None
) -> None:
    told = problem(place.near.request(method, BASE + path, **sent), status, kind)
    if where is not None:
        assert where in [e["where"] for e in told["errors"]]


@pytest.mark.parametrize(
    ("path", "body", "status", "kind"),
    [
        ("/overrides", rb'{"wish": "\ud800"}', 422, "wish-refused"),
        ("/overrides", rb'{"wish": "more", "\ud800": 1}', 422, "wish-refused"),
        ("/overrides", rb'{"wish": "more", "until": "\ud800"}', 422, "wish-refused"),
        ("/overrides", b'{"wish": "guests", "until": "23:00", "people": %s}' % (b"9" * 400),
         422, "wish-refused"),
        ("/overrides", b'{"wish": "guests", "people": %s}' % (b"9" * 5000), 400, "bad-json"),
        ("/overrides", b'{"wish": %s}' % (b"[" * 20_000 + b"]" * 20_000), 400, "bad-json"),
        ("/faults/acknowledgements", rb'{"code": "\ud800", "subject": "x"}', 422, "invalid"),
        ("/faults/acknowledgements", rb'{"code": "x", "\ud800": "x"}', 422, "invalid"),
    ],
)  # fmt: skip
def test_json_that_holds_what_nothing_can_keep_is_refused(
    place: Place, path: str, body: bytes, status: int, kind: str
) -> None:
    """Half of a UTF-16 pair (RFC 8259, 8.2), numbers beyond any double and endless nesting (9)."""
    headers = {"Content-Type": "application/json"}
    problem(place.near.post(BASE + path, content=body, headers=headers), status, kind)


def test_a_note_is_kept_as_one_line_of_text(place: Place) -> None:
    body = rb'{"wish": "more", "note": "bath\n\u0000 \ud800night \u202e\ud83d\ude00"}'
    headers = {"Content-Type": "application/json"}
    made = place.near.post(f"{BASE}/overrides", content=body, headers=headers)
    assert (made.status_code, made.json()["note"]) == (201, "bath night \U0001f600")


def test_a_method_that_is_not_there_names_those_that_are(place: Place) -> None:
    answer = place.near.put(f"{BASE}/overrides", json={})
    assert answer.headers["allow"] == "GET, HEAD, POST"


def test_every_problem_type_can_be_looked_up(place: Place) -> None:
    told = problem(place.near.get("/api/v1/homes/attic/state"), 404, "unknown-home")
    page = place.near.get(told["type"])
    assert page.status_code == 200
    assert "/api/v1/homes" in page.text
    problem(place.near.get("/api/v1/problems/none"), 404, "not-found")


def test_trouble_with_the_records_is_told_and_nothing_stops(
    place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    def _full(*_: object) -> None:
        raise RecordsError("full", "the disk is full", "sqlite:///x", "Free some space.")

    monkeypatch.setattr(place.records, "draws", _full)
    answer = place.near.get(f"{BASE}/draws")
    told = problem(answer, 503, "records")
    assert told["errors"][0]["mend"] == "Free some space."
    assert "retry-after" in answer.headers
    assert place.near.get(f"{BASE}/state").status_code == 200


def test_an_unforeseen_error_is_logged_and_says_nothing_of_its_inside(
    place: Place, caplog: pytest.LogCaptureFixture
) -> None:
    def _broken() -> Health:
        raise RuntimeError("inner matter")

    place.houses["home"].health = _broken  # type: ignore[method-assign]
    client = TestClient(
        place.app, "http://127.0.0.1:8480", client=LOCAL, raise_server_exceptions=False
    )
    told = problem(client.get(f"{BASE}/health"), 500, "internal")
    assert "inner matter" not in str(told)
    assert "inner matter" in caplog.text


def test_faults_hygiene_scores_and_decisions_are_there(place: Place) -> None:
    place.records.store(
        "home",
        samples.outputs(
            faults=(samples.fault(),),
            evidence=(samples.evidence(),),
            decision=samples.decision(),
        ),
    )
    place.records.add_score("home", Score("2026-03-01", NOW, {"bias_l40": -3.0, "whole": "{}"}))
    sent = {"code": "command_without_effect", "subject": "heat_pump_relay"}
    assert place.near.post(f"{BASE}/faults/acknowledgements", json=sent).status_code == 201
    (fault,) = place.near.get(f"{BASE}/faults?lasting=true").json()["items"]
    assert (fault["code"], fault["acknowledged_by"]) == ("command_without_effect", "local")
    hygiene = place.near.get(f"{BASE}/hygiene").json()
    assert hygiene["now"]["lukewarm_h"] == 14.0
    assert hygiene["items"][0]["passed"] is True
    (decision,) = place.near.get(f"{BASE}/decisions").json()["items"]
    assert decision["rule"] == "plan"
    assert place.near.get(f"{BASE}/scores").json()["items"][0]["figures"] == {"bias_l40": -3.0}


def shower(ago: timedelta, mean_c: float, litres: float = 60.0, **other: Any) -> Draw:
    """So many litres at ``mean_c`` in ten minutes, with the mains at 10 degC."""
    l40 = litres * (mean_c - 10.0) / 30.0
    kwh = 30.0 * l40 * KWH_PER_LITRE_KELVIN
    taken = Draw(NOW - ago, NOW - ago + timedelta(minutes=10), litres, kwh, l40, "flow_meter")
    return replace(taken, **other)


def test_a_cold_draw_off_names_its_causes_as_the_page_does(place: Place) -> None:
    """Three baths from a cylinder that nothing had heated, long before a warm shower."""
    hour = timedelta(hours=1)
    dead = Fault("command_without_effect", "heat_pump_relay", NOW - 9 * hour, "fault", {"w": 3.0})
    drawn = (
        shower(8 * hour, 30.0, 600.0),
        shower(4 * hour, 48.0),
        shower(3 * hour, 30.0, 3.0),
        shower(2 * hour, 30.0, measured_by="profile"),
        shower(hour, 30.0, measured_by="profile"),
    )
    place.records.store("home", samples.outputs(draws=drawn, faults=(dead,)))
    ended_s = drawn[4].end.timestamp()
    place.records.add_readings("home", [reading("probe_top", ended_s, 31.26)])
    reads = place.client("reader")
    found = reads.get(f"{BASE}/warmth").json()["items"]
    assert [(w["mean_c"], w["end_c"], w["colder"]) for w in found] == [
        (None, 31.3, True),  # no meter, but the probe at the top was read as it ended
        (None, None, None),
        (48.0, None, False),
        (30.0, None, True),
    ]
    assert found[2]["causes"] == []
    assert (found[3]["least_c"], found[3]["use_l40"]) == (39.0, 400.0)
    first, second = found[3]["causes"]
    assert first["code"] == "command_without_effect"
    since_s = dead.since.timestamp()
    assert first["facts"] == {"subject": "heat_pump_relay", "since": since_s, "w": 3.0}
    assert first["what"].startswith("The heat pump relay was asked to heat and does not. Noticed")
    assert second["code"] == "more_than_full"
    assert second["facts"]["drawn_l40"] == 400
    house, zone = place.houses["home"], ZoneInfo("Europe/Paris")
    page = cold.content("home", house, place.records, Local(zone, "EUR", NOW), None)
    said = [[(c["what"], c["mend"]) for c in w["causes"]] for w in found]
    assert said[::-1] == [[(c.what, c.mend) for c in told.causes] for told in page["told"]]
    problem(reads.get("/api/v1/homes/annexe/warmth"), 404, "unknown-home")


def test_the_warmth_of_draws_comes_in_pages_and_again_only_when_a_cause_is_found(
    place: Place,
) -> None:
    hour = timedelta(hours=1)
    drawn = [shower(k * hour, 30.0) for k in range(1, 6)]
    place.records.store("home", samples.outputs(draws=tuple(drawn)))
    first = place.near.get(f"{BASE}/warmth?limit=2")
    assert [c["code"] for c in first.json()["items"][0]["causes"]] == ["unexplained"]
    tag = {"If-None-Match": first.headers["etag"]}
    assert place.near.get(f"{BASE}/warmth?limit=2", headers=tag).status_code == 304
    stuck = Fault("probe_stuck", "probe_top", NOW, "warning")
    place.records.store("home", samples.outputs(faults=(stuck,)))
    again = place.near.get(f"{BASE}/warmth?limit=2", headers=tag)
    assert [c["code"] for c in again.json()["items"][0]["causes"]] == ["probe_stuck"]
    starts = [w["start"] for w in again.json()["items"]]
    while "next" in again.links:
        again = place.near.get(again.links["next"]["url"])
        starts += [w["start"] for w in again.json()["items"]]
    assert [datetime.fromisoformat(s) for s in starts] == [d.start for d in drawn]


def test_the_description_has_examples_and_problem_details(place: Place) -> None:
    told = place.near.get("/api/v1/openapi.json").json()
    assert told["openapi"].startswith("3.1")
    shapes = told["components"]["schemas"]
    for name in (
        "StateOut",
        "OverrideOut",
        "DrawOut",
        "WarmthOut",
        "ProblemOut",
        "WindowOut",
        "SettingsIn",
    ):
        assert shapes[name]["example"], name
    assert shapes["WishIn"]["examples"]
    refused = told["paths"]["/api/v1/homes/{home}/overrides"]["post"]["responses"]
    assert "application/problem+json" in refused["422"]["content"]
    assert "HTTPValidationError" not in str(told)
    for path, operations in told["paths"].items():
        assert path.startswith("/api/v1/")
        for operation in operations.values():
            assert operation["description"], path
    named = [o["operationId"] for operations in told["paths"].values() for o in operations.values()]
    assert len(set(named)) == len(named)
    assert {"read_state", "make_override", "change_settings"} <= set(named)


def codes_in(example: Any) -> Iterator[str]:
    """Every code that an example names."""
    if isinstance(example, Mapping):
        if isinstance(example.get("code"), str):
            yield example["code"]
        yield from example.get("loses", ())
        example = list(example.values())
    if isinstance(example, list):
        for part in example:
            yield from codes_in(part)


def test_the_examples_name_codes_that_are_told(place: Place) -> None:
    """A home-automation system is written by them."""
    known = {
        *(*REASONS, *sentences.LEADS, *sentences.DECISIONS, *sentences.COLD, *sentences.LOSES),
        *(*fault_words.FAULTS, *KINDS),
    }
    shapes = place.near.get("/api/v1/openapi.json").json()["components"]["schemas"]
    found = {code for shape in shapes.values() for code in codes_in(shape.get("example"))}
    assert len(found) >= 5
    assert found <= known


def reads(described: Mapping[str, Any]) -> list[tuple[str, APIRoute]]:
    """Every address that is read, with its route; none of those described is left out."""
    prefixes = [(at_home, router.prefix), (router, "")]
    found = [
        (prefix + route.path, route)
        for routes, prefix in prefixes
        for route in routes.routes
        if isinstance(route, APIRoute) and "GET" in route.methods
    ]
    assert {path for path, _ in found} == {p for p, told in described.items() if "get" in told}
    assert len(found) > 15
    return found


def test_the_description_tells_each_answer_that_is_given(place: Place) -> None:
    """What is sent fits the schema that is described, and the status is among those described."""
    described = place.near.get("/api/v1/openapi.json").json()["paths"]
    for address, route in reads(described):
        path = address.format(home="home", code="no-token", override_id=1)
        told = described[address]["get"]["responses"]
        found = place.near.get(path, params=NEEDED.get(address))
        assert str(found.status_code) in told, path
        if found.status_code == 200 and route.response_model is not None:
            TypeAdapter(route.response_model).validate_json(found.content)
        if tag := found.headers.get("etag"):
            again = {"If-None-Match": tag}
            same = place.near.get(path, params=NEEDED.get(address), headers=again)
            assert str(same.status_code) in told or same.status_code == 200, path
    locked = TestClient(place.app, "http://127.0.0.1", client=FAR)
    assert (
        str(locked.get("/api/v1/homes").status_code)
        in described["/api/v1/homes"]["get"]["responses"]
    )
    told = described["/api/v1/homes/{home}/overrides"]["post"]["responses"]
    for body in (b"{", b" " * (MOST_BODY_BYTES + 1)):
        headers = {"Content-Type": "application/json"}
        sent = place.near.post(f"{BASE}/overrides", content=body, headers=headers)
        assert str(sent.status_code) in told


def test_the_description_names_the_headers_that_answers_carry(place: Place) -> None:
    """RFC 9110 (ETag, Location), RFC 8288 (Link): what a made client reads them by."""
    draws = tuple(samples.draw(NOW + timedelta(minutes=10 * k)) for k in range(2))
    place.records.store("home", samples.outputs(draws=draws))
    described = place.near.get("/api/v1/openapi.json").json()["paths"]

    def headers(path: str, method: str, status: str) -> set[str]:
        return set(described[path][method]["responses"][status].get("headers", {}))

    for address, _ in reads(described):
        path = address.format(home="home", code="no-token", override_id=1)
        found = place.near.get(path, params=NEEDED.get(address))
        if found.status_code == 200:
            told = headers(address, "get", "200")
            assert ("etag" in found.headers) == ("ETag" in told), path
    home = "/api/v1/homes/{home}"
    assert "link" in place.near.get(f"{BASE}/draws?limit=1").headers
    for path in (
        "draws", "warmth", "decisions", "faults", "overrides", "readings", "settings/versions"
    ):  # fmt: skip
        assert "Link" in headers(f"{home}/{path}", "get", "200"), path
    assert "Link" not in headers(f"{home}/access", "get", "200"), "it is one page"
    assert headers(f"{home}/settings", "patch", "200") == {"ETag"}
    assert headers(f"{home}/overrides", "post", "201") == {"Idempotency-Replayed", "Location"}


def test_a_body_that_is_no_json_is_told_where_it_breaks(place: Place) -> None:
    for body, said in (
        ('{"wish": "more"', "Expecting ',' delimiter, at character 15."),
        ("{'wish': 'more'}", "Expecting property name enclosed in double quotes, at character 1."),
    ):
        answer = place.near.post(
            f"{BASE}/overrides", content=body, headers={"Content-Type": "application/json"}
        )
        assert answer.status_code == 400
        assert answer.json()["detail"] == f"The body could not be read as JSON: {said}"


@pytest.mark.parametrize(
    ("path", "mend"),
    [
        ("draws?limit=0", "Send 1 or more."),
        ("draws?limit=1001", "Send 1000 or less."),
        ("draws?limit=many", "Write it in digits, such as 20."),
        ("faults?lasting=perhaps", "Write true or false."),
        ("overrides/first", "Write it in digits, such as 20."),
    ],
)
def test_a_number_that_cannot_be_is_told_which_can(place: Place, path: str, mend: str) -> None:
    answer = place.near.get(f"{BASE}/{path}")
    assert answer.status_code == 422
    assert [e["mend"] for e in answer.json()["errors"]] == [mend]


def test_a_reason_that_is_too_long_is_told_how_long_it_may_be(place: Place) -> None:
    body = {"changes": {"occupants": 3}, "reason": "x" * 501}
    answer = place.near.patch(f"{BASE}/settings", json=body, headers={"If-Match": "*"})
    assert problem(answer, 422, "invalid")["errors"] == [
        {"where": "body reason", "what": "is too long", "mend": "Send at most 500 characters."}
    ]
    body = {"changes": {"replan_every_slots": 1e308}}
    answer = place.near.patch(f"{BASE}/settings", json=body, headers={"If-Match": "*"})
    (line,) = problem(answer, 422, "settings-refused")["errors"]
    assert line["what"] == "1e+308: expected a whole number of fewer digits"


def test_numbers_that_no_row_has_are_refused_not_failed_on(place: Place) -> None:
    huge = 10**23
    for method, path in (
        ("GET", f"{BASE}/overrides/{huge}"),
        ("DELETE", f"{BASE}/overrides/{huge}"),
        ("DELETE", f"{BASE}/access/{huge}"),
        ("GET", f"{BASE}/overrides?cursor={to_text((huge,))}"),
        ("GET", f"{BASE}/draws?cursor={to_text((huge, huge))}"),
        ("GET", f"{BASE}/faults?cursor={to_text((1, chr(0), 'x'))}"),
    ):
        problem(place.near.request(method, path), 422, "invalid")


def test_what_is_missing_is_called_missing(place: Place) -> None:
    told = problem(place.near.post(f"{BASE}/overrides", json={}), 422, "wish-refused")
    assert told["errors"][0]["what"] == "is missing"
    headers = {"If-Match": "*"}
    empty = place.near.patch(f"{BASE}/settings", json={"changes": {}}, headers=headers)
    assert problem(empty, 422, "invalid")["errors"] == [
        {
            "where": "body changes",
            "what": "must not be empty",
            "mend": "Name what is to change.",
        }
    ]


# who may


def test_without_a_token_only_this_machine_may_ask(place: Place) -> None:
    assert place.near.get(f"{BASE}/state").status_code == 200
    assert [h["role"] for h in place.near.get("/api/v1/homes").json()["items"]] == [
        "installer",
        "installer",
    ]
    far = TestClient(place.app, "http://127.0.0.1", client=FAR)
    problem(far.get(f"{BASE}/state"), 403, "not-from-here")


@pytest.mark.parametrize(
    ("method", "headers"),
    [
        ("GET", {"Host": "ladle.example.org"}),
        ("GET", {"X-Forwarded-For": "192.0.2.7"}),
        ("GET", {"Forwarded": "for=192.0.2.7"}),
        ("POST", {"Origin": "https://elsewhere.example"}),
        ("POST", {"Origin": "null"}),
        ("POST", {"Sec-Fetch-Site": "cross-site"}),
    ],
)
def test_a_page_or_proxy_elsewhere_is_not_this_machine(
    place: Place, method: str, headers: dict[str, str]
) -> None:
    path = f"{BASE}/state" if method == "GET" else f"{BASE}/overrides"
    sent = None if method == "GET" else {"wish": "more"}
    problem(place.near.request(method, path, json=sent, headers=headers), 403, "not-from-here")
    assert place.houses["home"].wished == 0


def test_a_page_of_our_own_may_ask(place: Place) -> None:
    headers = {"Origin": "http://127.0.0.1:8480", "Sec-Fetch-Site": "same-origin"}
    answer = place.near.post(f"{BASE}/overrides", json={"wish": "more"}, headers=headers)
    assert answer.status_code == 201


def test_once_a_token_is_made_a_token_is_needed_here_too(place: Place) -> None:
    place.token("reader")
    answer = place.near.get(f"{BASE}/state")
    problem(answer, 401, "no-token")
    assert answer.headers["www-authenticate"] == "Bearer"


def test_a_service_that_is_not_open_wants_a_token_from_everybody(place: Place) -> None:
    app = make_app(place.houses, place.records, open_on_loopback=False)
    near = TestClient(app, "http://127.0.0.1", client=LOCAL)
    problem(near.get(f"{BASE}/state"), 401, "no-token")


READ = [("GET", "/state", None), ("GET", "/draws", None), ("GET", "/settings", None)]
WISH = [
    ("POST", "/overrides", {"wish": "more"}),
    ("DELETE", "/overrides/1", None),
    ("GET", "/access", None),
    ("GET", "/export", None),
    ("DELETE", "/access/99", None),
    ("POST", "/faults/acknowledgements", {"code": "a", "subject": "b"}),
]
SET = [("PATCH", "/settings", {"changes": {"occupants": 4}})]


@pytest.mark.parametrize(
    ("role", "may", "may_not"),
    [
        ("reader", READ, WISH + SET),
        ("household", READ + WISH, SET),
        ("installer", READ + WISH + SET, []),
    ],
)
def test_each_role_may_what_it_may(place: Place, role: str, may: Any, may_not: Any) -> None:
    client = place.client(role)
    for method, path, sent in may:
        answer = client.request(method, BASE + path, json=sent, headers={"If-Match": "*"})
        assert answer.status_code in (200, 201, 404), (path, answer.text)
    before = place.houses["home"].settings.version, place.houses["home"].wished
    for method, path, sent in may_not:
        answer = client.request(method, BASE + path, json=sent, headers={"If-Match": "*"})
        told = problem(answer, 403, "role")
        assert role in told["detail"]
    assert before == (place.houses["home"].settings.version, place.houses["home"].wished)


def test_a_token_opens_its_homes_only(place: Place) -> None:
    client = place.client("installer", "annexe")
    assert [h["id"] for h in client.get("/api/v1/homes").json()["items"]] == ["annexe"]
    assert client.get("/api/v1/homes/annexe/state").status_code == 200
    mine = problem(client.get(f"{BASE}/state"), 404, "unknown-home")
    none = problem(client.get("/api/v1/homes/attic/state"), 404, "unknown-home")
    assert mine["detail"].replace("home'", "attic'") == none["detail"].replace("home'", "attic'")


@pytest.mark.parametrize(
    ("header", "kind"),
    [
        ("Bearer ladle_unknown", "token-unknown"),
        ("Bearer x", "token-unknown"),
        ("Bearer", "no-token"),
        ("Basic bGFkbGU6bGFkbGU=", "no-token"),
    ],
)
def test_a_wrong_token_is_refused_even_from_here(place: Place, header: str, kind: str) -> None:
    answer = place.near.get(f"{BASE}/state", headers={"Authorization": header})
    problem(answer, 401, kind)
    assert answer.headers["www-authenticate"].startswith("Bearer")


def test_the_household_ends_an_installers_access_at_once(place: Place) -> None:
    household, installer = place.client("household"), place.client("installer")
    assert installer.get(f"{BASE}/draws").status_code == 200
    listed = household.get(f"{BASE}/access").json()["items"]
    (token,) = [t for t in listed if t["role"] == "installer"]
    assert "ladle_" not in str(listed)
    ended = household.delete(f"{BASE}/access/{token['id']}")
    assert ended.json()["ended_by"] == "a household"
    problem(installer.get(f"{BASE}/draws"), 401, "token-unknown")
    problem(household.delete(f"{BASE}/access/{token['id']}"), 404, "not-found")


def test_a_token_of_more_homes_is_not_for_one_household_to_end(place: Place) -> None:
    household = place.client("household")
    place.client("installer", "home", "annexe")
    listed = household.get(f"{BASE}/access").json()["items"]
    (token,) = [t for t in listed if t["role"] == "installer"]
    problem(household.delete(f"{BASE}/access/{token['id']}"), 403, "role")


def test_when_a_token_was_used_is_noted(place: Place) -> None:
    client = place.client("household")
    client.get(f"{BASE}/state")
    for _ in range(100):
        (token,) = place.records.tokens.all("home")
        if token.last_used_at is not None:
            break
        time.sleep(0.02)
    assert token.last_used_at is not None


def test_the_household_takes_everything_home_as_csv(
    place: Place, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And nothing lies unpacked meanwhile: three years are 180 MB, and a small /tmp is memory."""
    place.records.store("home", samples.outputs(draws=(samples.draw(),)))
    files = place.records.export_csv("home", tmp_path / "csv")
    monkeypatch.setattr(tempfile, "mkdtemp", lambda *_a, **_k: pytest.fail("a folder was made"))
    answer = place.client("household").get(f"{BASE}/export")
    assert answer.headers["content-type"] == "application/zip"
    with zipfile.ZipFile(io.BytesIO(answer.content)) as packed:
        assert packed.namelist() == [file.name for file in files]
        assert all(packed.read(file.name) == file.read_bytes() for file in files)
        assert b"2026-03-02T12:00:00+00:00" in packed.read("draws.csv")


def test_no_token_reaches_a_log(place: Place, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
    secret = place.token("reader")
    client = TestClient(place.app, "http://ladle.lan", client=FAR)
    for header in (f"Bearer {secret}", f"Bearer {secret}x", secret):
        client.get(f"{BASE}/state", headers={"Authorization": header})
    client.get(f"{BASE}/draws?cursor={secret}", headers={"Authorization": f"Bearer {secret}"})
    logged = logging.getLogger("uvicorn.access")
    stream = io.StringIO()
    handler = logging.StreamHandler(stream)
    logged.addHandler(handler)
    try:
        logged.warning('%s - "GET /?token=%s"', "192.0.2.7", secret)
    finally:
        logged.removeHandler(handler)
    ours = [r for r in caplog.records if r.name.split(".")[0] in ("service", "uvicorn")]
    assert all(secret not in record.getMessage() for record in ours)
    assert "ladle_(hidden)" in stream.getvalue()
    assert secret not in stream.getvalue()
