"""The plan as it goes if the household draws what is expected: one line through the slots."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from forecasting.types import Floats
from service.scheduling import store as stores
from service.scheduling.disinfect import Job
from service.scheduling.lattice import BEYOND_ANY_COST, Compiled, Index, Stage
from service.scheduling.solve import Solution
from service.scheduling.types import Layout

# Parts of a slot that a run on the path may take: finer than the lattice, as one state is cheap.
SHARE = np.arange(1, 25) / 24.0
NONE_OR_SHARE = np.append(0.0, SHARE)
# Between states that tie, the disinfection begins now.
NEAR_ENOUGH = 1e-3


@dataclass(frozen=True)
class Run:
    """One source running for a share of one slot.

    late says that it runs at the slot's end, to go on in the next one.
    """

    slot: int
    place: int
    share: float
    late: bool
    usable_after: float
    kwh: float
    surplus_kwh: float
    cost: float


@dataclass(frozen=True)
class Path:
    """usable and lukewarm at each slot's start, shape (n + 1,), litres at 40 degC, and the runs."""

    usable: Floats
    lukewarm: Floats
    mass: Floats
    runs: tuple[Run, ...]
    treated: Treated | None = None


@dataclass(frozen=True)
class Treated:
    """The disinfection on the path: when it begins and ends, and what each source does for it."""

    slot: int
    starts_s: float
    ends_s: float
    hours: tuple[float, float]  # main source, second source
    kwh: tuple[float, float]
    cost: float
    leaves_l40: float


@dataclass
class _Here:
    usable: float
    lukewarm: float
    mass: bool
    phase: int


def start_phase(c: Compiled) -> int:
    """The main source's phase at the first slot."""
    phases, now, stage = c.phases, c.problem.now, c.main
    if phases.count == 1 or stage is None:
        return 0
    if now.running == stage.source.name:
        return min(phases.first_run + int(now.running_for_s / c.slot_s), phases.last_run)
    left_s = max(stage.source.min_rest_s - now.resting_for_s, 0.0)
    return min(phases.rests, int(np.ceil(left_s / c.slot_s - 1e-9)))


def starts_as_mass(c: Compiled) -> bool:
    """Is the cylinder one heated mass now: most of it usable, but cooler than when full?"""
    if not c.lattice.has_mass or c.problem.now.usable_l40 <= 0:
        return False
    now, zone_l = c.problem.now, (1.0 - c.body.lowest_foot) * c.body.volume_l
    if now.hot_c is None:
        coils = {s.name for s in c.problem.sources if s.layout is not Layout.PLATE}
        return now.running in coils and now.lukewarm_kwh < 0.5 * c.body.kwh_per_l40 * zone_l
    per_litre = float(stores.full_l40(c.problem.store, now.hot_c)) / c.body.volume_l
    return now.usable_l40 / max(per_litre, 1e-6) >= 0.85 * zone_l


def follow(
    c: Compiled,
    solution: Solution,
    belief: Floats,
    job: Job | None = None,
    todo: Solution | None = None,
) -> Path:
    """Walk the best actions from now on under expected use; ``belief`` has shape (n, r)."""
    n = len(c.hours)
    now = c.problem.now
    here = _Here(
        now.usable_l40,
        min(now.lukewarm_kwh / c.body.kwh_per_l40, c.body.most_lukewarm),
        starts_as_mass(c),
        start_phase(c),
    )
    usable, lukewarm, mass = np.zeros(n + 1), np.zeros(n + 1), np.zeros(n + 1)
    runs: list[Run] = []
    small = c.small_draw * c.lattice.step
    treated: Treated | None = None
    resumes = 0
    for slot in range(n):
        if slot < resumes and job is not None:  # the disinfection is under way
            usable[slot] = here.usable
            continue
        usable[slot], lukewarm[slot], mass[slot] = here.usable, here.lukewarm, here.mass
        use = float(c.problem.demand.expected_l40[slot])
        here.mass = here.mass and use <= small
        here.usable = max(here.usable - use, 0.0)
        if todo is not None and job is not None and treated is None:
            if _begins(c, todo, slot, belief[slot], here):
                treated = _treat(c, job, slot, here)
                resumes = int(np.searchsorted(c.problem.grid.start_s, treated.ends_s - 1e-6))
                here = _Here(treated.leaves_l40, 0.0, mass=False, phase=0)
                continue
            if _may_act(c, todo.acting[slot], here):
                runs += _act(c, slot, todo, belief[slot], here)
        elif _may_act(c, solution.acting[slot], here):
            runs += _act(c, slot, solution, belief[slot], here)
        usable_left, lukewarm_left = stores.faded(
            c.body, c.problem.store, here.usable, here.lukewarm, here.mass, float(c.hours[slot])
        )
        here.usable, here.lukewarm = float(usable_left), float(lukewarm_left)
    usable[n], lukewarm[n], mass[n] = here.usable, here.lukewarm, here.mass
    return Path(usable, lukewarm, mass, tuple(runs), treated)


