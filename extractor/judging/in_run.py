"""What a run says of figures that no single slip explains: decimals, units, exchanged readouts."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence

from extractor.judging.along_time import NEIGHBOURS
from extractor.judging.entries import Entry
from extractor.judging.evidence import OUTLIER, RunEvidence
from extractor.judging.forms import number
from extractor.values import DIGITS, Value

TRIMMED = 45
"""Fewest others, all with the same decimals, beside which fewer decimals are a doubt.

An overlay that leaves a last 0 out does so at one figure in ten: 0.9 ** 45 is below 0.01."""

_FACTORS = (1000.0, 1e-3, 1024.0, 1 / 1024)


def other_decimals(tracked: Sequence[Entry], run: RunEvidence) -> Iterator[tuple[Entry, str]]:
    """Find the figures whose decimals no other of their run has, while all others agree.

    Left alone is what has as many digits as others: overlays write 99.8 and then 100.
    """
    lengths: dict[int, dict[int, int]] = defaultdict(lambda: defaultdict(int))
    for place, entry in enumerate(tracked):
        if entry.trusted:
            lengths[run.series(place)][_digits(entry.text)] += 1
    for place, entry in enumerate(tracked):
        if entry.readout.kind not in ("number", "percentage") or not entry.form.values:
            continue
        if entry.readout.decimals is not None:
            continue  # what is stated is held against each figure by itself
        own, (half,) = int(entry.trusted), (value.half_width for value in entry.form.values)
        drawn = run.half_widths(place)
        usual, others = max(drawn.items(), key=lambda each: each[1], default=(half, 0))
        alone = sum(drawn.values()) == others + own and drawn.get(half, 0) == own
        length = _digits(entry.text)
        if usual == half or not alone or lengths[run.series(place)][length] > own:
            continue
        if others >= (NEIGHBOURS if half < usual else TRIMMED):
            yield (
                entry,
                f"{entry.text} is known to {number(2 * half)}, the {others} others of its run to "
                f"{number(2 * usual)}",
            )


def thousandfold(tracked: Sequence[Entry], run: RunEvidence) -> Iterator[tuple[Entry, str]]:
    """Find the outliers that would fit their run in a unit a thousand times smaller or larger."""
    for place in run.far():
        entry = tracked[place]
        if entry.readout.kind not in ("number", "percentage") or not run.made(entry):
            continue
        (value,) = entry.form.values
        if not value.value or run.covers(place, Value("", 0.0, 0.0, "")):
            continue  # 0 has no other unit, and where it fits a thousandth of anything does
        for factor in _FACTORS:
            scaled = Value("", value.value * factor, value.half_width * factor, "")
            if run.covers(place, scaled):
                yield (
                    entry,
                    f"{entry.text} stands {run.distance(entry):.3g} spreads from its run: "
                    f"{run.say(entry)}, and {number(scaled.value)} would fit: another unit?",
                )
                break


def exchanged(tracked: Sequence[Entry], run: RunEvidence) -> Iterator[tuple[Entry, str]]:
    """Find two figures of one layout on one sighting that would fit in each other's place.

    One of them stands far from its run; the other is an outlier too, or has decimals that no other
    of its run has.
    """
    groups: dict[tuple[int, str], list[Entry]] = {}
    for place in run.far():
        groups.setdefault((tracked[place].at, tracked[place].layout.id), [])
    for entry in dict.fromkeys(tracked):
        group = groups.get((entry.at, entry.layout.id))
        if group is not None and not entry.certain and entry.form.values:
            group.append(entry)
    for group in groups.values():
        odd = [each for each in group if run.distance(each) > OUTLIER or not run.draws_so(each)]
        far_ones = [each for each in odd if run.is_far(each)]
        for far, other in ((a, b) for a in far_ones for b in odd if a is not b):
            pairs = ((far, other), (other, far))
            if all(run.fits(a, a.forms.of(b.text).values) for a, b in pairs):
                for a, b in pairs:
                    yield (
                        a,
                        f"{a.readout.name} {a.text} and {b.readout.name} {b.text} do not fit their "
                        "runs and would if they were exchanged",
                    )


def _digits(text: str) -> int:
    return sum(char in DIGITS for char in text)
