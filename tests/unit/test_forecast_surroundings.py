"""Cold inlet, outdoor temperature and PV surplus: learned, kept, replaced by a feed."""

import datetime as dt
import json
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from forecasting import calendar, surroundings
from forecasting.sun import (
    Place,
    clear_sky_w_per_m2,
    height_deg,
    place_of_zone,
    sun_height_deg,
)
from forecasting.types import Measured, Surroundings

ZONE = ZoneInfo("Europe/Berlin")
HERE = Place(50.0, 8.0)
DAY = 86_400


def moment(month: int, day: int, year: int = 2024) -> int:
    return int(dt.datetime(year, month, day, tzinfo=ZONE).timestamp())


def year_of(begin: int, days: int, cloud: np.ndarray) -> Measured:
    start = np.arange(begin, begin + days * DAY, 1800, dtype=np.int64)
    age = (start - begin) / DAY
    sky = clear_sky_w_per_m2(sun_height_deg(start + 900, HERE))
    surplus = np.maximum(3.0 * sky * cloud[age.astype(int)] - 400.0, 0.0)
    season = np.cos(2 * np.pi * (start / DAY % 365.2425 - 40) / 365.2425)
    outdoor = 9.0 - 8.0 * season + 3.0 * np.cos(2 * np.pi * (age % 1 - 15 / 24))
    return Measured(start, 14.0 - 4.0 * season, outdoor, surplus)


@pytest.fixture(scope="module")
def spring():
    begin = moment(1, 1)
    cloud = np.random.default_rng(3).choice([0.25, 0.6, 1.0], 150)
    return surroundings.learn(year_of(begin, 150, cloud), ZONE, begin + 150 * DAY, HERE)


def test_without_readings_the_start_values_say_so():
    empty = Measured(np.zeros(0, np.int64), *(np.zeros(0) for _ in range(3)))
    now = moment(1, 20)
    model = surroundings.learn(empty, ZONE, now)
    out = surroundings.forecast(model, calendar.grid(now, ZONE, 30, 48), now)
    assert dict(out.sources) == dict.fromkeys(("cold_inlet", "outdoor", "surplus"), "default")
    assert out.surplus_w.max() == 0
    assert 6 < out.cold_inlet_c.mean() < 10  # SAP 10.2 Table J1: 8.0 degC in January


def test_the_inlet_follows_the_season_of_this_home(spring):
    now = moment(1, 1) + 150 * DAY
    out = surroundings.forecast(spring, calendar.grid(now, ZONE, 60, 48), now)
    season = np.cos(2 * np.pi * (now / DAY % 365.2425 - 40) / 365.2425)
    assert out.cold_inlet_c == pytest.approx(14.0 - 4.0 * season, abs=0.4)


def test_outdoor_temperature_has_its_swing(spring):
    now = moment(1, 1) + 150 * DAY
    out = surroundings.forecast(spring, calendar.grid(now, ZONE, 30, 24), now)
    assert np.ptp(out.outdoor_c) == pytest.approx(6.0, abs=1.0)
    assert int(np.argmax(out.outdoor_c)) in range(27, 35)


