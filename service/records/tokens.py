"""Bearer tokens: made by command, shown once, kept as a hash.

A token carries 256 random bits, so it cannot be guessed or found from its hash by trying, and a
single SHA-256 is the right hash: a slow one protects short passwords that people chose, which
these are not, and would cost a home computer its breath on every poll.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Iterable
from datetime import datetime, timedelta

from sqlmodel import Session, col, func, select

from service.records.database import Database
from service.records.homes import Homes
from service.records.tables import HomeRow, SecretRow, TokenHomeRow, TokenRow
from service.records.values import PREFIX, Role, Token

_USE_STEP = timedelta(minutes=10)  # last_used_at is written no more often, to spare the card


def digest(secret: str) -> str:
    """The SHA-256 of a token, hexadecimal."""
    return hashlib.sha256(secret.encode()).hexdigest()


class Tokens:
    """The tokens in the database."""

    def __init__(self, database: Database, homes: Homes) -> None:
        self._database = database
        self._homes = homes

    def make(
        self, name: str, role: Role | str, homes: Iterable[str], now: datetime
    ) -> tuple[str, Token]:
        """A new token for ``homes``; the first part is the secret, shown this once.

        Raises:
            ValueError: for an unknown role, an empty name or no home.
        """
        role, homes = Role(role), sorted(set(homes))
        if not name.strip() or not homes:
            raise ValueError("a token needs a name and at least one home")
        secret = PREFIX + secrets.token_urlsafe(32)
        numbers = [self._homes.number(home) for home in homes]
        with self._database.write() as session:
            row = TokenRow(digest=digest(secret), name=name.strip(), role=role, made_at=now)
            session.add(row)
            session.flush()
            for number in numbers:
                session.add(TokenHomeRow(home_id=number, token_id=row.id or 0))
            session.flush()
            return secret, _token(session, row)

    def find(self, secret: str) -> Token | None:
        """The token behind ``secret``, or None when it is unknown or was ended."""
        if not secret.startswith(PREFIX):
            return None
        with self._database.read() as session:
            row = session.exec(select(TokenRow).where(TokenRow.digest == digest(secret))).first()
            return None if row is None or row.ended_at is not None else _token(session, row)

    def by_id(self, token_id: int) -> Token | None:
        """The token with this number, or None when there is none or it was ended."""
        with self._database.read() as session:
            row = session.get(TokenRow, token_id)
            return None if row is None or row.ended_at is not None else _token(session, row)

    def all(self, home: str | None = None) -> list[Token]:
        """Every token ever made (of one home), ended ones included, oldest first."""
        with self._database.read() as session:
            rows = session.exec(select(TokenRow).order_by(col(TokenRow.id))).all()
            tokens = [_token(session, row) for row in rows]
        return [t for t in tokens if home is None or home in t.homes]

    def none_in_force(self) -> bool:
        """True while no token is in force: the service then listens on loopback only."""
        with self._database.read() as session:
            held = (
                select(func.count()).select_from(TokenRow).where(col(TokenRow.ended_at).is_(None))
            )
            return session.exec(held).one() == 0

    def end(self, token_id: int, by: str, now: datetime) -> Token:
        """End a token for good. Raises KeyError when there is none in force with this number."""
        with self._database.write() as session:
            row = session.get(TokenRow, token_id)
            if row is None or row.ended_at is not None:
                raise KeyError(token_id)
            row.ended_at, row.ended_by = now, by
            session.flush()
            return _token(session, row)

    def used(self, token: Token, now: datetime) -> None:
        """Note that a token was used, at most every ten minutes."""
        if token.last_used_at is not None and now - token.last_used_at < _USE_STEP:
            return
        with self._database.write() as session:
            row = session.get(TokenRow, token.id)
            if row is not None:
                row.last_used_at = now

    def signing_key(self) -> str:
        """The key that signs page sessions, made on first use."""
        with self._database.read() as session:
            row = session.get(SecretRow, "sessions")
        if row is None:
            with self._database.write() as session:
                row = session.get(SecretRow, "sessions")
                if row is None:
                    row = SecretRow(name="sessions", value=secrets.token_urlsafe(32))
                    session.add(row)
        return row.value


def _token(session: Session, row: TokenRow) -> Token:
    homes = session.exec(
        select(HomeRow.name)
        .join(TokenHomeRow, col(TokenHomeRow.home_id) == HomeRow.id)
        .where(TokenHomeRow.token_id == row.id)
    ).all()
    return Token(
        id=row.id or 0,
        name=row.name,
        role=Role(row.role),
        homes=frozenset(homes),
        made_at=row.made_at,
        last_used_at=row.last_used_at,
        ended_at=row.ended_at,
        ended_by=row.ended_by,
    )
