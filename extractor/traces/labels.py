"""Labels of an axis: where each stands, what it says, and the line or tick it belongs to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from extractor.reading.interface import LineRead, WordAt
from extractor.records import AxisLabel, Box, Figure, Kind
from extractor.traces.lines import Lines

Image = NDArray[np.uint8]
Axis = Literal["x", "y"]

_INK = 0.4
"""Share of the strongest contrast in a box of labels that is ink."""
_LEAST_CONTRAST = 24
_SPECKS = 16
"""Px that may differ more than ink does: what coding leaves."""
_APART = 1.0
"""Letter heights between two labels of one row."""
_SMALL = 0.35
"""Height of the smallest labels, in heights of the median one: less is a tick or a line."""
_AWAY = 1.4
"""How far a label may stand from its line along the axis, in letter heights."""
_NEAR = 0.22
"""How far the labels' distances to their lines may differ, in letter heights."""
_THIN = 3
"""Px across the stroke of a tick or an axis."""
_SAME, _SAME_HIGH = 1.2, 0.1
"""The same for their distance as it is then known, px, or letter heights if that is more: glyphs
are not even, and their ink is known in whole px."""
_ROOM = 3
"""Px around a box of labels in which ink shows that a label is cut by the box."""


class LabelReader(Protocol):
    """What labels are read with."""

    def read_line(self, crop: Image) -> LineRead:
        """Read one line of text, RGB uint8 (h, w, 3)."""

    def read_figures(self, crops: Sequence[Image], kind: Kind = "number") -> list[Figure]:
        """Read crops of one figure each."""

    def find_words(self, image: Image) -> Sequence[WordAt]:
        """Find and read all text on a picture."""


@dataclass(frozen=True, slots=True)
class _Spot:
    """The ink of one label, px of the capture: half-open ranges of columns and rows."""

    left: int
    right: int
    top: int
    bottom: int


def read_labels(
    image: Image, box: Box, axis: Axis, lines: Lines, reader: LabelReader, inside: bool
) -> tuple[AxisLabel, ...]:
    """Read all labels in ``box`` (px of ``image``, RGB uint8) of an axis, in order along it.

    ``inside`` says that the box lies over the plot, so that its ink is not the labels' alone. A
    label that the box cuts is left out.
    """
    ink, origin = _ink(image, box)
    if ink is None:
        return ()
    spots = _by_words(image, box, reader, ink, origin) if inside else _spots(ink, origin, axis)
    spots = [spot for spot in spots if not _cut(spot, box, ink, origin)]
    labels = [_read(image, spot, ink, origin, axis, reader) for spot in spots]
    return _with_lines([label for label in labels if label], lines)


def _ink(image: Image, box: Box) -> tuple[NDArray[np.bool_] | None, tuple[int, int]]:
    """What differs from the ground in and around the box, and where that piece begins (x, y)."""
    left, top = max(0, round(box.x) - _ROOM), max(0, round(box.y) - _ROOM)
    right, bottom = round(box.right) + _ROOM, round(box.bottom) + _ROOM
    piece = image[top:bottom, left:right].astype(np.int16)
    if min(piece.shape[:2]) < 5 or piece.shape[0] * piece.shape[1] <= _SPECKS:
        return None, (left, top)
    ground = np.median(piece.reshape(-1, 3), axis=0)
    off = np.abs(piece - ground).max(axis=2)
    strongest = float(np.partition(off.ravel(), -_SPECKS)[-_SPECKS])
    if strongest < _LEAST_CONTRAST:
        return None, (left, top)
    return _without_ticks(off > _INK * strongest), (left, top)


