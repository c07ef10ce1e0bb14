"""The connection: one writer, many readers, migrations on opening, backup.

SQLite runs in write-ahead mode with these pragmas:

page_size=1024          a commit of half a minute's readings dirties four pages, and memory cards
                        wear by the page: 24 MB a day of 12 signals each 10 s, 51 MB with 4096
journal_mode=WAL        readers never wait for the writer, nor it for them
synchronous=FULL        a commit is on the disk before it returns, so an acknowledged reading
                        survives a power cut, not only a crash
busy_timeout=5000       another program (a backup, a command) may hold the file for 5 s
wal_autocheckpoint=4000 the log is folded into the file every 4 MB
foreign_keys=ON         nothing belongs to a home that does not exist
journal_size_limit=8 MiB  the log is cut back after a long read let it grow
secure_delete=FAST      deleted content is blanked only where that costs no extra writing
application_id          marks the file as ours, so that another program's is not migrated
"""

from __future__ import annotations

import logging
import os
import shutil
import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from sqlalchemy import URL, Engine, create_engine, event, make_url
from sqlalchemy.engine import Connection
from sqlalchemy.exc import ArgumentError
from sqlmodel import Session

from service.records.alone import APPLICATION_ID, FileHold, Hold, SessionHold
from service.records.errors import RecordsError
from service.records.explain import explained

log = logging.getLogger(__name__)

BUSY_TIMEOUT_MS = 5000
_PRAGMAS = (
    "PRAGMA page_size=1024",
    "PRAGMA journal_mode=WAL",
    "PRAGMA synchronous=FULL",
    f"PRAGMA busy_timeout={BUSY_TIMEOUT_MS}",
    "PRAGMA foreign_keys=ON",
    "PRAGMA journal_size_limit=8388608",
    "PRAGMA wal_autocheckpoint=4000",
    "PRAGMA cache_size=-8192",
    "PRAGMA temp_store=MEMORY",
    "PRAGMA secure_delete=FAST",
)


def alembic_config(connection: Connection | None = None) -> Config:
    """Alembic's configuration for the migrations that lie beside this file."""
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).with_name("migrations")))
    config.attributes["connection"] = connection
    return config


def _version(connection: Connection) -> str | None:
    """The last migration that was made; None where no table is."""
    return MigrationContext.configure(connection).get_current_revision()


def _prepare(engine: Engine, read_only: bool) -> None:
    """Set the pragmas on each new connection and let us, not the driver, begin transactions."""

    @event.listens_for(engine, "connect")
    def _connect(raw: sqlite3.Connection, _: object) -> None:
        raw.isolation_level = None
        for pragma in _PRAGMAS:
            raw.execute(pragma).close()
        if read_only:
            raw.execute("PRAGMA query_only=ON").close()

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN" if read_only else "BEGIN IMMEDIATE")


class _Here(threading.local):
    """The transaction of this thread, and what waits for its end."""

    session: Session | None = None
    afterwards: list[Callable[[], object]]


