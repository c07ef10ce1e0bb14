"""What the API says, with units in the names, and how it is made from the domain's values.

Temperatures are in degC (``_c``), volumes in litres (``_l``), usable water in litres of mixed
water at 40 degC (``_l40``, V40 of EN 16147), energy in kWh, power in W, durations in s, money in
the home's currency. Times are ISO 8601 in UTC. null: not known, or no instrument.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

import numpy as np
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, JsonValue, RootModel

from forecasting.sums import accumulated, quantiles, slot_quantiles
from forecasting.types import DemandForecast
from service.control.overrides import FIELDS, MOST_PEOPLE, NOTE_LENGTH, REASON_LENGTH, accepted
from service.control.types import Decision, Draw, Fault, HygieneEvidence, Override, View, Wish
from service.house import Health
from service.pages import cold_words, sentences
from service.pages.local import Local
from service.records.columns import plain
from service.records.readings import Stretch
from service.records.values import FaultRecord, OverrideEvent, Score, SettingsVersion, Token
from service.scheduling.types import Plan, Reason, Window
from service.scoring import WHOLE
from service.settings import HomeSettings, HomeWiring, Tunables
from service.settings_check import hardly_meant
from service.warmth import Warmth

Facts = Annotated[dict[str, float | int | str | None], BeforeValidator(plain)]
LEVELS = (0.5, 0.8, 0.95, 0.99)


def _example(**fields: Any) -> ConfigDict:
    return ConfigDict(json_schema_extra={"example": fields})


def at(seconds: float) -> datetime:
    """The aware UTC moment ``seconds`` after 1970."""
    return datetime.fromtimestamp(int(seconds), UTC)


def _round(value: float | None, digits: int = 2) -> float | None:
    return None if value is None or not np.isfinite(value) else round(float(value), digits)


class ReasonOut(BaseModel):
    """Why, as a code and the facts that fill its sentence."""

    model_config = _example(code="enough", facts={"spare_l40": 42.0})
    code: str
    facts: Facts

    @classmethod
    def of(cls, reason: Reason) -> ReasonOut:
        """From the domain."""
        return cls(code=reason.code, facts=reason.facts)


class CommandOut(BaseModel):
    """What an actuator was told, as a lease."""

    actuator: str
    action: Literal["run", "release", "block"]
    set_c: float | None
    power_w: float | None
    lease_s: float


class DecisionOut(BaseModel):
    """Which rule made the commands, on what figures, and why."""

    at: datetime
    rule: str
    reason: ReasonOut
    commands: list[CommandOut]
    inputs: Facts

    @classmethod
    def of(cls, decision: Decision) -> DecisionOut:
        """From the domain."""
        return cls(
            at=decision.at,
            rule=decision.rule,
            reason=ReasonOut.of(decision.reason),
            commands=[
                CommandOut(
                    actuator=c.actuator,
                    action=c.action,
                    set_c=c.set_c,
                    power_w=c.power_w,
                    lease_s=c.lease_s,
                )
                for c in decision.commands
            ],
            inputs=decision.inputs,
        )


_GUESTS: dict[str, Any] = {
    "id": 12,
    "wish": "guests",
    "author": "hall tablet",
    "made_at": "2026-03-02T12:00:00Z",
    "since": "2026-03-06T17:00:00Z",
    "until": "2026-03-08T18:00:00Z",
    "tenths": None,
    "people": 2,
    "note": "the cousins",
    "ended_at": None,
    "ended_by": None,
}


class OverrideOut(BaseModel):
    """A person's wish."""

    model_config = _example(**_GUESTS)
    id: int
    wish: Wish
    author: str
    made_at: datetime
    since: datetime
    until: datetime | None
    tenths: int | None
    people: float | None
    note: str
    ended_at: datetime | None
    ended_by: str | None

    @classmethod
    def of(cls, override: Override) -> OverrideOut:
        """From the domain."""
        return cls.model_validate(override, from_attributes=True)


