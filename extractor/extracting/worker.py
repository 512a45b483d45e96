"""What one process does with one capture: inspect it, sample it, locate, read, remember.

Everything read goes into the cache at once, frame by frame, so that a kill loses nothing.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Generator, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from functools import cached_property
from importlib.metadata import version

import numpy as np
from numpy.typing import NDArray

from extractor import captures as sources
from extractor import store, traces
from extractor.calibration.model import Calibration
from extractor.errors import CaptureError
from extractor.extracting.keys import Keys
from extractor.extracting.steady import steadiest
from extractor.locate import METHOD, Locator
from extractor.reading import default_reader, reader_identity
from extractor.reading.cascade import FigureReader
from extractor.records import (
    Box,
    Capture,
    Finds,
    Found,
    FramesRead,
    FrameTime,
    Problem,
    Reading,
)

Image = NDArray[np.uint8]

# While all layouts of the last sample stand at their places no other is looked for; so often, in
# samples, the whole frame is searched anew, so that an overlay opened meanwhile is found.
_SEARCH_ANEW = 30


@dataclass(frozen=True, slots=True)
class Shot:
    """A still, or a frame of a recording; RGB uint8 (h, w, 3), upright."""

    image: Image
    pts: int | None = None
    at_s: float | None = None


def file_key(candidate: sources.Candidate) -> str:
    """Name a file as it lies on the disk: when this is the same, so are its bytes.

    Raises OSError if the file has gone.
    """
    stat = candidate.file.stat()
    parts = (os.fsencode(candidate.file).hex(), stat.st_ino, stat.st_size, stat.st_mtime_ns)
    return "-".join(map(str, (version("ocrlog"), *parts)))


def method() -> str:
    """Name how figures are located and read (weights, versions), without loading a net."""
    return f"{reader_identity()} {METHOD}"


class Worker:
    """Reads captures into the cache; the nets are loaded when the first capture needs them."""

    def __init__(
        self, calibrations: Sequence[Calibration], every: float, cache: store.Cache
    ) -> None:
        self._calibrations = {each.id: each for each in calibrations}
        self._every = every
        self._cache = cache
        self._keys = Keys(calibrations, method(), every)

    @cached_property
    def _reader(self) -> FigureReader:
        return default_reader()

    @cached_property
    def _locator(self) -> Locator:
        return Locator(tuple(self._calibrations.values()), self._reader)

    def inspect(self, candidate: sources.Candidate) -> Problem | None:
        """Tell what a file is, and remember it; returns a problem that may pass."""
        result: Capture | Problem
        key = file_key(candidate)
        try:
            result = sources.inspect(candidate)
        except CaptureError as error:
            result = Problem(candidate.path, error.problem, error.mend)
            if error.passing:
                return result
        self._cache.put_many("files", {key: store.record_to_json(result)})
        return None

    def read(self, capture: Capture) -> Problem | None:
        """Read all that a capture shows into the cache; returns a problem that may pass.

        A capture that cannot be decoded, or breaks in the middle, keeps what came before; why it
        broke is remembered with it.
        """
        rows: list[FrameTime] = []
        broken: CaptureError | None = None
        last: tuple[Found, ...] = ()
        taken = -1
        with closing(self._shots(capture)) as shots:
            while True:
                try:
                    before, shot, after = next(shots)
                except StopIteration:
                    break
                except CaptureError as error:
                    broken = error
                    break
                taken += 1
                last = self._locator.locate(shot.image, last if taken % _SEARCH_ANEW else ())
                steady, changing = _choose(before, shot, after, last)
                if rows and rows[-1].pts == steady.pts and capture.medium == "recording":
                    continue  # two samples gave way to one frame
                if steady is not shot:
                    last = self._locator.locate(steady.image, last)
                self._read_frame(capture, steady, last)
                rows.append(FrameTime(steady.pts, steady.at_s, changing))
        if broken and broken.passing:
            return Problem(capture.path, broken.problem, broken.mend)
        whole = FramesRead(
            tuple(rows),
            broken.problem if broken else "",
            broken.mend if broken else "",
        )
        self._cache.put_many("captures", {self._keys.capture(capture): store.record_to_json(whole)})
        return None

    def _shots(self, capture: Capture) -> Generator[tuple[Shot | None, Shot, Shot | None]]:
        """Yield each frame to read with the frames shown just before and just after it."""
        if capture.medium == "still":
            yield None, Shot(sources.read_still(capture)), None
            return
        with sources.Recording(capture) as recording:
            for sample in recording.sample(self._every):
                before, after = sample.before, sample.after
                yield (
                    None if before is None else _shot(before),
                    _shot(sample),
                    None if after is None else _shot(after),
                )

    def _read_frame(self, capture: Capture, shot: Shot, found: tuple[Found, ...]) -> None:
        for each in found:
            self._read_layout(capture, shot, each)
            self._read_traces(capture, shot, each)
        # The places are kept with the readings: a moved box leaves the find as it is.
        bare = tuple(replace(each, places=(), plots=()) for each in found)
        key = self._keys.finds(capture.content, shot.pts)
        self._cache.put_many("finds", {key: store.record_to_json(Finds(bare))})

    def _read_layout(self, capture: Capture, shot: Shot, found: Found) -> None:
        calibration = self._calibrations[found.layout]
        keys = {
            readout.name: self._keys.reading(capture.content, shot.pts, found.layout, readout.name)
            for readout in calibration.readout
        }
        known = self._cache.get_many("readings", list(keys.values()))
        wanted = {name for name, key in keys.items() if key not in known}
        if not wanted:
            return
        readings: Collection[Reading] = self._reader.read_found(
            shot.image, found, calibration, only=wanted
        )
        self._cache.put_many(
            "readings", {keys[each.readout]: store.record_to_json(each) for each in readings}
        )

    def _read_traces(self, capture: Capture, shot: Shot, found: Found) -> None:
        calibration = self._calibrations[found.layout]
        keys = {
            trace.name: self._keys.trace(capture.content, shot.pts, found.layout, trace.name)
            for trace in calibration.trace
        }
        known = self._cache.get_many("traces", list(keys.values()))
        wanted = {name for name, key in keys.items() if key not in known}
        if not wanted:
            return
        read = traces.read_traces(shot.image, found, calibration, self._reader, wanted)
        self._cache.put_many(
            "traces", {keys[each.trace]: store.record_to_json(each) for each in read}
        )


def _shot(frame: sources.Frame) -> Shot:
    return Shot(frame.image, frame.pts, frame.at_s)


def _choose(
    before: Shot | None, shot: Shot, after: Shot | None, found: Sequence[Found]
) -> tuple[Shot, bool]:
    """Choose the frame to read; see ``steadiest``."""
    boxes: list[Box] = [
        place.box for each in found for place in each.places if place.box is not None
    ]
    beside = [None if each is None else each.image for each in (before, after)]
    step, changing = steadiest(beside[0], shot.image, beside[1], boxes)
    chosen = {-1: before, 0: shot, 1: after}[step]
    assert chosen is not None
    return chosen, changing
