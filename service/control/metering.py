"""Electricity and heat meters: powers summed over lived time, totals counted by what they add."""

from __future__ import annotations

import math
from dataclasses import dataclass

from adapters.meters import Meter
from adapters.types import Reading
from adapters.wiring import KIND_OF_UNIT, Kind, Quantity
from service.control.plant import Plant

METERED = (
    Quantity.HEAT_PUMP_ELECTRICITY,
    Quantity.HEAT_PUMP_HEAT,
    Quantity.IMMERSION_ELECTRICITY,
)
HIGHEST_KWH_PER_S = 50.0 / 3600.0  # no meter in a home counts faster
# A total that counts more coarsely tells the power of now too late, and how much heat came since
# the last look too roughly: 2 kW move a register of 0.1 kWh every three minutes, one of 1 kWh every
# half hour.
FINE_KWH, COARSE_KWH = 0.01, 0.1


@dataclass(frozen=True, slots=True)
class Metered:
    """Meters afterwards, watts of those that count energy, and kWh in this step by quantity.

    A quantity without a signal is missing from kwh and watts, and so is one of which a meter is
    silent, or counts in too large steps.
    """

    meters: dict[str, Meter]
    rates_w: dict[str, float]
    kwh: dict[Quantity, float]
    watts: dict[Quantity, float]


def live(
    meters: dict[str, Meter],
    rates_w: dict[str, float],
    plant: Plant,
    readings: tuple[Reading, ...],
    fresh: dict[str, float],
    lived_s: float,
) -> Metered:
    """Count one step of ``lived_s`` seconds."""
    counted: dict[str, float] = {}
    for reading in readings:
        signal = plant.signals.get(reading.signal)
        if signal is None or signal.measures not in METERED:
            continue
        if KIND_OF_UNIT[signal.unit] is not Kind.ENERGY or not reading.tells_now:
            continue
        meter = meters.get(signal.name) or Meter(HIGHEST_KWH_PER_S, resolution=1e-6)
        meter, amount = meter.take(reading.value, reading.measured_s)
        meters = {**meters, signal.name: meter}
        if amount.amount > 0 or amount.event == "counted":
            rates_w = {**rates_w, signal.name: amount.per_s * 3.6e6}
            if amount.event != "gap":
                counted[signal.name] = counted.get(signal.name, 0.0) + amount.amount
    kwh: dict[Quantity, float] = {}
    watts: dict[Quantity, float] = {}
    for quantity in METERED:
        energies: list[float | None] = []
        powers: list[float | None] = []
        for signal in plant.of(quantity):
            power = fresh.get(signal.name)
            if KIND_OF_UNIT[signal.unit] is Kind.POWER:
                energies.append(None if power is None else power * lived_s / 3.6e6)
            else:
                grain = meters[signal.name].grain if signal.name in meters else math.inf
                coarse, fine = grain > 1.5 * COARSE_KWH, grain < 1.5 * FINE_KWH
                energies.append(None if coarse else counted.get(signal.name, 0.0))
                power = rates_w.get(signal.name) if fine and power is not None else None
            powers.append(power)
        if energies and None not in energies:
            kwh[quantity] = sum(max(energy, 0.0) for energy in filter(None, energies))
        if powers and None not in powers:
            watts[quantity] = sum(filter(None, powers))
    return Metered(meters, rates_w, kwh, watts)
