"""Commands made into messages, for each form of actuator, and what is checked before use.

Every command is a lease: never retained, expiring with its lease where MQTT 5 is spoken, and
repeated by control while it holds. When Ladle and the broker are gone, the actuator's own timer,
a watchdog on the heartbeat or hard wiring releases it, as ``released_by`` declares.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Sequence
from typing import Protocol

from adapters.types import Command, Outgoing, Refusal
from adapters.wiring import Actuator, Form, PriceFeed, Signal

log = logging.getLogger(__name__)

# The four published states of the two smart-grid terminals: (first, second) contact closed.
# Source: Bundesverband Waermepumpe, regulations for the SG Ready label.
TERMINAL_CONTACTS: dict[int, tuple[bool, bool]] = {
    1: (True, False),  # blocked, at most two hours a day
    2: (False, False),  # normal operation
    3: (False, True),  # recommendation to run more
    4: (True, True),  # definite start
}


class Wired(Protocol):
    """What this module needs of a home's wiring."""

    @property
    def id(self) -> str:
        """The home's id."""
        ...

    @property
    def signals(self) -> Sequence[Signal]:
        """The home's signals."""
        ...

    @property
    def actuators(self) -> Sequence[Actuator]:
        """The home's actuators."""
        ...

    @property
    def price_feeds(self) -> Sequence[PriceFeed]:
        """The home's price feeds."""
        ...


def terminal_state(actuator: Actuator, command: Command) -> int:
    """Which of the four published states a command means for two-contact terminals.

    An actuator for surplus only never gives a definite start, nor does one whose backup heater
    would run in state 4 unless the installer chose ``run_state = 4`` knowing it.
    """
    if command.action == "block":
        return 1
    if command.action == "release":
        return 2
    return 3 if actuator.surplus_only else actuator.run_state


def messages(actuator: Actuator, command: Command) -> tuple[Outgoing, ...]:
    """The messages of one command, in the order to be published.

    ``block`` is a release for actuators that don't know it, and writes a low set temperature where
    one is agreed. A release, too, is what lacks a figure its payload names, or has one that cannot
    be: a guess would move hot plant, and an error here would keep the release of other plant from
    going out. It is logged.
    """
    if actuator.form is Form.TERMINALS:
        return _terminals(actuator, command)
    running = command.action == "run" or (command.action == "block" and actuator.knows_block)
    if running and (wrong := _wrong_figure(actuator, command)):
        log.error("%s is released instead of run: %s", actuator.name, wrong)
        running = False
    template = actuator.run if running else actuator.release
    permission = _outgoing(actuator, actuator.topic, template, command)
    if actuator.form is not Form.DIVERTER or actuator.second_topic is None:
        return (permission,)
    power_w = command.power_w if running else 0.0
    if power_w is None:
        return (permission,)  # no target: the diverter follows the surplus by itself
    if not math.isfinite(power_w) or power_w < max(actuator.min_power_w, 0.0):
        power_w = 0.0
    target = Outgoing(
        actuator.second_topic, f"{power_w:.0f}".encode(), expires_s=_expires_s(actuator, command)
    )
    # The target stands before permission is given and falls after permission is taken.
    return (target, permission) if running else (permission, target)


def release(home: str, actuator: Actuator) -> tuple[Outgoing, ...]:
    """The messages that hand an actuator's plant back to its own controls."""
    return messages(actuator, Command(home, actuator.name, "release"))


def subscriptions(home: Wired) -> tuple[str, ...]:
    """Every topic that a home's signals and price feeds arrive on, sorted."""
    topics = {s.topic for s in home.signals}
    topics |= {f.address for f in home.price_feeds if f.kind == "mqtt"}
    return tuple(sorted(topics))


def topics_commanded(home: Wired) -> tuple[str, ...]:
    """Every topic that commands of a home go to, sorted."""
    topics = {a.topic for a in home.actuators}
    topics |= {a.second_topic for a in home.actuators if a.second_topic}
    return tuple(sorted(topics))


