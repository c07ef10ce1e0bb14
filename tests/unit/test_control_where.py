"""A home anywhere: seasons and sun of where it stands, not of where the machine's clock is set."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from forecasting import calendar, surroundings
from service.control import around
from service.control import plant as plants
from service.control.state import Around
from tests.control_plant import LittleHome, settings, wiring


@pytest.mark.parametrize(
    ("where", "month", "least_c", "most_c"),
    [
        # SAP 10.2 table J1: 8.0 degC in January, 18.4 in July; half a year later in the south.
        ({"zone": "Europe/Paris"}, 1, 6.5, 9.5),
        ({"zone": "Pacific/Auckland"}, 1, 16.0, 19.5),
        ({"zone": "Pacific/Auckland"}, 7, 6.5, 9.5),
        ({"zone": "Etc/UTC", "latitude": -33.9, "longitude": 18.4}, 7, 6.5, 9.5),
    ],
)
def test_the_cold_inlet_is_the_season_s_of_where_the_home_stands_before_anything_is_learned(
    where: dict[str, Any], month: int, least_c: float, most_c: float
) -> None:
    signals = [s for s in wiring()["signals"] if s["name"] != "cold"]
    now = datetime(2026, month, 20, 12, tzinfo=UTC)
    home = LittleHome(settings(signals=signals, **where), now=now, plans=False)
    home.live(120.0)
    assert least_c < home.state.belief.cold_c < most_c


def test_surplus_is_learned_by_the_sun_of_the_home_s_own_zone() -> None:
    """Where the file says no latitude, and where it is put right later."""
    midday = datetime(2026, 1, 20, 0, 0, tzinfo=UTC)  # 13:00 in Auckland, with summer time
    signals = [
        {"name": "probe_1", "measures": "probe", "unit": "Cel", "topic": "p", "height_m": 0.2},
        {"name": "out", "measures": "export_power", "unit": "W", "topic": "e"},
    ]
    for place in ({}, {"latitude": 50.0, "longitude": 10.0}):
        was = Around()
        for file in (place, {}):
            plant = plants.of(settings(signals=signals, zone="Pacific/Auckland", **file))
            for k in range(5 * 144):
                now = midday + timedelta(minutes=10 * k)
                sunny = 7 <= now.astimezone(plant.zone).hour < 19
                mark_s = max(was.mark_s, 0.0) + 600.0
                was = around.follow(was, plant, {}, None, 2000.0 * sunny, now, mark_s)
            midday = now
        assert was.model is not None
        grid = calendar.grid(int(now.timestamp()), plant.zone, 30, 24)
        ahead = surroundings.forecast(was.model, grid, int(now.timestamp()))
        assert float(ahead.surplus_w.sum()) / 2000.0 > 12.0, "kWh of some 24 a day"
