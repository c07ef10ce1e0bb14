"""What crosses the border between Ladle and the outside world.

Times are seconds since 1970-01-01 UTC. A reading's value is always in the base unit of its
kind: degC, L/min, L, W, kWh, or 0/1 for a contact.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

SeriesOf = Literal["import", "export", "carbon"]  # what a kWh costs, earns or emits


@dataclass(frozen=True, slots=True)
class Message:
    """One message as the broker handed it over.

    token names the delivery towards the link that brought it, for its acknowledgement after
    the commit; None when there is nothing to acknowledge (QoS 0). waited is True when the
    message was retained, or lay in the broker's queue while we were away or behind.
    correlation is MQTT 5's correlation data, given back with an answer.
    """

    topic: str
    payload: bytes
    received_s: float
    waited: bool
    token: int | None = None
    correlation: bytes | None = None


@dataclass(frozen=True, slots=True)
class Reading:
    """One measured value, converted to the base unit of its signal.

    measured_s is the payload's own stamp, or the arrival when it carried none (stamped False).
    A value without a stamp that waited says nothing about now: ``tells_now`` is False for it,
    and for a stamped value older than its signal's ``stale_after_s``.
    """

    home: str
    signal: str
    value: float
    measured_s: float
    received_s: float
    stamped: bool
    tells_now: bool


class Unusable(Exception):  # noqa: N818 - a refusal, not a fault of the program
    """An input that cannot be used: ``what`` is wrong with it and how to ``mend`` it.

    ``code`` is for counting.
    """

    def __init__(self, code: str, what: str, mend: str) -> None:
        super().__init__(f"{what}; {mend}")
        self.code = code
        self.what = what
        self.mend = mend


@dataclass(frozen=True, slots=True)
class Refusal:
    """One input that could not be used: what is wrong, where, and how to mend it.

    code is for counting (``not_a_number``, ``out_of_range``, ``no_such_field``, ``future_stamp``,
    ``repeated``, ``unknown_topic``, ...); excerpt is at most 80 characters of the payload.
    """

    home: str
    code: str
    where: str
    what: str
    mend: str
    excerpt: str = ""

    @classmethod
    def of(cls, home: str, where: str, why: Unusable, excerpt: str = "") -> Refusal:
        """The refusal at ``where`` of an input that showed to be unusable."""
        return cls(home, why.code, where, why.what, why.mend, excerpt)

    @property
    def message(self) -> str:
        """What is wrong, what came, and how to mend it, for whoever knows where."""
        got = f"; got {self.excerpt!r}" if self.excerpt else ""
        return f"{self.what}{got}; {self.mend}"

    def __str__(self) -> str:
        return f"{self.where}: {self.message}"


@dataclass(frozen=True, slots=True)
class Ask:
    """A wish that arrived over MQTT on a home's own override topic, still to be checked."""

    home: str
    fields: dict[str, object]
    received_s: float
    waited: bool
    correlation: bytes | None = None


@dataclass(frozen=True, slots=True)
class Command:
    """What an actuator shall do from now on, as a lease that must be renewed.

    action   run      make heat (at ``set_c`` / ``power_w`` where the form of command takes one)
             release  hand the plant back to its own controls
             block    ask it not to run: terminals, counted against their limit, or a low ``set_c``
    """

    home: str
    actuator: str
    action: Literal["run", "release", "block"]
    set_c: float | None = None
    power_w: float | None = None
    lease_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Outgoing:
    """One message to publish. expires_s and correlation are used where MQTT 5 is spoken."""

    topic: str
    payload: bytes
    qos: Literal[0, 1] = 1
    retain: bool = False
    expires_s: int | None = None
    correlation: bytes | None = None


@dataclass(frozen=True, slots=True)
class PriceSeries:
    """What a kWh costs, earns or emits in consecutive intervals [start, end), in order.

    ``per_kwh`` is money, or grams of CO2 where ``of`` is "carbon".
    """

    start_s: tuple[int, ...]
    end_s: tuple[int, ...]
    per_kwh: tuple[float, ...]
    fetched_s: float
    of: SeriesOf = "import"


@dataclass(frozen=True, slots=True)
class WeatherSeries:
    """A forecast by moments in order: outdoor temperature in degC, PV surplus in W (mean).

    A value holds from its moment until the next. None where the feed doesn't carry one.
    """

    start_s: tuple[int, ...]
    outdoor_c: tuple[float, ...] | None
    surplus_w: tuple[float, ...] | None
    fetched_s: float


@dataclass(frozen=True, slots=True)
class CalendarSpan:
    """Guests or an absence from a calendar, [from_s, until_s). people counts guests."""

    kind: Literal["guests", "away"]
    from_s: int
    until_s: int
    people: float
    summary: str


@dataclass(frozen=True, slots=True)
class LinkState:
    """How the connection to the broker stands.

    draining is True until what waited in the broker's queue has been handed on; unacknowledged
    counts deliveries whose commit is still to come; trouble is the last thing that went wrong,
    in words, empty while all is well.
    """

    connected: bool
    since_s: float
    refusals: dict[str, int] = field(default_factory=dict)
    draining: bool = False
    unacknowledged: int = 0
    trouble: str = ""
