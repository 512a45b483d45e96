"""What many doubtful figures of one layout on one device say of its other ones.

A layout is drawn in one face, over one kind of ground. Where readers are in doubt about many of its
figures they do not know its letters, or do not see them, and what they read with certainty may be
wrong too: they err by face.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence

from extractor.judging.entries import Entry
from extractor.records import Sighting

DOUBTFUL = 0.25
"""Share of doubtful figures from which the others are not released either.

Of 102 048 figures of sets A and B of the trust study ten were released wrong, and all ten stood
among more: 9 in an unusual pixel font, blurred by JPEG or H.264, whose 2 and 5 all nets take for an
8. Of solid panels in all other fonts no figure would be held back for it, of bare scenes 12 in 100.
"""

FEWEST = 20
"""Figures below which a share says little: of so many, by chance a quarter are doubtful in one of
several hundred layouts in which one in twenty is."""

DECEIVED = 0.996
"""Most confidence in such a figure: of 2 648 on those sets ten were wrong."""

_BY_READERS = frozenset({"unreadable", "unsure", "readers-differ"})


def device_of(sighting: Sighting) -> str:
    """Name the device of a capture, or where none is known, by the size of its picture."""
    capture = sighting.capture
    return sighting.facts.get("device") or f"{capture.width} x {capture.height} px"


def of_doubtful_layouts(
    sightings: Sequence[Sighting], entered: Sequence[Sequence[Entry]]
) -> Iterator[tuple[Entry, str]]:
    """Find the figures of layouts on devices where readers doubt many, and say how many.

    What a person accepted as it was read is doubtful no more, what was corrected is.
    """
    groups: dict[tuple[str, str], list[Entry]] = defaultdict(list)
    for sighting, entries in zip(sightings, entered, strict=True):
        for entry in entries:
            if entry.reading.box is not None:
                groups[entry.layout.id, device_of(sighting)].append(entry)
    for (_, device), entries in groups.items():
        doubtful = sum(_is_doubtful(entry) for entry in entries)
        if len(entries) < FEWEST or doubtful < DOUBTFUL * len(entries):
            continue
        why = (
            f"readers doubt {doubtful} of the {len(entries)} figures of {entries[0].layout.name} "
            f"on {device}: they may not know its letters"
        )
        yield from ((entry, why) for entry in entries)


def _is_doubtful(entry: Entry) -> bool:
    if entry.certain:
        return entry.text != entry.reading.text
    return bool(_BY_READERS & entry.doubts.keys())
