"""The stratified cylinder: moving segments of water, advanced by what is done to it.

The water is a column of segments of fixed mass, each with one enthalpy; volumes follow from
density. Flow moves segments instead of mixing cells, so a front stays as sharp as the mixing
parameters and conduction allow, and a step may be as long as its inputs stay constant: a draw,
a charge, an idle night.

In one step, in this order: water moves (draw, plate exchanger, secondary return) and heat is
added; water warmer than what lies above it rises and mixes; heat spreads and leaks; the water
that expanded leaves at the bottom, or cold water fills what contracted. ``advance`` divides a
long step only as far as these orders matter.

Energy is enthalpy of mass, and ``Flows.balance_error_kwh`` closes to rounding.

Conventions: layers and profiles run from the bottom up; a level is the share of the volume
below it, 0 to 1.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, Literal, NamedTuple

import numpy as np

from service.cylinder.conduction import Dispersion, relaxed, without_crumbs
from service.cylinder.geometry import Cylinder
from service.cylinder.segments import (
    Column,
    Segment,
    cut_at,
    entered_under,
    heat_kj,
    joined,
    joined_alike,
    joined_below,
    joined_harmlessly,
    laid_under,
    litres,
    mass_kg,
    means_between,
    mixed,
    overturned,
    plug,
    poured,
    refined,
    segment,
    split_mass,
    split_volume,
    temperatures_around,
    thinned,
    warmed,
)
from service.cylinder.sources import effectiveness
from service.cylinder.usable import USE_C, usable_l
from service.cylinder.water import (
    KJ_PER_KWH,
    TYPICAL_KJ_PER_KGK,
    Floats,
    density_kg_per_l,
    enthalpy_kj_per_kg,
    specific_heat_kj_per_kgk,
    temperature_c,
)

HIGHEST_C = 100.0  # the model knows liquid water only
# So many tanks in series widen a front like dispersion: its variance grows by the volume of one
# tank times the volume that flows (Levenspiel: Chemical Reaction Engineering, 3rd ed., ch. 14).
MANY_TANKS = 32
PROBE_SPAN = 0.02  # a probe feels the mean over this share of the volume around it

# How far one undivided step may go.
_IDLE_STEP_S = 7200.0
_FLOW_STEP_S = 900.0
_HEAT_STEP_S, _HEAT_LEAST_S = 600.0, 150.0
_HEAT_RISE_K = 4.0  # of the water that a heater warms: as far as a step between these may go
_FLOW_SHARE = 1 / 8  # of the volume that moves
_UNEVEN_SHARE = 1 / 16  # the same while what leaves has a gradient, or what enters makes one
_UNEVEN_STEP_S = 300.0  # as long as the top may lose its heat to water that is about to leave
_BOTH_SHARE = 1 / 80  # the same while two flows act at once
_CRUMB_SHARE = 0.1  # of a nominal segment: standing water under a heater is cut no finer
_STIRRED_KJ_PER_KG = 0.1  # 25 mK: a plume's water is no more alike than that
_DROP_SHARE = 0.02  # of a nominal segment: what fills up contracted water and is less is mixed in
_LEAST_KG_PER_S = 1e-9  # a flow below it moves nothing
_UNTIL_WITHIN_S = 1.0
_UNTIL_WITHIN_K = 0.02


# --- what is stored ------------------------------------------------------------------------


@dataclass(frozen=True)
class State:
    """The water in the cylinder, from the bottom up, and in the plate exchanger's loop.

    The loop's first segment is the one that enters the top of the cylinder next.
    """

    water: tuple[Segment, ...]
    loop: tuple[Segment, ...] = ()

    @property
    def temperatures_c(self) -> Floats:
        """Temperature of each segment, shape (n,)."""
        return np.array([part[3] for part in self.water])

    @property
    def volumes_l(self) -> Floats:
        """Volume of each segment, shape (n,)."""
        return np.array([part[2] for part in self.water])

    @property
    def masses_kg(self) -> Floats:
        """Mass of each segment, shape (n,)."""
        return np.array([part[0] for part in self.water])

    @property
    def loop_c(self) -> Floats:
        """Temperature of each segment of the loop, shape (m,)."""
        return np.array([part[3] for part in self.loop])

    @property
    def top_c(self) -> float:
        """Temperature of the topmost segment."""
        return self.water[-1][3]

    @cached_property
    def stored_kwh(self) -> float:
        """Enthalpy of all water, loop included, in kWh; only differences mean anything."""
        return (heat_kj(self.water) + heat_kj(self.loop)) / KJ_PER_KWH

    def usable_l(self, cold_c: float, use_c: float = USE_C, *, graded: bool = True) -> float:
        """Litres at ``use_c`` in it, see ``usable.usable_l``."""
        return float(usable_l(self.temperatures_c, self.volumes_l, cold_c, use_c, graded=graded))

    def to_plain(self) -> dict[str, list[float]]:
        """Lists of floats, to store it."""
        return {
            "mass_kg": [part[0] for part in self.water],
            "enthalpy_kj_per_kg": [part[1] for part in self.water],
            "loop_mass_kg": [part[0] for part in self.loop],
            "loop_enthalpy_kj_per_kg": [part[1] for part in self.loop],
        }

    @classmethod
    def from_plain(cls, plain: Mapping[str, list[float]]) -> State:
        """Build it from what ``to_plain`` gave."""
        water, loop = (
            tuple(map(segment, plain[f"{name}mass_kg"], plain[f"{name}enthalpy_kj_per_kg"]))
            for name in ("", "loop_")
        )
        return cls(water, loop)


# --- what is done to it --------------------------------------------------------------------


@dataclass(frozen=True)
class PlateCharge:
    """Charging through an external plate heat exchanger: from the bottom, back to the top.

    heat_w            heat the source gives when nothing else limits it, W (0: the pump only)
    outlet_c          with ``controlled`` the temperature at which water goes back to the top,
                      else the highest it may have, degC
    flow_l_per_min    highest flow when controlled, else the flow, L/min
    controlled        the flow is modulated so that the outlet holds its temperature
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


