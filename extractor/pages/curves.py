"""Recovered curves as the browser draws them over the picture."""

from __future__ import annotations

import math
from typing import Any

from extractor.records import Box, JudgedTrace, TraceRead

_BESIDE = 0.12
"""What is shown around a plot for its labels, as a share of its sides."""


def room(plot: Box, width: int, height: int) -> Box:
    """The plot with its labels around it, whole px of a capture of that size."""
    wide, high = _BESIDE * plot.w, _BESIDE * plot.h
    left, top = max(0, math.floor(plot.x - wide)), max(0, math.floor(plot.y - high))
    right = min(width, math.ceil(plot.right + wide))
    return Box(left, top, right - left, min(height, math.ceil(plot.bottom + 2 * high)) - top)


def curve_told(read: TraceRead, judged: JudgedTrace, width: int, height: int) -> dict[str, Any]:
    """A curve for the browser: its stretches in px of the capture, its figures, its doubts.

    ``width`` and ``height`` are the capture's, px.
    """
    stretches: list[list[list[float]]] = [[]]
    for column, middle in enumerate(read.middles):
        if middle is not None:
            stretches[-1].append([read.first + column + 0.5, middle])
        elif stretches[-1]:
            stretches.append([])
    plot = read.plot
    return {
        "trace": read.trace,
        "plot": None if plot is None else [plot.x, plot.y, plot.w, plot.h],
        "room": None if plot is None else _corners(room(plot, width, height)),
        "stretches": [each for each in stretches if each],
        "says": _says(judged),
        "unit": judged.unit,
        "doubts": [{"code": doubt.code, "why": doubt.why} for doubt in judged.doubts],
    }


def _corners(box: Box) -> list[float]:
    return [box.x, box.y, box.w, box.h]


def _says(judged: JudgedTrace) -> dict[str, float] | None:
    """First and last time, lowest, mean and highest; None where an axis is not known."""
    known = [value for value in judged.value if value is not None]
    low = [value for value in judged.low if value is not None]
    high = [value for value in judged.high if value is not None]
    if not known:
        return None
    return {
        "from": judged.t[0],
        "to": judged.t[-1],
        "lowest": min(low),
        "mean": sum(known) / len(known),
        "highest": max(high),
    }
