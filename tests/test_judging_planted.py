"""Planted errors: what judging alone catches.

By a reader that lies with confidence: it claims 0.9999 and names no rival; no decimals or bounds
are stated, so only the run and the relations can tell. Shares below are floors for what this reader
and these series give; a digit that changes a figure by less than the noise of its run or the slack
of a relation is seen by none. And in the picture: the wrong figure is drawn, and read as it stands.
Many more of both, with fonts, scenes and codings, are counted by tests/studies/study_planted.py.
"""

from __future__ import annotations

import random
from collections.abc import Callable

import numpy as np
import pytest
from judging_world import ID, codes, layout, reading, readout, rows, still, verdict
from PIL import Image, ImageDraw, ImageFont

from extractor.calibration.model import Calibration, Marks, Relation
from extractor.reading import default_reader
from extractor.records import Box, Found, Place, Reading, Sighting
from extractor.values import neighbours

NAMES = ("voltage", "current", "power")
READOUTS = (
    readout("voltage", "voltage", unit="V"),
    readout("current", "current", unit="mA"),
    readout("power", "power", unit="W"),
)
FREE = layout(*READOUTS)
RELATED = layout(
    *READOUTS, relation=[Relation(that="voltage * current = 1000 * power", within="1 %")]
)
MARKS = Marks(decimal=".", thousands="none")
Texts = dict[str, str]


def truth(chance: random.Random, count: int) -> list[Texts]:
    """Figures of one instant each: a load that drifts, a battery that sinks."""
    told, current = [], chance.uniform(1200, 1900)
    for at in range(count):
        current = min(max(current + chance.gauss(0, 12), 900), 2600)
        voltage = 4.3 - 0.3 * at / count + chance.gauss(0, 0.004)
        power = voltage * current / 1000
        told.append(
            {"voltage": f"{voltage:.2f}", "current": f"{current:.0f}", "power": f"{power:.2f}"}
        )
    return told


def _slip(kind: str) -> Callable[[random.Random, Texts], Texts]:
    def plant(chance: random.Random, texts: Texts) -> Texts:
        name = chance.choice(["voltage", "power"] if kind == "lost-point" else NAMES)
        at = NAMES.index(name)
        text = texts[name]
        slips = [each for met, each in neighbours(text, READOUTS[at], MARKS) if met == kind]
        if kind == "lost-point":
            slips = [text.replace(".", "")]
        if kind == "other-digit":  # changed, neither added nor dropped, and not the last
            slips = [each for each in slips if len(each) == len(text) and each[-1] == text[-1]]
        return {**texts, name: chance.choice(slips)}

    return plant


def _thousandfold(chance: random.Random, texts: Texts) -> Texts:
    return {**texts, "current": f"{float(texts['current']) / 1000:.3f}"}


def _exchanged(chance: random.Random, texts: Texts) -> Texts:
    return {**texts, "voltage": texts["power"], "power": texts["voltage"]}


def _digit_lost(chance: random.Random, texts: Texts) -> Texts:
    name = chance.choice(["current", "power"])
    text = texts[name]
    return {**texts, name: text[1:] if chance.random() < 0.5 else text[:-1]}


def _digit_added(chance: random.Random, texts: Texts) -> Texts:
    name = chance.choice(NAMES)
    digit = str(chance.randint(1, 9))
    text = texts[name]
    return {**texts, name: digit + text if chance.random() < 0.5 else text + digit}


PLANTED = {
    "lost point": _slip("lost-point"),
    "lost sign": _slip("lost-sign"),
    "digit changed": _slip("other-digit"),
    "digit lost at the edge": _digit_lost,
    "digit added": _digit_added,
    "factor 1000": _thousandfold,
    "readouts exchanged": _exchanged,
}


def _stills(figures: list[Texts]) -> list[Sighting]:
    return [
        still(at, *(reading(name, text) for name, text in texts.items()))
        for at, texts in enumerate(figures)
    ]


def caught(
    plant: Callable[[random.Random, Texts], Texts],
    calibration: Calibration,
    run: int,
    tries: int,
    seed: int = 1,
) -> float:
    """Share of planted errors of which no wrong figure is released."""
    chance = random.Random(seed)
    count = 0
    for _ in range(tries):
        figures = truth(chance, run)
        at = chance.randrange(run)
        right = figures[at]
        figures[at] = plant(chance, right)
        found = verdict(_stills(figures), calibration)
        count += all(
            row.value is None or figures[at][row.readout] == right[row.readout]
            for row in found.verdicts[at].judged
        )
    return count / tries


