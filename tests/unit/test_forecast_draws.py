"""A household learned from its draws: shapes, round trip, grids, guests, absence."""

import datetime as dt
import json
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from forecasting import calendar, draws
from forecasting.types import DrawHistory, Household, Visit

ZONE = ZoneInfo("Europe/Berlin")
START = int(dt.datetime(2024, 1, 1, tzinfo=ZONE).timestamp())  # a Monday
DAY = 86_400


def history(days: int, seed: int = 1, gone: range = range(0)) -> DrawHistory:
    """Two morning showers on working days, a bath on Sunday evenings, basins all day."""
    rng = np.random.default_rng(seed)
    rows = []
    for day in range(days):
        if day in gone:
            continue
        midnight = START + day * DAY
        for _ in range(rng.poisson(8)):
            rows.append((midnight + int(rng.uniform(6.5, 22.5) * 3600), 45.0, rng.uniform(1, 7)))
        if day % 7 < 5:
            for _ in range(2):
                rows.append((midnight + int(rng.normal(7.0, 0.3) * 3600), 300.0, rng.normal(40, 5)))
        if day % 7 == 6:
            rows.append((midnight + int(rng.normal(19.0, 0.3) * 3600), 600.0, rng.normal(130, 8)))
    rows.sort()
    begin, seconds, litres = (np.array(column) for column in zip(*rows, strict=True))
    return DrawHistory(
        begin.astype(np.int64), seconds, litres, litres * 0.035, START, START + days * DAY
    )


def part(of: DrawHistory, begin: int, end: int) -> DrawHistory:
    use = (of.start_s >= begin) & (of.start_s < end)
    return DrawHistory(
        of.start_s[use], of.duration_s[use], of.litres_40c[use], of.energy_kwh[use], begin, end
    )


def forecast(model, now, drawn=None, visits=(), minutes=30):
    grid = calendar.grid(now, ZONE, minutes, 48)
    nothing = part(HISTORY, now, now) if drawn is None else drawn
    return draws.forecast(model, grid, now, visits, nothing, np.full(len(grid), 10.0))


HISTORY = history(70)
NOW = START + 70 * DAY
HOME = Household(occupants=2)


@pytest.fixture(scope="module")
def model():
    return draws.learn(HISTORY, HOME, ZONE, NOW)


@pytest.mark.parametrize("minutes", [15, 30, 60])
def test_probabilities_are_probabilities_on_every_grid(model, minutes):
    out = forecast(model, NOW + 7 * 3600 + 900, minutes=minutes)
    assert out.pmf.min() >= 0
    np.testing.assert_allclose(out.pmf.sum(-1), 1.0, atol=1e-9)
    np.testing.assert_allclose(out.transition.sum(-1), 1.0, atol=1e-9)
    assert out.regime_now.sum() == pytest.approx(1.0)
    assert out.volumes_l40[0] == 0


def test_the_expected_volume_does_not_depend_on_the_slot_length(model):
    totals = [forecast(model, NOW, minutes=m).expected_l40.sum() for m in (15, 30, 60)]
    assert max(totals) < 1.05 * min(totals)


def test_a_model_survives_json(model):
    text = json.dumps(model.to_plain())
    assert len(text) < 100_000
    again = draws.DrawModel.from_plain(json.loads(text))
    one, two = forecast(model, NOW), forecast(again, NOW)
    np.testing.assert_array_equal(one.pmf, two.pmf)
    np.testing.assert_array_equal(one.transition, two.transition)


def test_weekday_habits_are_learned(model):
    week = draws.typical_week(model)
    assert week.shape == (7, 48)
    assert week[:5, 12:17].sum(1).min() > 1.5 * week[5:, 12:17].sum(1).max()
    assert week[6, 36:41].sum() > 3 * week[2, 36:41].sum()


def test_nothing_known_gives_the_published_profile():
    empty = draws.learn(part(HISTORY, START, START), HOME, ZONE, START)
    assert empty.learned_weight == 0
    # SAP: (25 N + 36) litres a day at a rise of 37 K, as litres at 40 degC above 15 degC
    assert draws.typical_week(empty).sum(1) == pytest.approx(86 * 37 / 25, rel=0.03)


def test_guests_scale_and_away_removes(model):
    usual = forecast(model, NOW)
    guests = forecast(model, NOW, visits=(Visit(NOW, NOW + 2 * DAY, extra_people=2),))
    away = forecast(model, NOW, visits=(Visit(NOW, NOW + DAY, away=True),))
    assert guests.expected_l40.sum() == pytest.approx(2 * usual.expected_l40.sum(), rel=0.1)
    assert away.expected_l40[:48].sum() == pytest.approx(0, abs=1e-9)
    assert "guests" in guests.notes
    assert "away" in away.notes
