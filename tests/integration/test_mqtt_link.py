"""The link against a real Mosquitto and the embedded amqtt: both protocol versions."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
import tracemalloc
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from adapters.embedded import BrokerFailed, EmbeddedBroker
from adapters.link import Link, status_topic
from adapters.types import LinkState, Message, Outgoing
from adapters.wiring import Broker
from tests.mosquitto import Mosquitto, free_port, password_file, start

TOPIC = "cupboard/probe"
VERSIONS = ("5", "3.1.1")


def until(condition: Callable[[], bool], seconds: float = 5.0) -> bool:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if condition():
            return True
        time.sleep(0.02)
    return condition()


class Heard(list[Message]):
    """Collects messages; payloads as text."""

    @property
    def texts(self) -> list[str]:
        return [m.payload.decode() for m in self]

    @property
    def tokens(self) -> list[int]:
        return [m.token for m in self if m.token is not None]


def wire(broker: Mosquitto, version: str = "5", **more: object) -> Broker:
    return Broker(port=broker.port, version=version, **more)  # type: ignore[arg-type]


@contextmanager
def linked(
    wiring: Broker, heard: Heard, *, settled: bool = True, topics: tuple[str, ...] = (TOPIC,)
) -> Iterator[Link]:
    link = Link(
        wiring,
        topics,
        heard.append,
        backoff_s=(0.1, 0.4),
        marker_every_s=0.5,
        lag_s=1.5,
        settle_s=0.1,
    )
    link.start()
    try:
        assert link.wait_connected(5), link.state
        if settled:
            assert until(lambda: not link.state.draining), link.state
        yield link
    finally:
        link.stop()


@contextmanager
def stranger(port: int, user: str | None = None, password: str | None = None, **tls: object):  # type: ignore[no-untyped-def]
    """A plain MQTT client, as any sensor would be."""
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    if user:
        client.username_pw_set(user, password)
    if tls:
        client.tls_set(**tls)  # type: ignore[arg-type]
    up = threading.Event()
    client.on_connect = lambda *_: up.set()
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        assert up.wait(5)
        yield client
    finally:
        client.disconnect()
        client.loop_stop()


def say(client: paho.Client, *payloads: str, topic: str = TOPIC, retain: bool = False) -> None:
    sent = [client.publish(topic, text, 1, retain) for text in payloads]
    for info in sent:
        info.wait_for_publish(5)


@pytest.mark.parametrize("version", VERSIONS)
def test_fresh_values_and_commands_pass(version: str) -> None:
    heard, commands = Heard(), []
    with (
        start() as broker,
        linked(wire(broker, version), heard) as link,
        stranger(broker.port) as c,
    ):
        c.on_message = lambda _c, _u, m: commands.append((m.payload, m.retain))
        c.subscribe("relay/set", 1)
        say(c, "51.5")
        assert until(lambda: len(heard) == 1)
        assert heard[0].waited is False
        assert link.publish(Outgoing("relay/set", b"1", expires_s=600))
        assert until(lambda: commands == [(b"1", False)])


@pytest.mark.parametrize("retain", [False, True])
def test_a_property_that_cannot_be_read_ends_no_connection_for_ever(retain: bool) -> None:
    """MQTT 5.0, 1.5.4: U+FEFF may stand in any string; the client library refuses it."""
    heard, noted = Heard(), Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    noted.UserProperty = ("note", "\ufeffcellar")
    with start() as broker, stranger(broker.port) as c:
        with linked(wire(broker), heard) as link:
            c.publish(TOPIC, "51.5", 1, retain, noted).wait_for_publish(5)
            say(c, "51.6")
            assert until(lambda: {"51.5", "51.6"} <= set(heard.texts)), link.state
            link.acknowledge(heard.tokens)
            assert until(lambda: link.state.connected and not link.state.draining)
            say(c, "51.7")
            assert until(lambda: heard.texts[-1] == "51.7" and not heard[-1].waited)
        with linked(wire(broker), heard) as link:  # the service is started again
            say(c, "51.8")
            assert until(lambda: heard.texts[-1] == "51.8")


def test_what_was_handed_on_is_not_held_by_the_link() -> None:
    """A thousand payloads of a megabyte would be more memory than a small home computer has."""
    tokens: list[int | None] = []

    def take(message: Message) -> None:
        tokens.append(message.token)

    payload = "x" * 1_000_000
    with start(("max_packet_size 1050000",)) as broker, stranger(broker.port) as c:
        link = Link(wire(broker), (TOPIC,), take, marker_every_s=0.5)
        link.start()
        try:
            assert link.wait_connected(5)
            tracemalloc.start()
            say(c, *[payload] * 12)
            assert until(lambda: len(tokens) == 12)
            held = tracemalloc.get_traced_memory()[0]
            assert held < 4e6, f"{held / 1e6:.1f} MB for 12 MB not acknowledged yet"
        finally:
            tracemalloc.stop()
            link.stop()


def test_a_subscription_that_is_refused_stays_the_trouble_while_the_rest_works() -> None:
    """MQTT 5.0, 3.9.3: 0x87, not authorized. Mosquitto 2.0 refuses none, so none is asked."""
    link = Link(Broker(), (TOPIC,), Heard().append)
    client = paho.Client(CallbackAPIVersion.VERSION2)
    refused = ReasonCode(PacketTypes.SUBACK, identifier=0x87)
    granted = ReasonCode(PacketTypes.SUBACK, identifier=1)
    link._suback_topics[1] = [TOPIC, "ladle/_link/ladle/marker"]
    link._suback_missing.add(1)
    link._subscribed(client, None, 1, [refused, granted], None)
    link._marker_back(next(iter(link._markers)))
    assert link.state.connected
    assert link.state.trouble.startswith(f"The broker refused the subscription to {TOPIC}: Not")


LISTENER = """
import sys, time
from adapters.link import Link
from adapters.wiring import Broker

