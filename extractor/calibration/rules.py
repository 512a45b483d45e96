"""Rules across the keys of a calibration; rules about a single key stand in ``model.py``.

Each yields faults with the path from the part it was given.
"""

from __future__ import annotations

import base64
import binascii
import struct
import zlib
from collections.abc import Iterable, Iterator

from extractor.calibration.model import (
    BoxList,
    Calibration,
    Landmark,
    Line,
    Locating,
    Marks,
    Readout,
    Relation,
    Trace,
)
from extractor.calibration.pattern import Pattern, PatternError, Slot, parse_pattern
from extractor.calibration.relation import RelationError, parse_relation, parse_within
from extractor.records import CAPTURES
from extractor.toml import RuleFault, Rules

UNITS: dict[str, tuple[str, ...]] = {
    "frame_rate": ("fps",),
    "frame_time": ("ms", "s"),
    "power": ("W", "mW"),
    "current": ("A", "mA"),
    "voltage": ("V", "mV"),
    "temperature": ("Cel", "[degF]"),
    "clock": ("MHz", "GHz"),
    "load": ("%",),
    "level": ("%",),
    "charge": ("mA.h",),
    "energy": ("W.h",),
    "capacity": ("mA.h", "W.h"),
    "memory": ("MiBy", "GiBy", "%"),
    "render_size": ("px",),
    "share_at_floor": ("%",),
    "duration": ("s", "ms"),
    "count": ("",),
    "brightness": ("cd/m2", "%"),
    "outcome": ("",),
}
"""The units of each quantity; ``other`` may have any."""

# Columns of captures.csv and facts, which stand beside a column a readout.
RESERVED = CAPTURES.names | {"device", "variant", "round", "attempt"}

MAX_PICTURE_BYTES = 16 << 10
MAX_PICTURE_SIDE = 512
# How far the picture's aspect may be from its box's: more is a slip, less is rounding to px.
MAX_ASPECT_RATIO = 1.15


def _box(key: str, box: BoxList | None, whole: Calibration) -> Iterator[RuleFault]:
    if box is None:
        return
    x, y, w, h = box
    width, height = whole.drawn_on
    if w <= 0 or h <= 0:
        yield RuleFault((key,), "a width and a height above 0")
    elif x < 0 or y < 0 or x + w > width or y + h > height:
        yield RuleFault((key,), f"a box inside the picture, which is {width} x {height} px")


def _range(key: str, bounds: tuple[float, float] | None) -> Iterator[RuleFault]:
    if bounds is not None and bounds[0] >= bounds[1]:
        yield RuleFault((key,), "the lower end first, below the upper end")


def _part_exists(key: str, part: str, whole: Calibration) -> Iterator[RuleFault]:
    parts = dict.fromkeys(landmark.part for landmark in whole.landmark)
    if part not in parts:
        yield RuleFault((key,), f"a part that a landmark has: {', '.join(parts)}")


def _twice(key: str, names: Iterable[str]) -> Iterator[RuleFault]:
    seen: set[str] = set()
    for index, name in enumerate(names):
        if name in seen:
            yield RuleFault((key, index, "name"), "a name that no other has")
        seen.add(name)


def _unit(part: Readout | Trace) -> Iterator[RuleFault]:
    allowed = UNITS.get(part.quantity)
    if part.statistic == "share" if isinstance(part, Readout) else False:
        allowed = ("%",)
    if allowed is not None and part.unit not in allowed:
        listed = " or ".join(unit or '"" (no unit)' for unit in allowed)
        yield RuleFault(("unit",), f"{listed}, the units of {part.quantity}", _quoted(part.unit))


def _quoted(text: str) -> str:
    return f'"{text}"'


def _sensor(part: Readout | Trace) -> Iterator[RuleFault]:
    if part.quantity == "temperature" and part.sensor is None:
        yield RuleFault(
            ("sensor",), "battery, chip, skin or ambient: whose temperature it is", "missing"
        )
    if part.quantity != "temperature" and part.sensor is not None:
        yield RuleFault(("sensor",), f"no sensor: {part.quantity} is no temperature")


# ---------------------------------------------------------------- the whole file


