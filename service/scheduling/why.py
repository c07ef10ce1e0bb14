"""Find the reasons of a plan and of its windows, as codes and facts."""

from __future__ import annotations

from service.cylinder.tenths import tenths
from service.scheduling.lattice import Compiled
from service.scheduling.outlook import Outlook
from service.scheduling.path import Path, Run, Treated
from service.scheduling.types import Reason, Window


def plan_reason(c: Compiled, ahead: Outlook, path: Path, windows: list[Window]) -> Reason:
    """What matters next, for the lead sentence."""
    return Reason("enough", {})


def window_reason(c: Compiled, path: Path, runs: list[Run]) -> Reason:
    """Why this much, why then, and what would change it."""
    return Reason("cheapest_before_use", {})


def drifted(until_l40: float, reference_l40: float) -> Reason:
    """Reality left the expected path; the base-stock level decides."""
    return Reason("below_base_stock", {"target_tenths": round(tenths(until_l40, reference_l40))})


def treatment_reason(c: Compiled, treated: Treated) -> Reason:
    """Why the disinfection stands where it does."""
    return Reason("disinfection_cheapest", {})
