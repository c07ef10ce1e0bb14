"""A few thousand random and mutated messages; the run ``messages`` sends two million."""

from tests.faults import messages


def test_no_message_makes_control_do_what_it_must_never_do() -> None:
    outcome = messages.run(long=False)
    outcome.check()
    assert outcome.figures["commands to run"], "nothing ran, so nothing was shown"
