"""A replay shows the step what a real home would while water runs."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.clock import utc
from service.control.types import Outputs
from service.simulation import replaying
from service.simulation.fitted import home_of
from service.simulation.household import TapDraw
from service.simulation.replay import HotWater, Replay, Report
from service.simulation.weather import Weather
from tests.control_plant import settings

NOON_S = 1_767_355_200.0  # 2026-01-02 12:00 UTC


def test_a_meter_tells_while_water_runs() -> None:
    """A bath is seen as it is drawn, minute by minute, not when its tap is closed."""
    bath = TapDraw(NOON_S + 3600.0, 12.0, 600.0)
    wired = settings()
    home = home_of(wired, iter((bath,)), Weather(), NOON_S)
    seen: list[Outputs] = []
    Replay(wired, home, lambda _: (0.3, 0.0), on_outputs=seen.append).run(NOON_S + 2 * 3600.0)
    within = {o.view.at: o.view.v40_l for o in seen if bath.start_s < o.view.at.timestamp()}
    minutes = {at: held for at, held in within.items() if at < utc(bath.start_s + bath.duration_s)}
    assert 9 <= len(minutes) <= 14
    first, *_, last = minutes.values()
    assert first is not None
    assert last is not None
    assert last < first - 40.0


def test_a_replay_without_a_past_begins_with_the_published_habits_not_with_an_absence() -> None:
    """Nobody watched before it began: that no draws are known of then says nothing."""
    wired = settings()
    home = home_of(wired, iter(()), Weather(), NOON_S)
    seen: list[Outputs] = []
    Replay(wired, home, lambda _: (0.3, 0.0), on_outputs=seen.append).run(NOON_S + 3600.0)
    demand = seen[-1].view.demand
    assert demand is not None
    assert demand.expected_l40[:48].sum() > 100.0  # by SAP some 42 L a person at 40 degC


def test_a_cylinder_left_emptier_is_no_saving() -> None:
    """6 EUR made 30 kWh of heat, of which 10 still stand in the cylinder: 4 EUR were used."""
    paid = HotWater(hot_water_cost=6.0, heat_kwh=30.0)
    assert replace(paid, stored_kwh_change=10.0).cost_of_use == pytest.approx(4.0)
    assert replace(paid, stored_kwh_change=-10.0).cost_of_use == pytest.approx(8.0)
    assert HotWater(stored_kwh_change=-10.0).cost_of_use == 0.0


def test_starts_are_compared_where_they_are_simulated() -> None:
    """Left alone, one immersion heater is commanded once and switched by its own thermostat."""

    def rows(report: Report, alone: HotWater) -> list[str]:
        (names, *_) = replaying._table(report, alone, "EUR").columns
        return [str(name) for name in names.cells]

    with_pump = rows(Report(heat_pump_kwh=3.0, starts=9), HotWater(heat_pump_kwh=4.0, starts=5))
    element = rows(Report(immersion_kwh=3.0, starts=9), HotWater(immersion_kwh=4.0, starts=1))
    assert "starts" in with_pump
    assert element == [name for name in with_pump if name != "starts"]
