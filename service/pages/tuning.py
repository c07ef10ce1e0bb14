"""The settings page: what an installer changes, with help, limits and who changed it before.

The limits shown are read from the settings' own types, so that there is one truth for each.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import zip_longest
from typing import Any, Literal, get_args, get_origin

import annotated_types
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from service.house import House
from service.pages import words
from service.pages.household import Refused
from service.pages.local import DAYS, Local
from service.records.records import Records
from service.records.values import SettingsVersion
from service.settings import HomeSettings, Tunables
from service.settings_check import hardly_meant

BAND_KEYS = ("from_time", "until_time", "import_per_kwh", "export_per_kwh", "from_day", "until_day")
SPARE_BANDS = 1  # empty rows offered for new price bands
NEW_BAND = "A new band, before the others"

OF_MONEY = ("per kWh", "per kg", "per h")  # units in front of which the home's currency stands
DAYS_END = "24:00"


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


@dataclass(frozen=True)
class Field:
    """A setting ready for its form control."""

    key: str
    id: str
    label: str
    help: str
    unit: str
    kind: Literal["number", "time", "date", "text", "choice"]
    value: str
    choices: tuple[str, ...]
    least: str
    most: str
    step: str
    error: str


def content(
    home: str, house: House, records: Records, local: Local, refused: Refused | None = None
) -> dict[str, Any]:
    """What the template shows."""
    settings = house.settings
    typed = refused.typed if refused else {}
    versions = records.settings_versions(home).items
    return {
        "version": typed.get("version", settings.version),
        "lead": f"Version {settings.version} of this home's settings is in force.",
        "groups": [(g, [field_of(e, settings, refused) for e in g.entries]) for g in GROUPS],
        "bands": bands(settings.tunables, typed),
        "days": DAYS,
        "currency": settings.wiring.currency,
        "versions": list(_told(versions, local)),
        "refused": refused,
        "wrong": [_with_label(line) for line in (refused.message if refused else "").splitlines()],
        "warnings": [_with_label(line) for line in hardly_meant(settings)],
        "reason": typed.get("reason", ""),
        "cylinder": settings.wiring.cylinder,
        "safety": words.SAFETY,
    }


def field_of(entry: Entry, settings: HomeSettings, refused: Refused | None) -> Field:
    """A setting with its limits and present value, or what was typed and why it was refused."""
    info = _info(entry.key)
    kind, choices, whole = _kind(entry.key, info)
    present = _text(_value(settings.tunables.model_dump(mode="json"), entry.key))
    limits = _limits(info)
    if kind == "time" and present == DAYS_END:
        kind = "text"  # a browser's field for a time would show none and send it empty
    unit = entry.unit
    if unit in OF_MONEY:
        unit = f"{settings.wiring.currency} {unit}"
    error = ""
    if refused:
        present = refused.typed.get(entry.key, present)
        error = next(
            (
                _said(line)
                for line in refused.message.splitlines()
                if line.startswith((entry.key + " ", entry.key + ":"))
            ),
            "",
        )
    return Field(
        key=entry.key,
        id="set-" + entry.key.replace(".", "-"),
        label=entry.label,
        help=entry.help + _range(limits, entry.unit, whole),
        unit=unit,
        kind=kind,
        value=present,
        choices=choices,
        least=_text(limits.get("ge")),
        most=_text(limits.get("le")),
        step="1" if whole else "any",
        error=error,
    )


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


def _kind(
    key: str, info: FieldInfo
) -> tuple[Literal["number", "time", "date", "text", "choice"], tuple[str, ...], bool]:
    parts = list(_flat(info.annotation))
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


def _limits(info: FieldInfo) -> dict[str, float]:
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


def _range(limits: Mapping[str, float], unit: str, whole: bool) -> str:
    low, high = limits.get("ge"), limits.get("le")
    if low is not None and high is not None:
        return f" From {_text(low)} to {_text(high)}" + (f" {unit}." if unit else ".")
    return " Above 0." if limits.get("gt") == 0 and high is None else ""


def _value(tree: Mapping[str, Any], key: str) -> Any:
    value: Any = tree
    for part in key.split("."):
        value = value[part]
    return value


def _text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, (list, tuple)):
        return ", ".join(str(v) for v in value)
    if isinstance(value, float):
        return f"{value:.12g}"
    return str(value)


@dataclass(frozen=True)
class BandRow:
    """One price band in the form."""

    number: int
    title: str
    values: dict[str, str]
    weekdays: frozenset[int]


def bands(tunables: Tunables, typed: Mapping[str, str]) -> list[BandRow]:
    """An empty band for adding, then the tariff's own.

    The empty one comes first: the first band that fits a moment holds, and the last of a tariff
    fits every moment, so that nothing behind it would ever count.
    """
    spare: list[dict[str, Any]] = [{"weekdays": (0, 1, 2, 3, 4, 5, 6)}] * SPARE_BANDS
    present = spare + [b.model_dump(mode="json") for b in tunables.tariff.bands]
    rows = []
    for number, band in enumerate(present):
        values = {key: typed.get(f"band-{number}-{key}", _text(band.get(key))) for key in BAND_KEYS}
        days = frozenset(band["weekdays"])
        if typed:
            days = frozenset(d for d in range(7) if f"band-{number}-day-{d}" in typed)
        title = f"Band {number - SPARE_BANDS + 1}" if number >= SPARE_BANDS else NEW_BAND
        rows.append(BandRow(number, title, values, days))
    return rows


def shown_in(form: Mapping[str, str], records: Records, settings: HomeSettings) -> Tunables:
    """The settings that a sent form was made from: its own version's, while that is on record."""
    kept = records.settings_versions(settings.wiring.id).items
    found = (v.tunables for v in kept if str(v.version) == form.get("version"))
    return next(found, settings.tunables)


