"""Make a plan, and say what it asks for now.

``make`` solves the problem (see ``solve``) and reads from the solution what the rest of the
house needs: the base-stock level of every slot for whatever happens, the windows if all goes as
expected, the chance of running short, and the reasons. ``decide`` looks up what to do at this
moment with the charge there really is.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass, replace

import numpy as np

from forecasting.types import Floats, SlotGrid
from service.cylinder.tenths import FULL, litres, tenths
from service.scheduling import why
from service.scheduling.disinfect import job
from service.scheduling.lattice import (
    USUAL,
    Compiled,
    Fineness,
    Index,
    Lattice,
    Stage,
    compile_problem,
)
from service.scheduling.outlook import Outlook, certain, outlook
from service.scheduling.path import Path, Run, follow, start_phase, starts_as_mass
from service.scheduling.solve import Solution, solve, solve_with
from service.scheduling.store import Bools
from service.scheduling.types import (
    COVERS,
    Layout,
    Now,
    Order,
    Plan,
    Problem,
    Reason,
    SourceName,
    Window,
)

LOW_QUANTILE = 0.05
DAY_S = 86_400
COARSE_LEVELS = 61
UNSAID = Reason("unsaid")  # the reason of a plan that nobody reads
LEAST_SURPLUS_W = 50.0  # less than this is a meter's noise
RUN_PARTS = (0.4, 1.0)  # of a slot: what a start is judged by
COVER_SLACK, COVER_SLACK_RUNNING = 0.02, 0.12
SOON_S = 1800.0  # what a source makes within this counts before another is called
PAUSE_S = 900.0  # shorter than this a pause is not worth a start
START_TENTHS = 0.25  # of a cylinder: less is not worth a start, unless surplus makes it
DRAWN_TENTHS = 0.25  # of a cylinder: less is the estimate's noise
NEAR_S = 1800.0  # an order this near to a window is that window, begun early or late


def make(
    problem: Problem,
    *,
    left_per_l40: float | None = None,
    fineness: Fineness = USUAL,
    foresee: bool = True,
) -> Plan:
    """The cheapest plan that keeps the comfort asked for.

    Args:
        problem: demand, prices, plant, limits and where the cylinder stands.
        left_per_l40: worth of a litre left at the horizon's end, money; None goes on as if the
            last day came again.
        fineness: how finely the problem is laid out.
        foresee: False leaves out what only people read (chances, the 5 % level, the money expected
            over everything that may happen, the reasons; the expected path stands in), for
            replays of a year.

    Raises ValueError naming what is wrong when the problem contradicts itself.
    """
    c = compile_problem(problem, fineness)
    belief = c.belief
    if left_per_l40 is None:
        terminal = terminal_worth(c)
    else:
        shape = (c.demand.shape[1], c.phases.count, len(c.lattice.usable))
        terminal = np.broadcast_to(-left_per_l40 * c.lattice.usable, shape).copy()
    solution = solve(c, terminal)
    clean = job(c)
    todo = None if clean is None else solve_with(c, terminal, clean, solution)
    path = follow(c, solution, belief, clean, todo)
    ahead = outlook(c, solution, start_chance(c), clean, todo) if foresee else certain(c, path)
    in_force = _until_treated(solution, todo, path)
    stocks = _stocks(c, in_force, path)
    x = why.Context(c, in_force, path, belief)
    windows = _windows(x, explain=foresee)
    levels = c.lattice.levels
    expected = ahead.level_chance @ levels
    low = levels[np.argmax(np.cumsum(ahead.level_chance, axis=1) >= LOW_QUANTILE, axis=1)]
    return Plan(
        grid=problem.grid,
        made_at_s=int(problem.grid.start_s[0]),
        windows=tuple(windows),
        base_stock_l40=stocks.base,
        source_names=tuple(s.name for s in problem.sources),
        expected_l40=expected,
        low_l40=low,
        expected_use_l40=problem.demand.expected_l40,
        short_chance=ahead.short_chance,
        import_per_kwh=problem.prices.import_per_kwh,
        surplus_w=problem.prices.surplus_w,
        price_estimated=problem.prices.estimated,
        price_note=problem.prices.note,
        cost=float(ahead.cost.sum()) - _left_worth(c, ahead),
        electricity_kwh=float(ahead.kwh.sum()),
        reason=why.plan_reason(x, ahead, windows) if foresee else UNSAID,
        start_below_l40=stocks.below,
        cover_stock_l40=stocks.cover,
        cover_start_l40=stocks.cover_start,
        heat_l40_per_h=_rates(c),
        electricity_w=np.stack([s.electricity_w for s in problem.sources], axis=1)
        if problem.sources
        else np.zeros((len(c.hours), 0)),
        least_power_w=np.array([s.min_power_w if s.modulates else np.nan for s in problem.sources]),
        regime=belief,
        reference_l40=problem.store.reference_l40,
        unmet_l40=float(ahead.unmet_l40.sum()),
        reserve_l40=_reserve(problem),
    )


def _reserve(problem: Problem) -> Floats:
    """What must be there throughout each slot, L at 40 degC; a charge by a moment is none."""
    grid, reserve = problem.grid, np.zeros(len(problem.grid))
    for kept in problem.limits.raises:
        throughout = (grid.start_s >= kept.from_s) & (grid.end_s <= kept.until_s)
        reserve[throughout] = np.maximum(reserve[throughout], kept.usable_l40)
    return reserve


def heat_price(c: Compiled, first: int = 0) -> float:
    """The cheapest way to make a litre at 40 degC from slot ``first`` on, money."""
    prices = [
        float(s.alone.low[first:][s.runs[first:]].min(initial=np.inf))
        for s in (c.main, c.extra)
        if s is not None
    ]
    cheapest = min(prices, default=np.inf)
    return cheapest if np.isfinite(cheapest) else 0.0


def terminal_worth(c: Compiled) -> Floats:
    """Worth of each state at the horizon's end, (r, p, s): as if the last day came again.

    A coarse problem of the last day alone (mean use, every source like a plate heat exchanger and
    free to start) starts from a plain guess: what is left saves making it again as cheaply as
    that day allows, as far as a day's use goes. What it finds a day earlier stands for the day
    after the horizon. An empty store counts as 0.
    """
    coarse = compile_problem(_last_day(c), Fineness(portions=4))
    use = float(coarse.problem.demand.expected_l40.sum())
    price = max(heat_price(coarse), 0.0)
    total = coarse.lattice.usable
    spare = np.maximum(total - use, 0.0)
    worth = price * (np.minimum(total, use) + use * (1.0 - np.exp(-spare / max(use, 1.0))) * 0.5)
    found = solve(coarse, -worth[None, None, :]).worth[0][0, 0]
    there = np.interp(
        c.lattice.usable + c.lattice.lukewarm, coarse.lattice.levels, found - found[0]
    )
    return np.broadcast_to(there, (c.demand.shape[1], c.phases.count, len(there))).copy()


def _last_day(c: Compiled) -> Problem:
    problem, n = c.problem, len(c.hours)
    day = np.arange(n)[np.cumsum(c.hours[::-1])[::-1] <= 24.0 + 1e-9]
    first = int(day[0]) if len(day) else n - 1
    demand, prices, limits = problem.demand, problem.prices, problem.limits
    last = slice(first, n)

    def cut(values: Floats | None) -> Floats | None:
        return None if values is None else values[last]

    mean = np.einsum("nr,nrk->nk", c.belief[last], demand.pmf[last])
    return replace(
        problem,
        grid=SlotGrid(problem.grid.start_s[last], problem.grid.end_s[last]),
        demand=replace(
            demand,
            pmf=mean[:, None, :],
            regime_now=np.ones(1),
            transition=np.ones((n - first, 1, 1)),
            expected_l40=demand.expected_l40[last],
        ),
        prices=replace(
            prices,
            import_per_kwh=prices.import_per_kwh[last],
            export_per_kwh=prices.export_per_kwh[last],
            surplus_w=prices.surplus_w[last],
            estimated=prices.estimated[last],
            carbon_g_per_kwh=cut(prices.carbon_g_per_kwh),
        ),
        sources=tuple(
            replace(
                s,
                layout=Layout.PLATE,
                heat_w=s.heat_w[last],
                electricity_w=s.electricity_w[last],
                store_c=s.store_c[last],
                available=s.available[last],
                claim_per_h=cut(s.claim_per_h),
                start_cost=0.0,
                min_run_s=0.0,
                min_rest_s=0.0,
            )
            for s in problem.sources
        ),
        now=Now(0.0, 0.0),
        limits=replace(
            limits,
            power_w=cut(limits.power_w),
            grid_power_w=cut(limits.grid_power_w),
            disinfection=None,
        ),
        levels=COARSE_LEVELS,
    )


def _left_worth(c: Compiled, ahead: Outlook) -> float:
    """What is left at the end, at the cheapest price of the last day."""
    left = float(ahead.level_chance[-1] @ c.lattice.levels)
    day = int(np.searchsorted(c.problem.grid.end_s, c.problem.grid.end_s[-1] - DAY_S, side="right"))
    return left * max(heat_price(c, day), 0.0)


def start_chance(c: Compiled) -> Floats:
    """Chance of each state now, (r, p, s)."""
    now = c.problem.now
    lattice = c.lattice
    count = len(lattice.levels)
    steps = lattice.channels - lattice.has_mass
    start = np.zeros((c.demand.shape[1], c.phases.count, lattice.channels, count))
    along = min(max(now.usable_l40 / lattice.step, 0.0), count - 1.0)
    low = min(int(along), count - 2)
    level = np.zeros(count)
    level[low], level[low + 1] = 1.0 - (along - low), along - low
    channels = np.zeros(lattice.channels)
    if starts_as_mass(c):
        channels[-1] = 1.0
    else:
        place = 0.0
        if steps > 1:
            place = now.lukewarm_kwh / c.body.kwh_per_l40 / lattice.lukewarm_step
        place = min(max(place, 0.0), steps - 1.0)
        channels[int(place)] = 1.0 - place % 1.0
        channels[min(int(place) + 1, steps - 1)] += place % 1.0
    regime = c.problem.demand.regime_now
    start[:, start_phase(c)] = regime[:, None, None] * channels[:, None] * level
    return start.reshape(start.shape[0], c.phases.count, -1)


def _rates(c: Compiled) -> Floats:
    rates = np.zeros((len(c.hours), len(c.problem.sources)))
    for stage in (c.main, c.extra):
        if stage is not None:
            rates[:, stage.place] = np.where(stage.runs, stage.heat / c.hours, 0.0)
    return rates


def _until_treated(done: Solution, todo: Solution | None, path: Path) -> Solution:
    """The costs to go that hold: with the disinfection still to do until it begins."""
    if todo is None or path.treated is None:
        return done
    k = path.treated.slot
    return Solution(
        done.c,
        worth=todo.worth[:k] + done.worth[k:],
        after=todo.after[:k] + done.after[k:],
        off=todo.off[:k] + done.off[k:],
        on=todo.on[:k] + done.on[k:],
        best=todo.best[:k] + done.best[k:],
    )


@dataclass(frozen=True)
class Stocks:
    """Levels to charge up to (``base``) and to start at (``below``), shape (n, r, sources).

    ``cover`` and ``cover_start`` are the same for each share of COVERS that surplus may cover,
    shape (n, r, sources, k), k = 0 where it is not measured.
    """

    base: Floats
    below: Floats
    cover: Floats
    cover_start: Floats


def _stocks(c: Compiled, solution: Solution, path: Path) -> Stocks:
    n, r = c.demand.shape[:2]
    lattice = c.lattice
    levels = lattice.levels
    count = len(levels)
    covers = COVERS if c.problem.surplus_measured else ()
    shape = (n, r, len(c.problem.sources))
    found = Stocks(
        base=np.zeros(shape),
        below=np.zeros(shape),
        cover=np.zeros((*shape, len(covers))),
        cover_start=np.zeros((*shape, len(covers))),
    )
    steps = lattice.channels - lattice.has_mass
    luke = np.zeros(n, np.intp)
    if steps > 1:
        luke = np.clip(np.rint(path.lukewarm[:n] / lattice.lukewarm_step), 0, steps - 1).astype(
            np.intp
        )

    def column(values: list[Floats], phase: int, channel: Index) -> Floats:
        """The costs to go of one phase and one channel in each slot, shape (n, r, u)."""
        firsts = (channel * count).tolist()
        rows = [v[:, phase, at : at + count] for v, at in zip(values, firsts, strict=True)]
        return np.concatenate(rows).reshape(n, r, count)

    off = column(solution.off, 0, luke)  # the main source, and what the second one makes of it
    for stage in (c.main, c.extra):
        if stage is None:
            continue
        is_main = stage is c.main
        coil = stage.source.layout is not Layout.PLATE and lattice.has_mass
        end = np.full(n, lattice.channels - 1) if coil else np.zeros(n, np.intp)
        values = solution.on if is_main else solution.after
        phase = c.phases.last_run if is_main else c.phases.stopped
        then = column(values, phase, end)
        allowed = (stage.runs & (stage.alone.most > 0))[:, None]
        beyond = np.where(levels > stage.top[:, None] + 0.5 * lattice.step, np.inf, 0.0)[:, None, :]
        then += beyond

        def best_level(slope: Floats, then: Floats = then) -> Floats:
            total = then + (slope[:, None] * levels)[:, None, :]
            picked: Floats = levels[total.argmin(axis=2)]
            return picked

        def highest(better: Bools) -> Floats:
            last = count - 1 - np.argmax(better[:, :, ::-1], axis=2)
            return np.where(better.any(axis=2), levels[last], 0.0)

        place = stage.place
        found.base[:, :, place] = np.where(allowed, best_level(stage.alone.high), 0.0)
        if is_main:
            idle, acted = off, column(solution.best, 0, luke)
        else:
            idle, acted = column(solution.after, 0, luke), off
        found.below[:, :, place] = np.where(allowed, highest(acted < idle - 1e-9), 0.0)
        if not covers:
            continue
        start_cost = c.start_cost if is_main and c.phases.count > 1 else 0.0
        # From where it stands now: beside the lukewarm heat there is, or with it as one mass.
        led = then if coil or steps == 1 else column(values, phase, luke) + beyond
        joins = np.rint(luke * coil * lattice.lukewarm_step / lattice.step)
        (led, made), (led_whole, made_whole) = _portions(stage, lattice, led, joins.astype(np.intp))
        worth_a_start = idle - 1e-9 - start_cost
        for k, share in enumerate(covers):
            if stage.source.modulates and k > 1:  # it takes no more than there is
                found.cover[..., place, k] = found.cover[..., place, 1]
                found.cover_start[..., place, k] = found.cover_start[..., place, 1]
                continue
            own = float(share > 0.0) if stage.source.modulates else share
            slope = own * stage.from_surplus + (1.0 - own) * stage.from_grid
            level = np.where(allowed, best_level(slope), 0.0)
            spent = slope[:, None, None]
            best = np.minimum(led + spent * made, led_whole + spent * made_whole)
            start = np.where(allowed, highest(best < worth_a_start), 0.0)
            found.cover[:, :, place, k] = level
            found.cover_start[:, :, place, k] = start
    return found


def _portions(
    stage: Stage, lattice: Lattice, then: Floats, joins: Index
) -> list[tuple[Floats, Floats]]:
    """For parts of a whole run: the worth they lead to from each level, and the litres made.

    ``joins``, shape (n,), is how many levels of lukewarm heat become usable besides.
    """
    n, r, count = then.shape
    places = np.arange(count)
    row = (np.arange(n * r) * count).reshape(n, r, 1)
    found = []
    for part in RUN_PARTS:
        made = np.rint(part * stage.heat / lattice.step)
        to = places + (made.astype(np.intp) + joins)[:, None]
        led = then.take(row + np.minimum(to, count - 1)[:, None, :])
        found.append((led, (made * lattice.step)[:, None, None]))
    return found


def _windows(x: why.Context, *, explain: bool) -> list[Window]:
    """Join runs of a source in consecutive slots to windows, with their reasons.

    What is not worth a start (see ``_waits``) is no window either, unless it runs already.
    """
    groups: list[list[Run]] = []
    for place in range(len(x.c.problem.sources)):
        for run in (r for r in x.path.runs if r.place == place):
            if groups and groups[-1][-1].place == place and groups[-1][-1].slot == run.slot - 1:
                groups[-1].append(run)
            else:
                groups.append([run])
    stages = {s.place: s for s in (x.c.main, x.c.extra) if s is not None}
    least_l40 = litres(START_TENTHS, x.c.problem.store.reference_l40)
    running = x.c.problem.now.running

    def worth_a_start(runs: list[Run]) -> bool:
        stage = stages[runs[0].place]
        if runs[0].slot == 0 and stage.source.name == running:
            return True
        return sum(r.share * float(stage.heat[r.slot]) for r in runs) >= least_l40

    groups = [g for g in groups if worth_a_start(g)]
    n = len(x.c.hours)
    starts = sorted(g[0].slot for g in groups)
    found = []
    ends = sorted(g[-1].slot + 1 for g in groups)
    for runs in groups:
        since = next((s for s in reversed(ends) if s <= runs[0].slot), 0)
        until = next((s for s in starts if s > runs[-1].slot), n)
        reason = why.window_reason(x, runs, since, until) if explain else UNSAID
        found.append(_window(x, runs, reason))
    return sorted(found + _treatment(x), key=lambda w: w.start_s)


def _window(x: why.Context, runs: list[Run], reason: Reason) -> Window:
    c, grid = x.c, x.c.problem.grid
    first, last = runs[0], runs[-1]
    length = grid.end_s - grid.start_s
    begins, ends = int(grid.start_s[first.slot]), int(grid.end_s[last.slot])
    if len(runs) > 1 or first.late:
        begins = int(grid.end_s[first.slot] - first.share * length[first.slot])
    if len(runs) > 1 or not first.late:
        ends = int(grid.start_s[last.slot] + last.share * length[last.slot])
    source = c.problem.sources[first.place]
    if not source.modulates:  # a source that costs nothing to start may pause in between
        begins = max(begins, int(ends - sum(r.share * length[r.slot] for r in runs)))
    kwh = sum(r.kwh for r in runs)
    own = sum(r.surplus_kwh for r in runs)
    return Window(
        start_s=begins,
        end_s=max(ends, begins + 1),
        source=source.name,
        target_l40=last.usable_after,
        target_tenths=_whole_tenths(last.usable_after, c.problem.store.reference_l40),
        electricity_kwh=kwh,
        cost=sum(r.cost for r in runs),
        from_surplus_kwh=own,
        purpose="surplus" if own > 0.5 * kwh else "charge",
        reason=reason,
    )


def _whole_tenths(l40: float, reference_l40: float) -> int:
    """The nearest whole tenth, as a target is set; never above ten."""
    return int(min(max(np.floor(tenths(l40, reference_l40) + 0.5), 0), FULL))


def _treatment(x: why.Context) -> list[Window]:
    """The disinfection's windows: each source for its part, the last one through the hold."""
    c, t = x.c, x.path.treated
    if t is None:
        return []
    found = []
    begins = t.starts_s
    parts = [
        (stage, hours, kwh)
        for stage, hours, kwh in zip((c.main, c.extra), t.hours, t.kwh, strict=True)
        if stage is not None and kwh > 1e-6
    ]
    for k, (stage, hours, kwh) in enumerate(parts):
        ends = t.ends_s if k == len(parts) - 1 else begins + hours * 3600.0
        window = Window(
            start_s=int(begins),
            end_s=int(max(ends, begins + 1)),
            source=stage.source.name,
            target_l40=t.leaves_l40,
            target_tenths=FULL,
            electricity_kwh=kwh,
            cost=t.cost * kwh / max(sum(t.kwh), 1e-9),
            from_surplus_kwh=0.0,
            purpose="disinfection",
            reason=why.treatment_reason(c, t),
        )
        found.append(window)
        begins = ends
    return found


