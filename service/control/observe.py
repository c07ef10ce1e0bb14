"""Readings become what is known of now: fresh values, ages, and what cannot be true.

Freshness counts in elapsed time: a value's age on arrival plus what has passed since. The wall
clock only enters through a stamp in the payload, so that a jump of it makes nothing fresh.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import datetime

from adapters import units
from adapters.types import Reading
from adapters.wiring import Quantity, Signal
from service.control.plant import Plant
from service.control.state import Clock, Heard, State

JUMP_S = 90.0  # wall and elapsed time differ by more than this between two steps: a jump
JUMP_TOLD_S = 3600.0  # for how long it stays among the faults
PLAUSIBLE_YEARS = range(2024, 2101)
# Many small computers have no clock that runs while they are off: it is put right by the network
# some time after boot, and only then tells how long they were.
PUT_RIGHT_WITHIN_S = 86_400.0
LONGEST_AWAY_S = 366 * 86_400.0  # longer is a clock that errs
# After a pause that was too long a signal has found its rhythm again once so many values came soon
# enough, and over more than this time.
SOONER_LEAST, BURST_S = 2, 60.0

# Tighter than what an instrument may show at all (``adapters.units.limits``): liquid water in a
# vented or unvented cylinder, and a main that freezes or scalds nobody. Outside is nonsense.
POSSIBLE_C: dict[Quantity, tuple[float, float]] = {
    Quantity.PROBE: (-5.0, 105.0),
    Quantity.OUTLET_TEMPERATURE: (-5.0, 105.0),
    Quantity.COLD_INLET_TEMPERATURE: (-2.0, 40.0),
}


@dataclass(frozen=True, slots=True)
class Observed:
    """What one step's readings came to.

    fresh     the value of every signal that says what is now
    flow      draw-flow readings in measured order, also stamped ones from the past
    context   temperatures in measured order, also from the past: (measured_s, signal, value)
    nonsense  signals whose values could not be used, once for each value
    news      signals that were heard in this step
    """

    heard: dict[str, Heard]
    fresh: dict[str, float]
    flow: tuple[Reading, ...]
    context: tuple[Reading, ...]
    nonsense: tuple[str, ...]
    news: frozenset[str]


def clock(was: Clock, at: datetime, elapsed_s: float, now: datetime, now_elapsed_s: float) -> Clock:
    """Compare how far wall time and elapsed time moved since the last step."""
    drift = (now - at).total_seconds() - (now_elapsed_s - elapsed_s)
    wrong = now.year not in PLAUSIBLE_YEARS
    if abs(drift) > JUMP_S:
        at_boot = now_elapsed_s - was.began_mark_s < PUT_RIGHT_WITHIN_S
        away_s = was.away_s + drift if was.away_s is not None and at_boot else was.away_s
        return replace(
            was,
            jumped_at_mark_s=now_elapsed_s,
            jumped_by_s=drift,
            jumps=was.jumps + 1,
            wrong=wrong,
            away_s=away_s,
        )
    if wrong is not was.wrong:
        return replace(was, wrong=wrong)
    return was


def away_s(clock: Clock) -> float:
    """How long nobody watched before this process began, as far as the clock is believed, s."""
    told_s = clock.away_s or 0.0
    return told_s if not clock.wrong and 0.0 < told_s < LONGEST_AWAY_S else 0.0


def doubted(clock: Clock, elapsed_s: float) -> bool:
    """Whether the wall clock may be ahead by far: it just jumped, or skipped a year at boot."""
    skipped = (clock.away_s or 0.0) >= LONGEST_AWAY_S
    at_boot = elapsed_s - clock.began_mark_s < PUT_RIGHT_WITHIN_S
    return clock.wrong or just_jumped(clock, elapsed_s) or (skipped and at_boot)


def just_jumped(clock: Clock, elapsed_s: float) -> bool:
    """Whether the wall clock jumped within the last hour."""
    return elapsed_s - clock.jumped_at_mark_s < JUMP_TOLD_S


def possible(signal: Signal, value: float) -> bool:
    """Whether a value can be true at all."""
    low, high = POSSIBLE_C.get(signal.measures) or units.limits(signal.measures, signal.unit)
    return math.isfinite(value) and low <= value <= high


def take(state: State, plant: Plant, readings: tuple[Reading, ...], elapsed_s: float) -> Observed:
    """Sort one step's readings. A value that waited without a stamp leaves no trace at all."""
    heard = state.heard
    flow: list[Reading] = []
    context: list[Reading] = []
    nonsense: list[str] = []
    news: set[str] = set()
    if readings:
        heard = dict(heard)
        ordered = (
            sorted(readings, key=lambda r: (r.measured_s, r.received_s))
            if len(readings) > 1
            else readings
        )
        for reading in ordered:
            signal = plant.signals.get(reading.signal)
            if signal is None:
                continue
            if not reading.tells_now and not reading.stamped:
                continue
            if not possible(signal, reading.value):
                nonsense.append(reading.signal)
                continue
            if signal.measures is Quantity.DRAW_FLOW:
                flow.append(reading)
            elif signal.measures in _CONTEXT:
                context.append(reading)
            if not reading.tells_now:
                continue
            age_s = max(0.0, reading.received_s - reading.measured_s) if reading.stamped else 0.0
            before = heard.get(reading.signal)
            if before is not None and before.age_at(elapsed_s) < age_s:
                continue  # older than what is known already
            now = Heard(reading.value, reading.measured_s, elapsed_s, age_s)
            heard[reading.signal] = now if before is None else _paced(before, now, state, signal)
            news.add(reading.signal)
    return Observed(
        heard,
        freshest(heard, plant, elapsed_s),
        tuple(flow),
        tuple(context),
        tuple(nonsense),
        frozenset(news),
    )


