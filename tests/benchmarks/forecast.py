"""Draw forecasts, walk-forward, against the best of common forecasters.

Households come from an independent generator with habits layered on top (``_forecast_households``)
and rivals from ``statsforecast`` and ``lightgbm`` (``_forecast_rivals``). Both need the ``bench``
extra, best in an environment of its own:

    python -m venv BENCH && BENCH/bin/pip install -e '.[bench]'
    nice BENCH/bin/python -m tests.benchmarks forecast

Every forecast sees the draws before its origin and nothing after it. Figures are for the kept-back
households, which no setting was tuned on. Generated households and rivals' forecasts are kept in
LADLE_BENCH_CACHE (default: a folder in the system's temporary folder).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecasting import calendar, draws, profiles, sums
from forecasting.types import DemandForecast, Household
from tests.benchmarks import _forecast_households as households
from tests.benchmarks import _forecast_rivals as rivals
from tests.benchmarks._forecast_noticing import noticing
from tests.benchmarks._forecast_walk import (
    BEGIN_S,
    HOURS,
    ORIGINS,
    ZONE,
    Home,
    Walk,
    cache,
    forecast_at,
    load,
)
from tests.benchmarks.frame import Figure, Result, at_most, seconds, within

EVERY = tuple(range(28, 363))  # days on which chances are compared with what happened
NTH = 5  # of which rivals, who learn anew for each, are asked on every fifth
EVALUATED = EVERY[::NTH]
SLOT_DAYS = EVALUATED[::3]
BLOCK_D = 15  # days that are drawn together, so that two weeks' habits stay together
LEVELS = np.array(rivals.LEVELS)
AT = {level: rivals.LEVELS.index(level) for level in (0.5, 0.8, 0.95, 0.99)}


def rival_quantiles(home: Home) -> dict[str, np.ndarray]:
    """Every rival's quantiles of the sums, shape (days, origins, hours, levels), by name."""
    path = cache() / f"rivals-{home.plan.number:02d}.npz"
    if path.exists():
        return dict(np.load(path))
    shape = (len(EVALUATED), len(ORIGINS), len(HOURS), len(LEVELS))
    out: dict[str, np.ndarray] = {}
    for k, w in enumerate(HOURS):
        grown = rivals.trees(
            {o: home.use[w, o] for o in ORIGINS}, home.before, home.free, list(EVALUATED)
        )
        for j, o in enumerate(ORIGINS):
            use = home.use[w, o]
            for i, day in enumerate(EVALUATED):
                found = rivals.simple(use, day) | rivals.statistical(use, day)
                found["boosted trees"] = grown[day, o]
                for name, quantiles in found.items():
                    out.setdefault(name, np.zeros(shape))[i, j, k] = quantiles
    np.savez_compressed(path, **out)
    return out


def rival_slots(home: Home) -> dict[str, np.ndarray]:
    """Every rival's quantiles of half hours, shape (days, 48, levels), by name."""
    path = cache() / f"slots-{home.plan.number:02d}.npz"
    if path.exists():
        return dict(np.load(path))
    grown = rivals.slot_trees(home.by_slot, home.free, list(SLOT_DAYS))
    out: dict[str, list[np.ndarray]] = {}
    for day in SLOT_DAYS:
        found = rivals.slots_of_day(home.by_slot, day, with_mstl=True)
        found["boosted trees"] = grown[day]
        for name, quantiles in found.items():
            out.setdefault(name, []).append(quantiles)
    arrays = {name: np.array(q) for name, q in out.items()}
    np.savez_compressed(path, **arrays)
    return arrays


def pinball(quantiles: np.ndarray, happened: np.ndarray) -> np.ndarray:
    """Pinball loss at each level, shape (..., levels)."""
    miss = happened[..., None] - quantiles
    return np.maximum(LEVELS * miss, (LEVELS - 1.0) * miss)


def crps(quantiles: np.ndarray, happened: np.ndarray) -> np.ndarray:
    """Twice the mean pinball loss over ten midpoints, the same formula for everybody."""
    return 2.0 * pinball(quantiles, happened)[..., rivals.SCORED].mean(-1)


ENDS = tuple(2 * w for w in HOURS)


def our_sums(made: DemandForecast) -> np.ndarray:
    """Quantiles of the sums over HOURS, shape (hours, levels)."""
    ends = tuple(min(e, len(made.grid)) for e in ENDS)
    return np.array([sums.quantiles(p, rivals.LEVELS) for p in sums.accumulated(made, ends)])


def our_slots(made: DemandForecast) -> np.ndarray:
    """Quantiles of each half hour, shape (48, levels)."""
    state, out = made.regime_now, []
    for i in range(len(made.grid)):
        reached = np.cumsum(state @ made.pmf[i])
        index = np.minimum(np.searchsorted(reached, LEVELS), len(reached) - 1)
        out.append(made.volumes_l40[index])
        state = state @ made.transition[i]
    return np.array(out)


