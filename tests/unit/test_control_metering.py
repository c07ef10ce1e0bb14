"""Electricity and heat meters: what they say of now, and when they say too little for that."""

from __future__ import annotations

import math
from typing import Any

import pytest

from adapters.types import Reading
from adapters.wiring import Quantity
from service.control import metering
from service.control import plant as plants
from service.control.metering import Metered
from service.cylinder import model
from tests.control_plant import LittleHome, settings, wiring

HEAT = Quantity.HEAT_PUMP_HEAT
PHASES = ("heat_1", "heat_2")


def _signal(name: str, unit: str) -> dict[str, Any]:
    return {"name": name, "measures": "heat_pump_heat", "unit": unit, "topic": f"plant/{name}"}


def _power(fresh: dict[str, float]) -> Metered:
    made = settings(signals=[*wiring()["signals"], *(_signal(n, "W") for n in PHASES)])
    return metering.live({}, {}, plants.of(made), (), fresh, 60.0, 60.0)


def test_the_powers_of_several_meters_add_up() -> None:
    told = _power({"heat_1": 2000.0, "heat_2": 1000.0})
    assert told.watts[HEAT] == 3000.0
    assert told.kwh[HEAT] == pytest.approx(0.05)


def test_a_silent_meter_is_no_zero() -> None:
    """A heat meter that has died says nothing of the heat: it would pass for none."""
    for fresh in ({}, {"heat_1": 2000.0}):
        told = _power(fresh)
        assert HEAT not in told.watts
        assert HEAT not in told.kwh


@pytest.mark.parametrize(
    ("step_kwh", "tells_power", "tells_heat"),
    [(0.001, True, True), (0.01, True, True), (0.1, False, True), (1.0, False, False)],
)
def test_a_total_in_large_steps_does_not_tell_the_power_of_now(
    step_kwh: float, tells_power: bool, tells_heat: bool
) -> None:
    """5.92 kW for an hour, read every minute, by registers of common resolutions."""
    plant = plants.of(settings(signals=[*wiring()["signals"], _signal("total", "kWh")]))
    told = Metered({}, {}, {}, {})
    for minute in range(61):
        shown = math.floor(0.0987 * minute / step_kwh + 1e-9) * step_kwh
        at_s = 60.0 * minute
        reading = Reading("home", "total", shown, at_s, at_s, stamped=True, tells_now=True)
        told = metering.live(
            told.meters, told.rates, plant, (reading,), {"total": shown}, at_s, 60.0
        )
    assert (HEAT in told.watts) is tells_power
    assert (HEAT in told.kwh) is tells_heat
    if tells_power:
        assert told.watts[HEAT] == pytest.approx(5922.0, rel=0.12)


def test_a_register_of_whole_kwh_makes_no_dead_heat_pump_of_a_sound_one() -> None:
    """2 kW move it every half hour, and until then it looks as if nothing ran."""
    total = {"name": "total", "measures": "heat_pump_electricity", "unit": "kWh", "topic": "t"}
    signals = [s for s in wiring()["signals"] if s["name"] != "pump_power"]
    home = LittleHome(settings(signals=[*signals, total]), profile_c=[12.0] * 40)
    real = home.readings
    home.readings = lambda: (  # type: ignore[method-assign]
        *real(),
        home.reading("total", float(math.floor(home.kwh.get("pump", 0.0) / 3.0))),
    )
    home.live(2 * 3600)
    assert home.kwh["pump"] > 6.0
    assert not [f for f in home.state.faults if f.subject == "heat_pump"]


def _counted_kwh(every_s: float, stale_after_s: float, silent_s: float = 0.0) -> float:
    """What a heat meter of 6 kW that reports so often counts in six hours, read by the minute."""
    total = _signal("total", "kWh") | {"stale_after_s": stale_after_s}
    plant = plants.of(settings(signals=[*wiring()["signals"], total]))
    told, counted_kwh, heard_s = Metered({}, {}, {}, {}), 0.0, -1e9
    for minute in range(361):
        at_s, readings = 60.0 * minute, ()
        if at_s - heard_s >= every_s and not 7200.0 < at_s < 7200.0 + silent_s:
            heard_s = at_s
            shown = round(1000.003 + 0.1 * minute, 3)
            readings = (Reading("home", "total", shown, at_s, at_s, stamped=True, tells_now=True),)
        fresh = {"total": 0.0} if at_s - heard_s <= stale_after_s else {}
        told = metering.live(told.meters, told.rates, plant, readings, fresh, at_s, 60.0)
        counted_kwh += told.kwh.get(HEAT, 0.1)  # where the meter says nothing, it is reckoned
    return counted_kwh


@pytest.mark.parametrize(
    ("every_s", "stale_after_s", "silent_s"),
    [
        (60.0, 300.0, 0.0),
        (600.0, 900.0, 0.0),
        (1200.0, 1800.0, 0.0),
        (360.0, 300.0, 0.0),
        (60.0, 300.0, 3600.0),
    ],
)
def test_what_a_total_counts_is_counted_once_however_seldom_it_reports(
    every_s: float, stale_after_s: float, silent_s: float
) -> None:
    """36 kWh: none is lost between two reports, and none counted that was reckoned meanwhile."""
    assert _counted_kwh(every_s, stale_after_s, silent_s) == pytest.approx(36.0, abs=0.7)


def test_a_total_that_fell_silent_is_no_zero() -> None:
    plant = plants.of(settings(signals=[*wiring()["signals"], _signal("total", "kWh")]))
    told = Metered({}, {}, {}, {})
    for minute in range(10):
        at_s = 60.0 * minute
        reading = Reading("home", "total", 0.1 * minute, at_s, at_s, stamped=True, tells_now=True)
        told = metering.live(told.meters, told.rates, plant, (reading,), {"total": 0}, at_s, 60.0)
    told = metering.live(told.meters, told.rates, plant, (), {}, 1200.0, 60.0)
    assert HEAT not in told.kwh
    assert HEAT not in told.watts


def test_a_total_that_reports_when_it_counts_on_shows_no_power_for_ever() -> None:
    """The immersion heater is off and its meter silent: it does not run without a command."""
    total = {"name": "total", "measures": "immersion_electricity", "unit": "kWh", "topic": "t"}
    signals = [s for s in wiring()["signals"] if s["name"] != "element_power"]
    signals.append(total | {"stale_after_s": 86_400.0})
    home = LittleHome(
        settings({"reserve_tenths": 2}, signals=signals), plans=False, profile_c=12.0, every_s=20.0
    )
    home.dead = {"pump"}
    real, shown = home.readings, [-1.0]

    def on_change() -> tuple[Reading, ...]:
        kwh = round(1000.0 + home.kwh.get("element", 0.0), 2)
        news = kwh != shown[0]
        shown[0] = kwh
        return (*real(), home.reading("total", kwh)) if news else real()

    home.readings = on_change  # type: ignore[method-assign]
    home.live(6 * 3600)
    assert home.kwh["element"] > 5.0
    told = [(f.code, f.subject) for o in home.outputs for f in o.faults]
    assert ("uncommanded_running", "immersion") not in told
    home.dead = {"pump", "element"}
    home.water = model.start(home.cylinder, 12.0)
    home.live(3600)
    told = [(f.code, f.subject) for o in home.outputs for f in o.faults]
    assert ("command_without_effect", "immersion") in told
