"""Our model driven through the independent days, a day at a time from the true midnight."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.cylinder import model
from service.cylinder.drive import CoilCharge, Drive, ImmersionHeat, PlateCharge
from service.cylinder.geometry import Cylinder
from service.cylinder.usable import v40_l
from tests.published.independent import Case, about

LAYERS = 40
DAY = 1440
# The package takes 4.183 kJ/(kg K) and 1 kg/L at every temperature, 1.1619 Wh/(L K). A litre of
# real water at 55 degC holds 1.1452 Wh/K above 10 degC (IAPWS-95). The same litres are drawn
# and the same kelvins wanted, so heat is handed over in that ratio.
HEAT_RATIO = 1.1452 / 1.1619


@dataclass(frozen=True)
class Day:
    """Ours against theirs: V40 at the end of each step, outlet temperature of each drawn step."""

    ours_v40_l: NDArray[np.float64]
    true_v40_l: NDArray[np.float64]
    ours_outlet_c: NDArray[np.float64]
    true_outlet_c: NDArray[np.float64]
    drawn_l: NDArray[np.float64]
    full_l: float
    true_c: NDArray[np.float64]
    volumes_l: NDArray[np.float64]

    @property
    def outlet_error_k(self) -> NDArray[np.float64]:
        """Error of the outlet temperature where the water was usable (40 degC or more)."""
        usable = self.true_outlet_c >= 40
        return (self.ours_outlet_c - self.true_outlet_c)[usable]

    @property
    def v40_error(self) -> NDArray[np.float64]:
        """Error of V40 as a share of the full cylinder's."""
        return (self.ours_v40_l - self.true_v40_l) / self.full_l

    def v40_beyond(self, shift_k: float) -> NDArray[np.float64]:
        """By how much of a full cylinder ours is outside the true V40, shifted up and down."""
        low = v40_l(self.true_c - shift_k, self.volumes_l, 10.0)
        high = v40_l(self.true_c + shift_k, self.volumes_l, 10.0)
        outside = np.maximum(low - self.ours_v40_l, self.ours_v40_l - high)
        return np.maximum(outside, 0.0) / self.full_l

    @property
    def delivered_error(self) -> float:
        """Relative error of the day's litres at 40 degC made from water of 40 degC or more."""
        ours, true = (
            float((self.drawn_l * np.where(t >= 40, t - 10, 0)).sum())
            for t in (self.ours_outlet_c, self.true_outlet_c)
        )
        return ours / true - 1 if true else 0.0


def steps(case: Case, day: int, alike: float = 0.0) -> Iterator[tuple[int, int, Drive]]:
    """(first minute, minutes, drive): equal minutes together, an hour at most.

    ``alike`` also puts minutes of one charge together, with their mean, whose heat differs by no
    more than this share and whose temperature by no more than so many times 10 K. The litres that
    a plate exchanger moves may differ as they like then, since they follow from the two.
    """
    made = about()
    ratio = HEAT_RATIO * 60_000
    names = ("drawn_l", "lower_kwh", "upper_kwh", "coil_kwh", "coil_flow_c", "plate_kwh",
             "plate_l", "plate_outlet_c")  # fmt: skip
    share = alike * np.array([name.endswith("_kwh") for name in names])
    besides = 10 * alike * np.array([name.endswith("_c") for name in names])
    besides[names.index("plate_l")] = math.inf if alike else 0.0
    first, last = day * DAY, (day + 1) * DAY
    rows = np.stack([case[name] for name in names], axis=1)
    minute = first
    while minute < last:
        until = minute + 1
        within = share * rows[minute] + besides
        while (
            until < min(last, minute + 60)
            and (
                (abs(rows[until] - rows[minute]) <= within)
                & ((rows[until] > 0) == (rows[minute] > 0))
            ).all()
        ):
            until += 1
        row = dict(zip(names, rows[minute:until].mean(axis=0).tolist(), strict=True))
        coil = plate = None
        if row["coil_kwh"] > 0:
            coil = CoilCharge(ratio * row["coil_kwh"], *made["coil"], row["coil_flow_c"])
        if row["plate_kwh"] > 0:
            heat_w, lift_k = ratio * row["plate_kwh"], row["plate_kwh"] / row["plate_l"] / 0.00116
            if lift_k > 5:
                plate = PlateCharge(heat_w, row["plate_outlet_c"], flow_l_per_min=100.0)
            else:  # a small lift says little of the flow
                plate = PlateCharge(heat_w, 90.0, flow_l_per_min=row["plate_l"], controlled=False)
        elements = tuple(
            ImmersionHeat(ratio * row[f"{name}_kwh"], made["element_at"][name] + 0.0125)
            for name in ("lower", "upper")
            if row[f"{name}_kwh"] > 0
        )
        yield (
            minute,
            until - minute,
            Drive(
                cold_c=float(case["cold_c"][minute:until].mean()),
                ambient_c=made["ambient_c"],
                draw_l_per_min=row["drawn_l"],
                plate=plate,
                coil=coil,
                immersion=elements,
            ),
        )
        minute = until


def tank(case: Case, tanks: int, segments: int = 40) -> Cylinder:
    """The case's tank with the mixing of so many tanks in series, whichever way water moves."""
    return Cylinder(
        case.volume_l,
        case.height_m,
        case.loss_w_per_k,
        inlet_mixing_l=case.volume_l,
        inlet_tanks=tanks,
        plate_mixing_l=case.volume_l,
        plate_tanks=tanks,
        segments=segments,
    )


def run_day(case: Case, day: int, tanks: int, segments: int = 40, alike: float = 0.0) -> Day:
    """Drive our model through one day of a case; ``alike`` as for ``steps``."""
    cylinder = tank(case, tanks, segments)
    state = model.start(cylinder, case.nodes_c[max(day * DAY - 1, 0)])
    volumes = cylinder.layer_volumes_l(LAYERS)
    ends, profiles, outlets, true_outlets, drawn = [], [], [], [], []
    for minute, minutes, drive in steps(case, day, alike):
        state, flows = model.advance(cylinder, state, drive, 60.0 * minutes)
        ends.append(minute + minutes - 1)
        profiles.append(model.profile(cylinder, state, LAYERS))
        if drive.draw_l_per_min > 0:
            outlets.append(flows.outlet_c)
            true_outlets.append(float(case["outlet_c"][minute : minute + minutes].mean()))
            drawn.append(flows.drawn_l)
    return Day(
        v40_l(np.array(profiles), volumes, 10.0),
        v40_l(case.nodes_c[ends], volumes, 10.0),
        np.array(outlets),
        np.array(true_outlets),
        np.array(drawn),
        case.volume_l * (case.set_c - 10.0) / 30.0,
        case.nodes_c[ends],
        volumes,
    )


def fitted_tanks(case: Case) -> int:
    """The one mixing parameter, fitted to a day: tanks in series that fit its V40 best."""
    tried = range(40, 121, 10)
    errors = [float(np.square(run_day(case, 0, n).v40_error).mean()) for n in tried]
    return tried[int(np.argmin(errors))]
