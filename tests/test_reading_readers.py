"""What the cascade makes of its readers: stand-ins that are silent, failing, garbled or wrong."""

from __future__ import annotations

import time
from collections.abc import Collection, Sequence

import numpy as np
import pytest
from drawn_figures import FONTS, draw

from extractor.calibration.model import Quantity, Readout
from extractor.reading import trust
from extractor.reading.asking import Ask, View, gather
from extractor.reading.cascade import FigureReader, Seen, _is_part, _Own, _together
from extractor.reading.ctc import Columns
from extractor.reading.ink import roundness
from extractor.reading.interface import Picture
from extractor.reading.own import Looks, OwnReader, likeliest
from extractor.reading.scan import BOX, CLOSE, Scan, Target
from extractor.reading.tesseract import Said
from extractor.records import Look

CROP = draw("58.3").crop(0.2)
RELEASED = 0.999  # what judging asks for


class Says:
    """A reader that reads ``text`` in every crop, each character with ``sure``."""

    name = "says"
    identity = "says 1"

    def __init__(self, text: str, sure: float = 0.99999) -> None:
        self.text, self.sure, self.asked = text, sure, 0

    def read(self, lines: Sequence[Picture], characters: Collection[str]) -> list[Columns]:
        self.asked += len(lines)
        names = sorted(set(self.text)) or ["0"]
        rows = np.full((2 * len(self.text) + 1, len(names) + 1), (1 - self.sure) / len(names))
        rows[::2, 0] = self.sure
        for at, char in enumerate(self.text):
            rows[2 * at + 1, names.index(char) + 1] = self.sure
        return [Columns(rows, names) for _ in lines]


class Own(Says):
    """Stands for the own reader; evenly spread over each line."""

    def read(self, lines: Sequence[Picture], characters: object = None) -> list[Looks]:  # type: ignore[override]
        seen = self.look(lines, "first")
        return [Looks([c], best) for c, best in zip(seen, likeliest(seen), strict=True)]

    def look(self, lines: Sequence[Picture], net: str) -> list[Columns]:
        seen = super().read(lines, "")
        for columns, line in zip(seen, lines, strict=True):
            columns.px = line.shape[1] / len(columns.probabilities)
        return seen


def doubtful(general: Says, last: Witness) -> FigureReader:
    """A cascade whose own reader sees nothing."""
    return FigureReader(Own(""), general, last)  # type: ignore[arg-type]


def looked_at(reader: FigureReader, count: int = 1, ask: Ask | None = None) -> list[Seen]:
    """What comes of ``CROP`` where readers are asked as they are for layouts."""
    high, wide = CROP.shape[:2]
    target = Target(CROP, (0, 0, wide, high), high / 1.25, ask or Ask("number"))
    return reader._see([target] * count)


class Witness:
    """A last reader that says ``text`` with ``sure``."""

    name = "witness"
    identity = "witness 1"

    def __init__(self, text: str, sure: float = 0.95) -> None:
        self.text, self.sure = text, sure

    def read(self, lines: Sequence[Picture], characters: Collection[str]) -> list[Said]:
        return [Said(self.text, self.sure) for _ in lines]


class Crashing(Witness):
    def read(self, lines: Sequence[Picture], characters: Collection[str]) -> list[Said]:
        raise RuntimeError("out of order")


class Slow(Witness):
    def read(self, lines: Sequence[Picture], characters: Collection[str]) -> list[Said]:
        time.sleep(0.2)
        raise TimeoutError("no answer in time")


def test_what_is_plain_to_the_own_reader_needs_no_other() -> None:
    general, last = Says("53.8"), Crashing("")
    (figure,) = looked_at(FigureReader(Own("58.3"), general, last))  # type: ignore[arg-type]
    assert (figure.text, general.asked) == ("58.3", 0)
    assert RELEASED < figure.probability <= trust.CEILING


@pytest.mark.parametrize("says", ["58.3", "", "-58.3", "158.3"])
@pytest.mark.parametrize("busy", [True, False])
def test_on_a_scene_what_is_plain_is_shown_to_the_general_reader_too(busy: bool, says: str) -> None:
    """Scenes deceive all looks of the own reader alike; what the other does not see counts not."""
    ground = np.full((120, 260, 3), (24, 26, 32), np.uint8)
    if busy:
        ground[:, ::40] = ground[:, 1::40] = ground[:, 2::40] = (60, 70, 50)
        ground[::9] = (60, 70, 50)
    drawing = draw("58.3", size=34, ground=ground)
    box, m = drawing.box, 0.2 * drawing.height
    edges = (box.x - m, box.y - m, box.right + m, box.bottom + m)
    general = Says(says)
    reader = FigureReader(general=general, last=Witness(""))  # type: ignore[arg-type]
    ask = Ask("number", readout=Readout(name="a", kind="number", quantity="clock"))
    (seen,) = reader._see([Target(drawing.image, edges, drawing.height, ask)])
    assert (general.asked > 0) == busy
    released = seen.probability >= RELEASED
    assert released == (not busy or says in ("58.3", ""))
    assert seen.text == "58.3" or not released
    assert released or seen.probability <= trust.PROPOSED


