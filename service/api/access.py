"""Who may do what: bearer tokens for programs, signed sessions for pages, loopback without either.

A caller is known by a token in the Authorization header, by the session cookie that a page got
in exchange for a token, or, while the database holds no token at all, by asking from the same
machine. A session cookie is signed, HttpOnly and SameSite=Strict, and says only which token it
stands for: ending the token ends the session. Whatever changes something must show that it was
sent on purpose: a form carries its session's CSRF value, a program its bearer token, and a local
program's request must not come from some other site's page in a browser.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import logging
import secrets
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime
from urllib.parse import urlsplit

from fastapi import Request, Response
from itsdangerous import BadData, URLSafeTimedSerializer

from service.api.problems import Problem
from service.pages.door import Visitor
from service.records.errors import RecordsError
from service.records.records import Records
from service.records.values import Role, Token

log = logging.getLogger(__name__)

COOKIE = "ladle_session"
CSRF_HEADER = "X-CSRF-Token"
SESSION_S = 30 * 86400
REMEMBERED_S = 5.0  # how long a look at the database holds; so soon does an ended token stop
SAFE = {"GET", "HEAD", "OPTIONS"}
_RANK = {Role.READER: 0, Role.HOUSEHOLD: 1, Role.INSTALLER: 2}
_FORWARDED = ("forwarded", "x-forwarded-for", "x-real-ip")


@dataclass(frozen=True)
class Caller:
    """Who asks. ``homes`` None: every home (a local caller while there is no token)."""

    name: str
    role: Role
    homes: frozenset[str] | None
    token_id: int | None
    csrf: str

    @property
    def key(self) -> str:
        """What this caller's idempotency keys are kept under."""
        return "local" if self.token_id is None else f"token {self.token_id}"

    @property
    def may_wish(self) -> bool:
        """Whether the caller may make overrides and acknowledge faults."""
        return _RANK[self.role] >= _RANK[Role.HOUSEHOLD]

    @property
    def may_set(self) -> bool:
        """Whether the caller may change settings."""
        return self.role is Role.INSTALLER

    def may_enter(self, home: str) -> bool:
        """Whether the caller may look at ``home``."""
        return self.homes is None or home in self.homes


