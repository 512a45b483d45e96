"""How near traces come to the truth, on charts drawn by others: the figures of docs/traces.md.

    npm install --prefix CHARTS vega echarts chart.js plotly.js-dist-min
    python tests/studies/study_traces.py --modules CHARTS/node_modules
    python tests/studies/study_traces.py --samples sample_frames/readings

The first draws every style with every program and prints a table a program; needs gnuplot and
Chromium. The second holds ``traces.csv`` of the samples against ``series.csv``.

Axes and curves were tuned on charts of matplotlib and gnuplot, where points end was learnt from the
drawings of ``learn_points.py``; the four browser libraries were only measured. Faults they showed
that were mended after that are named in docs/traces.md.
"""

from __future__ import annotations

import argparse
import csv
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from browser_charts import LIBRARIES, Charts
from drawn_charts import (
    Drawn,
    Errors,
    Maker,
    Spec,
    errors,
    gnuplot_chart,
    hidden_columns,
    matplotlib_chart,
    own_shift,
    rate,
    read,
)

from extractor.reading import default_reader

SAMPLES = Path(__file__).resolve().parents[2] / "sample_frames"


def styles() -> Iterator[tuple[str, Spec]]:
    """Every style: how many samples, how it is coded and what is drawn besides the line."""
    for seed, samples in enumerate((60, 300, 1200, 3600)):
        plain = rate(samples, 100 + seed)
        yield f"{samples} samples, light, PNG", replace(plain, width=1.5 if seed % 2 else 2.0)
        yield (
            f"{samples} samples, dark, JPEG 70",
            replace(plain, dark=True, quality=70, clock=True, suffix=" fps", density=2.0),
        )
    for seed, (name, how) in enumerate(
        {
            "filled": {"fill": True},
            "dashed average in its colour": {"average": True},
            "steps": {"step": True},
            "markers": {"dots": True},
            "another line crosses": {},
        }.items()
    ):
        some = replace(rate(50 if "dots" in how else 120, 200 + seed), **how)
        if name.startswith("another"):
            some = replace(some, other=42 + 14 * np.sin(some.t / 35))
        yield f"{name}, light, PNG", some
        yield (
            f"{name}, dark, JPEG 70",
            replace(some, dark=True, quality=70, density=2.0, colour="#4fb3a5"),
        )


@dataclass
class Row:
    name: str
    spec: Spec
    shift: tuple[float, float]
    as_drawn: Errors | None
    on_grid: Errors | None
    flags: str
    seconds: float


def measure(maker: Maker) -> Iterator[Row]:
    reader = default_reader()
    shifts: dict[tuple[object, ...], tuple[float, float]] = {}
    for name, spec in styles():
        drawn = maker(spec)
        key = (spec.size, spec.density, spec.dark, spec.clock, spec.suffix)
        if key not in shifts:
            shifts[key] = own_shift(maker, replace(spec, quality=None))
        begin = time.perf_counter()
        curve, judged = read(drawn, reader)
        took = time.perf_counter() - begin
        flags = ";".join(doubt.code for doubt in judged.doubts)
        if not judged.t:
            yield Row(name, spec, shifts[key], None, None, flags, took)
            continue
        pen, hidden = spec.width * spec.density, hidden_columns(drawn, curve.pen)
        yield Row(
            name,
            spec,
            shifts[key],
            errors(drawn, judged, pen, hidden),
            errors(drawn, judged, pen, hidden, shifts[key]),
            flags,
            took,
        )


def _two(values: np.ndarray) -> str:
    return f"{np.median(values):.2f} / {np.percentile(values, 95):.2f}"


