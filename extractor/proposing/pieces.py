"""Text found on a capture -> figures and labels, each with a box close around its ink."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from extractor.proposing.lexicon import drawn_unit, meaning, unit_of
from extractor.proposing.strokes import FLAT, Image, ground, ink, inked_rows, tight, whole
from extractor.reading.interface import CharAt, LineRead, WordAt
from extractor.records import Box, Kind
from extractor.values import DASHES

_DIGITS = "0123456789"
_NUMBER = rf"[+{re.escape(DASHES)}]?[0-9](?:[0-9.,'’]*[0-9])?(?:[  ][0-9]{{3}}(?![0-9]))*"
_FIGURE = re.compile(
    r"(?P<size>[0-9]{3,5}\s?[x×X✕*]\s?[0-9]{3,5})"
    r"|(?P<duration>[0-9]{1,3}:[0-9]{2}(?::[0-9]{2})?"
    r"|[0-9]+\s?h(?:\s?[0-9]+\s?m(?:in)?)?(?=\s|$))"
    rf"|(?P<number>{_NUMBER})"
    rf"|(?P<missing>(?<=[^\W\d_] )[{re.escape(DASHES)}]{{2,}}(?=\s))"
)
_ALONE = re.compile(rf"\s*(?:{_FIGURE.pattern})\s*(?P<unit>\D{{0,7}})")
_TELLS = re.compile(rf"(?P<label>\D*[^\W\d_]\D*?)\s*(?:{_FIGURE.pattern})\s*(?P<unit>\D{{0,7}})")
_UNIT = re.compile(r"\s*(?P<unit>[^\s\d]{1,7}(?:\d|²)?)")
_SPACED_UNIT = re.compile(r"\s*(?P<unit>(?:mA|W)\s?[.·•]\s?h)")
_DEGREES = ("°", "º", "o")
"""How the sign is read where the finder parted it from its letter."""
_MOST_PX = 6_000_000
"""Pixels on which text is found, a second each million; what is larger is looked at smaller."""
_SURE_DIGITS = 0.6
_LIKELY_FIGURE = 0.7
_SURE_LABEL = 0.86
"""Least probability of a word, as the geometric mean a character: one doubtful letter may be."""
_SPACE = 0.75
"""Widest gap between words of one text, in heights of the lower one."""
_CUT = 0.12
"""Heights of ink that the boxes of one text share which the finder cut in two; else they share no
more than their margins."""
_IN_A_ROW = 3
"""Texts of words, figure and unit in one row that make it a line of figures."""
_FAR = 15.0
"""Greatest distance of a label to the left of its figure, heights of the figure's type."""
COLUMN = 3
"""Figures under one another that make a column."""
_LETTERS = 0.72
"""Height of digits in heights of the type (common practice)."""


class TextReader(Protocol):
    """What proposing asks of a reader."""

    def find_words(self, image: Image, *, scale: float = 1.0) -> Sequence[WordAt]:
        """Find all words of a capture, looking at ``scale`` of its size; boxes are px of it."""

    def read_line(self, crop: Image) -> LineRead:
        """Read one line of text."""


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure: ``box`` close around its digits, ``text`` as read.

    ``unit`` is drawn behind it ('' if none is), from ``unit_at`` to ``end`` px. ``before`` is the
    text that stands right before it on its line; ``inline``: there is some.
    """

    text: str
    kind: Kind
    box: Box
    unit: str
    unit_at: float
    end: float
    before: str
    inline: bool

    @property
    def type_height(self) -> float:
        """Height of the type it is set in, px: that of a readout's box."""
        return self.box.h / _LETTERS


@dataclass(frozen=True, slots=True)
class Label:
    """Text that is no figure. ``sure`` says that it could be read."""

    text: str
    box: Box
    sure: bool


@dataclass(frozen=True, slots=True)
class Line:
    """Text whose words stand a space apart."""

    words: tuple[WordAt, ...]
    box: Box

    @property
    def text(self) -> str:
        """All words with spaces."""
        return " ".join(word.text.strip() for word in self.words)


@dataclass(frozen=True, slots=True)
class Pieces:
    """All text of a capture, told apart."""

    figures: tuple[Figure, ...]
    labels: tuple[Label, ...]
    lines: tuple[Line, ...]

    @property
    def ink(self) -> list[Box]:
        """The boxes of all figures and labels."""
        return [*(each.box for each in self.figures), *(each.box for each in self.labels)]


