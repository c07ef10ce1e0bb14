"""A charge is heated no hotter than it needs to be, where the installer allows less."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from adapters.types import Command
from service.clock import utc
from service.control import plant as plants
from service.control.types import Outputs
from service.cylinder import model
from service.cylinder.drive import Drive
from service.settings import HomeSettings
from service.simulation import money
from service.simulation.fitted import build_of, home_of
from service.simulation.home import SimulatedHome
from service.simulation.household import TapDraw
from service.simulation.replay import Replay, hastened
from service.simulation.tank import OurTank
from service.simulation.weather import Weather
from tests.control_plant import CHEAP_NIGHT, habits, settings, wiring

MIDNIGHT_S = 1_767_312_000.0  # 2026-01-02 00:00 UTC
DAY_S = 86_400.0
LOW_C, NORMAL_C = 46.0, 52.0


def _settings(lowest_set_c: float | None, **heat_pump: Any) -> HomeSettings:
    pump, element = wiring()["actuators"]
    pump |= {"form": "set_temperature", "run": "{set_c}", "rest_c": 10}
    return settings(
        {
            "tariff": CHEAP_NIGHT,
            "lowest_set_c": lowest_set_c,
            "normal_set_c": NORMAL_C,
            "reserve_tenths": 0,
            "slot_minutes": 60,
            "replan_every_slots": 3,
        },
        actuators=[pump, element],
        cylinder={"mixing_valve_c": None, "coil_foot_m": 0.2, "coil_head_m": 0.7},
        heat_pump={"layout": "plate", "capacity_w": 6000} | heat_pump,
    )


def _taps(litres: float, days: int = 3) -> Iterator[TapDraw]:
    for day in range(days):
        for hour, share in ((7.0, 0.5), (12.5, 0.1), (19.0, 0.4)):
            start_s = MIDNIGHT_S + day * DAY_S + hour * 3600.0
            yield TapDraw(start_s, 8.0, share * litres / 8.0 * 60.0)


def _lived(home: HomeSettings, litres: float, days: int = 1) -> tuple[SimulatedHome, list[Command]]:
    """Days of a household that draws so many litres at 40 degC a day, known for long."""

    def rate(at: Any) -> float:
        since_s = at.timestamp() % DAY_S
        runs = (0 <= since_s - t.start_s % DAY_S < t.duration_s for t in _taps(litres, days=1))
        return 8.0 if any(runs) else 0.0

    tank = OurTank(build_of(home, (12.0, 46.0, 46.0)))
    lived = home_of(home, _taps(litres), Weather(), MIDNIGHT_S, tank)
    sent: list[Command] = []

    def note(outputs: Outputs) -> None:
        sent.extend(outputs.commands)

    past = tuple(habits(28, utc(MIDNIGHT_S), rate))
    until_s = MIDNIGHT_S + days * DAY_S
    price_at = money.price_at(home, MIDNIGHT_S, until_s)
    Replay(hastened(home), lived, price_at, history=past, on_outputs=note).run(until_s)
    return lived, sent


def _sets(sent: list[Command]) -> list[float]:
    return [c.set_c for c in sent if c.action == "run" and c.actuator == "pump" and c.set_c]


def test_a_large_charge_is_heated_gently_first_and_small_ones_only_so() -> None:
    """The same household, served as well with less electricity."""
    gentle, sent = _lived(_settings(LOW_C), litres=330.0, days=2)
    usual, as_ever = _lived(_settings(None), litres=330.0, days=2)
    sets = _sets(sent)
    assert set(_sets(as_ever)) == {NORMAL_C}
    assert sets[0] == LOW_C
    assert set(sets) == {LOW_C, NORMAL_C}, "it holds more at the normal set temperature"
    assert gentle.served.colder_l40 <= usual.served.colder_l40 + 1.0
    kept_kwh = 0.25 * (gentle.stored_kwh - usual.stored_kwh)
    assert gentle.pump.electricity_kwh - kept_kwh < 0.97 * usual.pump.electricity_kwh


def test_water_that_would_stand_for_days_is_heated_hotter() -> None:
    """Who draws a bucket a day has it at 52 degC: at 46 it would cool to use unused."""
    _, sent = _lived(_settings(LOW_C), litres=25.0)
    assert LOW_C not in _sets(sent)


def test_a_coil_heats_a_large_charge_in_one_step() -> None:
    """Its flow follows the water anyway."""
    _, sent = _lived(_settings(LOW_C, layout="coil"), litres=330.0)
    assert _sets(sent)[0] == NORMAL_C


def test_how_long_it_lasts_is_newtons_cooling() -> None:
    """A cylinder full at the lowest set temperature, left alone so long, ends at use."""
    plant = plants.of(_settings(LOW_C))
    begin = model.start(plant.cylinder, LOW_C)
    drive = Drive(ambient_c=20.0)
    end, _ = model.advance(plant.cylinder, begin, drive, 3600.0 * plant.lowest_lasts_h)
    mean_c = float(np.average(end.temperatures_c, weights=end.masses_kg))
    assert mean_c == pytest.approx(40.0, abs=0.1)
    assert plants.of(_settings(None)).lowest_set_c == NORMAL_C


def test_where_nothing_writes_it_the_plan_does_not_count_on_it() -> None:
    """A heat pump that is merely called heats as it is set by itself."""
    called = settings({"lowest_set_c": LOW_C, "normal_set_c": NORMAL_C})
    assert plants.of(called).lowest_set_c == NORMAL_C
