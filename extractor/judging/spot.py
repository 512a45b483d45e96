"""The spot-check: a sample of released figures typed blind, and the bound that it supports.

Its size is fixed before the first crop. A figure that stays on a recording for several samples is
one displayed figure, drawn at most once: its samples are right or wrong together.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from itertools import groupby

from extractor.records import Drawn, Judgement, SpotCheck, Verdict

USUAL = 300
"""Figures of a usual spot-check: none wrong bounds the share of wrong ones at 1 %."""

CONFIDENCE = 0.95
_SMALL = 0.05
"""From this share of the whole on, the sample counts as drawn from a finite number (common
practice: the correction for a finite population is left out below a twentieth)."""


def displayed(judgement: Judgement) -> list[Drawn]:
    """Every released figure that was displayed, once: the population of a spot-check.

    Of a recording's samples that show one text of a readout in a row the first stands for all.
    A text read as the layout's mark for no value and what a person decided are left out.
    """
    found: list[Drawn] = []
    for _, group in groupby(judgement.verdicts, lambda each: each.sighting.capture):
        last: dict[tuple[str, str], str] = {}
        for verdict in group:
            now = {(each.layout, each.readout): each for each in _released(verdict)}
            found += [each for key, each in now.items() if last.get(key) != each.text]
            last = {key: each.text for key, each in now.items()}
    return found


def _released(verdict: Verdict) -> list[Drawn]:
    frame = verdict.sighting.frame
    readings = {
        (row.reading.layout, row.reading.readout): row.reading
        for row in verdict.judged
        if row.source == "read" and not row.doubts
    }
    return [
        Drawn(frame.content, frame.pts, each.layout, each.readout, each.box, each.text)
        for each in readings.values()
        if each.box is not None
    ]


def draw(population: Sequence[Drawn], planned: int, seed: int) -> tuple[Drawn, ...]:
    """Draw ``planned`` figures at random without putting back, in random order; all if fewer."""
    return tuple(random.Random(seed).sample(population, min(planned, len(population))))


def bound(wrong: int, checked: int, population: int) -> float:
    """Upper bound of the share of wrong figures, one-sided, with 95 % confidence, 0 to 1.

    Binomial after Clopper and Pearson, Biometrika 26 (1934) 404-413: 0 of 300 give 0.994 %. Where
    the sample is more than a twentieth of the population, the hypergeometric bound: the largest
    number of wrong figures with which so few would still be drawn in 5 of 100 samples.
    """
    from scipy import stats

    if not 0 <= wrong <= checked <= population or checked == 0:
        raise ValueError(f"{wrong} wrong of {checked} checked of {population}")
    if checked > _SMALL * population:
        low, high = wrong, population - checked + wrong  # the largest that is still believable
        while low < high:
            middle = (low + high + 1) // 2
            if stats.hypergeom.cdf(wrong, population, middle, checked) > 1 - CONFIDENCE:
                low = middle
            else:
                high = middle - 1
        return low / population
    tested = stats.binomtest(wrong, checked, alternative="less")
    return float(tested.proportion_ci(CONFIDENCE, "exact").high)


def statement(check: SpotCheck, method: str) -> str:
    """What a spot-check supports, in words. ``method`` is the reader of today."""
    begun, done = check.begun, len(check.typed)
    wrong, doubtful = check.count("wrong"), check.count("undecidable")
    said = (
        f"Spot-check of {begun.when[:10]} by {begun.who}: {done} of {begun.population} displayed "
        f"figures that were released, drawn at random and typed blind: {wrong} wrong, {doubtful} "
        f"undecidable, {check.count('slip')} slips of the person typing."
    )
    if not check.complete:
        said += (
            f" Exploratory: {check.planned} were planned, so no bound is claimed until all are "
            "typed."
        )
    else:
        high = 100 * bound(wrong + doubtful, done, begun.population)
        counted = ", the undecidable ones counted as wrong" if doubtful else ""
        said += (
            f" At most {_up(high)} % of the released figures are wrong{counted} (95 % confidence, "
            "one-sided, after Clopper and Pearson 1934)."
        )
    if begun.method != method:
        said += " It was made with another version of the reader, so it does not speak for this."
    return said


def _up(percent: float) -> str:
    """A bound in %, rounded up to three figures."""
    if percent <= 0:
        return "0"
    places = max(0, 2 - math.floor(math.log10(percent)))
    return f"{math.ceil(percent * 10**places - 1e-9) / 10**places:.{places}f}"
