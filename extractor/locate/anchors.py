"""The coarse search: where on a frame, and at which scale, a group of landmarks may lie.

Neighbouring pictures are looked for together and small: letters of some two px say little each, a
group of words with the gaps between them says enough, and a small frame is searched quickly. A
plain correlation proposes places, the correlation over the letters alone ranks them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from extractor.locate.frame import LEVEL_STEP, RIM, WINDOW, Frame, Grey, even_contrast
from extractor.locate.pictures import Picture

_LETTERS = (2.0, 4.5)
"""Least and most height of small letters in the coarse search, cells."""
_AREA = 340.0
"""Cells of letters that tell a group from chance."""
_BARE = 1.4
"""Outlined letters on the bare scene are looked for that much larger: only the change from letter
to outline tells them, not the ground around them."""
_ONE_GROUND = 20.0
"""Grey levels within which two pictures are drawn on the same ground."""
_EXTENT = 38
"""Greatest side of a group, cells: half a step of scale moves its ends by less than a cell."""
_A_LEVEL = 3
"""Places proposed by one size of the search."""
_NOISE = 0.1
"""Added to the deviation of evened contrast: empty places do not gain by their emptiness."""


@dataclass(frozen=True, slots=True)
class Peak:
    """A place where a group may be: scale and offset of its drawing, px of the frame."""

    scale: float
    x: float
    y: float
    strength: float


class Anchor:
    """A group of pictures of one part that the coarse search looks for as one."""

    def __init__(self, pictures: Sequence[Picture]) -> None:
        self.pictures = tuple(pictures)
        self.part = self.pictures[0].part
        self.letters = float(np.median([picture.letters for picture in self.pictures]))
        left = min(picture.box[0] for picture in self.pictures)
        top = min(picture.box[1] for picture in self.pictures)
        right = max(picture.box[0] + picture.box[2] for picture in self.pictures)
        bottom = max(picture.box[1] + picture.box[3] for picture in self.pictures)
        area = sum(picture.box[2] * picture.letters for picture in self.pictures)
        least, most = _LETTERS
        cells = min(max(float(np.sqrt(_AREA / area)), least / self.letters), most / self.letters)
        if any(picture.bare for picture in self.pictures):
            cells *= _BARE
        width, height = int(np.ceil(right - left)), int(np.ceil(bottom - top))
        shown = np.zeros((height, width), np.float32)
        cover = np.zeros((height, width), np.float32)
        for picture in self.pictures:
            x, y = round(picture.box[0] - left), round(picture.box[1] - top)
            w = min(max(1, round(picture.box[2])), width - x)
            h = min(max(1, round(picture.box[3])), height - y)
            weight = cv2.resize(picture.weight, (w, h), interpolation=cv2.INTER_AREA)
            grey = cv2.resize(picture.grey, (w, h), interpolation=cv2.INTER_AREA)
            cover[y : y + h, x : x + w] = weight
            shown[y : y + h, x : x + w] = grey * weight
        size = (max(3, round(width * cells)), max(3, round(height * cells)))
        weight = cv2.resize(cover, size, interpolation=cv2.INTER_AREA)
        grey = cv2.resize(shown, size, interpolation=cv2.INTER_AREA)
        grey = grey / np.maximum(weight, 1e-3)
        inside = (weight > 0.5).astype(np.float32)
        near = cv2.boxFilter(inside, -1, (WINDOW, WINDOW))
        mean = cv2.boxFilter(grey * inside, -1, (WINDOW, WINDOW)) / np.maximum(near, 1e-3)
        strokes = even_contrast(np.where(inside > 0, grey, mean).astype(np.float32)) * inside
        # strokes of a picture without their mean: its ground, lighter or darker, does not count
        strokes -= inside * (strokes.sum() / max(float(inside.sum()), 1.0))
        # wider than the extent: the piece with the most strokes
        x0 = _busiest(np.abs(strokes).sum(axis=0), _EXTENT)
        y0 = _busiest(np.abs(strokes).sum(axis=1), _EXTENT)
        strokes = strokes[y0 : y0 + _EXTENT, x0 : x0 + _EXTENT]
        self.strokes: Grey = np.ascontiguousarray(
            strokes / max(float(np.linalg.norm(strokes)), 1e-6), np.float32
        )
        self._letters = np.flatnonzero(np.abs(self.strokes) > 1e-6)
        self.cells = size[0] / width
        self.left, self.top = left + x0 / self.cells, top + y0 * height / size[1]

    def levels(self, frame: Frame, scales: tuple[float, float]) -> range:
        """The search levels at which the group has one of ``scales`` (least and most)."""
        first, last = (
            int(np.floor(np.log(scale / self.cells) / np.log(LEVEL_STEP))) for scale in scales
        )
        smallest = 12 / min(frame.width, frame.height)  # of a frame that still shows anything
        deepest = int(np.floor(np.log(1 / smallest) / np.log(LEVEL_STEP))) if smallest < 1 else -1
        return range(max(0, first), min(max(0, last + 1), deepest) + 1)

    def peaks_on(self, frame: Frame, level: Grey, scale: float, most: int) -> list[Peak]:
        """The ``most`` likeliest places on one level, on which the group has ``scale``."""
        high, wide = self.strokes.shape
        rows, columns = level.shape
        if rows <= high or columns <= wide:
            return []
        response = cv2.matchTemplate(level, self.strokes, cv2.TM_CCORR)
        np.abs(response, out=response)
        ratio_x = frame.width / (columns - 2 * RIM)
        ratio_y = frame.height / (rows - 2 * RIM)
        peaks = []
        for _ in range(most):
            _, found, _, (column, row) = cv2.minMaxLoc(response)
            if not found > 0:
                break
            under = level[row : row + high, column : column + wide].ravel()[self._letters]
            spread = (float(under.std()) + _NOISE) * np.sqrt(len(under))
            peaks.append(
                Peak(
                    scale,
                    (column - RIM) * ratio_x - self.left * scale,
                    (row - RIM) * ratio_y - self.top * scale,
                    found / float(spread),
                )
            )
            response[max(0, row - 4) : row + 5, max(0, column - 4) : column + 5] = 0
        return sorted(peaks, key=lambda peak: -peak.strength)

    def peaks_at(self, frame: Frame, scale: float, most: int) -> list[Peak]:
        """The ``most`` likeliest places at one known scale, best first."""
        level = frame.shrunk(min(1.0, self.cells / scale))
        return self.peaks_on(frame, level, scale, most)


def coarse(
    frame: Frame, searches: Sequence[tuple[Anchor, tuple[float, float]]], most: int
) -> list[list[Peak]]:
    """The ``most`` likeliest places of each group over its scales, best first.

    All groups are looked for on one level before the next is made: a level of a large frame takes
    megabytes.
    """
    found: list[list[Peak]] = [[] for _ in searches]
    levels = [anchor.levels(frame, scales) for anchor, scales in searches]
    for index in range(max((each.stop for each in levels), default=0)):
        active = [at for at, each in enumerate(levels) if index in each]
        if not active:
            continue
        level = frame.level(index)
        for at in active:
            anchor = searches[at][0]
            scale = anchor.cells * LEVEL_STEP**index
            found[at] += anchor.peaks_on(frame, level, scale, _A_LEVEL)
    for peaks in found:
        peaks.sort(key=lambda peak: -peak.strength)
    return [peaks[:most] for peaks in found]


def groups(pictures: Sequence[Picture], most: int) -> list[Anchor]:
    """Up to ``most`` groups, the most telling first, far from each other.

    A scrolled layout may show one of them alone.
    """
    clusters: list[list[Picture]] = []
    for picture in pictures:
        reach = _EXTENT * picture.letters / (_LETTERS[0] * (_BARE if picture.bare else 1))
        near = [
            other
            for other in pictures
            if other.part == picture.part
            # another theme inverts letters on one ground together, those on another ground may stay
            and abs(other.ground - picture.ground) < _ONE_GROUND
            and 0.6 < other.letters / picture.letters < 1.6
            and other.box[0] >= picture.box[0] - 0.12 * reach
            and other.box[1] >= picture.box[1] - 0.12 * reach
            and other.box[0] + other.box[2] <= picture.box[0] + max(0.88 * reach, picture.box[2])
            and other.box[1] + other.box[3] <= picture.box[1] + max(0.88 * reach, picture.box[3])
        ]
        clusters.append(near)

    def telling(cluster: list[Picture]) -> float:
        return float(np.sqrt(sum(p.box[2] * p.letters for p in cluster) * min(len(cluster), 3)))

    chosen: list[list[Picture]] = []
    rest = sorted(clusters, key=telling, reverse=True)
    while rest and len(chosen) < most:

        def worth(cluster: list[Picture]) -> float:
            if not chosen:
                return telling(cluster)
            away = min(abs(cluster[0].centre[1] - other[0].centre[1]) for other in chosen)
            same = max(len([p for p in cluster if p in other]) for other in chosen)
            return telling(cluster) * (away + cluster[0].box[3]) / (1 + 2 * same)

        best = max(rest, key=worth)
        rest.remove(best)
        chosen.append(best)
    return [Anchor(cluster) for cluster in chosen]


def _busiest(strokes: Grey, most: int) -> int:
    """Start of the stretch of at most ``most`` that holds most of the strokes."""
    if strokes.size <= most:
        return 0
    return int(np.convolve(strokes, np.ones(most), mode="valid").argmax())
