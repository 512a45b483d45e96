"""Ink of another colour at the edge of a bare crop: a neighbour's that touches the figure.

A monitor draws one figure in one colour (common practice). A loose crop may show the first letter
of what stands beside it, whole or cut; where the two touch, only the colour tells them apart, and
nets that read letters by their form take it for the figure's.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from extractor.reading.ctc import Columns
from extractor.reading.interface import CharAt, Picture

_EDGE = 0.08  # heights of a crop from its edge within which the outermost character stands there
_OTHERS = 3  # so many others must show the figure's colour
_APART = 3.0  # times as far from the figure's colour as the most unlike of them
_ALIKE = 4.0  # CIELAB units that colours of one ink differ by at any rate: coding, soft edges
_INK = 0.85  # quantile of the distances from the ground beyond which all is ink
_THIN = 0.04  # share of a thin one's width and height that its ink fills at least
_ROWS = 20  # rows looked at suffice
_SMALL = frozenset(".,:'-+ ")  # too few px of ink to tell its colour


def without_neighbour(crop: Picture, line: Columns) -> Picture | None:
    """Cut off the outermost character at an edge if it shows nothing of the figure's colour.

    ``crop``: RGB uint8 of shape (h, w, 3); ``line``: what was read on it. None where nothing is
    cut off. Colours are compared in CIELAB (CIE 15:2018, 8.2.1).
    """
    high, wide = crop.shape[:2]
    edge = _EDGE * high
    if not _reaches(line, edge, wide):
        return None
    drawn = [char for char in line.spelled() if char.char != " "]
    large = [char for char in drawn if char.char not in _SMALL]
    if len(large) <= _OTHERS:
        return None
    at_left = drawn[0].char not in _SMALL and drawn[0].x0 <= edge
    # A letter right of a figure may be its unit, which many draw in another colour.
    at_right = drawn[-1].char.isdigit() and drawn[-1].x1 >= wide - edge
    if not (at_left or at_right):
        return None
    away = _from_figure(crop, large)
    if at_right and away[-1] > _APART * (max(away[:-1]) + _ALIKE):
        return crop[:, : max(1, round((drawn[-2].x1 + drawn[-1].x0) / 2))]
    if at_left and away[0] > _APART * (max(away[1:]) + _ALIKE):
        return crop[:, min(wide - 1, round((drawn[0].x1 + drawn[1].x0) / 2)) :]
    return None


def _reaches(line: Columns, edge: float, wide: int) -> bool:
    """Tell whether a line of some characters may reach an edge; most need no more of a look."""
    runs, px = line.runs, line.px
    if len(runs) <= _OTHERS:
        return False
    return (runs[0][1] - 1) * px <= edge or (runs[-1][2] + 1) * px >= wide - edge


def _from_figure(crop: Picture, chars: Sequence[CharAt]) -> list[float]:
    """Tell how far each character's px that are most like the figure's ink are from it, CIELAB."""
    step = max(1, crop.shape[0] // _ROWS)
    small = np.ascontiguousarray(crop[::step, ::step], np.float32) / np.float32(255)
    lab = cv2.cvtColor(small, cv2.COLOR_RGB2LAB)
    ground = np.median(lab, axis=(0, 1))
    first = min(lab.shape[1] - 1, max(0, round(chars[0].x0 / step)))
    inner = lab[:, first : max(first + 1, round(chars[-1].x1 / step))].reshape(-1, 3)
    away = _distances(inner, ground)
    ink = np.median(inner[away >= np.quantile(away, _INK)], axis=0)
    unlike = _distances(lab, ink)
    found = []
    for char in chars:
        first = min(lab.shape[1] - 1, max(0, round(char.x0 / step)))
        piece = unlike[:, first : max(first + 1, round(char.x1 / step))].ravel()
        rank = int(_THIN * len(piece))
        found.append(float(np.partition(piece, rank)[rank]))
    return found


def _distances(lab: NDArray[Any], colour: NDArray[Any]) -> NDArray[Any]:
    off = lab - colour
    return np.asarray(np.sqrt(np.einsum("...c,...c->...", off, off)))
