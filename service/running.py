"""One home at work: takes what arrives, drives the control step, carries out what it asks.

A reading reaches control at once and the records in batches. ``take_pending`` hands over what is
to be committed, always together with everything the step made of it, so that records never lag
behind what was acknowledged: a process killed at any moment finds readings, results and a
snapshot from which the rest can be made again, and the broker brings what was not acknowledged.
"""

from __future__ import annotations

import json
import logging
import threading
from bisect import bisect_right
from collections import Counter, deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from itertools import groupby
from typing import Any

from adapters import actuators
from adapters.types import Command, Outgoing, PriceSeries, Reading, Refusal
from adapters.wiring import Quantity
from forecasting.types import Surroundings
from service.clock import Clock, utc
from service.control import beginning, draw_history, observe, overrides, snapshot
from service.control.beginning import STALE, resume, start
from service.control.state import VERSION, Lease, State
from service.control.step import step
from service.control.types import Draw, Fault, Inputs, Outputs, Override, View, Wish, Work, WorkDone
from service.house import ChangedMeanwhile, Health
from service.pages import sentences
from service.records.errors import RecordsError
from service.records.records import Records
from service.settings import HomeSettings, HomeWiring
from service.settings_check import changed_tunables, refuse_misfits
from service.worker import Worker

log = logging.getLogger(__name__)
LONGEST_DRAW = timedelta(days=1)
# Snapshots are minutes apart: what is dated later than this arrived while the clock was ahead, and
# is part of the memory already.
SNAPSHOTS_REACH = timedelta(hours=1)

AFTER_FAILURE_S = 60.0
OVERDUE_S = 900.0
MOST_TOLD = 500
MOST_SHOWN = 20
# What may wait while nothing can be stored: two days of twelve signals each 10 s, and of plans.
MOST_READINGS_WAIT = 200_000  # some 35 MB
MOST_OUTPUTS_WAIT = 200  # with their plans and forecasts some 50 MB


@dataclass
class Pending:
    """What has happened and is not committed yet."""

    readings: list[Reading] = field(default_factory=list)
    outputs: list[Outputs] = field(default_factory=list)


