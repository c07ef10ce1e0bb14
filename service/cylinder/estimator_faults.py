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
from dataclasses import dataclass, replace

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
JUMP_K, JUMPS, JUMPS_FADE_S = 6.0, 3.0, 5400.0
STILL_K = 0.5  # water at a probe that is expected to change less from reading to reading stands
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
    colder_k: Floats | float = 0.0,
    warmer_k: float = 0.0,
    elapsed_s: float,
) -> Watch:
    """Weigh one set of readings.

    readings_c     (m,) degC, NaN where there is none
    expected_c     (m,) what the model expects each probe to show, before these readings
    expected_sd_k  (m,) how sure it is of that
    at_levels_c    (len(LEVELS),) what it expects at each of LEVELS
    levels         (m,) where the probes are said to be, share of the volume
    colder_k       (m,) by how much colder each may be for a draw that nobody saw
    warmer_k       by how much warmer for heat that nobody saw
    """
    m = len(readings_c)
    was_broken = np.isfinite(watch.broken_c)
    faded = math.exp(-elapsed_s / JUMPS_FADE_S)
    # Few probes, many rules: plain numbers are several times as fast as arrays of three.
    told = [
        _heard(*probe, elapsed_s=elapsed_s, faded=faded)
        for probe in zip(
            readings_c.tolist(),
            expected_c.tolist(),
            expected_sd_k.tolist(),
            watch.reading_c.tolist(),
            watch.expected_c.tolist(),
            watch.unheard_s.tolist(),
            watch.broken_c.tolist(),
            watch.range_c.tolist(),
            watch.same_s.tolist(),
            watch.jumps.tolist(),
            watch.leap.tolist(),
            strict=True,
        )
    ]
    reading_c, last_expected_c, unheard_s, broken_c, range_c, same_s, jumps, leap = zip(
        *told, strict=True
    )
    level, swap, unweighed_s = watch.level, watch.swap, watch.unweighed_s + elapsed_s
    if unweighed_s >= WEIGH_EVERY_S:
        weight = min(1.0, unweighed_s / APART_S)
        fade = math.exp(-unweighed_s / (14 * 86400.0))
        possible = (readings_c > LOW_C) & (readings_c < HIGH_C)  # False for NaN
        y = np.where(possible, readings_c, expected_c)  # no reading, no evidence
        variance = SPREAD_K**2 + expected_sd_k**2
        own = np.minimum(0.5 * (y - expected_c) ** 2 / variance, WORST)
        # Water that rose or was heated unseen explains a reading as well as another place does.
        moved_c = np.clip(y, expected_c - colder_k, expected_c + warmer_k)
        moved = np.minimum(0.5 * (y - moved_c) ** 2 / variance, WORST)
        other = np.minimum(0.5 * (y[:, None] - at_levels_c) ** 2 / variance[:, None], WORST)
        # another height must explain clearly more, or every small model error would count
        apart = possible[:, None] & (np.abs(LEVELS - levels[:, None]) > LEVEL_APART)
        gain = np.where(apart, moved[:, None] - other, 0.0) - 0.15 * (moved > 0.5)[:, None]
        level = np.minimum(np.maximum(level * fade + weight * gain, 0.0), MOST)
        if m > 1:
            exchanged = np.minimum(0.5 * (y[:, None] - expected_c) ** 2 / variance, WORST)
            better = own[:, None] - exchanged  # both must gain, or it's one probe's own fault
            gain = 2.0 * np.minimum(better, better.T) * (possible[:, None] & possible)
            swap = np.minimum(np.maximum(swap * fade + weight * gain, 0.0), MOST)
            np.fill_diagonal(swap, 0.0)
        unweighed_s = 0.0

    weighed = Watch(
        reading_c=np.array(reading_c),
        expected_c=np.array(last_expected_c),
        unheard_s=np.array(unheard_s),
        broken_c=np.array(broken_c),
        range_c=np.array(range_c),
        same_s=np.array(same_s),
        jumps=np.array(jumps),
        leap=np.array(leap),
        level=level,
        swap=swap,
        unweighed_s=unweighed_s,
        named=watch.named,
    )
    named = _name(weighed, expected_sd_k, was_broken)
    return weighed if named == watch.named else replace(weighed, named=named)


