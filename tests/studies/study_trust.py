"""The trust study: of the figures that are released, how many are wrong?

    python tests/studies/study_trust.py BUNDLE.zip --set C --counts counts.jsonl --minutes 60
    python tests/studies/study_trust.py BUNDLE.zip --report --counts counts.jsonl

Pages of small overlays (drawn_pages.py) with truthful figures (drawn_sessions.py) are coded, read
in their places by the reader that ``extract`` uses, and judged whole: runs, relations, bounds. No
two of three sets share a font, scene or arrangement: A calibrates, the threshold is chosen on
B, and C is only counted, once a reader that is given out.

Counted chunk by chunk, a JSON line each: a chunk is a number, the same number draws the same pages.
A run goes on where the file ends; ``--worker 0/2`` and ``--worker 1/2`` share one file. What is
counted carries a digest of the reader, of judging and of the drawing, and only like is added to
like. ``--keep FOLDER`` saves a picture of every figure that was released wrong. ``--readings
FOLDER`` keeps what was read (some 1 MB a chunk) and takes it from there where reader and drawing
are the same: another way of judging is counted in minutes.
"""

from __future__ import annotations

import argparse
import ast
import collections
import functools
import gzip
import hashlib
import json
import pickle
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from drawn_pages import CODINGS, SETS, Cell, Pages, PartStock, Tile, draw_frame, draw_pages, find
from drawn_sessions import Session
from scipy import stats
from study_reader import legibility

import extractor.judging
from extractor import values
from extractor.calibration.model import Calibration
from extractor.extracting import steady
from extractor.judging import judge
from extractor.judging.entries import UNSURE
from extractor.reading.cascade import FigureReader
from extractor.reading.figures import CHARACTERS, part
from extractor.reading.general import GeneralReader
from extractor.reading.identity import reader_identity
from extractor.reading.tesseract import TesseractReader
from extractor.reading.training import coding, stock
from extractor.reading.training.charset import fold
from extractor.records import Capture, Found, FrameReadings, Judged, Reading, Sighting

_FRAMES = 24
_SEED = {"A": 1, "B": 2, "C": 16}  # 3 to 15 drew what C showed to readers before
_SLOW_PART = 100  # one figure in so many is shown to the slow readers alone
_START = datetime(2026, 3, 1, 12)
_BINS = 10  # a decade of 1 - p
_MOST_DECADES = 7


@dataclass(frozen=True, slots=True)
class Drawn:
    """One figure as it was drawn: the text of a right reading, its layout, what it looks like."""

    truth: str
    layout: str
    about: Mapping[str, str]
    font: str
    letter: float
    frame: int


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a figure is to be seen."""

    page: np.ndarray
    tile: Tile
    cell: Cell
    frame: int


@dataclass(frozen=True, slots=True)
class Chunk:
    """What was read of a chunk, and all that judging it and counting it takes: no pixels.

    ``slow``: what the slow readers said of a few figures, see ``slow_readers``.
    """

    coding: str
    sightings: tuple[Sighting, ...]
    calibrations: Mapping[str, Calibration]
    drawn: tuple[Drawn, ...]
    slow: Mapping[str, list[float]]


@dataclass(frozen=True, slots=True)
class Row:
    """One figure: what was drawn, read and judged."""

    drawn: Drawn
    reading: Reading
    calibration: Calibration
    confidence: float
    codes: tuple[str, ...]

    @property
    def right(self) -> bool:
        """The text read is the one drawn, or says the same: 1772 for 1'772 is no wrong figure."""
        text, truth, layout = self.reading.text, self.drawn.truth, self.calibration
        if text == truth:
            return True
        readout = next(r for r in layout.readout if r.name == self.reading.readout)
        if readout.kind == "word":
            return False
        if values.is_missing(truth, readout):
            return values.is_missing(text, readout)
        try:
            said = values.parse(text, readout, layout.marks)
            return said == values.parse(truth, readout, layout.marks)
        except values.FormError:
            return False

    @property
    def released(self) -> bool:
        """Nothing speaks against it."""
        return not self.codes


