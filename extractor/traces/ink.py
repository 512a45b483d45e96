"""How much of the line's colour every pixel of a plot holds, and what else is drawn there.

An antialiased pixel is ``ground + share * (line - ground)`` in sRGB code values, which is how
browsers and plotting libraries blend. The share of the colour difference (chroma) tells whose ink
it is; the share of the brightness tells where it ends, since lossy coders keep brightness sharp
and store chroma at half the resolution (4:2:0; ITU-T T.81 leaves it to the coder).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.uint8]
Plane = NDArray[np.float32]

_COLOURFUL = 18.0
"""Chroma difference, code values, from which hue tells a line from others."""
_HUE = 0.45
"""Greatest deviation from the line's hue, as a tangent."""
_CHROMA_WEIGHT = 0.12
"""Weight of chroma beside brightness in placing edges: it counts only where brightness does not."""
_FAINT = 0.12
"""Share below which hue cannot be told."""
_WHOLE = 0.5
"""Share of a row or column that shows something from which it is a grid line."""
_FOREIGN = 0.4
"""Colour distance from the mixing line, as a share of the contrast, that something else makes."""

_NEAR = 4
"""How far from where a person points the line may lie, px."""


@dataclass(frozen=True, slots=True)
class Ink:
    """The line's ink in a piece of a picture, planes of shape (h, w).

    ``share`` is what edges are placed by, 0 (ground) to 1 (line); ``own`` says where hue and
    brightness are the line's; ``foreign`` where something else is drawn that could hide it;
    ``off``, of shape (h, w, 3), is the difference from the ground: brightness, by which grid lines
    are found, and two of chroma, code values. ``contrast`` is between line and ground, 0 to 1;
    ``grey`` says that the line has no colour of its own, so that brightness alone tells it.
    """

    share: Plane
    own: NDArray[np.bool_]
    foreign: NDArray[np.bool_]
    off: Plane
    contrast: float
    grey: bool


def find_ink(image: Image, colour: str, others: tuple[str, ...] = ()) -> Ink:
    """Unmix ``image`` (RGB uint8, (h, w, 3)) into ground and a line of ``colour`` ("#rrggbb").

    ``others`` are the colours of other lines known to be drawn there: a pixel whose hue is nearer
    to one of them is not the line's.
    """
    pixels = _opponent(image.astype(np.float32))
    ground = _ground(image)
    line = _opponent(np.array(_rgb(colour), np.float32)) - ground
    off = pixels - ground
    weights = np.array([1, _CHROMA_WEIGHT, _CHROMA_WEIGHT], np.float32)
    share = (off * weights) @ line / max(float((line * weights) @ line), 1e-6)
    full = float(np.linalg.norm(line))
    chroma = float(np.linalg.norm(line[1:]))
    if chroma >= _COLOURFUL:
        own, aside = _own_hue(off, line, [_opponent(np.array(_rgb(o), np.float32)) - ground
                                          for o in others])  # fmt: skip
    else:
        beside = np.linalg.norm(off[..., 1:], axis=2)
        aside = beside / max(full, 1.0)
        own = (beside < 14 + 0.2 * np.abs(off[..., 0])) & (share > _FAINT)
    far = np.linalg.norm(off, axis=2) > _FOREIGN * full
    foreign = far & ~own & ((aside > _FOREIGN) | (np.abs(share) > 0.5))
    # What runs along a whole row or column is a grid line, which lies under the line.
    bare = ~own
    for axis in (0, 1):
        along = np.count_nonzero(foreign, axis=axis, keepdims=True)
        foreign &= along < _WHOLE * np.maximum(np.count_nonzero(bare, axis=axis, keepdims=True), 1)
    return Ink(
        np.asarray(share, np.float32),
        own,
        np.asarray(foreign),
        np.asarray(off, np.float32),
        min(1.0, full / 255),
        chroma < _COLOURFUL,
    )


def _own_hue(off: Plane, line: Plane, others: list[Plane]) -> tuple[NDArray[np.bool_], Plane]:
    """Where the hue is the line's; and the chroma across it as a share of the line's chroma."""
    along = line[1:] / np.linalg.norm(line[1:])
    forth = off[..., 1:] @ along
    across = np.abs(off[..., 2] * along[0] - off[..., 1] * along[1])
    size = float(np.linalg.norm(line[1:]))
    own = (forth > _FAINT * size) & (across < _HUE * forth + 2.0)
    # A line as bright as its colour is dark elsewhere is another one: red on white is no pink.
    bright = off[..., 0] / line[0] if abs(line[0]) > 40 else forth / size
    own &= (bright > 0.35 * forth / size - 0.1) & (bright < 3.0 * forth / size + 0.3)
    for other in others:
        far = float(np.linalg.norm(other[1:]))
        if far >= _COLOURFUL:
            towards = off[..., 1:] @ (other[1:] / far)
            own &= forth >= towards
    return own, np.asarray(across / max(size, 1.0), np.float32)


def _rgb(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def _opponent(rgb: Plane) -> Plane:
    """Brightness and two chroma differences, ITU-R BT.601 as in JFIF."""
    red, green, blue = rgb[..., 0], rgb[..., 1], rgb[..., 2]
    light = 0.299 * red + 0.587 * green + 0.114 * blue
    return np.stack([light, 0.564 * (blue - light), 0.713 * (red - light)], axis=-1)


def _ground(image: Image) -> Plane:
    """The commonest colour: the ground covers most of a chart."""
    coarse = (image >> 3).astype(np.int32)
    codes = (coarse[..., 0] << 10) | (coarse[..., 1] << 5) | coarse[..., 2]
    mode = np.bincount(codes.ravel()).argmax()
    members = image[codes == mode].astype(np.float32)
    return _opponent(np.median(members, axis=0))


def filled(share: Plane, own: NDArray[np.bool_], pen: int) -> Plane:
    """How much of the line's colour an area under (or around) the line is tinted with.

    0 where there is none. Larger areas alone: a median over some ``pen`` widths takes lines away.
    The most of what is found nearby above and below, so that the edge of the area counts as it.
    """
    side = min(255, max(9, 4 * pen) | 1)
    plain = np.clip(np.where(own, share, 0) * 200, 0, 200).astype(np.uint8)
    calm = cv2.medianBlur(plain, side).astype(np.float32) / 200
    calm[(calm > 0.6) | (calm < 0.04)] = 0
    if np.count_nonzero(calm) < 0.05 * calm.size:
        return np.zeros_like(share)
    return np.asarray(cv2.dilate(calm, np.ones((2 * side + 1, 1), np.uint8)), np.float32)


def colour_at(plot: Image, x: float, y: float) -> str:
    """The colour ("#rrggbb") of the line that a person points at.

    ``plot`` is the picture of the plot, RGB uint8 (h, w, 3); ``x``, ``y`` are px of it. Of the
    pixels nearby the one that differs most from the ground is the line's: beside it line and
    ground, or an area under the line, are mixed. Raises ValueError if there is ground alone.
    """
    row = int(np.clip(y, 0, plot.shape[0] - 1))
    column = int(np.clip(x, 0, plot.shape[1] - 1))
    near = plot[max(0, row - _NEAR) : row + _NEAR + 1, max(0, column - _NEAR) : column + _NEAR + 1]
    off = np.linalg.norm(_opponent(near.astype(np.float32)) - _ground(plot), axis=-1)
    if off.max() < _COLOURFUL:
        raise ValueError("nothing is drawn there")
    red, green, blue = (int(level) for level in near.reshape(-1, 3)[int(off.argmax())])
    return f"#{red:02x}{green:02x}{blue:02x}"
