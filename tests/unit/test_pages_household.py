"""What the household's page says is so, also when nothing of the plan is carried out."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from fastapi import Request, Response

from forecasting.types import SlotGrid
from service.control.types import Fault, Rule, View
from service.pages import household, router, sentences
from service.pages.door import Visitor
from service.pages.local import Local
from service.scheduling.types import Reason
from tests.browser import fake_house

SETTINGS = fake_house.settings("Mill Lane")
HERE = Local(SETTINGS.wiring.zone_info, "EUR", fake_house.NOW)

ANYBODY = Visitor("household", "household", "csrf", 1, frozenset({"mill-lane"}))


class Anybody:
    """A door that everybody comes in by, for pages that are rendered without a request."""

    def visitor(self, request: Request, home: str) -> Visitor | None:
        return ANYBODY

    def signed_in(self, request: Request) -> bool:
        return True

    def sign_in(self, token: str, response: Response, secure: bool = False) -> bool:
        return True

    def sign_out(self, request: Request, response: Response) -> None:
        return None

    def genuine(self, request: Request, csrf: str) -> bool:
        return True


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
    said += " ".join(sentences.AUTHORS.values())
    for word in ("broker", "MQTT", "topic", "API"):
        assert not re.search(rf"\b{word}\b", said), word


def _shown(view: View | None, **changes: object) -> str:
    """The page as it is sent, without its tags."""
    house = fake_house.FakeHouse(SETTINGS, view)
    pages = router._Pages({"mill-lane": house}, Anybody(), "")
    context = {"home": "mill-lane", "base": "/homes/mill-lane", "visitor": ANYBODY}
    shown = {**household.content(house, HERE), **changes}
    body = bytes(pages.render("household.html", **{**context, **shown}).body).decode()
    return re.sub(r"\s+", " ", re.sub(r"<(svg|title).*?</\1>|<[^>]*>", " ", body, flags=re.DOTALL))


def test_a_plan_is_called_in_force_only_while_it_is() -> None:
    view = fake_house.lived_in([])
    assert "the plan is in force" in _shown(view)
    for mode in set(Rule) - {Rule.PLAN}:
        assert "in force" not in _shown(replace(view, mode=mode)), mode


def test_that_no_readings_come_in_is_said_once() -> None:
    gone = replace(fake_house.lived_in([]), mode=Rule.FAIL_SAFE, lead=Reason("broker_gone"))
    house = fake_house.FakeHouse(SETTINGS, gone)
    for view, block in ((gone, False), (None, True), (fake_house.lived_in([]), True)):
        house.view = view
        health = replace(house.health(), broker_connected=False)
        house.health = lambda told=health: told  # type: ignore[method-assign,misc]
        assert household.content(house, HERE)["broker_lost"] is block


def test_what_asks_for_flushing_is_said_once_and_leads_to_where_it_is_answered() -> None:
    fault = Fault("flush_after_absence", "outlets", fake_house.NOW, "warning")
    view = replace(fake_house.lived_in([]), caution="flush_after_absence", faults=(fault,))
    said = _shown(view)
    assert said.count("flush every tap") == 1
    assert "stood unused" not in said
    hot = _shown(replace(view, caution="hotter_than_usual"))
    assert "stood unused" in hot, "the graver caution hides no fault"


def test_a_view_of_yesterday_is_dated() -> None:
    view = fake_house.lived_in([])
    assert _page(view)["asof"] == "16:49"
    assert _page(replace(view, at=fake_house.NOW - timedelta(days=1)))["asof"] == "yesterday 16:50"


def test_the_hours_ahead_are_as_many_as_the_plan_has() -> None:
    view = fake_house.lived_in([])
    assert "The next 48 hours" in _shown(view)
    plan = view.plan
    assert plan is not None
    half = {
        name: getattr(plan, name)[:48]
        for name in (
            "expected_use_l40",
            "import_per_kwh",
            "surplus_w",
            "price_estimated",
            "reserve_l40",
        )
    }
    day = replace(
        plan,
        grid=SlotGrid(plan.grid.start_s[:48], plan.grid.end_s[:48]),
        expected_l40=plan.expected_l40[:49],
        low_l40=plan.low_l40[:49],
        short_chance=plan.short_chance[:48],
        windows=plan.windows[:1],
        **half,
    )
    said = _shown(replace(view, plan=day))
    assert "The next 24 hours" in said
    assert "two days" not in said


def test_how_far_a_charge_goes_is_said_once() -> None:
    said = _shown(fake_house.lived_in([]))
    following = re.split("Later charges|The chargings", said.partition("Next:")[2])[0]
    assert following.count("tenths") == 2  # it charges to eight; with more it would be left out
    assert "heat pump, tomorrow 03:00 to 05:30" in following


@pytest.mark.parametrize("code", ["enough", "tight", "little_use", "no_source"])
def test_without_a_charge_ahead_nothing_is_said_twice(code: str) -> None:
    """Neither what there is to spare, which the first sentence has, nor what the prices lack."""
    view = fake_house.lived_in([])
    assert view.plan is not None
    facts = {"spare_l40": 47.0, "price_note": "feed_lost_last_known"}
    idle = replace(
        view.plan, windows=(), price_note="feed_lost_last_known", reason=Reason(code, facts)
    )
    said = _shown(replace(view, plan=idle))
    assert said.count(" spare.") == 1
    assert said.count("The price feed has failed") == 1
    assert (code == "enough") is ("No charging is planned: there is enough without." in said)
