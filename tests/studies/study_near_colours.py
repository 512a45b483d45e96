"""Two lines of nearly one colour that touch: flagged, or read as one line in silence?

    python tests/studies/study_near_colours.py --seed 1 --pairs 60

Draws pairs of lines 8 to 36 code values apart, 0.3 to 1.6 pens beside each other (evenly, in waves,
or each with noise of its own), by matplotlib and gnuplot, in PNG and JPEG 50 to 90, and each first
line alone too. Thresholds of ``extractor/traces/second.py`` are set on no seed that docs/traces.md
reports: take another one, once. Needs gnuplot.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from drawn_charts import Spec, errors, gnuplot_chart, matplotlib_chart, rate, read

from extractor.reading import default_reader

_WRONG_EDGE, _WRONG_LINE = 1.5, 1.0  # px off at the 95th percentile: low or high, the line


@dataclass(frozen=True)
class Case:
    """A chart to be read: what it is, and what came of it.

    ``apart``: code values between the colours; ``off``: what was read is off the truth by, times
    what counts as wrong.
    """

    spec: Spec
    maker: str
    how: str
    apart: int
    off: float = 0.0
    codes: tuple[str, ...] = ()

    @property
    def wrong(self) -> bool:
        """It is off by more than what can be told from one line."""
        return self.off >= 1.0

    def words(self) -> str:
        """Tell it in a line."""
        spec = self.spec
        coded = f"JPEG {spec.quality}" if spec.quality else "PNG"
        colours = f"{spec.colour} and {spec.other_colour} ({self.apart})"
        return (
            f"{self.maker}, {len(spec.t)} samples, {self.how}, {colours}, pen "
            f"{spec.width * spec.density:.1f} px, {'dark' if spec.dark else 'light'}, {coded}: "
            f"off {self.off:.2f}, {';'.join(self.codes) or 'silent'}"
        )


def pair(rng: np.random.Generator) -> Case:
    """Draw what a pair of lines is."""
    samples = int(rng.choice([120, 300, 1200, 2400, 3600], p=[0.1, 0.2, 0.3, 0.2, 0.2]))
    spec = rate(samples, int(rng.integers(1 << 30)), noise=float(rng.uniform(0.2, 1.2)))
    width, density = float(rng.uniform(1.2, 2.6)), float(rng.choice([1.0, 1.5, 2.0]))
    colour = _saturated(rng)
    other, apart = _near(colour, rng)
    css = rng.uniform(0.3, 1.6) * width * (spec.value_range[1] - spec.value_range[0]) / 240
    how = str(rng.choice(["evenly", "waves", "own noise"]))
    beside = {
        "evenly": np.full(samples, css),
        "waves": css * np.sin(spec.t / rng.uniform(8, 60)),
        "own noise": rng.normal(0, css, samples),
    }[how]
    quality = None if rng.random() < 0.25 else int(rng.integers(50, 91))
    drawn = replace(
        spec, other=spec.v + beside * rng.choice([-1, 1]), colour=_hex(colour), width=width,
        other_colour=_hex(other), density=density, dark=bool(rng.random() < 0.5), quality=quality,
    )  # fmt: skip
    return Case(drawn, str(rng.choice(["matplotlib", "gnuplot"])), how, apart)


def _saturated(rng: np.random.Generator) -> np.ndarray:
    """A colour that stands off dark and light grounds and off the grey of letters."""
    while True:
        colour = rng.integers(20, 236, 3)
        if np.ptp(colour) > 90 and 70 < colour.mean() < 190:
            return colour


def _near(colour: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, int]:
    """A colour 8 to 36 code values away: brighter or darker, or of another hue."""
    most = int(rng.integers(8, 37))
    step = np.ones(3) if rng.random() < 0.5 else rng.normal(0, 1, 3)
    step = step / np.abs(step).max() * most * rng.choice([-1, 1])
    other = np.clip(np.round(colour + step), 0, 255).astype(int)
    return other, int(np.abs(other - colour).max())


def _hex(colour: np.ndarray) -> str:
    return "#" + "".join(f"{int(each):02x}" for each in colour)


def looked_at(case: Case, folder: str) -> Case:
    """Draw a case, read it, and hold it against the truth."""
    by_matplotlib = case.maker == "matplotlib"
    drawn = matplotlib_chart(case.spec) if by_matplotlib else gnuplot_chart(case.spec, folder)
    _, judged = read(drawn, default_reader())
    codes = tuple(doubt.code for doubt in judged.doubts)
    if not judged.t:
        return replace(case, codes=codes)
    got = errors(drawn, judged, case.spec.width * case.spec.density)
    off = max(
        *(float(np.percentile(each, 95)) / _WRONG_EDGE for each in (got.low, got.high)),
        float(np.percentile(got.across, 95)) / _WRONG_LINE if len(case.spec.t) <= 300 else 0.0,
    )
    return replace(case, off=off, codes=codes)


def main() -> None:
    """Count pairs and single lines."""
    asked = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--pairs", type=int, default=60)
    told = asked.parse_args()
    rng = np.random.default_rng([told.seed, 77])
    counts: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        for _ in range(told.pairs):
            drawn = pair(rng)
            both = looked_at(drawn, folder)
            one = looked_at(replace(drawn, spec=replace(drawn.spec, other=None)), folder)
            counts["pairs"] += 1
            counts["wrong"] += both.wrong
            counts["wrong and flagged"] += both.wrong and bool(both.codes)
            counts["right and flagged"] += not both.wrong and bool(both.codes)
            counts["single"] += 1
            counts["single, two-lines"] += "two-lines" in one.codes
            counts["single, wrong in silence"] += one.wrong and not one.codes
            if both.wrong and not both.codes:
                print("pair", both.words(), flush=True)
            if one.wrong or one.codes:
                print("single", one.words(), flush=True)
    for name, n in counts.items():
        print(f"{name}: {n}")


if __name__ == "__main__":
    main()
