"""A stretch of life, replayed: the service's own control step on a simulated home.

Driven by events: taps that open and close, moments the step asked to be woken for. Nothing is
hidden from the step that a real home would show it, and nothing shown that it would not.
"""

from __future__ import annotations

import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial

from adapters.types import PriceSeries, Reading
from adapters.wiring import Form, Kind, Quantity, Signal
from forecasting.types import DrawHistory
from service.clock import utc
from service.control import draw_history
from service.control.beginning import resume, start
from service.control.state import State
from service.control.step import step
from service.control.types import Draw, Inputs, Outputs, Work, WorkDone
from service.control.work import perform
from service.settings import HomeSettings
from service.simulation.home import SimulatedHome, Stretch

RATE_SHOWS_S = 1.0  # after a tap opened
WATER_RUNS_S = 60.0  # while a tap is open, readings count so often
HEATING_S = 300.0  # while something heats, readings count so often

# What a replay leaves out of the service's own pace, see ``hastened``.
HASTENED_SLOT_MIN, HASTENED_REPLAN_S, HASTENED_LEASE_S = 60, 4 * 3600, 12 * 3600.0

PriceAt = Callable[[float], tuple[float, float]]  # s since 1970 -> import, export price per kWh


@dataclass
class HotWater:
    """What hot water came to. Money in the home's currency, litres of mixed water at 40 degC.

    hot_water_cost counts the electricity of heat pump and immersion heater: surplus it used is
    charged at the export price forgone, and sun_kwh says how much it was. heat_kwh is what both
    gave the water.
    """

    hot_water_cost: float = 0.0
    sun_kwh: float = 0.0
    heat_pump_kwh: float = 0.0
    immersion_kwh: float = 0.0
    heat_kwh: float = 0.0
    starts: int = 0
    wanted_l40: float = 0.0
    colder_l40: float = 0.0
    draws: int = 0
    cold_draws: int = 0
    stored_kwh_change: float = 0.0

    def pay(self, stretch: Stretch, import_per_kwh: float, export_per_kwh: float) -> float:
        """Add what a stretch cost, and return it, money."""
        cost = cost_of(stretch, import_per_kwh, export_per_kwh)
        self.hot_water_cost += cost
        self.sun_kwh += stretch.sun_kwh
        return cost

    def read(self, home: SimulatedHome, stored_kwh: float) -> None:
        """Take over what a home has counted; ``stored_kwh`` is what it began with."""
        self.heat_pump_kwh = home.pump.electricity_kwh
        self.immersion_kwh = home.element.electricity_kwh
        self.heat_kwh = home.heat_kwh
        self.starts = home.pump.starts + home.element.starts
        self.wanted_l40, self.colder_l40 = home.served.wanted_l40, home.served.colder_l40
        self.draws, self.cold_draws = home.served.draws, home.served.cold_draws
        self.stored_kwh_change = home.stored_kwh - stored_kwh

    @property
    def kwh(self) -> float:
        """All electricity for hot water."""
        return self.heat_pump_kwh + self.immersion_kwh

    @property
    def cost_of_use(self) -> float:
        """What the heat that was used and lost cost, money: heat left over is worth what it cost.

        Without it a cylinder left emptier than it was would pass for a saving.
        """
        if self.heat_kwh <= 0.0:
            return self.hot_water_cost
        return self.hot_water_cost * (1.0 - self.stored_kwh_change / self.heat_kwh)


@dataclass
class Report(HotWater):
    """What a replay came to.

    disinfecting_cost is the part of hot_water_cost, and disinfecting_kwh the electricity, that was
    taken while a disinfection was under way. spent_s is the time it took, by what it was spent on.
    """

    days: float = 0.0
    disinfecting_cost: float = 0.0
    disinfecting_kwh: float = 0.0
    steps: int = 0
    spent_s: dict[str, float] = field(default_factory=lambda: defaultdict(float))


