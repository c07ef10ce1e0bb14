"""Makes the truth that Ladle's cylinder is checked against, with a simulator we did not write.

Runs in an environment of its own (requirements.txt beside it): ``python simulate.py OUT.npz``,
or ``python simulate.py --time`` to measure its speed. ``python -m tests.published.independent``
makes that environment and calls this.

The tank is ``ochre.Models.Water.StratifiedWaterModel`` of the PyPI package ochre-nrel: nodes of
equal volume, first-order (upwind) flow, conduction, losses and an inversion rule. Draws, heat
and inlet temperature are chosen here; what follows from them is the package's. Its mixing is
numerical: it comes from NODES and STEP_S. Only the external charging loop (``plate``) is put
together here, from heat given to and taken from the nodes, since the package has none.

The days' roles were fixed before anything was fitted: ``calibration`` for one mixing parameter,
``tuning`` for the estimator's constants, ``final`` for the figures that are reported. The final
days were looked at several times while the estimator's band was mended, so ``unseen`` ones were
added when its constants stood, and the estimator is judged by those.
"""

from __future__ import annotations

import datetime as dt
import json
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
from ochre.Models.Water import StratifiedWaterModel, water_c

NODES = 40
STEP_S = 15
KEEP_S = 60
AMBIENT_C = 19.0

# name, role, volume_l, height_m, loss_w_per_k, set_c, sources, the patterns of its days, seed
CASES = [
    ("calibration", "calibration", 180.0, 1.25, 1.7, 55.0, "elements", ["L"], 1),
    ("tuning-elements", "tuning", 180.0, 1.25, 1.7, 55.0, "elements", ["M", "L", "idle", "L"], 11),
    ("tuning-coil", "tuning", 300.0, 1.60, 2.3, 55.0, "coil",
     ["doe-high", "XL", "doe-medium", "L"], 12),
    ("tuning-plate", "tuning", 200.0, 1.30, 1.9, 53.0, "plate", ["L", "M", "L", "doe-medium"], 13),
    ("final-elements", "final", 210.0, 1.35, 1.5, 58.0, "elements",
     ["L", "M", "XL", "idle", "L"], 21),
    ("final-coil", "final", 250.0, 1.45, 2.0, 54.0, "coil",
     ["XL", "doe-high", "M", "L", "doe-low"], 22),
    ("final-plate", "final", 150.0, 1.10, 1.4, 52.0, "plate",
     ["M", "L", "S", "doe-medium", "L"], 23),
    ("unseen-elements", "unseen", 160.0, 1.15, 1.6, 56.0, "elements",
     ["M", "XL", "L", "doe-medium", "L"], 31),
    ("unseen-coil", "unseen", 280.0, 1.55, 2.2, 53.0, "coil",
     ["L", "doe-high", "XL", "M", "idle"], 32),
    ("unseen-plate", "unseen", 230.0, 1.40, 2.0, 51.0, "plate",
     ["XL", "L", "M", "doe-low", "L"], 33),
]  # fmt: skip
COLUMNS = ("drawn_l", "outlet_c", "l40_drawn_l", "cold_c", "lower_kwh", "upper_kwh", "coil_kwh",
           "plate_kwh", "plate_l", "plate_outlet_c", "coil_flow_c")  # fmt: skip
ELEMENT_W = {"lower": 3000.0, "upper": 2000.0}
ELEMENT_AT = {"lower": 0.10, "upper": 0.65}  # share of the height
COIL_W, COIL_FROM, COIL_TO, COIL_ABOVE_K = 5000.0, 0.05, 0.35, 5.0
PLATE_W, PLATE_LAG_S = 6000.0, 45.0


