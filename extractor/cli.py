"""The commands: thin, they turn a call into ``run`` and its outcome into words and a status."""

from __future__ import annotations

import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from extractor.errors import OcrlogError
from extractor.records import DOUBTS

if TYPE_CHECKING:
    from extractor.extracting import Outcome

SOME_UNUSABLE, SOME_FLAGGED, DEFECT, INTERRUPTED = 1, 3, 70, 130
_SHOWN_PROBLEMS = 50
# Elsewhere than on a terminal a line is printed at most so often, s.
_LINE_EVERY = 10.0

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)


def _version(wanted: bool) -> None:
    if wanted:
        import importlib.metadata

        typer.echo(f"ocrlog {importlib.metadata.version('ocrlog')}")
        raise typer.Exit


@app.callback()
def ocrlog(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say the version.")
    ] = False,
) -> None:
    """Read performance figures off screenshots and screen recordings of a monitoring overlay.

    Every figure comes out either right or flagged with the reason. Begin with:

        ocrlog extract FOLDER

    Exit status: 0 done; 1 done, but some inputs could not be used; 2 nothing done, the call or a
    file you wrote is wrong; 3 something is flagged (with --strict); 4 another ocrlog writes
    there; 70 a defect of ocrlog; 130 interrupted.
    """


@app.command()
def extract(
    captures: Annotated[
        Path, typer.Argument(metavar="CAPTURES", help="Folder of screenshots and recordings.")
    ],
    out: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Where the tables go [default: CAPTURES/readings]."),
    ] = None,
    calibration: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="DIR_OR_FILE",
            help="More calibrations; they win over those in CAPTURES/calibration, ./calibration "
            "and the packaged ones. May be given several times.",
        ),
    ] = None,
    decisions: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR", help="Where people's decisions lie [default: CAPTURES/decisions]."
        ),
    ] = None,
    jobs: Annotated[
        int | None,
        typer.Option(metavar="N", help="Worker processes [default: one a core]."),
    ] = None,
    every: Annotated[
        float, typer.Option(metavar="SECONDS", help="Time between two samples of a recording.")
    ] = 1.0,
    strict: Annotated[
        bool, typer.Option("--strict", help="Exit with 3 if a reading is flagged.")
    ] = False,
) -> None:
    """Read every capture under CAPTURES into tables, every figure released or flagged.

    What was read before is not read again: only new captures, moved boxes and new calibrations
    are. The tables, and what each column and flag means, are described in docs/output.md; a
    flagged reading can be settled as docs/decisions-file.md tells.
    """
    from extractor.extracting import run, settle

    settings = settle(
        captures,
        out=out,
        calibration=calibration or (),
        decisions=decisions,
        every=every,
        jobs=jobs,
    )
    began = time.monotonic()
    try:
        with _progress() as progress:
            outcome = run(settings, progress)
    except KeyboardInterrupt:
        typer.echo("ocrlog: interrupted; what was read is kept, the next run goes on", err=True)
        raise typer.Exit(INTERRUPTED) from None
    for problem in outcome.problems[:_SHOWN_PROBLEMS]:
        typer.echo(f"{problem.capture}: {problem.problem}. {problem.mend}", err=True)
    more = len(outcome.problems) - _SHOWN_PROBLEMS
    if more > 0:
        typer.echo(f"... and {more} more in {settings.out / 'problems.csv'}", err=True)
    flagged = _summarise(outcome, time.monotonic() - began)
    if outcome.problems:
        raise typer.Exit(SOME_UNUSABLE)
    if strict and flagged:
        raise typer.Exit(SOME_FLAGGED)


def _summarise(outcome: Outcome, seconds: float) -> int:
    """Say in words what came out and what to do next; returns the number of flagged readings."""
    states: Counter[str] = Counter()
    reasons: Counter[str] = Counter()
    for verdict in outcome.judgement.verdicts:
        for judged in verdict.judged:
            codes = {doubt.code for doubt in judged.doubts}
            if codes == {"not-shown"}:
                states["not shown"] += 1
            elif codes:
                states["flagged"] += 1
                reasons.update(codes)
            elif judged.source == "missing":
                states["missing"] += 1
            elif judged.source == "read":
                states["released"] += 1
            else:
                states["settled"] += 1
    settings = outcome.settings
    shown = sum(states.values()) - states["not shown"]
    say = typer.echo
    for notice in outcome.notices:
        say(f"Note: {notice}")
    say(
        f"{_count(len(outcome.captures), 'capture')} ({outcome.read_now} read now), "
        f"{_count(shown, 'reading')}: {states['released']} released, {states['flagged']} flagged, "
        f"{states['missing']} with the layout's mark for no value, {states['settled']} settled by "
        f"a person; {seconds:.1f} s."
    )
    for code, number in reasons.most_common():
        say(f"  flagged {number:6d}  {code}: {DOUBTS[code].sentence}")
    if outcome.problems:
        say(
            f"{_count(len(outcome.problems), 'input')} could not be used: see "
            f"{settings.out / 'problems.csv'}"
        )
    say(f"Tables: {settings.out / 'readings.csv'} and beside it")
    say(f"Facts (device, round, ...), guesses marked; correct them there: {outcome.facts_file}")
    if states["flagged"]:
        say(
            f"Next: look at the crops in {settings.out / 'flagged'}, copy their lines from "
            f"undecided.jsonl there into {settings.decisions / 'YOU-hand.jsonl'} and fill them in, "
            "as docs/decisions-file.md tells (undecided.jsonl itself is written anew by every run)."
        )
    return states["flagged"]


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" + ("" if number == 1 else "s")


# ---------------------------------------------------------------- progress

Report = Callable[[str, int, int], None]


@contextmanager
def _progress() -> Iterator[Report]:
    """Show a bar on a terminal and plain lines elsewhere, both on stderr."""
    if not sys.stderr.isatty():
        yield _lines()
        return
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TaskID,
        TextColumn,
        TimeElapsedColumn,
        TimeRemainingColumn,
    )

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        tasks: dict[str, TaskID] = {}

        def report(what: str, done: int, total: int) -> None:
            if what not in tasks:
                tasks[what] = bar.add_task(what, total=total)
            bar.update(tasks[what], completed=done, total=total)

        yield report


def _lines() -> Report:
    said = 0.0

    def report(what: str, done: int, total: int) -> None:
        nonlocal said
        now = time.monotonic()
        if done in (0, total) or now - said >= _LINE_EVERY:
            said = now
            typer.echo(f"{what}: {done} of {total}", err=True)

    return report


# ---------------------------------------------------------------- the door


def main() -> None:
    """Run the command line; every way out has its exit status."""
    try:
        app()
    except OcrlogError as error:
        typer.echo(f"ocrlog: {error}", err=True)
        sys.exit(error.exit_status)
    except Exception:  # the last door: a defect is reported, never swallowed
        report = _save_report()
        typer.echo(
            f"ocrlog: this is a defect of ocrlog, not of your files; report it with {report}",
            err=True,
        )
        sys.exit(DEFECT)


def _save_report() -> Path:
    with tempfile.NamedTemporaryFile(
        "w", prefix="ocrlog-defect-", suffix=".txt", delete=False, encoding="utf-8"
    ) as report:
        report.write(f"arguments: {sys.argv[1:]}\n\n{traceback.format_exc()}")
    return Path(report.name)


if __name__ == "__main__":
    main()
