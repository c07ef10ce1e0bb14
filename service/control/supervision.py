"""Faults found from the data: each with its detection time, its evidence, and its clearing.

``DETECTORS`` is the one table: what is looked for, on what evidence, how long it must last before
it is told, and what ends it. ``advance`` runs the checks; none of them commands anything. A fault
of a source (``UNUSABLE_AFTER``) makes control use another one and try the first again later.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

from adapters.wiring import Form, Quantity
from service.control import arrival, hygiene, observe
from service.control.plant import SourcePlant
from service.control.situation import METERED_AS, Situation
from service.control.state import NEVER, Facts, Moment, Reheat, SourceRun, Suspicion, Watch
from service.control.types import Fault, Rule
from service.scheduling.types import Layout, SourceName

STRIDE_S = 15.0
MOMENT_EVERY_S = 300.0
MOMENTS_KEPT = 30  # two and a half hours

HOUR_S = 3600.0
DAY_S = 86_400.0
WITHOUT_GAIN_SHARE = 0.2  # of the heat expected: less is no heating
GAIN_AFTER_S = 2400.0
DRAWN_LEAST_KWH = 0.1  # some litres: a hand washed
LONGEST_GAIN_S = (MOMENTS_KEPT - 2) * MOMENT_EVERY_S
UNSEEN_TIMES = 1.25  # the usual heat is not known better than so
SURPLUS_LEAST_W = 300.0  # below it a diverter has good reason to pass nothing
TAKES_POWER_S = 300.0  # for so long, before its commands have an effect again
FLOW_ABOVE_K = 15.0  # over the coldest probe: a flow that is hot enough to charge
ELEMENT_RESTART_K = 6.0  # an immersion thermostat's differential
RESTART_MARGIN_K = 2.0  # beside the heat pump's own restart differential
UNCOMMANDED_W = 200.0
UNCOMMANDED_KWH = 1.0
LEASE_ENDED_S = 600.0  # plant may run on for so long after it was released
TAP_S = 2700.0
TAP_L_PER_MIN = 3.0
LEAK_S = 7200.0
DRIP_QUIET_S = 3600.0  # a household leaves its taps alone for an hour at least once a day
STUCK_ABOVE_K = 4.0
JUMPS_TOLD = 5.0
STUCK_TRAVEL_K = 6.0
STUCK_FOR_S = 43_200.0
RUN_LEAST_S = 1500.0
RUN_LEAST_KWH = 1.5
REHEAT_PROBES = 2  # one probe takes all water for as hot as it is itself
RUNS_USUAL = 6
RUNS_FIRST = 20
RUNS_MEAN = 20
SLOW_SHARE = 0.6
ODD_SHARE = 0.75
SCALE_SHARE = 0.8
SCALE_RUNS = 80
RETURN_TENTHS = 1.5
RETURN_HEATED_TENTHS = 2.0
NONSENSE_PER_HOUR = 10
FAILURES_TOLD = 1
FLUSH = ("flush_after_absence", "outlets")
FLUSH_ASKED_S = 7 * 86_400.0  # by then the household has used its taps


@dataclass(frozen=True)
class Detector:
    """One line of the table. ``proof``: the fault ends only when the opposite was seen.

    told_after_s     how long the evidence must last before it is told
    cleared_after_s  how long it must be gone before the fault is over
    found_within_s   from when the fault first shows until it is told, at the latest: from the
                     first command to the plant it concerns, from the first water that runs, from
                     the first reading that is wrong
    while_commanded  of that time only the part counts in which the plant is commanded: while it
                     rests, nothing shows
    """

    code: str
    finds: str
    evidence: str
    severity: Literal["warning", "fault"]
    told_after_s: float
    cleared_after_s: float
    found_within_s: float
    proof: bool = False
    while_commanded: bool = False


DETECTORS: tuple[Detector, ...] = (
    Detector(
        "command_without_effect",
        "a command that has no effect",
        "commanded, but its meter shows less than 15 % of the usual power, or of the surplus that "
        "a diverter is given, for 10 min, or, "
        "without a meter, the water gained less than 20 % of the usual heat in 40 min without a "
        "draw, or in as long as hot water can pass unseen between two probes",
        "fault",
        600.0,
        0.0,
        2 * HOUR_S,
        proof=True,
    ),
    Detector(
        "pump_moves_no_water",
        "a charging pump that moves no water",
        "the heat pump's flow is hot and it takes power, but no probe warms, and one stays more "
        "than 4 K colder than half of the usual heat would have made it",
        "fault",
        60.0,
        0.0,
        6 * HOUR_S,
        proof=True,
        while_commanded=True,
    ),
    Detector(
        "uncommanded_running",
        "plant that runs without a command",
        "the immersion heater takes more than 200 W, or the cylinder gained more than 1 kWh in "
        "40 min while its own control had no reason to call",
        "warning",
        900.0,
        600.0,
        3600.0,
    ),
    Detector(
        "immersion_thermostat_stuck",
        "an immersion thermostat that does not open",
        "it takes more than 200 W while the water at it is more than 4 K above its setting",
        "fault",
        120.0,
        86_400.0,
        600.0,
    ),
    Detector(
        "tap_left_open",
        "a tap left open or a burst pipe",
        "3 L/min or more without a pause for 45 min",
        "fault",
        0.0,
        120.0,
        3600.0,
    ),
    Detector(
        "water_keeps_running",
        "a leak",
        "water runs without a pause for 2 h, or no hour of a whole day was without a draw",
        "warning",
        0.0,
        3600.0,
        2 * DAY_S,
    ),
    Detector(
        "slow_reheat",
        "a reheat slower than it used to be",
        "the last runs gave less than 60 % of the heat that runs usually give for the time",
        "warning",
        0.0,
        0.0,
        14 * DAY_S,
    ),
    Detector(
        "limescale_drift",
        "limescale's slow drift",
        "over 80 runs or more the heat given for the time fell below 80 % of the first 20 runs'",
        "warning",
        0.0,
        14 * DAY_S,  # a mean that wavers about the limit is one warning
        120 * DAY_S,
    ),
    Detector(
        "secondary_return_mixes",
        "a secondary return that destroys the layers",
        "within 2 h of its pump running, more than 1.5 tenths of usable water went that nobody "
        "drew",
        "warning",
        0.0,
        21_600.0,
        2 * DAY_S,
    ),
    Detector(
        "probe_open_circuit",
        "a probe with a broken wire",
        "readings that no water can have, one after the other",
        "fault",
        120.0,
        600.0,
        1800.0,
    ),
    Detector(
        "probe_silent",
        "a probe that fell silent",
        "no reading for an hour",
        "warning",
        900.0,
        60.0,
        2 * HOUR_S,
    ),
    Detector(
        "probe_stuck",
        "a probe that shows one value",
        "one value for 12 h while the water there must have changed by 6 K or more, by the "
        "model of the cylinder",
        "fault",
        7200.0,
        1800.0,
        4 * DAY_S,
    ),
    Detector(
        "probe_jumping",
        "a probe that jumps",
        "leaps of 6 K or more there and back, which the model of the cylinder does not expect, "
        "five of them within 1.5 h",
        "fault",
        600.0,
        1800.0,
        DAY_S,
    ),
    Detector(
        "probe_swapped",
        "a probe swapped with another",
        "each fits the other's place better than its own, by the model of the cylinder, for three "
        "days",
        "fault",
        259_200.0,
        3600.0,
        5 * DAY_S,
    ),
    Detector(
        "probe_wrong_height",
        "a probe at another height than stated",
        "it fits another height clearly better, by the model of the cylinder, for two weeks",
        "warning",
        14 * DAY_S,
        3600.0,
        21 * DAY_S,
    ),
    Detector(
        "signal_stale",
        "a signal that fell silent",
        "no value for longer than its stale_after_s",
        "warning",
        600.0,
        30.0,
        1800.0,
    ),
    Detector(
        "left_to_itself",
        "a home in which Ladle has let go",
        "fail-safe for 30 min, with its reason",
        "fault",
        1800.0,
        1800.0,
        2700.0,
    ),
    Detector(
        "nonsense_readings",
        "a signal that says what cannot be",
        "10 impossible values or more within an hour",
        "warning",
        0.0,
        3600.0,
        HOUR_S,
    ),
    Detector(
        "clock_jumped",
        "a wall clock that jumped",
        "wall time and elapsed time moved differently by more than 90 s",
        "warning",
        0.0,
        0.0,
        60.0,
    ),
    Detector(
        "clock_cannot_be_right",
        "a wall clock in an impossible year",
        "a year before 2024 or after 2100",
        "fault",
        0.0,
        0.0,
        60.0,
    ),
    Detector(
        "work_failed",
        "learning, forecasting or planning that failed",
        "the message it failed with",
        "warning",
        0.0,
        0.0,
        60.0,
    ),
    Detector(
        "disinfection_overdue",
        "a thermal disinfection that is overdue",
        "hours since the longest interval ended",
        "fault",
        0.0,
        0.0,
        60.0,
    ),
    Detector(
        "disinfection_failed",
        "a thermal disinfection that did not get hot, or not for long enough",
        "the last commanded attempt's",
        "fault",
        0.0,
        0.0,
        60.0,
    ),
    Detector(
        "disinfection_refused",
        "a home in which thermal disinfection cannot be done",
        "no recorded mixing valve, or no source that reaches the lowest named probe",
        "warning",
        0.0,
        0.0,
        60.0,
    ),
    Detector(
        "flush_after_absence",
        "taps and showers that nobody used",
        "an absence of two days or more has ended; over when somebody has seen it, or after a week",
        "warning",
        0.0,
        0.0,
        60.0,
    ),
)
BY_CODE = {d.code: d for d in DETECTORS}
WITHOUT_HEAT = frozenset({"command_without_effect", "pump_moves_no_water"})


def without_heat(faults: Iterable[Fault]) -> frozenset[str]:
    """The sources of which it has been told, and not been over since, that they do not heat."""
    return frozenset(f.subject for f in faults if f.code in WITHOUT_HEAT)


@dataclass(frozen=True)
class Finding:
    """Something a check sees now; ``over`` says that it saw the opposite."""

    code: str
    subject: str
    facts: Facts
    over: bool = False


def advance(
    s: Situation, nonsense: tuple[str, ...], acknowledged: tuple[str, ...] = ()
) -> tuple[Watch, tuple[Fault, ...], tuple[Fault, ...]]:
    """Run the checks: supervision's memory, all standing faults, and those raised or cleared.

    ``acknowledged``: "code/subject" of what a person has just seen.
    """
    watch = _nonsense(s, nonsense)
    if "/".join(FLUSH) in acknowledged:
        watch = replace(watch, flush_mark_s=NEVER)
    at_once = s.state.clock.wrong or nonsense or acknowledged
    if s.elapsed_s - watch.mark_s < STRIDE_S and not at_once:
        return watch, s.state.faults, ()
    watch = _remember(s, watch)
    found: dict[tuple[str, str], Finding] = {}
    over: set[tuple[str, str]] = set()
    for finding in _findings(s, watch):
        key = (finding.code, finding.subject)
        if finding.over:
            over.add(key)
        else:
            found[key] = finding
    heats = {subject for code, subject in over if code == "command_without_effect"}
    if heats and watch.moments:
        mark_s = watch.moments[-1].mark_s
        watch = replace(watch, heats_mark_s=watch.heats_mark_s | dict.fromkeys(heats, mark_s))
    suspicions: dict[str, Suspicion] = {}
    standing = {(f.code, f.subject): f for f in s.state.faults if f.cleared_at is None}
    changed: list[Fault] = []
    for key, finding in found.items():
        name = f"{key[0]}/{key[1]}"
        suspicion = watch.suspicions.get(name) or Suspicion(s.elapsed_s, s.now)
        suspicion = replace(suspicion, seen_mark_s=s.elapsed_s)
        suspicions[name] = suspicion
        detector = BY_CODE[key[0]]
        if key not in standing and s.elapsed_s - suspicion.since_mark_s >= detector.told_after_s:
            fault = Fault(key[0], key[1], suspicion.since_at, detector.severity, finding.facts)
            standing[key] = fault
            changed.append(fault)
    for key, fault in list(standing.items()):
        if key in found:
            continue
        name = f"{key[0]}/{key[1]}"
        known = BY_CODE.get(key[0])
        suspicion = watch.suspicions.get(name) or Suspicion(s.elapsed_s, s.now)
        gone = s.elapsed_s - suspicion.seen_mark_s
        if known is None or (key in over if known.proof else gone >= known.cleared_after_s):
            del standing[key]
            changed.append(replace(fault, cleared_at=s.now))
        else:
            suspicions[name] = suspicion
    watch = replace(watch, suspicions=suspicions, mark_s=s.elapsed_s)
    return watch, tuple(standing.values()), tuple(changed)


def _nonsense(s: Situation, nonsense: tuple[str, ...]) -> Watch:
    watch = s.state.watch
    if s.elapsed_s - watch.nonsense_mark_s > HOUR_S:
        watch = replace(watch, nonsense={}, nonsense_mark_s=s.elapsed_s)
    if nonsense:
        counts = dict(watch.nonsense)
        for name in nonsense:
            counts[name] = counts.get(name, 0) + 1
        watch = replace(watch, nonsense=counts)
    return watch


# --- what is remembered ------------------------------------------------------------------------


def probe_heat_kwh(s: Situation) -> float | None:
    """Heat in the cylinder by the probes alone, above 0 degC, kWh; None without them all."""
    probes = [p for p in s.plant.probes if p.name not in s.faulty_probes]
    if not probes or any(p.name not in s.fresh for p in probes):
        return None
    height = s.plant.cylinder.height_m
    total = 0.0
    below = 0.0
    for i, probe in enumerate(probes):
        above = height if i + 1 == len(probes) else (probe.height_m + probes[i + 1].height_m) / 2
        total += s.fresh[probe.name] * (above - below) / height
        below = above
    return total * s.plant.cylinder.volume_l * arrival.KWH_PER_LK


def _remember(s: Situation, watch: Watch) -> Watch:
    """Keep a moment every few minutes, and close the books on runs that ended."""
    last = watch.moments[-1] if watch.moments else None
    if last is None or s.elapsed_s - last.mark_s >= MOMENT_EVERY_S:
        heat = probe_heat_kwh(s)
        circulating = observe.first_fresh(s.plant, s.fresh, Quantity.SECONDARY_RETURN)
        moment = Moment(
            s.elapsed_s,
            heat,
            s.state.draws.total_kwh,
            s.charge_l40,
            s.state.draws.total_l40,
            bool(circulating),
        )
        watch = replace(
            watch,
            moments=(*watch.moments, moment)[-MOMENTS_KEPT:],
            charge=arrival.follow(
                s, watch.charge, 0.0 if last is None else s.elapsed_s - last.mark_s
            ),
        )
    done = {n: s.elapsed_s for n, x in s.plant.sources.items() if s.running(n) and _done(s, x)}
    if done:
        watch = replace(watch, done_mark_s=watch.done_mark_s | done)
    watch = _absence(s, _quiet_day(s, watch))
    reheats = watch.reheats
    for name, source in s.plant.sources.items():
        before = reheats.get(name, Reheat())
        after = _reheat(s, source, before, done=name in done)
        if after is not before:
            reheats = {**reheats, name: after}
    return watch if reheats is watch.reheats else replace(watch, reheats=reheats)


def _absence(s: Situation, watch: Watch) -> Watch:
    """Follow an absence, and when it ends note whether it was a long one."""
    away = s.standing.away
    if away is not None:
        if watch.away_since_s is None:
            return replace(watch, away_since_s=away.since.timestamp())
        return watch
    if watch.away_since_s is None:
        return watch
    lasted_s = s.now_s - watch.away_since_s
    if lasted_s < hygiene.ABSENCE_S:
        return replace(watch, away_since_s=None)
    return replace(watch, away_since_s=None, empty_for_s=lasted_s, flush_mark_s=s.elapsed_s)


def _quiet_day(s: Situation, watch: Watch) -> Watch:
    """The longest pause between draws of this local day, and yesterday's."""
    flow = s.plant.of(Quantity.DRAW_FLOW)
    if not flow:
        return watch
    seen = flow[0].name in s.fresh
    quiet_since = watch.quiet_since_s
    if s.state.draws.start_s is not None or not seen:
        quiet_since = s.elapsed_s
    longest = max(watch.quiet_longest_s, s.elapsed_s - quiet_since)
    blind = watch.blind or not seen
    if s.state.today != watch.day:
        whole = watch.day != "" and not watch.blind and watch.day_mark_s < s.elapsed_s - 20 * HOUR_S
        return replace(
            watch,
            day=s.state.today,
            day_mark_s=s.elapsed_s,
            yesterday_quiet_s=watch.quiet_longest_s if whole else None,
            quiet_longest_s=0.0,
            quiet_since_s=quiet_since,
            blind=not seen,
        )
    if (
        longest != watch.quiet_longest_s
        or quiet_since != watch.quiet_since_s
        or blind != watch.blind
    ):
        return replace(watch, quiet_longest_s=longest, quiet_since_s=quiet_since, blind=blind)
    return watch


