"""Everything about one home as CSV, for the household to keep or to read elsewhere."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, datetime
from io import TextIOWrapper
from pathlib import Path
from typing import IO, Any
from zipfile import ZIP_DEFLATED, ZipFile

from sqlalchemy import Boolean, Column, Float, Integer, Select, Table, select
from sqlmodel import Session, SQLModel

from service.records.columns import from_us
from service.records.database import Database
from service.records.errors import RecordsError
from service.records.explain import explained
from service.records.readings import table_of
from service.records.tables import (
    DecisionRow,
    DrawRow,
    EvidenceRow,
    FaultRow,
    ForecastRow,
    OverrideRow,
    OverrideTraceRow,
    PlanRow,
    PriceRow,
    ReadingRow,
    ScoreRow,
    SettingsRow,
    SignalRow,
    ThinnedRow,
    WatchedRow,
)

_EXPORTED: tuple[type[SQLModel], ...] = (
    ReadingRow,
    ThinnedRow,
    WatchedRow,
    DrawRow,
    DecisionRow,
    PlanRow,
    ForecastRow,
    ScoreRow,
    SettingsRow,
    OverrideRow,
    OverrideTraceRow,
    FaultRow,
    EvidenceRow,
    PriceRow,
)
_LEFT_OUT = {"home_id", "whole", "means", "delay_us"}  # numbers and blobs of use to nobody else
_AT_ONCE = 2000
_FORMULA = ("=", "+", "-", "@")  # a spreadsheet would work out a note that begins so (CWE-1236)
_HEADINGS = {"signal_id": "signal", "measured_us": "measured", "start_s": "start", "end_s": "end"}


def export_csv(database: Database, home_id: int, folder: Path) -> list[Path]:
    """Write one CSV file a table into ``folder``; the files, in order.

    Times are ISO 8601 in UTC, signals go by name, what has parts is JSON. Text that a spreadsheet
    would take for a formula has an apostrophe before it.

    Raises:
        RecordsError: when it cannot be written.
    """
    written = []
    where = f"export to {folder}"
    with explained(where):
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except (FileExistsError, NotADirectoryError):
            mend = "Name a folder, which is made if it is not there."
            raise RecordsError("unwritable", "a file stands in its place", where, mend) from None
        for name, lines in _tables(database, home_id):
            path = folder / name
            with path.open("w", newline="", encoding="utf-8") as file:
                csv.writer(file).writerows(lines)
            written.append(path)
    return written


def export_zip(database: Database, home_id: int, archive: IO[bytes]) -> None:
    """The files of ``export_csv`` as a zip archive, which is a twentieth of their size.

    Raises:
        RecordsError: when it cannot be written.
    """
    with explained("export"), ZipFile(archive, "w", ZIP_DEFLATED) as packed:
        for name, lines in _tables(database, home_id):
            with (
                packed.open(name, "w", force_zip64=True) as member,
                TextIOWrapper(member, encoding="utf-8", newline="") as file,
            ):
                csv.writer(file).writerows(lines)


def _tables(database: Database, home_id: int) -> Iterator[tuple[str, Iterator[Iterable[Any]]]]:
    """Each table's file name and its lines, all of one moment."""
    with database.read() as session:
        signals = table_of(SignalRow).c
        rows = session.connection().execute(
            select(signals.id, signals.name).where(signals.home_id == home_id)
        )
        names = {row.id: row.name for row in rows}
        for model in _EXPORTED:
            table = table_of(model)
            yield f"{table.name}.csv", _lines(session, table, home_id, names)


def _lines(
    session: Session, table: Table, home_id: int, names: dict[int, str]
) -> Iterator[Iterable[Any]]:
    columns = [column for column in table.columns if column.name not in _LEFT_OUT]
    yield [_heading(column) for column in columns]
    wanted = select(*columns).order_by(*table.primary_key.columns)
    found = session.connection().execute(
        _of_home(wanted, table, home_id), execution_options={"yield_per": _AT_ONCE}
    )
    told = [_teller(column, names) for column in columns]
    for row in found:  # millions of them: what a column holds is looked at once, not in each row
        yield [tell(value) if tell else value for tell, value in zip(told, row, strict=True)]


def _of_home(wanted: Select[Any], table: Table, home_id: int) -> Select[Any]:
    if "home_id" in table.c:
        return wanted.where(table.c.home_id == home_id)
    overrides = table_of(OverrideRow)
    return wanted.join(overrides, table.c.override_id == overrides.c.id).where(
        overrides.c.home_id == home_id
    )


def _heading(column: Column[Any]) -> str:
    return _HEADINGS.get(column.name, column.name)


def _teller(column: Column[Any], names: dict[int, str]) -> Callable[[Any], Any] | None:
    """What makes a column's values fit for a file; None where they are."""
    if column.name == "signal_id":
        return lambda number: names.get(number, number)
    if column.name == "measured_us":
        return lambda us: from_us(us).isoformat()
    if column.name in ("start_s", "end_s"):
        return lambda second: datetime.fromtimestamp(second, UTC).isoformat()
    if isinstance(column.type, Float | Integer | Boolean):
        return None
    return _told


def _told(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, (dict, list)):
        return json.dumps(value)
    if isinstance(value, str) and value.startswith(_FORMULA):
        return f"'{value}"
    return value
