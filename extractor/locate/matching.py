"""From first peaks to a layout found: landmarks are added one by one, each narrows the next.

A hypothesis starts with one picture (or with words). The fit of the landmarks found so far predicts
where the next one lies and how well that is known; only there it is looked for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from extractor.locate.anchors import Anchor, Peak, coarse
from extractor.locate.frame import Frame
from extractor.locate.layout import Layout
from extractor.locate.pictures import Picture, Sight
from extractor.locate.pose import Axis, Mark, Pose, ScaleMark
from extractor.locate.traits import find_edge, shows_colour
from extractor.locate.words import WordSight, ink_box, sights, starts
from extractor.reading.interface import WordAt
from extractor.records import Box

_SEEN = 0.62
"""Least correlation of a picture that counts as seen at a place predicted by others."""
_MEAN = 0.82
"""Least mean correlation of all pictures and words of a layout found. Where a layout is shown it is
0.83 at least (a list on the bare scene; 3 900 finds), in scenes mere signs reach 0.81."""
_FAINT = 0.4
"""Least correlation of a picture that was not seen with what is drawn in its place, blurred say."""
_SEED = 0.55
_ROUGH = 0.35
_PEAKS = 10
_LONG = 8.0
"""Widths of a picture, in heights of its letters, from which scales between steps are tried."""
_BETWEEN = (1.0, 1 / 1.027, 1.027)
_UNALIKE = 0.12
"""A landmark whose correlation is this far below the others' median shows something else."""
_TOLD = 0.7
"""Least share of a label that must lie on the frame to say whose figure stands beside it."""
_COMPLETE = 0.93
_GIVE_UP = 4
_EXTENT = 0.35
"""Error of a picture's two ends against each other, px: what its own size says of the scale."""
_EDGE = 0.35
"""One sigma of an edge's place, px: a border beside it and coding pull on it."""
_WORD = 0.06
"""One sigma of a word's box as readers find it, in heights of the word."""
_INK = 0.3
"""One sigma of the middle of a word's own ink, px."""
_BY_HAND = 0.7
"""One sigma of the box that a person draws close around a word, px of the drawing."""
_LOPSIDED = 0.3
"""One sigma of the middle of a box that is not drawn close, in widths of its margin."""


@dataclass(frozen=True, slots=True)
class Match:
    """A layout on a frame: the fit and, by landmark's name, how well each was seen.

    ``missing`` are pictures and words that should lie on the frame but were not seen; ``faint``
    those of them that something drawn in their place resembles. ``cut`` were seen, but so much of
    them is cut off that the rest may belong to another label. ``short`` of one landmark: a line
    that reads as its pattern must make up for it.
    """

    layout: Layout
    pose: Pose
    scores: dict[str, float]
    missing: frozenset[str]
    faint: frozenset[str] = frozenset()
    cut: frozenset[str] = frozenset()
    short: bool = False

    @property
    def score(self) -> float:
        """Mean correlation of the pictures and likeness of the words seen."""
        return float(np.mean(list(self.scores.values()))) if self.scores else 0.0

    @property
    def worth(self) -> float:
        """What counts in the choice between hypotheses: landmarks seen, less those missing."""
        return sum(self.scores.values()) - 0.5 * len(self.missing)

    def box(self, part: str, drawn: Box, x_part: str | None = None) -> Box | None:
        """Where a box of the drawing lies on the frame; None when its part was not found."""
        across = x_part or part
        if not self.pose.knows(across, "x") or not self.pose.knows(part, "y"):
            return None
        x, _ = self.pose.at(across, "x", drawn.x)
        y, _ = self.pose.at(part, "y", drawn.y)
        return Box(x, y, drawn.w * self.pose.scale, drawn.h * self.pose.scale)


@dataclass
class _Growth:
    """Landmarks found so far; ``common`` is the error that all words share, px of the drawing."""

    sights: dict[str, Sight] = field(default_factory=dict)
    words: dict[str, WordSight] = field(default_factory=dict)
    traits: dict[str, Mark | None] = field(default_factory=dict)
    scale_marks: list[ScaleMark] = field(default_factory=list)
    common: float = 0.0

    def marks(self, layout: Layout) -> Iterator[Mark]:
        for picture in layout.pictures:
            sight = self.sights.get(picture.name)
            if sight:
                x, y = picture.centre
                yield Mark(picture.name, picture.part, "x", x, sight.x)
                yield Mark(picture.name, picture.part, "y", y, sight.y)
        for name, word in self.words.items():
            drawn, part = layout.boxes[name], word.landmark.part
            sigma = _INK if word.inked else _WORD * word.box.h
            middle, seen = drawn.x + drawn.w / 2, word.box.x + word.box.w / 2
            yield Mark(name, part, "x", middle, seen, sigma)
            middle, seen = drawn.y + drawn.h / 2, word.box.y + word.box.h / 2
            yield Mark(name, part, "y", middle, seen, sigma)
        yield from (mark for mark in self.traits.values() if mark)

    def pose(self, layout: Layout) -> Pose:
        return Pose(self.marks(layout), self.scale_marks, 0.0 if self.sights else self.common)


