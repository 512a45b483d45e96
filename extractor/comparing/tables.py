"""The comparison as Markdown and as a workbook, for people."""

from __future__ import annotations

import io
from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from extractor.comparing.deriving import label
from extractor.comparing.report import CAUTION
from extractor.comparing.whole import Comparison, comparison_grid, rounds_grid, summary_table
from extractor.export.grids import Grid

if TYPE_CHECKING:
    from openpyxl import Workbook


def markdown(whole: Comparison) -> str:
    """The first rounds, verdicts, warnings and what is missing, as Markdown."""
    from tabulate import tabulate

    header, rows = summary_table(whole)
    first = tabulate(
        _escaped(rows), _escaped([header])[0], tablefmt="github", disable_numparse=True
    )
    verdicts = tabulate(
        _escaped(
            [
                [label(v.device, v.variant), str(v.round), v.words, "; ".join(v.evidence)]
                for v in whole.verdicts
            ]
        ),
        ["device", "round", "verdict", "evidence"],
        tablefmt="github",
        disable_numparse=True,
    )
    parts = [
        f"# Comparison{': ' + whole.session.scene if whole.session.scene else ''}",
        "First rounds; in brackets the rank, 1 is best.",
        first,
        "## Verdicts",
        verdicts,
        "## Warnings",
        _list([each.text for each in whole.warnings]),
        "## What is missing",
        _list([each.words for each in whole.todos]),
    ]
    if whole.notices:
        parts += ["## What could not be used", _list(whole.notices)]
    return "\n\n".join([*parts, f"**Care:** {CAUTION}"]) + "\n"


def _escaped(rows: Sequence[Sequence[str]]) -> list[list[str]]:
    return [[cell.replace("|", "\\|").replace("\n", " ") for cell in row] for row in rows]


def _list(lines: Sequence[str]) -> str:
    return "\n".join(f"- {line}" for line in lines) or "None."


def workbook(whole: Comparison) -> bytes:
    """A workbook with a sheet each: first rounds, comparison, rounds."""
    from openpyxl import Workbook

    book = Workbook()
    # The same data give the same workbook, whenever it is made.
    book.properties.created = book.properties.modified = datetime(2000, 1, 1)
    header, rows = summary_table(whole)
    assert book.active is not None
    book.remove(book.active)
    _sheet(book, "first rounds", [header, *rows])
    _sheet(book, "comparison", _cells(comparison_grid(whole)))
    _sheet(book, "rounds", _cells(rounds_grid(whole.rounds)))
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _cells(grid: Grid) -> list[Sequence[object]]:
    return [[column.name for column in grid.columns], *grid.rows]


def _sheet(book: Workbook, title: str, rows: Sequence[Sequence[object]]) -> None:
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
    from openpyxl.styles import Font

    sheet = book.create_sheet(title)
    for number, row in enumerate(rows, start=1):
        for column, value in enumerate(row, start=1):
            if value is None or value == "":
                continue
            cell = sheet.cell(number, column)
            if isinstance(value, str):
                cell.value = ILLEGAL_CHARACTERS_RE.sub("", value)
                cell.data_type = "s"  # a text that starts with = is no formula
            else:
                cell.value = value
            if number == 1:
                cell.font = Font(bold=True)
    sheet.freeze_panes = "B2"
