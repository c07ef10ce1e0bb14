"""The home's plant as control needs it, worked out once from the settings.

Ceiling, tenths, probes by height, and for each heat source: how it reaches the water, how hot it
can get it, below which height it heats nothing, and which actuators command it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

import numpy as np

from adapters.wiring import Actuator, Form, Quantity, Signal
from service.cylinder import geometry, model, tenths, usable
from service.cylinder.drive import Drive
from service.cylinder.geometry import Cylinder
from service.cylinder.sources import Duty, HeatPump, RatingPoint, default_heat_pump
from service.cylinder.water import flow_w_per_k, heat_kwh
from service.scheduling.types import Layout, SourceName
from service.settings import HeatPumpWiring, HomeSettings, HomeWiring

CEILING_BELOW_THERMOSTAT_K = 2.0
DISINFECTION_BELOW_CEILING_K = 1.0  # room for what a heater still gives when it is released
DISINFECTION_MARGIN_K = 1.5  # heated this much beyond, so that the probe holds its temperature
LAYERS = 40
NEAR_FOOT_SHARE = 0.15  # of the height: a probe this close above a source's foot
KWH_PER_LK = 1.15e-3  # heat in a litre of hot stored water, by its temperature
COIL_FROM_C = 30.0  # a coil's flow follows the water it heats, from about here to the set
MILD_C = 7.0  # outdoors
WARM_C = 10.0  # outdoors: from here on the heat pump makes its hottest flow
OUTDOORS_C = (-20.0, -10.0, 0.0, 10.0, 20.0, 30.0)  # where a heat pump's least power is looked for
BORDER_S = 43_200.0
CALL_MARGIN_K = 0.5  # an own sensor must be this much colder than needed to count on a start

T = TypeVar("T")


@dataclass(frozen=True)
class OwnControl:
    """A heat pump's own hot-water control, which has the last word on when it runs.

    level            share of the volume below its sensor
    set_c            what it heats to by itself, degC
    calls_below_c    released, it starts by itself, at any price, when its sensor is colder, degC
    answers_below_c  called, it starts if its sensor is colder than this, degC
    kept_quiet       it does not start by itself between charges: it rests, or has its own timer
    written          its set temperature is written to it; else it is merely called
    """

    level: float
    set_c: float
    calls_below_c: float
    answers_below_c: float
    kept_quiet: bool
    written: bool


@dataclass(frozen=True)
class Probe:
    """One temperature probe in the cylinder."""

    name: str
    height_m: float
    stale_after_s: float


@dataclass(frozen=True)
class SourcePlant:
    """One heat source.

    foot              share of the volume below it, which stays unheated
    charging_l_per_min  of a charging pump whose flow is fixed. Such a plate exchanger returns water
                      only so much warmer than it came, so nothing hot is laid on top: it warms the
                      store as a coil at the floor does, and that is its ``layout``. None: the flow
                      is set so that hot water returns, or there is no such pump
    """

    name: SourceName
    layout: Layout
    limit_c: float  # the hottest water it can make
    heat_w: float  # a usual figure, for how long something takes
    electricity_w: float
    foot: float
    foot_m: float
    min_run_s: float
    min_rest_s: float
    starts_per_hour: int
    actuators: tuple[Actuator, ...]
    charging_l_per_min: float | None = None

    def actuator(self, surplus: bool) -> Actuator | None:
        """The actuator that may be used to charge, or to take surplus."""
        if surplus:
            for_surplus = [a for a in self.actuators if a.form is Form.DIVERTER or a.surplus_only]
            return next(iter((*for_surplus, *self.actuators)), None)
        return next((a for a in self.actuators if may_charge(a)), None)


def may_charge(actuator: Actuator) -> bool:
    """Whether an actuator may be used to charge at any hour.

    Smart-grid terminals act on the whole heat pump: only when somebody confirmed at
    commissioning that its states affect hot water alone.
    """
    if actuator.surplus_only:
        return False
    return actuator.form is not Form.TERMINALS or bool(actuator.hot_water_alone_confirmed_by)


STIRRED_SHARE = 0.1  # of a cylinder, by entering cold water; common practice, no source


@dataclass(frozen=True)
class Plant:
    """Everything control derives from one home's settings."""

    settings: HomeSettings
    zone: ZoneInfo
    cylinder: Cylinder
    reference_l40: float
    ceiling_c: float
    set_c: float
    lowest_set_c: float  # enough for a small charge; set_c where less is not allowed or not written
    probes: tuple[Probe, ...]  # from the bottom up
    sources: dict[SourceName, SourcePlant]
    signals: dict[str, Signal]
    memo: dict[str, Any] = field(default_factory=dict, compare=False, repr=False)

    def remembered(self, name: str, work_out: Callable[[], T]) -> T:
        """Something that follows from the settings alone, worked out once."""
        if name not in self.memo:
            self.memo[name] = work_out()
        found: T = self.memo[name]
        return found

    @cached_property
    def believed(self) -> Cylinder:
        """The cylinder as its estimate begins: what no one said its inlet stirs is learned.

        Not by a single probe, which cannot tell stirred water from drawn.
        """
        if self.settings.wiring.cylinder.inlet_stirs_l is not None or len(self.probes) < 2:
            return self.cylinder
        return replace(self.cylinder, inlet_mixing_l=STIRRED_SHARE * self.cylinder.volume_l)

    @cached_property
    def heat_map(self) -> HeatPump | None:
        """What the heat pump gives at any temperatures; None without one."""
        wiring = self.settings.wiring.heat_pump
        return None if wiring is None else heat_pump(wiring)

    def duty(self, outdoor_c: float | None, flow_c: float | None = None) -> Duty | None:
        """What the heat pump does by its rating points; None without one.

        A mild day is taken where nothing measures the outdoor temperature, and the flow that it
        takes to make the normal set temperature where none is given: the mean of a charge where
        the charging pump's flow is fixed.
        """
        wiring, pump = self.settings.wiring.heat_pump, self.heat_map
        if wiring is None or pump is None:
            return None
        outdoor = round(MILD_C if outdoor_c is None else outdoor_c)
        if flow_c is None and wiring.charging_pump_l_per_min is not None:
            flow_c = self.charging_flow_c(self.set_c)
        asked = self.set_c + wiring.approach_k if flow_c is None else round(flow_c)
        return self.remembered(
            f"duty/{outdoor}/{asked:g}",
            lambda: pump.at(outdoor, min(asked, pump.flow_limit_c(outdoor))),
        )

    def charging_flow_c(self, set_c: float) -> float:
        """The heat pump's mean flow in a charge to ``set_c``, degC, if it gets so hot.

        What lays nothing hot on top, a coil or a charging pump of fixed flow, has the flow follow
        the water it heats, from about COIL_FROM_C on.
        """
        wiring = self.settings.wiring.heat_pump
        assert wiring is not None
        if self.sources["heat_pump"].layout is Layout.COIL:
            set_c = (COIL_FROM_C + set_c) / 2.0
        return set_c + wiring.approach_k

    def following_flow_c(
        self, source: SourcePlant, bottom_c: float, outdoor_c: float | None
    ) -> float:
        """The heat pump's flow where a charging pump of fixed flow brings water at ``bottom_c``."""
        wiring = self.settings.wiring.heat_pump
        assert wiring is not None
        assert source.charging_l_per_min is not None
        w_per_k = flow_w_per_k(source.charging_l_per_min, bottom_c)
        rise_k = self.heat_w(source, outdoor_c) / w_per_k
        return max(bottom_c + rise_k + wiring.approach_k, COIL_FROM_C)

    def reached_by(self, source: SourcePlant) -> tuple[Probe, ...]:
        """The probes that a source heats: those at its foot or above, from the bottom up."""
        return tuple(p for p in self.probes if p.height_m >= source.foot_m)

    def near_foot(self, source: SourcePlant, probe: Probe) -> bool:
        """Whether a probe that a source heats tells of the water where the source begins."""
        return probe.height_m <= source.foot_m + NEAR_FOOT_SHARE * self.cylinder.height_m

    def heat_w(self, source: SourcePlant, outdoor_c: float | None) -> float:
        """Heat a source usually gives, W: a heat pump at this outdoor temperature."""
        usual = self.duty(outdoor_c) if source.name == "heat_pump" else None
        return source.heat_w if usual is None else usual.heat_w

    def reach_c(self, source: SourcePlant, outdoor_c: float | None) -> float:
        """The hottest water a source can make now: a heat pump's falls with the outdoor air."""
        wiring, pump = self.settings.wiring.heat_pump, self.heat_map
        if source.name != "heat_pump" or wiring is None or pump is None or outdoor_c is None:
            return source.limit_c
        return min(source.limit_c, pump.flow_limit_c(outdoor_c) - wiring.approach_k)

    def returned_c(
        self, set_c: float | None, outdoor_c: float | None, flow_c: float | None
    ) -> float | None:
        """What the heat pump returns to the store when asked for ``set_c``, degC; None without one.

        As far as it gets, and no hotter than its measured flow less the exchanger's approach:
        where the charging pump's flow is fixed, that is how hot now and not how hot at most.
        """
        source, wiring = self.sources.get("heat_pump"), self.settings.wiring.heat_pump
        if source is None or wiring is None:
            return None
        bounds = [self.reach_c(source, outdoor_c)]
        if set_c is not None:
            bounds.append(set_c)
        if flow_c is not None and source.charging_l_per_min is None:
            bounds.append(flow_c - wiring.approach_k)
        return min(bounds)

    @cached_property
    def border_l40_per_h(self) -> float:
        """Usable water that cools below use where hot borders on cold, litres at 40 degC an hour.

        By the cylinder's own model: half full and left alone for half a day, beyond what standing
        loss takes from a full one as long. It hardly depends on how much is hot.
        """
        colder_c = usable.REFERENCE_COLD_C
        lost_l40 = []
        for hot_share in (0.5, 1.0):
            hot = np.arange(LAYERS) >= LAYERS * (1.0 - hot_share)
            begin = model.start(self.cylinder, np.where(hot, self.set_c, colder_c))
            ambient_c = self.settings.wiring.cylinder.ambient_c
            drive = Drive(cold_c=colder_c, ambient_c=ambient_c)
            end, _ = model.advance(self.cylinder, begin, drive, BORDER_S)
            lost_l40.append(begin.usable_l(colder_c) - end.usable_l(colder_c))
        half, full = lost_l40
        return max(half - 0.5 * full, 0.0) / (BORDER_S / 3600.0)

    def cools_h(self, from_c: float, to_c: float) -> float:
        """Hours in which a cylinder full at ``from_c`` cools to ``to_c``, left alone.

        Newton's law of cooling with the cylinder's standing loss; for ever down to the ambient
        temperature.
        """
        built = self.settings.wiring.cylinder
        from_k, to_k = from_c - built.ambient_c, to_c - built.ambient_c
        if to_k <= 0.0:
            return math.inf
        wh_per_k = 1000.0 * heat_kwh(built.volume_l, built.use_c + 1.0, built.use_c, built.use_c)
        return wh_per_k / self.cylinder.loss_w_per_k * math.log(max(from_k / to_k, 1.0))

    @cached_property
    def lowest_lasts_h(self) -> float:
        """Hours in which a cylinder full at the lowest set temperature cools to use."""
        return self.cools_h(self.lowest_set_c, self.settings.wiring.cylinder.use_c)

    @property
    def own_set_c(self) -> float:
        """What the heat pump's own control heats to, degC; the usual temperature if unsaid."""
        pump = self.settings.wiring.heat_pump
        return self.set_c if pump is None or pump.own_set_c is None else pump.own_set_c

    @cached_property
    def own_control(self) -> OwnControl | None:
        """What the heat pump's own control decides, as far as it is known; None where it is not.

        It starts only when its sensor is its restart differential below its set temperature: the
        one written to it, as hot as ceiling and source allow, or its own where it is merely
        called. Released it does the same by itself, unless it rests at a low set temperature or
        follows a timer of its own.
        """
        pump, source = self.settings.wiring.heat_pump, self.sources.get("heat_pump")
        if pump is None or source is None or pump.own_sensor_height_m is None:
            return None
        written = Form.SET_TEMPERATURE in pump_forms(self.settings.wiring)
        called_c = min(source.limit_c, self.ceiling_c) if written else source.limit_c
        rests = any(a.rest_c is not None for a in source.actuators)
        return OwnControl(
            level=self.level(pump.own_sensor_height_m),
            set_c=self.own_set_c,
            calls_below_c=self.own_set_c - pump.own_restart_k,
            answers_below_c=called_c - pump.own_restart_k - CALL_MARGIN_K,
            kept_quiet=rests or bool(pump.own_timer),
            written=written,
        )

    def least_power_w(self, source: SourcePlant) -> float:
        """The least electricity a source runs on, W: a heat pump at the mildest."""
        if source.name == "heat_pump":
            duties = filter(None, map(self.duty, OUTDOORS_C))
            return min((duty.electricity_w for duty in duties), default=source.electricity_w)
        diverters = [a for a in source.actuators if a.form is Form.DIVERTER]
        return diverters[0].min_power_w if diverters else source.electricity_w

    def beyond_power(self, source: SourcePlant) -> bool:
        """Whether the power limit keeps a source from running ever."""
        limit_w = self.settings.tunables.power_limit_w
        if limit_w is None:
            return False
        least_w = self.remembered(f"least_w/{source.name}", lambda: self.least_power_w(source))
        return least_w > limit_w

    @property
    def tenth_l40(self) -> float:
        """Litres at 40 degC in one tenth."""
        return self.reference_l40 / tenths.FULL

    def litres(self, charge_tenths: float) -> float:
        """Litres at 40 degC in that many tenths."""
        return tenths.litres(charge_tenths, self.reference_l40)

    def of(self, quantity: Quantity) -> tuple[Signal, ...]:
        """The signals that measure ``quantity``."""
        return self._by_quantity.get(quantity, ())

    @cached_property
    def tells_surplus(self) -> bool:
        """Whether a meter tells what leaves the home: of export, or of import both ways."""
        return bool(self.of(Quantity.EXPORT_POWER) or self.of(Quantity.IMPORT_POWER))

    @cached_property
    def _by_quantity(self) -> dict[Quantity, tuple[Signal, ...]]:
        found: dict[Quantity, tuple[Signal, ...]] = {}
        for signal in self.settings.wiring.signals:
            found[signal.measures] = (*found.get(signal.measures, ()), signal)
        return found

    @cached_property
    def blockable(self) -> tuple[str, ...]:
        """Actuators that know blocking and act on hot water alone."""
        return tuple(
            a.name
            for a in self.settings.wiring.actuators
            if a.knows_block and (a.form is not Form.TERMINALS or a.hot_water_alone_confirmed_by)
        )

    @cached_property
    def resting(self) -> tuple[str, ...]:
        """Of these, the ones that may rest for any time: a low set temperature blocks nothing."""
        wired = self.settings.wiring.actuators
        return tuple(a.name for a in wired if a.rest_c is not None)

    @cached_property
    def hygiene_probes(self) -> tuple[Probe, ...]:
        """The probes that must measure a disinfection, from the bottom up.

        None while one of those named is not there: the others do not speak for it.
        """
        if self.hygiene_probes_missing:
            return ()
        named = self.settings.tunables.hygiene.probes
        return tuple(p for p in self.probes if p.name in named) if named else self.probes[:1]

    @cached_property
    def hygiene_probes_missing(self) -> tuple[str, ...]:
        """Names of probes that must measure a disinfection and are not in the file any more."""
        names = {p.name for p in self.probes}
        return tuple(n for n in self.settings.tunables.hygiene.probes if n not in names)

    def level(self, height_m: float) -> float:
        """Share of the volume below a height, kept within the cylinder."""
        return min(max(height_m / self.cylinder.height_m, 0.0), 1.0)


