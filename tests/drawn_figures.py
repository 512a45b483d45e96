"""Draws figures as overlays do, with their truth: fonts, grounds, outlines, neighbours, coding.

Used by the tests and by the study that measures the readers. All fonts come with packages of the
extras ``test`` and ``study``, so that a machine needs none of its own; a missing one is an error.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from extractor.records import Box

FONTS = (
    "matplotlib/DejaVuSans.ttf",
    "matplotlib/DejaVuSans-Bold.ttf",
    "matplotlib/DejaVuSansMono.ttf",
    "matplotlib/DejaVuSansMono-Bold.ttf",
    "matplotlib/DejaVuSerif.ttf",
    "font_source_sans_pro/SourceSansPro-Regular.ttf",
    "font_source_sans_pro/SourceSansPro-Bold.ttf",
    "font_hanken_grotesk/HankenGrotesk-Regular.otf",
    "",  # Pillow's own
)
Picture = NDArray[np.uint8]


def font(name: str, size: int) -> ImageFont.FreeTypeFont:
    """Open the font ``PACKAGE/FILE`` that a Python package carries; '' is Pillow's own."""
    if not name:
        own = ImageFont.load_default(size)
        assert isinstance(own, ImageFont.FreeTypeFont)
        return own
    return ImageFont.truetype(_file(name), size)


@cache
def _file(name: str) -> Path:
    package, file = name.split("/")
    spec = find_spec(package)
    folders = spec.submodule_search_locations if spec else None
    if not folders:
        raise FileNotFoundError(f"the package {package} with the font {file} is not installed")
    return next(Path(folders[0]).rglob(file))


@dataclass(frozen=True)
class Drawing:
    """A picture with one figure: where its ink lies and how high its digits are, px."""

    image: Picture
    text: str
    box: Box
    height: float

    def crop(self, margin: float = 0.0) -> Picture:
        """Cut the figure out with ``margin`` times its height on every side."""
        m = margin * self.height
        x0, y0 = max(0, round(self.box.x - m)), max(0, round(self.box.y - m))
        return self.image[y0 : round(self.box.bottom + m), x0 : round(self.box.right + m)].copy()


def draw(
    text: str,
    *,
    name: str = FONTS[0],
    size: int = 32,
    ground: Picture | tuple[int, int, int] = (24, 26, 32),
    ink: tuple[int, int, int] = (240, 240, 240),
    outline: tuple[int, int, int] | None = None,
    before: str = "",
    after: str = "",
    below: str = "",
    quality: int | None = None,
    form: str = "JPEG",
    fine: int = 1,
    rim: float = 1 / 14,
) -> Drawing:
    """Draw ``before`` + ``text`` + ``after`` on one line, ``below`` under it.

    ``outline`` is the colour of a rim around the letters, ``rim`` times their size wide.
    ``quality`` codes the picture as JPEG or WEBP (``form``).
    ``fine`` > 1 draws so many times larger and averages down: no hinting, sub-pixel places.
    """
    face = font(name, size * fine)
    stroke = max(1, round(size * fine * rim)) if outline else 0
    pad = 2 * size * fine
    line = before + text + after
    wide = int(face.getlength(line)) + 2 * pad
    high = int(size * 1.5 * fine) + 2 * pad
    wide, high = -(-wide // fine) * fine, -(-high // fine) * fine
    canvas = _ground(ground, wide, high)
    pen = ImageDraw.Draw(canvas)
    how = {"fill": ink, "stroke_width": stroke, "stroke_fill": outline}
    pen.text((pad, pad), line, font=face, **how)
    if below:
        small = font(name, round(size * fine * 0.5))
        pen.text((pad, pad + round(size * 1.3 * fine)), below, font=small, **how)
    x = pad + face.getlength(before)
    left, upper, right, lower = _ink(face, text)
    _, top, _, bottom = _ink(face, "0")
    canvas = canvas.resize((wide // fine, high // fine), Image.Resampling.BOX)
    if quality is not None:
        coded = io.BytesIO()
        canvas.save(coded, form, quality=quality)
        canvas = Image.open(coded).convert("RGB")
    box = Box(
        (x + left) / fine, (pad + upper) / fine, (right - left) / fine, (lower - upper) / fine
    )
    return Drawing(np.asarray(canvas).copy(), text, box, (bottom - top) / fine)


def _ink(face: ImageFont.FreeTypeFont, text: str) -> tuple[int, int, int, int]:
    """Where the ink of ``text`` lies from the pen's place, px."""
    sheet = Image.new("L", (int(face.getlength(text)) + 40, int(face.size * 2)))
    ImageDraw.Draw(sheet).text((20, 0), text, font=face, fill=255)
    box = sheet.getbbox()
    assert box is not None
    return box[0] - 20, box[1], box[2] - 20, box[3]


def _ground(ground: Picture | tuple[int, int, int], wide: int, high: int) -> Image.Image:
    if isinstance(ground, tuple):
        return Image.new("RGB", (wide, high), ground)
    return Image.fromarray(ground).resize((wide, high), Image.Resampling.BILINEAR)


def scene(random: np.random.Generator, wide: int = 200, high: int = 120) -> Picture:
    """Make a ground with soft gradients, hard shapes and noise."""
    ys, xs = np.mgrid[0:high, 0:wide] / max(wide, high)
    waves = sum(
        random.uniform(10, 60)
        * np.sin(random.uniform(2, 14) * xs + random.uniform(2, 14) * ys + random.uniform(0, 6))
        for _ in range(3)
    )
    base = random.uniform(50, 200, 3) + waves[..., None] * random.uniform(0.4, 1, 3)
    picture = Image.fromarray(np.clip(base, 0, 255).astype(np.uint8))
    pen = ImageDraw.Draw(picture)
    for _ in range(random.integers(0, 8)):
        x, y = random.integers(0, wide), random.integers(0, high)
        w, h = random.integers(5, 80, 2)
        pen.rectangle((x, y, x + w, y + h), fill=tuple(int(c) for c in random.integers(0, 256, 3)))
    noisy = np.asarray(picture) + random.normal(0, random.uniform(0, 8), (high, wide, 3))
    return np.clip(noisy, 0, 255).astype(np.uint8)


def figure_text(random: np.random.Generator, kind: str = "number") -> str:
    """Make up a figure of ``kind`` as overlays show them."""
    match kind:
        case "size":
            return f"{random.integers(320, 3841)}x{random.integers(180, 2161)}"
        case "duration":
            return f"{random.integers(0, 60)}:{random.integers(0, 60):02d}"
    digits = random.integers(0, 3)
    value = random.uniform(0, 10 ** random.integers(1, 5))
    sign = "-" if random.random() < 0.1 else ""
    return f"{sign}{value:.{digits}f}"
