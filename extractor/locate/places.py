"""From matches to finds: which layouts stand, which rival, and the place of every readout."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from extractor.calibration.model import BoxList, Line, Readout, Trace
from extractor.calibration.pattern import Slot, parse_pattern
from extractor.locate.frame import Frame, Grey
from extractor.locate.lines import CLEAR, Span, figure_extent, lay, pieces
from extractor.locate.matching import Match
from extractor.reading.interface import CharAt
from extractor.records import Box, Found, Place, PlotPlace

if TYPE_CHECKING:
    from extractor.locate.locator import LineReader

LETTERS = 0.75
"""Letter height in heights of a readout's box: boxes are drawn with a little room."""
_FAR = 0.2
"""Share of the width drawn on from which a figure beside its landmarks may keep to another edge."""
_SHARED = 0.15
"""Share of the smaller of two layouts' area from which they count as overlapping."""


def finds(frame: Frame, matches: Sequence[Match], reader: LineReader) -> list[tuple[Found, Match]]:
    """The matches that stand, as finds with places; look-alikes told apart or named rivals."""
    matches = [match for match in matches if not match.short or _reads(frame, match, reader)]
    areas = [_area(match) for match in matches]
    beaten: set[int] = set()
    rivals: dict[int, list[str]] = {index: [] for index in range(len(matches))}
    for first in range(len(matches)):
        for second in range(first + 1, len(matches)):
            one, two = areas[first], areas[second]
            if one.overlap(two) <= _SHARED * min(one.w * one.h, two.w * two.h):
                continue
            against_first = _against(matches[first], matches[second])
            against_second = _against(matches[second], matches[first])
            if against_second and not against_first:
                beaten.add(second)
            elif against_first and not against_second:
                beaten.add(first)
            else:
                rivals[first].append(matches[second].layout.id)
                rivals[second].append(matches[first].layout.id)
    gone = {matches[index].layout.id for index in beaten}
    return [
        (
            Found(
                match.layout.id,
                match.pose.scale,
                areas[index],
                match.score,
                _places(frame, match, reader),
                tuple(rival for rival in rivals[index] if rival not in gone),
                tuple(_plot(frame, match, trace) for trace in match.layout.calibration.trace),
            ),
            match,
        )
        for index, match in enumerate(matches)
        if index not in beaten
    ]


def _against(match: Match, other: Match) -> int:
    """Evidence against a match beside another on the same ground.

    Landmarks that should be there and are not, and landmarks that fit clearly worse than the
    other layout's at the same place: more than twice of the picture is left unexplained.
    """
    count = len(match.missing)
    for name, score in match.scores.items():
        box = _landmark_box(match, name)
        for rival, rival_score in other.scores.items():
            over = _landmark_box(other, rival)
            if box.overlap(over) > 0.6 * max(box.w * box.h, over.w * over.h):
                left, rival_left = 1 - score**2, 1 - rival_score**2
                count += left > 2 * rival_left + 0.04
    return count


def _landmark_box(match: Match, name: str) -> Box:
    landmark = next(each for each in match.layout.calibration.landmark if each.name == name)
    return match.box(landmark.part, match.layout.boxes[name]) or Box(0, 0, 0, 0)


def _area(match: Match) -> Box:
    """What the layout covers: landmarks, readouts and lines of the parts found."""
    calibration = match.layout.calibration
    boxes = [_landmark_box(match, landmark.name) for landmark in calibration.landmark]
    for readout in calibration.readout:
        box = readout.box and match.box(readout.part, Box(*readout.box), readout.x_part)
        boxes += [box] if box else []
    for line in calibration.line:
        box = match.box(line.part, Box(*line.box))
        boxes += [box] if box else []
    boxes = [box for box in boxes if box.w > 0]
    x, y = min(box.x for box in boxes), min(box.y for box in boxes)
    return Box(x, y, max(b.right for b in boxes) - x, max(b.bottom for b in boxes) - y)


# ---------------------------------------------------------------- places


def _places(frame: Frame, match: Match, reader: LineReader) -> tuple[Place, ...]:
    calibration = match.layout.calibration
    flowing: dict[str, Place] = {}
    for line in calibration.line:
        for place in _line_places(frame, match, line, reader):
            flowing[place.readout] = place
    return tuple(
        flowing.get(readout.name) or _place(frame, match, readout)
        for readout in calibration.readout
    )


def _under_bar(frame: Frame, match: Match, box: Box) -> bool:
    """Say whether a fixed bar at the upper or lower edge of the capture covers some of a box."""
    upper, lower = (bar * match.pose.scale for bar in match.layout.calibration.locating.bars)
    return (upper > 0 and box.y < upper) or (lower > 0 and box.bottom > frame.height - lower)


def _error(match: Match, part: str, drawn: Box, x_part: str | None = None) -> float:
    across = match.pose.at(x_part or part, "x", drawn.x + drawn.w / 2)[1]
    down = match.pose.at(part, "y", drawn.y + drawn.h / 2)[1]
    return max(across, down)


def _place(frame: Frame, match: Match, readout: Readout) -> Place:
    if readout.box is None:
        return Place(readout.name, None)
    drawn = Box(*readout.box)
    box = match.box(readout.part, drawn, readout.x_part)
    if box is None or not frame.holds(box) or _under_bar(frame, match, box):
        return Place(readout.name, None)
    height = LETTERS * box.h
    error = _error(match, readout.part, drawn, readout.x_part)
    state = _backing(match, readout.part, drawn)
    if state == "seen" and readout.x_part and _backing(match, readout.x_part, drawn) != "seen":
        state = "doubtful"
    if state == "beyond":
        return Place(readout.name, None)
    if state == "doubtful" or _may_have_moved(frame, match, readout.x_part or readout.part, drawn):
        error = max(error, height)
    return Place(readout.name, box, error, height)