class RunningHouse:
    """One home; see ``service.house.House`` for what the edges may ask of it."""

    def __init__(
        self,
        wiring: HomeWiring,
        records: Records,
        clock: Clock,
        send: Callable[[Outgoing], object],
        worker: Worker,
        wake: Callable[[], None],
    ) -> None:
        self.id = wiring.id
        self._records = records
        self._clock = clock
        self._send = send
        self._worker = worker
        self._wake = wake
        self.notes: tuple[str, ...] = ()
        if records.has_invented(wiring.id):
            self.notes += ("invented_history",)
        self.on_commands: Callable[[Sequence[Command]], object] | None = None  # who else hears
        self.link_trouble: Callable[[], str] = str  # what is wrong with the broker, in words
        self._inbox_lock = threading.Lock()
        self._overrides_lock = threading.Lock()
        self._turn_lock = threading.RLock()  # one turn, or one change of what it uses, at a time
        self._inbox = Inputs()
        self._arrived = True
        self._pending = Pending()
        self._refusals: Counter[str] = Counter()
        self._told: set[tuple[str, str]] = set()  # refusals that stand in the log
        self._refused: dict[str, str] = {}  # the latest refusal at each place, oldest first
        self._connected = False
        self._connected_since: datetime | None = None
        self._last_reading_at: datetime | None = None
        self._last_commit_at: datetime | None = None
        self._failed_turns = 0
        self._stopping = False
        self._view: View | None = None
        self._wake_mark_s = clock.elapsed_s()  # marks, so that no jump of the wall clock counts
        self._faults_told: tuple[Fault, ...] | None = None
        self._probes = {s.name for s in wiring.signals if s.measures is Quantity.PROBE}
        self._meters = {
            s.name: s.stale_after_s for s in wiring.signals if s.measures is Quantity.DRAW_FLOW
        }
        self._settings: HomeSettings = self._settings_in_force(wiring)
        self._state = self._remember()
        self._jumps_kept = self._state.clock.jumps
        self._ended: deque[Override] = deque(maxlen=20)
        self._offer_overrides(self._ended_meanwhile())

    # -- what the edges ask -------------------------------------------------------------------

    @property
    def settings(self) -> HomeSettings:
        """The settings in force."""
        return self._settings

    @property
    def view(self) -> View | None:
        """The last step's view."""
        return self._view

    def now(self) -> datetime:
        """The home's clock, aware UTC."""
        return utc(self._clock.now_s())

    def leases(self) -> Mapping[str, Lease]:
        """What is commanded now, by actuator."""
        return self._state.book.leases

    def health(self) -> Health:
        """How the service stands."""
        plan = self._view.plan if self._view else None
        with self._inbox_lock:
            refusals, refused = dict(self._refusals), tuple(reversed(self._refused.values()))
        return Health(
            at=self.now(),
            broker_connected=self._connected,
            broker_since=self._connected_since,
            last_reading_at=self._last_reading_at,
            last_commit_at=self._last_commit_at,
            last_plan_at=utc(plan.made_at_s) if plan else None,
            refusals=refusals,
            notes=self.notes + (("step_failing",) if self._failed_turns else ()),
            broker_trouble=self.link_trouble(),
            refused=refused,
        )

    def wish(self, fields: Mapping[str, Any], author: str, *, by_message: bool = False) -> Override:
        """Check, store and carry out a person's wish; WishRefused says what, where and how.

        ``by_message``: it came over MQTT, where nobody is known by a token.
        """
        draft = overrides.check_wish(
            fields,
            author,
            self.now(),
            self._settings,
            self._view,
            others=self.live_overrides(),
            by_message=by_message,
        )
        with self._records.together():
            kept = self._records.add_override(self.id, draft)
            ended = [
                self._records.end_override(self.id, other.id, self.now(), author)
                for other in overrides.ended_by(kept, self.live_overrides())
            ]
            if kept.wish in overrides.ENDING:
                ended.append(kept)
            self._records.once_stored(lambda: self._offer_overrides(ended))
        return kept

    def live_overrides(self) -> tuple[Override, ...]:
        """The wishes that have not ended."""
        return self._records.live_overrides(self.id, self.now())

    def end_wish(self, override_id: int, author: str) -> Override:
        """End one override before its time; KeyError when there is none."""
        with self._records.together():
            ended = self._records.end_override(self.id, override_id, self.now(), author)
            self._records.once_stored(lambda: self._offer_overrides([ended]))
        return ended

    def change(
        self,
        changes: Mapping[str, Any],
        author: str,
        reason: str = "",
        version: int | None = None,
    ) -> HomeSettings:
        """Merge ``changes`` into the tunables; SettingsRefused names each key that is wrong.

        What changes nothing makes no version.
        ChangedMeanwhile when another version than ``version`` is in force.
        """
        with self._turn_lock:
            if version is not None and version != self._settings.version:
                raise ChangedMeanwhile(self._settings.version)
            tunables = changed_tunables(self._settings, changes)
            if tunables == self._settings.tunables:
                return self._settings  # nothing to be on record for
            refuse_misfits(self._settings, tunables)
            reason = overrides.plain_text(reason, overrides.REASON_LENGTH)
            self._records.add_settings(self.id, tunables, author, self.now(), reason=reason)
            self._settings = self._settings_in_force(self._settings.wiring)
        self._offer(Inputs())
        return self._settings

    def acknowledge(self, fault_code: str, subject: str, author: str) -> None:
        """Note that a person has seen a fault; KeyError when it is not there."""
        with self._records.together():
            self._records.acknowledge_fault(self.id, fault_code, subject, author, self.now())
            seen = Inputs(acknowledged_faults=(f"{fault_code}/{subject}",))
            self._records.once_stored(lambda: self._offer(seen))

    # -- what arrives -------------------------------------------------------------------------

    def offer(self, readings: Sequence[Reading], owed: bool = True) -> None:
        """Take the readings of one message.

        ``owed``: it is acknowledged when they are stored, so the broker's window bounds how many
        wait. Others, of QoS 0, would fill the memory while a full disk lets nobody store them.
        """
        with self._inbox_lock:
            kept = owed or len(self._pending.readings) < MOST_READINGS_WAIT
            if kept:
                self._pending.readings.extend(readings)
        if not kept:
            what = f"{MOST_READINGS_WAIT} readings wait to be stored; what comes now is not kept"
            mend = "mend the database, as its own message says"
            self.refuse(Refusal(self.id, "not_kept", "records", what, mend))
        self._last_reading_at = self.now()
        self._offer(Inputs(readings=tuple(readings)))

    def refuse(self, refusal: Refusal) -> None:
        """Count an input that could not be used; the first of a kind and place is logged."""
        kind = (refusal.code, refusal.where)
        if kind not in self._told and len(self._told) < MOST_TOLD:
            self._told.add(kind)
            log.warning("%s: %s", self.id, refusal)
        with self._inbox_lock:
            self._refusals[refusal.code] += 1
            self._refused.pop(refusal.where, None)
            self._refused[refusal.where] = str(refusal)
            if len(self._refused) > MOST_SHOWN:
                del self._refused[next(iter(self._refused))]

    def offer_prices(self, series: PriceSeries) -> None:
        """Take a price series from a feed."""
        self._offer(Inputs(prices=(series,)))

    def offer_weather(self, weather: Surroundings) -> None:
        """Take a forecast of the surroundings from a feed."""
        self._offer(Inputs(weather=weather))

    def offer_link(self, connected: bool) -> None:
        """Take the news that the broker is there or gone."""
        if connected != self._connected:
            self._connected = connected
            self._connected_since = self.now()
        self._offer(Inputs(broker_connected=connected))

    def offer_work(self, done: WorkDone) -> None:
        """Take the result of slow work."""
        self._offer(Inputs(work_done=(done,)))

    def _offer_overrides(self, ended: Sequence[Override] = ()) -> None:
        with self._overrides_lock:  # or a list read earlier could be offered later, less a wish
            self._ended.extend(ended)
            # What a person ended goes along: control never drops a hold that merely vanished.
            self._offer(Inputs(overrides=(*self.live_overrides(), *self._ended)))

    def _ended_meanwhile(self) -> list[Override]:
        """Holds that a person ended after the memory was kept, by their records."""
        ended = []
        for hold in (o for o in self._state.overrides if o.wish is Wish.HOLD):
            try:
                record, _ = self._records.override(self.id, hold.id)
            except KeyError:
                continue  # it was lost, and holds
            if record.made_at == hold.made_at and record.ended_at is not None:
                ended.append(record)
        return ended

    def _offer(self, arrived: Inputs) -> None:
        with self._inbox_lock:
            self._inbox = merged(self._inbox, arrived)
            self._arrived = True
        self._wake()

    # -- the turn -----------------------------------------------------------------------------

    def faults_changed(self) -> bool:
        """Whether the lasting faults differ from those at the last call."""
        faults = self._view.faults if self._view else ()
        changed = faults != self._faults_told
        self._faults_told = faults
        return changed

    def alive(self) -> bool:
        """Whether the step works and is not overdue: what a heartbeat vouches for."""
        late_s = self._clock.elapsed_s() - self._wake_mark_s
        return not self._failed_turns and late_s < OVERDUE_S

    def due_in_s(self) -> float:
        """How soon a turn is wanted, s by the home's clock: at once when something arrived."""
        return 0.0 if self._arrived else max(0.0, self._wake_mark_s - self._clock.elapsed_s())

    def turn(self, stopping: bool = False) -> None:
        """One control step on everything that arrived, and what it asks carried out.

        ``stopping``: the service goes down; from here on nothing is commanded any more.
        """
        with self._turn_lock:
            self._stopping |= stopping
            with self._inbox_lock:
                inputs, self._inbox, self._arrived = self._inbox, Inputs(), False
            now, elapsed_s = self.now(), self._clock.elapsed_s()
            try:
                self._state, outputs = step(
                    self._state,
                    self._settings,
                    replace(inputs, stopping=self._stopping),
                    now,
                    elapsed_s,
                )
                self._failed_turns = 0
            except Exception:
                # A defect in the step must leave the cylinder on its own thermostats, not stop
                # the service: everything is released and the next turn tries again.
                log.exception("%s: the control step failed; all plant is released", self.id)
                self._failed_turns += 1
                self._wake_mark_s = elapsed_s + AFTER_FAILURE_S
                with self._inbox_lock:
                    # What people asked for, a hold above all, must reach the next turn. The
                    # readings are left out: they may be what the step failed on.
                    self._inbox = merged(replace(inputs, readings=()), self._inbox)
                self._publish(
                    [Command(self.id, a.name, "release") for a in self._settings.wiring.actuators]
                )
                return
            self._view = _as_shown(outputs.view)
            self._wake_mark_s = elapsed_s + (outputs.wake_at - now).total_seconds()
            self._publish(outputs.commands)
            self._wait_to_be_kept(outputs)
            for work in outputs.work:
                self._ask(work)

    def _wait_to_be_kept(self, outputs: Outputs) -> None:
        waiting = self._pending.outputs
        if len(waiting) >= MOST_OUTPUTS_WAIT:  # draws and faults are small, a view holds its plan
            view = waiting[-1].view
            outputs = replace(outputs, plan_made=None, forecast_made=None, view=view)
        if worth_keeping(outputs):
            waiting.append(outputs)

    def _publish(self, commands: Sequence[Command]) -> None:
        if self.on_commands is not None:
            self.on_commands(commands)
        by_name = {a.name: a for a in self._settings.wiring.actuators}
        for command in commands:
            for message in actuators.messages(by_name[command.actuator], command):
                self._send(message)

    def _ask(self, work: Work) -> None:
        drawn = draw_history.of((), 0, 0)
        if work.history_from is not None:
            try:
                for outputs in self._pending.outputs:  # learning must see the latest draws
                    self._records.store(self.id, outputs)
                self._pending.outputs.clear()
                drawn = self._records.draw_history(self.id, work.history_from)
            except RecordsError as error:  # a full disk puts learning off, nothing else
                self.offer_work(WorkDone(work.kind, work.number, failed=str(error)))
                return
        self._worker.submit(work, drawn, self.offer_work)

    # -- keeping ------------------------------------------------------------------------------

    def take_pending(self) -> Pending:
        """What must be committed now; the caller holds back new readings meanwhile.

        A turn comes first, so that everything taken has been through the step.
        """
        with self._turn_lock:
            if self._inbox.readings:
                self.turn()
            with self._inbox_lock:
                taken, self._pending = self._pending, Pending()
            return taken

    def give_back(self, pending: Pending) -> None:
        """Take back what could not be committed, for the next try."""
        with self._turn_lock, self._inbox_lock:
            pending.readings.extend(self._pending.readings)
            pending.outputs.extend(self._pending.outputs)
            self._pending = pending

    def commit(self, pending: Pending) -> None:
        """Commit what was taken. Raises RecordsError with nothing lost but the try."""
        self._records.add_readings(self.id, pending.readings, self._watched_s(pending.readings))
        for outputs in pending.outputs:
            self._records.store(self.id, outputs)
        self._last_commit_at = self.now()

    @property
    def clock_doubted(self) -> bool:
        """Whether the wall clock may be ahead by far."""
        return observe.doubted(self._state.clock, self._clock.elapsed_s())

    def _watched_s(self, readings: Sequence[Reading]) -> list[float]:
        """When draws would have been seen, by these readings, s since 1970.

        By the probes where there is no flow meter. Where there is one they only show that somebody
        listened: one that reports when it turns is silent all night, but not for days.
        """
        probed = [r.measured_s for r in readings if r.signal in self._probes]
        if not self._meters:
            return probed
        metered = [r.measured_s for r in readings if r.signal in self._meters]
        heard = self._state.heard
        known = sorted([*metered, *(heard[n].measured_s for n in self._meters if n in heard)])
        silent_s = draw_history.failed_after_s(self._meters.values())

        def followed(at_s: float) -> bool:
            last = bisect_right(known, at_s)
            return last > 0 and at_s - known[last - 1] <= silent_s

        return [*metered, *(at_s for at_s in probed if followed(at_s))]

    def save_snapshot(self) -> None:
        """Keep control's memory. Only right after a commit, see ``take_pending``.

        Not by a clock that cannot be right: the one before says since when nobody watched.
        """
        with self._turn_lock:
            if self._state.clock.wrong:
                return
            state = json.dumps(snapshot.to_plain(self._state), separators=(",", ":")).encode()
            self._records.save_snapshot(self.id, self.now(), VERSION, state)
            self._jumps_kept = self._state.clock.jumps

    @property
    def memory_misdated(self) -> bool:
        """Whether the clock jumped since control's memory was kept."""
        return self._state.clock.jumps != self._jumps_kept

    def _settings_in_force(self, wiring: HomeWiring) -> HomeSettings:
        held = self._records.in_force(wiring)
        if held.version == 0:
            self._records.add_settings(
                self.id, wiring.first, "configuration file", self.now(), reason="first values"
            )
        return self._records.in_force(wiring)

    def _remember(self) -> State:
        """The state as it was: the last snapshot and every reading that arrived since."""
        kept = self._records.load_snapshot(self.id, VERSION)
        if kept is None:
            return self._begun()
        try:
            state = snapshot.from_plain(json.loads(kept.state))
        except ValueError as error:
            log.warning("%s: the snapshot of %s cannot be read (%s)", self.id, kept.at, error)
            return self._begun()
        if self._refitted(state):  # what the old plant read is not lived with the new one
            return self._resumed(state)
        since = self._records.readings_since(self.id, kept.at, kept.at + SNAPSHOTS_REACH)
        kept_draws = self._records.draws(
            self.id, since=kept.at - LONGEST_DRAW, limit=1000, doubtful=True
        ).items
        elapsed_s = state.elapsed_s
        for received_s, batch in groupby(since, key=lambda r: r.received_s):
            at = max(utc(received_s), state.at)
            elapsed_s += max(0.0, (at - state.at).total_seconds())
            try:
                state, outputs = step(
                    state, self._settings, Inputs(readings=tuple(batch)), at, elapsed_s
                )
            except Exception:
                log.exception("%s: a stored reading could not be lived again; left out", self.id)
                continue
            # Evidence is stored under its own time, so twice is once. A draw read from probes
            # begins and ends with the step that saw it, a little off when lived again. Commands
            # and decisions of then are over.
            draws = tuple(d for d in outputs.draws if not any(_same(d, k) for k in kept_draws))
            if draws or outputs.evidence:
                outputs = replace(outputs, decision=None, plan_made=None, forecast_made=None)
                self._records.store(self.id, replace(outputs, draws=draws))
        return self._resumed(state)

    def _begun(self) -> State:
        begun = start(self._settings, self.now(), self._clock.elapsed_s())
        return beginning.owing(begun, self._settings)

    def _resumed(self, state: State) -> State:
        return resume(state, self._settings, self.now(), self._clock.elapsed_s())

    def _refitted(self, state: State) -> bool:
        """Whether the memory was learned of plant that was there before; it is said what is gone.

        So is what was under a command and cannot be released any more.
        """
        now, parts = beginning.fitted(self._settings), beginning.refitted(state, self._settings)
        for part in parts:
            note = f"other_{part}"
            was, found = state.fitted.get(part, "none"), now.get(part, "none")
            log.warning("%s: %s Was: %s. Is: %s.", self.id, sentences.NOTES[note], was, found)
            self.notes += (note,)
        wired = {a.name for a in self._settings.wiring.actuators}
        for name in sorted({*state.book.leases, *state.book.owed} - wired):
            log.warning(
                "%s: the actuator %s was under a command and is no longer in the file, so it is "
                "not released; make sure at the plant that it is off or decides for itself",
                self.id,
                name,
            )
        return bool(parts)


