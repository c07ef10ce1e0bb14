"""Draws: learn a household's habits and say how much it will use, when, and how sure that is.

The model is a chain of half hours with four regimes made of two observed facts: whether a large
draw (a shower, a bath) falls in this half hour, and whether the main use of this part of the day
is already behind us (``forecasting.chain``). Both are read off the flow meter, so what was drawn
today updates the forecast exactly, and the scheduler gets regimes with their transition. Rates
come from ``forecasting.rates``, volumes from ``forecasting.volumes``.
"""

from __future__ import annotations

import base64
import zlib
from dataclasses import asdict, dataclass, replace
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from forecasting import chain, profiles, rates, volumes
from forecasting.calendar import (
    DAY_S,
    HALF_HOUR_S,
    SLOTS_PER_DAY,
    is_holiday,
    like_weekday,
    local_days,
    offset_s,
)
from forecasting.slots import DayTable, large_from_litres, tabulate
from forecasting.types import DemandForecast, DrawHistory, Floats, Household, Ints, SlotGrid, Visit

VERSION = 1
KWH_PER_L40_K = 1.153e-3  # rho cp of water counted at 40 degC, IAPWS-95, mean over 10..40 degC
SIZE_CLASSES = 12  # six four-hour stretches x working and free days
SIZE_HALF_LIFE_D = 180.0
SIZES_KEPT = 3000
TAIL_DRAWS = 2.0  # published large draws mixed into the household's own sizes
CLASS_DRAWS = 8.0  # large draws of any hour that stand in for one of this hour
LEARNED_DRAWS = 60.0  # draws after which half of what we say is the household's own
ABSENT_AFTER = 6.0  # expected draws that must have failed to come before nobody is at home
USUAL_QUIET_MARGIN = 1.5
RETURN_AFTER_S = 4 * DAY_S