def _scale_mark(picture: Picture, sight: Sight) -> ScaleMark:
    half = max(picture.box[2] * sight.share, picture.box[3]) / 2
    return ScaleMark(sight.scale, _EXTENT * float(np.hypot(1, sight.scale)) / half)


def find(
    frame: Frame, layouts: Sequence[Layout], words: Callable[[], Sequence[WordAt]]
) -> list[Match | None]:
    """The best match of each layout anywhere on the frame, or None.

    A layout's next group of pictures is only looked for if the ones before did not settle it.
    """
    best: list[Match | None] = [None for _ in layouts]
    unsettled = [at for at, layout in enumerate(layouts) if layout.anchors]
    order = 0
    while unsettled:
        anchors = [(layouts[at].anchors[order], layouts[at].scales) for at in unsettled]
        for at, peaks in zip(unsettled, coarse(frame, anchors, _PEAKS), strict=True):
            anchor = layouts[at].anchors[order]
            best[at] = _at_peaks(frame, layouts[at], anchor, peaks, best[at], words)
        order += 1
        unsettled = [
            at
            for at in unsettled
            if order < len(layouts[at].anchors) and not _settled(layouts[at], best[at])
        ]
    return [
        _find_words(frame, layout, words()) if match is None and layout.words else match
        for layout, match in zip(layouts, best, strict=True)
    ]


def _settled(layout: Layout, match: Match | None) -> bool:
    return match is not None and (match.worth > layout.needs or _complete(match))


def _complete(match: Match | None) -> bool:
    return match is not None and not match.missing and match.score > _COMPLETE


def _at_peaks(
    frame: Frame,
    layout: Layout,
    anchor: Anchor,
    peaks: Sequence[Peak],
    best: Match | None,
    words: Callable[[], Sequence[WordAt]],
) -> Match | None:
    """The better of ``best`` and what grows from the peaks of one group."""
    for peak in peaks:
        if best and _covers(best, anchor, peak):
            continue
        growth = _seed(frame, layout, anchor, peak)
        if growth is None:
            continue
        best = _better(best, _grown(frame, layout, growth, words))
        if _complete(best):
            break
    return best


def _seed(frame: Frame, layout: Layout, anchor: Anchor, peak: Peak) -> _Growth | None:
    """The first picture of a group that is seen at a peak of the coarse search."""
    cell = peak.scale / anchor.cells
    for picture in sorted(anchor.pictures, key=lambda p: -p.box[2] * p.box[3])[:2]:
        x, y = (
            start + peak.scale * middle
            for start, middle in zip((peak.x, peak.y), picture.centre, strict=True)
        )
        reach = (1.6 * cell, 1.6 * cell)
        # half a step of scale puts the ends of a long text by more than a stroke off
        between = _BETWEEN if picture.box[2] > _LONG * picture.letters else (1.0,)
        rough = max(
            (picture.search(frame, peak.scale * by, x, y, reach) for by in between),
            key=lambda sight: sight.score,
        )
        if rough.score < _ROUGH:
            continue
        sight = picture.align(frame, rough, with_scale=True)
        if sight and sight.score >= _SEED and _allowed(layout, sight.scale):
            return _Growth({picture.name: sight}, {}, {}, [_scale_mark(picture, sight)])
    return None


def _covers(match: Match, anchor: Anchor, peak: Peak) -> bool:
    """Whether a peak is the place where the layout was found already."""
    if not match.pose.knows(anchor.part, "x") or not match.pose.knows(anchor.part, "y"):
        return False
    x, y = anchor.pictures[0].centre
    at_x = match.pose.at(anchor.part, "x", x)[0] - (peak.x + peak.scale * x)
    at_y = match.pose.at(anchor.part, "y", y)[0] - (peak.y + peak.scale * y)
    return max(abs(at_x), abs(at_y)) < 0.5 * anchor.letters * peak.scale + 4


