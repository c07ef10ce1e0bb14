"""A flood of messages that ask for something keeps no home from its turn and takes no memory."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from adapters.types import Message
from service.assembly import MOST_ERRANDS, Service
from service.clock import SystemClock
from service.records.records import Records
from service.settings_check import load
from service.worker import InlineWorker
from tests import config_text

WISH = Message("ladle/home/wish", b'{"wish": "more"}', 0.0, waited=False)


def _service(folder: Path) -> Service:
    wiring = load(config_text.write(folder, 1))
    records = Records.open(wiring.database.url)
    return Service(wiring, SystemClock(), records, InlineWorker())


def test_of_a_flood_of_wishes_so_many_wait_and_the_rest_is_refused(tmp_path: Path) -> None:
    service = _service(tmp_path)
    for _ in range(10 * MOST_ERRANDS):
        service._arrived(WISH)
    assert len(service._errands) == MOST_ERRANDS
    assert service.houses["home"].health().refusals == {"too_many": 9 * MOST_ERRANDS}
    service.records.close()


def test_a_home_has_its_turn_while_wishes_pour_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    service = _service(tmp_path)

    def wished(home: str, message: Message) -> None:
        time.sleep(0.002)
        service._arrived(message)  # there is always another

    monkeypatch.setattr(service, "_wished", wished)
    service._arrived(WISH)
    service._thread.start()
    end = time.monotonic() + 5.0
    while service.houses["home"].view is None and time.monotonic() < end:
        time.sleep(0.02)
    assert service.houses["home"].view is not None
    service._stopping.set()
    service._thread.join(10)
    service.records.close()
