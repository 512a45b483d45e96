"""Flowing lines: a figure's place from the literals around it, as read.

The pattern is laid over the text that was read by dynamic programming. A literal may be misread or
drawn in a script that the reader does not know; spaces may vanish. The cost of the best way to lay
it is held against the best way that gives a figure another extent: if that is about as good, the
place is not known.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from extractor.calibration.pattern import Slot, parse_pattern
from extractor.reading.interface import CharAt

CLEAR = 0.75
"""Least difference of cost to any other extent of a figure that counts as clear."""

_FIGURE = frozenset("0123456789.,:-+%'×x/−–")
_LOOKS_LIKE_DIGIT = frozenset("OoQDIl|iSsBZzgqGbT")
_LEAST_GAP = 0.65
"""Heights: so wide a gap is a space though the reader gave none; a narrow 1 leaves up to 0.5."""
_ALIKE = ("·.•-,:*'°", "|Il1!", "Oo0°", "Ss5", "Bb8", "Zz2", "º°oO0", "×xX", "—–−-", "…._")

_LONGEST = 16
_MOST_COST = 4.0
"""Slips of the reader in eight characters of the pattern with which no figure counts as placed."""
_MOST_OWN = 1.5
"""Slips of the reader in a figure's own characters from which it holds something else as well."""
_MARGIN = 0.15
_PIECE = 30
"""Heights of the longest piece of a line that is read at once."""


@dataclass(frozen=True, slots=True)
class Span:
    """The extent of one figure in a line: px of the line's picture from left to right.

    ``margin`` is by how much (in slips of the reader) any other extent is worse.
    ``left`` and ``right`` are the ends of the neighbouring literals.
    """

    readout: str
    x0: float
    x1: float
    left: float
    right: float
    margin: float


@dataclass(frozen=True, slots=True)
class _Token:
    """One character of a literal, or a figure (``char`` is '' and ``name`` says which)."""

    char: str
    name: str
    spaced: bool


def _tokens(pattern: str) -> list[_Token]:
    """The pattern as literal characters and figures; spaces become a note on what follows."""
    found: list[_Token] = []
    spaced = False
    for piece in parse_pattern(pattern):
        if isinstance(piece, Slot):
            found.append(_Token("", piece.name, spaced))
            spaced = False
            continue
        for char in piece:
            if char.isspace():
                spaced = True
            else:
                found.append(_Token(char, "", spaced))
                spaced = False
    return found


def _known(char: str) -> bool:
    """Whether a reader of Latin letters, digits and marks can be expected to know it."""
    return not char.isalpha() or "LATIN" in unicodedata.name(char, "")


