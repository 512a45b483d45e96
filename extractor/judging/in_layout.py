"""What readers mistake and doubt in a layout on one device, and what it says of its other figures.

A layout is drawn in one face, over one kind of ground, and readers err by face: where they see now
one letter and now another in the same shape, what they read with certainty there may be wrong too.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from extractor.judging.entries import Entry
from extractor.records import Sighting

MISTAKEN = 0.1
"""Share of the different figures with a letter in which some look saw a certain other letter in its
place, from which none with that letter is released.

Of 235 416 figures of sets A and B of the trust study 29 would be released wrong without it: 28 in
an unusual pixel font, blurred by JPEG, H.264 or a veil, whose 2 and 5 all nets take for an 8, and
one on a bare scene. All had such letters; up to 0.2 those of the font have. Of solid panels in all
other fonts no figure is held back for it alone, of bare scenes 7 in 1000."""

TIMES = 5
"""Different figures that must show it: a figure that stands still shows one and the same slip in
every capture, which says nothing of another one."""

DOUBTFUL = 0.5
"""Share of doubtful figures from which none is released: they are not seen well enough. On those
sets 10 in 1000 figures on bare scenes are held back for nothing else, hardly any on panels."""

FEWEST = 20
"""Figures below which a share of doubtful ones says little."""

MISREAD = 0.91
"""Most confidence in a figure with a mistaken letter: of 1 017 on those sets 89 were wrong to which
the readers gave 0.999 or more."""

MISREAD_UNSURE = 0.45
"""The same where the readers themselves doubt it: of 2 472 there 1 372 were wrong."""

UNSEEN = 0.99
"""Most confidence in another figure of a doubtful layout: of 757 there 7 were wrong."""

_BY_READERS = frozenset({"unreadable", "unsure", "readers-differ"})


def device_of(sighting: Sighting) -> str:
    """Name the device of a capture, or where none is known, by the size of its picture."""
    capture = sighting.capture
    return sighting.facts.get("device") or f"{capture.width} x {capture.height} px"


def of_letters_and_layouts(
    sightings: Sequence[Sighting], entered: Sequence[Sequence[Entry]]
) -> Iterator[tuple[str, Entry, str]]:
    """Find figures with letters that readers mistake, and those of layouts that they cannot see.

    By layout and device. What a person accepted as it was read was no mistake and is doubtful no
    more; what was corrected shows what was mistaken.
    """
    groups: dict[tuple[str, str], list[Entry]] = defaultdict(list)
    for sighting, entries in zip(sightings, entered, strict=True):
        for entry in entries:
            if entry.reading.box is not None:
                groups[entry.layout.id, device_of(sighting)].append(entry)
    for (_, device), entries in groups.items():
        where = f"{entries[0].layout.name} on {device}"
        mistaken = {
            letter: f"in {each.slips} of the {each.figures} different figures with {letter} of "
            f"{where} some look sees {each.other} in its place: one may stand for the other"
            for letter, each in _mistaken(entries).items()
        }
        for entry in entries:
            for letter in sorted(mistaken.keys() & _letters(entry)):
                yield "mistaken-letter", entry, mistaken[letter]
        doubtful = sum(_is_doubtful(entry) for entry in entries)
        if len(entries) >= FEWEST and doubtful >= DOUBTFUL * len(entries):
            why = f"readers doubt {doubtful} of the {len(entries)} figures of {where}"
            yield from (("doubtful-layout", entry, why) for entry in entries)


def most_confidence(entry: Entry) -> float:
    """Give the most that may be claimed for a figure, by what is found here of its layout."""
    if "mistaken-letter" in entry.doubts:
        return MISREAD_UNSURE if _BY_READERS & entry.doubts.keys() else MISREAD
    return UNSEEN if "doubtful-layout" in entry.doubts else 1.0


@dataclass(slots=True)
class _Figure:
    """All showings of one text by one readout: how many, and in how many a letter was another."""

    shown: int = 0
    slips: dict[tuple[str, str], int] = field(default_factory=lambda: defaultdict(int))


@dataclass(frozen=True, slots=True)
class _Mistaken:
    """``slips`` of the different ``figures`` with a letter show the ``other`` one in its place."""

    other: str
    slips: int
    figures: int


def _mistaken(entries: Iterable[Entry]) -> Mapping[str, _Mistaken]:
    """Find the letters that readers mistake, each with the one it is mistaken for most often."""
    figures: dict[tuple[str, str], _Figure] = defaultdict(_Figure)
    for entry in entries:
        if _letters(entry):
            figure = figures[entry.readout.name, entry.reading.text]
            figure.shown += 1
            for slip in _slips(entry):
                figure.slips[slip] += 1
    having: dict[str, int] = defaultdict(int)
    showing: dict[tuple[str, str], int] = defaultdict(int)
    share: dict[tuple[str, str], float] = defaultdict(float)
    for (_, text), figure in figures.items():
        for letter in set(text):
            having[letter] += 1
        for slip, times in figure.slips.items():
            showing[slip] += 1
            share[slip] += times / figure.shown
    found: dict[str, _Mistaken] = {}
    for (letter, other), slips in sorted(showing.items(), key=lambda each: (each[1], each[0])):
        if slips >= TIMES and share[letter, other] >= MISTAKEN * having[letter]:
            found[letter] = _Mistaken(other, slips, having[letter])
    return found


def _letters(entry: Entry) -> set[str]:
    """Give the letters of the text read; the dashes of a missing value are no signs."""
    text = entry.reading.text
    return set(text) if text and not entry.forms.of(text).missing else set()


def _slips(entry: Entry) -> set[tuple[str, str]]:
    """Give each letter of the text read in whose place something else was seen, with that.

    Two letters at most: texts that differ in more were not cut from the same picture. A mark for
    another mark is no slip: which mark a layout draws, its calibration says.
    """
    text = entry.reading.text
    seen = {entry.text} if entry.certain else {look.text for look in entry.reading.looks}
    slips: set[tuple[str, str]] = set()
    for other in seen:
        if len(other) == len(text):
            differing = [(a, b) for a, b in zip(text, other, strict=True) if a != b]
            if len(differing) <= 2:
                slips.update(each for each in differing if any(map(str.isalnum, each)))
    return slips


def _is_doubtful(entry: Entry) -> bool:
    if entry.certain:
        return entry.text != entry.reading.text
    return bool(_BY_READERS & entry.doubts.keys())
