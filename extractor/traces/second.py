"""Signs that a second line of the colour is drawn: apart from the line, on it or right beside it.

Three things tell: other ink of the colour that could as well be the line; stretches that run
straight and are thicker than the line is wide; another tone above than below. Lossy coding makes
tones of its own, by more than near colours differ, but now here and now there.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from extractor.traces.ink import Plane
from extractor.traces.runs import Numbers, Runs, Whole

_LEVEL = 1.5
"""Rows within which dashes of one average lie, px."""
_CORE = 0.9
"""Share of full ink from which the tone of a pixel is the line's."""
_TONES, _OFTEN = 3.0, 0.2
"""Difference of two tones, code values, and share of the columns, beyond which they are two."""
_STRETCH = 16
"""Columns over which lossy coders may err in one way: the blocks of chroma (ITU-T T.81, 4:2:0)."""
_SURE = 4.0
"""Standard errors by which tones differ that are two."""
_MEDIAN = 1.25
"""Standard error of a median of normal deviates, in that of their mean."""
_TINT, _SURE_TINT = 0.012, 5.5
"""The same for tints of halves, as a share of the ink's own colour."""
_ALL, _LEAST = 0.9, 6
"""Share of a stretch that must be seen, and number of stretches that tell something."""
_PLAIN = 0.5
"""Deviation of the ground, code values, below which nothing was lost in coding."""
_BEYOND = 6
"""Rows beyond the line's ink at which its ground is looked at."""
_STRAIGHT = 0.12
"""Deviation of an edge from a straight line up to which it is straight, px: coding alone."""
_FAT, _FAT_PX = 0.25, 0.7
"""What a stretch is thicker than the line, widths and px, that more than one line makes."""
_MOST = 0.3
"""Share of the straight columns that must be too thick."""
_SPANS = ((1.0, 0.11), (2.0, 0.03))
"""Half of a straight stretch, widths of the line, and share of the columns that lie in such ones.

The outlines of a dense line are seldom straight by chance, the less often the longer they are.
"""


def second_line(
    off: Plane, ink: Numbers, runs: Runs, chosen: Whole, top: Numbers, bottom: Numbers, pen: float
) -> float:
    """Share of the columns that show a second line; small where there is none.

    ``off`` (h, w, 3) is the difference from the ground, ``ink`` (h, w) is 1 where a pixel is all
    line; ``top`` and ``bottom`` are the edges of its ink, ``pen`` is its width, px.
    """
    return max(
        _other_ink(runs, chosen, pen),
        _two_tones(off, ink, runs, chosen, top, bottom),
        _thick(top, bottom, pen),
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


def _two_tones(
    off: Plane, ink: Numbers, runs: Runs, chosen: Whole, top: Numbers, bottom: Numbers
) -> float:
    """Share of the columns seen whose ink is of one tone above and of another below.

    So it is where two lines of nearly one colour lie on or beside one another. 0 unless the tones
    differ by more than what coding does to one line, in many columns, and the ground is the same
    above and below: coding tints the edge of a line beside an area.
    """
    height, width = ink.shape
    seen = chosen >= 0
    upper = np.where(seen, runs.upper[chosen], height)
    lower = np.where(seen, runs.lower[chosen], -1)
    over, under = np.clip(upper - _BEYOND, 0, None), np.clip(lower + _BEYOND, None, height - 1)
    columns = np.arange(width)
    beside = (off[over, columns] - off[under, columns])[seen]
    if np.linalg.norm(np.median(beside, axis=0)) > _TONES:
        return 0.0
    plain = bool(np.percentile(np.linalg.norm(beside, axis=1), 75) < _PLAIN)
    sums = np.concatenate([np.zeros((1, width, 3)), np.cumsum(off, axis=0, dtype=np.float64)])
    rows = np.arange(height)[:, None]
    core = (ink > _CORE) & (rows >= upper) & (rows <= lower)
    return max(_in_the_core(core, sums, seen, plain), _in_halves(off, sums, top, bottom))


def _in_the_core(
    core: NDArray[np.bool_], sums: Numbers, seen: NDArray[np.bool_], plain: bool
) -> float:
    """Tones of the upper and of the lower third of the px that are all line."""
    height, width = core.shape
    count, first = core.sum(axis=0), core.argmax(axis=0)
    after = height - core[::-1].argmax(axis=0)
    whole = (count >= 2) & (after - first == count)
    if np.count_nonzero(whole) < _STRETCH:
        return 0.0
    third = np.maximum(1, count // 3)
    columns = np.arange(width)
    above = sums[np.minimum(first + third, height), columns] - sums[first, columns]
    below = sums[after, columns] - sums[after - third, columns]
    apart = ((above - below) / third[:, None])[whole]
    among = int(np.count_nonzero(seen))
    if plain:
        # Also a second line that is now above and now below; how much ink there is says nothing.
        hue = np.median(((above + below) / third[:, None])[whole], axis=0)
        hue /= max(float(np.linalg.norm(hue)), 1e-6)
        aside = apart - (apart @ hue)[:, None] * hue
        often = np.count_nonzero(np.linalg.norm(aside, axis=1) > _TONES) / among
        if often > _OFTEN:
            return float(often)
    stretch = np.flatnonzero(whole) // _STRETCH
    tones = np.array([np.median(apart[stretch == each], axis=0) for each in np.unique(stretch)])
    usual = np.median(tones, axis=0)
    error = _MEDIAN * tones.std(axis=0) / np.sqrt(len(tones)) + 0.05
    size = float(np.linalg.norm(usual))
    if size < _TONES or np.max(np.abs(usual) / error) < _SURE:
        return 0.0
    return float(np.count_nonzero(apart @ usual > size**2 / 2) / among)


def _in_halves(off: Plane, sums: Numbers, top: Numbers, bottom: Numbers) -> float:
    """Tints of all that was drawn above and below the middle of the ink, with what coding spread.

    Coders keep the mean of a block where they lose what is in it.
    """
    height, width = off.shape[:2]
    pieces = width // _STRETCH
    column = np.arange(pieces * _STRETCH)
    known = np.isfinite(top[column])
    high, low = np.nan_to_num(top[column]), np.nan_to_num(bottom[column])
    middle = np.clip((high + low) / 2, 0, height - 1)
    row = middle.astype(np.int64)
    half = sums[row, column] + (middle - row)[:, None] * off[row, column]
    begin = np.clip(np.floor(high).astype(np.int64) - _BEYOND, 0, height)
    end = np.clip(np.ceil(low).astype(np.int64) + _BEYOND, 0, height)
    halves = np.stack([half - sums[begin, column], sums[end, column] - half])
    shape = (2, pieces, _STRETCH, 3)
    all_seen = known.reshape(pieces, _STRETCH).mean(axis=1) > _ALL
    above, below = (halves * known[:, None]).reshape(shape).sum(axis=2)[:, all_seen]
    if len(above) < _LEAST:
        return 0.0
    hue = np.median((above + below) / np.linalg.norm(above + below, axis=1, keepdims=True), axis=0)
    hue /= np.linalg.norm(hue)
    apart = np.subtract(*(each / np.maximum(each @ hue, 1)[:, None] for each in (above, below)))
    usual = np.median(apart, axis=0)
    error = _MEDIAN * 1.48 * np.median(np.abs(apart - usual), axis=0) / np.sqrt(len(apart)) + 0.0015
    size = float(np.linalg.norm(usual))
    if size < _TINT or np.max(np.abs(usual) / error) < _SURE_TINT:
        return 0.0
    return float(np.mean(apart @ usual > size**2 / 2))
