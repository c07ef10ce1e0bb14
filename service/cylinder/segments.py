"""A column of water as segments of fixed mass: cut, add, mix, warm, overturn, read out.

Everything here keeps mass and enthalpy; what leaves or enters is handed back to the caller.
Columns run from the bottom up. Water is taken to be lighter the warmer it is, also below 4 degC.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from service.cylinder.water import Floats, temperature_c, volume_l_per_kg

MOST_SEGMENTS = 1.4  # times the nominal number, before neighbours are merged
_SAME_KJ_PER_KG = 0.1  # about 25 mK: water this alike is one segment
_LEVEL_KJ_PER_KG = 1e-9  # water this alike is level, whatever rounding says
_SLIVER_KG = 1e-9  # what rounding leaves of a segment goes with the larger part
_CRUMB_SHARE = 1e-6
_LARGEST = 2.0
_JUMP_KJ_PER_KG = 42.0  # 10 K
_FACE_KG = 1e-5  # a cut this close to a segment's face uses the face


class Column(NamedTuple):
    """Segments from the bottom up: mass in kg and enthalpy in kJ/kg, each of shape (n,)."""

    mass: Floats
    enthalpy: Floats

    def volumes(self) -> Floats:
        """Volume of each segment in L."""
        return self.mass * volume_l_per_kg(self.enthalpy)

    def temperatures(self) -> Floats:
        """Temperature of each segment in degC."""
        return temperature_c(self.enthalpy)

    def heat(self) -> float:
        """Enthalpy of the whole in kJ."""
        return float(self.mass @ self.enthalpy)

    def flipped(self) -> Column:
        """The column upside down."""
        return Column(self.mass[::-1], self.enthalpy[::-1])

    def over(self, lower: Column) -> Column:
        """This column standing on another."""
        return Column(
            np.concatenate((lower.mass, self.mass)),
            np.concatenate((lower.enthalpy, self.enthalpy)),
        )


NOTHING = Column(np.zeros(0), np.zeros(0))


# --- cutting -------------------------------------------------------------------------------


def split_mass(column: Column, kg: float) -> tuple[Column, Column]:
    """Cut ``kg`` off the bottom: (what was cut off, the rest)."""
    return _split_after(column, np.cumsum(column.mass), kg)


def split_volume(column: Column, litres: float) -> tuple[Column, Column]:
    """Cut ``litres`` off the bottom: (what was cut off, the rest)."""
    return _split_after(column, np.cumsum(column.volumes()), litres)


def _split_after(column: Column, edges: Floats, amount: float) -> tuple[Column, Column]:
    """Cut where the running sum ``edges`` reaches ``amount``."""
    mass, enthalpy = column
    k = int(edges.searchsorted(amount))
    if k >= len(mass):
        return column, NOTHING
    before = float(edges[k - 1]) if k else 0.0
    whole = float(mass[k])
    lower_kg = whole * (amount - before) / (float(edges[k]) - before)
    if lower_kg <= _SLIVER_KG:
        return Column(mass[:k], enthalpy[:k]), Column(mass[k:], enthalpy[k:])
    if whole - lower_kg <= _SLIVER_KG:
        k += 1
        return Column(mass[:k], enthalpy[:k]), Column(mass[k:], enthalpy[k:])
    lower = mass[: k + 1].copy()
    upper = mass[k:].copy()
    lower[-1] = lower_kg
    upper[0] = whole - lower_kg
    return Column(lower, enthalpy[: k + 1]), Column(upper, enthalpy[k:])


def cut_at(column: Column, below_l: float) -> tuple[Column, int]:
    """Put a face at ``below_l`` litres; returns the column and the first segment above it.

    What the face cuts off a segment joins the next one below if that is alike, so that a face
    which the water creeps past does not leave a trail of crumbs.
    """
    mass, enthalpy = column
    edges = np.cumsum(column.volumes())
    k = int(edges.searchsorted(below_l))
    if k >= len(mass):
        return column, len(mass)
    start_l = float(edges[k - 1]) if k else 0.0
    share = (below_l - start_l) / (float(edges[k]) - start_l)
    whole = float(mass[k])
    if whole * share < _FACE_KG:
        return column, k
    if whole * (1 - share) < _FACE_KG:
        return column, k + 1
    below_kg = whole * share
    if k and abs(float(enthalpy[k] - enthalpy[k - 1])) < _SAME_KJ_PER_KG:
        mass, enthalpy = mass.copy(), enthalpy.copy()
        joined = float(mass[k - 1]) + below_kg
        enthalpy[k - 1] += (enthalpy[k] - enthalpy[k - 1]) * (below_kg / joined)
        mass[k - 1] = joined
        mass[k] = whole - below_kg
        return Column(mass, enthalpy), k
    cut = np.array((below_kg, whole - below_kg))
    return (
        Column(
            np.concatenate((mass[:k], cut, mass[k + 1 :])),
            np.concatenate((enthalpy[: k + 1], enthalpy[k:])),
        ),
        k + 1,
    )


# --- adding --------------------------------------------------------------------------------


def plug(kg: float, enthalpy: float, piece_kg: float) -> Column:
    """Water of one temperature in equal pieces of at most ``piece_kg``."""
    pieces = max(1, math.ceil(kg / piece_kg - 1e-9))
    return Column(np.full(pieces, kg / pieces), np.full(pieces, enthalpy))


def laid_under(column: Column, kg: float, enthalpy: float, piece_kg: float) -> Column:
    """Lay water of one temperature under a column, filling up a lowest segment that is alike."""
    if len(column.mass) and abs(float(column.enthalpy[0]) - enthalpy) < _SAME_KJ_PER_KG:
        first = float(column.mass[0])
        room = min(kg, piece_kg - first)
        if room > 0:
            mass, mixed = column.mass.copy(), column.enthalpy.copy()
            mixed[0] = (first * float(mixed[0]) + room * enthalpy) / (first + room)
            mass[0] = first + room
            column = Column(mass, mixed)
            kg -= room
    if kg <= 0:
        return column
    return column.over(plug(kg, enthalpy, piece_kg))


def entered_under(
    column: Column, entering: Column, zone_kg: float, tanks: int, piece_kg: float
) -> Column:
    """Let water enter below a column, first part first, mixing with the lowest ``zone_kg``.

    The zone behaves like ``tanks`` equal tanks in series. Their answer to a constant inflow,
    dh_i/dx = h_(i-1) - h_i with x in tank masses, is a Poisson-weighted sum, so that the pieces
    only serve to give the water that leaves the zone its shape and any number of them gives the
    same zone. With ``zone_kg`` 0 the water enters as a plug.
    """
    parts = list(zip(entering.mass.tolist(), entering.enthalpy.tolist(), strict=True))
    if zone_kg <= 0:
        for kg, enthalpy in parts:
            column = laid_under(column, kg, enthalpy, piece_kg)
        return column
    if zone_kg < float(column.mass.sum()) * (1 - 1e-9):
        zone, above = split_mass(column, zone_kg)
    else:
        zone, above = column, NOTHING
    tank_kg = float(zone.mass.sum()) / tanks
    held = _levelled(zone, tanks)
    for kg, enthalpy in parts:
        pieces = max(1, math.ceil(kg / min(0.5 * piece_kg, tank_kg)))
        each = kg / pieces
        excess = held - enthalpy
        if tanks == 1:
            kept = math.exp(-each / tank_kg)
            left = enthalpy + excess[0] * (1 - kept) * tank_kg / each * kept ** np.arange(pieces)
            excess = excess * kept**pieces
        else:
            answer = _cascade(tanks, each / tank_kg)
            left = np.empty(pieces)
            for k in range(pieces):
                after = answer @ excess
                left[k] = enthalpy + tank_kg / each * float((excess - after).sum())
                excess = after
        held = enthalpy + excess
        above = above.over(Column(np.full(pieces, each), left[::-1]))
    return above.over(Column(np.full(tanks, tank_kg), held))


def _cascade(tanks: int, x: float) -> Floats:
    """What tanks in series keep of their excess after ``x`` tank masses of inflow."""
    poisson = np.exp(-x + np.arange(tanks) * math.log(x) - _LOG_FACTORIAL[:tanks])
    lag = np.subtract.outer(np.arange(tanks), np.arange(tanks))
    answer: Floats = np.where(lag >= 0, poisson[np.abs(lag)], 0.0)
    return answer


_LOG_FACTORIAL = np.array([math.lgamma(k + 1) for k in range(1000)])


def _levelled(column: Column, tanks: int) -> Floats:
    """Mean enthalpies of ``tanks`` equal shares of a column."""
    if tanks == 1:
        return np.array([column.heat() / float(column.mass.sum())])
    edges = np.concatenate(([0.0], np.cumsum(column.mass)))
    heat = np.concatenate(([0.0], np.cumsum(column.mass * column.enthalpy)))
    at = np.interp(np.linspace(0.0, edges[-1], tanks + 1), edges, heat)
    means: Floats = np.diff(at) / (edges[-1] / tanks)
    return means


# --- warming and mixing --------------------------------------------------------------------


def poured(column: Column, foot: int, heat_kj: float, highest: float) -> tuple[Column, float]:
    """Warm a stable column from segment ``foot`` up: (column, heat taken up in kJ).

    Water warmed at a foot rises and mixes with all that is cooler above it, which fills the
    coldest water up first, like a basin. No water gets above the enthalpy ``highest``.
    """
    mass, enthalpy = column.mass[foot:], column.enthalpy[foot:]
    room = float(mass @ np.maximum(highest - enthalpy, 0.0))
    heat_kj = min(heat_kj, room)
    if heat_kj <= 0:
        return column, 0.0
    # The level that the lowest k segments reach together; it stops at the first one above it.
    level = (np.cumsum(mass * enthalpy) + heat_kj) / np.cumsum(mass)
    k = int(np.argmax(level[:-1] <= enthalpy[1:])) if len(mass) > 1 else 0
    if len(mass) > 1 and not level[k] <= enthalpy[k + 1]:
        k = len(mass) - 1
    filled = column.enthalpy.copy()
    filled[foot : foot + k + 1] = level[k]
    return Column(column.mass, filled), heat_kj


def overturned(column: Column) -> Column:
    """Mix water that lies below colder water, as little as makes the column stable.

    Pooling adjacent violators (Barlow and others: Statistical Inference under Order
    Restrictions, 1972) is the mixing that buoyancy forces and no more.
    """
    mass, enthalpy = column
    falls = np.flatnonzero(enthalpy[1:] < enthalpy[:-1] - _LEVEL_KJ_PER_KG)
    if not len(falls):
        return column
    m, h = mass.tolist(), enthalpy.tolist()
    n = len(m)
    k = int(falls[0])
    while k < n - 1:
        if h[k + 1] >= h[k] - _LEVEL_KJ_PER_KG:
            k += 1
            continue
        low, high = k, k + 2
        kg = m[k] + m[k + 1]
        kj = m[k] * h[k] + m[k + 1] * h[k + 1]
        while True:
            if low > 0 and h[low - 1] * kg > kj:
                low -= 1
                kg += m[low]
                kj += m[low] * h[low]
            elif high < n and h[high] * kg < kj:
                kg += m[high]
                kj += m[high] * h[high]
                high += 1
            else:
                break
        h[low:high] = [kj / kg] * (high - low)
        k = high - 1
    return Column(mass, np.array(h))


def thinned(column: Column, nominal: int) -> Column:
    """Merge neighbours, least harm first, when there are more than 1.4 times ``nominal``.

    Harm is the variance of enthalpy that a merge takes away. No merge makes a segment larger
    than twice the nominal size, so that the column stays resolved. Crumbs below
    a thousandth of the nominal size always go.
    """
    piece_kg = float(column.mass.sum()) / nominal
    while len(column.mass) > 1 and column.mass.min() < _CRUMB_SHARE * piece_kg:
        column = merged_into_neighbour(column, int(column.mass.argmin()))
    if len(column.mass) <= MOST_SEGMENTS * nominal:
        return column
    while len(column.mass) > int(MOST_SEGMENTS * nominal) - 2:
        mass, enthalpy = column
        both = mass[:-1] + mass[1:]
        harm = mass[:-1] * mass[1:] / both * (enthalpy[1:] - enthalpy[:-1]) ** 2
        harm[both > _LARGEST * piece_kg] = np.inf
        k = int(harm.argmin())
        if harm[k] == np.inf:
            break
        column = _merged(column, k)
    return column


def refined(column: Column, nominal: int) -> Column:
    """Divide segments at a sharp front, finer towards it, so that conduction finds its gradient.

    Next to a jump of more than 10 K the segments start at half the nominal size, above 20 K at
    a quarter, above 40 K at an eighth, and double away from it.
    """
    mass, enthalpy = column
    jumps = np.abs(np.diff(enthalpy))
    if not (jumps > _JUMP_KJ_PER_KG).any():
        return column
    piece_kg = float(mass.sum()) / nominal
    kgs, counts = mass.tolist(), [1] * len(mass)
    # From the top down, so that what is still to do keeps its place.
    for k in np.flatnonzero(jumps > _JUMP_KJ_PER_KG).tolist()[::-1]:
        finest_kg = piece_kg / 2 ** min(3, math.ceil(math.log2(jumps[k] / _JUMP_KJ_PER_KG)))
        above, below = _graded(kgs[k + 1], finest_kg), _graded(kgs[k], finest_kg)
        kgs[k : k + 2] = below[::-1] + above
        counts[k + 1] += len(above) - 1
        counts[k] += len(below) - 1
    if len(kgs) == len(mass):
        return column
    return Column(np.array(kgs), np.repeat(enthalpy, counts))


def _graded(kg: float, finest_kg: float) -> list[float]:
    """Cut a mass into pieces that double from ``finest_kg``; the last takes what is left."""
    parts: list[float] = []
    size = finest_kg
    while kg > 1.5 * size:
        parts.append(size)
        kg -= size
        if len(parts) > 1:
            size *= 2
    parts.append(kg)
    return parts


def merged_into_neighbour(column: Column, k: int) -> Column:
    """The column with segment ``k`` merged with that neighbour which it resembles more."""
    h = column.enthalpy
    last = len(h) - 1
    if k == last or (k > 0 and abs(h[k] - h[k - 1]) < abs(h[k + 1] - h[k])):
        k -= 1
    return _merged(column, k)


def _merged(column: Column, k: int) -> Column:
    """The column with segments ``k`` and ``k + 1`` made one."""
    mass, enthalpy = column
    kg = float(mass[k]) + float(mass[k + 1])
    mixed = (float(mass[k] * enthalpy[k]) + float(mass[k + 1] * enthalpy[k + 1])) / kg
    mass = np.concatenate((mass[: k + 1], mass[k + 2 :]))
    enthalpy = np.concatenate((enthalpy[: k + 1], enthalpy[k + 2 :]))
    mass[k], enthalpy[k] = kg, mixed
    return Column(mass, enthalpy)


def joined_alike(column: Column) -> Column:
    """One segment for each run of water that is alike."""
    if len(column.mass) < 2:
        return column
    differs = np.abs(np.diff(column.enthalpy)) > _SAME_KJ_PER_KG
    if differs.all():
        return column
    first = np.flatnonzero(np.concatenate(([True], differs)))
    kg = np.add.reduceat(column.mass, first)
    return Column(kg, np.add.reduceat(column.mass * column.enthalpy, first) / kg)


# --- reading out ---------------------------------------------------------------------------


def means_between(column: Column, low: Floats, high: Floats) -> Floats:
    """Mean enthalpy between pairs of levels (shares of the volume), shape as ``low``."""
    n = len(column.mass)
    edges, kg, kj = np.zeros(n + 1), np.zeros(n + 1), np.zeros(n + 1)
    np.cumsum(column.volumes(), out=edges[1:])
    np.cumsum(column.mass, out=kg[1:])
    np.cumsum(column.mass * column.enthalpy, out=kj[1:])
    low, high = low * edges[-1], high * edges[-1]
    heat = np.interp(high, edges, kj) - np.interp(low, edges, kj)
    means: Floats = heat / (np.interp(high, edges, kg) - np.interp(low, edges, kg))
    return means
