"""Runs: the sequences of captures that checks along time see.

A run holds the stills of one folder, with the same facts, layout and pixel size, in order of
``taken``; a gap of more than 10 minutes ends it, a value never does. A recording is one run.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

from extractor.calibration.model import Calibration
from extractor.records import Sighting

LONGEST_GAP_S = 600.0
"""A longer pause between two stills ends their run, s."""

_EPOCH = datetime(1970, 1, 1)
_ONE_SECOND = timedelta(seconds=1)


@dataclass(frozen=True, slots=True)
class Run:
    """One run of one layout.

    ``members`` are places in the sightings, in order; ``times`` are theirs in s, None where
    unknown. ``resolution`` is how much two times may be apart from their figures together, s.
    """

    id: str
    layout: str
    members: tuple[int, ...]
    times: tuple[float | None, ...]
    resolution: float


def runs(
    sightings: Sequence[Sighting], calibrations: Mapping[str, Calibration]
) -> tuple[list[Run], list[str]]:
    """Part the sightings into runs, and say which had to be ordered by name."""
    groups: dict[tuple[str, ...], list[int]] = defaultdict(list)
    layouts: dict[tuple[str, ...], str] = {}
    seconds = [_seconds(sighting) for sighting in sightings]
    for at, sighting in enumerate(sightings):
        for layout in shown(sighting):
            key = (layout, *_whereabouts(sighting, seconds[at]))
            groups[key].append(at)
            layouts[key] = layout
    found, by_name = [], []
    for key, members in groups.items():
        name = calibrations[layouts[key]].name
        if seconds[members[0]] is None:
            members.sort(key=lambda at: _natural(sightings[at].capture.path))
            if len(members) > 1:
                by_name.append(
                    f"{name}: {len(members)} captures from {sightings[members[0]].capture.path} on "
                    "have no time in name or EXIF: they are ordered by name"
                )
        else:
            members.sort(key=lambda at: (seconds[at] or 0.0, sightings[at].capture.path))
        for part in _between_gaps(members, seconds, sightings):
            found.append(
                Run(
                    id=f"{name}: {sightings[part[0]].capture.path}",
                    layout=layouts[key],
                    members=tuple(part),
                    times=tuple(seconds[at] for at in part),
                    resolution=_resolution([seconds[at] for at in part], sightings[part[0]]),
                )
            )
    return found, sorted(by_name)


def shown(sighting: Sighting) -> list[str]:
    """The layouts a sighting shows, by id, each once."""
    frame = sighting.frame
    return list(
        dict.fromkeys([*(f.layout for f in frame.found), *(r.layout for r in frame.readings)])
    )


def _whereabouts(sighting: Sighting, seconds: float | None) -> tuple[str, ...]:
    capture = sighting.capture
    if capture.medium == "recording":
        return ("recording", capture.path)
    folder = capture.path.rpartition("/")[0]
    facts = [part for fact in sorted(sighting.facts.items()) for part in fact]
    timed = "by name" if seconds is None else "timed"
    return ("still", folder, f"{capture.width}x{capture.height}", timed, *facts)


def _seconds(sighting: Sighting) -> float | None:
    """Time of a sighting in s: of a frame in its recording, of a still on the wall clock."""
    if sighting.capture.medium == "recording":
        return sighting.frame.at_s
    try:
        taken = datetime.fromisoformat(sighting.capture.taken)
    except ValueError:
        return None
    return (taken.replace(tzinfo=None) - _EPOCH) / _ONE_SECOND


def _between_gaps(
    members: list[int], seconds: Sequence[float | None], sightings: Sequence[Sighting]
) -> list[list[int]]:
    if sightings[members[0]].capture.medium == "recording":
        return [members]
    parts = [[members[0]]]
    for before, at in pairwise(members):
        earlier, later = seconds[before], seconds[at]
        if earlier is not None and later is not None and later - earlier > LONGEST_GAP_S:
            parts.append([])
        parts[-1].append(at)
    return parts


def _resolution(times: Sequence[float | None], first: Sighting) -> float:
    if first.capture.medium == "recording":
        return 0.001
    return 1.0 if all(time is None or time == int(time) for time in times) else 0.001


def _natural(path: str) -> tuple[list[tuple[int, str]], str]:
    """Order of names in which img2 stands before img10."""
    parts = re.split(r"([0-9]+)", path)  # digits stand at the odd places
    return [(int(p), "") if at % 2 else (-1, p) for at, p in enumerate(parts)], path
