"""The page of ``ocrlog calibrate``: its state, and the routes by which the browser asks for it."""

from __future__ import annotations

import asyncio
import json
import re
import secrets
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import tomlkit
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from extractor.calibration import RelationError, save
from extractor.calibration.model import Calibration
from extractor.calibration.rules import RULES
from extractor.errors import CaptureError, FileFaultsError
from extractor.pages.curves import curve_told
from extractor.pages.drafts import Drafts
from extractor.pages.pictures import cut, preview
from extractor.pages.serving import RefusedError, application, page, sent
from extractor.proposing import (
    PlaceReader,
    Proposal,
    Shown,
    Trial,
    Trials,
    check_relation,
    fit_relations,
    open_capture,
    picture,
    propose,
    vocabulary,
)
from extractor.proposing.strokes import whole
from extractor.records import Box
from extractor.toml import parse
from extractor.traces.ink import colour_at

_MOST_UPLOAD = 2 << 30
_MOST_CAPTURES = 40
_T = TypeVar("_T")


@dataclass
class _Opened:
    """A capture on the page and its name there."""

    name: str
    shown: Shown


class Desk:
    """What one run of the page works on; every method but the constructor runs in one thread.

    Parameters
    ----------
    captures
        Captures of one layout, the first is the one to draw on.
    folder
        Where the calibration will be saved.
    reader
        Reads text and figures.
    start
        A calibration to mend in place of a proposal.
    target
        The file to save to; by default the layout's name tells it.
    """

    def __init__(
        self,
        captures: Sequence[Shown],
        folder: Path,
        reader: PlaceReader,
        start: Calibration | None = None,
        target: Path | None = None,
    ) -> None:
        self._captures = [_Opened(each.capture.path, each) for each in captures]
        self._folder = folder
        self._target = target
        self._reader = reader
        self._trials = Trials(reader)
        self._start = start
        first = self._captures[0].shown
        self._drafts = Drafts(folder, first.capture.content, start.id if start else "")
        self._draft: dict[str, Any] | None = None
        self._notices: list[str] = [self._drafts.notice] if self._drafts.notice else []

    # ------------------------------------------------------------ what the page starts from

    def opening(self) -> dict[str, Any]:
        """All that the page needs to begin: the draft that was left, or a new proposal."""
        again = ""
        if self._draft is None:
            left = self._drafts.read()
            if left is not None:
                self._draft = self._reopened(left)
                again = "Your work of last time goes on."
            elif self._start is not None:
                self._draft = _blank() | {"calibration": _plain(self._start)}
            else:
                self._draft = self.proposal()
            self.keep(self._draft)
        return {
            "captures": [_entry(each) for each in self._captures],
            "draft": self._draft,
            "vocabulary": vocabulary(),
            "folder": str(self._folder),
            "target": str(self._target or ""),
            "notices": self._notices + ([again] if again else []),
        }

    def _reopened(self, left: dict[str, Any]) -> dict[str, Any]:
        have = {each.shown.capture.content for each in self._captures}
        for path in left.get("added", []):
            try:
                opened = _Opened(Path(path).name, open_capture(Path(path)))
            except CaptureError:
                self._notices.append(f"{Path(path).name} was added last time and is gone.")
                continue
            if opened.shown.capture.content not in have:
                self._captures.append(opened)
        if left.get("target") and self._target is None:
            self._target = Path(left["target"])
        return _blank() | left

    def proposal(self) -> dict[str, Any]:
        """A draft that says what is proposed from the captures shown."""
        made: Proposal = propose(
            [each.shown for each in self._captures], self._reader, self._trials
        )
        first = self._captures[0].shown.image
        calibration = _plain(made.calibration) if made.calibration else _empty(first)
        return _blank() | {
            "calibration": calibration,
            "questions": [asdict(each) for each in made.questions],
            "labels": made.labels,
            "notes": list(made.notes),
        }

    # ------------------------------------------------------------ while a person works

    def keep(self, draft: dict[str, Any]) -> None:
        """Write the draft to the disk. Raises RefusedError."""
        self._draft = draft
        added = [
            str(each.shown.capture.file)
            for each in self._captures
            if each.shown.capture.file.parent == self._drafts.captures
        ]
        try:
            self._drafts.write(draft | {"added": added, "target": str(self._target or "")})
        except OSError as error:
            raise RefusedError(
                f"Your work could not be kept on the disk ({error.strerror}). Leave this page "
                "open, make room or give yourself the right to write there, and change anything.",
                507,
            ) from None

    def tried(self, given: dict[str, Any]) -> dict[str, Any]:
        """What the calibration gives on every capture shown; its faults if it has any."""
        calibration, faults = _checked(given)
        if calibration is None:
            return {"faults": faults, "trials": [], "relations": []}
        trials = self._trials.run(calibration, [each.shown for each in self._captures])
        read = [trial.readings for trial in trials]
        fits = {fit.that: fit for fit in fit_relations(calibration, read)}
        for relation in calibration.relation:
            try:
                fit = check_relation(calibration, relation.that, relation.within, read)
            except RelationError:
                continue
            fits[relation.that] = fit
        return {
            "faults": [],
            "trials": [_told(calibration, trial) for trial in trials],
            "relations": [asdict(fit) for fit in fits.values()],
        }

    def curves(self, given: dict[str, Any], at: int) -> dict[str, Any]:
        """What the charts of one capture give; nothing while the calibration has faults."""
        calibration, _ = _checked(given)
        if calibration is None or not calibration.trace:
            return {"curves": []}
        height, width = self._image(at).shape[:2]
        told = self._trials.curves(calibration, self._captures[at].shown)
        return {"curves": [curve_told(read, judged, width, height) for read, judged in told]}

    def colour(self, at: int, plot: Box, x: float, y: float) -> dict[str, Any]:
        """The colour of the line at ``x``, ``y`` px of a capture, within ``plot``."""
        x0, y0, x1, y1 = whole(self._image(at), plot)
        piece = self._image(at)[y0:y1, x0:x1]
        try:
            return {"colour": colour_at(piece, x - x0, y - y0)}
        except ValueError:
            raise RefusedError("Nothing is drawn there: click on the line itself.") from None

    def add(self, name: str, data: bytes) -> dict[str, Any]:
        """Add a capture of the same layout. Raises RefusedError."""
        if len(self._captures) >= _MOST_CAPTURES:
            raise RefusedError(f"{_MOST_CAPTURES} captures are enough; leave one out first.")
        try:
            path = self._drafts.keep_capture(name, data)
        except OSError as error:
            raise RefusedError(
                f"{name} could not be kept on the disk ({error.strerror})."
            ) from None
        try:
            opened = _Opened(name, open_capture(path))
        except CaptureError as error:
            path.unlink(missing_ok=True)
            raise RefusedError(f"{name} cannot be used: {error.problem}. {error.mend}") from None
        for at, each in enumerate(self._captures):
            if each.shown.capture.content == opened.shown.capture.content:
                return {"at": at, "captures": [_entry(one) for one in self._captures]}
        self._captures.append(opened)
        if self._draft is not None:
            self.keep(self._draft)
        return {
            "at": len(self._captures) - 1,
            "captures": [_entry(each) for each in self._captures],
        }

    def leave_out(self, at: int) -> dict[str, Any]:
        """Take a capture off the page; its file stays where it is. The first one stays."""
        if not 0 < at < len(self._captures):
            raise RefusedError("The capture that the layout is drawn on stays.")
        del self._captures[at]
        if self._draft is not None:
            self.keep(self._draft)
        return {"captures": [_entry(each) for each in self._captures]}

    def landmarks(self, marks: list[dict[str, Any]], bare: bool) -> dict[str, Any]:
        """The entries of landmarks that show what lies in their boxes. Raises RefusedError.

        ``bare``: their letters stand on the scene itself, which is left out.
        """
        image = self._captures[0].shown.image
        entries = []
        for mark in marks:
            box, name = _box(mark.get("box")), str(mark.get("name", ""))
            entry = picture(image, box, name, str(mark.get("part", "main")), bare=bare)
            if entry is None:
                raise RefusedError(
                    f"There is too little to see in the box of {name}. Draw it around a word."
                )
            entries.append(entry)
        return {"landmarks": entries}

    def saved(self, given: dict[str, Any]) -> dict[str, Any]:
        """Save the calibration as a file, and say where. Raises RefusedError."""
        calibration, faults = _checked(given)
        if calibration is None:
            raise RefusedError("It cannot be saved yet: " + "; ".join(faults))
        path = self._target or self._folder / f"{calibration.name}.toml"
        if self._target is None and path.exists() and not _holds(path, calibration.id):
            raise RefusedError(
                f"{path} is there already and holds another layout. Give this one another name."
            )
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            save(calibration, path)
        except OSError as error:
            raise RefusedError(
                f"{path} could not be written ({error.strerror}). Your work is kept as a draft. "
                "Give yourself the right to write there, or start again with --out and a folder "
                "of yours."
            ) from None
        except FileFaultsError as error:
            raise RefusedError(f"{path} is there and cannot be mended: {error}") from None
        self._target = path
        if self._draft is not None:
            self.keep(self._draft)
        return {"path": str(path)}

    def preview(self, at: int) -> bytes:
        """The capture as the browser shows it, JPEG."""
        return preview(self._image(at))

    def crop(self, at: int, box: Box) -> bytes:
        """What a capture shows in ``box``, in full size, PNG."""
        return cut(self._image(at), box)

    def _image(self, at: int) -> np.ndarray[Any, np.dtype[np.uint8]]:
        if not 0 <= at < len(self._captures):
            raise RefusedError("There is no such capture on the page.", 404)
        return self._captures[at].shown.image


