"""What must hold whatever is done to a cylinder."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from service.cylinder.drive import CoilCharge, Drive, ImmersionHeat, PlateCharge, SecondaryReturn
from service.cylinder.geometry import Cylinder
from service.cylinder.model import advance, profile, start
from service.cylinder.usable import mixed_l

CAP_C = 70.0  # no source below makes water hotter


def perfect(cylinder: Cylinder) -> Cylinder:
    """The cylinder without mixing, conduction and loss."""
    return replace(
        cylinder,
        inlet_mixing_l=0.0,
        plate_mixing_l=0.0,
        conductivity_w_per_mk=0.0,
        loss_w_per_k=0.0,
        loop_loss_w_per_k=0.0,
    )


def number(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False)


cylinders = st.builds(
    Cylinder,
    volume_l=number(80, 400),
    height_m=number(0.8, 2.0),
    loss_w_per_k=number(0, 4),
    conductivity_w_per_mk=number(0, 2),
    inlet_mixing_l=st.sampled_from([0.0, 3.0, 40.0, 80.0]),
    inlet_tanks=st.integers(1, 6),
    plate_mixing_l=st.sampled_from([0.0, 5.0, 80.0]),
    plate_tanks=st.integers(1, 3),
    loop_l=st.sampled_from([0.0, 2.5]),
    loop_loss_w_per_k=number(0, 1),
    segments=st.sampled_from([10, 24, 40]),
)
plates = st.builds(
    PlateCharge,
    heat_w=number(0, 12_000),
    outlet_c=number(30, CAP_C),
    flow_l_per_min=number(1, 20),
    controlled=st.booleans(),
    primary_c=st.one_of(st.none(), number(30, CAP_C)),
    ua_w_per_k=st.one_of(st.none(), number(100, 3000)),
    primary_l_per_min=st.one_of(st.none(), number(5, 40)),
)
coils = st.builds(
    CoilCharge,
    heat_w=number(0, 12_000),
    bottom=number(0, 0.4),
    top=number(0.45, 1),
    flow_c=number(30, CAP_C),
    ua_w_per_k=st.one_of(st.none(), number(100, 2000)),
)
elements = st.builds(
    ImmersionHeat, heat_w=number(0, 6000), level=number(0, 0.9), thermostat_c=number(30, CAP_C)
)
returns = st.builds(
    SecondaryReturn, flow_l_per_min=number(0, 4), return_c=number(20, 60), level=number(0.2, 1)
)
drives = st.builds(
    Drive,
    cold_c=number(2, 25),
    ambient_c=number(5, 35),
    draw_l_per_min=st.one_of(st.just(0.0), number(0.01, 15)),
    plate=st.one_of(st.none(), plates),
    coil=st.one_of(st.none(), coils),
    immersion=st.lists(elements, max_size=2).map(tuple),
    secondary_return=st.one_of(st.none(), returns),
)
profiles = st.lists(number(2, CAP_C), min_size=1, max_size=40).map(sorted)


@settings(max_examples=80, deadline=None)
@given(cylinders, profiles, st.lists(st.tuples(drives, number(1, 600)), min_size=1, max_size=3))
def test_energy_is_never_made_and_temperatures_keep_between_their_extremes(
    cylinder: Cylinder, begin: list[float], steps: list[tuple[Drive, float]]
) -> None:
    state = start(cylinder, begin)
    known = [*begin, 20.0] if cylinder.loop_l else begin
    low, high = min(known), max(known)
    for drive, seconds in steps:
        before = state
        state, flows = advance(cylinder, state, drive, seconds)
        gained_kwh = state.stored_kwh - before.stored_kwh
        near_kwh = 1e-9 * max(before.stored_kwh, state.stored_kwh, 1)
        assert gained_kwh == pytest.approx(flows.gained_kwh, abs=near_kwh)
        assert min(flows.plate_kwh, flows.coil_kwh, flows.immersion_kwh) >= 0
        assert flows.drawn_l == pytest.approx(drive.draw_l_per_min / 60 * seconds, abs=1e-6)
        assert flows.return_loss_kwh >= 0
        low = min(low, drive.cold_c, drive.ambient_c)
        returned = drive.secondary_return
        if returned is not None and returned.flow_l_per_min > 0:
            low = min(low, returned.return_c)
        high = max(high, drive.cold_c, drive.ambient_c)
        if drive.plate or drive.coil or drive.immersion:
            high = max(high, CAP_C)
        temperatures = state.temperatures_c
        assert temperatures.min() >= low - 1e-3
        assert temperatures.max() <= high + 1e-3
        assert np.all(np.diff(temperatures) >= -1e-3)
        # Full, but for what warm water contracts by as it mixes while filling the last drop.
        assert state.volumes_l.sum() == pytest.approx(cylinder.volume_l, rel=1e-5)
        if len(flows.parts_c):
            assert flows.parts_c.min() >= low - 1e-3
            assert flows.parts_c.max() <= high + 1e-3


@settings(max_examples=40, deadline=None)
@given(cylinders, profiles, number(2, 20), st.lists(number(0.5, 60), min_size=1, max_size=6))
@example(Cylinder(80.0, 1.0, segments=10), [3.0, 4.0, 5.0, 41.0], 2.0, [25.0])
def test_drawing_never_raises_v40(
    cylinder: Cylinder, begin: list[float], cold_c: float, draws_l: list[float]
) -> None:
    """With mixing, conduction and loss off, segments taken as the plugs that they are."""
    ideal = perfect(cylinder)
    state = start(ideal, begin)
    v40 = state.usable_l(cold_c, graded=False)
    for litres in draws_l:
        state, flows = advance(ideal, state, Drive(cold_c=cold_c, draw_l_per_min=6), litres * 10)
        after = state.usable_l(cold_c, graded=False)
        assert after <= v40 + 1e-6 * ideal.volume_l
        # What left is what is missing: drawing from a layered store wastes nothing.
        assert after + flows.usable_l == pytest.approx(v40, rel=1e-4, abs=1e-4 * ideal.volume_l)
        v40 = after


@settings(max_examples=40, deadline=None)
@given(
    cylinders,
    profiles,
    st.one_of(
        elements.map(lambda e: Drive(immersion=(e,))),
        st.builds(
            lambda b, t: Drive(coil=CoilCharge(5000.0, b, t)), number(0, 0.4), number(0.5, 1)
        ),
    ),
    number(10, 1800),
)
def test_heat_at_fixed_heights_never_lowers_v40(
    cylinder: Cylinder, begin: list[float], drive: Drive, seconds: float
) -> None:
    ideal = perfect(cylinder)
    state = start(ideal, [min(t, 65.0) for t in begin])
    v40 = state.usable_l(10.0, graded=False)
    after, _ = advance(ideal, state, drive, seconds)
    assert after.usable_l(10.0, graded=False) >= v40 - 1e-6 * ideal.volume_l


def test_a_cold_loop_lowers_v40_by_what_mixing_takes() -> None:
    """10 L at 42 degC over cold water; the loop's 3 L at 15 degC come first and spoil it.

    They sink into the hot layer: (10 x 42 + 3 x 15) / 13 = 35.8 degC, no usable water left.
    """
    cylinder = Cylinder(200.0, 1.5, loss_w_per_k=0.0, conductivity_w_per_mk=0.0, loop_l=3.0)
    state = start(cylinder, np.r_[np.full(19, 15.0), 42.0], loop_c=15.0)
    before = state.usable_l(10.0, graded=False)
    assert before == pytest.approx(mixed_l(10.0, 42.0, 10.0), rel=1e-6)
    charge = Drive(plate=PlateCharge(6000.0, 50.0, flow_l_per_min=3.0, controlled=False))
    state, _ = advance(cylinder, state, charge, 59.0)
    assert state.usable_l(10.0, graded=False) == 0.0
    assert profile(cylinder, state, 200)[-1] == pytest.approx((10 * 42 + 3 * 15) / 13, abs=0.1)


def test_a_fixed_flow_loop_lowers_v40_by_what_mixing_takes() -> None:
    """20 L at 45 degC; 4 kW at 10 L/min makes 20 L of 20.7 degC water that sinks through it."""
    cylinder = Cylinder(200.0, 1.5, loss_w_per_k=0.0, conductivity_w_per_mk=0.0)
    state = start(cylinder, np.r_[np.full(18, 15.0), 45.0, 45.0])
    assert state.usable_l(10.0) > 20.0
    charge = Drive(plate=PlateCharge(4000.0, 55.0, flow_l_per_min=10.0, controlled=False))
    state, flows = advance(cylinder, state, charge, 120.0)
    assert flows.plate_kwh == pytest.approx(4 / 30)
    assert state.usable_l(10.0, graded=False) == 0.0
    warm_c = 15.0 + 4000 / (10 / 60 * 0.9991 * 4188)
    assert profile(cylinder, state, 200)[-10:] == pytest.approx(
        np.full(10, (20 * 45 + 20 * warm_c) / 40), abs=0.4
    )


def test_refinement_converges() -> None:
    """Twice the segments come nearer to the same answer, for each way of moving heat."""
    for drive, seconds in (
        (Drive(draw_l_per_min=8.0), 900.0),
        (Drive(plate=PlateCharge(8000.0, 55.0)), 1800.0),
        (Drive(immersion=(ImmersionHeat(3000.0, 0.3),)), 3600.0),
        (Drive(), 6 * 3600.0),
    ):
        found = {}
        for segments in (10, 20, 40, 80, 320):
            cylinder = Cylinder(250.0, 1.5, inlet_mixing_l=15.0, segments=segments)
            state = start(cylinder, np.r_[np.full(10, 12.0), np.full(10, 55.0)])
            state, _ = advance(cylinder, state, drive, seconds)
            found[segments] = profile(cylinder, state, 10)
        errors = [float(np.sqrt(np.mean((found[n] - found[320]) ** 2))) for n in (10, 20, 40, 80)]
        assert errors[2] < 0.35
        assert errors[3] < 0.25
        assert max(errors[2:]) <= errors[0]
