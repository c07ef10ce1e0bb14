"""Charging against the physics of exchangers (package ht), energy, and trade experience."""

from __future__ import annotations

import ht
import numpy as np
import pytest

from service.cylinder.drive import CoilCharge, Drive, ImmersionHeat, PlateCharge, Until
from service.cylinder.geometry import Cylinder
from service.cylinder.model import advance, profile, start
from service.cylinder.sources import effectiveness


@pytest.mark.parametrize("litres_per_kw", [20.0, 25.0])
@pytest.mark.parametrize("how", ["plate", "coil", "immersion"])
def test_reheat_takes_an_hour_to_an_hour_twenty(litres_per_kw: float, how: str) -> None:
    """Common practice, no source: 20 to 25 L per kW reheat from 10 to 55 degC in 60 to 80 min."""
    cylinder = Cylinder(200.0, 1.5, loss_w_per_k=1.5)
    heat_w = 1000 * 200.0 / litres_per_kw
    drive = {
        "plate": Drive(plate=PlateCharge(heat_w, 55.0, flow_l_per_min=20)),
        "coil": Drive(coil=CoilCharge(heat_w, 0.0, 0.5)),
        "immersion": Drive(immersion=(ImmersionHeat(heat_w, 0.0),)),
    }[how]
    _, flows = advance(
        cylinder, start(cylinder, 10.0), drive, 7200.0, until=(Until(0.01, "at_least", 54.5),)
    )
    assert flows.stopped_by is not None
    assert 60 <= flows.duration_s / 60 <= 80


@pytest.mark.parametrize("ntu", [0.3, 1.0, 2.0, 3.0, 6.0])
@pytest.mark.parametrize("ratio", [0.0, 0.2, 0.5, 0.9, 1.0])
def test_effectiveness_of_a_counterflow_exchanger(ntu: float, ratio: float) -> None:
    """Package ht; among its values NTU 1, 2, 3 with Cr 1: 0.5, 0.6667, 0.75."""
    theirs = ht.effectiveness_from_NTU(NTU=ntu, Cr=ratio, subtype="counterflow")
    assert float(effectiveness(ntu, ratio)) == pytest.approx(theirs, rel=1e-9)


def test_an_endless_exchanger_passes_all_and_an_impossible_one_is_refused() -> None:
    """The limit of the same formula: 1 for any ratio of capacity flows."""
    assert effectiveness(np.inf, np.array([0.0, 0.5, 1.0])) == pytest.approx(np.ones(3))
    for ntu, ratio in ((-1.0, 0.5), (1.0, 1.5), (np.nan, 0.5)):
        with pytest.raises(ValueError, match="NTU"):
            effectiveness(ntu, ratio)


@pytest.mark.parametrize("controlled", [False, True])
def test_a_plate_charge_gives_what_its_exchanger_passes(controlled: bool) -> None:
    """Heat per second equals UA times ht's LMTD of the four temperatures, by two routes."""
    cylinder = Cylinder(300.0, 1.7, loss_w_per_k=0.0)
    charge = PlateCharge(
        heat_w=1e5,
        outlet_c=99.0,
        flow_l_per_min=6.0,
        controlled=controlled,
        primary_c=55.0,
        ua_w_per_k=600.0,
        primary_l_per_min=16.0,
    )
    _, flows = advance(cylinder, start(cylinder, 15.0), Drive(plate=charge), 60.0)
    heat_w = flows.plate_kwh * 3.6e6 / 60.0
    out_c = 15.0 + heat_w / (6.0 / 60 * 999.1e-3 * 4185)  # water at 15 degC, mean to 45
    back_c = 55.0 - heat_w / (16.0 / 60 * 985.7e-3 * 4183)
    lmtd = ht.LMTD(Thi=55.0, Tho=back_c, Tci=15.0, Tco=out_c)
    assert heat_w == pytest.approx(600.0 * lmtd, rel=5e-3)


