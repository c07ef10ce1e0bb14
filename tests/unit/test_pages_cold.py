"""Why was it cold? A draw-off that began hot and ran cold is found, and nothing is made up."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from adapters.types import Reading
from forecasting.types import SlotGrid
from service.control.types import Decision, Draw, Fault, Override, Rule, Wish
from service.pages import cold
from service.pages.local import Local
from service.records.records import Records
from service.scheduling.types import Reason
from tests import records_samples as samples
from tests.browser import fake_house

HOME = "mill-lane"
START = fake_house.NOW - timedelta(hours=2)
HERE = Local(fake_house.settings("Mill Lane").wiring.zone_info, "EUR", fake_house.NOW)
KWH_PER_LITRE_KELVIN = 4.18 / 3600.0  # specific heat of water near 40 degC, kJ/(kg K), from memory


def shower(
    minutes_hot: float, minutes_cold: float, hot_c: float, cold_c: float, inlet_c: float = 10.6
) -> Draw:
    """Ten litres a minute, first hot and then cold, as a flow meter on the outlet counts it."""
    litres = 10.0 * (minutes_hot + minutes_cold)
    kwh = 10.0 * KWH_PER_LITRE_KELVIN
    kwh *= minutes_hot * (hot_c - inlet_c) + minutes_cold * (cold_c - inlet_c)
    end = START + timedelta(minutes=minutes_hot + minutes_cold)
    return Draw(
        START, end, litres, kwh, kwh / ((40.0 - inlet_c) * KWH_PER_LITRE_KELVIN), "flow_meter"
    )


@pytest.fixture
def records(tmp_path: Path) -> Iterator[Records]:
    opened = Records.open(f"sqlite:///{tmp_path}/ladle.sqlite")
    yield opened
    opened.close()


def told(records: Records, draw: Draw, top_c: tuple[float, ...] = ()) -> dict[str, object]:
    """The page after a draw-off; ``top_c`` is what the highest probe showed, minute by minute."""
    house = fake_house.FakeHouse(fake_house.settings("Mill Lane"), fake_house.lived_in([]))
    readings = []
    for minute, value in enumerate(top_c):
        at_s = START.timestamp() + 60.0 * minute
        for name, low_c in (("probe_top", 0.0), ("probe_low", 30.0)):
            readings.append(Reading(HOME, name, value - low_c, at_s, at_s, True, True))
    records.add_readings(HOME, readings)
    records.store(HOME, replace(fake_house.outputs(), draws=(draw,)))
    wiring = house.settings.wiring
    local = Local(wiring.zone_info, wiring.currency, fake_house.NOW)
    return cold.content(HOME, house, records, local, None)


def test_a_shower_that_ran_cold_is_found_though_its_mean_was_warm(records: Records) -> None:
    page = told(records, shower(7, 3, 50.0, 25.0), (50, 50, 50, 50, 50, 49, 46, 38, 30, 25))
    (draw,) = page["told"]
    assert draw.warmth == "about 43\u00a0°C, 25\u00a0°C at its end"
    assert draw.cold
    assert page["lead"] == "The one draw-off today came colder than wanted."


@pytest.mark.parametrize("inlet_c", [4.0, 10.6, 18.0])
def test_a_draw_off_is_as_warm_as_it_was_whatever_the_mains_are_today(
    records: Records, inlet_c: float
) -> None:
    """A winter's evening looked at in summer: its heat was counted above the mains of that day."""
    (draw,) = told(records, shower(10, 0, 36.0, 25.0, inlet_c))["told"]
    assert draw.warmth == "about 36\u00a0°C"
    assert draw.cold


def test_warmth_that_is_not_known_is_not_said_to_have_been_enough(records: Records) -> None:
    """A home without a flow meter, whose draws are read from the cooling of the cylinder."""
    unmetered = replace(shower(10, 0, 36.0, 25.0), measured_by="profile")
    page = told(records, unmetered)
    assert page["told"][0].warmth == "warmth not known"
    assert page["lead"] == "How warm the one draw-off today came is not known."
    later = timedelta(minutes=30)
    warm = shower(10, 0, 50.0, 25.0)
    page = told(records, replace(warm, start=warm.start + later, end=warm.end + later))
    assert page["lead"] == (
        "One draw-off today did not come colder than wanted. How warm one more came is not known."
    )


