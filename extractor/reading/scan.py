"""The own reader's looks at figures, many side by side: each in its surroundings, then alone.

In its surroundings neighbours are seen whole, and where the figure stands is told by the columns it
was read in; alone it is cut close, which reads better. What is not plain in both is left to slower
looks.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import chain, pairwise
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from extractor.reading.asking import Ask, View, gather
from extractor.reading.ctc import Columns, path_sums
from extractor.reading.figures import LIKE_DIGITS, Parted, part
from extractor.reading.ink import Edges
from extractor.reading.interface import Picture
from extractor.reading.looks import stretched
from extractor.reading.own import OwnReader
from extractor.records import Look

SURE = 0.999
"""Path sum of a figure cut close from which no other look is needed."""

BOX = "own reader (box)"
"""Name of the look at a figure in its surroundings."""

CLOSE = "own reader (close)"
"""Name of the first net's look at a figure cut close."""

_HEARD = 0.5  # path sum from which a look in the surroundings speaks for or against the others
_HARDLY = 0.2  # path sum of what a look in the surroundings hardly sees
_HARDLY_LESS = 0.1  # path sum of a figure that a look did not take but cannot rule out
_BESIDE = 1.2  # digit heights beside the box that are shown with it
_ABOVE = 0.12  # and above and below it
_MARGIN = 0.12  # ground left around a figure cut close, in digit heights
_FARTHER = 0.45  # digit heights that an edge of that cut may move by, to be clear of strokes
_STROKED = 0.3  # share of the figure's contrast in a column from which it has a stroke
_SLANT = 0.1  # digit heights that a slanted digit may reach beyond half-way to its neighbour
_WIDE, _NARROW, _LONG = 0.36, 0.16, 0.5  # half a digit's, a mark's, a sign's width, likewise
_MARKS = frozenset(".,:'1")
_FIGURE = frozenset("0123456789.,:'+-")
_Unread = Literal["", "ink", "sign", "bar"]
_APART = 1.5
"""Digit heights between the middles of two characters that do not belong together."""
_WORDS_APART = 1.7  # the same of words
_SPACED = 2.1  # and where spaces stand in a figure: as wide as a digit in even letters

_LIKE_SIGNS = frozenset("~_=·*^")
SIGNS = frozenset("+-")
_SAME_INK = 0.5  # share of the digits' contrast by which ink may differ from theirs
_VERY_INK = 0.3  # and by which a sign's may
_ROOM = 0.3  # digit heights left before a sign
_CORE = 0.15  # digit heights by which a stroke of a figure reaches into its columns
_JOINED = 0.25  # and by which no digit is wider than half a digit's width
_BAR = 0.7, 0.15  # digit heights: a sign is no higher, and no shorter, where it touches its digit
_FLAT_BAR = 0.3  # digit heights: a sign on an even ground is no higher, and no shorter
_HALF = 0.5  # digit heights from the middle of a character to its end, at most
_EMPTY = 0.5  # probability that nothing is drawn beside a figure where there is other ink
_DOT = 0.012  # squared digit heights of ink that is less than a point
_BUSY = 24  # 8-bit levels between the tenths of a ground on which a scene is seen
_CLEAR_OF = 0.1, 0.2  # digit heights above and below a figure in which its edges and shadow lie
_WIDER = 1.25  # how much wider a doubtful figure is drawn for another look
_SURE_GLYPH = 0.98  # likeliest column of a character that is no chance likeness in a scene
_LETTER = 0.5  # and of one that is no part of a figure
_SIGN = 1.0  # digit heights from the middle of a sign to that of its first digit, at most
_OUT = 0.15  # digit heights beyond a box in which a faint character may still be of the figure
_NEAR = 1.05  # and to a faint character that may be one more of the figure
_TO_UNIT = 2.2  # and to its unit
_BESIDE_UNIT = 1.3  # and between two letters of the unit
_CLEAR = 0.9  # path sum of a unit that is noted
_ALIKE = 1.3  # and to a letter that a digit may have been taken for
_MAY_BE_DIGIT = 0.1  # probability of a digit where a letter was read
_LIKE_ZERO = 2.2  # and to one that only a zero can be: no unit begins so
_BETWEEN = 1.6  # and to a sure one
_LIKE_DIGITS = frozenset(LIKE_DIGITS + "zbqgG")  # letters at an edge that may be digits
_ZEROS = frozenset("OoQD")
_SOME_OH = 1e-3  # probability from which a letter like a zero, or °, counts
_AS_ZEROS = str.maketrans("Oo", "00")
_AMID = re.compile(r"\d[.,:]\0|[\d']\0[.,:x']?\d|\0[.,]\d")  # \0: the place asked about
_MOSTLY = 0.9  # share that a zero gets of a letter like it right behind a digit
_CLEAR_OF_DASHES = 0.35, 0.6  # digit heights from the middle of dashes that are even ground
_DASH_ENDS = 0.3  # and from the middles of the first and the last of them to the ends of that
_STROKES = 2  # per cent of that ground which is none of it, at most
_LETTER_ENDS = 0.45  # and up to the middle of the unit behind it
_SURE_DASH = 0.9  # likeliest column of a dash that the second net must see
_OF_LABEL = 1.0  # digit heights from a letter in which another one is of the same word
_EDGE = 0.3  # digit heights from a crop's own edge in which a letter is a cut neighbour
_BARE = 1.25  # heights of a digit that a bare crop has at least
_LOOSE = 0.45  # share of a loose crop's rows that hold strokes, at least
_SPARE = 0.4  # ground left above and below them, as a share of their height
_FLAT = 12  # steps of less, in 8-bit levels, are noise of the coding
_ROW = 0.3  # share of the steepest step across strokes that counts as ink


