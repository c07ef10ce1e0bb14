"""The independent days as a home would see them: noisy probes, a meter that is off, known heat."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from service.cylinder.estimator import Heat, Observation
from service.cylinder.geometry import Cylinder
from service.cylinder.usable import v40_l
from tests.published.independent import Case, about
from tests.published.independent.drive import HEAT_RATIO

PROBE_NOISE_K = 0.5
FLOW_ERROR = 0.02


def cylinder_of(case: Case, **mixing: float) -> Cylinder:
    """The case's tank with our mixing parameters."""
    return Cylinder(case.volume_l, case.height_m, case.loss_w_per_k, **mixing)  # type: ignore[arg-type]


def probe_levels(probes: int) -> dict[str, float]:
    """Probes in the middle of equal parts of the height."""
    return {f"p{i + 1}": (i + 0.5) / probes for i in range(probes)}


def at_levels(case: Case, levels: NDArray[np.float64]) -> NDArray[np.float64]:
    """True temperatures at levels, shape (minutes, len(levels))."""
    nodes = case.nodes_c.shape[1]
    position = np.clip(levels * nodes - 0.5, 0, nodes - 1)
    below = np.minimum(position.astype(int), nodes - 2)
    share = position - below
    return case.nodes_c[:, below] * (1 - share) + case.nodes_c[:, below + 1] * share


def readings(case: Case, levels: NDArray[np.float64], seed: int) -> NDArray[np.float64]:
    """What noisy probes show, shape (minutes, len(levels))."""
    true = at_levels(case, levels)
    return true + PROBE_NOISE_K * np.random.default_rng(seed).standard_normal(true.shape)


def true_v40_l(case: Case) -> NDArray[np.float64]:
    """V40 of the true profile for a cold inlet of 10 degC, shape (minutes,)."""
    volumes = np.full(case.nodes_c.shape[1], case.volume_l / case.nodes_c.shape[1])
    return v40_l(case.nodes_c, volumes, 10.0)


def heat_of(case: Case, now: slice) -> list[Heat]:
    """Heat put in over some minutes, as measured (see HEAT_RATIO)."""
    made = about()
    heat = []
    for name in ("lower", "upper"):
        kwh = HEAT_RATIO * float(case[f"{name}_kwh"][now].sum())
        if kwh > 0:
            level = made["element_at"][name]
            heat.append(Heat(kwh, bottom_level=level, top_level=level + 0.02))
    if (kwh := HEAT_RATIO * float(case["coil_kwh"][now].sum())) > 0:
        heat.append(Heat(kwh, bottom_level=made["coil"][0], top_level=made["coil"][1]))
    if (kwh := HEAT_RATIO * float(case["plate_kwh"][now].sum())) > 0:
        litres = case["plate_l"][now]
        outlet = float((litres * case["plate_outlet_c"][now]).sum() / litres.sum())
        heat.append(Heat(kwh, "plate", outlet_c=outlet))
    return heat


def observations(
    case: Case,
    shown: NDArray[np.float64],
    names: list[str],
    *,
    flow_scale: float = 1 + FLOW_ERROR,
    metered: bool = True,
    every: int = 1,
) -> Iterator[tuple[int, Observation]]:
    """(minute at whose end it is seen, observation) every so many minutes."""
    for minute in range(every - 1, len(case), every):
        now = slice(minute + 1 - every, minute + 1)
        drawn = float(case["drawn_l"][now].sum()) * flow_scale if metered else None
        yield (
            minute,
            Observation(
                probes_c=dict(zip(names, shown[minute].tolist(), strict=True)),
                drawn_l=drawn,
                cold_c=float(case["cold_c"][now].mean()),
                ambient_c=about()["ambient_c"],
                heat=heat_of(case, now),
            ),
        )
