"""The calibration of one layout as typed, frozen objects; deeper code never sees the raw file.

All boxes are px of the capture the layout was drawn on (``drawn_on``), written ``[x, y, w, h]``.
Rules about a single key stand with the key; rules across keys stand in ``rules.py``.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

Name = Annotated[
    str,
    Field(
        pattern=r"^[a-z][a-z0-9_]*$",
        max_length=60,
        description="a name: a letter a to z, then a to z, 0 to 9 and _, at most 60 characters",
    ),
]
BoxList = Annotated[
    tuple[float, float, float, float],
    Field(description="[x, y, w, h], four numbers in px of the capture it was drawn on"),
]
Range = Annotated[tuple[float, float], Field(description="[lower, upper], two numbers")]
Colour = Annotated[
    str, Field(pattern=r"^#[0-9a-fA-F]{6}$", description='a colour as "#rrggbb", in hex digits')
]

Quantity = Literal[
    "frame_rate",
    "frame_time",
    "power",
    "current",
    "voltage",
    "temperature",
    "clock",
    "load",
    "level",
    "charge",
    "energy",
    "capacity",
    "memory",
    "render_size",
    "share_at_floor",
    "duration",
    "count",
    "brightness",
    "outcome",
    "other",
]
NEVER_NEGATIVE: frozenset[Quantity] = frozenset(
    {
        "frame_rate", "frame_time", "voltage", "clock", "load", "level", "capacity", "memory",
        "render_size", "share_at_floor", "duration", "count", "brightness",
    }
)  # fmt: skip
"""Quantities that are never below 0; a total of them may be, where it tells a change."""
Statistic = Literal[
    "now",
    "mean",
    "lowest",
    "highest",
    "median",
    "low_1_percent",
    "spread",
    "share",
    "total",
    "start",
    "end",
]
Unit = Literal[
    "",
    "fps",
    "ms",
    "s",
    "W",
    "mW",
    "A",
    "mA",
    "V",
    "mV",
    "Cel",
    "[degF]",
    "MHz",
    "GHz",
    "%",
    "px",
    "mA.h",
    "W.h",
    "MiBy",
    "GiBy",
    "cd/m2",
]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Marks(_Part):
    """How this layout writes numbers. A mark that is not stated is never guessed."""

    decimal: Literal[".", ","] | None = None
    thousands: Literal["none", ",", ".", " ", "'"] | None = None
    duration: Literal["m:s", "h:m", "h:m:s", "units"] | None = None


class Locating(_Part):
    """How far a capture may differ from the drawing, and what must be found on it.

    ``scales`` are the smallest and largest px of a capture a px of the drawing. ``needs`` is how
    many landmarks must be found before the layout counts as found. ``bars`` are the heights of
    fixed bars at the upper and the lower edge of the capture, under which a scrolled layout
    passes: a readout that lies under one is not shown.
    """

    scales: Range = (0.35, 3.0)
    needs: Annotated[int, Field(ge=1, le=50)] = 2
    bars: tuple[Annotated[float, Field(ge=0)], Annotated[float, Field(ge=0)]] = (0.0, 0.0)


class Landmark(_Part):
    """Something that looks the same on every capture of the layout, by which it is found.

    ``sort``: ``picture`` (``picture`` holds a PNG in base64, at most 16 KiB, drawn over ``box``;
    transparent pixels do not count), ``word`` (``word`` is the text drawn in ``box``), ``edge``
    (the ``side`` of ``box`` lies on a straight edge, of a panel say, that the layout draws),
    ``colour`` (``box`` is filled with ``colour``). Landmarks of one ``part`` keep their places to
    each other; parts may move against each other (cards that stretch with the screen), though
    all share one scale.
    """

    name: Name
    sort: Literal["picture", "word", "edge", "colour"]
    box: BoxList
    part: Name = "main"
    picture: str | None = None
    word: str | None = None
    side: Literal["left", "right", "top", "bottom"] | None = None
    colour: Colour | None = None


class Readout(_Part):
    """One figure of the layout: where it stands, how it is written, what it measures.

    ``part`` is the part of the layout that gives its place, ``x_part`` the one that gives the
    horizontal place where that differs (a column that keeps to the right edge). ``box`` is absent
    for a readout that a line's pattern names. ``drawn_unit`` is the unit as drawn where the box
    holds it too. ``decimals`` is stated if the layout always draws that many. ``step`` is the
    greatest believable change a second, in ``unit``. ``missing`` is the text drawn when there is
    no value. ``rounding``: ``half`` (to nearest) or ``down`` (truncates).
    ``trend``: the value only ``grows`` or only ``falls`` along a run.
    """

    name: Name
    kind: Literal["number", "percentage", "duration", "size", "word"]
    quantity: Quantity
    statistic: Statistic = "now"
    sensor: Literal["battery", "chip", "skin", "ambient"] | None = None
    unit: Unit = ""
    box: BoxList | None = None
    part: Name = "main"
    x_part: Name | None = None
    drawn_unit: str | None = None
    decimals: Annotated[int, Field(ge=0, le=6)] | None = None
    bounds: Range | None = None
    step: Annotated[float, Field(gt=0)] | None = None
    trend: Literal["grows", "falls"] | None = None
    missing: str | None = None
    rounding: Literal["half", "down"] = "half"

    @property
    def may_be_negative(self) -> bool:
        """Whether a minus sign may stand before it: by its bounds, else by what it measures."""
        if self.bounds is not None:
            return self.bounds[0] < 0
        return self.statistic == "total" or self.quantity not in NEVER_NEGATIVE


class Line(_Part):
    """A flowing line: figures move as digits come and go, the literals around them tell where.

    ``pattern`` holds literals and ``{name}`` of readouts: ``FPS {frame_rate} · {power} W``. ``box``
    holds the whole line with room to grow.
    """

    name: Name
    pattern: Annotated[str, Field(min_length=3, max_length=200)]
    box: BoxList
    part: Name = "main"


class Relation(_Part):
    """What must hold between readouts of one capture, of one instant or one window.

    ``that``: numbers, readout names, ``+ - * /``, chained ``<= < =``; at most 200 characters.
    ``within`` is slack on top of one unit in the last place of each figure: ``3 %`` or a number in
    the unit of the two sides.
    """

    that: Annotated[str, Field(max_length=200)]
    within: str = "0 %"


class Trace(_Part):
    """A line of a chart: the plot's box, its axes and the colour of the line.

    An axis is either a fixed range (its ends are the plot's edges) or a box that holds its
    labels. ``t_unit`` says what the labels of the time axis count where they do not say it
    themselves: ``s``, ``min``, ``h``, or how ``1:00`` is meant; without it the marks say that.
    """

    name: Name
    quantity: Quantity
    unit: Unit
    sensor: Literal["battery", "chip", "skin", "ambient"] | None = None
    plot: BoxList
    colour: Colour
    part: Name = "main"
    t_range: Range | None = None
    t_labels: BoxList | None = None
    t_unit: Literal["s", "min", "h", "m:s", "h:m", "h:m:s"] | None = None
    value_range: Range | None = None
    value_labels: BoxList | None = None


class Calibration(_Part):
    """A calibration file, loaded and free of faults. ``sha256`` is of the file's bytes."""

    format: Literal[1]
    id: Annotated[
        str,
        Field(pattern=r"^[a-z0-9]{8,32}$", description="8 to 32 letters a to z and digits"),
    ]
    name: Annotated[
        str,
        Field(
            pattern=r"^[a-z][a-z0-9_-]*$",
            max_length=60,
            description="a name: a letter a to z, then a to z, 0 to 9, _ and -, at most 60",
        ),
    ]
    revision: Annotated[int, Field(ge=1)] = 1
    shows: Annotated[str, Field(min_length=1, max_length=300)]
    drawn_on: tuple[Annotated[int, Field(ge=1, le=65500)], Annotated[int, Field(ge=1, le=65500)]]
    marks: Marks = Marks()
    locating: Locating = Locating()
    landmark: Annotated[tuple[Landmark, ...], Field(min_length=1, max_length=100)]
    readout: Annotated[tuple[Readout, ...], Field(min_length=1, max_length=300)]
    line: Annotated[tuple[Line, ...], Field(max_length=50)] = ()
    relation: Annotated[tuple[Relation, ...], Field(max_length=100)] = ()
    trace: Annotated[tuple[Trace, ...], Field(max_length=20)] = ()
