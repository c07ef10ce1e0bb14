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

import base64
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields, replace
from typing import Any, Literal

import numpy as np

from service.cylinder import estimator_faults as faults
from service.cylinder.estimator_faults import ProbeFault
from service.cylinder.estimator_motion import (
    ASSUMED_HEAT,
    CELLS,
    FLOW,
    HEAT,
    HOTTEST_C,
    INLET,
    LEAST_RISE_K,
    LOSS,
    MIXING,
    PARAMETERS,
    RETURNED,
    Motion,
    block_lengths,
    cell_volumes_l,
    kwh_per_lk,
    mixed_blocks,
)
from service.cylinder.geometry import Cylinder
from service.cylinder.usable import lukewarm_kwh, v40_l
from service.cylinder.water import Floats

__all__ = [
    "Estimate",
    "EstimatorState",
    "Heat",
    "Observation",
    "ProbeFault",
    "advance",
    "estimate",
    "from_plain",
    "inlet_error_k",
    "knowing",
    "start",
    "to_plain",
]

LAYERS = CELLS  # of the profile that is read out
N = CELLS + 1
MOST_PROBES = 12

# How far each thing may be off at first, and how fast it may change. Chosen on tuning days.
FLOW_SD = 0.03
LOSS_SD = 0.35
HEAT_SD = 0.06
ASSUMED_HEAT_SD = 0.30
MIXING_SD = 0.4
BELIEVED_INLET_SD_K = 2.5  # of a cold inlet that is not measured: a table's for the season
RETURNED_SD_K = 0.5  # of what an exchanger returns unmeasured: its approach, a limit in the cold
MOST_OFF_K = 6.0  # either of the two: what says more is no temperature but a fault
PROBE_OFFSET_SD_K = 0.3  # IEC 60751 class B: 0.55 K at most at 50 degC, evenly spread
DRIFT_PER_DAY = (0.008, 0.03, 0.02, 0.05, 0.3, 0.3, RETURNED_SD_K)  # in the motion's order
OFFSET_DRIFT_K_PER_DAY = 0.02  # 0.4 K in a year
DRIFTED_DAYS = 2.0  # for which instruments may have drifted alike
ALIKE_DAYS = 0.5  # until most is forgotten of what all probes seem to show too much
INLET_SD_K = 0.45  # of the cold inlet, alike for all of a draw
POSITION_NOISE_L = 0.07  # of a front, L per square root of a litre moved
IDLE_NOISE_K_PER_H = 0.03  # of the profile, correlated over IDLE_REACH of the volume
IDLE_REACH = 0.12
START_REACH = 0.065  # a front may stand close below a probe
# Heat goes elsewhere than believed: a share of what a cell gained, wrong alike over that many
# kelvin gained and then anew.
HEATED_NOISE, HEATED_ALIKE_K = 0.01, 10.0
ASSUMED_NOISE = 0.03  # the same of heat that is not measured: begun earlier, or stronger, than seen
PROBE_SD_K = 0.5
PROBE_LEVEL_SD = 0.003  # of a front as a probe feels it: place and width, share of volume
MOUNTED_LEVEL_SD = 0.025  # the same before a probe is suspected: as well as heights are measured
SUSPECTED_SD_K = 0.3  # what the model may be wrong by before a probe is suspected for it
FRONT_APART_S = 300.0
READINGS_APART_S = 60.0  # readings in quicker succession share their errors
# Without a flow meter: so many draws an hour may pass unseen, each of so many litres.
UNMETERED_PER_H, UNMETERED_L = 1.0, 12.0
# Where a source may heat unseen: so many runs an hour, each of so many litres that sink.
UNHEATED_PER_H, UNHEATED_L = 0.1, 12.0
NOTHING_KWH = 1e-6  # four joules: less warms nothing
PERHAPS_ALIKE_KWH = 0.5  # so much heat goes the same way: into the water, or all of it elsewhere
UNMETERED_L_PER_MIN = 12.0  # and the strongest draw
CLEARLY = 6.0  # by how much a draw must explain more than none, log-likelihood
UNSEEN_MOST_L = 50.0  # the largest single draw that the band allows for unseen: a shower
DOUBT_K, DOUBT_REACH = 4.0, 0.2  # added around a probe that turns out to be wrong
BORDER_SD_CELLS = 0.01  # a border of a mixed zone is known to a part of a cell only
Z90 = 1.645


