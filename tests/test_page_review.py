"""The page of ``ocrlog review`` in a real browser, and what its decisions do to the tables."""

from __future__ import annotations

import csv
import json
import os
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit

import numpy as np
import pytest
from axe_core_python.sync_playwright import Axe
from PIL import Image, PngImagePlugin
from playwright.sync_api import Browser, Page, expect
from review_world import write_doubtful_world

from extractor.calibration import load_calibration, save
from extractor.extracting import run, settle
from extractor.pages.review import Review
from extractor.pages.serving import RefusedError

WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
PATIENCE = 60_000
HERE = Path(__file__).parent
FIGURES = 60


@pytest.fixture(scope="module")
def doubtful(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder that was read, with every figure in doubt."""
    root = tmp_path_factory.mktemp("doubtful")
    write_doubtful_world(root)
    run(settle(root))
    return root


@pytest.fixture
def folder(doubtful: Path, tmp_path: Path) -> Path:
    """A copy of it, times of the files and all, so that nothing is read again."""
    return Path(shutil.copytree(doubtful, tmp_path / "folder"))


@contextmanager
def served(*call: Path | str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """A command that serves a page, and the address; it is ended with Ctrl-C if it still runs."""
    environment = os.environ | {"BROWSER": "true", "PYTHONUNBUFFERED": "1", "COLUMNS": "200"}
    process = subprocess.Popen(
        [sys.executable, *map(str, call)], stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        text=True, env=environment,
    )  # fmt: skip
    try:
        assert process.stdout is not None
        told = []
        for line in process.stdout:
            told.append(line)
            match = re.search(r"http://\S+", line)
            if match:
                yield process, match[0]
                break
        else:
            pytest.fail("".join(told))
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGINT)
        rest, _ = process.communicate(timeout=60)
    assert process.returncode in (0, -signal.SIGKILL), rest


def review(root: Path, *more: str):  # type: ignore[no-untyped-def]
    return served("-m", "extractor.cli", "review", root, "--who", "ann", *more)


@contextmanager
def opened(browser: Browser, address: str, width: int = 1280, height: int = 800) -> Iterator[Page]:
    """The page; nothing may fail in the browser, nothing foreign be asked for."""
    context = browser.new_context(viewport={"width": width, "height": height}, bypass_csp=True)
    page = context.new_page()
    trouble: list[str] = []
    page.on("pageerror", lambda error: trouble.append(str(error)))
    page.on(
        "request",
        lambda request: (
            trouble.append(request.url)
            if urlsplit(request.url).netloc != urlsplit(address).netloc
            else None
        ),
    )
    page.set_default_timeout(20_000)
    page.goto(address)
    ready(page)
    yield page
    assert trouble == []
    context.close()


def ready(page: Page) -> None:
    expect(page.locator("body[data-ready]")).to_be_attached(timeout=PATIENCE)


def rows(root: Path) -> list[dict[str, str]]:
    with (root / "readings" / "readings.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def decisions(root: Path) -> list[dict[str, object]]:
    return [
        json.loads(line)
        for path in sorted((root / "decisions").glob("*.jsonl"))
        for line in path.read_text(encoding="utf-8").splitlines()
    ]


def in_doubt(root: Path) -> int:
    return sum("out-of-bounds" in row["flags"] for row in rows(root))


def kept(page: Page, count: int) -> None:
    expect(page.locator("#state")).to_contain_text(f"{count} settled now", timeout=PATIENCE)


def press(page: Page, key: str) -> None:
    """Press a key, and wait until another figure is shown."""
    before = page.locator("#crop").get_attribute("data-item")
    page.keyboard.press(key)
    expect(page.locator("#crop")).not_to_have_attribute("data-item", str(before))


def axe(page: Page) -> list[str]:
    found = Axe().run(page, options={"runOnly": WCAG})
    return [f"{each['id']}: {node['html'][:120]}" for each in found["violations"]
            for node in each["nodes"]]  # fmt: skip


# ---------------------------------------------------------------- settling


def test_fifty_are_settled_by_keyboard_and_none_is_lost(browser: Browser, folder: Path) -> None:
    assert in_doubt(folder) == FIGURES
    assert len(rows(folder)) == FIGURES
    with review(folder) as (process, address), opened(browser, address) as page:
        for _ in range(20):
            press(page, "Enter")
        kept(page, 20)
        page.reload()
        ready(page)
        expect(page.locator("#progress")).to_contain_text(f"{FIGURES - 20} figures left")
        for _ in range(15):
            press(page, "Enter")
        kept(page, 35)
        process.kill()  # in the middle: what the page called kept is on the disk
        process.wait()
        assert len(decisions(folder)) == 35
        page.keyboard.press("Enter")
        expect(page.locator("#told")).to_contain_text("Not kept")
        assert len(decisions(folder)) == 35
    with review(folder) as (_, address), opened(browser, address) as page:
        expect(page.locator("#progress")).to_contain_text(f"{FIGURES - 35} figures left")
        for _ in range(5):
            press(page, "Enter")
        for _ in range(5):
            press(page, "u")
        page.keyboard.type("12.5")
        press(page, "Enter")
        kept(page, 11)
        page.keyboard.press("z")
        kept(page, 10)
        expect(page.locator("#told")).to_contain_text("Taken back")
        page.keyboard.type("7.25")
        press(page, "Enter")
        press(page, "ArrowLeft")  # back: deciding again takes the place of the first answer
        page.keyboard.type("7.5")
        press(page, "Enter")
        kept(page, 12)
    settled = [row for row in rows(folder) if row["source"] != "read"]
    assert [row["source"] for row in settled].count("accepted") == 40
    assert [(row["value"], row["decided_text"]) for row in settled
            if row["source"] == "corrected"] == [("7.5", "7.5")]  # fmt: skip
    assert all(
        float(row["value"]) == float(row["text"]) and "out-of-bounds" in row["settled_flags"]
        for row in settled
        if row["source"] == "accepted"
    )
    assert [row["flags"] for row in rows(folder)].count("unreadable") == 5
    assert in_doubt(folder) == FIGURES - 46
    assert {each["who"] for each in decisions(folder)} == {"ann"}


def test_what_cannot_be_used_is_said_and_what_is_offered_is_taken(
    browser: Browser, folder: Path
) -> None:
    with review(folder) as (_, address), opened(browser, address) as page:
        page.keyboard.type("4x")
        page.keyboard.press("Enter")
        expect(page.locator("#told")).to_contain_text("Not kept")
        expect(page.locator("#figure")).to_have_value("4x")
        page.keyboard.press("Escape")
        offered = page.locator("#choices button:has(kbd:text-is('A')) b")
        for _ in range(FIGURES):
            if offered.count():
                break
            press(page, "ArrowRight")
        text = offered.inner_text()
        press(page, "a")
        kept(page, 1)
    (decision,) = decisions(folder)
    assert (decision["action"], decision["after"]) == ("correct", text)


def test_the_tables_follow_while_the_page_is_open(browser: Browser, folder: Path) -> None:
    mine = folder / "elsewhere" / "decisions"  # made where it is missing
    with (
        review(folder, "--decisions", str(mine)) as (_, address),
        opened(browser, address) as page,
    ):
        press(page, "Enter")
        kept(page, 1)
        assert len(list(mine.glob("ann-*.jsonl"))) == 1
        expect(page.locator("#state")).to_contain_text("up to date", timeout=PATIENCE)
        assert [row["source"] for row in rows(folder)].count("accepted") == 1
        expect(page.locator("#progress")).to_contain_text(f"of {FIGURES - 1}")


WATCH = """() => {
  window.took = [];
  addEventListener("keydown", () => {
    const began = performance.now(), before = document.querySelector("#crop").dataset.item;
    let frames = 0;
    const look = () => {
      frames += 1;
      const crop = document.querySelector("#crop"), image = crop.querySelector("img");
      if (crop.dataset.item !== before && image?.complete && image.naturalWidth) {
        window.took.push({ frames, ms: performance.now() - began });
      } else requestAnimationFrame(look);
    };
    requestAnimationFrame(look);
  }, true);
}"""
LOADED = "performance.getEntriesByType('resource').filter((each) => each.name.endsWith('/crop'))"


def test_a_key_brings_the_next_of_ten_thousand_at_once(browser: Browser, tmp_path: Path) -> None:
    """What is shown next is there before the key: it waits for no answer, only for the screen.

    Frames are counted, which a busy machine makes longer, not more. How many ms it takes
    tests/studies/bench_review.py measures.
    """
    with (
        served(HERE / "review_world.py", tmp_path) as (process, address),
        opened(browser, address) as page,
    ):
        expect(page.locator("#progress")).to_contain_text("of 10200")
        page.evaluate(WATCH)
        for at in range(60):
            page.wait_for_function(f"{LOADED}.length >= {at + 2}")
            page.keyboard.press("Enter")
            page.wait_for_function(f"window.took.length === {at + 1}")
        kept(page, 60)
        frames = [each["frames"] for each in page.evaluate("window.took")]
        process.kill()
    assert np.percentile(frames, 95) <= 2, frames
    assert len(decisions(tmp_path)) == 60


# ---------------------------------------------------------------- proof sheet and spot-check


@pytest.fixture
def released(folder: Path) -> Path:
    """The copy with bounds that all figures keep: every figure is released."""
    path = folder / "calibration" / "panel.toml"
    calibration = load_calibration(path).calibration
    free = tuple(each.model_copy(update={"bounds": None}) for each in calibration.readout)
    save(calibration.model_copy(update={"readout": free}), path)
    run(settle(folder))
    assert sum(not row["flags"] for row in rows(folder)) > 0.8 * FIGURES
    return folder


def test_the_proof_sheet_sends_a_figure_to_be_settled(browser: Browser, released: Path) -> None:
    flagged = sum(bool(row["flags"]) for row in rows(released))
    with review(released) as (_, address), opened(browser, address) as page:
        page.click("#tab-proof")
        expect(page.locator(".tile")).to_have_count(12)
        texts = [float(text) for text in page.locator(".tile b").all_inner_texts()]
        assert texts == sorted(texts)
        assert axe(page) == []
        tile = page.locator(".tile:not(.flagged)")
        tile.nth(2).focus()
        page.keyboard.press("d")
        kept(page, 1)
        expect(page.locator(".tile.flagged:focus")).to_have_count(1)
        page.keyboard.press("d")
        kept(page, 0)
        page.keyboard.press("ArrowRight")
        page.keyboard.press("d")
        kept(page, 1)
        page.click("#tab-settle")
        waiting = re.compile(rf"\b{flagged + 1} figures? left")
        expect(page.locator("#progress")).to_contain_text(waiting)
    (doubted,) = [row for row in rows(released) if "doubted" in row["flags"]]
    assert doubted["value"] == "" and "ann doubts" in doubted["why"]


def test_a_spot_check_is_typed_blind_and_its_bound_is_kept(
    browser: Browser, released: Path
) -> None:
    outcome = run(settle(released))
    read = {row["readout"] + row["text"] for row in rows(released) if not row["flags"]}
    with review(released) as (_, address), opened(browser, address) as page:
        page.click("#tab-spot")
        assert axe(page) == []
        page.fill("#spot-count", "6")
        page.keyboard.press("Enter")
        asked = page.locator("#spot .bar")
        for at in range(6):
            expect(asked).to_contain_text(f"{at + 1} of 6")
            assert not any(text in page.locator("#spot").inner_text() for text in ("read as",))
            (begun,) = spot_lines(released, "drawn")
            text = begun["drawn"][at]["text"]
            assert begun["drawn"][at]["readout"] + text in read
            if at == 1:  # a slip: another figure first, then the one that is there
                page.keyboard.type("1" + text)
                page.keyboard.press("Enter")
                expect(page.locator(".mismatch")).to_contain_text(f"it was read as {text}")
            if at == 2:  # wrong: the person stays with what they see
                page.keyboard.type("3" + text)
                page.keyboard.press("Enter")
                expect(page.locator(".mismatch")).to_be_visible()
                text = "3" + text
            page.keyboard.type(text)
            page.keyboard.press("Enter")
        expect(page.locator(".statement").first).to_contain_text("1 wrong, 0 undecidable, 1 slips")
    statement = json.loads((released / "readings" / "run.json").read_text())["spot_checks"][0]
    assert "by ann: 6 of" in statement and "95 % confidence" in statement
    assert [row["source"] for row in rows(released)].count("corrected") == 1
    assert outcome.spot_checks == ()
    assert [each["outcome"] for each in spot_lines(released, "outcome")] == [
        "agrees", "undecidable", "slip", "undecidable", "wrong", "agrees", "agrees", "agrees",
    ]  # fmt: skip


def spot_lines(root: Path, having: str) -> list[dict[str, object]]:
    (path,) = (root / "decisions").glob("*.spotcheck")
    lines = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    return [line for line in lines if having in line]


def test_a_spot_check_that_is_stopped_is_exploratory_and_can_be_gone_on_with(
    released: Path,
) -> None:
    page = at_work(released)
    with pytest.raises(RefusedError, match="number from 1 to"):
        page.begin_spot_check(10_000)
    now = page.begin_spot_check(5)["now"]
    drawn = spot_lines(released, "drawn")[0]["drawn"]
    page.type_spot_check(now["at"], drawn[0]["text"], False)
    page.stop_spot_check()
    (statement,) = run(settle(released)).spot_checks
    assert "Exploratory: 5 were planned" in statement and "%" not in statement
    again = at_work(released)
    assert again.spot_check()["now"]["at"] == 1
    again.type_spot_check(1, "", True)
    with pytest.raises(RefusedError, match="typed already"):
        again.type_spot_check(1, drawn[1]["text"], False)
    assert at_work(released, "bob").spot_check()["now"] is None


# ---------------------------------------------------------------- several people, other boxes


def at_work(root: Path, who: str = "ann") -> Review:
    """A person at the page, without the browser."""
    settings = settle(root)
    return Review(run(settings), lambda: run(settings), who)


def test_the_work_of_two_people_is_merged_and_a_contradiction_is_flagged(
    folder: Path, tmp_path: Path
) -> None:
    other = Path(shutil.copytree(folder, tmp_path / "other"))
    ann, bob = at_work(folder), at_work(other, "bob")
    first, second, third = ann.queue("readout")["ids"][:3]
    ann.decide([first], "accept", "")
    ann.decide([second], "correct", "1.5")
    bob.decide([second], "correct", "2.5")
    bob.decide([third], "unreadable", "")
    for path in (other / "decisions").iterdir():
        shutil.copy(path, folder / "decisions" / path.name)
    outcome = run(settle(folder))
    flags = [row["flags"] for row in rows(folder)]
    assert sum("reviewers-disagree" in each for each in flags) == 1
    assert flags.count("unreadable") == 1
    assert [row["source"] for row in rows(folder)].count("accepted") == 1
    peace = Review(outcome, lambda: run(settle(folder)), "ann")
    (item,) = [
        each for each in peace.told(peace.queue("doubt")["ids"])
        if each["doubts"][0]["code"] == "reviewers-disagree"
    ]  # fmt: skip
    assert {"1.5", "2.5"} <= {offer["text"] for offer in item["offers"]}
    peace.decide([item["id"]], "correct", "2.5")
    run(settle(folder))
    assert [row["value"] for row in rows(folder) if row["source"] == "corrected"] == ["2.5"]


@pytest.mark.parametrize(("wider", "held"), [(1.02, True), (3.0, False)])
def test_a_decision_holds_while_its_box_is_nearly_the_same(
    folder: Path, wider: float, held: bool
) -> None:
    ann = at_work(folder)
    ids = ann.queue("doubt")["ids"]
    ann.decide(ids, "accept", "")
    path = folder / "calibration" / "panel.toml"
    calibration = load_calibration(path).calibration
    first = calibration.readout[0]
    assert first.box is not None
    x, y, w, h = first.box
    box = (x - 2, y, w + 4, h) if held else (x - w, y - h, w * wider, h * wider)
    changed = first.model_copy(update={"box": box})
    save(calibration.model_copy(update={"readout": (changed, *calibration.readout[1:])}), path)
    run(settle(folder))
    of_first = [row for row in rows(folder) if row["readout"] == first.name]
    assert len(of_first) == FIGURES // 5
    for row in of_first:
        assert ("decided-elsewhere" in row["flags"].split(";")) is not held
        assert (row["source"] == "accepted") is held


def test_a_disk_that_cannot_be_written_refuses_and_keeps_asking(folder: Path) -> None:
    ann = at_work(folder)
    (folder / "decisions").write_text("a file where the folder should be")
    waiting = ann.queue("doubt")["ids"]
    with pytest.raises(RefusedError, match="Not kept"):
        ann.decide(waiting[:1], "accept", "")
    assert ann.queue("doubt")["ids"] == waiting
    assert ann.standing()["made"] == 0


def test_an_undone_answer_gives_way_to_the_one_before(folder: Path) -> None:
    ann = at_work(folder)
    first = ann.queue("doubt")["ids"][0]
    ann.decide([first], "correct", "1.5")
    ann.decide([first], "correct", "2.5")
    ann.judge()
    assert first not in ann.queue("doubt")["ids"]
    assert ann.undo()["ids"] == [first]
    ann.judge()
    assert [row["value"] for row in rows(folder) if row["source"] == "corrected"] == ["1.5"]
    ann.undo()
    assert ann.queue("doubt")["ids"][0] == first
    with pytest.raises(RefusedError, match="Nothing was decided"):
        ann.undo()


def test_readings_with_the_very_same_crop_are_settled_together(
    doubtful: Path, tmp_path: Path
) -> None:
    root = tmp_path / "twice"
    shutil.copytree(doubtful / "calibration", root / "calibration")
    shutil.copy(doubtful / "20260110_101500.png", root)
    comment = PngImagePlugin.PngInfo()
    comment.add_text("Comment", "the same pixels in a file of other content")
    with Image.open(root / "20260110_101500.png") as picture:
        picture.save(root / "20260110_101505.png", pnginfo=comment)
    ann = at_work(root)
    waiting = ann.queue("doubt")["ids"]
    assert len(waiting) == 10
    same = ann.same(waiting[0])
    assert len(same) == 1
    ann.decide([waiting[0], *same], "accept", "")
    assert len(ann.queue("doubt")["ids"]) == 8
    assert len(decisions(root)) == 2


# ---------------------------------------------------------------- the look


@pytest.mark.parametrize("width", [1280, 1920])
def test_nothing_overlaps_and_axe_finds_nothing(browser: Browser, folder: Path, width: int) -> None:
    with (
        review(folder) as (_, address),
        opened(browser, address, width, 800 if width == 1280 else 1080) as page,
    ):
        expect(page.locator(".shown img")).to_be_visible()
        assert axe(page) == []
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        page.click("#help")
        assert axe(page) == []