def test_it_says_when_no_reading_tells_how_a_draw_off_ended(records: Records) -> None:
    assert told(records, shower(10, 0, 50.0, 25.0))["ends_known"] is False


def test_a_shower_that_stayed_hot_is_left_in_peace(records: Records) -> None:
    page = told(records, shower(10, 0, 50.0, 25.0), (50,) * 10)
    (draw,) = page["told"]
    assert page["ends_known"]
    assert draw.warmth == "about 50\u00a0°C"
    assert not draw.cold
    assert page["lead"] == "The one draw-off today did not come colder than wanted."


@pytest.mark.parametrize(
    ("ahead", "said"),
    [(timedelta(seconds=0.3), "just before"), (timedelta(minutes=5), "5\u00a0min before")],
)
def test_what_had_been_decided_is_told_with_how_long_before(
    records: Records, ahead: timedelta, said: str
) -> None:
    draw = shower(10, 0, 50.0, 25.0)
    outputs = fake_house.outputs()
    decided = replace(samples.decision(), at=draw.start - ahead)
    records.store(HOME, replace(outputs, draws=(), decision=decided))
    (found,) = told(records, draw)["told"]
    assert found.decided == said


def test_the_end_is_told_where_it_alone_was_too_cold(records: Records) -> None:
    (draw,) = told(records, shower(10, 0, 40.0, 25.0), (*(41,) * 9, 38))["told"]
    assert draw.cold
    assert draw.warmth == "about 40\u00a0°C, 38\u00a0°C at its end"


def test_what_is_read_as_the_water_stops_tells_how_it_ended(records: Records) -> None:
    """A meter's last litres and the outlet's temperature come with one stamp, each minute."""
    (draw,) = told(records, shower(9, 1, 50.0, 38.0), (*(50,) * 10, 38))["told"]
    assert draw.cold
    assert draw.warmth == "about 49\u00a0°C, 38\u00a0°C at its end"


def test_without_readings_the_mean_decides(records: Records) -> None:
    (draw,) = told(records, shower(2, 8, 50.0, 30.0))["told"]
    assert draw.warmth == "about 34\u00a0°C"
    assert draw.cold


def test_no_warmth_is_made_up_for_a_draw_that_no_meter_saw(records: Records) -> None:
    unmetered = replace(shower(10, 0, 40.0, 25.0), measured_by="profile")
    (draw,) = told(records, unmetered)["told"]
    assert draw.warmth == "warmth not known"
    assert not draw.cold


def test_a_mistyped_day_is_no_error(records: Records) -> None:
    house = fake_house.FakeHouse(fake_house.settings("Mill Lane"), fake_house.lived_in([]))
    local = Local(house.settings.wiring.zone_info, "EUR", fake_house.NOW)
    records.add_settings(HOME, house.settings.tunables, "configuration file", fake_house.NOW)
    for day in (date.min, date.max):
        assert cold.content(HOME, house, records, local, day)["told"] == []


def test_what_people_had_asked_for_that_day_is_told(records: Records) -> None:
    """A household that was away, or held the plant, is why it was cold; the plan is not."""
    records.add_settings(HOME, fake_house.settings("Mill Lane").tunables, "file", fake_house.NOW)
    day = timedelta(days=1)
    for wish, since, until in (
        (Wish.AWAY, -3 * day, day),
        (Wish.MORE, -9 * day, -8 * day),
        (Wish.LESS, -1 * day / 24, day / 24),
    ):
        made = fake_house.NOW + since
        draft = Override(0, wish, "Anna", made, made, fake_house.NOW + until)
        kept = records.add_override(HOME, draft)
    records.end_override(HOME, kept.id, fake_house.NOW, "Ben")
    away, less = told(records, shower(2, 8, 50.0, 30.0))["wishes"]
    assert away.startswith(f"Nobody at home, since {HERE.moment(fake_house.NOW - 3 * day)}, until")
    assert "Anna" in away
    assert less.startswith("One tenth less than planned, ")
    assert less.endswith(" by Ben")


