"""Captures of a layout that nobody has described yet -> a proposed calibration.

Pure: pictures and a reader in, a calibration with what must be asked out. A guess that could turn
a figure wrong is never made: what the words around a figure do not tell stays ``other``, a mark
that figures leave open stays unstated, and both are asked.
"""

from __future__ import annotations

import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from extractor.calibration.model import Calibration, Marks
from extractor.proposing.arranging import Cell, arrange
from extractor.proposing.boxes import (
    Align,
    alignment,
    readout_box,
    shared_extents,
    snapped,
    type_heights,
)
from extractor.proposing.charts import Chart, find_axes, find_charts
from extractor.proposing.landmarks import bar_at_top, edges, picture, stands_bare, with_room
from extractor.proposing.lexicon import plain, vocabulary
from extractor.proposing.marks import Question, infer_marks
from extractor.proposing.naming import Named, name_cells, name_trace, names
from extractor.proposing.pieces import COLUMN, Label, Pieces, find_pieces, finding_scale, same_row
from extractor.proposing.relations import Fit, check_relation, fit_relations
from extractor.proposing.strokes import Image, tight
from extractor.proposing.trying import PlaceReader, Shown, Trial, Trials, open_capture
from extractor.records import Box
from extractor.values import DASHES

__all__ = [
    "Fit",
    "PlaceReader",
    "Proposal",
    "Question",
    "Shown",
    "Trial",
    "Trials",
    "check_relation",
    "fit_relations",
    "infer_marks",
    "open_capture",
    "picture",
    "propose",
    "vocabulary",
]

_MOST_LANDMARKS = 24
_FEW = 3
_MISSING = "--"
_UNITS = "units"
"""The part that a column of units makes where it keeps to the far edge."""
_NEAR_EDGE = 0.12
"""Share of a capture's width from its edge within which a list that fills it begins and ends."""
_LEAST_LETTER = 8
"""Height of letters, px, from which the reader finds text."""


@dataclass(frozen=True, slots=True)
class Proposal:
    """What is proposed. ``calibration`` is None where nothing could be; ``notes`` say why.

    ``relations`` are all that were thought of, those that fit are in the calibration. ``labels``
    gives the words beside each readout, '' where none were read.
    """

    calibration: Calibration | None
    questions: tuple[Question, ...] = ()
    relations: tuple[Fit, ...] = ()
    notes: tuple[str, ...] = ()
    labels: dict[str, str] = field(default_factory=dict)


def propose(shown: Sequence[Shown], reader: PlaceReader, trials: Trials | None = None) -> Proposal:
    """Propose a calibration, drawn on the first of ``shown``.

    The others, of any device, show the same layout: marks, decimals, the mark for no value and
    relations are taken from all of them.
    """
    first = shown[0]
    image = first.image
    pieces = find_pieces(image, reader)
    across, up = find_axes(pieces.figures)
    charts = find_charts(image, across, up)
    of_axes = {id(label) for axis in (*across, *up) for label in axis.labels}
    figures = [each for each in pieces.figures if id(each) not in of_axes]
    if not figures:
        return Proposal(None, notes=(_nothing(pieces), *_too_large(image)))
    named = name_cells(snapped(image, arrange(pieces, figures)))
    draft = _draft(image, pieces, named, charts)
    if not draft.landmarks:
        return Proposal(None, notes=(
            "Figures were found, but no words beside them by which the layout could be found "
            "again. Draw a box around something that looks the same on every capture.",
        ))  # fmt: skip
    calibration = Calibration.model_validate(draft.entries(image))
    trials = trials or Trials(reader)
    return _settled(calibration, draft, trials.run(calibration, shown), shown)


def _nothing(pieces: Pieces) -> str:
    if pieces.labels or pieces.lines:
        return (
            "Text was found, but no figure that could be read. Draw a box around each figure; "
            "or take a capture with larger or sharper letters."
        )
    return (
        "No text was found on this capture. Is the overlay on it? If it is, draw a box around "
        "each figure, and one around something that looks the same on every capture."
    )