def _reheat(s: Situation, source: SourcePlant, was: Reheat, *, done: bool) -> Reheat:
    """Begin, follow and end the account of one run: heat gained against heat expected.

    A run that has nothing more to heat has ended, called or not.
    """
    run, lease = s.state.book.runs.get(source.name), s.state.book.run_of(source.name)
    started = run.started_mark_s if run is not None else None
    heat = probe_heat_kwh(s)
    if started is not None:
        # Whose heat it was is not known beside another source, nor how much when it modulates.
        unknown = any(s.running(n) for n in s.plant.sources if n != source.name)
        unknown = unknown or (lease is not None and lease.power_w is not None)
        if was.mark_s != started:
            heat = None if unknown else heat
            return replace(was, mark_s=started, heat_kwh=heat, drawn_kwh=s.state.draws.total_kwh)
        if was.heat_kwh is None or not (unknown or done):
            return was
        return replace(was, heat_kwh=None) if unknown else _ended(s, source, was, s.elapsed_s)
    if was.heat_kwh is None or was.mark_s == NEVER or run is None:
        return was
    return _ended(s, source, was, run.stopped_mark_s)


def _ended(s: Situation, source: SourcePlant, was: Reheat, end_mark_s: float) -> Reheat:
    """The account with one more run, as far as that can be judged."""
    heat, ended = probe_heat_kwh(s), replace(was, heat_kwh=None)
    if source.name in without_heat(s.state.faults):
        return ended  # it did not heat at all, which has been told
    seconds = end_mark_s - was.mark_s
    if heat is None or was.heat_kwh is None or len(s.plant.probes) < REHEAT_PROBES:
        return ended
    if seconds < RUN_LEAST_S or s.elapsed_s - end_mark_s > HOUR_S:
        return ended
    gained = heat - was.heat_kwh + s.state.draws.total_kwh - was.drawn_kwh
    expected = expected_kw(s, source) * seconds / HOUR_S
    if expected < RUN_LEAST_KWH or not s.plant.of(Quantity.DRAW_FLOW):
        return ended
    share = min(max(gained / expected, 0.0), 3.0)
    runs = was.runs + 1
    usual = share
    if was.usual is not None:
        # A run far below the usual is what is looked for: it changes the usual but little.
        odd = share < ODD_SHARE * was.usual
        usual = was.usual + (share - was.usual) / min(runs, RUNS_MEAN) / (3.0 if odd else 1.0)
    recent = share if was.recent is None else was.recent + 0.35 * (share - was.recent)
    first = was.first
    if runs <= RUNS_FIRST:
        first = share if first is None else first + (share - first) / runs
    return replace(ended, runs=runs, usual=usual, recent=recent, first=first)


