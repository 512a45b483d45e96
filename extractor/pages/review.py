"""What ``ocrlog review`` works on: what is flagged, what a person decides of it, the spot-check."""

from __future__ import annotations

import re
import secrets
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any, cast, get_args

import xxhash

from extractor import export, store
from extractor.errors import CaptureError, OcrlogError
from extractor.extracting import Outcome
from extractor.extracting.crops import MARGIN
from extractor.judging import spot
from extractor.judging.deciding import Key, key_of
from extractor.pages.chart_items import ChartItem, chart_items
from extractor.pages.items import Item, Items
from extractor.pages.pictures import Pictures
from extractor.pages.serving import RefusedError
from extractor.proposing.strokes import whole
from extractor.reading import default_reader
from extractor.records import (
    Action,
    Begun,
    Box,
    Decision,
    Drawn,
    SpotCheck,
    SpotOutcome,
    Typed,
)
from extractor.traces.ink import colour_at
from extractor.traces.labels import LabelReader

_MOST_ALIKE = 500
_QUIET_S = 3.0
"""The tables are written anew when nothing was decided for so long, s ..."""
_SHARE = 10.0
"""... and not before so many times as long has passed as that takes."""


@dataclass(frozen=True, slots=True)
class _Pending:
    """Decided at a time that the tables do not show yet; ``waits``: it is to be decided (again)."""

    waits: bool
    at: float


