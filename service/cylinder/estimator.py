"""What is in the cylinder: the whole profile and V40 with a band, from a few probes.

An extended Kalman filter. Its state is the temperature of each cell of a grid that travels with
the water (``estimator_motion``), so a thermocline is carried between probes as sharp as it is,
and beside them the relative errors of the flow meter, of the standing-loss coefficient, of the
heat put in and of how much the water mixes, by how much a cold inlet and an exchanger's outlet that
nobody measures are warmer than believed, and one slow offset for each probe. Readings correct
all of them at once: a thermocline that reaches a probe early says that the flow meter counts too
little, one that takes longer to pass that the water mixes more.

What can't be known: only the offsets' differences show in a profile. Their common part is seen
through the heat balance alone, so it stays near zero within ``PROBE_OFFSET_SD_K``.

Everything is a pure function of its arguments; there is no source of chance.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from service.cylinder import estimator_faults as faults
from service.cylinder.estimator_faults import ProbeFault
from service.cylinder.estimator_heat import NOTHING_KWH, Heat, put_in
from service.cylinder.estimator_motion import (
    ASSUMED_HEAT,
    CELLS,
    FLOW,
    HEAT,
    HOTTEST_C,
    INLET,
    LOSS,
    PARAMETERS,
    PIPES,
    Motion,
    cell_l,
    cell_volumes_l,
    settled,
)
from service.cylinder.estimator_plain import from_plain, to_plain
from service.cylinder.estimator_readout import LAYERS, Estimate, estimate
from service.cylinder.estimator_state import (
    BELIEVED_INLET_SD_K,
    PIPES_SD,
    PROBE_OFFSET_SD_K,
    RETURNED_SD_K,
    Circulation,
    EstimatorState,
    N,
    Observation,
    cold_c_of,
    coldest_c_of,
    correlation,
    crossed_with,
    inlet_error_k,
    look_at_cells,
    middles_l,
    mixing_factor_of,
    slope_k_per_l,
)
from service.cylinder.estimator_unseen import (
    SUSPECTED_SD_K,
    colder_k,
    find_draw,
    noise_unseen_k2,
)
from service.cylinder.geometry import Cylinder
from service.cylinder.water import Floats

__all__ = [
    "LAYERS",
    "Circulation",
    "Estimate",
    "EstimatorState",
    "Heat",
    "N",
    "Observation",
    "ProbeFault",
    "advance",
    "cell_l",
    "estimate",
    "from_plain",
    "inlet_error_k",
    "knowing",
    "start",
    "to_plain",
]

MOST_PROBES = 12

# How far each thing may be off at first, and how fast it may change. Chosen on tuning days.
FLOW_SD = 0.03
LOSS_SD = 0.35
HEAT_SD = 0.06
ASSUMED_HEAT_SD = 0.30
MIXING_SD = 0.6
MOST_OFF_K = 6.0  # of inlet and return: what says more is no temperature but a fault
DRIFT_PER_DAY = (0.008, 0.03, 0.02, 0.05, 0.3, 0.3, RETURNED_SD_K, 0.03)  # in the motion's order
OFFSET_DRIFT_K_PER_DAY = 0.02  # 0.4 K in a year
DRIFTED_DAYS = 2.0  # for which instruments may have drifted alike
ALIKE_DAYS = 0.5  # until most is forgotten of what all probes seem to show too much
IDLE_NOISE_K_PER_H = 0.03  # of the profile, correlated over IDLE_REACH of the volume
IDLE_REACH = 0.12
START_REACH = 0.065  # a front may stand close below a probe
# Heat goes elsewhere than believed: a share of what a cell gained, wrong alike over that many
# kelvin gained and then anew.
HEATED_NOISE, HEATED_ALIKE_K = 0.01, 10.0
ASSUMED_NOISE = 0.03  # the same of heat that is not measured: begun earlier, or stronger, than seen
# As a secondary return stirs it water goes elsewhere than believed: a share of what a cell changed.
CIRCULATED_NOISE, CIRCULATED_ALIKE_K = 0.25, 10.0
PROBE_SD_K = 0.5
PROBE_LEVEL_SD = 0.003  # of a front as a probe feels it: place and width, share of volume
MOUNTED_LEVEL_SD = 0.025  # the same before a probe is suspected: as well as heights are measured
FRONT_APART_S = 300.0
READINGS_APART_S = 60.0  # readings in quicker succession share their errors
DOUBT_K, DOUBT_REACH = 4.0, 0.2  # added around a probe that turns out to be wrong

ALIKE = correlation(IDLE_REACH)
_MISLED = {"stuck", "jumping", "swapped", "wrong_height"}


def start(
    cylinder: Cylinder,
    probes: Mapping[str, float],
    first: Observation,
    *,
    probe_sd_k: float = PROBE_SD_K,
    probe_offset_sd_k: float = PROBE_OFFSET_SD_K,
) -> EstimatorState:
    """Begin from the first readings.

    probes             name -> level, the share of the volume below it (``Cylinder.level``)
    probe_sd_k         scatter of a single reading, K
    probe_offset_sd_k  by how much each probe shows too much or too little at first, K

    Raises ValueError for no probe, more than 12, or one outside the cylinder.
    """
    if not 1 <= len(probes) <= MOST_PROBES:
        raise ValueError(f"{len(probes)} probes: the estimator takes 1 to {MOST_PROBES}")
    for name, level in probes.items():
        if not 0 <= level <= 1:
            raise ValueError(f"probe {name!r} is at level {level:g}, must be within 0 and 1")
    placed = tuple(sorted(probes.items(), key=lambda item: item[1]))
    levels = np.array([level for _, level in placed])
    readings = _readings(placed, first)
    usable = np.isfinite(readings) & (readings > faults.LOW_C) & (readings < faults.HIGH_C)
    middles = middles_l(cylinder, cell_l(cylinder)) / cylinder.volume_l
    if usable.any():
        # Water is nowhere colder than below: of two that contradict it the colder is believed.
        shown = np.minimum.accumulate(readings[usable][::-1])[::-1]
        cells = np.interp(middles, levels[usable], shown)
        away = np.abs(middles[:, None] - levels[None, usable]).min(axis=1)
    else:
        cells = np.full(N, 0.5 * (first.cold_c + 55.0))
        away = np.ones(N)
    # Between two probes the water may be as warm as the upper or as cold as the lower one;
    # beyond the last ones anything between the inlet and a full store.
    if usable.any():
        steps = np.interp(middles, levels[usable], _half_steps(shown))
        outside = (middles < levels[usable].min()) | (middles > levels[usable].max())
        sd = 0.5 + np.minimum(steps, 20.0) * np.minimum(away / 0.1, 1.0)
        sd = np.where(outside, np.maximum(sd, 60.0 * np.minimum(away, 0.3)), sd)
    else:
        sd = np.full(N, 20.0)
    m = len(placed)
    covariance = np.zeros((N + PARAMETERS + m, N + PARAMETERS + m))
    covariance[:N, :N] = np.outer(sd, sd) * correlation(START_REACH)
    own = [FLOW_SD, LOSS_SD, HEAT_SD, ASSUMED_HEAT_SD, MIXING_SD, BELIEVED_INLET_SD_K,
           RETURNED_SD_K, PIPES_SD, *[probe_offset_sd_k] * m]  # fmt: skip
    covariance[range(N, N + PARAMETERS + m), range(N, N + PARAMETERS + m)] = np.square(own)
    return EstimatorState(
        cylinder,
        placed,
        probe_sd_k,
        np.clip(cells, 0.0, HOTTEST_C),
        cell_l(cylinder),
        np.zeros(PARAMETERS + m),
        covariance.astype(np.float32),
        faults.Watch.begin(m),
        offset_sd_k=probe_offset_sd_k,
    )


def knowing(begun: EstimatorState, before: EstimatorState) -> EstimatorState:
    """An estimate begun anew that keeps what was learned of cylinder, meters and probes before.

    Only the water is another. ``begun`` and ``before`` are of the same cylinder; what was learned
    of other probes than ``begun`` has is of no use.
    """
    if (begun.cylinder, begun.probes) != (before.cylinder, before.probes):
        return begun
    covariance = begun.covariance.copy()
    covariance[N:, N:] = before.covariance[N:, N:]
    return replace(begun, errors=before.errors, covariance=covariance, watch=before.watch)


def advance(state: EstimatorState, observation: Observation, elapsed_s: float) -> EstimatorState:
    """Carry the estimate over ``elapsed_s`` seconds and correct it by what was seen.

    ``elapsed_s`` may be 0 (more readings of the same moment; what is drawn and heated takes
    time). Raises ValueError when it is negative, and for anything but a probe's reading that is
    no number: it would stay in the state for good.
    """
    if elapsed_s < 0 or not math.isfinite(elapsed_s):
        raise ValueError(f"elapsed_s is {elapsed_s:g}, must not be below 0")
    _refuse_what_is_no_number(observation)
    if elapsed_s > 0:
        state = _predict(state, observation, elapsed_s)
    return _correct(state, observation, elapsed_s)


def _predict(state: EstimatorState, seen: Observation, elapsed_s: float) -> EstimatorState:
    cylinder, errors = state.cylinder, state.errors
    motion = Motion.begin(
        cylinder,
        state.cells_c,
        state.phase_l,
        mixing_factor=mixing_factor_of(state),
    )
    drawn_l = _displaced_l(state, seen)
    cold_c = cold_c_of(state, seen)
    # Heat and draws at the same time take turns, a cell or two at a time.
    turns, round_l = 1, 0.0 if seen.circulation is None else seen.circulation.litres
    if drawn_l > 0 and seen.heat:
        turns = min(12, max(1, math.ceil(drawn_l / (2 * motion.h_l))))
    if round_l > 0.0 and (drawn_l > 0 or seen.heat):
        turns = max(turns, min(12, round(round_l / motion.h_l)))
    warming = [heat for heat in seen.heat if heat.kwh > NOTHING_KWH]
    if drawn_l == 0 and warming and all(heat.place == "direct" for heat in warming):
        motion.put_border_at(min(heat.bottom_level for heat in warming))
    for turn in range(turns):
        if drawn_l > 0:
            motion.draw(drawn_l / turns, cold_c, measured=seen.cold_measured)
        for heat in seen.heat:
            put_in(motion, heat, errors, 1.0 / turns)
        if seen.circulation is not None and round_l > 0.0:
            # In whole cells as long as there are any: a part of one is left for the last turn.
            u = round_l if turn + 1 == turns else min(motion.h_l, round_l)
            factor, before = max(1.0 + float(errors[PIPES]), 0.0), motion.temperatures_c.copy()
            motion.circulate(u, seen.circulation.level, seen.ambient_c, factor)
            changed_k = np.abs(motion.temperatures_c - before)
            swing = CIRCULATED_NOISE * np.sqrt(CIRCULATED_ALIKE_K * changed_k)
            motion.noise += np.outer(swing, swing) * ALIKE
            round_l -= u
    loss_factor = max(1.0 + errors[LOSS], 0.05)
    motion.stand(elapsed_s, seen.ambient_c, loss_factor)
    size, moved = N + len(errors), N + PARAMETERS
    jacobian = motion.x[:, 1:]
    before = np.asarray(state.covariance, np.float64)
    rows = jacobian @ before[:moved]
    covariance = before.copy()
    covariance[:N, N:] = rows[:, N:]
    covariance[N:, :N] = rows[:, N:].T
    hours, days = elapsed_s / 3600.0, elapsed_s / 86400.0
    noise = motion.noise
    noise += IDLE_NOISE_K_PER_H**2 * hours * ALIKE
    if seen.heat:
        for which, share in ((HEAT, HEATED_NOISE), (ASSUMED_HEAT, ASSUMED_NOISE)):
            swing = share * np.sqrt(HEATED_ALIKE_K * np.maximum(jacobian[:, N + which], 0.0))
            noise += np.outer(swing, swing)
    noise += noise_unseen_k2(state, seen, motion, hours)
    covariance[:N, :N] = rows[:, :moved] @ jacobian.T + noise
    drift = np.full(len(errors), OFFSET_DRIFT_K_PER_DAY**2 * days)
    drift[:PARAMETERS] = np.square(DRIFT_PER_DAY) * days
    covariance[range(N, size), range(N, size)] += drift
    errors = errors.copy()
    _recall_alike(errors[PARAMETERS:], covariance, state.offset_sd_k, days)
    return replace(
        state,
        cells_c=np.clip(motion.temperatures_c, 0.0, HOTTEST_C),
        phase_l=motion.phase_l,
        errors=errors,
        covariance=covariance,
    )


def _recall_alike(offsets_k: Floats, covariance: Floats, sd_k: float, days: float) -> None:
    """Draw what all probes show too much alike back towards 0, in place.

    No probe tells of it: all of them and all the water could be warmer by as much. So whatever the
    motion is wrong by would wander into it, further every day, and that instruments do not.
    """
    m, first = len(offsets_k), N + PARAMETERS
    kept = math.exp(-days / ALIKE_DAYS)
    mean = np.full((m, m), (1.0 - kept) / m)
    offsets_k -= (1.0 - kept) * offsets_k.mean()
    covariance[first:] -= mean @ covariance[first:]
    covariance[:, first:] -= covariance[:, first:] @ mean
    variance_k2 = sd_k**2 + OFFSET_DRIFT_K_PER_DAY**2 * DRIFTED_DAYS
    covariance[first:, first:] += (1.0 - kept**2) * variance_k2 / m


def _refuse_what_is_no_number(seen: Observation) -> None:
    told = [("cold_c", seen.cold_c), ("ambient_c", seen.ambient_c), ("drawn_l", seen.drawn_l)]
    for heat in (*seen.heat, *seen.perhaps):
        told += [("heat.kwh", heat.kwh), ("heat.outlet_c", heat.outlet_c)]
        told += [("heat.moved_l", heat.moved_l)]
        told += [("heat.bottom_level", heat.bottom_level), ("heat.top_level", heat.top_level)]
    for name, value in told:
        if value is not None and not math.isfinite(value):
            raise ValueError(f"{name} of an observation is {value:g}, must be a number")


def _displaced_l(state: EstimatorState, seen: Observation) -> float:
    """Litres of cold water that came in, by the meter and what is known of its error."""
    if not seen.drawn_l or seen.drawn_l < 0:
        return 0.0
    return seen.drawn_l * (1.0 + float(state.errors[FLOW]))


def _correct(state: EstimatorState, seen: Observation, elapsed_s: float) -> EstimatorState:
    placed, m = state.probes, len(state.probes)
    if not seen.probes_c and elapsed_s == 0:
        return state
    levels = np.array([level for _, level in placed])
    readings = _readings(placed, seen)
    covariance = np.asarray(state.covariance, np.float64)
    # What passed unseen is looked for until it has shown, also once a meter counts again.
    if elapsed_s > 0 and (seen.drawn_l is None or state.unseen_l > 0):
        state = find_draw(state, seen, readings, levels, covariance, elapsed_s)
        covariance = np.asarray(state.covariance, np.float64)
    if not np.isfinite(readings).any():
        return replace(
            state,
            covariance=(0.5 * (covariance + covariance.T)).astype(np.float32),
            watch=faults.unheard(state.watch, elapsed_s),
        )
    look_at = look_at_cells(state, levels)
    expected = look_at @ state.cells_c + state.errors[PARAMETERS:]
    steep = look_at @ slope_k_per_l(state.cells_c, 1.0) * CELLS  # K per share of the volume
    front, mounted = (PROBE_LEVEL_SD * steep) ** 2, (MOUNTED_LEVEL_SD * steep) ** 2
    crossed, spread = crossed_with(covariance, look_at)
    watch = faults.look(
        state.watch,
        readings,
        expected,
        np.sqrt(np.maximum(spread.diagonal(), 0.0) + mounted + SUSPECTED_SD_K**2),
        at_levels_c=np.interp(
            faults.LEVELS * state.cylinder.volume_l,
            middles_l(state.cylinder, state.phase_l)[1:-1],
            state.cells_c[1:-1],
        ),
        levels=levels,
        colder_k=colder_k(state, seen, levels),
        warmer_k=0.0 if seen.heat_known else math.inf,
        elapsed_s=elapsed_s,
    )
    possible = (readings > faults.LOW_C) & (readings < faults.HIGH_C)  # False for NaN
    use = np.flatnonzero(possible & faults.believed(watch))
    fresh = {i for i, code in watch.named if code in _MISLED} - {i for i, _ in state.watch.named}
    if fresh:
        covariance = _doubted(state, covariance, levels[list(fresh)])
        crossed, spread = crossed_with(covariance, look_at)
    if not len(use):
        covariance = 0.5 * (covariance + covariance.T)
        return replace(state, covariance=covariance.astype(np.float32), watch=watch)
    if len(use) < m:
        crossed, spread = crossed[:, use], spread[np.ix_(use, use)]
        readings, expected, front = readings[use], expected[use], front[use]
    apart = 1.0 if elapsed_s <= 0 else max(1.0, READINGS_APART_S / elapsed_s)
    # A front that isn't quite as wide as believed errs the same way as long as it passes.
    lasting = 1.0 if elapsed_s <= 0 else max(1.0, FRONT_APART_S / elapsed_s)
    scatter = state.probe_sd_k**2 * apart + front * lasting
    miss = readings - expected
    # A reading far off what was thought possible pulls, but no harder than three deviations.
    total = spread.diagonal() + scatter
    scatter = scatter + total * np.maximum(miss**2 / (9.0 * total) - 1.0, 0.0)
    innovation = spread + np.diag(scatter)
    gain = np.linalg.solve(innovation, crossed.T).T
    if seen.drawn_l is None and m > 1:
        # Colder water that rose unseen would pass for a colder inlet: it is considered, not learned
        # (Schmidt 1966: Application of state-space methods to navigation problems). A lone probe
        # shows draws by nothing else.
        gain[N + INLET] = 0.0
        covariance = covariance - crossed @ gain.T + gain @ (innovation @ gain.T)
    change = gain @ miss
    covariance = covariance - gain @ crossed.T
    covariance = 0.5 * (covariance + covariance.T)
    cells = state.cells_c + change[:N]
    errors = state.errors + change[N:]
    np.clip(errors[:INLET], -0.9, 3.0, out=errors[:INLET])
    np.clip(errors[INLET:PIPES], -MOST_OFF_K, MOST_OFF_K, out=errors[INLET:PIPES])
    errors[PIPES] = min(max(float(errors[PIPES]), -0.9), 3.0)
    # Water is nowhere colder than what was there, what came in and what is shown.
    coldest_c = coldest_c_of(state, seen, readings - errors[PARAMETERS:][use])
    coldest_c = min(coldest_c, float(state.cells_c.min()))
    cells = settled(np.maximum(cells, coldest_c), cell_volumes_l(state.cylinder, state.phase_l))
    return replace(
        state,
        cells_c=np.minimum(cells, HOTTEST_C),
        errors=errors,
        covariance=covariance.astype(np.float32),
        watch=watch,
    )


def _doubted(state: EstimatorState, covariance: Floats, levels: Floats) -> Floats:
    """Less certain around probes that were believed until now, and of what they taught."""
    middles = middles_l(state.cylinder, state.phase_l) / state.cylinder.volume_l
    doubted = covariance.copy()
    for level in levels:
        near = DOUBT_K * np.exp(-0.5 * ((middles - level) / DOUBT_REACH) ** 2)
        doubted[:N, :N] += np.outer(near, near) * ALIKE
    for which, sd in ((FLOW, FLOW_SD), (LOSS, LOSS_SD), (HEAT, HEAT_SD)):
        doubted[N + which, N + which] += 0.25 * sd**2
    return doubted


def _readings(placed: tuple[tuple[str, float], ...], seen: Observation) -> Floats:
    return np.array([seen.probes_c.get(name, np.nan) for name, _ in placed], np.float64)


def _half_steps(shown: Floats) -> Floats:
    """Half the step to the neighbouring reading, whichever is larger, K."""
    if len(shown) == 1:
        return np.array([10.0])
    steps = 0.5 * np.diff(shown)
    larger: Floats = np.maximum(np.append(steps, 0.0), np.insert(steps, 0, 0.0))
    return larger