def changes(form: Mapping[str, str], shown: Tunables) -> dict[str, Any]:
    """What a sent form changes, nested like the tunables; an empty field means none.

    Measured against what the form showed, so that a page left open takes nobody's change back.
    Values stay as typed where they are not numbers: the settings' own check refuses them with
    its own words.
    """
    present = shown.model_dump(mode="json")
    changed: dict[str, Any] = {}
    for group in GROUPS:
        for entry in group.entries:
            if entry.key not in form:
                continue
            sent = form[entry.key].strip()
            if sent == _text(_value(present, entry.key)):
                continue
            value: Any = _number(sent) if sent else None
            if entry.key == "hygiene.probes":
                value = [name.strip() for name in sent.split(",") if name.strip()]
            _put(changed, entry.key, value)
    tariff = _bands_sent(form)
    if tariff is not None and tariff != [_plain_band(b) for b in present["tariff"]["bands"]]:
        _put(changed, "tariff.bands", tariff)
    return changed


def _number(text: str) -> float | int | str:
    """Text as a number where it is one, so that what is refused is shown as it was meant."""
    for kind in (int, float):
        try:
            return kind(text)
        except ValueError:
            continue
    return text


def _put(tree: dict[str, Any], key: str, value: Any) -> None:
    *groups, last = key.split(".")
    for group in groups:
        tree = tree.setdefault(group, {})
    tree[last] = value


def _plain_band(band: Mapping[str, Any]) -> dict[str, Any]:
    sent = {key: band[key] for key in BAND_KEYS if band.get(key) is not None}
    return {**sent, "weekdays": list(band["weekdays"])}


def _bands_sent(form: Mapping[str, str]) -> list[dict[str, Any]] | None:
    """The bands of a sent form; a band without a price is taken away. None: no bands were sent."""
    numbers = sorted(
        {int(k.split("-")[1]) for k in form if k.startswith("band-") and k.split("-")[1].isdigit()}
    )
    if not numbers:
        return None
    sent = []
    for number in numbers:
        if not form.get(f"band-{number}-import_per_kwh", "").strip():
            continue
        band: dict[str, Any] = {}
        for key in BAND_KEYS:
            value = form.get(f"band-{number}-{key}", "").strip()
            if value:
                band[key] = _number(value)
        band["weekdays"] = [d for d in range(7) if f"band-{number}-day-{d}" in form]
        sent.append(band)
    return sent


def _told(versions: Sequence[SettingsVersion], local: Local) -> Iterator[dict[str, Any]]:
    """Each version, newest first, with what changed in it."""
    for version, before in zip_longest(versions, versions[1:]):
        now = version.tunables.model_dump(mode="json")
        yield {
            "version": version.version,
            "author": words.capital(words.person(version.author)),
            "when": local.moment(version.effective_from),
            "reason": version.reason,
            "changed": list(_differences(before.tunables.model_dump(mode="json"), now))
            if before
            else []
            if version.version == 1
            else ["Older versions are left out"],
        }


def _differences(
    before: Mapping[str, Any], after: Mapping[str, Any], path: str = ""
) -> Iterator[str]:
    for key, value in after.items():
        was = before.get(key)
        if was == value:
            continue
        name = f"{path}{key}"
        if isinstance(value, Mapping) and isinstance(was, Mapping):
            yield from _differences(was, value, name + ".")
        elif isinstance(value, (list, tuple)) and key == "bands":
            yield (
                f"Price bands: {len(value)} instead of {len(was or ())}"
                if len(value) != len(was or ())
                else "Price bands changed"
            )
        else:
            yield f"{_label(name)}: {_text(value) or 'none'} instead of {_text(was) or 'none'}"


def _with_label(line: str) -> str:
    """A line of the settings' check, with the key called as the form calls it."""
    key, sign, rest = re.split("( = |: )", line, maxsplit=1)
    return f"{_label(key)}{sign}{rest}"


def _said(line: str) -> str:
    """A line of the settings' check without key and value, to stand at the field itself."""
    return words.capital(line.partition(": ")[2])


def _label(key: str) -> str:
    for group in GROUPS:
        for entry in group.entries:
            if entry.key == key:
                return entry.label
    return words.capital(words.plain(key.replace(".", " ")))
