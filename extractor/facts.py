"""Device, variant, round and attempt of every capture: stated by people, else guessed.

What is stated wins, in this order: a cell a person wrote in facts.csv, the path pattern of
session.toml. The rest is guessed, and never without support:

- device: the one device of session.toml whose ``screen`` is the capture's pixel size (either way
  up), or whose name stands in the path; the camera written into the capture; a made-up name from
  the pixel size, such as ``screen-2400x1080``. Blank where evidence contradicts itself, or where
  several devices share the pixel size and the path names none.
- variant: the one variant of that device whose name stands in the path.
- round and attempt: numbers in the path (``round-2``, ``attempt 1``); else from the order of
  ``taken`` among the captures of one device and variant. A gap of more than 30 minutes ends a
  sitting, and each further sitting is a new attempt. Live overlays, then summaries make a round;
  the next live overlay opens the next. Summaries more than 3 minutes apart belong to two rounds.
  After the number of rounds planned in session.toml a new attempt begins. A sitting without any
  summary shows no rounds and gets none. A stated or named number counts on from there.
"""

from __future__ import annotations

import codecs
import csv
import io
import os
import re
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import quote, unquote

from extractor.calibration.model import Calibration
from extractor.errors import Fault, FileFaultsError
from extractor.records import (
    CAPTURES,
    READINGS,
    Capture,
    guard_cell,
    guard_path,
    unguard_cell,
    unguard_path,
)
from extractor.session import Session, match_pattern

FACTS = ("device", "variant", "round", "attempt")
"""The facts that every table has a column for, in this order; others follow by name."""

Written = Mapping[str, Mapping[str, str]]
"""What people wrote in facts.csv: capture -> fact -> text; '' where one cleared a guess."""

NOTHING_WRITTEN: Written = {}

