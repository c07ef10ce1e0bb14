"""The rest of tomorrow: cold inlet, outdoor temperature and PV surplus, learned at home.

- The cold inlet follows the seasons with a lag; a yearly wave is fitted to what the inlet probe
  read while water ran, starting from a published one, and the last days' departure from it is
  carried forward.
- Outdoors, the same wave for the day's mean (with a departure that fades within days, as weather
  does) and the day's own swing by the hour; how far the last hours lie from that fades within a
  day.
- PV surplus is learned as a share of what a clear sky would give in that half hour, so that the
  season enters through the sun's height; how cloudy the last day was is carried into the next.

A forecast from outside takes the place of the learned outdoor temperature and surplus wherever
it reaches.

References:
    [1] SAP 10.2 Table J1, cold water feed temperature, mains, by month.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import Any, Literal
from zoneinfo import ZoneInfo

import numpy as np

from forecasting.calendar import DAY_S, HALF_HOUR_S, SLOTS_PER_DAY, local_days
from forecasting.sun import Place, clear_sky_w_per_m2, place_of_zone, sun_height_deg
from forecasting.types import Floats, Ints, Measured, SlotGrid, Surroundings

VERSION = 1
SAP_MAINS_C = (8.0, 8.2, 9.3, 12.7, 14.6, 16.7, 18.4, 17.6, 16.6, 14.3, 11.1, 8.5)  # [1]
DAYS_KEPT = 760
YEAR_D = 365.2425
INLET_FADE_D = 30.0  # a departure from the season's inlet temperature lasts for weeks
OUTDOOR_FADE_D = 2.5  # a departure of the weather lasts for days
LATELY_S = 3 * 3600  # outdoors: how far back "now" reaches, and
LATELY_FADE_D = 0.5  # how long what it adds to the days' departure lasts
PRIOR_DAYS = (6.0, 6.0)  # days of evidence the published inlet and the usual outdoors are worth
SWING_DAYS = 10.0
SURPLUS_DAYS = 10.0  # half-life of what is remembered of surplus
CLOUD_FADE_D = 1.0
SKY_LEAN = 0.05  # of a day's usual surplus: how soon this morning counts for more than yesterday
SKY_FLOOR_W_PER_M2 = 15.0


@cache
def _wave_of_months(values: tuple[float, ...]) -> Floats:
    """Mean, cosine and sine of a yearly wave through twelve monthly values, shape (3,)."""
    middle = (np.arange(12) + 0.5) / 12.0 * 2.0 * np.pi
    months = np.array(values)
    return np.array(
        [
            months.mean(),
            2.0 * (months * np.cos(middle)).mean(),
            2.0 * (months * np.sin(middle)).mean(),
        ]
    )


def _season(days: Ints) -> Floats:
    """Columns 1, cos, sin of the time of year for days since 1970-01-01, shape (n, 3)."""
    angle = 2.0 * np.pi * (np.asarray(days, np.float64) % YEAR_D) / YEAR_D
    return np.stack([np.ones(len(angle)), np.cos(angle), np.sin(angle)], axis=1)


@dataclass(frozen=True)
class AroundModel:
    """What is known of a home's surroundings; immutable and bounded.

    inlet_c, outdoor_c: daily means (NaN where none), from first_day on, shape (d,).
    swing_c: outdoor temperature by half hour less the day's mean, shape (48,).
    surplus_w, sky_w: decayed sums of surplus and of clear-sky irradiance by half hour, shape (48,).
    clear: how sunny the last day was against what was expected of it, 1 for as usual.
    """

    zone: ZoneInfo
    place: Place
    first_day: int
    inlet_c: Floats
    outdoor_c: Floats
    swing_c: Floats
    swing_days: float
    surplus_w: Floats
    sky_w: Floats
    clear: float

    def to_plain(self) -> dict[str, Any]:
        """Plain data for JSON, a few kB."""
        return {
            "version": VERSION,
            "zone": self.zone.key,
            "place": [self.place.latitude_deg, self.place.longitude_deg],
            "first_day": self.first_day,
            "inlet_c": _plain(self.inlet_c),
            "outdoor_c": _plain(self.outdoor_c),
            "swing_c": self.swing_c.tolist(),
            "swing_days": self.swing_days,
            "surplus_w": self.surplus_w.tolist(),
            "sky_w": self.sky_w.tolist(),
            "clear": self.clear,
        }

    @classmethod
    def from_plain(cls, plain: dict[str, Any]) -> AroundModel:
        """A model from ``to_plain``'s data.

        Raises:
            ValueError: when the data are of another version.
        """
        if plain.get("version") != VERSION:
            raise ValueError(
                f"surroundings of version {plain.get('version')!r}, expected {VERSION}: learn again"
            )
        return cls(
            ZoneInfo(plain["zone"]),
            Place(*plain["place"]),
            plain["first_day"],
            _array(plain["inlet_c"]),
            _array(plain["outdoor_c"]),
            np.array(plain["swing_c"]),
            plain["swing_days"],
            np.array(plain["surplus_w"]),
            np.array(plain["sky_w"]),
            plain["clear"],
        )


def _plain(values: Floats) -> list[float | None]:
    return [None if np.isnan(v) else round(float(v), 3) for v in values]


def _array(values: list[float | None]) -> Floats:
    return np.array([np.nan if v is None else v for v in values], np.float64)


def learn(
    measured: Measured, zone: ZoneInfo, now_s: int, place: Place | None = None
) -> AroundModel:
    """Learn from half-hourly means up to the last local midnight before ``now_s``.

    Args:
        measured: readings; NaN where there was none. An empty one gives the start values.
        zone: the home's zone.
        now_s: seconds since 1970 UTC.
        place: where the home stands; None for the zone's principal town.
    """
    today = int(local_days(np.array([now_s]), zone)[0][0])
    swing = 4.0 * np.cos(2.0 * np.pi * (np.arange(SLOTS_PER_DAY) / 48.0 - 15.0 / 24.0))
    model = AroundModel(
        zone,
        place or place_of_zone(zone),
        today,
        np.zeros(0),
        np.zeros(0),
        swing,
        0.0,
        np.zeros(SLOTS_PER_DAY),
        np.zeros(SLOTS_PER_DAY),
        1.0,
    )
    return update(model, measured, today)


def update(model: AroundModel, measured: Measured, until_day: int | None = None) -> AroundModel:
    """The model after further whole local days; days already learned are left out."""
    if len(measured.start_s) == 0:
        return model
    day, second = local_days(measured.start_s, model.zone)
    slot = second // HALF_HOUR_S
    last = int(day[-1]) if until_day is None else until_day
    begin = model.first_day + len(model.inlet_c)
    if len(model.inlet_c) == 0:
        begin = max(int(day[0]), last - DAYS_KEPT)
        model = replace(model, first_day=begin)
    elif begin > last + 1:  # learned while the clock was ahead: in that order, up to yesterday
        begin = last - 1
        model = replace(model, first_day=begin - len(model.inlet_c))
    for number in range(max(begin, last - DAYS_KEPT), last):
        of = day == number
        model = _after_day(model, number, slot[of], measured, of)
    return model


def _mean(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if len(known) else float("nan")


def _after_day(
    model: AroundModel, day: int, slot: Ints, measured: Measured, of: np.ndarray
) -> AroundModel:
    inlet, outdoor = measured.cold_inlet_c[of], measured.outdoor_c[of]
    surplus = measured.surplus_w[of]
    # an outdoor mean needs most of the day, or the hours seen would pass for the weather
    whole = np.isfinite(outdoor).sum() >= 40
    mean = _mean(outdoor) if whole else float("nan")
    swing, swing_days = model.swing_c, model.swing_days
    if whole:
        by_slot = np.bincount(slot, np.nan_to_num(outdoor - mean), SLOTS_PER_DAY) / np.maximum(
            np.bincount(slot, minlength=SLOTS_PER_DAY), 1
        )
        step = 1.0 / min(swing_days + 3.0, SWING_DAYS)
        swing, swing_days = swing + step * (by_slot - swing), swing_days + 1.0
    keep = 0.5 ** (1.0 / SURPLUS_DAYS)
    surplus_w, sky_w, clear = keep * model.surplus_w, keep * model.sky_w, model.clear
    if np.isfinite(surplus).any():
        lit, got, sky = _by_daylight(model, measured.start_s[of], slot, surplus)
        usual = float((_share(model)[lit] * sky).sum())
        if model.sky_w.sum() > 0:
            clear = float(np.clip((got.sum() + 0.2 * usual) / max(1.2 * usual, 1e-9), 0, 3))
        surplus_w = surplus_w + np.bincount(lit, got, SLOTS_PER_DAY)
        sky_w = sky_w + np.bincount(lit, sky, SLOTS_PER_DAY)
    return replace(
        model,
        first_day=day + 1 - min(len(model.inlet_c) + 1, DAYS_KEPT),
        inlet_c=np.append(model.inlet_c, _mean(inlet))[-DAYS_KEPT:],
        outdoor_c=np.append(model.outdoor_c, mean)[-DAYS_KEPT:],
        swing_c=swing,
        swing_days=swing_days,
        surplus_w=surplus_w,
        sky_w=sky_w,
        clear=clear,
    )


def _by_daylight(
    model: AroundModel, start_s: Ints, slot: Ints, surplus_w: Floats
) -> tuple[Ints, Floats, Floats]:
    """Half hour of the day, surplus and clear sky of what was measured by daylight."""
    known = np.isfinite(surplus_w)
    sky = clear_sky_w_per_m2(sun_height_deg(start_s[known] + HALF_HOUR_S // 2, model.place))
    lit = sky > SKY_FLOOR_W_PER_M2
    return slot[known][lit], np.maximum(surplus_w[known][lit], 0.0), sky[lit]


def _share(model: AroundModel) -> Floats:
    """Surplus as a share of clear-sky irradiance by half hour, W per W/m2, shape (48,)."""
    around = np.ones(3) / 3.0
    num = np.convolve(np.pad(model.surplus_w, 1, mode="wrap"), around, "valid")
    den = np.convolve(np.pad(model.sky_w, 1, mode="wrap"), around, "valid")
    return np.asarray(num / (den + SKY_FLOOR_W_PER_M2))


def _yearly(days: Ints, values: Floats, start: Floats, prior_days: float) -> Floats:
    """A yearly wave fitted to daily values, leaning on a start wave, shape (3,).

    The level is learned within days; the wave's swing only as far as the days seen cover it.
    """
    known = np.isfinite(values)
    if not known.any():
        return start
    columns = _season(days[known])
    # weight of the start wave on level and swing; the swing is trusted for about two months
    lean = np.diag([prior_days, 10.0 * prior_days, 10.0 * prior_days])
    miss = values[known] - columns @ start
    return np.asarray(start + np.linalg.solve(columns.T @ columns + lean, columns.T @ miss))


def _departure(days: Ints, values: Floats, wave: Floats, half_life_d: float) -> float:
    """How far the last days lie from the wave: weighted mean, leaning on 0."""
    known = np.isfinite(values)
    if not known.any():
        return 0.0
    miss = values[known] - _season(days[known]) @ wave
    weight = 0.5 ** ((days[-1] - days[known]) / half_life_d)
    return float((weight * miss).sum() / (weight.sum() + 0.5))


def forecast(
    model: AroundModel,
    grid: SlotGrid,
    now_s: int,
    feed: Surroundings | None = None,
    recent: Measured | None = None,
) -> Surroundings:
    """Cold inlet, outdoor temperature and PV surplus on the slots of a grid.

    Args:
        model: from ``learn`` or ``update``.
        grid: slots of any length.
        now_s: seconds since 1970 UTC.
        feed: a forecast from outside on any grid; NaN where it says nothing.
        recent: half-hourly means since local midnight at least: the sky that has been goes on till
            night, and whether it is warmer outdoors than expected for a while.
    """
    middle = (grid.start_s + grid.end_s) // 2
    day, second = local_days(middle, model.zone)
    slot = second // HALF_HOUR_S
    ahead_d = np.maximum(middle - now_s, 0) / DAY_S
    inlet = _lagged(
        _days(model),
        model.inlet_c,
        _wave_of_months(SAP_MAINS_C) * _turn(model.place),
        day,
        ahead_d,
        (PRIOR_DAYS[0], INLET_FADE_D),
    )
    outdoor = _outdoors(model, middle, now_s)
    if recent is not None:
        warmer_k = _warmer_lately_k(model, recent, now_s)
        outdoor = outdoor + warmer_k * 0.5 ** (ahead_d / LATELY_FADE_D)
    sky = clear_sky_w_per_m2(sun_height_deg(middle, model.place))
    this_day = int(local_days(np.array([now_s]), model.zone)[0][0])
    clear = model.clear if recent is None else _clear_today(model, recent, this_day)
    cloud = 1.0 + (clear - 1.0) * 0.5 * 0.5 ** (ahead_d / CLOUD_FADE_D)
    if recent is not None:
        cloud = np.where(day == this_day, clear, cloud)
    surplus = np.where(sky > SKY_FLOOR_W_PER_M2, _share(model)[slot] * sky * cloud, 0.0)
    made = Surroundings(
        grid,
        np.clip(inlet, 0.5, 35.0),
        outdoor,
        surplus,
        (
            ("cold_inlet", _source(model.inlet_c)),
            ("outdoor", _source(model.outdoor_c)),
            ("surplus", "learned" if model.sky_w.sum() > 0 else "default"),
        ),
    )
    return made if feed is None else _fed(made, feed)


def _days(model: AroundModel) -> Ints:
    """The days that the model's daily means are of, since 1970-01-01."""
    return model.first_day + np.arange(len(model.inlet_c))


