"""A simulated home built from a home's own wiring: what is written is what is fitted."""

from __future__ import annotations

import math
from collections.abc import Iterator

from adapters.wiring import Quantity
from service.clock import in_span, second_of, second_of_day, utc
from service.control import plant as control_plant
from service.control.circulation import HOT_C
from service.cylinder.water import flow_w_per_k
from service.settings import HomeSettings, span_of_day
from service.simulation.home import TAP_C, HeatPumpPlant, Loop, SimulatedHome
from service.simulation.household import TapDraw
from service.simulation.tank import Build, OurTank, Tank
from service.simulation.weather import Weather

DAY_S = 86_400
JUST_S = 1e-3  # a stretch ends a rounding error before a pump's timer switches
# What a secondary return loses: 40 m of lagged pipe, 10 W/m at 35 K (common practice, no source).
LOOP_W_PER_K = 400.0 / 35.0
START_C = (18.0, 25.0, 40.0, 48.0)  # bottom up: part charged


def build_of(settings: HomeSettings, start_c: tuple[float, ...] = START_C) -> Build:
    """The tank to build: measured at the probes, then where the plant's own sensors sit."""
    home = settings.wiring
    built, pump = home.cylinder, home.heat_pump
    heights = [s.height_m or built.height_m / 2 for s in home.signals_of(Quantity.PROBE)]
    if pump is not None:
        heights.append(pump.own_sensor_height_m or built.height_m * 0.6)
        heights.append(built.height_m * 0.06)
    return Build(
        cylinder=control_plant.of(settings).cylinder,
        start_c=start_c,
        heights_m=tuple(heights),
        coil_m=(built.coil_foot_m or 0.1, built.coil_head_m or built.height_m * 0.4),
        element_m=built.immersion_height_m or built.height_m * 0.2,
        return_m=built.secondary_return_m or 0.0,
    )


def home_of(
    settings: HomeSettings,
    draws: Iterator[TapDraw],
    weather: Weather,
    now_s: float,
    tank: Tank | None = None,
) -> SimulatedHome:
    """The simulated home that these settings describe; ``tank`` may be a stranger's."""
    home = settings.wiring
    pump = home.heat_pump
    plant = None
    if pump is not None:
        heat_map = control_plant.heat_pump(pump)
        plant = HeatPumpPlant(
            capacity_w=lambda outdoor_c, flow_c: float(heat_map.heat_w(outdoor_c, flow_c)),
            cop=lambda outdoor_c, flow_c: float(heat_map.cop(outdoor_c, flow_c)),
            layout=pump.layout,
            charging_l_per_min=pump.charging_pump_l_per_min,
            approach_k=pump.approach_k,
            flow_limit_c=heat_map.flow_limit_c,
            own_set_c=pump.own_set_c or settings.tunables.normal_set_c,
            own_restart_k=pump.own_restart_k,
        )
    return SimulatedHome(
        tank=tank or OurTank(build_of(settings)),
        weather=weather,
        draws=draws,
        now_s=now_s,
        probe_names=tuple(s.name for s in home.signals_of(Quantity.PROBE)),
        heat_pump=plant,
        immersion_w=home.immersion.power_w if home.immersion else 0.0,
        immersion_stop_c=home.immersion.thermostat_c if home.immersion else 65.0,
        ambient_c=home.cylinder.ambient_c,
        grid_both_ways=not home.signals_of(Quantity.EXPORT_POWER),
        line_c=max(home.cylinder.mixing_valve_c or TAP_C, TAP_C),
        loop=_loop_of(settings),
    )


def _loop_of(settings: HomeSettings) -> Loop | None:
    """The secondary return that runs by its timer; None where height or hours are unknown."""
    home = settings.wiring
    built, zone = home.cylinder, home.zone_info
    if built.secondary_return_m is None or not built.secondary_return_hours:
        return None
    spans = [span_of_day(hours) for hours in built.secondary_return_hours]
    edges = {second_of(clock) % DAY_S for span in spans for clock in span}

    def runs(at_s: float) -> tuple[bool, float]:
        second = second_of_day(utc(at_s + JUST_S).astimezone(zone))
        lasts_s = min((edge - second) % DAY_S or DAY_S for edge in edges)
        return any(in_span(second, *span) for span in spans), lasts_s + JUST_S

    l_per_min = built.secondary_return_l_per_min
    lost = math.exp(-LOOP_W_PER_K / flow_w_per_k(l_per_min, HOT_C))
    return Loop(runs, l_per_min, 1.0 - lost)