def find_pieces(image: Image, reader: TextReader) -> Pieces:
    """Find the text of a capture and tell figures from labels.

    On a capture of more than six million px letters must be larger to be found; they are read, and
    their ink is measured, at full size.
    """
    words = reader.find_words(image, scale=finding_scale(image))
    words = [word for word in words if word.text.strip()]
    lines = _lines(_mended(image, words, reader))
    figures: list[Figure] = []
    labels: list[Label] = []
    for line in lines:
        found, rest = _part(image, line, lines, reader)
        figures += found
        labels += rest
    boxes = [figure.box for figure in figures]
    apart = [
        Label(word.text.strip(), tight(image, word.box), _is_sure(word))
        for line in lines
        if _heads_columns(line, boxes)
        for word in line.words
    ]
    kept = [label for label in labels if not any(label.box.overlap(one.box) for one in apart)]
    pieces = Pieces((*figures, *_missing(image, figures, kept)), (*kept, *apart), tuple(lines))
    return replace(pieces, labels=(*pieces.labels, *_unread(image, pieces)))


def finding_scale(image: Image) -> float:
    """The share of its size at which text is found on a capture."""
    return min(1.0, float(np.sqrt(_MOST_PX / (image.shape[0] * image.shape[1]))))


def _unread(image: Image, pieces: Pieces) -> list[Label]:
    """What stands to the left of figures on an even ground where the reader found no text at all.

    Labels may be in a script that it does not know.
    """
    found: list[Label] = []
    for figure in pieces.figures:
        height = figure.type_height
        beside = [box.right for box in pieces.ink
                  if same_row(box, figure.box) and box.right < figure.box.x]  # fmt: skip
        start = max([0.0, figure.box.x - _FAR * height, *beside])
        end = figure.box.x - 0.15 * height
        area = Box(start, figure.box.y - 0.2 * height, end - start, 1.2 * height)
        under = ground(image, Box(end - 0.5 * height, area.y, 0.5 * height, area.h))
        if figure.inline or not under.flat or area.w < 2 * height:
            continue
        x0, y0, x1, y1 = whole(image, area)
        far = np.abs(image[y0:y1, x0:x1].astype(np.float32) - np.array(under.colour, np.float32))
        columns = np.flatnonzero((far.max(axis=2) > 3 * FLAT).any(axis=0))
        # the nearest text: up to the first gap that is wider than one between words
        runs = np.split(columns, np.flatnonzero(np.diff(columns) > 0.6 * height) + 1)
        if not columns.size or runs[-1][0] == 0 or len(runs[-1]) < 0.3 * height:
            continue
        left, right = float(runs[-1][0]), float(runs[-1][-1] + 1)
        box = tight(image, Box(x0 + left - 2, float(y0), right - left + 4, float(y1 - y0)))
        if 0.3 * height < box.h < 1.1 * height:
            found.append(Label("", box, False))
    return found


def _heads_columns(line: Line, figures: Sequence[Box]) -> bool:
    """Whether the words of a line are no one text: each stands over a column of its own."""
    if len(line.words) < 2 or any(char in _DIGITS for char in line.text):
        return False
    columns = [in_column(word.box, figures) for word in line.words]
    tops = [min((box.y for box in column), default=0.0) for column in columns]
    return (
        all(len(column) >= COLUMN and top > line.box.bottom
            for column, top in zip(columns, tops, strict=True))
        and not any(one is other for first, second in pairwise(columns)
                    for one in first for other in second)
        and not any(same_row(line.box, box) for box in figures)
    )  # fmt: skip


def in_column(head: Box, figures: Sequence[Box]) -> list[Box]:
    """The figures that share a left or right edge, or the middle, with what may head them."""
    return [
        box
        for box in figures
        if min(abs(head.right - box.right), abs(head.x - box.x),
               abs(head.x + head.w / 2 - box.x - box.w / 2)) < 0.6 * box.h
    ]  # fmt: skip


def same_row(one: Box, other: Box) -> bool:
    """Whether two boxes stand on one line of text."""
    shared = min(one.bottom, other.bottom) - max(one.y, other.y)
    return shared > 0.5 * min(one.h, other.h)


