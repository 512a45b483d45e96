"""One capture of each sample layout -> a proposal, a person's answers, and what is then read.

    python tests/studies/calibrating.py [LAYOUT ...]

Every sample capture (six devices) is read with the files that came out in place of the project's
own, and held against the truth. ``ANSWERS`` are what a person says to the questions and corrects;
names are taken from the samples' table of readouts, so that the truth can be looked up.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "sample_frames"
sys.path[:0] = [str(SAMPLES), str(SAMPLES / "draw")]

import check  # noqa: E402
from layouts import LAYOUTS  # noqa: E402

from extractor.calibration import load_calibration, save  # noqa: E402
from extractor.calibration.model import Calibration  # noqa: E402
from extractor.captures import Candidate, inspect, read_still  # noqa: E402
from extractor.extracting import run, settle  # noqa: E402
from extractor.proposing import Shown, propose  # noqa: E402
from extractor.reading import default_reader  # noqa: E402

CAPTURES = {
    "strip": "dump/20260314_100350.jpg",
    "list": "dump/20260314_104210.png",
    "panel": "dump/20260314_102626.jpg",
    "cards": "dump/20260314_101329.png",
    "table": "dump/20260314_102452.png",
    "battery": "dump/20260315_081205.png",
}
_BATTERY = {"quantity": "temperature", "sensor": "battery"}
_CHIP = {"quantity": "temperature", "sensor": "chip"}
_LOAD = {"kind": "percentage", "quantity": "load", "unit": "%", "bounds": (0, 100)}
ANSWERS: dict[str, dict[str, dict[str, Any]]] = {
    "strip": {},
    "list": {
        "figure": _BATTERY,
        "figure_2": _CHIP,
        "figure_3": _LOAD,
        "figure_4": {"quantity": "level"},
    },
    "panel": {"marks": {"duration": "m:s"}},
    "cards": {"marks": {"duration": "m:s"}},
    "table": {},
    "battery": {"figure_mean": _BATTERY},
}
TRACES = {
    ("cards", "trace_1"): {"name": "frame_rate", "quantity": "frame_rate", "unit": "fps"},
    ("table", "trace_1"): {"name": "power"},
}


def answered(layout: str, calibration: Calibration) -> Calibration:
    """The proposal with a person's answers, and the names and id that the truth knows."""
    answers = ANSWERS[layout]
    known = {(r.quantity, r.statistic, r.sensor): r.name for r in LAYOUTS[layout].readouts}
    whole = calibration.model_dump(exclude_none=True)
    whole["marks"] |= answers.get("marks", {})
    for trace in whole["trace"]:
        trace.update(TRACES.get((layout, trace["name"]), {}))
        trace.setdefault("t_unit", "min")
    renamed = {}
    for readout in whole["readout"]:
        readout.update(answers.get(readout["name"], {}))
        meaning = (readout["quantity"], readout["statistic"], readout.get("sensor"))
        if meaning not in known:
            raise SystemExit(f"{layout}: {readout['name']} is {meaning}, which is not shown")
        renamed[readout["name"]] = known[meaning]
        readout["name"] = known[meaning]
    whole["name"] = layout
    whole["id"] = load_calibration(ROOT / "calibration" / f"{layout}.toml").calibration.id
    for part, key in (("line", "pattern"), ("relation", "that")):
        for entry in whole[part]:
            for old, new in sorted(renamed.items(), key=lambda pair: -len(pair[0])):
                slot = f"{{{old}}}" if part == "line" else old
                entry[key] = entry[key].replace(slot, slot.replace(old, f"\0{new}\0"))
            entry[key] = entry[key].replace("\0", "")
    missing = {r.name for r in LAYOUTS[layout].readouts} - set(renamed.values())
    if missing:
        print(f"{layout}: not proposed: {', '.join(sorted(missing))}")
    return Calibration.model_validate(whole)


def main(layouts: list[str]) -> int:
    """Propose, answer, read everything, compare."""
    reader = default_reader()
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        for layout in layouts or list(CAPTURES):
            path = CAPTURES[layout]
            capture = inspect(Candidate(path, SAMPLES / path))
            began = time.perf_counter()
            proposal = propose([Shown(capture, read_still(capture))], reader)
            seconds = time.perf_counter() - began
            assert proposal.calibration is not None, proposal.notes
            save(answered(layout, proposal.calibration), place / f"{layout}.toml")
            print(f"{layout}: proposed in {seconds:.1f} s, {len(proposal.questions)} questions")
        outcome = run(settle(SAMPLES, out=place / "readings", calibration=[place]))
        for notice in outcome.notices:
            print(notice)
        return check.main([str(place / "readings" / "readings.csv")])


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