class MadeOverrideOut(OverrideOut):
    """An override that was made, and what keeps it from being carried out."""

    model_config = _example(**_GUESTS, message="accepted", held_by=None)
    message: str = Field(description="accepted, and whose maintenance hold it waits for.")
    held_by: OverrideOut | None = Field(
        description="The maintenance hold that stands: nothing is commanded until a person ends it."
    )

    @classmethod
    def made(cls, override: Override, hold: Override | None, zone: ZoneInfo) -> MadeOverrideOut:
        """From the domain."""
        return cls(
            **OverrideOut.of(override).model_dump(),
            message=accepted(hold, zone),
            held_by=None if hold is None else OverrideOut.of(hold),
        )


class OverrideEventOut(BaseModel):
    """One line of an override's trace."""

    at: datetime
    event: str
    by: str
    facts: Facts


class TracedOverrideOut(OverrideOut):
    """An override with what became of it."""

    trace: list[OverrideEventOut]

    @classmethod
    def traced(cls, override: Override, trace: Iterable[OverrideEvent]) -> TracedOverrideOut:
        """From the records."""
        lines = [OverrideEventOut.model_validate(line, from_attributes=True) for line in trace]
        return cls(**OverrideOut.of(override).model_dump(), trace=lines)


_WISH_EXAMPLES: list[JsonValue] = [
    {"wish": "more"},
    {"wish": "charge_to", "tenths": 8, "until": "18:30"},
    {
        "wish": "guests",
        "people": 2,
        "from": "2026-03-06T17:00:00Z",
        "until": "2026-03-08T18:00:00Z",
    },
    {"wish": "away", "from": "2026-04-03T08:00:00Z", "until": "2026-04-12T17:00:00Z"},
    {"wish": "back_to_plan"},
    {"wish": "hold", "note": "annual service"},
    {"wish": "end_hold"},
]
_TAKES = "; ".join(f"{w}: {', '.join(sorted(fields)) or 'nothing'}" for w, fields in FIELDS.items())


class WishIn(RootModel[dict[str, Any]]):
    """A wish: one of the kinds, with the fields that kind takes. Control checks the rest."""

    model_config = ConfigDict(
        json_schema_extra={
            "properties": {
                "wish": {"type": "string", "enum": [str(w) for w in Wish]},
                "tenths": {"type": "integer", "minimum": 1, "maximum": 10},
                "people": {
                    "type": "number",
                    "exclusiveMinimum": 0,
                    "maximum": MOST_PEOPLE,
                    "description": "How many more than usual.",
                },
                "from": {"type": "string", "description": "ISO 8601, or HH:MM in local time."},
                "until": {"type": "string", "description": "ISO 8601, or HH:MM in local time."},
                "note": {"type": "string", "description": f"{NOTE_LENGTH} characters are kept."},
            },
            "required": ["wish"],
            "description": f"Besides wish and note, each kind takes: {_TAKES}.",
            "examples": _WISH_EXAMPLES,
        }
    )


class FaultOut(BaseModel):
    """Something wrong, with its evidence."""

    model_config = _example(
        code="command_without_effect",
        subject="heat_pump",
        since="2026-03-02T10:00:00Z",
        severity="fault",
        facts={"electricity_w": 0.0},
        cleared_at=None,
        acknowledged_at=None,
        acknowledged_by=None,
    )
    code: str
    subject: str
    since: datetime
    severity: Literal["warning", "fault"]
    facts: Facts
    cleared_at: datetime | None
    acknowledged_at: datetime | None = None
    acknowledged_by: str | None = None

    @classmethod
    def of(cls, fault: Fault) -> FaultOut:
        """From the domain."""
        return cls.model_validate(fault, from_attributes=True)

    @classmethod
    def kept(cls, record: FaultRecord) -> FaultOut:
        """From the records."""
        seen = {
            "acknowledged_at": record.acknowledged_at,
            "acknowledged_by": record.acknowledged_by,
        }
        return cls.of(record.fault).model_copy(update=seen)


