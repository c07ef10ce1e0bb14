"""Noticing a probe that cannot be believed: evidence that adds up and fades.

Every fault is a score that grows with each reading the fault explains better than its absence,
and shrinks otherwise (Page's cumulative sum, Biometrika 41, 1954). A fault is named when its
score passes ``NAMED`` and withdrawn when it falls below ``WITHDRAWN``; a probe with a named
fault no longer reaches the filter, so the later evidence is not of its own making. Scores are
log-likelihood ratios in units of independent readings: readings in quick succession share
errors and count for less (``APART_S``).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.cylinder.water import Floats

Bools = NDArray[np.bool_]

NAMED, WITHDRAWN, MOST = 14.0, 4.0, 40.0
APART_S = 300.0
WEIGH_EVERY_S = 60.0
LOW_C, HIGH_C = -10.0, 110.0  # outside: not water's temperature but a broken wire
SILENT_S = 3600.0
SPREAD_K = 1.5  # how far a sound probe may be from the model without it counting
WORST = 6.0  # no single reading counts for more
SAME_K, MOVED_K = 0.15, 2.5  # stuck: the reading stays within one while the water moves so far
JUMP_K, JUMPS = 6.0, 3.0
LEVELS = np.linspace(0.025, 0.975, 20)
LEVEL_APART = 0.08  # nearer than this isn't a wrong height but a tolerance


@dataclass(frozen=True)
class ProbeFault:
    """A probe that isn't believed: which, why (a code) and on what evidence.

    Codes: ``open_circuit``, ``silent``, ``stuck``, ``jumping``, ``swapped`` (evidence
    ``with``), ``wrong_height`` (evidence ``level``: where it seems to be, share of the volume).
    """

    code: str
    probe: str
    evidence: Mapping[str, float | str]


@dataclass(frozen=True)
class Watch:
    """What is remembered of m probes; every array has the probe as its first axis."""

    reading_c: Floats  # (m,) last believable reading, NaN before the first
    expected_c: Floats  # (m,) what was expected then
    unheard_s: Floats  # (m,) since the last reading of any kind
    broken_c: Floats  # (m,) the impossible reading, NaN if the last one was possible
    range_c: Floats  # (m, 4) lowest and highest: reading, expectation, since it last changed
    same_s: Floats  # (m,) for how long the reading has stayed within SAME_K
    jumps: Floats  # (m,) leaps there and back, fading
    leap: Floats  # (m,) direction of the last leap, 0 before the first
    level: Floats  # (m, len(LEVELS)) score for sitting at that level instead
    swap: Floats  # (m, m) score for being exchanged with another, symmetric
    unweighed_s: float = 0.0  # since level and swap were last weighed
    named: tuple[tuple[int, str], ...] = ()  # (probe, code) in force

    @classmethod
    def begin(cls, probes: int) -> Watch:
        """Nothing known of any probe."""
        nothing = np.full(probes, np.nan)
        zero = np.zeros(probes)
        return cls(
            nothing,
            nothing.copy(),
            zero,
            nothing.copy(),
            np.tile([np.inf, -np.inf, np.inf, -np.inf], (probes, 1)),
            zero.copy(),
            zero.copy(),
            zero.copy(),
            np.zeros((probes, len(LEVELS))),
            np.zeros((probes, probes)),
        )


def believed(watch: Watch) -> Bools:
    """Which probes may reach the filter, shape (m,)."""
    sound = np.ones(len(watch.reading_c), bool)
    for probe, _ in watch.named:
        sound[probe] = False
    return sound


def look(
    watch: Watch,
    readings_c: Floats,
    expected_c: Floats,
    expected_sd_k: Floats,
    *,
    at_levels_c: Floats,
    levels: Floats,
    elapsed_s: float,
) -> Watch:
    """Weigh one set of readings.

    readings_c     (m,) degC, NaN where there is none
    expected_c     (m,) what the model expects each probe to show, before these readings
    expected_sd_k  (m,) how sure it is of that
    at_levels_c    (len(LEVELS),) what it expects at each of LEVELS
    levels         (m,) where the probes are said to be, share of the volume
    """
    heard = np.isfinite(readings_c)
    possible = heard & (readings_c > LOW_C) & (readings_c < HIGH_C)
    unheard_s = np.where(heard, 0.0, watch.unheard_s + elapsed_s)
    broken_c = np.where(heard, np.where(possible, np.nan, readings_c), watch.broken_c)
    y = np.where(possible, readings_c, expected_c)  # no reading, no evidence

    before = possible & np.isfinite(watch.reading_c)
    # A front that passes unforeseen leaps once; a bad joint leaps there and back.
    surprise = (y - watch.reading_c) - (expected_c - watch.expected_c)
    leaped = before & (np.abs(surprise) > np.maximum(JUMP_K, 5.0 * expected_sd_k))
    back = leaped & (np.sign(surprise) == -watch.leap)
    back |= heard & ~possible & ~np.isfinite(watch.broken_c)  # out of range counts as a leap
    leap = np.where(leaped, np.sign(surprise), watch.leap)
    jumps = watch.jumps * math.exp(-elapsed_s / 5400.0) + back

    low_high = watch.range_c.copy()
    for k, value in ((0, y), (2, expected_c)):
        low_high[:, k] = np.where(possible, np.fmin(low_high[:, k], value), low_high[:, k])
        low_high[:, k + 1] = np.where(
            possible, np.fmax(low_high[:, k + 1], value), low_high[:, k + 1]
        )
    changed = possible & (low_high[:, 1] - low_high[:, 0] > SAME_K)
    fresh = np.stack([y, y, expected_c, expected_c], axis=1)
    low_high = np.where(changed[:, None], fresh, low_high)
    same_s = np.where(changed, 0.0, watch.same_s + elapsed_s * possible)

    level, swap, unweighed_s = watch.level, watch.swap, watch.unweighed_s + elapsed_s
    if unweighed_s >= WEIGH_EVERY_S:
        weight = min(1.0, unweighed_s / APART_S)
        fade = math.exp(-unweighed_s / (14 * 86400.0))
        own = _misfit(y - expected_c, expected_sd_k)
        other = _misfit(y[:, None] - at_levels_c[None, :], expected_sd_k[:, None])
        apart = np.abs(LEVELS[None, :] - levels[:, None]) > LEVEL_APART
        # another height must explain clearly more, or every small model error would count
        gain = np.where(possible[:, None] & apart, own[:, None] - other, 0.0)
        level = np.clip(level * fade + weight * (gain - 0.15 * (own[:, None] > 0.5)), 0.0, MOST)
        exchanged = _misfit(y[:, None] - expected_c[None, :], expected_sd_k[None, :])
        both = possible[:, None] & possible[None, :]
        better = own[:, None] - exchanged  # both must gain, or it's one probe's own fault
        gain = np.where(both, 2.0 * np.minimum(better, better.T), 0.0)
        swap = np.clip(swap * fade + weight * gain, 0.0, MOST)
        np.fill_diagonal(swap, 0.0)
        unweighed_s = 0.0

    weighed = Watch(
        reading_c=np.where(possible, readings_c, watch.reading_c),
        expected_c=np.where(possible, expected_c, watch.expected_c),
        unheard_s=unheard_s,
        broken_c=broken_c,
        range_c=low_high,
        same_s=same_s,
        jumps=jumps,
        leap=leap,
        level=level,
        swap=swap,
        unweighed_s=unweighed_s,
        named=watch.named,
    )
    named = _name(weighed, expected_sd_k, np.isfinite(watch.broken_c))
    if named == watch.named:
        return weighed
    return Watch(**{**weighed.__dict__, "named": named})


_MISPLACED = {"swapped", "wrong_height"}


def _misfit(error_k: Floats, sd_k: Floats) -> Floats:
    """Half the squared error in units of a sound probe's own, bounded."""
    return np.minimum(0.5 * error_k**2 / (SPREAD_K**2 + sd_k**2), WORST)


