"""What the control step takes and gives. Everything here is a value; nothing reads a clock.

``now`` is aware UTC wall time; ``elapsed_s`` is monotonic and counts leases, minimum runs,
minimum rests and staleness. Litres are mixed water at 40 degC unless a name says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Literal

from adapters.types import Command, PriceSeries, Reading
from forecasting.draws import DrawModel
from forecasting.types import DemandForecast, DrawHistory, Surroundings
from service.cylinder.hygiene import HygieneTally
from service.scheduling.types import Plan, Problem, Reason


class Rule(StrEnum):
    """Who may decide, from the strongest down. ``precedence.decide`` holds the one table."""

    HARD_LIMITS = "hard_limits"
    FAIL_SAFE = "fail_safe"
    MAINTENANCE_HOLD = "maintenance_hold"
    HYGIENE = "hygiene"
    OVERRIDE = "override"
    GUESTS_AND_AWAY = "guests_and_away"
    PLAN = "plan"


class Wish(StrEnum):
    """What a person can ask for."""

    MORE = "more"  # one tenth more until the end
    LESS = "less"  # one tenth less until the end; never cools what is hot
    CHARGE_TO = "charge_to"  # ``tenths`` by ``until``
    GUESTS = "guests"  # ``people`` more, from .. until
    AWAY = "away"  # nobody, from .. until
    BACK_TO_PLAN = "back_to_plan"  # ends more, less and charge_to
    HOLD = "hold"  # maintenance: nothing is commanded until a person ends it
    END_HOLD = "end_hold"


@dataclass(frozen=True)
class Override:
    """A person's wish with its author, its span and what it asks. ``until`` None: open hold."""

    id: int
    wish: Wish
    author: str
    made_at: datetime
    since: datetime
    until: datetime | None
    tenths: int | None = None
    people: float | None = None
    note: str = ""
    ended_at: datetime | None = None
    ended_by: str | None = None


MeasuredBy = Literal["flow_meter", "profile", "doubtful"]
LARGE_BATH_L40 = 200.0  # common practice, no source


@dataclass(frozen=True)
class Draw:
    """One finished draw-off.

    ``doubtful``: seen in the profile while a source was believed to heat that, as it turned out,
    did not, or was never seen to; nobody need have drawn, nor does it say that nobody did. Or
    counted by a meter through a long silence, so that it is not known when. It is not learned from
    and not shown as use, and its time counts as not watched.
    """

    start: datetime
    end: datetime
    litres: float  # from the cylinder, at its outlet's temperature
    kwh: float  # above the cold inlet
    litres_40c: float
    measured_by: MeasuredBy

    @property
    def wanted_l40(self) -> float:
        """What was wanted at the tap, L at 40 degC, also where it came colder.

        With water below 40 degC no cold is mixed in: all that runs at the tap comes from the
        cylinder, and hot enough it would have been as many litres. What runs cold for longer than
        a large bath takes is a tap left open or a burst pipe, which nobody wanted.
        """
        return max(self.litres_40c, min(self.litres, LARGE_BATH_L40))


WorkKind = Literal["learn", "forecast", "plan"]


@dataclass(frozen=True)
class Work:
    """Something slow that the step asks for; see ``work.perform``, a pure function.

    For learn the runner fills in ``history`` from the records before it performs it.
    """

    kind: WorkKind
    number: int  # results of an older number are ignored
    asked_at: datetime
    history_from: datetime | None = None
    arguments: object = None


@dataclass(frozen=True)
class WorkDone:
    """A result that comes back as an input. ``failed`` holds the message when it raised."""

    kind: WorkKind
    number: int
    model: DrawModel | None = None
    demand: DemandForecast | None = None
    surroundings: Surroundings | None = None
    problem: Problem | None = None
    plan: Plan | None = None
    failed: str | None = None