# ---------------------------------------------------------------- records for the browser


def _blank() -> dict[str, Any]:
    return {"calibration": {}, "questions": [], "labels": {}, "notes": [], "named": []}


def _plain(calibration: Calibration) -> dict[str, Any]:
    whole: dict[str, Any] = json.loads(calibration.model_dump_json(exclude_none=True))
    return whole


def _empty(image: np.ndarray[Any, np.dtype[np.uint8]]) -> dict[str, Any]:
    """What a person draws on where nothing could be proposed."""
    return {
        "format": 1,
        "id": secrets.token_hex(6),
        "name": "new_layout",
        "revision": 1,
        "shows": "A layout of a monitoring overlay",
        "drawn_on": [image.shape[1], image.shape[0]],
        "marks": {},
        "locating": {"scales": [0.35, 3.0], "needs": 1, "bars": [0, 0]},
        "landmark": [],
        "readout": [],
        "line": [],
        "relation": [],
        "trace": [],
    }


def _entry(opened: _Opened) -> dict[str, Any]:
    capture = opened.shown.capture
    return {
        "name": opened.name,
        "width": capture.width,
        "height": capture.height,
        "recording": capture.medium == "recording",
    }


def _checked(given: dict[str, Any]) -> tuple[Calibration | None, list[str]]:
    """The calibration, or all its faults in words."""
    if not given.get("readout"):
        return None, ["no figure has a box yet: draw one around a figure"]
    if not given.get("landmark"):
        return None, [
            "there is nothing yet by which the layout is found: draw a box around a word that "
            "looks the same on every capture"
        ]
    try:
        text = tomlkit.dumps(_without_none(given))
        return parse(text.encode(), Path("draft"), Calibration, RULES), []
    except FileFaultsError as error:
        return None, [_in_words(fault.key, fault.met, fault.expected, given)
                      for fault in error.faults]  # fmt: skip


