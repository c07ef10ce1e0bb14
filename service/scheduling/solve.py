"""The stochastic dynamic programme: from the last slot back to the first (Bellman 1957).

Within a slot the household draws first and the sources run after it, so that heat made in a slot
serves the next ones: what is needed at seven o'clock is planned to be there at seven. The worth
of a state at a slot's start is then

    worth(level) = E[ shortage + best(level - use) ],
    best(level)  = min over actions of cost + E[ next slot's worth ]

with the actions off, each source for a part of the slot, all of it, or both sources. A start
cost makes the best action an (s, S) rule (Scarf 1960), a known distribution of use without one
a base-stock level (Arrow, Harris, Marschak 1951).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from forecasting.types import Floats
from service.scheduling import store as stores
from service.scheduling.disinfect import Job, left_undone
from service.scheduling.lattice import BEYOND_ANY_COST, Compiled, Cost, Index, Stage
from service.scheduling.store import Bools

NOTHING = 1e-12


@dataclass(frozen=True, eq=False)
class Solution:
    """Costs to go on the lattice, money; lists have one entry per slot.

    worth   at the slot's start, before use, shape (r, p, s); one more entry for the end
    after   at the slot's end, when the sources have run, seen with this slot's regime (r, p, s)
    off     before the second source had its choice, the main one being off, shape (r, p, s)
    on      the same with the main source on
    best    after use, before any source runs, shape (r, p, s)
    begin   the same if the disinfection begins now, shape (r, p, s); empty when there is none
    """

    c: Compiled
    worth: list[Floats]
    after: list[Floats]
    off: list[Floats]
    on: list[Floats]
    best: list[Floats]
    begin: list[Floats] = field(default_factory=list)

    @cached_property
    def acting(self) -> list[Bools]:
        """Where any source runs, (r, p, s) for each slot."""
        found = []
        forced = slice(self.c.phases.first_run, self.c.phases.last_run)
        for off, after, best in zip(self.off, self.after, self.best, strict=True):
            runs: Bools = best < _idle(self.c, off) - NOTHING
            if off is not after:
                runs |= off < after - NOTHING
            runs[:, forced] = True
            found.append(runs)
        return found


def solve(c: Compiled, terminal: Floats) -> Solution:
    """Costs to go, given the worth (r, p, s) at the end."""
    return _backward(c, terminal, None, None)


def solve_with(c: Compiled, terminal: Floats, job: Job, done: Solution) -> Solution:
    """Costs to go while the disinfection is still to do; ``done`` is where it leads."""
    return _backward(c, terminal + left_undone(job), job, done)


def _backward(c: Compiled, terminal: Floats, job: Job | None, done: Solution | None) -> Solution:
    n = len(c.hours)
    worth = [terminal]
    after, off, on, best, begin = [], [], [], [], []
    fade = Fade(c)
    hot = None
    if job is not None and done is not None:
        # Worth where the job may end, as seen from the slot in hand: (n + 1, k, r).
        hot = np.stack([w[:, 0, job.after].T for w in done.worth])
    for slot in range(n - 1, -1, -1):
        reached = fade.worth_before(slot, expect_regime(c, slot, worth[-1]))
        alone, beside = with_extra(c, slot, reached)
        chosen = choose(c, slot, alone, beside)
        if job is not None and hot is not None:
            hot[slot + 1 :] = hot[slot + 1 :] @ c.problem.demand.transition[slot].T
            begins = _begin(c, slot, job, hot)
            begin.append(begins)
            chosen = np.minimum(chosen, begins)
        after.append(reached)
        off.append(alone)
        on.append(beside)
        best.append(chosen)
        worth.append(draw(c, slot, chosen))
    for slots in (worth, after, off, on, best, begin):
        slots.reverse()
    return Solution(c, worth, after, off, on, best, begin)


def _begin(c: Compiled, slot: int, job: Job, hot: Floats) -> Floats:
    """Cost to go of beginning the disinfection after use in this slot, shape (r, p, s)."""
    ends = np.minimum(job.resumes[slot], len(c.hours))
    then = hot[ends, job.leaves].T + job.cost[slot]  # (r, s)
    starts = np.zeros(c.phases.count)
    if c.phases.count > 1:
        starts[: c.phases.rests + 1] = c.start_cost
    whole: Floats = then[:, None, :] + starts[:, None]
    return whole


def expect_regime(c: Compiled, slot: int, worth: Floats) -> Floats:
    """Next slot's worth as seen from each regime of this one."""
    r = worth.shape[0]
    if r == 1:
        return worth
    mixed: Floats = c.problem.demand.transition[slot] @ worth.reshape(r, -1)
    return mixed.reshape(worth.shape)


