"""SenML as RFC 8428 prints it: the examples of its section 5, copied, and its rules.

Source: C. Jennings et al., "Sensor Measurement Lists (SenML)", RFC 8428, August 2018; units from
its section 12.1 and RFC 8798 (secondary units). The examples are from memory.
"""

from __future__ import annotations

import json

import pytest

from adapters.decode import Decoder
from adapters.senml import resolve
from adapters.types import Message, Reading, Unusable
from adapters.wiring import Signal


def test_single_data_point() -> None:
    """Section 5.1.1."""
    (record,) = resolve([{"n": "urn:dev:ow:10e2073a01080063", "u": "Cel", "v": 23.1}])
    assert (record.name, record.unit, record.value, record.time_s) == (
        "urn:dev:ow:10e2073a01080063",
        "Cel",
        23.1,
        0,
    )


def test_multiple_data_points_with_base_name() -> None:
    """Section 5.1.2: voltage and current under one base name, and the series of current."""
    pack = json.loads("""[
      {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,
       "bu":"A","bver":5, "n":"voltage","u":"V","v":120.1},
      {"n":"current","t":-5,"v":1.2},
      {"n":"current","t":-4,"v":1.3},
      {"n":"current","t":-3,"v":1.4},
      {"n":"current","t":-2,"v":1.5},
      {"n":"current","t":-1,"v":1.6},
      {"n":"current","v":1.7}
    ]""")
    records = resolve(pack)
    assert {r.name for r in records} == {
        "urn:dev:ow:10e2073a0108006:voltage",
        "urn:dev:ow:10e2073a0108006:current",
    }
    assert [(r.unit, r.value, r.time_s) for r in records] == [
        ("V", 120.1, 1.276020076001e9),
        ("A", 1.2, 1.276020071001e9),
        ("A", 1.3, 1.276020072001e9),
        ("A", 1.4, 1.276020073001e9),
        ("A", 1.5, 1.276020074001e9),
        ("A", 1.6, 1.276020075001e9),
        ("A", 1.7, 1.276020076001e9),
    ]


def test_base_values_add_and_hold_until_replaced() -> None:
    """Section 4.6: a base value is added to each following record's value."""
    records = resolve(
        [
            {"bn": "tank:", "bu": "Cel", "bv": 20, "n": "top", "v": 31.5},
            {"n": "low", "v": 1},
            {"n": "same"},
            {"bv": 0, "n": "raw", "v": 7},
        ]
    )
    assert [(r.name, r.value) for r in records] == [
        ("tank:top", 51.5),
        ("tank:low", 21),
        ("tank:same", 20),
        ("tank:raw", 7),
    ]


def test_a_bare_base_name_is_a_records_whole_name() -> None:
    """Section 4.5.1: the name is the base name when the record has none."""
    (record,) = resolve([{"bn": "urn:dev:mac:0024befffe804ff1", "v": 3, "u": "W"}])
    assert record.name == "urn:dev:mac:0024befffe804ff1"


@pytest.mark.parametrize(
    "pack",
    [
        {},
        [],
        [1],
        [{"n": "a", "v": "1"}],
        [{"n": "a", "v": 1, "extra_": 2}],  # section 4.4: labels ending in _ must be understood
        [{"bver": 11, "n": "a", "v": 1}],  # a version above the one that is understood
        [{"n": "-a", "v": 1}],  # section 4.5.1: begins with a letter or digit
        [{"v": 1}],
        [{"n": "a b", "v": 1}],
    ],
)
def test_packs_that_break_the_rules_are_refused(pack: object) -> None:
    with pytest.raises(Unusable):
        resolve(pack)


def test_unknown_labels_without_underscore_are_ignored() -> None:
    assert resolve([{"n": "a", "v": 1, "extra": 2}])[0].value == 1


NOW = 1_767_225_600.0


def read(pack: object, waited: bool = False, **fields: object) -> Reading:
    given: dict[str, object] = {
        "name": "top",
        "measures": "probe",
        "topic": "t",
        "format": "senml",
        "value": "tank:top",
        "unit": "Cel",
        "height_m": 1.0,
    }
    decoder = Decoder({"home": [Signal(**(given | fields))]})  # type: ignore[arg-type]
    decoded = decoder.decode(Message("t", json.dumps(pack).encode(), NOW, waited))
    assert not decoded.refusals, decoded.refusals
    return decoded.readings[0]


def test_absolute_time() -> None:
    """Section 4.5.3: 2**28 and above is absolute, seconds since 1970."""
    got = read([{"bn": "tank:", "bt": NOW - 100, "n": "top", "v": 51, "u": "Cel", "t": 40}])
    assert (got.measured_s, got.stamped, got.tells_now) == (NOW - 60, True, True)


def test_time_relative_to_now() -> None:
    """Section 4.5.3: below 2**28 it is relative to now, which is gone once a message waited."""
    pack = [{"n": "tank:top", "v": 51, "t": -60}]
    got = read(pack)
    assert (got.measured_s, got.tells_now) == (NOW - 60, True)
    late = read(pack, waited=True)
    assert (late.stamped, late.tells_now) == (False, False)
    assert not read([{"n": "tank:top", "v": 51}]).stamped


@pytest.mark.parametrize(
    ("unit", "value", "base"),
    [("K", 324.15, 51.0), ("Cel", 51, 51.0)],
)
def test_the_packs_own_unit_is_converted(unit: str, value: float, base: float) -> None:
    assert read([{"n": "tank:top", "u": unit, "v": value}]).value == pytest.approx(base)


@pytest.mark.parametrize(
    ("unit", "value", "base"),
    [("l/s", 0.1, 6.0), ("m3/s", 1e-4, 6.0)],
)
def test_flow_units_of_the_registry(unit: str, value: float, base: float) -> None:
    got = read(
        [{"n": "tank:top", "u": unit, "v": value}],
        measures="draw_flow", unit="L/min", place="cold_feed", height_m=None,
    )  # fmt: skip
    assert got.value == pytest.approx(base)


@pytest.mark.parametrize(
    ("unit", "value", "base"), [("J", 7.2e6, 2.0), ("kWh", 2, 2.0), ("Wh", 2000, 2.0)]
)
def test_energy_units_of_rfc_8798(unit: str, value: float, base: float) -> None:
    got = read(
        [{"n": "tank:top", "u": unit, "v": value}],
        measures="heat_pump_electricity", unit="kWh", height_m=None,
    )  # fmt: skip
    assert got.value == pytest.approx(base)


def test_a_unit_of_another_kind_is_refused() -> None:
    signal = Signal(
        name="top", measures="probe", topic="t", format="senml", value="n", unit="Cel", height_m=1,
    )  # fmt: skip
    payload = json.dumps([{"n": "n", "u": "%RH", "v": 51}]).encode()
    decoded = Decoder({"home": [signal]}).decode(Message("t", payload, NOW, False))
    assert [r.code for r in decoded.refusals] == ["wrong_unit"]


def test_a_switch_is_a_boolean_value() -> None:
    got = read(
        [{"n": "tank:top", "vb": True}],
        measures="secondary_return", unit="contact", height_m=None,
    )  # fmt: skip
    assert got.value == 1