def expected_kw(s: Situation, source: SourcePlant) -> float:
    """Heat the source usually gives now, kW."""
    if source.name == "heat_pump":
        duty = s.duty
        if duty is not None:
            return duty.heat_w / 1000.0
    return source.heat_w / 1000.0


# --- the checks --------------------------------------------------------------------------------


def _findings(s: Situation, watch: Watch) -> Iterator[Finding]:
    yield from _signals(s, watch)
    yield from _clock_and_work(s)
    yield from _probes(s)
    for name, source in s.plant.sources.items():
        yield from _effect(s, watch, name, source)
        yield from _uncommanded(s, watch, name, source)
        yield from _reheats(watch, name)
    yield from _immersion_thermostat(s)
    yield from _water(s, watch)
    yield from _secondary(s, watch)
    yield from _disinfection(s)
    last = s.state.decision
    if last is not None and last.rule is Rule.FAIL_SAFE and last.reason.code != "stopping":
        yield Finding("left_to_itself", "home", {"because": last.reason.code, **last.reason.facts})
    if s.elapsed_s - watch.flush_mark_s < FLUSH_ASKED_S:
        yield Finding(*FLUSH, {"empty_for_s": round(watch.empty_for_s)})


def _signals(s: Situation, watch: Watch) -> Iterator[Finding]:
    for name in s.state.heard:
        signal = s.plant.signals.get(name)
        if signal is not None and name not in s.fresh:
            yield Finding("signal_stale", name, {"stale_after_s": signal.stale_after_s})
    for name, count in watch.nonsense.items():
        if count >= NONSENSE_PER_HOUR:
            yield Finding("nonsense_readings", name, {"within_an_hour": count})


