"""Finds the ink of one figure in a box: which strokes are its own, where they begin and end.

Letters may be light on dark, dark on light, or outlined over a moving scene. Each of a few
thresholds in both polarities gives connected strokes; the split is kept whose strokes look most
like one row of digits: equal heights, equal feet, thin strokes, none as wide as the crop.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from extractor.reading.interface import Picture

_WORK = 36.0  # px a digit is high while its strokes are sought
_VISIBLE = 0.6  # a stroke less visible than this belongs to a neighbour
_WORD_GAP = 0.3  # and wider than this, that the picture's edge cuts a neighbour
_FAR = 0.95  # a gap wider than this many digit heights ends the figure's run
_THRESHOLDS = (0.5, 0.65, 0.35, 0.8)  # between ground and ink, the likeliest first
_SAFE = 0.75  # least likeness to a row of digits of a split that may be cut by
_FLAT = 12.0  # 8-bit levels; less is a plain ground with coding noise
_STROKE = 13  # px at the working height, wider than a bold stroke
_PLAIN = 0.9  # a split this like a row of digits needs no rival

Edges = tuple[float, float, float, float]  # x0, y0, x1, y1


@dataclass(frozen=True, slots=True)
class Ink:
    """The ink of a figure, px of the picture it was sought in.

    ``edges`` are x0, y0, x1, y1 of its strokes, ``glyphs`` the x0, x1 of each from left to right.
    ``room`` is how far a cut may reach to the left and right before it meets other ink.
    ``height`` is that of its digits. ``near`` says on which sides (left, right) other ink stands
    so near that the figure may go on there. ``sure``: the strokes look like one row of digits.
    ``clean`` is a drawing of the figure alone, grey, dark on white: no ground, no neighbours, no
    outline; its left edge stands at ``clean_x``, with ``clean_scale`` of its px a px.
    """

    edges: Edges
    glyphs: tuple[tuple[float, float], ...]
    room: tuple[float, float]
    height: float
    near: tuple[bool, bool]
    sure: bool
    clean: NDArray[np.uint8]
    clean_x: float
    clean_scale: float


def find_ink(
    picture: Picture, box: Edges, height: float = 0.0, *, real: bool = False
) -> Ink | None:
    """Find the strokes of the figure inside ``box`` of ``picture``.

    ``picture`` is RGB uint8 and should reach a digit's height beyond ``box`` where the capture
    does. ``height`` is the digits' expected height in px, 0 if unknown. ``real`` says that the
    picture's own left and right edges cut neighbours off, so that what touches them cannot be
    seen whole. None where nothing looks like strokes.
    """
    x0, y0, x1, y1 = box
    if x1 - x0 < 2 or y1 - y0 < 2:
        return None
    expected = height or (y1 - y0) / 1.5
    scale = min(4.0, _WORK / expected)
    grey = _contrast(picture)
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    work = cv2.resize(grey, None, fx=scale, fy=scale, interpolation=how)
    inner = (x0 * scale, y0 * scale, x1 * scale, y1 * scale)
    window = np.s_[
        max(0, int(inner[1])) : int(np.ceil(inner[3])),
        max(0, int(inner[0])) : int(np.ceil(inner[2])),
    ]
    best: _Row | None = None
    for splits in (_by_brightness, _by_thinness):
        for mask, light in splits(work, window):
            row = _row(mask, inner, height * scale, light, real)
            if row is not None and (best is None or row.score > best.score):
                best = row
            if not light and best is not None and best.likeness > _PLAIN:
                return best.ink(work, scale)
    return best.ink(work, scale) if best is not None else None


Window = tuple[slice, slice]


def _by_brightness(
    work: NDArray[np.uint8], window: Window
) -> Iterator[tuple[NDArray[np.uint8], bool]]:
    """Split letters from an even ground; each threshold gives light letters, then dark ones."""
    low, high = (float(v) for v in np.percentile(work[window], (2, 98)))
    if high - low < _FLAT:
        return
    for share in _THRESHOLDS:
        yield (work > low + share * (high - low)).astype(np.uint8), True
        yield (work < high - share * (high - low)).astype(np.uint8), False


def _by_thinness(
    work: NDArray[np.uint8], window: Window
) -> Iterator[tuple[NDArray[np.uint8], bool]]:
    """Split strokes from a scene: what an opening or closing wider than a stroke takes away."""
    wide = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (_STROKE, _STROKE))
    fields = [cv2.morphologyEx(work, how, wide) for how in (cv2.MORPH_TOPHAT, cv2.MORPH_BLACKHAT)]
    highs = [float(np.percentile(field[window], 97)) for field in fields]
    if max(highs) < _FLAT:
        return
    for share in _THRESHOLDS:
        for field, high, light in zip(fields, highs, (True, False), strict=True):
            yield (field > max(_FLAT / 2, share * high)).astype(np.uint8), light


def sharpness(picture: Picture) -> float:
    """Give the steepest stroke edge as a share of the picture's contrast a px, 0 to 1."""
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY).astype(np.float32)
    if min(grey.shape) < 2:
        return 0.0
    contrast = float(np.ptp(np.percentile(grey, (1, 99))))
    if contrast < 1:
        return 0.0
    across = np.abs(np.diff(grey, axis=1))
    return float(min(1.0, np.percentile(across, 99) / contrast))


