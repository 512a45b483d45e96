"""Relations between readouts: a small grammar, and a check by interval arithmetic.

An interval encloses what a shown figure may stand for. The four operations follow Moore, Kearfott
and Cloud, Introduction to Interval Analysis (2009), section 2.3 (the same as in IEEE 1788-2015);
each bound is rounded outward by one unit in the last place of a double.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal, TypeAlias

from lark import Lark, Token, Transformer
from lark.exceptions import UnexpectedInput, UnexpectedToken

MAX_CHARACTERS = 200

_GRAMMAR = r"""
relation: sum (COMPARED sum)+
?sum: product | sum "+" product -> add | sum "-" product -> subtract
?product: factor | product "*" factor -> multiply | product "/" factor -> divide
?factor: "-" factor -> negate | atom
?atom: NUMBER -> number | NAME -> name | "(" sum ")"
COMPARED: "<=" | "<" | "="
NUMBER: /[0-9]{1,15}(\.[0-9]{1,15})?/
NAME: /[a-z][a-z0-9_]*(\.(width|height))?/
%ignore " "
"""


class RelationError(ValueError):
    """A relation that cannot be read; ``position`` counts characters from 1."""

    def __init__(self, position: int, message: str) -> None:
        self.position = position
        super().__init__(f"{message} (at character {position})")


class _NotMadeError(Exception):
    """The check cannot be made with these values."""


@dataclass(frozen=True, slots=True)
class Interval:
    """A value with the least and greatest number it may stand for."""

    value: float
    low: float
    high: float

    @classmethod
    def of(cls, value: float, slack: float = 0.0) -> Interval:
        """``value`` give or take ``slack``, rounded outward. Raises ValueError unless finite."""
        if not (math.isfinite(value) and math.isfinite(slack) and slack >= 0):
            raise ValueError(f"no interval of {value} give or take {slack}")
        if slack == 0:
            return cls(value, value, value)
        return cls(value, _down(value - slack), _up(value + slack))


def _down(number: float) -> float:
    return math.nextafter(number, -math.inf)


def _up(number: float) -> float:
    return math.nextafter(number, math.inf)


def _interval(value: float, bounds: tuple[float, ...]) -> Interval:
    if not all(map(math.isfinite, (value, *bounds))):
        raise _NotMadeError("a number too large to compute with")
    return Interval(value, _down(min(bounds)), _up(max(bounds)))


def add(a: Interval, b: Interval) -> Interval:
    """[a.low + b.low, a.high + b.high]."""
    return _interval(a.value + b.value, (a.low + b.low, a.high + b.high))


def subtract(a: Interval, b: Interval) -> Interval:
    """[a.low - b.high, a.high - b.low]."""
    return _interval(a.value - b.value, (a.low - b.high, a.high - b.low))


def multiply(a: Interval, b: Interval) -> Interval:
    """Least and greatest of the four products of bounds."""
    products = (a.low * b.low, a.low * b.high, a.high * b.low, a.high * b.high)
    return _interval(a.value * b.value, products)


def divide(a: Interval, b: Interval) -> Interval:
    """Least and greatest of the four quotients of bounds; not made if ``b`` may be 0."""
    if b.low <= 0 <= b.high:
        raise _NotMadeError("a division by a figure that may be 0")
    quotients = (a.low / b.low, a.low / b.high, a.high / b.low, a.high / b.high)
    return _interval(a.value / b.value, quotients)


_OPERATIONS: dict[str, Callable[[Interval, Interval], Interval]] = {
    "+": add,
    "-": subtract,
    "*": multiply,
    "/": divide,
}

Operator = Literal["+", "-", "*", "/"]
Comparison = Literal["<=", "<", "="]


@dataclass(frozen=True, slots=True)
class Number:
    """A number; ``text`` as written."""

    text: str

    def evaluate(self, values: Mapping[str, Interval]) -> Interval:
        """The number without slack."""
        return Interval.of(float(self.text))

    def __str__(self) -> str:
        return self.text


@dataclass(frozen=True, slots=True)
class Name:
    """The value of a readout (``NAME.width`` and ``NAME.height`` of a size)."""

    name: str

    def evaluate(self, values: Mapping[str, Interval]) -> Interval:
        """The readout's interval."""
        if self.name not in values:
            raise _NotMadeError(f"{self.name} has no value")
        return values[self.name]

    def __str__(self) -> str:
        return self.name


@dataclass(frozen=True, slots=True)
class Negated:
    """Minus the inner expression."""

    inner: Expression

    def evaluate(self, values: Mapping[str, Interval]) -> Interval:
        """[-high, -low]."""
        inner = self.inner.evaluate(values)
        return Interval(-inner.value, -inner.high, -inner.low)

    def __str__(self) -> str:
        return f"-{_wrapped(self.inner)}"


@dataclass(frozen=True, slots=True)
class Computed:
    """Two expressions and what is done with them."""

    operator: Operator
    left: Expression
    right: Expression

    def evaluate(self, values: Mapping[str, Interval]) -> Interval:
        """The result of interval arithmetic."""
        return _OPERATIONS[self.operator](self.left.evaluate(values), self.right.evaluate(values))

    def __str__(self) -> str:
        return f"{_wrapped(self.left)} {self.operator} {_wrapped(self.right)}"


Expression: TypeAlias = Number | Name | Negated | Computed


