"""How the estimator's profile moves: a thermocline on a moving grid, with its sensitivities.

The cylinder is cut into ``CELLS`` cells of ``h`` litres whose borders travel with the water, so
that plug flow smears nothing: ``phase_l`` litres of the lowest cell lie inside the cylinder
(there is one cell more than fits, the lowest and the highest are partial). When a border
passes the floor, the cells are renumbered. Everything here is linear in the temperatures once
the mixed zones are known, so each operation is applied to a matrix ``x`` of CELLS + 1 rows: its
first column is the mean profile, the others are derivatives with respect to the profile before
the step and to the parameters. An extended Kalman filter needs no more.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.cylinder.geometry import Cylinder
from service.cylinder.water import Floats, Value

Ints = NDArray[np.int64]

CELLS = 40
# Parameters that the motion depends on, relative errors: metered flow, standing loss, metered
# heat, assumed heat, and how much water mixes as it flows; in K by how much the cold inlet, and
# what a plate exchanger returns, are warmer than believed; the relative error of what a secondary
# return loses.
FLOW, LOSS, HEAT, ASSUMED_HEAT, MIXING, INLET, RETURNED, PIPES = range(8)
PARAMETERS = 8

INLET_SD_K = 0.45  # of the cold inlet, alike for all of a draw
POSITION_NOISE_L = 0.07  # of a front, L per square root of a litre moved


@dataclass
class Motion:
    """A step under way: ``x`` (CELLS + 1, 1 + CELLS + 1 + PARAMETERS) and ``phase_l``.

    ``noise`` collects what the step adds to the covariance of the cells, K2.
    """

    cylinder: Cylinder
    phase_l: float
    x: Floats
    noise: Floats
    inlet_sd_k: float
    mixing_factor: float

    @classmethod
    def begin(
        cls,
        cylinder: Cylinder,
        cells_c: Floats,
        phase_l: float,
        *,
        inlet_sd_k: float = INLET_SD_K,
        mixing_factor: float = 1.0,
    ) -> Motion:
        """Start a step from the cells' mean temperatures in degC."""
        n = CELLS + 1
        x = np.zeros((n, 1 + n + PARAMETERS))
        x[:, 0] = cells_c
        x[:, 1 : 1 + n] = np.eye(n)
        noise = np.zeros((n, n))
        return cls(cylinder, phase_l, x, noise, inlet_sd_k, mixing_factor)

    @property
    def h_l(self) -> float:
        """Volume of a whole cell, L."""
        return cell_l(self.cylinder)

    @property
    def volumes_l(self) -> Floats:
        """What of each cell lies inside the cylinder, L, shape (CELLS + 1,)."""
        return cell_volumes_l(self.cylinder, self.phase_l)

    @property
    def temperatures_c(self) -> Floats:
        """The mean profile so far, degC, shape (CELLS + 1,)."""
        return self.x[:, 0]

    @property
    def jacobians(self) -> tuple[Floats, Floats]:
        """Derivatives by the former cells (n, n) and by the parameters (n, PARAMETERS)."""
        n = CELLS + 1
        return self.x[:, 1 : 1 + n], self.x[:, 1 + n :]

    def _parameter(self, which: int) -> Floats:
        return self.x[:, 2 + CELLS + which]

    def draw(self, litres: float, cold_c: float, *, measured: bool = True) -> None:
        """Take ``litres`` from the top while cold water enters at the bottom.

        ``measured`` is False where ``cold_c`` is only what it is believed to be.
        """
        h, longest_l = self.h_l, self._longest_l(self.cylinder.inlet_mixing_l)
        left = litres
        while left > 1e-9:
            u = min(left, longest_l)
            inside = self.phase_l
            came = max(math.ceil((inside + u) / h - 1e-9) - 1, 0)  # borders that pass the floor
            kept = inside / min(inside + u, h)
            self._blend(0, kept, cold_c)
            self._renumber(came, cold_c)
            if not measured:
                inlet = self._parameter(INLET)
                inlet[came] += 1.0 - kept
                inlet[:came] = 1.0
            self.phase_l = inside + u - came * h
            slope = np.concatenate(([cold_c], self.x[:-1, 0])) - self.x[:, 0]
            self._shifted(slope / h, u, FLOW)
            self._mix_inlet(u)
            left -= u

    def pump_down(self, kwh: float, hot_c: float, parameter: int, *, believed: bool) -> None:
        """Take water from the bottom and return it at the top at ``hot_c``, with ``kwh`` of heat.

        ``believed`` says that ``hot_c`` is not measured: the hotter it is, the less water the same
        heat moves.
        """
        h, longest_l = self.h_l, self._longest_l(self.cylinder.plate_mixing_l)
        litres, last_k = self._warmed_l(kwh, hot_c)
        # What a little more heat moves, and a little hotter return, is the water that comes last.
        by_heat = kwh / (kwh_per_lk(hot_c - 0.5 * last_k) * last_k) / litres
        left = litres
        while left > 1e-9:
            u = min(left, longest_l)
            inside = h - self.phase_l
            came = max(math.ceil((inside + u) / h - 1e-9) - 1, 0)
            kept = inside / min(inside + u, h)
            self._blend(-1, kept, hot_c)
            self._renumber(-came, hot_c)
            self.phase_l = h - (inside + u - came * h)
            slope = np.concatenate((self.x[1:, 0], [hot_c])) - self.x[:, 0]
            self._shifted(slope / h, u, parameter, by_heat)
            if believed:
                returned = self._parameter(RETURNED)
                returned[-1 - came] += 1.0 - kept
                returned[len(returned) - came :] = 1.0
                returned -= slope / h * (u / last_k)
            self._mix_return(u)
            left -= u
        self.settle()

    def pump_round(
        self, kwh: float, litres: float, hottest_c: float, parameter: int, *, believed: bool
    ) -> None:
        """Return ``litres`` from the bottom at the top with ``kwh`` shared out among them.

        None of it gets hotter than ``hottest_c``, which is not measured where it is ``believed``.
        What returns cooler than what stands at the top sinks into it and mixes. The lowest and the
        highest cell are parts of one whole cell, so water that goes round smears nothing.
        """
        h, left = self.h_l, litres
        while left > 1e-9:
            if self.phase_l < 1e-9:
                self._renumber(-1, float(self.x[-1, 0]))
                self.phase_l = h
            u = min(left, self.phase_l)
            returned, rise_k = self.x[0].copy(), kwh / litres / kwh_per_lk(float(self.x[0, 0]))
            if returned[0] + rise_k <= hottest_c:
                returned[0] += rise_k
                returned[2 + CELLS + parameter] += rise_k
            elif returned[0] < hottest_c:
                returned[:] = 0.0
                returned[0] = hottest_c
                returned[2 + CELLS + RETURNED] = float(believed)
            entered = u / (h - self.phase_l + u)
            self.x[-1] += entered * (returned - self.x[-1])
            self.noise[-1] += entered * (self.noise[0] - self.noise[-1])
            self.noise[:, -1] += entered * (self.noise[:, 0] - self.noise[:, -1])
            self.phase_l -= u
            self._mix_return(u)
            self.settle()
            left -= u

    def _warmed_l(self, kwh: float, hot_c: float) -> tuple[float, float]:
        """How much water from the bottom up that heat warms to ``hot_c``, L, and the last by what.

        The water gets warmer from the bottom up: the further a charge goes, the more it moves.
        """
        litres, rise_k, left = 0.0, LEAST_RISE_K, kwh
        for part_l, t_c in zip(self.volumes_l.tolist(), self.x[:, 0].tolist(), strict=True):
            rise_k = max(hot_c - t_c, LEAST_RISE_K)
            needed = part_l * kwh_per_lk(hot_c - 0.5 * rise_k) * rise_k
            if needed >= left:
                return litres + part_l * left / needed, rise_k
            litres += part_l
            left -= needed
        return litres, rise_k

    def _longest_l(self, mixing_l: float) -> float:
        """How far water may move at once: a part of the zone that it mixes in."""
        most_l = 0.5 * self.cylinder.volume_l
        return min(max(self.h_l, mixing_l / 8), most_l) if mixing_l > 0 else most_l

    def warm(self, kwh: float, bottom_level: float, top_level: float, parameter: int) -> None:
        """Give off ``kwh`` between two levels; warmed water rises until it is no lighter.

        Much heat is given off in parts, each of which rises before the next one: otherwise what
        a long step puts into a cell or two would boil them.
        """
        cylinder = self.cylinder
        low = min(bottom_level * cylinder.volume_l, cylinder.volume_l - self.h_l)
        high = max(top_level * cylinder.volume_l, low + self.h_l)
        parts = math.ceil(kwh / (PART_K * kwh_per_lk(0.0) * (high - low)))
        for _ in range(parts):
            self._warm(kwh / parts, low, high, parameter)
            self.settle()

    def _warm(self, kwh: float, low: float, high: float, parameter: int) -> None:
        """Warm the cells between so many litres above the floor."""
        volumes = self.volumes_l
        tops = np.cumsum(volumes)
        share = np.clip(np.minimum(tops, high) - np.maximum(tops - volumes, low), 0.0, None)
        # A cell that mostly lies below the source stays as cold as the rest down there.
        share[tops - 0.5 * volumes < low] = 0.0
        t = self.x[:, 0]
        inside = share > 0
        drive = np.where(inside, t[inside].max() + COIL_EXCESS_K - t, 0.0)
        weight = share * drive
        rise = kwh * weight / weight.sum() / np.maximum(volumes * kwh_per_lk(t), 1e-9)
        rise = np.minimum(rise, np.maximum(HOTTEST_C - t, 0.0))
        self._unsure_foot(rise, volumes)
        self.x[:, 0] += rise
        self._parameter(parameter)[:] += rise

    def stand(self, elapsed_s: float, ambient_c: float, loss_factor: float) -> None:
        """Let it stand: conduction between cells, loss to the surroundings, overturning."""
        cylinder, h, volumes = self.cylinder, self.h_l, self.volumes_l
        cell_m = cylinder.height_m / CELLS
        diffusivity = cylinder.conductivity_w_per_mk / 4.14e6  # rho c of water, J/(m3 K)
        self._spread(diffusivity * elapsed_s / cell_m**2)
        bottom, side, top = cylinder.losses_w_per_k
        w_per_k = (side / cylinder.volume_l) * volumes
        # The end cells may be slivers: what an end loses, it loses to the last two.
        low, high = self.phase_l, h - self.phase_l
        w_per_k[0] += bottom * low / (low + h)
        w_per_k[1] += bottom * h / (low + h)
        w_per_k[-2] += top * h / (high + h)
        w_per_k[-1] += top * high / (high + h)
        capacity = np.maximum(volumes, 1e-6 * h) * kwh_per_lk(self.x[:, 0]) * 3.6e6
        rate = (elapsed_s * w_per_k) / capacity
        decay = np.exp(-loss_factor * rate)
        lost = decay * rate * (self.x[:, 0] - ambient_c)
        self.x *= decay[:, None]
        self.x[:, 0] += (1.0 - decay) * ambient_c
        self._parameter(LOSS)[:] -= lost
        self.settle()

    def circulate(self, litres: float, level: float, ambient_c: float, factor: float) -> None:
        """Take ``litres`` from the top round a secondary return, back at a level.

        They come back cooler by ``factor`` times the share that is believed of what they are above
        the ambient. What lies above the level moves up, by whole cells as long as it can: that
        smears nothing.
        """
        h, top_l = self.h_l, self.h_l - self.phase_l
        border = round((level * self.cylinder.volume_l - self.phase_l) / h)
        foot = min(max(border + 1, 1), CELLS - 1)  # above the border that is nearest to the level
        left = litres
        while left > 1e-9:
            u = min(left, h)
            of_top = min(u, top_l) / u
            back = of_top * self.x[-1] + (1.0 - of_top) * self.x[-2]
            above_k = float(back[0]) - ambient_c
            lost_k = RETURN_LOSS * max(above_k, 0.0)
            back *= 1.0 - RETURN_LOSS * factor if lost_k > 0.0 else 1.0
            back[0] = ambient_c + above_k - factor * lost_k
            back[2 + CELLS + PIPES] -= lost_k
            came = np.concatenate((back[None, :], self.x[foot:-1]))
            share = np.full(len(came), u / h)
            share[-1] = min(u / max(top_l, 1e-9), 1.0)
            self.x[foot:] += share[:, None] * (came - self.x[foot:])
            self.settle()
            left -= u

    def settle(self) -> None:
        """Mix what is warmer below than above, with everything that the mixing takes along."""
        volumes = self.volumes_l
        starts = mixed_blocks(self.x[:, 0], volumes)
        if starts is None:
            return
        weights = volumes + 1e-12
        totals = np.add.reduceat(weights, starts)
        means = np.add.reduceat(weights[:, None] * self.x, starts) / totals[:, None]
        lengths = block_lengths(starts, len(weights))
        self.x = np.repeat(means, lengths, axis=0)
        if self.noise.any():
            blocks = np.repeat(np.eye(len(starts)), lengths, axis=0)
            average = blocks @ (blocks * weights[:, None] / np.repeat(totals, lengths)[:, None]).T
            self.noise = average @ self.noise @ average.T

    def put_border_at(self, level: float) -> None:
        """Cut standing water anew so that a border of cells lies at a source's foot.

        Water above it warms and water below it does not: a cell on both sides of it would be
        neither. Every cut mixes neighbours, so it must not be made to and fro between two feet,
        nor again and again while water moves.
        """
        h = self.h_l
        below_l = min(level * self.cylinder.volume_l, self.cylinder.volume_l - h)
        phase_l = below_l % h
        apart_l = abs(phase_l - self.phase_l) % h
        if below_l < ALIGNED * h or min(apart_l, h - apart_l) < ALIGNED * h:
            return
        old, new = cell_edges_l(self.cylinder, self.phase_l), cell_edges_l(self.cylinder, phase_l)
        overlap = np.minimum(new[1:, None], old[None, 1:]) - np.maximum(
            new[:-1, None], old[None, :-1]
        )
        weights = np.maximum(overlap, 0.0)
        weights[0, 0] += 1e-9 * h  # an end cell may lie outside
        weights[-1, -1] += 1e-9 * h
        weights /= weights.sum(axis=1, keepdims=True)
        self.phase_l = phase_l
        self.x = weights @ self.x
        self.noise = weights @ self.noise @ weights.T

    def _unsure_foot(self, rise: Floats, volumes: Floats) -> None:
        """Heat may reach the cell below the source's foot as well, at the cost of those above."""
        warmed = rise > 0
        foot = int(warmed.argmax())
        if foot == 0:
            return
        below = foot - 1
        apart_k = max(float(self.x[foot, 0] - self.x[below, 0]), float(rise[foot]))
        swing_k = FOOT_SHARE * math.sqrt(float(rise[foot]) * apart_k)
        swing = np.where(warmed, -swing_k * volumes[below] / volumes[warmed].sum(), 0.0)
        swing[below] = swing_k
        self.noise += np.outer(swing, swing)

    def _shifted(
        self, slope: Floats, litres: float, parameter: int, by_parameter: float = 1.0
    ) -> None:
        self._parameter(parameter)[:] += slope * (litres * by_parameter)
        self.noise += (POSITION_NOISE_L**2 * litres) * np.outer(slope, slope)

    def _blend(self, cell: int, kept: float, entering_c: float) -> None:
        self.x[cell] *= kept
        self.x[cell, 0] += (1.0 - kept) * entering_c
        self.noise[cell] *= kept
        self.noise[:, cell] *= kept
        self.noise[cell, cell] += ((1.0 - kept) * self.inlet_sd_k) ** 2

    def _renumber(self, cells: int, entering_c: float) -> None:
        """Bring cells in at the bottom (or, negative, the top); as many go at the other end."""
        if cells == 0:
            return
        if cells > 0:
            kept, to, entering = slice(None, -cells), slice(cells, None), slice(None, cells)
        else:
            kept, to, entering = slice(-cells, None), slice(None, cells), slice(cells, None)
        self.x[to] = self.x[kept].copy()
        self.x[entering] = 0.0
        self.x[entering, 0] = entering_c
        self.noise[to, to] = self.noise[kept, kept].copy()
        self.noise[entering] = 0.0
        self.noise[:, entering] = 0.0
        self.noise[entering, entering] = self.inlet_sd_k**2  # what is wrong is so for all of it

    def _mix_inlet(self, litres: float) -> None:
        cylinder = self.cylinder
        if cylinder.inlet_mixing_l > 0 and cylinder.inlet_tanks == 1:
            self._stir(cylinder.inlet_mixing_l)
        elif cylinder.inlet_mixing_l > 0:
            inside = self.phase_l + self.h_l * np.arange(CELLS) < cylinder.inlet_mixing_l
            self._mix(inside, cylinder.inlet_mixing_l / cylinder.inlet_tanks, litres)

    def _mix_return(self, litres: float) -> None:
        cylinder = self.cylinder
        if cylinder.plate_mixing_l > 0:
            floor_l = cylinder.volume_l - cylinder.plate_mixing_l
            inside = self.phase_l + self.h_l * np.arange(CELLS) > floor_l
            self._mix(inside, cylinder.plate_mixing_l / cylinder.plate_tanks, litres)

    def _stir(self, zone_l: float) -> None:
        """Mix the lowest litres whole, as a jet of cold water does.

        What a larger zone would do besides is what ``mixing_factor`` did wrong.
        """
        volumes, before = self.volumes_l, self.x[:, 0].copy()

        def mixed(part: Floats, litres: float) -> Floats:
            share = among_lowest_l(volumes, litres)
            mean = share @ part / litres
            weight = (share / np.maximum(volumes, 1e-9))[:, None]
            found: Floats = part + weight * (mean - part)
            return found

        most_l = self.cylinder.volume_l
        stirred_l = min(self.mixing_factor * zone_l, most_l)
        self.x = mixed(self.x, stirred_l)
        more = mixed(before[:, None], min((1.0 + STIRRED_MORE) * stirred_l, most_l))[:, 0]
        self._parameter(MIXING)[:] += (more - self.x[:, 0]) / (STIRRED_MORE * self.mixing_factor)

    def _mix(self, inside: NDArray[np.bool_], tank_l: float, litres: float) -> None:
        # N tanks in series widen a front by one tank's volume squared per tank's volume moved.
        number = self.mixing_factor * tank_l * litres / (2 * self.h_l**2)
        before = self.x[:, 0].copy()
        self._spread(np.where(inside, number, 0.0))
        self._parameter(MIXING)[:] += (self.x[:, 0] - before) / self.mixing_factor

    def _spread(self, number: Floats | float) -> None:
        """Exchange between neighbours; ``number`` is diffusivity x time / cell2 per border."""
        rounds = max(1, math.ceil(float(np.max(number)) / 0.3))
        volumes = self.volumes_l
        share = number / rounds * np.minimum(volumes[:-1], volumes[1:])
        up = (share / np.maximum(volumes[1:], 1e-9))[:, None]
        down = (share / np.maximum(volumes[:-1], 1e-9))[:, None]
        for _ in range(rounds):
            step = self.x[1:] - self.x[:-1]
            self.x[:-1] += down * step
            self.x[1:] -= up * step


