"""What the service saves in a year against fixed rules, and how near it comes to foresight.

Every home is lived through by the product's own control step, on the cylinder model with its
instruments, never seeing the future; the fixed rules and the plan from mean demand live the same
draws, prices and weather on the same plant, and a linear programme that knows everything bounds
them all (``_savings_homes``, ``_savings_rules``). How much of the distance to that bound is the
plant's, and how much not knowing the household, shows a plan that is told the draws.

The year is sampled: of each part of it (SAMPLED) one day to settle and seven that are measured
and counted for as many weeks as the part has; the draws in between are told to the service as
history (it is switched off for so long, and goes on from its memory). ``--long`` lives the whole
year. Draws come from the cache of the forecast benchmark; rows already measured are kept in
LADLE_SAVINGS_ROWS when it names a file, and LADLE_SAVINGS_MINUTES ends the measuring early: what
is complete by then is reported.
"""

from __future__ import annotations

import csv
import json
import os
import time
from collections.abc import Callable, Iterable
from dataclasses import asdict, astuple, dataclass, fields, replace
from multiprocessing import get_context
from pathlib import Path
from statistics import median

import numpy as np

from forecasting.types import DemandForecast, DrawHistory
from service.control.state import State
from service.control.types import Work, WorkDone
from service.control.work import perform
from service.settings import HomeSettings
from service.simulation.fitted import home_of
from service.simulation.home import SimulatedHome
from service.simulation.replay import Replay
from service.simulation.tank import Tank
from tests.benchmarks import _forecast_households as households
from tests.benchmarks import _savings_homes as homes
from tests.benchmarks._savings_rules import RULES, FixedRule, bound
from tests.benchmarks.frame import RESULTS, Figure, Result, at_least, at_most

OURS, MEAN, TOLD, BOUND = "ours", "mean demand", "told the draws", "bound"
COMFORTS = ("thrifty", "balanced", "ample")
# (week that is lived, weeks it stands for): nothing is learned yet in the first.
SAMPLED = ((0, 2), (2, 3), (6, 11), (18, 12), (31, 12), (43, 12))
SETTLE_S, MEASURED_S = homes.DAY_S, 7 * homes.DAY_S
YEAR_S = (households.DAYS - 1) * homes.DAY_S


@dataclass
class Row:
    """One strategy in one home, measured stretches counted for a year; money, kWh, L at 40 degC."""

    household: int
    tariff: str
    climate: str
    strategy: str
    cost: float = 0.0  # leftover heat credited
    kwh: float = 0.0
    wanted_l40: float = 0.0
    colder_l40: float = 0.0
    draws: float = 0.0
    cold_draws: float = 0.0
    starts: float = 0.0
    days: float = 0.0


@dataclass(frozen=True)
class Lived:
    """A stretch that is lived: measured from ``since``, each measured day counted ``times``."""

    begin: float
    since: float
    until: float
    times: float


def stretches(*, long: bool) -> list[Lived]:
    """What is lived of the year, s since 1970."""
    begin = float(homes.BEGIN_S)
    if long:
        return [Lived(begin, begin + SETTLE_S, begin + YEAR_S, 1.0)]
    found = []
    for week, weeks in SAMPLED:
        at = begin + week * 7 * homes.DAY_S
        since = at + SETTLE_S
        found.append(Lived(at, since, since + MEASURED_S, weeks * 7 * homes.DAY_S / MEASURED_S))
    return found


