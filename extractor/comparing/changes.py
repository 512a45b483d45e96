"""When a speed falls for good, and whether at once or little by little.

The logarithm of a speed, from which the scene's content is taken out, is cut into levels by its
change points (PELT, Killick, Fearnhead and Eckley 2012; ``ruptures``). A fall between two levels
that happens from one sample to the next is a step. Falls that do not are pieces of a gradual one:
it begins where a level, a straight fall and a level fit it best (least squares).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
How = Literal["stepped", "gradual"]

# A fall of less than this share is not told as one, however sure it is.
LEAST_FALL = 0.02
# A sample this many robust deviations off its neighbours' median is one slow second (the scene
# loads), no change.
_SPIKE = 4.0
# The least samples of a level.
_LEVEL = 5
# A step whose samples lie this far apart, s, is still told as one.
_AT_ONCE = 20.0
# A straight fall that is over so soon, s, is a step drawn or sampled with noise.
_SOON = 40.0
_FEWEST = 8
_MOST = 120
# A fall has begun when this share of the speed is gone.
_SHOWN = 0.01


@dataclass(frozen=True, slots=True)
class Fall:
    """A lasting fall: ``at_s`` with the bounds it lies between, and what is left of the speed.

    ``end_s`` is when a gradual fall has reached its lower level.
    """

    at_s: float
    from_s: float
    to_s: float
    end_s: float
    how: How
    left: float


def find_falls(times: Sequence[float], speed: Sequence[float]) -> list[Fall]:
    """The lasting falls of a speed, in order of time; none where there is none or too little.

    ``times`` in s, growing; ``speed`` in any unit, more than 0. The scene's content must have
    been taken out, by a clock or by dividing two rounds.
    """
    t = np.asarray(times, dtype=np.float64)
    if len(t) < _FEWEST:
        return []
    y = without_spikes(np.log(np.asarray(speed, dtype=np.float64)))
    starts = _change_points(y)
    levels = [float(y[a:b].mean()) for a, b in zip(starts, [*starts[1:], len(y)], strict=True)]
    levels_at = np.repeat(levels, np.diff([*starts, len(y)]))
    falls: list[Fall] = []
    place = 1
    while place < len(starts):
        if levels[place] >= levels[place - 1]:
            place += 1
            continue
        last = place
        while last + 1 < len(starts) and levels[last + 1] < levels[last]:
            last += 1
        end = starts[last + 1] if last + 1 < len(starts) else len(y)
        stretch = slice(starts[place - 1], end)
        ramp, is_ramp = _gradual(t[stretch], y[stretch], levels_at[stretch])
        falls += [ramp] if is_ramp else _pieces(t, y, starts, levels, place, last)
        place = last + 1
    return [fall for fall in falls if fall.left <= 1 - LEAST_FALL]


def _pieces(
    t: Floats, y: Floats, starts: Sequence[int], levels: Sequence[float], first: int, last: int
) -> list[Fall]:
    """The falls from level to level of a stretch that no single ramp fits: steps, and the rest."""
    falls: list[Fall] = []
    place = first
    while place <= last:
        if _is_sharp(t, y, starts[place], levels[place] - levels[place - 1]):
            before, after = float(t[starts[place] - 1]), float(t[starts[place]])
            left = math.exp(levels[place] - levels[place - 1])
            falls.append(Fall((before + after) / 2, before, after, after, "stepped", left))
            place += 1
            continue
        to = place
        while to < last and not _is_sharp(t, y, starts[to + 1], levels[to + 1] - levels[to]):
            to += 1
        end = starts[to + 1] if to + 1 < len(starts) else len(y)
        stretch = slice(starts[place - 1], end)
        falls.append(_gradual(t[stretch], y[stretch], y[stretch])[0])
        place = to + 1
    return falls


def without_spikes(y: Floats) -> Floats:
    """Replace odd samples by the median of the seven around them (after Hampel 1974).

    Up to three in a row: a chart draws one slow second as two slopes.
    """
    if len(y) < _FEWEST:
        return y
    padded = np.pad(y, 3, mode="reflect")
    middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, 7), axis=1)
    off = np.abs(y - middle)
    spread = 1.4826 * float(np.median(off))
    return np.where(off > max(_SPIKE * spread, LEAST_FALL), middle, y)


def _noise(y: Floats) -> float:
    """Standard deviation of the noise, from the median step to one of the next four samples.

    The middle of the four: in a chart neighbours are not independent.
    """
    steps = [y[lag:] - y[:-lag] for lag in range(1, 5) if len(y) > lag]
    spreads = [1.4826 * float(np.median(np.abs(each))) / math.sqrt(2) for each in steps]
    return float(np.median(spreads)) if spreads else 0.0


def _change_points(y: Floats) -> list[int]:
    """The first sample of every level."""
    import ruptures  # takes a second to import

    # No finer than a tenth of the least fall that is told, or a noiseless clock is cut to crumbs.
    noise = max(_noise(y), LEAST_FALL / 10)
    # BIC takes ln n a parameter, two a level; three times that, since neighbours are not
    # independent and their noise is only estimated.
    penalty = 6 * math.log(len(y))
    search = ruptures.KernelCPD(kernel="linear", min_size=_LEVEL)
    ends = search.fit((y / noise).reshape(-1, 1)).predict(pen=penalty)
    return [0, *ends[:-1]]


def _is_sharp(t: Floats, y: Floats, start: int, change: float) -> bool:
    """Whether most of a change of level surely happens at once, between samples close in time."""
    gap = t[start] - t[start - 1]
    surely = abs(change) >= max(LEAST_FALL * 0.75, _SPIKE * _noise(y))
    if not surely or gap > max(_AT_ONCE, 2.5 * float(np.median(np.diff(t)))):
        return False
    before = float(np.median(y[max(0, start - 3) : start]))
    after = float(np.median(y[start : start + 3]))
    return abs(after - before) >= 0.7 * abs(change)


def _gradual(times: Floats, logs: Floats, stairs: Floats) -> tuple[Fall, bool]:
    """The level, straight fall and level that fit a stretch best, and whether better than stairs.

    Where the samples are quiet enough to show it, the fall begins when they stay a hundredth
    below the level, since no real fall begins with a corner.
    """
    t, y, steps = _thinned(times), _thinned(logs), _thinned(stairs)
    n = len(t)
    rests = np.full(n, math.inf)
    slopes, ends = np.zeros(n), np.zeros(n, dtype=np.intp)
    centred = y - y.mean()
    for first in range(n - 2):
        lasts = np.arange(first + 2, n)
        x = np.clip((t - t[first]) / (t[lasts] - t[first])[:, None], 0.0, 1.0)
        x -= x.mean(axis=1, keepdims=True)
        squares = np.sum(x * x, axis=1)
        slope = x @ centred / squares
        rest = np.where(slope < 0, centred @ centred - slope**2 * squares, math.inf)
        best = int(np.argmin(rest))
        rests[first], slopes[first], ends[first] = rest[best], slope[best], lasts[best]
    first = int(np.argmin(rests))
    # What fits nearly as well: an F test of one parameter at 95 % is close to 4 / n.
    near = np.flatnonzero(rests <= rests[first] * (1 + 4 / n))
    at, low, high = float(t[first]), float(t[near[0]]), float(t[near[-1]])
    before = logs[times <= at]
    if len(before) >= _LEVEL and _noise(logs) < _SHOWN / 3:
        whole = np.flatnonzero(logs > float(np.median(before)) - _SHOWN)
        last_whole = int(whole[-1])
        at = float(times[min(last_whole + 1, len(times) - 1)])
        low, high = float(times[last_whole]), at
    fall = Fall(at, low, high, float(t[ends[first]]), "gradual", math.exp(slopes[first]))
    if fall.end_s - at <= max(_SOON, 4 * float(np.median(np.diff(t)))):
        at_once = (at + fall.end_s) / 2
        fall = replace(fall, at_s=at_once, from_s=at, to_s=fall.end_s, how="stepped")
    parameters = 2 * len(np.unique(stairs)) - 1
    by_stairs = _score(float(np.sum((y - steps) ** 2)), n, parameters)
    by_ramp = _score(float(rests[first]), n, 4)
    return fall, by_ramp < by_stairs


def _score(squares: float, n: int, parameters: int) -> float:
    """BIC (Schwarz 1978) of a fit whose noise is not known; no finer than a tenth of a fall."""
    return n * math.log(squares / n + (LEAST_FALL / 10) ** 2) + parameters * math.log(n)


def _thinned(series: Floats) -> Floats:
    """Means of neighbours, so that at most ``_MOST`` samples are fitted."""
    parts = np.array_split(series, min(len(series), _MOST))
    return np.array([part.mean() for part in parts])
