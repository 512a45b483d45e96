"""Crop -> texts with probabilities, behind one small interface; several readers.

Nothing heavy is imported before the first reading: a run in which all is cached only asks for
``reader_identity``.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import TYPE_CHECKING

from extractor.reading.identity import reader_identity
from extractor.reading.interface import CharAt, LineRead, Picture, Reader, WordAt
from extractor.records import Figure, Kind

if TYPE_CHECKING:
    from extractor.reading.cascade import FigureReader

__all__ = [
    "CharAt",
    "LineRead",
    "Picture",
    "Reader",
    "WordAt",
    "default_reader",
    "read_figures",
    "reader_identity",
]


@cache
def default_reader() -> FigureReader:
    """Give the reader of this process, built at the first call."""
    from extractor.reading.cascade import FigureReader

    return FigureReader()


def read_figures(
    crops: Sequence[Picture], kind: Kind = "number", *, decimals: int | None = None
) -> list[Figure]:
    """Read crops that hold one figure each.

    Parameters
    ----------
    crops
        RGB uint8 pictures of shape (h, w, 3), cut tight or loose around one figure each; a unit
        to its right and cut neighbours are left out of the text.
    kind
        ``number``, ``percentage``, ``duration``, ``size`` or ``word``.
    decimals
        The number of decimals the figures always have, if that is known.

    Returns
    -------
    One ``Figure`` a crop, in order. ``text`` has no unit, label or spaces; ``-`` for signs, ``x``
    in sizes, decimal and thousands marks as drawn; '' if nothing was seen. ``probability`` says
    how likely ``text`` is right as a whole. A result depends on its own crop alone.

    Raises
    ------
    ValueError
        A crop is not RGB uint8 of shape (h, w, 3), or ``kind`` is none of the five.
    """
    return default_reader().read_figures(crops, kind, decimals=decimals)
