"""The order of it all: captures in, readings cached, judged whole, exported."""

from __future__ import annotations

import gc
import importlib.metadata
import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING

from extractor import captures as sources
from extractor import export, facts, judging, store, traces
from extractor.calibration import LoadedCalibration, load_calibrations, packaged_folder
from extractor.calibration.model import Calibration
from extractor.errors import CallError, FileFaultsError
from extractor.extracting.charts import Charts
from extractor.extracting.crew import Crew, Item
from extractor.extracting.crops import write_crops
from extractor.extracting.keys import Keys
from extractor.extracting.worker import file_key, method
from extractor.judging import spot
from extractor.judging.deciding import Answers
from extractor.records import (
    Capture,
    Decision,
    Finds,
    FrameReadings,
    FramesRead,
    FrameTime,
    Gap,
    JudgedTrace,
    Judgement,
    Problem,
    Reading,
    Sighting,
    TraceRead,
)
from extractor.session import Session, load_session

if TYPE_CHECKING:
    import pandas as pd

Progress = Callable[[str, int, int], None]
"""Called with what is being done, how many are done, of how many."""

_GONE_MEND = "Put it back, or run ocrlog again without it."
_NOTHING_READ = "nothing of it could be read"
_NOTHING_READ_MEND = "Copy it again from the device, or take it out of the folder."
_NOTHING_FOUND = "none of the layouts in use was found on it"
_NOTHING_FOUND_MEND = (
    "Take it out of the folder, or write a calibration for its layout (docs/calibration.md)."
)


