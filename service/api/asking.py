"""What a request asks for and who asks: parameters, spans of time, a caller at a home."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import timedelta
from typing import Annotated, Literal

from fastapi import Depends, Header, Request
from fastapi import Path as InPath
from pydantic import AwareDatetime, BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError

from service.api.access import Access, Caller
from service.api.answers import LONGEST_KEY, Kept
from service.api.problems import Problem
from service.control.types import View
from service.house import House
from service.records.records import Records
from service.records.values import Role

LONGEST_SPAN = timedelta(days=400)  # of readings, the one list that grows by the second


class Part(BaseModel):
    """Which part of a list is asked for."""

    model_config = ConfigDict(extra="forbid")
    cursor: str | None = Field(default=None, description="From a Link header with rel=next.")
    limit: Annotated[int, Field(ge=1, le=1000)] = 100


def _written_out(moment: str) -> str:
    """A moment as it was meant: a plus sign in an address arrives as a space.

    A bare number is refused: a year is no moment, and would be taken for seconds since 1970.
    """
    if re.fullmatch(r"\s*[-+\d._eE]+\s*", moment):
        raise PydanticCustomError("datetime_parsing", "a bare number is no moment")
    return re.sub(r"(\d\d:\d\d\S*) (\d\d:?\d\d)$", r"\1+\2", moment)


Moment = Annotated[AwareDatetime, BeforeValidator(_written_out)]


class Span(Part):
    """Which part of a list that has times; newest first."""

    since: Moment | None = Field(default=None, description="ISO 8601 with an offset.")
    until: Moment | None = None


def in_order(part: Span | Readings) -> None:
    """Raise Problem when a span ends before it begins, or is longer than any list is read for."""
    if part.since is None or part.until is None:
        return
    if part.until < part.since:
        raise _span_refused("lies before since", "Send an until later than since.")
    if isinstance(part, Readings) and part.until - part.since > LONGEST_SPAN:
        raise _span_refused(
            f"is more than {LONGEST_SPAN.days} days after since", "Ask for a shorter span."
        )


def _span_refused(what: str, mend: str) -> Problem:
    line = {"where": "parameter until", "what": what, "mend": mend}
    return Problem("invalid", f"parameter until {what}", [line])


class Faults(Part):
    """Which faults."""

    lasting: bool = Field(default=False, description="Only those that are not over.")


class Readings(Part):
    """Which readings; oldest first."""

    since: Moment
    until: Moment
    signal: list[str] = Field(default=[], description="Repeat it for several; none: all.")
    span_s: Literal["0", "300", "1800"] = Field(
        default="0", description="0 raw; older readings are kept as 300 s, then 1800 s."
    )


@dataclass(frozen=True)
class Visit:
    """A caller at a home that exists and that the caller may look at."""

    caller: Caller
    home: str
    house: House
    records: Records
    access: Access
    kept: Kept

    def view(self) -> View:
        """The last view. Raises Problem before there is one."""
        view = self.house.view
        if view is None:
            raise not_yet("The first step has not been made.")
        return view

    def needs(self, role: Role, for_what: str) -> None:
        """Raise Problem 403 when the caller's role is too small."""
        may = self.caller.may_set if role is Role.INSTALLER else self.caller.may_wish
        if not may:
            raise Problem(
                "role",
                f"{for_what} needs the role {role}; this token has the role {self.caller.role}.",
            )


async def _caller(request: Request) -> Caller:
    access: Access = request.app.state.access
    return access.caller(request)


Asker = Annotated[Caller, Depends(_caller)]


async def _visit(
    request: Request,
    home: Annotated[str, InPath(description="A home's id.", examples=["home"])],
    caller: Asker,
) -> Visit:
    state = request.app.state
    house = state.houses.get(home)
    if house is None or not caller.may_enter(home):
        # The same answer to both, so that nobody learns which homes exist.
        raise Problem(
            "unknown-home", f"There is no home {home!r} here, or this token does not open it."
        )
    return Visit(caller, home, house, state.records, state.access, state.kept)


Asks = Annotated[Visit, Depends(_visit)]

IdempotencyKey = Annotated[
    str | None,
    Header(
        alias="Idempotency-Key",
        description="1 to 200 printable characters, such as a UUID.",
        json_schema_extra={"minLength": 1, "maxLength": LONGEST_KEY},
    ),
]
Number = Annotated[int, InPath(ge=1, le=2**31 - 1)]  # of a row


def not_yet(detail: str) -> Problem:
    """What there is nothing to say of yet, with when to ask again."""
    return Problem("not-known-yet", detail, headers={"Retry-After": "10"})
