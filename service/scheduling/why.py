"""Find the reasons of a plan and of its windows, as codes and facts; ``reasons`` lists them all.

A window's facts answer three questions. Why this much: the use it covers, the chance of running
short with it and without it, whether the store is full. Why then: its price, and the next best
time with that one's price. What would change it: the charge above which it is not needed before
the next window, and the price below which the next best time would be the cheaper one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecasting.types import Floats
from service.cylinder.tenths import FULL, tenths
from service.scheduling import store as stores
from service.scheduling.lattice import Compiled, Stage
from service.scheduling.outlook import Outlook
from service.scheduling.path import Path, Run, Treated
from service.scheduling.solve import Solution
from service.scheduling.types import Reason, Window

Fact = float | int | str | None

USE_WINDOW_H = 3.0
LOOK_AHEAD_H = 18.0
LITTLE_L40 = 10.0
TIGHT, LIKELY = 0.10, 0.35  # chance of running short
SAME_PRICE = 0.02  # prices closer than this share count as equal
EARLIER = 0.10  # and earlier ones, which lose heat by waiting, closer than this


@dataclass(frozen=True)
class Context:
    """What the reasons of one plan share.

    ``solution`` holds the actions in force, ``belief`` (n, r) the regimes' chances.
    """

    c: Compiled
    solution: Solution
    path: Path
    belief: Floats


def plan_reason(x: Context, ahead: Outlook, windows: list[Window]) -> Reason:
    """What matters next, for the lead sentence."""
    c, grid = x.c, x.c.problem.grid
    use = c.problem.demand.expected_l40
    clock = (grid.end_s - grid.start_s[0]) / 3600.0
    soon = int(np.searchsorted(clock, LOOK_AHEAD_H)) + 1
    total = np.append(0.0, np.cumsum(use))
    ends = np.searchsorted(clock, np.append(0.0, clock)[: len(use)] + USE_WINDOW_H - 1e-9) + 1
    ends = np.minimum(ends, len(use))
    sums = (total[ends] - total[: len(use)])[:soon]
    first = int(np.flatnonzero(sums >= 0.75 * sums.max())[0])
    last = int(ends[first]) - 1
    while first < last and use[first] < 0.25 * use[first : last + 1].max():
        first += 1
    while last > first and use[last] < 0.1 * use[first : last + 1].max():
        last -= 1
    short = 1.0 - float(np.prod(1.0 - np.clip(ahead.short_chance[first : last + 1], 0.0, 1.0)))
    spare = float(max(x.path.usable[first + 1 : last + 2].min(), 0.0))
    coming = next((w for w in windows if w.purpose != "disinfection"), None)
    estimated = np.flatnonzero(c.problem.prices.estimated)
    facts: dict[str, Fact] = {
        "use_from_s": int(grid.start_s[first]),
        "use_until_s": int(grid.end_s[last]),
        "use_l40": round(float(use[first : last + 1].sum()), 1),
        "spare_l40": round(spare, 1),
        "short_chance": round(short, 4),
        "next_start_s": None if coming is None else coming.start_s,
        "next_end_s": None if coming is None else coming.end_s,
        "next_source": None if coming is None else coming.source,
        "next_tenths": None if coming is None else coming.target_tenths,
        "price_note": c.problem.prices.note or None,
        "estimated_from_s": int(grid.start_s[estimated[0]]) if len(estimated) else None,
    }
    if not c.problem.sources:
        code = "no_source"
    elif facts["use_l40"] is None or sums[: first + 1].max() < LITTLE_L40:
        code = "little_use"
    else:
        code = "enough" if short < TIGHT else "tight" if short < LIKELY else "short_likely"
    return Reason(code, facts)


def window_reason(x: Context, runs: list[Run], since: int, until: int) -> Reason:
    """Why this much, why then, and what would change it.

    ``since`` is the slot after the window before, ``until`` the first of the one after.
    """
    c, grid = x.c, x.c.problem.grid
    first, last = runs[0].slot, runs[-1].slot
    stage = stage_at(c, runs[0].place)
    kwh, cost = sum(r.kwh for r in runs), sum(r.cost for r in runs)
    heat = kwh / max(float(stage.kwh_per_l40[first]), 1e-9)
    each = cost / max(heat, 1e-9)
    own = sum(r.surplus_kwh for r in runs)
    slots = slice(first, last + 1)
    other = _next_best(c, stage, first=first, last=last, since=since, until=until)
    without = _short_until(x, float(x.path.usable[first]), first, until)
    target = runs[-1].usable_after
    top = stores.charge_c(stage.source, c.problem.store)[last]
    full = stores.full_l40(c.problem.store, float(top), 1.0 - stores.foot(stage.source))
    reference = c.problem.store.reference_l40
    skip = _skips_above(x, first, until)
    facts: dict[str, Fact] = {
        "source": stage.source.name,
        "target_tenths": min(round(tenths(target, reference)), FULL),
        "target_l40": round(target, 1),
        "full": int(target >= float(full) - c.lattice.step),
        "use_l40": round(float(c.problem.demand.expected_l40[last + 1 : until].sum()), 1),
        "use_until_s": int(grid.end_s[min(until, len(grid)) - 1]),
        "short_without": round(without, 4),
        "short_with": round(_short_until(x, target, last + 1, until), 4),
        "price_per_kwh": round(cost / max(kwh, 1e-9), 5),
        "cost_per_100_l40": round(100.0 * each, 4),
        "electricity_kwh": round(kwh, 3),
        "surplus_kwh": round(own, 3),
        "other_start_s": None if other is None else int(grid.start_s[other]),
        "other_price_per_kwh": None,
        "other_wins_below_per_kwh": None,
        "skip_above_tenths": round(tenths(skip, reference), 1)
        if 0.0 < skip < float(full) - c.lattice.step
        else None,
        "price_estimated": int(bool(c.problem.prices.estimated[slots].any())),
        "asked_by": _asked_by(x, stage, runs, until),
    }
    if other is not None:
        per_l40 = float(stage.kwh_per_l40[other])
        facts["other_price_per_kwh"] = round(float(stage.alone.low[other]) / max(per_l40, 1e-9), 5)
        facts["other_wins_below_per_kwh"] = round(each / max(per_l40, 1e-9), 5)
    return Reason(
        _code(stage, facts, own=own > 0.5 * kwh, each=each, first=first, other=other), facts
    )


def _code(
    stage: Stage,
    facts: dict[str, Fact],
    *,
    own: bool,
    each: float,
    first: int,
    other: int | None,
) -> str:
    price = facts["price_per_kwh"]
    if own:
        return "surplus"
    if isinstance(price, float) and price < 0:
        return "negative_price"
    if facts["asked_by"] is not None:
        return "asked"
    if other is None:
        return "only_time"
    there = float(stage.alone.low[other])
    if there < each - (SAME_PRICE if other > first else EARLIER) * abs(each):
        return "cannot_wait" if other > first else "no_room_before"
    if there > each + SAME_PRICE * abs(each):
        return "cheapest_before_use"
    return "as_late_as_possible"


def treatment_reason(c: Compiled, treated: Treated) -> Reason:
    """Why the disinfection stands where it does."""
    wanted = c.problem.limits.disinfection
    assert wanted is not None
    slots = slice(treated.slot, int(np.searchsorted(c.problem.grid.start_s, treated.ends_s)))
    price = float(c.problem.prices.import_per_kwh[slots].mean())
    late = treated.ends_s > wanted.due_s
    facts: dict[str, Fact] = {
        "due_s": wanted.due_s,
        "ends_s": round(treated.ends_s),
        "set_c": wanted.set_c,
        "hold_s": wanted.hold_s,
        "price_per_kwh": round(price, 5),
        "cost": round(treated.cost, 4),
        "electricity_kwh": round(sum(treated.kwh), 3),
    }
    return Reason("disinfection_late" if late else "disinfection_cheapest", facts)


def drifted(until_l40: float, reference_l40: float, usable_l40: float) -> Reason:
    """Reality left the expected path; the base-stock level decides."""
    facts: dict[str, Fact] = {
        "target_tenths": min(round(tenths(until_l40, reference_l40)), FULL),
        "charge_tenths": round(tenths(usable_l40, reference_l40), 1),
    }
    return Reason("below_base_stock", facts)


def stage_at(c: Compiled, place: int) -> Stage:
    """The source at a place in ``Problem.sources``, as a stage."""
    for stage in (c.main, c.extra):
        if stage is not None and stage.place == place:
            return stage
    raise ValueError(f"there is no source {place}")


def _next_best(
    c: Compiled, stage: Stage, *, first: int, last: int, since: int, until: int
) -> int | None:
    """The cheapest other slot between the neighbouring windows in which the source may run."""
    slots = np.arange(since, min(until, len(c.hours)))
    free = stage.runs[slots] & (stage.alone.most[slots] > 0.0)
    free &= (slots < first) | (slots > last)
    if not free.any():
        return None
    price = np.where(free, stage.alone.low[slots], np.inf)
    # Of equal prices the one nearest to the window.
    near = np.abs(slots - 0.5 * (first + last)) * 1e-9
    return int(slots[np.argmin(price + near)])


def _asked_by(x: Context, stage: Stage, runs: list[Run], until: int) -> str | None:
    """Who asked for the level that this window just reaches, if somebody did.

    The wish may begin after the next window, if the charge stays there until then.
    """
    grid, step = x.c.problem.grid, x.c.lattice.step
    first, last = runs[0].slot, runs[-1].slot
    before, target = float(x.path.usable[first]), runs[-1].usable_after
    over = 0.05 * target + max(2.0 * step, 0.25 * float(stage.heat[last]))
    begins, ends = int(grid.start_s[first]), int(grid.end_s[min(until, len(grid)) - 1])
    for wish in x.c.problem.limits.raises:
        asked = min(int(np.searchsorted(grid.start_s, wish.from_s)), len(grid))
        kept = x.path.usable[last + 1 : asked + 1]
        held = len(kept) > 0 and float(kept.min()) >= wish.usable_l40 - 2.0 * step
        in_time = wish.until_s > begins and (wish.from_s <= ends or held)
        if in_time and before < wish.usable_l40 and -2.0 * step <= target - wish.usable_l40 <= over:
            return wish.why
    return None


def _skips_above(x: Context, first: int, until: int) -> float:
    """Charge at slot ``first`` above which nothing runs in the slots to ``until``.

    By the plan's actions under expected use, litres at 40 degC.
    """
    c, lattice = x.c, x.c.lattice
    count, steps = len(lattice.levels), lattice.channels - lattice.has_mass
    usable = lattice.levels
    lukewarm = np.full(count, x.path.lukewarm[first])
    mass = np.full(count, x.path.mass[first] > 0.0)
    runs = np.zeros(count, bool)
    for slot in range(first, until):
        use = float(c.problem.demand.expected_l40[slot])
        mass = mass & (use <= c.small_draw * lattice.step)
        usable = np.maximum(usable - use, 0.0)
        place = np.rint(usable / lattice.step)
        if steps > 1:
            warm = np.clip(np.rint(lukewarm / lattice.lukewarm_step), 0, steps - 1)
            place += count * np.where(mass, lattice.channels - 1, warm)
        acting = x.solution.acting[slot][:, 0, place.astype(np.intp)]
        runs |= x.belief[slot] @ acting > 0.5
        usable, lukewarm = stores.faded(
            c.body, c.problem.store, usable, lukewarm, mass, float(c.hours[slot])
        )
    return float(lattice.levels[runs].max(initial=0.0))


def _short_until(x: Context, level: float, first: int, until: int) -> float:
    """Chance that use from slot ``first`` to before ``until`` exceeds the level, uncharged.

    What stands meanwhile loses heat.
    """
    c = x.c
    count = len(c.lattice.levels)
    if first >= min(until, len(c.hours)):
        return 0.0
    losses: dict[tuple[float, bool], Floats] = {}
    left = np.zeros((c.demand.shape[1], count))
    along = min(max(level / c.lattice.step, 0.0), count - 1.0)
    low = min(int(along), count - 2)
    left[:, low] = x.belief[first] * (1.0 - (along - low))
    left[:, low + 1] = x.belief[first] * (along - low)
    for slot in range(first, min(until, len(c.hours))):
        use = c.demand[slot]
        left = np.stack(
            [
                np.convolve(row[::-1], p[:count])[:count][::-1]
                for row, p in zip(left, use, strict=True)
            ]
        )
        loss = float(c.hours[slot]), bool(x.path.mass[slot] > 0.0)
        if loss not in losses:
            losses[loss] = _faded(c, *loss)
        left = left @ losses[loss]
        if len(left) > 1:
            left = c.problem.demand.transition[slot].T @ left
    return float(min(max(1.0 - left.sum(), 0.0), 1.0))


def _faded(c: Compiled, hours: float, mass: bool) -> Floats:
    """P(level after a time without use | level before), shape (before, after)."""
    levels = c.lattice.levels
    kept, _ = stores.faded(c.body, c.problem.store, levels, 0.0, mass, hours)
    along = kept / c.lattice.step
    low = np.minimum(along.astype(np.intp), len(levels) - 2)
    moved = np.zeros((len(levels), len(levels)))
    rows = np.arange(len(levels))
    moved[rows, low] = 1.0 - (along - low)
    moved[rows, low + 1] = along - low
    return moved
