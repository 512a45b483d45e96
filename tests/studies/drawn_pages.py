"""Pages full of small overlays, drawn frame by frame and coded as captures are.

Every tile of a page is one session's layout over its own piece of a scene; page k shows all
sessions at their frame k, so that a film of the pages is coded as a real recording is: panels
stand, figures change, scenes move.
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from drawn_sessions import Session, draw_session
from PIL import Image

from extractor.extracting.steady import steadiest
from extractor.reading.training import coding
from extractor.reading.training.letters import Style
from extractor.reading.training.sheets import luminance
from extractor.reading.training.stock import Stock
from extractor.records import Box, Found, Place

WIDTH, HEIGHT = 1920, 1216
CODINGS = ("png", "jpeg90", "jpeg70", "jpeg50", "webp75", "h264")
_CODING_SHARES = np.array([0.3, 0.15, 0.15, 0.12, 0.1, 0.18])
# Overlays change about once a second, recordings hold some 30 frames of it, and any one of them is
# looked at (common practice). After the sixth the coder has nothing to add until the last two,
# which may be coded from the next state too: so many stand for all.
_SHOWN, _HELD = 30, 8
_CRF = (18, 29)  # of films: visually lossless to what chat programs send
_LETTERS = (9.5, 44.0)  # px, height of a figure, log-uniform
_LEAST_CONTRAST = 80  # of luminance between ink and a panel
_WORDS = (
    "FPS", "Avg", "Min", "Max", "Low", "CPU", "GPU", "RAM", "Temp", "Power", "Battery", "Level",
    "Voltage", "Current", "Load", "Usage", "Clock", "Core", "Rate", "Frame time", "Time", "Size",
    "Render", "Chip", "Skin", "Drain", "Mean", "Leistung", "Bildrate", "puissance", "media",
    "1% low", "Total", "Share", "Charge", "Memory", "Session", "Heat", "freq", "t", "P", "U", "I",
)  # fmt: skip


_SPARE = {"left": 0.0, "right": 1.0, "centre": 0.5}  # share of a cell's spare room left of a figure


@dataclass(frozen=True, slots=True)
class Arrangement:
    """How a layout puts its figures.

    ``columns`` of cells, 0: one after the other in lines; ``caption`` where it stands: left,
    above, below, right or nowhere; ``align`` of the figure in its cell; ``unit`` how it follows:
    glued, apart, small, none.
    """

    name: str
    columns: int
    caption: str
    align: str
    unit: str


@dataclass(frozen=True, slots=True)
class Part:
    """What a set of the study draws from; no two sets share any of it.

    ``families`` of the bundle's ``split``, all if empty; ``scenes`` are the packages.
    """

    split: str
    families: tuple[str, ...]
    scenes: tuple[str, ...]
    arrangements: tuple[Arrangement, ...]


SETS: Mapping[str, Part] = {
    "A": Part(
        "tune",
        ("overpass", "overpass-mono", "archivo", "archivo-narrow", "mulish", "asap", "hind",
         "varela-round", "syne", "red-hat-mono", "red-hat-text", "red-hat-display"),
        ("lomiri-wallpapers",),
        (Arrangement("strip, captions before", 0, "left", "left", "apart"),
         Arrangement("list, figures to the right", 1, "left", "right", "glued"),
         Arrangement("cards, caption above", 3, "above", "left", "small"),
         Arrangement("bare column", 1, "none", "left", "glued")),
    ),
    "B": Part(
        "tune",
        ("spline-sans", "spline-sans-mono", "encode-sans", "encode-sans-condensed", "sofia-sans",
         "k2d", "bitter", "tomorrow", "pixelify-sans"),
        ("pingus-data",),
        (Arrangement("strip, captions behind", 0, "right", "left", "glued"),
         Arrangement("two lists side by side", 2, "left", "left", "apart"),
         Arrangement("cards, caption below", 2, "below", "right", "apart"),
         Arrangement("bare line", 0, "none", "left", "apart")),
    ),
    "C": Part(
        "test", (),
        ("gnome-backgrounds", "openarena-data", "skimage", "sklearn"),
        (Arrangement("strip, captions before, glued", 0, "left", "left", "glued"),
         Arrangement("list, figures to the right, apart", 1, "left", "right", "apart"),
         Arrangement("list, captions behind", 1, "right", "right", "small"),
         Arrangement("cards, caption above, centred", 2, "above", "centre", "glued"),
         Arrangement("table of three", 3, "left", "right", "small"),
         Arrangement("bare table", 4, "none", "right", "none")),
    ),
}  # fmt: skip
"""Calibrate on A, choose the threshold on B, report on C. A and B part the tuning fonts by
design."""


class PartStock(Stock):
    """The fonts and scenes of one set."""

    def __init__(self, bundle: Path, part: Part) -> None:
        super().__init__(bundle, part.split)
        wanted = part.families or self.families
        kept = {
            kind: {name: faces for name, faces in families.items() if name in wanted}
            for kind, families in self._faces.items()
            if kind != "hand"
        }
        self._faces = {kind: families for kind, families in kept.items() if families}
        with zipfile.ZipFile(bundle) as archive:
            self._scenes = [
                archive.read(entry)
                for entry in sorted(archive.namelist())
                if entry.startswith(tuple(f"scenes/{part.split}/{each}" for each in part.scenes))
            ]
        if not self._faces or not self._scenes:
            raise ValueError(f"{bundle} holds no fonts or no scenes of this set")
        self._decoded: dict[int, np.ndarray] = {}

    def scene(self, rng: np.random.Generator) -> np.ndarray:
        at = int(rng.integers(len(self._scenes)))
        if at not in self._decoded:
            data = io.BytesIO(self._scenes[at])
            self._decoded[at] = np.asarray(Image.open(data).convert("RGB"))
        return self._decoded[at]


@dataclass(frozen=True, slots=True)
class _Piece:
    """Coverage (uint8) of a text; ``base`` its baseline's row; ``figure`` x0, y0, x1, y1 of its
    first part."""

    coverage: np.ndarray
    base: int
    figure: tuple[float, float, float, float]


@dataclass(slots=True)
class Cell:
    """One readout on a tile. ``x`` and ``y`` are where its pieces' left edges and baselines stand.

    ``box`` is what a person would draw around its figures, px of the tile.
    """

    readout: str
    pieces: list[_Piece]
    xs: list[int]
    y: int
    ink: np.ndarray
    box: tuple[float, float, float, float] = (0, 0, 0, 0)


@dataclass(slots=True)
class Tile:
    """One session drawn: where it lies on the page and how it looks.

    ``unit``: size and distance (em) of the units behind figures. ``error``: of its boxes, one
    sigma, in letter heights. ``speed`` of the scene, px a frame.
    """

    session: Session
    arrangement: Arrangement
    style: Style
    letter: float
    panel: str
    cells: list[Cell]
    captions: list[tuple[_Piece, int, int, np.ndarray]]
    size: tuple[int, int]
    ground: np.ndarray
    shade: np.ndarray
    opacity: float
    edge: str
    at: tuple[int, int] = (0, 0)
    error: float = 0.0
    unit: tuple[float, float] = (1.0, 0.0)
    speed: tuple[float, float] = (0.0, 0.0)


def _write(style: Style, parts: Sequence[tuple[str, float, float]], stock: Stock) -> _Piece:
    """Draw parts (text, size ratio, gap in em before) on one baseline."""
    over = style.over
    em = style.em * over
    upper = not style.face.has & set("aer")
    rng = np.random.default_rng(0)
    pen, placed, first = 0.3 * em, [], 0
    for which, (text, ratio, gap) in enumerate(parts):
        pen += gap * em
        for char in text.upper() if upper else text:
            face = style.face if char in style.face.has else stock.sign_face(char, rng)
            if face is None:
                raise LookupError(char)
            glyph = style.glyph(char, ratio, face)
            if glyph.mask.size:
                placed.append((glyph, pen + glyph.dx))
                first += which == 0
            pen += glyph.advance
            if over == 1:
                pen = float(round(pen))
    base = round(1.25 * style.em) * over
    high, wide = base + round(0.5 * style.em) * over, (int(pen + 0.3 * em) // over + 1) * over
    canvas = np.zeros((high, wide), np.uint8)
    boxes = []
    for glyph, x in placed:
        h, w = glyph.mask.shape
        top, left = base + glyph.dy, max(0, round(x))
        spot = canvas[max(0, top) : top + h, left : left + w]
        np.maximum(spot, glyph.mask[max(0, -top) :][: spot.shape[0], : spot.shape[1]], out=spot)
        boxes.append((left, top, left + w, top + h))
    ends = np.array(boxes[:first], float) / over
    if over > 1:
        canvas = cv2.resize(canvas, (wide // over, high // over), interpolation=cv2.INTER_AREA)
    if style.gamma != 1.0:
        table = np.round(255 * (np.arange(256) / 255) ** style.gamma).astype(np.uint8)
        canvas = cv2.LUT(canvas, table)
    figure = (*ends[:, :2].min(0), *ends[:, 2:].max(0))
    return _Piece(canvas, base // over, tuple(float(v) for v in figure))  # type: ignore[arg-type]


def _an_ink(light: float, rng: np.random.Generator) -> np.ndarray:
    """Draw an ink that is plain to see on a ground of this luminance."""
    while True:
        ink = rng.uniform(0, 255, 3)
        if rng.random() < 0.6:
            ink = np.repeat(rng.choice([rng.uniform(0, 40), rng.uniform(205, 255)]), 3)
        if abs(luminance(ink) - light) > _LEAST_CONTRAST:
            return ink.astype(np.float32)


def _plain_style(stock: Stock, letter: float, rng: np.random.Generator) -> Style:
    """Draw a face as it is, smoothed or hinted to whole px."""
    face = stock.face(rng)
    em = letter * 100.0 / max(30, face.glyph("0", 100.0).mask.shape[0])
    gamma = float(rng.uniform(0.75, 1.25))
    if rng.random() < 0.25:
        return Style(face, em, gamma=gamma)
    return Style(face, em, over=2 if letter > 34 else 4 if letter < 16 else 3, gamma=gamma)


def draw_tile(stock: Stock, part: Part, session: Session, rng: np.random.Generator) -> Tile:
    """Lay a session out; raises LookupError where no face has a sign it needs."""
    arrangement = part.arrangements[int(rng.integers(len(part.arrangements)))]
    letter = float(np.exp(rng.uniform(*np.log(_LETTERS))))
    style = _plain_style(stock, letter, rng)
    panel = str(rng.choice(["solid", "veil", "none"], p=[0.4, 0.42, 0.18]))
    dark = rng.random() < 0.75
    if panel == "none":
        shade, opacity, light, edge = np.zeros(3), 0.0, 0.0, str(rng.choice(["outline", "shadow"]))
    else:
        shade = rng.uniform(0, 50, 3) if dark else rng.uniform(205, 255, 3)
        opacity = 1.0 if panel == "solid" else float(rng.uniform(0.5, 0.92))
        light = luminance(shade) * opacity + 128 * (1 - opacity)
        edge = str(rng.choice(["plain", "outline", "shadow"], p=[0.8, 0.1, 0.1]))
    ink = _an_ink(light, rng)
    if panel == "none":  # an outline is dark: letters over a bare scene are light
        ink = np.maximum(ink, 255 - 0.5 * (255 - ink)).astype(np.float32)
    tile = Tile(session, arrangement, style, letter, panel, [], [], (0, 0), np.zeros(0),
                shade.astype(np.float32), opacity, edge)  # fmt: skip
    _lay(tile, stock, ink, light, rng)
    height, width = tile.size[1] + 40, tile.size[0] + 40
    scene = stock.scene(rng)
    share = float(rng.uniform(0.3, 0.9))
    h, w = max(16, int(scene.shape[0] * share)), max(16, int(scene.shape[1] * share))
    y = int(rng.integers(0, scene.shape[0] - h + 1))
    x = int(rng.integers(0, scene.shape[1] - w + 1))
    tile.ground = cv2.resize(scene[y : y + h, x : x + w], (width, height)).astype(np.float32)
    # A run is located frame by frame with nearly the same error; sigma is what locating predicts.
    tile.error = float(rng.uniform(0.004, 0.05))
    tile.speed = (float(rng.uniform(-2, 2)), float(rng.uniform(-1, 1)))
    return tile


def _lay(tile: Tile, stock: Stock, ink: np.ndarray, light: float, rng: np.random.Generator) -> None:
    """Put captions, figures and units in their places, fixed over all frames."""
    how, style, session = tile.arrangement, tile.style, tile.session
    em = style.em
    small = float(rng.uniform(0.55, 0.85))
    ratio = small if how.unit == "small" else 1.0
    gap = rng.uniform(0.0, 0.06) if how.unit == "glued" else rng.uniform(0.22, 0.5)
    tile.unit = (ratio, float(gap))
    caption_ratio = small if how.caption in ("above", "below") else float(rng.choice([1.0, small]))
    colon = rng.random() < 0.25
    row_gap = int(em * rng.uniform(0.05, 0.6))
    margin = int(em * rng.uniform(0.15, 0.8))
    said = rng.choice(len(_WORDS), len(session.texts), False)
    colourful = rng.random() < 0.3
    inks = [_an_ink(light, rng) if colourful and tile.panel != "none" else ink
            for _ in session.texts]  # fmt: skip
    caption_ink = ink if rng.random() < 0.5 or tile.panel == "none" else _an_ink(light, rng)
    blocks = []
    for order, (name, lines) in enumerate(session.texts.items()):
        drawn: dict[str, _Piece] = {}
        for text in lines:
            if text not in drawn:
                drawn[text] = _figure(tile, text, session.units[name], stock)
        pieces = [drawn[text] for text in lines]
        caption = None
        if how.caption != "none":
            word = _WORDS[int(said[order])] + (":" if colon and how.caption == "left" else "")
            caption = _write(style, [(word, caption_ratio, 0.0)], stock)
        blocks.append((name, pieces, caption, inks[order]))
    wide = [max(p.coverage.shape[1] for p in pieces) for _, pieces, _, _ in blocks]
    line_high = round(1.25 * em) + round(0.5 * em)
    small_high = round(em * (0.3 + caption_ratio))
    beside = [c.coverage.shape[1] if c and how.caption in ("left", "right") else 0
              for _, _, c, _ in blocks]  # fmt: skip
    stacked = how.caption in ("above", "below")
    cells_wide = [w + b for w, b in zip(wide, beside, strict=True)]
    cells_wide += [c.coverage.shape[1] for _, _, c, _ in blocks if c]
    cell_wide = max(cells_wide) + int(0.5 * em)
    row_high = int(0.95 * line_high) + row_gap + (small_high if stacked else 0)
    x, row, far = margin, 0, 0
    for order, (name, pieces, caption, own_ink) in enumerate(blocks):
        if how.columns:
            row, column = divmod(order, how.columns)
            x, room = margin + column * cell_wide, cell_wide - int(0.5 * em)
        else:
            room = wide[order] + beside[order]
            if x > margin and x + room > max(18 * em, 260):
                x, row = margin, row + 1
        base = margin + row * row_high + round(1.0 * em)
        base += small_high if how.caption == "above" else 0
        left = x + (beside[order] if how.caption == "left" else 0)
        room_here = room - beside[order]
        xs = [left + int(_SPARE[how.align] * (room_here - p.coverage.shape[1])) for p in pieces]
        if caption is not None:
            if how.caption in ("left", "right"):
                cx = x if how.caption == "left" else left + room_here
                cy = base
            else:
                above = how.caption == "above"
                cx, cy = left, base - round(1.1 * em) if above else base + small_high
            tile.captions.append((caption, cx, cy, caption_ink))
        tile.cells.append(Cell(name, pieces, xs, base, own_ink))
        x += room + int(0.4 * em)
        far = max(far, x + (0 if how.columns == 0 else int(0.2 * em)))
    rows = row + 1
    tile.size = (far + margin, 2 * margin + rows * row_high + int(0.4 * em))
    for cell in tile.cells:
        _draw_box(cell, tile.letter, rng)


def _figure(tile: Tile, text: str, unit: str, stock: Stock) -> _Piece:
    shown = unit and tile.arrangement.unit != "none"
    parts = [(text, 1.0, 0.0), *([(unit, *tile.unit)] if shown else [])]
    return _write(tile.style, parts, stock)


def redraw(tile: Tile, cell: Cell, at: int, text: str, unit: str, stock: Stock) -> None:
    """Draw another text at one frame, aligned as the one it stands for."""
    piece = _figure(tile, text, unit, stock)
    spare = _SPARE[tile.arrangement.align]
    cell.xs[at] += int(spare * (cell.pieces[at].coverage.shape[1] - piece.coverage.shape[1]))
    cell.pieces[at] = piece


def _draw_box(cell: Cell, letter: float, rng: np.random.Generator) -> None:
    """Give the box that a person draws: all its figures with some ground, or one more digit's."""
    x0 = min(x + p.figure[0] for x, p in zip(cell.xs, cell.pieces, strict=True))
    x1 = max(x + p.figure[2] for x, p in zip(cell.xs, cell.pieces, strict=True))
    y0 = min(p.figure[1] - p.base for p in cell.pieces) + cell.y
    y1 = max(p.figure[3] - p.base for p in cell.pieces) + cell.y
    m = rng.uniform(0.06, 0.3, 4) * letter
    cell.box = (x0 - m[0], y0 - m[1], x1 + m[2], y1 + m[3])


