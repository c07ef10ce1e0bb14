"""A fault for people: what is wrong, what to do about it, and the figures it rests on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from service.control.detectors import BY_CODE as DETECTORS
from service.control.types import Fault
from service.pages import words
from service.pages.local import Local, duration

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
        "The thermal disinfection is overdue: it was due {due_s}.",
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

# The same where more is known: said instead when all its facts are there.
FAULTS_EXPLAINED: dict[str, tuple[str, str]] = {
    "disinfection_overdue": (
        "The thermal disinfection is overdue: it was due {due_s}. It needs {disinfect_c}, and in "
        "the cold of that time nothing heated the water above {reaches_c}.",
        "It is done once it is warmer outside. Ask the installer for a source that gets hotter in "
        "winter, such as an immersion heater. Until it has passed, follow local guidance for "
        "water that may carry Legionella.",
    ),
}

UNKNOWN_REMEDY = "Look at the evidence. If it lasts, ask whoever installed the plant."


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


def fault(item: Fault, local: Local, acknowledged: str | None = None) -> FaultWords:
    """A fault in words."""
    facts = {"subject": item.subject, **item.facts}
    detector = DETECTORS.get(item.code)
    found = f"{detector.finds if detector else words.plain(item.code)}: {{subject:name}}."
    said = FAULTS.get(item.code, (found, UNKNOWN_REMEDY))
    title, remedy = FAULTS_EXPLAINED.get(item.code, said)
    if not words.complete(title, facts):  # then its remedy, which names no fact, is none either
        title, remedy = said
    end: datetime = item.cleared_at or local.now
    return FaultWords(
        code=item.code,
        subject=item.subject,
        title=words.capital(words.fill((title,), facts, local)),
        remedy=words.fill((remedy,), facts, local),
        since=local.moment(item.since),
        lasted=duration((end - item.since).total_seconds()),
        severity="Fault" if item.severity == "fault" else "Warning",
        evidence=words.evidence(item.facts, local),
        cleared=local.moment(item.cleared_at) if item.cleared_at else None,
        acknowledged=acknowledged,
    )


def lasting(faults: Sequence[Fault]) -> list[Fault]:
    """The faults that have not cleared, what is broken before what is only odd."""
    return sorted(
        (f for f in faults if f.cleared_at is None), key=lambda f: (f.severity != "fault", f.since)
    )
