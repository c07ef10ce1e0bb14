"""What ``ladle check`` says of a configuration, and how it looks at the real plant."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass

from rich.console import Console
from rich.table import Table

from adapters import actuators
from adapters.decode import Decoder
from adapters.link import Link, marker_topic, status_topic
from adapters.own_topics import OwnTopics
from adapters.types import Command, Message, Reading, Refusal
from adapters.units import BASE_UNIT
from adapters.wiring import Actuator, Form, Quantity
from service.control import config_checks
from service.control.situation import upside_down
from service.records.errors import RecordsError
from service.settings import HomeSettings, HomeWiring, Wiring
from service.settings_check import of_tunables


@dataclass(frozen=True)
class Finding:
    """One line about a configuration; ``refuses`` when the service will not start with it."""

    home: str
    message: str
    refuses: bool

    def __str__(self) -> str:
        word = "refused" if self.refuses else "note"
        return f"{word}: home {self.home}: {self.message}"


def in_force(wiring: Wiring) -> tuple[list[HomeSettings], str]:
    """The settings of each home that the service would use, and why none on record could be read.

    A file of records that is not there yet is no trouble: nobody has run the service here.
    """
    from service.records.records import Records  # noqa: PLC0415 - of those who look into them

    first = [HomeSettings(wiring=home, tunables=home.first) for home in wiring.homes]
    try:
        records = Records.open(wiring.database.url, make=False, migrate=False)
        try:
            return [records.in_force(home) for home in wiring.homes], ""
        finally:
            records.close()
    except RecordsError as error:
        return first, "" if error.code == "missing" else str(error)


def findings(wiring: Wiring, settings: HomeSettings) -> list[Finding]:
    """Everything to be said against a home's wiring and the settings in force.

    What was set on the pages or over the API is mended there, so it refuses no start.
    """
    home = settings.wiring
    found = []
    for misfit in config_checks.check(settings, wiring.broker.prefix):
        refuses, mend = misfit.severity == "refuse", ""
        if refuses and settings.version and of_tunables(misfit):
            refuses, mend = False, "; change it on the page of settings or over the API"
        found.append(Finding(home.id, f"{misfit}{mend}", refuses))
    for other in wiring.homes:
        if other.id != home.id:
            found += _shared(home, other)
    return found


def _shared(home: HomeWiring, other: HomeWiring) -> Iterator[Finding]:
    """What two homes cannot share: a block that was copied and half changed."""
    commanded = set(actuators.topics_commanded(home))
    for topic in sorted(commanded & set(actuators.topics_commanded(other))):
        said = (
            f"topic {topic}: home {other.id} commands it too, and both would command the same "
            "plant; give each home's plant its own topic"
        )
        yield Finding(home.id, said, True)
    for topic in sorted(commanded & set(actuators.subscriptions(other))):
        said = (
            f"topic {topic}: is commanded here and read by home {other.id}, which would believe "
            "the command; let the plant report on a topic of its own"
        )
        yield Finding(home.id, said, True)
    theirs = {(s.topic, s.value) for s in other.signals_of(Quantity.PROBE)}
    for probe in home.signals_of(Quantity.PROBE):
        if (probe.topic, probe.value) in theirs:
            said = (
                f"signals.{probe.name}.topic = {probe.topic}: home {other.id} has the same probe, "
                "and a probe is in one cylinder; give each home's its own topic"
            )
            yield Finding(home.id, said, False)


def report(wiring: Wiring, settings: HomeSettings) -> str:
    """What the service would subscribe to and command for a home, and what is wrong."""
    home = settings.wiring
    on_record = f"version {settings.version} on record; first values in the file count no more"
    own = OwnTopics(wiring.broker.prefix, home.id)
    lines = [f"Home {home.id} ({home.title}), {home.zone}, {home.currency}"]
    lines += [f"Settings: {on_record if settings.version else 'first values in the file'}"]
    lines += ["Subscribes to:"]
    lines += [
        f"  {s.topic}  {s.name}: {s.measures.value.replace('_', ' ')}, {s.unit}"
        for s in home.signals
    ]
    lines += [f"  {f.address}  prices" for f in home.price_feeds if f.kind == "mqtt"]
    lines += [f"  {own.wish}  wishes", "Commands:"]
    lines += [_commands(a) for a in home.actuators] or ["  nothing: no actuator is wired"]
    lines += ["Publishes:", f"  {own.state}, {own.faults}, {own.heartbeat}, {own.wish_result}"]
    lines += [
        f"  {status_topic(wiring.broker)}  whether Ladle is there, for all homes",
        f"  {marker_topic(wiring.broker)}  heard again by itself: how far behind the broker is",
    ]
    found = findings(wiring, settings)
    lines += [str(f) for f in found] or ["Nothing is wrong with it."]
    return "\n".join(lines)


def _commands(actuator: Actuator) -> str:
    topics = " and ".join(t for t in (actuator.topic, actuator.second_topic) if t)
    by = actuator.released_by.replace("_", " ")
    return (
        f"  {topics}  {actuator.name}: {actuator.source.replace('_', ' ')}, "
        f"{actuator.form.value.replace('_', ' ')}; lease {actuator.lease_s:g} s, released by {by} "
        f"({actuator.released_state})"
    )


def live(
    wiring: Wiring,
    held: Sequence[HomeSettings],
    seconds: float,
    pulse_s: float,
    out: Console,
    consent: Callable[[str], bool],
) -> bool:
    """Connect beside the service, show each signal's age and value, pulse what a person allows.

    A passing connection with a name of its own: the service's queue stays untouched. False when
    the broker cannot be reached.
    """
    decoder = Decoder({h.id: h.signals for h in wiring.homes})
    heard: dict[tuple[str, str], Reading] = {}
    arrived: set[str] = set()  # topics
    refused: list[Refusal] = []
    lock = threading.Lock()

    def take(message: Message) -> None:
        got = decoder.decode(message)
        with lock:
            arrived.add(message.topic)
            heard.update({(r.home, r.signal): r for r in got.readings})
            refused.extend(got.refusals)

    broker = wiring.broker.model_copy(update={"client_id": f"{wiring.broker.client_id}-check"})
    link = Link(broker, decoder.topics, take, lasting=False)
    link.start()
    try:
        if not link.wait_connected(10):
            out.print(link.state.trouble or "The broker does not answer.", markup=False)
            return False
        out.print(f"Connected to {broker.host}:{broker.port}; listening for {seconds:g} s.")
        time.sleep(seconds)
        for home in wiring.homes:
            out.print(_signals(home, heard, arrived, time.time()))
            _contradiction(home, heard, out)
            _too_hot(home, heard, out)
        with lock:
            for refusal in refused[:20]:
                out.print(f"refused: {refusal}", markup=False)
        for settings in held:
            for actuator in settings.wiring.actuators:
                _pulse(link, settings, actuator, pulse_s, out, consent)
        return True
    finally:
        link.stop()


def _signals(
    home: HomeWiring,
    heard: Mapping[tuple[str, str], Reading],
    arrived: Collection[str],
    now_s: float,
) -> Table:
    table = Table("signal", "value", "age", "", title=home.title)
    for signal in home.signals:
        reading = heard.get((home.id, signal.name))
        if reading is None:
            unusable = f"what came on {signal.topic} cannot be used, see below"
            note = unusable if signal.topic in arrived else f"nothing on {signal.topic}"
            table.add_row(signal.name, "-", "-", note)
            continue
        note = "" if reading.tells_now else "waited in the broker: says nothing about now"
        value = f"{reading.value:.4g} {BASE_UNIT[signal.kind]}"
        table.add_row(signal.name, value, f"{now_s - reading.measured_s:.0f} s", note)
    return table


def _contradiction(
    home: HomeWiring, heard: Mapping[tuple[str, str], Reading], out: Console
) -> None:
    """Say it when probes stand upside down, as they do when two were taken for each other."""
    probes = sorted(home.signals_of(Quantity.PROBE), key=lambda p: p.height_m or 0.0)
    values = {p.name: heard[home.id, p.name].value for p in probes if (home.id, p.name) in heard}
    found = upside_down(values)
    if found is not None:
        out.print(
            f"note: home {home.id}: probe {found[0]} is much hotter than {found[1]} above it, "
            "which water cannot be, and nothing is commanded meanwhile; check the topics and "
            "heights of both",
            markup=False,
        )


def _too_hot(home: HomeWiring, heard: Mapping[tuple[str, str], Reading], out: Console) -> None:
    """Say it when a probe is hotter than the cut-out lets water be: mostly another unit."""
    cutout_c = home.cylinder.cutout_c
    for probe in home.signals_of(Quantity.PROBE):
        reading = heard.get((home.id, probe.name))
        if reading is None or reading.value <= cutout_c:
            continue
        mend = ', and if its sender counts in Fahrenheit, write unit = "degF"'
        out.print(
            f"note: home {home.id}: probe {probe.name} shows {reading.value:.4g} degC, above the "
            f"cut-out, {cutout_c:g} degC; check the sensor{mend if probe.unit == 'Cel' else ''}",
            markup=False,
        )


def _pulse(
    link: Link,
    settings: HomeSettings,
    actuator: Actuator,
    pulse_s: float,
    out: Console,
    consent: Callable[[str], bool],
) -> None:
    """Run one actuator for a moment, if a person who stands beside the plant allows it."""
    home = settings.wiring
    asked = (
        f"Pulse {actuator.name} of {home.title} for {pulse_s:g} s? It starts real, hot, electric "
        "plant: only with the cylinder full and somebody beside it."
    )
    if not consent(asked):
        out.print(f"{actuator.name}: not pulsed")
        return
    set_c = settings.tunables.normal_set_c if "{set_c}" in actuator.run else None
    # Without a figure a diverter would wait for surplus, or be released as unfit to command.
    told_power = actuator.form is Form.DIVERTER or "{power_w}" in actuator.run
    power_w = home.immersion.power_w if told_power and home.immersion else None
    command = Command(home.id, actuator.name, "run", set_c, power_w, pulse_s)
    try:
        for message in actuators.messages(actuator, command):
            link.publish(message)
        time.sleep(pulse_s)
    finally:  # also when interrupted: what was started is released
        for message in actuators.release(home.id, actuator):
            link.publish(message)
        time.sleep(0.5)
    out.print(f"{actuator.name}: ran for {pulse_s:g} s and was released")
