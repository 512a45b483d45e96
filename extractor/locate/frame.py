"""One frame as locating sees it: grey levels at any size, made once and shared by all layouts."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from extractor.records import Box

Grey = NDArray[np.float32]

LEVEL_STEP = 1.08
"""Ratio of neighbouring sizes of the search; half a step is what aligning must make good."""

WINDOW = 13
"""Side of the neighbourhood that evens out contrast, cells of the search."""

_FLAT = 4.0
"""Grey levels added to the local contrast, so that the noise of flat areas stays small."""

RIM = 12
"""Empty cells around a level: a group that the frame cuts off may still be found by the rest."""

_KEPT = 4_000_000
"""Cells of the search's sizes that are kept for the next group; larger ones are made again."""


def even_contrast(grey: Grey) -> Grey:
    """Grey levels less their local mean, over their local deviation, between -1 and 1.

    What is left is the shape of strokes: a tint, a translucent panel or a scene behind it changes
    it little, an inverted theme changes its sign alone. A lone strong edge counts little more than
    a stroke, else it would outdo the letters in any correlation.
    """
    size = (WINDOW, WINDOW)
    high = grey - cv2.boxFilter(grey, -1, size)
    # a running sum of squares may end a little below 0
    deviation = np.sqrt(np.maximum(cv2.boxFilter(high * high, -1, size), 0))
    return np.asarray(high / (deviation + np.float32(_FLAT) + np.abs(high)), np.float32)


class Frame:
    """Grey levels of one upright frame with its halvings, made when asked for."""

    def __init__(self, image: NDArray[np.uint8]) -> None:
        self.image = image
        self.height, self.width = image.shape[:2]
        self._halvings: list[Grey] = [
            cv2.cvtColor(np.ascontiguousarray(image), cv2.COLOR_RGB2GRAY).astype(np.float32)
        ]
        self._levels: dict[int, Grey] = {}

    @property
    def grey(self) -> Grey:
        """Grey levels at full size, shape (h, w)."""
        return self._halvings[0]

    def holds(self, box: Box) -> bool:
        """Whether the whole box lies on the frame."""
        return box.x >= 0 and box.y >= 0 and box.right <= self.width and box.bottom <= self.height

    def _halving(self, index: int) -> Grey:
        while len(self._halvings) <= index:
            last = self._halvings[-1]
            height, width = last.shape[0] // 2 * 2, last.shape[1] // 2 * 2
            if min(height, width) < 8:
                break
            even = last[:height, :width]
            half = cv2.resize(even, (width // 2, height // 2), interpolation=cv2.INTER_AREA)
            self._halvings.append(np.asarray(half, np.float32))
        return self._halvings[min(index, len(self._halvings) - 1)]

    def level(self, index: int) -> Grey:
        """The whole frame with even contrast, ``LEVEL_STEP`` to the power of -``index`` its size.

        Small ones are kept: several groups are looked for on them, one after the other.
        """
        kept = self._levels.get(index)
        if kept is not None:
            return kept
        level = self.shrunk(LEVEL_STEP**-index)
        if sum(each.size for each in self._levels.values()) + level.size <= _KEPT:
            self._levels[index] = level
        return level

    def shrunk(self, factor: float) -> Grey:
        """The whole frame with even contrast, ``factor`` (at most 1) times its size, in a rim."""
        index = max(0, int(np.floor(-np.log2(factor) + 1e-9)))
        source = self._halving(index)
        size = (max(8, round(self.width * factor)), max(8, round(self.height * factor)))
        if size != (source.shape[1], source.shape[0]):
            source = cv2.resize(source, size, interpolation=cv2.INTER_AREA).astype(
                np.float32, copy=False
            )
        level = even_contrast(source)
        return cv2.copyMakeBorder(level, *(RIM,) * 4, cv2.BORDER_CONSTANT, value=0.0).astype(
            np.float32, copy=False
        )

    def sample(
        self, x: float, y: float, step_x: float, step_y: float, columns: int, rows: int
    ) -> Grey:
        """A patch of ``rows`` × ``columns`` grey levels, each the mean of a cell of the frame.

        (``x``, ``y``) is the upper left corner of the patch, ``step_x`` and ``step_y`` the cell's
        size, all in px of the frame. Beyond the frame its edge goes on.
        """
        reduction = max(1.0, (step_x + step_y) / 2)
        index = int(np.floor(np.log2(reduction)))
        source = self._halving(index)
        ratio_x, ratio_y = self.width / source.shape[1], self.height / source.shape[0]
        if index:  # halving drops an odd last row or column
            ratio_x = ratio_y = float(2 ** min(index, len(self._halvings) - 1))
        left, top = x / ratio_x, y / ratio_y
        across, down = step_x / ratio_x, step_y / ratio_y
        reach = 4
        x0 = int(np.clip(np.floor(left) - reach, 0, source.shape[1] - 1))
        y0 = int(np.clip(np.floor(top) - reach, 0, source.shape[0] - 1))
        x1 = int(np.clip(np.ceil(left + across * columns) + reach, x0 + 1, source.shape[1]))
        y1 = int(np.clip(np.ceil(top + down * rows) + reach, y0 + 1, source.shape[0]))
        cut = source[y0:y1, x0:x1]
        rest = (across + down) / 2
        if rest > 1.02:
            blur = 0.5 * float(np.sqrt(rest * rest - 1))
            cut = np.asarray(cv2.GaussianBlur(cut, (0, 0), blur), np.float32)
        # pixel centres lie half a pixel from the corners that coordinates count from
        turn = np.array(
            [[across, 0, left + across / 2 - 0.5 - x0], [0, down, top + down / 2 - 0.5 - y0]],
            np.float64,
        )
        patch = cv2.warpAffine(
            cut,
            turn,
            (columns, rows),
            flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
        return np.asarray(patch, np.float32)
