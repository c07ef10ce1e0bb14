"""Over the years: another cylinder, heat pump, heater or probe, and the memory of the old one."""

from __future__ import annotations

import json
import logging
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from adapters.types import Outgoing
from adapters.wiring import Broker
from service.clock import HandClock
from service.control import config_checks, snapshot
from service.control import plant as plants
from service.control.beginning import refitted
from service.control.state import Reheat, State, Suspicion
from service.control.types import Fault, Wish
from service.cylinder import model
from service.cylinder.estimator_motion import LOSS
from service.cylinder.geometry import Cylinder
from service.records.records import Records
from service.running import RunningHouse
from service.settings import Http
from service.simulation import demo as demos
from service.simulation.household import SCHOOL_FAMILY
from service.worker import InlineWorker
from tests.control_plant import LittleHome, settings, wiring

SMALL: dict[str, Any] = {"volume_l": 150, "height_m": 1.0}
PROBES = [x for x in wiring()["signals"] if x["measures"] == "probe"]
OTHERS = [x for x in wiring()["signals"] if x["measures"] != "probe"]
LOW = [PROBES[0], PROBES[1]]


def _lived(profile_c: Any = 50.0, **changes: Any) -> LittleHome:
    """A home that disinfected a day ago and knows how its sources heat."""
    home = LittleHome(settings(**changes), profile_c=profile_c, every_s=60.0, plans=False)
    passed = replace(
        home.state.hygiene, passed_at=home.now - timedelta(days=1), since_pass_s=86_400.0
    )
    known = Reheat(usual=0.9, recent=0.9, first=0.95, runs=90)
    home.state = replace(
        home.state,
        hygiene=passed,
        watch=replace(home.state.watch, reheats={"heat_pump": known, "immersion": known}),
    )
    home.live(900)
    return home


def _restarted(home: LittleHome, **changes: Any) -> LittleHome:
    home.settings = settings(**changes)
    home.restart(down_s=600)
    home.sent.clear()
    return home


def test_a_larger_cylinder_is_reckoned_by_its_own_size_from_the_first_reading() -> None:
    home = _lived(cylinder=SMALL, signals=LOW + OTHERS)
    home.cylinder = Cylinder(300, 1.6, loss_w_per_k=1.76)
    home.water = model.start(home.cylinder, 50.0)
    _restarted(home).live(300)
    v40_l = home.last.view.v40_l
    assert v40_l is not None
    assert v40_l == pytest.approx(300 * 40 / 30, rel=0.03)  # 40 K above the inlet, by 30 K used
    assert home.last.view.shown_tenths == 9


def test_nothing_is_known_of_another_cylinder() -> None:
    home = _lived(cylinder=SMALL, signals=LOW + OTHERS)
    home.cylinder = Cylinder(300, 1.6, loss_w_per_k=1.76)
    home.water = model.start(home.cylinder, 12.0)
    _restarted(home).live(3600)
    assert home.last.view.hygiene["due_because"] == "first"
    assert home.last.view.hygiene["passed_at"] is None
    assert all(r.runs < 2 for r in home.state.watch.reheats.values())
    assert not home.on("element")
    assert home.state.book.drained, "an empty one shows the room's 20 degC, too"


def test_another_charging_pump_is_another_heat_pump_to_what_was_learned() -> None:
    home = _lived()
    assert refitted(home.state, settings(heat_pump={"charging_pump_l_per_min": 18})) == (
        "heat_pump",
    )