def _mended(image: Image, words: Sequence[WordAt], reader: TextReader) -> list[WordAt]:
    """Read texts again as one whose boxes share ink: the finder cut them amid a word or figure."""
    groups: list[list[WordAt]] = []
    for word in sorted(words, key=lambda each: each.box.x):
        for group in groups:
            last = _around([each.box for each in group])
            low = min(last.h, word.box.h)
            shared = Box(word.box.x, last.y, last.right - word.box.x, last.h)
            if (
                same_row(last, word.box)
                and shared.w > _CUT * low
                and ink(image, shared).any(axis=0).sum() > _CUT * low
            ):
                group.append(word)
                break
        else:
            groups.append([word])
    found = []
    for group in groups:
        if len(group) == 1:
            found += group
            continue
        box = _around([word.box for word in group])
        x0, y0, x1, y1 = whole(image, box)
        read = reader.read_line(np.ascontiguousarray(image[y0:y1, x0:x1]))
        likely = float(np.prod([char.probability for char in read.chars]))
        apart = float(np.prod([word.probability for word in group]))
        found += [WordAt(read.text, box, likely)] if read.text and likely > apart else group
    return found


def _missing(image: Image, figures: Sequence[Figure], labels: Sequence[Label]) -> list[Figure]:
    """The marks for no value in lines of figures: dashes right behind words."""
    found = []
    ink_of = [*(each.box for each in figures), *(each.box for each in labels)]
    for label in labels:
        row = [each for each in figures if each.inline and same_row(each.box, label.box)]
        if len(row) < 2 or not label.sure or any(each.before == label.text for each in row):
            continue
        height = float(np.median([each.box.h for each in row]))
        middle = float(np.median([each.box.y + each.box.h / 2 for each in row]))
        start = label.box.right + 0.15 * height
        behind = [box.x for box in ink_of if same_row(box, label.box) and box.x > start]
        end = min([start + 3 * height, float(image.shape[1]), *(x - 0.5 * height for x in behind)])
        area = Box(start, middle - 0.75 * height, end - start, 1.5 * height)
        if area.w < 0.5 * height:
            continue
        dashes = tight(image, area)
        low = dashes.h < 0.35 * height and abs(dashes.y + dashes.h / 2 - middle) < 0.35 * height
        if low and 0.25 * height < dashes.w < 2 * height and dashes.x - start < height:
            box = Box(dashes.x, middle - height / 2, dashes.w, height)
            found.append(Figure("--", "number", box, "", box.right, box.right, label.text, True))
    return found


def _tells(text: str) -> bool:
    """Whether a text is words, a figure and its unit: one place of a line of figures."""
    match = _TELLS.fullmatch(text.strip())
    if match is None:
        return False
    unit = match["unit"].strip()
    return bool(unit_of(unit) if unit else meaning(match["label"]).quantity)


def _lines(words: Sequence[WordAt]) -> list[Line]:
    """Join words that stand a space apart on one line."""
    telling = [word.box for word in words if _tells(word.text)]
    groups: list[list[WordAt]] = []
    for word in sorted(words, key=lambda each: each.box.x):
        for group in groups:
            last = group[-1].box
            low = min(last.h, word.box.h)
            gap = word.box.x - last.right
            alike = max(last.h, word.box.h) < 2.2 * low
            joined = alike and same_row(last, word.box) and -0.6 * low < gap < _SPACE * low
            apart = _tells(" ".join(each.text for each in group)) and (
                _tells(word.text) or sum(same_row(box, word.box) for box in telling) >= _IN_A_ROW
            )
            if joined and not apart and not (_is_figure(word.text) and _has_digits(group)):
                group.append(word)
                break
        else:
            groups.append([word])
    lines = [Line(tuple(group), _around([word.box for word in group])) for group in groups]
    return sorted(lines, key=lambda line: (line.box.y, line.box.x))


def _is_sure(word: WordAt) -> bool:
    return bool(word.probability ** (1 / max(1, len(word.text.strip()))) >= _SURE_LABEL)


def _likely(word: WordAt) -> bool:
    return bool(word.probability ** (1 / max(1, len(word.text.strip()))) >= _LIKELY_FIGURE)


def _has_digits(words: Sequence[WordAt]) -> bool:
    return any(char in _DIGITS for word in words for char in word.text)


def _is_figure(text: str) -> bool:
    alone = _ALONE.fullmatch(text)
    return bool(alone and (not alone["unit"].strip() or unit_of(alone["unit"])))


def _around(boxes: Sequence[Box]) -> Box:
    x, y = min(box.x for box in boxes), min(box.y for box in boxes)
    return Box(x, y, max(box.right for box in boxes) - x, max(box.bottom for box in boxes) - y)


# ---------------------------------------------------------------- one line


