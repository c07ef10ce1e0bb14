"""What the household's page says is so, also when nothing of the plan is carried out."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from service.control.types import Rule, View
from service.pages import household, words
from service.pages.local import Local
from tests.browser import fake_house

SETTINGS = fake_house.settings("Mill Lane")
HERE = Local(SETTINGS.wiring.zone_info, "EUR", fake_house.NOW)


def _page(view: View) -> dict[str, object]:
    return household.content(fake_house.FakeHouse(SETTINGS, view), HERE)


def test_no_chance_is_promised_by_a_plan_that_is_not_carried_out() -> None:
    view = fake_house.lived_in([])
    assert _page(view)["short"]
    for mode in (Rule.MAINTENANCE_HOLD, Rule.FAIL_SAFE):
        page = _page(replace(view, mode=mode))
        assert page["short"] is None
        assert "None of this is carried out" in str(page["idle"])


@pytest.mark.parametrize(
    ("mode", "said"),
    [
        (Rule.FAIL_SAFE, "the cylinder is on its own thermostats"),
        (Rule.MAINTENANCE_HOLD, "nothing is commanded while the hold lasts"),
        (Rule.PLAN, "until there is one, the reserve is kept"),  # rule 7 of the README's table
    ],
)
def test_without_a_plan_it_says_what_keeps_the_water_hot(mode: Rule, said: str) -> None:
    page = _page(replace(fake_house.lived_in([]), plan=None, mode=mode))
    assert said in str(page["unplanned"])


def test_a_household_reads_no_word_of_how_things_are_wired() -> None:
    """Somebody who only wants a shower knows no broker and no MQTT."""
    template = Path(household.__file__).with_name("templates") / "household.html"
    said = re.sub(r"{[%{].*?[%}]}|<[^>]*>", " ", template.read_text(encoding="utf-8"))
    said += " ".join(words.AUTHORS.values())
    for word in ("broker", "MQTT", "topic", "API"):
        assert not re.search(rf"\b{word}\b", said), word
