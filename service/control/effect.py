"""Whether a source heats when it is told to, only then, and no further than its thermostat.

Its meter tells, if it has one; else what the probes gained between two of the moments that
``watching`` keeps. Whether a heat pump that takes power heats the water is asked in ``arrival``.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import pairwise

from adapters.wiring import Form, Quantity
from service.control import arrival
from service.control.detectors import HOUR_S, Finding
from service.control.plant import KWH_PER_LK, SourcePlant
from service.control.situation import METERED_AS, Situation
from service.control.state import NEVER, Facts, SourceRun, Watch
from service.control.types import Rule
from service.control.watching import MOMENT_EVERY_S, MOMENTS_KEPT
from service.scheduling.types import Layout, SourceName

WITHOUT_GAIN_SHARE = 0.2  # of the heat expected: less is no heating
GAIN_AFTER_S = 2400.0
DRAWN_LEAST_KWH = 0.1  # some litres: a hand washed
LONGEST_GAIN_S = (MOMENTS_KEPT - 2) * MOMENT_EVERY_S
UNSEEN_TIMES = 1.25  # the usual heat is not known better than so
SURPLUS_LEAST_W = 300.0  # below it a diverter has good reason to pass nothing
TAKES_POWER_S = 300.0  # for so long, before its commands have an effect again
UNCOMMANDED_W = 200.0
UNCOMMANDED_KWH = 1.0
LEASE_ENDED_S = 600.0  # plant may run on for so long after it was released
STUCK_ABOVE_K = 4.0


def commanded(
    s: Situation, watch: Watch, name: SourceName, source: SourcePlant
) -> Iterator[Finding]:
    """A source that is commanded: no effect, or heat that does not arrive, or that all is well."""
    run, lease = s.state.book.runs.get(name), s.state.book.run_of(name)
    if run is None or run.started_mark_s is None or lease is None:
        return
    ran_s = s.elapsed_s - run.started_mark_s
    expected_w = source.electricity_w if lease.power_w is None else lease.power_w
    watts = s.watts.get(METERED_AS[name])
    if lease.surplus:
        form = next((a.form for a in source.actuators if a.name == lease.actuator), None)
        if form is Form.TERMINALS:
            return  # they recommend: whether to heat is for the heat pump's own control to say
        if form is Form.DIVERTER:
            # It takes no more than there is to spare; how much that was nobody knows unmetered.
            if watts is None or s.surplus_w is None or s.surplus_w < SURPLUS_LEAST_W:
                return
            expected_w = min(expected_w, s.surplus_w)
    facts: Facts = {"commanded_for_s": round(ran_s), **_own_control(s, name)}
    if watts is not None:
        facts["watts"] = round(watts)
        if watts < arrival.RUNNING_SHARE * expected_w and s.satisfied(source):
            return  # it has done its work before control noticed
        if watts < arrival.RUNNING_SHARE * expected_w:
            yield Finding("command_without_effect", name, facts)
            return
        missed = watch.suspicion("command_without_effect", name)
        missed_s = s.elapsed_s - (NEVER if missed is None else missed.seen_mark_s)
        if min(ran_s, missed_s) > TAKES_POWER_S:
            yield Finding("command_without_effect", name, {}, over=True)
        if name == "heat_pump":
            yield from arrival.findings(s, watch.charge, source, facts)
        return
    # What had nothing to heat until a draw came is judged by the time since.
    work_s = min(ran_s, s.elapsed_s - watch.done_mark_s.get(name, NEVER))
    shows_after_s = max(GAIN_AFTER_S, UNSEEN_TIMES * _unseen_s(s, source))
    within_s = min(shows_after_s, LONGEST_GAIN_S) - MOMENT_EVERY_S
    gained = _gained(watch, within_s, s.elapsed_s - work_s)
    if gained is None:
        return
    by_probes_kwh, span_s, drawn_kwh = gained
    kwh = _without_others(s, name, by_probes_kwh, span_s)
    if kwh is None:
        return
    expected_kwh = s.heat_w(source) / 1000.0 * span_s / HOUR_S
    share = kwh / max(expected_kwh, 1e-6)
    facts |= {"gained_kwh": round(kwh, 2), "within_s": round(span_s)}
    useless = (
        share < WITHOUT_GAIN_SHARE
        # cold water at a probe looks like heat that never came
        and (drawn_kwh < DRAWN_LEAST_KWH or _made_up(s, watch, span_s, expected_kwh))
        and work_s >= shows_after_s - MOMENT_EVERY_S
        and not s.satisfied(source)
        and not _circulated(watch, span_s)  # a secondary return takes heat that nothing counts
    )
    if useless and span_s >= within_s:
        yield Finding("command_without_effect", name, facts)
    elif share > 2 * WITHOUT_GAIN_SHARE:
        yield Finding("command_without_effect", name, {}, over=True)


def uncommanded(
    s: Situation, watch: Watch, name: SourceName, source: SourcePlant
) -> Iterator[Finding]:
    """A source that nobody commands and that runs, as far as its own control has no reason."""
    run = s.state.book.runs.get(name)
    if s.running(name) or not source.actuators:
        return
    if run is not None and s.elapsed_s - run.stopped_mark_s < LEASE_ENDED_S:
        return
    if name == "immersion":
        watts = s.watts.get(Quantity.IMMERSION_ELECTRICITY)
        if watts is not None and watts > UNCOMMANDED_W:
            yield Finding("uncommanded_running", name, {"watts": round(watts)})
        return
    pump, own = s.settings.wiring.heat_pump, s.plant.own_control
    if pump is None or own is None or pump.own_timer or pump.own_disinfection:
        return  # its own control has reasons of its own that cannot be seen
    last = s.state.decision
    if last is not None and last.rule in (Rule.FAIL_SAFE, Rule.MAINTENANCE_HOLD):
        return
    others = any(s.running(n) for n in s.plant.sources)
    element = s.watts.get(Quantity.IMMERSION_ELECTRICITY, 0.0)
    gained = _gained(watch, GAIN_AFTER_S, s.elapsed_s - GAIN_AFTER_S)
    since_run = s.elapsed_s - max(
        (r.stopped_mark_s for r in s.state.book.runs.values()), default=NEVER
    )
    if gained is None or others or element > 50.0 or since_run < GAIN_AFTER_S + LEASE_ENDED_S:
        return
    called = s.at_own_sensor_c is None or s.at_own_sensor_c < own.set_c + 2.0
    usual_w = {METERED_AS[name]: source.electricity_w, Quantity.HEAT_PUMP_HEAT: s.heat_w(source)}
    if any(s.watts[m] < arrival.RUNNING_SHARE * w for m, w in usual_w.items() if m in s.watts):
        return  # the sun, a stove or whatever else heats the water: the heat pump rests
    if gained[0] > UNCOMMANDED_KWH and not called:
        yield Finding("uncommanded_running", name, {"gained_kwh": round(gained[0], 2)})


def beyond_thermostat(s: Situation) -> Iterator[Finding]:
    """An immersion heater that takes power though the water is above its thermostat's setting."""
    element = s.settings.wiring.immersion
    watts = s.watts.get(Quantity.IMMERSION_ELECTRICITY)
    if element is None or watts is None or watts < UNCOMMANDED_W:
        return
    at_it_c = s.reached_c(s.plant.sources["immersion"])
    if at_it_c and at_it_c[0] > element.thermostat_c + STUCK_ABOVE_K:
        facts: Facts = {
            "watts": round(watts),
            "water_c": round(at_it_c[0], 1),
            "thermostat_c": element.thermostat_c,
        }
        yield Finding("immersion_thermostat_stuck", "immersion", facts)


