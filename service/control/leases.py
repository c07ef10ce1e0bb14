"""Commands as leases: repeated well inside their time while they hold, released when they end.

This is the one place that makes commands, so the last checks stand here: nothing runs without
fresh readings, nothing is asked for above the ceiling, nobody starts plant more often than
allowed. Minimum run, minimum rest and starts per hour count in elapsed time.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from adapters.types import Command
from adapters.wiring import Actuator, Form
from service.control.precedence import Ruling, Run
from service.control.situation import Situation
from service.control.state import Book, Lease, SourceRun, changed
from service.scheduling.types import SourceName

REPEATS_PER_LEASE = 3.0
HOUR_S = 3600.0
SHORTEST_DAY_S = 22 * 3600.0
SET_STEP_C = 0.5  # a set temperature or power that moved less is not sent again
POWER_STEP_W = 50.0


@dataclass(frozen=True)
class Carried:
    """What became of a ruling: the book afterwards, what to send, and what stood in the way."""

    book: Book
    commands: tuple[Command, ...]
    notes: tuple[str, ...]


def carry_out(situation: Situation, ruling: Ruling) -> Carried:
    """Bring the leases in line with a ruling."""
    state, plant, elapsed_s = situation.state, situation.plant, situation.elapsed_s
    home = plant.settings.wiring.id
    book = state.book
    sendable = state.connected is not False
    book = new_day(book, state.today, elapsed_s)
    leases = dict(book.leases)
    runs = dict(book.runs)
    owed = list(book.owed)
    commands: list[Command] = []
    notes: list[str] = []
    wanted: dict[str, tuple[Actuator, Run]] = {}
    for run in _within_power(situation, ruling, notes):
        actuator = _actuator(situation, run)
        if actuator is not None:
            wanted[actuator.name] = (actuator, run)

    for name, lease in list(leases.items()):
        if elapsed_s - lease.renewed_mark_s > lease.lease_s:
            del leases[name]  # nobody repeated it in time: the actuator has let go
            runs[lease.source] = _stopped(
                runs.get(lease.source), lease.renewed_mark_s + lease.lease_s
            )
            if name not in owed:
                owed.append(name)
            continue
        if lease.action == "run" and name in wanted:
            continue
        if lease.action == "block":
            book = _blocked(book, situation, name)
            if name in ruling.blocks and _may_block(book, situation, name):
                continue
            del leases[name]
            if sendable and name not in wanted:
                commands.append(Command(home, name, "release"))
            continue
        was = runs.get(lease.source, SourceRun())
        if _runs_on(situation, ruling, lease.source):
            notes.append("minimum_run")
            continue
        del leases[name]
        runs[lease.source] = _stopped(was, elapsed_s)
        if sendable and not (name in ruling.blocks and _may_block(book, situation, name)):
            commands.append(Command(home, name, "release"))
        if name not in owed and not sendable:
            owed.append(name)

    if sendable and owed and not _heard_by_none(situation):
        commands.extend(Command(home, name, "release") for name in owed if name not in leases)
        owed = []

    for actuator, run in wanted.values():
        held = leases.get(actuator.name)
        refusal = _refusal(situation, run, runs.get(run.source, SourceRun()), held is not None)
        if refusal is not None:
            notes.append(refusal)
            if held is not None:
                del leases[actuator.name]
                runs[run.source] = _stopped(runs.get(run.source), elapsed_s)
                if sendable:
                    commands.append(Command(home, actuator.name, "release"))
                else:
                    owed.append(actuator.name)
            continue
        asked = _terms(situation, actuator, run)
        if asked is None:
            notes.append("will_not_call")
            continue
        set_c, power_w = asked
        if held is None:
            if not sendable:
                continue
            was = runs.get(run.source, SourceRun())
            recent = tuple(m for m in was.starts if elapsed_s - m < HOUR_S)
            runs[run.source] = replace(was, started_mark_s=elapsed_s, starts=(*recent, elapsed_s))
            held = Lease(
                actuator.name,
                run.source,
                "run",
                set_c,
                power_w,
                elapsed_s,
                elapsed_s,
                actuator.lease_s,
                run.surplus,
            )
        elif _changed(held, set_c, power_w) or _due(held, elapsed_s):
            held = replace(held, set_c=set_c, power_w=power_w, renewed_mark_s=elapsed_s)
        else:
            leases[actuator.name] = held
            continue
        leases[actuator.name] = held
        commands.append(Command(home, actuator.name, "run", set_c, power_w, actuator.lease_s))

    for name in ruling.blocks:
        if name in leases or not sendable:
            continue
        if not _may_block(book, situation, name):
            notes.append("block_used_up")
            continue
        wired = next(a for a in plant.settings.wiring.actuators if a.name == name)
        leases[name] = Lease(
            name, wired.source, "block", wired.rest_c, None, elapsed_s, elapsed_s, wired.lease_s
        )
        commands.append(Command(home, name, "block", wired.rest_c, lease_s=wired.lease_s))

    # What runs on for its minimum run, and what is blocked, is repeated as it is.
    for name, lease in leases.items():
        if _due(lease, elapsed_s) and sendable:
            leases[name] = replace(lease, renewed_mark_s=elapsed_s)
            commands.append(
                Command(home, name, lease.action, lease.set_c, lease.power_w, lease.lease_s)
            )
    return Carried(
        changed(book, leases=leases, runs=runs, owed=tuple(owed)), tuple(commands), tuple(notes)
    )


def _runs_on(situation: Situation, ruling: Ruling, name: SourceName) -> bool:
    """Whether a source that nobody wants any more goes on for its minimum run."""
    source, was = situation.plant.sources.get(name), situation.state.book.runs.get(name)
    if ruling.at_once or source is None or was is None or was.started_mark_s is None:
        return False
    return situation.elapsed_s - was.started_mark_s < source.min_run_s


def _within_power(situation: Situation, ruling: Ruling, notes: list[str]) -> list[Run]:
    """The runs that the power limit leaves, first come first served; what modulates takes less.

    What runs on for its minimum run goes before, since a compressor should not stop short of it.
    What will not start now leaves its share to the others; why not is said when it is called.
    """
    limit_w = situation.settings.tunables.power_limit_w
    if limit_w is None:
        return list(ruling.runs)
    asked, kept = {run.source for run in ruling.runs}, []
    others = (n for n in situation.plant.sources if n not in asked and situation.running(n))
    left_w = limit_w - sum(
        situation.draws_w(name) for name in others if _runs_on(situation, ruling, name)
    )
    for run in ruling.runs:
        if not _starts(situation, run):
            kept.append(run)
            continue
        need_w = situation.draws_w(run.source) if run.power_w is None else run.power_w
        if need_w > left_w:
            actuator = _actuator(situation, run)
            if (
                actuator is None
                or actuator.form is not Form.DIVERTER
                or left_w < max(actuator.min_power_w, POWER_STEP_W)
            ):
                notes.append("power_limit")
                continue
            run, need_w = replace(run, power_w=left_w), left_w  # noqa: PLW2901
        left_w -= need_w
        kept.append(run)
    return kept


def _starts(situation: Situation, run: Run) -> bool:
    """Whether a run would begin or go on if it had the power."""
    source, was = situation.plant.sources[run.source], situation.state.book.runs.get(run.source)
    on = situation.running(run.source)
    refusal = _refusal(situation, run, SourceRun() if was is None else was, on)
    return refusal is None and situation.answers(source)


def next_due_s(book: Book, elapsed_s: float) -> float:
    """Seconds until the next lease must be repeated; infinite when none holds."""
    return min(
        (
            max(0.0, lease.renewed_mark_s + lease.lease_s / REPEATS_PER_LEASE - elapsed_s)
            for lease in book.leases.values()
        ),
        default=float("inf"),
    )


def resting_for_s(run: SourceRun | None, elapsed_s: float) -> float:
    """How long a source has rested, s."""
    return 1e9 if run is None else max(0.0, elapsed_s - run.stopped_mark_s)


def _blocked(book: Book, situation: Situation, name: str) -> Book:
    """Count what a block lasted since the last step towards its day."""
    lived_s = situation.elapsed_s - situation.state.elapsed_s
    return changed(
        book, blocked_s={**book.blocked_s, name: book.blocked_s.get(name, 0.0) + lived_s}
    )


def _may_block(book: Book, situation: Situation, name: str) -> bool:
    """Whether a block may begin or go on: a whole lease must still fit into its day.

    A low set temperature blocks nothing: below it the plant heats.
    """
    wired = next((a for a in situation.plant.settings.wiring.actuators if a.name == name), None)
    if wired is None or situation.ruling_probe is None:
        return False
    if wired.rest_c is not None:
        return True
    used = book.blocked_s.get(name, 0.0)
    return used + wired.lease_s <= wired.block_limit_s_per_day


def new_day(book: Book, today: str, elapsed_s: float) -> Book:
    """Blocking counts anew each local day; a clock that jumps gives no second day within one."""
    if today == book.blocked_day or elapsed_s - book.blocked_mark_s < SHORTEST_DAY_S:
        return book
    return changed(book, blocked_s={}, blocked_day=today, blocked_mark_s=elapsed_s)


def _due(lease: Lease, elapsed_s: float) -> bool:
    return elapsed_s - lease.renewed_mark_s >= lease.lease_s / REPEATS_PER_LEASE


def _changed(lease: Lease, set_c: float | None, power_w: float | None) -> bool:
    def moved(a: float | None, b: float | None, step: float) -> bool:
        return (a is None) is not (b is None) or (
            a is not None and b is not None and abs(a - b) >= step
        )

    return moved(lease.set_c, set_c, SET_STEP_C) or moved(lease.power_w, power_w, POWER_STEP_W)


def _stopped(run: SourceRun | None, mark_s: float) -> SourceRun:
    return replace(run or SourceRun(), started_mark_s=None, stopped_mark_s=mark_s)


def _heard_by_none(situation: Situation) -> bool:
    """Whether what is sent may reach nobody yet: the broker was not seen, and no reading came."""
    never_connected = situation.state.connected is None
    return never_connected and situation.ruling_probe is None and not situation.stopping


def _actuator(situation: Situation, run: Run) -> Actuator | None:
    source = situation.plant.sources.get(run.source)
    return None if source is None else source.actuator(run.surplus)


def _refusal(situation: Situation, run: Run, was: SourceRun, running: bool) -> str | None:
    """Why a run may not start or go on; None when it may."""
    plant, elapsed_s = situation.plant, situation.elapsed_s
    source = plant.sources[run.source]
    if situation.ruling_probe is None or situation.hottest_c is None:
        return "no_fresh_readings"
    if situation.hottest_c >= plant.ceiling_c:
        return "at_ceiling"
    if run.source == "immersion" and situation.state.book.drained:
        return "drained"
    if running:
        return None
    if elapsed_s - was.stopped_mark_s < source.min_rest_s:
        return "minimum_rest"
    if sum(elapsed_s - m < HOUR_S for m in was.starts) >= source.starts_per_hour:
        return "starts_used_up"
    if source.charging_l_per_min is not None and situation.water_runs:
        return "water_runs"  # it would mix what is being drawn with cold
    return None


def _terms(
    situation: Situation, actuator: Actuator, run: Run
) -> tuple[float | None, float | None] | None:
    """Set temperature and power to send; None when the plant would not answer the call.

    A heat pump with its own sensor starts only when that is its restart differential below the
    set temperature written to it. A set temperature is raised so far as ceiling and source allow.
    """
    plant = situation.plant
    source = plant.sources[run.source]
    if not situation.answers(source):
        return None
    set_c: float | None = None
    power_w: float | None = None
    if actuator.form is Form.SET_TEMPERATURE:
        most_c = min(plant.ceiling_c, source.limit_c)
        set_c = min(run.set_c, most_c)
        call_c = situation.call_c(run.source)
        if situation.running(run.source):
            held = situation.state.book.leases.get(actuator.name)
            if call_c is not None and held is not None and held.set_c is not None:
                set_c = min(max(set_c, held.set_c), most_c)  # as it was when it was answered
        elif call_c is not None:
            set_c = max(set_c, call_c)
        set_c = round(min(set_c, plant.ceiling_c), 1)
    if actuator.form is Form.DIVERTER:
        power_w = source.electricity_w if run.power_w is None else run.power_w
        power_w = round(min(max(power_w, actuator.min_power_w), source.electricity_w))
    return set_c, power_w


__all__ = ["Carried", "carry_out", "next_due_s", "resting_for_s"]
