"""Readings: stored in batches, read back in order, thinned with age."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from sqlalchemy import ColumnElement, Table, delete, func, literal_column, select, text
from sqlalchemy.dialects import postgresql, sqlite
from sqlmodel import Session, SQLModel, col
from sqlmodel import select as choose

from adapters.types import Reading
from service.records.tables import LATE_US, ReadingRow, ThinnedRow, WatchedRow

STAMPED, TELLS_NOW = 1, 2
SILENCE_S = 1800  # a silence longer than this is a gap in the watch
WATCH_STEP_S = 600  # the end of the watch is written down this often, to spare the card
DAY_S = 86_400

Span = Literal[300, 1800]


@dataclass(frozen=True, slots=True)
class Stretch:
    """Readings of one signal over a span, or a single raw one (``span_s`` 0, ``count`` 1)."""

    signal: str
    start_s: float
    span_s: int
    mean: float
    least: float
    greatest: float
    count: int


def micros(seconds: float) -> int:
    """Whole microseconds of ``seconds`` since 1970."""
    return round(seconds * 1e6)


def table_of(model: type[SQLModel]) -> Table:
    """The table behind a model, for work in bulk."""
    table: Table = model.__table__  # type: ignore[attr-defined]
    return table


def upsert(session: Session, table: type[Any]) -> Any:
    """An INSERT that can say what to do on a conflict, in the dialect at hand."""
    dialect = sqlite if session.get_bind().dialect.name == "sqlite" else postgresql
    return dialect.insert(table)


def add(session: Session, home_id: int, signals: dict[str, int], batch: Sequence[Reading]) -> int:
    """Insert what is not there yet (same signal, same stamp); how many were new."""
    rows = []
    for reading in batch:
        measured = micros(reading.measured_s)
        rows.append(
            {
                "home_id": home_id,
                "measured_us": measured,
                "signal_id": signals[reading.signal],
                "value": float(reading.value),
                "delay_us": micros(reading.received_s) - measured,
                "flags": STAMPED * reading.stamped + TELLS_NOW * reading.tells_now,
            }
        )
    put = upsert(session, ReadingRow).on_conflict_do_nothing()
    connection = session.connection()
    if connection.dialect.name == "sqlite":
        done: Any = connection.execute(put, rows)
        return int(done.rowcount)
    # A server's driver does not count over many rows; what was inserted comes back instead.
    return len(connection.execute(put.returning(table_of(ReadingRow).c.signal_id), rows).all())


def since(
    session: Session, home_id: int, names: dict[int, str], home: str, after_us: int
) -> list[Reading]:
    """Every reading that arrived after ``after_us``, in order of arrival.

    Found through the clustering by stamp for what was on time, and through the index of late
    ones for the rest. That one must not be asked for stamps: SQLite would go by the clustering
    again, through every reading there is.
    """
    c = table_of(ReadingRow).c
    columns = (c.measured_us, c.signal_id, c.value, c.delay_us, c.flags)
    edge = after_us - LATE_US
    connection = session.connection()
    on_time = connection.execute(
        select(*columns).where(
            c.home_id == home_id, c.measured_us + c.delay_us > after_us, c.measured_us >= edge
        )
    ).all()
    late = connection.execute(
        select(*columns).where(
            c.home_id == home_id,
            literal_column("(measured_us + delay_us)") > after_us,
            text(f"delay_us > {LATE_US}"),
        )
    ).all()
    older = (r for r in late if r[0] < edge)
    found = sorted([*on_time, *older], key=lambda r: (r[0] + r[3], r[0], r[1]))
    return [
        Reading(
            home=home,
            signal=names[signal],
            value=value,
            measured_s=measured / 1e6,
            received_s=(measured + delay) / 1e6,
            stamped=bool(flags & STAMPED),
            tells_now=bool(flags & TELLS_NOW),
        )
        for measured, signal, value, delay, flags in found
    ]


def spans_of(stamps_s: Iterable[float]) -> list[tuple[int, int]]:
    """Stretches of ``stamps_s`` without a silence longer than ``SILENCE_S``."""
    spans: list[tuple[int, int]] = []
    for stamp in sorted({int(s) for s in stamps_s}):
        if spans and stamp - spans[-1][1] <= SILENCE_S:
            spans[-1] = (spans[-1][0], stamp)
        else:
            spans.append((stamp, stamp))
    return spans


def watch(session: Session, home_id: int, start_s: int, end_s: int) -> tuple[int, int]:
    """Note that the home was watched over [start_s, end_s]; the stretch it now belongs to."""
    near = session.exec(
        choose(WatchedRow).where(
            col(WatchedRow.home_id) == home_id,
            col(WatchedRow.start_s) <= end_s + SILENCE_S,
            col(WatchedRow.end_s) >= start_s - SILENCE_S,
        )
    ).all()
    first = min([start_s, *(row.start_s for row in near)])
    last = max([end_s, *(row.end_s for row in near)])
    if len(near) == 1 and near[0].start_s == first:
        near[0].end_s = last
        return first, last
    for row in near:
        session.delete(row)
    session.flush()
    session.add(WatchedRow(home_id=home_id, start_s=first, end_s=last))
    return first, last


def thin_day(session: Session, home_id: int, from_s: int, until_s: int, span_s: Span) -> int:
    """Fold what lies in [from_s, until_s) into means over ``span_s``; how many rows went.

    Raw readings become five minutes, five minutes become half hours. A reading that turns up
    later for a stretch that was folded already is merged into it.
    """
    thinned = table_of(ThinnedRow)
    source = table_of(ReadingRow) if span_s == 300 else thinned
    c = source.c
    start: ColumnElement[Any]
    mean: ColumnElement[Any]
    count: ColumnElement[Any]
    here: tuple[ColumnElement[bool], ...]
    if span_s == 300:
        unit = 1_000_000
        start = literal_column(f"(measured_us / {span_s * unit}) * {span_s}")
        mean, least, greatest = func.avg(c.value), func.min(c.value), func.max(c.value)
        count = func.count()
        here = (c.measured_us >= from_s * unit, c.measured_us < until_s * unit)
    else:
        start = literal_column(f"(start_s / {span_s}) * {span_s}")
        count = func.sum(c["count"])
        mean, least = func.sum(c["mean"] * c["count"]) / count, func.min(c.least)
        greatest = func.max(c.greatest)
        here = (c.start_s >= from_s, c.start_s < until_s, c.span_s == 300)
    folded = (
        select(
            literal_column(str(home_id)),
            literal_column(str(span_s)),
            start,
            c.signal_id,
            mean,
            least,
            greatest,
            count,
        )
        .where(c.home_id == home_id, *here)
        .group_by(start, c.signal_id)
    )
    put = upsert(session, ThinnedRow).from_select([column.name for column in thinned.c], folded)
    old, new = thinned.c, put.excluded
    both = old["count"] + new["count"]
    connection = session.connection()
    server = connection.dialect.name != "sqlite"
    connection.execute(
        put.on_conflict_do_update(
            index_elements=["home_id", "span_s", "start_s", "signal_id"],
            set_={
                "mean": (old["mean"] * old["count"] + new["mean"] * new["count"]) / both,
                "least": (func.least if server else func.min)(old.least, new.least),
                "greatest": (func.greatest if server else func.max)(old.greatest, new.greatest),
                "count": both,
            },
        )
    )
    gone: Any = connection.execute(delete(source).where(c.home_id == home_id, *here))
    return int(gone.rowcount)
