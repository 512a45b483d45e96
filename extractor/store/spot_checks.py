"""Spot-checks: JSON lines that are only ever appended, beside the decisions, a file a person."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from extractor.errors import CallError
from extractor.records import Begun, SpotCheck, Typed
from extractor.store.decisions import append_lines, own_file

_ENDING = ".spotcheck"
_LINE = TypeAdapter[Begun | Typed](Begun | Typed)


def append_to_spot_check(folder: Path, who: str, line: Begun | Typed) -> Path:
    """Append one line to this person's spot-checks; it is on the disk on return.

    Raises CallError if it could not be written whole.
    """
    path = own_file(folder, who, _ENDING)
    append_lines(path, [asdict(line)])
    return path


def read_spot_checks(folders: Sequence[Path]) -> tuple[list[SpotCheck], list[str]]:
    """Return all spot-checks of the folders, oldest first, and what could not be used.

    Of two lines about one figure the last counts. Raises CallError if a file
    cannot be read.
    """
    begun: dict[str, Begun] = {}
    typed: dict[str, dict[int, Typed]] = {}
    notices: list[str] = []
    for path in sorted(path for folder in folders for path in folder.glob(f"*{_ENDING}")):
        try:
            lines = path.read_bytes().split(b"\n")
        except OSError as error:
            raise CallError(f"{path}: cannot be read ({error}); make it readable") from error
        for number, line in enumerate(lines, start=1):
            if not line.strip():
                continue
            try:
                entry = _LINE.validate_json(line)
            except ValidationError:
                notices.append(f"{path}:{number}: no line of a spot-check; skipped")
                continue
            if isinstance(entry, Begun):
                begun.setdefault(entry.id, entry)
            else:
                typed.setdefault(entry.spot_check, {})[entry.at] = entry
    checks = [
        SpotCheck(
            each,
            tuple(
                line
                for at, line in sorted(typed.get(each.id, {}).items())
                if 0 <= at < len(each.drawn)
            ),
        )
        for each in begun.values()
    ]
    return sorted(checks, key=lambda each: (each.begun.when, each.begun.id)), notices
