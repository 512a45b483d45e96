"""The curve in px: edges of the line's ink in every column of a plot, and what mars them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from extractor.records import Box
from extractor.traces.ink import Ink, Plane, filled
from extractor.traces.markers import Marker, find_markers
from extractor.traces.points import POINTED, depths
from extractor.traces.runs import Numbers, Runs, Whole, find_path, find_runs
from extractor.traces.second import second_line

Image = NDArray[np.uint8]

PAD = 10
"""Rows beyond the plot in which the width of the line may reach, px."""
_LEAST_SIDE = 16
"""Side of the smallest plot that is looked at, px."""
_SEEN = 0.25
"""Share of full ink that a column's strongest pixel must have to tell how strong the line is."""
_THINNEST = 0.5
"""Least width of a line, px."""
_TIP = 7
"""Rows at the ends of a column's ink in which a dip grows narrower than the line."""
_EVEN_ROW, _EVEN_ROWS = 0.35, 0.4
"""How far the widths of a stroke differ from row to row and over four rows on a line's way, px."""
_EVEN_LEAST, _INNER_LEAST = 4, 40
"""So many even strokes tell the width of the line, and so many others where those are fewer."""
_RIM = 3
"""Px of a stroke's edge over which its ink fades."""
_TALL = 3.5
"""Height of a column's ink, in widths of the line, from which it may be a dip's reach."""
_EVEN = 0.3
"""How far the heights of neighbouring columns differ where one can be had from the others."""
_FLAT = 0.6
"""Slope up to which a column tells the width of the line."""
_FRAME, _ALONG = 4, 0.9
"""How far from the plot's edge a frame is looked for, px, and the share of the edge it covers."""
_CLEARLY = 0.7
"""Share of full ink from which a whole row of it is the line."""
_EDGE = 0.8
"""How near to the plot's edge ink ends that may have been cut there, px."""


@dataclass(frozen=True, slots=True)
class Curve:
    """The line by column with its bounds, px of the picture given, NaN where none is seen.

    ``states``, ``pen``, ``rivals`` and ``jumps`` as in ``TraceRead``.
    """

    middle: Numbers
    upper: Numbers
    lower: Numbers
    states: str
    pen: float
    rivals: float
    jumps: int
    contrast: float


def find_curve(ink: Ink, plot: Box) -> Curve:
    """Follow the line through the plot (px of the planes of ``ink``), column by column.

    The columns are those whose middle lies in the plot.
    """
    first, last = columns_of(plot)
    piece = slice(first, last)
    share, own = ink.share[:, piece], ink.own[:, piece]
    if ink.grey:
        own = own & ~_frame(own, plot)
    foreign = ink.foreign[:, piece]
    width = last - first
    nothing = np.full(width, np.nan)
    none = Curve(nothing, nothing, nothing, "-" * width, 0.0, 0.0, 0, ink.contrast)
    if width < _LEAST_SIDE or plot.h < _LEAST_SIDE:
        return none
    peaks = np.where(own, share, 0).max(axis=0)
    strong = peaks[peaks > _SEEN]
    if strong.size == 0:
        return none
    full = float(np.clip(np.median(strong), 0.3, 2.0))
    thick = np.count_nonzero(own & (share > 0.6 * full), axis=0)
    pen = max(1, int(np.median(thick[peaks > _SEEN])))
    tint = filled(share / max(full, 1.0), own, min(pen, 12)) * max(full, 1.0)
    if ink.grey:
        tint = np.maximum(tint, _grid(share / full) * full)
    runs = find_runs(share, own, foreign, tint, full)
    chosen, jumps = find_path(runs, width)
    seen = chosen >= 0
    top, bottom = np.full(width, np.nan), np.full(width, np.nan)
    top[seen], bottom[seen] = runs.top[chosen[seen]], runs.bottom[chosen[seen]]
    bottom = np.maximum(bottom, top)
    clear = np.clip(np.where(own, share, 0) / full, 0, 1).astype(np.float64)
    strokes = _strokes(clear, runs, chosen)
    line_width = _pen(top, bottom, strokes, _strokes(clear, runs, chosen, _TIP), share.shape)
    states = np.where(seen, ".", "-")
    _mend_hidden(top, bottom, states, runs, chosen)
    rivals = second_line(ink.off[:, piece], clear, runs, chosen, top, bottom, line_width)
    held = _held(strokes, share.shape, line_width)
    states[_at_edge(top, bottom, plot, line_width)] = "e"
    under = np.minimum(tint, 0.9 * full)
    bare = np.clip(np.where(own, (share - under) / (full - under), 0), 0, 1).astype(np.float32)
    top, bottom = _rounded(bare, top, bottom, line_width)
    middle = _middles(top, bottom, held, runs, chosen, line_width)
    upper = np.minimum(top + line_width / 2, middle)
    lower = np.maximum(bottom - line_width / 2, middle)
    marks = find_markers(clear > 0.5, line_width)
    if marks:
        _through_markers(middle, upper, lower, marks)
    return Curve(
        middle,
        upper,
        lower,
        "".join(states),
        line_width,
        rivals,
        jumps,
        ink.contrast,
    )