@dataclass(frozen=True)
class Heat:
    """Heat that went into the water since the observation before.

    kwh            measured or assumed heat, kWh
    place          ``direct`` for an immersion heater or an internal coil between two levels
                   (shares of the volume); ``plate`` for an exchanger that takes water from the
                   bottom and returns it at the top
    litres         plate: through the exchanger, L, when metered
    outlet_c       plate: of the water that returns, degC
    metered        False when the kWh are only what the source is believed to give
    outlet_measured  False when ``outlet_c`` is only what the exchanger is believed to return
    """

    kwh: float
    place: Literal["direct", "plate"] = "direct"
    bottom_level: float = 0.0
    top_level: float = 0.0
    litres: float | None = None
    outlet_c: float | None = None
    metered: bool = True
    outlet_measured: bool = True


@dataclass(frozen=True)
class Observation:
    """What was seen since the observation before; the probes' readings are of its end.

    probes_c    degC by probe name; a probe without a reading is left out
    drawn_l     litres metered since, None without a flow meter (a known 0 is worth more); the
                cylinder is full, so as many enter cold as leave hot, wherever the meter sits
    cold_measured  False when ``cold_c`` is only what the cold inlet is believed to be
    perhaps     heat that went into the water or elsewhere, nobody knows which
    heat_known  False where a source may have heated without anybody knowing
    """

    probes_c: Mapping[str, float] = field(default_factory=dict)
    drawn_l: float | None = 0.0
    cold_c: float = 10.0
    ambient_c: float = 20.0
    heat: Sequence[Heat] = ()
    cold_measured: bool = True
    perhaps: Sequence[Heat] = ()
    heat_known: bool = True


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