@pytest.mark.parametrize("own", ["", "53.8", "5B:_3", "58"])
def test_what_the_own_reader_doubts_or_the_general_one_contradicts_is_not_released(
    own: str,
) -> None:
    reader = FigureReader(Own(own, 0.9), Says("58.3"), Witness(""))  # type: ignore[arg-type]
    (figure,) = looked_at(reader)
    assert figure.probability < RELEASED


def test_who_sees_the_same_takes_nothing_from_what_is_plain() -> None:
    plain = looked_at(FigureReader(Own("58.3", 0.99999), Says(""), Crashing("")))  # type: ignore[arg-type]
    general = Says("58.3", 0.8)
    reader = FigureReader(Own("58.3", 0.99992), general, Witness("58.3"))  # type: ignore[arg-type]
    (figure,) = looked_at(reader)
    assert general.asked
    assert RELEASED < figure.probability < plain[0].probability
    assert figure.alternatives[0].probability == figure.probability


def test_of_other_decimals_than_are_stated_slower_readers_know_more() -> None:
    reader = FigureReader(Own("58", 0.999), Says("58.3"), Witness("58.3"))  # type: ignore[arg-type]
    (figure,) = looked_at(reader, ask=Ask("number", decimals=1))
    assert (figure.text, figure.probability <= trust.PROPOSED) == ("58.3", True)


@pytest.mark.parametrize(
    ("cut", "busy", "part_of_it"),
    [
        ("400", False, True),
        ("400", True, False),  # a scene may show strokes like digits
        ("100", False, False),
        ("", False, False),
        ("1400", False, False),
    ],
)
def test_a_cut_that_lost_digits_does_not_count(cut: str, busy: bool, part_of_it: bool) -> None:
    def view(text: str, p: float = 0.99) -> View:
        (columns,) = Says("").read([CROP], "")
        return View("it", columns, {text: p}, {}, 0.0, text)

    found = Scan("1400", views=[view("1400")], around=Look("box", "1400", 0.9), busy=busy)
    assert _is_part(view(cut), [view("1400"), view("1400")], found) is part_of_it
    assert not _is_part(view(cut), [view("1400"), view("1400", 0.6)], found)
    signed = Scan("-400", views=[view("-400")], around=Look("box", "-400", 0.9))
    assert not _is_part(view("400"), [view("-400")], signed)  # a sign alone is no digit


@pytest.mark.parametrize(("text", "cut"), [("-1400", "400"), ("2'100", "00"), ("1.60", "60")])
def test_signs_and_marks_are_lost_with_their_digits(text: str, cut: str) -> None:
    def view(text: str) -> View:
        return View("it", Says("").read([CROP], "")[0], {text: 0.99}, {}, 0.0, text)

    found = Scan(text, views=[view(text)], around=Look("box", text, 0.9))
    assert _is_part(view(cut), [view(text), view(text)], found)


@pytest.mark.parametrize(
    ("general", "last", "even", "dotted", "silenced"),
    [
        (0.995, "58.3", True, False, True),
        (0.97, "58.3", True, False, False),  # the general reader is not sure itself
        (0.995, "58.8", True, False, False),
        (0.995, "", True, False, False),
        (0.995, "58.3", False, False, False),  # a scene deceives all looks alike
        (0.995, "58.3", True, True, False),  # as do letters of few dots
    ],
)
def test_a_second_thought_is_outvoted_by_readers_of_three_makes(
    general: float, last: str, even: bool, dotted: bool, silenced: bool
) -> None:
    looks = (Look(BOX, "58.3", 0.9), Look("close", "58.3", 0.85), Look("close, or", "58.8", 0.14))
    ask = Ask("number")
    views = [gather("it", Says("58.3", general ** (1 / 9)).read([CROP], "")[0], ask)]
    witnesses = [Look("last", last, 0.9)] if last else []
    seen = _together(views, _Own(looks, even, dotted), witnesses, ask, True)
    thought = next(look.probability for look in seen.looks if look.reader == "close, or")
    assert (thought < 0.001) == silenced
    assert seen.text == "58.3"