def test_surplus_follows_the_sun_and_is_nothing_at_night(spring):
    now = moment(1, 1) + 150 * DAY
    grid = calendar.grid(now, ZONE, 30, 24)
    out = surroundings.forecast(spring, grid, now)
    night = sun_height_deg((grid.start_s + grid.end_s) // 2, HERE) < 0
    assert out.surplus_w[night].max() == 0
    mean_cloud = 0.62
    sky = clear_sky_w_per_m2(sun_height_deg(grid.start_s + 900, HERE))
    expected = np.maximum(3.0 * sky * mean_cloud - 400.0, 0.0).sum()
    assert out.surplus_w.sum() == pytest.approx(expected, rel=0.35)


def test_remembered_heights_are_those_of_their_own_place_and_moment():
    at_s = moment(6, 21) + np.arange(0, 100 * DAY, 1800)  # more than are remembered
    there = Place(-33.9, 151.2)
    first = [sun_height_deg(at_s, place) for place in (HERE, there)]
    for place, known in zip((HERE, there), first, strict=True):
        again = [height_deg.__wrapped__(s, place) for s in at_s[::97].tolist()]
        assert sun_height_deg(at_s, place).tolist() == known.tolist()
        assert known[::97].tolist() == again
    assert height_deg.cache_info().currsize <= 4096 < 2 * len(at_s)


def test_a_sunny_day_is_carried_into_the_next_one():
    begin, now = moment(5, 1), moment(5, 1) + 30 * DAY
    totals = []
    for last in (0.2, 1.0):
        cloud = np.append(np.tile([0.2, 1.0], 15)[:29], last)
        model = surroundings.learn(year_of(begin, 30, cloud), ZONE, now, HERE)
        out = surroundings.forecast(model, calendar.grid(now, ZONE, 30, 24), now)
        totals.append(out.surplus_w.sum())
    assert totals[1] > 1.15 * totals[0]


def test_a_feed_takes_over_where_it_reaches(spring):
    now = moment(1, 1) + 150 * DAY
    grid = calendar.grid(now, ZONE, 30, 24)
    half = calendar.grid(now, ZONE, 60, 12)
    fed = Surroundings(half, np.full(12, np.nan), np.full(12, -5.0), np.full(12, 111.0), sources=())
    out = surroundings.forecast(spring, grid, now, fed)
    own = surroundings.forecast(spring, grid, now)
    np.testing.assert_array_equal(out.outdoor_c[:24], -5.0)
    np.testing.assert_array_equal(out.outdoor_c[24:], own.outdoor_c[24:])
    np.testing.assert_array_equal(out.cold_inlet_c, own.cold_inlet_c)
    assert dict(out.sources) == {"cold_inlet": "learned", "outdoor": "feed", "surplus": "feed"}


def test_the_model_survives_json_and_nightly_updates(spring):
    again = surroundings.AroundModel.from_plain(json.loads(json.dumps(spring.to_plain())))
    now = moment(1, 1) + 150 * DAY
    grid = calendar.grid(now, ZONE, 30, 24)
    one = surroundings.forecast(spring, grid, now)
    two = surroundings.forecast(again, grid, now)
    np.testing.assert_allclose(one.cold_inlet_c, two.cold_inlet_c, atol=1e-2)
    np.testing.assert_allclose(one.surplus_w, two.surplus_w)
    cloud = np.random.default_rng(3).choice([0.25, 0.6, 1.0], 150)
    whole = year_of(moment(1, 1), 150, cloud)
    part = Measured(*(getattr(whole, n)[: 149 * 48] for n in Measured.__dataclass_fields__))
    nightly = surroundings.update(surroundings.learn(part, ZONE, now - DAY, HERE), whole, None)
    assert len(nightly.inlet_c) in (149, 150)


def test_raw_readings_become_half_hours():
    at = np.array([0, 600, 1800, 5000])
    out = surroundings.half_hours(0, {"outdoor_c": (at, np.array([1.0, 3.0, 5.0, np.nan]))}, 5400)
    np.testing.assert_array_equal(out.outdoor_c, [2.0, 5.0, np.nan])
    assert np.isnan(out.surplus_w).all()


def test_zones_without_a_town_have_a_place():
    assert place_of_zone(ZoneInfo("UTC")) == Place(50.0, 0.0)


def test_the_sky_of_the_morning_goes_on_till_night():
    begin, midnight = moment(5, 1), moment(5, 1) + 30 * DAY
    model = surroundings.learn(year_of(begin, 30, np.full(30, 0.8)), ZONE, midnight, HERE)
    now = midnight + 11 * 3600
    grid = calendar.grid(now, ZONE, 30, 36)
    totals = []
    for cloud in (0.2, 0.8):
        whole = year_of(midnight, 1, np.full(1, cloud))
        morning = Measured(*(getattr(whole, n)[:22] for n in Measured.__dataclass_fields__))
        out = surroundings.forecast(model, grid, now, recent=morning)
        totals.append((out.surplus_w[:26].sum(), out.surplus_w[26:].sum()))
    as_usual = surroundings.forecast(model, grid, now)
    assert totals[0][0] < 0.45 * totals[1][0], "a dull morning makes a dull afternoon"
    assert totals[1][0] == pytest.approx(as_usual.surplus_w[:26].sum(), rel=0.15)
    assert totals[0][1] > 0.5 * totals[1][1], "tomorrow is another day"


def test_warmer_than_expected_now_is_warmer_for_a_while():
    """What the last hours tell holds for the next ones and is mostly gone a day later."""
    begin, midnight = moment(3, 1), moment(3, 1) + 30 * DAY
    model = surroundings.learn(year_of(begin, 30, np.full(30, 0.8)), ZONE, midnight, HERE)
    now = midnight + 2 * 3600
    grid = calendar.grid(now, ZONE, 30, 36)
    usual = surroundings.forecast(model, grid, now).outdoor_c
    real = year_of(midnight - DAY, 2, np.full(2, 0.8))
    before_now = real.start_s < now
    lately = Measured(*(getattr(real, n)[before_now][-6:] for n in Measured.__dataclass_fields__))
    warm = Measured(lately.start_s, lately.cold_inlet_c, lately.outdoor_c + 5.0, lately.surplus_w)
    as_is = surroundings.forecast(model, grid, now, recent=lately).outdoor_c
    warmer = surroundings.forecast(model, grid, now, recent=warm).outdoor_c
    gain = warmer - as_is
    assert gain[0] == pytest.approx(5.0, abs=0.2)
    assert np.all(np.diff(gain) < 0)
    assert 0.5 < gain[48] < 2.0
    old = Measured(warm.start_s - DAY, warm.cold_inlet_c, warm.outdoor_c, warm.surplus_w)
    np.testing.assert_allclose(
        surroundings.forecast(model, grid, now, recent=old).outdoor_c, usual
    )  # yesterday's night says nothing of now
