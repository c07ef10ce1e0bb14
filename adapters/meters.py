"""Running totals made into amounts: resets, rollovers, gaps and glitches told apart. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

Event = Literal[
    "first",  # nothing to compare with yet
    "counted",
    "gap",  # counted, but when within the span it happened is not known
    "reset",  # the meter began again at zero; what it shows since is counted
    "rollover",  # it passed its last digit
    "repeated",  # the same moment again
    "late",  # an earlier moment than the last
    "backwards",  # a little less than before: rounding; nothing is counted
    "jump",  # more than can have flowed; believed only if the next reading agrees
    "rebased",  # the reading after a jump agreed with it; counting goes on from there
]


@dataclass(frozen=True, slots=True)
class Amount:
    """What went through a meter in (from_s, to_s], in the unit of its total."""

    from_s: float
    to_s: float
    amount: float
    event: Event

    @property
    def per_s(self) -> float:
        """The mean rate per second; 0 for a span of no length."""
        span = self.to_s - self.from_s
        return self.amount / span if span > 0 else 0.0


@dataclass(frozen=True, slots=True)
class Meter:
    """One running total. A value: ``take`` gives the meter as it is afterwards.

    Args:
        highest_per_s: the most that can go through in a second, in the total's unit.
        gap_s: a longer silence is reported as a gap.
        rollover_at: where the total starts again at zero, if it does.
        resolution: a step back of at most this is rounding, not a reset.
        last, last_s: the last total believed and its moment; None before the first.
        doubted, doubted_s: a jump that waits for the next reading.
        grain: how finely it counts: the largest of 1, 0.1, 0.01 ... that all totals are multiples
            of; None before there was one.
    """

    highest_per_s: float
    gap_s: float = 900.0
    rollover_at: float | None = None
    resolution: float = 0.0
    last: float | None = None
    last_s: float = 0.0
    doubted: float | None = None
    doubted_s: float = 0.0
    grain: float | None = None

    def take(self, total: float, at_s: float) -> tuple[Meter, Amount]:
        """The meter after one reading of its total, and the amount that this tells."""
        coarsest = math.inf if self.grain is None else self.grain
        if coarsest > FINEST and total and (grain := _grain(total)) < coarsest:
            return replace(self, grain=grain).take(total, at_s)
        if self.last is None:
            return self._at(total, at_s), Amount(at_s, at_s, 0.0, "first")
        if at_s <= self.last_s:
            event: Event = "repeated" if at_s == self.last_s else "late"
            return self, Amount(at_s, at_s, 0.0, event)
        span = at_s - self.last_s
        most = self.highest_per_s * span
        more = total - self.last
        if 0.0 <= more <= most:
            return self._count(total, at_s, more, "gap" if span > self.gap_s else "counted")
        if -self.resolution <= more < 0.0:
            return replace(self, last_s=at_s, doubted=None), self._nothing(at_s, "backwards")
        if more < 0.0:
            if self.rollover_at is not None and 0.0 <= self.rollover_at + more <= most:
                return self._count(total, at_s, self.rollover_at + more, "rollover")
            if 0.0 <= total <= most:
                return self._count(total, at_s, total, "reset")
        return self._doubt(total, at_s)

    def not_after(self, now_s: float) -> Meter:
        """The meter by a clock that was set back to ``now_s``: nothing was read later than that."""
        return replace(self, last_s=min(self.last_s, now_s), doubted_s=min(self.doubted_s, now_s))

    def _doubt(self, total: float, at_s: float) -> tuple[Meter, Amount]:
        if self.doubted is not None and at_s > self.doubted_s:
            since = total - self.doubted
            if 0.0 <= since <= self.highest_per_s * (at_s - self.doubted_s):
                amount = Amount(self.doubted_s, at_s, since, "rebased")
                return self._at(total, at_s), amount
        return replace(self, doubted=total, doubted_s=at_s), self._nothing(at_s, "jump")

    def _count(
        self, total: float, at_s: float, amount: float, event: Event
    ) -> tuple[Meter, Amount]:
        return self._at(total, at_s), Amount(self.last_s, at_s, amount, event)

    def _nothing(self, at_s: float, event: Event) -> Amount:
        return Amount(self.last_s, at_s, 0.0, event)

    def _at(self, total: float, at_s: float) -> Meter:
        return replace(self, last=total, last_s=at_s, doubted=None)


FINEST = 1e-4


def _grain(total: float) -> float:
    """The largest of 1, 0.1, 0.01 ... that a total is a multiple of, as far as numbers tell."""
    grain = 1.0
    while grain > 1.5 * FINEST and abs(total / grain - round(total / grain)) > 1e-4:
        grain /= 10.0
    return grain
