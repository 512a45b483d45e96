"""One capture of each sample layout -> the page, a person's answers, and what is then read.

    python tests/studies/calibrating.py [LAYOUT ...]

Each layout is made on the real page in Chromium; clicks and keys are counted. Every sample capture
(six devices) is then read with the files that came out in place of the project's own, and held
against the truth. Names that are a matter of taste (`clock`, which the samples call `gpu_clock`)
are made those of the truth behind the page, so that it can be looked up.
"""

from __future__ import annotations

import re
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "sample_frames"
sys.path[:0] = [str(SAMPLES), str(SAMPLES / "draw"), str(ROOT / "tests")]

import check  # noqa: E402
from layouts import LAYOUTS  # noqa: E402
from playwright.sync_api import Browser, expect, sync_playwright  # noqa: E402
from test_page_calibrate import Hand, calibrate, opened, settled  # noqa: E402
from tools import need  # noqa: E402

from extractor.calibration import load_calibration, save  # noqa: E402
from extractor.calibration.model import Calibration  # noqa: E402
from extractor.extracting import run, settle  # noqa: E402

CAPTURES = {
    "strip": "dump/20260314_100350.jpg",
    "list": "dump/20260314_104210.png",
    "panel": "dump/20260314_102626.jpg",
    "cards": "dump/20260314_101329.png",
    "table": "dump/20260314_102452.png",
    "battery": "dump/20260315_081205.png",
}
# What a person answers to the questions: words of the question -> the button, in order.
ANSWERS = {
    "strip": (),
    "list": ("battery temperature", "chip temperature", "load", "battery level"),
    "panel": ("1 min 07 s",),
    "cards": ("10 min 00 s", "frame rate", "10 minutes"),
    "table": (),
    "battery": ("battery temperature",),
}


def made(browser: Browser, layout: str, place: Path) -> Path:
    """Make the layout on its page, and say how many actions it took."""
    began = time.perf_counter()
    with (
        calibrate(SAMPLES / CAPTURES[layout], "--out", place / layout) as served,
        opened(browser, served) as page,
    ):
        seconds = time.perf_counter() - began
        hand = Hand(page)
        readouts = page.locator(".row").count()
        questions = page.locator(".question").count()
        for choice in ANSWERS[layout]:
            hand.click(f".question >> nth=0 >> role=button[name=/^{choice}/]")
        expect(page.locator(".question")).to_have_count(0)
        settled(page)
        answered = hand.actions
        hand.press("Control+s")
        hand.type(layout)
        hand.press("Enter")
        expect(page.locator("#state")).to_contain_text("Saved to")
    print(
        f"{layout}: {readouts} figures, {questions} questions, {answered} actions for them and "
        f"{hand.actions - answered} to save, {hand.actions / readouts:.2f} a readout; "
        f"open after {seconds:.1f} s"
    )
    return place / layout / f"{layout}.toml"


def as_in_the_truth(layout: str, calibration: Calibration) -> Calibration:
    """The calibration with the names and the id that the truth knows."""
    known = {(r.quantity, r.statistic, r.sensor): r.name for r in LAYOUTS[layout].readouts}
    whole = calibration.model_dump(exclude_none=True)
    for readout in whole["readout"]:
        meaning = (readout["quantity"], readout["statistic"], readout.get("sensor"))
        if meaning not in known:
            raise SystemExit(f"{layout}: {readout['name']} is {meaning}, which is not shown")
        readout["name"] = known[meaning]
    renamed = {old["name"]: new["name"] for old, new in
               zip(calibration.model_dump()["readout"], whole["readout"], strict=True)}  # fmt: skip
    for part, key in (("line", "pattern"), ("relation", "that")):
        for entry in whole[part]:
            entry[key] = re.sub(
                r"[a-z][a-z0-9_]*" if part == "relation" else r"(?<=\{)[a-z][a-z0-9_]*(?=\})",
                lambda match: renamed.get(match[0], match[0]),
                entry[key],
            )
    missing = {r.name for r in LAYOUTS[layout].readouts} - set(renamed.values())
    if missing:
        print(f"{layout}: not proposed: {', '.join(sorted(missing))}")
    own = load_calibration(ROOT / "calibration" / f"{layout}.toml").calibration
    return Calibration.model_validate(whole | {"id": own.id, "name": layout})


def main(layouts: list[str]) -> int:
    """Make every layout, read everything, compare."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=need("chromium"))
            for layout in layouts or list(CAPTURES):
                calibration = load_calibration(made(browser, layout, place)).calibration
                save(as_in_the_truth(layout, calibration), place / f"{layout}.toml")
            browser.close()
        outcome = run(settle(SAMPLES, out=place / "readings", calibration=[place]))
        for notice in outcome.notices:
            print(notice)
        return check.main([str(place / "readings" / "readings.csv")])


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
