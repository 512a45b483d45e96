"""Which files under a folder may be captures. Nothing is opened here."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from ..errors import CallError
from ..records import Problem

ENDINGS = (
    *(".png", ".jpg", ".jpeg", ".webp", ".bmp", ".gif", ".tif", ".tiff", ".heic", ".heif"),
    *(".avif", ".mp4", ".mov", ".mkv", ".webm", ".3gp"),
)
NEVER_SEARCHED = frozenset({"readings", "decisions", "calibration"})
MARKER = ".ocrlog"
"""A folder that holds a file of this name is ocrlog's own and is never searched."""

_Sort = Literal["folder", "candidate", "other", "linked folder", "broken link"]
_LINKS: dict[_Sort, tuple[str, str]] = {
    "linked folder": (
        "it is a link to a folder, which is not followed",
        "Move the folder itself here, or link the captures one by one.",
    ),
    "broken link": ("it is a link that leads to no file", "Mend the link or delete it."),
}


@dataclass(frozen=True, slots=True)
class Candidate:
    """A file whose ending is a capture's.

    ``path`` is the label: below the root, ``/`` between parts, bytes that are not UTF-8 as
    ``\\xE9``. ``file`` opens it.
    """

    path: str
    file: Path


@dataclass(frozen=True, slots=True)
class Listing:
    """What lies under a root.

    ``candidates`` are sorted by the code points of their labels. ``ignored`` counts the other
    files (dot files and folders that are never searched do not count). ``problems`` are folders
    and links that could not be followed.
    """

    candidates: tuple[Candidate, ...]
    ignored: int
    problems: tuple[Problem, ...] = ()


def find_captures(root: Path) -> Listing:
    """List the candidates under ``root``; raises CallError if ``root`` cannot be searched.

    Candidates are regular files, and links to them, that end like a capture, in any case of
    letters. Dot files, folders named readings, decisions or calibration and folders that hold a
    file ``.ocrlog`` are never searched. Links to folders are not followed, so nothing is found
    twice and no loop can arise; each is named in ``problems``.
    """
    candidates: list[Candidate] = []
    problems: list[Problem] = []
    ignored = 0
    waiting = [root]
    while waiting:
        folder = waiting.pop()
        try:
            entries = _entries(folder, root)
        except OSError as error:
            problems.append(_unreadable(_label(folder, root), error))
            continue
        for entry in entries:
            path = Path(entry.path)
            try:
                found = _sort(entry)
            except OSError as error:
                problems.append(_unreadable(_label(path, root), error))
                continue
            if found == "folder":
                waiting.append(path)
            elif found == "candidate":
                candidates.append(Candidate(_label(path, root), path))
            elif found == "other":
                ignored += 1
            else:
                problems.append(Problem(_label(path, root), *_LINKS[found]))
    return Listing(
        tuple(sorted(candidates, key=lambda candidate: candidate.path)),
        ignored,
        tuple(sorted(problems, key=lambda problem: problem.capture)),
    )


def _entries(folder: Path, root: Path) -> list[os.DirEntry[str]]:
    """What is to be looked at in ``folder``; raises OSError, or CallError for ``root`` itself."""
    try:
        with os.scandir(folder) as listed:
            entries = list(listed)
    except OSError as error:
        if folder == root:
            raise _unsearchable(root, error) from error
        raise
    if any(entry.name == MARKER and not entry.is_dir() for entry in entries):
        if folder == root:
            raise CallError(
                f"{printable(str(root))} holds results of ocrlog (a file {MARKER}), so it is not "
                "searched; give the folder of the captures, and with --out another one"
            )
        return []
    return [
        entry
        for entry in entries
        if not (entry.name.startswith(".") or (entry.name in NEVER_SEARCHED and entry.is_dir()))
    ]


def _sort(entry: os.DirEntry[str]) -> _Sort:
    if entry.is_dir():
        return "linked folder" if entry.is_symlink() else "folder"
    if not entry.name.lower().endswith(ENDINGS):
        return "other"
    if entry.is_file():
        return "candidate"
    # opening a pipe, socket or device could wait for ever
    return "broken link" if entry.is_symlink() and not Path(entry.path).exists() else "other"


def _label(path: Path, root: Path) -> str:
    return printable(path.relative_to(root).as_posix())


def printable(name: str) -> str:
    """``name`` with the bytes that are not UTF-8 (lone surrogates, PEP 383) as ``\\xE9``."""

    def escaped(match: re.Match[str]) -> str:
        code = ord(match[0])
        return f"\\x{code - 0xDC00:02X}" if 0xDC80 <= code <= 0xDCFF else f"\\u{code:04X}"

    return re.sub("[\ud800-\udfff]", escaped, name)


def _unsearchable(root: Path, error: OSError) -> CallError:
    shown = printable(str(root))
    if isinstance(error, FileNotFoundError):
        return CallError(f"{shown}: there is no such folder; check the path")
    if isinstance(error, NotADirectoryError):
        return CallError(f"{shown} is a file, not a folder; give the folder that holds it")
    return CallError(
        f"{shown}: the folder cannot be read ({error.strerror}); "
        "give yourself the right to list it, or copy it to a place of your own"
    )


def _unreadable(label: str, error: OSError) -> Problem:
    return Problem(
        label,
        f"it cannot be read ({error.strerror})",
        "Give yourself the right to read it, or move it elsewhere.",
    )
