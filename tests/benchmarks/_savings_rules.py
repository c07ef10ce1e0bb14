"""The fixed rules that the savings benchmark compares with, and the perfect-foresight bound."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.optimize import linprog
from scipy.sparse import coo_array, diags_array, hstack, vstack

from adapters.types import Command
from service.clock import utc
from service.control import plant as plants
from service.settings import HomeSettings
from service.simulation.home import SimulatedHome, Stretch
from service.simulation.replay import cost_of
from service.simulation.weather import Weather

CHECK_S, IDLE_CHECK_S = 300.0, 900.0
LEASE_S = 1800.0
BOUND_SLOT_S = 1800
DEARLY_PER_KWH = 10.0
RULES = ("thermostat", "timer", "PV and thermostat")


class FixedRule:
    """Drives a home by a rule that knows neither the household nor the price.

    thermostat         full again as soon as the probe at half height is 5 K below the set
    timer              full in a fixed window of the night; by day, when the probe near the top
                       falls below 43 degC, reheated until half of the cylinder is hot
    PV and thermostat  the immersion heater takes whatever surplus there is, beside the thermostat
    """

    def __init__(
        self,
        rule: str,
        settings: HomeSettings,
        home: SimulatedHome,
        price_at: Callable[[float], tuple[float, float]],
        night: tuple[int, int],
    ) -> None:
        self.home, self.cost = home, 0.0
        self._rule, self._settings, self._night = rule, settings, night
        self._price_at = price_at
        self._set_c = settings.tunables.normal_set_c
        self._on = False
        self._probes = [s for s in settings.wiring.signals if s.measures == "probe"]
        home.on_stretch = self._pay

    def run(self, until_s: float) -> None:
        """Live up to a moment."""
        home = self.home
        while home.now_s < until_s:
            self._command()
            busy = home.pump.heats or home.element.heats or self._on
            next_s = home.now_s + (CHECK_S if busy else IDLE_CHECK_S)
            home.advance(max(min(next_s, home.next_event_s() + 1.0, until_s), home.now_s + 1.0))

    def _command(self) -> None:
        low, _, middle, _, top = (self.home.base_value(s) for s in self._probes)
        full = low >= self._set_c - 3.0
        if self._rule == "timer":
            hour = utc(self.home.now_s).astimezone(self._settings.wiring.zone_info).hour
            if self._night[0] <= hour < self._night[1]:
                self._on = not full and (self._on or low < self._set_c - 6.0)
            else:
                self._on = top < 43.0 or (self._on and middle < self._set_c - 3.0)
        else:
            self._on = not full and (self._on or middle < self._set_c - 5.0)
        self._say("heat_pump", self._on, self._set_c, None)
        if self._rule == "PV and thermostat":
            at_s = self.home.now_s
            spare_w = self.home.weather.pv_w(at_s) - self.home.base_w - self.home.pump.electricity_w
            self._say("immersion", spare_w > 50.0, None, max(spare_w, 0.0))

    def _say(self, source: str, on: bool, set_c: float | None, power_w: float | None) -> None:
        action = "run" if on else "release"
        self.home.command(source, Command("home", source, action, set_c, power_w, LEASE_S))

    def _pay(self, stretch: Stretch) -> None:
        self.cost += cost_of(stretch, *self._price_at(stretch.from_s))


def bound(
    settings: HomeSettings,
    weather: Weather,
    price_at: Callable[[float], tuple[float, float]],
    draws: np.ndarray,
    from_s: float,
    until_s: float,
) -> tuple[float, float, float]:
    """The best anybody could do who knows every draw: (money, kWh of heat, of electricity).

    A linear programme over half hours on an optimistic store: no mixing, no water below use, only
    the hot part loses heat, sources run for any part of a slot, heat serves the slot it is made
    in, and the store ends as full as it began (half full).

    Args:
        settings: the home.
        weather: its weather.
        price_at: import and export price per kWh at a moment.
        draws: (start s, litres at 40 degC) of each draw, shape (k, 2).
        from_s: begin, s since 1970.
        until_s: end.
    """
    plant, tunables = plants.of(settings), settings.tunables
    starts = np.arange(from_s, until_s, BOUND_SLOT_S)
    n, hours = len(starts), BOUND_SLOT_S / 3600.0
    cold = np.array([weather.cold_inlet_c(s) for s in starts])
    slot = ((draws[:, 0] - from_s) // BOUND_SLOT_S).astype(int)
    litres = np.bincount(slot, draws[:, 1], n)
    wanted_kwh = litres * 1.153e-3 * (40.0 - cold)
    set_c, built = tunables.normal_set_c, settings.wiring
    assert built.heat_pump is not None
    assert built.immersion is not None
    pump = plant.heat_map
    assert pump is not None
    outdoor = np.array([weather.outdoor_c(s) for s in starts])
    limit = np.array([pump.flow_limit_c(t) for t in outdoor])
    flow = np.minimum(set_c + built.heat_pump.approach_k, limit)
    cop, most = pump.cop(outdoor, flow), pump.heat_w(outdoor, flow) / 1000.0 * hours
    element = built.immersion.power_w / 1000.0 * hours
    hottest = max(set_c, built.immersion.thermostat_c)
    volume, kwh_per_lk = built.cylinder.volume_l, 1.145e-3
    full = volume * kwh_per_lk * (hottest - cold)
    loss_kwh = plant.cylinder.loss_w_per_k * (set_c - built.cylinder.ambient_c) / 1000.0 * hours
    keep = 1.0 - loss_kwh / (volume * kwh_per_lk * (set_c - cold))
    prices = np.array([price_at(s + 1.0) for s in starts])
    spare = np.array(
        [max(weather.pv_w(s + BOUND_SLOT_S / 2) - SimulatedHome.base_w, 0.0) for s in starts]
    )
    # variables: heat of the pump, of the element, electricity from the grid, from surplus, heat
    # nobody could have had in time, store
    begin = 0.5 * volume * kwh_per_lk * (set_c - cold[0])
    size = n + 1
    eye = diags_array(np.ones(n))
    stay = coo_array((keep, (np.arange(n), np.arange(n))), shape=(n, size))
    goes = coo_array((np.ones(n), (np.arange(n), np.arange(1, size))), shape=(n, size))
    nothing = coo_array((n, n))
    heat_rows = hstack([-eye, -eye, nothing, nothing, -eye, goes - stay])
    power_rows = hstack([diags_array(1.0 / cop), eye, -eye, -eye, nothing, coo_array((n, size))])
    ends = np.full(size, np.inf)
    ends[:n] = full
    ends[0] = ends[-1] = begin
    floors = np.zeros(size)
    floors[0] = floors[-1] = begin
    low = np.concatenate([np.zeros(5 * n), floors])
    high = np.concatenate(
        [
            most,
            np.full(n, element),
            np.full(n, np.inf),
            spare / 1000.0 * hours,
            np.full(n, np.inf),
            ends,
        ]
    )
    money = np.concatenate(
        [np.zeros(2 * n), prices[:, 0], prices[:, 1], np.full(n, DEARLY_PER_KWH), np.zeros(size)]
    )
    found = linprog(
        money,
        A_eq=vstack([heat_rows, power_rows]).tocsr(),
        b_eq=np.concatenate([-wanted_kwh, np.zeros(n)]),
        bounds=np.column_stack([low, high]),
        method="highs",
    )
    if found.status != 0:
        raise RuntimeError(f"the bound could not be solved: {found.message}")
    in_time = found.x[4 * n : 5 * n].sum() * DEARLY_PER_KWH
    heat_kwh, electricity_kwh = found.x[: 2 * n].sum(), found.x[2 * n : 4 * n].sum()
    return float(found.fun) - float(in_time), float(heat_kwh), float(electricity_kwh)