_SITTING = timedelta(minutes=30)
_SCROLLING = timedelta(minutes=3)
_ASPECT = 0.02  # share by which width : height may differ before a device is contradicted
_BEYOND_THE_MEAN = frozenset(("lowest", "highest", "median", "low_1_percent", "spread", "share"))
_MOVING = frozenset(
    ("frame_rate", "frame_time", "power", "current", "voltage", "temperature", "clock", "load")
)
_NAME = re.compile(r"[a-z][a-z0-9_]*")
_RESERVED = READINGS.names | CAPTURES.names | {"guessed"}
_NUMBERED = re.compile(r"(?<![a-z])(round|attempt)[\s_.-]{0,2}([0-9]{1,4})(?![0-9])", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Facts:
    """The facts of one capture, unknown ones left out.

    ``guessed`` names those that ocrlog guessed. ``fault`` says in words how a stated device
    contradicts the capture, or is ''.
    """

    values: Mapping[str, str]
    guessed: frozenset[str] = frozenset()
    fault: str = ""


def statistics_of(layout: Calibration) -> frozenset[str]:
    """Return the statistics by which a layout is known as a live overlay or as a summary.

    A layout that draws the present value of something that moves from second to second is live,
    whatever it sums up beside that; what a summary draws of the moment (its render size, say)
    does not make it live.
    """
    if any(each.statistic == "now" and each.quantity in _MOVING for each in layout.readout):
        return frozenset(("now",))
    return frozenset(each.statistic for each in layout.readout) - {"now"}


def named_numbers(path: str) -> dict[str, str]:
    """Return the round and the attempt that a path names, as in ``round-2/attempt-1_03.png``."""
    found: dict[str, str] = {}
    for name, number in _NUMBERED.findall(path):
        found.setdefault(name.lower(), str(int(number)))
    return found


def propose(
    captures: Sequence[Capture],
    shown: Mapping[str, frozenset[str]],
    session: Session | None,
    written: Written,
) -> dict[str, Facts]:
    """Return the facts of every capture by its path, in the order of ``captures``.

    ``shown`` maps a capture's path to the ``statistics_of`` the layouts found on it; ``written`` is
    what ``read_facts_csv`` returned. The rules stand at the top of this module.
    """
    drafts = [_Draft(capture, _stated(capture, session, written)) for capture in captures]
    for draft in drafts:
        draft.guess("device", _device(draft.capture, session))
        draft.guess("variant", _variant(draft.capture, draft.get("device"), session))
        for name, number in named_numbers(draft.capture.path).items():
            draft.guess(name, number)
    timelines: dict[tuple[str, str], list[_Draft]] = defaultdict(list)
    for draft in drafts:
        if draft.get("device") and draft.capture.taken:
            timelines[draft.get("device"), draft.get("variant")].append(draft)
    for timeline in timelines.values():
        _number(timeline, shown, session.rounds if session else None)
    return {draft.capture.path: draft.facts(session) for draft in drafts}


@dataclass(slots=True)
class _Draft:
    capture: Capture
    stated: Mapping[str, str]
    guesses: dict[str, str] = field(default_factory=dict)

    def get(self, name: str) -> str:
        return self.stated.get(name, self.guesses.get(name, ""))

    def guess(self, name: str, text: str) -> None:
        if text and name not in self.stated:
            self.guesses.setdefault(name, text)

    def facts(self, session: Session | None) -> Facts:
        values = {name: text for name, text in {**self.stated, **self.guesses}.items() if text}
        names = [*FACTS, *sorted(values.keys() - set(FACTS))]
        return Facts(
            {name: values[name] for name in names if name in values},
            frozenset(self.guesses),
            _fault(self.capture, self.stated.get("device", ""), session),
        )


def _stated(capture: Capture, session: Session | None, written: Written) -> dict[str, str]:
    by_path: Mapping[str, str] = {}
    if session and session.captures:
        by_path = match_pattern(session.captures, capture.path) or {}
    stated = {name: text for name, text in by_path.items() if name not in _RESERVED}
    return {**stated, **written.get(capture.path, {})}


# ---------------------------------------------------------------- device and variant


def _device(capture: Capture, session: Session | None) -> str:
    size = _turned(capture.width, capture.height)
    made_up = capture.camera or f"screen-{size[0]}x{size[1]}"
    if session is None or not session.device:
        return made_up
    screens = {
        name: _turned(*device.screen) for name, device in session.device.items() if device.screen
    }
    sized = {name for name, screen in screens.items() if screen == size}
    named = _named(capture.path, session.device)
    if named:
        fitting = {
            name
            for name in named
            if name in sized or (not sized and (name not in screens or _alike(screens[name], size)))
        }
        return _only(fitting)
    filmed = _named(capture.camera, session.device)
    return _only(sized) if sized else _only(filmed) or made_up


def _variant(capture: Capture, device: str, session: Session | None) -> str:
    known = session.device.get(device) if session else None
    return _only(_named(capture.path, known.variant)) if known else ""


def _named(text: str, names: Iterable[str]) -> set[str]:
    """Return the names that stand in ``text`` as whole words; of H1 and H1 Pro the longer one."""
    words = _words(text)
    found = {name: parts for name in names if _holds(words, parts := _words(name))}
    return {
        name
        for name, parts in found.items()
        if not any(len(other) > len(parts) and _holds(other, parts) for other in found.values())
    }


def _words(text: str) -> list[str]:
    return re.findall(r"[^\W_]+", text.casefold())


def _holds(words: list[str], parts: list[str]) -> bool:
    length = len(parts)
    return length > 0 and any(
        words[start : start + length] == parts for start in range(len(words) - length + 1)
    )


def _only(names: set[str]) -> str:
    return next(iter(names)) if len(names) == 1 else ""


def _turned(width: int, height: int) -> tuple[int, int]:
    return max(width, height), min(width, height)


def _alike(one: tuple[int, int], other: tuple[int, int]) -> bool:
    ratio = (one[0] * other[1]) / (one[1] * other[0])
    return max(ratio, 1 / ratio) <= 1 + _ASPECT


def _fault(capture: Capture, device: str, session: Session | None) -> str:
    known = session.device.get(device) if session else None
    if known is None or known.screen is None:
        return ""
    if _alike(_turned(*known.screen), _turned(capture.width, capture.height)):
        return ""
    return (
        f"the capture is said to be of {device}, whose captures are "
        f"{known.screen[0]} x {known.screen[1]} px by session.toml, but it has "
        f"{capture.width} x {capture.height} px, which is another shape"
    )


# ---------------------------------------------------------------- round and attempt


def _number(
    timeline: list[_Draft], shown: Mapping[str, frozenset[str]], planned: int | None
) -> None:
    """Guess round and attempt of the captures of one device and variant from their times."""
    attempts: dict[int, int] = {}
    first_attempt, last = 1, 0
    for sitting in _sittings(timeline):
        for place, one_round in enumerate(_rounds(sitting, shown)):
            told = _told(one_round, "round")
            if place == 0 and not told > last:  # not simply the next round after a long break
                first_attempt, last = 1 + max(attempts.values(), default=0), 0
            number = told or last + 1
            if planned and number > planned and not told:
                number = 1
            again = attempts.get(number, 0) + 1
            attempts[number] = _told(one_round, "attempt") or max(first_attempt, again)
            last = number
            for draft in one_round:
                draft.guess("round", str(number))
                draft.guess("attempt", str(attempts[number]))


def _rounds(sitting: list[_Draft], shown: Mapping[str, frozenset[str]]) -> list[list[_Draft]]:
    """Split a sitting into rounds; without any summary they begin where one is stated."""
    kinds = [_kind(shown.get(draft.capture.path, frozenset())) for draft in sitting]
    rounds: list[list[_Draft]] = []
    closed, summed_up = False, datetime.min
    for draft, kind in zip(sitting, kinds, strict=True):
        told = _told([draft], "round")
        if not kind or not (rounds or told or "summary" in kinds):
            continue
        begin, end = _span(draft.capture)
        opens = closed and (kind == "live" or begin - summed_up > _SCROLLING)
        if not rounds or opens or (told and _told(rounds[-1], "round") not in (0, told)):
            rounds.append([])
        rounds[-1].append(draft)
        closed = kind == "summary"
        summed_up = end if closed else summed_up
    return rounds


def _told(drafts: list[_Draft], name: str) -> int:
    """Return the number that is stated or named for one of the captures, else 0."""
    texts = (draft.get(name) for draft in drafts)
    return next((int(text) for text in texts if re.fullmatch("[0-9]{1,6}", text)), 0)


def _sittings(timeline: list[_Draft]) -> list[list[_Draft]]:
    sittings: list[list[_Draft]] = []
    until = datetime.min
    for draft in sorted(timeline, key=lambda each: (_span(each.capture)[0], each.capture.path)):
        begin, end = _span(draft.capture)
        if not sittings or begin - until > _SITTING:
            sittings.append([])
        sittings[-1].append(draft)
        until = max(until, end)
    return sittings


def _span(capture: Capture) -> tuple[datetime, datetime]:
    """When it was taken, by the clock on the device: zones are dropped, names have none."""
    begin = datetime.fromisoformat(capture.taken).replace(tzinfo=None)
    return begin, begin + timedelta(seconds=capture.duration_s or 0.0)


def _kind(statistics: frozenset[str]) -> str:
    if statistics & _BEYOND_THE_MEAN:
        return "summary"
    if "now" in statistics:
        return "live"
    # A battery test tells a mean too, from a start to an end of the level.
    return "summary" if "mean" in statistics and not statistics >= {"start", "end"} else ""


# ---------------------------------------------------------------- facts.csv


@dataclass(frozen=True, slots=True)
class _File:
    """facts.csv as it stands; ``rows`` holds the cells of each capture, ``guessed`` parsed."""

    facts: tuple[str, ...] = FACTS
    rows: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    guessed: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    delimiter: str = ","
    marked: bool = False

    def by_person(self, capture: str) -> dict[str, str]:
        """The cells that are a person's: not blank and no guess, or a guess that was cleared."""
        guessed = self.guessed.get(capture, {})
        return {
            name: text
            for name, text in self.rows.get(capture, {}).items()
            if text != guessed.get(name, "")
        }


def read_facts_csv(path: Path) -> Written:
    """Return what people wrote in a facts.csv, without ocrlog's own guesses; {} if there is none.

    Reads what spreadsheet programs save: ``,`` ``;`` or tab between cells, with or without a byte
    order mark. Raises FileFaultsError with all faults if it cannot be understood.
    """
    if not path.exists():
        return NOTHING_WRITTEN
    file = _load(path)
    return {capture: cells for capture in file.rows if (cells := file.by_person(capture))}


def write_facts_csv(path: Path, facts: Mapping[str, Facts]) -> tuple[str, ...]:
    """Bring facts.csv up to date, whole or not at all; return what the person should be told.

    Cells that a person wrote stay, also those written since ``read_facts_csv``. Columns that a
    person added stay; rows of captures that are gone stay, at the end. The file is left alone
    if nothing in it changes. Raises FileFaultsError if it cannot be understood any more.
    """
    file = _load(path) if path.exists() else _File()
    others = {name for each in facts.values() for name in each.values} - set(file.facts)
    names = (*file.facts, *sorted(others))
    rows: dict[str, dict[str, str]] = {}
    guessed: dict[str, dict[str, str]] = {}
    for capture, each in facts.items():
        by_person = file.by_person(capture)
        own = {name: text for name, text in each.values.items() if name not in by_person}
        rows[capture] = {name: by_person.get(name, own.get(name, "")) for name in names}
        cleared = [name for name, text in by_person.items() if not text]
        guessed[capture] = own | {name: file.guessed[capture][name] for name in cleared}
    for capture in file.rows:
        if capture not in facts:
            rows[capture] = {name: file.rows[capture].get(name, "") for name in names}
            guessed[capture] = dict(file.guessed[capture])
    same = (
        path.exists()
        and names == file.facts
        and list(rows) == list(file.rows)
        and rows == file.rows
        and guessed == file.guessed
    )
    if same:
        return ()
    table = [["capture", *names, "guessed"]]
    for capture in rows:
        cells = [guard_cell(rows[capture][name]) for name in names]
        table.append([guard_path(capture), *cells, guard_cell(_join(guessed[capture]))])
    return _write(path, table, file)


def write_answers(path: Path, answers: Written) -> tuple[str, ...]:
    """Write what a person answered into facts.csv as theirs; return what they should be told.

    Captures that the file does not name are left out. Whole or not at all; raises FileFaultsError
    if the file cannot be understood.
    """
    file = _load(path)
    table = [["capture", *file.facts, "guessed"]]
    for capture, row in file.rows.items():
        told = answers.get(capture, {})
        cells = [guard_cell(told.get(name, row.get(name, ""))) for name in file.facts]
        guessed = {name: text for name, text in file.guessed[capture].items() if name not in told}
        table.append([guard_path(capture), *cells, guard_cell(_join(guessed))])
    return _write(path, table, file)


def _write(path: Path, table: list[list[str]], file: _File) -> tuple[str, ...]:
    buffer = io.StringIO(newline="")
    csv.writer(buffer, delimiter=file.delimiter, lineterminator="\r\n").writerows(table)
    text = buffer.getvalue()
    # Spreadsheet programs take a file without the mark for one in the code page of old.
    encoding = "utf-8" if text.isascii() and not file.marked else "utf-8-sig"
    half = path.with_name(f".{path.name}.part")
    try:
        with half.open("wb") as out:
            out.write(text.encode(encoding, "backslashreplace"))
            out.flush()
            os.fsync(out.fileno())
        half.replace(path)
    except OSError as error:
        half.unlink(missing_ok=True)
        return (f"{path}: could not be brought up to date ({error}); close it elsewhere",)
    return ()


def _load(path: Path) -> _File:
    try:
        data = path.read_bytes()
    except OSError as error:
        raise FileFaultsError(
            [Fault(str(path), "the file", "", f"to be readable: {error}")]
        ) from error
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        fault = Fault(f"{path}:{line}", "the text", "not UTF-8", "the file saved as CSV UTF-8")
        raise FileFaultsError([fault]) from error
    return _parse(path, text, marked=data.startswith(codecs.BOM_UTF8))


def _parse(path: Path, text: str, *, marked: bool) -> _File:
    if not text.strip():
        return _File()
    delimiter = _delimiter(text)
    faults: list[Fault] = []

    def fault(line: int, key: str, met: str, expected: str) -> None:
        faults.append(Fault(f"{path}:{line}", key, met, expected))

    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    numbered = _numbered(reader, fault)
    _, header = next(numbered, (1, []))
    header = [cell.strip() for cell in header]
    if not faults:
        _check_header(header, fault)
    rows, guessed = _rows(numbered, header, fault) if not faults else ({}, {})
    if faults:
        raise FileFaultsError(faults)
    names = tuple(name for name in header if name not in ("capture", "guessed", ""))
    added = tuple(name for name in names if name not in FACTS)
    return _File((*FACTS, *added), rows, guessed, delimiter, marked)


_AddFault = Callable[[int, str, str, str], None]


def _check_header(header: list[str], fault: _AddFault) -> None:
    if "capture" not in header:
        fault(1, "the header", "", "a column `capture` (, ; or tab between the columns)")
        return
    for name in sorted(set(header) - {"capture", "guessed", ""}):
        if header.count(name) > 1:
            fault(1, f"column {name}", "there twice", "each name once")
        if not _NAME.fullmatch(name):
            fault(1, f"column {name}", "", "a name of a to z, 0 to 9 and _, a letter first")
        elif name in _RESERVED:
            fault(1, f"column {name}", "", "another name: readings.csv has a column of this one")
    for name in ("capture", "guessed"):
        if header.count(name) > 1:
            fault(1, f"column {name}", "there twice", "each name once")


def _numbered(reader: Any, fault: _AddFault) -> Iterator[tuple[int, list[str]]]:
    """Give each row with the line it begins on, where a quote that is never closed is mended."""
    begin = 1
    try:
        for cells in reader:
            yield begin, cells
            begin = reader.line_num + 1
    except csv.Error as error:
        fault(begin, "the row", "", f"cells as RFC 4180 writes them, quotes in pairs ({error})")


def _rows(
    numbered: Iterator[tuple[int, list[str]]], header: list[str], fault: _AddFault
) -> tuple[dict[str, dict[str, str]], dict[str, dict[str, str]]]:
    rows: dict[str, dict[str, str]] = {}
    guessed: dict[str, dict[str, str]] = {}
    for begin, cells in numbered:
        if not any(cell.strip() for cell in cells):
            continue
        if any(cell.strip() for cell in cells[len(header) :]):
            fault(begin, "the row", f"{len(cells)} cells long", f"{len(header)}, as the header")
            continue
        named = dict(zip(header, (*cells, *[""] * (len(header) - len(cells))), strict=False))
        if named.get("", "").strip():
            fault(begin, "the row", "a cell in a column without a name", "a name in the header")
            continue
        capture = unguard_path(named.pop("capture"))
        record = _split(unguard_cell(named.pop("guessed", "").strip()))
        values = {name: unguard_cell(text.strip()) for name, text in named.items() if name}
        row = {**dict.fromkeys(FACTS, ""), **values}
        if not capture:
            fault(begin, "capture", "blank", "the capture's path below the folder")
        elif rows.get(capture, row) != row:
            fault(begin, "capture", capture, "each capture once; it stands above with other facts")
        else:
            rows[capture], guessed[capture] = row, record
    return rows, guessed


def _delimiter(text: str) -> str:
    first = text.splitlines()[0]
    for delimiter in ",;\t":
        if "capture" in (cell.strip().strip('"') for cell in first.split(delimiter)):
            return delimiter
    return ","


def _join(guessed: Mapping[str, str]) -> str:
    return ";".join(f"{name}={_escape(text)}" for name, text in guessed.items())


def _split(cell: str) -> dict[str, str]:
    pairs = (part.partition("=") for part in cell.split(";") if "=" in part)
    return {name.strip(): unquote(text) for name, _, text in pairs}


def _escape(text: str) -> str:
    return "".join(quote(sign, safe="") if sign in "%;" else sign for sign in text)
