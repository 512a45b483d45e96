"""Planted errors: what share does judging alone catch?

    python tests/studies/study_planted.py --tries 400                      # a reader that lies
    python tests/studies/study_planted.py BUNDLE.zip --tries 100           # errors in the picture
    python tests/studies/study_planted.py --wild 300                       # truthful wild series

Two ways, never in the text afterwards. A reader that lies: it says the wrong figure with 0.9999 and
names no rival. In the picture: the wrong figure is drawn, over the overlay that the bundle's fonts
and scenes make, and read as ``extract`` reads it. All other figures of the session are read right.
Caught: no planted figure is released. Alone: one capture; in a run: in the midst of 25. Stated:
the calibration gives decimals, bounds and relations; bare: none of these.

Truthful wild series (tests/wild_series.py) are read right throughout: whatever is flagged, the
checks along time flag for nothing.
"""

from __future__ import annotations

import argparse
import collections
import random
import sys
from collections.abc import Callable, Mapping
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from drawn_pages import SETS, PartStock, Tile, draw_frame, draw_tile, find, redraw
from drawn_sessions import Session, draw_session
from judging_world import flagged, layout, readout, series, verdict
from scipy import stats
from study_trust import sighting_of, upper
from wild_series import WILD, hopping, texts

from extractor.calibration.model import Readout
from extractor.judging import judge
from extractor.reading.cascade import FigureReader
from extractor.reading.figures import part
from extractor.reading.training import coding
from extractor.reading.training.charset import fold
from extractor.records import Alternative, Box, Found, Place, Reading
from extractor.values import FormError, parse

_RUN = 25
_AT = 12
_BOX = Box(100, 50, 60, 20)

Texts = dict[str, str]
"""What a capture draws, by readout; those that a planted error changed."""

Units = dict[str, str]


def _digit(which: Callable[[list[int]], int]) -> Callable[[np.random.Generator, str], str | None]:
    """Change one digit for another."""

    def change(rng: np.random.Generator, text: str) -> str | None:
        places = [at for at, char in enumerate(text) if char.isdigit()]
        if len(places) < 2:
            return None
        at = places[which(places)]
        digit = str((int(text[at]) + int(rng.integers(1, 10))) % 10)
        return text[:at] + digit + text[at + 1 :]

    return change


def _added(rng: np.random.Generator, text: str) -> str | None:
    at = 0 if rng.random() < 0.5 else len(text)
    at = at + 1 if at == 0 and not text[0].isdigit() else at
    return text[:at] + str(int(rng.integers(1, 10))) + text[at:]


def _lost_digit(rng: np.random.Generator, text: str) -> str | None:
    if sum(char.isdigit() for char in text) < 2:
        return None
    return text[:-1] if rng.random() < 0.5 and text[-2].isdigit() else text[1:]


def _lost(signs: str) -> Callable[[np.random.Generator, str], str | None]:
    def lose(rng: np.random.Generator, text: str) -> str | None:
        there = [char for char in text if char in signs]
        return text.replace(there[-1], "") if there else None

    return lose


