"""What surrounds the cylinder, learned as it lives: cold inlet, outdoor temperature, PV surplus.

Half-hourly means are gathered in the step and handed to ``forecasting.surroundings`` when a local
day is over; the inlet counts only while water runs, since a standing pipe shows the room.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import numpy as np

from adapters.wiring import Quantity
from forecasting import surroundings
from forecasting.types import Measured, Surroundings
from service.control import observe
from service.control.plant import Plant
from service.control.state import Around, Row, State, changed

HALF_HOUR_S = 1800
SAMPLE_EVERY_S = 30.0
ROWS_KEPT = 4 * 48
ROWS_LATELY = 6  # of yesterday's: soon after midnight they still say how warm it is now


def follow(
    was: Around,
    plant: Plant,
    fresh: dict[str, float],
    inlet_c: float | None,
    surplus_w: float | None,
    now: datetime,
    elapsed_s: float,
) -> Around:
    """Take a sample now and then; close half hours and days.

    Args:
        was: as the last step left it.
        plant: the home's plant.
        fresh: fresh values by signal.
        inlet_c: the cold inlet while water runs, None otherwise.
        surplus_w: PV surplus, W; None when nothing measures it.
        now: aware UTC.
        elapsed_s: elapsed clock.
    """
    if elapsed_s - was.mark_s < SAMPLE_EVERY_S or now.year not in observe.PLAUSIBLE_YEARS:
        return was
    start_s = int(now.timestamp()) // HALF_HOUR_S * HALF_HOUR_S
    if start_s != was.start_s:
        was = _closed(was, start_s)
        today = now.astimezone(plant.zone).date().isoformat()
        if today != was.day:
            was = _after_day(was, plant, int(now.timestamp()), today)
    outdoor_c = observe.first_fresh(plant, fresh, Quantity.OUTDOOR_TEMPERATURE)
    sums, counts = list(was.sums), list(was.counts)
    for i, value in enumerate((inlet_c, outdoor_c, surplus_w)):
        if value is not None:
            sums[i] += value
            counts[i] += 1
    return changed(was, sums=tuple(sums), counts=tuple(counts), mark_s=elapsed_s)


def outdoor_c(state: State, plant: Plant, fresh: dict[str, float], now_s: float) -> float | None:
    """The outdoor temperature to reckon with, degC: measured, or else what is expected of now.

    What is expected is what plans are made with: a weather feed's, or the season's as learned. None
    where neither is known.
    """
    measured_c = observe.first_fresh(plant, fresh, Quantity.OUTDOOR_TEMPERATURE)
    expected = state.surroundings
    if measured_c is not None or expected is None:
        return measured_c
    slot = expected.grid.slot_at(now_s)
    return None if slot is None else float(expected.outdoor_c[slot])


def coldest_c(
    expected: Surroundings | None,
    outdoor_c: float | None,
    now_s: float,
    from_s: float,
    for_s: float,
) -> float | None:
    """The coldest that the outdoor air gets within ``for_s`` from ``from_s`` on, degC.

    As it is expected to rise and fall from ``outdoor_c`` now on: that is known better than how cold
    it is. None where it is not known now; what is beyond expectation is as it is at its end.
    """
    if expected is None or outdoor_c is None:
        return outdoor_c
    grid = expected.grid
    now, begin, end = np.searchsorted(grid.end_s, (now_s, from_s, from_s + for_s), side="right")
    last = len(grid) - 1
    ahead = expected.outdoor_c[min(begin, last) : end + 1]
    return outdoor_c + float(ahead.min() - expected.outdoor_c[min(now, last)])


def _closed(was: Around, start_s: int) -> Around:
    rows = tuple(r for r in was.rows if r[0] < was.start_s)  # none of a clock that was ahead
    if any(was.counts):
        means = [
            total / count if count else None
            for total, count in zip(was.sums, was.counts, strict=True)
        ]
        rows = (*rows, (was.start_s, means[0], means[1], means[2]))[-ROWS_KEPT:]
    return changed(was, rows=rows, start_s=start_s, sums=(0.0, 0.0, 0.0), counts=(0, 0, 0))


def _after_day(was: Around, plant: Plant, now_s: int, today: str) -> Around:
    wiring = plant.settings.wiring
    model = was.model
    if model is None:
        model = surroundings.learn(measured(()), plant.zone, now_s, wiring.where)
    elif (model.zone, model.place) != (plant.zone, wiring.where):  # the file was put right
        model = replace(model, zone=plant.zone, place=wiring.where)
    if was.rows:
        model = surroundings.update(model, measured((*was.rows, (now_s, None, None, None))))
    return changed(was, model=model, rows=was.rows[-ROWS_LATELY:], day=today)


def measured(rows: tuple[Row, ...]) -> Measured:
    """Rows of half-hourly means as arrays."""

    def column(i: int) -> np.ndarray:
        return np.array([np.nan if r[i] is None else r[i] for r in rows], np.float64)

    return Measured(np.array([r[0] for r in rows], np.int64), column(1), column(2), column(3))
