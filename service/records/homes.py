"""The homes in a database, by the numbers that all other tables know them by."""

from __future__ import annotations

from sqlmodel import col, select

from service.records.database import Database
from service.records.tables import HomeRow


class Homes:
    """Every home of which anything is kept."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._numbers: dict[str, int] = {}

    def number(self, home: str) -> int:
        """The number of a home, given to it on first use."""
        known = self._numbers.get(home)
        if known is not None:
            return known
        with self._database.write() as session:
            row = session.exec(select(HomeRow).where(HomeRow.name == home)).first()
            if row is None:
                row = HomeRow(name=home)
                session.add(row)
                session.flush()
            number = row.id or 0
        self._numbers[home] = number
        return number

    def names(self) -> list[str]:
        """Every home, wired now or not, in the order they came."""
        with self._database.read() as session:
            return list(session.exec(select(HomeRow.name).order_by(col(HomeRow.id))).all())
