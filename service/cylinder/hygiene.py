"""Hygiene numbers for each layer of a profile: heat above thresholds, the growth band, turnover.

They describe; they pass nothing. Whether a thermal disinfection succeeded is decided by what
the named probes measured, and lethality never shortens it.

Lethality is the number of decades by which Legionella pneumophila in water is reduced, the
integral of 10^((T - 60) / z) / D60. D60 = 2 min and z = 5.29 K after Schulze-Roebbecke and
Buchholtz (1992, Appl. Environ. Microbiol. 58), as quoted in a Brazilian handbook, p. 222;
published D values at 50 degC differ by more than a factor of 2 (80 to 380 min), which is why
the tally counts nothing below 50 degC. Growth band 20 to 45 degC after HSE guidance.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from service.cylinder.water import Floats

D60_MIN = 2.0
Z_K = 5.29
LETHAL_FROM_C = 50.0
GROWTH_C = (20.0, 45.0)


def decimal_reduction_min(t_c: float, d60_min: float = D60_MIN, z_k: float = Z_K) -> float:
    """Minutes at ``t_c`` degC that leave a tenth of the bacteria alive (the D value)."""
    return float(d60_min * 10 ** ((60.0 - t_c) / z_k))


def lethality(
    t_c: Floats | float, duration_s: float, d60_min: float = D60_MIN, z_k: float = Z_K
) -> Floats:
    """Decades of reduction by ``duration_s`` seconds at ``t_c`` degC, shape as ``t_c``."""
    t_c = np.asarray(t_c, np.float64)
    result: Floats = 10 ** ((t_c - 60.0) / z_k) * (duration_s / 60.0 / d60_min)
    return result


@dataclass(frozen=True, eq=False)
class HygieneTally:
    """What each layer has been through since the last reset; arrays of shape (layers,).

    decades           lethality, counted from 50 degC
    above_50_s, above_55_s, above_60_s  seconds at or above
    growth_s          seconds between 20 and 45 degC
    drawn_l           litres drawn from the cylinder, elapsed_s the time covered
    """

    decades: Floats
    above_50_s: Floats
    above_55_s: Floats
    above_60_s: Floats
    growth_s: Floats
    drawn_l: float = 0.0
    elapsed_s: float = 0.0

    @classmethod
    def empty(cls, layers: int = 40) -> HygieneTally:
        """Return a tally in which nothing has happened yet."""
        none = np.zeros(layers)
        return cls(none, none, none, none, none)

    @property
    def growth_h(self) -> Floats:
        """Hours between 20 and 45 degC for each layer."""
        return self.growth_s / 3600.0

    def turnover(self, volume_l: float) -> Floats:
        """How often fresh water has passed through each layer, shape (layers,).

        Litres drawn over the volume from the cold inlet to the top of the layer: the lowest
        layer is renewed by every draw, the highest once per cylinder volume.
        """
        layers = len(self.decades)
        below: Floats = volume_l * np.arange(1, layers + 1) / layers
        return self.drawn_l / below

    def advanced(
        self,
        profile_c: Floats,
        duration_s: float,
        drawn_l: float = 0.0,
        *,
        profile_before_c: Floats | None = None,
        d60_min: float = D60_MIN,
        z_k: float = Z_K,
    ) -> HygieneTally:
        """Add ``duration_s`` seconds that ended with ``profile_c``, shape (layers,).

        With ``profile_before_c`` every layer is taken to have changed evenly from that; without
        it, to have been at ``profile_c`` throughout. Raises ValueError for another shape.
        """
        end = np.asarray(profile_c, np.float64)
        begin = end if profile_before_c is None else np.asarray(profile_before_c, np.float64)
        if end.shape != self.decades.shape or begin.shape != self.decades.shape:
            raise ValueError(f"the profile has shape {end.shape}, the tally {self.decades.shape}")
        limits_c = np.array([LETHAL_FROM_C, 55.0, 60.0, *GROWTH_C])
        above_s = _share_above(begin, end, limits_c[:, None]) * duration_s
        above_50_s, above_55_s, above_60_s, above_20_s, above_45_s = above_s
        return HygieneTally(
            decades=self.decades + _ramp_lethality(begin, end, duration_s, d60_min, z_k),
            above_50_s=self.above_50_s + above_50_s,
            above_55_s=self.above_55_s + above_55_s,
            above_60_s=self.above_60_s + above_60_s,
            growth_s=self.growth_s + above_20_s - above_45_s,
            drawn_l=self.drawn_l + drawn_l,
            elapsed_s=self.elapsed_s + duration_s,
        )

    def to_plain(self) -> dict[str, Any]:
        """Lists and floats, to store it."""
        return {
            name: value.tolist() if isinstance(value, np.ndarray) else float(value)
            for name, value in vars(self).items()
        }

    @classmethod
    def from_plain(cls, plain: Mapping[str, Any]) -> HygieneTally:
        """Build it from what ``to_plain`` gave."""
        values: dict[str, Any] = {
            name: np.array(value, np.float64) if isinstance(value, list) else float(value)
            for name, value in plain.items()
        }
        return cls(**values)


def _share_above(begin: Floats, end: Floats, limit_c: Floats | float) -> Floats:
    """Share of an even change from ``begin`` to ``end`` spent at or above a limit (broadcast)."""
    low, high = np.minimum(begin, end), np.maximum(begin, end)
    span = high - low
    ramp = (high - limit_c) / np.where(span > 0, span, 1.0)
    share: Floats = np.where(span > 0, np.clip(ramp, 0.0, 1.0), high >= limit_c)
    return share


def _ramp_lethality(
    begin: Floats, end: Floats, duration_s: float, d60_min: float, z_k: float
) -> Floats:
    """Lethality of an even change, counting only its part from 50 degC up; exact."""
    share = _share_above(begin, end, LETHAL_FROM_C)
    low = np.maximum(np.minimum(begin, end), LETHAL_FROM_C)
    span = np.maximum(np.maximum(begin, end) - low, 0.0) * (np.log(10.0) / z_k)
    # Mean of exp over an even change is (exp(span) - 1) / span, 1 when there is none.
    mean = np.where(span > 1e-9, np.expm1(span) / np.where(span > 1e-9, span, 1.0), 1.0)
    decades: Floats = share * lethality(low, duration_s, d60_min, z_k) * mean
    return decades
