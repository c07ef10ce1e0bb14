"""The days gone by, forecast again: how good was what is learned, and how sure should it be?

Each day in memory is forecast for the next 3, 6, 12 and 24 hours from rates that knew only the
days before it, on a grid of litres coarse enough for all days to be carried along at once. Two
things follow:

- how far what is learned is trusted against the published profile. What is blended of both is
  judged like each of them, and what it has won over the profile so far is the most that a day may
  lose again: so much weight has what is learned [1]. Days alone give it a little more with every
  day. The cumulative loss then stays below the profile's, or a few parts in a thousand above it;
- how much wider or narrower sums should be than the model thinks (``calibration``): the chance
  that was given to at most what then happened, for the short and for the long sums.

References:
    [1] Sani, Neu, Lazaric 2014, Exploiting easy data in online optimization: a cautious start
        bounds the regret to a benchmark expert by a constant.
    [2] T. Gneiting, A. Raftery 2007, Strictly proper scoring rules, prediction, and estimation,
        J. American Statistical Association 102: CRPS, and that of a mixture (it is quadratic).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np

from forecasting import chain, volumes
from forecasting.calendar import SLOTS_PER_DAY
from forecasting.types import Floats, Ints

WINDOWS = (6, 12, 24, 48)  # half hours
ORIGINS = (0, 12, 24, 36)  # half hours of the day
ROWS = 84  # trials that learning a whole history makes at about the most
STEPS = 96  # of litres on the coarse grid
ENOUGH = 0.1  # share of a day that must have been watched with somebody at home
UPPER = (0.5, 2.2)  # normal scores that matter for comfort: chances of 69 to 98.6 %
PROVEN_D = 42.0  # days of which so much is learned that it needs no gain to be trusted
COSTLY = 2.0  # usual days' losses that what is learned may lose to the profile on a day of baths
MOST_GAINED = 2.0  # days' losses, so that what was won long ago is soon lost
_WAVE = np.complex64
_BEGINS = np.isin(np.arange(SLOTS_PER_DAY), chain.PART_STARTS)


@dataclass(frozen=True)
class Record:
    """What the trials have shown so far.

    gained     days' losses that the blend of learned and profile has won over the profile
    loss, days mean CRPS of the profile's times days, and the days tried
    above      sum of the normal scores within UPPER, of short and of long sums, shape (2,)
    expected   what it would be if every chance had been stated rightly, shape (2,)
    """

    gained: float
    loss: float
    days: float
    above: Floats
    expected: Floats

    @classmethod
    def new(cls) -> Record:
        """Before the first trial."""
        return cls(0.0, 0.0, 0.0, np.zeros(2), np.zeros(2))

    @property
    def weight(self) -> float:
        """How far what is learned is trusted against the published profile, 0 .. 1."""
        return float(np.clip(self.gained / COSTLY + (self.days / PROVEN_D) ** 2, 0.0, 1.0))


@dataclass(frozen=True, eq=False)
class Told:
    """What one forecaster said of each half hour, before it came; shape (d, 48) each."""

    small: Floats
    large: Floats
    extra: Floats
    size_class: Ints
    tables: volumes.VolumeTables
    habit: chain.Habit


@dataclass(frozen=True)
class Days:
    """What happened in each half hour, shape (d, 48) each."""

    litres: Floats
    large_litres: Floats
    seen: Floats


def tried(told: Told, published: Told, happened: Days, from_row: int, record: Record) -> Record:
    """The record with the trials that end in the rows from ``from_row`` on."""
    end, begin = _which(happened, from_row)
    if len(end) == 0:
        return record
    total = np.concatenate([[0.0], np.cumsum(happened.litres)])
    used = np.stack([total[begin + w] - total[begin] for w in WINDOWS], axis=1)
    step_l = _step_l(happened.litres)
    seen = happened.seen.ravel()
    watched = replace(told, small=told.small * happened.seen, large=told.large * happened.seen)
    pmf = _sums(watched, happened, begin, step_l)
    reached = np.cumsum(pmf, axis=-1)
    usual = _whole_days(published, step_l)[begin % SLOTS_PER_DAY // 12]
    index = begin[:, None] + np.arange(SLOTS_PER_DAY)
    gap = (seen[index] < 1.0).any(1)
    if gap.any():
        usual[gap] = _plain_sums(published, index[gap] % SLOTS_PER_DAY, seen[index[gap]], step_l)
    stated = np.cumsum(usual, axis=-1)
    losses = np.stack(
        [
            _crps(reached, used / step_l).sum(1),
            _crps(stated, used / step_l).sum(1),
            ((reached - stated) ** 2).sum((1, 2)),
        ]
    )
    score = np.clip(_normal_score(reached - 0.5 * pmf), *UPPER) - UPPER[0]
    above = _at(score, used / step_l)
    return _added(record, end, losses * step_l, above, (pmf * score).sum(-1))


def _which(happened: Days, from_row: int) -> tuple[Ints, Ints]:
    """The row in which each trial ends, one that is new, and the half hour it begins with."""
    new = len(happened.seen) - from_row
    whole = np.concatenate([[0.0], np.cumsum(happened.seen.ravel())])
    every = max(1, min(len(ORIGINS), int(np.ceil(new * len(ORIGINS) / ROWS))))
    ends, begins = [], []
    for end in range(from_row, len(happened.seen)):
        for k, origin in enumerate(ORIGINS):
            begin = (end - (origin > 0)) * SLOTS_PER_DAY + origin
            if begin < 0 or (k + end) % every:
                continue
            if whole[begin + SLOTS_PER_DAY] - whole[begin] > ENOUGH * SLOTS_PER_DAY:
                ends.append(end)
                begins.append(begin)
    return np.array(ends, np.int64), np.array(begins, np.int64)


def _step_l(litres: Floats) -> float:
    """Litres of a step of the coarse grid: room for a busy day and a bath on top."""
    a_day = float(litres.sum()) / max(len(litres), 1)
    room = max(600.0, 3.5 * a_day + 300.0)
    return float(600.0 * 1.25 ** np.ceil(np.log(room / 600.0) / np.log(1.25)) / STEPS)


@lru_cache(maxsize=16)
def _each_wave(step_l: float) -> Floats:
    """Cosines and sines of each volume at each frequency, real beside imaginary.

    A volume between two steps is shared by both, so that its mean is kept.
    """
    at = np.minimum(volumes.SUPPORT_L40 / step_l, STEPS - 1.001)
    low = np.floor(at)
    frequency = -2j * np.pi / STEPS * np.arange(STEPS // 2 + 1)
    share = (at - low)[:, None]
    waves = np.exp(np.outer(low, frequency)) * (1.0 - share + share * np.exp(frequency))
    return np.asarray(waves.view(np.float64))


def _waves(tables: volumes.VolumeTables, step_l: float) -> tuple[Any, Any]:
    """Characteristic functions: use without a large draw by rate, a large draw by class."""
    waves = _each_wave(step_l)
    pair = tables.quiet @ waves, np.ascontiguousarray(tables.busy[:, 0, 0]) @ waves
    # single precision is plenty on so coarse a grid, and half the memory to go through
    return pair[0].view(np.complex128).astype(_WAVE), pair[1].view(np.complex128).astype(_WAVE)


def _use(told: Told, index: Ints, step_l: float) -> tuple[Any, Any]:
    """Characteristic functions of half hours without and with a large draw, shape (t, n, f)."""
    quiet, large = _waves(told.tables, step_l)
    right, part = volumes.between(volumes.SMALL_RATES, told.small.ravel()[index])
    share = part.astype(np.float32)
    small = quiet[right - 1] + share[..., None] * (quiet[right] - quiet[right - 1])
    of = told.size_class.ravel()[index]
    more = told.extra.ravel()[index].astype(np.float32)[..., None] * (large - np.float32(1.0))[of]
    # e^x to its third term: further large draws are few
    return small, small * large[of] * (1 + more + more * more / 2)


def _sums(told: Told, happened: Days, begin: Ints, step_l: float) -> Floats:
    """Distribution of the sums over WINDOWS from each beginning on, shape (t, windows, STEPS)."""
    large, habit = told.large.ravel(), told.habit
    slot = np.arange(len(large)) % SLOTS_PER_DAY
    nothing_done = np.array([1.0, 0.0, 0.0, 0.0])
    walked = chain.steps(large, slot, _BEGINS[slot], habit, nothing_done)
    onward = np.ascontiguousarray(walked.into.transpose(0, 2, 1), np.float32)
    before, _ = chain.regimes_of_days(happened.large_litres, np.array(habit.done_from_l))
    index = begin[:, None] + np.arange(SLOTS_PER_DAY)
    use = np.stack(_use(told, index, step_l), axis=2)  # (t, n, 2, f), without and with a large draw
    state = np.zeros((len(begin), 2, 2, use.shape[-1]), _WAVE)
    state.reshape(len(begin), 4, -1)[np.arange(len(begin)), before.ravel()[begin]] = 1.0
    out = np.empty((len(begin), len(WINDOWS), use.shape[-1]), _WAVE)
    for i in range(SLOTS_PER_DAY):
        flat = state.reshape(len(begin), 4, -1).view(np.float32)
        state = np.matmul(onward[begin + i], flat).view(_WAVE).reshape(state.shape)
        state *= use[:, i, None]
        if i + 1 in WINDOWS:
            out[:, WINDOWS.index(i + 1)] = state.sum((1, 2))
    return _tidy(out)


@lru_cache(maxsize=16)
def _whole_days(published: Told, step_l: float) -> Floats:
    """The published profile's sums from each of ORIGINS on, shape (4, windows, STEPS)."""
    slot = (np.array(ORIGINS)[:, None] + np.arange(SLOTS_PER_DAY)) % SLOTS_PER_DAY
    return _plain_sums(published, slot, np.ones(slot.shape), step_l)