class Nets(OwnReader):
    """The own reader with nets that read the same in every line; notes which were asked."""

    def __init__(self, **says: tuple[str, float]) -> None:
        self.says, self.asked = says, list[str]()

    def look(self, lines: Sequence[Picture], net: str) -> list[Columns]:
        self.asked += [net] if lines else []
        text, path_sum = self.says[net]
        sure = path_sum ** (1 / (2 * len(text) + 1))
        return list(Says(text, sure).read(lines, ""))


@pytest.mark.parametrize(
    ("first", "second", "asked", "texts"),
    [
        (("58.3", 0.98), ("58.8", 0.99), ["first"], ["58.3"]),
        (("58.3", 0.90), ("58.3", 0.99), ["first", "second"], ["58.3"]),
        (("58.3", 0.90), ("58.8", 0.99), ["first", "second", "third"], ["58.8", "53.8"]),
        (("58.3", 0.90), ("58.3", 0.90), ["first", "second", "third"], ["58.3", "53.8"]),
    ],
)
def test_the_next_net_looks_where_those_before_are_unsure_or_differ(
    first: tuple[str, float], second: tuple[str, float], asked: list[str], texts: list[str]
) -> None:
    reader = Nets(first=first, second=second, third=("53.8", 0.8))
    (looks,) = reader.read([CROP])
    assert reader.asked == asked
    assert [each.text for each in looks.texts()][: len(texts)] == texts
    assert looks.texts()[0].probability == pytest.approx(
        first[1] if len(asked) == 1 else second[1] / (len(asked) - 1), abs=0.02
    )


@pytest.mark.parametrize(
    ("dissents", "others", "outvoted"),
    [
        (CLOSE, 2, True),  # it errs twice as often as the second, which looked as well
        (CLOSE, 0, False),
        ("own reader (close, second net)", 2, False),
        (BOX, 2, False),
    ],
)
def test_of_dissenting_looks_only_the_first_nets_is_outvoted(
    dissents: str, others: int, outvoted: bool
) -> None:
    names = (BOX, CLOSE, "own reader (close, second net)", "own reader (wider)")
    looks = [
        Look(name, "58.8" if name == dissents else "58.3", 0.9) for name in names[: 2 + others]
    ]
    own = _Own(tuple(looks), True, False)
    assert (own.outvoted("58.3", 0.9999) != own) is outvoted


def test_the_own_reader_backs_the_general_one() -> None:
    general = Says("58.3")
    reader = FigureReader(Own("58.3", 0.99), general, Crashing(""))  # type: ignore[arg-type]
    (figure,) = looked_at(reader)
    assert general.asked
    assert figure.text == "58.3"
    assert figure.probability >= RELEASED


@pytest.mark.parametrize(
    ("around", "close", "even", "backs", "strong"),
    [
        (0.6, 0.96, False, True, False),
        (0.6, 0.96, True, True, True),
        (0.2, 0.96, True, True, True),
        (0.2, 0.96, False, False, False),
        (0.05, 0.96, True, False, False),
        (0.6, 0.92, True, True, False),
        (0.6, 0.85, True, False, False),
    ],
)
def test_where_all_close_looks_say_the_same_one_strong_look_of_the_general_reader_is_enough(
    around: float, close: float, even: bool, backs: bool, strong: bool
) -> None:
    looks = (Look(BOX, "58.3", around), Look("close", "58.3", close), Look("wider", "58.3", 0.99))
    own = _Own(looks, even, False)
    assert (own.backs("58.3"), own.is_strong("58.3")) == (backs, strong)
    assert not own.backs("58.8")
    assert not _Own((*looks, Look("wider, or", "58.8", 0.2)), even, False).backs("58.3")
    views = [gather("it", Says("58.3", p).read([CROP], "")[0], Ask("number")) for p in (0.93, 1.0)]
    assert (_together(views, own, [], Ask("number"), True).probability >= RELEASED) == strong
    assert _together(views[:1], own, [], Ask("number"), True).probability < RELEASED