def decide(
    plan: Plan,
    at_s: float,
    usable_l40: float,
    *,
    running: tuple[SourceName, ...] = (),
    unable: tuple[SourceName, ...] = (),
    regime: Floats | None = None,
    surplus_w: float | None = None,
) -> tuple[Order, ...]:
    """What the plan asks for at a moment, with the charge there really is.

    Args:
        plan: the plan in force.
        at_s: the moment, seconds since 1970 UTC.
        usable_l40: usable charge now, litres at 40 degC.
        running: the sources that run now; they go on to the base-stock level, while one that is
            off starts only when it is worth a start.
        unable: the sources that cannot run now; they get no order and leave the surplus to others.
        regime: chance of each demand regime now, shape (r,); None takes what the plan expected.
        surplus_w: PV surplus measured now, with what our own sources take of it, W; None takes
            what the plan expected.

    Returns:
        One order for each source that should run; none outside the plan's horizon.
    """
    slot = plan.grid.slot_at(at_s)
    if slot is None:
        return ()
    chance = plan.regime[slot] if regime is None else regime
    left_w = surplus_w if plan.cover_stock_l40.size else None
    orders = []
    for place, name in enumerate(plan.source_names):
        if name in unable:
            continue
        until = float(chance @ plan.base_stock_l40[slot, :, place])
        start = float(chance @ plan.start_below_l40[slot, :, place])
        on = name in running
        surplus_only = False
        if left_w is not None:
            k = _covered(plan, slot, place, left_w, running=on)
            follows = k > 0 and not np.isnan(plan.least_power_w[place])
            if follows or k != _covered(plan, slot, place, float(plan.surplus_w[slot])):
                until = float(chance @ plan.cover_stock_l40[slot, :, place, k])
                start = float(chance @ plan.cover_start_l40[slot, :, place, k])
            alone = float(chance @ plan.cover_stock_l40[slot, :, place, 0])
            surplus_only = k > 0 and usable_l40 >= alone
        if on:
            if until > 0.0:  # where it may not run it doesn't go on either
                until = max(until, _goes_on(plan, slot, place, at_s=at_s, usable_l40=usable_l40))
            wanted = usable_l40 < until
        else:
            wanted = usable_l40 <= start and usable_l40 < until
            wanted = wanted and (
                surplus_only
                or _begins_s(plan, slot, place, at_s=at_s, usable_l40=usable_l40, until=until)
                <= at_s
            )
        if wanted:
            order = _order(
                plan,
                name,
                until=until,
                at_s=at_s,
                usable_l40=usable_l40,
                surplus_only=surplus_only,
                power_w=left_w if surplus_only else None,
            )
            orders.append(order)
        if not (wanted or on):
            continue
        # The next source is judged by what this one takes and makes meanwhile.
        if left_w is not None:
            left_w = max(left_w - float(plan.electricity_w[slot, place]), 0.0)
        soon_h = max(float(plan.grid.end_s[slot]) - at_s, SOON_S) / 3600.0
        makes = soon_h * float(plan.heat_l40_per_h[slot, place])
        usable_l40 += max(min(makes, until - usable_l40), 0.0)
    return tuple(orders)


