"""The forecasters that ours is compared with; they need the ``bench`` extra.

Each gives quantiles of the use in the hours after an origin, from the days before it alone.
"""

from __future__ import annotations

import warnings

import numpy as np

LEVELS = (0.05, 0.15, 0.25, 0.35, 0.45, 0.55, 0.65, 0.75, 0.85, 0.95, 0.5, 0.8, 0.99)
SCORED = slice(0, 10)  # the ten midpoints whose mean pinball loss, doubled, is the CRPS
TREE_LEVELS = (0.05, 0.2, 0.4, 0.6, 0.8, 0.95, 0.99)
WEEKS = 12
WARM_UP_D = 28


def spread(levels: tuple[float, ...], quantiles: np.ndarray) -> np.ndarray:
    """Quantiles at other levels turned into those of LEVELS, in order and not below 0."""
    ordered = np.maximum(np.sort(quantiles), 0.0)
    return np.interp(LEVELS, levels, ordered)


def empirical(past: np.ndarray) -> np.ndarray:
    return np.quantile(past, LEVELS, method="inverted_cdf")


def point(value: float) -> np.ndarray:
    return np.full(len(LEVELS), max(value, 0.0))


def simple(use: np.ndarray, day: int) -> dict[str, np.ndarray]:
    """Rivals that look up the same hours of earlier days; ``use`` is by day."""
    same = np.array([day - 7 * k for k in range(1, 60) if day - 7 * k >= 0])
    recent = use[max(0, day - 7 * WEEKS) : day]
    return {
        "same slot last week": point(use[day - 7]),
        "weekday mean": point(float(use[same[:WEEKS]].mean())),
        "weekday quantiles, 12 weeks": empirical(use[same[:WEEKS]]),
        "weekday quantiles, all weeks": empirical(use[same]),
        "quantiles of all days, 12 weeks": empirical(recent),
    }


def _statistical(model: object, series: np.ndarray) -> np.ndarray:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        out = model.forecast(series.astype(float), h=1, level=[20, 40, 60, 80, 90, 98])
    levels = [0.5]
    values = [float(out["mean"][0])]
    for level in (20, 40, 60, 80, 90, 98):
        levels += [0.5 - level / 200, 0.5 + level / 200]
        values += [float(out[f"lo-{level}"][0]), float(out[f"hi-{level}"][0])]
    order = np.argsort(levels)
    return spread(tuple(np.array(levels)[order]), np.array(values)[order])


def statistical(use: np.ndarray, day: int) -> dict[str, np.ndarray]:
    """Exponential smoothing and MSTL on the same hours of the last twelve weeks."""
    from statsforecast.models import MSTL, AutoETS

    series = use[max(0, day - 7 * WEEKS) : day]
    if np.ptp(series) < 1e-9:
        return {name: point(series[-1]) for name in ("exponential smoothing", "MSTL")}
    return {
        "exponential smoothing": _statistical(AutoETS(season_length=7, model="ANA"), series),
        "MSTL": _statistical(MSTL(season_length=[7]), series),
    }


def _trees(rows: np.ndarray, targets: np.ndarray, ask: np.ndarray, rounds: int = 60) -> np.ndarray:
    """Quantiles from gradient-boosted trees, shape (len(ask), len(LEVELS))."""
    import lightgbm

    found = []
    data = lightgbm.Dataset(rows, targets, free_raw_data=False)
    for level in TREE_LEVELS:
        settings = {
            "objective": "quantile",
            "alpha": level,
            "num_leaves": 8,
            "learning_rate": 0.07,
            "min_data_in_leaf": 20,
            "verbose": -1,
            "num_threads": 1,
            "deterministic": True,
            "seed": 1,
        }
        found.append(lightgbm.train(settings, data, rounds).predict(ask))
    return np.array([spread(TREE_LEVELS, q) for q in np.array(found).T])


def features(use: np.ndarray, before: np.ndarray, free: np.ndarray, hour: int) -> np.ndarray:
    """What trees may know at each day's origin, shape (days, 12); rows before day 14 are NaN.

    use: litres after the origin by day; before: litres of that day before the origin.
    """
    days = len(use)
    out = np.full((days, 12), np.nan)
    for day in range(14, days):
        past = use[:day]
        out[day] = (
            (day + 1) % 7,
            free[day],
            hour,
            past[-1],
            past[-2],
            past[-7],
            past[-14],
            past[-7:].mean(),
            past[-28:].mean(),
            past[-84:].std(),
            before[day],
            past[day - 28 if day >= 28 else 0 : day][
                free[max(day - 28, 0) : day] == free[day]
            ].mean(),
        )
    return out


