"""What readers mistake and doubt in a layout on one device, and what it says of its other figures.

A layout is drawn in one face, over one kind of ground, and readers err by face: where they see now
one letter and now another in the same shape, what they read with certainty there may be wrong too.
"""

from __future__ import annotations

import math
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

CORRECTED = 2
"""Different figures that must show it where a person corrected them: a person does not err by face.
One alone may be a blurred one."""

FEWEST = 20
"""Figures below which a share of doubtful ones says little."""

GRAVELY = 0.2
"""Such a share from which claims are worth little."""

MISREAD = 0.88
"""Most confidence in a figure with a letter that is gravely mistaken: of 772 on sets A and B 88
were wrong to which readers gave 0.999 or more."""

MISREAD_UNSURE = 0.39
"""The same where the readers themselves doubt it: of 2 204 there 1 348 were wrong."""

TAKEN_FOR = 0.97
"""The same of a figure that has but the letter that another one is gravely mistaken for, and that
readers do not doubt: of 154 there 4 were wrong."""

SELDOM_MISREAD = 0.997
"""The same of either letter where the share is less: of 357 there 1 was wrong. Of those that
readers doubt fewer were than was said."""

UNSEEN = 0.998
"""Most confidence in a figure that is held back for its doubtful layout: of 529 there that readers
do not doubt 1 was wrong."""

_ROUNDING = 1e-9
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
        mistaken = _mistaken(entries)
        doubtful = sum(_is_doubtful(entry) for entry in entries)
        unseen = len(entries) >= FEWEST and doubtful >= DOUBTFUL * len(entries)
        for entry in entries:
            for letter in sorted(mistaken.keys() & _letters(entry)):
                entry.most = min(entry.most, _worth(entry, letter, mistaken[letter]))
                yield "mistaken-letter", entry, mistaken[letter].told(where, entry)
            if unseen:
                entry.most = min(entry.most, UNSEEN)
                why = f"readers doubt {doubtful} of the {len(entries)} figures of {where}"
                yield "doubtful-layout", entry, why


@dataclass(slots=True)
class _Figure:
    """All showings of one text by one readout: how many, and in how many a letter was another."""

    shown: int = 0
    slips: dict[tuple[str, str], int] = field(default_factory=lambda: defaultdict(int))
    corrected: set[tuple[str, str]] = field(default_factory=set)


@dataclass(frozen=True, slots=True)
class _Mistaken:
    """``slips`` of the different ``figures`` with a ``letter`` show the ``other`` in its place.

    ``share``: of those figures, each counted by the share of its showings that do.
    """

    letter: str
    other: str
    slips: int
    figures: int
    share: float

    def told(self, where: str, entry: Entry) -> str:
        own = ", this one among them" if (self.letter, self.other) in _slips(entry) else ""
        return (
            f"in {self.slips} of the {self.figures} different figures with '{self.letter}' of "
            f"{where} some look or a person sees '{self.other}' in its place{own}: one may stand "
            "for the other"
        )


def _worth(entry: Entry, letter: str, mistaken: _Mistaken) -> float:
    """Give the most that may be claimed for a figure with a ``letter`` of ``mistaken``."""
    if mistaken.share <= GRAVELY - _ROUNDING:
        return SELDOM_MISREAD
    if _BY_READERS & entry.doubts.keys():
        return MISREAD_UNSURE
    return MISREAD if letter == mistaken.letter else TAKEN_FOR


def _mistaken(entries: Iterable[Entry]) -> Mapping[str, _Mistaken]:
    """Find the letters that readers mistake, and those that they are mistaken for.

    Letters between which looks waver here, they may read wrong of one mind there, so both are in
    doubt. Marks are not: a scene's strokes are taken for many. Sums do not depend on the order of
    the entries.
    """
    figures: dict[tuple[str, str], _Figure] = defaultdict(_Figure)
    for entry in entries:
        if _letters(entry):
            figure = figures[entry.readout.name, entry.reading.text]
            figure.shown += 1
            for slip in _slips(entry):
                figure.slips[slip] += 1
            figure.corrected.update(_corrections(entry))
    having: dict[str, int] = defaultdict(int)
    shares: dict[tuple[str, str], list[float]] = defaultdict(list)
    corrected: dict[tuple[str, str], int] = defaultdict(int)
    for (_, text), figure in figures.items():
        for letter in set(text):
            having[letter] += 1
        for slip in figure.slips:
            sure = slip in figure.corrected  # one showing is enough
            shares[slip].append(1.0 if sure else figure.slips[slip] / figure.shown)
            corrected[slip] += sure
    slips = sorted(
        (math.fsum(each) / having[letter], letter, other, len(each))
        for (letter, other), each in shares.items()
    )
    mistaken = {  # the gravest of a letter's slips, which comes last
        letter: _Mistaken(letter, other, times, having[letter], share)
        for share, letter, other, times in slips
        if times >= TIMES or corrected[letter, other] >= CORRECTED
        if share > MISTAKEN - _ROUNDING
    }
    others = {
        each.other: each
        for each in mistaken.values()
        if each.letter.isalnum() and each.other.isalnum()
    }
    return others | mistaken


def _letters(entry: Entry) -> set[str]:
    """Give the letters of the text read; the dashes of a missing value are no signs."""
    text = entry.reading.text
    return set(text) if text and not entry.forms.of(text).missing else set()


def _slips(entry: Entry) -> set[tuple[str, str]]:
    """Give each letter of the text read in whose place something else was seen, with that.

    Two letters at most: texts that differ in more were not cut from the same picture. A mark for
    another mark is no slip: which mark a layout draws, its calibration says. Where a person
    accepted what was read, none is.
    """
    if entry.certain and entry.text == entry.reading.text:
        return set()
    looks = (_differing(entry.reading.text, look.text) for look in entry.reading.looks)
    seen = {slip for each in looks if len(each) <= 2 for slip in each}
    return seen | _corrections(entry)


def _corrections(entry: Entry) -> set[tuple[str, str]]:
    """Give each letter of the text read in whose place a person sees something else, with that."""
    return set(_differing(entry.reading.text, entry.text)) if entry.certain else set()


def _differing(text: str, other: str) -> list[tuple[str, str]]:
    """Give what stands at the same places of two texts and differs, marks aside."""
    if len(text) != len(other):
        return []
    pairs = [(a, b) for a, b in zip(text, other, strict=True) if a != b]
    return [pair for pair in pairs if any(map(str.isalnum, pair))]


def _is_doubtful(entry: Entry) -> bool:
    if entry.answer is not None and entry.answer.settles:
        return not entry.certain or entry.text != entry.reading.text
    return bool(_BY_READERS & entry.doubts.keys())
