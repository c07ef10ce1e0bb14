"""After a restart a signal that is silent has no age, for pages and API alike."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import httpx

from tests import config_text, mosquitto
from tests.plain_publisher import PROBES_M, Plant
from tests.serving import Serving


def _heard(serving: Serving, plant: Plant, *more: str) -> dict[str, Any]:
    """The state once the probes are heard; ``more`` is published with them."""
    until = time.monotonic() + 30
    while time.monotonic() < until:
        now = round(time.time(), 2)
        for n in range(1, len(PROBES_M) + 1):
            plant.say(f"probe/{n}", {"c": 50.0, "t": now})
        for topic in more:
            plant.say(topic, 7.0)
        time.sleep(0.5)
        answer = httpx.get(f"{serving.address}/api/v1/homes/home/state")
        if answer.status_code == 200:
            state: dict[str, Any] = answer.json()
            ages = [state["ages_s"][name] for name in ("probe_1", *more)]
            if all(age is not None and age < 20 for age in ages):
                return state
    raise AssertionError("not everything was heard")


def test_what_was_not_heard_since_the_start_has_no_age(tmp_path: Path) -> None:
    with mosquitto.start() as broker:
        plant = Plant(broker.port)
        try:
            with Serving(config_text.write(tmp_path, broker.port)) as serving:
                _heard(serving, plant, "outdoor")
                serving.stop()
                serving.run()
                after = _heard(serving, plant)
                assert after["ages_s"]["outdoor"] is None
                page = httpx.get(f"{serving.address}/homes/home/plant").text
                (row,) = (line for line in page.splitlines() if ">outdoor</th>" in line)
                assert "<td>no value yet</td>" in row
                assert "<td>none since the start</td>" in row
        finally:
            plant.close()
