"""Stills: told by content, whole or named, decoded upright as other decoders do."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
import xxhash
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from media import ORIENTATION, candidate, capture_of, encoded, exif, picture
from numpy.typing import NDArray
from PIL import Image, ImageOps

from extractor.captures import inspect, read_still
from extractor.errors import CaptureError
from extractor.records import Capture

WAYS = {
    "png": ("PNG", {}),
    "jpeg": ("JPEG", {"quality": 80}),
    "progressive": ("JPEG", {"quality": 80, "progressive": True}),
    "webp": ("WEBP", {"quality": 80}),
    "lossless": ("WEBP", {"lossless": True}),
    "gif": ("GIF", {}),
    "bmp": ("BMP", {}),
    "tiff": ("TIFF", {}),
    "deflated": ("TIFF", {"compression": "tiff_adobe_deflate"}),
    "heic": ("HEIF", {"quality": 80}),
    "avif": ("AVIF", {"quality": 80}),
}
WHOLE = {way: encoded(picture(64, 48), form, **how) for way, (form, how) in WAYS.items()}


def by_pillow(data: bytes) -> NDArray[np.uint8]:
    """The picture as Pillow decodes and turns it."""
    return np.array(ImageOps.exif_transpose(Image.open(io.BytesIO(data))).convert("RGB"))


def furthest(one: NDArray[np.uint8], other: NDArray[np.uint8]) -> int:
    assert one.shape == other.shape
    return int(np.abs(one.astype(int) - other.astype(int)).max())


def refused(folder: Path, data: bytes, name: str = "a.png") -> CaptureError:
    with pytest.raises(CaptureError) as caught:
        capture_of(folder, name, data)
    assert caught.value.mend.endswith(".")
    return caught.value


# ---------------------------------------------------------------- what a capture is


@pytest.mark.parametrize("way", WAYS)
def test_told_by_content(tmp_path: Path, way: str) -> None:
    data = WHOLE[way]
    capture = capture_of(tmp_path, "wrong ending.mkv", data)
    assert (capture.medium, capture.width, capture.height) == ("still", 64, 48)
    assert capture.content == f"{xxhash.xxh3_128(data).hexdigest()}-{len(data)}"
    assert capture.duration_s is None
    assert furthest(read_still(capture), by_pillow(data)) <= 2


@pytest.mark.parametrize(
    ("data", "named"),
    [
        (b"", "empty"),
        (b"frames per second: 60\n", "it is text"),
        ("Bilder: größer\n".encode("utf-16"), "it is text"),
        (b"<!DOCTYPE html><html><p>Not found", "a web page"),
        (b"<?xml version='1.0'?><svg/>", "a vector picture"),
        (b"%PDF-1.7\n%\xe2\xe3", "a PDF document"),
        (b"PK\x03\x04\x14\0\0", "a ZIP archive"),
        (b"RIFF\0\0\0\0AVI LIST", "an AVI recording"),
        (b"version https://git-lfs.github.com/spec/v1\n", "only a pointer"),
        (bytes(5000), "holds zeros"),
        (b"\x01\x02\x03\x04" * 30, "a form that is not known"),
    ],
)
def test_other_files_are_named_for_what_they_are(tmp_path: Path, data: bytes, named: str) -> None:
    assert named in refused(tmp_path, data).problem


def png(width: int, height: int, *chunks: tuple[bytes, bytes]) -> bytes:
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    parts = [(b"IHDR", head), *chunks, (b"IDAT", zlib.compress(b"\0" * 64)), (b"IEND", b"")]
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(part)) + kind + part + struct.pack(">I", zlib.crc32(kind + part))
        for kind, part in parts
    )


def declaring(way: str, width: int, height: int) -> bytes:
    """A small still of some form that declares to be of another size."""
    data = bytearray(WHOLE[way])
    at, packed = {
        "jpeg": (data.find(b"\xff\xc0") + 5, struct.pack(">HH", height, width)),
        "bmp": (18, struct.pack("<ii", width, height)),
        "gif": (6, struct.pack("<HH", width, height)),
    }[way]
    data[at : at + len(packed)] = packed
    return bytes(data)


@pytest.mark.parametrize(
    "data",
    [
        png(60_000, 60_000),
        png(65_501, 1),
        png(10_001, 10_000),
        declaring("jpeg", 60_000, 60_000),
        declaring("bmp", 60_000, 60_000),
        declaring("gif", 60_000, 60_000),
    ],
)
def test_too_large_is_refused_before_decoding(tmp_path: Path, data: bytes) -> None:
    error = refused(tmp_path, data)
    assert "pixels; at most 100 million are read, and at most 65500 a side" in error.problem
    assert "Cut it" in error.mend


def test_the_largest_allowed(tmp_path: Path) -> None:
    capture = capture_of(tmp_path, "a.png", png(10_000, 10_000))
    assert (capture.width, capture.height) == (10_000, 10_000)
    assert capture_of(tmp_path, "b.png", png(65_500, 1)).width == 65_500


def test_no_pixels_at_all(tmp_path: Path) -> None:
    assert "0 x 5 pixels" in refused(tmp_path, png(0, 5)).problem


@pytest.mark.parametrize("form", ["GIF", "WEBP", "PNG", "TIFF", "AVIF"])
def test_several_pictures_in_one_file_are_refused(tmp_path: Path, form: str) -> None:
    first, *others = (Image.fromarray(picture(64, 48, seed)) for seed in range(3))
    data = encoded(first, form, save_all=True, append_images=others)
    error = refused(tmp_path, data)
    assert "3 pictures" in error.problem
    assert "MP4" in error.mend


def test_a_second_picture_behind_a_jpeg_is_let_be(tmp_path: Path) -> None:
    """Cameras append a gain map or a preview (CIPA DC-007, Multi-Picture Format)."""
    first, second = (Image.fromarray(picture(64, 48, seed)) for seed in range(2))
    data = encoded(first, "MPO", save_all=True, append_images=[second])
    pixels = read_still(capture_of(tmp_path, "a.jpg", data))
    assert furthest(pixels, by_pillow(data)) <= 2


# ---------------------------------------------------------------- whole or cut off


@pytest.mark.parametrize("way", WAYS)
def test_cut_in_the_middle(tmp_path: Path, way: str) -> None:
    data = WHOLE[way]
    error = refused(tmp_path, data[: len(data) // 2])
    if WAYS[way][0] != "TIFF":  # its index may lie at the end, so that nothing can be told
        assert "ends early" in error.problem
        assert "Copy it again" in error.mend


def cut_anywhere(way: str) -> st.SearchStrategy[int]:
    return st.integers(0, len(WHOLE[way]) - 1)


@pytest.mark.parametrize("way", ["png", "jpeg", "progressive", "webp", "lossless", "gif", "bmp"])
def test_a_cut_at_any_byte_is_always_told(tmp_path: Path, way: str) -> None:
    @settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
    @given(cut_anywhere(way))
    def check(length: int) -> None:
        refused(tmp_path, WHOLE[way][:length])

    check()


@pytest.mark.parametrize("way", WAYS)
def test_damage_anywhere_never_ends_the_batch(tmp_path: Path, way: str) -> None:
    @settings(
        max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
    )
    @given(cut_anywhere(way), st.binary(min_size=1, max_size=8), st.booleans())
    def check(at: int, put: bytes, cut: bool) -> None:
        data = WHOLE[way][:at] + put + (b"" if cut else WHOLE[way][at + len(put) :])
        try:
            capture = capture_of(tmp_path, "a.png", data)
            pixels = read_still(capture)
        except CaptureError:
            return
        assert pixels.shape == (capture.height, capture.width, 3)

    check()


@pytest.mark.parametrize("put", [b"\0\5", b"\0\0\1", b"\0\0\2"])
def test_a_tiff_whose_next_page_is_nonsense_is_damaged(tmp_path: Path, put: bytes) -> None:
    """Its first directory ends in the place of the next one, 0 if there is none (TIFF 6.0, 2)."""
    data = WHOLE["tiff"]
    (first,) = struct.unpack("<I", data[4:8])
    (entries,) = struct.unpack("<H", data[first : first + 2])
    link = first + 2 + 12 * entries
    assert data[:2] == b"II" and data[link : link + 4] == bytes(4)
    broken = data[:link] + put.ljust(4, b"\0") + data[link + 4 :]
    with pytest.raises(CaptureError):
        capture_of(tmp_path, "a.tiff", broken)


def test_a_declared_size_that_the_pixels_do_not_have_is_damage(tmp_path: Path) -> None:
    """``clap`` (ISO/IEC 14496-12, 12.1.4) begins with width and height, each as a fraction."""
    at = WHOLE["heic"].index(b"clap") + 12
    data = WHOLE["heic"][:at] + struct.pack(">I", 304) + WHOLE["heic"][at + 4 :]
    with pytest.raises(CaptureError, match="304"):
        read_still(capture_of(tmp_path, "a.heic", data))


def test_a_thumbnail_is_not_taken_for_the_whole(tmp_path: Path) -> None:
    """The end mark inside a JPEG's EXIF thumbnail is not the end of the picture."""
    data = WHOLE["jpeg"]
    with_thumbnail = data[:2] + b"\xff\xe1" + struct.pack(">H", len(data) + 2) + data + data[2:]
    assert capture_of(tmp_path, "a.jpg", with_thumbnail).width == 64
    assert "ends early" in refused(tmp_path, with_thumbnail[:-2]).problem


