"""The simulated plant does what a real one would: its own control, and weather without jumps."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from adapters.types import Command
from adapters.wiring import Broker, Quantity, Signal, Unit
from service.clock import SystemClock
from service.simulation.fitted import build_of, home_of
from service.simulation.home import SimulatedHome
from service.simulation.live import LiveHome
from service.simulation.tank import OurTank
from service.simulation.weather import Weather
from tests.control_plant import settings

NOON_S = 1_767_355_200.0  # 2026-01-02 12:00 UTC
DAY_S = 86_400.0


def _home(start_c: tuple[float, ...]) -> SimulatedHome:
    pump = {"own_sensor_height_m": 0.8, "own_restart_k": 5, "own_set_c": 50}
    wired = settings(heat_pump=pump)
    tank = OurTank(build_of(wired, start_c))
    return home_of(wired, iter(()), Weather(), NOON_S, tank)


def test_released_it_heats_to_its_own_set_temperature() -> None:
    home = _home((12.0, 20.0, 30.0))
    home.advance(NOON_S + 4 * 3600)
    assert home.pump.starts == 1
    assert home.outlet_c == pytest.approx(50.0, abs=1.0)


@pytest.mark.parametrize(("rest_c", "starts"), [(30.0, 1), (10.0, 0)])
def test_at_rest_it_heats_to_the_low_set_temperature_written_to_it(
    rest_c: float, starts: int
) -> None:
    """Cold water at its sensor calls it at 30 degC, and then it makes no hotter water than that."""
    home = _home((12.0, 12.0, 20.0))
    home.command("heat_pump", Command("home", "pump", "block", rest_c, lease_s=3 * 3600.0))
    home.advance(NOON_S + 2 * 3600)
    assert home.pump.starts == starts
    assert home.outlet_c <= max(rest_c, 20.0) + 0.5


@pytest.mark.parametrize(
    ("measures", "unit", "low", "high"),
    [
        (Quantity.HEAT_PUMP_HEAT, "kW", 2.0, 15.0),
        (Quantity.HEAT_PUMP_HEAT, "kWh", 0.2, 7.5),
        (Quantity.HEAT_PUMP_HEAT, "J", 0.2 * 3.6e6, 7.5 * 3.6e6),
        (Quantity.HEAT_PUMP_ELECTRICITY, "J", 0.1 * 3.6e6, 4.0 * 3.6e6),
        (Quantity.HEAT_PUMP_FLOW_TEMPERATURE, "Cel", 50.0, 70.0),
        (Quantity.IMPORT_POWER, "kW", 0.8, 8.0),
    ],
)
def test_its_instruments_show_what_they_are_wired_as(
    measures: Quantity, unit: Unit, low: float, high: float
) -> None:
    """Half an hour of a heat pump at 50 degC: power as power, totals as totals."""
    home = _home((12.0, 12.0, 12.0))
    home.advance(NOON_S + 1800.0)
    assert home.pump.heats
    assert low <= home.value(Signal(name="x", measures=measures, topic="x", unit=unit)) <= high


def test_an_import_meter_alone_shows_export_below_zero() -> None:
    home = _home((50.0,))
    home.weather = Weather(pv_peak_w=5000.0)
    signal = Signal(name="x", measures=Quantity.IMPORT_POWER, topic="x", unit="W")
    home.advance(NOON_S + 60.0)
    assert home.value(signal) < -100.0
    home.grid_both_ways = False
    assert home.value(signal) == 0.0


def test_a_charging_pump_of_fixed_flow_has_the_heat_pump_follow_the_store() -> None:
    """The flow is hardly hotter than the store, and so takes less electricity for the heat."""
    cop, first_c = {}, {}
    for fixed in (None, 18.0):
        wired = settings(heat_pump={"own_set_c": 50, "charging_pump_l_per_min": fixed})
        tank = OurTank(build_of(wired, (12.0,)))
        home = home_of(wired, iter(()), Weather(), NOON_S, tank)
        home.advance(NOON_S + 1800.0)
        first_c[fixed] = home.pump_flow_c
        home.advance(NOON_S + 4 * 3600)
        assert home.outlet_c == pytest.approx(50.0, abs=1.0)
        cop[fixed] = home.pump.heat_kwh / home.pump.electricity_kwh
    assert first_c[None] == 55.0
    assert first_c[18.0] < 40.0
    assert cop[18.0] > 1.15 * cop[None]


def test_outdoors_changes_steadily_over_midnight() -> None:
    """No minute differs from the next by more than the steepest hour of a day's swing."""
    weather = Weather(seed=5)
    at_s = NOON_S + np.arange(0.0, 10 * DAY_S, 600.0)
    outdoor_c = np.array([weather.outdoor_c(s) for s in at_s])
    assert np.abs(np.diff(outdoor_c)).max() < 0.4
    daily_c = outdoor_c.reshape(10, -1).mean(axis=1)
    assert daily_c.std() > 0.8, "and yet days differ"


@pytest.mark.parametrize(("unit", "step"), [("pulse", 1.0), ("L", 0.01)])
def test_a_total_is_published_to_its_last_digit_however_large_it_is(
    unit: Unit, step: float
) -> None:
    """After some weeks: a hand washed shows in it."""
    home = _home((50.0,))
    per_pulse = 0.1 if unit == "pulse" else None
    draw = Signal(
        name="x", measures=Quantity.DRAW_FLOW, topic="x", unit=unit, place="cold_feed",
        litres_per_pulse=per_pulse,
    )  # fmt: skip
    live = LiveHome(
        home, settings().wiring.model_copy(update={"signals": (draw,)}), Broker(), SystemClock()
    )
    told: list[float] = []
    live._client.publish = lambda _, payload, qos: told.append(float(payload))  # type: ignore
    for home.drawn_l in (12_345.65, 12_345.85):
        live._report()
    assert told[1] - told[0] == pytest.approx(0.2 / (per_pulse or 1.0), abs=step / 2)


def test_south_of_the_equator_january_is_summer() -> None:
    """In the air and in the mains, as the sun's height has it anyway."""
    january, july = (datetime(2026, month, 15, 12, tzinfo=UTC).timestamp() for month in (1, 7))
    for latitude, warmer in ((47.0, july), (-37.0, january)):
        colder = january + july - warmer
        weather = Weather(seed=1, latitude=latitude, longitude=0.0)
        assert weather.outdoor_c(warmer) > weather.outdoor_c(colder) + 8
        assert weather.cold_inlet_c(warmer) > weather.cold_inlet_c(colder) + 4
