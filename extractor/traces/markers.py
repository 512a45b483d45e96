"""Markers on the samples of a line: spots of one size that are wider than the line."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

_WIDER = 0.9
"""Px by which the radius of a marker exceeds half the line's width at least."""
_LEAST = 5
"""Fewer spots than this are no markers."""
_ALIKE = 0.7
"""Share of the spots that must be of one size."""
_SAME = 0.8
"""Px by which the radii of markers differ by where they lie between pixels."""
_EVEN = 0.08
"""Share by which the distances of neighbouring markers differ, 1 px at least."""
_MIDDLE = 0.75
"""Px within which places as far from the edge as the middle belong to it."""


@dataclass(frozen=True, slots=True)
class Marker:
    """The middle of a marker and its radius, px of the plane given."""

    x: float
    y: float
    radius: float


def find_markers(ink: NDArray[np.bool_], pen: float) -> list[Marker]:
    """Find the places in the ink (h, w) that are further from its edge than all around them.

    Nothing unless most of them are equally far, further than the middle of the line, and stand
    at even distances, as samples do: bends and dense stretches of a line are wider than the pen
    too, but neither equally nor evenly.
    """
    depth = cv2.distanceTransform(ink.astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    side = 2 * int(np.ceil(pen / 2 + _WIDER)) + 1
    around = cv2.dilate(depth, np.ones((side, side), np.uint8))
    summits = (depth > pen / 2 + _WIDER) & (depth > around - _MIDDLE)
    count, _, _, middles = cv2.connectedComponentsWithStats(
        summits.astype(np.uint8), connectivity=8
    )
    if count - 1 < _LEAST:
        return []
    rows, columns = np.round(middles[1:, 1]).astype(int), np.round(middles[1:, 0]).astype(int)
    radius = around[rows, columns]
    usual = float(np.median(radius))
    alike = np.abs(radius - usual) <= _SAME
    if np.count_nonzero(alike) < max(_LEAST, _ALIKE * (count - 1)):
        return []
    apart = np.diff(np.sort(middles[1:, 0][alike]))
    usual_apart = float(np.median(apart))
    even = np.abs(apart - usual_apart) <= max(1.0, _EVEN * usual_apart)
    if usual_apart < usual or np.count_nonzero(even) < _ALIKE * even.size:
        return []
    return [Marker(float(x) + 0.5, float(y) + 0.5, usual) for x, y in middles[1:][alike]]
