"""What supervision looks for: each fault's evidence, its detection time and its clearing.

``DETECTORS`` is the one table: what is looked for, on what evidence, how long it must last before
it is told, and what ends it. What a check sees of one of them is a ``Finding``.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from service.control.state import Facts
from service.control.types import Fault

HOUR_S = 3600.0
DAY_S = 86_400.0
FLUSH = ("flush_after_absence", "outlets")  # code and subject: over when acknowledged


@dataclass(frozen=True)
class Detector:
    """One line of the table. ``proof``: the fault ends only when the opposite was seen.

    told_after_s     how long the evidence must last before it is told
    cleared_after_s  how long it must be gone before the fault is over
    found_within_s   from when the fault first shows until it is told, at the latest: from the
                     first command to the plant it concerns, from the first water that runs, from
                     the first reading that is wrong
    while_commanded  of that time only the part counts in which the plant is commanded: while it
                     rests, nothing shows
    """

    code: str
    finds: str
    evidence: str
    severity: Literal["warning", "fault"]
    told_after_s: float
    cleared_after_s: float
    found_within_s: float
    proof: bool = False
    while_commanded: bool = False


@dataclass(frozen=True)
class Finding:
    """Something a check sees now; ``over`` says that it saw the opposite."""

    code: str
    subject: str
    facts: Facts
    over: bool = False


DETECTORS: tuple[Detector, ...] = (
    Detector(
        "command_without_effect",
        "a command that has no effect",
        "commanded, but its meter shows less than 15 % of the usual power, or of the surplus that "
        "a diverter is given, for 10 min, or, "
        "without a meter, the water gained less than 20 % of the usual heat in 40 min without a "
        "draw, or in as long as hot water can pass unseen between two probes",
        "fault",
        600.0,
        0.0,
        2 * HOUR_S,
        proof=True,
    ),
    Detector(
        "pump_moves_no_water",
        "a charging pump that moves no water",
        "the heat pump's flow is hot and it takes power, but no probe warms, and one stays more "
        "than 4 K colder than half of the usual heat would have made it",
        "fault",
        60.0,
        0.0,
        6 * HOUR_S,
        proof=True,
        while_commanded=True,
    ),
    Detector(
        "uncommanded_running",
        "plant that runs without a command",
        "the immersion heater takes more than 200 W, or the cylinder gained more than 1 kWh in "
        "40 min while the heat pump's own control had no reason to call and no meter shows that "
        "it rests",
        "warning",
        900.0,
        600.0,
        3600.0,
    ),
    Detector(
        "immersion_thermostat_stuck",
        "an immersion thermostat that does not open",
        "it takes more than 200 W while the water at it is more than 4 K above its setting",
        "fault",
        120.0,
        86_400.0,
        600.0,
    ),
    Detector(
        "tap_left_open",
        "a tap left open or a burst pipe",
        "3 L/min or more without a pause for 45 min",
        "fault",
        0.0,
        120.0,
        3600.0,
    ),
    Detector(
        "water_keeps_running",
        "a leak",
        "water runs without a pause for 2 h, or no hour of a whole day was without a draw",
        "warning",
        0.0,
        3600.0,
        2 * DAY_S,
    ),
    Detector(
        "slow_reheat",
        "a reheat slower than it used to be",
        "the last runs gave less than 60 % of the heat that runs usually give for the time",
        "warning",
        0.0,
        0.0,
        14 * DAY_S,
    ),
    Detector(
        "limescale_drift",
        "limescale's slow drift",
        "over 80 runs or more the heat given for the time fell below 75 % of the first 20 runs'",
        "warning",
        0.0,
        14 * DAY_S,  # a mean that wavers about the limit is one warning
        120 * DAY_S,
    ),
    Detector(
        "secondary_return_mixes",
        "a secondary return that destroys the layers",
        "within 2 h of its pump running, more than 1.5 tenths of usable water went that nobody "
        "drew",
        "warning",
        0.0,
        21_600.0,
        2 * DAY_S,
    ),
    Detector(
        "probe_open_circuit",
        "a probe with a broken wire",
        "readings that no water can have, one after the other",
        "fault",
        120.0,
        600.0,
        1800.0,
    ),
    Detector(
        "probe_silent",
        "a probe that fell silent",
        "no reading for an hour",
        "warning",
        900.0,
        60.0,
        2 * HOUR_S,
    ),
    Detector(
        "probe_stuck",
        "a probe that shows one value",
        "one value for 12 h while the water there must have changed by 6 K or more, by the "
        "model of the cylinder",
        "fault",
        7200.0,
        1800.0,
        4 * DAY_S,
    ),
    Detector(
        "probe_jumping",
        "a probe that jumps",
        "leaps of 6 K or more there and back, which the model of the cylinder does not expect, "
        "five of them within 1.5 h",
        "fault",
        600.0,
        1800.0,
        DAY_S,
    ),
    Detector(
        "probe_swapped",
        "a probe swapped with another",
        "each fits the other's place better than its own, by the model of the cylinder, for three "
        "days",
        "fault",
        259_200.0,
        3600.0,
        5 * DAY_S,
    ),
    Detector(
        "probe_wrong_height",
        "a probe at another height than stated",
        "it fits another height clearly better, by the model of the cylinder, for two weeks",
        "warning",
        14 * DAY_S,
        3600.0,
        21 * DAY_S,
    ),
    Detector(
        "signal_stale",
        "a signal that fell silent",
        "no value for longer than its stale_after_s",
        "warning",
        600.0,
        30.0,
        1800.0,
    ),
    Detector(
        "signal_rare",
        "a signal that reports too rarely",
        "its values come further apart than its stale_after_s, for an hour",
        "warning",
        HOUR_S,
        30.0,
        2 * HOUR_S,
    ),
    Detector(
        "left_to_itself",
        "a home in which Ladle has let go",
        "fail-safe for 30 min, with its reason",
        "fault",
        1800.0,
        1800.0,
        2700.0,
    ),
    Detector(
        "nonsense_readings",
        "a signal that says what cannot be",
        "10 impossible values or more within an hour",
        "warning",
        0.0,
        3600.0,
        HOUR_S,
    ),
    Detector(
        "clock_jumped",
        "a wall clock that jumped",
        "wall time and elapsed time moved differently by more than 90 s",
        "warning",
        0.0,
        0.0,
        60.0,
    ),
    Detector(
        "clock_cannot_be_right",
        "a wall clock in an impossible year",
        "a year before 2024 or after 2100",
        "fault",
        0.0,
        0.0,
        60.0,
    ),
    Detector(
        "work_failed",
        "learning, forecasting or planning that failed",
        "the message it failed with",
        "warning",
        0.0,
        0.0,
        60.0,
    ),
    Detector(
        "disinfection_overdue",
        "a thermal disinfection that is overdue",
        "hours since the longest interval ended",
        "fault",
        0.0,
        0.0,
        60.0,
    ),
    Detector(
        "disinfection_failed",
        "a thermal disinfection that did not get hot, or not for long enough",
        "the last commanded attempt's",
        "fault",
        0.0,
        0.0,
        60.0,
    ),
    Detector(
        "disinfection_refused",
        "a home in which thermal disinfection cannot be done",
        "no recorded mixing valve, or no source that reaches the lowest named probe",
        "warning",
        0.0,
        0.0,
        60.0,
    ),
    Detector(
        "flush_after_absence",
        "taps and showers that nobody used",
        "an absence of two days or more has ended; over when somebody has seen it, or after a week",
        "warning",
        0.0,
        0.0,
        60.0,
    ),
)
BY_CODE = {d.code: d for d in DETECTORS}
WITHOUT_HEAT = frozenset({"command_without_effect", "pump_moves_no_water"})


def without_heat(faults: Iterable[Fault]) -> frozenset[str]:
    """The sources of which it has been told, and not been over since, that they do not heat."""
    return frozenset(f.subject for f in faults if f.code in WITHOUT_HEAT)
