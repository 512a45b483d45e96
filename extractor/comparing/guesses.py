"""The guesses of facts that change the comparison, as questions that a person can answer.

A device told by its screen in session.toml, and a round that a path names, are not asked: only
made-up names of devices, and rounds that were told from times alone. One question stands for
all captures of a device, or of a device and variant. Devices come first: once they are named,
the rounds are guessed anew.
"""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from extractor.extracting import Outcome
from extractor.facts import Written, named_numbers
from extractor.records import Capture
from extractor.session import Session, match_pattern

Prompt = Callable[[str, str], str]
"""Asks a person: words and what Enter stands for -> what was typed, or that."""

BACK = "<"
LEAVE_OUT = "-"
# Captures of one screen that lie further apart may be another device's.
_APART = timedelta(minutes=5)


@dataclass(frozen=True, slots=True)
class Stretch:
    """Captures that belong together: a round as guessed, or what was taken in one go."""

    captures: tuple[str, ...]
    words: str
    round: int = 0
    attempt: int = 1


@dataclass(frozen=True, slots=True)
class Question(ABC):
    """One guess. ``told`` says what was guessed, in a line; ``captures`` are all it is about."""

    told: str
    stretches: tuple[Stretch, ...]

    @property
    def captures(self) -> tuple[str, ...]:
        """The captures of all stretches."""
        return tuple(path for stretch in self.stretches for path in stretch.captures)

    @abstractmethod
    def ask(self, prompt: Prompt) -> Written | None:
        """Ask it; return capture -> fact -> text, or None to go back to the question before."""


@dataclass(frozen=True, slots=True)
class DeviceQuestion(Question):
    """Which device made the captures of one size; ``default`` is what Enter stands for."""

    words: str
    default: str

    def ask(self, prompt: Prompt) -> Written | None:
        """Ask for a name; of several with ``/`` between, ask for each stretch in turn."""
        while True:
            typed = prompt(self.words, self.default).strip()
            if typed == BACK:
                return None
            names = [name.strip() for name in typed.split("/") if name.strip()]
            if len(names) < 2:
                return {path: {"device": name} for path in self.captures for name in names}
            chosen = self._each(names, prompt)
            if chosen is not None:
                return chosen

    def _each(self, names: Sequence[str], prompt: Prompt) -> Written | None:
        chosen: list[str] = []
        while len(chosen) < len(self.stretches):
            stretch = self.stretches[len(chosen)]
            usual = chosen[-1] if chosen else names[0]
            typed = prompt(f"  {stretch.words}: {' or '.join(names)}?", usual).strip()
            if typed in (*names, LEAVE_OUT):
                chosen.append(typed)
            elif typed == BACK and not chosen:
                return None
            elif typed == BACK:
                chosen.pop()
        return {
            path: {"device": name}
            for stretch, name in zip(self.stretches, chosen, strict=True)
            if name != LEAVE_OUT
            for path in stretch.captures
        }


@dataclass(frozen=True, slots=True)
class RoundQuestion(Question):
    """Whether the rounds of a device and variant, told from times, are right."""

    device: str
    variant: str

    @property
    def words(self) -> str:
        """What was guessed, a line a round, and the question."""
        lines = [f"  round {_numbered(each)}  {each.words}" for each in self.stretches]
        name = f"{self.device} {self.variant}".strip()
        return "\n".join([f"{name}, rounds by their times:", *lines, "Right (y, n)?"])

    def ask(self, prompt: Prompt) -> Written | None:
        """Ask whether all are right; if not, for each what it is."""
        while True:
            typed = prompt(self.words, "y").strip().lower()
            if typed == BACK:
                return None
            if typed in ("y", "yes"):
                return {
                    path: {"round": str(each.round), "attempt": str(each.attempt)}
                    for each in self.stretches
                    for path in each.captures
                }
            if typed in ("n", "no"):
                mended = self._each(prompt)
                if mended is not None:
                    return mended

    def _each(self, prompt: Prompt) -> Written | None:
        """Ask for each stretch; what follows one that was mended counts on from it."""
        head = (
            "Type what each is: its round, and the variant if a switch was changed, as `1` or "
            f"`1 limiter-on`.\nThe same round again is a further attempt; {LEAVE_OUT} leaves it "
            f"out; Enter keeps; {BACK} goes back.\n"
        )
        chosen: list[tuple[int, str]] = []
        while len(chosen) < len(self.stretches):
            stretch = self.stretches[len(chosen)]
            usual = self._usual(chosen)
            typed = prompt(f"{head}  {stretch.words}: round", usual).strip()
            head = ""
            if typed == BACK:
                if not chosen:
                    return None
                chosen.pop()
            elif typed == LEAVE_OUT:
                chosen.append((0, ""))
            elif match := re.fullmatch(r"(?:round )?([1-9][0-9]{0,3})(?:\s+(\S.*))?", typed):
                chosen.append((int(match[1]), match[2] or self.variant))
        return self._mended(chosen)

    def _usual(self, chosen: Sequence[tuple[int, str]]) -> str:
        """What Enter stands for: as guessed so far, else the round after the last."""
        last = next(((n, v) for n, v in reversed(chosen) if n), None)
        guessed = [(each.round, self.variant) for each in self.stretches]
        if last is None or list(chosen) == guessed[: len(chosen)]:
            number, variant = guessed[len(chosen)]
        else:
            number, variant = last[0] + 1, last[1]
        return f"{number} {variant if variant != self.variant else ''}".strip()

    def _mended(self, chosen: Sequence[tuple[int, str]]) -> Written:
        answers: dict[str, dict[str, str]] = {}
        attempts: dict[tuple[int, str], int] = defaultdict(int)
        for stretch, (number, variant) in zip(self.stretches, chosen, strict=True):
            attempts[number, variant] += 1
            facts = {"round": str(number), "attempt": str(attempts[number, variant])}
            if variant != self.variant:
                facts["variant"] = variant
            for path in stretch.captures:
                answers[path] = dict(facts) if number else {"round": "", "attempt": ""}
        return answers