def draw_frame(tile: Tile, at: int) -> tuple[np.ndarray, np.ndarray]:
    """Draw a tile at frame ``at``: its picture (float32 RGB) and where ink lies (uint8)."""
    width, height = tile.size
    dx = int(np.clip(20 + tile.speed[0] * at, 0, 40))
    dy = int(np.clip(20 + tile.speed[1] * at, 0, 40))
    picture = tile.ground[dy : dy + height, dx : dx + width].copy()
    picture += tile.opacity * (tile.shade - picture)
    ink = np.zeros((height, width), np.uint8)
    for piece, x, y, shade in tile.captions:
        _blend(picture, None, piece, x, y, shade, tile)
    for cell in tile.cells:
        _blend(picture, ink, cell.pieces[at], cell.xs[at], cell.y, cell.ink, tile)
    return picture, ink


def _blend(
    picture: np.ndarray, ink: np.ndarray | None, piece: _Piece, x: int, y: int,
    shade: np.ndarray, tile: Tile,
) -> None:  # fmt: skip
    top, left = y - piece.base, x
    cover = piece.coverage
    cut_y, cut_x = max(0, -top), max(0, -left)
    there = np.s_[max(0, top) : top + cover.shape[0], max(0, left) : left + cover.shape[1]]
    spot = picture[there]
    cover = cover[cut_y : cut_y + spot.shape[0], cut_x : cut_x + spot.shape[1]]
    alpha = cover.astype(np.float32) / 255
    other = np.float32(0.0 if luminance(shade) > 128 else 255.0)
    thick = max(1, round(tile.style.em * 0.06))
    if tile.edge == "outline":
        kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * thick + 1, 2 * thick + 1))
        spot += cv2.dilate(alpha, kernel)[..., None] * (other - spot)
    elif tile.edge == "shadow":
        move = np.array([[1, 0, thick], [0, 1, thick]], np.float32)
        size = (cover.shape[1], cover.shape[0])
        shadow = cv2.GaussianBlur(cv2.warpAffine(alpha, move, size), (0, 0), 0.6 * thick)
        spot += 0.8 * shadow[..., None] * (other - spot)
    spot += alpha[..., None] * (shade - spot)
    if ink is not None:
        np.maximum(ink[there], cover, out=ink[there])


