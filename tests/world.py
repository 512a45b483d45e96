"""A small folder of captures drawn by the tests, with its calibration and what it shows."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
from drawn_layouts import DARK, LIGHT, calibration, draw, panel, scene
from PIL import Image

from extractor.calibration import save

NAMES = ("figure_0", "figure_1", "figure_2", "figure_3", "figure_4")
# name of the file -> size of the capture, scale, place, theme, figures
FIGURES = (
    ("59.8", "4.27", "38.5", "812", "64"),
    ("60.1", "4.31", "38.7", "806", "63"),
    ("44.9", "3.95", "39.2", "745", "63"),
    ("58.2", "4.1", "39.4", "790", "7"),
)
STILLS = {
    "20260110_101500.png": ((1600, 900), 1.0, (40, 60), DARK, FIGURES[0]),
    "20260110_101530.png": ((1280, 720), 0.8, (700, 90), DARK, FIGURES[1]),
    "20260110_101600.jpg": ((1600, 900), 1.3, (300, 50), LIGHT, FIGURES[2]),
    "later/20260110_101630.webp": ((1200, 1000), 1.1, (90, 400), DARK, FIGURES[3]),
}


def write_still(file: Path, size: tuple[int, int], scale: float, place: tuple[int, int],
                theme: object, figures: tuple[str, ...], number: int = 0) -> None:  # fmt: skip
    """Draw the panel over a photograph and save it in the form its name says."""
    values = dict(zip(NAMES, figures, strict=True))
    picture = draw(panel(), scene(number, *size), scale, place, theme, values).image  # type: ignore[arg-type]
    file.parent.mkdir(parents=True, exist_ok=True)
    how = {".jpg": {"quality": 85}, ".webp": {"quality": 85}}.get(file.suffix, {})
    Image.fromarray(np.ascontiguousarray(picture)).save(file, **how)


def write_world(root: Path) -> None:
    """Write the captures, and the calibration drawn on none of them, below ``root``."""
    for number, (name, how) in enumerate(STILLS.items()):
        write_still(root / name, *how, number=number)  # type: ignore[arg-type]
    (root / "calibration").mkdir()
    save(calibration(panel()), root / "calibration" / "panel.toml")


def ocrlog(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    """Run the command as a person does."""
    call = [sys.executable, "-m", "extractor.cli", *map(str, arguments)]
    return subprocess.run(call, capture_output=True, text=True, check=False, timeout=300,
                          env=os.environ | {"COLUMNS": "100"})  # fmt: skip
