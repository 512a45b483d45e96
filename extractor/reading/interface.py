"""What readers take and give; the records that never leave the process.

A *line* is a picture of one line of text, RGB uint8 of shape (h, w, 3), any height. px are those
of the picture given, (0, 0) at its upper left corner.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from extractor.records import Alternative, Box

Picture = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class CharAt:
    """One character of a line with the px it covers from left to right."""

    char: str
    x0: float
    x1: float
    probability: float


@dataclass(frozen=True, slots=True)
class LineRead:
    """A whole line as read; ``chars`` spell ``text``, spaces included."""

    text: str
    chars: tuple[CharAt, ...] = ()


@dataclass(frozen=True, slots=True)
class WordAt:
    """A piece of text found anywhere on a picture. ``probability`` is of the whole text."""

    text: str
    box: Box
    probability: float


class Seen(Protocol):
    """What a reader makes of one line."""

    def texts(self) -> tuple[Alternative, ...]:
        """Give the likeliest whole texts with their probabilities, best first."""


class SeenColumns(Seen, Protocol):
    """What a reader makes of one line that can also be asked for texts it did not choose."""

    def score(self, texts: Sequence[str]) -> NDArray[np.float64]:
        """Give the probability of each of ``texts``, shape (n,)."""

    def surety(self) -> float:
        """Give the least best-probability over all columns: it also sees a dropped character."""

    def spelled(self) -> tuple[CharAt, ...]:
        """Give the likeliest text character by character, with the px of each."""


class Reader(Protocol):
    """Reads lines. A result depends on its own line alone, never on its batch mates."""

    name: str

    @property
    def identity(self) -> str:
        """Weights' hash and library versions."""

    def read(self, lines: Sequence[Picture], characters: Collection[str]) -> Sequence[SeenColumns]:
        """Read each line; ``characters`` are those a line may hold, all if empty, as a hint."""


class Witness(Protocol):
    """A second reader, which only says what it sees."""

    name: str

    @property
    def identity(self) -> str:
        """Weights' hash and library versions."""

    def read(self, lines: Sequence[Picture], characters: Collection[str]) -> Sequence[Seen]:
        """Read each line; ``characters`` are those a line may hold, all if empty."""
