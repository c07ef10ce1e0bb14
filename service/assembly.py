"""The one place that builds everything and wires it: broker, homes, records, worker, clock."""

from __future__ import annotations

import logging
import threading
from collections import deque
from collections.abc import Callable
from functools import partial

from adapters.decode import Decoder, excerpt
from adapters.link import Link
from adapters.own_topics import OwnTopics
from adapters.types import Ask, LinkState, Message, Refusal
from service import feeds
from service.api.schemas import FaultOut, StateOut
from service.clock import Clock, utc
from service.control.overrides import WishRefused, accepted, held_by
from service.jobs import Job, Jobs
from service.records.errors import RecordsError
from service.records.records import Records
from service.running import Pending, RunningHouse
from service.scoring import score_days
from service.settings import Wiring
from service.telling import Telling
from service.worker import ProcessWorker, Worker

log = logging.getLogger(__name__)

LONGEST_WAIT_S = 5.0
HEARTBEAT_S = 30.0
STATE_EVERY_S = 10.0
MOST_ERRANDS = 100  # that wait; together they take a fraction of a second
TRY_AGAIN = "the wish was not kept, send it again later"


class Service:
    """Many homes behind one broker connection. ``start`` and ``stop`` it once."""

    def __init__(
        self, wiring: Wiring, clock: Clock, records: Records, worker: Worker | None = None
    ) -> None:
        self.wiring = wiring
        self.clock = clock
        self.records = records
        self.worker = worker or ProcessWorker()
        self._woken = threading.Event()
        self._stopping = threading.Event()
        self._receive_lock = threading.Lock()
        self._errands: deque[Callable[[], None]] = deque()
        self._tokens: list[int] = []
        self._snapshot_mark_s = clock.elapsed_s()
        self._state_sent_mark_s: dict[str, float] = {}
        self._trouble = ""
        self._flush_lock = threading.Lock()
        self.houses: dict[str, RunningHouse] = {}
        self.own: dict[str, OwnTopics] = {
            h.id: OwnTopics(wiring.broker.prefix, h.id) for h in wiring.homes
        }
        self._wish_topics = {own.wish: home for home, own in self.own.items()}
        self._decoder = Decoder({h.id: h.signals for h in wiring.homes})
        self._price_topics = feeds.price_topics(wiring.homes)
        topics = self._decoder.topics | self._wish_topics.keys() | self._price_topics.keys()
        self.link = Link(
            wiring.broker, topics, self._arrived, on_state=self._link_changed, clock=clock.now_s
        )
        for home in wiring.homes:
            self.houses[home.id] = RunningHouse(
                home,
                records,
                clock,
                self.link.publish,
                self.worker,
                self._woken.set,
            )
            self.houses[home.id].link_trouble = lambda: self.link.state.trouble
        unwired = [home for home in records.homes() if home not in self.houses]
        if unwired:
            log.warning(
                "There are records of %s, which the settings file does not name. They stay, and "
                "'ladle export' writes them out; a home that was given another id begins with "
                "nothing learned, so give it its old one back",
                ", ".join(unwired),
            )
        self._telling = [Telling(house, records) for house in self.houses.values()]
        self._jobs = Jobs(clock, self.carefully, self._by_the_clock())
        self._thread = threading.Thread(target=self._run, name="control", daemon=True)

    def _by_the_clock(self) -> tuple[Job, ...]:
        """All that happens by the clock, in one table."""
        keeping = self.wiring.keeping
        return (
            Job("wake", 1.0, self.wake),
            Job("commit", keeping.commit_every_s, self.flush),
            Job("heartbeat", HEARTBEAT_S, self.beat),
            Job("thin", 6 * 3600.0, self.thin),
            Job("tell", 60.0, self.tell_people, outside=True),
            Job("score", 3600.0, self.score),
            *(
                Job(f"{kind} {home}", every_s, run, at_once=True, outside=True)
                for kind, home, every_s, run in feeds.errands(self.houses, self.records)
            ),
        )

    # -- life ---------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin to read and to control."""
        self._thread.start()
        self.link.start()
        self._jobs.start()

    def stop(self) -> None:
        """Release all plant, commit what is pending, remember, end; what may be slow comes last."""
        self._stopping.set()
        self._woken.set()
        self._thread.join(10)
        for house in self.houses.values():
            self.carefully(partial(house.turn, stopping=True))
        self.carefully(partial(self.flush, snapshot=True))
        self.link.stop()
        self._jobs.stop()
        self.worker.close()

    def wake(self) -> None:
        """Let the control thread look whether a turn is due."""
        self._woken.set()

    def _run(self) -> None:
        while not self._stopping.is_set():
            next_s = min((h.due_in_s() for h in self.houses.values()), default=LONGEST_WAIT_S)
            self._woken.wait(min(self.clock.real_s(next_s), LONGEST_WAIT_S))
            self._woken.clear()
            self.carefully(self._jobs.follow_clock)
            for _ in range(len(self._errands)):  # not those that come meanwhile: a turn may be due
                self.carefully(self._errands.popleft())
            for house in self.houses.values():
                if house.due_in_s() <= 0.0 and not self._stopping.is_set():
                    self.carefully(house.turn)
                    self.carefully(partial(self._tell, house))
            if self.link.wants_commit:
                self.carefully(self.flush)

    def carefully(self, errand: Callable[[], object]) -> None:
        """Do it; whatever goes wrong is logged, records that fail once, and the service goes on."""
        try:
            errand()
        except RecordsError as error:
            self._complain(str(error))
        except Exception:
            log.exception("An errand failed; the service goes on")

    def _complain(self, message: str) -> None:
        if message != self._trouble:  # once, not every few seconds
            log.error("%s", message)
            self._trouble = message

    # -- what arrives -------------------------------------------------------------------------

    def _arrived(self, message: Message) -> None:
        """Take one message; in the link's thread, so quick."""
        home = self._wish_topics.get(message.topic)
        if home is not None:
            self._queue(home, message, lambda: self._wished(home, message))
        decoded = None
        if message.topic in self._decoder.topics:
            decoded = self._decoder.decode(message)
        for where, feed in self._price_topics.get(message.topic, ()):
            self._queue(
                where,
                message,
                lambda where=where, feed=feed: feeds.take_mqtt(  # type: ignore[misc]
                    self.houses[where], self.records, feed, message
                ),
            )
        with self._receive_lock:
            if decoded is not None:
                for name in dict.fromkeys(r.home for r in decoded.readings):
                    readings = [r for r in decoded.readings if r.home == name]
                    self.houses[name].offer(readings, owed=message.token is not None)
            if message.token is not None:
                self._tokens.append(message.token)
        if decoded is not None:
            for refusal in decoded.refusals:
                if refusal.home in self.houses:
                    self.houses[refusal.home].refuse(refusal)
        self._woken.set()

    def _queue(self, home: str, message: Message, errand: Callable[[], None]) -> None:
        """Leave what a message asks for to the control thread, or refuse it in a flood."""
        if len(self._errands) < MOST_ERRANDS:
            self._errands.append(errand)
            return
        # Not answered: a thousand answers would leave no room on the way out for a command.
        what, mend = f"{MOST_ERRANDS} others wait to be looked at", "let the sender send fewer"
        self.houses[home].refuse(Refusal(home, "too_many", f"topic {message.topic}", what, mend))

    def _wished(self, home: str, message: Message) -> None:
        house, own = self.houses[home], self.own[home]
        asked = own.read_wish(message)
        if not isinstance(asked, Ask):
            house.refuse(asked)
            self.link.publish(own.wish_answer(False, asked.message, message.correlation))
            return
        try:
            kept = house.wish(asked.fields, "mqtt", by_message=True)
        except WishRefused as refused:
            where, got = f"{refused.where} in {own.wish}", excerpt(message.payload)
            house.refuse(Refusal(home, "wish_refused", where, refused.what, refused.mend, got))
            self.link.publish(own.wish_answer(False, str(refused), asked.correlation))
            return
        except RecordsError as error:  # not kept, so not carried out
            self.link.publish(
                own.wish_answer(False, f"{error.what}; {TRY_AGAIN}", asked.correlation)
            )
            raise
        hold = held_by(kept, house.live_overrides())
        said = accepted(hold, house.settings.wiring.zone_info)
        ids = {"id": kept.id, "held_by": None if hold is None else hold.id}
        self.link.publish(own.wish_answer(True, said, asked.correlation, ids))

    def _link_changed(self, state: LinkState) -> None:
        for house in self.houses.values():
            house.offer_link(state.connected)

    # -- what goes out ------------------------------------------------------------------------

    def _tell(self, house: RunningHouse) -> None:
        """Publish the home's state, at most every few seconds, and its faults when they change."""
        view = house.view
        elapsed_s = self.clock.elapsed_s()
        if view is None:
            return
        own = self.own[house.id]
        if house.faults_changed():
            self.link.publish(
                own.faults_message(
                    view.at.isoformat(),
                    [FaultOut.of(f).model_dump(mode="json") for f in view.faults],
                )
            )
        sent_mark_s = self._state_sent_mark_s.get(house.id)
        if sent_mark_s is None or elapsed_s - sent_mark_s >= STATE_EVERY_S:
            self._state_sent_mark_s[house.id] = elapsed_s
            # The same as GET .../state, so that one description serves both.
            state = StateOut.of(house.id, view).model_dump(mode="json")
            self.link.publish(own.state_message(state))

    def score(self) -> None:
        """Score the forecasts of days that are over."""
        for home, house in self.houses.items():
            score_days(home, house, self.records)

    def tell_people(self) -> None:
        """Send messages about faults that are due."""
        for telling in self._telling:
            telling.tell()

    def beat(self) -> None:
        """Publish one heartbeat for each home, for watchdogs."""
        for house in self.houses.values():
            # A home whose step fails, or stands still, must look dead to its watchdog.
            if house.alive():
                message = self.own[house.id].heartbeat_message(self.clock.now_s(), HEARTBEAT_S)
                self.link.publish(message)

    # -- keeping ------------------------------------------------------------------------------

    def flush(self, snapshot: bool = False) -> None:
        """Commit what is pending, then acknowledge it; a failure is tried again next time."""
        with self._flush_lock:
            taken: dict[str, Pending] = {}
            tokens: list[int] = []
            late = False
            try:
                with self._receive_lock:
                    for name, house in self.houses.items():
                        taken[name] = house.take_pending()
                    tokens, self._tokens = self._tokens, []
                for name, pending in list(taken.items()):
                    self.houses[name].commit(pending)
                    late |= any(not r.tells_now for r in pending.readings)
                    late |= self.houses[name].memory_misdated
                    del taken[name]
                elapsed_s = self.clock.elapsed_s()
                due_s = self._snapshot_mark_s + self.wiring.keeping.snapshot_every_s
                if snapshot or late or elapsed_s >= due_s:
                    for house in self.houses.values():
                        house.save_snapshot()
                    self._snapshot_mark_s = elapsed_s
            except Exception as error:  # a defect too: what is not stored must not be dropped
                for name, pending in taken.items():
                    self.houses[name].give_back(pending)
                with self._receive_lock:
                    self._tokens = tokens + self._tokens
                if not isinstance(error, RecordsError):
                    raise
                self._complain(str(error))
                return
            if self._trouble:
                log.info("Records are written again; what waited meanwhile is stored.")
            self._trouble = ""
            self.link.acknowledge(tokens)

    def thin(self) -> None:
        """Thin old readings; by a clock that may be ahead, today's would be old."""
        if any(house.clock_doubted for house in self.houses.values()):
            return
        self.records.thin(utc(self.clock.now_s()), self.wiring.keeping)