@dataclass(frozen=True, slots=True)
class Target:
    """A figure to be read.

    It lies in ``box`` of ``picture`` (RGB uint8, reaching beyond the box where the capture does),
    px; ``height`` is the digits' expected height, px, 0 if unknown. ``close``: the picture shows
    the figure cut close.
    """

    picture: Picture
    box: Edges
    height: float
    ask: Ask
    close: bool = False

    @property
    def digit(self) -> float:
        """The digits' height, px, as far as it is known."""
        return self.height or (self.box[3] - self.box[1]) / 1.4


@dataclass(slots=True)
class Scan:
    """What the looks at one target gave.

    ``text`` is '' if they found no figure that stands alone in its box. ``plain``: every look saw
    the same figure, whole and apart from others. ``unit`` is what stands right of it. ``digits``:
    how many were seen in the box, though they may make no figure of its kind. ``until``: where the
    unit begins that stands behind dashes, px of the target's picture. ``dashed``: both nets see
    dashes and no figure, on an even ground. ``whole``: no strokes like the figure's were left
    unread beside it, but such in which the second net sees nothing. ``hides``: it is read unsigned,
    and a stroke was left unread where its sign would stand: a 'bar' on an even ground, or what may
    hide a 'sign'. ``busy``: a scene is seen around it. ``views`` are of the figure cut close,
    ``around`` of it in its surroundings. ``outdone`` is the first net's
    look where the second looked at the same picture too: it must agree, and weighs nothing, since
    the second errs half as often. ``close`` is the picture cut close, ``height`` that of its ink,
    px, 0 if it could not be told.
    """

    text: str = ""
    plain: bool = False
    unit: str = ""
    digits: int = 0
    until: float = math.inf
    dashed: bool = False
    whole: bool = True
    hides: Literal["", "sign", "bar"] = ""
    busy: bool = False
    views: list[View] = field(default_factory=list)
    around: Look | None = None
    outdone: View | None = None
    close: Picture | None = None
    height: float = 0.0

    @property
    def probability(self) -> float:
        """The mean of what the looks at the figure cut close give its text."""
        return sum(self.path_sums) / max(1, len(self.views))

    @property
    def path_sums(self) -> list[float]:
        """What each look at the figure cut close gives its text."""
        return [view.figures.get(self.text, 0.0) for view in self.views]

    @property
    def agreed(self) -> bool:
        """Whether most of the looks saw the same figure, whatever they give it."""
        said = [view.best for view in self._seen]
        if self.around is not None:
            said.append(self.around.text)
        return bool(self.text) and 2 * said.count(self.text) > len(said)

    @property
    def looks(self) -> tuple[Look, ...]:
        """All looks as records; of those that count also what they nearly took it for."""
        first = () if self.around is None else (self.around,)
        outdone = () if self.outdone is None else (self.outdone.look(),)
        seen = ((view.look(), *view.rivals(_HARDLY_LESS)) for view in self.views)
        return (*first, *outdone, *chain.from_iterable(seen))

    @property
    def _seen(self) -> list[View]:
        return self.views if self.outdone is None else [self.outdone, *self.views]


@dataclass(frozen=True, slots=True)
class _Crop:
    """A piece of a target's picture; ``x`` is where its left edge stands there, px."""

    picture: Picture
    x: int


@dataclass(frozen=True, slots=True)
class _Glyph:
    """A character, its middle (px of the target's picture) and its likeliest column.

    ``digit`` is the most that one of its columns gives a digit.
    """

    char: str
    x: float
    peak: float
    digit: float

    @property
    def is_faint(self) -> bool:
        """It may be a chance likeness in a scene."""
        return self.peak < _SURE_GLYPH

    @property
    def is_there(self) -> bool:
        """It is a neighbour that explains the ink it is read from."""
        letter = self.char.isalpha() or self.char in "%°"
        return self.char != " " and self.peak >= (_LETTER if letter else _SURE_GLYPH)


@dataclass(frozen=True, slots=True)
class _Spot:
    """A figure among the characters of a line.

    ``path`` its classes, in the columns ``first`` to ``after`` (half-way to its neighbours), whose
    probabilities are ``window``, ``unit_path`` and ``unit_window`` the same of the unit behind it;
    ``x0``, ``x1`` the ends of its first and last character, ``left`` and ``right`` how far it
    may reach, ``sure_left`` and ``sure_right`` before it meets a character that is no chance
    likeness, ``after_sign`` where its digits begin, px of the line; ``alone``: no figure
    goes on beside it; ``unsure``: it may, what was read as a letter may be a digit of it.
    """

    line: str
    text: str
    unit: str
    unit_path: tuple[int, ...]
    unit_window: NDArray[np.float64]
    path: tuple[int, ...]
    first: int
    after: int
    window: NDArray[np.float64]
    x0: float
    x1: float
    left: float
    right: float
    sure_left: float
    sure_right: float
    after_sign: float
    alone: bool
    unsure: bool


@dataclass(slots=True)
class _Work:
    """A figure under way: in its surroundings (``target``, ``around``, ``spot``) and ``alone``."""

    found: Scan
    target: Target
    around: _Crop
    spot: _Spot
    alone: Target


