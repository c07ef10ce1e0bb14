"""Two million random and mutated messages go through decoding, control and records.

A simulated home answers underneath, so that plant really runs; on the same topics come mutated
and random payloads, impossible and contradictory values, wrong stamps, wishes and prices, while
the clock jumps, the broker comes and goes and the process is killed. In some stretches nothing
that arrives can be true of now: then no plant may run, whatever the decoder made of it.
"""

from __future__ import annotations

import json
import logging
import random
import tempfile
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

from adapters.types import Command, Message, Outgoing
from adapters.units import limits
from forecasting.types import DrawHistory
from service import running
from service.assembly import Service
from service.clock import utc
from service.control.observe import POSSIBLE_C
from service.control.types import Override, Wish, Work, WorkDone
from service.control.work import perform
from service.records.records import Records
from service.settings import Database, HomeSettings, HomeWiring, Tunables, Wiring
from service.simulation.fitted import home_of
from service.simulation.home import SimulatedHome, from_base
from service.simulation.household import SCHOOL_FAMILY, draws
from service.simulation.weather import Weather
from tests import control_plant
from tests.faults.frame import Line, Outcome
from tests.faults.sequences import SENTENCES
from tests.never import Never

DAY_S = 86_400.0
LIFE = 100_000  # messages in one home's life; then another home begins
FLUSH_S = 600.0
PRICES = "feeds/prices"
CEILING_C = 63.0


