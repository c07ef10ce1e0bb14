"""A fault is told once, reminded of until a person has seen it, and not told anew by a restart."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from adapters.types import Refusal
from adapters.wiring import Notify
from service.control.types import Fault
from service.records.records import Records
from service.telling import Telling
from tests import records_samples as samples
from tests.control_plant import wiring as plain_wiring
from tests.records_samples import NOW

DAY = timedelta(days=1)
MINUTE = timedelta(minutes=1)


@pytest.fixture
def webhook() -> Iterator[tuple[str, list[dict[str, Any]]]]:
    heard: list[dict[str, Any]] = []

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            heard.append(json.loads(self.rfile.read(int(self.headers["content-length"]))))
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            pass

    server = HTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}/hook", heard
    server.shutdown()
    server.server_close()


@dataclass
class Standing:
    """A house with the faults that a test lets stand, kept as the service keeps them."""

    records: Records
    notify: Notify
    id: str = "home"
    at: datetime = NOW
    faults: list[Fault] = field(default_factory=list)
    refused: list[Refusal] = field(default_factory=list)

    def __post_init__(self) -> None:
        from service.settings import HomeSettings, HomeWiring, Tunables

        home = HomeWiring.model_validate(plain_wiring() | {"notify": self.notify})
        self.settings = HomeSettings(wiring=home, tunables=Tunables())

    @property
    def view(self) -> Any:
        return SimpleNamespace(faults=tuple(self.faults))

    def now(self) -> datetime:
        return self.at

    def refuse(self, refusal: Refusal) -> None:
        self.refused.append(refusal)

    def raised(self, code: str) -> Fault:
        fault = Fault(code, "draw", self.at, "fault", {"minutes": 50})
        self.faults.append(fault)
        self.records.store(self.id, samples.outputs(faults=(fault,)))
        return fault

    def cleared(self) -> None:
        from dataclasses import replace

        over = tuple(replace(f, cleared_at=self.at) for f in self.faults)
        self.records.store(self.id, samples.outputs(faults=over))
        self.faults = []


@pytest.fixture
def house(tmp_path: Path, webhook: tuple[str, list[dict[str, Any]]]) -> Iterator[Standing]:
    records = Records.open(samples.fresh(tmp_path / "ladle.sqlite"))
    yield Standing(records, Notify(webhook=webhook[0]))
    records.close()


def test_once_then_a_reminder_then_silence_when_seen(
    house: Standing, webhook: tuple[str, list[dict[str, Any]]]
) -> None:
    heard = webhook[1]
    telling = Telling(house, house.records)  # type: ignore[arg-type]
    house.raised("tap_left_open")
    for _ in range(5):
        telling.tell()
        house.at += MINUTE
    assert [h["fault"]["code"] for h in heard] == ["tap_left_open"]
    assert heard[0]["fault"]["facts"] == {"minutes": 50}
    telling = Telling(house, house.records)  # type: ignore[arg-type]  # a restart
    telling.tell()
    assert len(heard) == 1
    house.at += DAY
    telling.tell()
    telling.tell()
    assert len(heard) == 2
    assert heard[1]["subject"].startswith("Reminder: ")
    house.records.acknowledge_fault("home", "tap_left_open", "draw", "somebody", house.at)
    house.at += 3 * DAY
    telling.tell()
    assert len(heard) == 2
    house.cleared()
    house.at += DAY
    house.raised("tap_left_open")  # another tap on another day is news, seen or not
    telling.tell()
    assert len(heard) == 3


def test_what_comes_and_goes_is_told_at_most_once_an_hour(
    house: Standing, webhook: tuple[str, list[dict[str, Any]]]
) -> None:
    telling = Telling(house, house.records)  # type: ignore[arg-type]
    for _ in range(12):
        house.raised("signal_stale")
        telling.tell()
        house.at += 5 * MINUTE
        house.cleared()
        telling.tell()
        house.at += 5 * MINUTE
    assert len(webhook[1]) == 2


def test_a_way_that_fails_does_not_repeat_the_one_that_works(
    house: Standing, webhook: tuple[str, list[dict[str, Any]]]
) -> None:
    both = Notify(
        webhook=webhook[0],
        mail_to=("home@house.example",),
        mail_from="ladle@house.example",
        smtp_host="127.0.0.1",
        smtp_port=9,  # nobody listens
    )
    home = house.settings.wiring.model_copy(update={"notify": both})
    house.settings = house.settings.model_copy(update={"wiring": home})
    telling = Telling(house, house.records)  # type: ignore[arg-type]
    house.raised("tap_left_open")
    for _ in range(3):
        telling.tell()
        house.at += MINUTE
    assert len(webhook[1]) == 1
    assert house.refused


def test_what_reached_nobody_is_sent_again(house: Standing) -> None:
    nobody = house.settings.wiring.model_copy(
        update={"notify": Notify(webhook="http://127.0.0.1:9/hook")}
    )
    house.settings = house.settings.model_copy(update={"wiring": nobody})
    telling = Telling(house, house.records)  # type: ignore[arg-type]
    house.raised("tap_left_open")
    telling.tell()
    telling.tell()
    assert len(house.refused) == 2


def test_what_was_told_while_the_clock_was_years_ahead_is_told_when_it_comes_again(
    house: Standing, webhook: tuple[str, list[dict[str, Any]]]
) -> None:
    heard = webhook[1]
    telling = Telling(house, house.records)  # type: ignore[arg-type]
    house.at += 3650 * DAY
    house.raised("signal_stale")
    telling.tell()
    house.cleared()
    telling.tell()
    house.at -= 3650 * DAY
    house.raised("signal_stale")
    telling.tell()
    assert len(heard) == 2
    telling = Telling(house, house.records)  # type: ignore[arg-type]  # a restart
    telling.tell()
    assert len(heard) == 2
    house.records.acknowledge_fault("home", "signal_stale", "draw", "somebody", house.at)
    house.at += 2 * DAY
    telling.tell()
    assert len(heard) == 2, "somebody has seen it"


def test_what_lasts_is_reminded_of_though_the_clock_was_set_back(
    house: Standing, webhook: tuple[str, list[dict[str, Any]]]
) -> None:
    telling = Telling(house, house.records)  # type: ignore[arg-type]
    house.at += 3650 * DAY
    house.raised("signal_stale")
    telling.tell()
    house.at -= 3650 * DAY
    telling.tell()
    telling.tell()
    assert len(webhook[1]) == 2
    house.at += DAY
    telling.tell()
    assert len(webhook[1]) == 3
