"""Captures with many figures in doubt, and a page on them, for the tests of the review.

    python tests/review_world.py FOLDER

serves the page on 10 200 flagged readings drawn on 34 stills.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
from drawn_figures import font
from drawn_layouts import DARK
from judging_world import layout, readout, still
from PIL import Image, ImageDraw
from world import write_still, write_world

from extractor.calibration import LoadedCalibration, load_calibration, save
from extractor.captures import Candidate, inspect
from extractor.extracting import Outcome, settle
from extractor.judging import judge
from extractor.pages.review import Review
from extractor.pages.reviewing import reviewing
from extractor.pages.serving import serve
from extractor.records import Box, Capture, Reading

MORE = tuple(
    (f"{59 + k / 10:.1f}", f"{4 + k / 100:.2f}", f"{38 + k / 10:.1f}", f"{800 + k}", f"{60 - k}")
    for k in range(8)
)
STILLS, COLUMNS, ROWS = 34, 15, 20


def write_doubtful_world(root: Path) -> None:
    """12 stills of 5 figures, all of them out of the bounds that the calibration gives."""
    write_world(root)
    for at, figures in enumerate(MORE):
        name = f"20260110_1017{at:02d}.png"
        write_still(root / name, (1000, 640), 0.9, (30 + 9 * at, 40), DARK, figures, number=at)
    path = root / "calibration" / "panel.toml"
    calibration = load_calibration(path).calibration
    doubtful = tuple(each.model_copy(update={"bounds": (0.0, 1.0)}) for each in calibration.readout)
    save(calibration.model_copy(update={"readout": doubtful}), path)


def many_flagged(root: Path) -> Outcome:
    """10 200 flagged readings of 34 stills, drawn here; the reader is not asked."""
    names = [f"figure_{at}" for at in range(COLUMNS * ROWS)]
    boxes = [Box(10 + 80 * (at % COLUMNS), 8 + 40 * (at // COLUMNS), 74, 30) for at in range(300)]
    calibration = layout(*(readout(name, decimals=2) for name in names))
    rng = np.random.default_rng(5)
    letters = font("matplotlib/DejaVuSans.ttf", 22)
    sightings = []
    for number in range(STILLS):
        texts = [f"{value:.2f}" for value in rng.uniform(0, 99, len(names))]
        picture = Image.new("RGB", (1220, 820), (20, 24, 30 + number))
        pen = ImageDraw.Draw(picture)
        for text, box in zip(texts, boxes, strict=True):
            pen.text((box.x + 4, box.y + 3), text, font=letters, fill="white")
        path = root / f"20260111_{100000 + number}.png"
        picture.save(path)
        capture = inspect(Candidate(path.name, path))
        assert isinstance(capture, Capture)
        readings = [
            Reading(calibration.id, name, box, text, float(rng.uniform(0.2, 0.9)), height=20.0,
                    sharpness=0.7)
            for name, box, text in zip(names, boxes, texts, strict=True)
        ]  # fmt: skip
        made = still(number, *readings, content=capture.content)
        sightings.append(replace(made, capture=capture))
    return Outcome(
        settings=settle(root),
        captures=tuple(each.capture for each in sightings),
        calibrations=(LoadedCalibration(calibration, root / "grid.toml", ""),),
        judgement=judge(sightings, {calibration.id: calibration}, ()),
        traces=(),
        problems=(),
        gaps=(),
        notices=(),
        facts_file=root / "facts.csv",
        ignored=0,
        read_now=0,
        method="drawn",
    )


if __name__ == "__main__":
    told = many_flagged(Path(sys.argv[1]))
    serve(reviewing(Review(told, lambda: told, "ann")), lambda line: print(line, flush=True))
