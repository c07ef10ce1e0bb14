"""The stratified cylinder: moving segments of water, advanced by what is done to it.

The water is a column of segments of fixed mass, each with one enthalpy; volumes follow from
density. Flow moves segments instead of mixing cells, so a front stays as sharp as the mixing
parameters and conduction allow, and a step may be as long as its inputs stay constant: a draw,
a charge, an idle night.

In one step, in this order: water moves (draw, plate exchanger, secondary return) and heat is
added; water warmer than what lies above it rises and mixes (overturning); conduction and
standing losses act, by the exact exponential of the linear heat equation of the segments; the
water that expanded leaves at the bottom, or cold water fills what contracted. Long steps are
divided only as far as these orders matter.

Energy is enthalpy of mass, and ``Flows.balance_error_kwh`` closes to rounding.

Conventions: segments, layers and profiles run from the bottom up; a level is the share of the
volume below it, 0 to 1. Water is taken to be lighter the warmer it is, also below 4 degC.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from service.cylinder.geometry import Cylinder
from service.cylinder.usable import USE_C, usable_l
from service.cylinder.water import (
    KJ_PER_KWH,
    Floats,
    density_kg_per_l,
    enthalpy_kj_per_kg,
    specific_heat_kj_per_kgk,
    temperature_c,
)

EMPTY: Floats = np.zeros(0)
HIGHEST_C = 100.0  # the model knows liquid water only


# --- what is stored ------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class State:
    """The water in the cylinder and in the plate exchanger's loop.

    mass_kg, enthalpy_kj_per_kg            segments from the bottom up, shape (n,)
    loop_mass_kg, loop_enthalpy_kj_per_kg  the loop's water, first what enters the top next
    """

    mass_kg: Floats
    enthalpy_kj_per_kg: Floats
    loop_mass_kg: Floats = field(default_factory=lambda: EMPTY)
    loop_enthalpy_kj_per_kg: Floats = field(default_factory=lambda: EMPTY)

    @property
    def temperatures_c(self) -> Floats:
        """Temperature of each segment, shape (n,)."""
        return temperature_c(self.enthalpy_kj_per_kg)

    @property
    def volumes_l(self) -> Floats:
        """Volume of each segment, shape (n,)."""
        return self.mass_kg / density_kg_per_l(self.temperatures_c)

    @property
    def stored_kwh(self) -> float:
        """Enthalpy of all water, loop included, in kWh; only differences mean anything."""
        return (
            float(self.mass_kg @ self.enthalpy_kj_per_kg)
            + float(self.loop_mass_kg @ self.loop_enthalpy_kj_per_kg)
        ) / KJ_PER_KWH

    def usable_l(self, cold_c: float, use_c: float = USE_C, *, graded: bool = True) -> float:
        """Litres at ``use_c`` in it, see ``usable.usable_l``."""
        return float(usable_l(self.temperatures_c, self.volumes_l, cold_c, use_c, graded=graded))

    def to_plain(self) -> dict[str, list[float]]:
        """Lists of floats, to store it."""
        return {name: [float(x) for x in getattr(self, name)] for name in _STATE_FIELDS}

    @classmethod
    def from_plain(cls, plain: dict[str, list[float]]) -> State:
        """Build it from what ``to_plain`` gave."""
        return cls(**{name: np.array(plain[name], np.float64) for name in _STATE_FIELDS})


_STATE_FIELDS = ("mass_kg", "enthalpy_kj_per_kg", "loop_mass_kg", "loop_enthalpy_kj_per_kg")


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

    def met(self, temperature: float) -> bool:
        """Whether a temperature in degC is there."""
        if self.side == "at_least":
            return temperature >= self.temperature_c
        return temperature <= self.temperature_c


@dataclass(frozen=True)
class Flows:
    """What crossed the cylinder's boundary in a step. Heat in kWh.

    duration_s      how long it lasted, shorter than asked when ``stopped_by`` is set
    drawn_l         litres that left the outlet, drawn_kg their mass
    drawn_kwh       their heat above the cold inlet
    outlet_c        their mean temperature, NaN when nothing was drawn
    parts_l, parts_c  the plugs that left, in order, shape (k,)
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
    parts_l: Floats = field(default_factory=lambda: EMPTY)
    parts_c: Floats = field(default_factory=lambda: EMPTY)
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

    Water that lies over colder... is left as it is; an unstable profile overturns at once.
    Raises ValueError for temperatures outside 0 to 100 degC.
    """
    layers_c = np.atleast_1d(np.asarray(profile_c, np.float64)).ravel()
    if layers_c.size == 0 or not np.all((layers_c >= 0) & (layers_c <= HIGHEST_C)):
        raise ValueError(f"a profile's temperatures must be 0 to {HIGHEST_C:g} degC: {profile_c}")
    pieces = max(1, math.ceil(cylinder.segments / layers_c.size))
    temperatures_c = np.repeat(layers_c, pieces)
    mass = cylinder.volume_l / temperatures_c.size * density_kg_per_l(temperatures_c)
    enthalpy = _overturned(mass, enthalpy_kj_per_kg(temperatures_c))
    if cylinder.loop_l > 0:
        loop_mass = np.array([cylinder.loop_l * density_kg_per_l(20.0)])
        loop_enthalpy = np.array([enthalpy_kj_per_kg(float(loop_c))])
    else:
        loop_mass = loop_enthalpy = EMPTY
    mass, enthalpy = _tidied(mass, enthalpy, cylinder.segments)
    return State(mass, enthalpy, loop_mass, loop_enthalpy)


def advance(
    cylinder: Cylinder,
    state: State,
    drive: Drive,
    duration_s: float,
    until: tuple[Until, ...] = (),
) -> tuple[State, Flows]:
    """Advance the cylinder by ``duration_s`` seconds under constant inputs.

    With ``until`` the step ends early, at the first moment (within a second) at which one of
    the conditions is met; ``Flows.stopped_by`` names it and ``Flows.duration_s`` says when.
    A condition met at the outset stops at once. Raises ValueError for impossible inputs.
    """
    _check(drive, duration_s)
    before = _Tally()
    for condition in until:
        if condition.met(temperature_at(cylinder, state, condition.level)):
            stored = state.stored_kwh
            return state, Flows(
                stored_before_kwh=stored, stored_after_kwh=stored, stopped_by=condition
            )
    left_s = float(duration_s)
    stopped_by: Until | None = None
    now = state
    while left_s > 1e-9:
        step_s = _step_s(cylinder, now, drive, left_s)
        tally = before.copy()
        after = _step(cylinder, now, drive, step_s, tally)
        stopped_by = _first_met(cylinder, after, until)
        if stopped_by is not None and step_s > 1.0:
            low_s, high_s = 0.0, step_s
            while high_s - low_s > 1.0:
                middle_s = 0.5 * (low_s + high_s)
                trial_tally = before.copy()
                trial = _step(cylinder, now, drive, middle_s, trial_tally)
                met = _first_met(cylinder, trial, until)
                if met is None:
                    low_s = middle_s
                else:
                    high_s, after, tally, stopped_by = middle_s, trial, trial_tally, met
            step_s = high_s
        now, before = after, tally
        left_s -= step_s
        if stopped_by is not None:
            break
    return now, before.flows(cylinder, state, now, drive, duration_s - left_s, stopped_by)


def profile(cylinder: Cylinder, state: State, layers: int = 40) -> Floats:
    """Temperature of equal layers from the bottom up, degC, shape (layers,); keeps the heat."""
    edges = np.linspace(0.0, 1.0, layers + 1)
    mass, heat = _cumulative(state, edges)
    return temperature_c(np.diff(heat) / np.diff(mass))


def temperature_at(cylinder: Cylinder, state: State, level: float) -> float:
    """What a probe at ``level`` shows, degC: the mean over 2 % of the volume around it."""
    return float(temperatures_at(cylinder, state, np.array([level]))[0])


def temperatures_at(cylinder: Cylinder, state: State, levels: Floats) -> Floats:
    """What probes at ``levels`` show, degC, shape as ``levels``."""
    low = np.clip(levels - PROBE_SPAN / 2, 0.0, 1.0 - PROBE_SPAN)
    mass, heat = _cumulative(state, np.concatenate([low, low + PROBE_SPAN]))
    n = len(low)
    return temperature_c((heat[n:] - heat[:n]) / (mass[n:] - mass[:n]))


PROBE_SPAN = 0.02


# --- one step ------------------------------------------------------------------------------

_IDLE_STEP_S = 7200.0
_FLOW_STEP_S = 900.0
_HEAT_STEP_S = 600.0
_FLOW_SHARE = 1 / 8  # of the volume, moved in one step
_BOTH_SHARE = 1 / 40  # the same while water is drawn and charged at once


class _Tally:
    """Sums of what crossed the boundary, in kJ and kg, while a step is put together."""

    __slots__ = (
        "circulated_kg",
        "coil_kj",
        "expansion_kg",
        "expansion_kj",
        "immersion_kj",
        "inflow_kj",
        "loop_loss_kj",
        "loss_kj",
        "parts",
        "plate_kj",
        "return_loss_kj",
    )

    def __init__(self) -> None:
        self.parts: tuple[tuple[Floats, Floats], ...] = ()
        self.inflow_kj = 0.0
        self.plate_kj = 0.0
        self.coil_kj = 0.0
        self.immersion_kj = 0.0
        self.loss_kj = 0.0
        self.loop_loss_kj = 0.0
        self.return_loss_kj = 0.0
        self.expansion_kg = 0.0
        self.expansion_kj = 0.0
        self.circulated_kg = 0.0

    def copy(self) -> _Tally:
        other = _Tally()
        for name in self.__slots__:
            setattr(other, name, getattr(self, name))
        return other

    def flows(
        self,
        cylinder: Cylinder,
        before: State,
        after: State,
        drive: Drive,
        duration_s: float,
        stopped_by: Until | None,
    ) -> Flows:
        drawn: dict[str, float] = {}
        parts_l = parts_c = EMPTY
        if self.parts:
            mass = np.concatenate([part[0] for part in self.parts])
            enthalpy = np.concatenate([part[1] for part in self.parts])
            parts_c = temperature_c(enthalpy)
            parts_l = mass / density_kg_per_l(parts_c)
            kg = float(mass.sum())
            kj = float(mass @ enthalpy)
            litres = float(parts_l.sum())
            cold_kj_per_kg = enthalpy_kj_per_kg(drive.cold_c)
            hot = parts_c >= drive.use_c
            per_litre = density_kg_per_l(drive.use_c) * (
                enthalpy_kj_per_kg(drive.use_c) - cold_kj_per_kg
            )
            usable = (
                float(mass[hot] @ (enthalpy[hot] - cold_kj_per_kg)) / per_litre
                if per_litre > 0
                else litres
            )
            drawn = {
                "drawn_l": litres,
                "drawn_kg": kg,
                "drawn_kwh": (kj - kg * cold_kj_per_kg) / KJ_PER_KWH,
                "outflow_kwh": kj / KJ_PER_KWH,
                "usable_l": usable,
                "colder_l": float(parts_l[~hot].sum()),
            }
        return Flows(
            duration_s=duration_s,
            parts_l=parts_l,
            parts_c=parts_c,
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
            **drawn,
        )


def _step_s(cylinder: Cylinder, state: State, drive: Drive, left_s: float) -> float:
    """How far the next step may go: as far as its order of events does not matter."""
    longest_s = _IDLE_STEP_S
    moving_l_per_s = 0.0
    draw, plate, circulation = drive.draw_l_per_min, drive.plate, drive.secondary_return
    share = _FLOW_SHARE
    if draw > 0:
        moving_l_per_s = draw / 60
    if plate is not None:
        moving_l_per_s = max(moving_l_per_s, _plate_l_per_s(state, plate))
        if draw > 0:
            share = _BOTH_SHARE
    if circulation is not None and circulation.flow_l_per_min > 0:
        moving_l_per_s = max(moving_l_per_s, circulation.flow_l_per_min / 60)
        if draw > 0 or plate is not None:
            share = _BOTH_SHARE
    if moving_l_per_s > 0:
        longest_s = min(_FLOW_STEP_S, share * cylinder.volume_l / moving_l_per_s)
    if drive.coil is not None or drive.immersion:
        longest_s = min(longest_s, _HEAT_STEP_S)
    if drive.coil is not None and drive.coil.ua_w_per_k:
        heated_j_per_k = 4180.0 * cylinder.volume_l * (drive.coil.top - drive.coil.bottom)
        longest_s = min(longest_s, max(10.0, 0.25 * heated_j_per_k / drive.coil.ua_w_per_k))
    steps = math.ceil(left_s / longest_s - 1e-9)
    return left_s / max(steps, 1)


def _plate_l_per_s(state: State, plate: PlateCharge) -> float:
    """Flow through the plate exchanger with the water now at the bottom, L/s."""
    highest = plate.flow_l_per_min / 60
    if not plate.controlled or plate.heat_w <= 0:
        return highest
    rise = enthalpy_kj_per_kg(plate.outlet_c) - float(state.enthalpy_kj_per_kg[0])
    if rise <= 0:
        return highest
    return min(highest, plate.heat_w / 1000 / rise / 0.98)


def _step(cylinder: Cylinder, state: State, drive: Drive, step_s: float, tally: _Tally) -> State:
    """One undivided step; adds to ``tally`` what crossed the boundary."""
    mass, enthalpy = state.mass_kg, state.enthalpy_kj_per_kg
    loop = (state.loop_mass_kg, state.loop_enthalpy_kj_per_kg)
    heated = drive.coil is not None or bool(drive.immersion)
    if heated:
        mass, enthalpy = _heated(cylinder, mass, enthalpy, drive, step_s / 2, tally)
    if drive.draw_l_per_min > 0:
        mass, enthalpy = _drawn(cylinder, mass, enthalpy, drive, step_s, tally)
    if drive.plate is not None:
        mass, enthalpy, loop = _charged(cylinder, mass, enthalpy, loop, drive.plate, step_s, tally)
    if drive.secondary_return is not None and drive.secondary_return.flow_l_per_min > 0:
        mass, enthalpy = _circulated(
            cylinder, mass, enthalpy, drive.secondary_return, step_s, tally
        )
    enthalpy = _overturned(mass, enthalpy)
    if len(mass) > MOST_SEGMENTS * cylinder.segments:
        mass, enthalpy = _tidied(mass, enthalpy, cylinder.segments)
    enthalpy = _relaxed(cylinder, mass, enthalpy, drive.ambient_c, step_s, tally)
    if heated:
        mass, enthalpy = _heated(cylinder, mass, enthalpy, drive, step_s / 2, tally)
    enthalpy = _overturned(mass, enthalpy)
    mass, enthalpy = _filled(cylinder, mass, enthalpy, drive.cold_c, tally)
    if cylinder.loop_loss_w_per_k > 0 and len(loop[0]):
        loop = _loop_cooled(cylinder, loop, drive.ambient_c, step_s, tally)
    return State(mass, enthalpy, loop[0], loop[1])


def _drawn(
    cylinder: Cylinder, mass: Floats, enthalpy: Floats, drive: Drive, step_s: float, tally: _Tally
) -> tuple[Floats, Floats]:
    """Cold water enters at the bottom and pushes the same volume out of the top."""
    litres = drive.draw_l_per_min / 60 * step_s
    entering = litres * density_kg_per_l(drive.cold_c)
    cold = enthalpy_kj_per_kg(drive.cold_c)
    tally.inflow_kj += entering * cold
    mass, enthalpy = _entered(
        mass,
        enthalpy,
        np.array([entering]),
        np.array([cold]),
        cylinder.inlet_mixing_l / cylinder.volume_l * float(mass.sum()),
        cylinder.inlet_tanks,
        float(mass.sum()) / cylinder.segments,
    )
    mass, enthalpy, out_mass, out_enthalpy = _split_top(mass, enthalpy, litres)
    tally.parts = (*tally.parts, (out_mass[::-1], out_enthalpy[::-1]))
    return mass, enthalpy


def _charged(
    cylinder: Cylinder,
    mass: Floats,
    enthalpy: Floats,
    loop: tuple[Floats, Floats],
    plate: PlateCharge,
    step_s: float,
    tally: _Tally,
) -> tuple[Floats, Floats, tuple[Floats, Floats]]:
    """Water goes from the bottom through the exchanger and the loop to the top."""
    outlet, flow_kg_s = _exchanged(plate, enthalpy)
    with np.errstate(divide="ignore"):
        needed_s = np.cumsum(np.where(flow_kg_s > 0, mass / flow_kg_s, np.inf))
    whole = int(np.searchsorted(needed_s, step_s, side="right"))
    taken = mass[: whole + 1].copy()
    if whole < len(mass):
        spent_s = float(needed_s[whole - 1]) if whole else 0.0
        taken[whole] = min((step_s - spent_s) * float(flow_kg_s[whole]), float(mass[whole]))
    n = len(taken)
    moved = float(taken.sum())
    if moved <= 0:
        return mass, enthalpy, loop
    came = enthalpy[:n]
    went = outlet[:n]
    tally.plate_kj += float(taken @ (went - came))
    tally.circulated_kg += moved
    rest = mass.copy()
    rest[:n] -= taken
    keep = rest > 1e-9
    # A sliver left by rounding goes along with what was taken.
    rest, rest_enthalpy = rest[keep], enthalpy[keep]
    full = taken > 0
    into_mass, into_enthalpy = taken[full], went[full]
    if len(loop[0]):
        line_mass = np.concatenate([loop[0], into_mass])
        line_enthalpy = np.concatenate([loop[1], into_enthalpy])
        into_mass, into_enthalpy, loop_mass, loop_enthalpy = _split(line_mass, line_enthalpy, moved)
        loop = _merged_equal(loop_mass, loop_enthalpy)
    total = float(mass.sum())
    rest, rest_enthalpy = _entered(
        rest[::-1],
        rest_enthalpy[::-1],
        into_mass,
        into_enthalpy,
        cylinder.plate_mixing_l / cylinder.volume_l * total,
        cylinder.plate_tanks,
        total / cylinder.segments,
    )
    return rest[::-1], rest_enthalpy[::-1], loop


def _exchanged(plate: PlateCharge, enthalpy: Floats) -> tuple[Floats, Floats]:
    """Outlet enthalpy and mass flow for water of each enthalpy entering the exchanger."""
    target = enthalpy_kj_per_kg(plate.outlet_c)
    heat_kw = plate.heat_w / 1000
    in_c = temperature_c(enthalpy)
    highest = plate.flow_l_per_min / 60 * density_kg_per_l(in_c)
    rise = np.maximum(target - enthalpy, 0.0)
    if plate.controlled:
        wanted = np.where(rise > 1e-6, heat_kw / np.maximum(rise, 1e-6), 0.0)
        flow = np.minimum(wanted, highest)
    else:
        flow = highest
        rise = np.minimum(rise, heat_kw / np.maximum(flow, 1e-12))
    if plate.primary_c is not None:
        limit_kw = _exchanger_limit_kw(plate, in_c, flow)
        heat = flow * rise
        share = np.where(heat > limit_kw, limit_kw / np.maximum(heat, 1e-12), 1.0)
        rise = rise * share
    return enthalpy + rise, flow


def _exchanger_limit_kw(plate: PlateCharge, in_c: Floats, flow_kg_s: Floats) -> Floats:
    from service.cylinder.sources import effectiveness

    primary_c = plate.primary_c
    assert primary_c is not None
    store_w_per_k = flow_kg_s * specific_heat_kj_per_kgk(in_c) * 1000
    difference = np.maximum(primary_c - in_c, 0.0)
    if plate.ua_w_per_k is None:
        return store_w_per_k * difference / 1000
    if plate.primary_l_per_min is None:
        least, ratio = store_w_per_k, np.zeros_like(store_w_per_k)
    else:
        primary_w_per_k = (
            plate.primary_l_per_min
            / 60
            * density_kg_per_l(primary_c)
            * specific_heat_kj_per_kgk(primary_c)
            * 1000
        )
        least = np.minimum(store_w_per_k, primary_w_per_k)
        ratio = least / np.maximum(np.maximum(store_w_per_k, primary_w_per_k), 1e-12)
    ntu = plate.ua_w_per_k / np.maximum(least, 1e-9)
    limit: Floats = effectiveness(ntu, ratio) * least * difference / 1000
    return limit


def _circulated(
    cylinder: Cylinder,
    mass: Floats,
    enthalpy: Floats,
    circulation: SecondaryReturn,
    step_s: float,
    tally: _Tally,
) -> tuple[Floats, Floats]:
    """Water leaves at the top and comes back cooler at a level."""
    litres = circulation.flow_l_per_min / 60 * step_s
    mass, enthalpy, out_mass, out_enthalpy = _split_top(mass, enthalpy, litres)
    back = np.minimum(out_enthalpy, enthalpy_kj_per_kg(circulation.return_c))
    tally.return_loss_kj += float(out_mass @ (out_enthalpy - back))
    moved = float(out_mass.sum())
    mixed = float(out_mass @ back) / moved
    volumes = mass / density_kg_per_l(temperature_c(enthalpy))
    below = circulation.level * cylinder.volume_l
    mass, enthalpy, at = _cut(mass, enthalpy, volumes, below)
    pieces = max(1, math.ceil(moved * cylinder.segments / float(mass.sum())))
    mass = np.concatenate([mass[:at], np.full(pieces, moved / pieces), mass[at:]])
    enthalpy = np.concatenate([enthalpy[:at], np.full(pieces, mixed), enthalpy[at:]])
    return mass, enthalpy


def _heated(
    cylinder: Cylinder, mass: Floats, enthalpy: Floats, drive: Drive, step_s: float, tally: _Tally
) -> tuple[Floats, Floats]:
    """Coil and immersion heaters warm the water at them; the plume mixes what is cooler above."""
    coil = drive.coil
    if coil is not None and coil.heat_w > 0:
        mass, enthalpy = _coil_heated(cylinder, mass, enthalpy, coil, step_s, tally)
    for element in drive.immersion:
        if element.heat_w <= 0:
            continue
        temperatures = temperature_c(enthalpy)
        volumes = mass / density_kg_per_l(temperatures)
        mass, enthalpy, at = _cut(mass, enthalpy, volumes, element.level * cylinder.volume_l)
        at = min(at, len(mass) - 1)
        cap = HIGHEST_C if element.thermostat_c is None else element.thermostat_c
        above, put = _poured(
            mass[at:], enthalpy[at:], element.heat_w * step_s / 1000, enthalpy_kj_per_kg(cap)
        )
        enthalpy = np.concatenate([enthalpy[:at], above])
        tally.immersion_kj += put
    return mass, enthalpy


def _coil_heated(
    cylinder: Cylinder,
    mass: Floats,
    enthalpy: Floats,
    coil: CoilCharge,
    step_s: float,
    tally: _Tally,
) -> tuple[Floats, Floats]:
    temperatures = temperature_c(enthalpy)
    volumes = mass / density_kg_per_l(temperatures)
    mass, enthalpy, low = _cut(mass, enthalpy, volumes, coil.bottom * cylinder.volume_l)
    temperatures = temperature_c(enthalpy)
    volumes = mass / density_kg_per_l(temperatures)
    edges = np.concatenate([[0.0], np.cumsum(volumes)])
    top = coil.top * cylinder.volume_l
    covered = np.clip(np.minimum(edges[1:], top) - edges[:-1], 0.0, None)
    covered[:low] = 0.0
    share = covered / max(float(covered.sum()), 1e-12)
    if coil.flow_c is None:
        heat = coil.heat_w * step_s / 1000 * share
    else:
        room = mass * np.maximum(enthalpy_kj_per_kg(coil.flow_c) - enthalpy, 0.0)
        difference = np.maximum(coil.flow_c - temperatures, 0.0)
        if coil.ua_w_per_k is None:
            weight = share * difference
            total = float(weight.sum())
            if total <= 0:
                return mass, enthalpy
            heat = np.minimum(coil.heat_w * step_s / 1000 * weight / total, room)
        else:
            capacity = mass * specific_heat_kj_per_kgk(temperatures)
            reach = 1.0 - np.exp(-coil.ua_w_per_k * share * step_s / 1000 / capacity)
            heat = np.minimum(capacity * difference * reach, room)
            most = coil.heat_w * step_s / 1000
            total = float(heat.sum())
            if total > most:
                heat = heat * (most / total)
    tally.coil_kj += float(heat.sum())
    return mass, _overturned(mass, enthalpy + heat / mass)


# --- building blocks on segments -----------------------------------------------------------

MOST_SEGMENTS = 1.4  # times ``Cylinder.segments``
_SAME_KJ_PER_KG = 0.02  # about 5 mK: water this alike is one segment


def _entered(
    mass: Floats,
    enthalpy: Floats,
    new_mass: Floats,
    new_enthalpy: Floats,
    zone_kg: float,
    tanks: int,
    piece_kg: float,
) -> tuple[Floats, Floats]:
    """Add water at the index-0 end, first part first, mixing within ``zone_kg`` there.

    The zone is ``tanks`` equal tanks in series. Their exact answer to a constant inflow,
    h_i' = h_(i-1) - h_i per tank mass, is a Poisson-weighted sum, so no inner steps are needed
    but those that give what leaves the zone its shape.
    """
    if zone_kg <= 0:
        for part_kg, part_h in zip(new_mass.tolist(), new_enthalpy.tolist(), strict=True):
            mass, enthalpy = _laid(mass, enthalpy, part_kg, part_h, piece_kg)
        return mass, enthalpy
    if zone_kg < float(mass.sum()) * (1 - 1e-12):
        zone_mass, zone_enthalpy, mass, enthalpy = _split(mass, enthalpy, zone_kg)
    else:
        zone_mass, zone_enthalpy, mass, enthalpy = mass, enthalpy, EMPTY, EMPTY
    tank_kg = float(zone_mass.sum()) / tanks
    tank = _regrouped(zone_mass, zone_enthalpy, tanks)
    for part_kg, part_h in zip(new_mass.tolist(), new_enthalpy.tolist(), strict=True):
        pieces = max(1, math.ceil(part_kg / min(0.5 * piece_kg, tank_kg)))
        each = part_kg / pieces
        response = _cascade(tanks, each / tank_kg)
        out = np.empty(pieces)
        for k in range(pieces):
            excess = tank - part_h
            kept = response @ excess
            out[k] = part_h + tank_kg / each * float((excess - kept).sum())
            tank = part_h + kept
        mass = np.concatenate([np.full(pieces, each), mass])
        enthalpy = np.concatenate([out[::-1], enthalpy])
    return (
        np.concatenate([np.full(tanks, tank_kg), mass]),
        np.concatenate([tank, enthalpy]),
    )


def _cascade(tanks: int, x: float) -> Floats:
    """What ``tanks`` tanks in series keep of their excess after ``x`` tank masses of inflow."""
    poisson = np.exp(-x + np.arange(tanks) * math.log(x) - _LOG_FACTORIAL[:tanks])
    lag = np.subtract.outer(np.arange(tanks), np.arange(tanks))
    response: Floats = np.where(lag >= 0, poisson[np.abs(lag)], 0.0)
    return response


_LOG_FACTORIAL = np.array([math.lgamma(k + 1) for k in range(400)])


def _regrouped(mass: Floats, enthalpy: Floats, tanks: int) -> Floats:
    """Mean enthalpies of ``tanks`` equal shares of a run of segments."""
    edges = np.concatenate([[0.0], np.cumsum(mass)])
    heat = np.concatenate([[0.0], np.cumsum(mass * enthalpy)])
    at = np.interp(np.linspace(0.0, edges[-1], tanks + 1), edges, heat)
    means: Floats = np.diff(at) / (edges[-1] / tanks)
    return means


def _laid(
    mass: Floats, enthalpy: Floats, new_kg: float, new_h: float, piece_kg: float
) -> tuple[Floats, Floats]:
    """Lay water of one temperature at the index-0 end in pieces of at most ``piece_kg``."""
    if len(mass) and abs(float(enthalpy[0]) - new_h) < _SAME_KJ_PER_KG:
        first = float(mass[0])
        room = min(new_kg, piece_kg - first)
        if room > 0:
            mass, enthalpy = mass.copy(), enthalpy.copy()
            enthalpy[0] = (first * float(enthalpy[0]) + room * new_h) / (first + room)
            mass[0] = first + room
            new_kg -= room
    if new_kg <= 0:
        return mass, enthalpy
    pieces = max(1, math.ceil(new_kg / piece_kg - 1e-9))
    return (
        np.concatenate([np.full(pieces, new_kg / pieces), mass]),
        np.concatenate([np.full(pieces, new_h), enthalpy]),
    )


def _split(mass: Floats, enthalpy: Floats, kg: float) -> tuple[Floats, Floats, Floats, Floats]:
    """Split a run of segments after the first ``kg``: (first mass, enthalpy, rest ...)."""
    edges = np.cumsum(mass)
    k = int(np.searchsorted(edges, kg))
    if k >= len(mass):
        return mass, enthalpy, EMPTY, EMPTY
    inside = kg - (float(edges[k - 1]) if k else 0.0)
    first = mass[: k + 1].copy()
    rest = mass[k:].copy()
    first[-1] = inside
    rest[0] -= inside
    if rest[0] <= 1e-9:
        first[-1] += rest[0]
        return first, enthalpy[: k + 1], rest[1:], enthalpy[k + 1 :]
    return first, enthalpy[: k + 1], rest, enthalpy[k:]


def _split_top(
    mass: Floats, enthalpy: Floats, litres: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """Take ``litres`` off the top: (mass and enthalpy left, mass and enthalpy taken)."""
    volumes = mass / density_kg_per_l(temperature_c(enthalpy))
    from_top = np.cumsum(volumes[::-1])
    k = int(np.searchsorted(from_top, litres))
    n = len(mass)
    if k >= n:
        return EMPTY, EMPTY, mass, enthalpy
    inside = litres - (float(from_top[k - 1]) if k else 0.0)
    at = n - 1 - k  # the segment that is cut
    out = mass[at:].copy()
    left = mass[: at + 1].copy()
    cut_kg = float(mass[at]) * inside / float(volumes[at])
    out[0] = cut_kg
    left[-1] -= cut_kg
    if left[-1] <= 1e-9:
        out[0] += left[-1]
        return left[:-1], enthalpy[:at], out, enthalpy[at:]
    return left, enthalpy[: at + 1], out, enthalpy[at:]


def _cut(
    mass: Floats, enthalpy: Floats, volumes: Floats, below_l: float
) -> tuple[Floats, Floats, int]:
    """Cut the segments at a volume; returns them and the index of the first one above it.

    A cut closer than a thousandth of the segment's neighbourhood to an edge uses that edge.
    """
    edges = np.cumsum(volumes)
    k = int(np.searchsorted(edges, below_l))
    if k >= len(mass):
        return mass, enthalpy, len(mass)
    start_l = float(edges[k - 1]) if k else 0.0
    share = (below_l - start_l) / float(volumes[k])
    if share < 0.02:
        return mass, enthalpy, k
    if share > 0.98:
        return mass, enthalpy, k + 1
    cut_kg = float(mass[k]) * share
    mass = np.concatenate([mass[:k], [cut_kg, float(mass[k]) - cut_kg], mass[k + 1 :]])
    enthalpy = np.concatenate([enthalpy[: k + 1], enthalpy[k:]])
    return mass, enthalpy, k + 1


def _poured(mass: Floats, enthalpy: Floats, heat_kj: float, cap: float) -> tuple[Floats, float]:
    """Fill heat into the coldest water first, up to ``cap``: (enthalpies, heat taken up).

    Heat entering below rises and mixes with what is cooler above, which for a stable column is
    levelling from its foot upwards.
    """
    room = float((mass * np.maximum(cap - enthalpy, 0.0)).sum())
    heat_kj = min(heat_kj, room)
    if heat_kj <= 0:
        return enthalpy, 0.0
    held = np.cumsum(mass)
    heat = np.cumsum(mass * enthalpy)
    # Level that the first k segments reach together; they stop at the first warmer one above.
    level = (heat + heat_kj) / held
    stop = np.append(enthalpy[1:], np.inf)
    k = int(np.argmax(level <= stop))
    filled = enthalpy.copy()
    filled[: k + 1] = level[k]
    return filled, heat_kj


def _overturned(mass: Floats, enthalpy: Floats) -> Floats:
    """Mix water that lies below colder water with it, as little as makes the column stable.

    Pool adjacent violators: the mixing that buoyancy forces and no more; keeps the heat.
    """
    if not (enthalpy[1:] < enthalpy[:-1]).any():
        return enthalpy
    block_mass: list[float] = []
    block_heat: list[float] = []
    block_size: list[int] = []
    for m, h in zip(mass.tolist(), enthalpy.tolist(), strict=True):
        kg, kj, size = m, m * h, 1
        while block_mass and block_heat[-1] * kg > kj * block_mass[-1]:
            kg += block_mass.pop()
            kj += block_heat.pop()
            size += block_size.pop()
        block_mass.append(kg)
        block_heat.append(kj)
        block_size.append(size)
    means = np.array(block_heat) / np.array(block_mass)
    mixed: Floats = np.repeat(means, block_size)
    return mixed


def _tidied(mass: Floats, enthalpy: Floats, segments: int) -> tuple[Floats, Floats]:
    """Merge neighbours, least harm first, until few enough are left.

    The harm of a merge is the variance of temperature it removes; no merge makes a segment
    larger than one and a half times the nominal size, so that fronts stay resolved.
    """
    goal = int(MOST_SEGMENTS * segments) - 2
    largest = 1.5 * float(mass.sum()) / segments
    while len(mass) > goal:
        low, high = mass[:-1], mass[1:]
        both = low + high
        harm = low * high / both * (enthalpy[1:] - enthalpy[:-1]) ** 2
        harm[both > largest] = np.inf
        k = int(np.argmin(harm))
        if not math.isfinite(harm[k]):
            break
        merged = (mass[k] * enthalpy[k] + mass[k + 1] * enthalpy[k + 1]) / both[k]
        mass = np.concatenate([mass[:k], [both[k]], mass[k + 2 :]])
        enthalpy = np.concatenate([enthalpy[:k], [merged], enthalpy[k + 2 :]])
    return mass, enthalpy


def _merged_equal(mass: Floats, enthalpy: Floats) -> tuple[Floats, Floats]:
    """One segment per run of alike water (the loop needs no more)."""
    if len(mass) < 2 or (np.abs(np.diff(enthalpy)) > _SAME_KJ_PER_KG).all():
        return mass, enthalpy
    first = np.concatenate([[True], np.abs(np.diff(enthalpy)) > _SAME_KJ_PER_KG])
    at = np.flatnonzero(first)
    kg = np.add.reduceat(mass, at)
    return kg, np.add.reduceat(mass * enthalpy, at) / kg


def _filled(
    cylinder: Cylinder, mass: Floats, enthalpy: Floats, cold_c: float, tally: _Tally
) -> tuple[Floats, Floats]:
    """Let water that expanded leave at the bottom, or cold water in where it contracted."""
    density = density_kg_per_l(temperature_c(enthalpy))
    surplus_l = float((mass / density).sum()) - cylinder.volume_l
    if surplus_l > 1e-9 * cylinder.volume_l:
        left, left_enthalpy, out, out_enthalpy = _split_top(mass[::-1], enthalpy[::-1], surplus_l)
        tally.expansion_kg += float(out.sum())
        tally.expansion_kj += float(out @ out_enthalpy)
        return left[::-1], left_enthalpy[::-1]
    if surplus_l < -1e-9 * cylinder.volume_l:
        kg = -surplus_l * density_kg_per_l(cold_c)
        cold = enthalpy_kj_per_kg(cold_c)
        tally.expansion_kg -= kg
        tally.expansion_kj -= kg * cold
        mass, enthalpy = _laid(mass, enthalpy, kg, cold, float(mass.sum()) / cylinder.segments)
        return mass, _overturned(mass, enthalpy)
    return mass, enthalpy


def _loop_cooled(
    cylinder: Cylinder,
    loop: tuple[Floats, Floats],
    ambient_c: float,
    step_s: float,
    tally: _Tally,
) -> tuple[Floats, Floats]:
    mass, enthalpy = loop
    capacity = float(mass.sum()) * 4.18
    ambient = enthalpy_kj_per_kg(ambient_c)
    kept = math.exp(-cylinder.loop_loss_w_per_k * step_s / 1000 / capacity)
    cooled = ambient + (enthalpy - ambient) * kept
    tally.loop_loss_kj += float(mass @ (enthalpy - cooled))
    return _merged_equal(mass, cooled)


# --- conduction and losses -----------------------------------------------------------------


def _relaxed(
    cylinder: Cylinder,
    mass: Floats,
    enthalpy: Floats,
    ambient_c: float,
    step_s: float,
    tally: _Tally,
) -> Floats:
    """Conduction between segments and loss to ambient over ``step_s``, exactly in time.

    With u the temperatures above ambient, C u' = -(K + L) u; the heat lost is carried as one
    more unknown, so that the balance of the step checks the conduction and not itself.
    """
    temperatures = temperature_c(enthalpy)
    capacity = 1000 * mass * specific_heat_kj_per_kgk(temperatures)  # J/K
    volumes = mass / density_kg_per_l(temperatures)
    bottom, side, top = cylinder.losses_w_per_k
    loss = volumes * (side / float(volumes.sum()))  # W/K
    loss[0] += bottom
    loss[-1] += top
    area = cylinder.area_m2
    between = (
        cylinder.conductivity_w_per_mk * area * area * 2000 / (volumes[1:] + volumes[:-1])
    )  # W/K
    leaving = loss.copy()
    leaving[:-1] += between
    leaving[1:] += between
    fastest = float((leaving / capacity).max()) * 2 * step_s
    n = len(mass)
    matrix = np.zeros((n + 1, n + 1))
    flat = matrix.ravel()
    size = n + 2
    flat[: n * size : size] = -leaving / capacity
    flat[1 : (n - 1) * size : size] = between / capacity[:-1]
    flat[n + 1 : n + 1 + (n - 1) * size : size] = between / capacity[1:]
    matrix[n, :n] = loss
    u = np.append(temperatures - ambient_c, 0.0)
    u = _exponential_action(matrix, u, step_s, fastest)
    tally.loss_kj += float(u[n]) / 1000
    change: Floats = capacity * (u[:n] + ambient_c - temperatures) / (1000 * mass)
    return enthalpy + change


def _exponential_action(matrix: Floats, u: Floats, step_s: float, norm: float) -> Floats:
    """exp(matrix * step) u, by its series when that is short, else by squaring.

    Taylor series with scaling and squaring (Moler, Van Loan: Nineteen Dubious Ways to Compute
    the Exponential of a Matrix, SIAM Review 45, 2003, methods 1 and 3).
    """
    if norm < 3.0:
        term = total = u
        limit = 1e-10 * (1.0 + float(np.abs(u[:-1]).max()))
        for k in range(1, 60):
            term = (matrix @ term) * (step_s / k)
            total = total + term
            if float(np.abs(term[:-1]).max()) < limit:
                break
        return total
    squarings = max(0, math.ceil(math.log2(norm / 0.25)))
    x = matrix * (step_s / 2**squarings)
    # The loss row is in joules: scaled to the size of the others while squaring.
    scale = 1.0 / max(float(np.abs(x[-1]).max()), 1e-300)
    x[-1] *= scale
    x2 = x @ x
    x3 = x2 @ x
    one = np.eye(len(u))
    power = one + x + x2 / 2 + x3 @ (one / 6 + x / 24 + x2 / 120 + x3 / 720)
    for _ in range(squarings):
        power = power @ power
    result: Floats = power @ u
    result[-1] = result[-1] / scale + u[-1] * (1 - 1 / scale)
    return result


# --- read-out ------------------------------------------------------------------------------


def _cumulative(state: State, levels: Floats) -> tuple[Floats, Floats]:
    """Mass and enthalpy below each level, in kg and kJ."""
    volumes = state.volumes_l
    edges = np.zeros(len(volumes) + 1)
    np.cumsum(volumes, out=edges[1:])
    mass = np.zeros_like(edges)
    np.cumsum(state.mass_kg, out=mass[1:])
    heat = np.zeros_like(edges)
    np.cumsum(state.mass_kg * state.enthalpy_kj_per_kg, out=heat[1:])
    at = levels * edges[-1]
    return np.interp(at, edges, mass), np.interp(at, edges, heat)


def _first_met(cylinder: Cylinder, state: State, until: tuple[Until, ...]) -> Until | None:
    for condition in until:
        if condition.met(temperature_at(cylinder, state, condition.level)):
            return condition
    return None


def _check(drive: Drive, duration_s: float) -> None:
    if not (math.isfinite(duration_s) and duration_s >= 0):
        raise ValueError(f"duration_s is {duration_s:g}, must be 0 or more")
    if not 0 <= drive.cold_c <= HIGHEST_C:
        raise ValueError(f"cold_c is {drive.cold_c:g}, must be 0 to {HIGHEST_C:g} degC")
    if not -60 <= drive.ambient_c <= HIGHEST_C:
        raise ValueError(f"ambient_c is {drive.ambient_c:g}, must be -60 to {HIGHEST_C:g} degC")
    if not (math.isfinite(drive.draw_l_per_min) and drive.draw_l_per_min >= 0):
        raise ValueError(f"draw_l_per_min is {drive.draw_l_per_min:g}, must be 0 or more")
    plate, coil = drive.plate, drive.coil
    if plate is not None and not (
        plate.heat_w >= 0 and plate.flow_l_per_min > 0 and 0 <= plate.outlet_c <= HIGHEST_C
    ):
        raise ValueError(f"impossible plate charge: {plate}")
    if coil is not None and not (coil.heat_w >= 0 and 0 <= coil.bottom < coil.top <= 1):
        raise ValueError(f"impossible coil charge: {coil}")
    for element in drive.immersion:
        if not (element.heat_w >= 0 and 0 <= element.level < 1):
            raise ValueError(f"impossible immersion heat: {element}")


def without_mixing(cylinder: Cylinder) -> Cylinder:
    """Return the same cylinder with perfect inlets and no conduction (losses stay)."""
    return replace(cylinder, inlet_mixing_l=0.0, plate_mixing_l=0.0, conductivity_w_per_mk=0.0)
