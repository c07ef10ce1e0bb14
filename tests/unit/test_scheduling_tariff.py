"""Tariffs: bands by weekday, season and local time, price series, and what stands in for them."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from pydantic import ValidationError

from forecasting.types import SlotGrid
from service.scheduling.tariff import Band, Feeds, Series, Tariff, prices

BERLIN = ZoneInfo("Europe/Berlin")
NIGHT = Tariff(
    export_per_kwh=0.08,
    bands=(
        Band(from_time="22:00", until_time="06:00", import_per_kwh=0.20),
        Band(import_per_kwh=0.30),
    ),
)


def s(*when: int, zone: ZoneInfo | None = None) -> int:
    return int(datetime(*when, tzinfo=zone or UTC).timestamp())  # type: ignore[arg-type]


def grid(start_s: int, hours: float, slot_s: int = 3600) -> SlotGrid:
    starts = start_s + slot_s * np.arange(round(hours * 3600 / slot_s), dtype=np.int64)
    return SlotGrid(starts, starts + slot_s)


def of(tariff: Tariff, g: SlotGrid, zone: ZoneInfo = BERLIN) -> np.ndarray:
    return prices(tariff, Feeds(), g, zone, int(g.start_s[0]), np.zeros(len(g))).import_per_kwh


def test_a_band_follows_the_local_clock_past_midnight() -> None:
    found = of(NIGHT, grid(s(2026, 1, 15, zone=BERLIN), 24))
    assert np.allclose(found[[0, 5, 6, 12, 21, 22, 23]], [0.2, 0.2, 0.3, 0.3, 0.3, 0.2, 0.2])


@pytest.mark.parametrize(("day", "hours", "cheap"), [((3, 29), 23, 7), ((10, 25), 25, 9)])
def test_days_of_23_and_25_hours(day: tuple[int, int], hours: int, cheap: int) -> None:
    found = of(NIGHT, grid(s(2026, *day, zone=BERLIN), hours))
    assert len(found) == hours
    assert np.sum(np.isclose(found, 0.2)) == cheap
    # The day's last slots are the evening's two cheap hours, whatever its length.
    assert np.allclose(found[-3:], [0.3, 0.2, 0.2])


def test_an_hour_that_comes_twice_has_its_band_twice() -> None:
    band = Band(from_time="02:00", until_time="03:00", import_per_kwh=0.10)
    twice = Tariff(bands=(band, Band(import_per_kwh=0.30)))
    found = of(twice, grid(s(2026, 10, 25, zone=BERLIN), 25))
    assert np.flatnonzero(np.isclose(found, 0.1)).tolist() == [2, 3]
    spring = of(twice, grid(s(2026, 3, 29, zone=BERLIN), 23))
    assert np.allclose(spring, 0.30)  # that hour does not exist


def test_a_slot_across_an_edge_gets_the_mean_by_time() -> None:
    g = grid(s(2026, 1, 15, 5, 50, zone=BERLIN), 0.5, 1800)
    assert of(NIGHT, g)[0] == pytest.approx((10 * 0.2 + 20 * 0.3) / 30)


def test_a_zone_forty_five_minutes_off() -> None:
    kathmandu = ZoneInfo("Asia/Kathmandu")  # UTC + 5:45
    found = of(NIGHT, grid(s(2026, 1, 15, 0), 1), kathmandu)
    assert found[0] == pytest.approx((15 * 0.2 + 45 * 0.3) / 60)  # 5:45 to 6:45 there


def test_weekdays_and_seasons_and_order() -> None:
    tariff = Tariff(
        bands=(
            Band(weekdays=(5, 6), import_per_kwh=0.1),
            Band(from_day="11-01", until_day="02-28", import_per_kwh=0.4),
            Band(import_per_kwh=0.3),
        ),
    )
    assert of(tariff, grid(s(2026, 1, 17, 12), 1))[0] == 0.1  # a Saturday in winter
    assert of(tariff, grid(s(2026, 1, 15, 12), 1))[0] == 0.4
    assert of(tariff, grid(s(2026, 6, 16, 12), 1))[0] == 0.3


def test_a_night_band_belongs_to_the_day_on_which_it_starts() -> None:
    friday = Band(weekdays=(4,), from_time="22:00", until_time="06:00", import_per_kwh=0.1)
    tariff = Tariff(bands=(friday, Band(import_per_kwh=0.3)))
    friday_late, saturday_early = s(2026, 1, 16, 23, zone=BERLIN), s(2026, 1, 17, 3, zone=BERLIN)
    assert of(tariff, grid(friday_late, 1))[0] == 0.1
    assert of(tariff, grid(saturday_early, 1))[0] == 0.1
    assert of(tariff, grid(saturday_early - 86400, 1))[0] == 0.3


# ---- series ----

FEED = Tariff(
    feed_times=1.2,
    feed_plus_per_kwh=0.05,
    bands=(Band(until_time="05:00", import_per_kwh=0.22), Band(import_per_kwh=0.33)),
)
MONDAY = s(2026, 1, 12, zone=BERLIN)


def hourly(days: int, value: float = 0.0) -> Series:
    """Hours from Monday on, each costing its local hour in cents plus ``value``."""
    starts = MONDAY + 3600 * np.arange(24 * days, dtype=np.int64)
    return Series(starts, starts + 3600, (np.arange(24 * days) % 24) / 100.0 + value)


def priced(series: Series | None, g: SlotGrid, now_s: int):
    return prices(FEED, Feeds(True, series), g, BERLIN, now_s, np.zeros(len(g)))


def test_published_prices_with_tax_and_levies() -> None:
    now = MONDAY + 6 * 3600
    found = priced(hourly(1), grid(now, 18, 1800), now)
    assert found.note == "feed"
    assert not found.estimated.any()
    assert found.import_per_kwh[:2] == pytest.approx([0.06 * 1.2 + 0.05] * 2)


def test_hours_beyond_the_published_ones_are_estimated_and_marked() -> None:
    now = MONDAY + 36 * 3600  # Tuesday noon, published until midnight
    found = priced(hourly(2), grid(now, 36), now)
    assert found.estimated.tolist() == [False] * 12 + [True] * 24
    hours = np.arange(12, 48) % 24
    assert found.import_per_kwh == pytest.approx(hours / 100 * 1.2 + 0.05)


def test_weekends_are_estimated_from_weekends() -> None:
    series = hourly(13)  # Monday to Saturday of the next week
    weekend = np.isin((np.arange(24 * 13) // 24) % 7, (5, 6))
    series = Series(series.start_s, series.end_s, series.per_kwh - 0.2 * weekend)
    now = MONDAY + 12 * 86400 + 20 * 3600
    found = priced(series, grid(MONDAY + 13 * 86400, 24), now)  # Sunday
    assert found.estimated.all()
    assert found.import_per_kwh == pytest.approx((np.arange(24) / 100 - 0.2) * 1.2 + 0.05)
    assert found.import_per_kwh.min() < 0  # negative prices stay negative


def test_a_lost_feed_lives_on_its_last_days_then_on_the_bands() -> None:
    now = MONDAY + 4 * 86400  # Friday; the feed ended Wednesday night
    found = priced(hourly(3), grid(now, 24), now)
    assert found.note == "feed_lost_last_known"
    assert found.estimated.all()
    assert found.import_per_kwh == pytest.approx(np.arange(24) / 100 * 1.2 + 0.05)
    late = MONDAY + 11 * 86400
    for series in (hourly(3), None):
        found = priced(series, grid(late, 24), late)
        assert found.note == "feed_lost_bands"
        assert found.import_per_kwh == pytest.approx([0.22] * 5 + [0.33] * 19)


def test_what_a_lost_feed_said_of_export_is_believed_for_a_week() -> None:
    feeds = Feeds(exports=hourly(3))
    for days, earns in ((4, np.arange(24) / 100), (11, np.full(24, 0.08))):
        at_s = MONDAY + days * 86400
        found = prices(NIGHT, feeds, grid(at_s, 24), BERLIN, at_s, np.zeros(24))
        assert found.export_per_kwh == pytest.approx(earns)


def test_a_feed_in_disorder_with_gaps_and_repeats() -> None:
    ok = hourly(2)
    order = np.random.default_rng(0).permutation(48)
    starts = np.append(ok.start_s[order], ok.start_s[3])
    values = np.append(ok.per_kwh[order], 9.0)  # a correction comes last and counts
    gap = starts != ok.start_s[30]
    values[np.flatnonzero(starts == ok.start_s[40])[0]] = np.nan
    series = Series(starts[gap], (starts + 3600)[gap], values[gap])
    found = priced(series, grid(MONDAY, 48), MONDAY)
    assert found.import_per_kwh[3] == pytest.approx(9.0 * 1.2 + 0.05)
    assert np.flatnonzero(found.estimated).tolist() == [30, 40]
    assert found.import_per_kwh[30] == pytest.approx(0.06 * 1.2 + 0.05)


def test_quarter_hours_on_half_hour_slots() -> None:
    starts = MONDAY + 900 * np.arange(96, dtype=np.int64)
    series = Series(starts, starts + 900, np.tile([0.1, 0.3], 48))
    found = priced(series, grid(MONDAY, 24, 1800), MONDAY)
    assert found.import_per_kwh == pytest.approx(0.2 * 1.2 + 0.05)


def test_estimates_keep_to_the_local_clock_when_clocks_change() -> None:
    starts = s(2026, 3, 23, zone=BERLIN) + 3600 * np.arange(24 * 6, dtype=np.int64)
    series = Series(starts, starts + 3600, (np.arange(24 * 6) % 24) / 100.0)
    now = s(2026, 3, 28, 20, zone=BERLIN)
    g = grid(s(2026, 3, 29, zone=BERLIN), 23)  # the day without 2 o'clock
    found = priced(series, g, now)
    hours = np.array([h for h in range(24) if h != 2])
    assert found.import_per_kwh == pytest.approx(hours / 100 * 1.2 + 0.05)


def test_export_prices_and_carbon_from_a_series() -> None:
    tariff = NIGHT.model_copy(update={"carbon_price_per_kg": 0.1})
    ok = hourly(1)
    earns = Series(ok.start_s[:20], ok.end_s[:20], ok.per_kwh[:20] / 2)
    feeds = Feeds(exports=earns, carbon=hourly(1, 200.0))
    found = prices(tariff, feeds, grid(MONDAY, 24), BERLIN, MONDAY, np.zeros(24))
    assert found.note == "bands"  # the import price was never expected from a feed
    assert not found.estimated.any()
    assert found.import_per_kwh[[0, 12]] == pytest.approx([0.2, 0.3])
    assert found.export_per_kwh == pytest.approx([*np.arange(20) / 200, *[0.08] * 4])
    assert found.carbon_g_per_kwh is not None
    assert found.carbon_g_per_kwh == pytest.approx(200 + np.arange(24) / 100)
    assert found.carbon_price_per_kg == 0.1


def test_settings_are_refused_with_a_clear_message() -> None:
    good = {"bands": [{"from_time": "22:00", "until_time": "06:00", "import_per_kwh": 0.2}]}
    assert Tariff.model_validate(good).bands[0].holds(datetime(2026, 1, 15, 23, tzinfo=BERLIN))
    for change in (
        {"carbon_price_per_kg": -1},
        {"feed_times": 0},
        {"feed_plus_per_kwh": float("inf")},
        {"bands": [{"weekdays": [7], "import_per_kwh": 0.2}]},
        {"bands": [{"from_day": "13-01", "import_per_kwh": 0.2}]},
        {"price": 3},
    ):
        with pytest.raises(ValidationError):
            Tariff.model_validate(good | change)
