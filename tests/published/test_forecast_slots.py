"""Which draws count as large, against the published draw categories."""

import numpy as np
import pytest

from forecasting import profiles
from forecasting.slots import large_from_litres


@pytest.mark.parametrize("seed", range(20))
def test_large_draws_are_the_showers_and_baths_of_task_26(seed):
    """IEA SHC Task 26 (Jordan and Vajen 2001): 1, 6, 40 and 140 L with a spread of 2 L, sharing
    the volume 14/36/40/10 %. Whatever months of chance bring, the line lies above nearly all of
    the two smaller categories and below all of the two larger ones."""
    rng = np.random.default_rng(seed)
    drawn = [
        np.maximum(rng.normal(litres, sigma, rng.poisson(84 * 150.0 * share / litres)), 0.5)
        for _, litres, sigma, share in profiles.DRAW_CATEGORIES
    ]
    line = large_from_litres(np.concatenate(drawn))
    assert np.concatenate(drawn[:2]).max() < line < np.concatenate(drawn[2:]).min()
