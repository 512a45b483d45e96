"""Scale and offsets of a layout from its landmarks, with the error they predict for any box.

A landmark at X of the drawing lies at ``offset + scale * X`` of the frame: one scale for all, an
offset for each part and axis. Weighted linear least squares; the errors follow from its covariance
(JCGM 102:2011, 6.2.1.3).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np

Axis = Literal["x", "y"]

PLACING = 0.25
"""One sigma of where an element is drawn, px of its own rasterisation: text and panels are placed
on whole or quarter pixels, in the drawing and again on the frame (measured on the samples)."""
_PLACING_WEIGHT = 4.0
"""How many residuals the value above is worth beside those of the frame at hand."""
_LEAST_ERROR = 0.15


@dataclass(frozen=True, slots=True)
class Mark:
    """One measured coordinate: ``drawn`` px of the drawing, ``seen`` px of the frame.

    ``sigma`` is the error of measuring, without that of drawing.
    """

    landmark: str
    part: str
    axis: Axis
    drawn: float
    seen: float
    sigma: float = 0.05


@dataclass(frozen=True, slots=True)
class ScaleMark:
    """A scale that one landmark gives by its own size, with one sigma."""

    scale: float
    sigma: float


class Pose:
    """The fit of all marks. Raises ValueError when they do not give a scale.

    ``common`` is one sigma, px of the drawing, of an error that all marks share: it neither shows
    in their residuals nor grows smaller with their number.
    """

    def __init__(
        self, marks: Iterable[Mark], scale_marks: Iterable[ScaleMark], common: float = 0.0
    ) -> None:
        self.marks = tuple(marks)
        scale_marks = tuple(scale_marks)
        self._places = {
            key: index + 1
            for index, key in enumerate(
                dict.fromkeys((mark.part, mark.axis) for mark in self.marks)
            )
        }
        rows, seen, sigma = [], [], []
        rough = _rough_scale(self.marks, scale_marks)
        placing = PLACING * np.hypot(1.0, rough)
        for mark in self.marks:
            row = np.zeros(1 + len(self._places))
            row[0] = mark.drawn
            row[self._places[mark.part, mark.axis]] = 1
            rows.append(row)
            seen.append(mark.seen)
            sigma.append(float(np.hypot(mark.sigma, placing)))
        for scale_mark in scale_marks:
            row = np.zeros(1 + len(self._places))
            row[0] = 1
            rows.append(row)
            seen.append(scale_mark.scale)
            sigma.append(scale_mark.sigma)
        matrix, weight = np.array(rows), 1 / np.array(sigma)
        values, _, rank, _ = np.linalg.lstsq(
            matrix * weight[:, None], np.array(seen) * weight, rcond=1e-12
        )
        if rank < matrix.shape[1] or not values[0] > 0:
            raise ValueError("the landmarks found do not give a scale")
        normed = (matrix @ values - np.array(seen)) * weight
        freedom = len(seen) - matrix.shape[1]
        self.spread = float(
            np.sqrt((normed @ normed + _PLACING_WEIGHT) / (freedom + _PLACING_WEIGHT))
        )
        self.residuals = {
            mark: float(residual)
            for mark, residual in zip(self.marks, normed[: len(self.marks)], strict=True)
        }
        self._values = np.asarray(values, np.float64)
        covariance = np.linalg.inv((matrix * weight[:, None]).T @ (matrix * weight[:, None]))
        self._covariance = np.asarray(covariance * self.spread**2, np.float64)
        self._placing = float(np.hypot(placing * max(1.0, self.spread), common * float(values[0])))

    @property
    def scale(self) -> float:
        """Px of the frame a px of the drawing."""
        return float(self._values[0])

    def knows(self, part: str, axis: Axis) -> bool:
        """Whether the part's offset along the axis was measured."""
        return (part, axis) in self._places

    def guide(self, part: str, axis: Axis) -> str | None:
        """``part`` if its offset was measured, else the part with the most marks on the axis."""
        if self.knows(part, axis):
            return part
        parts = [mark.part for mark in self.marks if mark.axis == axis]
        return max(parts, key=parts.count) if parts else None

    def at(self, part: str, axis: Axis, drawn: float) -> tuple[float, float]:
        """Where a coordinate of the drawing lies on the frame, and its error, one sigma, px."""
        place = self._places[part, axis]
        row = np.zeros(len(self._values))
        row[0], row[place] = drawn, 1
        variance = float(row @ self._covariance @ row)
        error = float(np.sqrt(variance + self._placing**2))
        return float(row @ self._values), max(_LEAST_ERROR, error)


def _rough_scale(marks: tuple[Mark, ...], scale_marks: tuple[ScaleMark, ...]) -> float:
    if scale_marks:
        return float(np.median([mark.scale for mark in scale_marks]))
    groups: dict[tuple[str, Axis], list[Mark]] = {}
    for mark in marks:
        groups.setdefault((mark.part, mark.axis), []).append(mark)
    best, scale = 0.0, 1.0
    for group in groups.values():
        low, high = min(group, key=lambda m: m.drawn), max(group, key=lambda m: m.drawn)
        if high.drawn - low.drawn > best:
            best = high.drawn - low.drawn
            scale = (high.seen - low.seen) / best
    return max(scale, 1e-3)