def next_start_s(plan: Plan, at_s: float, usable_l40: float) -> float:
    """When a source that is off starts in this slot if the charge stays, s since 1970.

    ``at_s`` when it should have started; infinite when none does. Surplus may start it earlier.
    """
    slot, begins_s = plan.grid.slot_at(at_s), math.inf
    if slot is None:
        return begins_s
    for place in range(len(plan.source_names)):
        until, start = _expected_levels(plan, slot, place)
        if usable_l40 <= start and usable_l40 < until:
            begins_s = min(
                begins_s,
                _begins_s(plan, slot, place, at_s=at_s, usable_l40=usable_l40, until=until),
            )
    return begins_s


def _covered(plan: Plan, slot: int, place: int, surplus_w: float, *, running: bool = False) -> int:
    """How far surplus covers a source, as an index of COVERS.

    A source that can follow surplus takes just what there is, others their whole power; one that
    runs already may lose a little of its cover before it counts as lost.
    """
    least_w = float(plan.least_power_w[place])
    if not np.isnan(least_w):
        return len(COVERS) - 1 if surplus_w >= max(least_w, LEAST_SURPLUS_W) else 0
    share = surplus_w / max(float(plan.electricity_w[slot, place]), 1e-9)
    share += COVER_SLACK_RUNNING if running else COVER_SLACK
    return bisect_right(COVERS, share) - 1


