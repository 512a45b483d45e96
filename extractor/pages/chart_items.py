"""Flagged charts as the review shows them: the curve over the picture, another line by a click."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from extractor.calibration.model import Calibration
from extractor.extracting import Outcome
from extractor.extracting.charts import colour_of, read_anew, with_colour
from extractor.judging.deciding import Key, chart_name
from extractor.pages.curves import curve_told, room
from extractor.records import DOUBTS, Box, JudgedTrace, Sighting, TraceRead
from extractor.traces import settle_trace
from extractor.traces.labels import LabelReader


@dataclass(frozen=True, slots=True)
class ChartItem:
    """A line of a chart that is in doubt; ``plot`` is where it lies, px of the capture."""

    id: int
    sighting: Sighting
    read: TraceRead
    judged: JudgedTrace
    plot: Box

    @property
    def key(self) -> Key:
        """What tells the trace in decisions."""
        frame = self.sighting.frame
        return frame.content, frame.pts, self.read.layout, chart_name(self.read.trace)

    @property
    def room(self) -> Box:
        """The plot with its labels, px of the capture."""
        return room(self.plot, self.sighting.capture.width, self.sighting.capture.height)

    def colour(self, layouts: Mapping[str, Calibration]) -> str:
        """The colour of the line as the calibration has it."""
        return colour_of(layouts[self.read.layout], self.read.trace)

    def told(self, layouts: Mapping[str, Calibration]) -> dict[str, Any]:
        """All that the page says of it."""
        capture = self.sighting.capture
        return {
            "id": self.id,
            "capture": capture.path,
            "at_s": self.sighting.frame.at_s,
            "taken": capture.taken,
            "facts": {name: text for name, text in self.sighting.facts.items() if text},
            "layout": layouts[self.read.layout].name,
            "colour": self.colour(layouts),
            "help": [DOUBTS[each.code].help for each in self.judged.doubts],
            "curve": self._curve(self.read, self.judged),
        }

    def by_colour(
        self, layouts: Mapping[str, Calibration], colour: str, reader: LabelReader
    ) -> dict[str, Any] | None:
        """The curve of the line of another colour; None if the layout is not found any more.

        Raises CaptureError.
        """
        layout = with_colour(layouts[self.read.layout], self.read.trace, colour)
        frame = self.sighting.frame
        read = read_anew(self.sighting.capture, frame.pts, layout, self.read.trace, reader)
        return None if read is None else self._curve(read, settle_trace(read, layout))

    def _curve(self, read: TraceRead, judged: JudgedTrace) -> dict[str, Any]:
        capture = self.sighting.capture
        return curve_told(read, judged, capture.width, capture.height)


def chart_items(outcome: Outcome, ids: dict[Key, int]) -> Iterator[ChartItem]:
    """The charts that are in doubt and that no person found unusable; ``ids`` numbers them."""
    reads = {
        (id(verdict.sighting), read.layout, read.trace): read
        for verdict in outcome.judgement.verdicts
        for read in verdict.sighting.frame.traces
    }
    for sighting, judged in outcome.traces:
        unusable = [doubt.code for doubt in judged.doubts] == ["unreadable"]
        if judged.plot is None or not judged.doubts or unusable:
            continue
        read = reads[id(sighting), judged.layout, judged.trace]
        frame = sighting.frame
        key = (frame.content, frame.pts, read.layout, chart_name(read.trace))
        yield ChartItem(ids.setdefault(key, len(ids)), sighting, read, judged, judged.plot)
