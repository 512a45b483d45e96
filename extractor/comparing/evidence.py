"""The crops that the figures of a comparison were read from, as WebP."""

from __future__ import annotations

import io
import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from extractor import captures as sources
from extractor.comparing.rounds import Amount
from extractor.comparing.whole import Comparison
from extractor.errors import CaptureError
from extractor.records import Box, Capture

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

# What a person needs to see around a figure, as a share of its height.
_MARGIN = 0.5
_CROP_HEIGHT = 64
_THUMBNAIL = 420
# Crops a figure: the one it was read from, and the next that says the same.
_EACH = 2

Pts = Mapping[tuple[str, float], int]
"""Which frame of a recording was read: (capture, at_s to 3 decimals) -> its pts."""


@dataclass(frozen=True, slots=True)
class Crops:
    """WebP bytes: ``figures`` by row of the readings, ``charts`` by the capture that shows them."""

    figures: Mapping[int, bytes]
    charts: Mapping[str, bytes]


def rows_shown(amount: Amount) -> tuple[int, ...]:
    """The rows of a figure whose crops are shown."""
    return amount.rows[:_EACH]


def cut(
    whole: Comparison,
    captures: Iterable[Capture],
    pts: Pts,
    charts_at: Mapping[str, Sequence[Box]] | None = None,
) -> Crops:
    """Cut every crop that a figure leads to, and the charts whose lines were used.

    ``charts_at`` says where the plots lie on a capture; else the whole capture is shown. A capture
    that cannot be decoded any more is passed over; its figures then lead to its path.
    """
    known = {each.path: each for each in captures}
    rows: set[int] = set()
    charts: set[str] = set()
    for each in whole.rounds.all:
        for amount in each.figures.values():
            rows.update(rows_shown(amount))
        charts.update(line.capture for line in each.series if line.medium == "trace")
    wanted: dict[str, list[int]] = defaultdict(list)
    for row, capture in zip(sorted(rows), _column(whole.readings, "capture", rows), strict=True):
        wanted[capture].append(row)
    made, shrunk = {}, {}
    for path in sorted(wanted.keys() | charts):
        capture_ = known.get(path)
        if capture_ is None:
            continue
        try:
            if capture_.medium == "still":
                image = sources.read_still(capture_)
                made.update(_crops(image, whole.readings, wanted[path]))
                if path in charts:
                    shrunk[path] = _thumbnail(_charts(image, (charts_at or {}).get(path, ())))
            else:
                made.update(_of_recording(capture_, whole.readings, wanted[path], pts))
        except CaptureError:
            continue
    return Crops(made, shrunk)


def _column(readings: pd.DataFrame, name: str, rows: Iterable[int]) -> list[str]:
    column = readings[name].tolist()
    return [column[row] for row in sorted(rows)]


def _crops(
    image: NDArray[np.uint8], readings: pd.DataFrame, rows: Sequence[int]
) -> dict[int, bytes]:
    made = {}
    for row in rows:
        x, y, w, h = (float(readings[side].iloc[row]) for side in "xywh")
        if not all(map(math.isfinite, (x, y, w, h))):
            continue
        made[row] = _webp(sources.around(image, Box(x, y, w, h), _MARGIN * h), _CROP_HEIGHT)
    return made


def _of_recording(
    capture: Capture, readings: pd.DataFrame, rows: Sequence[int], pts: Pts
) -> dict[int, bytes]:
    made = {}
    with sources.Recording(capture) as recording:
        for row in rows:
            at = pts.get((capture.path, round(float(readings["at_s"].iloc[row]), 3)))
            if at is not None:
                made.update(_crops(recording.frame_at(at), readings, [row]))
    return made


def _charts(image: NDArray[np.uint8], boxes: Sequence[Box]) -> NDArray[np.uint8]:
    """All plots of a capture with the labels around them, or the whole capture."""
    if not boxes:
        return image
    left, top = min(box.x for box in boxes), min(box.y for box in boxes)
    right, bottom = max(box.right for box in boxes), max(box.bottom for box in boxes)
    margin = 0.15 * min(box.h for box in boxes)
    whole = Box(left - margin, top, right - left + margin, bottom - top + margin)
    return sources.around(image, whole, margin)


def _webp(image: NDArray[np.uint8], height: int) -> bytes:
    from PIL import Image

    picture = Image.fromarray(image)
    if picture.height > height:
        width = max(1, round(picture.width * height / picture.height))
        picture = picture.resize((width, height), Image.Resampling.LANCZOS)
    return _saved(picture)


def _thumbnail(image: NDArray[np.uint8]) -> bytes:
    from PIL import Image

    picture = Image.fromarray(image)
    picture.thumbnail((_THUMBNAIL, _THUMBNAIL), Image.Resampling.LANCZOS)
    return _saved(picture)


def _saved(picture: object) -> bytes:
    out = io.BytesIO()
    picture.save(out, "WEBP", quality=70, method=4)  # type: ignore[attr-defined]
    return out.getvalue()
