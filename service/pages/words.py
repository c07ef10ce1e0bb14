"""English for codes and facts: leads, rules, faults, hygiene, cautions, missing instruments.

A code has one or more sentences, from the fullest to the plainest; the first whose facts are all
known is said. A fact is written by the unit in its name (``_c``, ``_l40``, ``_s``, ...), so a
sentence never needs to know how. Plan reasons have their own words, in scheduling.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from string import Formatter
from typing import Literal

from adapters.types import Command
from adapters.wiring import Form
from service import scoring
from service.control.detectors import BY_CODE as DETECTORS
from service.control.state import Lease
from service.control.types import Fault, Override, Rule, Wish
from service.pages import plan_words
from service.pages.local import Local, chance, duration, figure, in_words, quantity
from service.records.values import Score
from service.scheduling import reasons
from service.scheduling.types import Reason

Fact = float | int | str | None
Facts = Mapping[str, Fact]
EPOCH_LEAST_S = 1e9  # a number above this is a moment, seconds since 1970

RULES: dict[Rule, tuple[str, str]] = {
    Rule.HARD_LIMITS: ("A hard limit", "The ceiling, allowed starts and minimum rests come first."),
    Rule.FAIL_SAFE: (
        "Fail-safe",
        "Ladle has let go. The cylinder is on its own thermostats until readings can be trusted.",
    ),
    Rule.MAINTENANCE_HOLD: (
        "Maintenance hold",
        "Nothing is commanded until a person ends the hold. This is not electrical isolation.",
    ),
    Rule.HYGIENE: ("Hygiene", "A thermal disinfection is due or under way."),
    Rule.OVERRIDE: ("Somebody's wish", "A person asked for more or less than the plan."),
    Rule.GUESTS_AND_AWAY: ("Guests or absence", "More or fewer people than usual."),
    Rule.PLAN: ("The plan", "The cheapest way to have the water there in time."),
}

LEADS: dict[str, tuple[str, ...]] = {
    "nothing_known_yet": ("Ladle has just started here and is waiting for its first readings.",),
    "charge_known_habits_not_yet": (
        "Hot water now: {usable_l40:about}. Ladle does not know the household's habits yet.",
        "Ladle does not know the household's habits yet.",
    ),
    "enough_for_next": (
        "Enough for {at:part}, {spare_l40:about} to spare.",
        "There is enough hot water.",
    ),
    "probably_enough_for_next": (
        "Probably enough for {at:part}: {likely_l40:about} are likely, of which "
        "{usable_l40:about} are seen for sure.",
        "Probably there is enough hot water.",
    ),
    "charging_before_next": (
        "Not yet enough for {at:part}: charging to {target_tenths} since {begun}.",
        "Not yet enough for {at:part}: charging to {target_tenths} is held back by {waits_for}.",
        "Not yet enough for {at:part}: charging to {target_tenths} from {window_start}.",
        "Not yet enough for {at:part}: charging to {target_tenths} is {under_way:name}.",
        "Not yet enough for {at:part}; charging is planned before.",
        "Charging is planned before the next use.",
    ),
    "short_for_next": (
        "It may run short {at:part}: {usable_l40:about} can be counted on, and "
        "{expected_l40:about} are usual by then, sometimes more.",
        "It may run short at the next use.",
    ),
    # what an installer reads in full among the decisions, here as a household needs it
    "at_ceiling": ("The cylinder is as hot as it may get, so nothing heats it for now.",),
    "stopping": ("Ladle is shutting down; the cylinder keeps itself hot by its own thermostats.",),
    "clock_cannot_be_right": (
        "Ladle's clock is wrong; the cylinder keeps itself hot by its own thermostats.",
    ),
    "broker_gone": ("No readings come in; the cylinder keeps itself hot by its own thermostats.",),
    "waiting_for_readings": (
        "Ladle is waiting for its first readings; the cylinder is on its own thermostats.",
    ),
    "readings_stale": (
        "No readings come in; the cylinder keeps itself hot by its own thermostats.",
    ),
    "readings_contradict": (
        "The readings cannot be trusted; the cylinder keeps itself hot by its own thermostats.",
    ),
    "hold": (
        "Held for maintenance by {by} since {since}: nothing is commanded.",
        "Held for maintenance: nothing is commanded.",
    ),
    "disinfection_heating": (
        "The cylinder is being disinfected by heat, so its water gets hotter than usual.",
    ),
    "disinfection_holding": (
        "The cylinder is being disinfected by heat, so its water is hotter than usual.",
    ),
}

CAUTIONS: dict[str, tuple[str, ...]] = {
    "hotter_than_usual": (
        "The water in the cylinder is hotter than usual, up to {hottest_c}, and can scald. Run "
        "cold first and test it before anybody gets in or under.",
        "The water in the cylinder is hotter than usual and can scald. Run cold first and test it "
        "before anybody gets in or under.",
    ),
    "flush_after_absence": (
        "The house stood empty. The cylinder is being looked after, but pipes and outlets are "
        "not: flush every tap and shower before use, following local guidance.",
    ),
}

SAFETY: tuple[str, ...] = (
    "Stored hot water can scald. Test the water before a bath, above all for children and "
    "frail people.",
    "Water that is kept too cool for long can grow Legionella. The installer sets how often the "
    "cylinder is disinfected by heat; local guidance comes first.",
    "Ladle controls comfort and cost only. The cylinder's own thermostats, its "
    "non-self-resetting cut-outs, relief valves and mixing valves stay in charge and in series "
    "with it. They must never be bridged.",
    "Cylinder, valves and wiring are fitted and serviced by licensed people to local codes.",
)


@dataclass(frozen=True)
class FaultWords:
    """A fault for people: what is wrong, what to do, and the figures it rests on."""

    code: str
    subject: str
    title: str
    remedy: str
    since: str
    lasted: str
    severity: str
    evidence: tuple[tuple[str, str], ...]
    cleared: str | None
    acknowledged: str | None = None


AUTHORS = {
    "local": "somebody at this computer",
    "mqtt": "the home automation",
    "calendar": "the calendar",
}
_NAMES = {  # of sources, and of slow work that fails
    "heat_pump": "heat pump",
    "immersion": "immersion heater",
    "learn": "learn from the draws",
    "forecast": "forecast the draws",
}


def plain(code: str) -> str:
    """A code as words, for names that need no more than their underscores taken away."""
    return _NAMES.get(code, code.replace("_", " "))


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
        return ", ".join(HELD_BACK.get(c, plain(c)) for c in str(value).split(", "))
    if name in VERBATIM:
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
    return AUTHORS.get(author, author)


def because(code: str, local: Local) -> str:
    """A code that stands among the facts as their reason."""
    if code in DUE_BECAUSE:
        return DUE_BECAUSE[code]
    return spoken(code, DECISIONS, {}, local).removesuffix(".")


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


def fill(sentences: tuple[str, ...], facts: Facts, local: Local) -> str:
    """The first sentence whose facts are all known, with them filled in.

    After a colon a fact may ask to be said in another way: ``part`` of the day, ``about`` so
    much or hardly any, ``plain`` without unit, ``name`` as it is written in the home's file.
    """
    for sentence in sentences:
        pieces = list(Formatter().parse(sentence))
        if all(name is None or facts.get(name) is not None for _, name, _, _ in pieces):
            return "".join(
                text + ("" if name is None else _said(name, facts[name], way or "", local))
                for text, name, way, _ in pieces
            )
    return re.sub(r"\s*\{[^}]*\}", "", sentences[-1])


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
    return spoken(reason.code, {**DECISIONS, **LEADS}, facts, local)


def evidence(facts: Facts, local: Local) -> tuple[tuple[str, str], ...]:
    """Facts as pairs of name and value for a list of evidence."""
    return tuple(
        (capital(_name(name)), fact(name, value, local))
        for name, value in facts.items()
        if value is not None
    )


def _name(name: str) -> str:
    """A fact's name without its unit, which its value carries."""
    if name in FACT_NAMES:
        return FACT_NAMES[name]
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
    return spoken(code, CAUTIONS, facts, local)


