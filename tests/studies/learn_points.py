"""Learn how far the points of a line stick out beyond it: the weights of ``traces/points.py``.

    for seed in $(seq 14); do
        python tests/studies/learn_points.py draw --seed $seed --charts 700 --out LEARN/$seed.npz
    done
    python tests/studies/learn_points.py draw --seed 99 --charts 300 --out held.npz
    python tests/studies/learn_points.py train LEARN/*.npz --check held.npz

So the weights were made that are kept: 20 minutes to draw and 13 to train, on one core each.

Charts are drawn on the canvas of headless Chromium with each join and limit of mitres, and by
matplotlib; series, sizes, widths, colours and coders are drawn by lot. Some are thinned before they
are drawn, as programs do with more samples than pixels: to the first, lowest, highest and last of a
column (Jugel and others 2014), to an upright stroke in the middle of each, or to samples so far
apart. The truth is what is drawn. No style or series of ``study_traces.py`` is among them, and no
program of it but matplotlib. Training needs PyTorch: ``pip install -e '.[test,training]'``.
"""

from __future__ import annotations

import argparse
import base64
import io
import json
import shutil
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from PIL import Image
from playwright.sync_api import Page, sync_playwright

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from drawn_charts import Drawn, Spec, _extremes, matplotlib_chart

from extractor.records import Box
from extractor.traces import curve, points
from extractor.traces.ink import find_ink

if TYPE_CHECKING:
    import torch

JOINS = [("round", 4), ("bevel", 4), ("miter", 2), ("miter", 4), ("miter", 4), ("miter", 10),
         ("miter", 10), ("miter", 10)]  # fmt: skip
THINNED = {"all": 0.55, "extremes": 0.1, "strokes": 0.25, "apart": 0.1}
COLOURS = ["#2a7fb8", "#c94f7c", "#3d9a50", "#b8860b", "#7a4fc9", "#c2412c", "#4fb3a5"]
SPAN = 100
"""Columns in a row of a chart that are learnt from, at either end."""
FIRST, WHOLE, SIDE, SECOND, THIRD = 160, 32, 24, 80, 32
"""Sizes of the layers, as ``points._net`` has them."""
ROUNDS, CHARTS, PACE = 20, 10, 2e-3


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
    """Small pictures: what matters is near a column."""
    density = float(rng.choice([1.0, 1.5, 2.0, 3.0]))
    wide, high = rng.uniform(420, 620), rng.uniform(220, 420)
    fewest = 0.5 if rng.random() < 0.75 else 0.15
    a_column = np.exp(rng.uniform(np.log(fewest), np.log(6)))
    t, v = series(rng, max(20, int((wide - 90) * a_column)))
    return Spec(
        t,
        v,
        size=(int(np.ceil(wide / density)), int(np.ceil(high / density))),
        width=float(rng.uniform(1.2, 2.6) if density < 3 else rng.uniform(1.0, 1.8)),
        density=density,
        dark=bool(rng.random() < 0.5),
        fill=bool(rng.random() < 0.15),
        quality=None if rng.random() < 0.5 else int(rng.integers(60, 92)),
        colour=str(rng.choice(COLOURS)),
    )


def thinned(asked: Spec, how: str, rng: np.random.Generator) -> Spec:
    """What a program draws of more samples than pixels."""
    if how == "all":
        return asked
    px = asked.t_end / (asked.size[0] * asked.density - 90)
    px *= float(rng.choice([1.0, asked.density, asked.density]))
    if how == "apart":
        px *= rng.uniform(0.5, 1)
        kept = [0]
        for at, t in enumerate(asked.t):
            if t - asked.t[kept[-1]] >= px:
                kept.append(at)
        return replace(asked, t=asked.t[kept], v=asked.v[kept])
    in_order = rng.random() < 0.5
    columns = np.floor(asked.t / px)
    t: list[float] = []
    v: list[float] = []
    for piece in np.split(np.arange(len(columns)), np.flatnonzero(np.diff(columns)) + 1):
        low, high = piece[asked.v[piece].argmin()], piece[asked.v[piece].argmax()]
        if how == "extremes":
            drawn = sorted({piece[0], low, high, piece[-1]})
            t += asked.t[drawn].tolist()
        else:
            ends = sorted((low, high)) if in_order else (low, high)
            drawn = [piece[0], *ends, piece[-1]]
            middle = float(asked.t[piece].mean())
            t += [float(asked.t[piece[0]]) if in_order else middle, middle, middle, middle]
        v += asked.v[drawn].tolist()
    return replace(asked, t=np.array(t), v=np.array(v))


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
    asked = json.dumps({
        "w": wide, "h": high, "x": plot.x, "y": plot.y, "pw": plot.w, "ph": plot.h,
        "ground": ground, "lines": lines, "colour": spec.colour, "fill": spec.fill, "join": join,
        "limit": limit, "width": spec.width * spec.density,
        "points": np.round(np.column_stack([x, y]), 3).tolist(),
    })  # fmt: skip
    url = page.evaluate(f"asked => ({_CANVAS})(JSON.parse(asked))", asked)
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
            how = str(rng.choice(list(THINNED), p=list(THINNED.values())))
            which = int(rng.integers(len(JOINS) + 1))
            if which < len(JOINS):
                yield canvas_chart(page, thinned(asked, how, rng), *JOINS[which])
            else:
                join = str(rng.choice(["round", "bevel", "miter"]))
                with matplotlib.rc_context({"lines.solid_joinstyle": join}):
                    yield matplotlib_chart(asked)
        chromium.close()


