"""What the migrations build is what the models say."""

from __future__ import annotations

import logging
import re
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine, text
from sqlmodel import SQLModel

import service.records.tables  # noqa: F401
from adapters.types import PriceSeries
from service.records.database import alembic_config
from service.records.records import Records
from tests.records_samples import NOW_S


def _built(path: Path) -> dict[str, list[str]]:
    """The statements that made each table and index, as their parts in no order."""
    with closing(sqlite3.connect(path)) as raw:
        rows = raw.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL").fetchall()
    return {
        name: sorted(filter(None, map(str.strip, re.split(r"[,\n()]", sql.replace('"', "")))))
        for name, sql in rows
        if name != "alembic_version"
    }


@pytest.mark.filterwarnings("ignore:.*expression-based index")  # the next test compares it
def test_models_and_migrations_agree(tmp_path: Path) -> None:
    Records.open(f"sqlite:///{tmp_path}/migrated.sqlite").close()
    engine = create_engine(f"sqlite:///{tmp_path}/migrated.sqlite")
    with engine.connect() as connection:
        context = MigrationContext.configure(
            connection,
            opts={"include_object": lambda item, name, *_: name != "readings_late"},
        )
        assert compare_metadata(context, SQLModel.metadata) == []
    engine.dispose()


def test_they_agree_in_clustering_and_partial_indexes_too(tmp_path: Path) -> None:
    Records.open(f"sqlite:///{tmp_path}/migrated.sqlite").close()
    engine = create_engine(f"sqlite:///{tmp_path}/made.sqlite")
    SQLModel.metadata.create_all(engine)
    engine.dispose()
    migrated, made = _built(tmp_path / "migrated.sqlite"), _built(tmp_path / "made.sqlite")
    assert migrated == made
    assert any("WITHOUT ROWID" in part for part in made["readings"])
    assert any("delay_us > 60000000" in part for part in made["readings_late"])


def _move(url: str, revision: str) -> None:
    engine = create_engine(url)
    with engine.begin() as connection:
        go = command.upgrade if revision == "head" else command.downgrade
        go(alembic_config(connection), revision)
    engine.dispose()


def _prices(url: str) -> list[tuple[object, ...]]:
    engine = create_engine(url)
    with engine.connect() as connection:
        found = connection.execute(text("SELECT * FROM prices ORDER BY 1, 2, 3")).all()
    engine.dispose()
    return [tuple(row) for row in found]


def test_prices_of_before_stay_and_carbon_alone_is_lost_on_the_way_down(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path}/x.sqlite"
    records = Records.open(url)
    for of, value in (("import", 0.3), ("export", 0.08), ("carbon", 310.0)):
        records.add_prices("home", PriceSeries((NOW_S,), (NOW_S + 3600,), (value,), NOW_S, of))
    records.close()
    begin, end = NOW_S * 1_000_000, (NOW_S + 3600) * 1_000_000
    _move(url, "0002")
    assert _prices(url) == [(1, 0, begin, end, 0.3, begin), (1, 1, begin, end, 0.08, begin)]
    _move(url, "head")
    assert _prices(url) == [
        (1, "export", begin, end, 0.08, begin),
        (1, "import", begin, end, 0.3, begin),
    ]


def test_an_upgrade_is_logged_with_both_versions_and_nothing_else_is(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO, logger="service")
    url = f"sqlite:///{tmp_path}/x.sqlite"
    Records.open(url).close()
    Records.open(url).close()
    assert caplog.messages == []  # made anew, and nothing to do
    _move(url, "0001")
    Records.open(url).close()
    newest = ScriptDirectory.from_config(alembic_config()).get_current_head()
    assert caplog.messages == [f"{url}: the records were upgraded from version 0001 to {newest}"]


def test_the_way_down_leaves_nothing_and_the_way_up_works_again(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path}/x.sqlite"
    Records.open(url).close()
    engine = create_engine(url)
    with engine.begin() as connection:
        command.downgrade(alembic_config(connection), "base")
    with engine.connect() as connection:
        left = connection.execute(text("SELECT name FROM sqlite_master WHERE type = 'table'"))
        assert {row[0] for row in left} <= {"alembic_version", "sqlite_sequence"}
    engine.dispose()
    Records.open(url).close()
