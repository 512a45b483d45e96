"""How right and how honest the own reader is, on fonts, scenes and layouts it never saw.

    python tests/studies/study_reader.py BUNDLE.zip --plain 160000 --hard 200000

Three test sets, drawn by the training's generator from the test split of its bundle in layouts of
this file. Plain: ordinary interface fonts as they are, letters of 14 px and more, units and
captions apart, coded once. Mixed: the same from 12 px on, units and captions often touching. Hard:
all classes of fonts, outlines altered, 9 to 14 px letters for half, units and captions that touch,
some scaled down and coded twice. The first look, both nets and the whole cascade read all of them;
the general recogniser, as the cascade calls it and as its package rapidocr does, Tesseract in
process and pytesseract read the first ``--general`` crops of each in the same run (pytesseract a
tenth). Letters that stand left of a figure, a neighbour's,
count against no reader. ``--calibrate`` fits the nets' temperatures on the tuning split instead,
and writes them.

``legible`` is the share of a figure's worst character that its picture shows to one who knows what
is drawn; no reader has a part in it. What is below 0.3 is told apart: letters over a part of the
scene as bright as they are, hue alone after 4:2:0 coding, letters that others cover.

``contrast_ratio`` is the contrast ratio of W3C's Web Content Accessibility Guidelines 2.2, of the
character that stands out least. Interface text has 4.5 to 1 and large text 3 to 1 (success
criterion 1.4.3), and what is below 3 to 1 passes for no interface text; over game scenes monitors
draw it nevertheless. Errors are told for 3 to 1 and more, for less, and for all.
"""

from __future__ import annotations

import argparse
import collections
import json
import re
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np
from scipy import optimize, stats

from extractor.reading import own
from extractor.reading.cascade import FigureReader
from extractor.reading.ctc import Columns
from extractor.reading.figures import CHARACTERS, part
from extractor.reading.general import ALIKE, GeneralReader
from extractor.reading.own import OwnReader
from extractor.reading.tesseract import TesseractReader, _Program
from extractor.reading.training import texts
from extractor.reading.training.charset import fold
from extractor.reading.training.letters import Style, draw_style
from extractor.reading.training.sheets import (
    HEIGHT,
    WIDTH,
    Crop,
    Sheet,
    panel,
    put,
    scattered,
    stream,
)
from extractor.reading.training.stock import Stock

KINDS = {
    **dict.fromkeys(("integer", "decimal", "signed", "temperature", "thousands"), "number"),
    "percentage": "percentage", "clock": "duration", "duration": "duration", "size": "size",
}  # fmt: skip
_LEGIBLE = 0.3
_CONTRAST = 3.0  # least contrast ratio of interface text (WCAG 2.2, 1.4.3 for large text, 1.4.11)
_ORDINARY = {"sans", "mono", "condensed", "rounded"}


def _plain_style(stock: Stock, rng: np.random.Generator) -> Style:
    return replace(_mixed_style(stock, rng, 14.5), apart=True)


def _mixed_style(stock: Stock, rng: np.random.Generator, smallest: float = 12) -> Style:
    while True:
        style = draw_style(stock, float(rng.uniform(smallest, 48)), rng)
        if style.face.kind in _ORDINARY:
            return replace(
                style, slant=0.0, width=1.0, weight=0.0, waist=0.0, rounding=0.0, spacing=0.0
            )


def _hard_style(stock: Stock, rng: np.random.Generator) -> Style:
    letter = float(rng.uniform(9, 14) if rng.random() < 0.5 else rng.uniform(14, 48))
    while True:
        style = draw_style(stock, letter, rng)
        if style.over > 1 and style.face.kind != "pixel":
            return replace(
                style,
                slant=float(rng.uniform(-0.2, 0.25)), width=float(rng.uniform(0.8, 1.25)),
                weight=float(rng.uniform(-0.02, 0.03)), rounding=float(rng.uniform(0, 0.04)),
            )  # fmt: skip


