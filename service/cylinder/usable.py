"""Usable hot water: what a temperature profile is worth at the tap.

V40 is the volume of water at 40 degC that holds the same heat, above the cold inlet, as the
water that leaves the cylinder at 40 degC or hotter in one continuous draw (EN 16147,
Reg. 812/2013). Heat is counted as enthalpy of mass, so a sharp store of volume V at T gives
about 1 % less than V (T - Tc) / (40 - Tc). Water below 40 degC gives none: it is lukewarm.

Profiles run from the bottom (index 0) to the top along their last axis; an ensemble of
profiles, shape (..., n), gives results of shape (...).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.cylinder.geometry import Cylinder
from service.cylinder.water import (
    KJ_PER_KWH,
    Floats,
    density_kg_per_l,
    enthalpy_kj_per_kg,
)

USE_C = 40.0
REFERENCE_COLD_C = 10.0


@dataclass(frozen=True)
class Use:
    """One use of hot water as people count it: litres of mixed water at a temperature."""

    name: str
    litres: float
    use_c: float = USE_C


# Litres at 40 degC per use from a planning table after VDI 2067 (Austrian textbook, ISBN
# 978-3-7100-4722-0, p. 273): shower 50, bath 170, wash basin 20. Each home may set its own.
USES = (Use("shower", 50.0), Use("bath", 170.0), Use("basin", 20.0))


def usable_l(
    profile_c: Floats,
    volumes_l: Floats,
    cold_c: float,
    use_c: float = USE_C,
    *,
    graded: bool = True,
) -> Floats:
    """Litres of mixed water at ``use_c`` that a profile can give, cold inlet at ``cold_c``.

    profile_c  shape (..., n), degC from the bottom to the top
    volumes_l  shape (n,) or (..., n), litres of each layer
    use_c      the temperature wanted at the tap or the setting of a mixing valve, degC
    graded     layers are samples of a continuous profile: inside a layer the temperature runs
               on towards its neighbours as far as both agree (a sharp step stays sharp). False
               takes each layer as a plug of one temperature.

    Returns shape (...). Raises ValueError when ``use_c`` is not above ``cold_c``.
    """
    litres: Floats = _usable_kj(profile_c, volumes_l, cold_c, use_c, graded) / _kj_per_litre(
        use_c, cold_c
    )
    return litres


def v40_l(
    profile_c: Floats,
    volumes_l: Floats,
    cold_c: float,
    use_c: float = USE_C,
    *,
    graded: bool = True,
) -> Floats:
    """V40 of a profile in litres: ``usable_l`` at 40 degC.

    Where a home has no use for water cooler than ``use_c``, that of its hotter water alone.
    """
    litres: Floats = _usable_kj(profile_c, volumes_l, cold_c, use_c, graded) / _kj_per_litre(
        USE_C, cold_c
    )
    return litres


def _usable_kj(
    profile_c: Floats, volumes_l: Floats, cold_c: float, use_c: float, graded: bool
) -> Floats:
    """Heat above the cold inlet in what is ``use_c`` or hotter, kJ; shape (...)."""
    _check_use(cold_c, use_c)
    profile_c = np.asarray(profile_c, np.float64)
    volumes_l = np.asarray(volumes_l, np.float64)
    if graded and profile_c.shape[-1] > 2:
        share, hot_c = _hot_part(profile_c, volumes_l, use_c)
    else:
        share = (profile_c >= use_c).astype(np.float64)
        hot_c = profile_c
    cold = enthalpy_kj_per_kg(float(cold_c))
    heat = share * volumes_l * density_kg_per_l(hot_c) * (enthalpy_kj_per_kg(hot_c) - cold)
    return np.asarray(heat.sum(axis=-1))


def _kj_per_litre(use_c: float, cold_c: float) -> float:
    """Heat above the cold inlet in a litre at ``use_c``, kJ."""
    rise = enthalpy_kj_per_kg(float(use_c)) - enthalpy_kj_per_kg(float(cold_c))
    return float(density_kg_per_l(float(use_c)) * rise)


def heat_above_cold_kwh(profile_c: Floats, volumes_l: Floats, cold_c: float) -> Floats:
    """All heat above the cold inlet in kWh, usable or not; shape (...)."""
    profile_c = np.asarray(profile_c, np.float64)
    rise = enthalpy_kj_per_kg(profile_c) - enthalpy_kj_per_kg(float(cold_c))
    kwh: Floats = (volumes_l * density_kg_per_l(profile_c) * rise).sum(axis=-1) / KJ_PER_KWH
    return kwh


def lukewarm_kwh(
    profile_c: Floats, volumes_l: Floats, cold_c: float, use_c: float = USE_C
) -> Floats:
    """Heat above the cold inlet, in kWh, in water too cool to use; shape (...)."""
    usable = _usable_kj(profile_c, volumes_l, cold_c, use_c, True) / KJ_PER_KWH
    below: Floats = np.maximum(heat_above_cold_kwh(profile_c, volumes_l, cold_c) - usable, 0.0)
    return below


def mixed_l(hot_l: float, hot_c: float, cold_c: float, use_c: float = USE_C) -> float:
    """Litres at ``use_c`` from ``hot_l`` litres of store water at ``hot_c``; 0 if too cool."""
    return float(usable_l(np.array([hot_c]), np.array([hot_l]), cold_c, use_c))


def hot_volume_l(wanted_l: float, hot_c: float, cold_c: float, use_c: float = USE_C) -> float:
    """Litres of store water at ``hot_c`` that give ``wanted_l`` at ``use_c``: the inverse.

    Raises ValueError when water at ``hot_c`` can't give ``use_c``.
    """
    if hot_c < use_c:
        raise ValueError(f"water at {hot_c:g} degC can't give {use_c:g} degC")
    return wanted_l / mixed_l(1.0, hot_c, cold_c, use_c)


def sharp_profile_c(
    cylinder: Cylinder, v40: float, hot_c: float, cold_c: float, layers: int = 40
) -> Floats:
    """Temperature profile that holds ``v40`` litres as a sharp hot layer on cold water.

    The layer that the boundary cuts gets the heat of its hot share, so that no heat is lost,
    and counts for V40 only if it is hot enough. Full when v40 exceeds what fits. Shape (layers,).
    """
    hot_l = min(hot_volume_l(v40, hot_c, cold_c), cylinder.volume_l)
    each = cylinder.volume_l / layers
    share = np.clip(hot_l / each - np.arange(layers)[::-1], 0.0, 1.0)
    profile_c: Floats = cold_c + share * (hot_c - cold_c)
    return profile_c


def reference_l40(cylinder: Cylinder, set_c: float, cold_c: float = REFERENCE_COLD_C) -> float:
    """V40 of the cylinder full at its normal set temperature: ten tenths, in litres.

    Raises ValueError when the set temperature is below 40 degC.
    """
    if set_c < USE_C:
        raise ValueError(
            f"a normal set temperature of {set_c:g} degC holds no usable water; "
            f"it must be at least {USE_C:g} degC"
        )
    return mixed_l(cylinder.volume_l, set_c, cold_c)


def uses(
    profile_c: Floats, volumes_l: Floats, cold_c: float, wanted: tuple[Use, ...] = USES
) -> dict[str, float]:
    """How many of each use the profile can give if it gives nothing else, not rounded."""
    return {
        use.name: float(usable_l(profile_c, volumes_l, cold_c, use.use_c)) / use.litres
        for use in wanted
    }


def _check_use(cold_c: float, use_c: float) -> None:
    if not use_c > cold_c:
        raise ValueError(
            f"the temperature of use, {use_c:g} degC, must be above the cold inlet's {cold_c:g}"
        )


def _hot_part(profile_c: Floats, volumes_l: Floats, use_c: float) -> tuple[Floats, Floats]:
    """Share of each layer at ``use_c`` or hotter and the mean temperature of that share.

    The slope inside a layer is the smaller of the slopes to its two neighbours, and none where
    they disagree in sign or a neighbour is missing (minmod, see LeVeque: Finite Volume Methods
    for Hyperbolic Problems, section 6.9), which keeps a sharp step sharp and the layer's mean.
    """
    steps = profile_c[..., 1:] - profile_c[..., :-1]
    gradient = steps / (0.5 * (volumes_l[..., 1:] + volumes_l[..., :-1]))
    below, above = gradient[..., :-1], gradient[..., 1:]
    slope = np.zeros_like(profile_c)
    slope[..., 1:-1] = np.where(
        below * above > 0, np.sign(below) * np.minimum(np.abs(below), np.abs(above)), 0.0
    )
    span = np.abs(slope * volumes_l)  # difference between the layer's two faces
    steep = np.maximum(span, 1e-9)
    share = np.minimum(np.maximum(0.5 + (profile_c - use_c) / steep, 0.0), 1.0)
    share = np.where(span > 1e-9, share, profile_c >= use_c)
    return share, profile_c + 0.5 * span * (1.0 - share)