def _begins_s(
    plan: Plan,
    slot: int,
    place: int,
    *,
    at_s: float,
    usable_l40: float,
    until: float,
) -> float:
    """When a start begins: now, later in this slot, or never, as far as this charge goes.

    A few litres are not worth a start, for any source. A run that only begins here and goes on in
    the next slot begins as late as it can. Not once more was drawn than the whole slot was expected
    to take: that may be a bath.
    """
    if usable_l40 > until - litres(START_TENTHS, plan.reference_l40):
        return math.inf
    if slot + 1 >= len(plan.grid):
        return at_s
    least_l40 = float(plan.expected_l40[slot]) - float(plan.expected_use_l40[slot])
    if usable_l40 < least_l40 - litres(DRAWN_TENTHS, plan.reference_l40):
        return at_s
    soon_s = float(plan.grid.end_s[slot + 1])
    if any(w.purpose == "disinfection" and at_s < w.end_s and w.start_s < soon_s
           for w in plan.windows):  # fmt: skip
        return at_s  # it begins with the charge that was planned for it
    later, starts = _expected_levels(plan, slot + 1, place)
    if later <= until + 1.0 or starts < until:
        return at_s
    takes_h = (until - usable_l40) / max(float(plan.heat_l40_per_h[slot, place]), 1e-9)
    return max(float(plan.grid.end_s[slot]) - 3600.0 * takes_h, at_s)