class AcknowledgementIn(BaseModel):
    """Which fault a person has seen."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={"example": {"code": "command_without_effect", "subject": "heat_pump"}},
    )
    code: str = Field(max_length=200)
    subject: str = Field(max_length=200)


class StateOut(BaseModel):
    """A home now. ``charge_tenths`` is never more than is surely there."""

    model_config = _example(
        home="home",
        at="2026-03-02T12:00:00Z",
        charge_tenths=4,
        usable_l40=182.4,
        usable_low_l40=171.0,
        usable_high_l40=193.1,
        reference_l40=352.0,
        lukewarm_kwh=0.6,
        profile_c=[18.2, 24.0, 47.5, 52.1],
        probes_c={"probe_bottom": 18.2, "probe_top": 52.1},
        ages_s={"probe_bottom": 4.0, "probe_top": 4.0},
        cold_inlet_c=9.5,
        outdoor_c=6.1,
        drawn_today_l40=84.0,
        running=[],
        rule="plan",
        lead={"code": "enough_for_next", "facts": {"spare_l40": 42.0}},
        decision=None,
        overrides=[],
        faults=[],
        loses=["no_flow_meter_draws_from_profile"],
        learned_weight=0.75,
        hygiene={"lukewarm_h": 14.0},
        caution=None,
    )
    home: str
    at: datetime
    charge_tenths: int | None = Field(description="Whole tenths of the lower bound, steadied.")
    usable_l40: float | None
    usable_low_l40: float | None
    usable_high_l40: float | None
    reference_l40: float = Field(description="What ten tenths are.")
    lukewarm_kwh: float | None = Field(description="Heat in water too cool to use.")
    profile_c: list[float] = Field(description="Layers from the bottom up.")
    probes_c: dict[str, float | None]
    ages_s: dict[str, float | None] = Field(
        description="Of each signal's last value; null where none came since the start."
    )
    cold_inlet_c: float | None
    outdoor_c: float | None
    drawn_today_l40: float
    running: list[str] = Field(description="Actuators under a lease now.")
    rule: str = Field(description="Which rule decides now.")
    lead: ReasonOut = Field(description="What matters next.")
    decision: DecisionOut | None
    overrides: list[OverrideOut]
    faults: list[FaultOut]
    loses: list[str] = Field(description="What missing instruments cost, as codes.")
    learned_weight: float = Field(description="0 published profile only .. 1 this household only.")
    hygiene: Facts
    caution: str | None

    @classmethod
    def of(cls, home: str, view: View) -> StateOut:
        """From the last step's view."""
        return cls(
            home=home,
            at=view.at,
            charge_tenths=view.shown_tenths,
            usable_l40=_round(view.v40_l, 1),
            usable_low_l40=_round(view.v40_low_l, 1),
            usable_high_l40=_round(view.v40_high_l, 1),
            reference_l40=round(view.reference_l40, 1),
            lukewarm_kwh=_round(view.lukewarm_kwh),
            profile_c=[round(float(c), 2) for c in view.profile_c],
            probes_c={name: _round(c) for name, c in view.probes_c.items()},
            ages_s={name: _round(s, 1) for name, s in view.ages_s.items()},
            cold_inlet_c=_round(view.cold_inlet_c),
            outdoor_c=_round(view.outdoor_c),
            drawn_today_l40=round(view.drawn_today_l40, 1),
            running=list(view.running),
            rule=view.mode,
            lead=ReasonOut.of(view.lead),
            decision=None if view.decision is None else DecisionOut.of(view.decision),
            overrides=[OverrideOut.of(o) for o in view.overrides],
            faults=[FaultOut.of(f) for f in view.faults],
            loses=list(view.loses),
            learned_weight=round(view.learned_weight, 3),
            hygiene=view.hygiene,
            caution=view.caution,
        )


