"""Heat sources, what commands them and the power they may take: what does not fit together."""

from __future__ import annotations

import math
from collections.abc import Iterator

from service.control.misfit import Misfit
from service.control.plant import Plant
from service.scheduling.types import SourceName

REACH_MARGIN_K = 0.5
# Left alone, full: what starts by itself sooner, or answers a call later, leaves nothing to plan.
STARTS_SOON_H, ANSWERS_LATE_H = 48.0, 24.0
COLDEST_INLET_C = 5.0  # hardly any mains is colder (SAP 10.2 table J1: 8 degC in January)
SAID: dict[SourceName, str] = {"heat_pump": "heat pump", "immersion": "immersion heater"}


def misfits(plant: Plant) -> Iterator[Misfit]:
    """What rests, decides for itself, is never commanded, or may not run at once."""
    yield from _rests(plant)
    yield from _own_control(plant)
    yield from _sources(plant)
    yield from _power_limit(plant)


def _rests(plant: Plant) -> Iterator[Misfit]:
    """Whether the low set temperature keeps the heat pump's own control quiet."""
    pump = plant.settings.wiring.heat_pump
    for actuator in plant.settings.wiring.actuators:
        if pump is None or actuator.rest_c is None:
            continue
        calls_below_c = actuator.rest_c - pump.own_restart_k
        if calls_below_c > COLDEST_INLET_C:
            yield Misfit(
                "warn",
                "rest_still_calls",
                f"actuators.{actuator.name}.rest_c",
                f"{actuator.rest_c:g}",
                "the heat pump still starts by itself, at any price and to no more than this, "
                f"when water at its own sensor is below {calls_below_c:g} degC",
                f"write {COLDEST_INLET_C + pump.own_restart_k:g} or less if it takes that, or have "
                "its sensor sit higher",
            )


def _own_control(plant: Plant) -> Iterator[Misfit]:
    """Whether the heat pump's own control leaves it to Ladle when it charges."""
    own = plant.own_control
    if own is None or not plant.sources["heat_pump"].actuators:
        return
    says, mends = [], []
    hours = plant.cools_h(plant.set_c, own.calls_below_c)
    if hours < STARTS_SOON_H and not own.kept_quiet:
        says.append(
            "released, it starts by itself, at any price, when water there is below "
            f"{own.calls_below_c:g} degC, which {plant.set_c:g} degC cools to in "
            f"{hours:.0f} h even if nobody draws"
        )
        mends.append(
            "write its set temperature with a low rest_c (form set_temperature), or set its own "
            "set temperature so low that it only helps out"
        )
    if plant.cools_h(plant.set_c, own.answers_below_c) > ANSWERS_LATE_H:
        says.append(
            f"called, it starts no sooner than below {own.answers_below_c:g} degC, so that little "
            "can be added before"
        )
        mends.append(
            "choose a smaller own_restart_k at the heat pump and here, or a lower normal_set_c"
            if own.written
            else "write its set temperature instead of calling (form set_temperature)"
        )
    if not says:
        return
    yield Misfit(
        "warn",
        "own_control_decides",
        "heat_pump.own_sensor_height_m",
        f"{own.level * plant.cylinder.height_m:g}",
        f"the heat pump's own control decides when it charges, not the plan: {'; '.join(says)}",
        f"{'; '.join(mends)}; leave own_sensor_height_m out where a call alone starts and stops it",
    )


def _sources(plant: Plant) -> Iterator[Misfit]:
    """Whether anything that is commanded can make the water as hot as is asked for."""
    settings = plant.settings
    commanded = [s for s in plant.sources.values() if s.actuators]
    for actuator in settings.wiring.actuators:
        if actuator.source not in plant.sources:
            yield Misfit(
                "refuse",
                "actuator_without_source",
                f"actuators.{actuator.name}.source",
                actuator.source,
                "names a source that is not fitted",
                f"give the table [{actuator.source}], or remove the actuator",
            )
        if actuator.lease_s < 3 * 20:
            yield Misfit(
                "warn",
                "short_lease",
                f"actuators.{actuator.name}.lease_s",
                f"{actuator.lease_s:g}",
                "is repeated three times within its time",
                "a longer lease spares messages",
            )
    yield from _spare_actuators(plant)
    if not commanded:
        yield Misfit(
            "warn",
            "nothing_commanded",
            "actuators",
            "",
            "none is wired, and without one Ladle only watches",
            "add one when commissioning allows",
        )
        return
    set_c = settings.tunables.normal_set_c
    reached = [s for s in commanded if s.limit_c >= set_c - REACH_MARGIN_K]
    if not reached:
        yield Misfit(
            "refuse",
            "set_out_of_reach",
            "normal_set_c",
            f"{set_c:g}",
            f"no commanded source reaches it: {arithmetic(plant)}",
            "lower it, or correct flow_limit_c, approach_k or own_set_c",
        )


def _spare_actuators(plant: Plant) -> Iterator[Misfit]:
    """Actuators that no command ever goes to: their source has another for every use."""
    for source in plant.sources.values():
        chosen = [a for a in map(source.actuator, (False, True)) if a is not None]
        for spare in source.actuators:
            if spare in chosen or spare.name in plant.blockable:
                continue
            others = " and ".join(dict.fromkeys(a.name for a in chosen))
            yield Misfit(
                "warn",
                "never_commanded",
                f"actuators.{spare.name}",
                "",
                f"would never be commanded: {others} does all that the {SAID[source.name]} is "
                "asked for",
                "leave it out; two elements that one contact switches are one immersion heater of "
                "both powers",
            )


def _power_limit(plant: Plant) -> Iterator[Misfit]:
    """Sources that a power limit keeps from running ever."""
    limit_w = plant.settings.tunables.power_limit_w
    needs = [(s, plant.least_power_w(s)) for s in plant.sources.values() if s.actuators]
    if limit_w is None or not needs:
        return
    kept = [f"the {SAID[s.name]} needs {w:.0f} W" for s, w in needs if plant.beyond_power(s)]
    if not kept:
        return
    everything = len(kept) == len(needs)
    yield Misfit(
        "warn",
        "power_limit_stops_all" if everything else "power_limit_stops_one",
        "power_limit_w",
        f"{limit_w:g}",
        f"{'no source' if everything else 'not every source'} can ever be planned under it: "
        f"{', '.join(kept)} at least",
        f"set it to {math.ceil(max(w for _, w in needs) / 100) * 100} or more, in W, or leave it "
        "out",
    )


def arithmetic(plant: Plant) -> str:
    """How hot each commanded source can make the water, and how that comes about."""
    said = []
    pump = plant.settings.wiring.heat_pump
    for source in plant.sources.values():
        if not source.actuators:
            continue
        if source.name == "heat_pump" and pump is not None:
            reach = pump.flow_limit_c - pump.approach_k
            text = (
                f"heat pump {pump.flow_limit_c:g} degC flow less {pump.approach_k:g} K approach "
                f"= {reach:g} degC"
            )
            if source.limit_c < reach:
                text += f", held to its own set temperature {source.limit_c:g} degC"
        else:
            text = f"immersion heater's thermostat {source.limit_c:g} degC"
        said.append(f"{text} above {source.foot_m:g} m")
    return "; ".join(said) or "no source is commanded"
