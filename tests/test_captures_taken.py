"""When a still was taken."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from media import capture_of, encoded, exif, picture

from extractor.captures.taken import taken_from_name


@pytest.mark.parametrize(
    ("name", "taken"),
    [
        ("20260314_101532.png", "2026-03-14T10:15:32"),
        ("Screenshot_20260314-101532_App.jpg", "2026-03-14T10:15:32"),
        ("20260314101532.png", "2026-03-14T10:15:32"),
        ("20260314T101532.png", "2026-03-14T10:15:32"),
        ("2026-03-14-10-15-32.png", "2026-03-14T10:15:32"),
        ("2026_03_14_10_15_32.png", "2026-03-14T10:15:32"),
        ("Capture 2026-03-14 at 10.15.32.png", "2026-03-14T10:15:32"),
        ("Capture 2026-03-14 at 1.15.32\u202fPM.png", "2026-03-14T13:15:32"),
        ("Capture 2026-03-14 at 12.15.32 am (2).png", "2026-03-14T00:15:32"),
        ("20260314_101532123.png", "2026-03-14T10:15:32.123"),
        ("2026-03-14-10-15-32-045.png", "2026-03-14T10:15:32.045"),
        ("2026-03-14-10-15-32-2.png", "2026-03-14T10:15:32"),
        ("H2 round 3 2026-03-14 10:15:32.mp4", "2026-03-14T10:15:32"),
        ("20261314_101532 20260314_101532.png", "2026-03-14T10:15:32"),
        # not a time
        ("IMG_0042.png", ""),
        ("20260230_101532.png", ""),
        ("20260314_251532.png", ""),
        ("20260314_106032.png", ""),
        ("19990314_101532.png", ""),
        ("21010314_101532.png", ""),
        ("20260314.png", ""),
        ("20260314-0007.png", ""),
        ("920260314101532.png", ""),
        ("2026031410153299.png", ""),
        ("2026-03-14 at 13.15.32 PM.png", ""),
    ],
)
def test_from_the_name(name: str, taken: str) -> None:
    assert taken_from_name(name) == taken


MOMENTS = st.datetimes(datetime(2000, 1, 1), datetime(2099, 12, 31))


@given(MOMENTS, st.sampled_from(["%Y%m%d_%H%M%S", "%Y-%m-%d-%H-%M-%S", "a %Y.%m.%d at %H.%M.%S b"]))
def test_every_moment_is_found(moment: datetime, form: str) -> None:
    expected = moment.replace(microsecond=0).isoformat()
    assert taken_from_name(moment.strftime(form) + ".png") == expected


@given(st.text(max_size=60))
def test_any_name_gives_a_time_or_nothing(name: str) -> None:
    taken = taken_from_name(name)
    assert taken == "" or 2000 <= datetime.fromisoformat(taken).year <= 2100


@pytest.mark.parametrize("form", ["PNG", "JPEG", "WEBP", "TIFF", "HEIF", "AVIF"])
def test_from_exif(tmp_path: Path, form: str) -> None:
    tags = exif(
        {0x010F: "Maker", 0x0110: "Model 1"},
        {0x9003: "2026:03:14 10:15:32", 0x9291: "12", 0x9011: "+01:00"},
    )
    data = encoded(picture(64, 64), form, exif=tags)
    capture = capture_of(tmp_path, "a.png", data)
    assert capture.taken == "2026-03-14T10:15:32.120+01:00"
    assert capture.camera == "Maker Model 1"
    assert capture_of(tmp_path, "20250101_000000.png", data).taken == "2025-01-01T00:00:00"


@pytest.mark.parametrize("original", ["0000:00:00 00:00:00", "2026-03-14", "1984:01:01 00:00:00"])
def test_an_exif_time_that_is_none(tmp_path: Path, original: str) -> None:
    data = encoded(picture(), "JPEG", exif=exif({}, {0x9003: original}))
    assert capture_of(tmp_path, "a.jpg", data).taken == ""


def test_the_file_system_says_nothing(tmp_path: Path) -> None:
    capture = capture_of(tmp_path, "a.png", encoded(picture(), "PNG"))
    assert (capture.taken, capture.camera) == ("", "")


def test_damaged_exif_does_not_lose_the_picture(tmp_path: Path) -> None:
    data = encoded(picture(), "JPEG", exif=b"Exif\0\0MM\0*\xff\xff\xff\xff garbage")
    capture = capture_of(tmp_path, "a.jpg", data)
    assert (capture.width, capture.height, capture.taken) == (61, 47, "")
