"""A year of simulated homes in which one thing after another goes wrong with the plant.

Each fault is put in at a seeded moment and mended some days later. It must be told within the time
that the table in ``service/control/detectors.py`` states, counted from when it first shows, and
be over when it is mended; and nothing may be told that is not there.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, replace

from adapters.types import Command
from service.control.detectors import BY_CODE
from tests.faults import frame
from tests.faults._homes import DAY_S, Lived, when
from tests.faults.frame import Line, Outcome

HOUR_S = 3600.0
SETTLED_DAYS = 6.0  # a home's first days, with nothing wrong
MENDED_DAYS = 3.0  # within which a fault must be over
# What a fault may well bring along; told besides, they are no false alarms.
ALSO = frozenset(
    (
        "signal_stale",
        "probe_silent",
        "nonsense_readings",
        "left_to_itself",
        "command_without_effect",
        "disinfection_overdue",
        "disinfection_failed",
    )
)


@dataclass(frozen=True)
class Seed:
    """One fault: how it is put in and mended, and when it begins to show."""

    name: str
    codes: tuple[str, ...]
    begin: Callable[[Lived], None]
    end: Callable[[Lived], None]
    days: float = 3.0
    shows: Callable[[Lived, float], float | None] = lambda _lived, at: at
    every_s: float | None = None
    also: frozenset[str] = frozenset()
    proof_days: float = 0.0  # mended, it is over only when the opposite was seen


def _first_run(actuator: str) -> Callable[[Lived, float], float | None]:
    return lambda lived, at: next(
        (
            t
            for t, a, action in lived.replay.commands
            if t >= at and (a, action) == (actuator, "run")
        ),
        None,
    )


def _dead(source: str) -> tuple[Callable[[Lived], None], Callable[[Lived], None]]:
    """No electricity: whatever it is told, it does nothing."""

    def begin(lived: Lived) -> None:
        if source == "heat_pump":
            assert lived.home.heat_pump is not None
            lived.__dict__["pump"] = lived.home.heat_pump
            lived.home.heat_pump = replace(lived.home.heat_pump, capacity_w=lambda *_: 0.0)
        else:
            lived.__dict__["watts"] = lived.home.immersion_w
            lived.home.immersion_w = 0.0

    def end(lived: Lived) -> None:
        if source == "heat_pump":
            lived.home.heat_pump = lived.__dict__["pump"]
        else:
            lived.home.immersion_w = lived.__dict__["watts"]

    return begin, end


def _lost_heat(lived: Lived) -> None:
    lived.tank.lost_heat = True


def _heat_back(lived: Lived) -> None:
    lived.tank.lost_heat = False


def _leak(litres_per_min: float) -> Callable[[Lived], None]:
    def begin(lived: Lived) -> None:
        lived.tank.leak_l_per_min = litres_per_min

    return begin


def _weak(share: float) -> Callable[[Lived], None]:
    """The heat pump gives only a share of its heat, and takes its electricity as before."""

    def begin(lived: Lived) -> None:
        pump = lived.home.heat_pump
        assert pump is not None
        lived.__dict__["pump"] = pump
        lived.home.heat_pump = replace(
            pump,
            capacity_w=lambda outdoor, flow: share * pump.capacity_w(outdoor, flow),
            cop=lambda outdoor, flow: share * pump.cop(outdoor, flow),
        )

    return begin


def _strong(lived: Lived) -> None:
    lived.home.heat_pump = lived.__dict__["pump"]


def _welded(lived: Lived) -> None:
    """The immersion heater's relay is welded and its thermostat stuck."""
    home = lived.home
    lived.replay.hot_s = None
    lived.__dict__["stop"] = home.immersion_stop_c
    home.immersion_stop_c = 90.0
    home.element.until_s = float("inf")
    obey = home.command

    def command(source: str, command: Command) -> None:
        if source != "immersion":
            obey(source, command)

    home.command = command  # type: ignore[method-assign]


