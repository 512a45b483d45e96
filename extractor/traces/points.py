"""How far the points of a line stick out beyond it: a small net, learnt from drawn charts.

Programs join the strokes of a line by rounds, by bevels, or by mitres up to a limit. Where samples
stand closer than the line is wide, what a point looks like depends on its neighbours, too, and no
rule of a few lines tells where the line ends. The net sees the ink around the end of a column, in
widths of the line, and how wide it grows below; what it makes of columns nearby; and its mean over
all points of the chart, which tells the join. ``tests/studies/learn_points.py`` draws the charts
that it learns from and trains it.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from extractor.traces.ink import Plane

Numbers = NDArray[np.float64]
Flags = NDArray[np.bool_]

POINTED = 1.6
"""Height of a column's ink, in widths of the line, from which it may end in a point."""
ASIDE = np.arange(-8, 9) * 0.25
DOWN = np.array([-0.5, -0.25, 0, 0.25, 0.5, 0.75, 1, 1.25, 1.5, 1.75, 2, 2.5, 3, 3.5, 4, 5, 6])
"""Where the ink around the end of a column is looked at, widths of the line."""
ALONG = np.concatenate([np.arange(-14, 0), np.arange(1, 15)]) * 0.25
"""Where the ends of neighbouring columns are looked at."""
_WIDE = np.array([0.2, 0.4, 0.6, 0.8, 1.0, 1.3])
"""A mitre is as wide as the line where its strokes meet: at what depth is the ink so wide?"""
DEPTHS = np.array([0.5, 1, 1.5, 2, 3, 4])
"""At these depths, how far does it go to the left and to the right?"""
_DEEPEST, _FARTHEST = 6, 1.5
"""How deep and how far to either side that is looked for."""
NEARBY = np.array([-1.5, -1, -0.5, 0.5, 1, 1.5])
"""Columns whose hidden features a column is shown, widths of the line away."""
_WEIGHTS = Path(__file__).with_name("points.npz")


def depths(ink: Plane, top: Numbers, bottom: Numbers, pen: float) -> tuple[Numbers, Numbers]:
    """How far below ``top`` and above ``bottom`` the line ends in every column, px, shape (w,).

    ``ink`` (h, w) is 1 where a pixel is all line; ``top`` and ``bottom`` are the edges of the ink
    in each column, y down, NaN where there is none; ``pen`` is the width of the line, px. Meant for
    columns of at least ``POINTED`` widths, of which there must be one.
    """
    height = len(ink)
    seen = np.stack(
        [
            features(ink, top, bottom, pen),
            features(ink[::-1], height - bottom, height - top, pen),
        ]
    )
    pointed = bottom - top > POINTED * pen
    above, below = _net(seen, pointed, pen) * pen
    return above, below


def features(ink: Plane, top: Numbers, bottom: Numbers, pen: float) -> Plane:
    """What the net sees of the upper end of every column, shape (w, features).

    First what lies on both sides of the column alike, then what lies to its left, then the same
    to its right, then what has no side.
    """
    width = len(top)
    known = np.isfinite(top)
    column = np.arange(width)
    end = np.interp(column, column[known], top[known])
    beside = (np.interp(column[:, None] + ALONG * pen, column, end) - end[:, None]) / pen
    high = np.nan_to_num((bottom - top) / pen)
    wide, left, right = _spread(ink, end, pen)
    tip = _highest_nearby(end, pen)
    return np.concatenate(
        [
            _around(ink, end, pen),
            beside / (1 + np.abs(beside)),
            left,
            left[tip],
            (tip - column)[:, None] / pen,
            right,
            right[tip],
            (column - tip)[:, None] / pen,
            wide,
            wide[tip],
            np.log1p((end - end[tip]) / pen)[:, None],
            np.log(np.clip(high, 0.5, 50))[:, None],
            np.full((width, 1), np.log(pen) / 2),
        ],
        axis=1,
        dtype=np.float32,
    )