class WindowOut(BaseModel):
    """One stretch of planned charging."""

    model_config = _example(
        start="2026-03-02T13:00:00Z",
        end="2026-03-02T14:30:00Z",
        source="heat_pump",
        target_tenths=8,
        target_l40=310.0,
        electricity_kwh=2.4,
        cost=0.29,
        from_surplus_kwh=0.0,
        purpose="charge",
        reason={"code": "cheapest_before_use", "facts": {"price_per_kwh": 0.12}},
    )
    start: datetime
    end: datetime
    source: Literal["heat_pump", "immersion"]
    target_tenths: int
    target_l40: float
    electricity_kwh: float
    cost: float
    from_surplus_kwh: float
    purpose: Literal["charge", "disinfection", "surplus"]
    reason: ReasonOut

    @classmethod
    def of(cls, window: Window) -> WindowOut:
        """From a plan."""
        return cls(
            start=at(window.start_s),
            end=at(window.end_s),
            source=window.source,
            target_tenths=window.target_tenths,
            target_l40=round(window.target_l40, 1),
            electricity_kwh=round(window.electricity_kwh, 3),
            cost=round(window.cost, 4),
            from_surplus_kwh=round(window.from_surplus_kwh, 3),
            purpose=window.purpose,
            reason=ReasonOut.of(window.reason),
        )


class PlanSlotOut(BaseModel):
    """What the plan expects in one slot; the charge is that at its start."""

    start: datetime
    end: datetime
    import_per_kwh: float
    price_estimated: bool
    surplus_w: float
    expected_use_l40: float
    expected_usable_l40: float
    low_usable_l40: float = Field(description="5 % quantile.")
    short_chance: float = Field(description="Chance that use in the slot is not met.")


class PlanOut(BaseModel):
    """What is planned, and what the plan expects."""

    home: str
    currency: str
    made_at: datetime
    reason: ReasonOut
    cost: float = Field(description="Less the worth of what is left at the horizon.")
    electricity_kwh: float
    price_note: str
    windows: list[WindowOut]
    slots: list[PlanSlotOut]

    @classmethod
    def of(cls, home: str, currency: str, plan: Plan) -> PlanOut:
        """From the plan in force."""
        return cls(
            home=home,
            currency=currency,
            made_at=at(plan.made_at_s),
            reason=ReasonOut.of(plan.reason),
            cost=round(float(plan.cost), 4),
            electricity_kwh=round(float(plan.electricity_kwh), 3),
            price_note=plan.price_note,
            windows=[WindowOut.of(w) for w in plan.windows],
            slots=[
                PlanSlotOut(
                    start=at(plan.grid.start_s[i]),
                    end=at(plan.grid.end_s[i]),
                    import_per_kwh=round(float(plan.import_per_kwh[i]), 5),
                    price_estimated=bool(plan.price_estimated[i]),
                    surplus_w=round(float(plan.surplus_w[i]), 1),
                    expected_use_l40=round(float(plan.expected_use_l40[i]), 2),
                    expected_usable_l40=round(float(plan.expected_l40[i]), 1),
                    low_usable_l40=round(float(plan.low_l40[i]), 1),
                    short_chance=round(float(plan.short_chance[i]), 5),
                )
                for i in range(len(plan.grid))
            ],
        )


class QuantilesOut(BaseModel):
    """Litres that are not exceeded with a chance of 50, 80, 95 and 99 %."""

    p50_l40: float
    p80_l40: float
    p95_l40: float
    p99_l40: float

    @classmethod
    def of(cls, litres: Iterable[float]) -> QuantilesOut:
        """From four figures in the order of ``LEVELS``."""
        p50, p80, p95, p99 = litres
        return cls(p50_l40=p50, p80_l40=p80, p95_l40=p95, p99_l40=p99)


class ForecastSlotOut(BaseModel):
    """Use in one slot, and what will have been used from the first slot to its end."""

    start: datetime
    end: datetime
    expected_l40: float
    expected_kwh: float
    use: QuantilesOut
    use_until_end: QuantilesOut


