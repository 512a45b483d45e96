"""The commands: thin, they turn a call into ``run`` and its outcome into words and a status."""

from __future__ import annotations

import shlex
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

from extractor.errors import CallError, OcrlogError
from extractor.records import DOUBTS

if TYPE_CHECKING:
    from extractor.comparing.running import Result
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


# What `extract` and `compare` are both asked.
_Captures = Annotated[
    Path, typer.Argument(metavar="CAPTURES", help="Folder of screenshots and recordings.")
]
_Out = Annotated[
    Path | None,
    typer.Option(metavar="DIR", help="Where the tables go [default: CAPTURES/readings]."),
]
_Calibrations = Annotated[
    list[Path] | None,
    typer.Option(
        metavar="DIR_OR_FILE",
        help="More calibrations; they win over those in CAPTURES/calibration, ./calibration "
        "and the packaged ones. May be given several times.",
    ),
]
_Decisions = Annotated[
    Path | None,
    typer.Option(metavar="DIR", help="Where people's decisions lie [default: CAPTURES/decisions]."),
]
_Jobs = Annotated[
    int | None, typer.Option(metavar="N", help="Worker processes [default: one a core].")
]
_Every = Annotated[
    float, typer.Option(metavar="SECONDS", help="Time between two samples of a recording.")
]