@dataclass(frozen=True)
class DrawModel:
    """Everything learned of one household's draws; immutable.

    Rows are local days in order, columns local half hours; ``first_day`` is the first row's day
    (days since 1970-01-01). Weight of a row fades with the household's half-life.
    """

    household: Household
    zone: ZoneInfo
    large_from_l: float
    first_day: int
    small: Floats
    large: Floats
    large_litres: Floats
    seen: Floats
    sizes_day: Ints
    sizes_slot: Ints
    sizes_litres: Floats
    small_sizes: Floats
    small_excess: float
    pace_small: rates.Pace
    pace_large: rates.Pace
    strengths_small: rates.Strengths
    strengths_large: rates.Strengths
    habit: chain.Habit
    quiet_draws: float  # expected draws since the last one, at the end of the last row
    usual_quiet: float  # the longest such wait that was no absence
    # derived from the above
    slow_small: Floats
    slow_large: Floats
    extra_large: Floats
    tables: volumes.VolumeTables
    learned_weight: float

    @property
    def days(self) -> int:
        """Days learned from and still remembered."""
        return len(self.small)

    def to_plain(self) -> dict[str, Any]:
        """Plain data for JSON, well under 100 kB; ``from_plain`` makes the same model of it."""
        household = asdict(self.household)
        household["marked_days"] = [list(pair) for pair in self.household.marked_days]
        return {
            "version": VERSION,
            "household": household,
            "zone": self.zone.key,
            "large_from_l": self.large_from_l,
            "first_day": self.first_day,
            "small": _packed(self.small, 1, "<u1"),
            "large": _packed(self.large, 1, "<u1"),
            "large_litres": _packed(self.large_litres, 10, "<u2"),
            "seen": _packed(self.seen, 100, "<u1"),
            "sizes_day": _packed(self.sizes_day, 1, "<u2"),
            "sizes_slot": _packed(self.sizes_slot, 1, "<u1"),
            "sizes_litres": _packed(self.sizes_litres, 10, "<u2"),
            "small_sizes": _packed(self.small_sizes, 10, "<u2"),
            "pace_small": self.pace_small.to_plain(),
            "pace_large": self.pace_large.to_plain(),
            "strengths_small": asdict(self.strengths_small),
            "strengths_large": asdict(self.strengths_large),
            "habit": asdict(self.habit),
            "quiet_draws": self.quiet_draws,
            "usual_quiet": self.usual_quiet,
        }

    @classmethod
    def from_plain(cls, plain: dict[str, Any]) -> DrawModel:
        """A model from ``to_plain``'s data.

        Raises:
            ValueError: when the data are of another version.
        """
        if plain.get("version") != VERSION:
            raise ValueError(
                f"draw model of version {plain.get('version')!r}, expected {VERSION}: learn again"
            )
        household = dict(plain["household"])
        household["marked_days"] = tuple((d, how) for d, how in household["marked_days"])
        zone = ZoneInfo(plain["zone"])
        rows = (-1, SLOTS_PER_DAY)
        model = _empty(Household(**household), zone, plain["first_day"], plain["large_from_l"])
        return _derive(
            replace(
                model,
                small=_unpacked(plain["small"], 1, "<u1").reshape(rows),
                large=_unpacked(plain["large"], 1, "<u1").reshape(rows),
                large_litres=_unpacked(plain["large_litres"], 10, "<u2").reshape(rows),
                seen=_unpacked(plain["seen"], 100, "<u1").reshape(rows),
                sizes_day=_unpacked(plain["sizes_day"], 1, "<u2").astype(np.int64),
                sizes_slot=_unpacked(plain["sizes_slot"], 1, "<u1").astype(np.int64),
                sizes_litres=_unpacked(plain["sizes_litres"], 10, "<u2"),
                small_sizes=_unpacked(plain["small_sizes"], 10, "<u2"),
                pace_small=rates.Pace.from_plain(plain["pace_small"]),
                pace_large=rates.Pace.from_plain(plain["pace_large"]),
                strengths_small=rates.Strengths(**plain["strengths_small"]),
                strengths_large=rates.Strengths(**plain["strengths_large"]),
                habit=chain.Habit.from_plain(plain["habit"]),
                quiet_draws=plain["quiet_draws"],
                usual_quiet=plain["usual_quiet"],
            )
        )


@dataclass(frozen=True)
class _Prior:
    """The published profile as rates: small draws a half hour, chance of a large draw."""

    small: Floats
    large: Floats
    extra: float


def _prior(household: Household, large_from_l: float) -> _Prior:
    litres = profiles.daily_litres_40c(household) * profiles.shape()
    small_sizes = volumes.published_sizes(True, large_from_l)
    large_sizes = volumes.published_sizes(False, large_from_l)
    per_draw = np.arange(volumes.FINE) * volumes.STEP_L
    small_share = sum(s for _, size, _, s in profiles.DRAW_CATEGORIES if size < large_from_l)
    small = litres * small_share / float(small_sizes @ per_draw)
    draws = litres * (1.0 - small_share) / float(large_sizes @ per_draw)
    chance = 1.0 - np.exp(-draws)
    return _Prior(small, chance, float(draws.sum() / chance.sum() - 1.0))


def _empty(household: Household, zone: ZoneInfo, first_day: int, large_from_l: float) -> DrawModel:
    none = np.zeros((0, SLOTS_PER_DAY))
    nothing = np.zeros(0, np.int64)
    zero = np.zeros(SLOTS_PER_DAY)
    return DrawModel(
        household=household,
        zone=zone,
        large_from_l=large_from_l,
        first_day=first_day,
        small=none,
        large=none,
        large_litres=none,
        seen=none,
        sizes_day=nothing,
        sizes_slot=nothing,
        sizes_litres=np.zeros(0),
        small_sizes=np.zeros(0),
        small_excess=0.0,
        pace_small=rates.Pace.new(),
        pace_large=rates.Pace.new(),
        strengths_small=rates.Strengths(),
        strengths_large=rates.Strengths(),
        habit=chain.Habit(),
        quiet_draws=0.0,
        usual_quiet=ABSENT_AFTER / USUAL_QUIET_MARGIN,
        slow_small=np.zeros((7, SLOTS_PER_DAY)),
        slow_large=np.zeros((7, SLOTS_PER_DAY)),
        extra_large=zero,
        tables=_NO_TABLES,
        learned_weight=0.0,
    )


