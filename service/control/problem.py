"""The scheduling problem of one home at one moment, from settings, forecasts and the plant."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

import numpy as np

from adapters.types import PriceSeries
from adapters.wiring import Form
from forecasting.calendar import local_days
from forecasting.types import Floats, Ints, SlotGrid
from service.clock import in_span
from service.control import plant as plants
from service.control.planning import PlanArguments
from service.control.plant import Plant, SourcePlant
from service.cylinder import usable
from service.scheduling import comfort, tariff
from service.scheduling.types import (
    Disinfection,
    Layout,
    Limits,
    Prices,
    Problem,
    Raise,
    Source,
    SourceName,
    Store,
)
from service.settings import HomeWiring

# What a start wastes: 6 L of pipes, plates and condenser warmed by 30 K, at a COP of 3.5.
START_KWH = 0.06
MOMENT_S = 60  # a charge by a time is asked for in the slot that holds or begins with it
SURPLUS_SHARE = 0.7  # what may only take surplus runs when this share of its power is surplus


def build(a: PlanArguments) -> Problem:
    """Everything a plan depends on.

    Raises:
        ValueError: when there is no heat source that may be used.
    """
    settings, t = a.settings, a.settings.tunables
    plant = plants.of(settings)
    grid, n = _from_now(a.demand.grid, a.now_s), len(a.demand.grid)
    cold_c = float(np.mean(a.surroundings.cold_inlet_c[: max(n // 2, 1)]))
    set_c = plant.set_c
    volumes = plant.cylinder.layer_volumes_l(plants.LAYERS)
    full = np.full(plants.LAYERS, set_c)
    store = Store(
        reference_l40=plant.reference_l40,
        capacity_l40=float(usable.v40_l(full, volumes, cold_c)),
        volume_l=plant.cylinder.volume_l,
        set_c=set_c,
        use_c=settings.wiring.cylinder.use_c,
        cold_c=cold_c,
        ambient_c=a.ambient_c,
        loss_w_per_k=a.loss_w_per_k,
        border_l40_per_h=plant.border_l40_per_h,
    )
    surplus_w = _on_grid(a.surroundings.surplus_w, n)
    prices = _prices(a, grid, surplus_w)
    sources = tuple(
        _source(a, grid, plant, source, prices)
        for name, source in plant.sources.items()
        if name not in a.unavailable
    )
    if not sources:
        raise ValueError("no heat source is commanded by an actuator, so nothing can be planned")
    bought = np.min([_heat_price(s, prices) for s in sources], axis=0)
    limits = Limits(
        highest_l40=plant.litres(t.highest_tenths),
        raises=_raises(a, store.capacity_l40),
        power_w=None if t.power_limit_w is None else np.full(n, t.power_limit_w),
        disinfection=None
        if a.disinfect_by_s is None
        else Disinfection(
            due_s=a.disinfect_by_s,
            not_before_s=a.disinfect_from_s,
            set_c=a.disinfect_to_c,
            hold_s=a.disinfect_hold_s,
            least_c=a.disinfect_least_c,
            sources=tuple(s.name for s in sources if _heats_lowest(plant, s.name)),
        ),
    )
    return Problem(
        grid=grid,
        demand=a.demand,
        prices=prices,
        sources=sources,
        store=store,
        now=a.state_now,
        limits=limits,
        shortage_price_per_l40=comfort.shortage_price(
            t.comfort, store, float(bought.mean()), float(bought.max())
        ),
        surplus_measured=plant.tells_surplus,
    )


def _heat_price(source: Source, prices: Prices) -> Floats:
    """Money per kWh of heat bought from the grid in each slot, its carbon included, shape (n,)."""
    price = np.maximum(prices.grid_per_kwh, 0.0)
    paid: Floats = source.electricity_w / source.heat_w * price
    return paid


def _from_now(grid: SlotGrid, now_s: int) -> SlotGrid:
    """The slots with what is left of the first one: no heat can be made in the past."""
    if not grid.start_s[0] < now_s < grid.end_s[0]:
        return grid
    return SlotGrid(np.append(np.int64(now_s), grid.start_s[1:]), grid.end_s)


def _heats_lowest(plant: Plant, name: SourceName) -> bool:
    """Whether a source heats the water at the lowest probe that must measure a disinfection."""
    lowest = plant.hygiene_probes
    return bool(lowest) and plant.sources[name].foot_m <= lowest[0].height_m


def _source(
    a: PlanArguments, grid: SlotGrid, plant: Plant, source: SourcePlant, prices: Prices
) -> Source:
    n, t = len(grid), a.settings.tunables
    set_c, claim = plant.set_c, None
    if source.name == "heat_pump":
        wiring, pump = a.settings.wiring.heat_pump, plant.heat_map
        assert wiring is not None
        assert pump is not None
        pump = pump.corrected(a.performance.heat, a.performance.cop)
        outdoor = _on_grid(a.surroundings.outdoor_c, n)
        limit = pump.flow_limits_c(outdoor)
        # Most of a charge is made at the lowest set temperature, see rules.
        made_c = set_c if source.layout is Layout.COIL else plant.lowest_set_c
        flow = np.minimum(plant.charging_flow_c(made_c), limit)
        heat = pump.heat_w(outdoor, flow)
        electricity = heat / pump.cop(outdoor, flow)
        store_c = np.minimum(limit - wiring.approach_k, plant.ceiling_c)
        zone = a.settings.wiring.zone_info
        second, last = (local_days(at_s, zone)[1] for at_s in (grid.start_s, grid.end_s - 1))
        # Quiet in part is quiet: what cannot be made is not counted on.
        quiet = [in_span(x, t.quiet_from, t.quiet_until) for x in (second, last)]
        available = ~(quiet[0] | quiet[1])
        claim = _claim_per_h(a, second, outdoor)
        start_cost = START_KWH * float(np.mean(np.maximum(prices.grid_per_kwh, 0.0)))
    else:
        heat = np.full(n, source.heat_w)
        electricity = np.full(n, source.electricity_w)
        store_c = np.full(n, min(source.limit_c, plant.ceiling_c))
        available = np.ones(n, bool)
        start_cost = 0.0
    if source.actuator(surplus=False) is None:  # only terminals that may take surplus
        surplus = _on_grid(a.surroundings.surplus_w, n)
        available = available & (surplus >= SURPLUS_SHARE * electricity)
    diverter = next((x for x in source.actuators if x.form is Form.DIVERTER), None)
    return Source(
        name=source.name,
        layout=source.layout,
        heat_w=heat,
        electricity_w=electricity,
        store_c=store_c,
        available=available,
        start_cost=start_cost,
        min_run_s=source.min_run_s,
        min_rest_s=source.min_rest_s,
        claim_per_h=claim,
        heats_from=source.foot,
        modulates=diverter is not None,
        min_power_w=diverter.min_power_w if diverter is not None else 0.0,
    )


def _on_grid(values: Floats, n: int) -> Floats:
    """A series cut or continued to n slots (surroundings share the forecast's grid)."""
    if len(values) >= n:
        return np.asarray(values[:n], np.float64)
    return np.concatenate([values, np.full(n - len(values), values[-1] if len(values) else 0.0)])


def _claim_per_h(a: PlanArguments, second: Ints, outdoor_c: Floats) -> Floats | None:
    """What it costs to take the heat pump from space heating for an hour, shape (n,)."""
    t = a.settings.tunables.space_heating
    if t.claim_per_h <= 0.0:
        return None
    held = np.ones(len(second), bool)
    if t.from_time and t.until_time:
        held = in_span(second, t.from_time, t.until_time)
    return np.where(held & (outdoor_c < t.below_c), t.claim_per_h, 0.0)


def _raises(a: PlanArguments, capacity_l40: float) -> tuple[Raise, ...]:
    """Equal reserves of neighbouring slots joined, and charges wanted by a time."""
    grid = a.demand.grid
    raises: list[Raise] = []
    begin = 0
    n = len(grid)
    for i in range(1, n + 1):
        if (
            i == n
            or a.reserve_l40[i] != a.reserve_l40[begin]
            or a.reserve_why[i] != a.reserve_why[begin]
        ):
            level = min(float(a.reserve_l40[begin]), capacity_l40)
            if level > 0:
                why = _why(a.reserve_why[begin])
                raises.append(Raise(int(grid.start_s[begin]), int(grid.end_s[i - 1]), level, why))
            begin = i
    for by_s, level in a.charge_to:
        if a.now_s < by_s <= int(grid.end_s[-1]):
            raises.append(Raise(by_s, by_s + MOMENT_S, min(level, capacity_l40), "override"))
    return tuple(raises)


def _why(word: str) -> Literal["override", "guests", "reserve", "manager"]:
    return "override" if word == "override" else "guests" if word == "guests" else "reserve"


def feeds(wired: HomeWiring, series: Iterable[PriceSeries]) -> tariff.Feeds:
    """What a home's feeds have delivered, one series for each kind."""
    arrived = {p.of: _series(p) for p in series}
    return tariff.Feeds(
        tell_imports=any(f.of == "import" for f in wired.price_feeds),
        imports=arrived.get("import"),
        exports=arrived.get("export"),
        carbon=arrived.get("carbon"),
    )


def _prices(a: PlanArguments, grid: SlotGrid, surplus_w: Floats) -> Prices:
    wired = a.settings.wiring
    return tariff.prices(
        a.settings.tunables.tariff,
        feeds(wired, a.prices),
        grid,
        wired.zone_info,
        a.now_s,
        np.maximum(surplus_w, 0.0),
    )


def _series(p: PriceSeries) -> tariff.Series:
    start, end = np.array(p.start_s, np.int64), np.array(p.end_s, np.int64)
    return tariff.Series(start, end, np.array(p.per_kwh, np.float64))