def _without_none(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _without_none(item) for key, item in value.items() if item is not None}
    if isinstance(value, list):
        return [_without_none(item) for item in value]
    return value


def _in_words(key: str, met: str, expected: str, given: dict[str, Any]) -> str:
    """A fault with the name of the readout in place of its number."""
    match = re.match(r"(readout|landmark|line|trace|relation)\[(\d+)\]\.?(.*)", key)
    if match:
        entries = given.get(match[1], [])
        at = int(match[2]) - 1
        entry = entries[at] if at < len(entries) else {}
        key = f"{match[1]} {entry.get('name', entry.get('that', match[2]))}: {match[3]}"
    return f"{key}{f' is {met}' if met else ''}, expected is {expected}"


def _told(calibration: Calibration, trial: Trial) -> dict[str, Any]:
    if trial.found is None:
        return {"found": False, "readings": {}, "landmarks": {}}
    found = trial.found
    places = {place.readout: place for place in found.places}
    readings = {}
    for readout in calibration.readout:
        reading, judged = trial.readings.get(readout.name), trial.judged.get(readout.name)
        place = places[readout.name]
        if reading is None or judged is None:
            continue
        codes = [doubt.code for doubt in judged.doubts]
        state = "released"
        if "not-shown" in codes:
            state = "hidden"
        elif codes:
            state = "flagged"
        elif judged.source == "missing":
            state = "missing"
        box = place.box
        readings[readout.name] = {
            "text": reading.text,
            "state": state,
            "why": [f"{doubt.code}: {doubt.why}" for doubt in judged.doubts],
            "box": None if box is None else [box.x, box.y, box.w, box.h],
            "error": place.error,
            "height": place.height,
            "unit": reading.unit_seen,
        }
    return {
        "found": True,
        "scale": found.scale,
        "score": found.score,
        "area": [found.area.x, found.area.y, found.area.w, found.area.h],
        "landmarks": dict(trial.landmarks),
        "readings": readings,
    }


