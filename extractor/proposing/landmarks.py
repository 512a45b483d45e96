"""Landmarks: pictures of the labels, by which a layout is found on any device.

A picture says where it is to a fraction of a px and needs no reader, so labels in any script serve.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np

from extractor.calibration.rules import MAX_PICTURE_BYTES, MAX_PICTURE_SIDE
from extractor.proposing.strokes import Image, ground, stroke_map, whole
from extractor.records import Box

_BUSY = 20.0
"""Spread of the ground right around text, grey levels, from which no panel lies under it."""
_INK = 70
"""Greatest distance of a letter's pixel from the letters' colour, as for outlined letters."""
_MOST_SIDE = 480
_LEAST_CONTRAST = 6.0
_SIDE, _ABOVE = 0.4, 0.2
"""Room around a label's ink, heights of the label: the emptiness around a word tells it too."""


def picture(
    image: Image, box: Box, name: str, part: str = "main", *, bare: bool = False
) -> dict[str, Any] | None:
    """The landmark of what ``box`` shows, as an entry of a calibration; None if that is too little.

    ``bare``: the letters stand on the scene itself, so the picture keeps nothing but them.
    """
    x0, y0, x1, y1 = whole(image, box)
    piece = np.ascontiguousarray(image[y0:y1, x0:x1])
    if min(piece.shape[:2]) < 5:
        return None
    shown: Image = cv2.cvtColor(piece, cv2.COLOR_RGB2GRAY).astype(np.uint8)
    if float(shown.std()) < _LEAST_CONTRAST:
        return None
    if bare:
        opaque = _letters(piece)
        shown = np.dstack([np.where(opaque > 0, shown, 0).astype(np.uint8)] * 3 + [opaque])
    data = _encoded(shown)
    return {
        "name": name,
        "sort": "picture",
        "box": (x0, y0, x1 - x0, y1 - y0),
        "part": part,
        "picture": base64.b64encode(data).decode(),
    }


def stands_bare(image: Image, boxes: Sequence[Box]) -> bool:
    """Whether text stands on the scene itself: no panel evens out what lies under it."""
    near = [ground(image, Box(box.x - 2, box.y - 2, box.w + 4, box.h + 4)).spread for box in boxes]
    return sum(spread > _BUSY for spread in near) >= max(2, 0.1 * len(near))


def with_room(box: Box, others: Sequence[Box]) -> Box:
    """The box of a label with some of the emptiness around it, but none of ``others``."""
    x0, x1 = box.x - _SIDE * box.h, box.x + min(box.w, float(_MOST_SIDE)) + _SIDE * box.h
    y0, y1 = box.y - _ABOVE * box.h, box.bottom + _ABOVE * box.h
    for other in others:
        if other.y < y1 and other.bottom > y0 and other.overlap(box) == 0:
            if other.x >= box.right:
                x1 = min(x1, (box.right + other.x) / 2)
            elif other.right <= box.x:
                x0 = max(x0, (box.x + other.right) / 2)
    for other in others:
        if other.x < x1 and other.right > x0 and other.overlap(box) == 0:
            if other.y >= box.bottom:
                y1 = min(y1, (box.bottom + other.y) / 2)
            elif other.bottom <= box.y:
                y0 = max(y0, (box.y + other.bottom) / 2)
    return Box(x0, y0, x1 - x0, y1 - y0)


def _letters(piece: Image) -> Image:
    """Opacity of the letters and their outline: what has the letters' colour, a pixel wider."""
    strokes = stroke_map(piece)
    strong = strokes >= np.quantile(strokes, 0.9)
    colour = np.median(piece[strong], axis=0)
    near = np.abs(piece.astype(np.int16) - colour.astype(np.int16)).max(axis=2) < _INK
    near &= cv2.dilate(strong.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    width = max(3, round(0.12 * piece.shape[0])) | 1
    opaque = cv2.dilate(near.astype(np.uint8), np.ones((width, width), np.uint8))
    return (opaque * 255).astype(np.uint8)


def _encoded(shown: Image) -> bytes:
    """A PNG within the limits of a calibration; smaller where it would be too large."""
    while True:
        done, data = cv2.imencode(".png", shown, [cv2.IMWRITE_PNG_COMPRESSION, 9])
        assert done
        if len(data) <= 0.75 * MAX_PICTURE_BYTES and max(shown.shape[:2]) <= MAX_PICTURE_SIDE:
            return data.tobytes()
        size = (max(3, round(shown.shape[1] * 0.8)), max(3, round(shown.shape[0] * 0.8)))
        shown = cv2.resize(shown, size, interpolation=cv2.INTER_AREA).astype(np.uint8)


def edges(image: Image, boxes: Sequence[Box]) -> list[dict[str, Any]]:
    """Straight edges of a panel around ``boxes``: the first to each side along all of it."""
    from extractor.locate.frame import Frame
    from extractor.locate.traits import find_edge

    left, top = min(box.x for box in boxes), min(box.y for box in boxes)
    right, bottom = max(box.right for box in boxes), max(box.bottom for box in boxes)
    height = float(np.median([box.h for box in boxes]))
    frame = Frame(image)
    found: list[dict[str, Any]] = []
    for side in ("top", "left", "bottom", "right"):
        reach = 2.5 * height
        around = Box(left, top, right - left, bottom - top)
        place = find_edge(frame, side, around, reach, first=True)
        if place is None:
            continue
        outwards = {"top": top - place, "left": left - place,
                    "bottom": place - bottom, "right": place - right}[side]  # fmt: skip
        if outwards < 0.1 * height:  # the edge of a letter
            continue
        area = {
            "top": (left, place, right - left, max(4.0, bottom - place)),
            "bottom": (left, top, right - left, max(4.0, place - top)),
            "left": (place, top, max(4.0, right - place), bottom - top),
            "right": (left, top, max(4.0, place - left), bottom - top),
        }[side]
        entry = {"name": f"panel_{side}", "sort": "edge", "side": side}
        found.append(entry | {"box": tuple(round(edge, 1) for edge in area)})
    return found


def bar_at_top(image: Image, boxes: Sequence[Box]) -> float:
    """Height of a bar at the top edge that a page scrolls under; 0 if none shows.

    It ends at the lowest straight edge over the whole width above everything in ``boxes``.
    """
    first = int(min(box.y for box in boxes))
    if first < 8:
        return 0.0
    grey = cv2.cvtColor(np.ascontiguousarray(image[:first]), cv2.COLOR_RGB2GRAY).astype(np.float32)
    steps = np.diff(grey, axis=0)
    mean = steps.mean(axis=1)
    along = (steps * np.sign(mean)[:, None] > 0.35 * np.abs(mean)[:, None]).mean(axis=1)
    rows = np.flatnonzero((along > 0.95) & (np.abs(mean) > 4))
    return float(rows[-1] + 1) if rows.size else 0.0
