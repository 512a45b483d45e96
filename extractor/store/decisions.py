"""Decisions of people: JSON lines that are only ever appended, one file a person and machine."""

from __future__ import annotations

import json
import math
import os
import re
import secrets
from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import get_args

import xxhash

from extractor.errors import CallError
from extractor.records import Action, Box, Decision, Judged, Verdict

_ACTIONS: tuple[str, ...] = get_args(Action)
_TEXTS = ("id", "when", "who", "file", "layout", "readout", "before", "after", "replaces")
_NEEDED = ("file", "layout", "readout", "action")


class _LineError(Exception):
    pass


def read_decisions(folders: Sequence[Path]) -> tuple[list[Decision], list[str]]:
    """Return all decisions in the ``*.jsonl`` of the folders, and what could not be used.

    The union by ``id``, sorted by ``when`` and ``id``; each id stands once: a line whose id is
    empty, or is used by another line with other content, gets one made from its content. ``who``
    comes from the file's name where a line has none. A line that cannot be used is named with
    its file and line and skipped; a line without ``action`` is not decided yet and is ignored.
    A folder that does not exist holds no decisions. Raises CallError if a file cannot be read,
    since a figure that a person corrected must not come out as it was read.
    """
    decisions: dict[str, Decision] = {}
    notices: list[str] = []
    for path in sorted(path for folder in folders for path in _files(folder)):
        lines = _lines(path)
        for number, line in enumerate(lines, start=1):
            if not line.strip():
                continue
            try:
                decision = _parse(line, path)
            except _LineError as fault:
                torn = number == len(lines) and "no JSON" in str(fault)
                what = "the last line is torn" if torn else str(fault)
                notices.append(f"{path}:{number}: {what}; skipped, mend or delete the line")
                continue
            if decision is None:
                continue
            other = decisions.get(decision.id)
            if other is not None and other != decision:
                notices.append(
                    f"{path}:{number}: the id {decision.id} is used by another line with other "
                    "content; both are kept, give each line an id of its own"
                )
                decision = replace(decision, id=_made_id(decision))
            decisions[decision.id] = decision
    return sorted(decisions.values(), key=lambda each: (each.when, each.id)), notices


def append_decisions(folder: Path, decisions: Sequence[Decision]) -> Path:
    """Append one person's decisions to their file of this machine; on the disk on return.

    Raises CallError if they could not be written whole; then the person must be told.
    """
    path = own_file(folder, decisions[0].who, ".jsonl")
    append_lines(path, [_plain(each) for each in decisions])
    return path


def own_file(folder: Path, who: str, ending: str) -> Path:
    """The file that ``who`` appends to on this machine."""
    return folder / f"{_safe(who)}-{_machine()}{ending}"


def append_lines(path: Path, entries: Sequence[object]) -> None:
    """Append a JSON line an entry; all are on the disk on return. Raises CallError."""
    data = b"".join(
        json.dumps(each, ensure_ascii=False).encode("utf-8", "backslashreplace") + b"\n"
        for each in entries
    )
    try:
        folder = path.parent
        folder.mkdir(parents=True, exist_ok=True)
        fresh = not path.exists()
        with path.open("ab+", buffering=0) as file:
            # A line torn by a crash must not swallow the next one.
            if file.seek(0, os.SEEK_END):
                file.seek(-1, os.SEEK_END)
                data = data if file.read(1) == b"\n" else b"\n" + data
            while data:
                data = data[file.write(data) :]
            os.fsync(file.fileno())
        if fresh:
            _sync_folder(folder)
    except OSError as error:
        raise CallError(
            f"{path}: could not be saved ({error}); free some space or make the folder writable, "
            "or give another folder with --decisions"
        ) from error


def decision_template(verdict: Verdict, judged: Judged) -> dict[str, object]:
    """Return the line that a person fills in (``action``, ``after``) to settle a reading.

    ``capture``, ``at_s`` and ``why`` are there to be read by the person and mean nothing to
    ocrlog. Raises ValueError for a reading that is not shown: there is nothing to settle.
    """
    reading = judged.reading
    if reading.box is None:
        raise ValueError(f"{reading.readout} is not shown, so nothing can be settled")
    return {
        "capture": verdict.sighting.capture.path,
        "at_s": verdict.sighting.frame.at_s,
        "readout": reading.readout,
        "why": "; ".join(doubt.why for doubt in judged.doubts),
        "before": reading.text,
        "action": "",
        "after": "",
        "id": "",
        "when": "",
        "who": "",
        "file": verdict.sighting.capture.content,
        "pts": verdict.sighting.frame.pts,
        "layout": reading.layout,
        "box": [round(part, 3) for part in _corners(reading.box)],
        "replaces": "",
    }