def _too_large(image: Image) -> tuple[str, ...]:
    """What to do where small letters were not looked for."""
    scale = finding_scale(image)
    if scale == 1.0:
        return ()
    return (
        f"The capture is very large: letters lower than {_LEAST_LETTER / scale:.0f} px were not "
        "looked for. If the overlay's are, cut the capture to the overlay.",
    )


# ---------------------------------------------------------------- the draft


@dataclass
class _Draft:
    """The parts of a calibration before its marks are known."""

    named: list[Named]
    names: list[str]
    readouts: list[dict[str, Any]]
    landmarks: list[dict[str, Any]]
    lines: list[dict[str, Any]]
    traces: list[dict[str, Any]]
    bar: float
    asked: list[Question]

    def entries(self, image: Image) -> dict[str, Any]:
        pictures = sum(mark["sort"] == "picture" for mark in self.landmarks)
        return {
            "format": 1,
            "id": secrets.token_hex(6),
            "name": "new_layout",
            "shows": "A layout of a monitoring overlay",
            "drawn_on": (image.shape[1], image.shape[0]),
            "locating": {
                "needs": min(3 if pictures > 1 else 2, len(self.landmarks)),
                "bars": (self.bar, 0.0),
            },
            "landmark": self.landmarks,
            "readout": self.readouts,
            "line": self.lines,
            "trace": self.traces,
        }  # fmt: skip


def _draft(image: Image, pieces: Pieces, named: list[Named], charts: Sequence[Chart]) -> _Draft:
    cells = [each.cell for each in named]
    called = names(named)
    flowing = _flowing(cells)
    heights = type_heights(image, cells)
    readouts = []
    boxed: list[tuple[dict[str, Any], Cell, Align, Box, Box]] = []
    parts: dict[int, str] = {}
    spread = _spread(image, cells)
    for each in named:
        if each.cell.head is not None:
            key = id(each.cell.head)
            parts.setdefault(key, _slug(each.cell.head.text, f"column_{len(parts) + 1}", parts))
    for number, (each, name, height) in enumerate(zip(named, called, heights, strict=True)):
        cell = each.cell
        entry: dict[str, Any] = {"name": name, **each.entry}
        if any(each.cell.figure.text == _MISSING for each in named) and entry["kind"] != "word":
            entry["missing"] = _MISSING
        if entry["kind"] in ("number", "percentage") and cell.figure.text.strip(DASHES):
            entry["decimals"] = _decimals(cell.figure.text)
        if number in flowing:
            if cell.figure.unit:
                entry["drawn_unit"] = cell.figure.unit
            readouts.append(entry)
            continue
        align = alignment(cell, cells)
        box, reach, with_unit = readout_box(
            image, cell, entry["unit"], align, height, _obstacles(pieces, cell)
        )
        boxed.append((entry, cell, align, box, reach))
        if with_unit:
            entry["drawn_unit"] = cell.figure.unit
        if cell.head is not None:
            entry["x_part"] = parts[id(cell.head)]
        elif number in spread:
            entry["x_part"] = _UNITS
        readouts.append(entry)
    boxes = shared_extents(
        [each[1] for each in boxed],
        [each[2] for each in boxed],
        [each[3] for each in boxed],
        [each[4] for each in boxed],
    )
    for (entry, *_), box in zip(boxed, boxes, strict=True):
        entry["box"] = _rounded(box)
    lines = _lines(image, cells, called, flowing, heights, pieces)
    areas = [*boxes, *(Box(*line["box"]) for line in lines)]
    landmarks = _landmarks(image, named, called, flowing, parts, areas, pieces.ink)
    landmarks += _units(image, {called[number]: cells[number] for number in spread}, pieces.ink)
    known = [*areas, *(Box(*mark["box"]) for mark in landmarks if mark["sort"] == "picture")]
    traces, asked = _traces(charts, pieces)
    # a page is taller than wide: what lies on a scene is not scrolled
    bar = bar_at_top(image, known) if known and image.shape[0] > image.shape[1] else 0.0
    return _Draft(named, called, readouts, landmarks, lines, traces, bar, asked)


