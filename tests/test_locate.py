"""Locating on drawn overlays: boxes against the drawn truth, nothing where there is none."""

import dataclasses

import cv2
import numpy as np
import pytest
from drawn_layouts import (
    DARK,
    LIGHT,
    OUTLINED,
    Drawing,
    Item,
    Layout,
    calibration,
    cards,
    code,
    draw,
    letters,
    panel,
    scene,
    scenes,
    true_box,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.registration import phase_cross_correlation

from extractor.calibration.model import Calibration
from extractor.locate import Locator, matching
from extractor.locate.anchors import Peak
from extractor.locate.frame import Frame
from extractor.locate.lines import lay
from extractor.locate.pictures import Picture, Sight
from extractor.locate.pose import Mark, Pose, ScaleMark
from extractor.locate.traits import find_edge
from extractor.reading import default_reader
from extractor.reading.interface import CharAt, LineRead, WordAt
from extractor.records import Box, Found


class NoReader:
    """For layouts that are found by pictures alone: reading anything is a failure."""

    def read_line(self, crop: object) -> LineRead:
        raise AssertionError("nothing to read here")

    def find_words(self, image: object) -> list[WordAt]:
        raise AssertionError("nothing to read here")


LAYOUTS = {"panel": panel(), "letters": letters(), "cards": cards()}
THEMES = {"panel": DARK, "letters": OUTLINED, "cards": DARK}


@pytest.fixture(scope="module")
def calibrations() -> list[Calibration]:
    return [calibration(layout, theme=THEMES[name]) for name, layout in LAYOUTS.items()]


@pytest.fixture(scope="module")
def locator(calibrations: list[Calibration]) -> Locator:
    return Locator(calibrations, NoReader())


def normed_errors(found: Found, drawing: Drawing) -> list[float]:
    """Errors of the boxes' corners in predicted sigmas; each at most a sixth of the height."""
    normed = []
    for place in found.places:
        truth = true_box(drawing, place.readout)
        assert place.box is not None, place.readout
        off = (place.box.x - truth.x, place.box.y - truth.y)
        assert max(map(abs, off)) <= drawing.boxes[place.readout].h / 6, (place, truth)
        assert place.error <= drawing.boxes[place.readout].h / 18
        normed += [each / place.error for each in off]
    return normed


CASES = [
    ("panel", DARK, (1080, 2400), 0.7, (300, 900), 0, "JPEG", {}),
    ("panel", LIGHT, (2400, 1080), 1.37, (1500, 400), 1, "JPEG", {}),
    ("panel", DARK, (1440, 3200), 2.2, (10.4, 77.7), 2, "PNG", {}),
    ("letters", OUTLINED, (1280, 720), 0.8, (60.5, 100), 3, "WEBP", {}),
    ("letters", OUTLINED, (2400, 1080), 1.6, (1200, 200), 4, "JPEG", {}),
    ("cards", DARK, (1440, 3120), 1.31, (30, 400), 5, "PNG", {"right": (40.0, 0.0)}),
    ("cards", LIGHT, (1920, 1200), 0.9, (200, 300), 6, "JPEG", {"right": (311.0, 0.0)}),
    ("cards", LIGHT, (720, 1280), 0.62, (0, 200), 7, "WEBP", {}),
]


@pytest.mark.parametrize("number", range(len(CASES)))
def test_found_at_any_scale_and_place(locator: Locator, number: int) -> None:
    name, theme, size, scale, offset, ground, form, shifts = CASES[number]
    drawing = draw(LAYOUTS[name], scene(ground, *size), scale, offset, theme, shifts=shifts)
    finds = locator.locate(code(drawing.image, form, 50))
    assert [found.layout[: len(name)] for found in finds] == [name]
    assert finds[0].scale == pytest.approx(scale, rel=0.006)
    assert finds[0].rivals == ()
    normed_errors(finds[0], drawing)


def test_predicted_errors_are_honest(locator: Locator) -> None:
    normed = []
    for number in range(8):
        scale = 0.75 + 0.13 * number
        offset = (50 + 13.3 * number, 60 + 7.7 * number)
        drawing = draw(LAYOUTS["panel"], scene(number, 950, 900), scale, offset, DARK)
        (found,) = locator.locate(code(drawing.image, "JPEG", 60))
        normed += normed_errors(found, drawing)
    assert np.mean(np.abs(normed) <= 2) >= 0.93
    assert 0.2 <= np.std(normed) <= 1.25


def test_nothing_on_photographs(locator: Locator) -> None:
    for number in range(len(scenes())):
        assert locator.locate(scene(number, 640, 480)) == ()


def test_nothing_on_another_layout(calibrations: list[Calibration]) -> None:
    other = draw(LAYOUTS["cards"], scene(0, 1080, 1200), 1.0, (10, 90), LIGHT)
    assert Locator(calibrations[:2], NoReader()).locate(other.image) == ()


def test_two_layouts_on_one_capture(locator: Locator) -> None:
    first = draw(LAYOUTS["panel"], scene(1, 2000, 1000), 1.0, (80, 100), DARK)
    both = draw(LAYOUTS["letters"], first.image, 1.0, (1300, 300), OUTLINED)
    finds = locator.locate(both.image)
    assert [found.layout[:5] for found in finds] == ["panel", "lette"]
    assert all(found.rivals == () for found in finds)
    normed_errors(finds[0], first)
    normed_errors(finds[1], both)


LOOK_ALIKE = panel(("Tempo", "Volt", "Warmth", "Clock", "Charge"))


def test_look_alikes_are_told_apart_or_named_rivals() -> None:
    twin = dataclasses.replace(LOOK_ALIKE, name="twin")
    both = Locator([calibration(panel()), calibration(twin)], NoReader())
    for layout, name in ((panel(), "panel000"), (twin, "twin0000")):
        drawing = draw(layout, scene(2, 1200, 900), 1.1, (200, 100), DARK)
        finds = both.locate(code(drawing.image, "JPEG", 70))
        assert name in [found.layout for found in finds]
        assert len(finds) == 1 or all(found.rivals for found in finds)


def test_a_figure_whose_label_says_something_else_is_not_trusted(locator: Locator) -> None:
    drawing = draw(LOOK_ALIKE, scene(2, 1200, 900), 1.1, (200, 100), DARK)
    for found in locator.locate(drawing.image):
        place = next(each for each in found.places if each.readout == "figure_1")
        assert place.box is None or place.error > place.height / 18


@pytest.mark.parametrize("wide", [1080, 1200, 960])
def test_a_figure_at_the_other_edge_is_trusted_on_the_width_it_was_drawn_on(wide: int) -> None:
    """A list as wide as the screen: labels at the left edge, figures at the right one."""

    def spread(width: int) -> Layout:
        moved = (
            dataclasses.replace(item, x=item.x + width - 600) if item.role == "figure" else item
            for item in panel().items
            if item.role
        )
        return Layout("wide", tuple(moved))

    at = (40.0, 90.0)
    known = calibration(spread(1080), offset=at)
    drawing = draw(spread(wide), scene(1, wide, 1600), 1.0, at, DARK)
    (found,) = Locator([known], NoReader()).locate(drawing.image)
    trusted = [place for place in found.places if place.box and place.error < place.height / 18]
    assert len(trusted) == (len(known.readout) if wide == 1080 else 0)
    for place in trusted:
        assert place.box
        assert abs(place.box.x - true_box(drawing, place.readout).x) < place.height / 6


def test_twice_the_same_layout_are_rivals() -> None:
    again = calibration(dataclasses.replace(panel(), name="copy"))
    finds = Locator([calibration(panel()), again], NoReader()).locate(
        draw(panel(), scene(1, 900, 900), 1.0, (100, 100), DARK).image
    )
    assert {found.layout: found.rivals for found in finds} == {
        "panel000": ("copy0000",),
        "copy0000": ("panel000",),
    }


def test_cropped_away_is_not_shown(locator: Locator) -> None:
    drawing = draw(LAYOUTS["panel"], scene(3, 1000, 900), 1.0, (100, 100), DARK)
    cut = 100 + 104 + int(1.5 * 57.8)  # between the second and the third row
    (found,) = locator.locate(np.ascontiguousarray(drawing.image[cut:]))
    shown = [place.readout for place in found.places if place.box is not None]
    assert shown == ["figure_2", "figure_3", "figure_4"]


def test_letterbox_and_scaled_down(locator: Locator) -> None:
    drawing = draw(LAYOUTS["panel"], scene(4, 1600, 900), 1.5, (300, 150), DARK)
    small = cv2.resize(drawing.image, None, fx=0.6, fy=0.6, interpolation=cv2.INTER_AREA)
    boxed = np.zeros((700, 1100, 3), np.uint8)
    boxed[80 : 80 + small.shape[0], 70 : 70 + small.shape[1]] = small
    (found,) = locator.locate(code(boxed, "JPEG", 60))
    assert found.scale == pytest.approx(0.9, rel=0.006)
    for place in found.places:
        truth = true_box(drawing, place.readout)
        assert place.box is not None
        assert place.box.x == pytest.approx(70 + 0.6 * truth.x, abs=place.height / 6)
        assert place.box.y == pytest.approx(80 + 0.6 * truth.y, abs=place.height / 6)


def test_last_place_first_and_whole_frame_when_it_moved(locator: Locator) -> None:
    def frame(shift: int, offset: tuple[float, float]) -> np.ndarray:
        return draw(LAYOUTS["panel"], scene(0, 1000, 900, shift), 1.0, offset, DARK).image

    first = locator.locate(frame(0, (100, 100)))
    same = locator.locate(frame(40, (100, 100)), first)
    fresh = locator.locate(frame(40, (100, 100)))
    for place, again in zip(same[0].places, fresh[0].places, strict=True):
        assert place.box is not None
        assert again.box is not None
        assert abs(place.box.x - again.box.x) < 0.2
        assert abs(place.box.y - again.box.y) < 0.2
    (moved,) = locator.locate(frame(60, (430, 300)), same)
    assert moved.places[0].box is not None
    assert moved.places[0].box.x == pytest.approx(first[0].places[0].box.x + 330, abs=1)  # type: ignore[union-attr]
    assert locator.locate(scene(5, 1000, 900), (moved,)) == ()


def test_a_result_depends_on_its_own_picture_alone(calibrations: list[Calibration]) -> None:
    captures = [
        draw(LAYOUTS["cards"], scene(5, 1100, 1000), 0.9, (40, 200), LIGHT).image,
        draw(LAYOUTS["panel"], scene(1, 800, 800), 0.9, (90.5, 200), DARK).image,
        draw(LAYOUTS["panel"], scene(2, 800, 800), 0.9, (91, 200), DARK).image,
        scene(1, 800, 800),
    ]
    alone = [Locator(calibrations, NoReader()).locate(each) for each in captures]
    together = Locator(calibrations, NoReader())
    for order in ((3, 2, 1, 0), (1, 3, 0, 2), (2, 0, 2, 1)):
        for at in order:
            assert together.locate(captures[at]) == alone[at]


def test_found_by_words_alone_to_a_part_of_a_pixel() -> None:
    layout = panel(("Tempo", "Watt", "Warmth", "Clock", "Battery"))
    by_words = Locator([calibration(layout, sort="word")], default_reader())
    for scale, theme, size in ((0.8, DARK, (900, 600)), (1.45, LIGHT, (1000, 900))):
        drawing = draw(layout, scene(1, *size), scale, (60.5, 40), theme)
        (found,) = by_words.locate(code(drawing.image, "JPEG", 70))
        normed_errors(found, drawing)


def test_words_on_the_bare_scene_are_not_trusted_to_a_pixel() -> None:
    layout = panel(("Tempo", "Watt", "Warmth", "Clock", "Battery"))
    bare = dataclasses.replace(layout, items=layout.items[1:])
    by_words = Locator([calibration(layout, sort="word")], default_reader())
    drawing = draw(bare, scene(4, 1000, 700), 1.2, (60, 40), OUTLINED)
    for found in by_words.locate(drawing.image):
        for place in found.places:
            truth = true_box(drawing, place.readout)
            assert place.box is not None
            off = max(abs(place.box.x - truth.x), abs(place.box.y - truth.y))
            assert off <= 3 * place.error or place.error > place.height / 18


def test_a_group_of_labels_that_the_edge_cuts_off_is_found_by_the_rest(locator: Locator) -> None:
    drawing = draw(LAYOUTS["panel"], scene(3, 700, 900), 1.1, (60, 30), DARK)
    for cut in (350, 390):
        (found,) = locator.locate(code(np.ascontiguousarray(drawing.image[:cut]), "JPEG", 60))
        shown = {place.readout for place in found.places if place.box is not None}
        whole = {name for name, box in drawing.boxes.items()
                 if name.startswith("figure") and box.bottom + 0.15 * box.h < cut}  # fmt: skip
        assert shown == whole


def test_labels_that_the_side_of_the_frame_cuts_are_found_by_the_rest(locator: Locator) -> None:
    drawing = draw(LAYOUTS["panel"], scene(3, 1000, 700), 1.3, (140, 90), DARK)
    labels = [box for name, box in drawing.boxes.items() if name.startswith("label")]
    for share, trusted in ((0.2, True), (0.5, False)):
        # all labels start at the same x, so none of them is whole
        cut = round(labels[0].x + share * min(box.w for box in labels))
        (found,) = locator.locate(code(np.ascontiguousarray(drawing.image[:, cut:]), "JPEG", 70))
        sure = []
        for place in found.places:
            truth = true_box(drawing, place.readout)
            assert place.box is not None
            assert place.box.x + cut == pytest.approx(truth.x, abs=place.height / 6)
            assert place.box.y == pytest.approx(truth.y, abs=place.height / 6)
            sure.append(place.error <= place.height / 18)
        # what is left of a label may be the end of another one
        assert all(sure) == trusted
        assert any(sure)


def test_a_long_label_is_seen_at_a_peak_half_a_step_of_scale_off() -> None:
    items = (
        Item(30, 30, w=800, h=150),
        Item(60, 80, "Charge that is gone from it", 26, "label", "label_0"),
        Item(700, 80, "58.9", 26, "figure", "figure_0"),
    )
    layout = matching.Layout(calibration(Layout("longlabel", items)))
    drawing = draw(Layout("longlabel", items), scene(5, 1400, 700), 1.5, (60.5, 40), DARK)
    frame = Frame(code(drawing.image, "JPEG", 70))
    (anchor,) = layout.anchors
    x, y = layout.pictures[0].centre
    label = drawing.boxes["label_0"]
    seen = layout.pictures[0].align(
        frame, Sight(1.5, label.x + label.w / 2, label.y + label.h / 2, 0.0), with_scale=True
    )
    assert seen is not None
    for off in (1 / 1.038, 1.0, 1.038):
        scale = seen.scale * off
        peak = Peak(scale, seen.x - scale * x, seen.y - scale * y, 0.5)
        assert matching._seed(frame, layout, anchor, peak) is not None


def test_a_figure_beyond_a_blurred_label_is_doubtful_not_hidden(locator: Locator) -> None:
    drawing = draw(LAYOUTS["panel"], scene(2, 800, 700), 1.0, (100, 100), DARK)
    label, figure = drawing.boxes["label_4"], drawing.boxes["figure_4"]
    for sigma, state in ((4.5, "doubtful"), (60.0, "hidden")):
        image = drawing.image.copy()
        area = image[int(label.y) - 15 : int(label.bottom) + 15, 110:270]
        area[:] = cv2.GaussianBlur(area, (0, 0), sigma)
        (found,) = locator.locate(image)
        place = next(each for each in found.places if each.readout == "figure_4")
        if state == "hidden":
            assert place.box is None
        else:
            assert place.box is not None
            assert place.error > figure.h / 18


@pytest.mark.parametrize("size", [(1, 1), (3, 400), (400, 3), (40, 40)])
def test_tiny_and_flat_pictures(locator: Locator, size: tuple[int, int]) -> None:
    assert locator.locate(np.full((*size, 3), 127, np.uint8)) == ()


# ---------------------------------------------------------------- parts


def test_aligning_agrees_with_phase_correlation(calibrations: list[Calibration]) -> None:
    """scikit-image's ``phase_cross_correlation`` (upsampled DFT, Guizar-Sicairos et al. 2008,
    DOI 10.1364/OL.33.000156) is the outside check of the sub-pixel shift."""
    picture = Picture(calibrations[0].landmark[0])
    w, h = (int(side) for side in picture.box[2:])
    patch = cv2.resize(picture.grey, (w, h))
    for right, down in ((0.3, -0.4), (1.7, 0.25), (-0.6, 0.9)):
        turn = np.array([[1, 0, 200 + right], [0, 1, 60 + down]], np.float64)
        grey = cv2.warpAffine(
            patch, turn, (600, 200), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
        )
        image = np.clip(np.round(grey), 0, 255).astype(np.uint8)
        sight = picture.align(
            Frame(np.dstack([image] * 3)), Sight(1.0, 200 + w / 2, 60 + h / 2, 0.0)
        )
        assert sight is not None
        still = cv2.warpAffine(
            patch,
            np.array([[1, 0, 200], [0, 1, 60]], np.float64),
            (600, 200),
            borderMode=cv2.BORDER_REPLICATE,
        )
        shift = phase_cross_correlation(
            image.astype(float), still, upsample_factor=50, normalization=None
        )[0]
        assert sight.x - (200 + w / 2) == pytest.approx(right, abs=0.06)
        assert sight.y - (60 + h / 2) == pytest.approx(down, abs=0.06)
        assert sight.x - (200 + w / 2) == pytest.approx(float(shift[1]), abs=0.12)
        assert sight.y - (60 + h / 2) == pytest.approx(float(shift[0]), abs=0.12)


@given(
    scale=st.floats(0.35, 3),
    x=st.floats(-500, 3000),
    y=st.floats(-500, 3000),
    drawn=st.lists(
        st.tuples(st.integers(0, 2000), st.integers(0, 2000)), min_size=3, max_size=9, unique=True
    ),
)
def test_pose_gives_back_what_made_it(
    scale: float, x: float, y: float, drawn: list[tuple[int, int]]
) -> None:
    marks = []
    for number, (across, down) in enumerate(drawn):
        marks.append(Mark(str(number), "main", "x", across, x + scale * across))
        marks.append(Mark(str(number), "main", "y", down, y + scale * down))
    pose = Pose(marks, [])
    assert pose.scale == pytest.approx(scale, rel=1e-6)
    assert pose.at("main", "x", 1234.5)[0] == pytest.approx(x + scale * 1234.5, abs=1e-4)
    near, far = (
        pose.at("main", "y", float(np.mean([d for _, d in drawn])))[1],
        pose.at("main", "y", 9000.0)[1],
    )
    assert 0.15 <= near <= far


def test_pose_needs_a_scale() -> None:
    marks = [Mark("a", "main", "x", 10, 20), Mark("a", "main", "y", 10, 20)]
    with pytest.raises(ValueError, match="scale"):
        Pose(marks, [])
    assert Pose(marks, [ScaleMark(2.0, 0.02)]).scale == pytest.approx(2.0)


@pytest.mark.parametrize("side", ["left", "right", "top", "bottom"])
def test_edges_to_a_third_of_a_pixel(side: str) -> None:
    canvas = np.full((200, 220), 60, np.float32)
    canvas[50:150, 40:180] = 140
    turn = np.array([[1, 0, 0.4], [0, 1, -0.3]], np.float64)
    grey = cv2.warpAffine(canvas, turn, (220, 200), borderMode=cv2.BORDER_REPLICATE)
    frame = Frame(np.dstack([np.round(grey).astype(np.uint8)] * 3))
    truth = {"left": 40.4, "right": 180.4, "top": 49.7, "bottom": 149.7}[side]
    found = find_edge(frame, side, Box(42, 52, 137, 96), 6)
    assert found == pytest.approx(truth, abs=0.34)
    assert find_edge(Frame(scene(8, 220, 200)), side, Box(60, 60, 90, 80), 6) is None


# ---------------------------------------------------------------- flowing lines

PATTERN = "FPS {rate} · {power} W  სითბო {heat} °C"


def chars(text: str, height: float = 20) -> list[CharAt]:
    return [CharAt(c, 0.5 * height * i, 0.5 * height * (i + 1), 0.9) for i, c in enumerate(text)]


def extents(text: str, pattern: str = PATTERN) -> dict[str, str]:
    """The figures told clearly."""
    found = {}
    for span in lay(pattern, chars(text), 20):
        if span.margin >= 0.75:
            found[span.readout] = text[round(span.x0 / 10) : round(span.x1 / 10)]
    return found


@pytest.mark.parametrize(
    "text",
    [
        "FPS 61 · 4.1 W  სითბო 38.2 °C",
        "FPS 61 - 4.1W  boo0 38.2 °C",
        "FPS 61 . 4.1W nm 38.2°C",
        "EPS 61 · 4.1 W  ?? 38.2 C",
        "fps 61 • 4.1 w  ... 38.2 oC",
    ],
)
def test_literals_misread_or_unknown(text: str) -> None:
    assert extents(text) == {"rate": "61", "power": "4.1", "heat": "38.2"}


def test_an_ambiguous_line_is_not_guessed() -> None:
    # the dot and both spaces lost: 61 and 4.1 run together
    found = extents("FPS 614.1 W  სითბო 38.2 °C")
    assert "rate" not in found
    assert "power" not in found


def test_words_that_the_pattern_does_not_tell_of_belong_to_no_figure() -> None:
    pattern = "pace {rate} fps  draw {power} W  left {level} %"
    found = extents("pace 52 fps draw 4.28 W skin 42.7 °C left 14%", pattern)
    assert found.items() <= {"rate": "52", "level": "14"}.items()
    assert "rate" in found


def test_text_of_something_else_places_nothing() -> None:
    assert extents("Level 12 of 30, press 4 to go on 7") == {}
    assert lay(PATTERN, [], 20) == []


@settings(max_examples=30)
@given(
    rate=st.decimals(0, 300, places=1).map(str),
    power=st.decimals(0, 30, places=2).map(str),
    spaces=st.booleans(),
)
def test_any_figures_in_a_clean_line(rate: str, power: str, spaces: bool) -> None:
    gap = " " if spaces else ""
    text = f"Pace {rate}{gap}fps  Draw {power}{gap}W"
    assert extents(text, "Pace {rate} fps  Draw {power} W") == {"rate": rate, "power": power}


def test_a_line_that_reads_as_its_pattern_makes_up_for_an_edge_that_is_not_seen() -> None:
    size, texts = 30, (("Tempo", "59.8", "fps"), ("Draw", "4.27", "W"), ("Level", "64", "%"))
    items = []
    x = 20.0
    for number, (label, figure, unit) in enumerate(texts):
        role = "label" if number == 0 else ""
        items.append(Item(x, 60, label, size, role, "label"))
        items.append(Item(x + 110, 60, figure, size, "figure", f"figure_{number}"))
        items.append(Item(x + 200, 60, unit, size))
        x += 290
    line = {"name": "line", "box": (44.0, 126.0, 860.0, 32.0), "names": (),
            "pattern": "Tempo {figure_0} fps  Draw {figure_1} W  Level {figure_2} %"}  # fmt: skip
    edge = {"name": "top", "sort": "edge", "side": "top", "box": (40.0, 110.0, 900.0, 60.0)}
    layout = Layout("flow", (Item(0, 20, w=900, h=60, alpha=1.0), *items))
    names = tuple(f"figure_{number}" for number in range(3))
    known = calibration(layout, lines=({**line, "names": names},), extra=(edge,))
    found = Locator([known], default_reader())
    ground = np.full((300, 1100, 3), DARK.panel, np.uint8)  # as dark as the panel: no edge
    drawing = draw(layout, ground, 1.0, (70, 100), DARK)
    (seen,) = found.locate(drawing.image)
    assert sum(place.error <= place.height / 18 for place in seen.places) >= 2
    alone = draw(Layout("flow", tuple(items[:1])), ground, 1.0, (70, 100), DARK)
    assert found.locate(alone.image) == ()
