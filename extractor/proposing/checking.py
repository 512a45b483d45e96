"""Calibrations held against captures: found or not, what was read, a picture, keys that do nothing.

For a person who wrote or mended a file: nothing here changes it.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np

from extractor.calibration.model import Calibration, Readout
from extractor.calibration.relation import parse_relation
from extractor.captures import Candidate
from extractor.errors import CaptureError
from extractor.judging import judge
from extractor.locate import Locator
from extractor.proposing.strokes import Image
from extractor.proposing.trying import PlaceReader, Shown, open_capture
from extractor.records import Box, Found, FrameReadings, Judged, Problem, Reading, Sighting
from extractor.values import FormError, is_missing, parse

COLUMNS = (
    "capture", "layout", "found", "scale", "score", "readout", "text", "state", "flags", "why",
    "x", "y", "w", "h", "error_of_height",
)  # fmt: skip
_READ, _DOUBT, _OTHER = (11, 95, 82), (194, 94, 0), (106, 90, 208)


@dataclass
class Checked:
    """What came of it, by layout; ``codes`` are those of all flags."""

    captures: int = 0
    found: dict[str, int] = field(default_factory=dict)
    released: dict[str, int] = field(default_factory=dict)
    flagged: dict[str, int] = field(default_factory=dict)
    idle: dict[str, list[str]] = field(default_factory=dict)
    codes: list[str] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)


def check(
    calibrations: Sequence[Calibration],
    candidates: Sequence[Candidate],
    out: Path,
    reader: PlaceReader,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> Checked:
    """Hold every calibration against every capture; ``check.csv`` and pictures go to ``out``.

    Raises OSError where nothing can be written.
    """
    out.mkdir(parents=True, exist_ok=True)
    (out / ".ocrlog").touch()
    locator = Locator(calibrations, reader)
    by_id = {each.id: each for each in calibrations}
    traces = {each.id: _Use(each) for each in calibrations}
    checked = Checked()
    with (out / "check.csv").open("w", newline="", encoding="utf-8") as stream:
        table = csv.DictWriter(stream, COLUMNS)
        table.writeheader()
        for number, candidate in enumerate(candidates):
            progress(number, len(candidates))
            try:
                shown = open_capture(candidate.file)
            except CaptureError as error:
                checked.problems.append(Problem(candidate.path, error.problem, error.mend))
                continue
            checked.captures += 1
            found = {each.layout: each for each in locator.locate(shown.image)}
            readings = {
                layout: tuple(reader.read_found(shown.image, each, by_id[layout]))
                for layout, each in found.items()
            }
            judged = _judged(shown, tuple(found.values()), readings, by_id)
            for layout, calibration in by_id.items():
                each = found.get(layout)
                if each is None:
                    table.writerow({"capture": candidate.path, "layout": calibration.name,
                                    "found": "no"})  # fmt: skip
                    continue
                traces[layout].note(locator.seen(each), readings[layout])
                rows = list(_rows(candidate.path, calibration, each, judged[layout]))
                table.writerows(rows)
                checked.codes += [
                    code for row in rows if row["state"] == "flagged"
                    for code in row["flags"].split(";")
                ]  # fmt: skip
                name = calibration.name
                checked.found[name] = checked.found.get(name, 0) + 1
                for state, count in (("released", checked.released), ("flagged", checked.flagged)):
                    here = sum(row["state"] == state for row in rows)
                    count[name] = count.get(name, 0) + here
            if found:
                _picture(out / f"{number + 1:04}.png", shown.image, found, judged)
    progress(len(candidates), len(candidates))
    for layout, calibration in by_id.items():
        checked.found.setdefault(calibration.name, 0)
        if checked.found[calibration.name]:
            checked.idle[calibration.name] = list(traces[layout].idle())
    return checked


def _judged(
    shown: Shown,
    found: tuple[Found, ...],
    readings: Mapping[str, tuple[Reading, ...]],
    calibrations: Mapping[str, Calibration],
) -> dict[str, list[Judged]]:
    """The verdicts by layout; a capture is judged alone, without checks along time."""
    if not found:
        return {}
    all_readings = tuple(reading for each in readings.values() for reading in each)
    frame = FrameReadings(shown.capture.content, shown.pts, shown.at_s, found, all_readings)
    (verdict,) = judge([Sighting(shown.capture, frame, {})], calibrations, ()).verdicts
    by_layout: dict[str, list[Judged]] = {each.layout: [] for each in found}
    for each in verdict.judged:
        by_layout[each.reading.layout].append(each)
    return by_layout


def _rows(
    capture: str, calibration: Calibration, found: Found, judged: Sequence[Judged]
) -> Iterator[dict[str, str]]:
    places = {place.readout: place for place in found.places}
    for each in judged:
        place = places[each.reading.readout]
        box = place.box
        codes = [doubt.code for doubt in each.doubts]
        state = "flagged" if codes else "missing" if each.source == "missing" else "released"
        row = {
            "capture": capture,
            "layout": calibration.name,
            "found": "yes",
            "scale": f"{found.scale:.4f}",
            "score": f"{found.score:.3f}",
            "readout": each.readout,
            "text": each.reading.text,
            "state": "not shown" if codes == ["not-shown"] else state,
            "flags": ";".join(codes),
            "why": " ".join(doubt.why for doubt in each.doubts),
        }
        if box is not None:
            sides = zip("xywh", (box.x, box.y, box.w, box.h), strict=True)
            row |= {side: f"{value:.1f}" for side, value in sides}
            row["error_of_height"] = f"{place.error / place.height:.3f}" if place.height else ""
        yield row


# ---------------------------------------------------------------- the picture


def _picture(
    file: Path, image: Image, found: Mapping[str, Found], judged: Mapping[str, list[Judged]]
) -> None:
    """The capture with every box; solid where a figure was read without doubt, else dashed."""
    canvas = np.ascontiguousarray(image).copy()
    thick = max(2, round(min(canvas.shape[:2]) / 500))
    for layout, each in found.items():
        _outline(canvas, each.area, _OTHER, thick, dashed=False)
        for one in judged[layout]:
            if one.reading.box is None or one.readout.endswith(".height"):
                continue
            sure = not one.doubts
            _outline(canvas, one.reading.box, _READ if sure else _DOUBT, thick, dashed=not sure)
    done, data = cv2.imencode(".png", cv2.cvtColor(canvas, cv2.COLOR_RGB2BGR))
    assert done
    file.write_bytes(data.tobytes())


def _outline(
    canvas: Image, box: Box, colour: tuple[int, int, int], thick: int, *, dashed: bool
) -> None:
    x0, y0, x1, y1 = (round(side) for side in (box.x, box.y, box.right, box.bottom))
    corners = ((x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0))
    for (ax, ay), (bx, by) in pairwise(corners):
        length = max(abs(bx - ax), abs(by - ay), 1)
        piece = 4 * thick if dashed else length
        for start in range(0, length, 2 * piece if dashed else piece):
            end = min(start + piece, length)
            one, other = (
                (round(ax + (bx - ax) * at / length), round(ay + (by - ay) * at / length))
                for at in (start, end)
            )
            cv2.line(canvas, one, other, (255, 255, 255), thick + 2)
            cv2.line(canvas, one, other, colour, thick)


# ---------------------------------------------------------------- keys that do nothing


class _Use:
    """Which keys of one calibration did something on the captures it was found on."""

    def __init__(self, calibration: Calibration) -> None:
        self._calibration = calibration
        self._landmarks: set[str] = set()
        self._texts: dict[str, list[str]] = {each.name: [] for each in calibration.readout}
        self._units: set[str] = set()
        self._shown: set[str] = set()
        self._related: set[str] = set()

    def note(self, landmarks: Mapping[str, float], readings: Sequence[Reading]) -> None:
        self._landmarks |= set(landmarks)
        by_name = {each.name: each for each in self._calibration.readout}
        valued: set[str] = set()
        for reading in readings:
            if reading.box is None:
                continue
            self._shown.add(reading.readout)
            self._texts[reading.readout].append(reading.text)
            if reading.unit_seen:
                self._units.add(reading.readout)
            if _has_value(reading.text, by_name[reading.readout], self._calibration):
                valued.add(reading.readout)
        for relation in self._calibration.relation:
            names = {name.split(".")[0] for name in parse_relation(relation.that).names}
            if names <= valued:
                self._related.add(relation.that)

    def idle(self) -> Iterator[str]:
        """The keys that did nothing, in words."""
        calibration = self._calibration
        for mark in calibration.landmark:
            if mark.sort in ("picture", "word") and mark.name not in self._landmarks:
                yield f"landmark {mark.name}: seen on no capture"
        for readout in calibration.readout:
            texts = self._texts[readout.name]
            if readout.name not in self._shown:
                yield f"readout {readout.name}: shown on no capture"
                continue
            if readout.missing and not any(is_missing(text, readout) for text in texts):
                yield f"missing of {readout.name}: {readout.missing!r} was never drawn"
            if readout.drawn_unit and readout.name not in self._units:
                yield f"drawn_unit of {readout.name}: {readout.drawn_unit!r} was never read"
        yield from self._idle_marks()
        for relation in calibration.relation:
            if relation.that not in self._related:
                yield f"relation {relation.that}: its figures were never read together"

    def _idle_marks(self) -> Iterator[str]:
        marks = self._calibration.marks
        numbers = "".join(
            text
            for readout in self._calibration.readout
            if readout.kind in ("number", "percentage")
            for text in self._texts[readout.name]
        )
        if marks.decimal and marks.decimal not in numbers:
            yield f"marks.decimal: {marks.decimal!r} was never read"
        if marks.thousands not in (None, "none") and marks.thousands not in numbers:
            yield f"marks.thousands: {marks.thousands!r} was never read"
        if marks.duration and not any(r.kind == "duration" for r in self._calibration.readout):
            yield "marks.duration: no readout is a duration"


def _has_value(text: str, readout: Readout, calibration: Calibration) -> bool:
    if not text or readout.kind == "word" or is_missing(text, readout):
        return False
    try:
        parse(text, readout, calibration.marks)
    except FormError:
        return False
    return True
