"""Thermal disinfection and lukewarm water: when it is due, and when it was passed.

A cycle passes only when every named probe, the lowest included, was measured at the disinfection
temperature for the whole hold, without a gap; it does not matter whether Ladle, the sun or
normal running heated it. Water below the lowest named probe is not vouched for. Lethality is
shown and never shortens or passes a cycle. The time since the last pass counts in lived seconds,
so that a clock that jumps neither drops nor brings on a cycle.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta

from service.control.plant import (
    DISINFECTION_BELOW_CEILING_K,
    DISINFECTION_MARGIN_K,
    LAYERS,
    Plant,
    Probe,
    SourcePlant,
)
from service.control.situation import ORDER, Situation
from service.control.state import Facts, Hold, HygieneClock, changed
from service.control.types import HygieneEvidence, Rule
from service.cylinder.hygiene import HygieneTally
from service.scheduling.types import Reason

DAY_S = 86_400.0
FIRST_WITHIN_S = DAY_S  # a cylinder nothing is known of is disinfected within a day
BROUGHT_FORWARD_S = DAY_S  # lukewarm for too long: within a day, so that a night lies in it
ABSENCE_S = 2 * DAY_S  # a longer one: disinfected before the return, outlets to be flushed after
PLANNED_EARLY_S = 3600.0  # the plan has it over so long before it is due: it may err
RETURN_WINDOW_S = 36 * 3600.0  # a disinfection before a return lies within this of it
# Why nothing that is commanded gets hot enough.
UNREACHED = (
    "disinfection_refused_no_actuator",
    "disinfection_refused_no_source_reaches",
    "disinfection_refused_power_limit",
)
LONGEST_GAP_S = 360.0  # a longer silence is no hold: probes that tell every five minutes, and late
HOTTER_K = 3.0
HELD_ABOVE_K = 0.3  # what probes and standing loss take off before it is heated again
UPSIDE_DOWN_K = 5.0  # colder water above by more than this cannot be
SUSPENDED_BY = (Rule.FAIL_SAFE, Rule.MAINTENANCE_HOLD)  # one under way goes on after these
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


def refusal(plant: Plant) -> Reason | None:
    """Why Ladle cannot do thermal disinfection in this home at all; None when it can."""
    return plant.remembered("hygiene.refusal", lambda: _refusal(plant))


def _refusal(plant: Plant) -> Reason | None:
    settings = plant.settings
    if settings.wiring.cylinder.mixing_valve_c is None:
        return Reason("disinfection_refused_no_mixing_valve", {})
    if plant.hygiene_probes_missing:
        missing = ", ".join(plant.hygiene_probes_missing)
        return Reason("disinfection_refused_probe_missing", {"signals": missing})
    if not plant.hygiene_probes:
        return Reason("disinfection_refused_no_probe", {})
    if not any(source.actuators for source in plant.sources.values()):
        return Reason("disinfection_refused_no_actuator", {})
    wanted_c = settings.tunables.hygiene.disinfect_c
    if wanted_c > plant.ceiling_c:
        return Reason(
            "disinfection_refused_ceiling",
            {"disinfect_c": wanted_c, "ceiling_c": plant.ceiling_c},
        )
    if not reaching(plant):
        lowest = plant.hygiene_probes[0]
        if _hot_enough(plant):
            limit_w = settings.tunables.power_limit_w
            return Reason("disinfection_refused_power_limit", {"power_limit_w": limit_w})
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
    unreached = refused is not None and refused.code in UNREACHED
    return unreached and pump is not None and pump.own_disinfection


def reaching(plant: Plant) -> tuple[SourcePlant, ...]:
    """The sources that can bring the lowest named probe to the disinfection temperature."""
    return plant.remembered(
        "hygiene.reaching",
        lambda: tuple(x for x in _hot_enough(plant) if not plant.beyond_power(x)),
    )


def _hot_enough(plant: Plant) -> tuple[SourcePlant, ...]:
    """The same, whatever power they take."""
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
    in_s, why = interval_s(s) - clock.since_pass_s, "interval"
    if clock.passed_at is None:  # whatever the interval is
        in_s, why = FIRST_WITHIN_S - clock.since_pass_s, "first"
    lukewarm_h = lukewarm_hours(clock)
    too_long_s = (lukewarm_h - h.lukewarm_limit_h) * 3600.0
    if too_long_s >= 0.0 and in_s > BROUGHT_FORWARD_S - too_long_s:
        in_s, why = max(BROUGHT_FORWARD_S - too_long_s, 1.0), "lukewarm"
    if s.standing.absence is not None:
        gone, back = s.standing.absence
        until_s = (back - s.now).total_seconds()
        long = (back - gone).total_seconds() >= ABSENCE_S
        done = clock.passed_at is not None and until_s + clock.since_pass_s <= RETURN_WINDOW_S
        if (long and not done) or in_s < until_s:
            in_s, why = until_s, "return"
    refused = refusal(s.plant)
    told = None if left_to_plant(s.plant) else refused
    return Due(in_s, why, told, ours=refused is None, lukewarm_h=lukewarm_h)


def interval_s(s: Situation) -> float:
    """The longest time that may lie between two disinfections, s."""
    return s.settings.tunables.hygiene.longest_interval_days * DAY_S


def lukewarm_hours(clock: HygieneClock) -> float:
    """Hours between 20 and 45 degC of the layer that had most of them since the last pass."""
    return 0.0 if clock.tally is None else float(clock.tally.growth_s.max()) / 3600.0


def advance(
    s: Situation, drawn_l: float, lived_s: float
) -> tuple[HygieneClock, tuple[HygieneEvidence, ...]]:
    """Live ``lived_s`` on: count, follow a hold, and tell what passed or failed."""
    clock, h = s.state.hygiene, s.settings.tunables.hygiene
    clock = changed(clock, since_pass_s=clock.since_pass_s + lived_s)
    if s.estimate is not None and s.elapsed_s - clock.mark_s >= TALLY_STRIDE_S:
        span_s = s.elapsed_s - clock.mark_s
        tally = clock.tally or HygieneTally.empty(LAYERS)
        if 0 < span_s < TALLY_LONGEST_S:
            tally = tally.advanced(s.estimate.profile_c, span_s, clock.drawn_l + drawn_l)
        clock = changed(clock, tally=tally, mark_s=s.elapsed_s, drawn_l=0.0)
    elif drawn_l:
        clock = changed(clock, drawn_l=clock.drawn_l + drawn_l)
    evidence: list[HygieneEvidence] = []
    named = s.plant.hygiene_probes
    hot = (
        bool(named)
        and s.plant.settings.wiring.cylinder.mixing_valve_c is not None
        and all(_measures(s, p) and s.fresh[p.name] >= h.disinfect_c for p in named)
    )
    if not hot:
        clock = changed(clock, hold=None)
    else:
        lowest = min(s.fresh[p.name] for p in named)
        hold, by = clock.hold, tuple(p.name for p in named)
        measured = min(s.state.heard[p.name].mark_s for p in named)
        if hold is None or not _goes_on(hold, by, h.disinfect_c, measured):
            hold = Hold(s.now, s.elapsed_s, 0.0, lowest, by)
        else:
            hold = replace(
                hold,
                held_s=max(hold.held_s, measured - hold.mark_s),
                lowest_c=min(hold.lowest_c, lowest),
            )
        clock = changed(clock, hold=hold)
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
            clock = changed(clock, since_pass_s=0.0)  # as recent as the last measurement
    return clock, tuple(evidence)


def _goes_on(hold: Hold, by: tuple[str, ...], disinfect_c: float, measured_mark_s: float) -> bool:
    """Whether a hold was measured up to now, by these probes and at this temperature.

    Which and how hot may be set anew meanwhile.
    """
    silent_s = measured_mark_s - (hold.mark_s + hold.held_s)
    return hold.by == by and hold.lowest_c >= disinfect_c and silent_s <= LONGEST_GAP_S


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


def hotter_than_usual(s: Situation) -> bool:
    """Whether the water is hotter than the household is used to."""
    hottest = s.hottest_c
    return hottest is not None and hottest > s.plant.set_c + HOTTER_K


def facts(s: Situation, when: Due) -> Facts:
    """What page and API show of hygiene."""
    clock, h = s.state.hygiene, s.settings.tunables.hygiene
    tally = clock.tally
    lowest = s.plant.hygiene_probes[0] if s.plant.hygiene_probes else None
    suspended = s.state.decision is not None and s.state.decision.rule in SUSPENDED_BY
    shown: Facts = {
        "state": "running"
        if clock.attempt is not None and not suspended
        else "refused"
        if when.refused is not None
        else "overdue"
        if when.overdue
        else "waiting",
        "passed_at": None
        if clock.passed_at is None
        else clock.passed_at.isoformat(timespec="seconds"),
        "due_in_h": round(when.in_s / 3600.0, 1),
        "due_at": (s.now + timedelta(seconds=round(when.in_s))).isoformat(timespec="seconds"),
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