_NO_TABLES = volumes.VolumeTables(np.zeros((0, 0)), np.zeros((0, 0, 0, 0)), np.zeros(0), 0.0)


def _window_days(household: Household) -> int:
    return max(7, round(household.learning_window_weeks * 7))


def _fade(household: Household, days: int) -> Floats:
    """Weight of each of so many days, the last one 1, shape (days,)."""
    half_life_d = max(household.half_life_weeks * 7.0, 1.0)
    return np.asarray(0.5 ** (np.arange(days)[::-1] / half_life_d), np.float64)


def _large_litres(table: DayTable) -> Floats:
    rows = len(table.small)
    cell = table.large_day * SLOTS_PER_DAY + table.large_slot
    total = np.bincount(cell, table.large_litres, rows * SLOTS_PER_DAY)
    return np.asarray(total.reshape(rows, SLOTS_PER_DAY), np.float64)


def learn(history: DrawHistory, household: Household, zone: ZoneInfo, now_s: int) -> DrawModel:
    """Learn a household from its draws up to the last local midnight before ``now_s``.

    Args:
        history: draw-off events, in order of their start; events and time after the last
            midnight are left for ``forecast`` to use as ``drawn_today``.
        household: occupants, country, and the installer's settings for the learning window.
        zone: the home's zone.
        now_s: seconds since 1970 UTC.

    Returns:
        A model; with an empty history it is the published starting profile alone.
    """
    today = int(local_days(np.array([now_s]), zone)[0][0])
    recent = history.start_s >= now_s - _window_days(household) * DAY_S
    large_from = large_from_litres(history.litres_40c[recent & (history.start_s < now_s)])
    table = tabulate(history, zone, large_from)
    model = _empty(household, zone, table.first_day, large_from)
    model = _absorb(model, table, today)
    return _derive(_follow(_structure(model), 0))


def update(model: DrawModel, history: DrawHistory) -> DrawModel:
    """The model after one or more further whole local days; quick, so it may run each night.

    Days already learned, and a last day that is not over by ``history.watched_to_s``, are left
    out. The habits' structure is learned again by ``learn`` alone.
    """
    table = tabulate(history, model.zone, model.large_from_l)
    until = int(local_days(np.array([history.watched_to_s]), model.zone)[0][0])
    longer = _absorb(model, table, until)
    new = longer.first_day + longer.days - model.first_day - model.days
    return _derive(_follow(longer, max(longer.days - new, 0))) if new else model


def _absorb(model: DrawModel, table: DayTable, until_day: int) -> DrawModel:
    """Rows of the table that are over and new, appended; nothing is estimated yet."""
    next_day = model.first_day + model.days
    begin = max(next_day - table.first_day, 0)
    end = min(until_day - table.first_day, len(table.small))
    if end <= begin:
        return model
    rows = slice(begin, end)
    missing = max(table.first_day - next_day, 0) if model.days else 0
    gap = np.zeros((missing, SLOTS_PER_DAY))
    litres = np.round(_large_litres(table), 1)
    keep = _window_days(model.household)

    def joined(old: Floats, new: Floats) -> Floats:
        return np.concatenate([old, gap, new])[-keep:]

    small = np.concatenate([model.small, gap, table.small[rows]])
    first = model.first_day if model.days else table.first_day + begin
    first_kept = first + max(len(small) - keep, 0)
    of = (table.large_day >= begin) & (table.large_day < end)
    sizes_day = np.concatenate([model.sizes_day, table.large_day[of] + table.first_day])
    of_small = (table.small_day >= begin) & (table.small_day < end)
    return replace(
        model,
        first_day=first_kept,
        small=small[-keep:],
        large=joined(model.large, table.large[rows]),
        large_litres=joined(model.large_litres, litres[rows]),
        seen=joined(model.seen, np.round(table.seen[rows] * 100.0) / 100.0),
        sizes_day=sizes_day[-SIZES_KEPT:],
        sizes_slot=np.concatenate([model.sizes_slot, table.large_slot[of]])[-SIZES_KEPT:],
        sizes_litres=np.concatenate([model.sizes_litres, np.round(table.large_litres[of], 1)])[
            -SIZES_KEPT:
        ],
        small_sizes=np.concatenate([model.small_sizes, np.round(table.small_litres[of_small], 1)])[
            -SIZES_KEPT:
        ],
    )


