"""What pages say: moments in the home's zone, facts by their units, codes in words."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from service.control.detectors import DETECTORS
from service.control.types import Fault, Override, Rule, Wish
from service.pages import care, fault_words, household, sentences, words
from service.pages.local import Local, chance, days_long, duration, figure, in_words, price_figure
from service.scheduling import reasons
from service.scheduling.types import Reason, Window
from tests.browser import fake_house

ROOT = Path(__file__).parents[2]
NOW = datetime(2026, 11, 25, 16, 50, tzinfo=UTC)
DUBLIN = Local(ZoneInfo("Europe/Dublin"), "EUR", NOW)
KATHMANDU = Local(ZoneInfo("Asia/Kathmandu"), "NPR", NOW)  # 5 h 45 min ahead of UTC


def test_moments_are_told_in_the_homes_zone_and_seen_from_now():
    six = datetime(2026, 11, 26, 6, 0, tzinfo=UTC)
    assert DUBLIN.moment(six) == "tomorrow 06:00"
    assert KATHMANDU.moment(six) == "tomorrow 11:45"
    assert KATHMANDU.moment(NOW + timedelta(hours=2)) == "tomorrow 00:35"
    assert DUBLIN.moment(NOW - timedelta(days=1)) == "yesterday 16:50"
    assert DUBLIN.moment(NOW + timedelta(days=3)) == "Saturday 16:50"
    assert DUBLIN.moment(NOW + timedelta(days=20)) == "Tue 15 Dec 16:50"
    assert DUBLIN.moment(NOW + timedelta(days=60)) == "Sun 24 Jan 2027 16:50"


def test_the_hour_that_comes_twice_is_told_apart():
    first = datetime(2026, 10, 25, 0, 30, tzinfo=UTC)  # Irish summer time ends at 01:00 UTC
    assert DUBLIN.clock(first) == "01:30 IST"
    assert DUBLIN.clock(first + timedelta(hours=1)) == "01:30 GMT"
    assert DUBLIN.clock(first + timedelta(hours=2)) == "02:30"


def test_a_span_within_one_day_says_the_day_once():
    start = datetime(2026, 11, 26, 2, 0, tzinfo=UTC)
    assert DUBLIN.span(start, start + timedelta(hours=3)) == "tomorrow 02:00 to 05:00"
    assert DUBLIN.span(start, start + timedelta(hours=22)) == "tomorrow 02:00 to 00:00"
    assert DUBLIN.span(NOW, start) == "today 16:50 to tomorrow 02:00"


@pytest.mark.parametrize(
    ("hours", "said"),
    [
        (2, "this evening"),
        (6, "tonight"),
        (10, "tonight"),
        (14, "tomorrow morning"),
        (20, "tomorrow midday"),
        (60, "early on Saturday"),  # 04:50; Saturday night is the one that follows Saturday
        (78, "Saturday night"),
    ],
)
def test_the_part_of_the_day_is_named_as_people_name_it(hours: float, said: str):
    assert DUBLIN.part_of_day(NOW + timedelta(hours=hours)) == said


def test_the_night_that_is_now_is_tonight():
    early = Local(DUBLIN.zone, DUBLIN.currency, NOW - timedelta(hours=15))  # before two
    assert early.part_of_day(NOW - timedelta(hours=14)) == "tonight"


def test_lengths_numbers_and_money():
    nb = "\u00a0"
    assert duration(40) == f"40{nb}s"
    assert duration(3600) == f"1{nb}h"
    assert duration(12_000) == f"3{nb}h 20{nb}min"
    assert duration(5 * 86400) == f"5{nb}days"
    assert figure(-0.4) == "0"
    assert figure(-2.5, 1) == "\u22122.5"
    assert DUBLIN.money(-0.314) == "EUR\u00a0\u22120.31"
    assert KATHMANDU.price(9.5) == "NPR\u00a09.50 per kWh"
    assert [price_figure(p) for p in (0.30, 0.145, -0.02)] == ["0.30", "0.145", "\u22120.02"]
    assert in_words(1) == "one tenth"
    assert in_words(10) == "ten tenths"


def test_facts_are_written_by_the_unit_in_their_name():
    nb = "\u00a0"

    def said(name: str, value: float | str | None) -> str:
        return words.fact(name, value, DUBLIN)

    assert said("spare_l40", 43.4) == f"43{nb}L"
    assert said("hottest_c", 58.26) == f"58.3{nb}\u00b0C"
    assert said("held_s", 1800) == f"30{nb}min"
    assert said("at", int(NOW.timestamp()) + 3600) == "today 17:50"
    assert said("until", "2026-11-26T06:00+00:00") == "tomorrow 06:00"
    assert said("target_tenths", 7) == "seven tenths"
    assert said("import_per_kwh", 0.145) == "EUR\u00a00.145 per kWh"
    assert said("short_chance", 0.05) == "about 1 in 20"
    assert said("source", "heat_pump") == "heat pump"
    assert said("probe", None) == "not known"


def test_a_sentence_falls_back_when_a_fact_is_missing():
    table = {"x": ("With {spare_l40}.", "Without.")}
    assert words.spoken("x", table, {"spare_l40": 10}, DUBLIN) == "With 10\u00a0L."
    assert words.spoken("x", table, {}, DUBLIN) == "Without."
    assert words.spoken("x", table, {"spare_l40": None}, DUBLIN) == "Without."
    assert (
        words.spoken("new_code", table, {"spare_l40": 10}, DUBLIN) == "New code (spare 10\u00a0L)."
    )


def test_the_lead_says_what_matters_next():
    facts = {"at": NOW.timestamp() + 7200, "expected_l40": 150, "usable_l40": 201, "spare_l40": 43}
    said = words.lead(Reason("enough_for_next", facts), DUBLIN)
    assert said == "Enough for this evening, about 40\u00a0L to spare."
    short = words.lead(Reason("short_for_next", {**facts, "usable_l40": 88}), DUBLIN)
    assert short.startswith("It may run short this evening: about 80\u00a0L")


def test_nothing_is_ever_said_as_a_percentage():
    for table in (sentences.LEADS, sentences.DECISIONS, sentences.CAUTIONS):
        for said in table.values():
            assert not any("%" in s or "percent" in s for s in said)
    assert chance(0.03) == "about 1 in 33"
    assert "%" not in chance(0.9)
    assert [chance(p) for p in (0.011, 0.009)] == ["about 1 in 91", "hardly any"]
    facts = {
        "target_tenths": 8,
        "use_from_s": NOW.timestamp() + 7200,
        "use_until_s": NOW.timestamp() + 9000,
        "use_l40": 96.0,
        "short_chance": 0.2,
        "short_without": 0.31,
        "short_with": 0.002,
    }
    for code in reasons.FACTS:
        assert "%" not in words.plan_reason(Reason(code, facts), DUBLIN), code
    said = words.plan_reason(Reason("only_time", facts), DUBLIN)
    assert "the chance of running short falls from about 1 in 3 to hardly any" in said
    sure = words.plan_reason(Reason("only_time", facts | {"short_without": 0.9}), DUBLIN)
    assert "falls from more than 1 in 2 to hardly any" in sure


def test_next_to_nothing_is_not_told_as_about_nothing():
    at = NOW.timestamp() + 7200
    for code, facts, said in (
        ("enough_for_next", {"spare_l40": 3}, "Enough for this evening, hardly any to spare."),
        ("charge_known_habits_not_yet", {"usable_l40": 4}, "Hot water now: hardly any"),
        (
            "short_for_next",
            {"usable_l40": 2, "expected_l40": 40},
            "It may run short this evening: hardly any can be counted on, and about 40\u00a0L are",
        ),
        (
            "probably_enough_for_next",
            {"usable_l40": 0, "likely_l40": 252},
            "Probably enough for this evening: about 250\u00a0L are likely, of which hardly any",
        ),
    ):
        assert words.lead(Reason(code, {"at": at, **facts}), DUBLIN).startswith(said)


def test_the_chance_of_running_short_in_a_day_is_that_of_all_its_uses():
    """Twelve uses with a chance of 0.8 % each: 1 - 0.992^12 = 9.2 %, about 1 in 11."""
    plan = fake_house.plan_of(fake_house.typical_week([]))[0]
    doubt = np.zeros(len(plan.grid))
    doubt[10:22] = 0.008
    doubt[16] = 0.0081
    said = household.short(replace(plan, short_chance=doubt), DUBLIN)
    assert "about 1 in 11" in said
    assert "tomorrow 00:30" in said
    doubt[:] = 0.0
    doubt[60] = 0.5  # on the day after
    none = household.short(replace(plan, short_chance=doubt), DUBLIN)
    assert "hardly any chance of running short" in none


@pytest.mark.parametrize(
    ("litres", "said"),
    [
        (0.0, "less than one shower"),
        (49.9, "less than one shower"),
        (50.0, "one shower"),
        (169.0, "3 showers"),
        (170.0, "3 showers, or one bath"),
        (345.0, "6 showers, or 2 baths"),
    ],
)
def test_litres_are_counted_as_whole_showers_and_baths(litres: float, said: str):
    assert household.counted(litres) == said


def test_overrides_say_what_until_when_and_by_whom():
    guests = Override(
        1, Wish.GUESTS, "Ines", NOW, NOW + timedelta(days=1), NOW + timedelta(days=2), people=1.0
    )
    assert words.override(guests) == "Guests: 1 more person"
    assert words.override_span(guests, DUBLIN) == (
        "from tomorrow 16:50 until Friday 16:50, asked by Ines"
    )
    hold = Override(2, Wish.HOLD, "Ines", NOW, NOW, None)
    assert words.override_span(hold, DUBLIN) == "until a person ends it, asked by Ines"
    here = replace(hold, author="local")
    assert words.override_span(here, DUBLIN).endswith("asked by somebody at this computer")
    held = Reason("hold", {"by": "mqtt", "since": "2026-11-25T16:00+00:00"})
    assert words.lead(held, DUBLIN).startswith("Held for maintenance by the home automation since")
    for wish in (Wish.MORE, Wish.LESS, Wish.CHARGE_TO, Wish.GUESTS, Wish.AWAY, Wish.HOLD):
        made = Override(1, wish, "Ines", NOW, NOW, None, tenths=6, people=2.0)
        assert "_" not in words.override(made)


def test_every_rule_has_a_name():
    assert set(sentences.RULES) == set(Rule)


def test_every_fault_that_can_be_found_is_said_with_a_remedy():
    for detector in DETECTORS:
        told = fault_words.fault(Fault(detector.code, "top_pocket", NOW, detector.severity), DUBLIN)
        assert told.title.endswith(".")
        assert told.remedy
        assert "{" not in told.title + told.remedy
        assert detector.code not in told.title
        assert detector.code in fault_words.FAULTS, (
            "say what to do about it in service/pages/fault_words.py"
        )
    new = fault_words.fault(
        Fault("a_new_code", "top_pocket", NOW, "warning", {"held_s": 60}), DUBLIN
    )
    assert new.title == "A new code: top_pocket."
    assert new.evidence == (("Held", "60\u00a0s"),)


def _codes(path: Path, called: str) -> Iterator[str]:
    """The literal codes a module gives to ``called(...)`` as its first argument."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            given = node.args[0] if node.func.id == called and node.args else None
            if isinstance(given, ast.Constant) and isinstance(given.value, str):
                yield given.value


