"""Heat that went into the water, as the estimator is told of it, put into a motion."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from service.cylinder.estimator_motion import (
    ASSUMED_HEAT,
    HEAT,
    HOTTEST_C,
    LEAST_RISE_K,
    RETURNED,
    Motion,
)
from service.cylinder.water import Floats

NOTHING_KWH = 1e-6  # four joules: less warms nothing
UNTOLD_C = 45.0  # what an exchanger returns at least where nobody says how hot


@dataclass(frozen=True)
class Heat:
    """Heat that went into the water since the observation before.

    kwh            measured or assumed heat, kWh
    place          ``direct`` for an immersion heater or an internal coil between two levels
                   (shares of the volume); ``plate`` for an exchanger that takes water from the
                   bottom and returns it at the top
    outlet_c       plate: of the water that returns, degC; as hot as the top, or 45, when None
    moved_l        plate: water that went through it where its pump's flow is fixed, L: it returns
                   so much warmer as the heat makes it, up to ``outlet_c``; None where the flow
                   follows from ``outlet_c``
    metered        False when the kWh are only what the source is believed to give
    outlet_measured  False when ``outlet_c`` is only what the exchanger is believed to return
    """

    kwh: float
    place: Literal["direct", "plate"] = "direct"
    bottom_level: float = 0.0
    top_level: float = 0.0
    outlet_c: float | None = None
    moved_l: float | None = None
    metered: bool = True
    outlet_measured: bool = True


def put_in(motion: Motion, heat: Heat, errors: Floats, part: float) -> None:
    """Put a part of heat that was told, with what is known of its error, into a motion."""
    which = HEAT if heat.metered else ASSUMED_HEAT
    kwh = heat.kwh * part * max(1.0 + float(errors[which]), 0.0)
    if kwh <= NOTHING_KWH:
        return
    if heat.place == "direct":
        motion.warm(kwh, heat.bottom_level, heat.top_level, which)
        return
    unsure_k = 0.0 if heat.outlet_measured else float(errors[RETURNED])
    believed = not heat.outlet_measured
    if heat.moved_l is not None:
        hottest_c = HOTTEST_C if heat.outlet_c is None else heat.outlet_c + unsure_k
        motion.pump_round(
            kwh, heat.moved_l * part, min(hottest_c, HOTTEST_C), which, believed=believed
        )
        return
    t = motion.temperatures_c
    bottom_c = float(t[1] if motion.phase_l < 0.5 * motion.h_l else t[0])
    outlet_c = heat.outlet_c if heat.outlet_c is not None else max(float(t[-1]), UNTOLD_C)
    # Whatever is told, water returns warmer than it left and doesn't boil.
    outlet_c = min(max(outlet_c + unsure_k, bottom_c + LEAST_RISE_K), HOTTEST_C)
    if outlet_c <= bottom_c:  # it boils already
        return
    motion.pump_down(kwh, outlet_c, which, believed=believed)
