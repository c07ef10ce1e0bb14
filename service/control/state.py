"""All that control remembers between two steps. Values only; ``snapshot`` writes and reads them.

A *mark* is a moment on the elapsed (monotonic) clock, in seconds; ``_at`` is aware UTC wall time
and ``_s`` without more is a duration. Fields marked ``KEPT_OUT`` are not part of a snapshot: they
are asked for anew after a restart.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal, TypeVar

from adapters.meters import Meter
from adapters.types import PriceSeries
from forecasting.draws import DrawModel
from forecasting.surroundings import AroundModel
from forecasting.types import DemandForecast, Surroundings
from service.control.types import Decision, Draw, Fault, Override
from service.cylinder import model
from service.cylinder.estimator import Estimate, EstimatorState
from service.cylinder.hygiene import HygieneTally
from service.cylinder.sources import Correction
from service.scheduling.types import Plan, SourceName

VERSION = 1
KEPT_OUT = {"snapshot": False}
NEVER = -1e12  # a mark before everything


def shifted(mark_s: float, shift_s: float) -> float:
    """A mark on another elapsed clock, which is ``shift_s`` ahead."""
    return mark_s if mark_s <= NEVER / 2 else mark_s + shift_s


Facts = dict[str, float | int | str | None]
Row = tuple[int, float | None, float | None, float | None]


@dataclass(frozen=True, slots=True)
class Heard:
    """The last value of one signal that told something about the moment it arrived in."""

    value: float
    measured_s: float  # wall time of measuring, s since 1970
    mark_s: float  # elapsed clock at arrival
    age_s: float  # how old it was on arrival
    apart_s: float = 0.0  # the last pause before a value that was too long; 0: none is remembered
    apart_mark_s: float = NEVER  # when that pause ended
    sooner: int = 0  # values that came soon enough since

    def age_at(self, elapsed_s: float) -> float:
        """How old the value is now, s."""
        return self.age_s + max(0.0, elapsed_s - self.mark_s)


@dataclass(frozen=True, slots=True)
class Rate:
    """The mean power that a meter of energy told last."""

    watts: float
    span_s: float  # over how long
    mark_s: float  # when


@dataclass(frozen=True)
class Clock:
    """Wall time against elapsed time: how a jump is noticed."""

    jumped_at_mark_s: float = NEVER
    jumped_by_s: float = 0.0
    jumps: int = 0
    wrong: bool = False  # the year cannot be true
    began_mark_s: float = NEVER  # when this process began
    # Wall time between the snapshot that it took over and then, as far as the clock tells by now;
    # None without one.
    away_s: float | None = None


@dataclass(frozen=True, slots=True)
class Held:
    """A draw seen in the profile while heat was only assumed: it waits until that was seen."""

    draw: Draw
    sources: tuple[str, ...]  # whose heat was assumed
    mark_s: float  # when it was seen


@dataclass(frozen=True)
class DrawWatch:
    """The flow meter's stretch that may become a draw-off. Times are measured times."""

    rate_l_per_min: float = 0.0
    rate_since_s: float = 0.0
    seen_s: float = 0.0  # the newest measured time that was used; older ones come too late
    start_s: float | None = None
    last_flow_s: float = 0.0
    apart_s: float = 0.0  # from a total's report before to the one that showed more than a step
    litres: float = 0.0  # as metered
    through_l: float = 0.0  # of them through the cylinder: fewer behind a mixing valve
    kwh: float = 0.0
    litres_40c: float = 0.0
    outlet_c: float | None = None  # the water at the tap, as last known in measured time
    outlet_s: float = 0.0
    cold_c: float | None = None  # of the inlet while water ran
    cold_s: float = 0.0
    heat_kwh: float | None = None  # without a meter: heat in the cylinder when last compared
    heat_mark_s: float = NEVER
    added_kwh: float = 0.0  # heat put in since then
    assumed_of: tuple[str, ...] = ()  # sources whose heat since then nothing meters
    held: tuple[Held, ...] = ()
    late: int = 0
    total_kwh: float = 0.0  # counted up, the draw-off under way included
    total_l40: float = 0.0
    live: bool = False  # whether the newest reading told of now, or came from a stored past
    arrived_mark_s: float = NEVER
    past_mark_s: float = NEVER  # when a draw-off of a past day last arrived

    @property
    def runs(self) -> bool:
        """Whether somebody draws now."""
        return self.live and self.start_s is not None


