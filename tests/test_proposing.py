"""Proposals: figures told from labels, meanings, marks, boxes, landmarks, charts, relations."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from drawn_figures import font
from drawn_layouts import DARK, LIGHT, OUTLINED, calibration, draw, letters, panel, scene
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageDraw

from extractor.calibration import parse_pattern, save
from extractor.calibration.model import Calibration, Marks, Readout
from extractor.captures import Candidate
from extractor.errors import CaptureError
from extractor.proposing import (
    Shown,
    Trials,
    fit_relations,
    infer_marks,
    open_capture,
    propose,
    vocabulary,
)
from extractor.proposing.charts import find_axes, find_charts
from extractor.proposing.checking import check
from extractor.proposing.lexicon import meaning, unit_of
from extractor.proposing.pieces import Figure, _mended, find_pieces
from extractor.reading import default_reader
from extractor.reading.interface import WordAt
from extractor.records import Box, Capture, Reading
from extractor.values import parse

SAMPLES = Path(__file__).resolve().parents[1] / "sample_frames"


def shown(image: np.ndarray, name: str = "drawn.png") -> Shown:
    height, width = image.shape[:2]
    capture = Capture(name, Path(name), f"{hash(image.tobytes()):x}", "still", width, height)
    return Shown(capture, np.ascontiguousarray(image))


def written(image: np.ndarray, text: str, x: float, y: float, size: float) -> None:
    """Write ``text`` with its baseline at (x, y)."""
    picture = Image.fromarray(image)
    face = font("matplotlib/DejaVuSans.ttf", size)
    ImageDraw.Draw(picture).text((x, y), text, font=face, fill=(20, 22, 30), anchor="ls")
    image[:] = np.asarray(picture)


def paper(width: int = 900, height: int = 500) -> np.ndarray:
    return np.full((height, width, 3), 236, np.uint8)


# ---------------------------------------------------------------- words and units


@pytest.mark.parametrize(
    ("words", "quantity", "statistic", "sensor"),
    [
        ("mean power", "power", "mean", None),
        ("slowest second", "frame_rate", "lowest", None),
        ("1 % low", "frame_rate", "low_1_percent", None),
        ("battery, warmest", "temperature", "highest", "battery"),
        ("chip temp", "temperature", "", "chip"),
        ("level before", "level", "start", None),
        ("to level", "level", "end", None),
        ("time at 45 fps or more", "share_at_floor", "", None),
        ("Resolution", "render_size", "", None),
        ("hours:min", "duration", "", None),
        ("Slate, drag to move", "", "", None),
        ("Minutes", "duration", "", None),
    ],
)
def test_words_say_what_is_measured(
    words: str, quantity: str, statistic: str, sensor: str | None
) -> None:
    said = meaning(words)
    assert (said.quantity, said.statistic, said.sensor) == (quantity, statistic, sensor)


@pytest.mark.parametrize(
    ("drawn", "unit"),
    [("w", "W"), ("mA·h", "mA.h"), ("mA · h", "mA.h"), ("°℃", "Cel"), ("MHZ", "MHz"),
     ("cd/m°", "cd/m2"), ("fps", "fps"), ("mA", "mA"), ("rate", ""), ("", "")],
)  # fmt: skip
def test_units_are_told_as_readers_give_them(drawn: str, unit: str) -> None:
    assert unit_of(drawn) == unit


def test_every_choice_of_the_page_is_a_readout_that_a_calibration_may_hold() -> None:
    base = calibration(panel()).model_dump(exclude_none=True)
    for entry in vocabulary():
        units, names = entry["units"], entry["names"]
        assert isinstance(units, list)
        assert isinstance(names, dict)
        kind = {"render_size": "size", "outcome": "word"}.get(str(entry["quantity"]), "number")
        readout = base["readout"][0] | {
            "name": names["now"],
            "kind": kind,
            "quantity": entry["quantity"],
            "statistic": entry["usual"],
            "unit": units[0],
        }
        if entry["sensor"]:
            readout["sensor"] = entry["sensor"]
        Calibration.model_validate(base | {"readout": [readout]})


# ---------------------------------------------------------------- marks


@pytest.mark.parametrize(
    ("numbers", "decimal", "thousands"),
    [
        (["52,58", "31.552", "1.120"], ",", "."),
        (["60.2", "1150"], ".", "none"),
        (["4.239", "56.0", "812"], ".", None),
        (["0.512"], ".", None),
        (["1,204,512.5"], ".", ","),
        (["1'204", "3.5"], ".", "'"),
        (["-4,512", "7"], None, None),
        (["4.512"], None, None),
        (["98", "64"], None, None),
        ([], None, None),
        (["4,512", "4.51"], ".", ","),
    ],
)
def test_marks_are_what_all_figures_allow(
    numbers: list[str], decimal: str | None, thousands: str | None
) -> None:
    marks, questions = infer_marks(numbers, [], [])
    assert (marks.decimal, marks.thousands) == (decimal, thousands)
    assert [each.about for each in questions] == ([] if decimal else ["marks.decimal"])


def test_a_figure_that_can_be_read_two_ways_is_asked_with_both_readings() -> None:
    _, (question,) = infer_marks(["4,512"], [], [])
    assert "4,512" in question.ask
    assert {words.split()[0] for _, words in question.choices} == {"4.512", "4512"}


@pytest.mark.parametrize(
    ("texts", "labels", "form", "asked"),
    [
        (["10:00"], [], None, True),
        (["10:00"], ["h:m"], "h:m", False),
        (["10:00", "74:10"], [], "m:s", False),
        (["1:02:03"], [], "h:m:s", False),
        (["1 h 20 min"], [], "units", False),
    ],
)
def test_durations_are_asked_unless_something_tells(
    texts: list[str], labels: list[str], form: str | None, asked: bool
) -> None:
    marks, questions = infer_marks(["1.5"], texts, labels)
    assert marks.duration == form
    assert bool(questions) == asked


@st.composite
def layouts_of_numbers(draw_: st.DrawFn) -> tuple[list[str], list[float], str, str]:
    """Figures as one layout writes them: texts, values, decimal and thousands mark."""
    decimal = draw_(st.sampled_from(".,"))
    thousands = draw_(st.sampled_from([each for each in ("none", ",", ".", " ", "'")
                                       if each != decimal]))  # fmt: skip
    texts, values = [], []
    for _ in range(draw_(st.integers(1, 8))):
        whole = draw_(st.integers(0, 3_000_000))
        places = draw_(st.integers(0, 3))
        fraction = draw_(st.integers(0, 10**places - 1)) if places else 0
        shown_whole = f"{whole:,}".replace(",", thousands if thousands != "none" else "")
        texts.append(shown_whole + (f"{decimal}{fraction:0{places}d}" if places else ""))
        values.append(float(f"{whole}.{fraction:0{places}d}") if places else float(whole))
    return texts, values, decimal, thousands


@given(layouts_of_numbers())
def test_marks_that_are_stated_never_turn_a_figure(
    case: tuple[list[str], list[float], str, str],
) -> None:
    texts, values, decimal, _ = case
    marks, _ = infer_marks(texts, [], [])
    if marks.decimal is None:
        return
    assert marks.decimal == decimal
    readout = Readout(name="any", kind="number", quantity="other")
    for text, value in zip(texts, values, strict=True):
        (read,) = parse(text, readout, marks)
        assert read.value == value


# ---------------------------------------------------------------- charts


def axis_label(text: str, x: float, y: float) -> Figure:
    return Figure(text, "number", Box(x, y, 12.0 * len(text), 18), "", x, x, "", inline=False)


def test_axes_are_numbers_in_equal_steps_and_a_plot_lies_between_them() -> None:
    up = [axis_label(str(n), 60 - 12 * len(str(n)), 400 - 3 * n) for n in (100, 80, 60, 40, 20, 0)]
    across = [axis_label(str(n), 80 + 50 * n, 430) for n in range(0, 11, 2)]
    table = [axis_label(text, 800, 60 * at) for at, text in enumerate(("52", "20", "61", "36"))]
    image = paper(900, 500)
    image[300:303, 86:590] = (194, 97, 44)
    found_across, found_up = find_axes([*table, *across, *up])
    assert [each.values for each in found_across] == [(0, 2, 4, 6, 8, 10)]
    assert [each.values for each in found_up] == [(100, 80, 60, 40, 20, 0)]
    (chart,) = find_charts(image, found_across, found_up)
    assert chart.colours == ("#c2612c",)
    assert chart.plot.y == pytest.approx(109, abs=1)
    assert chart.plot.bottom == pytest.approx(409, abs=1)


def test_a_column_of_figures_is_no_axis() -> None:
    column = [axis_label(text, 800, 60 * at) for at, text in enumerate(("52", "20", "61", "36"))]
    assert find_axes(column) == ([], [])


# ---------------------------------------------------------------- relations


def reading(name: str, text: str) -> Reading:
    return Reading("layout", name, Box(0, 0, 9, 9), text)


def electrical() -> Calibration:
    base = calibration(panel()).model_dump(exclude_none=True)
    entry = base["readout"][0]
    readouts = [
        entry | {"name": name, "quantity": quantity, "unit": unit}
        for name, quantity, unit in (
            ("power", "power", "W"), ("current", "current", "mA"), ("voltage", "voltage", "V")
        )
    ]  # fmt: skip
    return Calibration.model_validate(base | {"readout": readouts, "marks": {"decimal": "."}})


@pytest.mark.parametrize(
    ("power", "current", "voltage", "holds", "fails"),
    [
        ("5.29", "1249", "4.239", 1, 0),
        ("5.29", "-1249", "4.239", 1, 0),
        ("2.64", "1249", "4.239", 0, 1),
        ("5.29", "", "4.239", 0, 0),
    ],
)
def test_a_relation_is_proposed_where_it_holds(
    power: str, current: str, voltage: str, holds: int, fails: int
) -> None:
    read = {
        name: reading(name, text)
        for name, text in (("power", power), ("current", current), ("voltage", voltage))
    }
    (fit,) = fit_relations(electrical(), [read])
    assert fit.that == "voltage * current = 1000 * power"
    assert (fit.holds, fit.fails) == (holds, fails)
    assert fit.proposed == (holds == 1)


# ---------------------------------------------------------------- whole proposals, real reader


@cache
def panel_proposal() -> tuple[Calibration, Shown]:
    drawing = draw(panel(), scene(2, 1600, 900), 1.0, (60, 80), DARK)
    first = shown(drawing.image)
    proposal = propose([first], default_reader())
    assert proposal.calibration is not None
    return proposal.calibration, first


def test_a_panel_is_proposed_with_meanings_units_and_marks() -> None:
    proposed, _ = panel_proposal()
    told = {(r.quantity, r.unit, r.decimals) for r in proposed.readout}
    assert ("frame_rate", "fps", 1) in told
    assert ("power", "W", 2) in told
    assert ("clock", "MHz", 0) in told
    assert len(proposed.readout) == 5
    assert proposed.marks.decimal == "."


def test_boxes_hold_the_figure_with_room_and_no_other_ink() -> None:
    proposed, first = panel_proposal()
    pieces = find_pieces(first.image, default_reader())
    for readout in proposed.readout:
        assert readout.box is not None
        box = Box(*readout.box)
        inside = [each for each in pieces.figures if box.overlap(each.box) > 0]
        assert len(inside) == 1, readout.name
        (figure,) = inside
        digit = figure.box.w / max(1, len(figure.text))
        assert box.x < figure.box.x
        assert box.right > figure.end
        assert box.right - figure.box.right > 0.8 * digit
        assert 1.05 < box.h / figure.box.h < 1.7
        for label in pieces.labels:
            assert box.overlap(label.box) < 0.02 * label.box.w * label.box.h, (readout.name, label)


@pytest.mark.parametrize(
    ("place", "scale", "theme", "figures"),
    [
        ((420, 200), 0.8, DARK, ("121.0", "11.90", "41.2", "1450", "100")),
        ((40, 30), 1.6, LIGHT, ("9.8", "-0.27", "38.5", "812", "7")),
    ],
)
def test_what_is_proposed_reads_other_captures(
    place: tuple[int, int], scale: float, theme: object, figures: tuple[str, ...]
) -> None:
    proposed, first = panel_proposal()
    names = {f"figure_{at}": text for at, text in enumerate(figures)}
    picture = draw(panel(), scene(5, 1700, 1000), scale, place, theme, names)  # type: ignore[arg-type]
    _, trial = Trials(default_reader()).run(proposed, [first, shown(picture.image)])
    assert trial.found is not None
    assert trial.found.scale == pytest.approx(scale, rel=0.01)
    order = [name for name, _ in sorted(
        ((r.name, Box(*r.box).y) for r in proposed.readout if r.box), key=lambda each: each[1]
    )]  # fmt: skip
    for name, text in zip(order, figures, strict=True):
        if not trial.judged[name].doubts:
            assert trial.readings[name].text == text
    assert sum(not trial.judged[name].doubts for name in order) >= 3


def test_letters_on_the_bare_scene_are_kept_without_it() -> None:
    image = draw(letters(), scene(1, 1500, 900), 1.0, (700, 60), OUTLINED).image
    proposal = propose([shown(image)], default_reader())
    assert proposal.calibration is not None
    marks = [each for each in proposal.calibration.landmark if each.sort == "picture"]
    assert len(marks) >= 3
    elsewhere = draw(letters(), scene(9, 1400, 1000), 1.3, (200, 90), OUTLINED).image
    trial = Trials(default_reader()).run(proposal.calibration, [shown(elsewhere)])[0]
    assert trial.found is not None
    assert trial.found.scale == pytest.approx(1.3, rel=0.01)


def test_a_row_of_words_and_figures_is_a_flowing_line() -> None:
    image = paper(1300, 400)
    image[300:350] = (205, 210, 220)
    written(image, "Pace 60.2 fps   Draw 5.94 W   Clock 1150 MHz", 40, 334, 28)
    proposal = propose([shown(image)], default_reader())
    assert proposal.calibration is not None
    (line,) = proposal.calibration.line
    assert [piece.name for piece in parse_pattern(line.pattern) if not isinstance(piece, str)] == [
        "frame_rate", "power", "clock",
    ]  # fmt: skip
    assert all(readout.box is None for readout in proposal.calibration.readout)


class Hearsay:
    """The real reader, which makes less of some words.

    ``doubted`` are unsure, ``lost`` unseen, those that start with ``cut`` are found in two pieces.
    """

    def __init__(
        self, doubted: tuple[str, ...] = (), lost: tuple[str, ...] = (), cut: str = "-"
    ) -> None:
        self._doubted, self._lost, self._cut = doubted, lost, cut
        self.scales: list[float] = []

    def find_words(self, image: np.ndarray, *, scale: float = 1.0) -> list[WordAt]:
        self.scales.append(scale)
        found = []
        for word in default_reader().find_words(image, scale=scale):
            if word.text in self._lost:
                continue
            if word.text in self._doubted:
                found.append(replace(word, probability=0.1))
            elif word.text.startswith(self._cut):
                box = word.box
                left = Box(box.x, box.y, 0.72 * box.w, box.h)
                right = Box(box.x + 0.62 * box.w, box.y, 0.38 * box.w, box.h)
                found += [replace(self._read(image, each), probability=0.5)
                          for each in (left, right)]  # fmt: skip
            else:
                found.append(word)
        return found

    def _read(self, image: np.ndarray, box: Box) -> WordAt:
        x0, y0, x1, y1 = (int(side) for side in (box.x, box.y, box.right, box.bottom))
        return WordAt(default_reader().read_line(image[y0:y1, x0:x1].copy()).text, box, 0.9)

    def __getattr__(self, name: str) -> object:
        return getattr(default_reader(), name)


def line_of(*texts: str) -> np.ndarray:
    """A line of texts on an even ground, a space and a half apart."""
    image = paper(1100, 160)
    face = font("matplotlib/DejaVuSans.ttf", 30)
    x = 30.0
    for text in texts:
        written(image, text, x, 90, 30)
        x += face.getlength(text) + 34
    return image


@pytest.mark.parametrize(
    ("texts", "cut", "names"),
    [
        # found in one piece, with a label whose figure is missing behind it
        (("Rate 59.7 fps", "Draw 5.48 W", "Clock 896 MHz", "Load --", "Left 94 %"), "-",
         ["frame_rate", "power", "clock", "figure", "battery_level"]),
        # the finder cuts a text in the middle of its figure
        (("Rate 59.7 fps", "Draw 5.48 W", "Clock 896 MHz"), "Draw",
         ["frame_rate", "power", "clock"]),
    ],
)  # fmt: skip
def test_no_figure_of_a_line_is_lost(texts: tuple[str, ...], cut: str, names: list[str]) -> None:
    reader: Any = Hearsay(cut=cut)
    proposed = propose([shown(line_of(*texts))], reader).calibration
    assert proposed is not None
    (line,) = proposed.line
    assert [piece.name for piece in parse_pattern(line.pattern) if not isinstance(piece, str)] == [
        *names
    ]


def test_texts_whose_boxes_share_no_more_than_their_margins_are_not_read_as_one() -> None:
    image = paper()
    written(image, "Share", 40, 120, 30)
    written(image, "80.3", 240, 120, 30)
    words = default_reader().find_words(image)
    left, right = sorted((word.box for word in words), key=lambda box: box.x)
    reach = (right.x - left.right) / 2 + 8
    wide = [
        replace(word, box=Box(word.box.x - reach, word.box.y, word.box.w + 2 * reach, word.box.h))
        for word in words
    ]
    reader: Any = None  # nothing is read
    assert sorted(_mended(image, wide, reader), key=str) == sorted(wide, key=str)


def test_words_with_a_number_in_them_are_no_line_of_figures() -> None:
    pieces = find_pieces(line_of("time at 45 fps", "or more", "in round 2"), default_reader())
    assert pieces.figures == ()


def test_text_of_a_huge_capture_is_found_smaller_and_measured_at_full_size() -> None:
    image = paper(3600, 2400)
    for row, (label, text) in enumerate((("Frames", "58.9 fps"), ("Supply", "4.12 W"))):
        written(image, label, 400, 700 + 200 * row, 90)
        written(image, text, 1300, 700 + 200 * row, 90)
    reader: Any = Hearsay()
    pieces = find_pieces(image, reader)
    assert reader.scales[0] == pytest.approx((6e6 / (3600 * 2400)) ** 0.5)
    assert sorted(figure.text for figure in pieces.figures) == ["4.12", "58.9"]
    ink = np.flatnonzero((image[600:720, 1250:] < 120).all(axis=2).any(axis=0))
    (figure,) = (each for each in pieces.figures if each.text == "58.9")
    assert abs(figure.box.x - (1250 + ink[0])) <= 2
    small = propose([shown(paper(3600, 2400))], default_reader())
    assert "letters lower than" in " ".join(small.notes)


def listed(width: int, figures: tuple[str, ...], size: float) -> np.ndarray:
    """A list as wide as the capture: labels at the left edge, figures and units at the right."""
    image = paper(width, round(20 * size))
    face = font("matplotlib/DejaVuSans.ttf", size)
    for row, (label, figure) in enumerate(
        zip(("Frames", "Supply", "Silicon", "Level"), figures, strict=True)
    ):
        y = (3 + 3 * row) * size
        written(image, label, size, y, size)
        written(image, figure, width - size - face.getlength(figure), y, size)
    return image


def test_figures_at_the_far_edge_of_a_list_go_with_their_units() -> None:
    first = listed(900, ("58.9 fps", "4.12 W", "38.5 °C", "64 %"), 30)
    proposed = propose([shown(first)], default_reader()).calibration
    assert proposed is not None
    assert {readout.x_part for readout in proposed.readout} == {"units"}
    assert sum(mark.part == "units" for mark in proposed.landmark) == 4
    others = ("121.4 fps", "7.95 W", "41.0 °C", "9 %")
    wider = listed(1300, others, 39)
    (trial,) = Trials(default_reader()).run(proposed, [shown(wider)])
    texts = {trial.readings[name].text for name in trial.readings}
    assert texts == {other.split()[0] for other in others}
    assert not any(reading.box_error > reading.height / 12 for reading in trial.readings.values())


def test_a_heading_that_cannot_be_read_well_still_heads_its_column() -> None:
    image = paper()
    for column, (head, figures) in enumerate(
        (("typical", ("58.9", "4.12", "38.5")), ("bottom", ("31.2", "2.07", "31.0")))
    ):
        x = 300 + 200 * column
        written(image, head, x, 60, 30)
        for row, text in enumerate(figures):
            written(image, text, x, 120 + 60 * row, 30)
    for row, label in enumerate(("Frames", "Supply", "Silicon")):
        written(image, label, 40, 120 + 60 * row, 30)
    reader: Any = Hearsay(doubted=("typical", "bottom"))
    proposed = propose([shown(image)], reader).calibration
    assert proposed is not None
    parts = {readout.x_part for readout in proposed.readout}
    assert len(parts) == 2
    assert None not in parts
    assert parts <= {landmark.part for landmark in proposed.landmark}


def test_labels_in_which_the_reader_sees_no_text_are_landmarks() -> None:
    labels = ("Frames", "Supply", "Silicon", "Level")
    image = paper()
    for row, (label, text) in enumerate(zip(labels, ("58.9", "4.12", "38.5", "64"), strict=True)):
        written(image, label, 60, 120 + 60 * row, 30)
        written(image, text, 300, 120 + 60 * row, 30)
    image[:, :20] = 40  # what lies beyond the panel is no label
    reader: Any = Hearsay(lost=labels)
    proposed = propose([shown(image)], reader).calibration
    assert proposed is not None
    assert len(proposed.readout) == 4
    places = [Box(*landmark.box) for landmark in proposed.landmark if landmark.sort == "picture"]
    assert len(places) == 4
    for row, box in enumerate(sorted(places, key=lambda each: each.y)):
        assert 40 < box.x < 60
        assert 120 < box.right < 230
        assert box.y < 110 + 60 * row < box.bottom


def test_a_panel_of_one_line_is_told_by_its_edges() -> None:
    image = scene(2, 900, 300)
    image[100:160, 60:860] = (20, 30, 44)
    picture = Image.fromarray(image)
    face = font("matplotlib/DejaVuSans.ttf", 26)
    text = "pace 61 fps    draw 4.18 W    level 64 %"
    ImageDraw.Draw(picture).text((90, 139), text, font=face, fill=(230, 240, 250), anchor="ls")
    proposed = propose([shown(np.asarray(picture).copy())], default_reader()).calibration
    assert proposed is not None
    edges = {mark.side: Box(*mark.box) for mark in proposed.landmark if mark.sort == "edge"}
    assert edges["top"].y == pytest.approx(100, abs=1)
    assert edges["bottom"].bottom == pytest.approx(160, abs=1)


def test_an_open_mark_is_asked_and_not_stated() -> None:
    image = paper()
    written(image, "Clock", 60, 120, 30)
    written(image, "4,512 MHz", 300, 120, 34)
    written(image, "Left", 60, 200, 30)
    written(image, "98 %", 300, 200, 34)
    proposal = propose([shown(image)], default_reader())
    assert proposal.calibration is not None
    assert proposal.calibration.marks == Marks()
    assert "marks.decimal" in [question.about for question in proposal.questions]
    clock = next(r for r in proposal.calibration.readout if r.quantity == "clock")
    assert clock.decimals is None


@pytest.mark.parametrize("text", ["", "Nothing to read here"])
def test_without_figures_it_says_so(text: str) -> None:
    image = paper()
    if text:
        written(image, text, 60, 120, 30)
    proposal = propose([shown(image)], default_reader())
    assert proposal.calibration is None
    assert "Draw a box" in proposal.notes[0] or "draw a box" in proposal.notes[0]


def test_two_overlays_on_one_capture_are_told_by_what_is_shown_twice() -> None:
    image = paper(1300, 500)
    for at, (label, text) in enumerate((("Clock", "812 MHz"), ("Power", "5.94 W"))):
        written(image, label, 60, 100 + 80 * at, 30)
        written(image, text, 300, 100 + 80 * at, 34)
    written(image, "Pace 60.2 fps   Draw 5.94 W   Left 98 %", 40, 460, 28)
    proposal = propose([shown(image)], default_reader())
    assert any("power is shown twice" in note for note in proposal.notes)


def test_several_captures_settle_what_one_leaves_open() -> None:
    def page(rate: str, load: str) -> Shown:
        image = paper()
        for at, (label, text) in enumerate((("Clock", rate), ("Busy", load), ("Power", "5.94 W"))):
            written(image, label, 60, 120 + 80 * at, 30)
            written(image, text, 300, 120 + 80 * at, 34)
        return shown(image, f"{rate}.png")

    one = propose([page("3.512 GHz", "98 %")], default_reader())
    assert one.calibration is not None
    two = propose([page("3.512 GHz", "98 %"), page("3.1 GHz", "7 %")], default_reader())
    assert two.calibration is not None
    fixed, free = (
        next(r.decimals for r in each.readout if r.quantity == "clock")
        for each in (one.calibration, two.calibration)
    )
    assert (fixed, free) == (3, None)


# ---------------------------------------------------------------- checking


def test_a_check_names_what_is_found_and_what_does_nothing(tmp_path: Path) -> None:
    proposed, first = panel_proposal()
    file, blank = tmp_path / "capture.png", tmp_path / "blank.png"
    Image.fromarray(first.image).save(file)
    Image.fromarray(paper()).save(blank)
    (tmp_path / "broken.png").write_bytes(b"\x89PNG\r\n\x1a\nnothing")
    whole = proposed.model_dump(exclude_none=True)
    whole["marks"] = {"decimal": ".", "thousands": "'", "duration": "h:m"}
    whole["readout"][0]["missing"] = "n/a"
    save(Calibration.model_validate(whole), tmp_path / "panel.toml")
    captures = [Candidate(each.name, each) for each in sorted(tmp_path.glob("*.png"))]
    out = tmp_path / "check"
    checked = check([Calibration.model_validate(whole)], captures, out, default_reader())
    assert checked.captures == 2
    assert [problem.capture for problem in checked.problems] == ["broken.png"]
    assert checked.found == {"new_layout": 1}
    told = " ".join(checked.idle["new_layout"])
    for idle in ("marks.thousands", "marks.duration", "missing of"):
        assert idle in told
    rows = (out / "check.csv").read_text(encoding="utf-8").splitlines()
    assert sum(row.startswith("capture.png,new_layout,yes") for row in rows) == 5
    assert "blank.png,new_layout,no" in "\n".join(rows)
    assert (out / "0003.png").exists() != (out / "0001.png").exists()


def test_a_file_that_is_no_capture_is_refused(tmp_path: Path) -> None:
    (tmp_path / "note.png").write_text("no picture")
    with pytest.raises(CaptureError):
        open_capture(tmp_path / "note.png")