def live(
    case: homes.Case,
    strategy: str,
    *,
    long: bool = False,
    brief: bool = True,
    tank_of: Callable[[HomeSettings], Tank] | None = None,
) -> Row:
    """Live one home by one strategy; "ours" may carry a comfort setting: "ours, thrifty".

    ``tank_of`` makes another cylinder than our own model for each stretch.
    """
    comfort = strategy.partition(", ")[2] or "balanced"
    settings = homes.settings(case, comfort, brief=brief)
    price_at, sky = homes.price_at(case, settings), homes.weather(case)
    row = Row(case.household, case.tariff, case.climate, strategy)
    memory: State | None = None
    for lived in stretches(long=long):
        begin, since, until, times = lived.begin, lived.since, lived.until, lived.times
        drawn = np.array(
            [(t.start_s, t.litres_40c) for t in homes.taps(case.household, since, until)]
        ).reshape(-1, 2)
        best, heat_kwh, electricity_kwh = bound(settings, sky, price_at, drawn, since, until)
        row.days += times * (until - since) / homes.DAY_S
        if strategy == BOUND:
            row.cost += times * best
            row.kwh += times * electricity_kwh
            row.wanted_l40 += times * float(drawn[:, 1].sum())
            continue
        tank = tank_of(settings) if tank_of is not None else None
        home = home_of(settings, homes.taps(case.household, begin, until), sky, begin, tank)
        driver: Replay | FixedRule
        if strategy in RULES:
            driver = FixedRule(strategy, settings, home, price_at, homes.NIGHT_H)
        else:
            driver = Replay(
                settings,
                home,
                price_at,
                history=homes.before(case.household, begin),
                memory=memory,
                feed=homes.feed(case, begin),
                work=_work(case, strategy, brief=brief),
            )
        driver.run(since)
        before = _counted(driver, home)
        driver.run(until)
        after = _counted(driver, home)
        gained = {name: after[name] - before[name] for name in after}
        # Heat left over is worth what the best plan pays for heat.
        left = gained["stored_kwh"] * best / max(heat_kwh, 1e-9)
        row.cost += times * (gained["cost"] - left)
        for name in ("kwh", "wanted_l40", "colder_l40", "draws", "cold_draws", "starts"):
            setattr(row, name, getattr(row, name) + times * gained[name])
        if isinstance(driver, Replay):
            memory = driver.state
        home.tank.close()
    return row


def _counted(driver: Replay | FixedRule, home: SimulatedHome) -> dict[str, float]:
    cost = driver.report.hot_water_cost if isinstance(driver, Replay) else driver.cost
    served = asdict(home.served)
    return {
        "cost": cost,
        "kwh": home.pump.electricity_kwh + home.element.electricity_kwh,
        "starts": home.pump.starts,
        "stored_kwh": home.stored_kwh,
        **{name: served[name] for name in ("wanted_l40", "colder_l40", "draws", "cold_draws")},
    }


def _work(case: homes.Case, strategy: str, *, brief: bool):
    def work(asked: Work, history: DrawHistory) -> WorkDone:
        done = perform(asked, history, brief=brief)
        if done.demand is None or strategy not in (MEAN, TOLD):
            return done
        demand = done.demand if strategy == MEAN else _told(case, done.demand)
        return replace(done, demand=as_mean(demand))

    return work


def _told(case: homes.Case, demand: DemandForecast) -> DemandForecast:
    """What will be drawn in each slot."""
    grid = demand.grid
    use = np.zeros(len(grid))
    for tap in homes.taps(case.household, demand.made_at_s, float(grid.end_s[-1])):
        if tap.start_s < grid.end_s[-1]:
            use[np.searchsorted(grid.start_s, tap.start_s, side="right") - 1] += tap.litres_40c
    return replace(demand, expected_l40=np.minimum(use, demand.volumes_l40[-1]))


def as_mean(demand: DemandForecast) -> DemandForecast:
    """The same forecast as if the expected use were certain."""
    volumes, n = demand.volumes_l40, len(demand.grid)
    above = np.clip(np.searchsorted(volumes, demand.expected_l40), 1, len(volumes) - 1)
    share = (demand.expected_l40 - volumes[above - 1]) / (volumes[above] - volumes[above - 1])
    pmf = np.zeros((n, 1, len(volumes)))
    pmf[np.arange(n), 0, above - 1] = 1.0 - share
    pmf[np.arange(n), 0, above] = share
    return replace(demand, pmf=pmf, regime_now=np.ones(1), transition=np.ones((n - 1, 1, 1)))


# --- all of them -----------------------------------------------------------------------------


