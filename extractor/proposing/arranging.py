"""Which label belongs to which figure: beside, above or below it, and what heads its column.

Overlays are grids: what holds for most figures of one holds for all. So the side on which labels
stand is settled for all figures together, and a label whose figure could not be read shows by its
place among the others.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from extractor.proposing.pieces import COLUMN, Figure, Label, Pieces, in_column, same_row
from extractor.records import Box

Side = Literal["left", "above", "below", "inline", "none"]
_REACH = 1.3
"""Greatest gap between a figure and the label above or below it, heights of the figure's type."""


@dataclass(frozen=True, slots=True)
class Cell:
    """A figure (or a word in its place) with the words around it.

    ``label`` names it, ``head`` heads its column, ``section`` heads the card it stands in.
    ``unread``: something is drawn there that is no figure: a word, or a mark for no value.
    """

    figure: Figure
    label: Label | None = None
    side: Side = "none"
    head: Label | None = None
    section: Label | None = None
    unread: bool = False


def arrange(pieces: Pieces, figures: Sequence[Figure]) -> list[Cell]:
    """Give every one of ``figures`` its words; cells of words and missing figures are added."""
    plain = [figure for figure in figures if not figure.inline]
    labels = _believable(pieces.labels, plain)
    choices: tuple[Side, ...] = ("below", "above", "left")
    sides = {side: _sided(plain, labels, side) for side in choices}
    ranked = sorted(sides, key=lambda side: -_worth(plain, sides[side], side))
    cells: list[Cell] = []
    taken: set[int] = set()
    for side in ranked:
        for figure in plain:
            label = sides[side].get(id(figure))
            done = any(cell.figure is figure for cell in cells)
            free = label is not None and (side == "left" or id(label) not in taken)
            if not done and free and (side == ranked[0] or label is not None):
                cells.append(Cell(figure, label, side))
                taken.add(id(label))
    cells += [Cell(figure) for figure in plain if not any(cell.figure is figure for cell in cells)]
    added, consumed = _filled(cells, labels, pieces.labels)
    cells += added
    consumed |= {id(cell.label) for cell in cells}
    rest = [label for label in labels if id(label) not in consumed]
    cells = [replace(cell, head=_head(cell, cells, rest)) for cell in cells]
    heads = {id(cell.head) for cell in cells if cell.head}
    sections = [label for label in rest if id(label) not in heads and label.sure]
    cells = [replace(cell, section=_section(cell, sections)) for cell in cells]
    for figure in figures:
        if figure.inline:
            first = next(
                (each for each in pieces.labels
                 if each.text == figure.before and same_row(each.box, figure.box)), None
            )  # fmt: skip
            made = first or Label(figure.before, figure.box, True)
            cells.append(Cell(figure, made, "inline"))
    return sorted(cells, key=lambda cell: (round(cell.figure.box.y / 8), cell.figure.box.x))


def _believable(labels: Sequence[Label], figures: Sequence[Figure]) -> list[Label]:
    """Labels that could be read, and unread ones that line up with others or head a column."""
    beside = [
        label
        for label in labels
        if any(same_row(label.box, f.box) and label.box.right < f.box.x for f in figures)
    ]
    boxes = [figure.box for figure in figures]

    def heads(label: Label) -> bool:
        column = in_column(label.box, boxes)
        return len(column) >= COLUMN and not any(
            same_row(label.box, box) or box.y < label.box.y for box in column
        )

    found = []
    for label in labels:
        letters = sum(char.isalpha() for char in label.text)
        lined_up = sum(
            abs(label.box.x - other.box.x) < 0.4 * other.box.h
            and 0.6 < label.box.h / other.box.h < 1.7
            for other in beside
        )
        if (label.sure and letters >= 2) or lined_up >= 3 or (letters >= 2 and heads(label)):
            found.append(label)
    return found


def _gap(figure: Figure, label: Label, side: str) -> float | None:
    """Distance of a label from its figure in heights of type; None where it cannot be its label."""
    box, type_height = figure.box, figure.type_height
    lettering = label.box
    if side == "left":
        if not same_row(box, lettering) or lettering.right > box.x + 0.2 * type_height:
            return None
        return (box.x - lettering.right) / type_height
    down = lettering.y - box.bottom if side == "below" else box.y - lettering.bottom
    aligned = min(
        abs(lettering.x - box.x),
        abs(lettering.right - max(box.right, figure.end)),
        abs(lettering.x + lettering.w / 2 - (box.x + max(box.right, figure.end)) / 2),
    )
    if not -0.2 * type_height < down < _REACH * type_height or aligned > 0.7 * type_height:
        return None
    return down / type_height


