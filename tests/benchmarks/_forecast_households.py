"""Households for the forecast benchmark: an independent generator, with habits layered on top.

The draws come from the OpenDHW package (RWTH Aachen, MIT licence), which places draw-offs of the
four IEA Task 26 categories at random over a year. Nothing in them repeats from day to day, so
habits are layered on top by moving, thinning or copying its draw-offs; no draw is invented.

Numbers are seeds, and sizes and habits follow from them alone; all were fixed before any forecaster
was tuned on them. Numbers below 50 are for tuning: 0 to 19 by the rules of habits, 20 to 49 for the
noticing of absences and changes, because among the first twenty too few have either (each of them
has a fortnight's absence and a lasting change, at least four weeks apart). Odd numbers from 50 on
are kept for the final figures, by the same rules: 51 to 69 as the first twenty, 71 to 99 as the
thirty after them. Even numbers from 50 on are nobody's.

Runs in an environment that has OpenDHW (the ``bench`` extra):
    python -m tests.benchmarks._forecast_households FOLDER
"""

from __future__ import annotations

import random
import sys
import zlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np

YEAR = 2019  # OpenDHW's year begins on Tuesday 2019-01-01
DAYS = 365
TUNING, FURTHER_TUNING = range(20), range(20, 50)  # see above
KEPT, FURTHER_KEPT = range(51, 70, 2), range(71, 100, 2)
GERMAN_HOLIDAYS = (1, 109, 112, 121, 150, 161, 276, 359, 360)  # day of the year 2019
SCHOOL_HOLIDAYS = ((1, 6), (105, 117), (182, 224), (280, 290), (357, 365))
CHANGE_DAY = 140  # week 20
CHANGES = ("more", "less", "later")
CATEGORIES = ("short", "medium", "shower", "bath")


@dataclass(frozen=True)
class Plan:
    """What a household is, decided by its number alone."""

    number: int
    size: int
    litres_per_day: float
    school_run: bool
    shift: bool
    weekend_baths: bool
    absence_from: int  # day of the year, -1 for none
    change: str  # "", "more", "less" or "later"


def plan(number: int) -> Plan:
    """The household with this number."""
    rng = np.random.default_rng(7_000 + number)
    index = number // 2
    size = index % 5 + 1
    litres = (25.0 * size + 36.0) * 37.0 / 25.0 * float(np.exp(rng.normal(0.0, 0.3)))
    school, shift, baths, absence, change = rng.random(5)
    start = int(rng.integers(60, 300))
    kind = CHANGES[int(rng.integers(3))]
    if number in FURTHER_TUNING or number >= FURTHER_KEPT.start:
        kind, change, absence = CHANGES[index % 3], 0.0, 0.0
        start += 98 if CHANGE_DAY - 42 <= start < CHANGE_DAY + 56 else 0
    if index in (9, 34):  # the generator as it is
        return Plan(number, size, litres, False, False, False, -1, "")
    return Plan(
        number,
        size,
        litres,
        school_run=bool(size >= 3 and school < 0.7),
        shift=bool(shift < 0.35),
        weekend_baths=bool(baths < 0.6),
        absence_from=start if absence < 0.7 else -1,
        change=kind if change < 0.6 else "",
    )


def generate(home: Plan) -> dict[str, np.ndarray]:
    """Draw-offs as minutes of the year: start_min, minutes, litres; merged as a meter sees them."""
    import os

    os.environ.setdefault("MPLBACKEND", "Agg")
    from OpenDHW import OpenDHW

    random.seed(9_000 + home.number)
    frame = OpenDHW.generate_dhw_profile(
        s_step=60,
        categories=4,
        mean_drawoff_vol_per_day=home.litres_per_day,
        occupancy=1,
        holidays=list(GERMAN_HOLIDAYS),
        building_type="SFH",
        weekend_weekday_factor=1.2,
        initial_day=1,
    )
    columns = {"short": "60", "medium": "360", "shower": "480", "bath": "840"}
    draws: list[tuple[int, int, float, str]] = []
    for name in CATEGORIES:
        litres = frame[f"Water_L_cat{columns[name]}"].to_numpy()
        edges = np.flatnonzero(np.diff(np.concatenate([[0], (litres > 0).astype(int), [0]])))
        for begin, end in zip(edges[::2], edges[1::2], strict=True):
            draws.append((int(begin), int(end - begin), float(litres[begin:end].sum()), name))
    draws = layer_habits(draws, home)
    flow = np.zeros(DAYS * 1440)
    for begin, minutes, litres_, _ in draws:
        if begin >= 0 and begin + minutes <= len(flow):
            flow[begin : begin + minutes] += litres_ / minutes
    edges = np.flatnonzero(np.diff(np.concatenate([[0], (flow > 1e-9).astype(int), [0]])))
    total = np.concatenate([[0.0], np.cumsum(flow)])
    return {
        "start_min": edges[::2].astype(np.int64),
        "minutes": (edges[1::2] - edges[::2]).astype(np.int64),
        "litres": total[edges[1::2]] - total[edges[::2]],
    }