FORMS: dict[Form, str] = {
    Form.ON_OFF: "On or off",
    Form.SET_TEMPERATURE: "Set temperature",
    Form.DIVERTER: "PV diverter: permission and target",
    Form.TERMINALS: "Two smart-grid contacts",
}

RELEASED_BY: dict[str, str] = {
    "own_timer": "its own timer",
    "heartbeat": "a watchdog on the heartbeat",
    "hard_wired": "hard wiring",
    "nobody": "nobody",
}

DECISIONS: dict[str, tuple[str, ...]] = {
    # hard limits
    "at_ceiling": (
        "Everything is released: a probe stands at {hottest_c}, and the ceiling is {ceiling_c}.",
        "Everything is released: a probe stands at the ceiling.",
    ),
    # fail-safe
    "stopping": ("Ladle is shutting down; the cylinder is on its own thermostats.",),
    "clock_cannot_be_right": (
        "The clock says it is the year {year:plain}, which cannot be; the cylinder is on its own "
        "thermostats.",
        "The clock cannot be right; the cylinder is on its own thermostats.",
    ),
    "broker_gone": ("The broker is gone; the cylinder is on its own thermostats.",),
    "no_probe": ("No probe is wired, so Ladle only watches.",),
    "waiting_for_readings": (
        "Waiting for the first reading of {signals:name}; nothing is switched before.",
        "Waiting for the first readings; nothing is switched before.",
    ),
    "readings_stale": (
        "No fresh reading of {signals:name}; the cylinder is on its own thermostats.",
        "Readings are stale; the cylinder is on its own thermostats.",
    ),
    "readings_contradict": (
        "The readings contradict each other ({signals:name}); the cylinder is on its own "
        "thermostats. Check the topics and heights of these probes, then the sensors.",
        "The readings contradict each other; the cylinder is on its own thermostats.",
    ),
    "no_estimate": ("The charge is not known yet; the cylinder is on its own thermostats.",),
    # maintenance hold
    "hold": (
        "Maintenance hold by {by} since {since}: nothing is commanded until a person ends it.",
        "Maintenance hold: nothing is commanded until a person ends it.",
    ),
    # hygiene
    "disinfection_heating": (
        "Thermal disinfection: heating until {probe:name} stands at {disinfect_c}.",
        "Thermal disinfection: heating.",
    ),
    "disinfection_holding": (
        "Thermal disinfection: {probe:name} has held {disinfect_c} for {held_s} of {hold_s}.",
        "Thermal disinfection: the temperature is held.",
    ),
    "disinfection_refused_no_mixing_valve": (
        "Thermal disinfection is refused: no mixing valve is recorded.",
    ),
    "disinfection_refused_no_probe": (
        "Thermal disinfection is refused: no probe is named that could measure it.",
    ),
    "disinfection_refused_probe_missing": (
        "Thermal disinfection is refused: {signals} should measure it and is not in the file any "
        "more. The installer names others in hygiene.probes, or puts the file right.",
        "Thermal disinfection is refused: a probe that should measure it is not in the file.",
    ),
    "disinfection_refused_ceiling": (
        "Thermal disinfection is refused: {disinfect_c} lies above the ceiling of {ceiling_c}.",
        "Thermal disinfection is refused: it lies above the ceiling.",
    ),
    "disinfection_refused_no_source_reaches": (
        "Thermal disinfection is refused: no source can bring {probe:name} at {probe_height_m} to "
        "{disinfect_c}.",
        "Thermal disinfection is refused: no source reaches it at the lowest probe.",
    ),
    # wishes
    "more": (
        "Somebody asked for more: charging to {until_tenths}.",
        "Somebody asked for more.",
    ),
    "less": ("Somebody asked for less, so planned charging is left out.",),
    "charge_to": (
        "Somebody asked for {tenths} by {until}; the {source} begins in time.",
        "Somebody asked for a charge by a time.",
    ),
    # guests and away
    "guests": (
        "Guests are here: charging to {until_tenths}.",
        "Guests are here: the reserve is higher.",
    ),
    "away": ("Nobody is at home, so no charge is kept.",),
    "frost_protection": (
        "Nobody is at home and a probe stands at {coldest_c}: warming against frost.",
        "Nobody is at home: warming against frost.",
    ),
    # the plan
    "plan_idle": ("The charge is where the plan wants it; nothing runs.",),
    "no_plan_reserve": (
        "There is no plan yet, so the reserve is kept: charging to {until_tenths}.",
        "There is no plan yet, so the reserve is kept.",
    ),
    "no_plan_idle": ("There is no plan yet; the reserve is there and nothing runs.",),
}