def _decided(rule: Rule, code: str, ago: timedelta, **inputs: Any) -> Decision:
    return Decision(START - ago, rule, Reason(code, {}), (), inputs)


def _said(records: Records, **named: Any) -> list[str]:
    """What the page names as the causes of a shower that ran cold."""
    settings = fake_house.settings("Mill Lane")
    assert settings.wiring.heat_pump is not None
    pump = settings.wiring.heat_pump.model_copy(update=named.pop("pump", {}))
    settings = settings.model_copy(
        update={"wiring": settings.wiring.model_copy(update={"heat_pump": pump})}
    )
    house = fake_house.FakeHouse(settings, fake_house.lived_in([]))
    tunables = house.settings.tunables.model_copy(update=named.pop("tunables", {}))
    records.add_settings(HOME, tunables, "file", START - timedelta(days=9))
    for wish in named.pop("wishes", ()):
        kept = records.add_override(HOME, wish)
        if wish.ended_at:
            records.end_override(HOME, kept.id, wish.ended_at, "Ben")
    for decision in named.pop("decisions", ()):
        records.store(HOME, replace(fake_house.outputs(), draws=(), decision=decision))
    expected = named.pop("expected_l40", 60.0)
    made_s = int(START.timestamp()) - 7200
    per_slot = replace(
        samples.forecast(made_s, slots=8),
        grid=SlotGrid(made_s + 1800 * np.arange(8), made_s + 1800 * np.arange(1, 9)),
        expected_l40=np.array([0.0] * 4 + [expected] + [0.0] * 3),
    )
    wanted = named.pop("draw", shower(2, 8, 50.0, 15.0))
    made = replace(fake_house.outputs(), forecast_made=per_slot, **named)
    records.store(HOME, replace(made, draws=(*named.get("draws", ()), wanted), decision=None))
    local = Local(house.settings.wiring.zone_info, "EUR", fake_house.NOW)
    page = cold.content(HOME, house, records, local, None)
    return [cause.what for cause in page["told"][-1].causes]


DEAD = Fault("command_without_effect", "heat_pump", START - timedelta(hours=5), "fault")
STUCK = Fault("probe_stuck", "probe_top", START + timedelta(hours=1), "warning")
HOUR, MINUTE = timedelta(hours=1), timedelta(minutes=1)


def _wish(wish: Wish, until: timedelta | None, ended: timedelta | None = None) -> Override:
    made = START - 30 * HOUR
    end = None if until is None else START + until
    return Override(
        0, wish, "Anna", made, made, end, ended_at=None if ended is None else START + ended
    )


def _earlier(litres_l40: float) -> Draw:
    before = shower(10, 0, 50.0, 50.0)
    start = START - 30 * MINUTE
    return replace(before, start=start, end=start + 10 * MINUTE, litres_40c=litres_l40)


@pytest.mark.parametrize(
    ("named", "said"),
    [
        (
            {"expected_l40": 10.0, "draws": (_earlier(120.0),)},
            "by this household's habits about 10\u00a0L were expected then.",
        ),
        ({"draws": (_earlier(300.0),)}, "the cylinder holds 279\u00a0L when it is full."),
        ({"wishes": (_wish(Wish.HOLD, None),)}, "A maintenance hold by Anna had stood since"),
        (
            {"wishes": (_wish(Wish.AWAY, 9 * HOUR, -HOUR),)},
            "by Anna, so no charge was kept; it was ended only today",
        ),
        ({"wishes": (_wish(Wish.AWAY, 9 * HOUR),)}, "by Anna, so no charge was kept."),
        ({"wishes": (_wish(Wish.LESS, HOUR),)}, "The household had asked for less, by 1 in ten"),
        ({"faults": (DEAD,)}, "The heat pump was asked to heat and does not. Noticed today"),
        ({"faults": (STUCK,)}, "The probe probe_top is stuck at one value. Noticed only after"),
        (
            {"decisions": (_decided(Rule.FAIL_SAFE, "readings_stale", 3 * HOUR),)},
            "Ladle had let go for 3\u00a0h of the twelve hours before, since",
        ),
        (
            {"tunables": {"quiet_from": "13:30", "quiet_until": "17:00"}},
            "The heat pump does not heat in its quiet hours, 13:30 to 17:00.",
        ),
        (
            {"decisions": (_decided(Rule.PLAN, "tight", HOUR, waits_for="power_limit"),)},
            "Heating was held back for 1\u00a0h of the twelve hours before by the power limit.",
        ),
        (
            {"decisions": (_decided(Rule.PLAN, "tight", 9 * MINUTE, running="heat_pump_call"),)},
            "Heating had begun only 9\u00a0min before",
        ),
        ({"tunables": {"comfort": "thrifty"}}, "Comfort is set to thrifty, which accepts"),
        ({}, "Nothing on record explains it."),
    ],
)
def test_the_cause_of_a_cold_draw_off_is_named_with_its_figures(
    records: Records, named: dict[str, Any], said: str
) -> None:
    causes = _said(records, **named)
    assert said in causes[0]
    assert len(causes) == 1


