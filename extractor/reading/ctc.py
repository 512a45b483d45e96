"""Connectionist temporal classification: from a net's columns to texts and back.

After Graves et al. 2006, "Connectionist Temporal Classification" (ICML): a text's probability is
the sum over all paths that spell it (``score``, the forward algorithm); the likeliest texts come
from a prefix beam search that adds up paths on its way, after Graves 2012, "Supervised Sequence
Labelling with Recurrent Neural Networks", section 7.5.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from extractor.reading.interface import CharAt
from extractor.records import Alternative

# Classes and steps below this cannot carry a text of any weight.
_FAINT = 1e-5
_BEAM = 12
_BRANCH = 12  # classes a column that a prefix may grow by


class Columns:
    """The columns of one line as a net saw them.

    ``probabilities``: shape (columns, classes), each row sums to at most 1; class 0 is the blank,
    class k stands for ``characters[k - 1]``. What a row lacks to 1 belongs to characters that
    were left out: it lowers the probability of every text. ``px`` is the width of a column in px
    of the line given.
    """

    def __init__(
        self, probabilities: NDArray[np.floating[Any]], characters: Sequence[str], px: float = 1.0
    ) -> None:
        self.probabilities = np.asarray(probabilities, np.float64)
        self.characters = tuple(characters)
        self.px = px

    @cached_property
    def _class_of(self) -> dict[str, int]:
        return {char: at + 1 for at, char in enumerate(self.characters)}

    def surety(self) -> float:
        """Give the least best-probability over the columns; it also sees a dropped character."""
        return float(self.probabilities.max(axis=1).min()) if len(self.probabilities) else 0.0

    def texts(self, count: int = _BEAM) -> tuple[Alternative, ...]:
        """Give the likeliest texts with their path sums, best first."""
        # A prefix is a tuple of classes; its weight is parted into paths that end in a blank and
        # paths that end in its last character.
        beams: dict[tuple[int, ...], tuple[float, float]] = {(): (1.0, 0.0)}
        for column in self.probabilities:
            blank = float(column[0])
            likely = np.argsort(-column, kind="stable")[:_BRANCH]
            steps = [(int(k), float(column[k])) for k in likely if k and column[k] > _FAINT]
            grown: dict[tuple[int, ...], list[float]] = {}
            for prefix, (ends_blank, ends_char) in beams.items():
                both = ends_blank + ends_char
                stay = grown.setdefault(prefix, [0.0, 0.0])
                stay[0] += both * blank
                last = prefix[-1] if prefix else 0
                for k, p in steps:
                    if k == last:
                        stay[1] += ends_char * p
                        grown.setdefault((*prefix, k), [0.0, 0.0])[1] += ends_blank * p
                    else:
                        grown.setdefault((*prefix, k), [0.0, 0.0])[1] += both * p
            best = sorted(grown.items(), key=lambda item: (-sum(item[1]), item[0]))[: 2 * count]
            beams = {prefix: (b, c) for prefix, (b, c) in best if b + c > 0.0}
        texts = ["".join(self.characters[k - 1] for k in prefix) for prefix in beams]
        scored = zip(texts, self.score(texts), strict=True)
        ordered = sorted((Alternative(t, float(p)) for t, p in scored), key=_by_probability)
        return tuple(ordered[:count])

    def score(self, texts: Sequence[str]) -> NDArray[np.float64]:
        """Give the probability of each of ``texts``, shape (n,), by the forward algorithm."""
        longest = max((len(text) for text in texts), default=0)
        states = 2 * longest + 1
        labels = np.zeros((len(texts), states), np.intp)
        known = np.ones(len(texts), bool)
        for row, text in enumerate(texts):
            for at, char in enumerate(text):
                k = self._class_of.get(char)
                if k is None:
                    known[row] = False
                else:
                    labels[row, 2 * at + 1] = k
        # A state may be skipped to from two before if it is a character unlike the one before.
        skip = np.zeros(labels.shape)
        skip[:, 2:] = (labels[:, 2:] != 0) & (labels[:, 2:] != labels[:, :-2])
        alpha = np.zeros((len(texts), states + 2))
        alpha[:, 2] = 1.0  # an imagined column of blank before the first
        for seen in self.probabilities[:, labels]:
            arrive = alpha[:, 2:] + alpha[:, 1:-1]
            arrive += alpha[:, :-2] * skip
            np.multiply(arrive, seen, out=alpha[:, 2:])
        ends = 2 * np.array([len(text) for text in texts], np.intp) + 2
        rows = np.arange(len(texts))
        last = alpha[rows, ends] + np.where(ends > 2, alpha[rows, ends - 1], 0.0)
        return np.where(known, last, 0.0)

    def part(self, first: int, after: int) -> Columns:
        """Give the columns from ``first`` up to ``after`` alone."""
        return type(self)(self.probabilities[first:after], self.characters, self.px)

    @cached_property
    def runs(self) -> tuple[tuple[int, int, int, float], ...]:
        """The characters of the likeliest path.

        Of each its class, its first column, the column after its last and its likeliest column.
        """
        best = self.probabilities.argmax(axis=1)
        tops = self.probabilities[np.arange(len(best)), best].tolist()
        ends = (np.flatnonzero(best[1:] != best[:-1]) + 1).tolist()
        starts = [0, *ends] if len(best) else []
        return tuple(
            (k, first, after, max(tops[first:after]))
            for k, first, after in zip(
                best[starts].tolist(), starts, [*ends, len(best)], strict=False
            )
            if k
        )

    def spelled(self) -> tuple[CharAt, ...]:
        """Give the characters of the likeliest path with the px they cover.

        A character reaches half-way into the blanks beside it, at most one column far.
        """
        runs = self.runs
        chars: list[CharAt] = []
        for at, (k, first, after, sure) in enumerate(runs):
            before = runs[at - 1][2] if at else 0
            follows = runs[at + 1][1] if at + 1 < len(runs) else len(self.probabilities)
            x0 = first - min(1.0, (first - before) / 2)
            x1 = after + min(1.0, (follows - after) / 2)
            chars.append(CharAt(self.characters[k - 1], x0 * self.px, x1 * self.px, sure))
        return tuple(chars)


def path_sums(
    lines: Sequence[NDArray[np.floating[Any]]], paths: Sequence[Sequence[int]]
) -> NDArray[np.float64]:
    """Give the probability of one text (its classes) for each of many lines, shape (lines,).

    The forward algorithm of ``Columns.score`` for all lines side by side: a loop over columns costs
    as much for many as for one. Each line has the shape (columns, classes).
    """
    count = len(lines)
    if not count:
        return np.zeros(0)
    longest = max(len(path) for path in paths)
    steps = np.array([len(line) for line in lines])
    labels = np.zeros((count, 2 * longest + 1), np.intp)
    chances = np.zeros((int(steps.max()), *labels.shape))
    for row, (line, path) in enumerate(zip(lines, paths, strict=True)):
        labels[row, 1 : 2 * len(path) : 2] = path
        chances[: len(line), row] = line[:, labels[row]]
    skip = np.zeros(labels.shape)
    skip[:, 2:] = (labels[:, 2:] != 0) & (labels[:, 2:] != labels[:, :-2])
    alpha = np.zeros((count, labels.shape[1] + 2))
    alpha[:, 2] = 1.0
    last = np.array([2 * len(path) + 2 for path in paths])
    sums = np.zeros(count)
    for at, chance in enumerate(chances):
        alpha[:, 2:] = (alpha[:, 2:] + alpha[:, 1:-1] + skip * alpha[:, :-2]) * chance
        done = np.flatnonzero(steps == at + 1)
        if len(done):
            ends = last[done]
            spelled = np.where(ends > 2, alpha[done, ends - 1], 0.0)
            sums[done] = alpha[done, ends] + spelled
    sums[steps == 0] = np.array([not path for path in paths])[steps == 0]
    return sums


def _by_probability(alternative: Alternative) -> tuple[float, str]:
    return -alternative.probability, alternative.text