def _places(spec: Spec, plot: Box) -> tuple[np.ndarray, np.ndarray]:
    low, high = spec.value_range
    return plot.x + plot.w * spec.t / spec.t_end, plot.y + plot.h * (high - spec.v) / (high - low)


@dataclass
class Lessons:
    """A span of columns a chart, at both ends, (charts, 2, SPAN) and ``seen`` with its features.

    How far the line is below the ink's end, px: between ``least`` and ``most``, and by no means
    beyond ``middle``. ``use``: which columns count; ``pen``, (charts): the width of the line.
    """

    seen: np.ndarray
    least: np.ndarray
    most: np.ndarray
    middle: np.ndarray
    use: np.ndarray
    pen: np.ndarray


def lesson(drawn: Drawn, rng: np.random.Generator) -> Lessons | None:
    """What one chart teaches; the truth is that of ``drawn_charts.errors``."""
    calls: list[tuple[np.ndarray, np.ndarray, np.ndarray, float]] = []

    def heard(
        ink: np.ndarray, top: np.ndarray, bottom: np.ndarray, pen: float
    ) -> tuple[np.ndarray, np.ndarray]:
        calls.append((ink, top, bottom, pen))
        half = np.full(len(top), pen / 2)
        return half, half

    pad, plot = curve.PAD, drawn.plot
    left, up = max(0, int(plot.x) - pad), max(0, int(plot.y) - pad)
    piece = drawn.image[up : int(plot.bottom) + pad + 1, left : int(plot.right) + pad + 1]
    inside = Box(plot.x - left, plot.y - up, plot.w, plot.h)
    usual, curve.depths = curve.depths, heard
    try:
        curve.find_curve(find_ink(piece, drawn.spec.colour), inside)
    finally:
        curve.depths = usual
    if not calls:
        return None
    ink, top, bottom, pen = calls[0]
    height, span = len(ink), min(SPAN, len(top))
    x, y = _places(drawn.spec, inside)
    at = curve.columns_of(inside)[0] + np.arange(len(top)) + 0.5
    width = drawn.spec.width * drawn.spec.density
    own, reach = _extremes(x, y, at, 0.5), _extremes(x, y, at, 0.5 + width / 2)
    pointed = np.isfinite(top) & (bottom - top > points.POINTED * pen)
    use = pointed & (at > x[0] + 1) & (at < x[-1] - 1)
    parts = []
    for ends in (
        (ink, top, bottom, reach[0], own[0]),
        (ink[::-1], height - bottom, height - top, height - reach[1], height - own[1]),
    ):
        if np.count_nonzero(use) < 8 or span < SPAN:
            return None
        about = int(rng.choice(np.flatnonzero(use)))
        begin = int(np.clip(about - rng.integers(span), 0, len(top) - span))
        some = slice(begin, begin + span)
        image, upper, lower, least, most = ends
        seen = points.features(image, upper, lower, pen)[some].astype(np.float16)
        far = [np.nan_to_num(each[some]) for each in (least - upper, most - upper,
                                                      (lower - upper) / 2)]  # fmt: skip
        parts.append((seen, *far, use[some]))
    return Lessons(*(np.stack(each)[None] for each in zip(*parts, strict=True)), np.array([pen]))


def draw(seed: int, count: int, out: Path) -> None:
    rng = np.random.default_rng(seed + 1)
    lessons = [lesson(drawn, rng) for drawn in charts(seed, count)]
    held = [vars(each) for each in lessons if each is not None]
    np.savez(out, **{name: np.concatenate([each[name] for each in held]) for name in held[0]})


def load(paths: list[Path]) -> Lessons:
    parts = []
    for path in paths:
        with np.load(path) as stored:
            parts.append({name: stored[name] for name in stored.files})
    return Lessons(**{name: np.concatenate([part[name] for part in parts]) for name in parts[0]})


def mirrored(seen: torch.Tensor) -> torch.Tensor:
    """The same columns, (charts, 2, columns, features), in a picture seen from behind."""
    rows, wide, along = points.DOWN.size, points.ASIDE.size, points.ALONG.size
    patch, sided = rows * wide, 2 * points.DEPTHS.size + 1
    order = np.arange(seen.shape[-1])
    order[:patch] = order[:patch].reshape(rows, wide)[:, ::-1].ravel()
    order[patch : patch + along] = order[patch : patch + along][::-1]
    left = slice(patch + along, patch + along + sided)
    right = slice(left.stop, left.stop + sided)
    order[left], order[right] = order[right].copy(), order[left].copy()
    return seen[..., order].flip(2)


