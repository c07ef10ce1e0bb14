"""The stateful model of control is run for ten minutes, with the sentences checked at each step."""

from __future__ import annotations

import os
import time

from hypothesis import HealthCheck, settings
from hypothesis.stateful import run_state_machine_as_test

from tests.faults.frame import Line, Outcome
from tests.properties.test_control_never import Home

SENTENCES = (
    "no temperature above the ceiling, no plant without fresh readings, no due disinfection "
    "dropped silently, no hold ended but by a person, no more starts than allowed"
)


def run(long: bool) -> Outcome:
    """Ten minutes (LADLE_LONG_S seconds) of random sequences, or a few seconds of them."""
    wanted_s = float(os.environ.get("LADLE_LONG_S", "600")) if long else 3.0
    Home.seen.clear()
    began = time.monotonic()
    broken = ""
    while time.monotonic() - began < wanted_s and not broken:
        try:
            run_state_machine_as_test(
                Home,
                settings=settings(
                    max_examples=40 if long else 3,
                    stateful_step_count=60,
                    deadline=None,
                    suppress_health_check=list(HealthCheck),
                    database=None,
                ),
            )
        except AssertionError as error:
            broken = str(error).splitlines()[0]
    seen = dict(Home.seen)
    return Outcome(
        (
            Line(
                f"{seen.get('homes', 0)} random sequences of {seen.get('steps', 0)} control steps",
                broken or f"every sentence held at every step: {SENTENCES}",
                "at every step",
                "nothing" if not broken else "a sentence",
                not broken,
            ),
        ),
        dict(sorted(seen.items())),
        {"seconds": wanted_s},
    )