class Database:
    """One database, opened and migrated. Every method may be called from any thread."""

    def __init__(
        self, url: str, *, make: bool = True, alone: bool = False, migrate: bool = True
    ) -> None:
        """Open ``url``, an SQLAlchemy URL.

        Args:
            url: where it is.
            make: whether a file that is not there yet is made.
            alone: whether this is a service, of which there is one to a database.
            migrate: whether its tables are brought up to date; not for a look beside a service,
                which may be an older one.

        Raises:
            RecordsError: when it is not ours, damaged, newer than this program, unwritable or
                another service's.
        """
        try:
            self.url: URL = make_url(url)
        except ArgumentError as error:
            raise RecordsError(
                "foreign", "not a database URL", url, "Write one like sqlite:///folder/ladle.sqlite"
            ) from error
        self.where = self.url.render_as_string(hide_password=True)
        self.is_sqlite = self.url.get_backend_name() == "sqlite"
        self._lock = threading.RLock()
        self._here = _Here()
        self._hold: Hold | None = None
        self._file: tuple[int, int] | None = None
        self.bytes_written = 0
        try:
            with explained(self.where):
                # Held before anything is changed: a newer version that is refused must not
                # migrate the tables under an older one that runs.
                if self.is_sqlite:
                    self._open_file(make, alone)
                else:
                    self._open_server(alone)
                if migrate:
                    self._migrate()
                self._file = self._file_there()
        except BaseException:
            self._let_go()
            raise

    def _open_file(self, make: bool, alone: bool) -> None:
        if self.url.database in (None, "", ":memory:"):
            raise RecordsError(
                "unwritable",
                "a database in memory keeps nothing",
                self.where,
                "Name a file, for example sqlite:///ladle-data/ladle.sqlite",
            )
        path = self.path
        if not make and not path.exists():
            raise RecordsError(
                "missing",
                f"there are no records yet: no file {path.absolute()}",
                self.where,
                "Check [database] url; a relative one leads from where ladle is started.",
            )
        path.parent.mkdir(parents=True, exist_ok=True)
        if alone:
            self._hold = FileHold(path, self.where)
        if path.exists() and path.stat().st_size > 0:
            self._refuse_foreign(path)
            if alone:
                self.refuse_damaged()
        self.writer = create_engine(self.url, pool_size=1, max_overflow=0)
        self.reader = create_engine(self.url, pool_size=4, max_overflow=4)
        _prepare(self.writer, read_only=False)
        _prepare(self.reader, read_only=True)

    def _open_server(self, alone: bool) -> None:
        url = self.url
        if url.drivername == "postgresql":
            url = url.set(drivername="postgresql+psycopg")
        try:
            self.writer = self.reader = create_engine(url, pool_pre_ping=True, pool_size=5)
        except ModuleNotFoundError as error:
            raise RecordsError(
                "unreachable",
                f"there is no driver {error.name} for this database",
                self.where,
                "Records are kept in SQLite (sqlite:///folder/ladle.sqlite) or, with the extra "
                "postgres, in PostgreSQL (postgresql+psycopg://user@host/ladle).",
            ) from error
        if alone:
            self._hold = SessionHold(self.writer, self.where)

    def _refuse_foreign(self, path: Path) -> None:
        """Another program's file must not be migrated."""
        with closing(sqlite3.connect(path, timeout=BUSY_TIMEOUT_MS / 1000)) as raw:
            mark = raw.execute("PRAGMA application_id").fetchone()[0]
            tables = raw.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
            if tables and mark != APPLICATION_ID:
                raise RecordsError(
                    "foreign",
                    "this file is another program's database",
                    self.where,
                    "Name another file under [database] url.",
                )

    def refuse_damaged(self) -> None:
        """Read the whole SQLite file for damage, which takes as long as the disk takes.

        Done where years of records are about to be built upon: by a service that starts, and of a
        copy that is to be restored. Whoever looks something up meets damage where it is.

        Raises:
            RecordsError: when it does not pass SQLite's own check.
        """
        with (
            explained(self.where),
            closing(sqlite3.connect(self.path, timeout=BUSY_TIMEOUT_MS / 1000)) as raw,
        ):
            found = raw.execute("PRAGMA quick_check(1)").fetchone()[0]
            if found != "ok":
                raise sqlite3.DatabaseError(f"malformed: {found}")

    def _migrate(self) -> None:
        with self._lock, self.writer.begin() as connection:
            if self.is_sqlite:
                connection.exec_driver_sql(f"PRAGMA application_id={APPLICATION_ID}")
            before = _version(connection)
            command.upgrade(alembic_config(connection), "head")
            after = _version(connection)
        if before not in (None, after):
            log.info(
                "%s: the records were upgraded from version %s to %s", self.where, before, after
            )

    def _file_there(self) -> tuple[int, int] | None:
        """Which file stands at the path, whatever its name was before; None on a server."""
        if not self.is_sqlite:
            return None
        found = self.path.stat()
        return found.st_dev, found.st_ino

    def _refuse_another_file(self) -> None:
        """SQLite goes on writing into a file that was deleted or replaced, and all is lost."""
        try:
            there = self._file_there()
        except FileNotFoundError:
            there = None
        if there != self._file:
            raise RecordsError(
                "unwritable",
                "the database file was taken away or replaced since it was opened",
                self.where,
                "Put it back, or start the service again on the file that is there now.",
            )

    @property
    def path(self) -> Path:
        """The SQLite file. Only where ``is_sqlite``."""
        return Path(str(self.url.database))

    @contextmanager
    def write(self) -> Iterator[Session]:
        """One transaction that writes: all of it is stored, or nothing.

        Within a transaction of the same thread it becomes a part of that one, and so does a
        ``read``.

        Raises:
            RecordsError: with everything rolled back.
        """
        if self._here.session is not None:
            yield self._here.session
            return
        with self._lock, explained(self.where):
            self._refuse_another_file()
            before = _handed_over()
            afterwards: list[Callable[[], object]] = []
            self._here.afterwards = afterwards
            try:
                with Session(self.writer, expire_on_commit=False) as session, session.begin():
                    self._here.session = session
                    yield session
            finally:
                self._here.session = None
                self.bytes_written += _handed_over() - before
        for action in afterwards:
            action()

    def once_stored(self, action: Callable[[], object]) -> None:
        """Do it when the transaction of this thread is stored, at once when there is none."""
        if self._here.session is None:
            action()
        else:
            self._here.afterwards.append(action)

    @contextmanager
    def read(self) -> Iterator[Session]:
        """One consistent look, which neither waits for the writer nor keeps it waiting.

        Raises:
            RecordsError: when the database does not answer.
        """
        if self._here.session is not None:
            yield self._here.session
            return
        with explained(self.where), Session(self.reader, expire_on_commit=False) as session:
            yield session

    def size_bytes(self) -> int:
        """Bytes on the disk: the file with its log, or what the server reports."""
        if self.is_sqlite:
            parts = (self.path, Path(f"{self.path}-wal"), Path(f"{self.path}-shm"))
            return sum(part.stat().st_size for part in parts if part.exists())
        with self.read() as session:
            found: Any = session.connection().exec_driver_sql(
                "SELECT pg_database_size(current_database())"
            )
            return int(found.scalar_one())

    def backup(self, target: Path) -> int:
        """Copy the database to ``target`` while it is in use; the copy is checked. Bytes copied.

        The copy is one consistent state, takes no lock that holds up readings, and appears under
        its name only when it is whole. ``restore`` puts it back.

        Raises:
            RecordsError: when it cannot be written; an older copy of that name stays.
        """
        if not self.is_sqlite:
            raise RecordsError(
                "other",
                "a database server is backed up with its own tools",
                self.where,
                "Use pg_dump; it too runs while the service does.",
            )
        part = target.with_name(target.name + ".part")
        where = f"copy to {target}"
        own = self.path.resolve()
        if target.resolve() in {own.with_name(own.name + e) for e in ("", "-wal", "-shm", ".lock")}:
            mend = "Name another file, best on another disk."
            raise RecordsError("unwritable", "these are the records themselves", where, mend)
        with explained(where):
            target.parent.mkdir(parents=True, exist_ok=True)
            part.unlink(missing_ok=True)
            try:
                with (
                    closing(sqlite3.connect(f"{own.as_uri()}?mode=ro", uri=True)) as source,
                    closing(sqlite3.connect(part)) as copy,
                ):
                    source.backup(copy)
                    # A copy is one file: it must not need a log of its own beside it.
                    copy.execute("PRAGMA journal_mode=DELETE")
                    found = copy.execute("PRAGMA integrity_check(1)").fetchone()[0]
                    if found != "ok":
                        raise sqlite3.DatabaseError(f"malformed copy: {found}")
                with part.open("rb") as written:
                    os.fsync(written.fileno())
                part.replace(target)
            finally:
                part.unlink(missing_ok=True)
            return target.stat().st_size

    def keep_alone(self) -> None:
        """Make sure that this is still the only service here; a server may have dropped the hold.

        Raises:
            RecordsError: "taken" when another service has begun meanwhile, "unreachable" when
                the server does not answer now.
        """
        if self._hold is not None:
            with explained(self.where):
                self._hold.keep()

    def _let_go(self) -> None:
        if self._hold is not None:
            self._hold.release()
            self._hold = None

    def close(self) -> None:
        """Close every connection; SQLite folds its log into the file."""
        with self._lock:
            self.reader.dispose()
            self.writer.dispose()
        self._let_go()


