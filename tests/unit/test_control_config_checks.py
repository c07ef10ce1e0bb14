"""What settings are refused, with the arithmetic, before anything is commanded."""

from __future__ import annotations

from typing import Any

import pytest

from service.control import config_checks
from service.control.misfit import Misfit
from tests.control_plant import settings, wiring

RATING = {"outdoor_c": 7, "flow_c": 55, "capacity_w": 6000, "cop": 2.9}
CANNOT = "rating_cannot_be"


def _codes(tunables: dict[str, Any] | None = None, **changes: Any) -> dict[str, str]:
    found = config_checks.check(settings(tunables, **changes))
    return {m.code: m.severity for m in found}


def test_the_invented_home_fits() -> None:
    assert config_checks.refused(settings()) == ()


@pytest.mark.parametrize(
    ("tunables", "changes", "code"),
    [
        ({}, {"cylinder": {"ceiling_c": 65}}, "ceiling_not_below_thermostat"),
        ({}, {"cylinder": {"thermostat_c": 80}}, "thermostat_not_below_cutout"),
        ({"normal_set_c": 64}, {}, "set_above_ceiling"),
        ({"lowest_set_c": 53}, {}, "lowest_above_normal"),
        ({"lowest_set_c": 42}, {}, "lowest_near_use"),
        ({"reserve_tenths": 8, "highest_tenths": 7}, {}, "reserve_above_highest"),
        ({"slot_minutes": 7}, {}, "slot_does_not_divide_day"),
        ({"quiet_from": "25:00", "quiet_until": "06:00"}, {}, "not_a_time"),
        ({"quiet_from": "22:00"}, {}, "half_of_a_span"),
        ({"hygiene": {"disinfect_c": 55}}, {}, "hygiene_lowered"),
        ({"hygiene": {"hold_s": 600}}, {}, "hygiene_lowered"),
        ({"hygiene": {"longest_interval_days": 14}}, {}, "hygiene_lowered"),
        ({"hygiene": {"probes": ["probe_9"]}}, {}, "no_such_probe"),
        ({}, {"cylinder": {"immersion_height_m": 1.9}}, "outside_cylinder"),
        ({}, {"cylinder": {"coil_foot_m": 0.8, "coil_head_m": 0.3}}, "coil_upside_down"),
        ({}, {"cylinder": {"inlet_stirs_l": 250}}, "stirred_whole"),
        ({}, {"heat_pump": {"capacity_w": 6}}, "power_cannot_be"),
        ({}, {"heat_pump": {"capacity_w": 6e6}}, "power_cannot_be"),
        ({}, {"heat_pump": {"ratings": [RATING | {"capacity_w": 6}]}}, "power_cannot_be"),
        ({}, {"immersion": {"power_w": 3}}, "power_cannot_be"),
        # no machine gives heat at a flow colder than the air it takes it from, or beats Carnot
        ({}, {"heat_pump": {"ratings": [RATING | {"outdoor_c": 45, "flow_c": 35}]}}, CANNOT),
        ({}, {"heat_pump": {"ratings": [RATING | {"outdoor_c": -20, "cop": 6}]}}, CANNOT),
    ],
)
def test_refuses(tunables: dict[str, Any], changes: dict[str, Any], code: str) -> None:
    assert _codes(tunables, **changes)[code] == "refuse"


@pytest.mark.parametrize(
    ("country", "part", "said"),
    [
        ("fr", "", "country = fr: no public holidays are known of such a country; write FR"),
        ("XX", "", 'ISO 3166-1, such as FR, or "" to go without'),
        ("AU", "Sydney", "subdivision = Sydney: AU has no such part with"),
    ],
)
def test_holidays_that_nobody_knows_are_refused(country: str, part: str, said: str) -> None:
    """Learning would fail with them each time it is due."""
    found = config_checks.refused(settings(country=country, subdivision=part))
    assert [m.code for m in found] == ["holidays_unknown"]
    assert said in str(found[0])


def test_holidays_that_are_known_and_none_at_all_fit() -> None:
    for country, part in (("", ""), ("AU", "NSW"), ("DE", "Bayern")):
        assert config_checks.refused(settings(country=country, subdivision=part)) == ()
    assert _codes(subdivision="NSW")["subdivision_alone"] == "warn"


def test_a_zone_without_a_town_needs_a_place() -> None:
    """Sun and seasons would be another place's, in the south the other way round."""
    assert _codes(zone="Etc/GMT+3")["place_unsaid"] == "warn"
    assert _codes(zone="NZ")["place_unsaid"] == "warn"
    assert "place_unsaid" not in _codes(zone="Pacific/Chatham")
    assert "place_unsaid" not in _codes(zone="Etc/GMT+3", latitude=-34.9, longitude=-56.2)