@dataclass(frozen=True)
class Scored:
    """Ours and what happened in one household, on EVERY day and on those of the rivals."""

    every: np.ndarray  # (days, origins, hours, levels)
    every_happened: np.ndarray  # (days, origins, hours)
    slots: np.ndarray  # (slot days, 48, levels)

    @property
    def ours(self) -> np.ndarray:
        """Ours on the EVALUATED days, shape (days, origins, hours, levels)."""
        return self.every[::NTH]

    @property
    def happened(self) -> np.ndarray:
        """What happened on them, shape (days, origins, hours)."""
        return self.every_happened[::NTH]


def walk(home: Home, household: Household | None = None) -> Scored:
    """Every forecast of ours."""
    walker = Walk(home, household)
    ours, happened, slots = [], [], []
    for day in EVERY:
        model = walker.midnight(day)
        made = [forecast_at(home, model, day, o) for o in ORIGINS]
        ours.append([our_sums(m) for m in made])
        happened.append([[home.use[w, o][day] for w in HOURS] for o in ORIGINS])
        if day in SLOT_DAYS:
            q = our_slots(made[0])
            slots.append(np.concatenate([q, np.repeat(q[-1:], 48, axis=0)])[:48])
    return Scored(np.array(ours), np.array(happened), np.array(slots))


def bootstrap_band(hits: np.ndarray, seed: int, block: int = BLOCK_D) -> tuple[float, float]:
    """99 % band of a coverage by resampling blocks of consecutive days."""
    rng = np.random.default_rng(seed)
    by_day = hits.reshape(len(hits), -1).mean(1)
    count = int(np.ceil(len(by_day) / block))
    start = rng.integers(0, len(by_day) - block + 1, (2000, count))
    picked = by_day[(start[..., None] + np.arange(block)).reshape(2000, -1)[:, : len(by_day)]]
    low, high = np.quantile(picked.mean(1), [0.005, 0.995])
    return float(low), float(high)


def outside_by_chance(homes: int = 300, people: float = 3.0) -> dict[float, float]:
    """Share of homes outside their own band by level, though told the true quantiles.

    Days of draws by chance after the published profile; a band made of so few days misses a seldom
    exceeded level more often than its 1 %, and no forecaster can do better than this.
    """
    rng = np.random.default_rng(1)
    rate = profiles.daily_litres_40c(Household(occupants=people)) * np.tile(profiles.shape(), 2)

    def use(days: int) -> np.ndarray:
        litres = sum(
            size * rng.poisson(rate * share / size, (days, 96))
            for _, size, _, share in profiles.DRAW_CATEGORIES
        )
        total = np.concatenate([np.zeros((days, 1)), np.cumsum(litres, axis=1)], axis=1)
        return np.stack(
            [[total[:, 2 * (o + w)] - total[:, 2 * o] for w in HOURS] for o in ORIGINS]
        ).transpose(2, 0, 1)

    true = {level: np.quantile(use(40_000), level, axis=0) for level in (0.95, 0.99)}
    outside = dict.fromkeys(true, 0)
    for home in range(homes):
        happened = use(len(EVERY))
        for level, quantile in true.items():
            low, high = bootstrap_band(happened <= quantile, home)
            outside[level] += not low <= level <= high
    return {level: count / homes for level, count in outside.items()}


def start_phase(home: Home, days: int = 42) -> np.ndarray:
    """Cumulative CRPS from the fourth day on, ours and the published profile's, shape (2, d)."""
    nothing = draws.learn(home.upto(BEGIN_S), home.household(), ZONE, BEGIN_S)
    walker, losses = Walk(home), []
    for day in range(3, days):
        model = walker.midnight(day)
        happened = [np.array([home.use[w, hour][day] for w in HOURS]) for hour in ORIGINS]
        losses.append(
            [
                sum(
                    float(crps(our_sums(forecast_at(home, m, day, hour)), use).sum())
                    for hour, use in zip(ORIGINS, happened, strict=True)
                )
                for m in (model, nothing)
            ]
        )
    return np.cumsum(losses, axis=0).T