def _unwelded(lived: Lived) -> None:
    lived.home.immersion_stop_c = lived.__dict__["stop"]
    lived.home.element.until_s = lived.home.now_s
    del lived.home.command  # type: ignore[method-assign]


def _loop(lived: Lived) -> None:
    home = lived.home
    lived.tank.loop = lambda: 9 <= home.now_s % DAY_S / HOUR_S < 16


def _no_loop(lived: Lived) -> None:
    lived.tank.loop = None


def _lie(probe: str, make: Callable[[Lived], Callable[[float], float]]) -> Seed:
    def begin(lived: Lived) -> None:
        lived.lies[probe] = make(lived)

    def end(lived: Lived) -> None:
        lived.lies.clear()

    return Seed("", (), begin, end)


def _stuck(lived: Lived) -> Callable[[float], float]:
    kept: list[float] = []

    def show(value: float) -> float:
        kept.append(value)
        return kept[0]

    return show


def _jumps(_lived: Lived) -> Callable[[float], float]:
    chance = random.Random(5)
    return lambda value: value + chance.choice((-14.0, 0.0, 14.0))


def _broken(_lived: Lived) -> Callable[[float], float]:
    return lambda _: -127.0


def _swapped(lived: Lived) -> None:
    names = lived.home.probe_names
    first, second = names[0], names[-1]
    lived.lies[first] = lambda _: float(lived.home._last.at_c[len(names) - 1])
    lived.lies[second] = lambda _: float(lived.home._last.at_c[0])


def _quiet(lived: Lived) -> None:
    lived.replay.silent = {"probe_2"}


def _nothing(_lived: Lived) -> None:
    pass


def _heard(lived: Lived) -> None:
    lived.replay.silent = set()
    lived.lies.clear()


def plate() -> tuple[Seed, ...]:
    """What goes wrong in the home with a plate exchanger."""
    pump, element = _dead("heat_pump"), _dead("immersion")
    return (
        Seed("no electricity at the heat pump", ("command_without_effect",), *pump,
             shows=_first_run("pump"), proof_days=4.0),
        Seed("no electricity at the immersion heater", ("command_without_effect",), *element,
             days=9.0, shows=_first_run("element"), proof_days=9.0),
        Seed("a charging pump that moves no water", ("pump_moves_no_water",), _lost_heat,
             _heat_back, shows=_first_run("pump"), proof_days=4.0),
        Seed("a leak of 0.5 L/min", ("water_keeps_running",), _leak(0.5), _leak(0.0), days=2.5,
             every_s=60.0, also=frozenset({"tap_left_open"})),
        Seed("a dripping tap, 0.2 L/min", ("water_keeps_running",), _leak(0.2), _leak(0.0),
             days=2.5, every_s=60.0),
        Seed("a tap left open, 6 L/min", ("tap_left_open",), _leak(6.0), _leak(0.0), days=0.1,
             every_s=60.0, also=frozenset({"water_keeps_running"})),
        Seed("immersion relay welded, thermostat stuck", ("uncommanded_running",), _welded,
             _unwelded, days=0.5, every_s=120.0,
             also=frozenset({"immersion_thermostat_stuck"})),
        Seed("immersion thermostat stuck, water above 69 degC", ("immersion_thermostat_stuck",),
             _welded, _unwelded, days=0.5, every_s=60.0,
             shows=lambda lived, _: lived.replay.hot_s, also=frozenset({"uncommanded_running"})),
        Seed("a heat pump that gives half its heat", ("slow_reheat",), _weak(0.45), _strong,
             days=16.0, shows=_first_run("pump"), proof_days=16.0),
        Seed("a secondary return that mixes", ("secondary_return_mixes",), _loop, _no_loop,
             days=4.0, every_s=300.0),
        Seed("a probe that falls silent", ("signal_stale", "probe_silent"), _quiet, _heard,
             days=1.0, every_s=300.0),
        replace(_lie("probe_2", _stuck), name="a probe stuck at one value",
                codes=("probe_stuck",), days=5.0, every_s=300.0),
        replace(_lie("probe_2", _jumps), name="a probe that jumps by 14 K",
                codes=("probe_jumping",), days=2.0, every_s=300.0,
                also=frozenset({"left_to_itself", "water_keeps_running"})),
        replace(_lie("probe_1", _broken), name="a probe with a broken wire",
                codes=("nonsense_readings", "signal_stale", "probe_open_circuit"), days=1.0,
                every_s=60.0),
        Seed("two probes swapped", ("probe_swapped", "left_to_itself"), _swapped, _heard,
             days=6.0, every_s=300.0,
             also=frozenset({"left_to_itself", "probe_wrong_height", "probe_jumping"})),
    )  # fmt: skip