@pytest.mark.parametrize("primary_l_per_min", [None, 16.0])
def test_a_controlled_charge_holds_its_outlet_with_a_small_exchanger(
    primary_l_per_min: float | None,
) -> None:
    """20 kW offered through 300 W/K, 60 degC against 10: the flow falls until 55 degC come out.

    Without a limit of the primary flow by hand: 1 - exp(-UA / C) = 45 / 50, C = 130 W/K, 5.9 kW,
    with one specific heat; that of water at 10 degC is 0.4 % above the mean up to 55.
    """
    cylinder = Cylinder(300.0, 1.7, loss_w_per_k=0.0, conductivity_w_per_mk=0.0)
    charge = PlateCharge(
        2e4, 55.0, 30.0, primary_c=60.0, ua_w_per_k=300.0, primary_l_per_min=primary_l_per_min
    )
    state, flows = advance(cylinder, start(cylinder, 10.0), Drive(plate=charge), 600.0)
    assert state.top_c == pytest.approx(55.0, abs=0.2)
    heat_w = flows.plate_kwh * 3.6e6 / 600.0
    if primary_l_per_min is None:
        assert heat_w == pytest.approx(130.3 * 45.0, rel=1e-2)
    else:
        back_c = 60.0 - heat_w / (primary_l_per_min / 60 * 983.2e-3 * 4185)
        lmtd = ht.LMTD(Thi=60.0, Tho=back_c, Tci=10.0, Tco=55.0)
        assert heat_w == pytest.approx(300.0 * lmtd, rel=1e-2)
    _, flows = advance(cylinder, start(cylinder, 58.0), Drive(plate=charge), 600.0)
    assert flows.circulated_kg == 0.0  # it is hot already


def test_a_controlled_charge_stacks_hot_water_from_the_top() -> None:
    """6 kW for an hour is 6 kWh: 115 L warmed from 10 to 55 degC (51.53 Wh per hot litre)."""
    cylinder = Cylinder(200.0, 1.5, loss_w_per_k=0.0, conductivity_w_per_mk=0.0)
    drive = Drive(plate=PlateCharge(6000.0, 55.0))
    state, flows = advance(cylinder, start(cylinder, 10.0), drive, 3600.0)
    assert flows.plate_kwh == pytest.approx(6.0, rel=1e-9)
    found = profile(cylinder, state, 200)
    assert np.sum(found > 54.9) == pytest.approx(6000 / 51.533, abs=1.5)
    assert np.sum(found < 10.1) == pytest.approx(200 - 6000 / 51.533, abs=1.5)


def test_an_immersion_heater_warms_nothing_below_it() -> None:
    """3 kW for 2 h above the middle of 200 L: 6 kWh in 100 L, a rise of 52 K (1.163 Wh/(L K))."""
    cylinder = Cylinder(200.0, 1.5, loss_w_per_k=0.0, conductivity_w_per_mk=0.0)
    drive = Drive(immersion=(ImmersionHeat(3000.0, 0.5),))
    state, flows = advance(cylinder, start(cylinder, 10.0), drive, 7200.0)
    assert flows.immersion_kwh == pytest.approx(6.0, rel=1e-9)
    found = profile(cylinder, state, 40)
    assert found[:19] == pytest.approx(np.full(19, 10.0), abs=1e-6)
    # Water that expanded has pushed 1.5 L of warm water below the heater.
    assert found[20:] == pytest.approx(np.full(20, 62.0), abs=1.0)
    assert np.ptp(found[20:]) < 1e-6


def test_a_fully_warmed_cylinder_expands_by_its_density() -> None:
    """10 to 60 degC: 999.70 to 983.20 kg/m3 (IAPWS), so 1.65 % of the mass leaves by name."""
    cylinder = Cylinder(200.0, 1.5, loss_w_per_k=0.0)
    drive = Drive(immersion=(ImmersionHeat(6000.0, 0.0, thermostat_c=60.0),))
    state, flows = advance(cylinder, start(cylinder, 10.0), drive, 3 * 3600.0)
    assert profile(cylinder, state, 1)[0] == pytest.approx(60.0, abs=0.1)
    assert flows.expansion_kg == pytest.approx(200 * (0.999702 - 0.983196), rel=5e-3)