@dataclass(frozen=True, slots=True)
class Settings:
    """What one call of ``extract`` is asked to do; all paths absolute.

    ``calibrations`` are files and folders in order of precedence, ``every`` is the interval
    between the samples of a recording, s, ``jobs`` the number of worker processes.
    """

    captures: Path
    out: Path
    decisions: Path
    calibrations: tuple[Path, ...]
    every: float
    jobs: int


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one call of ``extract`` found and wrote.

    ``read_now`` counts the captures that were read in this call; others came from the cache.
    ``ignored`` counts the files under CAPTURES that are no captures by their ending. ``method``
    is the identity of the reader, ``spot_checks`` what each spot-check supports, in words.
    """

    settings: Settings
    captures: tuple[Capture, ...]
    calibrations: tuple[LoadedCalibration, ...]
    judgement: Judgement
    traces: tuple[tuple[Sighting, JudgedTrace], ...]
    problems: tuple[Problem, ...]
    gaps: tuple[Gap, ...]
    notices: tuple[str, ...]
    facts_file: Path
    ignored: int
    read_now: int
    method: str
    spot_checks: tuple[str, ...] = ()

    @property
    def layouts(self) -> dict[str, Calibration]:
        """The calibrations in use by their id."""
        return {each.calibration.id: each.calibration for each in self.calibrations}

    @property
    def charts(self) -> tuple[JudgedTrace, ...]:
        """The lines of charts that captures show."""
        return tuple(trace for _, trace in self.traces if trace.plot is not None)

    @property
    def flagged_charts(self) -> int:
        """How many of them are flagged."""
        return sum(bool(trace.doubts) for trace in self.charts)


def settle(
    captures: Path,
    *,
    out: Path | None = None,
    calibration: Iterable[Path] = (),
    decisions: Path | None = None,
    every: float = 1.0,
    jobs: int | None = None,
) -> Settings:
    """Fill in the defaults of a call.

    Raises CallError for a calibration that does not exist and for numbers that make no sense.
    """
    if not 0 < every < float("inf"):
        raise CallError(f"--every {every}: give the seconds between two samples, more than 0")
    if jobs is not None and jobs < 1:
        raise CallError(f"--jobs {jobs}: give the number of worker processes, at least 1")
    if decisions is not None and not decisions.is_dir():
        raise CallError(f"{decisions}: no such folder of decisions; check --decisions")
    root = captures.absolute()
    if out is not None and out.absolute() in (root, *root.parents):
        raise CallError(
            f"--out {out} holds the captures themselves; name a folder of its own, or leave it "
            f"out for {root / 'readings'}"
        )
    named = tuple(place.absolute() for place in calibration)
    for place in named:
        if not place.exists():
            raise CallError(f"{place}: no such calibration file or folder; check --calibration")
        if place.is_dir() and not any(place.glob("*.toml")):
            raise CallError(f"{place}: holds no calibration (*.toml); check --calibration")
    usual = (root / "calibration", Path("calibration").absolute(), packaged_folder().absolute())
    places = dict.fromkeys((*named, *(place for place in usual if place.is_dir())))
    return Settings(
        captures=root,
        out=(out or root / "readings").absolute(),
        decisions=(decisions or root / "decisions").absolute(),
        calibrations=tuple(places),
        every=float(every),
        jobs=jobs or _cores(),
    )


def _cores() -> int:
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def run(settings: Settings, progress: Progress = lambda what, done, total: None) -> Outcome:
    """Read every capture and write every table; only what the cache lacks is read.

    Raises CallError (nothing to do, or nowhere to write), FileFaultsError (all faults of the
    calibrations, session.toml and facts.csv) and BusyError (another ocrlog writes there). One bad
    capture never ends the batch: it is in ``Outcome.problems``.
    """
    listing = sources.find_captures(settings.captures)
    if not listing.candidates:
        raise CallError(
            f"{settings.captures}: no capture was found; put screenshots (png, jpg, webp, heic, "
            "...) or recordings (mp4, mov, mkv, ...) there, or name another folder"
        )
    inputs = _load(settings)
    _prepare(settings)
    cache_file = settings.out / "cache.sqlite"
    with store.writer_lock(settings.out), store.Cache(cache_file) as cache:
        crew = Crew(inputs.layouts, settings.every, cache_file, settings.jobs)
        keys = Keys(inputs.layouts, method(), settings.every)
        captures, problems = _inspect(listing.candidates, cache, crew, progress)
        failed, read_now = _read(captures, cache, keys, crew, progress)
        progress("judging and writing", 0, 1)
        with _collector_paused():
            read = {each.path: _recall(each, cache, keys, inputs.layouts) for each in captures}
            frames = {path: rows for path, (rows, _) in read.items()}
            proposed = facts.propose(
                captures, _shown(frames, inputs.layouts), inputs.session, inputs.written
            )
            decisions, torn = store.read_decisions([settings.decisions])
            checks, unusable = store.read_spot_checks([settings.decisions])
            judgement = judging.judge(
                _sightings(captures, frames, proposed), inputs.by_id, decisions
            )
        named = {problem.capture for problem in failed}
        problems += [
            *listing.problems,
            *failed,
            *(
                problem
                for each in captures
                if each.path not in named
                for problem in _problems_of(each, *read[each.path])
            ),
            *_contradicted(proposed),
        ]
        outcome = Outcome(
            settings=settings,
            captures=tuple(captures),
            calibrations=inputs.calibrations,
            judgement=judgement,
            traces=tuple(_settled(judgement, inputs, decisions, cache)),
            problems=tuple(sorted(problems, key=lambda each: (each.capture, each.problem))),
            gaps=tuple(gap for each in captures for gap in _gaps(each, frames[each.path])),
            notices=(),
            facts_file=inputs.facts_file,
            ignored=listing.ignored,
            read_now=read_now,
            method=method(),
            spot_checks=tuple(spot.statement(each, method()) for each in checks if each.typed),
        )
        told = facts.write_facts_csv(inputs.facts_file, proposed)
        report = _export(outcome)
        told = (*told, *write_crops(settings.out / "flagged", judgement))
        progress("judging and writing", 1, 1)
        notices = (
            *inputs.notices,
            *([cache.notice] if cache.notice else []),
            *torn,
            *unusable,
            *judgement.notices,
            *_told_of_charts(outcome),
            *told,
            *report.notices,
        )
    return replace(outcome, notices=notices)


@contextmanager
def _collector_paused() -> Iterator[None]:
    """Many small records that all stay: looking for garbage among them doubles the time."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def extract(
    captures: str | Path,
    *,
    out: str | Path | None = None,
    calibration: str | Path | Iterable[str | Path] = (),
    decisions: str | Path | None = None,
    every: float = 1.0,
    jobs: int = 1,
) -> pd.DataFrame:
    """Read every capture under a folder; the same as the command, for a notebook.

    Returns a DataFrame with the columns of readings.csv (docs/output.md) and writes the same
    files. With ``jobs`` over 1 call it from a notebook, or from a script under
    ``if __name__ == "__main__":``, since workers are spawned. Raises what ``run`` raises.
    """
    settings = settle(
        Path(captures),
        out=None if out is None else Path(out),
        calibration=[
            Path(place)
            for place in ([calibration] if isinstance(calibration, str | Path) else calibration)
        ],
        decisions=None if decisions is None else Path(decisions),
        every=every,
        jobs=jobs,
    )
    outcome = run(settings)
    return export.readings_frame(outcome.judgement, outcome.layouts)


