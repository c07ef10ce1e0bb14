"""A step may be as long as its inputs stay constant: long steps against one-second steps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from service.cylinder.drive import CoilCharge, Drive, ImmersionHeat, PlateCharge, SecondaryReturn
from service.cylinder.geometry import Cylinder
from service.cylinder.model import advance, profile, start
from service.cylinder.usable import v40_l

PLAIN = Cylinder(250.0, 1.5, loss_w_per_k=1.8)
REAL = replace(
    PLAIN,
    inlet_mixing_l=25.0,
    plate_mixing_l=10.0,
    loop_l=3.0,
    loop_loss_w_per_k=0.4,
    conductivity_w_per_mk=0.9,
)
HALF = np.r_[np.full(20, 10.0), np.full(20, 55.0)]
GRADED = np.linspace(12.0, 58.0, 40)

CASES = {
    "draw": (PLAIN, 60.0, Drive(draw_l_per_min=9.0), 600),
    "draw with inlet mixing": (REAL, 60.0, Drive(draw_l_per_min=9.0), 600),
    "drip": (PLAIN, GRADED, Drive(draw_l_per_min=0.5), 600),
    "idle": (REAL, GRADED, Drive(ambient_c=25.0), 600),
    "plate": (PLAIN, HALF, Drive(plate=PlateCharge(8000.0, 55.0)), 600),
    "plate with a cold loop": (REAL, HALF, Drive(plate=PlateCharge(8000.0, 55.0)), 600),
    "plate at fixed flow": (
        REAL,
        12.0,
        Drive(
            plate=PlateCharge(
                8000.0,
                60.0,
                flow_l_per_min=10.0,
                controlled=False,
                primary_c=58.0,
                ua_w_per_k=1500.0,
                primary_l_per_min=20.0,
            )
        ),
        600,
    ),
    "coil": (PLAIN, HALF, Drive(coil=CoilCharge(7000.0, 0.05, 0.45)), 600),
    "coil by UA": (
        PLAIN,
        12.0,
        Drive(coil=CoilCharge(9000.0, 0.05, 0.45, flow_c=60.0, ua_w_per_k=600.0)),
        600,
    ),
    "immersion": (PLAIN, HALF, Drive(immersion=(ImmersionHeat(3000.0, 0.3),)), 600),
    "secondary return": (PLAIN, HALF, Drive(secondary_return=SecondaryReturn(2.0, 48.0, 0.8)), 600),
    "draw while charging": (
        REAL,
        HALF,
        Drive(draw_l_per_min=10.0, plate=PlateCharge(8000.0, 55.0)),
        400,
    ),
    "draw while heating": (
        PLAIN,
        HALF,
        Drive(draw_l_per_min=8.0, immersion=(ImmersionHeat(3000.0, 0.5),)),
        400,
    ),
}
# Where circulated water sinks onto a front it keeps it sharp on one side, the more the shorter
# the steps; a hundredth of a layer (0.4 mm) of its place is allowed there.
SHIFT_LAYERS = {"secondary return": 0.01}


@pytest.mark.parametrize("case", CASES)
def test_one_step_is_as_good_as_many(case: str) -> None:
    """Within 0.1 K and 0.5 % of V40 of one-second steps.

    Where water moves, the reference has a column twice as fine: a thousand one-second steps on
    a coarse one mix by what they merge, which a long step does not.
    """
    cylinder, begin, drive, seconds = CASES[case]
    once, _ = advance(cylinder, start(cylinder, begin, loop_c=15.0), drive, float(seconds))
    moves = drive.draw_l_per_min > 0 or drive.plate or drive.secondary_return
    fine = replace(cylinder, segments=80 if moves else 40)
    many = start(fine, begin, loop_c=15.0)
    for _ in range(seconds):
        many, _ = advance(fine, many, drive, 1.0)
    one, other = profile(cylinder, once), profile(cylinder, many)
    steepness = np.abs(np.gradient(other))
    assert np.all(np.abs(one - other) <= 0.1 + SHIFT_LAYERS.get(case, 0.0) * steepness)
    volumes = cylinder.layer_volumes_l(40)
    v40 = float(v40_l(other, volumes, 10.0))
    assert float(v40_l(one, volumes, 10.0)) == pytest.approx(v40, rel=5e-3, abs=0.05)
