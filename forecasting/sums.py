"""What accumulates between two slots: the distribution of sums that a forecast implies.

Slots hang together through the regimes alone, so the sum's distribution follows by carrying a
characteristic function per regime from slot to slot.
"""

from __future__ import annotations

import numpy as np

from forecasting.types import DemandForecast, Floats

STEP_L = 2.0
LENGTH = 1024  # multiples of STEP_L at least, up to 2046 L
FAR = 10.0  # standard deviations above the mean that must fit, so that no tail comes round again


def _waves(volumes_l40: Floats, length: int) -> np.ndarray:
    frequency = np.arange(length // 2 + 1)
    return np.asarray(np.exp(-2j * np.pi / length * np.outer(volumes_l40 / STEP_L, frequency)))


def _length(forecast: DemandForecast, first: int, last: int) -> int:
    """A power of two long enough for the sum and its tail."""
    state, second = forecast.regime_now, 0.0
    squares = forecast.pmf @ forecast.volumes_l40**2
    for i in range(last):
        second += float(state @ squares[i]) if i >= first else 0.0
        state = state @ forecast.transition[i]
    mean, spread = float(forecast.expected_l40[first:last].sum()), float(np.sqrt(second))
    length = LENGTH
    while length * STEP_L < mean + FAR * spread and length < 16 * LENGTH:
        length *= 2
    return length


def accumulated(forecast: DemandForecast, ends: tuple[int, ...], first: int = 0) -> Floats:
    """Distribution of the use from slot ``first`` up to (not including) each of ``ends``.

    Args:
        forecast: any demand forecast whose volumes are multiples of 2 L.
        ends: slot numbers in ascending order, above ``first``.
        first: the slot to begin with.

    Returns:
        P(sum is 2 k litres), shape (len(ends), m) with m at least 1024.
    """
    length = _length(forecast, first, ends[-1])
    waves = _waves(forecast.volumes_l40, length)
    state = forecast.regime_now
    for i in range(first):
        state = state @ forecast.transition[i]
    carried = np.repeat(state[:, None].astype(complex), waves.shape[1], axis=1)
    out, done = [], first
    for end in ends:
        hats = forecast.pmf[done:end] @ waves  # (m, r, f)
        for i in range(done, end):
            carried = carried * hats[i - done]
            reached = carried
            if i + 1 < len(forecast.pmf):
                carried = forecast.transition[i].T @ carried
        out.append(np.fft.irfft(reached.sum(0), length))
        done = end
    pmf = np.maximum(np.array(out), 0.0)
    return np.asarray(pmf / pmf.sum(-1, keepdims=True))


def quantiles(pmf: Floats, levels: tuple[float, ...]) -> Floats:
    """Litres not exceeded with each chance, interpolated within a step, shape (len(levels),).

    Args:
        pmf: P(sum is 2 k litres), shape (m,).
        levels: chances between 0 and 1.
    """
    reached = np.cumsum(pmf)
    index = np.minimum(np.searchsorted(reached, levels, side="left"), len(pmf) - 1)
    return np.asarray(index * STEP_L, np.float64)
