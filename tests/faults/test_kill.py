"""Killed at fifty random moments: nothing that was acknowledged is missing, no plant is stuck."""

from tests.faults import kills


def test_nothing_acknowledged_is_lost_over_fifty_kills() -> None:
    kills.run(long=False).check()
