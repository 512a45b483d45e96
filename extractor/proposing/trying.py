"""A calibration tried on captures: where its layout was found, what was read, what is doubted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

from extractor.calibration import locating_key, readout_key, trace_key
from extractor.calibration.model import Calibration
from extractor.captures import Candidate, Frame, Recording, inspect, read_still
from extractor.captures.finding import printable
from extractor.errors import CaptureError
from extractor.judging import judge
from extractor.locate import Locator
from extractor.proposing.pieces import TextReader
from extractor.proposing.strokes import Image
from extractor.records import (
    Capture,
    Found,
    FrameReadings,
    Judged,
    JudgedTrace,
    Reading,
    Sighting,
    TraceRead,
)
from extractor.traces import read_traces, settle_trace
from extractor.traces.labels import LabelReader

_REMEMBERED = 4000


class PlaceReader(TextReader, LabelReader, Protocol):
    """A reader that also reads the figures of a found layout, and the labels of its charts."""

    def read_found(
        self,
        image: Image,
        found: Found,
        calibration: Calibration,
        only: Sequence[str] | None = None,
    ) -> Sequence[Reading]:
        """Read the readouts of a found layout, or those named in ``only``."""


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """A capture (of a recording one frame) with its pixels, RGB uint8 (h, w, 3), upright."""

    capture: Capture
    image: Image
    pts: int | None = None
    at_s: float | None = None


def open_capture(file: Path) -> Shown:
    """A capture from a file of any name; of a recording the frame in its middle.

    Raises CaptureError if it cannot be used.
    """
    capture = inspect(Candidate(printable(file.name), file))
    if capture.medium == "still":
        return Shown(capture, read_still(capture))
    middle: Frame | None = None
    with Recording(capture) as recording:
        for middle in recording.sample(max(0.1, round((capture.duration_s or 0.0) / 2, 3))):
            if middle.at_s > 0:
                break
    if middle is None:
        raise CaptureError("the recording holds no frame", "Copy it again from the device")
    return Shown(capture, middle.image, middle.pts, middle.at_s)


@dataclass(frozen=True, slots=True)
class Trial:
    """What a calibration gives on one capture.

    ``landmarks`` are those seen, with how well (0 to 1); ``judged`` is by readout, of a size the
    part named ``.width``.
    """

    found: Found | None
    landmarks: Mapping[str, float]
    readings: Mapping[str, Reading]
    judged: Mapping[str, Judged]


class Trials:
    """Tries calibrations again and again; what a change leaves as it was is not read anew."""

    def __init__(self, reader: PlaceReader) -> None:
        self._reader = reader
        self._locators: dict[str, Locator] = {}
        self._founds: dict[tuple[str, str], Found | None] = {}
        self._readings: dict[tuple[object, ...], Reading] = {}
        self._traces: dict[tuple[object, ...], TraceRead] = {}

    def curves(self, calibration: Calibration, shown: Shown) -> list[tuple[TraceRead, JudgedTrace]]:
        """Read the charts of one capture; nothing where the layout is not found on it."""
        found = self._find(calibration, shown)
        if found is None:
            return []
        keys = {
            trace.name: (shown.capture.content, trace_key(calibration, trace), place)
            for trace, place in zip(calibration.trace, found.plots, strict=True)
        }
        wanted = [name for name, key in keys.items() if key not in self._traces]
        for read in read_traces(shown.image, found, calibration, self._reader, wanted):
            self._traces[keys[read.trace]] = read
        reads = [replace(self._traces[key], layout=calibration.id, trace=name)
                 for name, key in keys.items()]  # fmt: skip
        while len(self._traces) > _REMEMBERED:
            self._traces.pop(next(iter(self._traces)))
        return [(read, settle_trace(read, calibration, found)) for read in reads]

    def run(self, calibration: Calibration, shown: Sequence[Shown]) -> list[Trial]:
        """Locate, read and judge; checks along time are left out, captures are judged alone."""
        found = [self._find(calibration, each) for each in shown]
        readings = [
            {} if where is None else self._read(calibration, each, where)
            for each, where in zip(shown, found, strict=True)
        ]
        verdicts = judge(
            [
                Sighting(
                    each.capture,
                    FrameReadings(
                        each.capture.content,
                        each.pts,
                        each.at_s,
                        () if where is None else (where,),
                        tuple(read.values()),
                    ),
                    {"device": f"{each.capture.width} x {each.capture.height}"},
                )
                for each, where, read in zip(shown, found, readings, strict=True)
            ],
            {calibration.id: calibration},
            (),
        ).verdicts
        locator = self._locators.get(locating_key(calibration))
        return [
            Trial(
                where,
                locator.seen(where) if locator and where else {},
                read,
                {each.readout.removesuffix(".width"): each for each in verdict.judged
                 if not each.readout.endswith(".height")},
            )
            for where, read, verdict in zip(found, readings, verdicts, strict=True)
        ]  # fmt: skip

    def _find(self, calibration: Calibration, shown: Shown) -> Found | None:
        key = locating_key(calibration)
        if key not in self._locators:
            while len(self._locators) > 8:
                old = next(iter(self._locators))
                del self._locators[old]
                self._founds = {at: each for at, each in self._founds.items() if at[1] != old}
            self._locators[key] = Locator([calibration], self._reader)
        at = (shown.capture.content, key)
        locator = self._locators[key]
        before = self._founds.get(at)
        if at not in self._founds or (before is not None and not locator.seen(before)):
            before = next(iter(locator.locate(shown.image)), None)
            self._founds[at] = before
        if before is None:
            return None
        return locator.placed_anew(shown.image, before, calibration)

    def _read(self, calibration: Calibration, shown: Shown, found: Found) -> dict[str, Reading]:
        places = {place.readout: place for place in found.places}
        keys = {
            readout.name: (
                shown.capture.content,
                readout_key(calibration, readout),
                places[readout.name],
            )
            for readout in calibration.readout
        }
        wanted = [name for name, key in keys.items() if key not in self._readings]
        if wanted:
            for reading in self._reader.read_found(shown.image, found, calibration, wanted):
                self._readings[keys[reading.readout]] = reading
            while len(self._readings) > _REMEMBERED:
                self._readings.pop(next(iter(self._readings)))
        return {
            name: replace(self._readings[key], layout=calibration.id)
            for name, key in keys.items()
            if key in self._readings
        }
