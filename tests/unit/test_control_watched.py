"""A forecast is told until when a draw would have been seen."""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.control.planning import ForecastArguments
from tests.control_plant import MONDAY, LittleHome, settings

HOUR_S = 3600


def told(lived: LittleHome) -> ForecastArguments:
    works = [w for o in lived.outputs for w in o.work if w.kind == "forecast"]
    found = works[-1].arguments
    assert isinstance(found, ForecastArguments)
    return found


@pytest.mark.parametrize(("hours", "failed"), [(20, False), (30, True)])
def test_a_flow_meter_that_failed_tells_no_silence(hours: int, failed: bool) -> None:
    """Half a day without a pulse is nobody at home; more than a day is a meter that failed."""
    one = LittleHome(settings(), profile_c=45.0)
    one.step(one.readings())
    assert told(one).watched_to_s == int(MONDAY.timestamp())
    one.silent.add("draw")
    one.now += timedelta(hours=hours)
    one.elapsed_s += hours * HOUR_S
    one.step(one.readings())
    asked = told(one)
    assert asked.now_s == int(one.now.timestamp())
    assert asked.watched_to_s == (int(MONDAY.timestamp()) if failed else asked.now_s)
