"""The report of the samples, in a real browser; the workbook and the Markdown beside it."""

from __future__ import annotations

import io
import re
from functools import cache
from pathlib import Path

import compared_samples as samples
import openpyxl
import pytest
from axe_core_python.sync_playwright import Axe
from PIL import Image
from playwright.sync_api import Browser, sync_playwright
from test_comparing_rounds import a_round, compared

from extractor.captures import find_captures, inspect
from extractor.comparing import evidence
from extractor.comparing.report import CAUTION, People, Picture, pictures, report
from extractor.comparing.tables import markdown, workbook
from extractor.comparing.whole import Comparison, compare_all, summary_table
from extractor.records import Capture

MEBIBYTE = 1 << 20
CHROMIUM = "/usr/bin/chromium"


@cache
def whole() -> Comparison:
    readings = samples.readings().copy()
    # As if a person had corrected this figure.
    row = readings[(readings["device"] == "H1") & (readings["readout"] == "power_mean")].index[0]
    readings.loc[row, ["source", "decided_text", "settled_flags"]] = ["corrected", "5.57", "unsure"]
    return compare_all(readings, samples.session(), samples.calibrations(), samples.traces())


@cache
def crops() -> evidence.Crops:
    used = {
        path for each in whole().rounds.all for a in each.figures.values() for path in a.captures
    }
    captures = [
        inspect(each) for each in find_captures(samples.SAMPLES).candidates if each.path in used
    ]
    return evidence.cut(whole(), [each for each in captures if isinstance(each, Capture)], {})


@cache
def drawn() -> list[Picture]:
    return pictures(whole())


@pytest.fixture(scope="module")
def page_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("report") / "report.html"
    file.write_text(report(whole(), crops(), drawn()), encoding="utf-8")
    return file


@pytest.fixture(scope="module")
def browser() -> Browser:
    with sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=CHROMIUM)
        yield chromium
        chromium.close()


# ---------------------------------------------------------------- in the browser


def test_the_report_of_the_samples_is_under_5_mb(page_file):
    assert page_file.stat().st_size < 5 * MEBIBYTE


@pytest.fixture(scope="module")
def small_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same page of one device alone: axe-core looks at every cell."""
    readings = samples.readings()
    kept = readings[readings["device"] == "H6"].reset_index(drop=True)
    few = compare_all(kept, samples.session(), samples.calibrations(), samples.traces())
    by_capture = {
        (row["capture"], row["readout"]): crops().figures[at]
        for at, row in whole().readings.iterrows()
        if at in crops().figures
    }
    figures = {
        at: by_capture[row["capture"], row["readout"]]
        for at, row in kept.iterrows()
        if (row["capture"], row["readout"]) in by_capture
    }
    file = tmp_path_factory.mktemp("report") / "small.html"
    file.write_text(
        report(few, evidence.Crops(figures, crops().charts), drawn()[:2]), encoding="utf-8"
    )
    return file


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing(small_file, browser, scheme):
    page = browser.new_page(color_scheme=scheme)
    page.goto(small_file.as_uri())
    found = Axe().run(page)
    assert len(found["passes"]) > 15
    assert [(each["id"], each["nodes"][0]["html"][:120]) for each in found["violations"]] == []
    back = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert (back == "rgb(255, 255, 255)") == (scheme == "light")
    page.close()


def test_no_request_leaves_the_page(page_file, browser):
    page = browser.new_page()
    asked: list[str] = []
    said: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: said.append(message.text))
    page.goto(page_file.as_uri())
    page.wait_for_load_state("networkidle")
    assert [url for url in asked if not url.startswith("data:")] == [page_file.as_uri()]
    assert said == []
    assert page.evaluate("[...document.images].every(i => i.complete && i.naturalWidth > 0)")
    page.close()


def test_every_number_leads_to_its_crop(page_file, browser):
    """From the first table to how it was computed, from there to the figures and their crops."""
    page = browser.new_page()
    page.goto(page_file.as_uri())
    dead = page.evaluate(
        "[...document.querySelectorAll('a')].filter(a => !document.querySelector(a.hash)).length"
    )
    assert dead == 0
    numbers = page.locator("section[aria-labelledby=first] td a")
    assert numbers.count() == 7 * 10 - 1  # H6 did not run round 3
    without = page.evaluate(
        """() => {
          const leads = (a) => [...document.querySelector(a.hash).querySelectorAll('a')];
          const shows = (a) => document.querySelector(a.hash).querySelector('img.crop');
          const numbers = [...document.querySelectorAll('section[aria-labelledby=first] td a')];
          return numbers.filter((a) => !leads(a).length || !leads(a).every(shows))
                        .map((a) => a.hash);
        }"""
    )
    assert without == []
    decided = page.get_by_text("corrected by a person: 5.57 (was flagged unsure)")
    assert decided.count() >= 1
    page.close()


def test_it_prints_to_pdf(page_file, browser):
    page = browser.new_page(color_scheme="dark")
    page.goto(page_file.as_uri())
    page.emulate_media(media="print")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    pdf = page.pdf(format="A4")
    assert pdf.startswith(b"%PDF")
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) > 10
    page.close()


def test_the_page_fits_a_narrow_window(page_file, browser):
    page = browser.new_page(viewport={"width": 390, "height": 800})
    page.goto(page_file.as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.close()


# ---------------------------------------------------------------- what it says


def test_the_report_says_verdicts_warnings_and_the_caution(page_file):
    text = page_file.read_text(encoding="utf-8")
    for word in ("throttled, in steps", "not run: stopped by heat", "thrifty by doing little",
                 "JCGM 100:2008", "repeatability is not measured", "swollen"):  # fmt: skip
        assert word in text
    assert "swollen" in CAUTION and "maker" in CAUTION and "qualified people" in CAUTION


def test_what_people_wrote_is_text_and_never_markup():
    nasty = "<script>alert(1)</script>"
    said = compared(a_round(device=nasty), session={"scene": nasty, "graphics": {"set": nasty}})
    html = report(said, evidence.Crops({}, {}), [])
    assert nasty not in html
    assert html.count("&lt;script&gt;") >= 3


def test_the_crop_shows_the_figure_at_its_box():
    """The crop of H1's mean power is light ink on the dark card, as tall as it is shown."""
    (first,) = whole().rounds.of("H1", "", 1)
    row = first.figures["power_mean"].rows[0]
    crop = Image.open(io.BytesIO(crops().figures[row]))
    assert crop.format == "WEBP"
    assert crop.height <= 64 and crop.width > crop.height
    low, high = crop.convert("L").getextrema()
    assert low < 60 and high > 180


