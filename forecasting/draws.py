"""Draws: learn a household's habits and say how much it will use, when, and how sure that is.

The model is a chain of half hours with four regimes made of two observed facts: whether a large
draw (a shower, a bath) falls in this half hour, and whether the main use of this part of the day
is already behind us (``forecasting.chain``). Both are read off the flow meter, so what was drawn
today updates the forecast exactly, and the scheduler gets regimes with their transition. Rates
come from ``forecasting.rates``, volumes from ``forecasting.volumes``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np

from forecasting import absence, calibration, chain, changes, profiles, rates, rota, trials, volumes
from forecasting.calendar import (
    DAY_S,
    HALF_HOUR_S,
    SLOTS_PER_DAY,
    day_start_s,
    epoch_day,
    is_holiday,
    like_day,
    local_days,
    offset_s,
    week_turn,
)
from forecasting.slots import DayTable, large_from_litres, tabulate, watched_share
from forecasting.types import (
    CHANNELS,
    DemandForecast,
    DrawHistory,
    Floats,
    Household,
    Ints,
    SlotGrid,
    Visit,
)

KWH_PER_L40_K = 1.153e-3  # rho cp of water counted at 40 degC, IAPWS-95, mean over 10..40 degC
PARTLY_SEEN = 0.5  # of a half hour: as much tells what the whole of it held
SIZE_CLASSES = 42  # six four-hour stretches of each weekday
SIZE_HALF_LIFE_D = 180.0
SIZES_KEPT = 3000
TAIL_DRAWS = 6.0  # published large draws mixed into the household's own sizes
CLASS_DRAWS = 3.0  # large draws of any hour that lend their sizes to those of a stretch of hours
WEEKDAY_DRAWS = 4.0  # large draws of this kind of day that lend theirs to those of a weekday
LEARNED_DRAWS = 60.0  # draws after which half of what is learned is the household's own
USUAL_EXCESS = 0.3  # 1/k of the count of small draws before it is known
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
    litres: Floats
    seen: Floats
    sizes_age_d: Ints
    sizes_kind: Ints
    sizes_litres: Floats
    small_sizes: Floats
    small_excess: float
    pace: rates.Pace
    strengths: rates.Strengths
    habit: chain.Habit
    turns: rota.Rota  # weeks that differ from each other
    waits: absence.Waits  # for the next draw, at the end of the last row
    foretold: Floats  # rates that the last rows were expected to show, before them; (2, e, 48)
    record: trials.Record  # what forecasting the days gone by has shown
    # derived from the above
    slow: Floats
    more_large: Floats
    tables: volumes.VolumeTables
    habits_changed: bool = False  # the last two weeks do not look like those before

    @property
    def days(self) -> int:
        """Days learned from and still remembered."""
        return len(self.small)

    @property
    def learned_weight(self) -> float:
        """0 (published starting profile only) .. 1 (this household's own days only)."""
        weight = _fade(self.household, self.days)[:, None] * self.seen
        evidence = float((weight * (self.small + self.large)).sum())
        return self.record.weight * evidence / (evidence + LEARNED_DRAWS)


def _prior(household: Household, large_from_l: float) -> Floats:
    """The published profile as rates of small draws and chances of large ones, shape (2, 48)."""
    return _prior_of(profiles.daily_litres_40c(household), large_from_l)


@lru_cache(maxsize=8)
def _prior_of(litres_a_day: float, large_from_l: float) -> Floats:
    litres = litres_a_day * profiles.shape()
    per_draw = np.arange(volumes.FINE) * volumes.STEP_L
    small_share = sum(s for _, size, _, s in profiles.DRAW_CATEGORIES if size < large_from_l)
    small = litres * small_share / float(volumes.published_sizes(True, large_from_l) @ per_draw)
    large = (
        litres
        * (1.0 - small_share)
        / float(volumes.published_sizes(False, large_from_l) @ per_draw)
    )
    return np.stack([small, -np.expm1(-large)])


def _values(model: DrawModel) -> Floats:
    """What happened by channel, for each half hour of watching, shape (2, d, 48).

    What a half hour held that was watched in part, or came twice as clocks went back, is told as
    if the whole of one had been watched: times ``seen`` it is what was counted. Where less than
    half was watched, that is no measure of the rest: a meter may speak only while water runs.
    """
    happened = np.stack([model.small, (model.large > 0).astype(np.float64)])
    return np.asarray(happened / np.where(model.seen >= PARTLY_SEEN, model.seen, 1.0))


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
        litres=none,
        seen=none,
        sizes_age_d=nothing,
        sizes_kind=nothing,
        sizes_litres=np.zeros(0),
        small_sizes=np.zeros(0),
        small_excess=USUAL_EXCESS,
        pace=rates.Pace.new(),
        strengths=rates.Strengths.usual(),
        habit=chain.Habit(),
        turns=rota.Rota.new(),
        waits=absence.Waits(),
        foretold=np.zeros((CHANNELS, 0, SLOTS_PER_DAY)),
        record=trials.Record.new(),
        slow=np.zeros((CHANNELS, 7, SLOTS_PER_DAY)),
        more_large=zero,
        tables=_NO_TABLES,
    )


