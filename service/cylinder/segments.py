"""A column of water as segments of fixed mass: cut, add, mix, warm, overturn, read out.

A segment is (mass in kg, enthalpy in kJ/kg, volume in L, temperature in degC); the last two
follow from the first two and are kept because they are asked for so often. A column is a
sequence of them from the bottom up and is never changed: every function gives a new list, or
the column itself when there was nothing to do. There are so few segments, and an event touches
so few of them, that plain tuples are several times as fast as arrays.

Everything here keeps mass and enthalpy; what leaves or enters is handed back to the caller.
Water is taken to be lighter the warmer it is, also below 4 degC.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from itertools import accumulate, pairwise

import numpy as np

from service.cylinder.water import (
    LINES,
    LINES_BELOW_0,
    LINES_PER_KJ_PER_KG,
    Floats,
)

Segment = tuple[float, float, float, float]
Column = Sequence[Segment]

MOST_SEGMENTS = 1.4  # times the nominal number, above which neighbours are merged
LARGEST = 1.5  # times the size it should have: above that a segment is divided
HARMLESS_KJ_PER_KG = 0.4  # 0.1 K: neighbours this alike may be merged
SMALL_SHARE = 0.5  # of a nominal segment: below it they may
SMALL_KJ_PER_KG = 8.0  # when they differ by less than 2 K
ALIKE = 2.0  # kJ/kg: a gradient smaller than this between neighbours lets them grow
_SAME_KJ_PER_KG = 0.1  # about 25 mK: water this alike is one segment
_LEVEL_KJ_PER_KG = 1e-9  # water this alike is level, whatever rounding says
_SLIVER_KG = 1e-9  # what rounding leaves of a segment goes with the larger part
_JUMPS_KJ_PER_KG = (21.0, 42.0, 84.0)  # 5, 10 and 20 K
_FINEST_SHARE = 1 / 50  # of the size a segment should have: into no finer ones is mixing cut
_FACE_KG = 1e-5  # a cut this close to a segment's face uses the face

_KG, _LITRES = 0, 2  # places in a segment


def segment(kg: float, enthalpy: float) -> Segment:
    """Water of this mass and enthalpy: volume and temperature from the table's lines."""
    l_per_kg, l_rise, t_c, t_rise = LINES[int(enthalpy * LINES_PER_KJ_PER_KG + LINES_BELOW_0)]
    return kg, enthalpy, kg * (l_per_kg + l_rise * enthalpy), t_c + t_rise * enthalpy


def mass_kg(column: Column) -> float:
    """Mass of the whole in kg."""
    return sum([part[0] for part in column])


def litres(column: Column) -> float:
    """Volume of the whole in L."""
    return sum([part[2] for part in column])


def heat_kj(column: Column) -> float:
    """Enthalpy of the whole in kJ."""
    return sum([kg * enthalpy for kg, enthalpy, _, _ in column])


# --- cutting -------------------------------------------------------------------------------


def split_mass(column: Column, kg: float) -> tuple[Column, Column]:
    """Cut ``kg`` off the front: (what was cut off, the rest)."""
    return _split(column, kg, _KG)


def split_volume(column: Column, litres: float) -> tuple[Column, Column]:
    """Cut ``litres`` off the front: (what was cut off, the rest)."""
    return _split(column, litres, _LITRES)


def _split(column: Column, amount: float, place: int) -> tuple[Column, Column]:
    for k, part in enumerate(column):
        if part[place] > amount:
            kg, enthalpy = part[0], part[1]
            cut_kg = kg * amount / part[place]
            if cut_kg <= _SLIVER_KG:
                return column[:k], column[k:]
            if kg - cut_kg <= _SLIVER_KG:
                return column[: k + 1], column[k + 1 :]
            return (
                [*column[:k], segment(cut_kg, enthalpy)],
                [segment(kg - cut_kg, enthalpy), *column[k + 1 :]],
            )
        amount -= part[place]
    return column, []