@dataclass(frozen=True)
class _DayLook:
    """What one day looks like against what was expected of it."""

    quiet_end: float
    usual: float
    present: Floats


def _look_at_day(
    draws: Floats, expected: Floats, quiet: float, usual: float, trust: bool
) -> _DayLook:
    """Tell an absence from a quiet spell, by the draws that failed to come.

    draws and expected are counts by half hour, shape (48,); quiet is what was already missed.
    """
    limit = max(ABSENT_AFTER, USUAL_QUIET_MARGIN * usual)
    present = np.ones(SLOTS_PER_DAY)
    missed = quiet + np.cumsum(expected)
    at = np.flatnonzero(draws)
    if len(at) == 0:
        if trust and missed[-1] > limit:
            present[:] = 0.0
        return _DayLook(float(missed[-1]), usual, present)
    gaps = np.diff(missed[at])
    first, end = float(missed[at[0]]), float(missed[-1] - missed[at[-1]])
    longest = max([first, *gaps.tolist()])
    if trust and first > limit:
        present[: at[0]] = 0.0
        longest = max([0.0, *gaps.tolist()])
    if trust and end > limit:
        present[at[-1] + 1 :] = 0.0
    return _DayLook(end, max(0.999 * usual, min(longest, limit)), present)


STRUCTURE_D = 14  # days to learn before habits are looked for
TRUST_ABSENCE_D = 10  # days to learn before a silence may count as an absence


def _follow(model: DrawModel, from_row: int) -> DrawModel:
    """Go through the rows from ``from_row`` on, day by day, as they came: no look-ahead."""
    prior = _prior(model.household, model.large_from_l)
    like = _likes(model)
    days = model.days
    happened = (model.large > 0).astype(float)
    seen = model.seen.copy()
    keep = 0.5 ** (1.0 / max(model.household.half_life_weeks * 7.0, 1.0))
    fade = _fade(model.household, from_row) if from_row else np.zeros(0)
    part = slice(0, from_row)
    weight = fade[:, None] * seen[part]
    small_n, mass = rates.weekday_sums(model.small[part], weight, like[part])
    large_n, _ = rates.weekday_sums(happened[part], weight, like[part])
    pace_small, pace_large = model.pace_small.copy(), model.pace_large.copy()
    quiet, usual = model.quiet_draws, model.usual_quiet
    for row in range(from_row, days):
        weekday = int(like[row])
        slow_small = _one_weekday(small_n, mass, prior.small, model.strengths_small, weekday)
        slow_large = _one_weekday(large_n, mass, prior.large, model.strengths_large, weekday)
        expected = rates.blend(rates.estimates(slow_small, pace_small), pace_small)
        expected = expected + rates.blend(rates.estimates(slow_large, pace_large), pace_large)
        look = _look_at_day(
            model.small[row] + model.large[row],
            expected * seen[row],
            quiet,
            usual,
            row >= TRUST_ABSENCE_D,
        )
        quiet, usual = look.quiet_end, look.usual
        seen[row] *= look.present
        pace_small, _ = rates.after_day(pace_small, slow_small, model.small[row], seen[row], False)
        pace_large, _ = rates.after_day(pace_large, slow_large, happened[row], seen[row], True)
        small_n *= keep
        large_n *= keep
        mass *= keep
        small_n[weekday] += seen[row] * model.small[row]
        large_n[weekday] += seen[row] * happened[row]
        mass[weekday] += seen[row]
    return replace(
        model,
        seen=seen,
        pace_small=pace_small,
        pace_large=pace_large,
        quiet_draws=quiet,
        usual_quiet=usual,
    )