class _Laying:
    """All ways to lay a pattern over a text: states (tokens done, characters done) and steps."""

    def __init__(self, tokens: Sequence[_Token], chars: Sequence[CharAt], height: float) -> None:
        self.tokens = tokens
        self.chars = [char for char in chars if not char.char.isspace()]
        self.gap = [False] * (len(self.chars) + 1)
        place = 0
        for char in chars:
            if char.char.isspace():
                self.gap[place] = True
            else:
                if place and char.x0 - self.chars[place - 1].x1 > _LEAST_GAP * height:
                    self.gap[place] = True
                place += 1
        self.gap[0] = self.gap[len(self.chars)] = True

    def _literal(self, token: _Token, char: str) -> float:
        if not _known(token.char):
            return 0.8 if char.isdigit() else 0.1
        if token.char.casefold() == char.casefold():
            return 0.0
        if any(token.char in alike and char in alike for alike in _ALIKE):
            return 0.3
        return 1.5 if char.isdigit() else 1.0

    def _entry(self, token: _Token, at: int) -> float:
        if token.spaced:
            return 0.0 if self.gap[at] else 0.4
        return 0.3 if self.gap[at] and at else 0.0

    def figure(self, token: _Token, start: int, end: int) -> float:
        """Cost of taking characters ``start`` to ``end`` for a figure."""
        cost = self._entry(token, start)
        digits = 0
        for at in range(start, end):
            char = self.chars[at].char
            digits += char.isdigit() or char in "-–−"
            if char not in _FIGURE:
                cost += 0.4 if char in _LOOKS_LIKE_DIGIT else 1.2
            if at > start and self.gap[at]:
                cost += 0.1 if "×" in (char, self.chars[at - 1].char) else 0.9
        return cost if digits else cost + 1.0

    def _extra(self, done: int, at: int) -> float:
        """Cost of a character that belongs to no token."""
        near = self.tokens[max(0, done - 1) : done + 1]
        digit = self.chars[at].char.isdigit()
        if any(token.char and not _known(token.char) for token in near):
            return 0.8 if digit else 0.2
        return 1.5 if digit else 1.0

    def steps(self, done: int, at: int) -> list[tuple[int, int, float]]:
        """Where one can go from a state, and at which cost."""
        found = []
        if at < len(self.chars):
            found.append((done, at + 1, self._extra(done, at)))
        if done < len(self.tokens):
            token = self.tokens[done]
            if token.name:
                for end in range(at + 1, min(len(self.chars), at + _LONGEST) + 1):
                    found.append((done + 1, end, self.figure(token, at, end)))
            else:
                lost = 1.0 if _known(token.char) else 0.3
                found.append((done + 1, at, 0.6 if not token.char.isalnum() else lost))
                if at < len(self.chars):
                    cost = self._literal(token, self.chars[at].char) + self._entry(token, at)
                    found.append((done + 1, at + 1, cost))
        return found

    def costs(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Least cost from the start to every state, and from every state to the end."""
        shape = (len(self.tokens) + 1, len(self.chars) + 1)
        forward, backward = np.full(shape, np.inf), np.full(shape, np.inf)
        forward[0, 0] = backward[-1, -1] = 0.0
        every = {(i, j): self.steps(i, j) for i in range(shape[0]) for j in range(shape[1])}
        for state, steps in every.items():
            for done, at, cost in steps:
                forward[done, at] = min(forward[done, at], forward[state] + cost)
        for state in reversed(every):
            for done, at, cost in every[state]:
                backward[state] = min(backward[state], backward[done, at] + cost)
        return forward, backward


def lay(pattern: str, chars: Sequence[CharAt], height: float) -> list[Span]:
    """The extent of every figure of ``pattern`` in a line read as ``chars``.

    ``height`` is that of the line's letters, px. A figure for which there is no room is left out.
    """
    tokens = _tokens(pattern)
    laying = _Laying(tokens, chars, height)
    forward, backward = laying.costs()
    spans = []
    for index, token in enumerate(tokens):
        if not token.name:
            continue
        ways = sorted(
            (forward[index, start] + laying.figure(token, start, end) + backward[index + 1, end],
             start, end)
            for start in range(len(laying.chars))
            for end in range(start + 1, min(len(laying.chars), start + _LONGEST) + 1)
        )  # fmt: skip
        if not ways or not np.isfinite(ways[0][0]):
            continue
        cost, start, end = ways[0]
        margin = float(ways[1][0] - cost) if len(ways) > 1 else np.inf
        if laying.figure(token, start, end) > _MOST_OWN:
            margin = 0.0  # words that the pattern does not tell of
        read = laying.chars
        spans.append(
            Span(
                token.name,
                read[start].x0,
                read[end - 1].x1,
                read[start - 1].x1 if start else -np.inf,
                read[end].x0 if end < len(read) else np.inf,
                min(margin, _MOST_COST - float(cost) / (1 + len(tokens) / 8)),
            )
        )
    return spans


def pieces(grey: NDArray[np.float32]) -> list[tuple[int, int]]:
    """A long line in stretches that readers take, from x to x, cut in the widest gaps.

    ``grey`` is the line's picture (h, w).
    """
    high, wide = grey.shape
    most, found, start = _PIECE * high, [], 0
    spread = grey.std(axis=0)
    while wide - start > most:
        low = start + most // 2
        # a window of half the height is darkest of strokes in the middle of the widest gap
        window = np.ones(max(3, high // 2)) / max(3, high // 2)
        even = np.convolve(spread[low : start + most], window, mode="same")
        inner = even[len(window) : -len(window)]
        cut = low + len(window) + int(inner.argmin())
        found.append((start, cut))
        start = cut
    return [*found, (start, wide)]


def figure_extent(grey: NDArray[np.float32], span: Span, height: float) -> tuple[float, float]:
    """Left and right end of the figure's box: the ink of the figure and a margin, no neighbour.

    ``grey`` is the line's picture (h, w). Ink is told from gaps by the spread of grey levels down
    each column.
    """
    spread = grey.std(axis=0)
    low, high = np.percentile(spread, (10, 90))
    ink = spread > low + 0.25 * (high - low)
    left = _between(spread, max(span.left, span.x0 - height), span.x0, height, before=True)
    right = _between(spread, span.x1, min(span.right, span.x1 + height), height, before=False)
    inside = np.flatnonzero(ink[int(left) : int(np.ceil(right))])
    if not inside.size:
        return span.x0, span.x1
    margin = _MARGIN * height
    return (
        max(left, int(left) + float(inside[0]) - margin),
        min(right, int(left) + float(inside[-1]) + 1 + margin),
    )


def _between(
    spread: NDArray[np.float32], start: float, end: float, height: float, *, before: bool
) -> float:
    """The middle of the emptiest stretch of columns between a figure and what stands beside it."""
    slack = 0.12 * height
    low = int(np.clip(np.floor(start - slack), 0, len(spread) - 1))
    high = int(np.clip(np.ceil(end + slack), low + 1, len(spread)))
    stretch = spread[low:high]
    least = float(stretch.min())
    empty = np.flatnonzero(stretch <= least + 0.08 * (float(spread.max()) - least))
    # the empty stretch next to the figure, when a literal of several letters has gaps of its own
    run = np.split(empty, np.flatnonzero(np.diff(empty) > 1) + 1)[-1 if before else 0]
    return low + float(run[0] + run[-1] + 1) / 2