def trees(
    use: dict[int, np.ndarray], before: dict[int, np.ndarray], free: np.ndarray, ask: list[int]
) -> dict[tuple[int, int], np.ndarray]:
    """Quantiles by (day, origin hour), trees grown again every four weeks on all days so far."""
    hours = sorted(use)
    table = {h: features(use[h], before[h], free, h) for h in hours}
    out: dict[tuple[int, int], np.ndarray] = {}
    for begin in range(WARM_UP_D, max(ask) + 1, 28):
        known = range(14, begin - 1)
        rows = np.concatenate([table[h][list(known)] for h in hours])
        targets = np.concatenate([use[h][list(known)] for h in hours])
        asked = [(d, h) for d in ask if begin <= d < begin + 28 for h in hours]
        if not asked:
            continue
        wanted = np.array([table[h][d] for d, h in asked])
        for key, quantiles in zip(asked, _trees(rows, targets, wanted), strict=True):
            out[key] = quantiles
    return out


def slots_of_day(use: np.ndarray, day: int, with_mstl: bool) -> dict[str, np.ndarray]:
    """Quantiles of each half hour of a day, shape (48, levels); ``use`` is (days, 48)."""
    from statsforecast.models import MSTL, SeasonalExponentialSmoothingOptimized

    same = [day - 7 * k for k in range(1, 60) if day - 7 * k >= 0]
    recent = use[max(0, day - 7 * WEEKS) : day]
    out = {
        "same slot last week": np.repeat(use[day - 7][:, None], len(LEVELS), axis=1),
        "weekday mean": np.repeat(use[same[:WEEKS]].mean(0)[:, None], len(LEVELS), axis=1),
        "weekday quantiles, 12 weeks": empirical_columns(use[same[:WEEKS]]),
        "weekday quantiles, all weeks": empirical_columns(use[same]),
        "quantiles of all days, 12 weeks": empirical_columns(recent),
    }
    weekday_of = (np.arange(len(use)) + 1) % 7
    errors = np.concatenate(
        [recent[i : i + 1] - use[:day][weekday_of[:day] == w].mean(0) for i, w in
         enumerate(weekday_of[max(0, day - 7 * WEEKS) : day])]
    )  # fmt: skip
    around = empirical_columns(errors)
    series = recent.ravel().astype(float)
    smooth = SeasonalExponentialSmoothingOptimized(season_length=336).forecast(series, h=48)
    out["exponential smoothing"] = np.maximum(smooth["mean"][:, None] + around, 0.0)
    if with_mstl:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            mean = MSTL(season_length=[48, 336]).forecast(series[-6 * 336 :], h=48)["mean"]
        out["MSTL"] = np.maximum(np.asarray(mean)[:, None] + around, 0.0)
    return out


def empirical_columns(past: np.ndarray) -> np.ndarray:
    return np.quantile(past, LEVELS, axis=0, method="inverted_cdf").T


def slot_trees(use: np.ndarray, free: np.ndarray, ask: list[int]) -> dict[int, np.ndarray]:
    """Quantiles of each half hour by day, shape (48, levels), from gradient-boosted trees."""
    days = len(use)
    slot = np.arange(48)

    def rows(day: int) -> np.ndarray:
        past = use[:day]
        alike = past[-84:][free[:day][-84:] == free[day]]
        return np.column_stack(
            [slot, np.full(48, (day + 1) % 7), np.full(48, free[day]), past[-1], past[-7],
             past[-7:].mean(0), past[-28:].mean(0), alike.mean(0),
             np.full(48, past[-1].sum()), np.full(48, past[-7:].sum() / 7)]
        )  # fmt: skip

    table = {d: rows(d) for d in range(14, days)}
    out: dict[int, np.ndarray] = {}
    for begin in range(WARM_UP_D, max(ask) + 1, 56):
        known = range(max(14, begin - 113), begin - 1)
        asked = [d for d in ask if begin <= d < begin + 56]
        if not asked:
            continue
        grown = _trees(
            np.concatenate([table[d] for d in known]),
            np.concatenate([use[d] for d in known]),
            np.concatenate([table[d] for d in asked]),
            rounds=80,
        )
        for i, day in enumerate(asked):
            out[day] = grown[48 * i : 48 * (i + 1)]
    return out