def _spread(image: Image, cells: Sequence[Cell]) -> list[int]:
    """Numbers of the cells of a list as wide as the capture: labels left, figures at the far edge.

    On a screen of another width such figures keep to its edge, and their units with them: these
    are landmarks of the column then, as the word that heads one is where there is one.
    """
    wide = image.shape[1]
    found = [
        number
        for number, cell in enumerate(cells)
        if cell.side == "left" and cell.label and cell.head is None and cell.figure.unit
        and cell.label.box.x < _NEAR_EDGE * wide and cell.figure.end > (1 - _NEAR_EDGE) * wide
        and alignment(cell, cells) == "right"
    ]  # fmt: skip
    return found if len(found) >= COLUMN else []


def _units(image: Image, cells: Mapping[str, Cell], ink: Sequence[Box]) -> list[dict[str, Any]]:
    """The landmarks that the units of some readouts are."""
    found = []
    for name, cell in cells.items():
        figure, height = cell.figure, cell.figure.box.h
        area = Box(figure.unit_at - 0.1 * height, figure.box.y - 0.2 * height,
                   figure.end - figure.unit_at + 0.2 * height, 1.6 * height)  # fmt: skip
        entry = picture(image, with_room(tight(image, area), ink), f"unit_{name}", _UNITS)
        found += [entry] if entry else []
    return found


def _decimals(text: str) -> int | None:
    """Digits behind the last mark, of one or two; three may be thousands until marks are known."""
    for mark in ".,":
        _, found, behind = text.rpartition(mark)
        if found and behind.isdigit():
            return None if len(behind) == 3 else len(behind)
    return 0


def _rounded(box: Box) -> tuple[float, float, float, float]:
    return (round(box.x, 1), round(box.y, 1), round(box.w - 0.05, 1), round(box.h - 0.05, 1))


def _slug(text: str, otherwise: str, taken: dict[int, str]) -> str:
    letters = "".join(char if char.isascii() and char.isalnum() else "_" for char in plain(text))
    slug = "_".join(part for part in letters.split("_") if part)[:40]
    if not slug or not slug[0].isalpha() or slug in ("main", _UNITS):
        slug = otherwise
    while slug in taken.values():
        slug += "_"
    return slug


def _obstacles(pieces: Pieces, cell: Cell) -> list[Box]:
    """The ink of everything but this cell's own figure and unit."""
    own = cell.figure
    rest = [each.box for each in pieces.figures if each is not own]
    rest += [
        label.box
        for label in pieces.labels
        if label.box.overlap(own.box) < 0.3 * min(
            label.box.w * label.box.h, own.box.w * own.box.h
        )
    ]  # fmt: skip
    return rest


# ---------------------------------------------------------------- flowing lines


def _flowing(cells: Sequence[Cell]) -> dict[int, int]:
    """Cells of flowing lines: number of the cell -> number of the line.

    Where two or more figures of one row stand right behind their words, the words move with them.
    """
    found: dict[int, int] = {}
    rows: list[list[int]] = []
    for number, cell in enumerate(cells):
        if cell.side != "inline":
            continue
        for row in rows:
            if same_row(cells[row[0]].figure.box, cell.figure.box):
                row.append(number)
                break
        else:
            rows.append([number])
    for at, row in enumerate(row for row in rows if len(row) > 1):
        found |= dict.fromkeys(row, at)
    return found


