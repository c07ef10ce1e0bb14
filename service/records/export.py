"""Everything about one home as CSV, for the household to keep or to read elsewhere."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Column, Select, Table, select
from sqlmodel import Session, SQLModel

from service.records.columns import from_us
from service.records.database import Database
from service.records.errors import RecordsError, explained
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
        with database.read() as session:
            signals = table_of(SignalRow).c
            rows = session.connection().execute(
                select(signals.id, signals.name).where(signals.home_id == home_id)
            )
            names = {row.id: row.name for row in rows}
            for model in _EXPORTED:
                table = table_of(model)
                path = folder / f"{table.name}.csv"
                with path.open("w", newline="", encoding="utf-8") as file:
                    writer = csv.writer(file)
                    writer.writerows(_lines(session, table, home_id, names))
                written.append(path)
    return written


def _lines(
    session: Session, table: Table, home_id: int, names: dict[int, str]
) -> Iterator[list[Any]]:
    columns = [column for column in table.columns if column.name not in _LEFT_OUT]
    yield [_heading(column) for column in columns]
    wanted = select(*columns).order_by(*table.primary_key.columns)
    found = session.connection().execute(
        _of_home(wanted, table, home_id), execution_options={"yield_per": _AT_ONCE}
    )
    for row in found:
        yield [_cell(column, value, names) for column, value in zip(columns, row, strict=True)]


def _of_home(wanted: Select[Any], table: Table, home_id: int) -> Select[Any]:
    if "home_id" in table.c:
        return wanted.where(table.c.home_id == home_id)
    overrides = table_of(OverrideRow)
    return wanted.join(overrides, table.c.override_id == overrides.c.id).where(
        overrides.c.home_id == home_id
    )


def _heading(column: Column[Any]) -> str:
    return _HEADINGS.get(column.name, column.name)


def _cell(column: Column[Any], value: Any, names: dict[int, str]) -> Any:
    if column.name == "signal_id":
        return names.get(value, value)
    if column.name == "measured_us":
        return from_us(value).isoformat()
    if column.name in ("start_s", "end_s"):
        return datetime.fromtimestamp(value, UTC).isoformat()
    if isinstance(value, (dict, list)):
        return json.dumps(value)
    if isinstance(value, str) and value.startswith(_FORMULA):
        return f"'{value}"
    return value.isoformat() if isinstance(value, datetime) else value