def cut_at(column: Column, below_l: float) -> tuple[Column, int]:
    """Put a face at ``below_l`` litres; returns the column and the first segment above it.

    What the face cuts off a segment joins the next one below if that is alike, so that a face
    which the water creeps past does not leave a trail of crumbs.
    """
    k = 0
    while k < len(column) and column[k][2] < below_l:
        below_l -= column[k][2]
        k += 1
    if k == len(column):
        return column, k
    kg, enthalpy, volume_l, _ = column[k]
    below_kg = kg * below_l / volume_l
    if below_kg < _FACE_KG:
        return column, k
    if kg - below_kg < _FACE_KG:
        return column, k + 1
    upper = segment(kg - below_kg, enthalpy)
    if k and abs(enthalpy - column[k - 1][1]) < _SAME_KJ_PER_KG:
        return [*column[: k - 1], mixed(column[k - 1], below_kg, enthalpy), upper,
                *column[k + 1 :]], k  # fmt: skip
    return [*column[:k], segment(below_kg, enthalpy), upper, *column[k + 1 :]], k + 1


def mixed(part: Segment, kg: float, enthalpy: float) -> Segment:
    """A segment with more water mixed into it."""
    whole = part[0] + kg
    return segment(whole, part[1] + (enthalpy - part[1]) * (kg / whole))


# --- adding --------------------------------------------------------------------------------


def plug(kg: float, enthalpy: float, piece_kg: float) -> list[Segment]:
    """Water of one temperature in equal pieces of at most ``piece_kg``."""
    pieces = max(1, math.ceil(kg / piece_kg - 1e-9))
    return [segment(kg / pieces, enthalpy)] * pieces


def laid_under(column: Column, kg: float, enthalpy: float, piece_kg: float) -> Column:
    """Lay water of one temperature under a column, filling up a lowest segment that is alike."""
    if column and abs(column[0][1] - enthalpy) < _SAME_KJ_PER_KG:
        room = min(kg, piece_kg - column[0][0])
        if room > 0:
            column = [mixed(column[0], room, enthalpy), *column[1:]]
            kg -= room
    if kg <= 0:
        return column
    return [*plug(kg, enthalpy, piece_kg), *column]


def entered_under(
    column: Column, entering: Column, zone_kg: float, tanks: int, piece_kg: float
) -> Column:
    """Let water enter below a column, first part first, mixing with the lowest ``zone_kg``.

    The zone behaves like ``tanks`` equal tanks in series. Their answer to a constant inflow,
    dh_i/dx = h_(i-1) - h_i with x in tank masses, is a Poisson-weighted sum, so that the pieces
    only serve to give the water that leaves the zone its shape and any number of them gives the
    same zone. Without a zone the water enters as a plug.
    """
    if zone_kg <= _SLIVER_KG:
        for part in entering:
            column = laid_under(column, part[0], part[1], piece_kg)
        return column
    zone, above = split_mass(column, zone_kg)
    tank_kg = mass_kg(zone) / tanks
    held = _levelled(zone, tanks)
    for kg, enthalpy, _, _ in entering:
        each = max(min(0.5 * piece_kg, tank_kg), _FINEST_SHARE * piece_kg)
        pieces = max(1, math.ceil(kg / each))
        each = kg / pieces
        answer = _cascade(tanks, each / tank_kg)
        # What leaves of each tank, the last one first; not by difference, which loses a trickle.
        leaves = -math.expm1(-each / tank_kg) - np.r_[0.0, answer[1:].cumsum()]
        excess = held - enthalpy
        left = []
        for _ in range(pieces):
            after = answer * excess if tanks == 1 else np.convolve(answer, excess)[:tanks]
            gone = float(leaves @ excess[::-1]) * tank_kg / each
            left.append(segment(each, enthalpy + gone))
            excess = after
        held = enthalpy + excess
        above = [*left[::-1], *above]
    return [*[segment(tank_kg, h) for h in held.tolist()], *above]


def _cascade(tanks: int, x: float) -> Floats:
    """What a tank keeps and passes on to the next ones after ``x`` tank masses of inflow."""
    if tanks == 1:
        return np.array([math.exp(-x)])
    passed: Floats = np.exp(math.log(x) * _COUNT[:tanks] - _LOG_FACTORIAL[:tanks] - x)
    return passed


_COUNT = np.arange(1000.0)
_LOG_FACTORIAL = np.array([math.lgamma(k + 1) for k in range(1000)])


