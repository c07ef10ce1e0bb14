"""The chain of regimes: what a large draw in this half hour says about the next ones.

Regimes are numbered ``2 * done + large``:

    0  no large draw now, main use of this part of the day still to come
    1  a large draw now, main use not yet behind us
    2  no large draw now, main use behind us
    3  a large draw now, and with it the main use is behind us

``done`` starts afresh with each part of the day (morning, midday, evening). How much rarer (or
more likely) large draws are once the main use is done, and right after another large draw, are
two ratios learned per household; the chances are then scaled so that each half hour keeps its own
learned rate on average.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecasting.calendar import SLOTS_PER_DAY
from forecasting.types import Floats, Ints

REGIMES = 4
PART_STARTS = (8, 22, 32)  # half hours: 04:00, 11:00, 16:00
PARTS = len(PART_STARTS)
PART_OF_SLOT: Ints = (np.searchsorted(PART_STARTS, np.arange(SLOTS_PER_DAY), side="right") - 1) % 3
HIGHEST = 0.97
RATIOS: Floats = np.array([0.03, 0.08, 0.16, 0.3, 0.5, 0.75, 1.0, 1.35, 1.8, 2.5])
AFTER_RATIOS: Floats = np.array([0.25, 0.5, 0.8, 1.0, 1.3, 1.8, 2.6])
SPREAD_OF_LOG_RATIO = 0.8


@dataclass(frozen=True)
class Habit:
    """How large draws hang together.

    done_from_l   litres of large draws after which a part of the day counts as done, shape (3,)
    done_ratio    chance of a large draw once done, over before, shape (3,)
    crossing      share of large draws before done that make it done, shape (3,)
    after_ratio   chance of a large draw right after one, over otherwise
    """

    done_from_l: tuple[float, float, float] = (0.1, 0.1, 0.1)
    done_ratio: tuple[float, float, float] = (1.0, 1.0, 1.0)
    crossing: tuple[float, float, float] = (1.0, 1.0, 1.0)
    after_ratio: float = 1.0

    def tempered(self, share: float) -> Habit:
        """The habit believed in part: 0 not at all (draws know nothing of each other), 1 wholly."""
        a, b, c = (ratio**share for ratio in self.done_ratio)
        return Habit(self.done_from_l, (a, b, c), self.crossing, self.after_ratio**share)


@dataclass(frozen=True)
class Steps:
    """The chain over n slots.

    chance   of a large draw by the regime before, shape (n, 4)
    into     transition into slot i from the slot before, shape (n, 4, 4)
    usual    how likely each regime is in slot i when nothing is known of today, shape (n, 4)
    """

    chance: Floats
    into: Floats
    usual: Floats


def steps(large: Floats, slot: Ints, begins: np.ndarray, habit: Habit, usual: Floats) -> Steps:
    """Chances and transitions that keep each slot's own rate of large draws on average.

    Args:
        large: chance that a slot holds a large draw, shape (n,).
        slot: its half hour of the local day, shape (n,).
        begins: whether a part of the day begins with it, shape (n,).
        habit: what was learned of this household.
        usual: regimes in the slot before the first, when nothing is known, shape (4,).
    """
    n = len(large)
    after = habit.after_ratio
    p0, p1, p2, p3 = usual.tolist()
    part = PART_OF_SLOT[slot]
    ratios, crossings = np.array(habit.done_ratio)[part], np.array(habit.crossing)[part]
    chances: list[tuple[float, float, float, float]] = []
    usually: list[tuple[float, float, float, float]] = []
    for rate, starts, ratio, cross in zip(
        large.tolist(), begins.tolist(), ratios.tolist(), crossings.tolist(), strict=True
    ):
        if starts:
            p0, p1, p2, p3 = p0 + p2, p1 + p3, 0.0, 0.0
        scale = rate / max(p0 + p1 * after + (p2 + p3 * after) * ratio, 1e-9)
        h0, h1 = min(scale, HIGHEST), min(scale * after, HIGHEST)
        h2, h3 = min(scale * ratio, HIGHEST), min(scale * ratio * after, HIGHEST)
        chances.append((h0, h1, h0, h1) if starts else (h0, h1, h2, h3))
        before, behind = p0 * h0 + p1 * h1, p2 * h2 + p3 * h3
        p0, p1, p2, p3 = (
            p0 + p1 - before,
            before * (1.0 - cross),
            p2 + p3 - behind,
            behind + before * cross,
        )
        usually.append((p0, p1, p2, p3))
    chance = np.array(chances).reshape(n, REGIMES)
    into = np.zeros((n, REGIMES, REGIMES))
    # where a part of the day begins nothing is done yet, whatever came before
    early = np.ones((n, REGIMES), bool)
    early[:, 2:] = begins[:, None]
    cross_of = crossings[:, None]
    into[..., 0] = np.where(early, 1.0 - chance, 0.0)
    into[..., 1] = np.where(early, chance * (1.0 - cross_of), 0.0)
    into[..., 2] = np.where(early, 0.0, 1.0 - chance)
    into[..., 3] = np.where(early, chance * cross_of, chance)
    return Steps(chance, into, np.array(usually).reshape(n, REGIMES))


def regimes_of_days(large_litres: Floats, done_from_l: Floats) -> tuple[Ints, Ints]:
    """Regime before each half hour, and whether it held a large draw, both shape (d, 48).

    Args:
        large_litres: litres of large draws begun in each half hour of the days, shape (d, 48),
            days in order.
        done_from_l: see Habit, shape (3,).
    """
    happened = large_litres > 0
    flat = large_litres.ravel()
    part = np.tile(PART_OF_SLOT, len(large_litres))
    begins = np.isin(np.arange(SLOTS_PER_DAY), PART_STARTS)
    run = np.cumsum(np.tile(begins, len(large_litres)))
    total = np.cumsum(flat)
    first = np.searchsorted(run, run, side="left")
    so_far = total - flat - (total[first] - flat[first])  # within the part, before this half hour
    done = so_far >= done_from_l[part]
    just = np.concatenate([[False], happened.ravel()[:-1]])
    before = (2 * done + just).reshape(large_litres.shape)
    return before.astype(np.int64), happened.astype(np.int64)


def _fit(
    rates: Floats, like: Ints, weights: Floats, before: Ints, happened: Ints, crossing: Floats
) -> Floats:
    """Log likelihood by part of the day, after-ratio and done-ratio, shape (3, a, r)."""
    index = (like[:, None] * SLOTS_PER_DAY + np.arange(SLOTS_PER_DAY)) * REGIMES + before
    size = 7 * SLOTS_PER_DAY * REGIMES
    shape = (7, SLOTS_PER_DAY, REGIMES)
    yes = np.bincount(index.ravel(), (weights * happened).ravel(), size).reshape(shape)
    no = np.bincount(index.ravel(), (weights * (1 - happened)).ravel(), size).reshape(shape)
    after = np.repeat(AFTER_RATIOS, len(RATIOS))
    ratio = np.tile(RATIOS, len(AFTER_RATIOS))
    factor = np.stack([np.ones_like(after), after, ratio, ratio * after])  # (4, g)
    state = np.zeros((REGIMES, 7, len(after)))
    state[0] = 1.0
    likelihood = np.zeros((PARTS, len(after)))
    order = np.roll(np.arange(SLOTS_PER_DAY), -PART_STARTS[0])
    for slot in order.tolist():
        part = int(PART_OF_SLOT[slot])
        if slot in PART_STARTS:
            state = np.stack(
                [state[0] + state[2], state[1] + state[3], *np.zeros((2, 7, len(after)))]
            )
        scale = rates[:, slot][:, None] / np.maximum(np.einsum("swg,sg->wg", state, factor), 1e-9)
        chance = np.clip(scale[None] * factor[:, None, :], 1e-4, HIGHEST)
        likelihood[part] += np.einsum("ws,swg->g", yes[:, slot], np.log(chance))
        likelihood[part] += np.einsum("ws,swg->g", no[:, slot], np.log1p(-chance))
        early = state[0] * chance[0] + state[1] * chance[1]
        late = state[2] * chance[2] + state[3] * chance[3]
        cross = crossing[part]
        state = np.stack(
            [
                state[0] + state[1] - early,
                early * (1.0 - cross),
                state[2] + state[3] - late,
                late + early * cross,
            ]
        )
    return likelihood.reshape(PARTS, len(AFTER_RATIOS), len(RATIOS))


def learn_habit(rates: Floats, large_litres: Floats, weights: Floats, like: Ints) -> Habit:
    """Find how large draws hang together.

    Args:
        rates: chance of a large draw by weekday and half hour, shape (7, 48).
        large_litres: litres of large draws begun in each half hour, shape (d, 48).
        weights: how much each half hour counts, shape (d, 48).
        like: the weekday each day behaves like, shape (d,).
    """
    begins = np.isin(np.arange(SLOTS_PER_DAY), PART_STARTS)
    starts = np.roll(begins, -PART_STARTS[0]).nonzero()[0]
    shifted = np.roll(large_litres, -PART_STARTS[0], axis=1)
    totals = np.add.reduceat(shifted, starts, axis=1)  # (d, 3)
    mean = np.array([t[t > 0].mean() if (t > 0).any() else 1.0 for t in totals.T])
    prior_after = -0.5 * (np.log(AFTER_RATIOS) / SPREAD_OF_LOG_RATIO) ** 2
    prior_done = -0.5 * (np.log(RATIOS) / SPREAD_OF_LOG_RATIO) ** 2
    options = []
    for share in (0.0, 0.5, 0.9):
        done_from = np.maximum(share * mean, 0.1)
        before, happened = regimes_of_days(large_litres, done_from)
        crossing = np.ones(PARTS)
        if share > 0:
            crossing = _crossings(large_litres, before, happened, done_from)
        likelihood = _fit(rates, like, weights, before, happened, crossing)
        options.append((done_from, crossing, likelihood + prior_done))
    # one after-ratio for all; for each part the threshold that explains it best
    best_share = np.array(
        [[o[2][part].max(axis=1) for o in options] for part in range(PARTS)]
    )  # (parts, shares, after)
    total = best_share.max(axis=1).sum(axis=0) + prior_after
    after = int(np.argmax(total))
    done_from_l, ratio, crossing_out = [], [], []
    for part in range(PARTS):
        chosen = options[int(np.argmax(best_share[part, :, after]))]
        score = chosen[2][part, after]
        weight = np.exp(score - score.max())
        ratio.append(float(np.exp((weight * np.log(RATIOS)).sum() / weight.sum())))
        done_from_l.append(float(chosen[0][part]))
        crossing_out.append(float(chosen[1][part]))
    weight = np.exp(total - total.max())
    after_ratio = float(np.exp((weight * np.log(AFTER_RATIOS)).sum() / weight.sum()))
    return Habit(
        (done_from_l[0], done_from_l[1], done_from_l[2]),
        (ratio[0], ratio[1], ratio[2]),
        (crossing_out[0], crossing_out[1], crossing_out[2]),
        after_ratio,
    )


def _crossings(large_litres: Floats, before: Ints, happened: Ints, done_from_l: Floats) -> Floats:
    """Share of large draws before done that make the part of the day done, shape (3,)."""
    flat_before, flat_happened = before.ravel(), happened.ravel()
    nxt = np.concatenate([flat_before[1:], [0]])
    slot = np.tile(np.arange(SLOTS_PER_DAY), len(before))
    last = np.isin((slot + 1) % SLOTS_PER_DAY, PART_STARTS)  # the next half hour starts afresh
    early = (flat_happened == 1) & (flat_before < 2) & ~last
    out = np.ones(PARTS)
    for part in range(PARTS):
        of = early & (PART_OF_SLOT[slot] == part)
        out[part] = (np.count_nonzero(nxt[of] >= 2) + 1.0) / (np.count_nonzero(of) + 2.0)
    return out
