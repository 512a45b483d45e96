"""From what the picture says of a trace to values with their bounds and doubts: pure.

Runs anew at every export, so that a corrected range, unit or figure costs no second reading.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from extractor.calibration.model import Calibration, Readout, Trace
from extractor.records import (
    AxisLabel,
    Box,
    Doubt,
    Found,
    Judged,
    JudgedTrace,
    TraceRead,
)
from extractor.traces.axes import (
    AxisFit,
    LabelError,
    fit_axis,
    fixed_axis,
    seconds_of,
    value_of,
)

_LEAST_COLUMNS = 8
_LEAST_SHARE = 0.15
"""Share of the plot's columns below which what was found may be something else."""
_COVERED = 0.9
"""Share of the columns between the ends of a line that must show it."""
_JUMPS = 0.005
"""Jumps a column above which a line is broken."""
_DASHES, _ALIKE, _MOST = 8, 0.35, 0.6
"""So many gaps, of which most are as wide as the usual one but for that share, are dashes."""
_RIVALS = 0.05
"""Share of columns with other ink of the colour above which two lines are taken to be there."""
_MISPLACED = 2.0
"""Error of the plot's box, one sigma, px, from which something else may lie there."""
_FIXED = 1.0
"""The same where the axis is a fixed range."""
_INK_ERROR = 0.75
"""What the middle of the ink may be off, px."""
_POINT = 0.4
"""Widths of the line that the point of a single sample may reach beyond it."""
_MEAN_SLACK = 0.02
"""Share of a card's mean that a chart of fewer samples than the card counts may be off."""
_TIME_SLACK = 0.03
"""Share of the length by which a line may end early: its last sample may be an interval old."""


def settle_trace(
    read: TraceRead,
    calibration: Calibration,
    found: Found | None = None,
    cards: Sequence[Judged] = (),
    floor: float | None = None,
    changing: bool = False,
) -> JudgedTrace:
    """Turn a trace into values, and say every doubt about it.

    ``cards`` are the judged readings of the same frame: mean, lowest, highest, duration and the
    share at or above the ``floor`` (fps) that were released there are held against the curve.
    """
    trace = next(each for each in calibration.trace if each.name == read.trace)
    if read.plot is None:
        why = f"the chart of {trace.name} is not wholly on the capture"
        return JudgedTrace(read.layout, trace.name, trace.unit, None, (Doubt("not-shown", why),))
    doubts = list(_of_the_place(read, trace, found, changing))
    seen = [at for at, middle in enumerate(read.middles) if middle is not None]
    bare = JudgedTrace(read.layout, trace.name, trace.unit, read.plot, ())
    if len(seen) < _LEAST_COLUMNS:
        why = f"{trace.colour} was found in {len(seen)} of {len(read.middles)} columns of the plot"
        return replace(bare, doubts=(*doubts, Doubt("no-line", why)))
    doubts += _of_the_line(read, seen)
    axes, of_axes = _axes(read, read.plot, trace, calibration)
    doubts += of_axes
    if axes is None:
        return replace(bare, doubts=tuple(doubts))
    settled = _in_units(read, bare, axes, seen)
    edge = [at for at in seen if read.states[at] == "e"]
    if edge:
        doubts.append(Doubt("leaves-plot", f"in {len(edge)} of {len(seen)} columns"))
    doubts += _against_cards(settled, axes, read.pen, trace, calibration, cards, floor)
    return replace(settled, doubts=tuple(doubts))


@dataclass(frozen=True, slots=True)
class _Axes:
    t: AxisFit
    value: AxisFit


def _of_the_place(
    read: TraceRead, trace: Trace, found: Found | None, changing: bool
) -> Iterable[Doubt]:
    if read.error > _MISPLACED:
        why = f"the plot's box is known within {read.error:.1f} px only (one sigma)"
        yield Doubt("badly-located", why)
    if found is not None and found.rivals:
        yield Doubt("which-layout", "another layout claims the same place")
    if changing:
        yield Doubt("changing", "the overlay changes within one frame of this one")


