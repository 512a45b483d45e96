"""How surely layouts are located that no test and no sample draws: the figures of docs/locating.md.

    python tests/studies/study_locating.py draw FOLDER [--set report]  calibrations, drawings: 3 min
    python tests/studies/study_locating.py run FOLDER [--codings 8] [--part 0/1] [--alone]
        [--others 1]
    python tests/studies/study_locating.py report FOLDER

Three sets of layouts are kept apart: ``report``, which the figures of the docs come from and on
which nothing is tuned; ``report-1``, the one before it, by which the least mean correlation was
chosen; and ``tuning``, from which faults of the locator were mended.

``draw`` draws each layout once, proposes a calibration from that one capture as ``ocrlog calibrate
--no-browser`` does (nothing is corrected: names have no part in locating), and draws it again at
eight densities, on eight screens, with other values. ``run`` puts each drawing on scenes, crops,
letterboxes, scales and codes it ``--codings`` times and looks for ALL layouts on every picture; it
goes on where it stopped. ``--alone`` looks for each layout on captures of its own, and for
``--others`` more, in turn, on the same captures: what is found does not depend on other layouts,
unless they rival; after one coding of a drawing only captures coded and scaled as the aim says are
kept. Look-alikes and layouts by their words alone are part of it. ``--part 0/2`` and ``1/2`` share
the work between two processes. ``report`` prints the tables.
"""

from __future__ import annotations

import argparse
import io
import json
import pickle
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from types import ModuleType
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.stats import beta

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import locating_layouts
import locating_report
import locating_report_1
from drawn_layouts import scenes
from locating_layouts import Browser, Drawing, Figure, Layout, aligned

from extractor.calibration import load_calibration, parse_pattern, save
from extractor.calibration.model import Calibration, Landmark
from extractor.calibration.pattern import Slot
from extractor.locate import Locator
from extractor.proposing import Shown, propose
from extractor.proposing.strokes import tight
from extractor.reading import default_reader
from extractor.records import Box, Capture, Found

Picture = NDArray[np.uint8]
SAMPLES = Path(__file__).resolve().parents[2] / "sample_frames"

DRAWN_AT = 2.5  # px a CSS px of the capture a calibration is drawn on
DRAWINGS = (  # density, screen px
    (1.375, (1280, 720)), (1.75, (1200, 1920)), (2.0, (1920, 1200)), (2.25, (1440, 1280)),
    (2.625, (1080, 2400)), (3.0, (2400, 1080)), (3.75, (1440, 3040)), (5.0, (3120, 1440)),
)  # fmt: skip
SETS = {"report": locating_report, "report-1": locating_report_1, "tuning": locating_layouts}
RELEASED = 1 / 18
"""Greatest predicted error, in heights of the figure, that is not flagged."""
_EVERY = 1
"""Codings of each drawing of every class; more are as the aim says."""
MOST = 1 / 6


def chosen(folder: Path) -> ModuleType:
    """The set of layouts that a folder was drawn for."""
    return SETS[(folder / "set").read_text(encoding="utf-8")]


# ---------------------------------------------------------------- drawing


def scene(rng: np.random.Generator, width: int, height: int) -> Picture:
    """A piece of a photograph, turned, brightened or darkened at random."""
    pictures = scenes()
    picture = pictures[rng.integers(len(pictures))]
    if rng.random() < 0.5:
        picture = picture[:, ::-1]
    if rng.random() < 0.3:
        picture = picture.transpose(1, 0, 2)
    h, w = picture.shape[:2]
    grow = max(width / w, height / h) * rng.uniform(1, 1.6)
    large = cv2.resize(np.ascontiguousarray(picture), (int(w * grow) + 2, int(h * grow) + 2),
                       interpolation=cv2.INTER_AREA if grow < 1 else cv2.INTER_CUBIC)  # fmt: skip
    x = rng.integers(large.shape[1] - width + 1)
    y = rng.integers(large.shape[0] - height + 1)
    piece = large[y : y + height, x : x + width].astype(np.float32)
    piece = piece * np.float32(rng.uniform(0.35, 1.1))
    if rng.random() < 0.2:
        piece = piece * np.float32(0.1) + np.float32(rng.uniform(0, 220))
    return np.clip(piece, 0, 255).astype(np.uint8)


