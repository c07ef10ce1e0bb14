"""Why was it cold? One day's draw-offs beside the decisions that were in force before them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from typing import Any

from adapters.wiring import Quantity
from service.clock import in_span
from service.control import cold as why
from service.control import plant as plants
from service.control.types import Decision, Draw, Fault, Override
from service.cylinder.usable import USE_C
from service.house import House
from service.pages import fault_words, sentences, words
from service.pages.local import Local, duration, figure, quantity
from service.pages.plant import DecisionRow, decision_row
from service.records.records import Records
from service.records.values import SettingsVersion
from service.scheduling.types import Reason
from service.settings import HomeSettings, HomeWiring, Tunables

SMALL_L = 4.0  # draws below this never ran warm anyway and only hide the others
KWH_PER_LITRE_KELVIN = 1.163e-3 * 0.992  # water between inlet and outlet, near 40 degC
EARLIEST = date(2000, 1, 1)  # a day before it was mistyped; calendars themselves begin in year 1
MOST = 1000  # draws or decisions of one day
MOMENT = timedelta(microseconds=1)  # what was decided as the tap opened counts
SAID_APART_K = 3.0  # a smaller fall towards the end is not worth words
END_S = 1.0  # what is read in the very moment in which the water stops was read of that water
FULL_WARMTH_K = 1.0  # a draw this little below the temperature of use was not cold


@dataclass(frozen=True)
class Cause:
    """What made a draw-off cold, and what mends it."""

    what: str
    mend: str


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
    causes: tuple[Cause, ...] = ()  # of a cold one, the likeliest first


def content(
    home: str, house: House, records: Records, local: Local, day: date | None
) -> dict[str, Any]:
    """What the template shows of one local day, today when none is named."""
    today = local.at(local.now).date()
    day = max(min(day or today, today), EARLIEST)
    start = datetime.combine(day, time(), local.zone)
    end = datetime.combine(day + timedelta(days=1), time(), local.zone)
    drawn = records.draws(home, start, end, limit=MOST).items
    draws = [d for d in reversed(drawn) if d.litres >= SMALL_L]
    that_day = records.decisions(home, start, end, limit=MOST).items
    before = records.decisions(home, None, start, limit=1).items
    decisions = [*before, *reversed(that_day)]
    use_c = house.settings.wiring.cylinder.use_c
    shows = _shows_outlet(house.settings.wiring)
    ends_c = [_end_c(home, records, shows, d) for d in draws]
    told = [tell(d, decisions, use_c, local, end) for d, end in zip(draws, ends_c, strict=True)]
    cold, unknown = sum(t.cold for t in told), sum(not t.known for t in told)
    name = local.day(start)
    name = name if name in ("today", "yesterday") else f"on {name}"
    every = records.overrides(home, limit=MOST).items
    wishes = [o for o in every if _held(o, start, end)]
    if cold:
        faults = tuple(f.fault for f in records.faults(home, limit=MOST).items)
        versions = records.settings_versions(home, limit=MOST).items
        for n, draw in enumerate(draws):
            if told[n].cold:
                known = _before(home, house.settings, records, draw, every, faults, versions)
                said = tuple(_cause(c, draw, local) for c in why.causes(draw, known))
                told[n] = replace(told[n], causes=said)
    return {
        "lead": _lead(len(told), cold, unknown, name),
        "tap": _at_the_tap(house.settings.wiring, none_cold=len(told) > unknown and not cold),
        "day": day.isoformat(),
        "day_name": name,
        "latest": today.isoformat(),
        "before": (day - timedelta(days=1)).isoformat(),
        "after": (day + timedelta(days=1)).isoformat() if day < today else None,
        "told": told,
        "small_l": figure(SMALL_L),
        "ends_known": any(end is not None for end in ends_c),
        "wishes": [_asked(o, local) for o in reversed(wishes)],
        "decisions": [decision_row(d, local) for d in reversed(that_day)],
    }


def _before(
    home: str,
    settings: HomeSettings,
    records: Records,
    draw: Draw,
    wishes: Sequence[Override],
    faults: tuple[Fault, ...],
    versions: Sequence[SettingsVersion],
) -> why.Before:
    """What is on record of the time before a draw-off."""
    since = draw.start - why.LOOK_BACK
    earlier = records.draws(home, since, draw.start, limit=MOST).items
    lately = records.decisions(home, since, draw.start + MOMENT, limit=MOST).items
    decisions = [*lately, *records.decisions(home, None, since, limit=1).items]
    began = why.one_charge(draw, earlier)[0].start
    plans = records.plans(home, None, began, limit=1).items
    then = next((v.tunables for v in versions if v.made_at <= draw.start), settings.tunables)
    return why.Before(
        draws=tuple(reversed(earlier)),
        decisions=tuple(reversed(decisions)),
        wishes=tuple(wishes),
        faults=faults,
        unwatched=records.unwatched(home, since, draw.start),
        reference_l40=plants.of(settings.model_copy(update={"tunables": then})).reference_l40,
        comfort=then.comfort,
        quiet=_quiet(settings.wiring, then, draw.start),
        expected_l40=_expected_l40(home, records, began, draw.end),
        plan=plans[0].reason if plans else None,
    )


def _quiet(wiring: HomeWiring, then: Tunables, at: datetime) -> tuple[str, str] | None:
    """The heat pump's quiet hours, if they held at a moment or until shortly before."""
    if wiring.heat_pump is None or then.quiet_from is None or then.quiet_until is None:
        return None
    for moment in (at, at - why.AT_ONCE):
        local = moment.astimezone(wiring.zone_info)
        second = local.hour * 3600 + local.minute * 60 + local.second
        if in_span(second, then.quiet_from, then.quiet_until):
            return then.quiet_from, then.quiet_until
    return None


