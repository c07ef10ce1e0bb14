"""The link while a real Mosquitto is stopped, killed, frozen, flooded and lied to."""

from __future__ import annotations

import random
import socket
import threading
import time
from collections.abc import Callable

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from adapters.decode import Decoder
from adapters.link import Link, status_topic
from adapters.types import Message, Outgoing
from adapters.wiring import Broker, Signal
from tests.faults._world import Proxy
from tests.mosquitto import Mosquitto, free_port, start

TOPIC = "cupboard/probe"
KEEP = ("persistence true", "autosave_on_changes true", "autosave_interval 1")


def until(condition: Callable[[], bool], seconds: float = 8.0) -> bool:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if condition():
            return True
        time.sleep(0.02)
    return condition()


def link_to(port: int, hear: Callable[[Message], None], version: str = "5") -> Link:
    wiring = Broker(port=port, version=version, keepalive_s=5)  # type: ignore[arg-type]
    link = Link(
        wiring, (TOPIC,), hear, backoff_s=(0.1, 0.5), marker_every_s=0.3, lag_s=0.5, settle_s=0.1
    )
    link.start()
    return link


def sensor(broker: Mosquitto) -> paho.Client:
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id="sensor", clean_session=False)
    client.reconnect_delay_set(1, 1)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    return client


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_nothing_is_lost_or_handed_on_twice_over_restarts(version: str) -> None:
    """The service commits (and acknowledges) at random while the broker comes and goes."""
    chance = random.Random(1)
    heard: list[Message] = []
    with start(KEEP) as broker:
        link = link_to(broker.port, heard.append, version)
        assert link.wait_connected(5)
        source = sensor(broker)
        sent = 0
        for _ in range(3):
            for _ in range(40):
                source.publish(TOPIC, str(sent), 1)
                sent += 1
                if chance.random() < 0.2:
                    upto = chance.randrange(len(heard) + 1)
                    link.acknowledge(m.token for m in heard[:upto] if m.token)
            broker.restart()
            assert link.wait_connected(8)
        everything = {str(i).encode() for i in range(sent)}

        def all_here() -> bool:
            if link.wants_commit:  # MQTT 3.1.1: Mosquitto's window of 20 is full
                link.acknowledge(m.token for m in heard if m.token)
            return {m.payload for m in heard} == everything

        assert until(all_here, 12)
        link.acknowledge(m.token for m in heard if m.token)
        assert until(lambda: link.state.unacknowledged <= 1)
        texts = [m.payload for m in heard]
        # The sensor itself may send one again whose acknowledgement was lost in a restart, so a
        # repeat is allowed only for as many as it had in flight; ours never hands one on twice.
        assert len(texts) - len(set(texts)) <= 3 * 20
        source.disconnect()
        source.loop_stop()
        link.stop()


def test_a_redelivery_of_what_this_process_has_is_not_handed_on_again() -> None:
    heard: list[Message] = []
    with start(KEEP) as broker:
        link = link_to(broker.port, heard.append)
        assert link.wait_connected(5)
        source = sensor(broker)
        for i in range(20):
            source.publish(TOPIC, str(i), 1).wait_for_publish(5)
        assert until(lambda: len(heard) == 20)
        broker.stop()
        # Else a busy machine would acknowledge over the connection that is dead, not over the next.
        assert until(lambda: not link.state.connected)
        broker.run()
        assert link.wait_connected(8)
        assert until(lambda: not link.state.draining and link.state.unacknowledged >= 20)
        assert len(heard) == 20
        link.acknowledge(m.token for m in heard if m.token)  # tokens from before the restart
        assert until(lambda: link.state.unacknowledged == 0)
        link.stop()
        again: list[Message] = []
        other = link_to(broker.port, again.append)
        assert other.wait_connected(5)
        assert until(lambda: not other.state.draining)
        assert again == []
        other.stop()
        source.loop_stop()


