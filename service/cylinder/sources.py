"""Heat sources: what heat pumps give and draw, what meters correct, what exchangers pass on.

Rating points are what a data sheet states in the manner of EN 14511: heating capacity and
coefficient of performance (COP) at an outdoor and a flow temperature, A7/W55 and so on.

References:
[1] hplib 1.9 (RWTH Aachen and others), hplib_database.csv: fits to the declared points of 366
    regulated air/water heat pumps; the tenth percentile of the fits is used as the default.
[2] Shah, Sekulic: Fundamentals of Heat Exchanger Design (2003), table 3.4: counterflow
    effectiveness = (1 - e) / (1 - Cr e), e = exp(-NTU (1 - Cr)).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from service.cylinder.water import Floats

KELVIN = 273.15
_ENDLESS_NTU = 1e12


# --- heat pump -----------------------------------------------------------------------------


@dataclass(frozen=True)
class RatingPoint:
    """One point of a heat pump's data sheet: capacity in W and COP at outdoor and flow degC."""

    outdoor_c: float
    flow_c: float
    heat_w: float
    cop: float


@dataclass(frozen=True)
class Duty:
    """What a heat pump does at one moment: heat and electricity in W, and their ratio."""

    heat_w: float
    electricity_w: float
    cop: float


@dataclass(frozen=True)
class HeatPump:
    """An air-source heat pump from the rating points an installer types in.

    points       at least one rating point
    flow_limits  (outdoor degC, highest flow degC), by rising outdoor temperature; between them
                 straight lines, beyond them the last value
    heat_scale   correction of the capacity, cop_scale of the COP, learned from meters

    Between points the COP is its fraction of the Carnot COP, a plane in outdoor and flow
    temperature plus the points' own deviations weighted by nearness, so that every typed-in
    point comes back as it was typed. Capacity is treated alike. From 10 K beyond the points into
    cold air and hot flow, and from their edge into warm air and cool flow, the fraction keeps its
    value; capacity never exceeds the largest point.
    """

    points: tuple[RatingPoint, ...]
    flow_limits: tuple[tuple[float, float], ...] = ((-20.0, 45.0), (-10.0, 50.0), (0.0, 55.0))
    heat_scale: float = 1.0
    cop_scale: float = 1.0

    def __post_init__(self) -> None:
        if not self.points:
            raise ValueError("a heat pump needs at least one rating point")
        for point in self.points:
            if not (point.heat_w > 0 and 1 <= point.cop < 15 and point.flow_c > point.outdoor_c):
                raise ValueError(
                    f"rating point A{point.outdoor_c:g}/W{point.flow_c:g} with "
                    f"{point.heat_w:g} W and COP {point.cop:g} is not possible: capacity must be "
                    "above 0 W, COP 1 to 15, and the flow warmer than outdoors"
                )
            most = float(_carnot(np.array(point.outdoor_c), np.array(point.flow_c)))
            if point.cop >= most:
                raise ValueError(
                    f"COP {point.cop:g} at A{point.outdoor_c:g}/W{point.flow_c:g} is above what "
                    f"thermodynamics allows there, {most:.1f}"
                )
        outdoors = [limit[0] for limit in self.flow_limits]
        if not outdoors or outdoors != sorted(outdoors):
            raise ValueError("flow_limits must be listed by rising outdoor temperature")

    def flow_limit_c(self, outdoor_c: float) -> float:
        """Highest flow temperature in degC at an outdoor temperature."""
        return float(self.flow_limits_c(outdoor_c))

    def flow_limits_c(self, outdoor_c: Floats | float) -> Floats:
        """The same at outdoor temperatures of any shape."""
        return np.asarray(np.interp(outdoor_c, *self._limits), np.float64)

    def cop(self, outdoor_c: Floats | float, flow_c: Floats | float) -> Floats:
        """COP at outdoor and flow temperatures (broadcast together), corrected; at least 1."""
        outdoor, flow = np.asarray(outdoor_c, np.float64), np.asarray(flow_c, np.float64)
        low, high = min(0.1, *self._carnot_shares), max(0.7, *self._carnot_shares)
        fraction = np.clip(self._carnot_share.at(outdoor, flow), low, high)
        result: Floats = np.maximum(fraction * _carnot(outdoor, flow) * self.cop_scale, 1.0)
        return result

    def heat_w(self, outdoor_c: Floats | float, flow_c: Floats | float) -> Floats:
        """Heating capacity in W at outdoor and flow temperatures (broadcast), corrected."""
        outdoor, flow = np.asarray(outdoor_c, np.float64), np.asarray(flow_c, np.float64)
        rated = [p.heat_w for p in self.points]
        heat = self._capacity_w.at(outdoor, flow)
        result: Floats = np.clip(heat, 0.3 * min(rated), max(rated)) * self.heat_scale
        return result

    def at(self, outdoor_c: float, flow_c: float) -> Duty:
        """Heat, electricity and COP at one outdoor and one flow temperature."""
        heat_w = float(self.heat_w(outdoor_c, flow_c))
        cop = float(self.cop(outdoor_c, flow_c))
        return Duty(heat_w, heat_w / cop, cop)

    def corrected(self, heat: Correction, cop: Correction) -> HeatPump:
        """Return the same heat pump with what meters taught about its capacity and COP."""
        return replace(self, heat_scale=heat.scale, cop_scale=cop.scale)

    @cached_property
    def _limits(self) -> Floats:
        """Outdoor temperatures, and the highest flow at each, shape (2, k)."""
        return np.array(self.flow_limits, np.float64).T.copy()

    @cached_property
    def _capacity_w(self) -> _Surface:
        return _Surface.through(self.points, [p.heat_w for p in self.points])

    @cached_property
    def _carnot_share(self) -> _Surface:
        return _Surface.through(self.points, self._carnot_shares)

    @cached_property
    def _carnot_shares(self) -> list[float]:
        return [p.cop / float(_carnot_at(p)) for p in self.points]


