"""Pictures of landmarks: found near a predicted place and aligned to a part of a pixel."""

from __future__ import annotations

import base64
import binascii
from copy import copy
from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from extractor.calibration.model import Landmark
from extractor.locate.frame import Frame, Grey

_FINE_AREA = 5000.0
_FINE_SIDE = 5
_FLAT = 2.5
"""Deviation in grey levels below which a patch counts as empty: JPEG noise on a flat area."""
_ROUNDS = 6
_PARTS = 8
"""A picture that an edge of the frame cuts is looked for by whole eighths of its width."""
_LEAST_LEFT = 4
"""Eighths that must be left of it."""
_PNG = b"\x89PNG\r\n\x1a\n"
_MOST_PIXELS = 1_000_000


@dataclass(frozen=True, slots=True)
class Sight:
    """A picture seen: the scale and the place of its box's centre, px of the frame.

    ``score`` is the correlation without its sign, 0 to 1. ``share`` of the picture's width lies on
    the frame, the rest is cut off at its side.
    """

    scale: float
    x: float
    y: float
    score: float
    share: float = 1.0


class _Fitting:
    """The picture at one working size, with all that aligning needs worked out once.

    Aligning is Gauss-Newton on a shift and a scale with free gain and a free plane of brightness
    (inverse compositional, after Baker and Matthews 2004, DOI 10.1023/B:VISI.0000011205.11775.fd):
    the patch is explained by the picture, its derivatives and the plane by least squares.
    """

    def __init__(self, grey: Grey, weight: Grey, columns: int, rows: int) -> None:
        size = (columns, rows)
        cover = cv2.resize(weight, size, interpolation=cv2.INTER_AREA)
        shown = cv2.resize(grey * weight, size, interpolation=cv2.INTER_AREA)
        self.picture: Grey = (shown / np.maximum(cover, 1e-3)).astype(np.float32)
        self.weight: Grey = np.where(cover > 0.5, cover, 0).astype(np.float32)
        self.columns, self.rows = columns, rows
        self.opaque = bool((self.weight > 0.98).all())
        inside = self.weight.ravel() > 0
        self._inside = inside
        root = np.sqrt(self.weight.ravel()[inside].astype(np.float64))
        self._root = root
        v, u = np.mgrid[0:rows, 0:columns]
        u = (u - (columns - 1) / 2).ravel()[inside]
        v = (v - (rows - 1) / 2).ravel()[inside]
        picture = self.picture.astype(np.float64)
        picture = np.where(self.weight > 0, picture, picture[self.weight > 0].mean())
        slope_v, slope_u = np.gradient(picture)
        slope_u, slope_v = slope_u.ravel()[inside], slope_v.ravel()[inside]
        letters = picture.ravel()[inside]
        plane = np.stack([np.ones_like(u), u, v], axis=1) * root[:, None]
        self._plane = np.linalg.qr(plane)[0]
        rest = letters * root
        rest = rest - self._plane @ (self._plane.T @ rest)
        self._rest = rest / max(float(np.linalg.norm(rest)), 1e-9)
        parts = [letters, slope_u, slope_v, u * slope_u + v * slope_v]
        explained = np.stack(parts, axis=1) * root[:, None]
        self._shift = np.linalg.pinv(np.hstack([explained[:, :3], plane]))[:3]
        self._shift_scale = np.linalg.pinv(np.hstack([explained, plane]))[:4]

    def _values(self, patch: Grey) -> NDArray[np.float64]:
        return np.asarray(patch.ravel()[self._inside].astype(np.float64) * self._root)

    def score(self, patch: Grey) -> float:
        """Correlation of picture and patch beside a plane of brightness, -1 to 1."""
        values = self._values(patch)
        values = values - self._plane @ (self._plane.T @ values)
        size = float(np.linalg.norm(values))
        if size < _FLAT * float(np.linalg.norm(self._root)):
            return 0.0
        return float(values @ self._rest) / size

    def correction(self, patch: Grey, with_scale: bool) -> tuple[float, float, float]:
        """By how much the patch is off: right and down in cells, and as a share of its size."""
        solve = self._shift_scale if with_scale else self._shift
        found = solve @ self._values(patch)
        gain = found[0]
        if abs(gain) < 1e-6:
            return 0.0, 0.0, 0.0
        grow = -found[3] / gain if with_scale else 0.0
        return float(-found[1] / gain), float(-found[2] / gain), float(grow)