def test_a_place_far_from_its_zone_is_warned_of() -> None:
    """A minus that was forgotten turns the seasons over, or noon into midnight."""

    def far(zone: str, latitude: float, longitude: float) -> bool:
        return "place_outside_zone" in _codes(zone=zone, latitude=latitude, longitude=longitude)

    assert far("Australia/Sydney", 33.9, 151.2)
    assert far("America/Chicago", 41.9, 87.6)
    assert not far("Australia/Sydney", -33.9, 151.2)
    assert not far("Asia/Shanghai", 39.5, 76.0)  # its far west
    assert not far("Pacific/Fiji", -16.8, -179.9)  # over the antimeridian from the main island


def test_no_source_reaches_the_lowest_probe() -> None:
    home = settings(cylinder={"immersion_height_m": 0.5})
    misfit = next(m for m in config_checks.refused(home) if m.key == "hygiene.disinfect_c")
    assert "probe_1, 0.2 m" in misfit.expected
    assert "60 degC flow less 5 K approach = 55 degC" in misfit.expected
    assert "thermostat 65 degC above 0.5 m" in misfit.expected
    assert "ceiling 63 degC" in misfit.expected


def test_set_temperature_out_of_reach_shows_the_arithmetic() -> None:
    home = settings({"normal_set_c": 58}, immersion=None, actuators=wiring()["actuators"][:1])
    misfit = next(m for m in config_checks.refused(home) if m.key == "normal_set_c")
    assert "60 degC flow less 5 K approach = 55 degC" in misfit.expected


def test_a_rest_at_which_the_heat_pump_still_calls_is_warned_of() -> None:
    """With its own restart differential of 5 K it calls below 25 degC, which cold mains reach."""

    def rests(rest_c: float) -> list[Misfit]:
        pump = wiring()["actuators"][0] | {
            "form": "set_temperature", "run": "{set_c}", "rest_c": rest_c
        }  # fmt: skip
        found = config_checks.check(settings(actuators=[pump]))
        return [m for m in found if m.code == "rest_still_calls"]

    (warned,) = rests(30)
    assert warned.severity == "warn"
    assert "below 25 degC" in warned.expected
    assert "write 10 or less" in warned.mend
    assert rests(10) == []


def test_a_heat_pump_whose_own_control_leaves_nothing_to_plan_is_warned_of() -> None:
    """Its sensor at mid height, 5 K of restart differential, a set temperature of 52 degC.

    Newton's law of cooling, worked by hand: 300 L hold 345 Wh/K and lose 1900 Wh / 24 h / 45 K =
    1.76 W/K, so from 52 to 47 degC in a room of 20 it takes 345 / 1.76 ln(32 / 27) = 33 h; to
    40 degC, 92 h.
    """
    own = {"own_sensor_height_m": 0.8, "own_restart_k": 5}

    def decides(form: str, **pump: Any) -> list[Misfit]:
        wired = wiring()["actuators"][0] | {"form": form, "run": "{set_c}"}
        if "rest_c" in pump:
            wired["rest_c"] = pump.pop("rest_c")
        found = config_checks.check(settings(heat_pump=own | pump, actuators=[wired]))
        return [m for m in found if m.code == "own_control_decides"]

    (called,) = decides("on_off")
    assert called.severity == "warn"
    assert "below 47 degC, which 52 degC cools to in 33 h" in called.expected
    assert "called, it starts no sooner than below 46.5 degC" in called.expected
    (written,) = decides("set_temperature")
    assert "below 47 degC" in written.expected
    assert "called" not in written.expected  # up to 55 degC can be written, which it answers
    assert "rest_c" in written.mend
    assert decides("set_temperature", rest_c=10) == []
    assert decides("set_temperature", own_set_c=45) == []
    (sluggish,) = decides("set_temperature", rest_c=10, own_restart_k=9)
    assert "called" in sluggish.expected  # 55 degC less 9 K and a margin
    assert "smaller own_restart_k" in sluggish.mend
    assert "rest_c" not in sluggish.mend  # it is written already
    assert decides("on_off", own_sensor_height_m=None) == []


