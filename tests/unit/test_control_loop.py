"""The loop in one piece: charge in the cheap band, release at the target, restart, hold."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from service.control import snapshot
from service.control.types import Rule, Wish
from service.settings import Tunables
from tests.control_plant import CHEAP_NIGHT, MONDAY, LittleHome, habits, settings, showers

EMPTY = [12.0] * 24 + [50.0] * 16
ABOVE_RESERVE = [12.0] * 14 + [50.0] * 26  # a quiet evening needs nothing more


def _home(**more: object) -> LittleHome:
    return LittleHome(
        settings({"tariff": CHEAP_NIGHT}),
        profile_c=EMPTY,
        draws=showers,
        history=habits(28, MONDAY),
        every_s=300.0,
        **more,  # type: ignore[arg-type]
    )


def test_charges_in_the_cheap_band_and_releases_at_the_target() -> None:
    home = LittleHome(
        settings({"tariff": CHEAP_NIGHT, "hygiene": {"longest_interval_days": 31}}),
        now=datetime.fromisoformat("2026-01-12T20:00:00+00:00"),
        profile_c=ABOVE_RESERVE,
        draws=showers,
        history=habits(28, MONDAY),
        every_s=300.0,
    )
    just_disinfected = replace(home.state.hygiene, passed_at=home.now)
    home.state = replace(home.state, hygiene=just_disinfected)
    home.live(9.5 * 3600)
    runs = [at for at, c in home.sent if c.action == "run"]
    assert runs
    local = [at + timedelta(hours=1) for at in runs]
    assert all(1 <= at.hour < 5 for at in local), local
    assert not home.on("pump")
    assert home.sent[-1][1].action == "release"
    assert (home.last.view.shown_tenths or 0) >= 4


def test_nothing_is_commanded_before_fresh_readings_are_in() -> None:
    home = _home()
    out = home.step(())
    assert out.commands == ()
    assert out.view.mode is Rule.FAIL_SAFE
    assert out.view.decision is not None
    assert out.view.decision.reason.code == "waiting_for_readings"


def test_hold_survives_a_restart() -> None:
    home = _home()
    home.live(600)
    home.wish(Wish.HOLD)
    home.step(home.readings())
    home.restart(down_s=60)
    home.live(600)
    assert home.last.view.mode is Rule.MAINTENANCE_HOLD


def test_a_snapshot_is_small_and_reads_back() -> None:
    home = _home()
    home.live(1200)
    plain = snapshot.to_plain(home.state)
    again = snapshot.to_plain(snapshot.from_plain(plain))
    assert again == plain


def test_when_other_people_move_in_what_was_learned_is_left_behind_at_once() -> None:
    home = _home()
    home.live(900)
    assert home.state.model is not None
    assert home.state.model.days == 28
    habits_l40 = home.last.view.typical_week_l40
    moved_in = home.settings.tunables.model_dump(mode="json")
    moved_in["learning"]["since"] = str(home.now.date())
    home.settings = home.settings.model_copy(
        update={"tunables": Tunables.model_validate(moved_in), "version": 2}
    )
    home.live(900)
    assert home.state.model.days == 0
    assert home.last.view.learned_weight == 0.0
    assert home.last.view.typical_week_l40 != habits_l40


@pytest.mark.parametrize(("use_c", "usable"), [(40.0, True), (45.0, False)])
def test_water_cooler_than_the_home_uses_is_not_counted_on(use_c: float, usable: bool) -> None:
    """A store at 43 degC: at 45 degC wanted it is no reserve, and is heated."""
    home = LittleHome(settings({"reserve_tenths": 3}, cylinder={"use_c": use_c}), profile_c=43.0)
    home.live(60)
    shown_l40 = home.last.view.v40_l
    assert shown_l40 is not None
    assert shown_l40 > 200.0 if usable else shown_l40 < 1.0
    assert home.until(lambda h: bool(h.last.view.running), 900) != usable
