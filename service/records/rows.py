"""Between the domain's own values and rows of the tables."""

from __future__ import annotations

import dataclasses
import json
from typing import Any, cast

from sqlmodel import Session, SQLModel

from adapters.types import Command
from forecasting.types import DemandForecast
from service.control.types import (
    Decision,
    Draw,
    Fault,
    HygieneEvidence,
    MeasuredBy,
    Override,
    Rule,
    Wish,
)
from service.records.columns import from_us, plain
from service.records.pack import pack, unpack
from service.records.tables import (
    DecisionRow,
    DrawRow,
    EvidenceRow,
    FaultRow,
    ForecastRow,
    OverrideRow,
    OverrideTraceRow,
    PlanRow,
    ScoreRow,
    SettingsRow,
)
from service.records.values import (
    FaultRecord,
    Means,
    OverrideEvent,
    Score,
    SettingsVersion,
    StoredForecast,
    StoredPlan,
)
from service.scheduling.types import Plan, Reason
from service.settings import Tunables


def fields_of(value: Any) -> dict[str, Any]:
    """A dataclass's or a row's fields, not copied deeper."""
    if isinstance(value, SQLModel):
        return {name: getattr(value, name) for name in type(value).model_fields}
    return {f.name: getattr(value, f.name) for f in dataclasses.fields(value)}


def draw_row(home_id: int, draw: Draw, invented: bool) -> DrawRow:
    """A row for one draw-off."""
    return DrawRow(home_id=home_id, invented=invented, **fields_of(draw))


def draw(row: DrawRow) -> Draw:
    """One draw-off."""
    return Draw(
        start=row.start,
        end=row.end,
        litres=row.litres,
        kwh=row.kwh,
        litres_40c=row.litres_40c,
        measured_by=cast(MeasuredBy, row.measured_by),
    )


def decision_row(home_id: int, decision: Decision) -> DecisionRow:
    """A row for a change of mind."""
    commands = [fields_of(command) for command in decision.commands]
    for command in commands:
        del command["home"]
    return DecisionRow(
        home_id=home_id,
        at=decision.at,
        rule=str(decision.rule),
        code=decision.reason.code,
        facts=decision.reason.facts,
        commands=commands,
        inputs=decision.inputs,
    )


def decision(home: str, row: DecisionRow) -> Decision:
    """A change of mind."""
    return Decision(
        at=row.at,
        rule=Rule(row.rule),
        reason=Reason(row.code, row.facts),
        commands=tuple(Command(home=home, **command) for command in row.commands),
        inputs=row.inputs,
    )


def plan_row(home_id: int, plan: Plan) -> PlanRow:
    """A row for a plan."""
    windows = [fields_of(w) | {"reason": fields_of(w.reason)} for w in plan.windows]
    return PlanRow(
        home_id=home_id,
        made_at=from_us(plan.made_at_s * 1_000_000),
        until=from_us(int(plan.grid.end_s[-1]) * 1_000_000),
        cost=float(plan.cost),
        electricity_kwh=float(plan.electricity_kwh),
        reason=fields_of(plan.reason),
        windows=windows,
        whole=pack(plan),
    )


def plan(row: PlanRow) -> StoredPlan:
    """A plan from the past."""
    return StoredPlan(
        made_at=row.made_at,
        until=row.until,
        cost=row.cost,
        electricity_kwh=row.electricity_kwh,
        reason=Reason(**row.reason),
        windows=tuple(row.windows),
        whole=None if row.whole is None else unpack(row.whole),
    )


def forecast_row(home_id: int, forecast: DemandForecast) -> ForecastRow:
    """A row for a forecast."""
    means = Means(forecast.grid, forecast.expected_l40, forecast.expected_kwh)
    return ForecastRow(
        home_id=home_id,
        made_at=from_us(forecast.made_at_s * 1_000_000),
        until=from_us(int(forecast.grid.end_s[-1]) * 1_000_000),
        learned_weight=float(forecast.learned_weight),
        notes=list(forecast.notes),
        means=pack(means),
        whole=pack(forecast),
    )


def forecast(row: ForecastRow) -> StoredForecast:
    """A forecast from the past."""
    return StoredForecast(
        made_at=row.made_at,
        until=row.until,
        learned_weight=row.learned_weight,
        notes=tuple(row.notes),
        means=unpack(row.means),
        whole=None if row.whole is None else unpack(row.whole),
    )


def keep_fault(session: Session, home_id: int, fault: Fault) -> None:
    """Store a fault, or what became of one that is there."""
    row = session.get(FaultRow, (home_id, fault.since, fault.code, fault.subject))
    if row is None:
        session.add(FaultRow(home_id=home_id, **fields_of(fault)))
        return
    row.severity, row.facts, row.cleared_at = fault.severity, plain(fault.facts), fault.cleared_at


def fault_record(row: FaultRow) -> FaultRecord:
    """A fault and who has seen it."""
    fault = Fault(
        code=row.code,
        subject=row.subject,
        since=row.since,
        severity="fault" if row.severity == "fault" else "warning",
        facts=row.facts,
        cleared_at=row.cleared_at,
    )
    return FaultRecord(fault, row.acknowledged_at, row.acknowledged_by, row.told_at)


def evidence(row: EvidenceRow) -> HygieneEvidence:
    """One thermal disinfection."""
    return HygieneEvidence(
        started=row.started,
        ended=row.ended,
        passed=row.passed,
        by="credited" if row.by == "credited" else "commanded",
        lowest_probe=row.lowest_probe,
        lowest_c=row.lowest_c,
        held_s=row.held_s,
        facts=row.facts,
    )


def score(row: ScoreRow) -> Score:
    """How good a forecast was."""
    return Score(day=row.day, made_at=row.made_at, figures=row.figures)


def settings_version(row: SettingsRow) -> SettingsVersion:
    """One version of the settings."""
    # Through JSON, as it was written: lists become tuples again where the model wants them.
    return SettingsVersion(
        version=row.version,
        author=row.author,
        made_at=row.made_at,
        effective_from=row.effective_from,
        reason=row.reason,
        tunables=Tunables.model_validate_json(json.dumps(row.tunables)),
    )


def override(row: OverrideRow) -> Override:
    """A person's wish."""
    return Override(
        id=row.id or 0,
        wish=Wish(row.wish),
        author=row.author,
        made_at=row.made_at,
        since=row.since,
        until=row.until,
        tenths=row.tenths,
        people=row.people,
        note=row.note,
        ended_at=row.ended_at,
        ended_by=row.ended_by,
    )


def trace(session: Session, override_id: int, line: OverrideEvent) -> None:
    """Add a line to an override's trace."""
    session.add(OverrideTraceRow(override_id=override_id, **fields_of(line)))
