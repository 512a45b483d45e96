"""The project's own reader: three small convolutional nets, trained on synthetic lines.

The first net looks at every line, the second at those on which the first is unsure, and the third,
which is the second trained apart, where the second is unsure too or says otherwise. What the first
net saw then counts no more: it errs twice as often as the others. How they are trained and what
they can do stands in ``docs/model-card.md``.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from functools import cached_property
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from extractor.reading.ctc import Columns, path_sums
from extractor.reading.interface import CharAt, Picture
from extractor.reading.nets import OWN, open_net
from extractor.records import Alternative

HEIGHTS = (32, 40)  # px of a line for the first net and for the other two
NETS = {"first": HEIGHTS[0], "second": HEIGHTS[1], "third": HEIGHTS[1]}
# A line is padded to the next of these widths at 32 px (and to as much at 40), beyond the last to
# a multiple of it: a result never depends on which lines share a batch.
WIDTHS = (32, 48, 64, 80, 96, 112, 128, 160, 192, 256, 320, 512)
_GROUND = 127  # grey of the padding
_BATCH = 16
_SURE = 0.97  # path sum of a net from which on the next does not look
_RARE = 1e-4  # share of the likeliest below which a text is not followed
_BEAM = 12
_LEAST = 1e-3  # probability from which on a look's text is scored by the other look too


def likeliest(lines: Sequence[Columns]) -> list[Alternative]:
    """Give the text of each line's likeliest path with its path sum."""
    paths = [[k for k, *_ in line.runs] for line in lines]
    sums = path_sums([line.probabilities for line in lines], paths)
    texts = (
        "".join(line.characters[k - 1] for k in p) for line, p in zip(lines, paths, strict=True)
    )
    return [Alternative(text, float(p)) for text, p in zip(texts, sums, strict=True)]


def prepare(line: Picture, height: int, width: int) -> NDArray[np.uint8]:
    """Bring ``line`` to ``height`` and pad it with grey to ``width``, uint8 (height, width, 3)."""
    wide = min(width, max(1, round(line.shape[1] * height / line.shape[0])))
    how = cv2.INTER_AREA if height < line.shape[0] else cv2.INTER_LINEAR
    padded = np.full((height, width, 3), _GROUND, np.uint8)
    padded[:, :wide] = cv2.resize(line, (wide, height), interpolation=how)
    return padded


