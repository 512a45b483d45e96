"""The frozen records that travel through ocrlog, the table of columns and the registry of doubts.

Nothing here opens a file or sees a pixel. Boxes are in px of the upright capture (after its
orientation tag is applied), fractional, with (0, 0) at the upper left CORNER of the upper left
pixel; x runs right, y runs down; a box covers [x, x + w) x [y, y + h).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

Kind = Literal["number", "percentage", "duration", "size", "word"]
Medium = Literal["still", "recording"]
Source = Literal["read", "missing", "corrected", "accepted", "typed"]


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle in px of the upright capture, fractional; see the module's text."""

    x: float
    y: float
    w: float
    h: float

    @property
    def right(self) -> float:
        """The x of the right edge."""
        return self.x + self.w

    @property
    def bottom(self) -> float:
        """The y of the lower edge."""
        return self.y + self.h

    def overlap(self, other: Box) -> float:
        """Area shared with ``other``, px²."""
        across = min(self.right, other.right) - max(self.x, other.x)
        down = min(self.bottom, other.bottom) - max(self.y, other.y)
        return max(0.0, across) * max(0.0, down)


# ---------------------------------------------------------------- captures


@dataclass(frozen=True, slots=True)
class Capture:
    """A still or a recording under CAPTURES, told by its content, not by its name.

    ``path`` is the label: below CAPTURES, ``/`` between parts, bytes that are not UTF-8 as
    ``\\xE9``. ``content`` is the identity: xxh3-128 of the bytes in hex, ``-``, the size in bytes.
    ``width`` and ``height`` are px after orientation. ``taken`` is ISO 8601 or '' (from the file
    name, else EXIF; never the file system's time). ``camera`` is EXIF make and model or ''.
    ``duration_s`` is None for a still.
    """

    path: str
    file: Path
    content: str
    medium: Medium
    width: int
    height: int
    taken: str = ""
    camera: str = ""
    duration_s: float | None = None