def limescale() -> Line:
    """A coil that loses two fifths of its heat over a year, evenly."""
    lived = Lived("coil", 5, 366)
    pump = lived.home.heat_pump
    assert pump is not None
    below_s = lived.day_s(0.2 / 0.4 * 365.0)  # from here on it gives less than 80 % of its heat
    told = None
    for day in range(0, 365, 5):
        left = 1.0 - 0.4 * day / 365.0
        lived.home.heat_pump = replace(
            pump,
            capacity_w=lambda out, flow, left=left: left * pump.capacity_w(out, flow),  # type: ignore[misc]
        )
        lived.until(day + 5)
        told = lived.told("limescale_drift", "heat_pump")
        if told is not None:
            break
    others = {f.code for _, f in lived.replay.raised} - {"limescale_drift", "slow_reheat"}
    runs = lived.replay.state.watch.reheats["heat_pump"].runs
    stated_s = BY_CODE["limescale_drift"].found_within_s
    found_s = None if told is None else max(told - below_s, 0.0)
    return Line(
        "limescale: a coil that loses 40 % of its heat over a year",
        f"told as limescale_drift on day {(told - lived.start_s) / DAY_S:.0f}, after {runs} runs"
        if told
        else "NOT TOLD within a year",
        f"{_span(found_s)} after it gave less than 80 % (stated: {_span(stated_s)})"
        if found_s is not None
        else "never",
        f"nothing; {len(others)} false alarms besides ({', '.join(sorted(others)) or 'none'})",
        found_s is not None and found_s <= stated_s,
    )


def run(long: bool) -> Outcome:
    """A year of the plate home and one of a coil; when short, two faults within two weeks."""
    seeds = list(plate())
    random.Random(7).shuffle(seeds)
    if not long:
        wanted = ("no electricity at the heat pump", "a tap left open, 6 L/min")
        seeds = [s for s in seeds if s.name in wanted]
    days = frame.days() if long else 16.0
    lines, figures = lived_through("plate", seeds, days, 11)
    if long:
        lines.insert(-1, limescale())
    return Outcome(
        tuple(lines),
        figures,
        {"home": "plate exchanger and immersion heater", "days": days},
        (
            "Times count from when a fault first shows: the first command to the plant it "
            'concerns. "Of running" counts only while the plant is commanded.',
        ),
    )