def _without_ticks(ink: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Ink less the thin strokes that come in from outside: ends of ticks and of axes."""
    count, parts, stats, _ = cv2.connectedComponentsWithStats(ink.astype(np.uint8), connectivity=8)
    height, width = ink.shape
    kept = ink.copy()
    for part in range(1, count):
        x, y, w, h, _ = (int(each) for each in stats[part])
        across = (x == 0 or x + w == width) and h <= _THIN
        down = (y == 0 or y + h == height) and w <= _THIN
        if across or down:
            kept[parts == part] = False
    return kept


def _spans(filled: Any, apart: int) -> list[tuple[int, int]]:
    """Half-open ranges of True, joined over gaps of less than ``apart``."""
    spans: list[tuple[int, int]] = []
    for at in np.flatnonzero(filled):
        if spans and at - spans[-1][1] < apart:
            spans[-1] = (spans[-1][0], int(at) + 1)
        else:
            spans.append((int(at), int(at) + 1))
    return spans


def _spots(ink: NDArray[np.bool_], origin: tuple[int, int], axis: Axis) -> list[_Spot]:
    """Rows of text, and in each what stands apart; dashes beside them are ticks and left out."""
    found: list[_Spot] = []
    for top, bottom in _spans(np.any(ink, axis=1), 2):
        row = ink[top:bottom]
        apart = max(2, round(_APART * (bottom - top)))
        for left, right in _spans(np.any(row, axis=0), apart):
            rows = np.flatnonzero(row[:, left:right].any(axis=1))
            found.append(
                _Spot(
                    left + origin[0],
                    right + origin[0],
                    top + int(rows[0]) + origin[1],
                    top + int(rows[-1]) + 1 + origin[1],
                )
            )
    if not found:
        return []
    usual = float(np.median([spot.bottom - spot.top for spot in found]))
    tall = [spot for spot in found if spot.bottom - spot.top >= max(4, _SMALL * usual)]
    return sorted(tall, key=lambda spot: spot.left if axis == "x" else spot.top)


def _by_words(
    image: Image,
    box: Box,
    reader: LabelReader,
    ink: NDArray[np.bool_],
    origin: tuple[int, int],
) -> list[_Spot]:
    """Labels over a plot as the text detector finds them, shrunk to their ink."""
    left, top = max(0, round(box.x)), max(0, round(box.y))
    piece = np.ascontiguousarray(image[top : round(box.bottom), left : round(box.right)])
    spots = []
    for word in reader.find_words(piece):
        x0, y0 = int(word.box.x) + left - origin[0], int(word.box.y) + top - origin[1]
        part = ink[max(0, y0) : y0 + int(word.box.h) + 1, max(0, x0) : x0 + int(word.box.w) + 1]
        rows, columns = np.flatnonzero(part.any(axis=1)), np.flatnonzero(part.any(axis=0))
        if rows.size and columns.size:
            x0, y0 = max(0, x0) + origin[0], max(0, y0) + origin[1]
            spots.append(
                _Spot(
                    x0 + int(columns[0]), x0 + int(columns[-1]) + 1,
                    y0 + int(rows[0]), y0 + int(rows[-1]) + 1,
                )
            )  # fmt: skip
    return spots


def _cut(spot: _Spot, box: Box, ink: NDArray[np.bool_], origin: tuple[int, int]) -> bool:
    """Say whether ink of a label goes on beyond the box, or at the edge of the picture."""
    height, width = ink.shape
    return (
        spot.left - origin[0] <= 0
        or spot.top - origin[1] <= 0
        or spot.right - origin[0] >= width
        or spot.bottom - origin[1] >= height
    )


def _read(
    image: Image,
    spot: _Spot,
    ink: NDArray[np.bool_],
    origin: tuple[int, int],
    axis: Axis,
    reader: LabelReader,
) -> AxisLabel | None:
    height = spot.bottom - spot.top
    room = max(2, round(0.3 * height))
    top, left = max(0, spot.top - room), max(0, spot.left - room)
    crop = np.ascontiguousarray(image[top : spot.bottom + room, left : spot.right + room])
    line = reader.read_line(crop)
    beside = line.text.strip()
    if not any(char.isdigit() for char in beside):
        return None
    kind: Kind = "duration" if axis == "x" and (":" in beside or _letters(beside)) else "number"
    (figure,) = reader.read_figures([crop], kind)
    if axis == "x":
        at = (spot.left + spot.right) / 2
    else:
        digits = [char for char in line.chars if char.char.isdigit()]
        begin = max(0, int(min(char.x0 for char in digits)) + left - origin[0])
        end = int(max(char.x1 for char in digits)) + 1 + left - origin[0]
        part = ink[spot.top - origin[1] : spot.bottom - origin[1], begin:end]
        rows = np.flatnonzero(part.any(axis=1))
        if not rows.size:
            return None
        at, height = spot.top + (rows[0] + rows[-1] + 1) / 2, int(rows[-1] - rows[0] + 1)
    return AxisLabel(figure.text, beside, float(figure.probability), float(at), None, float(height))


def _letters(text: str) -> bool:
    return any(char.isalpha() for char in text)


# ---------------------------------------------------------------- which line a label belongs to


def _with_lines(labels: list[AxisLabel], lines: Lines) -> tuple[AxisLabel, ...]:
    """Give every label the line or tick it names: all stand in one distance from theirs.

    Ticks and grid lines mark the same places; what more labels fit is taken. Where there are
    neither, the ends of the grid lines along the axis tell where its outermost labels stand.
    """
    if not labels:
        return ()
    height = float(np.median([label.height for label in labels]))
    near = max(1.5, _NEAR * height)
    best: tuple[int, float, tuple[float, ...]] = (0, 0.0, ())
    for places in (lines.ticks, lines.grid):
        for label in labels:
            for place in places:
                away = place - label.at
                if abs(away) > _AWAY * height:
                    continue
                fits = sum(_nearest(each.at + away, places, near) is not None for each in labels)
                if (fits, -abs(away)) > (best[0], -abs(best[1])):
                    best = (fits, away, places)
    count, away, places = best
    if count < 2 or count < len(labels) / 2:
        away, places = 0.0, lines.ends
    found = [_nearest(label.at + away, places, near) for label in labels]
    known = [line - label.at for label, line in zip(labels, found, strict=True) if line is not None]
    if places is not lines.ends:
        away = float(np.median(known))
    taken = []
    for label in labels:
        line = _nearest(label.at + away, places, max(_SAME, _SAME_HIGH * height))
        taken.append(replace(label, at=label.at + away, line=line))
    return tuple(taken)


def _nearest(at: float, places: Sequence[float], within: float) -> float | None:
    nearest = min(places, key=lambda place: abs(place - at), default=None)
    return nearest if nearest is not None and abs(nearest - at) <= within else None