def _over(ground: Picture, rgba: Picture, x: int, y: int) -> None:
    h, w = rgba.shape[:2]
    area = ground[y : y + h, x : x + w]
    share = rgba[:, :, 3:].astype(np.float32) / 255
    area[:] = np.round(area * (1 - share) + rgba[:, :, :3] * share).astype(np.uint8)


@dataclass
class Laid:
    """A screen with a layout on it; ``view`` is what of the layout shows, px of its drawing."""

    picture: Picture
    drawing: Drawing
    x: float
    y: float
    view: Box
    density: float


def laid(
    layout: Layout,
    drawing: Drawing,
    screen: tuple[int, int],
    density: float,
    rng: np.random.Generator,
) -> Laid | None:
    """A layout on a screen: an overlay anywhere, a page scrolled anywhere; None if too large."""
    width, height = screen
    h, w = drawing.rgba.shape[:2]
    if layout.sort == "overlay":
        if w > width or h > height:
            return None
        x, y = int(rng.integers(width - w + 1)), int(rng.integers(height - h + 1))
        picture = scene(rng, width, height)
        _over(picture, drawing.rgba, x, y)
        return Laid(picture, drawing, x, y, Box(0, 0, w, h), density)
    head = round(drawing.head)
    longest = max(figure.box.bottom for figure in drawing.figures) + 20 * density
    scroll = int(rng.uniform(0, max(0.0, longest - height))) if rng.random() < 0.7 else 0
    page = drawing.rgba[:, :, :3]
    picture = np.empty((height, width, 3), np.uint8)
    picture[:] = page[-1, :1]
    shown = page[scroll : scroll + height, :width]
    picture[: len(shown), : shown.shape[1]] = shown
    if head:
        picture[:head, : page.shape[1]] = page[:head, :width]
    view = Box(0, scroll + (head if scroll else 0), width, height - (head if scroll else 0))
    return Laid(picture, drawing, 0, -scroll, view, density)


@dataclass
class Case:
    """A capture: how it came about, and where (scale, x, y) the drawing lies on it."""

    picture: Picture
    about: dict[str, Any]
    scale: tuple[float, float]
    shift: tuple[float, float]
    size: tuple[int, int]


def coded(screen: Laid, rng: np.random.Generator, aimed: bool = False) -> Case | None:
    """Crop, scale down, letterbox and code a screen, each now and then.

    With ``aimed``, None where coding or scale are not as the aim says.
    """
    picture, x, y = screen.picture, screen.x, screen.y
    about: dict[str, Any] = {}
    if rng.random() < 0.35:  # a status bar or a bar of buttons cut away
        top, bottom, left, right = (
            int(rng.uniform(0, 0.06) * picture.shape[0]) if rng.random() < 0.5 else 0
            for _ in range(4)
        )
        h, w = picture.shape[:2]
        picture, x, y = picture[top : h - bottom, left : w - right], x - left, y - top
        about["cropped"] = True
    least = max(0.5, 0.5 * DRAWN_AT / screen.density)
    ratio = 1.0
    if rng.random() < 0.5 and least < 1:
        ratio = float(rng.uniform(least, 1))
    h, w = picture.shape[:2]
    size = (round(w * ratio), round(h * ratio))
    scale = (size[0] / w, size[1] / h)
    if ratio < 1:
        how = (cv2.INTER_AREA, cv2.INTER_LINEAR, cv2.INTER_CUBIC)[rng.integers(3)]
        picture = cv2.resize(picture, size, interpolation=how).astype(np.uint8)
    shift = (x * scale[0], y * scale[1])
    if rng.random() < 0.25:
        bars = [int(v) for v in rng.uniform(0, 0.2, 2) * size] if rng.random() < 0.3 else [0, 0]
        bars[rng.integers(2)] = int(rng.uniform(0.02, 0.3) * max(size))
        grey = int(rng.choice([0, 0, 0, 24, 255]))
        sides = (bars[1], bars[1], bars[0], bars[0])
        picture = cv2.copyMakeBorder(picture, *sides, cv2.BORDER_CONSTANT, value=(grey,) * 3)
        shift = (shift[0] + bars[0], shift[1] + bars[1])
        about["letterboxed"] = True
    form = str(rng.choice(["JPEG", "JPEG", "JPEG", "JPEG", "WEBP", "PNG"]))
    quality = int(rng.integers(40, 96)) if form != "PNG" else 100
    about |= {"form": form, "quality": quality, "resized": ratio,
              "scale": scale[0] * screen.density / DRAWN_AT}  # fmt: skip
    if aimed and not _as_aimed(about):
        return None
    if form != "PNG":
        data = io.BytesIO()
        Image.fromarray(picture).save(data, form, quality=quality)
        picture = np.asarray(Image.open(data).convert("RGB"))
    return Case(np.ascontiguousarray(picture), about, scale, shift, size)


