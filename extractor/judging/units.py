"""Units as overlays draw them and readers see them: does the drawn unit contradict the calibration?

A factor of a thousand (MHz against GHz, mA against A) is the dearest mistake, so a unit that is
read no better as the expected one than as one of its thousandfold kin counts as another unit. So
does one that begins with a letter like a digit: many faces draw both alike, old-style zeros above
all, and it may be the figure's last one.
"""

from __future__ import annotations

import unicodedata
from functools import cache

from extractor.calibration.model import Readout
from extractor.reading.figures import LIKE_DIGITS, LIKE_ZEROS

_SPELLINGS = {
    "fps": ("fps", "hz", "frames/s"),
    "ms": ("ms", "msec"),
    "s": ("s", "sec"),
    "W": ("w", "watt", "watts"),
    "mW": ("mw",),
    "A": ("a", "amp"),
    "mA": ("ma",),
    "V": ("v", "volt"),
    "mV": ("mv",),
    "Cel": ("°c", "c", "oc", "0c", "ºc", "˚c", "'c", "*c", "cel"),
    "[degF]": ("°f", "f", "of", "0f", "ºf", "˚f", "'f", "*f", "[degf]"),
    "MHz": ("mhz",),
    "GHz": ("ghz",),
    "%": ("%", "percent"),
    "px": ("px", "p", "pixel", "pixels"),
    "mA.h": ("mah", "ma.h", "ma·h", "mamph"),
    "W.h": ("wh", "w.h", "w·h"),
    "MiBy": ("mb", "mib", "miby"),
    "GiBy": ("gb", "gib", "giby"),
    "cd/m2": ("cd/m2", "nit", "nits"),
}
# Unit -> (base unit, how many base units it is).
_SCALES = {
    "mW": ("W", 1e-3),
    "mA": ("A", 1e-3),
    "mV": ("V", 1e-3),
    "ms": ("s", 1e-3),
    "GHz": ("MHz", 1e3),
    "GiBy": ("MiBy", 1024.0),
}


def _plain(text: str) -> str:
    return "".join(unicodedata.normalize("NFKC", text).casefold().split()).strip(".:;,|()")


_BY_SPELLING = {_plain(each): unit for unit, them in _SPELLINGS.items() for each in them}


def in_base(unit: str) -> tuple[str, float]:
    """Return the unit in which kin are compared and how many of it ``unit`` is."""
    return _SCALES.get(unit, (unit, 1.0))


@cache
def contradiction(seen: str, unit: str, drawn: str | None) -> str:
    """Say in words how the unit seen contradicts the calibration's, or ''.

    What cannot be told (a script the reader does not know, nothing seen) is no contradiction.
    """
    text, shown = _plain(seen), drawn or unit
    if not text or (drawn and text == _plain(drawn)):
        return ""
    expected = _BY_SPELLING.get(_plain(drawn), unit) if drawn else unit
    other = _other_unit(seen, text, expected, shown) if shown else ""
    alike = map(_plain, LIKE_DIGITS if shown else LIKE_ZEROS)
    if other or text[0] not in alike:
        return other
    spellings = (_plain(shown).replace("°", "o"), *_SPELLINGS.get(expected, ()))
    if any(spelling.startswith(text[0]) for spelling in spellings):
        return ""
    says = f", the calibration says {shown}" if shown else ""
    return f"{seen} stands beside the figure, and its {seen[0]} may be a digit of that{says}"


def _other_unit(seen: str, text: str, expected: str, shown: str) -> str:
    """Say in words which other unit ``seen`` is or may be, or ''."""
    known = _BY_SPELLING.get(text)
    if _plain(shown).startswith(text) and not (
        known and known != expected and _kin(known, expected)
    ):
        return ""  # the beginning of the unit: its rest was cut away from the figure
    if known is not None:
        other = bool(expected) and known != expected
        return f"{seen} stands beside the figure, the calibration says {shown}" if other else ""
    nearest = min(1, _nearness(text, expected))
    for each, spellings in _SPELLINGS.items():
        if each == expected or not _kin(each, expected):
            continue
        begins = any(spelling.startswith(text) for spelling in spellings)
        if begins or _nearness(text, each) <= nearest:
            return (
                f"{seen} stands beside the figure and may be {each}, the calibration says {shown}"
            )
    return ""


def drawn_contradiction(seen: str, readout: Readout) -> str:
    """The same for a readout; durations spell their units inside the figure."""
    if not seen or (readout.kind in {"duration", "word"} and not readout.drawn_unit):
        return ""
    return contradiction(seen, readout.unit, readout.drawn_unit)


def _kin(one: str, other: str) -> bool:
    return in_base(one)[0] == in_base(other)[0]


def _nearness(text: str, unit: str) -> int:
    return min((_distance(text, each) for each in _SPELLINGS.get(unit, ())), default=9)


def _distance(one: str, other: str) -> int:
    """Edit distance (Levenshtein 1965) of two short texts."""
    row = list(range(len(other) + 1))
    for i, a in enumerate(one, 1):
        last, row[0] = row[0], i
        for j, b in enumerate(other, 1):
            last, row[j] = row[j], min(row[j] + 1, row[j - 1] + 1, last + (a != b))
    return row[-1]
