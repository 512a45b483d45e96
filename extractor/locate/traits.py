"""Landmarks that say little alone but much at a known place: straight edges and flat colours."""

from __future__ import annotations

import cv2
import numpy as np

from extractor.calibration.model import Landmark
from extractor.locate.frame import Frame
from extractor.records import Box

_RUNS = 0.75
"""Share of an edge's length along which the step in brightness must be seen."""
_LEAST_STEP = 3.0
"""Least mean step of an edge, grey levels."""
_COLOUR_REACH = 14.0
"""Greatest distance of a colour, CIE 1976 L*a*b*; coding and translucency move flat areas by less,
another theme by far more."""


def find_edge(
    frame: Frame, side: str, box: Box, reach: float, *, first: bool = False
) -> float | None:
    """The x (sides left, right) or y (top, bottom) of a straight edge near the side of ``box``.

    The step must go the same way along most of the side. With ``first`` the search starts at the
    side of the box and goes outwards, and the first such edge counts (a panel that may end
    anywhere); else the one that is clearest within ``reach`` px to either side.
    """
    upright = side in ("left", "right")
    line = {"left": box.x, "right": box.right, "top": box.y, "bottom": box.bottom}[side]
    start, length = (box.y, box.h) if upright else (box.x, box.w)
    limit = frame.width if upright else frame.height
    across = frame.height if upright else frame.width
    end = min(start + length, across)
    start = max(start, 0.0)
    if end - start < max(6.0, 0.5 * length):
        return None
    low, high = line - reach, line + reach
    if first:
        low, high = (
            (line - reach, line + 2) if side in ("left", "top") else (line - 2, line + reach)
        )
    low, high = max(low, 0.0), min(high, float(limit))
    cells = int(high - low) + 1
    if cells < 4:
        return None
    lines = int(np.clip(end - start, 6, 96))
    along = (end - start) / lines
    if upright:
        patch = frame.sample(low, start, 1.0, along, cells, lines)
    else:
        patch = frame.sample(start, low, along, 1.0, lines, cells).T
    steps = np.diff(patch.astype(np.float64), axis=1)
    mean = steps.mean(axis=0)
    runs = (steps * np.sign(mean) > 0.35 * np.abs(mean)).mean(axis=0)
    strength = np.where((runs >= _RUNS) & (np.abs(mean) >= _LEAST_STEP), np.abs(mean), 0.0)
    if not strength.any():
        return None
    if first:
        hits = np.flatnonzero(strength)
        outwards = hits[0] if side in ("right", "bottom") else hits[-1]
        near = np.arange(max(0, outwards - 2), min(len(strength), outwards + 3))
        peak = int(near[strength[near].argmax()])
    else:
        peak = int(strength.argmax())
    if not 0 < peak < len(mean) - 1:
        return float(low + 1 + peak)
    before, here, after = np.abs(mean[peak - 1 : peak + 2])
    bend = before - 2 * here + after
    shift = 0.5 * (before - after) / bend if bend < 0 else 0.0
    return float(low + 1 + peak + np.clip(shift, -0.5, 0.5))


def shows_colour(frame: Frame, landmark: Landmark, box: Box) -> bool:
    """Whether ``box`` on the frame is filled with the landmark's colour."""
    inset = 0.15
    x0, x1 = box.x + inset * box.w, box.right - inset * box.w
    y0, y1 = box.y + inset * box.h, box.bottom - inset * box.h
    left, top = max(0, int(x0)), max(0, int(y0))
    right, bottom = min(frame.width, int(np.ceil(x1))), min(frame.height, int(np.ceil(y1)))
    if right <= left or bottom <= top or landmark.colour is None:
        return False
    area = frame.image[top:bottom, left:right].reshape(-1, 3)
    seen = np.median(area, axis=0)
    wanted = np.array([int(landmark.colour[at : at + 2], 16) for at in (1, 3, 5)])
    pair = np.stack([seen, wanted]).astype(np.float32)[None] / 255
    lab = cv2.cvtColor(pair, cv2.COLOR_RGB2Lab)[0]
    return float(np.linalg.norm(lab[0] - lab[1])) <= _COLOUR_REACH
