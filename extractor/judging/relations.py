"""Relations between the figures of one capture: held, broken, or retired on a device."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from statistics import median

from extractor.calibration.model import Calibration, Readout, Relation
from extractor.calibration.relation import (
    Interval,
    ParsedRelation,
    RelationCheck,
    parse_relation,
)
from extractor.judging.entries import Entry
from extractor.judging.evidence import RELATION_ODDS, Rival, RunEvidence, rivals
from extractor.judging.forms import number
from extractor.records import NeighbourKind, Sighting
from extractor.values import Value

RETIRE_SHARE = 0.1
"""A relation that fails on a larger share of a device's captures does not hold there."""

RETIRE_LEAST = 3
"""Fewest different failures that retire a relation.

One failure in four captures is a quarter and yet most likely a misreading. Three figures misread
independently by a reader that is wrong once in a thousand are a billion to one, so with three
different failures it is the relation that is wrong. Frames of a recording that show the same
figures count once: they would be misread alike."""

AS_LIKELY = 1e-3
"""A mend this much less likely than the likeliest one excuses its readout."""

_SAMPLE = 60
_BY_POINT: tuple[NeighbourKind, ...] = ("lost-point", "lost-sign")

Figures = dict[str, Interval]
_Cells = tuple[float, ...]


@dataclass(slots=True, eq=False)
class _Held:
    """A relation of a layout on one device, and its checks by the figures they hold for."""

    layout: Calibration
    relation: Relation
    parsed: ParsedRelation
    device: str
    names: tuple[str, ...]
    readouts: frozenset[str]
    checks: dict[_Cells, RelationCheck] = field(default_factory=dict)
    trusted: dict[_Cells, Broken | None] = field(default_factory=dict)
    made: int = 0
    total: int = 0
    retired: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Broken:
    """A relation that does not hold on a sighting: the entries it names and the check."""

    held: _Held
    check: RelationCheck
    entries: tuple[Entry, ...]

    def __str__(self) -> str:
        sides = f"{number(self.check.left)} {self.check.comparison} {number(self.check.right)}"
        ratio = f", ratio {self.check.ratio:.4g}" if self.check.ratio == self.check.ratio else ""
        return f"{self.held.relation.that} within {self.held.relation.within} gives {sides}{ratio}"


class Relations:
    """All relations of the layouts in use, held against every sighting."""

    def __init__(self, sightings: Sequence[Sighting], entered: Sequence[Sequence[Entry]]) -> None:
        self._held: dict[tuple[str, str, int], _Held] = {}
        self._of_layout: dict[str, list[tuple[int, Relation, ParsedRelation]]] = {}
        self._figures: dict[tuple[int, str], tuple[Figures, list[_Held]]] = {}
        broken: list[Broken] = []
        for sighting, entries in zip(sightings, entered, strict=True):
            by_layout: dict[str, list[Entry]] = defaultdict(list)
            for entry in entries:
                if entry.layout.relation:
                    by_layout[entry.layout.id].append(entry)
            for group in by_layout.values():
                broken += self._hold(sighting, group)
        for held in self._held.values():
            held.retired = _retire(held)
        self.broken = [each for each in broken if not each.held.retired]
        """The relations that do not hold and are not retired."""

    def odds(self, entry: Entry, values: Sequence[Value]) -> float:
        """How much likelier the relations make ``values`` than the entry's own figure."""
        figures, held = self._figures.get((entry.at, entry.layout.id), ({}, []))
        odds = 1.0
        for each in held:
            if each.retired or entry.readout.name not in each.readouts:
                continue
            now = _check(each, figures)
            then = each.parsed.check(_with(figures, entry, values))
            if "not-made" not in (now.outcome, then.outcome) and now.outcome != then.outcome:
                odds *= RELATION_ODDS if then.outcome == "holds" else 1 / RELATION_ODDS
        return odds

    def notices(self) -> Iterator[str]:
        """Say which relations are retired and which could not be checked everywhere."""
        unmade: Counter[tuple[str, str]] = Counter()
        totals: Counter[tuple[str, str]] = Counter()
        for held in self._held.values():
            key = (held.layout.name, held.relation.that)
            unmade[key] += held.total - held.made
            totals[key] += held.total
            if held.retired:
                failing = [each.check for each in held.trusted.values() if each is not None]
                ratios = [each.ratio for each in failing if each.ratio == each.ratio]
                middle = f", median ratio of its sides {median(ratios):.4g}" if ratios else ""
                yield (
                    f"{held.layout.name} on {held.device}: {held.relation.that} fails on "
                    f"{len(failing)} of {len(held.trusted)} different sets of figures{middle}; it "
                    "does not hold there and flags nothing"
                )
        for (layout, that), count in unmade.items():
            if count:
                yield (
                    f"{layout}: {that} could not be checked on {count} of {totals[layout, that]} "
                    "captures, because a figure has no value or may be 0"
                )

    def _hold(self, sighting: Sighting, entries: Sequence[Entry]) -> Iterator[Broken]:
        layout = entries[0].layout
        figures: Figures = {}
        for entry in entries:
            for value in entry.form.values:
                figures[entry.readout.name + value.suffix] = _interval(entry.readout, value)
        helds = [
            self._held_on(layout, order, relation, parsed, sighting)
            for order, relation, parsed in self._parsed(layout)
        ]
        self._figures[entries[0].at, layout.id] = (figures, helds)
        for held in helds:
            held.total += 1
            check = _check(held, figures)
            if check.outcome == "not-made":
                continue
            held.made += 1
            concerned = tuple(each for each in entries if each.readout.name in held.readouts)
            broken = Broken(held, check, concerned) if check.outcome == "fails" else None
            if all(each.trusted for each in concerned):
                held.trusted.setdefault(_cells(held, figures), broken)
            if broken is not None:
                yield broken

    def _parsed(self, layout: Calibration) -> list[tuple[int, Relation, ParsedRelation]]:
        parsed = self._of_layout.get(layout.id)
        if parsed is None:
            parsed = self._of_layout[layout.id] = [
                (order, each, parse_relation(each.that, each.within))
                for order, each in enumerate(layout.relation)
            ]
        return parsed

    def _held_on(
        self,
        layout: Calibration,
        order: int,
        relation: Relation,
        parsed: ParsedRelation,
        sighting: Sighting,
    ) -> _Held:
        capture = sighting.capture
        device = sighting.facts.get("device") or f"{capture.width} x {capture.height} px"
        key = (device, layout.id, order)
        held = self._held.get(key)
        if held is None:
            names = parsed.names
            readouts = frozenset(each.partition(".")[0] for each in names)
            held = _Held(layout, relation, parsed, device, names, readouts)
            self._held[key] = held
        return held


