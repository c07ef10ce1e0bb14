"""The main job, end to end: a real broker, the installed service, a plain MQTT client.

Four weeks of EN 16147 profile L on a 300 L cylinder arrive as stamped history; then the present.
What is checked is worked out here from the column itself, not by the product.
"""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import httpx

from tests import config_text, mosquitto
from tests.plain_publisher import (
    COLD_C,
    HEIGHT_M,
    LAYER_L,
    PROBES_M,
    PROFILE_L,
    PROFILE_L_L40_PER_DAY,
    Column,
    Plant,
    past,
)
from tests.serving import Serving

WEEKS = 4


def _wait(what: str, ready: Callable[[], Any], timeout_s: float = 30.0) -> Any:
    until = time.monotonic() + timeout_s
    last = None
    while time.monotonic() < until:
        last = ready()
        if last:
            return last
        time.sleep(0.2)
    raise AssertionError(f"{what} did not come about within {timeout_s:g} s; last: {last!r}")


class Present:
    """Publishes what the column shows now, every second, until it is closed."""

    def __init__(self, plant: Plant, column: Column, total_l: float) -> None:
        self._plant, self._column, self._total_l = plant, column, total_l
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._stop.wait(1.0):
            now = round(time.time(), 2)
            for n, height in enumerate(PROBES_M, 1):
                self._plant.say(f"probe/{n}", {"c": self._column.probe_c(height), "t": now})
            self._plant.say("draw", {"total_l": self._total_l, "t": now})
            self._plant.say("cold", COLD_C)
            self._plant.say("outdoor", 7.0)
            self._plant.say("pump_power", 0.0)

    def close(self) -> None:
        self._stop.set()
        self._thread.join()


def _column_v40_l(column: Column) -> float:
    """V40 of a sharply layered store, V (T - Tc) / 30 for each layer of 40 degC or more (EN 16147:
    the volume of 40 degC water with the enthalpy above cold of what is delivered at >= 40).
    """
    return sum(LAYER_L * (c - COLD_C) / 30.0 for c in column.layers_c if c >= 40.0)


def _all(client: httpx.Client, path: str) -> list[dict[str, Any]]:
    """Every page of a list, following Link rel=next."""
    found, url = [], path
    while url:
        answer = client.get(url)
        assert answer.status_code == 200, answer.text
        found += answer.json() if isinstance(answer.json(), list) else answer.json()["items"]
        following = answer.links.get("next", {}).get("url")
        url = str(answer.url.join(following)) if following else ""
    return found


def test_the_main_job(tmp_path: Path) -> None:
    passwords = mosquitto.password_file(tmp_path, {"ladle": "s3cret", "plant": "pl4nt"})
    now = datetime.now(UTC)
    name = config_text.zone_where_it_is(22, now)
    zone = ZoneInfo(name)
    config = config_text.write(tmp_path, 0, name)
    lines = (
        "allow_anonymous false",
        f"password_file {passwords}",
        "max_inflight_messages 1000",
        "max_queued_messages 0",
    )
    with mosquitto.start(lines) as broker:
        config = config_text.write(tmp_path, broker.port, name, broker='user = "ladle"')
        serving = Serving(config, {"LADLE_BROKER__PASSWORD": "s3cret"})
        with serving:
            plant = Plant(broker.port, "plant", "pl4nt")
            try:
                _history_then_present(serving, plant, now, zone)
            finally:
                plant.close()
        assert "s3cret" not in serving.text()