def _layout(draw: Callable[[Stock, np.random.Generator], Style]):  # type: ignore[no-untyped-def]
    """Strips, lists, cards or tables: one style of figures a sheet, in even rows and columns."""

    def lay(sheet: Sheet, stock: Stock, rng: np.random.Generator) -> None:
        style = draw(stock, rng)
        letter = style.em * 0.72
        high, form = int(letter * 2) + 6, rng.integers(4)
        columns = {0: 1, 1: 2, 2: 3, 3: 4}[int(form)]
        if rng.random() < 0.7:
            panel(sheet, (0, 0, WIDTH, HEIGHT), rng)
        for row, y in enumerate(range(4, HEIGHT - high, high)):
            x = 8
            for column in range(columns if form else 9):
                drawn = texts.draw(rng)
                if form:
                    x = 8 + column * WIDTH // columns
                if x > WIDTH - 20:
                    break
                if form == 2:  # cards: the caption stands alone above, the unit behind
                    drawn = replace(drawn, caption="")
                end = put(sheet, drawn, style, (x, y), row, stock, rng)
                x = (end or x + 60) + int(0.8 * letter)

    return lay


_CONTRASTS: dict[str, Callable[[Row], bool]] = {
    "3 to 1 and more": lambda row: row.contrast_ratio >= _CONTRAST,
    "less contrast": lambda row: row.contrast_ratio < _CONTRAST,
    "all": lambda row: True,
}
_STYLES = {"plain": _plain_style, "mixed": _mixed_style, "hard": _hard_style}
SETS = tuple(_STYLES)


def layout_of(name: str):  # type: ignore[no-untyped-def]
    """Give the layout of a set."""
    return _layout(_STYLES[name])


def figures(bundle: Path, split: str, name: str, seed: int) -> Iterator[Crop]:
    """Yield crops of figures of a set without end."""
    layout = layout_of(name)
    for crop in stream(Stock(bundle, split), layout, np.random.default_rng(seed), 1.0, 1):
        kind = KINDS.get(crop.kind)
        if kind is None or crop.cut not in ("tight", "loose") or "±" in crop.text:
            continue
        if name != "hard" and (crop.contrast < 60 or crop.coding in ("twice", "enlarged")):
            continue
        if name == "plain" and crop.letter < 14:
            continue
        if part(fold(crop.figure), kind) is not None:  # type: ignore[arg-type]
            yield crop


@dataclass(frozen=True, slots=True)
class Answer:
    """What one reader said of one crop."""

    figure: str
    line: str
    probability: float


# Letters of a neighbour that stand whole left of a figure, in a crop that reaches so far.
_STRAY = re.compile(r"^\D*[^\W\d_]\s*(?=[-+]?\d)")


def _answer(crop: Crop, line: str, probability: float) -> Answer:
    kind = KINDS[crop.kind]
    parted = part(line, kind) or part(_STRAY.sub("", line), kind)  # type: ignore[arg-type]
    return Answer(parted.text if parted else "", line, probability)


@dataclass(slots=True)
class Row:
    """A crop without its pixels, what is true of it and what every reader said."""

    crop: Crop
    truth: str
    legible: float
    contrast_ratio: float
    answers: dict[str, Answer]
    tile: np.ndarray | None = None
    seed: int = 0

    def is_wrong(self, reader: str) -> bool:
        """Whether a reader took another figure from it."""
        return self.answers[reader].figure != self.truth


def _truth(crop: Crop) -> str:
    parted = part(fold(crop.figure), KINDS[crop.kind])  # type: ignore[arg-type]
    assert parted is not None
    return parted.text


Read = Callable[[Sequence[Crop]], list[Answer]]


def _by_program() -> TesseractReader:
    """Give Tesseract as pytesseract reaches it: the program is started for every crop."""
    reader = TesseractReader()
    reader.__dict__["_engine"] = _Program()
    return reader


