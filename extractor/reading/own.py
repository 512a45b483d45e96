"""The project's own reader: two small convolutional nets, trained on synthetic lines.

How they are trained and what they can do stands in ``docs/model-card.md``.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from extractor.reading.interface import Picture

HEIGHTS = (32, 40)  # px of a line for the first and the second net
# A line is padded to the next of these widths at 32 px (and to as much at 40): a result never
# depends on which lines share a batch.
WIDTHS = (32, 48, 64, 80, 96, 112, 128, 160, 192, 256, 320, 512)
_GROUND = 127  # grey of the padding


def prepare(line: Picture, height: int, width: int) -> NDArray[np.uint8]:
    """Bring ``line`` to ``height`` and pad it with grey to ``width``, uint8 (height, width, 3)."""
    wide = min(width, max(1, round(line.shape[1] * height / line.shape[0])))
    how = cv2.INTER_AREA if height < line.shape[0] else cv2.INTER_LINEAR
    padded = np.full((height, width, 3), _GROUND, np.uint8)
    padded[:, :wide] = cv2.resize(line, (wide, height), interpolation=how)
    return padded
