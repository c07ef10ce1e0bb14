"""The tests of the records once more, on a PostgreSQL server that this file starts and ends.

Not part of the test command, since it needs the server's programs (Debian: postgresql):

    pytest tests/integration/records_on_postgres.py
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import httpx
import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import create_engine
from sqlmodel import SQLModel

from adapters.types import PriceSeries
from service.records.database import alembic_config
from service.records.errors import RecordsError
from service.records.idempotency import KeptAnswer
from service.records.records import Records
from tests import config_text, mosquitto
from tests.integration.test_one_service import MEND, TAKEN, ladle, said_of
from tests.integration.test_records import (  # noqa: F401
    test_a_fault_is_seen_acknowledged_and_over,
    test_a_fault_whose_name_holds_what_no_text_can_is_not_there,
    test_export_writes_every_table_of_one_home,
    test_history_says_when_the_home_was_watched,
    test_homes_do_not_see_each_other,
    test_imported_history_is_watched_and_labelled,
    test_many_threads_write_and_read_at_once,
    test_old_plans_and_forecasts_lose_their_bulk_and_keep_their_sense,
    test_only_the_last_snapshots_are_kept_newest_first,
    test_overrides_keep_their_trace_and_end_once,
    test_pages_follow_each_other_without_loss_or_repeat,
    test_prices_are_kept_and_replaced_by_a_later_fetch,
    test_readings_come_back_in_order_of_arrival_and_exact,
    test_readings_that_fill_a_gap_close_it,
    test_scores_are_kept_by_day_and_origin,
    test_settings_are_versions_with_author_reason_and_time_of_effect,
    test_the_same_signal_and_stamp_is_stored_once,
    test_thinning_keeps_mean_least_greatest_and_count,
    test_what_a_step_gives_is_stored_and_read_back,
)
from tests.records_samples import NOW, NOW_S
from tests.serving import Serving


def _programs() -> Path:
    found = [Path(p) for p in [shutil.which("initdb")] if p]
    found += sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    assert found, "PostgreSQL's initdb is not installed (Debian: apt install postgresql)"
    return found[-1].parent


def _run(program: str, *arguments: str) -> None:
    """One of the server's programs; as root it refuses, so as its own user."""
    as_user = ["runuser", "-u", "postgres", "--"] if os.getuid() == 0 else []
    whole = [*as_user, str(_programs() / program), *arguments]
    done = subprocess.run(whole, check=False, capture_output=True, cwd="/", timeout=60, text=True)
    assert done.returncode == 0, f"{program}: {done.stdout}{done.stderr}"


def _start(folder: str) -> None:
    options = f"-c listen_addresses='' -c unix_socket_directories={folder} -c fsync=off"
    _run("pg_ctl", "-D", f"{folder}/data", "-o", options, "-l", f"{folder}/log", "-w", "start")


def _stop(folder: str) -> None:
    _run("pg_ctl", "-D", f"{folder}/data", "-m", "fast", "-w", "stop")


@pytest.fixture(scope="module")
def server() -> Iterator[str]:
    """The URL of a server of our own, on a socket in a folder of its own."""
    folder = tempfile.mkdtemp(prefix="ladle-postgres-")
    if os.getuid() == 0:
        shutil.chown(folder, "postgres")
    _run("initdb", "-D", f"{folder}/data", "-U", "ladle", "--auth=trust", "--no-sync")
    _start(folder)
    try:
        _run("createdb", "-h", folder, "-U", "ladle", "ladle")
        yield f"postgresql://ladle@/ladle?host={folder}"
    finally:
        _stop(folder)
        shutil.rmtree(folder)


@pytest.fixture
def records(server: str) -> Iterator[Records]:
    opened = Records.open(server)
    yield opened
    with opened.database.writer.begin() as connection:
        names = ", ".join(f'"{table}"' for table in SQLModel.metadata.tables)
        connection.exec_driver_sql(f"TRUNCATE {names} RESTART IDENTITY CASCADE")
    opened.close()


def test_models_and_migrations_agree_here_too(records: Records) -> None:
    with records.database.reader.connect() as connection:
        context = MigrationContext.configure(connection)
        assert compare_metadata(context, SQLModel.metadata) == []


