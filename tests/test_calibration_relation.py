"""Relations and patterns: the grammar, interval arithmetic, verdicts."""

from __future__ import annotations

import contextlib
import math
import operator
import time
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from extractor.calibration import (
    Interval,
    PatternError,
    RelationCheck,
    RelationError,
    Slot,
    parse_pattern,
    parse_relation,
)
from extractor.calibration.relation import (
    Computed,
    Expression,
    Name,
    Negated,
    Number,
    ParsedRelation,
    Within,
    add,
    divide,
    multiply,
    subtract,
)


def check(that: str, within: str = "0 %", **values: tuple[float, float]) -> RelationCheck:
    intervals = {name: Interval.of(*value) for name, value in values.items()}
    return parse_relation(that, within).check(intervals)


# ---------------------------------------------------------------- grammar


def test_precedence_and_association() -> None:
    def value(text: str) -> float:
        return parse_relation(f"{text} = 0").sides[0].evaluate({}).value

    assert value("2 + 3 * 4") == 14
    assert value("(2 + 3) * 4") == 20
    assert value("20 - 3 - 4") == 13
    assert value("48 / 4 / 3") == 4
    assert value("-2 * -3 - -1") == 7
    assert value("2-3") == -1
    assert value("1.25*4") == 5


def test_names_of_a_relation() -> None:
    relation = parse_relation("lowest <= mean <= highest - size.width / (lowest * 2)")
    assert relation.names == ("lowest", "mean", "highest", "size.width")
    assert relation.comparisons == ("<=", "<=")


@pytest.mark.parametrize(
    ("that", "position"),
    [
        ("", 1),
        ("a", 2),
        ("a =", 4),
        ("a = = b", 5),
        ("a = b)", 6),
        ("(a = b", 4),
        ("a = B", 5),
        ("a == b", 4),
        ("a >= b", 3),
        ("a = 2b", 6),
        ("a = 1e5", 6),
        ("a = 2 ** 3", 8),
        ("a = b; c", 6),
        ("a = b\n", 6),
        ("a = __import__", 5),
        ("a = f(2)", 6),
        ("a = .5", 5),
        ("a = " + "9" * 16, 20),
        ("a = " + "b" * 197, 201),
    ],
)
def test_what_cannot_be_read_is_named_by_position(that: str, position: int) -> None:
    with pytest.raises(RelationError, match=rf"\(at character {position}\)$") as caught:
        parse_relation(that)
    assert caught.value.position == position


@pytest.mark.parametrize("within", ["", "%", "-1", "1e3", "101 %", "3 % 3", "nan", "٣", "9" * 30])
def test_slack_that_cannot_be_read(within: str) -> None:
    with pytest.raises(RelationError):
        parse_relation("a = b", within)


def test_slack() -> None:
    assert parse_relation("a = b", "3 %").within == Within(3.0, percent=True)
    assert parse_relation("a = b", " 2.5% ").within == Within(2.5, percent=True)
    assert parse_relation("a = b", "0.5").within == Within(0.5, percent=False)


NUMBERS = st.decimals(0, 10**6, places=2).map(lambda number: Number(str(number)))
NAMES = st.sampled_from(["a", "b", "c_1", "size.width"]).map(Name)
EXPRESSIONS: st.SearchStrategy[Expression] = st.recursive(
    NUMBERS | NAMES,
    lambda inner: (
        st.builds(Negated, inner) | st.builds(Computed, st.sampled_from("+-*/"), inner, inner)
    ),
    max_leaves=8,
)
COMPARISONS = st.sampled_from(["<=", "<", "="])


@st.composite
def relations(draw: st.DrawFn) -> ParsedRelation:
    sides = tuple(draw(st.lists(EXPRESSIONS, min_size=2, max_size=3)))
    comparisons = tuple(draw(COMPARISONS) for _ in sides[1:])
    return ParsedRelation(sides, comparisons, Within(0.0, percent=True))


@given(relations().filter(lambda relation: len(str(relation)) <= 200))
def test_what_is_written_parses_to_the_same(relation: ParsedRelation) -> None:
    assert parse_relation(str(relation)) == relation


@given(st.text(max_size=220) | st.text("ab1.+-*/()<=  ", max_size=220))
def test_any_text_parses_or_is_refused(text: str) -> None:
    try:
        relation = parse_relation(text)
    except RelationError as error:
        assert 1 <= error.position <= 201
    else:
        assert parse_relation(str(relation)[:200] if len(str(relation)) > 200 else str(relation))


