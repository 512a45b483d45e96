"""Counts the general readers' errors on drawn figures, and what a figure costs. Run by hand:

    python tests/studies/study_general_readers.py [FIGURES] [SEED]

Needs `pip install -e .[samples]` for the photographs. Grounds: plain dark, plain light, a dimmed
photograph (a panel), a photograph under outlined letters; PNG and JPEG of quality 50 to 95; boxes
tight or loose by up to a third of the height, with labels, units and captions beside them.
"""

from __future__ import annotations

import resource
import sys
from collections import Counter
from pathlib import Path
from time import process_time

import numpy as np
from PIL import Image
from skimage import data
from sklearn.datasets import load_sample_images

sys.path.insert(0, str(Path(__file__).parents[1]))

from drawn_figures import FONTS, Drawing, Picture, draw, figure_text

from extractor.calibration.model import Calibration
from extractor.reading.cascade import FigureReader
from extractor.reading.tesseract import TesseractReader, _Program
from extractor.records import Box, Found, Place

RELEASED = 0.999
UNITS = ["", " W", " fps", " °C", " %", " MHz", " mA", " V", "°", "%"]
LABELS = ["", "", "FPS ", "P ", "Temp ", "CPU: ", "| ", "avg "]
GROUNDS = ["dark", "light", "panel", "outlined"]


def photographs() -> list[Picture]:
    names = ("astronaut", "chelsea", "coffee", "rocket", "hubble_deep_field")
    return [np.asarray(getattr(data, name)()) for name in names] + list(load_sample_images().images)


def drawing(random: np.random.Generator, photos: list[Picture], kind: str) -> tuple[str, Drawing]:
    photo = photos[random.integers(len(photos))]
    side = int(random.integers(60, min(photo.shape[:2]) // 2))
    y, x = (int(random.integers(0, n - side)) for n in photo.shape[:2])
    piece = photo[y : y + side, x : x + side]
    ground = GROUNDS[random.integers(len(GROUNDS))]
    ink = tuple(int(c) for c in random.integers(190, 256, 3))
    dark = tuple(int(c) for c in random.integers(0, 80, 3))
    behind: Picture | tuple[int, ...] = dark
    outline = None
    if ground == "light":
        behind, ink = ink, dark
    elif ground == "panel":
        behind = (piece * random.uniform(0.25, 0.5)).astype(np.uint8)
    elif ground == "outlined":
        behind, outline = piece, (0, 0, 0)
    return ground, draw(
        figure_text(random, kind),
        name=FONTS[random.integers(len(FONTS))],
        size=int(random.integers(14, 60)),
        ground=behind,  # type: ignore[arg-type]
        ink=ink,  # type: ignore[arg-type]
        outline=outline,
        before=LABELS[random.integers(len(LABELS))],
        after=UNITS[random.integers(len(UNITS))] if kind == "number" else "",
        below="Average" if random.random() < 0.3 else "",
        quality=None if random.random() < 0.3 else int(random.integers(50, 96)),
        fine=int(random.choice([1, 2, 3])),
    )


def layout(kind: str) -> Calibration:
    return Calibration.model_validate(
        {
            "format": 1,
            "id": "abcdefgh",
            "name": "drawn",
            "shows": "one figure",
            "drawn_on": [400, 200],
            "marks": {"decimal": ".", "thousands": "none", "duration": "m:s"},
            "landmark": [{"name": "a", "sort": "colour", "box": [0, 0, 9, 9], "colour": "#181a20"}],
            "readout": [{"name": "it", "kind": kind, "quantity": "other", "box": [0, 0, 9, 9]}],
        }
    )


def main() -> None:
    count, seed = (int(arg) for arg in [*sys.argv[1:], "300", "1"][:2])
    random, photos = np.random.default_rng(seed), photographs()
    reader = FigureReader()
    told: dict[str, Counter[str]] = {}
    spent = {"readout of a found layout": 0.0, "crop alone": 0.0}
    crops = []
    for at in range(count):
        kind = ("number", "number", "number", "duration", "size")[at % 5]
        ground, it = drawing(random, photos, kind)
        margin = max(0.0, random.uniform(-0.1, 0.33))
        m, b = margin * it.height, it.box
        box = Box(b.x - m, b.y - m, b.w + 2 * m, b.h + 2 * m)
        found = Found("abcdefgh", 1.0, box, 1.0, (Place("it", box, 0.0, it.height),))
        start = process_time()
        (reading,) = reader.read_found(it.image, found, layout(kind))
        spent["readout of a found layout"] += process_time() - start
        crops.append(it.crop(margin))
        start = process_time()
        (figure,) = reader.read_figures([crops[-1]], kind)  # type: ignore[arg-type]
        spent["crop alone"] += process_time() - start
        ways = [("found", reading.text, reading.probability)]
        ways.append(("crop", figure.text, figure.probability))
        for way, text, p in ways:
            counts = told.setdefault(f"{way} {ground}", Counter())
            counts["figures"] += 1
            counts["wrong"] += text != it.text
            counts["below"] += p < RELEASED
            counts["wrong and released"] += text != it.text and p >= RELEASED
            if text != it.text:
                print(
                    f"{way} {ground}: {it.text} read as {text} ({p:.4f}), unit {reading.unit_seen}"
                )
    for way, counts in sorted(told.items()):
        print(way, dict(counts))
    for way, s in spent.items():
        print(f"{way}: {s / count * 1000:.1f} ms of processor")
    general, tesseract, program = reader._first, TesseractReader(), _Program()
    few = crops[:40]
    for name, read in (
        ("general", lambda: general.read(few, "")),
        ("Tesseract in process", lambda: tesseract.read(few, "0123456789.-:x")),
    ):
        read()
        start = process_time()
        read()
        print(f"{name}: {(process_time() - start) / len(few) * 1000:.1f} ms of processor a look")
    greys = [np.asarray(Image.fromarray(crop).convert("L")) for crop in few[:5]]
    start = resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime
    for grey in greys:
        program.say(grey, "0123456789.-:x")
    took = resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime - start
    print(f"pytesseract: {took / len(greys) * 1000:.1f} ms of processor a look, in the child")


if __name__ == "__main__":
    main()