_SLIPS: Mapping[str, Callable[[np.random.Generator, str], str | None]] = {
    "lost point": _lost(".,"),
    "lost sign": _lost("-−"),
    "first digit changed": _digit(lambda places: 0),
    "a digit between changed": _digit(lambda places: len(places) // 2),
    "last digit changed": _digit(lambda places: -1),
    "digit lost at the edge": _lost_digit,
    "digit added": _added,
}
_OTHERS = (
    "readouts exchanged", "overlay of the frame before", "overlay of another capture",
    "factor 1000, unit drawn", "factor 1000, no unit",
)  # fmt: skip
_THOUSANDFOLD = {
    "W": ("mW", 1000), "A": ("mA", 1000), "V": ("mV", 1000), "mA": ("A", 0.001),
    "MHz": ("GHz", 0.001), "GHz": ("MHz", 1000), "MiBy": ("GB", 1 / 1024), "ms": ("s", 0.001),
}  # fmt: skip


def plant(
    error: str, session: Session, at: int, rng: np.random.Generator
) -> tuple[Texts, Units] | None:
    """Give what another text, or another unit, is drawn for; None if it cannot be planted."""
    now = {name: texts[at] for name, texts in session.texts.items()}
    readouts = {each.name: each for each in session.calibration.readout}
    figures = [name for name, each in readouts.items()
               if each.kind in ("number", "percentage") and now[name] != each.missing]  # fmt: skip
    rng.shuffle(figures)
    if error.startswith("overlay"):
        other_at = at - 1 if error.endswith("before") else int(rng.integers(at - 1))
        stale = {name: texts[other_at] for name, texts in session.texts.items()
                 if texts[other_at] != now[name]}  # fmt: skip
        return (stale, {}) if stale else None
    for one, name in enumerate(figures):
        if error in _SLIPS:
            text = _SLIPS[error](rng, now[name])
            if text and _differ(now[name], text, readouts[name], session):
                return {name: text}, {}
            continue
        if error == "readouts exchanged":
            other = next((each for each in figures[one:] if now[each] != now[name]), None)
            if other is not None:
                return {name: now[other], other: now[name]}, {}
            continue
        kin = _THOUSANDFOLD.get(readouts[name].unit)
        if kin is None:
            continue
        value = parse(now[name], readouts[name].model_copy(update={"decimals": None}),
                      session.calibration.marks)[0].value * kin[1]  # fmt: skip
        text = f"{value:.3f}" if kin[1] < 1 else f"{value:.0f}"
        if session.calibration.marks.decimal == ",":
            text = text.replace(".", ",")
        return {name: text}, {name: kin[0] if "unit drawn" in error else ""}
    return None


def _differ(one: str, other: str, readout: Readout, session: Session) -> bool:
    """Tell whether a text says something else than another, or no figure at all."""
    said = []
    for text in (one, other):
        try:
            said.append(parse(text, readout.model_copy(update={"decimals": None}),
                              session.calibration.marks))  # fmt: skip
        except FormError:
            return text == other
    return said[0] != said[1]


def right(session: Session, name: str, text: str, unit: str) -> Reading:
    """Give the record of a figure that is read right and with confidence."""
    readout = next(each for each in session.calibration.readout if each.name == name)
    parted = part(fold(text), readout.kind, readout.missing)
    said = parted.text if parted else text
    return Reading(
        session.calibration.id, name, _BOX, said, 0.9999, (Alternative(said, 0.9999),),
        unit_seen=unit, height=18.0, box_error=0.2, sharpness=0.7,
    )  # fmt: skip


def caught(
    error: str, session: Session, rng: np.random.Generator, tile: Tile | None,
    stock: PartStock | None, reader: FigureReader | None,
) -> bool | None:  # fmt: skip
    """Plant one error and judge; None if it cannot be planted in this session."""
    count = len(next(iter(session.texts.values())))
    at = min(_AT, count - 1)
    if error.startswith("overlay") and count == 1:
        return None
    planted = plant(error, session, at, rng)
    if planted is None:
        return None
    texts, units = planted
    sightings = []
    for frame in range(count):
        readings = [
            right(session, name, lines[frame], session.units[name])
            for name, lines in session.texts.items()
        ]
        found = Found(session.calibration.id, 1.0, Box(0, 0, 300, 300), 0.99,
                      tuple(Place(each.readout, _BOX) for each in readings))  # fmt: skip
        if frame == at and tile is not None and stock is not None and reader is not None:
            found, readings = _read(tile, at, texts, units, stock, reader, rng)
        elif frame == at:
            readings = [
                right(session, each.readout, texts[each.readout],
                      units.get(each.readout, each.unit_seen))
                if each.readout in texts else each
                for each in readings
            ]  # fmt: skip
        sightings.append(sighting_of(session, frame, found, tuple(readings), in_film=False))
    verdict = judge(sightings, {session.calibration.id: session.calibration}, ()).verdicts[at]
    return all(row.value is None for row in verdict.judged if row.readout in texts)


def _read(
    tile: Tile, at: int, texts: Texts, units: Units, stock: PartStock, reader: FigureReader,
    rng: np.random.Generator,
) -> tuple[Found, list[Reading]]:  # fmt: skip
    """Draw one frame with the planted texts, code it, and read it."""
    found = find(tile, rng)
    for cell in tile.cells:
        if cell.readout in texts:
            unit = units.get(cell.readout, tile.session.units[cell.readout])
            redraw(tile, cell, at, texts[cell.readout], unit, stock)
    picture = np.clip(draw_frame(tile, at)[0] + 0.5, 0, 255).astype(np.uint8)
    if rng.random() < 0.5:
        picture = coding.jpeg(picture, 80)
    return found, list(reader.read_found(picture, found, tile.session.calibration))


def _cell(error: str, in_run: bool, stated: bool, tries: int, bundle: Path | None,
          stock: PartStock | None, reader: FigureReader | None) -> str:  # fmt: skip
    rng = np.random.default_rng([7, tries, int(in_run), int(stated)])
    found: list[bool] = []
    for number in range(40 * tries):
        if len(found) == tries:
            break
        session = draw_session(rng, _RUN if in_run else 1, number, True, stated)
        tile = None
        if stock is not None:
            try:
                tile = draw_tile(stock, SETS["A"], session, rng)
            except LookupError:
                continue
        one = caught(error, session, rng, tile, stock, reader)
        if one is not None:
            found.append(one)
    if not found:
        return "-"
    low, high = stats.binomtest(sum(found), len(found)).proportion_ci(0.95, "exact")
    share = 100 * sum(found) / len(found)
    return f"{share:.0f} % ({100 * low:.0f} to {100 * high:.0f})"


def wild(many: int) -> None:
    """Count what is flagged of truthful wild series, ``many`` of each sort."""
    print("| series | figures | flagged | 95 % bound | by |\n|---|---|---|---|---|")
    for trimmed in (False, True):
        for draw in WILD:
            codes: collections.Counter[str] = collections.Counter()
            flags = total = 0
            for number in range(many):
                chance = random.Random(number)
                count = chance.choice([12, 30, 100, 300])
                calibration = layout(readout("x"))
                decimals = 0 if draw is hopping else number % 3
                written = texts(draw, chance, count, decimals, trimmed)
                found = flagged(verdict(series(calibration, {"x": written}), calibration))
                flags, total = flags + len(found), total + count
                codes.update(code for row in found.values() for code in row)
            by = ", ".join(f"{code} {n}" for code, n in codes.most_common())
            name = draw.__name__ + (", last 0 left out" if trimmed else "")
            print(f"| {name} | {total:,} | {100 * flags / total:.2f} % | "
                  f"{100 * upper(flags, total):.2f} % | {by} |", flush=True)  # fmt: skip


def main() -> None:
    """Print a table in Markdown."""
    asked = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    asked.add_argument("bundle", type=Path, nargs="?")
    asked.add_argument("--tries", type=int, default=100)
    asked.add_argument("--wild", type=int, help="count truthful wild series instead")
    told = asked.parse_args()
    cv2.setNumThreads(1)
    if told.wild:
        wild(told.wild)
        return
    stock = PartStock(told.bundle, SETS["A"]) if told.bundle else None
    reader = FigureReader() if told.bundle else None
    print("| planted | alone, bare | in a run, bare | alone, stated | in a run, stated |")
    print("|---|---|---|---|---|")
    for error in (*_SLIPS, *_OTHERS):
        cells = [
            _cell(error, in_run, stated, told.tries, told.bundle, stock, reader)
            for stated in (False, True) for in_run in (False, True)
        ]  # fmt: skip
        print(f"| {error} | {' | '.join(cells)} |", flush=True)


if __name__ == "__main__":
    main()