_MADE: dict[int, Plant] = {}


def of(settings: HomeSettings) -> Plant:
    """The plant of these settings; worked out once for each settings object."""
    made = _MADE.get(id(settings))
    if made is None or made.settings is not settings:
        if len(_MADE) > 256:
            _MADE.clear()
        made = _MADE[id(settings)] = _make(settings)
    return made


def _make(settings: HomeSettings) -> Plant:
    wiring, tunables = settings.wiring, settings.tunables
    built = wiring.cylinder
    cylinder = Cylinder(
        volume_l=built.volume_l,
        height_m=built.height_m,
        loss_w_per_k=geometry.loss_from_daily_kwh(built.standing_loss_kwh_per_day)
        if built.standing_loss_kwh_per_day is not None
        else default_loss_w_per_k(built.volume_l),
        inlet_mixing_l=min(built.inlet_stirs_l or 0.0, built.volume_l),
    )
    ceiling = (
        built.ceiling_c
        if built.ceiling_c is not None
        else built.thermostat_c - CEILING_BELOW_THERMOSTAT_K
    )
    probes = sorted(
        (
            Probe(
                s.name,
                s.height_m if s.height_m is not None else built.height_m / 2,
                s.stale_after_s,
            )
            for s in wiring.signals_of(Quantity.PROBE)
        ),
        key=lambda p: p.height_m,
    )
    sources: dict[SourceName, SourcePlant] = {}
    pump = wiring.heat_pump
    if pump is not None:
        plate = pump.layout == "plate"
        lays_hot = plate and pump.charging_pump_l_per_min is None
        foot_m = 0.0 if plate else (built.coil_foot_m or 0.0)
        sources["heat_pump"] = SourcePlant(
            name="heat_pump",
            layout=Layout.PLATE if lays_hot else Layout.COIL,
            limit_c=_pump_limit_c(settings),
            heat_w=pump.capacity_w,
            electricity_w=pump.capacity_w / 2.5,
            foot=foot_m / built.height_m,
            foot_m=foot_m,
            min_run_s=pump.min_run_s,
            min_rest_s=pump.min_rest_s,
            starts_per_hour=pump.starts_per_hour,
            actuators=tuple(a for a in wiring.actuators if a.source == "heat_pump"),
            charging_l_per_min=pump.charging_pump_l_per_min,
        )
    element = wiring.immersion
    if element is not None:
        foot_m = built.immersion_height_m if built.immersion_height_m is not None else 0.0
        sources["immersion"] = SourcePlant(
            name="immersion",
            layout=Layout.IMMERSION,
            limit_c=element.thermostat_c,
            heat_w=element.power_w,
            electricity_w=element.power_w,
            foot=min(foot_m / built.height_m, 0.95),
            foot_m=foot_m,
            min_run_s=0.0,
            min_rest_s=60.0,
            starts_per_hour=element.starts_per_hour,
            actuators=tuple(a for a in wiring.actuators if a.source == "immersion"),
        )
    set_c = min(tunables.normal_set_c, ceiling)
    writes_set = Form.SET_TEMPERATURE in pump_forms(wiring)
    return Plant(
        settings=settings,
        zone=wiring.zone_info,
        cylinder=cylinder,
        reference_l40=usable.reference_l40(cylinder, tunables.normal_set_c),
        ceiling_c=ceiling,
        set_c=set_c,
        lowest_set_c=min(set_c, (writes_set and tunables.lowest_set_c) or set_c),
        probes=tuple(probes),
        sources=sources,
        signals={s.name: s for s in wiring.signals},
    )


