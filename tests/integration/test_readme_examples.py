"""The README's examples, as they stand there, do what they say on an installed service."""

from __future__ import annotations

import re
import shlex
import threading
import time
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import httpx
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from tests import config_text, mosquitto
from tests.integration.test_listening import make_token, secret_in
from tests.serving import Serving

README = Path(__file__).parents[2] / "README.md"


def _address(served: str) -> str:
    """The address of the pages as the README writes it, at the port that is served here."""
    section = README.read_text(encoding="utf-8").split("### API and MQTT")[1]
    written = re.search(r"`LADLE=(http://127\.0\.0\.1):8480(\S*)`", section)
    assert written is not None, "it says what $LADLE is"
    return f"{written[1]}:{urlsplit(served).port}{written[2]}"


def _examples() -> list[list[str]]:
    """The words of each command in the block that shows the API and MQTT."""
    section = README.read_text(encoding="utf-8").split("### API and MQTT")[1]
    block = re.search(r"```sh\n(.*?)```", section, re.DOTALL)
    assert block is not None
    return [shlex.split(c) for c in block.group(1).replace("\\\n", "").splitlines() if c.strip()]


def _curl(words: list[str], address: str, token: str) -> httpx.Response:
    """What curl would send: -H, -d and -X are all that the examples use."""
    headers, body, method, url = {}, None, "", ""
    rest = iter(words[1:])
    for word in rest:
        if word == "-H":
            name, _, value = next(rest).partition(": ")
            headers[name] = value.replace("$TOKEN", token)
        elif word == "-d":
            body = next(rest)
        elif word == "-X":
            method = next(rest)
        else:
            url = word.replace("$LADLE", address)
    return httpx.request(method or ("POST" if body else "GET"), url, headers=headers, content=body)


def _answer_to(words: list[str], port: int) -> dict[str, Any]:
    """Publish as the example says; what comes on wish/result."""
    options = dict(zip(words[1::2], words[2::2], strict=True))
    answered, answers, ready = threading.Event(), list[bytes](), threading.Event()
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.on_message = lambda _c, _u, message: (answers.append(message.payload), answered.set())
    client.on_subscribe = lambda *_: ready.set()
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        client.subscribe("ladle/home/wish/result", 1)
        assert ready.wait(10)
        client.publish(options["-t"], options["-m"], 1).wait_for_publish(10)
        assert answered.wait(10)
    finally:
        client.disconnect()
        client.loop_stop()
    found: dict[str, Any] = httpx.Response(200, content=answers[0]).json()
    return found


def test_the_examples_of_the_readme_do_what_they_say(tmp_path: Path) -> None:
    read, wish, change, publish = _examples()
    with mosquitto.start() as broker:
        config = config_text.write(tmp_path, broker.port)
        token = secret_in(make_token(config, "installer"))
        with Serving(config) as serving:
            address = _address(serving.address)
            state = _curl(read, address, token)
            assert state.json()["home"] == "home"
            asked = _curl(wish, address, token)
            assert (asked.status_code, asked.json()["tenths"]) == (201, 9)
            changed = _curl(change, address, token)
            assert changed.status_code == 200, changed.text
            assert changed.json()["settings"]["reserve_tenths"] == 3
            assert _curl(change, address, token).status_code == 412
            until = time.monotonic() + 30.0
            while True:  # right after a connect a message may have waited, so it is asked for again
                answer = _answer_to(publish, broker.port)
                if answer["accepted"] or time.monotonic() > until:
                    break
                assert "send it again" in answer["message"]
                time.sleep(1.0)
            assert answer["accepted"] is True, answer
