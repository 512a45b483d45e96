"""The readings as measured figures: what they measure is asked of the calibration, never the name.

Only released values come in, as drawn, in the base unit of their quantity.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

from extractor.calibration.model import Calibration, Readout
from extractor.comparing.figures import base_unit, to_base
from extractor.facts import statistics_of

if TYPE_CHECKING:
    import pandas as pd

Medium = Literal["recording", "trace"]
LIVE = frozenset(("now",))


@dataclass(frozen=True, slots=True, order=True)
class Key:
    """Whose figure it is: a device run in a variant, one attempt at one round.

    ``round`` 0 stands for what belongs to no round: a battery test.
    """

    device: str
    variant: str = ""
    round: int = 0
    attempt: int = 1

    def __str__(self) -> str:
        parts = [f"{self.device} {self.variant}".strip()]
        parts.append(f"round {self.round}" if self.round else "battery test")
        if self.attempt > 1:
            parts.append(f"attempt {self.attempt}")
        return ", ".join(parts)


@dataclass(frozen=True, slots=True, order=True)
class Measure:
    """What a figure measures. ``part`` is ``width`` or ``height`` of a size, else ''."""

    quantity: str
    statistic: str
    sensor: str = ""
    part: str = ""


@dataclass(frozen=True, slots=True)
class Measured:
    """One released figure.

    ``half`` is that of readings.csv; ``low`` and ``high`` are the bounds that the last digit
    leaves open; ``row`` is its row in the table of readings, by which crop and decision are
    found; ``live`` says that its layout shows the moment; ``at_s`` is None for a still.
    """

    key: Key
    what: Measure
    value: float
    half: float
    low: float
    high: float
    unit: str
    capture: str
    layout: str
    row: int
    live: bool
    text: str = ""
    at_s: float | None = None
    taken: datetime | None = None


@dataclass(frozen=True, slots=True)
class Series:
    """Values along time, of a recording (s from its first frame) or a chart (s of its axis).

    Values stand in the middle of what their last digits leave open, ``half`` to either side.
    ``rows`` are those of the readings, none for a chart.
    """

    key: Key
    what: Measure
    medium: Medium
    capture: str
    unit: str
    times: tuple[float, ...]
    values: tuple[float, ...]
    half: float
    rows: tuple[int, ...] = ()
    taken: datetime | None = None

    @property
    def step(self) -> float:
        """The usual time between two samples, s."""
        steps = sorted(later - earlier for earlier, later in pairwise(self.times))
        return steps[len(steps) // 2] if steps else 0.0

    @property
    def longest(self) -> float:
        """How long one sample may stand for the time until the next, s; more is a gap."""
        return 2.5 * self.step if self.step else math.inf


@dataclass(slots=True)
class Measurements:
    """All that was measured, and what of the tables could not be used, in words."""

    figures: list[Measured] = field(default_factory=list)
    series: list[Series] = field(default_factory=list)
    words: list[Measured] = field(default_factory=list)
    seen: dict[Key, list[datetime]] = field(default_factory=dict)
    notices: list[str] = field(default_factory=list)


def measure(
    readings: pd.DataFrame, calibrations: Iterable[Calibration], traces: pd.DataFrame | None = None
) -> Measurements:
    """Turn the tables of section "What comes out" into measured figures.

    ``readings`` as ``read_readings`` gives them, ``traces`` with the columns of traces.csv. Rows of
    layouts that no calibration names, and facts that are no whole numbers, are named in
    ``notices``; the rest is used.
    """
    found = Measurements()
    layouts = {layout.name: layout for layout in calibrations}
    meanings = {
        (layout.name, readout.name): readout
        for layout in layouts.values()
        for readout in layout.readout
    }
    live = {name: statistics_of(layout) == LIVE for name, layout in layouts.items()}
    keys, times = _facts(readings, found)
    _note_unknown(readings, meanings, found)
    for layout, name in _unlike(layouts.values(), found):
        del meanings[layout, name]
    columns = [readings[name].tolist() for name in _COLUMNS]
    for row, (capture, at_s, layout, name, text, value, half, unit, flags, decided) in enumerate(
        zip(*columns, strict=True)
    ):
        base, _, part = name.partition(".")
        readout = meanings.get((layout, base))
        key = keys.get(capture)
        if readout is None or key is None or flags:
            continue
        number = float(value)
        is_word = readout.kind == "word"
        if not is_word and not math.isfinite(number):
            continue
        what = Measure(readout.quantity, readout.statistic, readout.sensor or "", part)
        at = float(at_s) if math.isfinite(at_s) else None
        placed = (0.0,) * 4 if is_word else _placed(readout, number, float(half), unit)
        each = Measured(
            key, what, *placed, base_unit(unit), capture, layout, row, live[layout],
            decided or text, at, times.get(capture),
        )  # fmt: skip
        (found.words if is_word else found.figures).append(each)
    found.series += _recorded(found.figures)
    if traces is not None:
        found.series += _traced(traces, layouts, keys, times, found)
    _note_units(readings, found)
    return found


# Quantities of which a layout may well show several, and which are not compared.
_MANIFOLD = frozenset(("other", "count", "memory", "outcome", "capacity"))
_COLUMNS = (
    "capture", "at_s", "layout", "readout", "text", "value", "half_width", "unit", "flags",
    "decided_text",
)  # fmt: skip


def _placed(
    readout: Readout, value: float, half: float, unit: str
) -> tuple[float, float, float, float]:
    """Value, half width, and the bounds that the last digit leaves open, in the base unit.

    A truncated figure lies between itself and one digit further from 0; a size is a count of
    pixels and leaves nothing open.
    """
    half = half if math.isfinite(half) and readout.kind != "size" else 0.0
    low, high = value - half, value + half
    if readout.rounding == "down":
        low, high = (value, value + half) if value >= 0 else (value - half, value)
    base = [to_base(each, unit) for each in (value, low, high)]
    return base[0], to_base(half, unit, difference=True), base[1], base[2]


def _facts(
    readings: pd.DataFrame, found: Measurements
) -> tuple[dict[str, Key], dict[str, datetime]]:
    """Whose each capture is, and when it was taken; captures of no known device are left out."""
    keys: dict[str, Key] = {}
    times: dict[str, datetime] = {}
    homeless: list[str] = []
    odd: dict[str, str] = {}
    facts = [readings[name].tolist() if name in readings else [""] * len(readings)
             for name in ("capture", "taken", "device", "variant", "round", "attempt")]  # fmt: skip
    for capture, taken, device, variant, number, attempt in zip(*facts, strict=True):
        if capture in keys or capture in odd:
            continue
        if not device:
            if capture not in homeless:
                homeless.append(capture)
            continue
        whole = [_whole(number, 0), _whole(attempt, 1)]
        if None in whole:
            odd[capture] = f"round {number!r}, attempt {attempt!r}"
            continue
        keys[capture] = key = Key(device, variant, whole[0] or 0, whole[1] or 1)
        if taken:
            times[capture] = datetime.fromisoformat(taken).replace(tzinfo=None)
            found.seen.setdefault(key, []).append(times[capture])
        found.seen.setdefault(key, [])
    if homeless:
        found.notices.append(
            f"{_some(homeless)}: no device is known, so left out; write it into facts.csv"
        )
    found.notices += [
        f"{capture}: {met}, which are no whole numbers from 1; left out, correct facts.csv"
        for capture, met in odd.items()
    ]
    return keys, times


def _whole(text: str, default: int) -> int | None:
    if not text:
        return default
    return int(text) if text.isascii() and text.isdigit() and int(text) > 0 else None


def _some(names: Sequence[str]) -> str:
    more = f" and {len(names) - 3} more" if len(names) > 3 else ""
    return ", ".join(names[:3]) + more


def _note_unknown(
    readings: pd.DataFrame, meanings: dict[tuple[str, str], Readout], found: Measurements
) -> None:
    pairs = dict.fromkeys(zip(readings["layout"], readings["readout"], strict=True))
    unknown: dict[str, list[str]] = defaultdict(list)
    for layout, name in pairs:
        if (layout, name.partition(".")[0]) not in meanings:
            unknown[layout].append(name)
    found.notices += [
        f"layout {layout}: no calibration says what {_some(names)} measures; left out, name its "
        "calibration with --calibration"
        for layout, names in unknown.items()
    ]


def _unlike(layouts: Iterable[Calibration], found: Measurements) -> Iterator[tuple[str, str]]:
    """Readouts of one layout that by the calibration measure the same, and cannot: two clocks, say.

    Nothing tells which of them is meant, so neither is compared.
    """
    for layout in layouts:
        alike: dict[tuple[str, str, str], list[str]] = defaultdict(list)
        for readout in layout.readout:
            if readout.quantity not in _MANIFOLD:
                what = readout.quantity, readout.statistic, readout.sensor or ""
                alike[what].append(readout.name)
        for (quantity, statistic, _), names in alike.items():
            if len(names) > 1:
                found.notices.append(
                    f"layout {layout.name}: {_some(names)} all measure {quantity} ({statistic}) by "
                    "the calibration; not compared, since nothing tells which is meant"
                )
                yield from ((layout.name, name) for name in names)


def _note_units(readings: pd.DataFrame, found: Measurements) -> None:
    """Two units under one name are converted where they are kin, and always named."""
    units: dict[tuple[str, str], set[str]] = defaultdict(set)
    for layout, name, unit in zip(
        readings["layout"], readings["readout"], readings["unit"], strict=True
    ):
        if unit:
            units[layout, name].add(unit)
    for (layout, name), both in units.items():
        if len(both) == 1:
            continue
        listed = " and ".join(sorted(both))
        if len({base_unit(unit) for unit in both}) == 1:
            found.notices.append(f"{layout}: {name} is given in {listed}; converted to one")
            continue
        found.notices.append(
            f"{layout}: {name} is given in {listed}, which are no kin; left out, correct the "
            "calibration and run `ocrlog extract` again"
        )
        rows = {
            row
            for row, pair in enumerate(zip(readings["layout"], readings["readout"], strict=True))
            if pair == (layout, name)
        }
        found.figures = [each for each in found.figures if each.row not in rows]
        found.series = [each for each in found.series if not rows.intersection(each.rows)]


def _recorded(figures: Sequence[Measured]) -> Iterator[Series]:
    """Put the samples of each figure of each recording in a row."""
    groups: dict[tuple[str, str, Measure], list[Measured]] = defaultdict(list)
    for each in figures:
        if each.at_s is not None and each.what.statistic == "now":
            groups[each.capture, each.layout, each.what].append(each)
    for (capture, _, what), rows in groups.items():
        rows.sort(key=lambda each: each.at_s or 0.0)
        once = [a for a, b in pairwise(rows) if a.at_s != b.at_s] + rows[-1:]
        if len(once) > 1:
            yield Series(
                once[0].key, what, "recording", capture, once[0].unit,
                tuple(each.at_s or 0.0 for each in once),
                tuple((each.low + each.high) / 2 for each in once),
                max(each.high - each.low for each in once) / 2,
                tuple(each.row for each in once), once[0].taken,
            )  # fmt: skip


def _traced(
    traces: pd.DataFrame,
    layouts: dict[str, Calibration],
    keys: dict[str, Key],
    times: dict[str, datetime],
    found: Measurements,
) -> Iterator[Series]:
    """Put the samples of each line of each chart in a row; flagged ones are left out."""
    meanings = {
        (layout.name, trace.name): trace for layout in layouts.values() for trace in layout.trace
    }
    for names, rows in traces.groupby(["capture", "layout", "trace"], sort=False):
        capture, layout, name = map(str, names)
        trace = meanings.get((layout, name))
        if trace is None:
            told = f"layout {layout}: no calibration says what the line {name} measures; left out"
            if told not in found.notices:
                found.notices.append(told)
            continue
        if capture not in keys:
            continue
        good = rows[(rows["flags"].fillna("") == "") & rows["value"].notna()]
        good = good.drop_duplicates("t").sort_values("t")
        if len(good) < 2:
            continue
        unit = str(good["unit"].iloc[0])
        half = float((good["high"] - good["low"]).clip(lower=0).median()) / 2
        yield Series(
            keys[capture],
            Measure(trace.quantity, "now", trace.sensor or ""),
            "trace",
            capture,
            base_unit(unit),
            tuple(map(float, good["t"])),
            tuple(to_base(float(value), unit) for value in good["value"]),
            to_base(half, unit, difference=True) if math.isfinite(half) else 0.0,
            (),
            times.get(capture),
        )
