"""The guesses of facts that change the comparison, as questions that a person can answer.

A device told by its screen in session.toml, and a round that a path names, are not asked: only
made-up names of devices, and rounds that were told from times alone. One question stands for
all captures of a device, or of a device and variant.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from extractor.extracting import Outcome
from extractor.facts import Written, named_numbers
from extractor.records import Capture
from extractor.session import Session, match_pattern


@dataclass(frozen=True, slots=True)
class Question:
    """One guess: ``fact`` of ``captures``, what was guessed, and the question in words.

    ``fact`` is ``device``, answered by a name, or ``round``, answered by yes or no. ``words`` name
    the device as it was guessed, ``device``.
    """

    fact: str
    device: str
    captures: tuple[str, ...]
    guesses: tuple[Mapping[str, str], ...]
    words: str
    default: str = ""


Ask = Callable[[Question], str | None]
"""Asks a person: a name for a device; for rounds '' means they are right, None leaves it open."""


def questions(outcome: Outcome, session: Session, written: Written) -> list[Question]:
    """The guesses that matter, devices first."""
    captures = {each.path: each for each in outcome.captures}
    facts: dict[str, Mapping[str, str]] = {}
    for verdict in outcome.judgement.verdicts:
        facts.setdefault(verdict.sighting.capture.path, verdict.sighting.facts)

    def is_guess(path: str, name: str) -> bool:
        stated = match_pattern(session.captures, path) if session.captures else None
        return name not in written.get(path, {}) and name not in (stated or {})

    return [
        *_devices(captures, facts, session, is_guess),
        *_rounds(captures, facts, is_guess),
    ]


def _devices(
    captures: Mapping[str, Capture],
    facts: Mapping[str, Mapping[str, str]],
    session: Session,
    is_guess: Callable[[str, str], bool],
) -> Iterable[Question]:
    groups: dict[tuple[str, int, int], list[str]] = defaultdict(list)
    for path, known in facts.items():
        name = known.get("device", "")
        if is_guess(path, "device") and name not in session.device:
            each = captures[path]
            size = sorted((each.width, each.height), reverse=True)
            groups[name, size[0], size[1]].append(path)
    for (name, width, height), paths in groups.items():
        what = "1 capture" if len(paths) == 1 else f"{len(paths)} captures"
        yield Question(
            "device",
            name,
            tuple(paths),
            tuple({"device": name} for _ in paths),
            f"Which device made the {what} of {width} × {height} px ({paths[0]}, ...)?",
            name,
        )


def _rounds(
    captures: Mapping[str, Capture],
    facts: Mapping[str, Mapping[str, str]],
    is_guess: Callable[[str, str], bool],
) -> Iterable[Question]:
    groups: dict[tuple[str, str], list[str]] = defaultdict(list)
    for path, known in facts.items():
        if known.get("round") and is_guess(path, "round") and "round" not in named_numbers(path):
            groups[known.get("device", ""), known.get("variant", "")].append(path)
    for (device, variant), paths in groups.items():
        told = _told(paths, captures, facts)
        yield Question(
            "round",
            device,
            tuple(paths),
            tuple(
                {name: facts[path][name] for name in ("round", "attempt") if name in facts[path]}
                for path in paths
            ),
            f"{device} {variant}".strip() + f": by their times these are {told}. Right?",
        )


def _told(
    paths: Sequence[str],
    captures: Mapping[str, Capture],
    facts: Mapping[str, Mapping[str, str]],
) -> str:
    groups: dict[tuple[int, int], list[datetime]] = defaultdict(list)
    for path in paths:
        key = int(facts[path]["round"]), int(facts[path].get("attempt", "1"))
        if captures[path].taken:
            groups[key].append(datetime.fromisoformat(captures[path].taken))
    parts = []
    for (number, attempt), times in sorted(groups.items()):
        again = f" (attempt {attempt})" if attempt > 1 else ""
        parts.append(
            f"round {number}{again} {min(times):%H:%M} to {max(times):%H:%M}, {len(times)} captures"
        )
    return "; ".join(parts)


def _renamed(question: Question, answers: Written) -> Question:
    """Name the device as the person has just named it."""
    name = answers.get(question.captures[0], {}).get("device")
    if question.fact != "round" or not name:
        return question
    return replace(question, words=name + question.words.removeprefix(question.device))


def ask_all(found: Sequence[Question], ask: Ask) -> Written:
    """Ask every question; return what was answered: capture -> fact -> text."""
    answers: dict[str, dict[str, str]] = defaultdict(dict)
    for question in found:
        answer = ask(_renamed(question, answers))
        if answer is None:
            continue
        for path, guess in zip(question.captures, question.guesses, strict=True):
            if question.fact == "device":
                if answer.strip():
                    answers[path]["device"] = answer.strip()
            else:
                answers[path].update(guess)
    return dict(answers)
