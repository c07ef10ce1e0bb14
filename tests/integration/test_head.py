"""HEAD (RFC 9110, 9.3.2): the answer of GET without its body, as health checks ask."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from urllib.parse import urlsplit

import httpx
import pytest

from tests import config_text, mosquitto
from tests.serving import Serving

HOME = "/api/v1/homes/home"
FOUND = (
    "/",
    "/homes/home",
    "/homes/home/habits",
    "/homes/home/plant",
    "/homes/home/cold",
    "/homes/home/care",
    "/homes/home/settings",
    "/sign-in",
    "/api/v1/openapi.json",
    "/api/v1/homes",
    f"{HOME}/health",
    f"{HOME}/settings",
    f"{HOME}/overrides",
    f"{HOME}/decisions",
    f"{HOME}/export",
)
MISSING = ("/nowhere", "/api/v1/nowhere", "/api/v1/homes/annexe/health", f"{HOME}/overrides/7")
TOLD = ("content-type", "content-length", "cache-control", "etag", "location")


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder = tmp_path_factory.mktemp("head")
    with (
        mosquitto.start() as broker,
        Serving(config_text.write(folder, broker.port)) as serving,
    ):
        yield serving.address


@pytest.mark.parametrize(
    ("path", "status"), [*((path, 200) for path in FOUND), *((path, 404) for path in MISSING)]
)
def test_head_says_what_get_says(address: str, path: str, status: int) -> None:
    get, head = httpx.get(address + path), httpx.head(address + path)
    assert (get.status_code, head.status_code) == (status, status)
    assert head.headers.keys() == get.headers.keys()
    assert int(head.headers["content-length"]) > 0
    assert head.headers["content-type"] == get.headers["content-type"]
    assert head.content == b""


def test_an_unchanged_resource_is_known_by_its_tag(address: str) -> None:
    get = httpx.get(f"{address}{HOME}/settings")
    head = httpx.head(f"{address}{HOME}/settings")
    assert [head.headers.get(name) for name in TOLD] == [get.headers.get(name) for name in TOLD]
    again = httpx.head(f"{address}{HOME}/settings", headers={"If-None-Match": get.headers["etag"]})
    assert again.status_code == 304


def test_nothing_follows_the_head_on_the_wire(address: str) -> None:
    place = urlsplit(address)
    asked = f"HEAD /homes/home HTTP/1.1\r\nHost: {place.netloc}\r\nConnection: close\r\n\r\n"
    with socket.create_connection((str(place.hostname), place.port or 80), timeout=10) as wire:
        wire.sendall(asked.encode())
        answer = b"".join(iter(lambda: wire.recv(65_536), b""))
    assert answer.startswith(b"HTTP/1.1 200 ")
    assert answer.endswith(b"\r\n\r\n")
    assert answer.count(b"\r\n\r\n") == 1


def test_what_get_cannot_do_head_cannot_either(address: str) -> None:
    head = httpx.head(f"{address}{HOME}/faults/acknowledgements")
    assert head.status_code == 405
    assert head.headers["allow"] == "POST"
    put = httpx.put(f"{address}{HOME}/state")
    assert put.status_code == 405
    assert put.headers["allow"] == "GET, HEAD"
