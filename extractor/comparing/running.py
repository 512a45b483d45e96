"""The order of a comparison: read (cached), ask, compare, draw, write."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from extractor import export, extracting, store
from extractor.comparing import evidence, plots
from extractor.comparing.drafting import draft
from extractor.comparing.guesses import DeviceQuestion, Question, questions
from extractor.comparing.report import People, pictures, report
from extractor.comparing.tables import markdown, workbook
from extractor.comparing.whole import Comparison, compare_all, comparison_grid, rounds_grid
from extractor.errors import CallError
from extractor.export.csvw import metadata
from extractor.export.grids import Grid
from extractor.export.stage import Stage
from extractor.extracting import Outcome, Settings
from extractor.facts import Written, read_facts_csv, write_answers
from extractor.records import Box, unguard_cell, unguard_path
from extractor.session import Session, load_session

if TYPE_CHECKING:
    import pandas as pd

Progress = Callable[[str, int, int], None]
FOLDER = "comparison"


def _silent(what: str, done: int, total: int) -> None:
    """Say nothing of the progress."""


@dataclass(frozen=True, slots=True)
class Result:
    """What one call of ``compare`` made. ``open_guesses`` are those that nobody has settled."""

    outcome: Outcome
    whole: Comparison
    folder: Path
    open_guesses: tuple[Question, ...]
    notices: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Prepared:
    """What was read, and the guesses of facts that a person may settle before it is compared."""

    outcome: Outcome
    session: Session
    questions: tuple[Question, ...]
    notices: tuple[str, ...] = ()


def prepare(settings: Settings, progress: Progress = _silent) -> Prepared:
    """Read what is new and find the guesses that matter. Raises what ``extracting.run`` raises."""
    outcome = extracting.run(settings, progress)
    session = _session(settings)
    found = questions(outcome, session, read_facts_csv(outcome.facts_file))
    return Prepared(outcome, session, tuple(found))


def answered(prepared: Prepared, answers: Written, progress: Progress = _silent) -> Prepared:
    """Write the answers into facts.csv and guess anew what follows from them."""
    told = write_answers(prepared.outcome.facts_file, answers)
    anew = prepare(prepared.outcome.settings, progress)
    return replace(anew, notices=(*prepared.notices, *told))


def finish(prepared: Prepared, progress: Progress = _silent) -> Result:
    """Compare, draw and write everything.

    Raises CallError if no capture belongs to a round of a known device.
    """
    settings = prepared.outcome.settings
    outcome = prepared.outcome
    readings = export.readings_frame(outcome.judgement, outcome.layouts)
    whole = compare_all(readings, prepared.session, outcome.layouts.values(), _traces(settings.out))
    if not any(each.figures for each in whole.rounds.all):
        raise CallError(
            f"{settings.captures}: no capture belongs to a round of a known device, so there is "
            f"nothing to compare; write device and round into {outcome.facts_file}"
        )
    with store.writer_lock(settings.out):
        crops = _crops(outcome, whole, progress)
        notices = _write(settings.out, whole, crops, _people(outcome), progress)
    notices += _draft(prepared, whole)
    return Result(
        outcome, whole, settings.out / FOLDER, prepared.questions, (*prepared.notices, *notices)
    )


def _session(settings: Settings) -> Session:
    file = settings.captures / "session.toml"
    return load_session(file) if file.exists() else Session(format=1)


def _draft(prepared: Prepared, whole: Comparison) -> tuple[str, ...]:
    """Leave a session file to fill in where there is none and every device has its name."""
    file = prepared.outcome.settings.captures / "session.toml"
    if file.exists() or any(isinstance(each, DeviceQuestion) for each in prepared.questions):
        return ()
    screens: dict[str, list[tuple[int, int]]] = defaultdict(list)
    for verdict in prepared.outcome.judgement.verdicts:
        capture = verdict.sighting.capture
        long, short = max(capture.width, capture.height), min(capture.width, capture.height)
        screens[verdict.sighting.facts.get("device", "")].append((long, short))
    try:
        with file.open("x", encoding="utf-8") as out:
            out.write(draft(whole, screens))
    except OSError:  # the captures cannot be written beside: nothing hangs on the draft
        return ()
    return (f"{file} waits to be filled in: batteries, room, caps, rounds not run",)


def _traces(out: Path) -> pd.DataFrame | None:
    """The lines of charts, where ``extract`` has read any."""
    import pandas as pd

    file = out / "traces.csv"
    if not file.is_file():
        return None
    texts, numbers = ("layout", "trace", "unit", "flags"), ("at_s", "t", "value", "low", "high")
    table = pd.read_csv(
        file,
        dtype=dict.fromkeys(("capture", *texts), str),
        keep_default_na=False,
        na_values={name: [""] for name in numbers},
    )
    table["capture"] = table["capture"].map(unguard_path)
    for name in texts:
        table[name] = table[name].map(unguard_cell)
    return table


def _crops(outcome: Outcome, whole: Comparison, progress: Progress) -> evidence.Crops:
    pts = {
        (each.sighting.capture.path, round(each.sighting.frame.at_s, 3)): each.sighting.frame.pts
        for each in outcome.judgement.verdicts
        if each.sighting.frame.at_s is not None and each.sighting.frame.pts is not None
    }
    charts: dict[str, list[Box]] = defaultdict(list)
    for sighting, trace in outcome.traces:
        if trace.plot is not None:
            charts[sighting.capture.path].append(trace.plot)
    progress("cutting crops", 0, 1)
    made = evidence.cut(whole, outcome.captures, pts, charts)
    progress("cutting crops", 1, 1)
    return made


def _people(outcome: Outcome) -> People:
    """Who settled what, and what was spot-checked."""
    names = {id: layout.name for id, layout in outcome.layouts.items()}
    return People(
        {
            (
                each.sighting.capture.path,
                names[row.reading.layout],
                row.readout,
                None if each.sighting.frame.at_s is None else round(each.sighting.frame.at_s, 3),
            ): row.who
            for each in outcome.judgement.verdicts
            for row in each.judged
            if row.who
        },
        outcome.spot_checks,
    )


def _write(
    out: Path, whole: Comparison, crops: evidence.Crops, people: People, progress: Progress
) -> tuple[str, ...]:
    """Write every file, whole or not at all; return what the person should be told."""
    rounds, comparison = rounds_grid(whole.rounds), comparison_grid(whole)
    planned = plots.plan(whole)
    styles = list(plots.STYLES.values())
    drawn: list[str] = []
    with Stage(out) as stage:
        stage.put("rounds.csv", rounds.csv())
        stage.put("rounds.parquet", rounds.parquet())
        stage.put(f"{FOLDER}/comparison.csv", comparison.csv())
        stage.put(f"{FOLDER}/comparison.parquet", comparison.parquet())
        stage.put(f"{FOLDER}/csv-metadata.json", _metadata(rounds, comparison))
        stage.put(f"{FOLDER}/comparison.md", markdown(whole).encode())
        stage.put(f"{FOLDER}/comparison.xlsx", workbook(whole))
        for place, plot in enumerate(planned):
            progress("drawing plots", place, len(planned))
            for style in styles:
                for name, data in plots.render(whole, plot, style):
                    stage.put(f"{FOLDER}/plots/{name}", data)
                    drawn.append(name)
        progress("drawing plots", len(planned), len(planned))
        page = report(whole, crops, pictures(whole, progress), people)
        stage.put(f"{FOLDER}/report.html", page.encode())
        _, notices = stage.commit()
    _remove_stale(out / FOLDER / "plots", set(drawn))
    return notices


def _metadata(rounds: Grid, comparison: Grid) -> bytes:
    """CSVW of the two tables; rounds.csv lies one folder up."""
    group = json.loads(metadata((comparison, rounds)))
    for table in group["tables"]:
        if table["url"] == "rounds.csv":
            table["url"] = "../rounds.csv"
    return (json.dumps(group, ensure_ascii=False, indent=2) + "\n").encode()


def _remove_stale(folder: Path, drawn: set[str]) -> None:
    """A plot of an earlier run that these data no longer allow must not be taken for theirs."""
    for file in folder.glob("*"):
        if file.name not in drawn and file.suffix in (".png", ".pdf"):
            file.unlink(missing_ok=True)
