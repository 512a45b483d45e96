"""Sightings made from figures, for the tests of judging: no picture, no reader."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from extractor.calibration.model import Calibration, Landmark, Marks, Readout, Relation
from extractor.judging import judge
from extractor.records import (
    Box,
    Capture,
    Decision,
    Found,
    FrameReadings,
    Judged,
    Judgement,
    Reading,
    Sighting,
)

ID = "layoutid01"
BOX = Box(100, 50, 60, 20)
FACTS = {"device": "H1", "variant": "", "round": "1", "attempt": "1"}
START = datetime(2026, 3, 1, 12, 0, 0)


def readout(name: str, quantity: str = "other", **more: Any) -> Readout:
    return Readout.model_validate({"name": name, "kind": "number", "quantity": quantity, **more})


def layout(
    *readouts: Readout,
    relation: Sequence[Relation] = (),
    id: str = ID,
    name: str = "strip",
    marks: Marks | None = None,
) -> Calibration:
    return Calibration(
        format=1,
        id=id,
        name=name,
        shows="an invented overlay",
        drawn_on=(1280, 720),
        marks=marks or Marks(decimal=".", thousands="none", duration="m:s"),
        landmark=(Landmark(name="edge", sort="colour", box=(0, 0, 9, 9), colour="#000000"),),
        readout=readouts,
        relation=tuple(relation),
    )


def reading(name: str, text: str, probability: float = 0.9999, **more: Any) -> Reading:
    """A reading about which nothing is doubtful but what is asked for."""
    full: dict[str, Any] = {
        "layout": ID,
        "box": BOX,
        "height": 18.0,
        "box_error": 0.2,
        "sharpness": 0.7,
        **more,
    }
    return Reading(readout=name, text=text, probability=probability, **full)


def still(number: int, *readings: Reading, seconds: float | None = None, **more: Any) -> Sighting:
    """The still ``number`` of a folder, taken ``seconds`` after the start (else ``number``)."""
    facts = more.pop("facts", FACTS)
    fault = more.pop("facts_fault", "")
    path = more.pop("path", f"flat/{number:05d}.png")
    width, height = more.pop("size", (1280, 720))
    after = number if seconds is None else seconds
    taken = more.pop("taken", (START + timedelta(seconds=after)).isoformat())
    layouts = dict.fromkeys(each.layout for each in readings)
    content = more.pop("content", f"{number:032x}-100")
    found = more.pop(
        "found", tuple(Found(each, 1.0, Box(0, 0, 300, 300), 0.99, ()) for each in layouts)
    )
    capture = Capture(path, Path(path), content, "still", width, height, taken)
    return Sighting(
        capture, FrameReadings(content, None, None, found, readings, **more), facts, fault
    )


def recording(
    frames: Iterable[tuple[float, Sequence[Reading]]], path: str = "a.mp4"
) -> list[Sighting]:
    """A recording whose frames are given by time and readings."""
    content = f"rec-{path}"
    capture = Capture(path, Path(path), content, "recording", 1280, 720, "", "", 60.0)
    found = (Found(ID, 1.0, Box(0, 0, 300, 300), 0.99, ()),)
    return [
        Sighting(
            capture,
            FrameReadings(content, round(at * 90000), at, found, tuple(readings)),
            FACTS,
        )
        for at, readings in frames
    ]


def series(
    calibration: Calibration, texts: Mapping[str, Sequence[str]], every: float = 1.0
) -> list[Sighting]:
    """Stills, one every ``every`` s, with the texts of each readout."""
    count = len(next(iter(texts.values())))
    return [
        still(
            at,
            *(reading(name, them[at], layout=calibration.id) for name, them in texts.items()),
            seconds=at * every,
        )
        for at in range(count)
    ]


def verdict(
    sightings: Sequence[Sighting], *calibrations: Calibration, decisions: Sequence[Decision] = ()
) -> Judgement:
    return judge(sightings, {each.id: each for each in calibrations}, decisions)


def rows(judgement: Judgement, name: str | None = None) -> list[Judged]:
    return [
        row
        for each in judgement.verdicts
        for row in each.judged
        if name is None or row.readout == name
    ]


def one(
    calibration: Calibration, the_reading: Reading, decisions: Sequence[Decision] = (), **more: Any
) -> Judged:
    """Judge one reading on one still; its first row."""
    found = verdict([still(0, the_reading, **more)], calibration, decisions=decisions)
    return found.verdicts[0].judged[0]


def codes(row: Judged) -> list[str]:
    return [doubt.code for doubt in row.doubts]


def flagged(judgement: Judgement, name: str | None = None) -> dict[int, list[str]]:
    """Codes of the flagged rows by place."""
    return {at: codes(row) for at, row in enumerate(rows(judgement, name)) if row.doubts}


def decision(
    sighting: Sighting, name: str, after: str, action: str = "correct", **more: Any
) -> Decision:
    """A decision about a readout of a sighting, at the place where it is now."""
    frame = sighting.frame
    now = next(each for each in frame.readings if each.readout == name)
    assert now.box is not None
    made = Decision(
        id=f"{name}-{frame.content}-{frame.pts}-{after}-{action}",
        when="2026-03-02T10:00:00Z",
        who="ann",
        file=frame.content,
        pts=frame.pts,
        layout=now.layout,
        readout=name,
        box=now.box,
        before=now.text,
        after=after,
        action=action,  # type: ignore[arg-type]
    )
    return replace(made, **more)
