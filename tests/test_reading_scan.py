"""What the own reader takes for a figure that stands alone: nothing may be lost beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Literal

import cv2
import numpy as np
import pytest
from drawn_figures import FONTS, Drawing, draw, scene

from extractor.calibration.model import Marks, Quantity, Readout
from extractor.reading.asking import Ask
from extractor.reading.ctc import Columns
from extractor.reading.interface import Picture
from extractor.reading.own import OwnReader
from extractor.reading.scan import Scan, Target, scan
from extractor.records import Kind

READER = OwnReader()


def ask_for(quantity: Quantity, **more: Any) -> Ask:
    """Ask for a figure of a readout with nothing stated."""
    return Ask("number", readout=Readout(name="a", kind="number", quantity=quantity), **more)


CLOCK = ask_for("clock")  # never negative: a stroke before it is no sign


def look(
    drawing: Drawing, *, room: float = 0.9, kind: Kind = "number", ask: Ask | None = None
) -> Scan:
    """Scan a figure in a box with room for one more digit on its left."""
    box, high = drawing.box, drawing.height
    m = 0.2 * high
    edges = (box.x - m - room * high, box.y - m, box.right + m, box.bottom + m)
    (found,) = scan(READER, [Target(drawing.image, edges, high, ask or Ask(kind))])
    return found


def test_plain_figures_need_two_looks_of_the_first_net() -> None:
    drawn = [draw("58.3", name=n, size=34, before="P        ", after=" V") for n in FONTS]
    found = [look(each, ask=CLOCK) for each in drawn]
    assert [(each.text, each.plain) for each in found] == [("58.3", True)] * len(FONTS)
    few = [
        [each.reader for each in one.looks] == ["own reader (box)", "own reader (close)"]
        for one in found
    ]
    assert sum(few) >= len(FONTS) - 2


def test_the_ink_that_was_cut_close_has_the_height_of_the_digits() -> None:
    drawing = draw("58.3", size=40)
    assert look(drawing).height == pytest.approx(drawing.height, abs=3)


@pytest.mark.parametrize(("text", "digits"), [("3-6-6", True), ("9:1", True), ("--", False)])
def test_digits_are_noted_that_make_no_figure(text: str, digits: bool) -> None:
    """Strokes that look like dashes are then no mark for no value: digits were seen there."""
    found = look(draw(text, size=34), ask=Ask("number", missing="--"))
    assert (found.text, found.digits > 0) == ("", digits)


@pytest.mark.parametrize(
    ("ground", "after"),
    [
        *(("even", after) for after in ("fps", " %", "GHz")),
        *(("scene", after) for after in ("fps", " %", "GHz")),
        *(("stroke", after) for after in (" fps", " %", "GHz")),
    ],
)
def test_dashes_count_that_both_nets_see_on_an_even_ground(ground: str, after: str) -> None:
    """On a scene, or beside a stroke, digits may be hidden that no net sees."""
    busy = scene(np.random.default_rng(5)) if ground == "scene" else (40, 44, 60)
    drawing = draw("--", size=34, after=after, ground=busy)
    box, high, digits = drawing.box, drawing.height, draw("00", size=34).box
    middle = digits.y + digits.h / 2
    if ground == "stroke":
        x = round(box.right + 0.1 * high)
        drawing.image[round(middle - 0.5 * high) : round(middle + 0.5 * high), x : x + 4] = 140
    edges = (box.x - 0.3 * high, middle - 0.7 * high, box.right + 3 * high, middle + 0.7 * high)
    ask = ask_for("power", missing="--")
    (found,) = scan(READER, [Target(drawing.image, edges, high, ask)])
    assert found.dashed == (ground == "even")


@pytest.mark.parametrize("seed", range(40))
def test_a_sign_that_a_scene_half_hides_is_not_lost(seed: int) -> None:
    """Blobs around the sign, which take it for a colon or a dot where they lie below it."""
    random = np.random.default_rng(seed)
    ground = scene(random) // 4
    drawing = draw("-446", size=30, ground=ground, ink=(250, 230, 170), outline=(10, 10, 10))
    for _ in range(3):
        x = drawing.box.x + random.uniform(-0.6, 0.3) * drawing.height
        off = random.uniform(0.3, 0.8) * random.choice([-1, 1]) * drawing.height
        shade = tuple(int(v) for v in random.uniform(60, 255, 3))
        middle = (round(x), round(drawing.box.y + 0.6 * drawing.box.h + off))
        cv2.circle(drawing.image, middle, int(random.integers(2, 4)), shade, -1)
    found = look(drawing)
    assert not found.plain or found.text == "-446" or min(found.path_sums) < 0.99


@pytest.mark.parametrize("seed", range(40))
def test_a_stroke_of_the_scene_is_no_sign(seed: int) -> None:
    random = np.random.default_rng(seed)
    drawing = draw("446", size=30, ground=scene(random) // 4, outline=(10, 10, 10))
    x, y = drawing.box.x - 0.5 * drawing.height, drawing.box.y + 0.5 * drawing.height
    shade = tuple(int(v) for v in random.uniform(60, 200, 3))
    ends = [round(x - 0.2 * drawing.height), round(x + 0.2 * drawing.height)]
    cv2.line(drawing.image, (ends[0], round(y)), (ends[1], round(y)), shade, 3)
    found = look(drawing)
    assert not found.plain or found.text == "446" or min(found.path_sums) < 0.999


@pytest.mark.parametrize("name", FONTS)
@pytest.mark.parametrize("size", [20, 34])
def test_a_short_sign_on_a_scene_is_not_lost(name: str, size: int) -> None:
    """A hyphen as some fonts have it: a third of a digit's height long."""
    ground = scene(np.random.default_rng(size)) // 3
    drawing = draw("2309", name=name, size=size, ground=ground, outline=(10, 10, 10))
    x, y = drawing.box.x, drawing.box.y + 0.65 * drawing.height
    ends = [round(x + share * drawing.height) for share in (-0.45, -0.15)]
    cv2.rectangle(drawing.image, (ends[0], round(y)), (ends[1], round(y) + 1), (240, 240, 240), -1)
    found = look(drawing)
    assert not found.plain or found.text == "-2309"


