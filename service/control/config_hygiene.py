"""Thermal disinfections that the plant cannot do as the settings want them."""

from __future__ import annotations

from collections.abc import Iterator

from service.control import hygiene
from service.control.config_sources import arithmetic
from service.control.misfit import Misfit
from service.control.plant import Plant
from service.settings import Hygiene

ORDINARY_COLD_C = -5  # outdoors, some days of most winters (common practice, no source)


def misfits(plant: Plant) -> Iterator[Misfit]:
    """Where, how hot, how long and how often, against what the plant reaches."""
    settings = plant.settings
    h, usual = settings.tunables.hygiene, Hygiene()
    for name in plant.hygiene_probes_missing:
        yield Misfit(
            "refuse",
            "no_such_probe",
            "hygiene.probes",
            name,
            "is not a probe of this home",
            f"name some of {', '.join(sorted(p.name for p in plant.probes)) or 'none'}",
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
    if plant.hygiene_probes_missing:
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
    elif refusal.code == "disinfection_refused_no_actuator":
        yield Misfit(
            "warn",
            refusal.code,
            "actuators",
            "",
            "nothing is commanded, so nothing is disinfected",
            "see the plant's own disinfection",
        )
    elif refusal.code == "disinfection_refused_power_limit":
        if all(plant.beyond_power(s) for s in plant.sources.values() if s.actuators):
            return  # that nothing can run under it is said where sources are looked at
        yield Misfit(
            "warn",
            refusal.code,
            "power_limit_w",
            f"{settings.tunables.power_limit_w:g}",
            "keeps every source that gets hot enough from running, so thermal disinfection is "
            "refused"
            + (
                " and Ladle counts on the heat pump's own disinfection"
                if hygiene.left_to_plant(plant)
                else ""
            ),
            "raise it to what such a source takes, or leave it out",
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
