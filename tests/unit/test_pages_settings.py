"""The settings page: limits come from the settings themselves, a form changes what it says."""

from __future__ import annotations

from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from service.pages import entries, sent_settings, tuning
from service.pages.household import Refused
from service.pages.local import Local
from service.records.records import Records
from service.settings import Tunables
from service.settings_check import SettingsRefused, changed_tunables, refuse_misfits
from tests.browser import fake_house
from tests.browser.pages_app import app_for

SETTINGS = fake_house.settings("4 Mill Lane, Upper Fennick")


def entry(key: str) -> entries.Entry:
    return next(e for g in entries.GROUPS for e in g.entries if e.key == key)


def sent() -> dict[str, str]:
    """The form as it is sent when nothing was touched."""
    fields = {
        e.key: tuning.field_of(e, SETTINGS, None).value for g in entries.GROUPS for e in g.entries
    }
    for band in tuning.bands(SETTINGS.tunables, {}):
        for key, value in band.values.items():
            fields[f"band-{band.number}-{key}"] = value
        for day in band.weekdays:
            fields[f"band-{band.number}-day-{day}"] = "on"
    return fields


def leaves(tree: dict[str, object], path: str = "") -> set[str]:
    found = set()
    for key, value in tree.items():
        name = f"{path}{key}"
        found |= leaves(value, name + ".") if isinstance(value, dict) else {name}
    return found


def test_everything_that_can_be_changed_is_on_the_page():
    shown = {e.key for g in entries.GROUPS for e in g.entries} | {"tariff.bands"}
    assert leaves(Tunables().model_dump()) == shown


def test_limits_are_those_of_the_settings():
    window = tuning.field_of(entry("learning.window_weeks"), SETTINGS, None)
    assert (window.kind, window.least, window.most, window.step) == ("number", "1", "104", "any")
    reserve = tuning.field_of(entry("reserve_tenths"), SETTINGS, None)
    assert (reserve.least, reserve.most, reserve.step) == ("0", "10", "1")
    comfort = tuning.field_of(entry("comfort"), SETTINGS, None)
    assert comfort.choices == ("thrifty", "balanced", "ample")
    assert tuning.field_of(entry("quiet_from"), SETTINGS, None).kind == "time"
    assert tuning.field_of(entry("learning.since"), SETTINGS, None).kind == "date"


def test_the_days_end_survives_a_form_that_nobody_touched():
    """HTML's time field knows 00:00 to 23:59; what it cannot show it sends empty."""
    late = SETTINGS.model_copy(
        update={
            "tunables": SETTINGS.tunables.model_copy(
                update={"quiet_from": "22:00", "quiet_until": "24:00"}
            )
        }
    )
    assert tuning.field_of(entry("quiet_from"), late, None).kind == "time"
    until = tuning.field_of(entry("quiet_until"), late, None)
    assert (until.kind, until.value) == ("text", "24:00")


def test_money_is_told_in_the_homes_currency():
    pounds = SETTINGS.model_copy(
        update={"wiring": SETTINGS.wiring.model_copy(update={"currency": "GBP"})}
    )
    assert {
        key: tuning.field_of(entry(key), pounds, None).unit
        for key in ("tariff.export_per_kwh", "tariff.carbon_price_per_kg", "normal_set_c")
    } == {
        "tariff.export_per_kwh": "GBP per kWh",
        "tariff.carbon_price_per_kg": "GBP per kg",
        "normal_set_c": "°C",
    }


def test_each_label_says_by_itself_what_it_is_about():
    labels = [e.label for g in entries.GROUPS for e in g.entries]
    assert len(set(labels)) == len(labels)
    assert not [label for label in labels if label.startswith("It ")]


def test_an_untouched_form_changes_nothing():
    assert sent_settings.changes(sent(), SETTINGS.tunables) == {}


@pytest.mark.parametrize(
    ("key", "value", "wanted"),
    [
        ("learning.window_weeks", "8", {"learning": {"window_weeks": 8}}),
        (
            "learning.marked_days",
            "2026-12-24 sunday, 2026-12-31 Saturday",
            {"learning": {"marked_days": ["2026-12-24 sunday", "2026-12-31 Saturday"]}},
        ),
        ("learning.since", "2026-03-01", {"learning": {"since": "2026-03-01"}}),
        ("quiet_from", "22:00", {"quiet_from": "22:00"}),
        (
            "hygiene.probes",
            "probe_low, probe_top",
            {"hygiene": {"probes": ["probe_low", "probe_top"]}},
        ),
        ("comfort", "ample", {"comfort": "ample"}),
        ("occupants", "", {"occupants": None}),
    ],
)
def test_one_changed_field_is_one_change(key: str, value: str, wanted: dict[str, object]):
    changes = sent_settings.changes({**sent(), key: value}, SETTINGS.tunables)
    assert changes == wanted
    changed = changed_tunables(SETTINGS, changes)
    assert changed != SETTINGS.tunables


def test_price_bands_are_changed_added_and_taken_away():
    dearer = sent_settings.changes({**sent(), "band-1-import_per_kwh": "0.2"}, SETTINGS.tunables)
    assert changed_tunables(SETTINGS, dearer).tariff.bands[0].import_per_kwh == 0.2
    fewer = sent_settings.changes({**sent(), "band-1-import_per_kwh": ""}, SETTINGS.tunables)
    assert len(changed_tunables(SETTINGS, fewer).tariff.bands) == 2
    more = {**sent(), "band-0-import_per_kwh": "0.1", "band-0-from_time": "12:00"}
    del more["band-0-day-6"]
    bands = changed_tunables(SETTINGS, sent_settings.changes(more, SETTINGS.tunables)).tariff.bands
    assert len(bands) == 4
    assert bands[0].weekdays == (0, 1, 2, 3, 4, 5)
    assert bands[0].from_time == "12:00", "before the band that fits every moment, so it holds"