class Review:
    """One opening of the page. Methods may be called from several threads.

    Parameters
    ----------
    outcome
        What ``extract`` found.
    again
        Judges and writes the tables anew, with all decisions.
    who
        Whose decisions these are.
    """

    def __init__(self, outcome: Outcome, again: Callable[[], Outcome], who: str) -> None:
        self.who = who
        self.pictures = Pictures()
        self._again = again
        self._ids: dict[Key, int] = {}
        self._lock = threading.RLock()
        self._judging = threading.Lock()
        self._reading = threading.Lock()
        self._reader: LabelReader | None = None
        self._made: list[tuple[Decision, ...]] = []
        self._pending: dict[int, _Pending] = {}
        self._looks: dict[int, str] = {}
        self.revision = 0
        self.trouble = ""
        self._judged_at = time.monotonic()
        self._took = 0.0
        self._check: SpotCheck | None = None
        self._put_off: set[str] = set()
        self._first = ""
        self._take(outcome, self._judged_at)

    def _take(self, outcome: Outcome, since: float) -> None:
        """Show what was judged with the decisions made before ``since``."""
        decisions, _ = store.read_decisions([outcome.settings.decisions])
        items = Items(outcome.judgement.verdicts, outcome.layouts, decisions, self._ids)
        with self._lock:
            self._outcome, self._items = outcome, items
            self._charts = {each.id: each for each in chart_items(outcome, self._ids)}
            self._pending = {id: each for id, each in self._pending.items() if each.at > since}
            self.revision += 1

    @property
    def outcome(self) -> Outcome:
        """What was judged last."""
        return self._outcome

    # ------------------------------------------------------------ what there is

    def opening(self) -> dict[str, Any]:
        """All that the page needs to begin."""
        with self._lock:
            return {
                "who": self.who,
                "captures": str(self._outcome.settings.captures),
                "decisions": str(self._outcome.settings.decisions),
                "out": str(self._outcome.settings.out),
                "readouts": self._items.overview(),
                **self.standing(),
            }

    def standing(self) -> dict[str, Any]:
        """How things stand: the page asks for it now and then."""
        with self._lock:
            return {
                "revision": self.revision,
                "unwritten": len(self._pending),
                "made": sum(len(each) for each in self._made),
                "trouble": self.trouble,
                "judging": self._judging.locked(),
            }

    def queue(self, by: str) -> dict[str, Any]:
        """The flagged readings that wait for a person, in order."""
        with self._lock:
            asked_again = [
                id for id, each in self._pending.items() if each.waits and id in self._items.by_id
            ]
            waiting = [id for id in self._items.flagged(by) if id not in self._pending]
            return {"ids": [*asked_again, *waiting], **self.standing()}

    def told(self, ids: Sequence[int]) -> list[dict[str, Any]]:
        """What the page says of items."""
        with self._lock:
            return [self._items.told(self._item(id)) for id in ids]

    def same(self, id: int) -> list[int]:
        """The other flagged readings of that text whose crops are pixel for pixel the same."""
        with self._lock:
            item = self._item(id)
            alike = [each for each in self._items.alike(item) if each.id not in self._pending]
        mine = self._look(item) if alike else ""
        return [each.id for each in alike[:_MOST_ALIKE] if mine and self._look(each) == mine]

    def _look(self, item: Item) -> str:
        """A hash of the crop of an item, '' if there is none."""
        if item.id not in self._looks:
            data = self._written(item)
            if data is None:
                return ""
            self._looks[item.id] = xxhash.xxh3_128_hexdigest(data)
        return self._looks[item.id]

    def _written(self, item: Item) -> bytes | None:
        """The crop of a flagged item as it lies beside the tables; None if there is none."""
        name = export.flagged_crop_name(item.verdict, item.rows[0])
        try:
            return (self._outcome.settings.out / "flagged" / name).read_bytes()
        except OSError:
            return None

    def proof(self, layout: str, readout: str) -> list[dict[str, Any]]:
        """Every reading of one readout by value, for the proof sheet."""
        with self._lock:
            return [
                {
                    "id": each.id,
                    "text": each.text,
                    "state": self._state(each),
                }
                for each in self._items.of_readout(layout, readout)
            ]

    def _state(self, item: Item) -> str:
        pending = self._pending.get(item.id)
        if pending is None:
            return item.state
        return "flagged" if pending.waits else "settled"

    def crop(self, id: int) -> bytes:
        """The figure of an item and a little of what is around it, PNG."""
        with self._lock:
            item = self._item(id)
        box, frame = item.reading.box, item.sighting.frame
        assert box is not None
        if item.state == "flagged" and (data := self._written(item)) is not None:
            return data
        return self.pictures.piece(item.sighting.capture, frame.pts, box, MARGIN * box.h)

    def whole(self, id: int) -> bytes:
        """The capture of an item, JPEG."""
        with self._lock:
            item = self._item(id)
        return self.pictures.whole(item.sighting.capture, item.sighting.frame.pts)

    def _item(self, id: int) -> Item:
        try:
            return self._items.by_id[id]
        except KeyError:
            raise RefusedError("This reading is not there any more; load the page anew.") from None

    # ------------------------------------------------------------ what a person decides

    def decide(self, ids: Sequence[int], action: str, text: str) -> dict[str, Any]:
        """Write what a person decided of one reading and those that look the same.

        On return it is on the disk. Raises RefusedError, also for a text that is no figure of the
        readout.
        """
        if action not in get_args(Action) or action == "withdraw" or not ids:
            raise RefusedError("What the page sent cannot be used; load it anew.")
        with self._lock:
            lines: list[Decision] = []
            for id in ids:
                lines += self._decisions(self._item(id), cast(Action, action), text.strip())
            self._append(lines, ids)
            self._made.append(tuple(lines))
            return {"ids": list(ids), **self.standing()}

    def undo(self) -> dict[str, Any]:
        """Take the last decision of this opening back. Raises RefusedError if there is none."""
        with self._lock:
            if not self._made:
                raise RefusedError("Nothing was decided since the page was opened.")
            ids = self._withdraw(self._made[-1])
            self._made.pop()
            return {"ids": ids, **self.standing()}

    def trust_again(self, id: int) -> dict[str, Any]:
        """Take back that this person doubts a reading. Raises RefusedError if they do not."""
        with self._lock:
            doubts = [
                each
                for each in self._items.told_of(self._item(id).key)
                if each.action == "doubt" and each.who == self.who
            ]
            if not doubts:
                raise RefusedError("You do not doubt this one.")
            ids = self._withdraw(doubts)
            taken = {each.id for each in doubts}
            self._made = [each for each in self._made if taken.isdisjoint(one.id for one in each)]
            return {"ids": ids, **self.standing()}

    def _withdraw(self, undone: Sequence[Decision]) -> list[int]:
        """Take decisions back; returns the items that they were about."""
        ids = list(dict.fromkeys(self._ids[key_of(each)] for each in undone))
        lines = [
            replace(each, id=_fresh(), when=_now(), action="withdraw", after="", replaces=each.id)
            for each in undone
        ]
        self._append(lines, ids)
        return ids

    def _decisions(self, item: Item, action: Action, text: str) -> list[Decision]:
        """The line of a decision; one for each that it takes the place of."""
        reading, box = item.reading, item.reading.box
        assert box is not None
        if action in ("correct", "type"):
            action = "correct" if reading.text else "type"
            if text == reading.text:
                action = "accept"
        gives = action in ("accept", "correct", "type")
        after = (reading.text if action == "accept" else text) if gives else ""
        if gives:
            said = self._items.forms(reading.layout, reading.readout).decided(after)
            why = "; ".join(each.why for each in said.doubts) if after else "Nothing is given"
            if why:
                raise RefusedError(f"{why}. Type what the crop shows, without its unit.")
        return self._lines(item.key, box, action, reading.text, after)

    def _lines(self, key: Key, box: Box, action: Action, before: str, after: str) -> list[Decision]:
        """A decision; one line for each that it takes the place of."""
        file, pts, layout, readout = key
        first = Decision(
            id="", when=_now(), who=self.who, file=file, pts=pts, layout=layout, readout=readout,
            box=box, before=before, after=after, action=action,
        )  # fmt: skip
        replaced = [each.id for each in self._items.told_of(key)] or [""]
        return [replace(first, id=_fresh(), replaces=each) for each in replaced]

    def _append(self, lines: Sequence[Decision], ids: Sequence[int]) -> None:
        try:
            store.append_decisions(self._outcome.settings.decisions, lines)
        except OcrlogError as error:
            raise RefusedError(f"Not kept: {error}", 507) from None
        self._items.note(lines)
        now = time.monotonic()
        for id in ids:
            self._pending[id] = _Pending(self._waits(id), now)

    def _waits(self, id: int) -> bool:
        """Whether something is to be decided, by its decisions; what follows is judged later."""
        shown: Item | ChartItem | None = self._items.by_id.get(id) or self._charts.get(id)
        if shown is None:
            return False
        told = self._items.told_of(shown.key)
        if told:
            return any(each.action == "doubt" for each in told)
        if isinstance(shown, ChartItem):
            return True
        row = shown.rows[0]  # all is taken back: what spoke against it speaks again
        return bool({each.code for each in (*row.doubts, *row.settled)} - {"doubted"})

    # ------------------------------------------------------------ charts

    def charts(self) -> dict[str, Any]:
        """The flagged charts that wait for a person."""
        with self._lock:
            told = [
                each.told(self._outcome.layouts)
                for id, each in self._charts.items()
                if id not in self._pending or self._pending[id].waits
            ]
            return {"charts": told, **self.standing()}

    def chart_crop(self, id: int) -> bytes:
        """The chart with its labels, PNG."""
        chart = self._chart(id)
        frame = chart.sighting.frame
        return self.pictures.piece(chart.sighting.capture, frame.pts, chart.room, 0.0)

    def point_out(self, id: int, x: float, y: float) -> dict[str, Any]:
        """The line at ``x``, ``y`` px of the capture: its colour, and the curve that it gives."""
        chart = self._chart(id)
        image = self.pictures.frame(chart.sighting.capture, chart.sighting.frame.pts)
        x0, y0, x1, y1 = whole(image, chart.plot)
        try:
            colour = colour_at(image[y0:y1, x0:x1], x - x0, y - y0)
        except ValueError:
            raise RefusedError("Nothing is drawn there: click on the line itself.") from None
        with self._reading:
            self._reader = self._reader or default_reader()
            try:
                curve = chart.by_colour(self._outcome.layouts, colour, self._reader)
            except CaptureError as error:
                raise RefusedError(f"{chart.sighting.capture.path}: {error.problem}.") from None
        if curve is None:
            raise RefusedError("The layout is not found on this capture any more.")
        return {"colour": colour, "curve": curve}

    def decide_chart(self, id: int, action: str, colour: str) -> dict[str, Any]:
        """Write what a person decided of a chart: its curve is right, by ``colour``; or unusable.

        On return it is on the disk. Raises RefusedError.
        """
        if action not in ("accept", "unreadable") or not re.fullmatch(r"#[0-9a-f]{6}", colour):
            raise RefusedError("What the page sent cannot be used; load it anew.")
        with self._lock:
            chart = self._chart(id)
            before = chart.colour(self._outcome.layouts)
            kind: Action = "unreadable"
            if action == "accept":
                kind = "accept" if colour == before else "correct"
            after = "" if kind == "unreadable" else colour
            lines = self._lines(chart.key, chart.plot, kind, before, after)
            self._append(lines, [id])
            self._made.append(tuple(lines))
            return self.standing()

    def _chart(self, id: int) -> ChartItem:
        with self._lock:
            if id not in self._charts:
                raise RefusedError("This chart is not there any more; load the page anew.")
            return self._charts[id]

    # ------------------------------------------------------------ judging anew

    @property
    def unwritten(self) -> bool:
        """Something was decided that the tables do not show yet."""
        return bool(self._pending)

    def judge_when_quiet(self) -> None:
        """Judge and write the tables anew if nothing was decided for a moment."""
        with self._lock:
            last = max((each.at for each in self._pending.values()), default=0.0)
        now = time.monotonic()
        quiet = now - last > _QUIET_S and now - self._judged_at > _SHARE * self._took
        if self.unwritten and quiet:
            self.judge()

    def judge(self) -> None:
        """Judge and write the tables anew; ``trouble`` says what kept it from it."""
        with self._judging:
            began = time.monotonic()
            try:
                outcome = self._again()
            except OcrlogError as error:
                self.trouble = f"Your decisions are kept; the tables are written later: {error}"
            else:
                self.trouble = ""
                self._take(outcome, began)
            self._judged_at = time.monotonic()
            self._took = self._judged_at - began

    # ------------------------------------------------------------ the spot-check

    def spot_check(self) -> dict[str, Any]:
        """The spot-check under way, and what earlier ones say."""
        with self._lock:
            checks, _ = store.read_spot_checks([self._outcome.settings.decisions])
            if self._check is None:
                open_ones = [
                    each for each in checks if each.begun.who == self.who and not each.complete
                    and each.begun.method == self._outcome.method
                    and each.begun.id not in self._put_off
                ]  # fmt: skip
                self._check = open_ones[-1] if open_ones else None
            now = self._check
            return {
                "population": len(spot.displayed(self._outcome.judgement)),
                "usual": spot.USUAL,
                "done": [spot.statement(each, self._outcome.method) for each in checks
                         if each.typed and (now is None or each.begun.id != now.begun.id)],
                "now": None if now is None else self._asked(now),
            }  # fmt: skip

    def begin_spot_check(self, planned: int) -> dict[str, Any]:
        """Fix the number, draw the figures, and write that down before any crop is shown."""
        with self._lock:
            population = spot.displayed(self._outcome.judgement)
            if not 1 <= planned <= len(population):
                raise RefusedError(f"Give a number from 1 to {len(population)}.")
            drawn = spot.draw(population, planned, secrets.randbits(64))
            begun = Begun(_fresh(), _now(), self.who, self._outcome.method, len(population), drawn)
            self._keep(begun)
            self._check, self._first = SpotCheck(begun), ""
            return self.spot_check()

    def type_spot_check(self, at: int, text: str, cannot: bool) -> dict[str, Any]:
        """Take what a person typed of the figure ``at``; a mismatch asks a second time.

        ``cannot``: the person cannot tell what stands there.
        """
        with self._lock:
            check = self._check
            if check is None or at != len(check.typed):
                raise RefusedError("This figure was typed already; load the page anew.")
            drawn, typed = check.begun.drawn[at], text.strip()
            outcome: SpotOutcome = "undecidable"
            if not cannot and not typed:
                raise RefusedError("Type what the crop shows, without its unit.")
            if not cannot and self._agree(drawn, typed):
                outcome = "slip" if self._first else "agrees"
            elif not cannot and self._first:
                outcome = "wrong"
            line = Typed(
                check.begun.id, at, self._first or typed, typed if self._first else "", outcome
            )
            self._keep(line)  # a mismatch too: whoever ends here has seen what was read
            if outcome == "undecidable" and not cannot:
                self._first = typed
                return self.spot_check() | {"again": {"read": drawn.text, "typed": typed}}
            self._check, self._first = SpotCheck(check.begun, (*check.typed, line)), ""
            if outcome in ("wrong", "undecidable"):
                self._send_on(drawn, "correct" if outcome == "wrong" else "doubt", typed)
            said = ""
            if self._check.complete:
                said = spot.statement(self._check, self._outcome.method)
                self._check = None
            return self.spot_check() | {"outcome": outcome, "statement": said}

    def _agree(self, drawn: Drawn, typed: str) -> bool:
        """What was typed is the figure that was read: the same value, or the same word."""
        forms = self._items.forms(drawn.layout, drawn.readout)
        one, other = forms.decided(typed), forms.of(drawn.text)
        if not one.values or not other.values:
            return typed.casefold().split() == drawn.text.casefold().split()
        return [each.value for each in one.values] == [each.value for each in other.values]

    def _send_on(self, drawn: Drawn, action: str, typed: str) -> None:
        """A wrong figure is corrected at once, one that cannot be told goes to the review."""
        id = self._ids.get((drawn.file, drawn.pts, drawn.layout, drawn.readout), -1)
        if id not in self._items.by_id:
            return
        forms = self._items.forms(drawn.layout, drawn.readout)
        right = action == "correct" and not forms.decided(typed).doubts
        self.decide([id], action if right else "doubt", typed if right else "")

    def stop_spot_check(self) -> dict[str, Any]:
        """End it early: what was typed stays, as exploratory."""
        with self._lock:
            if self._check is not None:
                self._put_off.add(self._check.begun.id)
            self._check, self._first = None, ""
            return self.spot_check()

    def spot_crop(self, at: int) -> bytes:
        """The figure ``at`` of the spot-check under way, PNG."""
        with self._lock:
            if self._check is None or not 0 <= at < self._check.planned:
                raise RefusedError("No spot-check is under way.", 404)
            drawn = self._check.begun.drawn[at]
            captures = {each.content: each for each in self._outcome.captures}
        capture = captures.get(drawn.file)
        if capture is None:
            raise RefusedError("The capture of this figure is not there any more.", 404)
        return self.pictures.piece(capture, drawn.pts, drawn.box, MARGIN * drawn.box.h)

    def _asked(self, check: SpotCheck) -> dict[str, Any]:
        at = len(check.typed)
        drawn = check.begun.drawn[at]
        readout = self._items.readout(drawn.layout, drawn.readout)
        return {
            "id": check.begun.id,
            "at": at,
            "planned": check.planned,
            "readout": drawn.readout,
            "kind": readout.kind,
            "wrong": check.count("wrong"),
            "undecidable": check.count("undecidable"),
            "slips": check.count("slip"),
        }

    def _keep(self, line: Begun | Typed) -> None:
        try:
            store.append_to_spot_check(self._outcome.settings.decisions, self.who, line)
        except OcrlogError as error:
            raise RefusedError(f"Not kept: {error}", 507) from None


def _fresh() -> str:
    return secrets.token_hex(8)


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
