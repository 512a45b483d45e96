"""Decoding of columns against a count of every path, and parting lines into figure and unit."""

from __future__ import annotations

from itertools import groupby, pairwise, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from extractor.reading.ctc import Columns
from extractor.reading.figures import part
from extractor.records import Kind


def every_path(columns: NDArray[np.float64], characters: str) -> dict[str, float]:
    """Sum the probability of every path by the text it spells: Graves et al. 2006, equation 3."""
    texts: dict[str, float] = {}
    for path in product(range(columns.shape[1]), repeat=len(columns)):
        p = float(np.prod([column[k] for column, k in zip(columns, path, strict=True)]))
        text = "".join(characters[k - 1] for k, _ in groupby(path) if k)
        texts[text] = texts.get(text, 0.0) + p
    return texts


@st.composite
def some_columns(draw: st.DrawFn) -> NDArray[np.float64]:
    rows = draw(
        st.lists(st.lists(st.floats(0.01, 1), min_size=4, max_size=4), min_size=1, max_size=5)
    )
    columns = np.array(rows)
    return columns / columns.sum(axis=1, keepdims=True)


@given(some_columns())
@settings(max_examples=40, deadline=None)
def test_scores_are_sums_over_every_path(columns: NDArray[np.float64]) -> None:
    truth = every_path(columns, "1.5")
    scores = Columns(columns, "1.5").score(list(truth))
    np.testing.assert_allclose(scores, list(truth.values()), rtol=1e-9)
    assert scores.sum() == pytest.approx(1.0)


@given(some_columns())
@settings(max_examples=40, deadline=None)
def test_the_likeliest_text_is_found(columns: NDArray[np.float64]) -> None:
    truth = every_path(columns, "1.5")
    texts = Columns(columns, "1.5").texts(60)
    assert texts[0].probability == pytest.approx(max(truth.values()))
    assert all(a.probability >= b.probability for a, b in pairwise(texts))


def test_characters_left_out_lower_every_text() -> None:
    whole = np.array([[0.0, 1.0], [1.0, 0.0], [0.0, 1.0]])
    assert Columns(whole, "8").texts()[0].probability == pytest.approx(1.0)
    assert Columns(whole * 0.5, "8").texts()[0].probability == pytest.approx(0.125)


def test_unknown_characters_and_long_texts_have_no_probability() -> None:
    columns = Columns(np.array([[0.1, 0.9]]), "8")
    assert list(columns.score(["8", "B", "88", ""])) == pytest.approx([0.9, 0, 0, 0.1])


def test_no_columns_spell_nothing() -> None:
    empty = Columns(np.zeros((0, 1)), "")
    assert empty.texts()[0].text == ""
    assert empty.surety() == 0.0
    assert empty.spelled() == ()


def test_characters_stand_where_their_columns_do() -> None:
    columns = np.full((6, 3), 0.01)
    for at, k in enumerate((0, 1, 1, 0, 2, 0)):
        columns[at, k] = 0.98
    five, point = Columns(columns, "5.", px=4.0).spelled()
    assert (five.char, point.char) == ("5", ".")
    assert five.x0 < 4
    assert five.x1 > 12
    assert point.x0 < 16
    assert point.x1 > 20
    assert five.x1 <= point.x0


@pytest.mark.parametrize(
    ("line", "kind", "figure", "unit"),
    [
        ("58.3", "number", "58.3", ""),
        ("58.3 fps", "number", "58.3", "fps"),
        ("58.3W", "number", "58.3", "W"),
        ("38.5°C", "number", "38.5", "°C"),
        (": 58", "number", "58", ""),
        ("- 5", "number", "-5", ""),
        ("1 234", "number", "1234", ""),
        ("1,234.5 mA", "number", "1,234.5", "mA"),
        ("58.", "number", "58.", ""),
        ("87 %", "percentage", "87", "%"),
        ("400 cd/m2", "number", "400", "cd/m2"),
        ("1280 × 720".replace("×", "x"), "size", "1280x720", ""),
        ("1280X720p", "size", "1280x720", "p"),
        ("12:34", "duration", "12:34", ""),
        ("1 h 23 min", "duration", "1h23min", ""),
        ("12m05s", "duration", "12m05s", ""),
        ("Not run", "word", "Not run", ""),
    ],
)
def test_lines_part_into_figure_and_unit(line: str, kind: Kind, figure: str, unit: str) -> None:
    parted = part(line, kind)
    assert parted is not None
    assert (parted.text, parted.unit) == (figure, unit)


@pytest.mark.parametrize(
    ("line", "kind"),
    [
        ("HELLO", "number"),
        ("B8", "number"),
        ("58 37", "number"),
        ("58 W 37", "number"),
        ("", "number"),
        ("--", "number"),
        ("1280", "size"),
    ],
)
def test_nothing_is_picked_out_of_other_lines(line: str, kind: Kind) -> None:
    assert part(line, kind) is None


@pytest.mark.parametrize("line", ["--", "- -", "\N{EM DASH}", "-", "__"])
def test_dashes_read_in_any_way_are_the_mark_for_no_value(line: str) -> None:
    parted = part(line, "number", "--")
    assert parted is not None
    assert parted.text == "--"
    assert part(line, "number") is None
    assert part("-5", "number", "--") == part("-5", "number")


def test_another_mark_for_no_value() -> None:
    assert part("N/A", "number", "N/A") is not None
