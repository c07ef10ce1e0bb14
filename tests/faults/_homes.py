"""Invented homes for replays with faults: each lived by the simulated home, run by the step."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time, timedelta
from typing import Any

import numpy as np

from adapters.types import Reading
from adapters.wiring import Quantity, Signal
from service.clock import utc
from service.control.types import Fault, Outputs, WorkDone
from service.cylinder import model
from service.cylinder.drive import Drive, SecondaryReturn
from service.scheduling.types import SourceName
from service.settings import HomeSettings
from service.simulation import money
from service.simulation.fitted import build_of, home_of
from service.simulation.home import SimulatedHome
from service.simulation.household import EARLY_SHIFT, SCHOOL_FAMILY, Household, TapDraw, draws
from service.simulation.replay import Replay
from service.simulation.tank import Answer, OurTank, Push
from service.simulation.weather import Weather
from tests import control_plant

DAY_S = 86_400.0
FIRST = date(2026, 1, 5)
HOUSEHOLDS: dict[str, Household] = {
    "plate": SCHOOL_FAMILY,
    "coil": SCHOOL_FAMILY,
    "immersion": EARLY_SHIFT,
    "lean": SCHOOL_FAMILY,
}
LEAN = {"probe_1", "probe_3"}  # all that measures anything in a lean home


def settings_of(kind: str, loop: bool = False) -> HomeSettings:
    """A home with a plate exchanger, a coil, or an immersion heater alone; metered throughout.

    ``lean`` is the one with a plate exchanger, with two probes and nothing else that measures.
    """
    plain = control_plant.wiring()
    # A counter misses nothing, however seldom it is read.
    counts = {"name": "draw", "measures": "draw_flow", "unit": "L", "place": "cold_feed"}
    plain["signals"] = [s for s in plain["signals"] if s["name"] != "draw"]
    plain["signals"] += [
        counts | {"topic": "plant/draw"},
        {"name": "out", "measures": "outdoor_temperature", "unit": "Cel", "topic": "plant/out"},
        {"name": "hot", "measures": "outlet_temperature", "unit": "Cel", "topic": "plant/hot"},
    ]
    if kind != "immersion":
        flow = {"name": "flow", "measures": "heat_pump_flow_temperature", "unit": "Cel"}
        plain["signals"].append(flow | {"topic": "plant/flow"})
    if loop:
        contact = {"name": "loop", "measures": "secondary_return", "unit": "contact"}
        plain["signals"].append(contact | {"topic": "plant/loop"})
    if kind == "coil":
        plain["heat_pump"]["layout"] = "coil"
        plain["cylinder"] |= {"coil_foot_m": 0.1, "coil_head_m": 0.7}
    if kind == "immersion":
        plain["heat_pump"] = None
        plain["actuators"] = plain["actuators"][1:]
        plain["signals"] = [s for s in plain["signals"] if s["name"] != "pump_power"]
    if kind == "lean":
        plain["signals"] = [s for s in plain["signals"] if s["name"] in LEAN]
    people = HOUSEHOLDS[kind].people
    return control_plant.settings(
        {
            "tariff": control_plant.CHEAP_NIGHT,
            "occupants": people,
            "reserve_tenths": 3,
            # Plans are not what is looked at here, and cost most: coarser and fewer than usual.
            "replan_every_slots": 12,
            "slot_minutes": 60,
            "horizon_h": 24,
        },
        **plain,
    )


class WorkedTank(OurTank):
    """The cylinder, with something done to it beside what the home does."""

    lost_heat = False  # what the heat pump makes does not arrive
    leak_l_per_min = 0.0
    leaked_l = 0.0
    loop: Callable[[], bool] | None = None  # whether the secondary return's pump runs

    def push(self, push: Push) -> Answer:
        if self.lost_heat:
            push = replace(push, plate_w=0.0, coil_w=0.0)
        if self.leak_l_per_min:
            push = replace(push, top_l_per_min=push.top_l_per_min + self.leak_l_per_min)
            self.leaked_l += self.leak_l_per_min * push.seconds / 60.0
        if self.loop is not None and self.loop() and push.seconds > 1.0:
            back = SecondaryReturn(4.0, 38.0, 0.1)
            drive = Drive(cold_c=push.cold_c, ambient_c=push.ambient_c, secondary_return=back)
            self.state, _ = model.advance(self.cylinder, self.state, drive, push.seconds)
        return super().push(push)


class WatchedReplay(Replay):
    """A replay whose instruments can lie or fall silent, and whose faults are kept."""

    def __init__(self, *given: Any, **named: Any) -> None:
        super().__init__(*given, on_outputs=self._note, **named)
        self.raised: list[tuple[float, Fault]] = []
        self.cleared: list[tuple[float, Fault]] = []
        self.commands: list[tuple[float, str, str]] = []
        self.silent: set[str] = set()
        self.every_s: float | None = None  # readings at least so often
        self.hot_s: float | None = None  # when a probe first showed 70 degC

    def _step(self, readings: tuple[Reading, ...], done: tuple[WorkDone, ...] = ()) -> Outputs:
        out = super()._step(readings, done)
        if self.every_s is None:
            return out
        return replace(out, due_at=min(out.due_at, out.view.at + timedelta(seconds=self.every_s)))

    def _note(self, out: Outputs) -> None:
        at_s = self.home.now_s
        hottest = max((t for t in out.view.probes_c.values() if t is not None), default=0.0)
        if hottest > 69.0 and self.hot_s is None:
            self.hot_s = at_s
        self.commands += [(at_s, c.actuator, c.action) for c in out.commands]
        for fault in out.faults:
            (self.raised if fault.cleared_at is None else self.cleared).append((at_s, fault))

    def commanded_s(self, source: SourceName, from_s: float, to_s: float) -> float:
        """For how long of this time a source was commanded to run, s."""
        total_s, since_s = 0.0, None
        for at_s, actuator, action in (*self.commands, (to_s, None, "")):
            if actuator is not None and self._source[actuator] != source:
                continue
            if action == "run" and since_s is None:
                since_s = at_s
            elif action != "run" and since_s is not None:
                total_s += max(min(at_s, to_s) - max(since_s, from_s), 0.0)
                since_s = None
        return total_s

    def _readings(self) -> tuple[Reading, ...]:
        return tuple(r for r in super()._readings() if r.signal not in self.silent)


@dataclass
class Lived:
    """One home under way. ``tank`` and ``home`` may be changed between two calls of ``until``."""

    kind: str
    seed: int
    days: int
    loop: bool = False
    extra: list[TapDraw] = field(default_factory=list)
    lies: dict[str, Callable[[float], float]] = field(default_factory=dict)  # signal -> value'

    def __post_init__(self) -> None:
        settings = settings_of(self.kind, self.loop)
        zone = settings.wiring.zone_info
        self.start_s = datetime.combine(FIRST, time(), zone).timestamp()
        self.end_s = datetime.combine(FIRST + timedelta(days=self.days), time(), zone).timestamp()
        self.tank = WorkedTank(build_of(settings))
        self.home: SimulatedHome = home_of(
            settings, self._taps(zone), Weather(seed=self.seed), self.start_s, self.tank
        )
        self._real = self.home.base_value
        self.home.base_value = self._shown  # type: ignore[method-assign]
        price = money.price_at(settings, self.start_s, self.end_s)
        self.replay = WatchedReplay(settings, self.home, price)

    def _taps(self, zone: Any) -> Iterator[TapDraw]:
        usual = draws(HOUSEHOLDS[self.kind], FIRST, self.days, zone, self.seed)
        free_s = self.start_s
        waiting = sorted(self.extra, key=lambda d: d.start_s)
        for draw in usual:
            while waiting and waiting[0].start_s <= draw.start_s:
                more = waiting.pop(0)
                yield more
                free_s = more.start_s + more.duration_s
            if draw.start_s >= free_s:
                yield draw

    def day_s(self, day: float) -> float:
        """The moment so many days after the beginning."""
        return self.start_s + day * DAY_S

    def until(self, day: float) -> None:
        """Live on."""
        self.replay.run(min(self.day_s(day), self.end_s))

    def told(self, code: str, subject: str | None = None, since_s: float = 0.0) -> float | None:
        """When such a fault was told first after ``since_s``; None when never."""
        return next(
            (
                at
                for at, f in self.replay.raised
                if f.code == code and subject in (None, f.subject) and at >= since_s
            ),
            None,
        )

    def _shown(self, signal: Signal) -> float:
        home = self.home
        value = self._real(signal)
        if signal.measures is Quantity.HEAT_PUMP_FLOW_TEMPERATURE:
            value = 57.0 if home.pump.heats else 22.0
        elif signal.measures is Quantity.SECONDARY_RETURN:
            value = float(self.tank.loop is not None and self.tank.loop())
        elif signal.measures is Quantity.DRAW_FLOW:
            value += self.tank.leaked_l
        elif signal.measures is Quantity.HEAT_PUMP_ELECTRICITY and self.tank.lost_heat:
            value = 1800.0 if home.pump.heats else 0.0
        lie = self.lies.get(signal.name)
        return value if lie is None else lie(value)


def when(at_s: float) -> str:
    """A moment in words."""
    return f"{utc(at_s):%Y-%m-%d %H:%M}"


__all__ = ["DAY_S", "Lived", "np", "when"]
