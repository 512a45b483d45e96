"""Saving a calibration: comments and order of the file that is there are kept."""

from __future__ import annotations

import os
import shutil
from collections import Counter
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Array, Comment, Table, Whitespace

from extractor.calibration.model import Calibration
from extractor.calibration.rules import RULES
from extractor.errors import Fault, FileFaultsError
from extractor.toml import comments, decode, parse

_HEAD = (
    "A calibration of ocrlog: docs/calibration.md explains every key.",
    "Boxes are [x, y, width, height] in px of the capture this was drawn on.",
)


def save(calibration: Calibration, path: Path) -> None:
    """Write ``calibration`` to ``path``, whole or not at all.

    A file that is there keeps its comments, its order and what it says besides changed values.
    Raises FileFaultsError, and leaves the file as it is, if that file is not TOML or if the
    calibration breaks a rule; OSError if it cannot be written.
    """
    old = path.read_bytes() if path.exists() else b""
    if old.strip():
        text = _merged(decode(old, str(path)), calibration, path)
    else:
        text = _fresh(calibration)
    content = text.encode()
    if parse(content, path, Calibration, RULES) != calibration:
        raise AssertionError(f"{path} would not read back as what was to be saved")
    _replace(path.resolve(), content)


def _replace(path: Path, content: bytes) -> None:
    beside = path.with_name(f".{path.name}.{os.getpid()}.tmp")
    try:
        with beside.open("xb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        if path.exists():
            shutil.copymode(path, beside)
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)


def _written(value: Any) -> Any:
    """The value as a person writes it: whole numbers without a point, lists for tuples."""
    if isinstance(value, dict):
        return {key: _written(item) for key, item in value.items()}
    if isinstance(value, tuple):
        return [_written(item) for item in value]
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return int(value)
    return value


def _fresh(calibration: Calibration) -> str:
    document = tomlkit.document()
    for line in _HEAD:
        document.add(tomlkit.comment(line))
    document.add(tomlkit.nl())
    for key, value in _written(calibration.model_dump(exclude_defaults=True)).items():
        document.add(key, _item(value))
    return tomlkit.dumps(document)


def _item(value: Any) -> Any:
    """A table, an array of tables, or a plain value."""
    if isinstance(value, list) and value and isinstance(value[0], dict):
        tables = tomlkit.aot()
        for entry in value:
            tables.append(_table(entry))
        return tables
    return _table(value) if isinstance(value, dict) else value


def _table(entry: dict[str, Any]) -> Table:
    table = tomlkit.table()
    for key, value in entry.items():
        table.add(key, value)
    table.add(tomlkit.nl())
    return table


# ---------------------------------------------------------------- into a file that is there


def _merged(old: str, calibration: Calibration, path: Path) -> str:
    document = _document(old, path)
    full = _written(calibration.model_dump(exclude_none=True))
    _merge(document, full, _written(calibration.model_dump(exclude_defaults=True)))
    text = tomlkit.dumps(document)
    lost = Counter(comments(old)) - Counter(comments(text))
    if lost:  # what stood beside a key or table that is gone
        text = text.rstrip() + "\n\n" + "".join(f"{comment}\n" for comment in lost.elements())
    return text


def _document(old: str, path: Path) -> tomlkit.TOMLDocument:
    try:
        return tomlkit.parse(old)
    except (TOMLKitError, ValueError) as error:
        fault = Fault(str(path), "the file", "not TOML", f"a calibration: {error}")
        raise FileFaultsError([fault]) from None


def _merge(table: Any, full: dict[str, Any], short: dict[str, Any]) -> None:
    """Make ``table`` say what ``full`` says; of keys it lacks only those in ``short`` are added."""
    for key in list(table):
        if key not in full or full[key] == []:
            del table[key]
        elif _says(table[key], full[key], short.get(key)):
            continue
        elif isinstance(table[key], AoT):
            _merge_tables(table[key], full[key], short[key])
        elif isinstance(full[key], dict):
            _merge(table[key], full[key], short.get(key, {}))
        elif isinstance(full[key], list) and isinstance(full[key][0], dict):
            table[key] = _inline_tables(short[key])
        else:
            table[key] = full[key]
    for key, value in short.items():
        if key not in table:
            table[key] = _item(value)


def _says(held: Any, full: Any, short: Any) -> bool:
    """Whether the file holds this already; a default may be written there or not."""
    if isinstance(full, dict):
        needed = short or {}
        return set(needed) <= set(held) <= set(full) and all(
            _says(held[key], full[key], needed.get(key)) for key in held
        )
    if isinstance(full, list) and full and isinstance(full[0], dict):
        return len(held) == len(full) and all(map(_says, held, full, short))
    return bool(held == full)


def _inline_tables(entries: list[dict[str, Any]]) -> Array:
    tables = tomlkit.array()
    for entry in entries:
        inline = tomlkit.inline_table()
        inline.update(entry)
        tables.append(inline)
    return tables.multiline(True)


def _merge_tables(tables: AoT, full: list[dict[str, Any]], short: list[dict[str, Any]]) -> None:
    """The same for an array of tables; an entry is known by its name, or by what it says."""
    wanted = [_known_by(entry) for entry in full]
    if len(tables) != len(full):  # else one that is new at its index is a renamed one
        for index in range(len(tables) - 1, -1, -1):
            if _known_by(tables[index]) not in wanted:
                _hand_back(tables, index)
                del tables[index]
    present = [_known_by(table) for table in tables]
    if len(tables) != len(full) or sorted(present) == sorted(wanted):
        for index, name in enumerate(wanted):
            here = present.index(name, index) if name in present[index:] else None
            if here is None:
                tables.insert(index, _table(short[index]))
                present.insert(index, name)
            elif here != index:
                moved = tables[here]
                del tables[here]
                tables.insert(index, moved)
                present.insert(index, present.pop(here))
    for table, entry, brief in zip(tables, full, short, strict=True):
        _merge(table, entry, brief)


def _known_by(entry: Any) -> str:
    return str(entry.get("name", entry.get("that")))


def _hand_back(tables: AoT, index: int) -> None:
    """Give the comments at the end of a table, which head the next one, to the one before."""
    if index == 0:
        return
    body = tables[index].value.body
    start = len(body)
    while start and isinstance(body[start - 1][1], Comment | Whitespace):
        start -= 1
    for _, item in body[start:]:
        tables[index - 1].value.add(item)
