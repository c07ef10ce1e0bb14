"""No sequence of messages, valid or not, makes control do what it must never do.

A stateful model of everything that can reach the step: readings of any kind, clocks that jump,
wishes, results of work, a broker that comes and goes, restarts. The actuators are modelled as
self-timing, by the commands alone. Short here; ``python -m tests.faults sequences`` runs it for
ten minutes.
"""

from __future__ import annotations

import json
import math
from collections import Counter
from datetime import UTC, datetime, timedelta
from typing import Any, ClassVar

import numpy as np
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule

from adapters.types import PriceSeries, Reading
from forecasting.types import SlotGrid
from service.control import snapshot
from service.control.beginning import resume, start
from service.control.step import step
from service.control.types import Inputs, Outputs, Override, Wish, WorkDone
from service.scheduling.types import COVERS, Plan, Reason, Window
from tests import control_plant
from tests.never import Never

DAY_S = 86_400.0

PROBES = ("probe_1", "probe_2", "probe_3")
TEMPERATURES = st.one_of(
    st.floats(5.0, 62.0),
    st.floats(55.0, 75.0),
    st.sampled_from(
        [math.nan, math.inf, -math.inf, -127.0, 85.0, 20.0, 0.0, 1e9, -1e300, 63.0, 62.99]
    ),
)


def _plan(now: datetime, level: float, window: int) -> Plan:
    begin = int(now.timestamp()) // 1800 * 1800
    start_s = begin + np.arange(96, dtype=np.int64) * 1800
    n, names = 96, ("heat_pump", "immersion")
    base = np.full((n, 1, 2), level)
    w = Window(
        begin + window,
        begin + window + 7200,
        "immersion",
        400.0,
        9,
        6.0,
        1.0,
        0.0,
        "disinfection" if window % 2 else "charge",
        Reason("test", {}),
    )
    flat = np.zeros(n)
    return Plan(
        grid=SlotGrid(start_s, start_s + 1800),
        made_at_s=begin,
        windows=(w,),
        base_stock_l40=base,
        source_names=names,
        expected_l40=np.zeros(n + 1),
        low_l40=np.zeros(n + 1),
        expected_use_l40=flat,
        short_chance=flat,
        import_per_kwh=flat + 0.3,
        surplus_w=flat,
        price_estimated=flat.astype(bool),
        price_note="bands",
        cost=0.0,
        electricity_kwh=0.0,
        reason=Reason("test", {}),
        start_below_l40=base,
        cover_stock_l40=np.repeat(base[..., None], len(COVERS), axis=3),
        cover_start_l40=np.repeat(base[..., None], len(COVERS), axis=3),
        heat_l40_per_h=np.full((n, 2), 100.0),
        electricity_w=np.full((n, 2), 2000.0),
        least_power_w=np.array([np.nan, 200.0]),
        regime=np.ones((n, 1)),
        reference_l40=420.0,
    )