# ---------------------------------------------------------------- draw


def draw(folder: Path, which: str) -> None:
    """Drawings of every layout, and a calibration from the first of each."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "set").write_text(which, encoding="utf-8")
    these = SETS[which]
    reader = default_reader()
    took = []
    with Browser() as browser:
        for layout in (*these.LAYOUTS, *these.LOOK_ALIKES.values()):
            screen = (1080, 2400) if layout.sort == "page" else (2400, 1080)
            base = browser.draw(layout, screen[0], DRAWN_AT, 0)
            rng = np.random.default_rng(sum(layout.name.encode()))
            first = None
            while first is None or first.y < 0:
                first = laid(layout, base, screen, DRAWN_AT, rng)
            capture = Capture(layout.name, Path(layout.name), layout.name, "still", *screen)
            began = time.process_time()
            proposal = propose([Shown(capture, first.picture)], reader)
            took.append(time.process_time() - began)
            if proposal.calibration is None:
                print(f"{layout.name}: nothing proposed: {proposal.notes}")
                continue
            entries = proposal.calibration.model_dump(mode="json")
            entries |= {"id": f"{layout.name.replace('_', ''):0<8}", "name": layout.name}
            calibration = Calibration.model_validate(entries)
            save(calibration, folder / f"{layout.name}.toml")
            linked = link(calibration, first)
            drawings = []
            for seed, (density, size) in enumerate(DRAWINGS, 1):
                drawings.append((density, size, browser.draw(layout, size[0], density, seed)))
            (folder / f"{layout.name}.pickle").write_bytes(
                pickle.dumps((linked, first.drawing, (first.x, first.y), drawings))
            )
            if layout.name in these.WORDS:
                save(by_words(calibration, first), folder / f"{layout.name}_words.toml")
            print(f"{layout.name}: {took[-1]:.1f} s for the proposal, {len(calibration.landmark)} "
                  f"landmarks, {len(calibration.readout)} readouts, {len(linked)} of "
                  f"{len(base.figures)} figures", flush=True)  # fmt: skip
    print(f"proposals: median {np.median(took):.1f} s, at most {max(took):.1f} s of processor time")


def link(calibration: Calibration, first: Laid) -> dict[str, tuple[str, float, float]]:
    """Readout -> the figure it holds, and by how much (px) its box starts right of and below it.

    For figures of flowing lines the place is told by their own ends.
    """
    found = {}
    words = {text: name for name, text, _ in first.drawing.labels}
    for line in calibration.line:
        before = ""
        for piece in parse_pattern(line.pattern):
            if isinstance(piece, Slot):
                name = next((name for text, name in words.items() if text in before), None)
                found |= {piece.name: (name, 0.0, 0.0)} if name else {}
            else:
                before = piece
    for readout in calibration.readout:
        box = Box(*readout.box) if readout.box else Box(0, 0, 0, 0)
        for figure in first.drawing.figures:
            own = Box(figure.box.x + first.x, figure.box.y + first.y, figure.box.w, figure.box.h)
            if own.overlap(box) > 0.5 * min(own.w * own.h, box.w * box.h):
                found[readout.name] = (
                    figure.name,
                    box.x - (aligned(figure) + first.x),
                    box.y - own.y,
                )
    return found


def by_words(calibration: Calibration, first: Laid) -> Calibration:
    """The same layout, found by its labels' words; boxes around their ink, to a px by hand."""
    marks = []
    rng = np.random.default_rng(0)
    for number, (_, text, box) in enumerate(first.drawing.labels):
        around = Box(box.x + first.x, box.y + first.y, box.w, box.h)
        if len(text) < 4 or around.bottom > first.picture.shape[0]:
            continue
        ink = tight(first.picture, around)
        x0, y0, x1, y1 = np.round(
            np.array([ink.x, ink.y, ink.right, ink.bottom]) + rng.uniform(-1, 1, 4)
        )
        marks.append(Landmark(name=f"word_{number}", sort="word", word=text,
                              box=(x0, y0, x1 - x0, y1 - y0)))  # fmt: skip
    readouts = [
        each.model_copy(update={"part": "main", "x_part": None}) for each in calibration.readout
    ]
    return calibration.model_copy(
        update={"id": f"{calibration.id}words", "name": f"{calibration.name}_words",
                "landmark": tuple(marks), "readout": tuple(readouts)}
    )  # fmt: skip


