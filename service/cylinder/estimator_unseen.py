"""What nobody metered: draws that the probes show or hide, and heat that may have come.

Without a flow meter a draw is looked for in the profile's change; what may have passed without any
probe having shown it is remembered as litres, and how many of them are likely by what the household
was expected to draw. Heat that is not known of only makes the water less sure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from service.cylinder import estimator_faults as faults
from service.cylinder.estimator_heat import NOTHING_KWH, Heat, put_in
from service.cylinder.estimator_motion import (
    INLET,
    INLET_SD_K,
    PARAMETERS,
    Motion,
    among_lowest_l,
    cell_volumes_l,
)
from service.cylinder.estimator_state import (
    UNSEEN_STEPS,
    EstimatorState,
    N,
    Observation,
    cold_c_of,
    coldest_c_of,
    crossed_with,
    look_at_cells,
    middles_l,
    mixing_factor_of,
    nothing_unseen,
    slope_k_per_l,
)
from service.cylinder.water import Floats

SUSPECTED_SD_K = 0.3  # what the model may be wrong by before a probe is suspected for it
# Without a flow meter: so many draws an hour may pass unseen, each of so many litres.
UNMETERED_PER_H, UNMETERED_L = 1.0, 12.0
UNMETERED_L_PER_MIN = 12.0  # and the strongest draw
DRAW_L = 20.0  # mean of the draws that make up what was expected: by litres most are showers
LARGE_DRAW_L = 50.0  # the largest single draw that the band allows for unseen: a shower
LOOKS_APART_S = 1800.0  # what a profile is carried wrong by lasts
LEAST_LIKELY = 1e-9  # what was expected cannot have been when less than that of it is left
# Where a source may heat unseen: so many runs an hour, each of so many litres that sink.
UNHEATED_PER_H, UNHEATED_L = 0.1, 12.0
PERHAPS_ALIKE_KWH = 0.5  # so much heat goes the same way: into the water, or all of it elsewhere
CLEARLY = 6.0  # by how much a draw must explain more than none, log-likelihood


def find_draw(
    state: EstimatorState,
    seen: Observation,
    readings: Floats,
    levels: Floats,
    covariance: Floats,
    elapsed_s: float,
) -> EstimatorState:
    """Without a flow meter: how far must the water have risen to show these readings?

    Tries displacements, takes the likeliest if it explains clearly more than standing still,
    and moves the profile by it. ``unseen_l`` is what may have been drawn without any probe
    having shown it: it bounds what is tried and lowers the band. How likely each part of it is
    says what the household was expected to draw meanwhile. That moves no water here: only what
    shows does, so what was expected is never learned as what was drawn.
    """
    likely = state.likely
    if seen.drawn_l is None:
        likely = _drew(likely, seen.expected_l, state.cylinder.volume_l)
    use = (readings > faults.LOW_C) & (readings < faults.HIGH_C) & faults.believed(state.watch)
    could_l = 0.0 if seen.drawn_l is not None else UNMETERED_L_PER_MIN * elapsed_s / 60.0
    most_l = min(state.unseen_l + could_l, 0.9 * state.cylinder.volume_l)
    if not use.any() or most_l <= 0:
        return _still_unseen(state, likely, most_l)
    tried, middles = np.linspace(0.0, most_l, 81), middles_l(state.cylinder, state.phase_l)
    shown_c = readings[use] - state.errors[PARAMETERS:][use]
    coldest_c = coldest_c_of(state, seen, shown_c)
    at, expected = _risen_to(state, levels[use], tried, coldest_c)
    _, spread = crossed_with(covariance, look_at_cells(state, levels))
    sd2 = state.probe_sd_k**2 + SUSPECTED_SD_K**2 + np.maximum(spread.diagonal()[use], 0.0)
    came_sd2 = INLET_SD_K**2 if seen.cold_measured else covariance[N + INLET, N + INLET]
    # Water that came in at a believed temperature is no surer of it a few litres later.
    inlet_sd2 = covariance[:N, N + INLET] ** 2 / max(float(covariance[N + INLET, N + INLET]), 1e-6)
    sd2 = sd2 + np.where(at < middles[0], came_sd2, np.interp(at, middles, inlet_sd2))
    misfit = np.minimum((shown_c - expected) ** 2 / (2 * sd2), 12.0).sum(axis=1)
    # Of two that fit alike, the smaller draw.
    best = int(np.argmin(misfit + tried / state.cylinder.volume_l))
    fits = np.flatnonzero(misfit <= misfit.min() + 2.0)
    # Readings also tell those apart that all fit, though in quick succession they err alike.
    told = np.interp(_litres(state.cylinder.volume_l), tried, misfit - misfit.min())
    likely = likely * np.exp(-min(elapsed_s / LOOKS_APART_S, 1.0) * told)
    if misfit[0] - misfit[best] < CLEARLY:
        # Nothing was seen to move: what would have been seen wasn't drawn.
        return _still_unseen(state, likely, float(tried[fits[-1]]))
    litres = float(tried[best])
    motion = Motion.begin(
        state.cylinder,
        state.cells_c,
        state.phase_l,
        inlet_sd_k=3 * INLET_SD_K,
        mixing_factor=mixing_factor_of(state),
    )
    motion.draw(litres, coldest_c, measured=seen.cold_measured)
    by_cells, by_parameters = motion.jacobians
    jacobian = np.eye(len(covariance))
    jacobian[:N, :N] = by_cells
    # What the inlet stirs is not learned by it: what is wrong with the litres would pass for that.
    jacobian[:N, N + INLET] = by_parameters[:, INLET]
    moved = jacobian @ covariance @ jacobian.T
    slope = slope_k_per_l(motion.temperatures_c, motion.h_l)
    moved[:N, :N] += motion.noise + (0.3 * litres + 1.0) ** 2 * np.outer(slope, slope)
    state = replace(
        state, cells_c=motion.temperatures_c.copy(), phase_l=motion.phase_l, covariance=moved
    )
    return _still_unseen(state, likely, float(max(tried[fits[-1]] - litres, 0.0)), litres)


def _risen_to(
    state: EstimatorState, levels: Floats, tried: Floats, coldest_c: float
) -> tuple[Floats, Floats]:
    """Where water at levels stood before so many litres came in below, L, and how warm it is, degC.

    Both (len(tried), len(levels)); below 0 L it has come in. What the cold jet stirs is one tank,
    of which so much of what it was warmer by is left after u litres as exp(-u / zone)
    (Levenspiel: Chemical Reaction Engineering, 3rd ed., ch. 14). Water above the zone is as warm
    as the tank was when it left that upwards.
    """
    cylinder = state.cylinder
    came_l = tried[:, None]
    at = levels[None, :] * cylinder.volume_l - came_l
    risen_c: Floats = np.interp(
        at, middles_l(cylinder, state.phase_l), state.cells_c, left=coldest_c
    )
    if cylinder.inlet_mixing_l <= 0 or cylinder.inlet_tanks > 1:
        return at, risen_c
    zone_l = min(mixing_factor_of(state) * cylinder.inlet_mixing_l, cylinder.volume_l)
    inside = among_lowest_l(cell_volumes_l(cylinder, state.phase_l), zone_l)
    above_k = float(inside @ state.cells_c) / zone_l - coldest_c
    stirred_c = coldest_c + above_k * np.exp(-np.minimum(zone_l - at, came_l) / zone_l)
    return at, np.where((at < zone_l) & (came_l > 0), stirred_c, risen_c)


def _drew(likely: Floats, expected_l: float, volume_l: float) -> Floats:
    """How likely each litre was drawn unseen after a time in which so many were expected.

    Draws come by chance (Poisson), and the larger the rarer (exponential).
    """
    if expected_l <= 0:
        return likely
    sizes = np.exp(-_litres(volume_l)[1:] / DRAW_L)
    sizes /= sizes.sum()
    draws = expected_l / float(sizes @ _litres(volume_l)[1:])
    came = np.concatenate(([math.exp(-draws)], -math.expm1(-draws) * sizes))
    # More than fits was not drawn, or had shown.
    drew: Floats = np.convolve(likely, came)[: UNSEEN_STEPS + 1]
    return drew


def _still_unseen(
    state: EstimatorState, likely: Floats, most_l: float, shown_l: float = 0.0
) -> EstimatorState:
    """The state once so many litres have shown, and no more than ``most_l`` can be unseen still."""
    litres = _litres(state.cylinder.volume_l)
    likely = np.interp(litres + shown_l, litres, likely, right=0.0) * (litres <= most_l)
    total = float(likely.sum())
    likely = likely / total if total > LEAST_LIKELY else nothing_unseen()
    return replace(state, unseen_l=most_l, likely=likely)


def unseen_l(state: EstimatorState) -> tuple[float, float]:
    """What was drawn unseen by what was expected, and the most of it that the band allows for, L.

    The most is what 95 in 100 such times stay below, or one large draw that nobody expects.
    """
    litres = _litres(state.cylinder.volume_l)
    bound = litres[int(np.searchsorted(np.cumsum(state.likely), 0.95 * float(state.likely.sum())))]
    return float(state.likely @ litres), max(float(bound), min(state.unseen_l, LARGE_DRAW_L))


def _litres(volume_l: float) -> Floats:
    """The litres that are told apart of what was drawn unseen, (UNSEEN_STEPS + 1,)."""
    return np.linspace(0.0, volume_l, UNSEEN_STEPS + 1)


def noise_unseen_k2(
    state: EstimatorState, seen: Observation, motion: Motion, hours: float
) -> Floats:
    """What may have passed unseen in so many hours adds to the cells' covariance, K2, (N, N)."""
    noise = np.zeros((N, N))
    if seen.drawn_l is None:
        swing = _unseen_swing_k(state, motion, cold_c_of(state, seen))
        noise += UNMETERED_PER_H * hours * np.outer(swing, swing)
    elif not seen.heat_known:  # what may have risen unseen may have sunk as far
        swing = _sunk_k(motion, UNHEATED_L)
        noise += UNHEATED_PER_H * hours * np.outer(swing, swing)
    kwh = sum(heat.kwh for heat in seen.perhaps)
    if kwh > NOTHING_KWH:
        swing = _perhaps_k(state, seen.perhaps)
        noise += max(PERHAPS_ALIKE_KWH / kwh, 1.0) * np.outer(swing, swing)
    return noise