STIRRED_MORE = 0.2  # by how much larger a zone what it would stir is looked at
RETURN_LOSS = 0.12  # of what hot water is above the ambient goes on its way round a return: 4 K
FOOT_SHARE = 0.04  # how unsure a source's foot is: share of the heat in the cell below it
ALIGNED = 0.02  # of a cell: a border so close to a source's foot is at it
LEAST_RISE_K = 3.0  # of what a plate exchanger returns, whatever the meters say
COIL_EXCESS_K = 8.0  # how much hotter than the water beside it a source is, at least
PART_K = 30.0  # by no more do the cells beside a source warm before that water rises
HOTTEST_C = 100.0


def kwh_per_lk(t_c: Value) -> Value:
    """Heat that warms a litre of the cylinder by a kelvin at ``t_c``, kWh/(L K).

    The derivative of density x (enthalpy - enthalpy at 10 degC): as water warms and expands, an
    equal volume of cold water leaves at the bottom. Linear fit within 0.3 % of that heat between
    10 and 65 degC by IAPWS-95 (51.5 Wh/L from 10 to 55 degC).
    """
    return 1.1738e-3 - 0.000883e-3 * t_c


def cell_l(cylinder: Cylinder) -> float:
    """What a whole cell holds, L."""
    return cylinder.volume_l / CELLS


