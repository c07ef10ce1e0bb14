"""Simulated days per second of our cylinder against an independent simulator as accurate."""

from __future__ import annotations

import json

import numpy as np

from service.cylinder import model
from tests.benchmarks.frame import Figure, Result, at_least, at_most, seconds
from tests.published.independent import Case, cases, simulate
from tests.published.independent.drive import DAY, fitted_tanks, run_day, steps, tank


def run() -> Result:
    """The final days in as few steps as their inputs allow, against the package's own steps."""
    tanks = fitted_tanks(cases("calibration")[0])
    final = [(case, day) for case in cases("final") for day in range(len(case.days))]
    compared = [run_day(case, day, tanks) for case, day in final]
    outlet_k = max(float(np.abs(day.outlet_error_k).max()) for day in compared)
    v40 = max(float(day.v40_beyond(0.3).max()) for day in compared)
    delivered = max(abs(day.delivered_error) for day in compared)
    our_days_per_s = len(final) / seconds(lambda: [advance(c, d, tanks) for c, d in final], 3)
    count = sum(1 for case, day in final for _ in steps(case, day)) / len(final)
    theirs = {
        (row["nodes"], row["step_s"]): row["days_per_s"]
        for row in map(json.loads, simulate("--time").splitlines())
    }
    figures = [
        at_least("days per second against theirs", our_days_per_s / theirs[40, 15], 50, "times"),
        Figure("the same, theirs in steps of 60 s", our_days_per_s / theirs[40, 60], "times"),
        Figure("the same, theirs with 12 nodes, 60 s", our_days_per_s / theirs[12, 60], "times"),
        Figure("ours", our_days_per_s, "days/s"),
        Figure("theirs, 40 nodes in steps of 15 s", theirs[40, 15], "days/s"),
        Figure("our steps for a day of minute data", count),
        at_most("worst outlet temperature where usable", outlet_k, 1.5, "K"),
        at_most("worst litres delivered in a day", 100 * delivered, 4, "%"),
        at_most("worst V40 beyond 0.3 K, of a full cylinder", 100 * v40, 4, "%"),
    ]
    return Result(
        "ochre-nrel 0.9.2, StratifiedWaterModel with 40 nodes, in an environment of its own",
        tuple(figures),
        (
            f"our mixing: {tanks} tanks in series, fitted to the calibration day",
            "our drive changes every minute in charges and draws, as their data does",
        ),
        {"cases": sorted({case.name for case, _ in final}), "days": len(final)},
    )


def advance(case: Case, day: int, tanks: int) -> None:
    """One day of our model, only advanced."""
    cylinder = tank(case, tanks)
    state = model.start(cylinder, case.nodes_c[max(day * DAY - 1, 0)])
    for _, minutes, drive in steps(case, day):
        state, _ = model.advance(cylinder, state, drive, 60.0 * minutes)
