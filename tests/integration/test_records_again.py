"""Records that could not be written: told once, and told again when they can be."""

from __future__ import annotations

import json
import logging
import time
from pathlib import Path
from typing import Any

import pytest

from adapters.types import Message, Outgoing
from adapters.wiring import Broker
from service.assembly import Service
from service.clock import HandClock, utc
from service.records.errors import RecordsError
from service.records.records import Records
from service.settings import Http
from service.simulation import demo as demos
from service.simulation.household import SCHOOL_FAMILY
from service.worker import InlineWorker


def _service(folder: Path) -> tuple[Service, Records]:
    made = demos.demo(Broker(), folder, Http(), SCHOOL_FAMILY, seed=3)
    records = Records.open(made.wiring.database.url)
    return Service(made.wiring, HandClock(made.start_s), records, InlineWorker()), records


def _gone(*_: Any, **__: Any) -> Any:
    raise RecordsError("unreachable", "the database server does not answer", "here", "Mend it")


def test_a_job_that_finds_no_records_is_told_in_one_line_however_often_it_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    service, records = _service(tmp_path)
    monkeypatch.setattr(records, "thin", _gone)
    jobs = service._jobs
    jobs.table = tuple(j._replace(every_s=0.0) for j in jobs.table if j.name == "thin")
    jobs.start()
    time.sleep(1.0)  # it runs four times a second
    jobs.stop()
    records.close()
    said = [r for r in caplog.records if r.levelno >= logging.ERROR]
    assert [r.getMessage() for r in said] == ["the database server does not answer (here). Mend it"]
    assert said[0].exc_info is None


def test_a_defect_where_state_is_told_or_kept_ends_no_thread_and_loses_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Whatever a turn made is tried again, and acknowledged only once it is stored."""
    service, records = _service(tmp_path)
    house = service.houses["mill-house"]
    acknowledged: list[int] = []
    monkeypatch.setattr(service.link, "acknowledge", acknowledged.extend)
    monkeypatch.setattr(type(service.link), "wants_commit", property(lambda _: True))
    signal = house.settings.wiring.signals[0]
    at_s = service.clock.now_s()
    tried = 0

    def broken(*_: Any, **__: Any) -> None:
        nonlocal tried
        tried += 1
        raise KeyError("a defect")

    with monkeypatch.context() as here:
        here.setattr(service, "_tell", broken)
        here.setattr(records, "add_readings", broken)
        service._arrived(Message(signal.topic, b"48.5", at_s, waited=False, token=7))
        service._thread.start()
        end = time.monotonic() + 5.0
        while tried < 4 and time.monotonic() < end:
            service.wake()
            time.sleep(0.05)
        assert service._thread.is_alive()
    assert "a defect" in caplog.text
    service._stopping.set()
    service.wake()
    service._thread.join(10)
    service.flush()
    assert acknowledged == [7]
    kept = records.readings_since(house.id, utc(at_s - 60))
    assert [r.value for r in kept] == [48.5]
    records.close()


def _asked(service: Service, fields: dict[str, object], sent: list[Outgoing]) -> dict[str, object]:
    """The answer to a wish by message."""
    topic = service.own["mill-house"].wish
    service._arrived(
        Message(topic, json.dumps(fields).encode(), service.clock.now_s(), waited=False)
    )
    while service._errands:
        service.carefully(service._errands.popleft())
    (answer,) = (m for m in sent if m.topic == f"{topic}/result")
    sent.clear()
    found: dict[str, object] = json.loads(answer.payload)
    return found


def test_a_wish_that_cannot_be_kept_is_answered_and_one_during_a_hold_is_told_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    service, records = _service(tmp_path)
    sent: list[Outgoing] = []
    monkeypatch.setattr(service.link, "publish", sent.append)
    assert _asked(service, {"wish": "more"}, sent)["message"] == "accepted"
    assert _asked(service, {"wish": "hold"}, sent)["message"] == "accepted"
    held = _asked(service, {"wish": "more"}, sent)
    assert held["accepted"] is True
    assert "until a person ends the maintenance hold made by mqtt at" in str(held["message"])
    assert held["held_by"] == held["id"] - 1
    monkeypatch.setattr(records, "add_override", _gone)
    lost = _asked(service, {"wish": "more"}, sent)
    assert lost["accepted"] is False
    assert "the database server does not answer; the wish was not kept" in str(lost["message"])
    records.close()


def test_a_full_disk_is_told_once_and_its_end_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    service, records = _service(tmp_path)
    caplog.set_level(logging.INFO)
    add = records.add_readings

    def full(*_: Any) -> int:
        raise RecordsError("full", "the disk is full", "here", "Free some space")

    monkeypatch.setattr(records, "add_readings", full)
    service.flush()
    service.flush()
    monkeypatch.setattr(records, "add_readings", add)
    service.flush()
    service.flush()
    said = [r.getMessage() for r in caplog.records if r.name == "service.assembly"]
    assert len(said) == 2
    assert said[0].startswith("the disk is full")
    assert said[1] == "Records are written again; what waited meanwhile is stored."
    records.close()