@dataclass(frozen=True)
class CoilCharge:
    """Charging through an internal coil between two levels.

    heat_w      heat the source gives when nothing else limits it, W
    bottom      level of the coil's foot, and ``top`` of its head
    flow_c      temperature of the water in the coil, degC: no water gets hotter, and
    ua_w_per_k  with it the coil gives at most UA (flow - water); None leaves both out
    """

    heat_w: float
    bottom: float
    top: float
    flow_c: float | None = None
    ua_w_per_k: float | None = None


@dataclass(frozen=True)
class ImmersionHeat:
    """One immersion heater at a level; its own thermostat holds ``thermostat_c`` if given."""

    heat_w: float
    level: float
    thermostat_c: float | None = None


@dataclass(frozen=True)
class SecondaryReturn:
    """Circulation through the pipework: from the top, back at ``level`` with ``return_c``."""

    flow_l_per_min: float
    return_c: float
    level: float


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


@dataclass(frozen=True)
class Until:
    """Stop the step when the temperature at ``level`` gets there (a thermostat's cut-off)."""

    level: float
    side: Literal["at_least", "at_most"]
    temperature_c: float

    def short_k(self, temperature: float) -> float:
        """How many kelvin a temperature in degC is short of it; 0 or less when it is there."""
        short = self.temperature_c - temperature
        return short if self.side == "at_least" else -short

    def met(self, temperature: float) -> bool:
        """Whether a temperature in degC is there."""
        return self.short_k(temperature) <= 0


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
    inflow_kwh, outflow_kwh, expansion_kwh, stored_before_kwh, stored_after_kwh  enthalpies
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
    stored_before_kwh: float = 0.0
    stored_after_kwh: float = 0.0
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
    def balance_error_kwh(self) -> float:
        """Stored heat that the flows do not account for; rounding only."""
        change = self.stored_after_kwh - self.stored_before_kwh
        gained = self.heat_kwh + self.inflow_kwh
        lost = (
            self.outflow_kwh
            + self.loss_kwh
            + self.loop_loss_kwh
            + self.return_loss_kwh
            + self.expansion_kwh
        )
        return change - (gained - lost)


# --- public functions ----------------------------------------------------------------------