class Home(RuleBasedStateMachine):
    """One home under whatever may come; ``never`` knows nothing of control's own bookkeeping."""

    seen: ClassVar[Counter[str]] = Counter()  # over all examples, for the long run's report

    def __init__(self) -> None:
        super().__init__()
        self.now = control_plant.MONDAY
        self.offset_s = 500.0  # of the elapsed clock
        self.number = 0
        self.waiting: list[Any] = []
        self.overrides: list[Override] = []
        self.out: Outputs | None = None

    @initialize(
        form=st.sampled_from(["on_off", "set_temperature"]),
        rests=st.booleans(),
        valve=st.booleans(),
        interval=st.sampled_from([1.0, 7.0]),
    )
    def begin(self, form: str, rests: bool, valve: bool, interval: float) -> None:
        wired = control_plant.wiring()
        if form == "set_temperature":
            wired["actuators"][0] |= {"form": form, "run": "{set_c}"}
            if rests:
                wired["actuators"][0] |= {"rest_c": 30}
        self.changes = {"actuators": wired["actuators"]}
        if not valve:
            self.changes["cylinder"] = {"mixing_valve_c": None}
        self.settings = control_plant.settings(
            {"hygiene": {"longest_interval_days": interval}}, **self.changes
        )
        self.state = start(self.settings, self.now, self.offset_s)
        self.never = Never(
            ceiling_c=63.0,
            interval_s=interval * DAY_S,
            ruling=frozenset({"probe_2", "probe_3"}),
            most_starts={"heat_pump": 3, "immersion": 6},
            source_of={"pump": "heat_pump", "element": "immersion"},
        )
        self.never.begins(self.state.hygiene)

    @property
    def elapsed_s(self) -> float:
        return self.never.true_s + self.offset_s

    def _step(self, **inputs: Any) -> None:
        before = self.state
        state, out = step(self.state, self.settings, Inputs(**inputs), self.now, self.elapsed_s)
        self.state, self.out = state, out
        self.waiting.extend(out.work)
        self.waiting = self.waiting[-6:]
        assert before is not state
        self.never.after(state, out, self.now)

    def _pass(self, seconds: float) -> None:
        self.now += timedelta(seconds=seconds)
        self.never.passes(seconds)

    def teardown(self) -> None:
        if hasattr(self, "never"):
            Home.seen += self.never.seen
            Home.seen["homes"] += 1

    # -- what may come --------------------------------------------------------------------------

    @rule(seconds=st.sampled_from([0.0, 1.0, 20.0, 61.0, 250.0, 601.0, 1900.0, 7200.0, 30_000.0]))
    def time_passes(self, seconds: float) -> None:
        self._pass(seconds)
        self._step()

    @rule(
        temperatures=st.lists(TEMPERATURES, min_size=3, max_size=3),
        tells=st.sampled_from(["now", "now", "now", "waited", "old", "future"]),
        names=st.sets(st.sampled_from(PROBES), min_size=1),
        stamped=st.booleans(),
        age=st.sampled_from([0.0, 10.0, 200.0, 299.0, 3000.0]),
    )
    def readings_arrive(
        self, temperatures: list[float], tells: str, names: set[str], stamped: bool, age: float
    ) -> None:
        at = self.now.timestamp()
        measured = at - age if stamped else at
        if tells == "future":
            measured, stamped = at + 400.0, True
        if tells == "waited":
            stamped = False
        tells_now = tells in ("now", "future") and not (stamped and at - measured > 300.0)
        made = []
        for name, value in zip(PROBES, temperatures, strict=True):
            if name not in names:
                continue
            made.append(Reading("home", name, value, measured, at, stamped, tells_now))
            if tells_now and -5.0 <= value <= 105.0:
                self.never.hears(name, value, at - measured)
        self._step(readings=tuple(made))

    @rule(level=st.floats(8.0, 61.0), spread=st.floats(0.0, 30.0))
    def sound_readings_arrive(self, level: float, spread: float) -> None:
        temperatures = [max(level - spread, 6.0), level, level]
        self.readings_arrive(temperatures, "now", set(PROBES), False, 0.0)

    @rule(
        minutes=st.integers(30, 80),
        every=st.sampled_from([20.0, 110.0, 240.0]),
        level=st.sampled_from([12.0, 30.0, 50.0, 59.0, 61.0]),
        mend=st.booleans(),
        planned=st.floats(0.0, 900.0),
        window=st.integers(0, 3600),
        flutter=st.booleans(),
        top=st.sampled_from([0.0, 0.0, 64.0]),
    )
    def an_ordinary_while(
        self,
        minutes: int,
        every: float,
        level: float,
        mend: bool,
        planned: float,
        window: int,
        flutter: bool,
        top: float,
    ) -> None:
        """Sound readings for a while, with a plan in force, wavering between two levels."""
        if mend:
            self.now = control_plant.MONDAY + timedelta(seconds=self.never.true_s)
            self._step(broker_connected=True, overrides=tuple(self.overrides))
        for turn in range(min(int(minutes * 60 / every), 25)):
            if flutter or turn % 5 == 0:
                self.a_plan_is_in_force(planned if turn % 2 == 0 else 0.0, window)
            self._pass(every)
            at = level - 0.05 * turn
            hot = top if top and turn > 6 else at
            self.readings_arrive([at - 2.0, at - 1.0, hot], "now", set(PROBES), False, 0.0)

    @rule(
        flow=st.sampled_from([0.0, 8.0, -3.0, 1e6, math.nan]),
        other=st.sampled_from(["draw", "cold", "pump_power", "element_power", "unknown"]),
    )
    def other_readings_arrive(self, flow: float, other: str) -> None:
        at = self.now.timestamp()
        self._step(readings=(Reading("home", other, flow, at, at, False, True),))

    @rule(to=st.sampled_from([3600.0, -3600.0, 1e7, -1e7, 86_400.0 * 400, "1970", "right"]))
    def clock_jumps(self, to: float | str) -> None:
        if to == "1970":
            self.now = datetime(1970, 1, 1, 0, 3, tzinfo=UTC)
        elif isinstance(to, str):
            self.now = control_plant.MONDAY + timedelta(seconds=self.never.true_s)
        else:
            self.now += timedelta(seconds=to)
        self._step()

    @rule(
        wish=st.sampled_from([*(w for w in Wish if w is not Wish.END_HOLD), Wish.MORE, Wish.LESS]),
        hours=st.floats(0.1, 200.0),
        tenths=st.integers(0, 10),
    )
    def somebody_wishes(self, wish: Wish, hours: float, tenths: int) -> None:
        self.number += 1
        until = None if wish is Wish.HOLD else self.now + timedelta(hours=hours)
        made = Override(self.number, wish, "somebody", self.now, self.now, until, tenths, 2.0)
        self.overrides.append(made)
        if wish is Wish.HOLD:
            self.never.hold = True
        self._step(overrides=tuple(self.overrides))

    @rule(forget=st.booleans())
    def records_lose_overrides(self, forget: bool) -> None:
        if forget:
            self.overrides = []
        self._step(overrides=())

    @precondition(lambda self: self.never.hold)
    @rule(by_record=st.booleans())
    def a_person_ends_the_hold(self, by_record: bool) -> None:
        self.number += 1
        self.now += timedelta(seconds=1)
        self.overrides = [o for o in self.overrides if o.wish is not Wish.HOLD]
        end = Override(self.number, Wish.END_HOLD, "installer", _LATEST, _LATEST, None)
        self.never.hold = False
        self._step(overrides=(*self.overrides, end))

    @rule(level=st.floats(0.0, 900.0), window=st.integers(0, 3600), old=st.booleans())
    def work_is_done(self, level: float, window: int, old: bool) -> None:
        done = []
        for work in self.waiting or []:
            number = work.number - 1 if old else work.number
            if work.kind == "plan":
                done.append(WorkDone("plan", number, plan=_plan(self.now, level, window)))
            else:
                done.append(WorkDone(work.kind, number, failed="cannot be done"))
        # A plan may also come that nobody asked for.
        done.append(WorkDone("plan", 10_000, plan=_plan(self.now, 900.0, 0)))
        self.waiting = []
        self._step(work_done=tuple(done))

    @rule(level=st.floats(0.0, 900.0), window=st.integers(0, 3600))
    def a_plan_is_in_force(self, level: float, window: int) -> None:
        """The plan as if it had been asked for, since no demand is ever forecast here."""
        from dataclasses import replace

        self.state = replace(self.state, plan=_plan(self.now, level, window))
        self._step()

    @rule(price=st.sampled_from([0.1, -0.5, math.nan, math.inf]), empty=st.booleans())
    def prices_arrive(self, price: float, empty: bool) -> None:
        at = int(self.now.timestamp())
        series = (
            PriceSeries((), (), (), float(at))
            if empty
            else PriceSeries((at,), (at + 3600,), (price,), float(at))
        )
        self._step(prices=(series,))

    @rule(connected=st.booleans())
    def broker_comes_or_goes(self, connected: bool) -> None:
        self._step(broker_connected=connected)

    @rule(down=st.sampled_from([0.0, 2.0, 400.0, 5000.0]), elapsed=st.floats(0.0, 50.0))
    def process_is_killed(self, down: float, elapsed: float) -> None:
        plain = json.loads(json.dumps(snapshot.to_plain(self.state)))
        again = snapshot.from_plain(plain)
        assert snapshot.to_plain(again) == plain
        self.never.true_s += down
        self.now += timedelta(seconds=down)
        self.offset_s = elapsed - self.never.true_s
        self.waiting = []
        self.state = resume(again, self.settings, self.now, self.elapsed_s)
        self.never.restarts(self.state.hygiene)
        self._step(broker_connected=True)

    @rule()
    def service_stops(self) -> None:
        self._step(stopping=True)
        assert not self.state.book.leases

    @rule(version=st.integers(1, 50), quiet=st.booleans())
    def settings_change(self, version: int, quiet: bool) -> None:
        tunables: dict[str, Any] = {
            "hygiene": {"longest_interval_days": self.never.interval_s / DAY_S}
        }
        if quiet:
            tunables |= {"quiet_from": "22:00", "quiet_until": "06:00"}
        self.settings = control_plant.settings(tunables, version=version, **self.changes)
        self._step()


