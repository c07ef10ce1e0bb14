"""A browser, and the invented homes served to it on loopback."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
import uvicorn
from playwright.sync_api import Browser, sync_playwright

from service.records.records import Records
from tests.browser.fake_house import NOW, FakeHouse, street
from tests.browser.pages_app import app_for

CHROMIUM = Path("/usr/bin/chromium")
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    if not CHROMIUM.exists():
        pytest.fail(f"{CHROMIUM} is missing; install it: apt-get install chromium", pytrace=False)
    with sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=str(CHROMIUM), args=ARGUMENTS)
        yield found
        found.close()


@dataclass
class Site:
    """Served homes: their address, what was asked of them, and a token for each role."""

    url: str
    houses: dict[str, FakeHouse]
    tokens: dict[str, str]


def _serve(records: Records, locked: bool) -> Iterator[Site]:
    houses = street(records)
    tokens = {}
    if locked:
        for role, homes in (
            ("reader", ["mill-lane"]),
            ("household", ["mill-lane"]),
            ("guest", ["mill-lane"]),
            ("installer", list(houses)),
        ):
            name = f"Ines as {role}"
            allowed = "reader" if role == "guest" else role
            tokens[role] = records.tokens.make(name, allowed, homes, NOW)[0]
    listening = socket.socket()
    listening.bind(("127.0.0.1", 0))
    listening.listen()  # so that the first page waits instead of being refused
    server = uvicorn.Server(
        uvicorn.Config(app_for(houses, records, locked), log_level="warning", lifespan="off")
    )
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    yield Site(f"http://127.0.0.1:{listening.getsockname()[1]}", houses, tokens)
    server.should_exit = True
    thread.join(10)
    listening.close()
    records.close()


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """Homes without any token: open to this computer."""
    folder = tmp_path_factory.mktemp("open")
    yield from _serve(Records.open(f"sqlite:///{folder}/ladle.sqlite"), locked=False)


@pytest.fixture(scope="module")
def locked_site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """Homes that ask for a token."""
    folder = tmp_path_factory.mktemp("locked")
    yield from _serve(Records.open(f"sqlite:///{folder}/ladle.sqlite"), locked=True)
