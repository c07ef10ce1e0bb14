"""The same planning problem as a mixed-integer linear programme, for HiGHS.

Written from the model's words in service/scheduling, not from its code: known use, one store,
one source with a start cost and one without, in the unit-commitment form of the textbooks
(for instance Padhy, IEEE Trans. Power Systems 19, 2004, 1196): binaries for on and start, a run
that may be cut short only in its first and its last slot. HiGHS: Huangfu and Hall, Math. Prog.
Comp. 10, 2018, 119, called through scipy.optimize.milp.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field

import numpy as np


@dataclass
class Case:
    """Known use ``d`` (n,), litres at 40 degC; costs in money per litre at 40 degC."""

    d: np.ndarray
    start_level: float
    top: float
    keep: float  # share of the charge that a slot leaves
    shortage: float
    worth: float  # of a litre left at the end
    heat: np.ndarray  # of the main source in a whole slot
    cost: np.ndarray
    start_cost: float = 0.0
    least_share: float = 0.0  # of a slot, in a start
    second_heat: np.ndarray | None = None
    second_cost: np.ndarray | None = None
    # coil: nothing is usable before the zone has reached the use temperature
    coil: bool = False
    zone: float = 0.0  # litres at 40 degC that make an empty zone usable
    slope: float = 0.0  # by which each usable litre lowers that
    lukewarm: float = 0.0
    small_draw: float = 0.0
    whole_slots: bool = False  # a run fills its slot unless the store is full before


@dataclass
class _Model:
    names: dict[tuple[str, int], int] = field(default_factory=dict)
    rows: list[tuple[dict[int, float], float, float]] = field(default_factory=list)
    cost: dict[int, float] = field(default_factory=lambda: defaultdict(float))
    low: list[float] = field(default_factory=list)
    high: list[float] = field(default_factory=list)
    whole: list[int] = field(default_factory=list)

    def var(self, name: str, t: int, low: float = 0.0, high: float = np.inf, whole: int = 0) -> int:
        self.names[name, t] = len(self.low)
        self.low.append(low)
        self.high.append(high)
        self.whole.append(whole)
        return len(self.low) - 1

    def row(self, terms: dict[int, float], low: float, high: float) -> None:
        self.rows.append((terms, low, high))

    def solve(self, time_limit_s: float, gap: float) -> tuple[float, np.ndarray]:
        data, i, j = [], [], []
        for k, (terms, _, _) in enumerate(self.rows):
            for v, a in terms.items():
                data.append(a)
                i.append(k)
                j.append(v)
        # Loaded where it is used: every worker that collects tests would wait for it.
        from scipy.optimize import Bounds, LinearConstraint, milp
        from scipy.sparse import coo_array

        matrix = coo_array((data, (i, j)), (len(self.rows), len(self.low))).tocsr()
        cost = np.zeros(len(self.low))
        for v, a in self.cost.items():
            cost[v] = a
        found = milp(
            cost,
            constraints=LinearConstraint(
                matrix, [r[1] for r in self.rows], [r[2] for r in self.rows]
            ),
            integrality=np.array(self.whole),
            bounds=Bounds(np.array(self.low), np.array(self.high)),
            options={"time_limit": time_limit_s, "mip_rel_gap": gap},
        )
        if found.x is None or found.status != 0:
            raise RuntimeError(f"HiGHS: {found.message}")
        return float(found.fun), found.x


def least_cost(case: Case, time_limit_s: float = 60.0, gap: float = 0.0) -> float:
    """The least cost of the case, money."""
    m, n = _Model(), len(case.d)
    inf, big = np.inf, 4.0 * case.top + case.zone
    s = [m.var("s", t, 0.0, big) for t in range(n + 1)]
    m.low[s[0]] = m.high[s[0]] = case.start_level
    on = [m.var("on", t, 0, 1, 1) for t in range(n)]
    started = [m.var("start", t, 0, 1, 1) for t in range(n)]
    q = [m.var("q", t) for t in range(n)]
    e = [m.var("e", t) for t in range(n)]
    y = [m.var("y", t) for t in range(n)]
    short = [m.var("short", t) for t in range(n)]
    for t in range(n):
        m.row({y[t]: 1, s[t]: -1, short[t]: -1}, -case.d[t], -case.d[t])
        if case.d[t] > 0:  # nobody leaves the tap for the plan's sake: what is there is drawn
            lack = m.var("lack", t, 0, 1, 1)
            m.row({short[t]: 1, lack: -case.d[t]}, -inf, 0)
            m.row({y[t]: 1, lack: big}, -inf, big)
        else:
            m.high[short[t]] = 0.0
        m.row({q[t]: 1, on[t]: -case.heat[t]}, -inf, 0)
        before = {on[t - 1]: 1.0} if t else {}
        m.row({started[t]: 1, on[t]: -1, **before}, 0, inf)
        if case.least_share > 0:
            m.row({q[t]: 1, started[t]: -case.least_share * case.heat[t]}, 0, inf)
        if case.start_cost > 0 and 0 < t < n - 1:
            h = case.heat[t]
            anew = {started[t]: h, started[t + 1]: h}  # two runs with a pause between them
            m.row({q[t]: 1, on[t - 1]: -h, on[t]: -h, on[t + 1]: -h, **anew}, -2 * h, inf)
        m.cost[q[t]] += case.cost[t]
        m.cost[started[t]] += case.start_cost
        m.cost[short[t]] += case.shortage
        if case.second_heat is None or case.second_cost is None:
            m.high[e[t]] = 0.0
        else:
            m.high[e[t]] = case.second_heat[t]
            m.cost[e[t]] += case.second_cost[t]
        if not case.coil:
            m.row({y[t]: 1, q[t]: 1, e[t]: 1}, -inf, case.top)
            m.row({s[t + 1]: 1, y[t]: -case.keep, q[t]: -case.keep, e[t]: -case.keep}, 0, 0)
    if case.coil:
        _coil(m, case, s=s, y=y, q=q, on=on)
    m.cost[s[n]] -= case.worth
    return m.solve(time_limit_s, gap)[0]


def _coil(
    m: _Model, case: Case, *, s: list[int], y: list[int], q: list[int], on: list[int]
) -> None:
    """Lukewarm heat w waits below until the zone crosses the use temperature; then all counts."""
    n, inf = len(case.d), np.inf
    big = 4.0 * case.top + case.zone
    w = [m.var("w", t, 0.0, big) for t in range(n + 1)]
    m.low[w[0]] = m.high[w[0]] = case.lukewarm
    mass = [m.var("mass", t, 0, 1, 1) for t in range(n + 1)]
    m.high[mass[0]] = 0
    for t in range(n):
        cross = m.var("cross", t, 0, 1, 1)
        hot, luke, moved = m.var("hot", t), m.var("luke", t), m.var("moved", t)
        m.row({hot: 1, luke: 1, q[t]: -1}, 0, 0)
        m.row({hot: 1, cross: -big}, -inf, 0)
        m.row({luke: 1, cross: big}, -inf, big)
        m.row({moved: 1, cross: -big}, -inf, 0)
        m.row({moved: 1, w[t]: -1}, -inf, 0)
        m.row({moved: 1, w[t]: -1, cross: -big}, -big, inf)
        m.row({y[t]: 1, moved: 1, hot: 1}, -inf, case.top)
        m.row({s[t + 1]: 1, y[t]: -case.keep, moved: -case.keep, hot: -case.keep}, 0, 0)
        m.row({w[t + 1]: 1, w[t]: -1, moved: 1, luke: -1}, 0, 0)
        if case.whole_slots:
            full = m.var("full", t, 0, 1, 1)
            m.row({full: 1, cross: -1}, -inf, 0)
            m.row({q[t]: 1, on[t]: -case.heat[t], full: big}, 0, inf)
            m.row({y[t]: 1, moved: 1, hot: 1, full: -big}, case.top - big, inf)
        # Crossing needs the heat for it, or a mass that is still whole after the draw.
        still = {mass[t]: big} if case.d[t] <= case.small_draw else {}
        m.row({w[t]: 1, q[t]: 1, y[t]: case.slope, cross: -big, **still}, case.zone - big, inf)
        # Water hot enough to use is used: no keeping it lukewarm for later while heating.
        m.row(
            {w[t]: 1, q[t]: 1, y[t]: case.slope, cross: -big, on[t]: big},
            -inf,
            case.zone + big - 1e-3,
        )
        # The mass stays one when it was crossed now, or was whole and no larger draw came.
        was = {mass[t]: -1.0} if case.d[t] <= case.small_draw else {}
        m.row({mass[t + 1]: 1, cross: -1, **was}, -inf, 0)