@app.command()
def extract(
    captures: _Captures,
    out: _Out = None,
    calibration: _Calibrations = None,
    decisions: _Decisions = None,
    jobs: _Jobs = None,
    every: _Every = 1.0,
    strict: Annotated[
        bool, typer.Option("--strict", help="Exit with 3 if a reading or chart is flagged.")
    ] = False,
) -> None:
    """Read every capture under CAPTURES into tables, every figure released or flagged.

    What was read before is not read again: only new captures, moved boxes and new calibrations
    are. The tables, and what each column and flag means, are described in docs/output.md;
    flagged readings are settled with `ocrlog review`.
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
    _say_problems(outcome)
    flagged = _summarise(outcome, time.monotonic() - began)
    if outcome.problems:
        raise typer.Exit(SOME_UNUSABLE)
    if strict and (flagged or outcome.flagged_charts):
        raise typer.Exit(SOME_FLAGGED)


@app.command()
def compare(
    captures: _Captures,
    out: _Out = None,
    calibration: _Calibrations = None,
    decisions: _Decisions = None,
    jobs: _Jobs = None,
    every: _Every = 1.0,
) -> None:
    """Compare devices round by round: derived figures, verdicts, warnings, plots and a report.

    Reads what is new first. On a terminal it asks about guesses that change the comparison (which
    device, which round); elsewhere it shows them, and they can be corrected in facts.csv. What
    no capture shows (batteries, room, rounds that were not run) stands in session.toml. What
    comes out is described in docs/comparing.md.
    """
    from extractor.comparing.guesses import HINT, KINDS, ask_all
    from extractor.comparing.running import answered, finish, prepare
    from extractor.extracting import settle

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
            prepared = prepare(settings, progress)
        asked = 0
        for kind in KINDS if sys.stdin.isatty() and sys.stdout.isatty() else ():
            found = [each for each in prepared.questions if isinstance(each, kind)]
            if found and not asked:
                typer.echo(HINT)
            asked += len(found)
            if answers := ask_all(found, _prompt):
                with _progress() as progress:
                    prepared = answered(prepared, answers, progress)
        with _progress() as progress:
            result = finish(prepared, progress)
    except (KeyboardInterrupt, typer.Abort):
        typer.echo("ocrlog: interrupted; what was read is kept, the next run goes on", err=True)
        raise typer.Exit(INTERRUPTED) from None
    _say_problems(result.outcome)
    _summarise_comparison(result, asked, time.monotonic() - began)
    if result.outcome.problems:
        raise typer.Exit(SOME_UNUSABLE)


@app.command()
def review(
    captures: _Captures,
    out: _Out = None,
    calibration: _Calibrations = None,
    decisions: _Decisions = None,
    jobs: _Jobs = None,
    every: _Every = 1.0,
    who: Annotated[
        str,
        typer.Option(metavar="NAME", help="Whose decisions these are [default: your user name]."),
    ] = "",
) -> None:
    """Settle flagged readings, look over a proof sheet, make a spot-check, on a local page.

    Reads what is new first. One crop at a time, one key a figure; every decision is on the disk
    before the next crop, in CAPTURES/decisions, and the tables follow. The page is served on this
    machine alone, until Ctrl-C. docs/review.md shows it.
    """
    from extractor.extracting import run, settle
    from extractor.pages.commands import open_review

    if decisions is not None:
        _make(decisions)
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
        outcome = open_review(outcome, who.strip() or _user(), _echo)
    except KeyboardInterrupt:
        typer.echo("ocrlog: interrupted; what was read and decided is kept", err=True)
        raise typer.Exit(INTERRUPTED) from None
    _say_problems(outcome)
    _summarise(outcome, time.monotonic() - began)
    if outcome.problems:
        raise typer.Exit(SOME_UNUSABLE)


def _make(decisions: Path) -> None:
    try:
        decisions.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CallError(
            f"{decisions}: cannot be made ({error.strerror}); check --decisions"
        ) from None


def _user() -> str:
    import getpass

    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):  # no name is known for this user
        return "someone"


def _prompt(words: str, default: str) -> str:
    """Ask a person; see ``guesses.Prompt``."""
    return str(typer.prompt(words, default=default, show_default=bool(default)))


def _summarise_comparison(result: Result, asked: int, seconds: float) -> None:
    say, whole = typer.echo, result.whole
    for notice in (*whole.notices, *result.notices):
        say(f"Note: {notice}")
    flagged = sum(
        bool({doubt.code for doubt in judged.doubts} - {"not-shown"})
        for verdict in result.outcome.judgement.verdicts
        for judged in verdict.judged
    )
    if flagged:
        say(f"Note: {_count(flagged, 'flagged reading')} left out; `ocrlog review` settles them")
    for question in result.open_guesses:
        say(f"Guess: {question.told}")
    run = [each for each in whole.rounds.all if each.state == "run"]
    say(
        f"{_count(len(whole.rounds.subjects), 'device and variant', 'devices and variants')}, "
        f"{_count(len(run), 'round')}; {_count(asked, 'question')} asked; {seconds:.1f} s."
    )
    for verdict in whole.verdicts:
        name = f"{verdict.device} {verdict.variant}".strip()
        say(f"  {name}, round {verdict.round}: {verdict.words}")
    for warning in whole.warnings:
        say(f"Warning: {warning.text}")
    for todo in whole.todos:
        say(f"Next: {todo.words}")
    if result.open_guesses:
        say(f"Correct guesses in {result.outcome.facts_file} and run again.")
    say(f"Report: {result.folder / 'report.html'}")
    say(f"Plots: {result.folder / 'plots'}; tables: {result.folder / 'comparison.csv'}, .xlsx, .md")


def _say_problems(outcome: Outcome) -> None:
    for problem in outcome.problems[:_SHOWN_PROBLEMS]:
        typer.echo(f"{problem.capture}: {problem.problem}. {problem.mend}", err=True)
    more = len(outcome.problems) - _SHOWN_PROBLEMS
    if more > 0:
        typer.echo(f"... and {more} more in {outcome.settings.out / 'problems.csv'}", err=True)


@app.command()
def calibrate(
    captures: Annotated[
        list[Path],
        typer.Argument(
            metavar="CAPTURE...",
            help="Captures of one layout; it is drawn on the first. With --check: folders too.",
        ),
    ],
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            help="Where the calibration is saved [default: calibration/ beside the first capture; "
            "with --check: readings/check/ there].",
        ),
    ] = None,
    mend: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Open this calibration in place of a proposal."),
    ] = None,
    check: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE_OR_DIR",
            help="Hold calibrations against captures: found or not, what is read, pictures with "
            "the boxes, keys that do nothing. No page is opened.",
        ),
    ] = None,
    browser: Annotated[
        bool,
        typer.Option(
            "--browser/--no-browser",
            help="--no-browser writes the proposal to a file and says what it asks.",
        ),
    ] = True,
) -> None:
    """Make a calibration for a layout that ocrlog does not know yet, on a page of your browser.

    The page opens with a proposal: every figure that was found, with what it is taken for. It is
    served on this machine alone, until Ctrl-C. docs/calibrating.md shows it.
    """
    from extractor.pages import commands

    if check is not None:
        raise typer.Exit(commands.check(check, captures, out, _echo))
    if browser:
        commands.open_page(captures, out, mend, _echo)
    else:
        commands.write_proposal(captures, out, _echo)


def _echo(line: str, trouble: bool = False) -> None:
    typer.echo(line, err=trouble)


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
    for statement in outcome.spot_checks:
        say(statement)
    say(f"Tables: {settings.out / 'readings.csv'} and beside it")
    say(f"Facts (device, round, ...), guesses marked; correct them there: {outcome.facts_file}")
    if states["flagged"]:
        say(
            f"Next: ocrlog review {shlex.quote(str(settings.captures))} shows each flagged crop "
            "and takes your answer (without a browser: docs/decisions-file.md)."
        )
    return states["flagged"]


def _count(number: int, noun: str, many: str = "") -> str:
    return f"{number} {noun if number == 1 else many or noun + 's'}"


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
