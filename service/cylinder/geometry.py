"""The cylinder as an upright vessel: volume, height, surfaces, and what its parameters mean.

Positions inside it are levels: the share of its volume that lies below, 0 at the bottom and 1
at the top. ``level`` turns a height in metres into one. Layers, profiles and segments run from
the bottom upwards.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from service.cylinder.water import Floats


@dataclass(frozen=True)
class Cylinder:
    """An upright cylinder full of water, with what its insulation and its inlets do.

    volume_l            water content (nominal volume less what a coil displaces), L
    height_m            inside height, m; see ``of_diameter`` when the diameter is known instead
    loss_w_per_k        standing loss per kelvin above ambient, all surfaces together, W/K
    loss_shares         parts of it through bottom, side and top; by their areas when None
    conductivity_w_per_mk  effective vertical conductivity of water and wall, W/(m K): water
                        alone has 0.63 (IAPWS, 40 degC), a thin steel wall adds a few tenths
    inlet_mixing_l      volume at the bottom that the entering cold water mixes with while water
                        is drawn; 0 is a perfect diffuser (plug flow)
    inlet_tanks         into how many mixed tanks in series that volume is divided: with the
                        whole volume and N tanks the cylinder behaves like N tanks in series;
                        from 32 on they are taken as dispersion, see moving.MANY_TANKS
    plate_mixing_l      volume at the top that mixes with water returning from a plate exchanger
    plate_tanks         the same for that volume
    loop_l              water in the pipes of the plate exchanger's loop, L
    loop_loss_w_per_k   how fast that loop cools, W/K
    segments            how finely moving water is resolved: about this many segments
    """

    volume_l: float
    height_m: float
    loss_w_per_k: float = 1.5
    loss_shares: tuple[float, float, float] | None = None
    conductivity_w_per_mk: float = 0.63
    inlet_mixing_l: float = 0.0
    inlet_tanks: int = 1
    plate_mixing_l: float = 0.0
    plate_tanks: int = 1
    loop_l: float = 0.0
    loop_loss_w_per_k: float = 0.0
    segments: int = 40

    def __post_init__(self) -> None:
        _positive("volume_l", self.volume_l)
        _positive("height_m", self.height_m)
        for name in ("loss_w_per_k", "conductivity_w_per_mk", "loop_l", "loop_loss_w_per_k"):
            _not_negative(name, getattr(self, name))
        for name in ("inlet_mixing_l", "plate_mixing_l"):
            _not_negative(name, getattr(self, name))
            if getattr(self, name) > self.volume_l:
                raise ValueError(
                    f"{name} is {getattr(self, name):g} L, more than the cylinder's "
                    f"{self.volume_l:g} L"
                )
        if self.inlet_tanks < 1 or self.plate_tanks < 1:
            raise ValueError("inlet_tanks and plate_tanks must be at least 1")
        if self.segments < 4:
            raise ValueError(f"segments is {self.segments}, must be at least 4")
        shares = self.loss_shares
        if shares is not None and not (min(shares) >= 0 and abs(sum(shares) - 1) <= 1e-6):
            raise ValueError("loss_shares (bottom, side, top) must be positive and add up to 1")

    @classmethod
    def of_diameter(cls, volume_l: float, diameter_m: float, loss_w_per_k: float = 1.5) -> Cylinder:
        """Build a cylinder whose inside diameter in metres is known; the height follows."""
        _positive("volume_l", volume_l)
        _positive("diameter_m", diameter_m)
        height_m = volume_l / 1000.0 / (math.pi / 4 * diameter_m**2)
        return cls(volume_l=volume_l, height_m=height_m, loss_w_per_k=loss_w_per_k)

    @cached_property
    def area_m2(self) -> float:
        """Cross-section in m2."""
        return self.volume_l / 1000.0 / self.height_m

    @cached_property
    def segment_kg(self) -> float:
        """Nominal mass of a segment in kg, at one kilogram to the litre."""
        return self.volume_l / self.segments

    @property
    def diameter_m(self) -> float:
        """Inside diameter in m."""
        return math.sqrt(4 * self.area_m2 / math.pi)

    @cached_property
    def losses_w_per_k(self) -> tuple[float, float, float]:
        """Standing loss through bottom, side and top in W/K; adds up to ``loss_w_per_k``."""
        shares = self.loss_shares
        if shares is None:
            side = math.pi * self.diameter_m * self.height_m
            total = side + 2 * self.area_m2
            shares = (self.area_m2 / total, side / total, self.area_m2 / total)
        return (
            self.loss_w_per_k * shares[0],
            self.loss_w_per_k * shares[1],
            self.loss_w_per_k * shares[2],
        )

    def level(self, height_m: float) -> float:
        """Share of the volume below a height in metres.

        Raises ValueError for a height outside the cylinder.
        """
        if not 0 <= height_m <= self.height_m:
            raise ValueError(
                f"a height of {height_m:g} m is not within the cylinder, "
                f"which is {self.height_m:g} m high"
            )
        return height_m / self.height_m

    def layer_volumes_l(self, layers: int) -> Floats:
        """Volumes in L of ``layers`` equal layers, shape (layers,)."""
        return np.full(layers, self.volume_l / layers)


def coil_volume_l(surface_m2: float, tube_diameter_m: float) -> float:
    """Litres that an internal coil of plain tube displaces: surface times a quarter diameter.

    For a heat-pump coil of 3 m2 in 28 to 35 mm tube that is 21 to 26 L.
    """
    return surface_m2 * tube_diameter_m / 4 * 1000.0


def loss_from_daily_kwh(kwh_per_day: float, difference_k: float = 45.0) -> float:
    """Standing loss in W/K from a declared standing loss in kWh per 24 h.

    The declared test holds 65 degC in a room of 20 degC, 45 K (EN 12897:2016, B.2.2).
    """
    return kwh_per_day * 1000.0 / 24.0 / difference_k


def loss_from_class_w(standing_loss_w: float, difference_k: float = 45.0) -> float:
    """Standing loss in W/K from the watts on an energy label (Reg. 812/2013, 65/20 degC)."""
    return standing_loss_w / difference_k


def _positive(name: str, value: float) -> None:
    if not value > 0 or not math.isfinite(value):
        raise ValueError(f"{name} is {value:g}, must be above 0")


def _not_negative(name: str, value: float) -> None:
    if not value >= 0 or not math.isfinite(value):
        raise ValueError(f"{name} is {value:g}, must not be below 0")
