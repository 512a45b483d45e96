"""Records of the cache <-> compact JSON, both made from the records' own type hints.

A record is written as ``["Name",[field, field, ...]]``, nested records as their fields alone.
``shape()`` tells two makes of the records apart, so that a cache of an older one is rebuilt.
"""

from __future__ import annotations

import builtins
import json
import types
import typing
from collections.abc import Callable
from dataclasses import fields, is_dataclass
from functools import cache
from pathlib import Path
from typing import Any, Literal, TypeVar, get_args, get_origin, overload

from extractor.records import (
    Capture,
    Finds,
    Found,
    FrameReadings,
    FramesRead,
    Problem,
    Reading,
    TraceRead,
)

Record = TypeVar("Record")
_Turn = Callable[[Any], Any]
"""Turns one value; None in its place means that the value stays as it is."""

_RECORDS: dict[str, type] = {
    kind.__name__: kind
    for kind in (Capture, Finds, Found, FrameReadings, FramesRead, Problem, Reading, TraceRead)
}
_SIMPLE = (str, int, float, bool, type(None))


def record_to_json(record: object) -> str:
    """Return a record as one line of ASCII JSON; floats come back as the very same floats.

    Raises TypeError for a value that is no plain JSON value (a numpy scalar, say).
    """
    kind: type = type(record)
    if _RECORDS.get(kind.__name__) is not kind:
        raise TypeError(f"{kind.__name__} is no record of the cache")
    return json.dumps([kind.__name__, _writer(kind)(record)], separators=(",", ":"))


@overload
def record_from_json(text: str, kind: type[Record]) -> Record: ...
@overload
def record_from_json(text: str, kind: types.UnionType) -> Any: ...
def record_from_json(text: str, kind: Any) -> Any:
    """Return the record of ``kind`` (a class or a union of classes) that ``text`` holds.

    Raises ValueError if it holds another one.
    """
    name, values = json.loads(text)
    found = _RECORDS.get(name)
    if found is None or found not in (get_args(kind) or (kind,)):
        raise ValueError(f"a record {name} stands where {kind} was expected")
    return _reader(found)(values)


@cache
def shape() -> str:
    """Return the names, fields and types of all records of the cache as text."""
    seen: dict[str, str] = {}

    def visit(hint: Any) -> None:
        if is_dataclass(hint) and isinstance(hint, type):
            if hint.__name__ not in seen:
                hints = _hints(hint)
                seen[hint.__name__] = ",".join(f"{name}:{hints[name]}" for name in hints)
                for inner in hints.values():
                    visit(inner)
        else:
            for inner in get_args(hint):
                visit(inner)

    for kind in _RECORDS.values():
        visit(kind)
    return ";".join(f"{name}({text})" for name, text in sorted(seen.items()))


def _hints(kind: type) -> dict[str, Any]:
    hints = typing.get_type_hints(kind)
    return {field.name: hints[field.name] for field in fields(kind)}


@cache
def _writer(kind: type) -> _Turn:
    parts = [(name, _write(hint)) for name, hint in _hints(kind).items()]

    def write(record: Any) -> list[Any]:
        return [
            turn(getattr(record, name)) if turn else getattr(record, name) for name, turn in parts
        ]

    return write


@cache
def _reader(kind: type) -> _Turn:
    turns = [_read(hint) for hint in _hints(kind).values()]
    turned = [(place, turn) for place, turn in enumerate(turns) if turn]
    if not turned:
        return lambda values: kind(*values)

    def read(values: list[Any]) -> Any:
        for place, turn in turned:
            values[place] = turn(values[place])
        return kind(*values)

    return read


def _write(hint: Any) -> _Turn | None:
    return _turn(hint, record=_writer, path=str, sequence=list)


def _read(hint: Any) -> _Turn | None:
    return _turn(hint, record=_reader, path=Path, sequence=tuple)


def _turn(
    hint: Any, record: Callable[[type], _Turn], path: _Turn, sequence: Callable[[Any], Any]
) -> _Turn | None:
    if hint in _SIMPLE or get_origin(hint) is Literal:
        return None
    if hint is Path:
        return path
    if is_dataclass(hint) and isinstance(hint, type):
        return record(hint)
    match get_origin(hint), get_args(hint):
        case builtins.tuple, (inner, builtins.Ellipsis):
            each = _turn(inner, record, path, sequence)
            return (lambda values: sequence(map(each, values))) if each else sequence
        case types.UnionType, (inner, types.NoneType):
            turn = _turn(inner, record, path, sequence)
            return (lambda value: None if value is None else turn(value)) if turn else None
    raise TypeError(f"the cache has no way to keep {hint}")
