"""Sheets of many lines over one scene, coded as captures are, and crops cut out of them.

Drawing many lines on a sheet shares the cost of scene and coding, and gives every crop real
neighbours: what is cut by a crop's edge was drawn whole before.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from extractor.reading.training import coding, texts
from extractor.reading.training.charset import encode
from extractor.reading.training.letters import (
    Line,
    Style,
    draw_line,
    draw_style,
    in_few_dots,
    set_close,
)
from extractor.reading.training.stock import Pixels, Stock

WIDTH, HEIGHT = 512, 320
LONGEST = 40  # characters of a crop
_SEEN, _UNSEEN = 0.7, 0.42  # a character is read from this share on, and not below that one
_HANDS = 0.03  # share of the sheets that are written by hand, on which nothing is to be read
_MORE_HANDS = 0.05  # the same in training
_REMAINS = 0.12  # share of training's lines whose digits keep strokes of others, as in poor films
_MOST_REMAINS = 0.45  # of their strength
_DOTTED = 0.06  # share of training's styles that are drawn in few dots, as pixel fonts are
_CLOSE = 0.08  # share of training's styles whose letters touch, signs too
_WIDELY = 0.2  # share of training's loose crops that show far more ground beside the figure
_BUSY = 30.0  # deviation of the ground from which letters are mostly outlined


@dataclass(frozen=True, slots=True)
class Crop:
    """One crop with all that is known of it.

    ``picture`` RGB uint8; ``text`` what stands on it ('' if nothing does), ``figure`` the part of
    it that the crop was cut for; ``boxes`` (x0, x1) of every character but spaces, px of the
    crop; ``letter`` height of a figure in px, ``contrast`` of ink and ground in luminance.
    ``coverage`` (uint8, of the picture's height and width) tells where ink was drawn.
    """

    picture: Pixels
    text: str
    figure: str
    boxes: Pixels
    family: str
    font: str
    kind: str
    coding: str
    cut: str
    letter: float
    contrast: float
    coverage: Pixels


@dataclass
class _Item:
    """A line drawn on a sheet."""

    text: texts.Text
    style: Style
    contrast: float
    spans: dict[str, tuple[int, int]]


@dataclass
class Sheet:
    """A picture with lines; glyphs of all lines in rows of ``boxes`` (x0, y0, x1, y1).

    ``ink`` (uint8) tells where ink lies; ``hand``: all of it is handwriting. ``training``: lines
    and crops are spoilt as only training's are, so that those of tests stay what they are.
    """

    picture: Pixels
    ink: Pixels
    hand: bool = False
    training: bool = False
    items: list[_Item] = field(default_factory=list)
    chars: list[str] = field(default_factory=list)
    boxes: list[Pixels] = field(default_factory=list)
    owner: list[int] = field(default_factory=list)
    spaced: list[bool] = field(default_factory=list)
    row: list[int] = field(default_factory=list)


# A layout puts lines on a sheet.
Layout = Callable[[Sheet, Stock, np.random.Generator], None]


def background(stock: Stock, rng: np.random.Generator) -> Pixels:
    """Draw what lies behind: a scene, a flat or graded ground, noise, hard shapes; float32 RGB."""
    kind = rng.choice(
        ["scene", "flat", "graded", "noise", "shapes"], p=[0.5, 0.23, 0.12, 0.07, 0.08]
    )
    if kind == "scene":
        scene = stock.scene(rng)
        h, w = scene.shape[:2]
        share = float(rng.uniform(0.25, 1.0))
        ch, cw = max(16, int(h * share)), max(16, int(w * share))
        y, x = int(rng.integers(0, h - ch + 1)), int(rng.integers(0, w - cw + 1))
        ground = cv2.resize(scene[y : y + ch, x : x + cw], (WIDTH, HEIGHT)).astype(np.float32)
        if rng.random() < 0.5:
            ground = ground[:, ::-1]
        ground = ground * float(rng.uniform(0.4, 1.15)) + float(rng.uniform(-20, 30))
        return np.ascontiguousarray(ground)
    base = rng.uniform(0, 255, 3) if rng.random() < 0.5 else np.repeat(rng.uniform(0, 255), 3)
    ground = np.empty((HEIGHT, WIDTH, 3), np.float32)
    ground[:] = base
    if kind == "graded":
        ends = np.linspace(0, 1, WIDTH, dtype=np.float32)[None, :, None]
        if rng.random() < 0.5:
            ends = np.linspace(0, 1, HEIGHT, dtype=np.float32)[:, None, None]
        ground += ends * rng.uniform(-160, 160, 3).astype(np.float32)
    elif kind == "noise":
        scale = int(rng.integers(1, 12))
        size = (HEIGHT // scale + 1, WIDTH // scale + 1, 3)
        noise = rng.normal(0, rng.uniform(5, 50), size).astype(np.float32)
        ground += cv2.resize(noise, (WIDTH, HEIGHT), interpolation=int(rng.integers(0, 2)))
    elif kind == "shapes":
        for _ in range(int(rng.integers(6, 30))):
            shade = [float(v) for v in rng.uniform(0, 255, 3)]
            a = (int(rng.integers(0, WIDTH)), int(rng.integers(0, HEIGHT)))
            b = (int(rng.integers(0, WIDTH)), int(rng.integers(0, HEIGHT)))
            form = rng.integers(4)
            if form == 0:
                cv2.rectangle(ground, a, b, shade, -1)
            elif form == 1:
                cv2.circle(ground, a, int(rng.integers(3, 60)), shade, int(rng.integers(-1, 5)))
            else:
                cv2.line(ground, a, b, shade, int(rng.integers(1, 9)), cv2.LINE_AA)
    return ground


def panel(sheet: Sheet, box: tuple[int, int, int, int], rng: np.random.Generator) -> None:
    """Lay a panel of any opacity over ``box`` (x0, y0, x1, y1)."""
    x0, y0, x1, y1 = (max(0, v) for v in box)
    spot = sheet.picture[y0:y1, x0:x1]
    if spot.size == 0:
        return
    dark = rng.random() < 0.7
    shade = rng.uniform(0, 60, 3) if dark else rng.uniform(190, 255, 3)
    if rng.random() < 0.15:
        shade = rng.uniform(0, 255, 3)
    opacity = float(rng.choice([1.0, rng.uniform(0.3, 0.95)]))
    spot += opacity * (shade.astype(np.float32) - spot)
    if rng.random() < 0.2:
        edge = [float(v) for v in rng.uniform(0, 255, 3)]
        cv2.rectangle(sheet.picture, (x0, y0), (x1 - 1, y1 - 1), edge, int(rng.integers(1, 3)))


def luminance(shade: Pixels) -> float:
    """Luma of an RGB colour (ITU-R BT.601 weights), 0 to 255."""
    return float(np.dot(shade, [0.299, 0.587, 0.114]))


def _ink(ground: Pixels, spread: float, rng: np.random.Generator) -> tuple[Pixels, bool]:
    """Draw an ink that can be told from its ground; True if it needs an outline."""
    light = luminance(ground)
    if rng.random() < 0.07 and spread < 14:  # by hue alone
        for _ in range(8):
            ink = rng.uniform(0, 255, 3)
            ink = np.clip(ink + (light - luminance(ink)), 0, 255)
            if np.abs(ink - ground).max() > 90:
                return ink, False
    need = 45 + 0.9 * spread
    if spread > _BUSY and rng.random() < 0.5:
        ink = np.repeat(rng.choice([rng.uniform(0, 40), rng.uniform(215, 255)]), 3)
        return ink, True
    for _ in range(6):
        ink = rng.uniform(0, 255, 3)
        if rng.random() < 0.5:
            ink = np.repeat(rng.choice([rng.uniform(0, 60), rng.uniform(195, 255)]), 3)
        if abs(luminance(ink) - light) > need:
            return ink, False
    ink = np.repeat(255.0 if light < 128 else 0.0, 3)
    return ink, abs(luminance(ink) - light) < need + 20


def put(
    sheet: Sheet, text: texts.Text, style: Style, corner: tuple[int, int], row: int,
    stock: Stock, rng: np.random.Generator,
) -> int:  # fmt: skip
    """Draw ``text`` with its upper left corner near ``corner``; give the x where it ends, or 0."""
    line, spans = _compose(text, style, stock, rng, sheet.training)
    if line is None:
        return 0
    x, y = corner
    h, w = line.coverage.shape
    if x < 0 or y < 0 or x + w > WIDTH or y + h > HEIGHT:
        return 0
    boxes = line.boxes + np.array([x, y, x, y], np.float32)
    if _overlaps(boxes, sheet.boxes):
        return 0
    spot = sheet.picture[y : y + h, x : x + w]
    mean, spread = cv2.meanStdDev(spot)
    ink, weak = _ink(mean[:, 0], float(spread.mean()), rng)
    alpha: Any = line.coverage.astype(np.float32) / 255
    soft = rng.random()
    if soft < 0.12:
        alpha = cv2.GaussianBlur(alpha, (0, 0), float(rng.uniform(0.3, 0.25 + style.em / 60)))
    outline = rng.random() < (0.9 if weak else 0.13)
    thick = max(1, round(style.em * float(rng.uniform(0.03, 0.09))))
    other = np.repeat(0.0 if luminance(ink) > 128 else 255.0, 3)
    if outline:
        kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * thick + 1, 2 * thick + 1))
        around = cv2.dilate(alpha, kernel)
        if rng.random() < 0.4:
            around = cv2.GaussianBlur(around, (0, 0), 0.7)
        spot += around[..., None] * (other.astype(np.float32) - spot)
    elif rng.random() < 0.22:
        move = np.array(
            [[1, 0, float(rng.uniform(0, 2 * thick))], [0, 1, float(rng.uniform(0.5, 2 * thick))]],
            np.float32,
        )
        shadow: Any = cv2.warpAffine(alpha, move, (w, h))
        if rng.random() < 0.6:
            shadow = cv2.GaussianBlur(shadow, (0, 0), float(rng.uniform(0.5, 2.5)))
        shadow *= float(rng.uniform(0.4, 1.0))
        spot += shadow[..., None] * (other.astype(np.float32) - spot)
    shade = ink.astype(np.float32)
    if rng.random() < 0.05:
        fade = np.linspace(0, 1, h, dtype=np.float32)[:, None, None]
        shade = shade + fade * rng.uniform(-60, 60, 3).astype(np.float32)
    opacity = 1.0 if rng.random() < 0.8 else float(rng.uniform(0.7, 1.0))
    spot += (opacity * alpha)[..., None] * (shade - spot)
    laid = sheet.ink[y : y + h, x : x + w]
    np.maximum(laid, line.coverage, out=laid)
    contrast = abs(luminance(ink) - luminance(mean[:, 0])) * opacity
    sheet.chars += line.text
    sheet.boxes.append(boxes)
    sheet.owner += [len(sheet.items)] * len(line.text)
    sheet.row += [row] * len(line.text)
    sheet.spaced += [True, *(bool(v) for v in line.spaced[1:])]
    sheet.items.append(_Item(text, style, contrast, spans))
    return int(x + w)


def _overlaps(line: Pixels, others: list[Pixels]) -> bool:
    """Tell whether a line would be drawn over another one."""
    x0, y0 = line[:, :2].min(0)
    x1, y1 = line[:, 2:].max(0)
    return any(
        bool(((b[:, 0] < x1) & (b[:, 2] > x0) & (b[:, 1] < y1) & (b[:, 3] > y0)).any())
        for b in others
    )


def _compose(
    text: texts.Text, style: Style, stock: Stock, rng: np.random.Generator, training: bool
) -> tuple[Line | None, dict[str, tuple[int, int]]]:
    """Lay caption, figure and unit out as one line, touching or apart."""
    small = float(rng.uniform(0.5, 0.9)) if rng.random() < 0.35 else 1.0
    parts: list[tuple[str, float, float]] = []
    names: list[str] = []
    for name, piece in (("caption", text.caption), ("figure", text.figure), ("unit", text.unit)):
        if not piece:
            continue
        glued = not style.apart and rng.random() < (0.6 if name == "unit" else 0.15)
        gap = float(rng.uniform(0.0, 0.06)) if glued else float(rng.uniform(0.3, 0.9))
        parts.append((piece, 1.0 if name == "figure" else small, gap if parts else 0.0))
        names.append(name)
    line = draw_line(style, parts, stock, rng)
    if line is not None and training and rng.random() < _REMAINS:
        line = with_remains(line, style, parts, stock, rng)
    spans: dict[str, tuple[int, int]] = {}
    if line is not None:
        for which, name in enumerate(names):
            at = np.flatnonzero(line.part == which)
            if len(at):
                spans[name] = (int(at[0]), int(at[-1]) + 1)
    return line, spans


def with_remains(
    line: Line, style: Style, parts: list[tuple[str, float, float]], stock: Stock,
    rng: np.random.Generator,
) -> Line:  # fmt: skip
    """Leave strokes of other digits in some of a line's, where they are as wide.

    A film's coder may spend too little on a figure that changes. What is stronger is what is read.
    """

    def before(text: str) -> str:
        changes = (char.isdigit() and rng.random() < 0.5 for char in text)
        return "".join(
            str(rng.integers(10)) if change else char
            for char, change in zip(text, changes, strict=True)
        )

    changed = [(before(text), ratio, gap) for text, ratio, gap in parts]
    other = draw_line(style, changed, stock, rng)
    if other is None or other.coverage.shape != line.coverage.shape:
        return line
    share = float(rng.uniform(0.1, _MOST_REMAINS))
    mixed = cv2.addWeighted(line.coverage, 1 - share, other.coverage, share, 0)
    return replace(line, coverage=np.asarray(mixed, np.uint8))


def scattered(sheet: Sheet, stock: Stock, rng: np.random.Generator) -> None:
    """The layout of training: rows of any height, lines as they come, panels anywhere."""
    for _ in range(int(rng.integers(0, 3))):
        x0, y0 = int(rng.integers(0, WIDTH)), int(rng.integers(0, HEIGHT))
        far = (x0 + int(rng.integers(40, WIDTH)), y0 + int(rng.integers(30, HEIGHT)))
        panel(sheet, (x0, y0, *far), rng)
    y, row = int(rng.integers(0, 8)), 0
    letters = np.exp(rng.uniform(np.log(8.5), np.log(58.0), 4))
    pool = [draw_style(stock, float(letter), rng, sheet.hand) for letter in letters]
    if sheet.training and not sheet.hand:
        pool = [in_few_dots(each, rng) if rng.random() < _DOTTED else each for each in pool]
        pool = [set_close(each, rng) if rng.random() < _CLOSE else each for each in pool]
    while y < HEIGHT - 12:
        chosen = [int(k) for k in rng.integers(0, len(pool), 2)]
        styles = [pool[k] for k in chosen]
        letter = float(max(letters[k] for k in chosen))
        high = int(letter * 1.75) + 4
        if rng.random() < 0.45:
            panel(sheet, (int(rng.integers(-60, 100)), y - 2, WIDTH, y + high), rng)
        x = int(rng.integers(0, 12))
        for _ in range(30):
            if x > WIDTH - 20:
                break
            style = styles[int(rng.integers(2))]
            end = put(sheet, texts.draw(rng), style, (x, y), row, stock, rng)
            x = end + int(letter * rng.uniform(0.25, 1.2)) if end else x + int(0.2 * WIDTH)
        y += high - int(letter * rng.uniform(0.0, 0.45))
        row += 1


def draw_sheet(
    stock: Stock, layout: Layout, rng: np.random.Generator, training: bool = False
) -> Sheet:
    """Draw one sheet."""
    ground = background(stock, rng)
    hand = stock.has_hands and rng.random() < (_MORE_HANDS if training else _HANDS)
    sheet = Sheet(ground, np.zeros(ground.shape[:2], np.uint8), hand, training)
    layout(sheet, stock, rng)
    return sheet


def stream(
    stock: Stock,
    layout: Layout,
    rng: np.random.Generator,
    crops_a_line: float = 1.5,
    codings: int = 1,
    training: bool = False,
) -> Iterator[Crop]:
    """Yield crops without end; the same generator state gives the same crops.

    Every sheet is coded ``codings`` times, each time in another way.
    """
    while True:
        sheets = [draw_sheet(stock, layout, rng, training) for _ in range(4)]
        pictures = [np.clip(sheet.picture + 0.5, 0, 255).astype(np.uint8) for sheet in sheets]
        for _ in range(codings):
            if rng.random() < 0.22:
                crf = int(rng.integers(18, 35))
                preset = str(rng.choice(["ultrafast", "veryfast", "fast"], p=[0.3, 0.5, 0.2]))
                films = coding.h264(pictures, crf, preset)
                coded = [coding.Coded(film, f"h264-{crf // 6 * 6}") for film in films]
            else:
                coded = [coding.still(picture, rng) for picture in pictures]
            for sheet, whole in zip(sheets, coded, strict=True):
                if sheet.items:
                    small = sheet.hand and rng.random() < 0.5
                    shown = _as_scan(whole, rng) if small else whole
                    yield from cut_sheet(sheet, shown, rng, crops_a_line)


def _as_scan(coded: coding.Coded, rng: np.random.Generator) -> coding.Coded:
    """Enlarge a picture as small scans of handwriting are."""
    sharp = float(rng.uniform(0.15, 0.5))
    return replace(coded, picture=coding.enlarged(coded.picture, sharp, rng), sharp=sharp)


def cut_sheet(
    sheet: Sheet, coded: coding.Coded, rng: np.random.Generator, crops_a_line: float
) -> Iterator[Crop]:
    """Yield crops of a coded sheet: tight, loose, whole lines, and places without text."""
    picture, scale = coded.picture, coded.scale
    boxes = np.concatenate(sheet.boxes) * scale
    size = (picture.shape[1], picture.shape[0])
    ink = sheet.ink if scale == 1.0 else cv2.resize(sheet.ink, size, interpolation=cv2.INTER_AREA)
    owner, row = np.array(sheet.owner), np.array(sheet.row)
    starts = np.searchsorted(owner, np.arange(len(sheet.items)))
    for at, item in enumerate(sheet.items):
        for _ in range(int(crops_a_line + rng.random())):
            cut = str(rng.choice(["tight", "loose", "whole"], p=[0.46, 0.42, 0.12]))
            if cut == "whole":
                chosen = (min(s for s, _ in item.spans.values()),
                          max(e for _, e in item.spans.values()))  # fmt: skip
            else:
                first = "figure" if "figure" in item.spans else next(iter(item.spans))
                if cut == "tight" and rng.random() < 0.12:
                    first = str(rng.choice(sorted(item.spans)))
                chosen = item.spans[first]
            span = boxes[starts[at] + chosen[0] : starts[at] + chosen[1]]
            crop = _try_cut(sheet, picture, boxes, row, span, cut, rng)
            if crop is None:
                continue
            box, seen = crop
            letter = item.style.em * scale * 0.72
            if letter * coded.sharp < 7.0 and not sheet.hand:
                continue
            text = _spell(sheet, seen)
            inside = [k for k in seen if starts[at] + chosen[0] <= k < starts[at] + chosen[1]]
            if sheet.hand:
                seen, text, inside = [], "", []
            yield _crop(sheet, coded, ink, box, seen, boxes, text, inside, cut, item, letter)
    for _ in range(max(1, len(sheet.items) // 12)):
        place = _empty(boxes, picture.shape, rng)
        if place is not None:
            yield _crop(sheet, coded, ink, place, [], boxes, "", [], "empty", sheet.items[0], 0.0)


def _crop(
    sheet: Sheet, coded: coding.Coded, ink: Pixels, box: tuple[int, int, int, int],
    seen: list[int], boxes: Pixels, text: str, inside: list[int], cut: str, item: _Item,
    letter: float,
) -> Crop:  # fmt: skip
    x0, y0, x1, y1 = box
    places = boxes[seen][:, [0, 2]] - x0 if seen else np.zeros((0, 2), np.float32)
    return Crop(
        np.ascontiguousarray(coded.picture[y0:y1, x0:x1]), text, _spell(sheet, inside),
        places.astype(np.float32), item.style.face.family, item.style.face.kind,
        item.text.kind if text else "empty", coded.name, cut, letter, item.contrast,
        np.ascontiguousarray(ink[y0:y1, x0:x1]),
    )  # fmt: skip


def _spell(sheet: Sheet, seen: list[int]) -> str:
    """Join characters; a character before which a space was drawn gets one."""
    spelled = ((" " if sheet.spaced[at] else "") + sheet.chars[at] for at in seen)
    return "".join(spelled).strip()


def _try_cut(
    sheet: Sheet, picture: Pixels, boxes: Pixels, row: NDArray[np.int_],
    span: Pixels, cut: str, rng: np.random.Generator,
) -> tuple[tuple[int, int, int, int], list[int]] | None:  # fmt: skip
    """Find a crop around ``span`` on which every character is clearly in or clearly out."""
    x0, y0 = span[:, 0].min(), span[:, 1].min()
    x1, y1 = span[:, 2].max(), span[:, 3].max()
    high = y1 - y0
    for _ in range(5):
        if cut == "loose":
            m = rng.uniform(0.1, 0.5, 4) * max(high, 8.0)
            if sheet.training and rng.random() < _WIDELY:
                m[[0, 2]] *= 4
        else:
            m = rng.uniform(-0.02, 0.22, 4) * max(high, 8.0)
            if rng.random() < 0.4:  # drawn by a person or predicted: equal above and below
                m[:] = rng.uniform(0.0, 0.2) * max(high, 8.0)
        edges = np.round([x0 - m[0], y0 - m[1], x1 + m[2], y1 + m[3]]).astype(int)
        left, top = max(0, edges[0]), max(0, edges[1])
        right, low = min(picture.shape[1], edges[2]), min(picture.shape[0], edges[3])
        if low - top < 6 or right - left < 3:
            continue
        wide = np.minimum(boxes[:, 2], right) - np.maximum(boxes[:, 0], left)
        tall = np.minimum(boxes[:, 3], low) - np.maximum(boxes[:, 1], top)
        vx = wide / np.maximum(boxes[:, 2] - boxes[:, 0], 0.5)
        vy = tall / np.maximum(boxes[:, 3] - boxes[:, 1], 0.5)
        inside = (vx >= _SEEN) & (vy >= _SEEN)
        outside = (vx <= _UNSEEN) | (vy <= _UNSEEN)
        if not (inside | outside).all():
            continue
        seen = np.flatnonzero(inside)
        if len(set(row[seen].tolist())) > 1 or len(seen) == 0:
            continue
        order = [int(k) for k in seen[np.argsort(boxes[seen, 0], kind="stable")]]
        text = _spell(sheet, order)
        codes = encode(text)
        doubles = sum(a == b for a, b in pairwise(codes))
        steps = (right - left) * 16 / (low - top)
        if len(codes) <= LONGEST and len(codes) + doubles + 1 <= steps <= 250:
            return (int(left), int(top), int(right), int(low)), order
    return None


def _empty(
    boxes: Pixels, shape: tuple[int, ...], rng: np.random.Generator
) -> tuple[int, int, int, int] | None:
    """Find a place on which no character shows more than the share that is not read."""
    for _ in range(6):
        high = int(rng.integers(10, 60))
        wide = int(high * rng.uniform(0.6, 6))
        if high >= shape[0] or wide >= shape[1]:
            continue
        top, left = (int(rng.integers(0, shape[k] - s)) for k, s in ((0, high), (1, wide)))
        vx = np.minimum(boxes[:, 2], left + wide) - np.maximum(boxes[:, 0], left)
        vy = np.minimum(boxes[:, 3], top + high) - np.maximum(boxes[:, 1], top)
        vx /= np.maximum(boxes[:, 2] - boxes[:, 0], 0.5)
        vy /= np.maximum(boxes[:, 3] - boxes[:, 1], 0.5)
        if ((vx <= 0.3) | (vy <= 0.3)).all():
            return left, top, left + wide, top + high
    return None
