"""How well the estimator knows V40 with few probes, on independent days it has never seen."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from service.cylinder import estimator
from service.cylinder.usable import v40_l
from tests.benchmarks.frame import Figure, Result, at_least, at_most, seconds, within
from tests.published.independent import Case, cases, replay
from tests.published.independent.drive import tank

TANKS = 80  # the mixing fitted to the calibration day, tests/published/test_independent_model.py
PROBES = (1, 2, 3, 5, 8)
BEGIN_MIN = 120  # the first two hours after the first reading count for nothing
EVERY_MIN = 5
Floats = NDArray[np.float64]


def run(*, long: bool = False) -> Result:
    """Every number of probes over all unseen days; ``long`` adds two more draws of the noise."""
    figures: list[Figure] = []
    seeds = (101, 102, 103) if long else (101,)
    for probes in PROBES:
        parts = [
            follow(case, probes, seed, flow_error)
            for case in cases("unseen")
            for seed, flow_error in zip(seeds, (0.02, -0.02, 0.02), strict=False)
        ]
        error, straight, held, tenth = (
            np.concatenate(column) for column in zip(*parts, strict=True)
        )
        rms, straight_rms = _rms(error), _rms(straight)
        label = f"{probes} probe{'s' if probes > 1 else ''}"
        half = 100 * float((np.abs(error) <= tenth / 2).mean())
        name = f"{label}: errors within half a tenth"
        figures.append(at_least(name, half, 95, "%") if probes == 3 else Figure(name, half, "%"))
        name = f"{label}: RMS error against straight lines"
        ratio = rms / straight_rms
        if probes in {2, 3, 5}:
            figures.append(at_most(name, ratio, 0.5))
        elif probes == 8:
            figures.append(at_most(name, ratio, 1.0))
        else:
            figures.append(Figure(name, ratio))
        figures.append(Figure(f"{label}: RMS error", rms, "L"))
        covered = 100 * float(held.mean())
        figures.append(within(f"{label}: 90 % band holds", covered, 87, 93, "%"))
    figures += _speed()
    return Result(
        "straight lines between the same readings; the truth is ochre-nrel's tank of 40 nodes",
        tuple(figures),
        (
            "probe noise 0.5 K for each reading once a minute, flow meter 2 % off",
            "the probes have no offsets, and the estimator is told so",
            "mixing fitted to the calibration day; constants of the estimator to tuning days",
            "V40 of the true profile for a cold inlet of 10 degC, every five minutes",
        ),
        {
            "cases": [case.name for case in cases("unseen")],
            "days": sum(len(case.days) for case in cases("unseen")),
            "seeds": list(seeds),
        },
    )


def follow(
    case: Case, probes: int, seed: int, flow_error: float
) -> tuple[Floats, Floats, NDArray[np.bool_], Floats]:
    """(errors L, straight lines' errors L, whether the band held, litres of a tenth)."""
    places = replay.probe_levels(probes)
    levels = np.array(list(places.values()))
    shown = replay.readings(case, levels, seed)
    true = replay.true_v40_l(case)
    cylinder = tank(case, TANKS)
    volumes = cylinder.layer_volumes_l(estimator.LAYERS)
    middles = (np.arange(estimator.LAYERS) + 0.5) / estimator.LAYERS
    state = None
    errors, straight, held = [], [], []
    for minute, seen in replay.observations(case, shown, list(places), flow_scale=1 + flow_error):
        if state is None:
            state = estimator.start(cylinder, places, seen, probe_offset_sd_k=0.0)
            continue
        state = estimator.advance(state, seen, 60.0)
        if minute < BEGIN_MIN or minute % EVERY_MIN:
            continue
        found = estimator.estimate(state, 10.0)
        line = np.interp(middles, levels, shown[minute])
        errors.append(found.v40_l - true[minute])
        straight.append(float(v40_l(line, volumes, 10.0)) - true[minute])
        held.append(found.v40_low_l - 1e-6 <= true[minute] <= found.v40_high_l + 1e-6)
    tenth = case.volume_l * (case.set_c - 10.0) / 30.0 / 10.0
    return np.array(errors), np.array(straight), np.array(held), np.full(len(errors), tenth)


def _rms(errors: Floats) -> float:
    return float(np.sqrt(np.square(errors).mean()))


def _speed() -> list[Figure]:
    case = cases("tuning")[0]
    places = replay.probe_levels(5)
    shown = replay.readings(case, np.array(list(places.values())), 1)
    cylinder = tank(case, TANKS)
    figures = []
    for every, label in ((1, "1 min"), (10, "10 min")):
        seen = [s for _, s in replay.observations(case, shown, list(places), every=every)][:400]

        def lived(seen: list[estimator.Observation] = seen, step_s: float = 60.0 * every) -> None:
            state = estimator.start(cylinder, places, seen[0])
            for observation in seen[1:]:
                state = estimator.advance(state, observation, step_s)

        each_ms = seconds(lived, 3) / (len(seen) - 1) * 1000
        figures.append(Figure(f"time of one advance of {label}, 5 probes", each_ms, "ms"))
    return figures
