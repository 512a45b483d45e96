"""Draws the figures of the readers' studies: fonts, grounds, codings, boxes, with their truth.

Needs `pip install -e .[test,study]`: photographs and fonts, all free. ``FIT`` and ``CHECK`` share
no font: what is set on the one is held against the other. None of them is a font of the samples.
"""

from __future__ import annotations

import io
import sys
from dataclasses import dataclass
from pathlib import Path

import av
import numpy as np
from skimage import data
from sklearn.datasets import load_sample_images

sys.path.insert(0, str(Path(__file__).parents[1]))

from drawn_figures import Drawing, Picture, draw, font

from extractor.records import Box

FIT = (
    "matplotlib/DejaVuSans.ttf",
    "matplotlib/DejaVuSans-Bold.ttf",
    "matplotlib/DejaVuSansMono.ttf",
    "matplotlib/DejaVuSansMono-Bold.ttf",
    "matplotlib/DejaVuSerif.ttf",
    "font_source_sans_pro/SourceSansPro-Regular.ttf",
    "font_source_sans_pro/SourceSansPro-Bold.ttf",
    "fontpkg_space_mono/SpaceMono-Regular.ttf",
    "fontpkg_space_mono/SpaceMono-Bold.ttf",
    "fontpkg_dm_mono/DMMono-Medium.ttf",
    "fontpkg_titillium_web/TitilliumWeb-SemiBold.ttf",
    "fontpkg_rajdhani/Rajdhani-SemiBold.ttf",
)
CHECK = (
    "font_hanken_grotesk/HankenGrotesk-Regular.otf",
    "font_hanken_grotesk/HankenGrotesk-Bold.otf",
    "font_manrope/Manrope-Regular.ttf",
    "font_manrope/Manrope-Bold.ttf",
    "font_source_serif_pro/SourceSerifPro-Semibold.ttf",
    "fontpkg_barlow/Barlow-Regular.ttf",
    "fontpkg_barlow/Barlow-SemiBold.ttf",
    "fontpkg_ibm_plex_mono/IBMPlexMono-Regular.ttf",
    "fontpkg_ibm_plex_mono/IBMPlexMono-SemiBold.ttf",
    "fontpkg_chakra_petch/ChakraPetch-SemiBold.ttf",
    "font_rhd/RedHatDisplay-Medium.ttf",
    "",
)
GROUNDS = ("dark", "light", "panel", "outlined", "tinted")
SHARES = (0.15, 0.15, 0.25, 0.3, 0.15)
UNITS = ("", "", " W", " fps", " °C", " %", " MHz", " mA", " V", "°", "%", "°C", "W", "ms")
LABELS = ("", "", "FPS ", "P ", "Temp ", "CPU: ", "| ", "avg ")
KINDS = ("number", "number", "number", "percentage", "duration", "size")


@dataclass(frozen=True)
class Figure:
    """A drawn figure, the box it is to be read in, and how it was drawn."""

    kind: str
    drawing: Drawing
    box: Box
    height: float  # as locating would tell it, px
    style: dict[str, str]


def photographs() -> list[Picture]:
    names = ("immunohistochemistry", "chelsea", "coffee", "rocket", "hubble_deep_field")
    return [np.asarray(getattr(data, name)()) for name in names] + list(load_sample_images().images)


