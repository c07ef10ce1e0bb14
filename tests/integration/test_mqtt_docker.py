"""The deployment's files: the broker configuration runs, and every path in them exists."""

from __future__ import annotations

import re
import threading
import time
from pathlib import Path

import httpx
import paho.mqtt.client as paho
import yaml
from paho.mqtt.enums import CallbackAPIVersion

from adapters.link import Link
from adapters.types import Message, Outgoing
from adapters.wiring import Broker
from service.bootstrap import OLDEST
from service.settings import Wiring
from tests import config_text
from tests.integration.test_listening import make_token, secret_in
from tests.mosquitto import password_file, start
from tests.serving import Serving

ROOT = Path(__file__).parents[2]
DOCKER = ROOT / "docker"


def broker_lines(folder: Path) -> list[str]:
    """The lines of docker/mosquitto.conf with its folders moved here; the helper listens."""
    lines = []
    for line in (DOCKER / "mosquitto.conf").read_text().splitlines():
        text = line.strip()
        if text and not text.startswith("#") and text.split()[0] not in (
            "listener", "persistence_location",
        ):  # fmt: skip
            lines.append(text.replace("/mosquitto/config", str(folder)))
    return lines


def test_the_broker_runs_with_our_configuration_and_keeps_people_apart(tmp_path: Path) -> None:
    password_file(tmp_path, {"ladle": "a", "plant": "b", "household": "c", "sensors": "d"})
    (tmp_path / "access-rules").write_text((DOCKER / "access-rules").read_text())
    heard: list[Message] = []
    with start(broker_lines(tmp_path)) as broker:
        topics = ("plant/cylinder/probe/1", "ladle/home/wish")
        wiring = Broker(port=broker.port, user="ladle", password="a")  # type: ignore[arg-type]
        link = Link(wiring, topics, heard.append, settle_s=0.1)
        link.start()

        def client(user: str, password: str) -> tuple[paho.Client, list[bytes]]:
            got: list[bytes] = []
            one, up = paho.Client(CallbackAPIVersion.VERSION2), threading.Event()
            one.username_pw_set(user, password)
            one.on_connect = lambda *_: up.set()
            one.on_message = lambda _c, _u, m: got.append(m.payload)
            one.connect("127.0.0.1", broker.port)
            one.loop_start()
            assert up.wait(5)
            return one, got

        try:
            assert link.wait_connected(5), link.state
            plant, commands = client("plant", "b")
            household, states = client("household", "c")
            sensors, _ = client("sensors", "d")
            plant.subscribe("plant/heatpump/hot_water/set", 1)
            household.subscribe([("ladle/home/state", 1), ("plant/#", 1)])
            time.sleep(0.3)
            assert not link.state.draining  # the marker's topic is allowed
            assert link.state.refusals == {}
            link.publish(Outgoing("plant/heatpump/hot_water/set", b"1"))
            link.publish(Outgoing("ladle/home/state", b"{}"))
            plant.publish("plant/cylinder/probe/1", "51", 1)
            plant.publish("ladle/home/wish", "not allowed", 1)
            sensors.publish("plant/cylinder/probe/1", "52", 1)
            for one in (sensors, household):
                one.publish("plant/heatpump/hot_water/set", "not allowed", 1)
            household.publish("plant/cylinder/probe/1", "not allowed", 1)
            household.publish("ladle/home/wish", "{}", 1)
            time.sleep(0.5)
            assert sorted(m.payload for m in heard) == [b"51", b"52", b"{}"]
            assert commands == [b"1"]
            assert states == [b"{}"]
            for one in (plant, household, sensors):
                one.disconnect()
                one.loop_stop()
        finally:
            link.stop()


def test_the_broker_holds_what_the_link_states() -> None:
    lines = dict(line.split(maxsplit=1) for line in broker_lines(Path("/")))
    assert int(lines["max_inflight_messages"]) >= Broker().receive_maximum
    assert int(lines["max_queued_messages"]) >= 24 * 3600 / 10 * 12  # twelve signals for a day
    days = int(lines["persistent_client_expiration"].removesuffix("d"))
    assert days * 86400 > Broker().session_expiry_s
    assert lines["allow_anonymous"] == "false"


