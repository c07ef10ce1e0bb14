"""The demo forecasts and plans from its history: another history, another forecast and plan."""

from pathlib import Path

import numpy as np

from adapters.types import Reading
from adapters.wiring import Broker
from service.assembly import Service
from service.clock import HandClock
from service.control.types import View
from service.records.records import Records
from service.settings import Http
from service.simulation import demo as demos
from service.simulation.household import SCHOOL_FAMILY, Household, shifted
from service.worker import InlineWorker


def _first_view(folder: Path, household: Household) -> View:
    made = demos.demo(Broker(), folder, Http(), household, seed=3)
    records = Records.open(made.wiring.database.url)
    assert demos.load_history(records, made) > 500
    clock = HandClock(made.start_s)
    service = Service(made.wiring, clock, records, InlineWorker())
    home, house = made.home(), service.houses[made.wiring.homes[0].id]
    house.offer_link(True)
    for _ in range(8):
        home.advance(home.now_s + 60)
        clock.set(home.now_s)
        house.offer(
            [
                Reading(house.id, s.name, home.base_value(s), home.now_s, home.now_s, False, True)
                for s in house.settings.wiring.signals
            ]
        )
        house.turn()
        house.turn()  # the worker's results
    assert "invented_history" in house.health().notes
    assert records.has_invented(house.id)
    view = house.view
    records.close()
    assert view is not None
    return view


def test_another_history_gives_another_forecast_and_another_plan(tmp_path: Path) -> None:
    usual = _first_view(tmp_path / "usual", SCHOOL_FAMILY)
    later = _first_view(tmp_path / "later", shifted(SCHOOL_FAMILY, 4.0))
    assert usual.demand is not None
    assert later.demand is not None
    assert usual.plan is not None
    assert later.plan is not None
    peak = int(np.argmax(usual.demand.expected_l40[:24]))
    later_peak = int(np.argmax(later.demand.expected_l40[:40]))
    assert 6 <= later_peak - peak <= 10, "four hours are eight half hours"
    assert not np.allclose(usual.plan.expected_l40, later.plan.expected_l40)
    assert [w.start_s for w in usual.plan.windows] != [w.start_s for w in later.plan.windows]

    week = np.array(usual.typical_week_l40)
    assert week.shape == (7, 48)
    school_morning, sunday_morning = week[0, 12:15].sum(), week[6, 12:15].sum()
    assert school_morning > 2 * sunday_morning, "the forecast differs by weekday"