def start(
    cylinder: Cylinder,
    profile_c: Floats | Iterable[float] | float,
    loop_c: float = 20.0,
) -> State:
    """Fill the cylinder with a temperature profile of equal layers, bottom first, or one degC.

    A profile that is warmer below than above overturns at once. ``loop_c`` is the temperature
    of the plate exchanger's loop. Raises ValueError for temperatures outside 0 to 100 degC.
    """
    layers_c = np.atleast_1d(np.asarray(profile_c, np.float64)).ravel()
    if layers_c.size == 0 or not np.all((layers_c >= 0) & (layers_c <= HIGHEST_C)):
        raise ValueError(f"a profile's temperatures must be 0 to {HIGHEST_C:g} degC: {profile_c}")
    pieces = max(1, math.ceil(cylinder.segments / layers_c.size))
    each_l = cylinder.volume_l / layers_c.size / pieces
    layers = [segment(1.0, h) for h in enthalpy_kj_per_kg(layers_c).tolist()]
    whole: Column = [segment(each_l / part[2], part[1]) for part in layers for _ in range(pieces)]
    whole = joined_harmlessly(overturned(whole), cylinder.segment_kg)
    water = tuple(thinned(whole, cylinder.segments))
    if cylinder.loop_l <= 0:
        return State(water)
    loop_kg = cylinder.loop_l * density_kg_per_l(20.0)
    return State(water, tuple(plug(loop_kg, enthalpy_kj_per_kg(float(loop_c)), loop_kg)))


def advance(
    cylinder: Cylinder,
    state: State,
    drive: Drive,
    duration_s: float,
    until: tuple[Until, ...] = (),
) -> tuple[State, Flows]:
    """Advance the cylinder by ``duration_s`` seconds under constant inputs.

    With ``until`` it ends early, at the first moment (within a second or 0.02 K) at which one of
    the conditions is met: ``Flows.stopped_by`` names it and ``Flows.duration_s`` says when. A
    condition that is met at the outset stops at once. Raises ValueError for impossible inputs.
    """
    _check(drive, duration_s)
    tally = _Tally()
    now, left_s = state, float(duration_s)
    met = _first_met(state, until)
    while left_s > 1e-9 and met is None:
        step_s = _step_s(cylinder, now, drive, left_s)
        if until:
            now, tally, step_s, met = _step_until(cylinder, now, drive, step_s, until, tally)
        else:
            now = _step(cylinder, now, drive, step_s, tally)
        left_s -= step_s
    return now, tally.flows(state, now, drive, duration_s=duration_s - left_s, stopped_by=met)


def profile(cylinder: Cylinder, state: State, layers: int = 40) -> Floats:
    """Temperature of equal layers from the bottom up, degC, shape (layers,); keeps the heat."""
    edges = np.linspace(0.0, 1.0, layers + 1)
    return temperature_c(means_between(state.water, edges[:-1], edges[1:]))


def temperatures_at(cylinder: Cylinder, state: State, levels: Floats) -> Floats:
    """What probes at ``levels`` show, degC, shape as ``levels``."""
    shown = temperatures_around(state.water, np.ravel(levels).tolist(), PROBE_SPAN)
    return np.reshape(shown, np.shape(levels))


def temperature_at(cylinder: Cylinder, state: State, level: float) -> float:
    """What a probe at ``level`` shows, degC: the mean over 2 % of the volume around it."""
    return _at(state, level)


# --- one step ------------------------------------------------------------------------------


@dataclass(slots=True)
class _Tally:
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

    def flows(
        self,
        before: State,
        after: State,
        drive: Drive,
        *,
        duration_s: float,
        stopped_by: Until | None,
    ) -> Flows:
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
            stored_before_kwh=before.stored_kwh,
            stored_after_kwh=after.stored_kwh,
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


def _step_s(cylinder: Cylinder, state: State, drive: Drive, left_s: float) -> float:
    """Length of the next step: an equal part of what is left, as long as orders don't matter."""
    draw, plate, coil = drive.draw_l_per_min, drive.plate, drive.coil
    circulation = drive.secondary_return
    water = state.water
    near_l = _FLOW_SHARE * cylinder.volume_l
    longest_s = _IDLE_STEP_S
    litres_per_min, share, acting = 0.0, _FLOW_SHARE, 0
    if draw > 0:
        litres_per_min, acting = draw, acting + 1
        if _uneven(reversed(water), near_l):
            share, longest_s = _UNEVEN_SHARE, _UNEVEN_STEP_S
        elif cylinder.inlet_mixing_l > 0:
            share = _UNEVEN_SHARE
    if plate is not None:
        litres_per_min = max(litres_per_min, _plate_l_per_min(state, plate))
        acting += 1
        if _uneven(water, near_l) or cylinder.plate_mixing_l > 0:
            share = _UNEVEN_SHARE
        if state.loop and state.loop[0][1] < water[-1][1] - 4.2:
            share = min(share, 0.25 * cylinder.loop_l / cylinder.volume_l)
    if circulation is not None and circulation.flow_l_per_min > 0:
        litres_per_min = max(litres_per_min, circulation.flow_l_per_min)
        share = _BOTH_SHARE  # what comes back stirs while heat spreads
        acting += 1
    if coil is not None or drive.immersion:
        longest_s = min(longest_s, _HEAT_STEP_S)
        if left_s > _HEAT_LEAST_S:
            longest_s = min(longest_s, _heating_s(cylinder, water, drive))
        acting += 1
    if litres_per_min > 0:
        if acting > 1:
            share = min(share, _BOTH_SHARE)
        longest_s = min(longest_s, _FLOW_STEP_S, share * cylinder.volume_l / litres_per_min * 60)
    if coil is not None and coil.ua_w_per_k:
        heated_j_per_k = 4180.0 * cylinder.volume_l * (coil.top - coil.bottom)
        longest_s = min(longest_s, max(10.0, 0.25 * heated_j_per_k / coil.ua_w_per_k))
    return left_s / math.ceil(left_s / longest_s - 1e-9)


