"""Settings that are each possible and do not fit together: checked before anything is commanded.

Used by ``ladle check``, at start, and on each change of the settings. What would be unsafe or
could never work is refused; what works with a loss is warned of.
"""

from __future__ import annotations

from collections.abc import Iterator

from adapters import actuators
from adapters.wiring import Form
from forecasting.calendar import holidays_known, subdivisions
from forecasting.draws import TRUST_ABSENCE_D
from forecasting.sun import has_town, place_of_zone
from service.clock import second_of
from service.control import (
    config_hygiene,
    config_instruments,
    config_sources,
    config_temperatures,
)
from service.control import plant as plants
from service.control.misfit import Misfit
from service.control.plant import Plant
from service.settings import HomeSettings, HomeWiring

DAY_MINUTES = 1440
# While one of these stands nothing is commanded, whoever wrote the settings.
UNSAFE = frozenset({"ceiling_not_below_thermostat", "thermostat_not_below_cutout", "latches"})
# A zone reaches hardly further from its principal town: Asia/Shanghai to 20 degrees north of it and
# 48 west. A sign that was forgotten is further.
FARTHEST_NORTH_DEG, FARTHEST_EAST_DEG = 30.0, 60.0
# What plant in a home can be, in W of heat or electricity; a figure in kW falls below.
HEAT_PUMP_W = (200.0, 100_000.0)
IMMERSION_W = (100.0, 12_000.0)


def check(settings: HomeSettings, prefix: str = "ladle") -> tuple[Misfit, ...]:
    """Everything that does not fit in one home, what is refused first.

    Args:
        settings: the home's wiring and tunables.
        prefix: the prefix of Ladle's own topics on the broker.
    """
    found = [*_written(settings), *_place(settings.wiring), *_figures(settings.wiring)]
    if any(m.severity == "refuse" for m in found):
        return tuple(found)  # nothing can be worked out from these
    plant = plants.of(settings)
    for topic in (config_temperatures, config_sources, config_hygiene, config_instruments):
        found += topic.misfits(plant)
    found += [
        Misfit("refuse", r.code, r.where, "", r.what, r.mend)
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
    if round(7 * t.learning.window_weeks) <= TRUST_ABSENCE_D:
        yield Misfit(
            "warn",
            "absence_unnoticed",
            "learning.window_weeks",
            f"{t.learning.window_weeks:g}",
            f"an absence that nobody announced is noticed after {TRUST_ABSENCE_D} days of learning",
            "give 2 weeks or more",
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


def _place(wiring: HomeWiring) -> Iterator[Misfit]:
    """Where the home stands: holidays that nobody knows, sun and seasons of somewhere else."""
    country, part = wiring.country, wiring.subdivision
    if country and not holidays_known(country):
        code = country.upper()
        yield Misfit(
            "refuse",
            "holidays_unknown",
            "country",
            country,
            "no public holidays are known of such a country",
            f"write {code}"
            if holidays_known(code)
            else 'write its code by ISO 3166-1, such as FR, or "" to go without public holidays',
        )
    elif country and not holidays_known(country, part):
        parts = ", ".join(subdivisions(country)) or "none"
        yield Misfit(
            "refuse",
            "holidays_unknown",
            "subdivision",
            part,
            f"{country} has no such part with public holidays of its own; known: {parts}",
            'write one of these, or "" for those of the whole country',
        )
    elif part and not country:
        yield Misfit(
            "warn",
            "subdivision_alone",
            "subdivision",
            part,
            "is a part of no country, so no public holidays are known",
            "name its country too, such as FR",
        )
    at, town = wiring.where, place_of_zone(wiring.zone_info)
    if wiring.latitude is not None and has_town(wiring.zone_info):
        north = abs(at.latitude_deg - town.latitude_deg)
        east = abs((at.longitude_deg - town.longitude_deg + 180.0) % 360.0 - 180.0)
        if north > FARTHEST_NORTH_DEG or east > FARTHEST_EAST_DEG:
            yield Misfit(
                "warn",
                "place_outside_zone",
                "latitude / longitude",
                f"{at.latitude_deg:g} / {at.longitude_deg:g}",
                f"is far from {wiring.zone}, whose principal town is at latitude "
                f"{town.latitude_deg:.1f}, longitude {town.longitude_deg:.1f}",
                "south and west are written with a minus; check both and the zone",
            )
    elif wiring.latitude is None and not has_town(wiring.zone_info):
        yield Misfit(
            "warn",
            "place_unsaid",
            "latitude / longitude",
            "none / none",
            f"{wiring.zone} has no principal town of its own, so sun and seasons are those of "
            f"latitude {at.latitude_deg:.1f}, longitude {at.longitude_deg:.1f}",
            "give both, or write the zone with its principal town, as Europe/Paris is",
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
