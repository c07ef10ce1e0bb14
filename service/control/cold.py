"""Why a draw-off came cold: what is on record of the time before, the likeliest first.

Nobody can see a cause; what is found here stood in the way of hot water then, and is told with its
figures. What kept heat away altogether comes before what was wanted of it, and that before what
was merely reckoned with. Where the first stands, or more was drawn than there can be, the plan and
the settings are not named beside it: with no heat to be had no larger reserve holds any.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import takewhile

from service.control.detectors import BY_CODE, WITHOUT_HEAT
from service.control.types import Decision, Draw, Fault, Override, Rule, Wish
from service.scheduling.types import Reason, SourceName

LOOK_BACK = timedelta(hours=12)  # what lies longer ago has been made good by a night's charge
AT_ONCE = timedelta(hours=1)  # between two draw-offs: they take from one charge
ONE_CHARGE = timedelta(hours=2)  # at most: beyond it much is heated anew meanwhile
REHEATED = timedelta(hours=6)  # after an absence, or what else kept heat away for AWAY_S
AWAY_S = 3600.0  # without Ladle for a shorter time no charge is missed that could not be made up
WAITED_S = 1200.0  # nor by what waited for less
BEGUN_S = 60.0, 3 * 3600.0  # before a draw-off: time to have begun to heat, and to have heated
TOLD_LATER_S = 5 * 86_400.0  # a probe is found to be wrong days after it began to mislead
MORE_SHARE, MORE_L40 = 1.3, 15.0  # beyond what was expected: more than its ordinary error
FULL_SHARE = 0.9  # of a full cylinder's litres: the border on cold water takes the rest
CHANCE = 0.05  # of running short, that a plan knew of

KEEPS_HEAT_AWAY = frozenset(
    {
        "command_without_effect",
        "pump_moves_no_water",
        "secondary_return_mixes",
        "tap_left_open",
        "water_keeps_running",
    }
)
MISLEADS = frozenset(
    {
        "probe_open_circuit",
        "probe_silent",
        "probe_stuck",
        "probe_jumping",
        "probe_swapped",
        "probe_wrong_height",
    }
)
WEAKENS = frozenset({"slow_reheat", "limescale_drift", "disinfection_failed", "work_failed"})


@dataclass(frozen=True)
class Before:
    """What is on record of the time before a draw-off.

    draws          earlier ones, in order
    decisions      in order; the first may be older than ``LOOK_BACK``
    wishes         that were in force at some time since then
    faults         all that may have stood then or been found since
    unwatched      spans in which no reading came
    quiet          the heat pump's quiet hours that held then or shortly before, local
    expected_l40   what the last forecast before ``began`` expected until the draw-off's end
    plan           the reason of the last plan before ``began``
    mixers         actuators whose heat comes by a charging pump of fixed flow
    main           the source that the home has its hot water from
    """

    draws: tuple[Draw, ...]
    decisions: tuple[Decision, ...]
    wishes: tuple[Override, ...]
    faults: tuple[Fault, ...]
    unwatched: tuple[tuple[datetime, datetime], ...]
    reference_l40: float
    comfort: str
    quiet: tuple[str, str] | None = None
    expected_l40: float | None = None
    plan: Reason | None = None
    mixers: frozenset[str] = frozenset()
    main: SourceName = "heat_pump"


def one_charge(draw: Draw, before: Iterable[Draw]) -> tuple[Draw, ...]:
    """The draw-offs that took from one charge with this one, which is the last of them."""
    found = [draw]
    for other in sorted(before, key=lambda d: d.start, reverse=True):
        if other.start >= draw.start:
            continue
        far = found[-1].start - other.end > AT_ONCE or draw.start - other.start > ONE_CHARGE
        if far:
            break
        found.append(other)
    return tuple(reversed(found))


def causes(draw: Draw, x: Before) -> tuple[Reason | Fault, ...]:
    """What made a draw-off cold, the likeliest first; one ``unexplained`` when nothing is found."""
    beyond = tuple(_beyond(draw, x))
    explained = beyond or any(_left_none(c, x) for c in _kept_away(draw, x, REHEATED))
    reckoned = () if explained else (*_much(draw, x), *_hindered(draw, x), *_accepted(draw, x))
    found: tuple[Reason | Fault, ...] = (
        *_kept_away(draw, x, LOOK_BACK),
        *_stood(draw, x, MISLEADS),
        *beyond,
        *reckoned,
        *_stood(draw, x, WEAKENS),
    )
    return found or (Reason("unexplained", {}),)


def _kept_away(draw: Draw, x: Before, back: timedelta) -> Iterator[Reason | Fault]:
    """What kept heat from the cylinder at some time within ``back`` before."""
    yield from _held(draw, x, back)
    yield from _away(draw, x)
    yield from _let_go(draw, x, back)
    yield from _stood(draw, x, KEEPS_HEAT_AWAY, back)


def _left_none(cause: Reason | Fault, x: Before) -> bool:
    """Whether what kept heat away left none, whatever was planned."""
    if isinstance(cause, Reason) or cause.code == "tap_left_open":
        return True
    return cause.code in WITHOUT_HEAT and cause.subject == x.main


def _end(wish: Override) -> datetime | None:
    return min((t for t in (wish.until, wish.ended_at) if t is not None), default=None)


def _in_force(
    draw: Draw, wishes: Iterable[Override], wish: Wish, back: timedelta = LOOK_BACK
) -> list[Override]:
    """Wishes of a kind that held at some time within ``back`` before."""
    return [
        o
        for o in wishes
        if o.wish is wish
        and o.since <= draw.start
        and ((end := _end(o)) is None or end > draw.start - back)
    ]


def _held(draw: Draw, x: Before, back: timedelta) -> Iterator[Reason]:
    for hold in _in_force(draw, x.wishes, Wish.HOLD):
        ended = _end(hold)
        over = ended is not None and ended <= draw.start
        until = ended if over and ended else draw.start
        if (until - max(hold.since, draw.start - back)).total_seconds() >= AWAY_S:
            yield Reason(
                "held",
                {
                    "by": hold.author,
                    "since": hold.since.timestamp(),
                    "ended": until.timestamp() if over else None,
                },
            )
            return


def _away(draw: Draw, x: Before) -> Iterator[Reason]:
    """An absence in which somebody was at home after all, or one that ended early."""
    for away in _in_force(draw, x.wishes, Wish.AWAY):
        early = away.ended_at is not None and (away.until is None or away.ended_at < away.until)
        lasts = away.ended_at is None and (away.until is None or away.until > draw.start)
        if lasts or (early and away.ended_at and draw.start - away.ended_at < REHEATED):
            yield Reason(
                "away_but_guests" if _guests(draw, x) else "away",
                {
                    "until": None if away.until is None else away.until.timestamp(),
                    "by": away.author,
                    "ended": away.ended_at.timestamp() if away.ended_at else None,
                },
            )
            return


def _spans(
    draw: Draw, decisions: Sequence[Decision], back: timedelta
) -> Iterator[tuple[Decision, float]]:
    """Each decision with how long it was in force within ``back`` before, s."""
    from_ = draw.start - back
    if not decisions:
        return
    ends = [*(d.at for d in decisions[1:]), draw.start]
    for decision, end in zip(decisions, ends, strict=True):
        lasted_s = (min(end, draw.start) - max(decision.at, from_)).total_seconds()
        if lasted_s > 0:
            yield decision, lasted_s


def _let_go(draw: Draw, x: Before, back: timedelta) -> Iterator[Reason]:
    """Nothing was commanded: readings that could not be used, or nobody there to use them."""
    spans = [(d, s) for d, s in _spans(draw, x.decisions, back) if d.rule is Rule.FAIL_SAFE]
    lasted_s = sum(s for _, s in spans)
    if lasted_s >= AWAY_S:
        longest = max(spans, key=lambda pair: pair[1])[0]
        yield Reason(
            "let_go",
            {
                "since": longest.at.timestamp(),
                "lasted_s": round(lasted_s),
                "because": longest.reason.code,
            },
        )
        return
    for since, until in x.unwatched:
        if (min(until, draw.start) - max(since, draw.start - back)).total_seconds() >= AWAY_S:
            yield Reason("unwatched", {"since": since.timestamp(), "until": until.timestamp()})
            return


def _stood(
    draw: Draw, x: Before, codes: frozenset[str], back: timedelta = LOOK_BACK
) -> Iterator[Fault]:
    """Faults of these kinds that stood then; of probes also those found to be wrong since."""
    for fault in x.faults:
        if fault.code not in codes:
            continue
        later_s = min(BY_CODE[fault.code].found_within_s, TOLD_LATER_S)
        later = timedelta(seconds=later_s if codes is MISLEADS else 0.0)
        over = fault.cleared_at is not None and fault.cleared_at < draw.start - back
        if fault.since - later <= draw.start and not over:
            yield fault


def _taken(draw: Draw, x: Before) -> dict[str, float | int | str | None]:
    """What had been drawn from one charge, and since when."""
    since = one_charge(draw, x.draws)[0].start
    return {"drawn_l40": round(_drawn_l40(draw, x)), "since": since.timestamp()}


def _drawn_l40(draw: Draw, x: Before) -> float:
    return sum(d.litres_40c for d in one_charge(draw, x.draws))


def _beyond(draw: Draw, x: Before) -> Iterator[Reason]:
    """More was drawn than there can be."""
    if _drawn_l40(draw, x) >= FULL_SHARE * x.reference_l40:
        yield Reason("more_than_full", _taken(draw, x) | {"full_l40": round(x.reference_l40)})


def _much(draw: Draw, x: Before) -> Iterator[Reason]:
    """More was drawn than was asked to be there, or was expected."""
    less = _in_force(draw, x.wishes, Wish.LESS)
    if less:
        yield Reason(
            "less",
            {
                "tenths": len(less),
                "by": less[-1].author,
                "since": min(o.since for o in less).timestamp(),
            },
        )
    expected = x.expected_l40
    if expected is not None and _drawn_l40(draw, x) > MORE_SHARE * expected + MORE_L40:
        code = "more_than_guests" if _guests(draw, x) else "more_than_expected"
        yield Reason(code, _taken(draw, x) | {"expected_l40": round(expected)})


def _guests(draw: Draw, x: Before) -> bool:
    """Whether guests had been said, and were counted in before the drawing began."""
    began = one_charge(draw, x.draws)[0].start
    return any(o.made_at <= began for o in _in_force(draw, x.wishes, Wish.GUESTS, timedelta(0)))


def _hindered(draw: Draw, x: Before) -> Iterator[Reason]:
    """Heat was wanted and had to wait."""
    if x.quiet is not None:
        yield Reason("quiet", {"quiet_from": x.quiet[0], "quiet_until": x.quiet[1]})
    waited: dict[str, float] = {}
    for decision, lasted_s in _spans(draw, x.decisions, LOOK_BACK):
        for code in str(decision.inputs.get("waits_for") or "").split(", "):
            waited[code] = waited.get(code, 0.0) + lasted_s
    for code, lasted_s in sorted(waited.items(), key=lambda item: -item[1]):
        if code not in ("", "minimum_run") and lasted_s >= WAITED_S:
            yield Reason("held_back", {"waits_for": code, "lasted_s": round(lasted_s)})
    # A run goes on through decisions that changed its reason, or let a second source join it.
    run = list(takewhile(lambda d: d.inputs.get("running"), reversed(x.decisions)))
    if run:
        begun_s = (draw.start - run[-1].at).total_seconds()
        if BEGUN_S[0] <= begun_s <= BEGUN_S[1]:
            yield _begun(draw, x, run[-1], begun_s)


def _begun(draw: Draw, x: Before, first: Decision, begun_s: float) -> Reason:
    """A charge that had begun too late; or with enough there, which its pump mixed with colder."""
    facts: dict[str, float | int | str | None] = {
        "since": first.at.timestamp(),
        "begun_s": round(begun_s),
    }
    had = first.inputs.get("charge_l40")
    runs = set(str(first.inputs["running"]).split(", "))
    if runs & x.mixers and isinstance(had, int | float) and had >= draw.wanted_l40:
        return Reason("charge_mixes", facts | {"charge_l40": had})
    return Reason("not_in_time", facts)


def _accepted(draw: Draw, x: Before) -> Iterator[Reason]:
    """A chance of running short that the plan knew of and the household's comfort accepts."""
    facts = {} if x.plan is None else x.plan.facts
    chance = facts.get("short_chance")
    begin, end = facts.get("use_from_s"), facts.get("use_until_s")
    known = isinstance(chance, int | float) and chance >= CHANCE
    if isinstance(begin, int | float) and isinstance(end, int | float):
        known = known and begin <= draw.end.timestamp() and draw.start.timestamp() <= end
    if known or x.comfort == "thrifty":
        yield Reason("accepted", {"short_chance": chance if known else None, "comfort": x.comfort})