def test_a_lowest_set_temperature_is_warned_of_where_it_is_cool_or_changes_nothing() -> None:
    """A tenth of Legionella survives 2500 min at 45 degC and 380 at 50 (Sanden and others 1989)."""
    by_set = [wiring()["actuators"][0] | {"form": "set_temperature", "run": "{set_c}"}]
    assert _codes({"lowest_set_c": 45}, actuators=by_set)["lowest_is_cool"] == "warn"
    assert _codes({"lowest_set_c": 45}, actuators=by_set)["lowest_near_valve"] == "warn"
    assert not {c for c in _codes({"lowest_set_c": 50}, actuators=by_set) if "lowest" in c}
    assert _codes({"lowest_set_c": 50})["lowest_not_written"] == "warn"
    assert not {c for c in _codes() if "lowest" in c}


def test_lowered_hygiene_with_a_name_on_record_passes() -> None:
    lowered = {"disinfect_c": 55, "lowered_confirmed_by": "installer A"}
    assert "hygiene_lowered" not in _codes({"hygiene": lowered})


def test_a_latching_actuator_is_refused_until_somebody_accepts_it() -> None:
    latching = [a | {"released_by": "nobody"} for a in wiring()["actuators"]]
    assert _codes(actuators=latching)["latches"] == "refuse"
    accepted = [a | {"latching_accepted_by": "installer A"} for a in latching]
    assert "latches" not in _codes(actuators=accepted)


def test_without_a_mixing_valve_the_home_works_but_is_warned_of() -> None:
    assert (
        _codes(cylinder={"mixing_valve_c": None})["disinfection_refused_no_mixing_valve"] == "warn"
    )


@pytest.mark.parametrize(
    ("tunables", "code"),
    [
        ({"quiet_from": "22:00", "quiet_until": "22:00"}, "quiet_never"),
        (
            {"tariff": {"bands": [{"import_per_kwh": 0.1, "until_time": "05:00"}]}},
            "price_unsaid",
        ),
        (
            {
                "tariff": {
                    "bands": [
                        {"import_per_kwh": 0.1, "from_day": "10-01", "until_day": "03-31"},
                        {"import_per_kwh": 0.2, "from_day": "04-02", "until_day": "09-30"},
                    ]
                }
            },
            "price_unsaid",
        ),
        ({"learning": {"window_weeks": 1}}, "absence_unnoticed"),
    ],
)
def test_warns_of_what_is_hardly_meant(tunables: dict[str, Any], code: str) -> None:
    assert _codes(tunables)[code] == "warn"


def test_a_learning_window_of_two_weeks_notices_an_absence() -> None:
    assert "absence_unnoticed" not in _codes({"learning": {"window_weeks": 2}})


def test_bands_that_cover_every_hour_are_complete() -> None:
    bands = [
        {"import_per_kwh": 0.1, "from_time": "22:00", "until_time": "06:00"},
        {"import_per_kwh": 0.2, "from_time": "06:00", "until_time": "22:00"},
    ]
    assert "price_unsaid" not in _codes({"tariff": {"bands": bands}})
    assert "price_unsaid" not in _codes({})


def _limited(limit_w: float, **changes: Any) -> Misfit | None:
    found = config_checks.check(settings({"power_limit_w": limit_w}, **changes))
    return next((m for m in found if m.key == "power_limit_w"), None)


def test_a_power_limit_under_which_nothing_can_run_is_warned_of() -> None:
    misfit = _limited(1)
    assert misfit is not None
    assert (misfit.severity, misfit.code) == ("warn", "power_limit_stops_all")
    assert misfit.expected.startswith("no source can ever be planned under it: the heat pump needs")
    assert "the immersion heater needs 3000 W" in misfit.expected
    assert misfit.mend == "set it to 3000 or more, in W, or leave it out"


def test_a_power_limit_that_keeps_one_source_out_names_it() -> None:
    misfit = _limited(2999)
    assert misfit is not None
    assert (misfit.severity, misfit.code) == ("warn", "power_limit_stops_one")
    assert "the immersion heater needs 3000 W" in misfit.expected
    assert "heat pump" not in misfit.expected
    assert _limited(3000) is None


def test_a_diverter_is_held_to_its_least_power() -> None:
    diverter = {
        "form": "diverter",
        "run": "{power_w}",
        "second_topic": "plant/element/target",
        "min_power_w": 200,
    }
    actuators = wiring()["actuators"]
    follows = [a | diverter if a["source"] == "immersion" else a for a in actuators]
    misfit = _limited(150, actuators=follows)
    assert misfit is not None
    assert "the immersion heater needs 200 W" in misfit.expected
    passes_nothing = [
        a | {"min_power_w": 3001} if a["source"] == "immersion" else a for a in follows
    ]
    assert _codes(actuators=passes_nothing)["diverter_passes_nothing"] == "refuse"


