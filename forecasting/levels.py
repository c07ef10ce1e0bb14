"""How far a part's level departs from the whole's: a gamma prior on a Poisson rate.

A weekday's stretch of hours is expected to hold ``e`` draws if it were like its kind of day, and
held ``n``. With a gamma prior of shape and rate ``s`` on the ratio between the two, its posterior
mean is (n + s) / (e + s) and the chance of ``n`` is negative binomial [1]. The strength ``s`` is
not given: it is one of a few, and how often each holds in this household is learned from all its
weekdays together (empirical Bayes [2]). So one weekly bath is believed in a household whose
weekdays are otherwise alike, and chance is not taken for a habit.

References:
    [1] A. Gelman et al. 2013, Bayesian Data Analysis, 3rd edition, section 2.6.
    [2] B. Efron 2010, Large-Scale Inference, chapter 1.
"""

from __future__ import annotations

import numpy as np

from forecasting.types import CHANNELS, Floats

STRENGTHS: Floats = np.array([0.03, 0.1, 0.4, 1.5, 8.0, 1e5])
_USUALLY: Floats = np.array([0.06, 0.06, 0.1, 0.13, 0.2, 0.45])
TRUST = 4.0  # stretches that what is usual elsewhere is worth
ROUNDS = 12
_HALF_LOG_TAU = 0.5 * float(np.log(2.0 * np.pi))


def usual() -> Floats:
    """Log of how likely each strength is before a household has shown anything, shape (2, g)."""
    return np.log(np.stack([_USUALLY] * CHANNELS))


def exactly(strength: Floats) -> Floats:
    """The strength nearest to a given one for each channel, shape (2,), and no other: (2, g)."""
    nearest = np.abs(np.log(STRENGTHS) - np.log(np.maximum(strength, 1e-3))[:, None]).argmin(1)
    return np.where(np.arange(len(STRENGTHS)) == nearest[:, None], 0.0, -1e3)


def log_gamma(x: Floats) -> Floats:
    """Log of the gamma function for x > 0, to 1e-9 (Stirling's series above 4)."""
    y = x + 4.0
    pair = x * (x + 3.0)
    r = 1.0 / y
    q = r * r
    series = (
        (((q / 1188.0 - 1.0 / 1680.0) * q + 1.0 / 1260.0) * q - 1.0 / 360.0) * q + 1.0 / 12.0
    ) * r
    return np.asarray(
        (y - 0.5) * np.log(y) - y + _HALF_LOG_TAU + series - np.log(pair * (pair + 2.0))
    )


_LOG_GAMMA = log_gamma(STRENGTHS[:-1])


def evidence(happened: Floats, expected: Floats) -> Floats:
    """Log chance of what happened under each strength, up to a constant, shape (..., g)."""
    n, e = happened[..., None], np.maximum(expected[..., None], 1e-9)
    beside = STRENGTHS[:-1]
    spread = log_gamma(n + beside) - _LOG_GAMMA - n * np.log(beside + e)
    spread -= beside * np.log1p(e / beside)
    poisson = -e  # the last strength: no departure
    return np.asarray(np.concatenate([spread, np.broadcast_to(poisson, n.shape)], axis=-1))


def ratio(happened: Floats, expected: Floats, alike: Floats, log_weights: Floats) -> Floats:
    """Posterior mean of a part's draws over those of ``alike``, by channel, shape (2, ...).

    Args:
        happened: draws counted, shape (2, ...).
        expected: draws if the part were like the others, shape (2, ...).
        alike: draws if it and the others were one, shape (2, ...); taken when none departs.
        log_weights: how likely each strength is, shape (2, g).
    """
    n = happened.ndim - 1
    score = evidence(happened, expected) + log_weights.reshape(CHANNELS, *(1,) * n, -1)
    weight = np.exp(score - score.max(-1, keepdims=True))
    weight /= weight.sum(-1, keepdims=True)
    beside = STRENGTHS[:-1]
    mean = (happened[..., None] + beside) / (expected[..., None] + beside)
    towards_all = (expected + 1e-6) / (alike + 1e-6)
    return np.asarray((weight[..., :-1] * mean).sum(-1) * towards_all + weight[..., -1])


def learn(happened: Floats, expected: Floats) -> Floats:
    """Log of how likely each strength is in this household, shape (2, g), from all its parts.

    Expectation and maximisation, begun from and leaning on what is usual.
    """
    score = evidence(happened, expected).reshape(CHANNELS, -1, len(STRENGTHS))
    weights = np.stack([_USUALLY] * CHANNELS)
    for _ in range(ROUNDS):
        belongs = np.exp(score - score.max(-1, keepdims=True)) * weights[:, None]
        belongs /= belongs.sum(-1, keepdims=True)
        weights = (belongs.sum(1) + TRUST * _USUALLY) / (score.shape[1] + TRUST)
    return np.asarray(np.log(weights))
