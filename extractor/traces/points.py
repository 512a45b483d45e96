"""How far the points of a line stick out beyond it: a small net, learnt from drawn charts.

Programs join the strokes of a line by rounds, by bevels, or by mitres up to a limit. Where samples
stand closer than the line is wide, what a point looks like depends on its neighbours, too, and no
rule of a few lines tells where the line ends. The net sees the ink around the end of a column, in
widths of the line, and what the points of the chart look like on the whole, which tells the join.
``tests/studies/learn_points.py`` draws the charts that it learns from and trains it.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from extractor.traces.ink import Plane

Numbers = NDArray[np.float64]

POINTED = 1.6
"""Height of a column's ink, in widths of the line, from which it may end in a point."""
_ASIDE = np.arange(-6, 7) * 0.25
_DOWN = np.array([-0.25, 0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4, 5])
"""Where the ink around the end of a column is looked at, widths of the line."""
_ALONG = np.concatenate([np.arange(-10, 0), np.arange(1, 11)]) * 0.25
"""Where the ends of neighbouring columns are looked at."""
_LEAST = 5
"""Fewer points than this tell nothing about the join."""
_WEIGHTS = Path(__file__).with_name("points.npz")


def depths(ink: Plane, top: Numbers, bottom: Numbers, pen: float) -> Numbers:
    """How far below ``top`` the line ends in every column, px, shape (w,).

    ``ink`` (h, w) is 1 where a pixel is all line; ``top`` and ``bottom`` are the edges of the ink
    in each column, y down, NaN where there is none; ``pen`` is the width of the line, px. For the
    other end turn everything upside down. Meant for columns of at least ``POINTED`` widths.
    """
    layers = _net()
    values = (features(ink, top, bottom, pen) - layers[0]) / layers[1]
    for at in range(2, len(layers) - 2, 2):
        values = np.maximum(values @ layers[at] + layers[at + 1], 0)
    return np.asarray(values @ layers[-2] + layers[-1], np.float64)[:, 0] * pen


def features(ink: Plane, top: Numbers, bottom: Numbers, pen: float) -> Plane:
    """What the net sees of every column, shape (w, features)."""
    width = len(top)
    known = np.isfinite(top)
    column = np.arange(width)
    end = np.interp(column, column[known], top[known])
    shape = (width, _DOWN.size, _ASIDE.size)
    x = np.broadcast_to(column[:, None, None] + _ASIDE * pen, shape)
    y = np.broadcast_to((end[:, None] - 0.5 + _DOWN * pen)[:, :, None], shape)
    flat = (width, _DOWN.size * _ASIDE.size)
    around = np.asarray(
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
    beside = (np.interp(column[:, None] + _ALONG * pen, column, end) - end[:, None]) / pen
    high = np.nan_to_num((bottom - top) / pen)
    before, after = np.append(np.inf, end[:-1]), np.append(end[1:], np.inf)
    points = known & (end < before) & (end <= after) & (high > POINTED)
    usual = np.zeros(_DOWN.size + 1)
    if np.count_nonzero(points) >= _LEAST:
        across = around.reshape(shape)[points].sum(axis=2)
        usual[:-1] = across.mean(axis=0) / 8
        usual[-1] = np.log(np.median(high[known]))
    return np.concatenate(
        [
            around,
            beside / (1 + np.abs(beside)),
            np.log(np.clip(high, 0.5, 50))[:, None],
            np.full((width, 1), np.log(pen) / 2),
            np.broadcast_to(usual, (width, usual.size)),
        ],
        axis=1,
        dtype=np.float32,
    )


@cache
def _net() -> tuple[Plane, ...]:
    """Mean and deviation of the features, then weights and offsets of each layer."""
    with np.load(_WEIGHTS) as stored:
        return tuple(stored[name].astype(np.float32) for name in stored.files)