def problems(home: Wired, prefix: str) -> tuple[Refusal, ...]:
    """What must be mended before a home's actuators may be commanded; empty when all is well.

    Args:
        home: the home's wiring.
        prefix: the prefix of Ladle's own topics.
    """
    found = []
    users: dict[str, list[str]] = {}
    for actuator in home.actuators:
        where = f"actuator {actuator.name}"
        if actuator.released_by == "nobody" and not (actuator.latching_accepted_by or "").strip():
            found.append(
                Refusal(
                    home.id,
                    "latches",
                    where,
                    "keeps its last command and nobody releases it when Ladle or the broker is "
                    "gone",
                    "fit a timer or a watchdog and set released_by, or let an installer accept "
                    "it by name in latching_accepted_by",
                )
            )
        if (
            actuator.form is Form.TERMINALS
            and not actuator.surplus_only
            and not (actuator.hot_water_alone_confirmed_by or "").strip()
        ):
            found.append(
                Refusal(
                    home.id,
                    "acts_on_whole_heat_pump",
                    where,
                    "the terminals act on the whole heat pump",
                    "set surplus_only = true, or name in hot_water_alone_confirmed_by who saw at "
                    "commissioning that the states affect hot water alone",
                )
            )
        for topic in (actuator.topic, actuator.second_topic):
            if topic is not None:
                users.setdefault(topic, []).append(actuator.name)
    for topic, names in users.items():
        if len(names) > 1:
            found.append(
                Refusal(
                    home.id,
                    "topic_shared",
                    f"topic {topic}",
                    f"is commanded by {' and '.join(names)}",
                    "give each contact its own topic",
                )
            )
    heard = set(subscriptions(home))
    for topic in topics_commanded(home):
        if topic in heard:
            found.append(
                Refusal(
                    home.id,
                    "topic_shared",
                    f"topic {topic}",
                    "is both commanded and read, so Ladle would believe its own command",
                    "let the plant report on a topic of its own",
                )
            )
    found += [
        Refusal(
            home.id,
            "own_topic",
            f"topic {topic}",
            f"lies under {prefix}/, where only Ladle's own topics are",
            "move it elsewhere",
        )
        for topic in sorted(heard | set(topics_commanded(home)))
        if topic == prefix or topic.startswith(prefix + "/")
    ]
    return tuple(found)


def _wrong_figure(actuator: Actuator, command: Command) -> str:
    set_c, power_w = command.set_c, command.power_w
    if "{set_c}" in actuator.run and not (set_c is not None and 5.0 <= set_c <= 95.0):
        return f"the set temperature is {set_c}, not 5 to 95 degC"
    if "{power_w}" in actuator.run and not (power_w is not None and 0.0 <= power_w <= 1e5):
        return f"the power is {power_w}, not 0 to 100000 W"
    return ""


def _terminals(actuator: Actuator, command: Command) -> tuple[Outgoing, ...]:
    state = terminal_state(actuator, command)
    contacts = TERMINAL_CONTACTS[state]
    topics = (actuator.topic, actuator.second_topic or "")
    first, second = (
        _outgoing(actuator, topic, actuator.run if closed else actuator.release, command)
        for topic, closed in zip(topics, contacts, strict=True)
    )
    # Two contacts never switch at one instant. In this order no change passes through a block
    # or a definite start that neither its beginning nor its end is: the second contact goes
    # first towards 1 and 4, last towards 2 and 3.
    return (second, first) if state in (1, 4) else (first, second)


def _outgoing(actuator: Actuator, topic: str, template: str, command: Command) -> Outgoing:
    text = template
    lease_s = command.lease_s or actuator.lease_s
    # replace, not format: payloads may be JSON, with braces of their own
    if command.set_c is not None and math.isfinite(command.set_c):
        text = text.replace("{set_c}", f"{round(command.set_c, 1):g}")
    if command.power_w is not None and math.isfinite(command.power_w):
        text = text.replace("{power_w}", f"{command.power_w:.0f}")
    text = text.replace("{lease_s}", f"{lease_s:.0f}")
    return Outgoing(topic, text.encode(), expires_s=_expires_s(actuator, command))


def _expires_s(actuator: Actuator, command: Command) -> int:
    return max(1, int(command.lease_s or actuator.lease_s))
