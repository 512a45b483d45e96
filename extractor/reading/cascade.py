"""The order in which readers look at a figure, and what their looks together are worth.

The own reader looks at all figures of a layout side by side; what is plain to it is read. At what
is doubtful, slower readers look one by one: the general one at the crop cut to its ink, and where
neither what the own reader saw nor that is enough, Tesseract at the figure drawn clean.
"""

from __future__ import annotations

import logging
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TypeVar, get_args

import numpy as np

from extractor.calibration.model import Calibration, Marks, Readout
from extractor.reading import trust
from extractor.reading.asking import SECOND, Ask, View, gather
from extractor.reading.figures import LIKE_DIGITS, Parted, part
from extractor.reading.general import GeneralReader
from extractor.reading.identity import reader_identity
from extractor.reading.ink import roundness, sharpness
from extractor.reading.interface import (
    LineRead,
    Picture,
    Reader,
    Witness,
    WordAt,
)
from extractor.reading.looks import Subject, stretched
from extractor.reading.neighbours import without_neighbour
from extractor.reading.own import Looks, OwnReader
from extractor.reading.scan import BOX, CLOSE, SIGNS, Scan, Target, scan, trimmed
from extractor.reading.tesseract import TesseractReader
from extractor.reading.words import WordFinder
from extractor.records import (
    Alternative,
    Box,
    Figure,
    Found,
    Kind,
    Look,
    Neighbour,
    Place,
    Reading,
)
from extractor.values import says_otherwise, slips

_log = logging.getLogger("ocrlog")

_SIDE = 1.5  # how far the picture reaches beside a box, in digit heights
_ABOVE = 0.35  # and above and below it
_WRONG_DECIMALS = 0.1  # weight of a text whose decimals are not those stated
_MOST_ALTERNATIVES = 8
_SIGNS = 0.01  # how much surer than the slower readers the own one must be of a sign alone
_ROUND = frozenset("0235689")
_NO_POINTS = str.maketrans("", "", ".:")
_NO_MARKS = str.maketrans("", "", ".,'")
_SINGLE = 2  # looks of the own reader where the first net alone looked
_WIDER = 1.5  # the second reader joins narrow digits less where they are drawn so much wider


@dataclass(frozen=True, slots=True)
class Seen:
    """All that the looks at one figure gave."""

    text: str = ""
    probability: float = 0.0
    alternatives: tuple[Alternative, ...] = ()
    looks: tuple[Look, ...] = ()
    near: tuple[Neighbour, ...] = ()
    unit: str = ""
    cut: bool = False
    height: float = 0.0
    sharpness: float = 0.0


_Said = TypeVar("_Said", Seen, Figure)


@dataclass(frozen=True, slots=True)
class _Own:
    """What the own reader saw of a figure.

    ``even``: on an even ground, no ink left unread; ``dotted``: its letters are drawn in few dots.
    """

    looks: tuple[Look, ...]
    even: bool
    dotted: bool

    def backs(self, text: str) -> bool:
        """Tell whether all looks say ``text``: that is enough beside the general reader.

        On an even ground the one at the surroundings may be weak: what stands beside a figure
        takes from its path sum.
        """
        around = trust.BACKS_WEAKLY if self.even else trust.BACKS
        return bool(self.looks) and all(
            look.text == text
            and look.probability >= (around if look.reader == BOX else trust.BACKS_CLOSE)
            for look in self.looks
        )

    def outvoted(self, text: str, probability: float) -> _Own:
        """Give the same with dissent that counts for no more than ``text`` leaves it.

        For readers of three makes that all see ``text``: nothing then speaks for another figure
        but what one look itself thinks the less likely, or the first net where the second looked.
        """
        counting = [look for look in self.looks if not look.reader.endswith(SECOND)]
        if len(counting) > _SINGLE:
            counting = [look for look in counting if look.reader != CLOSE]
        if not self.even or self.dotted or any(look.text != text for look in counting):
            return self
        heard = (trust.heard(look, text, probability) for look in self.looks)
        return replace(self, looks=tuple(heard))

    def is_strong(self, text: str) -> bool:
        """Tell whether one strong look of the general one is enough, if all of it say ``text``."""
        close = [look.probability for look in self.looks if look.reader != BOX]
        several = self.even and len(close) > 1
        return several and self.backs(text) and min(close) >= trust.STRONG_OWN