def _one_weekday(
    count: Floats, seen: Floats, prior: Floats, strengths: rates.Strengths, weekday: int
) -> Floats:
    """``rates.by_weekday`` for a single weekday, shape (48,)."""
    base = rates.overall(count, seen, prior)
    kind = slice(0, 5) if weekday < 5 else slice(5, 7)
    parent = (count[kind].sum(0) + strengths.kind_d * base) / (seen[kind].sum(0) + strengths.kind_d)
    return np.asarray(
        (count[weekday] + strengths.weekday_d * parent) / (seen[weekday] + strengths.weekday_d)
    )


def _likes(model: DrawModel) -> Ints:
    return like_weekday(np.arange(model.first_day, model.first_day + model.days), model.household)


def _structure(model: DrawModel) -> DrawModel:
    """What only ``learn`` finds: how far weekdays share, how large draws hang together."""
    sharing = model.household.weekday_sharing
    if sharing is not None:
        fixed = rates.strengths_for_sharing(sharing)
        model = replace(model, strengths_small=fixed, strengths_large=fixed)
    if model.days < STRUCTURE_D:
        return model
    prior = _prior(model.household, model.large_from_l)
    like = _likes(model)
    weight = _fade(model.household, model.days)[:, None] * model.seen
    happened = (model.large > 0).astype(float)
    if sharing is None:
        model = replace(
            model,
            strengths_small=rates.learn_strengths(model.small, weight, like, prior.small, False),
            strengths_large=rates.learn_strengths(happened, weight, like, prior.large, True),
        )
    count, mass = rates.weekday_sums(happened, weight, like)
    slow = rates.by_weekday(count, mass, prior.large, model.strengths_large)
    return replace(model, habit=chain.learn_habit(slow, model.large_litres, weight, like))


def _derive(model: DrawModel) -> DrawModel:
    """Rates, counts' excess and volume tables from the rows."""
    prior = _prior(model.household, model.large_from_l)
    like = _likes(model)
    happened = (model.large > 0).astype(float)
    weight = _fade(model.household, model.days)[:, None] * model.seen
    small_n, mass = rates.weekday_sums(model.small, weight, like)
    large_n, _ = rates.weekday_sums(happened, weight, like)
    slow_small = rates.by_weekday(small_n, mass, prior.small, model.strengths_small)
    slow_large = rates.by_weekday(large_n, mass, prior.large, model.strengths_large)
    draws = (weight * model.large).sum(0) @ _SIX
    slots = (weight * happened).sum(0) @ _SIX
    all_extra = (draws.sum() - slots.sum() + 5.0 * prior.extra) / (slots.sum() + 5.0)
    extra = (draws - slots + 10.0 * all_extra) / (slots + 10.0)
    over = weight * ((model.small - slow_small[like]) ** 2 - slow_small[like])
    scale = float((weight * slow_small[like] ** 2).sum())
    excess = float(np.clip(over.sum() / scale, 0.0, 3.0)) if scale > 5.0 else 0.3
    evidence = float((weight * (model.small + model.large)).sum())
    return replace(
        model,
        slow_small=slow_small,
        slow_large=slow_large,
        extra_large=extra[rates.LEVEL_BLOCK],
        small_excess=excess,
        tables=_tables(model, excess),
        learned_weight=evidence / (evidence + LEARNED_DRAWS),
    )