@dataclass(frozen=True)
class Belief:
    """What is believed to be in the cylinder."""

    estimator: EstimatorState | None = None
    estimate: Estimate | None = field(default=None, metadata=KEPT_OUT)
    cold_c: float = 10.0  # that the estimate was made with
    shown_tenths: int | None = None
    mark_s: float = NEVER  # up to when the estimator has lived
    drawn_l: float = 0.0  # since then
    heat_kwh: dict[str, float] = field(default_factory=dict)  # since then, by source
    metered: bool = True  # whether that heat was measured
    unclaimed_kwh: float = 0.0  # made since then, and not known for what
    astray_mark_s: float | None = None  # since when most probes contradict the estimate
    contradict_mark_s: float | None = None  # since when the probes contradict each other
    misled: bool = False  # by probes that went on doing so
    heard_mark_s: float | None = None  # when a first probe was heard, before there was an estimate
    circulated_s: float = 0.0  # for how long the secondary return ran, not yet lived by it
    circulates_s: float = 0.0  # of late it ran for so long,
    rests_s: float = 0.0  # and rested for so long, both fading
    unwatched: bool = False  # for so long that the probes alone say what is in the cylinder


@dataclass(frozen=True)
class Performance:
    """What meters taught of the heat pump, and the account of the run under way in kWh of heat."""

    heat: Correction = field(default_factory=Correction)  # of its capacity
    cop: Correction = field(default_factory=Correction)
    expected_kwh: float = 0.0  # by the rating points, while it heated
    made_kwh: float = 0.0  # by its heat meter, else by its electricity at the rated COP
    rated_kwh: float = 0.0  # by its electricity at the rated COP, where heat was counted too
    counted_kwh: float = 0.0  # by its heat meter, where electricity was counted too


@dataclass(frozen=True, slots=True)
class SourceRun:
    """How one heat source was run, for minimum run, minimum rest and starts per hour."""

    started_mark_s: float | None = None
    stopped_mark_s: float = NEVER
    starts: tuple[float, ...] = ()  # marks within the last hour


@dataclass(frozen=True, slots=True)
class Lease:
    """A command that holds while it is repeated."""

    actuator: str
    source: SourceName
    action: Literal["run", "block"]
    set_c: float | None
    power_w: float | None
    since_mark_s: float
    renewed_mark_s: float
    lease_s: float
    surplus: bool = False


@dataclass(frozen=True)
class Book:
    """Leases, runs, and releases that are still owed to an actuator."""

    leases: dict[str, Lease] = field(default_factory=dict)
    runs: dict[str, SourceRun] = field(default_factory=dict)
    owed: tuple[str, ...] = ()  # actuators to release as soon as something can be sent
    blocked_s: dict[str, float] = field(default_factory=dict)  # by actuator, this local day
    blocked_day: str = ""
    blocked_mark_s: float = NEVER  # when that day's count began
    drained: bool = False  # the immersion stays off until flow proved refilling, see ``refill``
    refilled_l: float = 0.0  # since the last hold began
    hold_heat_kwh: float | None = None
    hold_mark_s: float = NEVER

    def run_of(self, source: SourceName) -> Lease | None:
        """The lease that runs a source now, None while nobody runs it."""
        running = (x for x in self.leases.values() if x.source == source and x.action == "run")
        return next(running, None)


