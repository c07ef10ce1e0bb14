"""Faults and hygiene: what the water at each probe lived through since a disinfection passed."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np

from service.cylinder.hygiene import HygieneTally
from service.pages import care
from service.pages.local import Local
from service.records.records import Records
from tests.browser import fake_house

SETTINGS = fake_house.settings("4 Mill Lane, Upper Fennick")
LOCAL = Local(SETTINGS.wiring.zone_info, "EUR", fake_house.NOW)


def test_a_disinfection_is_due_when_it_was_due_however_old_the_page_is(tmp_path: Path):
    """Control last looked two hours ago: what is due then is not due two hours later by that."""
    view = fake_house.lived_in([])
    due = fake_house.NOW + timedelta(hours=20)
    seen = fake_house.NOW - timedelta(hours=2)
    hygiene = view.hygiene | {"due_at": due.isoformat(timespec="seconds"), "due_in_h": 22.0}
    house = fake_house.FakeHouse(SETTINGS, replace(view, at=seen, hygiene=hygiene))
    records = Records.open(f"sqlite:///{tmp_path}/ladle.sqlite")
    try:
        page = care.content("mill-lane", house, records, LOCAL)
    finally:
        records.close()
    assert page["lead"].endswith(f"the next thermal disinfection is due by {LOCAL.moment(due)}.")
    assert dict(page["hygiene"])["Next due by"] == LOCAL.moment(due)


def test_each_probes_height_has_its_own_hours_from_the_top_down(tmp_path: Path):
    """Half lukewarm at 30, half at 57 degC for ten hours; a cylinder's volume drawn meanwhile."""
    view = fake_house.lived_in([])
    layers = len(view.profile_c)
    cylinder = SETTINGS.wiring.cylinder
    warm = np.where(np.arange(layers) < layers // 2, 30.0, 57.0)
    tally = HygieneTally.empty(layers).advanced(warm, 36_000.0, cylinder.volume_l)
    house = fake_house.FakeHouse(SETTINGS, replace(view, tally=tally))
    records = Records.open(f"sqlite:///{tmp_path}/ladle.sqlite")
    try:
        shown = care.content("mill-lane", house, records, LOCAL)["layers"]
    finally:
        records.close()
    heights = [float(row[0].split("\u00a0")[0]) for row in shown]
    assert heights == sorted(heights, reverse=True)
    top, bottom = shown[0], shown[-1]
    assert top[1:5] == ("0.0", "10.0", "10.0", "0.0")
    assert bottom[1:5] == ("10.0", "0.0", "0.0", "0.0")
    assert float(bottom[6]) > float(top[6]) >= 1.0, "fresh water comes in below"
    # a D value of 2 min at 60 degC and z of 5.29 K, as cylinder/hygiene.py cites them
    assert float(top[5]) == round(600.0 / (2.0 * 10 ** (3.0 / 5.29)), 1)
