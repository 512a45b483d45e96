"""Write the six calibration files: ``python sample_frames/draw/calibrations.py [BOXES.json]``.

Each layout is drawn on ONE device, as a person would: its landmarks are cut out of a capture that
lies among the samples. ``BOXES.json`` (of ``main.py --boxes``) saves drawing everything again.
"""

from __future__ import annotations

import base64
import io
import json
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from layouts import LAYOUTS, Layout, Readout, Trace
from numpy.typing import NDArray
from PIL import Image

from extractor.calibration import save
from extractor.calibration.model import Calibration

SAMPLES = Path(__file__).resolve().parents[1]
OUT = SAMPLES.parent / "calibration"

BOUNDS = {
    "frame_rate": (0, 200), "frame_time": (1, 1000), "power": (0, 25), "current": (-6000, 6000),
    "voltage": (2.5, 10), "temperature": (-20, 120), "clock": (0, 4000), "load": (0, 100),
    "level": (0, 100), "charge": (0, 10000), "energy": (0, 60), "share_at_floor": (0, 100),
    "duration": (0, 86400), "count": (0, 1000000), "brightness": (0, 2000),
}  # fmt: skip

# px a CSS px that captures may have: densities of 1.3 to 3.5, some scaled down by a chat program
DENSITIES = (1.0, 4.2)

Box = tuple[float, float, float, float]


@dataclass(frozen=True)
class Cut:
    """How one layout is calibrated.

    ``letters`` are CSS px of its figures, ``cell`` the CSS px that a figure (and the unit after
    it) may take, ``right`` says that figures end at a common right edge. ``labels`` are the
    pictures; ``more`` other landmarks; ``parts`` the part of a label that is not ``main``;
    ``x_parts`` the part that gives the column, by statistic.
    """

    id: str
    capture: str
    letters: float
    cell: float
    labels: tuple[str, ...]
    right: bool = False
    with_unit: bool = True
    needs: int = 3
    big: Mapping[str, float] = field(default_factory=dict)
    cells: Mapping[str, float] = field(default_factory=dict)
    parts: Mapping[str, str] = field(default_factory=dict)
    x_parts: Mapping[str, str] = field(default_factory=dict)
    more: tuple[dict[str, Any], ...] = ()
    relations: tuple[tuple[str, str], ...] = ()
    outlined: tuple[int, int, int] | None = None
    head: float = 0  # CSS px of a fixed bar at the top, under which the layout scrolls


def _all_readouts(layout: str) -> tuple[str, ...]:
    return tuple(readout.name for readout in LAYOUTS[layout].readouts)


CUTS = {
    "strip": Cut(
        "5trip0f1gures", "dump/20260314_100350.jpg", 13.5, 0, ("frame_rate",), needs=2,
        more=({"name": "band_top", "sort": "edge", "side": "top", "panel": "band",
               "inwards": 2},),
    ),
    "list": Cut(
        "l1st0utl1ned", "dump/20260314_104210.png", 15, 88, _all_readouts("list"), right=True,
        with_unit=False, outlined=(201, 240, 228),
        relations=(("frame_rate * frame_time = 1000", "2 %"),
                   ("voltage * current = 1000 * power", "2 %")),
    ),
    "panel": Cut(
        "pane1m0vab1e", "dump/20260314_102626.jpg", 17, 76, ("title", *_all_readouts("panel")),
        more=({"name": "sheet_left", "sort": "edge", "side": "left", "panel": "sheet"},),
        relations=(("frame_rate * frame_time = 1000", "2 %"),
                   ("voltage * current = 1000 * power", "2 %")),
    ),
    "cards": Cut(
        "cards5ummary", "dump/20260314_101329.png", 17, 110,
        ("card_round", "card_pace", "card_power", "card_course", "card_warmth",
         *_all_readouts("cards")),
        big={"frame_rate_mean": 30},
        cells=dict.fromkeys(
            ("power_mean", "power_highest", "level_start", "level_end", "smooth_share",
             "battery_temperature_highest", "chip_temperature_highest"), 165),
        head=50,
        more=({"name": "tab_pace", "sort": "colour", "colour": "#c2612c", "label": "card_pace",
               "place": (-11, 2, 8, 10)},),
    ),
    "table": Cut(
        "tab1e1edger0", "dump/20260314_102452.png", 15, 66,
        ("column_media", "column_minimo", "column_massimo", *(
            name for name in ("frame_rate_mean", "frame_rate_low_1_percent", "smooth_share",
                              "frame_count", "power_mean", "current_mean",
                              "chip_temperature_mean", "gpu_clock_mean"))),
        right=True, with_unit=False,
        parts={"column_media": "media", "column_minimo": "minimo", "column_massimo": "massimo"},
        x_parts={"mean": "media", "low_1_percent": "media", "share": "media", "total": "media",
                 "lowest": "minimo", "highest": "massimo"},
    ),
    "battery": Cut(
        "batterywe110", "dump/20260315_081205.png", 18, 150, _all_readouts("battery"),
        more=({"name": "well_left", "sort": "edge", "side": "left", "panel": "well"},
              {"name": "ground", "sort": "colour", "colour": "#12323a", "panel": "well",
               "place": (6, 60, 10, 200)}),
    ),
}  # fmt: skip