def _of_the_line(read: TraceRead, seen: Sequence[int]) -> Iterable[Doubt]:
    between = read.states[seen[0] : seen[-1] + 1]
    covered = len(seen) / max(1, len(between) - between.count("h") + _mended(read, seen))
    if len(seen) < _LEAST_SHARE * len(read.middles):
        why = f"seen in {len(seen) / len(read.middles):.0%} of the plot's columns"
        yield Doubt("broken-line", why)
    elif covered < _COVERED:
        why = f"seen in {covered:.0%} of the columns between its ends{_dashes(between)}"
        yield Doubt("broken-line", why)
    elif read.jumps > max(1.0, _JUMPS * len(seen)):
        yield Doubt("broken-line", f"the line jumps {read.jumps} times")
    if read.rivals > _RIVALS:
        yield Doubt("two-lines", f"in {read.rivals:.0%} of the columns")


def _dashes(between: str) -> str:
    """Words for gaps that are many and alike: the line itself is dashed."""
    gaps = sorted(len(gap) for gap in between.replace("h", ".").replace("e", ".").split(".") if gap)
    if len(gaps) < _DASHES:
        return ""
    usual = gaps[len(gaps) // 2]
    alike = sum(abs(gap - usual) <= max(1, _ALIKE * usual) for gap in gaps)
    if alike < _MOST * len(gaps):
        return ""
    return f", with {len(gaps)} gaps of about {usual} px: is the line dashed?"


def _mended(read: TraceRead, seen: Sequence[int]) -> int:
    """Count the columns in which something hides the line in part, and it is known all the same."""
    return sum(read.states[at] == "h" for at in seen)


# ---------------------------------------------------------------- axes


def _axes(
    read: TraceRead, plot: Box, trace: Trace, calibration: Calibration
) -> tuple[_Axes | None, list[Doubt]]:
    doubts: list[Doubt] = []
    across, down = (plot.x, plot.right), (plot.y, plot.bottom)
    if (trace.t_range or trace.value_range) and read.error > _FIXED:
        why = f"a fixed range hangs on the plot's edges, known within {read.error:.1f} px only"
        doubts.append(Doubt("loose-axis", why))
    if trace.t_range is not None:
        t: AxisFit | None = fixed_axis(*trace.t_range, *across, read.error)
    else:
        t, more = _labelled(
            read.t_labels, trace, calibration, across, read.grid_x, "time axis", False
        )
        doubts += more
    if trace.value_range is not None:
        low, high = trace.value_range
        value: AxisFit | None = fixed_axis(high, low, *down, read.error)
    else:
        value, more = _labelled(
            read.value_labels, trace, calibration, down, read.grid_y, "value axis", True
        )
        doubts += more
    return (None if t is None or value is None else _Axes(t, value)), doubts


def _labelled(
    labels: Sequence[AxisLabel],
    trace: Trace,
    calibration: Calibration,
    edges: tuple[float, float],
    grid: Sequence[float],
    name: str,
    upwards: bool,
) -> tuple[AxisFit | None, list[Doubt]]:
    turn = value_of if upwards else seconds_of
    try:
        says = [turn(label, trace, calibration.marks) for label in labels]
    except LabelError as error:
        return None, [Doubt(error.code, f"{name}: {error.why}")]
    return fit_axis(labels, says, edges, grid, upwards, name)


# ---------------------------------------------------------------- values


def _in_units(read: TraceRead, bare: JudgedTrace, axes: _Axes, seen: Sequence[int]) -> JudgedTrace:
    """Rows from the first to the last column seen; in the trace's unit."""
    time, line = axes.t.line, axes.value.line
    # a hundredth of a px is more than anybody sees
    digits = max(0, math.ceil(-math.log10(abs(line.slope) * 0.01)))

    def at(row: float) -> float:
        return round(line.intercept + line.slope * row, digits) + 0.0

    t: list[float] = []
    flags: list[str] = []
    rows: list[tuple[float | None, float | None, float | None]] = []
    for column in range(seen[0], seen[-1] + 1):
        middle, upper, lower = read.middles[column], read.uppers[column], read.lowers[column]
        seconds = time.intercept + time.slope * (read.first + column + 0.5)
        t.append(round(seconds, 3) + 0.0)
        flags.append("leaves-plot" if read.states[column] == "e" else "")
        if middle is None or upper is None or lower is None:
            rows.append((None, None, None))
        else:
            rows.append((at(middle), at(lower), at(upper)))
    value, low, high = zip(*rows, strict=True)
    return replace(
        bare,
        t=tuple(t),
        value=value,
        low=low,
        high=high,
        flags=tuple(flags),
        coverage=round(len(seen) / len(t), 4),
    )


# ---------------------------------------------------------------- against the cards


def _against_cards(
    settled: JudgedTrace,
    axes: _Axes,
    pen: float,
    trace: Trace,
    calibration: Calibration,
    cards: Sequence[Judged],
    floor: float | None,
) -> Iterable[Doubt]:
    """Hold the curve against what was released on the same frame.

    A chart may show fewer samples than the monitor counted, so it may miss the very lowest and
    highest, but never show a lower or a higher one.
    """
    readouts = {readout.name: readout for readout in calibration.readout}
    px = abs(axes.value.line.slope)
    slack = (_INK_ERROR + 2 * axes.value.error) * px
    for card in cards:
        if card.value is None or card.reading.layout != settled.layout:
            continue
        readout = readouts[card.reading.readout]
        half = (card.half_width or 0.0) + slack
        why = ""
        if _same(readout, trace):
            why = _value_doubt(settled, readout, card.value, half, _POINT * pen * px)
        elif readout.quantity == "duration" and readout.statistic == "total":
            why = _time_doubt(settled, card.value, abs(axes.t.line.slope))
        elif (
            readout.quantity == "share_at_floor"
            and trace.quantity == "frame_rate"
            and floor is not None
        ):
            why = _share_doubt(settled, card.value, floor, slack)
        if why:
            yield Doubt("cards-disagree", f"{readout.name} {why}")


def _same(readout: Readout, trace: Trace) -> bool:
    return (readout.quantity, readout.sensor, readout.unit) == (
        trace.quantity,
        trace.sensor,
        trace.unit,
    )


def _value_doubt(
    settled: JudgedTrace, readout: Readout, card: float, slack: float, point: float
) -> str:
    low, high = _known(settled.low), _known(settled.high)
    match readout.statistic:
        case "mean":
            least, most = sum(low) / len(low), sum(high) / len(high)
            slack += _MEAN_SLACK * abs(card)
            if not least - slack <= card <= most + slack:
                return f"is {card:g}, the curve's mean lies in {least:.4g} to {most:.4g}"
        case "lowest":
            if min(low) < card - slack - point:
                return f"is {card:g}, the curve goes down to {min(low):.4g}"
        case "highest":
            if max(high) > card + slack + point:
                return f"is {card:g}, the curve goes up to {max(high):.4g}"
    return ""


def _time_doubt(settled: JudgedTrace, card: float, px: float) -> str:
    late = settled.t[-1] > card * (1 + _TIME_SLACK) + 2 * px
    early = settled.t[-1] < card * (1 - _TIME_SLACK) - 2 * px
    return f"is {card:g} s, the curve ends at {settled.t[-1]:.4g} s" if late or early else ""


def _share_doubt(settled: JudgedTrace, card: float, floor: float, slack: float) -> str:
    low, high = _known(settled.low), _known(settled.high)
    least = 100 * sum(each >= floor + slack for each in low) / len(low)
    most = 100 * sum(each >= floor - slack for each in high) / len(high)
    if least - 100 * _MEAN_SLACK <= card <= most + 100 * _MEAN_SLACK:
        return ""
    return f"is {card:g} %, the curve's share lies in {least:.1f} to {most:.1f} %"


def _known(values: Sequence[float | None]) -> list[float]:
    return [value for value in values if value is not None]
