"""The committed results of the long runs, and the table made of them."""

import json
from pathlib import Path

import pytest

from service.control.detectors import DETECTORS
from tests.faults import frame

ROOT = Path(__file__).parents[2]


def test_the_table_is_what_the_results_say() -> None:
    assert frame.TABLE.read_text(encoding="utf-8") == frame.table()


def test_the_developers_page_names_table_and_command() -> None:
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert frame.TABLE.relative_to(ROOT).as_posix() in page
    assert "python -m tests.faults" in page
    assert all(f"`{name}`" in page for name in frame.RUNS)


@pytest.mark.parametrize("name", [r["run"] for r in frame.kept()])
def test_every_run_has_a_kept_result_that_ended_as_it_should(name: str) -> None:
    kept = json.loads((frame.RESULTS / f"{name}.json").read_text(encoding="utf-8"))
    assert kept["lines"]
    assert [line["fault"] for line in kept["lines"] if not line["sound"]] == []


def test_the_readme_lists_every_detector_with_its_time() -> None:
    page = (ROOT / "README.md").read_text(encoding="utf-8")
    _, _, after = page.partition("<!-- detectors: this table is compared with the code by a test")
    found = [line for line in after.splitlines()[1:] if line.startswith("|")]
    assert found == detectors_table(), "\n".join(detectors_table())


def detectors_table() -> list[str]:
    rows = ["| looked for | on what evidence | found within |", "|---|---|---|"]
    for line in DETECTORS:
        within = span(line.found_within_s) + (" of running" if line.while_commanded else "")
        rows.append(f"| {line.finds} | {line.evidence} | {within} |")
    return rows


def span(seconds: float) -> str:
    for unit, size in (("days", 86_400.0), ("h", 3600.0), ("min", 60.0)):
        if seconds >= (2 * size if unit == "days" else size):
            return f"{seconds / size:g} {unit}"
    return f"{seconds:g} s"
