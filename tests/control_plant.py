"""A little invented home that answers the control step in process, for the tests of control."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from adapters.types import Command, Reading
from service.control import draw_history, snapshot
from service.control.beginning import resume, start
from service.control.state import State
from service.control.step import step
from service.control.types import Draw, Inputs, Outputs, Override, Wish, WorkDone
from service.control.work import perform
from service.cylinder import model
from service.cylinder.drive import CoilCharge, Drive, ImmersionHeat, PlateCharge
from service.cylinder.geometry import Cylinder
from service.settings import HomeSettings, HomeWiring, Tunables

MONDAY = datetime(2026, 1, 12, 12, 0, tzinfo=UTC)

CHEAP_NIGHT = {
    "bands": [
        {"import_per_kwh": 0.12, "from_time": "01:00", "until_time": "05:00"},
        {"import_per_kwh": 0.32},
    ]
}


def wiring(**changes: Any) -> dict[str, Any]:
    """Plain wiring of the invented home: 300 L, three probes, a plate exchanger, an immersion."""
    plain: dict[str, Any] = {
        "zone": "Europe/Paris",
        "cylinder": {
            "volume_l": 300,
            "height_m": 1.6,
            "standing_loss_kwh_per_day": 1.9,
            "thermostat_c": 65,
            "cutout_c": 80,
            "mixing_valve_c": 48,
            "immersion_height_m": 0.15,
        },
        "heat_pump": {"layout": "plate", "capacity_w": 6000},
        "immersion": {"power_w": 3000, "thermostat_c": 65},
        "signals": [
            _signal("probe_1", "probe", "Cel", height_m=0.2),
            _signal("probe_2", "probe", "Cel", height_m=0.8),
            _signal("probe_3", "probe", "Cel", height_m=1.4),
            _signal("draw", "draw_flow", "L/min", place="cold_feed"),
            _signal("cold", "cold_inlet_temperature", "Cel"),
            _signal("pump_power", "heat_pump_electricity", "W"),
            _signal("element_power", "immersion_electricity", "W"),
        ],
        "actuators": [
            {
                "name": "pump",
                "source": "heat_pump",
                "form": "on_off",
                "topic": "plant/pump/set",
                "lease_s": 600,
                "released_by": "own_timer",
                "released_state": "its own control decides",
            },
            {
                "name": "element",
                "source": "immersion",
                "form": "on_off",
                "topic": "plant/element/set",
                "lease_s": 600,
                "released_by": "own_timer",
                "released_state": "off",
            },
        ],
    }
    for key, value in changes.items():
        if isinstance(value, dict) and isinstance(plain.get(key), dict):
            plain[key] = {**plain[key], **value}
        elif value is None:
            plain.pop(key, None)
        else:
            plain[key] = value
    return plain


def _signal(name: str, measures: str, unit: str, **more: Any) -> dict[str, Any]:
    return {"name": name, "measures": measures, "unit": unit, "topic": f"plant/{name}", **more}


def settings(
    tunables: dict[str, Any] | None = None, version: int = 1, **changes: Any
) -> HomeSettings:
    """Settings of the invented home, changed where a test wants it."""
    return HomeSettings(
        wiring=HomeWiring.model_validate(wiring(**changes)),
        tunables=Tunables.model_validate(tunables or {}),
        version=version,
    )


@dataclass
class LittleHome:
    """The home's plant, its clock, and the control step that runs it."""

    settings: HomeSettings
    now: datetime = MONDAY
    profile_c: Any = 30.0
    elapsed_s: float = 1000.0
    every_s: float = 60.0
    cold_c: float = 10.0
    outdoor_c: float = 7.0  # where a signal measures it
    draws: Callable[[datetime], float] = lambda at: 0.0  # L/min
    history: list[Draw] = field(default_factory=list)
    silent: set[str] = field(default_factory=set)
    overrides: tuple[Override, ...] | None = None
    connected: bool | None = None
    outputs: list[Outputs] = field(default_factory=list)
    sent: list[tuple[datetime, Command]] = field(default_factory=list)
    until_mark: dict[str, float] = field(default_factory=dict)  # actuator -> its timer's end
    dead: set[str] = field(default_factory=set)  # actuators that do nothing
    strength: float = 1.0  # of the heat pump: the share of its heat that it still gives
    reaches_c: float = 99.0  # the hottest water the heat pump really makes, whatever is stated
    plans: bool = True  # False: whatever is asked of the workers fails
    kwh: dict[str, float] = field(default_factory=dict)
    drawn_l: float = 0.0  # what a counter shows where the draw signal is one
    state: State = field(init=False)

    def __post_init__(self) -> None:
        built = self.settings.wiring.cylinder
        self.cylinder = Cylinder(built.volume_l, built.height_m, loss_w_per_k=1.76)
        self.water = model.start(self.cylinder, self.profile_c)
        self.state = start(self.settings, self.now, self.elapsed_s)

    def on(self, actuator: str) -> bool:
        """Whether the actuator's timer still runs."""
        return self.elapsed_s < self.until_mark.get(actuator, -1.0)

    def live(self, seconds: float) -> None:
        """Let the plant live and control follow."""
        left = seconds
        while left > 1e-6:
            span = min(self.every_s, left)
            self._plant(span)
            self.wait(span)
            self.step(self.readings())
            left -= span

    def wait(self, seconds: float) -> None:
        """Time goes by on both clocks; nothing is heard and nothing done."""
        self.now += timedelta(seconds=seconds)
        self.elapsed_s += seconds

    def until(self, condition: Callable[[LittleHome], bool], within_s: float) -> bool:
        """Live until a condition holds; False when it never did."""
        end = self.elapsed_s + within_s
        while self.elapsed_s < end:
            self.live(self.every_s)
            if condition(self):
                return True
        return False

    def step(self, readings: tuple[Reading, ...] = (), **more: Any) -> Outputs:
        """One control step, its commands carried out and its work done at once."""
        inputs = Inputs(
            readings=readings, overrides=self.overrides, broker_connected=self.connected, **more
        )
        self.overrides = None
        for _ in range(6):
            self.state, out = step(self.state, self.settings, inputs, self.now, self.elapsed_s)
            self.outputs.append(out)
            self.history.extend(out.draws)
            self._carry_out(out.commands)
            if not out.work:
                return out
            done = []
            for work in out.work:
                begin = 0 if work.history_from is None else int(work.history_from.timestamp())
                begin = max(begin, self.watched_from_s())
                drawn = draw_history.between(self.history, begin, int(self.now.timestamp()))
                done.append(
                    perform(work, drawn)
                    if self.plans
                    else WorkDone(work.kind, work.number, failed="nobody works")
                )
            inputs = Inputs(work_done=tuple(done))
        raise AssertionError("work never ends")

    def watched_from_s(self) -> int:
        """From when on draws were watched."""
        first = min((d.start for d in self.history), default=self.now)
        return int(min(first, self.now).timestamp())

    def wish(self, wish: Wish, **more: Any) -> Override:
        """Put an override among those that stand."""
        made = Override(
            id=len(self.state.overrides) + 1,
            wish=wish,
            author=more.pop("author", "somebody"),
            made_at=self.now,
            since=more.pop("since", self.now),
            until=more.pop("until", None),
            **more,
        )
        standing = self.state.overrides if self.overrides is None else self.overrides
        self.overrides = (*standing, made)
        return made

    def restart(self, down_s: float = 0.0, elapsed_s: float = 5.0) -> None:
        """The process ends and another one begins, with its own monotonic clock."""
        plain = json.loads(json.dumps(snapshot.to_plain(self.state)))
        old = self.elapsed_s
        self.now += timedelta(seconds=down_s)
        self.elapsed_s = elapsed_s
        shift = elapsed_s - old - down_s
        self.until_mark = {k: v + shift for k, v in self.until_mark.items()}
        self.state = resume(snapshot.from_plain(plain), self.settings, self.now, self.elapsed_s)

    def readings(self) -> tuple[Reading, ...]:
        """What every instrument says now."""
        values: dict[str, float] = {
            "cold": self.cold_c,
            "outdoor": self.outdoor_c,
            "draw": self.draws(self.now),
            "pump_power": 2000.0 if self.on("pump") and "pump" not in self.dead else 0.0,
            "element_power": 3000.0 if self.on("element") and "element" not in self.dead else 0.0,
        }
        if any(s.name == "draw" and s.unit == "L" for s in self.settings.wiring.signals):
            values["draw"] = round(self.drawn_l, 1)
        probes = [s for s in self.settings.wiring.signals if s.measures == "probe"]
        levels = np.array([(s.height_m or 0.0) / self.cylinder.height_m for s in probes])
        shown = model.temperatures_at(self.cylinder, self.water, levels)
        values |= {s.name: round(float(t), 2) for s, t in zip(probes, shown, strict=True)}
        names = {s.name for s in self.settings.wiring.signals}
        return tuple(
            self.reading(name, value)
            for name, value in values.items()
            if name in names and name not in self.silent
        )

    def reading(self, signal: str, value: float, **more: Any) -> Reading:
        """One unstamped reading of now."""
        at = self.now.timestamp()
        plain = {"measured_s": at, "received_s": at, "stamped": False, "tells_now": True}
        return Reading(self.settings.wiring.id, signal, value, **{**plain, **more})

    def probe(self, name: str) -> float:
        """What a probe shows."""
        signal = next(s for s in self.settings.wiring.signals if s.name == name)
        level = (signal.height_m or 0.0) / self.cylinder.height_m
        return model.temperature_at(self.cylinder, self.water, level)

    @property
    def last(self) -> Outputs:
        """The last step's outputs."""
        return self.outputs[-1]

    def _carry_out(self, commands: tuple[Command, ...]) -> None:
        for command in commands:
            self.sent.append((self.now, command))
            if command.action == "run":
                self.until_mark[command.actuator] = self.elapsed_s + command.lease_s
            else:
                self.until_mark.pop(command.actuator, None)

    def _plant(self, span_s: float) -> None:
        pump = self.settings.wiring.heat_pump
        plate = coil = None
        if pump is not None and self.on("pump") and "pump" not in self.dead:
            reach = min(pump.flow_limit_c - pump.approach_k, self.reaches_c)
            set_c = min(self.settings.tunables.normal_set_c, reach)
            heat_w = pump.capacity_w * self.strength
            if pump.layout == "plate":
                fixed = pump.charging_pump_l_per_min
                plate = PlateCharge(heat_w, set_c, fixed or 30.0, controlled=fixed is None)
            else:
                built = self.settings.wiring.cylinder
                foot = (built.coil_foot_m or 0.0) / built.height_m
                head = (built.coil_head_m or 0.6) / built.height_m
                coil = CoilCharge(heat_w, foot, head, reach, 2000.0)
        immersion: tuple[ImmersionHeat, ...] = ()
        element = self.settings.wiring.immersion
        if element is not None and self.on("element") and "element" not in self.dead:
            height = self.settings.wiring.cylinder.immersion_height_m or 0.0
            level = height / self.cylinder.height_m
            immersion = (ImmersionHeat(element.power_w, level, element.thermostat_c),)
        drive = Drive(
            cold_c=self.cold_c,
            draw_l_per_min=self.draws(self.now),
            plate=plate,
            coil=coil,
            immersion=immersion,
        )
        self.water, flows = model.advance(self.cylinder, self.water, drive, span_s)
        self.drawn_l += drive.draw_l_per_min * span_s / 60.0
        for name, value in (
            ("pump", flows.plate_kwh + flows.coil_kwh),
            ("element", flows.immersion_kwh),
        ):
            self.kwh[name] = self.kwh.get(name, 0.0) + value