def test_every_reason_that_control_gives_has_words():
    spoken = set(sentences.DECISIONS) | set(sentences.LEADS) | set(sentences.COLD)
    given = {
        code for path in (ROOT / "service/control").glob("*.py") for code in _codes(path, "Reason")
    }
    assert given, "found no reasons: has control moved?"
    assert given - spoken == set()


def test_every_reason_that_a_plan_gives_has_words():
    for code in reasons.FACTS:
        said = words.decision_reason(Reason(code, {}), DUBLIN)
        assert said.endswith(".")
        assert "_" not in said
        assert "degC" not in said


@pytest.mark.parametrize(
    ("module", "table"),
    [
        ("service/control/view.py", sentences.LOSES),
        ("forecasting/draws.py", sentences.DEMAND_NOTES),
    ],
)
def test_every_loss_and_every_note_of_the_forecast_has_words(module: str, table: dict[str, str]):
    named = {
        node.args[0].value
        for node in ast.walk(ast.parse((ROOT / module).read_text()))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Attribute)
        and node.func.attr == "append"
        and isinstance(node.args[0], ast.Constant)
    }
    assert named
    assert named - set(table) == set()


def test_the_cautions_say_what_the_law_and_the_trade_want_said():
    said = " ".join(sentences.SAFETY)
    for part in (
        "scald",
        "Legionella",
        "comfort and cost only",
        "thermostats",
        "non-self-resetting",
        "relief valves",
        "mixing valves",
        "in series",
        "never be bridged",
        "licensed people",
        "local codes",
    ):
        assert part in said