def blamed(
    broken: Broken, run: RunEvidence, relations: Relations
) -> list[tuple[Entry, Rival | None]]:
    """Return the readings a broken relation flags, each with the text that would mend it.

    They are those with a mend, but for mends that picture, run and other relations make a thousand
    times less likely than the best; if nothing mends it, all. What a person decided is not blamed.
    """
    suspects = [each for each in broken.entries if not each.certain]
    mends: list[tuple[float, Entry, Rival]] = []
    for entry in suspects:
        found = [
            (
                rival.picture * run.odds(entry, rival.values) * relations.odds(entry, rival.values),
                entry,
                rival,
            )
            for rival in _menders(broken, entry)
        ]
        if found:
            mends.append(max(found, key=lambda each: each[0]))
    if not mends:
        return [(entry, None) for entry in suspects]
    best = max(odds for odds, _, _ in mends)
    return [(entry, rival) for odds, entry, rival in mends if odds >= AS_LIKELY * best]


def _menders(broken: Broken, entry: Entry) -> list[Rival]:
    """Rivals that make the relation hold; those with the point or sign elsewhere go first."""
    figures = _figures_of(broken)
    all_rivals = list(rivals(entry, every_slip=True))
    for part in (
        [each for each in all_rivals if each.kind != "other-digit"],
        [each for each in all_rivals if each.kind == "other-digit"],
    ):
        mending = [
            each
            for each in part
            if broken.held.parsed.check(_with(figures, entry, each.values)).outcome == "holds"
        ]
        if mending:
            return mending
    return []


def _retire(held: _Held) -> bool:
    """Tell whether a relation does not hold on its device.

    A relation that most often fails by a decimal point or a sign is kept: figures that all lost
    their point would retire the very check that sees it.
    """
    failing = [each for each in held.trusted.values() if each is not None]
    if len(failing) < RETIRE_LEAST or len(failing) <= RETIRE_SHARE * len(held.trusted):
        return False
    sample = failing[:: -(-len(failing) // _SAMPLE)]
    by_point = sum(any(_mended_by_point(each, entry) for entry in each.entries) for each in sample)
    return 2 * by_point <= len(sample)


def _mended_by_point(broken: Broken, entry: Entry) -> bool:
    figures = _figures_of(broken)
    return not entry.certain and any(
        slip.kind in _BY_POINT
        and broken.held.parsed.check(_with(figures, entry, slip.values)).outcome == "holds"
        for slip in entry.forms.slips(entry.reading.text).values()
    )


def _figures_of(broken: Broken) -> Figures:
    return {
        entry.readout.name + value.suffix: _interval(entry.readout, value)
        for entry in broken.entries
        for value in entry.form.values
    }


def _interval(readout: Readout, value: Value) -> Interval:
    """A figure give or take one unit in its last place."""
    last_place = value.half_width if readout.rounding == "down" else 2 * value.half_width
    return Interval.of(value.value, last_place)


def _with(figures: Figures, entry: Entry, values: Sequence[Value]) -> Figures:
    changed = dict(figures)
    for value in values:
        changed[entry.readout.name + value.suffix] = _interval(entry.readout, value)
    return changed


def _check(held: _Held, figures: Figures) -> RelationCheck:
    cells = _cells(held, figures)
    check = held.checks.get(cells)
    if check is None:
        check = held.checks[cells] = held.parsed.check(figures)
    return check


def _cells(held: _Held, figures: Figures) -> _Cells:
    cells: list[float] = []
    for name in held.names:
        figure = figures.get(name)
        cells += (figure.value, figure.high) if figure else (float("inf"),)
    return tuple(cells)
