"""Each wrong setting is one line: where, what it was, what was expected, and a suggestion."""

from __future__ import annotations

from pathlib import Path
from typing import get_args

import pytest

from adapters.wiring import Quantity, Signal, Unit
from service.settings import HomeSettings, Tunables, Wiring
from service.settings_check import SettingsRefused, changed_tunables, load, refuse_misfits

GOOD = """
[broker]
host = "broker.lan"
user = "ladle"
password = "in-the-file"

[[homes]]
id = "orchard-house"
zone = "Europe/Paris"

[homes.cylinder]
volume_l = 300
height_m = 1.6
thermostat_c = 60
cutout_c = 80

[[homes.signals]]
name = "probe_top"
measures = "probe"
topic = "plant/top"
unit = "Cel"
height_m = 1.4

[homes.notify]
smtp_host = "mail.lan"
"""


def refused(tmp_path: Path, text: str) -> list[str]:
    path = tmp_path / "ladle.toml"
    path.write_text(text)
    with pytest.raises(SettingsRefused) as caught:
        load(path)
    return [str(line) for line in caught.value.lines]


def good(tmp_path: Path) -> Wiring:
    path = tmp_path / "ladle.toml"
    path.write_text(GOOD)
    return load(path)


@pytest.fixture(autouse=True)
def _no_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("LADLE_BROKER__PASSWORD", "LADLE_SMTP_PASSWORD", "LADLE_HTTP__PORT"):
        monkeypatch.delenv(name, raising=False)


def test_a_good_file_is_the_wiring(tmp_path: Path) -> None:
    wiring = good(tmp_path)
    assert type(wiring) is Wiring
    assert wiring.homes[0].id == "orchard-house"
    assert wiring.broker.password is not None
    assert wiring.broker.password.get_secret_value() == "in-the-file"


def test_a_rest_temperature_that_cannot_be_written_is_told_with_its_value(tmp_path: Path) -> None:
    pump = """
[[homes.actuators]]
name = "pump"
source = "heat_pump"
form = "on_off"
topic = "plant/pump/set"
released_by = "own_timer"
released_state = "its own control"
rest_c = 30

[homes.notify]"""
    assert refused(tmp_path, GOOD.replace("[homes.notify]", pump)) == [
        "homes[0].actuators[0].rest_c (pump) = 30: it is a set temperature, and form on_off takes "
        "none: leave it out, or use form set_temperature."
    ]


def test_a_charging_pump_of_a_coil_is_refused(tmp_path: Path) -> None:
    pump = """
[homes.heat_pump]
layout = "{layout}"
charging_pump_l_per_min = 18

[homes.notify]"""
    assert refused(tmp_path, GOOD.replace("[homes.notify]", pump.format(layout="coil"))) == [
        "homes[0].heat_pump.charging_pump_l_per_min = 18: it is the flow between cylinder and "
        "plate heat exchanger, and a coil has no such pump: leave it out, or set layout = "
        '"plate".'
    ]
    path = tmp_path / "plate.toml"
    path.write_text(GOOD.replace("[homes.notify]", pump.format(layout="plate")))
    heat_pump = load(path).homes[0].heat_pump
    assert heat_pump is not None
    assert heat_pump.charging_pump_l_per_min == 18.0


@pytest.mark.parametrize("number", [float("nan"), float("inf")])
def test_a_number_that_is_none_is_refused_in_changes_and_in_the_file(
    tmp_path: Path, number: float
) -> None:
    settings = HomeSettings(wiring=good(tmp_path).homes[0], tunables=Tunables())
    for changes in (
        {"tariff": {"bands": [{"import_per_kwh": number}]}},
        {"power_limit_w": number},
        {"tariff": {"carbon_price_per_kg": number}},
    ):
        with pytest.raises(SettingsRefused, match=f"= {number}: expected a finite number"):
            changed_tunables(settings, changes)
    assert refused(tmp_path, GOOD.replace("volume_l = 300", f"volume_l = {number}")) == [
        f"homes[0].cylinder.volume_l = {number}: expected a finite number."
    ]


