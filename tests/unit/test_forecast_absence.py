"""Telling an absence from a quiet spell."""

import numpy as np
import pytest

from forecasting import absence


def walk(waits: absence.Waits, days: int, rng: np.random.Generator, rate: np.ndarray):
    """Days of draws by chance; the waits after them and how many days held an absence."""
    absences = 0
    for _ in range(days):
        waits, present = absence.after_day(waits, rng.poisson(rate), rate, True)
        absences += present.min() < 1
    return waits, absences


RATE = np.where(np.arange(48) > 12, 15.0 / 35.0, 0.0)  # fifteen draws a day, none at night


def test_draws_by_chance_are_no_absence():
    """At most one false one in a home-year, on average over ten home-years."""
    rng = np.random.default_rng(5)
    waits, absences = walk(absence.Waits(), 3650, rng, RATE)
    assert absences <= 10
    assert 6 < waits.limit() < 12


def test_a_day_without_a_draw_is_one():
    waits, _ = walk(absence.Waits(), 60, np.random.default_rng(6), RATE)
    _, present = absence.after_day(waits, np.zeros(48), RATE, True)
    assert not present.any()


@pytest.mark.parametrize("a_day", [4.0, 8.0, 12.0])
def test_silent_days_are_those_of_a_poisson_process(a_day):
    """Draws by chance: P(no draw on a day) = exp(-m), waits beyond x come m exp(-x) times a day
    and exceed it by 1 on average (S. Ross 2014, Introduction to Probability Models, chapter 5)."""
    by_chance = absence.Waits(number=1.0, excess=1.0, a_day=a_day * float(np.exp(-absence.OVER)))
    assert by_chance.silences_a_year(a_day, a_day) == pytest.approx(365 * np.exp(-a_day))


@pytest.mark.parametrize(("a_day", "noticed"), [(9.0, True), (4.0, False)])
def test_a_silent_day_says_something_only_where_days_are_seldom_silent(a_day, noticed):
    rate = RATE * a_day / RATE.sum()
    waits, _ = walk(absence.Waits(), 200, np.random.default_rng(7), rate)
    draws = np.zeros(48)
    draws[46] = 1.0  # late in the evening, then nothing for a day
    waits, _ = absence.after_day(waits, draws, rate, True)
    waits, present = absence.after_day(waits, np.zeros(48), rate, True)
    assert waits.nobody(waits.missed, waits.silent, a_day) == noticed
    assert present.any() != noticed


def test_a_silence_goes_on_counting_through_the_next_day():
    """Six draws a day: one day without any is not enough, half a day more is."""
    rate = RATE * 6.0 / RATE.sum()
    waits, _ = walk(absence.Waits(), 200, np.random.default_rng(7), rate)
    assert not waits.nobody(6.0, 5.0, 6.0)
    assert waits.nobody(9.0, 8.0, 6.0)


def test_somebody_is_back_with_the_first_draw():
    waits, _ = walk(absence.Waits(), 60, np.random.default_rng(8), RATE)
    waits, _ = absence.after_day(waits, np.zeros(48), RATE, True)
    draws = np.zeros(48)
    draws[30:] = 1.0
    waits, present = absence.after_day(waits, draws, RATE, True)
    assert waits.silent == 0
    assert not present[:30].any()
    assert present[30:].all()


def test_nobody_is_told_absent_before_enough_is_known():
    _, present = absence.after_day(absence.Waits(), np.zeros(48), RATE, False)
    assert present.all()


def test_long_waits_that_are_usual_here_raise_the_limit():
    often = absence.Waits()
    for _ in range(60):
        draws = np.zeros(48)
        draws[[14, 16, 40, 42]] = 4  # nothing for most of the day, every day
        often, _ = absence.after_day(often, draws, RATE, True)
    assert often.limit() > absence.Waits().limit() + 2
