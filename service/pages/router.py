"""The pages' addresses: who may come in, what is shown, what a sent form does."""

from __future__ import annotations

import hashlib
import logging
import secrets
from collections.abc import Callable, Coroutine, Mapping
from datetime import date
from pathlib import Path
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, Depends, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from fastapi.routing import APIRoute
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.exceptions import HTTPException

from service.control.overrides import WishRefused
from service.house import House
from service.pages import care, cold, habits, household, keys, plant, sent_settings, tuning, words
from service.pages.door import Door, Visitor
from service.pages.household import Refused
from service.pages.local import Local
from service.records.errors import RecordsError
from service.records.idempotency import KeptAnswer
from service.records.records import Records
from service.settings_check import SettingsRefused

log = logging.getLogger(__name__)

HERE = Path(__file__).parent
STATIC = {"ladle.css": "text/css; charset=utf-8", "ladle.js": "text/javascript; charset=utf-8"}
STATIC["mark.svg"] = "image/svg+xml"
SECURITY = {
    "Content-Security-Policy": "default-src 'none'; style-src 'self'; script-src 'self'; "
    "img-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; "
    "frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cache-Control": "no-store",
}
SAID = {
    "asked": "Done. It is listed under “Asked for”, where you can end it.",
    "ended": "Ended. The plan is being made again without it.",
    "back": "Back to the plan.",
    "released": "The maintenance hold has ended.",
    "seen": "Noted that you have seen it.",
    "shut": "Ended. Its holder is shut out.",
    "changed": "Stored as a new version.",
    "unchanged": "Nothing was different, so nothing was stored.",
}

Fields = dict[str, str]


async def _sent(request: Request) -> Fields:
    """The text fields of a sent form."""
    form = await request.form()
    return {key: value for key, value in form.items() if isinstance(value, str)}


Sent = Annotated[Fields, Depends(_sent)]


