"""Charts of a summary screen -> series with honest bounds.

``read_traces`` says what the picture says, in px, and is cached; ``settle_trace`` turns that into
values, pure, at every export. Nothing heavy is imported before the first reading.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING

from extractor.records import Found, TraceRead
from extractor.traces.settling import settle_trace

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from extractor.calibration.model import Calibration
    from extractor.traces.labels import LabelReader

METHOD = "traces=11"
"""Counted up whenever the same pixels give another curve or other labels: the cache keys on it."""


def read_traces(
    image: NDArray[np.uint8],
    found: Found,
    calibration: Calibration,
    reader: LabelReader,
    only: Collection[str],
) -> tuple[TraceRead, ...]:
    """Read the traces named in ``only`` of a layout found on ``image`` (RGB uint8, (h, w, 3))."""
    from extractor.traces import reading

    return reading.read_traces(image, found, calibration, reader, only)


__all__ = ["METHOD", "read_traces", "settle_trace"]
