"""The door: calibrations in, finds of a frame out."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import NDArray

from extractor.calibration.model import Calibration
from extractor.reading.interface import LineRead, WordAt
from extractor.records import Found

if TYPE_CHECKING:
    from extractor.locate.matching import Match

METHOD = "landmarks-8"
"""Names the way of locating in the cache's keys: a change of results changes it."""

_REMEMBERED = 32


class LineReader(Protocol):
    """What locating asks of a reader."""

    def read_line(self, crop: NDArray[np.uint8]) -> LineRead:
        """Read one line of text, RGB uint8 (h, w, 3)."""

    def find_words(self, image: NDArray[np.uint8]) -> Sequence[WordAt]:
        """Find all words of a frame, RGB uint8 (h, w, 3)."""


class Locator:
    """Finds layouts on frames.

    Parameters
    ----------
    calibrations
        The layouts to look for. A picture that cannot be used raises ValueError that names it.
    reader
        Reads flowing lines, and words where a layout has no picture to be found by.
    """

    identity = METHOD

    def __init__(self, calibrations: Sequence[Calibration], reader: LineReader) -> None:
        from extractor.locate.layout import Layout

        self._layouts = [Layout(calibration) for calibration in calibrations]
        self._reader = reader
        self._matches: OrderedDict[Found, Match] = OrderedDict()

    def locate(self, image: NDArray[np.uint8], last: tuple[Found, ...] = ()) -> tuple[Found, ...]:
        """Find the layouts that a frame shows, each at most once.

        Parameters
        ----------
        image
            RGB uint8, shape (h, w, 3), upright.
        last
            What was found on the frame before it in the same recording: looked for at its own
            place first. If any of it has gone, moved or changed, the whole frame is searched.

        Returns
        -------
        In the order of the calibrations, with a place for every readout of each layout found.
        """
        from extractor.locate import matching, places
        from extractor.locate.frame import Frame

        frame = Frame(image)
        words: list[Sequence[WordAt]] = []

        def words_once() -> Sequence[WordAt]:
            if not words:
                words.append(tuple(self._reader.find_words(image)))
            return words[0]

        known = [self._matches[found] for found in last if found in self._matches]
        matches: list[matching.Match] = []
        if last and len(known) == len(last):
            again = [matching.again(frame, match) for match in known]
            matches = [match for match in again if match is not None]
        if not last or len(matches) < len(last):
            every = matching.find(frame, self._layouts, words_once)
            matches = [match for match in every if match is not None]
        finds = places.finds(frame, matches, self._reader)
        for found, match in finds:
            self._matches[found] = match
            self._matches.move_to_end(found)
        while len(self._matches) > _REMEMBERED:
            self._matches.popitem(last=False)
        return tuple(found for found, _ in finds)

    def seen(self, found: Found) -> dict[str, float]:
        """The pictures and words by which a layout was found, with how well each fits, 0 to 1.

        Empty for a find of long ago or of another locator.
        """
        match = self._matches.get(found)
        return dict(match.scores) if match else {}

    def placed_anew(
        self, image: NDArray[np.uint8], found: Found, calibration: Calibration
    ) -> Found:
        """Give the places of readouts that were changed since; the landmarks are the same.

        Raises KeyError for a find of long ago or of another locator.
        """
        from extractor.locate import places
        from extractor.locate.frame import Frame
        from extractor.locate.layout import Layout

        match = replace(self._matches[found], layout=Layout(calibration), short=False)
        self._matches.move_to_end(found)
        ((anew, match),) = places.finds(Frame(image), [match], self._reader)
        self._matches[anew] = match
        while len(self._matches) > _REMEMBERED:
            self._matches.popitem(last=False)
        return anew