def _frame(own: NDArray[np.bool_], plot: Box) -> NDArray[np.bool_]:
    """Axes and frame along the plot's edges, which a line without colour cannot be told from."""
    height, width = own.shape
    frame = np.zeros_like(own)
    down = own[max(0, round(plot.y)) : round(plot.bottom)]
    for edge in (plot.y, plot.bottom):
        for row in range(max(0, round(edge) - _FRAME), min(height, round(edge) + _FRAME)):
            frame[row] |= np.count_nonzero(own[row]) > _ALONG * width
    for column in (*range(min(_FRAME, width)), *range(max(0, width - _FRAME), width)):
        frame[:, column] |= np.count_nonzero(down[:, column]) > _ALONG * len(down)
    return frame


def _grid(share: Plane) -> Plane:
    """Grid lines in the ground's and the line's common grey, as a tint of their rows and columns.

    A row that is nearly all line is no grid line.
    """
    rows = np.median(share, axis=1, keepdims=True)
    columns = np.median(share, axis=0, keepdims=True)
    lines = [np.where(each < _CLEARLY, np.maximum(each, 0), 0) for each in (rows, columns)]
    tint = np.maximum(*np.broadcast_arrays(*lines)).astype(np.float32)
    return np.asarray(cv2.dilate(tint, np.ones((3, 3), np.uint8)), np.float32)


def columns_of(plot: Box) -> tuple[int, int]:
    """First column whose middle lies in the plot, and the one after the last."""
    return int(np.ceil(plot.x - 0.5)), int(np.ceil(plot.right - 0.5))


def _slope(top: Numbers, bottom: Numbers) -> Numbers:
    """Slope of the middle of the ink from the column before to the one after; NaN at gaps."""
    middle = (top + bottom) / 2
    slope = np.full_like(middle, np.nan)
    if middle.size > 2:
        slope[1:-1] = (middle[2:] - middle[:-2]) / 2
    return slope


def _pen(
    top: Numbers, bottom: Numbers, strokes: _Strokes, inner: _Strokes, shape: tuple[int, int]
) -> float:
    """Width of the line: what it takes down a column where it runs flat, or along a row.

    Along a slope s the ink of one column is ``pen * sqrt(1 + s²)`` high. ``inner`` are the strokes
    without those at the ends of columns: they tell it less well, where none is even.
    """
    slope = np.abs(_slope(top, bottom))
    flat = (slope < _FLAT) & np.isfinite(top)
    widths = []
    if flat.any():
        high = (bottom - top)[flat]
        widths.append(float(np.percentile(high / np.sqrt(1 + slope[flat] ** 2), 20)))
    even = (strokes.right - strokes.left)[_even(strokes, shape)]
    across = inner.right - inner.left
    if even.size >= _EVEN_LEAST:
        widths.append(float(np.percentile(even, 10)))
    elif across.size >= _INNER_LEAST:
        widths.append(float(np.percentile(across, 10)))
    known = [width for width in widths if width > 0]
    return max(_THINNEST, min(known) if known else float(np.nanmedian(bottom - top)))


