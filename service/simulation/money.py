"""What electricity costs at any moment of a replay, from the home's own tariff."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from forecasting.types import SlotGrid
from service.scheduling import tariff
from service.settings import HomeSettings

SLOT_S = 900


def price_at(
    settings: HomeSettings, from_s: float, until_s: float
) -> Callable[[float], tuple[float, float]]:
    """Import and export price per kWh at a moment in [from_s, until_s), s since 1970."""
    first_s = int(from_s) // SLOT_S * SLOT_S
    starts = np.arange(first_s, int(until_s) + 2 * SLOT_S, SLOT_S, dtype=np.int64)
    grid = SlotGrid(starts, starts + SLOT_S)
    found = tariff.prices(
        settings.tunables.tariff,
        tariff.Feeds(),
        grid,
        settings.wiring.zone_info,
        first_s,
        np.zeros(len(starts)),
    )
    imports, exports = found.import_per_kwh.tolist(), found.export_per_kwh.tolist()

    def look(at_s: float) -> tuple[float, float]:
        slot = min(max(int(at_s - first_s) // SLOT_S, 0), len(imports) - 1)
        return imports[slot], exports[slot]

    return look
