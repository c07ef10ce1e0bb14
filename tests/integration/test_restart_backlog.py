"""A value that was retained or waited in the broker's queue moves nothing."""

import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx

from tests import config_text, mosquitto
from tests.plain_publisher import PROBES_M, Plant
from tests.serving import Serving

COLD_C = 20.0  # of every probe: a cylinder that would have to be charged at once
BACKLOG_S = 3600
EVERY_S = 10


def _runs(plant: Plant) -> list[str]:
    return [topic for _, topic, payload, _ in plant.commands if payload == "1"]


def _kept(api: httpx.Client) -> int:
    now = datetime.now(UTC)
    span = {
        "since": (now - timedelta(hours=1)).isoformat(),
        "until": (now + timedelta(minutes=1)).isoformat(),
        "signal": "probe_8",
        "limit": "500",
    }
    answer = api.get("readings", params=span)
    assert answer.status_code == 200, answer.text
    return len(answer.json()["items"])


def test_a_restart_with_a_retained_probe_and_an_hours_backlog_commands_nothing(
    tmp_path: Path,
) -> None:
    lines = ("max_inflight_messages 1000", "max_queued_messages 0", "persistence true")
    with mosquitto.start(lines) as broker:
        config = config_text.write(tmp_path, broker.port, stamped=False)
        plant = Plant(broker.port)
        serving = Serving(config)
        try:
            with serving:
                time.sleep(3)  # subscribed, so that the broker keeps a queue for it
                serving.kill()
                for _ in range(BACKLOG_S // EVERY_S):
                    for n in range(1, len(PROBES_M) + 1):
                        plant.say(f"probe/{n}", COLD_C)
                plant.say("probe/1", COLD_C, retain=True).wait_for_publish(30)
                broker.restart()  # the queue and the retained value survive this too
                time.sleep(2)
                serving.run()
                api = httpx.Client(base_url=f"{serving.address}/api/v1/homes/home", timeout=10)
                until = time.monotonic() + 60
                kept = 0
                while time.monotonic() < until and kept < BACKLOG_S // EVERY_S:
                    time.sleep(0.5)
                    kept = _kept(api)
                assert kept >= BACKLOG_S // EVERY_S, "the backlog itself is stored"
                time.sleep(5)
                state = api.get("state").json()
                assert state["rule"] == "fail_safe", state
                assert state["running"] == []
                assert not _runs(plant), "old values must move no plant"
                # The same figure, live and fresh, is another matter: now there is no reserve.
                until = time.monotonic() + 40
                while time.monotonic() < until and not _runs(plant):
                    for n in range(1, len(PROBES_M) + 1):
                        plant.say(f"probe/{n}", COLD_C)
                    time.sleep(1)
                assert _runs(plant), "live values that show a cold cylinder are acted on"
        finally:
            plant.close()
