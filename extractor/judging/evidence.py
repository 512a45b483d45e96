"""Does another text explain picture and checks better than the text read?

A small Bayesian comparison of the text with each rival: the odds the picture gives, times the odds
of the run, times the odds of the relations. What lies out of bounds is no rival. The constants
are judgements of the trade, to be measured by the trust study; they are all here.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from extractor.judging.along_time import Surroundings, Tracks
from extractor.judging.entries import Entry
from extractor.judging.forms import number
from extractor.records import NeighbourKind
from extractor.values import Value

RIVAL = 1e-3
"""Odds from which a rival is not ruled out: as strict as the threshold on the probability."""

STRONG = 100.0
"""How many times likelier the run alone must make a rival to flag an outlier.

It does not ask the reader at all, so a reader that is wrong with confidence is caught; a jump that
no slip explains is left alone."""

OUTLIER = 3.0
"""Spreads from which a value is an outlier (the three-sigma rule, as Hampel's identifier is usually
set)."""

FAR = math.sqrt(STRONG - 1)
"""Spreads below which no rival can be ``STRONG``: the density below falls as 1 + z²."""

JUMP = 0.02
"""Share of samples taken to stand anywhere: real steps, spikes and dropouts."""

DROPOUT = 0.3
"""Share of those that are exactly 0."""

RELATION_ODDS = 100.0
"""What a relation that holds speaks for a text: one that is not retired fails on few captures, and
where figures of one instant are rounded apart it may fail truly now and then."""

SURE = 0.99999
"""No text is taken for surer than this by the picture alone."""

_SHARE: Mapping[NeighbourKind, float] = {"lost-point": 0.3, "lost-sign": 0.1, "other-digit": 0.6}
"""How misreadings part into slips where the reader says nothing (a guess, not measured)."""

_SLIP_WORDS: Mapping[NeighbourKind, str] = {
    "lost-point": "the decimal point elsewhere",
    "lost-sign": "the other sign",
    "other-digit": "one digit otherwise",
}


@dataclass(frozen=True, slots=True)
class Rival:
    """A text that may stand there instead. ``picture`` are its odds over the text read."""

    text: str
    kind: NeighbourKind | None
    values: tuple[Value, ...]
    picture: float

    def __str__(self) -> str:
        return f"{self.text} ({_SLIP_WORDS[self.kind]})" if self.kind else self.text


def rivals(entry: Entry, every_slip: bool) -> Iterator[Rival]:
    """Give the rivals the picture names and, if asked, every text one slip away."""
    reading = entry.reading
    own = min(max(reading.probability, 1e-6), SURE)
    says = [value.value for value in entry.form.candidates]
    stated = {each.text: each.probability for each in reading.alternatives}
    for each in reading.neighbours:
        stated[each.text] = max(each.probability, stated.get(each.text, 0.0))
    kinds = {each.text: each.kind for each in reading.neighbours}
    stated.pop(reading.text, None)
    slips = entry.forms.slips(reading.text) if every_slip else {}
    for text, probability in stated.items():
        form = entry.forms.of(text)
        if text in slips or not form.values or form.doubts:
            continue
        if [value.value for value in form.values] != says:
            yield Rival(text, kinds.get(text), form.values, probability / own)
    for text, slip in slips.items():
        unsaid = (1 - own) * _SHARE[slip.kind] / slip.of
        yield Rival(text, slip.kind, slip.values, max(stated.get(text, 0.0), unsaid) / own)


class RunEvidence:
    """What the runs say of a text at the place of a reading."""

    def __init__(self, tracks: Tracks, around: Surroundings) -> None:
        self._around = around
        self._distance = around.distance(tracks.value)

    def made(self, entry: Entry) -> bool:
        """Tell whether every value of the entry has its seven neighbours."""
        return bool(entry.tracks) and all(
            math.isfinite(self._around.spread[place]) for place in entry.tracks
        )

    def distance(self, entry: Entry) -> float:
        """Spreads from the nearest centre, of the value farthest away; 0 if not made."""
        away = [float(self._distance[place]) for place in entry.tracks]
        return max((each for each in away if math.isfinite(each)), default=0.0)

    def fits(self, entry: Entry, values: Sequence[Value]) -> bool:
        """Tell whether all ``values`` would be no outliers in the entry's place."""
        return len(values) == len(entry.tracks) and all(
            self._away(place, value.value) <= OUTLIER
            for place, value in zip(entry.tracks, values, strict=True)
        )

    def odds(self, entry: Entry, values: Sequence[Value]) -> float:
        """How many times likelier ``values`` are than the entry's own; 1 if not made."""
        own = entry.form.values
        if not self.made(entry) or len(own) != len(values) or len(own) != len(entry.tracks):
            return 1.0
        odds = 1.0
        for place, mine, other in zip(entry.tracks, own, values, strict=True):
            width = _width(
                entry, mine, other, float(np.nanmax(np.abs(self._around.centres[place])))
            )
            odds *= self._density(place, other, width) / self._density(place, mine, width)
        return odds

    def say(self, entry: Entry) -> str:
        """Tell the run around an entry in words."""
        place = max(entry.tracks, key=lambda each: float(self._distance[each]))
        centre, spread = self._around.centres[place, 0], self._around.spread[place]
        return f"its neighbours' median is {number(centre)}, their spread {number(spread)}"

    def _away(self, place: int, value: float) -> float:
        nearest = float(np.fmin.reduce(np.abs(self._around.centres[place] - value)))
        return nearest / float(self._around.spread[place])

    def _density(self, place: int, value: Value, width: float) -> float:
        """A Cauchy band about the nearest centre, and a few jumps to anywhere or to 0."""
        spread = float(self._around.spread[place])
        band = 1 / (math.pi * spread * (1 + self._away(place, value.value) ** 2))
        anywhere = (1 - DROPOUT) / width
        if value.value == 0:
            anywhere += DROPOUT / (2 * value.half_width or width)
        return (1 - JUMP) * band + JUMP * anywhere


