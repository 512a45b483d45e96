"""Charts of the samples through ``ocrlog extract``: traces.csv against series.csv."""

from __future__ import annotations

import csv
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from drawn_charts import _across

from extractor.calibration import load_calibration, save
from extractor.calibration.model import Calibration
from extractor.extracting import Outcome, run, settle
from extractor.records import CHARTS, TRACES

SAMPLES = Path(__file__).resolve().parents[1] / "sample_frames"
CALIBRATIONS = SAMPLES.parent / "calibration"
CARDS, TABLE = "dump/20260314_104918.jpg", "dump/20260314_110054.jpg"
BARE = "dump/20260314_104925.jpg"  # of quality 95: mostly bare ground beside the line
CUT = "H5/round-3/shot_0014.png"  # scrolled so that its charts lie below the screen


@dataclass
class World:
    root: Path
    first: Outcome

    def rows(self, table: str) -> list[dict[str, str]]:
        with (self.root / "readings" / f"{table}.csv").open(newline="", encoding="utf-8") as file:
            return list(csv.DictReader(file))

    def again(self) -> Outcome:
        return run(settle(self.root, jobs=2))


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> Iterator[World]:
    root = tmp_path_factory.mktemp("charts")
    for number, name in enumerate((CARDS, TABLE, CUT, BARE)):
        shutil.copy(SAMPLES / name, root / f"{number}{Path(name).suffix}")
    (root / "calibration").mkdir()
    for name in ("cards", "table"):
        shutil.copy(CALIBRATIONS / f"{name}.toml", root / "calibration")
    yield World(root, run(settle(root, jobs=2)))


def truth(capture: str, trace: str) -> tuple[np.ndarray, np.ndarray]:
    with (SAMPLES / "series.csv").open(newline="", encoding="utf-8") as file:
        points = [
            (float(row["t"]), float(row["value"]))
            for row in csv.DictReader(file)
            if (row["capture"], row["trace"]) == (capture, trace)
        ]
    t, v = np.array(points).T
    return t, v


@pytest.mark.parametrize(
    ("name", "capture", "trace", "top"),
    [
        ("0.jpg", CARDS, "frame_rate", 80.0),
        ("1.jpg", TABLE, "power", 8.0),
        ("3.jpg", BARE, "frame_rate", 80.0),
    ],
)
def test_the_samples_curves_are_read(
    world: World, name: str, capture: str, trace: str, top: float
) -> None:
    """At 0.8 samples a column, JPEG, the table is the hardest of the samples."""
    rows = [row for row in world.rows("traces") if row["capture"] == name]
    assert rows and {row["flags"] for row in rows} == {""}
    (chart,) = (row for row in world.rows("charts") if row["capture"] == name)
    t, v = truth(capture, trace)
    x, y = 600 / float(chart["w"]), top / float(chart["h"])  # s and value a px
    at = np.array([float(row["t"]) for row in rows]) / x
    value = np.array([float(row["value"]) for row in rows]) / y
    across = _across(t / x, v / y, at, value)
    assert np.median(across) <= 0.3
    assert np.percentile(across, 95) <= 1.0
    mean = np.trapezoid(v, t) / (t[-1] - t[0])
    assert float(chart["mean"]) == pytest.approx(mean, abs=0.002 * top)
    assert float(chart["lowest"]) == pytest.approx(v.min(), abs=1.5 * y)
    assert float(chart["highest"]) == pytest.approx(v.max(), abs=1.5 * y)
    assert float(chart["to_s"]) == pytest.approx(t[-1], abs=3 * x)
    assert {row["unit"] for row in rows} == {chart["unit"]} == {"W" if top == 8 else "fps"}


def test_a_dip_of_one_sample_is_there(world: World) -> None:
    low = [float(row["low"]) for row in world.rows("traces") if row["capture"] == "0.jpg"]
    assert min(low) == pytest.approx(35.9, abs=0.5)


def test_a_chart_below_the_screen_has_no_rows_and_says_so(world: World) -> None:
    assert not [row for row in world.rows("traces") if row["capture"] == "2.png"]
    (chart,) = (row for row in world.rows("charts") if row["capture"] == "2.png")
    assert chart["flags"] == "not-shown" and chart["why"] and not chart["mean"]


def test_the_tables_have_their_columns_and_parquet_says_the_same(world: World) -> None:
    for table in (TRACES, CHARTS):
        frame = pd.read_parquet(world.root / "readings" / f"{table.name}.parquet")
        rows = world.rows(table.name)
        assert list(frame.columns) == list(rows[0]) == [each.name for each in table.columns]
        assert len(frame) == len(rows)
    frame = pd.read_parquet(world.root / "readings" / "traces.parquet")
    assert [float(row["value"]) for row in world.rows("traces")] == frame["value"].tolist()


def test_a_second_run_reads_nothing_and_a_changed_axis_is_settled_from_the_cache(
    world: World,
) -> None:
    before = {path.name: path.read_bytes() for path in (world.root / "readings").glob("*.csv")}
    assert world.first.read_now == 4
    assert (len(world.first.charts), world.first.flagged_charts) == (3, 0)
    assert world.again().read_now == 0
    after = {path.name: path.read_bytes() for path in (world.root / "readings").glob("*.csv")}
    assert after == before
    mean = float(world.rows("charts")[0]["to_s"])
    _change(world.root / "calibration" / "cards.toml", t_unit="h")
    assert world.again().read_now == 0
    chart = world.rows("charts")[0]
    assert float(chart["to_s"]) == pytest.approx(60 * mean, rel=1e-4)
    assert chart["flags"] == "cards-disagree", "the length on the card is no 10 hours"
    assert "run_time" in chart["why"]
    assert world.again().flagged_charts == 1
    _change(world.root / "calibration" / "cards.toml", t_unit="min")


def _change(file: Path, **changes: object) -> None:
    loaded = load_calibration(file).calibration
    traces = [trace.model_dump(exclude_none=True) | changes for trace in loaded.trace]
    save(Calibration.model_validate(loaded.model_dump(exclude_none=True) | {"trace": traces}), file)
