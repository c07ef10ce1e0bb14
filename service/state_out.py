"""The home's state and faults as they are published over MQTT: the figures a machine polls."""

from __future__ import annotations

from typing import Any

from service.control.types import View


def state_fields(view: View) -> dict[str, Any]:
    """The state as JSON-able fields; litres are mixed water at 40 degC."""
    plan = view.plan
    coming = [w for w in plan.windows if w.end_s > view.at.timestamp()] if plan else []
    return {
        "at": view.at.isoformat(),
        "charge_tenths": view.shown_tenths,
        "usable_l40": _rounded(view.v40_l),
        "usable_low_l40": _rounded(view.v40_low_l),
        "usable_high_l40": _rounded(view.v40_high_l),
        "reference_l40": _rounded(view.reference_l40),
        "cold_inlet_c": _rounded(view.cold_inlet_c),
        "drawn_today_l40": _rounded(view.drawn_today_l40),
        "rule": view.mode.value,
        "running": list(view.running),
        "lead": {"code": view.lead.code, "facts": view.lead.facts},
        "next_window": {
            "source": coming[0].source,
            "start_s": coming[0].start_s,
            "end_s": coming[0].end_s,
            "target_tenths": coming[0].target_tenths,
        }
        if coming
        else None,
        "faults": len(view.faults),
        "caution": view.caution,
    }


def faults_fields(view: View) -> list[dict[str, Any]]:
    """The lasting faults as JSON-able fields."""
    return [
        {
            "code": f.code,
            "subject": f.subject,
            "severity": f.severity,
            "since": f.since.isoformat(),
            "facts": f.facts,
        }
        for f in view.faults
    ]


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 1)