def _heating_s(cylinder: Cylinder, water: Column, drive: Drive) -> float:
    """How long heaters take to warm the water that they mix by ``_HEAT_RISE_K``.

    The more it warms in one step, the less the step knows of what it gave off meanwhile.
    """
    heat_w, foot, coil_l = 0.0, 1.0, 0.0
    for element in drive.immersion:
        heat_w += element.heat_w
        foot = min(foot, element.level)
    if (coil := drive.coil) is not None:
        heat_w += coil.heat_w
        foot = min(foot, coil.bottom)
        coil_l = (coil.top - coil.bottom) * cylinder.volume_l
    if heat_w <= 0:
        return _HEAT_STEP_S
    below_l, warmed_l, foot_c = foot * cylinder.volume_l, 0.0, HIGHEST_C
    for _, _, part_l, t_c in water:
        below_l -= part_l
        if below_l >= 0:
            continue
        if t_c > foot_c + _HEAT_RISE_K:
            break
        foot_c = min(foot_c, t_c)
        warmed_l += min(part_l, -below_l)
    return max(4180.0 * _HEAT_RISE_K * max(warmed_l, coil_l) / heat_w, _HEAT_LEAST_S)


def _uneven(water: Iterable[Segment], leaving_l: float) -> bool:
    """Whether the water that is about to leave differs by more than a kelvin."""
    first_c = None
    for _, _, part_l, t_c in water:
        first_c = t_c if first_c is None else first_c
        if abs(t_c - first_c) > 1.0:
            return True
        leaving_l -= part_l
        if leaving_l <= 0:
            break
    return False


def _plate_l_per_min(state: State, plate: PlateCharge) -> float:
    """Flow through the plate exchanger with the water that is at the bottom now."""
    if not plate.controlled:
        return plate.flow_l_per_min
    rise = enthalpy_kj_per_kg(plate.outlet_c) - state.water[0][1]
    if rise <= 0:
        return plate.flow_l_per_min
    return min(plate.flow_l_per_min, 60 * plate.heat_w / 1000 / rise / 0.95)


def _step_until(
    cylinder: Cylinder,
    state: State,
    drive: Drive,
    step_s: float,
    until: tuple[Until, ...],
    tally: _Tally,
) -> tuple[State, _Tally, float, Until | None]:
    """One step that stops at the first condition met: (state, tally, seconds, condition)."""

    def tried(seconds: float) -> tuple[State, _Tally, float, Until | None]:
        sums = replace(tally, parts=list(tally.parts))
        after = _step(cylinder, state, drive, seconds, sums)
        return after, sums, seconds, _first_met(after, until)

    best = tried(step_s)
    condition = best[3]
    if condition is None:
        return best
    low_s, low_k = 0.0, condition.short_k(_at(state, condition.level))
    high_s, high_k = step_s, condition.short_k(_at(best[0], condition.level))
    while high_s - low_s > _UNTIL_WITHIN_S and high_k < -_UNTIL_WITHIN_K:
        # A little after where a straight line puts the crossing, and never too near an end.
        share = min(max(1.02 * low_k / (low_k - high_k), 0.1), 0.9)
        trial = tried(low_s + share * (high_s - low_s))
        met = trial[3]
        if met is None:
            low_s, low_k = trial[2], condition.short_k(_at(trial[0], condition.level))
        else:
            best, condition, high_s = trial, met, trial[2]
            high_k = met.short_k(_at(trial[0], met.level))
    return best


def _at(state: State, level: float) -> float:
    """Temperature that a probe at a level shows, degC."""
    return temperatures_around(state.water, (level,), PROBE_SPAN)[0]


def _first_met(state: State, until: tuple[Until, ...]) -> Until | None:
    """The first condition that the state meets."""
    for condition in until:
        if condition.met(_at(state, condition.level)):
            return condition
    return None