def gained_unasked(watch: Watch, runs: Iterable[SourceRun]) -> tuple[float, float]:
    """Heat that the probes gained between the last two moments, kWh, and over how many hours.

    Nothing, if we ran anything since. Draws are not added back: see ``_gained``.
    """
    if len(watch.moments) < 2:
        return 0.0, 0.0
    before, last = watch.moments[-2:]
    ours = any(r.started_mark_s is not None or r.stopped_mark_s > before.mark_s for r in runs)
    if ours or last.heat_kwh is None or before.heat_kwh is None:
        return 0.0, 0.0
    return last.heat_kwh - before.heat_kwh, (last.mark_s - before.mark_s) / 3600.0


def _own_control(s: Situation, name: SourceName) -> Facts:
    """Why the heat pump's own control may not have called, when that is what happened."""
    own, at_sensor_c = s.plant.own_control, s.at_own_sensor_c
    if name != "heat_pump" or own is None or at_sensor_c is None:
        return {}
    return {
        "own_sensor_c": round(at_sensor_c, 1),
        "calls_below_c": round(own.calls_below_c, 1),
    }


def _gained(
    watch: Watch, within_s: float, since_mark_s: float
) -> tuple[float, float, float] | None:
    """Heat the probes gained over the last ``within_s``, over how long, and heat drawn meanwhile.

    The shortest stretch between two moments that is no shorter, or the longest there is since
    ``since_mark_s``: moments come as readings do, and what was found must not hang on their rhythm.

    Draws are not added back: what leaves at the top shows at a probe only when cold water comes up
    to it, and then for all that went before. Until then it would pass for heat that was put in.
    """
    since = [m for m in watch.moments if m.mark_s >= since_mark_s]
    if not since:
        return None
    last = since[-1]
    first = next((m for m in reversed(since) if m.mark_s <= last.mark_s - within_s), since[0])
    if last.mark_s - first.mark_s < 1200.0:
        return None
    if last.heat_kwh is None or first.heat_kwh is None:
        return None
    drawn_kwh = last.drawn_kwh - first.drawn_kwh
    return last.heat_kwh - first.heat_kwh, last.mark_s - first.mark_s, drawn_kwh


