"""What published sources say of a household nobody has measured yet.

References:
    [1] SAP 2012 / BREDEM: V = 25 N + 36 litres a day; occupancy from floor area; annual mean
        temperature rise 37.0 K (Table 1d).
    [2] EN 16147 and Regulation (EU) 812/2013, load profiles S, M, L: times and energies of draws.
    [3] IEA SHC Task 26, Jordan and Vajen 2001: draw categories with their flow, length and share.
"""

from __future__ import annotations

import numpy as np

from forecasting.calendar import SLOTS_PER_DAY
from forecasting.types import Floats, Household

USE_C = 40.0
SAP_RISE_K = 37.0  # [1] annual mean
SAP_HOT_C = 52.0  # [1] delivered; less the rise this gives a cold feed of 15 degC

# [2] hour of the day and kWh of each draw; only the shape over the day is taken from it.
PROFILE_M = (
    (7.0, 0.105), (7.083, 1.4), (7.5, 0.105), (8.017, 0.105), (8.25, 0.105), (8.5, 0.105),
    (8.75, 0.105), (9.0, 0.105), (9.5, 0.105), (10.5, 0.105), (11.5, 0.105), (11.75, 0.105),
    (12.75, 0.315), (14.5, 0.105), (15.5, 0.105), (16.5, 0.105), (18.0, 0.105), (18.25, 0.105),
    (18.5, 0.105), (19.0, 0.105), (20.5, 0.735), (21.25, 0.105), (21.5, 1.4),
)  # fmt: skip

# [3] litres of one draw (mean, standard deviation) and the category's share of the volume.
DRAW_CATEGORIES = (
    ("short", 1.0, 2.0, 0.14),
    ("medium", 6.0, 2.0, 0.36),
    ("shower", 40.0, 2.0, 0.40),
    ("bath", 140.0, 2.0, 0.10),
)


def occupancy(floor_area_m2: float) -> float:
    """People expected on a floor area (m2), the assumed occupancy of SAP [1]."""
    if floor_area_m2 <= 13.9:
        return 1.0
    over = floor_area_m2 - 13.9
    return float(1.0 + 1.76 * (1.0 - np.exp(-0.000349 * over * over)) + 0.0013 * over)


def daily_litres_hot(occupants: float) -> float:
    """Litres of hot water (52 degC at the tap) a day for a number of people [1]."""
    return 25.0 * occupants + 36.0


def daily_litres_40c(household: Household) -> float:
    """Litres of use at 40 degC a day before anything is measured [1].

    The hot litres carry the energy of a rise of 37 K; the same energy above the same cold feed
    of 15 degC is so many litres at 40 degC. People count when they are known; a floor area
    stands in for them only when occupants is not above 0.
    """
    people = household.occupants
    if people <= 0 and household.floor_area_m2 is not None:
        people = occupancy(household.floor_area_m2)
    cold_c = SAP_HOT_C - SAP_RISE_K
    return daily_litres_hot(max(people, 0.5)) * SAP_RISE_K / (USE_C - cold_c)


def shape() -> Floats:
    """Share of the day's use in each local half hour, shape (48,), sums to 1 [2].

    Profile M's energies, spread over an hour and a half around each draw, because a household
    keeps its hours less exactly than a test rig does.
    """
    share = np.zeros(SLOTS_PER_DAY)
    for hour, kwh in PROFILE_M:
        share[int(hour * 2)] += kwh
    share += 0.002 * share.sum()
    spread = 0.25 * np.roll(share, 1) + 0.5 * share + 0.25 * np.roll(share, -1)
    return np.asarray(spread / spread.sum(), np.float64)
