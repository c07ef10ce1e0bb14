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

import datetime as dt
import os
import tempfile
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from forecasting import calendar, draws, profiles, sums
from forecasting.slots import litres_in_slots
from forecasting.types import DemandForecast, DrawHistory, Household
from tests.benchmarks import _forecast_households as households
from tests.benchmarks import _forecast_rivals as rivals
from tests.benchmarks.frame import Figure, Result, at_least, at_most, seconds, within

ZONE = ZoneInfo("Europe/Berlin")
HOURS = (3, 6, 12, 24)
ORIGINS = (0, 6, 12, 18)
EVALUATED = tuple(range(28, 363, 5))
SLOT_DAYS = EVALUATED[::3]
LEVELS = np.array(rivals.LEVELS)
AT = {level: rivals.LEVELS.index(level) for level in (0.5, 0.8, 0.95, 0.99)}
DAY_S, HALF_HOUR_S = 86_400, 1_800
BEGIN_S = int(dt.datetime(households.YEAR, 1, 1, tzinfo=ZONE).timestamp())


def cache() -> Path:
    named = os.environ.get("LADLE_BENCH_CACHE")
    folder = Path(named) if named else Path(tempfile.gettempdir()) / "ladle-forecast-bench"
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def wall_clock_s(minutes: np.ndarray) -> np.ndarray:
    """Minutes of the year on the wall clock as seconds since 1970 UTC."""
    naive = int(dt.datetime(households.YEAR, 1, 1, tzinfo=dt.UTC).timestamp()) + minutes * 60
    return naive - calendar.offset_s(naive - 3600, ZONE)


@dataclass(frozen=True)
class Home:
    """One household's year and the sums that forecasts are about."""

    plan: households.Plan
    history: DrawHistory
    start_s: dict[int, np.ndarray]  # origin hour -> moment by day
    half_hours: np.ndarray
    use: dict[tuple[int, int], np.ndarray]  # (hours, origin hour) -> litres by day
    before: dict[int, np.ndarray]  # origin hour -> litres of the day before it
    by_slot: np.ndarray  # (days, 48) after local midnight
    free: np.ndarray

    def upto(self, end_s: int, begin_s: int = BEGIN_S) -> DrawHistory:
        """The history between two moments."""
        h = self.history
        a, b = np.searchsorted(h.start_s, [begin_s, end_s])
        return DrawHistory(
            h.start_s[a:b], h.duration_s[a:b], h.litres_40c[a:b], h.energy_kwh[a:b], begin_s, end_s
        )

    def household(self) -> Household:
        return Household(occupants=self.plan.size, country="DE")