KINDS = (DeviceQuestion, RoundQuestion)
"""The kinds of questions in the order in which they are asked: rounds hang on devices."""

HINT = (
    f"Enter takes what stands in [ ], {BACK} goes back. Where two devices have the same screen, "
    "type both names with / between."
)


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


def ask_all(found: Sequence[Question], prompt: Prompt) -> Written:
    """Ask every question; return what was answered: capture -> fact -> text."""
    answers: list[Written] = []
    while len(answers) < len(found):
        answer = found[len(answers)].ask(prompt)
        if answer is not None:
            answers.append(answer)
        elif answers:
            answers.pop()
    return {path: facts for answer in answers for path, facts in answer.items()}


# ---------------------------------------------------------------- what is asked


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
    in_time = sorted(
        groups.items(), key=lambda group: min(_taken(path, captures) for path in group[1])
    )
    for (name, width, height), paths in in_time:
        fitting = [
            each
            for each, known in session.device.items()
            if known.screen and sorted(known.screen, reverse=True) == [width, height]
        ]
        told = f"{_counted(paths)} of {width} × {height} px, {_when(paths, captures)}"
        example = f"{paths[0]}, ..." if len(paths) > 1 else paths[0]
        yield DeviceQuestion(
            f"{told} ({example}): device {name or 'unknown'}",
            tuple(_apart(paths, captures)),
            f"{told} ({example}): which device?",
            name or " / ".join(fitting),
        )


def _rounds(
    captures: Mapping[str, Capture],
    facts: Mapping[str, Mapping[str, str]],
    is_guess: Callable[[str, str], bool],
) -> Iterable[Question]:
    groups: dict[tuple[str, str], dict[tuple[int, int], list[str]]] = defaultdict(dict)
    for path, known in facts.items():
        if known.get("round") and is_guess(path, "round") and "round" not in named_numbers(path):
            key = int(known["round"]), int(known.get("attempt", "1"))
            subject = known.get("device", ""), known.get("variant", "")
            groups[subject].setdefault(key, []).append(path)
    for (device, variant), them in sorted(groups.items()):
        stretches = [
            Stretch(tuple(paths), f"{_when(paths, captures)}, {_counted(paths)}", number, attempt)
            for (number, attempt), paths in them.items()
        ]
        stretches.sort(key=lambda each: min(_taken(path, captures) for path in each.captures))
        told = "; ".join(f"round {_numbered(each)} {each.words}" for each in stretches)
        yield RoundQuestion(
            f"{f'{device} {variant}'.strip()}: {told}", tuple(stretches), device, variant
        )


def _apart(paths: Sequence[str], captures: Mapping[str, Capture]) -> Iterable[Stretch]:
    """The captures of one screen, in stretches between which another device may have been run."""
    groups: list[list[str]] = []
    last = datetime.min
    for path in sorted(paths, key=lambda path: (_taken(path, captures), path)):
        taken = _taken(path, captures)
        if not groups or taken - last > _APART:
            groups.append([])
        groups[-1].append(path)
        last = taken + timedelta(seconds=captures[path].duration_s or 0.0)
    for them in groups:
        yield Stretch(tuple(them), f"{_when(them, captures)}, {_counted(them)}")


def _taken(path: str, captures: Mapping[str, Capture]) -> datetime:
    """By the clock on the device: zones are dropped, names have none."""
    taken = captures[path].taken
    return datetime.fromisoformat(taken).replace(tzinfo=None) if taken else datetime.min


def _when(paths: Sequence[str], captures: Mapping[str, Capture]) -> str:
    times = [time for path in paths if (time := _taken(path, captures)) != datetime.min]
    if not times:
        return "time unknown"
    first, last = min(times), max(times)
    if first.date() == last.date():
        ends = f"{first:%H:%M}" if first == last else f"{first:%H:%M} to {last:%H:%M}"
        return f"{first:%Y-%m-%d} {ends}"
    return f"{first:%Y-%m-%d %H:%M} to {last:%Y-%m-%d %H:%M}"


def _numbered(each: Stretch) -> str:
    return f"{each.round} (attempt {each.attempt})" if each.attempt > 1 else str(each.round)


def _counted(paths: Sequence[str]) -> str:
    return "1 capture" if len(paths) == 1 else f"{len(paths)} captures"
