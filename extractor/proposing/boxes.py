"""The box of a readout: as high as its type, with room for the widest figure that may come."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np

from extractor.proposing.arranging import Cell
from extractor.proposing.strokes import Image, ground, whole
from extractor.records import Box

Align = Literal["left", "right"]

_MARGIN = 0.2
"""Room beside a figure, heights of its type."""
_GAP = 0.22
"""What stays free before a neighbour's ink, heights of the type."""
# Digits before the decimal mark that a figure may come to have.
_DIGITS = {
    "fps": 3, "ms": 3, "W": 2, "mW": 5, "A": 2, "mA": 5, "V": 2, "mV": 5, "Cel": 3, "[degF]": 3,
    "MHz": 4, "GHz": 1, "%": 3, "mA.h": 5, "W.h": 2, "cd/m2": 4,
}  # fmt: skip
_SIGNED = {"W", "mW", "A", "mA", "Cel", "[degF]"}
_WHOLE = {"", "mA", "mW", "mV", "MHz", "mA.h"}
"""Units whose figures are whole numbers: a mark before three digits parts thousands."""
_ALIKE = 0.12


def type_heights(image: Image, cells: Sequence[Cell]) -> list[float]:
    """The height of each figure's type, px; on a busy ground that of its own kind."""
    own = [cell.figure.type_height for cell in cells]
    sure = [stands_clear(image, cell) for cell in cells]
    heights = []
    for cell, height, known in zip(cells, own, sure, strict=True):
        kin = [
            other
            for each, other in zip(cells, own, strict=True)
            if each is not cell and 0.5 < other / height < 2
        ]
        middle = float(np.median(kin)) if kin else height
        odd = abs(height / middle - 1) > _ALIKE
        heights.append(middle if odd and (not known or cell.unread) and len(kin) >= 2 else height)
    return heights


def stands_clear(image: Image, cell: Cell) -> bool:
    """Whether a figure stands on ground of one colour, so that its extent is well known."""
    box = cell.figure.box
    room = 0.2 * box.h
    return ground(image, Box(box.x - room, box.y - room, box.w + 2 * room, box.h + 2 * room)).flat


def snapped(image: Image, cells: Sequence[Cell]) -> list[Cell]:
    """Cells on a busy ground with their uncertain extents made those of their column."""
    found = []
    for cell in cells:
        box = cell.figure.box
        column = [
            other.figure.box
            for other in cells
            if other is not cell
            and other.side == cell.side
            and abs(other.figure.box.right - box.right) < 0.8 * other.figure.box.h
            and other.figure.box.h < 1.7 * box.h
        ]
        if cell.side == "inline" or len(column) < 3 or stands_clear(image, cell):
            found.append(cell)
            continue
        right = float(np.median([each.right for each in column]))
        height = float(np.median([each.h for each in column]))
        spread = float(np.median([abs(each.right - right) for each in column]))
        if spread > 0.1 * height:
            found.append(cell)
            continue
        middle = box.y + box.h / 2
        left = min(box.x, right - 0.5 * height)
        moved = Box(left, middle - height / 2, right - left, height)
        found.append(replace(cell, figure=replace(cell.figure, box=moved)))
    return found


def alignment(cell: Cell, cells: Sequence[Cell]) -> Align:
    """On which side the figures of a column end alike: the side that stays when digits come.

    Where the units that follow them end alike, they are set from the right, units and all.
    """
    box = cell.figure.box
    column = [
        other.figure.box
        for other in cells
        if 0.6 < other.figure.box.h / box.h < 1.7
        and other.side == cell.side
        and min(abs(other.figure.box.x - box.x), abs(other.figure.box.right - box.right))
        < 0.35 * box.h
    ]
    left = sum(abs(other.x - box.x) < 0.25 * box.h for other in column)
    right = sum(abs(other.right - box.right) < 0.25 * box.h for other in column)
    ends = sum(
        abs(other.figure.end - cell.figure.end) < 0.25 * box.h
        for other in cells
        if other.figure.unit and other.side == cell.side
        and 0.6 < other.figure.box.h / box.h < 1.7
    )  # fmt: skip
    if cell.figure.unit and ends > max(left, right):
        return "right"
    if left != right:
        return "left" if left > right else "right"
    label = cell.label
    if label and cell.side in ("above", "below"):
        starts = abs(label.box.x - box.x)
        return "left" if starts <= abs(label.box.right - box.right) else "right"
    return "right" if cell.side == "left" and cell.head else "left"


def shared_extents(
    cells: Sequence[Cell], aligns: Sequence[Align], boxes: Sequence[Box], limits: Sequence[Box]
) -> list[Box]:
    """Boxes of one column made to start (or to end) alike, each inside its own limits.

    A narrow digit at the end of one figure (a 1) must not make its box end earlier.
    """
    found = []
    for cell, align, box, limit in zip(cells, aligns, boxes, limits, strict=True):
        ink = cell.figure.box

        def close(other: Cell, align: Align = align, ink: Box = ink) -> bool:
            there = other.figure.box
            apart = there.x - ink.x if align == "left" else there.right - ink.right
            return abs(apart) < 0.45 * ink.h and 0.6 < there.h / ink.h < 1.7

        kin = [
            each
            for other, side, each in zip(cells, aligns, boxes, strict=True)
            if side == align and close(other)
        ]
        near = [
            each.right
            for other, side, each in zip(cells, aligns, limits, strict=True)
            if side == align and close(other)
        ]
        left, right = box.x, box.right
        if align == "left":
            left = max(min(each.x for each in kin), limit.x)
        else:
            right = min(max(each.right for each in kin), *near, limit.right)
        found.append(Box(left, box.y, right - left, box.h))
    return found


