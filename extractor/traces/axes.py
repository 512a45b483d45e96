"""From the labels of an axis to the line that turns px into values: pure arithmetic.

A line through two labels that most others lie on is looked for (consensus, Fischler and Bolles
1981, over all pairs), then fitted to those by weighted least squares. A label that does not fit
was misread, and is left out and said; where no line fits most labels the axis is refused.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from extractor.calibration.model import Marks, Readout, Trace
from extractor.records import AxisLabel, Doubt
from extractor.values import FormError, parse

_ON_LINE = 0.3
"""One sigma of a grid line's or tick's middle, px: many programs put each on a whole px, which
alone makes 1/sqrt(12)."""
_BY_INK = 0.06
"""One sigma of where a label's ink has its middle, in letter heights: glyphs are not even."""
_FITS = 4.0
"""Deviations within which a label fits, and the px that are always granted."""
_FITS_LEAST = 1.2
_CLOSE = 2.0
"""Deviations within which labels that fit are the best of them, if they are three or more."""
_SURE = 0.99
"""Probability of each of two labels from which they make an axis without a third."""
_SPAN = 0.3
"""Share of the plot that the labels of an axis must span: further is too far to lengthen a line."""
_LOOSE = 1.0
"""One sigma of the axis at the plot's edges, px, from which it is said."""

_DRAWN_UNITS = {
    "fps": "fps", "hz": "fps", "ms": "ms", "s": "s", "w": "W", "mw": "mW", "a": "A", "ma": "mA",
    "v": "V", "mv": "mV", "°c": "Cel", "°f": "[degF]", "mhz": "MHz",
    "ghz": "GHz", "%": "%", "px": "px", "mah": "mA.h", "wh": "W.h", "mib": "MiBy", "gib": "GiBy",
}  # fmt: skip
_THOUSANDS = {"k", "m", "g", "µ", "μ", "t"}
_SECONDS = {"s": 1.0, "min": 60.0, "h": 3600.0}
_TIME_NAMES = {"s", "sec", "m", "min", "h", "hr", "d"}


class LabelError(ValueError):
    """A label cannot be understood without asking; ``code`` is one of the registry of doubts."""

    def __init__(self, code: str, why: str) -> None:
        self.code = code
        self.why = why
        super().__init__(why)


@dataclass(frozen=True, slots=True)
class Line:
    """``value = intercept + slope * px``, by weighted least squares.

    ``u_slope`` and ``u_intercept`` are standard deviations, ``residual`` the residual standard
    deviation of the values (NaN for two points).
    """

    intercept: float
    slope: float
    u_intercept: float
    u_slope: float
    residual: float


@dataclass(frozen=True, slots=True)
class AxisFit:
    """An axis: its line, one sigma of it (px, at the worse edge of the plot), what it rests on."""

    line: Line
    error: float
    labels: int


def fit_line(
    px: Sequence[float] | NDArray[np.float64],
    values: Sequence[float] | NDArray[np.float64],
    weights: NDArray[np.float64] | None = None,
) -> Line:
    """Fit ``values`` on ``px`` by (weighted) least squares; needs two different px.

    Formulas: NIST/SEMATECH e-Handbook of Statistical Methods, 4.1.4.1; centred, so that nothing
    is lost to rounding. Raises ValueError if there is no line.
    """
    x, y = np.asarray(px, np.float64), np.asarray(values, np.float64)
    if x.size < 2 or not np.ptp(x) > 0:
        raise ValueError("a line needs two different places")
    w = np.ones_like(x) if weights is None else np.asarray(weights, np.float64)
    middle, centre = float((w * x).sum() / w.sum()), float((w * y).sum() / w.sum())
    spread = float((w * (x - middle) ** 2).sum())
    slope = float((w * (x - middle) * (y - centre)).sum() / spread)
    off = y - centre - slope * (x - middle)
    freedom = x.size - 2
    variance = float((w * off**2).sum() / freedom) if freedom else math.nan
    return Line(
        intercept=centre - slope * middle,
        slope=slope,
        u_intercept=math.sqrt(variance * (1 / float(w.sum()) + middle**2 / spread)),
        u_slope=math.sqrt(variance / spread),
        residual=math.sqrt(variance),
    )


def fixed_axis(low: float, high: float, begin: float, end: float, error: float) -> AxisFit:
    """An axis of which the calibration gives the values at the plot's edges, px."""
    line = fit_line((begin, end), (low, high))
    return AxisFit(line, error, 0)


