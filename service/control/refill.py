"""After a maintenance hold: was the cylinder drained, and has flow proved that it is full again?

An immersion heater that is not under water burns out, or worse. When a hold ends and the heat
that should still be there is gone, the cylinder may have been drained; the immersion heater is
then refused until water has flowed: the whole volume through a meter on the cold feed, or a few
litres through one behind the cylinder, where water only comes from a full one. Flow counts from
the hold's beginning. Without a flow meter the person who ends the hold vouches for it. Another
cylinder, and one that a heater was fitted to, counts as drained: see ``beginning``.
"""

from __future__ import annotations

import math

from adapters.wiring import Quantity
from service.control.overrides import holding
from service.control.plant import Plant
from service.control.state import Book, State, changed
from service.control.types import Override
from service.cylinder.water import density_kg_per_l, specific_heat_kj_per_kgk

KEPT_SHARE = 0.6  # of the heat that standing loss would have left
BEHIND_L = 5.0  # through a meter behind the cylinder


def follow(
    state: State,
    before: tuple[Override, ...],
    plant: Plant,
    heat_kwh: float | None,
    flowed_l: float,
    elapsed_s: float,
) -> Book:
    """The book after one step.

    Args:
        state: with this step's overrides.
        before: the last step's overrides.
        plant: the home's plant.
        heat_kwh: heat in the cylinder by the probes alone, above 0 degC; None when not known.
        flowed_l: litres through the flow meter in this step.
        elapsed_s: elapsed clock.
    """
    book = state.book
    held, was_held = holding(state.overrides) is not None, holding(before) is not None
    if "immersion" not in plant.sources:
        return book
    if held and not was_held:
        book = changed(book, hold_heat_kwh=heat_kwh, hold_mark_s=elapsed_s, refilled_l=0.0)
    if held or book.drained:
        book = changed(book, refilled_l=book.refilled_l + flowed_l) if flowed_l else book
    if was_held and not held and plant.of(Quantity.DRAW_FLOW):
        # What was drained before is not filled by another hold, in which no heat goes any more.
        book = changed(book, drained=book.drained or _gone(book, plant, heat_kwh, elapsed_s))
    if book.drained and book.refilled_l >= _proof_l(plant):
        book = changed(book, drained=False)
    return book


def _gone(book: Book, plant: Plant, heat_kwh: float | None, elapsed_s: float) -> bool:
    """Whether the heat that standing loss would have left is not there."""
    if heat_kwh is None or book.hold_heat_kwh is None:
        return True
    per_k = (
        plant.cylinder.volume_l
        * float(density_kg_per_l(40.0))
        * float(specific_heat_kj_per_kgk(40.0))
        / 3600.0
    )
    ambient = plant.settings.wiring.cylinder.ambient_c * per_k
    hours = max(0.0, elapsed_s - book.hold_mark_s) / 3600.0
    left = math.exp(-plant.cylinder.loss_w_per_k / 1000.0 * hours / per_k)
    expected = ambient + (book.hold_heat_kwh - ambient) * left
    return heat_kwh < KEPT_SHARE * expected


def _proof_l(plant: Plant) -> float:
    """How much must flow, L; nothing where no meter shows it, any more."""
    meters = plant.of(Quantity.DRAW_FLOW)
    if not meters:
        return 0.0
    return plant.cylinder.volume_l if meters[0].place == "cold_feed" else BEHIND_L