def _clock_and_work(s: Situation) -> Iterator[Finding]:
    state = s.state
    if state.clock.wrong:
        yield Finding("clock_cannot_be_right", "clock", {"year": s.now.year})
    if observe.just_jumped(state.clock, s.elapsed_s):
        yield Finding("clock_jumped", "clock", {"by_s": round(state.clock.jumped_by_s)})
    for kind, message in state.planning.failed.items():
        yield Finding("work_failed", kind, {"message": message})


def _probes(s: Situation) -> Iterator[Finding]:
    if s.estimate is None:
        return
    for fault in s.estimate.probe_faults:
        code, seen = f"probe_{fault.code}", fault.evidence
        # The estimator distrusts a probe sooner than people should be told of it.
        if fault.code == "jumping" and float(seen["jumps"]) < JUMPS_TOLD:
            continue
        if fault.code == "stuck":
            travel_k = float(seen["expected_to_c"]) - float(seen["expected_from_c"])
            if travel_k < STUCK_TRAVEL_K or float(seen["same_s"]) < STUCK_FOR_S:
                continue
        if code in BY_CODE:
            yield Finding(code, fault.probe, dict(seen))


def _effect(s: Situation, watch: Watch, name: SourceName, source: SourcePlant) -> Iterator[Finding]:
    run, lease = s.state.book.runs.get(name), s.state.book.run_of(name)
    if run is None or run.started_mark_s is None or lease is None:
        return
    ran_s = s.elapsed_s - run.started_mark_s
    expected_w = source.electricity_w if lease.power_w is None else lease.power_w
    watts = s.watts.get(METERED_AS[name])
    if lease.surplus:
        form = next((a.form for a in source.actuators if a.name == lease.actuator), None)
        if form is Form.TERMINALS:
            return  # they recommend: whether to heat is for the heat pump's own control to say
        if form is Form.DIVERTER:
            # It takes no more than there is to spare; how much that was nobody knows unmetered.
            if watts is None or s.surplus_w is None or s.surplus_w < SURPLUS_LEAST_W:
                return
            expected_w = min(expected_w, s.surplus_w)
    facts: Facts = {"commanded_for_s": round(ran_s), **_own_control(s, name)}
    if watts is not None:
        facts["watts"] = round(watts)
        if watts < arrival.RUNNING_SHARE * expected_w and _done(s, source):
            return  # it has done its work before control noticed
        if watts < arrival.RUNNING_SHARE * expected_w:
            yield Finding("command_without_effect", name, facts)
            return
        missed = watch.suspicions.get(f"command_without_effect/{name}")
        missed_s = s.elapsed_s - (NEVER if missed is None else missed.seen_mark_s)
        if min(ran_s, missed_s) > TAKES_POWER_S:
            yield Finding("command_without_effect", name, {}, over=True)
        if name == "heat_pump":
            yield from _arrival(s, watch, source, facts)
        return
    # What had nothing to heat until a draw came is judged by the time since.
    work_s = min(ran_s, s.elapsed_s - watch.done_mark_s.get(name, NEVER))
    shows_after_s = max(GAIN_AFTER_S, UNSEEN_TIMES * _unseen_s(s, source))
    within_s = min(shows_after_s, LONGEST_GAIN_S) - MOMENT_EVERY_S
    gained = _gained(watch, within_s, s.elapsed_s - work_s)
    if gained is None:
        return
    by_probes_kwh, span_s, drawn_kwh = gained
    kwh = _without_others(s, name, by_probes_kwh, span_s)
    if kwh is None:
        return
    expected_kwh = expected_kw(s, source) * span_s / HOUR_S
    share = kwh / max(expected_kwh, 1e-6)
    facts |= {"gained_kwh": round(kwh, 2), "within_s": round(span_s)}
    useless = (
        share < WITHOUT_GAIN_SHARE
        # cold water at a probe looks like heat that never came
        and (drawn_kwh < DRAWN_LEAST_KWH or _made_up(s, watch, span_s, expected_kwh))
        and work_s >= shows_after_s - MOMENT_EVERY_S
        and not _done(s, source)
        and not _circulated(watch, span_s)  # a secondary return takes heat that nothing counts
    )
    if useless and span_s >= within_s:
        yield Finding("command_without_effect", name, facts)
    elif share > 2 * WITHOUT_GAIN_SHARE:
        yield Finding("command_without_effect", name, {}, over=True)