def _may_act(c: Compiled, acting: stores.Bools, here: _Here) -> bool:
    """Does any state near this one run a source? If not, the main source's phase just moves on."""
    lattice = c.lattice
    count, steps = len(lattice.levels), lattice.channels - lattice.has_mass
    low = min(max(int(here.usable / lattice.step), 0), count - 2)
    channels = [lattice.channels - 1] if here.mass else [0]
    if steps > 1 and not here.mass:
        channel = min(int(here.lukewarm / lattice.lukewarm_step), steps - 1)
        channels = [channel, min(channel + 1, steps - 1)]
    for channel in channels:
        at = channel * count + low
        if np.count_nonzero(acting[:, here.phase, at : at + 2]):
            return True
    here.phase = c.phases.idle[here.phase]
    return False


def _at(c: Compiled, values: Floats, here: _Here) -> float:
    place = np.array([here.usable]), np.array([here.lukewarm]), np.array([here.mass])
    return float(worth_at(c, values, *place)[0])


def _begins(c: Compiled, todo: Solution, slot: int, belief: Floats, here: _Here) -> bool:
    """Is it best to begin the disinfection here?"""
    begin = belief @ todo.begin[slot][:, here.phase]
    best = belief @ todo.best[slot][:, here.phase]
    if float(begin.min()) >= BEYOND_ANY_COST / 2:
        return False
    now = _at(c, begin, here)
    return now <= _at(c, best, here) + NEAR_ENOUGH * abs(now)


def _treat(c: Compiled, job: Job, slot: int, here: _Here) -> Treated:
    main, extra = (_at(c, k[slot], here) for k in job.hours)
    kwh_main, kwh_extra = (_at(c, k[slot], here) for k in job.kwh)
    return Treated(
        slot=slot,
        starts_s=float(c.problem.grid.start_s[slot]),
        ends_s=_at(c, job.ends_s[slot], here),
        hours=(main, extra),
        kwh=(kwh_main, kwh_extra),
        cost=_at(c, job.money[slot], here),
        leaves_l40=_at(c, c.lattice.levels[job.after[job.leaves]], here),
    )


def worth_at(
    c: Compiled,
    values: Floats,
    usable: Floats,
    lukewarm: Floats,
    mass: stores.Bools,
    phase: Index | int = 0,
) -> Floats:
    """Interpolate values, shape (s,) or flat (p s,), at states off the lattice."""
    lattice = c.lattice
    count = len(lattice.levels)
    steps = lattice.channels - lattice.has_mass
    along = np.minimum(np.maximum(usable / lattice.step, 0.0), count - 1.0)
    low = np.minimum(along.astype(np.intp), count - 2)
    w = along - low

    def between(channel: Index) -> Floats:
        at = (phase * lattice.channels + channel) * count + low
        found: Floats = values.take(at) * (1 - w) + values.take(at + 1) * w
        return found

    if steps == 1:
        return between(np.zeros_like(low))
    up = np.minimum(np.maximum(lukewarm / lattice.lukewarm_step, 0.0), steps - 1.0)
    channel = np.minimum(up.astype(np.intp), steps - 2)
    v = up - channel
    upper = np.where(mass, lattice.channels - 1, channel + 1)
    channel = np.where(mass, lattice.channels - 1, channel)
    mixed: Floats = between(channel) * (1 - v) + between(upper) * v
    return mixed


