"""What each form of command is used for: surplus, terminals and their daily block total."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
import pytest

from adapters.types import Reading
from service.control import plant as plants
from service.control.state import SourceRun
from service.control.types import Wish
from service.scheduling.types import COVERS, Reason
from tests.control_plant import LittleHome, settings, wiring
from tests.properties.test_control_never import _plan

CALM: dict[str, Any] = {
    "hygiene": {"longest_interval_days": 31, "lowered_confirmed_by": "A"},
    "reserve_tenths": 1,
}
TERMINALS = {
    "name": "terminals",
    "source": "heat_pump",
    "form": "terminals",
    "topic": "plant/t1",
    "second_topic": "plant/t2",
    "lease_s": 600,
    "released_by": "own_timer",
    "released_state": "normal operation",
}
EXPORT = {"name": "export", "measures": "export_power", "unit": "W", "topic": "plant/export"}


def _home(actuators: list[dict[str, Any]], **more: Any) -> LittleHome:
    changes = {"actuators": actuators, "signals": [*wiring()["signals"], EXPORT]}
    plain = {"plans": False, "profile_c": [12.0] * 20 + [52.0] * 20, "every_s": 60.0} | more
    return LittleHome(settings(CALM, **changes), **plain)


def _exporting(home: LittleHome, watts: float) -> None:
    real = home.readings
    home.readings = lambda: (*real(), home.reading("export", watts))  # type: ignore[method-assign]


def _where_covered(slots: int, level: float) -> np.ndarray:
    """Nothing is worth charging from the grid, and this much when surplus covers a source."""
    found = np.full((slots, 1, 2, len(COVERS)), level)
    found[..., 0] = 0.0
    return found


def _plan_in_force(home: LittleHome, dear: bool, surplus_level: float = 0.0) -> None:
    made = _plan(home.now, 0.0, 0)
    slots = len(made.grid)
    price = np.full(slots, 0.2)
    price[: slots // 2] = 0.5 if dear else 0.2
    made = replace(
        made,
        windows=(),
        import_per_kwh=price,
        cover_stock_l40=_where_covered(slots, surplus_level),
        cover_start_l40=_where_covered(slots, surplus_level),
        reason=Reason("test", {}),
    )
    home.state = replace(home.state, plan=made)


def test_terminals_on_the_whole_heat_pump_take_surplus_and_nothing_else() -> None:
    home = _home([TERMINALS | {"surplus_only": True}], profile_c=[11.0] * 40)
    _exporting(home, 0.0)
    home.live(900)
    assert home.sent == []  # the reserve is short, yet these may not charge
    home = _home([TERMINALS | {"surplus_only": True}])
    _exporting(home, 3000.0)
    home.live(60)
    _plan_in_force(home, dear=False, surplus_level=400.0)
    home.live(120)
    assert [c.action for _, c in home.sent][:1] == ["run"]


def _diverter(min_power_w: float) -> dict[str, Any]:
    return wiring()["actuators"][1] | {
        "name": "diverter",
        "form": "diverter",
        "second_topic": "plant/target",
        "min_power_w": min_power_w,
    }


def test_a_diverter_is_given_the_surplus_as_its_target() -> None:
    home = _home([_diverter(200)])
    _exporting(home, 1200.0)
    home.live(60)
    _plan_in_force(home, dear=False, surplus_level=400.0)
    home.live(60)
    _, command = home.sent[0]
    assert command.action == "run"
    assert command.power_w == 1200


@pytest.mark.parametrize(
    ("takes", "later_w", "told"),
    [(0.0, 1200.0, True), (1.0, 1200.0, False), (0.0, 250.0, False)],
    ids=["dead", "sound", "a cloud"],
)
def test_a_dead_element_behind_a_diverter_is_found_while_there_is_surplus(
    takes: float, later_w: float, told: bool
) -> None:
    home = _home([_diverter(50)])
    real, begin = home.readings, home.now

    def readings() -> tuple[Reading, ...]:
        export_w = 1200.0 if home.now < begin + timedelta(minutes=5) else later_w
        used_w = takes * export_w if home.on("diverter") else 0.0
        sound = tuple(r for r in real() if r.signal != "element_power")
        element = home.reading("element_power", used_w)
        return (*sound, element, home.reading("export", export_w - used_w))

    home.readings = readings  # type: ignore[method-assign]
    home.live(60)
    _plan_in_force(home, dear=False, surplus_level=400.0)
    home.live(1200)
    assert any(c.action == "run" for _, c in home.sent)
    assert any(f.code == "command_without_effect" for f in home.last.view.faults) is told


def test_blocking_counts_against_its_daily_total() -> None:
    home = _home([TERMINALS | {"hot_water_alone_confirmed_by": "installer A"}], every_s=120.0)
    home.live(120)
    blocked_s = 0.0
    for _ in range(int(8 * 3600 / 120)):
        _plan_in_force(home, dear=True)
        home.live(120)
        lease = home.state.book.leases.get("terminals")
        blocked_s += 120.0 if lease is not None and lease.action == "block" else 0.0
    assert 6000 <= blocked_s <= 7200
    assert home.sent[-1][1].action == "release"
    home.now += timedelta(hours=0)
    assert home.last.view.decision is not None
    assert home.last.view.decision.inputs["waits_for"] == "block_used_up"


def test_nothing_is_blocked_where_rooms_would_get_cold() -> None:
    home = _home([TERMINALS | {"surplus_only": True}])
    home.live(120)
    _plan_in_force(home, dear=True)
    home.live(600)
    assert not any(c.action == "block" for _, c in home.sent)


RESTING = {
    "name": "pump_set",
    "source": "heat_pump",
    "form": "set_temperature",
    "topic": "plant/set",
    "run": "{set_c}",
    "rest_c": 30,
    "lease_s": 600,
    "released_by": "own_timer",
    "released_state": "its own control",
}


def test_a_heat_pump_rests_at_a_low_set_temperature_while_no_heat_is_planned() -> None:
    home = _home([RESTING])
    home.live(120)
    _plan_in_force(home, dear=False)
    home.live(900)
    asked = [(c.action, c.set_c) for _, c in home.sent]
    assert len(asked) >= 4  # repeated well inside its lease
    assert set(asked) == {("block", 30.0)}
    home.wish(Wish.HOLD)
    home.live(60)
    assert home.sent[-1][1].action == "release"


def test_a_run_follows_a_rest_without_a_release_between() -> None:
    home = _home([RESTING])
    home.live(120)
    _plan_in_force(home, dear=False)
    home.live(60)
    assert home.sent[-1][1].action == "block"
    count = len(home.sent)
    home.wish(Wish.CHARGE_TO, tenths=10, until=home.now + timedelta(minutes=30))
    home.live(60)
    assert [c.action for _, c in home.sent[count:]] == ["run"]
    home.overrides = ()
    assert home.until(lambda h: h.sent[-1][1].action != "run", 3600)
    assert [c.action for _, c in home.sent[count:] if c.action != "run"] == ["block"]


def test_below_the_reserve_the_heat_pump_is_left_to_its_own_control() -> None:
    home = _home([RESTING], profile_c=[12.0] * 38 + [45.0] * 2)
    home.live(120)
    _plan_in_force(home, dear=False)
    home.live(300)
    assert not any(c.action == "block" for _, c in home.sent)


def test_what_was_released_at_the_reserve_makes_some_more_before_it_rests_again() -> None:
    """Its own control, which heats while released, was stopped after a minute each time."""
    home = _home([RESTING], profile_c=[12.0] * 34 + [50.0] * 6, draws=lambda at: 0.5)
    home.live(120)
    lasted: list[int] = []
    resting = True
    for _ in range(240):
        _plan_in_force(home, dear=False)
        home.live(60)
        rested, resting = resting, "pump_set" in home.state.book.leases
        if not resting:  # it is cold at its sensor, so it heats
            home.until_mark["pump"] = home.elapsed_s + 60.0
            lasted = [*lasted, 1] if rested else [*lasted[:-1], lasted[-1] + 1]
    assert len(lasted) > 3
    assert min(lasted[1:-1]) >= 5


def test_what_rests_is_not_counted_as_blocked() -> None:
    """The two hours a day are the terminals' own (regulations for the label SG Ready)."""
    home = _home([RESTING], every_s=120.0)
    home.live(120)
    for _ in range(int(3 * 3600 / 120)):
        _plan_in_force(home, dear=False)
        home.live(120)
    lease = home.state.book.leases["pump_set"]
    assert lease.action == "block"
    assert home.last.view.decision is not None
    assert home.last.view.decision.inputs.get("waits_for") != "block_used_up"