def table(rows: list[Row]) -> None:
    print("| style | across, px: median / 95 % | low, px: 95 % | high, px: 95 % | mean, % of span "
          "| columns, % | flags | s |")  # fmt: skip
    print("|---|---|---|---|---|---|---|---|")
    for row in rows:
        got = row.on_grid
        if got is None:
            print(f"| {row.name} | | | | | | {row.flags} | {row.seconds:.2f} |")
            continue
        print(
            f"| {row.name} | {_two(got.across)} | {np.percentile(got.low, 95):.2f} | "
            f"{np.percentile(got.high, 95):.2f} | {100 * got.mean:.2f} | {100 * got.coverage:.1f} "
            f"| {row.flags} | {row.seconds:.2f} |"
        )
    shifts = np.array([row.shift for row in rows])
    raw = np.concatenate([row.as_drawn.across for row in rows if row.as_drawn])
    print(f"\nGrid beside the data: x {shifts[:, 0].min():+.2f} to {shifts[:, 0].max():+.2f} px, "
          f"y {shifts[:, 1].min():+.2f} to {shifts[:, 1].max():+.2f} px; with it, all styles: "
          f"{_two(raw)} px across.")  # fmt: skip
    sparse = [row.on_grid for row in rows if row.on_grid and len(row.spec.t) <= 300]
    dense = [row.on_grid for row in rows if row.on_grid and len(row.spec.t) > 300]
    edge = np.concatenate([np.concatenate([each.low, each.high]) for each in dense])
    print(f"At most one sample a column: {_two(np.concatenate([e.across for e in sparse]))} px "
          f"across; denser: low and high {_two(edge)} px.\n")  # fmt: skip


def charts(modules: Path) -> None:
    def with_gnuplot(spec: Spec) -> Drawn:
        with tempfile.TemporaryDirectory() as folder:
            return gnuplot_chart(spec, folder)

    with Charts(modules) as browser:
        makers: dict[str, Maker] = {"matplotlib": matplotlib_chart, "gnuplot": with_gnuplot}
        for library in LIBRARIES:
            makers[library] = lambda spec, name=library: browser.draw(name, spec)
        for name, maker in makers.items():
            print(f"### {name}\n", flush=True)
            table(list(measure(maker)))


# ---------------------------------------------------------------- the samples


def samples(readings: Path) -> None:
    """Print a row a chart: error of each value against the vertices, in px of the plot's height."""
    truth = defaultdict(list)
    for row in _rows(SAMPLES / "series.csv"):
        truth[row["capture"], row["layout"], row["trace"]].append(
            (float(row["t"]), float(row["value"]))
        )
    got = defaultdict(list)
    for row in _rows(readings / "traces.csv"):
        if row["value"]:
            got[row["capture"], row["layout"], row["trace"]].append(row)
    print("| capture | trace | value, % of span: median / 95 % | mean, % of span | flags |")
    print("|---|---|---|---|---|")
    worst = []
    for chart in _rows(readings / "charts.csv"):
        key = (chart["capture"], chart["layout"], chart["trace"])
        if key not in truth or not got[key]:
            continue
        t, v = np.array(truth[key]).T
        rows = got[key]
        span = _top(v)
        px = span / float(chart["h"])
        x = np.array([float(row["t"]) for row in rows])
        y = np.array([float(row["value"]) for row in rows])
        per_px = 600 / float(chart["w"])
        across = _distance(t / per_px, v / px, x / per_px, y / px)
        mean = abs(y.mean() - np.trapezoid(v, t) / (t[-1] - t[0])) / span
        worst.append((float(np.median(across)), float(np.percentile(across, 95)), mean))
        print(
            f"| {key[0]} | {key[2]} | {np.median(across):.2f} / {np.percentile(across, 95):.2f} px "
            f"| {100 * mean:.2f} | {chart['flags']} |"
        )
    median, late, mean = np.array(worst).T
    print(
        f"\n{len(median)} charts; median {np.median(median):.2f} px, the worst 95 % "
        f"{late.max():.2f} px, the worst mean {100 * mean.max():.2f} %"
    )


def _top(v: np.ndarray) -> float:
    """The upper end of the sample's axis, as sample_frames/draw/main.py chooses it."""
    return next(top for top in (4, 8, 12, 16, 40, 60, 80, 100, 140) if top > v.max() * 1.04)


def _distance(x: np.ndarray, y: np.ndarray, px: np.ndarray, py: np.ndarray) -> np.ndarray:
    from drawn_charts import _across

    return _across(x, y, px, py)


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--modules", type=Path, help="node_modules with the chart libraries")
    parser.add_argument("--samples", type=Path, help="folder of the samples' readings")
    asked = parser.parse_args()
    if asked.modules:
        charts(asked.modules)
    if asked.samples:
        samples(asked.samples)


if __name__ == "__main__":
    main()