def _plain_sums(told: Told, slot: Ints, seen: Floats, step_l: float) -> Floats:
    """The same for days like any other whose half hours know nothing of each other.

    slot and the watched share of each half hour have shape (t, 48).
    """
    part = replace(
        told,
        small=told.small.ravel()[slot] * seen,
        large=told.large.ravel()[slot] * seen,
        extra=told.extra.ravel()[slot],
        size_class=told.size_class.ravel()[slot],
    )
    quiet, busy = _use(part, np.arange(slot.size).reshape(slot.shape), step_l)
    chance = part.large[..., None]
    running = np.cumprod((1.0 - chance) * quiet + chance * busy, axis=1)
    return _tidy(running[:, np.array(WINDOWS) - 1])


def _tidy(waves: Any) -> Floats:
    pmf = np.maximum(np.fft.irfft(waves, STEPS).astype(np.float64), 0.0)
    return np.asarray(pmf / pmf.sum(-1, keepdims=True))


def _crps(reached: Floats, used: Floats) -> Floats:
    """CRPS in steps of distribution functions (..., STEPS) at what was used, shape (...)."""
    above = np.clip(np.arange(STEPS) + 1.0 - used[..., None], 0.0, 1.0)
    return np.asarray(((1.0 - above) * reached**2 + above * (1.0 - reached) ** 2).sum(-1))


