"""What looks are worth together: from path sums and agreement to a probability.

Odds of an error are multiplied by how much likelier what the second reader says is if the first
is wrong than if it is right. Counted in November 2026 by tests/studies/study_general_readers.py on
4 114 drawn figures (24 fonts, five kinds of ground, four codings, digits of 9 to 60 px), with
one-sided 95 % upper bounds after Clopper and Pearson:

- safe ink, every look at least ``STRONG``, the second reader agrees: 0 wrong of 3 420, 8.8e-4;
- other ink, likewise: 0 wrong of 429, 7.0e-3;
- a weak look, the second reader agrees: 7 wrong of 79: never released;
- every look strong, the second reader silent or against: 1 wrong of 68, 6.8e-2: never released,
  since looks of one reader share its errors.

Of 1 980 figures given 0.999 with the twelve fonts that were worked on none was wrong, and of 1 920
with twelve others none (7.7e-4 for all). Runs before, of some 14 000 figures, showed 8 wrong ones
with strong looks. Nearly all had been cut wrongly and are mended; both readers had agreed on 5 of
them, so agreement says little about a wrong cut, and what is left of those is not measured beyond
the bounds above. Nothing is trusted beyond ``CEILING`` before there is a study on captures.

The own reader's looks, counted on figures of the tuning fonts in boxes as layouts give them
(tests/studies/drawn_places.py; plain: interface fonts as they are; hard: outlines altered, small,
coded twice): of those that were plain with a mean path sum of at least 0.99 none of 2 439 plain
ones was wrong, and of 1 829 hard ones two, each a comma read as a point. The nets before, counted
likewise: one of 4 398, half of it hidden by the scene, and three of 2 916, all marks. Hence
``_PLAINLY``, and its condition.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from extractor.records import Look

CEILING = 0.9999
SURE_COLUMN = 0.9
"""Least best-probability over the columns below which a look needs others beside it."""

SURE_TEXT = 0.99
"""Path sum below which a look needs others beside it."""

STROKES = "strokes"
"""Name of the look that only sees the shapes of strokes."""

DASHES = 0.9995
"""Probability of the mark for no value where nothing but its dashes is drawn and read."""

BACKS = 0.5
"""Path sum that the own reader's look at the surroundings must give what the general one reads to
back it."""

BACKS_CLOSE = 0.9
"""The same of its looks at the figure cut close."""

BACKS_WEAKLY = 0.1
"""The same of its look at the surroundings on an even ground: of 1 296 figures of sets A and B that
it gave less than 0.5, and all others looks the same text, none was wrong; Tesseract denied 107."""

FEW_DOTS = 0.3
"""Roundness of round digits below which letters are taken to be drawn in few dots, and nothing is
plain: no net has met most of the fonts that are. 99 in 100 figures of set B's pixel font are below
it, 3 of other fonts."""

STRONG_OWN = 0.95
"""Path sum of all its close looks on an even ground from which one strong look of the general
reader is enough: of 3 064 such figures on solid panels of sets A and B none was wrong."""

DENIES = 0.3
"""Path sum of another figure by the general reader from which one is not plain on a scene."""

PROPOSED = 0.8
"""Most that a text may claim which is offered, not released: of 437 that were given 0.99 to 0.999
on sets A and B of the trust study 75 were wrong."""

OFFERED = 0.7
"""Least that the likeliest figure in the box of a layout claims, however little the looks agree: of
309 on sets A and B that would have claimed less than 0.5, 220 were right."""

SMALLEST = 8.5
"""Height of digits, px, below which no text is more than a proposal."""

ENOUGH = 0.9998
"""Probability from which a figure that is plain to the own reader needs no slower one. Below it as
many are wrong as are claimed to be, 2 of some 1 900 in set C of the trust study."""

SURE_BARE = 0.99
"""Path sum of a net from which the next does not look at a bare crop. Of 48 128 plain tuning crops
59 were wrong with 0.97, 49 with this and 50 with 0.999, which takes half as long again."""

AT_ONCE = 0.5
"""Path sum of the nets from which a bare crop needs no other look. Of 48 128 plain tuning crops 49
are wrong with the general reader's look below it and 55 without, of 10 240 hard ones 239 and 237;
with 0.6 to 0.97 as many are, and they take time."""

FAINT_TEXT = 0.1
"""Path sum below which a figure read among dashes counts for nothing."""

NO_FIGURE = 0.01
"""Most that a text may claim which is no figure of its kind."""

_OFFSET, _SLOPE = 0.57, 1.12
"""How path sums of the nets at bare crops become probabilities: logistic, as Platt 1999
("Probabilistic outputs for support vector machines"). Fitted on 11 000 tuning crops, plain and
hard: as many were then wrong in every decade of 1 - p as said (Poisson, 95 %); without it up to
twice fewer."""

_PLAINLY = 0.1
"""Share of what path sums leave that is left where all looks of both nets agree, see above."""

_LEAST_DOUBT = {"safe": 1e-3, "unsafe": 1e-2, "weak": 1e-1}
"""Odds of an error below which the first reader's own certainty does not count: of ink told safely,
of other ink, and where some look saw the text only weakly."""

STRONG = 0.9
"""Path sum that every look must reach for the text not to be seen weakly."""

_AGREES = 0.05
_SILENT = 2.0
_DIFFERS = 5.0
_DIFFERS_SURELY = 40.0  # it is so sure of another figure in some 2 % of crops read right
_SURELY = 0.8


def alone(path_sum: float) -> float:
    """Give the probability of a figure that the nets read from a bare crop."""
    if path_sum >= CEILING:
        return CEILING
    logit = math.log(path_sum / (1.0 - path_sum))
    return min(CEILING, 1.0 / (1.0 + math.exp(-_OFFSET - _SLOPE * logit)))


def plain(path_sums: Sequence[float], marks_known: bool) -> float:
    """Give the probability of a text that is plain to the own reader, from its ``path_sums``.

    ``marks_known``: the text has no point or comma, or its layout says which of them it draws.
    """
    doubt = 1.0 - sum(path_sums) / len(path_sums)
    return 1.0 - max(doubt * _PLAINLY if marks_known else doubt, 1.0 - CEILING)


def witnessed(text: str, looks: Sequence[Look]) -> float:
    """Give what the second reader's ``looks`` multiply the odds of an error in ``text`` by."""
    if any(look.text == text for look in looks):
        return _AGREES
    dissent = [look.probability for look in looks if look.text]
    if not dissent:
        return _SILENT
    return _DIFFERS_SURELY if max(dissent) > _SURELY else _DIFFERS


def probability(path_sum: float, least: float, sure: bool, second: float) -> float:
    """Give the probability that a text is right.

    ``path_sum`` is the best of the first reader's looks where all say the same text, else their
    mean, and ``least`` the least of them; ``sure`` whether the ink was told safely, ``second``
    what ``witnessed`` gave.
    """
    case = "weak" if least < STRONG else "safe" if sure else "unsafe"
    doubt = max(1.0 - path_sum, _LEAST_DOUBT[case])
    odds = doubt / max(1.0 - doubt, 1e-9) * second
    return min(path_sum if second > 1 else 1.0, CEILING, 1.0 / (1.0 + odds))


def heard(look: Look, text: str, probability: float) -> Look:
    """Give a second reader's look with what its text is worth where ``text`` is the best."""
    if look.text == text:
        return look
    return Look(look.reader, look.text, min(look.probability, 1.0 - probability))
