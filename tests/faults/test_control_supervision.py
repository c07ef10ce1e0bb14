"""Each fault is found from the data within its stated time, told once, and cleared when over."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from adapters.types import Reading
from service.control.detectors import BY_CODE, DETECTORS
from service.control.state import Reheat
from service.control.types import Fault, Wish
from service.cylinder import model
from service.cylinder.drive import Drive, ImmersionHeat, SecondaryReturn
from tests.control_plant import LittleHome, settings, wiring

SIGNALS = wiring()["signals"]
CALM: dict[str, Any] = {
    "hygiene": {"longest_interval_days": 31, "lowered_confirmed_by": "A"},
    "reserve_tenths": 6,
}
COLD = [11.0] * 40


def _home(tunables: dict[str, Any] | None = None, **more: Any) -> LittleHome:
    changes = more.pop("changes", {})
    plain = {"plans": False, "profile_c": COLD, "every_s": 60.0} | more
    return LittleHome(settings(CALM | (tunables or {}), **changes), **plain)


def _told(home: LittleHome, code: str) -> list[Fault]:
    return [f for o in home.outputs for f in o.faults if f.code == code and f.cleared_at is None]


def _stands(home: LittleHome, code: str) -> bool:
    return any(f.code == code for f in home.last.view.faults)


def test_every_line_of_the_table_says_what_when_and_on_what() -> None:
    assert len(BY_CODE) == len(DETECTORS)
    for line in DETECTORS:
        assert line.finds
        assert line.evidence
        assert line.told_after_s >= 0


def test_a_command_without_effect_is_told_and_the_other_source_takes_over() -> None:
    home = _home()
    home.dead = {"pump"}
    assert home.until(lambda h: _stands(h, "command_without_effect"), 1500)
    fault = _told(home, "command_without_effect")[0]
    assert fault.subject == "heat_pump"
    assert fault.facts["watts"] == 0
    home.live(1500)
    assert home.on("element")
    assert len(_told(home, "command_without_effect")) == 1
    home.dead = set()
    home.water = model.start(home.cylinder, COLD)
    assert home.until(lambda h: not _stands(h, "command_without_effect"), 3 * 3600)


@pytest.mark.parametrize("taken_out", ["heat_pump", "actuator"])
def test_what_was_taken_out_has_no_fault_any_more(taken_out: str) -> None:
    """Nobody commands it, so it can never show that it has an effect again."""
    home = _home()
    home.dead = {"pump"}
    assert home.until(lambda h: _stands(h, "command_without_effect"), 1500)
    changes: dict[str, Any] = {"actuators": wiring()["actuators"][1:]}
    changes |= {"heat_pump": None} if taken_out == "heat_pump" else {}
    home.settings = settings(CALM, **changes)
    home.restart(down_s=60.0)
    home.live(300.0)
    assert not _stands(home, "command_without_effect")


LEAN = ("probe_1", "probe_2", "probe_3", "draw", "cold")  # nothing meters plant


def test_an_immersion_heaters_heat_is_not_counted_again_as_the_heat_pumps() -> None:
    lean = [x for x in wiring()["signals"] if x["name"] in LEAN]
    home = _home(
        {"reserve_tenths": 9, "quiet_from": "00:00", "quiet_until": "23:59"},  # no heat pump
        changes={"signals": lean},
        profile_c=[10.0] * 24 + [50.0] * 16,
    )
    for _ in range(12):
        home.live(600)
        assert home.last.view.running == ("element",)
        promised_l40 = home.last.view.v40_low_l or 0.0
        assert promised_l40 <= home.water.usable_l(home.cold_c) + home.last.view.reference_l40 / 10


def test_hot_water_on_its_way_between_two_probes_is_no_heat_pump_without_effect() -> None:
    """112 L lie between the probes: 5.4 kWh, for which the heat pump takes an hour."""
    lean = {"signals": [x for x in wiring()["signals"] if x["name"] in LEAN]}
    home = _home({"reserve_tenths": 9}, changes=lean)
    assert home.until(lambda h: h.probe("probe_1") > 50.0, 5 * 3600)
    assert not _told(home, "command_without_effect")
    home = _home({"reserve_tenths": 9}, changes=lean, profile_c=[10.0] * 19 + [50.0] * 21)
    home.dead = {"pump"}
    assert home.until(lambda h: h.on("pump"), 600)
    stated_s = BY_CODE["command_without_effect"].found_within_s
    assert home.until(lambda h: _stands(h, "command_without_effect"), stated_s)


def _quiet(**more: Any) -> LittleHome:
    """A home without meters on its plant, in which only the immersion heater may run."""
    heard = more.pop("heard", LEAN)
    signals = [x for x in wiring()["signals"] if x["name"] in heard]
    tunables = {"reserve_tenths": 9, "quiet_from": "00:00", "quiet_until": "23:59"}
    return _home(tunables, changes={"signals": signals}, **more)


def test_cold_water_that_comes_up_to_a_probe_is_no_immersion_heater_without_effect() -> None:
    home = _quiet(profile_c=[50.0] * 40)
    home.draws = lambda at: 10.0
    home.live(840)  # cold water comes to stand just below the probe half-way up,
    home.draws = lambda at: 0.0
    home.live(1500)
    home.draws = lambda at: 3.0
    home.live(600)  # and a little more brings it there
    home.draws = lambda at: 0.0
    home.live(3600)
    assert home.on("element")
    assert not _told(home, "command_without_effect")


def test_what_an_element_heats_below_the_only_probe_is_given_its_time() -> None:
    def overdue(**more: Any) -> LittleHome:
        cold_below = [10.0] * 26 + [50.0] * 14
        home = _quiet(heard=("probe_3", "draw", "cold"), profile_c=cold_below, **more)
        home.restart(down_s=32 * 86_400.0)  # a disinfection is overdue
        return home

    home = overdue()
    home.live(2.5 * 3600)
    assert home.on("element")
    assert not _told(home, "command_without_effect")
    home = overdue(dead={"element"})
    assert home.until(lambda h: _stands(h, "command_without_effect"), 5 * 3600)


def test_taps_that_no_probe_shows_yet_are_not_told_as_plant_without_a_command() -> None:
    """Hot water leaves at the top; at a probe it shows when cold water has come up to it."""
    lean = [x for x in wiring()["signals"] if x["name"] in LEAN]
    home = _home(
        {"reserve_tenths": 1},
        changes={
            "signals": lean,
            "heat_pump": {"own_sensor_height_m": 0.8, "own_restart_k": 5},
        },
        profile_c=[10.0] * 8 + [60.0] * 32,
    )
    home.live(3600)
    home.draws = lambda at: 4.0 if at.minute % 5 < 2 else 0.0
    home.live(3300)
    home.draws = lambda at: 0.0
    home.live(3600)
    assert not any(c.action == "run" for _, c in home.sent)
    assert not _told(home, "uncommanded_running")


def test_a_heat_pump_that_was_done_until_a_draw_came_is_given_its_time() -> None:
    lean = [x for x in wiring()["signals"] if x["name"] in LEAN]
    home = _home(
        {"hygiene": {"longest_interval_days": 7}},
        changes={"signals": lean},
        profile_c=[45.0] * 40,
        reaches_c=46.0,
    )
    home.restart(down_s=8 * 86_400.0)  # a disinfection calls it, and it reaches less than is known
    home.live(2700)
    assert home.on("pump")
    home.draws = lambda at: 12.0
    home.live(600)
    home.draws = lambda at: 0.0
    # A front of charged water passes unseen between two probes for more than half an hour.
    assert home.until(lambda h: h.probe("probe_1") > 45.0, 2 * 3600)
    assert not _told(home, "command_without_effect")


def test_a_heat_pump_that_its_own_sensor_keeps_off_is_not_called_in_vain() -> None:
    home = _home(
        changes={"heat_pump": {"own_sensor_height_m": 1.4, "own_restart_k": 5}},
        profile_c=[12.0] * 30 + [51.0] * 10,
    )
    home.live(600)
    assert not any(c.actuator == "pump" for _, c in home.sent)
    assert home.on("element")


def test_a_call_without_effect_shows_what_the_heat_pumps_own_control_sees() -> None:
    home = _home(
        changes={"heat_pump": {"own_sensor_height_m": 1.4, "own_restart_k": 5}},
        profile_c=[12.0] * 30 + [46.0] * 10,
    )
    home.dead = {"pump"}
    assert home.until(lambda h: _stands(h, "command_without_effect"), 1500)
    facts = _told(home, "command_without_effect")[0].facts
    assert facts["calls_below_c"] == 47.0
    assert float(facts["own_sensor_c"] or 0) == pytest.approx(46.0, abs=1.0)


def test_without_a_meter_the_temperatures_tell_that_a_command_had_no_effect() -> None:
    signals = [s for s in wiring()["signals"] if s["name"] not in ("pump_power", "element_power")]
    home = _home(
        changes={"signals": signals, "immersion": None, "actuators": wiring()["actuators"][:1]}
    )
    home.dead = {"pump"}
    limit = 2400 + BY_CODE["command_without_effect"].told_after_s + 600
    assert home.until(lambda h: _stands(h, "command_without_effect"), limit)


# As hot as the home that control_plant describes needs it: its set and the approach above.
FLOW_C = 57.0


def _with_a_flow_probe(pump: dict[str, Any] | None = None, **more: Any) -> LittleHome:
    """A home whose heat pump shows its flow temperature, and takes power although it is dead."""
    signals = [
        *wiring()["signals"],
        {
            "name": "flow_c",
            "measures": "heat_pump_flow_temperature",
            "unit": "Cel",
            "topic": "plant/flow_c",
        },
    ]
    home = _home(changes={"signals": signals, "heat_pump": pump or {}}, **more)
    real = home.readings
    home.readings = lambda: (  # type: ignore[method-assign]
        *(r for r in real() if r.signal != "pump_power"),
        home.reading("pump_power", 2000.0 if home.on("pump") else 0.0),
        home.reading("flow_c", FLOW_C if home.on("pump") else 20.0),
    )
    return home


def test_a_pump_that_moves_no_water_is_told_and_over_when_a_probe_warms() -> None:
    home = _with_a_flow_probe()
    home.dead = {"pump"}
    assert home.until(lambda h: _stands(h, "pump_moves_no_water"), 2700)
    facts = _told(home, "pump_moves_no_water")[0].facts
    assert facts["flow_c"] == FLOW_C
    assert facts["probe"] == "probe_3"
    missing_k = float(facts["with_a_part_of_it_c"] or 0) - float(facts["shows_c"] or 0)
    assert missing_k > 3.9  # 4 K, each rounded to a decimal
    home.dead = {"element"}
    home.water = model.start(home.cylinder, COLD)
    assert home.until(lambda h: not _stands(h, "pump_moves_no_water"), 3 * 3600)
    assert home.probe("probe_3") > COLD[0] + 1.0


@pytest.mark.parametrize("strength", [1.0, 0.6])
def test_a_front_on_its_way_between_two_probes_is_no_pump_that_moves_no_water(
    strength: float,
) -> None:
    """Hot above the highest probe already, cold below it: for most of an hour no probe changes."""
    home = _with_a_flow_probe(profile_c=[12.0] * 33 + [50.0] * 7)
    home.strength = strength
    assert home.until(lambda h: h.on("pump"), 600)
    before = home.probe("probe_2")
    home.live(2400)
    assert home.probe("probe_2") == pytest.approx(before, abs=1.0)
    home.live(2 * 3600)
    assert not _told(home, "pump_moves_no_water")


def test_a_charging_pump_of_fixed_flow_moves_water_where_the_top_gets_colder() -> None:
    """4 L/min return 13 K warmer than they came, and cool what the highest probe shows."""
    pump = {"charging_pump_l_per_min": 4.0}
    home = _with_a_flow_probe(pump, profile_c=[12.0] * 28 + [50.0] * 12)
    home.strength = 0.6
    assert home.until(lambda h: h.on("pump"), 600)
    home.live(2 * 3600)
    assert home.probe("probe_3") < 46.0
    assert not _told(home, "pump_moves_no_water")
    assert not _told(home, "command_without_effect")


def test_a_probe_that_stands_still_is_no_witness_against_the_pump() -> None:
    home = _with_a_flow_probe(profile_c=[12.0] * 15 + [50.0] * 25)
    real = home.readings
    home.readings = lambda: (  # type: ignore[method-assign]
        *(r for r in real() if r.signal != "probe_1"),
        home.reading("probe_1", 12.0),
    )
    assert home.until(lambda h: h.on("pump"), 3 * 3600)
    home.live(2 * 3600)
    assert not _told(home, "pump_moves_no_water")


def test_an_immersion_heater_that_runs_uncommanded() -> None:
    home = _home({"reserve_tenths": 0})
    real = home.readings
    home.readings = lambda: (  # type: ignore[method-assign]
        *(r for r in real() if r.signal != "element_power"),
        home.reading("element_power", 2900.0 if home.elapsed_s < 4000 else 0.0),
    )
    assert home.until(lambda h: _stands(h, "uncommanded_running"), 1200)
    assert home.until(lambda h: not _stands(h, "uncommanded_running"), 3600)


@pytest.mark.parametrize(("pump_w", "told"), [(0.0, False), (40.0, False), (2000.0, True)])
def test_what_the_sun_or_a_stove_heats_is_no_heat_pump_that_runs_uncommanded(
    pump_w: float, told: bool
) -> None:
    """A coil that nobody commands gives 3 kW; what the heat pump takes while it waits is little."""
    own = {"own_sensor_height_m": 0.8, "own_restart_k": 5}
    home = _home({"reserve_tenths": 0}, changes={"heat_pump": own}, profile_c=[54.0] * 40)
    real, plant = home.readings, home._plant
    home.readings = lambda: (  # type: ignore[method-assign]
        *(r for r in real() if r.signal != "pump_power"),
        home.reading("pump_power", pump_w),
    )

    def heated(span_s: float) -> None:
        plant(1e-3)
        drive = Drive(cold_c=10.0, immersion=(ImmersionHeat(3000.0, 0.1, 85.0),))
        home.water, _ = model.advance(home.cylinder, home.water, drive, span_s)

    home._plant = heated  # type: ignore[method-assign]
    home.live(2 * 3600)
    assert home.probe("probe_1") > 68.0
    assert bool(_told(home, "uncommanded_running")) is told


def test_an_immersion_thermostat_that_does_not_open() -> None:
    home = _home({"reserve_tenths": 0}, profile_c=[70.5] * 40)
    real = home.readings
    home.readings = lambda: (  # type: ignore[method-assign]
        *(r for r in real() if r.signal != "element_power"),
        home.reading("element_power", 2900.0),
    )
    assert home.until(lambda h: _stands(h, "immersion_thermostat_stuck"), 300)


def test_a_tap_left_open_and_a_leak() -> None:
    home = _home({"reserve_tenths": 0}, profile_c=[50.0] * 40)
    home.draws = lambda at: 6.0
    assert home.until(lambda h: _stands(h, "tap_left_open"), 2700 + 180)
    home.draws = lambda at: 0.0
    assert home.until(lambda h: not _stands(h, "tap_left_open"), 600)
    home.draws = lambda at: 0.4
    home.every_s = 100.0
    assert home.until(lambda h: _stands(h, "water_keeps_running"), 7200 + 300)


def test_a_secondary_return_that_mixes_the_layers() -> None:
    signals = [
        *wiring()["signals"],
        {
            "name": "circulation",
            "measures": "secondary_return",
            "unit": "contact",
            "topic": "plant/circulation",
        },
    ]
    home = _home(
        {"reserve_tenths": 0}, changes={"signals": signals}, profile_c=[12.0] * 16 + [50.0] * 24
    )
    real = home.readings
    home.readings = lambda: (*real(), home.reading("circulation", 1.0))  # type: ignore[method-assign]
    plant = home._plant

    def circulating(span_s: float) -> None:
        plant(1e-3)
        back = SecondaryReturn(4.0, 38.0, 0.1)
        drive = Drive(cold_c=10.0, secondary_return=back)
        home.water, _ = model.advance(home.cylinder, home.water, drive, span_s)

    home._plant = circulating  # type: ignore[method-assign]
    assert home.until(lambda h: _stands(h, "secondary_return_mixes"), 2 * 3600)


@pytest.mark.parametrize("every_s", [900.0, 2700.0])
def test_a_probe_that_reports_too_rarely_is_told_as_that(every_s: float) -> None:
    """Its value counts for five minutes; what fell silent altogether is told as silent."""
    home = _home({"reserve_tenths": 0})
    real, told_s = home.readings, [-every_s]

    def rarely() -> tuple[Reading, ...]:
        due = home.elapsed_s - told_s[0] >= every_s
        told_s[0] = home.elapsed_s if due else told_s[0]
        return tuple(r for r in real() if due or r.signal != "probe_1")

    home.readings = rarely  # type: ignore[method-assign]
    assert home.until(lambda h: _stands(h, "signal_rare"), 2 * 3600 + every_s)
    home.live(2 * 3600)
    assert not [f for f in home.state.faults if f.code == "signal_stale"]
    home.silent = {"probe_1"}
    assert home.until(lambda h: _stands(h, "signal_stale"), 2 * every_s + 900)
    home.silent, home.readings = set(), real  # type: ignore[method-assign]
    home.live(180)
    assert not _stands(home, "signal_rare")
    assert not _stands(home, "signal_stale")


@pytest.mark.parametrize(
    "spoken",
    [
        [(0.0, 1)],
        [(0.0, 2)],  # twice in one step: a message that the broker brought again
        [(0.0, 1), (2.0, 1), (4.0, 1)],  # in bursts
        [(0.0, 1), (180.0, 1)],  # now soon, now late
    ],
)
def test_what_reports_rarely_and_unevenly_is_told_once_as_that(
    spoken: list[tuple[float, int]],
) -> None:
    """Every twenty minutes, and a value counts for five: no fault that comes and goes with it."""
    home = _home({"reserve_tenths": 0})
    began_s = home.elapsed_s
    for cycle in range(18):
        for second, times in spoken:
            home.silent = {"cold"}
            home.live(began_s + 1200.0 * cycle + second - home.elapsed_s)
            home.silent = set()
            home.step((*home.readings(), *[home.reading("cold", 10.0)] * (times - 1)))
    (rare,) = _told(home, "signal_rare")
    assert rare.facts["apart_s"] == 1200.0 - spoken[-1][0]
    assert len(_told(home, "signal_stale")) <= 1, "until the first pause has ended"


def test_a_silent_signal_and_impossible_values_are_told() -> None:
    home = _home({"reserve_tenths": 0})
    home.live(120)
    home.silent = {"cold"}
    assert home.until(lambda h: _stands(h, "signal_stale"), 300 + 600 + 120)
    home.silent = set()
    home.live(180)
    assert not _stands(home, "signal_stale")
    for _ in range(12):
        home.step((home.reading("probe_1", -127.0),))
    assert _stands(home, "nonsense_readings")


def test_no_probe_is_well_again_because_the_others_fell_silent_too() -> None:
    home = _home(profile_c=[40.0] * 20 + [52.0] * 20, every_s=120.0)
    home.live(600)
    home.silent = {"probe_2"}
    assert home.until(lambda h: _stands(h, "probe_silent"), 2 * 3600)
    home.silent |= {"probe_1", "probe_3"}
    home.live(3 * 3600)
    assert _stands(home, "probe_silent")
    home.silent = {"probe_1", "probe_3"}
    home.live(3600)
    assert "probe_2" not in {f.subject for f in home.last.view.faults if f.code == "probe_silent"}


def test_a_broker_that_is_gone_is_one_fault_and_not_one_of_each_signal() -> None:
    """Nobody need look at seven batteries; what was silent before is still silent."""
    home = _home({"reserve_tenths": 0})
    home.connected = True
    home.live(120)
    home.silent = {"cold"}
    assert home.until(lambda h: _stands(h, "signal_stale"), 300 + 600 + 120)
    home.connected, everything = False, {s.name for s in home.settings.wiring.signals}
    home.silent = everything
    home.live(3600)
    silent = [f.subject for f in home.last.view.faults if f.code == "signal_stale"]
    assert silent == ["cold"]
    assert _stands(home, "left_to_itself")
    home.connected = True  # and now it is the signals that are silent
    home.live(900)
    silent = [f.subject for f in home.last.view.faults if f.code == "signal_stale"]
    assert set(silent) == everything


@pytest.mark.parametrize("into_h", [0.0, 0.25, 0.5, 0.75])
def test_impossible_values_are_told_within_the_hour_whenever_it_began(into_h: float) -> None:
    """One in five minutes: the tenth comes after 45 min, and then they cease."""
    home = _home({"reserve_tenths": 0})
    home.live(1800.0)
    home.step((home.reading("cold", -127.0),))  # long before
    home.live(3600.0 * (1.0 + into_h))
    for _ in range(10):
        assert not _stands(home, "nonsense_readings")
        home.step((home.reading("probe_1", -127.0),))
        home.live(300.0)
    assert _stands(home, "nonsense_readings")
    home.live(2 * 3600.0)
    assert not _stands(home, "nonsense_readings")
    assert len(_told(home, "nonsense_readings")) == 1


def test_a_heat_pump_that_gives_half_its_heat_is_noticed_after_a_few_runs() -> None:
    small = {"cylinder": {"volume_l": 200}}
    home = _home({"reserve_tenths": 8}, every_s=200.0, changes=small)

    def reheat() -> None:
        home.water = model.start(home.cylinder, COLD)
        assert home.until(lambda h: h.on("pump"), 3 * 3600)
        assert home.until(lambda h: not h.on("pump"), 8 * 3600)
        home.live(900)

    for _ in range(11):
        reheat()
    assert home.state.watch.reheats["heat_pump"].runs >= 10
    assert not _told(home, "slow_reheat")
    home.strength = 0.45
    for _ in range(6):
        reheat()
    assert _stands(home, "slow_reheat")
    facts = _told(home, "slow_reheat")[0].facts
    assert float(facts["recent"] or 0) < 0.6 * float(facts["usual"] or 0)
    home.strength = 1.0
    for _ in range(5):
        reheat()
    assert not _stands(home, "slow_reheat")


def test_runs_that_waver_about_the_limit_are_one_slow_reheat() -> None:
    home = _home({"reserve_tenths": 0})
    home.live(60)
    changes = []
    for recent in (0.59, 0.62, 0.58, 0.66, 0.57, 0.63, 0.72, 0.65):
        account = Reheat(usual=1.0, recent=recent, first=1.0, runs=40)
        watch = replace(home.state.watch, reheats={"heat_pump": account})
        home.state = replace(home.state, watch=watch)
        home.live(60)
        changes += [f.cleared_at is None for f in home.last.faults if f.code == "slow_reheat"]
    assert changes == [True, False]


def test_one_probe_alone_judges_no_reheat() -> None:
    """It takes all water for as hot as it is itself: a run gave twice its heat, or none."""
    heard = [x for x in wiring()["signals"] if x["name"] not in ("probe_1", "probe_3")]
    home = _home({"reserve_tenths": 8}, changes={"signals": heard})
    assert home.until(lambda h: h.on("pump"), 3600)
    assert home.until(lambda h: not h.on("pump"), 8 * 3600)
    home.live(900)
    assert home.state.watch.reheats["heat_pump"].runs == 0


def test_what_a_heat_pump_stands_still_at_its_limit_is_no_slow_reheat() -> None:
    pump = {"layout": "plate", "capacity_w": 6000, "flow_limit_c": 67, "own_set_c": 62}
    home = _home(
        {"hygiene": {"longest_interval_days": 7}, "normal_set_c": 60},
        reaches_c=57.0,
        changes={
            "heat_pump": pump,
            "immersion": None,
            "signals": [x for x in wiring()["signals"] if x["name"] in LEAN],
            "actuators": [x for x in wiring()["actuators"] if x["name"] == "pump"],
        },
    )
    home.restart(down_s=8 * 86_400.0)  # a disinfection is overdue, and never gets hot
    assert home.until(lambda h: any(e for o in h.outputs for e in o.evidence), 40 * 3600)
    home.live(1800)
    reheat = home.state.watch.reheats["heat_pump"]
    assert reheat.runs == 1
    assert reheat.usual == pytest.approx(1.0, abs=0.3)


def test_while_a_fault_leaves_nothing_to_heat_with_no_plan_is_missed() -> None:
    home = LittleHome(
        settings(
            CALM,
            heat_pump=None,
            actuators=[x for x in wiring()["actuators"] if x["name"] == "element"],
        ),
        profile_c=COLD,
        every_s=300.0,
    )
    home.dead = {"element"}
    assert home.until(lambda h: _stands(h, "command_without_effect"), 3 * 3600)
    home.live(3 * 3600)
    assert not _told(home, "work_failed")


@pytest.mark.parametrize(("usual", "told"), [(0.74, True), (0.78, False)])
def test_a_slow_loss_of_heat_over_many_runs_is_noticed(usual: float, told: bool) -> None:
    """The account of 130 runs as it would stand; the run ``plant_faults`` lives them.

    A difference that the season makes is none.
    """
    home = _home({"reserve_tenths": 0})
    home.live(60)
    drifted = Reheat(usual=usual, recent=usual, first=1.0, runs=130)
    watch = replace(home.state.watch, reheats={"heat_pump": drifted})
    home.state = replace(home.state, watch=watch)
    home.live(60)
    assert _stands(home, "limescale_drift") is told


def test_reheats_are_accounted_for_run_by_run() -> None:
    home = _home({"reserve_tenths": 6})
    assert home.until(lambda h: h.on("pump"), 600)
    assert home.until(lambda h: not h.on("pump"), 3 * 3600)
    home.live(120)
    account = home.state.watch.reheats["heat_pump"]
    assert account.runs == 1
    assert account.usual == pytest.approx(1.0, abs=0.35)


def test_clock_faults_are_told() -> None:
    home = _home({"reserve_tenths": 0})
    home.live(60)
    home.now += timedelta(hours=1)
    home.step(home.readings())
    home.live(60)
    assert _stands(home, "clock_jumped")
    home.live(3700)
    assert not _stands(home, "clock_jumped")


def test_an_absence_that_has_ended_asks_for_flushing_until_somebody_has_seen_it() -> None:
    home = _empty_house()
    home.wish(Wish.AWAY, until=home.now + timedelta(days=3))
    home.live(2 * 86_400)
    assert not _stands(home, "flush_after_absence")
    home.restart(down_s=600.0)
    home.live(86_400)
    assert _stands(home, "flush_after_absence")
    assert home.last.view.caution == "flush_after_absence"
    fault = _told(home, "flush_after_absence")[0]
    assert float(fault.facts["empty_for_s"] or 0) == pytest.approx(3 * 86_400, abs=7200)
    home.step(acknowledged_faults=("flush_after_absence/outlets",))
    assert not _stands(home, "flush_after_absence")
    assert home.last.view.caution is None
    home.live(7200)
    assert len(_told(home, "flush_after_absence")) == 1


def test_a_short_absence_asks_for_nothing_and_a_request_ends_by_itself() -> None:
    home = _empty_house()
    home.wish(Wish.AWAY, until=home.now + timedelta(days=1))
    home.live(86_400 + 7200)
    assert not _stands(home, "flush_after_absence")
    home.wish(Wish.AWAY, until=home.now + timedelta(days=2))
    home.live(2 * 86_400 + 7200)
    assert _stands(home, "flush_after_absence")
    home.every_s = 7200.0
    home.live(7 * 86_400)
    assert not _stands(home, "flush_after_absence")


def _empty_house() -> LittleHome:
    """Without a mixing valve, so that no disinfection makes its water hotter than usual."""
    changes = {"cylinder": {"mixing_valve_c": None}}
    home = _home({"reserve_tenths": 0}, every_s=3600.0, profile_c=[45.0] * 40, changes=changes)
    home.live(3600)
    return home


@pytest.mark.parametrize("profile_c", [COLD, [18.0] * 12 + [30.0] * 14 + [49.0] * 14])
def test_draws_that_only_explain_heat_that_never_came_hide_no_dead_heat_pump(
    profile_c: list[float],
) -> None:
    """Nothing is metered: what the probes do not gain must not pass for water that was drawn."""
    probes = [x for x in wiring()["signals"] if x["measures"] == "probe"]
    home = _home({"reserve_tenths": 9}, changes={"signals": probes}, profile_c=profile_c)
    home.dead = {"pump", "element"}
    within_s = BY_CODE["command_without_effect"].found_within_s
    assert home.until(lambda h: _stands(h, "command_without_effect"), within_s)


@pytest.mark.parametrize("every_s", [60.0, 100.0, 200.0])
def test_a_dead_heat_pump_is_found_whatever_the_rhythm_of_readings(every_s: float) -> None:
    """Hot water can pass unseen for 55 min here: no whole number of the moments that are kept."""
    probes = [x for x in wiring()["signals"] if x["measures"] == "probe"]
    home = _home(
        {"reserve_tenths": 9},
        changes={"signals": probes},
        profile_c=[14.0] * 16 + [45.0] * 24,
        every_s=every_s,
    )
    home.dead = {"pump", "element"}
    within_s = BY_CODE["command_without_effect"].found_within_s
    assert home.until(lambda h: _stands(h, "command_without_effect"), within_s)


def test_a_signal_that_was_never_heard_is_told_too() -> None:
    """A topic that was mistyped, a meter that was never connected."""
    home = LittleHome(settings(CALM), plans=False, silent={"draw"}, every_s=60.0)
    home.live(1800.0)
    told = [(f.code, f.subject) for f in home.last.view.faults if f.code == "signal_stale"]
    assert told == [("signal_stale", "draw")]


def test_a_signal_that_speaks_seldom_is_not_missed_soon_after_a_start() -> None:
    signals = [s | {"stale_after_s": 7200.0} if s["name"] == "draw" else s for s in SIGNALS]
    home = LittleHome(settings(CALM, signals=signals), plans=False, every_s=60.0)
    home.live(600.0)
    home.silent = {"draw"}
    home.restart()
    home.live(3600.0)
    assert not [f for f in home.last.view.faults if f.code == "signal_stale"]
