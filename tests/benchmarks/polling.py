"""Polled ``state`` requests: rate and slowest in a hundred, against a bare FastAPI route."""

from __future__ import annotations

import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import httpx

from tests import config_text, mosquitto
from tests.benchmarks.frame import Figure, Result
from tests.plain_publisher import PROBES_M, Plant
from tests.serving import Serving

REQUESTS = 3000
BARE = """
import socket, sys
import uvicorn
from fastapi import FastAPI
app = FastAPI()
@app.get("/state")
async def state():
    return {"charge_tenths": 4}
uvicorn.run(app, port=int(sys.argv[1]), log_level="warning", access_log=False)
"""


def run() -> Result:
    """The same client polls both, one request after another on one connection, in turns."""
    with tempfile.TemporaryDirectory() as name, mosquitto.start() as broker:
        config = config_text.write(Path(name), broker.port)
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        bare = subprocess.Popen([sys.executable, "-c", BARE, str(port)])
        try:
            with Serving(config) as serving:
                plant = Plant(broker.port)
                for n in range(1, len(PROBES_M) + 1):
                    plant.say(f"probe/{n}", {"c": 50.0, "t": round(time.time(), 2)})
                url = f"{serving.address}/api/v1/homes/home/state"
                bare_url = f"http://127.0.0.1:{port}/state"
                _until_it_answers(url)
                _until_it_answers(bare_url)
                ours: list[float] = []
                theirs: list[float] = []
                for _ in range(5):
                    ours += _poll(url, REQUESTS // 5)
                    theirs += _poll(bare_url, REQUESTS // 5)
                plant.close()
        finally:
            bare.terminate()
            bare.wait(10)
    rate, bare_rate = len(ours) / sum(ours), len(theirs) / sum(theirs)
    p99, bare_p99 = (sorted(t)[int(len(t) * 0.99)] * 1e3 for t in (ours, theirs))
    return Result(
        "a bare FastAPI route on uvicorn that returns one number, same client",
        (
            Figure("state", rate, "requests/s"),
            Figure("bare route", bare_rate, "requests/s"),
            Figure("rate against the bare route", rate / bare_rate, "times"),
            Figure("state, slowest in a hundred", p99, "ms"),
            Figure("bare route, slowest in a hundred", bare_p99, "ms"),
            Figure("slowest in a hundred against the bare route", p99 / bare_p99, "times"),
        ),
        ("one client, one connection; the service lives and commits meanwhile",),
        {"requests": REQUESTS},
    )


def _until_it_answers(url: str) -> None:
    until = time.monotonic() + 60
    while time.monotonic() < until:
        try:
            if httpx.get(url).status_code == 200:
                return
        except httpx.HTTPError:
            pass
        time.sleep(0.2)
    raise AssertionError(f"{url} does not answer")


def _poll(url: str, times: int) -> list[float]:
    taken = []
    with httpx.Client() as client:
        client.get(url)
        for _ in range(times):
            began = time.perf_counter()
            client.get(url).raise_for_status()
            taken.append(time.perf_counter() - began)
    return taken