@pytest.mark.parametrize("since", ["2026-01-12", None])
def test_of_a_like_cylinder_in_the_old_ones_place_nothing_is_known(since: str | None) -> None:
    """Only its date tells it: a leaking old one must not lend it its loss or its disinfections."""
    home = _lived()
    old = home.state.belief.estimator
    assert old is not None
    errors = old.errors.copy()
    errors[LOSS] = 0.8
    known = replace(home.state.belief, estimator=replace(old, errors=errors))
    home.state = replace(home.state, belief=known)
    _restarted(home, cylinder={"since": since}).live(900)
    like = since is not None
    now = home.state.belief.estimator
    assert now is not None
    assert bool(abs(now.errors[LOSS]) < 0.1) is like
    assert (home.last.view.hygiene["due_because"] == "first") is like
    assert (home.last.view.hygiene["passed_at"] is None) is like
    assert home.state.book.drained is like
    assert (home.state.watch.reheats.get("heat_pump", Reheat()).runs < 90) is like
    _restarted(home, cylinder={"since": since}).live(60)
    assert refitted(home.state, home.settings) == ()


def test_the_heater_of_a_new_cylinder_waits_until_it_was_seen_to_fill() -> None:
    only: dict[str, Any] = {"heat_pump": None, "actuators": wiring()["actuators"][1:]}
    home = _lived(12.0, cylinder=SMALL, signals=LOW + OTHERS, **only)
    home.cylinder = Cylinder(300, 1.6, loss_w_per_k=1.76)
    home.water = model.start(home.cylinder, 12.0)
    _restarted(home, **only).live(1200)
    assert not home.on("element")
    home.draws = lambda at: 25.0
    home.live(13 * 60)
    home.draws = lambda at: 0.0
    home.live(600)
    assert home.on("element")


def test_probes_that_were_renamed_moved_or_added_are_believed_at_once() -> None:
    home = _lived()
    moved = [PROBES[0] | {"name": "foot"}, PROBES[1] | {"height_m": 0.6}, PROBES[2]]
    _restarted(home, signals=moved + OTHERS).live(120)
    known = home.state.belief.estimator
    assert known is not None
    expected = {"foot": 0.125, "probe_2": 0.375, "probe_3": 0.875}
    assert dict(known.probes) == pytest.approx(expected)
    assert home.state.hygiene.passed_at is not None  # the cylinder is the same


def test_a_probe_that_must_measure_a_disinfection_is_not_replaced_by_those_that_are_left() -> None:
    """Settings are kept in the database, and name it still."""
    home = _lived([45.0] * 20 + [62.0] * 20)
    named = {"hygiene": {"probes": ["probe_1", "probe_3"]}}
    home.settings = settings(named, signals=PROBES[1:] + OTHERS)
    home.restart(down_s=600)
    home.live(2 * 3600)
    assert not [e for o in home.outputs for e in o.evidence]
    shown = home.last.view.hygiene
    assert shown["refused"] == "disinfection_refused_probe_missing"
    assert shown["signals"] == "probe_1"
    assert "disinfection_refused" in {f.code for f in home.last.view.faults}
    assert [m.code for m in config_checks.refused(home.settings)] == ["no_such_probe"]


def test_what_is_put_right_in_the_file_counts_and_habits_stay() -> None:
    home = _lived()
    week = tuple((1.0,) * 48 for _ in range(7))
    home.state = replace(home.state, week_l40=week)
    _restarted(home, cylinder={"standing_loss_kwh_per_day": 1.2}).live(120)
    known = home.state.belief.estimator
    assert known is not None
    assert known.cylinder == plants.of(home.settings).believed
    assert home.state.week_l40 == week
    assert refitted(home.state, home.settings) == ()
    assert home.state.watch.reheats["heat_pump"].runs == 90
    assert not home.state.book.drained


def test_a_new_heat_pump_is_not_blamed_for_the_old_ones_faults() -> None:
    home = _lived()
    fault = Fault("command_without_effect", "heat_pump", home.now, "fault")
    other = replace(fault, subject="immersion")
    seen = Suspicion(home.elapsed_s, home.now, home.elapsed_s)
    suspicions = {f"{f.code}/{f.subject}": seen for f in (fault, other)}
    home.state = replace(
        home.state,
        faults=(fault, other),
        watch=replace(home.state.watch, suspicions=suspicions),
    )
    _restarted(home, heat_pump={"layout": "plate", "capacity_w": 8000})
    home.live(60)
    told = [f for o in home.outputs for f in o.faults if f.cleared_at is not None]
    assert [(f.code, f.subject) for f in told] == [("command_without_effect", "heat_pump")]
    standing = {(f.code, f.subject) for f in home.last.view.faults}
    assert ("command_without_effect", "immersion") in standing
    assert ("command_without_effect", "heat_pump") not in standing
    assert set(home.state.watch.reheats) == {"immersion"}


