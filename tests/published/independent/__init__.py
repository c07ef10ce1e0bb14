"""A stratified tank simulated by a package we did not write, in days that are kept and live.

``truth.npz`` holds days of it (see simulate.py); ``python -m tests.published.independent`` makes
them again, in an environment of its own because that package needs an older numpy. tank.py is the
same tank as a simulated home's cylinder.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

HERE = Path(__file__).parent
TRUTH = HERE / "truth.npz"


@dataclass(frozen=True)
class Case:
    """Some days of one tank, minute by minute; nodes from the bottom, after each minute."""

    name: str
    role: str
    volume_l: float
    height_m: float
    loss_w_per_k: float
    set_c: float
    sources: str
    days: tuple[str, ...]
    nodes_c: NDArray[np.float64]
    columns: dict[str, NDArray[np.float64]]

    def __getitem__(self, column: str) -> NDArray[np.float64]:
        return self.columns[column]

    def __len__(self) -> int:
        return len(self.nodes_c)


@cache
def about() -> dict[str, Any]:
    """How the truth was made: nodes, step_s, element_at, coil, the cases and their roles."""
    with np.load(TRUTH) as stored:
        made: dict[str, Any] = json.loads(str(stored["about"]))
    return made


@cache
def cases(role: str) -> tuple[Case, ...]:
    """The cases of one role: ``calibration``, ``tuning``, ``final`` or ``unseen``."""
    found = []
    with np.load(TRUTH) as stored:
        for name, facts in about()["cases"].items():
            if facts["role"] != role:
                continue
            nodes = np.cumsum(stored[f"{name}/nodes"], axis=0, dtype=np.int64) / 100
            rows = stored[f"{name}/rows"].astype(float)
            columns = dict(zip(about()["columns"], rows.T, strict=True))
            found.append(
                Case(
                    name, **{**facts, "days": tuple(facts["days"])}, nodes_c=nodes, columns=columns
                )
            )
    return tuple(found)


def environment() -> Path:
    """The Python of the simulator's own environment, made in the temporary folder if missing."""
    place = Path(tempfile.gettempdir()) / "ladle-independent-simulator"
    python = place / "bin" / "python"
    ready = place / "ready"
    if not ready.exists():
        subprocess.run([sys.executable, "-m", "venv", "--clear", str(place)], check=True)
        wanted = ["-r", str(HERE / "requirements.txt")]
        subprocess.run([python, "-m", "pip", "install", "--quiet", *wanted], check=True)
        ready.touch()
    return python


def simulate(*arguments: str) -> str:
    """Run simulate.py in its environment and return what it printed."""
    done = subprocess.run(
        [environment(), str(HERE / "simulate.py"), *arguments],
        check=True,
        stdout=subprocess.PIPE,
        text=True,
    )
    return done.stdout


def tank_command() -> list[str]:
    """The command that runs tank.py, for ``service.simulation.tank.StrangerTank``."""
    return [str(environment()), str(HERE / "tank.py")]


def about_tank() -> dict[str, Any]:
    """How the tank of tank.py is made: package, nodes, step_s."""
    told = [*tank_command(), "--about"]
    done = subprocess.run(told, check=True, stdout=subprocess.PIPE, text=True)
    made: dict[str, Any] = json.loads(done.stdout)
    return made
