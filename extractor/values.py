"""Text <-> number: what a figure's text says in the marks of its layout, and how exactly.

A mark that the layout does not state is never guessed where it could be taken two ways: 4,512 is
either 4512 or 4.512. Half widths are exact (decimal arithmetic, then one rounding to float).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from extractor.calibration.model import Marks, Readout
from extractor.records import NeighbourKind

DIGITS = frozenset("0123456789")
DASHES = "-\u2212\u2013\u2014\u2010\u2011\u2012\u2015\ufe63\uff0d"
SPACES = " \t\u00a0\u2007\u2009\u202f"
_TIMES = "x×X✕✖＊*"
_GROUP_MARKS = ",.' "
# 15 significant digits survive text -> binary64 -> text (IEEE 754 binary64, DBL_DIG).
_MOST_DIGITS = 15
_SECONDS = {
    "d": 86400,
    "h": 3600,
    "hr": 3600,
    "min": 60,
    "m": 60,
    "s": 1,
    "sec": 1,
}

Suffix = Literal["", ".width", ".height"]


@dataclass(frozen=True, slots=True)
class Value:
    """What a text says: ``value`` in ``unit``, known to within ``half_width`` either way.

    ``suffix`` is appended to the readout's name; a size gives ``.width`` and ``.height``.
    """

    suffix: Suffix
    value: float
    half_width: float
    unit: str


class FormError(ValueError):
    """The text is no figure of its readout's kind; ``code`` is one of the registry of doubts."""

    def __init__(self, code: Literal["wrong-form", "which-mark", "wrong-decimals"], why: str):
        self.code = code
        self.why = why
        super().__init__(why)


def parse(text: str, readout: Readout, marks: Marks) -> tuple[Value, ...]:
    """Tell what ``text`` says: one value, two for a size, none for a word.

    Raises
    ------
    FormError
        ``wrong-form``, ``which-mark`` (a mark the layout does not state, that could be taken two
        ways) or ``wrong-decimals``.
    """
    clean = _clean(text)
    if not clean:
        raise FormError("wrong-form", "the text is empty")
    match readout.kind:
        case "word":
            return ()
        case "size":
            return _parse_size(clean, readout)
        case "duration":
            number, step = _parse_duration(clean, marks)
            unit = "s"
        case "percentage":
            number, step = _parse_number(clean.removesuffix("%"), marks, readout.decimals)
            unit = readout.unit or "%"
        case "number":
            number, step = _parse_number(clean, marks, readout.decimals)
            unit = readout.unit
    return (_value("", number, step, unit, readout),)


def is_missing(text: str, readout: Readout) -> bool:
    """Tell whether ``text`` is the layout's mark for no value.

    Dashes and spaces of all sorts are alike, and so is the number of dashes where the mark is
    made of dashes alone: readers run them together, and dashes alone are never a figure.
    """
    if readout.missing is None:
        return False
    mark, seen = _clean(readout.missing), _clean(text)
    if mark and not mark.strip("-"):
        return bool(seen) and not seen.strip("-")
    return seen == mark


def shortest(value: float) -> str:
    """Write ``value`` as the shortest decimal text that reads back equal, without exponent."""
    text = format(Decimal(repr(value)), "f")
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text in {"-0", ""} else text


def neighbours(text: str, readout: Readout, marks: Marks) -> Iterator[tuple[NeighbourKind, str]]:
    """Give the texts one slip away from ``text`` that are figures too, and say another value.

    ``lost-point``: a decimal point more, less or elsewhere. ``lost-sign``: the sign more or less.
    ``other-digit``: one digit replaced, added or dropped. Each text comes once.
    """
    for kind, other in slips(text, readout, marks):
        if says_otherwise(other, text, readout, marks):
            yield kind, other


def slips(text: str, readout: Readout, marks: Marks) -> Iterator[tuple[NeighbourKind, str]]:
    """Give the texts one slip away from ``text``, each once, whether they are figures or not.

    They come in the order of ``neighbours``, which are those of them for which ``says_otherwise``.
    """
    if readout.kind == "word" or is_missing(text, readout):
        return
    clean = _clean(text)
    seen = {clean}
    for kind, other in _slips(clean, marks):
        if other not in seen:
            seen.add(other)
            yield kind, other


def says_otherwise(other: str, text: str, readout: Readout, marks: Marks) -> bool:
    """Tell whether ``other`` is a figure, and says another value than ``text``."""
    says = _says(other, readout, marks)
    return says is not None and says != _says(_clean(text), readout, marks)


