"""The pictures of one figure that readers are shown: as given, cut to the ink, drawn clean."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np

from extractor.reading.ink import Edges, Ink, find_dashes, find_ink
from extractor.reading.interface import CharAt, Picture

_MARGIN = 0.3  # ground around the ink, in digit heights: what readers were trained with
_MISSED = 1.7  # digit heights that show the digit behind a colon as wide as a digit
_JOINED = 0.3  # digit heights that each of several dashes is at least wide
_REACH = 1.3  # digit heights beside the ink in which a figure that goes on shows a digit


@dataclass(frozen=True, slots=True)
class Cut:
    """A piece of a picture; ``x`` is where its left edge stands in that picture, px."""

    picture: Picture
    x: float


class Subject:
    """One figure in a picture: ``box`` is where it must lie, px of ``picture``.

    ``picture`` reaches beyond the box where the capture does, so that neighbours are seen whole.
    ``height`` is the expected digit height, px, 0 if unknown. ``spaced``: spaces may stand
    in it.
    """

    def __init__(
        self, picture: Picture, box: Edges, height: float = 0.0, spaced: bool = False
    ) -> None:
        self._picture = picture
        self._box = box
        self._height = height
        self._spaced = spaced

    @cached_property
    def ink(self) -> Ink | None:
        """The strokes of the figure; None where nothing looks like strokes."""
        return find_ink(self._picture, self._box, self._height, self._spaced)

    @property
    def sure(self) -> bool:
        """The ink could be told safely."""
        return self.ink is not None and self.ink.sure

    def shows_dashes(self, mark: str, until: float = np.inf) -> bool:
        """Tell whether nothing but the dashes of ``mark`` is drawn, which may touch each other.

        A unit may stand right of ``until``, px of the picture.
        """
        widths = find_dashes(self._picture, self._box, self._height, until)
        joined = len(widths) == 1 and widths[0] > _JOINED * len(mark)
        return len(widths) == len(mark) or joined

    def is_shaped(self, text: str, until: float | None) -> bool:
        """Tell whether the strokes are digits, dots and dashes just where ``text`` has them.

        The second reader tends to lose points, which are plain to see in the strokes.
        """
        if self.ink is None or not self.ink.sure:
            return False
        end = np.inf if until is None else until + 1
        shapes = [
            shape
            for shape, (_, x1) in zip(self.ink.shapes, self.ink.glyphs, strict=True)
            if x1 <= end
        ]
        seen = "".join(shapes).replace(".:", ":").replace(":.", ":")
        wanted = "".join("d" if char.isdigit() else char for char in text)
        return set(wanted) <= set("d.:-") and seen == wanted

    def widened(self) -> Picture:
        """Give the box around the ink as far as it would show a digit left out."""
        x0, y0, x1, y1 = self._box
        if self.ink is not None:
            left, upper, right, lower = self.ink.edges
            reach, margin = _MISSED * self.ink.height, _MARGIN * self.ink.height
            x0, x1 = max(x0, left - reach), min(x1, right + reach)
            y0, y1 = upper - margin, lower + margin
            # A letter that the edge would cut is shown whole: a half of % is read as a digit.
            for a, b in sorted(self.ink.beside):
                x1 = b + margin / 3 if a < x1 < b else x1
            for a, b in sorted(self.ink.beside, reverse=True):
                x0 = a - margin / 3 if a < x0 < b else x0
        return _window(self._picture, (x0, y0, x1, y1))

    def cut(self, until: float | None = None) -> Cut:
        """Give the ink with some ground around it, up to x = ``until`` (where a unit begins)."""
        ink = self.ink
        if ink is None:
            x0, y0, x1, y1 = self._box
            return Cut(_window(self._picture, (x0, y0, until or x1, y1)), max(0.0, x0))
        x0, y0, x1, y1 = ink.edges
        margin = _MARGIN * ink.height
        left = max(x0 - margin, (x0 + ink.room[0]) / 2, 0.0)
        right = min(x1 + margin, (x1 + ink.room[1]) / 2)
        if until is not None:
            x1 = max((b for _, b in ink.glyphs if b <= until + 1), default=until)
            right = min(right, until)
        upper, lower = max(0.0, y0 - margin), y1 + margin
        a, b = int(left), max(int(left) + 1, int(np.ceil(right)))
        piece = self._picture[int(upper) : int(np.ceil(lower)), a:b]
        # Ground that a neighbour's ink stood in is made from what is left of it.
        before = max(0, round(margin - (x0 - a)))
        after = max(0, round(margin - (b - x1)))
        padded = cv2.copyMakeBorder(piece, 0, 0, before, after, cv2.BORDER_REPLICATE)
        return Cut(np.asarray(padded, np.uint8), a - before)

    def clean(self, until: float | None = None) -> Picture | None:
        """Give the drawing of the figure alone, as RGB; None where there is none."""
        ink = self.ink
        if ink is None:
            return None
        drawn = ink.clean
        if until is not None:
            drawn = drawn[:, : max(1, round((until - ink.clean_x) * ink.clean_scale))]
        pad = round(_MARGIN * ink.height * ink.clean_scale / 2)
        return np.repeat(np.pad(drawn, pad, constant_values=255)[:, :, None], 3, axis=2)

    def around(self) -> Cut:
        """Give the whole line that the figure stands in, with what stands beside the box."""
        if self.ink is None:
            return Cut(self._picture, 0.0)
        margin = _MARGIN * self.ink.height
        _, y0, _, y1 = self.ink.edges
        return Cut(self._picture[max(0, int(y0 - margin)) : int(np.ceil(y1 + margin))], 0.0)

    def goes_on(self, chars: tuple[CharAt, ...]) -> bool:
        """Tell whether a digit, or a mark and a digit, stand right beside the ink.

        ``chars`` are those read ``around`` it.
        """
        ink = self.ink
        if ink is None:
            return False
        x0, _, x1, _ = ink.edges
        reach = _REACH * ink.height
        before = [char for char in chars if x0 - reach < _middle(char) < x0]
        behind = [char for char in chars if x1 < _middle(char) < x1 + reach]
        return (ink.near[0] and _first_is_digit(before[::-1])) or (
            ink.near[1] and _first_is_digit(behind)
        )

    def touches_border(self) -> bool:
        """Tell whether the ink touches the left or right edge of the picture."""
        if self.ink is None:
            return False
        x0, _, x1, _ = self.ink.edges
        return x0 < 1 or x1 > self._picture.shape[1] - 1

    def gap_near(self, x: float) -> float:
        """Give the middle of the gap between two strokes that is nearest to ``x``."""
        glyphs = self.ink.glyphs if self.ink is not None else ()
        gaps = [
            (reach + after[0]) / 2
            for reach, after in zip(_reach(glyphs), glyphs[1:], strict=False)
            if after[0] > reach
        ]
        best = min(gaps, key=lambda gap: abs(gap - x), default=x)
        near = self.ink is not None and abs(best - x) < 0.3 * self.ink.height
        return best if near else x


def _middle(char: CharAt) -> float:
    return (char.x0 + char.x1) / 2


def _first_is_digit(chars: Sequence[CharAt]) -> bool:
    rest = [char.char for char in chars if char.char not in ".,: "]
    return bool(rest) and rest[0].isdigit()


def _window(picture: Picture, edges: Edges) -> Picture:
    x0, y0, x1, y1 = (max(0, round(edge)) for edge in edges)
    return picture[y0:y1, x0 : max(x0 + 1, x1)]


def _reach(glyphs: tuple[tuple[float, float], ...]) -> list[float]:
    """Give how far to the right the strokes up to each one reach."""
    return list(np.maximum.accumulate([b for _, b in glyphs])) if glyphs else []


def stretched(picture: Picture, by: float = 1.25) -> Picture:
    """Give ``picture`` made wider, on half a px's shift: another sampling of the same strokes."""
    if picture.size == 0:
        return picture
    wide = max(1, round(picture.shape[1] * by))
    move = np.array([[by, 0, 0.5], [0, 1, 0.5]], np.float32)
    out = cv2.warpAffine(
        picture,
        move,
        (wide, picture.shape[0]),
        flags=cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(out, np.uint8)
