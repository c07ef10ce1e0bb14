"""English for codes and facts: leads, decisions, wishes, hygiene, missing instruments.

Of a code's ``sentences`` the first whose facts are all known is said. A fact is written by the unit
in its name (``_c``, ``_l40``, ``_s``, ...), so a sentence never needs to know how.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import datetime
from string import Formatter
from typing import Literal

from adapters.types import Command
from service import scoring
from service.control.state import Lease
from service.control.types import Override, Wish
from service.pages import plan_words, sentences
from service.pages.local import Local, chance, duration, figure, in_words, quantity
from service.records.values import Score
from service.scheduling import reasons
from service.scheduling.types import Reason

Fact = float | int | str | None
Facts = Mapping[str, Fact]
EPOCH_LEAST_S = 1e9  # a number above this is a moment, seconds since 1970


def plain(code: str) -> str:
    """A code as words, for names that need no more than their underscores taken away."""
    return sentences.NAMES.get(code, code.replace("_", " "))


def capital(text: str) -> str:
    """The same text with a capital first letter and nothing else changed."""
    return text[:1].upper() + text[1:]


def uncapital(text: str) -> str:
    """The same text with a small first letter, for the middle of a sentence."""
    return text[:1].lower() + text[1:]


def fact(name: str, value: Fact, local: Local) -> str:
    """One fact with its unit, which stands in its name."""
    if value is None:
        return "not known"
    if name == "by":
        return person(str(value))
    if name == "because":
        return because(str(value), local)
    if name == "waits_for":
        return ", ".join(sentences.HELD_BACK.get(c, plain(c)) for c in str(value).split(", "))
    if name in sentences.VERBATIM:
        return str(value)
    if isinstance(value, str):
        moment = _moment(value)
        return local.moment(moment) if moment else plain(value)
    if value > EPOCH_LEAST_S:
        return local.moment(value)
    if name.endswith(("_per_kwh", "price")):
        return local.price(value)
    if name.endswith("tenths"):
        return in_words(int(value)) if 0 <= value <= 10 else f"{figure(value)} tenths"
    if name.endswith(("cost", "saving", "money")):
        return local.money(value)
    if name.endswith("chance"):
        return chance(value)
    for ending, unit, digits in _UNITS:
        if name.endswith(ending):
            return quantity(value, unit, digits)
    if name.endswith("_days"):
        return duration(value * 86400)
    if name.endswith("_s"):
        return duration(value)
    if isinstance(value, int) or value == int(value):
        return figure(value)
    return figure(value, 2)


def person(author: str) -> str:
    """Who asked or changed something, where nobody is known by a token."""
    return sentences.AUTHORS.get(author, author)


def because(code: str, local: Local) -> str:
    """A code that stands among the facts as their reason."""
    if code in sentences.DUE_BECAUSE:
        return sentences.DUE_BECAUSE[code]
    if code in sentences.HINDERED:
        return sentences.HINDERED[code]
    return spoken(code, sentences.DECISIONS, {}, local).removesuffix(".")


def _moment(text: str) -> datetime | None:
    """A moment written as ISO 8601 with its offset, or None for any other text."""
    if len(text) < 16 or text[4] != "-":
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment if moment.tzinfo else None


_UNITS: tuple[tuple[str, str, int], ...] = (
    ("_kwh_per_day", "kWh a day", 1),
    ("_l40", "L", 0),
    ("_l_per_min", "L/min", 1),
    ("_l", "L", 0),
    ("_kwh", "kWh", 1),
    ("_kw", "kW", 1),
    ("_w_per_k", "W/K", 2),
    ("_w", "W", 0),
    ("watts", "W", 0),
    ("_c", "°C", 1),
    ("_k", "K", 1),
    ("_h", "h", 0),
    ("_min", "min", 0),
    ("_m", "m", 2),
)


def complete(sentence: str, facts: Facts) -> bool:
    """Whether all the facts that a sentence names are known."""
    names = (name for _, name, _, _ in Formatter().parse(sentence))
    return all(name is None or facts.get(name) is not None for name in names)


def fill(choices: tuple[str, ...], facts: Facts, local: Local) -> str:
    """The first sentence whose facts are all known, with them filled in.

    After a colon a fact may ask to be said in another way: ``part`` of the day, ``about`` so
    much or hardly any, ``plain`` without unit, ``name`` as it is written in the home's file.
    """
    for sentence in choices:
        if complete(sentence, facts):
            return "".join(
                text + ("" if name is None else _said(name, facts[name], way or "", local))
                for text, name, way, _ in Formatter().parse(sentence)
            )
    return re.sub(r"\s*\{[^}]*\}", "", choices[-1])


def _said(name: str, value: Fact, way: str, local: Local) -> str:
    if way == "name":
        return str(value)
    if isinstance(value, (int, float)):
        if way == "part":
            return local.part_of_day(value)
        if way == "about":
            round_value = about(value)
            return f"about {fact(name, round_value, local)}" if round_value else "hardly any"
        if way == "plain":
            return f"{value:.0f}"
    return fact(name, value, local)


def about(value: float) -> float:
    """A round figure that does not pretend: to 5 below 50, to 10 above, always downwards."""
    step = 5 if value < 50 else 10
    return max(0.0, value // step * step)


def spoken(code: str, table: Mapping[str, tuple[str, ...]], facts: Facts, local: Local) -> str:
    """A code's sentence; a code without one is said by its own name and facts."""
    if code in table:
        return capital(fill(table[code], facts, local))
    known = ", ".join(f"{_name(k)} {fact(k, v, local)}" for k, v in facts.items() if v is not None)
    return capital(plain(code)) + (f" ({known})." if known else ".")


