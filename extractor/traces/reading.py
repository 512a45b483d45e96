"""One trace on one frame: everything its picture says, as the record that is cached."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from extractor.calibration import other_colours
from extractor.calibration.model import Calibration, Trace
from extractor.records import AxisLabel, Box, Found, PlotPlace, TraceRead
from extractor.traces.curve import PAD, columns_of, find_curve
from extractor.traces.ink import find_ink
from extractor.traces.labels import LabelReader, read_labels
from extractor.traces.lines import Lines, find_lines

Image = NDArray[np.uint8]

_SNAP = 2.5
"""How far from the plot's edge as drawn by a person a grid line may be that is meant, px."""


def read_traces(
    image: Image,
    found: Found,
    calibration: Calibration,
    reader: LabelReader,
    only: Collection[str],
) -> tuple[TraceRead, ...]:
    """Read the traces named in ``only`` of a layout found on ``image`` (RGB uint8, (h, w, 3))."""
    traces = {trace.name: trace for trace in calibration.trace}
    return tuple(
        _read(image, found.layout, place, traces[place.trace], calibration, reader)
        for place in found.plots
        if place.trace in only
    )


def _read(
    image: Image,
    layout: str,
    place: PlotPlace,
    trace: Trace,
    calibration: Calibration,
    reader: LabelReader,
) -> TraceRead:
    if place.plot is None:
        return TraceRead(layout, trace.name, None)
    left, top = max(0, int(place.plot.x) - PAD), max(0, int(place.plot.y) - PAD)
    right, bottom = int(place.plot.right) + PAD + 1, int(place.plot.bottom) + PAD + 1
    piece = image[top:bottom, left:right]
    plot = Box(place.plot.x - left, place.plot.y - top, place.plot.w, place.plot.h)
    ink = find_ink(piece, trace.colour, other_colours(calibration, trace))
    across, upright = find_lines(ink, plot)
    plot = _snapped(plot, across, upright)
    curve = find_curve(ink, plot)
    first, _ = columns_of(plot)
    on_image = Box(plot.x + left, plot.y + top, plot.w, plot.h)

    def labels(box: Box | None, axis: str, lines: Lines, shift: int) -> tuple[AxisLabel, ...]:
        if box is None:
            return ()
        inside = box.overlap(on_image) > 0.3 * box.w * box.h
        moved = Lines(*(tuple(at + shift for at in each)
                        for each in (lines.grid, lines.ticks, lines.ends)))  # fmt: skip
        return read_labels(image, box, "x" if axis == "x" else "y", moved, reader, inside)

    def placed(rows: NDArray[np.float64]) -> tuple[float | None, ...]:
        return tuple(None if math.isnan(row) else round(row + top, 3) for row in rows.tolist())

    read = TraceRead(
        layout,
        trace.name,
        _rounded(on_image),
        round(place.error, 3),
        labels(place.t_labels, "x", across, left),
        labels(place.value_labels, "y", upright, top),
        tuple(round(at + left, 3) for at in across.grid),
        tuple(round(at + top, 3) for at in upright.grid),
        first + left,
        placed(curve.middle),
        placed(curve.upper),
        placed(curve.lower),
        curve.states,
        round(curve.pen, 3),
        round(curve.rivals, 4),
        curve.jumps,
        round(curve.contrast, 4),
    )
    return replace(
        read,
        t_labels=tuple(_plain(each) for each in read.t_labels),
        value_labels=tuple(_plain(each) for each in read.value_labels),
    )


def _snapped(plot: Box, across: Lines, upright: Lines) -> Box:
    """Put the plot's edges on the lines drawn there: a person draws a box within a px or two."""

    def edge(at: float, lines: Lines) -> float:
        for places in (lines.grid, lines.ends):
            near = min(places, key=lambda line: abs(line - at), default=math.inf)
            if abs(near - at) <= _SNAP:
                return near
        return at

    x, right = edge(plot.x, across), edge(plot.right, across)
    y, bottom = edge(plot.y, upright), edge(plot.bottom, upright)
    return Box(x, y, right - x, bottom - y)


def _rounded(box: Box) -> Box:
    return Box(round(box.x, 3), round(box.y, 3), round(box.w, 3), round(box.h, 3))


def _plain(label: AxisLabel) -> AxisLabel:
    line = None if label.line is None else round(float(label.line), 3)
    return replace(label, at=round(float(label.at), 3), line=line)
