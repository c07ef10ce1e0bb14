"""Random planning cases, each as a Problem and as a mixed-integer programme's Case."""

from __future__ import annotations

import numpy as np

from forecasting.types import DemandForecast, SlotGrid
from service.scheduling import path, solve
from service.scheduling.lattice import Compiled, Fineness, compile_problem
from service.scheduling.types import Layout, Limits, Now, Prices, Problem, Source, Store
from tests.published.scheduling_milp import Case

COLD_C, USE_C, SET_C, AMBIENT_C = 10.0, 40.0, 55.0, 20.0
VOLUME_L, FULL_L40 = 200.0, 300.0
EMPTY, NO_LIMITS = Now(0.0, 0.0), Limits()
T0_S = 1_767_225_600


def known_use(d: np.ndarray, slot_s: int) -> DemandForecast:
    """A forecast that is certain of ``d`` litres at 40 degC in each slot."""
    n = len(d)
    volumes = np.unique(np.append(0.0, d))
    pmf = (volumes == d[:, None]).astype(float)[:, None, :]
    starts = T0_S + slot_s * np.arange(n, dtype=np.int64)
    return DemandForecast(
        grid=SlotGrid(starts, starts + slot_s),
        volumes_l40=volumes,
        pmf=pmf,
        regime_now=np.ones(1),
        transition=np.ones((n, 1, 1)),
        expected_l40=d,
        expected_kwh=d * 0.0349,
        learned_weight=1.0,
        made_at_s=T0_S,
    )


def kwh_per_l40() -> float:
    """Heat in a litre at 40 degC above 10 degC: IAPWS-95 by CoolProp, 34.589 Wh hot-counted."""
    return 0.034589


def heat_pump(
    n: int, *, heat_l40: float = 70.0, cop: float = 3.0, start_cost: float = 0.0, slot_s: int = 1800
) -> Source:
    """A heat pump on a plate heat exchanger that makes ``heat_l40`` litres in a slot."""
    heat_w = np.full(n, heat_l40 * kwh_exact() * 1000 * 3600 / slot_s)
    hot, on = np.full(n, SET_C), np.ones(n, bool)
    return Source("heat_pump", Layout.PLATE, heat_w, heat_w / cop, hot, on, start_cost=start_cost)


def problem(
    demand: DemandForecast,
    sources: tuple[Source, ...],
    *,
    imports: np.ndarray,
    surplus_w: np.ndarray | None = None,
    export: float = 0.05,
    shortage: float = 0.1,
    loss_w_per_k: float = 0.0,
    now: Now = EMPTY,
    limits: Limits = NO_LIMITS,
    levels: int = 101,
) -> Problem:
    """A store of 200 L at 55 degC with a 10 degC inlet."""
    n = len(demand.grid)
    return Problem(
        grid=demand.grid,
        demand=demand,
        prices=Prices(
            imports,
            np.full(n, export),
            np.zeros(n) if surplus_w is None else surplus_w,
            np.zeros(n, bool),
            note="bands",
        ),
        sources=sources,
        store=Store(FULL_L40, FULL_L40, VOLUME_L, SET_C, USE_C, COLD_C, AMBIENT_C, loss_w_per_k),
        now=now,
        limits=limits,
        shortage_price_per_l40=shortage,
        levels=levels,
    )


