"""What supervision remembers from step to step, whatever is made of it.

Every few minutes a moment is kept: the heat that the probes show, what was drawn, what is usable.
Beside them go on the account of the heat pump's charge (``arrival``), those of runs (``reheats``),
the longest pause between draws of a day, and an absence.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from adapters.wiring import Quantity
from service.control import arrival, hygiene, observe, reheats
from service.control.detectors import HOUR_S
from service.control.situation import Situation
from service.control.state import NEVER, Moment, Watch, changed, shifted

MOMENT_EVERY_S = 300.0
MOMENTS_KEPT = 30  # two and a half hours
NONSENSE_PER_HOUR = 10  # impossible values of one signal


def follow(s: Situation, watch: Watch) -> Watch:
    """Keep a moment every few minutes, and close the books on runs that ended."""
    last = watch.moments[-1] if watch.moments else None
    if last is None or s.elapsed_s - last.mark_s >= MOMENT_EVERY_S:
        heat = s.heat_by_probes_kwh
        circulating = observe.first_fresh(s.plant, s.fresh, Quantity.SECONDARY_RETURN)
        moment = Moment(
            s.elapsed_s,
            heat,
            s.state.draws.total_kwh,
            s.charge_l40,
            s.state.draws.total_l40,
            bool(circulating),
        )
        watch = changed(
            watch,
            moments=(*watch.moments, moment)[-MOMENTS_KEPT:],
            charge=arrival.follow(
                s, watch.charge, 0.0 if last is None else s.elapsed_s - last.mark_s
            ),
        )
    done = {n: s.elapsed_s for n, x in s.plant.sources.items() if s.running(n) and s.satisfied(x)}
    if done:
        watch = changed(watch, done_mark_s=watch.done_mark_s | done)
    watch = _absence(s, _quiet_day(s, watch))
    accounts = reheats.follow(s, watch.reheats, frozenset(done))
    return watch if accounts is watch.reheats else changed(watch, reheats=accounts)


def counted(s: Situation, nonsense: tuple[str, ...]) -> Watch:
    """The memory with the impossible values that came now: when the latest few of a signal did."""
    watch = s.state.watch
    if not nonsense:
        return watch
    marks = dict(watch.nonsense_marks)
    for name in nonsense:
        marks[name] = (*marks.get(name, ()), s.elapsed_s)[-NONSENSE_PER_HOUR:]
    return changed(watch, nonsense_marks=marks)


def _absence(s: Situation, watch: Watch) -> Watch:
    """Follow an absence, and when it ends note whether it was a long one."""
    away = s.standing.away
    if away is not None:
        if watch.away_since_s is None:
            return changed(watch, away_since_s=away.since.timestamp())
        return watch
    if watch.away_since_s is None:
        return watch
    lasted_s = s.now_s - watch.away_since_s
    if lasted_s < hygiene.ABSENCE_S:
        return changed(watch, away_since_s=None)
    return changed(watch, away_since_s=None, empty_for_s=lasted_s, flush_mark_s=s.elapsed_s)


def _quiet_day(s: Situation, watch: Watch) -> Watch:
    """The longest pause between draws of this local day, and yesterday's."""
    flow = s.plant.of(Quantity.DRAW_FLOW)
    if not flow:
        return watch
    seen = flow[0].name in s.fresh
    quiet_since = watch.quiet_since_s
    if s.state.draws.start_s is not None or not seen:
        quiet_since = s.elapsed_s
    longest = max(watch.quiet_longest_s, s.elapsed_s - quiet_since)
    blind = watch.blind or not seen
    if s.state.today != watch.day:
        whole = watch.day != "" and not watch.blind and watch.day_mark_s < s.elapsed_s - 20 * HOUR_S
        return changed(
            watch,
            day=s.state.today,
            day_mark_s=s.elapsed_s,
            yesterday_quiet_s=watch.quiet_longest_s if whole else None,
            quiet_longest_s=0.0,
            quiet_since_s=quiet_since,
            blind=not seen,
        )
    if (
        longest != watch.quiet_longest_s
        or quiet_since != watch.quiet_since_s
        or blind != watch.blind
    ):
        return changed(watch, quiet_longest_s=longest, quiet_since_s=quiet_since, blind=blind)
    return watch


def moved(watch: Watch, shift_s: float) -> Watch:
    """The memory with its marks on another elapsed clock; what was being watched begins anew."""
    mark = partial(shifted, shift_s=shift_s)
    return changed(
        watch,
        mark_s=NEVER,
        suspicions={
            name: replace(x, since_mark_s=mark(x.since_mark_s), seen_mark_s=mark(x.seen_mark_s))
            for name, x in watch.suspicions.items()
        },
        reheats={n: replace(r, mark_s=NEVER, heat_kwh=None) for n, r in watch.reheats.items()},
        moments=(),
        charge=None,
        done_mark_s={},
        heats_mark_s={},
        nonsense_marks={n: tuple(map(mark, m)) for n, m in watch.nonsense_marks.items()},
        day_mark_s=mark(watch.day_mark_s),
        quiet_since_s=mark(watch.quiet_since_s),
        blind=True,
        flush_mark_s=mark(watch.flush_mark_s),
    )
