"""Codings that captures go through: JPEG, WebP, real H.264, scaled down and coded twice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[Any]


def _still(picture: Picture, ending: str, flags: list[int]) -> Picture:
    _, data = cv2.imencode(ending, picture[:, :, ::-1], flags)
    decoded: Any = cv2.imdecode(data, cv2.IMREAD_COLOR)
    return np.ascontiguousarray(decoded[:, :, ::-1])


def jpeg(picture: Picture, quality: int, full_colour: bool = False) -> Picture:
    """Code as JPEG with chroma 4:2:0, or 4:4:4 if ``full_colour``."""
    sampling = (
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444
        if full_colour
        else cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420
    )
    flags = [cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, sampling]
    return _still(picture, ".jpg", flags)


def webp(picture: Picture, quality: int) -> Picture:
    """Code as lossy WebP."""
    return _still(picture, ".webp", [cv2.IMWRITE_WEBP_QUALITY, quality])


def h264(
    pictures: list[Picture],
    crf: int,
    preset: str = "veryfast",
    held: int = 2,
    shown: Sequence[int] | None = None,
) -> list[Picture]:
    """Code pictures of one even size as a film, each ``held`` for so many frames.

    Gives the frames ``shown``, counted from 0, or the last of each picture. One thread; x264's
    constant rate factor ``crf``; 4:2:0.
    """
    import av

    height, width = pictures[0].shape[:2]
    coder = av.CodecContext.create("libx264", "w")
    coder.width, coder.height, coder.pix_fmt = width, height, "yuv420p"
    coder.time_base = Fraction(1, 30)
    coder.thread_count = 1
    coder.options = {"crf": str(crf), "preset": preset, "x264-params": "bframes=1:threads=1"}
    reader = av.CodecContext.create("h264", "r")
    reader.thread_count = 1
    frames: list[Any] = []
    for at, picture in enumerate(p for p in pictures for _ in range(held)):
        frame = av.VideoFrame.from_ndarray(picture, format="rgb24")
        frame.pts, frame.time_base = at, Fraction(1, 30)
        for packet in coder.encode(frame):
            frames += reader.decode(packet)
    for packet in coder.encode(None):
        frames += reader.decode(packet)
    frames += reader.decode(None)
    frames.sort(key=lambda frame: frame.pts or 0)
    wanted = range(held - 1, len(frames), held) if shown is None else shown
    return [frames[at].to_ndarray(format="rgb24") for at in wanted]


@dataclass(frozen=True, slots=True)
class Coded:
    """A picture as a capture holds it.

    ``name`` of the coding, ``scale`` the picture came to, ``sharp`` the scale at which its letters
    were last drawn sharply, before they were enlarged.
    """

    picture: Picture
    name: str
    scale: float = 1.0
    sharp: float = 1.0


def enlarged(picture: Picture, sharp: float, rng: np.random.Generator) -> Picture:
    """Scale down to the share ``sharp`` and back, as small captures are enlarged."""
    height, width = picture.shape[:2]
    size = (max(1, round(width * sharp)), max(1, round(height * sharp)))
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    ways = (cv2.INTER_LINEAR, cv2.INTER_CUBIC, cv2.INTER_NEAREST)
    how = ways[rng.choice(3, p=[0.45, 0.4, 0.15])]
    return np.asarray(cv2.resize(small, (width, height), interpolation=how), np.uint8)


def still(picture: Picture, rng: np.random.Generator) -> Coded:
    """Code a picture as a still at random."""
    kind = rng.choice(
        ["png", "jpeg", "webp", "twice", "enlarged"], p=[0.34, 0.34, 0.11, 0.17, 0.04]
    )
    quality = int(rng.integers(40, 96))
    if kind == "jpeg":
        return Coded(jpeg(picture, quality, bool(rng.random() < 0.3)), f"jpeg{quality // 20 * 20}")
    if kind == "webp":
        return Coded(webp(picture, quality), f"webp{quality // 20 * 20}")
    if kind == "enlarged":
        sharp = float(rng.uniform(0.25, 0.9))
        drawn = enlarged(picture, sharp, rng)
        return Coded(jpeg(drawn, quality) if rng.random() < 0.5 else drawn, kind, 1.0, sharp)
    if kind == "twice":
        first = jpeg(picture, int(rng.integers(60, 96)))
        height, width = picture.shape[:2]
        scale = float(rng.uniform(0.55, 0.97))
        how = cv2.INTER_AREA if rng.random() < 0.7 else cv2.INTER_LINEAR
        size = (round(width * scale), round(height * scale))
        small = cv2.resize(first, size, interpolation=how)
        return Coded(jpeg(small, quality), kind, size[0] / width)
    return Coded(picture, "png")