def _arrival(s: Situation, watch: Watch, source: SourcePlant, facts: Facts) -> Iterator[Finding]:
    """Whether what the heat pump makes arrives in the cylinder."""
    if watch.charge is not None and watch.charge.warmed:
        yield Finding("pump_moves_no_water", "heat_pump", {}, over=True)
    flow_c = observe.first_fresh(s.plant, s.fresh, Quantity.HEAT_PUMP_FLOW_TEMPERATURE)
    lowest = min(s.probes_c.values(), default=None)
    if flow_c is None or lowest is None or flow_c < lowest + FLOW_ABOVE_K or _done(s, source):
        return  # what it takes may be for the rooms
    lost = arrival.missing(s, watch.charge)
    if lost is not None:
        yield Finding(
            "pump_moves_no_water", "heat_pump", {**facts, "flow_c": round(flow_c, 1), **lost}
        )


def _done(s: Situation, source: SourcePlant) -> bool:
    """Whether the source's own control has no reason to heat, called or not."""
    own_c, pump = s.reach_c(source), s.settings.wiring.heat_pump
    if source.name == "immersion" or pump is None:
        answers_below_c = own_c - ELEMENT_RESTART_K
    elif s.full(source, own_c):
        return True
    else:
        answers_below_c = own_c - pump.own_restart_k - RESTART_MARGIN_K
    reached = [s.fresh[p.name] for p in s.plant.probes if p.height_m >= source.foot_m
               and p.name in s.fresh]  # fmt: skip
    return bool(reached) and min(reached) >= answers_below_c


