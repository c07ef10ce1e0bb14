"""Whether the heat that a heat pump makes arrives: what a probe would have to show of it by now.

Charged water goes through a cylinder as a front, and between two probes nobody sees it: for an hour
no probe need change though all is well. So the water is followed in thought, by the model of the
cylinder, as it would stand had only a part of the heat arrived, and had none. What counts against
the plant is a probe that stays far colder than that part would have made it; one that warms
acquits it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from adapters.wiring import Quantity
from service.control import observe
from service.control.detectors import Finding
from service.control.plant import KWH_PER_LK, SourcePlant
from service.control.situation import Situation
from service.control.state import Charge, Facts
from service.cylinder import model
from service.cylinder.drive import HIGHEST_C, CoilCharge, Drive, PlateCharge
from service.scheduling.types import Layout

PART = 0.5  # of the heat made by electricity and COP, and of what lately arrived of such heat
LATELY_LEAST = 0.6  # runs in which nothing arrived do not make the next one plausible
RUNNING_SHARE = 0.15  # of the power expected: less is no running
MISSING_K = 4.0  # a probe so much colder than it would have to be
WARMED_K = 1.5  # a probe so much warmer than its lowest: standing water never warms so far
NEAR = 0.025  # a front is where it is believed within this share of the volume,
NEAR_DRAWN = 0.15  # and within this share of what was drawn since
SURE_SD = 2.0  # the first profile is taken so many deviations colder than believed
LONGEST_S = 86_400.0  # after a day of losses and draws the account is begun anew
BUSY_AT_MOST_S = 900.0  # power seen at the end of a longer stretch says nothing of all of it
BY_READING = frozenset(("open_circuit", "silent", "jumping"))
WARMEST_COLD_C = 35.0
USED_W = 50.0
FLOW_ABOVE_K = 15.0  # over the coldest probe: a flow that is hot enough to charge


def follow(s: Situation, was: Charge | None, seconds: float) -> Charge | None:
    """Carry the account over ``seconds``; None while there is nothing to judge by.

    Anything else that heats or stirs the water ends it, and so does a probe that warmed.
    """
    source = s.plant.sources.get("heat_pump")
    probes = _healthy(s)
    heat_w = None if source is None else _made_w(s, source)
    if source is None or heat_w is None or not probes or _disturbed(s):
        return None
    if was is None or was.warmed or s.elapsed_s - was.began_mark_s > LONGEST_S:
        return _begin(s, probes) if heat_w > 0 else None
    lowest = {n: min(c, was.lowest_c.get(n, c)) for n, c in probes.items()}
    highest = {n: max(c, was.highest_c.get(n, c)) for n, c in probes.items()}
    metered = bool(s.plant.of(Quantity.DRAW_FLOW))
    if not metered and any(highest[n] - c > WARMED_K for n, c in probes.items()):
        return None  # somebody drew, and nothing says how much
    warmed = tuple(sorted(n for n, c in probes.items() if c - lowest[n] >= WARMED_K))
    busy_s = min(seconds, BUSY_AT_MOST_S)
    drawn_kwh = s.state.draws.total_kwh if metered else was.drawn_kwh
    above_cold_k = max(was.water.top_c - s.state.belief.cold_c, 5.0)
    drawn_l = max(drawn_kwh - was.drawn_kwh, 0.0) / (KWH_PER_LK * above_cold_k)
    return replace(
        was,
        water=_moved(s, source, was.water, _part(s) * heat_w * busy_s, drawn_l, seconds),
        without=_moved(s, source, was.without, 0.0, drawn_l, seconds),
        drawn_kwh=drawn_kwh,
        drawn_l=was.drawn_l + drawn_l,
        made_kwh=was.made_kwh + heat_w * busy_s / 3.6e6,
        lowest_c=lowest,
        highest_c=highest,
        warmed=warmed,
    )


def findings(
    s: Situation, charge: Charge | None, source: SourcePlant, facts: Facts
) -> Iterator[Finding]:
    """What the account says of a heat pump that takes power; ``facts`` are of its command."""
    if charge is not None and charge.warmed:
        yield Finding("pump_moves_no_water", "heat_pump", {}, over=True)
    flow_c = observe.first_fresh(s.plant, s.fresh, Quantity.HEAT_PUMP_FLOW_TEMPERATURE)
    lowest = min(s.probes_c.values(), default=None)
    if flow_c is None or lowest is None or flow_c < lowest + FLOW_ABOVE_K or s.satisfied(source):
        return  # what it takes may be for the rooms
    lost = _missing(s, charge)
    if lost is not None:
        yield Finding(
            "pump_moves_no_water", "heat_pump", {**facts, "flow_c": round(flow_c, 1), **lost}
        )


def _missing(s: Situation, charge: Charge | None) -> Facts | None:
    """What shows that heat does not arrive: the probe, what it shows, and what it would have to."""
    if charge is None or charge.warmed:
        return None
    for probe in reversed(s.plant.probes):
        shows_c = _healthy(s).get(probe.name)
        lowest, highest = charge.lowest_c.get(probe.name), charge.highest_c.get(probe.name)
        if shows_c is None or lowest == highest:
            continue  # a probe that shows one and the same value may be stuck: it is no witness
        apart = NEAR + NEAR_DRAWN * charge.drawn_l / s.plant.cylinder.volume_l
        level = s.plant.level(probe.height_m)
        due_c = model.temperature_at(s.plant.cylinder, charge.water, max(level - apart, 0.0))
        without_c = model.temperature_at(s.plant.cylinder, charge.without, level)
        if due_c - max(shows_c, without_c) >= MISSING_K:
            return {
                "made_kwh": round(charge.made_kwh, 1),
                "probe": probe.name,
                "shows_c": round(shows_c, 1),
                "with_a_part_of_it_c": round(due_c, 1),
            }
    return None


def _begin(s: Situation, probes: dict[str, float]) -> Charge | None:
    if s.estimate is None:
        return None
    cylinder, profile = s.plant.cylinder, s.estimate.profile_c - SURE_SD * s.estimate.profile_sd_c
    middles = (np.arange(len(profile)) + 0.5) / len(profile)
    for probe in s.plant.probes:  # whatever is believed: below a probe nothing is hotter than it
        if probe.name in probes:
            below = middles <= s.plant.level(probe.height_m)
            profile = np.where(below, np.minimum(profile, probes[probe.name]), profile)
    coldest_c = max(min(s.state.belief.cold_c, *probes.values()), 0.0)
    careful = np.maximum.accumulate(np.clip(profile, coldest_c, HIGHEST_C))
    water = model.start(cylinder, careful)
    return Charge(
        began_mark_s=s.elapsed_s,
        water=water,
        without=water,
        drawn_kwh=s.state.draws.total_kwh,
        lowest_c=probes,
        highest_c=probes,
    )


def _healthy(s: Situation) -> dict[str, float]:
    """Fresh probes that nothing speaks against.

    Heat that never came makes sound probes look stuck, swapped or misplaced to the estimator: it
    counts here only what it sees by the reading alone, and what has been told.
    """
    suspects = () if s.estimate is None else s.estimate.probe_faults
    doubted = {f.probe for f in suspects if f.code in BY_READING}
    doubted |= {f.subject for f in s.state.faults if f.code.startswith("probe_")}
    return {n: c for n, c in s.probes_c.items() if n not in doubted}


def _disturbed(s: Situation) -> bool:
    """Whether something else heats or stirs the water, so that nothing follows from the probes."""
    others = any(s.running(name) for name in s.plant.sources if name != "heat_pump")
    element_w = s.watts.get(Quantity.IMMERSION_ELECTRICITY, 0.0)
    circulates = observe.first_fresh(s.plant, s.fresh, Quantity.SECONDARY_RETURN)
    meters = s.plant.of(Quantity.DRAW_FLOW)
    unseen = bool(meters) and meters[0].name not in s.fresh
    return others or element_w > USED_W or bool(circulates) or unseen


def _made_w(s: Situation, source: SourcePlant) -> float | None:
    """Heat it makes for the cylinder by the electricity it takes, W; None when that is not known.

    A heat meter in the charging circuit would count nothing when no water moves: it is no help.
    """
    watts, usual = s.watts.get(Quantity.HEAT_PUMP_ELECTRICITY), s.duty
    if watts is None or usual is None:
        return None
    if not s.running("heat_pump") or watts < RUNNING_SHARE * source.electricity_w:
        return 0.0
    return watts * usual.cop


def _part(s: Situation) -> float:
    """The share of the heat made that must arrive at least: a weak heat pump is another fault."""
    known = s.state.watch.reheats.get("heat_pump")
    lately = 1.0 if known is None or known.recent is None else known.recent
    return PART * min(max(lately, LATELY_LEAST), 1.0)


def _moved(
    s: Situation,
    source: SourcePlant,
    water: model.State,
    arrived_j: float,
    drawn_l: float,
    seconds: float,
) -> model.State:
    """The water after ``seconds`` in which a part of the heat arrived."""
    if seconds <= 0:
        return water
    cold_c = min(max(s.state.belief.cold_c, 0.0), WARMEST_COLD_C)
    heat_w = arrived_j / seconds
    lease = s.state.book.run_of(source.name)
    outlet_c = s.plant.returned_c(
        None if lease is None else lease.set_c,
        s.outdoor_c,
        observe.first_fresh(s.plant, s.fresh, Quantity.HEAT_PUMP_FLOW_TEMPERATURE),
    )
    drive = Drive(
        cold_c=cold_c,
        ambient_c=s.settings.wiring.cylinder.ambient_c,
        draw_l_per_min=min(drawn_l / seconds * 60.0, 100.0),
    )
    if heat_w > 0 and outlet_c is not None and outlet_c > cold_c:
        fixed = source.charging_l_per_min
        if fixed is not None:
            drive = replace(drive, plate=PlateCharge(heat_w, outlet_c, fixed, controlled=False))
        elif source.layout is Layout.PLATE:
            drive = replace(drive, plate=PlateCharge(heat_w, outlet_c))
        else:
            built = s.settings.wiring.cylinder
            head = 1.0 if built.coil_head_m is None else s.plant.level(built.coil_head_m)
            coil = CoilCharge(heat_w, source.foot, max(head, source.foot + 0.02), outlet_c)
            drive = replace(drive, coil=coil)
    moved, _ = model.advance(s.plant.cylinder, water, drive, seconds)
    return moved
