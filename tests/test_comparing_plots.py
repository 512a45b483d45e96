"""The plot set: which plots, their sizes, letters, colours, and what they draw."""

from __future__ import annotations

import io
import re
from functools import cache
from itertools import combinations

import compared_samples as samples
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.patches import Rectangle
from matplotlib.text import Text
from PIL import Image
from skimage.color import deltaE_ciede2000, rgb2lab
from test_comparing_rounds import a_round, compared

from extractor.comparing import plots
from extractor.comparing.whole import Comparison, compare_all

# Machado, Oliveira and Fernandes 2009, severity 1.0, on linear RGB; from memory.
SIGHTS = {
    "normal": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
         [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
         [-0.011820, 0.042940, 0.968881]]
    ),
}  # fmt: skip
MAIN = {"render_size", "frame_rate", "pixel_throughput", "share_at_floor", "battery_temperature",
        "temperature_rise", "power", "energy_a_pixel", "energy_a_frame", "variants",
        "battery_drain", "sustained", "power_throughput", "missing"}  # fmt: skip


@cache
def whole() -> Comparison:
    return compare_all(
        samples.readings(), samples.session(), samples.calibrations(), samples.traces()
    )


def plot(name: str, of: Comparison | None = None) -> plots.Plot:
    (one,) = [each for each in plots.plan(of or whole()) if each.name == name]
    return one


@cache
def drawn(name: str) -> plots._Canvas:
    return draw(name, whole())


def draw(name: str, of: Comparison) -> plots._Canvas:
    import matplotlib as mpl

    one = plot(name, of)
    with mpl.rc_context(plots._settings(plots.STYLES["light"])):
        canvas = plots._Canvas(of, plots.STYLES["light"], one.title)
        one.draw(canvas)
        canvas.figure.canvas.draw()
    return canvas


def texts(canvas: plots._Canvas) -> list[Text]:
    """Every text that is drawn; matplotlib keeps the labels of ticks beyond an axis too."""
    hidden = set()
    for axes in canvas.figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            slack = 1e-9 * (high - low)
            for tick in (*axis.get_major_ticks(), *axis.get_minor_ticks()):
                if not low - slack <= tick.get_loc() <= high + slack:
                    hidden.update((tick.label1, tick.label2))
    return [
        text
        for text in canvas.figure.findobj(Text)
        if text not in hidden and text.get_visible() and text.get_text().strip()
    ]


def linear(rgb: np.ndarray) -> np.ndarray:
    """sRGB 0 to 1 -> linear light (IEC 61966-2-1)."""
    return np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)


def seen(colour: str, sight: str) -> np.ndarray:
    rgb = np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)]) / 255
    light = np.clip(SIGHTS[sight] @ linear(rgb), 0, 1)
    return np.where(light <= 0.0031308, light * 12.92, 1.055 * light ** (1 / 2.4) - 0.055)


# ---------------------------------------------------------------- colours and letters


@pytest.mark.parametrize("sight", SIGHTS)
def test_any_two_colours_differ_by_ciede2000_15_for_every_sight(sight):
    labs = {colour: rgb2lab(seen(colour, sight).reshape(1, 1, 3)) for colour in plots.PALETTE}
    least = min(
        float(deltaE_ciede2000(labs[a], labs[b]).item()) for a, b in combinations(plots.PALETTE, 2)
    )
    assert least >= 15


def test_the_simulation_would_see_red_and_green_as_alike():
    """So that the check above can fail: this red and green are 60 apart for normal sight."""
    a, b = (rgb2lab(seen(c, "deuteranopia").reshape(1, 1, 3)) for c in ("#b05030", "#708020"))
    assert float(deltaE_ciede2000(a, b).item()) < 15


@pytest.mark.parametrize("style", ["light", "dark", "print"])
def test_letters_and_bar_edges_stand_out_from_the_background(style):
    """Contrast by WCAG 2.1: 4.5 for letters, 3 for edges, which are drawn in ink."""
    one = plots.STYLES[style]

    def luminance(colour: str) -> float:
        rgb = np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)]) / 255
        return float(linear(rgb) @ [0.2126, 0.7152, 0.0722])

    assert one.back is not None
    for colour in (one.ink, one.soft):
        high, low = sorted((luminance(colour), luminance(one.back)), reverse=True)
        assert (high + 0.05) / (low + 0.05) >= 4.5


