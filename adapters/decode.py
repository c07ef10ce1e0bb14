"""What a message says: readings in base units, or one clear refusal for each signal.

Any bytes on any topic are answered with values; nothing here raises for what arrives.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, NoReturn

import jmespath
from jmespath.exceptions import JMESPathError

from adapters import senml
from adapters.stamps import read_stamp
from adapters.types import Message, Reading, Refusal, Unusable
from adapters.units import BASE_UNIT, SENML_UNITS, limits, to_base
from adapters.wiring import KIND_OF_UNIT, Kind, Signal, Unit

LONGEST_PAYLOAD_BYTES = 64 * 1024
FUTURE_ALLOWED_S = 120.0  # clocks of sensors differ; beyond this a stamp is wrong
STAMPS_REMEMBERED = 512  # for each signal, to tell a repeat from a late value

_NUMBER = re.compile(r"[+-]?(\d{1,30}(\.\d{0,30})?|\.\d{1,30})([eE][+-]?\d{1,3})?", re.ASCII)

_CHECK_SENDER = "check the sensor and the bridge that publishes it"


@dataclass(slots=True)
class _Wired:
    """One signal of one home, its expressions compiled, and the stamps it sent."""

    home: str
    signal: Signal
    value: Any
    stamp: Any
    stamps: dict[float, None] = field(default_factory=dict)
    newest_s: float = -math.inf


@dataclass(frozen=True, slots=True)
class Decoded:
    """All that one message gave."""

    readings: tuple[Reading, ...] = ()
    refusals: tuple[Refusal, ...] = ()


def excerpt(payload: bytes) -> str:
    """At most 80 printable characters of a payload, for a refusal."""
    text = payload[:120].decode("utf-8", "replace")
    return "".join(c if c.isprintable() else "?" for c in text)[:80]


class Decoder:
    """Decodes the messages of many homes; one topic may feed several signals.

    Args:
        homes: the signals of each home, by its id.
    """

    def __init__(self, homes: Mapping[str, Iterable[Signal]]) -> None:
        self._by_topic: dict[str, list[_Wired]] = {}
        for home, signals in homes.items():
            for signal in signals:
                is_json = signal.format == "json"
                wired = _Wired(
                    home,
                    signal,
                    jmespath.compile(signal.value) if is_json else None,
                    jmespath.compile(signal.stamp) if is_json and signal.stamp else None,
                )
                self._by_topic.setdefault(signal.topic, []).append(wired)

    @property
    def topics(self) -> frozenset[str]:
        """Every topic that carries a signal."""
        return frozenset(self._by_topic)

    def decode(self, message: Message) -> Decoded:
        """The readings and refusals of one message. Never raises for what a message holds."""
        wired = self._by_topic.get(message.topic)
        if wired is None:
            return Decoded(
                refusals=(
                    Refusal(
                        "",
                        "unknown_topic",
                        message.topic[:200],
                        "no signal is wired to this topic",
                        "add a [[homes.signals]] entry or end the subscription",
                        excerpt(message.payload),
                    ),
                )
            )
        readings, refusals = [], []
        parsed = _Parsed(message.payload)
        for one in wired:
            try:
                readings.append(_read(one, message, parsed))
            except Unusable as why:
                where = f"signal {one.signal.name} on topic {message.topic}"[:300]
                refusals.append(Refusal.of(one.home, where, why, excerpt(message.payload)))
        return Decoded(tuple(readings), tuple(refusals))


class _Parsed:
    """The payload's text and JSON, made once however many signals share it."""

    def __init__(self, payload: bytes) -> None:
        self._payload = payload
        self._json: object = self
        self._records: list[senml.Record] | None = None

    def text(self) -> str:
        if len(self._payload) > LONGEST_PAYLOAD_BYTES:
            raise Unusable(
                "too_long",
                f"the payload is longer than {LONGEST_PAYLOAD_BYTES} bytes",
                "let the sender publish its values alone",
            )
        try:
            return self._payload.decode("utf-8").strip()
        except UnicodeDecodeError:
            raise Unusable(
                "not_text", "the payload is not UTF-8 text", "let the sender publish text"
            ) from None

    def json(self) -> object:
        if self._json is self:
            try:
                self._json = json.loads(self.text(), parse_constant=_no_constant)
            except RecursionError:
                raise Unusable(
                    "not_json",
                    "the JSON is nested too deeply",
                    "let the sender publish its values alone",
                ) from None
            except ValueError as error:
                raise Unusable(
                    "not_json",
                    f"the payload is not JSON ({error})",
                    "let the sender publish JSON, or set the signal's format to what it sends",
                ) from None
        return self._json

    def records(self) -> list[senml.Record]:
        if self._records is None:
            self._records = senml.resolve(self.json())
        return self._records


def _no_constant(name: str) -> NoReturn:
    raise Unusable("not_finite", f"{name} is not a number", _CHECK_SENDER)


def _read(one: _Wired, message: Message, parsed: _Parsed) -> Reading:
    signal, received = one.signal, message.received_s
    unit = signal.unit
    stamp: float | None = None
    match signal.format:
        case "number":
            raw: object = parsed.text()
        case "json":
            raw = _field(one.value, parsed.json(), signal.value)
            if one.stamp is not None:
                found = _field(one.stamp, parsed.json(), str(signal.stamp))
                stamp = read_stamp(found, signal.stamp_unit)
        case "senml":
            raw, unit, stamp = _from_senml(signal, parsed.records(), message)
    value = _contact(signal, raw) if signal.kind is Kind.CONTACT else _number(raw)
    value = to_base(value, unit, signal.litres_per_pulse) + signal.offset
    least, greatest = limits(signal.measures, unit)
    if not least <= value <= greatest:
        base = BASE_UNIT[signal.kind]
        raise Unusable(
            "out_of_range",
            f"{value:.6g} {base} is outside {least:g} to {greatest:g} {base} for {signal.measures}",
            "check the sensor's wiring and the signal's unit",
        )
    return _stamped(one, message, value, stamp, received)