# ---------------------------------------------------------------- what a person wrote


@dataclass(frozen=True, slots=True)
class _Inputs:
    calibrations: tuple[LoadedCalibration, ...]
    session: Session | None
    facts_file: Path
    written: facts.Written
    notices: tuple[str, ...]

    @property
    def layouts(self) -> tuple[Calibration, ...]:
        return tuple(each.calibration for each in self.calibrations)

    @property
    def by_id(self) -> dict[str, Calibration]:
        return {each.id: each for each in self.layouts}


def _load(settings: Settings) -> _Inputs:
    """Load all files that people write; raises one FileFaultsError with the faults of all."""
    faults = []
    calibrations: Sequence[LoadedCalibration] = ()
    notices: list[str] = []
    session = None
    written = facts.NOTHING_WRITTEN
    facts_file = _facts_file(settings)
    try:
        calibrations, notices = load_calibrations(settings.calibrations)
    except FileFaultsError as error:
        faults += error.faults
    session_file = settings.captures / "session.toml"
    try:
        session = load_session(session_file) if session_file.exists() else None
    except FileFaultsError as error:
        faults += error.faults
    try:
        written = facts.read_facts_csv(facts_file)
    except FileFaultsError as error:
        faults += error.faults
    if faults:
        raise FileFaultsError(faults)
    if not calibrations:
        raise CallError(
            "no calibration is in use; write one (docs/calibration.md) and put it into "
            f"{settings.captures / 'calibration'}"
        )
    return _Inputs(tuple(calibrations), session, facts_file, written, tuple(notices))


def _facts_file(settings: Settings) -> Path:
    """Return facts.csv beside the captures, or in the output where that is read-only."""
    beside = settings.captures / "facts.csv"
    if beside.exists() or os.access(settings.captures, os.W_OK):
        return beside
    return settings.out / "facts.csv"


def _prepare(settings: Settings) -> None:
    try:
        settings.out.mkdir(parents=True, exist_ok=True)
        # Marks the folder as ocrlog's own, so that no capture is looked for in it.
        (settings.out / ".ocrlog").touch()
    except OSError as error:
        raise CallError(
            f"{settings.out}: cannot write there ({error.strerror}); name a folder that can be "
            "written with --out, and one for decisions with --decisions"
        ) from error


# ---------------------------------------------------------------- what the pixels say


