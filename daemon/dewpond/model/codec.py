"""Dataclasses of the model to JSON and back, exactly: floats by ``repr``, times with offset, arrays as lists.

The journal and the snapshots are written with it, so a value read back equals the value written, bit for bit.
"""

from __future__ import annotations

import dataclasses
import enum
import functools
import types
import typing
from collections.abc import Mapping
from datetime import date, datetime, time
from pathlib import Path, PurePath
from typing import Any, Union, get_args, get_origin

import numpy as np


def to_plain(value: Any) -> Any:
    """A JSON-ready copy of a model value. Raises TypeError for a type the journal cannot keep."""
    if value is None or isinstance(value, bool | int | float | str):
        return value.value if isinstance(value, enum.Enum) else value
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: to_plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    if isinstance(value, PurePath):
        return str(value)
    if isinstance(value, enum.Enum):
        return value.value
    if isinstance(value, np.ndarray):
        return value.tolist()
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, Mapping):
        return {str(key): to_plain(item) for key, item in value.items()}
    if isinstance(value, frozenset | set):
        return sorted(to_plain(item) for item in value)
    if isinstance(value, list | tuple):
        return [to_plain(item) for item in value]
    raise TypeError(f"the journal cannot keep a {type(value).__name__}; use a model dataclass or plain JSON types")


def from_plain(kind: Any, plain: Any) -> Any:
    """Build a value of type ``kind`` from its plain form. Raises TypeError or KeyError when they do not fit."""
    if kind is Any or plain is None:
        return plain
    origin = get_origin(kind)
    if origin in (Union, types.UnionType):
        return _from_union(kind, plain)
    if origin is np.ndarray or kind is np.ndarray:
        return np.asarray(plain, dtype=np.float64)
    if origin is not None:
        return _from_generic(origin, get_args(kind), plain)
    if dataclasses.is_dataclass(kind) and isinstance(kind, type):
        hints = _hints(kind)
        return kind(**{name: from_plain(hints[name], item) for name, item in plain.items() if name in hints})
    return _from_scalar(kind, plain)


def _from_union(kind: Any, plain: Any) -> Any:
    chosen = [member for member in get_args(kind) if member is not type(None)]
    if len(chosen) == 1:
        return from_plain(chosen[0], plain)
    return plain


def _from_generic(origin: Any, args: tuple[Any, ...], plain: Any) -> Any:
    if isinstance(origin, type) and issubclass(origin, Mapping):
        key_kind, item_kind = args
        return {_from_scalar(key_kind, key): from_plain(item_kind, item) for key, item in plain.items()}
    if origin is tuple:
        if len(args) == 2 and args[1] is Ellipsis:
            return tuple(from_plain(args[0], item) for item in plain)
        return tuple(from_plain(kind, item) for kind, item in zip(args, plain, strict=True))
    return origin(from_plain(args[0], item) for item in plain)


def _from_scalar(kind: Any, plain: Any) -> Any:
    if kind in (datetime, date, time):
        return kind.fromisoformat(plain)
    if kind is Path:
        return Path(plain)
    if kind is float:
        return float(plain)
    if kind is int:
        return int(plain)
    if isinstance(kind, type) and issubclass(kind, enum.Enum):
        return kind(plain)
    return plain


@functools.cache
def _hints(kind: type) -> dict[str, Any]:
    return typing.get_type_hints(kind)
