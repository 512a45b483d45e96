"""Is the overlay changing around a frame of a recording?

Within one frame of a change two figures may be blended, so such a frame gives way to the
neighbour that lies one frame further from the change (section "Time of recordings" in
docs/conventions.md).
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from extractor.records import Box

Image = NDArray[np.uint8]

# Strokes keep at least this share of their pixels from one frame to the next while the figure
# stays the same (coding noise and a moving scene behind it cost some); one changed digit leaves
# about half of the pixels of its own window.
_SAME_STROKES = 0.75
# Pixels within this share of the contrast from the letters' own level count as stroke.
_STROKE_BAND = 0.4
# A crop with less contrast than this, in grey levels, holds no figure that can change.
_LEAST_CONTRAST = 40.0


def steadiest(
    before: Image | None, shot: Image, after: Image | None, boxes: Sequence[Box]
) -> tuple[int, bool]:
    """Give way to the neighbour one frame further from a change of the overlay.

    Takes a frame with those shown just before and just after it, RGB uint8 (h, w, 3). Returns
    which of them to read (-1, 0 or 1), and whether the overlay changes on both sides of the frame,
    so that no neighbour is better.
    """
    came = before is not None and figures_differ(before, shot, boxes)
    goes = after is not None and figures_differ(shot, after, boxes)
    if came and goes:
        return 0, True
    if came:
        return (1, False) if after is not None else (0, True)
    if goes:
        return (-1, False) if before is not None else (0, True)
    return 0, False


def figures_differ(one: NDArray[np.uint8], other: NDArray[np.uint8], boxes: Sequence[Box]) -> bool:
    """Say whether the figure in any box differs between two frames of equal size.

    ``one`` and ``other`` are RGB uint8 (h, w, 3); ``boxes`` are px of them. Letters are told from
    the scene by their own level: what moves behind an overlay does not count as a change.
    """
    return any(_differ(_crop(one, box), _crop(other, box)) for box in boxes)


def _crop(image: NDArray[np.uint8], box: Box) -> NDArray[np.float32]:
    height, width = image.shape[:2]
    left, top = max(0, round(box.x)), max(0, round(box.y))
    right, bottom = min(width, round(box.right)), min(height, round(box.bottom))
    patch = image[top:bottom, left:right]
    if patch.size == 0:
        return np.zeros((1, 1), np.float32)
    grey = cv2.cvtColor(np.ascontiguousarray(patch), cv2.COLOR_RGB2GRAY)
    return grey.astype(np.float32)


def _differ(one: NDArray[np.float32], other: NDArray[np.float32]) -> bool:
    middle = float(np.median(one))
    low, high = np.percentile(one, (1, 99))
    level = high if high - middle >= middle - low else low
    contrast = abs(level - middle)
    if contrast < _LEAST_CONTRAST:
        return False
    ink = np.abs(one - level) < _STROKE_BAND * contrast
    ink_other = np.abs(other - level) < _STROKE_BAND * contrast
    # A window about one glyph wide, so that one changed digit of many still shows.
    across = max(3, round(0.6 * one.shape[0]))
    both = _columns(ink & ink_other, across)
    most = np.maximum(_columns(ink, across), _columns(ink_other, across))
    inked = most >= 0.5 * most.max(initial=1.0)
    return bool(np.any(both[inked] < _SAME_STROKES * most[inked]))


def _columns(ink: NDArray[np.bool_], across: int) -> NDArray[np.float64]:
    """Count ink px in a window sliding along x."""
    counts = ink.sum(axis=0).astype(np.float64)
    return np.convolve(counts, np.ones(min(across, counts.size)), mode="same")
