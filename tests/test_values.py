"""Texts and numbers: marks that are stated, never guessed; exact half widths; slips."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from extractor.calibration.model import Marks, Readout
from extractor.values import FormError, is_missing, neighbours, parse, shortest

PLAIN = Marks(decimal=".", thousands="none", duration="m:s")


def readout(kind: str = "number", **rest: object) -> Readout:
    return Readout.model_validate({"name": "it", "kind": kind, "quantity": "other", **rest})


def one(text: str, marks: Marks = PLAIN, kind: str = "number", **rest: object) -> float:
    (value,) = parse(text, readout(kind, **rest), marks)
    return value.value


def code(text: str, marks: Marks = PLAIN, kind: str = "number", **rest: object) -> str:
    with pytest.raises(FormError) as raised:
        parse(text, readout(kind, **rest), marks)
    assert raised.value.why
    return raised.value.code


NONE = Marks()
COMMA = Marks(decimal=",", thousands=".")
POINT = Marks(decimal=".", thousands=",")


@pytest.mark.parametrize(
    ("text", "marks", "value"),
    [
        ("58.3", PLAIN, 58.3),
        ("-12.5", PLAIN, -12.5),
        ("−12.5", PLAIN, -12.5),
        ("–12.5", PLAIN, -12.5),
        ("- 12.5", PLAIN, -12.5),
        ("+3", PLAIN, 3.0),
        ("0", PLAIN, 0.0),
        ("-0", PLAIN, 0.0),
        ("0.05", PLAIN, 0.05),
        ("4,512", POINT, 4512.0),
        ("4.512", POINT, 4.512),
        ("4.512", COMMA, 4512.0),
        ("4,512", COMMA, 4.512),
        ("1.234.567,5", COMMA, 1234567.5),
        ("1 234", Marks(decimal=",", thousands=" "), 1234.0),
        ("1\N{NARROW NO-BREAK SPACE}234,5", Marks(decimal=",", thousands=" "), 1234.5),
        ("1’234.5", Marks(decimal=".", thousands="'"), 1234.5),
        ("1234.5", POINT, 1234.5),
        ("12.5", NONE, 12.5),
        ("12,5", NONE, 12.5),
        ("0.512", NONE, 0.512),
        ("4.512", Marks(thousands="none"), 4.512),
    ],
)
def test_numbers_in_the_marks_of_their_layout(text: str, marks: Marks, value: float) -> None:
    assert one(text, marks) == value


@pytest.mark.parametrize(
    ("text", "marks"),
    [
        ("4,512", NONE),
        ("4.512", NONE),
        ("4,512", Marks(decimal=".")),
        ("4.512", Marks(decimal=",")),
        ("4.512", Marks(thousands=",")),
        ("1.234.567", NONE),
        ("1'234", Marks(decimal=".")),
    ],
)
def test_a_mark_that_is_not_stated_is_never_guessed(text: str, marks: Marks) -> None:
    assert code(text, marks) == "which-mark"


@pytest.mark.parametrize(
    ("text", "marks"),
    [
        ("", PLAIN),
        ("--", PLAIN),
        ("-", PLAIN),
        ("FPS", PLAIN),
        ("58.3W", PLAIN),
        ("012", PLAIN),
        ("00.5", PLAIN),
        (".5", PLAIN),
        ("5.", PLAIN),
        ("5..3", PLAIN),
        ("36.9.1", PLAIN),
        ("37:3", PLAIN),
        ("1-2", PLAIN),
        ("12.34.5", COMMA),
        ("1.2345", COMMA),
        ("1234.567,5", COMMA),
        ("0,512", POINT),
        ("1,23", POINT),
        ("12,5", PLAIN),
        ("4,512", PLAIN),
        ("٣", PLAIN),
        ("1e5", PLAIN),
        ("nan", PLAIN),
        ("1" * 16, PLAIN),
    ],
)
def test_what_is_no_figure_is_refused(text: str, marks: Marks) -> None:
    assert code(text, marks) == "wrong-form"


@pytest.mark.parametrize("text", ["58", "58.34", "583"])
def test_stated_decimals_are_held(text: str) -> None:
    assert code(text, decimals=1) == "wrong-decimals"
    assert one("58.3", decimals=1) == 58.3


@pytest.mark.parametrize(
    ("text", "kind", "rounding", "half"),
    [
        ("58.3", "number", "half", 0.05),
        ("58.3", "number", "down", 0.1),
        ("58", "number", "half", 0.5),
        ("4:05", "duration", "half", 0.5),
        ("4:05.2", "duration", "half", 0.05),
        ("4:05", "duration", "down", 1.0),
    ],
)
def test_half_widths(text: str, kind: str, rounding: str, half: float) -> None:
    (value,) = parse(text, readout(kind, rounding=rounding), PLAIN)
    assert value.half_width == half


@pytest.mark.parametrize(
    ("text", "form", "seconds", "half"),
    [
        ("12:34", "m:s", 754, 0.5),
        ("75:20", "m:s", 4520, 0.5),
        ("12:34", "h:m", 45240, 30),
        ("1:02:03", "h:m:s", 3723, 0.5),
        ("01:02:03", None, 3723, 0.5),
        ("1 h 23 min", "units", 4980, 30),
        ("1h05min", "units", 3900, 30),
        ("12m05s", None, 725, 0.5),
        ("1.5 h", "units", 5400, 180),
        ("45min", "units", 2700, 30),
    ],
)
def test_durations(text: str, form: str | None, seconds: float, half: float) -> None:
    marks = Marks.model_validate({"decimal": ".", "duration": form})
    (value,) = parse(text, readout("duration"), marks)
    assert (value.value, value.half_width, value.unit) == (seconds, half, "s")


@pytest.mark.parametrize(
    ("text", "form"),
    [
        ("12:60", "m:s"),
        ("12:5", "m:s"),
        ("1:02:03", "m:s"),
        ("12:34", "h:m:s"),
        ("12:99", "h:m"),
        ("12:34", "units"),
        ("1 h 75 min", "units"),
        ("23 min 1 h", "units"),
        ("90", "units"),
        ("12m05s", "m:s"),
        ("12:", "m:s"),
    ],
)
def test_no_durations(text: str, form: str) -> None:
    assert code(text, Marks.model_validate({"duration": form}), "duration") == "wrong-form"


def test_a_duration_whose_form_is_not_stated() -> None:
    assert code("12:34", NONE, "duration") == "which-mark"


@pytest.mark.parametrize("text", ["1280x720", "1280×720", "1280 × 720", "1280*720 px"])
def test_sizes_give_two_values(text: str) -> None:
    width, height = parse(text, readout("size"), PLAIN)
    assert (width.suffix, width.value, width.half_width, width.unit) == (".width", 1280, 0.5, "px")
    assert (height.suffix, height.value) == (".height", 720)


@pytest.mark.parametrize("text", ["1280", "1280x", "1280x720x3", "0128x720", "12.5x3", "axb"])
def test_no_sizes(text: str) -> None:
    assert code(text, kind="size") == "wrong-form"


def test_a_word_has_no_value_and_percent_signs_may_stand() -> None:
    assert parse("idle", readout("word"), PLAIN) == ()
    (value,) = parse("87.5%", readout("percentage"), PLAIN)
    assert (value.value, value.unit) == (87.5, "%")


@pytest.mark.parametrize("seen", ["--", "-", "—", "– –", "---"])
def test_dashes_for_no_value_are_alike(seen: str) -> None:
    assert is_missing(seen, readout(missing="--"))


@pytest.mark.parametrize("seen", ["", "0", "-1", "N/A", "--.-"])
def test_what_is_no_missing_mark(seen: str) -> None:
    assert not is_missing(seen, readout(missing="--"))
    assert not is_missing(seen, readout())


def test_other_missing_marks_must_match() -> None:
    assert is_missing("N / A", readout(missing="N/A"))
    assert not is_missing("-", readout(missing="N/A"))


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_the_shortest_text_reads_back_equal(value: float) -> None:
    text = shortest(value)
    assert float(text) == value
    assert "e" not in text


@given(
    st.integers(-(10**9), 10**9),
    st.integers(0, 5),
    st.sampled_from(
        [(".", ","), (",", "."), (".", "none"), (",", " "), (".", "'"), (",", None), (".", None)]
    ),
)
def test_numbers_round_trip(number: int, decimals: int, marks: tuple[str, str | None]) -> None:
    decimal, thousands = marks
    truth = Decimal(number).scaleb(-decimals)
    grouped = (
        f"{truth:,.{decimals}f}" if thousands not in {None, "none"} else f"{truth:.{decimals}f}"
    )
    swap = {",": thousands or "", ".": decimal}
    text = "".join(swap.get(char, char) for char in grouped)
    (value,) = parse(
        text,
        readout(decimals=decimals),
        Marks.model_validate({"decimal": decimal, "thousands": thousands}),
    )
    assert value.value == float(truth)
    assert value.half_width == float(Decimal(1).scaleb(-decimals) / 2)


@given(st.integers(0, 59), st.integers(0, 59), st.integers(0, 999))
def test_clock_durations_round_trip(seconds: int, minutes: int, hours: int) -> None:
    text = f"{hours}:{minutes:02d}:{seconds:02d}"
    (value,) = parse(text, readout("duration"), Marks(duration="h:m:s"))
    assert value.value == hours * 3600 + minutes * 60 + seconds


@given(st.integers(1, 99999), st.integers(1, 99999), st.sampled_from("x×X*"))
def test_sizes_round_trip(width: int, height: int, times: str) -> None:
    values = parse(f"{width}{times}{height}", readout("size"), PLAIN)
    assert [value.value for value in values] == [width, height]


@given(
    st.text(alphabet="0123456789.,-:' x%hmin", max_size=12), st.sampled_from([NONE, POINT, COMMA])
)
def test_any_text_parses_or_is_refused_with_a_reason(text: str, marks: Marks) -> None:
    for kind in ("number", "percentage", "duration", "size"):
        try:
            parse(text, readout(kind), marks)
        except FormError as error:
            assert error.code in {"wrong-form", "which-mark", "wrong-decimals"}


@given(st.decimals(-10000, 10000, places=2), st.sampled_from([PLAIN, POINT]))
def test_neighbours_are_other_figures_and_come_once(number: Decimal, marks: Marks) -> None:
    text = str(number)
    near = list(neighbours(text, readout(), marks))
    texts = [other for _, other in near]
    assert len(texts) == len(set(texts))
    own = one(text, marks)
    for other in texts:
        assert one(other, marks) != own


def test_neighbours_name_each_slip() -> None:
    near = {(kind, text) for kind, text in neighbours("58.3", readout(), PLAIN)}
    assert {("lost-point", "583"), ("lost-point", "5.83"), ("lost-sign", "-58.3")} <= near
    assert {("other-digit", "53.3"), ("other-digit", "8.3"), ("other-digit", "158.3")} <= near
    assert ("lost-point", "583") not in neighbours("58.3", readout(decimals=1), PLAIN)
    assert not list(neighbours("--", readout(missing="--"), PLAIN))
    assert not list(neighbours("idle", readout("word"), PLAIN))
    sizes = {text for _, text in neighbours("1280x720", readout("size"), PLAIN)}
    assert {"1280x120", "128x720"} <= sizes
