"""A small home computer's wall clock: set back, set forward, behind since it booted.

Many have no clock that runs while they are off. What the service does by the clock, and what it
remembers over a restart, must follow the time that passed and not what the wall clock said of it.
"""

from __future__ import annotations

import copy
import functools
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from apscheduler.schedulers import base as scheduling

from adapters.types import Outgoing, Reading
from forecasting import calendar, surroundings
from service import jobs
from service.assembly import Service
from service.control import around
from service.control import plant as plants
from service.control.state import Around
from service.control.types import Rule
from service.cylinder import model
from service.cylinder.usable import v40_l
from service.records.records import Records
from service.settings import Database, HomeWiring, Wiring
from service.worker import InlineWorker
from tests import control_plant
from tests.control_plant import MONDAY, LittleHome

DAY_S = 86_400.0
PROBES = ("probe_1", "probe_2", "probe_3")
CALM: dict[str, Any] = {"hygiene": {"longest_interval_days": 31, "lowered_confirmed_by": "A"}}


class MachineClock:
    """The wall time of a machine, ``off_s`` ahead of the true one, and its monotonic time."""

    def __init__(self) -> None:
        self.true_s = control_plant.MONDAY.timestamp()
        self.off_s = 0.0
        self._booted_s = self.true_s

    def boot(self) -> None:
        """The monotonic time begins anew."""
        self._booted_s = self.true_s - 7.0

    def now_s(self) -> float:
        return self.true_s + self.off_s

    def elapsed_s(self) -> float:
        return self.true_s - self._booted_s

    def real_s(self, clock_s: float) -> float:
        return 0.0 * clock_s


class Computer:
    """The service on a machine, without a broker: what it publishes is noted."""

    def __init__(self, folder: Path) -> None:
        home = HomeWiring.model_validate({**control_plant.wiring(), "id": "home"})
        url = f"sqlite:///{folder}/ladle.sqlite"
        self.wiring = Wiring(database=Database(url=url), homes=(home,))
        self.clock = MachineClock()
        self.sent: list[Outgoing] = []
        self.flow_l_per_min: Callable[[float], float] = lambda true_s: 0.0
        self.probe_c = 50.0
        self.boot()

    def boot(self, off_s: float = 0.0) -> None:
        """A process begins, with the wall clock so far ahead of the true time."""
        self.clock.off_s = off_s
        self.clock.boot()
        self.records = Records.open(self.wiring.database.url)
        self.service = Service(self.wiring, self.clock, self.records, InlineWorker())
        self.house = self.service.houses["home"]
        self.service.link.publish = self._published  # type: ignore[method-assign]
        self.house._send = self._published
        self.house.offer_link(True)

    def die(self) -> None:
        """As ``kill -9`` or a power cut ends it."""
        self.records.close()

    def _published(self, message: Outgoing) -> bool:
        self.sent.append(message)
        return True

    def live(self, seconds: float, *, silent: bool = False, commit: bool = True) -> None:
        """So long a time, with readings every 20 s unless all fall silent."""
        until_s = self.clock.true_s + seconds
        while self.clock.true_s < until_s - 1e-6:
            self.clock.true_s += 20.0
            if not silent:
                self.house.offer([self.reading(n, self.probe_c) for n in PROBES])
                rate = self.flow_l_per_min(self.clock.true_s)
                self.house.offer([self.reading("draw", rate)])
            if self.house.due_in_s() <= 0.0:
                self.house.turn()
            self.service._tell(self.house)
            if commit and self.clock.true_s % 60.0 < 20.0:
                self.service.flush()

    def reading(self, signal: str, value: float) -> Reading:
        """One without a stamp, as it arrives."""
        now_s = self.clock.now_s()
        return Reading("home", signal, value, now_s, now_s, False, True)

    def topics(self) -> set[str]:
        """Where something was published since the last look."""
        seen = {m.topic for m in self.sent}
        self.sent.clear()
        return seen


@pytest.fixture
def computer(tmp_path: Path) -> Iterator[Computer]:
    made = Computer(tmp_path)
    yield made
    made.die()


