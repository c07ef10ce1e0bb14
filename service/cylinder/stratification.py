"""How layered a store is, as one number."""

from __future__ import annotations

import numpy as np

from service.cylinder.water import Floats


def mix_number(profile_c: Floats, cold_c: float, hot_c: float) -> float:
    """MIX number of a profile of equal layers: 0 perfectly layered, 1 fully mixed.

    The height-weighted heat of the profile between those of the perfectly layered store (water
    at ``hot_c`` over water at ``cold_c``) and the fully mixed one of the same heat (Davidson,
    Adams, Miller: J. Sol. Energy Eng. 116, 94, 1994; the form of Andersen, Furbo, Fan 2007).
    Heat is counted with constant properties, as there. A store without heat, or full of water
    at ``hot_c``, counts as layered: 0.

    profile_c  shape (n,), degC from the bottom up. Raises ValueError unless hot is above cold.
    """
    if not hot_c > cold_c:
        raise ValueError(f"hot_c, {hot_c:g}, must be above cold_c, {cold_c:g} degC")
    profile_c = np.asarray(profile_c, np.float64)
    n = len(profile_c)
    share = np.clip((profile_c - cold_c) / (hot_c - cold_c), 0.0, 1.0)
    heat = float(share.sum())
    # Moments of height in layers; a hot layer of ``heat`` layers reaches from n - heat to n.
    moment = float(share @ (np.arange(n) + 0.5))
    layered = heat * (n - heat / 2)
    # Layers resolve a front only to their own height: the best that n layers can do.
    whole = np.clip(heat - np.arange(n)[::-1], 0.0, 1.0)
    layered = min(layered, float(whole @ (np.arange(n) + 0.5)))
    mixed = heat * n / 2
    if layered - mixed < 1e-9:
        return 0.0
    return float(np.clip((layered - moment) / (layered - mixed), 0.0, 1.0))
