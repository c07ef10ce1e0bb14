"""Pictures follow their data: other figures, another picture; and they are safe to embed."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from forecasting.types import SlotGrid
from service.pages import canvas, gathering, profile, timeline, week
from service.pages.local import Local
from service.scheduling.types import Plan
from tests.browser import fake_house

LOCAL = Local(ZoneInfo("Europe/Dublin"), "EUR", fake_house.NOW)
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def plan() -> Plan:
    return fake_house.plan_of(fake_house.typical_week(fake_house.history()))[0]


def wide(plan: Plan) -> ET.Element:
    return ET.fromstring(timeline.timeline(plan, 280.0, LOCAL)[1])


def marks(picture: ET.Element, kind: str) -> list[dict[str, str]]:
    return [dict(e.attrib) for e in picture.iter() if kind in (e.get("class") or "").split()]


def texts(picture: ET.Element) -> str:
    return " | ".join(e.text or "" for e in picture.iter(f"{SVG}text"))


def test_the_timeline_is_well_formed_named_and_described(plan: Plan):
    for drawn in timeline.timeline(plan, 280.0, LOCAL):
        picture = ET.fromstring(drawn)
        assert picture.get("role") == "img"
        names = {e.get("id"): e.text for e in picture.iter() if e.get("id")}
        assert names[picture.get("aria-labelledby")] == "The coming 48 hours"
        assert "Charging is planned" in (names[picture.get("aria-describedby")] or "")


def test_one_price_at_all_hours_has_no_cheapest_hour(plan: Plan):
    """A mean over a slot is a rounding error off: no reason to name an hour."""
    assert "The price is lowest" in timeline.describe(plan, 280.0, LOCAL)
    flat = 0.30 + 1e-16 * np.arange(len(plan.grid))
    said = timeline.describe(replace(plan, import_per_kwh=flat), 280.0, LOCAL)
    assert "The price is EUR\u00a00.30 per kWh throughout." in said
    assert "lowest" not in said.partition("will be drawn")[2]
    drawn = texts(wide(replace(plan, import_per_kwh=flat)))
    assert drawn.count("0.30") == 1


def test_the_two_sizes_share_no_identifier(plan: Plan):
    found = [re.findall(r'id="([^"]+)"', drawn) for drawn in timeline.timeline(plan, 280.0, LOCAL)]
    assert not set(found[0]) & set(found[1])


def test_every_window_is_drawn_where_and_as_what_it_is(plan: Plan):
    picture = wide(plan)
    blocks = marks(picture, "charging")
    assert len(blocks) == len(plan.windows)
    left, right = canvas.WIDE.left, canvas.WIDE.width - canvas.WIDE.right
    begin, end = int(plan.grid.start_s[0]), int(plan.grid.end_s[-1])
    for block, window in zip(blocks, plan.windows, strict=True):
        x = left + (window.start_s - begin) / (end - begin) * (right - left)
        assert float(block["x"]) == pytest.approx(x, abs=0.02)
        assert block["fill"] == f"url(#ahead-wide-{window.source})"
    fewer = wide(replace(plan, windows=plan.windows[:1]))
    assert len(marks(fewer, "charging")) == 1
    assert "No charging planned" in texts(wide(replace(plan, windows=())))


def test_labels_of_blocks_side_by_side_do_not_overlap(plan: Plan):
    first = plan.windows[0]
    close = tuple(
        replace(first, start_s=first.start_s + i * 1800, end_s=first.start_s + (i + 1) * 1800)
        for i in range(6)
    )
    picture = wide(replace(plan, windows=close))
    labels = [
        e for e in picture.iter(f"{SVG}text") if e.get("class") == "t value" and e.text == "8"
    ]
    places = sorted((float(e.get("y", 0)), float(e.get("x", 0))) for e in labels)
    assert len(labels) >= 4
    for (row, x), (other, next_x) in pairwise(places):
        assert row != other or next_x - x >= 8


def test_a_disinfection_by_two_sources_in_turn_is_labelled_once(plan: Plan):
    first = plan.windows[0]
    pump = replace(first, purpose="disinfection", end_s=first.start_s + 1800)
    element = replace(pump, source="immersion", start_s=pump.end_s, end_s=pump.end_s + 5400)
    later = replace(pump, start_s=pump.end_s + 7 * 3600, end_s=pump.end_s + 8 * 3600)
    said = texts(wide(replace(plan, windows=(pump, element)))).split(" | ")
    assert said.count("hot") == 1
    assert any("hot: disinfection" in text for text in said)
    thrice = texts(wide(replace(plan, windows=(pump, element, later)))).split(" | ")
    assert thrice.count("hot") == 2
    ordinary = tuple(w for w in plan.windows if w.purpose != "disinfection")
    assert "disinfection" not in texts(wide(replace(plan, windows=ordinary)))


def test_draws_charge_and_price_each_move_their_own_lane(plan: Plan):
    before = wide(plan)
    drier = wide(replace(plan, expected_use_l40=plan.expected_use_l40 * 0.0))
    assert marks(before, "draw")
    assert not marks(drier, "draw")
    lower = wide(replace(plan, expected_l40=plan.expected_l40 * 0.5))
    assert marks(lower, "expected") != marks(before, "expected")
    assert marks(lower, "price") == marks(before, "price")
    dearer = wide(replace(plan, import_per_kwh=plan.import_per_kwh[::-1].copy()))
    assert marks(dearer, "price") != marks(before, "price")
    assert marks(dearer, "expected") == marks(before, "expected")


def test_the_surplus_lane_is_there_only_with_surplus(plan: Plan):
    assert "PV surplus" in texts(wide(plan))
    assert "PV surplus" not in texts(wide(replace(plan, surplus_w=plan.surplus_w * 0)))


def test_prices_not_known_yet_are_dashed_and_said(plan: Plan):
    known = replace(plan, price_estimated=np.zeros(len(plan.grid), bool))
    assert marks(wide(plan), "guessed")
    assert "a guess" in texts(wide(plan))
    assert not marks(wide(known), "guessed")
    assert "a guess" not in texts(wide(known))


def test_a_negative_price_lies_below_its_zero_line(plan: Plan):
    price = plan.import_per_kwh.copy()
    price[10:14] = -0.06
    picture = wide(replace(plan, import_per_kwh=price))
    assert "\u22120.06" in texts(picture)
    ground = marks(picture, "base")[2]  # charging, draws, then price
    points = " ".join(m["points"] for m in marks(picture, "price"))
    lowest = max(float(p.split(",")[1]) for p in points.split())
    assert lowest > float(ground["y1"])


def test_what_there_is_now_stands_beside_what_the_plan_expected(plan: Plan):
    """A plan is an hour old or more; a bath since then is no riddle."""
    half_past = replace(LOCAL, now=fake_house.NOW + timedelta(minutes=40))  # grid: 16:30 on
    (narrow, broad) = timeline.timeline(plan, 280.0, half_past, now_l40=140.0)
    for drawn, size in ((narrow, canvas.NARROW), (broad, canvas.WIDE)):
        picture = ET.fromstring(drawn)
        (dot,) = marks(picture, "probe")
        width = size.width - size.right - size.left
        assert float(dot["cx"]) == pytest.approx(size.left + width / 48, abs=0.2)
        marked = {e.text: float(e.get("y", 0)) for e in picture.iter(f"{SVG}text")}
        assert marked["4"] > float(dot["cy"]) > marked["6"] - 4  # five tenths
        assert "now" in texts(picture).split(" | ")
        assert "Now there are 5.0 tenths." in "".join(picture.itertext())
    assert not marks(wide(plan), "probe"), "nothing is known"
    late = replace(LOCAL, now=fake_house.NOW + timedelta(days=3))
    old = ET.fromstring(timeline.timeline(plan, 280.0, late, now_l40=140.0)[1])
    assert not marks(old, "probe"), "the plan ended before"


def test_the_reserve_is_drawn_as_the_plan_keeps_it(plan: Plan):
    """None in an absence, and more while guests are here."""
    reserve = np.repeat([56.0, 0.0, 84.0, 56.0], [40, 30, 25, 1])
    picture = wide(replace(plan, reserve_l40=reserve))
    drawn = marks(picture, "reserve")
    slot = (canvas.WIDE.width - canvas.WIDE.right - canvas.WIDE.left) / 96
    widths = [float(m["x2"]) - float(m["x1"]) for m in drawn]
    assert widths == pytest.approx([40 * slot, 25 * slot, slot], abs=0.2)
    assert float(drawn[1]["y1"]) < float(drawn[0]["y1"]) == float(drawn[2]["y1"])
    said = [t for t in texts(picture).split(" | ") if t.startswith("reserve")]
    assert said == ["reserve 2", "reserve 3"]


def test_more_than_ten_tenths_stay_inside_the_lane(plan: Plan):
    picture = wide(replace(plan, expected_l40=np.full(97, 330.0)))
    top = min(float(m["y1"]) for m in marks(picture, "grid"))
    for point in marks(picture, "expected")[0]["points"].split():
        assert float(point.split(",")[1]) >= top


@pytest.mark.parametrize(("day", "hours"), [(date(2026, 3, 28), 47), (date(2026, 10, 24), 49)])
def test_days_of_23_and_25_hours_are_marked_at_their_true_hours(day: date, hours: int):
    zone = LOCAL.zone
    start = datetime.combine(day, time(), zone).timestamp()
    end = datetime.combine(day + timedelta(days=2), time(), zone).timestamp()
    assert (end - start) / 3600 == hours
    marked = list(canvas.local_hours(LOCAL, start, end, 6))
    assert [t.hour for t in marked] == [0, 6, 12, 18, 0, 6, 12, 18, 0]
    assert len({t.timestamp() for t in marked}) == 9


def test_zones_off_the_hour_are_marked_at_their_own_whole_hours():
    local = Local(ZoneInfo("Asia/Kathmandu"), "NPR", fake_house.NOW)
    start = datetime(2026, 11, 25, 18, 15, tzinfo=UTC).timestamp()  # midnight there
    marked = list(canvas.local_hours(local, start, start + 86400, 6))
    assert [f"{t:%H:%M}" for t in marked] == ["00:00", "06:00", "12:00", "18:00", "00:00"]


def test_the_table_says_the_same_as_the_picture(plan: Plan):
    rows = timeline.rows(plan, 280.0, LOCAL)
    assert len(rows) == 49  # 48 h begun at half past
    litres = sum(float(r.draws) for r in rows)
    assert litres == pytest.approx(plan.expected_use_l40.sum(), abs=len(rows) / 2)
    charging = [r for r in rows if r.charging != "none"]
    assert charging[0].when == "tomorrow 03:00"
    assert charging[0].charging == "heat pump to 8"
    assert float(rows[0].charge) == pytest.approx(plan.expected_l40[0] / 28, abs=0.05)


def test_slots_of_any_length_fit(plan: Plan):
    start = int(plan.grid.start_s[0])
    edges = start + np.array([0, 900, 1800, 5400, 9000])
    odd = replace(
        plan,
        grid=SlotGrid(edges[:-1].astype(np.int64), edges[1:].astype(np.int64)),
        expected_l40=np.linspace(100, 50, 5),
        low_l40=np.linspace(90, 30, 5),
        expected_use_l40=np.array([5.0, 10.0, 20.0, 1.0]),
        import_per_kwh=np.full(4, 0.3),
        surplus_w=np.zeros(4),
        price_estimated=np.zeros(4, bool),
        reserve_l40=np.full(4, 56.0),
        windows=(),
    )
    widths = [float(m["width"]) for m in marks(wide(odd), "draw")]
    assert widths[2] > 3.5 * widths[0]
    assert timeline.rows(odd, 280.0, LOCAL)


def test_the_profile_is_drawn_over_height_with_its_probes():
    layers = np.linspace(12, 52, 40)
    probes = {"low": (0.2, 15.0), "top": (1.2, None)}
    picture = ET.fromstring(profile.profile(layers, np.full(40, 1.0), probes, 1.4, 40.0, 52.0))
    points = marks(picture, "expected")[0]["points"].split()
    heights = [float(p.split(",")[1]) for p in points]
    assert heights == sorted(heights, reverse=True)  # from the bottom of the page up
    assert len(marks(picture, "probe")) == 1
    assert "top: no value" in texts(picture)
    assert marks(picture, "band")
    unsure = ET.fromstring(profile.profile(layers, (), probes, 1.4, 40.0, 52.0))
    assert not marks(unsure, "band")
    hotter = ET.fromstring(profile.profile(layers + 5, (), probes, 1.4, 40.0, 52.0))
    assert marks(hotter, "expected") != marks(unsure, "expected")


def test_the_band_is_as_wide_as_the_uncertainty():
    def width(sd: float) -> float:
        picture = ET.fromstring(
            profile.profile(np.full(40, 40.0), np.full(40, sd), {}, 1.4, 40.0, 52.0)
        )
        xs = [float(p.split(",")[0]) for p in marks(picture, "band")[0]["points"].split()]
        return max(xs) - min(xs)

    assert width(2.0) == pytest.approx(2 * width(1.0), rel=0.02)


def test_the_profile_in_words_names_each_probe_once_and_keeps_figure_and_unit_together():
    probes = {"probe_1": (0.15, 11.7), "probe_2": (0.7, None)}
    assert profile.describe((11.6, 54.4), probes, 1.5) == (
        "From 11.6 °C at the bottom to 54.4 °C at the top. The steepest rise lies at 0.75 m. "
        "Measured: probe_1 at 0.15 m 11.7 °C, probe_2 at 0.70 m no value."
    ).replace(" °C", "\u00a0°C").replace(" m ", "\u00a0m ").replace(" m.", "\u00a0m.")


def test_names_from_a_homes_file_cannot_break_out_of_a_picture():
    evil = '<script>alert("x")</script>'
    drawn = profile.profile(np.full(40, 40.0), (), {evil: (0.7, 40.0)}, 1.4, 40.0, 52.0)
    assert "<script" not in drawn
    assert evil in "".join(ET.fromstring(drawn).itertext())


def test_the_week_differs_by_weekday_and_with_the_history():
    learned = fake_house.typical_week(fake_house.history())
    later = fake_house.typical_week(fake_house.history(hours_later=3.0))
    events = fake_house.history()
    days = week.by_day(events, LOCAL)
    happened = {d.weekday(): (LOCAL.calendar(d), slots) for d, slots in days.items()}
    first = ET.fromstring(week.week(learned, happened)[1])
    second = ET.fromstring(week.week(later, happened)[1])
    assert marks(first, "draw") != marks(second, "draw")
    places = [[m["x"] for m in marks(p, "happened")] for p in (first, second)]
    assert places[0] == places[1]
    busiest = {row.busiest for row in week.rows(learned, happened)}
    assert len(busiest) >= 3
    assert not marks(ET.fromstring(week.week(learned, {})[1]), "happened")


def test_bars_of_the_week_are_as_tall_as_their_litres_above_and_below_the_line():
    """One scale for both: a bath of twice the usual litres is drawn twice as tall."""
    learned = np.zeros((7, 48))
    learned[2, 14] = 60.0
    drawn = np.zeros(48)
    drawn[14], drawn[40] = 120.0, 15.0
    for size in week.week(learned, {2: ("Wed 18 Nov", drawn)}):
        picture = ET.fromstring(size)
        (above,) = (float(m["height"]) for m in marks(picture, "draw"))
        below = [float(m["height"]) for m in marks(picture, "happened")]
        assert below == pytest.approx([2 * above, above / 4], abs=0.02)
        names = [e for e in picture.iter(f"{SVG}text") if e.text in ("Wednesday", "Wed")]
        assert len(names) == 1
    assert week.tallest(learned, {2: ("Wed 18 Nov", drawn)}) == 120.0
    assert week.tallest(learned, {}) == 60.0


def test_a_weekday_without_a_draw_is_not_called_unseen():
    """The house may have stood empty: nothing drawn is nothing recorded."""
    (monday, *_) = week.rows(np.zeros((7, 48)), {})
    assert monday.happened == "nothing recorded"


def test_draws_are_counted_on_their_local_day_and_half_hour():
    events = fake_house.history()[:40]
    days = week.by_day(events, LOCAL)
    assert sum(float(s.sum()) for s in days.values()) == pytest.approx(
        sum(d.litres_40c for d in events)
    )
    far = Local(ZoneInfo("Pacific/Auckland"), "NZD", fake_house.NOW)
    assert week.by_day(events, far).keys() != days.keys()


def test_what_was_drawn_is_gathered_beside_its_forecast():
    events = fake_house.history()
    forecast = fake_house.forecast_of(fake_house.typical_week(events), -1)
    start, end = int(forecast.grid.start_s[0]), int(forecast.grid.end_s[-1])
    that_day = [d for d in events if start <= d.start.timestamp() < end]
    found = gathering.gather(forecast, events, end, end)
    assert found is not None
    assert found.drawn[-1] == (end, pytest.approx(sum(d.litres_40c for d in that_day)))
    assert (found.low <= found.middle).all()
    assert (found.middle <= found.high).all()
    assert (np.diff(found.high) >= 0).all()
    noon = gathering.gather(forecast, events, end, start + 43200)
    assert noon is not None
    assert noon.drawn[-1][1] < found.drawn[-1][1]
    assert gathering.gather(forecast, events, start, start) is None
    picture = ET.fromstring(gathering.picture("day-1", "Yesterday", found, LOCAL))
    assert marks(picture, "really")