def usual_inlet_c(now_s: int, place: Place) -> float:
    """Mains water by the season alone, degC: what is reckoned with before anything is learned [1].

    Args:
        now_s: seconds since 1970 UTC.
        place: where the home stands.
    """
    wave = _wave_of_months(SAP_MAINS_C) * _turn(place)
    return float(_season(np.array([now_s // DAY_S]))[0] @ wave)


def _turn(place: Place) -> Floats:
    """What turns a yearly wave over south of the equator."""
    south = -1.0 if place.latitude_deg < 0 else 1.0
    return np.array([1.0, south, south])


def _outdoors(model: AroundModel, at_s: Ints, now_s: int) -> Floats:
    """What the past days let expect outdoors, degC, shape of ``at_s``."""
    day, second = local_days(at_s, model.zone)
    # start values: 10 degC with 7 K either way, coldest in mid January (common practice, no source)
    start = np.array([10.0, -6.8, -1.8]) * _turn(model.place)
    ahead_d = np.maximum(at_s - now_s, 0) / DAY_S
    how = (PRIOR_DAYS[1], OUTDOOR_FADE_D)
    mean = _lagged(_days(model), model.outdoor_c, start, day, ahead_d, how)
    return mean + model.swing_c[second // HALF_HOUR_S]


def _warmer_lately_k(model: AroundModel, recent: Measured, now_s: int) -> float:
    """How much warmer the last hours were outdoors than the past days let expect, K."""
    lately = (recent.start_s >= now_s - LATELY_S) & np.isfinite(recent.outdoor_c)
    if not lately.any():
        return 0.0
    return float(
        (recent.outdoor_c[lately] - _outdoors(model, recent.start_s[lately], now_s)).mean()
    )


def _clear_today(model: AroundModel, recent: Measured, this_day: int) -> float:
    """How sunny today has been against what was expected of it, leaning on yesterday's sky."""
    day, second = local_days(recent.start_s, model.zone)
    of = day == this_day
    surplus_w = recent.surplus_w[of]
    if not np.isfinite(surplus_w).any() or not model.sky_w.sum() > 0:
        return model.clear
    lit, got, sky = _by_daylight(model, recent.start_s[of], second[of] // HALF_HOUR_S, surplus_w)
    usual = _share(model)[lit] * sky
    whole_day = _share(model) * model.sky_w / max(_days_seen(model), 1e-9)
    lean = SKY_LEAN * float(whole_day.sum())
    yesterday = 1.0 + 0.5 * (model.clear - 1.0)
    return float(
        np.clip((got[usual > 0].sum() + lean * yesterday) / max(usual.sum() + lean, 1e-9), 0.0, 3.0)
    )


def _days_seen(model: AroundModel) -> float:
    """Days that the decayed sums of sky stand for."""
    keep = 0.5 ** (1.0 / SURPLUS_DAYS)
    return float((1.0 - keep ** max(len(model.inlet_c), 1)) / (1.0 - keep))


def _source(values: Floats) -> Literal["learned", "default"]:
    return "learned" if np.isfinite(values).any() else "default"


def _lagged(
    days: Ints, values: Floats, start: Floats, day: Ints, ahead_d: Floats, how: tuple[float, float]
) -> Floats:
    """A yearly wave and the fading departure from it, shape of ``day``."""
    prior_days, fade_d = how
    wave = _yearly(days, values, start, prior_days)
    departure = _departure(days, values, wave, min(fade_d, 7.0)) if len(days) else 0.0
    return np.asarray(_season(day) @ wave + departure * 0.5 ** (ahead_d / fade_d))


def _fed(made: Surroundings, feed: Surroundings) -> Surroundings:
    """The learned values with those of a feed wherever it says something."""
    middle = (made.grid.start_s + made.grid.end_s) / 2.0
    index = np.searchsorted(feed.grid.start_s, middle, side="right") - 1
    inside = (index >= 0) & (
        middle < feed.grid.end_s[np.maximum(index, 0)] if len(feed.grid) else False
    )
    sources = dict(made.sources)
    out: dict[str, Floats] = {}
    for name, field in (
        ("outdoor", "outdoor_c"),
        ("surplus", "surplus_w"),
        ("cold_inlet", "cold_inlet_c"),
    ):
        own = getattr(made, field)
        theirs = getattr(feed, field)[np.maximum(index, 0)] if len(feed.grid) else own
        use = inside & np.isfinite(theirs)
        out[field] = np.where(use, theirs, own)
        if use.any():
            sources[name] = "feed"
    return replace(made, sources=tuple(sources.items()), **out)  # type: ignore[arg-type]


def half_hours(from_s: int, quantities: dict[str, tuple[Ints, Floats]], until_s: int) -> Measured:
    """Half-hourly means of raw readings; see ``Measured``.

    Args:
        from_s: start of the first half hour.
        quantities: moments and values by "cold_inlet_c", "outdoor_c" or "surplus_w".
        until_s: end of the last half hour.
    """
    start = np.arange(from_s, until_s, HALF_HOUR_S, dtype=np.int64)
    columns = []
    for name in ("cold_inlet_c", "outdoor_c", "surplus_w"):
        moments, values = quantities.get(name, (np.zeros(0, np.int64), np.zeros(0)))
        cell = (moments - start[0]) // HALF_HOUR_S if len(start) else moments
        use = (cell >= 0) & (cell < len(start)) & np.isfinite(values)
        total = np.bincount(cell[use], values[use], len(start))
        count = np.bincount(cell[use], minlength=len(start))
        columns.append(np.where(count > 0, total / np.maximum(count, 1), np.nan))
    return Measured(start, *columns)