def _sided(figures: Sequence[Figure], labels: Sequence[Label], side: str) -> dict[int, Label]:
    """The nearest label of each figure on one side."""
    found = {}
    for figure in figures:
        near = [(gap, label) for label in labels
                if (gap := _gap(figure, label, side)) is not None]  # fmt: skip
        if near:
            found[id(figure)] = min(near, key=lambda each: each[0])[1]
    return found


def _worth(figures: Sequence[Figure], sided: dict[int, Label], side: str) -> float:
    """How well a side explains where labels stand: near ones, each of one figure."""
    shared = Counter(id(label) for label in sided.values())
    worth = 0.0
    for figure in figures:
        label = sided.get(id(figure))
        if label is None:
            continue
        gap = _gap(figure, label, side) or 0.0
        if side == "left":
            worth += 1 / (1 + 0.05 * gap)
        else:
            worth += 1 / (1 + gap) / shared[id(label)]
    return worth


def _filled(
    cells: Sequence[Cell], labels: Sequence[Label], pieces: Sequence[Label]
) -> tuple[list[Cell], set[int]]:
    """Cells whose label lines up with others while something else stands in the figure's place.

    Returned with the ids of the pieces that are no labels of their own then.
    """
    named = [cell for cell in cells if cell.label and cell.side in ("left", "above", "below")]
    used = {id(cell.label) for cell in named}
    added: list[Cell] = []
    for label in labels:
        if id(label) in used:
            continue
        kin = [
            cell
            for cell in named
            if cell.label
            and 0.75 < label.box.h / cell.label.box.h < 1.4
            and (abs(cell.label.box.x - label.box.x) < 0.4 * label.box.h
                 or (cell.side != "left" and same_row(cell.label.box, label.box)))
        ]  # fmt: skip
        if not kin:
            continue
        side = Counter(cell.side for cell in kin).most_common(1)[0][0]
        for other in pieces:
            stands = _stands(other, label, side, kin)
            if other is not label and id(other) not in used and stands:
                height = float(np.median([cell.figure.box.h for cell in kin]))
                middle = other.box.y + other.box.h / 2
                box = Box(other.box.x, middle - height / 2, other.box.w, height)
                digits = any(char.isdigit() for char in other.text)
                word = sum(map(str.isalpha, other.text)) >= 3 and other.sure and not digits
                # what is that low is no letter: dashes, the commonest mark for no value
                dashes = "--" if not word and other.box.h < 0.6 * height else ""
                figure = Figure(
                    other.text if word else dashes, "word" if word else "number", box, "",
                    box.right, box.right, label.text, inline=False,
                )  # fmt: skip
                added.append(Cell(figure, label, side, unread=True))
                used |= {id(label), id(other)}
                break
    return added, used


def _stands(other: Label, label: Label, side: str, kin: Sequence[Cell]) -> bool:
    """Whether ``other`` stands where the figure of ``label`` is to be expected."""
    figure = min(kin, key=lambda cell: abs(cell.figure.box.y - other.box.y)).figure
    if side == "left":
        columns = [cell.figure.box for cell in kin]
        left, right = min(b.x for b in columns), max(b.right for b in columns)
        inside = left - 2 * figure.box.h < other.box.x and other.box.right < right + figure.box.h
        return same_row(other.box, label.box) and inside and other.box.x > label.box.right
    as_high = 0.8 < other.box.h / figure.box.h < 1.6 or not other.sure
    trial = replace(figure, box=other.box, end=other.box.right)
    return as_high and _gap(trial, label, side) is not None


def _head(cell: Cell, cells: Sequence[Cell], rest: Sequence[Label]) -> Label | None:
    """The label that heads the column of a cell whose own label stands in its row."""
    if cell.side != "left":
        return None
    box = cell.figure.box
    above = [
        label
        for label in rest
        if label.box.bottom <= box.y
        and in_column(label.box, [box])
        and not any(same_row(label.box, other.figure.box) for other in cells)
    ]  # fmt: skip
    return max(above, key=lambda label: label.box.y, default=None)


def _section(cell: Cell, rest: Sequence[Label]) -> Label | None:
    """The nearest heading above a cell that names nothing else and starts no further right."""
    box = cell.figure.box
    above = [
        label for label in rest
        if label.box.bottom <= box.y and label.box.x < box.right
        and label.box.y > box.y - 40 * box.h
    ]  # fmt: skip
    return max(above, key=lambda label: label.box.y, default=None)
