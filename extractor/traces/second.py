"""Signs that a second line of the colour is drawn: apart from the line, on it or right beside it.

Five things tell: other ink of the colour that could as well be the line; stretches that run
straight and are thicker than the line is wide; others, too, whose edges turn together; a second
colour, or mixtures with it, where nothing was lost in coding; and where something was, another tone
above than below, now or all along. Lossy coders make tones of their own, by more than near colours
differ, but by where the line lies in the coder's blocks: what goes with that, and what differs from
block to block, proves nothing.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from extractor.traces.ink import Plane
from extractor.traces.runs import Numbers, Runs, Whole

_LEVEL = 1.5
"""Rows within which dashes of one average lie, px."""
_CORE = 0.9
"""Share of full ink from which the tone of a pixel is the line's."""
_APART, _OFTEN, _FEWEST = 2.5, 0.12, 30
"""Difference of two colours, code values, share of the inner pixels that have the second one
exactly, and number of such pixels that tell something."""
_RINGS, _BARE = 3, 0.6
"""Rows beyond the ink in which lossy coders leave traces of it, and share of the columns that have
the bare ground there, to the bit, where nothing was lost: of such charts 0.8 and more, of JPEGs up
to quality 98 mostly less than half."""
_TRACE, _TRACES = 3.0, 0.05
"""Difference from the ground up to which it is such a trace, code values, and share of the columns
that have one where something was lost: of charts without loss at most 0.02, of JPEGs 0.2 and more.
A ground of pure white or black hides half of them: one JPEG of quality 95 has 0.78 bare."""
_BESIDE, _STRAY = 1.0, 0.03
"""Distance from all mixtures of line and ground, code values, beyond which a pixel is none, and
share of such ones: of single lines without loss at most 0.013 are, of pairs mostly 0.05 to 0.3."""
_STRETCH = 16
"""Columns over which lossy coders may err in one way: the blocks of chroma (ITU-T T.81, 4:2:0)."""
_PERIODS = (8, 16)
"""Sides of the blocks of brightness and of chroma, px."""
_ALL, _LEAST = 0.9, 12
"""Share of a stretch that must be seen, and number of stretches that tell something."""
_BEYOND = 8
"""Rows beyond the line's ink into which coders spread its colour."""
_FAINTEST = (0.006, 0.003, 0.3)
"""Error of each measure of tone where coding makes none: of rounding and of outlines."""
_GROUNDS = 3.0
"""Difference of the grounds above and below, code values, beyond which they tint the line."""
_FREE, _EVERY = 20, 4
"""Columns without ink that tell what runs along a row, of each fourth column."""
_RIM = 0.75
"""Rows at the edges of the ink that tell nothing of its brightness."""
_DEEP = 0.8
"""Least depth of ink that tells it, px."""
_DIP = 1.3
"""Usual heights of the ink beyond which a column tells no brightness: dips go to one side only."""
_OUTLIER = 3.5
"""Deviations (MAD) to which stretches are cut."""
_WAVES = 4
"""So many waves along the run may the tone go up and down."""
_EVENLY, _WAVERING = (4.6, 5.2), (7.5, 8.8)
"""Deviates of the normal distribution beyond which tones are two, of one measure and of all three,
where they differ all along and where now and then."""
_STRAIGHT = 0.12
"""Deviation of an edge from a straight line up to which it is straight, px: coding alone."""
_FAT, _FAT_PX = 0.25, 0.7
"""What a stretch is thicker than the line, widths and px, that more than one line makes."""
_MOST = 0.6
"""Share of the straight columns that must be too thick."""
_SPANS = ((1.0, 0.11), (2.0, 0.05))
"""Half of a straight stretch, widths of the line, and share of the columns that lie in such ones.

The outlines of a dense line are seldom straight by chance, the less often the longer they are.
"""

_TURNS = 32
"""Columns over which the edges are held against one another."""
_KNOWN, _STEEPEST = 0.6, 1.5
"""Share of them that must tell, and slope up to which a column does."""
_ALIKE, _EDGE_ERROR = 0.6, 0.15
"""Correlation of how the edges turn from which they turn together; what coding errs by, px²."""
_OVER, _OVER_PX = 0.15, 0.4
"""What the ink is thicker than the line there, widths and px: all but a tenth of the columns."""
_FUSED = 0.32
"""Share of the stretches that must be so: in single lines at most a quarter are, of touching pairs
with at most a sample on three px mostly more than half."""