def digest() -> str:
    """Name what the counts depend on beside the seed: reader, judging, drawing."""
    package = Path(extractor.judging.__file__).parent
    # No person decides anything here.
    checks = {*package.glob("*.py")} - {package / "deciding.py", package / "spot.py"}
    return _digest([*sorted(checks), *_sources()])


@functools.cache
def read_digest() -> str:
    """Name what readings depend on beside the seed: reader, drawing."""
    return _digest(_sources())


def _sources() -> list[Path]:
    here = Path(__file__).parent
    modules = [Path(each.__file__) for each in (values, steady, stock, coding)]
    return [*modules, here / "drawn_sessions.py", here / "drawn_pages.py"]


def _digest(files: Sequence[Path]) -> str:
    told = hashlib.sha256(reader_identity().encode())
    for file in files:
        tree = ast.parse(file.read_text(encoding="utf-8"))
        for node in ast.walk(tree):  # words may be mended without counting anew
            body = getattr(node, "body", None)
            if isinstance(body, list):
                node.body = [each for each in body if not _is_text(each)]  # type: ignore[attr-defined]
        told.update(ast.dump(tree).encode())
    return told.hexdigest()[:16]


def _is_text(node: ast.AST) -> bool:
    return isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)


# ---------------------------------------------------------------- one chunk


def looked_at(
    pages: Pages, rng: np.random.Generator
) -> Iterator[tuple[Tile, list[Found], list[Any]]]:
    """Find every tile at every state: with its finds and what ``Pages.seen`` gives for each."""
    for tile in pages.tiles:
        finds = [find(tile, rng) for _ in pages.pictures]
        yield tile, finds, [pages.seen(tile, at, found) for at, found in enumerate(finds)]


def spots_of(pages: Pages, rng: np.random.Generator) -> list[Spot]:
    """Give where each figure of some pages is to be seen, in the order of ``Chunk.drawn``."""
    return [
        Spot(page, tile, cell, state)
        for tile, _, seen in looked_at(pages, rng) for page, state, _ in seen for cell in tile.cells
    ]  # fmt: skip


def read_chunk(
    pages: Pages, rng: np.random.Generator, reader: FigureReader, slow: Mapping[str, Any]
) -> Chunk:
    """Read all figures of some pages."""
    sightings: list[Sighting] = []
    drawn: list[Drawn] = []
    spots: list[Spot] = []
    for tile, finds, seen in looked_at(pages, rng):
        read = _read(tile, [page for page, _, _ in seen], finds, reader)
        for at, (found, (page, state, changing), readings) in enumerate(
            zip(finds, seen, read, strict=True)
        ):
            sighting = sighting_of(tile.session, at, found, readings, pages.coding == "h264")
            frame = replace(sighting.frame, changing=changing)
            sightings.append(replace(sighting, frame=frame))
            spots += [Spot(page, tile, cell, state) for cell in tile.cells]
            drawn += [
                Drawn(_truth(tile, cell, state), tile.session.calibration.id,
                      _about(tile, cell, pages), tile.style.face.name, tile.letter, state)
                for cell in tile.cells
            ]  # fmt: skip
    readings = [each for sighting in sightings for each in sighting.frame.readings]
    calibrations = {tile.session.calibration.id: tile.session.calibration for tile in pages.tiles}
    return Chunk(pages.coding, tuple(sightings), calibrations, tuple(drawn),
                 slow_readers(drawn, readings, spots, slow, rng))  # fmt: skip


def judged(chunk: Chunk) -> list[Row]:
    """Judge what was read of a chunk."""
    told: list[Judged] = []
    for verdict in judge(chunk.sightings, chunk.calibrations, ()).verdicts:
        by_name = {each.readout.partition(".")[0]: each for each in verdict.judged}
        told += [by_name[each.readout] for each in verdict.sighting.frame.readings]
    return [
        Row(drawn, each.reading, chunk.calibrations[drawn.layout], each.confidence or 0.0,
            tuple(doubt.code for doubt in each.doubts))
        for drawn, each in zip(chunk.drawn, told, strict=True)
    ]  # fmt: skip