def run(long: bool) -> Outcome:
    """Two million messages, or a few thousand."""
    wanted = 2_000_000 if long else 4_000
    life = LIFE if long else 2_000
    seen: Counter[str] = Counter()
    broken = ""
    level = logging.root.manager.disable
    logging.disable(logging.CRITICAL)  # every refusal is counted; a log of millions helps nobody
    try:
        for seed in range(wanted // life):
            with tempfile.TemporaryDirectory() as folder:
                storm = Storm(seed, Path(folder))
                try:
                    storm.blow(life)
                except AssertionError as error:
                    broken = f"home {seed}, message {storm.sent}: {error}"
                seen += storm.count + storm.never.seen
                storm.close()
            if long:
                print(f"home {seed}: {storm.sent} messages", flush=True)
            if broken:
                break
    finally:
        logging.disable(level)
    figures = {k: v for k, v in sorted(seen.items()) if not k.startswith("refused: ")}
    refused = {k.removeprefix("refused: "): v for k, v in seen.items() if k.startswith("refused")}
    return Outcome(
        (
            Line(
                f"{seen['messages']} random and mutated messages",
                broken
                or f"{seen['readings']} readings came of them, {sum(refused.values())} inputs were "
                f"refused with a reason; every sentence held at every step: {SENTENCES}",
                "at every step; no step failed",
                "nothing" if not broken else "a sentence",
                not broken,
            ),
        ),
        {**figures, "refused": ", ".join(f"{k} {v}" for k, v in sorted(refused.items()))},
        {"messages": wanted, "homes": wanted // life, "messages in a home's life": life},
    )


class StormClock:
    """Wall time that jumps, and monotonic time that begins anew with each process."""

    def __init__(self, start_s: float) -> None:
        self.true_s = start_s
        self.off_s = 0.0
        self.began_s = start_s

    def now_s(self) -> float:
        return max(self.true_s + self.off_s, 0.0)

    def elapsed_s(self) -> float:
        return self.true_s - self.began_s

    def real_s(self, clock_s: float) -> float:
        return 0.0 * clock_s


class SomeWorker:
    """Performs some of the work that is asked for; the rest fails, as it may in life."""

    def __init__(self, chance: random.Random) -> None:
        self._chance = chance

    def submit(self, work: Work, history: DrawHistory, done: Any) -> None:
        if self._chance.random() < 0.06:
            done(perform(work, history))
        else:
            done(WorkDone(work.kind, work.number, failed="nobody works"))

    def close(self) -> None:
        pass


def home_wiring(seed: int) -> HomeWiring:
    """An invented home with signals of every format, and one of three forms of command."""
    plain = control_plant.wiring()
    for s in plain["signals"]:
        if s["name"] in ("probe_1", "element_power"):
            s |= {"format": "json", "value": "v", "stamp": "t"}
        if s["name"] == "probe_3":
            s |= {"format": "senml", "value": "top"}
        if s["name"] == "draw":
            s |= {"format": "json", "value": "total", "stamp": "t", "unit": "L"}
    plain["signals"] += [
        {"name": "out", "measures": "outdoor_temperature", "unit": "Cel", "topic": "plant/out"},
        {"name": "export", "measures": "export_power", "unit": "kW", "topic": "plant/export"},
        {"name": "loop", "measures": "secondary_return", "unit": "contact", "topic": "plant/loop"},
    ]
    pump, element = plain["actuators"]
    if seed % 3 == 1:
        pump |= {"form": "set_temperature", "run": "{set_c}"}
    if seed % 3 == 2:
        element |= {"form": "diverter", "run": "{power_w}", "second_topic": "plant/element/power"}
    if seed % 4 == 3:
        plain["cylinder"]["mixing_valve_c"] = None
    plain["price_feeds"] = [{"kind": "mqtt", "address": PRICES}]
    days = 1.0 if seed % 2 else 7.0
    plain["first"] = {
        "hygiene": {"longest_interval_days": days},
        "tariff": control_plant.CHEAP_NIGHT,
        "reserve_tenths": 6,
        "replan_every_slots": 12,
    }
    return HomeWiring.model_validate(plain)


class Storm:
    """One home's life in a storm of messages."""

    def __init__(self, seed: int, folder: Path) -> None:
        self.chance = random.Random(seed)
        self.clock = StormClock(control_plant.MONDAY.timestamp() + seed * 9 * DAY_S)
        home = home_wiring(seed)
        self.wiring = Wiring(
            database=Database(url=f"sqlite:///{folder}/ladle.sqlite"), homes=(home,)
        )
        self.signals = home.signals
        self.by_topic = {s.topic: s for s in home.signals}
        self.records = Records.open(self.wiring.database.url)
        self.plant = self._plant(home, seed)
        self.source_of = {a.name: a.source for a in home.actuators}
        self.count: Counter[str] = Counter()
        self.sent = 0
        self.never = Never(
            ceiling_c=CEILING_C,
            interval_s=home.first.hygiene.longest_interval_days * DAY_S,
            ruling=frozenset({"probe_2", "probe_3"}),
            most_starts={"heat_pump": 3, "immersion": 6},
            source_of=self.source_of,
        )
        self.kind, self.kind_left = "sound", 20
        self.nothing_true_since_s: float | None = None
        self.flushed_s = self.clock.true_s
        self.overrides: list[Override] = []
        self.alive = False
        self.broken = ""
        self._real_step = running.step
        running.step = self._step
        self._begin()
        self.never.begins(self.house._state.hygiene)

    def _plant(self, home: HomeWiring, seed: int) -> SimulatedHome:
        settings = HomeSettings(wiring=home, tunables=Tunables())
        day = control_plant.MONDAY.date()
        zone = home.zone_info
        now_s = self.clock.true_s
        taps = (
            d
            for d in draws(SCHOOL_FAMILY, day.fromtimestamp(now_s), 40, zone, seed)
            if d.start_s > now_s
        )
        lived = home_of(settings, taps, Weather(seed=seed), now_s)
        assert lived.heat_pump is not None
        lived.heat_pump = replace(lived.heat_pump, own_set_c=20.0)  # so that Ladle has to heat
        return lived

    def close(self) -> None:
        """End it without a goodbye."""
        running.step = self._real_step
        self.records.close()

    # -- the service --------------------------------------------------------------------------

    def _begin(self) -> None:
        """A process begins on what the records hold."""
        self.clock.began_s = self.clock.true_s - self.chance.uniform(0.0, 50.0)
        self.alive = False  # what is lived again from the records commands nothing
        self.service = Service(self.wiring, self.clock, self.records, SomeWorker(self.chance))
        self.house = self.service.houses["home"]
        self.house._send = self._published
        self.house.on_commands = self._commanded
        self.alive = True
        wish = self.house.wish

        def noting(fields: Any, author: str, *, by_message: bool = False) -> Override:
            made = wish(fields, author, by_message=by_message)
            self.count["wishes accepted"] += 1
            if made.wish is Wish.HOLD:
                self.never.hold = True
            assert not (by_message and made.wish is Wish.END_HOLD), "a message ended a hold"
            return made

        self.house.wish = noting  # type: ignore[method-assign]
        self.house.offer_link(True)

    def _step(self, state: Any, settings: Any, inputs: Any, now: Any, elapsed_s: float) -> Any:
        try:
            state, out = self._real_step(state, settings, inputs, now, elapsed_s)
            if self.alive:
                self._check(state, out, inputs, now)
        except Exception as error:
            # The service outlives a step that fails; here it must end the run.
            self.broken = self.broken or f"{type(error).__name__}: {error}"
            raise
        return state, out

    def _check(self, state: Any, out: Any, inputs: Any, now: Any) -> None:
        self._hear(inputs.readings)
        self.never.after(state, out, now)
        if self.nothing_true_since_s is not None:
            blind_s = self.clock.true_s - self.nothing_true_since_s
            runs = [c for c in out.commands if c.action == "run"]
            assert not (runs and blind_s > 300.0), f"ran plant, blind for {blind_s:.0f} s"
            self.count["steps while nothing true of now arrived"] += 1

    def _hear(self, readings: Any) -> None:
        self.count["readings"] += len(readings)
        for r in readings:
            low, high = POSSIBLE_C.get(self._signal(r.signal).measures, (-1e9, 1e9))
            least, most = limits(self._signal(r.signal).measures, self._signal(r.signal).unit)
            assert least <= r.value <= most, f"decoded {r}"
            if r.tells_now and r.signal.startswith("probe") and low <= r.value <= high:
                age_s = self.clock.now_s() - r.received_s  # it may have waited for this turn
                age_s += max(0.0, r.received_s - r.measured_s) if r.stamped else 0.0
                self.never.hears(r.signal, r.value, age_s if abs(age_s) < 1e6 else 0.0)

    def _signal(self, name: str) -> Any:
        return next(s for s in self.signals if s.name == name)

    def _commanded(self, commands: Any) -> None:
        for command in commands:
            assert isinstance(command, Command)
            self.plant.command(self.source_of[command.actuator], command)

    def _published(self, message: Outgoing) -> None:
        """What goes out to the plant, as bytes."""
        assert not message.retain, "a command was retained"
        self.count["commands sent"] += 1
        if message.topic == "plant/pump/set":
            value = float(message.payload)
            assert value <= CEILING_C, f"asked for {value} degC"

    # -- the storm ----------------------------------------------------------------------------

    def blow(self, messages: int) -> None:
        """So many messages, in batches as they would reach one turn."""
        chance = self.chance
        while self.sent < messages:
            self._change_kind()
            batch = min(1 + int(chance.expovariate(0.04)), messages - self.sent)
            self._pass(batch * chance.expovariate(1 / 2.0))
            for _ in range(batch):
                self._message()
            while self.service._errands:
                self.service.carefully(self.service._errands.popleft())
            if chance.random() < 0.97 or self.house.due_in_s() <= 0.0:
                self.house.turn()
            self._happens()
            assert not self.broken, self.broken
            if self.clock.true_s - self.flushed_s > FLUSH_S:
                self.service.flush()
                self.flushed_s = self.clock.true_s
        self.count["messages"] += self.sent
        for code, n in self.house.health().refusals.items():
            self.count[f"refused: {code}"] += n

    def _change_kind(self) -> None:
        self.kind_left -= 1
        if self.kind_left > 0:
            return
        self.kind = self.chance.choices(
            ("sound", "storm", "untrue", "contradiction"), (60, 25, 8, 7)
        )[0]
        self.kind_left = self.chance.randrange(10, 120)
        self.nothing_true_since_s = self.clock.true_s if self.kind == "untrue" else None

    def _pass(self, seconds: float) -> None:
        self.clock.true_s += seconds
        self.never.passes(seconds)

    def _happens(self) -> None:
        """Now and then something other than a message."""
        chance, clock = self.chance, self.clock
        dice = chance.random()
        if dice < 0.002:
            self._pass(chance.choice((90.0, 400.0, 3000.0, 20_000.0)))
            self.count["silences"] += 1
        elif dice < 0.004:
            clock.off_s = chance.choice((3600.0, -3600.0, 1e7, -1e7, -clock.true_s + 200.0, 0.0))
            self.count["clock jumps"] += 1
        elif dice < 0.010:
            clock.off_s = 0.0
        elif dice < 0.013:
            self.house.offer_link(chance.random() < 0.5)
        elif dice < 0.020:
            self.house.offer_link(True)
        elif dice < 0.0212:
            self._begin()
            self.never.restarts(self.house._state.hygiene)
        elif dice < 0.026 and self.never.hold:
            self.house.wish({"wish": "end_hold"}, "installer")
            self.never.hold = False
            self.count["holds ended by a person"] += 1
        elif dice < 0.028:
            self.service.thin()
        if clock.true_s > self.plant.now_s + 10.0:
            self.plant.advance(clock.true_s)

    def _message(self) -> None:
        topic, payload, waited, correlation = self._made()
        self.sent += 1
        self.service._arrived(
            Message(topic, payload, self.clock.now_s(), waited, self.sent, correlation)
        )

    def _made(self) -> tuple[str, bytes, bool, bytes | None]:
        chance = self.chance
        dice = chance.random()
        if dice < 0.005:
            return "ladle/home/wish", self._wish(), chance.random() < 0.1, chance.randbytes(4)
        if dice < 0.015:
            return PRICES, self._prices(), chance.random() < 0.3, None
        if dice < 0.02:
            return chance.choice(("plant/nobody", "", "ladle/home/state")), b"1", False, None
        signal = chance.choice(self.signals)
        match self.kind:
            case "sound":
                value = self.plant.base_value(signal)
                return signal.topic, self._say(signal, value), False, None
            case "contradiction":
                value = chance.uniform(5.0, 66.0)
                return signal.topic, self._say(signal, value), chance.random() < 0.2, None
            case "untrue":
                return self._untrue(signal)
        value = self.plant.base_value(signal)
        if chance.random() < 0.5:
            return signal.topic, self._say(signal, value), False, None
        payload = mutated(self._say(signal, value), chance)
        return signal.topic, payload, chance.random() < 0.1, None

    def _say(self, signal: Any, base: float, stamp_s: float | None = None) -> bytes:
        value = round(from_base(base, signal), 2)
        at = self.clock.true_s if stamp_s is None else stamp_s
        if signal.format == "json":
            key = signal.value
            return json.dumps({key: value, "t": at}).encode()
        if signal.format == "senml":
            record = {"bn": "", "n": signal.value, "u": "Cel", "v": value, "t": at}
            return json.dumps([record]).encode()
        if signal.unit == "contact":
            return b"on" if value else b"off"
        return f"{value}".encode()

    def _untrue(self, signal: Any) -> tuple[str, bytes, bool, bytes | None]:
        """What cannot tell of now: impossible, stamped otherwhen, retained, or no number."""
        chance, at = self.chance, self.clock.now_s()
        kind = chance.randrange(5)
        if signal.format in ("json", "senml"):
            if kind == 1 or at < DAY_S:  # in 1970 a SenML time would count as relative, rightly
                return signal.topic, self._say(signal, 1e9, at), False, None
            off = chance.choice((-1e6, -400.0, 130.0, 1e7, 1e12))
            return signal.topic, self._say(signal, 40.0, at + off), False, None
        if kind < 3:
            bad = (b"NaN", b"inf", b"-127", b"1e300", b"850", b"", b"unavailable", b"null", b"true")
            return signal.topic, chance.choice(bad), False, None
        if kind == 3:
            return signal.topic, f"{chance.uniform(10, 60):.2f}".encode(), True, None
        return signal.topic, bytes(chance.choices(range(128, 256), k=8)), False, None

    def _wish(self) -> bytes:
        chance, at = self.chance, self.clock.now_s()
        fields: dict[str, Any] = {"wish": chance.choice([*map(str, Wish)])}
        until = at + chance.choice((600.0, 7200.0, 2 * DAY_S))
        wish = fields["wish"]
        if wish == "hold" and chance.random() < 0.7:
            fields["wish"] = wish = "more"  # a hold stops everything: not too many
        if wish in ("more", "less", "charge_to", "guests", "away"):
            moment = _utc(until)
            fields["until"] = moment
        if wish == "charge_to":
            fields["tenths"] = chance.randrange(1, 11)
        if wish == "guests":
            fields["people"] = chance.choice((1, 4, 1e9, -3))
        payload = json.dumps(fields).encode()
        return mutated(payload, chance) if chance.random() < 0.4 else payload

    def _prices(self) -> bytes:
        chance, begin = self.chance, int(self.clock.now_s()) // 3600 * 3600
        rows = [
            {
                "start": _utc(begin + i * 3600.0),
                "end": _utc(begin + i * 3600.0 + 3600.0),
                "price": chance.choice((0.3, -0.2, 0.05, 1e9)),
            }
            for i in range(chance.randrange(0, 30))
        ]
        payload = json.dumps(rows).encode()
        return mutated(payload, chance) if chance.random() < 0.5 else payload


def _utc(at_s: float) -> str:
    return utc(min(max(at_s, 0.0), 4e9)).isoformat()


def mutated(payload: bytes, chance: random.Random) -> bytes:
    """A payload with something done to it."""
    raw = bytearray(payload)
    for _ in range(chance.choice((1, 1, 1, 2, 5))):
        at = chance.randrange(len(raw) + 1)
        match chance.randrange(9):
            case 0 if raw:
                raw[at % len(raw)] = chance.randrange(256)
            case 1:
                raw[at:at] = chance.choice(
                    (b"-", b"e9", b".", b"0" * 40, b"{", b"[", b'"', b"null", b"NaN", b",", b"\0")
                )
            case 2:
                del raw[at : at + chance.randrange(1, 6)]
            case 3:
                raw = raw[:at]
            case 4:
                raw += raw[: chance.randrange(1, 20)]
            case 5:
                raw = bytearray(chance.randbytes(chance.randrange(64)))
            case 6:
                raw = bytearray(b"[" * chance.choice((3, 2000)) + bytes(raw))
            case 7 if raw:
                digits = [i for i, b in enumerate(raw) if 48 <= b <= 57]
                if digits:
                    raw[chance.choice(digits)] = 48 + chance.randrange(10)
            case _:
                raw = bytearray(raw.swapcase() + b" " * chance.randrange(3))
    return bytes(raw)