_SIX = (rates.LEVEL_BLOCK[:, None] == np.arange(6)[None, :]).astype(float)


def _tables(model: DrawModel, excess: float) -> volumes.VolumeTables:
    """Volume distributions from the household's own draw sizes and a published trace."""
    last = model.first_day + model.days
    age = last - model.sizes_day
    weight = 0.5 ** (age / SIZE_HALF_LIFE_D)
    like = like_weekday(model.sizes_day, model.household)
    kind = (like >= 5) * 6 + rates.LEVEL_BLOCK[model.sizes_slot]
    published = volumes.published_sizes(False, model.large_from_l)
    every = volumes.histogram(model.sizes_litres, weight) + TAIL_DRAWS * published
    every /= every.sum()
    large = np.empty((SIZE_CLASSES, volumes.FINE))
    for i in range(SIZE_CLASSES):
        of = kind == i
        own = volumes.histogram(model.sizes_litres[of], weight[of]) + CLASS_DRAWS * every
        large[i] = own / own.sum()
    small = volumes.histogram(model.small_sizes, np.ones(len(model.small_sizes)))
    small += 10.0 * volumes.published_sizes(True, model.large_from_l)
    return volumes.tables(small / small.sum(), excess, large)


@dataclass(frozen=True)
class _Outlook:
    """Rates on the slots of a grid."""

    small: Floats
    large: Floats
    extra: Floats
    kind: Ints
    slot: Ints
    begins: np.ndarray


def _pieces(grid: SlotGrid, zone: ZoneInfo) -> tuple[Ints, Ints, Ints, Floats]:
    """Slots cut at local half hours: slot index, local day, half hour and share of a half hour."""
    start, end = int(grid.start_s[0]), int(grid.end_s[-1])
    offset = int(offset_s(grid.start_s[:1], zone)[0])
    marks = np.arange(start - (start + offset) % HALF_HOUR_S, end, HALF_HOUR_S, dtype=np.int64)
    edges = np.unique(np.concatenate([marks[marks >= start], grid.start_s, grid.end_s[-1:]]))
    begin, length = edges[:-1], np.diff(edges)
    index = np.searchsorted(grid.start_s, begin, side="right") - 1
    day, second = local_days(begin, zone)
    return index, day, second // HALF_HOUR_S, length / HALF_HOUR_S


def _people_factor(begin_s: Ints, end_s: Ints, visits: tuple[Visit, ...], usual: float) -> Floats:
    """How many times the usual number of people, for each stretch, shape (n,)."""
    length = np.maximum(end_s - begin_s, 1)
    people = np.full(len(begin_s), max(float(usual), 0.5))
    home = np.ones(len(begin_s))
    for visit in visits:
        share = np.clip(
            (np.minimum(end_s, visit.until_s) - np.maximum(begin_s, visit.from_s)) / length, 0, 1
        )
        if visit.away:
            home *= 1.0 - share
        else:
            people += share * visit.extra_people
    return np.asarray(home * np.maximum(people, 0.0) / max(usual, 0.5))


def _day_rates(model: DrawModel, days: Ints) -> tuple[Floats, Floats]:
    """Blended rates of small draws and chances of large ones for local days, shape (d, 48)."""
    like = like_weekday(days, model.household)
    small = np.empty((len(days), SLOTS_PER_DAY))
    large = np.empty((len(days), SLOTS_PER_DAY))
    for i, weekday in enumerate(like.tolist()):
        small[i] = rates.blend(
            rates.estimates(model.slow_small[weekday], model.pace_small), model.pace_small
        )
        large[i] = rates.blend(
            rates.estimates(model.slow_large[weekday], model.pace_large), model.pace_large
        )
    return small, np.clip(large, 0.0, 0.98)


