"""Published tapping profiles S, M, L and XL, as draws of a simulated household.

Regulation (EU) 812/2013, Annex VII, Table 3 (the same as EN 16147): time, useful energy in kWh,
flow in L/min, Tm (useful from here on) and Tp (must be reached), cold water at 10 degC.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from service.simulation.household import TapDraw

COLD_C = 10.0
KWH_PER_L_K = 1.163e-3  # water counted cold, the standard's own figure


@dataclass(frozen=True)
class Tapping:
    """One draw of a profile. ``use_c`` is Tp where one is given, else Tm, degC."""

    hour: float
    kwh: float
    flow_l_per_min: float
    use_c: float


S = (
    Tapping(7 + 0 / 60, 0.105, 3, 25),
    Tapping(7 + 30 / 60, 0.105, 3, 25),
    Tapping(8 + 30 / 60, 0.105, 3, 25),
    Tapping(9 + 30 / 60, 0.105, 3, 25),
    Tapping(11 + 30 / 60, 0.105, 3, 25),
    Tapping(11 + 45 / 60, 0.105, 3, 25),
    Tapping(12 + 45 / 60, 0.315, 4, 55),
    Tapping(18 + 0 / 60, 0.105, 3, 25),
    Tapping(18 + 15 / 60, 0.105, 3, 40),
    Tapping(20 + 30 / 60, 0.42, 4, 55),
    Tapping(21 + 30 / 60, 0.525, 5, 45),
)
M = (
    Tapping(7 + 0 / 60, 0.105, 3, 25),
    Tapping(7 + 5 / 60, 1.4, 6, 40),
    Tapping(7 + 30 / 60, 0.105, 3, 25),
    Tapping(8 + 1 / 60, 0.105, 3, 25),
    Tapping(8 + 15 / 60, 0.105, 3, 25),
    Tapping(8 + 30 / 60, 0.105, 3, 25),
    Tapping(8 + 45 / 60, 0.105, 3, 25),
    Tapping(9 + 0 / 60, 0.105, 3, 25),
    Tapping(9 + 30 / 60, 0.105, 3, 25),
    Tapping(10 + 30 / 60, 0.105, 3, 40),
    Tapping(11 + 30 / 60, 0.105, 3, 25),
    Tapping(11 + 45 / 60, 0.105, 3, 25),
    Tapping(12 + 45 / 60, 0.315, 4, 55),
    Tapping(14 + 30 / 60, 0.105, 3, 25),
    Tapping(15 + 30 / 60, 0.105, 3, 25),
    Tapping(16 + 30 / 60, 0.105, 3, 25),
    Tapping(18 + 0 / 60, 0.105, 3, 25),
    Tapping(18 + 15 / 60, 0.105, 3, 40),
    Tapping(18 + 30 / 60, 0.105, 3, 40),
    Tapping(19 + 0 / 60, 0.105, 3, 25),
    Tapping(20 + 30 / 60, 0.735, 4, 55),
    Tapping(21 + 15 / 60, 0.105, 3, 25),
    Tapping(21 + 30 / 60, 1.4, 6, 40),
)
L = (
    Tapping(7 + 0 / 60, 0.105, 3, 25),
    Tapping(7 + 5 / 60, 1.4, 6, 40),
    Tapping(7 + 30 / 60, 0.105, 3, 25),
    Tapping(7 + 45 / 60, 0.105, 3, 25),
    Tapping(8 + 5 / 60, 3.605, 10, 40),
    Tapping(8 + 25 / 60, 0.105, 3, 25),
    Tapping(8 + 30 / 60, 0.105, 3, 25),
    Tapping(8 + 45 / 60, 0.105, 3, 25),
    Tapping(9 + 0 / 60, 0.105, 3, 25),
    Tapping(9 + 30 / 60, 0.105, 3, 25),
    Tapping(10 + 30 / 60, 0.105, 3, 40),
    Tapping(11 + 30 / 60, 0.105, 3, 25),
    Tapping(11 + 45 / 60, 0.105, 3, 25),
    Tapping(12 + 45 / 60, 0.315, 4, 55),
    Tapping(14 + 30 / 60, 0.105, 3, 25),
    Tapping(15 + 30 / 60, 0.105, 3, 25),
    Tapping(16 + 30 / 60, 0.105, 3, 25),
    Tapping(18 + 0 / 60, 0.105, 3, 25),
    Tapping(18 + 15 / 60, 0.105, 3, 40),
    Tapping(18 + 30 / 60, 0.105, 3, 40),
    Tapping(19 + 0 / 60, 0.105, 3, 25),
    Tapping(20 + 30 / 60, 0.735, 4, 55),
    Tapping(21 + 0 / 60, 3.605, 10, 40),
    Tapping(21 + 30 / 60, 0.105, 3, 25),
)
XL = (
    Tapping(7 + 0 / 60, 0.105, 3, 25),
    Tapping(7 + 15 / 60, 1.82, 6, 40),
    Tapping(7 + 26 / 60, 0.105, 3, 25),
    Tapping(7 + 45 / 60, 4.42, 10, 40),
    Tapping(8 + 1 / 60, 0.105, 3, 25),
    Tapping(8 + 15 / 60, 0.105, 3, 25),
    Tapping(8 + 30 / 60, 0.105, 3, 25),
    Tapping(8 + 45 / 60, 0.105, 3, 25),
    Tapping(9 + 0 / 60, 0.105, 3, 25),
    Tapping(9 + 30 / 60, 0.105, 3, 25),
    Tapping(10 + 0 / 60, 0.105, 3, 25),
    Tapping(10 + 30 / 60, 0.105, 3, 40),
    Tapping(11 + 0 / 60, 0.105, 3, 25),
    Tapping(11 + 30 / 60, 0.105, 3, 25),
    Tapping(11 + 45 / 60, 0.105, 3, 25),
    Tapping(12 + 45 / 60, 0.735, 4, 55),
    Tapping(14 + 30 / 60, 0.105, 3, 25),
    Tapping(15 + 0 / 60, 0.105, 3, 25),
    Tapping(15 + 30 / 60, 0.105, 3, 25),
    Tapping(16 + 0 / 60, 0.105, 3, 25),
    Tapping(16 + 30 / 60, 0.105, 3, 25),
    Tapping(17 + 0 / 60, 0.105, 3, 25),
    Tapping(18 + 0 / 60, 0.105, 3, 25),
    Tapping(18 + 15 / 60, 0.105, 3, 40),
    Tapping(18 + 30 / 60, 0.105, 3, 40),
    Tapping(19 + 0 / 60, 0.105, 3, 25),
    Tapping(20 + 30 / 60, 0.735, 4, 55),
    Tapping(20 + 46 / 60, 4.42, 10, 40),
    Tapping(21 + 15 / 60, 0.105, 3, 25),
    Tapping(21 + 30 / 60, 4.42, 10, 40),
)
PROFILES = {"S": S, "M": M, "L": L, "XL": XL}


def draws(name: str, first: date, days: int, zone: ZoneInfo) -> Iterator[TapDraw]:
    """The profile on ``days`` local days from ``first``, as mixed water at 40 degC.

    A draw keeps its energy and its time: the litres are those that carry the same heat at
    40 degC, at the profile's flow.
    """
    for offset in range(days):
        midnight = datetime.combine(first + timedelta(days=offset), time(), zone).timestamp()
        for tapping in PROFILES[name]:
            litres = tapping.kwh / (KWH_PER_L_K * (40.0 - COLD_C))
            yield TapDraw(
                midnight + tapping.hour * 3600.0,
                tapping.flow_l_per_min,
                litres / tapping.flow_l_per_min * 60.0,
            )