def _read(
    tile: Tile, pages: list[np.ndarray], finds: list[Found], reader: FigureReader
) -> Iterator[tuple[Reading, ...]]:
    """Read a tile at every frame; all its frames lie one below the other, to be read at once."""
    (left, top), (width, high) = tile.at, tile.size
    strip = np.concatenate([page[top : top + high, left : left + width] for page in pages])
    places = tuple(
        replace(place, box=replace(place.box, x=place.box.x - left,
                                   y=place.box.y - top + at * high))
        for at, found in enumerate(finds) for place in found.places if place.box
    )  # fmt: skip
    readings = iter(
        reader.read_found(strip, replace(finds[0], places=places), tile.session.calibration)
    )
    for found in finds:
        yield tuple(replace(next(readings), box=place.box) for place in found.places)


def _truth(tile: Tile, cell: Cell, at: int) -> str:
    """Give what a right reading of a figure would be."""
    readout = next(r for r in tile.session.calibration.readout if r.name == cell.readout)
    drawn = fold(tile.session.texts[cell.readout][at])
    parted = part(drawn, readout.kind, readout.missing)
    assert parted is not None
    return parted.text


def sighting_of(
    session: Session, at: int, found: Found, readings: tuple[Reading, ...], in_film: bool
) -> Sighting:
    """Give a frame of a recording, a still of a run, or a still by itself."""
    identity, in_run = session.calibration.id, session.in_run
    film = in_film and in_run
    path = f"{identity}/film.mp4" if film else f"{identity}/{at}.png"
    path = path if in_run else f"{identity}-{at}/0.png"
    content = hashlib.sha256(path.encode()).hexdigest()[:32] + "-1"
    taken = "" if film else (_START + timedelta(seconds=2 * at)).isoformat()
    capture = Capture(path, Path(path), content, "recording" if film else "still", 1280, 720, taken)
    facts = {"device": identity, "round": "1" if in_run else str(at + 1)}
    pts, at_s = (at * 90000, float(at)) if film else (None, None)
    return Sighting(capture, FrameReadings(content, pts, at_s, (found,), readings), facts)


def _about(tile: Tile, cell: Cell, pages: Pages) -> dict[str, str]:
    letter = next(f"{low} to {high} px" for low, high in _HEIGHTS if tile.letter < high)
    readout = next(r for r in tile.session.calibration.readout if r.name == cell.readout)
    related = any(cell.readout in r.that for r in tile.session.calibration.relation)
    clean = tile.panel == "solid" and pages.coding == "png"
    return {
        "coding": pages.coding, "letters": letter, "layout": tile.arrangement.name,
        "font class": tile.style.face.kind, "family": tile.style.face.family,
        "kind": readout.kind, "panel": tile.panel,
        "panel and coding": f"{tile.panel}, {pages.coding}",
        **({"solid, png, font class": tile.style.face.kind} if clean else {}),
        "checks": ("run" if tile.session.in_run else "alone")
        + (", related" if related else "") + (", bounds" if readout.bounds else ""),
    }  # fmt: skip


_HEIGHTS = ((9, 12), (12, 16), (16, 24), (24, 50))


