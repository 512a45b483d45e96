"""Judging: a pure function of readings, calibrations, facts and decisions of people.

It sees records, no pixels and no reader, and runs whole at every export. A reading is released only
if nothing speaks against it; nothing is silently changed, a likely repair is offered in ``why``.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from extractor.calibration.model import Calibration
from extractor.judging.agreement import disagreements
from extractor.judging.along_time import (
    NEIGHBOURS,
    Bools,
    Tracks,
    backwards,
    surroundings,
    too_fast,
)
from extractor.judging.deciding import Answers
from extractor.judging.entries import (
    CLEAREST,
    IMPOSSIBLE,
    PASSED,
    RULED_OUT,
    WORTH,
    WORTH_OF_MARKS,
    Entry,
    enter,
)
from extractor.judging.evidence import OUTLIER, Likelier, Rival, RunEvidence, likeliest
from extractor.judging.forms import number, unit_of
from extractor.judging.in_layout import of_letters_and_layouts
from extractor.judging.in_run import exchanged, other_decimals, thousandfold
from extractor.judging.relations import Broken, Relations, blamed
from extractor.judging.runs import Run, runs, shown
from extractor.records import Decision, Doubt, Judged, Judgement, Sighting, Source, Verdict
from extractor.values import Suffix

__all__ = ["judge"]


def judge(
    sightings: Sequence[Sighting],
    calibrations: Mapping[str, Calibration],
    decisions: Sequence[Decision],
) -> Judgement:
    """Release or flag every reading.

    Pure: no files, pixels, clock or chance; what comes out for a reading depends on its own run,
    device and round, and on what its device's captures show of its layout, not on how the
    sightings are ordered or grouped. ``calibrations`` are by id and hold every layout of the
    readings, ``decisions`` are those of all people in any order.
    """
    answers = Answers(decisions)
    sequences, by_name = runs(sightings, calibrations)
    entered, notices = _examine(sightings, calibrations, answers, sequences)
    undecided = entered
    if any(entry.answer for entries in entered for entry in entries):
        undecided, _ = _examine(sightings, calibrations, Answers(()), sequences)
    run_of = _run_of(sequences, calibrations, sightings)
    verdicts = tuple(
        Verdict(
            sighting,
            run_of.get(at, ""),
            tuple(
                judged
                for entry, before in zip(entered[at], undecided[at], strict=True)
                for judged in _judged(entry, before)
            ),
        )
        for at, sighting in enumerate(sightings)
    )
    return Judgement(verdicts, (*by_name, *notices, *answers.idle(sightings)))


def _examine(
    sightings: Sequence[Sighting],
    calibrations: Mapping[str, Calibration],
    answers: Answers,
    sequences: Sequence[Run],
) -> tuple[list[list[Entry]], list[str]]:
    """Make every check once: the entries with their doubts, and what could not be checked."""
    entered = enter(sightings, calibrations, answers)
    tracked, tracks = _lay_tracks(entered, sequences)
    around = surroundings(tracks)
    run = RunEvidence(tracks, around)
    relations = Relations(sightings, entered)
    found = [
        *_found_by_step(tracked, tracks),
        *_found_by_trend(tracked, tracks),
        *_found_by_relation(relations, run),
        *_found_by_rival(entered, relations, run),
        *(("wrong-decimals", *each) for each in other_decimals(tracked, run)),
        *(("outlier", *each) for each in thousandfold(tracked, run)),
        *(("outlier", *each) for each in exchanged(tracked, run)),
    ]
    _add(found)
    _add(("captures-disagree", *each) for each in disagreements(sightings, entered))
    _add(of_letters_and_layouts(sightings, entered))
    return entered, [
        *_not_made(tracked, tracks, np.isfinite(around.spread)),
        *sorted(relations.notices()),
    ]


_Finding = tuple[str, Entry, str]


def _add(findings: Iterable[_Finding]) -> None:
    """Add doubts only when all of a stage are found, so that none depends on another's order."""
    for code, entry, why in findings:
        if not entry.certain:
            entry.doubt(code, why)


# ---------------------------------------------------------------- checks along time


