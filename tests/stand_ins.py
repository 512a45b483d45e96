"""Work that goes wrong in a worker process; in a module of its own, since workers import it."""

from __future__ import annotations

import os

from extractor.extracting import crew
from extractor.records import Problem

_do = crew._do


def die_on_mark(item: crew.Item) -> Problem | None:
    """End the process without a word where the name says so, as a broken codec would."""
    if "deadly" in item.path:
        os._exit(9)
    return _do(item)


def fail_on_mark(item: crew.Item) -> Problem | None:
    """Meet a defect of ocrlog on one capture."""
    if "defect" in item.path:
        _do.__globals__["_Here"].worker = None
    return _do(item)
