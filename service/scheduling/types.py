"""What a plan is made from, and what a plan is.

Times are seconds since 1970-01-01 UTC. Litres of use are litres of mixed water at 40 degC
(V40). Money is in the home's currency. A tenth is a tenth of ``reference_l40``.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal

import numpy as np

from forecasting.types import DemandForecast, Floats, SlotGrid

SourceName = Literal["heat_pump", "immersion"]

# Shares of a source's power that surplus may cover: for these a plan knows how far to charge.
COVERS = (0.0, 0.25, 0.5, 0.75, 1.0)


class Layout(StrEnum):
    """How a heat source reaches the water, which decides what it does to the layers."""

    PLATE = "plate"  # external plate heat exchanger: hot water arrives at the top
    COIL = "coil"  # internal coil: heats everything above its foot together
    IMMERSION = "immersion"  # heats everything above the element together


@dataclass(frozen=True)
class Source:
    """One heat source as the plan sees it, per slot (shape (n,)) where it varies.

    heat_w          heat into the cylinder while it runs
    electricity_w   what it draws from the meter meanwhile
    store_c         the hottest water it can make in that slot, degC (flow limit less approach)
    available       False where it must not run (quiet hours, space heating, a lost actuator)
    claim_per_h     price of taking it from space heating for an hour, 0 when it is free
    modulates       True when it can follow surplus between min_power_w and electricity_w
    charge_c        what it heats to when it charges, degC; None for the store's set temperature.
                    Never above store_c. Higher than the set temperature stores surplus hotter.

    A start cost and a least run are honoured for one source, the heat pump if there is one;
    an immersion heater beside it has neither.
    """

    name: SourceName
    layout: Layout
    heat_w: Floats
    electricity_w: Floats
    store_c: Floats
    available: np.ndarray
    start_cost: float = 0.0
    min_run_s: float = 0.0
    min_rest_s: float = 0.0
    claim_per_h: Floats | None = None
    heats_from: float = 0.0  # share of the volume that lies below its foot and stays unheated
    modulates: bool = False
    min_power_w: float = 0.0
    charge_c: float | None = None


@dataclass(frozen=True)
class Store:
    """The cylinder as the plan sees it.

    border_l40_per_h  usable water that cools below use in an hour where it borders on colder
    """

    reference_l40: float  # ten tenths
    capacity_l40: float  # V40 when full at the normal set temperature and today's cold inlet
    volume_l: float
    set_c: float
    use_c: float
    cold_c: float
    ambient_c: float
    loss_w_per_k: float
    border_l40_per_h: float = 0.0


@dataclass(frozen=True)
class Now:
    """Where the cylinder and the plant stand at the first slot's start."""

    usable_l40: float
    lukewarm_kwh: float  # heat above the cold inlet in water too cool to use
    running: SourceName | None = None
    running_for_s: float = 0.0
    resting_for_s: float = 1e9
    hot_c: float | None = None  # mean temperature of the usable water, None when not known


@dataclass(frozen=True)
class Prices:
    """Money per kWh in each slot, shape (n,); export is what surplus would have earned.

    estimated marks slots whose price is not published yet.
    """

    import_per_kwh: Floats
    export_per_kwh: Floats
    surplus_w: Floats
    estimated: np.ndarray
    carbon_g_per_kwh: Floats | None = None
    carbon_price_per_kg: float = 0.0
    note: str = ""  # code: "feed", "feed_lost_last_known", "feed_lost_bands", "bands"

    @property
    def grid_per_kwh(self) -> Floats:
        """Money per kWh from the grid with its carbon, shape (n,)."""
        if self.carbon_g_per_kwh is None:
            return self.import_per_kwh
        carbon: Floats = self.carbon_g_per_kwh / 1000.0 * self.carbon_price_per_kg
        return self.import_per_kwh + carbon


@dataclass(frozen=True)
class Raise:
    """The charge must be at least ``usable_l40`` from ``from_s`` until ``until_s`` if it can be."""

    from_s: int
    until_s: int
    usable_l40: float
    why: Literal["override", "guests", "reserve", "manager"]


@dataclass(frozen=True)
class Disinfection:
    """A thermal disinfection that must be finished by ``due_s``.

    It heats to ``set_c``, or where nothing stays that hot until it is over, as far as it reaches,
    but not below ``least_c``, degC.
    """

    due_s: int
    set_c: float
    hold_s: float
    least_c: float
    not_before_s: int = 0
    sources: tuple[SourceName, ...] = ("heat_pump", "immersion")