def _width_of(line: Picture) -> int:
    wide = round(line.shape[1] * HEIGHTS[0] / line.shape[0])
    known = next((width for width in WIDTHS if width >= wide), None)
    return known if known is not None else -(-wide // WIDTHS[-1]) * WIDTHS[-1]


class _Line(Columns):
    """Columns whose likeliest texts are found faster: most are blank beyond doubt."""

    def texts(self, count: int = _BEAM) -> tuple[Alternative, ...]:
        """Give the likeliest texts with their path sums, best first, as ``Columns.texts`` does."""
        beams: dict[tuple[int, ...], tuple[float, float]] = {(): (1.0, 0.0)}
        rows, classes = np.nonzero(self.probabilities[:, 1:] > _RARE)
        chances = self.probabilities[rows, classes + 1]
        by_column: dict[int, list[tuple[int, float]]] = {}
        for row, k, p in zip(rows.tolist(), classes.tolist(), chances.tolist(), strict=True):
            by_column.setdefault(row, []).append((k + 1, p))
        for at, blank in enumerate(self.probabilities[:, 0].tolist()):
            steps = by_column.get(at)
            if steps is None:
                beams = {prefix: ((b + c) * blank, 0.0) for prefix, (b, c) in beams.items()}
                continue
            blanks = {prefix: (b + c) * blank for prefix, (b, c) in beams.items()}
            ends: dict[tuple[int, ...], float] = {}
            for prefix, (b, c) in beams.items():
                last = prefix[-1] if prefix else 0
                for k, p in steps:
                    if k == last:
                        ends[prefix] = ends.get(prefix, 0.0) + c * p
                    grown = (*prefix, k)
                    ends[grown] = ends.get(grown, 0.0) + (b if k == last else b + c) * p
            both = {x: (blanks.get(x, 0.0), ends.get(x, 0.0)) for x in {**blanks, **ends}}
            least = _RARE * max(b + c for b, c in both.values())
            beams = {x: (b, c) for x, (b, c) in both.items() if b + c > least}
            if len(beams) > 2 * count:
                best = sorted(beams.items(), key=lambda item: (-sum(item[1]), item[0]))
                beams = dict(best[: 2 * count])
        found = [
            Alternative("".join(self.characters[k - 1] for k in prefix), b + c)
            for prefix, (b, c) in beams.items()
        ]
        return tuple(sorted(found, key=_by_probability)[:count])


class Looks:
    """What the nets see of one line: their path sums are averaged.

    ``columns`` holds those of the nets that count: of the first or the second, if it is sure, else
    of the second and the third. ``best`` is the text of the likeliest path of the first of them
    with its path sum.
    """

    def __init__(self, columns: Sequence[Columns], best: Alternative) -> None:
        self.columns = tuple(columns)
        self.best = best

    def texts(self) -> tuple[Alternative, ...]:
        """Give the likeliest texts of all looks, scored by all of them, best first.

        Where one net is sure, its text alone: all others together are less than the rest.
        """
        if len(self.columns) == 1 and self.best.probability >= _SURE:
            return (self.best,)
        found = [a for look in self.columns for a in look.texts()]
        texts = list(dict.fromkeys(a.text for a in found if a.probability >= _LEAST))
        if not texts:
            texts = [self.best.text]
        scored = zip(texts, self.score(texts), strict=True)
        return tuple(sorted((Alternative(t, float(p)) for t, p in scored), key=_by_probability))

    def score(self, texts: Sequence[str]) -> NDArray[np.float64]:
        """Give the mean probability of each of ``texts``, shape (n,)."""
        return np.asarray(np.mean([look.score(texts) for look in self.columns], axis=0))

    def spelled(self) -> tuple[CharAt, ...]:
        """Give the characters of the last look with the px they cover."""
        return self.columns[-1].spelled()


class OwnReader:
    """Reads lines of figures and labels; nothing is read into them."""

    SPACE = 1
    """Class of the space, the first of the characters."""
    DIGITS = slice(SPACE + ord("0") - ord(" "), SPACE + ord("9") - ord(" ") + 1)
    """Classes of the digits: the printable ASCII comes in its order."""

    @cached_property
    def _told(self) -> dict[str, Any]:
        told: dict[str, Any] = json.loads((OWN / "reader.json").read_text(encoding="utf-8"))
        return told

    @cached_property
    def _characters(self) -> str:
        return str(self._told["characters"])

    @cached_property
    def _sessions(self) -> dict[str, Any]:
        return {net: open_net(OWN / f"{net}.onnx") for net in NETS}

    def read(self, lines: Sequence[Picture], sure: float = _SURE) -> list[Looks]:
        """Read each line; the second and the third net look where those before are unsure.

        ``sure``: path sum from which on the next does not look, 0.97 or more.
        """
        first = self.look(lines, "first")
        looks = [
            Looks([columns], best) for columns, best in zip(first, likeliest(first), strict=True)
        ]
        doubtful = [at for at, look in enumerate(looks) if look.best.probability < sure]
        again = self.look([lines[at] for at in doubtful], "second")
        unsettled = []
        for at, columns, best in zip(doubtful, again, likeliest(again), strict=True):
            if best.text != looks[at].best.text or best.probability < sure:
                unsettled.append(at)
            looks[at] = Looks([columns], best)
        last = self.look([lines[at] for at in unsettled], "third")
        for at, columns in zip(unsettled, last, strict=True):
            looks[at] = Looks([*looks[at].columns, columns], looks[at].best)
        return looks

    def look(self, lines: Sequence[Picture], net: str) -> list[Columns]:
        """Give what one net ('first', 'second' or 'third') alone sees of each line."""
        nothing = _Line(np.zeros((0, 1 + len(self._characters))), self._characters)
        seen: list[Columns] = [nothing for _ in lines]
        by_width: dict[int, list[int]] = {}
        for at, line in enumerate(lines):
            if line.size:
                by_width.setdefault(_width_of(line), []).append(at)
        height = NETS[net]
        for width, places in by_width.items():
            wide = width * height // HEIGHTS[0]
            for start in range(0, len(places), _BATCH):
                part = places[start : start + _BATCH]
                pictures = np.stack([prepare(lines[at], height, wide) for at in part])
                data = pictures.transpose(0, 3, 1, 2).astype(np.float32)
                data -= _GROUND
                data /= _GROUND
                (scores,) = self._sessions[net].run(None, {"line": data})
                probabilities = self._probabilities(scores, net)
                for row, at in enumerate(part):
                    px = 2 * lines[at].shape[0] / height
                    steps = min(scores.shape[1], int(np.ceil(lines[at].shape[1] / px)) + 1)
                    seen[at] = _Line(probabilities[row, :steps], self._characters, px)
        return seen

    def _probabilities(self, scores: NDArray[np.float32], net: str) -> NDArray[np.float32]:
        """Softmax at the temperature that was calibrated."""
        scores = scores / np.float32(self._told["nets"][net]["temperature"])
        scores -= scores.max(axis=2, keepdims=True)
        np.exp(scores, out=scores)
        scores /= scores.sum(axis=2, keepdims=True)
        return scores


def _by_probability(alternative: Alternative) -> tuple[float, str]:
    return -alternative.probability, alternative.text
