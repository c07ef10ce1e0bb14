"""The plan's problem on a grid: states, what each source does to them, and what that costs.

A state is the usable charge (evenly spaced levels), the lukewarm heat below it (a few steps),
and whether the store is one heated mass (see ``store``). Beside it stand the phase of the main
source (resting, running and for how long) and the demand regime, which the heating tables do
not depend on. All litres are litres at 40 degC.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from forecasting.types import Floats
from service.scheduling import store as stores
from service.scheduling.store import Body, Bools
from service.scheduling.types import Layout, Problem, Source

Index = NDArray[np.intp]

LUKEWARM_STEPS = 5
# A run may stop after a part of a slot: parts of about so many litres, larger ones where there
# are many states. The base-stock level is found on the levels themselves, whatever the parts.
PORTION_L40, PORTIONS = 25.0, (2, 4)
PORTION_PLATE_ONLY_L40, PORTIONS_PLATE_ONLY = 6.0, (4, 12)
SMALL_DRAW = 0.03  # share of the volume that comes in below a coil without cooling its mass
BEYOND_ANY_COST = 1e9


@dataclass(frozen=True)
class Lattice:
    """The states, flat: ``usable``, ``lukewarm`` and ``mass`` have shape (c * u,)."""

    levels: Floats  # shape (u,)
    channels: int  # lukewarm steps, plus one for the heated mass
    has_mass: bool
    lukewarm_step: float
    usable: Floats
    lukewarm: Floats
    mass: Bools

    @cached_property
    def step(self) -> float:
        """Litres between two levels."""
        return float(self.levels[1] - self.levels[0])

    def corners(
        self, usable: Floats, lukewarm: Floats, mass: Bools, *, keep: str
    ) -> tuple[Index, Index, Floats]:
        """The two neighbouring states and the weight of the second, for states off the grid.

        ``keep="lukewarm"`` snaps the lukewarm heat to a step and books the difference as usable,
        so that no heat is lost; ``keep="usable"`` takes usable from the grid as it is.
        """
        count = len(self.levels)
        steps = self.channels - self.has_mass
        place = np.zeros_like(usable)
        if steps > 1:
            place = np.clip(lukewarm / self.lukewarm_step, 0.0, steps - 1.0)
        if keep == "lukewarm":
            channel = np.rint(place).astype(np.intp)
            if steps > 1:
                usable = usable + np.where(mass, 0.0, lukewarm - channel * self.lukewarm_step)
            channel = np.where(mass, self.channels - 1, channel)
            along = np.clip(usable / self.step, 0.0, count - 1.0)
            low = np.minimum(along.astype(np.intp), count - 2)
            first = channel * count + low
            return first, first + 1, along - low
        level = np.clip(np.rint(usable / self.step), 0, count - 1).astype(np.intp)
        low = np.minimum(place.astype(np.intp), max(steps - 2, 0))
        first = low * count + level
        second = first + (count if steps > 1 else 0)
        return first, second, place - low


@dataclass(frozen=True)
class Cost:
    """Money for heat in each slot, shape (n,): ``low`` per litre up to ``knee``, then ``high``.

    ``most`` is the largest share of the slot's full heat that the power limits leave.
    """

    low: Floats
    high: Floats
    knee: Floats
    most: Floats

    def of(self, slot: int, taken: Floats) -> Floats:
        """Cost of heat taken up in that slot."""
        low, high = float(self.low[slot]), float(self.high[slot])
        if low == high:
            return taken * high
        return taken * high + np.minimum(taken, float(self.knee[slot])) * (low - high)


@dataclass(frozen=True)
class Stage:
    """One source on the lattice.

    With t different heats, j portions and s states, ``first``, ``second``, ``weight`` and
    ``taken`` have shape (t, j, s). ``whole`` (t, s) is where a full run is taken up in full, and
    ``startable`` where the store takes up the least run: it is not full before.
    """

    source: Source
    place: int  # in Problem.sources
    which: Index  # table of each slot, shape (n,)
    heat: Floats  # litres at 40 degC in a full run of each slot, shape (n,)
    top: Floats  # usable litres at 40 degC beyond which it adds nothing, shape (n,)
    share: Floats  # of a full run, shape (j,)
    first: Index
    second: Index
    weight: Floats
    taken: Floats
    whole: Bools
    startable: Bools
    bar_start: Floats  # cost of a start where startable, else beyond any cost, shape (t, s)
    bar_whole: Floats  # 0 where whole, else beyond any cost, shape (t, s)
    runs: Bools  # may it run at all, shape (n,)
    kwh_per_l40: Floats  # electricity, shape (n,)
    from_grid: Floats  # money per litre at 40 degC with no surplus, shape (n,)
    from_surplus: Floats  # and from surplus alone, shape (n,)
    alone: Cost
    beside_main: Cost
    same: Bools  # whether both are equal in a slot, shape (n,)


@dataclass(frozen=True)
class Phases:
    """The main source's memory: index 0 rested, then ``rests``, then ``runs``.

    The last of ``runs`` may stop. One phase alone means that nothing needs remembering.
    """

    rests: int
    runs: int

    @cached_property
    def count(self) -> int:
        """How many phases there are."""
        return 1 if self.runs == 0 else 1 + self.rests + self.runs

    @cached_property
    def first_run(self) -> int:
        """Where a start leads."""
        return 0 if self.runs == 0 else 1 + self.rests

    @cached_property
    def last_run(self) -> int:
        """From where a run may stop."""
        return self.count - 1 if self.runs else 0

    @cached_property
    def idle(self) -> tuple[int, ...]:
        """Where each phase leads with the source off: a rest goes on, a run stops."""
        if self.runs == 0:
            return (0,)
        return tuple(max(p - 1, 0) if p <= self.rests else self.rests for p in range(self.count))

    @cached_property
    def stopped(self) -> int:
        """Where a stop leads."""
        return self.rests if self.runs else 0


@dataclass(frozen=True)
class Compiled:
    """A problem made ready to be solved."""

    problem: Problem
    body: Body
    lattice: Lattice
    main: Stage | None
    extra: Stage | None
    phases: Phases
    idle: Index  # phases.idle as an index
    hours: Floats  # shape (n,)
    slot_s: float  # the usual length of a slot
    start_cost: float
    least_start: int  # smallest portion a start may run, index into shares
    demand: Floats  # P(use = level), shape (n, r, u + 1); the last is "more than any level"
    padded: Floats  # after u zeros: without the last, then of small draws alone, (n, 2 m, 2 u)
    at_least: Floats  # P(use >= level), shape (n, m, u); regime i draws as i % m, see ``_alike``
    unmet: Floats  # expected unmet litres by level, shape (n, r, u)
    draw_cost: Floats  # expected shortage and floor cost by level, shape (n, r, u)
    floor_cost: Floats  # cost of standing below what limits ask for, shape (n, u)
    small_draw: int  # levels

    @cached_property
    def short(self) -> Floats:
        """Chance that a level does not suffice, shape (n, r, u)."""
        demand = self.problem.demand
        # Half a litre short is nobody's cold shower, and rounding.
        short = (demand.volumes_l40[:, None] > self.lattice.levels + 0.5).astype(float)
        chance: Floats = demand.pmf @ short
        return chance

    @cached_property
    def belief(self) -> Floats:
        """Chance of each regime in each slot as known now, shape (n, r)."""
        demand = self.problem.demand
        rows = [demand.regime_now]
        for moves in demand.transition[: len(self.hours) - 1]:
            rows.append(rows[-1] @ moves)
        return np.array(rows)


@dataclass(frozen=True)
class Fineness:
    """How finely a problem is laid out, beside its levels; None chooses by the plant."""

    lukewarm_steps: int = LUKEWARM_STEPS
    portions: int | None = None


USUAL = Fineness()


def compile_problem(problem: Problem, fineness: Fineness = Fineness()) -> Compiled:
    """Check a problem and lay it on the lattice. Raises ValueError with what is wrong."""
    _check(problem)
    hours = (problem.grid.end_s - problem.grid.start_s) / 3600.0
    slot_s = float(np.median(hours)) * 3600.0
    shape = stores.body(problem.store, problem.sources)
    tops = [
        stores.full_l40(problem.store, stores.charge_c(s, problem.store), 1.0 - stores.foot(s))
        for s in problem.sources
    ]
    lattice = _lattice(problem, shape, tops, fineness.lukewarm_steps)
    names = [s.name for s in problem.sources]
    order = sorted(range(len(names)), key=lambda i: names[i] != "heat_pump")
    main = extra = None

    def stage(place: int, beside: Stage | None) -> Stage:
        return _stage(
            problem,
            shape,
            lattice,
            hours,
            slot_s,
            place=place,
            top=tops[place],
            main=beside,
            portions=fineness.portions,
        )

    if order:
        main = stage(order[0], None)
    if len(order) > 1:
        extra = stage(order[1], main)
    phases, least = Phases(0, 0), 1
    if main is not None:
        source = main.source
        needs_memory = source.start_cost > 0 or source.min_run_s > 0 or source.min_rest_s > slot_s
        if needs_memory:
            phases = Phases(
                rests=round(source.min_rest_s / slot_s - 0.01),
                runs=max(1, math.ceil(source.min_run_s / slot_s - 1e-9)),
            )
            share = min(1.0, source.min_run_s / slot_s)
            least = max(1, math.ceil(share * len(main.share) - 1e-9))
    demand, unmet = _demand(problem, lattice)
    within = demand[:, : _alike(problem), :-1]
    small_draw = math.ceil(SMALL_DRAW * shape.volume_l / lattice.step)
    small = np.where(np.arange(problem.levels) <= small_draw, within, 0.0)
    uses = np.concatenate([within, small] if lattice.has_mass else [within], axis=1)
    shortage = unmet * problem.shortage_price_per_l40
    floor_cost = _floor_cost(problem, lattice, hours, main, extra)
    return Compiled(
        problem=problem,
        body=shape,
        lattice=lattice,
        main=main,
        extra=extra,
        phases=phases,
        idle=np.array(phases.idle, np.intp),
        hours=hours,
        slot_s=slot_s,
        start_cost=main.source.start_cost if main else 0.0,
        least_start=least,
        demand=demand,
        padded=np.pad(uses, ((0, 0), (0, 0), (problem.levels, 0))),
        at_least=1.0 - np.cumsum(within, axis=2) + within,
        draw_cost=shortage + floor_cost[:, None, :],
        unmet=unmet,
        floor_cost=floor_cost,
        small_draw=small_draw,
    )


def _check(problem: Problem) -> None:
    """Refuse what cannot be planned, saying what and how to mend it."""
    n = len(problem.grid)
    if n == 0:
        raise ValueError("the planning grid has no slots")
    if np.any(problem.grid.end_s <= problem.grid.start_s):
        raise ValueError("every slot of the planning grid must end after it starts")
    if problem.levels < 3:
        raise ValueError(f"levels = {problem.levels}: a plan needs at least 3")
    if not problem.shortage_price_per_l40 >= 0:
        raise ValueError("the shortage price must be 0 or more per litre")
    if len(problem.sources) > 2 or len({s.name for s in problem.sources}) < len(problem.sources):
        raise ValueError("a plan knows at most one heat pump and one immersion heater")
    shapes = {
        "demand pmf": len(problem.demand.pmf),
        "import price": len(problem.prices.import_per_kwh),
        "export price": len(problem.prices.export_per_kwh),
        "surplus": len(problem.prices.surplus_w),
    }
    for source in problem.sources:
        shapes[f"{source.name} heat"] = len(source.heat_w)
        shapes[f"{source.name} electricity"] = len(source.electricity_w)
        shapes[f"{source.name} store temperature"] = len(source.store_c)
        shapes[f"{source.name} availability"] = len(source.available)
    for what, length in shapes.items():
        if length != n:
            raise ValueError(f"{what} has {length} values, the planning grid {n} slots")
    for what, values in (
        ("import price", problem.prices.import_per_kwh),
        ("export price", problem.prices.export_per_kwh),
        ("surplus", problem.prices.surplus_w),
    ):
        if not np.all(np.isfinite(values)):
            raise ValueError(f"{what} must be a number in every slot")


def _lattice(problem: Problem, body: Body, tops: list[Floats], lukewarm_steps: int) -> Lattice:
    top = max([problem.store.capacity_l40, problem.now.usable_l40, *(float(t.max()) for t in tops)])
    wanted = problem.limits.disinfection
    if wanted is not None:
        top = max(top, float(stores.full_l40(problem.store, wanted.set_c)))
    levels = np.linspace(0.0, top, problem.levels)
    has_mass = any(s.layout is not Layout.PLATE for s in problem.sources)
    lukewarm_now = problem.now.lukewarm_kwh / body.kwh_per_l40
    steps = lukewarm_steps if has_mass or lukewarm_now > 0.1 * body.most_lukewarm else 1
    step = body.most_lukewarm / (steps - 1) if steps > 1 else 0.0
    channels = steps + has_mass
    lukewarm = np.repeat(np.append(np.arange(steps) * step, [0.0] * has_mass), problem.levels)
    return Lattice(
        levels=levels,
        channels=channels,
        has_mass=has_mass,
        lukewarm_step=step,
        usable=np.tile(levels, channels),
        lukewarm=lukewarm,
        mass=np.repeat(np.arange(channels) == (channels - 1 if has_mass else -1), problem.levels),
    )


def _stage(
    problem: Problem,
    body: Body,
    lattice: Lattice,
    hours: Floats,
    slot_s: float,
    *,
    place: int,
    top: Floats,
    main: Stage | None,
    portions: int | None,
) -> Stage:
    source = problem.sources[place]
    n = len(hours)
    heat = np.maximum(source.heat_w, 0.0) * hours / 1000.0 / body.kwh_per_l40
    if portions is None:
        litres, (few, many) = PORTION_L40, PORTIONS
        if lattice.channels == 1:
            litres, (few, many) = PORTION_PLATE_ONLY_L40, PORTIONS_PLATE_ONLY
        wanted = int(np.ceil(float(heat.max(initial=0.0)) / litres))
        portions = many if source.modulates else min(max(wanted, few), many)
    share = np.arange(1, portions + 1) / portions
    runs = np.asarray(source.available, bool) & (heat > 0.0)
    least_share = min(source.min_run_s / slot_s, 1.0)
    top = np.minimum(top, problem.limits.highest_l40)
    # Slots that heat alike, within a percent and a litre, share a table.
    keys = np.rint(np.log(np.maximum(heat, 1e-6)) * 100.0) * 1e6 + np.rint(top)
    _, members, which = np.unique(keys, return_index=True, return_inverse=True)
    q = heat[members][:, None, None] * share[None, :, None]
    usable, lukewarm, mass, taken = stores.heated(
        body,
        source,
        lattice.usable,
        lattice.lukewarm,
        lattice.mass,
        top_l40=top[members][:, None, None],
        heat=q,
    )
    first, second, weight = lattice.corners(usable, lukewarm, mass, keep="lukewarm")
    # Where lukewarm heat is left, a mix of two of its steps stands for it and the level is the
    # nearest one; what that rounds off usable water is booked as lukewarm, so no heat is lost.
    snapped = np.rint(usable / lattice.step) * lattice.step
    rest = lukewarm + usable - snapped
    if source.layout is Layout.PLATE:
        mixes = ~mass & (rest > lattice.step) & (lattice.lukewarm_step > 0.0)
    else:  # short of the use temperature only the lukewarm heat moves
        mixes = ~mass & (usable <= lattice.usable)
    if mixes.any():
        a, b, w = lattice.corners(usable, rest, mass, keep="usable")
        first, second = np.where(mixes, a, first), np.where(mixes, b, second)
        weight = np.where(mixes, w, weight)
    per_l40 = body.kwh_per_l40 * np.divide(
        source.electricity_w, source.heat_w, out=np.zeros(n), where=source.heat_w > 0
    )
    main_w = np.zeros(n) if main is None else main.source.electricity_w
    claim = np.zeros(n)
    if source.claim_per_h is not None:
        claim = np.divide(
            source.claim_per_h * hours, heat, out=np.zeros(n), where=heat > 0
        )  # per litre
    from_grid = per_l40 * problem.prices.grid_per_kwh + claim

    def priced(used_w: Floats) -> Cost:
        return _cost(problem, source, heat=heat, per_l40=per_l40, claim=claim, used_w=used_w)

    whole = taken[:, -1] >= q[:, -1] * (1.0 - 1e-9)
    startable = taken[:, -1] >= least_share * q[:, -1] * (1.0 - 1e-9)
    alone, beside = priced(np.zeros(n)), priced(main_w)
    same = (alone.low == beside.low) & (alone.high == beside.high)
    same &= (alone.knee == beside.knee) & (alone.most == beside.most)
    return Stage(
        source=source,
        place=place,
        which=which.astype(np.intp),
        heat=heat,
        top=top,
        share=share,
        first=first,
        second=second,
        weight=weight,
        taken=np.ascontiguousarray(np.broadcast_to(taken, first.shape)),
        whole=whole,
        startable=startable,
        bar_start=np.where(startable, source.start_cost, BEYOND_ANY_COST),
        bar_whole=np.where(whole, 0.0, BEYOND_ANY_COST),
        runs=runs,
        kwh_per_l40=per_l40,
        from_grid=from_grid,
        from_surplus=per_l40 * problem.prices.export_per_kwh + claim,
        alone=alone,
        beside_main=beside,
        same=same,
    )


def _cost(
    problem: Problem,
    source: Source,
    *,
    heat: Floats,
    per_l40: Floats,
    claim: Floats,
    used_w: Floats,
) -> Cost:
    """PV surplus first, at the export price it would have earned; the rest from the grid.

    ``used_w`` is what another source running at the same time takes of surplus and limits.
    """
    n = len(heat)
    prices, limits = problem.prices, problem.limits
    surplus = np.maximum(prices.surplus_w - used_w, 0.0)
    grid = prices.grid_per_kwh
    power = np.maximum(source.electricity_w, 1e-9)

    def blend(at_w: Floats) -> Floats:
        own = np.minimum(surplus / np.maximum(at_w, 1e-9), 1.0)
        return own * prices.export_per_kwh + (1.0 - own) * grid

    most = np.ones(n)
    for limit in (limits.power_w, limits.grid_power_w):
        if limit is None:
            continue
        left = np.maximum(limit - used_w, 0.0)
        if source.modulates:
            fits = np.where(left >= source.min_power_w, np.minimum(left / power, 1.0), 0.0)
        else:
            fits = (left >= power * (1.0 - 1e-9)).astype(float)
        most = np.minimum(most, fits)
    if not source.modulates:
        each = per_l40 * blend(power) + claim
        return Cost(each, each, np.full(n, np.inf), most)
    # Following surplus: down to its least power everything comes from surplus; if there is less,
    # it runs at that least power, part of it from the grid.
    following = np.clip(surplus, np.minimum(source.min_power_w, power), power)
    low = per_l40 * np.where(surplus > 0.0, blend(following), grid) + claim
    high = per_l40 * grid + claim
    return Cost(low, high, heat * np.where(surplus > 0.0, following / power, 0.0), most)


def _demand(problem: Problem, lattice: Lattice) -> tuple[Floats, Floats]:
    """Use on the levels and expected unmet litres by level."""
    volumes, pmf = problem.demand.volumes_l40, problem.demand.pmf
    count = len(lattice.levels)
    along = np.minimum(volumes / lattice.step, float(count))
    low = np.minimum(along.astype(np.intp), count - 1)
    split = np.zeros((len(volumes), count + 1))
    rows = np.arange(len(volumes))
    split[rows, low] = 1.0 - (along - low)
    split[rows, low + 1] += along - low
    return pmf @ split, pmf @ np.maximum(volumes[:, None] - lattice.levels, 0.0)


def _alike(problem: Problem) -> int:
    """After how many regimes the same use comes again: they differ in what follows them alone."""
    pmf = problem.demand.pmf
    count: int = pmf.shape[1]
    half, odd = divmod(count, 2)
    same = half > 0 and not odd and np.array_equal(pmf[:, :half], pmf[:, half:])
    return half if same else count


def _floor_cost(
    problem: Problem, lattice: Lattice, hours: Floats, main: Stage | None, extra: Stage | None
) -> Floats:
    """What it costs to start a slot with less than the limits ask for, shape (n, u).

    A limit is kept whenever the plant can keep it: each missing litre costs three times what the
    dearest way to make it would, for every hour that it is missing, however long the slots are,
    and for half an hour at least, since a level may be asked for a moment. No more: that a rare
    draw takes some of a reserve for a while is what it is there for.
    """
    grid = problem.grid
    costs = [x for s in (main, extra) if s is not None for x in (s.alone, s.beside_main)]
    dearest = max([float(np.abs(cost.high).max()) for cost in costs], default=0.0)
    asked = np.full(len(grid), max(problem.limits.lowest_l40, 0.0))
    for wish in problem.limits.raises:
        covers = (grid.end_s > wish.from_s) & (grid.start_s < wish.until_s)
        asked[covers] = np.maximum(asked[covers], wish.usable_l40)
    asked = np.minimum(asked, lattice.levels[-1])
    missing: Floats = np.maximum(asked[:, None] - lattice.levels, 0.0)
    price_per_h: float = 3.0 * max(dearest, 1e-3)
    return price_per_h * np.maximum(hours, 0.5)[:, None] * missing
