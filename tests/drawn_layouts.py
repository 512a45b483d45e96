"""Draws whole overlays on scenes, with the true place of every figure, for the tests of locating.

A layout is a list of items in px of its drawing. ``draw`` rasterises it anew at any scale (letters
are never enlarged pictures), puts text on whole pixels down as browsers do, and gives each figure's
true box. ``calibration`` cuts the landmarks' pictures from a drawing.
"""

from __future__ import annotations

import base64
import io
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import skimage
import sklearn.datasets
from drawn_figures import font
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from extractor.calibration.model import Calibration
from extractor.records import Box

Picture = NDArray[np.uint8]


@cache
def scenes() -> tuple[Picture, ...]:
    """Photographs that ship with scikit-learn and scikit-image."""
    folder = Path(skimage.__file__).parent / "data"
    names = (
        "coins.png",
        "chelsea.png",
        "coffee.png",
        "rocket.jpg",
        "motorcycle_left.png",
        "brick.png",
        "grass.png",
        "gravel.png",
        "ihc.png",
        "hubble_deep_field.jpg",
    )
    found = [np.asarray(Image.open(folder / name).convert("RGB")) for name in names]
    return (*sklearn.datasets.load_sample_images().images, *found)


def scene(number: int, width: int, height: int, shift: int = 0) -> Picture:
    """Scene ``number`` filling a frame, moved by ``shift`` px."""
    picture = scenes()[number % len(scenes())]
    h, w = picture.shape[:2]
    grow = max((width + abs(shift)) / w, height / h)
    image = cv2.resize(picture, (int(w * grow + 1), int(h * grow + 1)), interpolation=cv2.INTER_AREA
                       if grow < 1 else cv2.INTER_CUBIC)  # fmt: skip
    return np.ascontiguousarray(image[:height, abs(shift) : abs(shift) + width])


@dataclass(frozen=True)
class Item:
    """Something drawn: ``text`` at ``size`` px of letters, or a filled ``fill`` of size (w, h).

    ``role``: label (a landmark), figure, or nothing.
    """

    x: float
    y: float
    text: str = ""
    size: float = 0
    role: str = ""
    name: str = ""
    part: str = "main"
    w: float = 0
    h: float = 0
    radius: float = 0
    alpha: float = 1.0
    font: str = "matplotlib/DejaVuSans.ttf"


@dataclass(frozen=True)
class Theme:
    """Colours of panel, labels and figures; ``outline`` px a px of letters."""

    panel: tuple[int, int, int] = (18, 22, 34)
    label: tuple[int, int, int] = (176, 190, 205)
    figure: tuple[int, int, int] = (255, 255, 255)
    outline: float = 0.0


DARK = Theme()
LIGHT = Theme((243, 244, 240), (92, 88, 110), (20, 20, 24))
OUTLINED = Theme((0, 0, 0), (205, 240, 228), (255, 231, 168), 0.1)


@dataclass(frozen=True)
class Layout:
    name: str
    items: tuple[Item, ...]
    shifts: Mapping[str, tuple[float, float]] = field(default_factory=dict)


@dataclass(frozen=True)
class Drawing:
    image: Picture
    boxes: dict[str, Box]


def _extent(item: Item, text: str, scale: float) -> tuple[Any, tuple[int, int, int, int]]:
    face = font(item.font, item.size * scale)
    return face, face.getbbox(text, anchor="ls")