def _may_have_moved(frame: Frame, match: Match, part: str, drawn: Box) -> bool:
    """Say whether a figure stands far from all that was seen of its part, on another width.

    A list as wide as the screen has labels at its left edge and figures at its right one: where
    only labels were seen, the figures' place is known on screens as wide as the one drawn on.
    """
    layout = match.layout
    wide = layout.calibration.drawn_on[0]
    seen = [
        layout.boxes[landmark.name]
        for landmark in layout.calibration.landmark
        if landmark.part == part and landmark.name in match.scores
    ]
    apart = min((max(box.x - drawn.right, drawn.x - box.right) for box in seen), default=0.0)
    return apart > _FAR * wide and abs(frame.width / match.pose.scale - wide) > drawn.h / 6


def _plot(frame: Frame, match: Match, trace: Trace) -> PlotPlace:
    """Where a chart lies; a plot that is not wholly shown has no place at all."""
    drawn = Box(*trace.plot)

    def shown(box: BoxList | None) -> Box | None:
        placed = box and match.box(trace.part, Box(*box))
        return placed if placed and frame.holds(placed) else None

    plot = shown(trace.plot)
    backing = _backing(match, trace.part, drawn)
    if plot is None or _under_bar(frame, match, plot) or backing == "beyond":
        return PlotPlace(trace.name, None)
    error = _error(match, trace.part, drawn)
    if backing == "doubtful":
        error = max(error, plot.h)
    return PlotPlace(trace.name, plot, shown(trace.t_labels), shown(trace.value_labels), error)


def _backing(match: Match, part: str, drawn: Box) -> str:
    """What the landmark next to a readout says of it: ``seen``, ``doubtful`` or ``beyond``.

    If that landmark is missing from its place, something else may be drawn there; of one that the
    frame cuts off the rest may belong to another label. Beyond the last
    landmark seen (above or below) it is what a scrolled layout hides, unless something there still
    resembles the landmark: then it may be blurred.
    """
    own = [
        landmark
        for landmark in match.layout.calibration.landmark
        if landmark.part == part
        and (landmark.name in match.scores or landmark.name in match.missing)
    ]
    if not own:
        return "seen"

    def distance(name: str) -> float:
        box = match.layout.boxes[name]
        across = max(box.x - drawn.right, drawn.x - box.right, 0)
        down = max(box.y - drawn.bottom, drawn.y - box.bottom, 0)
        return float(across + 4 * down)  # a row's own label stands beside or right over the figure

    nearest = min(own, key=lambda landmark: distance(landmark.name))
    if nearest.name in match.scores:
        return "doubtful" if nearest.name in match.cut else "seen"
    seen = [match.layout.boxes[each.name] for each in own if each.name in match.scores]
    if not seen or nearest.name in match.faint:
        return "doubtful"
    middle = drawn.y + drawn.h / 2
    if middle < min(box.y for box in seen) or middle > max(box.bottom for box in seen):
        return "beyond"
    return "doubtful"


def _line_places(frame: Frame, match: Match, line: Line, reader: LineReader) -> list[Place]:
    drawn = Box(*line.box)
    names = [piece.name for piece in parse_pattern(line.pattern) if isinstance(piece, Slot)]
    box = match.box(line.part, drawn)
    if box is None or box.y < 0 or box.bottom > frame.height or box.right <= 0:
        return [Place(name, None) for name in names]
    left, right = max(0, int(box.x)), min(frame.width, int(np.ceil(box.right)))
    top, bottom = int(box.y), min(frame.height, int(np.ceil(box.bottom)))
    if right - left < 8 or bottom - top < 5:
        return [Place(name, None) for name in names]
    crop = np.ascontiguousarray(frame.image[top:bottom, left:right])
    height = LETTERS * box.h
    grey = cv2.cvtColor(crop, cv2.COLOR_RGB2GRAY).astype(np.float32)
    spans = {span.readout: span for span in lay(line.pattern, _chars(crop, grey, reader), height)}
    # along the line its text tells the place, so only the error across it counts
    error = match.pose.at(line.part, "y", drawn.y + drawn.h / 2)[1]
    found = []
    for name in names:
        span = spans.get(name)
        if span is None:
            # the line is there, the figure could not be told: its whole box, place unknown
            found.append(Place(name, Box(left, top, right - left, bottom - top), height, height))
            continue
        found.append(
            _flowing(span, grey, Box(left, top, right - left, bottom - top), error, height)
        )
    return found


def _reads(frame: Frame, match: Match, reader: LineReader) -> bool:
    """Whether most figures of the lines are told clearly: that is as good as a landmark."""
    lines = match.layout.calibration.line
    told = [place for line in lines for place in _line_places(frame, match, line, reader)]
    clear = sum(place.box is not None and place.error < place.height for place in told)
    return clear > len(told) / 2


def _chars(crop: NDArray[np.uint8], grey: Grey, reader: LineReader) -> list[CharAt]:
    """The characters of a line of any length."""
    found: list[CharAt] = []
    for start, end in pieces(grey):
        piece = reader.read_line(np.ascontiguousarray(crop[:, start:end]))
        if found and piece.chars:
            found.append(CharAt(" ", start, start, 1.0))  # pieces are cut in gaps
        found += [replace(char, x0=char.x0 + start, x1=char.x1 + start) for char in piece.chars]
    return found


def _flowing(span: Span, grey: Grey, line: Box, error: float, height: float) -> Place:
    x0, x1 = figure_extent(grey, span, height)
    box = Box(line.x + x0, line.y, max(1.0, x1 - x0), line.h)
    return Place(span.readout, box, error if span.margin >= CLEAR else height, height)