def _asked_with_limit(limit_w: float | None, element: dict[str, Any]) -> dict[str, Any]:
    """The last command to each actuator when a plan wants both sources, by actuator."""
    home = LittleHome(
        settings(CALM | {"power_limit_w": limit_w}, actuators=[wiring()["actuators"][0], element]),
        plans=False,
        profile_c=[12.0] * 20 + [52.0] * 20,
        every_s=60.0,
    )
    home.live(120)
    home.state = replace(home.state, plan=_plan(home.now, 500.0, 0))
    home.live(120)
    return {c.actuator: c for _, c in home.sent if c.action == "run"}


def test_all_sources_together_keep_to_the_power_limit() -> None:
    """The heat pump, asked first, draws some 2 kW; the element 3 kW, or what is left of it."""
    element = wiring()["actuators"][1]
    duty = plants.of(settings()).duty(None)
    assert duty is not None
    pump_w = duty.electricity_w
    assert set(_asked_with_limit(None, element)) == {"pump", element["name"]}
    assert set(_asked_with_limit(6000.0, element)) == {"pump", element["name"]}
    assert set(_asked_with_limit(4000.0, element)) == {"pump"}
    diverter = element | {"form": "diverter", "second_topic": "plant/target", "min_power_w": 200}
    shared = _asked_with_limit(4000.0, diverter)
    assert set(shared) == {"pump", element["name"]}
    assert shared[element["name"]].power_w == pytest.approx(4000.0 - pump_w, abs=1.0)
    assert set(_asked_with_limit(pump_w + 150.0, diverter)) == {"pump"}  # less than it can pass
    assert _asked_with_limit(pump_w - 50.0, element) == {}