@pytest.mark.parametrize("name", [each.name for each in plots.plan(whole())])
def test_letters_have_28_px_stay_in_the_picture_and_off_each_other(name):
    canvas = drawn(name)
    renderer = canvas.figure.canvas.get_renderer()
    boxes = []
    for text in texts(canvas):
        assert text.get_fontsize() * 100 / 72 >= plots.LETTERS - 1e-6, text.get_text()
        box = text.get_window_extent(renderer)
        assert box.x0 >= 0 and box.y0 >= 0 and box.x1 <= 1920 and box.y1 <= 1080, text.get_text()
        boxes.append((text.get_text(), box))
    for (one, a), (other, b) in combinations(boxes, 2):
        across = min(a.x1, b.x1) - max(a.x0, b.x0)
        down = min(a.y1, b.y1) - max(a.y0, b.y0)
        assert across <= 3 or down <= 8, (one, other)


# ---------------------------------------------------------------- which plots


def test_the_whole_set_is_there():
    names = [each.name for each in plots.plan(whole())]
    assert set(names) >= MAIN
    assert len(names) == len(set(names))
    assert {name for name in names if name.startswith("trace")} == {
        "trace_H1", "trace_H2", "trace_H3_limiter-off", "trace_H3_limiter-on", "trace_H4",
        "trace_H5", "trace_H6",
    }  # fmt: skip
    assert all(each.says for each in plots.plan(whole()))


def test_cards_alone_give_the_main_plots():
    readings = samples.readings()
    kept = readings[readings["layout"].isin(["cards", "battery"])].reset_index(drop=True)
    alone = compare_all(kept, samples.session(), samples.calibrations())
    assert {each.name for each in plots.plan(alone)} >= MAIN


def test_sizes_and_styles_of_the_files():
    one = plot("frame_rate")
    files = {
        name: data for style in plots.STYLES.values()
        for name, data in plots.render(whole(), one, style)
    }  # fmt: skip
    assert set(files) == {
        *(f"frame_rate_{size}_{style}.png" for size in ("1080", "2160")
          for style in ("light", "dark", "transparent")),
        "frame_rate_print.pdf",
    }  # fmt: skip
    for name, data in files.items():
        if name.endswith(".pdf"):
            assert data.startswith(b"%PDF")
            continue
        picture = Image.open(io.BytesIO(data))
        assert picture.size == ((1920, 1080) if "_1080_" in name else (3840, 2160))
        corner = picture.convert("RGBA").getpixel((3, 3))
        assert (corner[3] == 0) == ("transparent" in name)
        if "dark" in name:
            assert max(corner[:3]) < 40


def test_the_same_data_give_the_same_files():
    def files() -> list[tuple[str, bytes]]:
        return [
            each for style in ("light", "print")
            for each in plots.render(whole(), plot("power"), plots.STYLES[style])
        ]  # fmt: skip

    assert files() == files()


# ---------------------------------------------------------------- what is drawn


def bars(canvas: plots._Canvas) -> list[Rectangle]:
    return [each for axes in canvas.figure.axes for each in axes.patches
            if isinstance(each, Rectangle)]  # fmt: skip


def test_the_bars_are_the_figures_in_one_order_and_colour_a_device():
    order = whole().rounds.subjects
    colours: dict[str, tuple[float, ...]] = {}
    for name in ("frame_rate", "power", "energy_a_pixel", "pixel_throughput"):
        found = whole().get(name)
        drawn_bars = bars(drawn(name))
        assert [bar.get_width() for bar in drawn_bars] == pytest.approx(
            [found[subject].value for subject in order]
        )
        for (device, _), bar in zip(order, drawn_bars, strict=True):
            assert colours.setdefault(device, bar.get_facecolor()) == bar.get_facecolor()
    assert len(set(colours.values())) == len(colours) == 6


def test_rounds_stopped_by_heat_are_hatched_and_never_nought():
    canvas = drawn("sustained")
    hatched = [bar for bar in bars(canvas) if bar.get_hatch()]
    assert len(hatched) == 2  # H6 ended early in round 2 and did not run round 3
    assert all(bar.get_height() > 0 for bar in bars(canvas))
    words = " ".join(text.get_text() for text in canvas.figure.findobj(Text))
    assert "not run" in words and "stopped by heat" in words


def test_energies_stand_beside_frame_rate_and_share():
    words = [text.get_text() for text in drawn("energy_a_pixel").figure.findobj(Text)]
    beside = [text for text in words if "nJ/px  (" in text]
    assert len(beside) == 7
    assert all(re.search(r"[\d.]+ fps, [\d.]+ % at the floor", text) for text in beside)
    assert any("H5: thrifty because unplayable" in text for text in words)