def test_the_environment_overrides_secrets(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LADLE_BROKER__PASSWORD", "from-outside")
    monkeypatch.setenv("LADLE_SMTP_PASSWORD", "mail-secret")
    monkeypatch.setenv("LADLE_HTTP__PORT", "9000")
    wiring = good(tmp_path)
    assert wiring.broker.password is not None
    assert wiring.broker.password.get_secret_value() == "from-outside"
    assert wiring.broker.host == "broker.lan"
    assert wiring.http.port == 9000
    mail = wiring.homes[0].notify.smtp_password
    assert mail is not None
    assert mail.get_secret_value() == "mail-secret"


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        (
            'host = "broker.lan"',
            'hots = "broker.lan"',
            "broker.hots = 'broker.lan': no such key. Did you mean host?",
        ),
        (
            'unit = "Cel"',
            'unit = "C"',
            "homes[0].signals[0].unit (probe_top) = 'C': expected one of "
            f"{', '.join(get_args(Unit))}. Did you mean Cel?",
        ),
        (
            'measures = "probe"',
            'measures = "prob"',
            "homes[0].signals[0].measures (probe_top) = 'prob': expected one of "
            f"{', '.join(Quantity)}. Did you mean probe?",
        ),
        (
            "volume_l = 300",
            "volume_l = 3",
            "homes[0].cylinder.volume_l = 3: expected 30 or more.",
        ),
        (
            "volume_l = 300",
            'volume_l = "large"',
            "homes[0].cylinder.volume_l = 'large': expected a number. Write it in digits, such as "
            "20.5.",
        ),
        (
            'zone = "Europe/Paris"',
            'zone = "Europe/Pariss"',
            "homes[0].zone = 'Europe/Pariss': not a time zone of the IANA database, e.g. "
            "Europe/Paris.",
        ),
        ("volume_l = 300", "", "homes[0].cylinder.volume_l: is missing. Write a number."),
        (
            'unit = "Cel"',
            'unit = "Cel"\ncolour = "red"',
            "homes[0].signals[0].colour (probe_top) = 'red': no such key. "
            f"Known here: {', '.join(sorted(Signal.model_fields))}.",
        ),
    ],
)
def test_a_wrong_key_is_named_with_value_expectation_and_suggestion(
    tmp_path: Path, old: str, new: str, line: str
) -> None:
    assert old in GOOD
    assert refused(tmp_path, GOOD.replace(old, new, 1)) == [line]


@pytest.mark.parametrize(
    ("changes", "line"),
    [
        (
            {"tariff": 3},
            "tariff = 3: expected a table. Give its keys, each with a value of its own.",
        ),
        (
            {"power_limit_w": 0},
            "power_limit_w = 0: expected more than 0.",
        ),
        (
            {"occupants": 99},
            "occupants = 99: expected 20 or less.",
        ),
        (
            {"hygiene": {"probes": "low"}},
            "hygiene.probes = 'low': expected a list. Write it in square brackets: [\"low\"].",
        ),
        (
            {"slot_minutes": "half"},
            "slot_minutes = 'half': expected a whole number. Write it in digits, such as 20.",
        ),
        (
            {"tariff": {"bands": [{"import_per_kwh": 1, "weekdays": []}]}},
            "tariff.bands[0].weekdays: expected at least 1 in the list.",
        ),
        (
            {"tariff": {"bands": [{"import_per_kwh": 1, "from_day": "13-01"}]}},
            "tariff.bands[0].from_day = '13-01': expected a month and a day, such as 11-01.",
        ),
    ],
)
def test_a_value_of_the_wrong_kind_is_told_in_plain_words(
    tmp_path: Path, changes: dict[str, object], line: str
) -> None:
    settings = HomeSettings(wiring=good(tmp_path).homes[0], tunables=Tunables())
    with pytest.raises(SettingsRefused) as refusal:
        changed_tunables(settings, changes)
    assert [str(x) for x in refusal.value.lines] == [line]


@pytest.mark.parametrize(
    ("old", "new", "mend"),
    [
        ("volume_l = 300", 'volume_l = "300,5"', "expected a number. Write 300.5."),
        (
            "volume_l = 300",
            'volume_l = "300 l"',
            "expected a number. Write it alone: no unit, a point for decimals, nothing between "
            "thousands.",
        ),
        ('host = "broker.lan"', 'port = "1883,0"', "expected a whole number. Write 1883."),
        ('host = "broker.lan"', "port = 1883.5", "expected a whole number. Write 1883 or 1884."),
        ('host = "broker.lan"', "host = 5", "expected text. Write it in quotation marks."),
        ("[homes.notify]", "[homes.notify]\nmail_to = 'a@b'", 'square brackets: ["a@b"].'),
        ('host = "broker.lan"', 'tls = "ja"', "true or false. Write it without quotation marks."),
        (
            "[homes.notify]",
            "[[homes.immersion]]\npower_w = 3000\n[[homes.immersion]]\npower_w = 2000\n"
            "[homes.notify]",
            "homes[0].immersion: expected a table. Write [homes.immersion] once: there can be one "
            "only.",
        ),
    ],
)
def test_a_value_of_the_wrong_kind_is_told_what_to_write_instead(
    tmp_path: Path, old: str, new: str, mend: str
) -> None:
    assert old in GOOD
    (line,) = refused(tmp_path, GOOD.replace(old, new, 1))
    assert line.endswith(mend)


