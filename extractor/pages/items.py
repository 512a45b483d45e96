"""Readings as the review shows them: in which order, beside which neighbours, with what offered."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from extractor.calibration.model import Calibration, Readout
from extractor.judging.deciding import Key, given, key_of, live
from extractor.judging.forms import Forms, unit_of
from extractor.records import DOUBTS, Decision, Judged, Reading, Sighting, Verdict

_BESIDE = 4
"""Neighbours in the run that are shown as numbers, to either side."""
_LINE = 60
"""Neighbours that the small line shows, to either side."""
_MOST_OFFERED = 5


@dataclass(frozen=True, slots=True)
class Item:
    """One reading that is shown: ``id`` tells it for as long as the page is open."""

    id: int
    verdict: Verdict
    rows: tuple[Judged, ...]

    @property
    def sighting(self) -> Sighting:
        """Where it was seen."""
        return self.verdict.sighting

    @property
    def reading(self) -> Reading:
        """What the picture says."""
        return self.rows[0].reading

    @property
    def key(self) -> Key:
        """What tells the reading in decisions."""
        frame, reading = self.sighting.frame, self.reading
        return frame.content, frame.pts, reading.layout, reading.readout

    @property
    def state(self) -> str:
        """released, missing, settled (by a person, unreadable included) or flagged."""
        row = self.rows[0]
        if row.doubts:
            by_person = row.confidence is None and row.doubts[0].code == "unreadable"
            return "settled" if by_person and len(row.doubts) == 1 else "flagged"
        return {"read": "released", "missing": "missing"}.get(row.source, "settled")

    @property
    def text(self) -> str:
        """The figure as it stands now: a person's, else what was read."""
        return self.rows[0].decided_text or self.reading.text

    @property
    def value(self) -> float | None:
        """The value of the first row, or what its text would give."""
        row = self.rows[0]
        return row.candidate if row.value is None else row.value