@dataclass(frozen=True, slots=True)
class Problem:
    """An input that could not be used: which, what is wrong, how to mend it."""

    capture: str
    problem: str
    mend: str


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch of a recording without a located overlay, s from its first frame shown."""

    capture: str
    from_s: float
    to_s: float
    why: str


# ---------------------------------------------------------------- found layouts


@dataclass(frozen=True, slots=True)
class Place:
    """Where one readout lies on a frame.

    ``box`` is None when the readout is not shown (scrolled off, hidden, cut away). ``error`` is
    the predicted error of the box, one sigma, px of the capture, from the landmarks' residuals.
    ``height`` is the expected letter height of the figure, px.
    """

    readout: str
    box: Box | None
    error: float = 0.0
    height: float = 0.0


@dataclass(frozen=True, slots=True)
class PlotPlace:
    """Where the chart of one trace lies on a frame.

    ``plot`` is None when the chart is not wholly shown (scrolled off, under a bar, cut away).
    ``t_labels`` and ``value_labels`` hold the labels of the axes, None where the calibration gives
    a fixed range. ``error`` as of a ``Place``.
    """

    trace: str
    plot: Box | None
    t_labels: Box | None = None
    value_labels: Box | None = None
    error: float = 0.0


@dataclass(frozen=True, slots=True)
class Found:
    """A layout found on a frame.

    ``layout`` is the calibration's id. ``scale`` is px of the capture a px of the calibration's
    drawing. ``area`` is what the layout covers. ``rivals`` names (ids) the layouts whose finds
    overlap this one: its readings are flagged ``which-layout``. ``score`` is the mean
    correlation of the landmarks found, 0 to 1. ``plots`` has one entry a trace.
    """

    layout: str
    scale: float
    area: Box
    score: float
    places: tuple[Place, ...]
    rivals: tuple[str, ...] = ()
    plots: tuple[PlotPlace, ...] = ()


# ---------------------------------------------------------------- readings


@dataclass(frozen=True, slots=True)
class Alternative:
    """A text a figure may be, with its probability as a whole."""

    text: str
    probability: float


@dataclass(frozen=True, slots=True)
class Look:
    """What one reader saw in one look: ``reader`` names the reader and the look."""

    reader: str
    text: str
    probability: float


NeighbourKind = Literal["lost-point", "lost-sign", "other-digit"]


@dataclass(frozen=True, slots=True)
class Neighbour:
    """The likeliest text of one kind that stands one slip away from the text read.

    ``lost-point``: a decimal point more, less or elsewhere; ``lost-sign``: the sign more or less;
    ``other-digit``: one digit replaced, added or dropped. ``probability`` is what the picture
    gives that text.
    """

    kind: NeighbourKind
    text: str
    probability: float


@dataclass(frozen=True, slots=True)
class Figure:
    """What ``read_figures`` returns for one crop.

    ``text`` is the figure alone: no unit, no label, no spaces; ``-`` for signs, ``x`` in sizes,
    decimal and thousands marks as drawn; '' if nothing was seen. ``probability`` says how likely
    ``text`` is right as a whole; ``alternatives`` is best first, ``text`` included.
    """

    text: str
    probability: float
    alternatives: tuple[Alternative, ...] = ()


@dataclass(frozen=True, slots=True)
class Reading:
    """All that the picture says of one readout: the last record that was made from pixels.

    ``layout`` is the calibration's id. ``box`` is None when the readout is not shown; then the
    rest is empty. ``unit_seen`` is the unit drawn beside the figure as read, '' if none was seen.
    ``cut`` says that ink of the figure touches an edge of the box where it may go on.
    ``height`` is the height of the figure's ink, px; ``box_error`` one sigma, px.
    ``sharpness`` is the steepest stroke edge in the crop as a share of its contrast a px, 0 to 1.
    """

    layout: str
    readout: str
    box: Box | None
    text: str = ""
    probability: float = 0.0
    alternatives: tuple[Alternative, ...] = ()
    looks: tuple[Look, ...] = ()
    neighbours: tuple[Neighbour, ...] = ()
    unit_seen: str = ""
    cut: bool = False
    height: float = 0.0
    box_error: float = 0.0
    sharpness: float = 0.0


@dataclass(frozen=True, slots=True)
class AxisLabel:
    """One label of a chart's axis, as read and as placed.

    ``at`` is the middle of its ink along the axis (x or y), px of the capture; ``line`` the middle
    of the grid line or tick it belongs to, None if none was found. ``beside`` is what the whole
    label says, unit and all. ``probability`` is of ``text``. ``height`` of the ink, px.
    """

    text: str
    beside: str
    probability: float
    at: float
    line: float | None
    height: float


@dataclass(frozen=True, slots=True)
class TraceRead:
    """What the picture says of one trace: the curve in px and the labels of its axes.

    ``layout`` is the calibration's id. ``plot`` is None when the chart is not wholly shown; then
    the rest is empty. Columns of pixels follow one another from ``first``; ``middles`` is where
    the line runs in each, ``uppers`` and ``lowers`` are how far it may reach there (the edges of
    its ink less the pen), px of the capture (y runs down), None where there is none. ``states``
    says of each column: ``.`` seen, ``-`` a gap, ``h`` hidden in part by something drawn over it,
    ``e`` cut at the plot's edge. ``grid_x`` and ``grid_y`` are the grid lines found, ``pen`` is
    the width of the line, px. ``rivals`` is the share of columns in which other ink of the same
    colour could be the line, ``jumps`` counts the breaks in it, ``contrast`` is between line and
    ground, 0 to 1.
    """

    layout: str
    trace: str
    plot: Box | None
    error: float = 0.0
    t_labels: tuple[AxisLabel, ...] = ()
    value_labels: tuple[AxisLabel, ...] = ()
    grid_x: tuple[float, ...] = ()
    grid_y: tuple[float, ...] = ()
    first: int = 0
    middles: tuple[float | None, ...] = ()
    uppers: tuple[float | None, ...] = ()
    lowers: tuple[float | None, ...] = ()
    states: str = ""
    pen: float = 0.0
    rivals: float = 0.0
    jumps: int = 0
    contrast: float = 0.0


@dataclass(frozen=True, slots=True)
class FrameReadings:
    """Everything read on a still or on one sampled frame of a recording.

    ``pts`` and ``at_s`` are None for a still; ``at_s`` is the frame's own time, s from the first
    frame shown. ``changing`` says that the overlay changes within one frame of this one and no
    steady neighbour was found.
    """

    content: str
    pts: int | None
    at_s: float | None
    found: tuple[Found, ...]
    readings: tuple[Reading, ...]
    changing: bool = False
    traces: tuple[TraceRead, ...] = ()


@dataclass(frozen=True, slots=True)
class FrameTime:
    """Which frame was read: None and None for a still; see ``FrameReadings``."""

    pts: int | None
    at_s: float | None
    changing: bool = False


@dataclass(frozen=True, slots=True)
class FramesRead:
    """The frames of a capture that were read; stands in the cache for "all of it is read".

    ``problem`` and ``mend`` say why a recording could not be read to its end, or are ''.
    """

    frames: tuple[FrameTime, ...]
    problem: str = ""
    mend: str = ""


@dataclass(frozen=True, slots=True)
class Finds:
    """The layouts found on one frame, as the cache keeps them: without places."""

    found: tuple[Found, ...]


# ---------------------------------------------------------------- decisions and judged readings

Action = Literal["accept", "correct", "type", "unreadable", "doubt", "withdraw"]


@dataclass(frozen=True, slots=True)
class Decision:
    """What a person decided of one reading; one JSON line in ``decisions/<who>-<random>.jsonl``.

    ``file`` is the capture's content identity, ``pts`` the frame's or None, ``layout`` the
    calibration's id, ``box`` the readout's box when it was decided. ``before`` is the text that was
    read, ``after`` the text the person gives ('' with ``unreadable``, ``doubt`` and ``withdraw``).
    ``doubt`` sends a reading to the review, whatever the checks say of it. ``replaces`` is the
    ``id`` of the decision that this one stands in for, or ''; ``withdraw`` makes that one as if it
    had never been, and decides nothing itself.
    """

    id: str
    when: str
    who: str
    file: str
    pts: int | None
    layout: str
    readout: str
    box: Box
    before: str
    after: str
    action: Action
    replaces: str = ""


@dataclass(frozen=True, slots=True)
class Doubt:
    """A reason to flag: ``code`` of the registry and the sentence with its numbers."""

    code: str
    why: str


@dataclass(frozen=True, slots=True)
class Judged:
    """A reading with its verdict. A size makes two: NAME.width and NAME.height.

    ``value`` is filled ONLY when released, accepted, corrected or typed; ``candidate`` is what a
    flagged text would give. ``half_width`` is half of the last shown digit (a whole one where the
    layout truncates). ``confidence`` is None where a person decided. ``settled`` are the doubts a
    person's decision settled, ``who`` is that person.
    """

    reading: Reading
    readout: str
    value: float | None
    candidate: float | None
    half_width: float | None
    unit: str
    confidence: float | None
    doubts: tuple[Doubt, ...]
    source: Source
    decided_text: str = ""
    settled: tuple[Doubt, ...] = ()
    who: str = ""


@dataclass(frozen=True, slots=True)
class Sighting:
    """One row of captures.csv on its way to the judge: a still, or a sampled frame.

    ``facts`` maps fact names (device, variant, round, attempt, ...) to text. ``facts_fault`` says
    in words how the facts contradict the capture, or ''.
    """

    capture: Capture
    frame: FrameReadings
    facts: Mapping[str, str]
    facts_fault: str = ""


@dataclass(frozen=True, slots=True)
class Verdict:
    """All judged readings of one sighting, in readout order, and the run it belongs to."""

    sighting: Sighting
    run: str
    judged: tuple[Judged, ...]


@dataclass(frozen=True, slots=True)
class JudgedTrace:
    """A trace in its units, with its verdict.

    ``t`` in s, a row a column of pixels from the first to the last that shows the line; ``value``,
    ``low`` and ``high`` in ``unit``, None in gaps. ``flags`` are the codes of single rows, '' where
    there is none; ``doubts`` are of the whole trace. All rows are empty where an axis is not
    known. ``coverage`` is the share of these rows in which the line was seen. ``decided`` says in
    words what a person decided of the trace, or is ''.
    """

    layout: str
    trace: str
    unit: str
    plot: Box | None
    doubts: tuple[Doubt, ...]
    t: tuple[float, ...] = ()
    value: tuple[float | None, ...] = ()
    low: tuple[float | None, ...] = ()
    high: tuple[float | None, ...] = ()
    flags: tuple[str, ...] = ()
    coverage: float | None = None
    decided: str = ""


@dataclass(frozen=True, slots=True)
class Judgement:
    """The verdicts, in the order of the sightings, and what the person should be told.

    ``notices`` are sentences: checks that could not be made, relations that do not hold on a
    device, runs ordered by name.
    """

    verdicts: tuple[Verdict, ...]
    notices: tuple[str, ...] = ()


# ---------------------------------------------------------------- spot-checks

SpotOutcome = Literal["agrees", "slip", "wrong", "undecidable"]
"""Agrees at once; a slip of the person, who agrees the second time; wrong; cannot be told."""


@dataclass(frozen=True, slots=True)
class Drawn:
    """A released figure that is to be typed: which reading, where it stood, what was read."""

    file: str
    pts: int | None
    layout: str
    readout: str
    box: Box
    text: str


@dataclass(frozen=True, slots=True)
class Begun:
    """A spot-check as it was fixed before its first crop.

    ``population`` is the number of displayed figures released then, ``method`` the identity of the
    reader, ``when`` UTC, ISO 8601.
    """

    id: str
    when: str
    who: str
    method: str
    population: int
    drawn: tuple[Drawn, ...]


@dataclass(frozen=True, slots=True)
class Typed:
    """What a person typed of the figure ``at``; ``second`` is '' where they agreed at once."""

    spot_check: str
    at: int
    first: str
    second: str
    outcome: SpotOutcome


@dataclass(frozen=True, slots=True)
class SpotCheck:
    """A spot-check with what was typed so far, each figure at most once, in order."""

    begun: Begun
    typed: tuple[Typed, ...] = ()

    @property
    def planned(self) -> int:
        """How many figures were drawn."""
        return len(self.begun.drawn)

    @property
    def complete(self) -> bool:
        """Every figure drawn has its outcome."""
        return len(self.typed) == self.planned

    def count(self, outcome: SpotOutcome) -> int:
        """How many figures came out so."""
        return sum(each.outcome == outcome for each in self.typed)


# ---------------------------------------------------------------- registry of doubts


@dataclass(frozen=True, slots=True)
class DoubtHelp:
    """One entry of the registry: ``sentence`` in short, ``help`` on what to do about it."""

    code: str
    sentence: str
    help: str


DOUBTS: dict[str, DoubtHelp] = {
    entry.code: entry
    for entry in (
        DoubtHelp(
            "unreadable",
            "nothing could be read here",
            "Look at the crop. If a person can read it, type the figure; else leave it unreadable.",
        ),
        DoubtHelp(
            "not-shown",
            "the readout is scrolled off, hidden or cut away on this capture",
            "Nothing to settle. Add a capture that shows it if the figure is needed.",
        ),
        DoubtHelp(
            "wrong-form",
            "the text is not a figure of the readout's kind",
            "Type the figure, or correct the readout's kind in the calibration.",
        ),
        DoubtHelp(
            "which-mark",
            "the calibration does not say what a mark in the figure means",
            "State `decimal` and `thousands` under [marks] in the calibration: 4,512 is either "
            "4512 or 4.512, and a factor of a thousand is never guessed.",
        ),
        DoubtHelp(
            "wrong-decimals",
            "the figure does not have the number of decimals the layout always draws",
            "A decimal point was probably lost or made up. Type what the crop shows.",
        ),
        DoubtHelp(
            "other-unit",
            "another unit stands beside the figure than the calibration says",
            "Some overlays change from MHz to GHz or from mA to A. Type the figure in the "
            "calibration's unit, or make a readout for each unit. A letter like a digit (o, S, l) "
            "may be the figure's last one; if it always stands there, state it as `drawn_unit`.",
        ),
        DoubtHelp(
            "out-of-bounds",
            "the value lies outside the readout's bounds",
            "Type what the crop shows, or widen `bounds` in the calibration if the value is real.",
        ),
        DoubtHelp(
            "unsure",
            "the probability that the text is right is too low to release it",
            "Look at the crop and accept or correct.",
        ),
        DoubtHelp(
            "readers-differ",
            "two readers or two looks read different figures",
            "Look at the crop and accept or correct.",
        ),
        DoubtHelp(
            "mistaken-letter",
            "readers mistake a letter of this figure for another one in this layout on this device",
            'Look at the crop and accept or correct. Settle those first that say "this one among '
            'them": where enough of them are accepted as they were read, the rest are released.',
        ),
        DoubtHelp(
            "doubtful-layout",
            "readers doubt so many figures of this layout on this device that none is released",
            "Settle what else is flagged: where enough is accepted as it was read, the others are "
            "released. Sharper captures, or an overlay on a panel, help.",
        ),
        DoubtHelp(
            "lost-point",
            "the figure with the decimal point elsewhere explains picture or checks as well",
            "Look at the crop for the decimal point and accept or correct.",
        ),
        DoubtHelp(
            "lost-sign",
            "the figure with the other sign explains picture or checks as well",
            "Look at the crop for the sign and accept or correct.",
        ),
        DoubtHelp(
            "other-digit",
            "a figure that differs in one digit explains picture or checks as well",
            "Look at the crop and accept or correct.",
        ),
        DoubtHelp(
            "cut-off",
            "the figure runs into the edge of its box and may go on",
            "Make the readout's box wider in the calibration, or type the figure.",
        ),
        DoubtHelp(
            "blurred",
            "the figure is blurred or two figures lie over each other",
            "In a recording look at the frames beside it; type the figure if it is clear.",
        ),
        DoubtHelp(
            "changing",
            "the overlay changes within one frame of this one",
            "Two figures may be blended. Look at the crop and accept or correct.",
        ),
        DoubtHelp(
            "badly-located",
            "the place of the box is too uncertain",
            "Add landmarks near the readout to the calibration.",
        ),
        DoubtHelp(
            "which-layout",
            "two layouts claim the same place on the capture",
            "Keep only the calibration that belongs to these captures, or give the two layouts "
            "landmarks that tell them apart.",
        ),
        DoubtHelp(
            "relation",
            "a relation between the figures of this capture does not hold",
            "One of the figures named is wrong, or the relation does not hold on this device.",
        ),
        DoubtHelp(
            "step",
            "the value changes faster than the readout can",
            "Look at this figure and the one before, or raise `step` in the calibration.",
        ),
        DoubtHelp(
            "outlier",
            "the value stands far from its neighbours in the run",
            "Look at the crop and accept it if it is real.",
        ),
        DoubtHelp(
            "backwards",
            "a quantity that only grows or only falls went the other way",
            "Look at this figure and the one before.",
        ),
        DoubtHelp(
            "captures-disagree",
            "two captures of one round give different values of the same figure",
            "One of the captures belongs elsewhere (see facts.csv) or one figure is wrong.",
        ),
        DoubtHelp(
            "facts-disagree",
            "the facts given for this capture contradict it",
            "Correct the device in facts.csv or its `screen` in session.toml.",
        ),
        DoubtHelp(
            "no-axis",
            "the labels of an axis do not give its scale",
            "Look at the chart: are labels cut off or covered? Make the box of the labels fit, or "
            "give a fixed range in the calibration.",
        ),
        DoubtHelp(
            "few-labels",
            "an axis rests on too few labels, or on labels too near to each other",
            "Compare the labels named with the chart; give a fixed range if the axis never "
            "changes.",
        ),
        DoubtHelp(
            "odd-label",
            "a label of an axis does not fit the others and was left out",
            "Compare the labels named with the chart: one was misread, or is not of this axis.",
        ),
        DoubtHelp(
            "loose-axis",
            "the labels of an axis place it too roughly",
            "The chart has no grid lines or ticks that tell where its labels stand, or is too "
            "small. Use a larger capture.",
        ),
        DoubtHelp(
            "log-axis",
            "the axis is logarithmic",
            "Logarithmic axes are not read. Show the chart with a linear axis.",
        ),
        DoubtHelp(
            "no-line",
            "no line of the trace's colour was found in the plot",
            "Correct `colour` or `plot` in the calibration, or the trace is not drawn here.",
        ),
        DoubtHelp(
            "broken-line",
            "the line was found in too few columns, or jumps",
            "Look at the curve over the picture. Another line may hide it, or its colour in the "
            "calibration is a little off.",
        ),
        DoubtHelp(
            "two-lines",
            "other ink of nearly the same colour could be the line",
            "Look at the curve over the picture. Lines of nearly one colour are not told apart.",
        ),
        DoubtHelp(
            "leaves-plot",
            "the line touches the plot's edge and may go on beyond it",
            "What lies beyond the plot is not known: the extremes may be further out.",
        ),
        DoubtHelp(
            "cards-disagree",
            "the curve contradicts a figure on the same capture",
            "Look at the figure and at the curve over the picture: an axis or the figure is "
            "misread, or they measure different things.",
        ),
        DoubtHelp(
            "decided-elsewhere",
            "a person decided this reading when its box lay elsewhere",
            "Look at the crop; the old answer is proposed. Decide again.",
        ),
        DoubtHelp(
            "doubted",
            "a person doubts it",
            "Look at the crop and accept or correct.",
        ),
        DoubtHelp(
            "reviewers-disagree",
            "two people decided this reading differently",
            "Agree, and add a decision that replaces both.",
        ),
    )
}


# ---------------------------------------------------------------- tables and their columns

DType = Literal["text", "number", "integer"]


@dataclass(frozen=True, slots=True)
class Column:
    """One column of an output table. ``unit`` is UCUM, or '' where there is none."""

    name: str
    dtype: DType
    unit: str
    meaning: str
    required: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """One output table: the one place that says its columns and their order."""

    name: str
    meaning: str
    columns: tuple[Column, ...]
    names: frozenset[str] = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "names", frozenset(column.name for column in self.columns))


READINGS = Table(
    "readings",
    "one row a readout a capture (a sampled time in a recording)",
    (
        Column("capture", "text", "", "path below CAPTURES, / between parts", True),
        Column("at_s", "number", "s", "time of the frame in a recording, from the first frame"),
        Column("taken", "text", "", "when the still was taken, ISO 8601, from file name or EXIF"),
        Column("layout", "text", "", "name of the calibration", True),
        Column("readout", "text", "", "name of the readout; a size gives .width, .height", True),
        Column("text", "text", "", "exactly what was read; empty if nothing was"),
        Column("value", "number", "", "the number in `unit`, only where released or decided"),
        Column("candidate", "number", "", "what a flagged text would give, in `unit`"),
        Column("half_width", "number", "", "half of the last shown digit, in `unit`"),
        Column("unit", "text", "", "UCUM code, or the trade's"),
        Column("confidence", "number", "", "probability that `text` is right, rounded down"),
        Column("flags", "text", "", "codes of doubt, ; between; empty = released"),
        Column("why", "text", "", "the doubts in a sentence with their numbers"),
        Column("source", "text", "", "read, missing, corrected, accepted or typed", True),
        Column("decided_text", "text", "", "what a person entered"),
        Column("settled_flags", "text", "", "the flags that the person's decision settled"),
        Column("x", "number", "px", "left edge of the box"),
        Column("y", "number", "px", "upper edge of the box"),
        Column("w", "number", "px", "width of the box"),
        Column("h", "number", "px", "height of the box"),
    ),
)

CAPTURES = Table(
    "captures",
    "one row a capture or sampled time, a column a readout, only released values",
    (
        Column("capture", "text", "", "path below CAPTURES, / between parts", True),
        Column("at_s", "number", "s", "time of the frame in a recording, from the first frame"),
        Column("taken", "text", "", "when the still was taken, ISO 8601"),
        Column("run", "text", "", "what checks along time see as one sequence"),
    ),
)

PROBLEMS = Table(
    "problems",
    "one row an input that could not be used",
    (
        Column("capture", "text", "", "path below CAPTURES, / between parts", True),
        Column("problem", "text", "", "what is wrong with it", True),
        Column("mend", "text", "", "what to do about it", True),
    ),
)

GAPS = Table(
    "gaps",
    "stretches of a recording without overlay",
    (
        Column("capture", "text", "", "path below CAPTURES, / between parts", True),
        Column("from_s", "number", "s", "first sampled time without overlay", True),
        Column("to_s", "number", "s", "first sampled time with overlay again, or the end", True),
        Column("why", "text", "", "what was seen instead", True),
    ),
)

TRACES = Table(
    "traces",
    "one row a column of pixels of every line of a chart",
    (
        Column("capture", "text", "", "path below CAPTURES, / between parts", True),
        Column("at_s", "number", "s", "time of the frame in a recording, from the first frame"),
        Column("layout", "text", "", "name of the calibration", True),
        Column("trace", "text", "", "name of the trace in it", True),
        Column("t", "number", "s", "time on the chart's own axis"),
        Column("value", "number", "", "where the line runs in this column; empty in a gap"),
        Column("low", "number", "", "the least the line may reach in this column"),
        Column("high", "number", "", "the most the line may reach in this column"),
        Column("unit", "text", "", "UCUM code, or the trade's"),
        Column("flags", "text", "", "codes of doubt, ; between; empty = released"),
    ),
)

CHARTS = Table(
    "charts",
    "one row a trace a capture: what holds for the whole line",
    (
        Column("capture", "text", "", "path below CAPTURES, / between parts", True),
        Column("at_s", "number", "s", "time of the frame in a recording, from the first frame"),
        Column("layout", "text", "", "name of the calibration", True),
        Column("trace", "text", "", "name of the trace in it", True),
        Column("unit", "text", "", "UCUM code, or the trade's"),
        Column("mean", "number", "", "mean of `value` over time; empty if flagged"),
        Column("lowest", "number", "", "least of `low`; empty if flagged"),
        Column("highest", "number", "", "greatest of `high`; empty if flagged"),
        Column("from_s", "number", "s", "time at which the line begins"),
        Column("to_s", "number", "s", "time at which the line ends"),
        Column("coverage", "number", "", "share of the columns between that show the line"),
        Column("flags", "text", "", "codes of doubt, ; between; empty = released"),
        Column("why", "text", "", "the doubts in a sentence with their numbers"),
        Column("decided", "text", "", "what a person decided of it, and who"),
        Column("x", "number", "px", "left edge of the plot"),
        Column("y", "number", "px", "upper edge of the plot"),
        Column("w", "number", "px", "width of the plot"),
        Column("h", "number", "px", "height of the plot"),
    ),
)

TABLES: tuple[Table, ...] = (READINGS, CAPTURES, PROBLEMS, GAPS, TRACES, CHARTS)


_ROUND_FIGURES = (
    ("duration", "s", "length of the round or battery test"),
    ("render_width", "px", "width of a rendered frame"),
    ("render_height", "px", "height of a rendered frame"),
    ("frame_rate_mean", "fps", "mean frame rate over the whole round"),
    ("frame_rate_lowest", "fps", "lowest frame rate, as the monitor defines it"),
    ("frame_rate_highest", "fps", "highest frame rate, as the monitor defines it"),
    ("frame_rate_low_1_percent", "fps", "1 % low, as the monitor defines it"),
    ("share_at_floor", "%", "share at or above the smooth floor"),
    ("power_mean", "W", "mean power, times the device's power factor"),
    ("power_highest", "W", "highest power, times the device's power factor"),
    ("current_mean", "mA", "mean current, sign as shown"),
    ("voltage_mean", "V", "mean voltage"),
    ("battery_temperature_mean", "Cel", "mean battery temperature"),
    ("battery_temperature_highest", "Cel", "highest battery temperature"),
    ("chip_temperature_mean", "Cel", "mean chip temperature"),
    ("chip_temperature_highest", "Cel", "highest chip temperature"),
    ("skin_temperature_highest", "Cel", "highest surface temperature"),
    ("clock_mean", "MHz", "mean clock"),
    ("load_mean", "%", "mean load"),
    ("level_start", "%", "battery level at the start"),
    ("level_end", "%", "battery level at the end"),
    ("charge_used", "mA.h", "charge drawn, as the monitor counted it"),
    ("energy_used", "W.h", "energy drawn, as the monitor counted it"),
    ("brightness", "cd/m2", "brightness of the screen"),
)

ROUNDS = Table(
    "rounds",
    "one row a device, variant, round and attempt, and where each figure comes from",
    (
        Column("device", "text", "", "which device", True),
        Column("variant", "text", "", "how it was run, as session.toml names it"),
        Column("round", "integer", "", "number of the round; empty for a battery test"),
        Column("attempt", "integer", "", "number of the attempt at this round"),
        Column("state", "text", "", "run, not run, missing or battery test", True),
        Column("counts", "text", "", "yes, or no where the attempt is not compared", True),
        Column("why", "text", "", "why it does not count, was not run, or how it ended"),
        Column("began", "text", "", "when it began by the captures' times, ISO 8601"),
        *(
            column
            for name, unit, meaning in _ROUND_FIGURES
            for column in (
                Column(name, "number", unit, meaning),
                Column(f"{name}_half_width", "number", unit, f"half of the last digit of {name}"),
                Column(f"{name}_from", "text", "", f"source of {name}, and its captures"),
            )
        ),
    ),
)

COMPARISON = Table(
    "comparison",
    "one row a figure, verdict or warning of a device and variant, of one round or of all",
    (
        Column("device", "text", "", "which device; empty where it is about several"),
        Column("variant", "text", "", "how it was run, as session.toml names it"),
        Column("round", "integer", "", "number of the round; empty where it is about all"),
        Column("figure", "text", "", "name of the figure, or verdict, warning, missing", True),
        Column("value", "number", "", "the figure, in `unit`; mean over the attempts that count"),
        Column("unit", "text", "", "UCUM code, or the trade's"),
        Column("u_display", "number", "", "standard uncertainty from the last shown digits alone"),
        Column("spread", "number", "", "standard deviation over attempts; empty for one attempt"),
        Column("attempts", "integer", "", "how many attempts the value is a mean of"),
        Column("rank", "integer", "", "1 is best; closer than the tie share a rank"),
        Column("basis", "text", "", "monitor, recording, trace, typed, or the formula's inputs"),
        Column("text", "text", "", "the verdict, the warning or a remark in words"),
    ),
)

COMPARED: tuple[Table, ...] = (ROUNDS, COMPARISON)
"""The tables that ``compare`` adds."""


# ---------------------------------------------------------------- cells that start no formula

_FORMULA = re.compile(r"'*[=+\-@\t\r]")
_GUARDED = re.compile(r"'+[=+\-@\t\r]")
_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_FORMULA_PATH = re.compile(r"(?:\./)*[=+\-@\t\r]")
_GUARDED_PATH = re.compile(r"(?:\./)+[=+\-@\t\r]")


def guard_cell(text: str) -> str:
    """Return a text cell so that no spreadsheet program takes it for a formula.

    A cell that starts with ``= + - @``, tab or CR and is not wholly a number gets a leading ``'``;
    so does one that starts with ``'`` before such a sign, so that ``unguard_cell`` gives back
    every text.
    """
    return f"'{text}" if _FORMULA.match(text) and not _NUMBER.fullmatch(text) else text


def unguard_cell(cell: str) -> str:
    """Undo ``guard_cell``."""
    return cell[1:] if _GUARDED.match(cell) else cell


def guard_path(path: str) -> str:
    """Do the same for a capture's path, with a leading ``./``."""
    return f"./{path}" if _FORMULA_PATH.match(path) else path


def unguard_path(cell: str) -> str:
    """Undo ``guard_path``."""
    return cell[2:] if _GUARDED_PATH.match(cell) else cell