class Picture:
    """The picture of one landmark of sort ``picture``. Raises ValueError if it is none."""

    def __init__(self, landmark: Landmark) -> None:
        self.name, self.part, self.box = landmark.name, landmark.part, landmark.box
        grey, weight = _decode(landmark)
        self.grey, self.weight = grey, weight
        self._fittings: dict[tuple[int, int], _Fitting] = {}
        self._pieces: dict[tuple[int, int], Picture] = {}
        values = grey[weight > 0.5]
        self.contrast = float(values.std()) if values.size > 16 else 0.0
        self.bare = bool((weight < 0.5).any())

    @property
    def centre(self) -> tuple[float, float]:
        """Centre of the box, px of the drawing."""
        x, y, w, h = self.box
        return x + w / 2, y + h / 2

    @cached_property
    def ground(self) -> float:
        """Grey level that most of the picture has; of outlined letters that of the letters."""
        return float(np.median(self.grey[self.weight > 0]))

    @cached_property
    def letters(self) -> float:
        """Height of the busiest rows, px of the drawing: that of small letters, or of a sign."""
        values = np.where(self.weight > 0, self.grey, self.grey[self.weight > 0].mean())
        busy = np.abs(np.diff(values, axis=1)).mean(axis=1)
        busy = busy - np.percentile(busy, 5)
        rows = int((busy > 0.35 * busy.max()).sum())
        return float(max(3.0, rows * self.box[3] / self.grey.shape[0]))

    # ------------------------------------------------------------ cut at its side

    def _piece(self, left: int, right: int) -> Picture:
        """What is left without so many eighths at its left and right."""
        if (left, right) not in self._pieces:
            columns = self.grey.shape[1]
            x0, x1 = round(columns * left / _PARTS), round(columns * (1 - right / _PARTS))
            piece = copy(self)
            x, y, w, h = self.box
            piece.box = (x + w * x0 / columns, y, w * (x1 - x0) / columns, h)
            piece.grey, piece.weight = self.grey[:, x0:x1], self.weight[:, x0:x1]
            piece._fittings, piece._pieces = {}, {}
            self._pieces[left, right] = piece
        return self._pieces[left, right]

    def _on(self, frame: Frame, scale: float, x: float, y: float) -> Picture | None:
        """The picture, or the piece of it that lies on the frame; None if too little does."""
        if self.inside(frame, scale, x, y):
            return self
        wide = self.box[2] * scale
        left, right = (
            max(0, int(np.ceil((beyond - 1) / wide * _PARTS)))
            for beyond in (wide / 2 - x, x + wide / 2 - frame.width)
        )
        if left + right == 0 or left + right > _PARTS - _LEAST_LEFT:
            return None
        piece = self._piece(left, right)
        values = piece.grey[piece.weight > 0.5]
        # a letter or two, or the emptiness beside them, could be anything
        if piece.box[2] < 1.5 * piece.box[3] or values.size <= 16:
            return None
        if float(values.std()) < 0.6 * self.contrast:
            return None
        return piece if piece.inside(frame, scale, x + self._off(piece, scale), y) else None

    def _off(self, piece: Picture, scale: float) -> float:
        """How far right of this picture's centre a piece of it has its own, px of the frame."""
        return scale * (piece.centre[0] - self.centre[0])

    def shows(self, frame: Frame, scale: float, x: float, y: float) -> bool:
        """Whether enough of it lies on the frame to be looked for there."""
        return self._on(frame, scale, x, y) is not None

    # ------------------------------------------------------------ aligning

    def _fitting(self, scale: float) -> _Fitting:
        """The picture at the frame's size, but no larger than it was drawn or than helps."""
        _, _, w, h = self.box
        cells = min(scale, self.grey.shape[1] / w, np.sqrt(_FINE_AREA / (w * h)))
        # a few sizes only, so that they are worked out once
        cells = 2 ** (np.round(np.log2(cells) * 4) / 4)
        cells = max(cells, _FINE_SIDE / min(w, h))
        key = (max(3, round(w * cells)), max(3, round(h * cells)))
        if key not in self._fittings:
            self._fittings[key] = _Fitting(self.grey, self.weight, *key)
        return self._fittings[key]

    def search(
        self, frame: Frame, scale: float, x: float, y: float, reach: tuple[float, float]
    ) -> Sight:
        """The best match with its centre within ``reach`` px (right, down) of (x, y), whole cells.

        Of a picture that the left or right edge of the frame cuts the rest is looked for.
        """
        piece = self._on(frame, scale, x, y)
        if piece is not None and piece is not self:
            off = self._off(piece, scale)
            return self._as_whole(piece, piece.search(frame, scale, x + off, y, reach))
        fitting = self._fitting(scale)
        _, _, w, h = self.box
        step_x, step_y = w * scale / fitting.columns, h * scale / fitting.rows
        more_x = int(np.ceil(reach[0] / step_x))
        more_y = int(np.ceil(reach[1] / step_y))
        patch = frame.sample(
            x - w * scale / 2 - more_x * step_x,
            y - h * scale / 2 - more_y * step_y,
            step_x,
            step_y,
            fitting.columns + 2 * more_x,
            fitting.rows + 2 * more_y,
        )
        response = _correlation(patch, fitting)
        _, best, _, (column, row) = cv2.minMaxLoc(response)
        return Sight(scale, x + (column - more_x) * step_x, y + (row - more_y) * step_y, best)

    def align(self, frame: Frame, sight: Sight, with_scale: bool = False) -> Sight | None:
        """``sight`` moved to a part of a pixel; None when it runs away or leaves the frame."""
        piece = self._on(frame, sight.scale, sight.x, sight.y)
        if piece is None:
            return None
        if piece is not self:
            off = self._off(piece, sight.scale)
            found = piece.align(frame, replace(sight, x=sight.x + off), with_scale)
            return self._as_whole(piece, found) if found else None
        fitting = self._fitting(sight.scale)
        _, _, w, h = self.box
        scale, x, y = sight.scale, sight.x, sight.y
        best: Sight | None = None
        for _ in range(_ROUNDS):
            step_x, step_y = w * scale / fitting.columns, h * scale / fitting.rows
            patch = frame.sample(
                x - w * scale / 2, y - h * scale / 2, step_x, step_y, fitting.columns, fitting.rows
            )
            score = abs(fitting.score(patch))
            if best is None or score > best.score:
                best = Sight(scale, x, y, score)
            right, down, grow = fitting.correction(patch, with_scale)
            if max(abs(right), abs(down)) > 3 or abs(grow) > 0.15:
                break
            x, y, scale = x + right * step_x, y + down * step_y, scale * (1 + grow)
            if max(abs(right) * step_x, abs(down) * step_y) < 0.004 and abs(grow) < 2e-4:
                break
        if best is None:
            return None
        lost = max(abs(best.x - sight.x) / step_x, abs(best.y - sight.y) / step_y)
        if lost > 4 or not self.inside(frame, best.scale, best.x, best.y):
            return None
        return best

    def _as_whole(self, piece: Picture, sight: Sight) -> Sight:
        """The sight of a piece as one of this picture."""
        x = sight.x - self._off(piece, sight.scale)
        return replace(sight, x=x, share=piece.box[2] / self.box[2])

    def inside(self, frame: Frame, scale: float, x: float, y: float) -> bool:
        """Whether the box around (x, y) lies on the frame, a pixel's slack on each side."""
        _, _, w, h = self.box
        return (
            x - w * scale / 2 >= -1
            and y - h * scale / 2 >= -1
            and x + w * scale / 2 <= frame.width + 1
            and y + h * scale / 2 <= frame.height + 1
        )


