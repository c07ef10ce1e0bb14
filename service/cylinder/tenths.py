"""The one definition of a tenth.

Ten tenths is the V40 of the cylinder full at its normal set temperature with a cold inlet of
10 degC: a fixed reference per home (``usable.reference_l40``), so that a tenth means the same
litres in January and in July.
"""

from __future__ import annotations

import math

FULL = 10
RISE_MARGIN_TENTHS = 0.2


def tenths(l40: float, reference_l40: float) -> float:
    """Charge in tenths, not rounded; above ten when the store is hotter than its normal set.

    Raises ValueError when the reference is not above 0.
    """
    if not reference_l40 > 0:
        raise ValueError(f"the reference of ten tenths is {reference_l40:g} L, must be above 0")
    return FULL * max(l40, 0.0) / reference_l40


def litres(charge_tenths: float, reference_l40: float) -> float:
    """Litres at 40 degC in that many tenths, the inverse of ``tenths``."""
    return charge_tenths * reference_l40 / FULL


def shown_tenths(lower_l40: float, reference_l40: float, previously_shown: int | None) -> int:
    """Whole tenths to show, from the lower bound of the estimate in litres at 40 degC.

    It falls at once, so that nobody is promised water that isn't there, and rises only when
    the lower bound is a margin beyond the next whole tenth, so that noise doesn't make it
    flicker. The last tenth needs no margin: a cylinder that is just full shows ten. 0 to 10.
    """
    exact = tenths(lower_l40, reference_l40)
    whole = min(FULL, math.floor(exact + 1e-9))
    if previously_shown is None or whole <= previously_shown or whole == FULL:
        return whole
    return max(previously_shown, min(FULL, math.floor(exact - RISE_MARGIN_TENTHS + 1e-9)))