def draw(
    layout: Layout,
    scene_image: Picture,
    scale: float = 1.0,
    offset: tuple[float, float] = (0.0, 0.0),
    theme: Theme = DARK,
    values: Mapping[str, str] | None = None,
    shifts: Mapping[str, tuple[float, float]] | None = None,
) -> Drawing:
    """Rasterise the layout; ``shifts`` move a part, px of the frame."""
    canvas = scene_image.copy()
    boxes = {}
    for item in layout.items:
        move = (shifts or {}).get(item.part, (0.0, 0.0))
        x, y = offset[0] + item.x * scale + move[0], offset[1] + item.y * scale + move[1]
        layer = Image.new("L", (canvas.shape[1], canvas.shape[0]), 0)
        pen = ImageDraw.Draw(layer)
        if not item.text:
            area = (
                round(x),
                round(y),
                round(x + item.w * scale) - 1,
                round(y + item.h * scale) - 1,
            )
            pen.rounded_rectangle(area, item.radius * scale, fill=round(255 * item.alpha))
            canvas = _blend(canvas, layer, theme.panel)
            continue
        text = (values or {}).get(item.name, item.text)
        face, extent = _extent(item, text, scale)
        at = (x, round(y))
        if theme.outline:
            width = max(1, round(theme.outline * item.size * scale))
            pen.text(at, text, font=face, fill=255, anchor="ls", stroke_width=width)
            canvas = _blend(canvas, layer, (16, 14, 20))
            layer = Image.new("L", (canvas.shape[1], canvas.shape[0]), 0)
            pen = ImageDraw.Draw(layer)
        pen.text(at, text, font=face, fill=255, anchor="ls")
        canvas = _blend(canvas, layer, theme.figure if item.role == "figure" else theme.label)
        if item.role:
            ascent = 0.72 * item.size * scale
            boxes[item.name] = Box(at[0], at[1] - ascent, extent[2], ascent)
    return Drawing(canvas, boxes)


def _blend(canvas: Picture, layer: Image.Image, colour: tuple[int, int, int]) -> Picture:
    """Paint in place, only where the layer shows something."""
    area = layer.getbbox()
    if area:
        x0, y0, x1, y1 = area
        share = np.asarray(layer.crop(area), np.float32)[:, :, None] / 255
        mixed = canvas[y0:y1, x0:x1] * (1 - share) + np.array(colour, np.float32) * share
        canvas[y0:y1, x0:x1] = np.round(mixed).astype(np.uint8)
    return canvas


def png(picture: Picture) -> str:
    """A PNG in base64."""
    data = io.BytesIO()
    Image.fromarray(picture).save(data, "PNG", optimize=True)
    return base64.b64encode(data.getvalue()).decode()


def code(picture: Picture, form: str = "PNG", quality: int = 50) -> Picture:
    """The picture after one coding."""
    if form == "PNG":
        return picture
    data = io.BytesIO()
    Image.fromarray(picture).save(data, form, quality=quality)
    return np.asarray(Image.open(data).convert("RGB"))


PADDING = 3


def calibration(
    layout: Layout,
    drawn_on: tuple[int, int] = (1080, 2400),
    theme: Theme = DARK,
    offset: tuple[float, float] = (40.0, 90.0),
    sort: str = "picture",
    extra: tuple[dict[str, Any], ...] = (),
    lines: tuple[dict[str, Any], ...] = (),
    needs: int = 2,
    x_parts: Mapping[str, str] | None = None,
) -> Calibration:
    """The calibration of a layout, drawn at scale 1 on a grey scene."""
    scene_image = scene(0, *drawn_on)
    drawing = draw(layout, scene_image, 1.0, offset, theme)
    landmarks, readouts = [], []
    named = {name for line in lines for name in line["names"]}
    for item in layout.items:
        if item.role == "label":
            box = drawing.boxes[item.name]
            x0, y0 = int(box.x) - PADDING, int(box.y) - PADDING
            x1, y1 = int(np.ceil(box.right)) + PADDING, int(np.ceil(box.bottom + 0.24 * item.size))
            entry: dict[str, Any] = {"name": item.name, "part": item.part, "sort": sort}
            if sort == "word":
                left, top, right, bottom = _extent(item, item.text, 1.0)[1]
                base = box.bottom  # boxes close around the ink, as a person draws them
                ink = (box.x + left, base + top, right - left, bottom - top)
                entry |= {"word": item.text, "box": ink}
            else:
                cut = drawing.image[y0:y1, x0:x1]
                if theme.outline:
                    cut = _masked(layout, item, theme, offset, drawn_on)[y0:y1, x0:x1]
                entry |= {"picture": png(cut), "box": (x0, y0, x1 - x0, y1 - y0)}
            landmarks.append(entry)
        if item.role == "figure":
            entry = {"name": item.name, "kind": "number", "quantity": "other", "part": item.part}
            if item.name not in named:
                box = drawing.boxes[item.name]
                room = 0.15 * box.h
                entry["box"] = (box.x - room, box.y - room, box.w + 2 * room, box.h + 2 * room)
            if x_parts and item.name in x_parts:
                entry["x_part"] = x_parts[item.name]
            readouts.append(entry)
    return Calibration(
        format=1,
        id=f"{layout.name:0<8}",
        name=layout.name,
        shows="a layout of the tests",
        drawn_on=drawn_on,
        locating={"needs": needs},
        landmark=(*landmarks, *extra),
        readout=readouts,
        line=[{k: v for k, v in line.items() if k != "names"} for line in lines],
    )


