"""Under known use the plan costs what a mixed-integer programme solved by HiGHS costs.

HiGHS is called through scipy.optimize.milp; the programme is in scheduling_milp. A few cases run
here; ``python -m tests.benchmarks planning --long`` runs 200 of each kind.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from service.scheduling.lattice import Fineness
from tests.published import scheduling_cases as cases
from tests.published.scheduling_milp import least_cost


@pytest.mark.parametrize("seed", range(14))
def test_plate_with_whole_levels_is_exact(seed: int) -> None:
    problem, case, fineness = cases.plate(seed, on_grid=True)
    assert cases.plan_cost(problem, case, fineness) == pytest.approx(least_cost(case), abs=1e-7)


@pytest.mark.parametrize("seed", [3, 4, 6, 7, 9, 10])
def test_coil_and_immersion_with_whole_levels_are_exact(seed: int) -> None:
    problem, case, fineness = cases.coil(seed, on_grid=True)
    assert cases.plan_cost(problem, case, fineness) == pytest.approx(least_cost(case), abs=1e-6)


def test_off_the_grid_it_is_within_a_level_and_converges() -> None:
    """Levels of 3 L, 1.5 L and 0.75 L: the distance to the programme halves with them."""
    apart: dict[int, list[float]] = {101: [], 201: [], 401: []}
    for seed in range(8):
        problem, case, fineness = cases.plate(seed, on_grid=False)
        exact = least_cost(case)
        dearest = max(
            case.shortage,
            float(case.cost.max()),
            0.0 if case.second_cost is None else float(case.second_cost.max()),
        )
        portions = fineness.portions or 1
        for levels, found in apart.items():
            finer = Fineness(portions=portions * 2 * (levels - 1) // 100)
            cost = cases.plan_cost(replace(problem, levels=levels), case, finer)
            assert abs(cost - exact) <= dearest * cases.FULL_L40 / (levels - 1)
            found.append(abs(cost - exact))
    assert np.mean(apart[201]) < 0.65 * np.mean(apart[101])
    assert np.mean(apart[401]) < 0.65 * np.mean(apart[201])


def test_a_wrong_start_cost_would_be_noticed() -> None:
    """The comparison is sharp: half a start more, and it fails."""
    problem, case, fineness = cases.plate(1, on_grid=True)
    assert case.start_cost > 0
    dearer = replace(case, start_cost=1.5 * case.start_cost)
    assert abs(cases.plan_cost(problem, case, fineness) - least_cost(dearer)) > 1e-4