def _own_control(s: Situation, name: SourceName) -> Facts:
    """Why the heat pump's own control may not have called, when that is what happened."""
    own, at_sensor_c = s.plant.own_control, s.at_own_sensor_c
    if name != "heat_pump" or own is None or at_sensor_c is None:
        return {}
    return {
        "own_sensor_c": round(at_sensor_c, 1),
        "calls_below_c": round(own.calls_below_c, 1),
    }


def _gained(
    watch: Watch, within_s: float, since_mark_s: float
) -> tuple[float, float, float] | None:
    """Heat the probes gained over the last ``within_s``, over how long, and heat drawn meanwhile.

    The shortest stretch between two moments that is no shorter, or the longest there is since
    ``since_mark_s``: moments come as readings do, and what was found must not hang on their rhythm.

    Draws are not added back: what leaves at the top shows at a probe only when cold water comes up
    to it, and then for all that went before. Until then it would pass for heat that was put in.
    """
    since = [m for m in watch.moments if m.mark_s >= since_mark_s]
    if not since:
        return None
    last = since[-1]
    first = next((m for m in reversed(since) if m.mark_s <= last.mark_s - within_s), since[0])
    if last.mark_s - first.mark_s < 1200.0:
        return None
    if last.heat_kwh is None or first.heat_kwh is None:
        return None
    drawn_kwh = last.drawn_kwh - first.drawn_kwh
    return last.heat_kwh - first.heat_kwh, last.mark_s - first.mark_s, drawn_kwh


def _made_up(s: Situation, watch: Watch, span_s: float, expected_kwh: float) -> bool:
    """Whether what seems drawn is only the heat that was expected and never came.

    Without a flow meter a draw is what the estimate needs to explain the probes. Where they stood
    still all the while, heat that came and water that left would have had to balance throughout.
    """
    if s.plant.of(Quantity.DRAW_FLOW):
        return False
    began_mark_s = watch.moments[-1].mark_s - span_s
    heat = [m.heat_kwh for m in watch.moments if m.mark_s >= began_mark_s]
    known = [kwh for kwh in heat if kwh is not None]
    return bool(known) and max(known) - min(known) < WITHOUT_GAIN_SHARE * expected_kwh