def second_line(
    off: Plane, ink: Numbers, runs: Runs, chosen: Whole, top: Numbers, bottom: Numbers, pen: float
) -> float:
    """Share of the columns that show a second line; small where there is none.

    ``off`` (h, w, 3) is the difference from the ground, ``ink`` (h, w) is 1 where a pixel is all
    line; ``top`` and ``bottom`` are the edges of its ink, ``pen`` is its width, px.
    """
    exact = _is_exact(off, top, bottom)
    return max(
        _other_ink(runs, chosen, pen),
        _thick(top, bottom, pen),
        _fused(top, bottom, pen),
        _two_colours(off, ink, top, bottom) if exact else _two_tones(off, top, bottom, pen),
    )


def _other_ink(runs: Runs, chosen: Whole, pen: float) -> float:
    """Share of the columns seen in which other ink of the colour could be the line.

    Dashes of one height are an average, not a rival.
    """
    taken = np.zeros(len(runs.column), bool)
    taken[chosen[chosen >= 0]] = True
    left = ~taken & (runs.lower - runs.upper + 1 > 0.4 * pen)
    column, middle = runs.column[left], (runs.top + runs.bottom)[left] / 2
    if not column.size:
        return 0.0
    levels, counts = np.unique(np.round(middle / _LEVEL).astype(np.int64), return_counts=True)
    level = levels[np.argmax(counts)] * _LEVEL
    on_level = np.abs(middle - level) <= 1.5 * _LEVEL
    pieces = 1 + np.count_nonzero(np.diff(np.unique(column[on_level])) > 2)
    if pieces >= 3:
        column = column[~on_level]
    return len(np.unique(column)) / max(1, int((chosen >= 0).sum()))


def _thick(top: Numbers, bottom: Numbers, pen: float) -> float:
    """Share of the straight columns that are too thick for one line; 0 unless they are many.

    Both edges run straight between samples, or where two lines run side by side.
    """
    seen = max(1, int(np.count_nonzero(np.isfinite(top))))
    for widths, share in _SPANS:
        reach = max(3, round(widths * pen))
        if len(top) <= 2 * reach:
            continue
        (upper, rise, rough), (lower, fall, ragged) = _fits(top, reach), _fits(bottom, reach)
        slope = np.maximum(np.abs(rise), np.abs(fall))
        straight = (rough < _STRAIGHT) & (ragged < _STRAIGHT) & (slope < 1)
        surplus = (lower - upper - pen * np.sqrt(1 + slope**2))[straight]
        fat = np.count_nonzero(surplus > max(_FAT_PX, _FAT * pen))
        if fat > share * seen and fat > _MOST * surplus.size:
            return float(fat / surplus.size)
    return 0.0


def _fits(edge: Numbers, reach: int) -> tuple[Numbers, Numbers, Numbers]:
    """Straight line through so many columns to either side of each: height, slope, deviation."""
    around = np.lib.stride_tricks.sliding_window_view(edge, 2 * reach + 1)
    along = np.arange(-reach, reach + 1)
    height = around.mean(axis=1)
    slope = around @ along / (along @ along)
    square = ((around - height[:, None] - slope[:, None] * along) ** 2).mean(axis=1)
    return height, slope, np.sqrt(square)


