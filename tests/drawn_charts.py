"""Charts drawn by others from a known series: matplotlib and gnuplot; where the plot lies, too.

Boxes are px of the picture, (0, 0) at its upper left corner. Browser libraries:
``studies/browser_charts.py``.
"""

from __future__ import annotations

import io
import subprocess
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from PIL import Image
from tools import need

from extractor.calibration.model import Calibration, Landmark, Marks, Readout, Trace
from extractor.reading.cascade import FigureReader
from extractor.records import Box, Found, JudgedTrace, PlotPlace, TraceRead
from extractor.traces import read_traces, settle_trace


@dataclass(frozen=True)
class Spec:
    """What to draw. ``t`` in s; ``width`` of the line and ``size`` in CSS px, drawn ``density``
    times as large. ``clock``: time labels like 2:30, else minutes alone. ``suffix`` stands behind
    the labels of values. ``quality`` of a JPEG with chroma at half the resolution, or None: PNG.
    """

    t: np.ndarray
    v: np.ndarray
    value_range: tuple[float, float] = (0.0, 80.0)
    every: float = 20.0
    t_end: float = 600.0
    t_every: float = 120.0
    colour: str = "#c2612c"
    width: float = 2.0
    dark: bool = False
    fill: bool = False
    average: bool = False
    other: np.ndarray | None = None
    other_colour: str = "#2f6f9f"
    dots: bool = False
    step: bool = False
    grid: bool = True
    size: tuple[int, int] = (640, 300)
    density: float = 1.5
    clock: bool = False
    suffix: str = ""
    quality: int | None = None

    @property
    def clock_form(self) -> str | None:
        return "m:s" if self.clock else "min"

    def time_label(self, t: float) -> str:
        return f"{int(t) // 60}:{int(t) % 60:02}" if self.clock else f"{t / 60:g}"

    @property
    def t_ticks(self) -> list[float]:
        return [float(t) for t in np.arange(0, self.t_end + 1, self.t_every)]

    @property
    def value_ticks(self) -> list[float]:
        low, high = self.value_range
        return [float(v) for v in np.arange(low, high + self.every / 2, self.every)]

    @property
    def ink(self) -> tuple[str, str, str]:
        """Ground, letters, grid."""
        return ("#1b1e26", "#c9ccd6", "#3a3f4d") if self.dark else ("#ffffff", "#44474f", "#dcdee3")

    @property
    def polyline(self) -> tuple[np.ndarray, np.ndarray]:
        """The line as drawn: with steps where it has them."""
        if not self.step:
            return self.t, self.v
        return np.repeat(self.t, 2)[1:], np.repeat(self.v, 2)[:-1]


@dataclass(frozen=True)
class Drawn:
    """A chart with the box of its plot; RGB uint8."""

    spec: Spec
    image: np.ndarray
    plot: Box

    def coded(self) -> Drawn:
        """As the capture's coder leaves it."""
        if self.spec.quality is None:
            return self
        data = io.BytesIO()
        Image.fromarray(self.image).save(data, "JPEG", quality=self.spec.quality, subsampling=2)
        return replace(self, image=np.asarray(Image.open(data).convert("RGB")))

    @property
    def t_labels(self) -> Box:
        """The strip of labels below the plot, without the ticks."""
        reach = 30 * self.spec.density
        top = self.plot.bottom + 5 * self.spec.density
        left = max(1.0, self.plot.x - reach)
        right = min(self.image.shape[1] - 1.0, self.plot.right + reach)
        return Box(left, top, right - left, min(self.image.shape[0] - 1 - top, reach))

    @property
    def value_labels(self) -> Box:
        """The strip of labels to the left of the plot, without the ticks."""
        top = max(1.0, self.plot.y - 9 * self.spec.density)
        bottom = min(self.image.shape[0] - 1.0, self.plot.bottom + 8 * self.spec.density)
        return Box(1, top, self.plot.x - 6 * self.spec.density - 1, bottom - top)


