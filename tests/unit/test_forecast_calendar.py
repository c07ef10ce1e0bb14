"""Slots on the local clock, long and short days, holidays and marked days."""

import datetime as dt
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from forecasting import calendar
from forecasting.types import Household

BERLIN = ZoneInfo("Europe/Berlin")


def moment(zone: ZoneInfo, *parts: int) -> int:
    return int(dt.datetime(*parts, tzinfo=zone).timestamp())


@pytest.mark.parametrize(
    ("zone", "minutes"),
    [
        ("Asia/Kathmandu", 30),
        ("Asia/Kathmandu", 60),
        ("Australia/Lord_Howe", 60),
        ("Asia/Kolkata", 60),
        ("Pacific/Chatham", 15),
        ("Europe/Berlin", 30),
    ],
)
def test_every_slot_begins_on_the_local_clock(zone, minutes):
    place = ZoneInfo(zone)
    now = moment(place, 2024, 4, 6, 22, 10)  # the southern zones leave summer time that night
    grid = calendar.grid(now, place, minutes, 48)
    for start in grid.start_s.tolist():
        local = dt.datetime.fromtimestamp(start, place)
        assert (local.hour * 60 + local.minute) % minutes == 0
    assert grid.start_s[0] <= now < grid.end_s[0]
    np.testing.assert_array_equal(grid.end_s[:-1], grid.start_s[1:])
    assert grid.end_s[-1] >= now + 48 * 3600


@pytest.mark.parametrize(
    ("day", "after", "hours"),
    [((2024, 3, 31), (2024, 4, 1), 23), ((2024, 10, 27), (2024, 10, 28), 25)],
)
def test_days_of_23_and_25_hours(day, after, hours):
    begin, end = moment(BERLIN, *day), moment(BERLIN, *after)
    grid = calendar.grid(begin, BERLIN, 30, hours)
    assert len(grid) == 2 * hours
    assert grid.end_s[-1] == end
    days, seconds = calendar.local_days(grid.start_s, BERLIN)
    assert len(set(days.tolist())) == 1
    assert seconds.max() == 23.5 * 3600


def test_wrong_slots_are_refused_with_a_reason():
    with pytest.raises(ValueError, match="must divide a day"):
        calendar.grid(0, BERLIN, 50, 24)
    with pytest.raises(ValueError, match="more than 0 hours"):
        calendar.grid(0, BERLIN, 30, 0)


def test_holidays_and_marked_days_behave_like_others():
    home = Household(country="DE", marked_days=((dt.date(2024, 5, 10), 5),))
    days = [
        dt.date(2024, 5, 8), dt.date(2024, 5, 9), dt.date(2024, 5, 10), dt.date(2024, 5, 11),
    ]  # fmt: skip
    numbers = np.array([(d - dt.date(1970, 1, 1)).days for d in days])
    # Ascension Day 2024 fell on Thursday 9 May, a public holiday in all of Germany
    assert calendar.like_day(numbers, home).tolist() == [2, 6, 5, 5]
    assert calendar.like_day(numbers, Household()).tolist() == [2, 3, 4, 5]


def test_a_week_ends_with_the_weekend_of_the_country():
    """Friday and Saturday in Egypt and Israel, Sunday a working day: common practice, no source."""
    monday = (dt.date(2024, 5, 13) - dt.date(1970, 1, 1)).days
    week = np.arange(monday, monday + 7)
    for country, turn in (("DE", 0), ("", 0), ("EG", 1), ("IL", 1)):
        assert calendar.week_turn(country) == turn
    assert calendar.like_day(week, Household(country="EG")).tolist() == [1, 2, 3, 4, 5, 6, 0]
    marked = Household(country="EG", marked_days=((dt.date(2024, 5, 13), 5),))
    assert calendar.like_day(week, marked)[0] == 6
    # Sham el-Nessim, the Monday after the Coptic Easter of 5 May 2024 (from memory).
    assert calendar.like_day(week[:1] - 7, Household(country="EG")).tolist() == [6]
