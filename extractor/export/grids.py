"""Judged readings -> rows and columns; rows and columns -> CSV and Parquet."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_FLOOR, Decimal
from functools import cache
from typing import Any

from extractor.calibration.model import Calibration, Readout
from extractor.facts import FACTS
from extractor.records import (
    CAPTURES,
    GAPS,
    PROBLEMS,
    READINGS,
    Capture,
    Column,
    DType,
    Gap,
    Judged,
    Judgement,
    Problem,
    Sighting,
    Table,
    guard_cell,
    guard_path,
)

Cell = str | float | None
_FACT_MEANING = {
    "device": "which device",
    "variant": "how it was run, as session.toml names it",
    "round": "number of the round",
    "attempt": "number of the attempt at this round",
}
_MICRO = Decimal("0.000001")
_MILLISECONDS = frozenset(("at_s", "from_s", "to_s", "t"))
_PARQUET_TYPE: dict[DType, str] = {"text": "string", "number": "double", "integer": "int64"}


@dataclass(frozen=True, slots=True)
class Grid:
    """A table with its rows. Text is never None ('' where empty); numbers may be None."""

    table: Table
    columns: tuple[Column, ...]
    rows: list[tuple[Cell, ...]]

    def csv(self) -> bytes:
        """Return the table by RFC 4180, UTF-8; no cell starts a formula."""
        buffer = io.StringIO(newline="")
        writer = csv.writer(buffer, lineterminator="\r\n")
        writer.writerow([column.name for column in self.columns])
        cells = [
            list(map(_to_text(column, own=column in self.table.columns), values))
            for column, values in zip(self.columns, self._values(), strict=True)
        ]
        writer.writerows(zip(*cells, strict=True))
        return buffer.getvalue().encode("utf-8", "backslashreplace")

    def parquet(self) -> bytes:
        """Return the table as Parquet; texts raw, unit and meaning in each field's metadata."""
        import pyarrow as pa  # slow to import, and not needed where nothing changed
        import pyarrow.parquet as pq

        schema = pa.schema(
            [
                pa.field(
                    column.name,
                    _PARQUET_TYPE[column.dtype],
                    nullable=column.dtype != "text" and not column.required,
                    metadata={"unit": column.unit, "meaning": column.meaning},
                )
                for column in self.columns
            ]
        )
        arrays = [
            pa.array(values, type=field.type)
            for field, values in zip(schema, self._values(), strict=True)
        ]
        sink = pa.BufferOutputStream()
        pq.write_table(pa.Table.from_arrays(arrays, schema=schema), sink)
        data: bytes = sink.getvalue().to_pybytes()
        return data

    def _values(self) -> list[tuple[Cell, ...]]:
        return list(zip(*self.rows, strict=True)) or [() for _ in self.columns]


def _to_text(column: Column, *, own: bool) -> Callable[[Any], str]:
    """Return what writes a cell of this column; ``own``: of the table, not of a readout or fact."""
    if column.dtype == "text":
        # Most texts repeat from row to row.
        return cache(guard_path if own and column.name == "capture" else guard_cell)
    if own and column.name in _MILLISECONDS:
        return lambda cell: "" if cell is None else f"{cell:.3f}"
    return lambda cell: "" if cell is None else shortest(float(cell))


def shortest(number: float) -> str:
    """Return the shortest text that reads back as the very same float: 60, 59.9, 1e-07."""
    return float.__repr__(number).removesuffix(".0")


def to_thousandths(number: float | None) -> float | None:
    """Round to 3 decimals; None stays None."""
    return None if number is None else round(float(number), 3)


def _down(probability: float | None) -> float | None:
    """Round a probability down to 6 decimals: no rounding may make a reading look surer."""
    if probability is None:
        return None
    text = float.__repr__(float(probability))
    return float(Decimal(text).quantize(_MICRO, rounding=ROUND_FLOOR))


# ---------------------------------------------------------------- readings


def readings_grid(judgement: Judgement, calibrations: Mapping[str, Calibration]) -> Grid:
    """One row a judged reading, in the order and with the columns of readings.csv."""
    order = {
        (layout.id, readout.name): (layout.name, layout.id, place)
        for layout in calibrations.values()
        for place, readout in enumerate(layout.readout)
    }
    names = fact_names(verdict.sighting for verdict in judgement.verdicts)
    rows: list[tuple[Cell, ...]] = []
    for verdict in sorted(judgement.verdicts, key=lambda each: by_time(each.sighting)):
        sighting = verdict.sighting
        capture = sighting.capture
        head = (capture.path, to_thousandths(sighting.frame.at_s), capture.taken)
        facts = tuple(sighting.facts.get(name, "") for name in names)
        for judged in sorted(
            verdict.judged, key=lambda each: order[each.reading.layout, each.reading.readout]
        ):
            layout = calibrations[judged.reading.layout].name
            rows.append((*head, layout, *_cells(judged), *facts))
    columns = (*READINGS.columns, *(fact_column(name) for name in names))
    return Grid(READINGS, columns, rows)


def fact_names(sightings: Iterable[Sighting]) -> tuple[str, ...]:
    """Return the names of all facts, the four of every table first."""
    found = {name for sighting in sightings for name in sighting.facts}
    return (*FACTS, *sorted(found - set(FACTS)))


def fact_column(name: str) -> Column:
    """Return the column of a fact."""
    return Column(name, "text", "", _FACT_MEANING.get(name, "a fact that a person added"))


def by_time(sighting: Sighting) -> tuple[str, float, int]:
    """Order of the rows of every table: capture, then time."""
    frame = sighting.frame
    return (
        sighting.capture.path,
        -1.0 if frame.at_s is None else frame.at_s,
        -1 if frame.pts is None else frame.pts,
    )