def _at(values: Floats, used: Floats) -> Floats:
    """Values on the coarse grid (..., STEPS) at what was used, between two steps by share."""
    at = np.clip(used, 0.0, STEPS - 1.001)[..., None]
    low = at.astype(np.int64)
    below, beyond = (np.take_along_axis(values, low + k, -1) for k in (0, 1))
    return np.asarray((below + (at - low) * (beyond - below))[..., 0])


def _normal_score(chance: Floats) -> Floats:
    """The normal quantile of a chance, to 5e-4 (Abramowitz and Stegun 1964, 26.2.23)."""
    p = np.clip(chance, 1e-4, 1.0 - 1e-4)
    t = np.sqrt(-2.0 * np.log(np.minimum(p, 1.0 - p)))
    high = t - (2.515517 + 0.802853 * t + 0.010328 * t * t) / (
        1.0 + 1.432788 * t + 0.189269 * t * t + 0.001308 * t**3
    )
    return np.asarray(np.where(p > 0.5, high, -high))


def _added(record: Record, end: Ints, losses: Floats, above: Floats, expected: Floats) -> Record:
    """The record with the trials' losses and scores, averaged by the day in which they end.

    losses: those of what is learned and of the profile, and how far apart the two are (the
        integral of the squared difference of their distribution functions), shape (3, t).
    above, expected: scores by window, shape (t, windows).
    """
    each = np.unique(end, return_inverse=True)[1]
    count = np.bincount(each)
    by_day = np.stack([np.bincount(each, part) / count for part in losses], axis=1)
    for ours, theirs, apart in by_day.tolist():
        share = record.weight
        blend = share * ours + (1.0 - share) * theirs - share * (1.0 - share) * apart
        total, days = record.loss + theirs, record.days + 1.0
        gained = min(record.gained + (theirs - blend) / max(total / days, 1e-6), MOST_GAINED)
        record = replace(record, gained=gained, loss=total, days=days)
    weight = 1.0 / count[each]

    def by_length(scores: Floats) -> Floats:
        return np.asarray((weight @ scores).reshape(2, 2).sum(1))

    return replace(
        record,
        above=record.above + by_length(above),
        expected=record.expected + by_length(expected),
    )
