"""Messages become readings in base units, or one clear refusal."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from adapters.decode import Decoded, Decoder
from adapters.types import Message, Reading, Refusal
from adapters.wiring import Signal

NOW = 1_767_225_600.0  # 2026-01-01T00:00:00Z


def signal(**fields: object) -> Signal:
    given_fields: dict[str, object] = {
        "name": "top",
        "measures": "probe",
        "topic": "t",
        "unit": "Cel",
        "height_m": 1.2,
    }
    return Signal(**(given_fields | fields))  # type: ignore[arg-type]


def decode(
    one: Signal | Decoder, payload: object, waited: bool = False, at: float = NOW
) -> Decoded:
    decoder = one if isinstance(one, Decoder) else Decoder({"home": [one]})
    data = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    return decoder.decode(Message("t", data, at, waited))


def reading(
    one: Signal | Decoder, payload: object, waited: bool = False, at: float = NOW
) -> Reading:
    decoded = decode(one, payload, waited, at)
    assert not decoded.refusals, decoded.refusals
    (got,) = decoded.readings
    return got


def refusal(one: Signal | Decoder, payload: object, at: float = NOW) -> Refusal:
    decoded = decode(one, payload, at=at)
    assert not decoded.readings
    (got,) = decoded.refusals
    assert len(got.excerpt) <= 80
    assert got.mend
    assert got.message.endswith(f"; {got.mend}")
    assert "top" in got.where
    return got


@pytest.mark.parametrize(
    ("unit", "payload", "value"),
    [
        ("Cel", b" 51.5\n", 51.5),
        ("Cel", b"+5e1", 50.0),
        ("degF", b"122", 50.0),
        ("degF", b"-4", -20.0),
        ("K", b"323.15", 50.0),
    ],
)
def test_temperatures(unit: str, payload: bytes, value: float) -> None:
    assert reading(signal(unit=unit), payload).value == pytest.approx(value)


@pytest.mark.parametrize(
    ("unit", "payload", "value", "more"),
    [
        ("L/min", b"6", 6.0, {}),
        ("L/h", b"360", 6.0, {}),
        ("L/s", b"0.1", 6.0, {}),
        ("m3/h", b"0.36", 6.0, {}),
        ("L", b"12345.6", 12345.6, {}),
        ("m3", b"12.3456", 12345.6, {}),
        ("pulse", b"4000", 2000.0, {"litres_per_pulse": 0.5}),
    ],
)
def test_flow_as_rate_total_and_pulses(
    unit: str, payload: bytes, value: float, more: dict[str, object]
) -> None:
    meter = signal(measures="draw_flow", place="cold_feed", unit=unit, height_m=None, **more)
    assert reading(meter, payload).value == pytest.approx(value)


@pytest.mark.parametrize(
    ("unit", "payload", "value"),
    [
        ("W", b"2500", 2500),
        ("kW", b"2.5", 2500),
        ("kWh", b"7", 7),
        ("Wh", b"7000", 7),
        ("J", b"3600000", 1),
    ],
)
def test_electricity_as_power_and_total(unit: str, payload: bytes, value: float) -> None:
    meter = signal(measures="heat_pump_electricity", unit=unit, height_m=None)
    assert reading(meter, payload).value == pytest.approx(value)


def test_offset_is_added_after_conversion() -> None:
    assert reading(signal(unit="degF", offset=-0.5), b"122").value == pytest.approx(49.5)


@pytest.mark.parametrize(
    ("payload", "code"),
    [
        (b"", "not_a_number"),
        (b"warm", "not_a_number"),
        (b"51,5", "not_a_number"),
        (b"1_000", "not_a_number"),
        (b"0x30", "not_a_number"),
        (b"51.5 C", "not_a_number"),
        ("٥٠".encode(), "not_a_number"),
        (b"nan", "not_finite"),
        (b"-inf", "not_finite"),
        (b"1e999", "not_finite"),
        (b"9" * 400, "not_a_number"),
        (b"1" * 70_000, "too_long"),
        (b"\xff\xfe", "not_text"),
        (b"-127", "out_of_range"),  # the open circuit of common 1-wire sensors
        (b"-127.00", "out_of_range"),
        (b"121", "out_of_range"),
        (b"1e30", "out_of_range"),
    ],
)
def test_nonsense_is_refused(payload: bytes, code: str) -> None:
    assert refusal(signal(), payload).code == code


@pytest.mark.parametrize(
    ("payload", "mend"),
    [
        (b'{"temperature": 51.5}', 'for JSON set format = "json"'),
        (b"51,5", "write the decimal point as ."),
        (b"51.5 C", "let the sender publish the number alone, without unit and words"),
        (b"", "expected a number and found nothing; let the sender publish the number"),
        (b"hello", "got 'hello'; let the sender publish the number alone"),
    ],
)
def test_what_is_no_bare_number_is_told_with_its_mend(payload: bytes, mend: str) -> None:
    assert mend in refusal(signal(), payload).message


def test_85_degrees_pass_since_only_the_estimator_can_tell() -> None:
    assert reading(signal(), b"85.0").value == 85.0


def test_contacts_know_open_closed_and_nonsense() -> None:
    pump = signal(measures="secondary_return", unit="contact", height_m=None)
    for payload, value in ((b"1", 1), (b"ON", 1), (b"true", 1), (b"off", 0), (b" 0 ", 0)):
        assert reading(pump, payload).value == value
    assert refusal(pump, b"banana").code == "not_a_contact"
    own = signal(
        measures="space_heating", unit="contact", height_m=None, format="json", value="mode",
        on_values=("heating",), off_values=("idle", "water"),
    )  # fmt: skip
    assert reading(own, {"mode": "heating"}).value == 1
    assert reading(own, {"mode": "water"}).value == 0
    assert refusal(own, {"mode": "defrost"}).code == "not_a_contact"
    flag = signal(measures="space_heating", unit="contact", height_m=None, format="json", value="f")
    assert [reading(flag, {"f": f}).value for f in (True, False, 1, 0.0)] == [1, 0, 1, 0]
    assert refusal(flag, {"f": [1]}).code == "not_a_contact"


def test_json_by_jmespath() -> None:
    one = signal(format="json", value="probes[?at=='top'].temp | [0]")
    assert (
        reading(one, {"probes": [{"at": "low", "temp": 20}, {"at": "top", "temp": "50.5"}]}).value
        == 50.5
    )
    assert refusal(one, {"probes": []}).code == "no_such_field"
    assert refusal(one, {"probes": [{"at": "top", "temp": True}]}).code == "not_a_number"
    assert refusal(one, {"probes": [{"at": "top", "temp": {"c": 1}}]}).code == "not_a_number"
    assert refusal(one, b'{"probes": [').code == "not_json"
    assert refusal(signal(format="json"), b"NaN").code == "not_finite"
    assert refusal(signal(format="json"), b"[" * 50_000).code == "not_json"
    assert refusal(signal(format="json", value="sum(@)"), {"a": 1}).code == "no_such_field"


@pytest.mark.parametrize(
    ("unit", "stamp"),
    [
        ("s", NOW - 60),
        ("s", str(NOW - 60)),
        ("ms", (NOW - 60) * 1000),
        ("iso8601", "2025-12-31T23:59:00Z"),
        ("iso8601", "2026-01-01T05:44:00+05:45"),
        ("iso8601", "2025-12-31T19:59:00.000-04:00"),
    ],
)
def test_stamps_are_honoured(unit: str, stamp: object) -> None:
    one = signal(format="json", value="v", stamp="at", stamp_unit=unit)
    got = reading(one, {"v": 50, "at": stamp}, waited=True)
    assert got.measured_s == NOW - 60
    assert got.received_s == NOW
    assert got.stamped
    assert got.tells_now


@pytest.mark.parametrize(
    ("unit", "stamp", "code"),
    [
        ("s", NOW + 3600, "future_stamp"),
        ("s", 12.0, "impossible_stamp"),  # a clock that was never set
        ("s", NOW * 1000, "impossible_stamp"),  # milliseconds taken for seconds
        ("ms", NOW, "impossible_stamp"),
        ("s", "yesterday", "no_stamp"),
        ("s", True, "no_stamp"),
        ("s", None, "no_such_field"),
        ("iso8601", "2026-01-01T00:00:00", "no_zone"),
        ("iso8601", "01.01.2026", "no_stamp"),
        ("iso8601", "9999-12-31T23:59:59-14:00", "impossible_stamp"),
        ("iso8601", 5, "no_stamp"),
    ],
)
def test_stamps_that_cannot_be_are_refused(unit: str, stamp: object, code: str) -> None:
    one = signal(format="json", value="v", stamp="at", stamp_unit=unit)
    assert refusal(one, {"v": 50, "at": stamp}).code == code


def test_a_slightly_fast_clock_is_taken_as_now() -> None:
    one = signal(format="json", value="v", stamp="at")
    assert reading(one, {"v": 50, "at": NOW + 100}).measured_s == NOW


def test_repeated_and_late_values() -> None:
    decoder = Decoder({"home": [signal(format="json", value="v", stamp="at")]})
    assert reading(decoder, {"v": 50, "at": NOW - 10}).tells_now
    assert refusal(decoder, {"v": 50, "at": NOW - 10}).code == "repeated"
    late = reading(decoder, {"v": 49, "at": NOW - 20})
    assert (late.measured_s, late.tells_now) == (NOW - 20, False)
    assert refusal(decoder, {"v": 49, "at": NOW - 20}).code == "repeated"
    assert reading(decoder, {"v": 50, "at": NOW}).tells_now


def test_clocks_that_were_ahead_and_put_right_do_not_make_values_late_for_ever() -> None:
    decoder = Decoder({"home": [signal(format="json", value="v", stamp="at")]})
    hour = 3600
    assert reading(decoder, {"v": 50, "at": NOW + hour}, at=NOW + hour).tells_now
    assert reading(decoder, {"v": 50, "at": NOW + 10}, at=NOW + 10).tells_now
    assert reading(decoder, {"v": 50, "at": NOW + 110}, at=NOW + 20).tells_now  # a fast clock
    assert reading(decoder, {"v": 50, "at": NOW + 30}, at=NOW + 30).tells_now


def test_a_refused_value_does_not_use_its_stamp_up() -> None:
    decoder = Decoder({"home": [signal(format="json", value="v", stamp="at")]})
    assert refusal(decoder, {"v": -127, "at": NOW}).code == "out_of_range"
    assert reading(decoder, {"v": 50, "at": NOW}).value == 50


def test_old_stamps_and_waited_values_do_not_tell_now() -> None:
    stamped = signal(format="json", value="v", stamp="at", stale_after_s=300)
    assert reading(stamped, {"v": 50, "at": NOW - 300}).tells_now
    assert not reading(stamped, {"v": 50, "at": NOW - 301}).tells_now
    assert reading(signal(), b"20").tells_now
    assert not reading(signal(), b"20", waited=True).tells_now


def test_one_topic_feeds_several_signals_of_several_homes() -> None:
    top = signal(format="json", value="top")
    low = signal(format="json", value="low", name="low", height_m=0.2)
    decoder = Decoder({"home": [top, low], "annexe": [top]})
    decoded = decode(decoder, {"top": 55, "low": "?"})
    assert [(r.home, r.signal, r.value) for r in decoded.readings] == [
        ("home", "top", 55),
        ("annexe", "top", 55),
    ]
    (refused,) = decoded.refusals
    assert (refused.home, refused.code) == ("home", "not_a_number")
    assert decoder.topics == {"t"}


def test_an_unknown_topic_is_one_refusal() -> None:
    decoded = Decoder({}).decode(Message("stray", b"1", NOW, False))
    assert [r.code for r in decoded.refusals] == ["unknown_topic"]


@pytest.mark.parametrize(
    ("wrong", "word"),
    [
        ({"unit": "kWh"}, "cannot be in kWh"),
        ({"height_m": None}, "height_m"),
        ({"measures": "draw_flow", "unit": "L"}, "place"),
        ({"measures": "draw_flow", "unit": "pulse", "place": "cold_feed"}, "litres_per_pulse"),
        ({"format": "json", "value": "a["}, "JMESPath"),
        ({"format": "json", "stamp": "a b"}, "JMESPath"),
        ({"stamp": "at"}, "stamp"),
        ({"topic": "house/+/temp"}, "wildcards"),
    ],
)
def test_a_signal_that_does_not_fit_together_is_refused(
    wrong: dict[str, object], word: str
) -> None:
    with pytest.raises(ValidationError, match=word):
        signal(**wrong)


_json_values = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=4), inner),
    max_leaves=12,
)
_labels = st.sampled_from(
    ["bn", "bt", "bu", "bv", "bver", "n", "u", "v", "vs", "vb", "t", "s", "x_"]
)
_senml = st.lists(st.dictionaries(_labels, _json_values, max_size=6), max_size=4)
FUZZED = Decoder(
    {
        "home": [
            signal(),
            signal(name="j", format="json", value="a.b", stamp="at"),
            signal(name="i", format="json", value="@", stamp="at", stamp_unit="iso8601"),
            signal(name="s", format="senml", value="n"),
            signal(name="o", format="senml"),
            signal(name="c", measures="secondary_return", unit="contact", format="json"),
            signal(name="k", measures="secondary_return", unit="contact", format="senml"),
        ]
    }
)


@settings(max_examples=150, deadline=None)
@given(
    payload=st.binary(max_size=200)
    | _json_values.map(lambda v: json.dumps(v).encode())
    | _senml.map(lambda v: json.dumps(v).encode())
    | st.fixed_dictionaries(
        {"a": st.fixed_dictionaries({"b": _json_values}), "at": _json_values}
    ).map(lambda v: json.dumps(v).encode()),
    topic=st.sampled_from(["t", "t", "t", "other"]) | st.text(max_size=10),
    waited=st.booleans(),
    at=st.floats(min_value=0, max_value=4e9),
)
def test_any_bytes_on_any_topic_are_answered_with_values(
    payload: bytes, topic: str, waited: bool, at: float
) -> None:
    decoded = FUZZED.decode(Message(topic, payload, at, waited))
    assert len(decoded.readings) + len(decoded.refusals) == (7 if topic == "t" else 1)
    for got in decoded.readings:
        assert -20 <= got.value <= 120
        assert got.measured_s <= got.received_s
        assert got.stamped or got.tells_now is not waited
