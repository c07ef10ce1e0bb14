"""One service to a database: a second would command the same plant."""

from __future__ import annotations

import subprocess
from pathlib import Path

import httpx
import pytest

from service.records.errors import RecordsError
from service.records.records import Records
from tests import config_text, mosquitto
from tests.commands import call, process
from tests.serving import Serving

TAKEN = "another Ladle runs on these records, and two would both command the plant"
MEND = "Stop that one first, or give this one a database of its own."


def said_of(done: subprocess.CompletedProcess[str]) -> list[str]:
    """Its lines, without the notes on the configuration that every start prints."""
    lines = (done.stdout + done.stderr).splitlines()
    return [line for line in lines if not line.startswith("note: ")]


def test_a_second_service_is_refused_in_one_line_and_the_first_goes_on(tmp_path: Path) -> None:
    with mosquitto.start() as broker:
        config = config_text.write(tmp_path, broker.port)  # port 0: each finds a free one
        linked = tmp_path / "linked.toml"
        (tmp_path / "link.sqlite").symlink_to(tmp_path / "ladle.sqlite")
        text = config.read_text(encoding="utf-8")
        linked.write_text(text.replace("ladle.sqlite", "link.sqlite"), encoding="utf-8")
        with Serving(config) as serving:
            for start, file, name in (
                (process, config, "ladle.sqlite"),
                (call, linked, "link.sqlite"),
            ):
                second = start("serve", "--config", str(file))
                assert second.returncode == 2
                assert said_of(second) == [f"{TAKEN} (sqlite:///{tmp_path}/{name}). {MEND}"]
            assert httpx.get(f"{serving.address}/api/v1/homes/home/health").status_code == 200
            # Whoever only looks or copies works beside it.
            of = ("--config", str(config))
            for ladle, *command in (
                (process, "backup", *of, str(tmp_path / "copy.sqlite")),
                (process, "export", *of, "home", str(tmp_path / "csv")),
                (process, "token", "make", *of, "--name", "Ines"),
                (call, "token", "list", *of),
                (call, "replay", *of, "--draws", "S", "--days", "1"),
                (call, "check", *of),
            ):
                done = ladle(*command)
                assert done.returncode == 0, done.stdout + done.stderr
            put_back = call("restore", "--config", str(config), str(tmp_path / "copy.sqlite"))
            assert put_back.returncode == 2
            assert TAKEN in put_back.stdout
            # Neither a kill nor an ordinary end leaves anything in the way of the next start.
            serving.kill()
            serving.run()
            assert serving.stop() == 0
        done = process("restore", "--config", str(config), str(tmp_path / "copy.sqlite"))
        assert done.returncode == 0, done.stdout + done.stderr


def test_a_demo_does_not_run_twice_in_one_folder(tmp_path: Path) -> None:
    folder = tmp_path / "demo"
    folder.mkdir()
    records = Records.open(f"sqlite:///{folder}/demo.sqlite", alone=True)
    try:
        second = process("demo", "--port", "0", "--folder", str(folder))
    finally:
        records.close()
    assert second.returncode == 2
    (line,) = (second.stdout + second.stderr).splitlines()
    assert line.startswith(TAKEN)


def test_a_database_that_cannot_be_opened_is_not_held(tmp_path: Path) -> None:
    path = tmp_path / "ladle.sqlite"
    path.write_text("dear installer, " * 100)
    with pytest.raises(RecordsError) as first:
        Records.open(f"sqlite:///{path}", alone=True)
    with pytest.raises(RecordsError) as second:
        Records.open(f"sqlite:///{path}", alone=True)
    assert first.value.code == second.value.code == "damaged"