def _same(lived: Draw, kept: Draw) -> bool:
    """Whether a draw that is lived again is one on record: no meter tells of two at once."""
    together = lived.start < kept.end and kept.start < lived.end
    return together and lived.measured_by == kept.measured_by


def _as_shown(view: View) -> View:
    """The view with no age for what was not heard since the start: control only calls it stale."""
    ages = {n: None if a is not None and a >= STALE else a for n, a in view.ages_s.items()}
    return replace(view, ages_s=ages)


def merged(first: Inputs, then: Inputs) -> Inputs:
    """Two inputs as one: lists follow each other, of single values the later one holds."""
    return Inputs(
        readings=(*first.readings, *then.readings),
        overrides=first.overrides if then.overrides is None else then.overrides,
        work_done=(*first.work_done, *then.work_done),
        prices=(*first.prices, *then.prices),
        weather=then.weather or first.weather,
        broker_connected=first.broker_connected
        if then.broker_connected is None
        else then.broker_connected,
        acknowledged_faults=(*first.acknowledged_faults, *then.acknowledged_faults),
    )


def worth_keeping(outputs: Outputs) -> bool:
    """Whether a step's outputs hold anything that records keep."""
    return bool(
        outputs.decision
        or outputs.draws
        or outputs.faults
        or outputs.evidence
        or outputs.forecast_made
        or outputs.plan_made
    )
