"""Faults found from the data: each with its detection time, its evidence, and its clearing.

``DETECTORS`` is the one table: what is looked for, on what evidence, how long it must last before
it is told, and how long it must be gone before it is cleared. ``advance`` runs the checks; none
of them commands anything.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

from service.control import observe
from service.control.situation import Situation
from service.control.state import Facts, Suspicion, Watch
from service.control.types import Fault


@dataclass(frozen=True)
class Detector:
    """One line of the table."""

    code: str
    finds: str
    evidence: str
    severity: Literal["warning", "fault"]
    told_after_s: float
    cleared_after_s: float


DETECTORS: tuple[Detector, ...] = (
    Detector(
        "signal_stale",
        "a signal that fell silent",
        "no value for longer than its stale_after_s",
        "warning",
        600.0,
        60.0,
    ),
    Detector(
        "clock_jumped",
        "a wall clock that jumped",
        "wall time and elapsed time moved differently by more than 90 s",
        "warning",
        0.0,
        0.0,
    ),
    Detector(
        "clock_cannot_be_right",
        "a wall clock in an impossible year",
        "a year before 2024 or after 2100",
        "fault",
        0.0,
        0.0,
    ),
    Detector(
        "work_failed",
        "learning, forecasting or planning that failed",
        "the message it failed with",
        "warning",
        0.0,
        0.0,
    ),
)
BY_CODE = {d.code: d for d in DETECTORS}


@dataclass(frozen=True)
class Finding:
    """Something a check sees now."""

    code: str
    subject: str
    facts: Facts


def advance(s: Situation) -> tuple[Watch, tuple[Fault, ...], tuple[Fault, ...]]:
    """Run the checks: supervision's memory, all standing faults, and those raised or cleared."""
    watch = s.state.watch
    found = {(f.code, f.subject): f for f in _findings(s)}
    suspicions: dict[str, Suspicion] = {}
    standing = {(f.code, f.subject): f for f in s.state.faults if f.cleared_at is None}
    changed: list[Fault] = []
    for key, finding in found.items():
        name = f"{key[0]}/{key[1]}"
        suspicion = watch.suspicions.get(name) or Suspicion(s.elapsed_s, s.now)
        suspicion = replace(suspicion, facts=finding.facts, seen_mark_s=s.elapsed_s)
        suspicions[name] = suspicion
        detector = BY_CODE[key[0]]
        if key not in standing and (s.elapsed_s - suspicion.since_mark_s >= detector.told_after_s):
            fault = Fault(key[0], key[1], suspicion.since_at, detector.severity, finding.facts)
            standing[key] = fault
            changed.append(fault)
    for key, fault in list(standing.items()):
        name = f"{key[0]}/{key[1]}"
        if key in found:
            continue
        suspicion = watch.suspicions.get(name) or Suspicion(s.elapsed_s, s.now)
        gone_s = s.elapsed_s - suspicion.seen_mark_s
        if key[0] not in BY_CODE or gone_s >= BY_CODE[key[0]].cleared_after_s:
            del standing[key]
            changed.append(replace(fault, cleared_at=s.now))
        else:
            suspicions[name] = suspicion
    return replace(watch, suspicions=suspicions), tuple(standing.values()), tuple(changed)


def _findings(s: Situation) -> Iterator[Finding]:
    state = s.state
    for name, heard in state.heard.items():
        signal = s.plant.signals.get(name)
        if signal is not None and name not in s.fresh:
            age = heard.age_at(s.elapsed_s)
            yield Finding("signal_stale", name, {"stale_after_s": signal.stale_after_s})
            del age
    if state.clock.wrong:
        yield Finding("clock_cannot_be_right", "clock", {"year": s.now.year})
    if observe.just_jumped(state.clock, s.elapsed_s):
        yield Finding("clock_jumped", "clock", {"by_s": round(state.clock.jumped_by_s)})
    for kind, message in state.planning.failed.items():
        yield Finding("work_failed", kind, {"message": message})