@dataclass(frozen=True)
class Estimate:
    """What is believed, with a 90 % band of V40.

    profile_c, profile_sd_c  (LAYERS,) from the bottom, degC and K
    lukewarm_kwh    heat above the cold inlet in water below 40 degC
    flow_scale      true litres for each metered one
    probe_offsets_c what each probe shows too much, K; only their differences are observable
    probes_used     names that the estimate rests on
    """

    profile_c: Floats
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
    probe_offsets_c: Mapping[str, float]
    probe_faults: tuple[ProbeFault, ...]
    probes_used: tuple[str, ...]


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
    middles = _middles(cylinder, cylinder.volume_l / CELLS) / cylinder.volume_l
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
    covariance[:N, :N] = np.outer(sd, sd) * _correlation(START_REACH)
    own = [FLOW_SD, LOSS_SD, HEAT_SD, ASSUMED_HEAT_SD, MIXING_SD, BELIEVED_INLET_SD_K,
           RETURNED_SD_K, *[probe_offset_sd_k] * m]  # fmt: skip
    covariance[range(N, N + PARAMETERS + m), range(N, N + PARAMETERS + m)] = np.square(own)
    return EstimatorState(
        cylinder,
        placed,
        probe_sd_k,
        np.clip(cells, 0.0, HOTTEST_C),
        cylinder.volume_l / CELLS,
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

    ``elapsed_s`` may be 0 (more readings of the same moment). Raises ValueError when negative.
    """
    if elapsed_s < 0 or not math.isfinite(elapsed_s):
        raise ValueError(f"elapsed_s is {elapsed_s:g}, must not be below 0")
    if elapsed_s > 0:
        state = _predict(state, observation, elapsed_s)
    return _correct(state, observation, elapsed_s)


def _predict(state: EstimatorState, seen: Observation, elapsed_s: float) -> EstimatorState:
    cylinder, errors = state.cylinder, state.errors
    motion = Motion.begin(
        cylinder,
        state.cells_c,
        state.phase_l,
        POSITION_NOISE_L,
        INLET_SD_K,
        max(1.0 + float(errors[MIXING]), 0.1),
    )
    drawn_l = _displaced_l(state, seen)
    cold_c = seen.cold_c + (0.0 if seen.cold_measured else float(errors[INLET]))
    # Heat and draws at the same time take turns, a cell or two at a time.
    turns = 1
    if drawn_l > 0 and seen.heat:
        turns = min(12, max(1, math.ceil(drawn_l / (2 * motion.h_l))))
    warming = [heat for heat in seen.heat if heat.kwh > NOTHING_KWH]
    if drawn_l == 0 and warming and all(heat.place == "direct" for heat in warming):
        motion.put_border_at(min(heat.bottom_level for heat in warming))
    for _ in range(turns):
        if drawn_l > 0:
            motion.draw(drawn_l / turns, cold_c, measured=seen.cold_measured)
        for heat in seen.heat:
            _put_in(motion, heat, errors, 1.0 / turns)
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
    if seen.drawn_l is None:
        swing = _unseen_swing_k(state, motion, cold_c)
        noise += UNMETERED_PER_H * hours * np.outer(swing, swing)
    elif not seen.heat_known:  # what may have risen unseen may have sunk as far
        swing = _sunk_k(motion, UNHEATED_L)
        noise += UNHEATED_PER_H * hours * np.outer(swing, swing)
    kwh = sum(heat.kwh for heat in seen.perhaps)
    if kwh > NOTHING_KWH:
        swing = _perhaps_k(state, seen.perhaps)
        noise += max(PERHAPS_ALIKE_KWH / kwh, 1.0) * np.outer(swing, swing)
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


def _perhaps_k(state: EstimatorState, heats: Sequence[Heat]) -> Floats:
    """By how much each cell would be warmer with heat that may have come, K."""
    motion = Motion.begin(state.cylinder, state.cells_c, state.phase_l, 0.0, 0.0)
    for heat in heats:
        _put_in(motion, heat, state.errors, 1.0)
    now, then = (_middles(state.cylinder, p) for p in (state.phase_l, motion.phase_l))
    warmer: Floats = np.interp(now, then, motion.temperatures_c) - state.cells_c
    return np.maximum(warmer, 0.0)


def _displaced_l(state: EstimatorState, seen: Observation) -> float:
    """Litres of cold water that came in, by the meter and what is known of its error."""
    if not seen.drawn_l or seen.drawn_l < 0:
        return 0.0
    return seen.drawn_l * (1.0 + float(state.errors[FLOW]))


def _put_in(motion: Motion, heat: Heat, errors: Floats, part: float) -> None:
    which = HEAT if heat.metered else ASSUMED_HEAT
    kwh = heat.kwh * part * max(1.0 + float(errors[which]), 0.0)
    if kwh <= NOTHING_KWH:
        return
    if heat.place == "direct":
        motion.warm(kwh, heat.bottom_level, heat.top_level, which)
        return
    t = motion.temperatures_c
    bottom_c = float(t[1] if motion.phase_l < 0.5 * motion.h_l else t[0])
    if heat.litres is not None and heat.litres > 0:
        outlet_c = bottom_c + kwh / (heat.litres * part * kwh_per_lk(bottom_c + 15.0))
    else:
        outlet_c = heat.outlet_c if heat.outlet_c is not None else max(float(t[-1]), 45.0)
        if not heat.outlet_measured:
            outlet_c += float(errors[RETURNED])
    # Whatever the meters say, water returns warmer than it left and doesn't boil.
    outlet_c = min(max(outlet_c, bottom_c + LEAST_RISE_K), HOTTEST_C)
    if outlet_c <= bottom_c:
        return
    motion.pump_down(kwh, outlet_c, which, believed=not heat.outlet_measured)


def _correct(state: EstimatorState, seen: Observation, elapsed_s: float) -> EstimatorState:
    placed, m = state.probes, len(state.probes)
    if not seen.probes_c and elapsed_s == 0:
        return state
    levels = np.array([level for _, level in placed])
    readings = _readings(placed, seen)
    covariance = np.asarray(state.covariance, np.float64)
    # What passed unseen is looked for until it has shown, also once a meter counts again.
    if elapsed_s > 0 and (seen.drawn_l is None or state.unseen_l > 0):
        state = _find_draw(state, seen, readings, levels, covariance, elapsed_s)
        covariance = np.asarray(state.covariance, np.float64)
    if not np.isfinite(readings).any():
        return replace(
            state,
            covariance=(0.5 * (covariance + covariance.T)).astype(np.float32),
            watch=faults.unheard(state.watch, elapsed_s),
        )
    look_at = _look_at(state, levels)
    expected = look_at @ state.cells_c + state.errors[PARAMETERS:]
    steep = look_at @ _slope_k_per_l(state.cells_c, 1.0) * CELLS  # K per share of the volume
    front, mounted = (PROBE_LEVEL_SD * steep) ** 2, (MOUNTED_LEVEL_SD * steep) ** 2
    crossed, spread = _crossed(covariance, look_at)
    watch = faults.look(
        state.watch,
        readings,
        expected,
        np.sqrt(np.maximum(spread.diagonal(), 0.0) + mounted + SUSPECTED_SD_K**2),
        at_levels_c=np.interp(
            faults.LEVELS * state.cylinder.volume_l,
            _middles(state.cylinder, state.phase_l)[1:-1],
            state.cells_c[1:-1],
        ),
        levels=levels,
        colder_k=_colder_k(state, seen, levels),
        warmer_k=0.0 if seen.heat_known else math.inf,
        elapsed_s=elapsed_s,
    )
    possible = (readings > faults.LOW_C) & (readings < faults.HIGH_C)  # False for NaN
    use = np.flatnonzero(possible & faults.believed(watch))
    fresh = {i for i, code in watch.named if code in _MISLED} - {i for i, _ in state.watch.named}
    if fresh:
        covariance = _doubted(state, covariance, levels[list(fresh)])
        crossed, spread = _crossed(covariance, look_at)
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
    gain = np.linalg.solve(spread + np.diag(scatter), crossed.T).T
    change = gain @ miss
    covariance = covariance - gain @ crossed.T
    covariance = 0.5 * (covariance + covariance.T)
    cells = state.cells_c + change[:N]
    errors = state.errors + change[N:]
    np.clip(errors[:INLET], -0.9, 3.0, out=errors[:INLET])
    np.clip(errors[INLET:PARAMETERS], -MOST_OFF_K, MOST_OFF_K, out=errors[INLET:PARAMETERS])
    # Water is nowhere colder than what was there, what came in and what is shown.
    coldest_c = _coldest_c(state, seen, readings - errors[PARAMETERS:][use])
    coldest_c = min(coldest_c, float(state.cells_c.min()))
    cells = _settled(np.maximum(cells, coldest_c), cell_volumes_l(state.cylinder, state.phase_l))
    return replace(
        state,
        cells_c=np.minimum(cells, HOTTEST_C),
        errors=errors,
        covariance=covariance.astype(np.float32),
        watch=watch,
    )


def _colder_k(state: EstimatorState, seen: Observation, levels: Floats) -> Floats:
    """By how much the water at levels may be colder for what was drawn unseen, K."""
    volumes_l, middles = levels * state.cylinder.volume_l, _middles(state.cylinder, state.phase_l)
    coldest_c = _coldest_c(state, seen, np.empty(0))
    return _risen_k(state.cells_c, middles, volumes_l, state.unseen_l, coldest_c)


def _crossed(covariance: Floats, look_at: Floats) -> tuple[Floats, Floats]:
    """Covariance of everything with what the probes show, and of that with itself."""
    offsets = N + PARAMETERS
    crossed = covariance[:, :N] @ look_at.T + covariance[:, offsets:]
    return crossed, look_at @ crossed[:N] + crossed[offsets:]


_MISLED = {"stuck", "jumping", "swapped", "wrong_height"}


def _doubted(state: EstimatorState, covariance: Floats, levels: Floats) -> Floats:
    """Less certain around probes that were believed until now, and of what they taught."""
    middles = _middles(state.cylinder, state.phase_l) / state.cylinder.volume_l
    doubted = covariance.copy()
    for level in levels:
        near = DOUBT_K * np.exp(-0.5 * ((middles - level) / DOUBT_REACH) ** 2)
        doubted[:N, :N] += np.outer(near, near) * ALIKE
    for which, sd in ((FLOW, FLOW_SD), (LOSS, LOSS_SD), (HEAT, HEAT_SD)):
        doubted[N + which, N + which] += 0.25 * sd**2
    return doubted


def _find_draw(
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
    having shown it: it bounds what is tried and lowers the band.
    """
    use = (readings > faults.LOW_C) & (readings < faults.HIGH_C) & faults.believed(state.watch)
    could_l = 0.0 if seen.drawn_l is not None else UNMETERED_L_PER_MIN * elapsed_s / 60.0
    most_l = min(state.unseen_l + could_l, 0.9 * state.cylinder.volume_l)
    if not use.any() or most_l <= 0:
        return replace(state, unseen_l=most_l)
    tried = np.linspace(0.0, most_l, 81)
    middles = _middles(state.cylinder, state.phase_l)
    at = levels[use][None, :] * state.cylinder.volume_l - tried[:, None]
    shown_c = readings[use] - state.errors[PARAMETERS:][use]
    coldest_c = _coldest_c(state, seen, shown_c)
    expected = np.interp(at, middles, state.cells_c, left=coldest_c)
    _, spread = _crossed(covariance, _look_at(state, levels))
    sd2 = state.probe_sd_k**2 + SUSPECTED_SD_K**2 + np.maximum(spread.diagonal()[use], 0.0)
    came_sd2 = INLET_SD_K**2 if seen.cold_measured else covariance[N + INLET, N + INLET]
    sd2 = sd2 + (at < middles[0]) * came_sd2
    misfit = np.minimum((shown_c - expected) ** 2 / (2 * sd2), 12.0).sum(axis=1)
    # Of two that fit alike, the smaller draw.
    best = int(np.argmin(misfit + tried / state.cylinder.volume_l))
    fits = np.flatnonzero(misfit <= misfit.min() + 2.0)
    if misfit[0] - misfit[best] < CLEARLY:
        # Nothing was seen to move: what would have been seen wasn't drawn.
        return replace(state, unseen_l=float(tried[fits[-1]]))
    litres = float(tried[best])
    motion = Motion.begin(
        state.cylinder, state.cells_c, state.phase_l, POSITION_NOISE_L, 3 * INLET_SD_K
    )
    motion.draw(litres, coldest_c, measured=seen.cold_measured)
    by_cells, by_parameters = motion.jacobians
    jacobian = np.eye(len(covariance))
    jacobian[:N, :N] = by_cells
    jacobian[:N, N + INLET] = by_parameters[:, INLET]
    moved = jacobian @ covariance @ jacobian.T
    slope = _slope_k_per_l(motion.temperatures_c, motion.h_l)
    moved[:N, :N] += motion.noise + (0.3 * litres + 1.0) ** 2 * np.outer(slope, slope)
    return replace(
        state,
        cells_c=motion.temperatures_c.copy(),
        phase_l=motion.phase_l,
        covariance=moved,
        unseen_l=float(max(tried[fits[-1]] - litres, 0.0)),
    )


def _cold_c(state: EstimatorState, seen: Observation) -> float:
    """The cold inlet, degC: where it is not measured, as the probes have corrected it."""
    return max(seen.cold_c + (0.0 if seen.cold_measured else float(state.errors[INLET])), 0.0)


def _coldest_c(state: EstimatorState, seen: Observation, shown_c: Floats) -> float:
    """What comes in below, degC: as believed, and no warmer than what any probe shows."""
    return max(min(_cold_c(state, seen), float(shown_c.min(initial=math.inf))), 0.0)


def inlet_error_k(state: EstimatorState) -> float:
    """By how much the cold inlet is warmer than believed where it is not measured, K."""
    return float(state.errors[INLET])


def estimate(state: EstimatorState, cold_c: float) -> Estimate:
    """Read the state out for a cold inlet at ``cold_c`` degC (below 40)."""
    cylinder = state.cylinder
    volumes = cylinder.layer_volumes_l(LAYERS)
    # Layers are as thick as cells, so each lies alike over the two cells that it cuts.
    lower = state.phase_l * CELLS / cylinder.volume_l
    upper = 1.0 - lower
    covariance = np.asarray(state.covariance, np.float64)
    own = lower * covariance[: N - 1, :N] + upper * covariance[1:N, :N]
    own = lower * own[:, :-1] + upper * own[:, 1:]
    sd = np.sqrt(np.maximum(own.diagonal(), 0.0))
    profile = _settled(lower * state.cells_c[:-1] + upper * state.cells_c[1:], volumes)
    best, low, high = _band(profile, own, volumes, cold_c)
    if state.unseen_l > 0:  # a draw that no probe can have shown yet
        middles = (np.arange(LAYERS) + 0.5) * volumes[0]
        risen = middles - min(state.unseen_l, UNSEEN_MOST_L)
        drawn = np.interp(risen, middles, profile, left=cold_c)
        low = min(low, max(float(v40_l(drawn, volumes, cold_c)) - (best - low), 0.0))
    offsets = {
        name: float(state.errors[PARAMETERS + i]) for i, (name, _) in enumerate(state.probes)
    }
    believed = faults.believed(state.watch) & np.isfinite(state.watch.reading_c)
    names = tuple(name for name, _ in state.probes)
    deviations = np.sqrt(np.maximum(covariance.diagonal()[N:], 0.0))
    return Estimate(
        profile_c=profile,
        profile_sd_c=sd,
        v40_l=best,
        v40_low_l=low,
        v40_high_l=high,
        lukewarm_kwh=float(lukewarm_kwh(profile, volumes, cold_c)),
        loss_w_per_k=cylinder.loss_w_per_k * float(1.0 + state.errors[LOSS]),
        loss_sd_w_per_k=cylinder.loss_w_per_k * float(deviations[LOSS]),
        flow_scale=float(1.0 + state.errors[FLOW]),
        flow_scale_sd=float(deviations[FLOW]),
        heat_scale=float(1.0 + state.errors[HEAT]),
        probe_offsets_c=offsets,
        probe_faults=faults.describe(state.watch, names, np.array([v for _, v in state.probes])),
        probes_used=tuple(n for n, good in zip(names, believed, strict=True) if good),
    )


def _band(
    profile: Floats, covariance: Floats, volumes: Floats, cold_c: float
) -> tuple[float, float, float]:
    """V40 with its 5 and 95 % bounds: along what changes it most, and with its own law.

    V40 jumps where water crosses 40 degC, so its slope is taken with a soft threshold as wide
    as the profile is unsure or steep there, and the bounds are V40 of whole profiles.
    """
    sd = np.sqrt(np.maximum(covariance.diagonal(), 1e-6))
    steep = np.abs(_slope_k_per_l(profile, 1.0))
    width = np.sqrt(sd**2 + (0.5 * steep) ** 2 + 0.09)
    score = np.clip((profile - 40.0) / width, -6.0, 6.0)
    above = 0.5 * (1.0 + np.tanh(0.7978845608 * score * (1.0 + 0.044715 * score**2)))
    density = np.exp(-0.5 * score**2) / (2.5066282746 * width)
    slope = volumes * (above + (profile - cold_c) * density) / (40.0 - cold_c)
    along = covariance @ slope
    deviation = math.sqrt(max(float(slope @ along), 1e-9))
    step = Z90 * along / deviation
    border = BORDER_SD_CELLS * float(volumes.sum()) / CELLS
    wider = Z90 * (math.hypot(deviation, border) - deviation)
    less, more = _settled(profile - step, volumes), _settled(profile + step, volumes)
    best, low, high = v40_l(np.stack((profile, less, more)), volumes, cold_c).tolist()
    return best, max(min(low - wider, best), 0.0), max(high + wider, best)


def _readings(placed: tuple[tuple[str, float], ...], seen: Observation) -> Floats:
    return np.array([seen.probes_c.get(name, np.nan) for name, _ in placed], np.float64)


def _middles(cylinder: Cylinder, phase_l: float) -> Floats:
    """Volume below the middle of each whole cell, L; the outermost ones lie partly outside."""
    h = cylinder.volume_l / CELLS
    middles: Floats = phase_l + h * (np.arange(N) - 0.5).astype(np.float64)
    return middles


def _look_at(state: EstimatorState, levels: Floats) -> Floats:
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


def _slope_k_per_l(cells_c: Floats, h_l: float) -> Floats:
    """Slope at each cell from both its neighbours, at the ends from the one there is."""
    steps = (cells_c[1:] - cells_c[:-1]) / h_l
    slope = np.empty_like(cells_c)
    slope[0], slope[-1] = steps[0], steps[-1]
    slope[1:-1] = 0.5 * (steps[1:] + steps[:-1])
    return slope


def _unseen_swing_k(state: EstimatorState, motion: Motion, cold_c: float) -> Floats:
    """What a draw that nothing meters changes, as far as it makes a cell less sure, K.

    Cold water comes in below and everything rises. Nothing gets less sure than half of what the
    most that may have passed unseen would change: no more can the standard deviation be of what
    lies between two bounds (Popoviciu).
    """
    middles = np.maximum(_middles(motion.cylinder, motion.phase_l), 0.0)
    once_k, most_k = (
        _risen_k(motion.temperatures_c, middles, middles, litres, cold_c)
        for litres in (UNMETERED_L, UNMETERED_L + state.unseen_l)
    )
    variance = np.asarray(state.covariance.diagonal()[:N], np.float64)
    room = 1.0 - variance / np.maximum(0.25 * most_k**2, 1e-9)
    swing: Floats = once_k * np.sqrt(np.maximum(room, 0.0))
    return swing


def _risen_k(
    cells_c: Floats, middles: Floats, volumes_l: Floats, litres: float, cold_c: float
) -> Floats:
    """By how much it gets colder at volumes once so many litres of cold water came in below, K."""
    now, then = (
        np.interp(volumes_l - risen, middles, cells_c, left=cold_c) for risen in (0.0, litres)
    )
    return np.maximum(now - then, 0.0)


def _sunk_k(motion: Motion, litres: float) -> Floats:
    """By how much each cell is warmer once so many litres of the top's water sank, K."""
    middles = _middles(motion.cylinder, motion.phase_l)
    t = motion.temperatures_c
    sunk: Floats = np.interp(middles + litres, middles, t)
    return np.maximum(sunk - t, 0.0)


def _settled(cells_c: Floats, volumes_l: Floats) -> Floats:
    starts = mixed_blocks(cells_c, volumes_l)
    if starts is None:
        return cells_c
    weights = volumes_l + 1e-12
    means = np.add.reduceat(weights * cells_c, starts) / np.add.reduceat(weights, starts)
    settled: Floats = np.repeat(means, block_lengths(starts, len(cells_c)))
    return settled


def _half_steps(shown: Floats) -> Floats:
    """Half the step to the neighbouring reading, whichever is larger, K."""
    if len(shown) == 1:
        return np.array([10.0])
    steps = 0.5 * np.diff(shown)
    larger: Floats = np.maximum(np.append(steps, 0.0), np.insert(steps, 0, 0.0))
    return larger


def _correlation(reach: float) -> Floats:
    apart = np.arange(N)[:, None] - np.arange(N)[None, :]
    alike: Floats = np.exp(-0.5 * (apart / (CELLS * reach)) ** 2)
    return alike


ALIKE = _correlation(IDLE_REACH)


VERSION = 3  # of what ``to_plain`` writes

_WATCHED = tuple(f.name for f in fields(faults.Watch) if f.name not in {"named", "unweighed_s"})


def to_plain(state: EstimatorState) -> dict[str, Any]:
    """The state as plain numbers, strings, lists and dicts; ``from_plain`` gives it back."""
    upper = np.triu_indices(len(state.covariance))
    watch = state.watch.__dict__
    return {
        "version": VERSION,
        "cylinder": asdict(state.cylinder),
        "probes": [[name, level] for name, level in state.probes],
        "probe_sd_k": state.probe_sd_k,
        "phase_l": state.phase_l,
        "unseen_l": state.unseen_l,
        "offset_sd_k": state.offset_sd_k,
        "cells_c": _pack(state.cells_c),
        "errors": _pack(state.errors),
        "covariance": _pack(np.asarray(state.covariance, np.float32)[upper]),
        "watch": {name: _pack(watch[name]) for name in _WATCHED},
        "unweighed_s": state.watch.unweighed_s,
        "named": [[probe, code] for probe, code in state.watch.named],
    }


def from_plain(plain: Mapping[str, Any]) -> EstimatorState:
    """The state that ``to_plain`` wrote. Raises ValueError when it is of another kind."""
    version = plain.get("version")
    if version not in (2, VERSION):
        raise ValueError(f"estimator state of version {version!r}, expected {VERSION}")
    missing = 2 if version == 2 else 0  # it knew nothing yet of INLET and RETURNED
    shares = plain["cylinder"]["loss_shares"]
    cylinder = Cylinder(
        **{**plain["cylinder"], "loss_shares": None if shares is None else tuple(shares)}
    )
    probes = tuple((str(name), float(level)) for name, level in plain["probes"])
    m = len(probes)
    size = N + PARAMETERS + m
    upper = np.triu_indices(size - missing)
    covariance = np.zeros((size - missing, size - missing), np.float32)
    covariance[upper] = _unpack(plain["covariance"], np.float32)
    covariance.T[upper] = covariance[upper]
    errors = _unpack(plain["errors"])
    if missing:
        errors = np.insert(errors, [INLET] * missing, 0.0)
        for axis in (0, 1):
            covariance = np.insert(covariance, [N + INLET] * missing, 0.0, axis=axis)
        for which, sd in ((INLET, BELIEVED_INLET_SD_K), (RETURNED, RETURNED_SD_K)):
            covariance[N + which, N + which] = sd**2
    shapes = {"range_c": (m, 4), "level": (m, len(faults.LEVELS)), "swap": (m, m)}
    arrays = {
        name: _unpack(text).reshape(shapes.get(name, (m,))) for name, text in plain["watch"].items()
    }
    return EstimatorState(
        cylinder,
        probes,
        plain["probe_sd_k"],
        _unpack(plain["cells_c"]),
        plain["phase_l"],
        errors,
        covariance,
        faults.Watch(
            **arrays,
            unweighed_s=plain["unweighed_s"],
            named=tuple((int(i), str(c)) for i, c in plain["named"]),
        ),
        plain["unseen_l"],
        plain.get("offset_sd_k", PROBE_OFFSET_SD_K),
    )


def _pack(array: Any) -> str:
    return base64.b64encode(np.ascontiguousarray(array).tobytes()).decode("ascii")


def _unpack(text: str, kind: Any = np.float64) -> Any:
    return np.frombuffer(base64.b64decode(text), kind).copy()