def _lay_tracks(
    entered: Sequence[Sequence[Entry]], sequences: Sequence[Run]
) -> tuple[list[Entry], Tracks]:
    """Lay the series of all runs one behind the other; the entry of each place comes with them."""
    by_layout: list[dict[str, list[Entry]]] = []
    for entries in entered:
        sorted_out: dict[str, list[Entry]] = defaultdict(list)
        for entry in entries:
            if entry.readout.kind != "word" and entry.reading.box and not entry.form.missing:
                sorted_out[entry.layout.id].append(entry)
        by_layout.append(sorted_out)
    tracked: list[Entry] = []
    rows: list[tuple[int, float, float, float, float, bool]] = []
    count = 0
    for run in sequences:
        series: dict[tuple[str, int], list[tuple[Entry, float | None]]] = defaultdict(list)
        for at, time in zip(run.members, run.times, strict=True):
            for entry in by_layout[at].get(run.layout, ()):
                for part in range(2 if entry.readout.kind == "size" else 1):
                    series[entry.readout.name, part].append((entry, time))
        for (_, part), members in series.items():
            for entry, time in members:
                says = entry.form.values
                value, half = (
                    (says[part].value, says[part].half_width) if says else (np.nan, np.nan)
                )
                entry.tracks = (*entry.tracks, len(tracked))
                tracked.append(entry)
                when = np.nan if time is None else time
                rows.append((count, value, half, when, run.resolution, entry.trusted))
            count += 1
    columns = np.array(rows, dtype=np.float64).reshape(-1, 6).T
    return tracked, Tracks(
        series=columns[0].astype(np.intp),
        value=columns[1],
        half=columns[2],
        time=columns[3],
        resolution=columns[4],
        trusted=columns[5] > 0,
    )


def _found_by_step(tracked: Sequence[Entry], tracks: Tracks) -> list[_Finding]:
    steps = np.array([entry.readout.step or np.nan for entry in tracked], dtype=np.float64)
    return [
        (
            "step",
            tracked[each.at],
            f"{tracked[each.at].readout.name} changes by {number(each.change)} in "
            f"{number(each.seconds)} s (against {tracked[each.against].text}), its step is "
            f"{number(tracked[each.at].readout.step or 0)} a second",
        )
        for each in too_fast(tracks, steps)
    ]


def _found_by_trend(tracked: Sequence[Entry], tracks: Tracks) -> list[_Finding]:
    series: dict[int, list[int]] = defaultdict(list)
    for place, entry in enumerate(tracked):
        if entry.readout.trend and tracks.trusted[place]:
            series[int(tracks.series[place])].append(place)
    found: list[_Finding] = []
    for places in series.values():
        trend = tracked[places[0]].readout.trend
        sign = 1 if trend == "grows" else -1
        for at in backwards([sign * float(tracks.value[place]) for place in places]):
            entry = tracked[places[at]]
            beside = [
                tracked[places[each]].text for each in (at - 1, at + 1) if 0 <= each < len(places)
            ]
            found.append(
                (
                    "backwards",
                    entry,
                    f"{entry.readout.name} only {trend}, but {entry.text} stands beside "
                    f"{' and '.join(beside)}",
                )
            )
    return found


# ---------------------------------------------------------------- rivals of the text


def _found_by_rival(
    entered: Sequence[Sequence[Entry]], relations: Relations, run: RunEvidence
) -> list[_Finding]:
    broken = {id(entry) for each in relations.broken for entry in each.entries}
    found: list[_Finding] = []
    for entries in entered:
        for entry in entries:
            if entry.certain or not entry.form.values:
                continue
            best = likeliest(entry, run, relations.odds, id(entry) in broken)
            if best is not None:
                found += _say_rival(entry, best, run)
    return found


def _say_rival(entry: Entry, best: Likelier, run: RunEvidence) -> list[_Finding]:
    by = [f"the picture gives it {best.rival.picture:.2g} of the odds of {entry.text}"]
    if run.made(entry):
        by.append(f"the run makes it {best.run:.3g} times as likely")
    if best.relations != 1:
        by.append(f"the relations make it {best.relations:.3g} times as likely")
    found: list[_Finding] = []
    if best.rival.kind is not None:
        found.append((best.rival.kind, entry, f"it may be {best.rival}: {', '.join(by)}"))
    if run.distance(entry) > OUTLIER and best.run > 1:
        found.append(
            (
                "outlier",
                entry,
                f"{entry.text} stands {run.distance(entry):.3g} spreads from its run: "
                f"{run.say(entry)}, and {best.rival} would fit",
            )
        )
    return found


