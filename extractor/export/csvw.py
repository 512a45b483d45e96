"""csv-metadata.json: the tables described as W3C "Metadata Vocabulary for Tabular Data" says."""

from __future__ import annotations

import json
from collections.abc import Sequence
from urllib.parse import quote

from extractor.export.grids import Grid
from extractor.records import Column, DType

METADATA_FILE = "csv-metadata.json"
_DATATYPE: dict[DType, str] = {"text": "string", "number": "double", "integer": "integer"}


def metadata(grids: Sequence[Grid]) -> bytes:
    """Return csv-metadata.json for the tables: each column's type, unit and meaning."""
    group = {
        "@context": "http://www.w3.org/ns/csvw",
        "dialect": {"encoding": "utf-8", "lineTerminators": ["\r\n"], "header": True},
        "tables": [
            {
                "url": f"{grid.table.name}.csv",
                "dc:description": grid.table.meaning,
                "tableSchema": {"columns": [_column(column) for column in grid.columns]},
            }
            for grid in grids
        ],
    }
    return (json.dumps(group, ensure_ascii=False, indent=2) + "\n").encode()


def _column(column: Column) -> dict[str, object]:
    entry: dict[str, object] = {
        # A name is a variable of a URI template (RFC 6570, 2.3): letters, digits, _ and .
        "name": quote(column.name, safe=".").replace("-", "%2D"),
        "titles": column.name,
        "datatype": _DATATYPE[column.dtype],
        "dc:description": column.meaning,
    }
    if column.unit:
        entry["schema:unitText"] = column.unit
    if column.required:
        entry["required"] = True
    return entry