def _goes_on(plan: Plan, slot: int, place: int, *, at_s: float, usable_l40: float) -> float:
    """Up to where a source that runs goes on because it would soon be started again; 0: nowhere.

    A run through several slots reaches the level of one of them a little early now and then. A
    pause would only cost a start, and what rests for its least time misses what comes next.
    """
    end_s = float(plan.grid.end_s[slot])
    if slot + 1 >= len(plan.grid) or end_s - at_s > PAUSE_S:
        return 0.0
    if plan.import_per_kwh[slot + 1] < plan.import_per_kwh[slot]:
        return 0.0
    later, starts = _expected_levels(plan, slot + 1, place)
    return later if usable_l40 <= starts else 0.0


def _expected_levels(plan: Plan, slot: int, place: int) -> tuple[float, float]:
    """Up to which level a source charges in a slot to come, and at which it starts."""
    chance = plan.regime[slot]
    base, below = plan.base_stock_l40[slot, :, place], plan.start_below_l40[slot, :, place]
    return float(chance @ base), float(chance @ below)


def _order(
    plan: Plan,
    name: SourceName,
    *,
    until: float,
    at_s: float,
    usable_l40: float,
    surplus_only: bool,
    power_w: float | None,
) -> Order:
    window = next(
        (
            w
            for w in plan.windows
            if w.source == name
            and w.purpose != "disinfection"
            and w.start_s - NEAR_S <= at_s < w.end_s + NEAR_S
        ),
        None,
    )
    return Order(
        source=name,
        until_l40=until,
        until_tenths=_whole_tenths(until, plan.reference_l40),
        surplus_only=surplus_only,
        purpose="surplus" if surplus_only else (window.purpose if window else "charge"),
        reason=window.reason if window else why.drifted(until, plan.reference_l40, usable_l40),
        power_w=power_w,
    )
