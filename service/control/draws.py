"""Draw-off events, from a flow meter of any kind or, without one, from the profile's change.

Events are cut in measured time, so that a stamped history and live readings give the same ones.
What counts for the demand is what left the cylinder: litres at the temperature at its top, also
the share that only warmed the pipe.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import NamedTuple

from adapters.meters import Amount, Meter
from adapters.types import Reading
from adapters.wiring import KIND_OF_UNIT, Kind, Quantity, Signal
from service.control.observe import Observed
from service.control.plant import Plant
from service.control.state import NEVER, DrawWatch, Held, changed
from service.control.types import Draw
from service.cylinder.water import density_kg_per_l, enthalpy_kj_per_kg

PAUSE_S = 60.0  # a shorter pause does not end a draw-off
LEAST_L = 0.2  # less than this is no draw-off but a meter's twitch
LEAST_FLOW_L_PER_MIN = 0.15
HOLD_RATE_S = 900.0  # a rate counts no longer without a repeat, however seldom it may come
STRETCH_S = 300.0  # a total that grew over a longer silence was drawn at its end
# When water was drawn that a counter counted through a long silence, nobody knows. A counter that
# reports when it turns is silent too, but brings a pulse, of 10 L at most (common practice).
SILENCE_S = 1800.0
PULSE_MOST_L = 10.0
HIGHEST_L_PER_S = 1.5
PAST_OVER_S = 120.0  # a stored past that stays silent for this long has been told
CONTEXT_S = 600.0  # a temperature older than this says nothing of the water now flowing
HIGHEST_COLD_C = 35.0
TAP_C = 40.0  # mixed at the taps, where no valve mixes for them all
TOP_LEVEL = 0.75  # a probe lower than this may stand in cold water below what is drawn
PROFILE_LEAST_KWH = 0.12  # without a meter: a smaller loss of heat is noise
PROFILE_STRIDE_S = 300.0
PROFILE_LONGEST_S = 1800.0  # over a longer span loss and draws cannot be told apart
PROFILE_ADDED_SHARE = 0.4
HELD_AT_MOST_S = 86_400.0  # a source that is used is seen to heat within a day


@dataclass(frozen=True, slots=True)
class Drawn:
    """What the flow meter said in one step."""

    watch: DrawWatch
    meters: dict[str, Meter]
    finished: tuple[Draw, ...]
    live_l: float  # litres through the cylinder that concern the estimate of now


def metered(
    watch: DrawWatch,
    meters: dict[str, Meter],
    plant: Plant,
    observed: Observed,
    now_s: float,
    elapsed_s: float,
    jumped: bool,
    usual_c: float,
    cold_c: float,
) -> Drawn:
    """Follow the flow meter through one step.

    Args:
        watch: as the last step left it.
        meters: running totals.
        plant: the home's plant.
        observed: this step's readings.
        now_s: wall time, s since 1970.
        elapsed_s: elapsed clock.
        jumped: whether the wall clock has just jumped: spans across it mean nothing.
        usual_c: the top of the cylinder as estimated, where no outlet and no probe there says it.
        cold_c: cold inlet to reckon with, degC.
    """
    signals = plant.of(Quantity.DRAW_FLOW)
    if not signals:
        return Drawn(watch, meters, (), 0.0)
    signal, mixed_c = signals[0], plant.settings.wiring.cylinder.mixing_valve_c
    line = _Line(signal, TAP_C if mixed_c is None else mixed_c, usual_c, cold_c)
    finished: list[Draw] = []
    live_l = 0.0
    if jumped:
        watch, done = _close(watch)
        finished.extend(done)
        watch = changed(
            watch,
            rate_since_s=now_s,
            seen_s=min(watch.seen_s, now_s),
            outlet_s=min(watch.outlet_s, now_s),
            cold_s=min(watch.cold_s, now_s),
        )
    events = (
        sorted((*observed.flow, *observed.context), key=lambda r: r.measured_s)
        if observed.context and observed.flow
        else (observed.flow or observed.context)
    )
    top = next((p.name for p in plant.probes[-1:] if plant.level(p.height_m) >= TOP_LEVEL), None)
    for reading in events:
        of = plant.signals[reading.signal]
        if of.measures is not Quantity.DRAW_FLOW:
            watch = _context(watch, of, reading, top)
            continue
        if of.name != signal.name:
            continue
        at = reading.measured_s
        if at < watch.seen_s:
            watch = changed(watch, late=watch.late + 1)
            continue
        if KIND_OF_UNIT[of.unit] is Kind.FLOW:
            if at - watch.last_flow_s > PAUSE_S and watch.rate_l_per_min <= 0:
                watch, done = _close(watch)
                finished.extend(done)
            watch, litres = _until(watch, at, line)
            rate = reading.value if reading.value >= LEAST_FLOW_L_PER_MIN else 0.0
            watch = changed(watch, rate_l_per_min=rate, rate_since_s=at, seen_s=at)
        else:
            meter = meters.get(of.name) or Meter(HIGHEST_L_PER_S, resolution=0.05)
            meter, amount = meter.take(reading.value, at)
            meters = {**meters, of.name: meter}
            litres = 0.0
            silent_s = amount.to_s - amount.from_s
            if silent_s > max(SILENCE_S, of.stale_after_s) and amount.amount > PULSE_MOST_L:
                watch, done = _close(watch)
                finished += [*done, _unseen(amount, line)]
            else:
                begin = max(amount.from_s, at - STRETCH_S)
                ran = amount.amount > 1.5 * (of.litres_per_pulse or meter.grain or 0.0)
                if (begin if ran else at) - watch.last_flow_s > PAUSE_S:
                    watch, done = _close(watch)
                    finished.extend(done)
                if amount.amount > 0:
                    watch, litres = _add(watch, begin, at, amount.amount, line)
                    watch = changed(watch, apart_s=silent_s if ran else 0.0)
            watch = changed(watch, seen_s=at)
        if reading.tells_now:
            live_l += litres
        watch = changed(watch, live=reading.tells_now, arrived_mark_s=elapsed_s)
    # Between readings: a rate flows on, and a pause ends a draw-off. A stored past says nothing
    # about the time since; what it left open ends when nothing more of it arrives.
    if not watch.live:
        if watch.start_s is not None and elapsed_s - watch.arrived_mark_s > PAST_OVER_S:
            watch, done = _close(watch)
            finished.extend(done)
        return Drawn(watch, meters, tuple(finished), live_l)
    if watch.rate_l_per_min > 0 and signal.name in observed.fresh:
        watch, litres = _until(watch, now_s, line)
        live_l += litres
    # A total that grew by more than a step in the time since its last report may grow on until the
    # next one.
    pause_s = max(PAUSE_S, min(1.5 * watch.apart_s, STRETCH_S + PAUSE_S))
    if watch.start_s is not None and now_s - watch.last_flow_s > pause_s:
        watch, done = _close(watch)
        finished.extend(done)
    return Drawn(watch, meters, tuple(finished), live_l)


def by_profile(
    watch: DrawWatch,
    heat_kwh: float,
    loss_kw: float,
    added_kwh: float,
    cold_c: float,
    at: datetime,
    elapsed_s: float,
    assumed_of: Collection[str] = (),
) -> tuple[DrawWatch, tuple[Draw, ...]]:
    """Without a flow meter: heat that left faster than by standing loss was drawn.

    What was seen while heat was only assumed is held, see ``vouched_for``.

    Args:
        watch: as the last step left it.
        heat_kwh: heat above the cold inlet now.
        loss_kw: standing loss now.
        added_kwh: heat put in during this step; it is known only roughly where it is not
            metered, so a draw must show more clearly while plant runs.
        cold_c: cold inlet, degC.
        at: wall time.
        elapsed_s: elapsed clock.
        assumed_of: sources of which nothing meters the heat put in during this step.
    """
    added = watch.added_kwh + added_kwh
    sources = watch.assumed_of
    if not set(assumed_of) <= set(sources):
        sources = tuple(sorted({*sources, *assumed_of}))
    span_s = elapsed_s - watch.heat_mark_s
    begun = changed(watch, heat_kwh=heat_kwh, heat_mark_s=elapsed_s, added_kwh=0.0, assumed_of=())
    if watch.heat_kwh is None or span_s > PROFILE_LONGEST_S:
        return begun, ()
    if span_s < PROFILE_STRIDE_S:
        return changed(watch, added_kwh=added, assumed_of=sources) if added_kwh else watch, ()
    missing = watch.heat_kwh + added - loss_kw * span_s / 3600.0 - heat_kwh
    if missing < PROFILE_LEAST_KWH + PROFILE_ADDED_SHARE * added:
        # Hands washed now and again come to something; beside heat put in nothing so small shows.
        waits = added == 0.0 and span_s + PROFILE_STRIDE_S <= PROFILE_LONGEST_S
        return changed(watch, added_kwh=added, assumed_of=sources) if waits else begun, ()
    watch = begun
    start = datetime.fromtimestamp(at.timestamp() - span_s, UTC)
    litres_40c = missing / heat_per_l(40.0, cold_c)
    watch = changed(
        watch, total_kwh=watch.total_kwh + missing, total_l40=watch.total_l40 + litres_40c
    )
    draw = Draw(start, at, litres_40c, missing, litres_40c, "profile")
    if sources:
        return changed(watch, held=(*watch.held, Held(draw, sources, elapsed_s))), ()
    return watch, (draw,)


def vouched_for(
    watch: DrawWatch,
    heats_mark_s: Mapping[str, float],
    without_heat: Collection[str],
    elapsed_s: float,
) -> tuple[DrawWatch, tuple[Draw, ...]]:
    """Let go of held draws of which it has turned out what they were.

    Heat that was assumed and never came looks like heat that somebody drew. So a draw seen while
    it was assumed counts once the source was seen to heat, and is doubtful when the source is
    found not to, or has not been seen to for a day.

    Args:
        watch: as ``by_profile`` left it.
        heats_mark_s: by source, up to when it was seen to heat.
        without_heat: sources of which it has been told that they do not heat.
        elapsed_s: elapsed clock.
    """
    held: list[Held] = []
    told: list[Draw] = []
    for one in watch.held:
        if all(heats_mark_s.get(name, NEVER) >= one.mark_s for name in one.sources):
            told.append(one.draw)
        elif (
            any(name in without_heat for name in one.sources)
            or elapsed_s - one.mark_s > HELD_AT_MOST_S
        ):
            told.append(replace(one.draw, measured_by="doubtful"))
        else:
            held.append(one)
    return changed(watch, held=tuple(held)) if told else watch, tuple(told)


def heat_per_l(hot_c: float, cold_c: float) -> float:
    """Heat above the cold inlet in a litre counted hot, kWh."""
    rise = enthalpy_kj_per_kg(hot_c) - enthalpy_kj_per_kg(cold_c)
    return float(density_kg_per_l(hot_c) * rise) / 3600.0


def _context(watch: DrawWatch, of: Signal, reading: Reading, top: str | None) -> DrawWatch:
    """Keep the temperature of the water that flows, from the hotter of outlet and top probe."""
    at = reading.measured_s
    if of.measures is Quantity.COLD_INLET_TEMPERATURE:
        # A cold pipe at rest takes the room's temperature; only flowing water shows the main's.
        runs = watch.start_s is not None and at - watch.last_flow_s <= PAUSE_S
        if runs and watch.litres > 3.0 and reading.value < HIGHEST_COLD_C:
            return changed(watch, cold_c=reading.value, cold_s=at)
        return watch
    if of.measures is Quantity.PROBE and of.name != top:
        return watch
    stale = at - watch.outlet_s > CONTEXT_S or watch.outlet_c is None
    if of.measures is Quantity.PROBE or stale or reading.value > (watch.outlet_c or 0.0):
        return changed(watch, outlet_c=reading.value, outlet_s=at)
    return watch


class _Line(NamedTuple):
    """The pipe that a meter sits in: what water is in it, and in those that it hangs on, degC."""

    signal: Signal
    mixed_c: float  # behind the mixing valve
    usual_c: float  # at the top of the cylinder
    cold_c: float


def _until(watch: DrawWatch, at: float, line: _Line) -> tuple[DrawWatch, float]:
    """Let the last rate flow until ``at``, for as long as a rate counts."""
    if watch.rate_l_per_min <= 0 or at <= watch.rate_since_s:
        return watch, 0.0
    hold_s = min(HOLD_RATE_S, line.signal.stale_after_s)
    until = min(at, watch.seen_s + hold_s)
    if until <= watch.rate_since_s:
        return changed(watch, rate_l_per_min=0.0), 0.0
    litres = watch.rate_l_per_min * (until - watch.rate_since_s) / 60.0
    watch, through_l = _add(watch, watch.rate_since_s, until, litres, line)
    return changed(watch, rate_since_s=until), through_l


def _add(
    watch: DrawWatch, begin: float, end: float, litres: float, line: _Line
) -> tuple[DrawWatch, float]:
    """Add metered litres; the second value is litres that went through the cylinder."""
    known = watch.outlet_c is not None and end - watch.outlet_s <= CONTEXT_S
    hot_c = watch.outlet_c if known and watch.outlet_c is not None else line.usual_c
    cold = watch.cold_c if watch.cold_c is not None else line.cold_c
    hot_c = max(hot_c, cold + 0.1)
    through_l = litres
    if line.signal.place == "mixed_line":
        through_l = litres * min(1.0, max(0.0, (line.mixed_c - cold) / (hot_c - cold)))
    kwh = through_l * heat_per_l(hot_c, cold)
    litres_40c = kwh / heat_per_l(40.0, min(cold, 35.0))
    return (
        changed(
            watch,
            start_s=begin if watch.start_s is None else watch.start_s,
            last_flow_s=end,
            litres=watch.litres + litres,
            through_l=watch.through_l + through_l,
            kwh=watch.kwh + kwh,
            litres_40c=watch.litres_40c + litres_40c,
            total_kwh=watch.total_kwh + kwh,
            total_l40=watch.total_l40 + litres_40c,
        ),
        through_l,
    )


def _unseen(amount: Amount, line: _Line) -> Draw:
    """What was drawn while the meter was silent: how much is known, and not when."""
    watch, _ = _add(DrawWatch(), amount.from_s, amount.to_s, amount.amount, line)
    _, done = _close(watch)
    return replace(done[0], measured_by="doubtful")


def _close(watch: DrawWatch) -> tuple[DrawWatch, list[Draw]]:
    if watch.start_s is None:
        return watch, []
    done: list[Draw] = []
    if watch.litres >= LEAST_L:
        done.append(
            Draw(
                datetime.fromtimestamp(watch.start_s, UTC),
                datetime.fromtimestamp(watch.last_flow_s, UTC),
                watch.through_l,
                watch.kwh,
                watch.litres_40c,
                "flow_meter",
            )
        )
    watch = changed(watch, start_s=None, litres=0.0, through_l=0.0, kwh=0.0, litres_40c=0.0)
    return watch, done


def flowing(watch: DrawWatch) -> bool:
    """Whether water is being drawn now."""
    return watch.start_s is not None
