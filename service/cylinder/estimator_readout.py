"""What is believed, read out of the estimator's state: the profile, V40 with its band, the rest."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from service.cylinder import estimator_faults as faults
from service.cylinder.estimator_faults import ProbeFault
from service.cylinder.estimator_motion import (
    CELLS,
    FLOW,
    HEAT,
    LOSS,
    PARAMETERS,
    PIPES,
    RETURN_LOSS,
    settled,
)
from service.cylinder.estimator_state import EstimatorState, N, slope_k_per_l
from service.cylinder.estimator_unseen import unseen_l
from service.cylinder.usable import USE_C, lukewarm_kwh, v40_l
from service.cylinder.water import Floats

LAYERS = CELLS  # of the profile that is read out
BORDER_SD_CELLS = 0.01  # a border of a mixed zone is known to a part of a cell only
Z90 = 1.645


@dataclass(frozen=True)
class Estimate:
    """What is believed, with a 90 % band of V40.

    profile_c, profile_sd_c  (LAYERS,) from the bottom, degC and K
    shown_c         (LAYERS,) the profile without draws that are only expected: by what was seen
    lukewarm_kwh    heat above the cold inlet in water too cool to use
    return_loss     share of what hot water is above the ambient that goes round a secondary return
    flow_scale      true litres for each metered one
    probe_offsets_c what each probe shows too much, K; only their differences are observable
    probes_used     names that the estimate rests on
    """

    profile_c: Floats
    shown_c: Floats
    profile_sd_c: Floats
    v40_l: float
    v40_low_l: float
    v40_high_l: float
    lukewarm_kwh: float
    loss_w_per_k: float
    loss_sd_w_per_k: float
    flow_scale: float
    flow_scale_sd: float
    heat_scale: float
    return_loss: float
    probe_offsets_c: Mapping[str, float]
    probe_faults: tuple[ProbeFault, ...]
    probes_used: tuple[str, ...]


def estimate(state: EstimatorState, cold_c: float, use_c: float = USE_C) -> Estimate:
    """Read the state out for a cold inlet at ``cold_c`` degC, water used from ``use_c`` on."""
    cylinder = state.cylinder
    volumes = cylinder.layer_volumes_l(LAYERS)
    # Layers are as thick as cells, so each lies alike over the two cells that it cuts.
    lower = state.phase_l * CELLS / cylinder.volume_l
    upper = 1.0 - lower
    covariance = np.asarray(state.covariance, np.float64)
    own = lower * covariance[: N - 1, :N] + upper * covariance[1:N, :N]
    own = lower * own[:, :-1] + upper * own[:, 1:]
    sd = np.sqrt(np.maximum(own.diagonal(), 0.0))
    profile = settled(lower * state.cells_c[:-1] + upper * state.cells_c[1:], volumes)
    best, low, high = _band(profile, own, volumes, cold_c, use_c)
    shown = profile
    if state.unseen_l > 0:  # draws that no probe can have shown yet: as many as were expected
        drawn_l, most_l = unseen_l(state)
        profile, least = (_risen(shown, volumes, litres, cold_c) for litres in (drawn_l, most_l))
        both = np.stack((profile, least))
        was, (best, without) = best, v40_l(both, volumes, cold_c, use_c).tolist()
        # How many they were and how warm the water is are two things that err each for itself.
        low = max(best - math.hypot(best - without, was - low), 0.0)
    offsets = {
        name: float(state.errors[PARAMETERS + i]) for i, (name, _) in enumerate(state.probes)
    }
    believed = faults.believed(state.watch) & np.isfinite(state.watch.reading_c)
    names = tuple(name for name, _ in state.probes)
    deviations = np.sqrt(np.maximum(covariance.diagonal()[N:], 0.0))
    return Estimate(
        profile_c=profile,
        shown_c=shown,
        profile_sd_c=sd,
        v40_l=best,
        v40_low_l=low,
        v40_high_l=high,
        lukewarm_kwh=float(lukewarm_kwh(profile, volumes, cold_c, use_c)),
        loss_w_per_k=cylinder.loss_w_per_k * float(1.0 + state.errors[LOSS]),
        loss_sd_w_per_k=cylinder.loss_w_per_k * float(deviations[LOSS]),
        flow_scale=float(1.0 + state.errors[FLOW]),
        flow_scale_sd=float(deviations[FLOW]),
        heat_scale=float(1.0 + state.errors[HEAT]),
        return_loss=RETURN_LOSS * max(float(1.0 + state.errors[PIPES]), 0.0),
        probe_offsets_c=offsets,
        probe_faults=faults.describe(state.watch, names, np.array([v for _, v in state.probes])),
        probes_used=tuple(n for n, good in zip(names, believed, strict=True) if good),
    )


def _risen(profile: Floats, volumes: Floats, litres: float, cold_c: float) -> Floats:
    """The layers once so many litres of cold water came in below, degC."""
    middles = np.cumsum(volumes) - 0.5 * volumes
    risen: Floats = np.interp(middles - litres, middles, profile, left=cold_c)
    return risen


def _band(
    profile: Floats, covariance: Floats, volumes: Floats, cold_c: float, use_c: float
) -> tuple[float, float, float]:
    """V40 with its 5 and 95 % bounds: along what changes it most, and with its own law.

    V40 jumps where water crosses the temperature of use, so its slope is taken with a soft
    threshold as wide as the profile is unsure or steep there, and the bounds are V40 of whole
    profiles.
    """
    sd = np.sqrt(np.maximum(covariance.diagonal(), 1e-6))
    steep = np.abs(slope_k_per_l(profile, 1.0))
    width = np.sqrt(sd**2 + (0.5 * steep) ** 2 + 0.09)
    score = np.clip((profile - use_c) / width, -6.0, 6.0)
    above = 0.5 * (1.0 + np.tanh(0.7978845608 * score * (1.0 + 0.044715 * score**2)))
    density = np.exp(-0.5 * score**2) / (2.5066282746 * width)
    slope = volumes * (above + (profile - cold_c) * density) / (USE_C - cold_c)
    along = covariance @ slope
    deviation = math.sqrt(max(float(slope @ along), 1e-9))
    step = Z90 * along / deviation
    border = BORDER_SD_CELLS * float(volumes.sum()) / CELLS
    wider = Z90 * (math.hypot(deviation, border) - deviation)
    less, more = settled(profile - step, volumes), settled(profile + step, volumes)
    best, low, high = v40_l(np.stack((profile, less, more)), volumes, cold_c, use_c).tolist()
    return best, max(min(low - wider, best), 0.0), max(high + wider, best)
