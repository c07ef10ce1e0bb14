"""Whole years of simulated homes with nothing wrong: what is told falsely."""

from __future__ import annotations

from collections import Counter

from tests.faults import frame
from tests.faults._homes import DAY_S, Lived, when
from tests.faults.frame import Line, Outcome

HOUR_S = 3600.0
HOMES = (("plate", 1, 1.0), ("coil", 2, 1.0), ("immersion", 3, 1.0), ("lean", 4, 1 / 3))
WORDS = {
    "plate": "heat pump on a plate exchanger, immersion heater, four people",
    "coil": "heat pump on a coil, immersion heater, four people",
    "immersion": "immersion heater alone, two people",
    "lean": "heat pump on a plate exchanger, two probes and no meter, four people",
}


def run(long: bool) -> Outcome:
    """A year of each home, a third of one of the lean one; a week of the first when short."""
    lines, seen, years = [], Counter[str](), 0.0
    for kind, seed, part in HOMES if long else HOMES[:1]:
        days = int(frame.days() * part) if long else 7
        lived = Lived(kind, seed, days)
        doubted_s, step_s = Counter[str](), HOUR_S / DAY_S
        for hour in range(1, days * 24 + 1):
            lived.until(hour * step_s)
            belief = lived.replay.state.belief
            doubted = () if belief.estimate is None else belief.estimate.probe_faults
            doubted_s.update({f.probe: HOUR_S for f in doubted})
        told = [(at, f) for at, f in lived.replay.raised]
        seen.update(f.code for _, f in told)
        years += days / 365.0
        report, served = lived.replay.report, lived.home.served
        said = ", ".join(f"{when(at)} {f.code} {f.subject}" for at, f in told)
        lines.append(
            Line(
                f"none: {WORDS[kind]}, {days} days, seed {seed}",
                f"{len(told)} false alarms{': ' + said if said else ''}; {report.steps} steps, "
                f"{report.starts} starts, {served.draws} draw-offs; sound probes left out for "
                f"{max(doubted_s.values(), default=0.0) / HOUR_S:.0f} h at most",
                "",
                f"{served.colder_l40:.0f} of {served.wanted_l40:.0f} L came colder than wanted",
                len(told) <= max(1.0, days / 365.0),
            )
        )
        print(lines[-1], flush=True)
    return Outcome(
        tuple(lines),
        {"false alarms": sum(seen.values()), "home-years": round(years, 2), **seen},
        {"days": int(frame.days()) if long else 7, "goal": "at most one false alarm per home-year"},
    )