def lived_through(
    kind: str, seeds: list[Seed], days: float, seed: int
) -> tuple[list[Line], dict[str, float | int | str]]:
    """Live a home through the faults; a line for each, and one for what was told falsely."""
    lived = Lived(kind, seed, int(days), loop=True)
    lines: list[Line] = []
    chance = random.Random(seed)
    room = (days - SETTLED_DAYS - sum(s.days + max(s.proof_days, 2.0) for s in seeds)) / len(seeds)
    assert room > 0, f"{-room:.1f} days too few for each fault"
    lived.until(SETTLED_DAYS)
    expected: list[tuple[float, float, frozenset[str]]] = []
    day = SETTLED_DAYS
    for fault in seeds:
        gap = chance.uniform(0.2, 1.0) * room
        lived.until(day + gap)
        began_s = lived.home.now_s
        served = lived.home.served
        colder = served.colder_l40
        lived.replay.every_s = fault.every_s
        fault.begin(lived)
        lived.until(day + gap + fault.days)
        ended_s = lived.home.now_s
        shown = fault.shows(lived, began_s)
        told = min(
            (t for c in fault.codes if (t := lived.told(c, since_s=began_s)) is not None),
            default=None,
        )
        fault.end(lived)
        rest = max(fault.proof_days, 2.0)
        lived.until(day + gap + fault.days + rest)
        lived.replay.every_s = None
        over = _over(lived, fault, ended_s)
        expected.append((began_s, lived.home.now_s, fault.also | frozenset(fault.codes) | ALSO))
        found_s = _found_s(lived, fault, shown, told)
        colder_l40 = served.colder_l40 - colder
        lines.append(_line(fault, shown, found_s, began_s, ended_s, over, colder_l40))
        day += gap + fault.days + rest
    lived.until(days)
    false = [
        (at, f)
        for at, f in lived.replay.raised
        if not any(a <= at <= b and f.code in codes for a, b, codes in expected)
    ]
    said = ", ".join(f"{when(at)} {f.code} {f.subject}" for at, f in false)
    lines.append(
        Line(
            f"nothing else wrong, {days:.0f} days with {len(seeds)} faults put in",
            f"told besides what was put in or follows from it: {said or 'nothing'}",
            "",
            f"{len(false)} false alarms",
            len(false) <= max(1, days / 365.0),
        )
    )
    return lines, {"steps": lived.replay.report.steps, "draws": lived.home.served.draws}


def _over(lived: Lived, fault: Seed, ended_s: float) -> float | None:
    """When it was told to be over; the moment it was mended when it did not stand by then."""
    raised = {(f.code, f.subject, f.since) for t, f in lived.replay.raised if t <= ended_s}
    before = {(f.code, f.subject, f.since) for t, f in lived.replay.cleared if t <= ended_s}
    standing = {key for key in raised - before if key[0] in fault.codes}
    if not standing:
        return ended_s
    after = {(f.code, f.subject, f.since): t for t, f in lived.replay.cleared if t > ended_s}
    return max(after[key] for key in standing) if standing <= after.keys() else None


def _found_s(lived: Lived, fault: Seed, shown: float | None, told: float | None) -> float | None:
    """From when it first showed until it was told, as the table counts; None when it was not."""
    if told is None or shown is None:
        return None
    if all(BY_CODE[c].while_commanded for c in fault.codes):
        return lived.replay.commanded_s("heat_pump", shown, told)
    return max(told - shown, 0.0)


def _line(
    fault: Seed,
    shown: float | None,
    found_s: float | None,
    began_s: float,
    ended_s: float,
    over: float | None,
    colder_l40: float,
) -> Line:
    stated_s = max(BY_CODE[c].found_within_s for c in fault.codes)
    running = " of running" if all(BY_CODE[c].while_commanded for c in fault.codes) else ""
    cleared = (
        f"over {_span(over - ended_s)} after it was mended" if over is not None else "NOT OVER"
    )
    waited = f"; it first showed after {_span(shown - began_s)}" if shown else ""
    return Line(
        fault.name,
        f"told as {' or '.join(fault.codes)}{waited}; {cleared}"
        if found_s is not None
        else f"NOT TOLD within {fault.days:g} days",
        f"{_span(found_s)}{running} (stated: {_span(stated_s)}{running})"
        if found_s is not None
        else "never",
        f"{colder_l40:.0f} L that came colder than wanted",
        found_s is not None and found_s <= stated_s and over is not None,
    )


def _span(seconds: float) -> str:
    if seconds < 2 * HOUR_S:
        return f"{seconds / 60:.0f} min"
    if seconds < 2 * DAY_S:
        return f"{seconds / HOUR_S:.1f} h"
    return f"{seconds / DAY_S:.1f} days"
