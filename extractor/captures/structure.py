"""Whether a file is whole, seen from its structure alone; nothing is decoded.

A copy that was cut off is the commonest damage, and decoders fill what is missing with grey or
with the frame before. So the containers are walked from mark to mark, up to their end. TIFF is
walked by Pillow (see `stills`).
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

from ..errors import CaptureError

MAX_PIXELS = 100_000_000
MAX_SIDE = 65_500

PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"


@dataclass(frozen=True, slots=True)
class Outline:
    """What a still declares: px as stored, and how many pictures it holds."""

    width: int
    height: int
    pictures: int = 1


def check_size(width: int, height: int) -> None:
    """Raise CaptureError for a picture that is too large to be decoded safely, or has no area."""
    if width <= 0 or height <= 0:
        raise damaged(f"it declares a picture of {width} x {height} pixels")
    if max(width, height) > MAX_SIDE or width * height > MAX_PIXELS:
        raise CaptureError(
            f"it declares {width} x {height} pixels; at most {MAX_PIXELS // 1_000_000} million "
            f"are read, and at most {MAX_SIDE} a side",
            "Cut it to the part that shows the overlay, or make it smaller.",
        )


def ends_early(have: int, need: int | None = None, what: str = "") -> CaptureError:
    """The error for a file of ``have`` bytes that must have (at least) ``need``."""
    of = f"the file ends early: {have} of at least {need} bytes are there" if need else ""
    return CaptureError(
        of or f"the file ends early: {what} is missing after {have} bytes",
        "Copy it again from the device; this copy was cut off.",
    )


def damaged(how: str) -> CaptureError:
    """The error for a file whose structure makes no sense."""
    return CaptureError(
        f"the file is damaged: {how}", "Copy it again from the device, or take it out."
    )


# ---------------------------------------------------------------- stills


def png_chunks(data: bytes) -> Iterator[tuple[bytes, int, int]]:
    """Kind, start and end of the data of each chunk, up to IEND (W3C PNG, 5.3)."""
    at = len(PNG_SIGNATURE)
    while True:
        if at + 12 > len(data):
            raise ends_early(len(data), at + 12)
        length = int.from_bytes(data[at : at + 4], "big")
        kind = data[at + 4 : at + 8]
        if not kind.isalpha():
            raise damaged(f"no chunk begins at byte {at}")
        start, at = at + 8, at + 12 + length
        if at > len(data):
            raise ends_early(len(data), at)
        yield kind, start, start + length
        if kind == b"IEND":
            return


def outline_png(data: bytes) -> Outline:
    """Walk a PNG (W3C PNG, third edition) to IEND."""
    size: tuple[int, int] | None = None
    pictures, has_pixels = 1, False
    for kind, start, end in png_chunks(data):
        if kind == b"IHDR" and end - start == 13:
            size = struct.unpack_from(">II", data, start)
        elif kind == b"acTL" and end - start == 8:
            pictures = int.from_bytes(data[start : start + 4], "big")
        elif kind == b"IDAT":
            has_pixels = True
    if size is None or not has_pixels:
        raise damaged("it holds no picture")
    return Outline(*size, pictures)


_NEXT_MARKER = re.compile(rb"\xff[^\x00\xff]", re.DOTALL)
_AFTER_SCAN = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]", re.DOTALL)
_STARTS_OF_FRAME = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}


def outline_jpeg(data: bytes) -> Outline:
    """Walk a JPEG (ITU-T T.81, B.1) to the end of its first picture.

    What a device appends behind that (a moving picture, a second one) does not matter.
    """
    size: tuple[int, int] | None = None
    scans = 0
    at, marker_after = 2, _NEXT_MARKER
    while True:
        found = marker_after.search(data, at)
        if found is None:
            raise ends_early(len(data), what="the mark of the picture's end")
        marker, at, marker_after = data[found.end() - 1], found.end(), _NEXT_MARKER
        if marker == 0xD9:
            break
        if marker == 0x01 or 0xD0 <= marker <= 0xD8:
            continue
        if at + 2 > len(data):
            raise ends_early(len(data), at + 2)
        length = int.from_bytes(data[at : at + 2], "big")
        if length < 2:
            raise damaged(f"the segment at byte {at} has no length")
        if at + length > len(data):
            raise ends_early(len(data), at + length)
        if marker in _STARTS_OF_FRAME and length >= 8 and size is None:
            height, width = struct.unpack_from(">HH", data, at + 3)
            size = width, height
        if marker == 0xDA:
            scans += 1
            marker_after = _AFTER_SCAN
        at += length
    if size is None or not scans:
        raise damaged("it holds no picture")
    return Outline(*size)


def outline_webp(data: bytes) -> Outline:
    """Walk a WebP (RFC 9649) to the end that its RIFF header states."""
    whole = 8 + int.from_bytes(data[4:8], "little")
    if whole > len(data):
        raise ends_early(len(data), whole)
    size: tuple[int, int] | None = None
    animation, at = 0, 12
    while at + 8 <= whole:
        kind, length = data[at : at + 4], int.from_bytes(data[at + 4 : at + 8], "little")
        start, at = at + 8, at + 8 + length
        if at > whole:
            raise damaged(f"its part at byte {start} is longer than the file says")
        if size is None:
            size = _webp_size(kind, data[start : min(at, start + 10)])
        animation += kind == b"ANMF"
        at += length % 2
    if size is None:
        raise damaged("it holds no picture")
    return Outline(*size, max(1, animation))


def _webp_size(kind: bytes, start: bytes) -> tuple[int, int] | None:
    if len(start) < 10 and not (kind == b"VP8L" and len(start) >= 5):
        return None
    if kind == b"VP8X":
        return (
            1 + int.from_bytes(start[4:7], "little"),
            1 + int.from_bytes(start[7:10], "little"),
        )
    if kind == b"VP8 ":
        return (
            int.from_bytes(start[6:8], "little") & 0x3FFF,
            int.from_bytes(start[8:10], "little") & 0x3FFF,
        )
    if kind == b"VP8L":
        bits = int.from_bytes(start[1:5], "little")
        return 1 + (bits & 0x3FFF), 1 + (bits >> 14 & 0x3FFF)
    return None


def outline_gif(data: bytes) -> Outline:
    """Walk a GIF (GIF89a specification, appendix B) to its trailer."""

    def table(flags: int) -> int:
        return 3 << (flags & 7) + 1 if flags & 0x80 else 0

    def after_blocks(at: int) -> int:
        while data[at]:
            at += 1 + data[at]
        return at + 1

    pictures = 0
    try:
        at = 13 + table(data[10])
        while (kind := data[at]) != 0x3B:
            if kind == 0x21:
                at = after_blocks(at + 2)
            elif kind == 0x2C:
                pictures += 1
                at = after_blocks(at + 11 + table(data[at + 9]))
            else:
                raise damaged(f"no block begins at byte {at}")
    except IndexError:
        raise ends_early(len(data), what="the mark of the picture's end") from None
    if not pictures:
        raise damaged("it holds no picture")
    width, height = struct.unpack_from("<HH", data, 6)
    return Outline(width, height, pictures)


def outline_bmp(data: bytes) -> Outline:
    """Hold a BMP's pixel data against the length of the file."""
    if len(data) < 54:
        raise ends_early(len(data), 54)
    offset, header = struct.unpack_from("<II", data, 10)
    if header == 12:
        width, height, _, bits = struct.unpack_from("<HHHH", data, 18)
        compression = stored = 0
    else:
        width, height, _, bits, compression, stored = struct.unpack_from("<iiHHII", data, 18)
        height = abs(height)
    if compression in (1, 2):  # run lengths
        need = offset + stored
    else:
        need = offset + (width * bits + 31) // 32 * 4 * height
    check_size(width, height)
    if need > len(data):
        raise ends_early(len(data), need)
    return Outline(width, height)


