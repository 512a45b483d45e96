"""Grid lines and ticks of a chart: straight lines along whole rows or columns of its picture."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from extractor.records import Box
from extractor.traces.ink import Ink, Plane

Numbers = NDArray[np.float64]

_LEAST = 2.0
"""Least mean difference of brightness along a line, code values."""
_NOISE = 6.0
"""The same in deviations (MAD) of the rows around."""
_FAINTEST = 0.12
"""The same as a share of the strongest line, an axis or a frame: less is what coding leaves."""
_WINDOW = 21
"""Rows from whose median a line must differ."""
_TICK_LEAST = 0.4
"""Strength of the weakest tick, in strengths of the strongest line of the chart."""
_TICK = 4
"""How far from the plot's edge ticks are looked for, px: labels stand further away."""


@dataclass(frozen=True, slots=True)
class Lines:
    """Middles of lines across one axis, px: through the plot, as ticks, and where lines end.

    ``ends`` are the ends of the grid lines that run along the axis.
    """

    grid: tuple[float, ...]
    ticks: tuple[float, ...]
    ends: tuple[float, ...] = ()


def find_lines(ink: Ink, plot: Box) -> tuple[Lines, Lines]:
    """Find what marks the time axis (x) and the value axis (y); px of the planes of ``ink``."""
    bare = np.where(_grown(ink.own), np.nan, ink.off[..., 0])
    left, right = round(plot.x) + 2, round(plot.right) - 2
    top, bottom = round(plot.y) + 2, round(plot.bottom) - 2
    rows, strong = _peaks(_mean(bare[:, left:right], 1))
    columns, stronger = _peaks(_mean(bare[top:bottom].T, 1))
    strips = (
        bare[:, max(0, left - 2 - _TICK) : left - 3],
        bare[:, right + 3 : right + 3 + _TICK],
        bare[max(0, top - 2 - _TICK) : top - 3].T,
        bare[bottom + 3 : bottom + 3 + _TICK].T,
    )
    least = _TICK_LEAST * max(strong, stronger)
    beside = [_ticks(strip, least) for strip in strips]
    return (
        Lines(columns, (*beside[2], *beside[3]), _ends(bare, rows, plot)),
        Lines(rows, (*beside[0], *beside[1]), _ends(bare.T, columns, _turned(plot))),
    )


def _turned(box: Box) -> Box:
    return Box(box.y, box.x, box.h, box.w)


def _grown(own: NDArray[np.bool_]) -> NDArray[np.bool_]:
    return cv2.dilate(own.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0


def _mean(values: Plane, axis: int) -> Numbers:
    known = np.isfinite(values)
    count = known.sum(axis=axis)
    total = np.where(known, values, 0).sum(axis=axis, dtype=np.float64)
    return np.where(count > 0.1 * values.shape[axis], total / np.maximum(count, 1), 0.0)


def _ticks(strip: Plane, least: float) -> tuple[float, ...]:
    """Ticks as strong as ``least``: what coding leaves of grid lines beyond the plot is weaker."""
    if min(strip.shape) < 3:
        return ()
    places, _ = _peaks(_mean(strip, 1), least)
    return places


def _peaks(profile: Numbers, least: float = 0.0) -> tuple[tuple[float, ...], float]:
    """Middles of narrow deviations from the profile's own running median, to a fraction of a px.

    ``least`` is how strong they are at least, code values; the strongest is returned with them.
    """
    if profile.size < 5:
        return (), 0.0
    half = min(_WINDOW, profile.size | 1) // 2
    padded = np.pad(profile, half, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1)
    off = profile - np.median(windows, axis=1)
    size = np.abs(off)
    least = max(least, _LEAST, _NOISE * float(np.median(size)), _FAINTEST * float(size.max()))
    middles = []
    for at in np.flatnonzero(size > least):
        around = size[max(0, at - 2) : at + 3]
        if size[at] < around.max() or (at > 0 and size[at - 1] == size[at]):
            continue
        reach = slice(max(0, at - 2), at + 3)
        same = np.where(np.sign(off[reach]) == np.sign(off[at]), size[reach], 0)
        place = np.arange(profile.size)[reach] + 0.5
        middles.append(float((same * place).sum() / same.sum()))
    return tuple(middles), float(size.max())


def _ends(bare: Plane, rows: tuple[float, ...], plot: Box) -> tuple[float, ...]:
    """Where the grid lines that run along rows begin and end, if they do beside the plot's edges.

    The brightness of all of them together, as a step to a fraction of a px.
    """
    inside = [row for row in rows if plot.y - 2 <= row <= plot.bottom + 2]
    if not inside:
        return ()
    signs = []
    for row in inside:
        line = bare[min(int(row), bare.shape[0] - 1)]
        known = line[np.isfinite(line)]
        signs.append(np.nan if known.size == 0 else float(np.median(known)))
    profiles = [
        bare[min(int(row), bare.shape[0] - 1)] / sign
        for row, sign in zip(inside, signs, strict=True)
        if np.isfinite(sign) and abs(sign) > _LEAST
    ]
    if not profiles:
        return ()
    stack = np.array(profiles)
    some = np.isfinite(stack).any(axis=0)
    strength = np.zeros(stack.shape[1])
    strength[some] = np.nanmedian(stack[:, some], axis=0)
    reach = 6
    found = []
    for edge, sense in ((plot.x, 1), (plot.right, -1)):
        begin, end = round(edge) - reach, round(edge) + reach
        if begin < 0 or end > strength.size:
            continue
        step = np.clip(strength[begin:end], 0, 1)
        outer, inner = (step[:3], step[-3:]) if sense > 0 else (step[-3:], step[:3])
        if outer.mean() < 0.25 and inner.mean() > 0.75:
            covered = float(step.sum())
            found.append(end - covered if sense > 0 else begin + covered)
    return tuple(found)