class ForecastOut(BaseModel):
    """What the household will probably draw. Sums are no sum of slots: see ``use_until_end``."""

    home: str
    made_at: datetime
    learned_weight: float
    notes: list[str]
    slots: list[ForecastSlotOut]

    @classmethod
    def of(cls, home: str, forecast: DemandForecast) -> ForecastOut:
        """From the forecast in force."""
        single = slot_quantiles(forecast, LEVELS)
        ends = tuple(range(1, len(forecast.grid) + 1))
        sums = quantiles(accumulated(forecast, ends), LEVELS)
        columns = zip(
            forecast.grid.start_s.tolist(),
            forecast.grid.end_s.tolist(),
            forecast.expected_l40.round(2).tolist(),
            forecast.expected_kwh.round(3).tolist(),
            single.round(1).tolist(),
            sums.round(1).tolist(),
            strict=True,
        )
        return cls(
            home=home,
            made_at=at(forecast.made_at_s),
            learned_weight=round(float(forecast.learned_weight), 3),
            notes=list(forecast.notes),
            slots=[
                ForecastSlotOut(
                    start=at(start_s),
                    end=at(end_s),
                    expected_l40=litres,
                    expected_kwh=kwh,
                    use=QuantilesOut.of(use),
                    use_until_end=QuantilesOut.of(until_end),
                )
                for start_s, end_s, litres, kwh, use, until_end in columns
            ],
        )


class TypicalWeekOut(BaseModel):
    """Expected litres per weekday (Monday first) and half hour; empty until something is known."""

    home: str
    zone: str
    learned_weight: float
    half_hours_l40: list[list[float]]


_A_BATH: dict[str, Any] = {
    "start": "2026-03-02T19:02:00Z",
    "end": "2026-03-02T19:12:00Z",
    "hot_l": 100.0,
    "energy_kwh": 2.7,
    "use_l40": 79.0,
    "measured_by": "flow_meter",
}


class DrawOut(BaseModel):
    """One finished draw-off."""

    model_config = _example(**_A_BATH)
    start: datetime
    end: datetime
    hot_l: float = Field(description="From the cylinder, at its outlet's temperature.")
    energy_kwh: float = Field(description="Above the cold inlet.")
    use_l40: float
    measured_by: Literal["flow_meter", "profile"]

    @classmethod
    def of(cls, draw: Draw) -> DrawOut:
        """From the records."""
        return cls(
            start=draw.start,
            end=draw.end,
            hot_l=round(draw.litres, 2),
            energy_kwh=round(draw.kwh, 3),
            use_l40=round(draw.litres_40c, 2),
            measured_by=draw.measured_by,
        )


class CauseOut(BaseModel):
    """What stood in the way of hot water before a draw-off, with its figures and how to mend it."""

    code: str = Field(
        description=f"{', '.join(sentences.COLD)}; or a fault's, as in faults, whose subject and "
        "since then stand among the facts."
    )
    facts: Facts = Field(description="Moments in s since 1970.")
    what: str = Field(description="In words, in the home's own time.")
    mend: str

    @classmethod
    def of(cls, found: Reason | Fault, draw: Draw, local: Local) -> CauseOut:
        """From what was found."""
        facts = found.facts
        if isinstance(found, Fault):
            facts = {"subject": found.subject, "since": found.since.timestamp(), **facts}
        said = cold_words.cause(found, draw, local)
        return cls(code=found.code, facts=facts, what=said.what, mend=said.mend)


