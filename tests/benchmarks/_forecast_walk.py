"""A household's year of draws, and our forecaster led through it day by day, seeing no future."""

from __future__ import annotations

import datetime as dt
import os
import tempfile
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from forecasting import calendar, draws
from forecasting.slots import litres_in_slots
from forecasting.types import DemandForecast, DrawHistory, Household
from tests.benchmarks import _forecast_households as households

ZONE = ZoneInfo("Europe/Berlin")
HOURS = (3, 6, 12, 24)  # sums that forecasts are about
ORIGINS = (0, 6, 12, 18)  # local hours at which they are made
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