def _levelled(column: Column, tanks: int) -> Floats:
    """Mean enthalpies of ``tanks`` equal shares of a column."""
    if tanks == 1:
        return np.array([heat_kj(column) / mass_kg(column)])
    rows = np.array(column)
    edges, heat = np.zeros(len(rows) + 1), np.zeros(len(rows) + 1)
    rows[:, 0].cumsum(out=edges[1:])
    (rows[:, 0] * rows[:, 1]).cumsum(out=heat[1:])
    at = np.interp(np.linspace(0.0, edges[-1], tanks + 1), edges, heat)
    means: Floats = np.diff(at) / (edges[-1] / tanks)
    return means


# --- warming and mixing --------------------------------------------------------------------


def warmed(column: Column, heat: Iterable[float]) -> list[Segment]:
    """The column with so much heat in kJ put into each segment."""
    return [
        segment(part[0], part[1] + kj / part[0]) if kj else part
        for part, kj in zip(column, heat, strict=True)
    ]


def poured(column: Column, foot: int, heat: float, highest: float) -> tuple[Column, float]:
    """Warm a stable column from segment ``foot`` up: (column, heat taken up in kJ).

    Water warmed at a foot rises and mixes with all that is cooler above it, which fills the
    coldest water up first, like a basin. No water gets above the enthalpy ``highest``.
    """
    room = sum([kg * (highest - h) for kg, h, _, _ in column[foot:] if h < highest])
    heat = min(heat, room)
    if heat <= 0:
        return column, 0.0
    # The level that the lowest segments reach together; it stops at the first one above it.
    kg = kj = level = 0.0
    end = foot
    while end < len(column) and (end == foot or level > column[end][1]):
        kg += column[end][0]
        kj += column[end][0] * column[end][1]
        level = (kj + heat) / kg
        end += 1
    filled = [segment(part[0], level) for part in column[foot:end]]
    return [*column[:foot], *filled, *column[end:]], heat


def overturned(column: Column) -> Column:
    """Mix water that lies below colder water, as little as makes the column stable.

    Pooling adjacent violators (Barlow and others: Statistical Inference under Order
    Restrictions, 1972) is the mixing that buoyancy forces and no more.
    """
    enthalpies = [part[1] for part in column]
    if enthalpies == sorted(enthalpies):  # as it mostly is, and sorting what is sorted is quick
        return column
    for k, (lower, upper) in enumerate(pairwise(enthalpies)):
        if upper < lower - _LEVEL_KJ_PER_KG:
            return _pooled(column, k)
    return column


def _pooled(column: Column, k: int) -> Column:
    """The column with what is unstable from ``k`` up mixed."""
    new = list(column)
    n = len(new)
    while k < n - 1:
        if new[k + 1][1] >= new[k][1] - _LEVEL_KJ_PER_KG:
            k += 1
            continue
        low, high = k, k + 2
        kg = new[k][0] + new[k + 1][0]
        kj = new[k][0] * new[k][1] + new[k + 1][0] * new[k + 1][1]
        while True:
            if low > 0 and new[low - 1][1] * kg > kj:
                low -= 1
                kg += new[low][0]
                kj += new[low][0] * new[low][1]
            elif high < n and new[high][1] * kg < kj:
                kg += new[high][0]
                kj += new[high][0] * new[high][1]
                high += 1
            else:
                break
        new[low:high] = [segment(part[0], kj / kg) for part in new[low:high]]
        k = high - 1
    return new


def joined_harmlessly(column: Column, piece_kg: float) -> Column:
    """Merge neighbours that are so alike, or so small, that it does no harm.

    Where the gradient is small they grow to twice their neighbours, so that uniform water is
    held in few large segments that get smaller towards a front; elsewhere to a share of the
    nominal size ``piece_kg``. Not for water that moves or is heated: what stands at a heater's
    foot or an inlet's edge would be mixed with what has just passed it, again at every step.
    """
    small_kg = SMALL_SHARE * piece_kg
    new = [column[0]]
    kg, enthalpy = column[0][:2]
    last = len(column) - 1
    for k in range(1, last + 1):
        part = column[k]
        difference = part[1] - enthalpy
        if difference < SMALL_KJ_PER_KG:
            both_kg = kg + part[0]
            if both_kg < small_kg or (
                difference < HARMLESS_KJ_PER_KG
                and (
                    both_kg < piece_kg
                    or (
                        (k == last or _lets_grow(column[k + 1], both_kg, enthalpy))
                        and (len(new) == 1 or _lets_grow(new[-2], both_kg, enthalpy))
                    )
                )
            ):
                part = new[-1] = mixed(new[-1], part[0], part[1])
                kg, enthalpy = part[:2]
                continue
        new.append(part)
        kg, enthalpy = part[:2]
    return new if len(new) < len(column) else column


