"""Writing pictures and the recording; all of it repeats byte for byte with the same libraries."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from PIL import Image

TICKS = 90_000  # a second of the recording's time base


def over(scene: np.ndarray, rgba: np.ndarray) -> np.ndarray:
    """Lay an RGBA picture (uint8, not premultiplied) over an RGB one of the same size."""
    alpha = rgba[..., 3:].astype(np.uint16)
    mixed = rgba[..., :3] * alpha + scene * (255 - alpha)
    return ((mixed + 127) // 255).astype(np.uint8)


def save_still(rgb: np.ndarray, file: Path, quality: int, taken: datetime | None = None) -> None:
    """PNG, JPEG or WebP by the file's ending; ``taken`` goes into EXIF."""
    file.parent.mkdir(parents=True, exist_ok=True)
    exif = Image.Exif()
    if taken is not None:
        stamp = taken.strftime("%Y:%m:%d %H:%M:%S")
        exif[306] = stamp  # DateTime
        exif.get_ifd(0x8769)[36867] = stamp  # DateTimeOriginal
    picture = Image.fromarray(rgb)
    options: dict[str, object] = {"exif": exif} if taken is not None else {}
    match file.suffix:
        case ".png":
            picture.save(file, optimize=True, **options)
        case ".jpg":
            picture.save(file, quality=quality, optimize=True, **options)
        case ".webp":
            picture.save(file, quality=quality, method=4, **options)


def save_recording(
    frames: Iterable[tuple[int, np.ndarray]], size: tuple[int, int], file: Path
) -> None:
    """H.264 (yuv420p, up to 3 B-frames) in MP4; ``frames`` are (ticks, RGB), ticks growing."""
    file.parent.mkdir(parents=True, exist_ok=True)
    with av.open(str(file), "w") as container:
        stream = container.add_stream("libx264", rate=60)
        stream.width, stream.height, stream.pix_fmt = *size, "yuv420p"
        stream.codec_context.time_base = Fraction(1, TICKS)
        stream.options = {
            "crf": "28", "preset": "medium", "bf": "3", "g": "240", "threads": "1",
        }  # fmt: skip
        for ticks, rgb in frames:
            frame = av.VideoFrame.from_ndarray(rgb, format="rgb24")
            frame.pts, frame.time_base = ticks, Fraction(1, TICKS)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