def _window(start_s: float) -> Window:
    return Window(
        start_s=int(start_s),
        end_s=int(start_s) + 3000,
        source="heat_pump",
        target_l40=310.0,
        target_tenths=9,
        electricity_kwh=1.9,
        cost=0.3,
        from_surplus_kwh=0.0,
        purpose="charge",
        reason=Reason("as_late_as_possible", {}),
    )


@pytest.mark.parametrize(("minutes", "said"), [(-5, "since today 16:45"), (5, "from today 16:55")])
def test_a_charge_under_way_is_told_as_such(minutes: int, said: str):
    start_s = (NOW + timedelta(minutes=minutes)).timestamp()
    morning_s = (NOW + timedelta(hours=15)).timestamp()
    facts: dict[str, float | str | None] = {
        "at": morning_s,
        "target_tenths": 9,
        "window_start": start_s,
        "running": "pump" if minutes < 0 else None,
    }
    lead = words.lead(Reason("charging_before_next", facts), DUBLIN)
    assert lead == f"Not yet enough for tomorrow morning: charging to nine tenths {said}."
    begins = household._window(_window(start_s), DUBLIN)["begins"]
    assert begins == ("Now" if minutes < 0 else "Next")


def test_a_charge_whose_time_has_come_and_that_does_not_run_is_not_told_as_running():
    facts: dict[str, float | str | None] = {
        "at": (NOW + timedelta(hours=15)).timestamp(),
        "target_tenths": 9,
        "window_start": (NOW - timedelta(minutes=5)).timestamp(),
        "running": None,
        "waits_for": "minimum_rest",
    }
    held = words.lead(Reason("charging_before_next", facts), DUBLIN)
    assert held == (
        "Not yet enough for tomorrow morning: charging to nine tenths is held back by the minimum "
        "rest."
    )
    early = facts | {"running": "pump", "window_start": (NOW + timedelta(minutes=5)).timestamp()}
    assert words.lead(Reason("charging_before_next", early), DUBLIN) == (
        "Not yet enough for tomorrow morning: charging to nine tenths is under way."
    )
    idle = words.lead(Reason("charging_before_next", facts | {"waits_for": None}), DUBLIN)
    assert idle == "Not yet enough for tomorrow morning; charging is planned before."


