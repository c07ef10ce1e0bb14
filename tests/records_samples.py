"""Small plans, forecasts and outputs for the tests of records and API; invented figures."""

from __future__ import annotations

import tempfile
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import numpy as np

from adapters.types import Command, Reading
from forecasting.types import DemandForecast, SlotGrid
from service.control.types import (
    Decision,
    Draw,
    Fault,
    HygieneEvidence,
    Outputs,
    Override,
    Rule,
    View,
    Wish,
)
from service.records.records import Records
from service.scheduling.types import Plan, Reason, Window

NOW = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
NOW_S = int(NOW.timestamp())


@cache
def _template() -> bytes:
    """A migrated, empty database, made once for all tests of a run."""
    with tempfile.TemporaryDirectory() as folder:
        Records.open(f"sqlite:///{folder}/template.sqlite").close()
        return (Path(folder) / "template.sqlite").read_bytes()


def fresh(path: Path) -> str:
    """The URL of a new, empty database at ``path``."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(_template())
    return f"sqlite:///{path}"


def reading(signal: str, at_s: float, value: float, delay_s: float = 0.05) -> Reading:
    return Reading("home", signal, value, at_s, at_s + delay_s, stamped=True, tells_now=True)


def draw(at: datetime = NOW, litres_40c: float = 40.0, minutes: float = 6.0) -> Draw:
    return Draw(
        at, at + timedelta(minutes=minutes), litres_40c * 0.7, 1.4, litres_40c, "flow_meter"
    )


def grid(slots: int = 96) -> SlotGrid:
    start = NOW_S + 1800 * np.arange(slots, dtype=np.int64)
    return SlotGrid(start, start + 1800)


def forecast(made_at_s: int = NOW_S, slots: int = 96) -> DemandForecast:
    rng = np.random.default_rng(5)
    pmf = rng.random((slots, 3, 50))
    pmf /= pmf.sum(axis=2, keepdims=True)
    return DemandForecast(
        grid=grid(slots),
        volumes_l40=np.arange(50) * 2.0,
        pmf=pmf,
        regime_now=np.array([0.2, 0.5, 0.3]),
        transition=np.tile(np.eye(3), (slots, 1, 1)),
        expected_l40=rng.random(slots) * 30,
        expected_kwh=rng.random(slots),
        learned_weight=0.75,
        made_at_s=made_at_s,
        notes=("holiday",),
    )


def plan(made_at_s: int = NOW_S, slots: int = 96) -> Plan:
    rng = np.random.default_rng(6)
    window = Window(
        start_s=made_at_s + 3600,
        end_s=made_at_s + 9000,
        source="heat_pump",
        target_l40=310.0,
        target_tenths=8,
        electricity_kwh=2.4,
        cost=0.29,
        from_surplus_kwh=0.0,
        purpose="charge",
        reason=Reason("cheapest_before_use", {"price_per_kwh": 0.12, "use_l40": 140.0}),
    )
    return Plan(
        grid=grid(slots),
        made_at_s=made_at_s,
        windows=(window,),
        base_stock_l40=rng.random((slots, 3, 1)) * 300,
        source_names=("heat_pump",),
        expected_l40=rng.random(slots + 1) * 300,
        low_l40=rng.random(slots + 1) * 200,
        expected_use_l40=rng.random(slots) * 20,
        short_chance=rng.random(slots) * 0.01,
        import_per_kwh=rng.random(slots) * 0.3,
        surplus_w=np.zeros(slots),
        price_estimated=np.arange(slots) > 60,
        price_note="bands",
        cost=1.23,
        electricity_kwh=6.5,
        reason=Reason("enough_for_next", {"spare_l40": 42.0}),
    )


def decision(at: datetime = NOW) -> Decision:
    return Decision(
        at=at,
        rule=Rule.PLAN,
        reason=Reason("window_open", {"target_tenths": 8}),
        commands=(Command("home", "heat_pump_relay", "run", 52.0, None, 600.0),),
        inputs={"usable_l40": 140.0, "mode": "plan", "outdoor_c": None},
    )


def fault(cleared: bool = False) -> Fault:
    since = NOW - timedelta(hours=2)
    return Fault(
        "command_without_effect",
        "heat_pump_relay",
        since,
        "fault",
        {"electricity_w": 0.0},
        NOW if cleared else None,
    )


def evidence() -> HygieneEvidence:
    return HygieneEvidence(
        NOW - timedelta(hours=3), NOW, True, "commanded", "probe_1", 60.4, 3700.0, {"d_value_s": 60}
    )


def override(wish: Wish = Wish.MORE, hours: float = 6.0) -> Override:
    return Override(0, wish, "household", NOW, NOW, NOW + timedelta(hours=hours), note="bath night")


def view(at: datetime = NOW) -> View:
    return View(
        at=at,
        v40_l=182.4,
        v40_low_l=171.0,
        v40_high_l=193.1,
        reference_l40=352.0,
        shown_tenths=4,
        lukewarm_kwh=0.6,
        profile_c=tuple(20.0 + k for k in range(40)),
        probes_c={"probe_1": 21.0, "probe_2": 48.5, "probe_3": None},
        ages_s={"probe_1": 4.0, "probe_2": 4.0, "probe_3": None},
        cold_inlet_c=9.5,
        outdoor_c=6.1,
        drawn_today_l40=84.0,
        running=(),
        mode=Rule.PLAN,
        lead=Reason("enough_for_next", {"spare_l40": 42.0}),
        decision=decision(),
        plan=plan(),
        demand=forecast(),
        surroundings=None,
        overrides=(),
        faults=(),
        loses=("no_electricity_meter",),
        typical_week_l40=tuple(tuple(float(d + s) for s in range(48)) for d in range(7)),
        learned_weight=0.75,
        hygiene={"next_due": "2026-03-05T03:00:00+00:00", "lukewarm_h": 14.0},
        caution=None,
    )


def outputs(**changes: object) -> Outputs:
    fields: dict[str, object] = {
        "commands": (),
        "decision": None,
        "wake_at": NOW + timedelta(minutes=1),
        "due_at": NOW + timedelta(minutes=1),
        "work": (),
        "draws": (),
        "faults": (),
        "evidence": (),
        "forecast_made": None,
        "plan_made": None,
        "view": view(),
    }
    return Outputs(**(fields | changes))  # type: ignore[arg-type]