def figure(random: np.random.Generator, photos: list[Picture], fonts: tuple[str, ...]) -> Figure:
    """Make up one figure."""
    kind = str(random.choice(KINDS))
    ground = str(random.choice(GROUNDS, p=SHARES))
    name = str(random.choice(fonts))
    coding = str(random.choice(("png", "jpeg", "webp", "h264")))
    behind, ink, outline = _colours(random, photos, ground)
    high = random.uniform(9, 60) if random.random() < 0.5 else random.uniform(12, 30)
    face = font(name, 100)
    size = max(8, round(high * 100 / -face.getbbox("0", anchor="ls")[1]))
    after = {"number": str(random.choice(UNITS)), "percentage": str(random.choice(("%", " %", "")))}
    drawing = draw(
        text(random, kind),
        name=name,
        size=size,
        ground=behind,  # type: ignore[arg-type]
        ink=ink,
        outline=outline,
        rim=random.uniform(0.06, 0.12),
        before=str(random.choice(LABELS)),
        after=after.get(kind, ""),
        below="Average" if random.random() < 0.2 else "",
        quality=int(random.integers(50, 96)) if coding in {"jpeg", "webp"} else None,
        form=coding.upper() if coding in {"jpeg", "webp"} else "JPEG",
        fine=int(random.choice([1, 2, 3])),
    )
    if coding == "h264":
        image = _recorded(drawing.image, int(random.integers(18, 30)))
        drawing = Drawing(image, drawing.text, drawing.box, drawing.height)
    left, upper, right, lower = drawing.height * random.uniform(
        (-0.05,) * 4, (0.35, 0.35, 0.5, 0.35)
    )
    # A box is as high as digits, also around dashes.
    _, upper_px, _, lower_px = font(name, size).getbbox("0")
    b = Box(drawing.box.x, 2 * size + upper_px, drawing.box.w, lower_px - upper_px)
    box = Box(b.x - left, b.y - upper, b.w + left + right, b.h + upper + lower)
    style = {"ground": ground, "coding": coding, "font": name, "after": after.get(kind, "")}
    height = drawing.height * random.uniform(0.95, 1.05)
    return Figure(kind, drawing, box, height, style)


def text(random: np.random.Generator, kind: str) -> str:
    """Make up what overlays show."""
    match kind:
        case "size":
            return f"{random.integers(320, 3841)}x{random.integers(180, 2161)}"
        case "duration":
            return f"{random.integers(0, 60)}:{random.integers(0, 60):02d}"
        case "percentage" if random.random() < 0.7:
            return f"{random.integers(0, 101)}"
    if random.random() < 0.04:
        return "--"
    digits = int(random.integers(0, 4))
    value = 10 ** random.uniform(-0.3, 4)
    sign = "-" if random.random() < 0.12 else ""
    return f"{sign}{value:.{digits}f}"


def _colours(
    random: np.random.Generator, photos: list[Picture], ground: str
) -> tuple[Picture | tuple[int, ...], tuple[int, ...], tuple[int, int, int] | None]:
    photo = photos[random.integers(len(photos))]
    side = int(random.integers(60, min(photo.shape[:2]) // 2))
    y, x = (int(random.integers(0, n - side)) for n in photo.shape[:2])
    piece = photo[y : y + side, x : x + side]
    bright = tuple(int(c) for c in random.integers(190, 256, 3))
    dark = tuple(int(c) for c in random.integers(0, 80, 3))
    match ground:
        case "dark":
            return dark, bright, None
        case "light":
            return bright, dark, None
        case "panel":  # a translucent panel, dark or light
            share = random.uniform(0.55, 0.85)
            if random.random() < 0.6:
                return (piece * (1 - share) + np.array(dark) * share).astype(np.uint8), bright, None
            return (piece * (1 - share) + np.array(bright) * share).astype(np.uint8), dark, None
        case "outlined":
            rim = (
                (0, 0, 0)
                if random.random() < 0.5
                else tuple(int(c) for c in random.integers(0, 40, 3))
            )
            return piece, bright, rim  # type: ignore[return-value]
    # Two colours of one hue or of two, still well apart in brightness.
    base = random.integers(0, 120, 3)
    base[random.integers(3)] = random.integers(40, 120)
    tint = np.clip(base + random.integers(70, 190, 3), 0, 255)
    return tuple(map(int, base)), tuple(map(int, tint)), None


def _recorded(image: Picture, crf: int) -> Picture:
    """Code the picture as the second frame of an H.264 recording."""
    high, wide = (n // 2 * 2 for n in image.shape[:2])
    target = io.BytesIO()
    with av.open(target, "w", format="mp4") as out:
        stream = out.add_stream("libx264", rate=30, options={"crf": str(crf), "preset": "veryfast"})
        stream.width, stream.height, stream.pix_fmt = wide, high, "yuv420p"
        stream.thread_count = 1
        for shift in (3, 0):
            moved = np.ascontiguousarray(np.roll(image, shift, axis=1)[:high, :wide])
            out.mux(stream.encode(av.VideoFrame.from_ndarray(moved, format="rgb24")))
        out.mux(stream.encode())
    target.seek(0)
    with av.open(target) as read:
        read.streams.video[0].thread_count = 1
        *_, last = read.decode(video=0)
        return last.to_ndarray(format="rgb24")
