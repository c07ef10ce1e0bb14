"""Comfort as a household would say it, turned into a price for hot water that is missing.

A plan weighs money against the chance of lukewarm water, so missing water needs a price. Nobody
can name one, but everybody knows how often it may happen. Having one litre more costs its
standing loss through a day. The newsvendor rule (Arrow, Harris, Marschak 1951) has it as long as
``chance of needing it x loss by missing it`` exceeds that cost; what is missed needn't be heated,
so the loss is the price less the heat. Turned around, a household that accepts lukewarm water on
``times`` days a year gives the price

    price = cost of its heat + cost of a litre's standing loss in a day x 365 / times

It is the same whatever the tariff: a cold shower is no warmer for a cheap night.
"""

from __future__ import annotations

from enum import StrEnum

from service.cylinder.water import heat_kwh
from service.scheduling.types import Store

DAYS_PER_YEAR = 365.0


class Comfort(StrEnum):
    """How often lukewarm water is accepted."""

    THRIFTY = "thrifty"
    BALANCED = "balanced"
    AMPLE = "ample"


DEFAULT = Comfort.BALANCED

TIMES_PER_YEAR = {Comfort.THRIFTY: 18.0, Comfort.BALANCED: 6.0, Comfort.AMPLE: 2.0}

MEANING = {
    Comfort.THRIFTY: "Cheapest: the water may turn lukewarm up to eighteen times a year.",
    Comfort.BALANCED: "Usual: the water may turn lukewarm up to six times a year.",
    Comfort.AMPLE: "Careful: the water should not turn lukewarm more than twice a year.",
}


def shortage_price(
    comfort: Comfort | str,
    store: Store,
    heat_price_per_kwh: float,
    dearest_heat_price_per_kwh: float,
) -> float:
    """Price of one litre at 40 degC that is wanted and missing, money.

    Args:
        comfort: the household's setting, or its name.
        store: the cylinder, for its standing loss.
        heat_price_per_kwh: what a kWh of heat in the cylinder usually costs.
        dearest_heat_price_per_kwh: what it costs at the dearest hour.

    Raises ValueError for an unknown setting, or a store that holds no heat above its inlet.
    """
    if store.set_c <= store.cold_c or store.capacity_l40 <= 0:
        raise ValueError("the set temperature must be above the cold inlet")
    per_l40 = float(heat_kwh(1.0, 40.0, store.cold_c, 40.0))
    loss_kwh = store.loss_w_per_k * max(store.set_c - store.ambient_c, 0.0) * 24.0 / 1000.0
    lost_per_day = min(loss_kwh / (store.capacity_l40 * per_l40), 1.0)
    holding = max(heat_price_per_kwh, 0.0) * per_l40 * max(lost_per_day, 0.02)
    heat = max(dearest_heat_price_per_kwh, 0.0) * per_l40
    return heat + holding * DAYS_PER_YEAR / TIMES_PER_YEAR[Comfort(comfort)]
