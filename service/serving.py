"""The service as a program: from its records to the signal that ends it."""

from __future__ import annotations

import signal
import socket
import threading
from pathlib import Path

from rich.console import Console

from service import checking
from service.assembly import Service
from service.clock import SystemClock
from service.listening import listen
from service.records.errors import RecordsError
from service.records.records import Records
from service.settings import Wiring
from service.web import Web

LOOK_EVERY_S = 20.0  # whether this is still the one service on its records


def serve(wiring: Wiring, config: Path, out: Console) -> bool:
    """Run the service of ``wiring``, read from the file ``config``; False: it was not started.

    Raises:
        RecordsError: when the records cannot be used, or another service runs on them.
        CannotListen: when pages and API cannot be served where they should be.
    """
    records = Records.open(wiring.database.url, alone=True)
    try:
        held = [records.in_force(home) for home in wiring.homes]
        findings = [f for settings in held for f in checking.findings(wiring, settings)]
        for finding in findings:
            out.print(str(finding))
        if any(f.refuses for f in findings):
            out.print("Not started: mend the lines marked 'refused' above.")
            return False
        everybody = records.tokens.none_in_force()
        mend = f"Name another port under [http] in {config}, or 0 for a free one"
        listening = listen(wiring.http, everybody, mend)
        make = f"ladle token make --config {config} --name NAME --role installer"
        run(Service(wiring, SystemClock(), records), listening, everybody, out, make)
    finally:
        records.close()
    return True


def run(
    service: Service,
    listening: socket.socket,
    everybody: bool,
    out: Console,
    make_token: str = "",
) -> None:
    """Run ``service`` with pages and API until this process is told to stop (SIGTERM, Ctrl-C).

    Args:
        service: not started yet.
        listening: from ``listen``, with the same ``everybody``.
        everybody: whether callers are served without a token, on loopback only.
        out: what a person reads.
        make_token: the command that makes a token here; "" where none can be made.

    Raises:
        RecordsError: "taken" when another service has begun on the same records meanwhile.
    """
    web = Web(service, listening, everybody, make_token)
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    service.start()
    web.start()
    everywhere = " (every address of this machine)" if web.everywhere else ""
    out.print(f"Pages and API: {web.address}{everywhere}")
    if everybody:
        make = f"Make one with: {make_token}" if make_token else ""
        out.print(
            "No token is configured: listening on loopback only, and everybody on this machine "
            f"may do everything. {make}".rstrip()
        )
    try:
        while not stop.wait(LOOK_EVERY_S):
            _stay_alone(service.records)
    finally:
        out.print("Stopping: all plant is handed back to its own controls.")
        service.stop()  # before the pages, which may have a long answer to finish
        web.stop()


def _stay_alone(records: Records) -> None:
    try:
        records.keep_alone()
    except RecordsError as error:
        if error.code == "taken":
            raise
        # A server that does not answer now: whoever writes records says so, and plant runs on.