def test_one_of_several_tables_is_called_by_its_name(tmp_path: Path) -> None:
    more = "".join(
        f'[[homes.signals]]\nname = "probe_{n}"\nmeasures = "probe"\ntopic = "plant/{n}"\n'
        f'unit = "{unit}"\nheight_m = 0.{n}\n'
        for n, unit in enumerate(("Cel", "C", "Cel"), 1)
    )
    (line,) = refused(tmp_path, GOOD.replace("[homes.notify]", f"{more}[homes.notify]"))
    assert line.startswith("homes[0].signals[2].unit (probe_2) = 'C': expected one of")


def test_what_two_share_is_named(tmp_path: Path) -> None:
    home = GOOD[GOOD.index("[[homes]]") :]
    (line,) = refused(tmp_path, GOOD + home)
    assert "homes share the id orchard-house; give each its own" in line
    signal = home[home.index("[[homes.signals]]") : home.index("[homes.notify]")]
    (line,) = refused(tmp_path, GOOD + signal)
    assert "names used twice in home orchard-house: probe_top; give each" in line


def test_a_number_for_a_password_is_not_repeated(tmp_path: Path) -> None:
    (line,) = refused(tmp_path, GOOD.replace('"in-the-file"', "73519"))
    assert "73519" not in line
    assert line.endswith("Write it in quotation marks.")


def test_every_wrong_key_is_told_at_once(tmp_path: Path) -> None:
    text = GOOD.replace("volume_l = 300", "volume_l = 3").replace('unit = "Cel"', "unit = 4")
    assert len(refused(tmp_path, text)) == 2


@pytest.mark.parametrize(
    "text",
    [
        GOOD.replace('password = "in-the-file"', 'pasword = "in-the-file"'),
        GOOD.replace('password = "in-the-file"', 'password = ["in-the-file"]'),
        GOOD + '\n[database]\nurl = "postgresql://u:in-the-file@db/ladle"\nport = 3\n',
        GOOD + '\nwebhok = "https://in-the-file/hook"\n',
    ],
)
def test_a_secret_is_never_repeated(tmp_path: Path, text: str) -> None:
    assert "in-the-file" not in "\n".join(refused(tmp_path, text))


def test_what_is_no_settings_file_is_told_plainly(tmp_path: Path) -> None:
    with pytest.raises(SettingsRefused, match="there is no such file"):
        load(tmp_path / "missing.toml")
    assert "not TOML" in refused(tmp_path, "[broker\nhost=")[0]
    (tmp_path / "b.toml").write_bytes(b'a = "\xff"')
    with pytest.raises(SettingsRefused, match="UTF-8"):
        load(tmp_path / "b.toml")
    assert refused(tmp_path, "") == ["homes: is missing. Write a table [[homes]] for each."]


def test_an_environment_variable_for_a_whole_table_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LADLE_BROKER", "secret-thing")
    (line,) = refused(tmp_path, GOOD)
    assert line.startswith("LADLE_BROKER")
    assert "secret-thing" not in line
    monkeypatch.delenv("LADLE_BROKER")


def test_what_is_wrong_in_the_environment_is_not_looked_for_in_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LADLE_HTTP__PORT", "eighty")
    monkeypatch.setenv("LADLE_BROKER__TLS", "maybe")
    monkeypatch.setenv("LADLE_KEEPING__ROW_DAYS", "3")
    wrong = GOOD.replace("volume_l = 300", 'volume_l = "much"')
    assert sorted(refused(tmp_path, wrong)) == [
        "broker.tls (LADLE_BROKER__TLS in the environment) = 'maybe': expected true or false. "
        "Write true or false.",
        "homes[0].cylinder.volume_l = 'much': expected a number. Write it in digits, such as 20.5.",
        "http.port (LADLE_HTTP__PORT in the environment) = 'eighty': expected a whole number. "
        "Write it in digits, such as 20.",
        "keeping.row_days (LADLE_KEEPING__ROW_DAYS in the environment) = '3': no such key. "
        "Did you mean raw_days?",
    ]


def settings(tmp_path: Path) -> HomeSettings:
    home = good(tmp_path).homes[0]
    return HomeSettings(wiring=home, tunables=home.first)


def test_changes_merge_into_what_holds(tmp_path: Path) -> None:
    held = settings(tmp_path)
    changed = changed_tunables(held, {"occupants": 4, "learning": {"window_weeks": 6}})
    assert changed.occupants == 4
    assert changed.learning.window_weeks == 6
    assert changed.learning.half_life_weeks == held.tunables.learning.half_life_weeks
    again = changed_tunables(
        HomeSettings(wiring=held.wiring, tunables=changed), {"learning": {"window_weeks": None}}
    )
    assert again.learning.window_weeks == held.tunables.learning.window_weeks
    assert again.occupants == 4