_NO_TABLES = volumes.VolumeTables(np.zeros((0, 0)), np.zeros((0, 0, 0, 0)), np.zeros(0), 0.0)


def _window_days(household: Household) -> int:
    return max(7, round(household.learning_window_weeks * 7))


def _half_life_d(household: Household) -> float:
    return max(household.half_life_weeks * 7.0, 1.0)


def _fade(household: Household, days: int) -> Floats:
    """Weight of each of so many days, the last one 1, shape (days,)."""
    return np.asarray(0.5 ** (np.arange(days)[::-1] / _half_life_d(household)), np.float64)


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
        household: occupants, country, and the installer's settings for the learning window;
            nothing is learned of the days before ``since``, once that day has come.
        zone: the home's zone.
        now_s: seconds since 1970 UTC.

    Returns:
        A model; with an empty history it is the published starting profile alone.
    """
    today = int(local_days(np.array([now_s]), zone)[0][0])
    history = _theirs(history, household, zone)
    recent = history.start_s >= now_s - _window_days(household) * DAY_S
    large_from = large_from_litres(history.litres_40c[recent & (history.start_s < now_s)])
    table = tabulate(history, zone, large_from)
    model = _empty(household, zone, table.first_day, large_from)
    model = _absorb(model, table, today)
    model = _derive(_follow(_structure(_sizes(model, table)), 0))
    told = model.foretold[:, -TRIED_D:]
    return _try(replace(model, foretold=told), model.days - told.shape[1])


def _theirs(history: DrawHistory, household: Household, zone: ZoneInfo) -> DrawHistory:
    """What these people drew: others lived here before; they still do if it is in the future."""
    if household.since is None:
        return history
    since_s = day_start_s(epoch_day(household.since), zone)
    if not history.watched_from_s < since_s <= history.watched_to_s:
        return history
    kept = history.start_s >= since_s
    return replace(
        history,
        start_s=history.start_s[kept],
        duration_s=history.duration_s[kept],
        litres_40c=history.litres_40c[kept],
        energy_kwh=history.energy_kwh[kept],
        watched_from_s=since_s,
    )


def update(model: DrawModel, history: DrawHistory) -> DrawModel:
    """The model after one or more further whole local days; quick, so it may run each night.

    Days already learned, and a last day that is not over by ``history.watched_to_s``, are left
    out. The habits' structure is learned again by ``learn`` alone.
    """
    table = tabulate(history, model.zone, model.large_from_l)
    until = int(local_days(np.array([history.watched_to_s]), model.zone)[0][0])
    longer = _absorb(model, table, until)
    new = longer.first_day + longer.days - model.first_day - model.days
    if new <= 0:
        return model
    first = max(longer.days - new, 0)
    return _try(_derive(_follow(longer, first), model.tables), first)


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
    return replace(
        model,
        first_day=first + max(len(small) - keep, 0),
        small=small[-keep:],
        large=joined(model.large, table.large[rows]),
        large_litres=joined(model.large_litres, litres[rows]),
        litres=joined(model.litres, np.round(table.litres[rows], 1)),
        seen=joined(model.seen, np.round(table.seen[rows] * 100.0) / 100.0),
    )


def _size_class(like: Ints, slot: Ints) -> Ints:
    """Which draws are of a size: those of a weekday's stretch of hours."""
    return np.asarray(like * 6 + rates.STRETCH[slot], np.int64)


