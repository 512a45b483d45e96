"""Figures of seven segments, each face drawn with a geometry of its own.

Open fonts hold few designs of this kind, and devices draw many.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np

from extractor.reading.training.stock import Glyph

_LIT = {
    "0": "abcdef", "1": "bc", "2": "abdeg", "3": "abcdg", "4": "bcfg", "5": "acdfg",
    "6": "acdefg", "7": "abc", "8": "abcdefg", "9": "abcdfg", "-": "g",
}  # fmt: skip
_HEIGHT = 0.72  # of the em: a figure, as in most fonts
_FINE = 16  # parts of a px in which OpenCV takes places (4 bits)


@dataclass(frozen=True)
class SegmentFace:
    """A face of seven segments; lengths in figure heights.

    ``width`` of a figure, ``thick`` of a segment, ``gap`` between two, ``blunt``: ends are cut
    straight, not to a point; ``lit`` which segments of a figure are on.
    """

    width: float
    thick: float
    gap: float
    blunt: bool
    lit: dict[str, str] = field(repr=False)
    kind: str = "segment"
    family: str = "segments"
    name: str = "segments"
    has: frozenset[str] = frozenset("0123456789-.: ")

    def font(self, size: float) -> float:
        """A geometry needs no opening."""
        return size

    def glyph(self, char: str, size: float, font: object = None) -> Glyph:
        """Draw one character at ``size`` px an em."""
        high = _HEIGHT * size
        wide, thick = self.width * high, self.thick * high
        narrow = char in ".: "
        advance = (2.4 * thick if narrow else wide) + 1.6 * thick
        mask = np.zeros((int(high) + 4, int(max(wide, 3 * thick)) + 4), np.uint8)
        if char in ".:":
            for y in [high - thick] if char == "." else [0.28 * high, 0.66 * high]:
                self._fill(mask, [(0, y), (thick, y), (thick, y + thick), (0, y + thick)])
        for segment in self.lit.get(char, ""):
            self._fill(mask, self._outline(segment, high, wide, thick))
        left, top, w, h = cv2.boundingRect(mask)
        ink = np.ascontiguousarray(mask[top : top + h, left : left + w])
        return Glyph(ink, round(0.8 * thick) + left - 1, top - 1 - round(high), advance)

    def _outline(
        self, segment: str, high: float, wide: float, thick: float
    ) -> list[tuple[float, float]]:
        half, gap = thick / 2, self.gap * high
        ends = 0.0 if self.blunt else half
        middle = high / 2
        if segment in "adg":
            y = {"a": half, "g": middle, "d": high - half}[segment]
            x0, x1 = half + gap, wide - half - gap
            flat = [(x0, y), (x0 + ends, y - half), (x1 - ends, y - half), (x1, y)]
            return [*flat, (x1 - ends, y + half), (x0 + ends, y + half)]
        x = half if segment in "ef" else wide - half
        y0, y1 = (half, middle) if segment in "bf" else (middle, high - half)
        y0, y1 = y0 + gap, y1 - gap
        upright = [(x, y0), (x + half, y0 + ends), (x + half, y1 - ends), (x, y1)]
        return [*upright, (x - half, y1 - ends), (x - half, y0 + ends)]

    def _fill(self, mask: np.ndarray, outline: list[tuple[float, float]]) -> None:
        points = np.round((np.array(outline) + 1) * _FINE).astype(np.int32)
        cv2.fillPoly(mask, [points], 255, cv2.LINE_AA, 4)


def draw_face(rng: np.random.Generator) -> SegmentFace:
    """Draw a geometry; 6, 7 and 9 with or without the strokes in which designs differ."""
    lit = dict(_LIT)
    if rng.random() < 0.15:
        lit["6"], lit["9"] = "cdefg", "abcfg"
    if rng.random() < 0.25:
        lit["7"] = "abcf"
    return SegmentFace(
        width=float(rng.uniform(0.42, 0.66)),
        thick=float(rng.uniform(0.08, 0.2)),
        gap=float(rng.uniform(0.0, 0.03)),
        blunt=bool(rng.random() < 0.3),
        lit=lit,
    )