def scatter(at: Index, chance: Floats, size: int) -> Floats:
    """Chances added up at their places in a flat array."""
    return np.asarray(np.bincount(at.ravel(), chance.ravel(), size), np.float64)


class Fade:
    """Standing loss over a slot, on the lattice: see ``store.faded``.

    From each state it leads to the two levels beside the usable water that is left, in its own
    channel and in the next one up or down, towards which the lukewarm heat moves.
    """

    def __init__(self, c: Compiled) -> None:
        self._c = c
        self._known: dict[float, tuple[Index, Floats]] = {}
        self._turned: dict[float, tuple[Index, Floats]] = {}

    def worth_before(self, slot: int, worth: Floats) -> Floats:
        """Worth of each state before the loss, from worth after it; shape (r, p, s)."""
        to, share = self._corners(slot)
        before: Floats = np.einsum("rpks,ks->rps", worth.take(to, axis=-1), share)
        return before

    def chance_after(self, slot: int, chance: Floats) -> Floats:
        """Probability of each state after the loss, from that before it; shape (r, p, s)."""
        hours = float(self._c.hours[slot])
        if hours not in self._turned:
            self._turned[hours] = _turned(*self._corners(slot))
        origin, share = self._turned[hours]
        after: Floats = np.einsum("rpks,ks->rps", chance.take(origin, axis=-1), share)
        return after

    def _corners(self, slot: int) -> tuple[Index, Floats]:
        """The states that each state leads to and their shares, shape (k, s)."""
        c, lattice = self._c, self._c.lattice
        hours = float(c.hours[slot])
        if hours not in self._known:
            count, steps = len(lattice.levels), lattice.channels - lattice.has_mass
            usable, lukewarm = stores.faded(
                c.body, c.problem.store, lattice.usable, lattice.lukewarm, lattice.mass, hours
            )
            along = usable / lattice.step
            low = np.minimum(along.astype(np.intp), count - 2)
            channel = np.repeat(np.arange(lattice.channels), count)
            first, weight = channel * count + low, along - low
            to, share = np.stack([first, first + 1]), np.stack([1.0 - weight, weight])
            if steps > 1:
                moved = np.clip((lukewarm - lattice.lukewarm) / lattice.lukewarm_step, -1.0, 1.0)
                beside = np.clip(channel + np.sign(moved).astype(np.intp), 0, steps - 1) - channel
                moves = np.where(lattice.mass, 0.0, np.abs(moved) * (beside != 0))
                beside = np.where(lattice.mass, 0, beside)
                to = np.concatenate([to, to + beside * count])
                share = np.concatenate([share * (1.0 - moves), share * moves])
            self._known[hours] = to, share
        return self._known[hours]


def _turned(to: Index, share: Floats) -> tuple[Index, Floats]:
    """From where each state leads and its shares, (k, s): from where each is reached, (m, s)."""
    count = to.shape[1]
    origin = np.broadcast_to(np.arange(count), to.shape)[share > 0.0]
    to, share = to[share > 0.0], share[share > 0.0]
    order = np.argsort(to, kind="stable")
    to, origin, share = to[order], origin[order], share[order]
    row = np.arange(len(to)) - np.searchsorted(to, to)  # how many lead there before it
    origins = np.zeros((int(row.max()) + 1, count), np.intp)
    shares = np.zeros(origins.shape)
    origins[row, to], shares[row, to] = origin, share
    return origins, shares


def reachable(stage: Stage, slot: int, worth: Floats, at: Index | None = None) -> Floats:
    """Worth of what each portion of a source's run leads to, shape (r, p, j, states)."""
    table = stage.which[slot]
    first, second, weight = stage.first[table], stage.second[table], stage.weight[table]
    if at is not None:
        first, second, weight = first[:, at], second[:, at], weight[:, at]
    near = worth.take(first, axis=-1)
    far: Floats = worth.take(second, axis=-1)
    far -= near
    far *= weight
    far += near
    return far


