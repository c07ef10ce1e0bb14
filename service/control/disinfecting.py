"""A thermal disinfection under way: when it begins, what heats for it, and when it leads nowhere.

Cold air lowers what a heat pump reaches, so it begins where the air stays warm enough to the end,
as far as that is known; what falls short is made seldom, in warm hours, and ends as hot as it gets.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from service.control import around, hygiene
from service.control.plant import KWH_PER_LK, SourcePlant
from service.control.precedence import Ruling, Run
from service.control.situation import Situation
from service.control.state import Attempt, Facts, HygieneClock, Rise, changed
from service.control.types import HygieneEvidence, Rule
from service.scheduling.types import Plan, Reason, Window

RETRY_S = 6 * 3600.0  # after an attempt that failed; twice as long after each further one
GIVE_UP_FACTOR = 3.0  # an attempt lasts at most this much longer than reckoned
START_MARGIN = 1.5
PUMP_HELPS_K = 3.0  # a heat pump this close below what it reaches is left for another source
PUMP_BACK_K = 10.0  # it is called back only for water so much colder, which a draw brought
RISES_K = 1.0  # probes that changed by so much did change: ten times what a usual one wavers
# A heat pump that is called while it starts, changes over from the rooms or defrosts warms nothing
# for some minutes (common practice, no source); beyond that it only waits for the charged water.
STANDSTILL_S = 1200.0
WAVERS_S = 600.0  # what is hot for less may only waver about the temperature
LEAST_SHARE = 0.5  # of its usual heat: what gives less is not waited for
AS_WARM_K = 0.5  # air that differs by less is as warm
REHEAT_K = 0.8  # a hold is topped up when it cooled by this much


def judge(s: Situation) -> Ruling | None:
    """Heat for a disinfection that is under way, with what may run for it now.

    While nothing may, in quiet hours say, others decide: the household goes on wanting water.
    """
    source = None if s.state.hygiene.attempt is None else _source(s)
    if source is None:
        return None
    facts: Facts = {
        "disinfect_c": s.settings.tunables.hygiene.disinfect_c,
        "held_s": round(s.state.hygiene.hold.held_s) if s.state.hygiene.hold else 0,
        "hold_s": s.settings.tunables.hygiene.hold_s,
        "probe": s.plant.hygiene_probes[0].name if s.plant.hygiene_probes else None,
    }
    if _as_hot(s, source):
        return Ruling(Rule.HYGIENE, Reason("disinfection_holding", facts))
    heats = Run(source.name, _set_c(s, source))
    return Ruling(Rule.HYGIENE, Reason("disinfection_heating", facts), (heats,))


def begin_or_end(s: Situation) -> tuple[HygieneClock, tuple[HygieneEvidence, ...]]:
    """Begin an attempt whose time has come, or give one up that leads nowhere."""
    clock, when = s.state.hygiene, hygiene.due(s)
    attempt = clock.attempt
    if attempt is not None and not when.ours:  # settings changed: it may not be made any more
        return changed(clock, attempt=None), ()
    if attempt is not None and s.quiet and _source(s) is None:
        return suspended(s), ()
    if attempt is not None:
        # What was reckoned at its beginning: what is left shrinks while it heats as it should.
        need = max(need_s(s), attempt.reckoned_s, 3600.0)
        need += s.settings.tunables.hygiene.hold_s
        source = _source(s)
        hopeless = source is not None and (
            source.name in attempt.stood
            or (s.reach_c(source) < s.settings.tunables.hygiene.disinfect_c and _as_hot(s, source))
        )
        too_long = s.elapsed_s - attempt.mark_s > GIVE_UP_FACTOR * need
        if (hopeless or too_long) and clock.hold is None:
            named, lowest = s.plant.hygiene_probes, _lowest_c(s) or 0.0
            failed = HygieneEvidence(
                attempt.started_at,
                s.now,
                False,
                "commanded",
                named[0].name if named else "",
                round(lowest, 2),
                0.0,
                {"disinfect_c": s.settings.tunables.hygiene.disinfect_c},
            )
            clock = changed(
                clock,
                attempt=None,
                failed_mark_s=s.elapsed_s,
                failures=clock.failures + 1,
                unexplained=clock.unexplained + (out_of_reach_c(s) is None),
            )
            return clock, (failed,)
        followed = _followed(s, attempt)
        return clock if followed is attempt else changed(clock, attempt=followed), ()
    if not when.ours:
        return clock, ()
    late = _late(s, when) and not _planned_by(s, when.in_s)
    if not (late or planned_now(s)):
        return clock, ()
    since_failed_s = s.elapsed_s - clock.failed_mark_s if clock.failures else math.inf
    if out_of_reach_c(s) is None:
        begins = since_failed_s >= _pause_s(s)
    else:
        # Warmer air is waited for. But what is reached is often believed only, and what falls short
        # kills too: after each interval one is made all the same, before people return or in the
        # warmest hours of a day.
        begins = since_failed_s >= hygiene.interval_s(s) and (
            late if when.why == "return" else when.overdue and _warmest_now(s)
        )
    if begins:
        clock = changed(clock, attempt=Attempt(s.now, s.elapsed_s, need_s(s)))
    return clock, ()


def suspended(s: Situation) -> HygieneClock:
    """While a stronger rule or quiet hours keep the plant released none begins or gets older.

    One that a person's hold keeps beyond its place in the plan is planned anew.
    """
    clock, attempt = s.state.hygiene, s.state.hygiene.attempt
    if attempt is None:
        return clock
    if s.standing.hold is not None and not (planned_now(s) or _late(s, hygiene.due(s))):
        return changed(clock, attempt=None)
    lived_s = s.elapsed_s - s.state.elapsed_s
    return changed(clock, attempt=replace(attempt, mark_s=attempt.mark_s + lived_s, rise=None))


def _late(s: Situation, when: hygiene.Due) -> bool:
    """Whether it has to begin now to be over in time."""
    return when.in_s <= need_s(s) * START_MARGIN + 1800.0


def _set_c(s: Situation, source: SourcePlant) -> float:
    """How hot the source is to make the water, degC: as far as it reaches now."""
    return min(hygiene.target_c(s.plant), s.reach_c(source))


def _as_hot(s: Situation, source: SourcePlant) -> bool:
    """Whether the coldest named probe is as hot as the source is to make it, or needs no reheat."""
    set_c, lowest = _set_c(s, source), _lowest_c(s)
    # Where hardly more is reached than is needed, a hold has no room to cool.
    again_c = max(set_c - REHEAT_K, min(set_c, hygiene.least_c(s.plant)))
    return lowest is not None and lowest >= (set_c if s.running(source.name) else again_c)


def need_s(s: Situation) -> float:
    """How long heating and holding would take from now, s; 0 when nothing reaches."""
    sources = hygiene.reaching(s.plant)
    if not sources:
        return 0.0
    missing_k = 0.0
    if s.estimate is not None:
        missing_k = float(np.maximum(hygiene.target_c(s.plant) - s.estimate.profile_c, 0.0).mean())
    heat_w = max(s.heat_w(source) for source in sources)
    return _heating_s(s, missing_k, heat_w) + s.settings.tunables.hygiene.hold_s


def _heating_s(s: Situation, by_k: float, heat_w: float) -> float:
    """How long it takes to heat all the water by so much on the mean, s."""
    return by_k * s.plant.cylinder.volume_l * KWH_PER_LK * 3.6e6 / heat_w


def out_of_reach_c(s: Situation) -> float | None:
    """The hottest water to be had where that is too cool to disinfect now, degC; None: hot enough.

    Cold air lowers what a heat pump reaches, and it has to reach it until the hold is over. A
    source that cannot run now is waited for.
    """
    able = [x for x in hygiene.reaching(s.plant) if s.usable_source(x.name) is not None]
    if not able:
        return None
    coldest_c = _coldest_c(s, need_s(s))
    most_c = max(s.plant.reach_c(x, coldest_c) for x in able)
    return most_c if most_c < hygiene.least_c(s.plant) else None


def _coldest_c(s: Situation, takes_s: float, in_s: float = 0.0) -> float | None:
    """The coldest air of a disinfection that takes so long and begins in ``in_s``, degC."""
    return around.coldest_c(s.state.surroundings, s.outdoor_c, s.now_s, s.now_s + in_s, takes_s)


def _warmest_now(s: Situation) -> bool:
    """Whether no disinfection that begins within a day has warmer air."""
    takes_s = need_s(s)
    now_c = _coldest_c(s, takes_s)
    later = (_coldest_c(s, takes_s, 3600.0 * h) for h in range(1, 24))
    return now_c is None or all(c is None or c <= now_c + AS_WARM_K for c in later)


def _pause_s(s: Situation) -> float:
    """How long to wait after an attempt that failed, an interval at most, s.

    What failed again and again mostly fails once more, costs money and wears the plant.
    """
    doubled = 2.0 ** min(max(s.state.hygiene.unexplained - 1, 0), 16)
    return min(RETRY_S * doubled, hygiene.interval_s(s))


def _followed(s: Situation, was: Attempt) -> Attempt:
    """The attempt, with whether the source that runs for it still warms the water.

    How hot a heat pump gets it falls with the outdoor air, ages, and is not always known, and a
    thermostat may be set lower than is known: then it stands still though a source is called.
    Between two probes charged water passes unseen: so even one that ails is given the time to heat
    everything to where it should get, and some minutes. A draw gives it work, and time, anew; what
    it cannot run for (rests, starts) is not counted.
    """
    lowest, source, shown = _lowest_c(s), _source(s), s.probes_c.values()
    if lowest is None or source is None or source.name in was.stood:
        return was
    hold = s.state.hygiene.hold
    holds = hold is not None and hold.held_s >= WAVERS_S
    if holds or not s.running(source.name):
        return was if was.rise is None else replace(was, rise=None)
    mean_c = sum(shown) / len(shown)
    rise = was.rise
    if rise is None or rise.source != source.name or abs(mean_c - rise.from_c) >= RISES_K:
        most_k = _missing_most_k(s, _set_c(s, source))
        heating_s = _heating_s(s, most_k, LEAST_SHARE * s.heat_w(source))
        until_s = s.elapsed_s + STANDSTILL_S + heating_s
        return replace(was, rise=Rise(mean_c, until_s, source.name))
    if s.elapsed_s < rise.until_mark_s or hold is not None:
        return was
    return replace(was, rise=None, stood=(*was.stood, source.name))


def _missing_most_k(s: Situation, to_c: float) -> float:
    """By how much all the water is colder than ``to_c`` at most, on the mean, K, by the probes.

    Between two of them it counts as cold as at the lower one: what is believed there takes the heat
    for granted that is in doubt here.
    """
    heard = [p for p in s.plant.probes if p.name in s.fresh]
    ends = [p.height_m for p in heard[1:]] + [s.plant.cylinder.height_m]
    begins = [0.0, *ends]
    return sum(
        max(to_c - s.fresh[p.name], 0.0) * (end - begin) / s.plant.cylinder.height_m
        for p, begin, end in zip(heard, begins, ends, strict=False)
    )


def _lowest_c(s: Situation) -> float | None:
    """The coldest of the named probes as far as they are heard, degC."""
    return min((s.fresh[p.name] for p in s.plant.hygiene_probes if p.name in s.fresh), default=None)


def planned_now(s: Situation) -> bool:
    """Whether the plan has placed the disinfection at this moment."""
    return any(w.start_s <= s.now_s < w.end_s for w in _planned(s))


def still_planned(s: Situation) -> Plan | None:
    """The plan in force; what it has placed ahead is being done when one was begun before its time.

    A plan is made anew only once a disinfection passed, and nobody is to wait for a second one.
    """
    made = s.state.plan
    if made is None or s.state.hygiene.attempt is None or planned_now(s):
        return made
    ahead = tuple(w for w in made.windows if w.purpose != "disinfection" or w.end_s <= s.now_s)
    return replace(made, windows=ahead)


def _planned_by(s: Situation, in_s: float) -> bool:
    """Whether the plan has placed it ahead, to be over in time: it need not begin before."""
    ahead = [w.end_s for w in _planned(s) if w.end_s > s.now_s]
    return bool(ahead) and max(ahead) <= s.now_s + in_s


def _planned(s: Situation) -> list[Window]:
    """The windows of a disinfection that is still to do, by the plan in force."""
    made, passed = s.state.plan, s.state.hygiene.passed_at
    if made is None or s.state.clock.wrong:
        return []
    if passed is not None and made.made_at_s <= passed.timestamp():
        return []  # that plan's disinfection has been done
    return [w for w in made.windows if w.purpose == "disinfection"]


def _source(s: Situation) -> SourcePlant | None:
    """The heat pump while it helps, then what reaches the temperature."""
    attempt, pump = s.state.hygiene.attempt, s.usable_source("heat_pump")
    able = [x for x in hygiene.reaching(s.plant) if s.usable_source(x.name) is not None]
    if attempt is not None and attempt.stood:
        others = [x for x in able if x.name not in attempt.stood]
        return next(iter(others or able), None)
    # Cold air lowers what it reaches: it must not be waited for when others would go on.
    wanted_c = s.settings.tunables.hygiene.disinfect_c
    helps_k = PUMP_BACK_K if s.running("immersion") else PUMP_HELPS_K
    helps = pump is not None and (
        s.reach_c(pump) >= wanted_c or (_lowest_c(s) or 0.0) < s.reach_c(pump) - helps_k
    )
    helps = helps or (len(hygiene.reaching(s.plant)) == 1 and pump in hygiene.reaching(s.plant))
    if pump is not None and helps and s.answers(pump):
        return pump
    return able[0] if able else None
