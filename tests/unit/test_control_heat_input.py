"""Heat that nobody asked for: taken for the heat pump's own control only where it can be that."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from adapters.wiring import Quantity
from service.control import believe, heat_input
from service.control import plant as plants
from service.control.beginning import start
from service.control.metering import Metered
from service.control.state import Book, Lease, Moment, State, Watch
from service.control.types import Fault
from service.cylinder import estimator
from tests.control_plant import MONDAY, settings, wiring

NOW_S = 10_000.0
MINUTE_S = 60.0
UNMETERED = settings(signals=[s for s in wiring()["signals"] if s["name"] != "pump_power"])
RESTS = Lease("pump", "heat_pump", "block", 10.0, None, NOW_S - 900, NOW_S, 1800.0)


def _state(gained_kwh: float, apart_s: float, **changes: Any) -> State:
    """Two moments between which the probes gained heat."""
    moments = (
        Moment(NOW_S - apart_s, 8.0, 0.0, 200.0, 0.0),
        Moment(NOW_S, 8.0 + gained_kwh, 0.0, 200.0, 0.0),
    )
    made = start(UNMETERED, MONDAY, NOW_S)
    return replace(made, watch=Watch(moments=moments), **changes)


def _assumed_kwh(state: State) -> float:
    plant = plants.of(UNMETERED)
    put = heat_input.since_stride(state, plant, Metered({}, {}, {}, {}), {}, 7.0, MINUTE_S)
    return put.kwh.get("heat_pump", 0.0)


@pytest.mark.parametrize(
    ("gained_kwh", "apart_s", "heats"),
    [(0.30, 300.0, True), (0.10, 300.0, False), (0.30, 1200.0, False), (1.50, 1200.0, True)],
)
def test_gains_count_by_how_long_they_took(gained_kwh: float, apart_s: float, heats: bool) -> None:
    """6 kW give 0.5 kWh in five minutes; a probe at a front warms by a fifth of that by itself."""
    assumed = _assumed_kwh(_state(gained_kwh, apart_s))
    assert assumed == (pytest.approx(6.0 / 60.0, rel=0.1) if heats else 0.0)


def test_a_heat_pump_at_rest_does_not_heat_unless_it_was_found_to() -> None:
    rests = Book(leases={"pump": RESTS})
    assert _assumed_kwh(_state(0.30, 300.0, book=rests)) == 0.0
    runs = Fault("uncommanded_running", "heat_pump", MONDAY, "fault")
    assert _assumed_kwh(_state(0.30, 300.0, book=rests, faults=(runs,))) > 0.0


def test_an_immersion_heater_that_runs_uncommanded_is_not_counted_again_as_the_heat_pump() -> None:
    """Its meter tells its 3 kW, and the probes gain them."""
    plant = plants.of(UNMETERED)
    element = Quantity.IMMERSION_ELECTRICITY
    meter = Metered({}, {}, {element: 0.05}, {element: 3000.0})
    runs = Fault("uncommanded_running", "immersion", MONDAY, "warning")
    for book in (Book(), Book(leases={"pump": RESTS})):
        state = _state(0.25, 300.0, book=book, faults=(runs,))
        put = heat_input.since_stride(state, plant, meter, {}, 7.0, MINUTE_S)
        assert put.kwh == {"immersion": pytest.approx(0.05)}
    # Where a heat pump at rest is seen to warm the water, it was told of it and not of another.
    assert _assumed_kwh(_state(0.30, 300.0, book=book, faults=(runs,))) == 0.0


@pytest.mark.parametrize(
    ("shows", "below_c", "counted", "heats"),
    [
        ("probe_3", 12.0, True, True),
        ("probe_3", 60.0, True, False),
        ("probe_1", 12.0, True, False),
        ("probe_3", 12.0, False, False),  # what is below is a guess where no meter counts
    ],
)
def test_hot_water_at_a_probe_ends_assumed_heat_only_where_nothing_colder_is_below(
    shows: str, below_c: float, counted: bool, heats: bool
) -> None:
    """A probe near the top shows 60 degC before the charge begins, one near the foot at its end."""
    left_out = {"pump_power"} if counted else {"pump_power", "draw"}
    signals = [s for s in wiring()["signals"] if s["name"] not in left_out]
    plant = plants.of(settings(signals=signals))
    cylinder, level = plant.cylinder, plant.level(1.4)
    water = estimator.start(cylinder, {"top": level}, estimator.Observation({"top": 60.0}))
    water = replace(water, cells_c=np.r_[np.full(30, below_c), np.full(11, 60.0)])
    state = _state(0.0, 300.0, book=Book(leases={"pump": replace(RESTS, action="run")}))
    belief = replace(state.belief, estimator=water, estimate=estimator.estimate(water, 10.0))
    put = heat_input.since_stride(
        replace(state, belief=belief), plant, Metered({}, {}, {}, {}), {shows: 60.0}, 7.0, MINUTE_S
    )
    assert (put.kwh.get("heat_pump", 0.0) > 0.0) is heats


@pytest.mark.parametrize("fine", [True, False])
@pytest.mark.parametrize("asked", [True, False])
def test_electricity_tells_heat_only_where_it_tells_power(fine: bool, asked: bool) -> None:
    """A register of tenths of a kWh moved: 2 kW took three minutes for that."""
    plant, electricity = plants.of(SHARED), Quantity.HEAT_PUMP_ELECTRICITY
    meter = Metered({}, {}, {electricity: 0.1}, {electricity: 2000.0} if fine else {})
    duty = plant.duty(7.0)
    assert duty is not None
    book = Book(leases={"pump": replace(RESTS, action="run")}) if asked else Book()
    state = replace(start(SHARED, MONDAY, NOW_S), book=book)
    put = heat_input.since_stride(state, plant, meter, {}, 7.0, MINUTE_S)
    by_meter_kwh = 0.1 * duty.cop if fine else 0.0
    usual_kwh = duty.heat_w / 60.0 / 1000.0
    kwh = (by_meter_kwh or usual_kwh) if asked else 0.0
    assert put.kwh.get("heat_pump", 0.0) == pytest.approx(kwh)
    assert put.unclaimed_kwh == pytest.approx(0.0 if asked else by_meter_kwh)
    assert put.assumed_of == (("heat_pump",) if asked and not fine else ())


def test_a_flow_that_follows_the_store_makes_more_heat_of_the_same_electricity() -> None:
    """18 L/min: a flow of 34 degC is measured, or follows from water of 24 degC at the bottom."""
    shows = {"name": "flow", "measures": "heat_pump_flow_temperature", "unit": "Cel", "topic": "f"}
    fixed = settings(
        heat_pump={"charging_pump_l_per_min": 18.0}, signals=[*wiring()["signals"], shows]
    )
    plant, electricity = plants.of(fixed), Quantity.HEAT_PUMP_ELECTRICITY
    meter = Metered({}, {}, {electricity: 2.0 / 60.0}, {electricity: 2000.0})
    book = Book(leases={"pump": replace(RESTS, action="run")})
    state = replace(start(fixed, MONDAY, NOW_S), book=book)
    found = believe.advance(
        state.belief, plant, dict.fromkeys(("probe_1", "probe_2", "probe_3"), 24.0), 10.0, 20.0,
        flow_known=True, news=True, elapsed_s=NOW_S,
    )  # fmt: skip
    duty, hottest = plant.duty(7.0, 34.0), plant.duty(7.0, 57.0)
    assert duty is not None
    assert hottest is not None
    assert duty.cop > 1.5 * hottest.cop
    for seen, fresh in ((state, {"flow": 34.0}), (replace(state, belief=found), {})):
        put = heat_input.since_stride(seen, plant, meter, fresh, 7.0, MINUTE_S)
        assert put.kwh["heat_pump"] == pytest.approx(2.0 / 60.0 * duty.cop, rel=0.02)
        moved = heat_input.moved_l_per_kwh(seen, plant, fresh, 7.0)
        assert moved == pytest.approx(18.0 * 60.0 * 1000.0 / duty.heat_w, rel=0.02)
    # A flow that stands at the room's temperature says nothing of how little electricity it takes.
    waits = replace(state, book=Book())
    put = heat_input.since_stride(waits, plant, meter, {"flow": 12.0}, 7.0, MINUTE_S)
    assert put.unclaimed_kwh < 2.0 / 60.0 * 1.2 * duty.cop
    without = plants.of(SHARED)
    assert heat_input.moved_l_per_kwh(state, without, {}, 7.0) is None


ROOMS = {"name": "rooms", "measures": "space_heating", "unit": "contact", "topic": "plant/rooms"}
SHARED = settings(signals=[*wiring()["signals"], ROOMS])


@pytest.mark.parametrize(
    ("book", "rooms", "share"),
    [
        (Book(), 0.0, 1.0),
        (Book(), 1.0, 0.0),  # the rooms call for it
        (Book(leases={"pump": RESTS}), 0.0, 0.0),
        (Book(leases={"pump": replace(RESTS, action="run")}), 0.0, 0.0),  # counted as asked for
    ],
)
def test_what_the_heat_pump_makes_unasked_may_have_gone_into_the_water(
    book: Book, rooms: float, share: float
) -> None:
    """2 kW for a minute, at the usual COP in air of 7 degC."""
    plant = plants.of(SHARED)
    state = replace(start(SHARED, MONDAY, NOW_S), book=book)
    electricity = Quantity.HEAT_PUMP_ELECTRICITY
    meter = Metered({}, {}, {electricity: 2.0 / 60.0}, {electricity: 2000.0})
    duty = plant.duty(7.0)
    assert duty is not None
    put = heat_input.since_stride(state, plant, meter, {"rooms": rooms}, 7.0, MINUTE_S)
    assert put.unclaimed_kwh == pytest.approx(share * 2.0 / 60.0 * duty.cop)