def _fused(top: Numbers, bottom: Numbers, pen: float) -> float:
    """Share of the stretches that are too thick though their edges turn together; 0 unless many.

    Where samples stand apart, both edges of a line follow it, at its own width; where they stand so
    close that strokes merge, the ink is thicker, but each edge goes its own way.
    """
    reach = max(2, round(pen))
    columns = len(top)
    if columns < _TURNS + 2 * reach:
        return 0.0
    edges = np.stack([top, bottom])
    turns = np.full_like(edges, np.nan)
    before, after = edges[:, : -2 * reach], edges[:, 2 * reach :]
    turns[:, reach:-reach] = after - 2 * edges[:, reach:-reach] + before
    slope = np.gradient(edges.mean(axis=0))
    surplus = bottom - top - pen * np.sqrt(1 + slope**2)
    telling = np.isfinite(turns).all(axis=0) & (np.abs(slope) < _STEEPEST)
    fused = []
    for begin in range(0, columns - _TURNS + 1, _TURNS // 2):
        at = begin + np.flatnonzero(telling[begin : begin + _TURNS])
        if len(at) < _KNOWN * _TURNS:
            continue
        some = turns[:, at]
        ends = np.percentile(some, [5, 95], axis=1)[..., None]  # a dip says little of the others
        upper, lower = np.clip(some, *ends)
        size = np.sqrt(np.mean(upper**2) * np.mean(lower**2))
        alike = np.mean(upper * lower) > _ALIKE * (size + _EDGE_ERROR)
        over = np.percentile(surplus[at], 10) > max(_OVER * pen, _OVER_PX)
        fused.append(alike and over)
    share = float(np.mean(fused)) if len(fused) >= _LEAST // 2 else 0.0
    return share if share > _FUSED else 0.0


def _two_colours(off: Plane, ink: Numbers, top: Numbers, bottom: Numbers) -> float:
    """Share of the columns with a second colour inside of the ink; 0 if it is seldom.

    Where nothing was lost in coding a line is of one colour to the bit, and its outline of mixtures
    of that and the ground; a second line adds its own colour, or mixtures that are none of these.
    """
    rows = np.arange(len(ink))[:, None] + 0.5
    inner = ink > _CORE
    inner[1:-1] &= (ink[:-2] > 0.5) & (ink[2:] > 0.5)
    inner &= (rows > top) & (rows < bottom)
    if np.count_nonzero(inner) < _FEWEST:
        return 0.0
    code = np.round(off[inner] * 4).astype(np.int32)
    colours, which, counts = np.unique(code, axis=0, return_inverse=True, return_counts=True)
    own = colours[counts.argmax()] / 4
    away = np.linalg.norm(colours / 4 - own, axis=1)
    second = int(np.where(away > _APART, counts, 0).argmax())
    strange = np.zeros(len(code), np.bool_)
    if away[second] > _APART and counts[second] >= _OFTEN * len(code):
        strange |= which.ravel() == second
    way = own / np.linalg.norm(own)
    beside = np.linalg.norm(off[inner] - np.outer(off[inner] @ way, way), axis=1) > _BESIDE
    if beside.mean() > _STRAY:
        strange |= beside
    columns = np.nonzero(inner)[1][strange]
    return len(np.unique(columns)) / max(1, int(np.isfinite(top).sum()))


def _is_exact(off: Plane, top: Numbers, bottom: Numbers) -> bool:
    """Tell whether nothing was lost in coding: the ground right beside the line is bare."""
    for row in (top - _RINGS, bottom + _RINGS):
        column = np.flatnonzero((row >= 0) & (row < len(off)))
        most = np.abs(off[row[column].astype(np.int64), column]).max(axis=1)
        bare, traces = most == 0, (most > 0) & (most <= _TRACE)
        if bare.sum() > _BARE * len(column) and traces.sum() <= _TRACES * len(column):
            return True  # below, there may be an area
    return False


def _two_tones(off: Plane, top: Numbers, bottom: Numbers, pen: float) -> float:
    """Share of the stretches whose ink is of one tone above and of another below; 0 unless surely.

    So it is where two lines of nearly one colour lie on or beside one another. The grounds above
    and below must be the same: coding tints the edge of a line beside an area.
    """
    measures = list(_apart(off, top, bottom, pen))
    for waves, (one, all_of_them) in ((0, _EVENLY), (_WAVES, _WAVERING)):
        # How dense a line is wavers along the run, and its brightness with it.
        found = [_surely(*each, waves) for each in (measures[:2] if waves else measures)]
        sure = [max(0.0, each) for each, _ in found]
        if sure and (max(sure) > one or np.hypot.reduce(sure) > all_of_them):
            return found[int(np.argmax(sure))][1]
    return 0.0


def _apart(
    off: Plane, top: Numbers, bottom: Numbers, pen: float
) -> Iterator[tuple[Numbers, Numbers, float]]:
    """What the ink above and below differs by in each stretch, where it lies in the blocks, and
    the least error of that.

    Three measures: what coders spread beyond the ink, chroma of the line's own hue and across it,
    for the brightness there is, shares of the line's contrast; and brightness within the ink alone.
    """
    known = np.isfinite(top)
    if not known.any():
        return
    begin = max(0, int(np.nanmin(top)) - _BEYOND - 2)
    piece = off[begin : int(np.nanmax(bottom)) + _BEYOND + 2]
    high, low = np.nan_to_num(top - begin), np.nan_to_num(bottom - begin)
    middle = (high + low) / 2
    bare = piece - _along_rows(piece, np.where(known, high, len(piece)), np.where(known, low, -1.0))
    height, width = bare.shape[:2]
    column = np.arange(width)
    sums = np.concatenate([np.zeros((1, width, 3)), np.cumsum(bare, axis=0, dtype=np.float64)])

    def down_to(place: Numbers) -> Numbers:
        place = np.clip(place, 0, height - 1e-3)
        row = place.astype(np.int64)
        return np.asarray(sums[row, column] + (place - row)[:, None] * bare[row, column])

    def at(place: Numbers) -> Numbers:
        return np.asarray(bare[np.clip(place, 0, height - 1).astype(np.int64), column])

    beside = (at(high - _BEYOND + 1) - at(low + _BEYOND - 1))[known]
    if np.linalg.norm(np.median(beside, axis=0)) > _GROUNDS:
        return
    seen = known[:, None]
    above = _stretches((down_to(middle) - down_to(high - _BEYOND)) * seen)
    below = _stretches((down_to(low + _BEYOND) - down_to(middle)) * seen)
    count = _stretches(seen.astype(np.float64))[:, 0]
    turns = 2 * np.pi * (middle + begin)[:, None] / np.repeat(_PERIODS, 2) + [0, np.pi / 2] * 2
    phases = _stretches(np.cos(turns) * seen) / np.maximum(count, 1)[:, None]
    depth = np.minimum(pen, (low - high) / 2 - _RIM)
    usual = np.median((low - high)[known])
    deep = known & (depth > _DEEP) & (low - high < _DIP * usual)
    depth = np.where(deep, depth, 1.0)
    upper = down_to(high + _RIM + depth) - down_to(high + _RIM)
    lower = down_to(low - _RIM) - down_to(low - _RIM - depth)
    bright = np.where(deep, (upper - lower)[:, 0] / depth, 0.0)[:, None]
    told = _stretches(deep[:, None].astype(np.float64))[:, 0]
    full = count > _ALL * _STRETCH
    some = full & (told > 0.25 * _STRETCH)
    above, below = above[full], below[full]
    if len(above) < _LEAST:
        return
    whole = (above + below).sum(axis=0)
    if abs(whole[0]) < 0.1 * np.linalg.norm(whole):
        return
    ratio = whole[1:] / whole[0]
    share = whole[0] / np.linalg.norm(whole)
    apart = _beyond(above, ratio) - _beyond(below, ratio)
    hue = whole[1:] / max(float(np.linalg.norm(whole[1:])), 1e-6)
    for way, least in zip((hue, np.array([-hue[1], hue[0]])), _FAINTEST[:2], strict=True):
        yield apart @ way * share, phases[full], least
    if np.count_nonzero(some) >= _LEAST:
        yield _stretches(bright)[some, 0] / told[some], phases[some], _FAINTEST[2]


def _along_rows(off: Plane, high: Numbers, low: Numbers) -> Numbers:
    """What runs along whole rows, as grid lines do, (h, 1, 3); 0 where the ink hides it."""
    some = slice(None, None, _EVERY)
    row = np.arange(len(off))[:, None]
    free = (row < high[some] - _BEYOND) | (row > low[some] + _BEYOND)
    known = free.sum(axis=1) >= _FREE
    along = np.zeros((len(off), 1, 3))
    along[known, 0] = np.nanmedian(np.where(free[..., None], off[:, some], np.nan)[known], axis=1)
    return along


def _stretches(values: Numbers) -> Numbers:
    """Sums over so many columns each, (stretches, n) of (w, n)."""
    pieces = len(values) // _STRETCH
    return np.asarray(values[: pieces * _STRETCH].reshape(pieces, _STRETCH, -1).sum(axis=1))


def _beyond(side: Numbers, ratio: Numbers) -> Numbers:
    """Chroma that is not what the brightness makes of it, for the usual brightness."""
    return np.asarray((side[:, 1:] - side[:, :1] * ratio) / side[:, 0].mean())


def _surely(tone: Numbers, phases: Numbers, least: float, waves: int) -> tuple[float, float]:
    """How surely tones differ beside what the blocks make, a normal deviate; and how often.

    An F-test of a constant and of so many waves along the run in a linear model.
    """
    from scipy.special import fdtrc, ndtri

    usual = np.median(tone)
    spread = 1.48 * np.median(np.abs(tone - usual)) + 1e-6
    tone = np.clip(tone, usual - _OUTLIER * spread, usual + _OUTLIER * spread)
    along = 2 * np.pi * np.arange(waves + 1) * (np.arange(len(tone))[:, None] + 0.5) / len(tone)
    model = np.concatenate([np.cos(along), np.sin(along)[:, 1:]], axis=1)
    both = np.concatenate([phases, model], axis=1)
    free = len(tone) - both.shape[1]
    if free < _LEAST // 2:
        return 0.0, 0.0
    fit, *_ = np.linalg.lstsq(both, tone, rcond=None)
    alone, *_ = np.linalg.lstsq(phases, tone, rcond=None)
    left = float(np.sum((tone - both @ fit) ** 2))
    more = float(np.sum((tone - phases @ alone) ** 2)) - left
    steady = model.shape[1]
    beyond = fdtrc(steady, free, max(more, 0.0) / steady / (left / free + least**2))
    told = model @ fit[phases.shape[1] :]
    return float(-ndtri(max(beyond, 1e-300))), float(np.mean(np.abs(told) > spread / 10))
