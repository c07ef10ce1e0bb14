"""The stratified cylinder: moving segments of water, advanced by what is done to it.

The water is a column of segments of fixed mass, each with one enthalpy; volumes follow from
density. Flow moves segments instead of mixing cells, so a front stays as sharp as the mixing
parameters and conduction allow, and a step may be as long as its inputs stay constant: a draw,
a charge, an idle night.

In one step, in this order: water moves (draw, plate exchanger, secondary return) and heat is
added; water warmer than what lies above it rises and mixes; heat spreads and leaks; the water
that expanded leaves at the bottom, or cold water fills what contracted. ``advance`` divides a
long step only as far as these orders matter.

Energy is enthalpy of mass: ``State.stored_kwh`` changes by ``Flows.gained_kwh``, to rounding.

Conventions: layers and profiles run from the bottom up; a level is the share of the volume
below it, 0 to 1.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from service.cylinder.conduction import Dispersion, relaxed, without_crumbs
from service.cylinder.drive import HIGHEST_C, Drive, PlateCharge, Until
from service.cylinder.flows import Flows, Tally
from service.cylinder.geometry import Cylinder
from service.cylinder.heating import CRUMB_SHARE, heated, stirred
from service.cylinder.moving import MANY_TANKS, charged, circulated, drawn, filled, loop_cooled
from service.cylinder.segments import (
    Column,
    Segment,
    heat_kj,
    joined_below,
    joined_harmlessly,
    litres,
    means_between,
    overturned,
    plug,
    refined,
    segment,
    temperatures_around,
    thinned,
)
from service.cylinder.usable import USE_C, usable_l
from service.cylinder.water import (
    KJ_PER_KWH,
    Floats,
    density_kg_per_l,
    enthalpy_kj_per_kg,
    temperature_c,
)

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

    @property
    def stored_kwh(self) -> float:
        """Enthalpy of all water, loop included, in kWh; only differences mean anything."""
        return (heat_kj(self.water) + heat_kj(self.loop)) / KJ_PER_KWH

    def usable_l(self, cold_c: float, use_c: float = USE_C, *, graded: bool = True) -> float:
        """Litres at ``use_c`` in it, see ``usable.usable_l``."""
        return float(usable_l(self.temperatures_c, self.volumes_l, cold_c, use_c, graded=graded))


# --- public functions ----------------------------------------------------------------------


def start(
    cylinder: Cylinder,
    profile_c: Floats | Iterable[float] | float,
    loop_c: float = 20.0,
) -> State:
    """Fill the cylinder with a temperature profile of equal layers, bottom first, or one degC.

    A profile that is warmer below than above overturns at once; what it contracts by as it mixes
    is filled up with the same water. ``loop_c`` is the temperature of the plate exchanger's
    loop. Raises ValueError for temperatures outside 0 to 100 degC.
    """
    layers_c = np.atleast_1d(np.asarray(profile_c, np.float64)).ravel()
    known_c = np.append(layers_c, loop_c)
    if layers_c.size == 0 or not np.all((known_c >= 0) & (known_c <= HIGHEST_C)):
        raise ValueError(
            f"temperatures of profile and loop must be 0 to {HIGHEST_C:g} degC: "
            f"{profile_c}, {loop_c}"
        )
    pieces = max(1, math.ceil(cylinder.segments / layers_c.size))
    each_l = cylinder.volume_l / layers_c.size / pieces
    layers = [segment(1.0, h) for h in enthalpy_kj_per_kg(layers_c).tolist()]
    whole: Column = [segment(each_l / part[2], part[1]) for part in layers for _ in range(pieces)]
    whole = joined_harmlessly(overturned(whole), cylinder.segment_kg)
    whole = thinned(whole, cylinder.segments)
    fill = cylinder.volume_l / litres(whole)
    water = tuple([segment(part[0] * fill, part[1]) for part in whole])
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
    condition that is met at the outset stops at once. Raises ValueError for an impossible time.
    """
    if not 0.0 <= duration_s < math.inf:
        raise ValueError(f"duration_s is {duration_s:g}, must be finite and 0 or more")
    tally = Tally()
    now, left_s = state, float(duration_s)
    met = _first_met(state, until)
    while left_s > 1e-9 and met is None:
        step_s = _step_s(cylinder, now, drive, left_s)
        if until:
            now, tally, step_s, met = _step_until(cylinder, now, drive, step_s, until, tally)
        else:
            now = _step(cylinder, now, drive, step_s, tally)
        left_s -= step_s
    return now, tally.flows(drive, duration_s - left_s, met)


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
    return left_s / max(1, math.ceil(left_s / longest_s - 1e-9))


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
    tally: Tally,
) -> tuple[State, Tally, float, Until | None]:
    """One step that stops at the first condition met: (state, tally, seconds, condition)."""

    def tried(seconds: float) -> tuple[State, Tally, float, Until | None]:
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


def _step(cylinder: Cylinder, state: State, drive: Drive, step_s: float, tally: Tally) -> State:
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
        water = drawn(cylinder, water, drive, step_s, tally)
        if cylinder.inlet_tanks >= MANY_TANKS:
            square_l2 = cylinder.inlet_mixing_l / cylinder.inlet_tanks
            square_l2 *= drive.draw_l_per_min / 60 * step_s
            dispersed.append((square_l2, 0.0, cylinder.inlet_mixing_l))
    if drive.plate is not None:
        before_kg = tally.circulated_kg
        water, loop = charged(cylinder, water, loop, drive.plate, step_s, tally)
        if cylinder.plate_tanks >= MANY_TANKS:
            square_l2 = cylinder.plate_mixing_l / cylinder.plate_tanks
            square_l2 *= tally.circulated_kg - before_kg
            low_l = cylinder.volume_l - cylinder.plate_mixing_l
            dispersed.append((square_l2, low_l, cylinder.volume_l))
    if drive.secondary_return is not None and circulates:
        circuit, ambient_c = drive.secondary_return, drive.ambient_c
        water = circulated(cylinder, water, circuit, ambient_c, step_s, tally)
    if moves:
        water = overturned(water)
    if heats:
        part = 1.0 if moves else 0.5
        water = heated(cylinder, water, drive, step_s * part, tally)
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
        water = joined_below(water, CRUMB_SHARE * cylinder.segment_kg)
    water = without_crumbs(cylinder, water, step_s)
    water = refined(water, cylinder.segment_kg, least_kg)
    plume = None
    if heats and not moves:
        water, plume = stirred(cylinder, water, drive)
    water, lost_kj = relaxed(cylinder, water, drive.ambient_c, step_s, plume, dispersed)
    tally.loss_kj += lost_kj
    water = overturned(water)
    if heats and not moves:
        water = heated(cylinder, water, drive, step_s / 2, tally)
    water = filled(cylinder, water, drive.cold_c, tally)
    if cylinder.loop_loss_w_per_k > 0 and loop:
        loop = loop_cooled(cylinder, loop, drive.ambient_c, step_s, tally)
    return State(tuple(water), tuple(loop))