@dataclass(frozen=True)
class Limits:
    """Bounds on every plan, in litres and watts; arrays have shape (n,)."""

    lowest_l40: float = 0.0
    highest_l40: float = 1e9
    raises: tuple[Raise, ...] = ()
    power_w: Floats | None = None  # what all sources together may draw
    grid_power_w: Floats | None = None  # a limit from the grid operator, a hard one
    disinfection: Disinfection | None = None


@dataclass(frozen=True)
class Problem:
    """Everything a plan depends on.

    surplus_measured says whether PV surplus is measured while the plan holds: if so, it holds the
    levels for every share of a source's power that surplus may cover.
    """

    grid: SlotGrid
    demand: DemandForecast
    prices: Prices
    sources: tuple[Source, ...]
    store: Store
    now: Now
    limits: Limits
    shortage_price_per_l40: float  # from the comfort setting, see ``comfort.shortage_price``
    levels: int = 101
    surplus_measured: bool = True


@dataclass(frozen=True)
class Reason:
    """Why, as a code and the facts that fill its sentence; words are made at the edge."""

    code: str
    facts: dict[str, float | int | str | None] = field(default_factory=dict)


@dataclass(frozen=True)
class Window:
    """One stretch of planned charging."""

    start_s: int
    end_s: int
    source: SourceName
    target_l40: float
    target_tenths: int
    electricity_kwh: float
    cost: float
    from_surplus_kwh: float
    purpose: Literal["charge", "disinfection", "surplus"]
    reason: Reason


def _none() -> Floats:
    return np.zeros(0)


@dataclass(frozen=True)
class Order:
    """What one source should do now: charge until the level is reached, or leave off.

    surplus_only says that only PV surplus is worth storing at this level, and ``power_w`` how much
    of it is left for this source, W.
    """

    source: SourceName
    until_l40: float
    until_tenths: int
    surplus_only: bool
    purpose: Literal["charge", "disinfection", "surplus"]
    reason: Reason
    power_w: float | None = None


@dataclass(frozen=True)
class Plan:
    """What the plan expects and, for whatever happens instead, what to do.

    base_stock_l40  for each slot and regime: the level up to which each source charges,
                    shape (n, r, s) with s in the order of Problem.sources; 0 where it should not
    expected_l40    mean usable charge at each slot's start, shape (n + 1,)
    low_l40         its 5 % quantile, shape (n + 1,)
    short_chance    chance that use in the slot is not met, shape (n,)
    cost            expected money over the horizon, less the worth of what is left at its end
                    (at the cheapest price of the last day; unmet use is not in it)
    start_below_l40 at or below this a source that is off is worth starting, shape (n, r, s);
                    lower than the base stock where a start costs something; 0 where it is not
    cover_stock_l40  the level up to which each source charges when measured surplus covers the
                    share COVERS[k] of its power, shape (n, r, s, k); empty where surplus is not
                    measured
    cover_start_l40  the same for starting: at or below it a start is worth it
    heat_l40_per_h  how fast each source charges, shape (n, s)
    electricity_w   what each source draws from the meter, shape (n, s)
    least_power_w   down to which each source follows surplus, shape (s,); NaN: it cannot follow
    regime          chance of each demand regime as seen when the plan was made, shape (n, r)
    unmet_l40       expected use that is not met over the horizon
    reserve_l40     charge that must still be there in each slot, shape (n,): the reserve as guests,
                    an absence and people's wishes change it
    """

    grid: SlotGrid
    made_at_s: int
    windows: tuple[Window, ...]
    base_stock_l40: Floats
    source_names: tuple[SourceName, ...]
    expected_l40: Floats
    low_l40: Floats
    expected_use_l40: Floats
    short_chance: Floats
    import_per_kwh: Floats
    surplus_w: Floats
    price_estimated: np.ndarray
    price_note: str
    cost: float
    electricity_kwh: float
    reason: Reason  # the plan as a whole: what matters next
    start_below_l40: Floats = field(default_factory=_none)
    cover_stock_l40: Floats = field(default_factory=_none)
    cover_start_l40: Floats = field(default_factory=_none)
    heat_l40_per_h: Floats = field(default_factory=_none)
    electricity_w: Floats = field(default_factory=_none)
    least_power_w: Floats = field(default_factory=_none)
    regime: Floats = field(default_factory=_none)
    reference_l40: float = 0.0
    unmet_l40: float = 0.0
    reserve_l40: Floats = field(default_factory=_none)