@dataclass(frozen=True, eq=False)
class _Surface:
    """Plane through values at the rating points plus residuals by inverse distance (Shepard 1968).

    ``points``, shape (k, 2), are outdoor and flow temperatures, degC.
    """

    points: Floats
    centre: Floats
    mean: float
    slopes: Floats
    residual: Floats

    @classmethod
    def through(cls, rated: tuple[RatingPoint, ...], values: list[float]) -> _Surface:
        """The surface that these values, one for each rating point, lie on."""
        at = np.array([(p.outdoor_c, p.flow_c) for p in rated])
        above, mean = at - at.mean(axis=0), float(np.mean(values))
        # A little ridge lets one point, or points on a line, give a flat answer across it.
        slopes = np.linalg.solve(
            above.T @ above + 1e-3 * np.eye(2), above.T @ (np.array(values) - mean)
        )
        return cls(at, at.mean(axis=0), mean, slopes, np.array(values) - mean - above @ slopes)

    def at(self, outdoor: Floats, flow: Floats) -> Floats:
        """Values at outdoor and flow temperatures; beyond the points as at their edge."""
        low, high = self.points.min(axis=0), self.points.max(axis=0)
        outdoor = np.clip(outdoor, low[0] - 10.0, high[0])
        flow = np.clip(flow, low[1], high[1] + 10.0)
        tilt, lean = self.slopes
        plane = self.mean + (outdoor - self.centre[0]) * tilt + (flow - self.centre[1]) * lean
        apart2 = (outdoor[..., None] - self.points[:, 0]) ** 2
        apart2 = apart2 + (flow[..., None] - self.points[:, 1]) ** 2
        weight = 1.0 / (apart2 + 1e-9)
        result: Floats = plane + (weight * self.residual).sum(-1) / weight.sum(-1)
        return result


