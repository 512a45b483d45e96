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
_WORD_GAP = 0.3  # a gap narrower than this may stand inside a figure
_SIGN_GAP = 0.5  # a dash nearer than this may be the figure's sign
_FAR = 0.95  # a gap wider than this many digit heights ends the figure's run
_FAR_SPACED = 1.35  # the same where spaces stand in figures, as wide as a digit in even letters
_THRESHOLDS = (0.5, 0.65, 0.35, 0.8)  # between ground and ink, the likeliest first
_SAFE = 0.75  # least likeness to a row of digits of a split that may be cut by
_TAIL = 2.0  # per cent of a box's px beyond ink and ground
_FEW = 0.4  # and where the ink is only that of a dash
_FLAT = 12.0  # 8-bit levels; less is a plain ground with coding noise
_RIM = 0.75  # a rim is darker than this share of the threshold that parts letters from it
_ROUND = 0.7  # share of what surrounds a letter that must be its rim
_STROKE = 13  # px at the working height, wider than a bold stroke
_REST = 0.3  # contrast left in a box, as a share of the strokes', that may hide a digit
_NEIGHBOUR = 0.4  # digit heights that what is seen of a neighbour may reach into a box
_DASH = 1.3  # digit heights that a minus sign or a dash may be wide
_MIDDLE = 0.2  # digit heights that dashes may stand off the middle of their line
_AROUND = 0.15  # digit heights around dashes that hold their rim and shadow
_EVEN = 0.35  # share of the dashes' contrast that the ground around them may differ by
_SPECK = 5  # px² at the working height; smaller is noise
_MOST_STROKES = 300  # more is a texture
_ASLANT = 0.35  # of an edge's steeper rise, along rows or columns: from this on it runs aslant
_DIGIT_WIDE = 0.7  # digit heights
_PLAIN = 0.9  # a split this like a row of digits needs no rival

Edges = tuple[float, float, float, float]  # x0, y0, x1, y1
Window = tuple[slice, slice]


@dataclass(frozen=True, slots=True)
class Ink:
    """The ink of a figure, px of the picture it was sought in.

    ``edges`` are x0, y0, x1, y1 of its strokes, ``glyphs`` the x0, x1 of each from left to right,
    ``shapes`` what each looks like: ``d`` as high as a digit, ``.`` a dot on the line, ``:`` one
    above it, ``-`` a dash, ``?`` anything else.
    ``room`` is how far a cut may reach to the left and right before it meets other ink, and
    ``beside`` the x0, x1 of the letters beside the figure and of their parts.
    ``height`` is that of its digits. ``near`` says on which sides (left, right) other ink stands
    so near that the figure may go on there. ``sure``: the strokes look like one row of digits,
    and nothing else in the box has their contrast, so that no digit can have been left out.
    ``clean`` is a drawing of the figure alone, grey, dark on white: no ground, no neighbours, no
    outline; its left edge stands at ``clean_x``, with ``clean_scale`` of its px a px.
    """

    edges: Edges
    glyphs: tuple[tuple[float, float], ...]
    shapes: str
    room: tuple[float, float]
    beside: tuple[tuple[float, float], ...]
    height: float
    near: tuple[bool, bool]
    sure: bool
    clean: NDArray[np.uint8]
    clean_x: float
    clean_scale: float


def find_ink(picture: Picture, box: Edges, height: float = 0.0, spaced: bool = False) -> Ink | None:
    """Find the strokes of the figure inside ``box`` of ``picture``.

    ``picture`` is RGB uint8 and should reach a digit's height beyond ``box`` where the capture
    does. ``height`` is the digits' expected height in px, 0 if unknown. ``spaced``: spaces may
    stand in the figure. None where nothing looks like strokes.
    """
    work, inner, window, scale = _working(picture, box, height)
    if work is None:
        return None
    rows: list[_Row] = []
    far = _FAR_SPACED if spaced else _FAR
    for splits, enough in ((_by_rim, _SAFE), (_by_brightness, _PLAIN), (_by_thinness, _PLAIN)):
        for mask, light in splits(work, window):
            _drop_scene(mask)
            row = _row(mask, inner, height * scale, light, far)
            if row is not None:
                rows.append(row)
            if not light and rows and max(rows, key=_score).plain:
                break
        if rows and max(rows, key=_score).likeness > enough:
            break
    if not rows:
        return None
    best = max(rows, key=_score)
    holes = _row(_holes(best.strokes), inner, height * scale, not best.light, far)
    fills = [row for row in (*rows, holes) if row is not None and row.fills(best)]
    return max(fills, key=_score, default=best).ink(work, inner, scale)


