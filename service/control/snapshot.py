"""Control's memory as plain JSON-able data and back, versioned.

The fields' own types say how to write and read them, so a new field is kept without a line here.
What is marked ``KEPT_OUT`` (the learned model, forecast) is asked for anew after a restart.
"""

from __future__ import annotations

import base64
import dataclasses
import math
import types
import typing
import zlib
from collections.abc import Callable, Mapping
from datetime import datetime
from enum import Enum
from functools import lru_cache
from typing import Any, Literal, Union, get_args, get_origin

import numpy as np

from forecasting.surroundings import AroundModel
from service.control.state import VERSION, State
from service.cylinder import estimator
from service.cylinder.estimator import EstimatorState
from service.cylinder.hygiene import HygieneTally

Write = Callable[[Any], Any]
Read = Callable[[Any], Any]


class SnapshotRefused(ValueError):  # noqa: N818 - it names what happened
    """A snapshot of another version, or one that cannot be read; control starts anew."""


def to_plain(state: State) -> dict[str, Any]:
    """The state as dicts, lists, numbers and text."""
    plain: dict[str, Any] = _codec(State)[0](state)
    return plain


def from_plain(plain: Mapping[str, Any]) -> State:
    """The state that ``to_plain`` wrote.

    Raises:
        SnapshotRefused: when it is of another version or damaged.
    """
    found = plain.get("version") if isinstance(plain, Mapping) else None
    if found != VERSION:
        raise SnapshotRefused(f"snapshot of version {found!r}, expected {VERSION}")
    try:
        state: State = _codec(State)[1](plain)
    except Exception as error:
        raise SnapshotRefused(f"damaged snapshot: {type(error).__name__}: {error}") from error
    return state


@lru_cache(maxsize=256)
def _codec(kind: Any) -> tuple[Write, Read]:
    """How to write and read a value of this type."""
    origin, args = get_origin(kind), get_args(kind)
    if kind is EstimatorState:
        return estimator.to_plain, estimator.from_plain
    if kind is AroundModel:
        return AroundModel.to_plain, AroundModel.from_plain
    if kind is HygieneTally:
        return _tally_to_plain, _tally_from_plain
    if kind is datetime:
        return datetime.isoformat, datetime.fromisoformat
    if isinstance(kind, type) and issubclass(kind, Enum):
        return (lambda v: v.value), kind
    if dataclasses.is_dataclass(kind) and isinstance(kind, type):
        return _dataclass_codec(kind)
    alias = getattr(origin, "__value__", None)  # numpy's NDArray[...] is one from Python 3.12 on
    if kind is np.ndarray or np.ndarray in (origin, get_origin(alias)):
        return _array_to_plain, _array_from_plain
    if origin in (Union, types.UnionType):
        some = [a for a in args if a is not type(None)]
        if some == [float]:
            return _same, _finite
        if len(some) == 1:
            write, read = _codec(some[0])
            return (
                lambda v: None if v is None else write(v),
                lambda v: None if v is None else read(v),
            )
        return _same, _same  # of plain values
    if origin is tuple:
        if len(args) == 2 and args[1] is Ellipsis:
            write, read = _codec(args[0])
            if write is _same:
                return list, tuple
            return (lambda v: [write(x) for x in v]), (lambda v: tuple(read(x) for x in v))
        codecs = [_codec(a) for a in args]
        return (
            lambda v: [w(x) for (w, _), x in zip(codecs, v, strict=True)],
            lambda v: tuple(r(x) for (_, r), x in zip(codecs, v, strict=True)),
        )
    if origin is dict:
        write, read = _codec(args[1])
        return (
            lambda v: {k: write(x) for k, x in v.items()},
            lambda v: {k: read(x) for k, x in v.items()},
        )
    if kind in (int, float, str, bool, type(None)) or origin is Literal:
        return _same, _same
    raise TypeError(f"no way to write {kind!r} into a snapshot")


def _dataclass_codec(kind: type) -> tuple[Write, Read]:
    hints = typing.get_type_hints(kind)
    kept = [f.name for f in dataclasses.fields(kind) if f.metadata.get("snapshot", True)]
    codecs = {name: _codec(hints[name]) for name in kept}

    def write(value: Any) -> dict[str, Any]:
        return {name: w(getattr(value, name)) for name, (w, _) in codecs.items()}

    def read(plain: Mapping[str, Any]) -> Any:
        return kind(**{name: r(plain[name]) for name, (_, r) in codecs.items() if name in plain})

    return write, read


def _same(value: Any) -> Any:
    return value


def _finite(value: float | None) -> float | None:
    """A number, or None where it is not known: memories of before wrote that as Infinity."""
    return None if value is None or not math.isfinite(value) else value


def _array_to_plain(value: np.ndarray) -> list[Any]:
    """Type, shape and packed bytes: a fraction of figures in text, and nothing is rounded."""
    array = np.ascontiguousarray(value)
    packed = base64.b64encode(zlib.compress(array.tobytes(), 6)).decode()
    return [array.dtype.str, list(array.shape), packed]


def _array_from_plain(plain: list[Any]) -> np.ndarray:
    kind, shape, text = plain
    return (
        np.frombuffer(zlib.decompress(base64.b64decode(text)), np.dtype(kind)).reshape(shape).copy()
    )


def _tally_to_plain(tally: HygieneTally) -> dict[str, Any]:
    return {
        name: _array_to_plain(value) if isinstance(value, np.ndarray) else value
        for name, value in vars(tally).items()
    }


def _tally_from_plain(plain: Mapping[str, Any]) -> HygieneTally:
    values: dict[str, Any] = {
        k: _array_from_plain(v) if isinstance(v, list) else v for k, v in plain.items()
    }
    return HygieneTally(**values)
