"""Faults and hygiene: what is wrong and on what evidence, and how the water is kept wholesome."""

from __future__ import annotations

from typing import Any

from adapters.wiring import Quantity
from service.control.types import HygieneEvidence, View
from service.house import House
from service.pages import fault_words, sentences, words
from service.pages.local import NUMBERS, Local, days_long, duration, figure, quantity
from service.records.records import Records
from service.settings import HomeSettings


def content(home: str, house: House, records: Records, local: Local) -> dict[str, Any]:
    """What the template shows."""
    view, settings = house.view, house.settings
    known = records.faults(home).items
    seen = {
        (k.fault.code, k.fault.subject): (
            f"{words.person(k.acknowledged_by)}, {local.moment(k.acknowledged_at)}"
        )
        for k in known
        if k.acknowledged_by and k.acknowledged_at and k.fault.cleared_at is None
    }
    lasting = [
        fault_words.fault(f, local, seen.get((f.code, f.subject)))
        for f in fault_words.lasting(view.faults if view else ())
    ]
    past = [fault_words.fault(k.fault, local) for k in known if k.fault.cleared_at]
    hygiene = settings.tunables.hygiene
    facts = view.hygiene if view else {}
    return {
        "lead": _lead(len(lasting) if view else None, facts, local),
        "known": view is not None,
        "lasting": lasting,
        "past": past,
        "hygiene": words.hygiene(facts, local),
        "layers": _layers(view, settings) if view and view.tally else [],
        "hygiene_refused": words.hygiene_refusal(facts, local),
        "evidence": [_proof(e, local) for e in records.evidence(home, limit=50).items],
        "mixing_valve": settings.wiring.cylinder.mixing_valve_c,
        "set": (
            ("Temperature", f"{figure(hygiene.disinfect_c)}\u00a0°C"),
            ("Held for", duration(hygiene.hold_s)),
            ("Longest interval", days_long(hygiene.longest_interval_days)),
            ("Measured by", ", ".join(hygiene.probes) or "the lowest probe"),
            ("Lukewarm limit", f"{figure(hygiene.lukewarm_limit_h)} h between 20 and 45\u00a0°C"),
            *(
                (("Below the defaults, confirmed by", hygiene.lowered_confirmed_by),)
                if hygiene.lowered_confirmed_by
                else ()
            ),
        ),
        "loses": [words.loss(code) for code in view.loses] if view else [],
        "safety": sentences.SAFETY,
    }


def _lead(faults: int | None, facts: words.Facts, local: Local) -> str:
    if faults is None:
        return "Nothing is known yet."
    wrong = "Nothing is wrong" if not faults else "One thing is wrong"
    if faults > 1:
        many = NUMBERS[faults] if faults < len(NUMBERS) else str(faults)
        wrong = f"{words.capital(many)} things are wrong"
    due_h = facts.get("due_in_h")
    if facts.get("state") == "running":
        return f"{wrong}; a thermal disinfection is under way."
    if facts.get("state") == "refused":
        return f"{wrong}; thermal disinfection is refused."
    if isinstance(due_h, (int, float)):
        due = words.fact("due_at", facts.get("due_at"), local)
        if due_h < 0:
            return f"{wrong}; the thermal disinfection is overdue since {due}."
        return f"{wrong}; the next thermal disinfection is due by {due}."
    return f"{wrong}."


def _layers(view: View, settings: HomeSettings) -> list[tuple[str, ...]]:
    """What the water at each probe lived through since a disinfection passed, from the top down."""
    cylinder, tally = settings.wiring.cylinder, view.tally
    assert tally is not None
    turnover = tally.turnover(cylinder.volume_l)
    heights = {s.height_m or 0.0 for s in settings.wiring.signals_of(Quantity.PROBE)}
    rows = []
    for height_m in sorted(heights, reverse=True):
        n = min(int(height_m / cylinder.height_m * len(turnover)), len(turnover) - 1)
        above_s = (tally.above_50_s[n], tally.above_55_s[n], tally.above_60_s[n])
        rows.append(
            (
                quantity(height_m, "m", 2),
                figure(tally.growth_h[n], 1),
                *(figure(s / 3600.0, 1) for s in above_s),
                figure(tally.decades[n], 1),
                figure(turnover[n], 1),
            )
        )
    return rows


def _proof(item: HygieneEvidence, local: Local) -> dict[str, str]:
    return {
        "when": local.span(item.started, item.ended),
        "result": "Passed" if item.passed else "Not passed",
        "how": "Commanded" if item.by == "commanded" else "Credited from normal running or the sun",
        "measured": f"{item.lowest_probe}: lowest {figure(item.lowest_c, 1)}\u00a0°C, "
        f"held {duration(item.held_s)}",
        "facts": "; ".join(f"{k} {v}" for k, v in words.evidence(item.facts, local)),
    }
