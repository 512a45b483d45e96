"""Charts with what people decided of them: accepted, not usable, or the line of another colour."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from extractor import captures as sources
from extractor import store, traces
from extractor.calibration.model import Calibration
from extractor.errors import CaptureError
from extractor.extracting.keys import Keys
from extractor.judging.deciding import Answer, Answers
from extractor.records import Capture, JudgedTrace, Sighting, TraceRead, Verdict
from extractor.traces.labels import LabelReader


def with_colour(calibration: Calibration, trace: str, colour: str) -> Calibration:
    """The calibration with another colour of one trace."""
    changed = [
        each.model_copy(update={"colour": colour}) if each.name == trace else each
        for each in calibration.trace
    ]
    return calibration.model_copy(update={"trace": tuple(changed)})


def colour_of(calibration: Calibration, trace: str) -> str:
    """The colour by which a trace is found."""
    return next(each.colour for each in calibration.trace if each.name == trace)


def read_anew(
    capture: Capture, pts: int | None, calibration: Calibration, trace: str, reader: LabelReader
) -> TraceRead | None:
    """Read one trace of a capture once more; None if the layout is not found any more.

    Raises CaptureError if the capture cannot be decoded.
    """
    from extractor.locate import Locator

    if pts is None:
        image = sources.read_still(capture)
    else:
        with sources.Recording(capture) as recording:
            image = recording.frame_at(pts)
    found = Locator([calibration], reader).locate(image)
    if not found:
        return None
    (read,) = traces.read_traces(image, found[0], calibration, reader, [trace])
    return read


@dataclass(frozen=True, slots=True)
class Charts:
    """Gives every trace read its values, and settles what people decided.

    ``floor`` is the smooth floor, fps; ``method`` names the way of reading in the cache's keys.
    """

    layouts: Mapping[str, Calibration]
    answers: Answers
    cache: store.Cache
    method: str
    floor: float

    def settled(self, verdict: Verdict) -> Iterator[tuple[Sighting, JudgedTrace]]:
        """The traces of one sighting, held against what was released on the same frame."""
        sighting, frame = verdict.sighting, verdict.sighting.frame
        found = {each.layout: each for each in frame.found}
        for read in frame.traces:
            layout = self.layouts[read.layout]
            colour = colour_of(layout, read.trace)
            answer = self.answers.of_chart(frame.content, frame.pts, read, colour)
            curve = read
            if answer is not None and answer.text not in ("", colour):
                curve = self._recoloured(sighting, read, answer.text)
            judged = traces.settle_trace(
                curve, layout, found[read.layout], verdict.judged, self.floor, frame.changing
            )
            yield sighting, judged if answer is None else _decided(judged, answer)

    def _recoloured(self, sighting: Sighting, read: TraceRead, colour: str) -> TraceRead:
        """The trace by the colour that a person pointed at; from the cache where it has it."""
        changed = with_colour(self.layouts[read.layout], read.trace, colour)
        frame = sighting.frame
        key = Keys([changed], self.method, 1.0).trace(
            frame.content, frame.pts, read.layout, read.trace
        )
        stored = self.cache.get_many("traces", [key]).get(key)
        if stored is not None:
            return store.record_from_json(stored, TraceRead)
        from extractor.reading import default_reader

        try:
            again = read_anew(sighting.capture, frame.pts, changed, read.trace, default_reader())
        except (CaptureError, OSError):
            again = None
        if again is None:  # it is gone: what was read before stays, with its doubts
            return read
        self.cache.put_many("traces", {key: store.record_to_json(again)})
        return again


def _decided(judged: JudgedTrace, answer: Answer) -> JudgedTrace:
    if answer.doubt is not None:
        doubts = (answer.doubt, *(each for each in judged.doubts if not answer.settles))
        return replace(judged, doubts=doubts)
    codes = ", ".join(dict.fromkeys(each.code for each in judged.doubts))
    what = "accepted" if answer.source == "accepted" else f"{answer.text} pointed out"
    decided = f"{what} by {answer.who}" + (f" (was flagged {codes})" if codes else "")
    if not judged.t:  # without an axis there is nothing to accept
        return replace(judged, decided=decided)
    return replace(judged, doubts=(), decided=decided)