DEMAND_NOTES: dict[str, str] = {
    "holiday": "A public holiday is coming; it is forecast like the day it resembles.",
    "guests": "Guests are counted in.",
    "away": "Nobody is expected to be at home for part of the time.",
    "habits_changed": "The last two weeks do not look like those before: habits seem "
    "to have changed.",
    "absence_noticed": "Hardly anything was drawn lately: the house seems empty.",
}

FAULTS: dict[str, tuple[str, str]] = {
    "command_without_effect": (
        "The {subject} was asked to heat and does not.",
        "Look whether it is switched on and shows a fault of its own. If not, ask the installer to "
        "check the command's way to it. The cylinder's own controls are not affected.",
    ),
    "pump_moves_no_water": (
        "The heat pump makes heat that does not reach the cylinder.",
        "Ask the installer to check the charging pump, its valves, its strainer and for air.",
    ),
    "uncommanded_running": (
        "The {subject} runs although nothing asked it to.",
        "Its own timer or control may have called. If nobody set that, ask the installer to check "
        "for a stuck relay or contactor.",
    ),
    "immersion_thermostat_stuck": (
        "The immersion heater's thermostat does not open.",
        "Switch the immersion heater off at its isolator and have a licensed person replace the "
        "thermostat before it is used again. The water may be very hot.",
    ),
    "tap_left_open": (
        "Water has been running for a long time.",
        "Look for a tap left open or a burst pipe. If you find neither, close the cylinder's feed "
        "and call somebody.",
    ),
    "water_keeps_running": (
        "Water never quite stops running.",
        "Look for a dripping tap, a running cistern or a weeping relief valve.",
    ),
    "slow_reheat": (
        "The {subject} heats more slowly than it used to.",
        "Ask the installer to look at flow, filters, refrigerant charge and settings.",
    ),
    "limescale_drift": (
        "The {subject} has slowly lost heating power.",
        "This is what limescale does. Ask the installer to inspect and descale at the next visit.",
    ),
    "secondary_return_mixes": (
        "The secondary return stirs the cylinder and cools its hot water.",
        "Ask the installer to shorten its hours, slow its pump or move where it returns.",
    ),
    "left_to_itself": (
        "Ladle has let go; the cylinder has been on its own thermostats for half an hour or more.",
        "Look at the reason below and at the other faults. The home has hot water as long as its "
        "own controls make it; Ladle takes over again by itself when it can.",
    ),
    "flush_after_absence": (
        "Taps and showers stood unused while nobody was at home.",
        "Flush every tap and shower before use, following local guidance: the cylinder is looked "
        "after, pipes and outlets are not. Say here that you have seen it when it is done.",
    ),
    "probe_open_circuit": (
        "The probe {subject:name} has a broken wire.",
        "Check its cable and connections. Ladle goes on without it and is less certain.",
    ),
    "probe_silent": (
        "The probe {subject:name} has fallen silent.",
        "Check its cable and whatever publishes it. Ladle goes on without it and is less certain.",
    ),
    "probe_stuck": (
        "The probe {subject:name} is stuck at one value.",
        "Check that it sits in its pocket and that its topic is alive. Ladle goes on without it.",
    ),
    "probe_jumping": (
        "The probe {subject:name} jumps about.",
        "Check its connections and its pocket. Ladle goes on without it and is less certain.",
    ),
    "probe_swapped": (
        "The probe {subject:name} seems to be swapped with {with:name}.",
        "Check which cable goes to which pocket, and mend the wiring or the configuration.",
    ),
    "probe_wrong_height": (
        "The probe {subject:name} seems to sit at another height than stated.",
        "Measure its pocket's height above the cylinder's floor and correct the configuration.",
    ),
    "signal_stale": (
        "The signal {subject:name} has no fresh value.",
        "Check its battery, its cable and whatever publishes its topic.",
    ),
    "signal_rare": (
        "The signal {subject:name} reports only every {apart_s}, and a value counts for "
        "{stale_after_s}.",
        "Let it report oftener, or set its stale_after_s to twice the time between its reports. In "
        "between Ladle does not know it, and without a probe nothing is commanded.",
    ),
    "nonsense_readings": (
        "The signal {subject:name} keeps saying what cannot be.",
        "Check its unit and its topic in the configuration, then the sensor. Such values are "
        "never used.",
    ),
    "clock_jumped": (
        "The clock of Ladle's computer jumped.",
        "Check the time source of the computer that runs Ladle. Leases and run times are not "
        "affected; they do not go by the clock.",
    ),
    "clock_cannot_be_right": (
        "The clock of Ladle's computer cannot be right.",
        "Set the clock of the computer that runs Ladle, or give it a time source. Until then the "
        "cylinder is on its own thermostats.",
    ),
    "work_failed": (
        "Ladle could not {subject}.",
        "Ladle tries again by itself and meanwhile goes by what it has. If it lasts, send the "
        "message below to whoever maintains Ladle.",
    ),
    "disinfection_overdue": (
        "The thermal disinfection is overdue by {overdue_h}.",
        "Ask the installer to find out what holds it back. Until it has passed, follow local "
        "guidance for water that may carry Legionella.",
    ),
    "disinfection_failed": (
        "The thermal disinfection did not get hot, or not for long enough.",
        "It is tried again. If that fails too, ask the installer to check the heat source, the "
        "probe's place and the settings.",
    ),
    "disinfection_refused": (
        "Thermal disinfection cannot be done in this home.",
        "The evidence says why. Until it is mended, the cylinder must be kept wholesome in "
        "another way, following local codes and guidance.",
    ),
}
VERBATIM = frozenset({"running", "signals", "probe", "message", "with"})  # names, texts
HELD_BACK: dict[str, str] = {
    "minimum_run": "the minimum run",
    "minimum_rest": "the minimum rest",
    "starts_used_up": "the starts allowed in an hour",
    "power_limit": "the power limit",
    "will_not_call": "the heat pump's own control, which would not call now",
    "block_used_up": "the longest blocking allowed in a day, which is used up",
    "drained": "the water, which has been drained and must flow in again first",
}
FACT_NAMES: dict[str, str] = {
    "charge_l40": "charge",
    "sure_l40": "at least",
    "hottest_c": "hottest probe",
    "waits_for": "held back by",
    "plan_made_at": "plan of",
    "watts": "electricity",
    "overdue_h": "overdue by",
    "reaches_c": "hottest water to be had",
    "age_s": "age",
}