def count(rows: Iterable[Row]) -> dict[str, Any]:
    """Count rows: small enough for a line of JSON."""
    totals: dict[str, dict[str, list[int]]] = collections.defaultdict(dict)
    # by decile of 1 - p: read, wrong, sum of 1 - p, and of those no other check flags: n, wrong
    by_p: dict[str, list[float]] = {}
    routes: dict[str, list[float]] = {}
    flags: collections.Counter[str] = collections.Counter()
    alone: dict[str, list[float]] = {}
    loss = 0.0
    distinct, spelled = set(), 0
    for row in rows:
        reading = row.reading
        wrong, released = not row.right, row.released
        spelled += released and not wrong and reading.text != row.drawn.truth
        for key, value in (("all", ""), *row.drawn.about.items()):
            cell = totals[key].setdefault(value, [0, 0, 0, 0, 0])
            again = _route(reading) != "plain"
            for at, add in enumerate((1, released, wrong, wrong and released, again)):
                cell[at] += int(add)
        doubt = max(1.0 - row.confidence, 10.0**-_MOST_DECADES)
        bin_ = str(min(int(-_BINS * np.log10(doubt) + 1e-9), _BINS * _MOST_DECADES - 1))
        passes = not set(row.codes) - {"unsure"}
        _add(by_p, bin_, (1, wrong, doubt, passes, passes and wrong))
        _add(routes, f"{_route(reading)} {bin_}", (1, wrong, doubt, passes, passes and wrong))
        loss -= float(np.log(max(row.confidence, 1e-7) if row.right else doubt))
        kind = "wrong" if wrong else "right"
        flags.update(f"{kind} {code}" for code in row.codes)
        if len(row.codes) == 1:
            flags[f"{kind} only {row.codes[0]}"] += 1
        for name, text, p in _alone(reading):
            said = bool(text) and p >= UNSURE
            bad = bool(text) and text != row.drawn.truth
            _add(alone, name, (1, not text, bad, said, said and bad))
        if released:
            distinct.add((row.drawn.layout, reading.readout, reading.text))
    return {"totals": totals, "by_p": by_p, "routes": routes, "flags": flags, "loss": loss,
            "alone": alone, "distinct": len(distinct), "spelled": spelled}  # fmt: skip


def _add(table: dict[str, list[float]], key: str, more: Iterable[float]) -> None:
    more = [float(each) for each in more]
    have = table.setdefault(key, [0.0] * len(more))
    table[key] = [a + b for a, b in zip(have, more, strict=True)]


def _route(reading: Reading) -> str:
    """Tell on whose word a text stands."""
    if not reading.looks:
        return "nothing seen"
    own = all(look.reader.startswith("own") for look in reading.looks)
    return "plain" if own else "asked again"


def _alone(reading: Reading) -> Iterator[tuple[str, str, float]]:
    """What the own reader would say alone: its first look, and all its looks at the figure."""
    own = [look for look in reading.looks if look.reader.startswith("own reader (")]
    looks = [look for look in own if not look.reader.endswith(", or")]
    close = [look for look in looks if "box" not in look.reader]
    first = close[:1]
    yield ("own, first look", *((first[0].text, first[0].probability) if first else ("", 0.0)))
    sums: dict[str, float] = collections.defaultdict(float)
    for look in close:
        sums[look.text] += look.probability / len(close)
    best = max(sums, key=lambda text: sums[text], default="")
    yield "own, both nets", best, sums[best] if best else 0.0
    yield "cascade", reading.text, reading.probability


def slow_readers(
    drawn: Sequence[Drawn], readings: Sequence[Reading], spots: Sequence[Spot],
    readers: Mapping[str, Any], rng: np.random.Generator,
) -> dict[str, list[float]]:  # fmt: skip
    """Show one figure in many, cut as its box says, to each slow reader alone."""
    told: dict[str, list[float]] = {}
    for truth, reading, spot in zip((each.truth for each in drawn), readings, spots, strict=True):
        if rng.integers(_SLOW_PART) or reading.box is None:
            continue
        box = reading.box
        x0, y0 = max(0, int(box.x)), max(0, int(box.y))
        crop = spot.page[y0 : int(np.ceil(box.bottom)), x0 : int(np.ceil(box.right))]
        if min(crop.shape[:2]) < 2:
            continue
        readout = next(
            r for r in spot.tile.session.calibration.readout if r.name == spot.cell.readout
        )
        characters = CHARACTERS[readout.kind] + (readout.missing or "")
        for name, reader in readers.items():
            (seen,) = reader.read([np.ascontiguousarray(crop)], characters)
            best = next(iter(seen.texts()), None)
            parted = part(best.text, readout.kind, readout.missing) if best else None
            text, p = (parted.text, best.probability) if parted and best else ("", 0.0)
            said, bad = bool(text) and p >= UNSURE, bool(text) and text != truth
            _add(told, name, (1, not text, bad, said, said and bad))
    return told


