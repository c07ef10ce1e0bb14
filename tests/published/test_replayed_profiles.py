"""The tapping profiles that a replay draws are the published ones (see ``tapping_profiles``)."""

from datetime import date
from zoneinfo import ZoneInfo

import pytest

from service.simulation import tapping
from tests.published import tapping_profiles as published

TABLES = {"S": published.S, "M": published.M, "L": published.L, "XL": published.XL}
QREF_KWH = {"S": 2.1, "M": 5.845, "L": 11.655, "XL": 19.07}  # Reg. (EU) 812/2013, Annex VII


@pytest.mark.parametrize("name", TABLES)
def test_times_energies_flows_and_temperatures(name: str) -> None:
    ours = [(round(t.hour * 60), t.kwh, t.flow_l_per_min, t.use_c) for t in tapping.PROFILES[name]]
    theirs = [(60 * d.hour + d.minute, d.kwh, d.l_per_min, d.use_c) for d in TABLES[name]]
    assert ours == theirs


@pytest.mark.parametrize("name", TABLES)
def test_a_day_carries_its_reference_energy(name: str) -> None:
    drawn = tapping.draws(name, date(2026, 3, 2), 1, ZoneInfo("UTC"))
    kwh = sum(d.litres_40c for d in drawn) * 1.163e-3 * 30.0
    assert kwh == pytest.approx(QREF_KWH[name], abs=1e-9)
