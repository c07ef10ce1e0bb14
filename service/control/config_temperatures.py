"""Temperatures and heights that do not fit together."""

from __future__ import annotations

from collections.abc import Iterator

from adapters.wiring import Form, Quantity
from service.control import plant as plants
from service.control.misfit import Misfit
from service.control.plant import Plant

CUTOUT_MARGIN_K = 5.0
VALVE_MARGIN_K = 2.0
LOWEST_OVER_USE_K = 3.0  # some hours of standing loss
STIRS_AT_MOST = 0.6  # of a cylinder that a plain tee may stir: common practice, no source
COOL_STORE_C = 50.0  # a tenth of Legionella survives 380 min at 50 degC (Sanden et al. 1989)


def misfits(plant: Plant) -> Iterator[Misfit]:
    """Set temperatures, ceilings and cut-outs, and where things sit."""
    yield from _temperatures(plant)
    yield from _lowest(plant)
    yield from _heights(plant)


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
    most_l = STIRS_AT_MOST * built.volume_l
    if built.inlet_stirs_l is not None and built.inlet_stirs_l > most_l:
        yield Misfit(
            "refuse",
            "stirred_whole",
            "cylinder.inlet_stirs_l",
            f"{built.inlet_stirs_l:g} L",
            f"is more than an inlet stirs of this cylinder, at most {most_l:g} L",
            "leave it out for an inlet with a diffuser; a plain tee stirs a fifth to a half",
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
    told = bool(built.secondary_return_hours or plant.of(Quantity.SECONDARY_RETURN))
    if told and built.secondary_return_m is None:
        yield Misfit(
            "warn",
            "return_without_height",
            "cylinder.secondary_return_m",
            "",
            "is missing: it is known when a secondary return runs but not where it comes in, so "
            "the heat that it takes passes for standing loss",
            "give the height at which it enters the cylinder",
        )
    if built.secondary_return_m is not None and not told:
        yield Misfit(
            "warn",
            "return_without_hours",
            "cylinder.secondary_return_hours",
            "",
            "is missing: a secondary return comes in but nothing says when it runs, so the heat "
            "that it takes passes for standing loss",
            "give the hours of its timer, 00:00-24:00 when it always runs, or a signal that "
            "measures secondary_return",
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