class FigureReader:
    """Reads figures, lines and words; holds the nets, one of each a process.

    ``own`` looks first at all; ``general`` and ``last`` look at what is doubtful.
    """

    def __init__(
        self,
        own: OwnReader | None = None,
        general: Reader | None = None,
        last: Witness | None = None,
    ) -> None:
        self._own = own or OwnReader()
        self._general: Reader = general or GeneralReader()
        self._last: Witness = last or TesseractReader()
        self._finder = WordFinder()

    @cached_property
    def identity(self) -> str:
        """What a cached reading depends on beside its picture; see ``reader_identity``."""
        return reader_identity()

    def read_found(
        self,
        image: Picture,
        found: Found,
        calibration: Calibration,
        only: Collection[str] | None = None,
    ) -> tuple[Reading, ...]:
        """Read every readout place of a found layout, or of those named in ``only``.

        ``image`` is the upright capture, RGB uint8 of shape (h, w, 3). Readings come in the order
        of ``found.places``; one without a box is not shown, and empty.
        """
        readouts = {readout.name: readout for readout in calibration.readout}
        wanted = [place for place in found.places if only is None or place.readout in only]
        targets = [
            _target(image, place, readouts[place.readout], calibration.marks)
            for place in wanted
            if place.box is not None
        ]
        seen = iter(self._see(targets))
        return tuple(
            Reading(found.layout, place.readout, None)
            if place.box is None
            else _reading(found.layout, place, next(seen))
            for place in wanted
        )

    def read_figures(
        self, crops: Sequence[Picture], kind: Kind = "number", *, decimals: int | None = None
    ) -> list[Figure]:
        """Read crops of one figure each; see ``extractor.reading.read_figures``."""
        if kind not in get_args(Kind):
            raise ValueError(f"kind is {kind!r}; expected one of {', '.join(get_args(Kind))}")
        for at, crop in enumerate(crops):
            if crop.dtype != np.uint8 or crop.ndim != 3 or crop.shape[2] != 3:
                raise ValueError(
                    f"crop {at} is {crop.dtype} of shape {crop.shape}; "
                    "expected RGB uint8 of shape (h, w, 3)"
                )
        ask = Ask(kind, decimals=decimals)
        trims = [trimmed(crop) for crop in crops]
        shown = [crop for crop, _ in trims]
        lines = self._own.read(shown, trust.SURE_BARE)
        parted = {}
        for at, looks in enumerate(lines):
            alone = without_neighbour(shown[at], looks.columns[-1])
            if alone is not None:
                parted[at] = shown[at] = alone
        again = self._own.read(list(parted.values()), trust.SURE_BARE)
        for at, looks in zip(parted, again, strict=True):
            lines[at] = looks
        figures = []
        for at, (looks, crop) in enumerate(zip(lines, shown, strict=True)):
            figure = _at_once(looks, ask) or self._read_otherwise(crop, looks, ask)
            small = trims[at][1] < trust.SMALLEST
            figures.append(_no_more_than_proposed(figure) if small or at in parted else figure)
        return figures

    def _read_otherwise(self, crop: Picture, looks: Looks, ask: Ask) -> Figure:
        """Read a bare crop of which the nets are not sure with the general reader too.

        What is found is no more than a proposal.
        """
        views = [gather("own", columns, ask) for columns in looks.columns]
        if min(crop.shape[:2]) >= 2:
            views.append(self._view("crop", crop, ask))
        mean, text = _mean(views), _best(views, ask)
        if not any(view.best_line for view in views):
            text = ""  # all see that nothing is drawn
        # What most looks see may be no figure of its kind, though others are not ruled out.
        none = sum(part(view.best_line, ask.kind, ask.missing) is None for view in views)
        most = trust.NO_FIGURE if 2 * none > len(views) else trust.PROPOSED
        probability = min(mean.get(text, 0.0), most)
        others = _alternatives(text, probability, mean, ()) if text else ()
        return Figure(text, probability, others)

    def read_line(self, crop: Picture) -> LineRead:
        """Read one line of text as it stands; px of the chars are those of ``crop``."""
        (looks,) = self._own.read([crop])
        chars = looks.spelled()
        return LineRead("".join(char.char for char in chars), chars)

    def find_words(self, image: Picture, *, scale: float = 1.0) -> list[WordAt]:
        """Find and read all text on ``image``; small letters need a ``scale`` above 1.

        Lines of text come whole, with the spaces read. Letters of about 8 to 100 px after
        scaling are found. Ordered from top to bottom, then left to right.
        """
        boxes = self._finder.find(image, scale)
        seen = self._own.read([_piece(image, box) for box in boxes])
        best = [looks.texts()[0] for looks in seen]
        return [
            WordAt(text.text, box, text.probability)
            for text, box in zip(best, boxes, strict=True)
            if text.text.strip()
        ]

    def _see(self, targets: Sequence[Target]) -> list[Seen]:
        scans = scan(self._own, targets)
        return [self._settled(found, target) for found, target in zip(scans, targets, strict=True)]

    def _settled(self, found: Scan, target: Target) -> Seen:
        plain = found.plain and _trusted(found, target.ask) >= trust.ENOUGH
        round_enough = _roundness(found, target) >= trust.FEW_DOTS
        denied = plain and found.busy and self._is_denied(found, target)
        if plain and round_enough and not denied:
            return _unless_small(_seen_plainly(found, target))
        return _unless_small(self._look_again(found, target, denied))

    def _is_denied(self, found: Scan, target: Target) -> bool:
        """Tell whether the general reader sees another figure in the whole box.

        Scenes deceive all looks of the own reader alike: both nets lost a digit in its ground's own
        colour, and signs. What the other one does not see says nothing.
        """
        x0, y0, x1, y1 = target.box
        rows, columns = (
            slice(max(0, int(y0)), int(np.ceil(y1))),
            slice(max(0, int(x0)), int(np.ceil(x1))),
        )
        view = self._view("box", np.ascontiguousarray(target.picture[rows, columns]), target.ask)
        return view.best not in ("", found.text) and view.figures[view.best] >= trust.DENIES

    def _look_again(self, found: Scan, target: Target, denied: bool) -> Seen:
        """Show a doubtful figure to the slower readers, and add what the own reader saw.

        ``denied``: what is plain to it the general one denies in the whole box.
        """
        subject = Subject(target.picture, target.box, target.height, target.ask.spaced)
        seen = self._look(subject, target, found)
        same, ask = _same(found.text, seen.text, target.ask), target.ask
        if found.agreed and found.probability >= _least_to_propose(found, seen, ask):
            # Worth a proposal, nothing more: the slower readers saw another figure, or none.
            seen = _proposed(found, seen)
        elif found.plain and same and seen.probability < _trusted(found, ask) and not denied:
            # What was plain, though not enough, is no less so since others see it too.
            seen = _claiming(seen, _trusted(found, ask))
        elif not same and (found.plain or (found.agreed and _weighed(found.text, ask) < 1.0)):
            seen = _no_more_than_proposed(seen)  # as surely as they, the own reader saw another
        elif _may_lack_its_sign(found) and seen.text[:1] not in SIGNS:
            seen = _no_more_than_proposed(seen)  # all looks may have been cut where the sign ends
        elif not found.text and found.digits > sum(char.isdigit() for char in seen.text):
            seen = _no_more_than_proposed(seen)  # they may have been shown a part of it
        if seen.text and seen.text == target.ask.dashes:
            return replace(seen, height=target.height)
        return replace(
            _offered(seen),
            cut=bool(seen.text) and self._is_cut(subject),
            height=subject.ink.height if subject.ink else target.height,
            sharpness=sharpness(subject.cut().picture),
        )

    def _is_cut(self, subject: Subject) -> bool:
        if subject.touches_border():
            return True
        if subject.ink is None or not any(subject.ink.near):
            return False
        (looks,) = self._own.read([subject.around().picture])
        return subject.goes_on(looks.spelled())

    def _look(self, subject: Subject, target: Target, found: Scan) -> Seen:
        """Look at one figure with the slower readers as often as it needs."""
        mark, ask = [], target.ask
        if ask.dashes and subject.shows_dashes(ask.dashes, found.until):
            mark = [Look(trust.STROKES, ask.dashes, trust.DASHES)]
            if not found.digits and (not found.text or found.text == ask.dashes):
                return _marked(ask.dashes, (*found.looks, *mark))
        elif found.dashed:
            mark = [Look(BOX, ask.dashes, trust.DASHES)]
        cut = subject.cut()
        if min(cut.picture.shape[:2]) < 2:
            return Seen(looks=found.looks)
        views = [self._view("cut", cut.picture, ask)]
        best = _best(views, ask)
        faint = views[0].figures.get(best, 0.0) < trust.FAINT_TEXT
        if mark and not found.digits and (best == ask.dashes or faint):
            return _marked(ask.dashes, (views[0].look(), *mark))
        looks = (_as_expected(look, best, ask) for look in found.looks if look.text)
        dotted = _roundness(found, target) < trust.FEW_DOTS
        own = _Own(tuple(looks), found.whole and not found.busy, dotted)
        until = _unit_begins(views[0], subject, cut.x)
        alone = subject.cut(until).picture
        clean = subject.clean(until)
        drawn = [alone] if clean is None else [clean, stretched(clean, _WIDER)]
        if not subject.sure:
            # A digit may have been left out: with more of the box the text must be the same.
            wide = subject.widened()
            more = [self._view("wide", wide, ask), self._view("stretched", stretched(wide), ask)]
            views = more if _is_part(views[0], more, found) else [*views, *more]
            best = _best(views, ask)
            last = [] if own.backs(best) else self._witnesses([*drawn, wide], ask, best)
            return _together(views, own, [*last, *mark], ask, False)
        last = [] if own.backs(best) else self._witnesses(drawn, ask, best)
        if not _says([*own.looks, *last], best) and subject.is_shaped(best, until):
            last = [_with_points(look, best) for look in last]
        unsure = views[0].columns.surety() < trust.SURE_COLUMN
        if (
            unsure
            or views[0].figures.get(best, 0.0) < trust.SURE_TEXT
            or not _says([*own.looks, *last], best)
        ):
            views.append(self._view("stretched", stretched(alone), ask))
            if clean is not None:
                views.append(self._view("clean", clean, ask))
            best = _best(views, ask)
            if not own.backs(best) and not _says(last, best):
                last += self._witnesses([alone], ask, best)
        # What is cut off as a unit only the first look has seen.
        whole = until is None or views[0].figures.get(best, 0.0) >= trust.SURE_COLUMN
        return _together(views, own, [*last, *mark], ask, whole)

    def _witnesses(self, pictures: Sequence[Picture], ask: Ask, expected: str) -> list[Look]:
        """Show the last reader picture after picture until it says what is ``expected``."""
        looks: list[Look] = []
        for picture in pictures:
            looks.append(self._witness(picture, ask, expected))
            if looks[-1].text == expected:
                break
        return looks

    def _view(self, name: str, picture: Picture, ask: Ask) -> View:
        (columns,) = self._general.read([picture], ask.characters)
        return gather(f"{self._general.name} {name}", columns, ask)

    def _witness(self, picture: Picture, ask: Ask, expected: str) -> Look:
        """Ask the last reader; one that fails is silent, and never ends the reading.

        Of words it is not asked for the spaces and capitals of what is ``expected``.
        """
        name = self._last.name
        try:
            (seen,) = self._last.read([picture], ask.characters)
            said = seen.texts()
        except Exception:
            _log.warning("the reader %s failed on a crop", name, exc_info=True)
            return Look(name, "", 0.0)
        parted = part(said[0].text, ask.kind, ask.missing) if said else None
        if parted is None:
            return Look(name, "", 0.0)
        text = ask.settle_mark(parted.text)
        return _as_expected(Look(name, text, said[0].probability), expected, ask)


