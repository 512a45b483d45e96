"""The order in which readers look at a figure, and what their looks together are worth."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from functools import cached_property

from extractor.calibration.model import Calibration
from extractor.reading.general import GeneralReader
from extractor.reading.interface import LineRead, Picture, WordAt
from extractor.reading.words import WordFinder
from extractor.records import Box, Figure, Found, Kind, Reading


class FigureReader:
    """Reads figures, lines and words; holds the nets, one of each a process."""

    def __init__(self) -> None:
        self._first = GeneralReader()
        self._finder = WordFinder()

    @cached_property
    def identity(self) -> str:
        """What a cached reading depends on beside its picture."""
        return self._first.identity

    def read_found(
        self,
        image: Picture,
        found: Found,
        calibration: Calibration,
        only: Collection[str] | None = None,
    ) -> tuple[Reading, ...]:
        """Read every readout place of a found layout, or those named in ``only``.

        ``image`` is the upright capture, RGB uint8 of shape (h, w, 3).
        """
        raise NotImplementedError

    def read_figures(
        self, crops: Sequence[Picture], kind: Kind = "number", *, decimals: int | None = None
    ) -> list[Figure]:
        """Read crops of one figure each; see ``extractor.reading.read_figures``."""
        raise NotImplementedError

    def read_line(self, crop: Picture) -> LineRead:
        """Read one line of text as it stands; px of the chars are those of ``crop``."""
        (columns,) = self._first.read([crop])
        chars = columns.spelled()
        return LineRead("".join(char.char for char in chars), chars)

    def find_words(self, image: Picture, *, scale: float = 1.0) -> list[WordAt]:
        """Find and read all text on ``image``; small letters need a ``scale`` above 1.

        Lines of text come whole, with the spaces read. Letters of about 8 to 100 px after
        scaling are found. Ordered from top to bottom, then left to right.
        """
        words = []
        for box in self._finder.find(image, scale):
            (columns,) = self._first.read([_cut(image, box)])
            best = columns.texts()[0]
            if best.text.strip():
                words.append(WordAt(best.text, box, best.probability))
        return words


def _cut(image: Picture, box: Box) -> Picture:
    x0, y0 = max(0, round(box.x)), max(0, round(box.y))
    return image[y0 : max(y0, round(box.bottom)), x0 : max(x0, round(box.right))]
