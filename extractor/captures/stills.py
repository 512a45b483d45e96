"""Stills: what they say of themselves, and their pixels, upright RGB.

Pillow reads the headers. OpenCV decodes the common forms (JPEG five times faster, the same
pixels); Pillow decodes the rest. Transparent pixels are laid over black, 16 bits a channel lose
the lower 8, wide gamuts and HDR are left as they are stored.
"""

from __future__ import annotations

import io
import warnings
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from ..errors import CaptureError
from ..records import Capture
from .files import changed, identity, read_whole
from .formats import HEAD, Form, tell
from .structure import (
    PNG_SIGNATURE,
    Outline,
    check_boxes,
    check_size,
    damaged,
    ends_early,
    outline_bmp,
    outline_gif,
    outline_jpeg,
    outline_png,
    outline_webp,
    png_chunks,
)
from .taken import taken_from_exif
from .upright import turned, upright

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from PIL import Image

_OUTLINES: dict[Form, Callable[[bytes], Outline]] = {
    "PNG": outline_png,
    "JPEG": outline_jpeg,
    "WEBP": outline_webp,
    "GIF": outline_gif,
    "BMP": outline_bmp,
}
_NEEDED_BOXES = {b"meta": "the description of the picture"}
_OFFSETS_AND_LENGTHS = ((273, 279), (324, 325))  # TIFF 6.0: strips, tiles
_EXIF, _ORIENTATION, _MAKE, _MODEL = 0x8769, 0x0112, 0x010F, 0x0110
_ORIGINAL, _FRACTION, _OFFSET = 0x9003, 0x9291, 0x9011


@dataclass(frozen=True, slots=True)
class StillFacts:
    """What a still says of itself: px upright, ``taken`` and ``camera`` from EXIF, or ''."""

    width: int
    height: int
    taken: str
    camera: str


def describe_still(form: Form, data: bytes) -> StillFacts:
    """Check that a still is whole and of a size that can be decoded, and read its EXIF tags."""
    if form in _OUTLINES:
        outline = _OUTLINES[form](data)
        check_size(outline.width, outline.height)
        _check_single(outline.pictures)
    elif form in ("HEIF", "AVIF"):
        check_boxes(io.BytesIO(data), len(data), _NEEDED_BOXES)
    picture = _open(form, data)
    check_size(*picture.size)
    if form in ("TIFF", "AVIF"):
        _check_pages(form, picture, len(data))
    tags = _exif(form, data, picture)
    inner = tags.get_ifd(_EXIF)
    width, height = turned(picture.size, _orientation(form, tags))
    return StillFacts(
        width,
        height,
        taken_from_exif(inner.get(_ORIGINAL), inner.get(_FRACTION), inner.get(_OFFSET)),
        _camera(tags.get(_MAKE), tags.get(_MODEL)),
    )


def read_still(capture: Capture, rows: tuple[int, int] | None = None) -> NDArray[np.uint8]:
    """Decode a still.

    Returns RGB, uint8, (h, w, 3), upright: all of it, or the upright rows ``rows[0]`` to
    ``rows[1]`` (not included). Fewer rows are faster where the form allows it (PNG). Raises
    CaptureError if the file cannot be decoded or is no longer the one that was inspected.
    """
    data = read_whole(capture.file)
    if identity(data) != capture.content:
        raise changed()
    form = tell(data[:HEAD])
    picture = _open(form, data)
    orientation = _orientation(form, _exif(form, data, picture))
    first, last = (0, capture.height) if rows is None else (rows[0], min(rows[1], capture.height))
    high = capture.height
    if form == "PNG" and orientation == 1 and 0 < last < picture.height:
        beginning = _png_beginning(data, last)
        if beginning is not None:
            data, picture, high = beginning, _open(form, beginning), last
    pixels = upright(_decode(form, data, picture), orientation)
    if pixels.shape[:2] != (high, capture.width):
        raise damaged(
            f"it declares {capture.width} x {high} px and holds {pixels.shape[1]} x "
            f"{pixels.shape[0]}"
        )
    return pixels[max(0, first) : last]


# ---------------------------------------------------------------- headers


def _open(form: Form, data: bytes) -> Image.Image:
    """Pillow's picture with its header read, nothing decoded."""
    from PIL import AvifImagePlugin, Image

    if form == "HEIF":
        import pillow_heif

        pillow_heif.register_heif_opener(decode_threads=1, thumbnails=False)
    AvifImagePlugin.DEFAULT_MAX_THREADS = 1
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return Image.open(io.BytesIO(data), formats=[form])
    except Image.DecompressionBombError:
        raise CaptureError(
            "it declares more than 100 million pixels",
            "Cut it to the part that shows the overlay, or make it smaller.",
        ) from None
    except Exception as error:  # decoders raise what they like on damaged files
        raise damaged(f"it cannot be opened as {form} ({error})") from error


def _exif(form: Form, data: bytes, picture: Image.Image) -> Image.Exif:
    """EXIF tags; damaged ones count as absent, since the pixels may be whole."""
    from PIL import Image

    tags = Image.Exif()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            if form != "PNG":
                tags = picture.getexif()
            else:  # Pillow would decode the whole picture to find the chunk
                for kind, start, end in png_chunks(data):
                    if kind == b"eXIf":
                        tags.load(data[start:end])
            tags.get_ifd(_EXIF)
    except Exception:
        return Image.Exif()
    return tags


def _orientation(form: Form, tags: Image.Exif) -> int:
    """The EXIF orientation that is still to be applied: Pillow itself turns TIFF and HEIC."""
    value: object = 1 if form in ("TIFF", "HEIF") else tags.get(_ORIENTATION)
    return value if isinstance(value, int) and 1 <= value <= 8 else 1


