"""A whole home that answers like a real one: people who draw water, a cylinder, plant, meters.

The plant obeys commands as real plant does: a command is a lease that its own timer drops, and
without one the heat pump follows its own hot-water control and the immersion heater stays off.
Thermostats are the plant's own. Pure but for its own state; time is handed in.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from adapters.types import Command
from adapters.wiring import Kind, Quantity, Signal
from service.cylinder.water import flow_w_per_k
from service.simulation.household import TapDraw
from service.simulation.tank import Answer, Push, Tank
from service.simulation.weather import Weather

TAP_C = 40.0
COLD_BELOW_C = 40.0  # wanted at 40 degC, came colder
DRAW_STEP_S = 15.0  # the mixing valve follows the outlet so often
SURELY_HOT_C, HOT_DRAW_STEP_S = 46.0, 60.0  # far above use: a litre cannot end it
HEAT_STEP_S = 120.0
LOOP_STEP_S = 300.0
IDLE_STEP_S = 900.0
LEAST_FLOW_C = 30.0  # a compressor needs some lift; common practice, no source


@dataclass(frozen=True)
class HeatPumpPlant:
    """The simulated heat pump.

    capacity_w, cop   functions of outdoor and flow temperature in degC
    layout            "plate" or "coil"
    charging_l_per_min  plate: the flow of a charging pump that is fixed; None: the outlet is held
    approach_k        flow temperature less store temperature
    flow_limit_c      the hottest flow it makes at an outdoor temperature
    own_set_c         what its own control heats to when nobody commands it
    own_restart_k     how far its sensor must fall before its own control calls
    sensor_m          where that sensor sits
    charge_stop_m     charging is over when the probe at this height is hot
    """

    capacity_w: Callable[[float, float], float]
    cop: Callable[[float, float], float]
    flow_limit_c: Callable[[float], float]
    layout: str = "plate"
    charging_l_per_min: float | None = None
    approach_k: float = 5.0
    own_set_c: float = 50.0
    own_restart_k: float = 7.0
    sensor_m: float = 0.9
    charge_stop_m: float = 0.1


@dataclass(frozen=True)
class Loop:
    """The simulated secondary return: hot water that is pumped through the pipework and back.

    runs        whether its timer runs the pump, and for how many seconds to come that stays so, at
                s since 1970
    loss_share  of what the water is above the ambient that it loses on its way
    """

    runs: Callable[[float], tuple[bool, float]]
    l_per_min: float
    loss_share: float


@dataclass
class Running:
    """How one source stands: its lease, and whether it heats now."""

    until_s: float = 0.0
    rests_until_s: float = 0.0
    set_c: float | None = None
    power_w: float | None = None
    heats: bool = False
    own_call: bool = False
    starts: int = 0
    electricity_kwh: float = 0.0
    heat_kwh: float = 0.0
    electricity_w: float = 0.0
    heat_w: float = 0.0

    def commanded(self, at_s: float) -> bool:
        """Whether a command holds."""
        return at_s < self.until_s


@dataclass
class Served:
    """What the taps wanted and got, litres of mixed water at 40 degC."""

    wanted_l40: float = 0.0
    colder_l40: float = 0.0  # wanted at 40 degC and came colder
    draws: int = 0
    cold_draws: int = 0  # draws of which a tenth or more came colder
    hot_kwh: float = 0.0


@dataclass(frozen=True)
class Stretch:
    """Electricity over a stretch of constant conditions: for meters and for money."""

    from_s: float
    seconds: float
    heat_pump_w: float
    immersion_w: float
    base_w: float
    pv_w: float

    @property
    def hot_kwh(self) -> float:
        """Electricity for hot water, kWh."""
        return (self.heat_pump_w + self.immersion_w) * self.seconds / 3.6e6

    @property
    def sun_kwh(self) -> float:
        """Surplus of the sun that hot water took, kWh."""
        surplus_kwh = max(self.pv_w - self.base_w, 0.0) * self.seconds / 3.6e6
        return min(self.hot_kwh, surplus_kwh)

    @property
    def net_w(self) -> float:
        """Import less export, W."""
        return self.heat_pump_w + self.immersion_w + self.base_w - self.pv_w


@dataclass
class SimulatedHome:
    """One home. ``advance`` lives it up to a moment; ``values`` reads its instruments.

    heights maps probe names to heights; the tank was built with those heights in order,
    followed by ``heat_pump.sensor_m`` and ``heat_pump.charge_stop_m`` when there is a heat pump.
    """

    tank: Tank
    weather: Weather
    draws: Iterator[TapDraw]
    now_s: float
    probe_names: tuple[str, ...]
    heat_pump: HeatPumpPlant | None = None
    immersion_w: float = 0.0
    immersion_stop_c: float = 65.0
    ambient_c: float = 20.0
    base_w: float = 250.0
    grid_both_ways: bool = False  # the import meter shows export too, below zero
    line_c: float = TAP_C  # behind the mixing valve, where hot and cold water were mixed for it
    on_stretch: Callable[[Stretch], None] | None = None
    loop: Loop | None = None

    def __post_init__(self) -> None:
        self.pump = Running()
        self.element = Running()
        self.served = Served()
        self.drawn_l = 0.0  # hot water that left the cylinder, as a meter counts it
        self.line_l = 0.0  # water behind the mixing valve
        self.import_kwh = 0.0
        self.export_kwh = 0.0
        self.flow_l_per_min = self.line_l_per_min = 0.0
        self.outlet_c = self._settle().outlet_c
        self.pump_flow_c = self.ambient_c
        self._draw: TapDraw | None = None
        self._draw_left_s = 0.0
        self._draw_wanted = self._draw_colder = 0.0
        self._next = next(self.draws, None)

    def _settle(self) -> Answer:
        self._last = self.tank.push(
            Push(0.0, self.weather.cold_inlet_c(self.now_s), self.ambient_c)
        )
        return self._last

    # -- commands -----------------------------------------------------------------------------

    def command(self, source: str, command: Command) -> None:
        """Obey a command, or drop one that is released. A lease ends by the plant's own timer."""
        running = self.pump if source == "heat_pump" else self.element
        running.until_s = running.rests_until_s = self.now_s
        if command.action == "run":
            running.until_s += command.lease_s
            running.set_c = command.set_c
            running.power_w = command.power_w
        elif command.action == "block" and command.set_c is not None:
            running.rests_until_s += command.lease_s
            running.set_c = command.set_c

    # -- living -------------------------------------------------------------------------------

    def next_event_s(self) -> float:
        """When a tap opens or closes next, s since 1970; infinity when never again."""
        if self._draw is not None:
            return self.now_s + self._draw_left_s
        return self._next.start_s if self._next is not None else float("inf")

    @property
    def drawing(self) -> bool:
        """Whether a tap is open."""
        return self._draw is not None

    def advance(self, to_s: float) -> None:
        """Live up to ``to_s``."""
        while self.now_s < to_s - 1e-6:
            self.open_tap()
            self._stretch(to_s)

    def open_tap(self) -> None:
        """Begin the next draw if its time has come and no tap is open."""
        if self._draw is None and self._next is not None and self._next.start_s <= self.now_s:
            self._draw, self._draw_left_s = self._next, self._next.duration_s
            self._draw_wanted = self._draw_colder = 0.0
            self._next = next(self.draws, None)

    def _stretch(self, to_s: float) -> None:
        """One stretch over which everything is constant."""
        self._decide()
        seconds = min(to_s - self.now_s, IDLE_STEP_S)
        if self._draw is not None:
            sure = self.outlet_c > SURELY_HOT_C
            seconds = min(seconds, self._draw_left_s, HOT_DRAW_STEP_S if sure else DRAW_STEP_S)
        elif self._next is not None:
            seconds = min(seconds, self._next.start_s - self.now_s)
        if self.pump.heats or self.element.heats:
            seconds = min(seconds, HEAT_STEP_S)
        for running in (self.pump, self.element):
            for until_s in (running.until_s, running.rests_until_s):
                if self.now_s < until_s:
                    seconds = min(seconds, until_s - self.now_s)
        circulates = False
        if self.loop is not None:
            circulates, lasts_s = self.loop.runs(self.now_s)
            seconds = min(seconds, lasts_s, LOOP_STEP_S if circulates else IDLE_STEP_S)
        cold_c = self.weather.cold_inlet_c(self.now_s)
        push = Push(max(seconds, 1e-3), cold_c, self.ambient_c)
        if self.loop is not None and circulates:
            push = replace(
                push, return_l_per_min=self.loop.l_per_min, return_loss=self.loop.loss_share
            )
        mixed = self._draw.flow_l_per_min if self._draw is not None else 0.0
        if mixed:
            share = (TAP_C - cold_c) / (self.outlet_c - cold_c) if self.outlet_c > TAP_C else 1.0
            push = replace(push, top_l_per_min=mixed * min(share, 1.0))
        push = self._with_heat(push)
        answer = self._last = self.tank.push(push)
        self._count(push, answer, mixed)

    def _decide(self) -> None:
        """The plant's own controls: who heats now."""
        at_c = self._last.at_c
        if self.heat_pump is not None:
            plant, run = self.heat_pump, self.pump
            sensor_c, stop_c = at_c[-2], at_c[-1]
            top_c = self._limit_c(run.set_c)
            if run.commanded(self.now_s):
                heats = stop_c < top_c - (0.5 if run.heats else 3.0)
                run.own_call = False
            else:
                own_c = self._own_c(plant)
                if sensor_c < own_c - plant.own_restart_k:
                    run.own_call = True
                elif sensor_c >= own_c - 0.5:
                    run.own_call = False
                heats = run.own_call
            run.starts += heats and not run.heats
            run.heats = heats
        run = self.element
        heats = self.immersion_w > 0 and run.commanded(self.now_s)
        run.starts += heats and not run.heats
        run.heats = heats

    def _own_c(self, plant: HeatPumpPlant) -> float:
        """What its own control holds at its sensor: while it rests, the low set written to it."""
        run = self.pump
        if self.now_s < run.rests_until_s and run.set_c is not None:
            return min(run.set_c, plant.own_set_c)
        return plant.own_set_c

    def _limit_c(self, set_c: float | None) -> float:
        plant = self.heat_pump
        assert plant is not None
        limit = plant.flow_limit_c(self.weather.outdoor_c(self.now_s)) - plant.approach_k
        return min(set_c, limit) if set_c is not None else limit

    def _with_heat(self, push: Push) -> Push:
        plant = self.heat_pump
        if plant is not None and self.pump.heats:
            commanded = self.pump.commanded(self.now_s)
            store_c = self._limit_c(self.pump.set_c if commanded else self._own_c(plant))
            outdoor_c = self.weather.outdoor_c(self.now_s)
            flow_c = self.pump_flow_c = self._flow_c(plant, store_c, outdoor_c)
            heat_w = plant.capacity_w(outdoor_c, flow_c)
            if plant.layout == "plate":
                push = replace(
                    push,
                    plate_w=heat_w,
                    plate_c=store_c,
                    plate_l_per_min=plant.charging_l_per_min,
                )
            else:
                push = replace(push, coil_w=heat_w, coil_c=flow_c)
        if self.element.heats:
            power_w = self.immersion_w
            if self.element.power_w is not None:
                power_w = min(power_w, self.element.power_w)
            push = replace(push, element_w=power_w, element_stop_c=self.immersion_stop_c)
        return push

    def _flow_c(self, plant: HeatPumpPlant, store_c: float, outdoor_c: float) -> float:
        """What the heat pump makes to heat the store to ``store_c``, degC.

        Where the charging pump's flow is fixed it follows the water that comes from the bottom.
        """
        hottest_c = store_c + plant.approach_k
        if plant.charging_l_per_min is None:
            return hottest_c
        heat_w = plant.capacity_w(outdoor_c, hottest_c)
        came_c = self._last.at_c[-1]
        rise_k = heat_w / flow_w_per_k(plant.charging_l_per_min, came_c)
        flow_c = came_c + rise_k + plant.approach_k
        return min(max(flow_c, LEAST_FLOW_C), hottest_c)

    def _count(self, push: Push, answer: Answer, mixed_l_per_min: float) -> None:
        seconds, hours = push.seconds, push.seconds / 3600.0
        pump_w = 0.0
        if self.heat_pump is None or not self.pump.heats:
            self.pump_flow_c = self.ambient_c
        else:
            cop = self.heat_pump.cop(self.weather.outdoor_c(self.now_s), self.pump_flow_c)
            pump_w = answer.heat_pump_kwh / hours * 1000.0 / cop
            self.pump.heat_kwh += answer.heat_pump_kwh
        self.pump.heat_w = answer.heat_pump_kwh / hours * 1000.0
        element_w = answer.element_kwh / hours * 1000.0
        self.element.heat_kwh += answer.element_kwh
        for running, watts in ((self.pump, pump_w), (self.element, element_w)):
            running.electricity_w = watts
            running.electricity_kwh += watts * hours / 1000.0
        stretch = Stretch(
            self.now_s, seconds, pump_w, element_w, self.base_w, self.weather.pv_w(self.now_s)
        )
        self.import_kwh += max(stretch.net_w, 0.0) * hours / 1000.0
        self.export_kwh += max(-stretch.net_w, 0.0) * hours / 1000.0
        if self.on_stretch is not None:
            self.on_stretch(stretch)
        self.flow_l_per_min = push.top_l_per_min
        self.drawn_l += push.top_l_per_min * seconds / 60.0
        mixed = (answer.outlet_c - push.cold_c) / (self.line_c - push.cold_c)
        self.line_l_per_min = push.top_l_per_min * max(mixed, 1.0)
        self.line_l += self.line_l_per_min * seconds / 60.0
        self.outlet_c = answer.outlet_c
        self.now_s += seconds
        if self._draw is not None:
            wanted = mixed_l_per_min * seconds / 60.0
            self._draw_wanted += wanted
            if answer.outlet_c < COLD_BELOW_C - 0.5:
                self._draw_colder += wanted
            self.served.hot_kwh += answer.drawn_kwh
            self._draw_left_s -= seconds
            if self._draw_left_s <= 1e-6:
                self._close_tap()

    def _close_tap(self) -> None:
        self.served.wanted_l40 += self._draw_wanted
        self.served.colder_l40 += self._draw_colder
        self.served.draws += 1
        self.served.cold_draws += self._draw_colder > 0.1 * self._draw_wanted
        self._draw = None
        self.flow_l_per_min = self.line_l_per_min = 0.0

    # -- instruments --------------------------------------------------------------------------

    @property
    def stored_kwh(self) -> float:
        """Enthalpy of the water in the cylinder; only differences mean anything."""
        return self._last.stored_kwh

    @property
    def heat_kwh(self) -> float:
        """Heat that both sources gave the water."""
        return self.pump.heat_kwh + self.element.heat_kwh

    @property
    def net_w(self) -> float:
        """Import less export now, W."""
        hot_w = self.pump.electricity_w + self.element.electricity_w
        return hot_w + self.base_w - self.weather.pv_w(self.now_s)

    def value(self, signal: Signal) -> float:
        """What the instrument of ``signal`` shows now, in the signal's own unit."""
        return from_base(self.base_value(signal), signal)

    def base_value(self, signal: Signal) -> float:
        """The same in the base unit of its kind."""
        total = signal.kind in (Kind.VOLUME, Kind.ENERGY)
        match signal.measures:
            case Quantity.PROBE:
                base = self._last.at_c[self.probe_names.index(signal.name)]
            case Quantity.OUTLET_TEMPERATURE:
                base = self.outlet_c
            case Quantity.COLD_INLET_TEMPERATURE:
                base = self.weather.cold_inlet_c(self.now_s)
            case Quantity.OUTDOOR_TEMPERATURE:
                base = self.weather.outdoor_c(self.now_s)
            case Quantity.AMBIENT_TEMPERATURE:
                base = self.ambient_c
            case Quantity.DRAW_FLOW if signal.place == "mixed_line":
                base = self.line_l if total else self.line_l_per_min
            case Quantity.DRAW_FLOW:
                base = self.drawn_l if total else self.flow_l_per_min
            case Quantity.HEAT_PUMP_ELECTRICITY:
                base = self.pump.electricity_kwh if total else self.pump.electricity_w
            case Quantity.HEAT_PUMP_FLOW_TEMPERATURE:
                base = self.pump_flow_c
            case Quantity.HEAT_PUMP_HEAT:
                base = self.pump.heat_kwh if total else self.pump.heat_w
            case Quantity.IMMERSION_ELECTRICITY:
                base = self.element.electricity_kwh if total else self.element.electricity_w
            case Quantity.SECONDARY_RETURN:
                base = float(self.loop is not None and self.loop.runs(self.now_s)[0])
            case Quantity.IMPORT_POWER:
                base = self.net_w if self.grid_both_ways else max(self.net_w, 0.0)
            case Quantity.EXPORT_POWER:
                base = max(-self.net_w, 0.0)
            case _:
                base = 0.0
        return base


def from_base(value: float, signal: Signal) -> float:
    """Turn a base-unit value into the unit that the signal's payload carries."""
    match signal.unit:
        case "degF":
            return value * 1.8 + 32.0
        case "K":
            return value + 273.15
        case "L/h":
            return value * 60.0
        case "L/s":
            return value / 60.0
        case "m3/h":
            return value * 0.06
        case "m3":
            return value / 1000.0
        case "pulse":
            return float(int(value / (signal.litres_per_pulse or 1.0)))
        case "kW":
            return value / 1000.0
        case "Wh":
            return value * 1000.0
        case "J":
            return value * 3.6e6
        case _:
            return value