def test_a_home_that_no_source_makes_hot_enough_is_told_what_helps() -> None:
    """Naming other probes helps only where some probe is reached."""
    heat_pump = [a for a in wiring()["actuators"] if a["source"] == "heat_pump"]
    alone = settings(actuators=heat_pump)
    misfit = next(m for m in config_checks.refused(alone) if m.key == "hygiene.disinfect_c")
    assert "hygiene.probes" not in misfit.mend
    assert "lowered_confirmed_by" in misfit.mend
    high = settings(cylinder={"immersion_height_m": 0.5})
    misfit = next(m for m in config_checks.refused(high) if m.key == "hygiene.disinfect_c")
    assert "hygiene.probes" in misfit.mend


def test_a_heat_pump_that_disinfects_by_itself_is_counted_on_where_nothing_else_gets_so_hot() -> (
    None
):
    heat_pump = [a for a in wiring()["actuators"] if a["source"] == "heat_pump"]
    code = "disinfection_refused_no_source_reaches"
    assert _codes(actuators=heat_pump, immersion=None)[code] == "refuse"
    alone = settings(actuators=heat_pump, immersion=None, heat_pump={"own_disinfection": True})
    (misfit,) = (m for m in config_checks.check(alone) if m.code == code)
    assert misfit.severity == "warn"
    assert "counts on the heat pump's own disinfection" in misfit.expected
    assert "credited when probes have measured it" in misfit.mend
    # a ceiling below the disinfection is no matter of who heats
    low = {"cylinder": {"ceiling_c": 58}, "heat_pump": {"own_disinfection": True}}
    assert _codes(**low)["disinfection_refused_ceiling"] == "refuse"


def test_an_actuator_that_no_command_ever_goes_to_is_told() -> None:
    """A cylinder with two immersion heaters, each on its own contact: one does all the work."""
    actuators = wiring()["actuators"]
    second = actuators[1] | {"name": "element_top", "topic": "plant/element_top/set"}
    found = config_checks.check(settings(actuators=[*actuators, second]))
    (misfit,) = (m for m in found if m.code == "never_commanded")
    assert misfit.severity == "warn"
    assert str(misfit).startswith(
        "actuators.element_top: would never be commanded: element does all"
    )
    assert "one immersion heater of both powers" in misfit.mend


@pytest.mark.parametrize(
    "second",
    [
        {"form": "diverter", "run": "{power_w}", "second_topic": "plant/target"},
        {"surplus_only": True},
    ],
)
def test_a_second_actuator_for_surplus_is_not_spare(second: dict[str, Any]) -> None:
    actuators = wiring()["actuators"]
    other = actuators[1] | {"name": "for_surplus", "topic": "plant/for_surplus/set"} | second
    assert "never_commanded" not in _codes(actuators=[*actuators, other])


def test_terminals_that_only_block_are_not_spare() -> None:
    pump, element = wiring()["actuators"]
    terminals = pump | {
        "name": "terminals", "form": "terminals", "topic": "plant/sg/1",
        "second_topic": "plant/sg/2", "hot_water_alone_confirmed_by": "installer A",
    }  # fmt: skip
    assert "never_commanded" not in _codes(actuators=[pump, terminals, element])


def test_one_value_read_twice_is_refused_and_two_values_of_one_topic_are_not() -> None:
    signals = wiring()["signals"]
    first, second, *rest = signals
    copied = [first, second | {"topic": first["topic"]}, *rest]
    found = config_checks.refused(settings(signals=copied))
    assert [str(m) for m in found] == [
        f"signals.{second['name']}.topic = {first['topic']}: {first['name']} and "
        f"{second['name']} would read one and the same value; give each its own topic, or its own "
        "value expression"
    ]
    together = [
        first | {"format": "json", "value": "a"},
        second | {"format": "json", "value": "b", "topic": first["topic"]},
        *rest,
    ]
    assert "one_value_twice" not in _codes(signals=together)


def test_a_grid_meter_that_counts_both_ways_is_wired_once() -> None:
    both = {"unit": "W", "topic": "plant/grid"}
    inward, outward = (
        {"name": name, "measures": name, **both} for name in ("import_power", "export_power")
    )
    signals = wiring()["signals"]
    assert "one_value_twice" not in _codes(signals=[*signals, inward])
    found = config_checks.refused(settings(signals=[*signals, inward, outward]))
    assert [m.code for m in found] == ["one_value_twice"]
    assert "import_power alone" in found[0].mend