def _usual_regimes(model: DrawModel, day: int, slot: int) -> Floats:
    """How likely each regime is just before a half hour when nothing of the day is known."""
    _, large = _day_rates(model, np.array([day - 1, day]))
    run = np.concatenate([large[0], large[1]])
    upto = SLOTS_PER_DAY + slot
    slots = np.arange(chain.PART_STARTS[0], upto) % SLOTS_PER_DAY
    begins = np.isin(slots, chain.PART_STARTS)
    walked = chain.steps(
        run[chain.PART_STARTS[0] : upto], slots, begins, model.habit, np.array([1.0, 0, 0, 0])
    )
    return np.asarray(walked.usual[-1])


def _today(model: DrawModel, now_s: int, drawn: DrawHistory) -> tuple[bool, bool, bool]:
    """Of today: is the main use of this part of the day done, was a draw just large, any draw."""
    before = (drawn.start_s < now_s) & (drawn.litres_40c > 0)
    _, second = local_days(np.array([now_s]), model.zone)
    slot = int(second[0]) // HALF_HOUR_S
    part = int(chain.PART_OF_SLOT[slot])
    began = max(s for s in (chain.PART_STARTS[part], chain.PART_STARTS[part] - 48) if s <= slot)
    part_s = now_s - (int(second[0]) - began * HALF_HOUR_S)
    large = before & (drawn.litres_40c >= model.large_from_l)
    litres = float(drawn.litres_40c[large & (drawn.start_s >= part_s)].sum())
    slot_s = now_s - int(second[0]) % HALF_HOUR_S
    just = bool((large & (drawn.start_s >= slot_s - HALF_HOUR_S)).any())
    return litres >= model.habit.done_from_l[part], just, bool(before.any())


def forecast(
    model: DrawModel,
    grid: SlotGrid,
    now_s: int,
    visits: tuple[Visit, ...],
    drawn_today: DrawHistory,
    cold_inlet_c: Floats,
) -> DemandForecast:
    """The distribution of use over the slots of a grid, given what was drawn so far.

    Args:
        model: from ``learn`` or ``update``.
        grid: slots of any length, the first one holding or following ``now_s``.
        now_s: seconds since 1970 UTC; of a slot under way only the rest is forecast.
        visits: guests and absences somebody announced.
        drawn_today: draws since the model's last day (at least those since local midnight).
        cold_inlet_c: cold inlet temperature in each slot, degC, shape (n,).
    """
    n = len(grid)
    index, day, slot, share = _pieces(grid, model.zone)
    days, day_row = np.unique(day, return_inverse=True)
    small_days, large_days = _day_rates(model, days)
    length = (grid.end_s - grid.start_s).astype(float)
    left = np.clip((grid.end_s - max(now_s, int(grid.start_s[0]))) / length, 0.0, 1.0)
    people = _people_factor(grid.start_s, grid.end_s, visits, model.household.occupants)
    home, absent = _at_home(model, grid, now_s, drawn_today)
    factor = people * home * left
    notes = []
    if any(v.away and v.until_s > now_s and v.from_s < grid.end_s[-1] for v in visits):
        notes.append("away")
    if any(v.extra_people and v.until_s > now_s and v.from_s < grid.end_s[-1] for v in visits):
        notes.append("guests")
    if absent:
        notes.append("absence_noticed")
    if any(is_holiday(d, model.household) for d in days.tolist()):
        notes.append("holiday")
    small = np.bincount(index, small_days[day_row, slot] * share, n) * factor
    chance = large_days[day_row, slot]
    log_none = np.bincount(index, np.log1p(-chance) * share, n) * factor
    draws = np.bincount(index, chance * (1.0 + model.extra_large[slot]) * share, n) * factor
    large = np.minimum(np.minimum(-np.expm1(log_none), draws), 0.98)
    extra = np.maximum(draws / np.maximum(large, 1e-9) - 1.0, 0.0)
    first = np.searchsorted(index, np.arange(n))
    like = like_weekday(days, model.household)[day_row[first]]
    kind = (like >= 5) * 6 + rates.LEVEL_BLOCK[slot[first]]
    begins = np.isin(slot[first], chain.PART_STARTS) & (
        (grid.start_s + offset_s(grid.start_s, model.zone)) % HALF_HOUR_S == 0
    )
    done, just, _ = _today(model, now_s, drawn_today)
    walked = chain.steps(
        large,
        slot[first],
        begins,
        model.habit,
        _usual_regimes(model, int(day[0]), int(slot[0])),
    )
    known = np.zeros(chain.REGIMES)
    known[2 * done + just] = 1.0
    now = known @ walked.into[0]
    transition = np.empty((n, chain.REGIMES, chain.REGIMES))
    transition[:-1] = walked.into[1:]
    transition[-1] = np.eye(chain.REGIMES)
    quiet = volumes.quiet_pmf(model.tables, small)
    busy = volumes.busy_pmf(model.tables, kind, extra, small)
    pmf = np.stack([quiet, busy, quiet, busy], axis=1)
    expected = _expected(pmf, now, transition)
    rise = np.maximum(40.0 - np.asarray(cold_inlet_c, np.float64), 0.0)
    return DemandForecast(
        grid=grid,
        volumes_l40=volumes.SUPPORT_L40,
        pmf=pmf,
        regime_now=now,
        transition=transition,
        expected_l40=expected,
        expected_kwh=expected * KWH_PER_L40_K * rise,
        learned_weight=model.learned_weight,
        made_at_s=now_s,
        notes=tuple(notes),
    )