def _sizes(model: DrawModel, table: DayTable) -> DrawModel:
    """The model with the sizes of the household's draws; large ones are remembered long."""
    end = model.first_day + model.days - table.first_day
    of, of_small = table.large_day < end, table.small_day < end
    day = table.large_day[of][-SIZES_KEPT:]
    like = like_day(day + table.first_day, model.household)
    return replace(
        model,
        sizes_age_d=end - day,
        sizes_kind=_size_class(like, table.large_slot[of][-SIZES_KEPT:]),
        sizes_litres=np.round(table.large_litres[of][-SIZES_KEPT:], 1),
        small_sizes=np.round(table.small_litres[of_small][-SIZES_KEPT:], 1),
        small_excess=_small_excess(model),
    )


AGAIN_D = 7  # days after which slow rates are made again while a whole history is gone through
TRIED_D = 84  # last days that are forecast again once a whole history is learned
STRUCTURE_D = 14  # days to learn before habits are looked for
FULLY = 0.998  # weight of what is learned above which the published profile is left out
TRUST_ABSENCE_D = 10  # days to learn before a silence may count as an absence


def _follow(model: DrawModel, from_row: int) -> DrawModel:
    """Go through the rows from ``from_row`` on, day by day, as they came: no look-ahead."""
    prior = _prior(model.household, model.large_from_l)
    like = _likes(model)
    values = _values(model)
    seen = model.seen.copy()
    keep = 0.5 ** (1.0 / _half_life_d(model.household))
    weight = _fade(model.household, from_row)[:, None] * seen[:from_row]
    count, mass = rates.weekday_sums(values[:, :from_row], weight, like[:from_row])
    pace, waits, turns = model.pace, model.waits, model.turns
    draws = model.small + model.large
    told = []
    for row, weekday in enumerate(like[from_row:].tolist(), from_row):
        if row < STRUCTURE_D or row % AGAIN_D == 0 or row == from_row:
            slow = rates.by_weekday(count, mass, prior, model.strengths)
        usual, day = slow[:, weekday], model.first_day + row
        every = rates.estimates(turns.on(day, usual), pace)
        told.append(rates.blend(every, pace))
        expected = told[-1].sum(0)
        waits, present = absence.after_day(
            waits, draws[row], expected * seen[row], row >= TRUST_ABSENCE_D
        )
        seen[row] *= present
        pace = rates.after_day(pace, every, values[:, row], seen[row])
        turns = turns.after_day(day, usual, values[:, row], seen[row])
        count *= keep
        mass *= keep
        count[:, weekday] += seen[row] * values[:, row]
        mass[weekday] += seen[row]
    before = model.foretold[:, -1:] if from_row else model.foretold[:, :0]
    return replace(
        model,
        seen=seen,
        pace=pace,
        waits=waits,
        turns=turns,
        foretold=np.concatenate([before, *(t[:, None] for t in told)], axis=1),
    )


def _likes(model: DrawModel) -> Ints:
    return _likes_of(model.first_day, model.days, model.household)


@lru_cache(maxsize=8)
def _likes_of(first_day: int, days: int, household: Household) -> Ints:
    return like_day(np.arange(first_day, first_day + days), household)


def _structure(model: DrawModel) -> DrawModel:
    """What only ``learn`` finds: how far weekdays share, how large draws hang together."""
    sharing = model.household.weekday_sharing
    if model.days < STRUCTURE_D:
        return model
    prior = _prior(model.household, model.large_from_l)
    like, values = _likes(model), _values(model)
    weight = _fade(model.household, model.days)[:, None] * model.seen
    strengths = rates.learn_strengths(values, weight, like, prior)
    if sharing is not None:
        strengths = rates.Strengths.for_sharing(sharing, strengths.neighbours)
    model = replace(model, strengths=strengths)
    count, mass = rates.weekday_sums(values, weight, like)
    slow = rates.by_weekday(count, mass, prior, model.strengths)
    return replace(
        model,
        habit=chain.learn_habit(slow[1], model.large_litres, weight, like),
        turns=_turns(model, values, slow[:, like]),
    )


def _turns(model: DrawModel, values: Floats, usual: Floats) -> rota.Rota:
    """The rota of days on which anything was drawn, given their usual rates, shape (2, d, 48)."""
    there = model.seen * (model.litres.sum(1) > 0.0)[:, None]
    happened, expected = ((there * part) @ rates.STRETCH_SUM for part in (values, usual))
    return rota.find(happened, expected, model.first_day)


