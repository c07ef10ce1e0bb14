"""What records hand out, where control's own types do not already say it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any, Generic, TypeVar

from forecasting.types import DemandForecast, Floats, SlotGrid
from service.control.types import Fault
from service.scheduling.types import Plan, Reason
from service.settings import Tunables

T = TypeVar("T")
Cursor = tuple[int | str, ...]
PREFIX = "ladle_"  # so that a stray token is recognised and hidden in logs


@dataclass(frozen=True)
class Page(Generic[T]):
    """Some of a list, and where the rest begins; ``next`` is None at its end."""

    items: tuple[T, ...]
    next: Cursor | None


@dataclass(frozen=True)
class SettingsVersion:
    """One version of what people can change."""

    version: int
    author: str
    made_at: datetime
    effective_from: datetime
    reason: str
    tunables: Tunables


@dataclass(frozen=True)
class OverrideEvent:
    """One line of an override's trace."""

    at: datetime
    event: str
    by: str
    facts: dict[str, Any]


@dataclass(frozen=True)
class FaultRecord:
    """A fault and who has seen it."""

    fault: Fault
    acknowledged_at: datetime | None
    acknowledged_by: str | None
    told_at: datetime | None = None  # when people last got a message about it


@dataclass(frozen=True)
class Score:
    """How good a forecast was over one local day; ``figures`` by name."""

    day: str
    made_at: datetime
    figures: dict[str, float | int | str | None]


@dataclass(frozen=True)
class StoredPlan:
    """A plan from the past; ``whole`` is None once it is old."""

    made_at: datetime
    until: datetime
    cost: float
    electricity_kwh: float
    reason: Reason
    windows: tuple[dict[str, Any], ...]
    whole: Plan | None


@dataclass(frozen=True)
class Means:
    """What stays of an old forecast: expected litres and kWh in each slot, shape (n,)."""

    grid: SlotGrid
    expected_l40: Floats
    expected_kwh: Floats


@dataclass(frozen=True)
class StoredForecast:
    """A demand forecast from the past with its origin; ``whole`` is None once it is old."""

    made_at: datetime
    until: datetime
    learned_weight: float
    notes: tuple[str, ...]
    means: Means
    whole: DemandForecast | None


@dataclass(frozen=True)
class Snapshot:
    """Control's state as bytes, with the version of its form and the moment it was taken."""

    at: datetime
    version: int
    state: bytes


@dataclass(frozen=True)
class Thinned:
    """What one run of thinning did: rows that went, by kind."""

    raw_readings: int
    five_minutes: int
    plans: int
    forecasts: int


class Role(StrEnum):
    """What a token's bearer may do, from the least to the most."""

    READER = "reader"  # polling only
    HOUSEHOLD = "household"  # overrides too, and who has access
    INSTALLER = "installer"  # settings too


@dataclass(frozen=True)
class Token:
    """A token as it is known: never the secret itself."""

    id: int
    name: str
    role: Role
    homes: frozenset[str]
    made_at: datetime
    last_used_at: datetime | None = None
    ended_at: datetime | None = None
    ended_by: str | None = None