@dataclass(frozen=True, slots=True)
class Hold:
    """A stretch in which every named probe stands at the disinfection temperature."""

    started_at: datetime
    mark_s: float
    held_s: float
    lowest_c: float
    by: tuple[str, ...] = ()  # the named probes
    told: bool = False  # that it passed


@dataclass(frozen=True, slots=True)
class Rise:
    """What a running source is given time for: that the probes show it, by their mean."""

    from_c: float
    until_mark_s: float
    source: SourceName = "heat_pump"


@dataclass(frozen=True, slots=True)
class Attempt:
    """A commanded thermal disinfection under way."""

    started_at: datetime
    mark_s: float
    reckoned_s: float = 0.0  # how long it was reckoned to take when it began
    rise: Rise | None = None  # None while no source runs for it
    stood: tuple[SourceName, ...] = ()  # sources that warmed the water no further


@dataclass(frozen=True)
class HygieneClock:
    """Time since the last passed disinfection, in lived seconds, and what happened since.

    Before a first one, ``passed_at`` None, the time since the cylinder became known.
    """

    since_pass_s: float = 0.0
    passed_at: datetime | None = None
    hold: Hold | None = None
    attempt: Attempt | None = None
    failed_mark_s: float = NEVER  # the last attempt that did
    failures: int = 0
    unexplained: int = 0  # of them, those that cold air does not explain
    tally: HygieneTally | None = None  # of each layer since the last pass
    mark_s: float = NEVER  # up to when it was counted
    drawn_l: float = 0.0  # since then


@dataclass(frozen=True, slots=True)
class Suspicion:
    """Something that may become a fault: since when, and when it was last seen."""

    since_mark_s: float
    since_at: datetime
    seen_mark_s: float = NEVER


@dataclass(frozen=True, slots=True)
class Moment:
    """How the cylinder stood, every few minutes."""

    mark_s: float
    heat_kwh: float | None  # by the probes alone
    drawn_kwh: float  # counted up
    charge_l40: float | None
    drawn_l40: float  # counted up
    circulating: bool = False


@dataclass(frozen=True, slots=True)
class Reheat:
    """Runs of one source: heat gained as a share of heat expected, and the run under way."""

    mark_s: float = NEVER
    heat_kwh: float | None = None
    drawn_kwh: float = 0.0
    usual: float | None = None  # slow mean
    recent: float | None = None  # fast mean
    first: float | None = None  # of the first runs
    runs: int = 0


@dataclass(frozen=True, slots=True)
class Charge:
    """The heat pump's charging under way as the probes witness it, see ``arrival``."""

    began_mark_s: float
    water: model.State  # as it would stand had only a part of the heat arrived
    without: model.State  # and had none
    drawn_kwh: float  # counted up, up to now
    lowest_c: dict[str, float]  # by probe, since it began
    highest_c: dict[str, float]
    drawn_l: float = 0.0  # since it began
    made_kwh: float = 0.0  # heat that the heat pump made since
    warmed: tuple[str, ...] = ()  # probes that have warmed: the heat arrives


@dataclass(frozen=True)
class Watch:
    """Supervision's memory."""

    mark_s: float = NEVER  # when the checks last ran
    suspicions: dict[str, Suspicion] = field(default_factory=dict)
    reheats: dict[str, Reheat] = field(default_factory=dict)
    moments: tuple[Moment, ...] = ()
    charge: Charge | None = field(default=None, metadata=KEPT_OUT)
    done_mark_s: dict[str, float] = field(default_factory=dict)  # when it last had nothing to heat
    heats_mark_s: dict[str, float] = field(default_factory=dict)  # up to when it was seen to heat
    nonsense_marks: dict[str, tuple[float, ...]] = field(default_factory=dict)  # lately, by signal
    day: str = ""
    day_mark_s: float = NEVER
    quiet_since_s: float = 0.0  # mark
    quiet_longest_s: float = 0.0
    yesterday_quiet_s: float | None = None
    blind: bool = False  # the flow meter was silent for a part of the day
    away_since_s: float | None = None  # wall time at which the absence in force began
    empty_for_s: float = 0.0  # how long the last absence lasted
    flush_mark_s: float = NEVER  # when it ended and flushing was asked for

    def suspicion(self, code: str, subject: str) -> Suspicion | None:
        """What is seen of a fault, told or not; None when nothing is."""
        return self.suspicions.get(f"{code}/{subject}")