def main() -> None:
    """Write every calibration file."""
    if len(sys.argv) > 1:
        boxes = json.loads(Path(sys.argv[1]).read_text())
    else:
        with tempfile.TemporaryDirectory() as folder:
            target = Path(folder) / "boxes.json"
            script = Path(__file__).with_name("main.py")
            subprocess.run([sys.executable, script, "--boxes", target], check=True)
            boxes = json.loads(target.read_text())
    OUT.mkdir(exist_ok=True)
    for name, cut in CUTS.items():
        save(_calibration(LAYOUTS[name], cut, boxes[cut.capture]), OUT / f"{name}.toml")


def _calibration(layout: Layout, cut: Cut, shown: Mapping[str, Any]) -> Calibration:
    image = cv2.imread(str(SAMPLES / cut.capture), cv2.IMREAD_COLOR)
    places, density = shown["layouts"][layout.name], shown["density"]
    landmarks = [_picture(cut, label, places["labels"][label], image) for label in cut.labels]
    landmarks += [_other(entry, places, density) for entry in cut.more]
    line = places["lines"].get("line")
    readouts = [
        _readout(layout, cut, readout, None if line else places["figures"][readout.name], density)
        for readout in layout.readouts
    ]
    lines = []
    if line:
        pattern = "  ".join(
            f"{r.label} {{{r.name}}} {r.drawn_unit}".strip() for r in layout.readouts
        )
        x, y, _, h = line
        height = cut.letters * density
        middle = y + h / 2
        lines.append(
            {
                "name": "line",
                "pattern": pattern,
                "box": _round((x - 4, middle - height / 2, shown["screen"][0] - x, height)),
            }
        )
    duration = layout.duration
    return Calibration.model_validate(
        {
            "format": 1,
            "id": cut.id,
            "name": layout.name,
            "shows": layout.shows[0].upper() + layout.shows[1:],
            "drawn_on": (image.shape[1], image.shape[0]),
            "marks": {"decimal": layout.decimal, "thousands": layout.thousands}
            | ({"duration": duration} if duration else {}),
            "locating": {
                "scales": tuple(round(each / density, 2) for each in DENSITIES),
                "needs": cut.needs,
            }
            | ({"bars": (round(cut.head * density, 1), 0)} if cut.head else {}),
            "landmark": landmarks,
            "readout": readouts,
            "line": lines,
            "relation": [{"that": that, "within": within} for that, within in cut.relations],
            "trace": [
                _trace(trace, places["plots"][trace.name], density)
                for trace in layout.traces
                if sum(places["plots"][trace.name][1::2]) < image.shape[0]
            ],
        }
    )


