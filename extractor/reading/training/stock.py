"""Fonts and scenes of one split, out of the bundle."""

from __future__ import annotations

import io
import zipfile
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from extractor.reading.training.charset import DRAWN

Pixels = NDArray[Any]  # uint8 where not said otherwise; OpenCV does not tell the types it gives

# Shares of the font classes in what is drawn: overlays are mostly plain sans.
_SHARES = {
    "sans": 0.56, "mono": 0.15, "condensed": 0.11, "rounded": 0.06, "serif": 0.04,
    "display": 0.05, "pixel": 0.02, "segment": 0.025,
}  # fmt: skip
# Training draws more of what the nets doubt most, so that tuning and test stay as they come.
_TRAINED = {
    "sans": 0.48, "mono": 0.17, "condensed": 0.11, "rounded": 0.05, "serif": 0.065,
    "display": 0.05, "pixel": 0.05, "segment": 0.025,
}  # fmt: skip
_HAND = "hand"  # handwriting: drawn so that nets learn not to read it
_SEGMENT_HAS = frozenset("0123456789-:. ")


@dataclass(frozen=True, slots=True)
class Glyph:
    """Coverage (uint8) of a character; its upper left px against pen and baseline; advance."""

    mask: Pixels
    dx: int
    dy: int
    advance: float


@dataclass
class Face:
    """One face; glyphs are drawn by FreeType and kept per size for as long as a sheet needs."""

    kind: str
    family: str
    name: str
    data: bytes = field(repr=False)

    @cached_property
    def has(self) -> frozenset[str]:
        """Characters whose look says which they are."""
        from fontTools.ttLib import TTFont

        cmap = set(TTFont(io.BytesIO(self.data), lazy=True).getBestCmap())
        has = {c for c in DRAWN if ord(c) in cmap}
        if self.kind == "segment":
            return frozenset(has & _SEGMENT_HAS)
        small = [c for c in "aerg" if c in has and self._same(c, c.upper())]
        if len(small) >= 3:  # a face of capitals only
            has -= set("abcdefghijklmnopqrstuvwxyz")
        return frozenset(has)

    def _same(self, a: str, b: str) -> bool:
        first, second = (self.glyph(c, 64.0).mask for c in (a, b))
        if 0 in first.shape or 0 in second.shape:
            return False
        shape = (32, 32)
        one, two = (np.asarray(Image.fromarray(m).resize(shape), float) for m in (first, second))
        return bool(np.corrcoef(one.ravel(), two.ravel())[0, 1] > 0.9)

    def font(self, size: float) -> Any:
        """Open the face at ``size`` px an em."""
        return ImageFont.truetype(io.BytesIO(self.data), size, layout_engine=ImageFont.Layout.BASIC)

    def glyph(self, char: str, size: float, font: Any = None) -> Glyph:
        """Draw one character at ``size`` px an em."""
        font = font or self.font(size)
        left, top = int(0.6 * size) + 2, int(1.4 * size) + 2
        canvas = Image.new("L", (left + int(1.8 * size), top + int(0.7 * size)))
        ImageDraw.Draw(canvas).text((left, top), char, 255, font=font, anchor="ls")
        box = canvas.getbbox()
        if box is None:
            return Glyph(np.zeros((0, 0), np.uint8), 0, 0, font.getlength(char))
        ink = np.asarray(canvas.crop(box))
        return Glyph(ink, box[0] - left, box[1] - top, font.getlength(char))


class Stock:
    """Faces and scenes of one split ('train', 'tune', 'test') of a bundle."""

    def __init__(self, bundle: Path, split: str) -> None:
        self._shares = _TRAINED if split == "train" else _SHARES
        self._faces: dict[str, dict[str, list[Face]]] = {}
        self._signs: dict[str, list[Face]] = {}
        self._scenes: list[bytes] = []
        self._decoded: dict[int, Pixels] = {}
        with zipfile.ZipFile(bundle) as archive:
            for entry in sorted(archive.namelist()):
                parts = entry.split("/")
                if parts[:2] == ["fonts", split]:
                    face = Face(parts[2], parts[3], Path(entry).stem, archive.read(entry))
                    self._faces.setdefault(parts[2], {}).setdefault(parts[3], []).append(face)
                elif parts[:2] == ["scenes", split]:
                    self._scenes.append(archive.read(entry))
        if not self._faces or not self._scenes:
            raise ValueError(
                f"{bundle} has no fonts or scenes for {split!r}; mend: make it with "
                "python -m extractor.reading.training.bundle"
            )

    @property
    def families(self) -> list[str]:
        """All families of the split, sorted."""
        return sorted(name for group in self._faces.values() for name in group)

    @property
    def has_hands(self) -> bool:
        """Whether there is handwriting."""
        return _HAND in self._faces

    def face(self, rng: np.random.Generator) -> Face:
        """Draw a face: its class by share, then a family evenly, then a face evenly."""
        kinds = sorted(self._faces.keys() - {_HAND})
        shares = np.array([self._shares[k] for k in kinds])
        return self._one_of(kinds[rng.choice(len(kinds), p=shares / shares.sum())], rng)

    def hand(self, rng: np.random.Generator) -> Face:
        """Draw a handwriting."""
        return self._one_of(_HAND, rng)

    def _one_of(self, kind: str, rng: np.random.Generator) -> Face:
        families = self._faces[kind]
        names = sorted(families)
        faces = families[names[rng.integers(len(names))]]
        return faces[rng.integers(len(faces))]

    def sign_face(self, char: str, rng: np.random.Generator) -> Face | None:
        """Draw a face that has ``char``, as a browser falls back to another font; None if none."""
        if char not in self._signs:
            groups = (self._faces[k] for k in sorted(self._faces.keys() - {"segment", _HAND}))
            every = [
                face for group in groups for _, faces in sorted(group.items()) for face in faces
            ]
            self._signs[char] = [face for face in every if char in face.has]
        having = self._signs[char]
        return having[rng.integers(len(having))] if having else None

    def scene(self, rng: np.random.Generator) -> Pixels:
        """Draw a scene, RGB uint8 (h, w, 3)."""
        at = int(rng.integers(len(self._scenes)))
        if at not in self._decoded:
            self._decoded[at] = np.asarray(Image.open(io.BytesIO(self._scenes[at])).convert("RGB"))
        return self._decoded[at]
