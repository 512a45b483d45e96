"""Work that goes wrong in a worker process; in a module of its own, since workers import it."""

from __future__ import annotations

import os

from extractor.extracting import crew
from extractor.records import Capture, Problem

_do = crew._do


def die_on_mark(item: crew.Item) -> Problem | None:
    """End the process without a word where the name says so, as a broken codec would."""
    if "deadly" in item.path:
        os._exit(9)
    return _do(item)


def fail_on_mark(item: crew.Item) -> Problem | None:
    """Meet a defect of ocrlog on one capture."""
    worker = crew._Here.worker
    if "defect" in item.path:
        crew._Here.worker = None  # type: ignore[assignment]
    try:
        return _do(item)
    finally:
        crew._Here.worker = worker


def away_while_read(item: crew.Item) -> Problem | None:
    """Take one file away before it is read, as a share does that drops out."""
    if isinstance(item, Capture) and item.path == "20260110_101500.png":
        item.file.rename(item.file.with_name(item.file.name + ".away"))
    return _do(item)