def _roundness(found: Scan, target: Target) -> float:
    """Tell how round a figure's round digits are; 1 where it has none, or they are not seen."""
    if found.close is None or not set(found.text) & _ROUND:
        return 1.0
    return roundness(found.close, found.height or target.digit)


def _may_lack_its_sign(found: Scan) -> bool:
    """Tell whether a sign was left unread: a bar, or what hides a figure's surroundings too."""
    faint = found.around is not None and found.around.probability < trust.FAINT_TEXT
    return found.hides == "bar" or (found.hides == "sign" and faint)


def _at_once(looks: Looks, ask: Ask) -> Figure | None:
    """Give the figure of a bare crop; None if further looks are worth their time."""
    figures: dict[str, float] = {}
    for line in looks.texts():
        # A letter O alone where a number is asked for is a zero: many fonts draw them alike.
        lone = ask.kind == "number" and line.text in ("O", "o")
        parted = part("0" if lone else line.text, ask.kind, ask.missing)
        if parted is not None:
            text = ask.settle_mark(parted.text)
            figures[text] = figures.get(text, 0.0) + line.probability
    best = max(figures, key=lambda text: (figures[text], text), default="")
    if not best or figures[best] < trust.AT_ONCE or _weighed(best, ask) < 1.0:
        return None
    probability = trust.alone(figures[best])
    return Figure(best, probability, _alternatives(best, probability, figures, ()))


