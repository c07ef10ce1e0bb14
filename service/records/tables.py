"""The tables. Every row belongs to a home; times are integer microseconds of UTC.

Sign convention, one for all: a quantity is positive in the direction its name says. Electricity
and heat put into the cylinder are positive; litres and kWh of a draw-off are positive although
they leave it; export has a quantity of its own, positive when energy leaves the house; a cost is
positive when the household pays and negative when it is paid.

Tables that grow are clustered by home and time (``WITHOUT ROWID`` in SQLite), so that a commit
dirties the last page of each and nothing else, and a span of time is read in one piece.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import BigInteger, Index, LargeBinary, Text, UniqueConstraint, text
from sqlmodel import Field, SQLModel

from service.records.columns import Facts, UtcTime

LATE_US = 60_000_000  # a reading stamped longer ago than this was late; the index below holds it
_CLUSTERED = {"sqlite_with_rowid": False}


def _home(primary_key: bool = True) -> Any:
    return Field(primary_key=primary_key, foreign_key="homes.id", index=not primary_key)


def _time(primary_key: bool = False) -> Any:
    return Field(sa_type=UtcTime, primary_key=primary_key)


def _later() -> Any:
    return Field(default=None, sa_type=UtcTime)


def _facts() -> Any:
    return Field(sa_type=Facts)


class HomeRow(SQLModel, table=True):
    """A home; ``name`` is its id in the wiring."""

    __tablename__ = "homes"
    id: int | None = Field(default=None, primary_key=True)
    name: str = Field(sa_type=Text, unique=True)


class SignalRow(SQLModel, table=True):
    """A signal's number within its home, so that a reading need not carry its name."""

    __tablename__ = "signals"
    __table_args__ = (UniqueConstraint("home_id", "name"),)
    id: int | None = Field(default=None, primary_key=True)
    home_id: int = _home(primary_key=False)
    name: str = Field(sa_type=Text)


class ReadingRow(SQLModel, table=True):
    """One raw reading, in the base unit of its signal.

    ``delay_us`` is arrival less stamp, 0 for a reading that carried no stamp of its own.
    ``flags``: 1 stamped, 2 told the present when it arrived.
    """

    __tablename__ = "readings"
    home_id: int = _home()
    measured_us: int = Field(sa_type=BigInteger, primary_key=True)
    signal_id: int = Field(primary_key=True)
    value: float
    delay_us: int = Field(sa_type=BigInteger)
    flags: int
    __table_args__ = (
        Index(
            "readings_late",
            "home_id",
            text("(measured_us + delay_us)"),
            sqlite_where=text(f"delay_us > {LATE_US}"),
            postgresql_where=text(f"delay_us > {LATE_US}"),
        ),
        _CLUSTERED,
    )


class ThinnedRow(SQLModel, table=True):
    """Readings of one signal over ``span_s`` (300 or 1800 s) from ``start_s``."""

    __tablename__ = "readings_thinned"
    __table_args__ = (_CLUSTERED,)
    home_id: int = _home()
    span_s: int = Field(primary_key=True)
    start_s: int = Field(sa_type=BigInteger, primary_key=True)
    signal_id: int = Field(primary_key=True)
    mean: float
    least: float
    greatest: float
    count: int


class WatchedRow(SQLModel, table=True):
    """A stretch of time in which readings arrived without a long silence."""

    __tablename__ = "watched"
    __table_args__ = (_CLUSTERED,)
    home_id: int = _home()
    start_s: int = Field(sa_type=BigInteger, primary_key=True)
    end_s: int = Field(sa_type=BigInteger)


class SettingsRow(SQLModel, table=True):
    """One version of what people can change; the newest that is in effect holds."""

    __tablename__ = "settings"
    __table_args__ = (_CLUSTERED,)
    home_id: int = _home()
    version: int = Field(primary_key=True)
    author: str = Field(sa_type=Text)
    made_at: datetime = _time()
    effective_from: datetime = _time()
    reason: str = Field(sa_type=Text)
    tunables: Any = _facts()


class OverrideRow(SQLModel, table=True):
    """A person's wish."""

    __tablename__ = "overrides"
    id: int | None = Field(default=None, primary_key=True)
    home_id: int = _home(primary_key=False)
    wish: str = Field(sa_type=Text)
    author: str = Field(sa_type=Text)
    made_at: datetime = _time()
    since: datetime = _time()
    until: datetime | None = _later()
    tenths: int | None = None
    people: float | None = None
    note: str = Field(default="", sa_type=Text)
    ended_at: datetime | None = _later()
    ended_by: str | None = Field(default=None, sa_type=Text)


class OverrideTraceRow(SQLModel, table=True):
    """What became of an override: made, ended, and whatever else was noted."""

    __tablename__ = "override_trace"
    id: int | None = Field(default=None, primary_key=True)
    override_id: int = Field(foreign_key="overrides.id", index=True)
    at: datetime = _time()
    event: str = Field(sa_type=Text)
    by: str = Field(sa_type=Text)
    facts: Any = _facts()


class DrawRow(SQLModel, table=True):
    """One finished draw-off. ``invented`` marks demo history that nobody measured."""

    __tablename__ = "draws"
    __table_args__ = (_CLUSTERED,)
    home_id: int = _home()
    start: datetime = _time(primary_key=True)
    end: datetime = _time()
    litres: float
    kwh: float
    litres_40c: float
    measured_by: str = Field(sa_type=Text)
    invented: bool = False