def trimmed(crop: Picture) -> tuple[Picture, float]:
    """Give a bare crop, and how high its digits are at most, px.

    Far more ground above and below its strokes than a loose crop has is cut off.
    """
    high = crop.shape[0]
    band = _band(crop, 0.0)
    if band is None:
        return crop, high / _BARE
    digit = min(high / _BARE, float(band[1] - band[0]))
    if band[1] - band[0] > _LOOSE * high:
        return crop, digit
    spare = _SPARE * (band[1] - band[0])
    return crop[max(0, int(band[0] - spare)) : int(np.ceil(band[1] + spare))], digit


def scan(reader: OwnReader, targets: Sequence[Target]) -> list[Scan]:
    """Look at every target; what one is read as never depends on the others."""
    scans = [Scan() for _ in targets]
    crops = [_around(target) for target in targets]
    lines = _seen(reader, "first", crops, targets)
    works: list[_Work] = []
    for found, target, crop, line in zip(scans, targets, crops, lines, strict=True):
        held = _read_in_box(line, crop, target)
        # A chance likeness in a scene is no digit.
        found.digits = sum(char.isdigit() and peak >= _LETTER for char, _, peak in held)
        found.until = _dashes_end(held, target.ask)
        spot = _spot(line, crop, target)
        if spot is None:
            found.dashed = _are_dashes(held, crop, target, _LETTER)
            continue
        found.close, found.height, unread = _close(target, crop, spot)
        found.busy = _is_busy(crop, target, spot)
        found.whole = not unread
        spot = replace(spot, alone=False) if unread in ("sign", "bar") else spot
        found.text = spot.text
        if spot.text[:1] not in SIGNS and unread in ("sign", "bar"):
            found.hides = "bar" if unread == "bar" and not found.busy else "sign"
        works.append(_Work(found, target, crop, spot, _alone(target, found.close)))
    dashed = [at for at, found in enumerate(scans) if found.dashed]
    pairs = [(crops[at], targets[at]) for at in dashed]
    again = _seen(reader, "second", *zip(*pairs, strict=True)) if pairs else []
    for at, line in zip(dashed, again, strict=True):
        held = _read_in_box(line, crops[at], targets[at])
        scans[at].dashed = _are_dashes(held, crops[at], targets[at], _SURE_DASH)
    _note_units(works)
    windows = [_without_spaces(work.spot) for work in works]
    sums = path_sums(windows, [work.spot.path for work in works])
    for work, p in zip(works, sums.tolist(), strict=True):
        work.found.around = Look(BOX, work.spot.text, p)
    _look(reader, "first", [(work.found, work.alone) for work in works], CLOSE)
    # A stroke of the scene before a figure looks like a minus sign: one look is never enough.
    # Nor is it where there is ink that was not read, or a letter that may be a digit.
    doubtful = [
        w
        for w in works
        if not (_is_sure(w.found) and w.found.whole) or w.spot.unsure or w.found.text[0] in SIGNS
    ]
    for work in doubtful:
        work.found.outdone = work.found.views.pop()
    _look(
        reader,
        "second",
        [(work.found, work.alone) for work in doubtful],
        "own reader (close, second net)",
    )
    wider = [
        (w.found, _alone(w.alone, stretched(w.alone.picture, _WIDER), _WIDER)) for w in doubtful
    ]
    _look(reader, "second", wider, "own reader (wider)")
    crops, targets = [w.around for w in doubtful], [w.target for w in doubtful]
    lines = _seen(reader, "second", crops, targets)
    for work, line in zip(doubtful, lines, strict=True):
        other = _spot(line, work.around, work.target)
        same = other is not None and other.text == work.spot.text
        same &= other is None or not (work.spot.unsure and other.unsure)
        if other is not None and same and work.spot.alone and not work.found.whole:
            work.found.whole = _shows_nothing_else(line, work.around, work.target, other)
        if not same or not work.found.whole:
            work.spot = replace(work.spot, alone=False)
    for work in works:
        _settle(work.found, work.spot, work.target)
    return scans


def _seen(
    reader: OwnReader, net: str, crops: Sequence[_Crop], targets: Sequence[Target]
) -> list[Columns]:
    """Show one net the crops of ``targets``."""
    lines = reader.look([crop.picture for crop in crops], net)
    each = zip(lines, crops, targets, strict=True)
    return [_with_zeros(line, crop, target) for line, crop, target in each]


def _with_zeros(line: Columns, crop: _Crop, target: Target) -> Columns:
    """Give the columns with letters like a zero as zeros where no letter can stand.

    Many fonts draw them alike, and a net knows neither what is asked for nor its layout. What it
    may take for a zero right behind a digit is given to that for the most part: no unit begins so.
    """
    class_of = {char: k for k, char in enumerate(line.characters, 1) if char in "0Oo°"}
    zero, degree = class_of.pop("0", 0), class_of.pop("°", 0)
    ohs = list(class_of.values())
    some = zero and line.probabilities[:, ohs].max(initial=0.0) >= _SOME_OH
    if target.ask.kind == "word" or not some:
        return line
    runs = [(line.characters[k - 1], a, b) for k, a, b, _ in line.runs if k != OwnReader.SPACE]
    chars = "".join(char for char, *_ in runs)
    x = [(a + b) / 2 * line.px + crop.x for _, a, b in runs]
    told = line.probabilities.copy()
    for at, char in enumerate(chars):
        if char not in "0Oo":
            continue
        begin = runs[at - 1][2] if at else 0
        end = runs[at + 1][1] if at + 1 < len(runs) else len(told)
        most = told[begin:end].max(axis=0, initial=0.0)
        may_be = bool(most[zero] >= _MAY_BE_DIGIT and not (degree and most[degree] >= _SOME_OH))
        share = _share_of_zero(chars, x, at, target, may_be)
        told[begin:end, zero] += share * told[begin:end, ohs].sum(axis=1)
        told[begin:end, ohs] *= 1.0 - share
    return type(line)(told, line.characters, line.px)