def test_what_is_refused_stands_beside_its_field_and_keeps_what_was_typed():
    form = {**sent(), "learning.window_weeks": "500", "occupants": "many"}
    with pytest.raises(SettingsRefused) as refused:
        changed_tunables(SETTINGS, sent_settings.changes(form, SETTINGS.tunables))
    wrong = Refused("settings", "", str(refused.value), form)
    window = tuning.field_of(entry("learning.window_weeks"), SETTINGS, wrong)
    assert window.value == "500"
    assert window.error == "Expected 104 or less."
    occupants = tuning.field_of(entry("occupants"), SETTINGS, wrong)
    assert occupants.error == "Expected a number. Write it in digits, such as 20.5."
    assert not tuning.field_of(entry("floor_area_m2"), SETTINGS, wrong).error


def _stored(form: dict[str, str]) -> None:
    """As far as a change of the settings is checked."""
    refuse_misfits(
        SETTINGS, changed_tunables(SETTINGS, sent_settings.changes(form, SETTINGS.tunables))
    )


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"learning.window_weeks": "500"}, "Learning window = 500: expected 104 or less."),
        (
            {"learning.marked_days": "2026-12-24"},
            "Days like another weekday = '2026-12-24': not a day and the weekday it is like; write",
        ),
        (
            {"learning.since": "1 March"},
            "These people live here since = '1 March': not a day of the calendar; write it like",
        ),
        (
            {"quiet_from": "22:00"},
            "Quiet hours from / Quiet hours until = 22:00 / none: quiet hours need both",
        ),
        ({"quiet_from": "7", "quiet_until": "22:00"}, "Quiet hours from = 7: must be a local time"),
        (
            {"hygiene.disinfect_c": "55"},
            "Disinfection temperature = 55: goes below cited guidance (60) and needs an "
            "installer's confirmation. Set “Lower values confirmed by” to the installer's name",
        ),
        (
            {"band-0-import_per_kwh": "0.1", "band-0-from_time": "1"},
            "A new band, before the others, from = 1: ",
        ),
        ({"band-2-import_per_kwh": "dear"}, "Band 2, import price = 'dear': expected a number."),
        (
            {"band-0-import_per_kwh": "0.1", "band-2-import_per_kwh": "dear"},
            "Band 2, import price = 'dear': expected a number.",
        ),
        (
            {"band-1-import_per_kwh": "", "band-3-until_day": "40-40"},
            "Band 3, last day = '40-40': expected a month and a day, such as 11-01.",
        ),
    ],
)
def test_what_is_refused_is_told_by_the_fields_name(
    tmp_path: Path, changed: dict[str, str], said: str
):
    form = {**sent(), **changed}
    with pytest.raises(SettingsRefused) as refused:
        _stored(form)
    house = fake_house.FakeHouse(SETTINGS, fake_house.lived_in([]))
    records = Records.open(f"sqlite:///{tmp_path}/ladle.sqlite")
    local = Local(SETTINGS.wiring.zone_info, "EUR", fake_house.NOW)
    wrong = Refused("settings", "", str(refused.value), form)
    (line,) = tuning.content(SETTINGS.wiring.id, house, records, local, wrong)["wrong"]
    records.close()
    assert line.startswith(said)


def test_a_page_of_settings_writes_temperatures_as_they_were_given(tmp_path: Path):
    house = fake_house.FakeHouse(SETTINGS, fake_house.lived_in([]))
    records = Records.open(f"sqlite:///{tmp_path}/ladle.sqlite")
    client = TestClient(
        app_for({"mill-lane": house}, records), "http://127.0.0.1", client=("127.0.0.1", 5000)
    )
    said = client.get("/homes/mill-lane/settings").text.replace("&nbsp;", " ")
    records.close()
    assert (
        "thermostat is at 65 °C and its cut-out at 80 °C; the mixing valve is set to 48 °C" in said
    )


def test_versions_differ_by_figures_under_their_units(tmp_path: Path):
    records = Records.open(f"sqlite:///{tmp_path}/ladle.sqlite")
    house = fake_house.FakeHouse(SETTINGS, fake_house.lived_in([]), records=records)
    records.add_settings("mill-lane", SETTINGS.tunables, "file", fake_house.NOW)
    change = {
        "hygiene": {"hold_s": 5400, "lowered_confirmed_by": "Ines"},
        "tariff": {"export_per_kwh": 0.05},
        "floor_area_m2": 120,
    }
    house.change(change, "Ines", "")
    local = Local(SETTINGS.wiring.zone_info, "EUR", fake_house.NOW)
    newest = tuning.content("mill-lane", house, records, local)["versions"][0]
    records.close()
    assert newest["changed"] == [
        "Floor area (m²): 120 instead of none",
        "Export price (EUR per kWh): 0.05 instead of 0.08",
        "Hold time (s): 5400 instead of 3600",
        "Lower values confirmed by: Ines instead of none",
    ]


def test_what_is_hardly_meant_is_told_by_the_fields_name(tmp_path: Path):
    house = fake_house.FakeHouse(SETTINGS, fake_house.lived_in([]))
    tunables = SETTINGS.tunables.model_copy(update={"power_limit_w": 1.0})
    house.settings = SETTINGS.model_copy(update={"tunables": tunables})
    records = Records.open(f"sqlite:///{tmp_path}/ladle.sqlite")
    local = Local(SETTINGS.wiring.zone_info, "EUR", fake_house.NOW)
    (line,) = tuning.content(SETTINGS.wiring.id, house, records, local)["warnings"]
    records.close()
    assert line.startswith("Power limit = 1: no source can ever be planned under it: ")
    assert line.endswith(".")
