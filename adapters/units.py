"""Conversion of what payloads carry to base units: degC, L/min, L, W, kWh, 0/1.

Factors are exact by definition: 0 degC = 273.15 K, 1 kWh = 3.6 MJ (SI brochure, 9th edition).
Limits are what the quantity can physically be in a home, wide enough for every sound instrument.
"""

from __future__ import annotations

from adapters.wiring import KIND_OF_UNIT, Kind, Quantity, Unit

_FACTOR: dict[Unit, float] = {
    "L/min": 1.0,
    "L/h": 1 / 60,
    "L/s": 60.0,
    "m3/h": 1000 / 60,
    "L": 1.0,
    "m3": 1000.0,
    "W": 1.0,
    "kW": 1000.0,
    "kWh": 1.0,
    "Wh": 0.001,
    "J": 1 / 3.6e6,
    "contact": 1.0,
}

# SenML units (RFC 8428, section 12.1, and RFC 8798 for secondary ones) that we know, with ours.
SENML_UNITS: dict[str, tuple[Unit, float]] = {
    "Cel": ("Cel", 1.0),
    "K": ("K", 1.0),
    "W": ("W", 1.0),
    "kW": ("kW", 1.0),
    "J": ("J", 1.0),
    "Wh": ("Wh", 1.0),
    "kWh": ("kWh", 1.0),
    "l": ("L", 1.0),
    "m3": ("m3", 1.0),
    "l/s": ("L/s", 1.0),
    "m3/s": ("L/s", 1000.0),
    "/": ("contact", 1.0),
}

BASE_UNIT: dict[Kind, str] = {
    Kind.TEMPERATURE: "degC",
    Kind.FLOW: "L/min",
    Kind.VOLUME: "L",
    Kind.POWER: "W",
    Kind.ENERGY: "kWh",
    Kind.CONTACT: "",
}

_LIMITS_OF_KIND: dict[Kind, tuple[float, float]] = {
    Kind.TEMPERATURE: (-20.0, 120.0),
    Kind.FLOW: (0.0, 200.0),
    Kind.VOLUME: (0.0, 1e9),
    Kind.POWER: (-100_000.0, 100_000.0),
    Kind.ENERGY: (0.0, 1e8),
    Kind.CONTACT: (0.0, 1.0),
}

_LIMITS_OF_QUANTITY: dict[tuple[Quantity, Kind], tuple[float, float]] = {
    (Quantity.OUTDOOR_TEMPERATURE, Kind.TEMPERATURE): (-60.0, 60.0),
    (Quantity.AMBIENT_TEMPERATURE, Kind.TEMPERATURE): (-40.0, 80.0),
    (Quantity.COLD_INLET_TEMPERATURE, Kind.TEMPERATURE): (-5.0, 70.0),
    # a meter at rest may read a few watts below zero; a defrost takes heat back
    (Quantity.HEAT_PUMP_ELECTRICITY, Kind.POWER): (-50.0, 50_000.0),
    (Quantity.HEAT_PUMP_HEAT, Kind.POWER): (-30_000.0, 100_000.0),
    (Quantity.IMMERSION_ELECTRICITY, Kind.POWER): (-50.0, 20_000.0),
}


def to_base(value: float, unit: Unit, litres_per_pulse: float | None = None) -> float:
    """``value`` in the base unit of its kind."""
    if unit == "Cel":
        return value
    if unit == "K":
        return value - 273.15
    if unit == "degF":
        return (value - 32.0) / 1.8
    if unit == "pulse":
        return value * (litres_per_pulse or 1.0)
    return value * _FACTOR[unit]


def limits(quantity: Quantity, unit: Unit) -> tuple[float, float]:
    """The least and greatest value, in the base unit, that is taken for ``quantity``."""
    kind = KIND_OF_UNIT[unit]
    return _LIMITS_OF_QUANTITY.get((quantity, kind), _LIMITS_OF_KIND[kind])
