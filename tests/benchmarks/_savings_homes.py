"""The homes of the savings benchmark: households, cylinders, tariffs, prices and climates.

Cylinders, tariffs, prices, climates and rules were settled before anything was tuned. Draws come
from the independent generator of the forecast benchmark. Households below 20 are for tuning: the
odd ones of them were once kept for the final figures and have been looked at since, and so have
51 to 73. The next six of those kept back, never lived by the service before, give the final
figures.
Prices and weather are invented and seeded; the price shapes are those of any day-ahead market
with much sun and wind (dear mornings and evenings, cheap nights and middays, some negative hours).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from adapters.types import PriceSeries
from adapters.wiring import Actuator, PriceFeed, Signal
from service.clock import utc
from service.control.types import Draw
from service.scheduling.tariff import Band, Tariff
from service.settings import (
    CylinderWiring,
    HeatPumpWiring,
    HomeSettings,
    HomeWiring,
    ImmersionWiring,
    Tunables,
)
from service.simulation import money
from service.simulation.demo import as_record
from service.simulation.household import TapDraw
from service.simulation.replay import hastened
from service.simulation.weather import Weather
from tests.benchmarks import _forecast_households as households
from tests.benchmarks import _forecast_walk as walk

HABITS_TUNING = (0, 1, 2, 3, 4, 8, 9, 10, 11, 13, 16, 17)
HABITS_FINAL = (75, 77, 79, 81, 83, 85)
HABITLESS = (5, 19)
TARIFFS = ("flat", "night", "hourly", "night and PV")
CLIMATES = ("mild", "cold winters")
VOLUME_L = {1: 150, 2: 180, 3: 210, 4: 250, 5: 300}  # by people
SET_C = 50.0
LOWEST_SET_C = 45.0  # to which the heat pump heats by its own control too
EXPORT_PER_KWH = 0.08
FLAT_PER_KWH = 0.30
NIGHT_PER_KWH, DAY_PER_KWH = 0.16, 0.33
NIGHT_H = (0, 6)
PV_PEAK_W = 4000.0
PUBLISHED_AT_H = 13
HOUR_S, DAY_S = 3600, 86_400
# 2019 lived as 2030, which has the same weekdays, Easter and clock changes: a service that is
# built today rightly refuses to believe a clock that shows 2019.
LATER_S = 4018 * DAY_S
BEGIN_S = walk.BEGIN_S + LATER_S
COLD_C = 12.0  # for counting what earlier draws held


@dataclass(frozen=True)
class Case:
    """One home of the comparison."""

    household: int
    tariff: str
    climate: str


def weather(case: Case) -> Weather:
    """The invented weather around the home."""
    pv = PV_PEAK_W if case.tariff == "night and PV" else 0.0
    if case.climate == "mild":
        return Weather(seed=31, latitude=51, longitude=0, mean_c=11, yearly_swing_k=6, pv_peak_w=pv)
    return Weather(
        seed=32,
        latitude=48,
        longitude=12,
        mean_c=8.5,
        yearly_swing_k=11,
        daily_swing_k=5,
        inlet_mean_c=11,
        inlet_swing_k=5,
        pv_peak_w=pv,
    )


def settings(case: Case, comfort: str = "balanced", *, brief: bool = True) -> HomeSettings:
    """The home as its installer would enter it; no mixing valve is recorded, so that no strategy
    is charged with disinfections. ``brief`` plans as ``ladle replay`` does."""
    plan = households.plan(case.household)
    volume = VOLUME_L[plan.size]
    height = 0.9 + volume / 400.0
    probes = tuple(
        Signal(
            name=f"probe_{n}", measures="probe", topic=f"home/probe/{n}", unit="Cel",
            height_m=round(height * (n - 0.5) / 5, 3),
        )
        for n in range(1, 6)
    )  # fmt: skip
    meters = (
        Signal(name="draw", measures="draw_flow", topic="home/draw", unit="L", place="cold_feed"),
        Signal(name="cold", measures="cold_inlet_temperature", topic="home/cold", unit="Cel"),
        Signal(name="outdoor", measures="outdoor_temperature", topic="home/outdoor", unit="Cel"),
        Signal(name="pump", measures="heat_pump_electricity", topic="home/pump", unit="kWh"),
        Signal(name="element", measures="immersion_electricity", topic="home/element", unit="kWh"),
        Signal(name="import", measures="import_power", topic="home/import", unit="W"),
        Signal(name="export", measures="export_power", topic="home/export", unit="W"),
    )
    wiring = HomeWiring(
        zone="Europe/Berlin",
        country="DE",
        latitude=weather(case).latitude,
        longitude=weather(case).longitude,
        cylinder=CylinderWiring(
            volume_l=volume, height_m=height, thermostat_c=65, cutout_c=80, immersion_height_m=0.15
        ),
        heat_pump=HeatPumpWiring(
            layout="plate", capacity_w=5000, flow_limit_c=60, own_set_c=LOWEST_SET_C
        ),
        immersion=ImmersionWiring(power_w=2000, thermostat_c=62),
        signals=(*probes, *meters),
        actuators=(
            Actuator(
                name="pump_set", source="heat_pump", form="set_temperature", topic="home/pump/set",
                run="{set_c}", rest_c=10, released_by="own_timer",
                released_state="its own control", lease_s=3600,
            ),
            Actuator(
                name="element_power", source="immersion", form="diverter", topic="home/el/permit",
                second_topic="home/el/target", released_by="own_timer", released_state="off",
                lease_s=3600,
            ),
        ),
        price_feeds=(PriceFeed(kind="mqtt", address="home/prices"),)
        if case.tariff == "hourly"
        else (),
    )  # fmt: skip
    found = HomeSettings(
        wiring=wiring,
        tunables=Tunables(
            occupants=plan.size,
            normal_set_c=SET_C,
            lowest_set_c=LOWEST_SET_C,
            reserve_tenths=0,
            comfort=comfort,
            slot_minutes=30,
            replan_every_slots=1,
            tariff=Tariff(bands=_bands(case.tariff), export_per_kwh=EXPORT_PER_KWH),
        ),
    )
    return hastened(found) if brief else found


def _bands(tariff: str) -> tuple[Band, ...]:
    if tariff.startswith("night"):
        return (
            Band(
                import_per_kwh=NIGHT_PER_KWH,
                from_time=f"{NIGHT_H[0]:02}:00",
                until_time=f"{NIGHT_H[1]:02}:00",
            ),
            Band(import_per_kwh=DAY_PER_KWH),
        )
    return (Band(import_per_kwh=FLAT_PER_KWH),)


def day_ahead(case: Case) -> np.ndarray:
    """Price of every hour since the year began, per kWh with grid charges and taxes, shape (n,)."""
    rng = np.random.default_rng([77, CLIMATES.index(case.climate)])
    at = weather(case)
    hours = (households.DAYS + 3) * 24
    moments = BEGIN_S + np.arange(hours) * HOUR_S
    local = np.array([utc(m).astimezone(walk.ZONE).hour for m in moments])
    shape = 0.035 * np.exp(-(((local - 8) / 2.0) ** 2)) + 0.05 * np.exp(
        -(((local - 19) / 2.2) ** 2)
    )
    shape -= 0.015 * ((local < 6) | (local >= 23))
    sun = np.array([at.sun_share(float(m)) for m in moments])
    days = np.repeat(_walk(rng, hours // 24, 0.8, 0.03), 24)
    blowing = _walk(rng, hours, 0.97, 0.004)
    spot = 0.085 + shape - 0.11 * sun + days + blowing
    found: np.ndarray = np.round(spot * 1.19 + 0.16, 5)
    return found


def _walk(rng: np.random.Generator, n: int, keep: float, sd: float) -> np.ndarray:
    values = np.zeros(n)
    for i in range(1, n):
        values[i] = keep * values[i - 1] + sd * rng.normal()
    return values


def price_at(case: Case, home: HomeSettings) -> Callable[[float], tuple[float, float]]:
    """What is really paid at a moment: import and export price per kWh."""
    if case.tariff == "hourly":
        series = day_ahead(case).tolist()

        def hourly(at_s: float) -> tuple[float, float]:
            return series[int(at_s - BEGIN_S) // HOUR_S], EXPORT_PER_KWH

        return hourly
    return money.price_at(home, BEGIN_S, BEGIN_S + households.DAYS * DAY_S)


def feed(case: Case, from_s: float) -> Iterator[tuple[float, PriceSeries]]:
    """Day-ahead prices as they come out: at one in the afternoon for the whole of tomorrow."""
    if case.tariff != "hourly":
        return
    series = day_ahead(case)
    for day in range(households.DAYS + 1):
        midnight = walk.wall_clock_s(np.array([day * 1440, (day + 1) * 1440])) + LATER_S
        out_s = float(midnight[0]) - DAY_S + PUBLISHED_AT_H * HOUR_S
        if out_s < from_s - 8 * DAY_S:
            continue
        starts = np.arange(midnight[0], midnight[1], HOUR_S)
        price = series[(starts - BEGIN_S) // HOUR_S]
        yield (
            out_s,
            PriceSeries(
                tuple(int(s) for s in starts),
                tuple(int(s) + HOUR_S for s in starts),
                tuple(float(p) for p in price),
                out_s,
            ),
        )


def taps(household: int, from_s: float, until_s: float) -> Iterator[TapDraw]:
    """The household's draws that begin in a stretch, in order."""
    h = walk.load(household).history
    a, b = np.searchsorted(h.start_s, [from_s - LATER_S, until_s - LATER_S])
    free_s = 0.0
    for start, seconds, litres in zip(
        h.start_s[a:b], h.duration_s[a:b], h.litres_40c[a:b], strict=True
    ):
        start_s = max(float(start) + LATER_S, free_s)
        free_s = start_s + float(seconds)
        yield TapDraw(start_s, float(litres) / float(seconds) * 60.0, float(seconds))


def before(household: int, until_s: float) -> tuple[Draw, ...]:
    """What a flow meter would have recorded since the year began."""
    return tuple(as_record(t, COLD_C, SET_C) for t in taps(household, BEGIN_S, until_s))