def find_dashes(
    picture: Picture, box: Edges, height: float = 0.0, until: float = np.inf
) -> tuple[float, ...]:
    """Find a row of dashes in ``box`` with nothing else beside it; see ``find_ink``.

    What stands right of ``until``, px of ``picture``, is a unit behind them. Gives the width of
    each dash in digit heights, none where there is no such row.
    """
    work, inner, window, scale = _working(picture, box, height)
    if work is None:
        return ()
    digit = height * scale or _WORK
    for splits in (_by_rim, _by_brightness):
        for mask, _ in splits(work, window, _FEW):
            _drop_scene(mask)
            widths, bars, end = _dashes(mask, inner, digit, until * scale)
            if widths and _alone(work, bars, inner, digit, end):
                return widths
    return ()


def _working(
    picture: Picture, box: Edges, height: float
) -> tuple[NDArray[np.uint8] | None, Edges, Window, float]:
    """Give the grey picture at the working height, and there the box, its window and the scale."""
    x0, y0, x1, y1 = box
    if min(x1 - x0, y1 - y0, *picture.shape[:2]) < 2:
        return None, box, np.s_[:0, :0], 1.0
    scale = min(4.0, _WORK / (height or (y1 - y0) / 1.5))
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    work = cv2.resize(_contrast(picture), None, fx=scale, fy=scale, interpolation=how)
    inner = (x0 * scale, y0 * scale, x1 * scale, y1 * scale)
    window = np.s_[
        max(0, int(inner[1])) : int(np.ceil(inner[3])),
        max(0, int(inner[0])) : int(np.ceil(inner[2])),
    ]
    return np.asarray(work, np.uint8), inner, window, scale


def _dashes(
    mask: NDArray[np.uint8], inner: Edges, digit: float, until: float
) -> tuple[tuple[float, ...], NDArray[np.bool_], float]:
    """Give the widths of a row of dashes in digit heights, and where its ink is; else nothing.

    Gives too where the unit behind them begins, infinity if there is none.
    """
    none = (), np.zeros(mask.shape, np.bool_), np.inf
    it = _Strokes(mask, inner)
    if not 0 < len(it.label) < _MOST_STROKES:
        return none
    inside = it.within & it.visible & (it.area > (0.07 * digit) ** 2)
    unit = (it.x + it.x1) / 2 > until
    inside &= ~unit
    flat = (it.w > 1.2 * it.h) & (it.h < 0.3 * digit) & (it.fill > 0.6)
    bars = np.flatnonzero(inside & flat & (it.w < 2 * _DASH * digit))
    if not len(bars) or (inside & ~flat).any():
        return none
    bars = bars[np.argsort(it.x[bars], kind="stable")]
    gaps = it.x[bars][1:] - it.x1[bars][:-1]
    alike = (
        np.ptp(it.y[bars]) < 0.1 * digit
        and np.ptp(it.y1[bars]) < 0.1 * digit
        and np.ptp(it.w[bars]) < 0.15 * digit
        and ((gaps > 0) & (gaps < 0.8 * digit)).all()
        # The bar of a 7 stands above the middle of its line, the foot of a 1 below it.
        and abs(np.mean(it.y[bars] + it.y1[bars]) - inner[1] - inner[3]) / 2 < _MIDDLE * digit
    )
    end = float(it.x[unit].min(initial=np.inf))
    if not alike or end < it.x1[bars[-1]]:
        return none
    return tuple(float(w) for w in it.w[bars] / digit), np.isin(it.labels, it.label[bars]), end