# The same where more is known: said instead when all its facts are there.
FAULTS_EXPLAINED: dict[str, tuple[str, str]] = {
    "disinfection_overdue": (
        "The thermal disinfection is overdue by {overdue_h}: it needs {disinfect_c}, and in this "
        "cold nothing heats the water above {reaches_c}.",
        "It is done once it is warmer outside. Ask the installer for a source that gets hotter in "
        "winter, such as an immersion heater. Until it has passed, follow local guidance for "
        "water that may carry Legionella.",
    ),
}

UNKNOWN_REMEDY = "Look at the evidence. If it lasts, ask whoever installed the plant."

LOSES: dict[str, str] = {
    "no_probe_no_charge": "Without a probe the charge cannot be known, and nothing is commanded.",
    "one_probe_wide_band": "With one probe the charge is known only roughly, so less is promised "
    "than is probably there.",
    "no_flow_meter_draws_from_profile": "Without a flow meter draws are read from the cooling of "
    "the cylinder; small ones go unseen.",
    "no_cold_inlet_seasonal_guess": "Without a cold-inlet sensor its temperature is a guess by "
    "season that the probes correct, and litres at 40\u00a0°C are less sure.",
    "no_heat_pump_meter_effect_from_temperatures": "Without a meter on the heat pump, whether it "
    "runs is seen only from rising temperatures, its cost only from its data sheet.",
    "no_immersion_meter_effect_from_temperatures": "Without a meter on the immersion heater, "
    "whether it heats is seen only from rising temperatures.",
    "no_outdoor_seasonal_guess": "Without an outdoor sensor the heat pump's efficiency is "
    "reckoned from a guess by season.",
    "no_export_no_surplus": "Without an export meter PV surplus cannot be used or forecast.",
    "no_mixing_valve_no_disinfection": "No thermostatic mixing valve is recorded, so thermal "
    "disinfection is refused.",
}