def cell_volumes_l(cylinder: Cylinder, phase_l: float) -> Floats:
    """What of each cell lies inside, L: the lowest and the highest are partial."""
    h = cell_l(cylinder)
    volumes = np.full(CELLS + 1, h)
    volumes[0] = phase_l
    volumes[-1] = h - phase_l
    return volumes


def cell_edges_l(cylinder: Cylinder, phase_l: float) -> Floats:
    """Where cells begin and end inside the cylinder, litres above the floor, (CELLS + 2,)."""
    h = cell_l(cylinder)
    edges: Floats = np.clip(phase_l + h * np.arange(-1.0, CELLS + 1.0), 0.0, cylinder.volume_l)
    return edges


def among_lowest_l(volumes_l: Floats, litres: float) -> Floats:
    """What of each cell, of ``volumes_l`` from the bottom up, lies among the lowest litres, L."""
    among: Floats = np.clip(litres - np.cumsum(volumes_l) + volumes_l, 0.0, volumes_l)
    return among


def block_lengths(starts: Ints, cells: int) -> Ints:
    """How many of the cells each of ``mixed_blocks`` has."""
    lengths = np.empty_like(starts)
    np.subtract(starts[1:], starts[:-1], out=lengths[:-1])
    lengths[-1] = cells - starts[-1]
    return lengths