def readout_box(
    image: Image,
    cell: Cell,
    unit: str,
    align: Align,
    height: float,
    obstacles: Sequence[Box],
) -> tuple[Box, Box, bool]:
    """The box of a cell's readout, how far it may reach, and whether it holds the unit too.

    ``obstacles`` is the ink of everything else that is drawn.
    """
    figure = cell.figure
    box = figure.box
    middle = box.y + box.h / 2
    top, bottom = middle - height / 2, middle + height / 2
    more = _more(cell, unit) * _digit(cell, height)
    with_unit = bool(figure.unit) and align == "left"
    left, right = box.x - _MARGIN * height, box.right + _MARGIN * height
    if align == "left":
        right = max(figure.end if with_unit else box.right, box.right) + more + _MARGIN * height
    else:
        left -= more
    row = [other for other in obstacles if other.y < bottom and other.bottom > top]
    least, most = 0.0, float(image.shape[1])
    for other in row:
        if other.right <= box.x:
            least = max(least, other.right + _GAP * height)
        elif other.x >= (figure.end if with_unit else box.right):
            most = min(most, other.x - _GAP * height)
    if align == "right" and figure.unit:
        most = min(most, (box.right + max(box.right, figure.unit_at)) / 2)
    least, most = min(least, box.x), max(most, box.right)
    limit = _panel_end(image, box, align, least, most)
    if with_unit:  # an edge between a figure and its own unit is the scene's, seen through a veil
        limit = max(limit, figure.end + _MARGIN * height)
    left, right = max(left, least), min(right, most)
    left, right = (left, min(right, limit)) if align == "left" else (max(left, limit), right)
    top, bottom = max(0.0, top), min(float(image.shape[0]), bottom)
    reach = Box(max(least, limit), top, most - max(least, limit), bottom - top)
    if align == "left":
        reach = Box(least, top, min(most, limit) - least, bottom - top)
    return Box(left, top, right - left, bottom - top), reach, with_unit


def _digit(cell: Cell, height: float) -> float:
    """Width of one more digit, px."""
    figure = cell.figure
    digits = sum(char.isdigit() for char in figure.text)
    if digits < 2:
        return 0.6 * height
    narrow = sum(not char.isdigit() for char in figure.text)
    return min(max(figure.box.w / (digits + 0.45 * narrow), 0.45 * height), 0.75 * height)


def _more(cell: Cell, unit: str) -> float:
    """How many digits' width a figure may grow."""
    figure = cell.figure
    if cell.unread or not figure.text:
        return 2.5 if figure.kind == "word" else 4.0
    if figure.kind == "size":
        return 1.0
    if figure.kind == "duration":
        return 2.5 if figure.text.count(":") == 1 else 1.0
    whole_part = figure.text.lstrip("+-−–")
    shown = len(whole_part) - len(whole_part.lstrip("0123456789"))
    groups = re.split(r"[.,'’ ]", whole_part)
    if unit in _WHOLE and len(groups) > 1 and all(len(group) == 3 for group in groups[1:]):
        shown = sum(len(group) for group in groups)
    wanted = max(shown + 1, _DIGITS.get(unit, shown + 1))
    if unit in ("%", "Cel", "fps"):
        wanted = max(shown, 3)
    mark = 0.5 if wanted > 3 >= shown else 0.0  # a mark for thousands comes with the fourth digit
    sign = 0.7 if unit in _SIGNED and figure.text[:1].isdigit() else 0.0
    return max(wanted - shown, 0.4) + mark + sign


def _panel_end(image: Image, box: Box, align: Align, least: float, most: float) -> float:
    """Where the flat ground of a figure ends on the side to which it grows."""
    area = Box(box.x - 0.1 * box.h, box.y - 0.15 * box.h, box.w + 0.2 * box.h, 1.3 * box.h)
    under = ground(image, area)
    far = most if align == "left" else least
    if not under.flat:
        return far
    x0, y0, x1, y1 = whole(image, Box(least, area.y, max(1.0, most - least), area.h))
    far_off = np.abs(
        image[y0:y1, x0:x1].astype(np.float32) - np.array(under.colour, np.float32)
    ).max(axis=2)
    # letters leave the ground above and below them; another ground fills the column
    other = np.quantile(far_off, 0.1, axis=0) > max(12.0, 2 * under.spread)
    if align == "left":
        ends = np.flatnonzero(other[max(0, int(box.right - x0)) :])
        return float(box.right + ends[0]) - _GAP * box.h if ends.size else far
    ends = np.flatnonzero(other[: max(0, int(box.x - x0))])
    return float(x0 + ends[-1] + 1) + _GAP * box.h if ends.size else far
