"""A full disk, a database that another program holds: one clear error, nothing lost or halved."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from service.records import database
from service.records.errors import RecordsError
from service.records.records import Records
from service.settings import Tunables
from tests import records_samples as samples
from tests.records_samples import NOW, NOW_S, reading

# Runs as a program of its own, since a limit on file sizes holds for a whole process. The limit
# stands for a disk without space: the kernel refuses to let the log grow.
FULL = """
import json, resource, sys
from datetime import timedelta
from service.records.errors import RecordsError
from service.records.records import Records
from tests.records_samples import NOW, NOW_S, outputs, draw, reading
from pathlib import Path

records = Records.open(sys.argv[1])
size = max(p.stat().st_size for p in Path(sys.argv[1].removeprefix("sqlite:///")).parent.iterdir())
soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
resource.setrlimit(resource.RLIMIT_FSIZE, (size + 60_000, hard))
stored, told = 0, []
for commit in range(2000):
    batch = [reading(f"s{k}", NOW_S + commit + k / 100, float(k)) for k in range(36)]
    try:
        stored += records.add_readings("home", batch)
    except RecordsError as error:
        told.append([error.code, str(error)])
        break
try:
    many = tuple(draw(NOW + timedelta(minutes=k)) for k in range(600))
    records.store("home", outputs(draws=many))
except RecordsError as error:
    told.append([error.code, str(error)])
readable = len(records.readings_since("home", NOW.replace(year=2020)))
resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
again = records.add_readings("home", [reading("s0", NOW_S - 1.0, 1.0)])
records.close()
print(json.dumps({"stored": stored, "told": told, "readable": readable, "again": again}))
"""

# Prints a line after each commit; what was printed was acknowledged.
COMMITS = """
import sys
from service.records.records import Records
from tests.records_samples import NOW_S, reading

records = Records.open(sys.argv[1])
commit = int(sys.argv[2])
while True:
    batch = [reading(f"s{k}", NOW_S + commit + k / 100, 1.0) for k in range(20)]
    records.add_readings("home", batch)
    print(commit, flush=True)
    commit += 1
"""


def run(code: str, *arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", code, *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parents[2],
    )


def sound(path: Path) -> bool:
    with sqlite3.connect(path) as raw:
        found: str = raw.execute("PRAGMA integrity_check").fetchone()[0]
    raw.close()
    return found == "ok"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    samples.fresh(tmp_path / "records" / "ladle.sqlite")
    return tmp_path / "records" / "ladle.sqlite"


@pytest.fixture
def records(path: Path) -> Iterator[Records]:
    opened = Records.open(f"sqlite:///{path}")
    yield opened
    opened.close()


def test_a_full_disk_is_told_once_and_loses_nothing_that_was_stored(path: Path) -> None:
    program = run(FULL, f"sqlite:///{path}")
    said, complaint = program.communicate(timeout=100)
    assert program.returncode == 0, complaint
    told = json.loads(said)
    assert [code for code, _ in told["told"]] == ["full", "full"]
    assert "the disk is full" in told["told"][0][1]
    assert "Free some space" in told["told"][0][1]
    assert told["stored"] > 36
    assert told["readable"] == told["stored"], "what was stored stays readable meanwhile"
    assert told["again"] == 1, "once there is space, it goes on without a restart"
    assert sound(path)
    records = Records.open(f"sqlite:///{path}")
    kept = len(records.readings_since("home", NOW.replace(year=2020)))
    draws = records.draws("home").items
    records.close()
    assert kept == told["stored"] + 1
    assert draws == (), "what could not be stored whole is not there in part"


def test_a_backup_onto_a_full_disk_leaves_the_older_copy(
    records: Records, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "backup.sqlite"
    records.backup(target)
    before = target.read_bytes()

    def _no_space(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(database.os, "fsync", _no_space)
    with pytest.raises(RecordsError) as caught:
        records.backup(target)
    assert caught.value.code == "full"
    assert target.read_bytes() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["backup.sqlite", "records"]


def test_a_database_that_another_program_holds_is_told_and_tried_again(
    records: Records, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with records.database.writer.connect() as connection:  # not the usual 5 s, to be quick
        connection.exec_driver_sql("PRAGMA busy_timeout=100")
    records.add_settings("home", Tunables(), "installer", NOW)
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(RecordsError) as caught:
        records.add_settings("home", Tunables(occupants=4), "installer", NOW)
    assert caught.value.code == "locked"
    assert "another program" in str(caught.value)
    held = records.settings("home")
    assert held is not None, "reading goes on meanwhile"
    assert held.version == 1
    other.execute("COMMIT")
    other.close()
    assert records.add_settings("home", Tunables(occupants=4), "installer", NOW).version == 2


def test_a_short_hold_is_waited_for(records: Records, path: Path) -> None:
    other = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
    other.execute("BEGIN IMMEDIATE")
    timer = threading.Timer(0.3, lambda: other.execute("COMMIT"))
    timer.start()
    began = time.monotonic()
    assert records.add_readings("home", [reading("s0", NOW_S, 1.0)]) == 1
    assert time.monotonic() - began > 0.2
    timer.join()
    other.close()


def test_a_folder_that_cannot_be_written_is_told_on_opening(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(RecordsError) as caught:
        Records.open(f"sqlite:///{tmp_path}/file/ladle.sqlite")
    assert caught.value.mend
    assert "ladle.sqlite" in caught.value.where


def test_every_commit_that_was_acknowledged_survives_being_killed(path: Path) -> None:
    acknowledged = -1
    for _ in range(2):
        program = run(COMMITS, f"sqlite:///{path}", str(acknowledged + 1))
        assert program.stdout is not None
        wanted = acknowledged + 30
        for line in program.stdout:
            acknowledged = int(line)
            if acknowledged == wanted:
                os.kill(program.pid, signal.SIGKILL)  # what it had told by then is read as well
        program.communicate(timeout=30)
        assert sound(path)
        records = Records.open(f"sqlite:///{path}")
        kept = [r.measured_s for r in records.readings_since("home", NOW - timedelta(days=1))]
        records.close()
        whole, part = divmod(len(kept), 20)
        assert part == 0, "a commit is there whole or not at all"
        # The last commit may have been made and not acknowledged any more.
        assert acknowledged + 1 <= whole <= acknowledged + 2