def test_who_decided_and_what_was_spot_checked_is_said():
    settled = a_round("one.png")
    row = settled[0]
    row |= {"source": "corrected", "decided_text": "5.57", "settled_flags": "unsure"}
    place = (row["capture"], row["layout"], row["readout"], None)
    people = People({place: "kim"}, ("Spot-check of 2026-03-20 by kim: 300 of 1599",))
    html = report(compared(settled), evidence.Crops({}, {}), [], people)
    assert "corrected by kim: 5.57 (was flagged unsure)" in html
    assert "by kim: 300 of 1599" in html
    assert "No spot-check was made" in report(compared(settled), evidence.Crops({}, {}), [])


def test_a_capture_that_is_gone_leaves_its_path():
    html = report(compared(a_round("gone.png")), evidence.Crops({}, {}), [])
    assert "gone.png" in html and "<img class=" not in html


# ---------------------------------------------------------------- the tables for people


def test_the_workbook_holds_the_tables_as_numbers_and_no_formula():
    book = openpyxl.load_workbook(io.BytesIO(workbook(compared(a_round(device="=1+1")))))
    assert book.sheetnames == ["first rounds", "comparison", "rounds"]
    cells = [cell for row in book["comparison"].iter_rows() for cell in row]
    assert all(cell.data_type != "f" for cell in cells)
    assert "=1+1" in {cell.value for cell in cells}
    rate = [row for row in book["comparison"].iter_rows(values_only=True) if row[3] == "frame_rate"]
    assert rate[0][4] == 60.0


def test_markdown_has_a_row_a_device_and_the_caution():
    text = markdown(whole())
    header, rows = summary_table(whole())
    lines = [line for line in text.splitlines() if line.startswith("| ")]
    assert sum(line.startswith(("| H1 ", "| H3 limiter-on")) for line in lines) >= 2
    assert all(line.count("|") == len(header) + 1 for line in lines[: len(rows) + 1])
    assert CAUTION in text
    odd = markdown(compared(a_round(device="a|b")))
    assert "a\\|b" in odd


def test_a_round_that_was_not_run_is_no_unknown_figure(page_file):
    """H6 was stopped by heat in round 2: its third round is an outcome, in words."""
    header, rows = summary_table(whole())
    last = [name.startswith("Frame rate left") for name in header].index(True)
    assert {row[0]: row[last] for row in rows}["H6"] == "not run"
    assert '<span class="soft">not run</span>' in page_file.read_text(encoding="utf-8")


def test_keys_of_files_stand_as_code_and_what_a_person_wrote_is_escaped():
    from extractor.comparing.report import _code

    assert _code("state `frames` <now>") == "state <code>frames</code> &lt;now&gt;"
    assert _code("`<b>`") == "<code>&lt;b&gt;</code>"
    assert _code("an odd ` one") == "an odd ` one"


def test_it_prints_with_margins_of_its_own(page_file):
    page = page_file.read_text(encoding="utf-8")
    assert "@page { margin: 14mm 12mm; }" in page
    assert "h2, h3 { break-after: avoid; }" in page  # no heading alone at the foot of a page