# ---------------------------------------------------------------- boxes: HEIC, AVIF, MP4, MOV


def check_boxes(file: BinaryIO, size: int, needed: dict[bytes, str]) -> None:
    """Walk the boxes of a file (ISO/IEC 14496-12, 4.2) to its end.

    Each of ``needed`` must be there: its kind, and what to call it. Bytes behind the needed boxes
    that are no box are let be: some devices append their own.
    """
    missing = dict(needed)
    at = 0
    while at < size:
        file.seek(at)
        head = file.read(16)
        length, kind = int.from_bytes(head[:4], "big"), head[4:8]
        if len(head) < 8:
            raise ends_early(size, at + 8)
        if not missing and not all(32 <= letter < 127 or letter == 0xA9 for letter in kind):
            return
        if length == 1:
            if len(head) < 16:
                raise ends_early(size, at + 16)
            length = int.from_bytes(head[8:], "big")
        elif length == 0:
            length = size - at
        if length < 8:
            raise damaged(f"no box begins at byte {at}")
        if at + length > size:
            raise ends_early(size, at + length)
        missing.pop(kind, None)
        if kind == b"moof":  # a movie in fragments
            missing.pop(b"mdat", None)
        at += length
    for what in missing.values():
        raise ends_early(size, what=what)


# ---------------------------------------------------------------- Matroska, WebM

_SEGMENT = 0x18538067
_CLUSTER = 0x1F43B675
_UNKNOWN_LENGTH = -1


def check_matroska(file: BinaryIO, size: int) -> None:
    """Walk the elements of a Matroska or WebM file (RFC 8794, RFC 9559) to its end.

    A segment or cluster of unknown length, as in a stream, is walked element by element.
    """
    at = 0
    while at < size:
        file.seek(at)
        element, length, head = _element(file.read(12), at, size)
        if length == _UNKNOWN_LENGTH:
            if element not in (_SEGMENT, _CLUSTER):
                raise damaged(f"the element at byte {at} has no length")
            length = 0
        at += head + length
        if at > size:
            raise ends_early(size, at)
        if element == _SEGMENT and length:
            return  # what follows the segment does not matter


def _element(head: bytes, at: int, size: int) -> tuple[int, int, int]:
    """Id, length of the data (or `_UNKNOWN_LENGTH`) and length of the head of an element."""

    def width(position: int, most: int) -> int:
        if position >= len(head):
            raise ends_early(size, at + position + 1)
        bytes_wide = 9 - head[position].bit_length()
        if bytes_wide > most:
            raise damaged(f"no element begins at byte {at}")
        if position + bytes_wide > len(head):
            raise ends_early(size, at + position + bytes_wide)
        return bytes_wide

    id_wide = width(0, 4)
    length_wide = width(id_wide, 8)
    whole = id_wide + length_wide
    length = int.from_bytes(head[id_wide:whole], "big") & (1 << 7 * length_wide) - 1
    if length == (1 << 7 * length_wide) - 1:
        length = _UNKNOWN_LENGTH
    return int.from_bytes(head[:id_wide], "big"), length, whole