def train(paths: list[Path], check: list[Path], out: Path) -> None:
    """AdamW (Loshchilov and Hutter 2019); a running mean of the weights is kept.

    What is made small is the distance outside of what is true and, more and more, the share of
    columns that are off by about 1 px and more.
    """
    import torch
    from torch import nn

    class Net(nn.Module):
        """``points._net``."""

        def __init__(self, features: int) -> None:
            super().__init__()
            shown = FIRST + WHOLE + SIDE * points.NEARBY.size
            sizes = (features, FIRST), (FIRST, WHOLE), (FIRST, SIDE), (shown, SECOND), \
                (SECOND, THIRD), (THIRD, 1)  # fmt: skip
            self.layers = nn.ModuleList(nn.Linear(*size) for size in sizes)
            nn.init.constant_(self.layers[-1].bias, 0.5)

        def forward(self, seen: torch.Tensor, use: torch.Tensor, pen: torch.Tensor) -> torch.Tensor:
            first, whole, side, second, third, last = self.layers
            count, ends, columns, _ = seen.shape
            hidden = torch.relu(first(seen))
            chart = (torch.relu(whole(hidden)) * use[..., None]).sum((1, 2))
            chart = (chart / use.sum((1, 2))[:, None])[:, None, None].expand(-1, ends, columns, -1)
            away = torch.round(torch.tensor(points.NEARBY)[:, None] * pen[:, None, None])
            near = (torch.arange(columns) + away).long().clamp(0, columns - 1)
            beside = torch.relu(side(hidden))
            beside = torch.stack([beside[i][:, near[i].T] for i in range(count)]).flatten(3)
            shown = torch.cat([hidden, chart, beside], 3)
            return last(torch.relu(third(torch.relu(second(shown)))))[..., 0] * pen[:, None, None]

    def outside(part: dict[str, torch.Tensor], depth: torch.Tensor) -> torch.Tensor:
        depth = torch.minimum(depth, part["middle"])
        return torch.relu(depth - part["most"]) + torch.relu(part["least"] - depth)

    def tensors(lessons: Lessons) -> dict[str, torch.Tensor]:
        made = {name: torch.from_numpy(each) for name, each in vars(lessons).items()}
        return {name: each if name == "seen" else each.float() for name, each in made.items()}

    def told(net: Net, part: dict[str, torch.Tensor]) -> torch.Tensor:
        return net((part["seen"].float() - mean) / deviation, part["use"], part["pen"])

    torch.set_num_threads(1)
    torch.manual_seed(0)
    learnt, held = tensors(load(paths)), tensors(load(check)) if check else None
    some = learnt["seen"][::7][learnt["use"][::7] > 0].float()
    mean, deviation = some.mean(0), some.std(0) + 0.05
    net, kept = Net(len(mean)), Net(len(mean))
    kept.load_state_dict(net.state_dict())
    count = len(learnt["pen"])
    steps, step = ROUNDS * (count // CHARTS), 0
    adam = torch.optim.AdamW(net.parameters(), lr=PACE, weight_decay=1e-3)
    for turn in range(ROUNDS):
        for batch in torch.randperm(count)[: count // CHARTS * CHARTS].split(CHARTS):
            step += 1
            for group in adam.param_groups:
                group["lr"] = PACE * min(1, step / 200) * (0.5 + 0.5 * np.cos(np.pi * step / steps))
            part = {name: each[batch] for name, each in learnt.items()}
            if torch.rand(1) < 0.5:
                part = {name: mirrored(each) if name == "seen" else each.flip(-1)
                        if each.ndim == 3 else each for name, each in part.items()}  # fmt: skip
            far = outside(part, told(net, part))
            pull = torch.where(far < 2, 0.3 * far + far**2 / 2, 2.6 + 2.3 * (far - 2))
            missed = torch.sigmoid((far - 0.9) / 0.2)
            loss = 0.3 * pull + (0.5 + step / steps) * missed
            adam.zero_grad()
            ((loss * part["use"]).sum() / part["use"].sum()).backward()
            adam.step()
            with torch.no_grad():
                for mine, its in zip(kept.parameters(), net.parameters(), strict=True):
                    mine.lerp_(its, 0.003 if step > 1000 else 0.05)
        if held is not None:
            with torch.no_grad():
                far = outside(held, told(kept, held).clamp(min=0))[held["use"] > 0]
            print(f"round {turn + 1}: 95 % within {far.quantile(0.95):.2f} px", flush=True)
    weights = [each.detach().numpy().T for each in kept.parameters()]
    every = (np.asarray(each, np.float16) for each in (mean, deviation, *weights))
    np.savez_compressed(out, *every)


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