def _names(part: Calibration, whole: Calibration) -> Iterator[RuleFault]:
    yield from _twice("landmark", (landmark.name for landmark in part.landmark))
    yield from _twice("readout", (readout.name for readout in part.readout))
    yield from _twice("line", (line.name for line in part.line))
    yield from _twice("trace", (trace.name for trace in part.trace))


def _needs(part: Calibration, whole: Calibration) -> Iterator[RuleFault]:
    count = len(part.landmark)
    if part.locating.needs > count:
        yield RuleFault(
            ("locating", "needs"),
            f"at most {count}, the number of landmarks",
            str(part.locating.needs),
        )


def _marks(part: Marks, whole: Calibration) -> Iterator[RuleFault]:
    if part.decimal is not None and part.decimal == part.thousands:
        yield RuleFault(("thousands",), "another mark than `decimal`")


def _scales(part: Locating, whole: Calibration) -> Iterator[RuleFault]:
    least, most = part.scales
    if not 0.1 <= least < most <= 10:
        yield RuleFault(("scales",), "[smallest, largest], between 0.1 and 10")


def _bars(part: Locating, whole: Calibration) -> Iterator[RuleFault]:
    if sum(part.bars) >= whole.drawn_on[1]:
        yield RuleFault(("bars",), f"less than the picture's height, {whole.drawn_on[1]} px")


# ---------------------------------------------------------------- landmarks

_SORT_NEEDS = {"picture": "picture", "word": "word", "edge": "side", "colour": "colour"}


def _landmark_box(part: Landmark, whole: Calibration) -> Iterator[RuleFault]:
    yield from _box("box", part.box, whole)


def _landmark_sort(part: Landmark, whole: Calibration) -> Iterator[RuleFault]:
    needed = _SORT_NEEDS[part.sort]
    if getattr(part, needed) is None:
        yield RuleFault(
            (needed,), f"`{needed}`, which a landmark of sort {part.sort} needs", "missing"
        )
    for key in _SORT_NEEDS.values():
        beside = key == "colour" and part.sort == "edge"
        if key != needed and not beside and getattr(part, key) is not None:
            yield RuleFault((key,), f"no `{key}` for a landmark of sort {part.sort}")


def _landmark_picture(part: Landmark, whole: Calibration) -> Iterator[RuleFault]:
    if part.picture is None:
        return
    try:
        width, height = png_size(part.picture)
    except ValueError as error:
        yield RuleFault(("picture",), f"a PNG in base64 of at most 16 KiB: {error}")
        return
    _, _, w, h = part.box
    if w > 0 and h > 0:
        # Half a pixel to either side: a box is fractional, a picture is not.
        least = (width - 1) / (height + 1) / MAX_ASPECT_RATIO
        most = (width + 1) / max(height - 1, 0.5) * MAX_ASPECT_RATIO
        if not least <= w / h <= most:
            yield RuleFault(("box",), f"the shape of its picture, which is {width} x {height} px")


