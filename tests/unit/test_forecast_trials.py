"""Forecasting the days gone by: when learning is trusted, and that the quick sums are right."""

import datetime as dt
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from forecasting import calendar, draws, profiles, sums, trials
from forecasting.types import DrawHistory, Household

ZONE = ZoneInfo("Europe/Berlin")
START = int(dt.datetime(2024, 1, 1, tzinfo=ZONE).timestamp())
DAY = 86_400
HOME = Household(occupants=3)


def by_the_profile(days: int, times: float, seed: int, later_h: int = 0) -> DrawHistory:
    """Draws by chance after the published hours and sizes, so many times as often, or later."""
    rng = np.random.default_rng(seed)
    rate = profiles.daily_litres_40c(HOME) * profiles.shape() * times
    rows = []
    for day in range(days):
        for _, litres, sigma, share in profiles.DRAW_CATEGORIES:
            for slot, count in enumerate(rng.poisson(rate * share / litres)):
                for _ in range(count):
                    at = (slot * 1800 + rng.integers(1800) + later_h * 3600) % DAY
                    rows.append((START + day * DAY + at, max(0.5, rng.normal(litres, sigma))))
    rows.sort()
    start, litres_ = (np.array(column) for column in zip(*rows, strict=True))
    return DrawHistory(
        start.astype(np.int64), litres_ * 6, litres_, litres_ * 0.03, START, START + days * DAY
    )


def part(of: DrawHistory, begin: int, end: int) -> DrawHistory:
    use = (of.start_s >= begin) & (of.start_s < end)
    return DrawHistory(
        of.start_s[use], of.duration_s[use], of.litres_40c[use], of.energy_kwh[use], begin, end
    )


def weight(days: int, history: DrawHistory) -> float:
    end = START + days * DAY
    return draws.learn(part(history, START, end), HOME, ZONE, end).record.weight


@pytest.mark.parametrize("seed", range(3))
def test_a_household_like_the_published_one_is_left_to_the_profile_at_first(seed):
    assert weight(0, by_the_profile(21, 1.0, seed)) == 0
    assert max(weight(d, by_the_profile(21, 1.0, seed)) for d in (4, 8, 12)) < 0.2


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(("times", "later_h"), [(2.0, 0), (0.4, 0), (1.0, 8)])
def test_a_household_unlike_it_is_soon_trusted(times, later_h, seed):
    """Within three weeks. Sooner would risk more than what was won over the profile."""
    assert weight(21, by_the_profile(21, times, seed, later_h)) > 0.8


@pytest.mark.parametrize(("times", "least", "most"), [(2.5, 0.9, 1.0), (1.0, 0.0, 0.3)])
def test_days_watched_in_part_are_judged_by_what_was_watched(times, least, most):
    """Readings come only between 06 and 20 o'clock, at most, with an hour's gap at noon."""
    days = 18
    history = by_the_profile(days, times, 5)
    second = (history.start_s - START) % DAY
    use = (second >= 6 * 3600) & (second < 20 * 3600) & (second // 3600 != 12)
    gaps = [
        (START + day * DAY + a * 3600, START + day * DAY + b * 3600)
        for day in range(days)
        for a, b in ((0, 6), (12, 13), (20, 24))
    ]
    parts = (
        getattr(history, n)[use] for n in ("start_s", "duration_s", "litres_40c", "energy_kwh")
    )
    end = START + days * DAY
    seen = DrawHistory(*parts, START, end, np.array(gaps, np.int64))
    assert least <= draws.learn(seen, HOME, ZONE, end).record.weight <= most


@pytest.mark.parametrize("seed", range(5))
def test_no_more_is_risked_than_was_won(seed):
    """However days turn out: where no day costs more than COSTLY usual ones, the blend's total
    stays within what days alone allow of the profile's (the argument of Sani, Neu, Lazaric 2014).
    """
    rng = np.random.default_rng(seed)
    record, excess = trials.Record.new(), 0.0
    for day in range(60):
        wins = rng.random() < (0.8 if day < 25 else 0.1)  # first a lead, then it turns
        losses = np.array([[0.6 if wins else 1.0 + trials.COSTLY], [1.0], [0.0]])
        share = record.weight
        excess += share * float(losses[0, 0] - losses[1, 0])
        nothing = np.zeros((1, 4))
        record = trials._added(record, np.array([day]), losses, nothing, nothing)
        assert excess <= trials.COSTLY * (day / trials.PROVEN_D) ** 2 + 1e-9
    assert record.gained <= 1e-9 - excess


def test_many_days_need_no_lead():
    assert weight(84, by_the_profile(84, 1.0, 1)) > 0.98


def test_a_night_adds_a_day_to_the_record():
    history = by_the_profile(30, 1.0, 2)
    before, after = START + 29 * DAY, START + 30 * DAY
    model = draws.learn(part(history, START, before), HOME, ZONE, before)
    longer = draws.update(model, part(history, before, after))
    assert longer.record.days - model.record.days == 1
    assert (longer.record.expected > model.record.expected).all()


def test_the_quick_sums_are_those_of_a_forecast():
    """A day's distribution from the trials against the exact one of the forecast it stands for."""
    history = by_the_profile(60, 1.5, 4)
    end = START + 60 * DAY
    model = draws.learn(history, HOME, ZONE, end)
    grid = calendar.grid(end, ZONE, 30, 24)
    made = draws.forecast(model, grid, end, (), part(history, end, end), np.full(48, 10.0))
    exact = sums.accumulated(made, trials.WINDOWS)
    rate = draws._day_rates(model, calendar.local_days(np.array([end]), ZONE)[0])
    large = draws._large(rate[1], model.more_large)
    like = calendar.like_day(np.array([model.first_day + 60]), HOME)
    kind = draws._size_class(like[:, None], np.arange(48)[None, :])
    # the day before it only warms the chain up
    two = [np.concatenate([v, v]) for v in (rate[0], large.chance, large.extra, kind)]
    told = trials.Told(*two, model.tables, model.habit)
    nothing = np.zeros((2, 48))
    happened = trials.Days(nothing, nothing, nothing + 1)
    step_l = trials._step_l(model.litres)
    quick = trials._sums(told, happened, np.array([48]), step_l)[0]
    for one, other in zip(exact, quick, strict=True):
        mean = one @ (sums.STEP_L * np.arange(len(one)))
        assert other @ (step_l * np.arange(trials.STEPS)) == pytest.approx(mean, rel=0.05)
        for level in (0.5, 0.8, 0.95):
            litres = sums.quantiles(one, (level,))[0]
            found = step_l * np.searchsorted(np.cumsum(other), level)
            assert found == pytest.approx(litres, abs=1.6 * step_l, rel=0.06)
