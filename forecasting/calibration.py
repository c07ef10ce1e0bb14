"""Stated chances kept true for this household: sums spread as far as the days gone by demand.

``trials`` keeps the normal score of the chance that was given to at most what then happened. Were
the stated chances true, the upper scores would add up to what the forecasts themselves expect of
them [1]; more says that sums go further up than was stated. The excess, shrunk towards nothing
while few days are known, widens or narrows the use of each slot, in the next hours as the sums
over 3 and 6 hours ask for, later as those over 12 and 24 do. Means stay as they are, and the
chance that nothing is drawn too. As the slots themselves are changed, whoever reads the forecast,
the scheduler first, gets the calibrated one.

References:
    [1] T. Gneiting, F. Balabdaoui, A. Raftery 2007, Probabilistic forecasts, calibration and
        sharpness, J. Royal Statistical Society B 69 (the probability integral transform).
"""

from __future__ import annotations

import numpy as np

from forecasting import trials, volumes
from forecasting.types import Floats, SlotGrid

TRUST = 60.0  # expected sum of scores above the lowest that no correction at all is worth
NARROWEST, WIDEST = 0.95, 1.16
SHORT_S = 6 * 3600
SPREAD = 0.4  # a use is multiplied by 1 - SPREAD or 1 + SPREAD, one as likely as the other
MOST_NARROWED = 0.5


def factors(record: trials.Record) -> tuple[float, float]:
    """By how much the variance of use is to be multiplied in the next six hours, and after.

    What was learned is corrected, as far as it is trusted, and never the published profile.
    """
    found = (record.above + TRUST) / (record.expected + TRUST)
    short, long = (1.0 + record.weight * (found - 1.0)).tolist()
    # a day's variance is that of its first six hours and three times that of later ones
    after = long + (long - short) / 3.0
    return (
        float(np.clip(short, NARROWEST, WIDEST)),
        float(np.clip(after, NARROWEST, WIDEST)),
    )


def calibrated(pmf: Floats, grid: SlotGrid, now_s: int, record: trials.Record) -> Floats:
    """Use in each slot by regime, shape (n, r, k), as wide as this household has shown it."""
    short, after = factors(record)
    by_slot = np.where(grid.start_s < now_s + SHORT_S, short, after)
    wider = np.clip((by_slot - 1.0) / SPREAD**2, 0.0, 1.0)[:, None, None]
    out = pmf
    if (wider > 0).any():
        out = out + wider * (out @ _WIDER - out)
    if (by_slot < 1.0).any():
        out = _narrower(out, np.minimum(by_slot, 1.0))
    return np.asarray(out)


def _narrower(pmf: Floats, factor: Floats) -> Floats:
    """Uses drawn towards the mean of those above 0, so that the variance falls by the factor."""
    some = pmf.copy()
    some[..., 0] = 0.0
    chance = some.sum(-1)
    mean = some @ volumes.SUPPORT_L40 / np.maximum(chance, 1e-12)
    square = some @ volumes.SUPPORT_L40**2
    spread = np.maximum(square - chance * mean**2, 1e-9)
    part = np.clip((1.0 - factor)[:, None] * square / spread, 0.0, MOST_NARROWED)[..., None]
    right, share = volumes.between(volumes.SUPPORT_L40, mean)
    middle = np.zeros_like(pmf)
    np.put_along_axis(middle, right[..., None], share[..., None], -1)
    np.put_along_axis(middle, right[..., None] - 1, (1.0 - share)[..., None], -1)
    return np.asarray(pmf + part * (chance[..., None] * middle - some))


def _wider() -> Floats:
    """Each volume moved down or up by SPREAD, as likely, on the support; means kept."""
    k = len(volumes.SUPPORT_L40)
    most = volumes.SUPPORT_L40[-1]
    out = np.zeros((k, k))
    for i, volume in enumerate(volumes.SUPPORT_L40.tolist()):
        spread = min(SPREAD, most / max(volume, 1.0) - 1.0)
        for to in (volume * (1.0 - spread), volume * (1.0 + spread)):
            right, share = volumes.between(volumes.SUPPORT_L40, np.array(to))
            out[i, right] += 0.5 * share
            out[i, right - 1] += 0.5 * (1.0 - share)
    return out


_WIDER = _wider()