def pump_forms(wiring: HomeWiring) -> set[Form]:
    """In which forms the heat pump is commanded; empty when no actuator does."""
    return {a.form for a in wiring.actuators if a.source == "heat_pump"}


def _pump_limit_c(settings: HomeSettings) -> float:
    """How hot commands can make the heat pump heat the store.

    Its flow limit less the approach; and no hotter than its own set temperature where it is
    merely called (on/off, terminals), because its own control then decides when to stop.
    """
    pump = settings.wiring.heat_pump
    assert pump is not None
    reach_c = pump.flow_limit_c - pump.approach_k
    forms = pump_forms(settings.wiring)
    if forms and Form.SET_TEMPERATURE not in forms:
        own_c = settings.tunables.normal_set_c if pump.own_set_c is None else pump.own_set_c
        return min(reach_c, own_c)
    return reach_c


def heat_pump(wiring: HeatPumpWiring) -> HeatPump:
    """The heat pump from what the installer typed in, or a cautious one of its capacity.

    The flow limit set for it is never exceeded, whatever the outdoor temperature allows.
    """
    pump = (
        HeatPump(
            tuple(RatingPoint(r.outdoor_c, r.flow_c, r.capacity_w, r.cop) for r in wiring.ratings)
        )
        if wiring.ratings
        else default_heat_pump(wiring.capacity_w / 0.95)
    )
    return replace(pump, flow_limits=_flow_limits(wiring, pump))


