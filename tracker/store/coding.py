"""Frozen values <-> plain JSON, read off their declared fields so that a field more breaks nothing.

Every document is ``{"version": 1, "value": ...}``. A field that a document lacks takes its default;
a key that this program does not know is passed over. Floats are exact (shortest repr that reads
back the same); those JSON has no word for are the strings "nan", "inf" and "-inf".
"""

from __future__ import annotations

import dataclasses
import json
import math
import types
import typing
import zlib
from collections.abc import Mapping
from functools import cache
from typing import Any, TypeVar, cast

import numpy as np
import numpy.typing as npt

from tracker.errors import LogError

VERSION = 1

T = TypeVar("T")


def to_plain(value: object) -> Any:  # noqa: PLR0911 - one return a kind of value
    """The value as JSON can hold it."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: to_plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, np.ndarray):
        flat = [to_plain(item) for item in value.ravel().tolist()]
        return flat if value.ndim == 1 else {"shape": list(value.shape), "flat": flat}
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    if isinstance(value, (int, np.integer)):
        return int(value)
    if isinstance(value, (float, np.floating)):
        number = float(value)
        return number if math.isfinite(number) else str(number)
    if isinstance(value, (tuple, list)):
        return [to_plain(item) for item in value]
    if isinstance(value, Mapping):
        return {str(key): to_plain(item) for key, item in value.items()}
    if value is None or isinstance(value, str):
        return value
    raise TypeError(f"no plain form for {type(value).__name__}")


def from_plain(kind: type[T], plain: object) -> T:
    """The value of this type that the plain form stands for.

    Raises
    ------
    LogError
        If the plain form does not fit the type.
    """
    try:
        return cast("T", _read(kind, plain))
    except (TypeError, ValueError, KeyError, AttributeError, OverflowError) as problem:
        if isinstance(problem, LogError):
            raise
        raise _damaged(kind.__name__, str(problem)) from problem


def pack(plain: object) -> bytes:
    """Plain JSON in its envelope, compressed."""
    document = {"version": VERSION, "value": plain}
    return zlib.compress(json.dumps(document, allow_nan=False, separators=(",", ":")).encode())


def unpack(packed: bytes) -> Any:
    """What ``pack`` was given.

    Raises
    ------
    LogError
        If the bytes are not such a document, or are one of a newer program.
    """
    try:
        document = json.loads(zlib.decompress(packed))
        version, value = int(document["version"]), document["value"]
    except (zlib.error, ValueError, KeyError, TypeError) as problem:
        raise _damaged("record", str(problem)) from problem
    if version > VERSION:
        raise LogError(
            "log_newer",
            "The launch log holds measurements written by a newer lobscope.",
            "Update lobscope on this computer; the log was left as it is.",
        )
    return value


def essence(value: object) -> Any:
    """The plain form without what says nothing: fields that stand at their declared default.

    Two programs of which one knows a field more agree on it as long as nobody uses that field.
    """
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        said = {}
        for f in dataclasses.fields(value):
            plain = essence(getattr(value, f.name))
            if f.default is dataclasses.MISSING or plain != essence(f.default):
                said[f.name] = plain
        return said
    return to_plain(value)


# -- reading by declared type -------------------------------------------------------------------


@cache
def _hints(kind: type) -> dict[str, Any]:
    return typing.get_type_hints(kind)


def _read(hint: Any, plain: Any) -> Any:  # noqa: PLR0911 - one return a kind of value
    origin, parts = typing.get_origin(hint), typing.get_args(hint)
    if origin in (types.UnionType, typing.Union):
        return None if plain is None else _read(next(p for p in parts if p is not type(None)), plain)
    if dataclasses.is_dataclass(hint):
        return _read_dataclass(cast("type", hint), plain)
    if _is_array(origin):
        return _read_array(_dtype(hint), plain)
    if origin is tuple:
        if len(parts) == 2 and parts[1] is Ellipsis:
            return tuple(_read(parts[0], item) for item in plain)
        return tuple(_read(part, item) for part, item in zip(parts, plain, strict=True))
    if origin is dict:
        return {key: _read(parts[1], item) for key, item in plain.items()}
    if hint is float and not isinstance(plain, bool):
        return float(plain)
    if hint is int and isinstance(plain, float) and plain.is_integer():
        return int(plain)
    if hint is not float and type(plain) is hint:
        return plain
    raise TypeError(f"{plain!r:.40} is no {getattr(hint, '__name__', hint)}")


def _read_dataclass(kind: type, plain: Any) -> Any:
    if not isinstance(plain, dict):
        raise TypeError(f"{plain!r:.40} is no {kind.__name__}")
    hints, given = _hints(kind), {}
    for f in dataclasses.fields(kind):
        if f.name in plain:
            given[f.name] = _read(hints[f.name], plain[f.name])
        elif f.default is dataclasses.MISSING and f.default_factory is dataclasses.MISSING:
            given[f.name] = _blank(hints[f.name], f"{kind.__name__}.{f.name}")
    return kind(**given)


def _read_array(dtype: Any, plain: Any) -> Any:
    shape, flat = (plain["shape"], plain["flat"]) if isinstance(plain, dict) else ([len(plain)], plain)
    if dtype is np.float64:
        array = np.array([float(item) for item in flat], dtype=dtype)
    else:
        array = np.array(flat, dtype=dtype)
    array = array.reshape(shape)
    array.flags.writeable = False
    return array


def _is_array(origin: Any) -> bool:
    """Whether a declared type is an array; numpy spells it differently from version 2.5 on."""
    return origin is np.ndarray or origin is npt.NDArray


def _dtype(hint: Any) -> Any:
    parts = typing.get_args(hint)
    return parts[0] if len(parts) == 1 else typing.get_args(parts[1])[0]


def _blank(hint: Any, name: str) -> Any:
    """What stands for a compulsory field that an older document never had: nothing, in its type."""
    origin, parts = typing.get_origin(hint), typing.get_args(hint)
    if origin in (types.UnionType, typing.Union) and type(None) in parts:
        return None
    if dataclasses.is_dataclass(hint):
        return _read_dataclass(cast("type", hint), {})
    if _is_array(origin):
        return _read_array(_dtype(hint), [])
    blanks: dict[Any, Any] = {float: math.nan, str: "", tuple: (), dict: {}}
    if (origin or hint) in blanks:
        return blanks[origin or hint]
    raise _damaged(name, "it is missing")


def _damaged(what: str, why: str) -> LogError:
    return LogError(
        "log_damaged",
        f"A {what} in the launch log cannot be read ({why}).",
        "Go back to a safety copy or an export of the log; nothing was changed.",
    )
