"""Real readers on drawn figures: texts, probabilities, units, cuts, and that no mate matters."""

from __future__ import annotations

from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from drawn_figures import FONTS, Drawing, draw, scene
from hypothesis import given, settings
from hypothesis import strategies as st

from extractor.calibration.model import Calibration
from extractor.reading import default_reader, read_figures, reader_identity
from extractor.reading.cascade import _with_points
from extractor.reading.ctc import Columns
from extractor.reading.figures import Parted, part
from extractor.reading.ink import find_dashes, find_ink, sharpness
from extractor.reading.neighbours import without_neighbour
from extractor.reading.trust import PROPOSED
from extractor.records import Box, Figure, Found, Kind, Look, Place, Reading

Colour = tuple[int, int, int]
GROUNDS = {
    "panel": {},
    "light": {"ground": (245, 245, 250), "ink": (40, 44, 52)},
    "outlined": {"ground": scene(np.random.default_rng(3)), "outline": (0, 0, 0)},
}


@pytest.mark.parametrize("name", FONTS)
def test_figures_of_each_font_tight_and_loose(name: str) -> None:
    texts = ["58.3", "-12.07", "1649"]
    drawings = [draw(text, name=name, size=36) for text in texts]
    for margin in (0.02, 0.3):
        figures = read_figures([drawing.crop(margin) for drawing in drawings])
        assert [figure.text for figure in figures] == texts


@pytest.mark.parametrize("ground", GROUNDS)
@pytest.mark.parametrize("size", [16, 30, 60])
def test_figures_on_each_ground(ground: str, size: int) -> None:
    drawing = draw("47.26", size=size, quality=85, **GROUNDS[ground])
    (figure,) = read_figures([drawing.crop(0.2)])
    assert figure.text == "47.26"
    assert figure.alternatives[0].text == "47.26"
    assert figure.alternatives[0].probability == figure.probability
    if ground != "outlined":
        assert figure.probability >= 0.999


@pytest.mark.parametrize(
    ("text", "after", "kind", "read"),
    [
        ("87", "%", "percentage", "87"),
        ("1280×720", "", "size", "1280x720"),
        ("12:34", "", "duration", "12:34"),
        ("1:02:03", "", "duration", "1:02:03"),
        ("1 h 23 min", "", "duration", "1h23min"),
        ("1,234.5", "", "number", "1,234.5"),
        ("−7.5", " °C", "number", "-7.5"),
        ("idle", "", "word", "idle"),
    ],
)
def test_each_kind(text: str, after: str, kind: Kind, read: str) -> None:
    drawing = draw(text, size=36, after=after)
    crop = drawing.image if after else drawing.crop(0.25)
    (figure,) = read_figures([crop], kind)
    assert figure.text == read


@pytest.mark.parametrize("word", ["HELLO", "Boost", "SOS", "Illi"])
def test_a_word_is_no_number(word: str) -> None:
    (figure,) = read_figures([draw(word, size=36).crop(0.25)])
    assert figure.probability <= 0.05


@pytest.mark.parametrize("off", [-0.35, 0.0, 0.35])
def test_dashes_stand_in_the_middle_of_their_line_on_an_even_ground(off: float) -> None:
    """Bars high up are those of sevens whose stems a scene hides."""
    edges = (20.0, 20.0, 90.0, 65.0)  # 1.5 times as high as a digit
    picture = np.full((85, 110, 3), 40, np.uint8)
    middle = round(42.5 + off * 30)
    for x in (35, 58):
        picture[middle - 2 : middle + 2, x : x + 16] = 235
    assert (len(find_dashes(picture, edges, 30.0)) == 2) is (off == 0.0)
    uneven = picture.copy()
    uneven[:, 50:56] = 140  # what may be a stroke
    assert find_dashes(uneven, edges, 30.0) == ()