def told_of(row: Row, spot: Spot, picture: Path | None) -> dict[str, Any]:
    """Describe a figure released wrong, and save its picture."""
    tile, cell, reading, box = spot.tile, spot.cell, row.reading, row.reading.box
    assert box is not None
    x0, y0, x1, y1 = (max(0, int(edge)) for edge in cell.box)
    (left, top), span = tile.at, np.array([[0.0, x1 - x0]])
    ink = draw_frame(tile, spot.frame)[1][y0 : y1 + 1, x0 : x1 + 1]
    piece = spot.page[top + y0 :, left + x0 :][: len(ink), : ink.shape[1]]
    seen = legibility(piece, ink, span, tile.letter)
    if picture is not None:
        reach = int(2 * tile.letter)
        piece = spot.page[
            max(0, int(box.y) - reach) : int(box.bottom) + reach,
            max(0, int(box.x) - reach) : int(box.right) + reach,
        ]
        picture.parent.mkdir(parents=True, exist_ok=True)
        cv2.imwrite(str(picture), piece[:, :, ::-1])
    return {
        "truth": row.drawn.truth, "read": reading.text, "p": reading.probability,
        "route": _route(reading), "seen": round(seen, 2), **row.drawn.about,
        "font": row.drawn.font, "letter": round(row.drawn.letter, 1), "frame": row.drawn.frame,
        "looks": [(each.reader, each.text, round(each.probability, 5)) for each in reading.looks],
    }  # fmt: skip


def run(bundle: Path, which: str, counts: Path, minutes: float, worker: str, keep: Path | None,
        kept: Path | None, most: int) -> None:  # fmt: skip
    """Count chunk after chunk until the time is over."""
    cv2.setNumThreads(1)
    fonts, reader = PartStock(bundle, SETS[which]), FigureReader()
    slow = {"general recogniser": GeneralReader(), "Tesseract": TesseractReader()}
    mark, (mine, of) = digest(), (int(each) for each in worker.split("/"))
    done = {number for each in lines(counts) if (each["set"], each["of"]) == (which, mark)
            for number in counted(each)}  # fmt: skip
    end = time.monotonic() + 60 * minutes
    for number in range(mine, most, of):
        if number in done:
            continue
        if time.monotonic() > end:
            break
        begun = time.process_time()
        name = f"{which}{_SEED[which]}-{number}"
        file = kept / f"{name}-{read_digest()}.pickle.gz" if kept else None
        if file and file.exists():
            chunk = pickle.loads(gzip.decompress(file.read_bytes()))
        else:
            chunk = read_chunk(*drawn_anew(fonts, which, number), reader, slow)
            if file:
                store(file, chunk)
        rows = judged(chunk)
        told = count(rows)
        told["alone"] |= chunk.slow
        told["wrong"] = []
        bad = [at for at, row in enumerate(rows) if row.released and not row.right]
        spots = spots_of(*drawn_anew(fonts, which, number)) if bad else []
        for at in bad:
            shown = f"{rows[at].drawn.truth} as {rows[at].reading.text}".replace("/", "_")
            picture = keep / f"{name}-{at} {shown}.png" if keep else None
            told["wrong"].append(told_of(rows[at], spots[at], picture))
        append(counts, {"set": which, "chunk": number, "of": mark, "reader": reader_identity(),
                        **told})  # fmt: skip
        n, released, wrong, _, _ = told["totals"]["all"][""]
        spent = time.process_time() - begun
        print(f"{which}{number} {chunk.coding}: {n} figures, {released} released, {wrong} read "
              f"wrong, {len(bad)} of them released; {spent:.1f} s ({1e3 * spent / n:.1f} ms a "
              "figure)", flush=True)  # fmt: skip


def drawn_anew(fonts: PartStock, which: str, number: int) -> tuple[Pages, np.random.Generator]:
    """Draw the pages of a chunk, always the same; with the generator as drawing leaves it."""
    rng = np.random.default_rng([_SEED[which], number])
    return draw_pages(fonts, SETS[which], _FRAMES, 1000 * number, rng), rng


def store(file: Path, chunk: Chunk) -> None:
    """Keep what was read, whole or not at all."""
    file.parent.mkdir(parents=True, exist_ok=True)
    half = file.with_suffix(".half")
    half.write_bytes(gzip.compress(pickle.dumps(chunk), 4))
    half.rename(file)


