"""The page of ``ocrlog calibrate`` in a real browser: proposal, questions, boxes, saving, refusals.

Clicks and keys are counted by ``Hand``: an action is a click, a key, or a character typed.
"""

from __future__ import annotations

import csv
import json
import os
import re
import signal
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

import httpx
import numpy as np
import pillow_heif
import pytest
from axe_core_python.sync_playwright import Axe
from PIL import Image
from playwright.sync_api import Browser, Locator, Page, expect
from tools import need

from extractor.calibration import load_calibration
from extractor.proposing import Trials, open_capture
from extractor.reading import default_reader

SAMPLES = Path(__file__).resolve().parents[1] / "sample_frames"
LIST = SAMPLES / "dump" / "20260314_104210.png"
PANEL = SAMPLES / "dump" / "20260314_102626.jpg"
CARDS = SAMPLES / "dump" / "20260314_101329.png"
PANEL_ELSEWHERE = "H4/round-2/20260314_125056.jpg"
PATIENCE = 120_000  # ms: the machine may be busy with other tests
expect.set_options(timeout=30_000)
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]


@dataclass
class Served:
    """The command as it runs; ``address`` holds the token."""

    process: subprocess.Popen[str]
    address: str

    @property
    def host(self) -> str:
        return urlsplit(self.address).netloc


@contextmanager
def calibrate(*arguments: Path | str) -> Iterator[Served]:
    """Run the command until its page is served; it is ended with Ctrl-C, and must end well."""
    call = [sys.executable, "-m", "extractor.cli", "calibrate", *map(str, arguments)]
    environment = os.environ | {"BROWSER": "true", "PYTHONUNBUFFERED": "1"}
    process = subprocess.Popen(
        call, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=environment
    )
    try:
        assert process.stdout is not None
        address = ""
        for line in process.stdout:
            match = re.search(r"http://\S+", line)
            if match:
                address = match[0]
                break
        assert address, "the command ended without an address"
        yield Served(process, address)
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGINT)
        told, _ = process.communicate(timeout=30)
    assert process.returncode in (0, -signal.SIGKILL), told


@contextmanager
def opened(
    browser: Browser, served: Served, width: int = 1280, height: int = 800
) -> Iterator[Page]:
    """The page with its proposal; nothing may fail in the browser, nothing foreign be asked for."""
    context = browser.new_context(viewport={"width": width, "height": height}, bypass_csp=True)
    page = context.new_page()
    trouble: list[str] = []
    page.on("pageerror", lambda error: trouble.append(str(error)))
    page.on(
        "request",
        lambda request: (
            trouble.append(request.url)
            if urlsplit(request.url).netloc != served.host and not request.url.startswith("blob:")
            else None
        ),
    )
    page.set_default_timeout(20_000)
    page.goto(served.address)
    page.wait_for_selector("#working", state="hidden", timeout=PATIENCE)
    settled(page)
    yield page
    assert trouble == []
    context.close()


def settled(page: Page) -> None:
    """Wait until everything is read and kept."""
    expect(page.locator("#state")).not_to_contain_text("Reading", timeout=PATIENCE)
    expect(page.locator("#state")).to_contain_text(
        re.compile("Found on|Not ready|Saved"), timeout=PATIENCE
    )


