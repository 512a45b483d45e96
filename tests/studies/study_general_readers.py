"""Counts the general readers' errors by what their looks said: the source of ``reading.trust``.

Run by hand, two at once on a machine with two cores:

    python tests/studies/study_general_readers.py collect fit 1 600 fit.jsonl
    python tests/studies/study_general_readers.py collect check 2 600 check.jsonl
    python tests/studies/study_general_readers.py tell fit.jsonl check.jsonl

``collect`` reads drawn figures for so many seconds (``study_figures`` tells how they are drawn) and
writes one JSON line each: truth, style, what each look said, the probability given, ms spent.
``tell`` counts right and wrong readings by case, with the one-sided 95 % upper bound on the share
of wrong ones (Clopper and Pearson 1934), first for the fonts the constants were set on, then for
the fonts they are held against.
"""

from __future__ import annotations

import json
import sys
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from pathlib import Path
from time import monotonic, process_time
from typing import Any

import numpy as np
from scipy.stats import binomtest
from study_figures import CHECK, FIT, figure, photographs

from extractor.calibration.model import Calibration
from extractor.reading.cascade import FigureReader
from extractor.records import Found, Place

RELEASED = 0.999


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
            "readout": [
                {
                    "name": "it",
                    "kind": kind,
                    "quantity": "other",
                    "box": [0, 0, 9, 9],
                    "missing": "--",
                }
            ],
        }
    )


def collect(which: str, seed: int, seconds: float, path: Path) -> None:
    random, photos = np.random.default_rng(seed), photographs()
    fonts = {"fit": FIT, "check": CHECK}[which]
    layouts = {kind: layout(kind) for kind in ("number", "percentage", "duration", "size")}
    reader = FigureReader()
    end = monotonic() + seconds
    with path.open("w", encoding="utf-8") as out:
        while monotonic() < end:
            it = figure(random, photos, fonts)
            found = Found("abcdefgh", 1.0, it.box, 1.0, (Place("it", it.box, 0.0, it.height),))
            start = process_time()
            (reading,) = reader.read_found(it.drawing.image, found, layouts[it.kind])
            ms = (process_time() - start) * 1000
            line = {
                "set": which,
                "kind": it.kind,
                "truth": it.drawing.text,
                "text": reading.text,
                "probability": reading.probability,
                "looks": [[look.reader, look.text, look.probability] for look in reading.looks],
                "cut": reading.cut,
                "height": round(it.drawing.height, 1),
                "ms": round(ms, 1),
                **it.style,
            }
            out.write(json.dumps(line) + "\n")


def what_was_said(line: dict[str, Any]) -> str:
    """Name what the looks had in common."""
    text = line["text"]
    first = [look for look in line["looks"] if not look[0].startswith("tesseract")]
    second = [look for look in line["looks"] if look[0].startswith("tesseract")]
    ink = "unsafe ink" if any("wide" in look[0] for look in first) else "safe ink"
    many = "one look" if len(first) == 1 else "more looks"
    agree = "agree" if all(look[1] == text for look in first) else "part"
    said = [look for look in second if look[1]]
    if any(look[1] == text for look in said):
        other = "confirmed"
    else:
        other = "contradicted" if said else "silent"
    return f"{ink}, {many} {agree}, {other}"


def bound(wrong: int, count: int) -> float:
    interval = binomtest(wrong, count, alternative="less").proportion_ci(0.95)
    return float(interval.high)


def tell(lines: Sequence[dict[str, Any]]) -> None:
    def count(title: str, some: Iterable[dict[str, Any]]) -> None:
        some = list(some)
        wrong = [line for line in some if line["text"] != line["truth"]]
        print(
            f"  {title}: {len(some)} read, {len(wrong)} wrong (at most "
            f"{bound(len(wrong), len(some)):.2e}), below {RELEASED}: "
            f"{sum(line['probability'] < RELEASED for line in some) / len(some):.2%}"
        )

    # What is cut off is flagged whatever its probability.
    released = [line for line in lines if line["probability"] >= RELEASED and not line["cut"]]
    count("all", lines)
    count("released", released)
    for key in ("ground", "coding", "kind"):
        for value in sorted({line[key] for line in lines}):
            count(f"{key} {value}", [line for line in lines if line[key] == value])
    cases = defaultdict(list)
    for line in lines:
        cases[what_was_said(line)].append(line)
    for name, some in sorted(cases.items()):
        count(name, some)
    print(f"  {np.mean([line['ms'] for line in lines]):.1f} ms of processor a figure")
    decades: Counter[int] = Counter()
    wrong: Counter[int] = Counter()
    for line in lines:
        decade = int(np.floor(np.log10(max(1e-9, 1 - line["probability"]))))
        decades[decade] += 1
        wrong[decade] += line["text"] != line["truth"]
    for decade in sorted(decades):
        print(f"  1 - p in 1e{decade}: {decades[decade]} read, {wrong[decade]} wrong")
    for line in released:
        if line["text"] != line["truth"]:
            print("  WRONG", json.dumps(line))


def main() -> None:
    match sys.argv[1:]:
        case ["collect", which, seed, seconds, path]:
            collect(which, int(seed), float(seconds), Path(path))
        case ["tell", *paths] if paths:
            lines = [
                json.loads(line)
                for path in paths
                for line in Path(path).read_text(encoding="utf-8").splitlines()
            ]
            for which in ("fit", "check"):
                some = [line for line in lines if line["set"] == which]
                if some:
                    print(which)
                    tell(some)
        case _:
            print(__doc__)


if __name__ == "__main__":
    main()