def _own(second: bool) -> Read:
    reader = OwnReader()

    def read(crops: Sequence[Crop]) -> list[Answer]:
        lines = [crop.picture for crop in crops]
        if second:
            seen = reader.read(lines)
            best = [looks.texts()[0] if len(looks.columns) > 1 else looks.best for looks in seen]
        else:
            best = own.likeliest(reader.look(lines, "first"))
        return [_answer(crop, b.text, b.probability) for crop, b in zip(crops, best, strict=True)]

    return read


def _cascade(general: GeneralReader, last: TesseractReader) -> Read:
    reader = FigureReader(general=general, last=last)

    def read(crops: Sequence[Crop]) -> list[Answer]:
        answers: dict[int, Answer] = {}
        for kind in sorted({KINDS[crop.kind] for crop in crops}):
            chosen = [at for at, crop in enumerate(crops) if KINDS[crop.kind] == kind]
            seen = reader.read_figures([crops[at].picture for at in chosen], kind)  # type: ignore[arg-type]
            for at, figure in zip(chosen, seen, strict=True):
                answers[at] = Answer(figure.text, figure.text, figure.probability)
        return [answers[at] for at in range(len(crops))]

    return read


def _general(reader: GeneralReader | TesseractReader) -> Read:
    def read(crops: Sequence[Crop]) -> list[Answer]:
        answers = []
        for crop in crops:
            allowed = CHARACTERS[KINDS[crop.kind]]  # type: ignore[index]
            (seen,) = reader.read([crop.picture], allowed)
            said = seen.texts()
            best = (said[0].text, said[0].probability) if said else ("", 0.0)
            answers.append(_answer(crop, *best))
        return answers

    return read


def _packaged() -> Read:
    """Give rapidocr as its package is called for a line: its preparation, its text.

    What looks like a figure's characters is taken for them, as in ``GeneralReader``.
    """
    from rapidocr import RapidOCR

    threads = ("intra_op_num_threads", "inter_op_num_threads")
    told = {f"EngineConfig.onnxruntime.{each}": 1 for each in threads}
    reader = RapidOCR(params={"Global.log_level": "error", **told})

    def read(crops: Sequence[Crop]) -> list[Answer]:
        answers = []
        for crop in crops:
            picture = np.ascontiguousarray(crop.picture[..., ::-1])
            seen = reader(picture, use_det=False, use_cls=False)
            line = "".join(ALIKE.get(char, char) for char in seen.txts[0]) if seen.txts else ""
            answers.append(_answer(crop, line, float(seen.scores[0]) if line else 0.0))
        return answers

    return read


def bound(wrong: int, n: int) -> str:
    """Share with its two-sided 95 % bounds after Clopper and Pearson 1934."""
    if n == 0:
        return "none"
    low, high = stats.binomtest(wrong, n).proportion_ci(0.95, "exact")
    return f"{100 * wrong / n:.3f} % ({wrong} of {n}; {100 * low:.3f} to {100 * high:.3f})"


def legibility(
    picture: np.ndarray, coverage: np.ndarray, boxes: np.ndarray, letter: float
) -> float:
    """Tell how much of its worst character a picture shows to one who knows what is drawn.

    The share of the ink's variance around each character that the best sum of the three channels
    explains (R² of least squares), the least over characters. ``boxes`` (n, 2) are x0 and x1 of
    the characters, px.
    """
    reach = max(2, round(0.12 * letter))
    near = cv2.dilate(coverage, np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)) > 20
    least = 1.0
    for x0, x1 in boxes:
        spot = np.s_[:, max(0, int(x0) - 2) : int(np.ceil(x1)) + 2]
        ink = coverage[spot][near[spot]] / 255.0
        spread = float(((ink - ink.mean()) ** 2).sum()) if len(ink) > 8 else 0.0
        if spread < 1e-3:
            continue
        colours = np.c_[picture[spot][near[spot]] / 255.0, np.ones(len(ink))]
        weights, *_ = np.linalg.lstsq(colours, ink, rcond=1e-3)
        least = min(least, 1 - float(((ink - colours @ weights) ** 2).sum()) / spread)
    return least