def _step(cylinder: Cylinder, state: State, drive: Drive, step_s: float, tally: _Tally) -> State:
    """One undivided step; adds to ``tally`` what crossed the boundary.

    Water moves before heat spreads, because a front that the step makes is as old as the step.
    Heaters act on the water that came, or, when none moves, half before heat spreads and half
    after, because what they make grows evenly.
    """
    water: Column = state.water
    loop: Column = state.loop
    dispersed: list[Dispersion] = []
    circulates = drive.secondary_return is not None and drive.secondary_return.flow_l_per_min > 0
    moves = drive.draw_l_per_min > 0 or drive.plate is not None or circulates
    heats = drive.coil is not None or bool(drive.immersion)
    if drive.draw_l_per_min > 0:
        water = _drawn(cylinder, water, drive, step_s, tally)
        if cylinder.inlet_tanks >= MANY_TANKS:
            square_l2 = cylinder.inlet_mixing_l / cylinder.inlet_tanks
            square_l2 *= drive.draw_l_per_min / 60 * step_s
            dispersed.append((square_l2, 0.0, cylinder.inlet_mixing_l))
    if drive.plate is not None:
        before_kg = tally.circulated_kg
        water, loop = _charged(cylinder, water, loop, drive.plate, step_s, tally)
        if cylinder.plate_tanks >= MANY_TANKS:
            square_l2 = cylinder.plate_mixing_l / cylinder.plate_tanks
            square_l2 *= tally.circulated_kg - before_kg
            low_l = cylinder.volume_l - cylinder.plate_mixing_l
            dispersed.append((square_l2, low_l, cylinder.volume_l))
    if drive.secondary_return is not None and circulates:
        water = _circulated(cylinder, water, drive.secondary_return, step_s, tally)
    if moves:
        water = overturned(water)
    if heats:
        part = 1.0 if moves else 0.5
        water = _heated(cylinder, water, drive, step_s * part, tally)
    if moves or heats:
        water = thinned(water, cylinder.segments)
    else:
        water = joined_harmlessly(water, cylinder.segment_kg)
    least_kg = 0.0
    if dispersed:
        least_kg = 0.7 * math.sqrt(max(dispersed)[0])
        water = joined_below(water, least_kg)
    elif heats and not moves:
        # What expansion pushed past a heater's foot, a crumb at a time.
        water = joined_below(water, _CRUMB_SHARE * cylinder.segment_kg)
    water = without_crumbs(cylinder, water, step_s)
    water = refined(water, cylinder.segment_kg, least_kg)
    stirred = None
    if heats and not moves:
        water, stirred = _stirred(cylinder, water, drive)
    water, lost_kj = relaxed(cylinder, water, drive.ambient_c, step_s, stirred, dispersed)
    tally.loss_kj += lost_kj
    water = overturned(water)
    if heats and not moves:
        water = _heated(cylinder, water, drive, step_s / 2, tally)
    water = _filled(cylinder, water, drive.cold_c, tally)
    if cylinder.loop_loss_w_per_k > 0 and loop:
        loop = _loop_cooled(cylinder, loop, drive.ambient_c, step_s, tally)
    return State(tuple(water), tuple(loop))


def _drawn(cylinder: Cylinder, water: Column, drive: Drive, step_s: float, tally: _Tally) -> Column:
    """Cold water enters at the bottom and pushes the same volume out of the top."""
    drawn_l = drive.draw_l_per_min / 60 * step_s
    kg, cold = drawn_l * density_kg_per_l(drive.cold_c), enthalpy_kj_per_kg(drive.cold_c)
    tally.inflow_kj += kg * cold
    water = entered_under(
        water,
        (segment(kg, cold),),
        _zone_kg(cylinder, cylinder.inlet_mixing_l, cylinder.inlet_tanks, water),
        cylinder.inlet_tanks,
        cylinder.segment_kg,
    )
    out, rest = split_volume(water[::-1], drawn_l)
    tally.parts += out
    return rest[::-1]


def _zone_kg(cylinder: Cylinder, mixing_l: float, tanks: int, water: Column) -> float:
    """Mass of a mixing zone; none when its tanks are so many that they act by dispersion."""
    return 0.0 if tanks >= MANY_TANKS else mixing_l / cylinder.volume_l * mass_kg(water)