def told(message):
    print(message.payload.decode(), message.waited, flush=True)

link = Link(
    Broker(port=int(sys.argv[1])), [sys.argv[2]], told, marker_every_s=0.5, lag_s=1.0, settle_s=0.1
)
link.start()
time.sleep(60)
"""


def test_what_came_in_while_the_process_stood_still_has_waited() -> None:
    """Stopped, as a container or a machine that is paused: values lie in its socket meanwhile."""
    with start() as broker, stranger(broker.port) as c:
        child = subprocess.Popen(
            [sys.executable, "-c", LISTENER, str(broker.port), TOPIC],
            stdout=subprocess.PIPE,
            text=True,
        )
        told: list[list[str]] = []
        reader = threading.Thread(
            target=lambda: told.extend(line.split() for line in child.stdout or ())
        )
        reader.start()
        try:

            def fresh() -> bool:
                say(c, "now")
                time.sleep(0.1)
                return bool(told) and told[-1] == ["now", "False"]

            assert until(fresh, 15.0)
            os.kill(child.pid, signal.SIGSTOP)
            os.waitpid(child.pid, os.WUNTRACED)  # it stands still now, not only soon
            for n in range(20):
                c.publish(TOPIC, f"{n}", 0)  # so that no acknowledgement is waited for
                time.sleep(0.1)
            os.kill(child.pid, signal.SIGCONT)
            assert until(lambda: ["19", "True"] in told or ["19", "False"] in told)
            assert [waited for value, waited in told if value.isdigit()] == ["True"] * 20
            assert until(fresh, 15.0)
        finally:
            child.kill()
            child.wait()
            reader.join()


@pytest.mark.parametrize("version", VERSIONS)
def test_user_and_password(version: str, tmp_path: Path) -> None:
    file = password_file(tmp_path, {"ladle": "right", "probe": "other"})
    (tmp_path / "secret").write_text("right\n")
    with start((f"password_file {file}",)) as broker:
        heard = Heard()
        good = wire(broker, version, user="ladle", password_file=tmp_path / "secret")
        with linked(good, heard), stranger(broker.port, "probe", "other") as c:
            say(c, "40")
            assert until(lambda: heard.texts == ["40"])
        bad = Link(
            wire(broker, version, user="ladle", password="wrong"), (), heard.append,
            backoff_s=(0.1, 0.2),
        )  # fmt: skip
        bad.start()
        assert until(lambda: bad.state.refusals.get("refused", 0) >= 2)
        assert not bad.state.connected
        assert "broker.user" in bad.state.trouble
        assert "wrong" not in bad.state.trouble
        bad.stop()


def test_tls_with_client_certificate(certificates: Path) -> None:
    lines = (
        f"cafile {certificates}/ca.pem",
        f"certfile {certificates}/server.pem",
        f"keyfile {certificates}/server.key",
        "require_certificate true",
    )
    with start(lines) as broker:
        heard = Heard()
        wiring = wire(
            broker,
            tls=True,
            ca_file=certificates / "ca.pem",
            client_certificate=certificates / "client.pem",
            client_key=certificates / "client.key",
        )
        sensor = {
            "ca_certs": f"{certificates}/ca.pem",
            "certfile": f"{certificates}/client.pem",
            "keyfile": f"{certificates}/client.key",
        }
        with linked(wiring, heard), stranger(broker.port, **sensor) as c:
            say(c, "55")
            assert until(lambda: heard.texts == ["55"])
        for wrong in (
            {"client_certificate": None, "client_key": None},
            {"ca_file": certificates / "other-ca.pem"},
        ):
            link = Link(wiring.model_copy(update=wrong), (), heard.append, backoff_s=(0.1, 0.2))
            link.start()
            assert until(lambda link=link: sum(link.state.refusals.values()) >= 1)
            assert not link.state.connected
            link.stop()


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    for key, wrong in (
        ("password_file", {"user": "ladle", "password_file": tmp_path / "gone"}),
        ("ca_file", {"tls": True, "ca_file": tmp_path / "gone"}),
    ):
        link = Link(Broker(port=free_port(), **wrong), (), Heard().append, backoff_s=(0.1, 0.1))  # type: ignore[arg-type]
        link.start()
        assert until(lambda link=link: link.state.refusals.get("file", 0) >= 2)
        assert f"{key} = {tmp_path / 'gone'}" in link.state.trouble
        link.stop()


def test_a_broker_that_is_not_there_is_named_once_and_waited_for(
    caplog: pytest.LogCaptureFixture,
) -> None:
    port, heard = free_port(), Heard()
    link = Link(Broker(port=port), (TOPIC,), heard.append, backoff_s=(0.05, 0.2))
    link.start()
    assert until(lambda: link.state.refusals.get("unreachable", 0) >= 3)
    assert len([r for r in caplog.records if "Cannot reach" in r.message]) == 1
    assert f"127.0.0.1:{port}" in link.state.trouble
    with start(port=port):
        assert link.wait_connected(5)
        assert until(lambda: link.state.trouble == "")
        link.stop()


@pytest.mark.parametrize("version", VERSIONS)
def test_what_is_not_acknowledged_comes_again_to_the_next_process(version: str) -> None:
    with start() as broker, stranger(broker.port) as c:
        first = Heard()
        with linked(wire(broker, version), first) as link:
            say(c, *(str(i) for i in range(10)))
            assert until(lambda: len(first) == 10)
            link.acknowledge(first.tokens[:4])
        say(c, "while away")
        again = Heard()
        with linked(wire(broker, version), again) as link:
            assert until(lambda: len(again) == 7)
            assert again.texts == ["4", "5", "6", "7", "8", "9", "while away"]
            assert all(m.waited for m in again)
            link.acknowledge(again.tokens)
            assert until(lambda: link.state.unacknowledged <= 1)
        nothing = Heard()
        with linked(wire(broker, version), nothing):
            time.sleep(0.3)
        assert nothing == []


def test_acknowledgements_leave_in_order_of_arrival() -> None:
    with start() as broker, stranger(broker.port) as c:
        heard = Heard()
        with linked(wire(broker), heard) as link:
            say(c, "a", "b", "c")
            assert until(lambda: len(heard) == 3)
            link.acknowledge(heard.tokens[1:])  # the first is still to be committed
        again = Heard()
        with linked(wire(broker), again):
            assert until(lambda: len(again) == 3)
            assert again.texts == ["a", "b", "c"]


@pytest.mark.parametrize("version", VERSIONS)
def test_a_retained_probe_and_an_hours_backlog_waited(version: str) -> None:
    """12 signals each 10 s for an hour, more than Mosquitto's default queue and window hold."""
    lines = ("max_queued_messages 10000", "max_inflight_messages 20")
    topics = tuple(f"cupboard/{i}" for i in range(12))
    with start(lines) as broker, stranger(broker.port) as c:
        say(c, "20", topic=topics[0], retain=True)
        with linked(wire(broker, version), Heard(), topics=topics):
            pass
        sent = [c.publish(topics[i % 12], "20.0", 1) for i in range(4320)]
        for info in sent:
            info.wait_for_publish(10)
        heard = Heard()
        with linked(wire(broker, version), heard, topics=topics, settled=False) as link:
            seen = 0
            end = time.monotonic() + 20
            while link.state.draining and time.monotonic() < end:
                if link.wants_commit or len(heard) >= 4320:
                    seen = len(heard)
                    link.acknowledge(m.token for m in heard[:seen] if m.token)
                time.sleep(0.001)
            assert not link.state.draining
            assert len(heard) >= 4320
            assert all(m.waited for m in heard)
            say(c, "48.0", topic=topics[3])
            assert until(lambda: heard[-1].payload == b"48.0")
            assert not heard[-1].waited


