"""The settings page: what an installer changes, with help, limits and who changed it before."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import zip_longest
from typing import Any

from service.house import House
from service.pages import entries, sentences, words
from service.pages.household import Refused
from service.pages.local import DAYS, Local
from service.pages.sent_settings import BAND_KEYS, as_text, value_at
from service.records.records import Records
from service.records.values import SettingsVersion
from service.settings import HomeSettings, Tunables
from service.settings_check import hardly_meant

SPARE_BANDS = 1  # empty rows offered for new price bands
NEW_BAND = "A new band, before the others"

DAYS_END = "24:00"


@dataclass(frozen=True)
class Field:
    """A setting ready for its form control."""

    key: str
    id: str
    label: str
    help: str
    unit: str
    kind: entries.Kind
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
    rows = bands(settings.tunables, typed)
    return {
        "version": typed.get("version", settings.version),
        "lead": f"Version {settings.version} of this home's settings is in force.",
        "groups": [
            (g, [field_of(e, settings, refused) for e in g.entries]) for g in entries.GROUPS
        ],
        "bands": rows,
        "band_fields": [
            (entry.key, entry.label, entries.unit_of(entry, settings.wiring.currency))
            for entry in entries.BAND
        ],
        "days": DAYS,
        "versions": list(_told(versions, local, settings.wiring.currency)),
        "refused": refused,
        "wrong": [
            entries.by_labels(line, [row.title for row in rows if row.values["import_per_kwh"]])
            for line in (refused.message if refused else "").splitlines()
        ],
        "warnings": [entries.by_labels(line) for line in hardly_meant(settings)],
        "reason": typed.get("reason", ""),
        "cylinder": {
            name: as_text(getattr(settings.wiring.cylinder, name))
            for name in ("thermostat_c", "cutout_c", "mixing_valve_c")
        },
        "safety": sentences.SAFETY,
    }


def field_of(entry: entries.Entry, settings: HomeSettings, refused: Refused | None) -> Field:
    """A setting with its limits and present value, or what was typed and why it was refused."""
    kind, choices, whole = entries.kind_of(entry.key)
    present = as_text(value_at(settings.tunables.model_dump(mode="json"), entry.key))
    limits = entries.limits_of(entry.key)
    if kind == "time" and present == DAYS_END:
        kind = "text"  # a browser's field for a time would show none and send it empty
    unit = entries.unit_of(entry, settings.wiring.currency)
    error = ""
    if refused:
        present = refused.typed.get(entry.key, present)
        error = next(
            (
                _said(line)
                for line in refused.message.splitlines()
                if line.startswith((entry.key + " ", entry.key + ":", entry.key + "["))
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
        least=as_text(limits.get("ge")),
        most=as_text(limits.get("le")),
        step="1" if whole else "any",
        error=error,
    )


def _range(limits: Mapping[str, float], unit: str, whole: bool) -> str:
    low, high = limits.get("ge"), limits.get("le")
    if low is not None and high is not None:
        return f" From {as_text(low)} to {as_text(high)}" + (f" {unit}." if unit else ".")
    return " Above 0." if limits.get("gt") == 0 and high is None else ""


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
        values = {
            key: typed.get(f"band-{number}-{key}", as_text(band.get(key))) for key in BAND_KEYS
        }
        days = frozenset(band["weekdays"])
        if typed:
            days = frozenset(d for d in range(7) if f"band-{number}-day-{d}" in typed)
        title = f"Band {number - SPARE_BANDS + 1}" if number >= SPARE_BANDS else NEW_BAND
        rows.append(BandRow(number, title, values, days))
    return rows


def _told(
    versions: Sequence[SettingsVersion], local: Local, currency: str
) -> Iterator[dict[str, Any]]:
    """Each version, newest first, with what changed in it."""
    for version, before in zip_longest(versions, versions[1:]):
        now = version.tunables.model_dump(mode="json")
        yield {
            "version": version.version,
            "author": words.capital(words.person(version.author)),
            "when": local.moment(version.effective_from),
            "reason": version.reason,
            "changed": list(_differences(before.tunables.model_dump(mode="json"), now, currency))
            if before
            else []
            if version.version == 1
            else ["Older versions are left out"],
        }


def _differences(
    before: Mapping[str, Any], after: Mapping[str, Any], currency: str, path: str = ""
) -> Iterator[str]:
    for key, value in after.items():
        was = before.get(key)
        if was == value:
            continue
        name = f"{path}{key}"
        if isinstance(value, Mapping) and isinstance(was, Mapping):
            yield from _differences(was, value, currency, name + ".")
        elif isinstance(value, (list, tuple)) and key == "bands":
            yield (
                f"Price bands: {len(value)} instead of {len(was or ())}"
                if len(value) != len(was or ())
                else "Price bands changed"
            )
        else:
            entry = entries.BY_KEY.get(name)
            unit = entries.unit_of(entry, currency) if entry else ""
            called = f"{entries.label(name)} ({unit})" if unit else entries.label(name)
            yield f"{called}: {as_text(value) or 'none'} instead of {as_text(was) or 'none'}"


def _said(line: str) -> str:
    """A line of the settings' check without key and value, to stand at the field itself."""
    return words.capital(line.partition(": ")[2])
