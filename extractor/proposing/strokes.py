"""Ink on a capture: what is drawn apart from the ground it stands on.

Boxes and extents are px of the capture; pictures are RGB uint8 (h, w, 3).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from extractor.records import Box

Image = NDArray[np.uint8]

FLAT = 14.0
"""Spread of a ground (grey levels, 80 % of its pixels) up to which it counts as one colour."""


@dataclass(frozen=True, slots=True)
class Ground:
    """What text stands on: its colour and how much that varies, grey levels."""

    colour: tuple[float, float, float]
    spread: float

    @property
    def flat(self) -> bool:
        """Whether ink can be told from it by colour alone."""
        return self.spread <= FLAT


def ground(image: Image, box: Box) -> Ground:
    """The ground of a piece of text, from the rim of its box."""
    x0, y0, x1, y1 = whole(image, box)
    piece = image[y0:y1, x0:x1].astype(np.float32)
    rim = max(1, round(0.06 * (y1 - y0)))
    band = np.concatenate(
        [
            part.reshape(-1, 3)
            for part in (piece[:rim], piece[-rim:], piece[:, :rim], piece[:, -rim:])
        ]
    )
    colour = np.median(band, axis=0)
    far = np.abs(band - colour).max(axis=1)
    return Ground(
        (float(colour[0]), float(colour[1]), float(colour[2])), float(np.quantile(far, 0.8))
    )


def ink(image: Image, box: Box) -> NDArray[np.bool_]:
    """Where ink is, shape (h, w) of the whole px of ``box``."""
    x0, y0, x1, y1 = whole(image, box)
    piece = image[y0:y1, x0:x1]
    under = ground(image, box)
    if under.flat:
        far = np.abs(piece.astype(np.float32) - np.array(under.colour, np.float32)).max(axis=2)
    else:
        far = stroke_map(piece)
    if far.max() < 12:
        return np.zeros(far.shape, bool)
    level, _ = cv2.threshold(far.clip(0, 255).astype(np.uint8), 0, 255, cv2.THRESH_OTSU)
    return np.asarray(far > max(level, 10.0), bool)


def stroke_map(piece: Image) -> NDArray[np.float32]:
    """How much a pixel stands out as a thin stroke, lighter or darker, whichever there is more."""
    grey = cv2.cvtColor(np.ascontiguousarray(piece), cv2.COLOR_RGB2GRAY)
    side = max(3, round(0.4 * piece.shape[0])) | 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    light = cv2.morphologyEx(grey, cv2.MORPH_TOPHAT, kernel)
    dark = cv2.morphologyEx(grey, cv2.MORPH_BLACKHAT, kernel)
    best = light if np.quantile(light, 0.9) >= np.quantile(dark, 0.9) else dark
    return np.asarray(best, np.float32)


def whole(image: Image, box: Box) -> tuple[int, int, int, int]:
    """The whole px (x0, y0, x1, y1) that a box touches, inside the image, at least one."""
    height, width = image.shape[:2]
    x0 = int(np.clip(np.floor(box.x), 0, width - 1))
    y0 = int(np.clip(np.floor(box.y), 0, height - 1))
    x1 = int(np.clip(np.ceil(box.right), x0 + 1, width))
    y1 = int(np.clip(np.ceil(box.bottom), y0 + 1, height))
    return x0, y0, x1, y1


def tight(image: Image, box: Box) -> Box:
    """``box`` drawn close around its ink; ``box`` itself if none is told."""
    x0, y0, _, _ = whole(image, box)
    marked = ink(image, box)
    least = 1 if ground(image, box).flat else 2
    columns = np.flatnonzero(marked.sum(axis=0) >= least)
    rows = np.flatnonzero(marked.sum(axis=1) >= least)
    if not columns.size or not rows.size:
        return box
    return Box(
        x0 + float(columns[0]),
        y0 + float(rows[0]),
        float(columns[-1] - columns[0] + 1),
        float(rows[-1] - rows[0] + 1),
    )


def inked_rows(marked: NDArray[np.bool_]) -> tuple[int, int] | None:
    """First row and last row + 1 with more than a tenth of the ink of the busiest."""
    counts = marked.sum(axis=1)
    rows = np.flatnonzero(counts > 0.1 * counts.max()) if counts.any() else np.array([], int)
    return (int(rows[0]), int(rows[-1]) + 1) if rows.size else None
