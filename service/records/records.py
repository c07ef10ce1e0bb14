"""Everything that is kept: one object, safe to call from any thread, with one writer."""

from __future__ import annotations

import dataclasses
import zlib
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import IO, Any, TypeVar

from sqlalchemy import delete, func, literal, tuple_, update
from sqlalchemy import select as pick
from sqlmodel import Session, SQLModel, col, select

from adapters.types import PriceSeries, Reading, SeriesOf
from forecasting.types import DrawHistory
from service.control import draw_history
from service.control.types import (
    Decision,
    Draw,
    HygieneEvidence,
    Outputs,
    Override,
)
from service.records import export, readings, rows
from service.records.columns import UtcTime, from_us, to_us
from service.records.database import Database
from service.records.homes import Homes
from service.records.idempotency import IdempotencyKeys
from service.records.readings import Span, Stretch, table_of
from service.records.tables import (
    DecisionRow,
    DrawRow,
    EvidenceRow,
    FaultRow,
    ForecastRow,
    HomeRow,
    OverrideRow,
    OverrideTraceRow,
    PlanRow,
    PriceRow,
    ReadingRow,
    ScoreRow,
    SettingsRow,
    SignalRow,
    SnapshotRow,
    ThinnedRow,
    WatchedRow,
)
from service.records.tokens import Tokens
from service.records.values import (
    Cursor,
    FaultRecord,
    OverrideEvent,
    Page,
    Score,
    SettingsVersion,
    Snapshot,
    StoredForecast,
    StoredPlan,
    Thinned,
)
from service.settings import HomeSettings, HomeWiring, Keeping, Tunables

R = TypeVar("R", bound=SQLModel)
T = TypeVar("T")

SNAPSHOTS_KEPT = 5
PRICES_KEPT = timedelta(days=400)
PAGE = 100


