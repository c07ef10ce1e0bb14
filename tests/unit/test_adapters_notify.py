"""Notices by mail, against a real SMTP server (aiosmtpd) on loopback."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.handlers import Message as MailHandler
from pydantic import ValidationError

from adapters.notify import call_webhook, notify, send_mail
from adapters.types import Refusal
from adapters.wiring import Notify
from tests.mosquitto import free_port


class Box(MailHandler):
    """Keeps what arrives; knows one recipient less than it is asked for."""

    def __init__(self) -> None:
        super().__init__()
        self.mails: list[object] = []

    async def handle_RCPT(self, _server, _session, envelope, address, _options) -> str:  # type: ignore[no-untyped-def]  # noqa: N802
        if address.startswith("unknown"):
            return "550 no such person"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    def handle_message(self, message: object) -> None:
        self.mails.append(message)


@pytest.fixture
def mail() -> Iterator[tuple[Box, int]]:
    box = Box()
    controller = Controller(box, hostname="127.0.0.1", port=free_port())
    controller.start()
    yield box, controller.port
    controller.stop()


def wiring(port: int, *to: str, **more: object) -> Notify:
    return Notify(
        mail_to=to or ("home@house.example",),
        mail_from="ladle@house.example",
        smtp_host="127.0.0.1",
        smtp_port=port,
        **more,  # type: ignore[arg-type]
    )


def test_a_notice_by_mail(mail: tuple[Box, int]) -> None:
    box, port = mail
    failed = notify(
        "home",
        wiring(port),
        "A probe\r\nBcc: is stuck",
        "The top probe reads 48.0 degC – stuck.",
        {},
    )
    assert failed == ()
    (got,) = box.mails
    assert got["Subject"] == "A probe Bcc: is stuck"  # type: ignore[index]
    assert got["Bcc"] is None  # type: ignore[index]
    assert got["To"] == "home@house.example"  # type: ignore[index]
    assert "48.0 degC – stuck" in got.get_payload(decode=True).decode()  # type: ignore[attr-defined]


def test_what_cannot_be_sent_is_told(mail: tuple[Box, int]) -> None:
    _, port = mail
    unknown = send_mail(
        "home", wiring(port, "home@house.example", "unknown@house.example"), "a", "b"
    )
    assert unknown is not None
    assert (unknown.code, "unknown@house.example" in unknown.message) == ("refused", True)
    closed = send_mail("home", wiring(free_port()), "a", "b")
    assert closed is not None
    assert closed.code == "unreachable"


def test_a_password_never_travels_without_tls(mail: tuple[Box, int]) -> None:
    box, port = mail
    refused = send_mail("home", wiring(port, smtp_user="u", smtp_password="secret"), "a", "b")
    assert refused is not None
    assert refused.code == "no_tls"
    assert box.mails == []


def test_nobody_to_tell_is_nothing_to_do() -> None:
    assert notify("home", Notify(), "a", "b", {}) == ()
    with pytest.raises(ValidationError, match="smtp_host"):
        Notify(mail_to=("home@house.example",))


def test_a_webhook_may_be_called_while_another_loop_runs() -> None:
    async def within() -> Refusal | None:
        return call_webhook("home", "http://127.0.0.1:9/", {}, timeout_s=1.0)

    with ThreadPoolExecutor(1) as apart:  # where no loop of another test runs
        refused = apart.submit(asyncio.run, within()).result()
    assert refused is not None
    assert refused.code == "unreachable"
