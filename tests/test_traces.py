"""Charts drawn by matplotlib and gnuplot, read back; charts that must be flagged.

Bounds: at most one sample a column of pixels, median 0.25 px and 95th percentile 1 px across the
line; denser, the same for ``low`` and ``high``. More styles and four more programs:
``studies/study_traces.py``.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import pytest
from drawn_charts import (
    LAYOUT,
    Drawn,
    Spec,
    calibration,
    errors,
    gnuplot_chart,
    hidden_columns,
    matplotlib_chart,
    own_shift,
    rate,
    read,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.datasets import load_diabetes

from extractor.reading import default_reader
from extractor.reading.cascade import FigureReader
from extractor.reading.interface import LineRead, WordAt
from extractor.records import Box, Figure, Found, JudgedTrace, PlotPlace
from extractor.traces import read_traces, settle_trace


@pytest.fixture(scope="module")
def reader() -> FigureReader:
    return default_reader()


def with_gnuplot(spec: Spec) -> Drawn:
    with tempfile.TemporaryDirectory() as folder:
        return gnuplot_chart(spec, folder)


MAKERS = {"matplotlib": matplotlib_chart, "gnuplot": with_gnuplot}
CROSSING = rate(120, 4)
DENSE = rate(2000, 4)
STYLES = {
    "sparse": rate(60, 1),
    "a sample each three columns, dark, JPEG": replace(
        rate(300, 2), dark=True, quality=70, clock=True, suffix=" fps"
    ),
    "dense": rate(3600, 3),
    "filled, JPEG": replace(rate(90, 6), fill=True, quality=70),
    "average in its colour": replace(rate(90, 7), average=True),
    "steps": replace(rate(60, 8), step=True),
    "markers": replace(rate(50, 9, dips=0), dots=True),
    "white on dark": replace(rate(60, 10), dark=True, colour="#ffffff"),
}
ROUNDED = ("gnuplot", "steps")
"""gnuplot draws steps on whole px."""


DRAWN = [(maker, style) for maker in MAKERS for style in STYLES if (maker, style) != ROUNDED]


@pytest.mark.parametrize(("maker", "style"), DRAWN)
def test_a_drawn_series_is_read_back(maker: str, style: str, reader: FigureReader) -> None:
    spec = STYLES[style]
    drawn = MAKERS[maker](spec)
    curve, judged = read(drawn, reader)
    assert not judged.doubts
    pen = spec.width * spec.density
    assert curve.pen == pytest.approx(pen, rel=0.15)
    shift = own_shift(MAKERS[maker], replace(spec, quality=None))
    assert np.hypot(*shift) < 0.8, "the program itself is that far off"
    off = errors(drawn, judged, pen, shift=shift)
    if len(spec.t) <= 300:
        assert np.median(off.across) <= 0.25
        assert np.percentile(off.across, 95) <= 1.0
    else:
        assert np.median(np.concatenate([off.low, off.high])) <= 0.25
        assert np.percentile(np.concatenate([off.low, off.high]), 95) <= 1.0
    assert off.coverage >= 0.99
    assert off.mean <= 0.002


@pytest.mark.parametrize("join", ["round", "bevel", "miter"])
@pytest.mark.parametrize("samples", [1100, 2600])
def test_points_of_dense_lines_end_where_the_line_does(
    join: str, samples: int, reader: FigureReader
) -> None:
    import matplotlib

    spec = replace(rate(samples, 40), width=1.8, colour="#2a7fb8")
    with matplotlib.rc_context({"lines.solid_joinstyle": join}):
        drawn = matplotlib_chart(spec)
    _, judged = read(drawn, reader)
    assert not judged.doubts
    shift = own_shift(matplotlib_chart, spec)
    off = errors(drawn, judged, spec.width * spec.density, shift=shift)
    assert np.median(np.concatenate([off.low, off.high])) <= 0.25
    assert np.percentile(np.concatenate([off.low, off.high]), 95) <= 1.0
    assert off.mean <= 0.002


def test_another_line_that_crosses_hides_few_columns(reader: FigureReader) -> None:
    spec = replace(CROSSING, other=42 + 14 * np.sin(CROSSING.t / 35), colour="#3f8f86",
                   other_colour="#c2612c", quality=70)  # fmt: skip
    drawn = matplotlib_chart(spec)
    _, judged = read(drawn, reader)
    assert not judged.doubts
    off = errors(drawn, judged, 3.0, hidden_columns(drawn, 3.0))
    assert np.median(off.across) <= 0.25
    assert np.percentile(off.across, 95) <= 1.0
    assert off.coverage >= 0.99


def test_a_series_that_ships_with_a_library(reader: FigureReader) -> None:
    """Disease progression of 120 patients: scikit-learn, load_diabetes (Efron and others 2004)."""
    measured = load_diabetes().target[:120]
    spec = Spec(np.linspace(0, 600, 120), measured, (0.0, 400.0), 100.0, size=(1000, 420))
    for maker in MAKERS.values():
        drawn = maker(spec)
        _, judged = read(drawn, reader)
        assert not judged.doubts
        off = errors(drawn, judged, 3.0, shift=own_shift(maker, spec))
        assert np.median(off.across) <= 0.25
        assert np.percentile(off.across, 95) <= 1.0
        assert off.coverage >= 0.99
        assert off.mean <= 0.002
        px = 400 / drawn.plot.h
        high, low = max(filter(None, judged.high)), min(filter(None, judged.low))
        assert high == pytest.approx(measured.max(), abs=2 * px)
        assert low == pytest.approx(measured.min(), abs=2 * px)


def test_a_dip_of_one_sample_survives_and_a_gap_stays_a_gap(reader: FigureReader) -> None:
    spec = rate(200, 11, noise=0.1, dips=0)
    values = spec.v.copy()
    values[60] = 12.0
    values[120:140] = np.nan
    drawn = matplotlib_chart(replace(spec, v=values))
    _, judged = read(drawn, reader)
    assert [doubt.code for doubt in judged.doubts] == ["broken-line"] or not judged.doubts
    assert min(each for each in judged.low if each is not None) == pytest.approx(12, abs=0.6)
    inside = [
        value
        for t, value in zip(judged.t, judged.value, strict=True)
        if spec.t[120] < t < spec.t[139]
    ]
    assert inside and set(inside) == {None}
    beside = [value for t, value in zip(judged.t, judged.value, strict=True) if t < spec.t[118]]
    assert None not in beside


def test_the_same_pixels_give_the_same_trace(reader: FigureReader) -> None:
    drawn = matplotlib_chart(replace(rate(80, 12), quality=70))
    assert read(drawn, reader) == read(drawn, reader)


def test_a_colour_clicked_a_little_beside_is_found(reader: FigureReader) -> None:
    drawn = matplotlib_chart(rate(80, 13))
    _, judged = read(drawn, reader, calibration(drawn, colour="#cf7f55"))
    assert not judged.doubts
    assert np.median(errors(drawn, judged, 3.0).across) <= 0.3


def test_fixed_ranges_need_no_labels_and_take_the_plot_s_own_edges(reader: FigureReader) -> None:
    """A box drawn 1.5 px beside the plot is put on the lines that are drawn there."""
    drawn = matplotlib_chart(rate(80, 14))
    box = drawn.plot
    fixed = calibration(
        drawn, t_labels=None, t_unit=None, value_labels=None, t_range=(0, 600),
        value_range=(0, 80), plot=(box.x + 1.5, box.y - 1.5, box.w - 1.0, box.h + 2.0),
    )  # fmt: skip
    _, judged = read(drawn, reader, fixed)
    assert not judged.doubts
    assert np.median(errors(drawn, judged, 3.0).across) <= 0.25


# ---------------------------------------------------------------- what must be flagged


def label_box(drawn: Drawn, value: float) -> tuple[slice, slice]:
    """Rows and columns of a label of the value axis."""
    low, high = drawn.spec.value_range
    row = drawn.plot.y + drawn.plot.h * (high - value) / (high - low)
    strip = drawn.value_labels
    return slice(int(row) - 11, int(row) + 12), slice(int(strip.x), int(strip.right))


def without(drawn: Drawn, *values: float) -> Drawn:
    """The chart with labels painted over."""
    image = drawn.image.copy()
    for value in values:
        image[label_box(drawn, value)] = image[2, 2]
    return replace(drawn, image=image)


def flags(judged: JudgedTrace) -> set[str]:
    for doubt in judged.doubts:
        assert doubt.why
    return {doubt.code for doubt in judged.doubts}


def test_a_wrong_label_is_left_out_and_named(reader: FigureReader) -> None:
    drawn = matplotlib_chart(rate(60, 20))
    image = drawn.image.copy()
    image[label_box(drawn, 40)] = image[label_box(drawn, 80)]
    _, judged = read(replace(drawn, image=image), reader)
    assert flags(judged) == {"odd-label"}
    assert '"80"' in judged.doubts[0].why
    assert np.median(errors(drawn, judged, 3.0).across) <= 0.25


def test_missing_labels(reader: FigureReader) -> None:
    drawn = matplotlib_chart(rate(60, 21))
    _, judged = read(without(drawn, 0, 20, 40, 60), reader)
    assert flags(judged) == {"no-axis"} and not judged.t
    _, judged = read(without(drawn, 0, 20, 40, 60, 80), reader)
    assert flags(judged) == {"no-axis"} and not judged.t
    _, judged = read(without(drawn, 20, 40, 60), reader)
    assert not judged.doubts, "labels at both ends are enough"
    assert np.median(errors(drawn, judged, 3.0).across) <= 0.25


def test_cut_labels_are_not_read(reader: FigureReader) -> None:
    """A box that cuts the first digit off makes 0 of 60: no such label is taken."""
    drawn = matplotlib_chart(rate(60, 22))
    strip = drawn.value_labels
    image = drawn.image
    ink = (np.abs(image[:, int(strip.x) : int(strip.right)].astype(int) - image[2, 2]) > 90).any(
        axis=(0, 2)
    )
    first = int(strip.x) + int(np.flatnonzero(ink)[0])
    cut = calibration(drawn, value_labels=(first + 7, strip.y, strip.right - first - 7, strip.h))
    _, judged = read(drawn, reader, cut)
    assert "no-axis" in flags(judged) and not judged.t


def test_a_chart_that_is_cut_off_is_not_read(reader: FigureReader) -> None:
    drawn = matplotlib_chart(rate(60, 23))
    layout = calibration(drawn)
    for place, expected in (
        (PlotPlace("rate", None), "not-shown"),
        (PlotPlace("rate", drawn.plot, drawn.t_labels, None, 0.2), "no-axis"),
    ):
        found = Found(LAYOUT, 1.0, Box(0, 0, 9, 9), 1.0, (), (), (place,))
        (curve,) = read_traces(drawn.image, found, layout, reader, {"rate"})
        judged = settle_trace(curve, layout, found)
        assert flags(judged) == {expected} and not judged.t


CASES: dict[str, tuple[Callable[[], Drawn], dict[str, object], str]] = {
    "no line of the colour": (
        lambda: matplotlib_chart(rate(60, 24)), {"colour": "#1d63d8"}, "no-line"),
    "two lines of one colour": (
        lambda: matplotlib_chart(replace(CROSSING, other=42 + 14 * np.sin(CROSSING.t / 35),
                                         other_colour="#c8682f")), {}, "two-lines"),
    "a second line beside it": (
        lambda: matplotlib_chart(replace(CROSSING, other=CROSSING.v - 20,
                                         other_colour="#b85a2a")), {}, "two-lines"),
    "a second line right on it": (
        lambda: matplotlib_chart(replace(CROSSING, other=CROSSING.v - 0.45,
                                         other_colour="#b85a2a")), {}, "two-lines"),
    "a second line right on it, JPEG": (
        lambda: matplotlib_chart(replace(CROSSING, other=CROSSING.v - 0.35, quality=70,
                                         other_colour="#b85a2a")), {}, "two-lines"),
    "a second line right on a dense one": (
        lambda: matplotlib_chart(replace(DENSE, other=DENSE.v - 1.5, other_colour="#b85a2a")),
        {}, "two-lines"),
    "a line that leaves the plot": (
        lambda: matplotlib_chart(replace(rate(60, 25), value_range=(0.0, 50.0), every=10.0)),
        {}, "leaves-plot"),
    "times without a unit": (
        lambda: matplotlib_chart(rate(60, 26)), {"t_unit": None}, "which-mark"),
    "another unit": (
        lambda: matplotlib_chart(replace(rate(60, 27), suffix=" ms")), {}, "other-unit"),
    "a plot that holds no chart": (
        lambda: matplotlib_chart(rate(60, 28)), {"plot": (200.0, 300.0, 300.0, 70.0)}, "no-line"),
}  # fmt: skip


@pytest.mark.parametrize(("style", "quality"), [("--", None), (":", None), ("-.", 70)])
def test_a_line_that_is_dashed_itself_is_called_so(
    style: str, quality: int | None, reader: FigureReader
) -> None:
    import matplotlib

    spec = replace(rate(90, 31), quality=quality)
    with matplotlib.rc_context({"lines.linestyle": style}):
        drawn = matplotlib_chart(spec)
    _, judged = read(drawn, reader)
    (broken,) = (doubt for doubt in judged.doubts if doubt.code == "broken-line")
    assert "is the line dashed?" in broken.why
    assert np.median(errors(drawn, judged, 3.0).across) <= 0.25, "what is seen is right"


@pytest.mark.parametrize("case", CASES)
def test_what_cannot_be_trusted_is_flagged_in_words(case: str, reader: FigureReader) -> None:
    draw, changes, expected = CASES[case]
    drawn = draw()
    _, judged = read(drawn, reader, calibration(drawn, **changes))
    assert expected in flags(judged)


TOUCHING = [
    (samples, quality, pens, colour)
    for samples in (120, 2000)
    for quality in (50, 70, 90)
    for pens, colour in ((-1.1, "#b85a2a"), (0.6, "#a8762c"), (1.2, "#d0503c"))
]


@pytest.mark.parametrize(("samples", "quality", "pens", "colour"), TOUCHING)
def test_lines_of_near_colours_that_touch_are_flagged_in_a_jpeg(
    samples: int, quality: int, pens: float, colour: str, reader: FigureReader
) -> None:
    """The other line lies above or below, overlapping or just not; 12 to 36 code values away."""
    spec = replace(rate(samples, 41), quality=quality, dark=quality == 70)
    px = 80 / (0.8 * spec.size[1] * spec.density)
    apart = pens * spec.width * spec.density * px
    touching = replace(spec, other=spec.v + apart, other_colour=colour)
    _, judged = read(matplotlib_chart(touching), reader)
    assert "two-lines" in flags(judged)


@pytest.mark.parametrize("quality", [None, 80])
def test_a_near_colour_now_above_and_now_below_is_flagged(
    quality: int | None, reader: FigureReader
) -> None:
    spec = replace(rate(2000, 43), quality=quality)
    px = 80 / (0.8 * spec.size[1] * spec.density)
    wave = 1.2 * spec.width * spec.density * px * np.sin(spec.t / 50)
    _, judged = read(
        matplotlib_chart(replace(spec, other=spec.v + wave, other_colour="#d0503c")), reader
    )
    assert "two-lines" in flags(judged)


@pytest.mark.parametrize("colour", ["#cc6b36", "#b8632f", "#c2603b"])
@pytest.mark.parametrize("samples", [120, 2000])
def test_without_loss_no_near_colour_hides(samples: int, colour: str, reader: FigureReader) -> None:
    """Ten code values away, now above and now below from sample to sample."""
    spec = replace(rate(samples, 44), dark=samples == 120)
    px = 80 / (0.8 * spec.size[1] * spec.density)
    noise = np.random.default_rng(45).normal(0, 0.6 * spec.width * spec.density * px, samples)
    pair = replace(spec, other=spec.v + noise, other_colour=colour)
    assert "two-lines" in flags(read(matplotlib_chart(pair), reader)[1])
    assert "two-lines" not in flags(read(matplotlib_chart(spec), reader)[1])


@pytest.mark.parametrize("quality", [50, 80])
@pytest.mark.parametrize("how", ["waves", "own noise"])
@pytest.mark.parametrize("samples", [120, 300])
def test_edges_that_turn_together_too_far_apart_are_two_lines(
    samples: int, how: str, quality: int, reader: FigureReader
) -> None:
    """The form alone tells it, at ten code values and in any coding."""
    spec = replace(rate(samples, 46, noise=0.8), quality=quality, dark=how == "waves")
    css = 0.9 * spec.width * 80 / (0.8 * spec.size[1])
    beside = {
        "waves": 1.3 * css * np.sin(spec.t / 40),
        "own noise": np.random.default_rng(47).normal(0, css, samples),
    }[how]
    pair = replace(spec, other=spec.v + beside, other_colour="#cc6b36")
    assert "two-lines" in flags(read(matplotlib_chart(pair), reader)[1])
    assert "two-lines" not in flags(read(matplotlib_chart(spec), reader)[1])


@pytest.mark.parametrize("quality", [50, 80])
@pytest.mark.parametrize(
    "style", [{}, {"fill": True}, {"average": True}, {"step": True}, {"width": 1.3}]
)
@pytest.mark.parametrize("samples", [90, 1500])
def test_one_line_in_a_jpeg_is_not_taken_for_two(
    samples: int, style: dict[str, object], quality: int, reader: FigureReader
) -> None:
    spec = replace(rate(samples, 42), quality=quality, colour="#4fb3a5", **style)  # type: ignore[arg-type]
    _, judged = read(matplotlib_chart(spec), reader)
    assert "two-lines" not in flags(judged)


def test_rows_at_the_plot_s_edge_carry_the_flag_themselves(reader: FigureReader) -> None:
    drawn = matplotlib_chart(replace(rate(60, 25), value_range=(0.0, 50.0), every=10.0))
    _, judged = read(drawn, reader)
    true = np.interp(judged.t, drawn.spec.t, drawn.spec.v)
    marked = np.array([bool(flag) for flag in judged.flags])
    seen = np.array([value is not None for value in judged.value])
    assert (seen & (true > 50.3)).sum() > 5
    assert marked[seen & (true > 50.3)].all()
    assert not marked[true < 44.0].any(), "but for steep stretches that come from the edge"


def test_a_logarithmic_chart_is_refused(reader: FigureReader) -> None:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    spec = rate(60, 29)
    figure = Figure(figsize=(9, 5), dpi=110)
    canvas = FigureCanvasAgg(figure)
    axes = figure.add_axes((0.12, 0.12, 0.85, 0.83))
    axes.semilogy(spec.t, spec.v, color=spec.colour, lw=2)
    axes.set(xlim=(0, 600), ylim=(1, 1000))
    axes.set_xticks(spec.t_ticks, [spec.time_label(t) for t in spec.t_ticks])
    axes.set_yticks([1, 10, 100, 1000], ["1", "10", "100", "1000"])
    axes.grid()
    canvas.draw()
    image = np.asarray(canvas.buffer_rgba())[..., :3].copy()
    box = axes.get_window_extent()
    drawn = Drawn(spec, image, Box(box.x0, image.shape[0] - box.y1, box.width, box.height))
    _, judged = read(drawn, reader)
    assert "log-axis" in flags(judged) and not judged.t


# ---------------------------------------------------------------- other places of the labels


def with_labels(place: str) -> tuple[Drawn, dict[str, object]]:
    """A chart labelled to its right, or inside its plot right above the grid lines."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    spec = rate(80, 30)
    figure = Figure(figsize=(9, 4.5), dpi=110)
    canvas = FigureCanvasAgg(figure)
    axes = figure.add_axes((40.49 / 990, 60.51 / 495, 870 / 990, 400 / 495))
    axes.plot(spec.t, spec.v, color=spec.colour, lw=2)
    axes.set(xlim=(0, 600), ylim=(0, 80))
    axes.set_xticks(spec.t_ticks, [f"{t / 60:g} min" for t in spec.t_ticks])
    axes.grid(color="#dddddd", lw=0.65)
    if place == "right":
        axes.yaxis.tick_right()
        axes.set_yticks(spec.value_ticks, [f"{v:g}°" for v in spec.value_ticks])
    else:
        axes.set_yticks(spec.value_ticks, [""] * 5)
        axes.tick_params(length=0)
        for v in spec.value_ticks[:4]:
            axes.text(6, v + 1, f"{v:g} fps", fontsize=9, color="#555555")
    canvas.draw()
    image = np.asarray(canvas.buffer_rgba())[..., :3].copy()
    box = axes.get_window_extent()
    plot = Box(box.x0, image.shape[0] - box.y1, box.width, box.height)
    beside = (plot.right + 6, plot.y - 12, 60.0, plot.h + 24)
    over = (plot.x + 3, plot.y + 3, 80.0, plot.h - 4)
    changes: dict[str, object] = {"value_labels": beside if place == "right" else over,
                                  "t_unit": None}  # fmt: skip
    if place == "right":
        changes |= {"quantity": "temperature", "unit": "Cel", "sensor": "chip"}
    return Drawn(spec, image, plot), changes