def _cells(judged: Judged) -> tuple[Cell, ...]:
    """Return the cells from ``readout`` to ``h``."""
    reading = judged.reading
    box = reading.box
    return (
        judged.readout,
        reading.text,
        judged.value,
        judged.candidate,
        judged.half_width,
        judged.unit,
        _down(judged.confidence),
        ";".join(dict.fromkeys(doubt.code for doubt in judged.doubts)),
        "; ".join(dict.fromkeys(doubt.why for doubt in judged.doubts)),
        judged.source,
        judged.decided_text,
        ";".join(dict.fromkeys(doubt.code for doubt in judged.settled)),
        *((None,) * 4 if box is None else map(to_thousandths, (box.x, box.y, box.w, box.h))),
    )


# ---------------------------------------------------------------- captures


def captures_grid(
    judgement: Judgement, captures: Sequence[Capture], calibrations: Mapping[str, Calibration]
) -> tuple[Grid, tuple[str, ...]]:
    """One row a sighting, a column a readout; and a notice where two layouts disagree.

    A capture on which nothing was read has a row too, so that none is missing.
    """
    layouts = {judged.reading.layout for verdict in judgement.verdicts for judged in verdict.judged}
    columns, places = _readout_columns([calibrations[layout] for layout in layouts])
    words = {column.name for column in columns if column.dtype == "text"}
    rows: list[tuple[tuple[str, float, int], tuple[Cell, ...]]] = []
    clashing: set[str] = set()
    for verdict in judgement.verdicts:
        cells: dict[str, Cell] = {}
        for judged in verdict.judged:
            name = places[judged.reading.layout, judged.readout]
            cell = _word(judged) if name in words else judged.value
            if not cell and cell != 0:
                continue
            if cells.setdefault(name, cell) != cell:
                clashing.add(name)
                cells[name] = "" if name in words else None
        capture = verdict.sighting.capture
        head = (
            capture.path,
            to_thousandths(verdict.sighting.frame.at_s),
            capture.taken,
            verdict.run,
        )
        body = (cells.get(column.name, _blank(column)) for column in columns)
        rows.append((by_time(verdict.sighting), (*head, *body)))
    seen = {verdict.sighting.capture.path for verdict in judgement.verdicts}
    for capture in captures:
        if capture.path not in seen:
            blank = (_blank(column) for column in columns)
            rows.append(((capture.path, -1.0, -1), (capture.path, None, capture.taken, "", *blank)))
    notices = tuple(
        f"captures.csv: two layouts on one capture release different {name}; those cells are "
        "blank, see readings.csv"
        for name in sorted(clashing)
    )
    ordered = [row for _, row in sorted(rows, key=lambda each: each[0])]
    return Grid(CAPTURES, (*CAPTURES.columns, *columns), ordered), notices


def _readout_columns(
    layouts: Sequence[Calibration],
) -> tuple[tuple[Column, ...], dict[tuple[str, str], str]]:
    """Return a column a readout, and the column's name by layout and readout.

    Layouts share a column where they measure the same under the same name; else, and where the
    name is one of the table's own, the layout stands before it: ``strip.frame_rate``.
    """
    layouts = sorted(layouts, key=lambda each: (each.name, each.id))
    known = [
        (layout, readout, name)
        for layout in layouts
        for readout in layout.readout
        for name in _parts(readout)
    ]
    measured: dict[str, set[tuple[object, ...]]] = {}
    for _, readout, name in known:
        measured.setdefault(name, set()).add(_measures(readout))
    titles = [layout.name for layout in layouts]
    columns: dict[str, Column] = {}
    places: dict[tuple[str, str], str] = {}
    for layout, readout, name in known:
        title = name
        if len(measured[name]) > 1 or name in CAPTURES.names:
            owner = layout.name if titles.count(layout.name) == 1 else layout.id
            title = f"{owner}.{name}"
        dtype: DType = "text" if readout.kind == "word" else "number"
        columns.setdefault(title, Column(title, dtype, readout.unit, _meaning(readout)))
        places[layout.id, name] = title
    return tuple(columns.values()), places


def _parts(readout: Readout) -> tuple[str, ...]:
    if readout.kind == "size":
        return f"{readout.name}.width", f"{readout.name}.height"
    return (readout.name,)


def _measures(readout: Readout) -> tuple[object, ...]:
    return (
        readout.kind == "word",
        readout.quantity,
        readout.statistic,
        readout.sensor,
        readout.unit,
    )


def _meaning(readout: Readout) -> str:
    sensor = f", {readout.sensor}" if readout.sensor else ""
    return f"{readout.quantity}{sensor}: {readout.statistic}"


def _word(judged: Judged) -> str:
    if judged.doubts or judged.source == "missing":
        return ""
    return judged.decided_text or judged.reading.text


def _blank(column: Column) -> Cell:
    return "" if column.dtype == "text" else None


# ---------------------------------------------------------------- problems and gaps


def problems_grid(problems: Sequence[Problem]) -> Grid:
    """One row an input that could not be used."""
    rows: list[tuple[Cell, ...]] = [
        (each.capture, each.problem, each.mend)
        for each in sorted(problems, key=lambda each: (each.capture, each.problem, each.mend))
    ]
    return Grid(PROBLEMS, PROBLEMS.columns, rows)


def gaps_grid(gaps: Sequence[Gap]) -> Grid:
    """One row a stretch of a recording without overlay."""
    rows: list[tuple[Cell, ...]] = [
        (each.capture, to_thousandths(each.from_s), to_thousandths(each.to_s), each.why)
        for each in sorted(gaps, key=lambda each: (each.capture, each.from_s, each.to_s))
    ]
    return Grid(GAPS, GAPS.columns, rows)
