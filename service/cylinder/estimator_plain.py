"""The estimator's state as plain numbers and strings, to store it, and back."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from dataclasses import asdict, fields
from typing import Any

import numpy as np

from service.cylinder import estimator_faults as faults
from service.cylinder.estimator_motion import PARAMETERS
from service.cylinder.estimator_state import (
    BELIEVED_INLET_SD_K,
    PIPES_SD,
    PROBE_OFFSET_SD_K,
    RETURNED_SD_K,
    EstimatorState,
    N,
    nothing_unseen,
)
from service.cylinder.geometry import Cylinder

VERSION = 4  # of what ``to_plain`` writes
# What earlier versions knew nothing of yet: the last parameters, from INLET and from PIPES on.
_UNKNOWN = {2: (BELIEVED_INLET_SD_K, RETURNED_SD_K, PIPES_SD), 3: (PIPES_SD,), VERSION: ()}
_WATCHED = tuple(f.name for f in fields(faults.Watch) if f.name not in {"named", "unweighed_s"})


def to_plain(state: EstimatorState) -> dict[str, Any]:
    """The state as plain numbers, strings, lists and dicts; ``from_plain`` gives it back."""
    upper = np.triu_indices(len(state.covariance))
    watch = state.watch.__dict__
    return {
        "version": VERSION,
        "cylinder": asdict(state.cylinder),
        "probes": [[name, level] for name, level in state.probes],
        "probe_sd_k": state.probe_sd_k,
        "phase_l": state.phase_l,
        "unseen_l": state.unseen_l,
        "likely": _pack(state.likely),
        "offset_sd_k": state.offset_sd_k,
        "cells_c": _pack(state.cells_c),
        "errors": _pack(state.errors),
        "covariance": _pack(np.asarray(state.covariance, np.float32)[upper]),
        "watch": {name: _pack(watch[name]) for name in _WATCHED},
        "unweighed_s": state.watch.unweighed_s,
        "named": [[probe, code] for probe, code in state.watch.named],
    }


def from_plain(plain: Mapping[str, Any]) -> EstimatorState:
    """The state that ``to_plain`` wrote. Raises ValueError when it is of another kind."""
    version = plain.get("version")
    unknown = _UNKNOWN.get(version)  # type: ignore[arg-type]
    if unknown is None:
        raise ValueError(f"estimator state of version {version!r}, expected {VERSION}")
    missing = len(unknown)
    shares = plain["cylinder"]["loss_shares"]
    cylinder = Cylinder(
        **{**plain["cylinder"], "loss_shares": None if shares is None else tuple(shares)}
    )
    probes = tuple((str(name), float(level)) for name, level in plain["probes"])
    m = len(probes)
    size = N + PARAMETERS + m
    upper = np.triu_indices(size - missing)
    covariance = np.zeros((size - missing, size - missing), np.float32)
    covariance[upper] = _unpack(plain["covariance"], np.float32)
    covariance.T[upper] = covariance[upper]
    errors = _unpack(plain["errors"])
    if missing:
        first = PARAMETERS - missing
        errors = np.insert(errors, [first] * missing, 0.0)
        for axis in (0, 1):
            covariance = np.insert(covariance, [N + first] * missing, 0.0, axis=axis)
        for which, sd in enumerate(unknown, N + first):
            covariance[which, which] = sd**2
    shapes = {"range_c": (m, 4), "level": (m, len(faults.LEVELS)), "swap": (m, m)}
    arrays = {
        name: _unpack(text).reshape(shapes.get(name, (m,))) for name, text in plain["watch"].items()
    }
    return EstimatorState(
        cylinder,
        probes,
        plain["probe_sd_k"],
        _unpack(plain["cells_c"]),
        plain["phase_l"],
        errors,
        covariance,
        faults.Watch(
            **arrays,
            unweighed_s=plain["unweighed_s"],
            named=tuple((int(i), str(c)) for i, c in plain["named"]),
        ),
        plain["unseen_l"],
        plain.get("offset_sd_k", PROBE_OFFSET_SD_K),
        _unpack(plain["likely"]) if "likely" in plain else nothing_unseen(),
    )


def _pack(array: Any) -> str:
    return base64.b64encode(np.ascontiguousarray(array).tobytes()).decode("ascii")


def _unpack(text: str, kind: Any = np.float64) -> Any:
    return np.frombuffer(base64.b64decode(text), kind).copy()