def tank(volume_l, height_m, loss_w_per_k, start_c, *, nodes=NODES, step_s=STEP_S, days=1):
    """A stratified tank of the independent package, ready to be stepped."""
    start, every = dt.datetime(2024, 1, 1), dt.timedelta(seconds=step_s)  # noqa: DTZ001
    given = {
        "Clothes Washer (L/min)": 0.0,  # the package's name for litres drawn as hot as they are
        "Mains Temperature (C)": 10.0,
        "Zone Temperature (C)": AMBIENT_C,
    }
    times = pd.date_range(start, periods=days * 86400 // step_s, freq=every)
    return StratifiedWaterModel(
        water_nodes=nodes,
        verbosity=0,
        save_results=False,
        start_time=start,
        time_res=every,
        duration=dt.timedelta(days=days),
        schedule=pd.DataFrame(given, index=times),
        **{
            "Tank Volume (L)": volume_l,
            "Tank Height (m)": height_m,
            "UA (W/K)": loss_w_per_k,
            "Initial Temperature (C)": start_c,
        },
    )


def day_events(pattern, patterns, rng):
    """One day's draws: (start minute, kWh or None, litres or None, litres per minute)."""

    def minute(text):
        return int(text.split(":")[0]) * 60 + int(text.split(":")[1])

    size, shift = rng.uniform(0.85, 1.15), int(rng.integers(-20, 21))
    if pattern == "idle":
        return [(600, None, 1.0, 3.0)]
    if pattern.startswith("doe-"):
        rows = patterns["doe"][pattern[4:]]
        return sorted(((minute(t) + 390 + shift) % 1440, None, x * size, f) for t, x, f in rows)
    rows = patterns["en16147"][pattern]
    return sorted((minute(t) + shift, q * size, None, f) for t, q, f in rows)


def charge_windows(rng):
    """A day's windows: (from minute, until minute, most to put in as a share of full, upper?)."""
    night = int(rng.integers(60, 240))
    noon = int(rng.integers(660, 840))
    return [
        (night, night + 270, rng.uniform(0.5, 1.2), rng.random() < 0.1),
        (noon, noon + 200, rng.uniform(0.2, 0.8), rng.random() < 0.3),
        (noon + 270, noon + 390, rng.uniform(0.0, 0.5), rng.random() < 0.3),
    ]


def run_case(case, patterns, nodes=NODES, step_s=STEP_S, inputs=None):
    """The minutes of one case: node temperatures (bottom first), and one row of COLUMNS each.

    What the package is given in each step goes into the list ``inputs`` too.
    """
    _, _, volume_l, height_m, loss, set_c, sources, day_patterns, seed = case
    rng = np.random.default_rng(seed)
    days = len(day_patterns)
    model = tank(volume_l, height_m, loss, set_c - 3.0, nodes=nodes, step_s=step_s, days=days)
    node_l = volume_l / nodes
    kept_nodes, kept = [], []
    row = np.zeros(len(COLUMNS))
    events, windows = [], []
    for day, pattern in enumerate(day_patterns):
        events += [(day * 1440 + e[0], *e[1:]) for e in day_events(pattern, patterns, rng)]
        windows += [(day * 1440 + w[0], day * 1440 + w[1], *w[2:]) for w in charge_windows(rng)]
    events.sort(key=lambda e: e[0])
    drawing = None
    charged_kwh, window_now, plate_ran_s, satisfied = 0.0, None, 0.0, False
    set_now = set_c
    steps = days * 86400 // step_s
    for step in range(steps):
        now_min = step * step_s / 60
        hour = (now_min / 60) % 24
        cold_c = 11.0 + 1.0 * np.cos(2 * np.pi * (hour - 17) / 24) - 0.5 * (now_min // 1440 % 3)
        # draws, one after another; an energy draw ends when its heat above cold is delivered
        if drawing is None and events and events[0][0] <= now_min:
            _, kwh, litres, flow = events.pop(0)
            drawing = [kwh, litres, flow, 0.0, 0.0]
        flow_now = 0.0
        if drawing is not None:
            kwh, litres, flow, done_kwh, done_l = drawing
            flow_now = flow
            if litres is not None:
                flow_now = min(flow, (litres - done_l) * 60 / step_s)
            top_c = model.states[0]
            if kwh is not None and top_c > cold_c + 5:
                left_l = (kwh - done_kwh) / (water_c / 3.6e6 * (top_c - cold_c))
                flow_now = min(flow, left_l * 60 / step_s)
            flow_now = max(flow_now, 0.0)
        # heat
        heats = np.zeros(nodes)
        temps = model.states  # top first
        window = next((w for w in windows if w[0] <= now_min < w[1]), None)
        if window is not window_now:
            window_now, charged_kwh, plate_ran_s, satisfied = window, 0.0, 0.0, False
            set_now = set_c + rng.uniform(-4.0, 1.0)
        by_source = {"lower": 0.0, "upper": 0.0, "coil": 0.0, "plate": 0.0}
        plate_l = plate_out_c = 0.0
        full_kwh = volume_l * water_c / 3.6e6 * (set_c - 10)
        if window is not None and charged_kwh < window[2] * full_kwh and not satisfied:
            if sources == "elements":
                use = "upper" if window[3] else "lower"
                at = nodes - 1 - int(ELEMENT_AT[use] * nodes)
                satisfied = temps[at] >= set_now
                if not satisfied:
                    heats[at] += ELEMENT_W[use]
                    by_source[use] = ELEMENT_W[use]
            elif sources == "coil":
                top, bottom = nodes - int(COIL_TO * nodes), nodes - int(COIL_FROM * nodes)
                coil = slice(top, bottom)
                drive = np.maximum(set_now + COIL_ABOVE_K - temps[coil], 0.0)
                satisfied = temps[coil].min() >= set_now or drive.sum() == 0
                if not satisfied:
                    watts = COIL_W * min(1.0, drive.mean() / 8.0)
                    heats[coil] += watts * drive / drive.sum()
                    by_source["coil"] = watts
            else:
                plate_out_c = set_now - (set_now - 25.0) * np.exp(-plate_ran_s / PLATE_LAG_S)
                plate_out_c = max(plate_out_c, temps[-1])  # a cold loop takes no heat out
                lift = max(set_now - temps[-1], 5.0)
                plate_l = min(PLATE_W / (water_c * lift) * step_s, 0.9 * node_l)
                satisfied = temps[-1] >= set_now - 8.0
                if satisfied:
                    plate_l = 0.0
                else:
                    above = np.insert(temps[:-1], 0, plate_out_c)
                    heats += plate_l * water_c * (above - temps) / step_s
                    by_source["plate"] = plate_l * water_c * (plate_out_c - temps[-1]) / step_s
                    plate_ran_s += step_s
        charged_kwh += sum(by_source.values()) * step_s / 3.6e6
        given = {
            "control_signal": heats,
            "schedule_inputs": {
                "Clothes Washer (L/min)": flow_now,
                "Mains Temperature (C)": cold_c,
                "Zone Temperature (C)": AMBIENT_C,
            },
        }
        if inputs is not None:
            inputs.append(given)
        model.update(**given)
        drawn = flow_now * step_s / 60
        out_c = float(model.outlet_temp)
        if drawing is not None:
            drawing[3] += drawn * water_c / 3.6e6 * max(out_c - cold_c, 0.0)
            drawing[4] += drawn
            done = (
                drawing[4] >= drawing[1] - 1e-6
                if drawing[1] is not None
                else (
                    drawing[3] >= drawing[0] - 1e-6
                    or drawing[4] > 12 * drawing[2]
                    or (out_c < 30 and drawing[4] > 2 * drawing[2])
                )
            )  # nobody goes on in the cold
            if done:
                drawing = None
        row[0] += drawn
        row[1] += drawn * out_c
        row[2] += drawn * (out_c - cold_c) / (40.0 - cold_c) if out_c >= 40 else 0.0
        row[3] += cold_c * step_s / KEEP_S
        for i, name in enumerate(("lower", "upper", "coil", "plate")):
            row[4 + i] += by_source[name] * step_s / 3.6e6
        row[8] += plate_l
        row[9] += plate_l * plate_out_c
        if by_source["coil"] > 0:
            row[10] = set_now + COIL_ABOVE_K
        if (step + 1) * step_s % KEEP_S == 0:
            if row[0] > 0:
                row[1] /= row[0]
            if row[8] > 0:
                row[9] /= row[8]
            kept.append(row)
            row = np.zeros(len(COLUMNS))
            kept_nodes.append(model.states[::-1].copy())
    return np.array(kept_nodes), np.array(kept)


def days_per_s(patterns, nodes, step_s):
    """How fast the package lives the final days: of each of their hours the fastest of three.

    Its inputs are laid out before the clock starts, so that only its own steps are timed.
    """
    lived, took_s, hour = 0, 0.0, 3600 // step_s
    for case in CASES:
        if case[1] != "final":
            continue
        _, _, volume_l, height_m, loss, set_c, _, day_patterns, _ = case
        inputs, turns = [], []
        run_case(case, patterns, nodes, step_s, inputs)
        for _ in range(3):
            model = tank(volume_l, height_m, loss, set_c - 3.0, nodes=nodes, step_s=step_s,
                         days=len(day_patterns))  # fmt: skip
            turn = []
            for first in range(0, len(inputs), hour):
                began = time.perf_counter()
                for given in inputs[first : first + hour]:
                    model.update(**given)
                turn.append(time.perf_counter() - began)
            turns.append(turn)
        lived += len(day_patterns)
        took_s += sum(map(min, zip(*turns, strict=True)))
    return lived / took_s


def main():
    """Write the truth, or time the final days of it."""
    patterns = json.loads((Path(__file__).parent / "patterns.json").read_text())
    if sys.argv[1] == "--time":
        for nodes, step_s in ((NODES, STEP_S), (12, 60), (40, 60)):
            speed = days_per_s(patterns, nodes, step_s)
            print(json.dumps({"nodes": nodes, "step_s": step_s, "days_per_s": speed}), flush=True)
        return
    arrays = {}
    about = {"nodes": NODES, "step_s": STEP_S, "keep_s": KEEP_S, "ambient_c": AMBIENT_C,
             "columns": COLUMNS, "element_at": ELEMENT_AT, "coil": [COIL_FROM, COIL_TO],
             "package": "ochre-nrel 0.9.2, ochre.Models.Water.StratifiedWaterModel",
             "cases": {}}  # fmt: skip
    for case in CASES:
        began = time.perf_counter()
        temps, rows = run_case(case, patterns)
        name, role, volume_l, height_m, loss, set_c, sources, days, _ = case
        about["cases"][name] = {
            "role": role, "volume_l": volume_l, "height_m": height_m, "loss_w_per_k": loss,
            "set_c": set_c, "sources": sources, "days": days}  # fmt: skip
        centi = np.round(temps * 100).astype(np.int16)
        arrays[f"{name}/nodes"] = np.diff(centi, axis=0, prepend=centi[:1] * 0).astype(np.int16)
        arrays[f"{name}/rows"] = rows.astype(np.float32)
        print(name, temps.shape, f"{rows[:, 0].sum():.0f} L", f"{rows[:, 4:8].sum():.1f} kWh",
              f"{time.perf_counter() - began:.1f} s", file=sys.stderr)  # fmt: skip
    np.savez_compressed(sys.argv[1], about=np.array(json.dumps(about)), **arrays)


if __name__ == "__main__":
    main()
