"""Does another text explain picture and checks better than the text read?

A small Bayesian comparison of the text with each rival: the odds the picture gives, times the odds
of the run, times the odds of the relations. What lies out of bounds is no rival. The constants
are judgements of the trade, to be measured by the trust study; they are all here.
"""

from __future__ import annotations

import math
from collections import Counter
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
"""How many times likelier run and relations must make a rival to flag an outlier.

It does not ask the reader at all, so a reader that is wrong with confidence is caught; a jump that
no slip explains, or that a relation bears out, is left alone."""

OUTLIER = 3.0
"""Spreads from which a value is an outlier (the three-sigma rule, as Hampel's identifier is usually
set)."""

FAR = math.sqrt(STRONG - 1)
"""Spreads below which no rival can be ``STRONG``: the density below falls as 1 + z²."""

JUMP = 0.02
"""Least share of samples taken to jump truly (steps, spikes, dropouts). A run in which more values
stand far off is taken at its own share, up to ``MOST_JUMPS``: a clock that hops between its levels
does so in every run, a reader that errs so often would have been unsure."""

MOST_JUMPS = 0.5

TO_KNOWN = 0.3
"""Share of the jumps that end at a value the run shows elsewhere too (the levels of a clock), or
at 0 (a dropout)."""

RELATION_ODDS = 1000.0
"""What a relation says between two texts of which one breaks it: for figures that are right it
fails about once in a hundred (it is retired at one in ten), and a wrong figure meets it by chance
about once in ten."""

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
        distance = around.distance(tracks.value)
        trusted = tracks.trusted
        count = np.bincount(tracks.series, minlength=1)
        wild = np.bincount(tracks.series[trusted & (distance >= FAR)], minlength=count.size)
        share = wild / np.maximum(count, 1)
        # Lists, since single places are asked for: an array would box every number anew.
        self._jump: list[float] = np.clip(share, JUMP, MOST_JUMPS)[tracks.series].tolist()
        self._centres: list[list[float]] = [
            [centre for centre in centres if math.isfinite(centre)]
            for centres in around.centres.tolist()
        ]
        self._spread: list[float] = around.spread.tolist()
        self._distance: list[float] = distance.tolist()
        self._series: list[int] = tracks.series.tolist()
        self._value: list[float] = np.where(trusted, tracks.value, np.nan).tolist()
        self._count: list[int] = np.bincount(tracks.series[trusted], minlength=count.size).tolist()
        self._drawn = Counter(
            zip(self._series, np.where(trusted, tracks.half, np.nan).tolist(), strict=True)
        )
        self._halves: dict[int, dict[float, int]] = {}
        for (series, half), many in self._drawn.items():
            if math.isfinite(half):
                self._halves.setdefault(series, {})[half] = many
        self._seen = Counter(zip(self._series, self._value, strict=True))

    def far(self) -> list[int]:
        """Return the places of the tracks whose values stand ``FAR`` from their runs."""
        return [place for place, away in enumerate(self._distance) if away >= FAR]

    def series(self, place: int) -> int:
        """The number of the series a place of the tracks belongs to."""
        return self._series[place]

    def half_widths(self, place: int) -> Mapping[float, int]:
        """The half widths of the trusted figures of a place's series, and how many have each."""
        return self._halves.get(self._series[place], {})

    def is_far(self, entry: Entry) -> bool:
        """Tell whether a value of the entry stands ``FAR`` from its run."""
        return self.distance(entry) >= FAR

    def draws_so(self, entry: Entry) -> bool:
        """Tell whether other trusted figures of its runs have the entry's decimals."""
        return all(
            self._drawn[self._series[place], value.half_width] > entry.trusted
            for place, value in zip(entry.tracks, entry.form.values, strict=True)
        )

    def covers(self, place: int, value: Value) -> bool:
        """Tell whether ``value``, as roughly as it is known, would be no outlier at a place."""
        slack = value.half_width / self._spread[place]
        return self._away(place, value.value) <= OUTLIER + slack

    def made(self, entry: Entry) -> bool:
        """Tell whether every value of the entry has its seven neighbours."""
        return bool(entry.tracks) and all(self._centres[place] for place in entry.tracks)

    def distance(self, entry: Entry) -> float:
        """Spreads from the nearest centre, of the value farthest away; 0 if not made."""
        return max(
            (away for place in entry.tracks if not math.isnan(away := self._distance[place])),
            default=0.0,
        )

    def fits(self, entry: Entry, values: Sequence[Value]) -> bool:
        """Tell whether all ``values`` would be no outliers, with decimals that the run draws."""
        return (
            self.made(entry)
            and len(values) == len(entry.tracks)
            and all(
                self._away(place, value.value) <= OUTLIER
                and self._drawn[self._series[place], value.half_width]
                for place, value in zip(entry.tracks, values, strict=True)
            )
        )

    def odds(self, entry: Entry, values: Sequence[Value]) -> float:
        """How many times likelier ``values`` are than the entry's own; 1 if not made."""
        own = entry.form.values
        if not self.made(entry) or not len(own) == len(values) == len(entry.tracks):
            return 1.0
        odds = 1.0
        for place, mine, other in zip(entry.tracks, own, values, strict=True):
            width = self._width(place, entry, mine, other)
            own_density = self._density(place, mine, width) + self._known(place, mine, width)
            odds *= self._density(place, other, width) / own_density
        return odds

    def say(self, entry: Entry) -> str:
        """Tell the run around an entry in words."""
        place = max(entry.tracks, key=self._distance.__getitem__)
        centre, spread = self._centres[place][0], self._spread[place]
        return f"its neighbours' median is {number(centre)}, their spread {number(spread)}"

    def _away(self, place: int, value: float) -> float:
        return min(abs(centre - value) for centre in self._centres[place]) / self._spread[place]

    def _density(self, place: int, value: Value, width: float) -> float:
        """A Cauchy band about the nearest centre, and jumps to anywhere."""
        away = self._away(place, value.value)
        band = 1 / (math.pi * self._spread[place] * (1 + away * away))
        jump = self._jump[place]
        return (1 - jump) * band + jump * (1 - TO_KNOWN) / width

    def _known(self, place: int, value: Value, width: float) -> float:
        """Jumps to a level the run shows elsewhere, or to 0: an excuse for the text read alone."""
        known = self._again(place, value.value) + (value.value == 0)
        return self._jump[place] * TO_KNOWN * known / (2 * value.half_width or width)

    def _again(self, place: int, value: float) -> float:
        """Share of the other trusted readings of the run that show exactly ``value``."""
        series, own = self._series[place], self._value[place]  # own is NaN where not trusted
        seen = self._seen[series, value] - (own == value)
        return seen / max(self._count[series] - (not math.isnan(own)), 1)

    def _width(self, place: int, entry: Entry, mine: Value, other: Value) -> float:
        """The range in which a jump may end."""
        if entry.readout.bounds is not None:
            low, high = entry.readout.bounds
            return max(high - low, 2 * mine.half_width)
        centre = max(map(abs, self._centres[place]))
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
        fits = away >= FAR and by_run >= STRONG and run.fits(entry, rival.values)
        if not fits and rival.picture * by_run * RELATION_ODDS**2 < RIVAL:
            continue  # out of reach of what two relations can say
        by_relations = relations(entry, rival.values)
        weighed = Likelier(rival, by_run, by_relations)
        explained = fits and by_run * by_relations >= STRONG
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