def png_size(text: str) -> tuple[int, int]:
    """Width and height of a PNG in base64; raises ValueError in words unless it is whole.

    Not interlaced, at most 16 KiB, at most 512 px a side; inflated no further than its size says.
    """
    if len(text) > MAX_PICTURE_BYTES * 4 / 3 + 4:
        raise ValueError("larger")
    try:
        png = base64.b64decode(text, validate=True)
    except (binascii.Error, ValueError):
        raise ValueError("not base64") from None
    if not png.startswith(b"\x89PNG\r\n\x1a\n"):
        raise ValueError("not a PNG")
    chunks = list(_png_chunks(png))
    if not chunks or chunks[0][0] != b"IHDR" or len(chunks[0][1]) != 13 or chunks[-1][0] != b"IEND":
        raise ValueError("a damaged PNG")
    width, height, depth, colour, _, _, interlace = struct.unpack(">IIBBBBB", chunks[0][1])
    if not (0 < width <= MAX_PICTURE_SIDE and 0 < height <= MAX_PICTURE_SIDE):
        raise ValueError(f"{width} x {height} px, more than {MAX_PICTURE_SIDE} a side")
    channels = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}.get(colour, 0)
    if interlace or not channels or depth not in (1, 2, 4, 8, 16):
        raise ValueError("an interlaced PNG, or one of an unknown form")
    size = height * (1 + (width * channels * depth + 7) // 8)
    inflate = zlib.decompressobj()
    try:
        rows = inflate.decompress(b"".join(body for kind, body in chunks if kind == b"IDAT"), size)
    except zlib.error:
        raise ValueError("a damaged PNG") from None
    if len(rows) != size:
        raise ValueError("a damaged PNG")
    return width, height


def _png_chunks(png: bytes) -> Iterator[tuple[bytes, bytes]]:
    at = 8
    while at < len(png):
        length = int.from_bytes(png[at : at + 4], "big")
        kind, body = png[at + 4 : at + 8], png[at + 8 : at + 8 + length]
        check = png[at + 8 + length : at + 12 + length]
        if zlib.crc32(kind + body).to_bytes(4, "big") != check:
            raise ValueError("a damaged PNG")
        yield kind, body
        at += 12 + length


# ---------------------------------------------------------------- readouts and lines


def _readout_name(part: Readout, whole: Calibration) -> Iterator[RuleFault]:
    if part.name in RESERVED:
        yield RuleFault(("name",), "another name: a column of the output has this one")


def _readout_box(part: Readout, whole: Calibration) -> Iterator[RuleFault]:
    yield from _box("box", part.box, whole)


def _readout_part(part: Readout, whole: Calibration) -> Iterator[RuleFault]:
    yield from _part_exists("part", part.part, whole)
    if part.x_part is not None:
        yield from _part_exists("x_part", part.x_part, whole)


def _readout_place(part: Readout, whole: Calibration) -> Iterator[RuleFault]:
    lines = [line.name for line in whole.line if part.name in _pattern_names(line)]
    if part.box is None and not lines:
        yield RuleFault(("box",), "a `box`, or a [[line]] whose pattern names it", "missing")
    if part.box is not None and lines:
        yield RuleFault(("box",), f"no `box`, since line {lines[0]} gives its place")
    if len(lines) > 1:
        yield RuleFault(("name",), f"one line alone to name it, not {' and '.join(lines)}")


def _readout_unit(part: Readout, whole: Calibration) -> Iterator[RuleFault]:
    if part.kind != "word":
        yield from _unit(part)


def _readout_sensor(part: Readout, whole: Calibration) -> Iterator[RuleFault]:
    yield from _sensor(part)


def _readout_kind(part: Readout, whole: Calibration) -> Iterator[RuleFault]:
    quantity, kind = part.quantity, part.kind
    if kind == "size" and quantity not in ("render_size", "other"):
        yield RuleFault(("kind",), f"number: a size is for render_size alone, not for {quantity}")
    if quantity == "render_size" and kind not in ("size", "word"):
        yield RuleFault(("kind",), "size, for render_size")
    if kind == "percentage" and part.unit != "%":
        yield RuleFault(("unit",), "%, the unit of a percentage", _quoted(part.unit))
    if kind == "duration" and (quantity not in ("duration", "frame_time", "other")):
        yield RuleFault(("kind",), f"number: a duration does not tell {quantity}")
    if kind == "duration" and part.unit != "s":
        yield RuleFault(("unit",), "s, the unit of every duration's value", _quoted(part.unit))
    if quantity == "outcome" and kind != "word":
        yield RuleFault(("kind",), "word, for an outcome")


def _readout_word(part: Readout, whole: Calibration) -> Iterator[RuleFault]:
    if part.kind == "word":
        for key in ("bounds", "step", "trend", "decimals"):
            if getattr(part, key) is not None:
                yield RuleFault((key,), f"no `{key}`: a word has no value")
        if part.unit:
            yield RuleFault(("unit",), "no unit: a word has no value")


def _readout_size(part: Readout, whole: Calibration) -> Iterator[RuleFault]:
    if part.kind == "size" and part.decimals:
        yield RuleFault(("decimals",), "no `decimals`: a size is of whole px")


def _readout_bounds(part: Readout, whole: Calibration) -> Iterator[RuleFault]:
    yield from _range("bounds", part.bounds)


def _pattern_names(line: Line) -> set[str]:
    try:
        return {piece.name for piece in parse_pattern(line.pattern) if isinstance(piece, Slot)}
    except PatternError:
        return set()


def _line_box(part: Line, whole: Calibration) -> Iterator[RuleFault]:
    yield from _box("box", part.box, whole)


def _line_part(part: Line, whole: Calibration) -> Iterator[RuleFault]:
    yield from _part_exists("part", part.part, whole)


def _line_pattern(part: Line, whole: Calibration) -> Iterator[RuleFault]:
    try:
        pattern: Pattern = parse_pattern(part.pattern)
    except PatternError as error:
        yield RuleFault(("pattern",), f"literals and {{name}} of readouts: {error}")
        return
    known = {readout.name for readout in whole.readout}
    for piece in pattern:
        if isinstance(piece, Slot) and piece.name not in known:
            yield RuleFault(("pattern",), f"names of readouts, and {piece.name} is none")


# ---------------------------------------------------------------- relations and traces


def _relation_that(part: Relation, whole: Calibration) -> Iterator[RuleFault]:
    try:
        relation = parse_relation(part.that)
    except RelationError as error:
        yield RuleFault(("that",), f"numbers, names of readouts, + - * / ( ), <= < =: {error}")
        return
    known: dict[str, str] = {}
    for readout in whole.readout:
        if readout.kind == "size":
            known |= {f"{readout.name}.width": "", f"{readout.name}.height": ""}
        known[readout.name] = readout.kind
    for name in relation.names:
        if name not in known:
            yield RuleFault(("that",), f"names of readouts, and {name} is none")
        elif known[name] == "size":
            yield RuleFault(("that",), f"{name}.width or {name}.height: a size is two numbers")
        elif known[name] == "word":
            yield RuleFault(("that",), f"readouts with a value, and {name} is a word")


def _relation_within(part: Relation, whole: Calibration) -> Iterator[RuleFault]:
    try:
        parse_within(part.within)
    except RelationError as error:
        yield RuleFault(("within",), f"a share like `3 %` or a number: {error}")


def _trace_boxes(part: Trace, whole: Calibration) -> Iterator[RuleFault]:
    yield from _box("plot", part.plot, whole)
    yield from _box("t_labels", part.t_labels, whole)
    yield from _box("value_labels", part.value_labels, whole)


def _trace_part(part: Trace, whole: Calibration) -> Iterator[RuleFault]:
    yield from _part_exists("part", part.part, whole)


def _trace_axes(part: Trace, whole: Calibration) -> Iterator[RuleFault]:
    for axis in ("t", "value"):
        fixed, labels = getattr(part, f"{axis}_range"), getattr(part, f"{axis}_labels")
        if (fixed is None) == (labels is None):
            met = "missing" if fixed is None else "given beside the labels"
            yield RuleFault(
                (f"{axis}_range",), f"either `{axis}_range` or the box `{axis}_labels`", met
            )
        yield from _range(f"{axis}_range", fixed)
    if part.t_unit is not None and part.t_labels is None:
        yield RuleFault(("t_unit",), "no `t_unit`: a fixed `t_range` is in s")


def _trace_unit(part: Trace, whole: Calibration) -> Iterator[RuleFault]:
    yield from _unit(part)


def _trace_sensor(part: Trace, whole: Calibration) -> Iterator[RuleFault]:
    yield from _sensor(part)


RULES: Rules = {
    Calibration: (_names, _needs),
    Marks: (_marks,),
    Locating: (_scales, _bars),
    Landmark: (_landmark_box, _landmark_sort, _landmark_picture),
    Readout: (
        _readout_name,
        _readout_box,
        _readout_part,
        _readout_place,
        _readout_unit,
        _readout_sensor,
        _readout_kind,
        _readout_word,
        _readout_size,
        _readout_bounds,
    ),
    Line: (_line_box, _line_part, _line_pattern),
    Relation: (_relation_that, _relation_within),
    Trace: (_trace_boxes, _trace_part, _trace_axes, _trace_unit, _trace_sensor),
}