def _found_by_relation(relations: Relations, run: RunEvidence) -> list[_Finding]:
    return [
        ("relation", entry, _say_broken(broken, entry, mend))
        for broken in relations.broken
        for entry, mend in blamed(broken, run, relations)
    ]


def _say_broken(broken: Broken, entry: Entry, mend: Rival | None) -> str:
    mended = f"{entry.readout.name} {mend} would mend it" if mend else "no single slip mends it"
    return f"{broken}, {mended}"


# ---------------------------------------------------------------- what comes out


def _judged(entry: Entry, undecided: Entry) -> list[Judged]:
    """Make the rows of a reading: one, or two for a size."""
    decided = entry.answer is not None and entry.answer.settles
    settled = decided and not entry.form.doubts
    doubts = tuple(Doubt(code, why) for code, why in entry.doubts.items())
    released = not doubts and (settled or entry.reading.box is not None)
    source: Source = "read"
    if entry.answer is not None and entry.answer.doubt is None and settled:
        source = entry.answer.source
    elif entry.form.missing and not doubts:
        source = "missing"
    suffixes: tuple[Suffix, ...] = (".width", ".height") if entry.readout.kind == "size" else ("",)
    candidates = {each.suffix: each for each in entry.form.candidates}
    rows = []
    for suffix in suffixes:
        candidate = candidates.get(suffix)
        rows.append(
            Judged(
                reading=entry.reading,
                readout=entry.readout.name + suffix,
                value=candidate.value if candidate and released else None,
                candidate=candidate.value if candidate and not released else None,
                half_width=candidate.half_width if candidate else None,
                unit=unit_of(entry.readout),
                confidence=None if decided else _confidence(entry),
                doubts=doubts,
                source=source,
                decided_text=entry.answer.text if entry.answer and decided else "",
                who=entry.answer.who if entry.answer and decided else "",
                settled=tuple(
                    Doubt(code, why)
                    for code, why in undecided.doubts.items()
                    if settled and code not in entry.doubts
                ),
            )
        )
    return rows


def _confidence(entry: Entry) -> float:
    given = entry.reading.probability
    if not entry.doubts:
        return PASSED if given >= CLEAREST and entry.readout.kind != "word" else given
    steps = WORTH_OF_MARKS if entry.form.missing else WORTH
    worth = next((worth for least, most, worth in steps if least <= given < most), given)
    most = IMPOSSIBLE if RULED_OUT & entry.doubts.keys() else entry.most
    return min(worth, most)


def _run_of(
    sequences: Sequence[Run],
    calibrations: Mapping[str, Calibration],
    sightings: Sequence[Sighting],
) -> dict[int, str]:
    """Name the run of each sighting: that of its first layout by name, where it shows several."""
    ids = {(at, run.layout): run.id for run in sequences for at in run.members}
    return {
        at: ids[at, min(layouts, key=lambda each: (calibrations[each].name, each))]
        for at, sighting in enumerate(sightings)
        if (layouts := shown(sighting))
    }


def _not_made(
    tracked: Sequence[Entry],
    tracks: Tracks,
    made: Bools,
) -> list[str]:
    """Say per layout what the checks along time could not look at."""
    alone: Counter[str] = Counter()
    untimed: Counter[tuple[str, str]] = Counter()
    everything = Counter(entry.layout.name for entry in tracked)
    for place, entry in enumerate(tracked):
        if not made[place]:
            alone[entry.layout.name] += 1
        if entry.readout.step and np.isnan(tracks.time[place]):
            untimed[entry.layout.name, entry.readout.name] += 1
    return [
        *(
            f"{layout}: {count} of {everything[layout]} figures have fewer than {NEIGHBOURS} "
            "neighbours in their run: outliers among them were not looked for"
            for layout, count in sorted(alone.items())
        ),
        *(
            f"{layout}: {count} times of {readout} are unknown: its steps there were not checked"
            for (layout, readout), count in sorted(untimed.items())
        ),
    ]