def again(frame: Frame, last: Match) -> Match | None:
    """The match of the frame before, looked for at its own place alone; None if it has changed."""
    layout, growth = last.layout, _Growth()
    for picture in layout.pictures:
        if picture.name not in last.scores:
            continue
        x, error = last.pose.at(picture.part, "x", picture.centre[0])
        y, _ = last.pose.at(picture.part, "y", picture.centre[1])
        reach = 2 * error + 1
        rough = picture.search(frame, last.pose.scale, x, y, (reach, reach))
        sight = picture.align(frame, rough) if rough.score > _SEED else None
        if sight is None or sight.score < last.scores[picture.name] - _UNALIKE:
            return None
        growth.sights[picture.name] = sight
        if len(last.scores) <= 2:
            own = picture.align(frame, sight, with_scale=True)
            if own:
                growth.scale_marks.append(_scale_mark(picture, own))
    if not growth.sights:
        return None
    try:
        start = growth.pose(layout)
    except ValueError:
        return None
    match = _finished(frame, layout, growth, start)
    if match is None or not set(last.scores) <= set(match.scores):
        return None
    return match


def _allowed(layout: Layout, scale: float) -> bool:
    return 0.93 * layout.scales[0] <= scale <= 1.07 * layout.scales[1]


def _better(first: Match | None, second: Match | None) -> Match | None:
    if first is None or second is None:
        return first or second
    return second if second.worth > first.worth else first


def _grown(
    frame: Frame, layout: Layout, growth: _Growth, words: Callable[[], Sequence[WordAt]]
) -> Match | None:
    """Add every other landmark that is seen where the ones found so far predict it."""
    seed = next(picture for picture in layout.pictures if picture.name in growth.sights)
    pose = _add_pictures(frame, layout, growth, seed.part, _GIVE_UP)
    if pose is None or not _allowed(layout, pose.scale):
        return None
    for part in dict.fromkeys(picture.part for picture in layout.pictures):
        if part != seed.part:
            _hunt(frame, layout, growth, part, seed.part)
    return _finished(frame, layout, growth, growth.pose(layout), words)


def _add_pictures(
    frame: Frame, layout: Layout, growth: _Growth, part: str, give_up: int | None
) -> Pose | None:
    pose = growth.pose(layout)
    near = [p for p in layout.pictures if p.part == part and p.name in growth.sights]
    rest = [p for p in layout.pictures if p.part == part and p.name not in growth.sights]
    tried = 0
    while rest:
        picture = min(rest, key=lambda p: min(_distance(p, other) for other in near))
        rest.remove(picture)
        sight = _seen_at(frame, picture, pose)
        if sight:
            growth.sights[picture.name] = sight
            near.append(picture)
            pose = growth.pose(layout)
        elif _expected(frame, picture, pose):
            tried += 1
            if give_up and tried >= give_up and len(near) == 1 and layout.needs > 1:
                return None
    return pose


def _distance(first: Picture, second: Picture) -> float:
    return float(np.hypot(*np.subtract(first.centre, second.centre)))


def _expected(frame: Frame, picture: Picture, pose: Pose) -> bool:
    x, _ = pose.at(picture.part, "x", picture.centre[0])
    y, _ = pose.at(picture.part, "y", picture.centre[1])
    return picture.inside(frame, pose.scale, x, y)


def _seen_at(frame: Frame, picture: Picture, pose: Pose) -> Sight | None:
    x, error_x = pose.at(picture.part, "x", picture.centre[0])
    y, error_y = pose.at(picture.part, "y", picture.centre[1])
    if not picture.shows(frame, pose.scale, x, y):
        return None
    reach = (3 * error_x + 1, 3 * error_y + 1)
    sight = picture.search(frame, pose.scale, x, y, reach)
    if sight.score < _SEED:
        return None
    aligned = picture.align(frame, sight)
    return aligned if aligned and aligned.score >= _SEEN else None


