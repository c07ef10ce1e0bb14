"""Tapping profiles S, M, L and XL.

Regulation (EU) 812/2013, Annex VII, Table 3 (also 814/2013, Annex III, Table 1, and EN 16147).
Times, Qtap and flows as in two public implementations that agree: CARNOT Blockset 7.1.1
(verify_EU_Tapping.m, Solar-Institut Juelich) and BESMod, RWTH Aachen, commit ebffa520 (S, M, L).
The second bath of L is at 21:00 in both (20:46 in a third copy).

Each row: hour, minute, Qtap kWh, least flow L/min, temperature Tm from which the draw counts,
temperature Tp that must be reached (None where none is asked for). Cold water has 10 degC.
"""

from __future__ import annotations

from typing import NamedTuple


class Draw(NamedTuple):
    """One draw of a profile."""

    hour: int
    minute: int
    kwh: float
    l_per_min: float
    counts_from_c: float
    peak_c: float | None

    @property
    def use_c(self) -> float:
        """The temperature of use: the peak where one is asked for."""
        return self.counts_from_c if self.peak_c is None else self.peak_c

    @property
    def start_s(self) -> int:
        """Seconds since midnight."""
        return 3600 * self.hour + 60 * self.minute


COLD_C = 10.0

S = (
    Draw(7, 0, 0.105, 3, 25, None),
    Draw(7, 30, 0.105, 3, 25, None),
    Draw(8, 30, 0.105, 3, 25, None),
    Draw(9, 30, 0.105, 3, 25, None),
    Draw(11, 30, 0.105, 3, 25, None),
    Draw(11, 45, 0.105, 3, 25, None),
    Draw(12, 45, 0.315, 4, 10, 55),
    Draw(18, 0, 0.105, 3, 25, None),
    Draw(18, 15, 0.105, 3, 40, None),
    Draw(20, 30, 0.42, 4, 10, 55),
    Draw(21, 30, 0.525, 5, 45, None),
)

M = (
    Draw(7, 0, 0.105, 3, 25, None),
    Draw(7, 5, 1.4, 6, 40, None),
    Draw(7, 30, 0.105, 3, 25, None),
    Draw(8, 1, 0.105, 3, 25, None),
    Draw(8, 15, 0.105, 3, 25, None),
    Draw(8, 30, 0.105, 3, 25, None),
    Draw(8, 45, 0.105, 3, 25, None),
    Draw(9, 0, 0.105, 3, 25, None),
    Draw(9, 30, 0.105, 3, 25, None),
    Draw(10, 30, 0.105, 3, 10, 40),
    Draw(11, 30, 0.105, 3, 25, None),
    Draw(11, 45, 0.105, 3, 25, None),
    Draw(12, 45, 0.315, 4, 10, 55),
    Draw(14, 30, 0.105, 3, 25, None),
    Draw(15, 30, 0.105, 3, 25, None),
    Draw(16, 30, 0.105, 3, 25, None),
    Draw(18, 0, 0.105, 3, 25, None),
    Draw(18, 15, 0.105, 3, 40, None),
    Draw(18, 30, 0.105, 3, 40, None),
    Draw(19, 0, 0.105, 3, 25, None),
    Draw(20, 30, 0.735, 4, 10, 55),
    Draw(21, 15, 0.105, 3, 25, None),
    Draw(21, 30, 1.4, 6, 40, None),
)

L = (
    Draw(7, 0, 0.105, 3, 25, None),
    Draw(7, 5, 1.4, 6, 40, None),
    Draw(7, 30, 0.105, 3, 25, None),
    Draw(7, 45, 0.105, 3, 25, None),
    Draw(8, 5, 3.605, 10, 10, 40),
    Draw(8, 25, 0.105, 3, 25, None),
    Draw(8, 30, 0.105, 3, 25, None),
    Draw(8, 45, 0.105, 3, 25, None),
    Draw(9, 0, 0.105, 3, 25, None),
    Draw(9, 30, 0.105, 3, 25, None),
    Draw(10, 30, 0.105, 3, 10, 40),
    Draw(11, 30, 0.105, 3, 25, None),
    Draw(11, 45, 0.105, 3, 25, None),
    Draw(12, 45, 0.315, 4, 10, 55),
    Draw(14, 30, 0.105, 3, 25, None),
    Draw(15, 30, 0.105, 3, 25, None),
    Draw(16, 30, 0.105, 3, 25, None),
    Draw(18, 0, 0.105, 3, 25, None),
    Draw(18, 15, 0.105, 3, 40, None),
    Draw(18, 30, 0.105, 3, 40, None),
    Draw(19, 0, 0.105, 3, 25, None),
    Draw(20, 30, 0.735, 4, 10, 55),
    Draw(21, 0, 3.605, 10, 10, 40),
    Draw(21, 30, 0.105, 3, 25, None),
)

XL = (
    Draw(7, 0, 0.105, 3, 25, None),
    Draw(7, 15, 1.82, 6, 40, None),
    Draw(7, 26, 0.105, 3, 25, None),
    Draw(7, 45, 4.42, 10, 10, 40),
    Draw(8, 1, 0.105, 3, 25, None),
    Draw(8, 15, 0.105, 3, 25, None),
    Draw(8, 30, 0.105, 3, 25, None),
    Draw(8, 45, 0.105, 3, 25, None),
    Draw(9, 0, 0.105, 3, 25, None),
    Draw(9, 30, 0.105, 3, 25, None),
    Draw(10, 0, 0.105, 3, 25, None),
    Draw(10, 30, 0.105, 3, 10, 40),
    Draw(11, 0, 0.105, 3, 25, None),
    Draw(11, 30, 0.105, 3, 25, None),
    Draw(11, 45, 0.105, 3, 25, None),
    Draw(12, 45, 0.735, 4, 10, 55),
    Draw(14, 30, 0.105, 3, 25, None),
    Draw(15, 0, 0.105, 3, 25, None),
    Draw(15, 30, 0.105, 3, 25, None),
    Draw(16, 0, 0.105, 3, 25, None),
    Draw(16, 30, 0.105, 3, 25, None),
    Draw(17, 0, 0.105, 3, 25, None),
    Draw(18, 0, 0.105, 3, 25, None),
    Draw(18, 15, 0.105, 3, 40, None),
    Draw(18, 30, 0.105, 3, 40, None),
    Draw(19, 0, 0.105, 3, 25, None),
    Draw(20, 30, 0.735, 4, 10, 55),
    Draw(20, 46, 4.42, 10, 10, 40),
    Draw(21, 15, 0.105, 3, 25, None),
    Draw(21, 30, 4.42, 10, 10, 40),
)

PROFILES = {"S": S, "M": M, "L": L, "XL": XL}

# Daily energy in kWh (the table's own sum), litres counted as 60 degC water and at the
# temperature of use, both with the common 1.163 Wh/(L K).
TOTALS = {
    "S": (2.1, 36.15, 72.1),
    "M": (5.845, 100.61, 205.67),
    "L": (11.655, 200.51, 372.18),
    "XL": (19.07, 328.05, 595.73),
}
