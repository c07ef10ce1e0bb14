"""How much one half hour uses: compound distributions on a fixed set of volumes.

Counts of small draws are negative binomial, their sizes and those of large draws are the
household's own (with a published trace of showers and baths, so that the tail never vanishes).
The distribution of the sum comes from characteristic functions on a fine grid and is then put on
the support so that its mean is kept.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from forecasting.profiles import DRAW_CATEGORIES
from forecasting.types import Floats

STEP_L = 2.0
FINE = 512
# litres at 40 degC: fine where small draws are, coarse in the tail
SUPPORT_L40: Floats = np.concatenate(
    [
        np.arange(0, 12, 2),
        np.arange(12, 60, 4),
        np.arange(60, 120, 6),
        np.arange(120, 240, 10),
        np.arange(240, 480, 20),
        [480, 540, 600, 680, 760],
    ]
).astype(np.float64)
SMALL_RATES: Floats = np.concatenate([[0.0], np.geomspace(0.02, 40.0, 27)])
EXTRA_RATES: Floats = np.array([0.0, 0.15, 0.5, 1.5, 4.0])


def _on_support(waves: Any) -> Floats:
    """Distributions on SUPPORT_L40 from characteristic functions of multiples of STEP_L.

    Waves back to probabilities and these moved to the support, means kept, is one linear step.
    """
    flat = np.ascontiguousarray(waves).reshape(-1, waves.shape[-1]).view(np.float64)
    return np.asarray((flat @ _FROM_WAVES).reshape(*waves.shape[:-1], -1))


def _projection() -> Floats:
    litres = np.minimum(np.arange(FINE) * STEP_L, SUPPORT_L40[-1])
    right = np.clip(np.searchsorted(SUPPORT_L40, litres, side="left"), 1, len(SUPPORT_L40) - 1)
    share = (litres - SUPPORT_L40[right - 1]) / (SUPPORT_L40[right] - SUPPORT_L40[right - 1])
    matrix = np.zeros((FINE, len(SUPPORT_L40)))
    rows = np.arange(FINE)
    matrix[rows, right - 1] = 1.0 - share
    matrix[rows, right] += share
    return matrix


def _from_waves() -> Floats:
    half = FINE // 2 + 1
    parts = np.stack([np.eye(half), 1j * np.eye(half)], axis=1).reshape(2 * half, half)
    return np.asarray(np.fft.irfft(parts, FINE, axis=-1) @ _projection())


_FROM_WAVES = _from_waves()


def histogram(litres: Floats, weights: Floats) -> Floats:
    """Weighted sizes on the fine grid, shape (FINE,); each size split so that means are kept."""
    at = np.clip(litres / STEP_L, 0.0, FINE - 2.0)
    low = at.astype(np.int64)
    share = at - low
    out = np.bincount(low, weights=weights * (1.0 - share), minlength=FINE)
    out = out + np.bincount(low + 1, weights=weights * share, minlength=FINE)
    return np.asarray(out, np.float64)


def published_sizes(small: bool, large_from_l: float) -> Floats:
    """Sizes of the IEA Task 26 categories below or from large_from_l, sums to 1, shape (FINE,)."""
    out = np.zeros(FINE)
    for _, litres, sigma, share in DRAW_CATEGORIES:
        if (litres < large_from_l) == small:
            spread = np.array([-1.0, -0.5, 0.0, 0.5, 1.0]) * max(sigma, 0.15 * litres)
            sizes = np.maximum(litres + spread, 0.5)
            out += histogram(sizes, np.full(5, share / litres / 5))
    return np.asarray(out / out.sum())


@dataclass(frozen=True)
class VolumeTables:
    """Distributions of one slot's use, ready to be looked up.

    quiet   no large draw, by rate of small draws, shape (rates, k)
    busy    at least one large draw, by class, further large draws and rate of small draws,
            shape (classes, extras, rates, k)
    """

    quiet: Floats
    busy: Floats
    large_mean_l40: Floats
    small_mean_l40: float


_COARSE = np.array([0, 4, 8, 11, 14, 17, 20, 23, 25, 27])  # rates kept for busy slots


def tables(small_sizes: Floats, small_excess: float, large_sizes: Floats) -> VolumeTables:
    """Tables from size distributions.

    Args:
        small_sizes: sizes of small draws, shape (FINE,), sums to 1.
        small_excess: 1/k of the negative binomial count, 0 for Poisson.
        large_sizes: sizes of large draws by class, shape (classes, FINE), rows sum to 1.
    """
    small_hat = np.fft.rfft(small_sizes)
    large_hat = np.fft.rfft(large_sizes, axis=-1)
    rates = SMALL_RATES[:, None]
    if small_excess < 1e-3:
        count_hat = np.exp(rates * (small_hat - 1.0))
    else:
        count_hat = np.exp(-np.log1p(rates * small_excess * (1.0 - small_hat)) / small_excess)
    further = large_hat[:, None, :] * np.exp(
        EXTRA_RATES[None, :, None] * (large_hat[:, None, :] - 1.0)
    )
    busy_hat = further[:, :, None, :] * count_hat[None, None, _COARSE, :]
    litres = np.arange(FINE) * STEP_L
    return VolumeTables(
        quiet=_tidy(_on_support(count_hat)),
        busy=_tidy(_on_support(busy_hat)),
        large_mean_l40=large_sizes @ litres,
        small_mean_l40=float(small_sizes @ litres),
    )


def _tidy(pmf: Floats) -> Floats:
    pmf = np.maximum(pmf, 0.0)
    return np.asarray(pmf / pmf.sum(-1, keepdims=True))


def between(grid: Floats, at: Floats) -> tuple[np.ndarray, Floats]:
    """Index of the grid point to the right of each value, and how far towards it, 0 .. 1."""
    right = np.clip(np.searchsorted(grid, at, side="left"), 1, len(grid) - 1)
    share = np.clip((at - grid[right - 1]) / (grid[right] - grid[right - 1]), 0.0, 1.0)
    return right, share


def quiet_pmf(table: VolumeTables, small_rate: Floats) -> Floats:
    """Use of slots without a large draw, shape (n, k), for expected small draws, shape (n,)."""
    right, share = between(SMALL_RATES, small_rate)
    low, high = table.quiet[right - 1], table.quiet[right]
    return np.asarray(low + share[:, None] * (high - low))


def busy_pmf(table: VolumeTables, kind: np.ndarray, extra: Floats, small_rate: Floats) -> Floats:
    """Use of slots with a large draw, shape (n, k): size class, further large draws, small ones."""
    right, share = between(SMALL_RATES[_COARSE], small_rate)
    above, part = between(EXTRA_RATES, extra)
    out = np.zeros((len(kind), table.quiet.shape[-1]))
    for step_e, weight_e in ((-1, 1.0 - part), (0, part)):
        for step_s, weight_s in ((-1, 1.0 - share), (0, share)):
            out += (weight_e * weight_s)[:, None] * table.busy[kind, above + step_e, right + step_s]
    return out
