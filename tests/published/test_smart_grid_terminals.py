"""The two-contact smart-grid terminals against the published four states.

Source: Bundesverband Waermepumpe e.V., regulations for the SG Ready label (waermepumpe.de,
"SG Ready"): terminals 1:0 state 1, blocked at most two hours a day; 0:0 state 2, normal; 0:1
state 3, recommendation to run more; 1:1 state 4, definite start.
"""

from __future__ import annotations

import itertools
from typing import Literal

import pytest

from adapters.actuators import messages, terminal_state
from adapters.types import Command
from adapters.wiring import Actuator

PUBLISHED = {1: (1, 0), 2: (0, 0), 3: (0, 1), 4: (1, 1)}

Action = Literal["run", "release", "block"]


def terminals(run_state: int = 3, surplus_only: bool = False) -> Actuator:
    return Actuator(
        name="pump",
        source="heat_pump",
        form="terminals",
        topic="contact/1",
        second_topic="contact/2",
        released_by="hard_wired",
        released_state="both contacts open: normal operation",
        run_state=run_state,
        surplus_only=surplus_only,
    )


def contacts(one: Actuator, action: Action, before: tuple[int, int]) -> list[tuple[int, int]]:
    """Every pair of contacts the plant sees while a command's messages are carried out."""
    state, seen = list(before), []
    for message in messages(one, Command("home", "pump", action)):
        state[int(message.topic[-1]) - 1] = int(message.payload)
        seen.append((state[0], state[1]))
    return seen


CASES: list[tuple[Action, int, int]] = [
    ("block", 3, 1),
    ("release", 3, 2),
    ("run", 3, 3),
    ("run", 4, 4),
]


@pytest.mark.parametrize(("action", "run_state", "published"), CASES)
def test_each_command_ends_in_its_published_state(
    action: Action, run_state: int, published: int
) -> None:
    one = terminals(run_state)
    assert terminal_state(one, Command("home", "pump", action)) == published
    for before in itertools.product((0, 1), repeat=2):
        assert contacts(one, action, before)[-1] == PUBLISHED[published]


@pytest.mark.parametrize(("action", "run_state", "published"), CASES)
@pytest.mark.parametrize("start", PUBLISHED)
def test_no_change_passes_through_a_block_or_a_definite_start(
    start: int, action: Action, run_state: int, published: int
) -> None:
    """Two relays never switch at one instant; what lies between must be harmless."""
    passed = contacts(terminals(run_state), action, PUBLISHED[start])[:-1]
    harmless = {PUBLISHED[2], PUBLISHED[3], PUBLISHED[start], PUBLISHED[published]}
    assert set(passed) <= harmless


def test_for_surplus_only_there_is_no_definite_start() -> None:
    assert terminal_state(terminals(4, surplus_only=True), Command("home", "pump", "run")) == 3


def test_the_published_daily_limit_of_blocking_is_the_default() -> None:
    assert terminals().block_limit_s_per_day == 2 * 3600
