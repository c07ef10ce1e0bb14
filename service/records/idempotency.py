"""Answers kept by Idempotency-Key, so that a repeated POST acts once."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import delete
from sqlmodel import col

from service.records.database import Database
from service.records.homes import Homes
from service.records.tables import IdempotencyRow

KEPT_FOR = timedelta(hours=48)


@dataclass(frozen=True)
class KeptAnswer:
    """What was answered under a key, to a request whose body had ``digest``."""

    digest: str
    status: int
    answer: str


class IdempotencyKeys:
    """The answers kept in the database.

    An answer is kept within ``Records.together`` with what the request did, so that a process
    that dies leaves both or neither; a repeat meanwhile waits for the transaction.
    """

    def __init__(self, database: Database, homes: Homes) -> None:
        self._database = database
        self._homes = homes

    def find(self, home: str, author: str, key: str, now: datetime) -> KeptAnswer | None:
        """What was answered under ``key``; None when it is new, or older than ``KEPT_FOR``."""
        home_id = self._homes.number(home)
        with self._database.read() as session:
            row = session.get(IdempotencyRow, (home_id, author, key))
            if row is None or abs(now - row.made_at) > KEPT_FOR:
                return None
            return KeptAnswer(row.digest, row.status, row.answer)

    def keep(self, home: str, author: str, key: str, answered: KeptAnswer, now: datetime) -> None:
        """Keep an answer."""
        home_id = self._homes.number(home)
        with self._database.write() as session:
            session.merge(
                IdempotencyRow(
                    home_id=home_id,
                    author=author,
                    key=key,
                    made_at=now,
                    digest=answered.digest,
                    status=answered.status,
                    answer=answered.answer,
                )
            )

    def clean(self, now: datetime) -> None:
        """Drop what is older than ``KEPT_FOR``."""
        with self._database.write() as session:
            session.connection().execute(
                delete(IdempotencyRow).where(col(IdempotencyRow.made_at) < now - KEPT_FOR)
            )