def default_heat_pump(rated_w: float) -> HeatPump:
    """Return a cautious heat pump of a rated capacity (A7/W35), until its own data are typed in.

    COP: tenth percentile of 366 air/water heat pumps [1], at A-7 of their declared COP at W52.
    Fall of capacity in the cold and the flow limits: common practice, no source.
    """
    table = (
        (12.0, 55.0, 1.00, 3.33),
        (7.0, 35.0, 1.00, 4.46),
        (7.0, 55.0, 0.95, 2.73),
        (2.0, 35.0, 0.90, 3.84),
        (2.0, 55.0, 0.85, 2.10),
        (-7.0, 35.0, 0.75, 2.45),
        (-7.0, 52.0, 0.70, 1.80),
    )
    return HeatPump(tuple(RatingPoint(a, w, share * rated_w, cop) for a, w, share, cop in table))


@dataclass(frozen=True)
class Correction:
    """A factor learned by comparing metered with expected energy, kWh.

    The expectation counts as ``belief_kwh`` of evidence at factor 1, so a first short run moves
    it little; evidence fades with ``memory_kwh``, so that a slow change is followed.
    """

    expected_kwh: float = 0.0
    metered_kwh: float = 0.0
    belief_kwh: float = 20.0
    memory_kwh: float = 300.0

    @property
    def known(self) -> bool:
        """Whether a run has taught anything."""
        return self.expected_kwh > 0.0

    @property
    def scale(self) -> float:
        """Metered over expected, 0.5 to 1.5."""
        ratio = (self.belief_kwh + self.metered_kwh) / (self.belief_kwh + self.expected_kwh)
        return min(max(ratio, 0.5), 1.5)

    def seen(self, expected_kwh: float, metered_kwh: float) -> Correction:
        """Add one run: what was expected without correction and what was metered.

        For a COP, expected is the metered electricity times the rated COP and metered is the
        heat; for a capacity, rated capacity times time and the heat. Runs that are impossible
        (nothing expected, or off by more than a factor of 3) teach nothing.
        """
        if not (expected_kwh > 0 and 1 / 3 <= metered_kwh / expected_kwh <= 3):
            return self
        kept = math.exp(-expected_kwh / self.memory_kwh)
        return replace(
            self,
            expected_kwh=self.expected_kwh * kept + expected_kwh,
            metered_kwh=self.metered_kwh * kept + metered_kwh,
        )


def _carnot(outdoor_c: Floats, flow_c: Floats) -> Floats:
    """Carnot COP; the lift is kept above 5 K, below which real machines gain nothing more."""
    lift: Floats = np.maximum(flow_c - outdoor_c, 5.0)
    return (flow_c + KELVIN) / lift


def _carnot_at(point: RatingPoint) -> Floats:
    return _carnot(np.array(point.outdoor_c), np.array(point.flow_c))


# --- exchangers ----------------------------------------------------------------------------


def effectiveness(ntu: Floats | float, capacity_ratio: Floats | float) -> Floats:
    """Effectiveness of a counterflow exchanger [2], broadcast over both arguments.

    ntu             UA over the smaller capacity flow, also infinite
    capacity_ratio  smaller over larger capacity flow, 0 to 1

    Raises ValueError for what no exchanger has.
    """
    ntu, ratio = np.asarray(ntu, np.float64), np.asarray(capacity_ratio, np.float64)
    if not (np.all(ntu >= 0) and np.all((ratio >= 0) & (ratio <= 1))):
        raise ValueError(f"NTU {ntu} must not be below 0, capacity ratio {ratio} must be 0 to 1")
    ntu = np.minimum(ntu, _ENDLESS_NTU)
    e = np.exp(-ntu * (1 - ratio))
    equal = np.abs(1 - ratio) < 1e-9
    result: Floats = np.where(equal, ntu / (1 + ntu), (1 - e) / np.where(equal, 1.0, 1 - ratio * e))
    return result
