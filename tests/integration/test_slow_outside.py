"""Whoever is asked and does not answer keeps neither records nor the end of the service waiting."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path

from service.assembly import Service
from service.clock import SystemClock
from service.records.records import Records
from service.settings_check import load
from service.worker import InlineWorker
from tests import config_text, mosquitto
from tests.plain_publisher import Plant
from tests.trickling import trickling


def _until(ready: Callable[[], object], timeout_s: float) -> bool:
    end = time.monotonic() + timeout_s
    while not ready() and time.monotonic() < end:
        time.sleep(0.05)
    return bool(ready())


def test_feeds_that_do_not_answer_hold_up_neither_commits_nor_the_release_of_plant(
    tmp_path: Path,
) -> None:
    with mosquitto.start() as broker, trickling(b"X-Wait: a\r\n") as address:
        config = config_text.write(tmp_path, broker.port, stamped=False)
        feeds = "".join(
            f'\n[[homes.price_feeds]]\nkind = "http"\naddress = "{address}{n}"\n' for n in range(6)
        )
        text = config.read_text(encoding="utf-8")
        config.write_text(text.replace("[homes.first]", f"{feeds}\n[homes.first]"))
        wiring = load(config)
        records = Records.open(wiring.database.url)
        service = Service(wiring, SystemClock(), records, InlineWorker())
        service.start()
        plant = Plant(broker.port)
        stopping = threading.Thread(target=service.stop)
        try:
            for number in range(1, 9):
                plant.say(f"probe/{number}", 50.0)
            house = service.houses["home"]
            assert _until(lambda: house.health().last_commit_at, 10.0), "nothing was committed"
            stopping.start()
            status = "ladle/_link/ladle/status"
            assert _until(lambda: b"stopped" in plant.heard.get(status, [b""])[-1], 5.0)
            assert house.view is not None
            assert house.view.decision is not None
            assert house.view.decision.reason.code == "stopping"
        finally:
            plant.close()
            if stopping.ident is None:
                stopping.start()
            stopping.join(40)
            records.close()