class _Pages:
    """Renders templates with what every page shares."""

    def __init__(self, houses: Mapping[str, House], door: Door, make_token: str) -> None:
        self.houses = houses
        self.door = door
        self.files = {name: (HERE / "static" / name).read_bytes() for name in STATIC}
        self.addresses = {
            name: "/static/{}.{}.{}".format(
                name.split(".")[0], hashlib.sha256(body).hexdigest()[:12], name.split(".")[1]
            )
            for name, body in self.files.items()
        }
        self.environment = Environment(
            loader=FileSystemLoader(HERE / "templates"),
            autoescape=True,
            undefined=StrictUndefined,
            finalize=lambda value: "" if value is None else value,  # what is not there says nothing
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self.environment.globals["static"] = self.addresses
        self.environment.globals["make_token"] = make_token
        self.environment.filters["capitalize_first"] = words.capital
        self.environment.filters["lower_first"] = words.uncapital

    def render(self, template: str, status: int = 200, **context: Any) -> HTMLResponse:
        shared: dict[str, Any] = {
            "visitor": None,
            "home": None,
            "title": "Ladle",
            "base": "",
            "said": None,
            "page": template.removesuffix(".html"),
            "many": False,
            "key": secrets.token_hex(8),  # a form pressed twice asks once
        }
        body = self.environment.get_template(template).render({**shared, **context})
        return HTMLResponse(body, status, headers=SECURITY)

    def refuse(self, status: int, heading: str, advice: str, **context: Any) -> HTMLResponse:
        return self.render(
            "refusal.html", status, heading=heading, advice=advice, **{"title": heading, **context}
        )

    def nowhere(self) -> HTMLResponse:
        return self.refuse(
            404,
            "There is no such page",
            "The address may be mistyped or the page may have moved. Start from the first page.",
        )

    def homes_of(self, request: Request) -> list[tuple[str, House, Visitor]]:
        found = []
        for home, house in self.houses.items():
            visitor = self.door.visitor(request, home)
            if visitor is not None:
                found.append((home, house, visitor))
        return found

    def sign_in(self, request: Request) -> Response:
        # What a form was sent to is no page to come back to.
        onward = request.url.path if request.method == "GET" else "/"
        if onward == "/":
            return RedirectResponse("/sign-in", 303, headers=SECURITY)
        return RedirectResponse(f"/sign-in?onward={quote(onward)}", 303, headers=SECURITY)

    def enter(self, request: Request, home: str) -> tuple[House, Visitor] | Response:
        """The house and the visitor, or the answer that keeps them out."""
        if not self.door.signed_in(request):
            return self.sign_in(request)
        visitor = self.door.visitor(request, home)
        if home not in self.houses or visitor is None:
            # The same answer to both, so that nobody learns which homes exist.
            return self.refuse(
                404,
                "You may not look at this home",
                "There is no such home here, or your access token does not open it. Sign in "
                "with another token, or ask whoever looks after this Ladle for access.",
            )
        return self.houses[home], visitor


def _guarded(pages: _Pages) -> type[APIRoute]:
    """Routes that answer with a page also where something went wrong: a person is looking."""

    class Guarded(APIRoute):
        def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
            handler = super().get_route_handler()

            async def answer(request: Request) -> Response:
                try:
                    return await handler(request)
                except RequestValidationError:
                    return pages.nowhere()
                except HTTPException as error:
                    large = error.status_code == 413
                    return pages.refuse(
                        error.status_code,
                        "That was too much at once" if large else "The form could not be read",
                        "Nothing was changed. Go back to the page, load it again and send less.",
                    )
                except Exception:
                    log.exception("%s %s failed", request.method, request.url.path)
                    return pages.refuse(
                        500,
                        "This page could not be made",
                        "The log of Ladle has the details; please report them. Charging goes on "
                        "as planned, or on the cylinder's own thermostats.",
                    )

            return answer

    return Guarded


def make_router(
    houses: Mapping[str, House], records: Records, access: Door, make_token: str = ""
) -> APIRouter:
    """All pages, under ``/``; the household's page of the only home, or a list of homes, leads.

    Args:
        houses: by home id.
        records: what pages read from the records.
        access: who may come in.
        make_token: the command that makes a token here; "" where none can be made.
    """
    pages = _Pages(houses, access, make_token)
    router = APIRouter(include_in_schema=False, route_class=_guarded(pages))

    def local_of(house: House) -> Local:
        wiring = house.settings.wiring
        return Local(wiring.zone_info, wiring.currency, house.now())

    def about(request: Request, home: str, house: House, visitor: Visitor) -> dict[str, Any]:
        return {
            "visitor": visitor,
            "home": home,
            "base": f"/homes/{home}",
            "title": house.settings.wiring.title,
            "many": len(pages.homes_of(request)) > 1,
        }

    def show(
        request: Request,
        home: str,
        template: str,
        content: Callable[[House, Local], dict[str, Any]],
        status: int = 200,
    ) -> Response:
        entered = pages.enter(request, home)
        if isinstance(entered, Response):
            return entered
        return shown_to(request, home, *entered, template, content, status)

    def shown_to(
        request: Request,
        home: str,
        house: House,
        visitor: Visitor,
        template: str,
        content: Callable[[House, Local], dict[str, Any]],
        status: int = 200,
    ) -> Response:
        shared = about(request, home, house, visitor)
        try:
            shown = content(house, local_of(house))
        except RecordsError as error:
            return lost(error, shared)
        said = SAID.get(request.query_params.get("said", ""))
        return pages.render(template, status, said=said, **shared, **shown)

    def lost(error: RecordsError, shared: dict[str, Any]) -> Response:
        log.error("a page could not use the records: %s", error)
        return pages.refuse(
            503,
            "The records cannot be used",
            f"{words.capital(error.what)}. {error.mend} Charging goes on as planned, or on the "
            "cylinder's own thermostats.",
            **shared,
        )

    def act(
        request: Request,
        home: str,
        sent: Fields,
        setting: bool,
        deed: Callable[[House, Visitor], Response],
    ) -> Response:
        """Let a form through only from its own page, by somebody who may."""
        entered = pages.enter(request, home)
        if isinstance(entered, Response):
            return entered
        house, visitor = entered
        context = about(request, home, house, visitor)
        if not access.genuine(request, sent.get("csrf", "")):
            return pages.refuse(
                403,
                "This form is out of date",
                "It was made before you signed in, or came from somewhere else. Nothing was "
                "changed. Go back to the page, load it again and repeat what you did.",
                **context,
            )
        if not (visitor.may_set if setting else visitor.may_wish):
            may = "an installer" if setting else "the household or an installer"
            return pages.refuse(
                403,
                "You may look, not change",
                f"Your token is a {visitor.role}'s. This can be changed by {may}. Nothing was "
                "changed.",
                **context,
            )
        try:
            return deed(house, visitor)
        except RecordsError as error:
            return lost(error, context)

    def back(home: str, place: str, said: str) -> Response:
        return RedirectResponse(f"/homes/{home}{place}?said={said}", 303, headers=SECURITY)

    @router.get("/static/{name}")
    def static(name: str) -> Response:
        for plain, address in pages.addresses.items():
            if address == f"/static/{name}":
                return Response(
                    pages.files[plain],
                    media_type=STATIC[plain],
                    headers={
                        "Cache-Control": "public, max-age=31536000, immutable",
                        "X-Content-Type-Options": "nosniff",
                    },
                )
        return pages.refuse(404, "There is no such file", "Go back to the first page.")

    @router.get("/")
    def first(request: Request) -> Response:
        if not access.signed_in(request):
            return pages.sign_in(request)
        found = pages.homes_of(request)
        if len(found) == 1:
            return show(request, found[0][0], "household.html", household.content)
        return pages.render(
            "homes.html",
            visitor=found[0][2] if found else None,
            title="Your homes",
            homes=[
                {
                    "address": f"/homes/{home}",
                    "title": house.settings.wiring.title,
                    "lead": household.lead(house.view, local_of(house)),
                    "tenths": house.view.shown_tenths if house.view else None,
                    "faults": len(house.view.faults) if house.view else 0,
                }
                for home, house, _ in found
            ],
        )

    @router.get("/homes/{home}")
    def of_household(request: Request, home: str) -> Response:
        return show(request, home, "household.html", household.content)

    @router.get("/homes/{home}/habits")
    def of_habits(request: Request, home: str) -> Response:
        return show(
            request, home, "habits.html", lambda h, where: habits.content(home, h, records, where)
        )

    @router.get("/homes/{home}/plant")
    def of_plant(request: Request, home: str) -> Response:
        return show(
            request, home, "plant.html", lambda h, where: plant.content(home, h, records, where)
        )

    @router.get("/homes/{home}/cold")
    def of_cold(request: Request, home: str, day: str = "") -> Response:
        try:
            wanted = date.fromisoformat(day) if day else None
        except ValueError:
            wanted = None
        return show(
            request,
            home,
            "cold.html",
            lambda h, where: cold.content(home, h, records, where, wanted),
        )

    @router.get("/homes/{home}/care")
    def of_care(request: Request, home: str) -> Response:
        return show(
            request, home, "care.html", lambda h, where: care.content(home, h, records, where)
        )

    @router.get("/homes/{home}/settings")
    def of_settings(request: Request, home: str) -> Response:
        return show(
            request, home, "settings.html", lambda h, where: tuning.content(home, h, records, where)
        )

    @router.get("/homes/{home}/keys")
    def of_keys(request: Request, home: str) -> Response:
        entered = pages.enter(request, home)
        if isinstance(entered, Response):
            return entered
        house, visitor = entered
        if not visitor.may_wish:
            return pages.refuse(
                403,
                "This is for the household",
                f"Your token is a {visitor.role}'s. Who may look at this home is shown to the "
                "household and to an installer.",
                **about(request, home, house, visitor),
            )
        return shown_to(
            request,
            home,
            house,
            visitor,
            "keys.html",
            lambda _, where: keys.content(home, visitor, records, where),
        )

    @router.post("/homes/{home}/keys/{number}/end")
    def shut_out(request: Request, home: str, number: int, sent: Sent) -> Response:
        def deed(house: House, visitor: Visitor) -> Response:
            try:
                access.end_token(request, home, number)
            except (KeyError, PermissionError):
                return pages.refuse(
                    404,
                    "There is no such access to end",
                    "It has ended already, or opens homes that yours does not. Nothing was "
                    "changed.",
                    **about(request, home, house, visitor),
                )
            if number == visitor.token_id:
                return RedirectResponse("/sign-in", 303, headers=SECURITY)
            return back(home, "/keys", "shut")

        return act(request, home, sent, False, deed)

    @router.post("/homes/{home}/wishes")
    def wish(request: Request, home: str, sent: Sent) -> Response:
        def deed(house: House, visitor: Visitor) -> Response:
            fields = household.wish_fields(sent)
            said = {"back_to_plan": "back", "end_hold": "released"}.get(fields["wish"], "asked")
            once = (home, f"page {visitor.name}", sent.get("once") or secrets.token_hex(8))
            try:
                with records.together():
                    if records.idempotency.find(*once, house.now()) is None:
                        house.wish(fields, visitor.name)
                        kept = KeptAnswer("", 303, "")
                        records.idempotency.keep(*once, kept, house.now())
                    # else the same button of the same page, pressed twice
            except WishRefused as refused:
                form = sent.get("form", "") if sent.get("form") in household.FORMS else ""
                said = f"{words.capital(refused.what)}; {refused.mend}"
                wrong = Refused(form, refused.where, said, sent)
                return show(
                    request,
                    home,
                    "household.html",
                    lambda h, where: household.content(h, where, wrong),
                    422,
                )
            return back(home, "", said)

        return act(request, home, sent, False, deed)

    @router.post("/homes/{home}/wishes/{number}/end")
    def end(request: Request, home: str, number: int, sent: Sent) -> Response:
        def deed(house: House, visitor: Visitor) -> Response:
            try:
                house.end_wish(number, visitor.name)
            except KeyError:
                return pages.refuse(
                    404,
                    "That has ended already",
                    "Nothing was changed. The page shows what is in force.",
                    **about(request, home, house, visitor),
                )
            return back(home, "", "ended")

        return act(request, home, sent, False, deed)

    @router.post("/homes/{home}/care/seen")
    def seen(request: Request, home: str, sent: Sent) -> Response:
        def deed(house: House, visitor: Visitor) -> Response:
            try:
                house.acknowledge(sent.get("code", ""), sent.get("subject", ""), visitor.name)
            except KeyError:
                return pages.refuse(
                    404,
                    "That is over already",
                    "The fault has cleared since the page was made. Nothing was changed.",
                    **about(request, home, house, visitor),
                )
            return back(home, "/care", "seen")

        return act(request, home, sent, False, deed)

    @router.post("/homes/{home}/settings")
    def change(request: Request, home: str, sent: Sent) -> Response:
        def deed(house: House, visitor: Visitor) -> Response:
            before = house.settings
            changed = sent_settings.changes(sent, sent_settings.shown_in(sent, records, before))
            try:
                held = house.change(changed, visitor.name, sent.get("reason", "").strip())
            except SettingsRefused as refused:
                wrong = Refused("settings", "", str(refused), sent)
                return show(
                    request,
                    home,
                    "settings.html",
                    lambda h, where: tuning.content(home, h, records, where, wrong),
                    422,
                )
            said = "changed" if held.version != before.version else "unchanged"
            return back(home, "/settings", said)

        return act(request, home, sent, True, deed)

    @router.get("/sign-in")
    def sign_in_page(request: Request, onward: str = "/") -> Response:
        return pages.render("sign_in.html", title="Sign in", onward=_inside(onward), wrong=False)

    @router.post("/sign-in")
    def sign_in(request: Request, sent: Sent) -> Response:
        onward = _inside(sent.get("onward", "/"))
        answer = RedirectResponse(onward, 303, headers=SECURITY)
        if access.sign_in(sent.get("token", "").strip(), answer, request.url.scheme == "https"):
            return answer
        log.warning("a sign-in with an unknown token was refused")
        return pages.render("sign_in.html", 403, title="Sign in", onward=onward, wrong=True)

    @router.post("/sign-out")
    def sign_out(request: Request, sent: Sent) -> Response:
        answer = RedirectResponse("/sign-in", 303, headers=SECURITY)
        if access.genuine(request, sent.get("csrf", "")):
            access.sign_out(request, answer)
        return answer

    @router.get("/{rest:path}")
    def nowhere(request: Request, rest: str) -> Response:
        return pages.nowhere()

    return router


def _inside(address: str) -> str:
    """An address on this service; anything that would lead elsewhere becomes the first page."""
    plain = address.startswith("/") and not address.startswith(("//", "/\\"))
    return address if plain and "\\" not in address and address.isprintable() else "/"