def _act(c: Compiled, slot: int, solution: Solution, belief: Floats, here: _Here) -> list[Run]:
    """Choose between all portions of the sources at this very state; moves ``here``."""
    phases = c.phases
    after = belief @ solution.after[slot].reshape(len(belief), -1)  # (p s,)
    # Main source: nothing, then each portion and the phase it leads to.
    usable, lukewarm = np.array([here.usable]), np.array([here.lukewarm])
    mass, spent = np.array([here.mass]), np.array([0.0])
    leads, taken_main = np.array([phases.idle[here.phase]]), np.array([0.0])
    stage = c.main
    main_can = stage is not None and stage.runs[slot] and stage.alone.most[slot] > 0
    if stage is not None and main_can:
        options = _heat(c, stage, slot, here)
        portions, to = _main_options(c, stage, slot, here, float(options[3][-1]))
        if portions is not None:
            start = c.start_cost if here.phase <= phases.rests and phases.count > 1 else 0.0
            cost = stage.alone.of(slot, options[3]) + start
            if here.phase > phases.rests and here.phase < phases.last_run:
                usable, lukewarm, mass = usable[:0], lukewarm[:0], mass[:0]
                spent, leads, taken_main = spent[:0], leads[:0], taken_main[:0]
            usable = np.concatenate([usable, options[0][portions]])
            lukewarm = np.concatenate([lukewarm, options[1][portions]])
            mass = np.concatenate([mass, options[2][portions]])
            spent = np.concatenate([spent, cost[portions]])
            leads = np.concatenate([leads, np.array(to, np.intp)])
            taken_main = np.concatenate([taken_main, options[3][portions]])
    # Second source after each of these: its portions are rows, what the main one did columns.
    extra = c.extra
    usable, lukewarm, mass, spent = usable[None], lukewarm[None], mass[None], spent[None]
    taken_extra = np.zeros_like(usable)
    if extra is not None and extra.runs[slot]:
        share = NONE_OR_SHARE[:, None]
        usable, lukewarm, mass, taken_extra = stores.heated(
            c.body,
            extra.source,
            usable,
            lukewarm,
            mass,
            top_l40=float(extra.top[slot]),
            heat=extra.heat[slot] * share,
        )
        on = taken_main > 0
        beside, alone = extra.beside_main, extra.alone
        cost = np.where(on, beside.of(slot, taken_extra), alone.of(slot, taken_extra))
        most = np.where(on, beside.most[slot], alone.most[slot])
        spent = spent + np.where(share > most + 1e-9, np.inf, cost)
    total = spent + worth_at(c, after, usable, lukewarm, mass, leads)
    pick = int(np.argmin(total - 1e-9 * (taken_main + taken_extra == 0.0)))
    row, column = divmod(pick, len(leads))
    was_running = here.phase > phases.rests
    here.usable, here.lukewarm = float(usable[row, column]), float(lukewarm[row, column])
    here.mass, here.phase = bool(mass[row, column]), int(leads[column])
    by_main, by_extra = float(taken_main[column]), float(taken_extra[row, column])
    made: list[Run] = []
    if stage is not None and by_main > 0:
        late = phases.count > 1 and not was_running and here.phase > phases.rests
        made.append(_run(c, stage, slot, by_main, late=late, usable=here.usable, used_w=0.0))
    if extra is not None and by_extra > 0:
        used = float(stage.source.electricity_w[slot]) if stage and by_main > 0 else 0.0
        made.append(_run(c, extra, slot, by_extra, late=False, usable=here.usable, used_w=used))
    return made


def _heat(
    c: Compiled, stage: Stage, slot: int, here: _Here
) -> tuple[Floats, Floats, stores.Bools, Floats]:
    return stores.heated(
        c.body,
        stage.source,
        np.full(len(SHARE), here.usable),
        np.full(len(SHARE), here.lukewarm),
        np.full(len(SHARE), here.mass),
        top_l40=float(stage.top[slot]),
        heat=stage.heat[slot] * SHARE,
    )


def _main_options(
    c: Compiled, stage: Stage, slot: int, here: _Here, most_taken: float
) -> tuple[slice | None, Floats | list[int]]:
    """Which portions the main source may run from here, and the phases they lead to."""
    phases, count = c.phases, len(SHARE)
    allowed = int(SHARE.searchsorted(stage.alone.most[slot] + 1e-9, side="right"))
    if phases.count == 1:
        return slice(0, allowed), [0] * allowed
    if here.phase == 0:
        wanted = min(stage.source.min_run_s / (3600.0 * float(c.hours[slot])), 1.0)
        if most_taken < wanted * stage.heat[slot] * (1.0 - 1e-9):
            return None, []
        least = int(SHARE.searchsorted(wanted - 1e-9))
        return slice(least, allowed), [phases.first_run] * max(allowed - least, 0)
    if here.phase <= phases.rests:
        return None, []
    if here.phase < phases.last_run:
        return slice(count - 1, count), [here.phase + 1]
    whole = most_taken >= stage.heat[slot] * (1.0 - 1e-9)
    to = [phases.stopped] * (count - 1) + [phases.last_run if whole else phases.stopped]
    return slice(0, allowed), to[:allowed]


def _run(
    c: Compiled, stage: Stage, slot: int, taken: float, *, late: bool, usable: float, used_w: float
) -> Run:
    price = stage.beside_main if used_w > 0 else stage.alone
    kwh = taken * float(stage.kwh_per_l40[slot])
    share = taken / float(stage.heat[slot])
    surplus_w = max(float(c.problem.prices.surplus_w[slot]) - used_w, 0.0)
    power = float(stage.source.electricity_w[slot])
    hours = float(c.hours[slot])
    if stage.source.modulates and surplus_w >= stage.source.min_power_w:
        own = min(kwh, surplus_w / 1000.0 * hours)
    else:
        own = kwh * min(surplus_w / max(power, 1e-9), 1.0)
    return Run(
        slot=slot,
        place=stage.place,
        share=min(share, 1.0),
        late=late,
        usable_after=usable,
        kwh=kwh,
        surplus_kwh=own,
        cost=float(price.of(slot, np.array([taken]))[0]),
    )


Purpose = Literal["charge", "disinfection", "surplus"]
