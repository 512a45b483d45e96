"""Runs of ink in the columns of a plot, and the one path through them that is the line.

The line of a chart is one run of ink a column, and runs of neighbouring columns touch. Dashes of
an average, a sample of the line in a legend and specks are of the same colour, but the line does
not pass through them without a jump: the best path is found by dynamic programming (Bellman 1957).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from extractor.traces.ink import Plane

Numbers = NDArray[np.float64]
Whole = NDArray[np.int64]

_CORE = 0.5
"""Share of full ink, above the tint around it, that some pixel of a run has."""
_RIM = 0.3
"""Share that every pixel of a run has."""
_BLUR = 2
"""Rows beyond a run into which its ink may reach: antialiasing and lossy coding."""
_BESIDE = 3
"""Rows beyond those that tell the tint above and below."""
_TOUCH = 1
"""Rows between runs of neighbouring columns that still touch."""
_JUMP, _JUMP_ROW, _JUMP_MOST = 3.0, 0.5, 40.0
_GAP, _GAP_ROW, _GAP_MOST = 1.5, 0.05, 6.0
"""What a jump costs, in columns: at once, and across a gap."""
_LOOK_BACK = 24


@dataclass(frozen=True, slots=True)
class Runs:
    """Runs of ink ordered by column; ``upper`` and ``lower`` are first and last row.

    ``top`` and ``bottom`` are the edges to a fraction of a px; ``shade_top`` and ``shade_bottom``
    say that something else is drawn right beyond the edge.
    """

    column: Whole
    upper: Whole
    lower: Whole
    top: Numbers
    bottom: Numbers
    shade_top: NDArray[np.bool_]
    shade_bottom: NDArray[np.bool_]


def find_runs(
    share: Plane, own: NDArray[np.bool_], foreign: NDArray[np.bool_], tint: Plane, full: float
) -> Runs:
    """Find the runs of ink in every column.

    All planes are of shape (h, w); ``tint`` is the share of the line's colour in the area around
    it, ``full`` the share of a pixel that the line covers.
    """
    height = share.shape[0]
    near = own.copy()
    near[1:] |= own[:-1]
    near[:-1] |= own[1:]
    rim = near & (share > tint + _RIM * (full - tint))
    core = own & (share > tint + _CORE * (full - tint))
    sides = np.zeros((1, share.shape[1]), np.int8)
    steps = np.diff(np.concatenate([sides, rim.astype(np.int8), sides]), axis=0)
    column, upper = np.nonzero(steps.T == 1)
    _, after = np.nonzero(steps.T == -1)
    lower = after - 1
    so_far = np.concatenate([np.zeros((1, share.shape[1]), np.int64), np.cumsum(core, axis=0)])
    held = so_far[lower + 1, column] > so_far[upper, column]
    column, upper, lower = column[held], upper[held], lower[held]

    def beyond(row: Whole, away: int) -> tuple[Numbers, NDArray[np.bool_]]:
        """Ink from a run's last row outwards, and whether something else is drawn there."""
        rows = row[:, None] + away * np.arange(_BLUR + _BESIDE + 1)
        inside = (rows >= 0) & (rows < height)
        at = np.clip(rows, 0, height - 1), column[:, None]
        values = share[at].astype(np.float64)
        base = np.median(values[:, _BLUR + 1 :], axis=1)
        # Ink of the line itself nearby is no ground; a grid line down the column is.
        other = own[at][:, _BLUR + 1 :].any(axis=1) & (base > 0.6 * full)
        base = np.where(other, tint[at].max(axis=1), np.minimum(base, 0.9 * full))[:, None]
        ink = np.clip((values[:, : _BLUR + 1] - base) / (full - base), 0, 1)
        # Ink of another run behind a gap is not this one's.
        ink[:, 1:] = np.minimum.accumulate(ink, axis=1)[:, 1:]
        strange = (foreign[at] & inside)[:, 1 : _BLUR + 1].any(axis=1)
        return (ink * inside[:, : _BLUR + 1]).sum(axis=1), strange

    above, shade_top = beyond(upper, -1)
    below, shade_bottom = beyond(lower, 1)
    return Runs(column, upper, lower, upper + 1 - above, lower + below, shade_top, shade_bottom)


def find_path(runs: Runs, width: int) -> tuple[Whole, int]:
    """Choose at most one run a column: as many columns as can be had with few and short jumps.

    Returns the chosen run of each column (-1: none), and the number of jumps without a gap.
    """
    count = len(runs.column)
    chosen = np.full(width, -1, np.int64)
    if count == 0:
        return chosen, 0
    begin = np.searchsorted(runs.column, np.arange(width + 1))
    score = np.ones(count)
    before = np.full(count, -1, np.int64)
    best, best_run = 0.0, -1  # of all columns that can no longer be looked back to
    for column in range(width):
        far = column - _LOOK_BACK
        for run in range(begin[max(0, far)], begin[max(0, far + 1)]):
            if score[run] > best:
                best, best_run = float(score[run]), run
        reach = slice(begin[max(0, far + 1)], begin[column])
        for run in range(begin[column], begin[column + 1]):
            if best - _GAP_MOST > 0:
                score[run], before[run] = best - _GAP_MOST + 1, best_run
            if reach.stop == reach.start:
                continue
            value = score[reach] - _cost(runs, run, reach)
            at = int(np.argmax(value))
            if value[at] + 1 > score[run]:
                score[run], before[run] = float(value[at]) + 1, reach.start + at
    run, jumps = int(np.argmax(score)), 0
    while run >= 0:
        chosen[runs.column[run]] = run
        origin = int(before[run])
        if origin >= 0 and runs.column[run] - runs.column[origin] == 1:
            jumps += _between(runs, run, slice(origin, origin + 1))[0] > _TOUCH
        run = origin
    return chosen, int(jumps)


def _cost(runs: Runs, run: int, others: slice) -> Numbers:
    """What it costs, in columns, to come to a run from those in columns before it."""
    rows = _between(runs, run, others)
    jump = np.where(rows <= _TOUCH, 0, np.minimum(_JUMP + _JUMP_ROW * rows, _JUMP_MOST))
    gap = np.minimum(_GAP + _GAP_ROW * rows, _GAP_MOST)
    return np.asarray(np.where(runs.column[run] - runs.column[others] == 1, jump, gap))


def _between(runs: Runs, run: int, others: slice) -> Numbers:
    """Rows between a run and others; 0 where they share a row."""
    upper = np.maximum(runs.upper[run], runs.upper[others])
    lower = np.minimum(runs.lower[run], runs.lower[others])
    return np.asarray(np.maximum(0, upper - lower), np.float64)