def test_silence_is_noticed_though_the_clock_was_set_back_by_a_day(computer: Computer) -> None:
    computer.live(600)
    computer.clock.off_s = -DAY_S
    computer.live(900, silent=True)
    view: Any = computer.house.view
    assert view.mode is Rule.FAIL_SAFE
    assert view.decision.reason.code == "readings_stale"


def test_no_heartbeat_speaks_for_a_step_that_stands_still_though_the_clock_was_set_back(
    computer: Computer,
) -> None:
    computer.live(600)
    computer.clock.off_s = -DAY_S
    computer.live(60)
    computer.topics()
    computer.service.beat()
    assert "ladle/home/heartbeat" in computer.topics()
    computer.clock.true_s += 3600.0  # and no turn came about
    computer.service.beat()
    assert not computer.topics(), "a watchdog would believe that somebody controls the plant"


def test_state_and_memory_go_on_being_kept_though_the_clock_was_set_back(
    computer: Computer,
) -> None:
    computer.live(900)
    computer.clock.off_s = -DAY_S
    computer.topics()
    computer.live(900)
    assert "ladle/home/state" in computer.topics()
    newest = computer.records.load_snapshot("home")
    assert newest is not None
    assert 0.0 <= computer.clock.now_s() - newest.at.timestamp() < 330.0


def test_the_memory_kept_last_is_the_one_that_counts_after_a_clock_that_was_ahead(
    computer: Computer,
) -> None:
    computer.clock.off_s = 10 * 365 * DAY_S
    computer.live(3600)
    computer.clock.off_s = 0.0
    computer.live(3600)
    lived_s = computer.house._state.hygiene.since_pass_s
    steps = computer.house._state.steps
    computer.die()
    computer.boot()
    state = computer.house._state
    assert state.steps - steps < 60, "what was lived once is not lived again"
    assert lived_s - 330.0 <= state.hygiene.since_pass_s <= lived_s + 60.0


@pytest.mark.parametrize("off_s", [-6 * 365 * DAY_S, -3 * DAY_S])
def test_settings_that_people_changed_stay_in_force_where_the_clock_is_behind_at_boot(
    computer: Computer, off_s: float
) -> None:
    computer.house.change({"reserve_tenths": 5}, "installer")
    computer.live(600)
    computer.die()
    computer.boot(off_s)
    computer.live(120)
    assert computer.house.settings.tunables.reserve_tenths == 5
    computer.clock.off_s = 0.0
    computer.live(120)
    assert computer.house.settings.tunables.reserve_tenths == 5
    assert computer.house.settings.version == 2, "nobody made another version"


def counting(unit: str) -> LittleHome:
    """40 L at the beginning of each hour, and two hours behind it."""
    return copy.deepcopy(_counted(unit))


@functools.cache
def _counted(unit: str) -> LittleHome:
    signals = [
        s | ({"unit": unit} if s["name"] == "draw" else {})
        for s in control_plant.wiring()["signals"]
    ]
    home = LittleHome(
        control_plant.settings(CALM, signals=signals),
        plans=False,
        profile_c=50.0,
        every_s=20.0,
        draws=lambda at: 8.0 if at.minute < 5 else 0.0,
    )
    home.live(7200.0)
    home.history.clear()
    return home


@pytest.mark.parametrize("unit", ["L", "L/min"])
@pytest.mark.parametrize("days", [-1, 26_000])
def test_draws_are_counted_on_when_the_clock_is_set_back(unit: str, days: int) -> None:
    home = counting(unit)
    right = home.now
    home.now += timedelta(days=days)
    home.live(3600.0)
    if days > 0:  # it was ahead for an hour, and is put right
        home.now = right + timedelta(hours=1)
    home.live(2 * 3600.0 - 1200.0)
    # a reading is lost with each jump
    assert sum(d.litres for d in home.history) == pytest.approx(120.0, abs=6.0)


