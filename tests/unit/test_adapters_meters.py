"""Running totals become amounts: nothing counted twice, nothing invented."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from adapters.meters import Amount, Meter


def run(meter: Meter, *pairs: tuple[float, float]) -> list[Amount]:
    """Amounts of (total, moment) pairs."""
    amounts = []
    for total, at in pairs:
        meter, amount = meter.take(total, at)
        amounts.append(amount)
    return amounts


def told(amounts: list[Amount]) -> list[tuple[str, float]]:
    return [(a.event, round(a.amount, 9)) for a in amounts]


def test_differences_and_rates() -> None:
    amounts = run(Meter(highest_per_s=1.0), (100, 0), (103, 10), (103, 20), (109, 30))
    assert told(amounts) == [("first", 0), ("counted", 3), ("counted", 0), ("counted", 6)]
    assert [a.per_s for a in amounts] == pytest.approx([0, 0.3, 0, 0.6])
    assert (amounts[-1].from_s, amounts[-1].to_s) == (20, 30)


def test_a_gap_is_counted_and_named() -> None:
    amounts = run(Meter(1.0, gap_s=60), (0, 0), (5, 60), (25, 200))
    assert told(amounts) == [("first", 0), ("counted", 5), ("gap", 20)]


def test_a_restarted_counter_counts_what_it_shows_since() -> None:
    assert told(run(Meter(1.0), (500, 0), (2, 10), (3, 20))) == [
        ("first", 0),
        ("reset", 2),
        ("counted", 1),
    ]


def test_rollover_past_the_last_digit() -> None:
    assert told(run(Meter(1.0, rollover_at=1000), (998, 0), (3, 10))) == [
        ("first", 0),
        ("rollover", 5),
    ]


def test_rounding_backwards_counts_nothing_and_is_not_counted_again() -> None:
    meter = Meter(1.0, resolution=0.1)
    assert told(run(meter, (10.0, 0), (9.9, 10), (10.0, 20), (10.5, 30))) == [
        ("first", 0),
        ("backwards", 0),
        ("counted", 0),
        ("counted", 0.5),
    ]


def test_repeated_and_late_moments_change_nothing() -> None:
    assert told(run(Meter(1.0), (10, 10), (11, 10), (9, 5), (12, 20))) == [
        ("first", 0),
        ("repeated", 0),
        ("late", 0),
        ("counted", 2),
    ]


def test_one_wild_total_is_left_out() -> None:
    amounts = run(Meter(1.0), (100, 0), (99999, 10), (104, 20), (105, 30))
    assert told(amounts) == [("first", 0), ("jump", 0), ("counted", 4), ("counted", 1)]
    assert amounts[2].from_s == 0


def test_a_lasting_jump_is_a_new_base_and_the_jump_is_not_counted() -> None:
    """A meter was replaced by one with another total."""
    assert told(run(Meter(1.0), (100, 0), (7000, 10), (7002, 20), (7003, 30))) == [
        ("first", 0),
        ("jump", 0),
        ("rebased", 2),
        ("counted", 1),
    ]
    assert told(run(Meter(1.0), (7000, 0), (100, 10), (102, 20))) == [
        ("first", 0),
        ("jump", 0),
        ("rebased", 2),
    ]


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(st.floats(0, 1e6), st.floats(0, 1e5)), max_size=30))
def test_no_sequence_gives_more_than_can_flow(pairs: list[tuple[float, float]]) -> None:
    amounts = run(Meter(highest_per_s=0.5), *pairs)
    for amount in amounts:
        assert 0 <= amount.amount <= 0.5 * (amount.to_s - amount.from_s) + 1e-6
    if pairs:
        span = max(at for _, at in pairs) - pairs[0][1]
        assert sum(a.amount for a in amounts) <= 0.5 * max(span, 0) + 1e-6