def _charged(
    cylinder: Cylinder,
    water: Column,
    loop: Column,
    plate: PlateCharge,
    step_s: float,
    tally: _Tally,
) -> tuple[Column, Column]:
    """Water goes from the bottom through exchanger and loop to the top: (water, loop)."""
    left_s, came_kg = step_s, 0.0
    outlets: list[float] = []
    for kg, enthalpy, volume_l, t_c in water:
        outlet, flow_kg_s = _exchanged(plate, enthalpy, volume_l / kg, t_c)
        if flow_kg_s <= _LEAST_KG_PER_S or left_s <= 0:
            break
        outlets.append(outlet)
        came_kg += min(kg, left_s * flow_kg_s)
        left_s -= kg / flow_kg_s
    came, rest = split_mass(water, came_kg)
    if not came:
        return water, loop
    went: Column = [segment(part[0], h) for part, h in zip(came, outlets, strict=False)]
    tally.plate_kj += heat_kj(went) - heat_kj(came)
    kg = mass_kg(came)
    tally.circulated_kg += kg
    if loop:
        went, loop = split_mass([*loop, *went], kg)
        loop = joined_alike(loop)
    rest = entered_under(
        rest[::-1],
        joined_alike(went),
        _zone_kg(cylinder, cylinder.plate_mixing_l, cylinder.plate_tanks, water),
        cylinder.plate_tanks,
        cylinder.segment_kg,
    )
    return rest[::-1], loop


def _exchanged(
    plate: PlateCharge, enthalpy: float, l_per_kg: float, t_c: float
) -> tuple[float, float]:
    """Outlet enthalpy in kJ/kg and flow in kg/s for water at the inlet."""
    flow = plate.flow_l_per_min / 60 / l_per_kg
    rise = max(enthalpy_kj_per_kg(plate.outlet_c) - enthalpy, 0.0)
    heat_kw = plate.heat_w / 1000
    if plate.controlled:
        flow = min(heat_kw / rise, flow) if rise > 1e-3 else 0.0
    else:
        rise = min(rise, heat_kw / flow)
    if plate.primary_c is not None and flow > _LEAST_KG_PER_S:
        rise = min(rise, _exchanger_limit_kw(plate, plate.primary_c, t_c, flow) / flow)
    return enthalpy + rise, flow


def _exchanger_limit_kw(
    plate: PlateCharge, primary_c: float, t_c: float, flow_kg_s: float
) -> float:
    """Heat that the exchanger passes on with its source at ``primary_c``, by NTU."""
    store = flow_kg_s * specific_heat_kj_per_kgk(t_c)  # kW/K
    difference = max(primary_c - t_c, 0.0)
    if plate.ua_w_per_k is None:
        return store * difference
    least, ratio = store, 0.0
    if plate.primary_l_per_min is not None:
        primary = (
            plate.primary_l_per_min
            / 60
            * density_kg_per_l(primary_c)
            * specific_heat_kj_per_kgk(primary_c)
        )
        least = min(store, primary)
        ratio = least / max(store, primary)
    return float(effectiveness(plate.ua_w_per_k / 1000 / least, ratio)) * least * difference


def _circulated(
    cylinder: Cylinder, water: Column, circuit: SecondaryReturn, step_s: float, tally: _Tally
) -> Column:
    """Water leaves at the top and comes back cooler at a level."""
    out, rest = split_volume(water[::-1], circuit.flow_l_per_min / 60 * step_s)
    if not out:
        return water
    rest = rest[::-1]
    kg = mass_kg(out)
    returned = enthalpy_kj_per_kg(circuit.return_c)
    back_kj = sum([part[0] * min(part[1], returned) for part in out])
    tally.return_loss_kj += heat_kj(out) - back_kj
    rest, at = cut_at(rest, circuit.level * cylinder.volume_l)
    # It sinks through warmer water and mixes with it, as far as that makes the column stable.
    pool_kg, pool_kj, foot = kg, back_kj, at
    while foot > 0 and rest[foot - 1][1] * pool_kg > pool_kj:
        foot -= 1
        pool_kg += rest[foot][0]
        pool_kj += rest[foot][0] * rest[foot][1]
    upper = entered_under(
        rest[foot:],
        (segment(kg, back_kj / kg),),
        pool_kg - kg,
        1,
        cylinder.segment_kg,
    )
    return [*rest[:foot], *upper]