def fit_axis(
    labels: Sequence[AxisLabel],
    says: Sequence[float],
    edges: tuple[float, float],
    grid: Sequence[float],
    upwards: bool,
    name: str,
) -> tuple[AxisFit | None, list[Doubt]]:
    """Find the line that most labels lie on.

    ``says`` are the labels' values, NaN where one has none. ``edges`` are the plot's ends along
    the axis, px; ``grid`` its grid lines; ``upwards`` that values grow against the px (the value
    axis). ``name`` is for the words. Without a line there is no fit, and a doubt says why.
    """
    known = [(label, value) for label, value in zip(labels, says, strict=True)
             if math.isfinite(value)]  # fmt: skip
    if len(known) < 2:
        return None, [Doubt("no-axis", f"{name}: {_listed(labels)}, two are needed at least")]
    place = np.array([label.at if label.line is None else label.line for label, _ in known])
    value = np.array([each for _, each in known])
    sigma = np.array([
        _ON_LINE if label.line is not None else max(0.5, _BY_INK * label.height)
        for label, _ in known
    ])  # fmt: skip
    within = np.maximum(_FITS * sigma, _FITS_LEAST)
    fits = _consensus(place, value, within, upwards)
    count = int(fits.sum())
    doubts = []
    if count < 2 or (len(known) > 2 and (count < 3 or count <= len(known) / 2)):
        if _is_log(place, value, within, upwards):
            why = f"{name}: {_listed(labels)}, evenly apart as on a logarithmic scale"
            return None, [Doubt("log-axis", why)]
        return None, [Doubt("no-axis", f"{name}: {_listed(labels)}, no line fits most of them")]
    if count == 2:
        sure = min(label.probability for label, _ in known)
        if _uneven(grid, place):
            why = f"{name}: the grid lines between {_listed(labels)} are not evenly apart"
            return None, [Doubt("log-axis", why)]
        if sure < _SURE or len(labels) > 2:
            why = f"{name}: {_listed(labels)}; two alone must both be sure"
            doubts.append(Doubt("few-labels", why))
    near = _by_text(known, place, value, fits)
    odd = [label for (label, _), fit in zip(known, fits | near, strict=True) if not fit]
    odd += [label for label, each in zip(labels, says, strict=True) if not math.isfinite(each)]
    if odd:
        left = " and ".join(f'"{label.beside}"' for label in odd)
        doubts.append(Doubt("odd-label", f"{name}: {left} left out, the {count} others agree"))
    # A line that the curve partly covers looks a little off its place.
    best = _consensus(place[fits], value[fits], _CLOSE * sigma[fits], upwards)
    kept = np.flatnonzero(fits)[best] if best.sum() >= 3 else np.flatnonzero(fits)
    line = fit_line(place[kept], value[kept], 1 / sigma[kept] ** 2)
    span = abs(edges[1] - edges[0])
    if np.ptp(place[fits]) < _SPAN * span:
        why = f"{name}: the labels that agree span {np.ptp(place[fits]) / span:.0%} of the plot"
        doubts.append(Doubt("few-labels", why))
    error = _error(place[kept], sigma[kept], edges)
    if error > _LOOSE:
        why = f"{name}: its labels place it within {error:.1f} px only (one sigma)"
        doubts.append(Doubt("loose-axis", why))
    return AxisFit(line, error, count), doubts


def _listed(labels: Sequence[AxisLabel]) -> str:
    if not labels:
        return "no label was read"
    return "labels " + " ".join(f'"{label.beside}"' for label in labels)


def _consensus(
    place: NDArray[np.float64], value: NDArray[np.float64], within: NDArray[np.float64], up: bool
) -> NDArray[np.bool_]:
    """Which labels lie on the line through two of them that most lie on, nearest together."""
    best, off_best = np.zeros(place.size, bool), math.inf
    for first, second in combinations(range(place.size), 2):
        across, rise = place[second] - place[first], value[second] - value[first]
        if abs(across) < 1 or rise == 0 or (rise / across < 0) != up:
            continue
        off = np.abs(place - place[first] - (value - value[first]) * across / rise)
        fits = off <= within
        total = float(off[fits].sum())
        if (fits.sum(), -total) > (best.sum(), -off_best):
            best, off_best = fits, total
    return best


