"""What crossed the cylinder's boundary in a step, and how it is added up."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np

from service.cylinder.drive import Drive, Until
from service.cylinder.segments import Segment
from service.cylinder.water import (
    KJ_PER_KWH,
    Floats,
    density_kg_per_l,
    enthalpy_kj_per_kg,
    temperature_c,
)


class Flows(NamedTuple):
    """What crossed the cylinder's boundary in a step. Heat in kWh.

    duration_s      how long it lasted, shorter than asked when ``stopped_by`` is set
    drawn_l         litres that left the outlet, drawn_kg their mass
    drawn_kwh       their heat above the cold inlet
    outlet_c        their mean temperature, NaN when nothing was drawn
    parts           the plugs that left, in order
    usable_l        litres at ``use_c`` made from the part that was at least that hot
    colder_l        litres drawn below ``use_c``
    plate_kwh, coil_kwh, immersion_kwh  heat put in by each source
    loss_kwh        standing loss of the cylinder, loop_loss_kwh of the loop,
    return_loss_kwh what the secondary circuit gave off
    expansion_kg    water that left at the bottom because it expanded, less what came back
    inflow_kwh, outflow_kwh, expansion_kwh  enthalpies that entered and left with water
    """

    duration_s: float = 0.0
    drawn_l: float = 0.0
    drawn_kg: float = 0.0
    drawn_kwh: float = 0.0
    parts: tuple[Segment, ...] = ()
    usable_l: float = 0.0
    colder_l: float = 0.0
    plate_kwh: float = 0.0
    coil_kwh: float = 0.0
    immersion_kwh: float = 0.0
    loss_kwh: float = 0.0
    loop_loss_kwh: float = 0.0
    return_loss_kwh: float = 0.0
    expansion_kg: float = 0.0
    expansion_kwh: float = 0.0
    inflow_kwh: float = 0.0
    outflow_kwh: float = 0.0
    circulated_kg: float = 0.0
    stopped_by: Until | None = None

    @property
    def parts_l(self) -> Floats:
        """Volume of each plug that left, shape (k,)."""
        return np.array([part[2] for part in self.parts])

    @property
    def parts_c(self) -> Floats:
        """Temperature of each plug that left, shape (k,)."""
        return np.array([part[3] for part in self.parts])

    @property
    def outlet_c(self) -> float:
        """Mean temperature of the water drawn (by enthalpy), NaN when nothing was drawn."""
        if self.drawn_kg <= 0:
            return math.nan
        return temperature_c(self.outflow_kwh * KJ_PER_KWH / self.drawn_kg)

    @property
    def heat_kwh(self) -> float:
        """Heat put in by all sources."""
        return self.plate_kwh + self.coil_kwh + self.immersion_kwh

    @property
    def gained_kwh(self) -> float:
        """Enthalpy that the water gained on balance: what came less what went."""
        return (
            self.heat_kwh
            + self.inflow_kwh
            - self.outflow_kwh
            - self.loss_kwh
            - self.loop_loss_kwh
            - self.return_loss_kwh
            - self.expansion_kwh
        )


@dataclass(slots=True)
class Tally:
    """What crossed the boundary while steps are put together, in kJ and kg."""

    parts: list[Segment] = field(default_factory=list)
    inflow_kj: float = 0.0
    plate_kj: float = 0.0
    coil_kj: float = 0.0
    immersion_kj: float = 0.0
    loss_kj: float = 0.0
    loop_loss_kj: float = 0.0
    return_loss_kj: float = 0.0
    expansion_kj: float = 0.0
    expansion_kg: float = 0.0
    circulated_kg: float = 0.0

    def flows(self, drive: Drive, duration_s: float, stopped_by: Until | None) -> Flows:
        """What crossed, in kWh."""
        return Flows(
            duration_s=duration_s,
            plate_kwh=self.plate_kj / KJ_PER_KWH,
            coil_kwh=self.coil_kj / KJ_PER_KWH,
            immersion_kwh=self.immersion_kj / KJ_PER_KWH,
            loss_kwh=self.loss_kj / KJ_PER_KWH,
            loop_loss_kwh=self.loop_loss_kj / KJ_PER_KWH,
            return_loss_kwh=self.return_loss_kj / KJ_PER_KWH,
            expansion_kg=self.expansion_kg,
            expansion_kwh=self.expansion_kj / KJ_PER_KWH,
            inflow_kwh=self.inflow_kj / KJ_PER_KWH,
            circulated_kg=self.circulated_kg,
            stopped_by=stopped_by,
            **(self._drawn(drive) if self.parts else {}),
        )

    def _drawn(self, drive: Drive) -> dict[str, Any]:
        """What left the outlet, and what it is worth at the temperature of use."""
        cold = enthalpy_kj_per_kg(drive.cold_c)
        kg = kj = drawn_l = usable_kj = colder_l = 0.0
        for part_kg, enthalpy, part_l, t_c in self.parts:
            kg += part_kg
            kj += part_kg * enthalpy
            drawn_l += part_l
            if t_c >= drive.use_c:
                usable_kj += part_kg * (enthalpy - cold)
            else:
                colder_l += part_l
        per_litre = density_kg_per_l(drive.use_c) * (enthalpy_kj_per_kg(drive.use_c) - cold)
        return {
            "parts": tuple(self.parts),
            "drawn_l": drawn_l,
            "drawn_kg": kg,
            "drawn_kwh": (kj - kg * cold) / KJ_PER_KWH,
            "outflow_kwh": kj / KJ_PER_KWH,
            "usable_l": usable_kj / per_litre,
            "colder_l": colder_l,
        }
