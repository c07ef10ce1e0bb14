"""Each fault of a probe is named, on the right probe, and the rest carry on."""

from collections.abc import Callable
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from service.cylinder import estimator, model
from service.cylinder import estimator_faults as faults
from service.cylinder.drive import Drive, PlateCharge
from service.cylinder.geometry import Cylinder
from service.cylinder.usable import v40_l
from tests.published.independent import Case, cases, replay
from tests.published.independent.drive import tank

EVERY = 5
BEGIN = 300
Shown = NDArray[np.float64]
NAMES = ["p1", "p2", "p3", "p4", "p5"]
LEVELS = np.array(list(replay.probe_levels(5).values()))


def two_days() -> Case:
    return next(c for c in cases("tuning") if c.name == "tuning-plate")


def sound(case: Case, shown: Shown) -> Shown:
    return shown


def stuck(case: Case, shown: Shown) -> Shown:
    shown[BEGIN:, 2] = shown[BEGIN, 2]
    return shown


def jumping(case: Case, shown: Shown) -> Shown:
    chance = np.random.default_rng(4)
    hit = chance.random(len(shown)) < 0.1
    hit[:BEGIN] = False
    shown[hit, 2] += 20.0
    return shown


def broken(case: Case, shown: Shown) -> Shown:
    shown[BEGIN:, 2] = -127.0
    return shown


def silent(case: Case, shown: Shown) -> Shown:
    shown[BEGIN:, 2] = np.nan
    return shown


def swapped(case: Case, shown: Shown) -> Shown:
    return shown[:, [0, 3, 2, 1, 4]]


def too_low(case: Case, shown: Shown) -> Shown:
    moved = LEVELS.copy()
    moved[3] = 0.45
    return replay.readings(case, moved, 7)


@cache
def live(
    change: Callable[[Case, Shown], Shown], minutes: int = 1600
) -> tuple[estimator.Estimate, float]:
    case = two_days()
    shown = change(case, replay.readings(case, LEVELS, 7))
    state = None
    for minute, seen in replay.observations(case, shown, NAMES, every=EVERY):
        if minute > minutes:
            break
        if state is None:
            state = estimator.start(tank(case, 80), dict(zip(NAMES, LEVELS, strict=True)), seen)
        else:
            state = estimator.advance(state, seen, 60.0 * EVERY)
    assert state is not None
    return estimator.estimate(state, 10.0), float(replay.true_v40_l(case)[minutes])


def test_sound_probes_with_offsets_are_not_accused() -> None:
    def off(case: Case, shown: Shown) -> Shown:
        return shown + np.array([0.8, -0.6, 0.0, 0.7, -0.8])

    for change in (sound, off):
        found, _ = live(change, 2400)
        assert found.probe_faults == ()
        assert found.probes_used == tuple(NAMES)


@pytest.mark.parametrize(
    ("change", "code", "probes", "fact"),
    [
        (stuck, "stuck", {"p3"}, "expected_from_c"),
        (jumping, "jumping", {"p3"}, "jumps"),
        (broken, "open_circuit", {"p3"}, "reading_c"),
        (silent, "silent", {"p3"}, "unheard_s"),
        (swapped, "swapped", {"p2", "p4"}, "with"),
        (too_low, "wrong_height", {"p4"}, "level"),
    ],
)
def test_a_fault_is_named_with_its_evidence_and_the_rest_carry_on(
    change: Callable[[Case, Shown], Shown], code: str, probes: set[str], fact: str
) -> None:
    found, true_l = live(change)
    assert {(f.code, f.probe) for f in found.probe_faults} == {(code, p) for p in probes}
    assert all(fact in f.evidence for f in found.probe_faults)
    assert set(found.probes_used) == set(NAMES) - probes
    assert found.v40_l == pytest.approx(true_l, abs=15.0)  # half a tenth of this cylinder
    healthy, _ = live(sound)
    assert found.profile_sd_c.mean() > healthy.profile_sd_c.mean()  # and it says it knows less


def test_a_probe_that_is_heard_again_is_believed_again() -> None:
    def gap(case: Case, shown: Shown) -> Shown:
        shown[BEGIN : BEGIN + 200, 2] = -127.0
        return shown

    found, _ = live(gap, 800)
    assert found.probe_faults == ()
    assert "p3" in found.probes_used


def test_hearing_nobody_only_makes_probes_silent() -> None:
    """``unheard`` is what ``look`` makes of readings that are all missing, without the weighing."""
    rng = np.random.default_rng(5)
    watch = faults.Watch.begin(3)
    weighed = {
        "expected_c": np.array([20.0, 40.0, 55.0]),
        "expected_sd_k": np.ones(3),
        "at_levels_c": np.linspace(15.0, 56.0, len(faults.LEVELS)),
        "levels": np.array([0.2, 0.5, 0.8]),
    }
    for _ in range(30):
        shown = np.array([20.0, 40.0, 55.0]) + rng.normal(0, 8, 3)
        watch = faults.look(watch, shown, **weighed, elapsed_s=60.0)
    nothing = np.full(3, np.nan)
    for elapsed_s in (30.0, 1200.0, 3000.0):
        looked = faults.look(watch, nothing, **weighed, elapsed_s=elapsed_s)
        watch = faults.unheard(watch, elapsed_s)
        for name in ("reading_c", "expected_c", "unheard_s", "broken_c", "range_c", "same_s"):
            np.testing.assert_array_equal(getattr(watch, name), getattr(looked, name))
        assert watch.jumps == pytest.approx(looked.jumps)
    assert {code for _, code in watch.named} == {"silent"}
    assert {code for _, code in looked.named} == {"silent"}