def append(counts: Path, told: Mapping[str, Any]) -> None:
    """Add a line at once, so that two workers may share a file; a torn line before it is ended."""
    torn = counts.exists() and not counts.read_bytes().endswith(b"\n")
    line = json.dumps(told, ensure_ascii=False) + "\n"
    with counts.open("ab", buffering=0) as file:
        file.write((b"\n" if torn else b"") + line.encode())


def lines(counts: Path) -> list[dict[str, Any]]:
    """Read the file of counts; a line that a stopped run left half is passed over."""
    found = []
    for line in counts.read_text(encoding="utf-8").splitlines() if counts.exists() else []:
        try:
            found.append(json.loads(line))
        except json.JSONDecodeError:
            continue
    return found


# ---------------------------------------------------------------- the report


def merge(chunks: Iterable[Mapping[str, Any]]) -> dict[str, Any]:
    """Add chunks up."""
    total: dict[str, Any] = {"totals": {}, "by_p": {}, "routes": {}, "alone": {}, "flags": {},
                             "loss": 0.0, "distinct": 0, "spelled": 0, "wrong": []}  # fmt: skip
    for each in chunks:
        for key, table in each["totals"].items():
            for value, more in table.items():
                _add(total["totals"].setdefault(key, {}), value, more)
        for name in ("by_p", "routes", "alone"):
            for key, more in each[name].items():
                _add(total[name], key, more)
        for code, n in each["flags"].items():
            total["flags"][code] = total["flags"].get(code, 0) + n
        total["loss"] += each["loss"]
        total["distinct"] += each["distinct"]
        total["spelled"] += each.get("spelled", 0)  # before, they counted as wrong
        total["wrong"] += each["wrong"]
    return total


def sum_up(counts: Path, target: Path) -> None:
    """Write what is counted as one line a set and state, with the numbers of its chunks.

    Such a file can be reported, and a run goes on from it as from the file it was in.
    """
    groups: dict[tuple[str, str], list[dict[str, Any]]] = collections.defaultdict(list)
    for each in {(line["set"], line["of"], line["chunk"]): line for line in lines(counts)}.values():
        groups[each["set"], each["of"]].append(each)
    target.unlink(missing_ok=True)
    for (which, mark), chunks in sorted(groups.items()):
        numbers = sorted(number for each in chunks for number in counted(each))
        told = {"set": which, "chunk": f"sum of {len(numbers)}", "chunks": numbers, "of": mark,
                "reader": chunks[0]["reader"], **merge(chunks)}  # fmt: skip
        append(target, told)


def counted(line: Mapping[str, Any]) -> list[int]:
    """Which chunks a line tells of: its own, or all that were summed up."""
    numbers: list[int] = line.get("chunks", [line["chunk"]])
    return numbers


def upper(wrong: float, n: float) -> float:
    """One-sided upper 95 % bound of a share after Clopper and Pearson 1934."""
    return float(stats.binomtest(int(wrong), int(n), alternative="less").proportion_ci(0.95).high)


def _share(wrong: float, n: float) -> str:
    if not n:
        return "none"
    return f"{int(wrong)} of {int(n):,} ({wrong / n:.2g}, at most {upper(wrong, n):.2g})"


