"""A stretch of life, replayed: the service's own control step on a simulated home.

Driven by events: taps that open and close, moments the step asked to be woken for. Nothing is
hidden from the step that a real home would show it, and nothing shown that it would not.
"""

from __future__ import annotations

import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from adapters.types import Reading
from service.clock import utc
from service.control.step import start, step
from service.control.types import Draw, Inputs, Outputs, Work, WorkDone
from service.control.work import as_history, perform
from service.settings import HomeSettings
from service.simulation.home import SimulatedHome, Stretch

PriceAt = Callable[[float], tuple[float, float]]  # s since 1970 -> import, export price per kWh


@dataclass
class Report:
    """What a replay came to. Money in the home's currency, litres of mixed water at 40 degC.

    hot_water_cost counts the electricity of heat pump and immersion heater: surplus it used is
    charged at the export price forgone.
    """

    days: float = 0.0
    hot_water_cost: float = 0.0
    heat_pump_kwh: float = 0.0
    immersion_kwh: float = 0.0
    starts: int = 0
    wanted_l40: float = 0.0
    colder_l40: float = 0.0
    draws: int = 0
    cold_draws: int = 0
    stored_kwh_change: float = 0.0
    steps: int = 0
    spent_s: dict[str, float] = field(default_factory=lambda: defaultdict(float))

    @property
    def kwh(self) -> float:
        """All electricity for hot water."""
        return self.heat_pump_kwh + self.immersion_kwh


class Replay:
    """Drives ``home`` by the control step. ``run`` may be called again to go on."""

    def __init__(
        self,
        settings: HomeSettings,
        home: SimulatedHome,
        price_at: PriceAt,
        history: tuple[Draw, ...] = (),
        on_outputs: Callable[[Outputs], None] | None = None,
    ) -> None:
        self.settings = settings
        self.home = home
        self.report = Report()
        self.state = start(settings, utc(home.now_s))
        self._began_s = home.now_s
        self._price_at = price_at
        self._draws = list(history)
        self._on_outputs = on_outputs
        self._done: list[WorkDone] = []
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
                home.advance(next_s)
                readings = self._readings()
            if home.now_s >= until_s:
                break
            outputs = self._step(readings)
            for work in outputs.work:
                self._done.append(self._perform(work))
            if self._done:  # results are inputs: they are taken up at once
                outputs = self._step(())
                for work in outputs.work:
                    self._done.append(self._perform(work))
            next_s = min(outputs.wake_at.timestamp(), home.next_event_s(), until_s)
            next_s = max(next_s, home.now_s + 1.0)
            if on_progress is not None and home.now_s - told_s >= 86_400.0:
                told_s = home.now_s
                on_progress(told_s)
        report.days = (home.now_s - self._began_s) / 86_400.0
        report.starts = home.pump.starts + home.element.starts
        report.heat_pump_kwh = home.pump.electricity_kwh
        report.immersion_kwh = home.element.electricity_kwh
        served = home.served
        report.wanted_l40, report.colder_l40 = served.wanted_l40, served.colder_l40
        report.draws, report.cold_draws = served.draws, served.cold_draws
        report.stored_kwh_change = home.stored_kwh - self._stored_kwh
        return report

    def _step(self, readings: tuple[Reading, ...]) -> Outputs:
        done, self._done = tuple(self._done), []
        now_s = self.home.now_s
        with self._spent("step"):
            self.state, outputs = step(
                self.state,
                self.settings,
                Inputs(
                    readings=readings,
                    work_done=done,
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
            history = as_history((), 0, 0)
            if work.history_from is not None:
                known_from_s = int(self._draws[0].start.timestamp()) if self._draws else from_s
                history = as_history(
                    tuple(self._draws), max(from_s, known_from_s), int(self.home.now_s)
                )
            return perform(work, history)

    def _readings(self) -> tuple[Reading, ...]:
        home, now_s = self.home, self.home.now_s
        return tuple(
            Reading(self.settings.wiring.id, s.name, home.base_value(s), now_s, now_s, False, True)
            for s in self.settings.wiring.signals
        )

    def _pay(self, stretch: Stretch) -> None:
        import_price, export_price = self._price_at(stretch.from_s)
        hot_w = stretch.heat_pump_w + stretch.immersion_w
        surplus_w = min(hot_w, max(stretch.pv_w - stretch.base_w, 0.0))
        hours = stretch.seconds / 3600.0
        self.report.hot_water_cost += (
            ((hot_w - surplus_w) * import_price + surplus_w * export_price) * hours / 1000.0
        )

    @contextmanager
    def _spent(self, what: str) -> Iterator[None]:
        began = time.perf_counter()
        try:
            yield
        finally:
            self.report.spent_s[what] += time.perf_counter() - began