def test_wrong_changes_are_told_like_a_wrong_file(tmp_path: Path) -> None:
    with pytest.raises(SettingsRefused) as caught:
        changed_tunables(
            settings(tmp_path),
            {"comfort": "amplr", "reserve_tenth": 3, "hygiene": {"disinfect_c": 20}},
        )
    assert sorted(str(line) for line in caught.value.lines) == [
        "comfort = 'amplr': expected one of thrifty, balanced, ample. Did you mean ample?",
        "hygiene.disinfect_c = 20: expected 50 or more.",
        "reserve_tenth = 3: no such key. Did you mean reserve_tenths?",
    ]


def test_a_table_where_a_value_belongs_and_the_other_way_round(tmp_path: Path) -> None:
    with pytest.raises(SettingsRefused) as caught:
        changed_tunables(settings(tmp_path), {"learning": 3, "occupants": {"many": 1}})
    assert {line.where for line in caught.value.lines} == {"learning", "occupants"}


@pytest.mark.parametrize(
    ("old", "new", "hint"),
    [
        ("height_m = 1.6", "height_m = 1,6", "Write decimals with a point: 0.25."),
        ("height_m = 1.6", "height_m = 1.6\nheight_m = 1.7", "twice; leave one of them out."),
        ('"broker.lan"', "\u201cbroker.lan\u201d", 'Write text in plain quotation marks: "text".'),
        (
            '[broker]\nhost = "broker.lan"',
            '[broker]\nca_file = "C:\\certificates"',
            "Write a backslash as two, or paths with /.",
        ),
        ("\n[broker]", "\ufeff[broker]", "a byte order mark; save it as UTF-8 without one."),
        ("[[homes.signals]]", "[homes.signals]\n[homes.signals]", "double brackets: [[homes]]."),
    ],
)
def test_a_file_that_is_no_toml_is_shown_by_its_line_with_a_mend(
    tmp_path: Path, old: str, new: str, hint: str
) -> None:
    (line,) = refused(tmp_path, GOOD.replace(old, new, 1))
    assert "not TOML: " in line
    assert "; the line is: " in line
    assert line.endswith(hint)


def test_a_password_is_not_shown_with_the_line_that_is_no_toml(tmp_path: Path) -> None:
    (line,) = refused(tmp_path, GOOD.replace('"in-the-file"', "in-the-file"))
    assert "not TOML: " in line
    assert "in-the-file" not in line


@pytest.mark.parametrize(
    ("given", "line"),
    [
        ('"x"', "homes = 'x': expected a list."),
        ("3", "homes = 3: expected a list."),
        ('["x"]', "homes[0] = 'x': expected a table."),
    ],
)
def test_a_value_where_tables_belong_gets_their_head_as_the_mend(
    tmp_path: Path, given: str, line: str
) -> None:
    assert refused(tmp_path, f"homes = {given}\n") == [
        f"{line} Write [[homes]], in double brackets, for each."
    ]


def test_tables_are_named_as_the_file_writes_them(tmp_path: Path) -> None:
    single = GOOD.replace("[[homes]]", "[homes]").replace("[[homes.signals]]", "[homes.signals]")
    assert refused(tmp_path, single) == [
        "homes: expected a list. Write [[homes]], in double brackets, for each."
    ]
    without = GOOD[: GOOD.index("[[homes.signals]]")]
    assert refused(tmp_path, without) == [
        "homes[0].signals: is missing. Write a table [[homes.signals]] for each."
    ]


@pytest.mark.parametrize("host", ["mqtt://broker.lan", "broker.lan:1883", " "])
def test_a_broker_is_named_by_its_host_alone(tmp_path: Path, host: str) -> None:
    assert refused(tmp_path, GOOD.replace("broker.lan", host)) == [
        f"broker.host = {host!r}: expected a name or an address alone; the port has a key of its "
        "own."
    ]


def test_an_id_is_described_in_words(tmp_path: Path) -> None:
    assert refused(tmp_path, GOOD.replace('"orchard-house"', '"Orchard House"')) == [
        "homes[0].id = 'Orchard House': expected up to 40 of a-z, 0-9 and -, such as mill-house."
    ]


def test_a_tariff_without_a_band_is_refused_without_an_empty_value(tmp_path: Path) -> None:
    held = settings(tmp_path)
    with pytest.raises(SettingsRefused) as caught:
        refuse_misfits(held, changed_tunables(held, {"tariff": {"bands": []}}))
    (line,) = (str(line) for line in caught.value.lines)
    assert line.startswith("tariff.bands: a tariff needs at least one band. Give one band")