def _alone(
    work: NDArray[np.uint8], bars: NDArray[np.bool_], inner: Edges, digit: float, end: float
) -> bool:
    """Tell whether what is around dashes is so even that no stroke of a digit can hide in it.

    ``end`` is where a unit behind them begins: up to it all must be even.
    """
    reach = 2 * round(_AROUND * digit) + 1
    grown = cv2.dilate(bars.astype(np.uint8), np.ones((reach, reach), np.uint8)) > 0
    band = np.zeros(work.shape, np.bool_)
    middle = (inner[1] + inner[3]) / 2
    x, x1 = np.flatnonzero(bars.any(axis=0))[[0, -1]]
    rows = slice(max(0, int(middle - 0.6 * digit)), int(middle + 0.6 * digit) + 1)
    after = x1 + round(0.3 * digit) if np.isinf(end) else int(end - _AROUND * digit)
    band[rows, max(0, x - round(0.3 * digit)) : max(x1 + 1, after)] = True
    ground = work[band & ~grown].astype(np.float64)
    if ground.size == 0:
        return False
    level = float(np.median(ground))
    contrast = abs(float(np.median(work[bars])) - level)
    return float(np.percentile(np.abs(ground - level), 98)) < _EVEN * contrast


def _holes(strokes: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """Give what strokes enclose: counters, or the letters themselves where strokes are rims."""
    around = np.pad(~strokes, 1, constant_values=True).astype(np.uint8)
    _, labels = cv2.connectedComponents(around, connectivity=4)
    enclosed: NDArray[np.bool_] = (labels != labels[0, 0]) & (around > 0)
    return enclosed[1:-1, 1:-1].astype(np.uint8)


def _levels(work: NDArray[np.uint8], window: Window, tail: float) -> tuple[float, float]:
    """Give the darkest and the brightest level of a window, ``tail`` per cent left out at each."""
    low, high = np.percentile(work[window], (tail, 100 - tail))
    return float(low), float(high)


def _by_brightness(
    work: NDArray[np.uint8], window: Window, tail: float = _TAIL
) -> Iterator[tuple[NDArray[np.uint8], bool]]:
    """Split letters from an even ground; each threshold gives light letters, then dark ones."""
    low, high = _levels(work, window, tail)
    if high - low < _FLAT:
        return
    for share in _THRESHOLDS:
        yield (work > low + share * (high - low)).astype(np.uint8), True
        yield (work < high - share * (high - low)).astype(np.uint8), False


def _by_rim(
    work: NDArray[np.uint8], window: Window, tail: float = _TAIL
) -> Iterator[tuple[NDArray[np.uint8], bool]]:
    """Split letters from a scene by the rim around them, which is of the other brightness."""
    low, high = _levels(work, window, tail)
    if high - low < _FLAT:
        return
    for share in _THRESHOLDS:
        for field, light in ((work, True), (255 - work, False)):
            floor = low if light else 255 - high
            yield (
                _rimmed(field, floor + share * (high - low), floor + _RIM * share * (high - low)),
                light,
            )


def _rimmed(field: NDArray[np.uint8], least: float, most: float) -> NDArray[np.uint8]:
    """Keep the patches above ``least`` with hardly a pixel above ``most`` two px around them."""
    _, labels = cv2.connectedComponents((field > least).astype(np.uint8), connectivity=8)
    spread = labels.astype(np.float32)
    near = cv2.dilate(spread, np.ones((3, 3), np.uint8))
    ring = cv2.dilate(near, np.ones((3, 3), np.uint8)).astype(np.intp)
    ring[near > 0] = 0
    count = np.bincount(ring.ravel(), minlength=int(labels.max()) + 1)
    dark = np.bincount(ring.ravel(), weights=(field <= most).ravel(), minlength=len(count))
    kept: NDArray[np.bool_] = dark >= _ROUND * np.maximum(count, 1)
    kept[0] = False
    letters: NDArray[np.bool_] = kept[labels]
    return letters.astype(np.uint8)


def _drop_scene(mask: NDArray[np.uint8]) -> None:
    """Take away what reaches the upper or lower edge of a picture that reaches beyond letters."""
    _, labels = cv2.connectedComponents(mask, connectivity=8)
    outer = np.zeros(int(labels.max()) + 1, bool)
    outer[labels[0]] = outer[labels[-1]] = True
    outer[0] = False
    mask[outer[labels]] = 0


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
    if min(picture.shape[:2]) < 2:
        return 0.0
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY).astype(np.float32)
    contrast = float(np.ptp(np.percentile(grey, (1, 99))))
    if contrast < 1:
        return 0.0
    across = np.abs(np.diff(grey, axis=1))
    return float(min(1.0, np.percentile(across, 99) / contrast))