def restore(url: str, source: Path) -> None:
    """Put a backup in the place of the database at ``url``, which no service may run on.

    The copy is opened, checked and migrated under a name of its own first; the log of the old
    database goes with it, since it would be read into the restored one. What was there is kept
    beside it as ``<name>.before-restore``.

    Raises:
        RecordsError: when the source is no sound backup; the old database is then untouched.
    """
    where = make_url(url)
    if where.get_backend_name() != "sqlite":
        raise RecordsError(
            "other",
            "a database server is restored with its own tools",
            where.render_as_string(hide_password=True),
            "Use pg_restore.",
        )
    target = Path(str(where.database))
    part = target.with_name(target.name + ".restoring")
    with explained(f"restore from {source}"):
        if not source.is_file():
            raise RecordsError(
                "unwritable", "there is no such backup", str(source), "Name a file made by backup."
            )
        target.parent.mkdir(parents=True, exist_ok=True)
        hold = FileHold(target, str(target))  # a service at rest holds no lock of SQLite's
        try:
            shutil.copyfile(source, part)
            try:
                copy = Database(str(where.set(database=str(part))))
                copy.close()
                copy.refuse_damaged()
            except RecordsError as error:
                raise RecordsError(
                    error.code,
                    f"this is no backup that can be put back: {error.what}",
                    str(source),
                    "Name a file made by backup; the records are as they were.",
                ) from error
            if target.exists():
                with closing(sqlite3.connect(target)) as old:  # folds its log into the file
                    old.execute("PRAGMA locking_mode=EXCLUSIVE")
                    old.execute("BEGIN EXCLUSIVE")
                    old.execute("COMMIT")
                target.replace(target.with_name(target.name + ".before-restore"))
            for ending in ("-wal", "-shm"):
                Path(f"{target}{ending}").unlink(missing_ok=True)
            part.replace(target)
        finally:
            for ending in ("", "-wal", "-shm"):
                Path(f"{part}{ending}").unlink(missing_ok=True)
            hold.release()


def _handed_over() -> int:
    """Bytes this thread has handed to the operating system so far; 0 where it does not tell."""
    try:
        with open("/proc/thread-self/io", encoding="ascii") as told:
            for line in told:
                if line.startswith("wchar:"):
                    return int(line.split()[1])
    except OSError:
        pass
    return 0
