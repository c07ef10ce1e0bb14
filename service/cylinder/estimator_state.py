"""What the estimator is told and what it remembers, and how its cells are looked at."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from service.cylinder import estimator_faults as faults
from service.cylinder.estimator_heat import Heat
from service.cylinder.estimator_motion import CELLS, INLET, MIXING, PARAMETERS, cell_l
from service.cylinder.geometry import Cylinder
from service.cylinder.water import Floats

N = CELLS + 1
BELIEVED_INLET_SD_K = 2.5  # of a cold inlet that is not measured: a table's for the season
PIPES_SD = 0.5  # of what a secondary return loses: pipes are lagged well, badly or not at all
RETURNED_SD_K = 0.5  # of what an exchanger returns unmeasured: its approach, a limit in the cold
UNSEEN_STEPS = 80  # so finely is told apart what was drawn unseen, of the volume
PROBE_OFFSET_SD_K = 0.3  # IEC 60751 class B: 0.55 K at most at 50 degC, evenly spread


@dataclass(frozen=True)
class Circulation:
    """What went through a secondary return since the observation before.

    litres  that its pump moved from the top back into the cylinder; a multiple of what one of
            the estimator's cells holds, ``cell_l``, smears nothing
    level   where they came back, share of the volume
    """

    litres: float
    level: float


@dataclass(frozen=True)
class Observation:
    """What was seen since the observation before; the probes' readings are of its end.

    probes_c    degC by probe name; a probe without a reading is left out
    drawn_l     litres metered since, None without a flow meter (a known 0 is worth more); the
                cylinder is full, so as many enter cold as leave hot, wherever the meter sits
    cold_measured  False when ``cold_c`` is only what the cold inlet is believed to be
    perhaps     heat that went into the water or elsewhere, nobody knows which
    heat_known  False where a source may have heated without anybody knowing
    expected_l  hot litres that the household was expected to draw since, for when nothing metered
                them; what is expected is never taken for what was seen
    circulation  through a secondary return; None where none ran
    """

    probes_c: Mapping[str, float] = field(default_factory=dict)
    drawn_l: float | None = 0.0
    cold_c: float = 10.0
    ambient_c: float = 20.0
    heat: Sequence[Heat] = ()
    cold_measured: bool = True
    perhaps: Sequence[Heat] = ()
    heat_known: bool = True
    expected_l: float = 0.0
    circulation: Circulation | None = None


def nothing_unseen() -> Floats:
    """Surely nothing was drawn unseen, shape (UNSEEN_STEPS + 1,)."""
    nothing = np.zeros(UNSEEN_STEPS + 1)
    nothing[0] = 1.0
    return nothing


@dataclass(frozen=True)
class EstimatorState:
    """All that the estimator remembers. Made by ``start``, changed only by ``advance``.

    cells_c     (CELLS + 1,) degC from the bottom, of cells that travel with the water
    phase_l     how much of the lowest cell lies inside the cylinder, L
    errors      (PARAMETERS + m,) the parameters of ``estimator_motion``, then the offset of each
                probe in K
    covariance  of cells and errors together, float32 so that a snapshot loses nothing
    """

    cylinder: Cylinder
    probes: tuple[tuple[str, float], ...]  # name, level (share of the volume below it)
    probe_sd_k: float
    cells_c: Floats
    phase_l: float
    errors: Floats
    covariance: Any
    watch: faults.Watch
    unseen_l: float = 0.0  # without a flow meter: how much may have been drawn unnoticed
    offset_sd_k: float = PROBE_OFFSET_SD_K  # by how much a probe may show too much or too little
    # How likely each part of it was, from nothing up to the whole volume, (UNSEEN_STEPS + 1,).
    likely: Floats = field(default_factory=nothing_unseen)


def cold_c_of(state: EstimatorState, seen: Observation) -> float:
    """The cold inlet, degC: where it is not measured, as the probes have corrected it."""
    return max(seen.cold_c + (0.0 if seen.cold_measured else float(state.errors[INLET])), 0.0)


def coldest_c_of(state: EstimatorState, seen: Observation, shown_c: Floats) -> float:
    """What comes in below, degC: as believed, and no warmer than what any probe shows."""
    return max(min(cold_c_of(state, seen), float(shown_c.min(initial=math.inf))), 0.0)


def mixing_factor_of(state: EstimatorState) -> float:
    """By what factor more water mixes as it flows than the cylinder was said to."""
    return max(1.0 + float(state.errors[MIXING]), 0.1)


def inlet_error_k(state: EstimatorState) -> float:
    """By how much the cold inlet is warmer than believed where it is not measured, K."""
    return float(state.errors[INLET])


def middles_l(cylinder: Cylinder, phase_l: float) -> Floats:
    """Volume below the middle of each whole cell, L; the outermost ones lie partly outside."""
    h = cell_l(cylinder)
    middles: Floats = phase_l + h * (np.arange(N) - 0.5).astype(np.float64)
    return middles


def look_at_cells(state: EstimatorState, levels: Floats) -> Floats:
    """Weights that interpolate the cells at levels, shape (len(levels), CELLS + 1)."""
    cut = state.phase_l * CELLS / state.cylinder.volume_l
    lowest = 0 if cut > 1e-6 else 1
    highest = N - 1 if cut < 1.0 - 1e-6 else N - 2
    weights = np.zeros((len(levels), N))
    for row, level in enumerate(levels.tolist()):
        position = min(max(level * CELLS - cut + 0.5, lowest), highest)
        below = min(int(position), N - 2)
        weights[row, below] = 1.0 - (position - below)
        weights[row, below + 1] = position - below
    return weights


def crossed_with(covariance: Floats, look_at: Floats) -> tuple[Floats, Floats]:
    """Covariance of everything with what the probes show, and of that with itself."""
    offsets = N + PARAMETERS
    crossed = covariance[:, :N] @ look_at.T + covariance[:, offsets:]
    return crossed, look_at @ crossed[:N] + crossed[offsets:]


def slope_k_per_l(cells_c: Floats, h_l: float) -> Floats:
    """Slope at each cell from both its neighbours, at the ends from the one there is."""
    steps = (cells_c[1:] - cells_c[:-1]) / h_l
    slope = np.empty_like(cells_c)
    slope[0], slope[-1] = steps[0], steps[-1]
    slope[1:-1] = 0.5 * (steps[1:] + steps[:-1])
    return slope


def correlation(reach: float) -> Floats:
    """How alike cells err, by their distance in shares of the volume, shape (N, N)."""
    apart = np.arange(N)[:, None] - np.arange(N)[None, :]
    alike: Floats = np.exp(-0.5 * (apart / (CELLS * reach)) ** 2)
    return alike
