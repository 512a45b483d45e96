"""What ``ocrlog calibrate`` and ``ocrlog review`` do, with and without a page."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from extractor.calibration import load_calibration, load_calibrations, save
from extractor.captures import Candidate, find_captures
from extractor.errors import CallError, CaptureError
from extractor.records import DOUBTS

if TYPE_CHECKING:
    from extractor.calibration.model import Calibration
    from extractor.extracting import Outcome
    from extractor.proposing import Shown

SOME_UNUSABLE = 1
_MOVED = 3.0
"""Greatest distance of a layout from where it was drawn at which its boxes can be mended, px."""


class Say(Protocol):
    """Tells the person one line; ``trouble`` goes to stderr."""

    def __call__(self, line: str, trouble: bool = False) -> None:
        """Tell it."""


def open_page(captures: Sequence[Path], out: Path | None, mend: Path | None, say: Say) -> None:
    """Serve the page until Ctrl-C. Raises CallError, FileFaultsError."""
    from extractor.pages.calibrating import Desk, calibrating
    from extractor.pages.serving import serve
    from extractor.reading import default_reader

    start = None if mend is None else load_calibration(mend).calibration
    folder = _folder(captures, out)
    shown = _opened(captures)
    if start is not None:
        _check_drawn_on(start, shown[0], captures[0])
    desk = Desk(shown, folder, default_reader(), start, mend and mend.absolute())
    say("The page is open in your browser; if it is not, open this address there (it works once):")
    serve(calibrating(desk), lambda address: say(f"    {address}\nCtrl-C ends it."))
    say("Ended. What you did is kept; start it again with the same capture to go on.")


def open_review(outcome: Outcome, who: str, say: Say) -> Outcome:
    """Serve the page until Ctrl-C and write the tables once more; returns what came of it."""
    from extractor.extracting import run
    from extractor.pages.review import Review
    from extractor.pages.reviewing import reviewing
    from extractor.pages.serving import serve

    review = Review(outcome, lambda: run(outcome.settings), who)
    say("The page is open in your browser; if it is not, open this address there (it works once):")
    serve(reviewing(review), lambda address: say(f"    {address}\nCtrl-C ends it."))
    if review.unwritten:
        say("Your decisions are kept. The tables are written once more ...")
        review.judge()
        if review.trouble:
            say(review.trouble, trouble=True)
    return review.outcome


def write_proposal(captures: Sequence[Path], out: Path | None, say: Say) -> None:
    """Write the proposal to a new file, and say what it asks. Raises CallError."""
    from extractor.proposing import propose
    from extractor.reading import default_reader

    folder = _folder(captures, out)
    proposal = propose(_opened(captures), default_reader())
    if proposal.calibration is None:
        raise CallError(f"{captures[0]}: {' '.join(proposal.notes)}")
    slug = re.sub(r"[^a-z0-9]+", "_", captures[0].stem.lower()).strip("_") or "capture"
    name = f"layout_{slug}"[:60]
    path = folder / f"{name}.toml"
    if path.exists():
        raise CallError(f"{path} is there already; move it, or name another folder with --out")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        save(proposal.calibration.model_copy(update={"name": name}), path)
    except OSError as error:
        raise CallError(f"{path} cannot be written ({error.strerror}); see --out") from None
    say(f"Proposed: {path}, {len(proposal.calibration.readout)} readouts. Look it over.")
    for note in proposal.notes:
        say(f"Note: {note}")
    for question in proposal.questions:
        choices = "; ".join(f"{value}: {words}" for value, words in question.choices)
        say(f"Open: {question.about}: {question.ask}{f' ({choices})' if choices else ''}")


def check(places: Path, captures: Sequence[Path], out: Path | None, say: Say) -> int:
    """Hold calibrations against captures; returns the exit status. Raises CallError."""
    from extractor.proposing.checking import check as held
    from extractor.reading import default_reader

    loaded, notices = load_calibrations([places])
    if not loaded:
        raise CallError(f"{places}: holds no calibration (*.toml); name a file or another folder")
    candidates = _candidates(captures)
    first = captures[0]
    target = out or (first if first.is_dir() else first.parent) / "readings" / "check"
    for notice in notices:
        say(f"Note: {notice}")

    def progress(done: int, total: int) -> None:
        if done in (0, total) or done % 20 == 0:
            say(f"checking: {done} of {total}", trouble=True)

    try:
        checked = held(
            [each.calibration for each in loaded], candidates, target, default_reader(), progress
        )
    except OSError as error:
        raise CallError(
            f"{target} cannot be written ({error.strerror}); name another folder with --out"
        ) from None
    for problem in checked.problems:
        say(f"{problem.capture}: {problem.problem}. {problem.mend}", trouble=True)
    for name, count in checked.found.items():
        say(
            f"{name}: found on {count} of {checked.captures} captures; "
            f"{checked.released.get(name, 0)} figures released, "
            f"{checked.flagged.get(name, 0)} flagged"
        )
        for line in checked.idle.get(name, []):
            say(f"  does nothing here: {line}")
    for code, count in Counter(checked.codes).most_common():
        say(f"  flagged {count:6d}  {code}: {DOUBTS[code].sentence}")
    say(f"Row by row: {target / 'check.csv'}; pictures with the boxes beside it.")
    return SOME_UNUSABLE if checked.problems else 0


def _opened(captures: Sequence[Path]) -> list[Shown]:
    from extractor.proposing import open_capture

    shown = []
    for capture in captures:
        try:
            shown.append(open_capture(capture))
        except CaptureError as error:
            raise CallError(f"{capture}: {error.problem}. {error.mend}") from None
    return shown


def _check_drawn_on(calibration: Calibration, shown: Shown, capture: Path) -> None:
    """Boxes are px of the capture they were drawn on, so it takes that one to mend them."""
    from extractor.proposing import Trials
    from extractor.reading import default_reader

    drawn = {each.name: each.box for each in calibration.readout if each.box}
    (trial,) = Trials(default_reader()).run(calibration, [shown])
    places = trial.found.places if trial.found else ()
    apart = [
        max(abs(place.box.x - drawn[place.readout][0]), abs(place.box.y - drawn[place.readout][1]))
        for place in places
        if place.box and place.readout in drawn
    ]
    width, height = calibration.drawn_on
    if (shown.capture.width, shown.capture.height) != (width, height) or (
        drawn and (not apart or min(apart) > _MOVED)
    ):
        raise CallError(
            f"{capture} does not show {calibration.name} where it was drawn: name first the "
            f"capture of {width} x {height} px on which it was drawn, or one just like it"
        )


def _folder(captures: Sequence[Path], out: Path | None) -> Path:
    """Where the calibration goes; checks that every capture is a file."""
    for capture in captures:
        if capture.is_dir():
            raise CallError(f"{capture} is a folder; name the captures of one layout in it")
        if not capture.exists():
            raise CallError(f"{capture}: there is no such file; check the path")
    return (out or captures[0].parent / "calibration").absolute()


def _candidates(captures: Sequence[Path]) -> list[Candidate]:
    found: list[Candidate] = []
    for capture in captures:
        if capture.is_dir():
            found += find_captures(capture).candidates
        elif capture.exists():
            found.append(Candidate(capture.name, capture))
        else:
            raise CallError(f"{capture}: there is no such file or folder; check the path")
    if not found:
        raise CallError(f"{captures[0]}: no capture was found there")
    return found