def _unseen_s(s: Situation, source: SourcePlant) -> float:
    """How long a source may heat at most before any probe need show it, s.

    A coil or an element: until the water between its foot and the lowest probe above is as hot as
    that, if it was as cold as the inlet. A plate exchanger: until hot water has come from a hot
    probe down to the next, a cold one, from the top to the highest, or from the lowest to the
    bottom.
    """
    shown = [(s.plant.level(p.height_m), s.fresh[p.name]) for p in s.plant.probes
             if p.height_m >= source.foot_m and p.name in s.fresh]  # fmt: skip
    if not shown:
        return 0.0
    cold_c, made_c = s.state.belief.cold_c, min(s.plant.set_c, s.reach_c(source))
    below = (source.foot, min(cold_c, shown[0][1]))
    if source.layout is Layout.PLATE:
        places = [below, *shown, (1.0, max(made_c, shown[-1][1]))]
    else:
        places = [below, shown[0]]
    unseen_lk = max((high - low) * (hotter_c - colder_c)
                    for (low, colder_c), (high, hotter_c) in pairwise(places))  # fmt: skip
    unseen_kwh = max(unseen_lk, 0.0) * s.plant.cylinder.volume_l * arrival.KWH_PER_LK
    return unseen_kwh * HOUR_S / max(expected_kw(s, source), 1e-6)


def _circulated(watch: Watch, within_s: float) -> bool:
    """Whether the secondary return's pump ran within the last ``within_s``."""
    last = watch.moments[-1]
    return any(m.circulating for m in watch.moments if m.mark_s >= last.mark_s - within_s)


def _without_others(s: Situation, name: SourceName, kwh: float, span_s: float) -> float | None:
    """What was gained less what another source gave, kWh; None when that ran for a part only."""
    began_s = s.elapsed_s - span_s
    for other, source in s.plant.sources.items():
        run = s.state.book.runs.get(other)
        if other == name or run is None:
            continue
        if run.started_mark_s is None:
            if run.stopped_mark_s > began_s:
                return None
        elif run.started_mark_s > began_s:
            return None
        else:
            kwh -= expected_kw(s, source) * span_s / HOUR_S
    return kwh


def gains_unasked(watch: Watch, runs: Iterable[SourceRun], least_kwh: float) -> bool:
    """Whether the probes warmed between the last two moments though we ran nothing since.

    Draws are not added back: see ``_gained``.
    """
    if len(watch.moments) < 2:
        return False
    before, last = watch.moments[-2:]
    if last.heat_kwh is None or before.heat_kwh is None:
        return False
    ours = any(r.started_mark_s is not None or r.stopped_mark_s > before.mark_s for r in runs)
    return not ours and last.heat_kwh - before.heat_kwh > least_kwh


def _uncommanded(
    s: Situation, watch: Watch, name: SourceName, source: SourcePlant
) -> Iterator[Finding]:
    run = s.state.book.runs.get(name)
    if s.running(name) or not source.actuators:
        return
    if run is not None and s.elapsed_s - run.stopped_mark_s < LEASE_ENDED_S:
        return
    if name == "immersion":
        watts = s.watts.get(Quantity.IMMERSION_ELECTRICITY)
        if watts is not None and watts > UNCOMMANDED_W:
            yield Finding("uncommanded_running", name, {"watts": round(watts)})
        return
    pump, own = s.settings.wiring.heat_pump, s.plant.own_control
    if pump is None or own is None or pump.own_timer or pump.own_disinfection:
        return  # its own control has reasons of its own that cannot be seen
    last = s.state.decision
    if last is not None and last.rule in (Rule.FAIL_SAFE, Rule.MAINTENANCE_HOLD):
        return
    others = any(s.running(n) for n in s.plant.sources)
    element = s.watts.get(Quantity.IMMERSION_ELECTRICITY, 0.0)
    gained = _gained(watch, GAIN_AFTER_S, s.elapsed_s - GAIN_AFTER_S)
    since_run = s.elapsed_s - max(
        (r.stopped_mark_s for r in s.state.book.runs.values()), default=NEVER
    )
    if gained is None or others or element > 50.0 or since_run < GAIN_AFTER_S + LEASE_ENDED_S:
        return
    called = s.at_own_sensor_c is None or s.at_own_sensor_c < own.set_c + 2.0
    if gained[0] > UNCOMMANDED_KWH and not called:
        yield Finding("uncommanded_running", name, {"gained_kwh": round(gained[0], 2)})


def _reheats(watch: Watch, name: SourceName) -> Iterator[Finding]:
    r = watch.reheats.get(name)
    if r is None or r.usual is None or r.recent is None or r.first is None:
        return
    if r.runs >= RUNS_USUAL and r.recent < SLOW_SHARE * r.usual:
        yield Finding(
            "slow_reheat", name, {"recent": round(r.recent, 2), "usual": round(r.usual, 2)}
        )
    if r.runs >= SCALE_RUNS and r.usual < SCALE_SHARE * r.first:
        facts: Facts = {"usual": round(r.usual, 2), "first": round(r.first, 2), "runs": r.runs}
        yield Finding("limescale_drift", name, facts)


