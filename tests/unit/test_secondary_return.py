"""A secondary return: what it stirs and cools, when it runs, and a simulated home with one."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from service.clock import utc
from service.control import circulation, config_checks
from service.control import plant as plants
from service.control.state import Belief
from service.cylinder import estimator, model
from service.cylinder.drive import HIGHEST_C, Drive, SecondaryReturn
from service.cylinder.estimator import Circulation, Estimate, Observation, cell_l
from service.cylinder.estimator_motion import CELLS, PIPES, Motion, cell_volumes_l, kwh_per_lk
from service.cylinder.geometry import Cylinder
from service.cylinder.usable import v40_l
from service.settings import HomeWiring
from service.simulation.fitted import home_of
from service.simulation.weather import Weather
from tests.control_plant import settings, wiring

CYLINDER = Cylinder(300.0, 1.6, loss_w_per_k=1.8)
PROBES = {"low": 0.15, "middle": 0.5, "high": 0.85}
CONTACT = {"name": "loop", "measures": "secondary_return", "unit": "contact", "topic": "plant/loop"}
HOURS = {"secondary_return_m": 0.9, "secondary_return_hours": ["06:00-09:00", "22:00-01:00"]}


def _circulated(
    level: float, loss_share: float, told: bool, hours: int
) -> Iterator[tuple[Estimate, float]]:
    """Each half hour of circulation what is believed, and V40 in truth, L.

    From a hot cylinder 90 L are drawn first, so that a front stands between two probes.
    """
    truth = model.start(CYLINDER, 57.0)
    back = SecondaryReturn(3.0, HIGHEST_C, level, loss_share)
    levels, volumes = np.array(list(PROBES.values())), CYLINDER.layer_volumes_l(40)
    state = estimator.start(CYLINDER, PROBES, Observation(dict.fromkeys(PROBES, 57.0)))
    round_it = Circulation(cell_l(CYLINDER), level) if told else None  # in 150 s
    for k in range(-6, hours * 24):
        drive = Drive(draw_l_per_min=6.0) if k < 0 else Drive(secondary_return=back)
        truth, _ = model.advance(CYLINDER, truth, drive, 150.0)
        shown = model.temperatures_at(CYLINDER, truth, levels).tolist()
        probes_c = dict(zip(PROBES, shown, strict=True))
        seen = Observation(probes_c, 15.0) if k < 0 else Observation(probes_c, circulation=round_it)
        state = estimator.advance(state, seen, 150.0)
        if k >= 0 and k % 12 == 11:
            true_l = float(v40_l(model.profile(CYLINDER, truth, 40), volumes, 10.0))
            yield estimator.estimate(state, 10.0), true_l


@pytest.mark.parametrize(("level", "loss_share"), [(0.2, 0.1), (0.55, 0.16), (0.8, 0.08)])
def test_what_it_stirs_and_cools_is_known(level: float, loss_share: float) -> None:
    """In truth it moves, and loses, something else than is believed at first."""
    lived = list(_circulated(level, loss_share, True, 4))
    off_l = [found.v40_l - true_l for found, true_l in lived]
    assert np.sqrt(np.mean(np.square(off_l))) < 8.0
    within = [f.v40_low_l - 1.0 <= true_l <= f.v40_high_l + 1.0 for f, true_l in lived]
    assert np.mean(within) >= 0.8
    assert lived[-1][0].loss_w_per_k == pytest.approx(1.8, rel=0.35)
    assert lived[-1][0].return_loss == pytest.approx(loss_share, rel=0.25)


@pytest.mark.parametrize("phase_l", [0.0, 3.0, 7.5])
@pytest.mark.parametrize("level", [0.0, 0.2, 0.55, 1.0])
@pytest.mark.parametrize("litres", [1.0, 7.5, 20.0])
def test_no_water_and_no_heat_gets_lost_but_what_the_pipes_lose(
    phase_l: float, level: float, litres: float
) -> None:
    volumes = cell_volumes_l(CYLINDER, phase_l)
    cells_c = np.linspace(10.0, 58.0, CELLS + 1)
    motion = Motion.begin(CYLINDER, cells_c, phase_l)
    motion.circulate(litres, level, 20.0, 0.0)
    assert volumes @ motion.temperatures_c == pytest.approx(volumes @ cells_c)
    assert (np.diff(motion.temperatures_c) >= -1e-9).all()
    # By how much less the water holds when a little more is lost is what the sensitivity says.
    less, more = (Motion.begin(CYLINDER, cells_c, phase_l) for _ in range(2))
    less.circulate(litres, level, 20.0, 1.0)
    more.circulate(litres, level, 20.0, 1.01)
    told = volumes @ less.jacobians[1][:, PIPES] * 0.01
    lost = volumes @ (more.temperatures_c - less.temperatures_c)
    assert lost == pytest.approx(told, rel=0.02)
    assert lost < 0.0


def _plant(**cylinder: Any) -> plants.Plant:
    return plants.of(settings(cylinder=cylinder))


@pytest.mark.parametrize(
    ("local", "lived_s", "ran_s"),
    [
        ("2026-01-12T08:00:00", 600.0, 600.0),
        ("2026-01-12T06:05:00", 1800.0, 300.0),
        ("2026-01-12T09:05:00", 600.0, 300.0),
        ("2026-01-12T12:00:00", 600.0, 0.0),
        ("2026-01-12T00:10:00", 1200.0, 1200.0),
        ("2026-01-12T01:30:00", 5 * 3600.0, 3 * 3600.0),
        ("2026-01-12T23:00:00", 86_400.0, 6 * 3600.0),
    ],
)
def test_for_how_long_it_ran_by_its_timer(local: str, lived_s: float, ran_s: float) -> None:
    plant = _plant(**HOURS)
    now = datetime.fromisoformat(local).replace(tzinfo=plant.zone).astimezone(UTC)
    assert circulation.ran_s(plant, {}, now, lived_s) == pytest.approx(ran_s)


def test_a_signal_says_more_than_the_timer() -> None:
    told = settings(cylinder=HOURS, signals=[*wiring()["signals"], CONTACT])
    plant, eight = plants.of(told), datetime(2026, 1, 12, 7, tzinfo=UTC)
    assert circulation.ran_s(plant, {"loop": 0.0}, eight, 60.0) == 0.0
    assert circulation.ran_s(plant, {"loop": 1.0}, eight + timedelta(hours=4), 60.0) == 60.0
    assert circulation.ran_s(_plant(), {"loop": 1.0}, eight, 60.0) == 0.0  # where to is not known


def test_what_the_planner_counts_is_what_it_loses_as_often_as_it_runs() -> None:
    plant, belief = _plant(**HOURS), Belief()
    lived = list(_circulated(0.55, 0.12, True, 1))
    for hour in range(48):
        belief = circulation.lived(belief, 3600.0 if hour % 4 == 0 else 0.0, 3600.0)
    belief = Belief(**{**belief.__dict__, "estimate": lived[-1][0]})
    whole = 3.0 * 60.0 * 1000.0 * float(kwh_per_lk(55.0)) * lived[-1][0].return_loss
    assert circulation.mean_loss_w_per_k(belief, plant) == pytest.approx(0.25 * whole, rel=0.1)


def test_a_simulated_home_has_the_return_that_its_settings_say() -> None:
    """Nobody draws and nothing heats: it cools in the hours of the timer, and its contact shows."""
    told = settings(cylinder=HOURS, heat_pump=None, signals=[CONTACT], actuators=[])
    midnight_s = datetime(2026, 1, 12, 0, tzinfo=told.wiring.zone_info).timestamp()
    home = home_of(told, iter(()), Weather(), midnight_s)
    contact = told.wiring.signals[0]
    lost_kwh, runs = [], []
    for hour in range(10):
        before = home.stored_kwh
        home.advance(midnight_s + 3600.0 * hour + 1800.0)
        runs.append(home.value(contact))
        home.advance(midnight_s + 3600.0 * (hour + 1))
        lost_kwh.append(before - home.stored_kwh)
    assert runs == [1, 0, 0, 0, 0, 0, 1, 1, 1, 0], utc(home.now_s)
    assert min(x for x, on in zip(lost_kwh, runs, strict=True) if on) > 0.1
    assert max(x for x, on in zip(lost_kwh, runs, strict=True) if not on) < 0.08


@pytest.mark.parametrize("hours", ["six to nine", "06:00-06:00", "06:00", "25:00-26:00"])
def test_hours_that_are_none_are_refused(hours: str) -> None:
    with pytest.raises(ValueError, match="write them like 06:00-09:00"):
        HomeWiring.model_validate(wiring(cylinder={"secondary_return_hours": [hours]}))


def test_what_is_left_out_is_told() -> None:
    def codes(**cylinder: Any) -> set[str]:
        return {m.code for m in config_checks.check(settings(cylinder=cylinder))}

    assert "return_without_hours" in codes(secondary_return_m=0.9)
    assert "return_without_height" in codes(secondary_return_hours=["06:00-09:00"])
    assert not {"return_without_hours", "return_without_height"} & codes(**HOURS)
    assert "outside_cylinder" in codes(**{**HOURS, "secondary_return_m": 1.9})