def rate(n: int, seed: int, noise: float = 0.6, dips: int = 4, t_end: float = 600.0) -> Spec:
    """A frame rate that steps down as a device throttles, with noise and dips of one sample."""
    rng = np.random.default_rng(seed)
    t = np.linspace(0, t_end, n)
    fall = rng.uniform(0.35, 0.6) * t_end
    v = 59.5 - rng.uniform(8, 20) / (1 + np.exp(-(t - fall) / 15)) - 4 * (t > 0.8 * t_end)
    v += rng.normal(0, noise, n)
    for at in rng.integers(2, n - 2, dips):
        v[at] -= rng.uniform(6, 30)
    return Spec(t, np.clip(v, 3, 78), t_end=t_end)


# ---------------------------------------------------------------- makers


def matplotlib_chart(spec: Spec) -> Drawn:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    ground, letters, grid = spec.ink
    dpi = 72 * spec.density  # so that a point is a CSS px
    figure = Figure(figsize=(spec.size[0] / 72, spec.size[1] / 72), dpi=dpi, facecolor=ground)
    canvas = FigureCanvasAgg(figure)
    # Edges in the middle of pixels (a hair off, for the rounding): lines along them go there.
    wide, high = (side * spec.density for side in spec.size)
    left, foot = int(0.11 * wide) + 0.49, int(0.14 * high) + 0.51
    edges = (left / wide, foot / high, int(0.85 * wide) / wide, int(0.8 * high) / high)
    axes = figure.add_axes(edges, facecolor=ground)
    if spec.other is not None:
        axes.plot(spec.t, spec.other, color=spec.other_colour, lw=spec.width, zorder=3)
    how = "steps-post" if spec.step else "default"
    axes.plot(spec.t, spec.v, color=spec.colour, lw=spec.width, zorder=4, drawstyle=how, snap=False,
              marker="o" if spec.dots else None, ms=3 * spec.width)  # fmt: skip
    if spec.fill:
        axes.fill_between(spec.t, spec.v, spec.value_range[0], color=spec.colour, alpha=0.22, lw=0,
                          step="post" if spec.step else None)  # fmt: skip
    if spec.average:
        axes.axhline(spec.v.mean(), color=spec.colour, ls="--", lw=1)
    axes.set(xlim=(0, spec.t_end), ylim=spec.value_range)
    axes.set_xticks(spec.t_ticks, [spec.time_label(t) for t in spec.t_ticks])
    axes.set_yticks(spec.value_ticks, [f"{v:g}{spec.suffix}" for v in spec.value_ticks])
    axes.tick_params(colors=letters, labelsize=10)
    for side in axes.spines.values():
        side.set_color(letters)
    axes.set_axisbelow(True)
    if spec.grid:
        axes.grid(color=grid, lw=1 / spec.density)
    canvas.draw()
    image = np.asarray(canvas.buffer_rgba())[..., :3].copy()
    box = axes.get_window_extent()
    return Drawn(spec, image, Box(box.x0, image.shape[0] - box.y1, box.width, box.height)).coded()


_GNUPLOT = """
set terminal pngcairo size {w},{h} enhanced background rgb "{ground}" font "Sans,{font}" fontscale 1
set output "{out}"
set lmargin at screen 0.11; set rmargin at screen 0.96
set bmargin at screen 0.14; set tmargin at screen 0.94
unset key
set border 3 lc rgb "{letters}" lw {thin}
set tics nomirror out tc rgb "{letters}"
set xtics ({xtics})
set ytics ({ytics})
{grid}
set xrange [0:{t_end}]; set yrange [{low}:{high}]
plot {parts}
print GPVAL_TERM_XMIN, GPVAL_TERM_XMAX, GPVAL_TERM_YMIN, GPVAL_TERM_YMAX
"""