def tasks(households: Iterable[int]) -> list[tuple[homes.Case, str]]:
    """Every home and strategy to live, and the comfort settings in one climate."""
    found = []
    for number in households:
        for tariff in homes.TARIFFS:
            for climate in homes.CLIMATES:
                case = homes.Case(number, tariff, climate)
                rules = [r for r in RULES if "PV" not in r or "PV" in tariff]
                found += [(case, s) for s in (OURS, *rules, BOUND, TOLD, MEAN)]
                if climate == homes.CLIMATES[1] and tariff in ("night", "hourly"):
                    found += [(case, f"{OURS}, {c}") for c in COMFORTS if c != "balanced"]
    # What the goals need comes first and every household and tariff early, should somebody have to
    # stop it. A case is complete with its rules and its bound, which are quick.
    everyone = list(dict.fromkeys(case.household for case, _ in found))

    def place(task: tuple[homes.Case, str]) -> tuple[int, str, int]:
        case, strategy = task
        turn = everyone.index(case.household) + homes.TARIFFS.index(case.tariff)
        later = strategy.startswith(f"{OURS}, ") + 3 * (strategy in (TOLD, MEAN))
        later += 2 * (case.household in homes.HABITLESS)
        return later, case.climate, turn % len(homes.TARIFFS)

    return sorted(found, key=place)


def _one(task: tuple[homes.Case, str, bool]) -> Row:
    case, strategy, long = task
    return live(case, strategy, long=long)


def rows_of(wanted: list[tuple[homes.Case, str]], *, long: bool) -> list[Row]:
    """Live what is not there yet, on every core."""
    named = os.environ.get("LADLE_SAVINGS_ROWS")
    kept: list[Row] = []
    if named and Path(named).exists():
        kept = [Row(**json.loads(line)) for line in Path(named).read_text().splitlines()]
    have = {(r.household, r.tariff, r.climate, r.strategy) for r in kept}
    left = [(c, s, long) for c, s in wanted if (*astuple(c), s) not in have]
    minutes = float(os.environ.get("LADLE_SAVINGS_MINUTES", "inf"))
    until_s = time.monotonic() + 60.0 * minutes
    if minutes <= 0:
        return kept
    with get_context("spawn").Pool(int(os.environ.get("LADLE_CORES", os.cpu_count() or 1))) as pool:
        for done, row in enumerate(pool.imap_unordered(_one, left), 1):
            kept.append(row)
            print(f"{done}/{len(left)} {row}", flush=True)
            if named:
                with Path(named).open("a") as file:
                    file.write(json.dumps(asdict(row)) + "\n")
            if time.monotonic() > until_s:
                break
    return kept


def run(*, long: bool = False) -> Result:
    """The kept-back households with habits, and those without for comparison."""
    everyone = (*homes.HABITS_FINAL, *homes.HABITLESS)
    rows = rows_of(tasks(everyone), long=long)
    RESULTS.mkdir(exist_ok=True)
    with (RESULTS / "savings.csv").open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow([f.name for f in fields(Row)])
        ordered = sorted(rows, key=lambda r: astuple(r)[:4])
        writer.writerows([round(v, 3) if isinstance(v, float) else v for v in astuple(r)]
                         for r in ordered)  # fmt: skip
    figures = summary([r for r in rows if r.household in homes.HABITS_FINAL], "")
    figures += summary([r for r in rows if r.household in homes.HABITLESS], "no habits: ")
    draw(rows)
    return Result(
        "a full thermostat, a night timer, PV diversion, a plan from mean demand, and the "
        "perfect-foresight bound on the same plant and draws",
        tuple(figures),
        (
            "prices and weather are invented and seeded, draws come from OpenDHW with habits",
            "the first weeks, when little has been learned, count as a year has them",
            "no strategy disinfects; leftover heat is worth what the bound pays for heat",
            "every home, strategy and figure: savings.csv; cost over unmet water: savings.svg",
        ),
        {
            "households": list(everyone),
            "tariffs": list(homes.TARIFFS),
            "climates": list(homes.CLIMATES),
            "measured days": sum(x.until - x.since for x in stretches(long=long)) / homes.DAY_S,
        },
    )