def _expected_l40(home: str, records: Records, began: datetime, end: datetime) -> float | None:
    """What the last forecast before ``began`` expected in the slots until ``end``, L at 40 degC."""
    made = records.forecasts(home, None, began, limit=1).items
    if not made or made[0].until < end:
        return None
    grid = made[0].means.grid
    within = (grid.end_s > began.timestamp()) & (grid.start_s < end.timestamp())
    return float(made[0].means.expected_l40[within].sum())


def _cause(found: Reason | Fault, draw: Draw, local: Local) -> Cause:
    """What made a draw-off cold, in words."""
    if isinstance(found, Fault):
        said = fault_words.fault(found, local)
        noticed = "Noticed" if found.since <= draw.start else "Noticed only afterwards,"
        return Cause(f"{said.title} {noticed} {said.since}.", said.remedy)
    choices, mend = sentences.COLD[found.code]
    return Cause(words.capital(words.fill(choices, found.facts, local)), mend)


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


def outlet_c(draw: Draw) -> float | None:
    """The mean temperature of a draw-off from its heat and volume, degC.

    Both were counted above the cold inlet of that day, which its litres at 40 degC tell again: the
    mains are 10 K colder in winter. None without heat or volume, and for one read from the
    cooling of the cylinder, which is not metered.
    """
    if min(draw.litres, draw.kwh, draw.litres_40c) <= 0 or draw.measured_by == "profile":
        return None
    inlet_c = USE_C - draw.kwh / (draw.litres_40c * KWH_PER_LITRE_KELVIN)
    return inlet_c + draw.kwh / (draw.litres * KWH_PER_LITRE_KELVIN)


def _ahead(seconds: float) -> str:
    return f"{duration(seconds)} before" if seconds >= 1.0 else "just before"


def _shows_outlet(wiring: HomeWiring) -> str | None:
    """The signal that shows what leaves the cylinder: at its outlet, else the highest probe."""
    at_outlet = wiring.signals_of(Quantity.OUTLET_TEMPERATURE)
    probes = sorted(wiring.signals_of(Quantity.PROBE), key=lambda s: s.height_m or 0.0)
    found = [*probes, *at_outlet]
    return found[-1].name if found else None


def _end_c(home: str, records: Records, signal: str | None, draw: Draw) -> float | None:
    """How warm the water was when a draw-off ended, degC; None where no reading of then is kept."""
    if signal is None:
        return None
    until = draw.end + timedelta(seconds=END_S)
    kept = records.stretches(home, draw.start, until, signals=(signal,), limit=MOST).items
    return kept[-1].mean if kept else None


def tell(
    draw: Draw,
    decisions: Sequence[Decision],
    use_c: float,
    local: Local,
    end_c: float | None,
) -> Told:
    """A draw-off with the last decision before it.

    ``end_c``: how warm the water was at its end, degC; one that began hot may have run cold.
    """
    mean_c = outlet_c(draw)
    known = [c for c in (mean_c, end_c) if c is not None]
    said = [] if mean_c is None else [f"about {figure(mean_c)}\u00a0°C"]
    least_c = use_c - FULL_WARMTH_K
    decides = mean_c is not None and end_c is not None and end_c < least_c <= mean_c
    if end_c is not None and (mean_c is None or decides or end_c < mean_c - SAID_APART_K):
        said.append(f"{figure(end_c)}\u00a0°C at its end")
    before = next((d for d in reversed(decisions) if d.at <= draw.start), None)
    return Told(
        when=local.moment(draw.start),
        lasted=duration((draw.end - draw.start).total_seconds()),
        litres=figure(draw.litres),
        litres_40c=figure(draw.litres_40c),
        warmth=", ".join(said) or "warmth not known",
        known=bool(known),
        cold=min(known, default=use_c) < least_c,
        decision=decision_row(before, local) if before else None,
        decided=_ahead((draw.start - before.at).total_seconds()) if before else "",
    )
