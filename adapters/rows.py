"""Rows of a feed (JSON by JMESPath, or CSV by column) with moments and numbers read strictly."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NoReturn
from zoneinfo import ZoneInfo

import jmespath
from jmespath.exceptions import JMESPathError

from adapters.stamps import StampUnit, read_stamp
from adapters.types import Unusable

MOST_ROWS = 20_000
_LEAVE_OUT = "let the sender leave out what it does not know"


def json_rows(document: bytes, expression: str) -> list[Any]:
    """The list that ``expression`` finds in a JSON document.

    Raises:
        Unusable: not JSON, nothing found, or not a list of 1 to ``MOST_ROWS`` rows.
    """
    try:
        parsed = json.loads(document, parse_constant=_no_constant)
    except (ValueError, RecursionError):
        raise Unusable("not_json", "is not JSON", "check the address") from None
    rows = find(parsed, expression)
    if not isinstance(rows, list) or not 1 <= len(rows) <= MOST_ROWS:
        raise Unusable(
            "no_rows",
            f"{expression!r} does not find a list of 1 to {MOST_ROWS} rows",
            "name in 'rows' where the list stands",
        )
    return rows


def csv_rows(document: bytes, columns: Mapping[str, str]) -> list[dict[str, str | None]]:
    """The rows of a CSV document with a heading line; comma, semicolon or tab.

    Args:
        document: the file's bytes.
        columns: those it must have, each by the setting's key that names it.

    Raises:
        Unusable: not UTF-8 text, no rows, or a column is missing.
    """
    try:
        text = document.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise Unusable("not_text", "is not UTF-8 text", "save it as UTF-8") from None
    heading = text.partition("\n")[0]
    delimiter = max(",;\t", key=heading.count)
    try:
        rows: list[dict[str, str | None]] = list(
            csv.DictReader(io.StringIO(text, newline=""), delimiter=delimiter)
        )
    except csv.Error as error:
        raise Unusable("not_csv", f"is not CSV ({error})", "export it again as CSV") from None
    if not 1 <= len(rows) <= MOST_ROWS:
        raise Unusable(
            "no_rows",
            f"does not hold 1 to {MOST_ROWS} rows",
            "give it a heading line and a row for each price",
        )
    for key, name in columns.items():
        if name not in rows[0]:
            there_are = ", ".join(repr(column)[:40] for column in list(rows[0])[:12])
            raise Unusable(
                "no_such_field",
                f"has no column {name!r}; its first line names {there_are}",
                f"name the column in '{key}'",
            )
    return rows


def find(row: object, expression: str) -> object:
    """What a JMESPath expression finds, None when nothing.

    Raises:
        Unusable: the expression cannot be applied.
    """
    try:
        return jmespath.search(expression, row)
    except (JMESPathError, TypeError, ValueError, RecursionError, OverflowError) as error:
        raise Unusable(
            "no_such_field", f"{expression!r} cannot be applied ({error})", "check the JMESPath"
        ) from None


def there(value: object, expression: str, key: str) -> object:
    """What was found in a row by the expression that stands in a setting's ``key``.

    Raises:
        Unusable: nothing was.
    """
    if value is None:
        raise Unusable(
            "no_such_field",
            f"{expression!r} finds nothing",
            f"name in '{key}' where it stands in a row, and leave rows without it out",
        )
    return value


def number(value: object, what: str) -> float:
    """A finite number from a number or its text.

    Raises:
        Unusable: it is not one.
    """
    if isinstance(value, str) and "_" not in value:
        try:
            value = float(value)
        except ValueError:
            value = None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise Unusable(
            "not_a_number", f"{what} is not a number", "write digits, the decimal point as ."
        )
    try:
        result = float(value)
    except OverflowError:
        result = math.inf
    if not math.isfinite(result):
        raise Unusable("not_finite", f"{what} is not a finite number", _LEAVE_OUT)
    return result


@dataclass
class Moments:
    """Reads the moments of consecutive rows; local times know the hour that a clock repeats."""

    unit: StampUnit
    zone: str | None
    before_s: float = -math.inf

    def read(self, value: object) -> int:
        """The whole second of a row's moment. Raises Unusable."""
        zone = ZoneInfo(self.zone) if self.zone else None
        try:
            moment = read_stamp(value, self.unit, zone)
        except Unusable as bad:
            if bad.code == "no_zone":  # here it can be said, unlike for a sensor's stamp
                raise Unusable(
                    bad.code, "its time has no zone", "name it in 'zone', such as Europe/Paris"
                ) from None
            raise
        if moment <= self.before_s and zone is not None:
            moment = read_stamp(value, self.unit, zone, fold=1)
        self.before_s = moment
        return round(moment)


def _no_constant(name: str) -> NoReturn:
    raise Unusable("not_finite", f"holds {name}, which is not a number", _LEAVE_OUT)