def showers(at: datetime) -> float:
    """A household with habits: two showers in the morning, one bath-like draw in the evening."""
    clock = at.hour * 60 + at.minute
    if 6 * 60 <= clock < 6 * 60 + 12:
        return 8.0
    if 18 * 60 <= clock < 18 * 60 + 10:
        return 8.0
    if clock in (12 * 60, 12 * 60 + 1):
        return 4.0
    return 0.0


def habits(days: int, until: datetime, draws: Callable[[datetime], float] = showers) -> list[Draw]:
    """Draws of so many past days, as records would hold them."""
    found: list[Draw] = []
    at = until - timedelta(days=days)
    begin: datetime | None = None
    litres = 0.0
    while at < until:
        rate = draws(at)
        if rate > 0:
            begin = begin or at
            litres += rate
        elif begin is not None:
            found.append(
                Draw(begin, at, litres, litres * 42 * 1.15e-3, litres * 42 / 30, "flow_meter")
            )
            begin, litres = None, 0.0
        at += timedelta(minutes=1)
    return found


def with_habits(now: datetime, days: int, replan_every_slots: int, **changes: Any) -> LittleHome:
    """A half-full home with a cheap night and ``days`` of showers behind it; plans are made."""
    return LittleHome(
        settings({"tariff": CHEAP_NIGHT, "replan_every_slots": replan_every_slots}, **changes),
        now=now,
        profile_c=[12.0] * 20 + [50.0] * 20,
        draws=showers,
        history=habits(days, now),
        every_s=300.0,
    )