def _even(strokes: _Strokes, shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Strokes as wide as those above and below: a line on its way, not the point of a mitre.

    A mitre of the limit 10 (HTML canvas; SVG: 4) grows by 0.2 px a row, blunter ones by more.
    """
    height, width = shape
    begin = np.clip(np.round(strokes.left).astype(np.int64), 0, width - 1)
    end = np.clip(np.round(strokes.right).astype(np.int64), begin + 1, width)
    at = np.full((height + 4, width), -1, np.int64)  # two rows more at either end
    stroke = np.repeat(np.arange(begin.size), end - begin)
    place = np.arange(stroke.size) - np.repeat(np.cumsum(end - begin) - (end - begin), end - begin)
    at[strokes.row[stroke] + 2, begin[stroke] + place] = stroke
    middle = np.clip(((strokes.left + strokes.right) / 2).astype(np.int64), 0, width - 1)
    around = np.stack([at[strokes.row + 2 + away, middle] for away in (-2, -1, 1, 2)])
    wide = np.append(strokes.right - strokes.left, np.nan)  # nothing, where there is no stroke
    near = wide[around]
    with np.errstate(invalid="ignore"):
        steady = np.abs(near[1:3] - wide[:-1]).max(axis=0) < _EVEN_ROW
        return np.asarray(steady & (np.abs(near[3] - near[0]) < _EVEN_ROWS))


@dataclass(frozen=True, slots=True)
class _Strokes:
    """Runs of the chosen ink along the rows, ``left`` and ``right`` to a fraction of a px."""

    row: Whole
    left: Numbers
    right: Numbers


def _strokes(ink: Numbers, runs: Runs, chosen: Whole, inset: int = 0) -> _Strokes:
    """Find the ink that was chosen along the rows; ``ink`` is 1 where a pixel is all line.

    Of each column's ink so many rows at both ends are left out.
    """
    height, width = ink.shape
    mask = np.zeros((height + 1, width), np.int32)
    taken = chosen[chosen >= 0]
    taken = taken[runs.lower[taken] - runs.upper[taken] >= 2 * inset]
    np.add.at(mask, (runs.upper[taken] + inset, runs.column[taken]), 1)
    np.add.at(mask, (runs.lower[taken] - inset + 1, runs.column[taken]), -1)
    inside = np.cumsum(mask, axis=0)[:-1] > 0
    sides = np.zeros((height, 1), np.int8)
    steps = np.diff(np.concatenate([sides, inside.astype(np.int8), sides], axis=1), axis=1)
    row, start = np.nonzero(steps == 1)
    _, end = np.nonzero(steps == -1)

    def beyond(column: Whole, away: int) -> Numbers:
        """Ink from a stroke's last px outwards."""
        columns = column[:, None] + away * np.arange(_RIM)
        known = (columns >= 0) & (columns < width)
        values = ink[row[:, None], np.clip(columns, 0, width - 1)].astype(np.float64)
        return np.asarray((np.minimum.accumulate(values, axis=1) * known).sum(axis=1))

    return _Strokes(row, start + 1 - beyond(start, -1), end - 1 + beyond(end - 1, 1))


def _held(strokes: _Strokes, shape: tuple[int, int], pen: float) -> Numbers:
    """How much of each pixel's width the middle of a pen of that width can pass, shape (h, w).

    Half the pen to either side is its reach, not the line; at the plot's edges the line begins.
    """
    height, width = shape
    left = np.where(strokes.left <= 1, 0.0, strokes.left + pen / 2)
    right = np.where(strokes.right >= width - 1, float(width), strokes.right - pen / 2)
    some = right > left
    row, left, right = strokes.row[some], left[some], right[some]
    # the integral of the covered width up to each column's right edge, then its differences
    slopes = np.zeros((height, width + 2))
    for edge, sign in ((left, 1.0), (right, -1.0)):
        column = np.clip(np.floor(edge).astype(np.int64), 0, width)
        part = edge - column
        np.add.at(slopes, (row, column), sign * (1 - part))
        np.add.at(slopes, (row, column + 1), sign * part)
    return np.asarray(np.cumsum(slopes, axis=1)[:, :width])


def _bent(top: Numbers, bottom: Numbers, pen: float) -> Numbers:
    """The middle of the ink, in bends moved to their outer side.

    Inside a bend the pen's two strokes run together, outside they do not. With the disc of the pen
    taken off its edges (erosion, Serra 1982), the ink that is left reaches inwards from the line.
    """
    middle, reach = (top + bottom) / 2, int(np.ceil(pen / 2))
    upper, lower = _eroded(top, bottom, pen, reach)
    left = np.maximum(lower - upper, 0)
    steps = reach + 1
    bend = np.zeros(len(middle))
    if len(middle) > 2 * steps:
        around = (middle[: -2 * steps] + middle[2 * steps :]) / 2
        bend[steps:-steps] = np.nan_to_num(around - middle[steps:-steps])
    outwards = np.clip(2 * bend / np.maximum(left, 0.1), -1, 1)
    inner = np.where(lower > upper, (upper + lower) / 2, middle)
    return np.asarray(inner - outwards * left / 2)


def _rounded(ink: Plane, top: Numbers, bottom: Numbers, pen: float) -> tuple[Numbers, Numbers]:
    """Edges of the ink as if strokes met in rounds: half the pen beyond the line.

    Bevels are given what they lack, and mitres lose what they have too much.
    """
    pointed = bottom - top > POINTED * pen
    if not pointed.any():
        return top, bottom
    above, below = depths(ink, top, bottom, pen)
    highest, lowest = (top + bottom - pen) / 2, (top + bottom + pen) / 2
    upper = np.minimum(top + np.maximum(above, 0) - pen / 2, highest)
    lower = np.maximum(bottom - np.maximum(below, 0) + pen / 2, lowest)
    return np.where(pointed, upper, top), np.where(pointed, lower, bottom)


def _eroded(top: Numbers, bottom: Numbers, pen: float, reach: int) -> tuple[Numbers, Numbers]:
    """Edges of where the middle of a round pen can be (erosion, Serra 1982); y runs down.

    ``reach`` is how far to either side the round is looked at, px. NaN where there is no ink.
    """
    upper, lower = top.copy(), bottom.copy()
    size = len(top)
    reach = min(reach, size - 1)
    for away in range(-reach, reach + 1):
        rise = np.sqrt(max(0.0, pen**2 / 4 - away**2))
        here = slice(max(0, -away), size - max(0, away))
        there = slice(max(0, away), size - max(0, -away))
        upper[here] = np.fmax(upper[here], top[there] + rise)
        lower[here] = np.fmin(lower[here], bottom[there] - rise)
    return np.where(np.isnan(top), np.nan, upper), np.where(np.isnan(top), np.nan, lower)


def _middles(
    top: Numbers, bottom: Numbers, held: Numbers, runs: Runs, chosen: Whole, pen: float
) -> Numbers:
    """Where the line runs in each column: the middle of the ink, less the pen's reach sideways.

    Beside a dip that is narrower than the pen the ink goes all the way down though the line does
    not: what counts there is the share of the column's width over which the line is down.
    """
    middle = _bent(top, bottom, pen)
    for column in np.flatnonzero(bottom - top > _TALL * pen + 1.5):
        run = chosen[column]
        part = held[runs.upper[run] : runs.lower[run] + 1, column]
        first, last = _longest(part > 0.98)
        if last - first + 1 < max(1.0, 0.5 * pen):
            continue
        upper, lower = first + runs.upper[run], last + 1 + runs.upper[run]
        if first <= 1:
            upper = top[column]
        if last >= part.size - 2:
            lower = bottom[column]
        if lower - upper < pen + 2:  # the line itself, its far edge lost in the dip
            if first <= 1:
                lower = upper + pen
            elif last >= part.size - 2:
                upper = lower - pen
        level = (upper + lower) / 2 + part[last + 1 :].sum() - part[:first].sum()
        middle[column] = np.clip(
            level,
            min(middle[column], top[column] + pen / 2),
            max(middle[column], bottom[column] - pen / 2),
        )
    return middle


def _longest(flags: NDArray[np.bool_]) -> tuple[int, int]:
    """First and last place of the longest stretch of True; (0, -1) if there is none."""
    steps = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]])))
    if not steps.size:
        return 0, -1
    longest = int(np.argmax(steps[1::2] - steps[::2]))
    return int(steps[2 * longest]), int(steps[2 * longest + 1]) - 1