def _width(entry: Entry, mine: Value, other: Value, centre: float) -> float:
    """The range in which a jump may end."""
    if entry.readout.bounds is not None:
        low, high = entry.readout.bounds
        return max(high - low, 2 * mine.half_width)
    return 2 * max(abs(mine.value), abs(other.value), centre, mine.half_width)


@dataclass(frozen=True, slots=True)
class Likelier:
    """A rival and what speaks for it: odds of the run, of the relations, and of all together."""

    rival: Rival
    run: float
    relations: float

    @property
    def odds(self) -> float:
        """Odds over the text read, all told."""
        return self.rival.picture * self.run * self.relations


def likeliest(
    entry: Entry,
    run: RunEvidence,
    relations: Callable[[Entry, Sequence[Value]], float],
    broken: bool,
) -> Likelier | None:
    """Return the rival that cannot be ruled out beside the text read, None if all can.

    ``relations`` gives the odds of the relations; ``broken`` says that one does not hold.
    """
    away = run.distance(entry)
    every_slip = broken or away >= FAR
    if not every_slip and not _worth_a_look(entry, run.made(entry), away):
        return None
    best = None
    for rival in rivals(entry, every_slip):
        by_run = run.odds(entry, rival.values)
        weighed = Likelier(rival, by_run, relations(entry, rival.values))
        explained = away >= FAR and by_run >= STRONG and run.fits(entry, rival.values)
        if (weighed.odds >= RIVAL or explained) and (best is None or weighed.odds > best.odds):
            best = weighed
    return best


def _worth_a_look(entry: Entry, made: bool, away: float) -> bool:
    """Rule out at little cost that a rival the picture names reaches ``RIVAL``."""
    reading = entry.reading
    most = max(
        (
            *(each.probability for each in reading.neighbours),
            *(each.probability for each in reading.alternatives if each.text != reading.text),
        ),
        default=0.0,
    )
    reach = 1.0 if not made else 2 * (1 + away**2)
    return most * reach >= RIVAL * max(reading.probability, 1e-6)