def _share_of_zero(chars: str, x: Sequence[float], at: int, target: Target, may_be: bool) -> float:
    """Tell how much of a letter O a zero gets, which stands at a place of ``chars``.

    All where no letter can stand: alone in its box and no end of a label, amid a figure, or where
    that lacks just it of its stated decimals. ``x``: the characters' middles, px; ``may_be``: the
    net may take it for a zero.
    """
    left, _, right, _ = target.box
    if [k for k, middle in enumerate(x) if target.close or left <= middle <= right] == [at]:
        of_label = at and x[at] - x[at - 1] < _OF_LABEL * target.digit
        return 0.0 if chars[at] == "o" or of_label else 1.0
    joined = [after - before < _APART * target.digit for before, after in pairwise(x)]
    first = next((k for k in range(at, 0, -1) if not joined[k - 1]), 0)
    last = next((k for k in range(at, len(x) - 1) if not joined[k]), len(x) - 1)
    zeros = chars[first : last + 1].translate(_AS_ZEROS)
    before, behind = zeros[: at - first], zeros[at - first + 1 :]
    decimals = target.ask.decimals
    lacks = rf"\d[.,]\d{{{decimals - 1}}}\0(?!\d)" if decimals else r"\d:\d\0(?!\d)"
    if any(re.search(form, f"{before}\0{behind}") for form in (_AMID, lacks)):
        return 1.0
    near = bool(at) and x[at] - x[at - 1] < _NEAR * target.digit
    return _MOSTLY if may_be and near and before[-1:].isdigit() else 0.0


def _without_spaces(spot: _Spot) -> NDArray[np.float64]:
    """Give a figure's columns where the spaces beside it are nothing: they are none of it."""
    if OwnReader.SPACE in spot.path:
        return spot.window
    merged = spot.window.copy()
    merged[:, 0] += merged[:, OwnReader.SPACE]
    merged[:, OwnReader.SPACE] = 0.0
    return merged


def _read_in_box(line: Columns, crop: _Crop, target: Target) -> list[tuple[str, float, float]]:
    """Give the characters read in the box but spaces: each, its middle, its likeliest column.

    The middle is in px of the target's picture.
    """
    x0, _, x1, _ = target.box
    read = [
        (line.characters[k - 1], (first + after) / 2 * line.px + crop.x, peak)
        for k, first, after, peak in line.runs
    ]
    return [(char, x, peak) for char, x, peak in read if char != " " and x0 <= x <= x1]


def _dashes_end(held: Sequence[tuple[str, float, float]], ask: Ask) -> float:
    """Tell where a unit begins that is read behind dashes; infinity if none is."""
    if not ask.dashes:
        return math.inf
    parted = part("".join(char for char, _, _ in held), ask.kind, ask.missing)
    if parted is None or parted.text != ask.dashes or not parted.unit or parted.start:
        return math.inf
    return (held[parted.end - 1][1] + held[parted.end][1]) / 2


def _are_dashes(
    held: Sequence[tuple[str, float, float]], crop: _Crop, target: Target, least: float
) -> bool:
    """Tell whether dashes are read, and no figure, on a ground so even that it hides none.

    ``held``: what is read in the box of ``target``, as ``_read_in_box`` gives it; ``least``: what
    the likeliest column of each dash must have.
    """
    ask, digit, (_, y0, _, y1) = target.ask, target.digit, target.box
    parted = part("".join(char for char, *_ in held), ask.kind, ask.missing)
    if not ask.dashes or parted is None or parted.text != ask.dashes or parted.start:
        return False
    dashes = held[: parted.end]
    if min(peak for *_, peak in dashes) < least:
        return False
    middle = (y0 + y1) / 2 - max(0, round(y0 - _ABOVE * digit))
    near, far = (edge * digit for edge in _CLEAR_OF_DASHES)
    left = max(0, int(dashes[0][1] - crop.x - _DASH_ENDS * digit))
    end = dashes[-1][1] + _DASH_ENDS * digit
    if len(held) > len(dashes):
        end = max(end, held[len(dashes)][1] - _LETTER_ENDS * digit)
    right = int(np.ceil(end - crop.x))
    spans = ((middle - far, middle - near), (middle + near, middle + far))
    rows = [crop.picture[max(0, round(a)) : max(0, round(b)), left:right] for a, b in spans]
    return _is_even(np.concatenate([each.reshape(-1, 3) for each in rows]), _STROKES)


def _alone(target: Target, picture: Picture, wider: float = 1.0) -> Target:
    """Give the target that ``picture`` shows alone, drawn ``wider``."""
    box = (0.0, 0.0, float(picture.shape[1]), float(picture.shape[0]))
    return replace(target, picture=picture, box=box, height=wider * target.digit, close=True)


def _is_sure(found: Scan) -> bool:
    seen = found.around is not None and found.around.probability >= _HEARD
    return seen and found.views[0].best == found.text and found.probability >= SURE