def test_compose_names_what_exists() -> None:
    compose = yaml.safe_load((DOCKER / "compose.yaml").read_text())
    assert set(compose["services"]) == {"broker", "ladle", "database"}
    ladle = compose["services"]["ladle"]
    assert (DOCKER / ladle["build"]["context"] / ladle["build"]["dockerfile"]).is_file()
    assert all(port.startswith("127.0.0.1:") for port in ladle["ports"])
    ours = [name for name in ladle["environment"] if name != "FORWARDED_ALLOW_IPS"]
    for name in ours:  # a wrong name would be refused at the start
        part, _, key = name.removeprefix("LADLE_").lower().partition("__")
        assert key in Wiring.model_fields[part].annotation.model_fields  # type: ignore[union-attr]
    made_by_the_installer = {"./ladle.toml", "./passwords"}
    for service in compose["services"].values():
        for volume in service["volumes"]:
            source = volume.split(":")[0]
            if not source.startswith("."):
                assert source in compose["volumes"]
            elif source not in made_by_the_installer:
                assert (DOCKER / source).is_file(), source
    for secret in ladle["secrets"]:
        assert secret in compose["secrets"]


def test_a_session_behind_a_proxy_with_tls_never_goes_without(tmp_path: Path) -> None:
    """The proxy is another address to the container, here 127.0.0.2 (RFC 6265, 5.4: Secure)."""
    compose = yaml.safe_load((DOCKER / "compose.yaml").read_text())
    given = compose["services"]["ladle"]["environment"]
    environment = {k: v for k, v in given.items() if k == "FORWARDED_ALLOW_IPS"}
    with start() as broker:
        config = config_text.write(tmp_path, broker.port)
        token = secret_in(make_token(config, "household"))
        proxy = httpx.Client(transport=httpx.HTTPTransport(local_address="127.0.0.2"))
        with Serving(config, environment) as serving, proxy:
            for scheme, kept in (("https", True), ("http", False)):
                answer = proxy.post(
                    f"{serving.address}/sign-in",
                    data={"token": token},
                    headers={"X-Forwarded-Proto": scheme, "X-Forwarded-For": "192.0.2.7"},
                )
                assert ("Secure" in answer.headers["set-cookie"]) is kept


def test_the_image_copies_what_exists_and_does_not_run_as_root() -> None:
    lines = (DOCKER / "Dockerfile").read_text().replace("\\\n", " ").splitlines()
    words = [line.split() for line in lines if line and not line.startswith("#")]
    kept = {
        line[1:]
        for line in (DOCKER / "Dockerfile.dockerignore").read_text().splitlines()
        if line.startswith("!")
    }
    for word in words:
        if word[0] == "COPY" and not word[1].startswith("--"):
            for source in word[1:-1]:
                assert (ROOT / source).exists(), source
                assert source in kept
    # The oldest Python promised is the one that every change is tested on.
    python = "python:{}.{}-slim".format(*OLDEST)
    assert [word[1] for word in words if word[0] == "FROM"] == [python, python]
    users = [word[1] for word in words if word[0] == "USER"]
    assert users
    assert users[-1] not in ("root", "0")
    assert words[-1][:2] == ["CMD", '["ladle",']
    port = next(word[1] for word in words if word[0] == "EXPOSE")
    assert int(port) == Wiring.model_fields["http"].default.port
    check = next(word for word in words if word[0] == "HEALTHCHECK")
    assert re.search(rf"127\.0\.0\.1', {port}\b", " ".join(check))
    # the file's port must not move the pages away from where they are looked for
    assert ["ENV", f"LADLE_HTTP__PORT={port}"] in words
    (mapped,) = yaml.safe_load((DOCKER / "compose.yaml").read_text())["services"]["ladle"]["ports"]
    assert mapped.split(":")[-1] == port


def test_the_lock_holds_one_version_of_each_package_for_every_python() -> None:
    lock = (ROOT / "requirements.lock").read_text()
    names = re.findall(r"^([a-z0-9._-]+)==", lock, re.MULTILINE)
    assert len(names) > 40
    assert len(names) == len(set(names))