def _unseen_swing_k(state: EstimatorState, motion: Motion, cold_c: float) -> Floats:
    """What a draw that nothing meters changes, as far as it makes a cell less sure, K.

    Cold water comes in below and everything rises. Nothing gets less sure than half of what the
    most that may have passed unseen would change: no more can the standard deviation be of what
    lies between two bounds (Popoviciu).
    """
    middles = np.maximum(middles_l(motion.cylinder, motion.phase_l), 0.0)
    once_k, most_k = (
        _risen_k(motion.temperatures_c, middles, middles, litres, cold_c)
        for litres in (UNMETERED_L, UNMETERED_L + state.unseen_l)
    )
    variance = np.asarray(state.covariance.diagonal()[:N], np.float64)
    room = 1.0 - variance / np.maximum(0.25 * most_k**2, 1e-9)
    swing: Floats = once_k * np.sqrt(np.maximum(room, 0.0))
    return swing


def colder_k(state: EstimatorState, seen: Observation, levels: Floats) -> Floats:
    """By how much the water at levels may be colder for what was drawn unseen, K."""
    volumes_l, middles = levels * state.cylinder.volume_l, middles_l(state.cylinder, state.phase_l)
    coldest_c = coldest_c_of(state, seen, np.empty(0))
    return _risen_k(state.cells_c, middles, volumes_l, state.unseen_l, coldest_c)