def _settle(found: Scan, spot: _Spot, target: Target) -> None:
    """Choose the text, and tell whether all is plain."""
    mean: dict[str, float] = {}
    for each in found.views:
        for text, p in each.figures.items():
            mean[text] = mean.get(text, 0.0) + p
    assert found.around is not None
    found.text = max(mean, key=lambda text: (mean[text], text), default="")
    same = all(each.best == found.text for each in found._seen)
    against = spot.text != found.text and (
        found.around.probability >= _HEARD or spot.text.strip("+-") == found.text.strip("+-")
    )
    found.plain = bool(found.text) and spot.alone and same and not against
    signed = found.text[:1] in SIGNS
    # What hides a sign, or makes one up, is seen in the surroundings best.
    least = _HEARD if signed or target.ask.may_be_signed else _HARDLY
    found.plain = found.plain and found.around.probability >= least
    if signed:
        found.plain = found.plain and len(found.views) > 1


def _look(reader: OwnReader, net: str, asked: Sequence[tuple[Scan, Target]], name: str) -> None:
    """Look with one net at figures cut close; adds a view to each scan."""
    crops = [_Crop(target.picture, 0) for _, target in asked]
    lines = _seen(reader, net, crops, [target for _, target in asked])
    spots = [
        _spot(line, crop, target)
        for line, crop, (_, target) in zip(lines, crops, asked, strict=True)
    ]
    seen = [spot for spot in spots if spot is not None]
    sums = iter(path_sums([spot.window for spot in seen], [spot.path for spot in seen]).tolist())
    for spot, line, (found, target) in zip(spots, lines, asked, strict=True):
        p = next(sums) if spot is not None else 0.0
        if spot is None or spot.unsure or p < SURE:
            # What was read behind it may be a digit of it.
            whole = line if spot is None or spot.unsure else line.part(spot.first, spot.after)
            found.views.append(gather(name, whole, target.ask))
            continue
        parted = Parted(spot.text, "", 0, len(spot.line))
        columns = line.part(spot.first, spot.after)
        lines_of = {spot.text: (spot.line, parted)}
        found.views.append(View(name, columns, {spot.text: p}, lines_of, 0.0, spot.line))


def _around(target: Target) -> _Crop:
    """Cut the box out with some of what stands beside it."""
    x0, y0, x1, y1 = target.box
    side, up = _BESIDE * target.digit, _ABOVE * target.digit
    high, wide = target.picture.shape[:2]
    left, top = max(0, round(x0 - side)), max(0, round(y0 - up))
    right, low = min(wide, round(x1 + side)), min(high, round(y1 + up))
    return _Crop(target.picture[top : max(top, low), left : max(left, right)], left)


