"""What each setting is called where people change it, what it does, its unit, kind and limits.

Kind and limits are read from the settings' own types, so that there is one truth for each.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal, get_args, get_origin

import annotated_types
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from service.pages import words
from service.settings import Tunables

Kind = Literal["number", "time", "date", "text", "choice"]

OF_MONEY = ("per kWh", "per kg", "per h")  # units in front of which the home's currency stands


@dataclass(frozen=True)
class Entry:
    """What one setting is called and what it does; ``key`` is its dotted path in the tunables."""

    key: str
    label: str
    help: str
    unit: str = ""


@dataclass(frozen=True)
class Group:
    """Settings that belong together."""

    title: str
    intro: str
    entries: tuple[Entry, ...]


GROUPS: tuple[Group, ...] = (
    Group(
        "Household",
        "",
        (
            Entry("occupants", "People who live here", "The starting forecast goes by them."),
            Entry(
                "floor_area_m2",
                "Floor area",
                "Leave empty when unknown; the number of people then decides alone.",
                "m²",
            ),
            Entry(
                "learning.since",
                "These people live here since",
                "When others move in: their first day. What was drawn before it is no longer "
                "learned from. Empty: everything in the window counts.",
            ),
            Entry(
                "comfort",
                "Comfort",
                "What running short is worth avoiding: thrifty accepts it more often, ample hardly "
                "ever.",
            ),
        ),
    ),
    Group(
        "Charge",
        "A tenth is a tenth of the V40 of the cylinder full at its normal set temperature with a "
        "10 °C inlet.",
        (
            Entry(
                "normal_set_c",
                "Normal set temperature",
                "How hot the cylinder is when full in ordinary running. It must stay below the "
                "cylinder's own control thermostat.",
                "°C",
            ),
            Entry(
                "lowest_set_c",
                "Lowest set temperature",
                "What the heat pump may heat to first, or only, where that is enough: it takes "
                "less electricity so. Empty: always the normal one. Below 50 °C it asks for "
                "thermal disinfection and a look at the local rules.",
                "°C",
            ),
            Entry("reserve_tenths", "Reserve", "The charge that must always be left.", "tenths"),
            Entry(
                "highest_tenths", "Highest charge", "The plan never charges beyond it.", "tenths"
            ),
            Entry("power_limit_w", "Power limit", "What all sources together may draw.", "W"),
            Entry("quiet_from", "Quiet hours from", "The heat pump rests meanwhile."),
            Entry("quiet_until", "Quiet hours until", ""),
            Entry(
                "space_heating.claim_per_h",
                "Claim of space heating",
                "What an hour of the heat pump is worth to space heating; 0 when it is free.",
                "per h",
            ),
            Entry(
                "space_heating.below_c",
                "Space heating claims it below",
                "The building's heating limit temperature outdoors.",
                "°C",
            ),
            Entry("space_heating.from_time", "Space heating claims it from", "Empty: all day."),
            Entry("space_heating.until_time", "Space heating claims it until", ""),
        ),
    ),
    Group(
        "Learning",
        "How far back the household's draws are looked at, and how they are weighed.",
        (
            Entry(
                "learning.window_weeks",
                "Learning window",
                "Draws older than this are not looked at. Short follows a change sooner, long is "
                "steadier.",
                "weeks",
            ),
            Entry(
                "learning.half_life_weeks",
                "Half-life inside it",
                "After this time a draw counts half.",
                "weeks",
            ),
            Entry(
                "learning.weekday_sharing",
                "Weekdays share",
                "0: each weekday stands alone; 1: all days are alike. Empty: learned.",
            ),
            Entry(
                "learning.marked_days",
                "Days like another weekday",
                "Such as 2026-12-24 sunday, separated by commas. Public holidays are known where "
                "the file names the country.",
            ),
        ),
    ),
    Group(
        "Planning",
        "",
        (
            Entry("slot_minutes", "Planning grid", "Length of a slot.", "min"),
            Entry("horizon_h", "Horizon", "How far ahead is planned.", "h"),
            Entry(
                "replan_every_slots",
                "Plan anew every",
                "Besides when somebody asks or reality departs from the plan.",
                "slots",
            ),
            Entry(
                "tariff.export_per_kwh",
                "Export price",
                "What exported energy earns where a price band does not say.",
                "per kWh",
            ),
            Entry(
                "tariff.carbon_price_per_kg",
                "Carbon price",
                "Added to each kWh by its carbon intensity, which a feed tells; 0 leaves it out.",
                "per kg",
            ),
            Entry(
                "tariff.feed_times",
                "Tax on the feed's prices",
                "Prices of an import feed are taken times this, such as 1.19 for 19 %.",
                "",
            ),
            Entry(
                "tariff.feed_plus_per_kwh",
                "Charges beside the feed's prices",
                "Grid charges and levies, added to each kWh after tax.",
                "per kWh",
            ),
        ),
    ),
    Group(
        "Hygiene",
        "Thermal disinfection scalds: disinfecting needs a recorded mixing valve. Follow local "
        "codes and guidance; going below the defaults must be confirmed by name.",
        (
            Entry(
                "hygiene.disinfect_c",
                "Disinfection temperature",
                "Every named probe must measure it for the whole hold.",
                "°C",
            ),
            Entry("hygiene.hold_s", "Hold time", "", "s"),
            Entry("hygiene.longest_interval_days", "Longest interval", "", "days"),
            Entry(
                "hygiene.probes",
                "Probes that must measure it",
                "Names, separated by commas. Empty: the lowest probe.",
            ),
            Entry(
                "hygiene.lukewarm_limit_h",
                "Lukewarm limit",
                "Hours between 20 and 45 °C since the last disinfection that bring the next one "
                "forward.",
                "h",
            ),
            Entry(
                "hygiene.lowered_confirmed_by",
                "Lower values confirmed by",
                "Your name, when a value above is below the default.",
            ),
        ),
    ),
)

BAND: tuple[Entry, ...] = (  # a price band's fields, beside its weekdays
    Entry("import_per_kwh", "Import price", "", "per kWh"),
    Entry("export_per_kwh", "Export price, if it differs", "", "per kWh"),
    Entry("from_time", "From", "", "HH:MM"),
    Entry("until_time", "Until", "", "HH:MM, 24:00 for midnight"),
    Entry("from_day", "First day", "", "MM-DD"),
    Entry("until_day", "Last day", "", "MM-DD"),
)
BY_KEY = {entry.key: entry for group in GROUPS for entry in group.entries}


def unit_of(entry: Entry, currency: str) -> str:
    """A setting's unit, with the currency before what is money; "" where it has none."""
    return f"{currency} {entry.unit}" if entry.unit in OF_MONEY else entry.unit


