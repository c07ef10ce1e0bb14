"""Whatever form a flow meter has, a replay's draws are seen."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from adapters.wiring import Broker
from service.settings import Http
from service.simulation import demo as demos
from service.simulation.fitted import home_of
from service.simulation.household import SCHOOL_FAMILY, draws
from service.simulation.replay import Replay

BEGIN = datetime(2026, 3, 2, 0, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("unit", "place"),
    [("L", "cold_feed"), ("L/min", "cold_feed"), ("L", "mixed_line"), ("L/min", "mixed_line")],
)
def test_what_was_drawn_is_what_was_metered(unit: str, place: str) -> None:
    settings = demos.demo(Broker(), Path("unused"), Http(), SCHOOL_FAMILY, seed=5).settings
    signals = tuple(
        s.model_copy(update={"unit": unit, "place": place}) if s.measures == "draw_flow" else s
        for s in settings.wiring.signals
    )
    settings = settings.model_copy(
        update={"wiring": settings.wiring.model_copy(update={"signals": signals})}
    )
    first = BEGIN.astimezone(settings.wiring.zone_info).date()
    taps = draws(SCHOOL_FAMILY, first, 2, settings.wiring.zone_info, seed=5)
    home = home_of(
        settings,
        (t for t in taps if t.start_s >= BEGIN.timestamp()),
        replace(demos.WEATHER, pv_peak_w=0.0),
        BEGIN.timestamp(),
    )
    seen: list[float] = []
    replay = Replay(
        settings,
        home,
        lambda _: (0.3, 0.08),
        on_outputs=lambda out: seen.extend(d.litres_40c for d in out.draws),
    )
    report = replay.run(BEGIN.timestamp() + 86_400)
    assert report.wanted_l40 > 60.0
    # The litres of the cold feed count at the outlet's last known temperature.
    assert sum(seen) == pytest.approx(report.wanted_l40, rel=0.08)
