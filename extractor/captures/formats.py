"""What a file is, told by its first bytes; the ending is never believed."""

from __future__ import annotations

import codecs
from typing import Literal

from ..errors import CaptureError

Form = Literal["PNG", "JPEG", "WEBP", "GIF", "BMP", "TIFF", "HEIF", "AVIF", "MP4", "MATROSKA"]
RECORDINGS: frozenset[Form] = frozenset({"MP4", "MATROSKA"})
HEAD = 4096
"""Bytes of the beginning that `tell` should see."""

_STARTS: tuple[tuple[bytes, Form], ...] = (
    (b"\x89PNG\r\n\x1a\n", "PNG"),
    (b"\xff\xd8\xff", "JPEG"),
    (b"GIF87a", "GIF"),
    (b"GIF89a", "GIF"),
    (b"II*\0", "TIFF"),
    (b"MM\0*", "TIFF"),
    (b"II+\0", "TIFF"),
    (b"MM\0+", "TIFF"),
    (b"\x1a\x45\xdf\xa3", "MATROSKA"),
)
_BITMAP_HEADERS = (12, 40, 52, 56, 64, 108, 124)
# Brands: ISO/IEC 23008-12 (HEIF), AV1 Image File Format; any other brand is a movie
# (ISO/IEC 14496-12). Before `ftyp` was invented a movie began with one of `_MOVIE_STARTS`.
_AVIF_BRANDS = frozenset({b"avif", b"avis"})
_HEIF_BRANDS = frozenset({b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"})
_MOVIE_STARTS = frozenset({b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot", b"styp"})

_OTHERS: tuple[tuple[int, bytes, str], ...] = (
    (0, b"%PDF", "a PDF document"),
    (0, b"PK\x03\x04", "a ZIP archive or an office document"),
    (0, b"\x1f\x8b", "a gzip archive"),
    (0, b"7z\xbc\xaf", "a 7z archive"),
    (0, b"Rar!", "a RAR archive"),
    (0, b"8BPS", "a layered picture of a picture editor (PSD)"),
    (0, b"\xff\x0a", "a JPEG XL picture"),
    (4, b"JXL ", "a JPEG XL picture"),
    (4, b"jP  ", "a JPEG 2000 picture"),
    (8, b"AVI ", "an AVI recording"),
    (8, b"WAVE", "a sound file"),
    (0, b"ID3", "a sound file"),
    (0, b"OggS", "an Ogg file"),
    (0, b"FLV\x01", "an FLV recording"),
    (0, b"\x30\x26\xb2\x75", "an ASF recording"),
    (188, b"\x47", "an MPEG transport stream"),
    (0, b"version https://git-lfs", "only a pointer to the capture (Git LFS)"),
    (0, b"bplist", "a property list"),
    (0, b"SQLite format 3", "a database"),
)


def tell(head: bytes) -> Form:
    """What a file that begins with ``head`` is; raises CaptureError if it is no capture."""
    for start, form in _STARTS:
        if head.startswith(start):
            return form
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return "WEBP"
    if head[:2] == b"BM" and int.from_bytes(head[14:18], "little") in _BITMAP_HEADERS:
        return "BMP"
    if head[4:8] == b"ftyp":
        length = int.from_bytes(head[:4], "big")
        brands = {head[8:12]} | {head[i : i + 4] for i in range(16, min(length, len(head)), 4)}
        if brands & _AVIF_BRANDS:
            return "AVIF"
        return "HEIF" if brands & _HEIF_BRANDS else "MP4"
    if head[4:8] in _MOVIE_STARTS:
        return "MP4"
    raise _no_capture(head)


def _no_capture(head: bytes) -> CaptureError:
    if not head:
        return CaptureError("the file is empty", "Copy it again from the device.")
    if not head.strip(b"\0"):
        return CaptureError(
            "the file holds zeros instead of a capture", "Copy it again from the device."
        )
    return CaptureError(
        f"it is {_other(head)}, neither a picture nor a recording that can be read",
        "Save it as PNG or MP4, or take it out of the folder.",
    )


def _other(head: bytes) -> str:
    for offset, beginning, name in _OTHERS:
        if head[offset : offset + len(beginning)] == beginning:
            return name
    text = _text(head)
    if text is None:
        return "a file of a form that is not known"
    text = text.lstrip().lower()
    if text.startswith(("<!doctype html", "<html")):
        return "a web page"
    return "a vector picture (SVG)" if "<svg" in text else "text"


def _text(head: bytes) -> str | None:
    """``head`` as text, or None if it is none."""
    utf16 = head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    decoder = codecs.getincrementaldecoder("utf-16" if utf16 else "utf-8-sig")()
    try:
        text = decoder.decode(head)
    except UnicodeDecodeError:
        return None
    return None if any(ord(char) < 32 and char not in "\t\n\r\f" for char in text) else text
