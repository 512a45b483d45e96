"""How the letters of a line look, and the line drawn that way: coverage and where each stands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from extractor.reading.training.segments import SegmentFace, draw_face
from extractor.reading.training.stock import Face, Glyph, Pixels, Stock

_INKED = 96  # coverage of 255 from which a dot is ink: thin strokes stay whole
TOUCHING = 0.1  # em: parts of a line that stand closer touch, the others have a space between


@dataclass
class Style:
    """A face at a size, its outlines altered; ``glyphs`` are kept while the style lives.

    ``em`` px; ``over`` how many times larger the letters are drawn before they are averaged down
    (1: hinted, whole px); ``slant`` px sideways a px upwards; ``width`` a factor; ``weight`` and
    ``rounding`` in em; ``waist`` how far the middle of the letters is lifted, in letter heights;
    ``spacing`` in em; ``gamma`` of the coverage; ``unlit`` how much is seen of segments that are
    off, 0 to 1; ``apart``: units and captions never touch the figure; ``dot`` px (at ``over``
    times) of each dot that letters drawn in few are made of, without grey, 0: none.
    """

    face: Face | SegmentFace
    em: float
    over: int = 1
    slant: float = 0.0
    width: float = 1.0
    weight: float = 0.0
    waist: float = 0.0
    rounding: float = 0.0
    spacing: float = 0.0
    gamma: float = 1.0
    unlit: float = 0.0
    apart: bool = False
    dot: int = 0
    glyphs: dict[tuple[str, float], Glyph] = field(default_factory=dict, repr=False)
    fonts: dict[tuple[int, float], Any] = field(default_factory=dict, repr=False)

    def glyph(self, char: str, ratio: float, face: Face | SegmentFace) -> Glyph:
        """Draw a character ``ratio`` times as large as the style says, at ``over`` times."""
        key = (char, ratio)
        if key not in self.glyphs:
            dot = self.dot or 1
            size = self.em * self.over * ratio / dot
            if (id(face), ratio) not in self.fonts:
                smooth = self.over > 1 and not self.dot
                self.fonts[id(face), ratio] = face.font(size if smooth else max(1, round(size)))
            glyph = face.glyph(char, size, self.fonts[id(face), ratio])
            self.glyphs[key] = _in_dots(glyph, dot) if dot > 1 else glyph
        return self.glyphs[key]


@dataclass(frozen=True, slots=True)
class Line:
    """Pixels (uint8) of a line; ``text`` one character a row of ``boxes`` (x0, y0, x1, y1).

    ``part`` tells which of the line's parts a character belongs to, ``spaced`` whether a space
    stands before it.
    """

    coverage: Pixels
    text: str
    boxes: NDArray[Any]
    part: NDArray[np.int8]
    spaced: NDArray[np.bool_]


def _in_dots(glyph: Glyph, dot: int) -> Glyph:
    """Enlarge a small glyph to square dots, each ink or none."""
    mask = np.where(glyph.mask > _INKED, np.uint8(255), np.uint8(0))
    large = np.repeat(np.repeat(mask, dot, axis=0), dot, axis=1)
    return Glyph(large, dot * glyph.dx, dot * glyph.dy, dot * float(round(glyph.advance)))


def draw_style(stock: Stock, letter: float, rng: np.random.Generator, hand: bool = False) -> Style:
    """Draw a style whose capital letters are about ``letter`` px high; ``hand``: handwriting."""
    face: Face | SegmentFace = stock.hand(rng) if hand else stock.face(rng)
    if face.kind == "segment" and rng.random() < 0.8:
        face = draw_face(rng)
    measured = face.glyph("0", 100.0)
    em = letter * 100.0 / max(30, measured.mask.shape[0])
    if rng.random() < 0.3:  # hinted to whole px, as many desktop programs draw
        return Style(face, em, gamma=float(rng.uniform(0.8, 1.2)))
    style = Style(face, em, over=2 if letter > 34 else 4 if letter < 16 else 3)
    style.gamma = float(rng.uniform(0.65, 1.4))
    if face.kind == "segment" and rng.random() < 0.4:
        style.unlit = float(rng.uniform(0.03, 0.3))
    if rng.random() < 0.3:
        style.spacing = float(rng.uniform(-0.04, 0.14))
    if face.kind in ("pixel", "segment") and rng.random() < 0.6:
        return style
    if rng.random() < 0.3:
        style.slant = float(rng.normal(0.0, 0.12))
    if rng.random() < 0.5:
        style.width = float(np.exp(rng.normal(0.0, 0.13)))
    if rng.random() < 0.5:
        style.weight = float(rng.normal(0.0, 0.018))
    if rng.random() < 0.4:
        style.waist = float(np.clip(rng.normal(0.0, 0.05), -0.1, 0.1))
    if rng.random() < 0.3:
        style.rounding = float(rng.uniform(0.01, 0.05))
    return style


def in_few_dots(style: Style, rng: np.random.Generator) -> Style:
    """Give the style as pixel fonts are: its face in few dots of several px each.

    There are few pixel fonts, and one that nets have not met they misread with certainty.
    """
    if style.face.kind in ("pixel", "segment"):
        return style
    letter = style.em * style.over * 0.7
    dot = max(2 if style.over == 1 else style.over, round(letter / rng.uniform(6.5, 11)))
    return replace(
        style, dot=dot, slant=0.0, waist=0.0, rounding=0.0, weight=0.0, glyphs={}, fonts={}
    )


def set_close(style: Style, rng: np.random.Generator) -> Style:
    """Give the style with letters so close that many touch: a sign, too, may run into its digit."""
    return replace(style, spacing=float(rng.uniform(-0.1, -0.03)))


def draw_line(
    style: Style, parts: Sequence[tuple[str, float, float]], stock: Stock, rng: np.random.Generator
) -> Line | None:
    """Draw parts (text, size ratio, gap in em before it) on one baseline.

    None if a character can be drawn by no face of the stock.
    """
    over, pen = style.over, 0.0
    placed: list[tuple[str, Glyph, float, int]] = []
    spaced: list[bool] = []
    for which, (text, ratio, gap) in enumerate(parts):
        pen += gap * style.em * over
        apart = gap > TOUCHING
        upper = not style.face.has & set("aer")
        for char in text.upper() if upper else text:
            face: Face | SegmentFace | None = style.face
            if char not in style.face.has:
                face = stock.sign_face(char, rng)
            if face is None:
                return None
            glyph = style.glyph(char, ratio, face)
            if glyph.mask.size:
                placed.append((char, glyph, pen + glyph.dx, which))
                spaced.append(apart)
                apart = False
            else:
                apart = True
            pen += glyph.advance + style.spacing * style.em * over * ratio
            if over == 1:
                pen = float(round(pen))
    if not placed:
        return None
    edge = int(0.12 * style.em * over) + 2 * over
    left = min(x for _, _, x, _ in placed) - edge
    top = min(g.dy for _, g, _, _ in placed) - edge
    width = int(max(x + g.mask.shape[1] for _, g, x, _ in placed) - left) + edge + 1
    height = int(max(g.dy + g.mask.shape[0] for _, g, _, _ in placed) - top) + edge + 1
    canvas: Pixels = np.zeros((height, width), np.uint8)
    boxes = np.zeros((len(placed), 4), np.float32)
    for at, (_, glyph, x, _) in enumerate(placed):
        x0, y0 = round(x - left), glyph.dy - top
        h, w = glyph.mask.shape
        spot = canvas[y0 : y0 + h, x0 : x0 + w]
        np.maximum(spot, glyph.mask, out=spot)
        if style.unlit and glyph.mask.size and placed[at][0].isdigit():
            _draw_unlit(canvas, style, round(x - glyph.dx - left), -top)
        boxes[at] = x0, y0, x0 + w, y0 + h
    if over > 1:
        canvas, boxes = _alter(canvas, boxes, style, baseline=-top)
        canvas, boxes = _shrink(canvas, boxes, over, rng)
    if style.gamma != 1.0:
        table = np.round(255 * (np.arange(256) / 255) ** style.gamma).astype(np.uint8)
        canvas = cv2.LUT(canvas, table)
    text = "".join(char for char, _, _, _ in placed)
    part = np.array([p for _, _, _, p in placed], np.int8)
    return Line(canvas, text, boxes, part, np.array(spaced, bool))


def _draw_unlit(canvas: Pixels, style: Style, x: int, baseline: int) -> None:
    """Draw all segments of a figure faintly, pen at ``x``."""
    whole = style.glyph("8", 1.0, style.face)
    y0, x0 = baseline + whole.dy, x + whole.dx
    if y0 < 0 or x0 < 0:
        return
    spot = canvas[y0 : y0 + whole.mask.shape[0], x0 : x0 + whole.mask.shape[1]]
    if spot.shape == whole.mask.shape:
        np.maximum(spot, (whole.mask * style.unlit).astype(np.uint8), out=spot)


def _alter(
    canvas: Pixels, boxes: NDArray[Any], style: Style, baseline: float
) -> tuple[Pixels, NDArray[Any]]:
    """Alter the outlines of letters drawn large."""
    em = style.em * style.over
    steps = round(abs(style.weight) * em)
    if steps:
        kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * steps + 1, 2 * steps + 1))
        if style.weight > 0:
            canvas = cv2.dilate(canvas, kernel)
            boxes = boxes + np.array([-steps, -steps, steps, steps], np.float32)
        else:
            thin = cv2.erode(canvas, kernel)
            if int(thin.sum(dtype=np.int64)) > 0.5 * int(canvas.sum(dtype=np.int64)):
                canvas = thin
    if style.rounding:
        sigma = style.rounding * em
        soft: Any = cv2.GaussianBlur(canvas, (0, 0), sigma)
        round_ = cv2.convertScaleAbs(np.maximum(soft, 88) - 88, alpha=3.0)
        if int(round_.sum(dtype=np.int64)) > 0.75 * int(canvas.sum(dtype=np.int64)):
            canvas = round_
    if style.waist:
        cap = 0.7 * em
        y = np.arange(canvas.shape[0])
        share = np.clip((baseline - y) / cap, 0.0, 1.0)
        source = y + style.waist * cap * np.sin(np.pi * share)
        canvas = canvas[np.clip(np.round(source), 0, len(y) - 1).astype(np.intp)]
    if style.slant or style.width != 1.0:
        w, s = style.width, style.slant
        # x' = w * x - s * y + shift: nothing may be lost on the left
        far = w * canvas.shape[1] + abs(s) * canvas.shape[0]
        shift = s * canvas.shape[0] if s > 0 else 0.0
        turn = np.array([[w, -s, shift], [0.0, 1.0, 0.0]], np.float32)
        canvas = cv2.warpAffine(canvas, turn, (int(far) + 2, canvas.shape[0]))
        x0, y0, x1, y1 = boxes.T
        ends = np.stack([-s * y0 + shift, -s * y1 + shift])
        boxes = np.stack([w * x0 + ends.min(0), y0, w * x1 + ends.max(0), y1], 1)
    return canvas, boxes.astype(np.float32)


def _shrink(
    canvas: Pixels, boxes: NDArray[Any], over: int, rng: np.random.Generator
) -> tuple[Pixels, NDArray[Any]]:
    """Average down by ``over``, at a random fraction of a px."""
    left, top = (int(v) for v in rng.integers(0, over, 2))
    height = -(-(canvas.shape[0] + top) // over) * over
    width = -(-(canvas.shape[1] + left) // over) * over
    padded = np.zeros((height, width), np.uint8)
    padded[top : top + canvas.shape[0], left : left + canvas.shape[1]] = canvas
    size = (width // over, height // over)
    small = cv2.resize(padded, size, interpolation=cv2.INTER_AREA)
    return small, (boxes + np.array([left, top, left, top], np.float32)) / over