class Items:
    """All readings that are shown on some capture, and what was decided of them.

    ``ids`` numbers readings by key and grows; it is shared by all ``Items`` of one page.
    """

    def __init__(
        self,
        verdicts: Sequence[Verdict],
        layouts: Mapping[str, Calibration],
        decisions: Sequence[Decision],
        ids: dict[Key, int],
    ) -> None:
        self._layouts = layouts
        self._orders = {
            layout.id: {readout.name: at for at, readout in enumerate(layout.readout)}
            for layout in layouts.values()
        }
        self.by_id: dict[int, Item] = {}
        self._series: dict[tuple[str, str, str], list[int]] = defaultdict(list)
        self._places: dict[int, int] = {}
        self._forms: dict[tuple[str, str], Forms] = {}
        for verdict in verdicts:
            for rows in _by_reading(verdict):
                self._take(verdict, rows, ids)
        for series in self._series.values():
            series.sort(key=lambda id: _when(self.by_id[id]))
            self._places |= {id: place for place, id in enumerate(series)}
        self._alike: dict[tuple[str, str, str], list[int]] = defaultdict(list)
        for item in self.by_id.values():
            if item.state == "flagged":
                self._alike[_said(item)].append(item.id)
        self._decisions: dict[Key, list[Decision]] = defaultdict(list)
        self.note(decisions)

    def _take(self, verdict: Verdict, rows: tuple[Judged, ...], ids: dict[Key, int]) -> None:
        frame, reading = verdict.sighting.frame, rows[0].reading
        key = (frame.content, frame.pts, reading.layout, reading.readout)
        item = Item(ids.setdefault(key, len(ids)), verdict, rows)
        if item.id in self.by_id:  # a copy of the file under another name
            return
        self.by_id[item.id] = item
        self._series[verdict.run, reading.layout, reading.readout].append(item.id)

    def note(self, decisions: Sequence[Decision]) -> None:
        """Take in further decisions; what they change of other readings takes judging anew."""
        for decision in decisions:
            self._decisions[key_of(decision)].append(decision)

    # ------------------------------------------------------------ what there is

    def readout(self, layout: str, readout: str) -> Readout:
        """A readout of a calibration in use."""
        return self._layouts[layout].readout[self._orders[layout][readout]]

    def forms(self, layout: str, readout: str) -> Forms:
        """What texts of a readout say."""
        if (layout, readout) not in self._forms:
            entry = self.readout(layout, readout)
            self._forms[layout, readout] = Forms(self._layouts[layout], entry)
        return self._forms[layout, readout]

    def flagged(self, by: str) -> list[int]:
        """The flagged items, the most doubtful first, or by readout and value."""
        found = [each for each in self.by_id.values() if each.state == "flagged"]
        found.sort(key=self._by_readout if by == "readout" else _by_doubt)
        return [each.id for each in found]

    def of_readout(self, layout: str, readout: str) -> list[Item]:
        """All items of one readout, by value."""
        return sorted(
            (
                each
                for each in self.by_id.values()
                if (each.reading.layout, each.reading.readout) == (layout, readout)
            ),
            key=lambda each: (each.value is None, each.value or 0.0, each.text, *_when(each)),
        )

    def overview(self) -> list[dict[str, Any]]:
        """Every readout in use with how many of its readings are in which state."""
        counts: dict[tuple[str, str], dict[str, int]] = defaultdict(lambda: defaultdict(int))
        for each in self.by_id.values():
            counts[each.reading.layout, each.reading.readout][each.state] += 1
        return [
            {
                "layout": layout.id,
                "name": layout.name,
                "readout": readout.name,
                "unit": unit_of(readout),
                **counts[layout.id, readout.name],
            }
            for layout in sorted(self._layouts.values(), key=lambda each: (each.name, each.id))
            for readout in layout.readout
            if (layout.id, readout.name) in counts
        ]

    def told_of(self, key: Key) -> list[Decision]:
        """The decisions that hold for a reading or a trace, wherever its box was, oldest first."""
        return live(self._decisions.get(key, ()))

    def alike(self, item: Item) -> list[Item]:
        """The other flagged items of the same readout that were read as the same text."""
        return [self.by_id[id] for id in self._alike[_said(item)] if id != item.id]

    # ------------------------------------------------------------ one item, told to the browser

    def told(self, item: Item) -> dict[str, Any]:
        """All that the page says of one item."""
        reading, box, capture = item.reading, item.reading.box, item.sighting.capture
        readout = self.readout(reading.layout, reading.readout)
        forms = self.forms(reading.layout, reading.readout)
        assert box is not None
        return {
            "id": item.id,
            "capture": capture.path,
            "size": [capture.width, capture.height],
            "at_s": item.sighting.frame.at_s,
            "taken": capture.taken,
            "facts": {name: text for name, text in item.sighting.facts.items() if text},
            "layout": self._layouts[reading.layout].name,
            "readout": readout.name,
            "kind": readout.kind,
            "measures": _measures(readout),
            "unit": unit_of(readout),
            "text": reading.text,
            "acceptable": bool(reading.text) and not forms.decided(reading.text).doubts,
            "state": item.state,
            "box": [box.x, box.y, box.w, box.h],
            "doubts": [
                {"code": doubt.code, "why": doubt.why, "help": DOUBTS[doubt.code].help}
                for doubt in item.rows[0].doubts
            ],
            "looks": [
                {"reader": look.reader, "text": look.text, "probability": look.probability}
                for look in reading.looks
            ],
            "offers": self._offers(item),
            "decided": [
                {"who": each.who, "when": each.when, "action": each.action, "text": given(each)}
                for each in self.told_of(item.key)
            ],
            **self._around(item),
        }

    def _offers(self, item: Item) -> list[dict[str, Any]]:
        """Texts it may be, likeliest first: what people said, then what the picture allows."""
        reading = item.reading
        forms = self.forms(reading.layout, reading.readout)
        offers: dict[str, str] = {}
        for each in self.told_of(item.key):
            if text := given(each):
                offers.setdefault(text, f"{each.who} said so")
        seen = sorted(reading.looks, key=lambda each: -each.probability)
        near = sorted(
            [
                *((each.probability, each.text) for each in reading.alternatives),
                *((each.probability, each.text) for each in reading.neighbours),
            ],
            reverse=True,
        )
        for look in seen:
            offers.setdefault(look.text, f"{look.reader} reads it")
        for probability, text in near:
            offers.setdefault(text, f"{probability:.1g} of the picture")
        usable = [
            {"text": text, "why": why}
            for text, why in offers.items()
            if text and text != reading.text and not forms.decided(text).doubts
        ]
        usable.sort(key=lambda each: bool(forms.of(each["text"]).doubts))  # out of bounds: last
        return usable[:_MOST_OFFERED]

    def _around(self, item: Item) -> dict[str, Any]:
        """The neighbours in the run, as numbers and as a small line."""
        reading = item.reading
        series = self._series[item.verdict.run, reading.layout, reading.readout]
        place = self._places[item.id]
        near = [self.by_id[id] for id in series[max(0, place - _LINE) : place + _LINE + 1]]
        at = min(place, _LINE)
        return {
            "before": [_beside(each) for each in near[max(0, at - _BESIDE) : at]],
            "after": [_beside(each) for each in near[at + 1 : at + 1 + _BESIDE]],
            "line": [[each.value, each.state == "flagged"] for each in near],
            "line_at": at,
            "run": [place + 1, len(series)],
        }

    def _by_readout(self, item: Item) -> tuple[Any, ...]:
        layout = self._layouts[item.reading.layout]
        order = self._orders[layout.id][item.reading.readout]
        value = item.value
        return (layout.name, layout.id, order, value is None, value or 0.0, *_when(item))


def _said(item: Item) -> tuple[str, str, str]:
    return item.reading.layout, item.reading.readout, item.reading.text


def _by_doubt(item: Item) -> tuple[Any, ...]:
    return (item.reading.probability, *_when(item), item.id)


def _when(item: Item) -> tuple[str, str, float]:
    capture = item.sighting.capture
    return capture.taken, capture.path, item.sighting.frame.at_s or 0.0


def _by_reading(verdict: Verdict) -> list[tuple[Judged, ...]]:
    """The rows of each reading that has a box: one, or two for a size."""
    rows: dict[tuple[str, str], list[Judged]] = defaultdict(list)
    for row in verdict.judged:
        if row.reading.box is not None:
            rows[row.reading.layout, row.reading.readout].append(row)
    return [tuple(each) for each in rows.values()]


def _beside(item: Item) -> dict[str, Any]:
    capture, at = item.sighting.capture, item.sighting.frame.at_s
    when = f"{at:.2f} s" if at is not None else capture.taken[11:19] or capture.path
    return {"text": item.text, "state": item.state, "when": when}


def _measures(readout: Readout) -> str:
    """What a readout measures, in words."""
    sensor = f" of the {readout.sensor}" if readout.sensor else ""
    return f"{readout.quantity}{sensor}, {readout.statistic}".replace("_", " ")
