"""The flagged readings as lines that a person fills in, and the names of their crops."""

from __future__ import annotations

import json
import re
from hashlib import blake2b
from itertools import count
from pathlib import Path, PurePosixPath

from extractor.export.grids import shortest
from extractor.records import Judged, Judgement, Verdict
from extractor.store import decision_template

UNDECIDED_FILE = "flagged/undecided.jsonl"


def flagged_crop_name(verdict: Verdict, judged: Judged) -> str:
    """Return the file name of a flagged reading's crop below ``flagged/``.

    Capture, time and readout to be read by people, then a digest of all that tells readings
    apart; ASCII, at most 160 characters, told apart on file systems that ignore case too. The
    two rows of a size share one crop.
    """
    reading, frame, path = judged.reading, verdict.sighting.frame, verdict.sighting.capture.path
    box = reading.box and (reading.box.x, reading.box.y, reading.box.w, reading.box.h)
    told = json.dumps([path, frame.content, frame.pts, reading.layout, reading.readout, box])
    parts = [_plain(PurePosixPath(path).stem)[:60], reading.readout]
    if frame.at_s is not None:
        parts.insert(1, f"{shortest(round(frame.at_s, 3))}s")
    return f"{'_'.join(parts)}_{blake2b(told.encode(), digest_size=5).hexdigest()}.png"


def keep_filled_in(out: Path) -> list[str]:
    """Set an ``undecided.jsonl`` in which a person filled in an action aside; say so.

    It is written anew by every run, and answers given in it would be lost.
    """
    file = out / UNDECIDED_FILE
    try:
        lines = file.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        return []
    if not any(_has_action(line) for line in lines):
        return []
    number = next(n for n in count(1) if not _kept(file, n).exists())
    kept = _kept(file, number)
    file.replace(kept)
    return [f"answers were filled in in {file}: they are kept in {kept}; move it to decisions/"]


def _kept(file: Path, number: int) -> Path:
    return file.with_name(f"undecided.kept-{number}.jsonl")


def _has_action(line: str) -> bool:
    try:
        entry = json.loads(line)
    except ValueError:
        return bool(line.strip())  # no line of ours: a person wrote in it
    return isinstance(entry, dict) and bool(entry.get("action"))


def undecided_lines(judgement: Judgement) -> bytes:
    """Return one JSON line a flagged reading that is shown, to be copied and filled in."""
    lines: dict[str, str] = {}
    for verdict in judgement.verdicts:
        for judged in verdict.judged:
            if judged.doubts and judged.reading.box is not None:
                crop = flagged_crop_name(verdict, judged)
                entry = {"crop": crop, **decision_template(verdict, judged)}
                lines.setdefault(crop, json.dumps(entry, ensure_ascii=False))
    return "".join(f"{line}\n" for line in lines.values()).encode("utf-8", "backslashreplace")


def _plain(stem: str) -> str:
    return re.sub(r"[^A-Za-z0-9-]+", "_", stem).strip("_-") or "capture"