# ---------------------------------------------------------------- run


def run(folder: Path, codings: int, part: tuple[int, int], alone: bool, others: int) -> None:
    """Look for all layouts on every capture; one JSON line a capture, done ones are left out."""
    reader = default_reader()
    these = chosen(folder)
    names = [layout.name for layout in these.LAYOUTS if (folder / f"{layout.name}.toml").exists()]
    stored = {name: pickle.loads((folder / f"{name}.pickle").read_bytes()) for name in names}
    stored |= {
        layout.name: pickle.loads((folder / f"{layout.name}.pickle").read_bytes())
        for layout in these.LOOK_ALIKES.values()
        if (folder / f"{layout.name}.pickle").exists()
    }
    by_id, locators = {}, {}
    calibrations = [load_calibration(folder / f"{name}.toml").calibration for name in names]
    by_id |= {each.id: each.name for each in calibrations}
    locators["pictures"] = Locator(calibrations, reader)
    locators |= {f"alone {each.name}": Locator([each], reader) for each in calibrations}
    words = [load_calibration(each).calibration for each in sorted(folder.glob("*_words.toml"))]
    by_id |= {each.id: each.name for each in words}
    locators["words"] = Locator(words, reader)
    for known, other in these.LOOK_ALIKES.items():
        files = [folder / f"{name}.toml" for name in (known, other.name)]
        pair = [load_calibration(file).calibration for file in files]
        by_id |= {each.id: each.name for each in pair}
        locators[f"pair {known}"] = Locator(pair, reader)
    target = folder / f"finds-{part[0]}-{part[1]}.jsonl"
    done = {
        json.loads(line)["key"]
        for file in folder.glob("finds-*.jsonl")
        for line in file.read_text(encoding="utf-8").splitlines()
        if line.endswith("}")
    }
    keys = _alone(these, names, codings, others) if alone else _all(names, codings)
    todo = [key for key in keys if key not in done]
    todo = [key for at, key in enumerate(todo) if at % part[1] == part[0]]
    began = time.monotonic()
    with target.open("a", encoding="utf-8") as out:
        for number, key in enumerate(todo, 1):
            row = _one(key, these, stored, locators, by_id)
            if row is not None:
                out.write(json.dumps(row) + "\n")
                out.flush()
            if sys.stderr.isatty() or number % 20 == 0:
                left = (time.monotonic() - began) / number * (len(todo) - number)
                print(f"\r{number} of {len(todo)}, {left / 60:.0f} min left ", end="",
                      file=sys.stderr, flush=True)  # fmt: skip


