"""Thermal disinfection and lukewarm water: when it is due, and when it was passed.

A cycle passes only when every named probe, the lowest included, was measured at the disinfection
temperature for the whole hold, without a gap; it does not matter whether Ladle, the sun or
normal running heated it. Water below the lowest named probe is not vouched for. Lethality is
shown and never shortens or passes a cycle. The time since the last pass counts in lived seconds,
so that a clock that jumps neither drops nor brings on a cycle.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from service.control import around
from service.control.plant import (
    DISINFECTION_BELOW_CEILING_K,
    DISINFECTION_MARGIN_K,
    KWH_PER_LK,
    LAYERS,
    Plant,
    Probe,
    SourcePlant,
)
from service.control.precedence import Ruling, Run
from service.control.situation import ORDER, Situation
from service.control.state import Attempt, Facts, Hold, HygieneClock, Rise
from service.control.types import HygieneEvidence, Rule
from service.cylinder.hygiene import HygieneTally
from service.scheduling.types import Reason, Window
from service.settings import HomeSettings

DAY_S = 86_400.0
FIRST_WITHIN_S = DAY_S  # a cylinder nothing is known of is disinfected within a day
BROUGHT_FORWARD_S = DAY_S  # lukewarm for too long: within a day, so that a night lies in it
ABSENCE_S = 2 * DAY_S  # a longer one: disinfected before the return, outlets to be flushed after
RETRY_S = 6 * 3600.0  # after an attempt that failed; twice as long after each further one
GIVE_UP_FACTOR = 3.0  # an attempt lasts at most this much longer than reckoned
START_MARGIN = 1.5
PLANNED_EARLY_S = 3600.0  # the plan has it over so long before it is due: it may err
LONGEST_GAP_S = 300.0  # a hold with a longer silence of its probes is not a hold
PUMP_HELPS_K = 3.0  # a heat pump this close below what it reaches is left for another source
RISES_K = 1.0  # probes that changed by so much did change: ten times what a usual one wavers
# A heat pump that is called while it starts, changes over from the rooms or defrosts warms nothing
# for some minutes (common practice, no source); beyond that it only waits for the charged water.
STANDSTILL_S = 1200.0
WAVERS_S = 600.0  # what is hot for less may only waver about the temperature
LEAST_SHARE = 0.5  # of its usual heat: what gives less is not waited for
HOTTER_K = 3.0
AS_WARM_K = 0.5  # air that differs by less is as warm
HELD_ABOVE_K = 0.3  # what probes and standing loss take off before it is heated again
REHEAT_K = 0.8  # a hold is topped up when it cooled by this much
UPSIDE_DOWN_K = 5.0  # colder water above by more than this cannot be
TALLY_STRIDE_S = 60.0
TALLY_LONGEST_S = 7200.0  # a longer silence is not counted as if one profile had lasted


@dataclass(frozen=True)
class Due:
    """Whether and when the next thermal disinfection has to be finished."""

    in_s: float
    why: str  # interval, lukewarm, return, first
    refused: Reason | None  # why nobody can do it in this home
    ours: bool  # whether it is for Ladle to do: not refused, nor left to the heat pump
    lukewarm_h: float

    @property
    def overdue(self) -> bool:
        """Whether its time is over."""
        return self.in_s <= 0


def start(settings: HomeSettings) -> HygieneClock:
    """A clock for a cylinder of which nothing is known."""
    interval_s = settings.tunables.hygiene.longest_interval_days * DAY_S
    return HygieneClock(since_pass_s=max(0.0, interval_s - FIRST_WITHIN_S))


def refusal(plant: Plant) -> Reason | None:
    """Why Ladle cannot do thermal disinfection in this home at all; None when it can."""
    return plant.remembered("hygiene.refusal", lambda: _refusal(plant))


def _refusal(plant: Plant) -> Reason | None:
    settings = plant.settings
    if settings.wiring.cylinder.mixing_valve_c is None:
        return Reason("disinfection_refused_no_mixing_valve", {})
    if not plant.hygiene_probes:
        return Reason("disinfection_refused_no_probe", {})
    wanted_c = settings.tunables.hygiene.disinfect_c
    if wanted_c > plant.ceiling_c:
        return Reason(
            "disinfection_refused_ceiling",
            {"disinfect_c": wanted_c, "ceiling_c": plant.ceiling_c},
        )
    if not reaching(plant):
        lowest = plant.hygiene_probes[0]
        facts: Facts = {
            "disinfect_c": wanted_c,
            "probe": lowest.name,
            "probe_height_m": lowest.height_m,
        }
        for source in plant.sources.values():
            facts[f"{source.name}_limit_c"] = round(source.limit_c, 1)
            facts[f"{source.name}_foot_m"] = round(source.foot_m, 2)
        return Reason("disinfection_refused_no_source_reaches", facts)
    return None


def left_to_plant(plant: Plant) -> bool:
    """Whether nothing that is commanded gets hot enough, and the heat pump disinfects by itself."""
    refused, pump = refusal(plant), plant.settings.wiring.heat_pump
    unreached = refused is not None and refused.code == "disinfection_refused_no_source_reaches"
    return unreached and pump is not None and pump.own_disinfection


def reaching(plant: Plant) -> tuple[SourcePlant, ...]:
    """The sources that can bring the lowest named probe to the disinfection temperature."""
    return plant.remembered("hygiene.reaching", lambda: _reaching(plant))


def _reaching(plant: Plant) -> tuple[SourcePlant, ...]:
    if not plant.hygiene_probes:
        return ()
    wanted_c = plant.settings.tunables.hygiene.disinfect_c
    lowest_m = plant.hygiene_probes[0].height_m
    return tuple(
        source
        for name in ORDER
        if (source := plant.sources.get(name)) is not None
        and source.actuator(surplus=False) is not None
        and source.limit_c >= wanted_c
        and source.foot_m <= lowest_m
    )


def need_s(s: Situation) -> float:
    """How long heating and holding would take from now, s; 0 when nothing reaches."""
    sources = reaching(s.plant)
    if not sources:
        return 0.0
    missing_k = 0.0
    if s.estimate is not None:
        missing_k = float(np.maximum(target_c(s.plant) - s.estimate.profile_c, 0.0).mean())
    heat_w = max(source.heat_w for source in sources)
    return _heating_s(s, missing_k, heat_w) + s.settings.tunables.hygiene.hold_s


def _heating_s(s: Situation, by_k: float, heat_w: float) -> float:
    """How long it takes to heat all the water by so much on the mean, s."""
    return by_k * s.plant.cylinder.volume_l * KWH_PER_LK * 3.6e6 / heat_w


def target_c(plant: Plant) -> float:
    """How hot a disinfection heats: a little beyond its temperature, never above the ceiling."""
    wanted_c = plant.settings.tunables.hygiene.disinfect_c
    return max(
        wanted_c,
        min(wanted_c + DISINFECTION_MARGIN_K, plant.ceiling_c - DISINFECTION_BELOW_CEILING_K),
    )


def least_c(plant: Plant) -> float:
    """How hot the water must get at least so that probes go on measuring its temperature.

    A little hotter than that, as far as any source gets it.
    """
    hottest_c = max((source.limit_c for source in reaching(plant)), default=0.0)
    wanted_c = plant.settings.tunables.hygiene.disinfect_c
    return max(wanted_c, min(wanted_c + HELD_ABOVE_K, hottest_c, target_c(plant)))


def due(s: Situation) -> Due:
    """When the next disinfection has to be finished, and why then."""
    clock, h = s.state.hygiene, s.settings.tunables.hygiene
    in_s, why = _interval_s(s) - clock.since_pass_s, "interval"
    if clock.passed_at is None:
        why = "first"
    lukewarm_h = lukewarm_hours(clock)
    too_long_s = (lukewarm_h - h.lukewarm_limit_h) * 3600.0
    if too_long_s >= 0.0 and in_s > BROUGHT_FORWARD_S - too_long_s:
        in_s, why = max(BROUGHT_FORWARD_S - too_long_s, 1.0), "lukewarm"
    back = s.standing.returning
    if back is not None and back.until is not None and s.standing.away is not None:
        until_s = (back.until - s.now).total_seconds()
        away_s = (back.until - back.since).total_seconds()
        if away_s >= ABSENCE_S or in_s < until_s:
            in_s, why = until_s, "return"
    refused = refusal(s.plant)
    told = None if left_to_plant(s.plant) else refused
    return Due(in_s, why, told, ours=refused is None, lukewarm_h=lukewarm_h)


def lukewarm_hours(clock: HygieneClock) -> float:
    """Hours between 20 and 45 degC of the layer that had most of them since the last pass."""
    return 0.0 if clock.tally is None else float(clock.tally.growth_s.max()) / 3600.0


def advance(
    s: Situation, drawn_l: float, lived_s: float
) -> tuple[HygieneClock, tuple[HygieneEvidence, ...]]:
    """Live ``lived_s`` on: count, follow a hold, and tell what passed or failed."""
    clock, h = s.state.hygiene, s.settings.tunables.hygiene
    clock = replace(clock, since_pass_s=clock.since_pass_s + lived_s)
    if s.estimate is not None and s.elapsed_s - clock.mark_s >= TALLY_STRIDE_S:
        span_s = s.elapsed_s - clock.mark_s
        tally = clock.tally or HygieneTally.empty(LAYERS)
        if 0 < span_s < TALLY_LONGEST_S:
            tally = tally.advanced(s.estimate.profile_c, span_s, clock.drawn_l + drawn_l)
        clock = replace(clock, tally=tally, mark_s=s.elapsed_s, drawn_l=0.0)
    elif drawn_l:
        clock = replace(clock, drawn_l=clock.drawn_l + drawn_l)
    evidence: list[HygieneEvidence] = []
    named = s.plant.hygiene_probes
    hot = (
        bool(named)
        and s.plant.settings.wiring.cylinder.mixing_valve_c is not None
        and all(_measures(s, p) and s.fresh[p.name] >= h.disinfect_c for p in named)
    )
    if not hot:
        clock = replace(clock, hold=None)
    else:
        lowest = min(s.fresh[p.name] for p in named)
        hold = clock.hold
        if hold is None:
            hold = Hold(s.now, s.elapsed_s, 0.0, lowest)
        else:
            measured = min(s.state.heard[p.name].mark_s for p in named)
            hold = replace(
                hold,
                held_s=max(hold.held_s, measured - hold.mark_s),
                lowest_c=min(hold.lowest_c, lowest),
            )
        clock = replace(clock, hold=hold)
        if hold.held_s >= h.hold_s and not hold.told:
            evidence.append(
                HygieneEvidence(
                    hold.started_at,
                    s.now,
                    True,
                    "commanded" if clock.attempt is not None else "credited",
                    named[0].name,
                    round(hold.lowest_c, 2),
                    round(hold.held_s),
                    {
                        "not_vouched_below_m": named[0].height_m,
                        "disinfect_c": h.disinfect_c,
                        "hold_s": h.hold_s,
                        "lukewarm_h": round(lukewarm_hours(clock), 1),
                    },
                )
            )
            clock = HygieneClock(0.0, s.now, hold=replace(hold, told=True), mark_s=s.elapsed_s)
        elif hold.told:
            clock = replace(clock, since_pass_s=0.0)  # as recent as the last measurement
    return clock, tuple(evidence)


def _measures(s: Situation, probe: Probe) -> bool:
    """Whether a named probe's reading may count: recent, unsuspected, and possible.

    Water lies in layers: what is hotter than a probe above it, or than any thermostat allows, is
    no measurement.
    """
    value = s.fresh.get(probe.name)
    if value is None or probe.name in s.faulty_probes:
        return False
    age_s = s.state.heard[probe.name].age_at(s.elapsed_s)
    if age_s > min(LONGEST_GAP_S, probe.stale_after_s):
        return False
    if value > s.settings.wiring.cylinder.cutout_c + UPSIDE_DOWN_K:
        return False
    above = [
        s.fresh[p.name] for p in s.plant.probes if p.height_m > probe.height_m and p.name in s.fresh
    ]
    return not above or value <= min(above) + UPSIDE_DOWN_K


def judge(s: Situation) -> Ruling | None:
    """Heat for a disinfection that is under way, planned for now, or can wait no longer."""
    attempt = s.state.hygiene.attempt
    if attempt is None:
        return None
    source = _source(s)
    facts: Facts = {
        "disinfect_c": s.settings.tunables.hygiene.disinfect_c,
        "held_s": round(s.state.hygiene.hold.held_s) if s.state.hygiene.hold else 0,
        "hold_s": s.settings.tunables.hygiene.hold_s,
        "probe": s.plant.hygiene_probes[0].name if s.plant.hygiene_probes else None,
    }
    if source is None:
        return Ruling(Rule.HYGIENE, Reason("disinfection_waits_for_source", facts))
    set_c = min(target_c(s.plant), s.reach_c(source))
    if _as_hot(s, source):
        return Ruling(Rule.HYGIENE, Reason("disinfection_holding", facts))
    return Ruling(Rule.HYGIENE, Reason("disinfection_heating", facts), (Run(source.name, set_c),))


def _as_hot(s: Situation, source: SourcePlant) -> bool:
    """Whether the coldest named probe is as hot as the source is to make it, or needs no reheat."""
    set_c, lowest = min(target_c(s.plant), s.reach_c(source)), _lowest_c(s)
    # Where hardly more is reached than is needed, a hold has no room to cool.
    again_c = max(set_c - REHEAT_K, min(set_c, least_c(s.plant)))
    return lowest is not None and lowest >= (set_c if s.running(source.name) else again_c)


def begin_or_end(s: Situation) -> tuple[HygieneClock, tuple[HygieneEvidence, ...]]:
    """Begin an attempt whose time has come, or give one up that leads nowhere."""
    clock = s.state.hygiene
    attempt = clock.attempt
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
            clock = replace(
                clock,
                attempt=None,
                failed_mark_s=s.elapsed_s,
                failures=clock.failures + 1,
                unexplained=clock.unexplained + (out_of_reach_c(s) is None),
            )
            return clock, (failed,)
        followed = _followed(s, attempt)
        return clock if followed is attempt else replace(clock, attempt=followed), ()
    when = due(s)
    if not when.ours:
        return clock, ()
    since_failed_s = s.elapsed_s - clock.failed_mark_s if clock.failures else math.inf
    if out_of_reach_c(s) is None:
        late = when.in_s <= need_s(s) * START_MARGIN + 1800.0 and not _planned_by(s, when.in_s)
        begins = since_failed_s >= _pause_s(s) and (late or planned_now(s))
    else:
        # Warmer air is waited for. But what is reached is often believed only, and what falls short
        # kills too: after each interval one is made all the same, in the warmest hours of a day.
        begins = when.overdue and since_failed_s >= _interval_s(s) and _warmest_now(s)
    if begins:
        clock = replace(clock, attempt=Attempt(s.now, s.elapsed_s, need_s(s)))
    return clock, ()


def out_of_reach_c(s: Situation) -> float | None:
    """The hottest water to be had where that is too cool to disinfect now, degC; None: hot enough.

    Cold air lowers what a heat pump reaches, and it has to reach it until the hold is over. A
    source that cannot run now is waited for.
    """
    able = [x for x in reaching(s.plant) if s.usable_source(x.name) is not None]
    if not able:
        return None
    most_c = max(s.plant.reach_c(x, _coldest_c(s)) for x in able)
    return most_c if most_c < least_c(s.plant) else None


def _coldest_c(s: Situation, in_s: float = 0.0) -> float | None:
    """The coldest air of a disinfection that begins in so many seconds, degC."""
    expected, need = s.state.surroundings, need_s(s)
    return around.coldest_c(expected, s.outdoor_c, s.now_s, s.now_s + in_s, need)


def _warmest_now(s: Situation) -> bool:
    """Whether no disinfection that begins within a day has warmer air."""
    now_c = _coldest_c(s)
    later = (_coldest_c(s, 3600.0 * h) for h in range(1, 24))
    return now_c is None or all(c is None or c <= now_c + AS_WARM_K for c in later)


def _interval_s(s: Situation) -> float:
    return s.settings.tunables.hygiene.longest_interval_days * DAY_S


def _pause_s(s: Situation) -> float:
    """How long to wait after an attempt that failed, an interval at most, s.

    What failed again and again mostly fails once more, costs money and wears the plant.
    """
    doubled = 2.0 ** min(max(s.state.hygiene.unexplained - 1, 0), 16)
    return min(RETRY_S * doubled, _interval_s(s))


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
        pump = source.name == "heat_pump" and s.duty is not None
        least_w = LEAST_SHARE * (s.duty.heat_w if s.duty is not None and pump else source.heat_w)
        most_k = _missing_most_k(s, min(target_c(s.plant), s.reach_c(source)))
        until_s = s.elapsed_s + STANDSTILL_S + _heating_s(s, most_k, least_w)
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


def hotter_than_usual(s: Situation) -> bool:
    """Whether the water is hotter than the household is used to."""
    hottest = s.hottest_c
    return hottest is not None and hottest > s.plant.set_c + HOTTER_K


def _source(s: Situation) -> SourcePlant | None:
    """The heat pump while it helps, then what reaches the temperature."""
    attempt, pump = s.state.hygiene.attempt, s.usable_source("heat_pump")
    able = [x for x in reaching(s.plant) if s.usable_source(x.name) is not None]
    if attempt is not None and attempt.stood:
        others = [x for x in able if x.name not in attempt.stood]
        return others[0] if others else next(iter(able), None)
    # Cold air lowers what it reaches: it must not be waited for when others would go on.
    wanted_c = s.settings.tunables.hygiene.disinfect_c
    helps = pump is not None and (
        s.reach_c(pump) >= wanted_c or (_lowest_c(s) or 0.0) < s.reach_c(pump) - PUMP_HELPS_K
    )
    helps = helps or (len(reaching(s.plant)) == 1 and pump in reaching(s.plant))
    if pump is not None and helps and s.answers(pump):
        return pump
    return able[0] if able else None


def facts(s: Situation, when: Due) -> Facts:
    """What page and API show of hygiene."""
    clock, h = s.state.hygiene, s.settings.tunables.hygiene
    tally = clock.tally
    lowest = s.plant.hygiene_probes[0] if s.plant.hygiene_probes else None
    shown: Facts = {
        "state": "running"
        if clock.attempt is not None
        else "refused"
        if when.refused is not None
        else "overdue"
        if when.overdue
        else "waiting",
        "passed_at": None
        if clock.passed_at is None
        else clock.passed_at.isoformat(timespec="seconds"),
        "due_in_h": round(when.in_s / 3600.0, 1),
        "due_because": when.why,
        "disinfect_c": h.disinfect_c,
        "hold_s": h.hold_s,
        "held_s": round(clock.hold.held_s) if clock.hold is not None else 0,
        "probe": None if lowest is None else lowest.name,
        "not_vouched_below_m": None if lowest is None else lowest.height_m,
        "lukewarm_h": round(when.lukewarm_h, 1),
        "lukewarm_limit_h": h.lukewarm_limit_h,
        "failures": clock.failures,
        "lethality_decades_lowest_layer": None
        if tally is None
        else round(float(tally.decades.min()), 2),
        "turnover": None if tally is None else round(tally.drawn_l / s.plant.cylinder.volume_l, 2),
    }
    if when.refused is not None:
        shown["refused"] = when.refused.code
        shown |= when.refused.facts
    return shown