def after_change(home: Home) -> tuple[float, float]:
    """Excess CRPS of 24 h sums over a forecaster told of the change: first week, fourth and fifth.

    The one that was told learns from the day of the change on and nothing before it; a
    forecaster that followed by itself should lose nothing against it.
    """
    change = households.CHANGE_DAY
    told_from = int(home.start_s[0][change])
    followed, told = Walk(home), Walk(home, begin_s=told_from)
    weeks: dict[int, list[tuple[float, float]]] = {}
    for day in range(change, change + 42):
        models = followed.midnight(day), told.midnight(day)
        for hour in ORIGINS:
            happened = np.array([home.use[24, hour][day]])
            losses = [
                float(crps(our_sums(forecast_at(home, m, day, hour))[-1:], happened)[0])
                for m in models
            ]
            weeks.setdefault((day - change) // 7, []).append((losses[0], losses[1]))

    def excess(chosen: tuple[int, ...]) -> float:
        pairs = np.array([p for w in chosen for p in weeks[w]])
        return float(pairs[:, 0].sum() / pairs[:, 1].sum() - 1.0)

    return excess((1,)), excess((3, 4, 5))


def measured(numbers: tuple[int, ...]) -> dict[int, tuple[Home, Scored, dict, dict]]:
    out = {}
    for number in numbers:
        home = load(number)
        out[number] = (home, walk(home), rival_quantiles(home), rival_slots(home))
        print(f"  household {number} scored", flush=True)
    return out


def _timings(home: Home) -> list[Figure]:
    """How long a year of learning, a nightly update and a forecast take, ms."""
    day = households.DAYS - 8
    now, next_ = int(home.start_s[0][day]), int(home.start_s[0][day + 1])
    year, night = home.upto(now), home.upto(next_, now)
    household = home.household()
    model = draws.learn(year, household, ZONE, now)
    later = draws.update(model, night)
    grid = calendar.grid(next_, ZONE, 30, 48)
    cold, nothing = np.full(len(grid), 10.0), home.upto(next_, next_)
    learn_s = seconds(lambda: draws.learn(year, household, ZONE, now), 15)
    update_s = seconds(lambda: draws.update(model, night), 30)
    forecast_s = seconds(lambda: draws.forecast(later, grid, next_, (), nothing, cold), 30)
    return [
        at_most("learn a year of draws", 1e3 * learn_s, 100, "ms"),
        at_most("update after a day", 1e3 * update_s, 5, "ms"),
        at_most("forecast 48 h at half hours", 1e3 * forecast_s, 5, "ms"),
    ]


def run(long: bool = False) -> Result:
    """Score the kept-back households (``long``: those used for tuning too, marked as such)."""
    numbers = tuple(households.KEPT)
    figures: list[Figure] = []
    notes: list[str] = []
    ratios, slot_ratios, hits = [], [], {0.95: [], 0.99: []}
    pinballs: dict[str, list[np.ndarray]] = {}
    slot_hits: list[np.ndarray] = []
    slot_pinball: list[np.ndarray] = []
    outside: dict[float, list[int]] = {0.95: [], 0.99: []}
    for number, (home, ours, theirs, slots) in measured(numbers).items():
        loss = crps(ours.ours, ours.happened).mean((0, 1))
        rival_loss = {k: crps(q, ours.happened).mean((0, 1)) for k, q in theirs.items()}
        best = np.min(list(rival_loss.values()), axis=0)
        ratios.append(loss / best)
        for name, q in [("ours", ours.ours), *theirs.items()]:
            pinballs.setdefault(name, []).append(pinball(q, ours.happened).mean((0, 1)))
        happened = home.by_slot[list(SLOT_DAYS)]
        slot_hits.append(happened[..., None] <= ours.slots)
        slot_pinball.append(pinball(ours.slots, happened).mean((0, 1)))
        slot_loss = {k: float(crps(q, happened).mean()) for k, q in slots.items()}
        best_slot = min(slot_loss, key=lambda k: slot_loss[k])
        slot_ratios.append(float(crps(ours.slots, happened).mean()) / slot_loss[best_slot])
        whose = [min(rival_loss, key=lambda k: rival_loss[k][i]) for i in range(len(HOURS))]
        inside = []
        for level in (0.95, 0.99):
            hit = ours.every_happened <= ours.every[..., AT[level]]
            hits[level].append(hit)
            low, high = bootstrap_band(hit, number)
            inside.append(f"{level:g}: {hit.mean():.3f} in [{low:.3f}, {high:.3f}]")
            if not low <= level <= high:
                outside[level].append(number)
        notes.append(
            f"household {number} ({home.plan}): CRPS ratio "
            + ", ".join(
                f"{w} h {r:.3f} ({n})" for w, r, n in zip(HOURS, ratios[-1], whose, strict=True)
            )
            + f"; slots {slot_ratios[-1]:.3f} ({best_slot}); coverage {'; '.join(inside)}"
        )
    table = np.array(ratios)
    figures.append(
        at_most(
            "CRPS of sums, ours over best rival, median household",
            float(np.median(table.mean(1))),
            0.95,
        )
    )
    for k, w in enumerate(HOURS):
        figures.append(
            at_most(f"  of {w} h sums, median household", float(np.median(table[:, k])), 0.95)
        )
    figures.append(Figure("  of half-hour slots, median household", float(np.median(slot_ratios))))
    by_chance = outside_by_chance()
    for level, low, high in ((0.95, 0.94, 0.96), (0.99, 0.985, 0.995)):
        pooled = np.concatenate(hits[level])
        figures.append(
            within(f"pooled coverage of the {level:.0%} quantile", float(pooled.mean()), low, high)
        )
        for k, w in enumerate(HOURS):
            figures.append(Figure(f"  {level:.0%} of {w} h sums", float(pooled[..., k].mean())))
        figures.append(Figure(f"  {level:.0%} of the daily total", float(pooled[:, 0, -1].mean())))
        figures.append(
            at_most(f"homes outside their own 99 % band at {level:.0%}", len(outside[level]), 0)
        )
        figures.append(
            Figure(
                f"  of as many, expected where the true {level:.0%} quantiles are known",
                by_chance[level] * len(numbers),
            )
        )
    for level in (0.5, 0.8, 0.95, 0.99):
        share = float(np.concatenate(slot_hits)[..., AT[level]].mean())
        loss = float(np.mean(slot_pinball, axis=0)[AT[level]])
        figures.append(
            Figure(f"half-hour slots, coverage of {level:.0%}", share, f"pinball {loss:.3f} L")
        )
    for name, rows in pinballs.items():
        mean = np.mean(rows, axis=0)
        for level in (0.5, 0.8, 0.95, 0.99):
            figures.append(
                Figure(
                    f"pinball {level:.0%} of 3/24 h sums, {name}",
                    float(mean[0, AT[level]]),
                    f"and {mean[-1, AT[level]]:.2f} L",
                )
            )
    changed = [n for n in numbers if households.plan(n).change]
    pairs = np.array([after_change(load(n)) for n in changed])
    notes.append(
        "excess over a forecaster told of the change, second week and weeks 4 to 6: "
        + ", ".join(
            f"{n} ({households.plan(n).change}) {a:+.3f} {b:+.3f}"
            for n, (a, b) in zip(changed, pairs, strict=True)
        )
    )
    figures.append(
        Figure("excess CRPS in the second week after a change, mean", float(pairs[:, 0].mean()))
    )
    figures.append(
        at_most("excess CRPS three weeks after a change, mean", float(pairs[:, 1].mean()), 0.0)
    )
    further = tuple(households.FURTHER_KEPT)
    more_pairs = np.array([after_change(load(n)) for n in further])
    figures.append(
        at_most(
            f"  of {len(further)} further households, mean", float(more_pairs[:, 1].mean()), 0.0
        )
    )
    for chosen, whose in ((numbers, "first households"), (further, "further households")):
        found, told = noticing(chosen, whose)
        figures += found
        notes += told
    begun = {n: start_phase(load(n)) for n in numbers}
    start = {n: float((ours / theirs).max()) for n, (ours, theirs) in begun.items()}
    together = np.sum(list(begun.values()), axis=0)
    notes.append(
        "cumulative CRPS over the starting profile's, highest: "
        + ", ".join(f"{n}: {v:.3f}" for n, v in start.items())
    )
    figures.append(
        at_most(
            "cumulative CRPS over the published profile's from day 4, worst home",
            max(start.values()),
            1.0,
        )
    )
    figures.append(
        Figure(
            "  homes of ten above it by more than half a per cent",
            sum(v > 1.005 for v in start.values()),
        )
    )
    figures.append(
        Figure("  of all homes together, at its highest", float((together[0] / together[1]).max()))
    )
    spread = {lv: [float(h.mean()) - lv for h in hits[lv]] for lv in hits}
    for level, misses in spread.items():
        figures.append(
            Figure(
                f"coverage of {level:.0%} in each home, rms distance",
                float(np.sqrt(np.mean(np.square(misses)))),
            )
        )
    figures += _timings(load(9))
    if long:
        tuned = []
        for _, ours, theirs, _ in measured(tuple(households.TUNING)).values():
            loss = crps(ours.ours, ours.happened).mean((0, 1))
            tuned.append(
                loss
                / np.min([crps(q, ours.happened).mean((0, 1)) for q in theirs.values()], axis=0)
            )
        figures.append(
            Figure(
                "CRPS ratio on the households used for tuning, median",
                float(np.median(np.mean(tuned, axis=1))),
            )
        )
    return Result(
        compared_with="for each household and window the best, in hindsight, of: "
        + ", ".join(sorted(set(pinballs) - {"ours"})),
        figures=tuple(figures),
        notes=(
            "No open measured draws were found in a registry package; all households are made.",
            *notes,
        ),
        settings={
            "households": list(numbers),
            "evaluated_days": "from day 29 on, origins at 0, 6, 12 and 18 h: each day for coverage,"
            " every fifth where rivals are compared with",
            "crps": "twice the mean pinball loss at 0.05, 0.15 .. 0.95, for everybody",
        },
    )
