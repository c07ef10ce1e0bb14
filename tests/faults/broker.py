"""A real Mosquitto under a running service is stopped, killed, frozen, cut off and flooded."""

from __future__ import annotations

import random
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from tests.faults._world import LEASE_S, World
from tests.faults.frame import Line, Outcome
from tests.plain_publisher import Plant

OUT_S = 45.0  # longer than a lease
AGAIN_WITHIN_S = 90.0


def run(long: bool) -> Outcome:
    """Each fault befalls the service three times (once when short)."""
    times = 3 if long else 1
    with tempfile.TemporaryDirectory() as folder:
        lines = [
            _outage("broker stopped for 45 s and restarted", Path(folder), times, _stop, _start),
            _outage("broker killed with SIGKILL, back after 45 s", Path(folder), times, _kill,
                    _start),
            _outage("broker frozen (SIGSTOP) for 45 s", Path(folder), times, _freeze, _thaw),
            _outage("service cut off: the network forwards nothing for 45 s", Path(folder), times,
                    _cut, _mend),
            _flood(Path(folder), 60_000 if long else 5_000),
        ]  # fmt: skip
    return Outcome(tuple(lines), {}, {"times each": times, "lease_s": LEASE_S, "keepalive_s": 5})


def _stop(world: World) -> None:
    world.broker.stop()


def _kill(world: World) -> None:
    world.broker.kill()


def _start(world: World) -> None:
    world.broker.run()


def _freeze(world: World) -> None:
    world.broker.freeze()


def _thaw(world: World) -> None:
    world.broker.thaw()


def _cut(world: World) -> None:
    assert world.proxy is not None
    world.proxy.cut()


def _mend(world: World) -> None:
    assert world.proxy is not None
    world.proxy.mend()


def _outage(
    name: str,
    folder: Path,
    times: int,
    begin: Callable[[World], None],
    end: Callable[[World], None],
) -> Line:
    """An outage longer than a lease, several times; the worst of each figure counts."""
    held: list[float] = []
    again: list[float | None] = []
    answered = True
    place = Path(tempfile.mkdtemp(dir=folder))
    with World(place, behind_proxy=begin is _cut) as world:
        for _ in range(times):
            assert world.until(lambda: world.commanded(time.monotonic() - 12), 60) is not None
            began = time.monotonic()
            begin(world)
            time.sleep(OUT_S)
            answered &= world.state() is not None
            held.append(max(0.0, world.held_until() - began))
            ended = time.monotonic()
            end(world)
            again.append(
                world.until(lambda since=ended: world.commanded(since), AGAIN_WITHIN_S)  # type: ignore[misc]
            )
        caught_up = world.all_stored(60)
        missing = len(world.missing(int(time.time() * 1000) - 5000))
        total = len(world.published)
    worst = max((a for a in again if a is not None), default=0.0)
    sound = None not in again and max(held) <= LEASE_S + 1 and answered and not missing
    return Line(
        f"{name}, {times} times" if times > 1 else name,
        f"pages and API went on answering; plant was commanded again {worst:.0f} s after it ended"
        if None not in again
        else "plant was not commanded again",
        f"{max(held):.0f} s (the actuator's own timer, lease {LEASE_S:.0f} s)",
        f"{missing} of {total} readings"
        + (f", all there {caught_up:.0f} s after" if caught_up is not None else ""),
        sound,
    )


def _flood(folder: Path, messages: int) -> Line:
    """Nonsense on every wired topic, as fast as the broker takes it."""
    chance = random.Random(4)
    place = Path(tempfile.mkdtemp(dir=folder))
    topics = [f"probe/{n}" for n in range(1, 9)] + ["draw", "cold", "outdoor", "pump_power"]
    with World(place) as world:
        flooder = Plant(world.broker.port, client_id="flood")
        began, slowest = time.monotonic(), 0.0
        for i in range(messages):
            topic = f"plant/{chance.choice(topics)}"
            flooder.client.publish(topic, chance.randbytes(chance.randrange(80)), qos=1)
            if i % 2000 == 0:
                asked = time.monotonic()
                assert world.state() is not None, "the API does not answer in a flood"
                slowest = max(slowest, time.monotonic() - asked)
        sent_s = time.monotonic() - began
        gaps_from = time.monotonic()
        flooded = world.until(lambda: world.commanded(gaps_from), AGAIN_WITHIN_S)
        caught_up = world.all_stored(240)
        missing = len(world.missing(int(time.time() * 1000) - 10_000))
        total = len(world.published)
        longest = _longest_gap_s(world, began)
        flooder.close()
    return Line(
        f"{messages} messages of nonsense within {sent_s:.0f} s",
        f"each refused; the API answered within {slowest:.2f} s; the longest time between two "
        f"commands to the running plant was {longest:.0f} s",
        "at no time unsafe: leases went on"
        if longest <= LEASE_S
        else f"released by its own timer, commanded again after {flooded or -1:.0f} s",
        f"{missing} of {total} sound readings"
        + (f", all there {caught_up:.0f} s after" if caught_up is not None else ""),
        not missing and flooded is not None,
    )


def _longest_gap_s(world: World, since: float) -> float:
    moments = [at for at, _, payload, _ in world.plant.commands if payload == "1" and at > since]
    pairs = zip([since, *moments], moments, strict=False)
    return max((b - a for a, b in pairs), default=0.0)
