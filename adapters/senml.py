"""SenML packs in JSON (RFC 8428): base values resolved, each record made whole."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from adapters.types import Unusable

# Values below 2**28 are relative to now (RFC 8428, section 4.5.3).
RELATIVE_BELOW_S = float(1 << 28)
VERSION = 10  # RFC 8428, section 4.4: the version this reads
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")
_LONGEST_PACK = 2000


@dataclass(frozen=True, slots=True)
class Record:
    """One resolved record.

    name is bn and n put together; time_s is bt + t, seconds since 1970 when at least 2**28 and
    otherwise relative to now; unit is empty when none is given.
    """

    name: str
    short_name: str
    unit: str
    value: float | bool | str | None
    time_s: float


def resolve(pack: object) -> list[Record]:
    """The resolved records of a parsed SenML pack, in its order.

    Raises:
        Unusable: not an array of objects, a field of the wrong type, an unknown version, or a
            field that must be understood (its label ends with ``_``) and is not.
    """
    if not isinstance(pack, list) or not pack:
        raise _not_senml("a SenML pack is a JSON array of records (RFC 8428)")
    if len(pack) > _LONGEST_PACK:
        raise Unusable(
            "too_long",
            f"the pack has more than {_LONGEST_PACK} records",
            "let the sender split it",
        )
    base_name, base_unit = "", ""
    base_time = base_value = 0.0
    has_base_value = False
    records = []
    for item in pack:
        if not isinstance(item, dict):
            raise _not_senml("a SenML record is a JSON object")
        for label in item:
            if label.endswith("_"):  # RFC 8428, section 4.4
                raise Unusable(
                    "not_senml",
                    f"the field {label[:20]!r} must be understood and is not known here",
                    "let the sender leave it out",
                )
        if _number(item, "bver", VERSION) > VERSION:
            raise _not_senml(f"the pack's version is above {VERSION}")
        base_name = _text(item, "bn", base_name)
        base_time = _number(item, "bt", base_time)
        base_unit = _text(item, "bu", base_unit)
        if "bv" in item:
            base_value, has_base_value = _number(item, "bv", 0.0), True
        short = _text(item, "n", "")
        if not {"v", "vs", "vb", "vd", "s"} & item.keys() and not (has_base_value and short):
            continue  # a record that only sets base values
        name = base_name + short
        if not _NAME.fullmatch(name):
            raise _not_senml(f"{name[:40]!r} is no SenML name (RFC 8428, 4.5.1)")
        records.append(
            Record(
                name=name,
                short_name=short,
                unit=_text(item, "u", base_unit),
                value=_value(item, base_value, has_base_value),
                time_s=base_time + _number(item, "t", 0.0),
            )
        )
    return records


def _value(item: dict[str, object], base: float, has_base: bool) -> float | bool | str | None:
    if "v" in item:
        return base + _number(item, "v", 0.0)
    if isinstance(item.get("vb"), bool):
        return bool(item["vb"])
    if isinstance(item.get("vs"), str):
        return str(item["vs"])
    # A missing v with a base value present counts as zero (RFC 8428, section 4.5.4).
    return base if has_base and not {"vb", "vs", "vd"} & item.keys() else None


def _number(item: dict[str, object], label: str, missing: float) -> float:
    value = item.get(label, missing)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise _not_senml(f"the SenML field {label} must be a number")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise Unusable(
            "not_finite",
            f"the SenML field {label} is not a finite number",
            "check the sensor and the bridge that publishes it",
        )
    return number


def _text(item: dict[str, object], label: str, missing: str) -> str:
    value = item.get(label, missing)
    if not isinstance(value, str):
        raise _not_senml(f"the SenML field {label} must be text")
    return value


def _not_senml(what: str) -> Unusable:
    mend = "let the sender keep to RFC 8428, or set the signal's format to what it sends"
    return Unusable("not_senml", what, mend)