def test_a_window_smaller_than_the_commit_is_found_and_does_not_stall() -> None:
    """MQTT 3.1.1 with Mosquitto's window of 20 and a service that would commit each minute."""
    with start(("max_inflight_messages 20",)) as broker, stranger(broker.port) as c:
        heard = Heard()
        with linked(wire(broker, "3.1.1"), heard) as link:
            say(c, *(str(i) for i in range(100)))
            commits = 0

            def all_here() -> bool:
                nonlocal commits
                if link.wants_commit:
                    commits += 1
                    link.acknowledge(heard.tokens)
                return len(heard) == 100

            assert until(all_here, 8)
            assert heard.texts == [str(i) for i in range(100)]
            # Mosquitto 2.0.11 sends more than its limit once an acknowledgement came.
            assert 1 <= commits <= 20


def test_the_receive_maximum_we_state_is_what_mosquitto_keeps_to() -> None:
    with start() as broker, stranger(broker.port) as c:
        heard = Heard()
        with linked(wire(broker, receive_maximum=50), heard) as link:
            say(c, *(str(i) for i in range(200)))
            assert until(lambda: link.state.unacknowledged == 50)
            time.sleep(0.2)
            assert link.state.unacknowledged == 50
            assert link.wants_commit


def test_values_behind_a_full_window_count_as_waited() -> None:
    """A service too slow to commit must not take old values for new ones."""
    with start(("max_inflight_messages 20",)) as broker, stranger(broker.port) as c:
        heard = Heard()
        with linked(wire(broker, "3.1.1"), heard) as link:
            say(c, *(str(i) for i in range(40)))
            assert until(lambda: len(heard) >= 19)
            time.sleep(2.5)  # longer than marker_every_s + lag_s
            late_from = len(heard)
            link.acknowledge(heard.tokens)
            assert until(lambda: len(heard) == 40)
            assert not any(m.waited for m in heard[:late_from])
            assert all(m.waited for m in heard[late_from : late_from + 15])


