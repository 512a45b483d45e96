"""Turning pictures upright, by one table for EXIF orientations and display matrices."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


def upright(pixels: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """The picture ``pixels``, (h, w, 3), as its EXIF ``orientation`` of 1 to 8 shows it.

    CIPA DC-008 (EXIF 2.32), tag 274 Orientation: which sides of the upright picture the first
    stored row and column are.
    """
    if orientation >= 5:
        pixels = pixels.transpose(1, 0, 2)
    if orientation in (2, 3, 6, 7):
        pixels = pixels[:, ::-1]
    if orientation in (3, 4, 7, 8):
        pixels = pixels[::-1]
    return np.ascontiguousarray(pixels)


def turned(size: tuple[int, int], orientation: int) -> tuple[int, int]:
    """Width and height of a picture of ``size`` once it is upright."""
    return (size[1], size[0]) if orientation >= 5 else size


# Where a display matrix leads the step to the right and the step down, as (right, down).
_ORIENTATIONS = {
    (1, 0, 0, 1): 1,
    (-1, 0, 0, 1): 2,
    (-1, 0, 0, -1): 3,
    (1, 0, 0, -1): 4,
    (0, 1, 1, 0): 5,
    (0, 1, -1, 0): 6,
    (0, -1, -1, 0): 7,
    (0, -1, 1, 0): 8,
}


def orientation_of_matrix(matrix: bytes) -> int:
    """EXIF orientation of a display matrix of nine native 32-bit numbers.

    ISO/IEC 14496-12, 8.2.2: {a, b, u, c, d, v, x, y, w}; (p, q) is drawn at
    (a·p + c·q + x, b·p + d·q + y). Matrices that do more than turn and flip count as 1.
    """
    if len(matrix) != 36:
        return 1
    a, b, _, c, d, *_ = np.sign(np.frombuffer(matrix, np.int32)).tolist()
    return _ORIENTATIONS.get((a, b, c, d), 1)