class WarmthOut(DrawOut):
    """How warm one draw-off came and, where it was colder than wanted, why."""

    model_config = _example(
        **_A_BATH,
        mean_c=33.4,
        end_c=24.1,
        least_c=39.0,
        colder=True,
        causes=[
            {
                "code": "more_than_expected",
                "facts": {"drawn_l40": 79, "since": 1772478120.0, "expected_l40": 30},
                "what": "From today 19:02 on 79 L at 40 °C had been drawn; by this household's "
                "habits about 30 L were expected then.",
                "mend": "Say guests on the household's page before they come, or ask for a charge "
                "by a time. A new habit is learned within some weeks; until then a larger reserve "
                "helps.",
            }
        ],
    )
    mean_c: float | None = Field(description="At the outlet, from metered heat and volume.")
    end_c: float | None = Field(description="As it ended; null where no reading of then is kept.")
    least_c: float = Field(description="Below it water was colder than wanted.")
    colder: bool | None = Field(
        description="Than wanted, in the mean or at its end; null: neither is known."
    )
    causes: list[CauseOut] = Field(description="Of a colder one, the likeliest first; else none.")

    @classmethod
    def found(cls, warmth: Warmth, local: Local) -> WarmthOut:
        """From the records."""
        return cls(
            **DrawOut.of(warmth.draw).model_dump(),
            mean_c=_round(warmth.mean_c, 1),
            end_c=_round(warmth.end_c, 1),
            least_c=warmth.least_c,
            colder=warmth.cold,
            causes=[CauseOut.of(c, warmth.draw, local) for c in warmth.causes],
        )


class EvidenceOut(BaseModel):
    """One thermal disinfection, with what was measured."""

    started: datetime
    ended: datetime
    passed: bool
    by: Literal["commanded", "credited"]
    lowest_probe: str
    lowest_c: float
    held_s: float
    facts: Facts

    @classmethod
    def of(cls, evidence: HygieneEvidence) -> EvidenceOut:
        """From the records."""
        return cls.model_validate(evidence, from_attributes=True)


class HygieneOut(BaseModel):
    """How hygiene stands. Outlets and pipework are not disinfected by the cylinder's heat."""

    home: str
    now: Facts
    caution: str | None
    items: list[EvidenceOut]


class ScoreOut(BaseModel):
    """How good a forecast was over one local day."""

    day: str
    made_at: datetime
    figures: Facts

    @classmethod
    def of(cls, score: Score) -> ScoreOut:
        """From the records; the score as the verdict reads it is for the service itself."""
        told = {name: value for name, value in score.figures.items() if name != WHOLE}
        return cls(day=score.day, made_at=score.made_at, figures=told)


class ReadingOut(BaseModel):
    """One reading (``span_s`` 0), or what a signal did over a span, in its base unit."""

    model_config = _example(
        signal="probe_top",
        start="2026-03-02T12:00:00Z",
        span_s=300,
        mean=51.8,
        least=51.2,
        greatest=52.1,
        count=30,
    )
    signal: str
    start: datetime
    span_s: int
    mean: float
    least: float
    greatest: float
    count: int

    @classmethod
    def of(cls, stretch: Stretch) -> ReadingOut:
        """From the records."""
        return cls(
            signal=stretch.signal,
            start=datetime.fromtimestamp(stretch.start_s, UTC),
            span_s=stretch.span_s,
            mean=stretch.mean,
            least=stretch.least,
            greatest=stretch.greatest,
            count=stretch.count,
        )


class SettingsOut(BaseModel):
    """The settings in force, which people change while it runs."""

    home: str
    version: int
    settings: Tunables
    warnings: list[str] = Field(description="What is taken and hardly meant, with how to mend it.")

    @classmethod
    def of(cls, settings: HomeSettings) -> SettingsOut:
        """From the house."""
        return cls(
            home=settings.wiring.id,
            version=settings.version,
            settings=settings.tunables,
            warnings=list(hardly_meant(settings)),
        )


class SettingsVersionOut(BaseModel):
    """One version, with who made it, when, from when it held, and why."""

    version: int
    author: str
    made_at: datetime
    effective_from: datetime
    reason: str
    settings: Tunables

    @classmethod
    def of(cls, version: SettingsVersion) -> SettingsVersionOut:
        """From the records."""
        return cls(
            version=version.version,
            author=version.author,
            made_at=version.made_at,
            effective_from=version.effective_from,
            reason=version.reason,
            settings=version.tunables,
        )


