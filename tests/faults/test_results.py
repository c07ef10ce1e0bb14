"""The committed results of the long runs, and the table made of them."""

import json
from pathlib import Path

import pytest

from tests.faults import frame

ROOT = Path(__file__).parents[2]


def test_the_table_is_what_the_results_say() -> None:
    assert frame.TABLE.read_text(encoding="utf-8") == frame.table()


def test_the_developers_page_names_table_and_command() -> None:
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert frame.TABLE.relative_to(ROOT).as_posix() in page
    assert "python -m tests.faults" in page
    assert all(f"`{name}`" in page for name in frame.RUNS)


@pytest.mark.parametrize("name", frame.RUNS)
def test_every_run_has_a_kept_result_that_ended_as_it_should(name: str) -> None:
    kept = json.loads((frame.RESULTS / f"{name}.json").read_text(encoding="utf-8"))
    assert kept["lines"]
    assert [line["fault"] for line in kept["lines"] if not line["sound"]] == []