def _wrapped(expression: Expression) -> str:
    return f"({expression})" if isinstance(expression, Computed) else str(expression)


@dataclass(frozen=True, slots=True)
class Within:
    """Slack on top of the last places: ``amount`` in the sides' unit, or in % of the larger one."""

    amount: float
    percent: bool

    def slack(self, left: float, right: float) -> float:
        """The slack between sides with these values."""
        if not self.percent:
            return self.amount
        return self.amount / 100 * max(abs(left), abs(right))


@dataclass(frozen=True, slots=True)
class RelationCheck:
    """What a relation says of one capture's figures.

    ``left``, ``comparison`` and ``right`` are the first comparison of the chain that fails (the
    first of all if none fails), its sides computed from the figures as shown. They are NaN where
    the check is ``not-made``; ``why`` then says why, else it is ''.
    """

    outcome: Literal["holds", "fails", "not-made"]
    left: float = math.nan
    comparison: Comparison = "="
    right: float = math.nan
    why: str = ""

    @property
    def ratio(self) -> float:
        """``left`` over ``right``; NaN where that cannot be computed."""
        return self.left / self.right if self.right else math.nan


@dataclass(frozen=True, slots=True)
class ParsedRelation:
    """A relation, parsed: ``sides[i] comparisons[i] sides[i + 1]`` must hold for every i."""

    sides: tuple[Expression, ...]
    comparisons: tuple[Comparison, ...]
    within: Within

    @property
    def names(self) -> tuple[str, ...]:
        """The names it needs, each once, in order."""
        found: dict[str, None] = {}
        waiting: list[Expression] = list(self.sides[::-1])
        while waiting:
            match waiting.pop():
                case Name(name):
                    found[name] = None
                case Negated(inner):
                    waiting.append(inner)
                case Computed(_, left, right):
                    waiting += [right, left]
        return tuple(found)

    def check(self, values: Mapping[str, Interval]) -> RelationCheck:
        """Hold the relation against the values (each an `Interval` of one unit in its last place).

        It fails only if no numbers within the intervals, and ``within``, satisfy it.
        """
        try:
            results = [side.evaluate(values) for side in self.sides]
        except _NotMadeError as error:
            return RelationCheck("not-made", why=str(error))
        first: RelationCheck | None = None
        for left, comparison, right in zip(results, self.comparisons, results[1:], strict=False):
            holds = _compare(left, comparison, right, self.within.slack(left.value, right.value))
            check = RelationCheck(
                "holds" if holds else "fails", left.value, comparison, right.value
            )
            if not holds:
                return check
            first = first or check
        assert first is not None  # the grammar asks for two sides
        return first

    def __str__(self) -> str:
        text = str(self.sides[0])
        for comparison, side in zip(self.comparisons, self.sides[1:], strict=True):
            text += f" {comparison} {side}"
        return text


def _compare(left: Interval, comparison: Comparison, right: Interval, slack: float) -> bool:
    low = _down(left.low - slack) if slack else left.low
    high = _up(left.high + slack) if slack else left.high
    if comparison == "<":
        return low < right.high
    if comparison == "<=":
        return low <= right.high
    return low <= right.high and high >= right.low


class _Builder(Transformer[Token, Any]):
    def number(self, items: list[Token]) -> Number:
        return Number(str(items[0]))

    def name(self, items: list[Token]) -> Name:
        return Name(str(items[0]))

    def negate(self, items: list[Expression]) -> Negated:
        return Negated(items[0])

    def add(self, items: list[Expression]) -> Computed:
        return Computed("+", *items)

    def subtract(self, items: list[Expression]) -> Computed:
        return Computed("-", *items)

    def multiply(self, items: list[Expression]) -> Computed:
        return Computed("*", *items)

    def divide(self, items: list[Expression]) -> Computed:
        return Computed("/", *items)

    def relation(self, items: list[Any]) -> Any:
        return tuple(items[::2]), tuple(str(item) for item in items[1::2])


@cache
def _parser() -> Lark:
    return Lark(_GRAMMAR, start="relation", parser="lalr", transformer=_Builder())


def parse_relation(that: str, within: str = "0 %") -> ParsedRelation:
    """Parse a relation such as ``voltage * current = 1000 * power`` within ``3 %``.

    Raises RelationError with the position of what cannot be read.
    """
    if len(that) > MAX_CHARACTERS:
        raise RelationError(MAX_CHARACTERS + 1, f"more than {MAX_CHARACTERS} characters")
    try:
        parsed: Any = _parser().parse(that)
    except UnexpectedInput as error:
        if isinstance(error, UnexpectedToken) and error.token.type == "$END":
            raise RelationError(len(that) + 1, "the relation ends too early") from None
        position = (error.pos_in_stream or 0) + 1
        raise RelationError(position, f"`{that[position - 1]}` cannot stand here") from None
    sides, comparisons = parsed
    return ParsedRelation(sides, comparisons, parse_within(within))


def parse_within(within: str) -> Within:
    """Parse ``3 %`` or ``0.5``. Raises RelationError."""
    text = within.strip()
    percent = text.endswith("%")
    number = text.removesuffix("%").strip()
    if not number.isascii() or not number.replace(".", "", 1).isdigit() or len(number) > 20:
        raise RelationError(1, f"`{within[:20]}` is neither a share like `3 %` nor a number")
    amount = float(number)
    if percent and amount > 100:
        raise RelationError(1, "more than 100 %")
    return Within(amount, percent)
