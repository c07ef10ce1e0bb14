"""What reaches a home's inbox reaches the control step, whatever goes wrong in between."""

import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import delete

from adapters.types import Outgoing, PriceSeries, Reading, Refusal
from adapters.wiring import Broker, Quantity
from forecasting.types import DrawHistory
from service import running
from service.clock import HandClock, utc
from service.control.overrides import WishRefused
from service.control.types import Draw, Inputs, Rule, Work, WorkDone
from service.pages import plant
from service.pages.local import Local
from service.records.errors import RecordsError
from service.records.records import Records
from service.records.tables import OverrideRow, OverrideTraceRow
from service.running import RunningHouse, merged
from service.settings import Http
from service.simulation import demo as demos
from service.simulation.household import SCHOOL_FAMILY
from service.worker import InlineWorker, Worker
from tests import records_samples as samples

SERIES = PriceSeries((0,), (3600,), (0.2,), 0.0)
MEND = "let the sender publish the number alone"


def _house(
    folder: Path, sent: list[Outgoing], worker: Worker | None = None
) -> tuple[RunningHouse, Records, HandClock]:
    made = demos.demo(Broker(), folder, Http(), SCHOOL_FAMILY, seed=3)
    records = Records.open(made.wiring.database.url)
    clock = HandClock(made.start_s)
    home = made.wiring.homes[0]
    worker = worker or InlineWorker()
    house = RunningHouse(home, records, clock, sent.append, worker, lambda: None)
    return house, records, clock


def test_lists_follow_each_other_and_the_later_single_value_holds() -> None:
    first = Inputs(prices=(SERIES,), broker_connected=True, overrides=())
    both = merged(first, Inputs(prices=(SERIES,), broker_connected=False))
    assert both.prices == (SERIES, SERIES)
    assert both.broker_connected is False
    assert both.overrides == ()
    assert merged(Inputs(), first) == first