def _masked(
    layout: Layout, item: Item, theme: Theme, offset: tuple[float, float], size: tuple[int, int]
) -> Picture:
    """The item's letters with their outline; everything else transparent."""
    black = draw(layout, np.zeros((size[1], size[0], 3), np.uint8), 1.0, offset, theme).image
    white = draw(layout, np.full((size[1], size[0], 3), 255, np.uint8), 1.0, offset, theme).image
    alpha = 255 - np.abs(white.astype(int) - black).max(axis=2)
    return np.dstack([black, np.where(alpha > 200, 255, 0)]).astype(np.uint8)


def true_box(drawing: Drawing, name: str) -> Box:
    """The readout's box as it should have been found: figure and room."""
    box = drawing.boxes[name]
    room = 0.15 * box.h
    return Box(box.x - room, box.y - room, box.w + 2 * room, box.h + 2 * room)


# ---------------------------------------------------------------- layouts


def _rows(labels: tuple[str, ...], units: tuple[str, ...], values: tuple[str, ...], top: float,
          size: float, left: float = 24, column: float = 190) -> list[Item]:  # fmt: skip
    items = []
    for index, (label, unit, value) in enumerate(zip(labels, units, values, strict=True)):
        y = top + index * 1.7 * size
        items.append(Item(left, y, label, 0.85 * size, "label", f"label_{index}"))
        items.append(Item(left + column, y, value, size, "figure", f"figure_{index}",
                          font="matplotlib/DejaVuSans-Bold.ttf"))  # fmt: skip
        items.append(Item(left + column + 100, y, unit, 0.7 * size))
    return items


def panel(labels: tuple[str, ...] = ("Tempo", "Watt", "Warmth", "Clock", "Charge")) -> Layout:
    units = ("f/s", "W", "°C", "MHz", "%")
    values = ("59.8", "4.27", "38.5", "812", "64")
    return Layout(
        "panel",
        (
            Item(0, 0, w=380, h=390, radius=24, alpha=0.72),
            Item(24, 50, "Slate of figures", 26, "label", "title"),
            *_rows(labels, units, values, 104, 34),
        ),
    )


def letters() -> Layout:
    labels = ("გუნდი", "ძალა", "სითბო", "ხმა", "ფიქრი")
    units = ("f/s", "W", "°C", "MHz", "%")
    rows = _rows(labels, units, ("121.0", "6.90", "41.2", "1450", "8"), 40, 38)
    georgian = "matplotlib/DejaVuSans-Bold.ttf"
    return Layout(
        "letters",
        tuple(
            Item(**{**vars(item), "font": georgian}) if item.role == "label" else item
            for item in rows
        ),
    )


def cards() -> Layout:
    items: list[Item] = []
    names = (
        ("mean pace", "59.1"),
        ("least pace", "44.0"),
        ("power used", "5.02"),
        ("heat", "40.5"),
    )
    for index, (label, value) in enumerate(names):
        part = "main" if index % 2 == 0 else "right"
        x, y = 20 + 500 * (index % 2), 60 + 250 * (index // 2)
        items.append(Item(x, y, part=part, w=470, h=220, radius=30, alpha=1.0))
        items.append(Item(x + 40, y + 90, value, 64, "figure", f"figure_{index}", part,
                          font="matplotlib/DejaVuSans-Bold.ttf"))  # fmt: skip
        items.append(Item(x + 40, y + 170, label, 36, "label", f"label_{index}", part))
    return Layout("cards", tuple(items))