@pytest.mark.parametrize("name", FONTS)
def test_a_zero_alone_is_not_doubted_for_being_like_a_letter(name: str) -> None:
    (figure,) = read_figures([draw("0", name=name, size=22).crop(0.3)])
    assert figure.text == "0"
    assert figure.probability >= 0.97


def test_nothing_drawn_is_nothing_read() -> None:
    plain = np.full((40, 90, 3), 30, np.uint8)
    for crop in (plain, plain[:1], plain[:, :0], plain[:0]):
        assert read_figures([crop]) == [Figure("", 0.0)]


def test_stated_decimals_never_make_up_a_point() -> None:
    (figure,) = read_figures([draw("583", size=36).crop(0.2)], decimals=1)
    assert figure.text == "583"


def test_a_cut_neighbour_is_left_out() -> None:
    drawing = draw("58.3", size=40, before="P ", after=" V")
    box = drawing.box
    reach = 0.3 * drawing.height
    assert read_figures([drawing.crop(0.3)])[0].text == "58.3"
    ink = find_ink(
        drawing.image,
        (box.x - reach, box.y - reach, box.right + reach, box.bottom + reach),
        drawing.height,
    )
    assert ink is not None and ink.sure
    assert ink.edges == pytest.approx((box.x, box.y, box.right, box.bottom), abs=1.5)
    assert ink.height == pytest.approx(drawing.height, abs=1.5)


BLUE, GOLD = (110, 200, 255), (255, 200, 60)


def _glued(left: tuple[str, Colour], right: tuple[str, Colour]) -> np.ndarray:
    """Two figures that touch, with ground above and below."""
    crops = [draw(text, size=40, ink=ink).crop(0.02) for text, ink in (left, right)]
    high = max(crop.shape[0] for crop in crops)
    ground = [(0, high - crop.shape[0]) for crop in crops]
    even = [
        np.pad(crop, (pad, (0, 0), (0, 0)), "edge") for crop, pad in zip(crops, ground, strict=True)
    ]
    return np.pad(np.hstack(even), ((9, 9), (0, 0), (0, 0)), "edge")


@pytest.mark.parametrize("neighbour", ["left", "right"])
def test_what_touches_a_figure_in_another_colour_is_its_neighbours(neighbour: str) -> None:
    if neighbour == "right":
        crop = _glued(("1296", BLUE), ("3", GOLD))
    else:
        crop = _glued(("3", GOLD), ("1296", BLUE))
    (figure,) = read_figures([crop])
    assert figure.text == "1296"
    assert figure.probability <= PROPOSED  # another may draw a figure in two colours


@pytest.mark.parametrize(
    ("left", "right", "read"),
    [
        (("1296", BLUE), ("3", BLUE), "12963"),
        (("58.", BLUE), ("30", GOLD), "58.30"),  # the end of a figure drawn in two colours
        (("58", BLUE), ("3", GOLD), "583"),  # two digits tell no colour of a figure
    ],
)
def test_a_figure_is_not_taken_apart(
    left: tuple[str, Colour], right: tuple[str, Colour], read: str
) -> None:
    (figure,) = read_figures([_glued(left, right)])
    assert figure.text == read
    assert figure.probability > PROPOSED


@pytest.mark.parametrize("read", ["     ", "....-", "12:3"])
def test_what_shows_no_colour_of_a_figure_is_not_taken_apart(read: str) -> None:
    names = sorted(set(read))
    rows = np.zeros((2 * len(read) + 1, len(names) + 1))
    rows[::2, 0] = 1.0
    for at, char in enumerate(read):
        rows[2 * at + 1, names.index(char) + 1] = 1.0
    crop = np.random.default_rng(5).integers(0, 256, (30, 2 * len(rows), 3), np.uint8)
    assert without_neighbour(crop, Columns(rows, names, px=2.0)) is None