def contrast_ratio(
    picture: np.ndarray, coverage: np.ndarray, boxes: np.ndarray, letter: float
) -> float:
    """Give the contrast ratio of the character that stands out least, 1 to 21; WCAG 2.2.

    Of relative luminances (sRGB, IEC 61966-2-1): the median of its ink, and of the ground close
    to it the tenth that is most like the ink. ``boxes`` as in ``legibility``.
    """
    light = np.where(picture <= 10, picture / 3294.6, ((picture / 255 + 0.055) / 1.055) ** 2.4)
    luminance = light @ np.array([0.2126, 0.7152, 0.0722])
    reach = max(2, round(0.12 * letter))
    near = cv2.dilate(coverage, np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)) > 20
    least = 21.0
    for x0, x1 in boxes:
        spot = np.s_[:, max(0, int(x0) - reach) : int(np.ceil(x1)) + reach]
        drawn, seen = coverage[spot], luminance[spot]
        ink = seen[drawn >= 0.9 * max(1, int(drawn.max()))]
        ground = seen[near[spot] & (drawn < 8)]
        if len(ink) < 2 or len(ground) < 8:
            continue
        shade = float(np.median(ink))
        lighter = shade > float(np.median(ground))
        close = float(np.percentile(ground, 90 if lighter else 10))
        ratio = (shade + 0.05) / (close + 0.05)
        least = min(least, max(1.0, ratio if lighter else 1 / ratio))
    return least


def _over_fonts(crops: Sequence[Crop], wrong: np.ndarray) -> str:
    """95 % interval of the wrong share when fonts are drawn anew (bootstrap, Efron 1979)."""
    families = sorted({crop.family for crop in crops})
    place = {family: at for at, family in enumerate(families)}
    counts, bad = np.zeros(len(families)), np.zeros(len(families))
    for crop, flag in zip(crops, wrong, strict=True):
        counts[place[crop.family]] += 1
        bad[place[crop.family]] += flag
    rng = np.random.default_rng(0)
    drawn = rng.integers(0, len(families), (2000, len(families)))
    shares = bad[drawn].sum(1) / counts[drawn].sum(1)
    low, high = np.percentile(shares, [2.5, 97.5])
    return f"{100 * low:.3f} to {100 * high:.3f} % over {len(families)} fonts"


def _honesty(answers: Sequence[Answer], wrong: np.ndarray) -> None:
    doubt = 1 - np.array([answer.probability for answer in answers])
    for top in range(0, 7):
        inside = (doubt <= 10.0**-top) & (doubt > 10.0 ** -(top + 1))
        said = float(doubt[inside].sum())
        low, high = stats.poisson.interval(0.95, said) if said > 0 else (0, 0)
        print(f"    1-p in 1e-{top + 1}..1e-{top}: {inside.sum()} crops, {int(wrong[inside].sum())}"
              f" wrong, said {said:.2f} (Poisson 95 %: {low:.0f} to {high:.0f})")  # fmt: skip


def _curve(answers: Sequence[Answer], wrong: np.ndarray) -> None:
    order = np.argsort([answer.probability for answer in answers], kind="stable")
    for flagged in (0.0, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2):
        kept = order[int(flagged * len(order)) :]
        print(
            f"    flagged {100 * flagged:.1f} %: wrong {bound(int(wrong[kept].sum()), len(kept))}"
        )


def _by(name: str, keys: Sequence[str], wrong: np.ndarray) -> None:
    groups: dict[str, list[bool]] = collections.defaultdict(list)
    for key, flag in zip(keys, wrong, strict=True):
        groups[key].append(bool(flag))
    told = (f"{key} {sum(v)}/{len(v)}" for key, v in sorted(groups.items()))
    print(f"    by {name}: " + ", ".join(told))


