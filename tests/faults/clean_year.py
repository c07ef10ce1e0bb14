"""Whole years of simulated homes with nothing wrong: what is told falsely."""

from __future__ import annotations

from collections import Counter

from tests.faults import frame
from tests.faults._homes import Lived, when
from tests.faults.frame import Line, Outcome

HOMES = (("plate", 1), ("coil", 2), ("immersion", 3))
WORDS = {
    "plate": "heat pump on a plate exchanger, immersion heater, four people",
    "coil": "heat pump on a coil, immersion heater, four people",
    "immersion": "immersion heater alone, two people",
}


def run(long: bool) -> Outcome:
    """A year of each home; a week of one when short."""
    days = int(frame.days()) if long else 7
    lines, seen, years = [], Counter[str](), 0.0
    for kind, seed in HOMES if long else HOMES[:1]:
        lived = Lived(kind, seed, days)
        lived.until(days)
        told = [(at, f) for at, f in lived.replay.raised]
        seen.update(f.code for _, f in told)
        years += days / 365.0
        report, served = lived.replay.report, lived.home.served
        said = ", ".join(f"{when(at)} {f.code} {f.subject}" for at, f in told)
        lines.append(
            Line(
                f"none: {WORDS[kind]}, {days} days, seed {seed}",
                f"{len(told)} false alarms{': ' + said if said else ''}; {report.steps} steps, "
                f"{report.starts} starts, {served.draws} draw-offs",
                "",
                f"{served.colder_l40:.0f} of {served.wanted_l40:.0f} L came colder than wanted",
                len(told) <= max(1.0, days / 365.0),
            )
        )
        print(lines[-1], flush=True)
    return Outcome(
        tuple(lines),
        {"false alarms": sum(seen.values()), "home-years": round(years, 2), **seen},
        {"days": days, "goal": "at most one false alarm per home-year"},
    )