def test_a_commit_during_an_outage_is_acknowledged_when_the_broker_is_back() -> None:
    heard: list[Message] = []
    with start(KEEP) as broker:
        link = link_to(broker.port, heard.append)
        assert link.wait_connected(5)
        source = sensor(broker)
        for i in range(10):
            source.publish(TOPIC, str(i), 1).wait_for_publish(5)
        assert until(lambda: len(heard) == 10)
        broker.stop()
        assert until(lambda: not link.state.connected)
        link.acknowledge(m.token for m in heard if m.token)
        broker.run()
        assert link.wait_connected(8)
        assert until(lambda: not link.state.draining)
        assert until(lambda: link.state.unacknowledged == 0)
        assert len(heard) == 10
        link.stop()
        source.loop_stop()


def test_no_command_of_before_an_outage_is_sent_after_it() -> None:
    commands: list[bytes] = []
    with start() as broker:
        link = link_to(broker.port, lambda _: None)
        assert link.wait_connected(5)
        broker.stop()
        assert until(lambda: not link.state.connected)
        assert not link.publish(Outgoing("relay/set", b"old"))
        assert link.publish(Outgoing("ladle/home/faults", b"[1]", retain=True))
        broker.run()
        plant = sensor(broker)
        plant.on_message = lambda _c, _u, m: commands.append(m.payload)
        plant.subscribe([("relay/set", 1), ("ladle/home/faults", 1)])
        assert link.wait_connected(8)
        assert until(lambda: b"[1]" in commands)  # what is retained is published again
        link.publish(Outgoing("relay/set", b"new"))
        assert until(lambda: commands[-1] == b"new")
        assert b"old" not in commands
        plant.loop_stop()
        link.stop()


def test_a_frozen_broker_never_blocks_the_caller_and_its_backlog_counts_as_waited() -> None:
    heard: list[Message] = []
    with start() as broker:
        link = link_to(broker.port, heard.append)
        assert link.wait_connected(5)
        assert until(lambda: not link.state.draining)
        source = sensor(broker)
        source.publish(TOPIC, "before", 1).wait_for_publish(5)
        assert until(lambda: len(heard) == 1)
        broker.freeze()
        began = time.monotonic()
        for _ in range(2000):
            link.publish(Outgoing("relay/set", b"1" * 1000))
        link.acknowledge([heard[0].token or 0])
        assert time.monotonic() - began < 2.0
        source.publish(TOPIC, "during", 1)
        assert until(lambda: link.state.draining, 3)  # its nonce is overdue
        broker.thaw()
        assert until(lambda: len(heard) == 2)
        assert [m.waited for m in heard] == [False, True]
        assert until(lambda: not link.state.draining)
        link.stop()
        source.loop_stop()


def test_a_link_cut_off_without_a_word_loses_nothing() -> None:
    """The network stops forwarding and nobody closes a connection."""
    heard: list[Message] = []
    commands: list[bytes] = []
    with start(KEEP) as broker:
        proxy = Proxy(broker.port)
        link = link_to(proxy.port, heard.append)
        assert link.wait_connected(5)
        assert until(lambda: not link.state.draining)
        source = sensor(broker)
        source.on_message = lambda _c, _u, m: commands.append(m.payload)
        source.subscribe("relay/set", 1)
        proxy.cut()
        for i in range(50):
            source.publish(TOPIC, str(i), 1)
        assert until(lambda: link.state.draining, 3)  # its nonce is overdue: nothing is fresh
        began = time.monotonic()
        for _ in range(200):
            link.publish(Outgoing("relay/set", b"old"))
        assert time.monotonic() - began < 1.0
        assert until(lambda: not link.state.connected, 12)  # the keepalive ran out
        proxy.mend()
        assert link.wait_connected(8)
        assert until(lambda: {m.payload for m in heard} == {str(i).encode() for i in range(50)})
        assert all(m.waited for m in heard)
        link.publish(Outgoing("relay/set", b"new"))
        assert until(lambda: b"new" in commands)
        link.stop()
        source.loop_stop()
        proxy.close()


