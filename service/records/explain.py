"""What a database driver says, sorted into what a person can do about it."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from alembic.util import CommandError
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from service.records.errors import Code, RecordsError

_SIGNS: tuple[tuple[tuple[str, ...], Code, str, str], ...] = (
    (
        ("disk is full", "no space left", "disk i/o error", "file too large", "disk quota"),
        "full",
        "the disk is full, or cannot be written any more",
        "Free some space or replace the card; what was stored before is intact.",
    ),
    (
        ("database is locked", "database table is locked", "lock timeout"),
        "locked",
        "another program holds the database",
        "Stop the other program that writes to it; the same work can be tried again.",
    ),
    (
        ("malformed", "not a database", "corrupt"),
        "damaged",
        "the database file is damaged",
        "Put the newest backup in its place; the damaged file may still be read with sqlite3.",
    ),
    (
        ("readonly database", "unable to open database", "permission denied", "read-only"),
        "unwritable",
        "the database cannot be opened for writing",
        "Check that the folder exists and belongs to the user that runs the service.",
    ),
    (
        ("no such file or directory", "is a directory", "not a directory", "file exists"),
        "unwritable",
        "nothing can be kept there",
        "Name a file in a folder that can be made and written.",
    ),
    (
        ("connection refused", "could not translate", "connection failed", "server closed",
         "password authentication", "timeout expired", "terminating connection"),
        "unreachable",
        "the database server does not answer",
        "Check its address, user, password and the database's name, and that it runs.",
    ),
)  # fmt: skip


# What drivers add that tells a person nothing beside our own sentence.
_NOISE = re.compile(
    r"^\[Errno \d+\] | Is the server running on that host and accepting TCP/IP connections\?"
)


def explain(error: BaseException, where: str) -> RecordsError:
    """The database's own message, sorted into what a person can do about it."""
    if isinstance(error, CommandError) and "Can't locate revision" in str(error):
        return RecordsError(
            "newer",
            "the database was written by a newer version of the service",
            where,
            "Start that newer version again, or restore a backup made before the update.",
        )
    origin = getattr(error, "orig", None) or error
    message = _NOISE.sub("", " ".join(str(origin).split()))
    lower = message.lower()
    for signs, code, what, mend in _SIGNS:
        if any(sign in lower for sign in signs):
            return RecordsError(code, f"{what}: {message}", where, mend)
    return RecordsError(
        "other", f"the database refused: {message}", where, "The log holds the whole trace."
    )


@contextmanager
def explained(where: str) -> Iterator[None]:
    """Turn every error of a database driver into a ``RecordsError``."""
    try:
        yield
    except (DBAPIError, sqlite3.Error, CommandError, OSError) as error:
        raise explain(error, where) from error
    except SQLAlchemyError as error:
        if isinstance(getattr(error, "orig", None), ValueError):
            raise  # a naive time or the like: the caller's mistake, not the database's
        raise explain(error, where) from error