def lead(reason: Reason, local: Local) -> str:
    """What matters next, as the first sentence of the page."""
    facts = dict(reason.facts)
    begins_s = facts.get("window_start")
    if isinstance(begins_s, (int, float)):
        due, running = begins_s <= local.now.timestamp(), bool(facts.get("running"))
        facts |= {
            "begun": begins_s if due and running else None,
            "under_way": "under way" if running and not due else None,  # earlier than planned
            "waits_for": None if running else facts.get("waits_for"),
            "window_start": None if due or running else begins_s,
        }
    return spoken(reason.code, {**sentences.DECISIONS, **sentences.LEADS}, facts, local)


def evidence(facts: Facts, local: Local) -> tuple[tuple[str, str], ...]:
    """Facts as pairs of name and value for a list of evidence."""
    return tuple(
        (capital(_name(name)), fact(name, value, local))
        for name, value in facts.items()
        if value is not None
    )


def _name(name: str) -> str:
    """A fact's name without its unit, which its value carries."""
    if name in sentences.FACT_NAMES:
        return sentences.FACT_NAMES[name]
    for ending in (
        *(u[0] for u in _UNITS),
        "_days",
        "_tenths",
        "_s",
    ):
        if name.endswith(ending) and len(name) > len(ending):
            return name.removesuffix(ending).replace("_", " ")
    return name.replace("_", " ")


def override(wish: Override) -> str:
    """A running override as one sentence without its end."""
    if wish.wish is Wish.MORE:
        return "One tenth more than planned"
    if wish.wish is Wish.LESS:
        return "One tenth less than planned"
    if wish.wish is Wish.CHARGE_TO:
        return f"Charge to {in_words(wish.tenths or 0)}"
    if wish.wish is Wish.GUESTS:
        people = wish.people or 0
        return f"Guests: {figure(people, 0 if people == int(people) else 1)} more " + (
            "person" if people == 1 else "people"
        )
    if wish.wish is Wish.AWAY:
        return "Nobody at home"
    if wish.wish is Wish.HOLD:
        return "Maintenance hold: nothing is commanded"
    return capital(plain(wish.wish))


def override_span(wish: Override, local: Local) -> str:
    """From when until when an override runs, and who made it."""
    start = "" if wish.since <= local.now else f"from {local.moment(wish.since)} "
    if wish.until is None:
        end = "until a person ends it"
    elif wish.wish is Wish.CHARGE_TO:
        end = f"by {local.moment(wish.until)}"
    else:
        end = f"until {local.moment(wish.until)}"
    return f"{start}{end}, asked by {person(wish.author)}"


def caution(code: str, facts: Facts, local: Local) -> str:
    """A caution for whoever opens a tap."""
    return spoken(code, sentences.CAUTIONS, facts, local)