def priced(stage: Stage, slot: int, cost: Cost, then: Floats, at: Index | None = None) -> Floats:
    """What the portions cost added to what they lead to, in place; too much power costs all."""
    taken = stage.taken[stage.which[slot]]
    then += cost.of(slot, taken if at is None else taken[:, at])
    most = float(cost.most[slot])
    if most < 1.0:
        then[:, :, stage.share > most + 1e-9] = BEYOND_ANY_COST
    return then


def with_extra(c: Compiled, slot: int, reached: Floats) -> tuple[Floats, Floats]:
    """Worth after the second source had its choice: with the main source off, and with it on."""
    stage = c.extra
    if stage is None or not stage.runs[slot]:
        return reached, reached
    then = reachable(stage, slot, reached)
    if c.main is None or not c.main.runs[slot] or stage.same[slot]:
        run = priced(stage, slot, stage.alone, then)
        off = np.minimum(reached, np.minimum.reduce(run, axis=2))
        return off, off
    on = reached
    if stage.beside_main.most[slot] > 0.0:
        dearer = priced(stage, slot, stage.beside_main, then.copy())
        on = np.minimum(reached, np.minimum.reduce(dearer, axis=2))
    run = priced(stage, slot, stage.alone, then)
    return np.minimum(reached, np.minimum.reduce(run, axis=2)), on


def choose(c: Compiled, slot: int, off: Floats, on: Floats) -> Floats:
    """Best cost to go after use: the main source off, started, kept running or stopped."""
    stage, phases = c.main, c.phases
    if stage is None or not stage.runs[slot] or stage.alone.most[slot] <= 0.0:
        return _idle(c, off)
    run = priced(stage, slot, stage.alone, reachable(stage, slot, on))
    if phases.count == 1:
        either: Floats = np.minimum(off, np.minimum.reduce(run, axis=2))
        return either
    table, last = stage.which[slot], phases.last_run
    best = _idle(c, off)
    goes_on = run[:, last, -1] + stage.bar_whole[table]
    run[:, phases.first_run, : c.least_start - 1] = BEYOND_ANY_COST  # a start's least run
    least = np.minimum.reduce(run, axis=2)
    start = least[:, phases.first_run] + stage.bar_start[table]
    np.minimum(best[:, 0], start, out=best[:, 0])
    np.minimum(goes_on, least[:, phases.stopped], out=goes_on)
    np.minimum(best[:, last], goes_on, out=best[:, last])
    for phase in range(phases.first_run, last):
        best[:, phase] = run[:, phase + 1, -1]
    return best


def _idle(c: Compiled, off: Floats) -> Floats:
    """The main source off: a resting one rests on, a running one stops."""
    return off if c.phases.count == 1 else off.take(c.idle, axis=1)


def kernels(c: Compiled, slot: int) -> tuple[Floats, Floats]:
    """P(level after use | level before), shape (m, after, before), for all regimes of a slot.

    First of any use, then of small draws alone, which leave a heated mass as it is.
    """
    padded, kinds = c.padded[slot], c.at_least.shape[1]
    row, one = padded.strides
    count = padded.shape[1] // 2
    shape = (len(padded), count, count)
    # Use after as many zeros: all its shifts, each a column's chances.
    shifts: Floats = np.ndarray(shape, np.float64, padded, count * one, (row, -one, one)).copy()
    shifts[:kinds, 0] = c.at_least[slot]  # whatever exceeds the level leaves nothing
    return shifts[:kinds], shifts[kinds:]


def draw(c: Compiled, slot: int, best: Floats) -> Floats:
    """Cost to go before use, from the cost to go after it."""
    r, p, _ = best.shape
    lattice = c.lattice
    count = len(lattice.levels)
    any_use, small_use = kernels(c, slot)
    kinds = len(any_use)
    moved: Floats = best.reshape(-1, kinds, p * lattice.channels, count) @ any_use
    worth = moved.reshape(r, p * lattice.channels, count)
    worth += c.draw_cost[slot][:, None, :]
    if lattice.has_mass:
        ahead, before = (x.reshape(-1, kinds, p, lattice.channels, count) for x in (best, worth))
        gain: Floats = (ahead[:, :, :, -1] - ahead[:, :, :, 0]) @ small_use
        np.add(before[:, :, :, 0], gain, out=before[:, :, :, -1])
    return worth.reshape(best.shape)