def _through_markers(
    middle: Numbers, upper: Numbers, lower: Numbers, marks: Sequence[Marker]
) -> None:
    """Draw the line through the middles of the markers that cover it; works in place.

    A marker stands on a sample, so the line runs straight from it to where it comes out.
    """
    columns = np.arange(len(middle)) + 0.5
    covered = np.zeros(len(middle), bool)
    for mark in marks:
        covered |= np.abs(columns - mark.x) <= mark.radius + 1
    free = np.isfinite(middle) & ~covered
    x = np.concatenate([columns[free], [mark.x for mark in marks]])
    y = np.concatenate([middle[free], [mark.y for mark in marks]])
    order = np.argsort(x)
    inside = covered & np.isfinite(middle)
    for values in (middle, upper, lower):
        values[inside] = np.interp(columns[inside], x[order], y[order])


def _mend_hidden(
    top: Numbers, bottom: Numbers, states: NDArray[np.str_], runs: Runs, chosen: Whole
) -> None:
    """Where something drawn over it hides one edge, put it where the line's width says it is.

    Where both edges are hidden, or the ink around is of no even height, nothing is known: a gap.
    Works in place.
    """
    seen = np.flatnonzero(chosen >= 0)
    above, below = np.zeros(len(top), bool), np.zeros(len(top), bool)
    above[seen], below[seen] = runs.shade_top[chosen[seen]], runs.shade_bottom[chosen[seen]]
    clear = np.flatnonzero((chosen >= 0) & ~above & ~below)
    if not clear.size:
        return
    for column in np.flatnonzero(above | below):
        place = np.searchsorted(clear, column)
        near = clear[max(0, place - 4) : place + 4]
        high = bottom[near] - top[near]
        usual = float(np.median(high))
        if bottom[column] - top[column] > 0.9 * usual:
            continue
        states[column] = "h"
        if (above[column] and below[column]) or np.ptp(high) > _EVEN * usual:
            top[column] = bottom[column] = np.nan
        elif above[column]:
            top[column] = bottom[column] - usual
        else:
            bottom[column] = top[column] + usual


def _at_edge(top: Numbers, bottom: Numbers, plot: Box, pen: float) -> NDArray[np.bool_]:
    """Columns in which the line may have been cut at the plot's edge, or lies beyond it."""
    high, middle = bottom - top, (top + bottom) / 2
    whole = (high > 0.92 * pen) & (high < 1.3 * pen)
    cut = (np.abs(top - plot.y) < _EDGE) | (np.abs(bottom - plot.bottom) < _EDGE)
    beyond = (middle < plot.y - _EDGE) | (middle > plot.bottom + _EDGE)
    marred = (cut & ~whole) | beyond
    # What is left of a cut slope may look whole: its neighbours tell.
    return np.asarray(np.convolve(marred, np.ones(3), "same") > 0) & np.isfinite(middle)
