"""What heating does to the cylinder, as far as a plan needs to know it.

The plan's cylinder has three parts: hot water on top at the charge temperature, of which
``usable`` litres at 40 degC can be drawn; below it water that holds heat but is too cool to use
(``lukewarm``); and what lies under the foot of a coil or an element, which stays cold. Heat is
counted in litres at 40 degC as well (the heat that one such litre holds above the cold inlet),
so that heating by ``q`` always raises ``usable + lukewarm`` by ``q``.

A plate heat exchanger takes the water it heats from the bottom and lays it on top, hot: usable
water grows at once. A coil or an immersion heater warms everything above its foot together:
nothing becomes usable until that mass passes the use temperature, and then all of it does. From
there on (``mass``) every further bit of heat is usable, until a draw lets cold water in below.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forecasting.types import Floats
from service.cylinder.water import heat_kwh
from service.scheduling.types import Layout, Source, Store

Bools = NDArray[np.bool_]

# A mass that has just reached the use temperature falls below it again by standing loss, all at
# once. It counts as usable from this much above, some hours' cooling.
MASS_MARGIN_K = 2.0
V40_C = 40.0
SAME_FOOT = 0.05  # feet closer than this share of the volume heat one mass


@dataclass(frozen=True)
class Body:
    """The cylinder in litres at 40 degC, the same for every slot of a plan.

    volume_l       its volume
    per_litre      litres at 40 degC in one litre of water at the charge temperature
    mass_per_litre the same at the temperature from which a heated mass counts as usable
    kwh_per_l40    heat above the cold inlet in one litre at 40 degC
    lowest_foot    share of the volume below the lowest coil's or element's foot
    """

    volume_l: float
    per_litre: float
    mass_per_litre: float
    kwh_per_l40: float
    lowest_foot: float

    @property
    def most_lukewarm(self) -> float:
        """Lukewarm heat, in litres at 40 degC, at which the whole heated mass becomes usable."""
        return (1.0 - self.lowest_foot) * self.volume_l * self.mass_per_litre


def foot(source: Source) -> float:
    """Share of the volume that the source cannot heat: none with a plate heat exchanger."""
    return 0.0 if source.layout is Layout.PLATE else source.heats_from


def charge_c(source: Source, store: Store) -> Floats:
    """What the source heats the store to in each slot, degC, shape (n,)."""
    wanted = store.set_c if source.charge_c is None else source.charge_c
    return np.minimum(source.store_c, wanted)


def full_l40(store: Store, hot_c: Floats | float, share: float = 1.0) -> Floats:
    """V40 of that share of the volume at ``hot_c``; agrees with ``capacity_l40`` at ``set_c``."""
    per_k = store.capacity_l40 / max(store.set_c - store.cold_c, 1e-6)
    return np.asarray(share * per_k * (np.asarray(hot_c) - store.cold_c), np.float64)


def body(store: Store, sources: tuple[Source, ...]) -> Body:
    """The cylinder in litres at 40 degC.

    Raises ValueError where the temperatures contradict each other.
    """
    if not store.cold_c < store.use_c < store.set_c:
        raise ValueError(
            f"cold inlet {store.cold_c:g}, use {store.use_c:g} and set temperature "
            f"{store.set_c:g} degC must rise in that order"
        )
    hottest = max((float(charge_c(s, store).max()) for s in sources), default=store.set_c)
    hottest = max(hottest, store.set_c)
    usable_from_c = min(store.use_c + MASS_MARGIN_K, 0.5 * (store.use_c + store.set_c))
    return Body(
        volume_l=store.volume_l,
        per_litre=float(full_l40(store, hottest)) / store.volume_l,
        mass_per_litre=float(full_l40(store, usable_from_c)) / store.volume_l,
        kwh_per_l40=float(heat_kwh(1.0, V40_C, store.cold_c, V40_C)),
        lowest_foot=min((foot(s) for s in sources if s.layout is not Layout.PLATE), default=0.0),
    )


def heated(
    body: Body,
    source: Source,
    usable: Floats,
    lukewarm: Floats,
    mass: Bools,
    *,
    top_l40: Floats | float,
    heat: Floats | float,
) -> tuple[Floats, Floats, Bools, Floats]:
    """Usable and lukewarm litres at 40 degC after heating, whether as one mass, heat taken up.

    All arrays broadcast against each other. ``top_l40`` is V40 when the source can add no more;
    what it offers beyond is not taken up.
    """
    hot_l = usable / body.per_litre
    room = np.maximum(top_l40 - usable, 0.0)
    if source.layout is Layout.PLATE:
        rest_l = np.maximum(body.volume_l - hot_l, 1e-9)
        warmth = np.minimum(lukewarm / rest_l, 0.95 * body.mass_per_litre)
        litres = np.minimum(
            heat / (body.per_litre - warmth), np.minimum(rest_l, room / body.per_litre)
        )
        taken = np.where(mass, np.minimum(heat, room), litres * (body.per_litre - warmth))
        used = np.where(mass, 0.0, litres * warmth)
        return usable + taken + used, lukewarm - used, np.broadcast_to(mass, taken.shape), taken
    below_l = foot(source) * body.volume_l
    zone_l = np.maximum(body.volume_l - below_l - hot_l, 0.0)
    rest_l = np.maximum((1.0 - body.lowest_foot) * body.volume_l - hot_l, 1e-9)
    inside = np.where(mass, 0.0, lukewarm * np.minimum(zone_l / rest_l, 1.0))
    crosses = mass | (inside + heat >= zone_l * body.mass_per_litre - 1e-9)
    can = room > inside  # else the source finds its zone as hot as it can make it
    taken = np.where(crosses, np.where(can, np.minimum(heat, room - inside), 0.0), heat)
    moves = crosses & can
    # An element high up makes its own part usable, not the mass above the lowest foot.
    whole_zone = foot(source) <= body.lowest_foot + SAME_FOOT
    return (
        np.where(moves, usable + inside + taken, usable),
        np.where(moves, lukewarm - inside, lukewarm + np.where(crosses, 0.0, taken)),
        np.where(can & whole_zone, crosses, mass),
        taken,
    )


def faded(
    body: Body,
    store: Store,
    usable: Floats | float,
    lukewarm: Floats | float,
    mass: Bools | bool,
    hours: float,
) -> tuple[Floats, Floats]:
    """Usable and lukewarm litres at 40 degC after a time without use and heat.

    Both lose heat to the room. Where hot water borders on colder, the border widens by
    conduction: what cools below use there is lukewarm from then on. One heated mass has no border.
    """
    kept = usable * math.exp(-_hot_loss_per_h(body, store) * hours)
    cools = np.minimum(kept, store.border_l40_per_h * hours) * (1.0 - mass)
    share = _lukewarm_loss_per_h(body, store, lukewarm)
    return kept - cools, lukewarm * np.exp(-share * hours) + cools


def _hot_loss_per_h(body: Body, store: Store) -> float:
    """Share of the usable water's heat that standing loss takes in an hour."""
    hot_c = store.cold_c + body.per_litre * (store.set_c - store.cold_c) / (
        store.capacity_l40 / store.volume_l
    )
    watts_per_litre = store.loss_w_per_k * max(hot_c - store.ambient_c, 0.0) / store.volume_l
    return watts_per_litre / (body.per_litre * body.kwh_per_l40 * 1000.0)


def _lukewarm_loss_per_h(body: Body, store: Store, lukewarm: Floats | float) -> Floats:
    """Share of the lukewarm heat that standing loss takes in an hour, by how much there is."""
    rise_per_l40 = (V40_C - store.cold_c) / store.volume_l
    above_room_k = store.cold_c + lukewarm * rise_per_l40 - store.ambient_c
    watts = store.loss_w_per_k * np.maximum(above_room_k, 0.0)
    return watts / (np.maximum(lukewarm, 1e-9) * body.kwh_per_l40 * 1000.0)
