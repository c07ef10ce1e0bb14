"""A day that is over is scored once, from the forecast that began it, and judged in words."""

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from adapters.wiring import Broker
from forecasting import calendar, draws
from service import scoring
from service.clock import HandClock
from service.control.planning import household
from service.pages import words
from service.pages.local import Local
from service.records.records import Records
from service.running import RunningHouse
from service.settings import Http
from service.simulation import demo as demos
from service.simulation.household import SCHOOL_FAMILY
from service.worker import InlineWorker


def test_yesterdays_forecast_is_scored_once(tmp_path: Path) -> None:
    made = demos.demo(Broker(), tmp_path, Http(), SCHOOL_FAMILY, seed=3)
    records = Records.open(made.wiring.database.url)
    home = made.wiring.homes[0]
    zone = home.zone_info
    count = demos.load_history(records, made)
    assert count > 500
    midnight = _midnight(made.start_s, zone)
    history = records.draw_history(home.id, midnight - timedelta(weeks=7))
    model = draws.learn(history, household(made.settings), zone, int(midnight.timestamp()))
    at_s = int((midnight - timedelta(days=1)).timestamp()) + 60
    grid = calendar.grid(at_s, zone, 30, 48)
    cold = [12.0] * len(grid)
    import numpy as np

    demand = draws.forecast(model, grid, at_s, (), history, np.array(cold))
    house = RunningHouse(
        home, records, HandClock(made.start_s), lambda _: None, InlineWorker(), lambda: None
    )
    house.turn()
    assert house.view is not None
    outputs = _outputs_with(house, demand)
    records.store(home.id, outputs)
    assert scoring.score_days(home.id, house, records) == 1
    assert scoring.score_days(home.id, house, records) == 0, "once is enough"
    scores = records.scores(home.id).items
    assert scores[0].day == (midnight - timedelta(days=1)).date().isoformat()
    drawn_l = history.litres_40c[
        (history.start_s >= at_s) & (history.start_s < midnight.timestamp())
    ].sum()
    assert abs(float(scores[0].figures["happened_l40"] or 0) - drawn_l) < 5.0
    assert scoring.verdict(scores).code == "too_early"
    said = words.verdict(scores, Local(zone, "EUR", house.now()))
    assert said == "The forecast can be judged after 14 days; days so far: 1."
    records.close()


def _midnight(at_s: float, zone: ZoneInfo) -> datetime:
    local = datetime.fromtimestamp(at_s, zone)
    return local.replace(hour=0, minute=0, second=0, microsecond=0)


def _outputs_with(house: RunningHouse, demand: object) -> object:
    from service.control.beginning import start
    from service.control.step import step
    from service.control.types import Inputs

    _, outputs = step(start(house.settings, house.now()), house.settings, Inputs(), house.now(), 1)
    return replace(outputs, forecast_made=demand, decision=None)
