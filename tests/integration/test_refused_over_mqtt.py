"""What cannot be used over MQTT says what, where and how to mend it: to the sender and the log."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from tests import config_text, mosquitto
from tests.serving import Serving

PROBE = "signal probe_1 on topic plant/probe/1: expected a number; got '47,5'; "
PROBE += "write the decimal point as ."
WISH = "people in ladle/home/wish: '9"


def _until(ready: Callable[[], Any], timeout_s: float = 30.0) -> Any:
    end = time.monotonic() + timeout_s
    while not (found := ready()):
        assert time.monotonic() < end, "it did not come about"
        time.sleep(0.1)
    return found


def test_a_refused_reading_and_a_refused_wish_say_how_to_mend_them(tmp_path: Path) -> None:
    with mosquitto.start() as broker:
        config = config_text.write(tmp_path, broker.port, stamped=False)
        answers: list[dict[str, Any]] = []
        subscribed = threading.Event()
        client = paho.Client(CallbackAPIVersion.VERSION2)
        client.on_message = lambda _c, _u, message: answers.append(json.loads(message.payload))
        client.on_subscribe = lambda *_: subscribed.set()
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        try:
            client.subscribe("ladle/home/wish/result", 1)
            assert subscribed.wait(10)

            def answer(payload: str) -> dict[str, Any]:
                answers.clear()
                client.publish("ladle/home/wish", payload, 1).wait_for_publish(10)
                return _until(lambda: answers)[0]

            def heard() -> bool:
                """Whether it listens yet: its pages answer before the broker knows it."""
                client.publish("ladle/home/wish", "{}", 1).wait_for_publish(10)
                time.sleep(0.5)
                return bool(answers)

            with Serving(config) as serving:
                _until(heard)
                time.sleep(1.0)  # for answers to what was asked in between
                # right after a connect a message may have waited, so it is asked for again
                _until(lambda: answer('{"wish": "more", "note": "\\ud800"}')["accepted"])
                named = answer('{"wish": "more", "author": "Ines"}')
                assert "takes no 'author'" in named["message"], "nobody has shown to be Ines"
                for _ in range(3):
                    client.publish("plant/probe/1", "47,5", 1).wait_for_publish(10)
                    huge = '{"wish": "guests", "until": "23:00", "people": %s}' % ("9" * 400)
                    told = answer(huge)
                    assert told["accepted"] is False
                    assert "up to 30" in told["message"]
                address = f"{serving.address}/api/v1/homes/home/health"
                refused = _until(
                    lambda: (
                        len(httpx.get(address).json()["refused"]) > 1
                        and httpx.get(address).json()["refused"]
                    )
                )
                assert PROBE in refused
                assert any(r.startswith(WISH) and "up to 30" in r for r in refused)
                said = serving.text()
                assert said.count(PROBE) == 1
                assert said.count(WISH) == 1
                assert "Traceback" not in said
        finally:
            client.disconnect()
            client.loop_stop()
