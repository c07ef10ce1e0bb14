"""What a home's records tell a replay: all of their time, not a part of it."""

from datetime import timedelta
from pathlib import Path

import pytest

from adapters.types import PriceSeries
from service.records.records import Records
from service.settings_check import load
from service.simulation import recorded
from service.simulation.sources import BadDraws
from tests import config_text
from tests.records_samples import NOW, NOW_S, draw, fresh, outputs, reading

DAY = timedelta(days=1)
DAYS = 30


def _known(tmp_path: Path) -> recorded.Recorded:
    config = config_text.write(tmp_path, 1883)
    records = Records.open(fresh(tmp_path / "ladle.sqlite"))
    try:
        records.store("home", outputs(draws=tuple(draw(NOW - n * DAY) for n in range(DAYS))))
        hours = [NOW_S // 3600 * 3600 + 3600 * n for n in range(-24 * DAYS, 24)]
        ends = tuple(h + 3600 for h in hours)
        prices = PriceSeries(tuple(hours), ends, (0.5,) * len(hours), float(NOW_S))
        records.add_prices("home", prices)
        told_s = range(NOW_S - (DAYS + 1) * 86_400, NOW_S, 600)
        records.add_readings("home", [reading("outdoor", s, 5.0 + s % 1800 / 600) for s in told_s])
        records.thin(NOW)
    finally:
        records.close()
    wiring = load(config)
    return recorded.read(wiring, wiring.homes[0])


def test_draws_prices_and_outdoor_air_of_a_whole_month_are_told(tmp_path: Path) -> None:
    known = _known(tmp_path)
    starts = [draw.start.timestamp() for draw in known.draws]
    assert len(starts) == DAYS
    assert starts == sorted(starts)
    (prices,) = known.series
    assert prices.start_s[0] <= starts[0] + 86_400
    assert prices.end_s[-1] > starts[-1]
    assert known.outdoor is not None
    assert known.outdoor.share(starts[0], starts[-1]) == pytest.approx(1.0, abs=0.01)
    # Raw readings and thinned ones alike: 5, 6 and 7 degC in each half hour.
    assert known.outdoor.temperature_c[1:-1] == pytest.approx([6.0] * (len(known.outdoor.at_s) - 2))


def test_where_nothing_was_told_for_hours_nothing_is_known(tmp_path: Path) -> None:
    known = _known(tmp_path)
    assert known.outdoor is not None
    first_s, last_s = known.outdoor.at_s[0], known.outdoor.at_s[-1]
    assert known.outdoor.at(first_s + 900.0) == pytest.approx(6.0, abs=0.6)
    assert known.outdoor.at(first_s - 1.0) is None
    assert known.outdoor.at(last_s + 1.0) is None


def test_records_without_a_draw_are_refused(tmp_path: Path) -> None:
    config = config_text.write(tmp_path, 1883)
    Records.open(fresh(tmp_path / "ladle.sqlite")).close()
    wiring = load(config)
    with pytest.raises(BadDraws, match="no draw is recorded"):
        recorded.read(wiring, wiring.homes[0])