class Access:
    """Tells callers apart, for the API and for pages alike."""

    def __init__(self, records: Records, open_on_loopback: bool) -> None:
        """``open_on_loopback``: serve local callers without a token while there is none."""
        self._records = records
        self._open = open_on_loopback
        key = records.tokens.signing_key()
        self._key = key.encode()
        self._signer = URLSafeTimedSerializer(key, salt="page session")
        self._known: dict[tuple[str, str], tuple[float, Token | None]] = {}
        self._tokenless: tuple[float, bool] = (0.0, False)
        self._lock = threading.Lock()
        self._uses = ThreadPoolExecutor(1, "token-uses")

    def caller(self, request: Request) -> Caller:
        """Who asks.

        Raises:
            Problem: 401 when nobody in force does, 403 when only a local program may.
        """
        header = request.headers.get("authorization")
        if header is not None:
            scheme, _, secret = header.partition(" ")
            if scheme.lower() != "bearer" or not secret.strip():
                raise _no_token("The Authorization header is not of the form 'Bearer <token>'.")
            token = self._token(secret.strip())
            if token is None:
                raise Problem(
                    "token-unknown",
                    "The token was never made here, or somebody ended it.",
                    headers={"WWW-Authenticate": 'Bearer error="invalid_token"'},
                )
            return _caller(token, "")
        session = self._session(request)
        if session is not None:
            token, nonce = session
            caller = _caller(token, self._csrf(nonce))
            if request.method not in SAFE and not _is_form(request):
                self._must_be_meant(request, caller)
            return caller
        if not (self._open and self._no_tokens()):
            raise _no_token("No token was sent.")
        why = _not_local(request)
        if why:
            raise Problem("not-from-here", why)
        return Caller("local", Role.INSTALLER, None, None, self._csrf("local"))

    # what pages ask, see service/pages/door.py

    def visitor(self, request: Request, home: str) -> Visitor | None:
        """Who asks, as far as ``home`` is concerned; None when they may not see it."""
        try:
            caller = self.caller(request)
        except Problem:
            return None
        if not caller.may_enter(home):
            return None
        return Visitor(caller.name, caller.role.value, caller.csrf, caller.token_id, caller.homes)

    def signed_in(self, request: Request) -> bool:
        """Whether somebody is signed in at all, or need not be."""
        try:
            self.caller(request)
        except Problem:
            return False
        return True

    def sign_in(self, token: str, response: Response, secure: bool = False) -> bool:
        """Open a session for a token; False when no such token is in force.

        ``secure``: the page came over HTTPS, so the cookie shall never go without.
        """
        known = self._token(token)
        if known is None:
            return False
        response.set_cookie(
            COOKIE,
            self._signer.dumps([known.id, secrets.token_urlsafe(12)]),
            max_age=SESSION_S,
            httponly=True,
            samesite="strict",
            secure=secure,
        )
        return True

    def sign_out(self, request: Request, response: Response) -> None:
        """End the session."""
        response.delete_cookie(COOKIE, httponly=True, samesite="strict")

    def genuine(self, request: Request, csrf: str) -> bool:
        """Whether a form was sent from a page of this session."""
        try:
            caller = self.caller(request)
        except Problem:
            return False
        return bool(caller.csrf) and hmac.compare_digest(csrf.encode(), caller.csrf.encode())

    def end_token(self, request: Request, home: str, token_id: int) -> None:
        """See ``Door``."""
        self.end(self.caller(request), home, token_id)

    # the rest

    def end(self, caller: Caller, home: str, token_id: int) -> Token:
        """End a token that opens ``home``, for good and at once.

        Raises:
            KeyError: when no token in force with this number opens it.
            PermissionError: when it opens homes too that the caller may not enter.
        """
        tokens = self._records.tokens.all(home)
        opens = {token.id: token for token in tokens if token.ended_at is None}
        if not (caller.homes is None or opens[token_id].homes <= caller.homes):
            raise PermissionError(token_id)
        ended = self._records.tokens.end(token_id, caller.name, datetime.now(UTC))
        self.forget()
        return ended

    def forget(self) -> None:
        """Look at the database again at the next request (a token was ended here)."""
        with self._lock:
            self._known.clear()
            self._tokenless = (0.0, False)

    def _must_be_meant(self, request: Request, caller: Caller) -> None:
        sent = request.headers.get(CSRF_HEADER, "")
        if not hmac.compare_digest(sent.encode(), caller.csrf.encode()):
            what = f"A change made with a page's session needs that session's {CSRF_HEADER} header."
            mend = "Send it with the csrf value of a form on the page, or send a token instead."
            line = {"where": f"header {CSRF_HEADER}", "what": what, "mend": mend}
            raise Problem("role", what, [line])

    def _csrf(self, nonce: str) -> str:
        return hmac.new(self._key, f"csrf {nonce}".encode(), hashlib.sha256).hexdigest()

    def _session(self, request: Request) -> tuple[Token, str] | None:
        cookie = request.cookies.get(COOKIE)
        if not cookie:
            return None
        try:
            token_id, nonce = self._signer.loads(cookie, max_age=SESSION_S)
        except (BadData, ValueError, TypeError):
            return None
        token = self._remembered(("id", str(token_id)), lambda: self._by_id(token_id))
        return None if token is None else (token, str(nonce))

    def _by_id(self, token_id: int) -> Token | None:
        return self._records.tokens.by_id(int(token_id))

    def _token(self, secret: str) -> Token | None:
        # Kept under a hash, so that no dump of this process's memory lists tokens.
        key = hashlib.sha256(secret.encode()).hexdigest()
        return self._remembered(("secret", key), lambda: self._records.tokens.find(secret))

    def _remembered(self, key: tuple[str, str], look: Callable[[], Token | None]) -> Token | None:
        now = time.monotonic()
        with self._lock:
            known = self._known.get(key)
            if known is not None and now < known[0]:
                return known[1]
        token = look()
        with self._lock:
            if len(self._known) > 1000:
                self._known.clear()
            self._known[key] = (now + REMEMBERED_S, token)
        if token is not None:
            self._uses.submit(self._note_use, token)
        return token

    def _note_use(self, token: Token) -> None:
        try:
            self._records.tokens.used(token, datetime.now(UTC))
        except RecordsError as error:
            log.warning("the use of a token could not be noted: %s", error)

    def _no_tokens(self) -> bool:
        now = time.monotonic()
        until, none = self._tokenless
        if now >= until:
            none = self._records.tokens.none_in_force()
            self._tokenless = (now + REMEMBERED_S, none)
        return none


def _caller(token: Token, csrf: str) -> Caller:
    return Caller(token.name, token.role, token.homes, token.id, csrf)


def _no_token(detail: str) -> Problem:
    return Problem("no-token", detail, headers={"WWW-Authenticate": "Bearer"})


def _is_form(request: Request) -> bool:
    """Pages' forms carry their CSRF value inside, and pages check it with ``genuine``."""
    return not request.url.path.startswith("/api/")


def _not_local(request: Request) -> str:
    """Why a request without a token is not taken for a local one; "" when it is."""
    client = request.client
    if client is None or not _is_loopback(client.host):
        return "The request came from another machine, and no token has been made yet."
    if any(name in request.headers for name in _FORWARDED):
        return "The request was passed on by a proxy, so it may come from anywhere."
    host = _hostname(request.headers.get("host", ""))
    if host != "localhost" and not _is_loopback(host):
        # A page elsewhere could let its own name point to this machine.
        return f"The request asks for the host {host!r}; ask for localhost or 127.0.0.1."
    if request.method not in SAFE:
        origin = request.headers.get("origin")
        site = request.headers.get("sec-fetch-site", "none")
        same = origin is None or urlsplit(origin).netloc == request.headers.get("host")
        if not same or site not in ("none", "same-origin"):
            return "The request was sent by a page of another site."
    return ""


def _hostname(host: str) -> str:
    try:
        return urlsplit(f"//{host}").hostname or ""
    except ValueError:
        return ""


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