def _lines(
    image: Image,
    cells: Sequence[Cell],
    called: Sequence[str],
    flowing: dict[int, int],
    heights: Sequence[float],
    pieces: Pieces,
) -> list[dict[str, Any]]:
    lines = []
    for at in dict.fromkeys(flowing.values()):
        row = sorted(
            (n for n, line in flowing.items() if line == at), key=lambda n: cells[n].figure.box.x
        )
        pattern = "  ".join(
            f"{_literal(cells[n].figure.before)} {{{called[n]}}} {_literal(cells[n].figure.unit)}"
            .strip()
            for n in row
        )  # fmt: skip
        height = sorted(heights[n] for n in row)[len(row) // 2]
        digits = [cells[n].figure.box for n in row]
        middles = sorted(box.y + box.h / 2 for box in digits)
        middle = middles[len(row) // 2]
        first = cells[row[0]]
        start = first.label.box.x if first.label else digits[0].x
        end = max(cells[n].figure.end for n in row)
        beyond = [box.x for box in pieces.ink if same_row(box, digits[-1]) and box.x > end]
        # every figure may come to have two digits more
        room = end + 1.2 * height * len(row)
        right = min([room, float(image.shape[1]), *(x - 0.3 * height for x in beyond)])
        left = max(0.0, start - 0.15 * height)
        area = Box(left, middle - height / 2, right - left, height)
        lines.append({"name": "line" if at == 0 else f"line_{at + 1}", "pattern": pattern,
                      "box": _rounded(area)})  # fmt: skip
    return lines


def _literal(text: str) -> str:
    return text.replace("{", "{{").replace("}", "}}")


# ---------------------------------------------------------------- landmarks and traces


def _landmarks(
    image: Image,
    named: Sequence[Named],
    called: Sequence[str],
    flowing: dict[int, int],
    parts: dict[int, str],
    areas: Sequence[Box],
    ink: Sequence[Box],
) -> list[dict[str, Any]]:
    labels: dict[int, tuple[Label, str, str]] = {}
    for number, (each, name) in enumerate(zip(named, called, strict=True)):
        cell = each.cell
        first_of_line = number not in flowing or not any(
            flowing.get(other) == flowing[number]
            and named[other].cell.figure.box.x < cell.figure.box.x
            for other in range(len(named))
        )
        if cell.label is not None and first_of_line:
            labels.setdefault(id(cell.label), (cell.label, f"label_{name}", "main"))
        if cell.head is not None:
            part = parts[id(cell.head)]
            labels.setdefault(id(cell.head), (cell.head, f"head_{part}", part))
    for each in named:
        section = each.cell.section
        if section and not any(char.isdigit() for char in section.text):
            name = _slug(section.text, "heading", {})
            taken = {entry[1] for entry in labels.values()}
            if f"heading_{name}" not in taken:
                labels.setdefault(id(section), (section, f"heading_{name}", "main"))
    drawn = [label.box for label, *_ in labels.values()]
    bare = stands_bare(image, [*drawn, *(each.cell.figure.box for each in named)])
    found = []
    for label, name, part in list(labels.values())[:_MOST_LANDMARKS]:
        others = [box for box in ink if box != label.box]
        entry = picture(image, with_room(label.box, others), name, part, bare=bare)
        if entry:
            found.append(entry)
    if found and len(found) < _FEW:
        found += edges(image, [*areas, *(Box(*mark["box"]) for mark in found)])
    return found


def _traces(charts: Sequence[Chart], pieces: Pieces) -> tuple[list[dict[str, Any]], list[Question]]:
    """An entry for every line of a chart, and what must be asked of it."""
    found: list[dict[str, Any]] = []
    asked: list[Question] = []
    for chart in charts:
        entry, counts = name_trace(_words_at(chart, pieces))
        for colour in chart.colours:
            name = f"trace_{len(found) + 1}"
            lone = len(chart.colours) == 1
            what = entry if lone else {"quantity": "other", "unit": ""}
            found.append(
                {
                    "name": name,
                    **what,
                    "plot": _rounded(chart.plot),
                    "colour": colour,
                    "t_labels": _around(chart.across.box),
                    "value_labels": _around(chart.up.box),
                }
                | ({"t_unit": counts} if counts else {})
            )
            if what["quantity"] == "other":
                asked.append(Question(f"trace:{name}:what", "What does this line of a chart show?"))
            if not counts:
                last = chart.across.labels[-1].text
                choices = tuple(
                    (unit, f"{last} {word}")
                    for unit, word in (("s", "seconds"), ("min", "minutes"), ("h", "hours"))
                )
                ask = f"The time axis of this chart ends at {last}. What does it count?"
                asked.append(Question(f"trace:{name}:t_unit", ask, choices))
    return found, asked


def _words_at(chart: Chart, pieces: Pieces) -> list[str]:
    """What is written above a plot, and beside and below its axes; the nearest first."""
    plot, height = chart.plot, chart.up.labels[0].box.h
    below = chart.across.box.bottom
    near = [
        (abs(label.box.y - plot.y), label.text)
        for label in pieces.labels
        if label.sure
        and label.box.x < plot.right
        and label.box.right > chart.up.box.x - 2 * height
        and plot.y - 6 * height < label.box.y < below + 3 * height
    ]
    return [text for _, text in sorted(near)]


def _around(box: Box) -> tuple[float, float, float, float]:
    room = 0.4 * min(box.w, box.h, 30)
    x, y = max(0.0, box.x - room), max(0.0, box.y - room)
    return _rounded(Box(x, y, box.right + room - x, box.bottom + room - y))


# ---------------------------------------------------------------- what all captures tell


def _settled(
    calibration: Calibration, draft: _Draft, trials: Sequence[Trial], shown: Sequence[Shown]
) -> Proposal:
    """Marks, decimals, the mark for no value and relations, from everything that was read."""
    read = [dict(trial.readings) for trial in trials]
    texts = {
        readout.name: [
            each[readout.name].text for each in read
            if readout.name in each and each[readout.name].text
        ] or [named.cell.figure.text]
        for readout, named in zip(calibration.readout, draft.named, strict=True)
    }  # fmt: skip
    missing = _MISSING if any(
        text and not text.strip(DASHES) for each in texts.values() for text in each
    ) else None  # fmt: skip
    numbers, durations = [], []
    for readout in calibration.readout:
        fit = [t for t in texts[readout.name] if t and t.strip(DASHES)]
        if readout.kind in ("number", "percentage"):
            numbers += fit
        elif readout.kind == "duration":
            durations += fit
    marks, questions = infer_marks(numbers, durations, (each.duration for each in draft.named))
    readouts = []
    for readout in calibration.readout:
        update: dict[str, Any] = {"missing": missing if readout.kind != "word" else None}
        if readout.kind in ("number", "percentage"):
            update["decimals"] = _same_decimals(texts[readout.name], marks)
        readouts.append(readout.model_copy(update=update))
    calibration = calibration.model_copy(update={"marks": marks, "readout": tuple(readouts)})
    fits = fit_relations(calibration, read)
    kept = [{"that": fit.that, "within": fit.within} for fit in fits if fit.proposed]
    calibration = Calibration.model_validate(calibration.model_dump() | {"relation": kept})
    asked = [
        Question(name, each.question)
        for name, each in zip(draft.names, draft.named, strict=True)
        if each.question
    ]
    notes = [
        f"The layout was not found on {each.capture.path}: another layout, or one that changed."
        for each, trial in zip(shown, trials, strict=True)
        if trial.found is None
    ]
    twice = _twice(calibration)
    if twice:
        notes.append(
            f"{' and '.join(twice)} {'is' if len(twice) == 1 else 'are'} shown twice. Do two "
            "overlays lie on this capture? Then remove the figures of one of them, and make "
            "another calibration for it; or take a capture that shows one alone."
        )
    labels = {
        name: each.cell.label.text if each.cell.label and each.cell.label.sure else ""
        for name, each in zip(draft.names, draft.named, strict=True)
    }
    every = (*questions, *asked, *draft.asked)
    return Proposal(calibration, every, tuple(fits), tuple(notes), labels)


def _twice(calibration: Calibration) -> list[str]:
    """The names of readouts that another one measures too."""
    seen: dict[tuple[str, str, str | None], str] = {}
    found: dict[str, None] = {}
    for readout in calibration.readout:
        meaning = (readout.quantity, readout.statistic, readout.sensor)
        first = seen.setdefault(meaning, readout.name)
        if first != readout.name and readout.quantity != "other":
            found[first] = None
    return list(found)


def _same_decimals(texts: Sequence[str], marks: Marks) -> int | None:
    """How many decimals all texts have; None where they differ or the mark is not known."""
    found = set()
    for text in texts:
        if not text.strip(DASHES):
            continue
        if marks.decimal is None and any(mark in text for mark in ".,"):
            return None
        _, mark, behind = text.partition(marks.decimal or ".")
        found.add(len(behind) if mark else 0)
    return found.pop() if len(found) == 1 else None
