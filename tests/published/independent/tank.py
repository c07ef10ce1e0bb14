"""A simulated home's cylinder by a simulator we did not write: JSON lines in, JSON lines out.

Runs in the environment of simulate.py and imports nothing of the product; the protocol is told
in ``service/simulation/tank.py``. ``python tank.py --about`` says how it is made, as one line.

Water, heat and their mixing are the package's: NODES nodes of equal volume, upwind flow in steps
of STEP_S at most and so short that less than a node's water passes, so that its mixing is
numerical. Only the plate exchanger's loop is put together here, as in simulate.py: from heat taken
from the bottom and given on top. Heat is counted as the package counts it, 1.1619 Wh/(L K) at
every temperature: 1.5 % more than a real litre at 55 degC holds, so whoever delivers the same
litres here pays for so much more heat.
"""

from __future__ import annotations

import datetime as dt
import json
import math
import sys
from functools import lru_cache

import numpy as np
from ochre.Models.Water import water_c
from simulate import NODES, STEP_S, tank

IDLE_STEP_S = 300.0  # nothing moves: the package's own step is exact in time
NODE_SHARE = 0.9  # of a node's water, the most that passes in a step
LEAST_LIFT_K = 5.0  # the loop's pump is not endless
DAY_STEPS = 86_400 // STEP_S  # as many steps as the package's schedule has rows
J_PER_KWH = 3.6e6


class Cylinder:
    """The package's tank with a coil, an element and a plate exchanger's loop around it."""

    def __init__(self, built):
        height_m = built["height_m"]
        self.model = tank(built["volume_l"], height_m, built["loss_w_per_k"], 20.0)
        # Nodes are numbered from the top, layers from the bottom up.
        self.model.states = self.model.next_states = _averaged(built["profile_c"])[::-1].copy()
        self.node_l = built["volume_l"] / NODES
        self.node_j_per_k = self.model.capacitances
        self.levels = [h / height_m for h in built["heights_m"]]
        foot, head = (NODES - round(h / height_m * NODES) for h in built["coil_m"])
        self.coil = slice(min(head, foot - 1), foot)
        self.element = NODES - 1 - min(int(built["element_m"] / height_m * NODES), NODES - 1)
        self.steps_left = DAY_STEPS
        self.discrete = lru_cache(512)(self.model.to_discrete)

    def push(self, push):
        """Do it in steps of equal length; return what crossed the boundary, and at what degC."""
        seconds = push["seconds"]
        drawn_l = push["top_l_per_min"] * seconds / 60
        kwh = {"drawn": 0.0, "heat_pump": 0.0, "element": 0.0}
        outlet_c = 0.0
        steps = math.ceil(seconds / self._longest_s(push)) if seconds > 0 else 0
        step_s = round(seconds / max(steps, 1), 6)  # the package counts in microseconds
        for _ in range(steps):
            heat_pump_w, element_w = self._heats(push, step_s)
            self._step(step_s, heat_pump_w + element_w, push)
            kwh["heat_pump"] += float(heat_pump_w.sum()) * step_s / J_PER_KWH
            kwh["element"] += float(element_w.sum()) * step_s / J_PER_KWH
            kwh["drawn"] += float(self.model.h_delivered) * step_s / J_PER_KWH
            outlet_c += float(self.model.outlet_temp) / steps
        temps = self.model.states[::-1]
        centres = (np.arange(NODES) + 0.5) / NODES
        return {
            "at_c": np.interp(self.levels, centres, temps).tolist(),
            "outlet_c": outlet_c if drawn_l > 0 else float(temps[-1]),
            "drawn_kwh": kwh["drawn"],
            "heat_pump_kwh": kwh["heat_pump"],
            "element_kwh": kwh["element"],
            "stored_kwh": float(self.model.states @ self.node_j_per_k) / J_PER_KWH,
        }

    def _longest_s(self, push):
        """How long a step may be, s."""
        loop_l_per_s = push["plate_w"] / (water_c * LEAST_LIFT_K)
        l_per_s = loop_l_per_s + push["top_l_per_min"] / 60
        if l_per_s > 0:
            return min(STEP_S, NODE_SHARE * self.node_l / l_per_s)
        return STEP_S if push["coil_w"] + push["element_w"] > 0 else IDLE_STEP_S

    def _heats(self, push, step_s):
        """Heat to each node from the heat pump and from the element, W, by node from the top."""
        temps = self.model.states
        heat_pump_w, element_w = np.zeros(NODES), np.zeros(NODES)
        plate_c = push["plate_c"]
        if push["plate_w"] > 0 and plate_c > temps[-1]:
            lift_k = max(plate_c - temps[-1], LEAST_LIFT_K)
            loop_w_per_k = push["plate_w"] / lift_k
            heat_pump_w += loop_w_per_k * (np.insert(temps[:-1], 0, plate_c) - temps)
        if push["coil_w"] > 0:
            drive_k = np.maximum(push["coil_c"] - temps[self.coil], 0.0)
            if drive_k.any():
                given_w = push["coil_w"] * drive_k / drive_k.sum()
                most_w = drive_k * self.node_j_per_k[self.coil] / step_s
                heat_pump_w[self.coil] += np.minimum(given_w, most_w)
        if push["element_w"] > 0:
            lacks_k = max(push["element_stop_c"] - temps[self.element], 0.0)
            most_w = lacks_k * self.node_j_per_k[self.element] / step_s
            element_w[self.element] = min(push["element_w"], most_w)
        return heat_pump_w, element_w

    def _step(self, step_s, heats_w, push):
        """One step of the package, of any length."""
        if self.steps_left == 0:
            self.model.reset_time()  # its schedule begins again; every input is given below
            self.steps_left = DAY_STEPS
        self.steps_left -= 1
        self.model.time_res = dt.timedelta(seconds=step_s)
        self.model.A, self.model.B = self.discrete(self.model.time_res)
        self.model.update(
            control_signal=heats_w,
            schedule_inputs={
                "Clothes Washer (L/min)": push["top_l_per_min"],
                "Mains Temperature (C)": push["cold_c"],
                "Zone Temperature (C)": push["ambient_c"],
            },
        )


def _averaged(layers_c):
    """Temperatures of NODES equal nodes from those of any number of equal layers, bottom up."""
    heat = np.concatenate([[0.0], np.cumsum(layers_c)]) / len(layers_c)
    edges = np.interp(np.linspace(0, 1, NODES + 1), np.linspace(0, 1, len(heat)), heat)
    return np.diff(edges) * NODES


def main():
    """Answer each line with one line."""
    answers, sys.stdout = sys.stdout, sys.stderr  # what the package prints is no answer
    about = {"package": "ochre-nrel 0.9.2, ochre.Models.Water.StratifiedWaterModel",
             "nodes": NODES, "step_s": STEP_S}  # fmt: skip
    if sys.argv[1:] == ["--about"]:
        print(json.dumps(about), file=answers)
        return
    cylinder = None
    for line in sys.stdin:
        message = json.loads(line)
        if "start" in message:
            cylinder = Cylinder(message["start"])
            push = {"seconds": 0.0, "top_l_per_min": 0.0}
        else:
            push = message["push"]
        print(json.dumps(cylinder.push(push)), file=answers, flush=True)


if __name__ == "__main__":
    main()