@pytest.mark.parametrize("unit", ["L", "L/min"])
def test_draws_are_counted_where_the_clock_is_a_day_behind_at_boot(unit: str) -> None:
    home = counting(unit)
    home.restart(-DAY_S)
    home.live(3 * 3600.0 - 1200.0)
    assert sum(d.litres for d in home.history) == pytest.approx(120.0, abs=5.0)


def test_what_is_learned_of_the_surroundings_outlives_a_clock_that_was_ahead() -> None:
    signals = [*control_plant.wiring()["signals"]]
    out = {"name": "outdoor", "measures": "outdoor_temperature", "unit": "Cel", "topic": "o"}
    plant = plants.of(control_plant.settings({}, signals=[*signals, out]))

    def lived(was: Around, since: datetime, days: float, outdoor_c: float) -> Around:
        for k in range(int(days * 144)):
            now = since + timedelta(minutes=10 * k)
            mark_s = max(was.mark_s, 0.0) + 600.0
            was = around.follow(was, plant, {"outdoor": outdoor_c}, None, None, now, mark_s)
        return was

    usual = lived(Around(), MONDAY, 20.0, 10.0)
    right = MONDAY + timedelta(days=20)
    usual = lived(usual, right + timedelta(days=400), 1.5, 10.0)
    usual = lived(usual, right, 6.0, 20.0)
    now = right + timedelta(days=6)
    assert usual.model is not None
    ahead = surroundings.forecast(
        usual.model, calendar.grid(int(now.timestamp()), plant.zone, 30, 24), int(now.timestamp())
    )
    assert 15.0 < float(ahead.outdoor_c.mean()) < 21.0, "the last six days were at 20 degC"


@pytest.mark.parametrize("days", [1, 3, 40])
def test_the_time_off_counts_towards_the_next_disinfection_once_the_clock_is_put_right(
    days: int,
) -> None:
    """A machine without a clock of its own goes on from when it was switched off."""
    home = counting("L/min")
    before_s = home.state.hygiene.since_pass_s
    home.restart(60.0)
    home.live(600.0)
    home.now += timedelta(days=days)
    home.live(600.0)
    assert home.state.hygiene.since_pass_s == pytest.approx(before_s + days * DAY_S + 1260, abs=60)


def test_time_off_that_a_wrong_clock_claimed_is_taken_back() -> None:
    home = counting("L/min")
    before_s = home.state.hygiene.since_pass_s
    home.restart(5 * DAY_S)
    home.live(600.0)
    home.now -= timedelta(days=5)
    home.live(600.0)
    assert home.state.hygiene.since_pass_s == pytest.approx(before_s + 1200, abs=60)


def test_a_clock_that_jumps_long_after_the_start_tells_of_no_time_off() -> None:
    home = counting("L/min")
    home.restart(60.0)
    home.live(60.0)
    home.every_s = 300.0
    home.live(DAY_S)
    before_s = home.state.hygiene.since_pass_s
    home.now += timedelta(days=3)
    home.live(600.0)
    assert home.state.hygiene.since_pass_s == pytest.approx(before_s + 600, abs=60)


@pytest.mark.parametrize("hours", [3, 24])
def test_nobody_is_promised_the_water_that_stood_there_before_a_long_silence(hours: int) -> None:
    """The broker was gone, meanwhile most of the water was drawn, and it is heated at once."""
    home = counting("L/min")
    home.draws = lambda at: 0.0
    home.silent, home.every_s = {s.name for s in home.settings.wiring.signals}, 300.0
    home.live(hours * 3600.0)
    home.silent, home.every_s = set(), 20.0
    home.water = model.start(home.cylinder, [15.0] * 30 + [50.0] * 10)
    home.state = replace(home.state, hygiene=replace(home.state.hygiene, since_pass_s=40 * DAY_S))
    _promises_what_is_there(home)


@pytest.mark.parametrize("late", [False, True])
def test_nobody_is_promised_the_water_that_stood_there_three_days_ago(late: bool) -> None:
    """Meanwhile it was drawn, to a half; that the time passed may be told by the network only."""
    home = counting("L/min")
    home.draws = lambda at: 0.0
    assert (home.last.view.shown_tenths or 0) >= 2
    home.water = model.start(home.cylinder, [15.0] * 20 + [50.0] * 20)
    if late:
        home.restart(60.0)
        home.live(40.0)
        home.now += timedelta(days=3)
    else:
        home.restart(3 * DAY_S)
    _promises_what_is_there(home)