@dataclass(frozen=True, slots=True)
class Sample:
    """A frame of a film with the ones before and after it, and the state that each shows."""

    pages: tuple[np.ndarray | None, ...]
    states: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Pages:
    """Pages coded one way, with the tiles on them: ``pictures`` (RGB uint8), one a state.

    Of a film they are ``samples``, of which one frame is read.
    """

    tiles: list[Tile]
    pictures: list[np.ndarray]
    coding: str
    samples: tuple[Sample, ...] = ()

    def seen(self, tile: Tile, at: int, found: Found) -> tuple[np.ndarray, int, bool]:
        """Give the page to read, its state, and whether the overlay changes: see ``steadiest``."""
        if not self.samples:
            return self.pictures[at], at, False
        (left, top), (width, high) = tile.at, tile.size
        boxes = [replace(place.box, x=place.box.x - left, y=place.box.y - top)
                 for place in found.places if place.box]  # fmt: skip
        pieces = [
            None if page is None else page[top : top + high, left : left + width]
            for page in self.samples[at].pages
        ]
        assert pieces[1] is not None
        step, changing = steadiest(pieces[0], pieces[1], pieces[2], boxes)
        page = self.samples[at].pages[1 + step]
        assert page is not None
        return page, self.samples[at].states[1 + step], changing


