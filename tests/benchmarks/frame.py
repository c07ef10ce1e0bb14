"""What a benchmark reports and how its report is printed and kept.

A benchmark is a module ``tests/benchmarks/NAME.py`` with a docstring whose first line says what
it measures, and ``def run() -> Result``. It may take ``long: bool = False`` for a slower, finer
run. Figures are ratios against a baseline measured in the same run wherever time is concerned.
"""

from __future__ import annotations

import importlib
import inspect
import json
import os
import pkgutil
import platform
import sys
import time
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from types import ModuleType
from typing import Any

import service  # noqa: F401 - first, so that numpy is set up as in the product

RESULTS = Path(__file__).parent / "results"
NOT_BENCHMARKS = {"frame", "__main__"}
LIBRARIES = ("numpy", "scipy", "sqlmodel", "fastapi", "paho-mqtt", "lightgbm", "statsforecast")


@dataclass(frozen=True)
class Figure:
    """One measured figure. ``reached`` is None when there is no goal to reach."""

    name: str
    value: float
    unit: str = ""
    goal: str = ""
    reached: bool | None = None


@dataclass(frozen=True)
class Result:
    """What a benchmark measured, what it was compared with, and what should be known about it."""

    compared_with: str
    figures: tuple[Figure, ...]
    notes: tuple[str, ...] = ()
    settings: dict[str, Any] = field(default_factory=dict)


def at_least(name: str, value: float, goal: float, unit: str = "") -> Figure:
    """A figure that should be ``goal`` or more."""
    return Figure(name, value, unit, f">= {goal:g}", value >= goal)


def at_most(name: str, value: float, goal: float, unit: str = "") -> Figure:
    """A figure that should be ``goal`` or less."""
    return Figure(name, value, unit, f"<= {goal:g}", value <= goal)


def within(name: str, value: float, low: float, high: float, unit: str = "") -> Figure:
    """A figure that should lie between ``low`` and ``high``."""
    return Figure(name, value, unit, f"{low:g} to {high:g}", low <= value <= high)


def seconds(action: Any, repeats: int = 5) -> float:
    """The shortest of several timings of ``action()``, in seconds: the least disturbed one."""
    best = float("inf")
    for _ in range(repeats):
        began = time.perf_counter()
        action()
        best = min(best, time.perf_counter() - began)
    return best


def machine() -> dict[str, Any]:
    """The machine in words that identify its kind but not its owner."""
    cpu, memory_gib = platform.processor(), 0.0
    try:
        for line in Path("/proc/cpuinfo").read_text().splitlines():
            if line.startswith(("model name", "Model", "Hardware")):
                cpu = line.split(":", 1)[1].strip()
                break
        memory_gib = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    except (OSError, ValueError):
        pass  # not Linux: the processor's own name will do
    libraries = {}
    for name in LIBRARIES:
        try:
            libraries[name] = version(name)
        except PackageNotFoundError:
            continue
    return {
        "cpu": cpu,
        "cores": os.cpu_count(),
        "memory_gib": round(memory_gib, 1),
        "system": f"{platform.system()} {platform.machine()}",
        "python": platform.python_version(),
        "libraries": libraries,
    }


def names() -> list[str]:
    """Every benchmark there is, in alphabetical order."""
    found = pkgutil.iter_modules([str(Path(__file__).parent)])
    return sorted(m.name for m in found if m.name not in NOT_BENCHMARKS and m.name[0] != "_")


def load(name: str) -> ModuleType:
    """The module of benchmark ``name``; raises ``SystemExit`` with the known names if unknown."""
    if name not in names():
        raise SystemExit(f"No benchmark is called {name!r}. There are: {', '.join(names())}.")
    return importlib.import_module(f"tests.benchmarks.{name}")


def table(name: str, summary: str, result: Result, took_s: float) -> str:
    """The report as plain text."""
    rows = [("figure", "value", "goal", "")]
    for f in result.figures:
        mark = {None: "", True: "reached", False: "NOT reached"}[f.reached]
        rows.append((f.name, f"{f.value:.4g} {f.unit}".strip(), f.goal, mark))
    widths = [max(len(row[i]) for row in rows) for i in range(4)]
    body = ["  ".join(c.ljust(w) for c, w in zip(r, widths, strict=True)).rstrip() for r in rows]
    body.insert(1, "-" * max(len(line) for line in body))
    head = [f"{name}: {summary}", f"compared with: {result.compared_with}", ""]
    tail = [f"note: {note}" for note in result.notes] + [f"took {took_s:.1f} s"]
    return "\n".join([*head, *body, *tail])


def measure(name: str, *, long: bool = False) -> Result:
    """Run one benchmark, print its table and keep it in ``results/NAME.json``."""
    module = load(name)
    summary = (inspect.getdoc(module) or "").splitlines()[0]
    began = time.perf_counter()
    takes_long = "long" in inspect.signature(module.run).parameters
    result: Result = module.run(long=long) if takes_long else module.run()
    took_s = time.perf_counter() - began
    print(table(name, summary, result, took_s), end="\n\n", flush=True)
    record = {
        "benchmark": name,
        "measures": summary,
        "measured_on": datetime.now(UTC).date().isoformat(),
        "long": long and takes_long,
        "took_s": round(took_s, 1),
        "machine": machine(),
        **asdict(result),
    }
    RESULTS.mkdir(exist_ok=True)
    text = json.dumps(record, indent=2, default=float) + "\n"
    (RESULTS / f"{name}.json").write_text(text, encoding="utf-8")
    return result


def main(arguments: Iterable[str] | None = None) -> int:
    """``python -m tests.benchmarks [--list] [--long] [NAME ...]``; without names, run them all."""
    given = list(sys.argv[1:] if arguments is None else arguments)
    flags = {a for a in given if a.startswith("-")}
    if unknown := flags - {"--list", "--long"}:
        raise SystemExit(f"Unknown option {', '.join(sorted(unknown))}: use --list or --long.")
    chosen = [a for a in given if a not in flags] or names()
    if "--list" in flags:
        for name in chosen:
            print(f"{name:16} {(inspect.getdoc(load(name)) or '').splitlines()[0]}")
        return 0
    for name in chosen:
        load(name)  # a wrong name is said before an hour of measuring
    for name in chosen:
        measure(name, long="--long" in flags)
    return 0
