"""Bytes written in a day of twelve signals each ten seconds, against the readings' own size."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from adapters.types import Reading
from adapters.wiring import Broker
from service.assembly import Service
from service.clock import HandClock
from service.records.records import Records
from service.settings import Http, Keeping
from service.simulation import demo as demos
from service.simulation.household import SCHOOL_FAMILY
from service.worker import InlineWorker
from tests.benchmarks.frame import Figure, Result, at_most

EVERY_S = 10.0
DAY_S = 86_400
VALUE_BYTES = 16  # a moment and a number, eight bytes each: the least a reading can take


def run() -> Result:
    """Live one day in process, by the service's own turns and commits, on a real database."""
    with tempfile.TemporaryDirectory() as name:
        day = live_a_day(Path(name))
        kept = day.records.size_bytes()
        draws = len(day.records.draws(day.home, _utc(day.start_s), None, limit=500).items)
        day.records.close()
    return Result(
        "the bare values: a moment and a number of eight bytes each",
        (
            at_most("written to files", day.written / 1e6, 50.0, "MB/day"),
            Figure("written to the disk (kernel's own count)", day.on_disk / 1e6, "MB/day"),
            Figure("against the bare values", day.written / (day.values * VALUE_BYTES), "times"),
            Figure("kept on the disk after the day", kept / 1e6, "MB"),
            Figure("values", day.values, ""),
            Figure("draws found", draws, ""),
        ),
        ("readings, draws, decisions, plans, forecasts and snapshots, WAL included",),
        {"signals": day.signals, "every_s": EVERY_S, "commit_every_s": Keeping().commit_every_s},
    )


@dataclass
class Day:
    """A day that was lived, its records still open."""

    records: Records
    home: str
    start_s: float
    signals: int
    values: int
    written: int
    on_disk: int


def live_a_day(folder: Path) -> Day:
    """One day of the demo's home on a database in ``folder``."""
    made = demos.demo(Broker(), folder, Http(), SCHOOL_FAMILY, seed=11)
    keeping = Keeping()
    wiring = made.wiring.model_copy(update={"keeping": keeping})
    records = Records.open(wiring.database.url)
    demos.load_history(records, made)
    clock = HandClock(made.start_s)
    service = Service(wiring, clock, records, InlineWorker())
    home, house = made.home(), service.houses[wiring.homes[0].id]
    signals = house.settings.wiring.signals
    before, disk_before = records.bytes_written(), _written_to_disk()
    by_actuator = {a.name: a.source for a in house.settings.wiring.actuators}
    house.on_commands = lambda commands: [
        home.command(by_actuator[c.actuator], c) for c in commands
    ]
    next_commit_s = made.start_s
    values = 0
    while home.now_s < made.start_s + DAY_S:
        home.advance(home.now_s + EVERY_S)
        now_s = home.now_s
        clock.set(now_s)
        house.offer_link(True)
        house.offer(
            [
                Reading(house.id, s.name, home.base_value(s), now_s, now_s, False, True)
                for s in signals
            ]
        )
        values += len(signals)
        house.turn()
        if now_s >= next_commit_s:
            service.flush()
            next_commit_s = now_s + keeping.commit_every_s
    return Day(
        records,
        house.id,
        made.start_s,
        len(signals),
        values,
        records.bytes_written() - before,
        _written_to_disk() - disk_before,
    )


def _utc(at_s: float) -> datetime:
    return datetime.fromtimestamp(at_s, UTC) - timedelta(seconds=1)


def _written_to_disk() -> int:
    for line in Path("/proc/self/io").read_text(encoding="ascii").splitlines():
        if line.startswith("write_bytes:"):
            return int(line.split()[1])
    return 0