def test_status_is_here_then_gone() -> None:
    with start() as broker, stranger(broker.port) as c:
        states: list[tuple[str, bool]] = []
        c.on_message = lambda _c, _u, m: states.append((json.loads(m.payload)["state"], m.retain))
        wiring = wire(broker)
        ready = threading.Event()
        c.on_subscribe = lambda *_: ready.set()
        c.subscribe(status_topic(wiring), 1)
        assert ready.wait(5)
        with linked(wiring, Heard()):
            assert until(lambda: states == [("here", False)])
        assert until(lambda: states[-1] == ("gone", False))
        with stranger(broker.port) as late:
            seen = []
            late.on_message = lambda _c, _u, m: seen.append((json.loads(m.payload), m.retain))
            late.subscribe(status_topic(wiring), 1)
            assert until(lambda: seen == [({"state": "gone", "reason": "stopped"}, True)])


def test_correlation_data_is_handed_on_and_given_back() -> None:
    with start() as broker, stranger(broker.port) as c:
        heard, answers = Heard(), []
        c.on_message = lambda _c, _u, m: answers.append(m.properties.CorrelationData)
        c.subscribe("answer", 1)
        with linked(wire(broker), heard) as link:
            properties = Properties(PacketTypes.PUBLISH)
            properties.CorrelationData = b"\x01two"
            c.publish(TOPIC, "{}", 1, properties=properties).wait_for_publish(5)
            assert until(lambda: len(heard) == 1)
            assert heard[0].correlation == b"\x01two"
            link.publish(Outgoing("answer", b"{}", correlation=heard[0].correlation))
            assert until(lambda: answers == [b"\x01two"])