# ---------------------------------------------------------------- the small grammar


def _clean(text: str) -> str:
    """One sort of dash, of times sign and of apostrophe; spaces only where digits meet."""
    out: list[str] = []
    for char in text.strip(SPACES):
        if char in DASHES:
            out.append("-")
        elif char in "’‘`´":
            out.append("'")
        else:
            out.append(" " if char in SPACES else char)
    kept = [
        char
        for at, char in enumerate(out)
        if char != " " or (out[at - 1] in DIGITS and out[at + 1] in DIGITS)
    ]
    return "".join(kept)


def _whole(text: str, what: str) -> int:
    if not text or not set(text) <= DIGITS:
        raise FormError("wrong-form", f"{text!r} is not {what}")
    if len(text) > _MOST_DIGITS:
        raise FormError("wrong-form", f"{text!r} has more than {_MOST_DIGITS} digits")
    if len(text) > 1 and text[0] == "0":
        raise FormError("wrong-form", f"{text!r} starts with a zero")
    return int(text)


def _parse_number(text: str, marks: Marks, decimals: int | None) -> tuple[Decimal, Decimal]:
    """Return the number and the step of its last digit."""
    sign = text[:1] if text[:1] in {"-", "+"} else ""
    whole, mark, fraction = _split(text[len(sign) :], marks)
    if mark and not fraction:
        raise FormError("wrong-form", f"nothing follows the {mark!r} of {text!r}")
    if not set(fraction) <= DIGITS:
        raise FormError("wrong-form", f"{text!r} is not a number")
    digits = _ungroup(whole, marks)
    _whole(digits, "a number")
    if len(digits) + len(fraction) > _MOST_DIGITS:
        raise FormError("wrong-form", f"{text!r} has more than {_MOST_DIGITS} digits")
    if decimals is not None and len(fraction) != decimals:
        raise FormError(
            "wrong-decimals", f"{text} has {len(fraction)} decimals, the layout draws {decimals}"
        )
    number = Decimal(f"{sign}{digits}.{fraction or '0'}")
    return number, Decimal(1).scaleb(-len(fraction))


def _split(text: str, marks: Marks) -> tuple[str, str, str]:
    """Part ``text`` at its decimal mark: (whole part with its groups, mark or '', fraction)."""
    if marks.decimal is not None:
        whole, mark, fraction = text.partition(marks.decimal)
        return whole, mark, fraction
    candidates = [char for char in ".," if char in text and char != marks.thousands]
    if not candidates:
        return text, "", ""
    mark = max(candidates, key=text.rfind)
    if text.count(mark) > 1:
        return text, "", ""  # said twice: groups, if anything
    whole, _, fraction = text.partition(mark)
    if marks.thousands != "none" and len(fraction) == 3 and 1 <= len(whole) <= 3 and whole != "0":
        raise FormError(
            "which-mark",
            f"{text} is {whole}{fraction} or {whole}.{fraction}: the layout does not state "
            f"what {mark!r} means",
        )
    return whole, mark, fraction


def _ungroup(text: str, marks: Marks) -> str:
    """Take the thousands marks out of a whole part, if they stand where they must."""
    met = sorted({char for char in text if char in _GROUP_MARKS})
    if not met:
        return text
    mark = met[0]
    first, *groups = text.split(mark)
    well_formed = len(met) == 1 and 1 <= len(first) <= 3 and all(len(g) == 3 for g in groups)
    if not well_formed or first == "0":
        raise FormError("wrong-form", f"the marks of {text!r} do not part groups of three digits")
    if marks.thousands is None:
        raise FormError("which-mark", f"the layout does not state what {mark!r} in {text} means")
    if mark != marks.thousands:
        stated = "none" if marks.thousands == "none" else repr(marks.thousands)
        raise FormError(
            "wrong-form", f"{mark!r} in {text}; the layout's thousands mark is {stated}"
        )
    return "".join([first, *groups])


def _parse_size(text: str, readout: Readout) -> tuple[Value, ...]:
    for char in _TIMES:
        text = text.replace(char, "x")
    parts = text.removesuffix("px").split("x")
    if len(parts) != 2:
        raise FormError("wrong-form", f"{text!r} is not a size such as 1280x720")
    width, height = (Decimal(_whole(part, "a whole number of px")) for part in parts)
    unit = readout.unit or "px"
    one = Decimal(1)
    return (
        _value(".width", width, one, unit, readout),
        _value(".height", height, one, unit, readout),
    )


