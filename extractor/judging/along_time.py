"""Checks along time: outliers, steps and trends in the series of one readout of one run.

All series lie one behind the other in flat arrays, so that a hundred thousand readings are seen in
a few array operations. Only *trusted* readings (no doubt of their own, or decided by a person) are
anyone's neighbours; doubtful ones are held against them all the same.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

NEIGHBOURS = 7
"""How many neighbours the median and MAD are taken from; with fewer nothing is an outlier."""

SIDE = 3
"""How many neighbours before (or after) must agree with a value that begins (or ends) a level."""

MAD_SCALE = 1.4826
"""1 / Phi^-1(3/4): MAD to standard deviation of a normal distribution (Hampel 1974, "The Influence
Curve and Its Role in Robust Estimation", JASA 69, 383-393; the figure is from memory and checked
against scipy in the tests)."""

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Tracks:
    """Series one behind the other, each in order of time; arrays of shape (n,).

    ``series`` numbers the series and never falls. ``value`` is NaN where nothing was parsed,
    ``half`` is half widths, ``time`` is s (NaN where unknown), ``resolution`` the s that two times
    may be wrong together, ``trusted`` says who may be a neighbour.
    """

    series: NDArray[np.intp]
    value: Floats
    half: Floats
    time: Floats
    resolution: Floats
    trusted: Bools


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a run says of the place of each reading, whatever stands there.

    ``centres``, shape (n, 3): the median of its 7 neighbours, of the 3 before and of the 3 after
    (NaN where there are too few). ``spread``, shape (n,): 1.4826 MAD of the 7 neighbours, but at
    least one unit in the last place of the figures and half of the run's median spread (seven
    values lie close together by chance now and then); NaN where there are no 7 neighbours.
    """

    centres: Floats
    spread: Floats

    def distance(self, value: Floats) -> Floats:
        """Return how many spreads each value, shape (n,), lies from the nearest centre."""
        away = np.abs(value[:, None] - self.centres)
        nearest: Floats = np.fmin.reduce(away, axis=1) / self.spread
        return nearest


def hampel(window: Floats) -> tuple[Floats, Floats]:
    """Return median and 1.4826 MAD of each row of ``window``, shapes (n,) (Hampel 1974)."""
    median: Floats = np.median(window, axis=1)
    spread: Floats = MAD_SCALE * np.median(np.abs(window - median[:, None]), axis=1)
    return median, spread


def surroundings(tracks: Tracks) -> Surroundings:
    """Take median and MAD of the 7 trusted neighbours of every reading, itself left out.

    The window is centred where it can be and shifted inward at the ends of a run. Three before
    and three after are looked at by themselves, so that a real step is no outlier on either side.
    """
    count = tracks.value.size
    centres, spread = np.full((count, 3), np.nan), np.full(count, np.nan)
    places = np.flatnonzero(tracks.trusted)
    if places.size == 0:
        return Surroundings(centres, spread)
    own = tracks.trusted.astype(np.intp)
    before = np.cumsum(own) - own  # trusted ones before, in all series
    starts = np.searchsorted(tracks.series, tracks.series, side="left")
    ends = np.searchsorted(tracks.series, tracks.series, side="right") - 1
    first = before[starts]
    last = before[ends] + own[ends]  # one past the last trusted one of the series
    enough = last - first - own >= NEIGHBOURS

    rows = np.flatnonzero(enough)
    if rows.size:
        left = np.clip(before - SIDE, first, last - own - NEIGHBOURS)[rows]
        window = left[:, None] + np.arange(NEIGHBOURS)
        window += (window >= before[rows, None]) & tracks.trusted[rows, None]
        around = places[window]
        centres[rows, 0], mad = hampel(tracks.value[around])
        last_place = 2 * np.fmax(tracks.half[rows], tracks.half[around].max(axis=1))
        usual = _medians(tracks.series[rows], mad)
        spread[rows] = np.maximum.reduce([mad, last_place, usual / 2])
        for column, shift, there in (
            (1, before - SIDE, before - SIDE >= first),
            (2, before + own, before + own + SIDE <= last),
        ):
            near = np.flatnonzero(enough & there)
            side = places[shift[near, None] + np.arange(SIDE)]
            centres[near, column] = np.median(tracks.value[side], axis=1)
    return Surroundings(centres, spread)


def _medians(series: NDArray[np.intp], values: Floats) -> Floats:
    """The median of ``values`` over each series, given back at every place of the series."""
    ordered = values[np.lexsort((values, series))]
    starts = np.searchsorted(series, series, side="left")
    ends = np.searchsorted(series, series, side="right") - 1
    middle: Floats = (ordered[(starts + ends) // 2] + ordered[(starts + ends + 1) // 2]) / 2
    return middle


@dataclass(frozen=True, slots=True)
class TooFast:
    """A change faster than ``step``: the place it is blamed on, the place it is seen against."""

    at: int
    against: int
    change: float
    seconds: float


def too_fast(tracks: Tracks, step: Floats) -> list[TooFast]:
    """Find changes between successive trusted readings that beat ``step`` (a second, shape (n,)).

    Half widths and the resolution of the clock are allowed for. Of the two readings the one that
    conflicts with more of its three neighbours on either side is blamed; both if they are even.
    Where a time is unknown nothing is found.
    """
    places = np.flatnonzero(tracks.trusted & np.isfinite(step) & np.isfinite(tracks.time))
    conflicts = np.zeros(places.size, dtype=np.intp)
    successive = np.zeros(max(places.size - 1, 0), dtype=np.bool_)
    for lag in range(1, SIDE + 1):
        one, other = places[:-lag], places[lag:]
        allowed = step[one] * (tracks.time[other] - tracks.time[one] + tracks.resolution[one])
        allowed += tracks.half[one] + tracks.half[other]
        change = np.abs(tracks.value[other] - tracks.value[one])
        bad = (tracks.series[one] == tracks.series[other]) & (change > allowed * (1 + 1e-9))
        conflicts[:-lag] += bad
        conflicts[lag:] += bad
        if lag == 1:
            successive = bad
    found = []
    for at in np.flatnonzero(successive):
        pair = (int(at), int(at) + 1)
        worst = max(conflicts[each] for each in pair)
        for each, against in (pair, pair[::-1]):
            if conflicts[each] == worst:
                i, j = int(places[each]), int(places[against])
                by = abs(float(tracks.value[i] - tracks.value[j]))
                found.append(TooFast(i, j, by, abs(float(tracks.time[i] - tracks.time[j]))))
    return found


def backwards(values: Sequence[float]) -> list[int]:
    """Return the places of a series that should never fall, but are to blame if it does.

    They are those that are not in *every* longest non-falling subsequence: without them the rest
    does not fall, and which of two even suspects is wrong is not guessed.
    """
    upto = _longest_upto(values)
    onward = _longest_upto([-value for value in reversed(values)])[::-1]
    longest = max(upto, default=0)
    on_one = [at for at in range(len(values)) if upto[at] + onward[at] - 1 == longest]
    rivals = Counter(upto[at] for at in on_one)
    on_all = {at for at in on_one if rivals[upto[at]] == 1}
    return [at for at in range(len(values)) if at not in on_all]


def _longest_upto(values: Sequence[float]) -> list[int]:
    """Length of the longest non-falling subsequence that ends at each place (Fredman 1975)."""
    tails: list[float] = []
    lengths = []
    for value in values:
        at = bisect_right(tails, value)
        tails[at : at + 1] = [value]
        lengths.append(at + 1)
    return lengths