@pytest.mark.parametrize("code", ["cannot_wait", "no_room_before"])
def test_one_price_is_never_called_cheaper_or_dearer_than_itself(code: str):
    facts = {
        "target_tenths": 8,
        "price_per_kwh": 0.32,
        "other_price_per_kwh": 0.3201,
        "other_start_s": (NOW + timedelta(hours=5)).timestamp(),
    }
    said = words.plan_reason(Reason(code, facts), DUBLIN)
    assert "dearer" not in said
    assert "cheaper" not in said
    assert "EUR\u00a00.32 per kWh a kWh makes more heat at" in said
    apart = words.plan_reason(Reason(code, facts | {"other_price_per_kwh": 0.25}), DUBLIN)
    assert "dearer" in apart or "cheaper" in apart


@pytest.mark.parametrize(("own", "said"), [(1.9, "all of its 1.9 kWh"), (0.8, "0.8 of its 1.9")])
def test_a_charge_that_the_sun_alone_makes_is_told_so(own: float, said: str):
    facts = {"target_tenths": 7, "surplus_kwh": own, "electricity_kwh": 1.92}
    assert f"Solar surplus covers {said}" in words.plan_reason(Reason("surplus", facts), DUBLIN)


def test_no_more_than_ten_tenths_are_spoken_of():
    facts = {"target_tenths": 9, "price_per_kwh": 0.16, "skip_above_tenths": 10.2}
    said = words.plan_reason(Reason("as_late_as_possible", facts), DUBLIN)
    assert "tenths at its start" not in said
    less = words.plan_reason(
        Reason("as_late_as_possible", {**facts, "skip_above_tenths": 7.4}), DUBLIN
    )
    assert "more than 7.4 tenths at its start" in less


def test_a_home_that_was_never_disinfected_is_not_in_order_yet():
    waiting = {"state": "waiting", "due_in_h": 20.0}
    assert (
        dict(words.hygiene({**waiting, "due_because": "interval"}, DUBLIN))["State"] == "In order"
    )
    first = dict(words.hygiene({**waiting, "due_because": "first"}, DUBLIN))
    assert first["State"] == "Not yet disinfected here"


@pytest.mark.parametrize(
    ("tenths", "source", "said"),
    [
        (10, "heat_pump", "Charges to 10 tenths, which is full."),
        (7, "immersion", "Charges to 7 tenths, the most the immersion heater can make."),
        (7, None, "Charges to 7 tenths."),
    ],
)
def test_seven_tenths_are_not_called_full(tenths: int, source: str | None, said: str):
    """An immersion heater halfway up leaves what is below it cold, however long it heats."""
    facts = {"target_tenths": tenths, "full": 1, "source": source}
    assert words.plan_reason(Reason("cheapest_before_use", facts), DUBLIN) == said