def loss(code: str) -> str:
    """What a missing instrument costs."""
    return sentences.LOSES.get(code, capital(plain(code)) + ".")


def plan_reason(reason: Reason, local: Local) -> str:
    """Why a window or the whole plan is as it is."""
    if reason.code not in reasons.FACTS:
        return spoken(reason.code, {}, reason.facts, local)
    return plan_words.said(reason, local)


def price_note(code: str) -> str | None:
    """What is wrong with the prices a plan rests on; None when nothing is."""
    return plan_words.NOTES.get(code)


def decision_reason(reason: Reason, local: Local) -> str:
    """Why control decided as it did; a plan's reason is said as the plan says it."""
    if reason.code in sentences.DECISIONS:
        return spoken(reason.code, sentences.DECISIONS, reason.facts, local)
    return plan_reason(reason, local)


def command(given: Command) -> str:
    """One command in words."""
    if given.action == "release":
        return f"{given.actuator} is released"
    return f"{given.actuator} {_asked(given.action, given.set_c, given.power_w)}"


def commanded(lease: Lease | None) -> str:
    """What an actuator is under now."""
    return "released" if lease is None else _asked(lease.action, lease.set_c, lease.power_w)


def _asked(action: Literal["run", "block"], set_c: float | None, power_w: float | None) -> str:
    warm = None if set_c is None else f"{figure(set_c, 1)}\u00a0°C"
    if action == "block":
        return f"rests at {warm}" if warm else "is asked not to run"
    return (
        "runs"
        + (f" to {warm}" if warm else "")
        + (f" at {figure(power_w)} W" if power_w is not None else "")
    )


def demand_note(code: str) -> str:
    """What the forecast took into account."""
    return sentences.DEMAND_NOTES.get(code, capital(plain(code)) + ".")


def verdict(scores: Sequence[Score], local: Local) -> str:
    """Whether learning is yet worth trusting, in plain words."""
    found = scoring.verdict(scores)
    if found.facts.get("days") == 0:
        return "No forecast has been compared with what happened yet."
    facts = {**found.facts, "bias_l40": abs(found.facts.get("bias_l40") or 0.0)}
    return fill((sentences.VERDICTS[found.code],), facts, local)


def hygiene(facts: Facts, local: Local) -> tuple[tuple[str, str], ...]:
    """How the water's hygiene stands, as names and values."""

    def said(name: str) -> str | None:
        value = facts.get(name)
        return None if value is None else fact(name, value, local)

    state = str(facts.get("state"))
    if (state, facts.get("due_because")) == ("waiting", "first"):
        state = "first"
    lukewarm, limit = said("lukewarm_h"), said("lukewarm_limit_h")
    turnover = facts.get("turnover")
    lethality = said("lethality_decades_lowest_layer")
    lines: list[tuple[str, str | None]] = [
        ("State", sentences.HYGIENE_STATES.get(state, said("state"))),
        ("Last passed", said("passed_at") or ("not on record" if facts else None)),
        ("Next due by", said("due_at")),
        (
            "Due because of",
            sentences.DUE_BECAUSE.get(str(facts.get("due_because")), said("due_because")),
        ),
        ("Lukewarm since then", f"{lukewarm} of {limit} allowed" if limit else lukewarm),
        (
            "Water drawn since then",
            f"{figure(turnover, 1)} times the cylinder"
            if isinstance(turnover, (int, float))
            else None,
        ),
        ("Not vouched for below", said("not_vouched_below_m")),
        (
            "Lethality, least layer",
            f"{lethality} decades" if lethality is not None else None,
        ),
        ("Failed attempts", said("failures") if facts.get("failures") else None),
    ]
    return tuple((name, value) for name, value in lines if value is not None)


def hygiene_refusal(facts: Facts, local: Local) -> str | None:
    """Why thermal disinfection is refused in this home, None when it is not."""
    code = facts.get("refused")
    return spoken(code, sentences.DECISIONS, facts, local) if isinstance(code, str) else None


def notes(codes: Sequence[str]) -> list[str]:
    """How the service stands, as sentences."""
    return [sentences.NOTES.get(code, capital(plain(code)) + ".") for code in codes]