def _spot(line: Columns, crop: _Crop, target: Target) -> _Spot | None:
    """Find the figure among the characters that were read; None if there is not just one."""
    runs = line.runs
    digits = line.probabilities[:, OwnReader.DIGITS].max(axis=1, initial=0.0)
    glyphs = [
        _Glyph(
            line.characters[k - 1],
            (first + after) / 2 * line.px + crop.x,
            peak,
            float(digits[first:after].max()),
        )
        for k, first, after, peak in runs
    ]
    begin, end = _group(glyphs, target)
    ask, digit = target.ask, target.digit
    chars = "".join(glyph.char for glyph in glyphs)
    parted = part(chars[begin:end], ask.kind, ask.missing)
    if parted is None and target.close and begin < end and _is_cut(glyphs[begin], digit):
        begin += 1
        parted = part(chars[begin:end], ask.kind, ask.missing)
    if parted is None or not parted.text or (ask.dashes and parted.text == ask.dashes):
        return None  # what dashes say is told by their strokes
    start, stop = begin + parted.start, begin + parted.end
    columns = len(line.probabilities)
    first = (runs[start - 1][2] + runs[start][1]) // 2 if start else 0
    after = -(-(runs[stop - 1][2] + runs[stop][1]) // 2) if stop < len(runs) else columns
    x = [glyph.x - crop.x for glyph in glyphs]
    left = x[start] - _half(chars[start]) * digit
    signed = chars[start] in SIGNS and stop > start + 1
    sure = [at for at, glyph in enumerate(glyphs) if glyph.is_there]
    until = stop + _unit_ends(glyphs[stop - 1 :], target, crop.x + crop.picture.shape[1])
    last = (runs[until - 1][2] + runs[until][1]) // 2 if until < len(runs) else columns
    return _Spot(
        chars[start:stop],
        ask.settle_mark(parted.text),
        "".join(chars[stop:until].split()),
        tuple(k for k, *_ in runs[stop:until]),
        line.probabilities[after:last],
        tuple(k for k, *_ in runs[start:stop]),
        first,
        after,
        line.probabilities[first:after],
        left,
        x[stop - 1] + _half(chars[stop - 1]) * digit,
        (x[start - 1] + x[start]) / 2 if start else 0.0,
        (x[stop - 1] + x[stop]) / 2 if stop < len(runs) else columns * line.px,
        max((_between(x, k, start) for k in sure if k < start), default=0.0),
        min((_between(x, k, stop - 1) for k in sure if k >= stop), default=columns * line.px),
        _between(x, start, start + 1) if signed else left,
        _is_alone(glyphs, start, stop, target),
        _may_go_on(glyphs, start, stop, target),
    )


def _between(x: Sequence[float], one: int, other: int) -> float:
    return (x[one] + x[other]) / 2


def _group(glyphs: Sequence[_Glyph], target: Target) -> tuple[int, int]:
    """Give the characters that may be the figure: the one group in the box with sure digits.

    A crop of one figure holds no other.
    """
    if target.close:
        return 0, len(glyphs)
    x0, _, x1, _ = target.box
    ask = target.ask
    groups: list[list[int]] = []
    apart = _apart(ask)
    for at, glyph in enumerate(glyphs):
        if glyph.char == " " or (glyph.is_faint and not x0 <= glyph.x <= x1):
            continue
        if groups and glyph.x - glyphs[groups[-1][-1]].x <= apart * target.digit:
            groups[-1].append(at)
        else:
            groups.append([at])
    held = []
    for group in groups:
        # Labels and units may reach out of the box, the figure may not; a scene shows faint dots.
        while group and _is_rest(glyphs[group[0]], x0, x1):
            if _may_be_sign([glyphs[at] for at in group[:2]], target.digit):
                break
            del group[0]
        while group and _is_rest(glyphs[group[-1]], x0, x1):
            del group[-1]
        if any(
            x0 <= glyphs[at].x <= x1
            and not glyphs[at].is_faint
            and (ask.kind == "word" or glyphs[at].char in _FIGURE)
            for at in group
        ):
            held.append(group)
    return (held[0][0], held[0][-1] + 1) if len(held) == 1 else (0, 0)


def _apart(ask: Ask) -> float:
    if ask.spaced:
        return _SPACED
    return _WORDS_APART if ask.kind == "word" else _APART


def _may_be_sign(glyphs: Sequence[_Glyph], digit: float) -> bool:
    """Tell whether the first of two characters stands where the sign of the second would."""
    first, *rest = glyphs
    return bool(rest) and first.char in SIGNS and rest[0].x - first.x <= _SIGN * digit


def _is_rest(glyph: _Glyph, x0: float, x1: float) -> bool:
    """Tell whether a character at an end is none of the figure: outside its box, or faint."""
    if glyph.char in _FIGURE:
        return glyph.is_faint and not glyph.char.isdigit()
    return not x0 <= glyph.x <= x1


def _is_cut(glyph: _Glyph, digit: float) -> bool:
    """Tell whether a letter at a crop's own left edge is what is left of a neighbour."""
    return glyph.x < _EDGE * digit and glyph.char.isalpha() and glyph.char not in _LIKE_DIGITS


def _half(char: str) -> float:
    return _NARROW if char in _MARKS else _LONG if char in SIGNS else _WIDE


def _is_alone(glyphs: Sequence[_Glyph], start: int, stop: int, target: Target) -> bool:
    """Tell whether a figure ends where it ends: within its box, with nothing like it beside it."""
    if target.ask.kind == "word":
        return True
    figure, before, behind = glyphs[start:stop], glyphs[:start][::-1], glyphs[stop:]
    if target.ask.kind == "duration" and all(glyph.char.isdigit() for glyph in figure):
        return False  # only one part of it was seen
    sign_apart = figure[0].char in SIGNS and figure[1].x - figure[0].x > _SIGN * target.digit
    return (
        not sign_apart
        and _lies_inside(figure, target)
        and _ends(figure[0], before, _LIKE_DIGITS | _LIKE_SIGNS, target)
        and _ends(figure[-1], behind, _LIKE_DIGITS, target)
    )


def _lies_inside(figure: Sequence[_Glyph], target: Target) -> bool:
    x0, _, x1, _ = target.box
    if target.close:
        return True
    if x0 < 0 or x1 > target.picture.shape[1]:
        return False  # what the capture's edge cuts off is not seen
    reach = [(_half(glyph.char) - _OUT) * target.digit for glyph in (figure[0], figure[-1])]
    return x0 <= figure[0].x - reach[0] and figure[-1].x + reach[1] <= x1


def _ends(end: _Glyph, beside: Sequence[_Glyph], alike: frozenset[str], target: Target) -> bool:
    """Tell whether a figure ends with ``end``; ``beside`` it stand others, the nearest first.

    A digit or sign of it may have been taken for one ``alike``.
    """
    x0, _, x1, _ = target.box
    digit = target.digit
    nearest = next((glyph for glyph in beside if glyph.char != " "), None)
    if nearest and nearest.char in alike:
        reach = _LIKE_ZERO if nearest.char in _ZEROS else _ALIKE
        if abs(nearest.x - end.x) < reach * digit:
            return False
    for glyph in beside:
        if glyph.char not in _FIGURE:
            continue
        far = abs(glyph.x - end.x) > (_NEAR if glyph.is_faint else _BETWEEN) * digit
        outside = not x0 - _OUT * digit < glyph.x < x1 + _OUT * digit
        if not far and not (glyph.is_faint and outside):
            return False
        if glyph.char.isdigit() and glyph.peak >= _LETTER and x0 <= glyph.x <= x1:
            return False
    return True


def _may_go_on(glyphs: Sequence[_Glyph], start: int, stop: int, target: Target) -> bool:
    """Tell whether a letter right beside a figure may be one of its digits."""
    before, behind = glyphs[:start][::-1], glyphs[stop:]
    for end, beside in ((glyphs[start], before), (glyphs[stop - 1], behind)):
        nearest = next((glyph for glyph in beside if glyph.char != " "), None)
        if nearest is None or abs(nearest.x - end.x) >= _ALIKE * target.digit:
            continue
        if nearest.digit >= _MAY_BE_DIGIT:
            return True
    return False


def _unit_ends(glyphs: Sequence[_Glyph], target: Target, end: float) -> int:
    """Tell how many of ``glyphs`` are the unit behind the first of them, a figure's last character.

    It begins in the box, and may go on beyond it; 0 where it may go on beyond ``end``, the edge of
    what is seen.
    """
    last, count = glyphs[0], 0
    for at, glyph in enumerate(glyphs[1:], 1):
        if glyph.char == " ":
            continue
        far = glyph.x - last.x
        if glyph.char.isdigit() or far > (_BESIDE_UNIT if count else _TO_UNIT) * target.digit:
            break
        if not count and glyph.x > target.box[2]:
            break
        last, count = glyph, at
    return count if end - last.x > target.digit else 0


def _note_units(works: Sequence[_Work]) -> None:
    """Note the units of which the picture leaves no doubt, with or without a space before them."""
    held = [work for work in works if work.spot.unit]
    windows = [work.spot.unit_window for work in held]
    paths = [work.spot.unit_path for work in held]
    tight = [tuple(k for k in path if k != OwnReader.SPACE) for path in paths]
    sums = zip(path_sums(windows, paths), path_sums(windows, tight), strict=True)
    for work, path, bare, (one, other) in zip(held, paths, tight, sums, strict=True):
        if (one if path == bare else one + other) >= _CLEAR:
            work.found.unit = work.spot.unit


def _close(target: Target, around: _Crop, spot: _Spot) -> tuple[Picture, float, _Unread]:
    """Cut the figure close.

    Gives the height of its ink too, 0 if its rows could not be told, and what of that ink stands
    right beside it that was not read: a lost sign, point or digit.
    """
    picture = around.picture
    high, wide = picture.shape[:2]
    margin = _MARGIN * target.digit
    # Signs are of any length: their whole room is shown.
    room = _ROOM * target.digit if spot.after_sign > spot.x0 else margin
    left = max(0, int(max(spot.left, spot.x0 - room)))
    right = max(left + 1, min(wide, int(np.ceil(min(spot.right, spot.x1 + margin)))))
    band = _band(picture[:, left:right], target.height)
    if band is None:
        return picture[:, left:right], 0.0, _left_unread(picture, target, around.x, spot)
    left, right = _clear_of_strokes(picture[band[0] : band[1]], left, right, target.digit, spot)
    margin = _MARGIN * (band[1] - band[0])
    # A comma hangs below the digits' feet.
    top, low = max(0, int(band[0] - margin)), min(high, int(np.ceil(band[1] + 1.5 * margin)))
    unread = _left_unread(picture[top:low], target, around.x, spot)
    return picture[top:low, left:right], float(band[1] - band[0]), unread


def _clear_of_strokes(
    rows: Picture, left: int, right: int, digit: float, spot: _Spot
) -> tuple[int, int]:
    """Move the edges of a cut that go through a stroke out of it, and leave ground beside it.

    Wide and slanted digits reach farther from their middles than others. An edge stays where no
    column without strokes is near: a scene has strokes everywhere.
    """
    spans = np.ptp(rows, axis=0).max(axis=1)
    inked = spans > _STROKED * np.percentile(spans[left:right], 90)
    slant, reach = _SLANT * digit, round(_FARTHER * digit)
    most = min(rows.shape[1], int(np.ceil(spot.right + slant)), right + reach)
    least = max(0, int(spot.left - slant), left - reach)
    margin = max(1, round(_MARGIN * digit))
    right += _out_of_stroke(inked[right - 1 : most], margin)
    left -= _out_of_stroke(inked[least : left + 1][::-1], margin)
    return left, right


def _out_of_stroke(inked: NDArray[np.bool_], margin: int) -> int:
    """Tell how far to go out of a stroke at the first column: ``margin`` beyond it, if there is."""
    if not len(inked) or not inked[0] or inked.all():
        return 0
    end = int(np.argmin(inked))
    room = inked[end : end + margin]
    return end - 1 + (int(np.argmax(room)) if room.any() else len(room))


def _is_busy(around: _Crop, target: Target, spot: _Spot) -> bool:
    """Tell whether a scene is seen above or below a box, beyond a figure's outline and shadow."""
    picture = around.picture
    band = _band(picture[:, max(0, int(spot.x0)) : int(np.ceil(spot.x1))], target.height)
    if band is None:
        return True
    above = int(band[0] - _CLEAR_OF[0] * target.digit)
    below = int(np.ceil(band[1] + _CLEAR_OF[1] * target.digit))
    left, right = (max(0, round(edge - around.x)) for edge in target.box[::2])
    rows = (picture[: max(0, above), left:right], picture[below:, left:right])
    ground = np.concatenate([each.reshape(-1, 3) for each in rows])
    return not _is_even(ground, 10)


def _is_even(ground: NDArray[np.uint8], tail: float) -> bool:
    """Tell whether colours, shape (n, 3), are of no scene but for ``tail`` per cent at either end.

    No colour tells nothing.
    """
    if not len(ground):
        return False
    low, high = np.percentile(ground, (tail, 100 - tail), axis=0)
    return bool((high - low).max() < _BUSY)


def _left_unread(picture: Picture, target: Target, x: float, spot: _Spot) -> _Unread:
    """Tell what ink like the figure's was left unread in its box.

    It is a 'sign' if a net's word that nothing is drawn there is not enough: a scene may show a
    stroke where a sign would stand, and may hide a sign that is there; a 'bar' if it looks like
    one. ``x`` is where the line's picture begins in the target's.
    """
    digit = target.digit
    first, last = max(0, int(spot.after_sign)), int(np.ceil(spot.x1))
    if target.ask.kind == "word" or last - first < 3:
        return ""
    reach, over = (_apart(target.ask) - _HALF) * digit, _OUT * digit
    left = int(max(min(spot.sure_left, spot.x0), spot.x0 - reach, target.box[0] - x - over, 0))
    left = min(left, first)
    right = int(np.ceil(min(spot.sure_right, spot.x1 + reach, target.box[2] - x + over)))
    colours = picture[:, left : max(right, last)].astype(np.float32)
    own = colours[:, first - left : last - left].reshape(-1, 3)
    # Ink is what lies farthest from the middle colour of the digits' columns, their ground.
    ground = np.median(own, axis=0)
    far = np.abs(own - ground).sum(axis=1)
    most = -1 - len(far) // 12
    ink = own[far >= np.partition(far, most)[most]].mean(axis=0)
    off = np.abs(colours - ink).sum(axis=2) / max(1.0, float(np.abs(ink - ground).sum()))
    near = off < _SAME_INK
    count, strokes_at, stats, _ = cv2.connectedComponentsWithStats(
        near.astype(np.uint8), connectivity=8
    )
    begin, after = stats[1:count, 0] + left, stats[1:count, 0] + stats[1:count, 2] + left
    strokes = stats[1:count, 4] >= _DOT * digit**2
    core = _CORE * digit
    beside = strokes & ((after < first + core) | (begin > last - core))
    # A sign that touches its digit reaches out of it.
    out = _JOINED * digit
    beside |= strokes & ((begin < first - out) | (after > last + out))
    if spot.after_sign <= spot.x0:
        held: _Unread = ""
        for at in np.flatnonzero(beside & (begin < first) & target.ask.may_be_signed):
            joined = after[at] >= first + core
            room = strokes_at[:, : int(first if joined else first + core) - left] == at + 1
            if _may_hold_sign(room, digit):
                held = "bar" if held == "bar" or _is_bar(room, digit) else "sign"
        if held:
            return held
        return "ink" if beside.any() else ""
    sign = beside & (after <= first + core) & (begin >= spot.x0 - core)
    drawn = off[:, max(0, int(spot.x0) - left) : first - left]
    clear = bool(np.count_nonzero(drawn < _VERY_INK) >= _DOT * digit**2)
    whole = clear and sign.any() and not (beside & ~sign).any()
    return "" if whole else "sign"


def _may_hold_sign(stroke: NDArray[np.bool_], digit: float) -> bool:
    """Tell whether a stroke, shape (h, w), is low and long as a sign is, or may have one in it.

    A sign upon something of its own colour cannot be told from it.
    """
    rows, columns = np.flatnonzero(stroke.any(axis=1)), np.flatnonzero(stroke.any(axis=0))
    if not len(rows):
        return False
    high, wide = int(rows[-1] - rows[0]) + 1, int(columns[-1] - columns[0]) + 1
    quarter = len(stroke) // 4
    within = int(stroke[quarter : len(stroke) - quarter].sum(axis=1).max())
    long = _BAR[1] * digit
    return (high <= _BAR[0] * digit and wide >= long) or within >= long


def _is_bar(stroke: NDArray[np.bool_], digit: float) -> bool:
    """Tell whether a stroke, shape (h, w), is as flat as a minus sign."""
    rows, columns = np.flatnonzero(stroke.any(axis=1)), np.flatnonzero(stroke.any(axis=0))
    high, wide = int(rows[-1] - rows[0]) + 1, int(columns[-1] - columns[0]) + 1
    return high <= _FLAT_BAR * digit and wide >= _FLAT_BAR * digit


def _shows_nothing_else(line: Columns, around: _Crop, target: Target, spot: _Spot) -> bool:
    """Tell whether a net sees nothing where ink beside a figure was not read: it is the scene's."""
    runs = [(first, after) for k, first, after, _ in line.runs if k != OwnReader.SPACE]
    inside = [run for run in runs if spot.first <= run[0] and run[1] <= spot.after]
    begin, end = inside[0][0], inside[-1][1]
    reach, out = (_apart(target.ask) - _HALF) * target.digit, _OUT * target.digit
    x0, x1 = target.box[0] - out - around.x, target.box[2] + out - around.x
    first = max(
        int(max(x0, begin * line.px - reach, 0) / line.px),
        max((after for _, after in runs if after <= begin), default=0),
    )
    last = min(
        int(np.ceil(min(x1, end * line.px + reach) / line.px)),
        min((after for after, _ in runs if after >= end), default=len(line.probabilities)),
    )
    empty = line.probabilities[:, [0, OwnReader.SPACE]].sum(axis=1)
    beside = empty[first:begin].prod(), empty[end:last].prod()
    return bool(min(beside) >= _EMPTY)


def _band(picture: Picture, height: float) -> tuple[int, int] | None:
    """Find the rows that hold strokes; None unless they are about as many as expected."""
    if picture.shape[0] < 4 or picture.shape[1] < 3:
        return None
    red, green, blue = cv2.split(cv2.absdiff(picture[:, 1:], picture[:, :-1]))
    step = cv2.max(cv2.max(red, green), blue)
    counts = cv2.calcHist([step], [0], None, [256], [0, 256]).cumsum()
    steepest = int(np.searchsorted(counts, 0.98 * counts[-1]))
    if steepest < _FLAT:
        return None
    rows = np.flatnonzero((step > _ROW * steepest).any(axis=1))
    top, low = int(rows[0]), int(rows[-1]) + 1
    if height and not 0.75 * height < low - top < 1.45 * height:
        return None
    return top, low