def test_a_temperature_in_a_reason_is_told_to_a_tenth():
    facts = {
        "set_c": 56.6438,
        "hold_s": 3600.0,
        "due_s": NOW.timestamp(),
        "ends_s": NOW.timestamp(),
        "target_tenths": 9,
    }
    said = words.plan_reason(Reason("disinfection_cheapest", facts), DUBLIN)
    assert "held at 56.6\N{NO-BREAK SPACE}°C for 60 minutes" in said


@pytest.mark.parametrize(
    "code", ["block_used_up", "drained", "minimum_rest", "water_runs", "will_not_call"]
)
def test_what_holds_a_charge_back_is_told_in_a_sentence(code: str):
    assert words.fact("waits_for", code, DUBLIN) == sentences.HELD_BACK[code]


def test_an_overdue_disinfection_says_when_cold_air_is_the_cause():
    def said(**facts: float) -> str:
        made = Fault(
            code="disinfection_overdue",
            subject="hygiene",
            severity="fault",
            since=NOW,
            facts={"due_s": NOW.timestamp()} | facts,
        )
        told = fault_words.fault(made, DUBLIN)
        return f"{told.title} {told.remedy}"

    assert said().startswith(
        f"The thermal disinfection is overdue: it was due {DUBLIN.moment(NOW)}."
    )
    assert "in the cold of that time nothing heated the water above 50.0\u00a0°C" in said(
        reaches_c=50.0, disinfect_c=60.0
    )
    assert "immersion heater" in said(reaches_c=50.0, disinfect_c=60.0)
    assert "cold" not in said()
    assert "It is done once it is warmer outside." in said(reaches_c=50.0, disinfect_c=60.0)
    assert "warmer" not in said()
    assert "find out what holds it back" in said()


def test_what_is_likely_is_said_beside_what_is_sure():
    facts = {"at": NOW.timestamp() + 7200, "expected_l40": 70, "usable_l40": 58, "likely_l40": 252}
    said = words.lead(Reason("probably_enough_for_next", facts), DUBLIN)
    assert said.startswith("Probably enough for this evening: about 250\u00a0L are likely")
    assert "of which about 50\u00a0L are seen for sure" in said


def test_few_sure_tenths_beside_many_litres_are_explained():
    said = household.unsure(1, 200.0, 400.0)
    assert said == "The probes leave much unseen: one tenth is sure, five tenths are likely."
    assert household.unsure(0, 100.0, 400.0).endswith("no tenths are sure, two tenths are likely.")
    assert household.unsure(4, 200.0, 400.0) == ""


def test_a_signals_name_is_written_as_the_homes_file_has_it():
    for code in ("signal_rare", "nonsense_readings", "signal_stale"):
        facts = {"apart_s": 900.0, "stale_after_s": 300.0}
        told = fault_words.fault(Fault(code, "probe_top", NOW, "warning", facts), DUBLIN)
        assert "probe_top" in told.title
        assert "Probe_top" not in told.title


@pytest.mark.parametrize(
    ("kind", "said"),
    [
        ("learn", "Ladle could not learn from the draws."),
        ("forecast", "Ladle could not forecast the draws."),
        ("plan", "Ladle could not plan."),
    ],
)
def test_work_that_failed_is_named_in_plain_words(kind: str, said: str):
    facts = {"message": "ValueError: no"}
    assert (
        fault_words.fault(Fault("work_failed", kind, NOW, "warning", facts), DUBLIN).title == said
    )


def test_watts_are_told_with_their_unit():
    told = words.evidence({"watts": 12, "usual_w": 1800}, DUBLIN)
    assert told == (("Electricity", "12\u00a0W"), ("Usual", "1800\u00a0W"))


@pytest.mark.parametrize(
    ("days", "said"), [(7, "7 days"), (1, "1 day"), (2.5, "2.5 days"), (7.0, "7 days")]
)
def test_a_number_of_days_is_told_as_it_was_set(days: float, said: str):
    assert days_long(days) == said.replace(" ", "\u00a0")


def test_nothing_is_called_in_order_before_anything_is_known():
    assert care._lead(None, {}, DUBLIN) == "Nothing is known yet."
    assert care._lead(0, {}, DUBLIN) == "Nothing is wrong."
