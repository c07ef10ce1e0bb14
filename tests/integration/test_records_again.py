"""Records that could not be written: told once, and told again when they can be."""

from __future__ import annotations

import logging
from pathlib import Path
from typing import Any

import pytest

from adapters.wiring import Broker
from service.assembly import Service
from service.clock import HandClock
from service.records import Records, RecordsError
from service.settings import Http
from service.simulation import demo as demos
from service.simulation.household import SCHOOL_FAMILY
from service.worker import InlineWorker


def test_a_full_disk_is_told_once_and_its_end_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    made = demos.demo(Broker(), tmp_path, Http(), SCHOOL_FAMILY, seed=3)
    records = Records.open(made.wiring.database.url)
    service = Service(made.wiring, HandClock(made.start_s), records, InlineWorker())
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
