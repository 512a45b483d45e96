"""Figures as a found layout gives them: a box with room in it, and what really stands beside it.

Drawn by the training's generator from one split of its bundle, in the layouts of study_reader.py.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from study_reader import KINDS, layout_of, legibility

from extractor.reading.asking import Ask
from extractor.reading.figures import part
from extractor.reading.scan import Target
from extractor.reading.training import coding
from extractor.reading.training.charset import fold
from extractor.reading.training.sheets import Sheet, draw_sheet
from extractor.reading.training.stock import Stock

_MARGIN = (0.08, 0.35)  # ground around the figure in its box, in letter heights
_ROOM = 0.75  # letter heights of room for one more digit
_ERROR = 0.04  # of the box's place and size, one sigma, in letter heights


@dataclass(frozen=True, slots=True)
class Drawn:
    """A target and the truth about it; ``letter`` height in px, ``legible`` as in study_reader."""

    target: Target
    truth: str
    family: str
    font: str
    kind: str
    coding: str
    letter: float
    contrast: float
    legible: float


def _codings(
    pictures: list[np.ndarray], rng: np.random.Generator, plain: bool
) -> list[coding.Coded]:
    if rng.random() < 0.22:
        crf = int(rng.integers(18, 35))
        films = coding.h264(pictures, crf, "veryfast")
        return [coding.Coded(film, f"h264-{crf // 6 * 6}") for film in films]
    coded = [coding.still(picture, rng) for picture in pictures]
    return [
        coding.Coded(picture, "png") if plain and each.name in ("twice", "enlarged") else each
        for picture, each in zip(pictures, coded, strict=True)
    ]


def places(bundle: Path, split: str, name: str, seed: int) -> Iterator[Drawn]:
    """Yield figures of a set in their places without end; the same seed gives the same."""
    hard = name == "hard"
    rng = np.random.default_rng(seed)
    stock = Stock(bundle, split)
    layout: Callable[..., None] = layout_of(name)
    while True:
        sheets = [draw_sheet(stock, layout, rng) for _ in range(4)]
        pictures = [np.clip(sheet.picture + 0.5, 0, 255).astype(np.uint8) for sheet in sheets]
        for sheet, coded in zip(sheets, _codings(pictures, rng, not hard), strict=True):
            if sheet.items and not sheet.hand:
                yield from _of_sheet(sheet, coded, rng, hard)


def _of_sheet(
    sheet: Sheet, coded: coding.Coded, rng: np.random.Generator, hard: bool
) -> Iterator[Drawn]:
    picture, scale = coded.picture, coded.scale
    size = (picture.shape[1], picture.shape[0])
    ink = cv2.resize(sheet.ink, size, interpolation=cv2.INTER_AREA)
    boxes = np.concatenate(sheet.boxes) * scale
    owner = np.array(sheet.owner)
    starts = np.searchsorted(owner, np.arange(len(sheet.items)))
    for at, item in enumerate(sheet.items):
        kind = KINDS.get(item.text.kind)
        letter = item.style.em * scale * 0.72
        if kind is None or "figure" not in item.spans or "±" in item.text.figure:
            continue
        if letter * coded.sharp < 8.5 or (not hard and item.contrast < 60):
            continue
        truth = part(fold(item.text.figure), kind)  # type: ignore[arg-type]
        if truth is None:
            continue
        first, after = (starts[at] + k for k in item.spans["figure"])
        span = boxes[first:after]
        x0, y0, x1, y1 = *span[:, :2].min(0), *span[:, 2:].max(0)
        m = rng.uniform(*_MARGIN, 4) * letter
        room = _ROOM * letter * rng.random() * np.array([1, 0] if rng.random() < 0.5 else [0, 1])
        shift = rng.normal(0, _ERROR, 4) * letter
        # Room never reaches over a neighbour: a person draws a box so.
        others = np.delete(boxes, np.s_[first:after], axis=0)
        beside = others[(others[:, 1] < y1) & (others[:, 3] > y0)]
        left = max((b for b in beside[:, 2] if b <= x0 + 1), default=-1e9)
        right = min((a for a in beside[:, 0] if a >= x1 - 1), default=1e9)
        edges = (
            max(x0 - m[0] - room[0], (left + x0) / 2) + shift[0], y0 - m[1] + shift[1],
            min(x1 + m[2] + room[1], (right + x1) / 2) + shift[2], y1 + m[3] + shift[3],
        )  # fmt: skip
        px, py = max(0, int(edges[0] - 1.5 * letter)), max(0, int(edges[1] - 0.35 * letter))
        qx = min(size[0], int(edges[2] + 1.5 * letter) + 1)
        qy = min(size[1], int(edges[3] + 0.35 * letter) + 1)
        box = tuple(float(e - o) for e, o in zip(edges, (px, py, px, py), strict=True))
        target = Target(
            np.ascontiguousarray(picture[py:qy, px:qx]), box, letter * float(rng.normal(1, 0.03)),
            Ask(kind),  # type: ignore[arg-type]
        )  # fmt: skip
        shown = legibility(picture[int(y0) : int(y1) + 1], ink[int(y0) : int(y1) + 1],
                           span[:, [0, 2]], letter)  # fmt: skip
        yield Drawn(
            target, truth.text, item.style.face.family, item.style.face.kind, item.text.kind,
            coded.name, letter, item.contrast, shown,
        )  # fmt: skip