def test_a_source_that_is_gone_leaves_no_fault_behind() -> None:
    home = _lived()
    fault = Fault("command_without_effect", "immersion", home.now, "fault")
    home.state = replace(home.state, faults=(fault,))
    _restarted(home, immersion=None, actuators=wiring()["actuators"][:1]).live(3600)
    assert "immersion" not in {f.subject for f in home.last.view.faults}


def test_a_snapshot_that_does_not_say_what_it_was_learned_of_is_taken_as_it_is() -> None:
    home = _lived()
    plain = json.loads(json.dumps(snapshot.to_plain(home.state)))
    del plain["fitted"]
    assert refitted(snapshot.from_plain(plain), settings(cylinder=SMALL)) == ()


def test_a_meter_that_proves_a_cylinder_full_may_be_removed() -> None:
    home = _lived(40.0)
    hold = home.wish(Wish.HOLD)
    home.live(120)
    home.water = model.start(home.cylinder, 10.0)
    home.overrides = (replace(hold, ended_at=home.now, ended_by="an installer"),)
    home.live(120)
    assert home.state.book.drained
    _restarted(home, signals=[x for x in wiring()["signals"] if x["name"] != "draw"]).live(120)
    assert not home.state.book.drained


def test_a_process_releases_what_the_one_before_it_ran_also_where_no_probe_is_heard_again() -> None:
    home = _lived(12.0)
    assert home.on("pump")
    home.restart(down_s=20)
    home.sent.clear()
    home.silent = {"probe_1", "probe_2", "probe_3"}
    home.step(())
    assert home.sent == []  # nobody is there yet to hear it
    home.connected = True
    home.live(60)
    assert {(c.actuator, c.action) for _, c in home.sent} == {
        ("pump", "release"),
        ("element", "release"),
    }
    home.live(3600)
    assert len(home.sent) == 2


def _house(folder: Path, sent: list[Outgoing], **changes: Any) -> tuple[RunningHouse, Records]:
    made = demos.demo(Broker(), folder, Http(), SCHOOL_FAMILY, seed=3)
    records = Records.open(made.wiring.database.url)
    wired = made.wiring.homes[0].model_copy(update=changes)
    clock = HandClock(made.start_s)
    return RunningHouse(wired, records, clock, sent.append, InlineWorker(), lambda: None), records


def _under_commands(state: State) -> State:
    from service.control.state import Lease

    leases = {
        name: Lease(name, "heat_pump", "run", None, None, 0.0, 0.0, 600.0)
        for name in ("removed", "pump")
    }
    return replace(state, book=replace(state.book, leases=leases))


def test_what_is_dropped_is_said_and_an_actuator_that_is_gone_stops_no_turn(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    sent: list[Outgoing] = []
    house, records = _house(tmp_path, sent)
    house.turn()
    house._state = _under_commands(house._state)
    house.save_snapshot()
    records.close()
    built = house.settings.wiring.cylinder
    another = built.model_copy(update={"volume_l": 2 * built.volume_l})
    with caplog.at_level(logging.WARNING):
        house, records = _house(tmp_path, sent, cylinder=another)
    said = [r.getMessage() for r in caplog.records]
    names = [line for line in said if "names another cylinder" in line]
    assert f"{built.volume_l:g} L" in names[0]
    assert any("actuator removed was under a command" in line for line in said)
    assert "other_cylinder" in house.health().notes
    sent.clear()
    house.offer_link(True)
    house.turn()
    assert len(sent) == len(house.settings.wiring.actuators), "each that is wired is released"
    records.close()
