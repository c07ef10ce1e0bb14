"""Why was it cold? One day's draw-offs beside the decisions that were in force before them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any

from service import warmth
from service.control.types import Decision, Override
from service.house import House
from service.pages import cold_words, words
from service.pages.local import Local, duration, figure, quantity
from service.pages.plant import DecisionRow, decision_row
from service.records.records import Records
from service.settings import HomeWiring
from service.warmth import Warmth

EARLIEST = date(2000, 1, 1)  # a day before it was mistyped; calendars themselves begin in year 1
MOST = 1000  # draws or decisions of one day
SAID_APART_K = 3.0  # a smaller fall towards the end is not worth words


@dataclass(frozen=True)
class Told:
    """A draw-off with how warm it came and the decision before it."""

    when: str
    lasted: str
    litres: str
    litres_40c: str
    warmth: str
    known: bool
    cold: bool
    decision: DecisionRow | None
    decided: str
    causes: tuple[cold_words.Cause, ...]  # of a cold one, the likeliest first


def content(
    home: str, house: House, records: Records, local: Local, day: date | None
) -> dict[str, Any]:
    """What the template shows of one local day, today when none is named."""
    today = local.at(local.now).date()
    day = max(min(day or today, today), EARLIEST)
    start = datetime.combine(day, time(), local.zone)
    end = datetime.combine(day + timedelta(days=1), time(), local.zone)
    that_day = records.decisions(home, start, end, limit=MOST).items
    before = records.decisions(home, None, start, limit=1).items
    decisions = [*before, *reversed(that_day)]
    drawn = warmth.of_draws(house.settings, records, start, end, limit=MOST).items[::-1]
    told = [_told(w, decisions, local) for w in drawn]
    cold, unknown = sum(t.cold for t in told), sum(not t.known for t in told)
    name = local.day(start)
    name = name if name in ("today", "yesterday") else f"on {name}"
    wishes = [o for o in records.overrides(home, limit=MOST).items if _held(o, start, end)]
    return {
        "lead": _lead(len(told), cold, unknown, name),
        "tap": _at_the_tap(house.settings.wiring, none_cold=len(told) > unknown and not cold),
        "day": day.isoformat(),
        "day_name": name,
        "latest": today.isoformat(),
        "before": (day - timedelta(days=1)).isoformat(),
        "after": (day + timedelta(days=1)).isoformat() if day < today else None,
        "told": told,
        "small_l": figure(warmth.SMALL_L),
        "ends_known": any(w.end_c is not None for w in drawn),
        "wishes": [_asked(o, local) for o in reversed(wishes)],
        "decisions": [decision_row(d, local) for d in reversed(that_day)],
    }


def _held(wish: Override, start: datetime, end: datetime) -> bool:
    """Whether a wish was in force at any time from ``start`` to ``end``."""
    over = min((t for t in (wish.until, wish.ended_at) if t is not None), default=end)
    return wish.since < min(over, end) and over > start


def _asked(wish: Override, local: Local) -> str:
    """A wish of then as one line: what, when, and how it ended if before its time."""
    since = f"since {local.moment(wish.since)}, " if wish.since <= local.now else ""
    said = f"{words.override(wish)}, {since}{words.override_span(wish, local)}"
    if wish.ended_at is None:
        return said
    by = words.person(wish.ended_by or "")
    return f"{said}; ended {local.moment(wish.ended_at)} by {by}"


def _lead(count: int, cold: int, unknown: int, day: str) -> str:
    if not count:
        return f"No draw-offs worth the name {day}."
    known = count - unknown
    if not known:
        many = "one draw-off" if count == 1 else f"{count} draw-offs"
        return f"How warm the {many} {day} came is not known."
    the = "" if unknown else "the "
    one = words.capital(f"{the}one draw-off {day}")
    if not cold:
        none = f"None of {the}{known} draw-offs {day} came"
        said = f"{one} did not come" if known == 1 else none
    elif known == 1:
        said = f"{one} came"
    else:
        many = "One draw-off" if cold == 1 else f"{cold} draw-offs"
        said = f"{many} of {known} {day} came"
    more = "one" if unknown == 1 else unknown
    rest = f" How warm {more} more came is not known." if unknown else ""
    return f"{said} colder than wanted.{rest}"


def _at_the_tap(wiring: HomeWiring, *, none_cold: bool) -> str | None:
    """What no meter at the cylinder sees: between it and a person stand a valve and a pipe."""
    valve_c, use_c = wiring.cylinder.mixing_valve_c, wiring.cylinder.use_c
    if valve_c is not None and valve_c < use_c:
        return (
            f"By the home's file the mixing valve is set to {quantity(valve_c, '°C')}: no tap gets "
            f"water at {quantity(use_c, '°C')}, however hot the cylinder is. A licensed person may "
            "set it higher, as far as the people who live here stay safe from scalding."
        )
    if none_cold:
        return (
            "That is how warm it left the cylinder. If it was cold at a tap all the same, look at "
            "the mixing valve, at the tap's own mixer and thermostat, and at the pipe between."
        )
    return None


def _ahead(seconds: float) -> str:
    return f"{duration(seconds)} before" if seconds >= 1.0 else "just before"


def _told(found: Warmth, decisions: Sequence[Decision], local: Local) -> Told:
    """A draw-off with the last decision before it."""
    draw, mean_c, end_c = found.draw, found.mean_c, found.end_c
    said = [] if mean_c is None else [f"about {figure(mean_c)}\u00a0°C"]
    decides = mean_c is not None and end_c is not None and end_c < found.least_c <= mean_c
    if end_c is not None and (mean_c is None or decides or end_c < mean_c - SAID_APART_K):
        said.append(f"{figure(end_c)}\u00a0°C at its end")
    before = next((d for d in reversed(decisions) if d.at <= draw.start), None)
    return Told(
        when=local.moment(draw.start),
        lasted=duration((draw.end - draw.start).total_seconds()),
        litres=figure(draw.litres),
        litres_40c=figure(draw.litres_40c),
        warmth=", ".join(said) or "warmth not known",
        known=found.cold is not None,
        cold=bool(found.cold),
        decision=decision_row(before, local) if before else None,
        decided=_ahead((draw.start - before.at).total_seconds()) if before else "",
        causes=tuple(cold_words.cause(c, draw, local) for c in found.causes),
    )