def _immersion_thermostat(s: Situation) -> Iterator[Finding]:
    element = s.settings.wiring.immersion
    watts = s.watts.get(Quantity.IMMERSION_ELECTRICITY)
    if element is None or watts is None or watts < UNCOMMANDED_W:
        return
    source = s.plant.sources["immersion"]
    above = [p for p in s.plant.probes if p.height_m >= source.foot_m and p.name in s.fresh]
    if above and s.fresh[above[0].name] > element.thermostat_c + STUCK_ABOVE_K:
        facts: Facts = {
            "watts": round(watts),
            "water_c": round(s.fresh[above[0].name], 1),
            "thermostat_c": element.thermostat_c,
        }
        yield Finding("immersion_thermostat_stuck", "immersion", facts)


def _water(s: Situation, watch: Watch) -> Iterator[Finding]:
    draw = s.state.draws
    if draw.start_s is not None and draw.live:
        lasts = s.now_s - draw.start_s
        mean = draw.litres / max(lasts / 60.0, 1e-6)
        facts: Facts = {"minutes": round(lasts / 60.0), "litres": round(draw.litres, 1)}
        if lasts > TAP_S and mean >= TAP_L_PER_MIN:
            yield Finding("tap_left_open", "draw", facts)
        elif lasts > LEAK_S:
            yield Finding("water_keeps_running", "draw", facts)
    quiet = watch.yesterday_quiet_s
    if quiet is not None and quiet < DRIP_QUIET_S:
        yield Finding("water_keeps_running", "day", {"longest_pause_min": round(quiet / 60.0)})


def _secondary(s: Situation, watch: Watch) -> Iterator[Finding]:
    if not s.plant.of(Quantity.SECONDARY_RETURN) or len(watch.moments) < 2:
        return
    last = watch.moments[-1]
    window = [m for m in watch.moments if m.mark_s >= last.mark_s - 7200.0]
    first = window[0]
    heated = any(s.running(n) for n in s.plant.sources) or any(
        s.elapsed_s - r.stopped_mark_s < 7200.0 for r in s.state.book.runs.values()
    )
    if first.charge_l40 is None or last.charge_l40 is None:
        return
    circulated = sum(m.circulating for m in window) * MOMENT_EVERY_S
    lost = first.charge_l40 - last.charge_l40 - (last.drawn_l40 - first.drawn_l40)
    # Heating hides a part of it, and stirs a little itself.
    least = (RETURN_HEATED_TENTHS if heated else RETURN_TENTHS) * s.plant.tenth_l40
    if circulated >= 1800.0 and lost > least:
        facts: Facts = {"lost_l40": round(lost), "pump_ran_min": round(circulated / 60.0)}
        yield Finding("secondary_return_mixes", "secondary_return", facts)


def _disinfection(s: Situation) -> Iterator[Finding]:
    when = hygiene.due(s)
    if when.refused is not None and not hygiene.left_to_plant(s.plant):
        facts: Facts = {"because": when.refused.code, **when.refused.facts}
        yield Finding("disinfection_refused", "hygiene", facts)
    if when.overdue:
        facts = {"overdue_h": round(-when.in_s / HOUR_S, 1), "because": when.why}
        reaches_c = hygiene.out_of_reach_c(s) if when.refused is None else None
        if reaches_c is not None:
            disinfect_c = s.settings.tunables.hygiene.disinfect_c
            facts |= {"reaches_c": round(reaches_c, 1), "disinfect_c": disinfect_c}
        yield Finding("disinfection_overdue", "hygiene", facts)
    if s.state.hygiene.failures >= FAILURES_TOLD:
        yield Finding("disinfection_failed", "hygiene", {"attempts": s.state.hygiene.failures})


def moved(watch: Watch, shift_s: float) -> Watch:
    """The memory with its marks on another elapsed clock; what was being watched begins anew."""

    def mark(m: float) -> float:
        return m if m <= NEVER / 2 else m + shift_s

    return replace(
        watch,
        mark_s=NEVER,
        suspicions={
            name: replace(x, since_mark_s=mark(x.since_mark_s), seen_mark_s=mark(x.seen_mark_s))
            for name, x in watch.suspicions.items()
        },
        reheats={n: replace(r, mark_s=NEVER, heat_kwh=None) for n, r in watch.reheats.items()},
        moments=(),
        charge=None,
        done_mark_s={},
        heats_mark_s={},
        nonsense_mark_s=mark(watch.nonsense_mark_s),
        day_mark_s=mark(watch.day_mark_s),
        quiet_since_s=mark(watch.quiet_since_s),
        blind=True,
        flush_mark_s=mark(watch.flush_mark_s),
    )