def _expected(pmf: Floats, now: Floats, transition: Floats) -> Floats:
    mean = pmf @ volumes.SUPPORT_L40  # (n, r)
    out = np.empty(len(pmf))
    state = now
    for i in range(len(pmf)):
        out[i] = state @ mean[i]
        state = state @ transition[i]
    return out


def _at_home(
    model: DrawModel, grid: SlotGrid, now_s: int, drawn: DrawHistory
) -> tuple[Floats, bool]:
    """Chance that somebody is at home in each slot, shape (n,), and whether nobody seems to be."""
    if model.days < TRUST_ABSENCE_D:
        return np.ones(len(grid)), False
    today, second = local_days(np.array([now_s]), model.zone)
    small, large = _day_rates(model, today)
    slot = int(second[0]) // HALF_HOUR_S
    expected = (small + large)[0]
    recent = drawn.start_s[(drawn.start_s < now_s) & (drawn.litres_40c > 0)]
    begin, missed = 0, model.quiet_draws
    if len(recent):
        day, at = local_days(recent[-1:], model.zone)
        if day[0] >= today[0]:
            begin, missed = int(at[0]) // HALF_HOUR_S, 0.0
    missed += float(expected[begin:slot].sum())
    if missed <= max(ABSENT_AFTER, USUAL_QUIET_MARGIN * model.usual_quiet):
        return np.ones(len(grid)), False
    middle = 0.5 * (grid.start_s + grid.end_s) - now_s
    return -np.expm1(-np.maximum(middle, 0.0) / RETURN_AFTER_S), True


def typical_week(model: DrawModel) -> Floats:
    """Expected litres at 40 degC by weekday (Monday first) and local half hour, shape (7, 48)."""
    small = model.slow_small * model.tables.small_mean_l40
    kind = np.repeat([0, 6], (5, 2))[:, None] + rates.LEVEL_BLOCK[None, :]
    per_draw = model.tables.large_mean_l40[kind]
    return np.asarray(small + model.slow_large * (1.0 + model.extra_large) * per_draw)


def _packed(values: Floats | Ints, scale: float, kind: str) -> str:
    data = np.round(np.asarray(values) * scale).astype(kind).tobytes()
    return base64.b64encode(zlib.compress(data, 6)).decode("ascii")


def _unpacked(text: str, scale: float, kind: str) -> Floats:
    data = np.frombuffer(zlib.decompress(base64.b64decode(text)), dtype=kind)
    return np.asarray(data.astype(np.float64) / scale)
