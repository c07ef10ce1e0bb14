"""Honest scoring: what a forecast was worth once its day is over, and whether to trust learning.

References:
    [1] T. Gneiting, A. Raftery 2007, Strictly proper scoring rules, prediction, and estimation,
        J. American Statistical Association 102: pinball loss, CRPS and skill.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np

from forecasting.slots import litres_in_slots
from forecasting.sums import STEP_L, accumulated, quantiles
from forecasting.types import DemandForecast, DrawHistory, Floats

LEVELS = (0.5, 0.8, 0.95, 0.99)
WINDOWS_H = (3, 6, 12, 24)
ENOUGH_DAYS = 14
USEFUL_SKILL = 0.05
DOUBT = 2.58  # standard errors a coverage may lie below its level, 99 % two-sided


@dataclass(frozen=True)
class Score:
    """One forecast against what happened from its making on, one entry for each window.

    hours         length of each window
    expected_l40, happened_l40, last_week_l40   litres at 40 degC (last week's: None if unknown)
    pinball_l40   mean pinball loss at LEVELS, by window, shape (windows, levels)
    covered       whether use stayed within the quantile at LEVELS, by window
    crps_l40      continuous ranked probability score, litres
    """

    made_at_s: int
    hours: tuple[float, ...]
    expected_l40: tuple[float, ...]
    happened_l40: tuple[float, ...]
    last_week_l40: tuple[float, ...] | None
    pinball_l40: tuple[tuple[float, ...], ...]
    covered: tuple[tuple[bool, ...], ...]
    crps_l40: tuple[float, ...]

    @property
    def bias_l40(self) -> float:
        """Expected less happened in the longest window, litres."""
        return self.expected_l40[-1] - self.happened_l40[-1]

    def to_plain(self) -> dict[str, Any]:
        """Plain data for JSON."""
        return asdict(self)

    @classmethod
    def from_plain(cls, plain: dict[str, Any]) -> Score:
        """From ``to_plain``'s data, or what JSON made of it."""

        def row(name: str) -> tuple[Any, ...]:
            return tuple(tuple(v) if isinstance(v, list) else v for v in plain[name])

        last_week = plain["last_week_l40"]
        return cls(
            plain["made_at_s"],
            row("hours"),
            row("expected_l40"),
            row("happened_l40"),
            None if last_week is None else tuple(last_week),
            row("pinball_l40"),
            row("covered"),
            row("crps_l40"),
        )


def crps(pmf: Floats, happened: float) -> float:
    """CRPS of a distribution on multiples of STEP_L, shape (m,), in litres [1].

    The integral of the squared distance between the forecast's distribution function and a step
    at what happened.
    """
    reached = np.cumsum(pmf)
    edges = np.arange(len(pmf)) * STEP_L
    above = np.clip((edges + STEP_L - happened) / STEP_L, 0.0, 1.0)  # share past what happened
    return float((STEP_L * ((1.0 - above) * reached**2 + above * (1.0 - reached) ** 2)).sum())


def score(
    forecast: DemandForecast, happened: DrawHistory, last_week: DrawHistory | None = None
) -> Score:
    """Score a forecast for the windows that lie wholly in its grid and in what was watched.

    Args:
        forecast: as it was made and stored.
        happened: draws since, watched at least from the forecast's first slot on.
        last_week: draws of the same time a week earlier, for the skill.

    Raises:
        ValueError: when not even the shortest window has been watched.
    """
    grid = forecast.grid
    begin = max(int(grid.start_s[0]), forecast.made_at_s)
    ends, hours = [], []
    for window_h in WINDOWS_H:
        slot = int(np.searchsorted(grid.end_s, grid.start_s[0] + window_h * 3600))
        if slot < len(grid) and grid.end_s[slot] <= happened.watched_to_s:
            ends.append(slot + 1)
            hours.append(float(window_h))
    if not ends:
        raise ValueError(
            f"draws were watched until {happened.watched_to_s} s, the forecast made at"
            f" {forecast.made_at_s} s cannot be scored before {WINDOWS_H[0]} hours are over"
        )
    pmf = accumulated(forecast, tuple(ends))
    stop = grid.end_s[np.array(ends) - 1]
    start = np.full(len(ends), begin, np.int64)
    used = litres_in_slots(happened, start, stop)
    week_s = 7 * 86_400
    earlier = (
        None
        if last_week is None
        else tuple(litres_in_slots(last_week, start - week_s, stop - week_s).tolist())
    )
    pinball, covered, ranked = [], [], []
    for row, litres in zip(pmf, used.tolist(), strict=True):
        at = quantiles(row, LEVELS)
        miss = litres - at
        levels = np.array(LEVELS)
        pinball.append(tuple(np.maximum(levels * miss, (levels - 1.0) * miss).tolist()))
        covered.append(tuple(bool(c) for c in miss <= 0))
        ranked.append(crps(row, litres))
    return Score(
        forecast.made_at_s,
        tuple(hours),
        tuple((pmf @ (np.arange(pmf.shape[1]) * STEP_L)).tolist()),
        tuple(used.tolist()),
        earlier,
        tuple(pinball),
        tuple(covered),
        tuple(ranked),
    )


Code = Literal["too_early", "trusted", "no_better_than_last_week", "too_sure"]


@dataclass(frozen=True)
class Verdict:
    """Whether learning is yet worth trusting, as a code with its facts.

    too_early                  fewer than 14 days scored
    too_sure                   use exceeded the stated upper quantiles more often than stated
    no_better_than_last_week   looking up last week would have done as well
    trusted                    none of these
    """

    code: Code
    facts: dict[str, float | int | None]


def verdict(scores: tuple[Score, ...]) -> Verdict:
    """Judge the longest window of the scores at hand (give it the last weeks', one a day)."""
    days = len(scores)
    if days == 0:
        return Verdict("too_early", {"days": 0, "needed_days": ENOUGH_DAYS})
    expected = np.array([s.expected_l40[-1] for s in scores])
    happened = np.array([s.happened_l40[-1] for s in scores])
    covered = np.array([s.covered[-1] for s in scores], np.float64).mean(0)
    pinball = np.array([s.pinball_l40[-1] for s in scores]).mean(0)
    compared = [
        (s.crps_l40[-1], abs(s.happened_l40[-1] - s.last_week_l40[-1]))
        for s in scores
        if s.last_week_l40 is not None
    ]
    skill = None
    if compared:
        ours, theirs = np.array(compared).sum(0)
        skill = float(1.0 - ours / theirs) if theirs > 0 else None
    facts: dict[str, float | int | None] = {
        "days": days,
        "needed_days": ENOUGH_DAYS,
        "bias_l40": float((expected - happened).mean()),
        "mean_l40": float(happened.mean()),
        "skill": skill,
    }
    for level, share, loss in zip(LEVELS, covered, pinball, strict=True):
        facts[f"coverage_{round(level * 100)}"] = float(share)
        facts[f"pinball_{round(level * 100)}_l40"] = float(loss)
    if days < ENOUGH_DAYS:
        return Verdict("too_early", facts)
    for level, share in zip(LEVELS, covered, strict=True):
        doubt = DOUBT * float(np.sqrt(level * (1.0 - level) / days)) + 0.5 / days
        if share < level - doubt:
            return Verdict("too_sure", facts)
    if skill is not None and skill < USEFUL_SKILL:
        return Verdict("no_better_than_last_week", facts)
    return Verdict("trusted", facts)
