"""Weeks that take turns are found, believed as far as they show, and forecast by their turn."""

import numpy as np
import pytest

from forecasting import draws, rates, rota
from forecasting.types import DrawHistory
from tests.unit.test_forecast_draws import DAY, HOME, START, ZONE, history, part

FIRST = START // DAY + 1  # Monday 2024-01-01, days since 1970-01-01
USUAL = np.stack(  # a week alike, by channel, day of the week and stretch of hours
    [np.full((7, 6), 1.0), np.tile([0.0, 0.8, 0.4, 0.2, 0.8, 0.4], (7, 1))]
)


def weeks(number: int, seed: int, turns: list[np.ndarray], begins: int) -> tuple:
    """Draws of so many weeks by chance; ``turns``: times as many as usual in each stretch."""
    expected = np.tile(USUAL, (1, number, 1))
    turn = (np.arange(7 * number) - begins) // 7 % len(turns)
    happened = np.random.default_rng(seed).poisson(expected * np.array(turns)[turn])
    return happened.astype(float), expected


EARLY = np.array([1.0, 1.8, 0.4, 1.0, 1.0, 1.0])
LATE = np.array([1.0, 0.4, 0.6, 2.5, 1.0, 1.0])


@pytest.mark.parametrize(
    ("turns", "begins"),
    [([EARLY, LATE], 0), ([np.ones(6), LATE, EARLY], 3), ([LATE, EARLY, EARLY, np.ones(6)], 0)],
)
def test_a_rota_is_found_with_the_weekday_on_which_turns_change(turns, begins):
    found = rota.find(*weeks(26, 3, turns, begins), FIRST)
    assert found.weeks == len(turns)
    assert (found.begins - FIRST - begins) % 7 == 0


def test_chance_is_not_taken_for_a_rota():
    """Busy weeks and quiet ones, in no order: counts vary more than by chance."""
    found = []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        expected = np.tile(USUAL, (1, 12, 1))
        busy = np.repeat(rng.gamma(3.0, 1 / 3.0, (2, 12, 6)), 7, axis=1)
        found.append(rota.find(rng.poisson(expected * busy).astype(float), expected, FIRST).weeks)
    assert found.count(0) >= 29


def test_weeks_that_are_all_busier_than_expected_take_no_turns():
    happened, expected = weeks(26, 7, [np.ones(6)], 0)
    assert rota.find(happened, 0.6 * expected, FIRST).weeks == 0


def test_a_household_of_weeks_alike_keeps_its_rates():
    usual = np.full((2, 48), 0.3)
    assert rota.Rota.new().on(FIRST, usual) is usual


def shifts(days: int, gone: range = range(0)) -> DrawHistory:
    """A shower at 05:00 in one week, at 07:00 in the next, at 14:30 in the third."""
    rng = np.random.default_rng(5)
    rows = []
    for day in sorted(set(range(days)) - set(gone)):
        midnight = START + day * DAY
        at = (5.0, 7.0, 14.5)[day // 7 % 3]
        rows.append((midnight + int(rng.normal(at, 0.3) * 3600), rng.normal(40, 5)))
        for _ in range(rng.poisson(8)):
            rows.append((midnight + int(rng.uniform(8, 22) * 3600), rng.uniform(1, 7)))
    rows.sort()
    begin, litres = (np.array(column) for column in zip(*rows, strict=True))
    return DrawHistory(
        begin.astype(np.int64), litres * 7, litres, litres * 0.035, START, START + days * DAY
    )


def test_each_week_is_forecast_by_its_turn():
    days = 84
    seen = shifts(days)
    model = draws.learn(seen, HOME, ZONE, START + days * DAY)
    assert model.turns.weeks == 3
    for week, showers in enumerate((slice(8, 12), slice(12, 16), slice(26, 32))):
        day = days + 7 * week
        mean = draws._day_rates(model, np.array([FIRST + day]))[1, 0]
        assert mean[showers].sum() > 0.6  # a third, were all weeks alike
        assert mean.sum() - mean[showers].sum() < 0.5


def test_a_rota_is_kept_by_nightly_updates():
    days = 84
    seen = shifts(days + 7)
    model = draws.learn(part(seen, START, START + days * DAY), HOME, ZONE, START + days * DAY)
    for day in range(days, days + 7):
        model = draws.update(model, part(seen, START + day * DAY, START + (day + 1) * DAY))
    assert model.turns.weeks == 3
    turn = int(model.turns.turn(FIRST + days))
    assert model.turns.happened[1, turn].sum() > 28  # four weeks of it before, and these days


@pytest.mark.parametrize("gone", [range(30, 44), range(35, 49)])
def test_a_fortnight_away_is_no_turn_and_hides_none(gone):
    alike = draws.learn(history(84, gone=gone), HOME, ZONE, START + 84 * DAY)
    assert alike.turns.weeks == 0
    shifting = draws.learn(shifts(84, gone), HOME, ZONE, START + 84 * DAY)
    assert shifting.turns.weeks == 3
    soon = draws.learn(shifts(49, range(21, 35)), HOME, ZONE, START + 49 * DAY)
    assert soon.turns.weeks == 3


def test_somebody_who_left_is_soon_missed_at_large_draws_too():
    """Two large draws a day are too few to tell by themselves; twenty small ones with them are."""
    slow = np.stack([np.full(48, 20 / 48), np.full(48, 2 / 48)])
    pace = rates.Pace.new()
    for _ in range(14):
        every = rates.estimates(slow, pace)
        pace = rates.after_day(pace, every, 0.5 * slow, np.ones(48))
    level = rates.estimates(slow, pace)[1, 2].sum() / 2.0  # by a level of ten days
    assert level < 0.75