def test_the_deepest_nesting_is_quick() -> None:
    start = time.process_time()
    parse_relation("(" * 98 + "a" + ")" * 98 + "=1")
    parse_relation("-" * 197 + "a=1")
    assert time.process_time() - start < 1


# ---------------------------------------------------------------- interval arithmetic


def test_operations_after_a_published_source() -> None:
    """Moore, Kearfott and Cloud, Introduction to Interval Analysis (2009), section 2.3.

    Definitions from memory: sum and difference of bounds, least and greatest of four products, and
    the product with the reciprocal, undefined when the divisor holds 0 (IEEE 1788-2015 has the
    same for bounded intervals). The cases are worked by hand.
    """

    def near(interval: Interval, low: float, high: float) -> bool:
        return (
            interval.low <= low
            and interval.high >= high
            and math.isclose(interval.low, low, rel_tol=1e-15, abs_tol=1e-300)
            and math.isclose(interval.high, high, rel_tol=1e-15, abs_tol=1e-300)
        )

    def of(low: float, high: float) -> Interval:
        return Interval((low + high) / 2, low, high)

    assert near(add(of(1, 2), of(-5, 3)), -4, 5)
    assert near(subtract(of(1, 2), of(-5, 3)), -2, 7)
    assert near(multiply(of(-1, 2), of(-5, 3)), -10, 6)
    assert near(multiply(of(-3, -2), of(-5, -4)), 8, 15)
    assert near(multiply(of(0, 2), of(-1, 1)), -2, 2)
    assert near(divide(of(1, 2), of(4, 8)), 0.125, 0.5)
    assert near(divide(of(-1, 2), of(-4, -2)), -1, 0.5)
    assert near(subtract(of(0, 1), of(0, 1)), -1, 1)  # dependence: X - X is not 0


VALUES = st.floats(-1e6, 1e6).map(lambda value: round(value, 3))
INSIDE = st.floats(-1, 1)


def _exact(expression: Expression, values: dict[str, Fraction]) -> Fraction:
    match expression:
        case Number(text):
            return Fraction(float(text))
        case Name(name):
            return values[name]
        case Negated(inner):
            return -_exact(inner, values)
    operations = {
        "+": operator.add,
        "-": operator.sub,
        "*": operator.mul,
        "/": operator.truediv,
    }
    sides = (_exact(side, values) for side in (expression.left, expression.right))
    return Fraction(operations[expression.operator](*sides))


@given(
    EXPRESSIONS,
    st.fixed_dictionaries(
        {
            name: st.tuples(VALUES, st.sampled_from([0.0, 0.01, 1.0, 50.0]), INSIDE)
            for name in ("a", "b", "c_1", "size.width")
        }
    ),
)
def test_the_interval_holds_the_true_value(
    expression: Expression, drawn: dict[str, tuple[float, float, float]]
) -> None:
    """Whatever the figures truly are within their slack, in exact rational arithmetic."""
    relation = ParsedRelation((expression, expression), ("=",), Within(0.0, percent=True))
    intervals = {name: Interval.of(value, slack) for name, (value, slack, _) in drawn.items()}
    if relation.check(intervals).outcome == "not-made":
        return
    interval = expression.evaluate(intervals)
    true = {
        name: Fraction(value) + Fraction(slack) * Fraction(share)
        for name, (value, slack, share) in drawn.items()
    }
    assert Fraction(interval.low) <= _exact(expression, true) <= Fraction(interval.high)
    assert interval.low <= interval.value <= interval.high


@given(relations(), st.dictionaries(st.sampled_from(["a", "b", "c_1"]), VALUES))
def test_a_check_never_crashes(relation: ParsedRelation, values: dict[str, float]) -> None:
    result = relation.check({name: Interval.of(value, 0.01) for name, value in values.items()})
    assert (result.outcome == "not-made") == bool(result.why)


# ---------------------------------------------------------------- verdicts


def test_check_values_of_electricity() -> None:
    """2000 mA at 4.00 V = 8.00 W: arithmetic, DESIGN section 9."""
    that = "voltage * current = 1000 * power"
    good = check(that, voltage=(4.00, 0.01), current=(2000, 1), power=(8.00, 0.01))
    assert good == RelationCheck("holds", 8000.0, "=", 8000.0)
    assert good.ratio == 1
    # 4.00 V give or take 0.01 and 2000 mA give or take 1 reach from 7976.01 to 8024.01 mW.
    assert (
        check(that, voltage=(4.0, 0.01), current=(2000, 1), power=(8.03, 0.01)).outcome == "holds"
    )
    assert (
        check(that, voltage=(4.0, 0.01), current=(2000, 1), power=(8.04, 0.01)).outcome == "fails"
    )
    lost_point = check(that, voltage=(4.0, 0.01), current=(2000, 1), power=(800, 1))
    assert lost_point.outcome == "fails"
    assert lost_point.ratio == pytest.approx(0.01)