class SettingsIn(BaseModel):
    """A change: a JSON merge patch (RFC 7396) of the settings, in which null means the default."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "example": {
                "changes": {"occupants": 4, "learning": {"window_weeks": 6}},
                "reason": "a fourth person moved in",
            }
        },
    )
    changes: dict[str, Any] = Field(min_length=1)
    reason: str = Field(default="", max_length=REASON_LENGTH)


class HealthOut(BaseModel):
    """How one home's service stands."""

    model_config = _example(
        home="home",
        at="2026-03-02T12:00:00Z",
        broker_connected=True,
        broker_since="2026-03-01T04:12:00Z",
        broker_trouble="",
        last_reading_at="2026-03-02T11:59:56Z",
        last_commit_at="2026-03-02T11:59:40Z",
        last_plan_at="2026-03-02T11:30:00Z",
        refusals={"out_of_range": 2},
        refused=[
            "signal probe_top on topic plant/top: expected a number; got 'hello'; let the sender "
            "publish the number alone, without unit and words"
        ],
        notes=[],
        database_bytes=48_000_000,
        written_bytes=1_200_000,
    )
    home: str
    at: datetime
    broker_connected: bool
    broker_since: datetime | None
    broker_trouble: str = Field(description="What is wrong with the connection; empty: nothing.")
    last_reading_at: datetime | None
    last_commit_at: datetime | None
    last_plan_at: datetime | None
    refusals: dict[str, int] = Field(description="Inputs that could not be used, by code.")
    refused: list[str] = Field(description="The latest at each place, newest first.")
    notes: list[str] = Field(
        description="How the service stands: `no_token_loopback_only` while anybody on its machine "
        "may ask, `loopback_until_restart` until it opens to the address in its file, "
        "`invented_history`, `step_failing`; `other_cylinder`, `other_probes`, `other_heat_pump` "
        "or `other_immersion` where the file changed since the service ran last."
    )
    database_bytes: int
    written_bytes: int = Field(description="Handed to the operating system since the start.")

    @classmethod
    def of(cls, home: str, health: Health, database_bytes: int, written_bytes: int) -> HealthOut:
        """From the house and the records."""
        return cls(
            home=home,
            at=health.at,
            broker_connected=health.broker_connected,
            broker_since=health.broker_since,
            broker_trouble=health.broker_trouble,
            last_reading_at=health.last_reading_at,
            last_commit_at=health.last_commit_at,
            last_plan_at=health.last_plan_at,
            refusals=health.refusals,
            refused=list(health.refused),
            notes=list(health.notes),
            database_bytes=database_bytes,
            written_bytes=written_bytes,
        )


class HomeOut(BaseModel):
    """A home that the caller may look at."""

    model_config = _example(
        id="home", title="Orchard House", zone="Europe/Paris", currency="EUR", role="household"
    )
    id: str
    title: str
    zone: str
    currency: str
    role: Literal["reader", "household", "installer"] = Field(description="The caller's.")

    @classmethod
    def of(cls, wiring: HomeWiring, role: Literal["reader", "household", "installer"]) -> HomeOut:
        """From the wiring."""
        return cls(
            id=wiring.id,
            title=wiring.title,
            zone=wiring.zone,
            currency=wiring.currency,
            role=role,
        )


class TokenOut(BaseModel):
    """Who has access to a home. The token itself is nowhere kept."""

    model_config = _example(
        id=3,
        name="installer's office",
        role="installer",
        made_at="2026-01-10T09:00:00Z",
        last_used_at="2026-03-02T08:00:00Z",
        ended_at=None,
        ended_by=None,
    )
    id: int
    name: str
    role: Literal["reader", "household", "installer"]
    made_at: datetime
    last_used_at: datetime | None = Field(description="To ten minutes.")
    ended_at: datetime | None
    ended_by: str | None

    @classmethod
    def of(cls, token: Token) -> TokenOut:
        """From the records."""
        return cls(
            id=token.id,
            name=token.name,
            role=token.role.value,
            made_at=token.made_at,
            last_used_at=token.last_used_at,
            ended_at=token.ended_at,
            ended_by=token.ended_by,
        )
