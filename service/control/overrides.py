"""People's wishes: checked when they are made, in force while they last, ended with a trace.

"More" raises the reserve and the next target by a tenth until its end; "less" lowers both and
never cools water that is already hot. A maintenance hold has no end: a person ends it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from service.clock import second_of
from service.control.types import Override, View, Wish
from service.settings import HomeSettings

USUAL_SPAN = {Wish.MORE: timedelta(hours=12), Wish.LESS: timedelta(hours=12)}
LONGEST_SPAN = {
    Wish.MORE: timedelta(days=14),
    Wish.LESS: timedelta(days=14),
    Wish.CHARGE_TO: timedelta(days=2),
    Wish.GUESTS: timedelta(days=62),
    Wish.AWAY: timedelta(days=366),
}
FIELDS: dict[Wish, frozenset[str]] = {
    Wish.MORE: frozenset({"until"}),
    Wish.LESS: frozenset({"until"}),
    Wish.CHARGE_TO: frozenset({"tenths", "until"}),
    Wish.GUESTS: frozenset({"people", "from", "until"}),
    Wish.AWAY: frozenset({"from", "until"}),
    Wish.BACK_TO_PLAN: frozenset(),
    Wish.HOLD: frozenset(),
    Wish.END_HOLD: frozenset(),
}
ENDING = frozenset({Wish.BACK_TO_PLAN, Wish.END_HOLD})  # end others and are over at once
CHARGING = frozenset({Wish.MORE, Wish.LESS, Wish.CHARGE_TO})
NOTE_LENGTH = 200
REASON_LENGTH = 500
AUTHOR_LENGTH = 80
_SHOWN_LENGTH = 40
# Half a UTF-16 pair, which JSON can write and nothing can keep; controls, NUL above all, which a
# database refuses; and marks that turn the direction of all that follows on a page.
_NO_TEXT = re.compile(r"[\ud800-\udfff\x00-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")
MOST_PEOPLE = 30.0
MOST_AT_ONCE = 50  # an automation that asks again and again must not fill page, topic and records


class WishRefused(ValueError):  # noqa: N818 - the wish was refused, nothing went wrong
    """A wish that cannot be carried out: what is wrong, in which field, and how to mend it."""

    def __init__(self, what: str, where: str, mend: str) -> None:
        super().__init__(f"{where}: {what}; {mend}")
        self.what = what
        self.where = where
        self.mend = mend


def check_wish(
    fields: Mapping[str, Any],
    author: str,
    now: datetime,
    settings: HomeSettings,
    view: View | None,
    *,
    others: Iterable[Override] = (),
    by_message: bool = False,
) -> Override:
    """Turn what a person sent into an ``Override`` with id 0, or refuse it.

    Args:
        fields: ``wish`` and, where the wish takes them, ``tenths``, ``people``, ``from``,
            ``until`` (ISO 8601, or HH:MM for the next time the home's clock shows it) and
            ``note``. Numbers may come as text.
        author: who asks; stored with the wish.
        now: aware UTC.
        settings: the home's settings in force.
        view: the last view, to refuse what makes no sense now; None before the first step.
        others: what was asked for before and has not ended.
        by_message: it came over MQTT, where nobody is known by a token: a maintenance hold is
            not ended that way.

    Raises:
        WishRefused: with what, where and how to mend it.
    """
    wish = _wish(fields.get("wish"))
    if wish is Wish.END_HOLD and by_message:
        raise WishRefused(
            "no message ends a maintenance hold",
            "wish",
            "a person ends it on the page or over the API, with their own token",
        )
    known = FIELDS[wish] | {"wish", "note"}
    for key, value in fields.items():
        if key not in known and value not in (None, ""):
            takes = ", ".join(sorted(FIELDS[wish])) or "nothing else"
            unknown = plain_text(key, _SHOWN_LENGTH) or "?"
            raise WishRefused(
                f"'{wish}' takes no '{unknown}'", unknown, f"leave it out: it takes {takes}"
            )
    others = tuple(others)
    _refuse_too_many(wish, others, now, settings)
    author = plain_text(author, AUTHOR_LENGTH)
    if not author:
        raise WishRefused("nobody is named as its author", "author", "sign in, or send a token")
    since = _moment(fields, "from", now, settings, wish) or now
    until = _moment(fields, "until", max(since, now), settings, wish)
    if wish in USUAL_SPAN and until is None:
        until = now + USUAL_SPAN[wish]
    if wish in LONGEST_SPAN:
        if until is None:
            raise WishRefused(
                "its end is missing", "until", "name a time such as 18:30 or 2026-11-25T18:30"
            )
        begin = max(since, now)
        if until <= begin:
            raise WishRefused(
                "it would end before it begins", "until", "name a time later than its beginning"
            )
        if until - begin > LONGEST_SPAN[wish]:
            days = LONGEST_SPAN[wish].days
            raise WishRefused(f"it may last {days} days at most", "until", "name an earlier end")
    else:
        until = None if wish is Wish.HOLD else now
    # A hold of this moment is in no view yet; one that records lost is in no list of theirs.
    if wish is Wish.END_HOLD and view is not None and not holding((*view.overrides, *others)):
        raise WishRefused("there is no maintenance hold", "wish", "nothing needs to be ended")
    return Override(
        id=0,
        wish=wish,
        author=author,
        made_at=now,
        since=since,
        until=until,
        tenths=_tenths(fields, settings) if wish is Wish.CHARGE_TO else None,
        people=_people(fields) if wish is Wish.GUESTS else None,
        note=plain_text(fields.get("note"), NOTE_LENGTH),
    )


def _refuse_too_many(
    wish: Wish, others: tuple[Override, ...], now: datetime, settings: HomeSettings
) -> None:
    """Refuse what could not change anything any more; never what stops plant, or ends a wish."""
    if wish is Wish.HOLD or wish in ENDING:
        return
    t, tenths = settings.tunables, standing(others, now).more_tenths
    full = wish is Wish.MORE and tenths >= max(t.highest_tenths - t.reserve_tenths, 1)
    if full or (wish is Wish.LESS and -tenths >= max(t.highest_tenths, 1)):
        raise WishRefused(
            f"{wish} is asked for {abs(tenths)} times already, and once again changes nothing",
            "wish",
            f"end those, or ask for {'less' if full else 'more'}",
        )
    if len(others) >= MOST_AT_ONCE:
        raise WishRefused(
            f"{len(others)} wishes stand already", "wish", "end some that are no longer needed"
        )


def ended_by(wish: Override, standing: Iterable[Override]) -> tuple[Override, ...]:
    """Which of the standing overrides a wish ends, for whoever keeps the records.

    ``back_to_plan`` ends more, less and charge_to; ``end_hold`` ends holds; a charge to a level
    replaces the one before.
    """
    ends = {
        Wish.BACK_TO_PLAN: CHARGING,
        Wish.END_HOLD: frozenset({Wish.HOLD}),
        Wish.CHARGE_TO: frozenset({Wish.CHARGE_TO}),
    }.get(wish.wish, frozenset())
    return tuple(o for o in standing if o.wish in ends and o.ended_at is None and o.id != wish.id)


def receive(standing: tuple[Override, ...], arrived: tuple[Override, ...]) -> tuple[Override, ...]:
    """Take over a new list of overrides; a hold that merely vanished from it still holds.

    A hold leaves when its own record comes with ``ended_at`` and ``ended_by``, or with an
    ``end_hold`` of a named person that was recorded after it; never because a record was lost.
    Records are numbered in the order they were made, which no jump of the clock changes.
    """
    over = {o.id for o in arrived if o.wish is Wish.HOLD and o.ended_at and o.ended_by}
    ends = [o for o in arrived if o.wish is Wish.END_HOLD and o.author]
    backs = [o.id for o in arrived if o.wish is Wish.BACK_TO_PLAN]
    told = {o.id for o in arrived}

    def stands(hold: Override) -> bool:
        return hold.id not in over and not any(end.id >= hold.id for end in ends)

    def lost_and_ended(hold: Override) -> bool:
        # The number of a lost record may be given anew to a smaller one: then time tells too.
        return any(end.made_at >= hold.made_at for end in ends)

    kept = tuple(
        o
        for o in standing
        if o.wish is Wish.HOLD and o.id not in told and stands(o) and not lost_and_ended(o)
    )
    new = []
    for o in arrived:
        if o.wish is Wish.HOLD:
            if stands(o):
                new.append(replace(o, until=None, ended_at=None, ended_by=None))
        elif o.ended_at is None and o.wish not in ENDING:
            if o.wish in CHARGING and any(number >= o.id for number in backs):
                continue
            new.append(o)
    return (*kept, *new)


@dataclass(frozen=True)
class Standing:
    """What the overrides in force come to."""

    hold: Override | None = None
    more_tenths: int = 0  # more less less
    charge_to: Override | None = None
    people: float = 0.0
    away: Override | None = None  # in force now
    absence: tuple[datetime, datetime] | None = None  # with those it goes on into: from, until
    in_force: tuple[Override, ...] = ()


NOTHING = Standing()


def in_force(o: Override, now: datetime) -> bool:
    """Whether an override counts at ``now``."""
    return o.ended_at is None and o.since <= now and (o.until is None or now < o.until)


def still_to_come(o: Override, now: datetime) -> bool:
    """Whether an override counts now or later."""
    return o.ended_at is None and (o.until is None or now < o.until)


def holding(overrides: Iterable[Override]) -> Override | None:
    """The maintenance hold among ``overrides``, if one stands."""
    return next((o for o in overrides if o.wish is Wish.HOLD and o.ended_at is None), None)


def held_by(wish: Override, live: Iterable[Override]) -> Override | None:
    """The maintenance hold that keeps a wish from being carried out; None when none does."""
    return None if wish.wish is Wish.HOLD else holding(live)


def accepted(hold: Override | None, zone: ZoneInfo) -> str:
    """What whoever made a wish is told: whose hold it waits for, and until when."""
    if hold is None:
        return "accepted"
    since = hold.since.astimezone(zone)
    return (
        "accepted; nothing is commanded until a person ends the maintenance hold made by "
        f"{hold.author} at {since:%Y-%m-%d %H:%M}"
    )


def standing(overrides: tuple[Override, ...], now: datetime) -> Standing:
    """Sum up the overrides at ``now``. A hold counts whatever the wall clock says."""
    if not overrides:
        return NOTHING
    force = tuple(o for o in overrides if in_force(o, now))
    return Standing(
        hold=holding(overrides),
        more_tenths=sum(o.wish is Wish.MORE for o in force)
        - sum(o.wish is Wish.LESS for o in force),
        charge_to=max(
            (o for o in force if o.wish is Wish.CHARGE_TO),
            key=lambda o: o.tenths or 0,
            default=None,
        ),
        people=sum(o.people or 0.0 for o in force if o.wish is Wish.GUESTS),
        away=next((o for o in force if o.wish is Wish.AWAY), None),
        absence=_absence(overrides, now),
        in_force=force,
    )


def _absence(overrides: tuple[Override, ...], now: datetime) -> tuple[datetime, datetime] | None:
    """Since when and until when nobody is at home, by absences without a gap between them."""
    absences = (o for o in overrides if o.wish is Wish.AWAY and o.ended_at is None)
    spans = sorted((o.since, o.until) for o in absences if o.until is not None)
    joined: list[tuple[datetime, datetime]] = []
    for begin, end in spans:
        if joined and begin <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], end))
        else:
            joined.append((begin, end))
    return next((span for span in joined if span[0] <= now < span[1]), None)


def next_edge(overrides: tuple[Override, ...], now: datetime) -> datetime | None:
    """When the next override begins or ends."""
    edges = [
        at
        for o in overrides
        if o.ended_at is None
        for at in (o.since, o.until)
        if at is not None and at > now
    ]
    return min(edges, default=None)


def _wish(value: object) -> Wish:
    try:
        return Wish(str(value).strip().lower())
    except ValueError:
        what = "is missing" if value is None else f"{_shown(value)} is not a wish"
        raise WishRefused(what, "wish", f"send one of {', '.join(Wish)}") from None


def _number(fields: Mapping[str, Any], key: str, mend: str) -> float:
    value = fields.get(key)
    if value is None or value == "":
        raise WishRefused("a number is missing", key, mend)
    try:
        number = math.nan if isinstance(value, bool) else float(value)
    except (TypeError, ValueError):
        number = math.nan
    except OverflowError:
        number = math.inf
    if math.isnan(number):
        raise WishRefused(f"{_shown(value)} is not a number", key, mend)
    if not -1e6 < number < 1e6:
        raise WishRefused(f"{_shown(value)} is out of range", key, mend)
    return number


def _tenths(fields: Mapping[str, Any], settings: HomeSettings) -> int:
    most = settings.tunables.highest_tenths
    mend = f"name a whole number from 1 to {most}"
    number = _number(fields, "tenths", mend)
    if number != round(number) or not 1 <= number <= most:
        raise WishRefused(f"{fields['tenths']} tenths cannot be charged to", "tenths", mend)
    return int(number)


def _people(fields: Mapping[str, Any]) -> float:
    mend = f"say how many people come besides those who live here, up to {MOST_PEOPLE:g}"
    number = _number(fields, "people", mend)
    if not 0 < number <= MOST_PEOPLE:
        raise WishRefused(f"{fields['people']} guests cannot be planned for", "people", mend)
    return number


def plain_text(value: object, longest: int) -> str:
    """What a person or a program wrote, as one line that can be kept and shown; "" for None."""
    text = "" if value is None else str(value)
    return " ".join(_NO_TEXT.sub(" ", text).split())[:longest].strip()


def _shown(value: object) -> str:
    value = str(value).lower() if isinstance(value, bool) else value  # as JSON writes it
    return f"'{plain_text(value, _SHOWN_LENGTH)}'"


def _moment(
    fields: Mapping[str, Any], key: str, after: datetime, settings: HomeSettings, wish: Wish
) -> datetime | None:
    """The moment that a field names, aware UTC; a time of day is the next one after ``after``."""
    value = fields.get(key)
    if value is None or value == "" or key not in FIELDS[wish]:
        return None
    zone = settings.wiring.zone_info
    if isinstance(value, datetime):
        return value.astimezone(UTC) if value.tzinfo else _shown_at(value, zone, after)
    text = str(value).strip()
    try:
        if len(text) <= 5:
            second, today = timedelta(seconds=second_of(text)), after.astimezone(zone).date()
            days = (datetime.combine(today + timedelta(days=d), time.min) for d in range(-1, 2))
            return next(at for d in days if (at := _shown_at(d + second, zone, after)) > after)
        at = datetime.fromisoformat(text)
        return at.astimezone(UTC) if at.tzinfo else _shown_at(at, zone, after)
    except (ValueError, OverflowError):
        raise WishRefused(
            f"{_shown(text)} is not a time",
            key,
            "name one like 2026-11-25T18:30, or 18:30 for the next",
        ) from None


def _shown_at(local: datetime, zone: ZoneInfo, after: datetime) -> datetime:
    """When the home's clock shows a local time, aware UTC.

    In autumn it shows an hour twice: the first time that is still to come, else the first. What
    it leaves out in spring is as long after midnight as in any other night.
    """
    first, second = (local.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1))
    return second if first <= after < second else first