def _trace(trace: Trace, plot: Box, density: float) -> dict[str, Any]:
    """A chart's plot as drawn, and boxes around its labels: to the left of it and below it."""
    x, y, w, h = plot
    entry: dict[str, Any] = {
        "name": trace.name,
        "quantity": trace.quantity,
        "unit": trace.unit,
        "colour": trace.colour,
        "plot": _round(plot),
        "t_labels": _round((x - 12 * density, y + h + 6 * density, w + 24 * density, 13 * density)),
        "t_unit": "min",
        "value_labels": _round((x - 32 * density, y - 7 * density, 29 * density, h + 13 * density)),
    }
    return entry | ({"sensor": trace.sensor} if trace.sensor else {})


def _round(box: Box) -> Box:
    return tuple(int(side * 10) / 10 for side in box)  # type: ignore[return-value]


def _picture(cut: Cut, label: str, place: Box, image: NDArray[np.uint8]) -> dict[str, Any]:
    """A label cut on whole pixels with a little of its ground; outlined letters without it."""
    x, y, w, h = place
    x0, y0 = max(0, int(x) - 4), max(0, int(y) - 1)
    x1, y1 = min(image.shape[1], int(x + w) + 5), min(image.shape[0], int(y + h) + 2)
    piece = image[y0:y1, x0:x1]
    grey = cv2.cvtColor(piece, cv2.COLOR_BGR2GRAY)
    picture = Image.fromarray(grey)
    if cut.outlined:
        far = np.abs(piece[:, :, ::-1].astype(int) - cut.outlined).max(axis=2)
        ink = (far < 70).astype(np.uint8)
        opaque = cv2.dilate(ink, np.ones((3, 3), np.uint8))
        picture = Image.fromarray(np.dstack([grey * opaque, opaque * 255]))
    data = io.BytesIO()
    picture.save(data, "PNG", optimize=True)
    return {
        "name": f"label_{label}" if not label.startswith(("card_", "column_")) else label,
        "sort": "picture",
        "box": (x0, y0, x1 - x0, y1 - y0),
        "part": cut.parts.get(label, "main"),
        "picture": base64.b64encode(data.getvalue()).decode(),
    }


def _other(entry: dict[str, Any], places: Mapping[str, Any], density: float) -> dict[str, Any]:
    """An edge along a panel, or a coloured spot placed (CSS px) from a label or panel."""
    found = {key: entry[key] for key in ("name", "sort", "side", "colour") if key in entry}
    x, y, w, h = (
        places["panels"][entry["panel"]] if "panel" in entry else places["labels"][entry["label"]]
    )
    if "inwards" in entry:  # the inner side of a drawn border
        y, h = y + entry["inwards"] * density, h - entry["inwards"] * density
    if "place" in entry:
        left, top, w, h = (density * side for side in entry["place"])
        x, y = x + left, y + top
    elif entry["side"] in ("left", "right"):
        y, h = y + 0.15 * h, 0.7 * h
    return found | {"box": _round((x, y, w, h))}


def _readout(
    layout: Layout, cut: Cut, readout: Readout, place: Box | None, density: float
) -> dict[str, Any]:
    entry: dict[str, Any] = {
        "name": readout.name,
        "kind": readout.kind,
        "quantity": readout.quantity,
        "statistic": readout.statistic,
        "unit": readout.unit,
        "rounding": readout.rounding,
    }
    if readout.sensor:
        entry["sensor"] = readout.sensor
    if readout.kind in ("number", "percentage"):
        entry["decimals"] = readout.decimals
    if readout.missing:
        entry["missing"] = readout.missing
    if readout.quantity in BOUNDS:
        entry["bounds"] = BOUNDS[readout.quantity]
    if readout.drawn_unit and cut.with_unit:
        entry["drawn_unit"] = readout.drawn_unit
    if readout.statistic in cut.x_parts:
        entry["x_part"] = cut.x_parts[readout.statistic]
    if place:
        x, y, w, h = place
        letters = density * cut.big.get(readout.name, cut.letters)
        room = 0.2 * letters
        wide = density * cut.cells.get(readout.name, cut.cell)
        left = x + w + room - wide if cut.right else x - room
        entry["box"] = _round((left, y + h / 2 - letters / 2, wide, letters))
    return entry


if __name__ == "__main__":
    main()