def unheard(watch: Watch, elapsed_s: float) -> Watch:
    """No probe was heard for so long: all that follows from it is who has fallen silent."""
    unheard_s = watch.unheard_s + elapsed_s
    named = dict(watch.named)
    for i in np.flatnonzero(unheard_s > SILENT_S).tolist():
        if named.get(i) != "open_circuit":
            named[i] = "silent"
    return replace(
        watch,
        unheard_s=unheard_s,
        jumps=watch.jumps * math.exp(-elapsed_s / JUMPS_FADE_S),
        unweighed_s=watch.unweighed_s + elapsed_s,
        named=tuple(sorted(named.items())),
    )


def _heard(
    reading_c: float,
    expected_c: float,
    expected_sd_k: float,
    last_c: float,
    last_expected_c: float,
    unheard_s: float,
    broken_c: float,
    low_high: list[float],
    same_s: float,
    jumps: float,
    leap: float,
    *,
    elapsed_s: float,
    faded: float,
) -> tuple[float, float, float, float, list[float], float, float, float]:
    """One probe's share of ``look``: the new ``reading_c`` to ``leap`` of its watch."""
    jumps *= faded
    heard = math.isfinite(reading_c)
    if not heard:
        return (
            last_c,
            last_expected_c,
            unheard_s + elapsed_s,
            broken_c,
            low_high,
            same_s,
            jumps,
            leap,
        )
    was_broken = math.isfinite(broken_c)
    if not LOW_C < reading_c < HIGH_C:
        jumps += not was_broken  # out of range counts as a leap
        return last_c, last_expected_c, 0.0, reading_c, low_high, same_s, jumps, leap
    # A front that passes unforeseen leaps once; a bad joint leaps there and back.
    expected_k = expected_c - last_expected_c
    surprise_k = (reading_c - last_c) - expected_k
    # Where a probe sits in a front counts only while the water moves.
    sure_k = JUMP_K if abs(expected_k) < STILL_K else max(JUMP_K, 5.0 * expected_sd_k)
    if abs(surprise_k) > sure_k:  # False before the first reading
        direction = math.copysign(1.0, surprise_k)
        jumps += direction == -leap
        leap = direction
    lowest, highest, least, most = low_high
    lowest, highest = min(lowest, reading_c), max(highest, reading_c)
    if highest - lowest > SAME_K:
        low_high, same_s = [reading_c, reading_c, expected_c, expected_c], 0.0
    else:
        # What only comes closer to the reading has learned from it: no water moved.
        nearest_k = max(least - reading_c, reading_c - most, 0.0)
        if abs(expected_c - reading_c) < nearest_k:
            least = most = expected_c
        low_high = [lowest, highest, min(least, expected_c), max(most, expected_c)]
        same_s += elapsed_s
    return reading_c, expected_c, 0.0, math.nan, low_high, same_s, jumps, leap


_MISPLACED = {"swapped", "wrong_height"}


def _name(watch: Watch, sd_k: Floats, was_broken: Bools) -> tuple[tuple[int, str], ...]:
    was = dict(watch.named)
    m = len(watch.reading_c)
    named: dict[int, str] = {}
    probes = zip(
        watch.range_c.tolist(),
        watch.broken_c.tolist(),
        was_broken.tolist(),
        watch.unheard_s.tolist(),
        watch.jumps.tolist(),
        watch.same_s.tolist(),
        sd_k.tolist(),
        strict=True,
    )
    for i, ((_, _, least, most), broken_c, broken, unheard_s, jumps, same_s, sd) in enumerate(
        probes
    ):
        held = 0.5 if was.get(i) == "stuck" else 1.0
        if broken and math.isfinite(broken_c):
            named[i] = "open_circuit"
        elif unheard_s > SILENT_S:
            named[i] = "silent"
        elif was.get(i) in _MISPLACED:
            continue  # what else it does follows from where it sits
        elif jumps > (0.5 if was.get(i) == "jumping" else JUMPS - 0.5):
            named[i] = "jumping"
        elif same_s > 1800 and most - least > held * (MOVED_K + 2.0 * sd):
            named[i] = "stuck"
    if m == 1 or max(float(watch.swap.max()), float(watch.level.max())) < WITHDRAWN:
        return tuple(sorted(named.items()))
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
        if watch.level[i].max() > limit:
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
