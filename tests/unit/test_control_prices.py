"""Series that arrive: one of each kind is kept, and all of them reach the plan."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from adapters.types import PriceSeries, SeriesOf
from service.clock import in_span, second_of, utc
from service.control import config_checks, problem
from service.control.planning import PlanArguments
from service.control.price_series import PRICES_KEPT_S
from service.scheduling import plan
from service.scheduling.tariff import Band
from tests.control_plant import MONDAY, LittleHome, settings

FEEDS = [
    {"kind": "mqtt", "address": f"prices/{of}", "of": of} for of in ("import", "export", "carbon")
]
TARIFF = {"carbon_price_per_kg": 0.1, "feed_times": 1.2, "feed_plus_per_kwh": 0.1}
HOUR_S = 3600


def series(
    of: SeriesOf, per_kwh: float, *, hours: int = 24, since_h: int = 0, fetched_h: float = 0
) -> PriceSeries:
    """Equal hours from Monday noon on."""
    begin = int(MONDAY.timestamp()) + since_h * HOUR_S
    starts = tuple(begin + HOUR_S * i for i in range(hours))
    ends = tuple(s + HOUR_S for s in starts)
    return PriceSeries(
        starts, ends, (per_kwh,) * hours, MONDAY.timestamp() + fetched_h * HOUR_S, of
    )


def home() -> LittleHome:
    return LittleHome(settings({"tariff": TARIFF}, price_feeds=FEEDS), profile_c=45.0)


def asked(lived: LittleHome) -> PlanArguments:
    """What the last plan was made from."""
    works = [w for o in lived.outputs for w in o.work if w.kind == "plan"]
    found = works[-1].arguments
    assert isinstance(found, PlanArguments)
    return found


def test_every_kind_reaches_the_plan() -> None:
    one = home()
    arrived = (series("import", 0.1), series("export", 0.04), series("carbon", 300.0))
    one.step(one.readings(), prices=arrived)
    made = problem.build(asked(one)).prices
    assert made.note == "feed"
    assert made.import_per_kwh[0] == pytest.approx(0.1 * 1.2 + 0.1)
    assert made.export_per_kwh[0] == pytest.approx(0.04)
    assert made.carbon_g_per_kwh is not None
    assert made.carbon_g_per_kwh[0] == pytest.approx(300.0)
    assert made.carbon_price_per_kg == 0.1


@pytest.mark.parametrize("by_min", [0, 20])
def test_a_charge_by_a_time_is_asked_for_in_the_slot_of_that_time_alone(by_min: int) -> None:
    """By six is not by half past five: the last half hour before may be the cheap one."""
    one = home()
    one.step(one.readings(), prices=(series("import", 0.1),))
    six_s = int(MONDAY.timestamp()) + 6 * HOUR_S
    arguments = replace(asked(one), charge_to=((six_s + 60 * by_min, 100.0),))
    built = problem.build(arguments)
    (wish,) = [r for r in built.limits.raises if r.why == "override"]
    starts, ends = built.grid.start_s, built.grid.end_s
    assert starts[(ends > wish.from_s) & (starts < wish.until_s)].tolist() == [six_s]


def test_a_slot_under_way_is_judged_by_what_is_left_of_it() -> None:
    """Hourly slots, quarter-hourly prices, quiet until half past: at 12:45 the past is past."""
    quiet = {"quiet_from": "20:30", "quiet_until": "12:30", "slot_minutes": 60}
    one = LittleHome(settings({"tariff": TARIFF} | quiet, price_feeds=FEEDS), profile_c=45.0)
    begin = int(MONDAY.timestamp())
    starts = tuple(begin + 900 * i for i in range(96))
    quarters = PriceSeries(
        starts, tuple(x + 900 for x in starts), tuple(0.1 + 0.1 * (i % 4) for i in range(96)),
        MONDAY.timestamp(),
    )  # fmt: skip
    one.step(one.readings(), prices=(quarters,))
    arguments = asked(one)
    at_s = begin + 45 * 60
    later = problem.build(replace(arguments, now_s=at_s))
    assert later.grid.start_s[0] == at_s
    assert later.prices.import_per_kwh[0] == pytest.approx(0.4 * 1.2 + 0.1)
    zone = one.settings.wiring.zone_info
    pump = next(x for x in later.sources if x.name == "heat_pump")
    for start, end, may in zip(later.grid.start_s, later.grid.end_s, pump.available, strict=True):
        minutes = [utc(float(x)).astimezone(zone).strftime("%H:%M") for x in range(start, end, 60)]
        assert may == (not any(m < "12:30" or m >= "20:30" for m in minutes))
    assert pump.available[0]


def test_water_is_worth_its_carbon_too() -> None:
    """So high that money hardly counts, carbon alone decides when, not whether, water is heated."""
    built = []
    for per_kg in (0.0, 1000.0):
        one = LittleHome(
            settings({"tariff": TARIFF | {"carbon_price_per_kg": per_kg}}, price_feeds=FEEDS),
            profile_c=30.0,
        )
        arrived = (series("import", 0.1, hours=48), series("carbon", 300.0, hours=48))
        one.step(one.readings(), prices=arrived)
        built.append(problem.build(asked(one)))
    # 0.22 a kWh by money, 300.22 with the carbon: the same prices but for their scale.
    scale = built[1].prices.grid_per_kwh.mean() / built[0].prices.grid_per_kwh.mean()
    assert scale == pytest.approx(300.22 / 0.22, rel=1e-3)
    worth = [p.shortage_price_per_l40 for p in built]
    assert worth[1] == pytest.approx(scale * worth[0], rel=1e-3)
    starts = [p.sources[0].start_cost for p in built]
    assert starts[1] == pytest.approx(scale * starts[0], rel=1e-3)
    left = [plan.make(p, foresee=False).unmet_l40 for p in built]
    assert left[1] == pytest.approx(left[0], abs=1.0)


def test_prices_that_come_between_two_plans_are_planned_with_from_now_on() -> None:
    one = LittleHome(
        settings({"tariff": TARIFF, "replan_every_slots": 12}, price_feeds=FEEDS), profile_c=45.0
    )
    one.step(one.readings(), prices=(series("import", 0.1),))
    one.live(2 * HOUR_S)
    one.step(one.readings(), prices=(series("import", 0.3, fetched_h=2),))
    made = one.state.plan
    assert made is not None
    assert made.grid.start_s[0] <= one.now.timestamp() < made.grid.end_s[0]
    assert made.import_per_kwh[0] == pytest.approx(0.3 * 1.2 + 0.1)


def test_a_later_series_goes_before_what_was_known_of_the_same_time() -> None:
    one = home()
    one.step(one.readings(), prices=(series("import", 0.1), series("carbon", 300.0)))
    one.step((), prices=(series("import", 0.3, hours=24, since_h=12, fetched_h=1),))
    kept = {p.of: p for p in one.state.prices}
    assert set(kept) == {"import", "carbon"}
    assert kept["import"].per_kwh == (0.1,) * 12 + (0.3,) * 24
    assert list(kept["import"].start_s) == sorted(kept["import"].start_s)
    assert np.all(np.diff(kept["import"].start_s) == HOUR_S)
    # Quarter hours in place of hours that were known: none is left beside them.
    begin = int(MONDAY.timestamp())
    quarters = tuple(begin + 900 * i for i in range(8))
    ends = tuple(q + 900 for q in quarters)
    finer = PriceSeries(quarters, ends, (0.2,) * 8, MONDAY.timestamp() + 7200.0)
    one.step((), prices=(finer,))
    kept = {p.of: p for p in one.state.prices}
    assert kept["import"].per_kwh == (0.2,) * 8 + (0.1,) * 10 + (0.3,) * 24


def test_days_gone_by_are_kept_however_often_a_feed_is_fetched() -> None:
    """What is not published yet is guessed from recent days, so these must still be known."""
    one = home()
    days = round(PRICES_KEPT_S / 86_400.0)
    for hour in range(24 * (days + 2)):
        fetched = series("import", 0.1, since_h=hour, fetched_h=hour)
        one.now = MONDAY + timedelta(hours=hour)
        one.elapsed_s += HOUR_S
        one.plans = False
        one.step((), prices=(fetched,))
    (kept,) = one.state.prices
    assert len(kept.start_s) == pytest.approx(24 * (days + 1), abs=1)


def test_space_heating_claims_the_heat_pump_in_its_hours_when_it_is_cold() -> None:
    wanted = {
        "claim_per_h": 0.5,
        "below_c": 30.0,  # whatever is forecast in January
        "from_time": "06:00",
        "until_time": "09:00",
    }
    one = LittleHome(settings({"space_heating": wanted}), profile_c=45.0)
    one.step(one.readings())
    arguments = asked(one)
    built = problem.build(arguments)
    claim = {s.name: s.claim_per_h for s in built.sources}
    assert claim["immersion"] is None
    assert claim["heat_pump"] is not None
    hour = [
        utc(float(at)).astimezone(one.settings.wiring.zone_info).hour for at in built.grid.start_s
    ]
    assert np.all((claim["heat_pump"] > 0) == (np.array(hour) // 3 == 2))
    assert claim["heat_pump"].max() == 0.5
    # No claim where it is never cold enough, or where nothing is asked for it.
    for changed in (wanted | {"below_c": -20.0}, {}):
        other = replace(arguments, settings=settings({"space_heating": changed}))
        found = problem.build(other).sources[0].claim_per_h
        assert found is None or not found.any()


def test_a_daily_span_may_pass_midnight() -> None:
    seconds = 3600 * np.arange(24)
    assert np.flatnonzero(in_span(seconds, "22:00", "06:00")).tolist() == [0, 1, 2, 3, 4, 5, 22, 23]
    assert np.flatnonzero(in_span(seconds, "06:00", "24:00")).tolist() == list(range(6, 24))
    for never in ((None, None), ("22:00", None), ("05:00", "05:00")):
        assert not np.any(in_span(seconds, *never))
    assert in_span(3600, "00:30", "02:00")


def _band(begins: str, ends: str = "24:00") -> Band:
    return Band(import_per_kwh=0.1, from_time=begins, until_time=ends)


@pytest.mark.parametrize("clock", ["00:00", "06:05", "23:59", "24:00"])
def test_spans_and_bands_read_one_local_time(clock: str) -> None:
    hour, minute = map(int, clock.split(":"))
    assert second_of(clock) == 3600 * hour + 60 * minute
    starts, ends = _band(clock, clock).clocks
    assert starts == ends == dt.time(hour % 24, minute)


@pytest.mark.parametrize("text", ["", "22", "2230", "22:30:15", "T1230", "24:01", "7:00", "١٢:٣٠"])
def test_what_is_no_local_time_is_none_for_either(text: str) -> None:
    with pytest.raises(ValueError, match="no local time"):
        second_of(text)
    with pytest.raises(ValueError, match="no local time"):
        _ = _band(text).clocks
    quiet = config_checks.refused(settings({"quiet_from": text or "x", "quiet_until": "06:00"}))
    band = config_checks.refused(settings({"tariff": {"bands": [_band(text).model_dump()]}}))
    assert {m.code for m in quiet} == {m.code for m in band} == {"not_a_time"}