def label(key: str, bands: Sequence[str] = ()) -> str:
    """What the form calls a key or several; ``bands`` are the titles of the price bands."""
    if (one := re.sub(r"\[\d+\]$", "", key)) in BY_KEY:  # or one of several
        return BY_KEY[one].label
    band = re.fullmatch(r"tariff\.bands\[(\d+)\](?:\.(\w+).*)?", key)
    if band:
        number, part = int(band[1]), band[2]
        title = bands[number] if number < len(bands) else f"Band {number + 1}"
        named = next((entry.label for entry in BAND if entry.key == part), part)
        return title if named is None else f"{title}, {words.uncapital(named)}"
    if " / " in key:
        return " / ".join(label(part, bands) for part in key.split(" / "))
    return words.capital(words.plain(key.replace(".", " ")))


def by_labels(line: str, bands: Sequence[str] = ()) -> str:
    """A line of the settings' check, with every key in it called as the form calls it."""
    key, sign, rest = re.split("( = |: )", line, maxsplit=1)
    for known in BY_KEY:
        if "." in known or "_" in known:  # no ordinary word
            rest = re.sub(rf"(?<![\w.]){re.escape(known)}(?![\w.])", f"“{label(known)}”", rest)
    return f"{label(key, bands)}{sign}{rest}"


def _info(key: str) -> FieldInfo:
    model: type[BaseModel] = Tunables
    *groups, last = key.split(".")
    for group in groups:
        inner = model.model_fields[group].annotation
        assert isinstance(inner, type)
        assert issubclass(inner, BaseModel)
        model = inner
    return model.model_fields[last]


def _flat(annotation: Any) -> Iterator[Any]:
    """An annotation's parts: the members of a union, what Annotated holds, the type itself."""
    yield annotation
    if get_origin(annotation) is not Literal:
        for part in get_args(annotation):
            yield from _flat(part)


def kind_of(key: str) -> tuple[Kind, tuple[str, ...], bool]:
    """What a setting's field is, its choices, and whether its numbers are whole."""
    parts = list(_flat(_info(key).annotation))
    for part in parts:
        if get_origin(part) is Literal:
            return "choice", tuple(str(a) for a in get_args(part)), False
    if key.startswith("quiet_") or key.endswith("_time"):
        return "time", (), False
    if date in parts:
        return "date", (), False
    if int in parts:
        return "number", (), True
    return ("number" if float in parts else "text"), (), False


def limits_of(key: str) -> dict[str, float]:
    """Between what a setting must lie, by ``ge``, ``gt`` and ``le``."""
    info = _info(key)
    limits: dict[str, float] = {}
    found = [*info.metadata]
    for part in _flat(info.annotation):
        inner = getattr(part, "__metadata__", ())
        for meta in inner:
            found += meta.metadata if isinstance(meta, FieldInfo) else [meta]
    for meta in found:
        if isinstance(meta, annotated_types.Ge):
            limits["ge"] = float(meta.ge)  # type: ignore[arg-type]
        elif isinstance(meta, annotated_types.Gt):
            limits["gt"] = float(meta.gt)  # type: ignore[arg-type]
        elif isinstance(meta, annotated_types.Le):
            limits["le"] = float(meta.le)  # type: ignore[arg-type]
    return limits
