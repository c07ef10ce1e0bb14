"""Electricity and heat meters: powers summed over lived time, totals counted by what they add."""

from __future__ import annotations

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


@dataclass(frozen=True, slots=True)
class Metered:
    """Meters afterwards, watts of those that count energy, and kWh in this step by quantity.

    A quantity without a signal is missing from kwh and watts; one that says nothing about now
    is missing from watts.
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
        for signal in plant.of(quantity):
            if KIND_OF_UNIT[signal.unit] is Kind.POWER:
                value = fresh.get(signal.name)
                power = value
                energy = 0.0 if value is None else value * lived_s / 3.6e6
            else:
                power = rates_w.get(signal.name) if signal.name in fresh else None
                energy = counted.get(signal.name, 0.0)
            kwh[quantity] = kwh.get(quantity, 0.0) + max(energy, 0.0)
            if power is not None:
                watts[quantity] = watts.get(quantity, 0.0) + power
    return Metered(meters, rates_w, kwh, watts)
