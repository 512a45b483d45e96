"""The output files, whole or not at all, and reading them back."""

from __future__ import annotations

import hashlib
import importlib.metadata
import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from extractor.calibration.model import Calibration
from extractor.export.csvw import METADATA_FILE, metadata
from extractor.export.grids import (
    Grid,
    captures_grid,
    gaps_grid,
    problems_grid,
    readings_grid,
)
from extractor.export.reading_back import read_readings, readings_frame
from extractor.export.stage import Stage
from extractor.export.traces import charts_grid, traces_grid
from extractor.export.undecided import (
    UNDECIDED_FILE,
    flagged_crop_name,
    keep_filled_in,
    undecided_lines,
)
from extractor.records import Capture, Gap, JudgedTrace, Judgement, Problem, Sighting

_RUN_FILE = "run.json"


@dataclass(frozen=True, slots=True)
class ExportReport:
    """``files`` hold the result now, in reading order; ``notices`` are for the person."""

    files: tuple[Path, ...]
    notices: tuple[str, ...] = ()


def export(
    out: Path,
    *,
    judgement: Judgement,
    captures: Sequence[Capture],
    calibrations: Mapping[str, Calibration],
    problems: Sequence[Problem],
    gaps: Sequence[Gap],
    run: Mapping[str, object],
    traces: Sequence[tuple[Sighting, JudgedTrace]] = (),
) -> ExportReport:
    """Write every table as CSV and Parquet, what describes them, and run.json, below ``out``.

    ``calibrations`` by id; ``run`` is what made the result and opens run.json, so it must not
    hold a clock. The same inputs give the same bytes, and a file whose bytes would not change is
    left alone. Everything is written beside its place first; a file that another program holds
    open stays, and NAME.new.csv is written and told of. Raises CallError if nothing can be
    written there.
    """
    by_capture, clashes = captures_grid(judgement, captures, calibrations)
    grids = (
        readings_grid(judgement, calibrations),
        by_capture,
        problems_grid(problems),
        gaps_grid(gaps),
        traces_grid(traces, calibrations),
        charts_grid(traces, calibrations),
    )
    kept = keep_filled_in(out)
    description = metadata(grids)
    made_by = {name: importlib.metadata.version(name) for name in ("ocrlog", "pyarrow")}
    before = _Before(out, made_by, description)
    hashes: dict[str, str] = {}
    with Stage(out) as stage:

        def put(name: str, data: bytes) -> None:
            stage.put(name, data)
            hashes[name] = _sha256(data)

        for grid in grids:
            put(f"{grid.table.name}.csv", grid.csv())
        for grid in grids:
            name = f"{grid.table.name}.parquet"
            same = before.parquet(grid.table.name, hashes[f"{grid.table.name}.csv"])
            put(name, grid.parquet() if same is None else same)
        put(METADATA_FILE, description)
        stage.put(UNDECIDED_FILE, undecided_lines(judgement))
        stage.put(_RUN_FILE, _run(run, grids, judgement, made_by, hashes))
        files, notices = stage.commit()
    return ExportReport(files, (*kept, *clashes, *notices))


class _Before:
    """What the last export left. Parquet is made anew only where its CSV changed.

    Both say the same by construction, and pyarrow takes longer to import than a small table
    takes to write.
    """

    def __init__(self, out: Path, made_by: Mapping[str, str], description: bytes) -> None:
        self._out = out
        self._hashes: dict[str, str] = {}
        try:
            last = json.loads((out / _RUN_FILE).read_text(encoding="utf-8"))
            hashes = dict(last["files"])
            if last["made_by"] == made_by and hashes[METADATA_FILE] == _sha256(description):
                self._hashes = hashes
        except (OSError, ValueError, KeyError, TypeError):
            pass  # none, or not ours: everything is made anew

    def parquet(self, table: str, csv_hash: str) -> bytes | None:
        """Return the bytes that are there, if they belong to the CSV with this hash."""
        name = f"{table}.parquet"
        if self._hashes.get(f"{table}.csv") != csv_hash:
            return None
        try:
            data = (self._out / name).read_bytes()
        except OSError:
            return None
        return data if _sha256(data) == self._hashes.get(name) else None


def _run(
    run: Mapping[str, object],
    grids: Sequence[Grid],
    judgement: Judgement,
    made_by: Mapping[str, str],
    hashes: Mapping[str, str],
) -> bytes:
    judged = [each for verdict in judgement.verdicts for each in verdict.judged]
    flags = Counter(code for each in judged for code in {doubt.code for doubt in each.doubts})
    whole = {
        **run,
        "made_by": made_by,
        "rows": {grid.table.name: len(grid.rows) for grid in grids},
        "released": sum(not each.doubts for each in judged),
        "flags": dict(sorted(flags.items())),
        "files": hashes,
    }
    return (json.dumps(whole, ensure_ascii=False, indent=2) + "\n").encode(
        "utf-8", "backslashreplace"
    )


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


__all__ = [
    "ExportReport",
    "export",
    "flagged_crop_name",
    "read_readings",
    "readings_frame",
]