@pytest.mark.parametrize(("says", "released"), [("58.3", True), ("53.8", False)])
def test_letters_in_few_dots_are_always_shown_to_the_general_reader(
    says: str, released: bool
) -> None:
    """Nets misread such a font with certainty, if they have not met it."""
    small = draw("58.3", size=12).crop(0.25)
    dots = np.where(small.mean(axis=2, keepdims=True) > 120, np.uint8(240), np.uint8(30))
    picture = np.ascontiguousarray(np.broadcast_to(dots, small.shape).repeat(4, 0).repeat(4, 1))
    general = Says(says)
    reader = FigureReader(Own("58.3"), general, Witness(says))  # type: ignore[arg-type]
    high, wide = picture.shape[:2]
    (seen,) = reader._see([Target(picture, (0, 0, wide, high), high / 1.5, Ask("number"))])
    assert general.asked
    assert (seen.probability >= RELEASED) == released


@pytest.mark.parametrize("name", FONTS)
@pytest.mark.parametrize("size", [16, 34])
def test_round_digits_are_rounder_than_letters_in_few_dots(name: str, size: int) -> None:
    drawing = draw("58.3", name=name, size=size, quality=70)
    assert roundness(drawing.crop(0.1), drawing.height) >= trust.FEW_DOTS
    small = draw("58.3", name=name, size=12).crop(0.2)
    dots = np.where(small > 120, np.uint8(240), np.uint8(30)).repeat(3, 0).repeat(3, 1)
    assert roundness(dots, 27.0) < trust.FEW_DOTS


def test_a_bare_crop_that_both_nets_read_is_shown_to_no_other() -> None:
    general = Says("53.8")
    (figure,) = FigureReader(Own("58.3", 0.93), general, Crashing("")).read_figures([CROP])  # type: ignore[arg-type]
    assert (figure.text, general.asked) == ("58.3", 0)
    assert figure.probability < RELEASED


def test_a_bare_crop_on_which_both_nets_see_nothing_is_not_released() -> None:
    (figure,) = doubtful(Says("58.3"), Witness("58.3")).read_figures([CROP])
    assert figure.text == "58.3"
    assert figure.probability <= trust.PROPOSED


@pytest.mark.parametrize(("said", "released"), [("58", False), ("58.3", True)])
def test_slower_readers_that_read_fewer_digits_than_were_seen_only_propose(
    said: str, released: bool
) -> None:
    """A space as wide as a digit parted 1 184, and both read what stands behind it."""
    reader = FigureReader(Own("5 8 3", 0.99), Says(said), Witness(said))  # type: ignore[arg-type]
    (figure,) = looked_at(reader)
    assert figure.text == said
    assert (figure.probability >= RELEASED) == released


def test_two_that_agree_need_one_look_each() -> None:
    first = Says("58.3")
    (figure,) = looked_at(doubtful(first, Witness("58.3")))
    assert figure.text == "58.3"
    assert RELEASED < figure.probability <= trust.CEILING
    assert first.asked == 1


def test_a_confidently_wrong_first_reader_is_contradicted() -> None:
    first = Says("53.8")
    (figure,) = looked_at(doubtful(first, Witness("58.3")))
    assert figure.probability < 0.97
    assert {alternative.text for alternative in figure.alternatives} >= {"53.8", "58.3"}
    assert first.asked > 1


def test_a_confidently_wrong_first_reader_is_contradicted_by_the_real_second() -> None:
    (figure,) = looked_at(FigureReader(Own(""), Says("53.8")))
    assert figure.probability < 0.97
    assert "58.3" in {alternative.text for alternative in figure.alternatives}


@pytest.mark.parametrize("second", [Crashing("58.3"), Slow("58.3")])
def test_a_failing_second_reader_ends_nothing(
    second: Witness, caplog: pytest.LogCaptureFixture
) -> None:
    figures = looked_at(doubtful(Says("58.3"), second), 2)
    assert [figure.text for figure in figures] == ["58.3", "58.3"]
    assert all(figure.probability < RELEASED for figure in figures)
    assert "failed on a crop" in caplog.text


@pytest.mark.parametrize("said", ["", "58 37 W", "....", "|||"])
def test_a_silent_or_garbled_second_reader_is_no_agreement(said: str) -> None:
    (figure,) = looked_at(doubtful(Says("58.3"), Witness(said)))
    assert figure.text == "58.3"
    assert figure.probability < RELEASED


def test_a_point_that_the_second_reader_lost_is_given_back_where_strokes_show_it() -> None:
    (figure,) = looked_at(doubtful(Says("58.3"), Witness("583")))
    assert figure.probability >= RELEASED
    for wrong in ("5.83", "583"):
        (figure,) = looked_at(doubtful(Says(wrong), Witness("58.3")))
        assert figure.probability < RELEASED


def test_a_silent_first_reader_reads_nothing() -> None:
    (figure,) = looked_at(doubtful(Says(""), Witness("58.3")))
    assert (figure.text, figure.probability) == ("", 0.0)


