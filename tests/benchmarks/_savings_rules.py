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
    in, and the store ends as full as it began (half full). The plant is the home's: a heat pump
    draws its whole power for whatever part of a slot it runs, so surplus covers at most that part
    of its share, and it fills the store to the set temperature with as little electricity as the
    lowest one takes; hotter is the element's alone.

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
    set_c, low_c, built = tunables.normal_set_c, plant.lowest_set_c, settings.wiring
    assert built.heat_pump is not None
    assert built.immersion is not None
    pump = plant.heat_map
    assert pump is not None
    outdoor = np.array([weather.outdoor_c(s) for s in starts])
    limit = pump.flow_limits_c(outdoor)
    flow = np.minimum(low_c + built.heat_pump.approach_k, limit)
    cop, most = pump.cop(outdoor, flow), pump.heat_w(outdoor, flow) / 1000.0 * hours
    element = built.immersion.power_w / 1000.0 * hours
    volume, kwh_per_lk = built.cylinder.volume_l, 1.145e-3
    full = volume * kwh_per_lk * (set_c - cold)
    hotter = volume * kwh_per_lk * max(built.immersion.thermostat_c - set_c, 0.0)
    loss_kwh = plant.cylinder.loss_w_per_k * (low_c - built.cylinder.ambient_c) / 1000.0 * hours
    lost = loss_kwh / (volume * kwh_per_lk * (low_c - cold))
    prices = np.array([price_at(s + 1.0) for s in starts])
    spare_kwh = (
        hours
        / 1000.0
        * np.array(
            [max(weather.pv_w(s + BOUND_SLOT_S / 2) - SimulatedHome.base_w, 0.0) for s in starts]
        )
    )
    covered = np.minimum(spare_kwh * cop / most, 1.0)
    pump_price = (covered * prices[:, 1] + (1.0 - covered) * prices[:, 0]) / cop
    # variables per slot: heat of the pump, of the element from the grid, of the element from
    # surplus, heat nobody could have had in time, what use takes of the element's heat; and at
    # each slot's start and the end: the store, and what of it is the element's
    begin = 0.5 * full[0]
    size = n + 1
    eye, nothing = diags_array(np.ones(n)), coo_array((n, n))
    places = np.arange(n)
    now = coo_array((np.ones(n), (places, places)), shape=(n, size))
    fades = coo_array((1.0 - lost, (places, places)), shape=(n, size))
    changes = coo_array((np.ones(n), (places, places + 1)), shape=(n, size)) - fades
    apart = coo_array((n, size))
    equal = [
        [-eye, -eye, -eye, -eye, nothing, changes, apart],
        [nothing, -eye, -eye, nothing, eye, apart, changes],
    ]
    at_most = [
        [diags_array(covered / cop), nothing, eye, nothing, nothing, apart, apart],
        [nothing, eye, eye, nothing, nothing, apart, apart],
        [nothing, nothing, nothing, nothing, nothing, now, -now],
    ]
    low, high = np.zeros(5 * n + 2 * size), np.full(5 * n + 2 * size, np.inf)
    high[:n] = most
    store, of_element = 5 * n, 5 * n + size
    high[store : store + n] = full + hotter
    for end in (store, store + n):
        low[end] = high[end] = begin
    high[of_element] = 0.0
    money = np.zeros(len(high))
    money[:n], money[n : 2 * n], money[2 * n : 3 * n] = pump_price, prices[:, 0], prices[:, 1]
    money[3 * n : 4 * n] = DEARLY_PER_KWH
    found = linprog(
        money,
        A_ub=vstack([hstack(row) for row in at_most]).tocsr(),
        b_ub=np.concatenate([spare_kwh, np.full(n, element), full]),
        A_eq=vstack([hstack(row) for row in equal]).tocsr(),
        b_eq=np.concatenate([-wanted_kwh, np.zeros(n)]),
        bounds=np.column_stack([low, high]),
        method="highs",
    )
    if found.status != 0:
        raise RuntimeError(f"the bound could not be solved: {found.message}")
    pump_kwh, grid_kwh, surplus_kwh, late_kwh = found.x[: 4 * n].reshape(4, n)
    heat_kwh = found.x[: 3 * n].sum()
    electricity_kwh = (pump_kwh / cop + grid_kwh + surplus_kwh).sum()
    in_time = late_kwh.sum() * DEARLY_PER_KWH
    return float(found.fun) - float(in_time), float(heat_kwh), float(electricity_kwh)
