"""What the service saves on a cylinder simulated by others, beside the same on our own model.

A sample of the savings benchmark (``savings``), lived twice: on our own model, which the service
also plans and estimates with, and on the stratified tank of an independent package
(tests/published/independent/tank.py), which mixes as it will. Draws, weather, prices, plant,
instruments and rules are the same; the bound, which mixes nothing, is the same for both.
"""

from __future__ import annotations

import csv
import os
import time
from dataclasses import asdict, dataclass
from multiprocessing import get_context

from service.settings import HomeSettings
from service.simulation.fitted import build_of
from service.simulation.tank import StrangerTank
from tests.benchmarks import _savings_homes as homes
from tests.benchmarks import savings
from tests.benchmarks.frame import RESULTS, Figure, Result
from tests.published.independent import about_tank, environment, tank_command

# The first of the kept-back households, under the two tariffs that leave something to plan.
HOUSEHOLDS = homes.HABITS_FINAL[:3]
TARIFFS = ("night", "hourly")
CLIMATE = "cold winters"
RULES = ("timer", "thermostat")
OWN, THEIRS = "own model", "independent tank"
TELLING_PERCENT = 5.0  # the ratio of two smaller savings is noise


@dataclass(frozen=True)
class Task:
    """One home to live by one strategy on one cylinder."""

    case: homes.Case
    strategy: str
    tank: str
    long: bool


@dataclass(frozen=True)
class Lived:
    """What came of it, and how long it took."""

    task: Task
    row: savings.Row
    took_s: float


def independent_tank(settings: HomeSettings) -> StrangerTank:
    """The home's cylinder as the independent package has it."""
    return StrangerTank(tank_command(), build_of(settings))


def live(task: Task) -> Lived:
    """Live it."""
    began = time.perf_counter()
    tank_of = independent_tank if task.tank == THEIRS else None
    row = savings.live(task.case, task.strategy, long=task.long, tank_of=tank_of)
    return Lived(task, row, time.perf_counter() - began)


def run(*, long: bool = False) -> Result:
    """Three kept-back households, two tariffs, every strategy on both cylinders."""
    environment()  # made once, before several want it
    cases = [homes.Case(h, t, CLIMATE) for h in HOUSEHOLDS for t in TARIFFS]
    strategies = (savings.OURS, *RULES, savings.BOUND)
    tasks = [Task(c, s, tank, long) for c in cases for s in strategies for tank in (OWN, THEIRS)]
    lived = []
    with get_context("spawn").Pool(int(os.environ.get("LADLE_CORES", os.cpu_count() or 1))) as pool:
        for done in pool.imap_unordered(live, tasks):
            lived.append(done)
            print(f"{len(lived)}/{len(tasks)} {done.task.tank}: {done.row}", flush=True)
    lived.sort(key=lambda x: tasks.index(x.task))
    _keep(lived)
    of = {(x.task.case, x.task.strategy, x.task.tank): x.row for x in lived}
    figures = []
    for tariff in TARIFFS:
        some = [c for c in cases if c.tariff == tariff]
        for rule in RULES:
            saved = {}
            for tank in (THEIRS, OWN):
                ours, ruled = (sum(of[c, s, tank].cost for c in some) for s in (savings.OURS, rule))
                saved[tank] = 100 * (1 - ours / ruled)
                name = f"{tariff}: cost saved against the {rule}, {tank}"
                figures.append(Figure(name, saved[tank], "%"))
            if saved[OWN] >= TELLING_PERCENT:
                name = f"{tariff}: saved against the {rule}, {THEIRS} to {OWN}"
                figures.append(Figure(name, saved[THEIRS] / saved[OWN], "times"))
    for strategy in strategies[:-1]:
        kwh = {tank: sum(of[c, strategy, tank].kwh for c in cases) for tank in (THEIRS, OWN)}
        name = f"{strategy}: electricity, {THEIRS} to {OWN}"
        figures.append(Figure(name, kwh[THEIRS] / kwh[OWN], "times"))
    for tank in (THEIRS, OWN):
        figures += savings.summary([x.row for x in lived if x.task.tank == tank], f"{tank}: ")
    stretches = savings.stretches(long=long)
    days = len(cases) * sum(x.until - x.begin for x in stretches) / homes.DAY_S
    by_ours = [x for x in lived if x.task.strategy == savings.OURS]
    spent = {t: sum(x.took_s for x in by_ours if x.task.tank == t) for t in (THEIRS, OWN)}
    figures.append(Figure(f"ours: time a lived day, {THEIRS}", spent[THEIRS] / days, "s"))
    figures.append(Figure(f"ours: time, {THEIRS} to {OWN}", spent[THEIRS] / spent[OWN], "times"))
    return Result(
        "the same service, timer and thermostat on our own model of the cylinder, and the "
        "perfect-foresight bound",
        tuple(figures),
        (
            "the independent tank's mixing is numerical: upwind flow over its nodes",
            "it counts 1.1619 Wh/(L K), 1.5 % more than a litre at 55 degC holds; the bound does "
            "not",
            f"savings are set in ratio where our own model shows {TELLING_PERCENT:g} % or more",
            "every home, strategy, cylinder and figure: savings_independent.csv",
        ),
        {
            "households": list(HOUSEHOLDS),
            "tariffs": list(TARIFFS),
            "climate": CLIMATE,
            "measured days": sum(x.until - x.since for x in stretches) / homes.DAY_S,
            "independent tank": about_tank(),
        },
    )


def _keep(lived: list[Lived]) -> None:
    """Write every row beside the result."""
    RESULTS.mkdir(exist_ok=True)
    with (RESULTS / "savings_independent.csv").open("w", newline="") as file:
        writer = csv.writer(file)
        for i, x in enumerate(lived):
            row = {"cylinder": x.task.tank, **asdict(x.row)}
            if i == 0:
                writer.writerow(row)
            writer.writerow([round(v, 3) if isinstance(v, float) else v for v in row.values()])