class Hand:
    """Works the page and counts what it does."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.actions = 0

    def click(self, selector: str) -> None:
        self.page.locator(selector).first.click()
        self.actions += 1

    def press(self, *keys: str) -> None:
        for key in keys:
            self.page.keyboard.press(key)
            self.actions += 1

    def type(self, text: str) -> None:
        self.page.keyboard.type(text)
        self.actions += len(text)


def place_of(what: Locator) -> dict[str, float] | None:
    """Where something stands; asked again while the page shows it anew."""
    for _ in range(50):
        box = what.bounding_box()
        if box is not None:
            return {"x": box["x"], "y": box["y"], "width": box["width"], "height": box["height"]}
        what.page.wait_for_timeout(100)
    return None


def names(page: Page) -> list[str]:
    """The names in the list, from top to bottom."""
    return [str(row.get_attribute("data-row")) for row in page.locator(".row").all()]


def wrong_and_right(saved: Path, captures: list[str], names: dict[str, str]) -> tuple[int, int]:
    """Count released figures of sample captures, wrong and right; ``names``: ours -> theirs."""
    truth = {}
    with (SAMPLES / "truth.csv").open(encoding="utf-8") as stream:
        for row in csv.DictReader(stream):
            truth[row["capture"], row["readout"].removesuffix(".width")] = row["text"]
    calibration = load_calibration(saved).calibration
    shown = [open_capture(SAMPLES / capture) for capture in captures]
    wrong = right = 0
    for capture, trial in zip(
        captures, Trials(default_reader()).run(calibration, shown), strict=True
    ):
        assert trial.found is not None, capture
        for name, judged in trial.judged.items():
            if judged.doubts:
                continue
            is_right = trial.readings[name].text == truth[capture, names.get(name, name)]
            right += is_right
            wrong += not is_right
    return wrong, right


# ---------------------------------------------------------------- from one capture to a file


def test_a_layout_with_unreadable_labels_by_mouse(browser: Browser, tmp_path: Path) -> None:
    with calibrate(LIST, "--out", tmp_path) as served, opened(browser, served) as page:
        expect(page.locator(".row")).to_have_count(11)
        hand = Hand(page)
        questions = ".question >> nth=0 >> role=button"
        for choice in ("battery temperature", "chip temperature", "load", "battery level"):
            hand.click(f"{questions}[name=/^{choice}/]")
        expect(page.locator(".question")).to_have_count(0)
        settled(page)
        hand.click("#save")
        hand.type("stacked")
        hand.press("Enter")
        expect(page.locator("#state")).to_contain_text("Saved to")
        readouts = page.locator(".row").count()
    saved = tmp_path / "stacked.toml"
    calibration = load_calibration(saved).calibration
    told = {(each.quantity, each.sensor, each.unit) for each in calibration.readout}
    assert {("temperature", "battery", "Cel"), ("temperature", "chip", "Cel"),
            ("load", None, "%"), ("level", None, "%")} <= told  # fmt: skip
    assert hand.actions <= 3 * readouts
    assert saved.read_text(encoding="utf-8").startswith("# A calibration of ocrlog")
    wrong, right = wrong_and_right(
        saved,
        ["H3-limiter-off/20260314_114118.webp", "H5/round-3/shot_0011.jpg",
         "dump/20260314_141302.jpg"],
        {"clock": "gpu_clock", "load": "gpu_load"},
    )  # fmt: skip
    assert wrong == 0
    assert right >= 15


def test_what_is_being_typed_outlives_what_was_read_meanwhile(
    browser: Browser, tmp_path: Path
) -> None:
    with calibrate(PANEL, "--out", tmp_path) as served, opened(browser, served) as page:
        settled(page)
        page.locator(".row").first.focus()
        page.keyboard.press("F2")
        page.keyboard.type("half_a_na")
        page.evaluate("import('/static/showing.js').then((module) => module.show())")
        page.wait_for_timeout(300)
        page.keyboard.type("me")
        page.keyboard.press("Enter")
        expect(page.locator('[data-row="half_a_name"]')).to_be_visible()


def test_a_layout_with_named_labels_by_keyboard_alone(browser: Browser, tmp_path: Path) -> None:
    with calibrate(PANEL, "--out", tmp_path) as served, opened(browser, served) as page:
        readouts = page.locator(".row").count()
        hand = Hand(page)
        hand.press("F8", "Enter")
        expect(page.locator(".question")).to_have_count(0)
        page.locator("#view").focus()  # where a person is who looks at the boxes
        hand.press("F8")
        hand.press(*["ArrowDown"] * names(page).index("clock"))
        expect(page.locator('[data-row="clock"]')).to_be_focused()
        hand.press("F2", "Home")
        hand.type("gpu_")
        hand.press("Enter")
        expect(page.locator('[data-row="gpu_clock"]')).to_be_visible()
        settled(page)
        hand.press("Control+s")
        hand.type("paper")
        hand.press("Enter")
        expect(page.locator("#state")).to_contain_text("Saved to")
    assert readouts == 12
    assert hand.actions <= 3 * readouts
    calibration = load_calibration(tmp_path / "paper.toml").calibration
    assert calibration.marks.duration == "m:s"
    assert {relation.that for relation in calibration.relation} >= {
        "frame_rate * frame_time = 1000",
        "voltage * current = 1000 * power",
    }
    wrong, right = wrong_and_right(
        tmp_path / "paper.toml",
        ["H3-limiter-off/20260314_111655.webp", PANEL_ELSEWHERE],
        {},
    )
    assert wrong == 0
    assert right >= 8


# ---------------------------------------------------------------- working on it


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small, quick capture of a panel."""
    from drawn_layouts import DARK, draw, panel, scene

    file = tmp_path_factory.mktemp("captures") / "small.png"
    Image.fromarray(draw(panel(), scene(2, 1000, 640), 1.0, (60, 80), DARK).image).save(file)
    return file


