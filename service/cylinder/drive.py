"""What is done to the cylinder over a step: draws, sources, circulation, and when to stop.

Each of these raises ValueError when it is made with what no cylinder can have.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from service.cylinder.usable import USE_C

HIGHEST_C = 100.0  # the model knows liquid water only


@dataclass(frozen=True)
class PlateCharge:
    """Charging through an external plate heat exchanger: from the bottom, back to the top.

    heat_w            heat the source gives when nothing else limits it, W (0: the pump only)
    outlet_c          with ``controlled`` the temperature at which water goes back to the top,
                      else the highest it may have, degC
    flow_l_per_min    highest flow when controlled, else the flow, L/min
    controlled        the flow is modulated so that the outlet holds its temperature, as far as
                      the source is hot enough for it
    primary_c         temperature of the source's water entering the exchanger, degC, and
    ua_w_per_k        its heat transfer, W/K, and
    primary_l_per_min its flow, L/min: together they limit the heat by effectiveness and NTU;
                      None leaves the exchanger out of account
    """

    heat_w: float
    outlet_c: float
    flow_l_per_min: float = 15.0
    controlled: bool = True
    primary_c: float | None = None
    ua_w_per_k: float | None = None
    primary_l_per_min: float | None = None

    def __post_init__(self) -> None:
        _range("plate.heat_w", self.heat_w, 0.0, 1e6)
        _range("plate.outlet_c", self.outlet_c, 0.0, HIGHEST_C)
        _range("plate.flow_l_per_min", self.flow_l_per_min, 1e-3, 1000.0)
        _range("plate.primary_c", self.primary_c, 0.0, HIGHEST_C)
        _range("plate.ua_w_per_k", self.ua_w_per_k, 0.0, 1e6)
        _range("plate.primary_l_per_min", self.primary_l_per_min, 1e-3, 1000.0)


@dataclass(frozen=True)
class CoilCharge:
    """Charging through an internal coil between two levels.

    heat_w      heat the source gives when nothing else limits it, W
    bottom      level of the coil's foot, and ``top`` of its head
    flow_c      temperature of the water in the coil, degC: no water gets hotter, and
    ua_w_per_k  with it, which needs ``flow_c``, the coil gives at most UA (flow - water); None
                leaves it out
    """

    heat_w: float
    bottom: float
    top: float
    flow_c: float | None = None
    ua_w_per_k: float | None = None

    def __post_init__(self) -> None:
        _range("coil.heat_w", self.heat_w, 0.0, 1e6)
        _range("coil.bottom", self.bottom, 0.0, 1.0)
        _range("coil.top", self.top, self.bottom + 1e-6, 1.0)
        _range("coil.flow_c", self.flow_c, 0.0, HIGHEST_C)
        _range("coil.ua_w_per_k", self.ua_w_per_k, 0.0, 1e6)
        if self.ua_w_per_k is not None and self.flow_c is None:
            raise ValueError("coil.ua_w_per_k says nothing without coil.flow_c: give both")


@dataclass(frozen=True)
class ImmersionHeat:
    """One immersion heater at a level; its own thermostat holds ``thermostat_c`` if given."""

    heat_w: float
    level: float
    thermostat_c: float | None = None

    def __post_init__(self) -> None:
        _range("immersion.heat_w", self.heat_w, 0.0, 1e6)
        _range("immersion.level", self.level, 0.0, 1.0)
        _range("immersion.thermostat_c", self.thermostat_c, 0.0, HIGHEST_C)


@dataclass(frozen=True)
class SecondaryReturn:
    """Circulation through the pipework: from the top, back cooler at ``level``.

    return_c    with which it comes back, degC, no warmer than it left, and
    loss_share  what it loses on its way at least, a share of what it is above the ambient
    """

    flow_l_per_min: float
    return_c: float
    level: float
    loss_share: float = 0.0

    def __post_init__(self) -> None:
        _range("secondary_return.flow_l_per_min", self.flow_l_per_min, 0.0, 1000.0)
        _range("secondary_return.level", self.level, 0.0, 1.0)
        _range("secondary_return.return_c", self.return_c, 0.0, HIGHEST_C)
        _range("secondary_return.loss_share", self.loss_share, 0.0, 1.0)


@dataclass(frozen=True)
class Drive:
    """What happens to the cylinder, constant over a step.

    draw_l_per_min  litres per minute leaving the hot outlet, counted there; the same volume of
                    cold water enters, so a meter on the cold feed counts the same litres
    cold_c          temperature of the cold inlet, degC
    ambient_c       temperature around the cylinder, degC
    use_c           drawn water at this temperature or hotter counts as usable, degC
    """

    cold_c: float = 10.0
    ambient_c: float = 20.0
    draw_l_per_min: float = 0.0
    plate: PlateCharge | None = None
    coil: CoilCharge | None = None
    immersion: tuple[ImmersionHeat, ...] = ()
    secondary_return: SecondaryReturn | None = None
    use_c: float = USE_C

    def __post_init__(self) -> None:
        _range("cold_c", self.cold_c, 0.0, HIGHEST_C)
        _range("ambient_c", self.ambient_c, -60.0, HIGHEST_C)
        _range("draw_l_per_min", self.draw_l_per_min, 0.0, 1000.0)
        _range("use_c", self.use_c, 0.0, HIGHEST_C)
        if not self.use_c > self.cold_c:
            raise ValueError(f"use_c is {self.use_c:g}, must be above cold_c, {self.cold_c:g} degC")


@dataclass(frozen=True)
class Until:
    """Stop the step when the temperature at ``level`` gets there (a thermostat's cut-off)."""

    level: float
    side: Literal["at_least", "at_most"]
    temperature_c: float

    def __post_init__(self) -> None:
        _range("until.level", self.level, 0.0, 1.0)
        _range("until.temperature_c", self.temperature_c, 0.0, HIGHEST_C)

    def short_k(self, temperature: float) -> float:
        """How many kelvin a temperature in degC is short of it; 0 or less when it is there."""
        short = self.temperature_c - temperature
        return short if self.side == "at_least" else -short

    def met(self, temperature: float) -> bool:
        """Whether a temperature in degC is there."""
        return self.short_k(temperature) <= 0


def _range(name: str, value: float | None, low: float, high: float) -> None:
    if value is not None and not low <= value <= high:
        raise ValueError(f"{name} is {value:g}, must be {low:g} to {high:g}")
