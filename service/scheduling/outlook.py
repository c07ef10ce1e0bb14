"""What may happen under the plan: the chance of every state in every slot, carried forward."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecasting.types import Floats
from service.scheduling.disinfect import Job
from service.scheduling.lattice import BEYOND_ANY_COST, Compiled, Cost, Index, Stage
from service.scheduling.path import Path
from service.scheduling.solve import (
    NOTHING,
    Fade,
    Solution,
    kernels,
    priced,
    reachable,
    scatter,
)

NEGLIGIBLE = 1e-5  # chances that small are not followed through an action


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
    negligible: float = NEGLIGIBLE,
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
        if chance.any():
            chance = _draw(c, slot, chance)
            chance, kwh[slot], cost[slot] = _act(c, slot, solution, chance, negligible)
            chance = _next(c, slot, fade.chance_after(slot, chance))
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
            waiting, more_kwh, more_cost = _act(c, slot, todo, waiting - moving, negligible)
            kwh[slot] += more_kwh
            cost[slot] += more_cost
            waiting = _next(c, slot, fade.chance_after(slot, waiting)) if waiting.any() else None
        if shape[0] > 1:
            busy[slot + 1 :] = busy[slot + 1 :] @ c.problem.demand.transition[slot]
    last = chance if waiting is None else chance + waiting
    levels[n] = last.reshape(-1, count).sum(axis=0)
    if job is not None:
        levels[n, job.after] += busy[n].sum(axis=1)
    return Outlook(levels, short, unmet, kwh, cost)


def certain(c: Compiled, path: Path) -> Outlook:
    """The expected path alone, as if nothing else could happen."""
    n, count = len(c.hours), len(c.lattice.levels)
    along = np.clip(path.usable / c.lattice.step, 0.0, count - 1.0)
    low = np.minimum(along.astype(np.intp), count - 2)
    levels = np.zeros((n + 1, count))
    levels[np.arange(n + 1), low] = 1.0 - (along - low)
    levels[np.arange(n + 1), low + 1] = along - low
    kwh, cost = np.zeros(n), np.zeros(n)
    for run in path.runs:
        kwh[run.slot] += run.kwh
        cost[run.slot] += run.cost
    if path.treated is not None:
        kwh[path.treated.slot] += sum(path.treated.kwh)
        cost[path.treated.slot] += path.treated.cost
    unmet = np.maximum(c.problem.demand.expected_l40 - path.usable[:n], 0.0)
    return Outlook(levels, (unmet > 0.5).astype(float), unmet, kwh, cost)


def _next(c: Compiled, slot: int, chance: Floats) -> Floats:
    """The demand regime moves on."""
    if chance.shape[0] == 1:
        return chance
    moved: Floats = c.problem.demand.transition[slot].T @ chance.reshape(chance.shape[0], -1)
    return moved.reshape(chance.shape)


def _draw(c: Compiled, slot: int, chance: Floats) -> Floats:
    p = chance.shape[1]
    lattice = c.lattice
    any_use, small_use = (k.transpose(0, 2, 1) for k in kernels(c, slot))
    grid = chance.reshape(-1, len(any_use), p * lattice.channels, len(lattice.levels))
    after = grid @ any_use
    if lattice.has_mass:
        shape = (-1, len(any_use), p, lattice.channels, len(lattice.levels))
        by_channel = after.reshape(shape)
        kept = grid.reshape(shape)[:, :, :, -1] @ small_use
        by_channel[:, :, :, 0] += by_channel[:, :, :, -1] - kept
        by_channel[:, :, :, -1] = kept
    return after.reshape(chance.shape)


def _act(
    c: Compiled, slot: int, solution: Solution, chance: Floats, negligible: float
) -> tuple[Floats, float, float]:
    """Move the chances by the best actions; also the electricity and the money they take."""
    stage, phases = c.main, c.phases
    idle = _phase_moved(chance, phases.idle)
    acting = solution.acting[slot] & (chance > negligible)
    at = np.flatnonzero(acting.any(axis=(0, 1)))
    if len(at) == 0:
        return idle, 0.0, 0.0
    if stage is None or not stage.runs[slot] or stage.alone.most[slot] <= 0.0:
        return _second(c, slot, solution, idle, negligible, main_on=False)
    kwh = cost = 0.0
    r_count, p, s_count = chance.shape
    on_worth, off = solution.on[slot], solution.off[slot][:, :, at]
    run = priced(stage, slot, stage.alone, reachable(stage, slot, on_worth, at), at)
    table = stage.which[slot]
    whole, startable = stage.whole[table][at], stage.startable[table][at]
    running = np.zeros(chance.size)
    regime, column = np.arange(r_count)[:, None], np.arange(len(at))[None, :]
    for phase in range(p):
        here = chance[:, phase][:, at]
        if here.max() <= negligible:
            continue
        value = np.full((r_count, len(stage.share), len(at)), np.inf)
        leads = np.full(value.shape, phases.stopped)
        rests = off[:, phases.idle[phase]]
        added = 0.0
        if p == 1:
            value, leads = run[:, 0], np.zeros_like(leads)
        elif phase == 0:
            least = c.least_start - 1
            begin = run[:, phases.first_run, least:] + c.start_cost
            value[:, least:] = np.where(startable, begin, np.inf)
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
        moving = np.where(value[regime, j, column] < rests, here, 0.0)
        idle[:, phases.idle[phase], at] -= moving
        target = (regime * p + leads[regime, j, column]) * s_count
        to = target + stage.first[table][j, at], target + stage.second[table][j, at]
        running += _landed(to, stage.weight[table][j, at], moving, chance.size)
        heat = stage.taken[table][j, at]
        kwh += float((moving * heat).sum() * stage.kwh_per_l40[slot])
        cost += float((moving * (stage.alone.of(slot, heat) + added)).sum())
    off_moved, k_off, m_off = _second(c, slot, solution, idle, negligible, main_on=False)
    if not running.any():
        return off_moved, k_off, m_off
    moved = running.reshape(chance.shape)
    on_moved, k_on, m_on = _second(c, slot, solution, moved, negligible, main_on=True)
    return off_moved + on_moved, kwh + k_off + k_on, cost + m_off + m_on


def _second(
    c: Compiled, slot: int, solution: Solution, chance: Floats, negligible: float, *, main_on: bool
) -> tuple[Floats, float, float]:
    """The second source's choice, after the main one's."""
    stage: Stage | None = c.extra
    if stage is None or not stage.runs[slot]:
        return chance, 0.0, 0.0
    price: Cost = stage.beside_main if main_on else stage.alone
    reached = solution.after[slot]
    chosen = solution.on[slot] if main_on else solution.off[slot]
    if chosen is reached:
        return chance, 0.0, 0.0
    runs_here = (chosen < reached - NOTHING) & (chance > negligible)
    at = np.flatnonzero(runs_here.any(axis=(0, 1)))
    if len(at) == 0:
        return chance, 0.0, 0.0
    run = priced(stage, slot, price, reachable(stage, slot, reached, at), at)
    least = run.min(axis=2)
    here = chance[:, :, at]
    moving = np.where(least < reached[:, :, at], here, 0.0)
    if moving.max() <= 0.0:
        return chance, 0.0, 0.0
    j = run.argmin(axis=2)
    left = chance.copy()
    left[:, :, at] = here - moving
    table = stage.which[slot]
    r, p, s = chance.shape
    base = (np.arange(r)[:, None] * p + np.arange(p))[:, :, None] * s
    to = base + stage.first[table][j, at], base + stage.second[table][j, at]
    moved = _landed(to, stage.weight[table][j, at], moving, chance.size)
    heat = stage.taken[table][j, at]
    kwh = float((moving * heat).sum() * stage.kwh_per_l40[slot])
    return left + moved.reshape(chance.shape), kwh, float((moving * price.of(slot, heat)).sum())


def _landed(to: tuple[Index, Index], weight: Floats, moving: Floats, size: int) -> Floats:
    """Chances that move to two states each, ``weight`` of them to the second; flat."""
    return scatter(np.stack(to), np.stack([moving * (1.0 - weight), moving * weight]), size)


def _phase_moved(chance: Floats, to: tuple[int, ...]) -> Floats:
    moved = np.zeros_like(chance)
    for phase, target in enumerate(to):
        moved[:, target] += chance[:, phase]
    return moved
