"""Disk taken after a year of twelve signals each ten seconds, thinned as the service thins."""

from __future__ import annotations

import tempfile
from datetime import UTC, datetime
from pathlib import Path

from service.records.records import Records
from service.settings import Keeping
from tests.benchmarks.disk import DAY_S, EVERY_S, VALUE_BYTES, live_a_day
from tests.benchmarks.frame import Figure, Result, at_most

DAY_US = DAY_S * 1_000_000
# Every table that grows from day to day, and its columns that hold a time.
TIMES = {
    "readings": ("measured_us",),
    "draws": ("start", "end"),
    "decisions": ("at",),
    "plans": ("made_at", "until"),
    "forecasts": ("made_at", "until"),
}


def run(long: bool = False) -> Result:
    """One day is lived; its rows are laid down again for each day that follows, and thinned."""
    days = 365 if long else 40
    keeping = Keeping()
    sizes: dict[int, int] = {}
    with tempfile.TemporaryDirectory() as name:
        day = live_a_day(Path(name))
        records, written = day.records, day.records.bytes_written()
        start_us = int(day.start_s) * 1_000_000
        with records.database.write() as session:  # the demo's history is not this home's year
            session.connection().exec_driver_sql(f"DELETE FROM draws WHERE start < {start_us}")
        for later in range(1, days):
            _again(records, start_us, later)
            records.thin(datetime.fromtimestamp(day.start_s + (later + 1) * DAY_S, UTC), keeping)
            sizes[later + 1] = records.size_bytes()
        rows = {table: _count(records, table) for table in (*TIMES, "readings_thinned")}
        written = records.bytes_written() - written
        records.close()
    after_raw = sizes[int(keeping.raw_days) + 6]
    return Result(
        "the bare values of a year: a moment and a number of eight bytes each",
        (
            at_most(f"on the disk after {days} days", sizes[days] / 1e6, 400.0, "MB"),
            Figure(f"on the disk after {int(keeping.raw_days) + 6} days", after_raw / 1e6, "MB"),
            Figure(
                "growth over the last thirty days",
                (sizes[days] - sizes[max(days - 30, min(sizes))]) / 1e6,
                "MB",
            ),
            Figure(
                "against the bare values",
                sizes[days] / (day.values * VALUE_BYTES * days),
                "times",
            ),
            Figure("written by thinning and laying down", written / 1e6 / (days - 1), "MB/day"),
            *(Figure(f"rows of {table}", count) for table, count in rows.items()),
        ),
        (
            f"raw for {keeping.raw_days:g} days, five minutes up to {keeping.five_minutes_days:g} "
            "days, half hours for good",
            "draws, decisions, plans' windows and forecasts' means are kept for good",
        ),
        {"days": days, "signals": day.signals, "every_s": EVERY_S},
    )


def _again(records: Records, start_us: int, later: int) -> None:
    """The first day's rows, so many days later."""
    shift = later * DAY_US
    end_us = start_us + DAY_US
    with records.database.write() as session:
        connection = session.connection()
        for table, times in TIMES.items():
            found = connection.exec_driver_sql(f"PRAGMA table_info({table})").fetchall()
            names = [row[1] for row in found]
            given = ", ".join(f'"{n}" + {shift}' if n in times else f'"{n}"' for n in names)
            columns = ", ".join(f'"{n}"' for n in names)
            if later == 1:
                connection.exec_driver_sql(
                    f"CREATE TEMP TABLE day_{table} AS SELECT * FROM {table} "
                    f'WHERE "{times[0]}" >= {start_us} AND "{times[0]}" < {end_us}'
                )
            connection.exec_driver_sql(
                f"INSERT OR IGNORE INTO {table} ({columns}) SELECT {given} FROM day_{table}"
            )


def _count(records: Records, table: str) -> int:
    with records.database.read() as session:
        found = session.connection().exec_driver_sql(f"SELECT count(*) FROM {table}").scalar_one()
    return int(found)