def _holds(path: Path, layout: str) -> bool:
    try:
        return f'"{layout}"' in path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return False


# ---------------------------------------------------------------- routes


def calibrating(desk: Desk) -> Starlette:
    """The application of the page."""
    worker = ThreadPoolExecutor(1)
    looker = ThreadPoolExecutor(2)  # pictures do not wait for readings

    async def doing(what: Callable[..., _T], *given: Any) -> _T:
        return await asyncio.get_running_loop().run_in_executor(worker, what, *given)

    async def looking(what: Callable[..., bytes], *given: Any) -> bytes:
        return await asyncio.get_running_loop().run_in_executor(looker, what, *given)

    async def index(request: Request) -> Response:
        return page("calibrate.html")

    async def opening(request: Request) -> Response:
        return JSONResponse(await doing(desk.opening))

    async def proposal(request: Request) -> Response:
        return JSONResponse(await doing(desk.proposal))

    async def draft(request: Request) -> Response:
        await doing(desk.keep, await sent(request))
        return JSONResponse({})

    async def tried(request: Request) -> Response:
        return JSONResponse(await doing(desk.tried, await sent(request)))

    async def curves(request: Request) -> Response:
        at = int(request.path_params["at"])
        return JSONResponse(await doing(desk.curves, await sent(request), at))

    async def colour(request: Request) -> Response:
        given, at = await sent(request), int(request.path_params["at"])
        spot = _box([given.get("x"), given.get("y"), 1, 1])
        return JSONResponse(await doing(desk.colour, at, _box(given.get("plot")), spot.x, spot.y))

    async def saved(request: Request) -> Response:
        return JSONResponse(await doing(desk.saved, await sent(request)))

    async def added(request: Request) -> Response:
        if int(request.headers.get("content-length", "0")) > _MOST_UPLOAD:
            raise RefusedError("A capture of more than 2 GiB cannot be added here.", 413)
        name = request.query_params.get("name", "capture")
        return JSONResponse(await doing(desk.add, name, await request.body()))

    async def left_out(request: Request) -> Response:
        return JSONResponse(await doing(desk.leave_out, int(request.path_params["at"])))

    async def preview(request: Request) -> Response:
        data = await looking(desk.preview, int(request.path_params["at"]))
        return Response(data, media_type="image/jpeg", headers={"cache-control": "max-age=3600"})

    async def crop(request: Request) -> Response:
        box = _box([request.query_params.get(side, "") for side in "xywh"])
        data = await looking(desk.crop, int(request.path_params["at"]), box)
        return Response(data, media_type="image/png", headers={"cache-control": "max-age=3600"})

    async def landmarks(request: Request) -> Response:
        given = await sent(request)
        marks = [mark for mark in given.get("marks", []) if isinstance(mark, dict)]
        return JSONResponse(await doing(desk.landmarks, marks, given.get("bare") is True))

    return application(
        [
            Route("/", index),
            Route("/api/opening", opening),
            Route("/api/proposal", proposal, methods=["POST"]),
            Route("/api/draft", draft, methods=["PUT"]),
            Route("/api/tried", tried, methods=["POST"]),
            Route("/api/saved", saved, methods=["POST"]),
            Route("/api/landmarks", landmarks, methods=["POST"]),
            Route("/api/captures", added, methods=["POST"]),
            Route("/api/captures/{at:int}", left_out, methods=["DELETE"]),
            Route("/api/captures/{at:int}/curves", curves, methods=["POST"]),
            Route("/api/captures/{at:int}/colour", colour, methods=["POST"]),
            Route("/api/captures/{at:int}/picture", preview),
            Route("/api/captures/{at:int}/crop", crop),
        ]
    )


def _box(given: Any) -> Box:
    try:
        x, y, w, h = (float(side) for side in given)
    except (TypeError, ValueError):
        raise RefusedError("A box is four numbers.") from None
    if not (np.isfinite([x, y, w, h]).all() and w > 0 and h > 0):
        raise RefusedError("A box has a width and a height above 0.")
    return Box(x, y, w, h)