def _perhaps_k(state: EstimatorState, heats: Sequence[Heat]) -> Floats:
    """By how much each cell would be warmer with heat that may have come, K."""
    motion = Motion.begin(state.cylinder, state.cells_c, state.phase_l)
    for heat in heats:
        put_in(motion, heat, state.errors, 1.0)
    now, then = (middles_l(state.cylinder, p) for p in (state.phase_l, motion.phase_l))
    warmer: Floats = np.interp(now, then, motion.temperatures_c) - state.cells_c
    return np.maximum(warmer, 0.0)


def _sunk_k(motion: Motion, litres: float) -> Floats:
    """By how much each cell is warmer once so many litres of the top's water sank, K."""
    middles = middles_l(motion.cylinder, motion.phase_l)
    t = motion.temperatures_c
    sunk: Floats = np.interp(middles + litres, middles, t)
    return np.maximum(sunk - t, 0.0)


def _risen_k(
    cells_c: Floats, middles: Floats, volumes_l: Floats, litres: float, cold_c: float
) -> Floats:
    """By how much it gets colder at volumes once so many litres of cold water came in below, K."""
    now, then = (
        np.interp(volumes_l - risen, middles, cells_c, left=cold_c) for risen in (0.0, litres)
    )
    return np.maximum(now - then, 0.0)
