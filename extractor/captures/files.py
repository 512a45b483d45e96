"""Reading files, and the identity of their content."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

import xxhash

from ..errors import CaptureError

MAX_STILL = 1 << 30
"""Bytes: more than 100 million pixels take in any form that is read."""

_PIECE = 1 << 20


def changed() -> CaptureError:
    """The error for a file that is no longer the one that was inspected."""
    return CaptureError(
        "the file changed while ocrlog was at work", "Run ocrlog again.", passing=True
    )


def identity(data: bytes) -> str:
    """Identity of a content: xxh3-128 in hex, ``-``, the size in bytes."""
    return f"{xxhash.xxh3_128_hexdigest(data)}-{len(data)}"


def identity_of_file(file: BinaryIO) -> str:
    """`identity` of an open file from its beginning, a piece at a time."""
    digest, size = xxhash.xxh3_128(), 0
    file.seek(0)
    while piece := file.read(_PIECE):
        digest.update(piece)
        size += len(piece)
    return f"{digest.hexdigest()}-{size}"


@contextmanager
def reading(file: Path) -> Iterator[BinaryIO]:
    """Open a file to read; what the system refuses, then or later, is a CaptureError."""
    try:
        with file.open("rb") as opened:
            yield opened
    except OSError as error:
        raise CaptureError(
            f"the file cannot be read ({error.strerror or error})",
            "Give yourself the right to read it, or copy it again from the device.",
            passing=True,
        ) from error


def read_whole(file: Path) -> bytes:
    """All bytes of a still; raises CaptureError if it cannot be read or is too long."""
    with reading(file) as opened:
        data = opened.read(MAX_STILL + 1)
    if len(data) > MAX_STILL:
        raise CaptureError(
            f"the file has more than {MAX_STILL} bytes, so it is no still of up to 100 million "
            "pixels",
            "Save it as a PNG, or take it out of the folder.",
        )
    return data