def test_a_killed_service_leaves_gone_on_the_status_topic() -> None:
    """The one last will. The link's socket is cut without a goodbye, as by a kill."""
    with start() as broker:
        link = link_to(broker.port, lambda _: None)
        assert link.wait_connected(5)
        states: list[bytes] = []
        watcher = sensor(broker)
        watcher.on_message = lambda _c, _u, m: states.append(m.payload)
        watcher.subscribe(status_topic(Broker(port=broker.port)), 1)
        assert until(lambda: any(b'"here"' in s for s in states))
        assert link._client is not None
        sock = link._client.socket()
        assert isinstance(sock, socket.socket)
        sock.shutdown(socket.SHUT_RDWR)
        assert until(lambda: any(b'"gone"' in s and b'"lost"' in s for s in states))
        assert until(lambda: b'"here"' in states[-1])  # and it is back
        link.stop()
        watcher.loop_stop()


def test_a_flood_of_nonsense_is_counted_and_does_not_stop_what_matters() -> None:
    probe = Signal(name="top", measures="probe", topic=TOPIC, unit="Cel", height_m=1)
    decoder, codes, values = Decoder({"home": [probe]}), set[str](), list[float]()

    def hear(message: Message) -> None:
        decoded = decoder.decode(message)
        codes.update(r.code for r in decoded.refusals)
        values.extend(r.value for r in decoded.readings)
        tokens.append(message.token or 0)
        if len(tokens) % 100 == 0:
            link.acknowledge(tokens)

    tokens: list[int] = []
    chance = random.Random(2)
    with start(("max_queued_messages 0",)) as broker:
        link = link_to(broker.port, hear)
        assert link.wait_connected(5)
        source = sensor(broker)
        for _ in range(3000):
            source.publish(TOPIC, chance.randbytes(chance.randrange(60)), 1)
        source.publish(TOPIC, b"x" * (2 << 20), 1)  # above the packet size we state
        source.publish(TOPIC, b"51.5", 1)
        assert until(lambda: values[-1:] == [51.5], 15)
        assert {"not_text", "not_a_number"} <= codes
        assert link.state.refusals.get("not_handled") is None
        source.disconnect()
        source.loop_stop()
        link.stop()


def test_a_handler_that_fails_on_one_message_does_not_hold_up_the_others() -> None:
    heard: list[bytes] = []

    def hear(message: Message) -> None:
        if message.payload == b"2":
            raise RuntimeError("a fault of ours")
        heard.append(message.payload)
        link.acknowledge([message.token or 0])

    with start() as broker:
        link = link_to(broker.port, hear)
        assert link.wait_connected(5)
        source = sensor(broker)
        for i in range(5):
            source.publish(TOPIC, str(i), 1)
        assert until(lambda: heard == [b"0", b"1", b"3", b"4"])
        assert until(lambda: link.state.unacknowledged <= 1)
        assert link.state.refusals["not_handled"] == 1
        source.loop_stop()
        link.stop()


@pytest.mark.parametrize("answer", [b"", b"HTTP/1.1 400 Bad Request\r\n\r\n", b"\x20\x02\x00\xff"])
def test_a_listener_that_is_no_broker_is_named(answer: bytes) -> None:
    port = free_port()
    listener = socket.create_server(("127.0.0.1", port))

    def serve() -> None:
        while True:
            try:
                peer, _ = listener.accept()
            except OSError:
                return
            with peer:
                peer.recv(1000)
                peer.sendall(answer)

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    link = link_to(port, lambda _: None)
    try:
        assert until(lambda: sum(link.state.refusals.values()) >= 2)
        assert not link.state.connected
        assert link.state.trouble
    finally:
        link.stop()
        listener.close()
