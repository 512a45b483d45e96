"""Charts: axis labels are numbers in equal steps; a line is what its colour draws between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from extractor.proposing.pieces import Figure
from extractor.proposing.strokes import Image, whole
from extractor.records import Box

_LEAST = 3
_STEP = 0.06
"""How far steps along an axis may differ, as a share."""
_CHROMA = 18.0
"""Least distance of a line's colour from grey and from its ground, CIE 1976 a*b*."""
_ACROSS = 0.5
"""Share of the plot's columns in which a line is drawn at least."""


@dataclass(frozen=True, slots=True)
class Axis:
    """Labels of one axis in order along it: their figures, and the numbers they say."""

    labels: tuple[Figure, ...]
    values: tuple[float, ...]

    @property
    def box(self) -> Box:
        """The box around all labels."""
        boxes = [label.box for label in self.labels]
        x, y = min(box.x for box in boxes), min(box.y for box in boxes)
        return Box(x, y, max(box.right for box in boxes) - x, max(box.bottom for box in boxes) - y)


@dataclass(frozen=True, slots=True)
class Chart:
    """A plot with its two axes and the colours of its lines."""

    plot: Box
    across: Axis
    up: Axis
    colours: tuple[str, ...]


def find_axes(figures: Sequence[Figure]) -> tuple[list[Axis], list[Axis]]:
    """The axes that run across, and those that run up, among bare numbers."""
    bare = [each for each in figures if each.kind == "number" and not each.unit and not each.before]
    across = _axes(bare, upright=False)
    taken = {id(label) for axis in across for label in axis.labels}
    up = _axes([each for each in bare if id(each) not in taken], upright=True)
    return across, up


def find_charts(image: Image, across: Sequence[Axis], up: Sequence[Axis]) -> list[Chart]:
    """Charts whose two axes are whole: an axis up, and one across below it to its right."""
    charts = []
    for high in up:
        height = high.labels[0].box.h
        below = [
            wide
            for wide in across
            if -height < wide.box.y - high.labels[-1].box.bottom < 4 * height
            and wide.box.x > high.box.x - height
        ]
        if not below:
            continue
        wide = min(below, key=lambda axis: axis.box.x)
        last = wide.labels[-1].box
        top, bottom = high.labels[0].box, high.labels[-1].box
        left, upper = _begins(wide, high.box.right), top.y + top.h / 2
        plot = Box(left, upper, last.x + last.w / 2 - left, bottom.y + bottom.h / 2 - upper)
        charts.append(Chart(plot, wide, high, _colours(image, plot)))
    return charts


def _begins(across: Axis, labels_end: float) -> float:
    """Where a plot begins: at the first label, or whole steps before it, where there is room.

    A first label close to the labels of the other axis is easily missed.
    """
    middles = [label.box.x + label.box.w / 2 for label in across.labels]
    gap, step = middles[1] - middles[0], across.values[1] - across.values[0]
    at, value = middles[0], across.values[0]
    while at - gap > labels_end and value - step >= 0:
        at, value = at - gap, value - step
    return at


def _axes(figures: Sequence[Figure], *, upright: bool) -> list[Axis]:
    def across(figure: Figure) -> float:  # what the labels of one axis share
        box = figure.box
        return box.right if upright else box.y + box.h / 2

    def along(figure: Figure) -> float:
        box = figure.box
        return box.y + box.h / 2 if upright else box.x + box.w / 2

    axes: list[Axis] = []
    rest = sorted(figures, key=along)
    used: set[int] = set()
    for start in rest:
        if id(start) in used:
            continue
        slack = 0.35 * start.box.h
        group = [
            each
            for each in rest
            if id(each) not in used
            and abs(across(each) - across(start)) < slack
            and abs(each.box.h - start.box.h) < 0.2 * start.box.h
            and along(each) >= along(start)
        ]
        run = _even_run(group, [along(each) for each in group])
        if len(run) >= _LEAST:
            axes.append(Axis(tuple(run), tuple(_number(each) for each in run)))
            used |= {id(each) for each in run}
    return axes


def _even_run(group: Sequence[Figure], places: Sequence[float]) -> list[Figure]:
    """The first figures of a group that stand, and count, in equal steps."""
    if len(group) < _LEAST:
        return []
    step, gap = _number(group[1]) - _number(group[0]), places[1] - places[0]
    if step == 0 or gap <= 0:
        return []
    run = [group[0], group[1]]
    for figure, before, place, last in zip(
        group[2:], group[1:], places[2:], places[1:], strict=False
    ):
        even = abs(_number(figure) - _number(before) - step) <= _STEP * abs(step)
        if not even or abs(place - last - gap) > _STEP * gap + 0.2 * figure.box.h:
            break
        run.append(figure)
    return run


def _number(figure: Figure) -> float:
    text = figure.text.replace(",", ".").replace("−", "-")
    try:
        return float(text)
    except ValueError:
        return float("nan")


def _colours(image: Image, plot: Box) -> tuple[str, ...]:
    """The colours that are drawn from left to right across a plot, most of it first."""
    x0, y0, x1, y1 = whole(image, plot)
    piece = np.ascontiguousarray(image[y0:y1, x0:x1])
    lab = cv2.cvtColor(piece.astype(np.float32) / 255, cv2.COLOR_RGB2Lab)
    under = np.median(lab.reshape(-1, 3), axis=0)
    off = np.hypot(lab[:, :, 1] - under[1], lab[:, :, 2] - under[2])
    drawn = off > _CHROMA
    hue = np.arctan2(lab[:, :, 2] - under[2], lab[:, :, 1] - under[1])
    found = []
    for _ in range(4):
        if drawn.sum() < 0.3 * drawn.shape[1]:
            break
        counts, edges = np.histogram(hue[drawn], bins=24, range=(-np.pi, np.pi))
        middle = (edges[counts.argmax()] + edges[counts.argmax() + 1]) / 2
        near = drawn & (np.abs(np.angle(np.exp(1j * (hue - middle)))) < 0.4)
        drawn &= ~near
        if near.any(axis=0).mean() < _ACROSS:
            continue
        strong = near & (off >= np.quantile(off[near], 0.6))
        red, green, blue = (int(level) for level in np.median(piece[strong], axis=0))
        found.append(f"#{red:02x}{green:02x}{blue:02x}")
    return tuple(found)
