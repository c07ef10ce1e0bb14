"""What goes into a forecast and what comes out of it.

Times are seconds since 1970-01-01 UTC (``_s`` as int64 arrays); a home's zone is a
``zoneinfo.ZoneInfo`` handed in beside them. Litres of use are litres of mixed water at 40 degC.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

CHANNELS = 2  # small draws and large ones, which ``rates`` tells apart: arrays have them in front


@dataclass(frozen=True)
class DrawHistory:
    """Draw-off events in order of their start, and the span in which the home was watched.

    ``watched_from_s`` .. ``watched_to_s`` says for which time the absence of an event means
    that nothing was drawn; ``gaps_s`` (shape (m, 2)) lists stretches inside it without readings.
    """

    start_s: Ints
    duration_s: Floats
    litres_40c: Floats
    energy_kwh: Floats
    watched_from_s: int
    watched_to_s: int
    gaps_s: Ints = field(default_factory=lambda: np.zeros((0, 2), np.int64))


@dataclass(frozen=True)
class Visit:
    """People more or fewer than usual: guests above 0, ``away`` for none of the household."""

    from_s: int
    until_s: int
    extra_people: float = 0.0
    away: bool = False


@dataclass(frozen=True)
class Household:
    """What is known of a household before it is measured, and what an installer tunes.

    occupants in people, floor_area_m2 None when unknown (then occupants decide alone);
    learning_window_weeks is how far back is looked, half_life_weeks how fast it fades inside;
    weekday_sharing from 0 (each weekday alone) to 1 (all days alike) or None to learn it.
    since is the first local day of these people: what was drawn before it were others' habits.
    """

    occupants: float = 2.5
    floor_area_m2: float | None = None
    country: str = ""
    subdivision: str = ""
    learning_window_weeks: float = 26.0
    half_life_weeks: float = 13.0
    weekday_sharing: float | None = None
    since: date | None = None
    marked_days: tuple[tuple[date, int], ...] = ()  # and the weekday each is like, 0 Monday .. 6


@dataclass(frozen=True)
class SlotGrid:
    """Planning slots, each [start, end), in order and without gaps; any lengths."""

    start_s: Ints
    end_s: Ints

    def __len__(self) -> int:
        return len(self.start_s)

    def slot_at(self, at_s: float) -> int | None:
        """The slot that holds the moment, None outside them all."""
        slot = int(self.start_s.searchsorted(at_s, side="right")) - 1
        return slot if slot >= 0 and at_s < self.end_s[-1] else None


@dataclass(frozen=True)
class DemandForecast:
    """The distribution of use over the coming slots, as a few regimes with their transition.

    With n slots, r regimes and k volumes:

    grid            the slots, shape (n,)
    volumes_l40     litres at 40 degC of the distribution's support, shape (k,), first 0
    pmf             P(use in slot i is volumes_l40[k] | regime), shape (n, r, k), sums to 1
    regime_now      P(regime) at the first slot, given what was drawn so far, shape (r,)
    transition      P(regime in slot i+1 | regime in slot i), shape (n, r, r), rows sum to 1
    expected_l40    mean use in each slot, shape (n,), kept because everybody asks for it
    expected_kwh    the same as heat above the cold inlet, kWh, shape (n,)
    learned_weight  0 (published starting profile only) .. 1 (this household only)
    made_at_s       the moment it was made
    """

    grid: SlotGrid
    volumes_l40: Floats
    pmf: Floats
    regime_now: Floats
    transition: Floats
    expected_l40: Floats
    expected_kwh: Floats
    learned_weight: float
    made_at_s: int
    notes: tuple[str, ...] = ()  # codes: "holiday", "guests", "away", "absence_noticed", ...

    @cached_property
    def variance_l40(self) -> Floats:
        """Variance of the use in each slot where all regimes are as likely, L2, shape (n,)."""
        chance = self.pmf.mean(axis=1)
        variance: Floats = chance @ self.volumes_l40**2 - (chance @ self.volumes_l40) ** 2
        return variance


@dataclass(frozen=True)
class Surroundings:
    """The rest of tomorrow on the same slots: temperatures in degC, PV surplus in W (mean)."""

    grid: SlotGrid
    cold_inlet_c: Floats
    outdoor_c: Floats
    surplus_w: Floats
    sources: tuple[tuple[str, Literal["learned", "feed", "default"]], ...] = ()


@dataclass(frozen=True)
class Measured:
    """Half-hourly means of what was measured around the home, NaN where nothing was.

    start_s is each half hour's start, in order; surplus_w is what the home sent to the grid (W).
    """

    start_s: Ints
    cold_inlet_c: Floats
    outdoor_c: Floats
    surplus_w: Floats
