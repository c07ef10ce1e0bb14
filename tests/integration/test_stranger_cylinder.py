"""The control step drives a cylinder model that knows nothing of the product."""

import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from adapters.wiring import Broker
from service.clock import utc
from service.settings import HomeSettings, Http
from service.simulation import demo as demos
from service.simulation.fitted import build_of, home_of
from service.simulation.household import SCHOOL_FAMILY, draws
from service.simulation.replay import Replay, hastened
from service.simulation.tank import Push, StrangerTank

STRANGER = [sys.executable, str(Path(__file__).with_name("stranger.py"))]
BEGIN = datetime(2026, 3, 2, 0, 0, tzinfo=UTC)


def _settings() -> HomeSettings:
    made = demos.demo(Broker(), Path("unused"), Http(), SCHOOL_FAMILY, seed=5)
    return made.settings


def _night_is_cheap(at_s: float) -> tuple[float, float]:
    zone = _settings().wiring.zone_info
    local = utc(at_s).astimezone(zone)
    return (0.15 if 1 <= local.hour + local.minute / 60 < 5.5 else 0.27), 0.08


def test_a_strangers_cylinder_is_driven_for_two_days() -> None:
    settings = _settings()
    zone = settings.wiring.zone_info
    tank = StrangerTank(STRANGER, build_of(settings))
    first = BEGIN.astimezone(zone).date()
    taps = draws(SCHOOL_FAMILY, first, 3, zone, seed=5)
    home = home_of(
        settings,
        (t for t in taps if t.start_s >= BEGIN.timestamp()),
        replace(demos.WEATHER, pv_peak_w=0.0),
        BEGIN.timestamp(),
        tank,
    )
    history = tuple(
        demos.as_record(t) for t in draws(SCHOOL_FAMILY, first - timedelta(weeks=4), 28, zone, 6)
    )
    replay = Replay(hastened(settings), home, _night_is_cheap, history)
    try:
        report = replay.run(BEGIN.timestamp() + 2 * 86_400)
    finally:
        tank.close()
    assert report.draws > 10
    assert report.cold_draws == 0
    assert report.heat_pump_kwh > 1.0
    # Stored heat, losses and draws must be paid for by heat put in: what came out at the taps
    # cannot exceed it by more than what was stored at the beginning.
    assert home.served.hot_kwh < home.pump.heat_kwh + home.element.heat_kwh + 12.0
    paid_per_kwh = report.hot_water_cost / report.kwh
    assert paid_per_kwh < 0.5 * (0.15 + 0.27), "most of it is bought in the cheap band"


def test_a_stranger_that_dies_is_told_plainly() -> None:
    with pytest.raises(RuntimeError, match="ended"):
        StrangerTank([sys.executable, "-c", "pass"], build_of(_settings()))
    with pytest.raises(RuntimeError, match="answered"):
        StrangerTank([sys.executable, "-c", "print('soup', flush=True)"], build_of(_settings()))
    tank = StrangerTank(STRANGER, build_of(_settings()))
    answer = tank.push(Push(60.0, 10.0, 20.0))
    assert len(answer.at_c) == 7
    tank.close()
