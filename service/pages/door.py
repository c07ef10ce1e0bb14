"""Who stands at the door: what pages ask of the API's access module."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol

from fastapi import Request, Response


@dataclass(frozen=True)
class Visitor:
    """Who is looking at a home's page, and what they may do there."""

    name: str
    role: Literal["reader", "household", "installer"]
    csrf: str  # sent back by every form
    token_id: int | None  # None where no token exists and the service answers on loopback only
    homes: frozenset[str] | None  # that they may enter; None: every home

    @property
    def signed_in(self) -> bool:
        """Whether there is a session to end."""
        return self.token_id is not None

    @property
    def may_wish(self) -> bool:
        """Whether this visitor may make overrides and acknowledge faults."""
        return self.role in ("household", "installer")

    @property
    def may_set(self) -> bool:
        """Whether this visitor may change settings."""
        return self.role == "installer"


class Door(Protocol):
    """Who may come in. The API's access module stands behind it."""

    def visitor(self, request: Request, home: str) -> Visitor | None:
        """Who asks, as far as ``home`` is concerned; None when they may not see it."""
        ...

    def signed_in(self, request: Request) -> bool:
        """Whether somebody is signed in at all, or need not be."""
        ...

    def sign_in(self, token: str, response: Response, secure: bool = False) -> bool:
        """Open a session for a token; False when no such token is in force.

        secure: the page came over HTTPS, so the session shall never go without.
        """
        ...

    def sign_out(self, request: Request, response: Response) -> None:
        """End the session."""
        ...

    def end_token(self, request: Request, home: str, token_id: int) -> None:
        """Shut the holder of a token that opens ``home`` out for good, on behalf of who asks.

        Raises:
            KeyError: when no token in force with this number opens it.
            PermissionError: when it opens homes too that who asks may not enter.
        """
        ...

    def genuine(self, request: Request, csrf: str) -> bool:
        """Whether a form was sent from a page of this session."""
        ...
