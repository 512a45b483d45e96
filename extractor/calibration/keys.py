"""Digests of what a cached find or reading depends on, so that nothing else makes it stale."""

from __future__ import annotations

import hashlib
import json
from typing import Any

from extractor.calibration.model import Calibration, Readout, Trace
from extractor.calibration.pattern import Slot, parse_pattern
from extractor.records import Box


def _digest(parts: dict[str, Any]) -> str:
    canonical = json.dumps(parts, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return hashlib.blake2b(canonical.encode(), digest_size=16).hexdigest()


def locating_key(calibration: Calibration) -> str:
    """Digest (32 hex) of what decides where the layout lies: its id and what it is found by."""
    landmarks = [landmark.model_dump(exclude={"name"}) for landmark in calibration.landmark]
    return _digest(
        {
            "id": calibration.id,
            "drawn_on": calibration.drawn_on,
            "locating": calibration.locating.model_dump(),
            "landmarks": landmarks,
        }
    )


def readout_key(calibration: Calibration, readout: Readout) -> str:
    """Digest (32 hex) of what decides how this readout is read, and nothing else.

    The readout's own name is part of it, and whether it may be negative. Bounds, step, trend,
    relations and what is measured are not beyond that, nor are the names of other readouts.
    """
    return _digest(
        {
            "name": readout.name,
            "part": readout.part,
            "x_part": readout.x_part,
            "box": readout.box,
            "form": _form(readout),
            "may_be_negative": readout.may_be_negative,
            "marks": calibration.marks.model_dump(),
            "lines": _lines(calibration, readout),
        }
    )


def trace_key(calibration: Calibration, trace: Trace) -> str:
    """Digest (32 hex) of what decides how this trace is read from the picture.

    Its name is part of it, and so are the colours of the other lines in the same plot, from
    which it is told. Ranges, units and marks are not: they are applied to what was read.
    """
    return _digest(
        trace.model_dump(include={"name", "part", "plot", "colour", "t_labels", "value_labels"})
        | {"others": other_colours(calibration, trace)}
    )


def other_colours(calibration: Calibration, trace: Trace) -> tuple[str, ...]:
    """Colours of the other traces whose plot is the same or overlaps, in their order."""
    own = Box(*trace.plot)
    return tuple(
        other.colour
        for other in calibration.trace
        if other.name != trace.name
        and other.part == trace.part
        and own.overlap(Box(*other.plot)) > 0
    )


def _form(readout: Readout) -> dict[str, Any]:
    return readout.model_dump(include={"kind", "decimals", "drawn_unit", "missing"})


def _lines(calibration: Calibration, readout: Readout) -> list[dict[str, Any]]:
    """The lines that name the readout; the other readouts there by their form, not by name."""
    forms = {other.name: _form(other) for other in calibration.readout}
    lines = []
    for line in calibration.line:
        pattern = parse_pattern(line.pattern)
        if Slot(readout.name) not in pattern:
            continue
        pieces: list[Any] = [
            piece if isinstance(piece, str) else [piece.name == readout.name, forms[piece.name]]
            for piece in pattern
        ]
        lines.append({"pattern": pieces, "box": line.box, "part": line.part})
    return lines
