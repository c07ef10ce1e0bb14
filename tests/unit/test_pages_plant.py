"""The installer's first page: what it says of signals and decisions is so, however few."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from service.control.types import Decision, Rule
from service.pages import plant
from service.pages.local import Local
from service.records.records import Records
from service.scheduling.types import Reason
from tests.browser import fake_house

SETTINGS = fake_house.settings("Mill Lane")
HERE = Local(SETTINGS.wiring.zone_info, "EUR", fake_house.NOW)


@pytest.fixture
def records(tmp_path: Path) -> Iterator[Records]:
    opened = Records.open(f"sqlite:///{tmp_path}/ladle.sqlite")
    yield opened
    opened.close()


def test_decisions_of_days_ago_are_the_latest_where_nothing_was_decided_since(
    records: Records,
) -> None:
    """A maintenance hold of a week is one decision, and it is on record."""
    held = Decision(
        fake_house.NOW - timedelta(days=6), Rule.MAINTENANCE_HOLD, Reason("hold"), (), {}
    )
    records.store("mill-lane", replace(fake_house.outputs(), decision=held))
    house = fake_house.FakeHouse(SETTINGS, fake_house.lived_in([]))
    told = plant.content("mill-lane", house, records, HERE)["decisions"]
    assert [d.when for d in told] == ["Thu 19 Nov 16:50"]


@pytest.mark.parametrize(
    ("silent", "count", "said"),
    [
        ([], 0, "No signal is wired."),
        ([], 1, "The one signal is fresh."),
        ([], 7, "All 7 signals are fresh."),
        (["draw"], 2, "1 of 2 signals is fresh; silent: draw."),
        (["draw"], 3, "2 of 3 signals are fresh; silent: draw."),
    ],
)
def test_signals_are_counted_as_many_as_there_are(silent: list[str], count: int, said: str) -> None:
    assert plant._lead(silent, count, True) == said


def test_what_the_table_of_signals_says_is_not_said_under_the_picture_again(
    records: Records,
) -> None:
    house = fake_house.FakeHouse(SETTINGS, fake_house.lived_in([]))
    told = plant.content("mill-lane", house, records, HERE)
    assert told["profile_words"].startswith("From 14.0")
    assert "probe_" not in told["profile_words"]
    assert "probe_top at 1.20" in told["picture"], "who hears the page hears it in the picture"