def test_a_probe_that_jumps_in_a_standing_front_is_named_within_hours() -> None:
    """The front's place at the probe is unsure by kelvins, but standing water does not leap."""
    cylinder = Cylinder(200.0, 1.4, loss_w_per_k=1.6)
    probes = {"low": 0.15, "middle": 0.5, "high": 0.85}
    truth = model.start(cylinder, np.linspace(12.0, 52.0, 40).round(-1))
    chance = np.random.default_rng(5)
    state, jumping_h = None, []
    for step in range(36):  # three hours of readings, the first of them sound
        truth, _ = model.advance(cylinder, truth, Drive(), 300.0)
        shown = model.temperatures_at(cylinder, truth, np.array(list(probes.values())))
        shown[1] += chance.choice((-10.0, 0.0, 10.0)) if step >= 12 else 0.0
        seen = estimator.Observation(dict(zip(probes, shown.tolist(), strict=True)))
        state = (
            estimator.start(cylinder, probes, seen)
            if state is None
            else estimator.advance(state, seen, 300.0)
        )
        named = {(f.code, f.probe) for f in estimator.estimate(state, 10.0).probe_faults}
        if ("jumping", "middle") in named:
            jumping_h.append((step - 12) / 12)
    assert min(jumping_h, default=9.0) < 1.5


LEAN = Cylinder(300.0, 1.6, loss_w_per_k=1.76)
LEAN_PROBES = {"low": 0.125, "high": 0.875}
STEP_S = 200.0


def lived_lean(
    taps_l: dict[int, float],
    hours: int,
    begin_c: NDArray[np.float64] | float,
    plate: range = range(0),
    *,
    metered: bool = False,
) -> tuple[set[tuple[str, str]], float, float]:
    """(faults that were named, V40 estimated and true in L) of two probes and no heat meter.

    ``taps_l`` says in which steps how much is drawn, ``plate`` in which a heat pump heats unasked.
    """
    truth = model.start(LEAN, begin_c)
    levels = np.array(list(LEAN_PROBES.values()))
    state, named = None, set()
    for step in range(int(hours * 3600 / STEP_S)):
        litres = taps_l.get(step, 0.0)
        heat = PlateCharge(6000.0, 52.0, 30.0) if step in plate else None
        drive = Drive(cold_c=15.0, draw_l_per_min=litres / STEP_S * 60.0, plate=heat)
        truth, _ = model.advance(LEAN, truth, drive, STEP_S)
        shown = model.temperatures_at(LEAN, truth, levels).tolist()
        seen = estimator.Observation(
            dict(zip(LEAN_PROBES, shown, strict=True)),
            litres if metered else None,
            cold_c=15.0 if metered else 18.0,
            cold_measured=metered,
            heat_known=False,
        )
        state = (
            estimator.start(LEAN, LEAN_PROBES, seen)
            if state is None
            else estimator.advance(state, seen, STEP_S)
        )
        named |= {(f.code, f.probe) for f in estimator.estimate(state, 15.0).probe_faults}
    assert state is not None
    volumes = LEAN.layer_volumes_l(estimator.LAYERS)
    true_l = float(v40_l(model.profile(LEAN, truth, estimator.LAYERS), volumes, 15.0))
    return named, estimator.estimate(state, 15.0).v40_l, true_l


@pytest.mark.parametrize("seed", [4, 10])
def test_draws_that_nothing_meters_do_not_put_a_sound_probe_elsewhere(seed: int) -> None:
    """A day of forty draws, most of them small, that two probes see only when a front passes."""
    chance = np.random.default_rng(seed)
    steps = np.sort(chance.choice(np.arange(9, 24 * 18), 40, replace=False)).tolist()
    shares = [0.3, 0.2, 0.15, 0.1, 0.1, 0.05, 0.05, 0.05]
    litres = chance.choice([1.0, 2.0, 3.0, 5.0, 8.0, 12.0, 30.0, 36.0], 40, p=shares).tolist()
    named, found_l, true_l = lived_lean(dict(zip(steps, litres, strict=True)), 24, 51.0)
    assert named == set()
    assert found_l == pytest.approx(true_l, abs=42.0)  # a tenth


def test_heat_that_nobody_knows_of_does_not_put_a_sound_probe_elsewhere() -> None:
    """The heat pump's own control begins: water sinks past both probes while no draw runs."""
    begin_c = np.concatenate((np.full(20, 47.0), np.full(20, 51.0)))
    named, found_l, true_l = lived_lean({}, 3, begin_c, range(18, 27), metered=True)
    assert named == set()
    assert found_l == pytest.approx(true_l, abs=42.0)  # a tenth: nothing tells what came in


def test_what_the_model_learns_from_a_reading_is_no_water_that_moved() -> None:
    """A reading that leapt and stands is not stuck because the expectation follows it slowly."""
    watch = faults.Watch.begin(1)
    still = {"at_levels_c": np.full(len(faults.LEVELS), 45.0), "levels": np.array([0.9])}
    for step in range(12):
        expected = np.array([49.0 - 4.5 * 0.6**step])
        watch = faults.look(
            watch, np.array([49.0]), expected, np.array([0.3]), **still, elapsed_s=300.0
        )
    assert watch.named == ()
    for step in range(12):  # and now it moves away from a reading that stays
        expected = np.array([49.0 - 0.5 * step])
        watch = faults.look(
            watch, np.array([49.0]), expected, np.array([0.3]), **still, elapsed_s=300.0
        )
    assert watch.named == ((0, "stuck"),)
