"""The weather around a simulated home: outdoor and cold-inlet temperature, sun on the roof.

It is invented, but for outdoor temperatures that a home has on record.

Shapes only: a yearly and a daily swing, days that differ by a seeded draw, and the sun's height
from the declination formula of Cooper (1969). Nothing here is used to judge anything.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from itertools import pairwise

import numpy as np

DAY_S = 86400.0
MOST_APART_S = 3 * 3600.0  # between two that are told: what lies between is not known beyond it


@dataclass(frozen=True)
class Told:
    """Temperatures on record: moments in s since 1970, in order, and degC; of one length."""

    at_s: tuple[float, ...]
    temperature_c: tuple[float, ...]

    def at(self, at_s: float) -> float | None:
        """The temperature at a moment between two that are told, degC; None where none are near."""
        k = bisect_right(self.at_s, at_s)
        if not 0 < k < len(self.at_s):
            return None
        apart_s = self.at_s[k] - self.at_s[k - 1]
        if apart_s > MOST_APART_S:
            return None
        before, after = self.temperature_c[k - 1 : k + 1]
        return before + (at_s - self.at_s[k - 1]) / apart_s * (after - before)

    def share(self, from_s: float, until_s: float) -> float:
        """For how much of a span it is known, 0..1."""
        known_s = 0.0
        for begin_s, end_s in pairwise(self.at_s):
            if end_s - begin_s <= MOST_APART_S:
                known_s += max(min(end_s, until_s) - max(begin_s, from_s), 0.0)
        return known_s / (until_s - from_s)


@dataclass(frozen=True)
class Weather:
    """The climate of one place; every day's weather follows from the seed.

    Where ``outdoor`` tells a moment's outdoor temperature, that holds.
    """

    seed: int = 1
    latitude: float = 50.0
    longitude: float = 5.0
    mean_c: float = 10.0
    yearly_swing_k: float = 8.0
    daily_swing_k: float = 4.0
    inlet_mean_c: float = 12.0
    inlet_swing_k: float = 4.0
    pv_peak_w: float = 0.0
    outdoor: Told | None = None

    def outdoor_c(self, at_s: float) -> float:
        """Outdoor temperature, degC: as told, or coldest in midwinter and before sunrise."""
        told_c = None if self.outdoor is None else self.outdoor.at(at_s)
        if told_c is not None:
            return told_c
        day, hour = self._solar(at_s)
        season = self._season(day, 15)
        daily = -math.cos(2 * math.pi * (hour - 4.5) / 24)
        # A day's own departure is its noon's; in between the weather changes steadily.
        noon, share = divmod(at_s / DAY_S - 0.5, 1.0)
        before, after = (_normal(self.seed, int(noon) + k, 0) for k in (0, 1))
        odd_k = 2.5 * (before + share * (after - before))
        return self.mean_c + self.yearly_swing_k * season + self.daily_swing_k * daily + odd_k

    def cold_inlet_c(self, at_s: float) -> float:
        """Cold-inlet temperature, degC: coldest in late winter."""
        day, _ = self._solar(at_s)
        return self.inlet_mean_c + self.inlet_swing_k * self._season(day, 50)

    def sun_share(self, at_s: float) -> float:
        """Sun on a horizontal roof as a share of its peak, 0..1, clouds included."""
        day, hour = self._solar(at_s)
        declination = math.radians(23.45) * math.sin(2 * math.pi * (284 + day) / 365)
        hour_angle = math.pi * (hour - 12) / 12
        latitude = math.radians(self.latitude)
        height = math.sin(latitude) * math.sin(declination) + math.cos(latitude) * math.cos(
            declination
        ) * math.cos(hour_angle)
        if height <= 0:
            return 0.0
        cloud = 0.5 + 0.5 * math.tanh(_normal(self.seed, int(at_s // DAY_S), 1) + 0.3)
        share: float = height**1.15 * (0.15 + 0.85 * cloud)
        return share

    def pv_w(self, at_s: float) -> float:
        """Power of the PV generator, W."""
        return self.pv_peak_w * self.sun_share(at_s)

    def _season(self, day: float, coldest_day: int) -> float:
        """-1 on the coldest day .. 1; in the south it comes half a year later in the year."""
        south = -1.0 if self.latitude < 0 else 1.0
        return -south * math.cos(2 * math.pi * (day - coldest_day) / 365.25)

    def _solar(self, at_s: float) -> tuple[float, float]:
        moment = datetime.fromtimestamp(at_s + self.longitude / 360 * DAY_S, UTC)
        hour = moment.hour + moment.minute / 60 + moment.second / 3600
        return moment.timetuple().tm_yday + hour / 24, hour


@lru_cache(maxsize=4096)
def _normal(seed: int, day: int, what: int) -> float:
    return float(np.random.default_rng([seed, day, what]).normal())
