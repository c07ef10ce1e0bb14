"""What accumulates between two slots: the distribution of sums that a forecast implies.

Slots hang together through the regimes alone, so the sum's distribution follows by carrying a
characteristic function per regime from slot to slot.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from forecasting.types import DemandForecast, Floats, Ints

STEP_L = 2.0
LENGTH = 1024  # multiples of STEP_L at least, up to 2046 L
LONGER = (1.5, 2.0)  # a length and half as much again: quick to transform, seldom much too long
FAR = 10.0  # standard deviations above the mean that must fit, so that no tail comes round again


@lru_cache(maxsize=4)
def _waves(volumes_l40: bytes, length: int) -> Floats:
    """Cosines and sines of each volume at each frequency, shape (k, 2 f), real beside imaginary."""
    steps = np.frombuffer(volumes_l40) / STEP_L
    waves = np.exp(-2j * np.pi / length * np.outer(steps, np.arange(length // 2 + 1)))
    return np.ascontiguousarray(waves).view(np.float64)


def regimes(forecast: DemandForecast, last: int) -> Floats:
    """How likely each regime is in each of the first ``last`` slots, shape (last, r)."""
    out = np.empty((last, len(forecast.regime_now)))
    state = forecast.regime_now
    for i in range(last):
        out[i] = state
        state = state @ forecast.transition[i]
    return out


def _length(forecast: DemandForecast, states: Floats, first: int) -> int:
    """A length that transforms quickly, long enough for the sum and its tail."""
    last = len(states)
    squares = forecast.pmf[first:last] @ forecast.volumes_l40**2
    spread = float(np.sqrt((states[first:] * squares).sum()))
    need = float(forecast.expected_l40[first:last].sum()) + FAR * spread
    length = LENGTH
    while length * STEP_L < need and length < 16 * LENGTH:
        half_more = round(length * LONGER[0])
        length = half_more if half_more * STEP_L >= need else round(length * LONGER[1])
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
    last, count = ends[-1], len(forecast.regime_now)
    states = regimes(forecast, last)
    length = _length(forecast, states, first)
    waves = _waves(np.asarray(forecast.volumes_l40, np.float64).tobytes(), length)
    pmf = forecast.pmf[first:last]
    # regimes whose use is alike share their waves
    first_like = [
        next(q for q in range(r + 1) if np.array_equal(pmf[:, q], pmf[:, r])) for r in range(count)
    ]
    own = sorted(set(first_like))
    # slot by slot: one large product would wake every core for a moment's work
    hats = np.matmul(np.ascontiguousarray(pmf[:, own]), waves).view(np.complex128)
    same = [own.index(q) for q in first_like]
    carried = np.repeat(states[first][:, None].astype(complex), hats.shape[-1], axis=1)
    reached = np.empty((len(ends), hats.shape[-1]), complex)
    wanted = {end - 1: k for k, end in enumerate(ends)}
    for i in range(first, last):
        carried *= hats[i - first, same]
        if i in wanted:
            reached[wanted[i]] = carried.sum(0)
        if i + 1 < last:  # real times real: the parts lie beside each other
            carried = (forecast.transition[i].T @ carried.view(np.float64)).view(np.complex128)
    found = np.maximum(np.fft.irfft(reached, length), 0.0)
    return np.asarray(found / found.sum(-1, keepdims=True))


def slot_quantiles(forecast: DemandForecast, levels: tuple[float, ...]) -> Floats:
    """Litres not exceeded in each slot taken alone with each chance, shape (n, len(levels))."""
    alone = (regimes(forecast, len(forecast.grid))[:, None] @ forecast.pmf)[:, 0]
    return np.asarray(forecast.volumes_l40[_index(alone, levels)], np.float64)


def quantiles(pmf: Floats, levels: tuple[float, ...]) -> Floats:
    """Litres not exceeded with each chance, shape (..., len(levels)).

    Args:
        pmf: P(sum is 2 k litres), shape (..., m).
        levels: chances between 0 and 1.
    """
    return np.asarray(_index(pmf, levels) * STEP_L, np.float64)


def _index(pmf: Floats, levels: tuple[float, ...]) -> Ints:
    """Where the chances of a distribution first reach each level, shape (..., len(levels))."""
    reached = np.cumsum(pmf, axis=-1)
    below = [np.count_nonzero(reached < level, axis=-1) for level in levels]
    return np.asarray(np.minimum(np.stack(below, axis=-1), pmf.shape[-1] - 1), np.int64)
