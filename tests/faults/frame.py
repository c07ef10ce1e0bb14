"""What a long run of faults reports, and how its report is printed and kept.

A run is a module ``tests/faults/NAME.py`` with a docstring whose first line says what it does to
the service, and ``def run(long: bool) -> Outcome``. The short form is part of the test command;
``python -m tests.faults NAME`` makes the long one and keeps it in ``results/NAME.json``. The
table of all of them, ``results/table.md``, is made from those files alone.
"""

from __future__ import annotations

import importlib
import inspect
import json
import os
import sys
import time
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tests.benchmarks.frame import machine

RESULTS = Path(__file__).parent / "results"
TABLE = RESULTS / "table.md"
RUNS = (
    "messages",
    "sequences",
    "kills",
    "broker",
    "full_disk",
    "wrong_inputs",
    "plant_faults",
    "clean_year",
)
HEADINGS = ("fault", "what happened", "until safe", "what was lost", "")


@dataclass(frozen=True)
class Line:
    """One line of the table. ``sound``: whether it ended as it should."""

    fault: str
    happened: str
    until_safe: str
    lost: str
    sound: bool


@dataclass(frozen=True)
class Outcome:
    """What a run came to. ``settings`` say how long it was and what it was given."""

    lines: tuple[Line, ...]
    figures: dict[str, float | int | str] = field(default_factory=dict)
    settings: dict[str, Any] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    def check(self) -> None:
        """Raise AssertionError with every line that did not end as it should."""
        assert self.lines
        bad = [f"{x.fault}: {x.happened}; lost: {x.lost}" for x in self.lines if not x.sound]
        assert not bad, "\n".join(bad)


def days(year: float = 365.0) -> float:
    """How long a long replay lives: a year, or LADLE_DAYS."""
    return float(os.environ.get("LADLE_DAYS", year))


def load(name: str) -> Any:
    """The module of a run."""
    if name not in RUNS:
        raise SystemExit(f"No run is called {name!r}. There are: {', '.join(RUNS)}.")
    return importlib.import_module(f"tests.faults.{name}")


def perform(name: str) -> Outcome:
    """Make one long run, print it and keep it."""
    module = load(name)
    began = time.perf_counter()
    outcome: Outcome = module.run(long=True)
    took_s = time.perf_counter() - began
    record = {
        "run": name,
        "does": (inspect.getdoc(module) or "").splitlines()[0],
        "made_on": datetime.now(UTC).date().isoformat(),
        "took_s": round(took_s, 1),
        "machine": machine(),
        **asdict(outcome),
    }
    RESULTS.mkdir(exist_ok=True)
    text = json.dumps(record, indent=2, ensure_ascii=False) + "\n"
    (RESULTS / f"{name}.json").write_text(text, encoding="utf-8")
    TABLE.write_text(table(), encoding="utf-8")
    print(section(record))
    return outcome


def kept() -> list[dict[str, Any]]:
    """Every result there is, in the order of ``RUNS``."""
    files = [RESULTS / f"{name}.json" for name in RUNS]
    return [json.loads(f.read_text(encoding="utf-8")) for f in files if f.exists()]


def section(record: dict[str, Any]) -> str:
    """One run as Markdown."""
    rows = [HEADINGS, ("---",) * len(HEADINGS)]
    for x in record["lines"]:
        mark = "as it should" if x["sound"] else "**NOT as it should**"
        rows.append((x["fault"], x["happened"], x["until_safe"], x["lost"], mark))
    lines = [f"## {record['run']}", "", record["does"], ""]
    lines += ["| " + " | ".join(str(c).replace("|", "/") for c in row) + " |" for row in rows]
    facts = {**record["settings"], **record["figures"]}
    lines += ["", "; ".join(f"{k}: {v}" for k, v in facts.items()), ""] if facts else [""]
    lines += [f"- {note}" for note in record["notes"]]
    lines += ["", f"Made on {record['made_on']} in {record['took_s']:.0f} s.", ""]
    return "\n".join(lines)


def table() -> str:
    """All kept results as one Markdown page."""
    head = (
        "# Faults: what happened, how long until safe, what was lost\n\n"
        "Written by the long runs (`.venv/bin/python -m tests.faults [NAME ...]`); a test compares "
        "it with the results it is made from.\n"
    )
    return "\n".join([head, *(section(record) for record in kept())])


def main(arguments: Iterable[str] | None = None) -> int:
    """``python -m tests.faults [NAME ...]``; without names, every run one after the other."""
    names = list(sys.argv[1:] if arguments is None else arguments) or list(RUNS)
    for name in names:
        load(name)  # a wrong name is said before an hour of running
    sound = True
    for name in names:
        sound &= all(x.sound for x in perform(name).lines)
    return 0 if sound else 1
