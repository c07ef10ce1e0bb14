"""What a sent form of the settings changes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.pages import entries
from service.records.records import Records
from service.settings import HomeSettings, Tunables

BAND_KEYS = tuple(entry.key for entry in entries.BAND)


def as_text(value: Any) -> str:
    """A setting's value as the form shows it; empty for none."""
    if value is None:
        return ""
    if isinstance(value, (list, tuple)):
        return ", ".join(str(v) for v in value)
    if isinstance(value, float):
        return f"{value:.12g}"
    return str(value)


def value_at(tree: Mapping[str, Any], key: str) -> Any:
    """What stands at a dotted path."""
    value: Any = tree
    for part in key.split("."):
        value = value[part]
    return value


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
    for group in entries.GROUPS:
        for entry in group.entries:
            if entry.key not in form:
                continue
            sent = form[entry.key].strip()
            if sent == as_text(value_at(present, entry.key)):
                continue
            value: Any = sent or None
            if sent and entries.kind_of(entry.key)[0] == "number":
                value = _number(sent)
            if isinstance(value_at(present, entry.key), list):
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
                band[key] = _number(value) if key.endswith("_per_kwh") else value
        band["weekdays"] = [d for d in range(7) if f"band-{number}-day-{d}" in form]
        sent.append(band)
    return sent
