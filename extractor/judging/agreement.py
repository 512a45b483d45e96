"""One figure of one round, seen on two captures: do they agree?

Only stills, and only statistics that describe a whole round (not ``now``). A layout that shows the
frame rate or frame time of the moment runs during the round: its means are of the time so far and
truly differ from one capture to the next, so it is left out.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence

from extractor.calibration.model import Calibration
from extractor.judging.entries import Entry
from extractor.judging.units import in_base
from extractor.records import Sighting

_Key = tuple[str, ...]
_Seen = tuple[float, float, Entry]


def disagreements(
    sightings: Sequence[Sighting], entered: Sequence[Sequence[Entry]]
) -> list[tuple[Entry, str]]:
    """Return each trusted entry that differs beyond rounding from another capture's, and why."""
    groups: dict[_Key, list[_Seen]] = defaultdict(list)
    measured: dict[str, Mapping[str, _Key]] = {}
    for sighting, entries in zip(sightings, entered, strict=True):
        facts = sighting.facts
        if sighting.capture.medium != "still" or not (facts.get("device") and facts.get("round")):
            continue
        where = tuple(facts.get(each, "") for each in ("device", "variant", "round", "attempt"))
        for entry in entries:
            layout = entry.layout
            if layout.id not in measured:
                measured[layout.id] = _measured(layout)
            what = measured[layout.id].get(entry.readout.name)
            if what is None or not entry.trusted:
                continue
            for value in entry.form.values:
                base, factor = in_base(value.unit)
                key = (*where, *what, value.suffix, base)
                groups[key].append((value.value * factor, value.half_width * factor, entry))
    return [each for group in groups.values() for each in _differing(group, sightings)]


def _measured(layout: Calibration) -> dict[str, _Key]:
    """Say what the readouts of a layout measure, those that can be compared.

    Where a layout has two readouts of one quantity, statistic and sensor (the load of two
    processors), only the same readout of the same layout is compared.
    """
    if any(
        each.statistic == "now" and each.quantity in {"frame_rate", "frame_time"}
        for each in layout.readout
    ):
        return {}
    of = {each.name: (each.quantity, each.statistic, each.sensor or "") for each in layout.readout}
    counts = Counter(of.values())
    return {
        name: what if counts[what] == 1 and what[0] != "other" else (*what, layout.id, name)
        for name, what in of.items()
        if what[1] != "now"
    }


def _differing(group: list[_Seen], sightings: Sequence[Sighting]) -> list[tuple[Entry, str]]:
    """Return the entries whose interval misses another's, and the one it misses most."""
    highest = max(group, key=lambda each: each[0] - each[1])
    lowest = min(group, key=lambda each: each[0] + each[1])
    found = []
    for value, half, entry in group:
        slack = 1e-9 * max(1.0, abs(value))
        for other, other_half, against in (lowest, highest):
            if abs(value - other) > half + other_half + slack and against.at != entry.at:
                path = sightings[against.at].capture.path
                why = f"{entry.readout.name} is {entry.text} here and {against.text} on {path}"
                found.append((entry, why))
                break
    return found