def _inspect(
    candidates: Sequence[sources.Candidate], cache: store.Cache, crew: Crew, progress: Progress
) -> tuple[list[Capture], list[Problem]]:
    """Tell what every file is; from the cache where the file is the same as before."""
    names: dict[sources.Candidate, str] = {}
    problems: list[Problem] = []
    for candidate in candidates:
        try:
            names[candidate] = file_key(candidate)
        except OSError as error:
            problems.append(Problem(candidate.path, f"the file has gone ({error})", _GONE_MEND))
    known = cache.get_many("files", list(names.values()))
    fresh = [each for each, name in names.items() if name not in known]
    problems += _work(crew, fresh, "inspecting", progress)
    known |= cache.get_many("files", [names[each] for each in fresh])
    captures: list[Capture] = []
    for candidate, name in names.items():
        if name not in known:
            continue
        record = store.record_from_json(known[name], Capture | Problem)
        if isinstance(record, Capture):
            captures.append(replace(record, path=candidate.path, file=candidate.file))
        else:
            problems.append(replace(record, capture=candidate.path))
    return captures, problems


def _read(
    captures: Sequence[Capture],
    cache: store.Cache,
    keys: Keys,
    crew: Crew,
    progress: Progress,
) -> tuple[list[Problem], int]:
    """Bring into the cache what it lacks; one capture in several places is read once."""
    names = {keys.capture(each): each for each in captures}
    known = cache.get_many("captures", list(names))
    # Recordings first: they take longest, and a long last task would leave cores idle.
    fresh = sorted(
        (each for name, each in names.items() if name not in known),
        key=lambda each: (each.medium != "recording", each.path),
    )
    return _work(crew, fresh, "reading", progress), len(fresh)


def _work(crew: Crew, items: Sequence[Item], what: str, progress: Progress) -> list[Problem]:
    problems: list[Problem] = []
    done = 0

    def finished(problem: Problem | None) -> None:
        nonlocal done
        done += 1
        if problem is not None:
            problems.append(problem)
        progress(what, done, len(items))

    if items:
        progress(what, 0, len(items))
        crew.do(items, finished)
    return problems


def _recall(
    capture: Capture, cache: store.Cache, keys: Keys, layouts: Sequence[Calibration]
) -> tuple[list[FrameReadings], FramesRead]:
    """Put together from the cache what was read of a capture, in readout order."""
    name = keys.capture(capture)
    stored = cache.get_many("captures", [name]).get(name)
    if stored is None:  # its process crashed; that is a problem already
        return [], FramesRead(())
    read = store.record_from_json(stored, FramesRead)
    return [_recall_frame(capture, time, cache, keys, layouts) for time in read.frames], read


def _recall_frame(
    capture: Capture,
    time: FrameTime,
    cache: store.Cache,
    keys: Keys,
    layouts: Sequence[Calibration],
) -> FrameReadings:
    place = keys.finds(capture.content, time.pts)
    found = store.record_from_json(cache.get_many("finds", [place])[place], Finds).found
    shown = {each.layout for each in found}
    names = [
        keys.reading(capture.content, time.pts, layout.id, readout.name)
        for layout in layouts
        if layout.id in shown
        for readout in layout.readout
    ]
    stored = cache.get_many("readings", names)
    readings = tuple(store.record_from_json(stored[name], Reading) for name in names)
    curves = _recall_traces(
        capture, time, cache, keys, [each for each in layouts if each.id in shown]
    )
    return FrameReadings(
        capture.content, time.pts, time.at_s, found, readings, time.changing, curves
    )


def _recall_traces(
    capture: Capture,
    time: FrameTime,
    cache: store.Cache,
    keys: Keys,
    layouts: Sequence[Calibration],
) -> tuple[TraceRead, ...]:
    names = [
        keys.trace(capture.content, time.pts, layout.id, trace.name)
        for layout in layouts
        for trace in layout.trace
    ]
    stored = cache.get_many("traces", names)
    return tuple(store.record_from_json(stored[name], TraceRead) for name in names)


# ---------------------------------------------------------------- what follows from it


def _sightings(
    captures: Sequence[Capture],
    frames: Mapping[str, Sequence[FrameReadings]],
    proposed: Mapping[str, facts.Facts],
) -> list[Sighting]:
    return [
        Sighting(each, frame, proposed[each.path].values, proposed[each.path].fault)
        for each in captures
        for frame in frames[each.path]
    ]


