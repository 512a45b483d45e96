"""Makers of stills and recordings for the tests, and the times that ffprobe gives."""

from __future__ import annotations

import io
import json
import subprocess
import warnings
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pillow_heif
from numpy.typing import NDArray
from PIL import Image
from tools import need

from extractor.captures import Candidate, inspect
from extractor.records import Capture

pillow_heif.register_heif_opener()

ORIENTATION = 0x0112


def candidate(file: Path) -> Candidate:
    return Candidate(file.name, file)


def capture_of(folder: Path, name: str, data: bytes) -> Capture:
    """Write ``data`` as ``folder/name`` and inspect it."""
    file = folder / name
    file.write_bytes(data)
    return inspect(candidate(file))


def picture(width: int = 61, height: int = 47, seed: int = 0) -> NDArray[np.uint8]:
    """A smooth RGB picture with a flat patch in one corner: no turn or flip leaves it as it is."""
    rng = np.random.default_rng(seed)
    coarse = rng.integers(0, 256, (5, 4, 3), dtype=np.uint8)
    pixels = np.array(Image.fromarray(coarse).resize((width, height), Image.Resampling.BICUBIC))
    pixels[: height // 4, : width // 4] = (250, 20, 60)
    return pixels


def encoded(pixels: NDArray[Any] | Image.Image, form: str, **how: Any) -> bytes:
    """``pixels`` in a ``form`` that Pillow writes."""
    image = pixels if isinstance(pixels, Image.Image) else Image.fromarray(pixels)
    file = io.BytesIO()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        image.save(file, form, **how)
    return file.getvalue()


def exif(tags: dict[int, Any], inner: dict[int, Any] | None = None) -> bytes:
    """EXIF of ``tags``, and ``inner`` ones of the Exif IFD."""
    made = Image.Exif()
    made.update(tags)
    made.get_ifd(0x8769).update(inner or {})
    return made.tobytes()


def ffmpeg(*arguments: str | Path) -> bytes:
    """Run ffmpeg, without a word; returns what it writes to the standard output."""
    return subprocess.run(
        [need("ffmpeg"), "-nostdin", "-v", "error", "-y", *map(str, arguments)],
        check=True,
        capture_output=True,
    ).stdout


def record(file: Path, *how: str, seconds: float = 3, rate: int = 30, size: str = "160x96") -> Path:
    """A recording of ffmpeg's test picture: H.264, a key frame a second, three B-frames."""
    source = f"testsrc=size={size}:rate={rate}:duration={seconds}"
    coding = ("-c:v", "libx264", "-preset", "veryfast", "-g", "30", "-bf", "3", "-threads", "1")
    ffmpeg("-f", "lavfi", "-i", source, *coding, "-pix_fmt", "yuv420p", *how, file)
    return file


def shown(file: Path) -> list[tuple[int, Fraction]]:
    """PTS and time (s from the first) of the frames that ffprobe says are shown."""
    entries = "stream=time_base:frame=pts"
    asked = ("-select_streams", "v:0", "-show_frames", "-show_entries", entries, "-of", "json")
    listed = subprocess.run(
        [need("ffprobe"), "-v", "error", *asked, str(file)], check=True, capture_output=True
    )
    found = json.loads(listed.stdout)
    tick = Fraction(found["streams"][0]["time_base"])
    pts = [frame["pts"] for frame in found["frames"]]
    return [(at, (at - pts[0]) * tick) for at in pts]


def decoded(file: Path, width: int, height: int) -> NDArray[np.uint8]:
    """All frames as the ffmpeg program decodes and turns them: (n, height, width, 3), RGB."""
    raw = ffmpeg("-i", file, "-vsync", "passthrough", "-f", "rawvideo", "-pix_fmt", "rgb24", "-")
    return np.frombuffer(raw, np.uint8).reshape(-1, height, width, 3)