class Replay:
    """Drives ``home`` by the control step. ``run`` may be called again to go on.

    Args:
        settings: the home's settings.
        home: where it is lived; its ``now_s`` is when the replay begins.
        price_at: what is really paid.
        history: draws from before, in order, to learn from.
        unwatched_s: spans of that time, s since 1970, in which nobody would have seen one.
        memory: the state that an earlier replay ended with, to go on from after a pause.
        feed: price series by the moment they are published, s since 1970, in order.
        on_outputs: is shown what each step put out.
        work: performs what a step asks for; None does as the service, but with plans a little
            coarser and without what only people read.
    """

    def __init__(
        self,
        settings: HomeSettings,
        home: SimulatedHome,
        price_at: PriceAt,
        history: tuple[Draw, ...] = (),
        memory: State | None = None,
        feed: Iterable[tuple[float, PriceSeries]] = (),
        on_outputs: Callable[[Outputs], None] | None = None,
        work: Callable[[Work, DrawHistory], WorkDone] | None = None,
        unwatched_s: Sequence[tuple[int, int]] = (),
    ) -> None:
        self.settings = settings
        self.home = home
        self.report = Report()
        now = utc(home.now_s)
        self.state = start(settings, now) if memory is None else resume(memory, settings, now, 0.0)
        self._began_s = home.now_s
        self._price_at = price_at
        self._draws = list(history)
        self._unwatched_s = [(a, b) for a, b in unwatched_s if b <= home.now_s]
        self._on_outputs = on_outputs
        self._work = partial(perform, brief=True) if work is None else work
        self._feed = iter(feed)
        self._published = next(self._feed, None)
        self._opened: list[Reading] = []
        self._meters = settings.wiring.signals_of(Quantity.DRAW_FLOW)
        self._rates = [m for m in self._meters if m.kind is Kind.FLOW]
        self._source = {a.name: a.source for a in settings.wiring.actuators}
        self._stored_kwh = home.stored_kwh
        home.on_stretch = self._pay

    def run(self, until_s: float, on_progress: Callable[[float], None] | None = None) -> Report:
        """Live up to ``until_s``; ``on_progress`` gets the moment reached, about daily."""
        home, report = self.home, self.report
        told_s = home.now_s
        next_s = home.now_s
        while True:
            with self._spent("plant"):
                self._live(next_s)
                readings = self._readings()
            if home.now_s >= until_s:
                break
            outputs = self._step(readings)
            while outputs.work:  # results are inputs: they are taken up at once
                outputs = self._step((), tuple(self._perform(work) for work in outputs.work))
            next_s = min(outputs.due_at.timestamp(), until_s)
            if home.pump.heats or home.element.heats:
                next_s = min(next_s, home.now_s + HEATING_S)
            if self._published is not None:
                next_s = min(next_s, self._published[0])
            next_s = max(next_s, home.now_s + 1.0)
            if on_progress is not None and home.now_s - told_s >= 86_400.0:
                told_s = home.now_s
                on_progress(told_s)
        report.days = (home.now_s - self._began_s) / 86_400.0
        report.read(home, self._stored_kwh)
        return report

    def _live(self, until_s: float) -> None:
        """Live up to a moment, a minute of a draw or its end; what its meter showed is kept."""
        home = self.home
        while True:
            if home.drawing:
                until_s = min(until_s, home.now_s + WATER_RUNS_S)
            event_s, opens = home.next_event_s(), not home.drawing
            if event_s > until_s:
                break
            home.advance(event_s)
            if not opens:
                return
            self._opened += [self._reading(s) for s in self._meters]
            home.open_tap()
            if self._rates:  # what shows a rate shows nothing before water runs
                home.advance(home.now_s + RATE_SHOWS_S)
                self._opened += [self._reading(s) for s in self._rates]
        home.advance(until_s)

    def _step(self, readings: tuple[Reading, ...], done: tuple[WorkDone, ...] = ()) -> Outputs:
        now_s = self.home.now_s
        with self._spent("step"):
            self.state, outputs = step(
                self.state,
                self.settings,
                Inputs(
                    readings=readings,
                    work_done=done,
                    prices=self._published_by(now_s),
                    broker_connected=True if self.state.connected is None else None,
                ),
                utc(now_s),
                now_s - self._began_s,
            )
        self.report.steps += 1
        self._draws.extend(outputs.draws)
        for command in outputs.commands:
            self.home.command(self._source[command.actuator], command)
        if self._on_outputs is not None:
            self._on_outputs(outputs)
        return outputs

    def _perform(self, work: Work) -> WorkDone:
        with self._spent(work.kind):
            from_s = 0 if work.history_from is None else int(work.history_from.timestamp())
            drawn = draw_history.of((), 0, 0)
            if work.history_from is not None:
                # Nobody watched before, but for draws that were handed over.
                known_s = [self._began_s, *(d.start.timestamp() for d in self._draws[:1])]
                known_from_s = int(min(known_s))
                since_s = max(from_s, known_from_s)
                drawn = draw_history.between(
                    self._draws,
                    since_s,
                    int(self.home.now_s),
                    [(max(a, since_s), b) for a, b in self._unwatched_s if b > since_s],
                )
            return self._work(work, drawn)

    def _readings(self) -> tuple[Reading, ...]:
        opened, self._opened = self._opened, []
        return (*opened, *(self._reading(s) for s in self.settings.wiring.signals))

    def _reading(self, signal: Signal) -> Reading:
        home, now_s = self.home, self.home.now_s
        return Reading(
            self.settings.wiring.id,
            signal.name,
            home.base_value(signal),
            now_s,
            now_s,
            stamped=True,
            tells_now=True,
        )

    def _published_by(self, now_s: float) -> tuple[PriceSeries, ...]:
        found: list[PriceSeries] = []
        while self._published is not None and self._published[0] <= now_s:
            found.append(self._published[1])
            self._published = next(self._feed, None)
        return tuple(found)

    def _pay(self, stretch: Stretch) -> None:
        report = self.report
        cost = report.pay(stretch, *self._price_at(stretch.from_s))
        if self.state.hygiene.attempt is not None:
            report.disinfecting_cost += cost
            report.disinfecting_kwh += stretch.hot_kwh

    @contextmanager
    def _spent(self, what: str) -> Iterator[None]:
        began = time.perf_counter()
        try:
            yield
        finally:
            self.report.spent_s[what] += time.perf_counter() - began


