"""What the control step believes of a cylinder it charges through a plate exchanger."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from adapters.wiring import Broker
from service.cylinder import model, usable
from service.settings import Http
from service.simulation import demo as demos
from service.simulation.fitted import home_of
from service.simulation.household import SCHOOL_FAMILY, draws
from service.simulation.replay import Replay, hastened

BEGIN = datetime(2026, 3, 2, 0, 0, tzinfo=UTC)
DAYS, EVERY_S = 4, 3 * 3600.0


def test_charging_teaches_no_error_to_the_probes() -> None:
    """Perfect instruments: after days of charging and drawing the estimate still fits."""
    settings = demos.demo(Broker(), Path("unused"), Http(), SCHOOL_FAMILY, seed=5).settings
    first = BEGIN.astimezone(settings.wiring.zone_info).date()
    taps = draws(SCHOOL_FAMILY, first, DAYS, settings.wiring.zone_info, seed=5)
    home = home_of(
        settings,
        (t for t in taps if t.start_s >= BEGIN.timestamp()),
        replace(demos.WEATHER, pv_peak_w=0.0),
        BEGIN.timestamp(),
    )
    replay = Replay(hastened(settings), home, lambda _: (0.3, 0.08))
    volumes = home.tank.cylinder.layer_volumes_l(40)
    levels = (np.arange(40) + 0.5) / 40
    off_l, offsets_k = [], []
    for k in range(1, int(DAYS * 86_400 / EVERY_S)):
        replay.run(BEGIN.timestamp() + k * EVERY_S)
        found = replay.state.belief.estimate
        assert found is not None
        profile_c = model.temperatures_at(home.tank.cylinder, home.tank.state, levels)
        cold_c = home.weather.cold_inlet_c(home.now_s)
        off_l.append(found.v40_l - float(usable.v40_l(profile_c, volumes, cold_c)))
        offsets_k.append(np.abs(list(found.probe_offsets_c.values())).max())
    assert home.pump.starts >= 3
    full_l = float(usable.v40_l(np.full(40, settings.tunables.normal_set_c), volumes, 8.0))
    assert np.sqrt(np.mean(np.square(off_l))) < 0.03 * full_l
    # On its first day it does not know yet what lies between the probes, and doubts them the more.
    first_day = int(86_400 / EVERY_S)
    assert np.max(offsets_k[:first_day]) < 0.8
    assert np.max(offsets_k[first_day:]) < 0.5