def _class_of(ratio: float) -> str:
    return f"{max(edge for edge in (1, 1.5, 2, 3, 4.5, 7, 12) if edge <= ratio):>4}"


Compared = list[tuple[str, float, tuple[int, int]]]


def holm(compared: Compared) -> None:
    """Print which columns differ at the 5 % level, all taken together (Holm 1979)."""
    running = 0.0
    for at, (column, p, (mine, others)) in enumerate(sorted(compared, key=lambda c: c[1])):
        running = max(running, min(1.0, p * (len(compared) - at)))
        which = "own fewer" if mine < others else "own more" if mine > others else "alike"
        print(f"Holm: {column}: {which}, p = {running:.3g}")


Times = dict[tuple[str, str], float]


def read_rows(
    found: Iterator[Crop], count: int, readers: dict[str, Read], until: float = float("inf")
) -> tuple[list[Row], Times]:
    """Draw and read up to ``count`` crops; give them, and the s of CPU by cut and reader."""
    rows: list[Row] = []
    times: Times = collections.defaultdict(float)
    while len(rows) < count and time.monotonic() < until:
        drawn = [next(found) for _ in range(min(256, count - len(rows)))]
        for cut in ("tight", "loose"):
            crops = [crop for crop in drawn if crop.cut == cut]
            part_of = [
                Row(
                    replace(c, picture=np.zeros(0), coverage=np.zeros(0)), _truth(c),
                    legibility(c.picture, c.coverage, c.boxes, c.letter),
                    contrast_ratio(c.picture, c.coverage, c.boxes, c.letter), {},
                )
                for c in crops
            ]  # fmt: skip
            for reader, read in readers.items():
                begun = time.process_time()
                for row, answer in zip(part_of, read(crops), strict=True):
                    row.answers[reader] = answer
                times[cut, reader] += time.process_time() - begun
            for row, crop in zip(part_of, crops, strict=True):
                if "own nets" in readers and row.is_wrong("own nets"):
                    row.tile = _tile(crop, row.answers["own nets"])
            rows += part_of
    return rows, times


def report(
    name: str, everything: Sequence[Row], times: Times, keep: Path | None, compared: Compared
) -> None:
    """Print errors and times of every reader."""
    parts = [
        (f"{cut}, {which}", cut, [row for row in everything if row.crop.cut == cut and keeps(row)])
        for cut in ("tight", "loose")
        for which, keeps in _CONTRASTS.items()
    ]
    read = collections.Counter(row.crop.cut for row in everything)
    for title, cut, rows in parts:
        crops = [row.crop for row in rows]
        flags: dict[str, np.ndarray] = {}
        for reader in rows[0].answers if rows else ():
            answers = [row.answers[reader] for row in rows]
            wrong = np.array([row.is_wrong(reader) for row in rows])
            flags[reader] = wrong
            inexact = sum(
                a.line.replace(" ", "") != fold(c.text).replace(" ", "")
                for a, c in zip(answers, crops, strict=True)
            )
            silent = sum(not answer.figure for answer in answers)
            ms = 1e3 * times[cut, reader] / read[cut]
            print(f"{name}, {title}, {reader}: wrong {bound(int(wrong.sum()), len(wrong))}, "
                  f"of these {silent} no figure at all; "
                  f"{_over_fonts(crops, wrong)}; text not exact {100 * inexact / len(wrong):.2f} %"
                  f"; {ms:.2f} ms of CPU a crop")  # fmt: skip
            shown = np.array([row.legible for row in rows]) >= _LEGIBLE
            print(f"    legible: wrong {bound(int(wrong[shown].sum()), int(shown.sum()))}")
            if not reader.startswith("own"):
                continue
            _curve(answers, wrong)
            _honesty(answers, wrong)
            _by("coding", [c.coding for c in crops], wrong)
            _by("letter", [f"{min(48, c.letter // 4 * 4):02.0f}" for c in crops], wrong)
            _by("contrast ratio", [_class_of(row.contrast_ratio) for row in rows], wrong)
            _by("kind", [c.kind for c in crops], wrong)
            marks = sum(
                row.is_wrong(reader) and a.figure.replace(",", ".") == row.truth.replace(",", ".")
                for row, a in zip(rows, answers, strict=True)
            )
            print(f"    of the wrong ones {marks} only take . for , or , for .")
            _by("seed", [str(row.seed) for row in rows], wrong)
            _by("class", [c.font for c in crops], wrong)
            if reader == "own nets":
                _by("family", [c.family for c in crops], wrong)
                if keep is not None:
                    _keep(keep / f"{name}, {title}.png", rows)
        for other in ("general", "rapidocr"):
            if not {"own cascade", other} <= flags.keys():
                continue
            a, b = flags["own cascade"], flags[other]
            pairs = int((a & ~b).sum()), int((b & ~a).sum())
            p = float(stats.binomtest(pairs[0], sum(pairs)).pvalue) if sum(pairs) else 1.0
            print(
                f"  McNemar 1947 (exact): only own wrong, only {other} wrong {pairs}, p = {p:.3g}"
            )
            compared.append((f"{name}, {title}, {other}", p, pairs))