def draft(folder: Path) -> dict[str, object]:
    (file,) = folder.glob(".draft-*.json")
    found: dict[str, object] = json.loads(file.read_text(encoding="utf-8"))
    return found


def test_boxes_are_drawn_moved_resized_named_and_deleted_and_all_is_undone(
    browser: Browser, small: Path, tmp_path: Path
) -> None:
    with calibrate(small, "--out", tmp_path) as served, opened(browser, served) as page:
        rows = page.locator(".row")
        expect(rows).to_have_count(5)
        before = draft(tmp_path)["calibration"]
        sheet = place_of(page.locator("#sheet"))
        view = place_of(page.locator("#view"))
        assert sheet and view
        page.click("role=button[name='Show the whole capture']")
        page.mouse.move(view["x"] + 560, view["y"] + 300)
        page.mouse.down()
        page.mouse.move(view["x"] + 700, view["y"] + 340, steps=4)
        page.mouse.up()
        expect(rows).to_have_count(6)
        box = page.locator('.box.readout[aria-current="true"]')
        box.focus()
        first = place_of(box)
        page.keyboard.press("Shift+ArrowRight")
        page.keyboard.press("Alt+ArrowDown")
        settled(page)
        moved = place_of(box)
        assert first and moved
        assert moved["x"] > first["x"]
        assert moved["height"] > first["height"]
        page.mouse.move(moved["x"] + moved["width"] / 2, moved["y"] + moved["height"] / 2)
        page.mouse.down()
        page.mouse.move(moved["x"] + moved["width"] / 2, moved["y"] + 60, steps=4)
        page.mouse.up()
        dragged = place_of(page.locator('.box.readout[aria-current="true"]'))
        assert dragged
        assert dragged["y"] > moved["y"] + 20
        page.locator('.row[aria-expanded="true"]').focus()
        page.keyboard.press("p")  # power
        page.keyboard.press("4")  # highest
        expect(page.locator('[data-row="power_highest"]')).to_be_focused()
        settled(page)
        page.keyboard.press("Delete")
        expect(rows).to_have_count(5)
        for _ in range(7):
            page.keyboard.press("Control+z")
        settled(page)
        expect(page.locator("#undo")).to_be_disabled()
        assert draft(tmp_path)["calibration"] == before
        for _ in range(7):
            page.keyboard.press("Control+Shift+z")
        expect(page.locator("#redo")).to_be_disabled()
        expect(rows).to_have_count(5)