def _by_text(
    known: Sequence[tuple[AxisLabel, float]],
    place: NDArray[np.float64],
    value: NDArray[np.float64],
    fits: NDArray[np.bool_],
) -> NDArray[np.bool_]:
    """Which labels stand where they say, though the line taken for theirs was another's."""
    line = fit_line(value[fits], place[fits])
    at = np.array([label.at for label, _ in known])
    within = np.array([_FITS * max(0.5, _BY_INK * label.height) for label, _ in known])
    return np.abs(at - line.intercept - line.slope * value) <= within


def _is_log(
    place: NDArray[np.float64], value: NDArray[np.float64], within: NDArray[np.float64], up: bool
) -> bool:
    above = value > 0
    if np.count_nonzero(above) < 3:
        return False
    fits = _consensus(place[above], np.log(value[above]), within[above], up)
    return bool(fits.sum() >= 3 and fits.sum() > above.sum() / 2)


def _uneven(grid: Sequence[float], place: NDArray[np.float64]) -> bool:
    """Say whether grid lines between two labels stand apart unevenly, as decades do."""
    inside = [line for line in grid if place.min() - 2 <= line <= place.max() + 2]
    steps = np.diff(sorted(inside))
    return bool(steps.size >= 3 and steps.max() > 1.6 * steps.min())


def _error(
    place: NDArray[np.float64], sigma: NDArray[np.float64], edges: tuple[float, float]
) -> float:
    """One sigma of the fitted line at the worse edge of the plot, px."""
    weight = 1 / sigma**2
    middle = float((weight * place).sum() / weight.sum())
    spread = float((weight * (place - middle) ** 2).sum())
    return max(math.sqrt(1 / float(weight.sum()) + (edge - middle) ** 2 / spread) for edge in edges)


# ---------------------------------------------------------------- what a label says


def value_of(label: AxisLabel, trace: Trace, marks: Marks) -> float:
    """What a label of the value axis says, in the trace's unit; NaN if it is no number.

    Raises LabelError if a mark could be taken two ways, or another unit stands there.
    """
    unit = _beside(label)
    if unit in _THOUSANDS:
        return math.nan
    drawn = _DRAWN_UNITS.get(unit)
    if drawn and drawn != trace.unit:
        why = f'"{label.beside}" is in {drawn}, the calibration says {trace.unit}'
        raise LabelError("other-unit", why)
    readout = Readout(name="value", kind="number", quantity="other", unit="")
    return _number(label.text, readout, marks)


def seconds_of(label: AxisLabel, trace: Trace, marks: Marks) -> float:
    """What a label of the time axis says, s; NaN if it is no time.

    Raises LabelError if neither the label nor the calibration says what it counts.
    """
    text = label.text.replace(" ", "")
    if ":" in text:
        form = trace.t_unit if trace.t_unit in ("m:s", "h:m", "h:m:s") else marks.duration
        clock = marks.model_copy(update={"duration": form})
        return _number(text, Readout(name="t", kind="duration", quantity="duration", unit="s"),
                       clock)  # fmt: skip
    if any(char.isalpha() for char in text) or _beside(label) in _TIME_NAMES:
        spelled = marks.model_copy(update={"duration": "units"})
        whole = text if any(char.isalpha() for char in text) else text + _beside(label)
        return _number(whole, Readout(name="t", kind="duration", quantity="duration", unit="s"),
                       spelled)  # fmt: skip
    number = _number(text, Readout(name="t", kind="number", quantity="other"), marks)
    if number == 0 or not math.isfinite(number):
        return number
    factor = _SECONDS.get(trace.t_unit or "")
    if factor is None:
        raise LabelError("which-mark", f'"{label.beside}" may be s, min or h: state `t_unit`')
    return number * factor


def _beside(label: AxisLabel) -> str:
    """What stands behind the digits of a label, in small letters."""
    text = label.beside
    while text and not text[-1].isdigit():
        text = text[:-1]
    return label.beside[len(text) :].strip(" .,").replace("º", "°").replace(" ", "").lower()


def _number(text: str, readout: Readout, marks: Marks) -> float:
    """The number a text says, NaN if it says none; which-mark is passed on."""
    try:
        return parse(text, readout, marks)[0].value
    except FormError as error:
        if error.code == "which-mark":
            raise LabelError(error.code, error.why) from error
        return math.nan