def _tile(crop: Crop, answer: Answer) -> np.ndarray:
    tile = np.full((64, 400, 3), 255, np.uint8)
    scale = 44 / crop.picture.shape[0]
    wide = max(1, min(400, round(crop.picture.shape[1] * scale)))
    tile[:44, :wide] = cv2.resize(crop.picture, (wide, 44))
    said = f"{fold(crop.text)!r} read {answer.line!r} {answer.probability:.4f}"
    cv2.putText(tile, said[:60], (2, 58), 0, 0.36, (0, 0, 0), 1)
    return tile


def _keep(path: Path, rows: Sequence[Row]) -> None:
    tiles = [row.tile for row in rows if row.tile is not None][:90]
    while len(tiles) % 3:
        tiles.append(np.full((64, 400, 3), 255, np.uint8))
    if tiles:
        lines = [np.hstack(tiles[at : at + 3]) for at in range(0, len(tiles), 3)]
        cv2.imwrite(str(path), np.vstack(lines)[:, :, ::-1])


def calibrate(bundle: Path, count: int) -> None:
    """Fit each net's temperature on crops of the tuning fonts, and write it beside the weights.

    The temperature minimises the log loss of "the likeliest text is right" (Guo et al. 2017, ICML,
    carried over from classes to path sums).
    """
    file = Path(own.__file__).parent / "weights" / "reader.json"
    told = json.loads(file.read_text(encoding="utf-8"))
    stock = Stock(bundle, "tune")
    drawn: list[Crop] = []
    for name in SETS:
        found = figures(bundle, "tune", name, 31)
        drawn += [next(found) for _ in range(count)]
    lines = stream(stock, scattered, np.random.default_rng(32))
    drawn += [crop for crop in (next(lines) for _ in range(count)) if crop.text]
    reader = OwnReader()
    reader.__dict__["_told"] = {
        **told, "nets": {net: {"temperature": 1.0} for net in own.NETS}
    }  # fmt: skip
    for net in own.NETS:
        seen = reader.look([crop.picture for crop in drawn], net)

        def loss(temperature: float, seen: Sequence[Columns] = seen) -> float:
            cooled = [_cooled(columns, temperature) for columns in seen]
            best = own.likeliest(cooled)
            p = np.clip([text.probability for text in best], 1e-7, 1 - 1e-7)
            right = np.array(
                [text.text == fold(c.text) for text, c in zip(best, drawn, strict=True)]
            )
            return float(-np.mean(np.where(right, np.log(p), np.log1p(-p))))

        best = optimize.minimize_scalar(loss, bounds=(0.6, 2.5), method="bounded",
                                        options={"maxiter": 12})  # fmt: skip
        print(f"{net}: log loss {loss(1.0):.5f} at 1, {best.fun:.5f} at {best.x:.3f}")
        told["nets"][net]["temperature"] = round(float(best.x), 3)
    text = json.dumps(told, indent=1, ensure_ascii=False) + "\n"
    file.write_text(text, encoding="utf-8")