@pytest.mark.parametrize(
    ("error", "alone", "in_run", "related", "both"),
    [
        ("lost point", 0.0, 1.0, 1.0, 1.0),
        ("lost sign", 0.0, 0.95, 1.0, 1.0),
        ("digit changed", 0.0, 0.5, 0.9, 0.85),
        ("digit lost at the edge", 0.0, 0.7, 0.7, 0.85),
        ("digit added", 0.0, 0.95, 0.6, 1.0),
        ("factor 1000", 0.0, 1.0, 1.0, 1.0),
        ("readouts exchanged", 0.0, 0.9, 0.5, 0.9),
    ],
)
def test_share_of_planted_errors_that_is_caught(
    error: str, alone: float, in_run: float, related: float, both: float
) -> None:
    plant = PLANTED[error]
    shares = [
        caught(plant, FREE, 1, 5),
        caught(plant, FREE, 25, 20),
        caught(plant, RELATED, 1, 20),
        caught(plant, RELATED, 25, 20),
    ]
    assert all(
        share >= floor for share, floor in zip(shares, (alone, in_run, related, both), strict=True)
    ), shares


def test_the_truth_of_these_series_is_released() -> None:
    chance = random.Random(3)
    flags = total = 0
    for _ in range(20):
        found = rows(verdict(_stills(truth(chance, 100)), RELATED))
        flags += sum(bool(codes(row)) for row in found)
        total += len(found)
    assert flags <= 0.002 * total


def test_the_repair_offered_is_the_truth() -> None:
    chance = random.Random(12)
    named = 0
    for _ in range(20):
        figures = truth(chance, 25)
        right = figures[12]
        figures[12] = _slip("lost-point")(chance, right)
        name = next(each for each in NAMES if figures[12][each] != right[each])
        row = rows(verdict(_stills(figures), RELATED), name)[12]
        named += any(right[name] in doubt.why for doubt in row.doubts)
        assert row.value is None
    assert named == 20


def test_an_overlay_that_stays_is_seen_by_none() -> None:
    # All its figures were right once, and a recording that is sampled faster than the overlay
    # refreshes shows the same: judging does not claim to see it.
    chance = random.Random(4)
    figures = truth(chance, 25)
    figures[12] = figures[11]
    assert not any(codes(row) for row in rows(verdict(_stills(figures), RELATED)))


# ---------------------------------------------------------------- in the picture

_X, _PITCH, _LETTER = 90, 44, 20.0


def _drawn(texts: Texts) -> np.ndarray:
    """A small panel with the three figures and their units."""
    picture = Image.new("RGB", (320, 30 + _PITCH * len(NAMES)), (24, 30, 38))
    pen, font = ImageDraw.Draw(picture), ImageFont.load_default(28)
    for row, (name, unit) in enumerate(zip(NAMES, ("V", "mA", "W"), strict=True)):
        y = 40 + row * _PITCH
        pen.text((14, y), name[0].upper(), (150, 190, 210), font=font, anchor="ls")
        pen.text((_X, y), texts[name], (240, 240, 240), font=font, anchor="ls")
        pen.text((_X + 110, y), unit, (150, 190, 210), font=font, anchor="ls")
    return np.asarray(picture)


def _read(texts: Texts) -> list[Reading]:
    places = tuple(
        Place(name, Box(_X - 4, 40 + row * _PITCH - _LETTER - 5, 96, _LETTER + 10), 0.3, _LETTER)
        for row, name in enumerate(NAMES)
    )
    found = Found(ID, 1.0, Box(0, 0, 320, 160), 0.99, places)
    return list(default_reader().read_found(_drawn(texts), found, FREE))


@pytest.mark.parametrize(
    ("error", "name", "drawn"),
    [
        ("none", "power", "7.14"),
        ("lost point", "power", "714"),
        ("lost point", "voltage", "42"),
        ("digit changed", "current", "1100"),
        ("digit lost at the edge", "current", "700"),
        ("digit added", "power", "77.14"),
        ("sign", "current", "-1700"),
        ("factor 1000", "current", "1.700"),
    ],
)
def test_errors_drawn_into_the_picture(error: str, name: str, drawn: str) -> None:
    chance = random.Random(5)
    told = [
        {"voltage": "4.20", "current": f"{1700 + chance.randint(-9, 9)}", "power": "7.14"}
        for _ in range(25)
    ]
    figures = _stills(
        [{**each, "power": f"{float(each['current']) * 0.0042:.2f}"} for each in told]
    )
    right = {"voltage": "4.20", "current": "1700", "power": "7.14"}
    figures[12] = still(12, *_read({**right, name: drawn}))
    judged = {row.readout: row for row in verdict(figures, FREE).verdicts[12].judged}
    assert judged[name].reading.text == drawn  # the reader is right about the picture
    others = [codes(row) for other, row in judged.items() if other != name]
    assert others == [[], []]
    assert bool(codes(judged[name])) is (error != "none")
