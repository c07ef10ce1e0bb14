"""Electricity and heat meters: powers summed over lived time, totals counted by what they add."""

from __future__ import annotations

from dataclasses import dataclass

from adapters.meters import Meter
from adapters.types import Reading
from adapters.wiring import KIND_OF_UNIT, Kind, Quantity
from service.control.plant import Plant
from service.control.state import Rate

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
RHYTHM_S = 60.0  # within it reports come as they like


@dataclass(frozen=True, slots=True)
class Metered:
    """Meters afterwards, what those that count energy told last, and kWh in this step by quantity.

    A quantity without a signal is missing from kwh and watts, and so is one of which a meter is
    silent, or counts in too large steps.
    """

    meters: dict[str, Meter]
    rates: dict[str, Rate]
    kwh: dict[Quantity, float]
    watts: dict[Quantity, float]


def live(
    meters: dict[str, Meter],
    rates: dict[str, Rate],
    plant: Plant,
    readings: tuple[Reading, ...],
    fresh: dict[str, float],
    elapsed_s: float,
    lived_s: float,
) -> Metered:
    """Count one step of ``lived_s`` seconds, which ends at ``elapsed_s``."""
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
            span_s = amount.to_s - amount.from_s
            rates = {**rates, signal.name: Rate(amount.per_s * 3.6e6, span_s, elapsed_s)}
            # The time in which it was silent for too long has been reckoned without it.
            without_s = max(span_s - signal.stale_after_s - lived_s, 0.0)
            told = amount.amount * (1.0 - without_s / span_s)
            counted[signal.name] = counted.get(signal.name, 0.0) + told
    kwh: dict[Quantity, float] = {}
    watts: dict[Quantity, float] = {}
    for quantity in METERED:
        energies: list[float | None] = []
        powers: list[float | None] = []
        for signal in plant.of(quantity):
            name = signal.name
            energy = power = None
            if name in fresh and KIND_OF_UNIT[signal.unit] is Kind.POWER:
                power = fresh[name]
                energy = power * lived_s / 3.6e6
            elif name in fresh and name in meters and (grain_kwh := meters[name].grain):
                if grain_kwh < 1.5 * COARSE_KWH:
                    energy = counted.get(name, 0.0)
                if grain_kwh < 1.5 * FINE_KWH and name in rates:
                    power = _power_w(rates[name], grain_kwh, elapsed_s)
            energies.append(energy)
            powers.append(power)
        if energies and None not in energies:
            kwh[quantity] = sum(max(energy, 0.0) for energy in filter(None, energies))
        if powers and None not in powers:
            watts[quantity] = sum(filter(None, powers))
    return Metered(meters, rates, kwh, watts)


def _power_w(rate: Rate, grain_kwh: float, elapsed_s: float) -> float:
    """The power of now by a total: what it told last, or what a meter that stands still leaves.

    Many report only when they have counted on: one that is silent for longer than it took before
    has not counted another step since.
    """
    silent_s = elapsed_s - rate.mark_s
    if silent_s <= max(2.0 * rate.span_s, RHYTHM_S):
        return rate.watts
    return min(rate.watts, grain_kwh * 3.6e6 / silent_s)