def test_nothing_is_lost_when_the_command_is_killed(
    browser: Browser, small: Path, tmp_path: Path
) -> None:
    other = tmp_path / "other" / "small.png"  # two devices may name a capture alike
    other.parent.mkdir()
    picture = Image.open(small)
    picture.resize((picture.width * 5 // 4, picture.height * 5 // 4)).save(other)
    out = tmp_path / "calibration"
    with calibrate(small, "--out", out) as served, opened(browser, served) as page:
        page.set_input_files("#files", other)
        expect(page.locator("#captures [role=tab]")).to_have_count(2)
        page.click("#capture-0")
        page.click('[data-row="power"]')
        page.fill("input.name >> nth=0", "draw")
        page.keyboard.press("Enter")
        expect(page.locator('[data-row="draw"]')).to_be_visible()
        settled(page)
        served.process.kill()
        served.process.wait()
        page.locator('[data-row="draw"]').focus()
        page.keyboard.press("Delete")
        expect(page.locator("#state")).to_contain_text("The command has ended")
    with calibrate(small, "--out", out) as served, opened(browser, served) as page:
        expect(page.locator(".notice").first).to_contain_text("goes on")
        expect(page.locator('[data-row="draw"]')).to_be_visible()
        expect(page.locator("#captures [role=tab]")).to_have_count(2)
        page.click("#capture-1")
        expect(page.locator("#about")).to_contain_text("Found at 125")
        expect(page.locator(".row .figures").first).not_to_have_text("nothing")


def test_what_could_not_be_kept_is_not_called_kept(
    browser: Browser, small: Path, tmp_path: Path
) -> None:
    refused = "No space is left."
    with calibrate(small, "--out", tmp_path) as served, opened(browser, served) as page:
        state = page.locator("#state")
        expect(state).to_contain_text("Your work is kept.")
        page.route(
            "**/api/draft", lambda route: route.fulfill(status=507, json={"refused": refused})
        )
        page.click(".row >> nth=0")
        page.keyboard.press("Delete")
        with page.expect_response("**/api/tried"):
            pass
        expect(state).to_have_text(refused)
        page.wait_for_timeout(500)  # nothing that comes later may say otherwise
        expect(state).to_have_text(refused)
        page.unroute("**/api/draft")
        page.keyboard.press("Control+z")
        expect(state).to_contain_text("Your work is kept.")


def test_the_page_looks_right_and_is_accessible(browser: Browser, tmp_path: Path) -> None:
    with calibrate(CARDS, LIST, "--out", tmp_path) as served, opened(browser, served) as page:
        for width, height in ((1280, 800), (1920, 1080)):
            page.set_viewport_size({"width": width, "height": height})
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            for tab in ("figures", "landmarks", "relations", "charts", "layout"):
                page.click(f"#tab-{tab}")
                assert overlapping(page) == [], (width, tab)
                if width == 1920:
                    continue
                found = Axe().run(page, options={"runOnly": WCAG})
                assert [each["id"] for each in found["violations"]] == [], (width, tab)
        page.click("#tab-figures")
        page.click(".row >> nth=1")
        assert Axe().run(page, options={"runOnly": WCAG})["violations"] == []
        for button in ("#help", "#save"):
            page.click(button)
            assert Axe().run(page, options={"runOnly": WCAG})["violations"] == []
            page.keyboard.press("Escape")
        # the second capture shows another layout, in landscape beside it: that is said
        page.click("#capture-1")
        expect(page.locator("#panel .fault").first).to_contain_text("not found on this capture")


def overlapping(page: Page) -> list[str]:
    """Controls (outside the capture) that lie over each other, or beyond the page's edge."""
    boxes = []
    found = []
    viewport = page.viewport_size
    assert viewport
    for control in page.locator("header button, .stagebar button, .captures button, "
                                ".side button, .side input, .side select").all():  # fmt: skip
        box = control.bounding_box()
        if box and control.is_visible():
            name = control.inner_text() or control.get_attribute("aria-label") or ""
            boxes.append((name, box))
            if control.evaluate("each => !each.closest('.captures')") and (
                box["x"] < 0 or box["x"] + box["width"] > viewport["width"]
            ):
                found.append(f"{name} beyond the edge")
    for at, (name, one) in enumerate(boxes):
        for other_name, other in boxes[at + 1 :]:
            across = min(one["x"] + one["width"], other["x"] + other["width"]) - max(
                one["x"], other["x"]
            )
            down = min(one["y"] + one["height"], other["y"] + other["height"]) - max(
                one["y"], other["y"]
            )
            if across > 1 and down > 1:
                found.append(f"{name} over {other_name}")
    return found


def test_every_control_is_reached_by_tabbing(browser: Browser, small: Path, tmp_path: Path) -> None:
    with calibrate(small, "--out", tmp_path) as served, opened(browser, served) as page:
        wanted = {"Keys and help", "Save …", "a landmark", "Add captures of other devices …"}
        reached = set()
        boxes = 0
        for _ in range(60):
            page.keyboard.press("Tab")
            name = page.evaluate("document.activeElement.textContent")
            reached.add(str(name))
            boxes += bool(page.evaluate("document.activeElement.classList.contains('box')"))
        assert wanted <= reached
        assert boxes >= 10


# ---------------------------------------------------------------- bad input and foreign callers


def blank(file: Path, size: tuple[int, int]) -> Path:
    Image.fromarray(np.full((size[1], size[0], 3), 90, np.uint8)).save(file)
    return file


def test_a_capture_without_text_is_said_and_can_be_drawn_on(
    browser: Browser, tmp_path: Path
) -> None:
    capture = blank(tmp_path / "blank.png", (900, 500))
    with calibrate(capture, "--out", tmp_path) as served, opened(browser, served) as page:
        expect(page.locator(".notice").first).to_contain_text("No text was found")
        expect(page.locator(".fault").first).to_contain_text("draw one around a figure")
        page.locator("#view").focus()
        page.keyboard.press("n")
        expect(page.locator(".row")).to_have_count(1)
        page.click("#save")
        page.keyboard.type("nothing")
        page.keyboard.press("Enter")
        expect(page.locator("#saving [role=alert]")).to_contain_text("cannot be saved yet")


def test_files_that_are_no_captures_are_refused_in_words(
    browser: Browser, small: Path, tmp_path: Path
) -> None:
    note = tmp_path / "note.png"
    note.write_text("no picture")
    huge = tmp_path / "huge.png"
    Image.new("1", (12000, 9000)).save(huge)
    with calibrate(small, "--out", tmp_path / "out") as served, opened(browser, served) as page:
        for file in (note, huge):
            page.set_input_files("#files", file)
            expect(page.locator(".notice", has_text=file.name)).to_contain_text("cannot be used")
        expect(page.locator(".row")).to_have_count(5)
        expect(page.locator("#captures [role=tab]")).to_have_count(1)


def test_a_large_upright_capture_is_shown_and_worked_on(browser: Browser, tmp_path: Path) -> None:
    from drawn_layouts import DARK, draw, panel, scene

    tall = tmp_path / "tall.png"
    Image.fromarray(draw(panel(), scene(3, 1200, 3400), 2.0, (90, 200), DARK).image).save(tall)
    with calibrate(tall, "--out", tmp_path) as served, opened(browser, served) as page:
        expect(page.locator(".row")).to_have_count(5)
        assert page.evaluate("document.querySelector('#sheet img').naturalHeight") <= 2600


@pytest.mark.parametrize("form", ["heic", "mp4"])
def test_a_first_capture_may_be_a_heic_or_a_recording(
    browser: Browser, small: Path, tmp_path: Path, form: str
) -> None:
    first = tmp_path / f"first.{form}"
    if form == "heic":
        pillow_heif.from_pillow(Image.open(small)).save(first, quality=80)
    else:
        call = [
            need("ffmpeg"),
            "-v",
            "error",
            "-loop",
            "1",
            "-i",
            str(small),
            "-t",
            "2",
            "-r",
            "10",
        ]
        call += ["-pix_fmt", "yuv420p", "-crf", "12", str(first)]
        subprocess.run(call, check=True)
    with calibrate(first, "--out", tmp_path) as served, opened(browser, served) as page:
        expect(page.locator(".row")).to_have_count(5)
        expect(page.locator("#state")).to_contain_text("Found on 1 of 1")
        assert page.evaluate("document.querySelector('#sheet img').naturalWidth") > 0
        units = [each.get("unit") for each in draft(tmp_path)["calibration"]["readout"]]
        assert units[:4] == ["fps", "W", "Cel", "MHz"]  # lone letters, cut apart by the finder


def test_captures_of_another_shape_and_of_other_layouts_are_told(
    browser: Browser, small: Path, tmp_path: Path
) -> None:
    from drawn_layouts import DARK, OUTLINED, cards, draw, letters, panel, scene

    upright = draw(panel(), scene(1, 640, 1000), 1.2, (90, 300), DARK).image
    both = draw(letters(), scene(3, 1300, 640), 1.0, (800, 60), OUTLINED).image
    both = draw(panel(), both, 1.0, (90, 120), DARK).image
    other = draw(cards(), scene(2, 1000, 640), 0.9, (20, 20), DARK).image
    added = {"upright": upright, "both": both, "other": other}
    for name, image in added.items():
        Image.fromarray(image).save(tmp_path / f"{name}.png")
    out = tmp_path / "out"
    with calibrate(small, "--out", out) as served, opened(browser, served) as page:
        page.set_input_files("#files", [tmp_path / f"{name}.png" for name in added])
        expect(page.locator("#captures [role=tab]")).to_have_count(4)
        settled(page)
        expect(page.locator("#state")).to_contain_text("Found on 3 of 4")
        page.click("#capture-1")
        expect(page.locator("#about")).to_contain_text("Found at 120")
        page.click("#capture-2")
        expect(page.locator("#about")).to_contain_text("Found at 100")
        page.click("#capture-3")
        expect(page.locator("#capture-3")).to_contain_text("not found")
        expect(page.locator(".fault").first).to_contain_text("not found on this capture")
        expect(page.locator(".row")).to_have_count(5)


def test_a_folder_that_must_not_be_written_to_is_said_and_another_is_taken(
    browser: Browser, small: Path, tmp_path: Path
) -> None:
    closed = tmp_path / "closed"
    closed.mkdir()
    capture = closed / small.name
    capture.write_bytes(small.read_bytes())
    closed.chmod(0o555)
    out = () if not os.access(closed, os.W_OK) else ("--out", "/proc")  # nobody may write there
    if out and not Path("/proc/self").exists():
        pytest.skip("an administrator may write everywhere here: run it as another user")
    with calibrate(capture, *out) as served, opened(browser, served) as page:
        expect(page.locator(".notice").first).to_contain_text("Nothing can be written")
        page.click("#save")
        page.keyboard.type("closed")
        page.keyboard.press("Enter")
        expect(page.locator("#saving [role=alert]")).to_contain_text("could not be written")
        page.click("role=button[name='Not yet']")
        expect(page.locator(".row")).to_have_count(5)
    closed.chmod(0o755)


def test_where_nothing_can_be_written_the_page_says_so(
    browser: Browser, small: Path, tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("in the way")
    out = tmp_path / "file" / "calibration"
    with calibrate(small, "--out", out) as served, opened(browser, served) as page:
        expect(page.locator(".notice").first).to_contain_text("Nothing can be written")
        page.click("#save")
        page.keyboard.type("lost")
        page.keyboard.press("Enter")
        expect(page.locator("#saving [role=alert]")).to_contain_text("could not be written")
        page.click("role=button[name='Not yet']")
        expect(page.locator(".row")).to_have_count(5)


def test_another_layouts_file_is_not_overwritten(
    browser: Browser, small: Path, tmp_path: Path
) -> None:
    taken = tmp_path / "taken.toml"
    taken.write_text('id = "somebodyelse"\n', encoding="utf-8")
    with calibrate(small, "--out", tmp_path) as served, opened(browser, served) as page:
        page.click("#save")
        page.keyboard.type("taken")
        page.keyboard.press("Enter")
        expect(page.locator("#saving [role=alert]")).to_contain_text("holds another layout")
    assert tomllib.loads(taken.read_text(encoding="utf-8")) == {"id": "somebodyelse"}


def test_only_the_printed_address_is_let_in_and_only_once(small: Path, tmp_path: Path) -> None:
    with calibrate(small, "--out", tmp_path) as served, httpx.Client() as client:
        root = f"http://{served.host}"
        assert client.get(root).status_code == 403
        assert client.get(f"{root}/?token=wrong").status_code == 403
        assert client.get(f"{root}/api/opening").status_code == 403
        assert client.get(f"{root}/static/base.js").status_code == 403
        assert client.get(served.address, headers={"host": "evil.example"}).status_code == 403
        foreign = {"origin": "http://evil.example"}
        assert client.get(served.address, headers=foreign).status_code == 403
        entered = client.get(served.address)
        assert entered.status_code == 303
        cookie = entered.headers["set-cookie"].lower()
        assert "httponly" in cookie
        assert "samesite=strict" in cookie
        page = client.get(root)
        assert page.status_code == 200
        assert "default-src 'none'" in page.headers["content-security-policy"]
        for headers in ({"host": "evil.example"}, foreign, {"sec-fetch-site": "cross-site"}):
            refused = client.put(f"{root}/api/draft", json={}, headers=headers)
            assert refused.status_code == 403
        assert client.get(f"{root}/api/nothing").json()["refused"]
        assert client.post(f"{root}/api/tried", content=b"no json").status_code == 400
        with httpx.Client() as other:
            assert other.get(served.address).status_code == 403


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("{folder}",), "is a folder"),
        (("{folder}/gone.png",), "no such file"),
        (("{folder}/note.png",), "note.png: it is text"),
        (("{folder}/huge.png",), "100 million"),
        (("{folder}/small.png", "--mend", "{folder}/note.png"), "note.png"),
        (("--check", "{folder}", "{folder}"), "holds no calibration"),
    ],
)
def test_a_wrong_call_is_said_and_ends_with_2(
    arguments: tuple[str, ...], told: str, small: Path, tmp_path: Path
) -> None:
    (tmp_path / "note.png").write_text("no picture")
    Image.new("1", (12000, 9000)).save(tmp_path / "huge.png")
    (tmp_path / "small.png").write_bytes(small.read_bytes())
    call = [each.format(folder=tmp_path) for each in arguments]
    ended = subprocess.run(
        [sys.executable, "-m", "extractor.cli", "calibrate", *call],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert ended.returncode == 2, ended.stderr
    assert told in ended.stderr


def test_without_a_browser_the_proposal_is_a_file_that_checks(small: Path, tmp_path: Path) -> None:
    call = [sys.executable, "-m", "extractor.cli", "calibrate"]
    proposed = subprocess.run(
        [*call, str(small), "--no-browser", "--out", str(tmp_path)],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    file = tmp_path / "layout_small.toml"
    assert str(file) in proposed.stdout
    assert "Open: " in proposed.stdout
    assert len(load_calibration(file).calibration.readout) == 5
    checked = subprocess.run(
        [*call, "--check", str(file), str(small), "--out", str(tmp_path / "check")],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert "layout_small: found on 1 of 1 captures" in checked.stdout
    assert (tmp_path / "check" / "0001.png").exists()


def test_landmarks_are_cut_with_or_without_the_scene_and_keep_their_size_when_moved(
    browser: Browser, small: Path, tmp_path: Path
) -> None:
    with calibrate(small, "--out", tmp_path) as served, opened(browser, served) as page:
        page.click("#tab-landmarks")
        page.click("role=button[name='Its box'] >> nth=0")
        before = place_of(page.locator('.box.landmark[aria-current="true"]'))
        page.keyboard.press("ArrowRight")
        settled(page)
        after = place_of(page.locator('.box.landmark[aria-current="true"]'))
        assert before and after
        assert after["width"] == pytest.approx(before["width"], abs=2)
        bare = page.locator("#panel input[type=checkbox]")
        was = bare.is_checked()
        page.click("label:has-text('stand on the scene itself')")
        expect(bare).to_be_checked(checked=not was)
        settled(page)
        expect(page.locator("#state")).to_contain_text("Found on 1 of 1")


def test_a_calibration_is_mended_on_the_capture_it_was_drawn_on(
    browser: Browser, small: Path, tmp_path: Path
) -> None:
    call = [sys.executable, "-m", "extractor.cli", "calibrate"]
    subprocess.run([*call, small, "--no-browser", "--out", tmp_path], check=True)
    file = tmp_path / "layout_small.toml"
    file.write_text("# mine\n" + file.read_text(encoding="utf-8"), encoding="utf-8")
    with calibrate(small, "--mend", file) as served, opened(browser, served) as page:
        page.click('[data-row="power"]')
        page.keyboard.press("2")  # mean
        settled(page)
        page.keyboard.press("Control+s")
        page.keyboard.press("Enter")
        expect(page.locator("#state")).to_contain_text(f"Saved to {file}")
    mended = load_calibration(file).calibration
    assert ("power", "mean") in {(each.quantity, each.statistic) for each in mended.readout}
    assert file.read_text(encoding="utf-8").startswith("# mine\n")
    elsewhere = subprocess.run(
        [*call, LIST, "--mend", file], capture_output=True, text=True, check=False
    )
    assert elsewhere.returncode == 2
    assert "where it was drawn" in elsewhere.stderr
