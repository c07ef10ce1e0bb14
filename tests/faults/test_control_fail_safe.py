"""Stale, impossible or contradictory input, clocks that jump, a lost tariff, a broker gone: each
ends with the cylinder on its own thermostats or with control going on as written here."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from adapters.types import PriceSeries, Reading
from service.control.types import Rule, Wish
from tests.control_plant import MONDAY, LittleHome, settings, wiring, with_habits

CALM: dict[str, Any] = {
    "hygiene": {"longest_interval_days": 31, "lowered_confirmed_by": "A"},
    "reserve_tenths": 6,
}
COLD = [11.0] * 40


def _home(**more: Any) -> LittleHome:
    changes = more.pop("changes", {})
    plain = {"plans": False, "profile_c": COLD, "every_s": 60.0} | more
    return LittleHome(settings(CALM, **changes), **plain)


def _code(home: LittleHome) -> str:
    decision = home.last.view.decision
    assert decision is not None
    return decision.reason.code


@pytest.mark.parametrize("value", [-127.0, 150.0, math.nan, math.inf, -math.inf, 1e300])
def test_an_impossible_value_neither_counts_nor_moves_anything(value: float) -> None:
    home = _home()
    home.live(300)
    before = home.last.view.v40_l
    home.step(tuple(home.reading(f"probe_{i}", value) for i in (1, 2, 3)))
    assert home.last.view.v40_l == pytest.approx(before, abs=5)
    home.silent = {"probe_1", "probe_2", "probe_3"}
    for _ in range(7):  # nonsense alone keeps nothing fresh
        home.live(60)
        home.step(tuple(home.reading(f"probe_{i}", value) for i in (1, 2, 3)))
    assert not home.on("pump")
    assert home.last.view.mode is Rule.FAIL_SAFE


@pytest.mark.parametrize("jump", [timedelta(hours=1), timedelta(hours=-1)])
def test_a_clock_that_jumps_by_an_hour_leaves_leases_and_rests_as_they_are(
    jump: timedelta,
) -> None:
    home = _home()
    home.live(300)
    assert home.on("pump")
    starts = home.state.book.runs["heat_pump"].starts
    home.now += jump
    home.live(300)
    assert home.on("pump")
    assert home.state.book.runs["heat_pump"].starts == starts
    assert "clock_jumped" in {f.code for f in home.last.view.faults}


def test_a_clock_in_1970_releases_and_comes_back_when_it_is_right() -> None:
    home = _home()
    home.live(300)
    right = home.now
    home.now = datetime(1970, 1, 1, 0, 5, tzinfo=UTC)
    home.step(home.readings())
    assert not home.on("pump")
    assert _code(home) == "clock_cannot_be_right"
    home.live(900)
    assert not home.on("pump")
    home.now = right + timedelta(seconds=900)
    home.live(900)
    assert home.on("pump")


def test_a_home_that_boots_in_1970_waits_and_then_begins() -> None:
    home = _home(now=datetime(1970, 1, 1, tzinfo=UTC))
    home.live(300)
    assert home.sent == []
    home.now = MONDAY
    home.live(300)
    assert home.on("pump")


def test_the_night_of_25_hours_is_an_ordinary_night() -> None:
    before = datetime(2026, 10, 24, 21, 0, tzinfo=UTC)  # clocks go back at 01:00 UTC
    home = with_habits(before, days=21, replan_every_slots=4)
    home.live(9 * 3600)
    assert "clock_jumped" not in {f.code for o in home.outputs for f in o.faults}
    plans = [o.plan_made for o in home.outputs if o.plan_made is not None]
    assert plans
    assert all((p.grid.end_s - p.grid.start_s > 0).all() for p in plans)
    assert all((p.grid.end_s[:-1] == p.grid.start_s[1:]).all() for p in plans)


def test_a_lost_or_senseless_tariff_leaves_a_plan_from_the_bands() -> None:
    home = with_habits(
        MONDAY,
        days=14,
        replan_every_slots=12,
        price_feeds=[{"kind": "mqtt", "address": "prices/today"}],
    )
    at = int(MONDAY.timestamp())
    home.step(home.readings(), prices=(PriceSeries((), (), (), float(at)),))
    home.live(900)
    assert home.state.plan is not None
    assert home.state.plan.price_note == "feed_lost_bands"


def test_a_settings_misfit_that_is_unsafe_commands_nothing() -> None:
    home = _home(changes={"cylinder": {"ceiling_c": 66}})
    home.live(600)
    assert home.sent == []
    assert _code(home) == "settings_do_not_fit"


def test_work_that_fails_leaves_the_reserve_and_says_so() -> None:
    home = _home()
    home.live(900)
    assert _code(home) == "no_plan_reserve"
    assert "work_failed" in {f.code for f in home.last.view.faults}


def test_work_that_never_answers_is_asked_again_and_old_answers_are_ignored() -> None:
    home = _home()
    home.plans = True
    first = None
    for _ in range(20):
        home.wait(20)
        from service.control.step import step
        from service.control.types import Inputs, WorkDone

        home.state, out = step(
            home.state, home.settings, Inputs(readings=home.readings()), home.now, home.elapsed_s
        )
        for work in out.work:
            if first is None:
                first = work
            else:
                assert work.number > first.number
                late = WorkDone(first.kind, first.number, failed="too late")
                home.state, _ = step(
                    home.state,
                    home.settings,
                    Inputs(work_done=(late,)),
                    home.now,
                    home.elapsed_s,
                )
                assert home.state.planning.failed == {}
                return
    raise AssertionError("never asked again")


def test_readings_that_contradict_each_other_leave_the_cylinder_to_itself() -> None:
    home = _home(profile_c=[40.0] * 40)
    for turn in range(60):  # the upper half jumps about as no water can
        home.wait(60)
        wild = 15.0 + 40.0 * (turn % 2)
        home.step(
            (
                home.reading("probe_1", 40.0),
                home.reading("probe_2", wild),
                home.reading("probe_3", 70.0 - wild),
            )
        )
    assert home.last.view.mode is Rule.FAIL_SAFE
    assert _code(home) == "readings_contradict"
    assert not home.state.book.leases


def test_an_absence_in_the_records_of_overrides_is_not_an_end_of_a_hold() -> None:
    home = _home()
    home.wish(Wish.HOLD)
    home.live(120)
    home.overrides = ()
    home.live(600)
    assert home.last.view.mode is Rule.MAINTENANCE_HOLD
    assert not any(c.action == "run" for _, c in home.sent)


def _two_probes(swapped_at: Callable[[LittleHome], bool]) -> LittleHome:
    """A home with two probes and no meter, whose probes are swapped at times."""
    home = LittleHome(
        settings(
            {"hygiene": {"longest_interval_days": 31, "lowered_confirmed_by": "A"}},
            signals=[x for x in wiring()["signals"] if x["name"] in ("probe_1", "probe_3")],
        ),
        profile_c=[12.0] * 12 + [50.0] * 28,
        plans=False,
    )
    real = home.readings

    def readings() -> tuple[Reading, ...]:
        shown = {r.signal: r.value for r in real()}
        names = ("probe_3", "probe_1") if swapped_at(home) else ("probe_1", "probe_3")
        return (home.reading("probe_1", shown[names[0]]), home.reading("probe_3", shown[names[1]]))

    home.readings = readings  # type: ignore[method-assign]
    return home


def _at_most_there(home: LittleHome) -> float:
    """What is really there, L at 40 degC."""
    return float(home.water.usable_l(home.cold_c))


@pytest.mark.parametrize("minutes", [4, 30])
def test_probes_that_contradict_each_other_promise_no_water_then_or_afterwards(
    minutes: float,
) -> None:
    begin_s = 1000.0 + 3600.0
    home = _two_probes(lambda h: begin_s <= h.elapsed_s - 1.0 < begin_s + minutes * 60.0)
    home.live(3600)
    before = home.last.view.shown_tenths
    assert before is not None
    assert before > 0
    home.live(60)
    for _ in range(int(minutes) - 1):
        home.live(60)
        assert home.last.view.mode is Rule.FAIL_SAFE
        assert home.last.view.shown_tenths is None
        assert home.last.view.v40_l is None
    home.live(120)
    assert home.last.view.mode is Rule.PLAN
    for _ in range(30):
        assert (home.last.view.v40_low_l or 0.0) <= _at_most_there(home)
        assert home.last.view.v40_low_l
        home.live(60)
    assert not home.history


def test_probes_that_contradict_each_other_from_the_first_minute_show_no_charge() -> None:
    home = _two_probes(lambda h: h.elapsed_s < 1000.0 + 3600.0)
    for _ in range(58):
        home.live(60)
        assert home.last.view.shown_tenths is None
        assert home.last.view.lead.code == "readings_contradict"
    home.live(240)
    assert 0.0 < (home.last.view.v40_low_l or 0.0) <= _at_most_there(home)