def _hunt(frame: Frame, layout: Layout, growth: _Growth, part: str, seed: str) -> None:
    """Look for a part that may have moved against the others: same scale, anywhere on the frame.

    Among places that fit about equally well the one that moved least counts, sideways moves
    (a wider screen) as a fifth of others.
    """
    pose = growth.pose(layout)
    pictures = sorted(
        (p for p in layout.pictures if p.part == part), key=lambda p: -p.box[2] * p.box[3]
    )
    taken = [(sight.x, sight.y) for sight in growth.sights.values()]
    options: list[tuple[float, float, _Growth]] = []
    for picture in pictures[:2]:
        anchor = layout.singles.get(picture.name)
        for peak in anchor.peaks_at(frame, pose.scale, 6) if anchor else ():
            x, y = (
                peak.x + pose.scale * picture.centre[0],
                peak.y + pose.scale * picture.centre[1],
            )
            rough = picture.search(frame, pose.scale, x, y, (3.0, 3.0))
            sight = picture.align(frame, rough) if rough.score > _SEED else None
            if sight is None or sight.score < _SEEN:
                continue
            near = picture.box[3] * pose.scale / 2
            if any(abs(sight.x - x) < near and abs(sight.y - y) < near for x, y in taken):
                continue
            option = replace(growth, sights={**growth.sights, picture.name: sight})
            _add_pictures(frame, layout, option, part, None)
            own = sum(option.sights[p.name].score for p in pictures if p.name in option.sights)
            right = sight.x - pose.at(seed, "x", picture.centre[0])[0]
            down = sight.y - pose.at(seed, "y", picture.centre[1])[0]
            options.append((own, abs(right) / 5 + abs(down), option))
        if options:
            break
    if options:
        most = max(own for own, _, _ in options)
        good = [option for option in options if option[0] > most - 0.1]
        growth.sights = min(good, key=lambda option: option[1])[2].sights


def _finished(  # noqa: PLR0912  one step after the other
    frame: Frame,
    layout: Layout,
    growth: _Growth,
    pose: Pose,
    words: Callable[[], Sequence[WordAt]] | None = None,
) -> Match | None:
    """All landmarks once more at the common scale, outliers out, edges and colours added."""
    for _ in range(2):
        for picture in layout.pictures:
            if not pose.knows(picture.part, "x") or not pose.knows(picture.part, "y"):
                continue
            sight = growth.sights.get(picture.name)
            if sight:
                sight = picture.align(frame, replace(sight, scale=pose.scale))
            else:
                sight = _seen_at(frame, picture, pose)
            if sight and sight.score >= _SEEN:
                growth.sights[picture.name] = sight
            else:
                growth.sights.pop(picture.name, None)
        _drop_outliers(layout, growth)
        if not growth.sights and not growth.words:
            return None
        try:
            pose = growth.pose(layout)
        except ValueError:
            return None
    if len(growth.sights) >= 3:
        growth.scale_marks = []
        try:
            pose = growth.pose(layout)
        except ValueError:
            return None
    for edge in layout.edges:
        _add_edge(frame, layout, growth, pose, edge.name)
    pose = growth.pose(layout)
    match = Match(layout, pose, {}, frozenset())
    for landmark in layout.colours:
        box = match.box(landmark.part, layout.boxes[landmark.name])
        if box and shows_colour(frame, landmark, box):
            growth.traits[landmark.name] = None
    if words is not None and layout.words and _count(growth) < layout.needs:
        _confirm_words(layout, growth, match, words())
        pose = growth.pose(layout)
    return _judged(frame, layout, growth, pose)


def _count(growth: _Growth) -> int:
    return len(growth.sights) + len(growth.words) + len(growth.traits)


def _judged(frame: Frame, layout: Layout, growth: _Growth, pose: Pose) -> Match | None:
    scores = {name: sight.score for name, sight in growth.sights.items()}
    scores |= {name: word.likeness for name, word in growth.words.items()}
    match = Match(layout, pose, scores, frozenset())
    expected = set()
    for landmark in layout.calibration.landmark:
        if landmark.sort not in ("picture", "word"):
            continue
        if landmark.sort == "word" and not growth.words:
            continue
        box = match.box(landmark.part, layout.boxes[landmark.name])
        if box and frame.holds(box):
            expected.add(landmark.name)
    short = min(layout.needs, len(layout.calibration.landmark)) - _count(growth)
    if not _allowed(layout, pose.scale) or short > (1 if layout.calibration.line else 0):
        return None
    if not scores or match.score < _MEAN:
        return None
    missing = frozenset(expected - set(scores))
    faint = frozenset(
        picture.name
        for picture in layout.pictures
        if picture.name in missing and _resembled(frame, picture, pose)
    )
    cut = frozenset(name for name, sight in growth.sights.items() if sight.share < _TOLD)
    return Match(layout, pose, scores, missing, faint, cut, short > 0)


def _resembled(frame: Frame, picture: Picture, pose: Pose) -> bool:
    x, error_x = pose.at(picture.part, "x", picture.centre[0])
    y, error_y = pose.at(picture.part, "y", picture.centre[1])
    sight = picture.search(frame, pose.scale, x, y, (error_x + 1, error_y + 1))
    return sight.score >= _FAINT


