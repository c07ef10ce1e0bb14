"""Whether a source gives less heat for the time than it used to: soon, or over many runs.

Each run has an account: the heat the probes gained and what was drawn, against the heat that the
source should give in that time.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from adapters.wiring import Quantity
from service.control.detectors import HOUR_S, Finding, without_heat
from service.control.plant import SourcePlant
from service.control.situation import Situation
from service.control.state import NEVER, Facts, Reheat, Watch
from service.scheduling.types import SourceName

RUN_LEAST_S = 1500.0
RUN_LEAST_KWH = 1.5
REHEAT_PROBES = 2  # one probe takes all water for as hot as it is itself
RUNS_USUAL = 6
RUNS_FIRST = 20
RUNS_MEAN = 20
SLOW_SHARE = 0.6
SLOW_OVER_SHARE = 0.7  # it takes this to end what was told: runs differ
ODD_SHARE = 0.75
SCALE_SHARE = 0.75  # seasons alone make it 0.8: how full it is when charged, and how cold it is
SCALE_RUNS = 80


def follow(
    s: Situation, accounts: dict[str, Reheat], done: frozenset[SourceName]
) -> dict[str, Reheat]:
    """The accounts of all sources' runs; ``done`` are those that have nothing more to heat."""
    for name, source in s.plant.sources.items():
        before = accounts.get(name, Reheat())
        after = _followed(s, source, before, done=name in done)
        if after is not before:
            accounts = {**accounts, name: after}
    return accounts


def findings(watch: Watch, name: SourceName) -> Iterator[Finding]:
    """Runs that lately gave less than usual, and usual ones that give less than the first."""
    r = watch.reheats.get(name)
    if r is None or r.usual is None or r.recent is None or r.first is None:
        return
    slow = SLOW_SHARE if watch.suspicion("slow_reheat", name) is None else SLOW_OVER_SHARE
    if r.runs >= RUNS_USUAL and r.recent < slow * r.usual:
        yield Finding(
            "slow_reheat", name, {"recent": round(r.recent, 2), "usual": round(r.usual, 2)}
        )
    if r.runs >= SCALE_RUNS and r.usual < SCALE_SHARE * r.first:
        facts: Facts = {"usual": round(r.usual, 2), "first": round(r.first, 2), "runs": r.runs}
        yield Finding("limescale_drift", name, facts)


def _followed(s: Situation, source: SourcePlant, was: Reheat, *, done: bool) -> Reheat:
    """Begin, follow and end the account of one run: heat gained against heat expected.

    A run that has nothing more to heat has ended, called or not.
    """
    run, lease = s.state.book.runs.get(source.name), s.state.book.run_of(source.name)
    started = run.started_mark_s if run is not None else None
    heat = s.heat_by_probes_kwh
    if started is not None:
        # Whose heat it was is not known beside another source, nor how much when it modulates.
        unknown = any(s.running(n) for n in s.plant.sources if n != source.name)
        unknown = unknown or (lease is not None and lease.power_w is not None)
        if was.mark_s != started:
            heat = None if unknown else heat
            return replace(was, mark_s=started, heat_kwh=heat, drawn_kwh=s.state.draws.total_kwh)
        if was.heat_kwh is None or not (unknown or done):
            return was
        return replace(was, heat_kwh=None) if unknown else _ended(s, source, was, s.elapsed_s)
    if was.heat_kwh is None or was.mark_s == NEVER or run is None:
        return was
    return _ended(s, source, was, run.stopped_mark_s)


def _ended(s: Situation, source: SourcePlant, was: Reheat, end_mark_s: float) -> Reheat:
    """The account with one more run, as far as that can be judged."""
    heat, ended = s.heat_by_probes_kwh, replace(was, heat_kwh=None)
    if source.name in without_heat(s.state.faults):
        return ended  # it did not heat at all, which has been told
    seconds = end_mark_s - was.mark_s
    if heat is None or was.heat_kwh is None or len(s.plant.probes) < REHEAT_PROBES:
        return ended
    if seconds < RUN_LEAST_S or s.elapsed_s - end_mark_s > HOUR_S:
        return ended
    gained = heat - was.heat_kwh + s.state.draws.total_kwh - was.drawn_kwh
    # By what was typed in: what meters teach follows a source that gets weaker.
    expected = s.plant.heat_w(source, s.outdoor_c) / 1000.0 * seconds / HOUR_S
    if expected < RUN_LEAST_KWH or not s.plant.of(Quantity.DRAW_FLOW):
        return ended
    share = min(max(gained / expected, 0.0), 3.0)
    runs = was.runs + 1
    usual = share
    if was.usual is not None:
        # A run far below the usual is what is looked for: it changes the usual but little.
        odd = share < ODD_SHARE * was.usual
        usual = was.usual + (share - was.usual) / min(runs, RUNS_MEAN) / (3.0 if odd else 1.0)
    recent = share if was.recent is None else was.recent + 0.35 * (share - was.recent)
    first = was.first
    if runs <= RUNS_FIRST:
        first = share if first is None else first + (share - first) / runs
    return replace(ended, runs=runs, usual=usual, recent=recent, first=first)
