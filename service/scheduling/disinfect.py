"""A thermal disinfection as one long job that the plan may begin in any slot before it is due.

The job heats the whole cylinder above the lowest foot to the set temperature, the heat pump as
far as it reaches and the immersion heater from there, holds it, and leaves the store hot. What
it costs depends on how much heat is there already, so a full store in the sun makes it cheap.
Whether it passed is for the probes to say, not for the plan.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from forecasting.types import Floats
from service.scheduling import store as stores
from service.scheduling.lattice import BEYOND_ANY_COST, Compiled, Index, Stage
from service.scheduling.types import Disinfection

# Electricity for a kelvin of flow temperature more: generic figures of the hplib 1.9 package, at
# A7/W55, are 2.0 % (on-off) to 2.6 % (regulated) for each kelvin.
COP_LOSS_PER_K = 0.025
NEAR_K = 0.05  # what differs by less is the same temperature
AS_GOOD_K = 0.5  # what is reached within so much of the most leaves the choice to the price
BREAKS_L40 = 10.0  # a draw that brings cold water as far up as a low probe
LIKELY_PER_H = 0.5  # chance of one in an hour
LATE_TIMES_COST_PER_H = 10.0  # an hour late is as dear as ten disinfections
NEVER_TIMES_COST = 1000.0


@dataclass(frozen=True)
class Job:
    """The disinfection for each slot it may begin in and each state it may find.

    ends_s    when it is over, shape (n, s)
    resumes   the slot in which the plan goes on, shape (n, s)
    cost      money for it, lateness included, BEYOND_ANY_COST where it cannot begin, (n, s)
    money     the same without lateness
    kwh       electricity by the main and the second source, each of shape (n, s)
    hours     for which they run, each of shape (n, s)
    after     the state it leaves, index
    """

    wanted: Disinfection
    ends_s: Floats
    resumes: Index
    cost: Floats
    money: Floats
    kwh: tuple[Floats, Floats]
    hours: tuple[Floats, Floats]
    after: Index
    leaves: Index


def job(c: Compiled) -> Job | None:
    """The disinfection asked for, None when there is none in the horizon or nobody can make it."""
    wanted = c.problem.limits.disinfection
    grid = c.problem.grid
    if wanted is None or wanted.due_s > int(grid.end_s[-1]):
        return None
    stages = [
        s if s is not None and s.source.name in wanted.sources else None for s in (c.main, c.extra)
    ]
    reach = [
        np.zeros(len(grid)) if s is None else np.minimum(s.source.store_c, wanted.set_c)
        for s in stages
    ]
    if float(np.maximum(reach[0], reach[1]).min()) < wanted.set_c - NEAR_K:
        # Colder air takes the heat pump's reach away before it is over.
        reach = [
            of_c if stage is None else _lasting(c, wanted, stage, of_c)
            for stage, of_c in zip(stages, reach, strict=True)
        ]
        best_c = float(np.maximum(reach[0], reach[1]).max())
        if best_c < wanted.least_c:
            return None
        wanted = replace(wanted, set_c=max(best_c - AS_GOOD_K, wanted.least_c))
    by_main, by_extra = stages
    if by_main is not None and float(reach[0].min()) >= wanted.set_c - NEAR_K:
        by_extra = None
    # The source that finishes decides how far down the water is treated.
    finisher = by_extra or by_main
    assert finisher is not None
    share = 1.0 - stores.foot(finisher.source)
    full = float(stores.full_l40(c.problem.store, wanted.set_c, share))
    zone_l = share * c.body.volume_l
    hot = np.minimum(c.lattice.usable, zone_l * c.body.per_litre)
    rest_l = np.maximum(c.body.volume_l - c.lattice.usable / c.body.per_litre, 1e-9)
    lukewarm_l = np.maximum(zone_l - c.lattice.usable / c.body.per_litre, 0.0)
    held = np.minimum(hot + c.lattice.lukewarm * np.minimum(lukewarm_l / rest_l, 1.0), full)
    start_h = (grid.start_s - grid.start_s[0]) / 3600.0
    use = np.append(0.0, np.cumsum(c.problem.demand.expected_l40))
    clock = np.append(start_h, start_h[-1] + c.hours[-1])
    main_full = stores.full_l40(c.problem.store, reach[0], share)[:, None]
    drawn = np.zeros((len(grid), len(held)))
    hold_h = wanted.hold_s / 3600.0
    for _ in range(2):  # what is drawn meanwhile is made again; twice around is near enough
        missing = full - held + drawn
        first = np.clip(main_full - held + drawn, 0.0, missing) if by_main else 0.0 * missing
        second = missing - first
        hours = (_hours(by_main, first, c.hours), _hours(by_extra, second, c.hours))
        last = start_h[:, None] + hours[0] + hours[1]
        over = _undisturbed(c, clock, last, hold_h) + hold_h
        drawn = np.interp(last, clock, use) - use[1:][:, None]
        drawn = np.maximum(drawn, 0.0)
    loss_w = c.problem.store.loss_w_per_k * max(wanted.set_c - c.problem.store.ambient_c, 0.0)
    begin = np.broadcast_to(start_h[:, None], over.shape)
    middle = begin + hours[0]
    last = middle + hours[1]
    hold_share = np.zeros_like(over)
    money = np.zeros_like(over)
    kwh = []
    for stage, since, until in ((by_main, begin, middle), (by_extra, middle, last)):
        if stage is None:
            kwh.append(np.zeros_like(over))
            continue
        worse = 1.0 + COP_LOSS_PER_K * np.maximum(
            wanted.set_c - stores.charge_c(stage.source, c.problem.store), 0.0
        )
        if stage.source.name != "heat_pump":
            worse = np.ones_like(worse)
        # Holding is kept up by the source that ran last, just against the standing loss.
        holds = (stage is by_extra) if by_extra is not None else True
        hold_share = loss_w / np.maximum(stage.source.heat_w, 1.0) if holds else hold_share * 0.0
        price = stage.alone.high * stage.heat / c.hours * worse
        price = np.where(stage.runs & (stage.alone.most >= 1.0), price, BEYOND_ANY_COST)
        power = stage.source.electricity_w / 1000.0 * worse
        money = money + _between(price, clock, since, until)
        used = _between(power, clock, since, until)
        if holds:
            # What is drawn meanwhile is made at once, at the price of then, where it may run.
            remade = c.problem.demand.expected_l40 / np.maximum(stage.heat, 1e-9)
            small = np.where(price < BEYOND_ANY_COST, hold_share + remade, 0.0)
            money = money + _between(price * small, clock, last, over)
            used = used + _between(power * small, clock, last, over)
        kwh.append(used)
    late_h = np.maximum(over + float(grid.start_s[0] - wanted.due_s) / 3600.0, 0.0)
    possible = (money < BEYOND_ANY_COST / 1e3) & (
        (grid.start_s >= wanted.not_before_s) & (over.max(axis=1) <= clock[-1] + 1e-9)
    )[:, None]
    dearest = float(np.abs(money[possible]).max(initial=0.1))
    cost = money + LATE_TIMES_COST_PER_H * dearest * late_h
    # Hot water below the foot stays where it is.
    left = np.minimum((full + c.lattice.usable - hot) / c.lattice.step, len(c.lattice.levels) - 1.0)
    after, leaves = np.unique(np.rint(left).astype(np.intp), return_inverse=True)
    return Job(
        wanted=wanted,
        ends_s=over * 3600.0 + float(grid.start_s[0]),
        resumes=np.searchsorted(clock, over - 1e-9).astype(np.intp),
        cost=np.where(possible, cost, BEYOND_ANY_COST),
        money=money,
        kwh=(kwh[0], kwh[1]),
        hours=hours,
        after=after,
        leaves=leaves.astype(np.intp),
    )


def _lasting(c: Compiled, wanted: Disinfection, stage: Stage, reach_c: Floats) -> Floats:
    """What a source reaches from each slot on until it has heated all the water and held it, degC.

    ``reach_c`` is what it reaches in each slot, shape (n,), as the result.
    """
    rate = stage.heat / c.hours  # litres at 40 degC in an hour
    takes_h = float(stores.full_l40(c.problem.store, wanted.set_c)) / np.maximum(rate, 1e-9)
    start_s = c.problem.grid.start_s
    over = np.searchsorted(start_s, start_s + takes_h * 3600.0 + wanted.hold_s)
    return np.array([reach_c[i : max(end, i + 1)].min() for i, end in enumerate(over)])


def _undisturbed(c: Compiled, clock: Floats, since_h: Floats, hold_h: float) -> Floats:
    """From when on nobody is likely to draw for a whole hold, hours on ``clock``.

    A draw brings cold water to the lowest probe, and the hold has to begin anew.
    """
    demand = c.problem.demand
    draws = demand.volumes_l40 >= BREAKS_L40
    per_h = np.einsum("nr,nrk->n", c.belief, demand.pmf[:, :, draws]) / c.hours
    begin = since_h
    for i in np.flatnonzero(per_h >= LIKELY_PER_H):
        met = (begin < clock[i + 1]) & (begin + hold_h > clock[i])
        begin = np.where(met, clock[i + 1], begin)
    return begin


def left_undone(j: Job) -> float:
    """What it costs to reach the horizon's end without it: more than any way of doing it."""
    doable = j.cost[j.cost < BEYOND_ANY_COST]
    return NEVER_TIMES_COST * max(1.0, float(np.abs(doable).max(initial=1.0)))


def _hours(stage: Stage | None, litres: Floats, hours: Floats) -> Floats:
    if stage is None:
        return np.where(litres > 1e-6, 1e6, 0.0)
    return litres / np.maximum(stage.heat / hours, 1e-9)[:, None]


def _between(rate: Floats, clock: Floats, since: Floats, until: Floats) -> Floats:
    """Integral of an hourly rate that is constant in each slot."""
    total = np.append(0.0, np.cumsum(rate * np.diff(clock)))
    return np.asarray(np.interp(until, clock, total) - np.interp(since, clock, total))
