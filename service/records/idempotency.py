"""Answers kept by Idempotency-Key, so that a repeated POST acts once."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from sqlalchemy import delete
from sqlmodel import col

from service.records.tables import IdempotencyRow

if TYPE_CHECKING:
    from service.records.records import Records

KEPT_FOR = timedelta(hours=48)
GIVEN_UP_AFTER = timedelta(minutes=1)  # a request under way this long died with its process


@dataclass(frozen=True)
class KeptAnswer:
    """What was answered under a key; ``status`` 0 while that request is still under way."""

    digest: str
    status: int
    answer: str


class IdempotencyKeys:
    """The answers kept in the database."""

    def __init__(self, records: Records) -> None:
        self._records = records

    def begin(
        self, home: str, author: str, key: str, digest: str, now: datetime
    ) -> KeptAnswer | None:
        """Claim ``key`` for a request whose body has ``digest``; None when it is ours to do."""
        home_id = self._records.home_id(home)
        with self._records.database.write() as session:
            row = session.get(IdempotencyRow, (home_id, author, key))
            if row is not None:
                dead = row.status == 0 and abs(now - row.made_at) > GIVEN_UP_AFTER
                old = abs(now - row.made_at) > KEPT_FOR
                if not (dead or old):
                    return KeptAnswer(row.digest, row.status, row.answer)
                row.made_at, row.digest, row.status, row.answer = now, digest, 0, ""
            else:
                session.add(
                    IdempotencyRow(
                        home_id=home_id,
                        author=author,
                        key=key,
                        made_at=now,
                        digest=digest,
                        status=0,
                        answer="",
                    )
                )
        return None

    def finish(self, home: str, author: str, key: str, status: int, answer: str) -> None:
        """Keep the answer."""
        home_id = self._records.home_id(home)
        with self._records.database.write() as session:
            row = session.get(IdempotencyRow, (home_id, author, key))
            if row is not None:
                row.status, row.answer = status, answer

    def drop(self, home: str, author: str, key: str) -> None:
        """Forget a claim whose request failed, so that it can be tried again."""
        home_id = self._records.home_id(home)
        with self._records.database.write() as session:
            row = session.get(IdempotencyRow, (home_id, author, key))
            if row is not None:
                session.delete(row)

    def clean(self, now: datetime) -> None:
        """Drop what is older than ``KEPT_FOR``."""
        with self._records.database.write() as session:
            session.connection().execute(
                delete(IdempotencyRow).where(col(IdempotencyRow.made_at) < now - KEPT_FOR)
            )