def roundness(picture: Picture, height: float) -> float:
    """Give the share of edges that run aslant where most do, 0 to 1, of letters ``height`` px high.

    Edges of letters in few dots, as pixel fonts have them, run along rows and columns alone; those
    of a round digit do not.
    """
    if min(picture.shape[:2]) < 4:
        return 0.0
    grey = _contrast(picture).astype(np.float32)
    rises = grey[1:, 1:] - grey[:-1, :-1], grey[:-1, 1:] - grey[1:, :-1]
    across, down = np.abs(rises[0] + rises[1]), np.abs(rises[0] - rises[1])
    weight = across**2 + down**2
    aslant = np.minimum(across, down) > _ASLANT * np.maximum(across, down)
    window = np.ones(max(3, round(_DIGIT_WIDE * height)))
    edges = np.convolve(weight.sum(axis=0), window, "same")
    slanted = np.convolve((weight * aslant).sum(axis=0), window, "same")
    inked = edges > 0.5 * edges.max()
    return float((slanted[inked] / edges[inked]).max()) if inked.any() else 0.0


def _contrast(picture: Picture) -> NDArray[np.uint8]:
    """Grey where brightness tells letters from ground, else the channel that does."""
    grey = np.asarray(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY), np.uint8)
    planes = [grey, *(picture[:, :, at] for at in range(3))]
    spans = [float(np.ptp(np.percentile(plane, (5, 95)))) for plane in planes]
    chosen = int(np.argmax(spans))
    return planes[chosen] if spans[0] < 0.5 * spans[chosen] else grey


@dataclass(frozen=True, slots=True)
class _Row:
    likeness: float  # to a row of digits, 0 to 1
    score: float  # likeness weighed with how much ink it explains
    edges: Edges
    glyphs: NDArray[np.float64]  # x0, x1 of each
    shapes: str
    room: tuple[float, float]
    height: float
    near: tuple[bool, bool]
    light: bool
    strokes: NDArray[np.bool_]
    beside: NDArray[np.float64]  # x0, x1 of each glyph that is not the figure's, and of its parts
    solid: bool  # no row of blobs

    @property
    def plain(self) -> bool:
        """No rival is needed. Dark strokes may be the rims of some of the letters."""
        return self.light and self.likeness > _PLAIN

    def fills(self, rim: _Row) -> bool:
        """Tell whether this row is what the letters of ``rim`` are filled with."""
        return (
            self.light != rim.light
            and self.solid
            and self.likeness >= _SAFE
            and 0.7 * rim.height < self.height < rim.height
            and all(
                inner > outer - 1
                for inner, outer in zip(self.edges[:2], rim.edges[:2], strict=True)
            )
            and all(
                inner < outer + 1
                for inner, outer in zip(self.edges[2:], rim.edges[2:], strict=True)
            )
            and self.edges[2] - self.edges[0] > rim.edges[2] - rim.edges[0] - 0.5 * rim.height
        )

    def ink(self, work: NDArray[np.uint8], inner: Edges, scale: float) -> Ink:
        x0, y0, x1, y1 = (edge / scale for edge in self.edges)
        left, right = (edge / scale for edge in self.room)
        clean, clean_x = self._clean(work)
        return Ink(
            (x0, y0, x1, y1),
            tuple((float(a), float(b)) for a, b in self.glyphs / scale),
            self.shapes,
            (left, right),
            tuple((float(a), float(b)) for a, b in self.beside / scale),
            self.height / scale,
            self.near,
            self.likeness >= _SAFE and self._alone(work, inner),
            clean,
            clean_x / scale,
            scale,
        )

    def _alone(self, work: NDArray[np.uint8], inner: Edges) -> bool:
        """Tell whether the rest of the box is plain beside the figure's strokes."""
        x0, y0, x1, y1 = self.edges
        rows = work[max(0, int(y0)) : int(y1)].astype(np.float32)
        spans = np.percentile(rows, 95, axis=0) - np.percentile(rows, 5, axis=0)
        at = np.arange(len(spans)) + 0.5
        gap = 0.12 * self.height
        rest = (at > inner[0]) & (at < inner[2]) & ((at < x0 - gap) | (at > x1 + gap))
        for left, right in self.beside:
            if min(right, inner[2]) - max(left, inner[0]) < _NEIGHBOUR * self.height:
                rest &= (at < left - gap) | (at > right + gap)
        own = spans[(at >= x0) & (at <= x1)]
        return not rest.any() or float(spans[rest].max()) < _REST * float(np.percentile(own, 75))

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