def load(number: int) -> Home:
    """A household's year, generated when it is not in the cache yet."""
    path = cache() / f"{number:02d}.npz"
    if not path.exists():
        np.savez_compressed(path, **households.generate(households.plan(number)))
    events = np.load(path)
    start = wall_clock_s(events["start_min"])
    order = np.argsort(start, kind="stable")
    litres = events["litres"][order]
    days = households.DAYS
    history = DrawHistory(
        start[order],
        events["minutes"][order] * 60.0,
        litres,
        litres * 1.153e-3 * 30.0,
        BEGIN_S,
        int(wall_clock_s(np.array([days * 1440]))[0]),
    )
    edges = np.arange(BEGIN_S, BEGIN_S + (days + 1) * DAY_S, HALF_HOUR_S, dtype=np.int64)
    half = litres_in_slots(history, edges[:-1], edges[1:])
    total = np.concatenate([[0.0], np.cumsum(half)])
    moments = {o: wall_clock_s(np.arange(days) * 1440 + o * 60) for o in ORIGINS}
    index = {o: (m - BEGIN_S) // HALF_HOUR_S for o, m in moments.items()}
    last = len(total) - 1
    use = {
        (w, o): total[np.minimum(i + 2 * w, last)] - total[i]
        for w in HOURS
        for o, i in index.items()
    }
    before = {o: total[i] - total[index[0]] for o, i in index.items()}
    padded = np.concatenate([half, np.zeros(96)])
    by_slot = np.array([padded[i : i + 48] for i in index[0]])
    number_of_day = np.arange(days)
    free = ((number_of_day + 1) % 7 >= 5) | np.isin(number_of_day + 1, households.GERMAN_HOLIDAYS)
    return Home(
        households.plan(number), history, moments, half, use, before, by_slot, free.astype(int)
    )


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


class Walk:
    """Our forecaster as the service runs it: learned weekly, updated nightly."""

    def __init__(self, home: Home, household: Household | None = None, begin_s: int = BEGIN_S):
        self.home, self.begin_s = home, begin_s
        self.household = household or home.household()
        self.model: draws.DrawModel | None = None

    def midnight(self, day: int) -> draws.DrawModel:
        now = int(self.home.start_s[0][day])
        if self.model is None or day % 7 == 0:
            self.model = draws.learn(self.home.upto(now, self.begin_s), self.household, ZONE, now)
        else:
            yesterday = int(self.home.start_s[0][day - 1])
            self.model = draws.update(self.model, self.home.upto(now, yesterday))
        return self.model


def forecast_at(home: Home, model: draws.DrawModel, day: int, hour: int) -> DemandForecast:
    now = int(home.start_s[hour][day])
    midnight = int(home.start_s[0][day])
    grid = calendar.grid(now, ZONE, 30, 24)
    return draws.forecast(model, grid, now, (), home.upto(now, midnight), np.full(len(grid), 10.0))


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
    """Ours and what happened on the evaluated days of one household."""

    ours: np.ndarray  # (days, origins, hours, levels)
    happened: np.ndarray  # (days, origins, hours)
    slots: np.ndarray  # (slot days, 48, levels)


def walk(home: Home, household: Household | None = None) -> Scored:
    """Every forecast of ours on the evaluated days."""
    walker = Walk(home, household)
    ours, happened, slots = [], [], []
    for day in range(EVALUATED[0], EVALUATED[-1] + 1):
        model = walker.midnight(day)
        if day not in EVALUATED:
            continue
        made = [forecast_at(home, model, day, o) for o in ORIGINS]
        ours.append([our_sums(m) for m in made])
        happened.append([[home.use[w, o][day] for w in HOURS] for o in ORIGINS])
        if day in SLOT_DAYS:
            q = our_slots(made[0])
            slots.append(np.concatenate([q, np.repeat(q[-1:], 48, axis=0)])[:48])
    return Scored(np.array(ours), np.array(happened), np.array(slots))


def bootstrap_band(hits: np.ndarray, seed: int, block: int = 3) -> tuple[float, float]:
    """99 % band of a coverage by resampling blocks of consecutive evaluated days."""
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
        happened = use(len(EVALUATED))
        for level, quantile in true.items():
            low, high = bootstrap_band(happened <= quantile, home)
            outside[level] += not low <= level <= high
    return {level: count / homes for level, count in outside.items()}


def start_phase(home: Home, days: int = 42) -> float:
    """Highest ratio of cumulative CRPS to the published profile's, from the fourth day on."""
    nothing = draws.learn(home.upto(BEGIN_S), home.household(), ZONE, BEGIN_S)
    walker, ours, theirs, worst = Walk(home), 0.0, 0.0, 0.0
    for day in range(3, days):
        model = walker.midnight(day)
        for k, hour in enumerate(ORIGINS):
            happened = np.array([home.use[w, hour][day] for w in HOURS])
            ours += float(crps(our_sums(forecast_at(home, model, day, hour)), happened).sum())
            theirs += float(crps(our_sums(forecast_at(home, nothing, day, hour)), happened).sum())
            if k == len(ORIGINS) - 1:
                worst = max(worst, ours / theirs)
    return worst


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


ABSENT_D = 14
ALONGSIDE_D = 84  # a change stays in the learning window for so long; notices in it are no mistake


@dataclass(frozen=True)
class Noticed:
    """What was noticed over one household's year."""

    absence_after_d: float | None  # from the first day away on; None: never
    false_absences: int
    change_after_d: int | None
    false_changes: int


def spells(moments: list[float], apart_d: float) -> int:
    """How many times something happened, counting again what lies so far from the last one."""
    gaps = np.diff(moments)
    return 0 if not moments else 1 + int((gaps > apart_d).sum())


def notice(home: Home) -> Noticed:
    """Look for absences every three hours and for changes every night, as the service would."""
    walker, away, changed = Walk(home), [], []
    for day in range(14, households.DAYS - 1):
        model = walker.midnight(day)
        midnight = int(home.start_s[0][day])
        for hour in range(0, 24, 3):
            now = midnight + hour * 3600
            grid = calendar.grid(now, ZONE, 30, 1)
            made = draws.forecast(
                model, grid, now, (), home.upto(now, midnight), np.full(len(grid), 10.0)
            )
            if "absence_noticed" in made.notes:
                away.append(day + hour / 24)
        if model.habits_changed:
            changed.append(float(day))
    first = home.plan.absence_from
    there = [t for t in away if first >= 0 and first <= t <= first + ABSENT_D + 1]
    since = households.CHANGE_DAY
    after = [t for t in changed if home.plan.change and since < t <= since + ALONGSIDE_D]
    return Noticed(
        there[0] - first if there else None,
        spells([t for t in away if t not in there], 1.0),
        int(after[0]) - since if after else None,
        spells([t for t in changed if t not in after], 14.0),
    )


def noticing(numbers: tuple[int, ...], whose: str) -> tuple[list[Figure], list[str]]:
    """Figures of what was noticed in some households' years."""
    found = {n: notice(load(n)) for n in numbers}
    plans = {n: households.plan(n) for n in numbers}
    away = [found[n].absence_after_d for n in numbers if plans[n].absence_from >= 0]
    changed = [n for n in numbers if plans[n].change]
    in_time = [n for n in changed if (found[n].change_after_d or 99) <= 14]
    figures = [
        at_most(
            f"absence noticed after, longest of {len(away)}, {whose}",
            max(99.0 if d is None else d for d in away),
            1.0,
            "days",
        ),
        at_most(
            f"false absences in a home-year, most of {len(numbers)}, {whose}",
            max(f.false_absences for f in found.values()),
            1,
        ),
        Figure(
            f"false absences in {len(numbers)} home-years, {whose}",
            sum(f.false_absences for f in found.values()),
        ),
        at_least(
            f"lasting changes noticed within two weeks, of {len(changed)}, {whose}",
            len(in_time),
            len(changed),
        ),
        Figure(
            f"changes noticed in {len(numbers)} home-years where there were none, {whose}",
            sum(f.false_changes for f in found.values()),
        ),
    ]
    each = ", ".join(
        f"{n} ({plans[n].change or 'no change'}): absence {f.absence_after_d} d, false"
        f" {f.false_absences}, change {f.change_after_d} d, false {f.false_changes}"
        for n, f in found.items()
    )
    return figures, [f"noticed, {whose}: {each}"]


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
            hit = ours.happened <= ours.ours[..., AT[level]]
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
    start = {n: start_phase(load(n)) for n in numbers}
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
            "evaluated_days": "every fifth from day 29 on, origins at 0, 6, 12 and 18 h",
            "crps": "twice the mean pinball loss at 0.05, 0.15 .. 0.95, for everybody",
        },
    )
