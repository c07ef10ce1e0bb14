"""Settings that are each possible and do not fit together: checked before anything is commanded.

Used by ``ladle check``, at start, and on each change of the settings. What would be unsafe or
could never work is refused; what works with a loss is warned of.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from adapters import actuators
from adapters.wiring import Form, Kind, Quantity
from service.clock import second_of
from service.control import hygiene
from service.control import plant as plants
from service.control.metering import METERED
from service.control.plant import Plant, SourcePlant
from service.scheduling.types import SourceName
from service.settings import HomeSettings, HomeWiring, Hygiene

DAY_MINUTES = 1440
CUTOUT_MARGIN_K = 5.0
REACH_MARGIN_K = 0.5
VALVE_MARGIN_K = 2.0
LOWEST_OVER_USE_K = 3.0  # some hours of standing loss
COOL_STORE_C = 50.0  # a tenth of Legionella survives 380 min at 50 degC (Sanden et al. 1989)
# Left alone, full: what starts by itself sooner, or answers a call later, leaves nothing to plan.
STARTS_SOON_H, ANSWERS_LATE_H = 48.0, 24.0
COLDEST_INLET_C = 5.0  # hardly any mains is colder (SAP 10.2 table J1: 8 degC in January)
# While one of these stands nothing is commanded, whoever wrote the settings.
UNSAFE = frozenset({"ceiling_not_below_thermostat", "thermostat_not_below_cutout", "latches"})
# What plant in a home can be, in W of heat or electricity; a figure in kW falls below.
HEAT_PUMP_W = (200.0, 100_000.0)
IMMERSION_W = (100.0, 12_000.0)
SAID: dict[SourceName, str] = {"heat_pump": "heat pump", "immersion": "immersion heater"}
ORDINARY_COLD_C = -5  # outdoors, some days of most winters (common practice, no source)
OUTDOORS_C = (-20.0, -10.0, 0.0, 10.0, 20.0, 30.0)  # where a heat pump's least power is looked for


@dataclass(frozen=True)
class Misfit:
    """One thing that does not fit: the key, what it is, what was expected, how to mend it.

    ``value`` and ``mend`` are "" where ``expected`` says it all.
    """

    severity: Literal["refuse", "warn"]
    code: str
    key: str
    value: str
    expected: str
    mend: str

    def __str__(self) -> str:
        value = f" = {self.value}" if self.value else ""
        mend = f"; {self.mend}" if self.mend else ""
        return f"{self.key}{value}: {self.expected}{mend}"


def check(settings: HomeSettings, prefix: str = "ladle") -> tuple[Misfit, ...]:
    """Everything that does not fit in one home, what is refused first.

    Args:
        settings: the home's wiring and tunables.
        prefix: the prefix of Ladle's own topics on the broker.
    """
    found = [*_written(settings), *_figures(settings.wiring)]
    if any(m.severity == "refuse" for m in found):
        return tuple(found)  # nothing can be worked out from these
    plant = plants.of(settings)
    found += _temperatures(plant)
    found += _lowest(plant)
    found += _heights(plant)
    found += _rests(plant)
    found += _own_control(plant)
    found += _sources(plant)
    found += _power_limit(plant)
    found += _hygiene(plant)
    found += _instruments(plant)
    found += [
        Misfit("refuse", r.code, r.where, "", r.message, "")
        for r in actuators.problems(settings.wiring, prefix)
    ]
    return tuple(sorted(found, key=lambda m: m.severity))


def refused(settings: HomeSettings, prefix: str = "ladle") -> tuple[Misfit, ...]:
    """Only what must be mended before the settings may be used."""
    return tuple(m for m in check(settings, prefix) if m.severity == "refuse")


def unsafe(plant: Plant) -> Misfit | None:
    """What makes it unsafe to command anything in this home, worked out once; None if nothing."""
    return plant.remembered(
        "config_checks.unsafe",
        lambda: next((m for m in refused(plant.settings) if m.code in UNSAFE), None),
    )


def _written(settings: HomeSettings) -> Iterator[Misfit]:
    """What stands in the way of working anything out."""
    t, built = settings.tunables, settings.wiring.cylinder
    if DAY_MINUTES % t.slot_minutes:
        yield Misfit(
            "refuse",
            "slot_does_not_divide_day",
            "slot_minutes",
            str(t.slot_minutes),
            "must divide a day of 1440 minutes",
            "use 5, 10, 15, 20, 30 or 60",
        )
    warm = t.space_heating
    for key, clock in (
        ("quiet_from", t.quiet_from),
        ("quiet_until", t.quiet_until),
        ("space_heating.from_time", warm.from_time),
        ("space_heating.until_time", warm.until_time),
    ):
        if clock and not _is_clock(clock):
            yield Misfit(
                "refuse",
                "not_a_time",
                key,
                clock,
                "must be a local time",
                "write 22:00",
            )
    for keys, what, since, until in (
        ("quiet_from / quiet_until", "quiet hours", t.quiet_from, t.quiet_until),
        (
            "space_heating.from_time / until_time",
            "the hours of space heating",
            warm.from_time,
            warm.until_time,
        ),
    ):
        if bool(since) != bool(until):
            yield Misfit(
                "refuse",
                "half_of_a_span",
                keys,
                f"{since or 'none'} / {until or 'none'}",
                f"{what} need both ends",
                "give both or neither",
            )
    for i, band in enumerate(t.tariff.bands):
        for key, clock in (("from_time", band.from_time), ("until_time", band.until_time)):
            if not _is_clock(clock):
                yield Misfit(
                    "refuse",
                    "not_a_time",
                    f"tariff.bands[{i}].{key}",
                    clock,
                    "must be a local time",
                    "write 23:30, or 24:00 for the day's end",
                )
    if t.quiet_from and t.quiet_from == t.quiet_until:
        yield Misfit(
            "warn",
            "quiet_never",
            "quiet_from / quiet_until",
            f"{t.quiet_from} / {t.quiet_until}",
            "quiet hours that begin when they end are none",
            "leave both out, or write 22:30 and 06:00",
        )
    written = all(_is_clock(c) for b in t.tariff.bands for c in (b.from_time, b.until_time))
    gap = t.tariff.gap() if written and t.tariff.bands else None
    if gap is not None:
        yield Misfit(
            "warn",
            "price_unsaid",
            "tariff.bands",
            f"{gap:%A %H:%M}",
            f"no band holds then ({gap:%d %B}); the last one's price is taken",
            "add a last band with import_per_kwh alone: it holds whenever no other does",
        )
    if not t.tariff.bands:
        yield Misfit(
            "refuse",
            "no_price",
            "tariff.bands",
            "",
            "a tariff needs at least one band",
            "give one band with import_per_kwh for the whole day",
        )
    if t.normal_set_c <= built.use_c:
        yield Misfit(
            "refuse",
            "set_below_use",
            "normal_set_c",
            f"{t.normal_set_c:g}",
            f"must be above use_c, {built.use_c:g} degC",
            "raise it to 48 degC or more",
        )
    if t.reserve_tenths > t.highest_tenths:
        yield Misfit(
            "refuse",
            "reserve_above_highest",
            "reserve_tenths",
            str(t.reserve_tenths),
            f"must not be above highest_tenths, {t.highest_tenths}",
            "lower the reserve",
        )


def _is_clock(text: str) -> bool:
    try:
        second_of(text)
    except ValueError:
        return False
    return True


def _figures(wiring: HomeWiring) -> Iterator[Misfit]:
    """Figures of plant that no plant in a home has, from which everything would be wrong."""
    pump, element = wiring.heat_pump, wiring.immersion
    powers = []
    if pump is not None:
        powers.append(("heat_pump.capacity_w", pump.capacity_w, HEAT_PUMP_W))
        powers += [
            (f"heat_pump.ratings[{i}].capacity_w", rating.capacity_w, HEAT_PUMP_W)
            for i, rating in enumerate(pump.ratings)
        ]
    if element is not None:
        powers.append(("immersion.power_w", element.power_w, IMMERSION_W))
    possible = True
    for key, value, (least, most) in powers:
        if not least <= value <= most:
            possible = False
            yield Misfit(
                "refuse",
                "power_cannot_be",
                key,
                f"{value:g}",
                f"expected {least:g} to {most:g} W",
                "write it in W: 6 kW are 6000",
            )
    if pump is not None and possible:
        try:
            plants.heat_pump(pump)
        except ValueError as error:
            yield Misfit(
                "refuse",
                "rating_cannot_be",
                "heat_pump.ratings",
                "",
                str(error),
                "copy the points from the data sheet: outdoor and flow temperature, heat, COP",
            )
    for actuator in wiring.actuators:
        if (
            actuator.form is Form.DIVERTER
            and element is not None
            and actuator.min_power_w > element.power_w
        ):
            yield Misfit(
                "refuse",
                "diverter_passes_nothing",
                f"actuators.{actuator.name}.min_power_w",
                f"{actuator.min_power_w:g}",
                f"is more than the immersion heater takes, {element.power_w:g} W",
                "write the least power in W that the diverter can pass",
            )


def _temperatures(plant: Plant) -> Iterator[Misfit]:
    """Ceiling below the control thermostat, that below the non-self-resetting cut-out."""
    built, t = plant.settings.wiring.cylinder, plant.settings.tunables
    if plant.ceiling_c >= built.thermostat_c:
        yield Misfit(
            "refuse",
            "ceiling_not_below_thermostat",
            "cylinder.ceiling_c",
            f"{plant.ceiling_c:g}",
            f"must be below the cylinder's control thermostat, {built.thermostat_c:g} degC",
            "leave it out for 2 K below the thermostat",
        )
    if built.thermostat_c >= built.cutout_c:
        yield Misfit(
            "refuse",
            "thermostat_not_below_cutout",
            "cylinder.thermostat_c",
            f"{built.thermostat_c:g}",
            f"must be below the non-self-resetting cut-out, {built.cutout_c:g} degC",
            "check both settings at the cylinder",
        )
    elif built.cutout_c - built.thermostat_c < CUTOUT_MARGIN_K:
        yield Misfit(
            "warn",
            "cutout_close",
            "cylinder.cutout_c",
            f"{built.cutout_c:g}",
            f"is only {built.cutout_c - built.thermostat_c:g} K above the control thermostat",
            "it may trip in normal use and must then be reset by hand",
        )
    if t.normal_set_c > plant.ceiling_c:
        yield Misfit(
            "refuse",
            "set_above_ceiling",
            "normal_set_c",
            f"{t.normal_set_c:g}",
            f"must not be above the ceiling, {plant.ceiling_c:g} degC",
            "lower it, or have the control thermostat set higher by a licensed person",
        )
    valve = built.mixing_valve_c
    for code, key, set_c in (
        ("set_near_valve", "normal_set_c", t.normal_set_c),
        ("lowest_near_valve", "lowest_set_c", t.lowest_set_c),
    ):
        if valve is not None and set_c is not None and set_c < valve + VALVE_MARGIN_K:
            yield Misfit(
                "warn",
                code,
                key,
                f"{set_c:g}",
                f"is not {VALVE_MARGIN_K:g} K above the mixing valve's setting, {valve:g} degC",
                "a valve needs hotter water than it gives; raise the set temperature",
            )
    element = plant.settings.wiring.immersion
    if element is not None and element.thermostat_c > built.thermostat_c:
        yield Misfit(
            "warn",
            "element_above_thermostat",
            "immersion.thermostat_c",
            f"{element.thermostat_c:g}",
            f"is above the cylinder's control thermostat, {built.thermostat_c:g} degC",
            "check which thermostat the immersion heater is wired through",
        )


def _lowest(plant: Plant) -> Iterator[Misfit]:
    """Whether charges may be heated to less than the normal set temperature."""
    settings = plant.settings
    low_c, built = settings.tunables.lowest_set_c, settings.wiring.cylinder
    if low_c is None:
        return
    key, value = "lowest_set_c", f"{low_c:g}"
    normal_c = settings.tunables.normal_set_c
    if low_c > normal_c:
        yield Misfit(
            "refuse",
            "lowest_above_normal",
            key,
            value,
            f"must not be above normal_set_c, {normal_c:g} degC",
            "lower it, or leave it out",
        )
    elif low_c < built.use_c + LOWEST_OVER_USE_K:
        yield Misfit(
            "refuse",
            "lowest_near_use",
            key,
            value,
            f"must be {built.use_c + LOWEST_OVER_USE_K:g} degC or more: use_c is {built.use_c:g} "
            "degC, and water so little hotter has soon cooled to it",
            "raise it, or leave it out",
        )
    if low_c < COOL_STORE_C:
        yield Misfit(
            "warn",
            "lowest_is_cool",
            key,
            value,
            f"below {COOL_STORE_C:g} degC Legionella are hardly killed, and hours below 45 degC "
            "bring the next disinfection nearer",
            f"keep thermal disinfection on and follow local rules; {COOL_STORE_C:g} is the "
            "cautious choice",
        )
    if Form.SET_TEMPERATURE not in plants.pump_forms(settings.wiring):
        yield Misfit(
            "warn",
            "lowest_not_written",
            key,
            value,
            "no actuator writes a set temperature to a heat pump, so it changes nothing",
            'leave it out, or give the heat pump an actuator of form = "set_temperature"',
        )


def _heights(plant: Plant) -> Iterator[Misfit]:
    built = plant.settings.wiring.cylinder
    places = [(f"signals.{p.name}.height_m", p.height_m) for p in plant.probes]
    for key in ("immersion_height_m", "coil_foot_m", "coil_head_m", "secondary_return_m"):
        value = getattr(built, key)
        if value is not None:
            places.append((f"cylinder.{key}", value))
    pump = plant.settings.wiring.heat_pump
    if pump is not None and pump.own_sensor_height_m is not None:
        places.append(("heat_pump.own_sensor_height_m", pump.own_sensor_height_m))
    for key, height in places:
        if not 0 <= height <= built.height_m:
            yield Misfit(
                "refuse",
                "outside_cylinder",
                key,
                f"{height:g}",
                f"must be within the cylinder, 0 to {built.height_m:g} m",
                "measure it from the cylinder's floor",
            )
    foot_m, head_m = built.coil_foot_m, built.coil_head_m
    if foot_m is not None and head_m is not None and foot_m >= head_m:
        yield Misfit(
            "refuse",
            "coil_upside_down",
            "cylinder.coil_foot_m",
            f"{foot_m:g}",
            f"must be below coil_head_m, {head_m:g} m",
            "measure both from the cylinder's floor",
        )
    if pump is not None and pump.layout == "coil" and built.coil_foot_m is None:
        yield Misfit(
            "warn",
            "coil_without_heights",
            "cylinder.coil_foot_m",
            "",
            "is missing, and a coil's foot decides what it heats",
            "give coil_foot_m and coil_head_m",
        )
    if len(plant.probes) > 12:
        yield Misfit(
            "refuse",
            "too_many_probes",
            "signals",
            f"{len(plant.probes)} probes",
            "1 to 12 probes can be used",
            "leave some out",
        )


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
    needs = [(s, _least_power_w(plant, s)) for s in plant.sources.values() if s.actuators]
    if limit_w is None or not needs:
        return
    kept = [f"the {SAID[s.name]} needs {w:.0f} W" for s, w in needs if w > limit_w]
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


def _least_power_w(plant: Plant, source: SourcePlant) -> float:
    """The least electricity a source runs on, W."""
    if source.name == "heat_pump":
        duties = filter(None, map(plant.duty, OUTDOORS_C))
        return min((duty.electricity_w for duty in duties), default=source.electricity_w)
    diverters = [a for a in source.actuators if a.form is Form.DIVERTER]
    return diverters[0].min_power_w if diverters else source.electricity_w


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


def _hygiene(plant: Plant) -> Iterator[Misfit]:
    settings = plant.settings
    h, usual = settings.tunables.hygiene, Hygiene()
    names = {p.name for p in plant.probes}
    for name in h.probes:
        if name not in names:
            yield Misfit(
                "refuse",
                "no_such_probe",
                "hygiene.probes",
                name,
                "is not a probe of this home",
                f"name some of {', '.join(sorted(names)) or 'none'}",
            )
    lowered = [
        (key, value, at)
        for key, value, at, low in (
            ("disinfect_c", h.disinfect_c, usual.disinfect_c, h.disinfect_c < usual.disinfect_c),
            ("hold_s", h.hold_s, usual.hold_s, h.hold_s < usual.hold_s),
            (
                "longest_interval_days",
                h.longest_interval_days,
                usual.longest_interval_days,
                h.longest_interval_days > usual.longest_interval_days,
            ),
            (
                "lukewarm_limit_h",
                h.lukewarm_limit_h,
                usual.lukewarm_limit_h,
                h.lukewarm_limit_h > usual.lukewarm_limit_h,
            ),
        )
        if low
    ]
    if not (h.lowered_confirmed_by or "").strip():
        for key, value, at in lowered:
            yield Misfit(
                "refuse",
                "hygiene_lowered",
                f"hygiene.{key}",
                f"{value:g}",
                f"goes below cited guidance ({at:g}) and needs an installer's confirmation",
                "set hygiene.lowered_confirmed_by to the installer's name, or keep the default",
            )
    refusal = hygiene.refusal(plant)
    if refusal is None:
        yield from _hardly_disinfects(plant)
        yield from _too_cold_to_disinfect(plant)
        return
    if refusal.code == "disinfection_refused_no_mixing_valve":
        yield Misfit(
            "warn",
            refusal.code,
            "cylinder.mixing_valve_c",
            "",
            "is not recorded, so thermal disinfection is refused: water that hot scalds without a "
            "mixing valve",
            "have a thermostatic mixing valve fitted and record its setting",
        )
    elif refusal.code == "disinfection_refused_no_probe":
        yield Misfit(
            "warn",
            refusal.code,
            "signals",
            "",
            "no probe is wired, and thermal disinfection must be measured",
            "add a probe low in the cylinder",
        )
    elif not any(s.actuators for s in plant.sources.values()):
        yield Misfit(
            "warn",
            refusal.code,
            "actuators",
            "",
            "nothing is commanded, so nothing is disinfected",
            "see the plant's own disinfection",
        )
    elif hygiene.left_to_plant(plant):
        lowest = plant.hygiene_probes[0]
        yield Misfit(
            "warn",
            refusal.code,
            "hygiene.disinfect_c",
            f"{h.disinfect_c:g}",
            f"no commanded source reaches it at {lowest.name}, {lowest.height_m:g} m "
            f"({arithmetic(plant)}), so Ladle counts on the heat pump's own disinfection",
            "set that one's temperature and interval by local rules; it is credited when "
            "probes have measured it, and said to be overdue until then",
        )
    else:
        lowest = plant.hygiene_probes[0]
        yield Misfit(
            "refuse",
            refusal.code,
            "hygiene.disinfect_c",
            f"{h.disinfect_c:g}",
            f"no source reaches it at {lowest.name}, {lowest.height_m:g} m: {arithmetic(plant)}; "
            f"ceiling {plant.ceiling_c:g} degC",
            "name probes that a source reaches in hygiene.probes, or fit one that does"
            if any(s.actuators and s.limit_c >= h.disinfect_c for s in plant.sources.values())
            else "correct flow_limit_c, approach_k, own_set_c or thermostat_c, fit a hotter "
            "source, or lower it as far as local rules allow, with hygiene.lowered_confirmed_by",
        )


def _hardly_disinfects(plant: Plant) -> Iterator[Misfit]:
    """Sources that get no hotter than the disinfection asks for: probes waver below it."""
    wanted_c, needs_c = plant.settings.tunables.hygiene.disinfect_c, hygiene.target_c(plant)
    if max(source.limit_c for source in hygiene.reaching(plant)) >= needs_c:
        return
    yield Misfit(
        "warn",
        "disinfection_hardly_reached",
        "hygiene.disinfect_c",
        f"{wanted_c:g}",
        f"{arithmetic(plant)}: water that gets no hotter than {wanted_c:g} degC hardly stays at it "
        "for the whole hold, and a thermostat lets it cool before it heats again",
        f"let a source make {needs_c:g} degC or more, on the plant and in thermostat_c, own_set_c "
        "or flow_limit_c",
    )


def _too_cold_to_disinfect(plant: Plant) -> Iterator[Misfit]:
    """A heat pump that disinfects alone, and not in the cold of an ordinary winter."""
    able, wanted_c = hygiene.reaching(plant), plant.settings.tunables.hygiene.disinfect_c
    outdoors, least_c = range(ORDINARY_COLD_C, 11), hygiene.least_c(plant)
    cold = [at for at in outdoors if all(plant.reach_c(x, float(at)) < least_c for x in able)]
    if not cold:
        return
    coldest_c = max(plant.reach_c(x, float(ORDINARY_COLD_C)) for x in able)
    yield Misfit(
        "warn",
        "disinfection_only_when_warm",
        "hygiene.disinfect_c",
        f"{wanted_c:g}",
        f"the heat pump disinfects alone and reaches it only above {cold[-1]} degC outdoors, at "
        f"{ORDINARY_COLD_C} degC {coldest_c:.0f} degC: in colder weeks no disinfection would pass, "
        "and each is said to be overdue",
        "let an immersion heater do the rest, or type in heat_pump.flow_limits from its data sheet",
    )


def _same_values(wiring: HomeWiring) -> Iterator[Misfit]:
    """Signals that would always show the same value: a block copied and half changed."""
    users: dict[tuple[str, str, str, Quantity], list[str]] = {}
    for s in wiring.signals:
        value = "" if s.format == "number" else s.value
        grid = s.measures in (Quantity.IMPORT_POWER, Quantity.EXPORT_POWER)  # one balance
        measures = Quantity.IMPORT_POWER if grid else s.measures
        users.setdefault((s.topic, s.format, value, measures), []).append(s.name)
    for (topic, _, value, measures), names in users.items():
        if len(names) > 1:
            yield Misfit(
                "refuse",
                "one_value_twice",
                f"signals.{names[-1]}.topic",
                topic,
                f"{' and '.join(names)} would read one and the same value"
                + (f", {value}" if value else ""),
                "give each its own topic, or its own value expression"
                + (
                    "; a grid meter that counts both ways is import_power alone"
                    if measures is Quantity.IMPORT_POWER
                    else ""
                ),
            )


def _counted_twice(wiring: HomeWiring) -> Iterator[Misfit]:
    """Signals that would count the same water or energy twice, or of which one is not used."""
    draws = wiring.signals_of(Quantity.DRAW_FLOW)
    if len(draws) > 1:
        yield Misfit(
            "refuse",
            "two_draw_meters",
            f"signals.{draws[1].name}",
            "",
            f"measures draw_flow, as {draws[0].name} does, and only one meter can see every draw",
            "keep the one on the cold feed; of a meter's rate and its total keep the total",
        )
    for quantity in METERED:
        signals = wiring.signals_of(quantity)
        power = next((s for s in signals if s.kind is Kind.POWER), None)
        energy = next((s for s in signals if s.kind is Kind.ENERGY), None)
        if power is not None and energy is not None:
            yield Misfit(
                "refuse",
                "power_and_total",
                f"signals.{energy.name}.unit",
                energy.unit,
                f"measures {quantity}, as {power.name} does in {power.unit}: what one meter shows "
                "as power and as a total would count twice",
                "keep one of the two, the power if it comes every minute or oftener",
            )


def _instruments(plant: Plant) -> Iterator[Misfit]:
    settings = plant.settings
    if not plant.probes:
        yield Misfit(
            "warn",
            "no_probe",
            "signals",
            "",
            "no probe is wired, and without one nothing is commanded",
            "add a probe in the upper half of the cylinder",
        )
    shortest = min(settings.wiring.actuators, key=lambda a: a.lease_s, default=None)
    late = [p for p in plant.probes if shortest and p.stale_after_s > shortest.lease_s]
    if shortest is not None and late:
        yield Misfit(
            "warn",
            "stale_after_lease",
            f"stale_after_s of {', '.join(p.name for p in late)}",
            f"{max(p.stale_after_s for p in late):g}",
            f"is longer than the lease of {shortest.name}, {shortest.lease_s:g} s",
            "a shorter one stops plant sooner when a probe falls silent",
        )
    yield from _same_values(settings.wiring)
    yield from _counted_twice(settings.wiring)
    for actuator in settings.wiring.actuators:
        if actuator.form is Form.TERMINALS and actuator.surplus_only and not plant.tells_surplus:
            yield Misfit(
                "warn",
                "surplus_unknown",
                f"actuators.{actuator.name}.surplus_only",
                "true",
                "surplus is measured nowhere, so it would never be used",
                "add a signal that measures export_power, or import_power both ways",
            )
