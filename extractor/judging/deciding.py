"""Decisions of people and the readings they hold for.

A decision holds while file, time, layout and readout are the same and the boxes of then and now
cover at least 60 % of each other. What another decision replaces gives way to it; what is withdrawn
is as if it had never been, so that what it replaced holds again.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from extractor.records import Box, Decision, Doubt, Reading, Sighting, Source, TraceRead

COVER = 0.6
"""Share of either box that the other must cover for a decision to hold."""

Key = tuple[str, int | None, str, str]
"""Capture's content, time stamp of the frame or None, id of the layout, readout."""

_ACTIONS: dict[str, Source] = {"accept": "accepted", "correct": "corrected", "type": "typed"}


@dataclass(frozen=True, slots=True)
class Answer:
    """What people decided of one reading.

    ``text`` is the figure that ``who`` gave; ``doubt`` is a reason why no answer holds (then
    ``text`` is ''), or the flag of a figure that a person too found unreadable (then ``settles``
    is true).
    """

    text: str
    source: Source
    doubt: Doubt | None = None
    settles: bool = True
    who: str = ""


class Answers:
    """The decisions that are not taken back, asked reading by reading."""

    def __init__(self, decisions: Iterable[Decision]) -> None:
        self._by_reading: dict[Key, list[Decision]] = defaultdict(list)
        for each in live(decisions):
            self._by_reading[key_of(each)].append(each)

    def __bool__(self) -> bool:
        return bool(self._by_reading)

    def find(self, content: str, pts: int | None, reading: Reading) -> Answer | None:
        """Return what was decided of ``reading``, None if nothing was."""
        if not self._by_reading:
            return None
        key = (content, pts, reading.layout, reading.readout)
        return self._find(key, reading.box, reading.text)

    def of_chart(
        self, content: str, pts: int | None, read: TraceRead, colour: str
    ) -> Answer | None:
        """Return what was decided of a trace that was read by ``colour``.

        The answer's text is the colour by which the line is to be found.
        """
        return self._find((content, pts, read.layout, chart_name(read.trace)), read.plot, colour)

    def _find(self, key: Key, box: Box | None, text: str) -> Answer | None:
        if box is None or key not in self._by_reading:
            return None
        told = self._by_reading[key]
        here = [each for each in told if covers(box, each.box)]
        return _answer(here, text) if here else _elsewhere(told[-1])

    def idle(self, sightings: Iterable[Sighting]) -> list[str]:
        """Say which decisions are about a readout that their capture no longer shows."""
        if not self._by_reading:
            return []
        places: dict[tuple[str, int | None], str] = {}
        shown = set()
        for sighting in sightings:
            frame = sighting.frame
            places[frame.content, frame.pts] = sighting.capture.path
            shown |= {
                (frame.content, frame.pts, each.layout, each.readout)
                for each in frame.readings
                if each.box is not None
            }
            shown |= {
                (frame.content, frame.pts, each.layout, chart_name(each.trace))
                for each in frame.traces
                if each.plot is not None
            }
        return [
            f"{places[key[:2]]}: {told[-1].who} decided {key[3]}, which is not shown there now; "
            "the decision is kept and does nothing"
            for key, told in sorted(self._by_reading.items(), key=lambda each: str(each[0]))
            if key[:2] in places and key not in shown
        ]


def chart_name(trace: str) -> str:
    """What stands for the readout in a decision about a trace: no readout has such a name."""
    return f"trace:{trace}"


def live(decisions: Iterable[Decision]) -> list[Decision]:
    """The decisions that hold by themselves, neither replaced nor withdrawn, oldest first."""
    once = {each.id: each for each in decisions}.values()
    undone = {each.replaces for each in once if each.action == "withdraw"}
    made = [each for each in once if each.action != "withdraw" and each.id not in undone]
    replaced = {each.replaces for each in made if each.replaces != each.id}
    return sorted(
        (each for each in made if each.id not in replaced), key=lambda each: (each.when, each.id)
    )


def key_of(decision: Decision) -> Key:
    """What tells the reading that a decision is about."""
    return decision.file, decision.pts, decision.layout, decision.readout


def covers(one: Box, other: Box) -> bool:
    """Tell whether two boxes cover at least ``COVER`` of each other."""
    shared = one.overlap(other)
    return shared > 0 and shared >= COVER * max(one.w * one.h, other.w * other.h)


def given(decision: Decision) -> str:
    """The figure a decision gives, '' if it gives none."""
    if decision.action in ("unreadable", "doubt"):
        return ""
    if decision.action == "accept":
        return decision.after or decision.before
    return decision.after


def _answer(told: Sequence[Decision], text: str) -> Answer:
    last = told[-1]
    for each in told:
        if each.action == "doubt":
            return _doubted(each)
    if len({given(each) for each in told}) > 1:
        said = " and ".join(f"{each.who} says {given(each) or 'unreadable'}" for each in told)
        return Answer("", "read", Doubt("reviewers-disagree", said), settles=False)
    after = given(last)
    if last.action == "unreadable":
        why = f"{last.who} found it unreadable on {last.when}"
        return Answer("", "read", Doubt("unreadable", why), who=last.who)
    who = " and ".join(dict.fromkeys(each.who for each in told))
    # What was accepted is no longer what is read: then it is a correction.
    changed = last.action == "accept" and after != text
    return Answer(after, "corrected" if changed else _ACTIONS[last.action], who=who)


def _doubted(doubt: Decision) -> Answer:
    why = f"{doubt.who} doubts {doubt.before or 'it'} since {doubt.when}"
    return Answer("", "read", Doubt("doubted", why), settles=False)


def _elsewhere(last: Decision) -> Answer:
    if last.action == "doubt":
        return _doubted(last)
    box = last.box
    why = (
        f"{last.who} gave {given(last) or 'unreadable'} on {last.when} for the box at "
        f"{box.x:.1f}, {box.y:.1f} of {box.w:.1f} x {box.h:.1f} px"
    )
    return Answer("", "read", Doubt("decided-elsewhere", why), settles=False)