def test_what_may_hide_a_sign_is_a_doubt_where_there_may_be_one() -> None:
    """A stroke of the scene in the ink's own colour passes where a sign would lie upon it."""
    told = 0
    for name in FONTS[:5]:
        drawing = draw("951", name=name, size=34)
        x, y, high = drawing.box.x, drawing.box.y, drawing.height
        ink = tuple(int(v) for v in drawing.image[int(y) : int(y + high), int(x) :].max((0, 1)))
        ends = [(round(x - share * high), round(y + rise * high)) for share, rise in
                ((0.75, -0.8), (0.25, 1.8))]  # fmt: skip
        cv2.line(drawing.image, *ends, ink, round(0.35 * high))
        may, never = (look(drawing, ask=ask_for(q)) for q in ("power", "clock"))  # type: ignore[arg-type]
        assert (may.plain, may.whole) == (False, False)
        told += never.whole
    assert told >= 3


def test_a_digit_that_the_first_net_half_takes_for_a_letter_is_a_doubt() -> None:
    """The second net reads it, and then not both say the same."""
    drawing = draw("2900", size=34, after="MHz")
    found = look(drawing, ask=CLOCK)
    assert (found.text, found.plain) == ("2900", True)
    box, m = drawing.box, 0.2 * drawing.height
    edges = (box.x - m, box.y - m, box.right + m, box.bottom + m)
    (found,) = scan(HalfALetter(), [Target(drawing.image, edges, drawing.height, CLOCK)])
    assert "290" in [look.text for look in found.looks]
    assert not found.plain


@pytest.mark.parametrize("name", FONTS)
@pytest.mark.parametrize("shift", [0.3, 0.6, 0.9, 1.3, 2.0])
def test_a_digit_outside_the_box_is_a_doubt(name: str, shift: float) -> None:
    drawing = draw("71583.4", name=name, size=36)
    box, m = drawing.box, 0.2 * drawing.height
    edges = (box.x + shift * drawing.height, box.y - m, box.right + m, box.bottom + m)
    (found,) = scan(READER, [Target(drawing.image, edges, drawing.height, Ask("number"))])
    assert not found.plain or found.text == "71583.4"