def _as_expected(look: Look, expected: str, ask: Ask) -> Look:
    """Of words readers are not asked for the spaces and capitals of what is ``expected``."""
    same = _same(look.text, expected, ask)
    return Look(look.reader, expected, look.probability) if same else look


def _same(one: str, other: str, ask: Ask) -> bool:
    """Tell whether two texts are the same; of words, whatever their spaces and capitals."""
    return one == other or (ask.kind == "word" and _plain(one) == _plain(other))


def _plain(text: str) -> str:
    return "".join(text.split()).casefold()


def _piece(image: Picture, box: Box) -> Picture:
    x0, y0 = max(0, int(box.x)), max(0, int(box.y))
    return image[y0 : max(y0, int(np.ceil(box.bottom))), x0 : max(x0, int(np.ceil(box.right)))]


def _weighed(text: str, ask: Ask) -> float:
    """Weigh a text by the decimals its layout always draws."""
    if ask.decimals is None or ask.kind not in {"number", "percentage"}:
        return 1.0
    at = max(text.rfind("."), text.rfind(","))
    return 1.0 if (len(text) - at - 1 if at >= 0 else 0) == ask.decimals else _WRONG_DECIMALS


def _mean(views: Sequence[View]) -> dict[str, float]:
    """Add the looks' path sums up: a text that one look speaks against comes out low."""
    texts = dict.fromkeys(text for view in views for text in view.figures)
    return {text: sum(view.figures.get(text, 0.0) for view in views) / len(views) for text in texts}


