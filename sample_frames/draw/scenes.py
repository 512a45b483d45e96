"""The moving scene behind the overlays: photographs panned, zoomed and blurred, with hard shapes.

Lantern Road is an invented scene of an invented game. Its four stretches are made of pictures that
the wheels of scikit-image and scikit-learn carry (licences: ``sample_frames/README.md``): a
courtyard, a meadow, a quarry and a night sky. A frame depends on the time in the scene and on the
size of the screen alone.
"""

from __future__ import annotations

from functools import cache
from importlib import resources
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

cv2.setNumThreads(1)
STRETCHES = ("courtyard", "meadow", "quarry", "night")


def _photo(package: str, *parts: str) -> np.ndarray:
    path = Path(str(resources.files(package).joinpath(*parts)))
    return np.asarray(Image.open(path).convert("RGB"))


@cache
def _pictures() -> dict[str, np.ndarray]:
    photos = {
        "china": _photo("sklearn.datasets", "images", "china.jpg"),
        "flower": _photo("sklearn.datasets", "images", "flower.jpg"),
        "sky": _photo("skimage", "data", "hubble_deep_field.jpg"),
        "brick": _photo("skimage", "data", "brick.png"),
        "grass": _photo("skimage", "data", "grass.png"),
        "gravel": _photo("skimage", "data", "gravel.png"),
    }
    tints = {"brick": (1.15, 0.95, 0.8), "grass": (0.75, 1.1, 0.55), "gravel": (1.1, 1.02, 0.9)}
    for name, tint in tints.items():
        photos[name] = np.clip(photos[name] * np.array(tint), 0, 255).astype(np.uint8)
    return photos


def _pan(photo: np.ndarray, size: tuple[int, int], x: float, y: float, zoom: float) -> np.ndarray:
    """Cut a part of ``photo`` (x, y in 0..1 say where, zoom >= 1 how small) and fill ``size``."""
    width, height = size
    scale = max(width / photo.shape[1], height / photo.shape[0]) * zoom
    shift_x = (photo.shape[1] - width / scale) * x
    shift_y = (photo.shape[0] - height / scale) * y
    matrix = np.array([[scale, 0, -shift_x * scale], [0, scale, -shift_y * scale]])
    return cv2.warpAffine(photo, matrix, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)


def _ground(
    canvas: np.ndarray, texture: np.ndarray, horizon: float, ahead: float, side: float
) -> None:
    """Lay a texture as a plane below the horizon, ``ahead`` and ``side`` in texture widths."""
    height, width = canvas.shape[:2]
    top = int(height * horizon)
    tile = np.tile(cv2.GaussianBlur(texture, (0, 0), 1.2), (3, 3, 1))
    n = texture.shape[0]
    u, v = n * (1 + side % 1), n * (1 - ahead % 1)
    source = np.array(
        [[u - n * 0.9, v], [u + n * 0.9, v], [u + n * 0.5, v + n], [u - n * 0.5, v + n]]
    )
    target = np.array([[0, top], [width, top], [width * 1.6, height], [-width * 0.6, height]])
    matrix = cv2.getPerspectiveTransform(source.astype(np.float32), target.astype(np.float32))
    plane = cv2.warpPerspective(tile, matrix, (width, height), borderMode=cv2.BORDER_REFLECT)
    far = cv2.GaussianBlur(plane, (0, 0), max(1.0, height / 240))
    mix = np.clip((np.arange(height) - top) / (0.45 * height), 0, 1)[top:, None, None]
    canvas[top:] = (plane[top:] * mix + far[top:] * (1 - mix)).astype(np.uint8)


def _shapes(canvas: np.ndarray, t: float, seed: int, colours: list[tuple[int, int, int]]) -> None:
    """Hard-edged towers and a lantern that pass by: what a game's geometry looks like."""
    height, width = canvas.shape[:2]
    rng = np.random.default_rng(seed)
    for number in range(7):
        depth = rng.uniform(0.35, 1.0)
        x = (rng.uniform(-0.2, 1.4) - t * 0.011 * depth) % 1.6 - 0.3
        w, top = rng.uniform(0.035, 0.09) * depth, rng.uniform(0.25, 0.55)
        left, right = x * width, (x + w) * width
        points = np.array(
            [
                [left, height * 0.8], [left, height * top],
                [(left + right) / 2, height * (top - 0.09 * depth)],
                [right, height * top], [right, height * 0.8],
            ]
        )  # fmt: skip
        colour = colours[number % len(colours)]
        cv2.fillPoly(canvas, [points.round().astype(np.int32)], colour, cv2.LINE_AA)
        middle = (left + right) / 2
        shade = np.array(
            [[middle, height * 0.8], [middle, height * (top - 0.09 * depth)], points[3], points[4]]
        )
        dark = tuple(int(part * 0.66) for part in colour)
        cv2.fillPoly(canvas, [shade.round().astype(np.int32)], dark, cv2.LINE_AA)
        lamp = (round((left + right) / 2), round(height * (top + 0.07)))
        cv2.circle(canvas, lamp, round(height * 0.012), (255, 236, 170), -1, cv2.LINE_AA)


