"""A heat pump that is not what its data sheet says, by its meters: what is learned and planned."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from adapters.wiring import Broker, Quantity, Signal
from service.control import performance, problem
from service.control.planning import PlanArguments
from service.control.state import Performance
from service.control.types import Work, WorkDone
from service.control.work import perform
from service.cylinder.sources import Correction, Duty
from service.settings import HomeSettings, Http
from service.simulation import demo as demos
from service.simulation.fitted import home_of
from service.simulation.household import SCHOOL_FAMILY, draws
from service.simulation.replay import Replay, hastened

BEGIN = datetime(2026, 1, 12, tzinfo=UTC)
DAYS = 5
CAPACITY, COP = 0.75, 0.8  # of what the rating points say


def _settings(*, heat_meter: bool) -> HomeSettings:
    made = demos.demo(Broker(), Path("unused"), Http(), SCHOOL_FAMILY, seed=5).settings
    if not heat_meter:
        return hastened(made)
    meter = Signal(name="pump_heat", measures=Quantity.HEAT_PUMP_HEAT, unit="W", topic="plant/heat")
    wiring = made.wiring.model_copy(update={"signals": (*made.wiring.signals, meter)})
    return hastened(made.model_copy(update={"wiring": wiring}))


def _lived(settings: HomeSettings) -> tuple[Performance, PlanArguments]:
    """What was learned in some days of winter, and what the last plan was made from."""
    zone = settings.wiring.zone_info
    taps = draws(SCHOOL_FAMILY, BEGIN.astimezone(zone).date(), DAYS, zone, seed=5)
    home = home_of(
        settings,
        (t for t in taps if t.start_s >= BEGIN.timestamp()),
        replace(demos.WEATHER, pv_peak_w=0.0),
        BEGIN.timestamp(),
    )
    rated = home.heat_pump
    assert rated is not None
    home.heat_pump = replace(
        rated,
        capacity_w=lambda outdoor_c, flow_c: CAPACITY * rated.capacity_w(outdoor_c, flow_c),
        cop=lambda outdoor_c, flow_c: COP * rated.cop(outdoor_c, flow_c),
    )
    asked: list[PlanArguments] = []

    def noted(work: Work, drawn: Any) -> WorkDone:
        if isinstance(work.arguments, PlanArguments):
            asked.append(work.arguments)
        return perform(work, drawn, brief=True)

    replay = Replay(settings, home, lambda _: (0.3, 0.08), work=noted)
    replay.run(BEGIN.timestamp() + DAYS * 86_400)
    return replay.state.performance, asked[-1]


def _share(of: Correction) -> float:
    return of.metered_kwh / of.expected_kwh


def test_heat_and_electricity_meters_tell_capacity_and_cop_apart() -> None:
    known, asked = _lived(_settings(heat_meter=True))
    assert _share(known.heat) == pytest.approx(CAPACITY, abs=0.02)
    assert _share(known.cop) == pytest.approx(COP, abs=0.02)
    assert known.heat.scale < 0.9, "believed the more the more is metered"
    rated = problem.build(replace(asked, performance=Performance()))
    learned = problem.build(asked)
    (before,), (after,) = (
        [s for s in p.sources if s.name == "heat_pump"] for p in (rated, learned)
    )
    heat, cop = asked.performance.heat.scale, asked.performance.cop.scale
    assert after.heat_w == pytest.approx(heat * before.heat_w)
    assert after.electricity_w == pytest.approx(heat / cop * before.electricity_w)


def test_electricity_alone_tells_the_capacity_at_the_rated_cop() -> None:
    known, _ = _lived(_settings(heat_meter=False))
    assert _share(known.heat) == pytest.approx(CAPACITY / COP, abs=0.02)
    assert not known.cop.known


def test_what_it_does_is_what_is_rated_times_what_was_learned() -> None:
    taught = Performance(Correction(100.0, 70.0), Correction(100.0, 80.0))
    done = performance.applied(taught, Duty(heat_w=6000.0, electricity_w=2000.0, cop=3.0))
    assert done.heat_w == pytest.approx(6000.0 * 90.0 / 120.0)
    assert done.cop == pytest.approx(3.0 * 100.0 / 120.0)
    assert done.electricity_w == pytest.approx(done.heat_w / done.cop)