def _part(
    image: Image, line: Line, lines: Sequence[Line], reader: TextReader
) -> tuple[list[Figure], list[Label]]:
    if not re.search(r"[0-9]", line.text):
        sure = all(_is_sure(word) for word in line.words)
        return [], [Label(line.text, tight(image, line.box), sure)]
    chars = _chars(image, line, reader)
    figures = _figures(image, line, chars)
    if figures is None:  # the finder may have cut a unit in its middle: that is read apart
        figures = _figures(image, line, _without_rest(chars))
    # that a unit is one, its spelling tells: a lone letter is often doubtful
    if figures and not all(_likely(word) or unit_of(word.text) for word in line.words):
        figures = None
    if figures is None:
        sure = all(_is_sure(word) for word in line.words)
        return [], [Label(line.text, tight(image, line.box), sure)]
    if figures and not figures[-1].unit and figures[-1].kind in ("number", "percentage"):
        figures[-1] = _with_far_unit(image, line, figures[-1], lines, reader)
    labels = []
    if figures and figures[0].before:  # what stands before the first keeps its place
        end = figures[0].box.x - 0.1 * line.box.h
        label = Box(line.box.x, line.box.y, end - line.box.x, line.box.h)
        labels = [Label(figures[0].before, _left_text(image, label), True)]
    return figures, labels


def _without_rest(chars: Sequence[CharAt]) -> Sequence[CharAt]:
    """The characters up to the last digit, where one or two more are all that follows."""
    digits = [at for at, char in enumerate(chars) if char.char in _DIGITS]
    end = digits[-1] + 1 if digits else 0
    rest = "".join(char.char for char in chars[end:]).strip()
    return chars[:end] if 0 < len(rest) <= 2 else chars


def _left_text(image: Image, box: Box) -> Box:
    return tight(image, box) if box.w > 2 else box


def _chars(image: Image, line: Line, reader: TextReader) -> list[CharAt]:
    """The characters of a line with their places on the capture."""
    chars: list[CharAt] = []
    for word in line.words:
        x0, y0, x1, y1 = whole(image, word.box)
        read = reader.read_line(np.ascontiguousarray(image[y0:y1, x0:x1]))
        if chars:
            chars.append(CharAt(" ", chars[-1].x1, float(x0), 1.0))
        chars += [replace(char, x0=char.x0 + x0, x1=char.x1 + x0) for char in read.chars]
    return chars


def _figures(image: Image, line: Line, chars: Sequence[CharAt]) -> list[Figure] | None:
    """The figures of a line, or None where its digits are part of a text.

    A line is figures only if it is ``(words? figure unit?)`` over and over: words behind the last
    unit make all of it a label, as in "time at 45 fps or more"; so does a bare number behind words
    that name nothing which is measured, as in "round 2".
    """
    text = "".join(char.char for char in chars)
    found: list[Figure] = []
    at = 0
    for match in _FIGURE.finditer(text):
        if match.start() < at:
            continue
        before = text[at : match.start()]
        if before[-1:].isalnum() or any(
            chars[i].probability < _SURE_DIGITS
            for i in range(match.start(), match.end())
            if text[i] in _DIGITS
        ):
            return None
        unit, end = _unit_behind(text, match.end())
        label = before.strip(" :=·|•,;/-")
        kind: Kind = "number"
        if match["size"]:
            kind = "size"
        elif match["duration"]:
            kind = "duration"
        elif unit_of(unit) == "%":
            kind = "percentage"
        nothing = bool(match["missing"])
        if label and not unit and kind == "number" and not (nothing or meaning(label).quantity):
            return None
        behind = next((chars[i].x0 for i in range(match.end(), len(text)) if text[i] != " "), None)
        own = [chars[i] for i in range(match.start(), match.end())]
        box = _digits(image, line, own, behind)
        last = chars[end - 1].x1 if unit else box.right
        unit_at = behind if unit and behind is not None else box.right
        found.append(Figure(
            "--" if nothing else match[0].strip(), kind, box, drawn_unit(unit) if unit else "",
            unit_at, last, label, inline=bool(label),
        ))  # fmt: skip
        at = end
    if text[at:].strip(" .,:;·|"):
        return None
    if found and found[-1].unit:
        inside = tight(image, line.box)
        found[-1] = replace(found[-1], end=max(found[-1].end, inside.right))
    return found or None


def _unit_behind(text: str, at: int) -> tuple[str, int]:
    """The unit that stands at ``at`` and where it ends; ('', at) if none does."""
    spaced = _SPACED_UNIT.match(text, at)
    if spaced:
        return spaced["unit"].strip(), spaced.end()
    match = _UNIT.match(text, at)
    if match:
        for end in range(match.end(), match.start("unit"), -1):
            unit, behind = text[match.start("unit") : end], text[end : end + 1]
            # a unit that goes on (mA of mA·h) is another one
            if unit_of(unit) and not (behind.isalpha() or behind in tuple("·•/.²°")):
                return unit, end
    return "", at