def report(counts: Path, which: str, mark: str) -> None:
    """Print what docs/trust.md says of one set, in Markdown."""
    kept = {each["chunk"]: each for each in lines(counts)
            if (each["set"], each["of"]) == (which, mark)}  # fmt: skip
    if not kept:
        others = sorted({each["of"] for each in lines(counts) if each["set"] == which})
        if others:
            print(
                f"\nSet {which}: nothing of today's state, {mark}; --digest {' or '.join(others)}"
            )
        return
    total = merge(kept.values())
    n, released, wrong, bad, again = total["totals"]["all"][""]
    chunks = sum(len(counted(each)) for each in kept.values())
    print(f"\n## Set {which} ({mark}), {chunks} chunks\n")
    print(f"Reader: `{next(iter(kept.values()))['reader']}`\n")
    print(
        f"- figures read: {int(n):,}; released: {int(released):,} ({int(total['distinct']):,} "
        f"of them distinct in their session); flagged: {100 * (1 - released / n):.2f} %"
    )
    print(f"- read wrong before judging: {_share(wrong, n)}; shown to the slower readers: "
          f"{100 * again / n:.1f} %")  # fmt: skip
    print(f"- **wrong among released: {_share(bad, released)}**; {int(total['spelled'])} more say "
          "the same in another text")  # fmt: skip
    print(f"- {_over_fonts(total['totals']['family'])}")
    _print_honesty(total, n)
    print("\n| | figures | slower readers | flagged | read wrong | released wrong |")
    print("|---|---|---|---|---|---|")
    for key, order in (("coding", CODINGS), ("letters", None), ("layout", None), ("panel", None),
                       ("panel and coding", None), ("solid, png, font class", None), ("kind", None),
                       ("font class", None), ("checks", None)):  # fmt: skip
        told = total["totals"].get(key, {})
        for value in order or sorted(told):
            if value in told:
                a, b, c, d, e = told[value]
                print(f"| {key}: {value} | {int(a):,} | {100 * e / a:.1f} % | "
                      f"{100 * (1 - b / a):.2f} % | "
                      f"{100 * c / a:.3f} % | {_share(d, b)} |")  # fmt: skip
    print("\n| reader alone | figures | nothing | wrong | said 0.999 or more | wrong of these |")
    print("|---|---|---|---|---|---|")
    for name, (a, silent, w, said, w_said) in total["alone"].items():
        print(f"| {name} | {int(a):,} | {100 * silent / a:.2f} % | {100 * w / a:.3f} % | "
              f"{100 * said / a:.2f} % | {_share(w_said, said)} |")  # fmt: skip
    whole = f"{100 * released / n:.2f} % | {_share(bad, released)}"
    print(f"| judged whole | {int(n):,} | | | {whole} |")
    _print_flags(total["flags"], n, wrong)
    for each in total["wrong"]:
        print(f"\n- wrong and released: {each}")


def _over_fonts(families: Mapping[str, list[float]]) -> str:
    """95 % interval when fonts are drawn anew (bootstrap, Efron 1979)."""
    released, bad = (np.array([table[at] for table in families.values()]) for at in (1, 3))
    drawn = np.random.default_rng(0).integers(0, len(released), (5000, len(released)))
    shares = bad[drawn].sum(1) / np.maximum(released[drawn].sum(1), 1)
    low, high = np.percentile(shares, [2.5, 97.5])
    return (f"drawing the {len(families)} fonts anew (bootstrap): {low:.2g} to {high:.2g}; wrong "
            f"ones in {int((bad > 0).sum())} fonts")  # fmt: skip