def test_a_second_client_with_the_same_id_is_named() -> None:
    with start() as broker, linked(wire(broker), Heard()) as link:
        rival = paho.Client(CallbackAPIVersion.VERSION2, client_id="ladle", protocol=paho.MQTTv5)
        rival.connect("127.0.0.1", broker.port)
        rival.loop_start()
        told = ("taken_over", "short_lived")  # Mosquitto 2.0.11 gives no reason
        assert until(lambda: any(link.state.refusals.get(code) for code in told), 10)
        assert "client_id" in link.state.trouble
        rival.disconnect()
        rival.loop_stop()


@pytest.mark.parametrize("version", VERSIONS)
def test_a_passing_look_leaves_the_service_and_the_broker_as_they_were(version: str) -> None:
    with (
        start() as broker,
        linked(wire(broker, version), Heard()) as link,
        stranger(broker.port) as c,
    ):
        seen, look = Heard(), Heard()
        c.on_message = lambda _c, _u, m: seen.append(m)
        c.subscribe("ladle/_link/+/status", 1)
        say(c, "20", retain=True)
        passing = Link(wire(broker, version), (TOPIC,), look.append, lasting=False, settle_s=0.1)
        passing.start()
        assert passing.wait_connected(5)
        assert until(lambda: not passing.state.draining)
        say(c, "51")
        assert until(
            lambda: [(m.payload, m.waited) for m in look] == [(b"20", True), (b"51", False)]
        )
        assert until(lambda: passing.state.unacknowledged == 0)
        passing.stop()
        time.sleep(0.2)
        assert link.state.connected
        assert link.state.refusals == {}
        assert {m.topic for m in seen} == {"ladle/_link/ladle/status"}


def test_subscriptions_of_an_earlier_configuration_are_dropped() -> None:
    with start() as broker, stranger(broker.port) as c:
        with linked(wire(broker), Heard(), topics=(TOPIC, "old/topic")):
            pass
        heard = Heard()
        with linked(wire(broker), heard) as link:
            say(c, "1", topic="old/topic")
            assert until(lambda: link.state.refusals.get("not_subscribed", 0) == 1)
            # Only once the broker has heard of it can it be held to it.
            assert until(lambda: "UNSUBSCRIBE" in broker.log.read_text(encoding="utf-8"))
            say(c, "2", topic="old/topic")
            say(c, "3")
            assert until(lambda: heard.texts == ["3"])
            assert link.state.refusals["not_subscribed"] == 1