class DecisionRow(SQLModel, table=True):
    """A change of mind: the rule that made the commands, on what figures, and why."""

    __tablename__ = "decisions"
    __table_args__ = (_CLUSTERED,)
    home_id: int = _home()
    at: datetime = _time(primary_key=True)
    rule: str = Field(sa_type=Text)
    code: str = Field(sa_type=Text)
    facts: Any = _facts()
    commands: Any = _facts()
    inputs: Any = _facts()


class PlanRow(SQLModel, table=True):
    """A plan. ``whole`` is dropped when the plan is old; windows and reason stay."""

    __tablename__ = "plans"
    __table_args__ = (_CLUSTERED,)
    home_id: int = _home()
    made_at: datetime = _time(primary_key=True)
    until: datetime = _time()
    cost: float
    electricity_kwh: float
    reason: Any = _facts()
    windows: Any = _facts()
    whole: bytes | None = Field(default=None, sa_type=LargeBinary)


class ForecastRow(SQLModel, table=True):
    """A demand forecast with its origin. ``whole`` is dropped when it is old; means stay."""

    __tablename__ = "forecasts"
    __table_args__ = (_CLUSTERED,)
    home_id: int = _home()
    made_at: datetime = _time(primary_key=True)
    until: datetime = _time()
    learned_weight: float
    notes: Any = _facts()
    means: bytes = Field(sa_type=LargeBinary)
    whole: bytes | None = Field(default=None, sa_type=LargeBinary)


class ScoreRow(SQLModel, table=True):
    """How good a forecast was, for one local day (``day`` as YYYY-MM-DD)."""

    __tablename__ = "forecast_scores"
    __table_args__ = (_CLUSTERED,)
    home_id: int = _home()
    day: str = Field(sa_type=Text, primary_key=True)
    made_at: datetime = _time(primary_key=True)
    figures: Any = _facts()


class FaultRow(SQLModel, table=True):
    """Something wrong, from when it was seen until it was over."""

    __tablename__ = "faults"
    __table_args__ = (_CLUSTERED,)
    home_id: int = _home()
    since: datetime = _time(primary_key=True)
    code: str = Field(sa_type=Text, primary_key=True)
    subject: str = Field(sa_type=Text, primary_key=True)
    severity: str = Field(sa_type=Text)
    facts: Any = _facts()
    cleared_at: datetime | None = _later()
    acknowledged_at: datetime | None = _later()
    acknowledged_by: str | None = Field(default=None, sa_type=Text)
    told_at: datetime | None = _later()  # when people last got a message about it


class EvidenceRow(SQLModel, table=True):
    """One thermal disinfection, passed or not."""

    __tablename__ = "hygiene_evidence"
    __table_args__ = (_CLUSTERED,)
    home_id: int = _home()
    started: datetime = _time(primary_key=True)
    ended: datetime = _time()
    passed: bool
    by: str = Field(sa_type=Text)
    lowest_probe: str = Field(sa_type=Text)
    lowest_c: float
    held_s: float
    facts: Any = _facts()


class SnapshotRow(SQLModel, table=True):
    """Control's state at a moment, compressed. Only the last few are kept."""

    __tablename__ = "snapshots"
    __table_args__ = (_CLUSTERED,)
    home_id: int = _home()
    at: datetime = _time(primary_key=True)
    version: int
    state: bytes = Field(sa_type=LargeBinary)


class PriceRow(SQLModel, table=True):
    """What a kWh costs or earns in money, or emits in g CO2, over [start, end), as last fetched.

    ``of`` is "import", "export" or "carbon".
    """

    __tablename__ = "prices"
    __table_args__ = (_CLUSTERED,)
    home_id: int = _home()
    of: str = Field(sa_type=Text, primary_key=True)
    start: datetime = _time(primary_key=True)
    end: datetime = _time()
    per_kwh: float
    fetched_at: datetime = _time()


class TokenRow(SQLModel, table=True):
    """A bearer token, as the SHA-256 of its 256 random bits; the token itself is not kept."""

    __tablename__ = "tokens"
    id: int | None = Field(default=None, primary_key=True)
    digest: str = Field(sa_type=Text, unique=True)
    name: str = Field(sa_type=Text)
    role: str = Field(sa_type=Text)
    made_at: datetime = _time()
    last_used_at: datetime | None = _later()
    ended_at: datetime | None = _later()
    ended_by: str | None = Field(default=None, sa_type=Text)


class TokenHomeRow(SQLModel, table=True):
    """A home that a token opens."""

    __tablename__ = "token_homes"
    __table_args__ = (_CLUSTERED,)
    home_id: int = _home()
    token_id: int = Field(foreign_key="tokens.id", primary_key=True)


class IdempotencyRow(SQLModel, table=True):
    """The answer to a POST that carried an Idempotency-Key, stored together with its effect."""

    __tablename__ = "idempotency_keys"
    __table_args__ = (_CLUSTERED,)
    home_id: int = _home()
    author: str = Field(sa_type=Text, primary_key=True)
    key: str = Field(sa_type=Text, primary_key=True)
    made_at: datetime = _time()
    digest: str = Field(sa_type=Text)
    status: int
    answer: str = Field(sa_type=Text)


class SecretRow(SQLModel, table=True):
    """A key this installation made for itself, such as the one that signs page sessions."""

    __tablename__ = "secrets"
    name: str = Field(sa_type=Text, primary_key=True)
    value: str = Field(sa_type=Text)