@dataclass(frozen=True)
class Planning:
    """Which work is out and when the next is due."""

    number: int = 0
    asked: dict[str, int] = field(default_factory=dict)  # kind -> number that is out
    asked_mark_s: dict[str, float] = field(default_factory=dict)
    learned_mark_s: float = NEVER
    forecast_slot_s: int = -1  # the slot the last forecast was asked for
    plan_stale: str = "no_plan"  # why the plan must be made anew; "" when it need not
    planned_mark_s: float = NEVER
    failed: dict[str, str] = field(default_factory=dict)
    failed_mark_s: dict[str, float] = field(default_factory=dict)
    settings_version: int = -1


@dataclass(frozen=True)
class Around:
    """The model, the half hours of this day and late yesterday, sums and counts of the last one."""

    model: AroundModel | None = None
    rows: tuple[Row, ...] = ()
    start_s: int = 0
    sums: tuple[float, ...] = (0.0, 0.0, 0.0)
    counts: tuple[int, ...] = (0, 0, 0)
    mark_s: float = NEVER
    day: str = ""


@dataclass(frozen=True)
class State:
    """Everything. Made by ``step.start``, changed by ``step.step`` alone."""

    home: str
    at: datetime
    elapsed_s: float
    version: int = VERSION
    steps: int = 0
    fitted: dict[str, str] = field(default_factory=dict)  # what it is learned of, see beginning
    clock: Clock = Clock()
    connected: bool | None = None
    heard: dict[str, Heard] = field(default_factory=dict)
    meters: dict[str, Meter] = field(default_factory=dict)
    rates: dict[str, Rate] = field(default_factory=dict, metadata=KEPT_OUT)  # of energy, by meter
    draws: DrawWatch = DrawWatch()
    recent_draws: tuple[Draw, ...] = ()  # since the model was learned
    drawn_today_l40: float = 0.0
    today: str = ""
    belief: Belief = Belief()
    overrides: tuple[Override, ...] = ()
    book: Book = Book()
    performance: Performance = Performance()
    hygiene: HygieneClock = HygieneClock()
    watch: Watch = Watch()
    faults: tuple[Fault, ...] = ()
    decision: Decision | None = None
    week_l40: tuple[tuple[float, ...], ...] = ()  # typical week, (7, 48), Monday first
    prices: tuple[PriceSeries, ...] = ()
    weather: Surroundings | None = None
    plan: Plan | None = None
    model: DrawModel | None = field(default=None, metadata=KEPT_OUT)
    demand: DemandForecast | None = field(default=None, metadata=KEPT_OUT)
    surroundings: Surroundings | None = None
    planning: Planning = Planning()
    around: Around = Around()


Part = TypeVar(
    "Part",
    State,
    Around,
    Belief,
    Book,
    Clock,
    DrawWatch,
    HygieneClock,
    Performance,
    Planning,
    Watch,
)


def changed(part: Part, **fields: Any) -> Part:
    """The state or a part of it with some fields changed: ``dataclasses.replace``, far faster.

    Raises TypeError for a field that it does not have.
    """
    new = object.__new__(type(part))
    kept = new.__dict__
    kept.update(part.__dict__)
    kept.update(fields)
    if len(kept) != len(part.__dict__):
        unknown = ", ".join(fields.keys() - part.__dict__.keys())
        raise TypeError(f"{type(part).__name__} has no {unknown}")
    return new
