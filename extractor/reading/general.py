"""The general recogniser that rapidocr brings: its net run directly, its columns kept.

rapidocr's own decoding gives one text and the mean of its characters' probabilities, which does
not see a dropped character; here the columns go to ``ctc``. Preparation of a line as in rapidocr's
``ch_ppocr_rec`` (height 48, BGR, values -1 to 1, padding 0), except that each line runs alone.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from functools import cached_property
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from extractor.reading.ctc import Columns
from extractor.reading.interface import Picture
from extractor.reading.nets import net_file, net_identity, open_net
from extractor.values import DASHES

_HEIGHT = 48
_BUCKET = 32  # line widths are padded to a multiple: few shapes, same result for the same line
_FAINT = 1e-5  # classes that reach this in no column are left out
_MOST_CLASSES = 80  # a line without text stirs thousands a little; what is left out counts against
_LONGEST = 60  # a line longer than so many times its height is no line of text
ALIKE = {
    **dict.fromkeys(DASHES + "一ー", "-"),
    **dict.fromkeys("×✕✖＊", "x"),
    **dict.fromkeys("’‘`´′", "'"),
    **{chr(0xFF01 + at): chr(0x21 + at) for at in range(94)},  # full-width forms
    "。": ".",
    "、": ",",
    "∶": ":",
    "º": "°",
    "˚": "°",
    "μ": "µ",
}
"""Characters of its many scripts that look like those of figures, and what they stand for."""


class GeneralReader:
    """The first reader: a recogniser of many scripts, so a misfit shows as another character."""

    name = "general"

    @cached_property
    def identity(self) -> str:
        """Weights' hash and library versions."""
        return net_identity("rec")

    @cached_property
    def _net(self) -> Any:
        return open_net(net_file("rec"))

    @cached_property
    def _characters(self) -> NDArray[np.str_]:
        listed = self._net.get_modelmeta().custom_metadata_map["character"].splitlines()
        return np.array([ALIKE.get(char, char) for char in [*listed, " "]])

    def read(self, lines: Sequence[Picture], characters: Collection[str] = ()) -> list[Columns]:
        """Read each line by itself; ``characters`` is not used: nothing is read into a line."""
        return [self._read(line) for line in lines]

    def _read(self, line: Picture) -> Columns:
        height, width = line.shape[:2]
        if height == 0 or width == 0 or width > _LONGEST * height:
            return Columns(np.zeros((0, 1)), ())
        scale = _HEIGHT / height
        wide = max(1, round(width * scale))
        how = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
        small = cv2.resize(line, (wide, _HEIGHT), interpolation=how)
        padded = -(-wide // _BUCKET) * _BUCKET
        data = np.zeros((1, 3, _HEIGHT, padded), np.float32)
        data[0, :, :, :wide] = (small[:, :, ::-1].transpose(2, 0, 1) / np.float32(127.5)) - 1
        (out,) = self._net.run(None, {self._net.get_inputs()[0].name: data})
        columns = out[0]
        return _fold(columns, self._characters, px=padded / len(columns) / scale)


def _fold(columns: NDArray[np.float32], characters: NDArray[np.str_], px: float) -> Columns:
    """Keep the classes that matter; add up those that look alike (dashes, full-width forms)."""
    most = columns[:, 1:].max(axis=0)
    kept = np.flatnonzero(most > _FAINT)
    kept = kept[np.argsort(-most[kept], kind="stable")[:_MOST_CLASSES]]
    names = sorted({str(characters[k]) for k in kept})
    class_of = {name: at + 1 for at, name in enumerate(names)}
    folded = np.zeros((len(columns), len(names) + 1))
    folded[:, 0] = columns[:, 0]
    for k in kept:
        folded[:, class_of[str(characters[k])]] += columns[:, k + 1]
    return Columns(np.minimum(folded, 1.0), names, px)