def _contrast(picture: Picture) -> NDArray[np.uint8]:
    """Grey where brightness tells letters from ground, else the channel that does."""
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
    planes = [grey, *cv2.split(picture)]
    spans = [float(np.ptp(np.percentile(plane, (5, 95)))) for plane in planes]
    chosen = int(np.argmax(spans))
    return planes[chosen] if spans[0] < 0.5 * spans[chosen] else grey


@dataclass(frozen=True, slots=True)
class _Row:
    likeness: float  # to a row of digits, 0 to 1
    score: float  # likeness weighed with how much ink it explains
    edges: Edges
    glyphs: NDArray[np.float64]  # x0, x1 of each
    room: tuple[float, float]
    height: float
    near: tuple[bool, bool]
    light: bool
    strokes: NDArray[np.bool_]

    def ink(self, work: NDArray[np.uint8], scale: float) -> Ink:
        x0, y0, x1, y1 = (edge / scale for edge in self.edges)
        left, right = (edge / scale for edge in self.room)
        clean, clean_x = self._clean(work)
        return Ink(
            (x0, y0, x1, y1),
            tuple((float(a), float(b)) for a, b in self.glyphs / scale),
            (left, right),
            self.height / scale,
            self.near,
            self.likeness >= _SAFE,
            clean,
            clean_x / scale,
            scale,
        )

    def _clean(self, work: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], int]:
        x0, y0, x1, y1 = (round(edge) for edge in self.edges)
        reach = round(self.height / 6)
        left = max(0, x0 - reach)
        window = np.s_[max(0, y0 - reach) : y1 + reach, left : x1 + reach]
        grey = work[window] if not self.light else 255 - work[window]
        near = cv2.dilate(self.strokes[window].astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
        dark = float(np.median(grey[self.strokes[window]]))
        ground = float(np.percentile(grey[near], 95))
        drawn = np.clip((grey - dark) * (255.0 / max(1.0, ground - dark)), 0, 255)
        return np.where(near, drawn, 255).astype(np.uint8), left


def _row(
    mask: NDArray[np.uint8], inner: Edges, height: float, light: bool, real: bool
) -> _Row | None:
    """Take the strokes of one split that stand in one row; score how like digits they look."""
    _count, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    stats = stats[1:].astype(np.float64)
    x, y, w, h, area = stats.T
    x1, y1, middle = x + w, y + h, y + h / 2
    ix0, iy0, ix1, iy1 = inner
    low, high = (0.62 * height, 1.45 * height) if height else (0.28 * (iy1 - iy0), iy1 - iy0 + 1)
    overlap = np.clip(np.minimum(x1, ix1) - np.maximum(x, ix0), 0, None)
    across = (overlap / w) >= _VISIBLE
    within = (middle > iy0) & (middle < iy1)
    thin = (area / (w * h) > 0.1) & (w < 0.9 * mask.shape[1])
    solid = area / np.maximum(1, h) < 0.75 * h * np.maximum(1.0, w / (0.75 * h))
    tall = (h >= low) & (h <= high) & within & thin & solid & (w <= 8 * h)
    cut_above = (y <= 0) & (y1 < iy1 - 0.2 * (iy1 - iy0)) & (h < 0.8 * (iy1 - iy0))
    tall &= ~cut_above
    if not (tall & across).any():
        return None
    # The row: strokes whose head and foot agree with those of the strokes most alike.
    weights = np.where(tall & across, overlap, 0.0)
    agree = (np.abs(y[:, None] - y[None]) < 0.2 * h[:, None]) & (
        np.abs(y1[:, None] - y1[None]) < 0.2 * h[:, None]
    )
    support = (agree * weights[None]).sum(axis=1)
    lead = int(np.argmax(np.where(tall & across, support, -1.0)))
    mates = tall & agree[lead]
    digit = float(np.average(h[mates], weights=w[mates]))
    head, foot = float(np.median(y[mates])), float(np.median(y1[mates]))
    # Points, signs and colons: small, between just above the head and the comma's tail.
    speck = (0.07 * digit) ** 2
    small = (
        (h < 0.72 * digit)
        & (w < 1.1 * digit)
        & (y > head - 0.12 * digit)
        & (y1 < foot + 0.32 * digit)
        & (area > speck)
    )
    letters = (  # of units and labels: any height up to ascender plus descender
        (h >= 0.5 * digit)
        & (h <= 1.7 * digit)
        & (y > head - 0.4 * digit)
        & (y1 < foot + 0.45 * digit)
        & thin
        & (w < 4 * digit)
    )
    member = (mates | small | letters) & (area > speck)
    order = np.argsort(x[member], kind="stable")
    glyphs = np.flatnonzero(member)[order]
    own = _run(x, x1, glyphs, across & member, mates, digit, inner, mask.shape[1], real)
    if own is None or not mates[own].any():
        return None
    first, last = float(x[own].min()), float(x1[own].max())
    others = np.setdiff1d(glyphs, own)
    left = float(max((x1[k] for k in others if x1[k] <= first + 1), default=0.0))
    right = float(min((x[k] for k in others if x[k] >= last - 1), default=mask.shape[1]))
    close = 0.3 * digit
    near = (
        left > 0 and first - left < close,
        right < mask.shape[1] and right - last < close,
    )
    chosen = mates[own]
    covered = float(w[own][chosen].sum())
    spread = float(np.std(h[own][chosen]) + np.std(y1[own][chosen])) / digit
    stray = ~member & (area > speck) & within & (x1 > first) & (x < last)
    clutter = float(np.minimum(area[stray], digit * digit).sum()) / (digit * digit)
    fill = float((area[own][chosen] / (w[own][chosen] * h[own][chosen])).mean())
    plausible = 1.0 if 0.2 <= fill <= 0.8 else 0.4
    likeness = plausible * float(np.exp(-6 * spread - clutter))
    score = likeness * min(2.0, 0.6 + covered / digit)
    upper = max(float(y[own].min()), head - 0.12 * digit)
    lower = min(float(y1[own].max()), foot + 0.3 * digit)
    edges = (first, upper, last, lower)
    strokes = np.isin(labels, own + 1)
    spans = np.stack([x[own], x1[own]], axis=1)
    return _Row(likeness, score, edges, spans, (left, right), digit, near, light, strokes)


def _run(
    x: NDArray[np.float64],
    x1: NDArray[np.float64],
    glyphs: NDArray[np.intp],
    seen: NDArray[np.bool_],
    mates: NDArray[np.bool_],
    digit: float,
    inner: Edges,
    wide: int,
    real: bool,
) -> NDArray[np.intp] | None:
    """Choose the run of strokes that is the figure: seen whole enough, and close together."""
    kept = [int(k) for k in glyphs if seen[k]]
    if real:
        kept = _without_cut_neighbours(x, x1, kept, mates, digit, wide)
    runs: list[list[int]] = []
    reach = -np.inf
    for k in kept:
        if not runs or x[k] - reach > _FAR * digit:
            runs.append([])
        runs[-1].append(k)
        reach = max(reach, x1[k])
    if not runs:
        return None

    def weight(run: list[int]) -> float:
        return float(sum(x1[k] - x[k] for k in run if mates[k]))

    return np.array(max(runs, key=weight), np.intp)


def _without_cut_neighbours(
    x: NDArray[np.float64],
    x1: NDArray[np.float64],
    kept: list[int],
    mates: NDArray[np.bool_],
    digit: float,
    wide: int,
) -> list[int]:
    """Drop what touches the picture's edge across a word's gap: the rest of a neighbour.

    Signs and points are kept: a lost sign is dearer than a stray one.
    """
    while len(kept) > 1 and x[kept[0]] <= 1 and mates[kept[0]]:
        if x[kept[1]] - x1[kept[0]] < _WORD_GAP * digit:
            break
        kept = kept[1:]
    while len(kept) > 1 and x1[kept[-1]] >= wide - 1 and mates[kept[-1]]:
        if x[kept[-1]] - x1[kept[-2]] < _WORD_GAP * digit:
            break
        kept = kept[:-1]
    return kept