def _all(names: Sequence[str], codings: int) -> Iterator[str]:
    """``by what/layout/drawing/coding``, the layouts in turn so that a part of a run says much."""
    samples = sorted(
        str(file.relative_to(SAMPLES))
        for file in SAMPLES.rglob("*")
        if file.suffix in (".png", ".jpg", ".webp")
    )
    for coding in range(codings):
        for drawing in range(len(DRAWINGS)):
            for name in names:
                yield f"pictures/{name}/{drawing}/{coding}"
            yield f"pictures/-/{drawing}/{coding}"
    for sample in samples:
        yield f"pictures/sample/{sample}"


def _alone(these: ModuleType, names: Sequence[str], codings: int, others: int) -> Iterator[str]:
    """As above; from coding ``_EVERY`` on only captures coded and scaled as the aim says."""
    for coding in range(codings):
        for drawing in range(len(DRAWINGS)):
            for at, name in enumerate(names):
                turn = coding * len(DRAWINGS) + drawing
                apart = [1 + (others * turn + step) % (len(names) - 1) for step in range(others)]
                more = " ".join(names[(at + step) % len(names)] for step in apart)
                sort = "alone" if coding < _EVERY else "aimed"
                yield f"{sort} {name} {more}/{name}/{drawing}/{coding}"
            if coding < 2:
                for known, other in these.LOOK_ALIKES.items():
                    yield f"pair {known}/{other.name}/{drawing}/{coding}"
                    yield f"alone {known}/{other.name}/{drawing}/{coding}"
                for name in (*these.WORDS, "-"):
                    yield f"words/{name}/{drawing}/{coding}"


def _one(
    key: str,
    these: ModuleType,
    stored: dict[str, Any],
    locators: dict[str, Locator],
    by_id: dict[str, str],
) -> dict[str, Any] | None:
    sort, name, *rest = key.split("/")
    rng = np.random.default_rng([*key.encode()])
    if name == "sample":
        picture = np.asarray(Image.open(SAMPLES / "/".join(rest)).convert("RGB"))
        case: Case | None = Case(picture, {}, (1, 1), (0, 0), picture.shape[1::-1])
        screen = None
    elif name == "-":
        density, size = DRAWINGS[int(rest[0])]
        blank = Drawing(np.zeros((1, 1, 4), np.uint8), (), (), 0)
        case = coded(Laid(scene(rng, *size), blank, 0, 0, Box(0, 0, 0, 0), density), rng)
        screen = None
    else:
        density, size, drawing = stored[name][3][int(rest[0])]
        layouts = {each.name: each for each in (*these.LAYOUTS, *these.LOOK_ALIKES.values())}
        screen = laid(layouts[name], drawing, size, density, rng)
        if screen is None:
            return None
        case = coded(screen, rng, sort.startswith("aimed"))
    if case is None:
        return None
    began = time.process_time()
    looked = [layout.name for layout in these.LAYOUTS]
    asked = [sort]
    if sort.split()[0] in ("alone", "aimed"):
        # of those looked for alone none can rival another
        looked = sort.split()[1:]
        asked = [f"alone {each}" for each in looked]
    finds = [found for each in asked for found in locators[each].locate(case.picture)]
    row: dict[str, Any] = {
        "key": key,
        "sort": "alone" if looked == sort.split()[1:] else sort,
        "looked": looked,
        "shows": name,
        "ms": 1000 * (time.process_time() - began),
        "px": case.picture.shape[0] * case.picture.shape[1],
        "about": case.about,
        "finds": [],
    }
    if screen is not None:
        row["visible"] = sum(_shown(screen, case, each) for each in screen.drawing.figures)
        row["figures"] = len(screen.drawing.figures)
        row["labels"] = np.mean([_inside(case, box) for _, _, box in screen.drawing.labels])
    for found in finds:
        entry: dict[str, Any] = {"layout": by_id[found.layout], "scale": found.scale,
                                 "score": found.score, "rivals": len(found.rivals)}  # fmt: skip
        linked = stored[by_id[found.layout].removesuffix("_words")][0]
        entry["trusted"] = [
            linked[place.readout][0]
            for place in found.places
            if place.box and place.error <= RELEASED * place.height and place.readout in linked
        ]
        if screen is not None and by_id[found.layout].removesuffix("_words") == name:
            entry["places"] = list(_places(found, screen, case, stored[name][0], density))
        row["finds"].append(entry)
    return row