def _flow_limits(wiring: HeatPumpWiring, pump: HeatPump) -> tuple[tuple[float, float], ...]:
    """(outdoor degC, hottest flow degC): as typed in, else as careful as nothing shows otherwise.

    A rating point shows that its flow was made in air as cold as its own.
    """
    if wiring.flow_limits:
        typed = sorted((p.outdoor_c, p.flow_c) for p in wiring.flow_limits)
        return tuple((outdoor, min(flow, wiring.flow_limit_c)) for outdoor, flow in typed)
    rated = [(r.outdoor_c, r.flow_c) for r in wiring.ratings]
    careful = (*pump.flow_limits, (WARM_C, wiring.flow_limit_c))
    outdoors, flows = zip(*careful, strict=True)

    def limit_c(at: float) -> float:
        shown = [flow for outdoor, flow in rated if outdoor <= at]
        return min(wiring.flow_limit_c, max([float(np.interp(at, outdoors, flows)), *shown]))

    places = {*outdoors, *(outdoor for outdoor, _ in rated if outdoor < WARM_C)}
    return tuple((at, limit_c(at)) for at in sorted(places))


def default_loss_w_per_k(volume_l: float) -> float:
    """Standing loss when none is declared: the limit of class C, Reg. 812/2013, W/K.

    (16.66 + 8.33 V^0.4) W with 45 K between store and room; the class's worst, so careful.
    """
    return geometry.loss_from_class_w(16.66 + 8.33 * volume_l**0.4)
