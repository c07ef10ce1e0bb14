"""The installer's first page: what the signals say, what the cylinder holds, what is commanded."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from adapters.wiring import Quantity, Signal
from service.control.precedence import TABLE
from service.control.types import Decision, View
from service.cylinder.stratification import mix_number
from service.house import House
from service.pages import profile, sentences, words
from service.pages.household import refresh_s
from service.pages.local import Local, duration, figure, quantity
from service.records.records import Records
from service.settings import HomeSettings

LAYERED_K = 10.0  # hottest above cold inlet: below it layers mean little
LATEST = 12  # decisions; all of them stand on the page that asks why it was cold
BASE_UNITS = {
    Quantity.PROBE: ("°C", 1),
    Quantity.OUTLET_TEMPERATURE: ("°C", 1),
    Quantity.COLD_INLET_TEMPERATURE: ("°C", 1),
    Quantity.OUTDOOR_TEMPERATURE: ("°C", 1),
    Quantity.AMBIENT_TEMPERATURE: ("°C", 1),
    Quantity.HEAT_PUMP_FLOW_TEMPERATURE: ("°C", 1),
    Quantity.DRAW_FLOW: ("L/min", 1),
    Quantity.HEAT_PUMP_ELECTRICITY: ("W", 0),
    Quantity.HEAT_PUMP_HEAT: ("W", 0),
    Quantity.IMMERSION_ELECTRICITY: ("W", 0),
    Quantity.IMPORT_POWER: ("W", 0),
    Quantity.EXPORT_POWER: ("W", 0),
}
TOTALS = {
    "L": ("L", 1),
    "m3": ("L", 1),
    "pulse": ("L", 1),
    "Wh": ("kWh", 2),
    "kWh": ("kWh", 2),
    "J": ("kWh", 2),
}


@dataclass(frozen=True)
class SignalRow:
    """One signal as the page lists it."""

    name: str
    measures: str
    value: str
    age: str
    state: str
    fresh: bool
    topic: str


@dataclass(frozen=True)
class DecisionRow:
    """One decision with its rule, reason, commands and the figures it used."""

    when: str
    rule: str
    why: str
    commands: tuple[str, ...]
    inputs: tuple[tuple[str, str], ...]


def content(home: str, house: House, records: Records, local: Local) -> dict[str, Any]:
    """What the template shows."""
    view, settings, health = house.view, house.settings, house.health()
    leases = house.leases()
    signals = [_signal(s, view) for s in settings.wiring.signals]
    silent = [s.name for s in signals if not s.fresh]
    decisions = records.decisions(home, limit=LATEST).items
    wiring = settings.wiring
    picture = None
    if view and (view.profile_c or view.probes_c):
        picture = profile.profile(
            view.profile_c,
            view.profile_sd_c,
            _probes(settings, view),
            wiring.cylinder.height_m,
            wiring.cylinder.use_c,
            settings.tunables.normal_set_c,
        )
    return {
        "lead": _lead(silent, len(signals), health.broker_connected),
        "signals": signals,
        "refresh_s": refresh_s(health),
        "picture": picture,
        "profile_words": profile.describe(view.profile_c, {}, wiring.cylinder.height_m)
        if view and view.profile_c
        else "",
        "figures": _figures(view, local) if view else (),
        "actuators": [
            {
                "name": a.name,
                "source": words.capital(words.plain(a.source)),
                "form": sentences.FORMS[a.form],
                "now": words.commanded(leases.get(a.name)),
                "released_by": sentences.RELEASED_BY[a.released_by],
                "released_state": a.released_state,
            }
            for a in wiring.actuators
        ],
        "now": decision_row(view.decision, local) if view and view.decision else None,
        "decisions": [decision_row(d, local) for d in decisions],
        "loses": [words.loss(code) for code in view.loses] if view else [],
        "rules": [
            (
                sentences.RULES[row.rule][0],
                words.capital(row.speaks_when),
                words.capital(row.then),
                view is not None and view.mode is row.rule,
            )
            for row in TABLE
        ],
        "health": _health(house, local),
        "refused": health.refused,
        "wiring": wiring,
    }


def _lead(silent: list[str], count: int, connected: bool) -> str:
    if not connected:
        return "The broker is gone. The cylinder is on its own thermostats."
    if not count:
        return "No signal is wired."
    if not silent:
        return f"All {count} signals are fresh." if count > 1 else "The one signal is fresh."
    if len(silent) == count:
        return "No signal is fresh. Ladle commands nothing until readings come in."
    names = ", ".join(silent[:3]) + (" and more" if len(silent) > 3 else "")
    fresh = count - len(silent)
    return f"{fresh} of {count} signals {'is' if fresh == 1 else 'are'} fresh; silent: {names}."


def _signal(signal: Signal, view: View | None) -> SignalRow:
    age = view.ages_s.get(signal.name) if view else None
    value = (view.values.get(signal.name, view.probes_c.get(signal.name))) if view else None
    fresh = age is not None and age <= signal.stale_after_s
    unit, digits = TOTALS.get(signal.unit, BASE_UNITS.get(signal.measures, ("", 0)))
    if signal.unit == "contact":
        text = "none" if value is None else ("closed" if value else "open")
    else:
        text = "none" if value is None else quantity(value, unit, digits).strip()
    place = f" at {figure(signal.height_m, 2)} m" if signal.height_m is not None else ""
    if signal.place:
        place = f", {words.plain(signal.place)}"
    return SignalRow(
        name=signal.name,
        measures=words.capital(words.plain(signal.measures)) + place,
        value=text,
        age="none since the start" if age is None else duration(age),
        state="fresh" if fresh else ("no value yet" if age is None else "stale"),
        fresh=fresh,
        topic=signal.topic,
    )


def _probes(settings: HomeSettings, view: View) -> dict[str, tuple[float, float | None]]:
    return {
        s.name: (s.height_m, view.probes_c.get(s.name))
        for s in settings.wiring.signals_of(Quantity.PROBE)
        if s.height_m is not None
    }


def _figures(view: View, local: Local) -> tuple[tuple[str, str], ...]:
    def said(value: float | None, unit: str, digits: int = 0) -> str:
        return "not known" if value is None else quantity(value, unit, digits).strip()

    band = "not known"
    if view.v40_low_l is not None and view.v40_high_l is not None:
        band = f"{figure(view.v40_low_l)} to {quantity(view.v40_high_l, 'L')}"
    return (
        ("Usable water at 40\u00a0°C (V40)", said(view.v40_l, "L")),
        ("Its band, nine in ten", band),
        ("Ten tenths are", said(view.reference_l40, "L")),
        ("Lukewarm heat below it", said(view.lukewarm_kwh, "kWh", 1)),
        ("Layers: MIX number, 0 sharp, 1 mixed", said(_mixed(view), "", 2)),
        ("Cold inlet", said(view.cold_inlet_c, "°C", 1)),
        ("Outdoors", said(view.outdoor_c, "°C", 1)),
        ("Drawn today at 40\u00a0°C", said(view.drawn_today_l40, "L")),
        *(
            (f"Heat pump's {name} by its meters", f"{figure(100.0 * share)} in 100 of the rated")
            for name, share in (("capacity", view.capacity_share), ("COP", view.cop_share))
            if share is not None
        ),
    )


def _mixed(view: View) -> float | None:
    """How mixed the cylinder is; None where nothing is known, or too little warm to say."""
    cold_c, hot_c = view.cold_inlet_c, max(view.profile_c, default=0.0)
    if cold_c is None or hot_c < cold_c + LAYERED_K:
        return None
    return mix_number(np.array(view.profile_c), cold_c, hot_c)


def decision_row(decision: Decision, local: Local) -> DecisionRow:
    """A decision in words."""
    return DecisionRow(
        when=local.moment(decision.at),
        rule=sentences.RULES[decision.rule][0],
        why=words.decision_reason(decision.reason, local),
        commands=tuple(words.command(c) for c in decision.commands),
        inputs=words.evidence(decision.inputs, local),
    )


def _health(house: House, local: Local) -> tuple[tuple[str, str], ...]:
    health = house.health()
    since = f" since {local.moment(health.broker_since)}" if health.broker_since else ""
    refused = (
        ", ".join(f"{n} {words.plain(code)}" for code, n in sorted(health.refusals.items()))
        or "none"
    )
    trouble = f". {health.broker_trouble}." if health.broker_trouble else ""
    return (
        ("Broker", ("connected" if health.broker_connected else "gone") + since + trouble),
        ("Last reading", local.age(health.last_reading_at) if health.last_reading_at else "none"),
        ("Last commit", local.age(health.last_commit_at) if health.last_commit_at else "none"),
        ("Last plan", local.age(health.last_plan_at) if health.last_plan_at else "none"),
        ("Inputs refused since the start", refused),
    )
