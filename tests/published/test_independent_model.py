"""Our stratified model against a simulator that we did not write (tests/published/independent).

Source: PyPI package ochre-nrel 0.9.2, StratifiedWaterModel, 40 nodes of equal volume in steps
of 15 s. Draws follow the profiles of EN 16147 / Reg. 812/2013 and 10 CFR 430 App. E. Its mixing
is numerical: upwind flow over 40 nodes, less what a step's Courant number takes off it; our one
mixing parameter is fitted to the calibration day alone and then held on all others.
"""

from functools import cache

import numpy as np
import pytest

from tests.published.independent import about, cases
from tests.published.independent.drive import Day, fitted_tanks, run_day

OTHER_DAYS = [
    (role, i, day)
    for role in ("tuning", "final")
    for i, case in enumerate(cases(role))
    for day in range(len(case.days))
]


@cache
def tanks() -> int:
    return fitted_tanks(cases("calibration")[0])


@cache
def ran(role: str, i: int, day: int) -> Day:
    return run_day(cases(role)[i], day, tanks())


def test_the_truth_has_the_layers_it_says() -> None:
    assert about()["nodes"] == 40
    assert all(c.nodes_c.shape[1] == 40 for c in cases("final"))


def test_fitted_mixing_lies_between_its_nodes_and_what_the_courant_number_leaves() -> None:
    # Upwind over n cells at Courant number c acts like n / (1 - c) tanks; draws of 3 to 10 L/min
    # in steps of 15 s over cells of 4.5 L have c = 0.17 to 0.56, so 48 to 90 tanks.
    assert 48 <= tanks() <= 90


@pytest.mark.parametrize(("role", "i", "day"), OTHER_DAYS)
def test_outlet_temperature_where_usable_on_other_days(role: str, i: int, day: int) -> None:
    errors = ran(role, i, day).outlet_error_k
    assert errors.size
    assert np.abs(errors).max() <= 1.5


@pytest.mark.parametrize(("role", "i", "day"), OTHER_DAYS)
def test_litres_delivered_on_other_days(role: str, i: int, day: int) -> None:
    assert abs(ran(role, i, day).delivered_error) <= 0.04


@pytest.mark.parametrize(("role", "i", "day"), OTHER_DAYS)
def test_v40_of_what_is_left_on_other_days(role: str, i: int, day: int) -> None:
    # V40 jumps when a mixed zone crosses 40 degC, so at every moment ours must lie within 4 % of
    # a full cylinder of what the true profile gives when it is 0.3 K colder or warmer.
    assert ran(role, i, day).v40_beyond(0.3).max() <= 0.04


def test_v40_is_within_4_percent_without_that_allowance_too_but_for_one_crossing() -> None:
    worst = {r: float(np.quantile(np.abs(ran(*r).v40_error), 0.95)) for r in OTHER_DAYS}
    beyond = [r for r, error in worst.items() if error > 0.04]
    # on the coil's second final day 120 L stand between 39.8 and 40.2 degC for an hour
    assert beyond == [("final", 1, 1)]