def _best(views: Sequence[View], ask: Ask) -> str:
    mean = _mean(views)
    return max(mean, key=lambda text: (mean[text] * _weighed(text, ask), text), default="")


def _says(looks: Sequence[Look], text: str) -> bool:
    return any(look.text == text for look in looks)


def _with_points(look: Look, text: str) -> Look:
    """Give back the points that the second reader lost, where they are seen in the strokes.

    A point that it saw and ``text`` lacks, or has elsewhere, stays what it is: another figure.
    """
    same = look.text.translate(_NO_POINTS) == text.translate(_NO_POINTS)
    rest = iter(text)
    only_lost = all(char in rest for char in look.text)  # in order: it consumes what it passes
    return Look(look.reader, text, look.probability) if same and only_lost else look


def _unit_begins(view: View, subject: Subject, x: float) -> float | None:
    """Tell where the unit begins that was read right of the figure, px of the picture; or None."""
    line, parted = next(iter(view.lines.values()), ("", None))
    chars = view.columns.spelled()
    if parted is None or not parted.unit or "".join(char.char for char in chars) != line:
        return None
    follows = next(char for char in chars[parted.end :] if char.char != " ")
    if follows.char in LIKE_DIGITS:
        return None
    return subject.gap_near(x + (chars[parted.end - 1].x1 + follows.x0) / 2)