def _files(folder: Path) -> list[Path]:
    try:
        return [path for path in folder.iterdir() if path.name.endswith(".jsonl")]
    except FileNotFoundError:
        return []
    except OSError as error:
        raise _unreadable(folder, error) from error


def _unreadable(path: Path, error: OSError) -> CallError:
    return CallError(f"{path}: decisions cannot be read ({error}); make it readable")


def _lines(path: Path) -> list[str]:
    try:
        data = path.read_bytes()
    except OSError as error:
        raise _unreadable(path, error) from error
    text = data.decode("utf-8-sig", "surrogateescape")
    return text.removesuffix("\n").split("\n")


def _parse(line: str, path: Path) -> Decision | None:
    try:
        entry = json.loads(line, parse_constant=_no_constant)
    except ValueError as error:
        raise _LineError("no JSON") from error
    except RecursionError as error:
        raise _LineError("nested too deeply") from error
    if not isinstance(entry, dict):
        raise _LineError("not an object in braces { }")
    action = entry.get("action")
    if action in ("", None) and "action" in entry:
        return None
    for name in _NEEDED:
        if not entry.get(name):
            raise _LineError(f"`{name}` is missing")
    if action not in _ACTIONS:
        raise _LineError(f"`action` is {action!r}, expected one of {', '.join(_ACTIONS)}")
    texts = {name: entry.get(name) or "" for name in _TEXTS}
    for name, text in texts.items():
        if not isinstance(text, str):
            raise _LineError(f'`{name}` is {text!r}, expected text in quotes: "{text}"')
        if not _whole(text):
            raise _LineError(f"`{name}` is not UTF-8")
    pts = entry.get("pts")
    if pts is not None and (isinstance(pts, bool) or not isinstance(pts, int)):
        raise _LineError(f"`pts` is {pts!r}, expected a whole number, or null for a still")
    texts["after"] = _after(action, texts["before"], texts["after"].strip())
    texts["who"] = texts["who"] or path.stem.rpartition("-")[0] or path.stem
    decision = Decision(pts=pts, box=_box(entry.get("box")), action=action, **texts)
    _check_replaces(decision)
    return decision if decision.id else replace(decision, id=_made_id(decision))


def _after(action: str, before: str, after: str) -> str:
    if action == "accept":
        if after not in ("", before):
            raise _LineError('`after` differs from `before`: set `action` to "correct"')
        if not before:
            raise _LineError('nothing was read that could be accepted: set `action` to "type"')
        return before
    if action in ("unreadable", "doubt", "withdraw"):
        if after:
            raise _LineError('`after` has a text: set `action` to "type", or leave it empty')
        return ""
    if not after:
        raise _LineError("`after` is missing: write there what the crop shows")
    return after


def _check_replaces(decision: Decision) -> None:
    if decision.action == "withdraw" and not decision.replaces:
        raise _LineError("`replaces` is missing: write there the `id` of what is withdrawn")
    if decision.id and decision.id == decision.replaces:
        raise _LineError("the line replaces itself")


def _box(value: object) -> Box:
    if not (
        isinstance(value, list)
        and len(value) == 4
        and all(isinstance(part, int | float) and not isinstance(part, bool) for part in value)
        and all(math.isfinite(part) for part in value)
    ):
        raise _LineError("`box` is no [x, y, w, h]")
    return Box(*map(float, value))


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is no JSON")


def _whole(text: str) -> bool:
    """Tell whether text holds no stray bytes (lone surrogates)."""
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def _plain(decision: Decision) -> dict[str, object]:
    return {**asdict(decision), "box": _corners(decision.box)}


def _corners(box: Box) -> list[float]:
    return [float(box.x), float(box.y), float(box.w), float(box.h)]


def _made_id(decision: Decision) -> str:
    plain = json.dumps(_plain(replace(decision, id="")), sort_keys=True)
    return f"line-{xxhash.xxh3_64_hexdigest(plain.encode())}"


def _safe(who: str) -> str:
    return re.sub(r"[^\w.-]+", "_", who).strip("._")[:60] or "someone"


def _machine() -> str:
    """Return this machine's random name, made once and kept in the person's own state folder."""
    home = os.environ.get("LOCALAPPDATA") or os.environ.get("XDG_STATE_HOME")
    kept = (Path(home) if home else Path.home() / ".local" / "state") / "ocrlog" / "machine"
    try:
        if re.fullmatch(r"[0-9a-f]{8}", name := kept.read_text(encoding="utf-8").strip()):
            return name
    except (OSError, ValueError):
        pass
    name = secrets.token_hex(4)
    try:
        kept.parent.mkdir(parents=True, exist_ok=True)
        kept.write_text(name, encoding="utf-8")
    except OSError:
        pass  # another random name next time: one file more, nothing lost
    return name


def _sync_folder(folder: Path) -> None:
    """Make the new file's name last too, where folders can be synced (not on Windows)."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
