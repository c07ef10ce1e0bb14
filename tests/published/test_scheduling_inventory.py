"""The plan as an inventory problem: what the textbooks say about it, reproduced.

Arrow, Harris, Marschak, Optimal Inventory Policy, Econometrica 19, 1951, 250: without a set-up
cost stock up to the critical ratio's quantile (the newsvendor). Scarf, The Optimality of (S, s)
Policies in the Dynamic Inventory Problem, 1960: with one, order up to S when the stock has fallen
to s, else nothing. Porteus, Foundations of Stochastic Inventory Theory, 2002, ch. 1 and 4, has
both in today's terms.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from forecasting.types import DemandForecast
from service.scheduling import plan, solve
from service.scheduling.lattice import Fineness, compile_problem
from service.scheduling.types import Now, Problem
from tests.published import scheduling_cases as cases
from tests.published.scheduling_milp import least_cost

STEP = cases.FULL_L40 / 100


def uncertain(pmf: np.ndarray, volumes: np.ndarray) -> DemandForecast:
    """Use with a distribution of its own in every slot, shape (n, k)."""
    known = cases.known_use(np.zeros(len(pmf)), 1800)
    return replace(
        known,
        volumes_l40=volumes,
        pmf=pmf[:, None, :],
        expected_l40=pmf @ volumes,
    )


def two_slots(pmf: np.ndarray, volumes: np.ndarray, start_cost: float, shortage: float) -> Problem:
    """Nothing is drawn in the first slot, which can fill the store; all in the second.

    Heat costs 0.3 a kWh at a COP of 3 in the first slot and far too much in the second.
    """
    nothing = np.zeros(len(volumes))
    nothing[0] = 1.0
    source = cases.heat_pump(2, heat_l40=cases.FULL_L40, cop=3.0, start_cost=start_cost)
    return cases.problem(
        uncertain(np.stack([nothing, pmf]), volumes),
        (source,),
        imports=np.array([0.3, 50.0]),
        shortage=shortage,
    )


def worth_of_levels(problem: Problem) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Levels; what stands at the first slot's end before heating and after it, per level."""
    c = compile_problem(problem, Fineness(portions=100))
    nothing_left = np.zeros((1, c.phases.count, len(c.lattice.usable)))
    found = solve.solve(c, nothing_left)
    return c.lattice.levels, found.best[0][0, 0], found.off[0][0, 0]


@pytest.mark.parametrize("shortage", [0.005, 0.02, 0.1, 1.0])
def test_one_period_reproduces_the_newsvendor(shortage: float) -> None:
    """Charge up to the smallest level with P(use <= level) >= (p - c) / p."""
    rng = np.random.default_rng(3)
    volumes = np.arange(0.0, 241.0, STEP)
    pmf = rng.dirichlet(np.ones(len(volumes)))
    problem = two_slots(pmf, volumes, 0.0, shortage)
    levels, acted, idle = worth_of_levels(problem)
    cost = 0.3 / 3.0 * cases.kwh_exact()
    ratio = (shortage - cost) / shortage
    quantile = volumes[np.searchsorted(np.cumsum(pmf), ratio)] if ratio > 0 else 0.0
    below = levels < quantile - 0.5 * STEP
    assert np.all(acted[below] < idle[below])  # below it every level is charged
    assert np.allclose(acted[~below], idle[~below])  # from it on none is
    made = plan.make(problem, left_per_l40=0.0)
    assert made.base_stock_l40[0, 0, 0] == pytest.approx(quantile, abs=1e-6)