def _correlation(patch: Grey, fitting: _Fitting) -> Grey:
    """Normalised correlation without its sign at every whole shift, transparent cells left out."""
    if fitting.opaque:
        found = cv2.matchTemplate(patch, fitting.picture, cv2.TM_CCOEFF_NORMED)
    else:
        found = cv2.matchTemplate(patch, fitting.picture, cv2.TM_CCOEFF_NORMED, mask=fitting.weight)
    found = np.abs(found)
    found[~np.isfinite(found) | (found > 1.001)] = 0
    return np.asarray(found, np.float32)


def _decode(landmark: Landmark) -> tuple[Grey, Grey]:
    """Grey levels and opacity (0 or 1) of the embedded PNG."""
    try:
        data = base64.b64decode("".join((landmark.picture or "").split()), validate=True)
    except (binascii.Error, ValueError) as error:
        raise ValueError(f"landmark {landmark.name}: the picture is no base64") from error
    # width and height of the IHDR chunk: a small file may declare a huge picture
    sides = [int.from_bytes(data[at : at + 4], "big") for at in (16, 20)]
    if data[:8] != _PNG or not 9 <= sides[0] * sides[1] <= _MOST_PIXELS:
        raise ValueError(f"landmark {landmark.name}: the picture is no PNG of a fitting size")
    image = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    if image is None or image.dtype != np.uint8:
        raise ValueError(f"landmark {landmark.name}: the picture is no PNG of 8 bits")
    if image.ndim == 2:
        grey, weight = image.astype(np.float32), np.ones(image.shape, np.float32)
    else:
        grey = cv2.cvtColor(image[:, :, :3], cv2.COLOR_BGR2GRAY).astype(np.float32)
        opaque = image.shape[2] < 4 or image[:, :, 3] >= 128
        weight = np.broadcast_to(opaque, grey.shape).astype(np.float32)
    if min(grey.shape) < 3 or weight.sum() < 16:
        raise ValueError(f"landmark {landmark.name}: the picture shows too little")
    return grey, weight