def test_a_garbled_first_reader_is_not_believed() -> None:
    (figure,) = looked_at(doubtful(Says("5B:_3"), Witness("58.3")))
    assert figure.probability <= trust.OFFERED
    (figure,) = doubtful(Says("5B:_3"), Witness("58.3")).read_figures([CROP])
    assert figure.probability <= trust.PROPOSED


def test_an_unsure_first_reader_is_not_made_sure_by_its_kind() -> None:
    (figure,) = looked_at(doubtful(Says("58.3", 0.7), Witness("58.3")))
    assert figure.probability < RELEASED


@pytest.mark.parametrize("sure", [True, False])
def test_trust_grows_with_the_path_sum_and_with_agreement(sure: bool) -> None:
    sums = [0.1, 0.5, 0.9, 0.99, 0.999, 1.0]
    for second in (trust._AGREES, trust._SILENT, trust._DIFFERS, trust._DIFFERS_SURELY):
        values = [trust.probability(p, p, sure, second) for p in sums]
        assert values == sorted(values)
        assert values[-1] <= trust.CEILING
    agree, silent, differs, surely = (
        trust.probability(0.999, 0.999, sure, second)
        for second in (trust._AGREES, trust._SILENT, trust._DIFFERS, trust._DIFFERS_SURELY)
    )
    assert agree > silent > differs > surely


@pytest.mark.parametrize("sure", [True, False])
def test_what_a_look_saw_only_weakly_is_not_released(sure: bool) -> None:
    assert trust.probability(0.9999, 0.95, sure, trust._AGREES) >= RELEASED
    assert trust.probability(0.9999, 0.6, sure, trust._AGREES) < RELEASED


@pytest.mark.parametrize("known", [True, False])
def test_what_is_plain_is_trusted_as_far_as_its_least_sure_looks(known: bool) -> None:
    sums = [0.9, 0.99, 0.995, 0.999, 0.9999, 1.0]
    values = [trust.plain([p], known) for p in sums]
    assert values == sorted(values)
    assert values[-1] == pytest.approx(trust.CEILING)
    assert trust.plain([1.0, 0.9, 1.0], known) < trust.plain([1.0, 1.0, 1.0], known)
    # A comma and a point differ by a px or two: where the layout does not state them, doubt stays.
    assert (trust.plain([0.995], known) >= RELEASED) == known


def test_letters_smaller_than_any_trained_ones_are_proposals() -> None:
    small = draw("58.3", size=9).crop(0.2)
    (figure,) = FigureReader().read_figures([small])
    assert figure.probability <= trust.PROPOSED
    assert all(a.probability <= trust.PROPOSED for a in figure.alternatives)


class Signless(OwnReader):
    """Never sees a minus sign."""

    def look(self, lines: Sequence[Picture], net: str) -> list[Columns]:
        seen = super().look(lines, net)
        for line in seen:
            at = line.characters.index("-") + 1
            line.probabilities[:, 0] += line.probabilities[:, at]
            line.probabilities[:, at] = 0.0
        return seen


@pytest.mark.parametrize(
    ("quantity", "general", "released"),
    [("current", "2119", False), ("current", "2118", False), ("clock", "2119", True)],
)
def test_a_stroke_left_where_a_sign_would_stand_is_never_passed_over(
    quantity: Quantity, general: str, released: bool
) -> None:
    """All looks may be cut where the sign ends, and then agree; a clock is never negative."""
    drawing = draw("-2119", size=34)
    box, m = drawing.box, 0.2 * drawing.height
    edges = (box.x - m, box.y - m, box.right + m, box.bottom + m)
    ask = Ask("number", readout=Readout(name="a", kind="number", quantity=quantity))
    reader = FigureReader(Signless(), Says(general), Witness(general))
    (seen,) = reader._see([Target(drawing.image, edges, drawing.height, ask)])
    assert seen.text in ("2119", general)
    assert (seen.probability >= RELEASED) is released


def test_what_the_own_reader_doubts_is_proposed_but_for_its_sign() -> None:
    for own, general, said in (
        ("53.8", "58.3", "53.8"),
        ("583", "58.3", "583"),
        ("58.3", "-58.3", "-58.3"),
        ("-58.3", "58.3", "58.3"),
    ):
        reader = FigureReader(Own(own, 0.985), Says(general), Witness(""))  # type: ignore[arg-type]
        (figure,) = looked_at(reader)
        assert figure.text == said
        assert figure.probability < RELEASED