def _name(watch: Watch, sd_k: Floats, was_broken: Bools) -> tuple[tuple[int, str], ...]:
    was = dict(watch.named)
    m = len(watch.reading_c)
    named: dict[int, str] = {}
    for i in range(m):
        travelled = watch.range_c[i, 3] - watch.range_c[i, 2]
        held = 0.5 if was.get(i) == "stuck" else 1.0
        if np.isfinite(watch.broken_c[i]) and was_broken[i]:
            named[i] = "open_circuit"
        elif watch.unheard_s[i] > SILENT_S:
            named[i] = "silent"
        elif was.get(i) in _MISPLACED:
            continue  # what else it does follows from where it sits
        elif watch.jumps[i] > (0.5 if was.get(i) == "jumping" else JUMPS - 0.5):
            named[i] = "jumping"
        elif watch.same_s[i] > 1800 and travelled > held * (MOVED_K + 2.0 * sd_k[i]):
            named[i] = "stuck"
    free = [i for i in range(m) if i not in named]
    swap = watch.swap.copy()
    for i in named:
        swap[i] = swap[:, i] = 0.0
    while len(free) > 1:
        a, b = divmod(int(np.argmax(swap)), m)
        kept = was.get(a) == "swapped" and was.get(b) == "swapped"
        if swap[a, b] < (WITHDRAWN if kept else NAMED):
            break
        for i in (a, b):
            named[i] = "swapped"
            swap[i] = swap[:, i] = 0.0
    for i in free:
        limit = WITHDRAWN if was.get(i) == "wrong_height" else NAMED
        # being exchanged looks like sitting at the other's place: wait for that to be settled
        if i in named or watch.swap[i].max() > max(0.5 * watch.level[i].max(), WITHDRAWN):
            continue
        if m > 1 and watch.level[i].max() > limit:
            named[i] = "wrong_height"
    return tuple(sorted(named.items()))


def describe(watch: Watch, names: tuple[str, ...], levels: Floats) -> tuple[ProbeFault, ...]:
    """The faults in force, with their evidence."""
    faults = []
    for i, code in watch.named:
        evidence: dict[str, float | str] = {}
        if code == "open_circuit":
            evidence["reading_c"] = float(watch.broken_c[i])
        elif code == "silent":
            evidence["unheard_s"] = float(watch.unheard_s[i])
        elif code == "jumping":
            evidence["jumps"] = round(float(watch.jumps[i]), 1)
            evidence["reading_c"] = float(watch.reading_c[i])
        elif code == "stuck":
            evidence["reading_c"] = float(watch.reading_c[i])
            evidence["same_s"] = float(watch.same_s[i])
            low, high = watch.range_c[i, 2:]
            evidence["expected_from_c"], evidence["expected_to_c"] = float(low), float(high)
        elif code == "swapped":
            partner = int(np.argmax(watch.swap[i]))
            evidence["with"] = names[partner]
            evidence["score"] = round(float(watch.swap[i, partner]), 1)
        else:
            best = int(np.argmax(watch.level[i]))
            evidence["level"] = round(float(LEVELS[best]), 3)
            evidence["said_level"] = round(float(levels[i]), 3)
            evidence["score"] = round(float(watch.level[i, best]), 1)
        faults.append(ProbeFault(code, names[i], evidence))
    return tuple(faults)