def _score(row: _Row) -> float:
    return row.score


class _Strokes:
    """The connected strokes of one split as arrays, px at the working height."""

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    w: NDArray[np.float64]
    h: NDArray[np.float64]
    area: NDArray[np.float64]
    fill: NDArray[np.float64]
    within: NDArray[np.bool_]

    def __init__(self, mask: NDArray[np.uint8], inner: Edges) -> None:
        _, self.labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
        self.label = np.flatnonzero(stats[:, cv2.CC_STAT_AREA] >= _SPECK)[1:]
        self.x, self.y, self.w, self.h, self.area = stats[self.label].astype(np.float64).T
        self.x1, self.y1 = self.x + self.w, self.y + self.h
        self.fill = self.area / (self.w * self.h)
        left, upper, right, lower = inner
        shown = np.minimum(self.x1, right) - np.maximum(self.x, left)
        self.shown = np.clip(shown, 0, None)
        middle = (self.y + self.y1) / 2
        self.within = (middle > upper) & (middle < lower)
        self.wide = mask.shape[1]
        self.visible = self._seen_whole(left, right)

    def _seen_whole(self, left: float, right: float) -> NDArray[np.bool_]:
        """Tell which belong to a letter that is in the box for the most part.

        Strokes that reach into each other make one letter: the rings of a percent sign and its bar.
        """
        shared = np.minimum(self.x1[:, None], self.x1[None]) - np.maximum(
            self.x[:, None], self.x[None]
        )
        level = np.minimum(self.y1[:, None], self.y1[None]) - np.maximum(
            self.y[:, None], self.y[None]
        )
        sized = self.w < 0.3 * self.wide
        # Side by side in height too: what the scene shows above a letter is no part of it.
        over = (
            (shared > 0.3 * np.minimum(self.w[:, None], self.w[None]))
            & (level > 0.3 * np.minimum(self.h[:, None], self.h[None]))
            & sized[None]
        )
        x0 = np.minimum(self.x, np.where(over, self.x[None], np.inf).min(axis=1, initial=np.inf))
        x1 = np.maximum(self.x1, np.where(over, self.x1[None], -np.inf).max(axis=1, initial=0))
        shown = np.minimum(x1, right) - np.maximum(x0, left)
        visible: NDArray[np.bool_] = shown / (x1 - x0) >= _VISIBLE
        return visible

    def tall(self, low: float, high: float) -> NDArray[np.bool_]:
        """Tell which may be digits of a height between ``low`` and ``high``."""
        tops = (self.h >= low) & (self.h <= high) & self.within
        strokes = (self.fill > 0.1) & (self.w < 0.9 * self.wide) & (self.w <= 8 * self.h)
        blob = (self.fill > 0.75) & (self.w > 0.75 * self.h)
        tall: NDArray[np.bool_] = tops & strokes & ~blob
        return tall

    def mates(self, tall: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Give those of ``tall`` that share head and foot with the strokes most alike."""
        weights = np.where(tall & self.visible, self.shown, 0.0)
        slack = 0.2 * self.h[:, None]
        agree = (np.abs(self.y[:, None] - self.y[None]) < slack) & (
            np.abs(self.y1[:, None] - self.y1[None]) < slack
        )
        support = (agree * weights[None]).sum(axis=1)
        lead = int(np.argmax(np.where(tall & self.visible, support, -1.0)))
        mates: NDArray[np.bool_] = tall & agree[lead]
        return mates

    def marks(self, head: float, foot: float) -> NDArray[np.bool_]:
        """Tell which may be points, commas, colons, signs or degree signs of the row."""
        digit = foot - head
        band = (self.y > head - 0.12 * digit) & (self.y1 < foot + 0.32 * digit)
        dot = (self.h < 0.45 * digit) & (self.w < 0.4 * digit) & (self.fill > 0.45)
        large = self.area > (0.07 * digit) ** 2
        return (band & dot & large) | self.signs(head, foot)

    def signs(self, head: float, foot: float) -> NDArray[np.bool_]:
        """Tell which may be minus signs or dashes of the row."""
        digit = foot - head
        middle = ((self.y + self.y1) / 2 - head) / digit
        flat = (self.w < _DASH * digit) & (self.w > 1.2 * self.h) & (self.h < 0.3 * digit)
        sign: NDArray[np.bool_] = flat & (self.fill > 0.6) & (middle > 0.25) & (middle < 0.8)
        return sign & (self.area > (0.07 * digit) ** 2)

    def pieces(self, head: float, foot: float) -> NDArray[np.bool_]:
        """Tell which are as large as parts of letters and stand beside the row."""
        digit = foot - head
        sized = (self.h >= 0.25 * digit) & (self.h <= 1.7 * digit) & (self.w < 4 * digit)
        return sized & (self.y < foot) & (self.y1 > head)

    def room(self, others: NDArray[np.intp], first: float, last: float) -> tuple[float, float]:
        """Give where the nearest of ``others`` ends before ``first`` and begins after ``last``."""
        x, x1 = self.x[others], self.x1[others]
        return (
            float(x1[x1 <= first + 1].max(initial=0.0)),
            float(x[x >= last - 1].min(initial=self.wide)),
        )

    def shapes(self, own: NDArray[np.intp], head: float, foot: float) -> str:
        """Name what each stroke of a row looks like; see ``Ink``."""
        digit = foot - head
        high = self.h[own] > 0.6 * digit
        flat = self.w[own] > 1.2 * self.h[own]
        low = self.h[own] < 0.35 * digit
        dot = low & (self.w[own] < 0.4 * digit)
        on_line = np.abs(self.y1[own] - foot) < 0.15 * digit
        names = np.select(
            [high, dot & on_line, dot & ~flat, low & flat], ["d", ".", ":", "-"], default="?"
        )
        return "".join(names)

    def letters(self, head: float, foot: float) -> NDArray[np.bool_]:
        """Tell which may be letters beside the figure, with ascenders and descenders."""
        digit = foot - head
        sized = (self.h >= 0.5 * digit) & (self.h <= 1.7 * digit) & (self.w < 4 * digit)
        band = (self.y > head - 0.4 * digit) & (self.y1 < foot + 0.45 * digit)
        return sized & band & (self.fill > 0.1)


def _row(
    mask: NDArray[np.uint8], inner: Edges, height: float, light: bool, far: float
) -> _Row | None:
    """Take the strokes of one split that stand in one row; score how like digits they look.

    A gap of more than ``far`` digit heights ends it.
    """
    it = _Strokes(mask, inner)
    if not 0 < len(it.label) < _MOST_STROKES:
        return None
    tall = it.tall(*((0.62 * height, 1.45 * height) if height else _heights(inner)))
    if not (tall & it.visible).any():
        return None
    mates = it.mates(tall)
    digit = float(np.average(it.h[mates], weights=it.w[mates]))
    head, foot = float(np.median(it.y[mates])), float(np.median(it.y1[mates]))
    member = mates | it.marks(head, foot) | it.letters(head, foot)
    glyphs = np.flatnonzero(member)[np.argsort(it.x[member], kind="stable")]
    own = _run(it, glyphs, mates, far * digit)
    if not mates[own].any():
        return None
    signs = it.signs(head, foot)
    own = _with_sign(it, glyphs, own, signs, digit)
    first, last = float(it.x[own].min()), float(it.x1[own].max())
    others = np.setdiff1d(glyphs, own)
    left, right = it.room(others, first, last)
    near = (
        left > 0 and first - left < _WORD_GAP * digit,
        right < it.wide and right - last < _WORD_GAP * digit,
    )
    # The rings of a percent sign are no letters of the row, and must not be cut through either.
    pieces = np.setdiff1d(np.flatnonzero(it.pieces(head, foot)), own)
    beside = np.union1d(others[~signs[others]], pieces[~it.visible[pieces]])
    chosen = own[mates[own]]
    likeness = _likeness(it, chosen, ~member & it.within & (it.x1 > first) & (it.x < last), digit)
    upper = max(float(it.y[own].min()), head - 0.12 * digit)
    lower = min(float(it.y1[own].max()), foot + 0.3 * digit)
    return _Row(
        likeness,
        likeness * _explained(float(it.w[chosen].sum()) / digit),
        (first, upper, last, lower),
        np.stack([it.x[own], it.x1[own]], axis=1),
        it.shapes(own, head, foot),
        it.room(np.union1d(others, pieces), first, last),
        digit,
        near,
        light,
        np.isin(it.labels, it.label[own]),
        np.stack([it.x[beside], it.x1[beside]], axis=1),
        _solid(it, chosen),
    )


def _heights(inner: Edges) -> tuple[float, float]:
    """Give the heights that digits may have in a box of which no more is known."""
    high = inner[3] - inner[1]
    return 0.28 * high, high + 1


def _likeness(
    it: _Strokes, digits: NDArray[np.intp], stray: NDArray[np.bool_], digit: float
) -> float:
    """Score from 0 to 1 how like digits strokes look: equal heads and feet, thin, nothing between.

    A judgement, set on drawn crops (tests/studies/study_general_readers.py).
    """
    spread = float(np.std(it.h[digits]) + np.std(it.y1[digits])) / digit
    clutter = float(np.minimum(it.area[stray], digit * digit).sum()) / (digit * digit)
    plausible = 1.0 if 0.2 <= float(it.fill[digits].mean()) <= 0.8 else 0.4
    return plausible * float(np.exp(-6 * spread - clutter))


def _explained(wide: float) -> float:
    """Weigh digits ``wide`` heights wide: one is worth little, and more are a little better."""
    return min(2.0, 0.6 + wide) + 0.1 * wide


def _solid(it: _Strokes, digits: NDArray[np.intp]) -> bool:
    """Tell whether strokes are no filled blobs, as the counters of a row of zeros are."""
    broad = digits[it.w[digits] > 0.35 * it.h[digits]]
    return not len(broad) or float(it.fill[broad].mean()) < 0.66


def _run(
    it: _Strokes,
    glyphs: NDArray[np.intp],
    mates: NDArray[np.bool_],
    far: float,
) -> NDArray[np.intp]:
    """Choose the strokes that are the figure: seen whole enough, with no gap wider than ``far``."""
    x, x1 = it.x, it.x1
    kept = [int(k) for k in glyphs if it.visible[k]]
    runs: list[list[int]] = []
    reach = -np.inf
    for k in kept:
        if not runs or x[k] - reach > far:
            runs.append([])
        runs[-1].append(k)
        reach = max(reach, x1[k])

    def weight(run: list[int]) -> float:
        return float(sum(x1[k] - x[k] for k in run if mates[k]))

    return np.array(max(runs, key=weight), np.intp)


def _with_sign(
    it: _Strokes,
    glyphs: NDArray[np.intp],
    own: NDArray[np.intp],
    signs: NDArray[np.bool_],
    digit: float,
) -> NDArray[np.intp]:
    """Add the minus sign that stands close before the figure, also where the box cuts it off.

    A dash with a letter as near before it joins words.
    """
    rest = np.setdiff1d(glyphs, own)
    gaps = float(it.x[own].min()) - it.x1[rest]
    for k, gap in zip(rest, gaps, strict=True):
        if signs[k] and -1 < gap < _SIGN_GAP * digit:
            before = float(it.x[k]) - it.x1[rest]
            if not ((before > -1) & (before < gap + 0.15 * digit)).any():
                return np.append(k, own)
    return own