def test_a_start_cost_makes_an_s_S_rule() -> None:  # noqa: N802
    """S is the newsvendor's quantile; s is where waiting costs as much as a start saves."""
    rng = np.random.default_rng(5)
    volumes = np.arange(0.0, 241.0, STEP)
    pmf = rng.dirichlet(np.ones(len(volumes)))
    start_cost, shortage = 0.15, 0.05
    cost = 0.3 / 3.0 * cases.kwh_exact()
    levels = np.linspace(0.0, cases.FULL_L40, 101)
    # G(y) = c y + p E[(use - y)+], by the definition.
    short = np.maximum(volumes - levels[:, None], 0.0) @ pmf
    total = cost * levels + shortage * short
    best = int(total.argmin())
    reorder = np.flatnonzero(total[:best] > total[best] + start_cost)
    small_s = levels[reorder[-1]]
    assert 0 < small_s < levels[best]
    made = plan.make(
        two_slots(pmf, volumes, start_cost, shortage),
        left_per_l40=0.0,
        fineness=Fineness(portions=100),
    )
    assert made.base_stock_l40[0, 0, 0] == pytest.approx(levels[best], abs=1e-6)
    assert made.start_below_l40[0, 0, 0] == pytest.approx(small_s, abs=1e-6)
    # And the rule is carried out: at s it starts, a level above it does not, once on it goes on.
    at = float(made.grid.start_s[0])
    assert plan.decide(made, at, small_s)[0].until_l40 == pytest.approx(levels[best])
    assert plan.decide(made, at, small_s + STEP) == ()
    assert plan.decide(made, at, small_s + STEP, running=("heat_pump",))
    assert plan.decide(made, at, levels[best], running=("heat_pump",)) == ()


def test_no_plan_beats_perfect_foresight() -> None:
    """Over every way the household may draw, knowing it beforehand is at least as cheap.

    And the plan's own expectation is what its decisions cost: the tree of all scenarios, solved
    one by one by HiGHS, bounds it from below and comes near when little is uncertain.
    """
    for seed in range(4):
        problem, case, fineness = cases.plate(seed, on_grid=True)
        n = len(case.d)
        volumes = np.arange(0.0, 121.0, 10 * STEP)
        pmf = np.zeros((n, len(volumes)))
        pmf[:, 0] = 1.0
        open_slots = [n // 3, n // 2, n - 2]
        for slot in open_slots:
            pmf[slot, [1, 4]] = 0.7, 0.3
            pmf[slot, 0] = 0.0
        stochastic = replace(problem, demand=uncertain(pmf, volumes))
        expected = cases.plan_cost(stochastic, case, fineness)
        foresight = 0.0
        for drawn in product([1, 4], repeat=len(open_slots)):
            d = np.zeros(n)
            d[open_slots] = volumes[list(drawn)]
            chance = np.prod([0.7 if k == 1 else 0.3 for k in drawn])
            foresight += chance * least_cost(replace(case, d=d))
        assert expected >= foresight - 1e-9
        assert expected - foresight < 0.5 * (1.0 + abs(foresight))


def test_what_the_plan_expects_is_what_happens() -> None:
    """Following the solution forward costs what the solution says, on average over all draws."""
    for seed in (0, 2, 3, 5, 8):
        problem, _, _ = cases.plate(seed, on_grid=False)
        rng = np.random.default_rng(seed)
        volumes = np.arange(0.0, 151.0, 5.0)
        pmf = rng.dirichlet(np.full(len(volumes), 0.1), len(problem.grid))
        stochastic = replace(
            problem, demand=uncertain(pmf, volumes), now=Now(100.0, 0.0), limits=problem.limits
        )
        c = compile_problem(stochastic)
        nothing_left = np.zeros((1, c.phases.count, len(c.lattice.usable)))
        found = solve.solve(c, nothing_left)
        start = plan.start_chance(c)
        ahead = plan.outlook(c, found, start, negligible=0.0)
        money = ahead.cost.sum() + stochastic.shortage_price_per_l40 * ahead.unmet_l40.sum()
        told = float((start * found.worth[0]).sum())
        assert money == pytest.approx(told, rel=1e-6, abs=1e-6)
        assert np.allclose(ahead.level_chance.sum(axis=1), 1.0, atol=1e-6)
