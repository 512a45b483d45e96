"""Relations between the figures of one capture: held, broken, or retired on a device."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from math import isnan
from statistics import median
from typing import TypeAlias

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
from extractor.judging.in_layout import device_of
from extractor.records import Sighting
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

Figures = dict[str, Interval]
_Cells = tuple[float, ...]


@dataclass(slots=True, eq=False)
class _Held:
    """A relation of a layout on one device.

    ``sets`` are the different sets of trusted figures it could be held against, each with the
    entries of the first sighting that showed them. ``turned`` is the readout whose sign the device
    draws the other way round, '' if none.
    """

    layout: Calibration
    relation: Relation
    device: str
    parsed: ParsedRelation
    names: tuple[str, ...]
    readouts: tuple[str, ...]
    sets: dict[_Cells, tuple[Figures, tuple[Entry, ...]]] = field(default_factory=dict)
    checks: dict[_Cells, RelationCheck] = field(default_factory=dict)
    made: int = 0
    total: int = 0
    turned: str = ""
    retired: bool = False
    failed: tuple[RelationCheck, ...] = ()

    def check(self, figures: Figures, cells: _Cells) -> RelationCheck:
        """Hold the relation against figures, each set of them once."""
        check = self.checks.get(cells)
        if check is None:
            check = self.checks[cells] = self.check_new(figures)
        return check

    def check_new(self, figures: Figures) -> RelationCheck:
        """Hold the relation against figures that will hardly come again."""
        return self.parsed.check(_turn(figures, self.turned) if self.turned else figures)

    def note(self, figures: Figures, cells: _Cells, entries: tuple[Entry, ...]) -> None:
        """Count one sighting's figures."""
        self.total += 1
        if self.check(figures, cells).outcome == "not-made":
            return
        self.made += 1
        if cells not in self.sets and all(entry.trusted for entry in entries):
            self.sets[cells] = (figures, entries)

    def settle(self, turned_elsewhere: str = "") -> None:
        """Find out whether the device draws a sign otherwise, and whether the relation holds.

        ``turned_elsewhere`` is the readout whose sign another layout of the device turns in the
        same relation: it is turned here too if that mends all that fails.
        """
        failing = self._failing()
        self.turned = self._sign(failing)
        if turned_elsewhere and not self.turned and self._all_mended(failing, turned_elsewhere):
            self.turned = turned_elsewhere
        if self.turned:
            self.checks.clear()
            failing = self._failing()
        self.failed = tuple(self.check_new(figures) for figures, _ in failing)
        self.retired = (
            len(failing) >= RETIRE_LEAST
            and len(failing) > RETIRE_SHARE * len(self.sets)
            and not self._points_lost(failing)
        )

    def _failing(self) -> list[tuple[Figures, tuple[Entry, ...]]]:
        return [
            each
            for cells, each in self.sets.items()
            if self.check(each[0], cells).outcome == "fails"
        ]

    def _sign(self, failing: Sequence[tuple[Figures, tuple[Entry, ...]]]) -> str:
        """Name the readout whose other sign mends all sets but a tenth (or but one).

        The one that is drawn negative most often goes first.
        """
        enough = max(RETIRE_LEAST, len(self.sets) - max(1, RETIRE_SHARE * len(self.sets)))
        if len(failing) < enough:
            return ""
        negative = {
            name: sum(figures[name].value < 0 for figures, _ in failing) for name in self.names
        }
        for name in sorted(self.names, key=lambda each: -negative[each]):
            mended = sum(
                self.parsed.check(_turn(figures, name)).outcome == "holds" for figures, _ in failing
            )
            if mended >= enough:
                return name
        return ""

    def _all_mended(self, failing: Sequence[tuple[Figures, tuple[Entry, ...]]], name: str) -> bool:
        """Tell whether the other sign of one readout mends every failing set; False if none."""
        return bool(failing) and all(
            self.parsed.check(_turn(figures, name)).outcome == "holds" for figures, _ in failing
        )

    def _points_lost(self, failing: Sequence[tuple[Figures, tuple[Entry, ...]]]) -> bool:
        """Tell whether most failures are mended by moving a decimal point.

        Such a relation is kept: figures that all lost their point would else retire the very check
        that sees it.
        """
        sample = failing[:: -(-len(failing) // _SAMPLE)]
        mended = sum(
            any(
                slip.kind == "lost-point"
                and self.check_new(_with(figures, entry, slip.values)).outcome == "holds"
                for entry in entries
                if not entry.certain
                for slip in entry.forms.slips(entry.reading.text).values()
            )
            for figures, entries in sample
        )
        return 2 * mended > len(sample)

    def cells(self, figures: Figures) -> _Cells:
        """What tells one set of the relation's figures from another."""
        cells: list[float] = []
        for name in self.names:
            figure = figures.get(name)
            cells += (figure.value, figure.high) if figure else (float("inf"),)
        return tuple(cells)


_Place: TypeAlias = tuple[_Held, Figures, _Cells, tuple[Entry, ...]]


@dataclass(frozen=True, slots=True, eq=False)
class Broken:
    """A relation that does not hold on a sighting: its figures, and the entries it names."""

    held: _Held
    check: RelationCheck
    figures: Figures
    entries: tuple[Entry, ...]

    def __str__(self) -> str:
        relation, check = self.held.relation, self.check
        ratio = "" if isnan(check.ratio) else f", ratio {check.ratio:.4g}"
        return (
            f"{relation.that} within {relation.within} gives "
            f"{number(check.left)} {check.comparison} {number(check.right)}{ratio}"
        )


class Relations:
    """All relations of the layouts in use, held against every sighting.

    ``broken`` are those that do not hold, but for the retired ones.
    """

    def __init__(self, sightings: Sequence[Sighting], entered: Sequence[Sequence[Entry]]) -> None:
        self._held: dict[tuple[str, str, int], _Held] = {}
        self._parsed: dict[str, list[ParsedRelation]] = {}
        self._figures: dict[tuple[int, str], tuple[Figures, list[_Held]]] = {}
        self._intervals: dict[tuple[str, Value], Interval] = {}
        places: list[_Place] = []
        for sighting, entries in zip(sightings, entered, strict=True):
            by_layout: dict[str, list[Entry]] = defaultdict(list)
            for entry in entries:
                if entry.layout.relation:
                    by_layout[entry.layout.id].append(entry)
            for group in by_layout.values():
                places += self._place(sighting, group)
        for held, figures, cells, concerned in places:
            held.note(figures, cells, concerned)
        for held in self._held.values():
            held.settle()
        self._settle_signs_alike()
        self.broken = [
            Broken(held, check, figures, concerned)
            for held, figures, cells, concerned in places
            if not held.retired and (check := held.check(figures, cells)).outcome == "fails"
        ]

    def _settle_signs_alike(self) -> None:
        """A device draws a sign one way: what one layout shows plainly settles its other layouts.

        A layout with few captures could not tell a sign drawn otherwise from signs misread.
        """
        turned = {
            (held.device, held.relation.that): held.turned
            for held in self._held.values()
            if held.turned
        }
        for held in self._held.values():
            elsewhere = turned.get((held.device, held.relation.that), "")
            if elsewhere and not held.turned:
                held.settle(elsewhere)

    def odds(self, entry: Entry, values: Sequence[Value]) -> float:
        """How much likelier the relations make ``values`` than the entry's own figure."""
        figures, helds = self._figures.get((entry.at, entry.layout.id), ({}, []))
        odds = 1.0
        for held in helds:
            if held.retired or entry.readout.name not in held.readouts:
                continue
            now = held.check(figures, held.cells(figures))
            then = held.check_new(_with(figures, entry, values))
            if "not-made" not in (now.outcome, then.outcome) and now.outcome != then.outcome:
                odds *= RELATION_ODDS if then.outcome == "holds" else 1 / RELATION_ODDS
        return odds

    def notices(self) -> Iterator[str]:
        """Say which relations are retired or turned, and which could not be checked everywhere."""
        unmade: Counter[tuple[str, str]] = Counter()
        totals: Counter[tuple[str, str]] = Counter()
        for held in self._held.values():
            where, that = f"{held.layout.name} on {held.device}", held.relation.that
            unmade[held.layout.name, that] += held.total - held.made
            totals[held.layout.name, that] += held.total
            if held.turned:
                yield (
                    f"{where}: {that} holds only with the other sign of {held.turned}: it is "
                    "checked so there"
                )
            if held.retired:
                ratios = [each.ratio for each in held.failed if not isnan(each.ratio)]
                middle = f", median ratio of its sides {median(ratios):.4g}" if ratios else ""
                yield (
                    f"{where}: {that} fails on {len(held.failed)} of {len(held.sets)} different "
                    f"sets of figures{middle}; it does not hold there and flags nothing"
                )
        for (layout, that), count in unmade.items():
            if count:
                yield (
                    f"{layout}: {that} could not be checked on {count} of {totals[layout, that]} "
                    "captures, because a figure has no value or may be 0"
                )

    def _place(self, sighting: Sighting, entries: Sequence[Entry]) -> Iterator[_Place]:
        """Give each relation of a layout with the figures and entries of one sighting."""
        layout = entries[0].layout
        helds = self._on_device(layout, sighting)
        figures: Figures = {}
        by_name: dict[str, Entry] = {}
        for entry in entries:
            name = entry.readout.name
            by_name[name] = entry
            if any(name in held.readouts for held in helds):
                for value in entry.form.values:
                    key = (layout.id + name, value)
                    if key not in self._intervals:
                        self._intervals[key] = _interval(entry.readout, value)
                    figures[name + value.suffix] = self._intervals[key]
        self._figures[entries[0].at, layout.id] = (figures, helds)
        for held in helds:
            concerned = tuple(by_name[each] for each in held.readouts if each in by_name)
            yield held, figures, held.cells(figures), concerned

    def _on_device(self, layout: Calibration, sighting: Sighting) -> list[_Held]:
        device = device_of(sighting)
        if layout.id not in self._parsed:
            self._parsed[layout.id] = [
                parse_relation(each.that, each.within) for each in layout.relation
            ]
        found = []
        for order, parsed in enumerate(self._parsed[layout.id]):
            key = (device, layout.id, order)
            if key not in self._held:
                names = parsed.names
                readouts = tuple(dict.fromkeys(each.partition(".")[0] for each in names))
                self._held[key] = _Held(
                    layout, layout.relation[order], device, parsed, names, readouts
                )
            found.append(self._held[key])
        return found


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
    all_rivals = list(rivals(entry, every_slip=True))
    for part in (
        [each for each in all_rivals if each.kind != "other-digit"],
        [each for each in all_rivals if each.kind == "other-digit"],
    ):
        mending = [
            each
            for each in part
            if broken.held.check_new(_with(broken.figures, entry, each.values)).outcome == "holds"
        ]
        if mending:
            return mending
    return []


def _interval(readout: Readout, value: Value) -> Interval:
    """A figure give or take one unit in its last place."""
    last_place = value.half_width if readout.rounding == "down" else 2 * value.half_width
    return Interval.of(value.value, last_place)


def _with(figures: Figures, entry: Entry, values: Sequence[Value]) -> Figures:
    changed = dict(figures)
    for value in values:
        changed[entry.readout.name + value.suffix] = _interval(entry.readout, value)
    return changed


def _turn(figures: Figures, name: str) -> Figures:
    figure = figures.get(name)  # its mark for no value may be drawn instead
    if figure is None:
        return figures
    return {**figures, name: Interval(-figure.value, -figure.high, -figure.low)}