def _further(chance: Floats) -> Floats:
    """Further draws expected in a half hour that holds one, if draws came by chance (Poisson)."""
    chance = np.clip(chance, 1e-6, 0.99)
    return np.asarray(-np.log1p(-chance) / chance - 1.0)


def _derive(model: DrawModel, volume_tables: volumes.VolumeTables | None = None) -> DrawModel:
    """Rates from the rows, and volume tables unless they are handed in."""
    prior = _prior(model.household, model.large_from_l)
    like, values = _likes(model), _values(model)
    weight = _fade(model.household, model.days)[:, None] * model.seen
    count, mass = rates.weekday_sums(values, weight, like)
    slow = rates.by_weekday(count, mass, prior, model.strengths)
    # further large draws in a half hour that holds one, against what chance alone would bring
    more = (weight * np.maximum(model.large - 1.0, 0.0)).sum(0) @ rates.STRETCH_SUM
    by_chance = (mass * slow[1] * _further(slow[1])).sum(0) @ rates.STRETCH_SUM
    all_more = (more.sum() + 5.0) / (by_chance.sum() + 5.0)
    more_large = (more + 5.0 * all_more) / (by_chance + 5.0)
    return replace(
        model,
        slow=slow,
        more_large=more_large[rates.STRETCH],
        tables=_tables(model) if volume_tables is None else volume_tables,
        habits_changed=changes.lasting_change(model.small, model.large, model.seen),
    )


@dataclass(frozen=True)
class _Large:
    """Large draws of some half hours: the chance of any, and further ones when there is one."""

    chance: Floats
    extra: Floats


def _large(chance: Floats, more: Floats) -> _Large:
    """From the chance of any large draw and how much oftener further ones come than by chance."""
    chance = np.minimum(chance, 0.98)
    every = chance * (1.0 + more * _further(chance))
    any_ = np.minimum(np.minimum(chance, every), 0.98)
    return _Large(any_, np.maximum(every / np.maximum(any_, 1e-9) - 1.0, 0.0))


def _published(household: Household, large_from_l: float) -> trials.Told:
    """The starting profile as a forecaster of any day, shape (1, 48)."""
    return _published_of(profiles.daily_litres_40c(household), large_from_l)


@lru_cache(maxsize=8)
def _published_of(litres_a_day: float, large_from_l: float) -> trials.Told:
    small, chance = _prior_of(litres_a_day, large_from_l)
    large = _large(chance, np.ones(SLOTS_PER_DAY))
    return trials.Told(
        small[None],
        large.chance[None],
        large.extra[None],
        np.zeros((1, SLOTS_PER_DAY), np.int64),
        _published_tables(large_from_l),
        chain.Habit(),
    )


@lru_cache(maxsize=8)
def _published_tables(large_from_l: float) -> volumes.VolumeTables:
    large = volumes.published_sizes(False, large_from_l)
    return volumes.tables(volumes.published_sizes(True, large_from_l), USUAL_EXCESS, large[None])


def _try(model: DrawModel, from_row: int) -> DrawModel:
    """The model after forecasting the days from ``from_row`` on with what was known before them."""
    told = model.foretold
    rows = slice(model.days - told.shape[1], None)
    large = _large(told[1], model.more_large)
    like = _likes(model)[rows]
    learned = trials.Told(
        told[0],
        large.chance,
        large.extra,
        _size_class(like[:, None], np.arange(SLOTS_PER_DAY)[None, :]),
        model.tables,
        model.habit,
    )
    happened = trials.Days(model.litres[rows], model.large_litres[rows], model.seen[rows])
    record = trials.tried(
        learned,
        _published(model.household, model.large_from_l),
        happened,
        from_row - (model.days - told.shape[1]),
        model.record,
    )
    return replace(model, record=record, foretold=told[:, -1:])


def _small_excess(model: DrawModel) -> float:
    """How much more small draws cluster within half hours than by chance: 1/k, 0 for Poisson."""
    small, seen, like = model.small, model.seen, _likes(model)
    weight = _fade(model.household, len(small))[:, None] * seen
    count, mass = rates.weekday_sums(np.stack([small, small]), weight, like)
    mean = ((count[0] + 1e-6) / (mass + 1e-6))[like]
    days = np.maximum(mass, 1.0)[like]
    over = weight * ((small - mean) ** 2 * days / np.maximum(days - 1.0, 0.5) - mean)
    scale = float((weight * mean**2).sum())
    return float(np.clip(over.sum() / scale, 0.0, 3.0)) if scale > 5.0 else USUAL_EXCESS


