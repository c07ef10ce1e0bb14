"""The connection to an MQTT broker: one class, the same towards any broker, MQTT 5 or 3.1.1.

What it promises, and how:

*Nothing acknowledged is lost.* Topics are subscribed at QoS 1 in a persistent session. A message
is acknowledged when the service says so, after its commit, and always in arrival order
(MQTT 5.0, 4.6). What was not acknowledged comes again after a reconnect; a delivery that this
process already handed on is recognised by its packet identifier, topic and payload and is not
handed on twice.

*No old command survives a lost connection.* Every connection is a fresh client object, so nothing
unsent or unacknowledged is sent later, when it would be stale. While there is no connection
``publish`` drops what is not retained: a command is a lease and its repeat follows. Retained
messages (status, faults) are remembered by topic and published again after each connect.

*A value that waited is known as such.* The retain flag is lost for messages that waited in a
queue, and MQTT carries no age. So after each connect a fresh nonce is published to a topic of our
own that we are subscribed to at the same QoS; a session's queue is first in, first out, so what
arrives before the nonce comes back was, or may have been, in the queue. The specification
promises the order only for each topic (MQTT 5.0, 4.6: an "ordered topic"), and a clustered broker
may reorder between topics; therefore redeliveries (DUP) count as waited as well, and so does all
that arrives in the first ``settle_s`` seconds. The nonce is repeated every ``marker_every_s``;
while one is overdue by ``lag_s`` the broker is behind and again everything counts as waited. So
it does, until a fresh nonce is back, when this process itself stood still for as long, stopped or
with the whole machine: what had come in by then lies in its socket. So an unmarked value waited
at most ``marker_every_s + lag_s``.

*Acknowledgements that wait for a commit don't stall the queue.* A broker sends only so many
unacknowledged messages (our receive maximum in MQTT 5, the broker's own limit otherwise;
Mosquitto's ``max_inflight_messages`` is 20 by default) and then waits for us, while we wait for a
commit. ``wants_commit`` is True when that window is full. It is learned: when a nonce is overdue,
nothing arrives and deliveries are unacknowledged, then their number is the window. The service
commits when ``wants_commit`` is True or its commit interval has passed, whichever is first.

*A message that cannot be read ends no connection for ever.* MQTT 5 passes on properties that
senders make up, and the library ends the connection over one that it takes for malformed, such as
a byte order mark in a user property, which the specification allows (MQTT 5.0, 1.5.4). The broker
then sends the same message after every reconnect. So after such an end the link speaks MQTT 3.1.1
in the same session, where nobody's properties come along, until the service is started again.

The one last will is the retained status topic ``<prefix>/_link/<client id>/status``: JSON with
``state`` ``here`` or ``gone``. A home's name cannot begin with ``_``, so nothing clashes. A will
cannot release plant (the broker may be gone too), so commands have none and are never retained.
"""

from __future__ import annotations

import hashlib
import json
import logging
import os
import random
import ssl
import threading
import time
import uuid
from collections import Counter, OrderedDict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from adapters.types import LinkState, Message, Outgoing
from adapters.wiring import Broker

log = logging.getLogger(__name__)

LARGEST_PACKET_BYTES = 1 << 20
_CONNACK_TIMEOUT_S = 10.0
_MARKER_LOST_S = 60.0
_SHORT_LIVED_S = 30.0
_TICK_S = 0.2
# reason codes: MQTT 5.0, 3.14.2.1
_TAKEN_OVER, _PROTOCOL_ERROR, _UNSPECIFIED = 142, 130, 128


@dataclass(slots=True)
class _Delivery:
    token: int
    mid: int
    what: bytes
    done: bool = False


def _awake_s() -> float:
    """Seconds that went by, with those in which the machine slept where the system counts them."""
    return time.clock_gettime(getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC))


def _told_apart(topic: str, payload: bytes) -> bytes:
    """What a redelivery is known again by; a payload of a megabyte is not held for it."""
    return hashlib.blake2b(topic.encode() + b"\0" + payload, digest_size=16).digest()


def status_topic(broker: Broker) -> str:
    """Where the status (and last will) of this connection stands, retained."""
    return f"{broker.prefix}/_link/{broker.client_id}/status"


