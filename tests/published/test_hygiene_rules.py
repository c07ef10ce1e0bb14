"""Defaults of thermal disinfection and cautions against what is published."""

from __future__ import annotations

import math

import pytest

from adapters.actuators import TERMINAL_CONTACTS
from adapters.wiring import Actuator, Form
from service.control import config_checks, plant
from service.cylinder.hygiene import decimal_reduction_min, lethality
from service.settings import Hygiene
from tests.control_plant import settings


def test_defaults_follow_cited_guidance() -> None:
    """HSE, legionnaires/hot-and-cold: hot water is stored at 60 degC or more; ACoP L8 text at
    legionnairesdisease.ie/lp15.html: the whole calorifier at 60 degC for an hour before it is
    used again. Weekly: common practice for heat-pump cylinders, no source (a matter for the
    risk assessment; MCS 3005 names no figure)."""
    h = Hygiene()
    assert h.disinfect_c >= 60.0
    assert h.hold_s >= 3600.0
    assert h.longest_interval_days <= 7.0


def test_the_default_hold_is_far_beyond_what_published_d_values_ask_for() -> None:
    """Eight decades at 60 degC take 25 min (Stout 1986, as quoted in
    legionellaespecialistas.com.br p. 222); D60 2 min and z 5.29 K (Schulze-Roebbecke and
    Buchholtz 1992, same page) give 30 decades in the hour."""
    h = Hygiene()
    assert h.hold_s >= 25 * 60
    assert float(lethality(h.disinfect_c, h.hold_s)) == pytest.approx(30.0, rel=0.01)
    assert decimal_reduction_min(50.0) == pytest.approx(155.4, rel=0.01)


def test_the_band_counted_as_lukewarm_is_the_published_growth_band() -> None:
    """HSE: cold below 20 degC; growth between 20 and 45 degC."""
    from service.cylinder.hygiene import GROWTH_C

    assert GROWTH_C == (20.0, 45.0)


def test_going_below_the_guidance_needs_a_name_on_record() -> None:
    for lowered in ({"disinfect_c": 55}, {"hold_s": 1800}, {"longest_interval_days": 10}):
        misfits = config_checks.refused(settings({"hygiene": lowered}))
        assert [m.code for m in misfits] == ["hygiene_lowered"]
        named = settings({"hygiene": lowered | {"lowered_confirmed_by": "installer A"}})
        assert config_checks.refused(named) == ()


def test_disinfection_temperatures_scald_at_once_so_a_mixing_valve_is_asked_for() -> None:
    """Moritz and Henriques 1947, by a secondary table: at 60 degC a third-degree burn takes 5 s,
    at 48 degC 20 min; so 60 degC never goes out without a mixing valve at 48 degC or less
    (bath limit in England, summaries of Approved Document G)."""
    home = settings(cylinder={"mixing_valve_c": None})
    assert plant.of(home).settings.wiring.cylinder.mixing_valve_c is None
    codes = {m.code for m in config_checks.check(home)}
    assert "disinfection_refused_no_mixing_valve" in codes
    decade_k = 4.56  # degrees for a tenfold shorter time, fitted to the same table
    assert 20 * 60 / math.pow(10, (60 - 48) / decade_k) == pytest.approx(5.0, rel=0.5)


def test_terminals_charge_only_where_commissioning_showed_hot_water_alone() -> None:
    """BWP, SG Ready: states 1:0, 0:0, 0:1, 1:1 act on the heat pump as a whole."""
    assert TERMINAL_CONTACTS == {
        1: (True, False),
        2: (False, False),
        3: (False, True),
        4: (True, True),
    }
    wired = Actuator(
        name="terminals",
        source="heat_pump",
        form=Form.TERMINALS,
        topic="t/1",
        second_topic="t/2",
        released_by="own_timer",
        released_state="normal operation",
    )
    assert not plant.may_charge(wired)
    assert plant.may_charge(wired.model_copy(update={"hot_water_alone_confirmed_by": "A"}))
    assert not plant.may_charge(
        wired.model_copy(update={"surplus_only": True, "hot_water_alone_confirmed_by": "A"})
    )