def _stamped(
    one: _Wired, message: Message, value: float, stamp: float | None, received: float
) -> Reading:
    signal = one.signal
    if stamp is None:
        return Reading(one.home, signal.name, value, received, received, False, not message.waited)
    if stamp > received + FUTURE_ALLOWED_S:
        raise Unusable(
            "future_stamp",
            f"the stamp lies {stamp - received:.0f} s ahead",
            "set the sender's clock and zone",
        )
    if stamp in one.stamps:
        raise Unusable(
            "repeated",
            "this signal already sent a value with the same stamp",
            "let the sender stamp each value with the moment it was measured",
        )
    one.stamps[stamp] = None
    if len(one.stamps) > STAMPS_REMEMBERED:
        del one.stamps[next(iter(one.stamps))]
    if one.newest_s > received + FUTURE_ALLOWED_S:
        one.newest_s = -math.inf  # the clocks were ahead and have been put right
    late = stamp < one.newest_s
    one.newest_s = max(one.newest_s, min(stamp, received))
    fresh = received - stamp <= signal.stale_after_s
    return Reading(
        one.home, signal.name, value, min(stamp, received), received, True, fresh and not late
    )


def _field(expression: Any, document: object, written: str) -> object:
    try:
        found = expression.search(document)
    except (JMESPathError, RecursionError, TypeError, ValueError, OverflowError) as error:
        raise Unusable(
            "no_such_field",
            f"{written!r} cannot be applied to the payload ({error})",
            "check the JMESPath against what the sender publishes",
        ) from None
    if found is None:
        raise Unusable(
            "no_such_field",
            f"{written!r} finds nothing in the payload",
            "check the JMESPath against what the sender publishes",
        )
    return found


def _hint(text: str) -> str:
    """How to mend what should have been a bare number."""
    if text[:1] in ("{", "["):
        return 'for JSON set format = "json", and in value where the number stands'
    if "," in text:
        return "write the decimal point as ."
    return "let the sender publish the number alone, without unit and words"


def _number(raw: object) -> float:
    if isinstance(raw, str):
        text = raw.strip()
        if not _NUMBER.fullmatch(text):
            if text.casefold().lstrip("+-") in ("nan", "inf", "infinity"):
                raise Unusable("not_finite", "the sensor sent no number", "check its wiring")
            found = "" if text else " and found nothing"
            raise Unusable("not_a_number", f"expected a number{found}", _hint(text))
        raw = float(text)
    if isinstance(raw, bool) or not isinstance(raw, int | float):
        raise Unusable(
            "not_a_number",
            f"expected a number and found {_named(raw)}",
            "name in the signal's value where the number stands",
        )
    try:
        value = float(raw)
    except OverflowError:
        value = math.inf
    if not math.isfinite(value):
        raise Unusable("not_finite", "the value is not a finite number", _CHECK_SENDER)
    return value


def _contact(signal: Signal, raw: object) -> float:
    if isinstance(raw, bool):
        word = "true" if raw else "false"
    elif isinstance(raw, int | float) and math.isfinite(raw):
        word = f"{raw:g}"
    elif isinstance(raw, str):
        word = raw.strip().casefold()
    else:
        raise Unusable(
            "not_a_contact",
            f"expected a contact and found {_named(raw)}",
            "name in the signal's value where its state stands",
        )
    if word in {w.casefold() for w in signal.on_values}:
        return 1.0
    if word in {w.casefold() for w in signal.off_values}:
        return 0.0
    raise Unusable(
        "not_a_contact",
        f"expected one of {', '.join(signal.on_values + signal.off_values)}",
        "set on_values and off_values to what the sender says",
    )


def _from_senml(
    signal: Signal, records: list[senml.Record], message: Message
) -> tuple[object, Unit, float | None]:
    named = [r for r in records if signal.value in (r.name, r.short_name)]
    if signal.value == "@" and len(records) == 1:
        named = records
    if not named:
        raise Unusable(
            "no_such_field", f"no record is named {signal.value!r}", "set value to its SenML name"
        )
    record = named[-1]
    value, unit = record.value, signal.unit
    if value is None or (isinstance(value, str) and signal.kind is not Kind.CONTACT):
        raise Unusable(
            "not_a_number",
            f"the record {record.name} has no value v",
            "let the sender put the number into v, or set value to another record's name",
        )
    if record.unit and signal.unit not in ("pulse", "contact"):
        known = SENML_UNITS.get(record.unit)
        if known is None or KIND_OF_UNIT[known[0]] is not signal.kind:
            raise Unusable(
                "wrong_unit",
                f"the record's unit {record.unit[:20]!r} is not one of a {signal.kind}",
                "set value to the record that measures it, or let the sender name its true unit",
            )
        unit, factor = known
        value = _number(value) * factor
    stamp: float | None
    if record.time_s >= senml.RELATIVE_BELOW_S:
        stamp = read_stamp(record.time_s, "s")
    elif record.time_s == 0 or message.waited:
        # Relative to a "now" that passed while the message waited: no stamp at all.
        stamp = None
    else:
        stamp = message.received_s + record.time_s
    return value, unit, stamp


def _named(raw: object) -> str:
    names = {dict: "an object", list: "a list", bool: "a truth value", str: "text"}
    return names.get(type(raw), "nothing")