def _is_part(cut: View, wide: Sequence[View], found: Scan) -> bool:
    """Tell whether what was cut to its ink lost digits that all other looks see.

    A space as wide as a digit, or a narrow one, ends the ink.
    """
    text = found.text
    lost = text.removesuffix(cut.best).lstrip("+-").translate(_NO_MARKS)
    return (
        found.agreed
        and not found.busy
        and bool(cut.best)
        and text.endswith(cut.best)
        and lost.isdigit()
        and all(p >= trust.SURE_COLUMN for p in found.path_sums)
        and all(view.figures.get(text, 0.0) >= trust.SURE_COLUMN for view in wide)
    )


def _marked(mark: str, looks: Sequence[Look]) -> Seen:
    """Nothing but the mark for no value is drawn, and no reader sees a figure."""
    return Seen(mark, trust.DASHES, (Alternative(mark, trust.DASHES),), tuple(looks))


def _together(views: Sequence[View], own: _Own, last: Sequence[Look], ask: Ask, sure: bool) -> Seen:
    mean = _mean(views)
    text = _best(views, ask)
    firsts = (*own.looks, *(view.look() for view in views))
    if sum(view.nothing for view in views) / len(views) > mean.get(text, 0.0):
        return Seen(looks=(*firsts, *last))
    if not text:
        line = views[0].best_line
        return Seen(line, min(trust.NO_FIGURE, views[0].look().probability), (), (*firsts, *last))
    agreed = all(view.best == text for view in views)
    path_sum = max(view.figures.get(text, 0.0) for view in views) if agreed else mean[text]
    least = min(view.figures.get(text, 0.0) for view in views)
    if agreed and own.is_strong(text):
        path_sum, least = max(path_sum, trust.STRONG_OWN), trust.STRONG
    witnesses = [*last, *own.looks] if own.backs(text) else last
    probability = trust.probability(path_sum, least, sure, trust.witnessed(text, witnesses))
    if agreed and path_sum >= trust.SURE_TEXT and _says(last, text):
        own = own.outvoted(text, probability)
        firsts = (*own.looks, *(view.look() for view in views))
    looks = (*firsts, *(trust.heard(look, text, probability) for look in last))
    return Seen(
        text,
        probability,
        _alternatives(text, probability, mean, (*own.looks, *last)),
        looks,
        _near(views, text, ask),
        next(view for view in views if text in view.lines).lines[text][1].unit,
    )


def _alternatives(
    text: str, probability: float, mean: Mapping[str, float], looks: Sequence[Look]
) -> tuple[Alternative, ...]:
    """Give ``text`` and what else was seen; the others share what it leaves."""
    rest = 1.0 - probability
    others = {other: min(p, rest) for other, p in mean.items() if other != text}
    for look in looks:
        if look.text and look.text != text:
            others[look.text] = max(others.get(look.text, 0.0), min(look.probability, rest))
    ordered = sorted(others.items(), key=lambda item: (-item[1], item[0]))
    found = [Alternative(text, probability), *(Alternative(t, p) for t, p in ordered)]
    return tuple(sorted(found[:_MOST_ALTERNATIVES], key=lambda a: -a.probability))


def _unless_small(seen: Seen) -> Seen:
    """Trust no figure that is smaller than any that readers were trained on."""
    return _no_more_than_proposed(seen) if 0 < seen.height < trust.SMALLEST else seen


def _no_more_than_proposed(seen: _Said) -> _Said:
    most = min(seen.probability, trust.PROPOSED)
    rest = [Alternative(a.text, min(a.probability, most)) for a in seen.alternatives]
    return replace(seen, probability=most, alternatives=tuple(rest))


def _trusted(found: Scan, ask: Ask) -> float:
    known = ask.marks is not None and ask.marks.decimal is not None
    return trust.plain(found.path_sums, known or not set(found.text) & set(".,"))


def _seen_plainly(found: Scan, target: Target) -> Seen:
    probability = _trusted(found, target.ask)
    assert found.close is not None
    return Seen(
        found.text,
        probability,
        _alternatives(found.text, probability, _mean(found.views), ()),
        found.looks,
        _near(found.views, found.text, target.ask),
        found.unit,
        height=found.height or target.height,
        sharpness=sharpness(found.close),
    )


