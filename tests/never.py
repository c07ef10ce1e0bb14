"""The sentences that no sequence of messages may break, checked from outside.

The bookkeeping here knows nothing of control's own: it hears what was measured and what was
commanded, and models each actuator by its commands and its timer alone.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from adapters.types import Command
from service.control.state import HygieneClock, State
from service.control.types import Outputs, Rule

HOUR_S = 3600.0
LONGEST_LIVED_S = 6 * HOUR_S  # a longer pause between two steps counts as no life


@dataclass
class Never:
    """One home's sentences. ``true_s`` is time that really passed, restarts included.

    ruling        the probes of which at least one must be fresh whenever plant runs
    stale_after_s after which a reading says nothing of now
    most_starts   allowed starts per hour, by source
    source_of     the source each actuator commands
    """

    ceiling_c: float
    interval_s: float
    ruling: frozenset[str]
    most_starts: Mapping[str, int]
    source_of: Mapping[str, str]
    stale_after_s: float = 300.0
    true_s: float = 0.0
    lived_s: float = 0.0  # since the last pass
    hold: bool = False
    measured_s: dict[str, float] = field(default_factory=dict)  # probe -> true time
    value_c: dict[str, float] = field(default_factory=dict)
    on_until_s: dict[str, float] = field(default_factory=dict)  # actuator -> its timer's end
    starts_s: dict[str, list[float]] = field(default_factory=dict)
    seen: Counter[str] = field(default_factory=Counter)

    def knows(self, clock: HygieneClock) -> float:
        """Lived seconds since the last pass by what control remembers.

        A first disinfection is due within a day.
        """
        first = clock.passed_at is None
        return clock.since_pass_s + (self.interval_s - 24 * HOUR_S if first else 0.0)

    def begins(self, clock: HygieneClock) -> None:
        """Control begins with this memory."""
        self.lived_s = self.knows(clock)

    def passes(self, seconds: float) -> None:
        """Time passes."""
        self.true_s += seconds
        self.lived_s += min(seconds, LONGEST_LIVED_S)

    def hears(self, probe: str, value: float, age_s: float) -> None:
        """A possible reading of a probe arrives that tells of now."""
        when = self.true_s - max(0.0, age_s)
        if when >= self.measured_s.get(probe, -1e18):
            self.measured_s[probe] = when
            self.value_c[probe] = value

    def restarts(self, clock: HygieneClock) -> None:
        """The process is gone: nothing heard before says anything of now."""
        self.measured_s, self.value_c = {}, {}
        self.lived_s = min(self.lived_s, self.knows(clock))
        self.seen["restarts"] += 1

    def after(self, state: State, out: Outputs, now: datetime) -> None:
        """Check one step: its commands, its state and what it shows."""
        self.seen["steps"] += 1
        if any(e.passed for e in out.evidence):
            self.seen["disinfections passed"] += 1
            self.lived_s = 0.0
        if state.hygiene.hold is not None and state.hygiene.hold.told:
            self.lived_s = 0.0
        held = {a for a, until in self.on_until_s.items() if self.true_s < until}
        for command in out.commands:
            if command.action != "run":
                self.on_until_s.pop(command.actuator, None)
                continue
            self._check_run(command, now)
            if command.actuator not in held and command.actuator not in self.on_until_s:
                source = self.source_of[command.actuator]
                self.starts_s.setdefault(source, []).append(self.true_s)
                self.seen["starts"] += 1
            self.on_until_s[command.actuator] = self.true_s + command.lease_s
        self._check_after(state, out, now)

    def _check_run(self, command: Command, now: datetime) -> None:
        """What must be true whenever plant is asked to run."""
        self.seen["commands to run"] += 1
        assert not self.hold, "ran plant during a maintenance hold"
        assert now.year >= 2024, "ran plant while the clock cannot be right"
        if command.set_c is not None:
            assert math.isfinite(command.set_c), "asked for no temperature"
            assert command.set_c <= self.ceiling_c, "asked for more than the ceiling"
        ages = {n: self.true_s - at for n, at in self.measured_s.items()}
        fresh = {n for n, age in ages.items() if age <= self.stale_after_s + 1e-6}
        assert fresh & self.ruling, f"ran plant without fresh readings: {ages}"
        assert all(self.value_c[n] < self.ceiling_c for n in fresh), "ran plant at the ceiling"

    def _check_after(self, state: State, out: Outputs, now: datetime) -> None:
        for source, most in self.most_starts.items():
            recent = [at for at in self.starts_s.get(source, []) if self.true_s - at < HOUR_S]
            self.starts_s[source] = recent
            assert len(recent) <= most, f"{source} started {len(recent)} times in an hour"
        if self.hold:
            self.seen["steps in a hold"] += 1
            stronger = (Rule.MAINTENANCE_HOLD, Rule.HARD_LIMITS, Rule.FAIL_SAFE)
            assert out.view.mode in stronger, "a hold ended without a person"
            assert not state.book.leases, "a command stands in a hold"
        for lease in state.book.leases.values():
            assert lease.actuator in self.source_of
            assert lease.set_c is None or lease.set_c <= self.ceiling_c
        assert out.wake_at > now, "will never wake"
        shown = out.view.hygiene
        if self.lived_s > self.interval_s + 60.0:
            self.seen["steps with a disinfection overdue"] += 1
            told = shown["state"] in ("overdue", "running", "refused")
            assert told or shown["due_because"] == "return", "a due disinfection was dropped"