def gnuplot_chart(spec: Spec, folder: str) -> Drawn:
    """Draw with gnuplot in an empty ``folder``; skips the test where it is not installed."""
    program = need("gnuplot")
    ground, letters, grid = spec.ink
    table = np.column_stack([spec.t, spec.v, spec.v if spec.other is None else spec.other])
    np.savetxt(f"{folder}/data.txt", table, fmt="%.9g")
    width = spec.width * spec.density
    how = "steps" if spec.step else "lines"
    parts = []
    if spec.fill:
        style = "fillsteps" if spec.step else "filledcurves y1=0"
        parts.append(f'"{folder}/data.txt" using 1:2 with {style} fs transparent solid 0.22 '
                     f'noborder lc rgb "{spec.colour}"')  # fmt: skip
    if spec.other is not None:
        parts.append(f'"{folder}/data.txt" using 1:3 with lines lw {width} '
                     f'lc rgb "{spec.other_colour}"')  # fmt: skip
    parts.append(f'"{folder}/data.txt" using 1:2 with {how} lw {width} lc rgb "{spec.colour}"')
    if spec.dots:
        parts.append(f'"{folder}/data.txt" using 1:2 with points pt 7 ps {0.25 * width} '
                     f'lc rgb "{spec.colour}"')  # fmt: skip
    if spec.average:
        parts.append(f'{spec.v.mean()} with lines dt (12,8) lw {width / 2} lc rgb "{spec.colour}"')
    script = _GNUPLOT.format(
        w=round(spec.size[0] * spec.density), h=round(spec.size[1] * spec.density),
        ground=ground, letters=letters, font=9 * spec.density, thin=spec.density,
        out=f"{folder}/chart.png",
        xtics=", ".join(f'"{spec.time_label(t)}" {t}' for t in spec.t_ticks),
        ytics=", ".join(f'"{v:g}{spec.suffix}" {v}' for v in spec.value_ticks),
        grid=f'set grid lc rgb "{grid}" lt 1 lw {spec.density}' if spec.grid else "",
        t_end=spec.t_end, low=spec.value_range[0], high=spec.value_range[1],
        parts=", ".join(parts),
    )  # fmt: skip
    ran = subprocess.run([program], input=script, capture_output=True, text=True, check=True)
    x0, x1, y0, y1 = map(float, ran.stderr.split()[-4:])
    image = np.asarray(Image.open(f"{folder}/chart.png").convert("RGB"))
    # It counts from the middle of the lower left pixel (fitted to lines of known place).
    box = Box(x0 + 0.5, image.shape[0] - y1 - 0.5, x1 - x0, y1 - y0)
    return Drawn(spec, image, box).coded()


# ---------------------------------------------------------------- reading them


LAYOUT = "drawncharts"


def calibration(
    drawn: Drawn, *, readouts: tuple[Readout, ...] = (), **changes: object
) -> Calibration:
    """The calibration a person would make of this very picture; ``changes`` are of the trace."""
    height, width = drawn.image.shape[:2]

    def listed(box: Box) -> tuple[float, float, float, float]:
        return (box.x, box.y, box.w, box.h)

    entry: dict[str, object] = {
        "name": "rate", "quantity": "frame_rate", "unit": "fps", "plot": listed(drawn.plot),
        "colour": drawn.spec.colour, "t_labels": listed(drawn.t_labels),
        "t_unit": drawn.spec.clock_form, "value_labels": listed(drawn.value_labels),
    }  # fmt: skip
    entry |= changes
    usual = Readout(name="rate_now", kind="number", quantity="frame_rate", unit="fps",
                    box=(0, 0, 10, 10))  # fmt: skip
    return Calibration(
        format=1, id=LAYOUT, name="drawn", shows="a chart of the tests", drawn_on=(width, height),
        marks=Marks(decimal=".", thousands="none"),
        landmark=(Landmark(name="head", sort="word", box=(0, 0, 10, 10), word="rate"),),
        readout=readouts or (usual,),
        trace=(Trace.model_validate({k: v for k, v in entry.items() if v is not None}),),
    )  # fmt: skip