_LATEST = datetime(2199, 1, 1, tzinfo=UTC)  # after every hold, whatever the clock did

Home.TestCase.settings = settings(
    max_examples=12,
    stateful_step_count=25,
    deadline=None,
    suppress_health_check=list(HealthCheck),
    derandomize=True,
)
TestNever = Home.TestCase


def test_the_model_goes_where_it_matters() -> None:
    """A scripted walk through the places a random one seldom meets, with the same checks."""
    home = Home()
    home.begin("on_off", False, True, 7.0)
    seen: set[str] = set()
    whole = home._step

    def noting(**inputs: Any) -> None:
        whole(**inputs)
        assert home.out is not None
        assert home.out.view.decision is not None
        seen.add(home.out.view.decision.reason.code)
        seen.update(str(home.out.view.decision.inputs["waits_for"]).split(", "))
        seen.update(c.action for c in home.out.commands)

    home._step = noting  # type: ignore[method-assign]
    home.an_ordinary_while(80, 110.0, 30.0, True, 400.0, 0, True, 0.0)
    home.an_ordinary_while(80, 110.0, 30.0, True, 400.0, 0, True, 64.0)
    assert {"run", "release", "starts_used_up", "minimum_rest", "minimum_run", "at_ceiling"} <= seen


def test_a_hold_that_the_records_lost_and_a_restart_in_it() -> None:
    home = Home()
    home.begin("on_off", False, True, 7.0)

    def run() -> None:
        home._step(broker_connected=True)
        for _ in range(10):
            home.a_plan_is_in_force(400.0, 0)
            home._pass(120.0)
            home.sound_readings_arrive(30.0, 2.0)
        assert home.state.book.leases

    run()
    home.somebody_wishes(Wish.HOLD, 1.0, 0)
    home.records_lose_overrides(True)
    home.process_is_killed(400.0, 3.0)
    home.an_ordinary_while(80, 110.0, 30.0, False, 400.0, 0, True, 0.0)
    assert home.state.overrides
    home.a_person_ends_the_hold(True)
    home._pass(3700.0)
    run()
