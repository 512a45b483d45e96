"""Learn how far the points of a line stick out beyond it: the weights of ``traces/points.py``.

    python tests/studies/learn_points.py draw --seed 1 --charts 1000 --out LEARN/one.npz
    python tests/studies/learn_points.py train LEARN/one.npz --check LEARN/other.npz

Charts are drawn on the canvas of headless Chromium with each join and limit of mitres, and by
matplotlib; series, sizes, widths, colours and coders are drawn by lot. No program, style or series
of ``study_traces.py`` is among them but matplotlib, with other styles and series.
"""

from __future__ import annotations

import argparse
import base64
import io
import shutil
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
from PIL import Image
from playwright.sync_api import Page, sync_playwright

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from drawn_charts import Drawn, Spec, _extremes, matplotlib_chart

from extractor.records import Box
from extractor.traces import curve, points
from extractor.traces.ink import find_ink

JOINS = [("round", 4), ("bevel", 4), ("miter", 2), ("miter", 4), ("miter", 4), ("miter", 10),
         ("miter", 10)]  # fmt: skip
COLOURS = ["#2a7fb8", "#c94f7c", "#3d9a50", "#b8860b", "#7a4fc9", "#c2412c", "#4fb3a5"]
COLUMNS = 300
"""Columns of a chart, at most, that are learnt from, at either end."""
LAYERS = (64, 32)
ROUNDS, BATCH, PACE = 12, 512, 2e-3


