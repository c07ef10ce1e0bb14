"""Whatever is drawn, a forecast is a distribution and agrees with itself."""

from zoneinfo import ZoneInfo

import numpy as np
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from forecasting import calendar, draws, sums
from forecasting.types import DrawHistory, Household, Visit

ZONES = ("Europe/Berlin", "Asia/Kathmandu", "Australia/Lord_Howe", "America/St_Johns")
BEGIN = 1_709_200_000


@st.composite
def histories(draw):
    """Up to three weeks of draws of any size, with a gap, in any order of magnitude."""
    days = draw(st.integers(0, 21))
    count = draw(st.integers(0, 40)) if days else 0
    starts = np.sort(
        np.array([draw(st.integers(0, days * 86_400 - 1)) for _ in range(count)], np.int64)
    )
    litres = np.array([draw(st.floats(0, 900, allow_nan=False)) for _ in range(count)])
    gap = np.array([[3_600, 90_000]]) + BEGIN if draw(st.booleans()) else np.zeros((0, 2), int)
    return DrawHistory(
        starts + BEGIN,
        np.full(count, 120.0),
        litres,
        litres * 0.03,
        BEGIN,
        BEGIN + days * 86_400,
        gap,
    )


@settings(max_examples=25, deadline=None, phases=(Phase.explicit, Phase.generate))
@given(
    history=histories(),
    zone=st.sampled_from(ZONES),
    minutes=st.sampled_from([15, 30, 60]),
    later_s=st.integers(0, 86_399),
    people=st.floats(0.5, 8),
    sharing=st.none() | st.floats(0, 1),
    away=st.booleans(),
)
def test_a_forecast_is_a_distribution(history, zone, minutes, later_s, people, sharing, away):
    place = ZoneInfo(zone)
    now = history.watched_to_s + later_s
    home = Household(occupants=people, weekday_sharing=sharing)
    model = draws.learn(history, home, place, now)
    grid = calendar.grid(now, place, minutes, 48)
    visits = (Visit(now, now + 7_200, away=True),) if away else ()
    made = draws.forecast(model, grid, now, visits, history, np.full(len(grid), 12.0))
    assert made.pmf.min() >= 0
    np.testing.assert_allclose(made.pmf.sum(-1), 1, atol=1e-9)
    assert made.transition.min() >= -1e-12
    np.testing.assert_allclose(made.transition.sum(-1), 1, atol=1e-9)
    np.testing.assert_allclose(made.regime_now.sum(), 1, atol=1e-9)
    assert np.isfinite(made.expected_kwh).all()
    assert 0 <= made.learned_weight < 1
    assert len(made.volumes_l40) <= 60
    assert made.pmf.shape[1] <= 4
    # the sum's mean is the sum of the means, and longer sums are never smaller
    ends = (len(grid) // 4, len(grid) // 2)
    pmf = sums.accumulated(made, ends)
    means = pmf @ (np.arange(pmf.shape[1]) * sums.STEP_L)
    total = np.array([made.expected_l40[:e].sum() for e in ends])
    np.testing.assert_allclose(means, total, rtol=1e-3, atol=0.05)
    assert (np.cumsum(pmf[0]) >= np.cumsum(pmf[1]) - 1e-6).all()