def _cooled(columns: Columns, temperature: float) -> Columns:
    """Give columns that were seen at a temperature of 1 at another one."""
    p = columns.probabilities ** (1.0 / temperature)
    return Columns(p / p.sum(axis=1, keepdims=True), columns.characters, columns.px)


_SETS_OF_READERS = {
    "own": ("own first look", "own nets", "own cascade"),
    "all": ("own first look", "own nets", "own cascade", "general", "rapidocr", "tesseract"),
    "program": ("pytesseract",),
}


def _readers(which: str) -> dict[str, Read]:
    general, last = GeneralReader(), TesseractReader()
    everyone = {
        "own first look": _own(second=False), "own nets": _own(second=True),
        "own cascade": _cascade(general, last), "general": _general(general),
        "rapidocr": _packaged(), "tesseract": _general(last),
        "pytesseract": _general(_by_program()),
    }  # fmt: skip
    return {name: everyone[name] for name in _SETS_OF_READERS[which]}


@dataclass(frozen=True, slots=True)
class Part:
    """What one process reads: figures of one set and seed."""

    bundle: Path
    name: str
    which: str
    count: int
    minutes: float
    seed: int

    def read(self) -> tuple[list[Row], Times]:
        """Draw and read; what is loaded at the first crop is no crop's time."""
        cv2.setNumThreads(1)
        readers = _readers(self.which)
        for read in readers.values():
            read([next(figures(self.bundle, "test", self.name, self.seed + 1000))])
        until = time.monotonic() + 60 * self.minutes
        found = figures(self.bundle, "test", self.name, self.seed)
        rows, times = read_rows(found, self.count, readers, until)
        return [replace(row, seed=self.seed) for row in rows], dict(times)


def main() -> None:
    """Calibrate, or draw the test sets and report."""
    asked = argparse.ArgumentParser()
    asked.add_argument("bundle", type=Path)
    asked.add_argument("--plain", type=int, default=160_000)
    asked.add_argument("--mixed", type=int, default=0)
    asked.add_argument("--hard", type=int, default=200_000)
    asked.add_argument("--general", type=int, default=4000)
    asked.add_argument("--minutes", type=float, default=float("inf"), help="a set, at most")
    asked.add_argument("--seeds", type=int, nargs="+", default=[77, 78, 79, 80])
    asked.add_argument("--jobs", type=int, default=2)
    asked.add_argument("--calibrate", type=int, default=0)
    asked.add_argument("--keep", type=Path, help="folder for pictures of the crops read wrong")
    told = asked.parse_args()
    cv2.setNumThreads(1)
    if told.calibrate:
        calibrate(told.bundle, told.calibrate)
        return
    compared: Compared = []
    rounds = -(-len(told.seeds) // told.jobs)
    with ProcessPoolExecutor(told.jobs, mp_context=get_context("spawn")) as pool:
        for name in SETS:
            whole = getattr(told, name)
            few = min(told.general, whole)
            for which, count in (("all", few), ("program", few // 10), ("own", whole)):
                if count == 0:
                    continue
                parts = [
                    Part(told.bundle, name, which, count // len(told.seeds),
                         told.minutes / rounds, seed)
                    for seed in told.seeds
                ]  # fmt: skip
                rows: list[Row] = []
                times: Times = collections.defaultdict(float)
                for some, spent in pool.map(Part.read, parts):
                    rows += some
                    for key, seconds in spent.items():
                        times[key] += seconds
                title = name if which == "own" else f"{name}, first {len(rows)}"
                report(title, rows, times, told.keep if which == "own" else None, compared)
    holm(compared)


if __name__ == "__main__":
    main()