NOTES: dict[str, str] = {
    "invented_history": "The history shown here is invented, to demonstrate Ladle. "
    "No such household exists.",
    "loopback_until_restart": "Ladle started without an access token, so it answers on this "
    "computer only. Make a token, then start Ladle again, to open it to the address in its file.",
    "other_cylinder": "The file names another cylinder than before. What was known of the old "
    "one is dropped: its water, its last thermal disinfection and how fast it was heated. The next "
    "disinfection is due within a day. Where a flow meter is fitted the immersion heater waits "
    "until enough water has flowed to fill it: open a tap.",
    "other_probes": "The file names other probes, or other heights, than before. What was learned "
    "of the old ones is dropped, and how fast the water was heated by them.",
    "other_heat_pump": "The file names another heat pump, or other figures of it, than before. "
    "Its faults, the plan made for it and how fast it heated are dropped.",
    "other_immersion": "The file names another immersion heater than before, or none. Its faults, "
    "the plan made for it and how fast it heated are dropped. One that was not there before waits, "
    "where a flow meter is fitted, until enough water has flowed to fill the cylinder: open a tap.",
    "step_failing": "The control step fails. Everything is released and the cylinder is on its own "
    "thermostats; the log says why.",
}


def fault(item: Fault, local: Local, acknowledged: str | None = None) -> FaultWords:
    """A fault in words."""
    facts = {"subject": item.subject, **item.facts}
    detector = DETECTORS.get(item.code)
    found = f"{detector.finds if detector else plain(item.code)}: {{subject:name}}."
    said = FAULTS.get(item.code, (found, UNKNOWN_REMEDY))
    titles, remedies = zip(FAULTS_EXPLAINED.get(item.code, said), said, strict=True)
    end: datetime = item.cleared_at or local.now
    return FaultWords(
        code=item.code,
        subject=item.subject,
        title=capital(fill(titles, facts, local)),
        remedy=fill(remedies, facts, local),
        since=local.moment(item.since),
        lasted=duration((end - item.since).total_seconds()),
        severity="Fault" if item.severity == "fault" else "Warning",
        evidence=evidence(item.facts, local),
        cleared=local.moment(item.cleared_at) if item.cleared_at else None,
        acknowledged=acknowledged,
    )