def _offered(seen: Seen) -> Seen:
    """Claim of a figure in the box of a layout no less than such figures were found to deserve."""
    if not seen.alternatives or seen.probability >= trust.OFFERED:
        return seen
    return _claiming(seen, trust.OFFERED)


def _claiming(seen: Seen, probability: float) -> Seen:
    """Give the same with another probability of its text; other texts share what that leaves."""
    texts = {a.text: a.probability for a in seen.alternatives}
    others = _alternatives(seen.text, probability, texts, ())
    return replace(seen, probability=probability, alternatives=others)


def _least_to_propose(found: Scan, seen: Seen, ask: Ask) -> float:
    """Give the probability from which the own reader's text goes before that of the slower ones.

    It errs less often. Of signs they know more, since a scene hides them from it or makes them up,
    of spaces and capitals too, and of the last digit where it sees other decimals than are stated.
    """
    more = not found.whole and found.text in seen.text  # they read what was left unread
    if more or _same(found.text, seen.text, ask):
        return 2.0
    if _weighed(found.text, ask) < _weighed(seen.text, ask):
        return 2.0
    if found.text.lstrip("+-") == seen.text.lstrip("+-"):
        return min(1.0, seen.probability + _SIGNS)
    return min(seen.probability, trust.BACKS)


def _proposed(found: Scan, seen: Seen) -> Seen:
    """Put what the own reader saw before what the others did, as no more than a proposal."""
    probability = min(found.probability, trust.PROPOSED)
    mean = {**_mean(found.views), **{a.text: a.probability for a in seen.alternatives}}
    return replace(
        seen,
        text=found.text,
        probability=probability,
        alternatives=_alternatives(found.text, probability, mean, ()),
        near=(),
        unit=found.unit,
    )


def _target(image: Picture, place: Place, readout: Readout, marks: Marks) -> Target:
    """Cut out what readers need of a place and what is beside it."""
    box = place.box
    assert box is not None
    height = place.height or box.h / 1.4
    around = Box(
        box.x - _SIDE * height,
        box.y - _ABOVE * height,
        box.w + 2 * _SIDE * height,
        box.h + 2 * _ABOVE * height,
    )
    left, top = max(0, int(around.x)), max(0, int(around.y))
    edges = (box.x - left, box.y - top, box.right - left, box.bottom - top)
    ask = Ask(readout.kind, readout.missing, readout.decimals, readout, marks)
    return Target(_piece(image, around), edges, place.height, ask)


def _reading(layout: str, place: Place, seen: Seen) -> Reading:
    return Reading(
        layout,
        place.readout,
        place.box,
        seen.text,
        seen.probability,
        seen.alternatives,
        seen.looks,
        seen.near,
        seen.unit,
        cut=seen.cut,
        height=seen.height,
        box_error=place.error,
        sharpness=seen.sharpness,
    )


def _near(views: Sequence[View], text: str, ask: Ask) -> tuple[Neighbour, ...]:
    """Score the texts one slip away on the same columns; keep the likeliest of each kind."""
    if ask.readout is None or ask.marks is None:
        return ()
    near = list(slips(text, ask.readout, ask.marks))
    if not near:
        return ()
    total = np.zeros(len(near))
    for view in views:
        line, parted = view.lines.get(text, (text, Parted(text, "", 0, len(text))))
        before, after = line[: parted.start], line[parted.end :]
        scores = view.columns.score([line, *(f"{before}{slip}{after}" for _, slip in near)])
        # The unit beside the figure may be read in several ways: odds carry over to its sum.
        odds = scores[1:] / scores[0] if scores[0] > 0 else scores[1:]
        total += np.minimum(1.0, odds * max(view.figures.get(text, 0.0), float(scores[0])))
    best: dict[str, Neighbour] = {}
    # Most slips are no figures. From the likeliest on, few need to be taken apart to be told so.
    for at in np.argsort(total, kind="stable")[::-1]:
        kind, slip = near[at]
        if kind not in best and says_otherwise(slip, text, ask.readout, ask.marks):
            best[kind] = Neighbour(kind, slip, float(total[at] / len(views)))
    return tuple(best.values())