def read(
    drawn: Drawn, reader: FigureReader, whole: Calibration | None = None
) -> tuple[TraceRead, JudgedTrace]:
    """Read the chart as if located exactly."""
    layout = whole or calibration(drawn)
    trace = layout.trace[0]

    def box(listed: tuple[float, float, float, float] | None) -> Box | None:
        return None if listed is None else Box(*listed)

    place = PlotPlace(
        trace.name, box(trace.plot), box(trace.t_labels), box(trace.value_labels), 0.2
    )
    found = Found(LAYOUT, 1.0, Box(0, 0, 10, 10), 1.0, (), (), (place,))
    (curve,) = read_traces(drawn.image, found, layout, reader, {trace.name})
    return curve, settle_trace(curve, layout, found)


# ---------------------------------------------------------------- how near to the truth


@dataclass(frozen=True)
class Errors:
    """All in px but ``mean`` (share of the axis' span) and ``coverage``.

    ``across``: from the point read to the true line, measured across it. ``low`` and ``high``:
    outside of what is true between the column itself and the reach of half the line's width.
    """

    across: np.ndarray
    low: np.ndarray
    high: np.ndarray
    mean: float
    coverage: float


def errors(
    drawn: Drawn,
    judged: JudgedTrace,
    pen: float,
    hidden: np.ndarray | None = None,
    shift: tuple[float, float] = (0.0, 0.0),
) -> Errors:
    """Hold a trace against what was drawn; ``hidden`` are columns that need not be covered.

    ``shift`` is how far (x, y) the chart's own grid stands from where its data are drawn, px.
    """
    spec, plot = drawn.spec, drawn.plot
    low_end, high_end = spec.value_range
    true_t, true_v = spec.polyline
    x = plot.x + plot.w * true_t / spec.t_end
    y = plot.y + plot.h * (high_end - true_v) / (high_end - low_end)

    def row(values: tuple[float | None, ...]) -> np.ndarray:
        numbers = np.array([np.nan if each is None else each for each in values])
        return shift[1] + plot.y + plot.h * (high_end - numbers) / (high_end - low_end)

    px = shift[0] + plot.x + plot.w * np.array(judged.t) / spec.t_end
    middle, low, high = row(judged.value), row(judged.low), row(judged.high)
    seen = np.isfinite(middle)
    own, reach = _extremes(x, y, px, 0.5), _extremes(x, y, px, 0.5 + pen / 2)
    begin, end = max(x[0], plot.x), min(x[-1], plot.right)
    columns = np.arange(np.ceil(begin - 0.5), np.ceil(end - 0.5)) + 0.5
    wanted = np.ones(len(columns), bool)
    if hidden is not None:
        wanted = ~np.isin(np.floor(columns), hidden)
    have = np.isin(np.round(columns), np.round(px[seen])) | np.array(
        [bool(np.any(np.abs(px[seen] - at) < 0.75)) for at in columns]
    )
    both = (columns >= begin) & (columns <= end)
    fine = np.linspace(begin, end, 200_000)
    truth = float(np.interp(fine, x, y).mean())
    return Errors(
        across=_across(x, y, px[seen], middle[seen]),
        low=_outside(low[seen], own[1][seen], reach[1][seen]),
        high=_outside(high[seen], reach[0][seen], own[0][seen]),
        mean=abs(float(middle[seen].mean()) - truth) / plot.h,
        coverage=float((have & wanted & both).sum() / (wanted & both).sum()),
    )


