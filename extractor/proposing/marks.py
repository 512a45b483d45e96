"""How a layout writes numbers, from every figure that was seen; what stays open is asked."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from extractor.calibration.model import Marks

_GROUPS = ",.' "
_DECIMALS = ".,"


@dataclass(frozen=True, slots=True)
class Question:
    """Something that only a person can tell. ``about`` is a readout's name or a key of the marks.

    ``choices`` are (value as in the calibration, in words).
    """

    about: str
    ask: str
    choices: tuple[tuple[str, str], ...] = ()


def infer_marks(
    numbers: Sequence[str], durations: Sequence[str], duration_forms: Iterable[str]
) -> tuple[Marks, list[Question]]:
    """The marks that all the figures allow, and a question where they allow two.

    ``numbers`` and ``durations`` are texts as read; ``duration_forms`` what labels say of them.
    """
    plain = [text.lstrip("+-−–").replace("’", "'") for text in numbers]
    decimal, thousands, questions = _numbers([text for text in plain if text])
    duration, more = _duration(durations, set(duration_forms) - {""})
    return (
        Marks.model_validate({"decimal": decimal, "thousands": thousands, "duration": duration}),
        questions + more,
    )


def _allows(text: str, decimal: str, thousands: str) -> bool:
    """Whether a text can be a number in these marks."""
    whole, mark, fraction = text.partition(decimal)
    if mark and not fraction.isdigit():
        return False
    groups = whole.split(thousands) if thousands != "none" else [whole]
    if not all(group.isdigit() for group in groups):
        return False
    if len(groups) == 1:  # where thousands are marked, four digits stand in no row
        return thousands == "none" or len(whole) <= 4
    return 1 <= len(groups[0]) <= 3 and all(len(g) == 3 for g in groups[1:]) and groups[0] != "0"


def _numbers(texts: Sequence[str]) -> tuple[str | None, str | None, list[Question]]:
    ways = [
        (decimal, thousands)
        for decimal in _DECIMALS
        for thousands in ("none", *_GROUPS)
        if thousands != decimal and all(_allows(text, decimal, thousands) for text in texts)
    ]
    if not ways:
        return None, None, [_ask_decimal("")]
    marked = [text for text in texts if re.search(r"\D", text)]
    decimals = {decimal for decimal, _ in ways}
    # A mark that never had to be a decimal one may still be: 4,512 alone says nothing.
    if len(decimals) > 1:
        if not marked:
            return None, None, [_ask_decimal("")]
        return None, None, [_ask_decimal(marked[0])]
    (decimal,) = decimals
    options = {thousands for _, thousands in ways}
    long = any(len(re.split(r"\D", text)[0]) >= 4 for text in texts)
    seen = {char for text in texts for char in text if char in _GROUPS and char != decimal}
    if seen:
        return decimal, seen.pop(), []
    if "none" in options and long:
        return decimal, "none", []
    # With the decimal mark settled, nothing seen so far needs the other one.
    return decimal, None, []


def _ask_decimal(text: str) -> Question:
    if not text:
        return Question(
            "marks.decimal",
            "No figure shown here has decimals. Which mark does this layout write before them?",
            ((".", "a point: 4.5"), (",", "a comma: 4,5")),
        )
    mark = next(char for char in text if char in _GROUPS)
    if mark not in _DECIMALS:
        return Question(
            "marks.decimal",
            "Which mark does this layout write before decimals?",
            ((".", "a point: 4.5"), (",", "a comma: 4,5")),
        )
    other = "," if mark == "." else "."
    return Question(
        "marks.decimal",
        f"{text} can be read two ways, a thousand times apart. What does it say?",
        (
            (mark, f"{text.replace(mark, '.')} ({mark} stands before decimals)"),
            (other, f"{text.replace(mark, '')} ({mark} parts the thousands)"),
        ),
    )


def _duration(texts: Sequence[str], forms: set[str]) -> tuple[str | None, list[Question]]:
    if not texts:
        return None, []
    if any(text.count(":") == 2 for text in texts):
        return "h:m:s", []
    clock = [text for text in texts if ":" in text]
    if not clock:
        return "units", []
    if len(forms) == 1:
        return forms.pop(), []
    if any(int(text.split(":")[0]) > 59 for text in clock):
        return "m:s", []
    shown = clock[0]
    first, second = shown.split(":")
    return None, [
        Question(
            "marks.duration",
            f"{shown} is a length of time. In which units?",
            (
                ("m:s", f"{first} min {second} s"),
                ("h:m", f"{first} h {second} min"),
            ),
        )
    ]
