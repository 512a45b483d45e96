"""From a whole line as read to the figure in it: what is the figure, what the unit beside it.

A line that is no figure of its kind gives none: nothing is picked out of words, so what a picture
says against a figure stays in its probability.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from extractor.records import Kind
from extractor.values import DASHES

_STRAY = r"[\s:;|=~·•]*"  # what is left of a label on the left
_UNIT = r"(?P<unit>[^\d]*|[^\d]*m[²2³]|[^\d]*/\D*2)"  # no second figure
_NUMBER = r"(?P<figure>[-+]?\s*\d[\d.,']*(?: \d{3}(?!\d))*(?:[.,]\d+)?)"
_CLOCK = r"(?P<figure>\d{1,3}(?:\s*:\s*\d{2}){1,2}(?:[.,]\d+)?)"
_SPELLED = r"(?P<figure>(?:\d[\d.,]*\s*(?:days?|d|h|hrs?|mins?|m|secs?|s)\s*)+)(?P<unit>)"
_SIZE = r"(?P<figure>\d+\s*[xX*]\s*\d+)"

_FORMS: dict[Kind, tuple[re.Pattern[str], ...]] = {
    "number": (re.compile(_STRAY + _NUMBER + _UNIT),),
    "percentage": (re.compile(_STRAY + _NUMBER + _UNIT),),
    "duration": (
        re.compile(_STRAY + _CLOCK + _UNIT),
        re.compile(_STRAY + _SPELLED),
        re.compile(_STRAY + _NUMBER + _UNIT),
    ),
    "size": (re.compile(_STRAY + _SIZE + _UNIT),),
    "word": (re.compile(r"\s*(?P<figure>.*?)\s*(?P<unit>)", re.DOTALL),),
}
_DASH = DASHES + "_~"  # readers take long dashes for these
_DASHED = re.compile(
    rf"(?P<mark>[{_DASH}](?:\s*[{_DASH}])*)\s*(?P<unit>[^{_DASH}\d\s][^{_DASH}\d]*)"
)
LIKE_ZEROS = frozenset("OQ")
"""Letters that say nothing right behind a figure: no unit begins so, and a zero looks like them."""

LIKE_DIGITS = "OoQDIl|SBZ"
"""Letters that may be digits: what begins so is not taken for a unit."""

CHARACTERS: dict[Kind, str] = {
    "number": "0123456789.,-'",
    "percentage": "0123456789.,-'",
    "duration": "0123456789.:hmins",
    "size": "0123456789x",
    "word": "",
}


@dataclass(frozen=True, slots=True)
class Parted:
    """A line parted: ``line[start:end]`` is the figure as read, ``text`` it without spaces."""

    text: str
    unit: str
    start: int
    end: int


def part(line: str, kind: Kind, missing: str | None = None) -> Parted | None:
    """Part ``line`` into figure and unit; None if it is no figure of ``kind``.

    ``missing`` is the layout's mark for no value; what reads like it counts as that very mark.
    """
    bare = line.strip()
    if missing is not None and bare:
        start = line.index(bare)
        if _is_mark(bare, missing):
            return Parted(_without_spaces(missing), "", start, start + len(bare))
        dashed = _DASHED.fullmatch(bare) if kind != "word" and not missing.strip(DASHES) else None
        if dashed and dashed["unit"][0] not in LIKE_DIGITS:
            end = start + dashed.end("mark")
            return Parted(_without_spaces(missing), dashed["unit"], start, end)
    for form in _FORMS[kind]:
        match = form.fullmatch(line)
        if match and match["figure"]:
            figure = match["figure"]
            text = figure if kind == "word" else _without_spaces(figure)
            if kind == "size":
                text = text.replace("X", "x").replace("*", "x")
            return Parted(text.rstrip("'"), match["unit"].strip(), *match.span("figure"))
    return None


def _without_spaces(text: str) -> str:
    return "".join(text.split())


def _is_mark(text: str, missing: str) -> bool:
    plain, mark = (_without_spaces(t).translate(_ONE_DASH) for t in (text, missing))
    if mark and not mark.strip("-"):
        return not plain.strip("-")
    return plain == mark


_ONE_DASH = {ord(dash): "-" for dash in _DASH}