@pytest.mark.parametrize("after", ["O", "ofps", "\u2009\u2009ofps"])
def test_a_letter_like_a_digit_beside_a_figure_is_a_doubt(after: str) -> None:
    assert not look(draw("79", size=36, after=after)).plain


@pytest.mark.parametrize("name", FONTS[:-1])
def test_a_unit_that_touches_the_box_is_no_doubt(name: str) -> None:
    """Its ink is not the figure's; a second net says that nothing else stands there."""
    drawing = draw("72", name=name, size=34, after="W")
    box, m = drawing.box, 0.2 * drawing.height
    edges = (box.x - m, box.y - m, box.right + 0.6 * drawing.height, box.bottom + m)
    (found,) = scan(READER, [Target(drawing.image, edges, drawing.height, Ask("number"))])
    assert (found.text, found.plain, found.whole) == ("72", True, True)


# In narrow digits such a bar is taken for the seven's own.
@pytest.mark.parametrize("name", [each for each in FONTS if "SourceSansPro-Regular" not in each])
@pytest.mark.parametrize("long", [0.5, 0.7])
def test_a_sign_that_touches_its_digit_is_not_lost(name: str, long: float) -> None:
    drawing = draw("71.6", name=name, size=34)
    x, y = drawing.box.x, drawing.box.y + 0.5 * drawing.height
    rows = slice(int(drawing.box.y), int(drawing.box.y + drawing.height))
    ink = tuple(int(v) for v in drawing.image[rows, int(x) : int(drawing.box.right)].max((0, 1)))
    thick = max(2, round(0.1 * drawing.height))
    ends = (round(x - long * drawing.height), round(y)), (round(x + 0.3 * drawing.height), round(y))
    cv2.line(drawing.image, *ends, ink, thick)
    found = look(drawing)
    assert not found.plain or found.text != "71.6"


@pytest.mark.parametrize("text", ["15 min 12 s", "0 h 9 min"])
def test_of_a_duration_no_part_is_plain(text: str) -> None:
    whole = "".join(text.split())
    for size in (12, 20, 36):
        found = look(draw(text, size=size), kind="duration")
        assert not found.plain or found.text == whole


@pytest.mark.parametrize("name", ["matplotlib/DejaVuSansMono.ttf", "matplotlib/DejaVuSans.ttf"])
@pytest.mark.parametrize(
    ("drawn", "text", "kind", "thousands"),
    [("1280 × 720", "1280x720", "size", None), ("2 500", "2500", "number", " ")],
)
def test_what_spaces_part_holds_together_in_even_letters(
    name: str, drawn: str, text: str, kind: Kind, thousands: Literal[" "] | None
) -> None:
    ask = replace(CLOCK, kind=kind, marks=Marks(thousands=thousands))
    found = look(draw(drawn, name=name, size=34), room=0.3, ask=ask)
    assert (found.text, found.plain) == (text, True)


class HalfALetter(OwnReader):
    """Takes the last zero for a d, though hardly, wherever the first net looks."""

    def look(self, lines: Sequence[Picture], net: str) -> list[Columns]:
        seen = super().look(lines, net)
        if net == "first":
            zero, letter = (seen[0].characters.index(char) + 1 for char in "0d")
            for line in seen:
                runs = [run for run in line.runs if run[0] == zero]
                if len(runs) > 1:
                    _, begin, end, _ = runs[-1]
                    line.probabilities[begin:end, letter] = (
                        0.53 * line.probabilities[begin:end, zero]
                    )
                    line.probabilities[begin:end, zero] *= 0.47
        return seen


class Blind(OwnReader):
    """Sees nothing left of the middle in its first look with the first net."""

    def __init__(self) -> None:
        super().__init__()
        self.looked = False

    def look(self, lines: Sequence[Picture], net: str) -> list[Columns]:
        seen = super().look(lines, net)
        if self.looked:
            return seen
        self.looked = True
        for line in seen:
            left = line.probabilities[: int(0.45 * len(line.probabilities))]
            left[:] = np.eye(1, left.shape[1])
        return seen