class Records:
    """The records of every home in one database.

    Each method that writes is one transaction: after it returns, what it wrote survives a kill
    and a power cut; when it raises ``RecordsError``, nothing of it was stored.
    """

    def __init__(self, database: Database) -> None:
        self.database = database
        self._homes = Homes(database)
        self.tokens = Tokens(database, self._homes)
        self.idempotency = IdempotencyKeys(database, self._homes)
        self.last_commit_at: datetime | None = None
        self._signals: dict[int, dict[str, int]] = {}
        self._watched: dict[int, tuple[int, int]] = {}

    @classmethod
    def open(
        cls, url: str, *, make: bool = True, alone: bool = False, migrate: bool = True
    ) -> Records:
        """Open an SQLAlchemy URL; what ``Database`` takes.

        Args:
            url: where it is.
            make: whether a file that is not there yet is made.
            alone: whether this is a service, of which there is one to a database.
            migrate: whether its tables are brought up to date.

        Raises:
            RecordsError: when it is damaged, another program's, newer than this, unwritable, or
                another service's.
        """
        return cls(Database(url, make=make, alone=alone, migrate=migrate))

    def keep_alone(self) -> None:
        """Make sure that this is still the only service here. RecordsError when it is not."""
        self.database.keep_alone()

    def close(self) -> None:
        """Close the database."""
        self.database.close()

    @contextmanager
    def together(self) -> Iterator[None]:
        """Whatever this thread writes within it is stored as one, or not at all."""
        with self.database.write():
            yield

    def once_stored(self, action: Callable[[], object]) -> None:
        """Do it when ``together`` is stored; at once outside of it."""
        self.database.once_stored(action)

    def size_bytes(self) -> int:
        """Bytes the database takes on the disk."""
        return self.database.size_bytes()

    def bytes_written(self) -> int:
        """Bytes handed to the operating system by commits since opening (Linux; else 0)."""
        return self.database.bytes_written

    # homes and signals

    def home_id(self, home: str) -> int:
        """The number of a home, given to it on first use."""
        return self._homes.number(home)

    def homes(self) -> list[str]:
        """Every home of which anything is kept, wired now or not, in the order they came."""
        return self._homes.names()

    def _signal_ids(self, session: Session, home_id: int, names: Iterable[str]) -> dict[str, int]:
        known = self._signals.get(home_id, {})
        missing = sorted(set(names) - known.keys())
        if not missing:
            return known
        stored = select(SignalRow).where(SignalRow.home_id == home_id)
        known = {row.name: row.id or 0 for row in session.exec(stored).all()}
        for name in missing:
            if name not in known:
                row = SignalRow(home_id=home_id, name=name)
                session.add(row)
                session.flush()
                known[name] = row.id or 0
        return known

    def _signal_names(self, session: Session, home_id: int) -> dict[int, str]:
        found = session.exec(select(SignalRow).where(SignalRow.home_id == home_id)).all()
        return {row.id or 0: row.name for row in found}

    # readings

    def add_readings(
        self, home: str, batch: Sequence[Reading], watched_s: Iterable[float] | None = None
    ) -> int:
        """Store a batch in one commit; how many were new.

        A reading of the same signal with the same stamp as one that is there is passed over.
        ``watched_s``: moments, s since 1970, at which draws would have been seen; None: at all of
        the readings.
        """
        if not batch:
            return 0
        home_id = self.home_id(home)
        seen = [r.measured_s for r in batch] if watched_s is None else watched_s
        with self.database.write() as session:
            signals = self._signal_ids(session, home_id, (r.signal for r in batch))
            new = readings.add(session, home_id, signals, batch)
            watched = self._watched.get(home_id)
            for start, end in readings.spans_of(seen):
                if watched is None or not (
                    watched[0] <= start and end < watched[1] + readings.WATCH_STEP_S
                ):
                    watched = readings.watch(session, home_id, start, end)
        self._signals[home_id] = signals
        if watched is not None:
            self._watched[home_id] = watched
        self.last_commit_at = datetime.now(UTC)
        return new

    def readings_since(
        self, home: str, after: datetime, until: datetime | None = None
    ) -> list[Reading]:
        """Every reading that arrived in (after, until], in order of arrival, for a replay.

        Stamps come back rounded to whole microseconds.
        """
        home_id = self.home_id(home)
        with self.database.read() as session:
            names = self._signal_names(session, home_id)
            found = readings.since(session, home_id, names, home, to_us(after))
        return found if until is None else [r for r in found if r.received_s <= until.timestamp()]

    def stretches(
        self,
        home: str,
        since: datetime,
        until: datetime,
        *,
        span_s: Span | None = None,
        signals: Collection[str] | None = None,
        after: Cursor | None = None,
        limit: int = PAGE,
    ) -> Page[Stretch]:
        """Readings in [since, until): raw ones (``span_s`` None) or thinned, oldest first."""
        home_id = self.home_id(home)
        c = table_of(ReadingRow if span_s is None else ThinnedRow).c
        unit = 1_000_000 if span_s is None else 1
        time = c.measured_us if span_s is None else c.start_s
        figures = (
            (c.value, c.value, c.value)
            if span_s is None
            else (c["mean"], c.least, c.greatest, c["count"])
        )
        wanted = pick(time, c.signal_id, *figures).where(
            c.home_id == home_id,
            time >= to_us(since) // (1_000_000 // unit),
            time < to_us(until) // (1_000_000 // unit),
        )
        if span_s is not None:
            wanted = wanted.where(c.span_s == span_s)
        if after is not None:
            wanted = wanted.where(tuple_(time, c.signal_id) > tuple_(*_ints(after, 2)))
        with self.database.read() as session:
            names = self._signal_names(session, home_id)
            if signals is not None:
                wanted = wanted.where(
                    c.signal_id.in_([n for n, s in names.items() if s in signals])
                )
            found = (
                session.connection().execute(wanted.order_by(time, c.signal_id).limit(limit + 1))
            ).all()
        more = len(found) > limit
        found = found[:limit]
        items = tuple(
            Stretch(names[r[1]], r[0] / unit, span_s or 0, r[2], r[3], r[4], r[5] if span_s else 1)
            for r in found
        )
        return Page(items, (found[-1][0], found[-1][1]) if more else None)

    def thin(self, now: datetime, keeping: Keeping | None = None) -> Thinned:
        """Fold readings that are old enough, drop the bulk of old plans and forecasts.

        One day of one home at a time, so that neither the log grows nor readings wait.
        """
        keeping = keeping or Keeping()
        raw = five = 0
        with self.database.read() as session:
            homes = [row.id or 0 for row in session.exec(select(HomeRow)).all()]
        for home_id in homes:
            raw += self._fold(home_id, 300, now - timedelta(days=keeping.raw_days))
            five += self._fold(home_id, 1800, now - timedelta(days=keeping.five_minutes_days))
        gone = []
        for row in (PlanRow, ForecastRow):
            c = table_of(row).c
            old = (c.made_at < now - timedelta(days=keeping.raw_days), c.whole.is_not(None))
            with self.database.write() as session:
                done: Any = session.connection().execute(
                    update(table_of(row)).where(*old).values(whole=None)
                )
                gone.append(int(done.rowcount))
        with self.database.write() as session:
            session.connection().execute(
                delete(PriceRow).where(col(PriceRow.end) < now - PRICES_KEPT)
            )
        self.idempotency.clean(datetime.now(UTC))
        return Thinned(raw, five, gone[0], gone[1])

    def _fold(self, home_id: int, span_s: Span, older_than: datetime) -> int:
        c = table_of(ReadingRow if span_s == 300 else ThinnedRow).c
        first = func.min(c.measured_us if span_s == 300 else c.start_s)
        here = [c.home_id == home_id]
        if span_s == 1800:
            here.append(c.span_s == 300)
        unit = 1_000_000 if span_s == 300 else 1
        edge = int(older_than.timestamp()) // 1800 * 1800
        gone = 0
        while True:
            with self.database.write() as session:
                found = session.connection().execute(pick(first).where(*here)).scalar_one()
                if found is None or found // unit >= edge:
                    return gone
                start = found // unit // 1800 * 1800
                until = min(edge, (start // readings.DAY_S + 1) * readings.DAY_S)
                gone += readings.thin_day(session, home_id, start, until, span_s)

    # what a step gives

    def store(self, home: str, outputs: Outputs) -> None:
        """Keep the draws, decision, plan, forecast, faults and evidence of one step, if any."""
        kept = (outputs.draws, outputs.faults, outputs.evidence)
        single = (outputs.decision, outputs.plan_made, outputs.forecast_made)
        if not any(kept) and all(part is None for part in single):
            return
        home_id = self.home_id(home)
        with self.database.write() as session:
            for draw in outputs.draws:
                session.merge(rows.draw_row(home_id, draw, invented=False))
            for fault in outputs.faults:
                rows.keep_fault(session, home_id, fault)
            for evidence in outputs.evidence:
                session.merge(EvidenceRow(home_id=home_id, **rows.fields_of(evidence)))
            if outputs.decision is not None:
                session.merge(rows.decision_row(home_id, outputs.decision))
            if outputs.plan_made is not None:
                session.merge(rows.plan_row(home_id, outputs.plan_made))
            if outputs.forecast_made is not None:
                session.merge(rows.forecast_row(home_id, outputs.forecast_made))

    def save_snapshot(self, home: str, at: datetime, version: int, state: bytes) -> None:
        """Keep control's state; of the older ones only the last few stay.

        What is dated later is older too, from a clock that was ahead: it would pass for newer.
        """
        home_id = self.home_id(home)
        with self.database.write() as session:
            packed = zlib.compress(state, 6)
            session.connection().execute(
                delete(SnapshotRow).where(
                    col(SnapshotRow.home_id) == home_id, col(SnapshotRow.at) > at
                )
            )
            session.merge(SnapshotRow(home_id=home_id, at=at, version=version, state=packed))
            session.flush()
            c = table_of(SnapshotRow).c
            newest = (
                pick(c.at).where(c.home_id == home_id).order_by(c.at.desc()).limit(SNAPSHOTS_KEPT)
            )
            session.connection().execute(
                delete(SnapshotRow).where(c.home_id == home_id, c.at.not_in(newest))
            )

    def snapshots(self, home: str) -> list[Snapshot]:
        """The snapshots that are kept, newest first; one that cannot be unpacked is left out."""
        home_id = self.home_id(home)
        kept = []
        with self.database.read() as session:
            wanted = select(SnapshotRow).where(SnapshotRow.home_id == home_id)
            for row in session.exec(wanted.order_by(col(SnapshotRow.at).desc())).all():
                try:
                    kept.append(Snapshot(row.at, row.version, zlib.decompress(row.state)))
                except zlib.error:
                    continue
        return kept

    def load_snapshot(self, home: str, version: int | None = None) -> Snapshot | None:
        """The newest snapshot (whose form is ``version``), or None."""
        fitting = (s for s in self.snapshots(home) if version is None or s.version == version)
        return next(fitting, None)

    # draws

    def import_draws(
        self,
        home: str,
        draws: Iterable[Draw],
        watched_from: datetime,
        watched_to: datetime,
        invented: bool = False,
    ) -> int:
        """Take over draws from elsewhere, and the span in which they were watched."""
        home_id = self.home_id(home)
        found = [rows.fields_of(rows.draw_row(home_id, draw, invented)) for draw in draws]
        with self.database.write() as session:
            if found:
                put = readings.upsert(session, DrawRow)
                session.connection().execute(put.on_conflict_do_nothing(), found)
            readings.watch(
                session, home_id, int(watched_from.timestamp()), int(watched_to.timestamp())
            )
        self._watched.pop(home_id, None)
        return len(found)

    def has_invented(self, home: str) -> bool:
        """True when some of a home's draws were invented for the demo."""
        home_id = self.home_id(home)
        with self.database.read() as session:
            wanted = select(DrawRow.home_id).where(
                DrawRow.home_id == home_id, col(DrawRow.invented)
            )
            return session.exec(wanted.limit(1)).first() is not None

    def draw_history(self, home: str, since: datetime) -> DrawHistory:
        """The draws from ``since`` on, and when the home was watched meanwhile."""
        home_id = self.home_id(home)
        c = table_of(DrawRow).c
        wanted = (
            pick(c.start, c.end, c.litres, c.kwh, c.litres_40c, c.measured_by)
            .where(c.home_id == home_id, c.start >= since)
            .order_by(c.start)
        )
        from_s = int(since.timestamp())
        with self.database.read() as session:
            found = [Draw(*row) for row in session.connection().execute(wanted)]
            spans = session.exec(
                select(WatchedRow)
                .where(WatchedRow.home_id == home_id, col(WatchedRow.end_s) >= from_s)
                .order_by(col(WatchedRow.start_s))
            ).all()
            newest = session.exec(
                select(func.max(ReadingRow.measured_us)).where(ReadingRow.home_id == home_id)
            ).one()
        stretches = [[max(from_s, span.start_s), span.end_s] for span in spans]
        if stretches and newest is not None:
            latest = newest // 1_000_000
            if stretches[-1][1] < latest <= stretches[-1][1] + readings.SILENCE_S:
                stretches[-1][1] = latest
        begin_s, end_s = (stretches[0][0], stretches[-1][1]) if stretches else (from_s, from_s)
        return draw_history.of(
            found, begin_s, end_s, [[a[1], b[0]] for a, b in pairwise(stretches)]
        )

    def unwatched(
        self, home: str, since: datetime, until: datetime
    ) -> tuple[tuple[datetime, datetime], ...]:
        """The spans between readings, longer than half an hour, that lie in [since, until)."""
        home_id = self.home_id(home)
        c = table_of(WatchedRow).c
        wanted = pick(c.start_s, c.end_s).where(c.home_id == home_id).order_by(c.start_s)
        with self.database.read() as session:
            spans = session.connection().execute(wanted).all()
        gaps = ((from_us(a[1] * 1_000_000), from_us(b[0] * 1_000_000)) for a, b in pairwise(spans))
        return tuple((begin, end) for begin, end in gaps if end > since and begin < until)

    def draws(
        self,
        home: str,
        since: datetime | None = None,
        until: datetime | None = None,
        after: Cursor | None = None,
        limit: int = PAGE,
        *,
        doubtful: bool = False,
        least_l: float = 0.0,
    ) -> Page[Draw]:
        """Draws that began in [since, until), newest first; ``doubtful`` ones only when asked.

        ``least_l``: those of fewer litres, as metered, are left out.
        """
        c = table_of(DrawRow).c
        where = [*_between(c.start, since, until), c.litres >= least_l]
        if not doubtful:
            where.append(c.measured_by != "doubtful")
        return self._page(DrawRow, home, ("start",), rows.draw, *where, after=after, limit=limit)

    # settings

    def settings(self, home: str) -> SettingsVersion | None:
        """The version in force, or None for a new home.

        It is the one made last: what its time of effect says of that depends on a clock that may
        be behind since the machine booted.
        """
        home_id = self.home_id(home)
        with self.database.read() as session:
            wanted = select(SettingsRow).where(SettingsRow.home_id == home_id)
            row = session.exec(wanted.order_by(col(SettingsRow.version).desc()).limit(1)).first()
            return None if row is None else rows.settings_version(row)

    def in_force(self, wiring: HomeWiring) -> HomeSettings:
        """A home's settings: those on record, or for a new home its first values as version 0."""
        kept = self.settings(wiring.id) if wiring.id in self.homes() else None
        if kept is None:
            return HomeSettings(wiring=wiring, tunables=wiring.first)
        return HomeSettings(wiring=wiring, tunables=kept.tunables, version=kept.version)

    def add_settings(
        self,
        home: str,
        tunables: Tunables,
        author: str,
        made_at: datetime,
        *,
        reason: str = "",
    ) -> SettingsVersion:
        """Store a new version, in force from now on; its number is one more than the last."""
        home_id = self.home_id(home)
        with self.database.write() as session:
            newest = session.exec(
                select(func.max(SettingsRow.version)).where(SettingsRow.home_id == home_id)
            ).one()
            row = SettingsRow(
                home_id=home_id,
                version=(newest or 0) + 1,
                author=author,
                made_at=made_at,
                effective_from=made_at,
                reason=reason,
                tunables=tunables.model_dump(mode="json"),
            )
            session.add(row)
            return rows.settings_version(row)

    def settings_versions(
        self, home: str, after: Cursor | None = None, limit: int = PAGE
    ) -> Page[SettingsVersion]:
        """Every version, newest first."""
        return self._page(
            SettingsRow, home, ("version",), rows.settings_version, after=after, limit=limit
        )

    # overrides

    def add_override(self, home: str, override: Override) -> Override:
        """Store a wish; what comes back carries the number it was given."""
        home_id = self.home_id(home)
        with self.database.write() as session:
            fields = rows.fields_of(override) | {"id": None, "wish": str(override.wish)}
            row = OverrideRow(home_id=home_id, **fields)
            session.add(row)
            session.flush()
            number = row.id or 0
            made = OverrideEvent(override.made_at, "made", override.author, {})
            rows.trace(session, number, made)
        return dataclasses.replace(override, id=number)

    def end_override(self, home: str, override_id: int, at: datetime, by: str) -> Override:
        """End a wish before its time; one that has ended already is left as it is.

        Raises:
            KeyError: when this home has no such override.
        """
        home_id = self.home_id(home)
        with self.database.write() as session:
            row = session.get(OverrideRow, override_id)
            if row is None or row.home_id != home_id:
                raise KeyError(override_id)
            if row.ended_at is None:
                row.ended_at, row.ended_by = at, by
                rows.trace(session, override_id, OverrideEvent(at, "ended", by, {}))
            return rows.override(row)

    def trace_override(self, home: str, override_id: int, line: OverrideEvent) -> None:
        """Add a line to an override's trace. Raises KeyError when there is no such override."""
        home_id = self.home_id(home)
        with self.database.write() as session:
            row = session.get(OverrideRow, override_id)
            if row is None or row.home_id != home_id:
                raise KeyError(override_id)
            rows.trace(session, override_id, line)

    def override(self, home: str, override_id: int) -> tuple[Override, tuple[OverrideEvent, ...]]:
        """One override with its trace. Raises KeyError when this home has no such override."""
        home_id = self.home_id(home)
        with self.database.read() as session:
            row = session.get(OverrideRow, override_id)
            if row is None or row.home_id != home_id:
                raise KeyError(override_id)
            lines = session.exec(
                select(OverrideTraceRow)
                .where(OverrideTraceRow.override_id == override_id)
                .order_by(col(OverrideTraceRow.id))
            ).all()
            return rows.override(row), tuple(
                OverrideEvent(line.at, line.event, line.by, line.facts) for line in lines
            )

    def live_overrides(self, home: str, at: datetime) -> tuple[Override, ...]:
        """The wishes that have not ended at ``at``, in the order they were made."""
        home_id = self.home_id(home)
        with self.database.read() as session:
            found = session.exec(
                select(OverrideRow)
                .where(
                    OverrideRow.home_id == home_id,
                    col(OverrideRow.ended_at).is_(None),
                    col(OverrideRow.until).is_(None) | (col(OverrideRow.until) > at),
                )
                .order_by(col(OverrideRow.id))
            ).all()
            return tuple(rows.override(row) for row in found)

    def overrides(
        self, home: str, after: Cursor | None = None, limit: int = PAGE
    ) -> Page[Override]:
        """Every wish ever made, newest first."""
        return self._page(OverrideRow, home, ("id",), rows.override, after=after, limit=limit)

    # the rest of what was kept

    def decisions(
        self,
        home: str,
        since: datetime | None = None,
        until: datetime | None = None,
        after: Cursor | None = None,
        limit: int = PAGE,
    ) -> Page[Decision]:
        """Changes of mind in [since, until), newest first."""
        where = _between(table_of(DecisionRow).c.at, since, until)
        return self._page(
            DecisionRow,
            home,
            ("at",),
            partial(rows.decision, home),
            *where,
            after=after,
            limit=limit,
        )

    def faults(
        self,
        home: str,
        lasting: bool = False,
        after: Cursor | None = None,
        limit: int = PAGE,
    ) -> Page[FaultRecord]:
        """Faults, newest first; ``lasting``: only those that are not over."""
        where = [table_of(FaultRow).c.cleared_at.is_(None)] if lasting else []
        key = ("since", "code", "subject")
        return self._page(FaultRow, home, key, rows.fault_record, *where, after=after, limit=limit)

    def acknowledge_fault(
        self, home: str, code: str, subject: str, author: str, at: datetime
    ) -> FaultRecord:
        """Note that a person has seen the newest such fault. Raises KeyError when there is none."""
        if "\0" in code + subject:
            raise KeyError((code, subject))  # no fault is called so, and PostgreSQL cannot ask
        home_id = self.home_id(home)
        with self.database.write() as session:
            row = session.exec(_newest_fault(home_id, code, subject)).first()
            if row is None:
                raise KeyError((code, subject))
            if row.acknowledged_at is None:
                row.acknowledged_at, row.acknowledged_by = at, author
            return rows.fault_record(row)

    def told_fault(self, home: str, code: str, subject: str, at: datetime) -> None:
        """Note that people were told of the newest such fault, so that no restart repeats it."""
        home_id = self.home_id(home)
        with self.database.write() as session:
            row = session.exec(_newest_fault(home_id, code, subject)).first()
            if row is not None:
                row.told_at = at

    def evidence(
        self, home: str, after: Cursor | None = None, limit: int = PAGE
    ) -> Page[HygieneEvidence]:
        """Thermal disinfections, newest first."""
        return self._page(EvidenceRow, home, ("started",), rows.evidence, after=after, limit=limit)

    def add_score(self, home: str, score: Score) -> None:
        """Keep how good a forecast was; the same forecast and day again replaces it."""
        home_id = self.home_id(home)
        with self.database.write() as session:
            session.merge(ScoreRow(home_id=home_id, **rows.fields_of(score)))

    def scores(self, home: str, after: Cursor | None = None, limit: int = PAGE) -> Page[Score]:
        """Scores, newest day first."""
        return self._page(ScoreRow, home, ("day", "made_at"), rows.score, after=after, limit=limit)

    def plans(
        self,
        home: str,
        since: datetime | None = None,
        until: datetime | None = None,
        after: Cursor | None = None,
        limit: int = PAGE,
    ) -> Page[StoredPlan]:
        """Plans made in [since, until), newest first."""
        where = _between(table_of(PlanRow).c.made_at, since, until)
        return self._page(PlanRow, home, ("made_at",), rows.plan, *where, after=after, limit=limit)

    def forecasts(
        self,
        home: str,
        since: datetime | None = None,
        until: datetime | None = None,
        after: Cursor | None = None,
        limit: int = PAGE,
    ) -> Page[StoredForecast]:
        """Forecasts made in [since, until), newest first."""
        where = _between(table_of(ForecastRow).c.made_at, since, until)
        return self._page(
            ForecastRow, home, ("made_at",), rows.forecast, *where, after=after, limit=limit
        )

    def add_prices(self, home: str, series: PriceSeries) -> None:
        """Keep a series; a later fetch replaces what an earlier one said of the same start."""
        home_id = self.home_id(home)
        fetched = from_us(readings.micros(series.fetched_s))
        found = [
            {
                "home_id": home_id,
                "of": series.of,
                "start": from_us(start * 1_000_000),
                "end": from_us(end * 1_000_000),
                "per_kwh": price,
                "fetched_at": fetched,
            }
            for start, end, price in zip(series.start_s, series.end_s, series.per_kwh, strict=True)
        ]
        if not found:
            return
        with self.database.write() as session:
            put = readings.upsert(session, PriceRow)
            session.connection().execute(
                put.on_conflict_do_update(
                    index_elements=["home_id", "of", "start"],
                    set_={n: put.excluded[n] for n in ("end", "per_kwh", "fetched_at")},
                ),
                found,
            )

    def series(
        self, home: str, of: SeriesOf, since: datetime, until: datetime
    ) -> PriceSeries | None:
        """What is kept of a series for [since, until), at most a day long each; None if nothing.

        It is as last fetched: when a value was first known is not kept.
        """
        home_id = self.home_id(home)
        with self.database.read() as session:
            found = session.exec(
                select(PriceRow)
                .where(
                    PriceRow.home_id == home_id,
                    PriceRow.of == of,
                    col(PriceRow.start) < until,
                    col(PriceRow.start) > since - timedelta(days=1),
                    col(PriceRow.end) > since,
                )
                .order_by(col(PriceRow.start))
            ).all()
        if not found:
            return None
        return PriceSeries(
            start_s=tuple(int(row.start.timestamp()) for row in found),
            end_s=tuple(int(row.end.timestamp()) for row in found),
            per_kwh=tuple(row.per_kwh for row in found),
            fetched_s=max(row.fetched_at for row in found).timestamp(),
            of=of,
        )

    # taking it elsewhere

    def backup(self, path: Path) -> int:
        """A checked copy of the whole database while it is in use; bytes copied."""
        return self.database.backup(path)

    def export_csv(self, home: str, folder: Path) -> list[Path]:
        """Everything about one home as CSV files, one a table; the files written."""
        return export.export_csv(self.database, self.home_id(home), folder)

    def export_zip(self, home: str, archive: IO[bytes]) -> None:
        """The same files, packed into one."""
        export.export_zip(self.database, self.home_id(home), archive)

    def _page(
        self,
        model: type[R],
        home: str,
        key: tuple[str, ...],
        make: Callable[[R], T],
        *where: Any,
        after: Cursor | None,
        limit: int,
    ) -> Page[T]:
        """A page of ``model`` for a home, by ``key`` from the newest down."""
        home_id = self.home_id(home)
        c = table_of(model).c
        columns = [c[name] for name in key]
        wanted = select(model).where(c.home_id == home_id, *where)
        if after is not None:
            if len(after) != len(key):
                raise ValueError("this cursor belongs to another list")
            edge = [
                literal(from_us(int(part)), column.type)
                if isinstance(column.type, UtcTime)
                else literal(part, column.type)
                for part, column in zip(after, columns, strict=True)
            ]
            wanted = wanted.where(tuple_(*columns) < tuple_(*edge))
        wanted = wanted.order_by(*(column.desc() for column in columns)).limit(limit + 1)
        with self.database.read() as session:
            found = session.exec(wanted).all()
            more = len(found) > limit
            found = found[:limit]
            last = [getattr(found[-1], name) for name in key] if more else []
            return Page(
                tuple(make(row) for row in found),
                tuple(to_us(v) if isinstance(v, datetime) else v for v in last) if more else None,
            )


def _newest_fault(home_id: int, code: str, subject: str) -> Any:
    """The one that lasts, or else the last one: a clock may have been ahead when it was found."""
    return (
        select(FaultRow)
        .where(FaultRow.home_id == home_id, FaultRow.code == code, FaultRow.subject == subject)
        .order_by(col(FaultRow.cleared_at).is_not(None), col(FaultRow.since).desc())
        .limit(1)
    )


def _ints(cursor: Cursor, count: int) -> list[int]:
    if len(cursor) != count:
        raise ValueError("this cursor belongs to another list")
    return [int(part) for part in cursor]


def _between(column: Any, since: datetime | None, until: datetime | None) -> list[Any]:
    where = [] if since is None else [column >= since]
    return where if until is None else [*where, column < until]
