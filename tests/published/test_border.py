"""What the border between hot and cold water costs, against the solution of the heat equation."""

from __future__ import annotations

import math

import pytest
from scipy.special import erfc, erfcinv

from service.control import plant as plants
from service.control.plant import BORDER_S
from service.cylinder.usable import REFERENCE_COLD_C, USE_C
from service.settings import HomeSettings, HomeWiring, Tunables
from tests.control_plant import wiring

# Of water at 25 to 50 degC: conductivity 0.606 to 0.640 W/(m K), density 997 to 988 kg/m3,
# specific heat 4.18 kJ/(kg K) (IAPWS R15-11 and R6-95(2018)).
DIFFUSIVITY_M2_PER_S = 0.62 / (993.0 * 4180.0)


@pytest.mark.parametrize(("volume_l", "height_m"), [(150.0, 1.3), (300.0, 1.6)])
def test_border_is_that_of_two_half_spaces(volume_l: float, height_m: float) -> None:
    """Carslaw and Jaeger, Conduction of Heat in Solids, 2.4: two half spaces brought together.

    Hot water at T above a sharp border to cold water has cooled to Tc + (T - Tc) / 2 erfc(x / 2
    sqrt(D t)) at x below it. Usable is what is still at 40 degC or above, in litres at 40 degC.
    Without standing loss, which the plan counts apart.
    """
    plain = wiring()
    plain["cylinder"] |= {
        "volume_l": volume_l,
        "height_m": height_m,
        "standing_loss_kwh_per_day": 0.01,
    }
    settings = HomeSettings(
        wiring=HomeWiring.model_validate(plain), tunables=Tunables(normal_set_c=50.0)
    )
    rise = 50.0 - REFERENCE_COLD_C
    # 40 degC has climbed to x = -edge; with erfc(-edge) = 2 (40 - Tc) / rise, in widths
    width_m = 2.0 * math.sqrt(DIFFUSIVITY_M2_PER_S * BORDER_S)
    edge = -float(erfcinv(2.0 * (USE_C - REFERENCE_COLD_C) / rise))
    # what the half space above the edge has lost, and what lies between edge and border
    above = (math.exp(-(edge**2)) / math.sqrt(math.pi) - edge * float(erfc(edge))) / 2.0
    lost_km = rise * width_m * (edge + above)
    area_m2 = volume_l / 1000.0 / height_m
    lost_l40 = 1000.0 * area_m2 * lost_km / (USE_C - REFERENCE_COLD_C)
    found = plants.of(settings).border_l40_per_h * BORDER_S / 3600.0
    assert found == pytest.approx(lost_l40, rel=0.1)
