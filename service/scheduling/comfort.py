"""Comfort as a household would say it, turned into a price for hot water that is missing.

A plan weighs money against the chance of lukewarm water, so missing water needs a price. Here it
is as many times what its heat usually costs as the household cares, beside the heat itself at its
dearest. It is the same litre for litre whatever the tariff and the cylinder: a cold shower is no
warmer for a cheap night, and what is spent on comfort goes where it buys most.

How often the water then turns lukewarm follows from the newsvendor rule (Arrow, Harris, Marschak
1951): a litre more is had as long as the chance of needing it, times that price, exceeds its
standing loss through a day. A cylinder of 150 L loses some 19 % of its heat in a day, so a price of
20 times the heat is met by 0.19 / 20 of the days, three or four in a year; larger ones lose less.
"""

from __future__ import annotations

from enum import StrEnum

from service.cylinder.water import heat_kwh
from service.scheduling.types import Store


class Comfort(StrEnum):
    """How often lukewarm water is accepted."""

    THRIFTY = "thrifty"
    BALANCED = "balanced"
    AMPLE = "ample"


DEFAULT = Comfort.BALANCED

TIMES_ITS_HEAT = {Comfort.THRIFTY: 5.0, Comfort.BALANCED: 20.0, Comfort.AMPLE: 40.0}

LEAST_PER_KWH = 0.01  # money; common practice, no source: heat is hardly ever cheaper

MEANING = {
    Comfort.THRIFTY: "Cheapest: the water may turn lukewarm about once a month.",
    Comfort.BALANCED: "Usual: the water may turn lukewarm a few times a year.",
    Comfort.AMPLE: "Careful: the water should hardly ever turn lukewarm, once or twice a year.",
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
        store: the cylinder, for its cold inlet.
        heat_price_per_kwh: what a kWh of heat in the cylinder usually costs; below LEAST_PER_KWH
            (electricity is free all weekend) that is taken, for water is wanted then as well.
        dearest_heat_price_per_kwh: what it costs at the dearest hour.

    Raises ValueError for an unknown setting, or a store that holds no heat above its inlet.
    """
    if store.set_c <= store.cold_c or store.capacity_l40 <= 0:
        raise ValueError("the set temperature must be above the cold inlet")
    per_l40 = float(heat_kwh(1.0, 40.0, store.cold_c, 40.0))
    usual = max(heat_price_per_kwh, LEAST_PER_KWH)
    dearest = max(dearest_heat_price_per_kwh, 0.0)
    return (dearest + TIMES_ITS_HEAT[Comfort(comfort)] * usual) * per_l40