def joined(column: Column) -> Segment:
    """All of it as one segment."""
    kg = mass_kg(column)
    return segment(kg, heat_kj(column) / kg)


def joined_below(column: Column, least_kg: float) -> Column:
    """Merge neighbours that are smaller than ``least_kg`` together."""
    new = [column[0]]
    for part in column[1:]:
        if new[-1][0] + part[0] < least_kg:
            new[-1] = mixed(new[-1], part[0], part[1])
        else:
            new.append(part)
    return new


def _lets_grow(beside: Segment, kg: float, enthalpy: float) -> bool:
    """Whether a segment of nearly this enthalpy may have so large a neighbour."""
    return kg <= 2 * beside[0] and abs(beside[1] - enthalpy) < ALIKE


def thinned(column: Column, nominal: int) -> Column:
    """Merge neighbours, least harm first, when there are too many.

    Harm is the heat that a merge moves times the cube of how far it moves it, so that large
    segments grow last: ``refined`` would only divide them again. No merge makes a segment larger
    than twice the nominal size, so that the column stays resolved.
    """
    most = int(MOST_SEGMENTS * nominal)
    if len(column) <= most:
        return column
    largest_kg = 2 * mass_kg(column) / nominal
    new = list(column)
    harms = [_harm(lower, upper, largest_kg) for lower, upper in pairwise(new)]
    while len(new) > most - 2 and (least := min(harms)) < math.inf:
        k = harms.index(least)
        new[k : k + 2] = [mixed(new[k], new[k + 1][0], new[k + 1][1])]
        del harms[k]
        for j in range(max(k - 1, 0), min(k + 1, len(harms))):
            harms[j] = _harm(new[j], new[j + 1], largest_kg)
    return new


def _harm(lower: Segment, upper: Segment, largest_kg: float) -> float:
    """Heat that merging the two moves times how far, cubed; infinite if they get too large."""
    both_kg = lower[0] + upper[0]
    if both_kg > largest_kg:
        return math.inf
    return lower[0] * upper[0] * both_kg**2 * (upper[1] - lower[1])


def refined(column: Column, piece_kg: float, least_kg: float = 0.0) -> Column:
    """Divide segments at a front, finer towards it, so that conduction finds its gradient.

    Next to water that is not alike segments have the nominal size at most, next to a jump of
    more than 5 K half of it, above 10 K a quarter, above 20 K an eighth; they double away
    from it. None gets smaller than ``least_kg``.
    """
    sizes_kg = [max(piece_kg / part, least_kg) for part in (1, 2, 4, 8)]
    divided = []
    for k, (lower, upper) in enumerate(pairwise(column)):
        jump = upper[1] - lower[1]
        if jump > ALIKE:
            finest_kg = sizes_kg[bisect_left(_JUMPS_KJ_PER_KG, jump)]
            if upper[0] > LARGEST * finest_kg or lower[0] > LARGEST * finest_kg:
                divided.append((k, finest_kg))
    if not divided:
        return column
    new = list(column)
    # From the top down, so that what is still to do keeps its place.
    for k, finest_kg in reversed(divided):
        lower, upper = new[k], new[k + 1]
        new[k : k + 2] = [*_graded(lower, finest_kg)[::-1], *_graded(upper, finest_kg)]
    return new


def _graded(part: Segment, finest_kg: float) -> list[Segment]:
    """Cut a segment into pieces that double from ``finest_kg``; the last takes what is left."""
    kg, enthalpy = part[:2]
    parts: list[Segment] = []
    size = finest_kg
    while kg > LARGEST * size:
        parts.append(segment(size, enthalpy))
        kg -= size
        if len(parts) > 1:
            size *= 2
    parts.append(segment(kg, enthalpy))
    return parts