def _settled(
    judgement: Judgement,
    inputs: _Inputs,
    decisions: Sequence[Decision],
    cache: store.Cache,
) -> Iterator[tuple[Sighting, JudgedTrace]]:
    """Give every trace read its values and what people decided of it."""
    floor = (inputs.session or Session(format=1)).smooth_floor
    charts = Charts(inputs.by_id, Answers(decisions), cache, method(), floor)
    for verdict in judgement.verdicts:
        yield from charts.settled(verdict)


def _told_of_charts(outcome: Outcome) -> list[str]:
    if not outcome.charts:
        return []
    flagged = outcome.flagged_charts
    count = len(outcome.charts)
    told = f"{count} {'line' if count == 1 else 'lines'} of charts read, {flagged} of them flagged"
    return [f"{told}; charts.csv says why, ocrlog review shows them" if flagged else told]


def _contradicted(proposed: Mapping[str, facts.Facts]) -> list[Problem]:
    return [
        Problem(path, each.fault, "Correct the device in facts.csv or session.toml.")
        for path, each in proposed.items()
        if each.fault
    ]


def _problems_of(
    capture: Capture, frames: Sequence[FrameReadings], read: FramesRead
) -> list[Problem]:
    if read.problem:
        return [Problem(capture.path, read.problem, read.mend)]
    if not frames:  # its twin in content crashed, or a recording without a frame
        return [Problem(capture.path, _NOTHING_READ, _NOTHING_READ_MEND)]
    if not any(frame.found for frame in frames):
        return [Problem(capture.path, _NOTHING_FOUND, _NOTHING_FOUND_MEND)]
    return []


def _gaps(capture: Capture, frames: Sequence[FrameReadings]) -> list[Gap]:
    """Return the stretches of a recording without overlay; none if it shows none at all."""
    if capture.medium != "recording" or not any(frame.found for frame in frames):
        return []
    gaps = []
    stretches = [(shown, list(rows)) for shown, rows in groupby(frames, _has_overlay)]
    for number, (shown, rows) in enumerate(stretches):
        if shown:
            continue
        begin = rows[0].at_s or 0.0
        last = number == len(stretches) - 1
        end = (capture.duration_s or begin) if last else stretches[number + 1][1][0].at_s or begin
        gaps.append(Gap(capture.path, begin, end, "no layout in use was found on these frames"))
    return gaps


def _has_overlay(frame: FrameReadings) -> bool:
    return bool(frame.found)


def _shown(
    frames: Mapping[str, Sequence[FrameReadings]], layouts: Sequence[Calibration]
) -> dict[str, frozenset[str]]:
    """Map each capture to the statistics of the layouts found on it."""
    statistics = {layout.id: facts.statistics_of(layout) for layout in layouts}
    return {
        path: frozenset().union(*(statistics[found.layout] for row in rows for found in row.found))
        for path, rows in frames.items()
    }


def _export(outcome: Outcome) -> export.ExportReport:
    settings = outcome.settings
    return export.export(
        settings.out,
        judgement=outcome.judgement,
        traces=outcome.traces,
        captures=outcome.captures,
        calibrations=outcome.layouts,
        problems=outcome.problems,
        gaps=outcome.gaps,
        run={
            "ocrlog": importlib.metadata.version("ocrlog"),
            "method": f"{outcome.method} {traces.METHOD}",
            "settings": {
                "captures": str(settings.captures),
                "out": str(settings.out),
                "decisions": str(settings.decisions),
                "every": settings.every,
            },
            "calibrations": [
                {
                    "id": each.calibration.id,
                    "name": each.calibration.name,
                    "revision": each.calibration.revision,
                    "file": str(each.path),
                    "sha256": each.sha256,
                }
                for each in outcome.calibrations
            ],
            "spot_checks": list(outcome.spot_checks),
            "counts": {
                "captures": len(outcome.captures),
                "ignored": outcome.ignored,
                "problems": len(outcome.problems),
            },
        },
    )


__all__ = ["Outcome", "Progress", "Settings", "extract", "run", "settle"]