def _blur(canvas: np.ndarray, length: float) -> np.ndarray:
    """Motion blur along the pan, in px."""
    n = max(1, round(length))
    return cv2.blur(canvas, (n, 1)) if n > 1 else canvas


def stretch_at(t: float) -> str:
    """The stretch of the scene at time t of a round, s."""
    return STRETCHES[int(t % 600 // 150)]


def scene(size: tuple[int, int], t: float, lean: float = 1.0) -> np.ndarray:
    """RGB uint8 of the scene at time ``t``, s; ``lean`` scales the motion blur."""
    width, height = size
    photos, name, x = _pictures(), stretch_at(t), (t % 150) / 150
    swing = 0.5 + 0.5 * np.sin(2 * np.pi * (x * 1.5 + 0.1))
    if name == "courtyard":
        canvas = _pan(photos["china"], size, swing, 0.35, 1.35)
        _ground(canvas, photos["brick"], 0.78, t * 0.06, x * 2)
        _shapes(canvas, t, 3, [(148, 72, 58), (92, 98, 122)])
    elif name == "meadow":
        canvas = _pan(photos["flower"], size, 0.3 + 0.4 * swing, 0.4, 1.5)
        _ground(canvas, photos["grass"], 0.72, t * 0.05, x)
        _shapes(canvas, t, 5, [(206, 190, 150), (120, 150, 96)])
    elif name == "quarry":
        rows = np.linspace(0, 1, height)[:, None, None]
        glow = np.array([250, 243, 226]) * (1 - rows) + np.array([196, 172, 140]) * rows
        canvas = np.broadcast_to(glow, (height, width, 3)).astype(np.uint8).copy()
        _ground(canvas, photos["gravel"], 0.46, t * 0.07, x * 1.4)
        _shapes(canvas, t, 7, [(170, 146, 118), (224, 206, 178), (132, 120, 112)])
    else:
        sky = (_pan(photos["sky"], size, swing, 0.5, 1.2) * 0.85).astype(np.uint8)
        canvas = cv2.GaussianBlur(sky, (0, 0), height / 900)
        _ground(canvas, (photos["gravel"] * 0.35).astype(np.uint8), 0.8, t * 0.05, x)
        _shapes(canvas, t, 11, [(34, 38, 62), (52, 44, 74)])
    canvas = _blur(canvas, lean * width / 480 * (1 + 2 * abs(np.cos(2 * np.pi * x * 1.5))))
    return _hud(canvas, t)


def _hud(canvas: np.ndarray, t: float) -> np.ndarray:
    """The game's own marks: a health bar and a compass ribbon, no figures."""
    height, width = canvas.shape[:2]
    unit = height / 100
    full = 0.55 + 0.4 * np.sin(t / 31)
    left, top = round(width / 2 - 22 * unit), round(3.2 * unit)
    right, foot = round(width / 2 + 22 * unit), round(4.8 * unit)
    cv2.rectangle(canvas, (left - 3, top - 3), (right + 3, foot + 3), (20, 20, 26), -1)
    end = round(left + (right - left) * full)
    cv2.rectangle(canvas, (left, top), (end, foot), (188, 62, 70), -1)
    centre = (round(width - 9 * unit), round(88 * unit) - round(8 * unit))
    cv2.circle(canvas, centre, round(6 * unit), (30, 34, 40), -1, cv2.LINE_AA)
    cv2.circle(
        canvas, centre, round(6 * unit), (226, 208, 160), max(1, round(unit / 3)), cv2.LINE_AA
    )
    tip = (
        round(centre[0] + 4.4 * unit * np.sin(t / 9)),
        round(centre[1] - 4.4 * unit * np.cos(t / 9)),
    )
    cv2.line(canvas, centre, tip, (232, 96, 70), max(2, round(unit / 2)), cv2.LINE_AA)
    return canvas