def test_one_attempt_is_said_to_measure_no_repeatability():
    words = " ".join(text.get_text() for text in drawn("power").figure.findobj(Text))
    assert "repeatability not measured" in words
    several = compared(
        *(a_round(f"{n}.png", attempt=str(n), watts=5.0 + n) for n in (1, 2)),
        *(a_round(f"x{n}.png", device="H2", attempt=str(n)) for n in (1, 2)),
    )
    again = " ".join(text.get_text() for text in draw("power", several).figure.findobj(Text))
    assert "standard deviation over attempts" in again


def test_the_onset_is_marked_where_the_verdict_says():
    canvas = drawn("trace_H1")
    (verdict,) = [v for v in whole().verdicts if (v.device, v.round) == ("H1", 2)]
    marks = [
        line.get_xdata()[0] for line in canvas.figure.axes[0].lines
        if len(line.get_xdata()) == 2 and line.get_xdata()[0] == line.get_xdata()[1]
    ]  # fmt: skip
    assert marks == [verdict.onset.at_s]
    # Rounds 2 and 3 stand where they began, pauses included (660 and 1319 s in the model).
    starts = sorted(
        float(line.get_xdata()[0]) for line in canvas.figure.axes[0].lines
        if len(line.get_xdata()) > 20
    )  # fmt: skip
    assert starts == pytest.approx([0, 661, 1319], abs=12)


def test_units_are_written_as_people_do():
    words = " ".join(
        text.get_text()
        for name in ("battery_temperature", "battery_drain")
        for text in drawn(name).figure.findobj(Text)
    )
    assert "°C" in words and "mA·h/h" in words
    assert "Cel" not in words


def test_names_with_odd_signs_and_twenty_devices_are_drawn():
    tables = [
        a_round(f"{n}-{k}.png", device=f"$x_{n}$ <b>&", round=str(k), watts=2.0 + n)
        for n in range(20)
        for k in (1, 2)
    ]
    many = compared(*tables)
    for name in ("energy_a_pixel", "sustained", "power_throughput", "missing"):
        draw(name, many)
    words = [text.get_text() for text in draw("power", many).figure.findobj(Text)]
    assert "$x_0$ <b>&" in words


def test_a_figure_that_some_devices_lack_names_them():
    whole_ = compared(a_round(), a_round("b.png", device="H2", watts=float("nan")))
    words = " ".join(text.get_text() for text in draw("power", whole_).figure.findobj(Text))
    assert "Not drawn: H2" in words


def test_drawing_needs_no_screen():
    assert isinstance(drawn("power").figure.canvas, FigureCanvasAgg)


@pytest.mark.parametrize("ground", [0, 255], ids=["black", "white"])
def test_a_line_of_the_transparent_style_shows_over_any_ground(ground):
    """H5's colour is pale, H4's dark: a bright and a dark seam carry both."""
    for name in ("trace_H4", "trace_H5"):
        files = dict(plots.render(whole(), plot(name), plots.STYLES["transparent"]))
        picture = Image.open(io.BytesIO(files[f"{name}_1080_transparent.png"]))
        under = Image.new("RGBA", picture.size, (ground, ground, ground, 255))
        grey = np.asarray(Image.alpha_composite(under, picture).convert("L"), dtype=float)
        axes = drawn(name).figure.axes[0]
        line = max(axes.lines, key=lambda each: len(each.get_xdata()))
        points = axes.transData.transform(np.column_stack(line.get_data()))[2:-2]
        shown = []
        for x, y in points:
            row, column = round(1080 - y), round(x)
            beside = grey[max(0, row - 6) : row + 7, max(0, column - 6) : column + 7]
            shown.append(np.ptp(beside))
        # Of 255: a contrast of 3 : 1 (WCAG 2.1, 1.4.11) is some 90 from black, 110 from white.
        assert np.percentile(shown, 5) >= 110, name


def test_no_number_stands_on_the_line_of_round_1():
    canvas = drawn("sustained")
    axes = canvas.figure.axes[0]
    whole_at = axes.transData.transform((0, 100))[1]
    renderer = canvas.figure.canvas.get_renderer()
    numbers = [text for text in axes.texts if text.get_text().isdigit()]
    assert {"99", "100", "93"} <= {text.get_text() for text in numbers}
    for text in numbers:
        box = text.get_window_extent(renderer)
        assert box.y0 > whole_at or box.y1 < whole_at, text.get_text()