@pytest.mark.parametrize("bad", [np.zeros((5, 5), np.uint8), np.zeros((5, 5, 3), np.float64)])
def test_crops_of_other_shape_or_sort_are_refused(bad: np.ndarray) -> None:
    with pytest.raises(ValueError, match=r"crop 0 .* expected RGB uint8"):
        read_figures([bad])


def test_an_unknown_kind_is_refused() -> None:
    with pytest.raises(ValueError, match="expected one of number"):
        read_figures([], "colour")  # type: ignore[arg-type]


@cache
def _mates() -> tuple[list[np.ndarray], list[Figure]]:
    random = np.random.default_rng(11)
    crops = [
        draw(text, size=size, ground=scene(random), outline=(0, 0, 0), quality=60).crop(0.2)
        for text, size in (("58.3", 20), ("1280", 44), ("-0.7", 31), ("99", 16))
    ]
    return crops, [read_figures([crop])[0] for crop in crops]


@given(st.lists(st.integers(0, 3), min_size=1, max_size=3))
@settings(max_examples=8, deadline=None)
def test_batch_mates_and_order_do_not_matter(order: list[int]) -> None:
    crops, alone = _mates()
    assert read_figures([crops[at] for at in order]) == [alone[at] for at in order]


# ---------------------------------------------------------------- readouts of a found layout


def layout(thousands: str = "none", **rest: object) -> Calibration:
    """Give a layout with one readout."""
    readout = {"name": "it", "kind": "number", "quantity": "other", "box": [0, 0, 9, 9], **rest}
    return Calibration.model_validate(
        {
            "format": 1,
            "id": "abcdefgh",
            "name": "drawn",
            "shows": "one figure",
            "drawn_on": [400, 200],
            "marks": {"decimal": ".", "thousands": thousands},
            "landmark": [{"name": "a", "sort": "colour", "box": [0, 0, 9, 9], "colour": "#181a20"}],
            "readout": [readout],
        }
    )


def read(drawing: Drawing, box: Box | None, **rest: object) -> Reading:
    place = Place("it", box, 0.25, drawing.height)
    found = Found("abcdefgh", 1.0, Box(0, 0, 99, 99), 1.0, (place,))
    (reading,) = default_reader().read_found(drawing.image, found, layout(**rest))
    return reading


def loose(drawing: Drawing, margin: float = 0.2) -> Box:
    m = margin * drawing.height
    box = drawing.box
    return Box(box.x - m, box.y - m, box.w + 2 * m, box.h + 2 * m)


def test_a_readout_is_read_with_all_that_judging_needs() -> None:
    drawing = draw("58.3", size=36, before="P ", after=" V")
    reading = read(drawing, loose(drawing), decimals=1)
    assert (reading.layout, reading.readout, reading.text) == ("abcdefgh", "it", "58.3")
    assert reading.probability >= 0.999
    assert reading.box == loose(drawing)
    assert reading.box_error == 0.25
    assert reading.height == pytest.approx(drawing.height, abs=2)
    assert 0.3 < reading.sharpness <= 1.0
    assert not reading.cut
    assert [look.reader for look in reading.looks] == ["own reader (box)", "own reader (close)"]
    assert {look.text for look in reading.looks} == {"58.3"}
    assert {near.kind for near in reading.neighbours} == {"lost-sign", "other-digit"}
    assert all(near.probability < 1e-3 for near in reading.neighbours)


def test_a_lost_point_is_told_where_decimals_are_not_stated() -> None:
    drawing = draw("58.3", size=36)
    near = {each.kind: each.text for each in read(drawing, loose(drawing)).neighbours}
    assert near["lost-point"] == "583"
    assert near["lost-sign"] == "-58.3"


def test_a_readout_that_is_not_shown_is_empty() -> None:
    assert read(draw("58.3"), None) == Reading("abcdefgh", "it", None)


def test_a_box_outside_the_capture_reads_nothing() -> None:
    drawing = draw("58.3")
    high, wide = drawing.image.shape[:2]
    for box in (Box(wide + 50, 5, 40, 30), Box(5, -90, 40, 30), Box(5, high + 90, 40, 30)):
        assert read(drawing, box).text == ""


