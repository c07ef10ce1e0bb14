"""The disk (a small tmpfs) runs full under a running service, and is given space again."""

from __future__ import annotations

import sqlite3
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx

from tests.faults._world import LEASE_S, World
from tests.faults.frame import Line, Outcome

SIZE_MB = 16
FULL_FOR_S = 60.0


def run(long: bool) -> Outcome:
    """A minute (twenty seconds when short) of a full disk. Needs root, for the mount."""
    full_s = FULL_FOR_S if long else 20.0
    with tempfile.TemporaryDirectory() as folder, _small_disk(Path(folder)) as disk:
        return _filled(Path(folder), disk, full_s)


@contextmanager
def _small_disk(folder: Path) -> Iterator[Path]:
    disk = folder / "disk"
    disk.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={SIZE_MB}m", "tmpfs", str(disk)],
        check=False,
        capture_output=True,
        text=True,
    )
    # Never skipped: without the right to mount, this run has not been made.
    assert made.returncode == 0, f"a small disk cannot be mounted (root can): {made.stderr}"
    try:
        yield disk
    finally:
        subprocess.run(["umount", "-l", str(disk)], check=True)


def _filled(folder: Path, disk: Path, full_s: float) -> Outcome:
    with World(folder, records=disk) as world:
        filler = disk / "filler"
        with filler.open("wb", buffering=0) as file:
            try:
                while True:
                    file.write(b"\0" * 4096)
            except OSError:
                pass
        began = time.monotonic()
        told = world.until(lambda: "the disk is full" in world.serving.text(), 60)
        refused = _wish(world)
        time.sleep(full_s)
        answers = world.state() is not None
        commanded = world.commanded(time.monotonic() - LEASE_S)
        alive_s = time.monotonic() - began
        said = world.serving.text().count("the disk is full")
        before_ms = int(time.time() * 1000)
        waiting = len(world.missing(before_ms))
        filler.unlink()
        freed = world.all_stored(120)
        accepted = _wish(world)
        missing = len(world.missing(before_ms))
        total = len(world.published)
        world.serving.stop()
        with sqlite3.connect(world.database) as raw:
            whole = raw.execute("PRAGMA integrity_check").fetchone()[0]
        raw.close()
        world.serving.run()
        restarted = world.state() is not None
    sound = (
        told is not None
        and answers
        and commanded
        and refused >= 500
        and accepted == 201
        and freed is not None
        and not missing
        and whole == "ok"
        and restarted
        and said <= 3
        and waiting > 0
    )
    freed_words = "never" if freed is None else f"{freed:.0f} s"
    return Outcome(
        (
            Line(
                f"a full disk for {alive_s:.0f} s ({SIZE_MB} MB tmpfs)",
                f"said so in the log after {told or -1:.0f} s, {said} times in all; pages and API "
                f"answered {'on' if answers else 'NO MORE'}, plant was "
                f"{'commanded on' if commanded else 'NOT commanded'}; a wish was refused with "
                f"status {refused}; database found {whole} afterwards",
                "at no time unsafe: control needs no disk",
                f"{missing} of {total} readings: {waiting} waited unacknowledged and were stored "
                f"{freed_words} after there was space again, without a restart; a wish was then "
                f"answered {accepted}",
                sound,
            ),
        ),
        {"readings": total},
        {"size_mb": SIZE_MB, "full_s": full_s},
    )


def _wish(world: World) -> int:
    address = f"{world.serving.address}/api/v1/homes/home/overrides"
    return httpx.post(address, json={"wish": "more"}, timeout=15).status_code
