"""Telling people: a webhook by HTTP, a mail by SMTP. Both answer rather than raise."""

from __future__ import annotations

import asyncio
import smtplib
import ssl
from collections.abc import Mapping
from email.message import EmailMessage
from email.utils import formatdate, make_msgid
from typing import Any

import httpx

from adapters.fetch import shown, waited_for
from adapters.types import Refusal
from adapters.wiring import Notify

TIMEOUT_S = 10.0


def notify(
    home: str, wiring: Notify, subject: str, text: str, fields: Mapping[str, Any]
) -> tuple[Refusal, ...]:
    """Send one notice every way that is set; what failed comes back, empty when all went well.

    Args:
        home: the home's id.
        wiring: who hears of it.
        subject: one line.
        text: the notice in plain words.
        fields: the same as data, for the webhook's JSON.
    """
    failed = []
    if wiring.webhook is not None:
        body = {"home": home, "subject": subject, "text": text, **fields}
        failed.append(call_webhook(home, wiring.webhook, body))
    if wiring.mail_to:
        failed.append(send_mail(home, wiring, subject, text))
    return tuple(f for f in failed if f is not None)


def call_webhook(
    home: str, address: str, body: Mapping[str, Any], timeout_s: float = TIMEOUT_S
) -> Refusal | None:
    """POST ``body`` as JSON; None when the answer was a 2xx."""
    where = f"webhook {shown(address)}"
    try:
        status = waited_for(_post(address, body, timeout_s))
    except (httpx.HTTPError, httpx.InvalidURL, OSError, ValueError, TypeError) as error:
        return Refusal(
            home,
            "unreachable",
            where,
            f"could not be called ({type(error).__name__})",
            "check its address and the network",
        )
    if not httpx.codes.is_success(status):
        return Refusal(home, "bad_status", where, f"answered {status}", "check its address and key")
    return None


async def _post(address: str, body: Mapping[str, Any], timeout_s: float) -> int:
    """The status of the answer, which is read no further."""
    async with (
        asyncio.timeout(timeout_s),
        httpx.AsyncClient(timeout=timeout_s) as client,
        client.stream("POST", address, json=dict(body)) as answer,
    ):
        return answer.status_code


def send_mail(
    home: str, wiring: Notify, subject: str, text: str, timeout_s: float = TIMEOUT_S
) -> Refusal | None:
    """Send one mail to all of ``mail_to``; None when the server took it for everybody.

    TLS is used from the start on port 465 and by STARTTLS otherwise. With a user name, or on a
    host that is not this machine, a server without TLS is refused: a password must not travel
    in the clear.
    """
    host, port = wiring.smtp_host or "", wiring.smtp_port
    where = f"mail server {host}:{port}"
    try:
        message = EmailMessage()
        message["From"] = wiring.mail_from
        message["To"] = ", ".join(wiring.mail_to)
        message["Subject"] = " ".join(subject.split())
        message["Date"] = formatdate()
        message["Message-ID"] = make_msgid(domain="ladle.invalid")
        message.set_content(text)
        context = ssl.create_default_context()
        with (
            smtplib.SMTP_SSL(host, port, timeout=timeout_s, context=context)
            if port == 465
            else smtplib.SMTP(host, port, timeout=timeout_s)
        ) as server:
            if port != 465:
                server.ehlo()
                if server.has_extn("starttls"):
                    server.starttls(context=context)
                elif wiring.smtp_user is not None or host not in ("127.0.0.1", "::1", "localhost"):
                    return Refusal(
                        home, "no_tls", where, "offers no TLS", "use port 465 or another server"
                    )
            if wiring.smtp_user is not None:
                secret = wiring.smtp_password
                server.login(wiring.smtp_user, secret.get_secret_value() if secret else "")
            refused = server.send_message(message)
    except smtplib.SMTPAuthenticationError:
        return Refusal(
            home, "refused", where, "does not take smtp_user and smtp_password", "check both"
        )
    except (smtplib.SMTPException, OSError, ValueError) as error:
        return Refusal(
            home,
            "unreachable",
            where,
            f"did not take the mail ({type(error).__name__})",
            "check smtp_host, smtp_port, mail_from and mail_to",
        )
    if refused:
        return Refusal(
            home, "refused", where, f"refused {', '.join(sorted(refused))}", "check mail_to"
        )
    return None
