"""Landmarks that are words: what the reader finds on a frame, held against a calibration.

A reader's box around a word is rough. On an even ground the word's own ink says where it is, to a
part of a pixel; the calibration's box is drawn close around the same ink.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from extractor.calibration.model import Landmark
from extractor.locate.frame import Frame
from extractor.reading.interface import WordAt
from extractor.records import Box

ALIKE = 0.75
"""Least likeness of a word read and a landmark's word (share of characters in common)."""
_CONTRAST = 30.0
"""Least contrast of a word with its ground, grey levels, with which its ink is told."""
_EVEN = 0.25
"""Greatest spread of the ground around a word, in contrasts, that counts as even."""


@dataclass(frozen=True, slots=True)
class WordSight:
    """A word of the frame taken for a landmark; ``inked``: its box is close around its ink."""

    landmark: Landmark
    box: Box
    likeness: float
    inked: bool = False


def likeness(read: str, word: str) -> float:
    """Likeness of two words, 0 to 1, spaces and case left out."""
    first, second = ("".join(text.split()).casefold() for text in (read, word))
    if not first or not second:
        return 0.0
    return SequenceMatcher(None, first, second, autojunk=False).ratio()


def sights(words: Sequence[WordAt], landmarks: Sequence[Landmark]) -> list[WordSight]:
    """Every word of the frame that may be one of the landmarks."""
    return [
        WordSight(landmark, word.box, alike)
        for landmark in landmarks
        for word in words
        if (alike := likeness(word.text, landmark.word or "")) >= ALIKE
    ]


def scale_and_start(
    first: WordSight, second: WordSight | None
) -> tuple[float, float, float] | None:
    """Scale and offset (x, y) that put the landmarks on the words; None when they cannot fit."""
    fx, fy = _centre(first.box)
    lx, ly = _centre(Box(*first.landmark.box))
    if second is None:
        scale = first.box.w / first.landmark.box[2]
        return scale, fx - scale * lx, fy - scale * ly
    gx, gy = _centre(second.box)
    mx, my = _centre(Box(*second.landmark.box))
    drawn = (mx - lx, my - ly)
    length = drawn[0] ** 2 + drawn[1] ** 2
    if length < (2 * first.landmark.box[3]) ** 2:
        return None
    seen = (gx - fx, gy - fy)
    scale = (drawn[0] * seen[0] + drawn[1] * seen[1]) / length
    turned = abs(drawn[0] * seen[1] - drawn[1] * seen[0]) / length
    if scale <= 0 or turned > 0.06 * scale:
        return None
    for sight in (first, second):
        if not 0.6 < sight.box.w / (sight.landmark.box[2] * scale) < 1.6:
            return None
    return scale, fx - scale * lx, fy - scale * ly


def starts(found: Sequence[WordSight], most: int = 60) -> list[tuple[float, float, float]]:
    """Scales and offsets to try, from pairs of words of one part, else from single words."""
    pairs = [
        start
        for first, second in combinations(found, 2)
        if first.landmark.part == second.landmark.part
        and first.landmark.name != second.landmark.name
        and (start := scale_and_start(first, second))
    ]
    if pairs:
        return pairs[:most]
    return [start for sight in found[:most] if (start := scale_and_start(sight, None))]


def _centre(box: Box) -> tuple[float, float]:
    return box.x + box.w / 2, box.y + box.h / 2


def ink_box(frame: Frame, box: Box) -> Box | None:
    """The ink in a reader's box, to a part of a px; None on a ground too uneven to tell it."""
    x0, y0 = max(0, int(box.x)), max(0, int(box.y))
    x1 = min(frame.width, int(np.ceil(box.right)))
    y1 = min(frame.height, int(np.ceil(box.bottom)))
    if min(x1 - x0, y1 - y0) < 6:
        return None
    grey = frame.grey[y0:y1, x0:x1]
    rim = np.concatenate([grey[0], grey[-1], grey[:, 0], grey[:, -1]])
    ground = float(np.median(rim))
    far = np.abs(grey - ground)
    contrast = float(np.percentile(far, 97))
    if contrast < _CONTRAST or float(np.quantile(np.abs(rim - ground), 0.9)) > _EVEN * contrast:
        return None
    across = _extent(far.max(axis=0) / contrast)
    down = _extent(far.max(axis=1) / contrast)
    if across is None or down is None:
        return None
    return Box(x0 + across[0], y0 + down[0], across[1] - across[0], down[1] - down[0])


def _extent(profile: NDArray[np.float32]) -> tuple[float, float] | None:
    """Where ink begins and ends: half of the contrast, between two pixels' middles."""
    inside = np.flatnonzero(profile >= 0.5)
    if not inside.size or inside[0] == 0 or inside[-1] == len(profile) - 1:
        return None  # cut off by the box

    def crossing(out: int, within: int) -> float:
        share = (0.5 - profile[out]) / (profile[within] - profile[out])
        return out + float(share) * (within - out) + 0.5

    first, last = int(inside[0]), int(inside[-1])
    return crossing(first - 1, first), crossing(last + 1, last)