def _around(ink: Plane, end: Numbers, pen: float) -> Plane:
    """The ink at ``DOWN`` by ``ASIDE``, shape (w, of both)."""
    width = len(end)
    shape, flat = (width, DOWN.size, ASIDE.size), (width, DOWN.size * ASIDE.size)
    x = np.broadcast_to(np.arange(width)[:, None, None] + ASIDE * pen, shape)
    y = np.broadcast_to((end[:, None] - 0.5 + DOWN * pen)[:, :, None], shape)
    return np.asarray(
        cv2.remap(
            np.ascontiguousarray(ink, np.float32),
            x.reshape(flat).astype(np.float32),
            y.reshape(flat).astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=0,
        ),
        np.float32,
    )


def _spread(ink: Plane, end: Numbers, pen: float) -> tuple[Numbers, Numbers, Numbers]:
    """Depths where the ink below the end is so wide; how far it goes left and right at depths."""
    height, width = ink.shape
    side = int(np.ceil(_FARTHEST * pen)) + 1
    rows = int(np.ceil(_DEEPEST * pen)) + 1
    bare = np.zeros((height + rows + 2, width + 2 * side), np.float32)
    bare[1 : height + 1, side:-side] = ink
    first = np.floor(end).astype(np.int64)
    row = np.clip(first[:, None] + np.arange(rows), -1, height + rows - 1) + 1
    column = np.arange(width)[:, None] + side
    here = bare[row, column]
    ways = []
    for away in (-1, 1):
        gone, through = here / 2, here
        for step in range(1, side + 1):
            through = np.minimum(through, bare[row, column + away * step])
            gone = gone + through
        ways.append(gone)
    left, right = ways
    wide = np.maximum.accumulate(left + right, axis=1) / pen
    at, each = first - end, np.arange(width)
    crossings = []
    for level in _WIDE:
        over = wide >= level
        some = over.any(axis=1)
        k = np.where(some, over.argmax(axis=1), rows - 1)
        below, above = wide[each, k], np.where(k > 0, wide[each, k - 1], 0.0)
        part = np.clip((level - above) / np.maximum(below - above, 1e-3), 0, 1)
        depth = np.where(some, at + k - 0.5 + part, rows)
        crossings.append(np.log1p(np.clip(depth, 0, None) / pen))
    k = np.clip(np.round(DEPTHS * pen - at[:, None] - 0.5).astype(np.int64), 0, rows - 1)
    return (
        np.stack(crossings, axis=1),
        np.minimum(left[each[:, None], k] / pen, 1.6),
        np.minimum(right[each[:, None], k] / pen, 1.6),
    )


def _highest_nearby(end: Numbers, pen: float) -> NDArray[np.int64]:
    """The column within the pen's reach whose ink goes up highest; of some alike the nearest."""
    away = np.arange(-max(1, round(pen / 2 + 0.5)), max(1, round(pen / 2 + 0.5)) + 1)
    around = np.clip(np.arange(len(end))[:, None] + away, 0, len(end) - 1)
    return np.asarray(
        around[np.arange(len(end)), (end[around] + 1e-3 * np.abs(away)).argmin(axis=1)]
    )


def _net(seen: Plane, pointed: Flags, pen: float) -> Plane:
    """Depths of the line, widths of it, shape (2, w), of features of shape (2, w, features)."""
    mean, deviation, *layers = _weights()
    first, whole, side, second, third, last = zip(layers[::2], layers[1::2], strict=True)

    def layer(values: Plane, weights: tuple[Plane, Plane]) -> Plane:
        return np.asarray(np.maximum(values @ weights[0] + weights[1], 0), np.float32)

    hidden = layer((seen - mean) / deviation, first)
    chart = layer(hidden[:, pointed], whole).mean(axis=(0, 1))
    width = seen.shape[1]
    near = np.round(NEARBY[:, None] * pen).astype(np.int64) + np.arange(width)
    beside = layer(hidden, side)[:, np.clip(near, 0, width - 1)]  # (2, nearby, w, features)
    shown = [
        hidden,
        np.broadcast_to(chart, (2, width, chart.size)),
        np.moveaxis(beside, 1, 2).reshape(2, width, -1),
    ]
    values = layer(layer(np.concatenate(shown, axis=2), second), third)
    return np.asarray((values @ last[0] + last[1])[..., 0], np.float32)


@cache
def _weights() -> tuple[Plane, ...]:
    """Mean and deviation of the features, then weights and offsets of each layer."""
    with np.load(_WEIGHTS) as stored:
        return tuple(stored[name].astype(np.float32) for name in stored.files)