def test_a_hold_made_in_a_turn_that_fails_is_in_force_in_the_next(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sent: list[Outgoing] = []
    house, records, clock = _house(tmp_path, sent)
    house.turn()
    house.wish({"wish": "hold"}, "installer")
    real = running.step

    def broken(*_: Any) -> Any:
        raise ZeroDivisionError

    monkeypatch.setattr(running, "step", broken)
    house.turn()
    assert "step_failing" in house.health().notes
    assert {m.payload for m in sent} == {b"off"}, "everything is released"
    monkeypatch.setattr(running, "step", real)
    clock.set(clock.now_s() + 60)
    house.turn()
    assert house.view is not None
    assert [o.wish.value for o in house.view.overrides] == ["hold"]
    assert house.view.mode in (Rule.FAIL_SAFE, Rule.MAINTENANCE_HOLD)
    records.close()


@pytest.mark.parametrize("lost", [False, True])
def test_a_hold_that_a_person_ended_does_not_come_back_with_an_older_memory(
    tmp_path: Path, *, lost: bool
) -> None:
    """The process is killed before the next snapshot. One whose record is lost still holds."""
    house, records, _ = _house(tmp_path, [])
    hold = house.wish({"wish": "hold"}, "installer")
    house.turn()
    house.save_snapshot()
    if lost:
        with records.database.write() as session:
            for kind in (OverrideTraceRow, OverrideRow):
                session.exec(delete(kind))
    else:
        house.end_wish(hold.id, "installer")
    house.turn()
    records.close()
    house, records, _ = _house(tmp_path, [])
    house.turn()
    assert house.view is not None
    assert bool(house.view.overrides) is lost
    records.close()


def test_a_process_without_a_memory_releases_all_plant_and_counts_no_time_away(
    tmp_path: Path,
) -> None:
    """One before it may have been killed before it kept any."""
    sent: list[Outgoing] = []
    house, records, _ = _house(tmp_path, sent)
    assert house._state.clock.away_s is None
    house.offer_link(True)
    house.turn()
    assert [m.payload for m in sent] == [b"off"] * len(house.settings.wiring.actuators)
    records.close()


def test_a_full_disk_puts_learning_off_and_stops_no_turn(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    house, records, _ = _house(tmp_path, [])

    def full(*_: Any) -> Any:
        raise RecordsError("full", "the disk is full", "here", "Free some space.")

    monkeypatch.setattr(records, "draw_history", full)
    house.turn()  # asks to learn
    house.turn()  # takes up that it failed
    assert house.view is not None
    assert "step_failing" not in house.health().notes
    records.close()


def test_each_place_and_kind_of_refusal_is_logged_once_with_what_came(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    house, records, _ = _house(tmp_path, [])
    for where, got in (("probe_1", "hello"), ("probe_2", "47,5"), ("probe_1", "hello")):
        house.refuse(Refusal(house.id, "not_a_number", where, "expected a number", MEND, got))
    said = [r.getMessage() for r in caplog.records if "expected a number" in r.getMessage()]
    assert len(said) == 2
    assert f"probe_2: expected a number; got '47,5'; {MEND}" in said[1]
    assert house.health().refusals == {"not_a_number": 3}
    records.close()


def test_a_change_that_changes_nothing_makes_no_version(tmp_path: Path) -> None:
    house, records, _ = _house(tmp_path, [])
    reserve = house.settings.tunables.reserve_tenths
    assert house.change({"reserve_tenths": reserve}, "installer").version == 1
    assert house.change({"reserve_tenths": reserve + 1}, "installer").version == 2
    assert len(records.settings_versions(house.id).items) == 2


def test_the_plant_page_says_what_an_actuator_is_under(tmp_path: Path) -> None:
    house, records, clock = _house(tmp_path, [])
    wiring = house.settings.wiring
    place = Local(wiring.zone_info, wiring.currency, house.now())

    def now() -> dict[str, str]:
        shown = plant.content(house.id, house, records, place)["actuators"]
        return {a["name"]: a["now"] for a in shown}

    assert set(now().values()) == {"released"}
    house.offer_link(True)
    for _ in range(4):  # readings; learning, forecast and plan, each asked for in turn
        at_s = clock.now_s()
        house.offer(
            [
                Reading(house.id, s.name, 50.0, at_s, at_s, True, True)
                for s in wiring.signals_of(Quantity.PROBE)
            ]
        )
        house.turn()
        clock.set(at_s + 60)
    assert now() == {"heat_pump_hot_water": "rests at 10.0\u00a0°C", "immersion": "released"}


def test_a_reading_that_arrives_while_the_service_stops_commands_nothing_again(
    tmp_path: Path,
) -> None:
    sent: list[Outgoing] = []
    house, records, clock = _house(tmp_path, sent)
    house.offer_link(True)

    def hear() -> None:
        at_s = clock.now_s()
        house.offer(
            [
                Reading(house.id, s.name, 50.0, at_s, at_s, True, True)
                for s in house.settings.wiring.signals_of(Quantity.PROBE)
            ]
        )

    for _ in range(4):
        hear()
        house.turn()
        clock.set(clock.now_s() + 60)
    assert [m.payload for m in sent][-1] == b"10", "the heat pump rests at a low temperature"
    house.turn(stopping=True)
    assert [m.payload for m in sent][-1] == b"off"
    hear()
    house.take_pending()  # as the last commit does
    assert [m.payload for m in sent][-1] == b"off"
    records.close()


def test_of_two_wishes_made_at_once_control_hears_both(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    house, records, _ = _house(tmp_path, [])
    offer = house._offer
    first_waits, second_made = threading.Event(), threading.Event()

    def slowly(arrived: Inputs) -> None:
        if not first_waits.is_set():
            first_waits.set()
            second_made.wait(1.0)
        offer(arrived)

    monkeypatch.setattr(house, "_offer", slowly)
    wish = {"wish": "guests", "people": 1, "until": "23:00"}
    first = threading.Thread(target=house.wish, args=(wish, "one"))
    first.start()
    assert first_waits.wait(5.0)

    def follow() -> None:
        house.wish(wish, "two")
        second_made.set()

    second = threading.Thread(target=follow)
    second.start()
    first.join(10.0)
    second.join(10.0)
    assert [o.author for o in house._inbox.overrides or ()] == ["one", "two"]
    records.close()


def test_what_waits_for_a_full_disk_has_an_end_and_control_hears_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(running, "MOST_READINGS_WAIT", 10)
    monkeypatch.setattr(running, "MOST_OUTPUTS_WAIT", 2)
    house, records, clock = _house(tmp_path, [])
    house.offer_link(True)
    probes = house.settings.wiring.signals_of(Quantity.PROBE)
    wanted = house.settings.tunables.replan_every_slots * house.settings.tunables.slot_minutes
    for _ in range(6 * wanted):
        at_s = clock.now_s()
        house.offer(
            [Reading(house.id, s.name, 50.0, at_s, at_s, False, True) for s in probes], owed=False
        )
        house.turn()
        clock.set(at_s + 60)
    owed = Reading(house.id, probes[0].name, 51.0, clock.now_s(), clock.now_s(), False, True)
    house.offer([owed])
    assert house.health().refusals["not_kept"] > 100
    assert house.view is not None
    assert house.view.mode is not Rule.FAIL_SAFE
    waiting = house.take_pending()
    assert len(waiting.readings) < 10 + len(probes) + 1
    assert waiting.readings[-1] == owed, "its acknowledgement tells that it is stored"
    whole = [o for o in waiting.outputs if o.plan_made or o.forecast_made]
    assert len(whole) <= 2
    house.commit(waiting)
    records.close()


def test_an_installer_sees_what_was_refused_and_where(tmp_path: Path) -> None:
    house, records, _ = _house(tmp_path, [])
    for n in range(3):
        where, what = "signal draw", "expected a number"
        house.refuse(Refusal(house.id, "not_a_number", where, what, MEND, f"x{n}"))
    house.refuse(Refusal(house.id, "out_of_range", "signal cold", "99 degC is outside", MEND))
    refused = (
        f"signal cold: 99 degC is outside; {MEND}",
        f"signal draw: expected a number; got 'x2'; {MEND}",
    )
    assert house.health().refused == refused
    for n in range(100):
        house.refuse(Refusal(house.id, "not_json", f"topic {n}", "is no JSON", MEND))
    assert len(house.health().refused) == running.MOST_SHOWN
    wiring = house.settings.wiring
    place = Local(wiring.zone_info, wiring.currency, house.now())
    shown = plant.content(house.id, house, records, place)["refused"]
    assert shown[0] == f"topic 99: is no JSON; {MEND}"


def test_an_automation_that_asks_again_and_again_is_refused_in_the_end(tmp_path: Path) -> None:
    house, records, _ = _house(tmp_path, [])
    most = house.settings.tunables.highest_tenths - house.settings.tunables.reserve_tenths
    for _n in range(most):
        house.wish({"wish": "more"}, "mqtt", by_message=True)
    with pytest.raises(WishRefused, match=f"more is asked for {most} times already"):
        house.wish({"wish": "more"}, "mqtt", by_message=True)
    assert len(house.live_overrides()) == most
    house.wish({"wish": "back_to_plan"}, "somebody")
    house.wish({"wish": "more"}, "somebody")
    assert len(house.live_overrides()) == 1
    records.close()


def test_a_draw_on_record_that_a_restart_lives_again_is_not_recorded_twice(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Read from probes it begins with a step, and steps fall otherwise the second time."""
    house, records, clock = _house(tmp_path, [])
    house.turn()
    house.save_snapshot()
    began = utc(clock.now_s() + 60)
    seen = Draw(began, began + timedelta(minutes=5), 7.5, 0.25, 7.5, "profile")
    records.store(house.id, samples.outputs(draws=(seen,)))
    at_s = clock.now_s() + 400
    told = Reading(house.id, "probe_1", 12.0, at_s, at_s, stamped=False, tells_now=True)
    records.add_readings(house.id, [told], {})
    ms = timedelta(milliseconds=1)
    again = replace(seen, start=seen.start + ms, end=seen.end + ms)
    lost = replace(seen, start=seen.end + 2 * ms, end=seen.end + timedelta(minutes=1))

    def lived(state: Any, *_: Any) -> Any:
        return state, samples.outputs(draws=(again, lost))

    monkeypatch.setattr(running, "step", lived)
    clock.set(at_s + 60)
    RunningHouse(
        house.settings.wiring, records, clock, lambda _: None, InlineWorker(), lambda: None
    )
    assert [d.start for d in records.draws(house.id).items] == [lost.start, seen.start]
    records.close()


class NobodyWorks:
    """Fails whatever is asked of it, at once."""

    def submit(self, work: Work, history: DrawHistory, done: Callable[[WorkDone], None]) -> None:
        done(WorkDone(work.kind, work.number, failed="nobody works"))

    def close(self) -> None:
        pass


def _listen(house: RunningHouse, clock: HandClock, hours: float, signals: tuple[str, ...]) -> None:
    """Readings of these signals every 20 minutes, committed each time."""
    for _ in range(int(hours * 3)):
        clock.set(clock.now_s() + 1200.0)
        now_s = clock.now_s()
        value = {"draw": 7000.0}
        house.offer(
            [Reading(house.id, n, value.get(n, 50.0), now_s, now_s, False, True) for n in signals]
        )
        house.commit(house.take_pending())


def test_a_home_whose_flow_meter_failed_is_not_taken_for_an_empty_one(tmp_path: Path) -> None:
    house, records, clock = _house(tmp_path, [], NobodyWorks())
    began_s = clock.now_s()
    _listen(house, clock, 24, ("probe_1", "draw"))
    failed_s = clock.now_s()
    _listen(house, clock, 72, ("probe_1",))
    history = records.draw_history(house.id, utc(began_s))
    assert history.watched_to_s <= failed_s + 86_400 + 1800
    _listen(house, clock, 2, ("probe_1", "draw"))
    history = records.draw_history(house.id, utc(began_s))
    assert history.watched_to_s > failed_s + 3 * 86_400
    ((begin_s, end_s),) = history.gaps_s.tolist()
    assert begin_s <= failed_s + 86_400 + 1800
    assert end_s >= failed_s + 3 * 86_400
    records.close()


def test_a_flow_meter_that_was_never_heard_shows_no_empty_home(tmp_path: Path) -> None:
    house, records, clock = _house(tmp_path, [], NobodyWorks())
    began_s = clock.now_s()
    _listen(house, clock, 24, ("probe_1",))
    history = records.draw_history(house.id, utc(began_s))
    assert history.watched_to_s == history.watched_from_s
    records.close()


def test_a_night_in_which_the_flow_meter_had_nothing_to_report_was_watched(tmp_path: Path) -> None:
    house, records, clock = _house(tmp_path, [], NobodyWorks())
    began_s = clock.now_s()
    for _ in range(3):
        _listen(house, clock, 15, ("probe_1", "draw"))
        _listen(house, clock, 9, ("probe_1",))
    history = records.draw_history(house.id, utc(began_s))
    assert len(history.gaps_s) == 0
    assert history.watched_to_s - history.watched_from_s >= 3 * 86_400 - 1800
    records.close()