def _camera(make: object, model: object) -> str:
    parts = [part.strip("\0 ") for part in (make, model) if isinstance(part, str)]
    if len(parts) == 2 and parts[1].lower().startswith(parts[0].lower()):
        return parts[1]
    return " ".join(part for part in parts if part)


def _check_single(pictures: int) -> None:
    if pictures > 1:
        raise CaptureError(
            f"it holds {pictures} pictures (an animation or pages), and only one would be read",
            "Save an animation as MP4, or each picture as a PNG.",
        )


def _check_pages(form: Form, picture: Image.Image, size: int) -> None:
    """Check what Pillow learns only when asked; raises CaptureError."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            if form == "TIFF":
                _check_strips(picture, size)
            pictures = int(getattr(picture, "n_frames", 1))
    except CaptureError:
        raise
    except Exception as error:  # decoders raise what they like on damaged files
        raise damaged(f"its pages cannot be counted ({error})") from error
    _check_single(pictures)


def _check_strips(picture: Image.Image, size: int) -> None:
    tags: Any = picture.tag_v2  # type: ignore[attr-defined]
    for offsets, lengths in _OFFSETS_AND_LENGTHS:
        ends = [a + b for a, b in zip(tags.get(offsets, ()), tags.get(lengths, ()), strict=False)]
        if max(ends, default=0) > size:
            raise ends_early(size, max(ends))


# ---------------------------------------------------------------- pixels


def _decode(form: Form, data: bytes, picture: Image.Image) -> NDArray[np.uint8]:
    """RGB as stored, before it is turned upright."""
    plain = picture.mode in ("RGB", "L") and not picture.has_transparency_data
    try:
        if form in ("PNG", "JPEG", "WEBP") and (plain or picture.mode == "RGBA"):
            pixels = _decode_cv2(data, plain)
        else:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                pixels = _decode_pillow(picture)
    except CaptureError:
        raise
    except Exception as error:  # decoders raise what they like on damaged files
        raise damaged(f"it cannot be decoded ({error})") from error
    if pixels.shape != (picture.height, picture.width, 3):
        raise damaged("it holds another picture than it declares")
    return pixels


def _decode_cv2(data: bytes, plain: bool) -> NDArray[np.uint8]:
    import cv2

    cv2.setNumThreads(1)
    how = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION if plain else cv2.IMREAD_UNCHANGED
    pixels: Any = cv2.imdecode(np.frombuffer(data, np.uint8), how)
    if pixels is None:
        raise damaged("it cannot be decoded")
    if not plain:
        if pixels.dtype == np.uint16:
            pixels = (pixels >> 8).astype(np.uint8)
        pixels = _over_black(cv2.cvtColor(pixels, cv2.COLOR_BGRA2RGBA))
    return cast("NDArray[np.uint8]", pixels)


def _decode_pillow(picture: Image.Image) -> NDArray[np.uint8]:
    if picture.mode.startswith("I;16"):
        grey = (np.asarray(picture) >> 8).astype(np.uint8)
        return np.repeat(grey[:, :, None], 3, axis=2)
    if picture.mode in ("I", "F"):
        raise CaptureError(
            "its pixels have more than 16 bits a channel", "Save it as a PNG of 8 bits."
        )
    if picture.has_transparency_data:
        return _over_black(np.array(picture.convert("RGBA"), np.uint8))
    return np.array(picture.convert("RGB"), np.uint8)


def _over_black(rgba: NDArray[np.uint8]) -> NDArray[np.uint8]:
    import cv2

    alpha = rgba[:, :, 3:]
    if alpha.min() == 255:
        return cast("NDArray[np.uint8]", cv2.cvtColor(rgba, cv2.COLOR_RGBA2RGB))
    return ((rgba[:, :, :3].astype(np.uint16) * alpha + 127) // 255).astype(np.uint8)


def _png_beginning(data: bytes, rows: int) -> bytes | None:
    """A PNG of the first ``rows`` rows of the PNG ``data``; None if it is interlaced.

    The rows are unpacked as far as needed and packed again without compression, which costs far
    less than decoding the whole. W3C PNG, 9.2 and 11.2.1: a row is one filter byte and
    ``width * bits`` bits, rounded up to whole bytes.
    """
    head = b""
    kept, rest = [], []
    for kind, start, end in png_chunks(data):
        if kind == b"IHDR":
            head = data[start:end]
        elif kind in (b"PLTE", b"tRNS"):
            kept.append((kind, data[start:end]))
        elif kind == b"IDAT":
            rest.append((start, end))
    depth, colour, _, _, interlaced = head[8:13]
    channels = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}.get(colour)
    if interlaced or channels is None:
        return None
    need = rows * (1 + (int.from_bytes(head[:4], "big") * channels * depth + 7) // 8)
    view, unpack, pixels = memoryview(data), zlib.decompressobj(), bytearray()
    try:
        for start, end in rest:
            pixels += unpack.decompress(view[start:end], need - len(pixels))
            if len(pixels) >= need:
                break
    except zlib.error as error:
        raise damaged(f"it cannot be decoded ({error})") from error
    if len(pixels) < need:
        raise damaged("it holds fewer rows than it declares")
    head = head[:4] + rows.to_bytes(4, "big") + head[8:]
    chunks = [(b"IHDR", head), *kept, (b"IDAT", zlib.compress(pixels, 0)), (b"IEND", b"")]
    return PNG_SIGNATURE + b"".join(
        len(content).to_bytes(4, "big")
        + kind
        + content
        + zlib.crc32(content, zlib.crc32(kind)).to_bytes(4, "big")
        for kind, content in chunks
    )