def _school_day(day: int) -> bool:
    weekday = (day + 1) % 7
    number = day + 1
    free = number in GERMAN_HOLIDAYS or any(a <= number <= b for a, b in SCHOOL_HOLIDAYS)
    return weekday < 5 and not free


def layer_habits(
    draws: list[tuple[int, int, float, str]], home: Plan
) -> list[tuple[int, int, float, str]]:
    """Move, thin and copy draw-offs so that the household has habits."""
    rng = np.random.default_rng(8_000 + home.number)
    out = []
    if home.change == "more":  # somebody moves in
        copies = [d for d in draws if rng.random() < 0.4]
        for begin, minutes, litres, kind in copies:
            day, minute = divmod(begin, 1440)
            day = int(rng.integers(CHANGE_DAY, DAYS)) if day < CHANGE_DAY else day
            out.append((day * 1440 + int(np.clip(minute + rng.normal(0, 30), 0, 1435)), minutes,
                        litres, kind))  # fmt: skip
        out = [d for d in out if rng.random() < 0.65 or d[0] // 1440 < CHANGE_DAY]
    shown_showers: dict[int, int] = {}
    for begin, minutes, litres, kind in sorted(draws):
        day, minute = divmod(begin, 1440)
        weekday = (day + 1) % 7
        if home.change == "less" and day >= CHANGE_DAY and rng.random() < 0.4:
            continue
        if (
            home.change == "later"
            and day >= CHANGE_DAY
            and kind in ("shower", "bath")
            and minute < 720
            and rng.random() < 0.7
        ):
            minute = int(np.clip(rng.normal(20.5 * 60, 40), 720, 1420))
        if home.shift and (day // 7) % 3 == 1 and minute < 720 and rng.random() < 0.6:
            minute = int(np.clip(rng.normal(14.5 * 60, 30), 720, 1420))  # the late shift
        elif home.shift and (day // 7) % 3 == 2 and minute < 720 and rng.random() < 0.6:
            minute = int(np.clip(rng.normal(5.0 * 60, 15), 200, 500))  # the early shift
        if home.school_run and kind == "shower" and minute < 720 and _school_day(day):
            order = shown_showers.get(day, 0)
            if order < 2:
                shown_showers[day] = order + 1
                minute = int(6.6 * 60 + 12 * order + rng.normal(0, 6))
        if home.weekend_baths and kind == "bath" and weekday < 5:
            day = day + (5 - weekday) + int(rng.integers(2))
            minute = int(np.clip(rng.normal(18.5 * 60, 45), 720, 1420))
            if day >= DAYS:
                continue
        out.append((day * 1440 + minute, minutes, litres, kind))
    if home.absence_from >= 0:
        out = [d for d in out if not 0 <= d[0] // 1440 - home.absence_from < 14]
    return sorted(out)


def write(folder: Path) -> None:
    """Generate every household once into FOLDER/NN.npz, with a checksum to compare by."""
    folder.mkdir(parents=True, exist_ok=True)
    for number in TUNING:
        path = folder / f"{number:02d}.npz"
        if path.exists():
            continue
        home = plan(number)
        events = generate(home)
        np.savez_compressed(path, **events)
        mark = zlib.crc32(events["litres"].round(3).tobytes() + events["start_min"].tobytes())
        print(home, f"events {len(events['litres'])} crc {mark:08x}", flush=True)


if __name__ == "__main__":
    write(Path(sys.argv[1]))