def _fill(stock: Stock, part: Part, count: int, first: int, rng: np.random.Generator) -> list[Tile]:
    """Draw tiles for a page and put them on shelves; what finds no room is left out."""
    drawn: list[Tile] = []
    while sum(tile.size[0] * tile.size[1] for tile in drawn) < WIDTH * HEIGHT:
        try:
            session = draw_session(rng, count, first + len(drawn))
            tile = draw_tile(stock, part, session, rng)
        except LookupError:  # no face of the set has one of its signs
            continue
        if tile.size[0] <= WIDTH // 2 and tile.size[1] <= HEIGHT // 2:
            drawn.append(tile)
    drawn.sort(key=lambda tile: -tile.size[1])
    tiles, shelves = [], []
    for tile in drawn:
        width, height = tile.size
        shelf = next((each for each in shelves if each[0] + width <= WIDTH), None)
        if shelf is None:
            top = sum(each[2] for each in shelves)
            if top + height > HEIGHT:
                continue
            shelf = [0, top, height]
            shelves.append(shelf)
        tile.at = (shelf[0], shelf[1])
        shelf[0] += width
        tiles.append(tile)
    return tiles


def draw_pages(stock: Stock, part: Part, count: int, first: int, rng: np.random.Generator) -> Pages:
    """Draw ``count`` pages full of tiles and code them; sessions are numbered from ``first``."""
    tiles = _fill(stock, part, count, first, rng)
    how = str(rng.choice(CODINGS, p=_CODING_SHARES / _CODING_SHARES.sum()))
    pages = (_page(tiles, at) for at in range(count))
    if how == "h264":
        samples = _filmed(list(pages), int(rng.integers(*_CRF)), rng)
        shots = [page for sample in samples if (page := sample.pages[1]) is not None]
        return Pages(tiles, shots, how, samples)
    return Pages(tiles, [_coded(page, how) for page in pages], how)