def plate(
    seed: int,
    *,
    on_grid: bool,
    levels: int = 101,
    slots: int | None = None,
    two_sources: bool | None = None,
) -> tuple[Problem, Case, Fineness]:
    """A store with a plate heat exchanger and, in some cases, a second source like it.

    On the grid everything is a whole number of levels and nothing is lost, so that the plan can
    be exact; off the grid nothing is rounded.
    """
    rng = np.random.default_rng([seed, int(on_grid)])
    n, slot_s = int(rng.integers(10, 25)), 1800
    n = slots or n
    step = FULL_L40 / (levels - 1)
    portions = int(rng.integers(4, 9))

    def litres(low: float, high: float, size: int | None = None) -> np.ndarray:
        raw = rng.uniform(low, high, size)
        return np.rint(raw / step) * step if on_grid else np.asarray(raw)

    d = litres(0, 70, n) * (rng.random(n) < 0.5)
    heat = np.full(n, portions * step if on_grid else float(rng.uniform(40, 90)))
    two = bool(rng.random() < 0.5)
    two = two if two_sources is None else two_sources
    second_heat = np.full(n, portions * step if on_grid else float(rng.uniform(20, 60)))
    cop = rng.uniform(2.0, 4.0)
    start_cost = float(rng.choice([0.0, 0.02, 0.1]))
    least = int(rng.integers(0, portions + 1)) if start_cost > 0 else 0
    imports = rng.choice([-0.05, 0.1, 0.2, 0.3, 0.45], n)
    exports = np.full(n, 0.05)
    surplus = rng.uniform(0, 3000, n) * (rng.random(n) < 0.3)
    shortage = float(rng.choice([0.02, 0.1, 0.5]))
    loss_w_per_k = 0.0 if on_grid else float(rng.uniform(0.5, 3.0))
    start_level = float(litres(0, 200))
    demand = known_use(d, slot_s)
    on = np.ones(n, bool)
    hours = slot_s / 3600
    heat_w = heat * kwh_exact() * 1000 / hours
    second_w = second_heat * kwh_exact() * 1000 / hours
    hot = np.full(n, SET_C)
    sources = [
        Source(
            "heat_pump",
            Layout.PLATE,
            heat_w,
            heat_w / cop,
            hot,
            on,
            start_cost=start_cost,
            min_run_s=least / portions * slot_s,
        )
    ]
    if two:
        # An in-line heater: a second source that lays hot water on top as well.
        sources.append(Source("immersion", Layout.PLATE, second_w, second_w, hot, on))
    problem = Problem(
        grid=demand.grid,
        demand=demand,
        prices=Prices(imports, exports, surplus, np.zeros(n, bool)),
        sources=tuple(sources),
        store=Store(FULL_L40, FULL_L40, VOLUME_L, SET_C, USE_C, COLD_C, AMBIENT_C, loss_w_per_k),
        now=Now(start_level, 0.0),
        limits=Limits(),
        shortage_price_per_l40=shortage,
        levels=levels,
    )

    def price(power_w: np.ndarray, left_w: np.ndarray, per_l40: float) -> np.ndarray:
        own = np.minimum(left_w / power_w, 1.0)
        return per_l40 * (own * exports + (1 - own) * imports)

    # The surplus goes to one source only, so that the programme needs no product of choices.
    case = Case(
        d=d,
        start_level=start_level,
        top=FULL_L40,
        keep=float(
            np.exp(-loss_w_per_k * (SET_C - AMBIENT_C) * hours / (FULL_L40 * kwh_exact() * 1000))
        ),
        shortage=shortage,
        worth=float(rng.choice([0.0, 0.003, 0.01])),
        heat=heat,
        cost=price(heat_w / cop, surplus, kwh_exact() / cop),
        start_cost=start_cost,
        least_share=least / portions,
        second_heat=second_heat if two else None,
        second_cost=price(second_w, np.zeros(n), kwh_exact()) if two else None,
    )
    if two:
        problem.prices.surplus_w[:] = 0.0
        case.cost = price(heat_w / cop, np.zeros(n), kwh_exact() / cop)
    return problem, case, Fineness(portions=portions)