def lasting(faults: Sequence[Fault]) -> list[Fault]:
    """The faults that have not cleared, what is broken before what is only odd."""
    return sorted(
        (f for f in faults if f.cleared_at is None), key=lambda f: (f.severity != "fault", f.since)
    )


def loss(code: str) -> str:
    """What a missing instrument costs."""
    return LOSES.get(code, capital(plain(code)) + ".")


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
    if reason.code in DECISIONS:
        return spoken(reason.code, DECISIONS, reason.facts, local)
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
    return DEMAND_NOTES.get(code, capital(plain(code)) + ".")


VERDICTS: dict[str, str] = {
    "too_early": "The forecast can be judged after {needed_days:plain} days; days so far: "
    "{days:plain}.",
    "too_sure": "The forecast has been too sure of itself lately: more was drawn than it thought "
    "likely. The plan keeps more in hand by itself; look at the learning window.",
    "no_better_than_last_week": "So far the forecast is no better than looking up last week: this "
    "household has few habits, or they have changed.",
    "trusted": "The forecast has earned trust over {days:plain} days: on average it is {bias_l40} "
    "off, of {mean_l40} a day.",
}


def verdict(scores: Sequence[Score], local: Local) -> str:
    """Whether learning is yet worth trusting, in plain words."""
    found = scoring.verdict(scores)
    if found.facts.get("days") == 0:
        return "No forecast has been compared with what happened yet."
    facts = {**found.facts, "bias_l40": abs(found.facts.get("bias_l40") or 0.0)}
    return fill((VERDICTS[found.code],), facts, local)


HYGIENE_STATES = {
    "running": "A thermal disinfection is under way",
    "refused": "Refused, see below",
    "overdue": "Overdue",
    "waiting": "In order",
    "first": "Not yet disinfected here",
}
DUE_BECAUSE = {
    "interval": "the longest interval",
    "lukewarm": "water was lukewarm for too long",
    "return": "somebody comes back after an absence",
    "first": "nothing is known of the time before",
}


def hygiene(facts: Facts, local: Local) -> tuple[tuple[str, str], ...]:
    """How the water's hygiene stands, as names and values."""

    def said(name: str) -> str | None:
        value = facts.get(name)
        return None if value is None else fact(name, value, local)

    due, state = facts.get("due_in_h"), str(facts.get("state"))
    if (state, facts.get("due_because")) == ("waiting", "first"):
        state = "first"
    lukewarm, limit = said("lukewarm_h"), said("lukewarm_limit_h")
    turnover = facts.get("turnover")
    lethality = said("lethality_decades_lowest_layer")
    lines: list[tuple[str, str | None]] = [
        ("State", HYGIENE_STATES.get(state, said("state"))),
        ("Last passed", said("passed_at") or ("not on record" if facts else None)),
        (
            "Next due by",
            local.moment(local.now.timestamp() + float(due) * 3600)
            if isinstance(due, (int, float))
            else None,
        ),
        ("Due because of", DUE_BECAUSE.get(str(facts.get("due_because")), said("due_because"))),
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
    return spoken(code, DECISIONS, facts, local) if isinstance(code, str) else None


def notes(codes: Sequence[str]) -> list[str]:
    """How the service stands, as sentences."""
    return [NOTES.get(code, capital(plain(code)) + ".") for code in codes]