def _placed(case: Case, x: float, y: float) -> tuple[float, float]:
    return x * case.scale[0] + case.shift[0], y * case.scale[1] + case.shift[1]


def _shown(screen: Laid, case: Case, figure: Figure) -> bool:
    """Whether a figure lies wholly on the capture, and under no bar."""
    # the letters alone: their line reaches above and below them
    view, high = screen.view, 1.1 * figure.letter
    middle = figure.box.y + figure.box.h / 2
    box = Box(figure.box.x, middle - high / 2, figure.box.w, high)
    if screen.drawing.head and (box.y < view.y or box.bottom > view.bottom):
        return False
    return _inside(case, box)


def _inside(case: Case, box: Box) -> bool:
    x0, y0 = _placed(case, box.x, box.y)
    x1, y1 = _placed(case, box.right, box.bottom)
    high, wide = case.picture.shape[:2]
    return x0 >= 0 and y0 >= 0 and x1 <= wide and y1 <= high


def _places(
    found: Found,
    screen: Laid,
    case: Case,
    linked: dict[str, tuple[str, float, float]],
    density: float,
) -> Iterator[dict[str, Any]]:
    """Error of each box, px (across, down), the figure's height and the error predicted."""
    figures = {figure.name: figure for figure in screen.drawing.figures}
    grow = density / DRAWN_AT
    line = sorted(figures.values(), key=lambda f: f.box.x)
    for place in found.places:
        if place.readout not in linked:
            continue
        name, right, below = linked[place.readout]
        figure = figures[name]
        entry: dict[str, Any] = {
            "figure": name,
            "shown": _shown(screen, case, figure),
            "letter": figure.letter * case.scale[1],
        }
        if place.box is None:
            yield entry | {"placed": False}
            continue
        if right or below:
            x, y = _placed(case, aligned(figure) + right * grow, figure.box.y + below * grow)
            off = (place.box.x - x, place.box.y - y)
        else:  # a flowing line: by how much ink is cut off, or a neighbour's let in
            row = [each for each in line if abs(each.box.y - figure.box.y) < figure.letter]
            at = row.index(figure)
            x0, x1 = (_placed(case, x, 0)[0] for x in figure.ink)
            cut = max(place.box.x - x0, x1 - place.box.right, 0.0)
            before = _placed(case, row[at - 1].ink[1], 0)[0] if at else -1e9
            after = _placed(case, row[at + 1].ink[0], 0)[0] if at + 1 < len(row) else 1e9
            foreign = max(before - place.box.x, place.box.right - after, 0.0)
            off = (max(cut, foreign), 0.0)
            entry["flowing"] = True
        yield entry | {"placed": True, "off": off, "error": place.error, "height": place.height}


# ---------------------------------------------------------------- report


def bounds(hits: int, of: int) -> str:
    """Share with its two-sided 95 % bounds (Clopper and Pearson 1934)."""
    if not of:
        return "-"
    low = beta.ppf(0.025, hits, of - hits + 1) if hits else 0.0
    high = beta.ppf(0.975, hits + 1, of - hits) if hits < of else 1.0
    return f"{hits} of {of} = {hits / of:.2%} ({low:.2%} to {high:.2%})"


def located(row: dict[str, Any]) -> bool:
    """Whether the layout shown was found, about at its scale."""
    return any(
        each["layout"].removesuffix("_words") == row["shows"]
        and abs(each["scale"] / row["about"]["scale"] - 1) < 0.03
        for each in row["finds"]
    )


def shown_enough(row: dict[str, Any]) -> bool:
    """Whether at least half of the layout's figures and of its labels lie on the capture."""
    return row["visible"] >= row["figures"] / 2 and row["labels"] >= 0.5


def fair(row: dict[str, Any]) -> bool:
    """Coded and scaled as the aim says."""
    return _as_aimed(row["about"])


def _as_aimed(about: dict[str, Any]) -> bool:
    return bool(about["quality"] >= 70 and about["scale"] >= 0.7)


