"""Plans and forecasts as small blobs: a JSON head, then the arrays, all deflated.

Floating-point arrays are kept to four significant figures (a relative error below 1.3e-4), which
deflates to about a third; integers, times and truth values are kept exactly. A field that a later
version added takes its default, one that it dropped is passed over, so old blobs stay readable.
"""

from __future__ import annotations

import dataclasses
import json
import zlib
from typing import Any

import numpy as np

from forecasting.types import DemandForecast, SlotGrid
from service.records.columns import plain
from service.records.values import Means
from service.scheduling.types import Plan, Reason, Window

_KINDS: dict[str, type[Any]] = {
    kind.__name__: kind for kind in (DemandForecast, SlotGrid, Plan, Reason, Window, Means)
}
_KEPT_BITS = np.uint32(0xFFFFF800)  # of a float32: sign, exponent, 12 bits of mantissa


def _shorten(array: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    if array.dtype.kind != "f":
        return array
    bits = array.astype(np.float32).view(np.uint32)
    rounded: np.ndarray[Any, Any] = ((bits + np.uint32(0x400)) & _KEPT_BITS).view(np.float32)
    return np.where(np.isfinite(array), rounded, array).astype(np.float32)


def pack(value: Any) -> bytes:
    """A plan, a forecast or a part of one as bytes."""
    arrays: list[np.ndarray[Any, Any]] = []

    def _head(part: Any) -> Any:
        if isinstance(part, np.ndarray):
            arrays.append(np.ascontiguousarray(_shorten(part)))
            return {"array": [arrays[-1].dtype.str, list(arrays[-1].shape)]}
        if dataclasses.is_dataclass(part) and not isinstance(part, type):
            fields = {f.name: _head(getattr(part, f.name)) for f in dataclasses.fields(part)}
            return {"kind": type(part).__name__, "of": fields}
        if isinstance(part, dict):
            return {"map": plain(part)}
        if isinstance(part, tuple | list):
            return [_head(p) for p in part]
        return plain(part)

    head = json.dumps(_head(value), separators=(",", ":")).encode()
    body = b"".join(array.tobytes() for array in arrays)
    return zlib.compress(len(head).to_bytes(4, "big") + head + body, 6)


def unpack(blob: bytes) -> Any:
    """What ``pack`` was given, with arrays as float64 again. Raises ValueError when it is not."""
    try:
        whole = zlib.decompress(blob)
    except zlib.error as error:
        raise ValueError(f"not a packed record: {error}") from error
    start = 4 + int.from_bytes(whole[:4], "big")
    at = start

    def _value(part: Any) -> Any:
        nonlocal at
        if isinstance(part, list):
            return tuple(_value(p) for p in part)
        if not isinstance(part, dict):
            return part
        if "array" in part:
            dtype, shape = np.dtype(part["array"][0]), part["array"][1]
            count = int(np.prod(shape, dtype=np.int64))
            array = np.frombuffer(whole, dtype, count, at).reshape(shape)
            at += array.nbytes
            return array.astype(np.float64) if array.dtype.kind == "f" else array.copy()
        if "map" in part:
            return part["map"]
        kind = _KINDS[part["kind"]]
        known = {f.name for f in dataclasses.fields(kind)}
        fields = {name: _value(p) for name, p in part["of"].items()}
        return kind(**{name: v for name, v in fields.items() if name in known})

    return _value(json.loads(whole[4:start]))