def hastened(settings: HomeSettings) -> HomeSettings:
    """The home as a replay of months lives it: at a quarter of the service's steps.

    It is planned in whole hours, anew every fourth or on need, and leases last half a day, so that
    they are rarely repeated; readings are acted on as promptly as ever. Those of terminals last as
    long as they do: blocking is counted in whole leases.
    """
    wiring, tunables = settings.wiring, settings.tunables
    slot_minutes = max(tunables.slot_minutes, HASTENED_SLOT_MIN)
    replan = max(tunables.replan_every_slots, HASTENED_REPLAN_S // (60 * slot_minutes))
    longer = tuple(
        a if a.form is Form.TERMINALS else a.model_copy(update={"lease_s": HASTENED_LEASE_S})
        for a in wiring.actuators
    )
    return settings.model_copy(
        update={
            "wiring": wiring.model_copy(update={"actuators": longer}),
            "tunables": tunables.model_copy(
                update={"slot_minutes": slot_minutes, "replan_every_slots": replan}
            ),
        }
    )


def cost_of(stretch: Stretch, import_per_kwh: float, export_per_kwh: float) -> float:
    """What a stretch's hot water cost, money: surplus is worth the export price forgone."""
    sun_kwh = stretch.sun_kwh
    return (stretch.hot_kwh - sun_kwh) * import_per_kwh + sun_kwh * export_per_kwh