def _digits(image: Image, line: Line, chars: Sequence[CharAt], behind: float | None) -> Box:
    """The box close around a figure: its digits say how high it is, its ink how wide.

    ``behind`` is where the next character starts, if any does.
    """
    height = line.box.h
    reach = 0.3 * height
    left, right = chars[0].x0 - reach, chars[-1].x1 + reach
    if behind is not None:
        right = min(right, max(chars[-1].x1, (chars[-1].x1 + behind) / 2))
    area = Box(left, line.box.y, right - left, height)
    x0, y0, _, _ = whole(image, area)
    marked = ink(image, area)
    rows = []
    for char in chars:
        if char.char not in _DIGITS:
            continue
        first = max(0, int(char.x0 - x0))
        span = inked_rows(marked[:, first : max(first + 1, int(np.ceil(char.x1 - x0)))])
        if span:
            rows.append(span)
    columns = np.flatnonzero(marked.any(axis=0))
    if not rows or not columns.size:
        return Box(
            chars[0].x0, line.box.y + 0.15 * height, chars[-1].x1 - chars[0].x0, 0.7 * height
        )
    top = float(np.median([span[0] for span in rows]))
    bottom = float(np.median([span[1] for span in rows]))
    start = _run_edge(marked, chars[0].x0 - x0, chars[0].x1 - x0, -1, bottom - top)
    end = _run_edge(marked, chars[-1].x0 - x0, chars[-1].x1 - x0, 1, bottom - top)
    return Box(x0 + start, y0 + top, max(1.0, end - start), max(1.0, bottom - top))


def _run_edge(
    marked: NDArray[np.bool_],
    x0: float,
    x1: float,
    way: int,
    height: float,
) -> float:
    """Where the ink of the outermost character of a figure ends: at the first gap outwards."""
    columns: NDArray[np.bool_] = np.asarray(marked.any(axis=0), bool)
    middle = int(np.clip((x0 + x1) / 2, 0, len(columns) - 1))
    inside = [x for x in range(max(0, int(x0)), min(len(columns), int(np.ceil(x1)))) if columns[x]]
    at = min(inside, key=lambda x: abs(x - middle)) if inside else middle
    gap = 0
    edge = at
    while 0 <= at + way < len(columns) and gap <= max(1.0, 0.2 * height):
        at += way
        if columns[at]:
            edge, gap = at, 0
        else:
            gap += 1
    return float(edge + (1 if way > 0 else 0))


def _with_far_unit(
    image: Image, line: Line, figure: Figure, lines: Sequence[Line], reader: TextReader
) -> Figure:
    """The figure with the unit that stands somewhat apart, or that the finder cut off."""
    height = figure.type_height
    limit = min(
        [float(image.shape[1]), figure.box.right + 3.5 * height]
        + [other.box.x - 0.1 * height for other in lines
           if same_row(other.box, figure.box) and other.box.x > line.box.right
           and not (unit_of(other.text) or other.text.strip() in _DEGREES)]
    )  # fmt: skip
    for other in lines:
        apart = other.box.x - figure.box.right
        if same_row(other.box, figure.box) and unit_of(other.text) and 0 < apart < 1.3 * height:
            close = tight(image, other.box)
            unit = drawn_unit(other.text)
            return replace(figure, unit=unit, unit_at=close.x, end=close.right)
    start = figure.box.right + 0.1 * height
    area = Box(start, figure.box.y, limit - start, 1.25 * figure.box.h)
    if area.w < 0.3 * height:
        return figure
    close = tight(image, _first_word(image, tight(image, area), 0.6 * height))
    x0, y0, x1, y1 = whole(image, close)
    if close.x - figure.box.right > 1.3 * height or x1 - x0 < 3:
        return figure
    room = max(2, round(0.2 * close.h))
    crop = image[max(0, y0 - room) : y1 + room, max(0, x0 - room) : x1 + room]
    unit = reader.read_line(np.ascontiguousarray(crop)).text.strip()
    if not unit_of(unit):
        return figure
    kind: Kind = "percentage" if unit_of(unit) == "%" else figure.kind
    return replace(figure, unit=drawn_unit(unit), unit_at=close.x, end=close.right, kind=kind)


def _first_word(image: Image, area: Box, gap: float) -> Box:
    """``area`` up to the first gap in its ink that is wider than ``gap`` px."""
    columns = np.flatnonzero(ink(image, area).any(axis=0))
    wide = np.flatnonzero(np.diff(columns) > gap)
    return replace(area, w=float(columns[wide[0]] + 1)) if wide.size else area