def _filmed(pages: list[np.ndarray], crf: int, rng: np.random.Generator) -> tuple[Sample, ...]:
    """Film the pages and look at one frame of each, anywhere while it is shown."""
    met = rng.integers(0, _SHOWN, len(pages))
    last = _HELD - 2
    frames = [
        _HELD * state + (min(int(at), last - 1) if at < _SHOWN - 2 else int(at) - _SHOWN + _HELD)
        for state, at in enumerate(met)
    ]
    wanted = sorted({f + k for f in frames for k in (-1, 0, 1)} & set(range(_HELD * len(pages))))
    shown = dict(zip(wanted, coding.h264(pages, crf, held=_HELD, shown=wanted), strict=True))
    return tuple(
        Sample(tuple(shown.get(f + k) for k in (-1, 0, 1)),
               tuple((f + k) // _HELD for k in (-1, 0, 1)))
        for f in frames
    )  # fmt: skip


def _page(tiles: Sequence[Tile], at: int) -> np.ndarray:
    page = np.full((HEIGHT, WIDTH, 3), 90, np.uint8)
    for tile in tiles:
        drawn, _ = draw_frame(tile, at)
        (left, top), (width, height) = tile.at, tile.size
        page[top : top + height, left : left + width] = np.clip(drawn + 0.5, 0, 255)
    return page


def _coded(page: np.ndarray, how: str) -> np.ndarray:
    if how.startswith("jpeg"):
        return coding.jpeg(page, int(how[4:]))
    return coding.webp(page, int(how[4:])) if how.startswith("webp") else page


def find(tile: Tile, rng: np.random.Generator) -> Found:
    """Give what locating would: the tile's boxes, each wrong by what is predicted of it."""
    sigma = tile.error * tile.letter
    places = []
    for cell in tile.cells:
        x0, y0, x1, y1 = (
            edge + tile.at[k % 2] + float(rng.normal(0, sigma)) for k, edge in enumerate(cell.box)
        )
        height = tile.letter * float(rng.normal(1, 0.03))
        places.append(Place(cell.readout, Box(x0, y0, x1 - x0, y1 - y0), sigma, height))
    (left, top), (width, high) = tile.at, tile.size
    return Found(tile.session.calibration.id, 1.0, Box(left, top, width, high), 0.99, tuple(places))