def _tables(model: DrawModel) -> volumes.VolumeTables:
    """Volume distributions from the household's own draw sizes and a published trace."""
    weight = 0.5 ** (model.sizes_age_d / SIZE_HALF_LIFE_D)
    published = volumes.published_sizes(False, model.large_from_l)
    every = volumes.histogram(model.sizes_litres, weight) + TAIL_DRAWS * published
    every /= every.sum()
    large = np.empty((SIZE_CLASSES, volumes.FINE))
    for i in range(SIZE_CLASSES):
        of = model.sizes_kind == i
        large[i] = volumes.histogram(model.sizes_litres[of], weight[of])
    for days in (slice(0, 30), slice(30, 42)):
        of_kind = large[days].reshape(-1, 6, volumes.FINE).sum(0) + CLASS_DRAWS * every
        of_kind /= of_kind.sum(-1, keepdims=True)
        large[days] += WEEKDAY_DRAWS * np.tile(of_kind, (len(large[days]) // 6, 1))
    large /= large.sum(-1, keepdims=True)
    small = volumes.histogram(model.small_sizes, np.ones(len(model.small_sizes)))
    small += 10.0 * volumes.published_sizes(True, model.large_from_l)
    return volumes.tables(small / small.sum(), model.small_excess, large)


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
    """How many times the usual number of people, for each stretch, shape (n,).

    An absence is that of the household; guests of the same time mind the house.
    """
    length = np.maximum(end_s - begin_s, 1)
    usual = max(float(usual), 0.5)
    guests = np.zeros(len(begin_s))
    home = np.ones(len(begin_s))
    for visit in visits:
        share = np.clip(
            (np.minimum(end_s, visit.until_s) - np.maximum(begin_s, visit.from_s)) / length, 0, 1
        )
        if visit.away:
            home *= 1.0 - share
        else:
            guests += share * visit.extra_people
    return np.asarray(np.maximum(home * usual + guests, 0.0) / usual)


def _day_rates(model: DrawModel, days: Ints) -> Floats:
    """Blended rates for local days, shape (2, d, 48): small draws, chance of large ones."""
    like = like_day(days, model.household)
    out = np.empty((CHANNELS, len(days), SLOTS_PER_DAY))
    for i, (day, weekday) in enumerate(zip(days.tolist(), like.tolist(), strict=True)):
        usual = model.turns.on(day, model.slow[:, weekday])
        out[:, i] = rates.blend(rates.estimates(usual, model.pace), model.pace)
    return np.asarray(np.minimum(out, np.array([np.inf, 0.98])[:, None, None]))


def _usual_regimes(model: DrawModel, day: int, slot: int) -> Floats:
    """How likely each regime is just before a half hour when nothing of the day is known."""
    run = _day_rates(model, np.array([day - 1, day]))[1].ravel()
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
    if model.habits_changed:
        notes.append("habits_changed")
    if any(is_holiday(d, model.household) for d in days.tolist()):
        notes.append("holiday")
    small, large, extra = _on_slots(
        small_days[day_row, slot],
        large_days[day_row, slot],
        model.more_large[slot],
        index,
        share,
        factor,
    )
    first = np.searchsorted(index, np.arange(n))
    like = like_day(days, model.household)[day_row[first]]
    kind = _size_class(like, slot[first])
    begins = np.isin(slot[first], chain.PART_STARTS) & (
        (grid.start_s + offset_s(grid.start_s, model.zone)) % HALF_HOUR_S == 0
    )
    done, just, _ = _today(model, now_s, drawn_today)
    trust = model.record.weight
    quiet = volumes.quiet_pmf(model.tables, small)
    busy = volumes.busy_pmf(model.tables, kind, extra, small)
    if trust < FULLY:
        profile = _published(model.household, model.large_from_l)
        told = (profile.small[0, slot], profile.large[0, slot], np.ones(len(slot)))
        small_0, large_0, extra_0 = _on_slots(*told, index, share, factor)
        quiet_0 = volumes.quiet_pmf(profile.tables, small_0)
        busy_0 = volumes.busy_pmf(profile.tables, np.zeros(n, np.int64), extra_0, small_0)
        both = (1.0 - trust) * large_0 + trust * large
        own = (trust * large / np.maximum(both, 1e-12))[:, None]
        busy = own * busy + (1.0 - own) * busy_0
        own = (trust * (1.0 - large) / (1.0 - both))[:, None]
        quiet = own * quiet + (1.0 - own) * quiet_0
        large = both
    usual = _usual_regimes(model, int(day[0]), int(slot[0]))
    if begins[0] and now_s > grid.start_s[0]:  # under way: what was done in it stays done
        begins[0] = False
        usual = np.append(usual[:2] + usual[2:], [0.0, 0.0])
    walked = chain.steps(large, slot[first], begins, model.habit.tempered(trust), usual)
    known = np.zeros(chain.REGIMES)
    known[2 * done + just] = 1.0
    now = known @ walked.into[0]
    transition = np.empty((n, chain.REGIMES, chain.REGIMES))
    transition[:-1] = walked.into[1:]
    transition[-1] = np.eye(chain.REGIMES)
    pmf = calibration.calibrated(np.stack([quiet, busy], axis=1), grid, now_s, model.record)
    pmf = pmf[:, [0, 1, 0, 1]]
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


def _on_slots(
    small: Floats, chance: Floats, more: Floats, index: Ints, share: Floats, factor: Floats
) -> tuple[Floats, Floats, Floats]:
    """Small draws, chance of a large one and further large ones in slots made of pieces."""
    n = len(factor)
    log_none = np.bincount(index, np.log1p(-chance) * share, n) * factor
    every = np.bincount(index, chance * (1.0 + more * _further(chance)) * share, n) * factor
    large = np.minimum(np.minimum(-np.expm1(log_none), every), 0.98)
    extra = np.maximum(every / np.maximum(large, 1e-9) - 1.0, 0.0)
    return np.bincount(index, small * share, n) * factor, large, extra


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
    at, _ = local_days(np.array([now_s, drawn.watched_from_s]), model.zone)
    today = int(at[0])
    first = min(max(model.first_day + model.days, int(at[1])), today)  # day not in the model yet
    recent = drawn.start_s[(drawn.start_s < now_s) & (drawn.litres_40c > 0)]
    now, last = _half_hours(np.append(recent[-1:], now_s)[[-1, 0]], first, model.zone).tolist()
    days = np.arange(first, today + 1)
    usual = _day_rates(model, days).sum(0)
    expected = (usual * watched_share(drawn, model.zone, first, len(days))).ravel()
    missed, silent, midnight = model.waits.missed, model.waits.silent, 0
    if len(recent) and last >= 0:
        missed, silent, midnight = 0.0, 0.0, (last // SLOTS_PER_DAY + 1) * SLOTS_PER_DAY
    else:
        last = 0
    if silent or midnight // SLOTS_PER_DAY < now // SLOTS_PER_DAY:  # a whole day without a draw
        silent += float(expected[midnight:now].sum())
    missed += float(expected[last:now].sum())
    if not model.waits.nobody(missed, silent, float(usual[-1].sum())):
        return np.ones(len(grid)), False
    middle = 0.5 * (grid.start_s + grid.end_s) - now_s
    return -np.expm1(-np.maximum(middle, 0.0) / RETURN_AFTER_S), True


def _half_hours(at_s: Ints, first_day: int, zone: ZoneInfo) -> Ints:
    """Local half hours of moments, counted from the midnight before ``first_day``."""
    day, second = local_days(at_s, zone)
    return (day - first_day) * SLOTS_PER_DAY + second // HALF_HOUR_S


def typical_week(model: DrawModel) -> Floats:
    """Expected litres at 40 degC by weekday (Monday first) and local half hour, shape (7, 48)."""
    kind = _size_class(np.arange(7)[:, None], np.arange(SLOTS_PER_DAY)[None, :])

    def draws(chance: Floats, more: Floats | float) -> Floats:
        return np.asarray(chance * (1.0 + more * _further(chance)))

    own = model.slow[0] * model.tables.small_mean_l40
    own = own + draws(model.slow[1], model.more_large) * model.tables.large_mean_l40[kind]
    small, chance = _prior(model.household, model.large_from_l)
    tables = _published_tables(model.large_from_l)
    usual = small * tables.small_mean_l40 + draws(chance, 1.0) * tables.large_mean_l40[0]
    week = model.record.weight * own + (1.0 - model.record.weight) * usual
    return np.asarray(np.roll(week, -week_turn(model.household.country), axis=0))