def _heated(
    cylinder: Cylinder, water: Column, drive: Drive, step_s: float, tally: _Tally
) -> Column:
    """Coil and immersion heaters warm the water at them; the plume mixes what is cooler above."""
    if drive.coil is not None and drive.coil.heat_w > 0:
        water = _coil_heated(cylinder, water, drive.coil, step_s, tally)
    for element in drive.immersion:
        if element.heat_w <= 0:
            continue
        water, foot = cut_at(water, element.level * cylinder.volume_l)
        highest_c = HIGHEST_C if element.thermostat_c is None else element.thermostat_c
        water, put_kj = poured(
            water,
            min(foot, len(water) - 1),
            element.heat_w * step_s / 1000,
            enthalpy_kj_per_kg(highest_c),
        )
        tally.immersion_kj += put_kj
    return water


def _stirred(cylinder: Cylinder, water: Column, drive: Drive) -> tuple[Column, int | None]:
    """What the lowest heater at work keeps mixed, just after it heated, as one segment: which."""
    levels = [element.level for element in drive.immersion if element.heat_w > 0]
    if drive.coil is not None and drive.coil.heat_w > 0:
        levels.append(drive.coil.bottom)
    if not levels:
        return water, None
    below_l, foot = min(levels) * cylinder.volume_l, 0
    for part in water:
        if 0.5 * part[2] >= below_l:
            break
        below_l -= part[2]
        foot += 1
    last = len(water) - 1
    foot = min(foot, last)
    # A crumb at the foot that is not yet mixed in is passed over.
    if foot < last and water[foot][1] < water[foot + 1][1] - _STIRRED_KJ_PER_KG:
        crumb_kg = _CRUMB_SHARE * cylinder.segment_kg
        foot += water[foot][0] < crumb_kg
    level, end = water[foot][1] + _STIRRED_KJ_PER_KG, foot + 1
    while end <= last and water[end][1] < level:
        end += 1
    return [*water[:foot], joined(water[foot:end]), *water[end:]], foot


def _coil_heated(
    cylinder: Cylinder, water: Column, coil: CoilCharge, step_s: float, tally: _Tally
) -> Column:
    """The coil warms the water along it, colder water more when its own temperature is known."""
    water, foot = cut_at(water, coil.bottom * cylinder.volume_l)
    shares = _along(water, foot, (coil.top - coil.bottom) * cylinder.volume_l)
    end = foot + len(shares)
    left_kj = coil.heat_w * step_s / 1000
    highest = enthalpy_kj_per_kg(HIGHEST_C if coil.flow_c is None else coil.flow_c)
    most = math.inf if coil.ua_w_per_k is None else coil.ua_w_per_k * step_s / 1000
    enough_kj = 1e-3 * left_kj
    for _ in range(10):
        along = water[foot:end]
        room = [part[0] * max(highest - part[1], 0.0) for part in along]
        if coil.flow_c is None:
            heat = [
                min(left_kj * share, most_kj) for share, most_kj in zip(shares, room, strict=True)
            ]
        else:
            pull = [
                share / (TYPICAL_KJ_PER_KGK * part[0])
                for share, part in zip(shares, along, strict=True)
            ]
            heat = _nearing(room, pull, most, left_kj)
        put_kj = sum(heat)
        tally.coil_kj += put_kj
        left_kj -= put_kj
        water = overturned([*water[:foot], *warmed(along, heat), *water[end:]])
        # Without a UA the coil may give more once the water it warmed has risen.
        if (
            coil.flow_c is None
            or coil.ua_w_per_k is not None
            or left_kj < enough_kj
            or put_kj < enough_kj
        ):
            break
    return water


def _along(water: Column, foot: int, length_l: float) -> list[float]:
    """Shares of a coil that lie in each segment from ``foot`` up; they add up to 1."""
    parts: list[float] = []
    for part in water[foot:]:
        if length_l <= 0:
            break
        parts.append(min(part[2], length_l))
        length_l -= part[2]
    whole_l = max(sum(parts), 1e-12)
    return [part / whole_l for part in parts]


def _nearing(room: list[float], pull: list[float], most: float, most_kj: float) -> list[float]:
    """Heat in kJ with which each segment nears the coil's temperature exponentially.

    The coil's UA times the time, kJ/K, is ``most`` or what gives ``most_kj`` in all if that is
    less. The sum grows ever slower with it, so Newton's steps reach it from below. They start
    from what water of one temperature would take, which is exact when there is but one segment
    and otherwise too little.
    """
    reachable_kj = sum(room)
    if reachable_kj > most_kj:
        mean_pull = sum([kj * k for kj, k in zip(room, pull, strict=True)]) / reachable_kj
        x = min(most, -math.log1p(-most_kj / reachable_kj) / mean_pull)
    elif math.isinf(most):
        return room
    else:
        x = most
    for _ in range(50):
        left = [kj * math.exp(-k * x) for kj, k in zip(room, pull, strict=True)]
        missing = most_kj - (reachable_kj - sum(left))
        if x >= most or missing < 1e-6 * most_kj:
            break
        x = min(most, x + missing / sum([kj * k for kj, k in zip(left, pull, strict=True)]))
    return [kj - kept for kj, kept in zip(room, left, strict=True)]