def _print_honesty(total: Mapping[str, Any], n: float) -> None:
    by_p = {int(key): cells for key, cells in total["by_p"].items()}
    wrong = sum(cells[1] for cells in by_p.values())
    share = min(max(wrong / n, 1e-9), 1 - 1e-9)
    constant = -(share * np.log(share) + (1 - share) * np.log(1 - share))
    print(f"- log loss {total['loss'] / n:.5f}, of a constant {constant:.5f}")
    print("\n| 1 - p | read | wrong | sum of 1 - p | Poisson 95 % | no other check flags | wrong |")
    print("|---|---|---|---|---|---|---|")
    for decade in range(_MOST_DECADES):
        inside = [cells for key, cells in by_p.items() if key // _BINS == decade]
        if not inside:
            continue
        read, bad, said, passed, worse = np.sum(inside, axis=0)
        low, high = stats.poisson.interval(0.95, said)
        held = "" if low <= bad <= high else " (below)" if bad < low else " **(above)**"
        print(f"| 1e-{decade + 1} to 1e-{decade} | {int(read):,} | {int(bad)} | {said:.2f} | "
              f"{low:.0f} to {high:.0f}{held} | {int(passed):,} | {int(worse)} |")  # fmt: skip
    _print_routes(total["routes"])
    print("\n| released from | flagged | wrong among released |\n|---|---|---|")
    for at in (0, 5, 10, 15, 20, 25, 27, 29, 30, 31, 32, 33, 34, 35, 36, 37, 38, 39, 40):
        above = [cells for key, cells in by_p.items() if key >= at]
        if above:
            _, _, _, passed, worse = np.sum(above, axis=0)
            print(f"| {1 - 10 ** (-at / _BINS):.6g} | {100 * (1 - passed / n):.2f} % | "
                  f"{_share(worse, passed)} |")  # fmt: skip


def _print_routes(routes: Mapping[str, list[float]]) -> None:
    """Print what the constants of trust.py follow from: by route, what was claimed and what held.

    Of what no other check flags, the bound on the wrong share is the least doubt to be claimed.
    """
    print("\n| on whose word, 1 - p | read | wrong | sum of 1 - p | no other check flags | wrong, "
          "with its bound |\n|---|---|---|---|---|---|")  # fmt: skip
    for route in ("plain", "asked again", "nothing seen"):
        cells_of = {
            int(key.rpartition(" ")[2]): np.array(cells)
            for key, cells in routes.items()
            if key.rpartition(" ")[0] == route
        }
        for decade in range(_MOST_DECADES):
            inside = [cells for key, cells in cells_of.items() if key // _BINS == decade]
            if inside:
                read, bad, said, passed, worse = np.sum(inside, axis=0)
                print(f"| {route}, 1e-{decade + 1} to 1e-{decade} | {int(read):,} | {int(bad)} | "
                      f"{said:.2f} | {int(passed):,} | {_share(worse, passed)} |")  # fmt: skip
        above = [cells for key, cells in cells_of.items() if key >= 3 * _BINS]
        if above:
            _, _, _, passed, worse = np.sum(above, axis=0)
            print(f"| {route}, {UNSURE} or more | | | | {int(passed):,} | "
                  f"{_share(worse, passed)} |")  # fmt: skip


def _print_flags(flags: Mapping[str, int], n: float, wrong: float) -> None:
    print("\n| flag | right figures with it | with it alone | wrong figures with it | alone |")
    print("|---|---|---|---|---|")
    codes = sorted({key.split()[-1] for key in flags})
    for code in sorted(codes, key=lambda each: -flags.get(f"right only {each}", 0)):
        a, b, c, d = (flags.get(f"{kind} {code}", 0)
                      for kind in ("right", "right only", "wrong", "wrong only"))  # fmt: skip
        right = (n - wrong) / 100
        print(f"| {code} | {a / right:.3f} % | {b / right:.3f} % | {c} | {d} |")


def main() -> None:
    """Count, or report."""
    asked = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    asked.add_argument("bundle", type=Path, nargs="?")
    asked.add_argument("--set", choices=sorted(SETS), default="A")
    asked.add_argument("--counts", type=Path, default=Path("trust-counts.jsonl"))
    asked.add_argument("--minutes", type=float, default=10.0)
    asked.add_argument("--chunks", type=int, default=10_000, help="the number to end before")
    asked.add_argument("--worker", default="0/1", help="which of how many that share the work")
    asked.add_argument("--keep", type=Path, help="folder for pictures of what is released wrong")
    asked.add_argument("--readings", type=Path, help="folder in which what was read is kept")
    asked.add_argument("--report", action="store_true")
    asked.add_argument("--digest", help="report counts of another state than today's")
    asked.add_argument("--sum", type=Path, help="write all counts to this file, a line a set")
    told = asked.parse_args()
    if told.sum:
        sum_up(told.counts, told.sum)
        return
    if told.report:
        for which in sorted(SETS):
            report(told.counts, which, told.digest or digest())
        return
    if told.bundle is None:
        asked.error("name the bundle; mend: python -m extractor.reading.training.bundle BUNDLE.zip")
    run(
        told.bundle,
        told.set,
        told.counts,
        told.minutes,
        told.worker,
        told.keep,
        told.readings,
        told.chunks,
    )


if __name__ == "__main__":
    main()