def series(rng: np.random.Generator, n: int) -> tuple[np.ndarray, np.ndarray]:
    """A level, wave, step or slope with one of six noises and some spikes."""
    t = np.linspace(0, 600, n)
    level = rng.uniform(20, 60)
    v = [
        np.full(n, level),
        level + rng.uniform(3, 12) * np.sin(t / rng.uniform(20, 150) + rng.uniform(0, 6)),
        level - rng.uniform(5, 20) * (t > rng.uniform(100, 500)),
        level
        - rng.uniform(5, 20) / (1 + np.exp(-(t - rng.uniform(150, 450)) / rng.uniform(5, 30))),
    ][rng.integers(4)]
    size = np.exp(rng.uniform(np.log(0.1), np.log(3)))
    match rng.choice(6, p=[0.4, 0.15, 0.1, 0.15, 0.1, 0.1]):
        case 0:
            noise = rng.normal(0, size, n)
        case 1:
            noise = np.convolve(rng.normal(0, 1.6 * size, n + 2), np.ones(3) / 3, "valid")
        case 2:
            noise = np.round(rng.normal(0, size, n) * 2) / 2
        case 3:
            noise = -np.abs(rng.standard_t(2.5, n)) * size
        case 4:
            noise = np.cumsum(rng.normal(0, size / 3, n))
            noise -= np.linspace(0, noise[-1], n)
        case _:
            noise = rng.normal(0, size, n) * (rng.random(n) < 0.3)
    v = v + noise
    spikes = rng.integers(0, n, rng.integers(0, max(2, n // 40)))
    v[spikes] += rng.normal(0, rng.uniform(3, 12), spikes.size)
    return t, np.clip(v, 4, 76)


def spec(rng: np.random.Generator) -> Spec:
    n = int(np.exp(rng.uniform(np.log(500 if rng.random() < 0.7 else 80), np.log(6000))))
    t, v = series(rng, n)
    density = float(rng.choice([1.0, 1.5, 2.0, 3.0]))
    size = (rng.integers(420, 760), rng.integers(200, 360))
    if density == 1:
        size = (rng.integers(600, 1100), rng.integers(300, 420))
    return Spec(
        t,
        v,
        size=(int(size[0]), int(size[1])),
        width=float(rng.uniform(1.2, 2.6) if density < 3 else rng.uniform(1.0, 1.8)),
        density=density,
        dark=bool(rng.random() < 0.5),
        fill=bool(rng.random() < 0.15),
        quality=None if rng.random() < 0.5 else int(rng.integers(60, 92)),
        colour=str(rng.choice(COLOURS)),
    )


_CANVAS = """d => {
const canvas = document.createElement('canvas');
canvas.width = d.w; canvas.height = d.h;
const g = canvas.getContext('2d');
const path = points => { g.beginPath(); points.forEach((p, i) => i ? g.lineTo(...p)
  : g.moveTo(...p)); };
g.fillStyle = d.ground; g.fillRect(0, 0, d.w, d.h);
g.strokeStyle = d.lines; g.lineWidth = 1;
for (let i = 0; i < 5; i++) {
  const y = Math.round(d.y + d.ph * i / 4) + 0.5, x = Math.round(d.x + d.pw * i / 4) + 0.5;
  path([[d.x, y], [d.x + d.pw, y]]); g.stroke();
  path([[x, d.y], [x, d.y + d.ph]]); g.stroke();
}
g.fillStyle = g.strokeStyle = d.colour;
if (d.fill) {
  g.globalAlpha = 0.22;
  path([...d.points, [d.x + d.pw, d.y + d.ph], [d.x, d.y + d.ph]]); g.fill();
  g.globalAlpha = 1;
}
g.lineJoin = d.join; g.miterLimit = d.limit; g.lineWidth = d.width;
path(d.points); g.stroke();
return canvas.toDataURL('image/png');
}"""


def canvas_chart(page: Page, spec: Spec, join: str, limit: float) -> Drawn:
    wide, high = (int(side * spec.density) for side in spec.size)
    plot = Box(61.5, 25.5, wide - 90.0, high - 60.0)
    ground, _, lines = spec.ink
    x, y = _places(spec, plot)
    url = page.evaluate(_CANVAS, {
        "w": wide, "h": high, "x": plot.x, "y": plot.y, "pw": plot.w, "ph": plot.h,
        "ground": ground, "lines": lines, "colour": spec.colour, "fill": spec.fill, "join": join,
        "limit": limit, "width": spec.width * spec.density,
        "points": np.column_stack([x, y]).tolist(),
    })  # fmt: skip
    data = io.BytesIO(base64.b64decode(url.split(",")[1]))
    return Drawn(spec, np.asarray(Image.open(data).convert("RGB")), plot).coded()


def charts(seed: int, count: int) -> Iterator[Drawn]:
    import matplotlib

    rng = np.random.default_rng(seed)
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=shutil.which("chromium"))
        page = chromium.new_page()
        for _ in range(count):
            asked = spec(rng)
            which = int(rng.integers(len(JOINS) + 1))
            if which < len(JOINS):
                yield canvas_chart(page, asked, *JOINS[which])
            else:
                join = str(rng.choice(["round", "bevel", "miter"]))
                with matplotlib.rc_context({"lines.solid_joinstyle": join}):
                    yield matplotlib_chart(asked)
        chromium.close()


def _places(spec: Spec, plot: Box) -> tuple[np.ndarray, np.ndarray]:
    low, high = spec.value_range
    return plot.x + plot.w * spec.t / spec.t_end, plot.y + plot.h * (high - spec.v) / (high - low)


@dataclass
class Lesson:
    """Features of columns with how far the line is below the ink's end: from and to, px."""

    seen: np.ndarray
    least: np.ndarray
    most: np.ndarray
    pen: np.ndarray
    chart: np.ndarray


def lesson(drawn: Drawn, number: int, rng: np.random.Generator) -> Lesson | None:
    """What one chart teaches; the truth is that of ``drawn_charts.errors``."""
    calls: list[tuple[np.ndarray, np.ndarray, np.ndarray, float]] = []

    def heard(ink: np.ndarray, top: np.ndarray, bottom: np.ndarray, pen: float) -> np.ndarray:
        calls.append((ink, top, bottom, pen))
        return np.full(len(top), pen / 2)

    pad, plot = curve.PAD, drawn.plot
    left, up = max(0, int(plot.x) - pad), max(0, int(plot.y) - pad)
    piece = drawn.image[up : int(plot.bottom) + pad + 1, left : int(plot.right) + pad + 1]
    inside = Box(plot.x - left, plot.y - up, plot.w, plot.h)
    usual, curve.depths = curve.depths, heard
    try:
        curve.find_curve(find_ink(piece, drawn.spec.colour), inside)
    finally:
        curve.depths = usual
    if len(calls) != 2:
        return None
    x, y = _places(drawn.spec, inside)
    at = curve.columns_of(inside)[0] + np.arange(len(calls[0][1])) + 0.5
    width = drawn.spec.width * drawn.spec.density
    own, reach = _extremes(x, y, at, 0.5), _extremes(x, y, at, 0.5 + width / 2)
    parts = []
    for turned, (ink, top, bottom, pen) in enumerate(calls):
        some = np.isfinite(top) & (bottom - top > points.POINTED * pen)
        columns = np.flatnonzero(some & (at > x[0] + 1) & (at < x[-1] - 1))
        columns = rng.permutation(columns)[:COLUMNS]
        ends = (len(ink) - reach[1], len(ink) - own[1]) if turned else (reach[0], own[0])
        seen = points.features(ink, top, bottom, pen)[columns].astype(np.float16)
        parts.append((seen, (ends[0] - top)[columns], (ends[1] - top)[columns],
                      np.full(columns.size, pen), np.full(columns.size, number)))  # fmt: skip
    return Lesson(*(np.concatenate(each) for each in zip(*parts, strict=True)))


def draw(seed: int, count: int, out: Path) -> None:
    rng = np.random.default_rng(seed + 1)
    lessons = [lesson(drawn, number, rng) for number, drawn in enumerate(charts(seed, count))]
    held = [vars(each) for each in lessons if each is not None]
    np.savez(out, **{name: np.concatenate([each[name] for each in held]) for name in held[0]})


def load(paths: list[Path]) -> Lesson:
    parts = []
    for path in paths:
        with np.load(path) as stored:
            parts.append({name: stored[name] for name in stored.files})
    return Lesson(**{name: np.concatenate([part[name] for part in parts]) for name in parts[0]})


def mirrored(seen: np.ndarray) -> np.ndarray:
    """The same columns in a picture whose left and right are changed."""
    rows, wide, along = points._DOWN.size, points._ASIDE.size, points._ALONG.size
    out = seen.copy()
    patch = rows * wide
    out[:, :patch] = seen[:, :patch].reshape(-1, rows, wide)[:, :, ::-1].reshape(-1, patch)
    out[:, patch : patch + along] = seen[:, patch : patch + along][:, ::-1]
    return out


def off(lesson: Lesson, depth: np.ndarray) -> np.ndarray:
    """By how much depths (px) are outside of what is true: above it < 0, below > 0."""
    return np.maximum(0, depth - lesson.most) - np.maximum(0, lesson.least - depth)


def train(paths: list[Path], check: list[Path], out: Path) -> None:
    """Adam (Kingma and Ba 2015) on the distance outside of what is true; a running mean is kept."""
    rng = np.random.default_rng(0)
    learnt, held = load(paths), load(check) if check else None
    sample = learnt.seen[:: max(1, len(learnt.seen) // 100_000)].astype(np.float32)
    mean, deviation = sample.mean(axis=0), sample.std(axis=0) + 0.05
    sizes = (learnt.seen.shape[1], *LAYERS, 1)
    net: list[np.ndarray] = []
    for before, after in pairwise(sizes):
        net += [rng.normal(0, np.sqrt(2 / before), (before, after)), np.zeros(after)]
    net = [each.astype(np.float32) for each in net]
    net[-1][:] = 0.3
    kept, first, second = ([factor * each for each in net] for factor in (1, 0, 0))
    steps = ROUNDS * (len(learnt.seen) // BATCH)
    step = 0
    for turn in range(ROUNDS):
        for batch in np.array_split(rng.permutation(len(learnt.seen)), steps // ROUNDS):
            step += 1
            seen = learnt.seen[batch]
            seen = mirrored(seen) if rng.random() < 0.5 else seen
            pen = learnt.pen[batch].astype(np.float32)
            part = Lesson(seen, learnt.least[batch], learnt.most[batch], pen, batch)
            layers = _forward((seen.astype(np.float32) - mean) / deviation, net)
            outside = off(part, layers[-1][:, 0] * pen)
            pull = np.sign(outside) * np.minimum(0.3 + np.abs(outside), 2.5)
            slope = (pull * np.minimum(pen, 3) / batch.size)[:, None].astype(np.float32)
            pace = PACE * min(1, step / 500) * (0.5 + 0.5 * np.cos(np.pi * step / steps))
            for at in range(len(net) - 2, -1, -2):
                below = layers[at // 2]
                slopes = below.T @ slope, slope.sum(axis=0)
                slope = (slope @ net[at].T) * (below > 0)
                for each, change in zip((at, at + 1), slopes, strict=True):
                    first[each] = 0.9 * first[each] + 0.1 * change
                    second[each] = 0.999 * second[each] + 0.001 * change**2
                    level = np.sqrt(second[each] / (1 - 0.999**step)) + 1e-8
                    net[each] -= pace * first[each] / (1 - 0.9**step) / level
                    kept[each] += (net[each] - kept[each]) * (0.002 if step > 1000 else 0.05)
        if held is not None:
            seen = (held.seen.astype(np.float32) - mean) / deviation
            far = np.abs(off(held, _forward(seen, kept)[-1][:, 0] * held.pen))
            print(f"round {turn + 1}: 95 % within {np.percentile(far, 95):.2f} px", flush=True)
    half = [each.astype(np.float16) for each in (mean, deviation, *kept)]
    np.savez_compressed(out, *half)


def _forward(seen: np.ndarray, net: list[np.ndarray]) -> list[np.ndarray]:
    layers = [seen]
    for at in range(0, len(net) - 2, 2):
        layers.append(np.maximum(layers[-1] @ net[at] + net[at + 1], 0))
    return [*layers, layers[-1] @ net[-2] + net[-1]]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    commands = parser.add_subparsers(required=True, dest="command")
    drawing = commands.add_parser("draw")
    drawing.add_argument("--seed", type=int, required=True)
    drawing.add_argument("--charts", type=int, default=1000)
    drawing.add_argument("--out", type=Path, required=True)
    training = commands.add_parser("train")
    training.add_argument("lessons", type=Path, nargs="+")
    training.add_argument("--check", type=Path, nargs="*", default=[])
    training.add_argument("--out", type=Path, default=points._WEIGHTS)
    asked = parser.parse_args()
    if asked.command == "draw":
        draw(asked.seed, asked.charts, asked.out)
    else:
        train(asked.lessons, asked.check, asked.out)


if __name__ == "__main__":
    main()
