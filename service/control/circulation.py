"""The secondary return: for how long its pump ran, and what that does to the cylinder.

A signal tells when it runs, or the timer's hours that the installer wrote down. What the water
loses on its way round is learned by the estimator.
"""

from __future__ import annotations

import math
from datetime import datetime

from adapters.wiring import Quantity
from service.clock import second_of, second_of_day
from service.control import observe
from service.control.plant import Plant
from service.control.state import Belief, changed
from service.cylinder.estimator import Circulation, Estimate, cell_l
from service.cylinder.water import flow_w_per_k
from service.settings import span_of_day

DAY_S = 86_400
HOT_C = 50.0  # about what goes round
REMEMBERED_S = 7.0 * DAY_S  # of how often the pump runs


def ran_s(plant: Plant, fresh: dict[str, float], now: datetime, lived_s: float) -> float:
    """For how long the pump ran of the last ``lived_s``, where it is known where water comes back.

    Args:
        plant: the home's plant.
        fresh: fresh readings by signal.
        now: aware UTC.
        lived_s: no more than a day counts.
    """
    built = plant.settings.wiring.cylinder
    if built.secondary_return_m is None or lived_s <= 0.0:
        return 0.0
    told = observe.first_fresh(plant, fresh, Quantity.SECONDARY_RETURN)
    if told is not None:
        return lived_s if told else 0.0
    second = second_of_day(now.astimezone(plant.zone))
    spans = (span_of_day(x) for x in built.secondary_return_hours)
    hours = [(second_of(since), second_of(until)) for since, until in spans]
    return min(sum(_within_s(second, lived_s, *span) for span in hours), lived_s)


def _within_s(second: float, lived_s: float, begin: int, end: int) -> float:
    """How many of the seconds up to ``second`` of the day lie in a daily span."""
    end += DAY_S if end <= begin else 0
    since = max(second - lived_s, second - DAY_S)
    parts = (min(second, end + d) - max(since, begin + d) for d in (-DAY_S, 0))
    return sum(max(part, 0.0) for part in parts)


def lived(belief: Belief, run_s: float, lived_s: float) -> Belief:
    """The belief with ``lived_s`` more, in ``run_s`` of which the pump ran."""
    if run_s == 0.0 and belief.circulates_s == 0.0:
        return belief
    kept = math.exp(-lived_s / REMEMBERED_S)
    return changed(
        belief,
        circulated_s=belief.circulated_s + run_s,
        circulates_s=belief.circulates_s * kept + run_s,
        rests_s=belief.rests_s * kept + lived_s - run_s,
    )


def since_stride(belief: Belief, plant: Plant) -> tuple[Circulation | None, float]:
    """What went through the return since the estimator lived, and the seconds that are left over.

    The estimator moves so much water at once; what is less waits for more.
    """
    built = plant.settings.wiring.cylinder
    if built.secondary_return_m is None or belief.circulated_s <= 0.0:
        return None, 0.0
    l_per_s = built.secondary_return_l_per_min / 60.0
    least_l = cell_l(plant.cylinder)
    cells, left_l = divmod(belief.circulated_s * l_per_s, least_l)
    level = plant.level(built.secondary_return_m)
    return Circulation(cells * least_l, level) if cells else None, left_l / l_per_s


def loss_w_per_k(estimate: Estimate, plant: Plant) -> float:
    """What the pipes lose while the pump runs, by kelvin of the top above ambient, W/K."""
    l_per_min = plant.settings.wiring.cylinder.secondary_return_l_per_min
    return flow_w_per_k(l_per_min, HOT_C) * estimate.return_loss


def mean_loss_w_per_k(belief: Belief, plant: Plant) -> float:
    """The same over all of the time, as often as the pump ran of late, W/K."""
    watched_s = belief.circulates_s + belief.rests_s
    if belief.estimate is None or watched_s <= 0.0:
        return 0.0
    return loss_w_per_k(belief.estimate, plant) * belief.circulates_s / watched_s
