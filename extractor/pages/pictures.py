"""Captures as the browser shows them: whole and small, or a piece in full size."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Hashable
from typing import Any, Generic, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from extractor import captures as sources
from extractor.errors import CaptureError
from extractor.pages.serving import RefusedError
from extractor.records import Box, Capture

_PREVIEW = 2600
"""Longest side of a whole capture in the browser, px."""
_MOST_PIXELS = 300_000_000
_MOST_CODED = 64 << 20
_Held = TypeVar("_Held")


class Pictures:
    """Frames of captures, decoded when they are asked for; safe to ask from several threads."""

    def __init__(self) -> None:
        self._frames: _Recent[NDArray[np.uint8]] = _Recent(_MOST_PIXELS)
        self._coded: _Recent[bytes] = _Recent(_MOST_CODED)
        self._decoding = threading.Lock()

    def whole(self, capture: Capture, pts: int | None) -> bytes:
        """The frame as JPEG, at most ``_PREVIEW`` px a side. Raises RefusedError."""
        return preview(self.frame(capture, pts))

    def piece(self, capture: Capture, pts: int | None, box: Box, margin: float) -> bytes:
        """What lies in ``box`` and ``margin`` px around it, in full size, PNG.

        Raises RefusedError if the capture can no longer be decoded.
        """
        key = (capture.content, pts, box, margin)
        data = self._coded.get(key)
        if data is None:
            data = cut(self.frame(capture, pts), box, margin)
            self._coded.put(key, data, len(data))
        return data

    def frame(self, capture: Capture, pts: int | None) -> NDArray[np.uint8]:
        """The pixels, RGB uint8 (h, w, 3). Raises RefusedError if it cannot be decoded."""
        key = (capture.content, pts)
        with self._decoding:  # two that ask for one frame do not decode it twice
            image = self._frames.get(key)
            if image is None:
                try:
                    image = _decoded(capture, pts)
                except (CaptureError, OSError) as error:
                    why = error.problem if isinstance(error, CaptureError) else error.strerror
                    raise RefusedError(
                        f"{capture.path} cannot be shown any more: {why}. Put it back where it was."
                    ) from None
                self._frames.put(key, image, image.size)
        return image


def _decoded(capture: Capture, pts: int | None) -> NDArray[np.uint8]:
    if pts is None:
        return sources.read_still(capture)
    with sources.Recording(capture) as recording:
        return recording.frame_at(pts)


def preview(image: NDArray[np.uint8]) -> bytes:
    """An RGB frame as JPEG, at most ``_PREVIEW`` px a side."""
    share = min(1.0, _PREVIEW / max(image.shape[:2]))
    size = (max(1, round(image.shape[1] * share)), max(1, round(image.shape[0] * share)))
    small = cv2.resize(image, size, interpolation=cv2.INTER_AREA) if share < 1 else image
    return _coded(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, 90])


def cut(image: NDArray[np.uint8], box: Box, margin: float = 0.0) -> bytes:
    """What an RGB frame shows in ``box`` and ``margin`` px around it, PNG."""
    return _coded(".png", sources.around(image, box, margin), [])


def _coded(form: str, image: NDArray[Any], how: list[int]) -> bytes:
    done, data = cv2.imencode(
        form, cv2.cvtColor(np.ascontiguousarray(image), cv2.COLOR_RGB2BGR), how
    )
    assert done
    return data.tobytes()


class _Recent(Generic[_Held]):
    """What was used last, up to a total size."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._held: OrderedDict[Hashable, tuple[_Held, int]] = OrderedDict()
        self._size = 0
        self._lock = threading.Lock()

    def get(self, key: Hashable) -> _Held | None:
        with self._lock:
            if key not in self._held:
                return None
            self._held.move_to_end(key)
            return self._held[key][0]

    def put(self, key: Hashable, held: _Held, size: int) -> None:
        with self._lock:
            if key in self._held:
                return
            self._held[key] = (held, size)
            self._size += size
            while self._size > self._most and len(self._held) > 1:
                _, (_, freed) = self._held.popitem(last=False)
                self._size -= freed