def test_thousands_that_the_first_net_does_not_see_are_not_lost() -> None:
    """They stand 1.7 digit heights from the next digit in even letters."""
    drawing = draw("7 769", name="matplotlib/DejaVuSansMono.ttf", size=32)
    box, m = drawing.box, 0.2 * drawing.height
    edges = (box.x - m, box.y - m, box.right + m, box.bottom + m)
    ask = replace(CLOCK, marks=Marks(thousands=" "))
    # A little lower than they are, as locating may think.
    (found,) = scan(Blind(), [Target(drawing.image, edges, 0.93 * drawing.height, ask)])
    assert "769" in [look.text for look in found.looks]
    assert not found.plain


def test_no_other_target_changes_what_one_is_read_as() -> None:
    drawings = [draw(t, size=s) for t, s in (("58.3", 20), ("-0.7", 40), ("1280", 15), ("9", 60))]
    targets = []
    for each in drawings:
        box, m = each.box, 0.3 * each.height
        edges = (box.x - m, box.y - m, box.right + m, box.bottom + m)
        targets.append(Target(each.image, edges, each.height, Ask("number")))
    together = scan(READER, targets)
    for target, found in zip(targets, together, strict=True):
        (alone,) = scan(READER, [target])
        assert (alone.text, alone.plain, alone.unit) == (found.text, found.plain, found.unit)
        assert alone.probability == pytest.approx(found.probability, abs=1e-5)


def test_nothing_to_see() -> None:
    for picture in (np.zeros((0, 0, 3), np.uint8), np.full((30, 80, 3), 90, np.uint8)):
        (found,) = scan(READER, [Target(picture, (2, 2, 60, 25), 15.0, Ask("number"))])
        assert (found.text, found.plain, found.looks) == ("", False, ())


@pytest.mark.parametrize(
    ("text", "decimals", "settled"),
    [
        ("4,5", 1, "4.5"),
        ("-12,07", 2, "-12.07"),
        ("4,512", 1, "4,512"),  # a group of thousands that the layout does not state
        ("4,512", 3, "4,512"),
        ("1,234,5", 1, "1,234,5"),
        ("4,5", None, "4,5"),
        ("4.5", 1, "4.5"),
    ],
)
def test_a_comma_is_a_point_only_where_decimals_leave_no_doubt(
    text: str, decimals: int | None, settled: str
) -> None:
    ask = Ask("number", decimals=decimals, marks=Marks(decimal=".", thousands="none"))
    assert ask.settle_mark(text) == settled


class OhForZero(OwnReader):
    """Takes every zero for a letter O."""

    def look(self, lines: Sequence[Picture], net: str) -> list[Columns]:
        seen = super().look(lines, net)
        for columns in seen:
            letter = 1 + columns.characters.index("O")
            columns.probabilities[:, letter] += columns.probabilities[:, self.DIGITS.start]
            columns.probabilities[:, self.DIGITS.start] = 0.0
        return seen


@pytest.mark.parametrize(
    ("drawn", "decimals", "read"),
    [("0", None, "0"), ("3.0", None, "3.0"), ("0.51", 2, "0.51"), ("905", None, "905"),
     ("4.20", 2, "4.20"), ("4.20", None, ""), ("790", None, ""), ("1:20", None, "1:20")],
)  # fmt: skip
def test_a_letter_like_a_zero_is_one_where_no_letter_can_stand(
    drawn: str, decimals: int | None, read: str
) -> None:
    drawing = draw(drawn, size=34, after="%" if drawn == "0" else "W")
    box, m = drawing.box, 0.2 * drawing.height
    edges = (box.x - m, box.y - m, box.right + m, box.bottom + m)
    kind: Kind = "duration" if ":" in drawn else "number"
    target = Target(drawing.image, edges, drawing.height, Ask(kind, decimals=decimals))
    (found,) = scan(OhForZero(), [target])
    assert (found.text if found.plain else "") == read


def test_a_letter_o_that_ends_a_label_is_no_zero() -> None:
    """The box of a figure that is not shown reaches over the end of its label."""
    drawing = draw("TURBO", size=34)
    box, m = drawing.box, 0.2 * drawing.height
    edges = (box.right - 0.8 * drawing.height, box.y - m, box.right + 60.0, box.bottom + m)
    (found,) = scan(READER, [Target(drawing.image, edges, drawing.height, Ask("number"))])
    assert not found.plain
