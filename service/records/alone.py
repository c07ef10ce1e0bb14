"""One service to a database: two on the same records would both command the plant.

The hold is a lock that ends with the process, however it ends: the operating system's on a file
beside an SQLite database, a session's advisory lock on a PostgreSQL server. Whoever only reads or
writes records (a backup, an export, a new token) needs no hold.
"""

from __future__ import annotations

import fcntl
from contextlib import suppress
from pathlib import Path
from typing import Protocol

from sqlalchemy import Engine
from sqlalchemy.engine import Connection
from sqlalchemy.exc import SQLAlchemyError

from service.records.errors import RecordsError

APPLICATION_ID = 0x4C61646C  # marks files and locks as ours


class Hold(Protocol):
    """That this process is the one service on a database."""

    def keep(self) -> None:
        """Take it again where it was lost. RecordsError "taken" when another service has it."""
        ...

    def release(self) -> None:
        """Give it up."""
        ...


def _taken(where: str) -> RecordsError:
    return RecordsError(
        "taken",
        "another Ladle runs on these records, and two would both command the plant",
        where,
        "Stop that one first, or give this one a database of its own.",
    )


class FileHold:
    """A lock on ``<database>.lock``, an empty file that stays: to delete it would open a gap.

    Raises:
        RecordsError: "taken" when another process has it.
        OSError: when the file cannot be made.
    """

    def __init__(self, database: Path, where: str) -> None:
        # By its real place: one database by two names is still one.
        real = database.resolve()
        self._file = real.with_name(f"{real.name}.lock").open("ab")
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            self._file.close()
            raise _taken(where) from None
        except OSError:
            self._file.close()
            raise

    def keep(self) -> None:
        """It cannot be lost while this process lives."""

    def release(self) -> None:
        """Give it up."""
        self._file.close()


class SessionHold:
    """An advisory lock of a PostgreSQL session, one for each schema.

    Raises:
        RecordsError: "taken" when another session has it.
        DBAPIError: when the server does not answer.
    """

    # A machine that lost its power says no goodbye: the server must notice within a minute.
    _NOTICE = (
        "SET tcp_keepalives_idle = 30; SET tcp_keepalives_interval = 10; "
        "SET tcp_keepalives_count = 3"
    )
    _TRY = (
        f"SELECT pg_try_advisory_lock({APPLICATION_ID}, oid::int) FROM pg_namespace "
        "WHERE nspname = current_schema()"
    )

    def __init__(self, engine: Engine, where: str) -> None:
        self._engine = engine
        self._where = where
        self._session = self._take()

    def _take(self) -> Connection:
        session = self._engine.connect().execution_options(isolation_level="AUTOCOMMIT")
        session.detach()  # never handed to anybody else
        session.exec_driver_sql(self._NOTICE)
        if not session.exec_driver_sql(self._TRY).scalar_one():
            session.close()
            raise _taken(self._where)
        return session

    def keep(self) -> None:
        """Take it again in a new session when the server has ended the old one."""
        try:
            self._session.exec_driver_sql("SELECT 1")
        except SQLAlchemyError:  # the server ended it, or it was closed here when none answered
            self.release()
            self._session = self._take()

    def release(self) -> None:
        """Give it up with the session."""
        with suppress(SQLAlchemyError):
            self._session.close()
