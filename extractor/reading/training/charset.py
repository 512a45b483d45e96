"""The characters that lines are drawn with, and the classes that a net tells apart."""

from __future__ import annotations

# What is drawn: printable ASCII and the signs of the trade.
DRAWN = "".join(map(chr, range(32, 127))) + "°·×−–…µ±Ω√→²"

# Drawn alike, meant alike: one class.
_ALIKE = {"×": "x", "−": "-", "–": "-"}

# Class 0 of a net is the blank of CTC; class k stands for CLASSES[k - 1].
CLASSES = "".join(dict.fromkeys(_ALIKE.get(c, c) for c in DRAWN))

_CLASS_OF = {c: CLASSES.index(_ALIKE.get(c, c)) + 1 for c in DRAWN}


def encode(text: str) -> list[int]:
    """Give the classes that spell ``text``.

    Raises
    ------
    KeyError
        ``text`` holds a character that is never drawn.
    """
    return [_CLASS_OF[char] for char in text]


def fold(text: str) -> str:
    """Write ``text`` with one character for each class, as a net spells it."""
    return "".join(_ALIKE.get(char, char) for char in text)
