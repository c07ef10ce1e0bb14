"""Telling an absence from a quiet spell."""

import numpy as np

from forecasting import absence


def walk(waits: absence.Waits, days: int, rng: np.random.Generator, rate: np.ndarray):
    """Days of draws by chance; the waits after them and how many days held an absence."""
    absences = 0
    for _ in range(days):
        waits, present = absence.after_day(waits, rng.poisson(rate), rate, float(rate.sum()), True)
        absences += present.min() < 1
    return waits, absences


RATE = np.where(np.arange(48) > 12, 15.0 / 35.0, 0.0)  # fifteen draws a day, none at night


def test_draws_by_chance_are_no_absence():
    """At most one false one in a home-year, on average over ten home-years."""
    rng = np.random.default_rng(5)
    waits, absences = walk(absence.Waits(), 3650, rng, RATE)
    assert absences <= 10
    assert 6 < waits.limit(15.0) < 12


def test_a_day_without_a_draw_is_one():
    waits, _ = walk(absence.Waits(), 60, np.random.default_rng(6), RATE)
    _, present = absence.after_day(waits, np.zeros(48), RATE, 15.0, True)
    assert not present.any()


def test_nobody_is_told_absent_before_enough_is_known():
    _, present = absence.after_day(absence.Waits(), np.zeros(48), RATE, 15.0, False)
    assert present.all()


def test_long_waits_that_are_usual_here_raise_the_limit():
    often = absence.Waits()
    for _ in range(60):
        draws = np.zeros(48)
        draws[[14, 16, 40, 42]] = 4  # nothing for most of the day, every day
        often, _ = absence.after_day(often, draws, RATE, 15.0, True)
    assert often.limit(50.0) > absence.Waits().limit(50.0) + 2