def _promises_what_is_there(home: LittleHome) -> None:
    """For the hour from now on, to a tenth."""
    volumes_l = home.cylinder.layer_volumes_l(40)
    for _ in range(180):
        home.live(20.0)
        there_l40 = v40_l(model.profile(home.cylinder, home.water), volumes_l, home.cold_c)
        view = home.last.view
        assert (view.v40_low_l or 0.0) <= there_l40 + view.reference_l40 / 10.0
        assert (view.shown_tenths or 0) <= there_l40 / view.reference_l40 * 10.0 + 1.0


@pytest.mark.parametrize("years", [-1, 56, -56])
def test_what_happens_by_the_clock_goes_on_whenever_the_machine_s_clock_is_set(
    computer: Computer, years: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The commit and the heartbeat, above all: a machine may boot in 1970 and be put right."""
    off_s, real_s, ran = [0.0], time.time, threading.Event()

    class Wall(datetime):
        @classmethod
        def now(cls, tz: Any = None) -> datetime:
            return datetime.fromtimestamp(real_s() + off_s[0], tz)

    monkeypatch.setattr(scheduling, "datetime", Wall)
    monkeypatch.setattr(jobs, "datetime", Wall)
    monkeypatch.setattr(time, "time", lambda: real_s() + off_s[0])
    if years == 56:  # it booted in 1970, and is put right
        off_s[0] = -years * 365 * DAY_S
    computer.service._jobs.table = (jobs.Job("look", 1.0, ran.set),)
    computer.service.start()
    try:
        assert ran.wait(10.0)
        off_s[0] += years * 365 * DAY_S
        time.sleep(0.5)  # what was on its way has run
        ran.clear()
        assert ran.wait(10.0)
    finally:
        computer.service.stop()


def test_a_year_that_cannot_be_leaves_the_memory_from_before_it(computer: Computer) -> None:
    computer.live(900)
    before_s = computer.house._state.hygiene.since_pass_s
    computer.die()
    computer.clock.true_s += 2 * DAY_S
    computer.boot(-6 * 365 * DAY_S)
    computer.live(900)
    computer.die()
    computer.boot()
    computer.live(60)
    since_s = computer.house._state.hygiene.since_pass_s
    assert since_s == pytest.approx(before_s + 2 * DAY_S + 960, abs=400)


def test_a_memory_dated_by_a_clock_that_was_behind_is_kept_anew_when_it_is_put_right(
    computer: Computer,
) -> None:
    computer.live(900)
    computer.die()
    computer.boot(-2 * DAY_S)
    computer.live(600)
    computer.clock.off_s = 0.0
    computer.live(120)
    before_s = computer.house._state.hygiene.since_pass_s
    computer.die()
    computer.clock.true_s += DAY_S
    computer.boot()
    computer.live(60)
    assert computer.house._state.hygiene.since_pass_s == pytest.approx(before_s + DAY_S, abs=300)


@pytest.mark.parametrize("at_boot", [True, False])
def test_a_clock_that_is_years_ahead_thins_no_reading_of_today(
    computer: Computer, at_boot: bool
) -> None:
    computer.live(600)
    since = datetime.fromtimestamp(computer.clock.true_s - 600.0, UTC)
    kept = len(computer.records.readings_since("home", since))
    if at_boot:
        computer.die()
        computer.boot(3650 * DAY_S)
    computer.clock.off_s = 3650 * DAY_S
    computer.live(60)
    computer.service.thin()
    assert len(computer.records.readings_since("home", since)) >= kept > 100
    computer.clock.off_s = 0.0
    computer.live(3660)
    computer.clock.true_s += 20 * DAY_S
    computer.service.thin()
    assert len(computer.records.readings_since("home", since)) < kept, "when they are old they are"