def merged_into_neighbour(column: Column, k: int) -> Column:
    """The column with segment ``k`` merged with that neighbour which it resembles more."""
    last = len(column) - 1
    here = column[k][1]
    if k == last or (k > 0 and abs(here - column[k - 1][1]) < abs(column[k + 1][1] - here)):
        k -= 1
    joined = mixed(column[k], column[k + 1][0], column[k + 1][1])
    return [*column[:k], joined, *column[k + 2 :]]


def joined_alike(column: Column) -> Column:
    """One segment for each run of water that is alike."""
    new: list[Segment] = []
    for part in column:
        if new and abs(part[1] - new[-1][1]) <= _SAME_KJ_PER_KG:
            new[-1] = mixed(new[-1], part[0], part[1])
        else:
            new.append(part)
    return new


# --- reading out ---------------------------------------------------------------------------


def means_between(column: Column, low: Floats, high: Floats) -> Floats:
    """Mean enthalpy between pairs of levels (shares of the volume), shape as ``low``.

    Inside a segment enthalpy runs on towards its neighbours as far as both agree.
    """
    rows = np.array(column)
    n = len(rows)
    edges, kg, kj = np.zeros((3, n + 1))
    rows[:, 2].cumsum(out=edges[1:])
    rows[:, 0].cumsum(out=kg[1:])
    (rows[:, 0] * rows[:, 1]).cumsum(out=kj[1:])
    spans = np.array([_span(column, k) for k in range(n)])
    at = np.concatenate((low, high)) * edges[-1]
    k = np.minimum(edges.searchsorted(at, side="right") - 1, n - 1)
    share = (at - edges[k]) / rows[k, 2]
    part_kg = rows[k, 0] * share
    heat = kj[k] + part_kg * (rows[k, 1] - 0.5 * spans[k] * (1.0 - share))
    mass = kg[k] + part_kg
    split = len(low)
    means: Floats = (heat[split:] - heat[:split]) / (mass[split:] - mass[:split])
    return means


def _span(column: Column, k: int) -> float:
    """Difference of enthalpy between the faces of a segment.

    It follows the smaller of the slopes to the two neighbours, and is 0 where they disagree in
    sign or a neighbour is missing (minmod, see LeVeque: Finite Volume Methods for Hyperbolic
    Problems, section 6.9), which keeps a sharp front sharp and the segment's mean. A neighbour
    says nothing of what lies further away than twice its own size.
    """
    if not 0 < k < len(column) - 1:
        return 0.0
    _, lower, lower_l, _ = column[k - 1]
    _, here, here_l, _ = column[k]
    _, upper, upper_l, _ = column[k + 1]
    slope = min((here - lower) / (lower_l + here_l), (upper - here) / (here_l + upper_l))
    return max(2 * min(here_l, 2 * lower_l, 2 * upper_l) * slope, 0.0)


def temperatures_around(column: Column, levels: Iterable[float], span: float) -> list[float]:
    """Mean temperatures in degC over a share ``span`` of the volume around each level."""
    edges = list(accumulate([part[2] for part in column]))
    whole_l, last = edges[-1], len(column) - 1
    span_l = span * whole_l
    found = []
    for level in levels:
        low_l = min(max(level * whole_l - span_l / 2, 0.0), whole_l - span_l)
        high_l = low_l + span_l
        k = min(bisect_right(edges, low_l), last)
        kg = kj = 0.0
        while True:
            whole_kg, enthalpy, part_l, _ = column[k]
            below = (low_l - edges[k]) / part_l + 1.0
            above = (high_l - edges[k]) / part_l + 1.0 if high_l < edges[k] else 1.0
            part_kg = whole_kg * (above - below)
            kg += part_kg
            kj += part_kg * (enthalpy + 0.5 * _span(column, k) * (above + below - 1.0))
            if high_l <= edges[k] or k == last:
                break
            low_l = edges[k]
            k += 1
        found.append(segment(kg, kj / kg)[3])
    return found