def _filled(cylinder: Cylinder, water: Column, cold_c: float, tally: _Tally) -> Column:
    """Let water that expanded leave at the bottom, or cold water in where it contracted."""
    surplus_l = litres(water) - cylinder.volume_l
    if abs(surplus_l) < 1e-9 * cylinder.volume_l:
        return water
    if surplus_l > 0:
        out, water = split_volume(water, surplus_l)
        tally.expansion_kg += mass_kg(out)
        tally.expansion_kj += heat_kj(out)
        return water
    kg, cold = -surplus_l * density_kg_per_l(cold_c), enthalpy_kj_per_kg(cold_c)
    tally.expansion_kg -= kg
    tally.expansion_kj -= kg * cold
    piece_kg = cylinder.segment_kg
    if kg < _DROP_SHARE * piece_kg:
        # A drop is mixed with the lowest layer before long: it is not worth a segment.
        layer, above = split_mass(water, min(piece_kg, water[0][0]))
        filled: Column = [mixed(layer[0], kg, cold), *above]
    else:
        filled = laid_under(water, kg, cold, piece_kg)
    return filled if filled[0][1] <= filled[1][1] else overturned(filled)


def _loop_cooled(
    cylinder: Cylinder, loop: Column, ambient_c: float, step_s: float, tally: _Tally
) -> Column:
    """The loop's water nears the ambient temperature exponentially."""
    ambient = enthalpy_kj_per_kg(ambient_c)
    kj_per_k = mass_kg(loop) * specific_heat_kj_per_kgk(ambient_c)
    kept = math.exp(-cylinder.loop_loss_w_per_k * step_s / 1000 / kj_per_k)
    cooled = [segment(part[0], ambient + (part[1] - ambient) * kept) for part in loop]
    tally.loop_loss_kj += heat_kj(loop) - heat_kj(cooled)
    return cooled


# --- refusing --------------------------------------------------------------------------------


def _check(drive: Drive, duration_s: float) -> None:
    """Raise ValueError for inputs that no cylinder can have."""
    _range("duration_s", duration_s, 0.0, math.inf)
    _range("cold_c", drive.cold_c, 0.0, HIGHEST_C)
    _range("ambient_c", drive.ambient_c, -60.0, HIGHEST_C)
    _range("draw_l_per_min", drive.draw_l_per_min, 0.0, 1000.0)
    if not drive.use_c > drive.cold_c:
        raise ValueError(f"use_c is {drive.use_c:g}, must be above cold_c, {drive.cold_c:g} degC")
    if (plate := drive.plate) is not None:
        _range("plate.heat_w", plate.heat_w, 0.0, 1e6)
        _range("plate.outlet_c", plate.outlet_c, 0.0, HIGHEST_C)
        _range("plate.flow_l_per_min", plate.flow_l_per_min, 1e-3, 1000.0)
    if (coil := drive.coil) is not None:
        _range("coil.heat_w", coil.heat_w, 0.0, 1e6)
        _range("coil.bottom", coil.bottom, 0.0, 1.0)
        _range("coil.top", coil.top, coil.bottom + 1e-6, 1.0)
        if coil.flow_c is not None:
            _range("coil.flow_c", coil.flow_c, 0.0, HIGHEST_C)
    for element in drive.immersion:
        _range("immersion.heat_w", element.heat_w, 0.0, 1e6)
        _range("immersion.level", element.level, 0.0, 1.0)
        if element.thermostat_c is not None:
            _range("immersion.thermostat_c", element.thermostat_c, 0.0, HIGHEST_C)
    if (circuit := drive.secondary_return) is not None:
        _range("secondary_return.flow_l_per_min", circuit.flow_l_per_min, 0.0, 1000.0)
        _range("secondary_return.level", circuit.level, 0.0, 1.0)
        _range("secondary_return.return_c", circuit.return_c, 0.0, HIGHEST_C)


def _range(name: str, value: float, low: float, high: float) -> None:
    if not low <= value <= high or math.isinf(value):
        raise ValueError(f"{name} is {value:g}, must be {low:g} to {high:g}")