def accepted(rows: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """The places of rows that are neither flagged ``badly-located`` nor ``which-layout``."""
    return [
        place
        for row in rows
        for each in row["finds"]
        for place in each.get("places", ())
        if place["placed"] and place["error"] <= RELEASED * place["height"] and not each["rivals"]
    ]


def share_off(place: dict[str, Any]) -> float:
    """Error of a box in heights of its figure."""
    return max(map(abs, place["off"])) / place["letter"]


def report(folder: Path) -> None:
    """Print all tables."""
    rows = [
        json.loads(line)
        for file in sorted(folder.glob("finds-*.jsonl"))
        for line in file.read_text(encoding="utf-8").splitlines()
        if line.endswith("}")
    ]
    these = chosen(folder)
    main = [row for row in rows if row["sort"] == "pictures"]
    own = {layout.name for layout in these.LAYOUTS}
    alike = {each.name for each in these.LOOK_ALIKES.values()}
    placed = [row for row in rows if row["sort"] in ("pictures", "alone")]
    shows = [row for row in placed if row["shows"] in own and shown_enough(row)]
    print(f"{len(placed)} captures, {len(shows)} show half of a layout or more; on {len(main)} all "
          f"{len(own)} layouts were looked for")  # fmt: skip
    print("\nLocated, JPEG or WebP >= 70 and scale >= 0.7:", bounds(*_count(filter(fair, shows))))
    print("Located, all:", bounds(*_count(shows)))
    print("\n| layout | located, as aimed | located, all |")
    for name in sorted(own):
        of = [row for row in shows if row["shows"] == name]
        print(f"| {name} | {bounds(*_count(filter(fair, of)))} | {bounds(*_count(of))} |")
    print("\n| scale | located |")
    edges = (0.5, 0.6, 0.7, 0.85, 1, 1.3, 1.7, 2.1)
    for low, high in pairwise(edges):
        of = [row for row in shows if low <= row["about"]["scale"] < high]
        print(f"| {low} to {high} | {bounds(*_count(of))} |")
    print("\n| coding | located |")
    for low, high in ((40, 55), (55, 70), (70, 85), (85, 101)):
        of = [row for row in shows if low <= row["about"]["quality"] < high]
        print(f"| quality {low} to {high - 1} | {bounds(*_count(of))} |")
    for what in ("cropped", "letterboxed"):
        of = [row for row in shows if what in row["about"]]
        print(f"| {what} | {bounds(*_count(of))} |")
    for row in shows:
        if not located(row):
            print("  not located:", row["key"], row["about"])
    for sort, what in (("alone", "each looked for alone"), ("pictures", "all layouts")):
        unlike = [row for row in rows if row["sort"] == sort and row["shows"] not in alike]
        strange = [(row["key"], each["layout"]) for row in unlike for each in row["finds"]
                   if each["layout"] != row["shows"]]  # fmt: skip
        pairs = sum(len(row["looked"]) - (row["shows"] in row["looked"]) for row in unlike)
        print(f"\nFound where it is not shown, {what}, {len(unlike)} captures:",
              bounds(len(strange), pairs), strange[:10])  # fmt: skip
    _print_errors(placed)
    worded = [row for row in rows if row["sort"] == "words"]
    of = [row for row in worded if row["shows"] != "-" and shown_enough(row)]
    print("\nBy words alone: located as aimed", bounds(*_count(filter(fair, of))), "all",
          bounds(*_count(of)))  # fmt: skip
    strange = [row["key"] for row in worded for each in row["finds"]
               if each["layout"].removesuffix("_words") != row["shows"]]  # fmt: skip
    print("found where it is not shown:", len(strange), "of",
          sum(len(these.WORDS) - (row["shows"] != "-") for row in worded))  # fmt: skip
    _print_errors(worded)
    _print_look_alikes(rows, these)
    times = np.array([(row["ms"], row["px"]) for row in main if row["shows"] != "sample"])
    if len(times):
        ms, px = times.T
        print(f"\nms of processor time a capture, all {len(own)} layouts looked for: median "
              f"{np.median(ms):.0f}, 95 % {np.quantile(ms, 0.95):.0f}; "
              f"{1e6 * ms.sum() / px.sum() / len(own):.0f} ms a Mpx and layout")  # fmt: skip


def _count(rows: Any) -> tuple[int, int]:
    rows = list(rows)
    return sum(map(located, rows)), len(rows)


def _print_errors(rows: Sequence[dict[str, Any]]) -> None:
    finds = [each for row in rows for each in row["finds"]]
    shown = [place for each in finds for place in each.get("places", ()) if place["shown"]]
    places = accepted(rows)
    good = sum(share_off(place) <= MOST for place in places)
    print("\nBoxes accepted (not flagged) of those shown:",
          bounds(sum(place["shown"] for place in places), len(shown)))  # fmt: skip
    print("error at most a sixth of the height:", bounds(good, len(places)))
    print("accepted though not wholly shown:", sum(not place["shown"] for place in places))
    offs = np.array([share_off(place) for place in places if not place.get("flowing")])
    if not offs.size:
        return
    print("error in heights: median {:.3f}, 95 % {:.3f}, 99.9 % {:.3f}, most {:.3f}".format(
        *np.quantile(offs, (0.5, 0.95, 0.999, 1))))  # fmt: skip
    normed = np.array(
        [np.array(place["off"]) / place["error"] for place in places if not place.get("flowing")]
    ).ravel()
    within = ", ".join(f"{np.mean(np.abs(normed) <= at):.1%} within {at}" for at in (1, 2, 3))
    print(f"of the error predicted: {within} (a normal law: 68.3, 95.4, 99.7); root mean square "
          f"{np.sqrt(np.mean(normed**2)):.2f}")  # fmt: skip
    worst = defaultdict(list)
    for row in rows:
        for each in row["finds"]:
            for place in accepted([{**row, "finds": [each]}]):
                if share_off(place) > MOST:
                    worst[row["key"]].append((place["figure"], round(share_off(place), 2)))
    for key, what in list(worst.items())[:12]:
        print("  too far:", key, what[:5])


def _print_look_alikes(rows: Sequence[dict[str, Any]], these: ModuleType) -> None:
    for known, other in these.LOOK_ALIKES.items():
        both = [row for row in rows if row["sort"] == f"pair {known}"]
        verdicts: Counter[str] = Counter()
        for row in both:
            finds = row["finds"]
            right = [each for each in finds if each["layout"] == other.name]
            if len(finds) == 1 and right:
                verdicts["told apart"] += 1
            elif finds and all(each["rivals"] for each in finds):
                verdicts["which-layout"] += 1
            elif finds:
                verdicts["WRONG ONE, unflagged"] += 1
            else:
                verdicts["not found"] += 1
        print(f"\n{other.name} with both known: {dict(verdicts)}")
        alone = [row for row in rows if row["sort"] == "alone" and row["shows"] == other.name]
        taken = [each for row in alone for each in row["finds"] if each["layout"] == known]
        trusted = Counter(name for each in taken for name in each["trusted"])
        unlike = these.UNLIKE[other.name]
        print(f"{other.name} where only {known} is known: taken for it on {len(taken)} of "
              f"{len(alone)}; figures then not flagged (others than {unlike} have the same "
              f"label): {dict(trusted)}")  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("what", choices=("draw", "run", "report"))
    parser.add_argument("folder", type=Path)
    parser.add_argument("--codings", type=int, default=8)
    parser.add_argument("--set", choices=tuple(SETS), default="report")
    parser.add_argument("--alone", action="store_true")
    parser.add_argument("--others", type=int, default=1)
    parser.add_argument("--part", default="0/1", help="K/N: every Nth capture, from the Kth")
    asked = parser.parse_args()
    if asked.what == "draw":
        draw(asked.folder, asked.set)
    elif asked.what == "run":
        first, of = map(int, asked.part.split("/"))
        run(asked.folder, asked.codings, (first, of), asked.alone, asked.others)
    else:
        report(asked.folder)


if __name__ == "__main__":
    cv2.setNumThreads(1)
    main()