def marker_topic(broker: Broker) -> str:
    """Where the nonces go that tell how far behind the broker is."""
    return f"{broker.prefix}/_link/{broker.client_id}/marker"


class Link:
    """A connection that keeps itself up. ``on_message`` is called from its own thread.

    Args:
        broker: where and how to connect.
        topics: every topic to subscribe to; wildcards are not used.
        on_message: takes each message; must return quickly and not raise.
        on_state: told after each change between connected and not.
        clock: wall time in seconds since 1970, sped up in the demo.
        backoff_s: first and longest pause between attempts; each is doubled and jittered.
        marker_every_s, lag_s, settle_s: see the module's text; real seconds.
        lasting: False for a look at the broker beside a running service: a client id of its own,
            no session, no status and no will; messages need no acknowledgement.
    """

    def __init__(
        self,
        broker: Broker,
        topics: Iterable[str],
        on_message: Callable[[Message], None],
        *,
        on_state: Callable[[LinkState], None] | None = None,
        clock: Callable[[], float] = time.time,
        backoff_s: tuple[float, float] = (1.0, 60.0),
        marker_every_s: float = 10.0,
        lag_s: float = 5.0,
        settle_s: float = 1.0,
        lasting: bool = True,
    ) -> None:
        if not lasting:
            passing = {"client_id": f"{broker.client_id}-{uuid.uuid4().hex[:8]}"}
            broker = broker.model_copy(update={**passing, "session_expiry_s": 0})
        self._lasting = lasting
        self._broker = broker
        self._five = broker.version == "5"  # False, too, after what MQTT 5 could not be read
        self._topics = frozenset(topics)
        self._on_message = on_message
        self._on_state = on_state
        self._clock = clock
        self._backoff_s = backoff_s
        self._marker_every_s = marker_every_s
        self._lag_s = lag_s
        self._settle_s = settle_s

        self._lock = threading.RLock()
        self._stopping = threading.Event()
        self._lost = threading.Event()
        self._ready = threading.Event()
        self._thread: threading.Thread | None = None
        self._client: paho.Client | None = None  # set while connected and subscribed

        self._tokens = 0
        self._open: OrderedDict[int, _Delivery] = OrderedDict()  # this connection, unacknowledged
        self._sent: OrderedDict[int, _Delivery] = OrderedDict()  # by mid: acknowledged just now
        self._earlier: dict[int, _Delivery] = {}  # by mid: handed on over an earlier connection
        self._kept: dict[str, Outgoing] = {}
        self._refusals: Counter[str] = Counter()
        self._since_s = clock()
        self._trouble = ""
        self._denied = ""  # a subscription that this connection goes without, in words
        self._answered = False
        self._taken_over = False
        self._short_lived = 0  # connections in a row that were lost soon
        self._suback_missing: set[int] = set()
        self._suback_topics: dict[int, list[str]] = {}
        self._drained = False
        self._connected_at = 0.0
        self._markers: OrderedDict[str, float] = OrderedDict()  # nonce -> when published
        self._last_marker = 0.0
        self._marker_warned = False
        self._last_arrival = 0.0
        self._looked_at = _awake_s()
        self._window = broker.receive_maximum

    # -- what the service uses ---------------------------------------------------------------

    def start(self) -> None:
        """Begin to connect, in a thread of its own."""
        if self._thread is not None:
            raise RuntimeError("this link was started before")
        self._thread = threading.Thread(target=self._run, name="mqtt-link", daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 5.0) -> None:
        """Send what is on its way, say goodbye on the status topic, disconnect."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(timeout_s)

    def wait_connected(self, timeout_s: float) -> bool:
        """Wait until connected and subscribed; False when that took too long."""
        return self._ready.wait(timeout_s)

    @property
    def state(self) -> LinkState:
        """How the connection stands now."""
        with self._lock:
            return LinkState(
                connected=self._client is not None,
                since_s=self._since_s,
                refusals=dict(self._refusals),
                draining=self._behind(),
                unacknowledged=len(self._open),
                trouble=self._trouble,
            )

    @property
    def wants_commit(self) -> bool:
        """True when the broker (soon) sends nothing more until deliveries are acknowledged."""
        with self._lock:
            waiting = len(self._open)
            if waiting and self._stalled():
                self._window = waiting
            return waiting >= self._window

    def publish(self, message: Outgoing) -> bool:
        """Hand a message to the connection, without waiting.

        Returns:
            True when it is on its way (or, retained, remembered for the next connect); False
            when it was dropped because there is no connection or the queue is full.
        """
        with self._lock:
            if message.retain:
                self._kept[message.topic] = message
            client = self._client
        if client is None:
            self._refusals["not_sent"] += not message.retain
            return message.retain
        return self._send(client, message)

    def acknowledge(self, tokens: Iterable[int]) -> None:
        """Acknowledge deliveries after their commit. Unknown and void tokens are ignored.

        Acknowledgements leave in arrival order: one waits for those before it.
        """
        with self._lock:
            wanted = set(tokens)
            for token in wanted & self._open.keys():
                self._open[token].done = True
            for delivery in self._earlier.values():
                if delivery.token in wanted:
                    delivery.done = True
            self._flush()

    # -- connecting --------------------------------------------------------------------------

    def _run(self) -> None:
        shortest, longest = self._backoff_s
        pause = shortest
        while not self._stopping.is_set():
            started = time.monotonic()
            try:
                self._one_connection()
            except Exception:  # the link must outlive whatever a broker or the network does
                log.exception("The connection to the broker failed unexpectedly; trying again")
            if time.monotonic() - started > max(10.0, 2 * pause):
                pause = shortest
            if self._taken_over:
                pause = max(pause, longest / 4)
            self._stopping.wait(pause * random.uniform(0.5, 1.0))
            pause = min(2 * pause, longest)

    def _unreadable(self) -> str:
        """Which of the broker's files cannot be read, in words."""
        keys = ("password_file", "ca_file", "client_certificate", "client_key")
        named = {key: path for key in keys if (path := getattr(self._broker, key)) is not None}
        bad = [f"{key} = {path}" for key, path in named.items() if not os.access(path, os.R_OK)]
        if bad:
            return f"Check that it exists and can be read: {', '.join(bad)}"
        return f"Check what stands in {', '.join(named)}"

    def _one_connection(self) -> None:
        where = f"{self._broker.host}:{self._broker.port}"
        self._lost.clear()
        self._answered = False
        self._taken_over = False
        try:
            client = self._make_client()
        except (OSError, ValueError) as error:  # ssl.SSLError is an OSError
            self._complain(
                "file",
                f"Cannot use a file that [broker] names: {error}. {self._unreadable()}",
            )
            return
        try:
            client.connect(
                self._broker.host,
                self._broker.port,
                self._broker.keepalive_s,
                **self._connect_arguments(),
            )
        except ssl.SSLError as error:
            self._complain(
                "tls",
                f"TLS with the broker {where} failed: {error}. Check broker.ca_file, "
                "client_certificate, client_key and that the certificate names this host",
            )
            return
        except (OSError, ValueError) as error:
            said = getattr(error, "strerror", None) or error
            hung_up = self._broker.tls and isinstance(error, ConnectionResetError)
            port = "broker.port, whether that port speaks TLS" if hung_up else "broker.port"
            self._complain(
                "unreachable",
                f"Cannot reach the broker at {where}: {said}. Check broker.host and {port} "
                "and that the broker runs",
            )
            return
        client.loop_start()
        began = time.monotonic()
        while not self._lost.wait(_TICK_S):
            self._notice_standstill()
            if self._stopping.is_set():
                self._say_goodbye(client)
                break
            # The library's thread tells nobody when it dies; where it lives this does nothing.
            if client.loop_start() is not MQTTErrorCode.MQTT_ERR_INVAL and not self._lost.is_set():
                client.on_disconnect = None  # what it says of its own end is no news
                self._complain("lost", "Lost the broker: it sent what the MQTT library fails over")
                break
            if self._client is not None:
                self._tick(client)
            elif time.monotonic() - began > _CONNACK_TIMEOUT_S:
                self._complain("silent", f"The broker at {where} accepts but does not answer")
                break
        client.disconnect()
        client.loop_stop()
        self._closed()

    def _make_client(self) -> paho.Client:
        broker = self._broker
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=broker.client_id,
            clean_session=None if self._five else not self._lasting,
            protocol=paho.MQTTv5 if self._five else paho.MQTTv311,
            manual_ack=True,
            reconnect_on_failure=False,
        )
        client.connect_timeout = 5.0
        client.max_queued_messages_set(1000)
        if broker.user is not None:
            client.username_pw_set(broker.user, self._password())
        if broker.tls:
            context = ssl.create_default_context(
                cafile=str(broker.ca_file) if broker.ca_file else None
            )
            if broker.client_certificate:
                context.load_cert_chain(
                    str(broker.client_certificate),
                    str(broker.client_key) if broker.client_key else None,
                )
            client.tls_set_context(context)
        if self._lasting:
            gone = self._status("gone", "lost")
            client.will_set(status_topic(broker), gone, qos=1, retain=True)
        client.on_connect = self._connected
        client.on_disconnect = self._disconnected
        client.on_subscribe = self._subscribed
        client.on_message = self._arrived
        return client

    def _password(self) -> str | None:
        if self._broker.password is not None:
            return self._broker.password.get_secret_value()
        if self._broker.password_file is not None:
            return self._broker.password_file.read_text(encoding="utf-8").strip()
        return None

    def _connect_arguments(self) -> dict[str, Any]:
        if not self._five:
            return {}
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = self._broker.session_expiry_s
        properties.ReceiveMaximum = self._broker.receive_maximum
        properties.MaximumPacketSize = LARGEST_PACKET_BYTES
        return {"clean_start": not self._lasting, "properties": properties}

    def _connected(
        self,
        client: paho.Client,
        _userdata: Any,
        flags: paho.ConnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self._answered = True
        if reason.is_failure:
            self._complain(
                "refused",
                f"The broker refused the connection: {reason}. Check broker.user and its password, "
                "the broker's access rules and broker.version",
            )
            self._lost.set()
            return
        with self._lock:
            if not flags.session_present:
                self._earlier.clear()
            self._drained = False
            self._denied = ""
            self._markers.clear()
            self._window = self._broker.receive_maximum
            self._connected_at = time.monotonic()
            topics = sorted(self._topics | {marker_topic(self._broker)})
            for first in range(0, len(topics), 100):
                self._subscribe(client, topics[first : first + 100])

    def _subscribe(self, client: paho.Client, topics: list[str]) -> None:
        if self._five:
            # 1: retained values only where the session had no subscription yet.
            options = SubscribeOptions(qos=1, retainHandling=1)
            _, mid = client.subscribe([(topic, options) for topic in topics])
        else:
            _, mid = client.subscribe([(topic, 1) for topic in topics])
        if mid is not None:
            self._suback_missing.add(mid)
            self._suback_topics[mid] = topics

    def _subscribed(
        self,
        client: paho.Client,
        _userdata: Any,
        mid: int,
        reasons: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        for topic, reason in zip(self._suback_topics.pop(mid, []), reasons, strict=False):
            if reason.is_failure:
                self._denied = (
                    f"The broker refused the subscription to {topic}: {reason}. "
                    "Check the broker's access rules"
                )
                self._complain("subscription", self._denied)
        self._suback_missing.discard(mid)
        if self._suback_missing or self._client is not None:
            return
        with self._lock:
            self._client = client
            self._since_s = self._clock()
            kept = list(self._kept.values())
            self._flush()  # what was settled while the subscriptions were under way
        if self._lasting:
            self._send(client, Outgoing(status_topic(self._broker), self._status("here"), 1, True))
        for message in kept:
            self._send(client, message)
        self._mark(client)
        log.info("Connected to the broker at %s:%s", self._broker.host, self._broker.port)
        self._ready.set()
        self._tell_state()

    def _disconnected(
        self,
        client: paho.Client,
        _userdata: Any,
        _flags: paho.DisconnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if reason.value == _TAKEN_OVER:
            self._taken_over = True
            self._complain(
                "taken_over",
                f"Another client with the id {self._broker.client_id} took the session over. "
                "Give each service its own broker.client_id",
            )
        elif reason.value == _PROTOCOL_ERROR and self._five and not self._lost.is_set():
            self._five = False
            self._complain(
                "unreadable",
                f"The connection broke over a message that cannot be read ({reason}); going on "
                "with MQTT 3.1.1, where no properties come along. Let whoever publishes to the "
                "topics of this service leave out user properties",
            )
        elif self._client is client and not self._stopping.is_set():
            bare = reason.value == _UNSPECIFIED  # what the client says of a line that broke
            said = "the connection broke" if bare else reason
            self._complain("lost", f"Lost the broker: {said}")
        elif not self._answered and not self._stopping.is_set():
            self._complain(
                "closed",
                f"The broker at {self._broker.host}:{self._broker.port} closed the connection "
                "without an answer. Check broker.tls, client_certificate and broker.version",
            )
        self._lost.set()

    def _closed(self) -> None:
        with self._lock:
            was = self._client is not None
            self._client = None
            self._ready.clear()
            self._suback_missing.clear()
            self._suback_topics.clear()
            # Which of the last acknowledgements arrived is unknown, so both kinds may come again.
            for delivery in (*self._sent.values(), *self._open.values()):
                self._earlier[delivery.mid] = delivery
            self._sent.clear()
            self._open.clear()
            if was:
                self._since_s = self._clock()
        if not was:
            return
        soon = time.monotonic() - self._connected_at < _SHORT_LIVED_S
        self._short_lived = self._short_lived + 1 if soon else 0
        if self._short_lived >= 3 and not self._stopping.is_set() and not self._taken_over:
            # Without MQTT 5's reason, and from some brokers with it, this is all that shows.
            self._complain(
                "short_lived",
                "The connection is lost again and again soon after it is made. If another client "
                f"has the id {self._broker.client_id}, give each its own broker.client_id",
            )
        self._tell_state()

    def _say_goodbye(self, client: paho.Client) -> None:
        if self._client is None or not self._lasting:
            return
        info = client.publish(
            status_topic(self._broker), self._status("gone", "stopped"), qos=1, retain=True
        )
        try:
            info.wait_for_publish(2.0)
        except (RuntimeError, ValueError) as error:
            log.info("The goodbye on the status topic was not sent: %s", error)

    # -- messages ----------------------------------------------------------------------------

    def _arrived(self, client: paho.Client, _userdata: Any, message: paho.MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = ""
        payload = bytes(message.payload)
        now = time.monotonic()
        with self._lock:
            self._notice_standstill()
            self._last_arrival = now
            delivery: _Delivery | None = None
            seen_before = False
            if message.qos:
                what = _told_apart(topic, payload)
                earlier = self._earlier.pop(message.mid, None)
                if message.dup and earlier is not None and earlier.what == what:
                    delivery, seen_before = earlier, True
                else:
                    self._tokens += 1
                    delivery = _Delivery(self._tokens, message.mid, what)
                self._open[delivery.token] = delivery
                if len(self._open) > self._window:
                    self._window = self._broker.receive_maximum  # it was no limit after all
            waited = bool(message.retain or message.dup or self._behind())
            if topic == marker_topic(self._broker):
                self._marker_back(payload.decode("ascii", "replace"))
                self._settle(delivery)
                return
            if seen_before:
                self._flush()
                return
        if topic not in self._topics:
            # A session resumed from an earlier configuration still holds its subscriptions.
            self._refusals["not_subscribed"] += 1
            if topic:
                client.unsubscribe(topic)
            self._settle(delivery)
            return
        correlation = getattr(message.properties, "CorrelationData", None) if self._five else None
        try:
            self._on_message(
                Message(
                    topic=topic,
                    payload=payload,
                    received_s=self._clock(),
                    waited=waited,
                    token=delivery.token if delivery and self._lasting else None,
                    correlation=correlation,
                )
            )
        except Exception:  # one message that cannot be handled must not hold up all others
            log.exception("A message on %s could not be handled; it is dropped", topic)
            self._refusals["not_handled"] += 1
            self._settle(delivery)
        if not self._lasting:
            self._settle(delivery)

    def _settle(self, delivery: _Delivery | None) -> None:
        with self._lock:
            if delivery is not None:
                delivery.done = True
            self._flush()

    def _flush(self) -> None:
        """Acknowledge the finished deliveries at the head of the line."""
        client = self._client
        while client is not None and self._open:
            token, delivery = next(iter(self._open.items()))
            if not delivery.done:
                return
            if client.ack(delivery.mid, 1) is not MQTTErrorCode.MQTT_ERR_SUCCESS:
                return
            del self._open[token]
            self._sent.pop(delivery.mid, None)
            self._sent[delivery.mid] = delivery
            while len(self._sent) > self._broker.receive_maximum:
                self._sent.popitem(last=False)

    def _send(self, client: paho.Client, message: Outgoing) -> bool:
        properties = None
        if self._five and (message.expires_s is not None or message.correlation is not None):
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            if message.expires_s is not None:
                properties.MessageExpiryInterval = max(1, message.expires_s)
            if message.correlation is not None:
                properties.CorrelationData = message.correlation
        try:
            info = client.publish(
                message.topic, message.payload, message.qos, message.retain, properties
            )
        except ValueError as error:
            self._complain("topic", f"Cannot publish to {message.topic!r}: {error}")
            return False
        if info.rc is not MQTTErrorCode.MQTT_ERR_SUCCESS:
            self._refusals["not_sent"] += 1
            return False
        return True

    # -- how far behind the broker is --------------------------------------------------------

    def _tick(self, client: paho.Client) -> None:
        now = time.monotonic()
        with self._lock:
            oldest = next(iter(self._markers.values()), None)
            due = now - self._last_marker >= self._marker_every_s and len(self._markers) < 100
        if due:
            self._mark(client)
        overdue = oldest is not None and now - oldest > _MARKER_LOST_S and not self._open
        if overdue and not self._marker_warned:
            self._marker_warned = True
            self._complain(
                "marker",
                f"What was published to {marker_topic(self._broker)} does not come back, so "
                "no value without a stamp can be taken as fresh. The broker's access rules "
                "must let this client publish and subscribe there",
            )

    def _mark(self, client: paho.Client) -> None:
        nonce = uuid.uuid4().hex
        with self._lock:
            self._last_marker = time.monotonic()
            self._markers[nonce] = self._last_marker
        self._send(client, Outgoing(marker_topic(self._broker), nonce.encode()))

    def _marker_back(self, nonce: str) -> None:
        if nonce not in self._markers:
            return  # of an earlier connection
        while self._markers:
            first, _ = self._markers.popitem(last=False)
            if first == nonce:
                break
        if not self._drained:
            self._drained = True
            self._earlier.clear()  # redeliveries come before anything else
            self._trouble = self._denied
        self._marker_warned = False

    def _notice_standstill(self) -> None:
        """See to it that what lay here while nothing ran counts as waited."""
        with self._lock:
            now = _awake_s()
            if now - self._looked_at > self._lag_s:
                self._drained = False
                self._markers.clear()  # those of before tell nothing
                self._last_marker = 0.0
            self._looked_at = now

    def _behind(self) -> bool:
        """True while what arrives may have waited in the broker's queue."""
        now = time.monotonic()
        if not self._drained or now - self._connected_at < self._settle_s:
            return True
        oldest = next(iter(self._markers.values()), None)
        return oldest is not None and now - oldest > self._lag_s

    def _stalled(self) -> bool:
        """True when the broker owes us a nonce and yet sends nothing."""
        now = time.monotonic()
        oldest = next(iter(self._markers.values()), None)
        return oldest is not None and now - oldest > 1.0 and now - self._last_arrival > 0.5

    # -- words -------------------------------------------------------------------------------

    def _status(self, state: str, reason: str = "") -> bytes:
        fields: dict[str, Any] = {"state": state}
        if reason:
            fields["reason"] = reason
        else:
            fields["since_s"] = round(self._clock())
        return json.dumps(fields).encode()

    def _complain(self, code: str, message: str) -> None:
        self._refusals[code] += 1
        if message != self._trouble:  # once, not at every attempt
            log.warning("%s", message)
        self._trouble = message

    def _tell_state(self) -> None:
        if self._on_state is not None:
            try:
                self._on_state(self.state)
            except Exception:
                log.exception("A listener to the broker's state failed")
