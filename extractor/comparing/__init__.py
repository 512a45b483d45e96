"""From readings to an honest verdict: rounds, derived figures, verdicts, plots, report."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from extractor.calibration import load_calibrations, packaged_folder
from extractor.calibration.model import Calibration
from extractor.errors import CallError
from extractor.records import READINGS
from extractor.session import Session, load_session

if TYPE_CHECKING:
    import pandas as pd


def compare(
    readings: pd.DataFrame,
    session: Session | str | Path | None = None,
    *,
    traces: pd.DataFrame | None = None,
    calibration: str | Path | Iterable[str | Path] = (),
) -> pd.DataFrame:
    """Compare devices, for a notebook: returns the table of comparison.csv (docs/comparing.md).

    ``readings`` as ``extract`` and ``read_readings`` give them; ``traces`` with the columns of
    traces.csv. ``session`` is a loaded session, the path of a ``session.toml``, or None: then what
    hangs on it cannot be computed, and rows ``missing`` say so. ``calibration`` names files or
    folders beside ``./calibration`` and the packaged ones: they say what each readout measures.

    Numbers are float64 (NaN where there is none), texts str. Raises CallError if columns of the
    readings are missing, FileFaultsError for a faulty session or calibration file.
    """
    import pandas as pd

    from extractor.comparing.whole import compare_all, comparison_grid

    if session is None:
        session = Session(format=1)
    elif not isinstance(session, Session):
        session = load_session(Path(session))
    missing = READINGS.names - set(readings.columns)
    if missing:
        raise CallError(f"no table of readings: it lacks {', '.join(sorted(missing))}")
    grid = comparison_grid(compare_all(_plain(readings), session, _layouts(calibration), traces))
    frame = pd.DataFrame(grid.rows, columns=[column.name for column in grid.columns])
    return frame.astype(
        {column.name: "str" if column.dtype == "text" else "float64" for column in grid.columns}
    )


def _plain(readings: pd.DataFrame) -> pd.DataFrame:
    """Texts as ``read_readings`` gives them, also where another reader made blanks and numbers."""
    numbers = {column.name for column in READINGS.columns if column.dtype != "text"}
    plain = readings.reset_index(drop=True)
    return plain.assign(
        **{
            name: [_text(cell) for cell in plain[name].tolist()]
            for name in plain.columns
            if name not in numbers
        }
    )


def _text(cell: object) -> str:
    if cell is None or cell != cell:  # noqa: PLR0124 (NaN)
        return ""
    return f"{cell:g}" if isinstance(cell, float) else str(cell)


def _layouts(calibration: str | Path | Iterable[str | Path]) -> list[Calibration]:
    named = [calibration] if isinstance(calibration, str | Path) else calibration
    usual = (Path("calibration"), packaged_folder())
    places = [*map(Path, named), *(place for place in usual if place.is_dir())]
    return [each.calibration for each in load_calibrations(places)[0]]


__all__ = ["compare"]