@dataclass(frozen=True)
class Inputs:
    """What arrived since the last step."""

    readings: tuple[Reading, ...] = ()
    overrides: tuple[Override, ...] | None = None  # all that have not ended; None: unchanged
    work_done: tuple[WorkDone, ...] = ()
    prices: tuple[PriceSeries, ...] = ()
    weather: Surroundings | None = None
    broker_connected: bool | None = None  # None: unchanged
    acknowledged_faults: tuple[str, ...] = ()
    stopping: bool = False  # the service is going down: release everything


@dataclass(frozen=True)
class Decision:
    """Which rule made the commands, on what, and why; stored when it changes."""

    at: datetime
    rule: Rule
    reason: Reason
    commands: tuple[Command, ...]
    inputs: dict[str, float | int | str | None]  # the figures it used


@dataclass(frozen=True)
class Fault:
    """Something wrong, with its evidence. ``cleared_at`` None while it lasts."""

    code: str
    subject: str  # the signal, actuator or part it concerns
    since: datetime
    severity: Literal["warning", "fault"]
    facts: dict[str, float | int | str | None] = field(default_factory=dict)
    cleared_at: datetime | None = None


@dataclass(frozen=True)
class HygieneEvidence:
    """One thermal disinfection, passed or not, with what was measured."""

    started: datetime
    ended: datetime
    passed: bool
    by: Literal["commanded", "credited"]
    lowest_probe: str
    lowest_c: float
    held_s: float
    facts: dict[str, float | int | str | None] = field(default_factory=dict)


@dataclass(frozen=True)
class View:
    """What a person or a machine sees of a home now; made by the step, read by API and pages.

    None where an instrument is missing or nothing is known yet; ``loses`` says what each missing
    instrument costs, as codes.
    """

    at: datetime
    v40_l: float | None
    v40_low_l: float | None
    v40_high_l: float | None
    reference_l40: float
    shown_tenths: int | None
    lukewarm_kwh: float | None
    profile_c: tuple[float, ...]
    probes_c: dict[str, float | None]
    ages_s: dict[str, float | None]  # per signal
    cold_inlet_c: float | None
    outdoor_c: float | None
    drawn_today_l40: float
    running: tuple[str, ...]  # actuators under a lease now
    mode: Rule
    lead: Reason  # what matters next
    decision: Decision | None
    plan: Plan | None
    demand: DemandForecast | None
    surroundings: Surroundings | None
    overrides: tuple[Override, ...]
    faults: tuple[Fault, ...]
    loses: tuple[str, ...]
    typical_week_l40: tuple[tuple[float, ...], ...]  # (7, 48), Monday first; empty until known
    learned_weight: float
    hygiene: dict[str, float | int | str | None]
    caution: str | None  # code, e.g. "hotter_than_usual"
    profile_sd_c: tuple[float, ...] = ()  # beside profile_c; empty: not known
    values: dict[str, float | None] = field(default_factory=dict)  # per signal, base units
    tally: HygieneTally | None = None  # what each layer lived through since a disinfection passed
    capacity_share: float | None = None  # the heat pump's, of what was typed in, by its meters
    cop_share: float | None = None


@dataclass(frozen=True)
class Outputs:
    """What one step asks of the world.

    It wants to be called at ``wake_at`` if nothing is heard until then, and by ``due_at`` even
    if every reading stays as it is.
    """

    commands: tuple[Command, ...]
    decision: Decision | None  # only when it changed
    wake_at: datetime
    due_at: datetime
    work: tuple[Work, ...]
    draws: tuple[Draw, ...]
    faults: tuple[Fault, ...]  # raised or cleared in this step
    evidence: tuple[HygieneEvidence, ...]
    forecast_made: DemandForecast | None  # stored with its origin, scored later
    plan_made: Plan | None
    view: View


__all__ = [
    "Command",
    "Decision",
    "Draw",
    "DrawHistory",
    "Fault",
    "HygieneEvidence",
    "Inputs",
    "Outputs",
    "Override",
    "Rule",
    "View",
    "Wish",
    "Work",
    "WorkDone",
]