def test_slack_in_percent_is_of_the_larger_side() -> None:
    values = {"a": (100.0, 0.0), "b": (103.0, 0.0)}
    assert check("a = b", "2.9 %", **values).outcome == "fails"
    assert check("a = b", "2.92 %", **values).outcome == "holds"
    assert check("b = a", "2.9 %", **values).outcome == "fails"
    assert check("a = b", "2.99", **values).outcome == "fails"
    assert check("a = b", "3", **values).outcome == "holds"


def test_chains_report_the_first_comparison_that_fails() -> None:
    that = "lowest <= mean <= highest"
    values = {"lowest": (20.0, 0.1), "mean": (58.2, 0.1), "highest": (61.0, 0.1)}
    assert check(that, **values) == RelationCheck("holds", 20.0, "<=", 58.2)
    values["highest"] = (8.0, 0.1)
    assert check(that, **values) == RelationCheck("fails", 58.2, "<=", 8.0)
    values["highest"] = (58.1, 0.1)
    assert check(that, **values).outcome == "holds"  # one unit in the last place of each


def test_below_and_equal_bounds() -> None:
    assert check("a < b", a=(1, 0), b=(1, 0)).outcome == "fails"
    assert check("a < b", a=(1, 0), b=(1.1, 0)).outcome == "holds"
    assert check("a <= b", a=(1, 0), b=(1, 0)).outcome == "holds"
    assert check("a <= b", a=(1.1, 0), b=(1, 0)).outcome == "fails"
    assert check("a = b", a=(1.1, 0), b=(1, 0)).outcome == "fails"
    assert check("a = b", a=(1, 0), b=(1.1, 0)).outcome == "fails"


def test_checks_that_cannot_be_made() -> None:
    assert check("a = b", a=(1, 0)).why == "b has no value"
    assert check("a / b = 1", a=(1, 0), b=(0.5, 0.5)).outcome == "not-made"
    assert check("a / b = 1", a=(1, 0), b=(-0.1, 1)).why == "a division by a figure that may be 0"
    assert check("a * a = 1", a=(1e200, 0)).outcome == "not-made"
    assert math.isnan(check("a = b").ratio)
    assert math.isnan(check("a = b", a=(1, 0), b=(0, 0)).ratio)
    for value, slack in [(math.nan, 0.0), (math.inf, 0.0), (1.0, -1.0), (1.0, math.inf)]:
        with pytest.raises(ValueError, match="no interval"):
            Interval.of(value, slack)


# ---------------------------------------------------------------- patterns


def test_patterns() -> None:
    assert parse_pattern("FPS {frame_rate} · {power} W") == (
        "FPS ",
        Slot("frame_rate"),
        " · ",
        Slot("power"),
        " W",
    )
    assert parse_pattern("{a} {b2}") == (Slot("a"), " ", Slot("b2"))
    assert parse_pattern("{{{a}}} }}{{") == ("{", Slot("a"), "} }{")


@pytest.mark.parametrize(
    ("pattern", "message"),
    [
        ("FPS", r"no \{name\} at all"),
        ("", r"no \{name\} at all"),
        ("{a}{b}", r"no literal between a and b \(at character 4\)"),
        ("{a} {a}", r"a a second time \(at character 5\)"),
        ("{a} }", r"neither.*\(at character 5\)"),
        ("{A}", r"\(at character 1\)"),
        ("x {a.b}", r"\(at character 3\)"),
        ("{}", r"\(at character 1\)"),
        ("{a", r"\(at character 1\)"),
    ],
)
def test_faulty_patterns(pattern: str, message: str) -> None:
    with pytest.raises(PatternError, match=message):
        parse_pattern(pattern)


@given(st.lists(st.text(min_size=1, max_size=6), min_size=1, max_size=5))
def test_literals_round_trip(literals: list[str]) -> None:
    pattern, pieces = "", []
    for index, literal in enumerate(literals):
        pattern += literal.replace("{", "{{").replace("}", "}}") + f"{{n{index}}}"
        pieces += [literal, Slot(f"n{index}")]
    assert parse_pattern(pattern) == tuple(pieces)


@given(st.text("{}a b", max_size=40))
def test_any_pattern_parses_or_is_refused(pattern: str) -> None:
    with contextlib.suppress(PatternError):
        assert any(isinstance(piece, Slot) for piece in parse_pattern(pattern))