def test_a_charge_that_mixed_what_was_hot_is_not_said_to_have_begun_too_late(
    records: Records,
) -> None:
    """With enough there when it began, no earlier beginning and no reserve would have helped."""

    def begun(pump: dict[str, float], charge_l40: int) -> str:
        runs = {"running": "heat_pump_call", "charge_l40": charge_l40}
        decided = _decided(Rule.PLAN, "tight", 9 * MINUTE, **runs)
        return _said(records, decisions=(decided,), pump=pump)[0]

    fixed = {"charging_pump_l_per_min": 15.0}
    said = begun(fixed, 220)
    assert said.startswith("A charge had begun 9\u00a0min before")
    assert (
        "with 220\u00a0L at 40\u00a0°C in the cylinder: a charging pump of fixed flow mixes" in said
    )
    assert begun(fixed, 30).startswith("Heating had begun only 9\u00a0min before")
    assert begun({}, 220).startswith("Heating had begun only 9\u00a0min before")


def test_heating_is_told_from_when_it_began_and_not_from_its_last_reason(records: Records) -> None:
    """What a run is for may change while it runs, and the immersion heater may join it."""
    began = _decided(Rule.PLAN, "tight", 50 * MINUTE, running="heat_pump_call")
    other = _decided(Rule.OVERRIDE, "more", 9 * MINUTE, running="heat_pump_call")
    joined = _decided(Rule.OVERRIDE, "more", 2 * MINUTE, running="heat_pump_call, immersion")
    (only,) = _said(records, decisions=(began, other, joined))
    assert only.startswith("Heating had begun only 50\u00a0min before")


def test_what_kept_heat_away_is_named_before_how_much_was_drawn(records: Records) -> None:
    """Three baths, out of a cylinder that nothing had heated since the night."""
    first, second = _said(records, faults=(DEAD,), draws=(_earlier(300.0),))
    assert "does not" in first
    assert "when it is full" in second


BEGUN = _decided(Rule.PLAN, "tight", 20 * MINUTE, running="heat_pump_call")
KNEW: dict[str, Any] = {"decisions": (BEGUN,), "tunables": {"comfort": "thrifty"}}
MORE: dict[str, Any] = {**KNEW, "expected_l40": 10.0, "draws": (_earlier(120.0),)}


@pytest.mark.parametrize(
    ("kept_away", "said"),
    [
        ({"faults": (DEAD,)}, "The heat pump was asked to heat and does not."),
        ({"faults": (replace(DEAD, code="tap_left_open", subject="flow"),)}, "Water has been"),
        ({"wishes": (_wish(Wish.HOLD, None, -30 * MINUTE),)}, "A maintenance hold by Anna stood"),
        ({"wishes": (_wish(Wish.AWAY, 9 * HOUR),)}, "An absence until"),
    ],
)
def test_where_no_heat_was_to_be_had_no_advice_is_given_to_pay_for_more(
    records: Records, kept_away: dict[str, Any], said: str
) -> None:
    """A larger reserve holds nothing while the source is dead, held or left off for an absence."""
    (only,) = _said(records, **MORE, **kept_away)
    assert only.startswith(said)


GUESTS = replace(_wish(Wish.GUESTS, 9 * HOUR), people=2.0)