def test_the_unit_in_the_box_is_parted_off() -> None:
    drawing = draw("58.3", size=36, after=" MHz")
    box = loose(drawing)
    reading = read(drawing, Box(box.x, box.y, box.w * 2.2, box.h), drawn_unit="MHz")
    assert (reading.text, reading.unit_seen) == ("58.3", "MHz")
    assert reading.probability >= 0.999


def test_the_ink_of_a_long_minus_sign_belongs_to_the_figure() -> None:
    name = "font_source_sans_pro/SourceSansPro-Regular.ttf"
    drawing = draw("\N{MINUS SIGN}1.658", name=name, size=40)
    box = loose(drawing)
    ink = find_ink(drawing.image, (box.x, box.y, box.right, box.bottom), drawing.height)
    assert ink is not None and ink.sure
    assert ink.edges[0] == pytest.approx(drawing.box.x, abs=1.5)
    assert read(drawing, box).probability < 0.999 or read(drawing, box).text == "-1.658"


def test_a_figure_that_goes_on_beyond_its_box_is_cut() -> None:
    drawing = draw("1583.4", size=36)
    box = loose(drawing)
    assert not read(drawing, box).cut
    assert read(drawing, Box(box.x + 1.3 * drawing.height, box.y, box.w, box.h)).cut
    assert read(drawing, Box(box.x, box.y, box.w - 1.3 * drawing.height, box.h)).cut


def test_a_figure_at_the_edge_of_the_capture_is_cut() -> None:
    drawing = draw("1583.4", size=36)
    image = drawing.image[:, : round(drawing.box.x + 0.62 * drawing.box.w)]
    found = Found(
        "abcdefgh", 1.0, Box(0, 0, 9, 9), 1.0, (Place("it", loose(drawing), 0, drawing.height),)
    )
    (reading,) = default_reader().read_found(image, found, layout())
    assert reading.cut


@pytest.mark.parametrize("ground", GROUNDS)
@pytest.mark.parametrize("size", [18, 36])
def test_the_mark_for_no_value_is_read(ground: str, size: int) -> None:
    drawing = draw("--", size=size, after=" W", **GROUNDS[ground])
    digits = draw("00", size=size)
    room = 0.2 * digits.height
    box = Box(
        drawing.box.x - room,
        digits.box.y - room,
        drawing.box.w + 2 * room,
        digits.box.h + 2 * room,
    )
    reading = read(drawing, box, missing="--")
    if ground == "outlined":  # what the general reader sees in outlined dashes varies
        assert reading.text == "--" or reading.probability < 0.5
        assert "--" in {alternative.text for alternative in reading.alternatives}
    else:
        assert reading.text == "--"
        assert reading.probability >= 0.999


@pytest.mark.parametrize("after", ["W", "%", " fps", " °C"])
@pytest.mark.parametrize("size", [18, 36])
def test_the_mark_for_no_value_is_read_beside_its_unit(after: str, size: int) -> None:
    drawing, digits = draw("--", size=size, after=after), draw("00", size=size)
    room = 0.2 * digits.height
    place = drawing.box
    wide = place.w + 3.5 * digits.height
    box = Box(place.x - room, digits.box.y - room, wide, digits.box.h + 2 * room)
    reading = read(drawing, box, missing="--")
    assert (reading.text, reading.cut) == ("--", False)
    assert reading.probability >= 0.999


@pytest.mark.parametrize("hidden", [False, True])
def test_nothing_hides_between_dashes_and_their_unit(hidden: bool) -> None:
    picture = np.full((85, 150, 3), 40, np.uint8)
    picture[41:45, 30:46] = picture[41:45, 52:68] = 235
    picture[28:58, 110:116] = picture[28:34, 110:128] = 235  # a letter
    if hidden:
        picture[28:58, 82:88] = 140  # what may be a stroke
    edges = (20.0, 20.0, 140.0, 65.0)
    assert find_dashes(picture, edges, 30.0) == ()
    assert len(find_dashes(picture, edges, 30.0, until=90.0)) == (0 if hidden else 2)