def coil(seed: int, *, on_grid: bool, levels: int = 101) -> tuple[Problem, Case, Fineness]:
    """A store with a coil or an immersion heater, which heat all above their foot together."""
    rng = np.random.default_rng([seed, int(on_grid), 7])
    n, slot_s = int(rng.integers(8, 14)), 1800
    foot = float(rng.choice([0.0, 0.1, 0.3]))
    margin_c = 42.0  # a mass counts as usable from two degrees above the use temperature
    zone = VOLUME_L * (1 - foot) * (margin_c - COLD_C) / 30.0
    top = FULL_L40 * (1 - foot)
    steps = 5
    lukewarm_step = zone / (steps - 1)
    if on_grid:  # choose the levels so that a lukewarm step is a whole number of them
        per_step = int(rng.integers(12, 20))
        level = lukewarm_step / per_step
        levels = int(np.ceil(FULL_L40 / level)) + 1
        full = (levels - 1) * level
    else:
        level, full = FULL_L40 / (levels - 1), FULL_L40
    scale = full / FULL_L40  # the set temperature that makes ten tenths end on a level
    set_c = COLD_C + (SET_C - COLD_C) * scale
    top = full * (1 - foot)
    if on_grid:
        top = np.floor(top / level) * level
    heat = np.full(n, lukewarm_step * int(rng.integers(1, 3)) if on_grid else rng.uniform(35, 90))
    raw = rng.uniform(0, 80, n)
    d = (np.rint(raw / level) * level if on_grid else raw) * (rng.random(n) < 0.5)
    start_level = float(rng.integers(0, 30)) * level if on_grid else float(rng.uniform(0, 100))
    lukewarm = lukewarm_step * int(rng.integers(0, 2)) if on_grid else float(rng.uniform(0, 50))
    lukewarm = min(lukewarm, max(zone - start_level, 0.0) // lukewarm_step * lukewarm_step)
    start_cost = float(rng.choice([0.0, 0.02, 0.1]))
    cop = rng.uniform(2.0, 4.0)
    imports = rng.choice([0.1, 0.2, 0.3, 0.45], n)
    shortage = float(rng.choice([0.02, 0.1, 0.5]))
    demand = known_use(d, slot_s)
    heat_w = heat * kwh_exact() * 1000 * 3600 / slot_s
    problem = Problem(
        grid=demand.grid,
        demand=demand,
        prices=Prices(imports, np.zeros(n), np.zeros(n), np.zeros(n, bool)),
        sources=(
            Source(
                "heat_pump" if seed % 2 else "immersion",
                Layout.COIL if seed % 2 else Layout.IMMERSION,
                heat_w,
                heat_w / cop,
                np.full(n, set_c),
                np.ones(n, bool),
                start_cost=start_cost,
                heats_from=foot,
            ),
        ),
        store=Store(FULL_L40, full, VOLUME_L, set_c, USE_C, COLD_C, AMBIENT_C, 0.0),
        now=Now(start_level, lukewarm * kwh_exact()),
        limits=Limits(highest_l40=top),
        shortage_price_per_l40=shortage,
        levels=levels,
    )
    case = Case(
        d=d,
        start_level=start_level,
        top=top,
        keep=1.0,
        shortage=shortage,
        worth=float(rng.choice([0.0, 0.003, 0.01])),
        heat=heat,
        cost=imports * kwh_exact() / cop,
        start_cost=start_cost,
        coil=True,
        zone=zone,
        slope=VOLUME_L / full * (margin_c - COLD_C) / 30.0,
        lukewarm=lukewarm,
        small_draw=np.ceil(0.03 * VOLUME_L / level) * level,
        whole_slots=on_grid,
    )
    return problem, case, Fineness(lukewarm_steps=steps, portions=1)


def kwh_exact() -> float:
    """The product's own figure, so that whole levels stay whole; see ``kwh_per_l40``."""
    from service.cylinder.water import heat_kwh

    found = float(heat_kwh(1.0, 40.0, COLD_C, 40.0))
    assert abs(found / kwh_per_l40() - 1) < 5e-4
    return found


def solved(problem: Problem, case: Case, fineness: Fineness) -> tuple[Compiled, solve.Solution]:
    """The dynamic programme with a worth of so much per litre left at the end."""
    c = compile_problem(problem, fineness)
    left = -case.worth * c.lattice.usable
    terminal = np.broadcast_to(left, (1, c.phases.count, len(left))).copy()
    return c, solve.solve(c, terminal)


def plan_cost(problem: Problem, case: Case, fineness: Fineness) -> float:
    """What the plan expects to cost from now on."""
    c, solution = solved(problem, case, fineness)
    now = problem.now
    at = path.worth_at(
        c,
        solution.worth[0][0, path.start_phase(c)],
        np.array([now.usable_l40]),
        np.array([now.lukewarm_kwh / c.body.kwh_per_l40]),
        np.array([False]),
    )
    return float(at[0])