def _drop_outliers(layout: Layout, growth: _Growth) -> None:
    """Take out landmarks that show something else, then the one that lies worst, repeatedly."""
    if len(growth.sights) >= 3:
        usual = float(np.median([sight.score for sight in growth.sights.values()]))
        for name, sight in list(growth.sights.items()):
            if sight.score < usual - _UNALIKE:
                del growth.sights[name]
    while len(growth.sights) + len(growth.words) >= 3:
        try:
            pose = growth.pose(layout)
        except ValueError:
            return
        worst, residual = max(pose.residuals.items(), key=lambda item: abs(item[1]))
        if abs(residual) < 5:
            return
        growth.sights.pop(worst.landmark, None)
        growth.words.pop(worst.landmark, None)
        growth.traits.pop(worst.landmark, None)


def _add_edge(frame: Frame, layout: Layout, growth: _Growth, pose: Pose, name: str) -> None:
    landmark = next(edge for edge in layout.edges if edge.name == name)
    side, drawn = landmark.side or "left", layout.boxes[name]
    upright, first_side = side in ("left", "right"), side in ("left", "top")
    axis: Axis = "x" if upright else "y"
    other: Axis = "y" if upright else "x"
    guide, along = pose.guide(landmark.part, axis), pose.guide(landmark.part, other)
    if guide is None or along is None:
        return
    near, far = (drawn.x, drawn.right) if upright else (drawn.y, drawn.bottom)
    line = near if first_side else far
    place, error = pose.at(guide, axis, line)
    roams = guide != landmark.part
    reach = 3 * error + 2
    if roams:
        # the part may have moved any way: outwards from the landmarks seen to the frame's edge
        seen = [mark.seen for mark in pose.marks if mark.axis == axis]
        limit = frame.width if upright else frame.height
        place = min(seen) if first_side else max(seen)
        reach = place if first_side else limit - place
    start = pose.at(along, other, drawn.y if upright else drawn.x)[0]
    thick, length = (far - near) * pose.scale, (drawn.h if upright else drawn.w) * pose.scale
    corner = place if first_side else place - thick
    box = Box(corner, start, thick, length) if upright else Box(start, corner, length, thick)
    found = find_edge(frame, side, box, reach, first=roams)
    if found is not None:
        growth.traits[name] = Mark(name, landmark.part, axis, line, found, _EDGE)


# ---------------------------------------------------------------- words


def _find_words(frame: Frame, layout: Layout, words: Sequence[WordAt]) -> Match | None:
    found = [_inked(frame, sight) for sight in sights(words, layout.words)]
    best: Match | None = None
    for scale, x, y in starts(found):
        if not _allowed(layout, scale):
            continue
        growth = _Growth()
        for sight in found:
            drawn = sight.landmark.box
            centre = (x + scale * (drawn[0] + drawn[2] / 2), y + scale * (drawn[1] + drawn[3] / 2))
            off = np.subtract(
                (sight.box.x + sight.box.w / 2, sight.box.y + sight.box.h / 2), centre
            )
            if np.abs(off).max() < 0.6 * sight.box.h:
                known = growth.words.get(sight.landmark.name)
                if known is None or known.likeness < sight.likeness:
                    growth.words[sight.landmark.name] = sight
        for sight in growth.words.values():
            own = sight.box.w / sight.landmark.box[2]
            growth.scale_marks.append(ScaleMark(own, 2 * _WORD * own))
        try:
            growth.common = _shared_error(growth, growth.pose(layout).scale)
            pose = growth.pose(layout)
        except ValueError:
            continue
        best = _better(best, _finished(frame, layout, growth, pose))
    return best


def _inked(frame: Frame, sight: WordSight) -> WordSight:
    box = ink_box(frame, sight.box)
    return replace(sight, box=box, inked=True) if box else sight


def _shared_error(growth: _Growth, scale: float) -> float:
    """One sigma of what all words are off alike, px of the drawing: all boxes are drawn alike."""
    inked = [word for word in growth.words.values() if word.inked]
    if len(inked) < 2:
        return _WORD * float(np.median([word.box.h for word in growth.words.values()])) / scale
    margins = [
        abs(drawn - ink / scale) / 2
        for word in inked
        for drawn, ink in ((word.landmark.box[2], word.box.w), (word.landmark.box[3], word.box.h))
    ]
    return float(np.hypot(_BY_HAND, _LOPSIDED * max(0.0, float(np.median(margins)) - 1)))


def _confirm_words(layout: Layout, growth: _Growth, match: Match, words: Sequence[WordAt]) -> None:
    """Add words that were read where the pictures found predict them."""
    for sight in sights(words, layout.words):
        box = match.box(sight.landmark.part, layout.boxes[sight.landmark.name])
        if box and box.overlap(sight.box) > 0.5 * min(box.w * box.h, sight.box.w * sight.box.h):
            growth.words[sight.landmark.name] = sight