@pytest.mark.parametrize(
    ("line", "parted"),
    [
        ("--W", ("--", "W")),
        ("- fps", ("--", "fps")),
        ("--lW", None),  # its letter may be a digit
        ("-5W", ("-5", "W")),
        ("-- 5W", None),
    ],
)
def test_dashes_are_parted_from_their_unit(line: str, parted: tuple[str, str] | None) -> None:
    found = part(line, "number", "--")
    assert (found and (found.text, found.unit)) == parted
    assert part("-idle", "word", "-") == Parted("-idle", "", 0, 5)


@pytest.mark.parametrize(
    ("text", "kind"),
    [("1 400", "number"), ("-1 728", "number"), ("1454 × 818", "size"), ("1 h 23 min", "duration")],
)
@pytest.mark.parametrize("name", [name for name in FONTS if "Mono" in name])
def test_a_space_in_a_figure_may_be_as_wide_as_a_digit(name: str, text: str, kind: Kind) -> None:
    drawing = draw(text, name=name, size=36)
    reading = read(drawing, loose(drawing), thousands=" ", kind=kind)
    assert reading.text == text.replace(" ", "").replace("×", "x")
    assert reading.probability >= 0.999


@pytest.mark.parametrize("name", FONTS)
@pytest.mark.parametrize("text", ["-7", "1.1", "0:00", "-1.111"])
def test_no_figure_looks_like_dashes(name: str, text: str) -> None:
    drawing = draw(text, name=name, size=36)
    box = loose(drawing)
    edges = (box.x, box.y, box.right, box.bottom)
    assert find_dashes(drawing.image, edges, drawing.height) == ()


@pytest.mark.parametrize("name", FONTS)
@pytest.mark.parametrize("reach", [0.0, 0.25, 0.5])
def test_half_a_percent_sign_is_no_digit(name: str, reach: float) -> None:
    drawing = draw("72", name=name, size=36, after="%")
    box = loose(drawing, 0.1)
    wider = Box(box.x, box.y, box.w + reach * drawing.height, box.h)
    reading = read(drawing, wider, kind="percentage")
    assert reading.text == "72" or reading.probability < 0.999
    if not name.startswith("matplotlib/DejaVuSerif"):
        assert reading.text == "72"


@pytest.mark.parametrize("name", FONTS)
@pytest.mark.parametrize("inside", [0.0, 0.4, 0.9])
def test_a_sign_that_the_box_cuts_off_is_not_lost(name: str, inside: float) -> None:
    drawing = draw("-20.8", name=name, size=36, before="P ")
    bare = draw("20.8", name=name, size=36, before="P -")
    box = loose(drawing, 0.1)
    sign = bare.box.x - drawing.box.x
    left = drawing.box.x + (1 - inside) * sign
    reading = read(drawing, Box(left, box.y, box.right - left, box.h))
    assert reading.text == "-20.8" or reading.probability < 0.999


@pytest.mark.parametrize("name", FONTS)
@pytest.mark.parametrize("before", ["GPU-", "GPU - "])
def test_a_dash_that_joins_label_and_figure_is_no_sign(name: str, before: str) -> None:
    drawing = draw("58.3", name=name, size=36, before=before)
    reading = read(drawing, loose(drawing, 0.1))
    assert reading.text == "58.3" or reading.probability < 0.999


def test_outlined_letters_are_told_from_their_rims() -> None:
    random = np.random.default_rng(5)
    for size in (18, 30, 48):
        drawing = draw("58.3", size=size, ground=scene(random), outline=(0, 0, 0), before="P ")
        box = loose(drawing)
        ink = find_ink(drawing.image, (box.x, box.y, box.right, box.bottom), drawing.height)
        assert ink is not None
        assert ink.edges == pytest.approx(
            (drawing.box.x, drawing.box.y, drawing.box.right, drawing.box.bottom), abs=2.5
        )


