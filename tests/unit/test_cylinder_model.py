"""The cylinder model's conditions, refusals and read-outs."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from service.cylinder.drive import (
    CoilCharge,
    Drive,
    ImmersionHeat,
    PlateCharge,
    SecondaryReturn,
    Until,
)
from service.cylinder.geometry import Cylinder
from service.cylinder.model import advance, profile, start, temperature_at, temperatures_at
from service.cylinder.segments import entered_under, heat_kj, mass_kg, segment

CYLINDER = Cylinder(200.0, 1.5, loss_w_per_k=1.5)


def test_a_step_ends_when_a_thermostat_cuts_off() -> None:
    drive = Drive(immersion=(ImmersionHeat(3000.0, 0.4),))
    off = Until(0.5, "at_least", 50.0)
    state, flows = advance(CYLINDER, start(CYLINDER, 20.0), drive, 6 * 3600.0, until=(off,))
    assert flows.stopped_by == off
    # 120 L warmed by 30 K with 3 kW.
    assert flows.duration_s == pytest.approx(120 * 30 * 1.16 / 3000 * 3600, rel=0.03)
    assert temperature_at(CYLINDER, state, 0.5) == pytest.approx(50.0, abs=0.02)
    # The same time without the condition is the same step.
    again, other = advance(CYLINDER, start(CYLINDER, 20.0), drive, flows.duration_s)
    assert other.immersion_kwh == pytest.approx(flows.immersion_kwh)
    assert profile(CYLINDER, again) == pytest.approx(profile(CYLINDER, state), abs=0.3)


def test_a_condition_met_at_once_does_nothing() -> None:
    state = start(CYLINDER, 55.0)
    off = Until(0.9, "at_least", 50.0)
    after, flows = advance(CYLINDER, state, Drive(draw_l_per_min=10), 600.0, until=(off,))
    assert after is state
    assert (flows.duration_s, flows.drawn_l, flows.stopped_by) == (0.0, 0.0, off)
    assert flows.gained_kwh == 0.0
    assert after == state


@pytest.mark.parametrize("duration_s", [1e-12, 1e-7, 1e-5])
def test_a_moment_is_a_step_too(duration_s: float) -> None:
    for drive in (Drive(), Drive(draw_l_per_min=6.0), Drive(immersion=(ImmersionHeat(3e3, 0.4),))):
        state, flows = advance(CYLINDER, start(CYLINDER, 55.0), drive, duration_s)
        assert state.stored_kwh == pytest.approx(start(CYLINDER, 55.0).stored_kwh, rel=1e-6)
        assert flows.drawn_l == pytest.approx(drive.draw_l_per_min / 60 * duration_s, abs=1e-9)


@pytest.mark.parametrize("tanks", [1, 4, 31])
@pytest.mark.parametrize("kg", [1e-14, 1e-12, 1e-9, 1e-3, 1.0])
def test_a_trickle_into_a_mixed_zone_is_no_hotter_than_what_it_meets(tanks: int, kg: float) -> None:
    held = [segment(1.7, h) for h in np.linspace(130.0, 330.0, 117).tolist()]
    after = entered_under(held, [segment(kg, 41.7)], mass_kg(held), tanks, 5.0)
    enthalpies = [part[1] for part in after]
    assert min(enthalpies) >= 41.7
    assert max(enthalpies) <= 330.0 + 1e-9
    assert heat_kj(after) == pytest.approx(heat_kj(held) + 41.7 * kg, rel=1e-13)


@pytest.mark.parametrize("mixing_l", [1e-3, 1e-10])
def test_a_thin_mixing_zone_is_as_good_as_none(mixing_l: float) -> None:
    """And takes no longer: a millilitre was once filled a hundred thousand times."""
    drive, found = Drive(draw_l_per_min=6.0), []
    for zone_l in (0.0, mixing_l):
        cylinder = replace(CYLINDER, inlet_mixing_l=zone_l, inlet_tanks=31)
        state, _ = advance(cylinder, start(cylinder, 60.0), drive, 600.0)
        assert len(state.water) < 80
        found.append(profile(cylinder, state))
    assert found[0] == pytest.approx(found[1], abs=0.15)


def test_a_condition_never_met_runs_out_the_time() -> None:
    _, flows = advance(
        CYLINDER, start(CYLINDER, 55.0), Drive(), 600.0, until=(Until(0.5, "at_most", 20.0),)
    )
    assert flows.duration_s == 600.0
    assert flows.stopped_by is None


def test_the_first_of_several_conditions_is_named() -> None:
    empty = Until(0.9, "at_most", 40.0)
    half = Until(0.5, "at_most", 40.0)
    _, flows = advance(
        CYLINDER, start(CYLINDER, 55.0), Drive(draw_l_per_min=10), 3600.0, until=(empty, half)
    )
    assert flows.stopped_by == half
    assert flows.drawn_l == pytest.approx(100.0, abs=3.0)


def test_a_thermostat_on_the_element_holds_its_setting() -> None:
    drive = Drive(immersion=(ImmersionHeat(3000.0, 0.0, thermostat_c=60.0),))
    state, flows = advance(CYLINDER, start(CYLINDER, 58.0), drive, 12 * 3600.0)
    assert profile(CYLINDER, state).max() == pytest.approx(60.0, abs=0.01)
    assert profile(CYLINDER, state, 1)[0] == pytest.approx(60.0, abs=0.3)
    assert flows.immersion_kwh < 1.5


def test_a_controlled_plate_stops_circulating_at_its_target() -> None:
    drive = Drive(plate=PlateCharge(8000.0, 50.0))
    _, flows = advance(CYLINDER, start(CYLINDER, 56.0), drive, 3600.0)
    # But for the drop of cold water that fills what contracted as the cylinder cooled.
    assert flows.circulated_kg <= -1.01 * flows.expansion_kg
    assert flows.plate_kwh <= -flows.expansion_kg * 41 * 4.19 / 3600


def test_a_pump_without_heat_stirs() -> None:
    drive = Drive(plate=PlateCharge(0.0, 55.0, flow_l_per_min=10.0, controlled=False))
    begin = np.r_[np.full(20, 10.0), np.full(20, 55.0)]
    state, flows = advance(CYLINDER, start(CYLINDER, begin), drive, 1200.0)
    assert flows.plate_kwh == 0.0
    assert flows.circulated_kg == pytest.approx(200.0, rel=0.02)
    assert np.ptp(profile(CYLINDER, state)) < 8.0


def test_an_upturned_profile_overturns_at_once() -> None:
    state = start(CYLINDER, [60.0, 20.0])
    found = profile(CYLINDER, state)
    assert np.ptp(found) == pytest.approx(0.0, abs=1e-9)
    assert found[0] == pytest.approx(40.0, abs=0.3)
    assert state.volumes_l.sum() == pytest.approx(CYLINDER.volume_l, rel=1e-9)  # and it is full
    _, flows = advance(CYLINDER, state, Drive(ambient_c=float(found[0])), 1.0)
    assert flows.expansion_kg == pytest.approx(0.0, abs=1e-3)


def test_profiles_of_any_number_of_layers_hold_the_same_heat() -> None:
    begin = np.linspace(12.0, 58.0, 17)
    state = start(CYLINDER, begin)
    assert profile(CYLINDER, state, 17) == pytest.approx(begin, abs=2e-3)
    for layers in (1, 3, 40, 100):
        assert profile(CYLINDER, state, layers).mean() == pytest.approx(35.0, abs=0.35)
    probes = temperatures_at(CYLINDER, state, np.array([0.0, 0.5, 1.0]))
    assert probes == pytest.approx([12.0, 35.0, 58.0], abs=0.3)


def test_the_outlet_is_nan_when_nothing_is_drawn() -> None:
    _, flows = advance(CYLINDER, start(CYLINDER, 55.0), Drive(), 60.0)
    assert math.isnan(flows.outlet_c)


def test_the_loop_cools_to_ambient_and_is_counted() -> None:
    cylinder = replace(CYLINDER, loop_l=3.0, loop_loss_w_per_k=1.0)
    state = start(cylinder, 55.0, loop_c=50.0)
    after, flows = advance(cylinder, state, Drive(ambient_c=20.0), 24 * 3600.0)
    assert after.loop_c[0] == pytest.approx(20.1, abs=0.2)
    assert flows.loop_loss_kwh == pytest.approx(3.0 * 30 * 1.163e-3, rel=0.02)


@pytest.mark.parametrize(
    ("make", "match"),
    [
        (lambda: Drive(draw_l_per_min=-1.0), "draw_l_per_min"),
        (lambda: Drive(draw_l_per_min=math.nan), "draw_l_per_min"),
        (lambda: Drive(cold_c=-3.0), "cold_c"),
        (lambda: Drive(cold_c=45.0), "use_c"),
        (lambda: PlateCharge(-1.0, 55.0), "plate.heat_w"),
        (lambda: PlateCharge(1000.0, 155.0), "plate.outlet_c"),
        (lambda: PlateCharge(1000.0, 55.0, primary_c=-5.0), "plate.primary_c"),
        (lambda: PlateCharge(1000.0, 55.0, ua_w_per_k=math.nan), "plate.ua_w_per_k"),
        (lambda: PlateCharge(1e3, 55.0, primary_l_per_min=0.0), "plate.primary_l_per_min"),
        (lambda: CoilCharge(1000.0, 0.6, 0.4), "coil.top"),
        (lambda: CoilCharge(1000.0, 0.1, 0.4, 60.0, -100.0), "coil.ua_w_per_k"),
        (lambda: CoilCharge(1000.0, 0.1, 0.4, None, 500.0), "without coil.flow_c"),
        (lambda: Drive(use_c=math.inf), "use_c"),
        (lambda: Until(1.5, "at_least", 50.0), "until.level"),
        (lambda: Until(0.5, "at_least", math.nan), "until.temperature_c"),
        (lambda: ImmersionHeat(1000.0, 1.2), "immersion.level"),
        (lambda: SecondaryReturn(2.0, 48.0, 1.2), "secondary_return.level"),
        (lambda: SecondaryReturn(2.0, 48.0, 0.5, 1.2), "secondary_return.loss_share"),
    ],
)
def test_impossible_inputs_are_refused_by_name(make: Callable[[], object], match: str) -> None:
    with pytest.raises(ValueError, match=match):
        make()


def test_impossible_profiles_and_times_are_refused() -> None:
    with pytest.raises(ValueError, match="0 to 100 degC"):
        start(CYLINDER, [20.0, 140.0])
    with pytest.raises(ValueError, match="0 to 100 degC"):
        start(replace(CYLINDER, loop_l=3.0), 20.0, loop_c=math.nan)
    with pytest.raises(ValueError, match="duration_s"):
        advance(CYLINDER, start(CYLINDER, 20.0), Drive(), -1.0)
