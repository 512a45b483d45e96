"""readings.csv or .parquet -> DataFrame, and the same DataFrame straight from the judge."""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from extractor.calibration.model import Calibration
from extractor.errors import CallError
from extractor.export.grids import readings_grid
from extractor.records import READINGS, Judgement, unguard_cell, unguard_path

if TYPE_CHECKING:
    import pandas as pd

_NUMBERS = tuple(column.name for column in READINGS.columns if column.dtype != "text")


def read_readings(path: str | Path) -> pd.DataFrame:
    """Return the readings as a DataFrame: texts as str ('' where empty), numbers as float64.

    ``path`` is CAPTURES, its readings folder, or a readings table itself, CSV or Parquet. The
    columns are those of docs/output.md, facts last, as text. Cells are as they were before the
    guard against formulas. Raises CallError if there is no such table.
    """
    import pandas as pd  # slow to import; the command itself does without

    file = _table(Path(path))
    frame = pd.read_parquet(file) if file.suffix == ".parquet" else _read_csv(file)
    missing = READINGS.names - set(frame.columns)
    if missing:
        raise CallError(f"{file}: no table of readings, it lacks {', '.join(sorted(missing))}")
    return frame


def readings_frame(judgement: Judgement, calibrations: Mapping[str, Calibration]) -> pd.DataFrame:
    """Return what ``read_readings`` would, without files; ``calibrations`` by id."""
    import pandas as pd

    grid = readings_grid(judgement, calibrations)
    frame = pd.DataFrame(grid.rows, columns=[column.name for column in grid.columns])
    return frame.astype(
        {column.name: "str" if column.dtype == "text" else "float64" for column in grid.columns}
    )


def _table(path: Path) -> Path:
    if path.is_file():
        return path
    for folder in (path, path / "readings"):
        # The new one stands beside the old where that was held open.
        for name in ("readings.new.csv", "readings.csv"):
            if (folder / name).is_file():
                return folder / name
    raise CallError(f"{path}: no readings there; run `ocrlog extract` first, or name the table")


def _read_csv(file: Path) -> pd.DataFrame:
    """Read by Python's csv and float(), which give back every text and every float exactly."""
    import pandas as pd

    with file.open(encoding="utf-8", newline="") as lines:
        header, *rows = csv.reader(lines, strict=True)
    columns = zip(*rows, strict=True) if rows else ((),) * len(header)
    series: dict[str, pd.Series[Any]] = {}
    for name, cells in zip(header, columns, strict=True):
        if name in _NUMBERS:
            numbers = [float(cell) if cell else math.nan for cell in cells]
            series[name] = pd.Series(numbers, dtype="float64")
        else:
            undo = unguard_path if name == "capture" else unguard_cell
            series[name] = pd.Series(list(map(undo, cells)), dtype="str")
    return pd.DataFrame(series)
