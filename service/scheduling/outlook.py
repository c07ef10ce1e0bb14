"""What may happen under the plan: the chance of every state in every slot, carried forward."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecasting.types import Floats
from service.scheduling.disinfect import Job
from service.scheduling.lattice import BEYOND_ANY_COST, Compiled, Cost, Index, Stage
from service.scheduling.solve import Fade, Solution, kernel, portions, scatter

NEGLIGIBLE = 1e-10


@dataclass(frozen=True)
class Outlook:
    """Means over everything that may happen, per slot.

    level_chance  P(usable level) at each slot's start, shape (n + 1, u)
    short_chance  P(use not met), shape (n,)
    unmet_l40     expected unmet use, shape (n,)
    kwh, cost     expected electricity and money, shape (n,)
    """

    level_chance: Floats
    short_chance: Floats
    unmet_l40: Floats
    kwh: Floats
    cost: Floats


def outlook(
    c: Compiled,
    solution: Solution,
    start: Floats,
    job: Job | None = None,
    todo: Solution | None = None,
) -> Outlook:
    """Follow the solution's actions from the chances ``start`` (r, p, s) to the horizon.

    With a disinfection to do, ``todo`` holds until it begins and ``solution`` from its end on.
    """
    n, count = len(c.hours), len(c.lattice.levels)
    shape = start.shape
    levels = np.zeros((n + 1, count))
    short, unmet, kwh, cost = np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n)
    fade = Fade(c)
    waiting = start if todo is not None else None
    chance = start if todo is None else np.zeros_like(start)
    kinds = 1 if job is None else len(job.after)
    busy = np.zeros((n + 1, kinds, shape[0]))  # ends in that slot at that level, by regime
    for slot in range(n):
        if job is not None:
            chance[:, 0, job.after] += busy[slot].T
        present = chance if waiting is None else chance + waiting
        by_level = present.reshape(shape[0], -1, count).sum(axis=1)
        levels[slot] = by_level.sum(axis=0)
        if job is not None:
            levels[slot, job.after] += busy[slot + 1 :].sum(axis=(0, 2))
        short[slot] = float((by_level * c.short[slot]).sum())
        unmet[slot] = float((by_level * c.unmet[slot]).sum())
        chance = _draw(c, slot, chance)
        chance, kwh[slot], cost[slot] = _act(c, slot, solution, chance)
        if waiting is not None and todo is not None and job is not None:
            waiting = _draw(c, slot, waiting)
            ends = job.resumes[slot] * kinds + job.leaves
            begins = (todo.begin[slot] <= todo.best[slot]) & (job.cost[slot] < BEYOND_ANY_COST)
            moving = np.where(begins, waiting, 0.0)
            by_state = moving.sum(axis=1)  # (r, s)
            for regime in range(shape[0]):
                ended = scatter(ends, by_state[regime], (n + 1) * kinds)
                busy[:, :, regime] += ended[: (n + 1) * kinds].reshape(n + 1, kinds)
            spent = by_state.sum(axis=0)
            kwh[slot] += float(spent @ (job.kwh[0][slot] + job.kwh[1][slot]))
            cost[slot] += float(spent @ np.where(spent > 0, job.money[slot], 0.0))
            waiting, more_kwh, more_cost = _act(c, slot, todo, waiting - moving)
            kwh[slot] += more_kwh
            cost[slot] += more_cost
            waiting = _next(c, slot, fade.chance_after(slot, waiting))
        chance = _next(c, slot, fade.chance_after(slot, chance))
        if shape[0] > 1:
            busy[slot + 1 :] = busy[slot + 1 :] @ c.problem.demand.transition[slot]
    last = chance if waiting is None else chance + waiting
    levels[n] = last.reshape(-1, count).sum(axis=0)
    if job is not None:
        levels[n, job.after] += busy[n].sum(axis=1)
    return Outlook(levels, short, unmet, kwh, cost)


def _next(c: Compiled, slot: int, chance: Floats) -> Floats:
    """The demand regime moves on."""
    if chance.shape[0] == 1:
        return chance
    moved: Floats = c.problem.demand.transition[slot].T @ chance.reshape(chance.shape[0], -1)
    return moved.reshape(chance.shape)


def _draw(c: Compiled, slot: int, chance: Floats) -> Floats:
    r, p, _ = chance.shape
    lattice = c.lattice
    count = len(lattice.levels)
    grid = chance.reshape(r, p * lattice.channels, count)
    after = (grid @ kernel(c, slot).transpose(0, 2, 1)).reshape(r, p, lattice.channels, count)
    if lattice.has_mass:
        before = grid.reshape(after.shape)[:, :, -1]
        kept = np.zeros_like(before)
        for k in range(c.small_draw + 1):
            kept[:, :, : count - k] += c.demand[slot][:, None, k : k + 1] * before[:, :, k:]
        after[:, :, 0] += after[:, :, -1] - kept
        after[:, :, -1] = kept
    return after.reshape(chance.shape)


def _act(c: Compiled, slot: int, solution: Solution, chance: Floats) -> tuple[Floats, float, float]:
    """Move the chances by the best actions; also the electricity and the money they take."""
    stage, phases = c.main, c.phases
    kwh = cost = 0.0
    p = phases.count
    resting = [max(q - 1, 0) if q <= phases.rests else phases.stopped for q in range(p)]
    if p == 1:
        resting = [0]
    if stage is None or not stage.runs[slot] or stage.alone.most[slot] <= 0.0:
        idle = _phase_moved(chance, resting)
        moved, k, m = _second(c, slot, solution.after[slot], idle, main_on=False)
        return moved, k, m
    at = _active(chance)
    if len(at) == 0:
        return chance, 0.0, 0.0
    r_count, _, s_count = chance.shape
    run = portions(stage, slot, stage.alone, solution.on[slot], at=at)  # (r, p, j, a)
    off = solution.off[slot][:, :, at]
    j_count = run.shape[2]
    table = stage.which[slot]
    first, second = stage.first[table][:, at], stage.second[table][:, at]
    weight, taken = stage.weight[table][:, at], stage.taken[table][:, at]
    whole = stage.whole[table][at]
    idle = np.zeros_like(chance)
    running = np.zeros(chance.size)
    across = np.arange(r_count)[:, None], np.arange(len(at))[None, :]
    for phase in range(p):
        here = chance[:, phase][:, at]
        if here.max(initial=0.0) <= NEGLIGIBLE:
            idle[:, resting[phase]] += chance[:, phase]
            continue
        value = np.full((r_count, j_count, len(at)), np.inf)
        leads = np.full((r_count, j_count, len(at)), phases.stopped)
        rests = off[:, resting[phase]]
        added = 0.0
        if p == 1:
            value, leads = run[:, 0], np.zeros_like(leads)
        elif phase == 0:
            least = c.least_start - 1
            begin = run[:, phases.first_run, least:] + c.start_cost
            value[:, least:] = np.where(stage.startable[table][at], begin, np.inf)
            leads[:] = phases.first_run
            added = c.start_cost
        elif phase == phases.last_run:
            value = run[:, phases.stopped].copy()
            on = whole & (run[:, phase, -1] <= value[:, -1])
            value[:, -1] = np.where(on, run[:, phase, -1], value[:, -1])
            leads[:, -1] = np.where(on, phase, phases.stopped)
        elif phase >= phases.first_run:
            value[:, -1] = run[:, phase + 1, -1]
            leads[:, -1] = phase + 1
            rests = np.full_like(rests, np.inf)
        j = value.argmin(axis=1)  # (r, a)
        runs = value[across[0], j, across[1]] < rests
        idle[:, resting[phase], at] += np.where(runs, 0.0, here)
        moving = np.where(runs, here, 0.0)
        column = across[1]
        target = (across[0] * p + leads[across[0], j, column]) * s_count
        w = weight[j, column]
        running += scatter(target + first[j, column], moving * (1.0 - w), chance.size)
        running += scatter(target + second[j, column], moving * w, chance.size)
        heat = taken[j, column]
        kwh += float((moving * heat).sum() * stage.kwh_per_l40[slot])
        cost += float((moving * (stage.alone.of(slot, heat) + added)).sum())
    off_moved, k_off, m_off = _second(c, slot, solution.after[slot], idle, main_on=False)
    on_moved, k_on, m_on = _second(
        c, slot, solution.after[slot], running.reshape(chance.shape), main_on=True
    )
    return off_moved + on_moved, kwh + k_off + k_on, cost + m_off + m_on


def _second(
    c: Compiled, slot: int, reached: Floats, chance: Floats, *, main_on: bool
) -> tuple[Floats, float, float]:
    """The second source's choice, after the main one's."""
    stage: Stage | None = c.extra
    if stage is None or not stage.runs[slot]:
        return chance, 0.0, 0.0
    price: Cost = stage.beside_main if main_on else stage.alone
    if price.most[slot] <= 0.0:
        return chance, 0.0, 0.0
    at = _active(chance)
    if len(at) == 0:
        return chance, 0.0, 0.0
    run = portions(stage, slot, price, reached, at=at)
    j = run.argmin(axis=2)
    runs = np.take_along_axis(run, j[:, :, None], axis=2)[:, :, 0] < reached[:, :, at]
    here = chance[:, :, at]
    moving = np.where(runs, here, 0.0)
    if moving.max(initial=0.0) <= 0.0:
        return chance, 0.0, 0.0
    left = chance.copy()
    left[:, :, at] = here - moving
    table = stage.which[slot]
    column = np.arange(len(at))
    r, p, s = chance.shape
    base = (np.arange(r)[:, None] * p + np.arange(p))[:, :, None] * s
    at_first = base + stage.first[table][:, at][j, column]
    at_second = base + stage.second[table][:, at][j, column]
    w = stage.weight[table][:, at][j, column]
    moved = scatter(at_first, moving * (1.0 - w), chance.size)
    moved += scatter(at_second, moving * w, chance.size)
    heat = stage.taken[table][:, at][j, column]
    kwh = float((moving * heat).sum() * stage.kwh_per_l40[slot])
    return left + moved.reshape(chance.shape), kwh, float((moving * price.of(slot, heat)).sum())


def _phase_moved(chance: Floats, to: list[int]) -> Floats:
    moved = np.zeros_like(chance)
    for phase, target in enumerate(to):
        moved[:, target] += chance[:, phase]
    return moved


def _active(chance: Floats) -> Index:
    return np.flatnonzero(chance.reshape(-1, chance.shape[-1]).max(axis=0) > NEGLIGIBLE)
