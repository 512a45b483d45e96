"""Landmarks that are words: what the reader finds on a frame, held against a calibration."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from itertools import combinations

from extractor.calibration.model import Landmark
from extractor.reading.interface import WordAt
from extractor.records import Box

ALIKE = 0.75
"""Least likeness of a word read and a landmark's word (share of characters in common)."""


@dataclass(frozen=True, slots=True)
class WordSight:
    """A word of the frame taken for a landmark."""

    landmark: Landmark
    box: Box
    likeness: float


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
