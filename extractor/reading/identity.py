"""What a cached reading depends on beside its picture; imports nothing heavy."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version

from extractor.reading.nets import net_identity, own_identity

METHOD = 34
"""Counted up whenever looks, cutting, decoding or calibration change what is read in layouts.

Bare crops are no part of it: of what is cached, only charts read them (``traces.METHOD``).
"""


def reader_identity() -> str:
    """Name the readers by weights' hash and library versions, and the way they are used."""
    return f"method={METHOD} {own_identity()} {net_identity('rec')} {tesseract_identity()}"


def tesseract_identity() -> str:
    """Name the package through which Tesseract is reached."""
    for package in ("tesserocr", "pytesseract"):
        try:
            return f"{package}={version(package)}"
        except PackageNotFoundError:
            continue
    return "tesseract=none"
