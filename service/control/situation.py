"""Where things stand in one step: what every rule of the precedence table looks at."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property

from adapters.wiring import Quantity
from service.clock import in_span, second_of_day
from service.control import around, performance
from service.control.overrides import Standing
from service.control.plant import CALL_MARGIN_K, KWH_PER_LK, LAYERS, Plant, Probe, SourcePlant
from service.control.state import State
from service.control.types import Fault
from service.cylinder import tenths
from service.cylinder.estimator import Estimate
from service.cylinder.sources import Duty
from service.scheduling.types import SourceName
from service.settings import HomeSettings

UPSIDE_DOWN_K = 15.0
FULL_WITHIN_K = 1.0  # a layer this close to the set temperature takes no more heat
BEGUN_BELOW_K = 2.0  # a source that is off begins only for water so much colder than that
ELEMENT_RESTART_K = 6.0  # an immersion thermostat's differential
RESTART_MARGIN_K = 2.0  # beside the heat pump's own restart differential
LONGEST_WAITED_FOR_S = 1800.0  # a draw-off; what runs on may be a tap left open, or a leak
ORDER: tuple[SourceName, ...] = ("heat_pump", "immersion")
METERED_AS: dict[SourceName, Quantity] = {
    "heat_pump": Quantity.HEAT_PUMP_ELECTRICITY,
    "immersion": Quantity.IMMERSION_ELECTRICITY,
}


def faulty_probes(faults: Iterable[Fault]) -> frozenset[str]:
    """Probes that a standing fault names."""
    return frozenset(f.subject for f in faults if f.cleared_at is None and f.code in PROBE_FAULTS)


def upside_down(
    probes_c: Mapping[str, float], faults: Iterable[Fault] = ()
) -> tuple[str, str] | None:
    """The first two probes of which the lower is much the hotter: what water cannot be.

    Args:
        probes_c: what probes show, degC, from the lowest up.
        faults: probes that one of them names are left out.
    """
    doubted = faulty_probes(faults)
    below: list[tuple[str, float]] = []
    for name, value in probes_c.items():
        if name in doubted:
            continue
        hotter = next((n for n, v in below if v > value + UPSIDE_DOWN_K), None)
        if hotter is not None:
            return hotter, name
        below.append((name, value))
    return None


# What a situation has worked out, by the part of the state that it hangs on.
_HANGING_ON = {
    "faults": ("faulty_probes", "ruling_probe", "upside_down"),
    "plan": ("slot_now",),
    "surroundings": ("outdoor_c",),
    "book": ("surplus_w",),
}


@dataclass(frozen=True)
class Situation:
    """One moment: the state as far as it is worked out, the settings, and what is fresh."""

    state: State
    settings: HomeSettings
    plant: Plant
    now: datetime
    elapsed_s: float
    fresh: dict[str, float]
    standing: Standing
    estimate: Estimate | None
    watts: dict[Quantity, float] = field(default_factory=dict)  # metered power, by what it is
    stopping: bool = False

    def with_state(self, state: State) -> Situation:
        """The same moment with the state further worked out; what hangs on it is looked at anew."""
        new = object.__new__(Situation)
        new.__dict__.update(self.__dict__)
        for part, looked_at in _HANGING_ON.items():
            if getattr(state, part) is not getattr(self.state, part):
                for name in looked_at:
                    new.__dict__.pop(name, None)
        new.__dict__["state"] = state
        return new

    @cached_property
    def now_s(self) -> float:
        """Seconds since 1970."""
        return self.now.timestamp()

    @cached_property
    def slot_now(self) -> int | None:
        """The plan's slot that holds now, None when there is no plan for it."""
        return None if self.state.plan is None else self.state.plan.grid.slot_at(self.now_s)

    @cached_property
    def probes_c(self) -> dict[str, float]:
        """Fresh probe temperatures, from the bottom up."""
        return {p.name: self.fresh[p.name] for p in self.plant.probes if p.name in self.fresh}

    @cached_property
    def faulty_probes(self) -> frozenset[str]:
        """Probes that a standing fault names."""
        return faulty_probes(self.state.faults)

    @cached_property
    def ruling_probe(self) -> Probe | None:
        """The highest probe that is healthy and fresh, if it sits high enough to rule by.

        High enough is the upper half, or the highest there is when all sit lower.
        """
        probes = self.plant.probes
        if not probes:
            return None
        half = self.plant.cylinder.height_m / 2
        needed_m = min(half, probes[-1].height_m)
        for probe in reversed(probes):
            if probe.height_m < needed_m:
                return None
            if probe.name in self.fresh and probe.name not in self.faulty_probes:
                return probe
        return None

    @cached_property
    def upside_down(self) -> tuple[str, str] | None:
        """Two unsuspected probes, the lower one much hotter: what water cannot be."""
        return upside_down(self.probes_c, self.state.faults)

    @cached_property
    def hottest_c(self) -> float | None:
        """The hottest fresh probe, degC; a probe under suspicion counts here."""
        return max(self.probes_c.values(), default=None)

    @cached_property
    def charge_l40(self) -> float | None:
        """Usable hot water as estimated, litres at 40 degC; None while nothing is known."""
        return None if self.estimate is None else float(self.estimate.v40_l)

    @cached_property
    def sure_l40(self) -> float | None:
        """The lower bound of it."""
        return None if self.estimate is None else float(self.estimate.v40_low_l)

    @property
    def heat_by_probes_kwh(self) -> float | None:
        """Heat in the cylinder by the probes alone, above 0 degC, kWh; None without them all."""
        probes = [p for p in self.plant.probes if p.name not in self.faulty_probes]
        if not probes or any(p.name not in self.fresh for p in probes):
            return None
        height = self.plant.cylinder.height_m
        total = below = 0.0
        for i, p in enumerate(probes):
            above = height if i + 1 == len(probes) else (p.height_m + probes[i + 1].height_m) / 2
            total += self.fresh[p.name] * (above - below) / height
            below = above
        return total * self.plant.cylinder.volume_l * KWH_PER_LK

    @property
    def water_runs(self) -> bool:
        """Whether somebody draws now; what runs on for longer is waited for no more."""
        draw = self.state.draws
        return draw.runs and self.now_s - (draw.start_s or 0.0) < LONGEST_WAITED_FOR_S

    def running(self, source: SourceName) -> bool:
        """Whether a lease runs this source."""
        return self.state.book.run_of(source) is not None

    def layer_c(self, level: float) -> float | None:
        """The estimated temperature at a share of the volume, degC."""
        if self.estimate is None:
            return None
        return float(self.estimate.profile_c[min(int(level * LAYERS), LAYERS - 1)])

    def reach_c(self, source: SourcePlant) -> float:
        """The hottest water the source can make now."""
        return self.plant.reach_c(source, self.outdoor_c)

    def has_room(self, source: SourcePlant) -> bool:
        """Whether a source could add heat below the normal set temperature, worth a start if off.

        A level above what it can make would have it begin anew with each kelvin lost at its foot.
        """
        below_k = 0.0 if self.running(source.name) else BEGUN_BELOW_K
        return not self.full(source, self.plant.set_c, below_k)

    def full(self, source: SourcePlant, set_c: float, below_k: float = 0.0) -> bool:
        """Whether the source can add nothing ``below_k`` below ``set_c`` where it reaches."""
        enough_c = min(set_c, self.reach_c(source)) - FULL_WITHIN_K - below_k
        foot_c = self.layer_c(source.foot)
        if foot_c is not None and foot_c >= enough_c:
            return True
        return any(
            self.probes_c.get(p.name, -1.0) >= enough_c and p.name not in self.faulty_probes
            for p in self.plant.reached_by(source)
            if self.plant.near_foot(source, p)
        )

    def reached_c(self, source: SourcePlant) -> list[float]:
        """What the fresh probes that a source heats show, degC, from the bottom up."""
        return [self.fresh[p.name] for p in self.plant.reached_by(source) if p.name in self.fresh]

    def satisfied(self, source: SourcePlant) -> bool:
        """Whether the source's own control has no reason to heat, called or not."""
        own_c, pump = self.reach_c(source), self.settings.wiring.heat_pump
        if source.name == "immersion" or pump is None:
            answers_below_c = own_c - ELEMENT_RESTART_K
        elif self.full(source, own_c):
            return True
        else:
            answers_below_c = own_c - pump.own_restart_k - RESTART_MARGIN_K
        reached = self.reached_c(source)
        return bool(reached) and min(reached) >= answers_below_c

    def usable_source(self, name: SourceName, surplus: bool = False) -> SourcePlant | None:
        """The source if it may be used now: an actuator commands it and no quiet hours hold it.

        With ``surplus`` an actuator that may only take surplus counts too.
        """
        source = self.plant.sources.get(name)
        if source is None or source.actuator(surplus) is None:
            return None
        return None if self.rests_for(name) else source

    def rests_for(self, name: SourceName) -> str | None:
        """Why a source may not be used now although it is commanded at other times, as a code."""
        if name == "heat_pump" and self.quiet:
            return "quiet_hours"
        if self.plant.beyond_power(self.plant.sources[name]):
            return "power_limit"
        return "without_effect" if self.left_alone(name) else None

    @property
    def at_own_sensor_c(self) -> float | None:
        """The water at the heat pump's own sensor, degC; None where it or its place is unknown."""
        own = self.plant.own_control
        return None if own is None else self.layer_c(own.level)

    def call_c(self, name: SourceName) -> float | None:
        """The lowest set temperature that the heat pump would answer; None when nothing is known.

        Its own control starts only when its sensor is a restart differential below the set.
        """
        pump, at_sensor_c = self.settings.wiring.heat_pump, self.at_own_sensor_c
        if name != "heat_pump" or pump is None or at_sensor_c is None:
            return None
        return at_sensor_c + pump.own_restart_k + CALL_MARGIN_K

    def answers(self, source: SourcePlant) -> bool:
        """Whether a source would start when called, as far as its own control is known."""
        own, at_sensor_c = self.plant.own_control, self.at_own_sensor_c
        if self.running(source.name) or source.name != "heat_pump":
            return True
        return own is None or at_sensor_c is None or at_sensor_c <= own.answers_below_c

    def left_alone(self, name: SourceName) -> bool:
        """Whether a fault of this source stands and it is too early to try it again."""
        return any(
            f.subject == name and f.code in UNUSABLE_FOR_S and self._too_early(f.code, name)
            for f in self.state.faults
        )

    def _too_early(self, code: str, name: SourceName) -> bool:
        suspicion = self.state.watch.suspicion(code, name)
        return suspicion is None or (self.elapsed_s - suspicion.seen_mark_s < UNUSABLE_FOR_S[code])

    @cached_property
    def quiet(self) -> bool:
        """Whether the heat pump's quiet hours hold."""
        t = self.settings.tunables
        local = self.now.astimezone(self.plant.zone)
        return bool(in_span(second_of_day(local), t.quiet_from, t.quiet_until))

    @cached_property
    def outdoor_c(self) -> float | None:
        """The outdoor temperature to reckon with, degC: measured, or else what is expected."""
        return around.outdoor_c(self.state, self.plant, self.fresh, self.now_s)

    @property
    def duty(self) -> Duty | None:
        """What the heat pump does at this outdoor temperature, as meters taught; None without."""
        rated = self.plant.duty(self.outdoor_c)
        return None if rated is None else performance.applied(self.state.performance, rated)

    @cached_property
    def export_w(self) -> float | None:
        """Power that leaves the home on balance, W, below zero what comes in; None if unknown.

        A meter that reports changes only is silent about import while the sun shines: where
        export is metered of its own, what import says counts as long as it says something.
        """
        out, into = (
            [self.fresh.get(signal.name) for signal in self.plant.of(quantity)]
            for quantity in (Quantity.EXPORT_POWER, Quantity.IMPORT_POWER)
        )
        if None in (out or into or [None]):
            return None
        return sum(filter(None, out)) - sum(filter(None, into))

    @cached_property
    def surplus_w(self) -> float | None:
        """Power from the sun that hot water could take: what leaves, and what it takes already."""
        if self.export_w is None:
            return None
        return max(0.0, self.export_w + sum(map(self._taken_w, self.plant.sources)))

    def _taken_w(self, name: SourceName) -> float:
        """What a source that we run takes: metered, else what its command asks for.

        A command of this very moment has not reached the meter yet.
        """
        lease = self.state.book.run_of(name)
        if lease is None:
            return 0.0
        metered = self.watts.get(METERED_AS[name])
        if metered is not None:
            return metered
        if lease.since_mark_s >= self.elapsed_s:
            return 0.0
        return self.plant.sources[name].electricity_w if lease.power_w is None else lease.power_w

    def heat_w(self, source: SourcePlant) -> float:
        """Heat a source gives now, W: a heat pump in today's air, as its meters taught."""
        usual = self.duty if source.name == "heat_pump" else None
        return source.heat_w if usual is None else usual.heat_w

    def draws_w(self, name: SourceName) -> float:
        """What a source draws while it runs at its full power, W: a heat pump in today's air."""
        usual = self.duty if name == "heat_pump" else None
        return self.plant.sources[name].electricity_w if usual is None else usual.electricity_w

    @cached_property
    def reserve_l40(self) -> float:
        """The charge that must still be there, without overrides, guests and absence."""
        return self.plant.litres(self.settings.tunables.reserve_tenths)

    def in_tenths(self, l40: float) -> float:
        """Litres at 40 degC in tenths, to one decimal."""
        return round(tenths.tenths(l40, self.plant.reference_l40), 1)


# Faults after which a probe does not rule, and a source is left alone for a while.
PROBE_FAULTS = frozenset(
    f"probe_{code}" for code in ("open_circuit", "stuck", "jumping", "swapped")
)
UNUSABLE_FOR_S = {
    "command_without_effect": 3600.0,
    "pump_moves_no_water": 3600.0,
    "immersion_thermostat_stuck": 86_400.0,
}
