"""The household's page: what matters next, how much there is, what is planned, what to press."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

import numpy as np

from service.control import view as view_of
from service.control.detectors import FLUSH
from service.control.types import Override, Rule, View, Wish
from service.cylinder import tenths
from service.cylinder.usable import USES
from service.house import Health, House
from service.pages import fault_words, sentences, timeline, words
from service.pages.local import Local, chance, figure, in_words
from service.scheduling.types import Plan, Reason, Window
from service.settings import HomeSettings

IDLE = {  # rules under which nothing of the plan is carried out
    Rule.MAINTENANCE_HOLD: "None of this is carried out while the maintenance hold lasts.",
    Rule.FAIL_SAFE: "None of this is carried out until readings can be trusted again.",
}
UNPLANNED = {  # what is so until there is a plan; else the reserve is kept
    Rule.MAINTENANCE_HOLD: "There is no plan yet, and nothing is commanded while the hold lasts.",
    Rule.FAIL_SAFE: "There is no plan yet. One is made as soon as readings are in; meanwhile the "
    "cylinder is on its own thermostats.",
}
FORMS = ("exact", "guests", "away")  # the forms with fields; the rest are single buttons
HOW_MUCH = "how_much"  # the short form's first field: a wish, or a wish and its tenths


@dataclass(frozen=True)
class Standing:
    """A running override as the page lists it."""

    id: int
    what: str
    span: str
    note: str
    hold: bool


@dataclass(frozen=True)
class Refused:
    """What was wrong with a form, which one and where, with what was typed."""

    form: str
    where: str
    message: str
    typed: Mapping[str, str] = field(default_factory=dict)


def content(house: House, local: Local, refused: Refused | None = None) -> dict[str, Any]:
    """What the template shows."""
    view, settings = house.view, house.settings
    health = house.health()
    known: dict[str, Any] = {
        "lead": lead(view, local),
        "view": view,
        "asof": local.moment(view.at).removeprefix("today ") if view else None,
        "notes": words.notes(health.notes),
        "safety": sentences.SAFETY,
        "caution": None,
        "flush": False,
        "amount": None,
        "pictures": [],
        "rows": [],
        "windows": [],
        "plan_reason": None,
        "short": None,
        "price_note": None,
        "unplanned": UNPLANNED.get(
            view.mode if view else Rule.FAIL_SAFE,
            "There is no plan yet; until there is one, the reserve is kept.",
        ),
        "standing": [],
        "holding": False,
        "as_planned": False,
        "watches": not settings.wiring.actuators,
        "faults": [],
        "loses": [],
        "refresh_s": refresh_s(health),
        # Once control has seen it too, the page's first sentence says so.
        "broker_lost": not health.broker_connected
        and (view is None or view.lead.code != "broker_gone"),
        "refused": refused,
        "fields": form_fields(settings, local, refused),
        "levels": [
            (f"charge_to:{n}", f"Charge to {in_words(n)}")
            for n in range(1, settings.tunables.highest_tenths + 1)
        ],
    }
    if view is None:
        return known
    known["caution"] = words.caution(view.caution, hottest(view), local) if view.caution else None
    known["amount"] = amount(view)
    known["standing"] = [_standing(o, local) for o in shown_overrides(view)]
    known["holding"] = any(o.wish is Wish.HOLD for o in shown_overrides(view))
    known["flush"] = view.caution == FLUSH[0]  # which says what the fault of that name would
    known["faults"] = [
        fault_words.fault(f, local)
        for f in fault_words.lasting(view.faults)
        if not (known["flush"] and f.code == FLUSH[0])
    ]
    known["loses"] = [words.loss(code) for code in view.loses]
    plan = view.plan
    if plan is not None and len(plan.grid):
        known["pictures"] = timeline.timeline(plan, view.reference_l40, local, view.v40_l)
        known["rows"] = timeline.rows(plan, view.reference_l40, local)
        known["windows"] = [_window(w, local) for w in plan.windows]
        known["hours"] = timeline.hours(plan)
        known["idle"] = IDLE.get(view.mode)
        known["as_planned"] = view.mode is Rule.PLAN
        known["next"] = known["windows"][0] if plan.windows else None
        known["plan_reason"] = (
            words.plan_reason(plan.windows[0].reason, local)
            if plan.windows
            else _uncharged(plan.reason, local)
        )
        known["price_note"] = words.price_note(plan.price_note)
        # What is not carried out leaves no chance of anything.
        known["short"] = None if known["idle"] else short(plan, local)
        known["surplus"] = bool(plan.surplus_w.max(initial=0.0) >= 50)
    return known


def refresh_s(health: Health) -> int:
    """How often a page that is open asks anew; invented time runs faster than life."""
    return 5 if "invented_history" in health.notes else 20


def lead(view: View | None, local: Local) -> str:
    """The page's first sentence."""
    return words.lead(Reason("nothing_known_yet") if view is None else view.lead, local)


def hottest(view: View) -> words.Facts:
    """The hottest probe as a fact for a caution."""
    return {"hottest_c": max((t for t in view.probes_c.values() if t is not None), default=None)}


@dataclass(frozen=True)
class Amount:
    """How much hot water there is, in figures and as people count it."""

    tenths: int
    tenths_words: str
    litres: str
    at_least: str
    counted: str
    today: str
    unsure: str = ""  # why litres and tenths do not agree, when they do not


