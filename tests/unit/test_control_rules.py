"""Precedence, overrides, leases and what happens without a plan, on the little home."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from forecasting.types import SlotGrid, Surroundings
from service.control import overrides, precedence, rules
from service.control import plant as plants
from service.control.overrides import WishRefused, check_wish
from service.control.planning import PlanArguments
from service.control.types import Override, Rule, Wish
from service.cylinder import model
from tests.control_plant import MONDAY, LittleHome, settings, wiring, with_habits

COLD = [11.0] * 40
HALF = [12.0] * 20 + [52.0] * 20
STEADY = {"layout": "plate", "capacity_w": 6000, "min_run_s": 0}
CALM: dict[str, Any] = {"hygiene": {"longest_interval_days": 31, "lowered_confirmed_by": "A"}}


def _home(tunables: dict[str, Any] | None = None, **more: Any) -> LittleHome:
    changes = more.pop("changes", {})
    plain = {"plans": False, "profile_c": HALF, "every_s": 60.0} | more
    return LittleHome(settings(CALM | (tunables or {}), **changes), **plain)


def _runs(home: LittleHome, actuator: str = "pump") -> int:
    return sum(c.action == "run" and c.actuator == actuator for _, c in home.sent)


# --- the table ---------------------------------------------------------------------------------


def test_the_table_holds_every_rule_once_in_its_order() -> None:
    assert [row.rule for row in precedence.TABLE] == list(Rule)
    assert set(rules.JUDGES) == set(Rule)


# --- without a plan ----------------------------------------------------------------------------


def test_without_a_plan_the_reserve_is_kept_at_any_hour_and_said_so() -> None:
    home = _home(profile_c=COLD)
    home.live(1800)
    assert home.last.view.decision is not None
    assert home.last.view.decision.reason.code == "no_plan_reserve"
    assert home.on("pump")
    assert home.until(lambda h: not h.on("pump"), 3 * 3600)
    shown = home.last.view.v40_l or 0.0
    assert shown == pytest.approx(home.last.view.reference_l40 * 0.3, rel=0.15)


@pytest.mark.parametrize("plans", [False, True])
def test_an_empty_cylinder_is_not_called_charged_as_planned_while_its_source_rests(
    plans: bool,
) -> None:
    """Quiet hours, or a heat pump left alone after it did not answer: that is what is said."""
    noon = {"quiet_from": "12:00", "quiet_until": "20:00"}
    signals = [s for s in wiring()["signals"] if s["name"] != "element_power"]
    changes: dict[str, Any] = {
        "immersion": None,
        "actuators": wiring()["actuators"][:1],
        "signals": signals,
    }
    quiet = _home(noon, changes=changes, profile_c=COLD, plans=plans)
    quiet.live(1800)
    assert quiet.last.view.decision is not None
    assert quiet.last.view.decision.reason.code == "plan_hindered"
    assert quiet.last.view.decision.reason.facts == {
        "source": "heat_pump",
        "because": "quiet_hours",
    }
    dead = _home(changes=changes, profile_c=COLD, plans=plans, dead={"pump"})
    assert dead.until(lambda h: bool(h.last.view.faults), 3600)
    dead.live(900)
    assert dead.last.view.decision is not None
    assert dead.last.view.decision.reason.facts.get("because") == "without_effect"


def _frost(home: LittleHome) -> None:
    """It is 15 degC below zero, as far as anybody knows: a feed or the season says so."""
    start_s = int(home.now.timestamp()) + np.arange(0, 86_400, 1800)
    grid = SlotGrid(start_s, start_s + 1800)
    around = Surroundings(grid, np.full(48, 8.0), np.full(48, -15.0), np.zeros(48))
    home.state = replace(home.state, surroundings=around)


def test_what_the_heat_pump_reaches_follows_the_outdoor_air_that_is_expected() -> None:
    """Default flow limits: 47.5 degC at -15 degC, so 42.5 degC beyond an approach of 5 K."""
    tank = {"profile_c": [44.0] * 40, "cold_c": 8.0}
    home = _home({"reserve_tenths": 9}, **tank)
    _frost(home)
    home.live(600)
    assert home.on("element")
    assert not _runs(home)
    assert home.last.view.outdoor_c is None  # nothing measures it
    unknown = _home({"reserve_tenths": 9}, **tank)
    unknown.live(600)
    assert unknown.on("pump")


def test_a_measured_outdoor_temperature_wins_over_what_is_expected() -> None:
    outdoors = {"name": "air", "measures": "outdoor_temperature", "unit": "Cel", "topic": "plant/o"}
    home = _home(
        {"reserve_tenths": 9},
        profile_c=[44.0] * 40,
        cold_c=8.0,
        changes={"signals": [*wiring()["signals"], outdoors]},
    )
    _frost(home)
    for _ in range(10):
        home.wait(60)
        home.step((*home.readings(), home.reading("air", 12.0)))
    assert home.on("pump")
    assert home.last.view.outdoor_c == 12.0


# --- leases ------------------------------------------------------------------------------------


def test_a_lease_is_repeated_well_inside_its_time() -> None:
    home = _home(profile_c=COLD, every_s=20.0)
    home.live(1500)
    times = [at for at, c in home.sent if c.action == "run"]
    gaps = [(b - a).total_seconds() for a, b in pairwise(times)]
    assert gaps
    assert max(gaps) <= 240


def test_released_when_readings_go_stale() -> None:
    home = _home(profile_c=COLD)
    home.live(600)
    assert home.on("pump")
    home.silent = {"probe_1", "probe_2", "probe_3"}
    home.live(420)
    assert not home.on("pump")
    assert home.last.view.decision is not None
    assert home.last.view.decision.reason.code == "readings_stale"


def test_goes_on_without_the_lowest_probe() -> None:
    home = _home(profile_c=COLD)
    home.live(600)
    home.silent = {"probe_1"}
    home.live(900)
    assert home.on("pump")


def test_released_on_shutdown() -> None:
    home = _home(profile_c=COLD)
    home.live(600)
    assert home.on("pump")
    home.step(home.readings(), stopping=True)
    assert not home.on("pump")


def test_restart_with_a_retained_probe_and_an_hours_backlog_commands_nothing() -> None:
    home = _home(profile_c=COLD)
    home.live(600)
    home.restart(down_s=3600)
    sent = len(home.sent)
    at = home.now.timestamp()
    retained = home.reading("probe_3", 20.0, tells_now=False)
    backlog = tuple(
        home.reading(
            "probe_3", 20.0, measured_s=at - s, received_s=at, stamped=True, tells_now=False
        )
        for s in range(3600, 300, -60)
    )
    queued = tuple(home.reading("probe_2", 20.0, tells_now=False) for _ in range(60))
    out = home.step((retained, *backlog, *queued))
    assert out.commands == ()
    assert len(home.sent) == sent
    assert out.view.mode is Rule.FAIL_SAFE


def test_what_ran_before_a_restart_is_released_once_readings_are_in() -> None:
    home = _home(profile_c=COLD)
    home.live(600)
    assert home.on("pump")
    home.restart(down_s=5)
    assert home.step(()).commands == ()
    home.wait(10)
    out = home.step(home.readings())
    assert [c.action for c in out.commands if c.actuator == "pump"] == ["release"]
    home.live(500)  # and starts again only after its rest
    assert not home.on("pump")
    home.live(200)
    assert home.on("pump")


def test_a_home_without_an_actuator_is_watched_and_not_said_to_have_failed_to_plan() -> None:
    home = with_habits(MONDAY, 28, 1, actuators=[])
    home.live(3600)
    assert home.state.demand is not None
    assert home.state.plan is None
    assert "work_failed" not in {f.code for f in home.last.view.faults}


def test_a_broker_that_is_gone_gets_no_commands_and_no_leases_survive() -> None:
    home = _home(profile_c=COLD)
    home.connected = True
    home.live(600)
    assert home.state.book.leases
    home.connected = False
    sent = len(home.sent)
    home.live(300)
    assert len(home.sent) == sent
    assert not home.state.book.leases
    home.connected = True
    home.step(home.readings())
    assert home.sent[-1][1].action == "release"


def test_minimum_run_and_rest_count_elapsed_time() -> None:
    home = _home({"reserve_tenths": 4}, profile_c=[12.0] * 32 + [52.0] * 8)
    home.live(120)
    assert home.on("pump")
    home.wish(Wish.LESS, until=home.now + timedelta(hours=5))
    home.settings = home.settings.model_copy(
        update={"tunables": home.settings.tunables.model_copy(update={"reserve_tenths": 0})}
    )
    home.live(300)
    assert home.on("pump")  # the minimum run goes on
    home.live(400)
    assert not home.on("pump")
    home.settings = home.settings.model_copy(
        update={"tunables": home.settings.tunables.model_copy(update={"reserve_tenths": 9})}
    )
    home.live(300)
    assert not home.on("pump")  # the minimum rest
    home.live(500)
    assert home.on("pump")


def test_a_level_out_of_reach_does_not_have_a_source_start_for_every_kelvin() -> None:
    """The element heats nothing below itself, so nine tenths of the cylinder are never there."""
    home = _home(
        {"reserve_tenths": 9},
        changes={"heat_pump": None, "actuators": wiring()["actuators"][1:]},
        profile_c=[12.0] * 4 + [48.0] * 36,
        draws=lambda at: 2.0 if at.minute % 20 == 0 else 0.0,
    )
    started, on = [], False
    for _ in range(6 * 60):
        home.live(60)
        was, on = on, home.on("element")
        if on and not was:
            started.append(home.now)
    assert started
    assert all(b - a > timedelta(minutes=45) for a, b in pairwise(started))
    assert home.probe("probe_2") > 48


def test_at_the_ceiling_everything_is_released_at_once() -> None:
    home = _home(profile_c=COLD)
    home.live(120)
    assert home.on("pump")
    out = home.step((home.reading("probe_3", 63.5),))
    assert not home.on("pump")
    assert out.view.mode is Rule.HARD_LIMITS


def test_a_set_temperature_is_raised_only_as_far_as_needed_to_be_answered() -> None:
    actuator = wiring()["actuators"][0] | {"form": "set_temperature", "run": "{set_c}"}
    changes = {
        "actuators": [actuator],
        "heat_pump": {"own_sensor_height_m": 1.4, "own_restart_k": 5},
    }
    home = _home({"reserve_tenths": 7}, profile_c=[12.0] * 30 + [45.0] * 10, changes=changes)
    home.live(60)
    run = next(c for _, c in home.sent if c.action == "run")
    assert run.set_c == pytest.approx(52.0)
    home = _home({"reserve_tenths": 7}, profile_c=[12.0] * 30 + [54.0] * 10, changes=changes)
    home.live(60)
    assert _runs(home) == 0  # 54 + 5 K is beyond its 55 degC: the heat pump would not answer
    assert home.last.view.decision is not None
    assert home.last.view.decision.inputs["waits_for"] == "will_not_call"


# --- overrides ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("wish", "reserve", "believed", "heats"),
    [
        (Wish.LESS, 4, 2.2, True),
        (Wish.LESS, 3, 2.2, False),
        (Wish.MORE, 6, 6.0, True),
        (Wish.MORE, 5, 6.0, False),
    ],
)
def test_a_plan_that_counts_a_wish_is_not_read_as_if_it_did_not(
    wish: Wish, reserve: int, believed: float, *, heats: bool
) -> None:
    """A wish moves the reserve by one tenth, not by two; without draws little else is planned."""
    flat = {"tariff": {"bands": [{"import_per_kwh": 0.3}]}, "reserve_tenths": reserve}
    profile = [12.0] * 18 + [52.0] * 22 if believed > 3 else [12.0] * 28 + [52.0] * 12
    home = _home(flat, plans=True, profile_c=profile, changes={"heat_pump": STEADY})
    home.state = replace(home.state, hygiene=replace(home.state.hygiene, passed_at=home.now))
    home.wish(wish, until=home.now + timedelta(days=2))
    home.live(120)
    first = home.outputs[0].view
    assert first.v40_l == pytest.approx(believed / 10 * first.reference_l40, rel=0.02)
    assert home.state.plan is not None
    home.live(120)
    assert home.on("pump") is heats


def test_more_raises_the_reserve_until_its_end_and_less_cools_nothing() -> None:
    home = _home({"reserve_tenths": 3})
    home.live(120)
    assert not home.on("pump")
    for _ in range(3):
        home.wish(Wish.MORE, until=home.now + timedelta(hours=3))
    home.live(120)
    assert home.on("pump")
    assert home.last.view.mode is Rule.OVERRIDE
    assert home.until(lambda h: not h.on("pump"), 2 * 3600)
    assert (home.last.view.v40_l or 0) > 0.55 * home.last.view.reference_l40
    home.live(3 * 3600)
    assert home.last.view.mode is Rule.PLAN


def test_charge_to_is_begun_in_time_and_reached() -> None:
    home = _home({"reserve_tenths": 0}, profile_c=COLD)
    home.live(60)
    by = home.now + timedelta(hours=4)
    home.wish(Wish.CHARGE_TO, tenths=6, until=by)
    home.live(1800)
    assert not home.on("pump")
    home.until(lambda h: h.now >= by, 4 * 3600)
    assert (home.last.view.v40_l or 0) >= 0.57 * home.last.view.reference_l40


def test_a_charge_by_tomorrow_is_not_begun_because_something_runs_today() -> None:
    """What ran for the evening went on to the morning's charge, at the evening's price."""
    home = _home({"reserve_tenths": 5}, profile_c=[12.0] * 24 + [52.0] * 16)
    home.wish(Wish.CHARGE_TO, tenths=9, until=home.now + timedelta(hours=13))
    assert home.until(lambda h: h.on("pump"), 3600)
    assert home.until(lambda h: not h.on("pump"), 3 * 3600)
    assert home.water.usable_l(home.cold_c) < plants.of(home.settings).litres(7)
    assert home.until(lambda h: h.on("pump"), 13 * 3600)
    home.live(13 * 3600 + (MONDAY - home.now).total_seconds())
    assert home.water.usable_l(home.cold_c) > plants.of(home.settings).litres(8.8)


def test_charge_to_is_begun_in_time_by_a_heat_pump_in_the_cold() -> None:
    """At 15 degC below zero the default one gives six tenths of its capacity."""
    home = _home({"reserve_tenths": 0}, profile_c=COLD, changes={"immersion": None})
    _frost(home)
    plant = plants.of(home.settings)
    home.strength = plant.heat_w(plant.sources["heat_pump"], -15.0) / 6000.0
    home.live(60)
    home.wish(Wish.CHARGE_TO, tenths=5, until=home.now + timedelta(hours=5))
    by = home.now + timedelta(hours=5)
    home.until(lambda h: h.now >= by, 6 * 3600)
    assert (home.last.view.v40_l or 0) >= 0.47 * home.last.view.reference_l40


def test_what_is_wished_for_goes_never_beyond_the_highest_charge() -> None:
    """It may be lowered while the wish stands."""
    home = _home({"reserve_tenths": 0, "highest_tenths": 5}, profile_c=COLD)
    home.wish(Wish.CHARGE_TO, tenths=9, until=home.now + timedelta(minutes=10))
    home.wish(Wish.GUESTS, people=20.0, until=home.now + timedelta(hours=5))
    home.live(60)
    assert home.last.view.decision is not None
    assert home.last.view.decision.reason.facts["tenths"] == 5
    home.live(1200)
    assert home.last.view.decision.reason.facts["until_tenths"] == 5.0
    home.live(4 * 3600)
    assert (home.last.view.v40_l or 0) < 0.55 * home.last.view.reference_l40


def test_guests_are_reckoned_with_what_a_person_draws_in_a_usual_week() -> None:
    """Not with a forecast, in which ever more guests draw ever more."""
    home = with_habits(MONDAY, 30, 2)
    home.live(600)
    guests = {"people": 3.0, "until": home.now + timedelta(days=4)}
    expected = sum(map(sum, home.state.week_l40)) / 7 / 2.5 * 3.0 / 2.0
    raised = []
    for since in (home.now + timedelta(hours=1), home.now):
        home.overrides = ()
        home.wish(Wish.GUESTS, since=since, **guests)
        home.live(900)
        asked = [w.arguments for o in home.outputs for w in o.work if w.kind == "plan"][-1]
        assert isinstance(asked, PlanArguments)
        raised.append(float(asked.reserve_l40.max()) - 2 * home.last.view.reference_l40 / 10)
    assert raised == pytest.approx([expected, expected], rel=0.02)


@pytest.mark.parametrize("order", [(Wish.AWAY, Wish.GUESTS), (Wish.GUESTS, Wish.AWAY)])
def test_guests_in_a_home_whose_people_are_away_have_a_reserve_of_their_own(
    order: tuple[Wish, Wish],
) -> None:
    home = with_habits(MONDAY, 30, 2)
    home.live(600)
    for wish in order:
        people = 2.0 if wish is Wish.GUESTS else None
        home.wish(wish, people=people, until=home.now + timedelta(days=4))
    home.live(900)
    asked = [w.arguments for o in home.outputs for w in o.work if w.kind == "plan"][-1]
    assert isinstance(asked, PlanArguments)
    person = sum(map(sum, home.state.week_l40)) / 7 / 2.5
    assert asked.reserve_l40[4:] == pytest.approx(person, rel=0.02)
    unplanned = _home(profile_c=COLD)
    unplanned.overrides = home.state.overrides
    unplanned.live(600)
    assert unplanned.last.view.decision is not None
    assert unplanned.last.view.decision.reason.code == "guests"


def test_a_decision_that_stands_is_shown_with_what_it_rests_on_now() -> None:
    home = _home({"reserve_tenths": 0}, profile_c=COLD)
    home.wish(Wish.CHARGE_TO, tenths=5, until=home.now + timedelta(hours=1))
    home.live(120)
    assert home.last.view.decision is not None
    began, commands = home.last.view.decision.at, home.last.view.decision.commands
    home.overrides = ()
    until = home.now + timedelta(hours=2)
    home.wish(Wish.CHARGE_TO, tenths=9, until=until)
    home.live(120)
    decision = home.last.view.decision
    assert decision.reason.facts["tenths"] == 9
    assert decision.reason.facts["until"] == until.isoformat(timespec="minutes")
    assert (decision.at, decision.commands) == (began, commands)
    assert home.last.decision is None  # it is no news for the records


def test_no_tenths_are_shown_while_no_probe_says_what_is_in_the_cylinder() -> None:
    home = _home(profile_c=[50.0] * 40)
    home.live(300)
    assert home.last.view.shown_tenths == 9
    home.silent = {"probe_1", "probe_2", "probe_3"}
    home.live(600)
    assert home.last.view.v40_l is None
    assert home.last.view.shown_tenths is None
    home.silent = set()
    home.live(60)
    assert home.last.view.shown_tenths == 9


def test_hold_commands_nothing_and_only_a_person_ends_it() -> None:
    home = _home(profile_c=COLD)
    home.live(600)
    hold = home.wish(Wish.HOLD)
    home.live(60)
    assert not home.on("pump")
    sent = len(home.sent)
    home.overrides = ()  # the records lost it
    home.live(1200)
    assert len(home.sent) == sent
    home.restart(down_s=86_400 * 3)
    home.live(1200)
    # A new process does not know what the one before it sent last, and makes sure once.
    assert [c.action for _, c in home.sent[sent:]] == ["release", "release"]
    assert home.last.view.mode is Rule.MAINTENANCE_HOLD
    home.overrides = (replace(hold, ended_at=home.now, ended_by="installer"),)
    home.live(1200)
    assert home.on("pump")


def test_away_keeps_no_reserve_but_protects_against_frost() -> None:
    home = _home({"reserve_tenths": 5}, profile_c=[8.0] * 40, cold_c=4.0)
    home.wish(Wish.AWAY, until=home.now + timedelta(days=9))
    home.live(600)
    assert not home.on("pump")
    home.water = model.start(home.cylinder, [5.0] * 40)
    home.live(300)
    assert home.on("pump") or home.on("element")
    assert home.last.view.decision is not None
    assert home.last.view.decision.reason.code == "frost_protection"


def test_guests_raise_the_reserve() -> None:
    home = _home({"reserve_tenths": 3}, profile_c=[12.0] * 28 + [52.0] * 12)
    home.live(120)
    before = _runs(home)
    home.wish(Wish.GUESTS, people=4.0, until=home.now + timedelta(days=2))
    home.live(600)
    assert _runs(home) > before
    assert home.last.view.mode is Rule.GUESTS_AND_AWAY


@pytest.mark.parametrize(
    ("fields", "where"),
    [
        ({}, "wish"),
        ({"wish": "hotter"}, "wish"),
        ({"wish": "charge_to", "until": "18:30"}, "tenths"),
        ({"wish": "charge_to", "tenths": 11, "until": "18:30"}, "tenths"),
        ({"wish": "charge_to", "tenths": 2.5, "until": "18:30"}, "tenths"),
        ({"wish": "charge_to", "tenths": 5}, "until"),
        ({"wish": "charge_to", "tenths": 5, "until": "yesterday"}, "until"),
        ({"wish": "charge_to", "tenths": 5, "until": "2020-01-01T00:00"}, "until"),
        ({"wish": "guests", "until": "2026-01-14T10:00"}, "people"),
        ({"wish": "guests", "people": "nan", "until": "2026-01-14T10:00"}, "people"),
        ({"wish": "away"}, "until"),
        ({"wish": "away", "until": "2036-01-14T10:00"}, "until"),
        ({"wish": "more", "tenths": 3}, "tenths"),
        ({"wish": "more", "until": "0001-01-01T00:00+14:00"}, "until"),
    ],
)
def test_a_wish_that_makes_no_sense_is_refused_with_a_way_out(
    fields: dict[str, Any], where: str
) -> None:
    with pytest.raises(WishRefused) as refused:
        check_wish(fields, "somebody", MONDAY, settings(), None)
    assert refused.value.where == where
    assert refused.value.mend


def _standing(wish: Wish, count: int) -> tuple[Override, ...]:
    until = MONDAY + timedelta(hours=12)
    return tuple(Override(n, wish, "x", MONDAY, MONDAY, until) for n in range(1, count + 1))


@pytest.mark.parametrize(
    ("wish", "most"),
    [
        (Wish.MORE, 6),  # a reserve of 2 and a highest charge of 8 tenths
        (Wish.LESS, 8),
    ],
)
def test_what_changes_nothing_any_more_is_refused(wish: Wish, most: int) -> None:
    home = settings({"reserve_tenths": 2, "highest_tenths": 8})
    asked = {"wish": wish}
    check_wish(asked, "x", MONDAY, home, None, others=_standing(wish, most - 1))
    with pytest.raises(WishRefused, match=f"{wish} is asked for {most} times already"):
        check_wish(asked, "x", MONDAY, home, None, others=_standing(wish, most))
    other = Wish.LESS if wish is Wish.MORE else Wish.MORE
    check_wish({"wish": other}, "x", MONDAY, home, None, others=_standing(wish, most))


def test_there_is_an_end_to_what_can_be_asked_for_at_once_and_none_to_stopping() -> None:
    many = _standing(Wish.GUESTS, 50)
    until = {"until": "2026-01-14T10:00"}
    for asked in ({"wish": "guests", "people": 1} | until, {"wish": "away"} | until):
        check_wish(asked, "x", MONDAY, settings(), None, others=many[1:])
        with pytest.raises(WishRefused, match="50 wishes stand already"):
            check_wish(asked, "x", MONDAY, settings(), None, others=many)
    for wish in (Wish.HOLD, Wish.END_HOLD, Wish.BACK_TO_PLAN):
        check_wish({"wish": wish}, "x", MONDAY, settings(), None, others=many)


@pytest.mark.parametrize(
    "fields",
    [
        {"wish": "charge_to", "tenths": 5},
        {"wish": "away", "until": "2036-01-14T10:00"},
        {"wish": "guests", "until": "2026-01-14T10:00"},
    ],
)
def test_a_refusal_is_in_words_that_a_page_can_show_too(fields: dict[str, Any]) -> None:
    """Neither the names of fields and wishes nor "send", which only a program does."""
    with pytest.raises(WishRefused) as refused:
        check_wish(fields, "somebody", MONDAY, settings(), None)
    said = f"{refused.value.what}; {refused.value.mend}"
    assert not {"charge_to", "'away'", "'guests'", "send"} & set(said.replace(";", "").split())


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        (
            {"wish": "more", "author": "Ines"},
            "author: 'more' takes no 'author'; leave it out: it takes until",
        ),
        (
            {"wish": "guests", "people": True, "until": "23:00"},
            "people: 'true' is not a number; say how many people come besides those who live "
            "here, up to 30",
        ),
    ],
)
def test_what_was_sent_is_told_as_it_was_sent(fields: dict[str, Any], said: str) -> None:
    with pytest.raises(WishRefused) as refused:
        check_wish(fields, "somebody", MONDAY, settings(), None)
    assert str(refused.value) == said


def test_a_time_of_day_is_the_homes_own_next_one() -> None:
    wish = check_wish(
        {"wish": "charge_to", "tenths": "5", "until": "12:30"}, "somebody", MONDAY, settings(), None
    )  # 12:00 UTC is 13:00 in Paris, so 12:30 is tomorrow's
    assert wish.until is not None
    assert wish.until.isoformat() == "2026-01-13T11:30:00+00:00"
    midnight = {"wish": "charge_to", "tenths": "5", "until": "24:00"}
    wish = check_wish(midnight, "somebody", MONDAY, settings(), None)
    assert wish.until is not None
    assert wish.until.isoformat() == "2026-01-12T23:00:00+00:00"


@pytest.mark.parametrize(
    ("now", "asked", "found"),
    [
        ("2026-10-25T00:40", "02:15", "2026-10-25T01:15"),  # 02:40 in summer time: once more
        ("2026-10-25T01:10", "02:45", "2026-10-25T01:45"),  # 02:10 in winter time
        ("2026-10-25T01:10", "2026-10-25T02:45", "2026-10-25T01:45"),
        ("2026-10-24T20:00", "02:45", "2026-10-25T00:45"),  # of two the first
        ("2026-10-25T01:50", "02:45", "2026-10-26T01:45"),
        ("2026-03-29T00:30", "02:30", "2026-03-29T01:30"),  # which no clock shows
        ("2026-03-29T02:00", "02:30", "2026-03-30T00:30"),
    ],
)
def test_a_time_that_comes_twice_or_never_is_the_next_that_can_be_meant(
    now: str, asked: str, found: str
) -> None:
    """Paris, 2026: summer time begins on 29 March and ends on 25 October at 01:00 UTC."""
    at, expected = (datetime.fromisoformat(text).replace(tzinfo=UTC) for text in (now, found))
    wish = check_wish({"wish": "away", "until": asked}, "x", at, settings(), None)
    assert wish.until == expected


def test_a_time_of_day_until_which_is_the_next_after_the_beginning() -> None:
    asked = {"wish": "guests", "people": 2, "from": "08:00", "until": "20:00"}
    wish = check_wish(asked, "x", MONDAY, settings(), None)  # 13:00 in Paris
    assert wish.since.isoformat() == "2026-01-13T07:00:00+00:00"
    assert wish.until is not None
    assert wish.until.isoformat() == "2026-01-13T19:00:00+00:00"


def test_a_hold_of_this_moment_can_be_ended_before_a_step_has_seen_it() -> None:
    home = _home()
    home.live(60)
    hold = Override(1, Wish.HOLD, "somebody", MONDAY, MONDAY, None)
    ask = {"wish": "end_hold"}
    check_wish(ask, "somebody", MONDAY, home.settings, home.last.view, others=(hold,))
    with pytest.raises(WishRefused, match="no maintenance hold"):
        check_wish(ask, "somebody", MONDAY, home.settings, home.last.view)


def test_no_message_ends_a_hold() -> None:
    with pytest.raises(WishRefused):
        check_wish({"wish": "end_hold"}, "mqtt", MONDAY, settings(), None, by_message=True)


def test_back_to_plan_ends_charging_wishes_and_nothing_else() -> None:
    def made(number: int, wish: Wish) -> Override:
        return Override(number, wish, "x", MONDAY, MONDAY, MONDAY + timedelta(hours=1))

    standing = [
        made(1, Wish.MORE),
        made(2, Wish.CHARGE_TO),
        made(3, Wish.GUESTS),
        made(4, Wish.HOLD),
    ]
    ended = overrides.ended_by(made(5, Wish.BACK_TO_PLAN), standing)
    assert [o.id for o in ended] == [1, 2]


# --- the immersion heater after draining -------------------------------------------------------


def test_the_immersion_heater_waits_for_flow_when_the_heat_went_during_a_hold() -> None:
    only = wiring()["actuators"][1:]
    home = _home(
        {"reserve_tenths": 5}, profile_c=[50.0] * 40, changes={"heat_pump": None, "actuators": only}
    )
    home.live(120)
    hold = home.wish(Wish.HOLD)
    home.live(120)
    home.water = model.start(home.cylinder, [15.0] * 40)  # drained, air and what came after
    home.live(3600)
    home.overrides = (replace(hold, ended_at=home.now, ended_by="installer"),)
    home.live(900)
    assert not home.on("element")
    assert home.last.view.decision is not None
    assert home.last.view.decision.inputs["waits_for"] == "drained"
    again = home.wish(Wish.HOLD)
    home.live(600)
    home.overrides = (replace(again, ended_at=home.now, ended_by="installer"),)
    home.live(900)
    assert not home.on("element"), "a second hold fills nothing"
    home.draws = lambda at: 20.0
    home.live(16 * 60)  # 320 L through the cold feed: it is full
    home.draws = lambda at: 0.0
    home.live(600)
    assert home.on("element")


def test_an_ordinary_hold_does_not_make_the_immersion_heater_wait() -> None:
    only = wiring()["actuators"][1:]
    home = _home(
        {"reserve_tenths": 7}, profile_c=[45.0] * 40, changes={"heat_pump": None, "actuators": only}
    )
    hold = home.wish(Wish.HOLD)
    home.every_s = 600.0
    home.live(2 * 3600)
    home.every_s = 60.0
    home.overrides = (replace(hold, ended_at=home.now, ended_by="installer"),)
    home.live(300)
    assert not home.state.book.drained


def test_a_hold_made_under_a_wrong_clock_is_not_ended_by_an_end_of_before() -> None:
    """The clock had jumped back: by time the new hold lies before the end of the last one."""
    at = MONDAY
    ended = Override(1, Wish.END_HOLD, "installer", at, at, at)
    early = at - timedelta(days=100)
    hold = Override(2, Wish.HOLD, "somebody", early, early, None)
    assert overrides.receive((), (hold, ended)) == (hold,)
    after = Override(3, Wish.END_HOLD, "installer", early, early, early)
    assert overrides.receive((hold,), (ended, after)) == ()


def test_where_enough_is_likely_and_little_is_sure_the_lead_says_both() -> None:
    """Two probes, cold below and hot above: what lies between them is a guess."""
    home = _home(
        {"reserve_tenths": 0, "occupants": 1},
        changes={
            "signals": [x for x in wiring()["signals"] if x["name"] in ("probe_1", "probe_3")]
        },
        profile_c=[30.0] * 10 + [55.0] * 30,
        plans=True,
    )
    home.live(600)
    home.plans = False
    home.state = replace(home.state, plan=None)
    home.live(60)
    view = home.last.view
    assert view.lead.code == "probably_enough_for_next"
    assert view.v40_low_l is not None
    assert view.v40_l is not None
    needed = view.lead.facts["usable_l40"] - view.lead.facts["spare_l40"]  # type: ignore[operator]
    assert view.v40_low_l < needed < view.v40_l
