"""ocrlog reads performance figures off captures of a monitoring overlay.

The doors for a notebook are named here and loaded when they are first used:

    from extractor import compare, extract, read_figures, read_readings
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from extractor.comparing import compare
    from extractor.export import read_readings
    from extractor.extracting import extract
    from extractor.reading import read_figures

_DOORS = {
    "compare": "extractor.comparing",
    "extract": "extractor.extracting",
    "read_figures": "extractor.reading",
    "read_readings": "extractor.export",
}


def __getattr__(name: str) -> object:
    if name not in _DOORS:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    import importlib

    return getattr(importlib.import_module(_DOORS[name]), name)


__all__ = ["compare", "extract", "read_figures", "read_readings"]
