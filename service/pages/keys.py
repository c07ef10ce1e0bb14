"""Who may look at a home: its access tokens, and how the household ends one."""

from __future__ import annotations

from typing import Any

from service.pages.door import Visitor
from service.pages.local import NUMBERS, Local
from service.pages.words import capital, person
from service.records.records import Records
from service.records.values import Role, Token

MAY = {
    Role.READER: "May look, and change nothing.",
    Role.HOUSEHOLD: "May look, ask for more or less hot water, and end anybody's access.",
    Role.INSTALLER: "May look, ask for more or less hot water, end anybody's access, and change "
    "the settings.",
}


def content(home: str, visitor: Visitor, records: Records, local: Local) -> dict[str, Any]:
    """What the template shows."""
    tokens = records.tokens.all(home)
    held = [t for t in tokens if t.ended_at is None]
    return {
        "lead": _lead(len(held)),
        "held": [_told(t, visitor, local) for t in held],
        "ended": [
            f"{t.name}, a token of the {t.role}, ended {local.moment(t.ended_at)} by "
            f"{person(t.ended_by or '')}"
            for t in reversed(tokens)
            if t.ended_at is not None
        ],
    }


def _lead(held: int) -> str:
    if held == 0:
        return "Only this computer may look at this home."
    many = capital(NUMBERS[held]) if held < len(NUMBERS) else str(held)
    return f"{many} access {'token opens' if held == 1 else 'tokens open'} this home."


def _told(token: Token, visitor: Visitor, local: Local) -> dict[str, Any]:
    used = (
        "Never used" if token.last_used_at is None else f"Used {local.moment(token.last_used_at)}"
    )
    return {
        "id": token.id,
        "name": token.name,
        "role": capital(token.role),
        "may": MAY[token.role],
        "used": f"{used}; made {local.moment(token.made_at)}.",
        "mine": token.id == visitor.token_id,
        "elsewhere": visitor.homes is not None and not token.homes <= visitor.homes,
    }