def _paced(before: Heard, now: Heard, state: State, signal: Signal) -> Heard:
    """What was heard now, with the last pause that was too long for as long as it may come again.

    Values may come in bursts, or twice: only some that came soon enough over a while end it.
    """
    # Without a step in between nothing can have been missed.
    since_s = now.mark_s - before.mark_s if before.mark_s < state.elapsed_s else 0.0
    if since_s > signal.stale_after_s:
        return replace(now, apart_s=since_s, apart_mark_s=now.mark_s)
    sooner = before.sooner + 1
    if before.apart_s == 0.0 or (
        sooner >= SOONER_LEAST and now.mark_s - before.apart_mark_s > BURST_S
    ):
        return now
    return replace(now, apart_s=before.apart_s, apart_mark_s=before.apart_mark_s, sooner=sooner)


_CONTEXT = frozenset({Quantity.PROBE, Quantity.OUTLET_TEMPERATURE, Quantity.COLD_INLET_TEMPERATURE})


def freshest(heard: dict[str, Heard], plant: Plant, elapsed_s: float) -> dict[str, float]:
    """The values that still say what is now, by signal."""
    fresh = {}
    for name, last in heard.items():
        signal = plant.signals.get(name)
        if signal is not None and last.age_s + elapsed_s - last.mark_s <= signal.stale_after_s:
            fresh[name] = last.value
    return fresh


def unheard(state: State, plant: Plant, elapsed_s: float, longest_s: float) -> bool:
    """Whether nothing at all was heard for longer than that, which is too long for every probe."""
    silent_s = elapsed_s - max((h.mark_s for h in state.heard.values()), default=elapsed_s)
    if silent_s <= longest_s:
        return False
    fresh = freshest(state.heard, plant, elapsed_s)
    return not any(p.name in fresh for p in plant.probes)


def first_fresh(plant: Plant, fresh: dict[str, float], quantity: Quantity) -> float | None:
    """The first signal of this quantity that says what is now."""
    for signal in plant.of(quantity):
        if signal.name in fresh:
            return fresh[signal.name]
    return None
