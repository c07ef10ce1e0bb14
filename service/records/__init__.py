"""What is kept: readings, draws, decisions, plans, settings and the rest, per home."""

from service.records.errors import RecordsError
from service.records.records import Records
from service.records.tokens import Role, Token
from service.records.values import (
    FaultRecord,
    OverrideEvent,
    Page,
    Score,
    SettingsVersion,
    Snapshot,
    StoredForecast,
    StoredPlan,
)

__all__ = [
    "FaultRecord",
    "OverrideEvent",
    "Page",
    "Records",
    "RecordsError",
    "Role",
    "Score",
    "SettingsVersion",
    "Snapshot",
    "StoredForecast",
    "StoredPlan",
    "Token",
]
