"""What a cell measures: kind, quantity, statistic, sensor, unit and name, as far as words tell."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from extractor.calibration.rules import UNITS
from extractor.proposing.arranging import Cell
from extractor.proposing.lexicon import (
    BOUNDS,
    COUNT_BOUNDS,
    UNIT_QUANTITY,
    Meaning,
    meaning,
    name_of,
    plain,
    unit_of,
    usual_statistic,
)


@dataclass(frozen=True, slots=True)
class Named:
    """A cell with what is measured: ``entry`` holds keys of a readout, all but name and box."""

    cell: Cell
    entry: dict[str, Any]
    subject: str
    duration: str
    question: str


def name_cells(cells: Sequence[Cell]) -> list[Named]:
    """What each cell measures, as far as its words tell."""
    return [_named(cell) for cell in cells]


def names(named: Sequence[Named]) -> list[str]:
    """A name of its own for each."""
    found: list[str] = []
    for each in named:
        entry = each.entry
        base = name_of(
            entry["quantity"],
            entry["statistic"],
            entry.get("sensor"),
            each.subject,
            entry["kind"],
        )
        name, number = base, 2
        while name in found:
            name, number = f"{base}_{number}", number + 1
        found.append(name)
    return found


def _named(cell: Cell) -> Named:
    figure = cell.figure
    label, inside = _label(cell)
    section = cell.section.text if cell.section and not re.search(r"\d", cell.section.text) else ""
    head = cell.head.text if cell.head and cell.head.sure else ""
    said = meaning(label, head)
    around = meaning(section)
    unit = unit_of(figure.unit) or inside
    kind = figure.kind
    if unit == "%":
        kind = "percentage"
    quantity, question = _quantity(kind, unit, said, around)
    entry: dict[str, Any] = {"kind": kind, "quantity": quantity}
    statistic = said.statistic or around.statistic or usual_statistic(quantity)
    if usual_statistic(quantity) == "total":  # a total in a column of means is a total
        statistic = meaning(label).statistic or "total"
    if quantity == "share_at_floor":
        statistic = "share"
    elif quantity == "outcome" or kind == "size":
        statistic = usual_statistic(quantity)
    entry["statistic"] = statistic
    if quantity == "temperature":
        sensor = said.sensor or around.sensor
        if sensor is None:
            entry["quantity"] = quantity = "other"
            question = "Whose temperature is it: of the battery, the chip, the skin, the air?"
        else:
            entry["sensor"] = sensor
    if kind == "duration":
        unit = "s"
    elif kind == "size":
        unit = "px"
    elif kind == "word":
        unit = ""
    elif not unit and len(UNITS.get(quantity, ())) == 1:
        (unit,) = UNITS[quantity]  # none is drawn, and there is but one
    entry["unit"] = unit
    bounds = COUNT_BOUNDS if quantity == "count" else BOUNDS.get(unit)
    if kind not in ("word", "size") and bounds:
        entry["bounds"] = bounds
    return Named(cell, entry, said.subject or around.subject, said.duration, question)


def name_trace(words: Sequence[str]) -> tuple[dict[str, Any], str]:
    """What a chart's line measures (quantity, unit, sensor), and what its time axis counts.

    ``words`` stand at the chart, the nearest first; '' and ``other`` where they do not tell.
    """
    entry: dict[str, Any] = {"quantity": "other", "unit": ""}
    counts = ""
    for text in words:
        said = meaning(text)
        pieces = re.split(r"[\s,;·|()]+", text)
        units = [unit for unit in map(unit_of, pieces) if unit]
        counts = counts or next(
            (unit for unit, stems in _TIMES if re.search(stems, plain(text))), ""
        )
        allowed = UNITS.get(said.quantity, ())
        if entry["quantity"] != "other" or len(allowed) < 1 or said.quantity == "duration":
            continue
        unit = next((each for each in units if each in allowed), allowed[0])
        if said.quantity != "temperature":
            entry = {"quantity": said.quantity, "unit": unit}
        elif said.sensor:
            entry = {"quantity": said.quantity, "unit": unit, "sensor": said.sensor}
    return entry, counts


def _label(cell: Cell) -> tuple[str, str]:
    """The words of the label, and the unit that ends it: ``Potenza W``."""
    if cell.label is None or not cell.label.sure:
        return "", ""
    words = cell.label.text.split()
    if cell.side == "left" and len(words) > 1 and not cell.figure.unit:
        unit = unit_of(words[-1])
        if unit:
            return " ".join(words[:-1]), unit
    return cell.label.text, ""


_TIMES = (("min", r"\bmin"), ("s", r"\bsec|\bseconds|\bs\b"), ("h", r"\bhours?\b|\bh\b"))
_ASK = "What is measured here?"
_OF_KIND = {"size": "render_size", "duration": "duration"}


def _quantity(kind: str, unit: str, said: Meaning, around: Meaning) -> tuple[str, str]:
    """The quantity, and what must be asked of it or ''."""
    told = (said.quantity, around.quantity)
    found = _OF_KIND.get(kind, "")
    if kind == "word":
        found = "outcome" if "outcome" in told else ""
    elif not found and unit:
        fit = (each for each in told if unit in UNITS.get(each, ()))
        found = next(fit, UNIT_QUANTITY.get(unit, ""))
        if unit == "%" and not found and "frame_rate" in told:
            found = "share_at_floor"
    elif not found and said.quantity in ("frame_rate", "count"):
        found = said.quantity
    return (found, "") if found else ("other", _ASK)