def _history_then_present(serving: Serving, plant: Plant, now: datetime, zone: ZoneInfo) -> None:
    api = httpx.Client(base_url=f"{serving.address}/api/v1/homes/home", timeout=10)
    said = list(past(now, WEEKS, zone))
    expected_draws = sum(1 for one in said if one.topic == "draw") // 2
    assert plant.say_all(iter(said)) > 5000
    draws = _wait(
        "the history's draws",
        lambda: got if len(got := _all(api, "draws?limit=500")) >= expected_draws - 1 else None,
        90,
    )
    assert abs(len(draws) - expected_draws) <= 1
    days = (now - datetime.fromisoformat(draws[-1]["start"])).total_seconds() / 86_400
    per_day = sum(d["use_l40"] for d in draws) / round(days)
    assert abs(per_day - PROFILE_L_L40_PER_DAY) < 0.08 * PROFILE_L_L40_PER_DAY
    assert not [c for c in plant.commands if c[2] == "1"], "history must move no plant"

    # The present: a third of the column is hot, which is plenty for a quiet night.
    column = Column()
    column.layers_c = [COLD_C] * 12 + [55.0] * 18
    total_l = max(one.body["total_l"] for one in said if one.topic == "draw")
    present = Present(plant, column, total_l)
    try:
        truth_l = _column_v40_l(column)

        def charge() -> dict[str, Any] | None:
            state: dict[str, Any] = api.get("state").json()
            near = abs((state.get("usable_l40") or 0.0) - truth_l) < 0.08 * truth_l
            return state if near and state["rule"] == "plan" else None

        state = _wait("the column's charge", charge)
        assert state["usable_low_l40"] <= state["usable_l40"] <= state["usable_high_l40"]
        reference_l = 300.0 * (55.0 - 10.0) / 30.0
        assert abs(state["reference_l40"] - reference_l) < 0.02 * reference_l
        assert state["charge_tenths"] == int(state["usable_low_l40"] / state["reference_l40"] * 10)

        forecast = _wait(
            "a forecast learned from the history",
            lambda: f if (f := api.get("forecast").json()).get("learned_weight", 0) > 0.5 else None,
            90,
        )
        made_at = forecast["made_at"]
        plan = _wait(
            "a plan made from it",
            lambda: p if (p := api.get("plan")).json().get("made_at", "") >= made_at else None,
        )
        morning = [
            s
            for s in forecast["slots"]
            if 7 <= datetime.fromisoformat(s["start"]).astimezone(zone).hour < 9
        ][:4]
        learned_l = sum(s["expected_l40"] for s in morning)
        drawn_l = sum(
            kwh / (1.163e-3 * 30.0) for at, kwh, _ in PROFILE_L if "07:00" <= at < "09:00"
        )
        assert 0.7 * drawn_l < learned_l < 1.3 * drawn_l

        charges = [w for w in plan.json()["windows"] if w["purpose"] == "charge"]
        assert charges, plan.text
        starts = datetime.fromisoformat(charges[0]["start"]).astimezone(zone)
        ends = datetime.fromisoformat(charges[0]["end"]).astimezone(zone)
        assert starts.hour >= 1
        assert ends <= starts.replace(hour=5, minute=0)
        assert charges[0]["reason"]["code"]
        assert charges[0]["target_tenths"] > state["charge_tenths"]
        time.sleep(3)
        assert not [c for c in plant.commands if c[2] == "1"], "it is not cheap yet"

        # A person overrules it.
        by = (datetime.now(UTC) + timedelta(hours=1)).isoformat()
        asked = api.post(
            "overrides",
            json={"wish": "charge_to", "tenths": 9, "until": by, "note": "bath night"},
            headers={"Idempotency-Key": "one"},
        )
        assert asked.status_code == 201, asked.text
        again = api.post(
            "overrides",
            json={"wish": "charge_to", "tenths": 9, "until": by, "note": "bath night"},
            headers={"Idempotency-Key": "one"},
        )
        assert again.json()["id"] == asked.json()["id"]
        command = _wait("a command", lambda: [c for c in plant.commands if c[2] == "1"], 15)
        assert command[0][1] == "plant/pump/set"
        assert not any(c[3] for c in plant.commands), "no command is ever retained"
        first = len([c for c in plant.commands if c[2] == "1"])
        _wait(
            "the lease's repeat",
            lambda: len([c for c in plant.commands if c[2] == "1"]) > first,
            30,
        )
        assert json.loads(plant.heard["ladle/home/state"][-1])["running"] == ["pump"]
        _changes_are_kept(api)

        # A power cut.
        before = len(_all(api, "draws?limit=500"))
        serving.kill()
        plant.commands.clear()
        serving.run()
        api = httpx.Client(base_url=f"{serving.address}/api/v1/homes/home", timeout=10)
        assert len(_all(api, "draws?limit=500")) >= before
        assert [o["wish"] for o in _all(api, "overrides")] == ["charge_to"]
        assert api.get("settings").json()["settings"]["learning"]["window_weeks"] == 6
        _wait("the command again", lambda: [c for c in plant.commands if c[2] == "1"], 30)

        # Full: the target is reached and the plant is handed back.
        column.charge()
        _wait("the release", lambda: [c for c in plant.commands if c[2] == "0"], 30)
    finally:
        present.close()


def _changes_are_kept(api: httpx.Client) -> None:
    tag = api.get("settings").headers["etag"]
    changed = api.patch(
        "settings",
        json={"changes": {"learning": {"window_weeks": 6}}, "reason": "habits changed"},
        headers={"If-Match": tag},
    )
    assert changed.status_code == 200, changed.text
    wrong = api.patch(
        "settings",
        json={"changes": {"learning": {"window_weeks": 900}}},
        headers={"If-Match": changed.headers["etag"]},
    )
    assert wrong.status_code == 422
    assert wrong.headers["content-type"] == "application/problem+json"
    assert "window_weeks" in wrong.text


def test_probes_reach_the_column_top() -> None:
    """The publisher's own arithmetic: a full column is 450 L of 40 degC water."""
    assert _column_v40_l(Column()) == 450.0
    assert max(PROBES_M) < HEIGHT_M
