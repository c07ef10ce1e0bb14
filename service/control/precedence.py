"""What wins over what: one table, and one function that goes down it.

The table's text is data: pages and documents print it, and a test compares them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from service.control.types import Rule
from service.scheduling.types import Reason, SourceName

if TYPE_CHECKING:
    from service.control.situation import Situation


@dataclass(frozen=True)
class Run:
    """Heat that a rule asks for: from what, how hot, and whether only from surplus."""

    source: SourceName
    set_c: float
    power_w: float | None = None
    surplus: bool = False


@dataclass(frozen=True)
class Ruling:
    """What the strongest rule that has something to say decides.

    at_once ends running plant without regard to its minimum run; silent sends nothing at all
    beyond releasing what still runs.
    """

    rule: Rule
    reason: Reason
    runs: tuple[Run, ...] = ()
    blocks: tuple[str, ...] = ()  # actuators whose plant is asked not to run
    at_once: bool = False


@dataclass(frozen=True)
class Row:
    """One line of the table: when the rule speaks, and what it then does."""

    rule: Rule
    speaks_when: str
    then: str


TABLE: tuple[Row, ...] = (
    Row(
        Rule.HARD_LIMITS,
        "a probe stands at the ceiling, which lies below the cylinder's control thermostat",
        "everything is released at once; nobody can ask for more",
    ),
    Row(
        Rule.FAIL_SAFE,
        "readings are stale, impossible or contradict each other, the broker is gone, or the "
        "clock cannot be right",
        "everything is released at once and the cylinder's own thermostats keep it hot",
    ),
    Row(
        Rule.MAINTENANCE_HOLD,
        "a person has asked for a maintenance hold",
        "what runs is released, and nothing is commanded until a person ends the hold, also "
        "after a restart; it is not electrical isolation",
    ),
    Row(
        Rule.HYGIENE,
        "a thermal disinfection is under way, or its latest start has come, and a source for it "
        "may run",
        "the cylinder is heated to the disinfection temperature until the lowest named probe "
        "has held it",
    ),
    Row(
        Rule.OVERRIDE,
        "a person has asked for more, less, or a charge by a time",
        "more raises the reserve and the next target, less lowers both and never cools water "
        "already hot, a charge by a time is begun in time",
    ),
    Row(
        Rule.GUESTS_AND_AWAY,
        "guests are expected, or nobody is at home",
        "guests raise the reserve by the learned draw per person; an absence keeps no reserve "
        "and protects against frost",
    ),
    Row(
        Rule.PLAN,
        "nothing above speaks",
        "the plan's level for this slot is charged up to; without a plan the reserve is kept at "
        "any hour",
    ),
)

Judge = Callable[["Situation"], Ruling | None]


def decide(judges: dict[Rule, Judge], situation: Situation) -> Ruling:
    """Go down the table; the first rule that speaks decides. The plan always speaks."""
    for row in TABLE:
        ruling = judges[row.rule](situation)
        if ruling is not None:
            return ruling
    raise AssertionError("the plan always has something to say")