def test_access_rules_that_hide_our_marker_are_named(tmp_path: Path) -> None:
    rules = tmp_path / "rules"
    rules.write_text(f"topic readwrite {TOPIC}\n")
    with start((f"acl_file {rules}",)) as broker, stranger(broker.port) as c:
        heard = Heard()
        with linked(wire(broker), heard, settled=False) as link:
            say(c, "60")
            assert until(lambda: len(heard) == 1)
            time.sleep(1)
            assert link.state.draining
            assert heard[0].waited


def test_the_same_link_speaks_to_the_embedded_broker() -> None:
    broker, heard, states = EmbeddedBroker(), Heard(), list[LinkState]()
    broker.start()
    link = Link(
        broker.wiring, (TOPIC,), heard.append, on_state=states.append, settle_s=0.1,
        backoff_s=(0.1, 0.2),
    )  # fmt: skip
    link.start()
    try:
        assert link.wait_connected(5)
        assert until(lambda: not link.state.draining)
        sensor = paho.Client(CallbackAPIVersion.VERSION2)
        sensor.connect("127.0.0.1", broker.port)
        sensor.loop_start()
        say(sensor, *(str(i) for i in range(50)))
        assert until(lambda: len(heard) == 50)
        assert heard.texts == [str(i) for i in range(50)]
        assert not any(m.waited for m in heard)
        link.acknowledge(heard.tokens)
        assert link.state.unacknowledged == 0
        sensor.disconnect()
        sensor.loop_stop()
    finally:
        link.stop()
        broker.stop()
    assert [s.connected for s in states] == [True, False]


def test_an_embedded_broker_on_a_taken_port_says_so() -> None:
    with start() as broker, pytest.raises(BrokerFailed, match=f"127.0.0.1:{broker.port}"):
        EmbeddedBroker(broker.port).start()


@pytest.mark.parametrize("key", ["password_file", "ca_file"])
def test_a_file_of_the_broker_that_is_missing_is_named(tmp_path: Path, key: str) -> None:
    missing = tmp_path / "not-there"
    wiring = Broker(port=free_port(), user="ladle", tls=True, **{key: missing})  # type: ignore[arg-type]
    link = Link(wiring, (TOPIC,), Heard().append)
    link.start()
    try:
        assert until(lambda: f"can be read: {key} = {missing}" in link.state.trouble)
    finally:
        link.stop()


def test_a_line_that_broke_is_told_so(caplog: pytest.LogCaptureFixture) -> None:
    with start() as broker:
        link = Link(Broker(port=broker.port), (TOPIC,), Heard().append)
        link.start()
        try:
            assert link.wait_connected(5)
            broker.kill()
            assert until(lambda: not link.state.connected)
            assert until(lambda: any("Lost the broker" in m for m in caplog.messages))
        finally:
            link.stop()
    assert "Lost the broker: the connection broke" in caplog.messages


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_the_link_outlives_the_librarys_thread(monkeypatch: pytest.MonkeyPatch) -> None:
    """What kills it is nowhere told: no callback comes, and the socket stays open."""
    handle, rude = paho.Client._handle_publish, [True]

    def _handle(client: paho.Client) -> MQTTErrorCode:
        if rude and client._client_id == b"ladle":
            rude.clear()
            raise RuntimeError("what the library fails over")
        return handle(client)

    heard = Heard()
    with start() as broker, linked(wire(broker), heard) as link, stranger(broker.port) as sender:
        monkeypatch.setattr(paho.Client, "_handle_publish", _handle)
        say(sender, "51.5")
        assert until(lambda: heard.texts == ["51.5"]), link.state  # it comes again
        assert link.state.refusals == {"lost": 1}
        link.acknowledge(heard.tokens)
        assert until(lambda: not link.state.draining), link.state
