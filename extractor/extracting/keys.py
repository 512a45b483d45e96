"""Names of what the cache holds, so that a change re-reads only what it touches.

A reading is keyed by the capture's content, the frame, the locating part of its calibration, the
reading part of its readout and the method (weights, library versions). A changed bound re-reads
nothing, unless it lets a readout be negative or no more; a moved box re-reads one readout.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

from extractor import traces
from extractor.calibration import locating_key, readout_key, trace_key
from extractor.calibration.model import Calibration
from extractor.records import Capture


class Keys:
    """Keys of the cache for the calibrations in use, a method and a sampling interval (s)."""

    def __init__(self, calibrations: Sequence[Calibration], method: str, every: float) -> None:
        self._method = method
        self._every = repr(every)
        self._locating = {each.id: locating_key(each) for each in calibrations}
        self._readout = {
            (each.id, readout.name): readout_key(each, readout)
            for each in calibrations
            for readout in each.readout
        }
        self._trace = {
            (each.id, trace.name): f"{trace_key(each, trace)} {traces.METHOD}"
            for each in calibrations
            for trace in each.trace
        }
        parts = (*self._locating.values(), *self._readout.values(), *self._trace.values())
        self._layouts = _digest(method, *sorted(parts))

    def capture(self, capture: Capture) -> str:
        """Of the list of a capture's frames; written last, so it stands for a whole reading."""
        every = self._every if capture.medium == "recording" else ""
        return _digest("capture", capture.content, every, self._layouts)

    def finds(self, content: str, pts: int | None) -> str:
        """Of the layouts found on a frame; hangs on all layouts, since their areas may overlap."""
        return _digest("finds", content, repr(pts), self._layouts)

    def reading(self, content: str, pts: int | None, layout: str, readout: str) -> str:
        """Of one readout on one frame."""
        parts = (self._locating[layout], self._readout[layout, readout])
        return _digest("reading", content, repr(pts), self._method, *parts)

    def trace(self, content: str, pts: int | None, layout: str, trace: str) -> str:
        """Of one trace on one frame."""
        parts = (self._locating[layout], self._trace[layout, trace])
        return _digest("trace", content, repr(pts), self._method, *parts)


def _digest(*parts: str) -> str:
    digest = hashlib.blake2b(digest_size=16)
    for part in parts:
        digest.update(part.encode("utf-8", "surrogateescape") + b"\0")
    return digest.hexdigest()