def _parse_duration(text: str, marks: Marks) -> tuple[Decimal, Decimal]:
    """Return the duration in s and the step of its last digit in s."""
    text = text.replace(" ", "")
    if ":" in text:
        return _parse_clock(text, marks)
    if marks.duration not in {None, "units"}:
        raise FormError("wrong-form", f"{text!r} is not a duration in {marks.duration}")
    return _parse_spelled(text, marks)


def _parse_clock(text: str, marks: Marks) -> tuple[Decimal, Decimal]:
    parts = text.split(":")
    form = marks.duration
    if form is None:
        if len(parts) == 2:
            raise FormError(
                "which-mark", f"{text} is m:s or h:m: the layout does not state `duration`"
            )
        form = "h:m:s"
    units = {"m:s": (60, 1), "h:m": (3600, 60), "h:m:s": (3600, 60, 1)}.get(form, ())
    if len(parts) != len(units):
        raise FormError("wrong-form", f"{text!r} is not a duration in {form}")
    last, _, fraction = _split(parts[-1], marks) if units[-1] == 1 else (parts[-1], "", "")
    fields = [*parts[:-1], last]
    if not all(set(field) <= DIGITS for field in [*fields, fraction or "0"]):
        raise FormError("wrong-form", f"{text!r} is not a duration in {form}")
    if not 1 <= len(fields[0]) <= 3 or any(len(field) != 2 for field in fields[1:]):
        raise FormError("wrong-form", f"{text!r} does not have two digits a part")
    if fraction == "" and last != parts[-1]:
        raise FormError("wrong-form", f"{text!r} ends in a mark")
    if any(int(field) >= 60 for field in fields[1:]):
        raise FormError("wrong-form", f"{text!r} has 60 or more minutes or seconds")
    total = sum((Decimal(int(f)) * u for f, u in zip(fields, units, strict=True)), Decimal(0))
    total += Decimal(f"0.{fraction or '0'}")
    return total, units[-1] * Decimal(1).scaleb(-len(fraction))


def _parse_spelled(text: str, marks: Marks) -> tuple[Decimal, Decimal]:
    total, step, previous = Decimal(0), Decimal(0), None
    rest = text
    while rest:
        number = _leading(rest, DIGITS | {".", ","})
        rest = rest[len(number) :]
        name = _leading(rest, frozenset("dhminsecr"))
        rest = rest[len(name) :]
        seconds = _SECONDS.get(name)
        if not number or seconds is None or (previous is not None and seconds >= previous):
            raise FormError("wrong-form", f"{text!r} is not a duration such as 1 h 23 min")
        if previous is not None and len(number) == 2 and number[0] == "0":
            number = number[1]  # 1h05min
        amount, last = _parse_number(number, marks, None)
        if (rest and last != 1) or (previous is not None and amount * seconds >= previous):
            raise FormError("wrong-form", f"{number} {name} cannot stand so in {text!r}")
        total += amount * seconds
        step, previous = last * seconds, seconds
    return total, step


def _leading(text: str, allowed: frozenset[str]) -> str:
    end = 0
    while end < len(text) and text[end] in allowed:
        end += 1
    return text[:end]


def _value(suffix: Suffix, number: Decimal, step: Decimal, unit: str, readout: Readout) -> Value:
    half = step if readout.rounding == "down" else step / 2
    return Value(suffix, float(number) or 0.0, float(half), unit)


# ---------------------------------------------------------------- slips


def _says(text: str, readout: Readout, marks: Marks) -> tuple[float, ...] | None:
    try:
        return tuple(value.value for value in parse(text, readout, marks))
    except FormError:
        return None


def _slips(text: str, marks: Marks) -> Iterator[tuple[NeighbourKind, str]]:
    point: str = marks.decimal or next((str(char) for char in ".," if char in text), ".")
    bare = text.replace(point, "", 1) if point in text else text
    yield "lost-point", bare
    for at in range(1, len(bare)):
        yield "lost-point", f"{bare[:at]}{point}{bare[at:]}"
    yield "lost-sign", text[1:] if text[:1] in {"-", "+"} else f"-{text}"
    for at in range(len(text) + 1):
        for digit in "0123456789":
            yield "other-digit", f"{text[:at]}{digit}{text[at:]}"
            if text[at : at + 1] in DIGITS:
                yield "other-digit", f"{text[:at]}{digit}{text[at + 1 :]}"
        if text[at : at + 1] in DIGITS:
            yield "other-digit", text[:at] + text[at + 1 :]