@pytest.mark.parametrize("place", ["right", "inside"])
def test_labels_to_the_right_or_inside_the_plot(place: str, reader: FigureReader) -> None:
    drawn, changes = with_labels(place)
    curve, judged = read(drawn, reader, calibration(drawn, **changes))
    assert not judged.doubts
    assert [label.beside for label in curve.t_labels][1] == "2 min"
    off = errors(drawn, judged, 3.05)
    assert np.median(off.across) <= 0.25
    assert np.percentile(off.across, 95) <= 1.0


# ---------------------------------------------------------------- what is no chart at all


class BlindReader:
    """Reads nothing, quickly."""

    def read_line(self, crop: object) -> LineRead:
        return LineRead("")

    def read_figures(self, crops: Sequence[object], kind: str = "number") -> list[Figure]:
        return [Figure("", 0.0) for _ in crops]

    def find_words(self, image: object) -> list[WordAt]:
        return []


@settings(max_examples=150, deadline=None)
@given(
    st.integers(0, 2**32 - 1),
    st.sampled_from(["noise", "flat", "bars", "specks"]),
    st.sampled_from(["#c85a28", "#ffffff", "#000000", "#808080"]),
)
def test_no_picture_ends_the_batch_or_makes_a_released_series(
    seed: int, kind: str, colour: str
) -> None:
    """Also plots of a few px, at the very edge. Bars of the colour are flagged, whatever else."""
    rng = np.random.default_rng(seed)
    height, width = rng.integers(4, 120, 2)
    image = np.full((height, width, 3), rng.integers(0, 256, 3), np.uint8)
    if kind == "noise":
        image = rng.integers(0, 256, (height, width, 3)).astype(np.uint8)
    elif kind == "bars":
        image[:, width // 2] = image[height // 3] = (200, 90, 40)
    elif kind == "specks":
        image[rng.random((height, width)) < 0.3] = (200, 90, 40)
    w, h = rng.uniform(1, width), rng.uniform(1, height)
    box = Box(rng.uniform(0, width - w), rng.uniform(0, height - h), w, h)
    drawn = Drawn(rate(10, 1), image, box)
    strip = (0.0, 0.0, 4.0, 4.0)
    layout = calibration(drawn, colour=colour, t_labels=strip, value_labels=strip)
    place = PlotPlace("rate", box, box, box, 0.1)
    found = Found(LAYOUT, 1.0, box, 1.0, (), (), (place,))
    (curve,) = read_traces(image, found, layout, BlindReader(), {"rate"})
    assert len(curve.middles) == len(curve.uppers) == len(curve.lowers) == len(curve.states)
    judged = settle_trace(curve, layout, found)
    assert flags(judged) & {"no-axis", "no-line"} and not judged.t


def test_two_lines_of_near_hues_are_told_apart_where_both_are_calibrated(
    reader: FigureReader,
) -> None:
    spec = replace(CROSSING, other=42 + 14 * np.sin(CROSSING.t / 35), dark=True, quality=70,
                   density=2.0, colour="#4fb3a5", other_colour="#2f6f9f")  # fmt: skip
    drawn = matplotlib_chart(spec)
    alone = calibration(drawn)
    _, judged = read(drawn, reader, alone)
    assert flags(judged) == {"two-lines"}
    (first,) = alone.trace
    second = first.model_copy(update={"name": "other", "colour": spec.other_colour})
    assert spec.other is not None
    other = replace(drawn, spec=replace(spec, v=spec.other, other=spec.v))
    for traces, truth in (((first, second), drawn), ((second, first), other)):
        both = alone.model_copy(update={"trace": traces})
        _, judged = read(drawn, reader, both)
        assert not judged.doubts
        off = errors(truth, judged, 4.0, hidden_columns(truth, 4.0))
        assert np.median(off.across) <= 0.25
        assert np.percentile(off.across, 95) <= 1.0
        assert off.coverage >= 0.97, "near a crossing JPEG mixes near hues: gaps are left there"