def test_what_one_meter_shows_twice_is_not_counted_twice() -> None:
    signals = wiring()["signals"]
    (draw,) = (s for s in signals if s["measures"] == "draw_flow")
    total = draw | {"name": "draw_total", "unit": "L", "topic": "plant/draw_total"}
    found = config_checks.refused(settings(signals=[*signals, total]))
    assert [(m.code, m.key) for m in found] == [("two_draw_meters", "signals.draw_total")]
    (pump,) = (s for s in signals if s["measures"] == "heat_pump_electricity")
    second = pump | {"name": "second_pump", "topic": "plant/second"}
    assert "power_and_total" not in _codes(signals=[*signals, second])
    total = second | {"unit": "kWh"}
    found = config_checks.refused(settings(signals=[*signals, total]))
    assert [m.code for m in found] == ["power_and_total"]
    assert "twice" in str(found[0])


def test_probes_that_stay_fresh_longer_than_a_lease_are_told_in_one_line() -> None:
    late = [s | {"stale_after_s": 9000} for s in wiring()["signals"] if s["measures"] == "probe"]
    found = config_checks.check(settings(signals=late))
    lines = [str(m) for m in found if m.code == "stale_after_lease"]
    assert len(lines) == 1
    assert all(s["name"] in lines[0] for s in late)


@pytest.mark.parametrize(
    ("names", "told"),
    [
        ({"probe_3"}, True),
        ({"probe_3", "draw"}, False),
        ({"probe_2", "probe_3"}, False),
        (set(), False),
    ],
)
def test_draws_that_show_late_are_warned_of(names: set[str], told: bool) -> None:
    wired = [s for s in wiring()["signals"] if s["name"] in names]
    found = [m for m in config_checks.check(settings(signals=wired)) if m.code == "draws_unseen"]
    assert bool(found) is told
    if told:
        assert found[0].severity == "warn"
        assert str(found[0]).startswith("signals.probe_3.height_m = 1.4: no flow meter is wired")


def test_a_line_without_a_value_has_no_equals_sign() -> None:
    latching = [a | {"released_by": "nobody"} for a in wiring()["actuators"]]
    lines = [str(m) for m in config_checks.refused(settings(actuators=latching))]
    assert lines[0].startswith(f"actuator {latching[0]['name']}: keeps its last command")
    assert lines[0].endswith("latching_accepted_by")


def test_a_source_that_gets_no_hotter_than_a_disinfection_asks_for_is_told() -> None:
    def told(thermostat_c: float) -> list[str]:
        element = {"power_w": 3000, "thermostat_c": thermostat_c}
        found = config_checks.check(settings(immersion=element))
        return [str(m) for m in found if m.code == "disinfection_hardly_reached"]

    (line,) = told(60.0)
    assert "immersion heater's thermostat 60 degC" in line
    assert "let a source make 61.5 degC or more" in line
    assert not told(62.0)


def test_a_heat_pump_that_cannot_disinfect_in_an_ordinary_winter_is_told() -> None:
    alone: dict[str, Any] = {
        "immersion": None,
        "actuators": [x for x in wiring()["actuators"] if x["source"] == "heat_pump"],
    }
    pump = {"flow_limit_c": 67, "own_set_c": 62}
    only_warm = "disinfection_only_when_warm"
    assert only_warm in _codes({"normal_set_c": 60}, heat_pump=pump, **alone)
    assert only_warm not in _codes()  # an immersion heater does the rest
    typed = pump | {"flow_limits": [{"outdoor_c": -10, "flow_c": 66}]}
    assert only_warm not in _codes({"normal_set_c": 60}, heat_pump=typed, **alone)


@pytest.mark.parametrize(
    ("tunables", "changes", "said"),
    [
        ({}, {"cylinder": {"mixing_valve_c": None}}, "cylinder.mixing_valve_c: is not recorded"),
        ({}, {"heat_pump": {"layout": "coil"}}, "cylinder.coil_foot_m: is missing"),
        ({}, {"actuators": []}, "actuators: none is wired"),
        ({}, {"signals": []}, "signals: no probe is wired"),
        ({"tariff": {"bands": []}}, {}, "tariff.bands: a tariff needs"),
    ],
)
def test_what_is_absent_is_not_shown_as_a_value(
    tunables: dict[str, Any], changes: dict[str, Any], said: str
) -> None:
    """A line "key = missing" would be taken for what stands in the file."""
    lines = [str(m) for m in config_checks.check(settings(tunables, **changes))]
    assert any(line.startswith(said) for line in lines), lines
