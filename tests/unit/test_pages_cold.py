"""Why was it cold? A draw-off that began hot and ran cold is found, and nothing is made up."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from adapters.types import Reading
from service.control.types import Draw, Override, Wish
from service.pages import cold
from service.pages.local import Local
from service.records.records import Records
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


def test_another_day_is_named_with_its_preposition(records: Records) -> None:
    house = fake_house.FakeHouse(fake_house.settings("Mill Lane"), fake_house.lived_in([]))
    local = Local(house.settings.wiring.zone_info, "EUR", fake_house.NOW)
    records.add_settings(HOME, house.settings.tunables, "file", fake_house.NOW)
    day = fake_house.NOW.date() - timedelta(days=3)
    page = cold.content(HOME, house, records, local, day)
    assert page["day_name"] == f"on {local.calendar(day)}"
    assert page["lead"] == f"No draw-offs worth the name on {local.calendar(day)}."
