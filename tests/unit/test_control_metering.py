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
from tests.control_plant import LittleHome, settings, wiring

HEAT = Quantity.HEAT_PUMP_HEAT
PHASES = ("heat_1", "heat_2")


def _signal(name: str, unit: str) -> dict[str, Any]:
    return {"name": name, "measures": "heat_pump_heat", "unit": unit, "topic": f"plant/{name}"}


def _power(fresh: dict[str, float]) -> Metered:
    made = settings(signals=[*wiring()["signals"], *(_signal(n, "W") for n in PHASES)])
    return metering.live({}, {}, plants.of(made), (), fresh, 60.0)


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
        told = metering.live(told.meters, told.rates_w, plant, (reading,), {"total": shown}, 60.0)
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