@pytest.mark.parametrize("way", ["png", "jpeg", "webp", "gif", "bmp", "heic"])
def test_what_devices_append_does_no_harm(tmp_path: Path, way: str) -> None:
    capture = capture_of(
        tmp_path, "a.jpg", WHOLE[way] + b"\0\0\1\0\xf0\x9f\x91\x8d a moving picture"
    )
    assert furthest(read_still(capture), by_pillow(WHOLE[way])) <= 2


def test_damage_that_only_decoding_shows(tmp_path: Path) -> None:
    data = bytearray(encoded(picture(300, 200), "PNG"))
    data[len(data) // 2] ^= 0xFF
    capture = capture_of(tmp_path, "a.png", bytes(data))
    with pytest.raises(CaptureError, match="damaged"):
        read_still(capture)


def test_a_file_that_changes_meanwhile(tmp_path: Path) -> None:
    capture = capture_of(tmp_path, "a.png", WHOLE["png"])
    capture.file.write_bytes(WHOLE["jpeg"])
    with pytest.raises(CaptureError, match="changed while"):
        read_still(capture)
    capture.file.unlink()
    with pytest.raises(CaptureError, match="cannot be read"):
        read_still(capture)
    with pytest.raises(CaptureError, match="cannot be read"):
        inspect(candidate(capture.file))


# ---------------------------------------------------------------- upright

# CIPA DC-008 (EXIF 2.32), tag 274 Orientation: which sides of the picture as seen the first
# stored row and the first stored column are. Worked by hand for the stored rows "abc", "def".
SEEN = {
    1: ["abc", "def"],  # row 0 top, column 0 left
    2: ["cba", "fed"],  # top, right
    3: ["fed", "cba"],  # bottom, right
    4: ["def", "abc"],  # bottom, left
    5: ["ad", "be", "cf"],  # left, top
    6: ["da", "eb", "fc"],  # right, top
    7: ["fc", "eb", "da"],  # right, bottom
    8: ["cf", "be", "ad"],  # left, bottom
}
COLOURS = {
    **{"a": (250, 20, 20), "b": (20, 250, 20), "c": (20, 20, 250)},
    **{"d": (240, 240, 20), "e": (20, 240, 240), "f": (120, 120, 120)},
}
PATCH = 32
LOSSY = {"JPEG", "AVIF", "HEIF"}


def patches(rows: list[str]) -> NDArray[np.uint8]:
    small = np.array([[COLOURS[letter] for letter in row] for row in rows], np.uint8)
    return small.repeat(PATCH, axis=0).repeat(PATCH, axis=1)


@pytest.mark.parametrize("orientation", SEEN)
@pytest.mark.parametrize("form", ["PNG", "JPEG", "WEBP", "TIFF", "AVIF", "HEIF"])
def test_upright(tmp_path: Path, form: str, orientation: int) -> None:
    how = {"quality": 95} if form in LOSSY else {"lossless": True} if form == "WEBP" else {}
    data = encoded(patches(SEEN[1]), form, exif=exif({ORIENTATION: orientation}), **how)
    capture = capture_of(tmp_path, "a.png", data)
    pixels = read_still(capture)
    expected = patches(SEEN[orientation])
    assert (capture.height, capture.width) == expected.shape[:2]
    middles = (slice(PATCH // 2, None, PATCH),) * 2
    assert furthest(pixels[middles], expected[middles]) <= (12 if form in LOSSY else 0)
    assert furthest(pixels, by_pillow(data)) <= 2
    assert furthest(read_still(capture, (5, 40)), pixels[5:40]) == 0


@pytest.mark.parametrize("value", [0, 9, 300])
def test_an_orientation_that_is_none(tmp_path: Path, value: int) -> None:
    data = encoded(picture(), "JPEG", exif=exif({ORIENTATION: value}))
    assert capture_of(tmp_path, "a.jpg", data).width == 61


# ---------------------------------------------------------------- pixels


def deep_png(pixels: NDArray[np.uint16]) -> bytes:
    done, data = cv2.imencode(".png", pixels)
    assert done
    return data.tobytes()


def test_all_sorts_of_pixels_become_rgb(tmp_path: Path) -> None:
    rgb = picture()
    grey = np.array(Image.fromarray(rgb).convert("L"))
    as_rgb = np.repeat(grey[:, :, None], 3, axis=2)
    few = Image.fromarray(rgb).quantize(200)
    two = Image.fromarray(grey).convert("1")
    noise = np.random.default_rng(1).integers(0, 256, rgb.shape, dtype=np.uint16)
    for number, (data, expected, within) in enumerate(
        [
            (encoded(rgb, "PNG"), rgb, 0),
            (encoded(grey, "PNG"), as_rgb, 0),
            (encoded(few, "PNG"), np.array(few.convert("RGB")), 0),
            (encoded(few, "GIF"), np.array(few.convert("RGB")), 0),
            (encoded(two, "PNG"), np.array(two.convert("RGB")), 0),
            (encoded(two, "TIFF"), np.array(two.convert("RGB")), 0),
            (deep_png(grey.astype(np.uint16) << 8 | 0x7F), as_rgb, 0),
            (deep_png(rgb[:, :, ::-1].astype(np.uint16) << 8 | noise), rgb, 0),
            (encoded(Image.fromarray(grey.astype(np.uint16) << 8 | 9), "TIFF"), as_rgb, 0),
            (encoded(Image.fromarray(rgb).convert("YCbCr"), "TIFF"), rgb, 3),
            (encoded(Image.fromarray(rgb).convert("CMYK"), "JPEG", quality=100), rgb, 12),
            (encoded(grey, "JPEG", quality=100), as_rgb, 3),
        ]
    ):
        pixels = read_still(capture_of(tmp_path, f"{number}.png", data))
        assert pixels.dtype == np.uint8
        assert furthest(pixels, expected) <= within, number


def test_transparency_lies_over_black(tmp_path: Path) -> None:
    rgb = picture()
    alpha = np.tile(np.linspace(0, 255, rgb.shape[1]).astype(np.uint8), (rgb.shape[0], 1))
    rgba = np.dstack([rgb, alpha])
    expected = np.round(rgb * (alpha[:, :, None] / 255.0)).astype(np.uint8)
    deep = rgba[:, :, [2, 1, 0, 3]].astype(np.uint16) << 8
    opaque = np.dstack([rgb, np.full_like(alpha, 255)])
    for number, (data, seen) in enumerate(
        [
            (encoded(rgba, "PNG"), expected),
            (encoded(rgba, "WEBP", lossless=True, exact=True), expected),
            (encoded(rgba, "TIFF"), expected),
            (deep_png(deep), expected),
            (encoded(opaque, "PNG"), rgb),
            (encoded(rgb, "PNG", transparency=(250, 20, 60)), None),
        ]
    ):
        pixels = read_still(capture_of(tmp_path, f"{number}.png", data))
        if seen is None:  # one colour is transparent: the patch in the corner
            assert not pixels[:11, :15].any()
            assert furthest(pixels[20:], rgb[20:]) == 0
        else:
            assert furthest(pixels, seen) <= 1, number


def test_pixels_of_more_than_16_bits_are_refused(tmp_path: Path) -> None:
    data = encoded(Image.fromarray(np.ones((4, 4), np.float32)), "TIFF")
    with pytest.raises(CaptureError, match="more than 16 bits"):
        read_still(capture_of(tmp_path, "a.tif", data))


@pytest.mark.parametrize("quality", [50, 75, 95])
@pytest.mark.parametrize("form", ["JPEG", "WEBP"])
def test_decoders_agree(tmp_path: Path, form: str, quality: int) -> None:
    """Two bindings of the same standards decode a noisy picture alike."""
    noisy = picture(333, 217) ^ np.random.default_rng(2).integers(0, 32, (217, 333, 3), np.uint8)
    data = encoded(noisy, form, quality=quality)
    assert furthest(read_still(capture_of(tmp_path, "a", data)), by_pillow(data)) <= 2


# ---------------------------------------------------------------- only some rows

MODES = st.sampled_from(["RGB", "RGBA", "L", "LA", "P", "1", "deep"])


@settings(
    max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(MODES, st.integers(0, 46), st.integers(1, 47), st.integers(0, 9), st.integers(0, 99))
def test_the_rows_of_a_png_equal_those_of_the_whole(
    tmp_path: Path, mode: str, first: int, height: int, packing: int, seed: int
) -> None:
    pixels = picture(seed=seed)
    if mode == "deep":
        data = deep_png(pixels.astype(np.uint16) * 257)
    else:
        data = encoded(Image.fromarray(pixels).convert(mode), "PNG", compress_level=packing)
    capture = capture_of(tmp_path, "a.png", data)
    rows = (first, min(47, first + height))
    assert furthest(read_still(capture, rows), read_still(capture)[rows[0] : rows[1]]) == 0


def test_the_first_rows_do_not_need_the_last(tmp_path: Path) -> None:
    """The rows are told from the beginning alone: damage behind them is not even met."""
    pixels = picture(300, 400) ^ np.random.default_rng(3).integers(0, 8, (400, 300, 3), np.uint8)
    data = bytearray(encoded(pixels, "PNG"))
    data[len(data) * 3 // 4] ^= 0xFF
    capture = capture_of(tmp_path, "a.png", bytes(data))
    assert furthest(read_still(capture, (10, 48)), pixels[10:48]) == 0


def test_rows_of_an_interlaced_png(tmp_path: Path) -> None:
    """W3C PNG, 8.2: the passes of Adam7, written by hand here, as Pillow does not write them."""
    pixels = picture(9, 11)
    raw = b""
    for x, y, across, down in [
        *((0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4)),
        *((0, 2, 2, 4), (1, 0, 2, 2), (0, 1, 1, 2)),
    ]:
        passed = pixels[y::down, x::across]
        raw += b"".join(b"\0" + row.tobytes() for row in passed) if passed.size else b""
    head = struct.pack(">IIBBBBB", 9, 11, 8, 2, 0, 0, 1)
    data = b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(part)) + kind + part + struct.pack(">I", zlib.crc32(kind + part))
        for kind, part in [(b"IHDR", head), (b"IDAT", zlib.compress(raw)), (b"IEND", b"")]
    )
    capture = capture_of(tmp_path, "a.png", data)
    assert furthest(read_still(capture), pixels) == 0
    assert furthest(read_still(capture, (2, 5)), pixels[2:5]) == 0


@pytest.mark.parametrize("way", WAYS)
def test_rows_beyond_the_picture_are_left_out(tmp_path: Path, way: str) -> None:
    capture: Capture = capture_of(tmp_path, "a.png", WHOLE[way])
    whole = read_still(capture)
    assert furthest(read_still(capture, (-5, 10)), whole[:10]) == 0
    assert furthest(read_still(capture, (40, 400)), whole[40:]) == 0
    assert read_still(capture, (60, 70)).shape == (0, 64, 3)
