"""Judged traces -> rows and columns of traces.csv and charts.csv."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from extractor.calibration.model import Calibration
from extractor.export.grids import Cell, Grid, by_time, to_thousandths
from extractor.records import CHARTS, TRACES, JudgedTrace, Sighting

Traces = Sequence[tuple[Sighting, JudgedTrace]]


def traces_grid(traces: Traces, calibrations: Mapping[str, Calibration]) -> Grid:
    """One row a column of pixels of each line; one row without figures where none is known.

    The flags of a row are those of its whole line and its own. Charts that are not shown have
    no row.
    """
    rows: list[tuple[Cell, ...]] = []
    for head, trace in _ordered(traces, calibrations):
        if trace.plot is None:
            continue
        whole = [code for code in _codes(trace) if code not in trace.flags]
        if not trace.t:
            rows.append((*head, None, None, None, None, trace.unit, ";".join(whole)))
        for t, value, low, high, own in zip(
            trace.t, trace.value, trace.low, trace.high, trace.flags, strict=True
        ):
            flags = ";".join([*whole, own] if own else whole)
            rows.append((*head, t, value, low, high, trace.unit, flags))
    return Grid(TRACES, TRACES.columns, rows)


def charts_grid(traces: Traces, calibrations: Mapping[str, Calibration]) -> Grid:
    """One row a line of a chart; its figures only if nothing is in doubt."""
    rows: list[tuple[Cell, ...]] = []
    for head, trace in _ordered(traces, calibrations):
        box = trace.plot
        rows.append(
            (
                *head,
                trace.unit,
                *_figures(trace),
                trace.t[0] if trace.t else None,
                trace.t[-1] if trace.t else None,
                trace.coverage,
                ";".join(_codes(trace)),
                "; ".join(dict.fromkeys(doubt.why for doubt in trace.doubts)),
                trace.decided,
                *((None,) * 4 if box is None else (box.x, box.y, box.w, box.h)),
            )
        )
    return Grid(CHARTS, CHARTS.columns, rows)


def _ordered(
    traces: Traces, calibrations: Mapping[str, Calibration]
) -> list[tuple[tuple[Cell, ...], JudgedTrace]]:
    """Traces with their first four cells, in the order of the output."""
    place = {
        (layout.id, trace.name): (layout.name, layout.id, at)
        for layout in calibrations.values()
        for at, trace in enumerate(layout.trace)
    }
    ordered = sorted(
        traces, key=lambda each: (by_time(each[0]), place[each[1].layout, each[1].trace])
    )
    return [
        (
            (
                sighting.capture.path,
                to_thousandths(sighting.frame.at_s),
                calibrations[trace.layout].name,
                trace.trace,
            ),
            trace,
        )
        for sighting, trace in ordered
    ]


def _codes(trace: JudgedTrace) -> list[str]:
    return list(dict.fromkeys(doubt.code for doubt in trace.doubts))


def _figures(trace: JudgedTrace) -> tuple[float | None, float | None, float | None]:
    """Mean, lowest and highest; nothing of a line that is in doubt."""
    values = [value for value in trace.value if value is not None]
    low = [value for value in trace.low if value is not None]
    high = [value for value in trace.high if value is not None]
    if trace.doubts or not values:
        return None, None, None
    return to_thousandths(sum(values) / len(values)), min(low), max(high)
