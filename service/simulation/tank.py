"""The cylinder of a simulated home: our model in this process, or a stranger's in another.

A stranger's model is any program that reads one JSON object a line and answers one a line. First
line to it: ``{"start": {"volume_l", "height_m", "loss_w_per_k", "profile_c", "heights_m"}}``; then
one ``{"push": {...}}`` for each stretch with constant inputs, its fields those of ``Push``. Each
answer holds the fields of ``Answer``. Temperatures in degC, heat in kWh, volumes in litres as
they leave the outlet.
"""

from __future__ import annotations

import json
import subprocess
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Protocol

import numpy as np

from service.cylinder import model
from service.cylinder.drive import (
    HIGHEST_C,
    CoilCharge,
    Drive,
    ImmersionHeat,
    PlateCharge,
    SecondaryReturn,
)
from service.cylinder.geometry import Cylinder


@dataclass(frozen=True)
class Push:
    """What is done to the cylinder over ``seconds``, all of it constant.

    top_l_per_min   hot water leaving at the top, L/min
    plate_w         heat offered through a plate exchanger, returned at ``plate_c`` on top, W
    plate_l_per_min flow of its pump where that is fixed, L/min: what returns is then no hotter than
                    ``plate_c``; None where the flow is such that it returns at ``plate_c``
    coil_w          heat offered through a coil whose water is at ``coil_c``, W
    element_w       immersion heat, W, its own thermostat at ``element_stop_c``
    return_l_per_min  hot water that leaves at the top for a secondary return, L/min, and comes back
                    without the share ``return_loss`` of what it was above the ambient
    """

    seconds: float
    cold_c: float
    ambient_c: float
    top_l_per_min: float = 0.0
    plate_w: float = 0.0
    plate_c: float = 55.0
    plate_l_per_min: float | None = None
    coil_w: float = 0.0
    coil_c: float = 60.0
    element_w: float = 0.0
    element_stop_c: float = 65.0
    return_l_per_min: float = 0.0
    return_loss: float = 0.0


@dataclass(frozen=True)
class Answer:
    """What came of it: temperatures at the stated heights, and what crossed the boundary.

    outlet_c is the mean temperature of what was drawn, or the top's when nothing was.
    """

    at_c: tuple[float, ...]
    outlet_c: float
    drawn_kwh: float
    heat_pump_kwh: float
    element_kwh: float
    stored_kwh: float


class Tank(Protocol):
    """A cylinder that can be pushed."""

    def push(self, push: Push) -> Answer:
        """Do it and tell what came of it."""
        ...

    def close(self) -> None:
        """No more pushes follow."""
        ...


@dataclass(frozen=True)
class Build:
    """How a tank is built: its cylinder, what sits where in it, and where it is measured."""

    cylinder: Cylinder
    start_c: tuple[float, ...]  # equal layers from the bottom up
    heights_m: tuple[float, ...]
    coil_m: tuple[float, float] = (0.1, 0.6)
    element_m: float = 0.3
    return_m: float = 0.0


class OurTank:
    """Our own model of the cylinder."""

    def __init__(self, build: Build) -> None:
        self.cylinder = build.cylinder
        self.state = model.start(build.cylinder, build.start_c)
        self._levels = np.array([build.cylinder.level(h) for h in build.heights_m])
        self._coil = tuple(build.cylinder.level(h) for h in build.coil_m)
        self._element = build.cylinder.level(build.element_m)
        self._return = build.cylinder.level(build.return_m)

    def push(self, push: Push) -> Answer:
        """Advance the model."""
        drive = Drive(
            cold_c=push.cold_c,
            ambient_c=push.ambient_c,
            draw_l_per_min=push.top_l_per_min,
            plate=_plate(push),
            coil=CoilCharge(push.coil_w, self._coil[0], self._coil[1], push.coil_c)
            if push.coil_w > 0
            else None,
            immersion=(ImmersionHeat(push.element_w, self._element, push.element_stop_c),)
            if push.element_w > 0
            else (),
            secondary_return=SecondaryReturn(
                push.return_l_per_min, HIGHEST_C, self._return, push.return_loss
            )
            if push.return_l_per_min > 0
            else None,
        )
        self.state, flows = model.advance(self.cylinder, self.state, drive, push.seconds)
        at = model.temperatures_at(self.cylinder, self.state, self._levels)
        top_c = self.state.top_c
        return Answer(
            at_c=tuple(at.tolist()),
            outlet_c=flows.outlet_c if flows.drawn_kg > 0 else top_c,
            drawn_kwh=flows.drawn_kwh,
            heat_pump_kwh=flows.plate_kwh + flows.coil_kwh,
            element_kwh=flows.immersion_kwh,
            stored_kwh=self.state.stored_kwh,
        )

    def close(self) -> None:
        """Nothing to end."""


def _plate(push: Push) -> PlateCharge | None:
    if push.plate_w <= 0:
        return None
    if push.plate_l_per_min is None:
        return PlateCharge(push.plate_w, push.plate_c)
    return PlateCharge(push.plate_w, push.plate_c, push.plate_l_per_min, controlled=False)


class StrangerTank:
    """A model in another process that speaks JSON lines.

    Raises RuntimeError when the stranger cannot be started, ends or answers something else than it
    should.
    """

    def __init__(self, command: Sequence[str], build: Build) -> None:
        self._command = list(command)
        try:
            self._process = subprocess.Popen(
                self._command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1
            )
        except OSError as error:
            raise RuntimeError(
                f"the cylinder model {self._command[0]} cannot be started: {error.strerror}; "
                "name a command that reads and writes JSON lines"
            ) from None
        self._say(
            {
                "start": {
                    "volume_l": build.cylinder.volume_l,
                    "height_m": build.cylinder.height_m,
                    "loss_w_per_k": build.cylinder.loss_w_per_k,
                    "profile_c": build.start_c,
                    "heights_m": build.heights_m,
                    "coil_m": build.coil_m,
                    "element_m": build.element_m,
                    "return_m": build.return_m,
                }
            }
        )

    def _say(self, line: dict[str, object]) -> Answer:
        stdin, stdout = self._process.stdin, self._process.stdout
        assert stdin is not None
        assert stdout is not None
        try:
            stdin.write(json.dumps(line) + "\n")
            stdin.flush()
        except BrokenPipeError:
            raise RuntimeError(f"the cylinder model {self._command[0]} has ended") from None
        answer = stdout.readline()
        if not answer:
            raise RuntimeError(f"the cylinder model {self._command[0]} ended without an answer")
        try:
            fields = json.loads(answer)
            return Answer(at_c=tuple(fields.pop("at_c")), **fields)
        except (ValueError, TypeError, KeyError, AttributeError) as error:
            raise RuntimeError(
                f"the cylinder model {self._command[0]} answered {answer[:80]!r}: {error}"
            ) from error

    def push(self, push: Push) -> Answer:
        """Ask the stranger."""
        return self._say({"push": asdict(push)})

    def close(self) -> None:
        """End the stranger's process."""
        if self._process.stdin is not None:
            self._process.stdin.close()
        try:
            self._process.wait(5)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        if self._process.stdout is not None:
            self._process.stdout.close()