def test_prices_survive_the_way_down_and_up_here_too(records: Records) -> None:
    for of, value in (("import", 0.3), ("export", 0.08), ("carbon", 310.0)):
        records.add_prices("home", PriceSeries((NOW_S,), (NOW_S + 3600,), (value,), NOW_S, of))
    found = []
    for go, revision in ((command.downgrade, "0002"), (command.upgrade, "head")):
        with records.database.writer.begin() as connection:
            go(alembic_config(connection), revision)
            rows = connection.exec_driver_sql("SELECT * FROM prices ORDER BY per_kwh").all()
        found.append([(row[1], row[4]) for row in rows])
    assert found == [[(True, 0.08), (False, 0.3)], [("export", 0.08), ("import", 0.3)]]


def test_tokens_and_keys_work_here_too(records: Records) -> None:
    secret, token = records.tokens.make("hall display", "reader", ["home"], NOW)
    assert records.tokens.find(secret) == token
    assert records.idempotency.find("home", "x", "k", NOW) is None
    records.idempotency.keep("home", "x", "k", KeptAnswer("d", 201, "{}"), NOW)
    kept = records.idempotency.find("home", "x", "k", NOW + timedelta(seconds=1))
    assert kept is not None
    assert kept.status == 201
    assert records.size_bytes() > 0


def test_a_backup_is_left_to_the_servers_own_tools(records: Records, tmp_path: Path) -> None:
    with pytest.raises(RecordsError, match="pg_dump"):
        records.backup(tmp_path / "x")


def _config(folder: Path, port: int, server: str) -> Path:
    config = config_text.write(folder, port)
    text = config.read_text(encoding="utf-8")
    config.write_text(text.replace(f"sqlite:///{folder}/ladle.sqlite", server), encoding="utf-8")
    return config


def test_a_second_service_is_refused_until_the_first_is_gone(server: str, tmp_path: Path) -> None:
    with mosquitto.start() as broker:
        config = _config(tmp_path, broker.port, server)
        with Serving(config) as serving:
            second = ladle("serve", "--config", str(config))
            assert second.returncode == 2
            (line,) = said_of(second)
            assert line.startswith(f"{TAKEN} (postgresql://ladle@/ladle")
            assert line.endswith(MEND)
            assert httpx.get(f"{serving.address}/api/v1/homes/home/health").status_code == 200
            csv = str(tmp_path / "csv")
            assert ladle("export", "--config", str(config), "home", csv).returncode == 0
            assert ladle("token", "list", "--config", str(config)).returncode == 0
            serving.kill()
            serving.run()
            assert serving.stop() == 0


def _end_sessions(server: str) -> None:
    """What a server does to its sessions when it is started again."""
    engine = create_engine(server.replace("postgresql:", "postgresql+psycopg:"))
    with engine.connect() as connection:
        connection.exec_driver_sql(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
            "WHERE pid <> pg_backend_pid() AND datname = current_database()"
        )
    engine.dispose()


def test_a_hold_that_the_server_dropped_is_taken_again(server: str) -> None:
    first = Records.open(server, alone=True)
    try:
        _end_sessions(server)
        first.keep_alone()
        with pytest.raises(RecordsError) as refused:
            Records.open(server, alone=True)
        assert refused.value.code == "taken"
    finally:
        first.close()
    Records.open(server, alone=True).close()


def test_a_hold_is_taken_again_when_the_server_comes_back(server: str) -> None:
    folder = server.partition("host=")[2]
    first = Records.open(server, alone=True)
    try:
        _stop(folder)
        try:
            for _ in range(2):
                with pytest.raises(RecordsError) as gone:
                    first.keep_alone()
                assert gone.value.code != "taken"
        finally:
            _start(folder)
        first.keep_alone()
        with pytest.raises(RecordsError) as refused:
            Records.open(server, alone=True)
        assert refused.value.code == "taken"
    finally:
        first.close()


def test_a_service_that_lost_its_hold_to_another_is_told(server: str) -> None:
    first = Records.open(server, alone=True)
    _end_sessions(server)
    other = Records.open(server, alone=True)
    try:
        with pytest.raises(RecordsError) as refused:
            first.keep_alone()
        assert refused.value.code == "taken"
    finally:
        other.close()
        first.close()


def test_a_service_that_lost_its_hold_to_another_stops_and_says_why(
    server: str, tmp_path: Path
) -> None:
    with mosquitto.start() as broker:
        serving = Serving(_config(tmp_path, broker.port, server))
        with serving:
            _end_sessions(server)
            other = Records.open(server, alone=True)
            try:
                assert serving.wait(60) == 2
            finally:
                other.close()
    assert "Stopping: all plant is handed back to its own controls." in serving.text()
    assert TAKEN in serving.text()