def summary(rows: list[Row], prefix: str) -> list[Figure]:
    """The figures of a group of households."""
    by = {(r.household, r.tariff, r.climate, r.strategy): r for r in rows}
    needed = (OURS, "thermostat", "timer", BOUND)
    cases = sorted({k[:3] for k in by if all((*k[:3], name) in by for name in needed)})
    if not cases:
        return []
    by = {k: r for k, r in by.items() if k[:3] in cases}
    cheaper, unmet, over, closed = 0, [], [], {t: [] for t in homes.TARIFFS}
    wanted = colder = 0.0
    as_wet = 0
    for case in cases:
        ours, least = by[*case, OURS], by[*case, BOUND].cost
        rules = [by[*case, r] for r in RULES if (*case, r) in by]
        cheapest = min(r.cost for r in rules)
        cheaper += ours.cost < cheapest
        as_wet += ours.colder_l40 <= by[*case, "timer"].colder_l40 + 1e-6
        closed[case[1]].append((cheapest - ours.cost) / (cheapest - least))
        over.append(ours.cost / least)
        unmet.append(ours.colder_l40 / ours.wanted_l40)
        wanted, colder = wanted + ours.wanted_l40, colder + ours.colder_l40
    found = [
        Figure(f"{prefix}cases", len(cases)),
        at_least(f"{prefix}cheaper than every fixed rule", 100 * cheaper / len(cases), 95, "%"),
        Figure(f"{prefix}no more unmet water than the timer", 100 * as_wet / len(cases), "%"),
        at_most(f"{prefix}unmet water at the default comfort", 100 * colder / wanted, 0.3, "%"),
        Figure(f"{prefix}the same, worst home", 100 * max(unmet), "%"),
        at_most(f"{prefix}median cost over the bound", median(over), 1.12, "times"),
    ]
    for tariff, shares in closed.items():
        if not shares:
            continue
        name = f"{prefix}{tariff}: median share of the gap to the bound closed"
        found.append(at_least(name, 100 * median(shares), 70, "%"))
    for strategy in (*RULES, MEAN, OURS, TOLD):
        some = [by[k] for k in by if k[3] == strategy]
        against = [by[*k[:3], BOUND].cost for k in by if k[3] == strategy]
        if not some:
            continue
        ratio = sum(r.cost for r in some) / sum(against)
        found.append(Figure(f"{prefix}{strategy}: cost over the bound, all", ratio, "times"))
        share = 100 * sum(r.colder_l40 for r in some) / sum(r.wanted_l40 for r in some)
        found.append(Figure(f"{prefix}{strategy}: unmet water, all", share, "%"))
        starts = sum(r.starts for r in some) / sum(r.days for r in some)
        found.append(Figure(f"{prefix}{strategy}: heat pump starts a day", starts))
    return found


def draw(rows: list[Row]) -> None:
    """Cost over unmet water for the comfort settings and every other strategy, as a picture."""
    import matplotlib as mpl

    mpl.use("Agg")
    import matplotlib.pyplot as plt

    by = {(r.household, r.tariff, r.climate, r.strategy): r for r in rows}
    shown = {k[:3] for k in by if k[3] == f"{OURS}, thrifty" and k[0] in homes.HABITS_FINAL}
    figure, axes = plt.subplots(figsize=(7, 4.5))
    names = (*RULES, MEAN, TOLD, f"{OURS}, thrifty", OURS, f"{OURS}, ample")
    for name in names:
        points = [
            (
                100 * by[*case, name].colder_l40 / by[*case, name].wanted_l40,
                by[*case, name].cost / by[*case, BOUND].cost,
            )
            for case in shown
            if (*case, name) in by
        ]
        if points:
            x, y = np.mean(points, axis=0)
            axes.plot(x, y, "o" if name.startswith(OURS) else "s", label=name)
    axes.set_xlabel("wanted at 40 °C and came colder, % of the litres")
    axes.set_ylabel("cost over the perfect-foresight bound")
    axes.set_title(f"Mean of {len(shown)} homes: cheap-night and hourly tariffs, cold winters")
    axes.grid(visible=True, alpha=0.3)
    axes.legend()
    figure.tight_layout()
    figure.savefig(RESULTS / "savings.svg", metadata={"Date": None})