def test_guests_that_were_said_are_not_to_be_said(records: Records) -> None:
    """Two guests had been announced the day before, and drew more than two."""
    named: dict[str, Any] = {"expected_l40": 30.0, "draws": (_earlier(120.0),)}
    (only,) = _said(records, **named, wishes=(GUESTS,))
    assert "with the guests counted in about 30\u00a0L were expected then." in only


def test_guests_in_a_home_that_is_away_are_not_said_to_have_had_no_charge(
    records: Records,
) -> None:
    (only,) = _said(records, wishes=(GUESTS, _wish(Wish.AWAY, 9 * HOUR)))
    assert only.startswith("An absence until")
    assert only.endswith("so a charge was kept for the guests alone.")


def test_beyond_a_full_cylinder_no_larger_reserve_is_advised(records: Records) -> None:
    (only,) = _said(records, **{**KNEW, "draws": (_earlier(300.0),)})
    assert "when it is full" in only


@pytest.mark.parametrize(
    "past",
    [
        replace(DEAD, subject="immersion"),
        replace(DEAD, since=START - 11 * HOUR, cleared_at=START - 9 * HOUR),
    ],
)
def test_a_fault_that_left_the_heat_to_the_other_source_or_was_made_good_hides_nothing(
    records: Records, past: Fault
) -> None:
    fault, begun, accepted = _said(records, **KNEW, faults=(past,))
    assert "does not" in fault
    assert begun.startswith("Heating had begun only 20")
    assert accepted.startswith("Comfort is set to thrifty")


def test_a_hold_of_some_minutes_is_no_cause(records: Records) -> None:
    """An installer's visit of ten minutes in the morning; the shower ran cold in the evening."""
    short = replace(_wish(Wish.HOLD, None, -9 * HOUR), since=START - 9 * HOUR - 10 * MINUTE)
    (only,) = _said(records, wishes=(short,))
    assert only == "Nothing on record explains it."


def test_an_absence_that_ended_as_announced_is_no_cause(records: Records) -> None:
    """The plan knew when somebody would be back, and had the time to charge."""
    (only,) = _said(records, wishes=(_wish(Wish.AWAY, -HOUR),))
    assert only == "Nothing on record explains it."


def test_a_service_that_was_off_is_named(records: Records) -> None:
    for from_, until in ((-20 * HOUR, -6 * HOUR), (-2 * HOUR, HOUR)):
        records.import_draws(HOME, (), START + from_, START + until)
    (only,) = _said(records)
    assert only.startswith("Ladle was off, or heard nothing, from")


@pytest.mark.parametrize(
    ("valve_c", "said"),
    [(48.0, "That is how warm it left the cylinder."), (38.0, "the mixing valve is set to 38")],
)
def test_where_the_cylinder_gave_hot_water_the_way_to_the_tap_is_named(
    records: Records, valve_c: float, said: str
) -> None:
    plain = fake_house.settings("Mill Lane")
    built = plain.wiring.cylinder.model_copy(update={"mixing_valve_c": valve_c})
    settings = plain.model_copy(
        update={"wiring": plain.wiring.model_copy(update={"cylinder": built})}
    )
    house = fake_house.FakeHouse(settings, fake_house.lived_in([]))
    records.store(HOME, replace(fake_house.outputs(), draws=(shower(10, 0, 50.0, 50.0),)))
    page = cold.content(HOME, house, records, HERE, None)
    assert page["lead"] == "The one draw-off today did not come colder than wanted."
    assert said in page["tap"]


def test_another_day_is_named_with_its_preposition(records: Records) -> None:
    house = fake_house.FakeHouse(fake_house.settings("Mill Lane"), fake_house.lived_in([]))
    local = Local(house.settings.wiring.zone_info, "EUR", fake_house.NOW)
    records.add_settings(HOME, house.settings.tunables, "file", fake_house.NOW)
    day = fake_house.NOW.date() - timedelta(days=3)
    page = cold.content(HOME, house, records, local, day)
    assert page["day_name"] == f"on {local.calendar(day)}"
    assert page["lead"] == f"No draw-offs worth the name on {local.calendar(day)}."