def mixed_blocks(t_c: Floats, weights: Floats, tolerance_k: float = 1e-9) -> Ints | None:
    """Where blocks begin that mix so that no cell is warmer than one above; None if all is calm.

    This is the pool-adjacent-violators rule: what a warm cell under colder ones ends as once
    every plume has risen and mixed.
    """
    falls = np.flatnonzero(t_c[1:] < t_c[:-1] - tolerance_k)
    if not len(falls):
        return None
    first, last = int(falls[0]), int(falls[-1]) + 1
    temperatures, sizes_l = t_c.tolist(), (weights + 1e-12).tolist()
    starts = list(range(first))  # calm up to there: each cell a block of its own
    means, sizes = temperatures[:first], sizes_l[:first]
    for i in range(first, len(temperatures)):
        start, mean, size = i, temperatures[i], sizes_l[i]
        if i > last and means[-1] <= mean:
            starts.extend(range(i, len(temperatures)))
            break
        while means and means[-1] > mean:
            total = size + sizes[-1]
            mean = (mean * size + means.pop() * sizes[-1]) / total
            sizes.pop()
            size, start = total, starts.pop()
        starts.append(start)
        means.append(mean)
        sizes.append(size)
    return np.array(starts, np.int64)


def settled(cells_c: Floats, volumes_l: Floats) -> Floats:
    """The cells with what is warmer below than above mixed, degC."""
    starts = mixed_blocks(cells_c, volumes_l)
    if starts is None:
        return cells_c
    weights = volumes_l + 1e-12
    means = np.add.reduceat(weights * cells_c, starts) / np.add.reduceat(weights, starts)
    settled: Floats = np.repeat(means, block_lengths(starts, len(cells_c)))
    return settled