def amount(view: View) -> Amount | None:
    """How much there is; None until something is known."""
    if view.shown_tenths is None or view.v40_l is None:
        return None
    low = view.v40_low_l if view.v40_low_l is not None else view.v40_l
    return Amount(
        tenths=view.shown_tenths,
        tenths_words=in_words(view.shown_tenths),
        litres=figure(view.v40_l),
        at_least=figure(max(low, 0.0)),
        counted=counted(low),
        today=figure(view.drawn_today_l40),
        unsure=unsure(view.shown_tenths, view.v40_l, view.reference_l40),
    )


def unsure(sure_tenths: int, v40_l: float, reference_l40: float) -> str:
    """What is said where the tenths, which are sure, lie well below what is likely."""
    likely = min(math.floor(tenths.tenths(v40_l, reference_l40)), tenths.FULL)
    if likely - sure_tenths < view_of.UNSURE_TENTHS:
        return ""
    sure = f"{in_words(sure_tenths)} {'is' if sure_tenths == 1 else 'are'} sure"
    return f"The probes leave much unseen: {sure}, {in_words(likely)} are likely."


def counted(litres_40c: float) -> str:
    """Litres as whole showers or baths, rounded down so that nothing is promised."""
    by_name = {use.name: use.litres for use in USES}
    showers = int(litres_40c / by_name["shower"])
    baths = int(litres_40c / by_name["bath"])
    if showers < 1:
        return "less than one shower"
    text = "one shower" if showers == 1 else f"{showers} showers"
    if baths:
        text += ", or one bath" if baths == 1 else f", or {baths} baths"
    return text


def shown_overrides(view: View) -> list[Override]:
    """The overrides that run or are still to come."""
    return [o for o in view.overrides if o.ended_at is None]


def _standing(wish: Override, local: Local) -> Standing:
    return Standing(
        wish.id,
        words.override(wish),
        words.override_span(wish, local),
        wish.note,
        wish.wish is Wish.HOLD,
    )


def _window(window: Window, local: Local) -> dict[str, str]:
    return {
        "when": local.span(window.start_s, window.end_s),
        "begins": "Now" if window.start_s <= local.now.timestamp() else "Next",
        "what": timeline.SOURCES[window.source],
        "costs": f"{figure(window.electricity_kwh, 1)} kWh, {local.money(window.cost)}",
        "why": words.plan_reason(window.reason, local),
    }


def _uncharged(reason: Reason, local: Local) -> str:
    """Why no charging is planned, without what the page says elsewhere."""
    if reason.code == "enough":
        return "No charging is planned: there is enough without."
    facts = {k: v for k, v in reason.facts.items() if k not in ("spare_l40", "price_note")}
    return words.plan_reason(Reason(reason.code, facts), local)


def short(plan: Plan, local: Local) -> str:
    """The chance of running short within a day, and at which use most."""
    soon = plan.grid.start_s < plan.grid.start_s[0] + 24 * 3600
    chances = np.where(soon, np.clip(plan.short_chance, 0.0, 1.0), 0.0)
    sometime = 1.0 - float(np.prod(1.0 - chances))
    if sometime < 0.01:
        return "With all that is planned, there is hardly any chance of running short in a day."
    at = local.moment(float(plan.grid.start_s[int(np.argmax(chances))]))
    return (
        "With all that is planned, the chance of running short in a day is "
        f"{chance(sometime)}, most likely {at}."
    )


def form_fields(settings: HomeSettings, local: Local, refused: Refused | None) -> dict[str, str]:
    """What stands in the forms: what was typed, or a sensible first value."""
    here = local.at(local.now)
    evening = here.replace(hour=22, minute=0, second=0, microsecond=0)
    if here.hour >= 20:
        evening += timedelta(days=1)
    noon = here.replace(hour=12, minute=0, second=0, microsecond=0) + timedelta(days=1)

    def typed(moment: Any) -> str:
        return f"{moment:%Y-%m-%dT%H:%M}"

    first = {
        HOW_MUCH: Wish.MORE.value,
        "until": typed(evening),
        "note": "",
        "people": "2",
        "guests_from": typed(noon),
        "guests_until": typed(noon + timedelta(days=2)),
        "away_from": typed(noon),
        "away_until": typed(noon + timedelta(days=7)),
        "zone": settings.wiring.zone,
    }
    return {**first, **(refused.typed if refused else {})}


def wish_fields(form: Mapping[str, str]) -> dict[str, Any]:
    """What a form sent, as the fields of a wish; checked by whoever takes the wish."""
    kind, _, tenths = (form.get(HOW_MUCH) or form.get("wish", "")).partition(":")
    fields: dict[str, Any] = {"wish": kind, "note": form.get("note", "")}
    if tenths:
        fields["tenths"] = tenths
    if kind in (Wish.GUESTS, Wish.AWAY):
        fields["from"] = form.get(f"{kind}_from", "")
        fields["until"] = form.get(f"{kind}_until", "")
    elif form.get("until"):
        fields["until"] = form["until"]
    if kind == Wish.GUESTS:
        fields["people"] = form.get("people", "")
    return fields