def test_a_source_that_may_not_start_leaves_its_power_to_the_other() -> None:
    """The heat pump has just stopped: until it has rested the element has the limit to itself."""
    home = LittleHome(
        settings(CALM | {"power_limit_w": 4000.0}),
        plans=False,
        profile_c=[12.0] * 20 + [52.0] * 20,
        every_s=60.0,
    )
    home.live(120)
    book = replace(home.state.book, runs={"heat_pump": SourceRun(None, home.elapsed_s)})
    home.state = replace(home.state, plan=_plan(home.now, 500.0, 0), book=book)
    home.live(120)
    assert home.last.view.running == ("element",)
    assert home.last.view.decision is not None
    assert home.last.view.decision.inputs["waits_for"] == "minimum_rest"
    home.live(600)
    assert home.last.view.running == ("pump",)


def _with_charging_pump(fixed_l_per_min: float | None) -> LittleHome:
    """Half full, with a heat pump alone, after two quiet minutes."""
    changes = {
        "actuators": [wiring()["actuators"][0]],
        "heat_pump": {"charging_pump_l_per_min": fixed_l_per_min},
    }
    plain = {"plans": False, "profile_c": [12.0] * 20 + [52.0] * 20, "every_s": 60.0}
    home = LittleHome(settings(CALM, **changes), **plain)
    home.live(120)
    return home


@pytest.mark.parametrize("fixed", [None, 18.0])
def test_a_charging_pump_of_fixed_flow_waits_until_nobody_draws(fixed: float | None) -> None:
    """It would mix the hot water that is being drawn with cold; but no tap is waited for for ever.

    A pump that follows the store lays hot water on top, and need not wait.
    """
    home = _with_charging_pump(fixed)
    home.draws = lambda at: 6.0
    home.live(120)
    home.state = replace(home.state, plan=_plan(home.now, 500.0, 0))
    home.live(300)
    assert home.last.view.running == (() if fixed else ("pump",))
    assert home.last.view.decision is not None
    assert home.last.view.decision.inputs["waits_for"] == ("water_runs" if fixed else None)
    home.draws = lambda at: 0.0
    home.live(300)
    assert home.last.view.running == ("pump",)


def test_a_tap_left_open_holds_no_charge_back_for_ever() -> None:
    home = _with_charging_pump(18.0)
    home.draws = lambda at: 0.5
    home.live(120)
    home.state = replace(home.state, plan=_plan(home.now, 500.0, 0))
    home.live(1500)
    assert home.last.view.running == ()
    home.live(600)
    assert home.last.view.running == ("pump",)


IMPORT = {"name": "import", "measures": "import_power", "unit": "W", "topic": "plant/import"}
PHASES = [EXPORT | {"name": f"export_{n}", "topic": f"plant/export/{n}"} for n in (1, 2, 3)]


@pytest.mark.parametrize(
    ("signals", "shown", "given_w"),
    [
        ([IMPORT], {"import": -1200.0}, 1200.0),
        ([IMPORT], {"import": 1200.0}, None),
        ([IMPORT], {}, None),
        ([EXPORT], {"export": 1200.0}, 1200.0),
        ([EXPORT], {"export": -1200.0}, None),
        ([EXPORT, IMPORT], {"export": 1500.0, "import": 300.0}, 1200.0),
        ([EXPORT, IMPORT], {"export": 1200.0}, 1200.0),  # one that tells changes only says no 0
        ([EXPORT, IMPORT], {"import": 0.0}, None),
        (PHASES, {"export_1": 900.0, "export_2": 800.0, "export_3": -500.0}, 1200.0),
        (PHASES, {"export_1": 900.0, "export_2": 800.0}, None),
    ],
)
def test_a_diverter_is_given_the_balance_of_what_the_grids_meter_shows(
    signals: list[dict[str, Any]], shown: dict[str, float], given_w: float | None
) -> None:
    """One meter both ways, one each way, one for each phase; a silent one is no zero."""
    changes = {"actuators": [_diverter(200)], "signals": [*wiring()["signals"], *signals]}
    profile_c = [12.0] * 20 + [52.0] * 20
    home = LittleHome(settings(CALM, **changes), plans=False, profile_c=profile_c, every_s=60.0)
    real = home.readings
    home.readings = lambda: (  # type: ignore[method-assign]
        *real(),
        *(home.reading(name, watts) for name, watts in shown.items()),
    )
    home.live(60)
    _plan_in_force(home, dear=False, surplus_level=400.0)
    home.live(60)
    assert [c.power_w for _, c in home.sent[:1]] == ([] if given_w is None else [given_w])


@pytest.mark.parametrize("measures", ["import_power", "export_power"])
def test_a_running_total_of_the_grids_meter_is_refused(measures: str) -> None:
    """12,345 kWh are not 12,345 W of surplus."""
    with pytest.raises(ValueError, match=f"{measures} cannot be in kWh; use one of W, kW"):
        settings(signals=[*wiring()["signals"], EXPORT | {"measures": measures, "unit": "kWh"}])
