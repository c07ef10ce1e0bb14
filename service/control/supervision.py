"""Faults found from the data: told once a check has seen them for long enough, over when gone.

What is looked for and how long it must last stands in ``detectors``, what is remembered meanwhile
in ``watching``; the checks are ``checks``, ``effect`` and ``reheats``. None of them commands
anything. A fault of a source (``UNUSABLE_FOR_S``) makes control use another one and try the first
again later.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from service.control import checks, effect, reheats, watching
from service.control.detectors import BY_CODE, FLUSH, Finding
from service.control.situation import Situation
from service.control.state import NEVER, Suspicion, Watch, changed
from service.control.types import Fault

STRIDE_S = 15.0


def advance(
    s: Situation, nonsense: tuple[str, ...], acknowledged: tuple[str, ...] = ()
) -> tuple[Watch, tuple[Fault, ...], tuple[Fault, ...]]:
    """Run the checks: supervision's memory, all standing faults, and those raised or cleared.

    ``acknowledged``: "code/subject" of what a person has just seen.
    """
    watch = watching.counted(s, nonsense)
    if "/".join(FLUSH) in acknowledged:
        watch = changed(watch, flush_mark_s=NEVER)
    at_once = s.state.clock.wrong or nonsense or acknowledged
    if s.elapsed_s - watch.mark_s < STRIDE_S and not at_once:
        return watch, s.state.faults, ()
    watch = watching.follow(s, watch)
    found: dict[tuple[str, str], Finding] = {}
    over: set[tuple[str, str]] = set()
    for finding in _findings(s, watch):
        key = (finding.code, finding.subject)
        if finding.over:
            over.add(key)
        else:
            found[key] = finding
    heats = {subject for code, subject in over if code == "command_without_effect"}
    if heats and watch.moments:
        mark_s = watch.moments[-1].mark_s
        watch = changed(watch, heats_mark_s=watch.heats_mark_s | dict.fromkeys(heats, mark_s))
    suspicions: dict[str, Suspicion] = {}
    standing = {(f.code, f.subject): f for f in s.state.faults if f.cleared_at is None}
    news: list[Fault] = []
    for key, finding in found.items():
        name = f"{key[0]}/{key[1]}"
        suspicion = watch.suspicion(*key) or Suspicion(s.elapsed_s, s.now)
        suspicion = replace(suspicion, seen_mark_s=s.elapsed_s)
        suspicions[name] = suspicion
        detector = BY_CODE[key[0]]
        if key not in standing and s.elapsed_s - suspicion.since_mark_s >= detector.told_after_s:
            fault = Fault(key[0], key[1], suspicion.since_at, detector.severity, finding.facts)
            standing[key] = fault
            news.append(fault)
    # What is commanded no longer, or was taken out, will never show the opposite.
    commanded = {name for name, source in s.plant.sources.items() if source.actuators}
    for key, fault in list(standing.items()):
        if key in found:
            continue
        name = f"{key[0]}/{key[1]}"
        known = BY_CODE.get(key[0])
        suspicion = watch.suspicion(*key) or Suspicion(s.elapsed_s, s.now)
        gone = s.elapsed_s - suspicion.seen_mark_s
        proof = known is not None and known.proof and key[1] in commanded
        if known is None or (key in over if proof else gone >= known.cleared_after_s):
            del standing[key]
            news.append(replace(fault, cleared_at=s.now))
        else:
            suspicions[name] = suspicion
    watch = changed(watch, suspicions=suspicions, mark_s=s.elapsed_s)
    return watch, tuple(standing.values()), tuple(news)


def _findings(s: Situation, watch: Watch) -> Iterator[Finding]:
    yield from checks.signals(s, watch)
    yield from checks.clock_and_work(s)
    yield from checks.probes(s)
    for name, source in s.plant.sources.items():
        yield from effect.commanded(s, watch, name, source)
        yield from effect.uncommanded(s, watch, name, source)
        yield from reheats.findings(watch, name)
    yield from effect.beyond_thermostat(s)
    yield from checks.water(s, watch)
    yield from checks.secondary_return(s, watch)
    yield from checks.disinfection(s)
    yield from checks.left_to_itself(s)
    yield from checks.unflushed(s, watch)