def _made_up(s: Situation, watch: Watch, span_s: float, expected_kwh: float) -> bool:
    """Whether what seems drawn is only the heat that was expected and never came.

    Without a flow meter a draw is what the estimate needs to explain the probes. Where they stood
    still all the while, heat that came and water that left would have had to balance throughout.
    """
    if s.plant.of(Quantity.DRAW_FLOW):
        return False
    began_mark_s = watch.moments[-1].mark_s - span_s
    heat = [m.heat_kwh for m in watch.moments if m.mark_s >= began_mark_s]
    known = [kwh for kwh in heat if kwh is not None]
    return bool(known) and max(known) - min(known) < WITHOUT_GAIN_SHARE * expected_kwh


def _unseen_s(s: Situation, source: SourcePlant) -> float:
    """How long a source may heat at most before any probe need show it, s.

    A coil or an element: until the water between its foot and the lowest probe above is as hot as
    that, if it was as cold as the inlet. A plate exchanger, whose water moves through the whole
    cylinder: until hot water has come from a hot probe down to the next, a cold one, from the top
    to the highest, or from the lowest to the bottom.
    """
    shown = [(s.plant.level(p.height_m), s.fresh[p.name]) for p in s.plant.reached_by(source)
             if p.name in s.fresh]  # fmt: skip
    if not shown:
        return 0.0
    cold_c, made_c = s.state.belief.cold_c, min(s.plant.set_c, s.reach_c(source))
    below = (source.foot, min(cold_c, shown[0][1]))
    if source.layout is Layout.PLATE or source.charging_l_per_min is not None:
        places = [below, *shown, (1.0, max(made_c, shown[-1][1]))]
    else:
        places = [below, shown[0]]
    unseen_lk = max((high - low) * (hotter_c - colder_c)
                    for (low, colder_c), (high, hotter_c) in pairwise(places))  # fmt: skip
    unseen_kwh = max(unseen_lk, 0.0) * s.plant.cylinder.volume_l * KWH_PER_LK
    return unseen_kwh * HOUR_S / max(s.heat_w(source) / 1000.0, 1e-6)


def _circulated(watch: Watch, within_s: float) -> bool:
    """Whether the secondary return's pump ran within the last ``within_s``."""
    last = watch.moments[-1]
    return any(m.circulating for m in watch.moments if m.mark_s >= last.mark_s - within_s)


def _without_others(s: Situation, name: SourceName, kwh: float, span_s: float) -> float | None:
    """What was gained less what another source gave, kWh; None when that ran for a part only."""
    began_s = s.elapsed_s - span_s
    for other, source in s.plant.sources.items():
        run = s.state.book.runs.get(other)
        if other == name or run is None:
            continue
        if run.started_mark_s is None:
            if run.stopped_mark_s > began_s:
                return None
        elif run.started_mark_s > began_s:
            return None
        else:
            kwh -= s.heat_w(source) / 1000.0 * span_s / HOUR_S
    return kwh