def hidden_columns(drawn: Drawn, pen: float) -> np.ndarray | None:
    """Columns in which another line runs over the line or right beside it."""
    spec = drawn.spec
    if spec.other is None:
        return None
    x = drawn.plot.x + drawn.plot.w * spec.t / spec.t_end
    columns = np.arange(int(drawn.plot.x), int(drawn.plot.right) + 1)
    apart = np.abs(np.interp(columns + 0.5, x, spec.v) - np.interp(columns + 0.5, x, spec.other))
    span = spec.value_range[1] - spec.value_range[0]
    return columns[apart * drawn.plot.h / span < 1.5 * pen + 1]


def _extremes(x: np.ndarray, y: np.ndarray, at: np.ndarray, half: float) -> np.ndarray:
    """Least and greatest y of the polyline within ``half`` px of each place."""
    ends = np.interp(at - half, x, y), np.interp(at + half, x, y)
    least, most = np.minimum(*ends), np.maximum(*ends)
    first, last = np.searchsorted(x, at - half), np.searchsorted(x, at + half)
    for place, (begin, end) in enumerate(zip(first, last, strict=True)):
        if end > begin:
            least[place] = min(least[place], y[begin:end].min())
            most[place] = max(most[place], y[begin:end].max())
    return np.array([least, most])


def _outside(found: np.ndarray, least: np.ndarray, most: np.ndarray) -> np.ndarray:
    return np.maximum(0, np.maximum(least - found, found - most))


def _across(x: np.ndarray, y: np.ndarray, px: np.ndarray, py: np.ndarray) -> np.ndarray:
    """Distance of points to a polyline, px."""
    out = np.empty(len(px))
    for place, (at, height) in enumerate(zip(px, py, strict=True)):
        begin = max(0, np.searchsorted(x, at - 12) - 1)
        piece = slice(begin, np.searchsorted(x, at + 12) + 1)
        ax, ay = x[piece][:-1], y[piece][:-1]
        dx, dy = np.diff(x[piece]), np.diff(y[piece])
        length = np.maximum(dx**2 + dy**2, 1e-12)
        share = np.clip(((at - ax) * dx + (height - ay) * dy) / length, 0, 1)
        out[place] = np.hypot(ax + share * dx - at, ay + share * dy - height).min()
    return out


Maker = Callable[[Spec], Drawn]


def own_shift(maker: Maker, spec: Spec) -> tuple[float, float]:
    """How far a maker puts its grid from its data, px (x, y): many align grids to whole px.

    Measured without the reader: a chart of an even line, the grid's rows and columns by their
    brightness alone, against where the maker says its data's axes are.
    """
    level = (spec.value_range[0] + 0.5 * spec.every) * np.ones(2)
    even = Spec(
        np.array([0.0, spec.t_end]), level, spec.value_range, spec.every, spec.t_end, spec.t_every,
        size=spec.size, density=spec.density, dark=spec.dark, clock=spec.clock, suffix=spec.suffix,
    )  # fmt: skip
    drawn = maker(even)
    light = drawn.image.astype(float).mean(axis=2)
    plot, reach = drawn.plot, 1.5 * spec.density + 1
    inside_y = slice(int(plot.y + 0.03 * plot.h), int(plot.y + 0.1 * plot.h))
    inside_x = slice(int(plot.x + 0.02 * plot.w), int(plot.x + 0.1 * plot.w))
    low, high = spec.value_range
    rows = [plot.y + plot.h * (high - v) / (high - low) for v in spec.value_ticks[1:-1]]
    columns = [plot.x + plot.w * t / spec.t_end for t in spec.t_ticks[1:-1]]
    down = [_middle(light[:, inside_x].mean(axis=1), at, reach) - at for at in rows]
    along = [_middle(light[inside_y].mean(axis=0), at, reach) - at for at in columns]
    return float(np.median(along)), float(np.median(down))


def _middle(profile: np.ndarray, near: float, reach: float) -> float:
    places = np.arange(int(near - reach), int(near + reach) + 1)
    off = np.abs(profile[places] - np.median(profile))
    return float((off * (places + 0.5)).sum() / off.sum())
