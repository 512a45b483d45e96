"""Pieces of a picture as people look at them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from extractor.records import Box

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


def around(image: NDArray[np.uint8], box: Box, margin: float = 0.0) -> NDArray[np.uint8]:
    """All whole px of ``image`` that ``box`` and ``margin`` px around it touch, at least one.

    ``image`` has shape (h, w, 3); what is returned is a view of it.
    """
    height, width = image.shape[:2]
    left = min(max(0, math.floor(box.x - margin)), width - 1)
    top = min(max(0, math.floor(box.y - margin)), height - 1)
    right = min(max(left + 1, math.ceil(box.right + margin)), width)
    bottom = min(max(top + 1, math.ceil(box.bottom + margin)), height)
    return image[top:bottom, left:right]
