"""A snapshot and what arrived since give the state of an uninterrupted run."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any, TypeVar

import numpy as np
import pytest
from typing_extensions import TypeAliasType

from service.control import snapshot
from service.control.snapshot import SnapshotRefused
from service.control.state import DrawWatch, State, changed
from service.control.step import step
from service.control.types import Inputs
from tests.control_plant import CHEAP_NIGHT, MONDAY, LittleHome, habits, settings, showers, wiring


def _without_what_is_asked_anew(state: State) -> dict[str, Any]:
    plain = snapshot.to_plain(state)
    plain.pop("planning")
    return plain


@pytest.fixture(scope="module")
def home() -> LittleHome:
    made = LittleHome(
        settings({"tariff": CHEAP_NIGHT, "replan_every_slots": 12}),
        profile_c=[12.0] * 24 + [50.0] * 16,
        draws=showers,
        history=habits(21, MONDAY),
        every_s=120.0,
    )
    made.live(5400)
    return made


def test_arrays_are_kept_also_where_their_type_is_an_alias_of_its_own() -> None:
    # as numpy's NDArray is from Python 3.12 on (PEP 695)
    kind = TypeVar("kind", bound=np.generic)
    alias = TypeAliasType("alias", np.ndarray[tuple[Any, ...], np.dtype[kind]], type_params=(kind,))
    write, read = snapshot._codec(alias[np.float64])
    assert read(json.loads(json.dumps(write(np.array([0.5, 1.5]))))).tolist() == [0.5, 1.5]


def test_reads_back_as_it_was_and_stays_below_60_kb(home: LittleHome) -> None:
    plain = snapshot.to_plain(home.state)
    text = json.dumps(plain, separators=(",", ":"))
    assert len(text) < 60_000
    assert snapshot.to_plain(snapshot.from_plain(json.loads(text))) == plain


def test_snapshot_and_the_readings_since_equal_an_uninterrupted_run(home: LittleHome) -> None:
    state = home.state
    restored = snapshot.from_plain(json.loads(json.dumps(snapshot.to_plain(state))))
    # No work comes back in this stretch, in either of the two.
    state = replace(state, model=None, demand=None)
    live = replace(home, every_s=20.0)
    live.state, live.water, live.now, live.elapsed_s = state, home.water, home.now, home.elapsed_s
    for _ in range(60):
        live._plant(20.0)
        live.now += (home.now - home.now).__class__(seconds=20)
        live.elapsed_s += 20.0
        readings = live.readings()
        state, _ = step(state, live.settings, Inputs(readings=readings), live.now, live.elapsed_s)
        restored, _ = step(
            restored, live.settings, Inputs(readings=readings), live.now, live.elapsed_s
        )
    one, other = _without_what_is_asked_anew(state), _without_what_is_asked_anew(restored)
    for key, value in one.items():
        assert other[key] == value, key


def test_a_meter_that_has_counted_nothing_yet_is_kept_as_json_knows_it() -> None:
    """RFC 8259, section 6: numbers such as Infinity and NaN are not permitted."""
    total = {"name": "total", "measures": "heat_pump_heat", "unit": "kWh", "topic": "t"}
    made = LittleHome(settings(signals=[*wiring()["signals"], total]), plans=False)
    made.step((*made.readings(), made.reading("total", 0.0)))
    made.live(60)
    text = json.dumps(snapshot.to_plain(made.state), allow_nan=False)
    assert snapshot.from_plain(json.loads(text)).meters == made.state.meters
    before = json.loads(text)
    before["meters"]["total"]["grain"] = float("inf")  # as memories were written until now
    assert snapshot.from_plain(json.loads(json.dumps(before))).meters == made.state.meters


def test_another_version_or_a_damaged_one_is_refused(home: LittleHome) -> None:
    plain = snapshot.to_plain(home.state)
    with pytest.raises(SnapshotRefused, match="version"):
        snapshot.from_plain({**plain, "version": 99})
    with pytest.raises(SnapshotRefused, match="damaged"):
        snapshot.from_plain({**plain, "belief": 7})
    with pytest.raises(SnapshotRefused):
        snapshot.from_plain({})


def test_a_field_that_is_not_there_is_not_changed() -> None:
    with pytest.raises(TypeError, match="DrawWatch has no litre"):
        changed(DrawWatch(), litre=1.0)