def test_a_smeared_figure_is_less_sharp() -> None:
    crop = draw("58.3", size=36).crop(0.2)
    smeared = np.stack([np.roll(crop, shift, axis=1) for shift in range(-3, 4)]).mean(axis=0)
    assert sharpness(smeared.astype(np.uint8)) < 0.4 < sharpness(crop)
    assert sharpness(np.full((9, 9, 3), 7, np.uint8)) == 0.0


def test_only_the_readouts_asked_for() -> None:
    drawing = draw("58.3")
    found = Found("abcdefgh", 1.0, Box(0, 0, 9, 9), 1.0, (Place("it", loose(drawing)),))
    assert default_reader().read_found(drawing.image, found, layout(), only=()) == ()


# ---------------------------------------------------------------- lines and words


def test_a_line_tells_where_its_characters_stand() -> None:
    drawing = draw("FPS 58.3", size=36)
    line = default_reader().read_line(drawing.crop(0.3))
    assert line.text.replace(" ", "") == "FPS58.3"
    assert "".join(char.char for char in line.chars) == line.text
    five = next(char for char in line.chars if char.char == "5")
    start = draw("58.3", size=36, before="FPS ").box.x - drawing.box.x + 0.3 * drawing.height
    assert five.x0 == pytest.approx(start, abs=0.4 * drawing.height)
    assert all(a.x1 <= b.x0 + 1e-6 for a, b in pairwise(line.chars))


def test_words_are_found_where_they_stand() -> None:
    drawing = draw("Power", size=26, before="", ground=(30, 60, 90))
    image = np.zeros((320, 420, 3), np.uint8) + np.uint8(40)
    high, wide = drawing.image.shape[:2]
    image[100 : 100 + high, 150 : 150 + wide] = drawing.image
    (word,) = default_reader().find_words(image)
    assert word.text == "Power"
    assert word.probability > 0.9
    truth = Box(150 + drawing.box.x, 100 + drawing.box.y, drawing.box.w, drawing.box.h)
    assert word.box.overlap(truth) > 0.9 * truth.w * truth.h
    assert word.box.w * word.box.h < 3 * truth.w * truth.h


@pytest.mark.parametrize("above", range(356, 412, 8))
def test_text_where_bands_meet_is_found_whole(above: int) -> None:
    """A capture of 1000 × 640 is looked at in two bands, from 0 to 400 and from 304 on."""
    capture = np.full((640, 1000, 3), (24, 26, 32), np.uint8)
    drawing = draw("64", size=40)
    high, wide = drawing.image.shape[:2]
    top = above - round(drawing.box.y)
    capture[top : top + high, 200 : 200 + wide] = drawing.image
    (word,) = default_reader().find_words(capture)
    assert word.text == "64"
    assert word.box.y <= above + 2
    assert word.box.bottom >= above + drawing.box.h - 2


def test_the_identity_names_weights_and_libraries() -> None:
    identity = reader_identity()
    assert default_reader().identity == identity
    for each in ("method=", "onnxruntime=", "opencv=", "tess"):
        assert each in identity


@pytest.mark.parametrize(
    ("seen", "best", "said"),
    [
        ("456", "45.6", "45.6"),  # a point that was lost
        ("1234", "12:34", "12:34"),
        ("45.6", "456", "45.6"),  # one that only the second reader saw
        ("4.56", "45.6", "4.56"),  # one elsewhere
        ("457", "45.6", "457"),
        ("", "45.6", ""),
    ],
)
def test_points_are_given_back_to_the_second_reader_but_never_taken(
    seen: str, best: str, said: str
) -> None:
    assert _with_points(Look("second", seen, 0.97), best).text == said
